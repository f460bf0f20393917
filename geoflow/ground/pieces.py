"""Strips and zones in the frame of the scan lines: convex pieces bounded by lines, and edges."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray
from geoflow.ground.rings import Rings

__all__ = ["Edges", "Pieces", "convex_pieces", "zone_edges"]

# Edges rising less than this [m] run along the lines and bound nothing.
_LEVEL: Final = 1e-9
# Quadrilaterals looked at together, so that what is worked out in between stays small.
_BLOCK: Final = 16_384


@dataclass(frozen=True, slots=True)
class Pieces:
    """Convex pieces of strips, in the frame of the lines.

    Attributes
    ----------
    low, high : ndarray, shape (m,)
        Least and greatest y [m].
    left, right : ndarray, shape (2, 3, m)
        Up to three bounding lines on either side, as intercept [m] and slope of x over y; infinite where there are
        fewer.
    strip : ndarray of int, shape (m,)
        Strip the piece belongs to.
    reach : tuple of float
        Least and greatest x of all [m].
    """

    low: FloatArray
    high: FloatArray
    left: FloatArray
    right: FloatArray
    strip: IntArray
    reach: tuple[float, float]

    @classmethod
    def of(cls, corners: FloatArray, strip: IntArray) -> Pieces:
        """Describe convex quadrilaterals by their sides; corners of shape (m, 4, 2) [m].

        Parameters
        ----------
        corners : ndarray, shape (m, 4, 2)
            From `convex_pieces` [m].
        strip : ndarray of int, shape (m,)
            Strip each belongs to.
        """
        # Corner by corner, each of its numbers in a row of its own.
        x, y = np.ascontiguousarray(corners.transpose(2, 1, 0))
        right, up = (np.roll(one, -1, axis=0) - one for one in (x, y))
        rise = np.where(_signed_areas(corners) < 0.0, -up, up)
        with np.errstate(divide="ignore", invalid="ignore"):  # of level sides, which bound nothing
            slope = right / up
            intercept = x - slope * y
        sides = [
            _sides(intercept, slope, belongs, beyond)
            for belongs, beyond in ((rise < -_LEVEL, -np.inf), (rise > _LEVEL, np.inf))
        ]
        reach = float(x.min(initial=np.inf)), float(x.max(initial=-np.inf))
        return cls(y.min(axis=0), y.max(axis=0), sides[0], sides[1], strip, reach)

    def ends(self, piece: IntArray, height: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Where the piece begins and ends at a y it reaches [m]: least and greatest x [m], shapes as `piece`.

        Parameters
        ----------
        piece : ndarray of int, shape (k,)
            Which pieces.
        height : ndarray, shape (k,)
            Their y [m].
        """
        left, right = np.full(piece.size, -np.inf), np.full(piece.size, np.inf)
        for side in range(3):
            np.maximum(left, self.left[0, side][piece] + self.left[1, side][piece] * height, out=left)
            np.minimum(right, self.right[0, side][piece] + self.right[1, side][piece] * height, out=right)
        return left, np.maximum(left, right)


@dataclass(frozen=True, slots=True)
class Edges:
    """Edges of zones, in the frame of the lines, shape (m,).

    Attributes
    ----------
    low, high : ndarray
        Least and greatest y [m].
    intercept, slope : ndarray
        Of x over y [m] and [1].
    zone : ndarray of int
        Zone the edge bounds; the number after the last zone means the field's boundary.
    """

    low: FloatArray
    high: FloatArray
    intercept: FloatArray
    slope: FloatArray
    zone: IntArray


def _sides(intercept: FloatArray, slope: FloatArray, belongs: BoolArray, beyond: float) -> FloatArray:
    """Up to three lines of each piece that bound it on one side, shape (2, 3, m), out of four."""
    found = np.zeros((2, 3, intercept.shape[1]))
    found[0] = beyond
    count = np.zeros(intercept.shape[1], dtype=np.int8)
    for side in range(4):
        for place in range(min(side + 1, 3)):
            here = belongs[side] & (count == place)
            np.copyto(found[0, place], intercept[side], where=here)
            np.copyto(found[1, place], slope[side], where=here)
        count += belongs[side]
    return found


def _signed_areas(corners: FloatArray) -> FloatArray:
    """Areas [m2] of polygons of shape (m, corners, 2), positive where they run anticlockwise."""
    across = corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1]
    return np.asarray(0.5 * (across[0][:, 0] * across[1][:, 1] - across[0][:, 1] * across[1][:, 0]))


