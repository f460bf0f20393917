"""Rings of many polygons as plain arrays, without an object for each ring."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray

__all__ = ["Rings"]

_POLYGON = 3


@dataclass(frozen=True, slots=True, eq=False)
class Rings:
    """All rings of some polygons, one behind the other.

    Attributes
    ----------
    points : ndarray, shape (points, 2)
        Corners of all rings; each ring ends with the corner it began with.
    start, end : ndarray of int, shape (rings,)
        First corner of each ring, and the one behind its last.
    shape : ndarray of int, shape (rings,)
        The polygon it belongs to.
    hole : ndarray of bool, shape (rings,)
        Whether it is a hole.
    """

    points: FloatArray
    start: IntArray
    end: IntArray
    shape: IntArray
    hole: BoolArray

    @classmethod
    def of(cls, shapes: Any) -> Rings:
        """Take polygons apart.

        Parameters
        ----------
        shapes : ndarray of Polygon, MultiPolygon or None, shape (n,)
            In any frame.
        """
        import shapely

        kind = shapely.get_type_id(shapes)
        if not ((kind == _POLYGON) & (shapely.get_num_interior_rings(shapes) == 0) | (kind < 0)).all():
            parts, shape = shapely.get_parts(shapes, return_index=True)
            rings, part = shapely.get_rings(parts, return_index=True)
            hole = np.zeros(rings.size, dtype=np.bool_)
            hole[1:] = part[1:] == part[:-1]
            points, ring = shapely.get_coordinates(rings, return_index=True)
            return cls._laid(points, ring, shape[part], hole)
        # Most maps hold nothing but outlines, and of those the corners are all there is to know.
        points, shape = shapely.get_coordinates(shapes, return_index=True)
        there, ring = np.unique(shape, return_inverse=True)
        return cls._laid(points, ring, there, np.zeros(there.size, dtype=np.bool_))

    @classmethod
    def _laid(cls, points: FloatArray, ring: IntArray, shape: IntArray, hole: BoolArray) -> Rings:
        count = np.bincount(ring, minlength=shape.size)
        end = np.cumsum(count)
        return cls(points, end - count, end, np.asarray(shape, dtype=np.int64), hole)

    def some(self, wanted: BoolArray) -> Rings:
        """Return some of the rings.

        Parameters
        ----------
        wanted : ndarray of bool, shape (rings,)
            Which of them.
        """
        if wanted.all():
            return self
        count = (self.end - self.start)[wanted]
        points = self.points[np.repeat(wanted, self.end - self.start)]
        return Rings._laid(points, np.repeat(np.arange(count.size), count), self.shape[wanted], self.hole[wanted])

    def signed_areas(self) -> FloatArray:
        """Areas of the rings, positive where they run anticlockwise, shape (rings,)."""
        if not self.start.size:
            return np.zeros(0)
        near = self.points - np.repeat(self.points[self.start], self.end - self.start, axis=0)
        cross = np.zeros(len(near))
        cross[:-1] = near[:-1, 0] * near[1:, 1] - near[1:, 0] * near[:-1, 1]
        return np.asarray(0.5 * np.add.reduceat(cross, self.start))

    def anticlockwise(self) -> BoolArray:
        """Whether each ring runs anticlockwise, as GEOS tells it by the turn at its topmost corner, shape (rings,)."""
        import shapely

        if not self.start.size:
            return np.zeros(0, dtype=np.bool_)
        y, count = self.points[:, 1], self.end - self.start
        top = np.maximum.reduceat(y, self.start)
        at_top = y == np.repeat(top, count)
        at_top[self.end - 1] = False  # the first corner once more
        alone = np.add.reduceat(at_top, self.start) == 1
        # Where several corners are as high, or next to nothing is turned, GEOS itself is asked.
        corner = np.full(count.size, -1)
        corner[np.repeat(np.arange(count.size), count)[at_top]] = np.flatnonzero(at_top)
        known = np.flatnonzero(alone & (count > 3))
        here, first, last = corner[known], self.start[known], self.end[known] - 1
        before = self.points[np.where(here == first, last - 1, here - 1)]
        to, onward = self.points[here] - before, self.points[here + 1] - self.points[here]
        left, right = to[:, 0] * onward[:, 1], to[:, 1] * onward[:, 0]
        certain = np.abs(left - right) > 1e-12 * (np.abs(left) + np.abs(right))
        found = np.zeros(count.size, dtype=np.bool_)
        found[known] = left > right
        asked = np.ones(count.size, dtype=np.bool_)
        asked[known[certain]] = False
        chosen = np.flatnonzero(asked)
        if chosen.size:
            which = np.repeat(np.cumsum(asked) - 1, count)
            inside = np.repeat(asked, count)
            rings = shapely.linearrings(self.points[inside], indices=which[inside])
            found[chosen] = shapely.is_ccw(rings)
        return found
