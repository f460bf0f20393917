"""Finding the layer in a Shapefile, GeoJSON, GeoPackage or FlatGeobuf, zipped or not, and reading it untouched."""

from __future__ import annotations

import contextlib
import shutil
import tempfile
import warnings
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.counted import count
from geoflow.base.errors import PrescriptionError
from geoflow.base.spelling import nearest
from geoflow.base.subject import called, subject, typed
from geoflow.files.inputs import is_companion
from geoflow.layers.dbf import Dbf, read_dbf
from geoflow.layers.notes import Note, library_words
from geoflow.layers.package_reading import read_whole_package
from geoflow.layers.shapefile import EXPORT_AGAIN, SHAPEFILE_READ, check_shapefile, shapefile_parts, turned_rings

if TYPE_CHECKING:
    import geopandas

__all__ = ["FORMATS", "Source", "check_only_layer", "check_unpacked_size", "find_file", "open_source", "read_table"]

FORMATS: Final[dict[str, str]] = {
    ".shp": "shapefile",
    ".zip": "zipped shapefile",
    ".geojson": "geojson",
    ".json": "geojson",
    ".gpkg": "geopackage",
    ".fgb": "flatgeobuf",
}
_WHOLE_FILES: Final = (".geojson", ".gpkg", ".fgb")  # what a zip may hold in place of a shapefile
_ALL_ENDINGS: Final = (*FORMATS, ".parquet", ".geoparquet", ".tif", ".tiff")
_MOST_UNPACKED: Final = 2 * 1024**3
_MOST_RATIO, _RATIO_FROM = 200, 100 * 1024**2
# Warnings of GDAL about things that are found and reported here in plainer words.
_KNOWN_WARNINGS = ("parsed incompletely", "Non closed ring", "Measured (M)", "winding order")


@dataclass(frozen=True, slots=True)
class Source:
    """A layer ready to be read.

    Attributes
    ----------
    path : Path
        The file as named by the user.
    where : str
        What to call it in errors.
    file_format : str
        One of the values of `FORMATS`; ``"zipped ..."`` what is in a zip.
    data : Path
        The file GDAL opens; inside a temporary folder for a zip.
    layer : str or None
        Name of the layer, where the file can hold several.
    """

    path: Path
    where: str
    file_format: str
    data: Path
    layer: str | None

    @property
    def is_shapefile(self) -> bool:
        """Whether the data are a Shapefile, zipped or not."""
        return self.data.suffix.casefold() == ".shp"


def find_file(path: Path | str) -> Path:
    """Return the file if it is there and not empty.

    Parameters
    ----------
    path : Path or str
        As typed.

    Raises
    ------
    PrescriptionError
        If it is a folder, missing or empty.
    """
    file = Path(path)
    where = called(path)
    if file.is_dir():
        inside = [entry.name for entry in sorted(file.iterdir()) if entry.suffix.casefold() in _ALL_ENDINGS]
        cure = f"name a file in it: {', '.join(inside[:5])}" if inside else f"it holds no {subject().name}; name a file"
        raise PrescriptionError("this is a folder, not a file", where=where, cure=cure)
    if not file.is_file():
        siblings = [entry.name for entry in file.parent.iterdir()] if file.parent.is_dir() else []
        raise PrescriptionError(
            f"there is no such file{nearest(file.name, siblings)}", where=where, cure="check the name and the folder"
        )
    if file.suffix.casefold() in _ALL_ENDINGS and file.stat().st_size == 0:
        raise PrescriptionError("the file is empty", where=where, cure="copy or export it again")
    return file


