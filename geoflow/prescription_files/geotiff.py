"""Reading a GeoTIFF as zones: adjacent cells of equal rate as one zone, or every cell by itself."""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray
from geoflow.base.errors import PrescriptionError, QuantityError
from geoflow.base.rate_units import RateUnit, rate_unit
from geoflow.base.spelling import nearest
from geoflow.base.subject import called, typed
from geoflow.layers.notes import Note, library_words
from geoflow.layers.vector_source import check_only_layer, find_file
from geoflow.prescription_files.columns import unit_in_name
from geoflow.prescription_files.table import ReaderOptions, ZoneRule, ZoneTable

if TYPE_CHECKING:
    import pyproj
    from numpy.typing import NDArray

__all__ = ["MOST_CELLS", "MOST_ZONES", "Grid", "grid_of", "read_raster"]

MOST_CELLS: Final = 25_000_000
"""A raster with more cells is refused; 640 acres in cells of half a metre are 10 million."""
MOST_ZONES: Final = 250_000
"""A raster that falls into more zones is refused."""

# First bytes of a TIFF and of a BigTIFF, in either order of bytes [TIFF 6.0, section 2; BigTIFF by its design page].
_STARTS: Final = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_STRAIGHT: Final = 0.002  # degree; over the 200 m a parallel bends by a millimetre at 49 degrees north
_DIGITS: Final = 12  # of a scaled value; further ones are noise of the multiplication
_FINEST: Final = 1e-12  # of the coordinates: in smaller cells neighbouring corners are one number


@dataclass(frozen=True, slots=True)
class Grid:
    """Where the cells of a raster lie; row 0, column 0 is the first cell in the file.

    Attributes
    ----------
    crs : pyproj.CRS or None
        None where the file does not say it.
    transform : tuple of float
        a, b, c, d, e, f: x = a column + b row + c and y = d column + e row + f, whole numbers at the cells' corners.
    width, height : int
        Columns and rows.
    """

    crs: pyproj.CRS | None
    transform: tuple[float, float, float, float, float, float]
    width: int
    height: int

    def corners(self, column: Any, row: Any) -> tuple[FloatArray, FloatArray]:
        """Return x and y of corners of cells, in units of the CRS.

        Parameters
        ----------
        column, row : array_like
            Whole numbers at the cells' corners.
        """
        a, b, c, d, e, f = self.transform
        return np.asarray(a * column + b * row + c), np.asarray(d * column + e * row + f)

    @property
    def cell_sides(self) -> tuple[float, float]:
        """Length of a cell along its row and along its column, in units of the CRS."""
        a, b, _, d, e, _ = self.transform
        return float(np.hypot(a, d)), float(np.hypot(b, e))


@contextmanager
def _opened(file: Path, where: str) -> Iterator[Any]:
    """Open a GeoTIFF; what goes wrong in it becomes one of our errors."""
    import rasterio

    with file.open("rb") as stream:
        start = stream.read(20)
    if not start.startswith(_STARTS):
        raise PrescriptionError(f"this is no TIFF: it starts with {start!r}", where=where, cure="export it again")
    try:
        # GTIFF_POINT_GEO_IGNORE=FALSE: positions of cells' centres (PixelIsPoint) are moved to their corners.
        with warnings.catch_warnings(), rasterio.Env(GTIFF_POINT_GEO_IGNORE="FALSE"):
            warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
            with rasterio.open(file, driver="GTiff") as raster:
                yield raster
    except UnicodeDecodeError as problem:
        raise PrescriptionError(
            "the raster holds text that is not in UTF-8, as the name or unit of a band",
            where=where,
            cure="name the band anew in the program that made the raster",
        ) from problem
    except (rasterio.errors.RasterioError, rasterio.errors.RasterioIOError, rasterio._err.CPLE_BaseError) as problem:
        what = f"the raster cannot be read ({library_words(problem)})"
        raise PrescriptionError(what, where=where, cure="copy or export it again") from problem


def grid_of(path: Path | str) -> Grid:
    """Return where the cells of a GeoTIFF lie.

    Parameters
    ----------
    path : Path or str
        The file.

    Raises
    ------
    PrescriptionError
        If it cannot be opened, or does not say where it lies.
    """
    with _opened(find_file(path), called(path)) as raster:
        return _grid(raster, called(path))


