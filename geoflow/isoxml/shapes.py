"""Outlines and grids of task data as polygons: rings told by their type, cells merged where they carry the same."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray
from geoflow.base.counted import count
from geoflow.base.errors import PrescriptionError
from geoflow.isoxml.xml import Node
from geoflow.layers.notes import Note

__all__ = ["MOST_CELLS", "Outlines", "merge_cells"]

MOST_CELLS: Final = 10_000_000

_EXTERIOR, _INTERIOR = "1", "2"  # kinds of LSG


class Outlines:
    """Builds polygons from elements PLN and counts what was odd about them.

    Parameters
    ----------
    implicit : bool
        Whether a ring closes by itself without saying so, as in version 3.
    """

    def __init__(self, *, implicit: bool) -> None:
        self._implicit = implicit
        self._odd: Counter[tuple[str, str]] = Counter()

    def build(self, polygons: Sequence[Node]) -> Any:
        """Return one Polygon or MultiPolygon in longitude and latitude, or None where no ring has an area.

        Parameters
        ----------
        polygons : sequence of Node
            Elements PLN.

        Raises
        ------
        PrescriptionError
            If a coordinate is none.
        """
        import shapely

        parts: list[Any] = []
        for polygon in polygons:
            rings = {_EXTERIOR: [], _INTERIOR: []}  # type: dict[str, list[FloatArray]]
            for line in polygon.all("LSG"):
                kind = line.text("A")
                if kind not in rings:
                    self._odd["line", "neither outline nor hole; left out"] += 1
                    continue
                ring = self._ring(line)
                if ring is not None:
                    rings[kind].append(ring)
            parts += self._assemble(rings[_EXTERIOR], rings[_INTERIOR])
        if not parts:
            return None
        return parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)

    def notes(self) -> list[Note]:
        """What was odd, over everything built."""
        return [Note("shape", f"{count(often, thing)} {what}", often) for (thing, what), often in self._odd.items()]

    def _ring(self, line: Node) -> FloatArray | None:
        points = np.array([_position(point) for point in line.all("PNT")], dtype=np.float64).reshape(-1, 2)
        if len(np.unique(points, axis=0)) < 3:
            self._odd["ring", "with fewer than three points; left out"] += 1
            return None
        if (points[0] != points[-1]).any():
            if not self._implicit:
                self._odd["ring", "did not close; closed"] += 1
            points = np.vstack([points, points[:1]])
        return points

    def _assemble(self, shells: list[FloatArray], holes: list[FloatArray]) -> list[Any]:
        """Give every hole to the smallest outline around it; the direction of a ring says nothing."""
        import shapely

        if len(shells) == 1:
            return [shapely.Polygon(shells[0], holes)]
        own: list[list[FloatArray]] = [[] for _ in shells]
        grounds = shapely.make_valid(np.array([shapely.Polygon(shell) for shell in shells], dtype=object))
        sizes = shapely.area(grounds)
        for hole in holes:
            void = shapely.make_valid(shapely.Polygon(hole))
            around = np.flatnonzero(shapely.covers(grounds, void))
            shared = shapely.area(shapely.intersection(grounds, void))
            if around.size:
                own[int(around[sizes[around].argmin()])].append(hole)
            elif (shared > 0.0).any():  # a hole that sticks out a little still belongs somewhere
                own[int(shared.argmax())].append(hole)
            else:
                self._odd["hole", "outside every outline; left out"] += 1
        return [shapely.Polygon(shell, inner) for shell, inner in zip(shells, own, strict=True)]


def _position(point: Node) -> tuple[float, float]:
    """Longitude and latitude of a PNT: C is north and D is east."""
    if point.text("J") and not point.text("C"):
        raise PrescriptionError(
            "the points stand in a binary file of their own, which is not read",
            where=point.where,
            cure="export the outlines into TASKDATA.XML",
        )
    north, east = point.number("C"), point.number("D")
    if abs(north) > 90.0 or abs(east) > 180.0:
        raise PrescriptionError(
            f"north {north:g}, east {east:g} is no place on earth",
            where=point.where,
            cure="positions are degrees, C north and D east; export the task data again",
        )
    return east, north


def merge_cells(
    labels: IntArray, *, north: float, east: float, north_size: float, east_size: float
) -> tuple[IntArray, list[Any]]:
    """Merge the cells of a grid that carry the same label, near or far, into one polygon each.

    Runs of cells along a row become polygons with a corner at every cell, so neighbours share all corners and merge
    as a coverage, exactly, in whole numbers. Corners where nothing meets are then left out on both sides alike.

    Parameters
    ----------
    labels : ndarray of int, shape (rows, columns)
        From 0; negative where there is no ground. The first row is the southernmost, the first column the westernmost.
    north, east : float
        South-west corner [degree].
    north_size, east_size : float
        Of a cell [degree].

    Returns
    -------
    found : ndarray of int
        Labels in rising order.
    shapes : list of Polygon or MultiPolygon
        Of each label, in longitude and latitude.
    """
    import shapely

    runs = _runs(labels)
    order = np.argsort(labels[runs[0], runs[1]], kind="stable")
    row, first, last = (part[order] for part in runs)
    own = labels[row, first]
    found, begin = np.unique(own, return_index=True)
    if not found.size:
        return found, []
    boxes = _boxes(row, first, last)
    ends = np.append(begin[1:], own.size)
    shapes = [
        boxes[at] if to - at == 1 else shapely.coverage_union_all(boxes[at:to])
        for at, to in zip(begin, ends, strict=True)
    ]
    return found, _thinned(np.array(shapes, dtype=object), _corners(labels), (east, north), (east_size, north_size))


def _runs(labels: IntArray) -> tuple[IntArray, IntArray, IntArray]:
    """Row, first and last column of every run of equal cells with a label."""
    change = np.ones(labels.shape, dtype=bool)
    change[:, 1:] = labels[:, 1:] != labels[:, :-1]
    row, first = np.nonzero(change)
    flat = np.flatnonzero(change)
    last = np.append(flat[1:], labels.size) - flat + first - 1
    real = labels[row, first] >= 0
    return row[real], first[real], last[real]


def _boxes(row: IntArray, first: IntArray, last: IntArray) -> Any:
    """Runs as polygons with a corner at every cell, in cells from the south-west corner."""
    import shapely

    length = last - first + 1
    size = 2 * length + 3
    run = np.repeat(np.arange(row.size), size)
    at = np.arange(run.size) - np.repeat(np.cumsum(size) - size, size)
    n = length[run]
    above = (at > n) & (at <= 2 * n + 1)
    x = first[run] + np.where(at <= n, at, np.where(above, 2 * n + 1 - at, 0))
    y = row[run] + above
    return shapely.polygons(shapely.linearrings(np.column_stack([x, y]).astype(np.float64), indices=run))


def _corners(labels: IntArray) -> BoolArray:
    """Which corners of cells are more than a point along a straight border, shape (rows + 1, columns + 1)."""
    padded = np.full((labels.shape[0] + 2, labels.shape[1] + 2), -1, dtype=labels.dtype)
    padded[1:-1, 1:-1] = labels
    a, b, c, d = padded[:-1, :-1], padded[:-1, 1:], padded[1:, :-1], padded[1:, 1:]
    return np.asarray(~(((a == b) & (c == d)) | ((a == c) & (b == d))), dtype=bool)


def _thinned(shapes: Any, corners: BoolArray, origin: tuple[float, float], size: tuple[float, float]) -> list[Any]:
    import shapely

    parts, of_shape = shapely.get_parts(shapes, return_index=True)
    rings, of_part = shapely.get_rings(parts, return_index=True)
    points, of_ring = shapely.get_coordinates(rings, return_index=True)
    whole = np.rint(points).astype(np.int64)
    kept = corners[whole[:, 1], whole[:, 0]]
    degrees = np.asarray(origin) + whole[kept] * np.asarray(size)
    thin = shapely.linearrings(degrees, indices=of_ring[kept])
    polygons = shapely.polygons(thin, indices=of_part)
    single = np.bincount(of_shape, minlength=len(shapes)) == 1
    result = np.empty(len(shapes), dtype=object)
    alone = single[of_shape]
    result[of_shape[alone]] = polygons[alone]
    if not single.all():
        which, index = np.unique(of_shape[~alone], return_inverse=True)
        result[which] = shapely.multipolygons(polygons[~alone], indices=index)
    return list(result)
