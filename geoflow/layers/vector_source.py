"""Finding the layer in a Shapefile, GeoJSON, GeoPackage or FlatGeobuf, zipped or not, and reading it untouched."""

from __future__ import annotations

import contextlib
import struct
import tempfile
import warnings
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.errors import PrescriptionError
from geoflow.base.spelling import nearest
from geoflow.base.subject import subject, typed
from geoflow.files.inputs import beside, is_companion
from geoflow.layers.dbf import read_dbf
from geoflow.layers.notes import Fact

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
_READ: Final = (".dbf", ".shx", ".prj", ".cpg")  # parts of a shapefile that say what is read
_MOST_UNPACKED: Final = 2 * 1024**3
_MOST_RATIO, _RATIO_FROM = 200, 100 * 1024**2
_EXPORT_AGAIN: Final = "copy or export the file again, with all its parts (.shp, .shx, .dbf, .prj)"
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

    Raises
    ------
    PrescriptionError
        If it is a folder, missing or empty.
    """
    file = Path(path)
    where = str(path)
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

    Raises
    ------
    PrescriptionError
        If the file is missing, damaged, not what its name says, or holds several layers and none is named.
    """
    file = find_file(path)
    where = str(path)
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
        _check_shapefile(data, where)
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
            members = {
                entry.filename: entry
                for entry in archive.infolist()
                if not entry.is_dir() and not PurePosixPath(entry.filename).name.startswith("._")
            }
            stems = {name[:-4]: ".shp" for name in members if name.casefold().endswith(".shp")}
            # A layer is called as it is in a folder: a shapefile without its ending, everything else with it.
            stems |= {
                name: PurePosixPath(name).suffix.casefold()
                for name in members
                if name.casefold().endswith(_WHOLE_FILES)
            }
            if not stems:
                raise PrescriptionError(
                    "the zip holds no .shp, .geojson, .gpkg or .fgb",
                    where=where,
                    cure=f"it holds {', '.join(list(members)[:6]) or 'nothing'}; zip the shapefile with all its parts",
                )
            only_package = list(stems.values()) == [".gpkg"]  # then a layer's name is one inside it
            stem = next(iter(stems)) if only_package else _pick(list(stems), layer, where)
            ending = stems[stem]
            parts = {ending: members[stem]} if stem in members else _parts_of(members, stem)
            check_unpacked_size(list(parts.values()), where)
            for suffix, entry in parts.items():
                if suffix in {".shp", *_READ, *_WHOLE_FILES}:
                    with archive.open(entry) as packed, (folder / f"zones{suffix}").open("wb") as plain:
                        while block := packed.read(1 << 20):
                            plain.write(block)
    except (zipfile.BadZipFile, EOFError, OSError, ValueError, IndexError, RuntimeError, zlib.error) as problem:
        locked = "password" in str(problem)
        raise PrescriptionError(
            "the zip is locked with a password" if locked else f"the zip cannot be opened ({problem})",
            where=where,
            cure="unpack it and give what is in it" if locked else "copy or download it again",
        ) from problem
    return folder / f"zones{ending}", PurePosixPath(stem).name, layer if only_package else None


def _parts_of(members: dict[str, zipfile.ZipInfo], stem: str) -> dict[str, zipfile.ZipInfo]:
    """Return a shapefile's parts by their ending."""
    return {
        name[len(stem) :].casefold(): entry
        for name, entry in members.items()
        if name.casefold().startswith(stem.casefold() + ".")
    }


def check_unpacked_size(entries: list[zipfile.ZipInfo], where: str) -> None:
    """Raise PrescriptionError where members of a zip would unpack to more than any prescription needs."""
    size, packed = sum(entry.file_size for entry in entries), sum(entry.compress_size for entry in entries)
    if size > _MOST_UNPACKED or (size > _RATIO_FROM and size > _MOST_RATIO * packed):
        raise PrescriptionError(
            f"the zip would unpack to {size / 1e6:,.0f} MB, which no {subject().name} needs",
            where=where,
            cure="check where it comes from; if it is sound, unpack it and give what is in it",
        )