@contextlib.contextmanager
def open_source(path: Path | str, layer: str | None = None) -> Iterator[Source]:
    """Find the layer in a file; what is unpacked is gone afterwards.

    Parameters
    ----------
    path : Path or str
        As typed.
    layer : str or None
        What ``--layer`` says.

    Raises
    ------
    PrescriptionError
        If the file is missing, damaged, not what its name says, or holds several layers and none is named.
    """
    file = find_file(path)
    where = called(path)
    kind = FORMATS.get(file.suffix.casefold())
    if kind is None:
        part = is_companion(file.name)
        raise PrescriptionError(
            "this is one part of a shapefile" if part else f"'{file.suffix}' is no {subject().name} format",
            where=where,
            cure="name the .shp file" if part else f"give {subject().formats}",
        )
    if file.suffix.casefold() == ".zip":
        with tempfile.TemporaryDirectory(prefix="geoflow-") as folder:
            data, name, left = _unpack(file, layer, Path(folder), where)
            source = _source(file, where, data, left)
            yield replace(source, file_format=f"zipped {source.file_format}", layer=source.layer or name)
        return
    yield _source(file, where, file, layer)


def _source(file: Path, where: str, data: Path, layer: str | None) -> Source:
    """Check that the file holds what its name says, and pick the layer."""
    kind = FORMATS[data.suffix.casefold()]
    if kind == "shapefile":
        check_shapefile(data, where)
        check_only_layer(layer, data.stem, where)
        return Source(file, where, kind, data, None)
    with data.open("rb") as stream:
        start = stream.read(64)
    sound, name = {
        "geojson": (start.removeprefix(b"\xef\xbb\xbf").lstrip().startswith(b"{"), "GeoJSON"),
        "geopackage": (start.startswith(b"SQLite format 3\0"), "GeoPackage"),
        "flatgeobuf": (start[:3] == start[4:7] == b"fgb", "FlatGeobuf"),  # its specification, "magic bytes"
    }[kind]
    if not sound:
        raise PrescriptionError(
            f"this is no {name}: it starts with {start[:20]!r}", where=where, cure="download or export it again"
        )
    if kind == "geopackage":
        return Source(file, where, kind, data, _package_layer(data, layer, where))
    check_only_layer(layer, data.stem, where)
    return Source(file, where, kind, data, None)


def check_only_layer(layer: str | None, only: str, where: str) -> None:
    """Refuse a layer's name that is not that of a file with a single layer.

    Parameters
    ----------
    layer : str or None
        What ``--layer`` says.
    only : str
        Name of the only one.
    where : str
        The file, for errors.

    Raises
    ------
    PrescriptionError
        If it is another one.
    """
    if layer is not None and layer.casefold() != only.casefold():
        cure = f"leave {typed('layer')} out"
        raise PrescriptionError(f"there is no layer '{layer}', only '{only}'", where=where, cure=cure)


def _pick(names: list[str], layer: str | None, where: str) -> str:
    if layer is None:
        if len(names) == 1:
            return names[0]
        lines = (f"\n    {typed('layer')} " + (f'"{name}"' if " " in name else name) for name in names)
        which = f"say which one:{''.join(lines)}"
        cure = "give a file that holds the field's outline alone" if "layer" in subject().lacks else which
        raise PrescriptionError(f"the file holds {len(names)} layers", where=where, cure=cure)
    for name in names:
        if layer in (name, PurePosixPath(name).name, PurePosixPath(name).stem):
            return name
    cure = f"{typed('layer')} one of {', '.join(names)}"
    raise PrescriptionError(f"there is no layer '{layer}'{nearest(layer, names)}", where=where, cure=cure)


def _package_layer(file: Path, layer: str | None, where: str) -> str:
    import pyogrio

    try:
        layers = pyogrio.list_layers(file)
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as problem:
        raise _unreadable(where, problem) from problem
    names = [str(name) for name, kind in layers if kind is not None]
    if not names:
        cure = f"export the {subject().part}s again"
        raise PrescriptionError("the file holds no layer with shapes", where=where, cure=cure)
    return _pick(names, layer, where)