def _grid(raster: Any, where: str) -> Grid:
    import pyproj

    move = raster.transform
    if move.is_identity or not np.isfinite(move[:6]).all() or abs(move.determinant) == 0.0:
        tied = bool(raster.gcps[0]) or bool(raster.rpcs)
        raise PrescriptionError(
            f"the raster {'is tied to the ground by single points only' if tied else 'does not say where it lies'}",
            where=where,
            cure="warp it to a coordinate system in a mapping program" if tied
            else "export it as GeoTIFF with its position, or put its world file (.tfw) back beside it",
        )  # fmt: skip
    wkt = "" if raster.crs is None else raster.crs.to_wkt()
    a, b, c, d, e, f = (float(number) for number in move[:6])
    grid = Grid(pyproj.CRS.from_wkt(wkt) if wkt else None, (a, b, c, d, e, f), raster.width, raster.height)
    _refuse_nowhere(grid, where)
    return grid


def _refuse_nowhere(grid: Grid, where: str) -> None:
    with np.errstate(over="ignore", invalid="ignore"):  # told below
        ends = np.array(grid.corners(np.array([0, 0, grid.width, grid.width]), np.array([0, grid.height] * 2)))
    if not np.isfinite(ends).all() or min(grid.cell_sides) <= _FINEST * np.abs(ends).max():
        (along, down), (west, north) = grid.cell_sides, grid.transform[2::3]
        raise PrescriptionError(
            f"the raster's position is none on the ground: cells of {along:g} by {down:g} from {west:g}, {north:g}",
            where=where,
            cure="export it as GeoTIFF with its position",
        )


def read_raster(path: Path, options: ReaderOptions) -> ZoneTable:
    """Read one band of a GeoTIFF as zones.

    Cells without a value (nodata, mask, NaN) are no zone. Scale and offset of the band are applied. A 4-byte number is
    read as the shortest decimal that it stands for, so that a rate written as 120.1 is 120.1.

    Parameters
    ----------
    path : Path
        The file.
    options : ReaderOptions
        As given.

    Raises
    ------
    PrescriptionError
        If it is no GeoTIFF, does not say where it lies, has several bands and none is chosen, or has more than
        `MOST_CELLS` cells or `MOST_ZONES` zones.
    """
    import geopandas

    where, file = called(path), find_file(path)
    check_only_layer(options.layer, file.stem, where)
    rule: ZoneRule = options.zones or "class"
    with _opened(file, where) as raster:
        if len(raster.subdatasets) > 1:
            raise PrescriptionError(
                f"the file holds {len(raster.subdatasets)} images", where=where, cure="export the one with the rates"
            )
        grid = _grid(raster, where)
        if grid.width * grid.height > MOST_CELLS:
            raise PrescriptionError(
                f"the raster has {grid.width * grid.height:,} cells, and at most {MOST_CELLS:,} are read",
                where=where,
                cure="cut it to the field, or make its cells larger",
            )
        band = _band(raster, options.rate_column, where)
        name, unit = _name_and_unit(raster, band, where)
        data = raster.read(band, masked=True)
        notes = _band_notes(raster, band)
    if data.dtype.kind not in "iuf":
        raise PrescriptionError(
            f"'{name}' holds no plain numbers", where=where, cure="export the rates as real numbers"
        )
    valid = ~np.ma.getmaskarray(data) & ~np.isnan(data.data)
    if not valid.any():
        raise PrescriptionError("no cell of the raster holds a value", where=where, cure="choose another band")
    found, place = np.unique(data.data[valid], return_inverse=True)
    values = _meant(found, raster.scales[band - 1], raster.offsets[band - 1])
    shapes, kind = _cells(valid, grid, place, where) if rule == "cell" else _classes(valid, grid, place, where)
    table = geopandas.GeoDataFrame({name: values[kind]}, geometry=shapes, crs=grid.crs)
    notes += _grid_notes(grid, valid, len(table), rule)
    if valid.all() and (values == 0.0).any():
        zero = int((values[place] == 0.0).sum())
        notes.append(
            Note("file", f"{zero:,} cells hold 0, which is read as a rate of zero; the file marks none as empty")
        )
    return ZoneTable("geotiff", table, None, tuple(notes), rate_column=name, units={} if unit is None else {name: unit})