def _check_shapefile(path: Path, where: str) -> None:
    """Check that all parts are there, whole, and of the same count."""
    for suffix, use in ((".dbf", "the rates"), (".shx", "the index of the shapes")):
        if not _siblings(path, suffix):
            raise PrescriptionError(
                f"the {suffix} that belongs to the shapefile is missing; it holds {use}",
                where=where,
                cure="copy all parts of the shapefile into one folder: .shp, .shx, .dbf and .prj",
            )
    for suffix in _READ:
        several = _siblings(path, suffix)
        if len(several) > 1:
            names = " and ".join(entry.name for entry in several)
            raise PrescriptionError(
                f"{names} both have the name of the shapefile's {suffix}, and only one can belong to it",
                where=where,
                cure="take the other one away",
            )
    for entry in beside(path):
        if not entry.is_file():
            raise PrescriptionError(
                f"{entry.name} is no file, but has the name of a part of the shapefile", where=where, cure=_EXPORT_AGAIN
            )
    size = path.stat().st_size
    with path.open("rb") as stream:
        head = stream.read(100)
    if len(head) < 100 or struct.unpack_from(">i", head)[0] != 9994:
        raise PrescriptionError(
            f"this is no shapefile: it starts with {head[:20]!r}", where=where, cure="download or export it again"
        )
    promised = 2 * struct.unpack_from(">i", head, 24)[0]
    if promised > size:
        raise PrescriptionError(
            f"the shapefile is cut off: it promises {promised:,} bytes and holds {size:,}",
            where=where,
            cure=_EXPORT_AGAIN,
        )


def _siblings(path: Path, suffix: str) -> list[Path]:
    return [entry for entry in beside(path) if entry.suffix.casefold() == suffix and entry.is_file()]


def read_table(source: Source) -> tuple[geopandas.GeoDataFrame, Any, list[Fact]]:
    """Read a layer as it is, rings put in order by which lies inside which.

    Returns
    -------
    table : geopandas.GeoDataFrame
        All rows and columns.
    dbf : Dbf or None
        The raw records of a Shapefile.
    facts : list of Fact
        What the reading itself saw.

    Raises
    ------
    PrescriptionError
        If the layer cannot be read or is empty.
    """
    import geopandas

    facts: list[Fact] = []
    dbf, index = None, []
    if source.is_shapefile:
        dbf = read_dbf(_siblings(source.data, ".dbf")[0], where=source.where)
        index = _siblings(source.data, ".shx")
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        table, unclosed, badly_coded = _read(source)
    heard = {str(warning.message) for warning in caught}
    facts += [
        Fact("file", f"the file reader noticed: {text}")
        for text in sorted(heard)
        if not any(known in text for known in _KNOWN_WARNINGS)
    ]
    if unclosed:
        text = f"{unclosed} {subject().part}(s) had an outline that did not close; it was closed"
        facts.append(Fact("shape", text, unclosed))
    if badly_coded:
        facts.append(Fact("file", "the text in the .dbf is not in the code its .cpg claims; letters may look wrong"))
    if not len(table):
        what = f"the layer is empty: it has no {subject().part}s"
        raise PrescriptionError(what, where=source.where, cure=_EXPORT_AGAIN)
    assert isinstance(table, geopandas.GeoDataFrame)  # layers without shapes are not offered, other formats have them
    if dbf is None or not index:
        return table, None, facts
    gone = int(dbf.deleted.sum())
    shapes = (index[0].stat().st_size - 100) // 8
    if shapes != len(dbf.cells) or len(table) != len(dbf.cells) - gone:
        raise PrescriptionError(
            f"the .shp holds {shapes} shapes and the .dbf {len(dbf.cells)} records, so no rate can be given to a "
            f"{subject().part} for certain",
            where=source.where,
            cure=_EXPORT_AGAIN,
        )
    if gone:
        text = f"{gone} record(s) are marked as deleted and left out; rows are counted without them"
        facts.append(Fact("file", text, gone))
    turned = _turned_rings(table)
    if turned:
        facts.append(
            Fact(
                "shape",
                (
                    f"{turned} zone(s) have outlines or holes that run the wrong way round for a shapefile; "
                    "holes are told by which ring lies inside which"
                ),
                turned,
            )
        )
    return table, dbf, facts


def _turned_rings(table: Any) -> int:
    """Count shapes with a ring against the rule of the format: outlines clockwise, holes anticlockwise."""
    import shapely

    parts, row = shapely.get_parts(table.geometry.to_numpy(), return_index=True)
    rings, part = shapely.get_rings(parts, return_index=True)
    if not rings.size:
        return 0
    outline = np.r_[True, part[1:] != part[:-1]]
    points, ring = shapely.get_coordinates(rings, return_index=True)
    sound = np.ones(rings.size, dtype=bool)
    sound[ring[~np.isfinite(points).all(axis=1)]] = False  # such a ring has no direction, and GEOS raises
    turned = shapely.is_ccw(rings[sound]) == outline[sound]
    return int(np.unique(row[part[sound][turned]]).size)


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
    text = str(problem).split(";")[0].strip().rstrip(".")
    return PrescriptionError(f"the file cannot be read ({text})", where=where, cure=_EXPORT_AGAIN)
