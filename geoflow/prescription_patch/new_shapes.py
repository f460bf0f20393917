"""Shapes on their way into a file: in which system, mended where the input's are broken, rounded as the file rounds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from geoflow.base.arrays import FloatArray

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["as_multipolygons", "moved_shapes", "rounded_shapes", "zones_to_write"]


def zones_to_write(prescription: Prescription) -> NDArray[np.object_]:
    """Return the zones in the input's system: the file's own shapes, or the mended ones from the ground.

    Parameters
    ----------
    prescription : Prescription
        As read.
    """
    import pyproj
    import shapely

    table = prescription.table
    shapes = np.array(table.geometry.array, dtype=object)[prescription.row]
    if prescription.axes_swapped:
        shapes = shapely.transform(shapes, lambda points: points[:, ::-1])
    flat = ~(shapely.has_z(shapes) | shapely.has_m(shapes)) & np.isin(shapely.get_type_id(shapes), (3, 6))
    mended = np.flatnonzero(~(flat & shapely.is_valid(shapes)))
    if mended.size:
        back = pyproj.Transformer.from_crs(prescription.local_crs, prescription.crs, always_xy=True)
        shapes[mended] = shapely.transform(
            prescription.zones[mended], lambda points: np.column_stack(back.transform(points[:, 0], points[:, 1]))
        )
    return shapes


def rounded_shapes(shapes: NDArray[np.object_], decimals: int) -> NDArray[np.object_]:
    """Round coordinates to what the file will hold, and mend what the rounding crosses.

    Parameters
    ----------
    shapes : ndarray of Polygon or MultiPolygon, shape (n,)
        Valid.
    decimals : int
        Of the coordinates in the file.
    """
    import shapely

    def rounding(points: FloatArray) -> FloatArray:
        return np.asarray(np.round(points, decimals))

    rounded = shapely.transform(shapes, rounding)
    crossed = np.flatnonzero(~shapely.is_valid(rounded))
    rounded[crossed] = shapely.transform(shapely.set_precision(shapes[crossed], 10.0**-decimals), rounding)
    return np.asarray(rounded, dtype=object)


def as_multipolygons(shapes: NDArray[np.object_]) -> NDArray[np.object_]:
    """Return shapes as multipolygons all, since formats differ in what they make of one with a single part.

    Parameters
    ----------
    shapes : ndarray of Polygon or MultiPolygon, shape (n,)
        None missing.
    """
    import shapely

    parts, owner = shapely.get_parts(shapes, return_index=True)
    return np.asarray(shapely.multipolygons(parts, indices=owner), dtype=object)


def moved_shapes(shapes: NDArray[np.object_], crs: Any, to: Any) -> NDArray[np.object_]:
    """Return shapes in another coordinate system.

    Parameters
    ----------
    shapes : ndarray of Geometry, shape (n,)
        In `crs`.
    crs, to : CRS
        What pyproj takes for one.
    """
    import pyproj
    import shapely

    onward = pyproj.Transformer.from_crs(crs, to, always_xy=True)
    return np.asarray(
        shapely.transform(shapes, lambda points: np.column_stack(onward.transform(points[:, 0], points[:, 1]))),
        dtype=object,
    )