def _band(raster: Any, wanted: str | None, where: str) -> int:
    """Return the number of the band with the rates, from 1: the one asked for, or the only one."""
    import rasterio

    names = [text or "" for text in raster.descriptions]
    if wanted is not None:
        return _band_named(names, wanted, where)
    alpha = rasterio.enums.ColorInterp.alpha
    own = [band for band, meaning in enumerate(raster.colorinterp, 1) if meaning != alpha]
    if len(own) == 1:
        return own[0]
    raise PrescriptionError(
        f"the raster has {len(own)} bands",
        where=where,
        cure=f"say which one holds the rates with {typed('rate-column')}, one of {_bands(names)}",
    )


def _band_named(names: list[str], wanted: str, where: str) -> int:
    match = re.fullmatch(r"\s*(?:band\s*)?(\d+)\s*", wanted, re.IGNORECASE)
    by_name = [band for band, text in enumerate(names, 1) if text.casefold() == wanted.strip().casefold()]
    if len(by_name) == 1:
        return by_name[0]
    if match and not by_name and 1 <= int(match[1]) <= len(names):
        return int(match[1])
    none = f"there is no band '{wanted}'{nearest(wanted, filter(None, names))}"
    what = f"{typed('rate-column')} '{wanted}' fits {len(by_name)} bands" if by_name else none
    raise PrescriptionError(what, where=where, cure=f"give {typed('rate-column')} one of {_bands(names)}")


def _bands(names: list[str]) -> str:
    return ", ".join(f'"band {at}"' + (f" ({text})" if text else "") for at, text in enumerate(names, 1))


def _name_and_unit(raster: Any, band: int, where: str) -> tuple[str, RateUnit | None]:
    """Return the band's name, and the unit where its unit or its description states one in full."""
    description, stated = raster.descriptions[band - 1] or "", raster.units[band - 1] or ""
    units = []
    for text in (stated, description):
        try:
            units.append(rate_unit(text))
        except QuantityError:
            units += [found] if (found := unit_in_name(text)) else []
    if len(set(units)) > 1:
        raise PrescriptionError(
            f"the unit of band {band} says '{stated}', but its description says '{description}'",
            where=where,
            cure="correct one of them in the program that made the raster",
        )
    return description or f"band {band}", units[0] if units else None


def _meant(found: NDArray[Any], scale: float, offset: float) -> FloatArray:
    """Return the numbers that stored values stand for, shape (k,)."""
    if found.dtype.kind == "f" and found.dtype.itemsize < 8:
        values = np.array([float(str(number)) for number in found], dtype=np.float64)
    else:
        values = found.astype(np.float64)
    if scale == 1.0 and offset == 0.0:
        return values
    return np.array([float(f"{number:.{_DIGITS}g}") for number in values * scale + offset])


def _band_notes(raster: Any, band: int) -> list[Note]:
    import rasterio

    notes = []
    scale, offset = raster.scales[band - 1], raster.offsets[band - 1]
    if scale != 1.0 or offset != 0.0:
        text = f"the file says that its numbers are scaled: the rate is {scale:g} times the number"
        notes.append(Note("numbers", text + (f" plus {offset:g}" if offset else "")))
    if raster.colorinterp[band - 1] == rasterio.enums.ColorInterp.palette:
        notes.append(
            Note("numbers", "the band has a table of colours, as codes of classes do: make sure it holds rates")
        )
    if raster.tags().get("AREA_OR_POINT") == "Point":
        notes.append(
            Note("place", "the file gives the place of the cells' centres; each cell reaches half a cell around")
        )
    return notes


def _grid_notes(grid: Grid, valid: BoolArray, zones: int, rule: ZoneRule) -> list[Note]:
    along, down = grid.cell_sides
    unit = "" if grid.crs is None else f" {grid.crs.axis_info[0].unit_name}"
    made = "one for each cell" if rule == "cell" else "adjacent cells of equal value make one"
    text = (
        f"a raster of {grid.width:,} by {grid.height:,} cells, {along:.6g} by {down:.6g}{unit}; {zones:,} zones, {made}"
    )
    notes = [Note("file", text)]
    without = int((~valid).sum())
    if without:
        notes.append(Note("file", f"{without:,} cells hold no value and are no zone", without))
    return notes


def _too_many(zones: str, cure: str, where: str) -> PrescriptionError:
    what = f"the raster falls into {zones} zones, and at most {MOST_ZONES:,} are read"
    return PrescriptionError(what, where=where, cure=cure)


