"""Outlines of zones laid end to end, as scripts that draw them take them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from geoflow.base.arrays import FloatArray

__all__ = ["FlatOutlines", "flat_outlines"]


@dataclass(frozen=True, slots=True, eq=False)
class FlatOutlines:
    """Outlines of zones.

    Attributes
    ----------
    corners : ndarray, shape (corners, 2)
        Of all rings, in the zones' own frame.
    middles : ndarray, shape (zones, 2)
        A place inside each zone, for its letter.
    room : ndarray, shape (zones,)
        Twice the area over the outline [m]: how much of a letter a zone has room for.
    counts : dict
        ``perRing``, ``perPart`` and ``perZone``: how many corners, rings and parts each has.
    """

    corners: FloatArray
    middles: FloatArray
    room: FloatArray
    counts: dict[str, list[int]]


def flat_outlines(zones: Any) -> FlatOutlines:
    """Lay the outlines of zones end to end.

    Parameters
    ----------
    zones : ndarray of Polygon or MultiPolygon, shape (zones,)
        In a metric frame.
    """
    import shapely

    parts, zone_of = shapely.get_parts(zones, return_index=True)
    rings, part_of = shapely.get_rings(parts, return_index=True)
    corners, ring_of = shapely.get_coordinates(rings, return_index=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        room = np.nan_to_num(2.0 * shapely.area(zones) / shapely.length(zones))
    counts = {
        "perRing": np.bincount(ring_of, minlength=len(rings)).tolist(),
        "perPart": np.bincount(part_of, minlength=len(parts)).tolist(),
        "perZone": np.bincount(zone_of, minlength=len(zones)).tolist(),
    }
    return FlatOutlines(corners, shapely.get_coordinates(shapely.point_on_surface(zones)), room, counts)
