"""Zones whose every edge is shared, corner for corner, with one neighbour: seen by one sort."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from geoflow.base.arrays import FloatArray, IntArray
from geoflow.ground.rings import Rings

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["fitted_ground"]

# Areas of thousands of zones add up to that of their outline but for rounding.
_AREA_AGREEMENT: Final = 1e-9
# Odd numbers that spread the bits of corners, so that equal edges are found by one sort.
_ODD: Final = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], dtype=np.uint64).view(np.int64)


def fitted_ground(shapes: NDArray[np.object_], hairline: float) -> Any:
    """Return the ground the zones cover if it can be seen quickly that they fit; otherwise None.

    Parameters
    ----------
    shapes : ndarray of Polygon or MultiPolygon, shape (n,)
        Valid zones in a local frame [m], none missing.
    hairline : float
        Width below which zones miss each other [m].
    """
    rings = Rings.of(shapes)
    points, count = rings.points, rings.end - rings.start
    if not len(points):
        return shapely.from_wkt("MULTIPOLYGON EMPTY")
    # A step from one ring to the next is no edge; outlines are walked anticlockwise and holes clockwise.
    step = np.ones(len(points), dtype=np.bool_)
    step[rings.end - 1] = False
    edge = np.flatnonzero(step)
    forward = np.repeat((rings.signed_areas() > 0.0) != rings.hole, count)[edge]
    mark = _marks(points)
    apart = mark[edge] != mark[edge + 1]
    edge, forward = edge[apart], forward[apart]
    this, that = mark[edge], mark[edge + 1]
    # The two walks along a shared edge have one mark and the two ways.
    key, way = (this + that) * _ODD[0] ^ this ^ that, (this < that) == forward
    order = np.argsort(key)
    key, way = key[order], way[order]
    again = np.flatnonzero(key[1:] == key[:-1])
    if (way[again] == way[again + 1]).any() or (np.diff(again) == 1).any():
        return None
    alone = np.ones(edge.size, dtype=np.bool_)
    alone[again] = alone[again + 1] = False
    left_over = edge[np.sort(order[alone])]
    lines = shapely.linestrings(np.stack((points[left_over], points[left_over + 1]), axis=1))
    try:
        ground = shapely.build_area(shapely.geometrycollections(lines))
    except shapely.errors.GEOSException:  # edges so long that their crossings cannot be told: look the slow way
        return None
    total = float(shapely.area(shapes).sum())
    if abs(float(shapely.area(ground)) - total) > _AREA_AGREEMENT * total:
        return None
    rim = shapes[np.unique(np.repeat(rings.shape, count)[left_over])]
    if not shapely.is_empty(shapely.coverage_invalid_edges(rim, gap_width=hairline)).all():
        return None
    return ground


def _marks(points: FloatArray) -> IntArray:
    """A number for each corner that is the same for the same place; two places share one once in 10^19 pairs."""
    # Minus zero is zero.
    x, y = (np.ascontiguousarray(column + 0.0).view(np.int64) for column in points.T)
    mixed = np.asarray(x * _ODD[0] + y * _ODD[1])
    mixed ^= mixed >> 29
    mixed *= _ODD[2]
    mixed ^= mixed >> 32
    return mixed
