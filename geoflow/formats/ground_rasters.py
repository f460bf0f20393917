"""What lay on the ground, as rasters: the rate applied, its ratio to the target, and the number of passes."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.arrays import BoolArray, FloatArray
from geoflow.errors import OutputError

if TYPE_CHECKING:
    import pyproj

__all__ = ["GroundGrid", "lay_grid", "mark_grid", "usual_cell", "write_raster"]

# Cells of a raster by default, and the most that are made.
_USUAL_CELLS: Final = 2_000_000
_MOST_CELLS: Final = 100_000_000
_PER_SECTION: Final = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class GroundGrid:
    """Square cells over a log and its field, rows from north to south; a cell is what lies at its middle.

    Attributes
    ----------
    west, north : float
        Outer corner in the local frame [m].
    cell : float
        Side [m].
    applied : ndarray, shape (rows, columns)
        Nitrogen rate on the ground, all passes together [kg/m2]; NaN where nothing passed or no rate was logged.
    target : ndarray, shape (rows, columns)
        Nitrogen rate asked for [kg/m2]; NaN where nothing says.
    passes : ndarray, shape (rows, columns)
        Strips over the cell [-].
    field : ndarray of bool, shape (rows, columns)
        Whether the cell lies in the field; where nothing says what that is, whether anything passed.
    """

    west: float
    north: float
    cell: float
    applied: FloatArray
    target: FloatArray
    passes: FloatArray
    field: BoolArray

    @property
    def ratio(self) -> FloatArray:
        """Applied over target [-]; NaN where either is not known or nothing was asked."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(self.target > 0.0, self.applied / self.target, np.nan)


def usual_cell(area: float, width: float) -> float:
    """Side of a cell [m] that shows a quarter of a section of a width [m] and keeps an area [m2] to 2 million cells."""
    return max(min(width / _PER_SECTION, 2.0), float(np.sqrt(area / _USUAL_CELLS)), 0.1)


def _burn(shapes: Any, values: FloatArray, grid: tuple[int, int], place: Any, *, add: bool, empty: float) -> FloatArray:
    """Burn values into the cells whose middle lies in the shapes; later ones win, or all are added."""
    from rasterio.enums import MergeAlg
    from rasterio.features import rasterize

    if not len(shapes):
        return np.full(grid, empty)
    burnt = rasterize(
        zip(shapes, values.tolist(), strict=True),
        out_shape=grid,
        transform=place,
        fill=0.0 if add else empty,
        merge_alg=MergeAlg.add if add else MergeAlg.replace,
        dtype="float64",
    )
    return np.asarray(burnt, dtype=np.float64)


def lay_grid(
    quads: FloatArray,
    applied: FloatArray,
    target: FloatArray,
    zones: Any,
    zone_rate: FloatArray,
    boundary: Any,
    cell: float,
) -> GroundGrid:
    """Lay strips and zones on square cells.

    Parameters
    ----------
    quads : ndarray, shape (n, 4, 2)
        Corners of the strips in a local frame [m], all finite.
    applied, target : ndarray, shape (n,)
        Nitrogen rate on the ground and asked for, of each strip [kg/m2]; NaN where not known.
    zones : ndarray of polygons, shape (zones,)
        Of the map; empty without one.
    zone_rate : ndarray, shape (zones,)
        What the map asks for [kg/m2].
    boundary : Polygon, MultiPolygon or None
        Of the field.
    cell : float
        Side [m].

    Raises
    ------
    OutputError
        If there would be more than 100 million cells.
    """
    import shapely
    from rasterio.transform import from_origin

    outlines = [*zones, *([] if boundary is None else [boundary])]
    boxes = [shapely.total_bounds(np.array(outlines, dtype=object))] if outlines else []
    boxes.append(np.array([*quads.min(axis=(0, 1)), *quads.max(axis=(0, 1))]) if len(quads) else np.full(4, np.nan))
    bounds = np.array(boxes)
    west, south = np.floor(np.nanmin(bounds[:, :2], axis=0) / cell) * cell
    east, north = np.ceil(np.nanmax(bounds[:, 2:], axis=0) / cell) * cell
    columns, rows = max(1, round((east - west) / cell)), max(1, round((north - south) / cell))
    if rows * columns > _MOST_CELLS:
        raise OutputError(
            f"a raster of {rows:,} by {columns:,} cells is more than geoflow makes",
            where="--cell",
            cure="give a larger --cell, or split the log by field",
        )
    place, grid = from_origin(west, north, cell, cell), (rows, columns)
    strips = shapely.polygons(quads)
    passes = _burn(strips, np.ones(len(quads)), grid, place, add=True, empty=0.0)
    laid = _burn(strips, applied, grid, place, add=True, empty=0.0)
    if len(zones):
        asked = _burn(zones, zone_rate, grid, place, add=False, empty=np.nan)
    else:
        with np.errstate(divide="ignore", invalid="ignore"):
            asked = _burn(strips, target, grid, place, add=True, empty=0.0) / passes
    if boundary is not None:
        field = _burn([boundary], np.ones(1), grid, place, add=False, empty=0.0) > 0.0
    else:
        field = np.isfinite(asked) if len(zones) else passes > 0.0
    return GroundGrid(
        west=float(west),
        north=float(north),
        cell=cell,
        applied=np.where(passes > 0.0, laid, np.nan),
        target=asked,
        passes=passes,
        field=np.asarray(field, dtype=np.bool_),
    )


def mark_grid(grid: GroundGrid, quads: FloatArray) -> BoolArray:
    """Whether each cell's middle lies under one of some strips of shape (n, 4, 2) [m]."""
    import shapely
    from rasterio.transform import from_origin

    place = from_origin(grid.west, grid.north, grid.cell, grid.cell)
    return _burn(shapely.polygons(quads), np.ones(len(quads)), grid.passes.shape, place, add=False, empty=0.0) > 0.0


def write_raster(path: Path, values: FloatArray, grid: GroundGrid, crs: pyproj.CRS, *, what: str, unit: str) -> None:
    """Write one layer of a grid as a GeoTIFF with NaN for no data.

    Parameters
    ----------
    path : Path
        A new file.
    values : ndarray, shape (rows, columns)
        In `unit`.
    grid : GroundGrid
        Where the cells are.
    crs : pyproj.CRS
        The local frame.
    what, unit : str
        Written into the file's description and unit.
    """
    import rasterio
    from rasterio.transform import from_origin

    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        height=values.shape[0],
        width=values.shape[1],
        count=1,
        dtype="float32",
        crs=crs.to_wkt(),
        transform=from_origin(grid.west, grid.north, grid.cell, grid.cell),
        nodata=float("nan"),
        compress="deflate",
        tiled=True,
    ) as raster:
        raster.write(values.astype(np.float32), 1)
        raster.set_band_description(1, f"{what} [{unit}]")
        raster.set_band_unit(1, unit)
        raster.update_tags(AREA_OR_POINT="Area")