def _cells(valid: BoolArray, grid: Grid, place: IntArray, where: str) -> tuple[NDArray[np.object_], IntArray]:
    """Return a zone for every valid cell, and which value each has."""
    import shapely

    row, column = np.nonzero(valid)
    if len(row) > MOST_ZONES:
        raise _too_many(
            f"{len(row):,}", f"make its cells larger, or merge equal ones with {typed('zones')} class", where
        )
    around = [(0, 0), (1, 0), (1, 1), (0, 1), (0, 0)]
    rings = np.stack([np.stack(grid.corners(column + right, row + down), axis=1) for right, down in around], axis=1)
    return np.asarray(shapely.polygons(rings), dtype=object), place


def _classes(valid: BoolArray, grid: Grid, place: IntArray, where: str) -> tuple[NDArray[np.object_], IntArray]:
    """Return a zone for all cells of equal value that meet along an edge, and which value each has."""
    import rasterio.features

    label = np.zeros(valid.shape, dtype=np.int32)
    label[valid] = place + 1
    cure = "round the rates to fewer classes first, or make the cells larger"
    least = _least_zones(label)
    if least > MOST_ZONES:
        raise _too_many(f"at least {least:,}", cure, where)
    rings: list[list[tuple[float, float]]] = []
    owner: list[int] = []
    kind: list[int] = []
    # In columns and rows, whole numbers; the ground comes after. The values are labels, so none is rounded.
    for shape, value in rasterio.features.shapes(label, mask=valid, connectivity=4):
        rings += shape["coordinates"]
        owner += [len(kind)] * len(shape["coordinates"])
        kind.append(int(value) - 1)
    if len(kind) > MOST_ZONES:
        raise _too_many(f"{len(kind):,}", cure, where)
    return _with_shared_corners(rings, np.array(owner), grid), np.array(kind, dtype=np.int64)


def _least_zones(label: NDArray[np.int32]) -> int:
    """Return a number of zones that there are at least, without building any."""
    beside = (label[:, 1:] == label[:, :-1]) & (label[:, 1:] > 0)
    below = (label[1:] == label[:-1]) & (label[1:] > 0)
    squares = beside[1:] & beside[:-1] & below[:, 1:]
    lone = label > 0
    lone[:, 1:] &= ~beside
    lone[:, :-1] &= ~beside
    lone[1:] &= ~below
    lone[:-1] &= ~below
    # Euler's number of all zones, which is their count less that of their holes.
    count = int((label > 0).sum()) - int(beside.sum()) - int(below.sum()) + int(squares.sum())
    return max(count, int(lone.sum()))


def _with_shared_corners(rings: list[list[tuple[float, float]]], owner: IntArray, grid: Grid) -> NDArray[np.object_]:
    """Build the zones on the ground, every edge with the corners its neighbours have there.

    Without them a long edge, straight in degrees and bent in metres, would stand off its neighbours; for the same
    reason an edge in degrees has a corner every `_STRAIGHT` at least.
    """
    import shapely

    size = np.array([len(ring) - 1 for ring in rings])
    closed = np.concatenate([np.asarray(ring) for ring in rings]).astype(np.int64)
    last = np.cumsum(size + 1) - 1
    first = np.delete(np.arange(len(closed)), last)
    start, end = closed[first], closed[first + 1]
    ring = np.repeat(np.arange(len(rings)), size)
    shared = np.zeros((grid.height + 1, grid.width + 1), dtype=bool)
    shared[start[:, 1], start[:, 0]] = True
    if grid.crs is None or grid.crs.is_geographic:
        every_column, every_row = (
            max(1, int(min(_STRAIGHT / side, cells)))
            for side, cells in zip(grid.cell_sides, (grid.width + 1, grid.height + 1), strict=True)
        )
        shared[:, ::every_column] = True
        shared[::every_row] = True
    length = np.abs(end - start).sum(axis=1)
    edge = np.repeat(np.arange(len(start)), length)
    step = np.arange(len(edge)) - np.repeat(np.cumsum(length) - length, length)
    point = start[edge] + np.sign(end - start)[edge] * step[:, None]
    kept = shared[point[:, 1], point[:, 0]]
    point, ring = point[kept], ring[edge[kept]]
    x, y = grid.corners(point[:, 0], point[:, 1])
    outlines = shapely.linearrings(np.column_stack([x, y]), indices=ring)
    return np.asarray(shapely.polygons(outlines, indices=owner), dtype=object)
