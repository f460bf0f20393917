"""Strips of a log's records: by step, heading and width, or as the log itself draws them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray
from geoflow.ground.applied_log import AppliedLog
from geoflow.ground.swaths import laid_out

__all__ = ["Strips", "drawn_strips", "lay_strips"]

_POLYGON: Final = 3
# Points of a closed ring of four corners.
_FOUR: Final = 5


@dataclass(frozen=True, slots=True, eq=False)
class Strips:
    """Ground of the records of a log.

    Attributes
    ----------
    quads : ndarray, shape (m, 4, 2)
        Corners [m]: one for each record with ground, or several where the log draws polygons of another shape.
    record : ndarray of int, shape (m,)
        Record each belongs to, rising.
    ground : ndarray of bool, shape (n,)
        Which records cover ground.
    area : ndarray, shape (n,)
        [m2]; 0 without ground.
    drawn : ndarray of Polygon or MultiPolygon, shape (n,), or None
        Where the log draws its ground.
    """

    quads: FloatArray
    record: IntArray
    ground: BoolArray
    area: FloatArray
    drawn: Any = None

    def of(self, records: BoolArray) -> tuple[FloatArray, IntArray]:
        """Quads of the records marked, of shape (n,), and the place of each among those of them with ground.

        Parameters
        ----------
        records : ndarray of bool, shape (n,)
            Which of them.
        """
        kept = records & self.ground
        mine = kept[self.record]
        return self.quads[mine], (np.cumsum(kept) - 1)[self.record[mine]]

    def shapes(self, records: IntArray) -> Any:
        """Return the outlines of records with ground.

        Parameters
        ----------
        records : ndarray of int
            Their places in the log.
        """
        import shapely

        if self.drawn is not None:
            return self.drawn[records]
        return shapely.polygons(self.quads[np.searchsorted(self.record, records)])


def lay_strips(log: AppliedLog, drawn: Any = None) -> Strips:
    """Ground that each record covers: as the log draws it, or else by `strips`.

    Parameters
    ----------
    log : AppliedLog
        Records, shape (n,).
    drawn : ndarray of Polygon or MultiPolygon, shape (n,), optional
        Valid, in the log's frame [m].
    """
    if drawn is not None:
        return drawn_strips(drawn, log.on)
    quads, ground, area = laid_out(log)
    return Strips(quads[ground], np.flatnonzero(ground), ground, area)


def drawn_strips(drawn: Any, on: BoolArray) -> Strips:
    """Take polygons as the ground, unchanged; those of more than four corners are cut into triangles.

    Parameters
    ----------
    drawn : ndarray of Polygon or MultiPolygon, shape (n,)
        Valid, in a local frame [m].
    on : ndarray of bool, shape (n,)
        Which of them count.
    """
    import shapely

    shapes = np.asarray(drawn, dtype=object)
    area = np.where(on, np.nan_to_num(shapely.area(shapes)), 0.0)
    at = np.flatnonzero(area > 0.0)
    plain = (
        (shapely.get_type_id(shapes[at]) == _POLYGON)
        & (shapely.get_num_coordinates(shapes[at]) == _FOUR)
        & (shapely.get_num_interior_rings(shapes[at]) == 0)
    )
    quads = [shapely.get_coordinates(shapes[at[plain]]).reshape(-1, _FOUR, 2)[:, :4]]
    record = [at[plain]]
    parts, owner = shapely.get_parts(
        shapely.constrained_delaunay_triangles(shapes[at[~plain]]), return_index=True
    )  # fmt: skip
    corners = shapely.get_coordinates(parts).reshape(-1, 4, 2)[:, :3]
    quads.append(np.concatenate([corners, corners[:, 2:]], axis=1))
    record.append(at[~plain][owner])
    every = np.concatenate(record)
    order = np.argsort(every, kind="stable")
    return Strips(np.concatenate(quads)[order], every[order], area > 0.0, area, shapes)
