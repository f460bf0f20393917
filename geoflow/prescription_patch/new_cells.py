"""Laying zones on the cells of a raster: every cell has the zone that covers its centre."""

from __future__ import annotations

import contextlib
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray, IntArray
from geoflow.base.errors import OutputError
from geoflow.prescription_files.geotiff import Grid, grid_of
from geoflow.prescription_patch.new_geotiff import CELLS_TRIED, grid_over, raster_crs, true_cell_area, zone_of_cells
from geoflow.prescription_patch.new_shapes import moved_shapes, zones_to_write

if TYPE_CHECKING:
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["KEPT_WITHIN", "Cells", "lay_cells", "share_of"]

KEPT_WITHIN: Final = 1e-3
"""How far the field's total may be off in a raster, relative, where the size of the cells is ours to choose."""


def share_of(after: float, before: float) -> float:
    """Share of a total that is left.

    Parameters
    ----------
    after, before : float
        The two totals.

    Returns
    -------
    float
        NaN where there was none.
    """
    return after / before if before > 0.0 else math.nan


@dataclass(frozen=True, eq=False)
class Cells:
    """Zones laid on the cells of a raster.

    Attributes
    ----------
    grid : Grid
        Where the cells lie.
    zone : ndarray of int, shape (rows, columns)
        Zone of each cell, or -1.
    kept : float
        Total of rate times area in the cells over that of the zones [-]; NaN where that is zero.
    lost : ndarray of int
        Zones without a cell.
    side : float or None
        Of a cell [m], where the size is ours.
    """

    grid: Grid
    zone: Any
    kept: float
    lost: IntArray
    side: float | None

    @property
    def serves(self) -> bool:
        """Whether every zone has a cell and the total is kept."""
        return not self.lost.size and (math.isnan(self.kept) or abs(self.kept - 1.0) <= KEPT_WITHIN)


def _lay(prescription: Prescription, rates: FloatArray, shapes: Any, grid: Grid, side: float | None) -> Cells:
    zone = zone_of_cells(shapes, grid)
    counts = np.bincount(zone[zone >= 0].ravel(), minlength=len(rates))
    total = float((counts * rates).sum()) * true_cell_area(grid, prescription.centre)
    kept = share_of(total, float((rates * prescription.area).sum()))
    return Cells(grid, zone, kept, np.flatnonzero(counts == 0), side)


def lay_cells(prescription: Prescription, rates: FloatArray, cell: float | None) -> Cells:
    """Lay zones on the input's own cells, on those asked for, or on the coarsest that serve.

    Parameters
    ----------
    prescription : Prescription
        Its zones.
    rates : ndarray, shape (n,)
        Of every zone, in any unit.
    cell : float or None
        Side asked for [m].

    Raises
    ------
    OutputError
        If there would be too many cells.
    """
    import shapely

    shapes = zones_to_write(prescription)
    if prescription.file_format == "geotiff" and cell is None and not prescription.axes_swapped:
        grid = replace(grid_of(prescription.path), crs=prescription.crs)
        return _lay(prescription, rates, shapes, grid, None)
    crs = raster_crs(prescription.crs, prescription.centre)
    if crs != prescription.crs:
        shapes = moved_shapes(shapes, prescription.crs, crs)
    bounds = tuple(shapely.total_bounds(shapes).tolist())
    sides = iter(CELLS_TRIED if cell is None else (cell,))
    side = next(sides)
    found = _lay(prescription, rates, shapes, grid_over(bounds, crs, side), side)
    for side in sides:
        if found.serves:
            break
        with contextlib.suppress(OutputError):  # finer cells would be too many: the last ones have to do
            found = _lay(prescription, rates, shapes, grid_over(bounds, crs, side), side)
    return found
