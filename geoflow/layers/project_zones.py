"""Zones from a file's own coordinates onto the ground, in metres."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from geoflow.base.errors import PrescriptionError
from geoflow.ground.geometry import areas, repair
from geoflow.layers.projection import Bounds, Placement, place

if TYPE_CHECKING:
    import pyproj
    from numpy.typing import NDArray

    from geoflow.ground.geometry import RepairReport

__all__ = ["locate_zones", "project_zones"]

_FLAT = 1e-9  # area over the square of the perimeter [-]


def locate_zones(
    shapes: NDArray[np.object_], table: Any, option: str | None, swap_axes: bool, by_default: bool, where: str
) -> tuple[Placement, NDArray[np.int64]]:
    """Return where the polygons are, and the rows whose coordinates are no numbers.

    Parameters
    ----------
    shapes : ndarray of Geometry or None, shape (n,)
        As read.
    table : GeoDataFrame
        The same, with the coordinate system it states.
    option : str or None
        What ``--crs`` says.
    swap_axes : bool
        Whether ``--swap-axes`` was given.
    by_default : bool
        Whether the format means degrees where it says nothing.
    where : str
        The file, for errors.

    Raises
    ------
    PrescriptionError
        If there is no polygon, or no certain place.
    """
    import shapely

    kinds = shapely.get_type_id(shapes)
    polygonal = np.isin(kinds, (3, 6, 7)) & ~shapely.is_empty(shapes)
    if not polygonal.any():
        found = sorted({shape.geom_type for shape in shapes[~shapely.is_missing(shapes) & ~shapely.is_empty(shapes)]})
        raise PrescriptionError(
            f"the file holds no polygons, only {', '.join(found)}" if found else "no row of the file has a shape",
            where=where,
            cure="export the prescription as zones (polygons)",
        )
    coordinates, owner = shapely.get_coordinates(shapes[polygonal], return_index=True)
    finite = np.isfinite(coordinates).all(axis=1)
    if not finite.any():
        raise PrescriptionError("the coordinates are no numbers", where=where, cure="export the zones again")
    low, high = coordinates[finite].min(axis=0), coordinates[finite].max(axis=0)
    declared = table.crs
    if declared is not None and (declared.is_engineering or declared.name.casefold().startswith("undefined")):
        declared = None
    bounds = Bounds(float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    placement = place(bounds, declared, option=option, swap_axes=swap_axes, by_default=by_default, where=where)
    return placement, np.flatnonzero(polygonal)[np.unique(owner[~finite])]


def project_zones(
    shapes: NDArray[np.object_], placement: Placement, frame: pyproj.CRS, lost: NDArray[np.int64]
) -> tuple[NDArray[np.object_], NDArray[np.float64], NDArray[np.float64], NDArray[np.int64], RepairReport]:
    """Return repaired shapes in the frame, areas [m2], perimeters [m], rows without a place, and the repairs.

    Parameters
    ----------
    shapes : ndarray of Geometry or None, shape (n,)
        As read.
    placement : Placement
        How to read their coordinates.
    frame : pyproj.CRS
        Local equal-area frame [m].
    lost : ndarray of int
        Rows whose coordinates are no numbers.
    """
    import pyproj
    import shapely

    onward = pyproj.Transformer.from_crs(placement.crs, frame, always_xy=True)

    placed: list[bool] = []

    def to_ground(points: NDArray[np.float64]) -> NDArray[np.float64]:
        x, y = (points[:, 1], points[:, 0]) if placement.swap else (points[:, 0], points[:, 1])
        found = np.column_stack(onward.transform(x, y))
        placed.append(bool(np.isfinite(found).all()))
        return found

    movable = shapes.copy()
    movable[lost] = None
    moved = shapely.transform(movable, to_ground)
    outside = np.zeros(0, dtype=np.int64)
    if not all(placed):
        coordinates, owner = shapely.get_coordinates(moved, return_index=True)
        outside = np.unique(owner[~np.isfinite(coordinates).all(axis=1)])
    moved[outside] = None
    # A zone drawn as a straight line in degrees bends in metres and would gain ground: look before projecting.
    # What encloses more than rounding is none of them, however its outline runs.
    thin = np.flatnonzero(~(shapely.area(movable) > _FLAT * np.square(shapely.length(movable))))
    suspect = thin[~shapely.is_valid(movable[thin]) & ~shapely.is_missing(movable[thin])]
    flat = suspect[repair(movable[suspect])[1].collapsed]
    moved[flat] = None
    repaired, report = repair(moved)
    report = replace(report, collapsed=np.union1d(report.collapsed, flat), empty=np.setdiff1d(report.empty, flat))
    return repaired, areas(repaired), np.nan_to_num(shapely.length(repaired)), np.union1d(lost, outside), report
