"""Laying zones out as cells of equal angles, from the south-west corner."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from geoflow.base.arrays import IntArray
from geoflow.base.errors import OutputError
from geoflow.isoxml.shapes import MOST_CELLS

__all__ = ["Cells", "cell_angles", "lay_cells"]


@dataclass(frozen=True, eq=False)
class Cells:
    """A grid of zones.

    Attributes
    ----------
    north, east : float
        South-west corner [degree].
    north_size, east_size : float
        Of a cell [degree].
    zone : ndarray of int, shape (rows, columns)
        Which zone the middle of each cell lies in, -1 for none; the first row is the southernmost.
    doubled : int
        Cells whose middle lies in several zones; the first has them.
    """

    north: float
    east: float
    north_size: float
    east_size: float
    zone: IntArray
    doubled: int


def cell_angles(side: float, latitude: float) -> tuple[float, float]:
    """Angles north and east that span a length at a latitude [degree].

    Parameters
    ----------
    side : float
        [m].
    latitude : float
        [degree].

    Returns
    -------
    north, east : float
        By the radii of curvature of the WGS 84 ellipsoid.
    """
    import pyproj

    geod = pyproj.Geod(ellps="WGS84")
    sine = math.sin(math.radians(latitude))
    flat = 1.0 - geod.es * sine**2
    meridian = geod.a * (1.0 - geod.es) / flat**1.5
    parallel = geod.a / math.sqrt(flat) * math.cos(math.radians(latitude))
    return math.degrees(side / meridian), math.degrees(side / parallel)


def lay_cells(shapes: list[Any], side: float, *, where: str) -> Cells:
    """Give every cell the zone its middle lies in.

    Parameters
    ----------
    shapes : list of Polygon or MultiPolygon
        In longitude and latitude.
    side : float
        Of a cell [m].
    where : str
        The file, for errors.

    Raises
    ------
    OutputError
        If the side is no length, or the cells would be too many or beyond a pole.
    """
    import shapely

    if not (math.isfinite(side) and side > 0.0):
        raise OutputError(f"a cell of {side:g} m cannot be", where=where, cure="give a side such as 10 m")
    west, south, beyond_east, beyond_north = shapely.total_bounds(np.array(shapes, dtype=object))
    middle = (south + beyond_north) / 2
    if abs(middle) > 85.0:
        raise OutputError("a grid so near a pole is not written", where=where, cure="write outlines")
    north_size, east_size = (round(angle, 12) for angle in cell_angles(side, middle))
    # Downward to the decimals of the file, so that the corner read back is the corner meant.
    north, east = math.floor(south * 1e9) / 1e9, math.floor(west * 1e9) / 1e9
    rows = max(math.ceil((beyond_north - north) / north_size - 1e-9), 1)
    columns = max(math.ceil((beyond_east - east) / east_size - 1e-9), 1)
    if rows * columns > MOST_CELLS or not 0.0 < north_size <= 1.0 or not 0.0 < east_size <= 1.0:
        raise OutputError(
            f"cells of {side:g} m would be {rows * columns:,}, and at most {MOST_CELLS:,} are written",
            where=where,
            cure="give larger cells",
        )
    x = east + (np.arange(columns) + 0.5) * east_size
    y = north + (np.arange(rows) + 0.5) * north_size
    zone = np.full((rows, columns), -1, dtype=np.int64)
    doubled = np.zeros((rows, columns), dtype=bool)
    for at, shape in enumerate(shapes):
        low_x, low_y, high_x, high_y = shape.bounds
        across = slice(*np.searchsorted(x, (low_x, high_x), side="left"))
        up = slice(*np.searchsorted(y, (low_y, high_y), side="left"))
        window = zone[up, across]
        if not window.size:
            continue
        shapely.prepare(shape)
        inside = shapely.contains_xy(shape, *np.meshgrid(x[across], y[up]))
        doubled[up, across] |= inside & (window >= 0)
        window[inside & (window < 0)] = at
    return Cells(north, east, north_size, east_size, zone, int(doubled.sum()))
