"""Which zone lies where, as a raster of fine cells: a lookup for very many points."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray, IntArray
from geoflow.ground.passes import lay_passes
from geoflow.ground.scanlines import expand

__all__ = ["Cells", "lay_cells"]

# Side of a cell [m], and how many there may be before it has to grow.
_FINEST: Final = 0.5
_MOST: Final = 12_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Cells in rows from south to north.

    Attributes
    ----------
    west, south : float
        Corner [m].
    side : float
        Of a cell [m].
    zone : ndarray of int, shape (rows, columns)
        Zone of each cell's middle, -1 where there is none; a border of such cells runs all round.
    """

    west: float
    south: float
    side: float
    zone: IntArray

    def place(self, x: FloatArray, y: FloatArray, times: int = 1) -> IntArray:
        """Number of the cell under each point, of cells `times` as large; points outside fall on the border.

        Parameters
        ----------
        x, y : ndarray
            [m]
        times : int
            Cells of the raster along a side of the cells meant.
        """
        rows, columns = (-(-size // times) for size in self.zone.shape)
        side = times * self.side
        column = np.clip(np.floor((x - self.west) / side), 0, columns - 1).astype(np.int64)
        row = np.clip(np.floor((y - self.south) / side), 0, rows - 1).astype(np.int64)
        return np.asarray(row * columns + column)

    def at(self, x: FloatArray, y: FloatArray) -> IntArray:
        """Zone under each point, -1 where there is none.

        Parameters
        ----------
        x, y : ndarray
            [m]
        """
        return np.asarray(self.zone.ravel()[self.place(x, y)], dtype=np.int64)


def lay_cells(zones: Any, finest: float = _FINEST) -> Cells:
    """Cut zones into cells.

    Parameters
    ----------
    zones : array_like of Polygon or MultiPolygon, shape (n,)
        Valid, in a local frame [m]; where they overlap the last one counts.
    finest : float
        Side of a cell, larger where there would be too many [m].
    """
    import shapely

    west, south, east, north = shapely.total_bounds(np.asarray(zones, dtype=object))
    side = max(finest, float(np.sqrt((east - west) * (north - south) / _MOST)))
    lines = lay_passes(zones, 0.0, side)
    column = np.rint((lines.start_x - west) / side + 0.5).astype(np.int64)
    low, high = np.minimum(lines.start_y, lines.end_y), np.maximum(lines.start_y, lines.end_y)
    first = np.ceil((low - south) / side + 0.5).astype(np.int64)
    last = np.ceil((high - south) / side + 0.5).astype(np.int64)
    shape = (int(last.max(initial=0)) + 2, int(column.max(initial=0)) + 2)
    zone = np.full(shape, -1, dtype=np.int64)
    order = np.argsort(lines.zone, kind="stable")
    which, row = expand(first[order], last[order])
    zone[row, column[order][which]] = lines.zone[order][which]
    return Cells(float(west) - side, float(south) - side, side, zone)
