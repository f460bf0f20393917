"""Writing zones with their rates as a prescription in any open format, and reading it back before it counts."""

from __future__ import annotations

import math
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from dataclasses import replace as with_changes
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.counted import count, verb
from geoflow.base.errors import GeoflowError, OutputError
from geoflow.base.rate_units import RateUnit
from geoflow.base.rates import UnitRates
from geoflow.base.subject import called
from geoflow.base.units import FOOT
from geoflow.files.inputs import beside
from geoflow.files.output import disk_error, replace_file
from geoflow.layers.notes import rows_text
from geoflow.layers.package_tables import LayerStyle
from geoflow.layers.write_vector import GEOJSON_DECIMALS, SHORT_NAME, Driver, write_zones
from geoflow.prescription_files.columns import unit_in_name
from geoflow.prescription_files.geotiff import Grid
from geoflow.prescription_files.read_prescription import read_prescription
from geoflow.prescription_patch.new_cells import KEPT_WITHIN, lay_cells, share_of
from geoflow.prescription_patch.new_geotiff import write_raster
from geoflow.prescription_patch.new_shapes import as_multipolygons, rounded_shapes, zones_to_write
from geoflow.prescription_patch.patch import refuse_orphan_journals

if TYPE_CHECKING:
    import geopandas
    import pyproj

    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["WRITTEN_FORMATS", "NewForm", "WrittenPrescription", "rate_column_name", "write_prescription"]

WRITTEN_FORMATS: Final[dict[str, str]] = {
    ".shp": "shapefile",
    ".zip": "zipped shapefile",
    ".geojson": "geojson",
    ".json": "geojson",
    ".gpkg": "geopackage",
    ".fgb": "flatgeobuf",
    ".parquet": "geoparquet",
    ".geoparquet": "geoparquet",
    ".tif": "geotiff",
    ".tiff": "geotiff",
}
"""Endings of the files that can be written, and the format each stands for."""

_DRIVERS: Final[dict[str, Driver]] = {
    "shapefile": "ESRI Shapefile",
    "zipped shapefile": "ESRI Shapefile",
    "geojson": "GeoJSON",
    "geopackage": "GPKG",
    "flatgeobuf": "FlatGeobuf",
    "geoparquet": "Parquet",
}
_CLOSE: Final = 1e-12  # a rate read back, relative; below 1 absolute, since a Shapefile holds 15 decimals
_CLOSE_AREA: Final = 1e-8  # an area read back, relative; the equal-area frame may be centred elsewhere
_CLOSE_EDGE: Final = 1e-5  # how far edges may seem to have moved [m], from projecting there and back
_CLOSE_PLACE: Final = 1e-8  # degree, a millimetre
_METRES_PER_DEGREE: Final = 111_320.0


@dataclass(frozen=True, slots=True)
class WrittenPrescription:
    """What was written.

    Attributes
    ----------
    path : Path
        The file.
    file_format : str
        One of the values of `WRITTEN_FORMATS`.
    column : str
        Name of the column or band with the rates.
    rates : UnitRates, shape (zones given,)
        Of every zone given, as the file counts them.
    zones : int
        Number of zones written; in a raster, those that got a cell.
    crs : str
        Name of the coordinate system.
    kept : float
        The file's total of rate times area over that of the zones given; 1 but for a raster (and overlapping zones in
        one). NaN where the total is zero.
    cell : float or None
        Side of the cells [m], in a raster with a size of ours.
    lost : tuple of int
        Rows of zones that got no cell of a raster, for being too small.
    renamed : dict of str to str
        Columns that had to change their name.
    notes : tuple of str
        Sentences for anything that the format does not hold, or that a person should know.
    """

    path: Path
    file_format: str
    column: str
    rates: UnitRates
    zones: int
    crs: str
    kept: float
    cell: float | None
    lost: tuple[int, ...]
    renamed: dict[str, str]
    notes: tuple[str, ...]

    def warnings(self) -> list[str]:
        """Say what is wrong with a raster: zones without a cell, and a total that is not the one given."""
        said = []
        if self.lost:
            said.append(
                f"{count(len(self.lost), 'zone')} {verb(len(self.lost), 'covers', 'cover')} no cell's centre and "
                f"{verb(len(self.lost), 'IS', 'ARE')} NOT IN THE RASTER "
                f"({rows_text(self.lost)}): smaller cells are needed"
            )
        if not math.isnan(self.kept) and abs(self.kept - 1.0) > KEPT_WITHIN:
            said.append(f"the total of the cells is {100.0 * (self.kept - 1.0):+.2f} % off that of the zones")
        return said


