"""What lay on the ground, as rasters: the rate applied, its ratio to the target, and the number of passes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray
from geoflow.base.errors import OutputError
from geoflow.ground.pieces import Pieces, convex_pieces
from geoflow.ground.scanlines import expand

if TYPE_CHECKING:
    import pyproj

__all__ = ["NO_PASS_WANTED", "USUAL_CELLS", "GroundGrid", "lay_grid", "mark_grid", "usual_cell", "write_raster"]

# Cells of a raster by default, and the most that are made (about 100 bytes each).
USUAL_CELLS: Final = 2_000_000
_MOST_CELLS: Final = 10_000_000
# Strips laid at once.
_BLOCK: Final = 100_000
_PER_SECTION: Final = 4.0
_WIDEST: Final = 0.5


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


def usual_cell(area: float, width: float, most: int = USUAL_CELLS) -> float:
    """Side of a cell [m]: a quarter of a section's width [m], half a metre at the most, so that a guess row left out
    shows; but no more than so many cells over an area [m2].

    Parameters
    ----------
    area : float
        Of everything [m2].
    width : float
        Of a section [m].
    most : int
        Cells.
    """
    return max(min(width / _PER_SECTION, _WIDEST), float(np.sqrt(area / most)), 0.1)


def _lay_strips(
    quads: FloatArray, values: FloatArray, west: float, north: float, cell: float, rows: int, columns: int
) -> FloatArray:
    """Add up values of strips over the cells whose middle they cover.

    Parameters
    ----------
    quads : ndarray, shape (n, 4, 2)
        Corners within the cells [m].
    values : ndarray, shape (layers, n)
        All finite.

    Returns
    -------
    ndarray, shape (layers, rows, columns)
    """
    # What begins at one cell of a row and ends before another: the running sum along the row fills in between.
    change = np.zeros((len(values), rows * (columns + 1)))
    for first in range(0, len(quads), _BLOCK):
        corners, owner, _ = convex_pieces(quads[first : first + _BLOCK])
        pieces = Pieces.of(corners, owner + first)
        top, bottom = (np.ceil((north - at) / cell - 0.5).astype(np.int64) for at in (pieces.high, pieces.low))
        piece, row = expand(np.maximum(top, 0), np.minimum(bottom, rows))
        ends = pieces.ends(piece, np.asarray(north - (row + 0.5) * cell, dtype=np.float64))
        begin, end = (np.clip(np.ceil((at - west) / cell - 0.5), 0, columns).astype(np.int64) for at in ends)
        for layer, value in zip(change, values, strict=True):
            np.add.at(layer, row * (columns + 1) + begin, value[pieces.strip[piece]])
            np.subtract.at(layer, row * (columns + 1) + end, value[pieces.strip[piece]])
    layers = change.reshape(len(values), rows, columns + 1)
    return np.asarray(np.cumsum(layers, axis=2, out=layers)[..., :columns])


def _burn(shapes: Any, values: FloatArray, grid: tuple[int, int], place: Any) -> FloatArray:
    """Burn values into the cells whose middle lies in the shapes, NaN elsewhere; later shapes win."""
    from rasterio.features import rasterize

    burnt = rasterize(
        zip(shapes, values.tolist(), strict=True), out_shape=grid, transform=place, fill=np.nan, dtype="float64"
    )
    return np.asarray(burnt, dtype=np.float64)


def lay_grid(
    quads: FloatArray,
    rates: FloatArray,
    zones: Any,
    zone_rate: FloatArray,
    boundary: Any,
    cell: float | None = None,
    most: int = USUAL_CELLS,
) -> GroundGrid:
    """Lay strips and zones on square cells.

    Parameters
    ----------
    quads : ndarray, shape (n, 4, 2)
        Corners of the strips in a local frame [m], all finite.
    rates : ndarray, shape (2, n)
        Nitrogen rate on the ground and asked for, of each strip [kg/m2]; NaN where not known.
    zones : ndarray of polygons, shape (zones,)
        Of the map; empty without one.
    zone_rate : ndarray, shape (zones,)
        What the map asks for [kg/m2].
    boundary : Polygon, MultiPolygon or None
        Of the field.
    cell : float, optional
        Side [m]; by `usual_cell` if not given, with no more than `most` cells or so.
    most : int
        Cells.

    Raises
    ------
    OutputError
        If there would be more than 10 million cells.
    """
    import shapely
    from rasterio.transform import from_origin

    outlines = [*zones, *([] if boundary is None else [boundary])]
    boxes = [shapely.total_bounds(np.array(outlines, dtype=object))] if outlines else []
    boxes.append(np.array([*quads.min(axis=(0, 1)), *quads.max(axis=(0, 1))]) if len(quads) else np.full(4, np.nan))
    bounds = np.array(boxes)
    if cell is None:
        width = float(np.median(np.hypot(*(quads[:, 3] - quads[:, 2]).T))) if len(quads) else 0.0
        reach = np.nanmax(bounds[:, 2:], axis=0) - np.nanmin(bounds[:, :2], axis=0)
        cell = usual_cell(float(reach.prod()), width, most)
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
    sums = np.concatenate([np.ones((1, len(quads))), np.isfinite(rates), np.nan_to_num(rates)])
    # A running sum of rates leaves rounding where nothing lies; counts are whole numbers.
    passes, rated, aimed, laid, wanted = _lay_strips(quads, sums, west, north, cell, rows, columns)
    if len(zones):
        asked = _burn(zones, zone_rate, grid, place)
    else:
        with np.errstate(divide="ignore", invalid="ignore"):
            asked = np.where(aimed == passes, wanted / passes, np.nan)
    if boundary is not None:
        field = np.isfinite(_burn([boundary], np.ones(1), grid, place))
    else:
        field = np.isfinite(asked) if len(zones) else passes > 0.0
    return GroundGrid(
        west=float(west),
        north=float(north),
        cell=cell,
        applied=np.where((passes > 0.0) & (rated == passes), np.round(laid, 12), np.nan),
        target=asked,
        passes=passes.copy(),  # by itself, so that the other sums need not be kept
        field=np.asarray(field, dtype=np.bool_),
    )


def mark_grid(grid: GroundGrid, quads: FloatArray) -> BoolArray:
    """Whether each cell's middle lies under one of some strips of shape (n, 4, 2) [m].

    Parameters
    ----------
    grid : GroundGrid
        Where the cells are.
    quads : ndarray, shape (n, 4, 2)
        Corners of the strips [m].
    """
    layers = _lay_strips(quads, np.ones((1, len(quads))), grid.west, grid.north, grid.cell, *grid.passes.shape)
    return np.asarray(layers[0] > 0.0)


NO_PASS_WANTED: Final = 255
"""Of a raster of passes: no ground of the field, and none passed."""


def write_raster(
    path: Path,
    values: FloatArray,
    grid: GroundGrid,
    crs: pyproj.CRS,
    *,
    what: str,
    unit: str,
    colours: Sequence[str] = (),
) -> None:
    """Write one layer of a grid as a GeoTIFF: numbers with NaN for no data, or counts with a colour table.

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
    colours : sequence of str
        ``#RRGGBB`` of 0, 1, 2 and so on, the last for all above; makes bytes of the values, where NaN is
        `NO_PASS_WANTED`.
    """
    import rasterio
    from rasterio.transform import from_origin

    if colours:
        cells = np.where(np.isfinite(values), np.clip(values, 0, NO_PASS_WANTED - 1), NO_PASS_WANTED).astype(np.uint8)
    else:
        cells = values.astype(np.float32)

    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        height=values.shape[0],
        width=values.shape[1],
        count=1,
        dtype=cells.dtype,
        crs=crs.to_wkt(),
        transform=from_origin(grid.west, grid.north, grid.cell, grid.cell),
        nodata=NO_PASS_WANTED if colours else float("nan"),
        compress="deflate",
        tiled=True,
    ) as raster:
        raster.write(cells, 1)
        if colours:
            shown = [colours[min(count, len(colours) - 1)] for count in range(NO_PASS_WANTED)]
            raster.write_colormap(1, {count: (*bytes.fromhex(one[1:]), 255) for count, one in enumerate(shown)})
        raster.set_band_description(1, f"{what} [{unit}]")
        raster.set_band_unit(1, unit)
        raster.update_tags(AREA_OR_POINT="Area")
