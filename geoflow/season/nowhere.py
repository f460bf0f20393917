"""Records in no field, by day and place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray, IntArray
from geoflow.season.outlines import Outline
from geoflow.season.scanning import Scan, day_text

__all__ = ["InNoField", "in_no_field_of"]

_APART: Final = 300.0  # records of a day further from each other than this are at two places [m]
_DEGREE: Final = 111_195.0  # of a great circle of the mean earth [m]


@dataclass(frozen=True, slots=True)
class InNoField:
    """Records of one day at one place outside all fields.

    Attributes
    ----------
    log : str
        The log they are of.
    day : str or None
        As ``2026-04-21``, by the log's own clock; None where it is not known.
    records, spread : int
        How many, and how many of them with a rate above zero.
    lon, lat : float or None
        Middle of the place [degree]; None for records without a position.
    nearest : str or None
        The nearest field.
    distance : float or None
        From the middle to its outline [m].
    """

    log: str
    day: str | None
    records: int
    spread: int
    lon: float | None
    lat: float | None
    nearest: str | None
    distance: float | None


def in_no_field_of(log: str, scan: Scan, outlines: Sequence[Outline]) -> list[InNoField]:
    """Bring the records of a log that are in no field together by day and place, most records first.

    Parameters
    ----------
    log : str
        Name of the log.
    scan : Scan
        What was found of its records.
    outlines : sequence of Outline
        All fields.
    """
    rows = np.flatnonzero(scan.field < 0)
    if scan.order is not None:
        place = np.empty(scan.order.size, dtype=np.int32)
        place[scan.order] = np.arange(scan.order.size, dtype=np.int32)
        rows = rows[np.argsort(place[rows], kind="stable")]
    placed = np.isfinite(scan.lon[rows]) & np.isfinite(scan.lat[rows])
    found: list[InNoField] = []
    for day in np.unique(scan.day[rows]).tolist():
        own, said = scan.day[rows] == day, day_text(day)
        lost = rows[own & ~placed]
        if lost.size:
            found.append(InNoField(log, said, lost.size, int(scan.spread[lost].sum()), None, None, None, None))
        there = rows[own & placed]
        found += [
            _at_a_place(log, said, scan, some, outlines) for some in _by_place(scan.lon[there], scan.lat[there], there)
        ]
    return sorted(found, key=lambda one: (-one.records, one.day or "", one.lon or 0.0))


def _by_place(lon: FloatArray, lat: FloatArray, rows: IntArray) -> list[IntArray]:
    """Records in the order driven, put together by place."""
    import shapely

    if not rows.size:
        return []
    east = lon * np.cos(np.radians(lat.mean())) * _DEGREE
    north = lat * _DEGREE
    jump = np.hypot(np.diff(east), np.diff(north)) > _APART
    # Boxes of at most so many records, so that a long way is not one large place.
    starts = np.flatnonzero(np.append(True, jump | (np.arange(1, rows.size) % 256 == 0)))
    low_x, low_y = (np.minimum.reduceat(each, starts) - _APART / 2.0 for each in (east, north))
    high_x, high_y = (np.maximum.reduceat(each, starts) + _APART / 2.0 for each in (east, north))
    boxes = shapely.box(low_x, low_y, high_x, high_y)
    grounds = np.array(shapely.get_parts(shapely.union_all(boxes)))
    run, ground = shapely.STRtree(grounds).query(shapely.centroid(boxes), predicate="intersects")
    of_run = np.zeros(starts.size, dtype=np.int64)
    of_run[run] = ground
    own = np.repeat(of_run, np.diff(np.append(starts, rows.size)))
    return [rows[own == at] for at in np.unique(own).tolist()]


def _at_a_place(log: str, day: str | None, scan: Scan, rows: IntArray, outlines: Sequence[Outline]) -> InNoField:
    import shapely

    lon, lat = float(np.median(scan.lon[rows])), float(np.median(scan.lat[rows]))
    # East and north of the place; a degree east is as long as the place's own.
    narrow = float(np.cos(np.radians(lat)))

    def metres(points: Any) -> Any:
        return (points - [lon, lat]) * [narrow * _DEGREE, _DEGREE]

    bounds = shapely.bounds(np.array([one.inside for one in outlines], dtype=object))
    away = np.hypot(
        (np.clip(lon, bounds[:, 0], bounds[:, 2]) - lon) * narrow, np.clip(lat, bounds[:, 1], bounds[:, 3]) - lat
    )
    near = np.argsort(away)[:3]
    middle = shapely.Point(0.0, 0.0)
    apart = [float(shapely.distance(shapely.transform(outlines[int(at)].inside, metres), middle)) for at in near]
    best = int(np.argmin(apart))
    spread = int(scan.spread[rows].sum())
    return InNoField(log, day, rows.size, spread, lon, lat, outlines[int(near[best])].name, apart[best])