def rate_column_name(prescription: Prescription, unit: RateUnit, path: Path) -> str:
    """Return a name for the rate column that states the unit: the input's own if it does, otherwise ours.

    Parameters
    ----------
    prescription : Prescription
        The input.
    unit : RateUnit
        What the rates written count.
    path : Path
        The file to write.
    """
    own = prescription.rate_column
    shapefile = _DRIVERS.get(WRITTEN_FORMATS[path.suffix.casefold()]) == "ESRI Shapefile"
    if unit_in_name(own) == unit and (not shapefile or len(own.encode()) <= SHORT_NAME):
        return own
    short = unit.text.lower().replace(" ", "_").replace("/", "_")
    return short if shapefile else f"rate_{short}"


@dataclass(frozen=True, slots=True)
class NewForm:
    """What a new file is to be like, where its format leaves a choice.

    Attributes
    ----------
    column : str or None
        Name of the rate column; without it one that states the unit.
    cell : float or None
        Side of a raster's cells [m]. Without it the input's own cells, or the coarsest of 10, 5, 2, 1 and 0.5 m that
        give every zone a cell and keep the field's total to 0.1 %.
    style : callable or None
        Gives the layer of a GeoPackage its style, from the rate column's name, the rates and their unit.
    """

    column: str | None = None
    cell: float | None = None
    style: Callable[[str, FloatArray, str], LayerStyle] | None = None


_PLAIN: Final = NewForm()


def write_prescription(
    prescription: Prescription,
    rates: UnitRates,
    path: Path,
    *,
    form: NewForm = _PLAIN,
    replace: bool,
    protect: tuple[Path, ...] = (),
) -> WrittenPrescription:
    """Write the zones of a prescription with given rates, in the format its name says.

    Rows left out in reading are left out here. Shapes are the input's, mended where reading mended them. A raster's
    cell gets the rate of the zone that covers its centre, so that no rate appears which nobody prescribed. The file is
    read back before it moves into place: rates, shapes, areas and the place on earth must be the same.

    Parameters
    ----------
    prescription : Prescription
        Zones and attributes; its rate column is left out.
    rates : UnitRates, shape (n,)
        Of every zone.
    path : Path
        The file to write; its ending is one of `WRITTEN_FORMATS`.
    form : NewForm
        What the file is to be like.
    replace : bool
        Whether an existing file may be replaced; a Shapefile cannot, being several files.
    protect : tuple of Path
        Files that are never written over; the prescription itself is always one of them.

    Raises
    ------
    OutputError
        If the file may not or cannot be written, or is read back as another.
    """
    path = Path(path)
    file_format = _format_of(path)
    values = rates.values
    wrong = np.flatnonzero(~np.isfinite(values) | (values < 0.0))
    if wrong.size:
        where = f"{called(prescription.path)}, row {prescription.row[wrong[0]] + 1}"
        raise OutputError(f"the rate {values[wrong[0]]:g} is no rate", where=where, cure="give a number from 0 up")
    if file_format == "shapefile":
        _refuse_torn_shapefile(path, replace)
    elif file_format == "geopackage":
        refuse_orphan_journals(path)
    if form.cell is not None and file_format != "geotiff":
        raise OutputError("only a raster has cells", where="--cell", cure="leave --cell out, or write a .tif")
    name = form.column or rate_column_name(prescription, rates.unit, path)
    done: list[WrittenPrescription] = []

    def write(staged: Path) -> None:
        if file_format == "geotiff":
            done.append(_write_cells(prescription, rates, staged, name, form.cell))
        else:
            done.append(_write_layer(prescription, rates, staged, (name, file_format), form.style))

    try:
        replace_file(path, write, replace=replace, protect=(prescription.path, *protect))
    except OSError as problem:
        raise disk_error(problem, path) from problem
    return with_changes(done[0], path=path)