def _unpack(file: Path, layer: str | None, folder: Path, where: str) -> tuple[Path, str, str | None]:
    """Unpack one layer under a plain name; the names in the zip are never used as paths.

    Returns the file to open, the layer's name, and what --layer still has to pick in that file.
    """
    try:
        with zipfile.ZipFile(file) as archive:
            members = _members(archive)
            layers = _layers(members, where)
            only_package = list(layers.values()) == [".gpkg"]  # then a layer's name is one inside it
            name = next(iter(layers)) if only_package else _pick(list(layers), layer, where)
            ending = layers[name]
            parts = {ending: members[name]} if name in members else _parts_of(members, name)
            check_unpacked_size(list(parts.values()), where)
            for suffix in parts.keys() & {".shp", *SHAPEFILE_READ, *_WHOLE_FILES}:
                with archive.open(parts[suffix]) as packed, (folder / f"zones{suffix}").open("wb") as plain:
                    shutil.copyfileobj(packed, plain)
    except (zipfile.BadZipFile, EOFError, OSError, ValueError, IndexError, RuntimeError, zlib.error) as problem:
        locked = "password" in str(problem)
        raise PrescriptionError(
            "the zip is locked with a password" if locked else f"the zip cannot be opened ({problem})",
            where=where,
            cure="unpack it and give what is in it" if locked else "copy or download it again",
        ) from problem
    return folder / f"zones{ending}", PurePosixPath(name).name, layer if only_package else None


def _members(archive: zipfile.ZipFile) -> dict[str, zipfile.ZipInfo]:
    entries = (entry for entry in archive.infolist() if not entry.is_dir())
    return {entry.filename: entry for entry in entries if not PurePosixPath(entry.filename).name.startswith("._")}


def _layers(members: dict[str, zipfile.ZipInfo], where: str) -> dict[str, str]:
    """Layers in a zip and their ending: a shapefile is called without it, as in a folder, everything else with it."""
    layers = {name[:-4]: ".shp" for name in members if name.casefold().endswith(".shp")}
    layers |= {name: PurePosixPath(name).suffix.casefold() for name in members if name.lower().endswith(_WHOLE_FILES)}
    if not layers:
        raise PrescriptionError(
            "the zip holds no .shp, .geojson, .gpkg or .fgb",
            where=where,
            cure=f"it holds {', '.join(list(members)[:6]) or 'nothing'}; zip the shapefile with all its parts",
        )
    return layers


def _parts_of(members: dict[str, zipfile.ZipInfo], stem: str) -> dict[str, zipfile.ZipInfo]:
    """Return a shapefile's parts by their ending."""
    return {
        name[len(stem) :].casefold(): entry
        for name, entry in members.items()
        if name.casefold().startswith(stem.casefold() + ".")
    }


def check_unpacked_size(entries: list[zipfile.ZipInfo], where: str) -> None:
    """Raise PrescriptionError where members of a zip would unpack to more than any prescription needs.

    Parameters
    ----------
    entries : list of ZipInfo
        What would be unpacked.
    where : str
        The zip, for errors.
    """
    size, packed = (sum(getattr(entry, name) for entry in entries) for name in ("file_size", "compress_size"))
    if size > _MOST_UNPACKED or (size > _RATIO_FROM and size > _MOST_RATIO * packed):
        raise PrescriptionError(
            f"the zip would unpack to {size / 1e6:,.0f} MB, which no {subject().name} needs",
            where=where,
            cure="check where it comes from; if it is sound, unpack it and give what is in it",
        )


def read_table(source: Source) -> tuple[geopandas.GeoDataFrame, Dbf | None, list[Note]]:
    """Read a layer as it is, rings put in order by which lies inside which.

    Parameters
    ----------
    source : Source
        From `open_source`, still open.

    Returns
    -------
    table : geopandas.GeoDataFrame
        All rows and columns.
    dbf : Dbf or None
        The raw records of a Shapefile.
    notes : list of Note
        What the reading itself saw.

    Raises
    ------
    PrescriptionError
        If the layer cannot be read or is empty.
    """
    import geopandas

    dbf = read_dbf(shapefile_parts(source.data, ".dbf")[0], where=source.where) if source.is_shapefile else None
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        table, unclosed, badly_coded = _read(source)
    # A file that another thread left open is none of this layer's.
    heard = sorted({str(one.message) for one in caught if not issubclass(one.category, ResourceWarning)})
    unknown = [text for text in heard if not any(known in text for known in _KNOWN_WARNINGS)]
    notes = [Note("file", f"the file reader noticed: {text}") for text in unknown]
    if unclosed:
        text = f"{count(unclosed, subject().part)} had an outline that did not close; it was closed"
        notes.append(Note("shape", text, unclosed))
    if badly_coded:
        notes.append(Note("file", "the text in the .dbf is not in the code its .cpg claims; letters may look wrong"))
    if not len(table):
        what = f"the layer is empty: it has no {subject().part}s"
        raise PrescriptionError(what, where=source.where, cure=EXPORT_AGAIN)
    assert isinstance(table, geopandas.GeoDataFrame)  # layers without shapes are not offered, other formats have them
    return table, dbf, notes if dbf is None else notes + _shapefile_notes(source, table, dbf)