def convex_pieces(quads: FloatArray) -> tuple[FloatArray, IntArray, FloatArray]:
    """Cut quadrilaterals into convex pieces: most stay whole, a dented or crossed one becomes two triangles.

    Parameters
    ----------
    quads : ndarray, shape (n, 4, 2)
        Corners in order, either way round [m].

    Returns
    -------
    corners : ndarray, shape (m, 4, 2)
        Pieces [m]; a triangle repeats its last corner.
    owner : ndarray of int, shape (m,)
        Quadrilateral the piece comes from.
    area : ndarray, shape (n,)
        Ground of each quadrilateral [m2]; both wings of a crossed one count.
    """
    found = [_turns(quads[first : first + _BLOCK]) for first in range(0, len(quads), _BLOCK)]
    odd = np.concatenate([first * _BLOCK + which for first, (which, *_) in enumerate(found)] or [np.zeros(0, np.int64)])
    if not odd.size:
        return quads, np.arange(len(quads)), _ground_of(quads)
    left = np.concatenate([each for _, each, _ in found])
    right = np.concatenate([each for *_, each in found])
    # A dent is the one corner that turns the other way; a crossing has two neighbours that turn alike.
    dents = left.sum(axis=1)
    crossed = (dents == 2) & (left[:, 0] != left[:, 2])
    lone = np.where(dents[:, None] == 1, left, np.where(dents[:, None] == 3, ~left, right))
    pair = left & np.roll(left, -1, axis=1)
    start = np.where(crossed, pair.argmax(axis=1), lone.argmax(axis=1))
    a, b, c, d = (quads[odd, (start + k) % 4] for k in range(4))
    along, back = c - b, a - d
    with np.errstate(divide="ignore", invalid="ignore"):
        bottom = along[:, 0] * back[:, 1] - along[:, 1] * back[:, 0]
        share = ((d - b)[:, 0] * back[:, 1] - (d - b)[:, 1] * back[:, 0]) / bottom
    # Parallel sides cannot cross, but for rounding; then the two triangles share an end.
    middle = b + np.nan_to_num(np.clip(share, 0.0, 1.0))[:, None] * along
    crossing = crossed[:, None]
    one = np.stack([a, b, np.where(crossing, middle, c), np.where(crossing, middle, c)], axis=1)
    two = np.stack([np.where(crossing, middle, a), c, d, d], axis=1)
    whole = np.ones(len(quads), dtype=bool)
    whole[odd] = False
    even = np.flatnonzero(whole)
    corners = np.concatenate([quads[even], one, two])
    owner = np.concatenate([even, odd, odd])
    area = np.bincount(owner, weights=_ground_of(corners), minlength=len(quads))
    return corners, owner, np.asarray(area, dtype=float)


def _turns(quads: FloatArray) -> tuple[IntArray, BoolArray, BoolArray]:
    """Which of some quadrilaterals turn both ways, and at which of their corners they turn left and right."""
    # Corner by corner, each of its numbers in a row of its own.
    x, y = np.ascontiguousarray(quads.transpose(2, 1, 0))
    right, up = (np.roll(one, -1, axis=0) - one for one in (x, y))
    turn = np.roll(right, 1, axis=0) * up - np.roll(up, 1, axis=0) * right
    leftward, rightward = turn > 0.0, turn < 0.0
    odd = np.flatnonzero(leftward.any(axis=0) & rightward.any(axis=0))
    return odd, leftward[:, odd].T, rightward[:, odd].T


def _ground_of(corners: FloatArray) -> FloatArray:
    """Areas [m2] of polygons of shape (m, 4, 2), whichever way they run."""
    found = np.empty(len(corners))
    for first in range(0, len(corners), _BLOCK):
        np.abs(_signed_areas(corners[first : first + _BLOCK]), out=found[first : first + _BLOCK])
    return found


def zone_edges(shapes: Any, turn: FloatArray) -> Edges:
    """Edges of all rings of polygons (None for a missing one), turned into the frame of the lines.

    Parameters
    ----------
    shapes : array_like of Polygon, MultiPolygon or None, shape (zones,)
        In a local frame [m].
    turn : ndarray, shape (2, 2)
        Rotation; points are multiplied by it from the right.
    """
    rings = Rings.of(np.asarray(shapes, dtype=object))
    points, zone = rings.points @ turn, np.repeat(rings.shape, rings.end - rings.start)
    inner = np.ones(len(points), dtype=np.bool_)
    inner[rings.end - 1] = False
    here = np.flatnonzero(inner)
    start, end = points[here], points[here + 1]
    sloping = np.abs(end[:, 1] - start[:, 1]) > 0.0
    start, end, here = start[sloping], end[sloping], here[sloping]
    slope = (end[:, 0] - start[:, 0]) / (end[:, 1] - start[:, 1])
    return Edges(
        np.minimum(start[:, 1], end[:, 1]),
        np.maximum(start[:, 1], end[:, 1]),
        start[:, 0] - slope * start[:, 1],
        slope,
        zone[here],
    )