def _format_of(path: Path) -> str:
    file_format = WRITTEN_FORMATS.get(path.suffix.casefold())
    if file_format is None:
        endings = ", ".join(WRITTEN_FORMATS)
        what = f"'{path.suffix}' is no format that can be written" if path.suffix else "the name has no ending"
        raise OutputError(what, where=str(path), cure=f"end the name in one of {endings}")
    return file_format


def _refuse_torn_shapefile(path: Path, replace: bool) -> None:
    every = (path, *beside(path))
    there = [part.name for part in every if part.suffix.casefold() in {".shp", ".shx", ".dbf"} and part.exists()]
    if there and replace:
        raise OutputError(
            f"a shapefile is there ({', '.join(there)}), and its files cannot be replaced in one stroke",
            where=str(path),
            cure="delete it first, choose another name, or write a .zip",
        )


def _write_layer(
    prescription: Prescription,
    rates: UnitRates,
    staged: Path,
    what: tuple[str, str],
    style: Callable[[str, FloatArray, str], LayerStyle] | None,
) -> WrittenPrescription:
    """Write zones under a name of the rate column, in a format."""
    name, file_format = what
    if _DRIVERS[file_format] == "ESRI Shapefile" and len(name.encode()) > SHORT_NAME:
        short = rate_column_name(prescription, rates.unit, staged)
        notes = [f"the rate column '{name}' is called '{short}': a Shapefile holds {SHORT_NAME} characters"]
        name, old = short, name
        renamed = {old: short}
    else:
        notes, renamed = [], {}
    if left := prescription.rows_read - len(prescription.row):
        notes.append(f"{left:,} rows that were left out in reading are not written, and zones are counted anew")
    table = prescription.table.iloc[prescription.row]
    own = [at for at, known in enumerate(table.columns) if str(known) != prescription.rate_column]
    frame = table.iloc[:, own].set_geometry(zones_to_write(prescription), crs=prescription.crs).reset_index(drop=True)
    if file_format == "geojson":
        frame = frame.to_crs(4326)
        degrees = np.array(frame.geometry.array, dtype=object)
        frame = frame.set_geometry(rounded_shapes(degrees, GEOJSON_DECIMALS), crs=4326)
    driver = _DRIVERS[file_format]
    if file_format == "zipped shapefile":
        with tempfile.TemporaryDirectory(prefix="geoflow-") as folder:
            inner = Path(folder) / f"{staged.stem}.shp"
            renamed |= write_zones(inner, frame, {name: rates.values}, driver=driver, note=notes.append)
            _zip_up(staged, sorted(inner.parent.iterdir()))
    else:
        dressed = None if style is None or driver != "GPKG" else style(name, rates.values, rates.unit.text)
        renamed |= write_zones(staged, frame, {name: rates.values}, driver=driver, note=notes.append, style=dressed)
    geometry = frame.geometry.name
    kept = _verify(prescription, frame[[geometry]], rates, staged, name)
    return WrittenPrescription(
        staged, file_format, name, rates, len(rates.values), frame.crs.name, kept, None, (), renamed, tuple(notes)
    )