def _shapefile_notes(source: Source, table: geopandas.GeoDataFrame, dbf: Dbf) -> list[Note]:
    """Refuse shapes and records of different counts; say what was left out or runs the wrong way round."""
    gone = int(dbf.deleted.sum())
    shapes = (shapefile_parts(source.data, ".shx")[0].stat().st_size - 100) // 8
    if shapes != len(dbf.cells) or len(table) != len(dbf.cells) - gone:
        raise PrescriptionError(
            f"the .shp holds {shapes} shapes and the .dbf {len(dbf.cells)} records, so no rate can be given to a "
            f"{subject().part} for certain",
            where=source.where,
            cure=EXPORT_AGAIN,
        )
    notes = []
    if gone:
        what = count(gone, "record")
        notes.append(Note("file", f"{what} marked as deleted and left out; rows are counted without", gone))
    turned = turned_rings(table)
    if turned:
        text = (f"{count(turned, subject().part)} with outlines or holes that run the wrong way round for a shapefile; "
                "holes are told by which ring lies inside which")  # fmt: skip
        notes.append(Note("shape", text, turned))
    return notes


def _read(source: Source) -> tuple[Any, int, bool]:
    """Return the table, how many outlines had to be closed, and whether the text code was wrong."""
    import pyogrio
    import shapely

    broken = (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, pyogrio.errors.FieldError,
              pyogrio.errors.GeometryError, pyogrio.errors.CRSError)  # fmt: skip
    before = pyogrio.get_gdal_config_option("OGR_ORGANIZE_POLYGONS")
    pyogrio.set_gdal_config_options({"OGR_ORGANIZE_POLYGONS": "DEFAULT"})
    options: dict[str, Any] = {"layer": source.layer if source.data.suffix.casefold() == ".gpkg" else None}
    unclosed, badly_coded = np.zeros(0, dtype=np.int64), False
    try:
        whole = None if options["layer"] is None else read_whole_package(source.data, options["layer"])
        if whole is not None:
            return whole, 0, False
        while True:
            try:
                table = pyogrio.read_dataframe(source.data, **options)
                closed = unclosed.size and int((~shapely.is_missing(table.geometry.to_numpy()[unclosed])).sum())
                return table, closed, badly_coded
            except UnicodeDecodeError:
                if badly_coded:
                    raise
                options["encoding"], badly_coded = "ISO-8859-1", True
            except shapely.errors.GEOSException:
                if "on_invalid" in options:
                    raise
                raw = pyogrio.raw.read(source.data, columns=[], **options)[2]
                shapes = shapely.from_wkb(raw, on_invalid="ignore")
                there = np.array([blob is not None for blob in raw], dtype=bool)
                unclosed = np.flatnonzero(shapely.is_missing(shapes) & there)
                options["on_invalid"] = "fix"
    except UnboundLocalError as problem:  # pyogrio's own (0.13), where GDAL finds no text for it
        raise _unreadable(source.where, ValueError("the coordinate system is no text")) from problem
    except (*broken, shapely.errors.GEOSException, UnicodeDecodeError, ValueError, IndexError) as problem:
        raise _unreadable(source.where, problem) from problem
    finally:
        pyogrio.set_gdal_config_options({"OGR_ORGANIZE_POLYGONS": before})


def _unreadable(where: str, problem: Exception) -> PrescriptionError:
    what = f"the file cannot be read ({library_words(problem)})"
    return PrescriptionError(what, where=where, cure=EXPORT_AGAIN)
