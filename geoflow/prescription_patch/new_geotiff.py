"""Writing rates as a GeoTIFF: a grid for a field, which zone each cell belongs to, and the file."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.errors import OutputError
from geoflow.layers.number_cells import NO_DATA
from geoflow.prescription_files.geotiff import MOST_CELLS, Grid

if TYPE_CHECKING:
    import pyproj
    from numpy.typing import NDArray

    Zones = NDArray[np.object_]
    Cells = NDArray[np.int32]

__all__ = ["CELLS_TRIED", "NODATA", "grid_over", "raster_crs", "true_cell_area", "write_raster", "zone_of_cells"]

CELLS_TRIED: Final = (10.0, 5.0, 2.0, 1.0, 0.5)
"""Sides of cells [m] that are tried, coarse ones first, where none is given."""
NODATA: Final = NO_DATA[0]
"""Stands in cells outside all zones; no rate, even for a reader that knows of no nodata."""

_MOST_DISTORTION: Final = 0.02  # of areas; a system beyond it makes cells of another size than asked for


def raster_crs(crs: pyproj.CRS, centre: tuple[float, float]) -> pyproj.CRS:
    """Return the system to lay cells out in: the zones' own where it measures the ground, otherwise UTM on WGS 84.

    Parameters
    ----------
    crs : pyproj.CRS
        Of the zones.
    centre : tuple of float
        Longitude and latitude of the field's middle [degree].
    """
    import pyproj

    if crs.is_projected and abs(_area_scale(crs, centre) - 1.0) <= _MOST_DISTORTION:
        return crs
    longitude, latitude = centre
    number = min(int((longitude + 180.0) // 6.0) + 1, 60)
    return pyproj.CRS.from_epsg((32600 if latitude >= 0.0 else 32700) + number)


def _area_scale(crs: pyproj.CRS, centre: tuple[float, float]) -> float:
    """Area on the map over area on the ground, at a place; NaN where that cannot be told."""
    import pyproj

    try:
        return float(pyproj.Proj(crs).get_factors(*centre).areal_scale)
    except pyproj.exceptions.ProjError:
        return math.nan


def grid_over(bounds: tuple[float, float, float, float], crs: pyproj.CRS, cell: float) -> Grid:
    """Lay a north-up grid over bounds, its lines at whole multiples of the cell.

    Parameters
    ----------
    bounds : tuple of float
        West, south, east and north, in units of the CRS.
    crs : pyproj.CRS
        A projected one.
    cell : float
        Side of a cell [m].

    Raises
    ------
    OutputError
        If the grid would have more than `MOST_CELLS` cells.
    """
    side = cell / crs.axis_info[0].unit_conversion_factor
    west, south = (math.floor(low / side) for low in bounds[:2])
    east, north = (math.ceil(high / side) for high in bounds[2:])
    width, height = max(east - west, 1), max(north - south, 1)
    if width * height > MOST_CELLS:
        raise OutputError(
            f"cells of {cell:g} m make {width * height:,} of them, and at most {MOST_CELLS:,} are written",
            where="--cell",
            cure="give a larger --cell, or write zones (.gpkg, .geojson, .shp)",
        )
    return Grid(crs, (side, 0.0, west * side, 0.0, -side, north * side), width, height)


def true_cell_area(grid: Grid, centre: tuple[float, float]) -> float:
    """Area on the ground of a cell in the middle of the field [m2]; NaN where the system does not tell.

    Parameters
    ----------
    grid : Grid
        Where the cells lie.
    centre : tuple of float
        Longitude and latitude of the field's middle [degree].
    """
    if grid.crs is None:
        return math.nan
    along, down = grid.cell_sides
    metre = grid.crs.axis_info[0].unit_conversion_factor
    if grid.crs.is_geographic:
        import pyproj

        geod = pyproj.Geod(ellps="WGS84")
        x, y = (np.array(centre[at]) + np.array(step) for at, step in enumerate(_box(grid)))
        return abs(float(geod.polygon_area_perimeter(x, y)[0]))
    return along * down * metre**2 / _area_scale(grid.crs, centre)


def _box(grid: Grid) -> tuple[FloatArray, FloatArray]:
    """Steps from one corner of a cell round its four corners."""
    x, y = grid.corners(np.array([0.0, 1.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0, 1.0]))
    return x - x[0], y - y[0]


def zone_of_cells(zones: Zones, grid: Grid) -> Cells:
    """Return for every cell the zone that covers its centre, or -1; shape (rows, columns).

    Parameters
    ----------
    zones : ndarray of Polygon or MultiPolygon, shape (n,)
        In the grid's system; where they overlap, a later one wins.
    grid : Grid
        Where the cells lie.
    """
    import rasterio
    import rasterio.features

    burned: Cells = rasterio.features.rasterize(
        zip(zones, range(1, len(zones) + 1), strict=True),
        out_shape=(grid.height, grid.width),
        transform=rasterio.Affine(*grid.transform),
        fill=0,
        all_touched=False,
        dtype="int32",
    )
    return burned - np.int32(1)


@contextmanager
def _in_words(path: Path) -> Iterator[None]:
    import rasterio

    try:
        yield
    except (rasterio.errors.RasterioError, rasterio.errors.RasterioIOError, ValueError) as problem:
        raise OutputError(
            f"the raster could not be written: {problem}",
            where=path.name,
            cure="write another format, or check the disk",
        ) from problem


def write_raster(path: Path, grid: Grid, zone: Cells, rates: FloatArray, *, name: str, unit: str) -> None:
    """Write the rates of the cells as one band, and read it back.

    Numbers have 4 bytes where those hold every rate to its last written digit, otherwise 8.

    Parameters
    ----------
    path : Path
        A new file, from `OutputFolder.stage`.
    grid, zone
        From `grid_over` and `zone_of_cells`.
    rates : ndarray of float, shape (n,)
        Of every zone, in `unit`.
    name, unit : str
        Description and unit of the band.

    Raises
    ------
    OutputError
        If the file cannot be written, or is read back as another.
    """
    import rasterio

    short = rates.astype(np.float32)
    exact = bool(all(float(str(small)) == rate for small, rate in zip(short, rates.tolist(), strict=True)))
    cells = np.append(short if exact else rates, NODATA).astype(np.float32 if exact else np.float64)[zone]
    crs = None if grid.crs is None else rasterio.CRS.from_wkt(grid.crs.to_wkt())
    profile: dict[str, Any] = {"driver": "GTiff", "count": 1, "dtype": cells.dtype, "nodata": NODATA, "crs": crs}
    profile |= {"width": grid.width, "height": grid.height, "transform": rasterio.Affine(*grid.transform)}
    with _in_words(path):
        with rasterio.open(path, "w", **profile, compress="deflate", tiled=False) as raster:
            raster.write(cells, 1)
            raster.set_band_description(1, name)
            raster.units = (unit,)
        with rasterio.open(path) as raster:
            same = (
                np.array_equal(raster.read(1), cells)
                and (raster.descriptions[0], raster.units[0], raster.nodata) == (name, unit, NODATA)
                and np.allclose(raster.transform[:6], grid.transform, rtol=1e-12, atol=0.0)
            )
    if not same:
        raise OutputError(
            "nothing was written: the raster is read back as another", where=path.name, cure="check the disk"
        )