def _zip_up(target: Path, parts: list[Path]) -> None:
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for part in parts:
            # One fixed time, so that the same prescription gives the same bytes.
            entry = zipfile.ZipInfo(part.name, (1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(entry, part.read_bytes())


def _verify(
    prescription: Prescription,
    frame: geopandas.GeoDataFrame,
    rates: UnitRates,
    staged: Path,
    name: str,
) -> float:
    """Read the staged file and refuse it if it is not what was meant; return its total over the one meant."""
    import shapely

    try:
        again = read_prescription(staged, rate_column=name, rate_unit=rates.unit.text)
    except GeoflowError as problem:
        raise _unfaithful(staged, f"it cannot be read back: {problem.what}") from problem
    gone = again.rows_read - len(again.row) - len(again.repeats)
    if again.rows_read != len(rates.values) or gone:
        raise _unfaithful(staged, "zones are missing")
    meant, found = (
        shapely.normalize(as_multipolygons(np.array(table.geometry.array, dtype=object)))
        for table in (frame, again.table)
    )
    if not shapely.equals_identical(meant, found).all():
        raise _unfaithful(staged, "shapes differ")
    if not np.allclose(again.rate, rates.values[again.row], rtol=_CLOSE, atol=_CLOSE):
        raise _unfaithful(staged, "rates differ")
    apart = np.abs(np.subtract(*(_lonlat(frame, crs) for crs in (frame.crs, again.crs))))
    if not (np.minimum(apart, 360.0 - apart) <= _CLOSE_PLACE).all():
        raise _unfaithful(staged, f"the format does not hold the coordinate system {prescription.crs.name}")
    moved = _METRES_PER_DEGREE * 10.0**-GEOJSON_DECIMALS if again.file_format == "geojson" else _CLOSE_EDGE
    meant_area, edge = prescription.area[again.row], shapely.length(prescription.zones[again.row])
    if (np.abs(again.area - meant_area) > _CLOSE_AREA * meant_area + moved * edge).any():
        raise _unfaithful(staged, "areas differ")
    return share_of(float((again.rate * again.area).sum()), float((rates.values[again.row] * meant_area).sum()))


def _lonlat(frame: geopandas.GeoDataFrame, crs: pyproj.CRS) -> FloatArray:
    """Return longitude and latitude of the corner of the zones' box, its numbers taken in a given system."""
    import pyproj

    onward = pyproj.Transformer.from_crs(crs, 4326, always_xy=True)
    return np.array(onward.transform(*frame.total_bounds[:2]))


def _unfaithful(staged: Path, why: str) -> OutputError:
    return OutputError(
        f"nothing was written: the check of the new file failed ({why})",
        where=staged.name,
        cure="write another format, such as .gpkg; tell us, too",
    )


def _write_cells(
    prescription: Prescription, rates: UnitRates, staged: Path, name: str, cell: float | None
) -> WrittenPrescription:
    found = lay_cells(prescription, rates.values, cell)
    grid, lost = found.grid, found.lost
    if lost.size == len(rates.values):
        raise OutputError("no zone covers the centre of a cell", where="--cell", cure="give a smaller --cell")
    write_raster(staged, grid, found.zone, rates.values, name=name, unit=rates.unit.text)
    crs = grid.crs or prescription.crs
    return WrittenPrescription(
        staged, "geotiff", name, rates, len(rates.values) - lost.size, crs.name, found.kept, found.side,
        tuple(prescription.row[lost].tolist()), {}, _raster_notes(prescription, grid, found.side),
    )  # fmt: skip


def _raster_notes(prescription: Prescription, grid: Grid, side: float | None) -> tuple[str, ...]:
    cells = "as in the input" if side is None else f"of {side:g} m ({side / FOOT:.1f} ft)"
    notes = [f"{grid.width:,} by {grid.height:,} cells {cells}; a cell has the rate of the zone that covers its centre"]
    if side is not None:
        notes[0] += ", so edges of zones move by up to half a cell"
    left = [
        str(name)
        for name in prescription.table.columns
        if str(name) not in (prescription.rate_column, prescription.table.geometry.name)
    ]
    if left:
        notes.append(f"a raster holds the rate only; left out: {', '.join(left)}")
    if any(note.kind in {"overlap", "duplicate"} for note in prescription.notes):
        notes.append("where zones overlap, the cells have the rate of the later one")
    return tuple(notes)
