"""Zones with verdicts or rates as a GeoPackage, Shapefile, GeoJSON, FlatGeobuf or GeoParquet."""

from __future__ import annotations

import contextlib
import errno
import json
import shutil
import sqlite3
import struct
import warnings
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

from geoflow.base.errors import OutputError
from geoflow.base.schema import COLUMNS, PLAN_COLUMNS
from geoflow.files.output import disk_error
from geoflow.layers.dbf_columns import add_dbf_columns, fits_dbf, write_dbf
from geoflow.layers.outline_files import are_outlines, write_outlines
from geoflow.layers.package_tables import LayerStyle, dress_layer
from geoflow.layers.parquet import rows_in_parquet, write_parquet
from geoflow.layers.quad_layer import has_arrow

if TYPE_CHECKING:
    from geopandas import GeoDataFrame
    from numpy.typing import NDArray

__all__ = ["GEOJSON_DECIMALS", "SHORT_NAME", "Driver", "write_zones"]

Driver = Literal["GPKG", "ESRI Shapefile", "GeoJSON", "FlatGeobuf", "Parquet"]

GEOJSON_DECIMALS: Final = 9
"""Decimals of a degree in GeoJSON: a tenth of a millimetre, so that a cell of 10 m keeps its area to 1 in 10,000."""
SHORT_NAME: Final = 10
"""Bytes of a Shapefile's column name [GDAL Shapefile driver page; dBASE III+ field layout]."""

_DBF_TEXT: Final = 254
_MANY_ROWS: Final = 10_000  # from here on the quick ways are worth what they take to begin


def _cut(text: str, size: int) -> str:
    """Cut text to at most `size` bytes of UTF-8 without splitting a character."""
    return text.encode()[:size].decode(errors="ignore")


def _free_name(name: str, taken: set[str], driver: Driver) -> str:
    """Return `name`, cut and with a digit where needed so that it is not taken; and take it."""
    size = SHORT_NAME if driver == "ESRI Shapefile" else 1000
    tail, count = "", 1
    while True:
        free = _cut(name, size - len(tail)) + tail
        key = free if driver == "GeoJSON" else free.casefold()
        if key not in taken:
            taken.add(key)
            return free
        count += 1
        tail = str(count)


def _column_names(mine: list[str], ours: list[str], driver: Driver) -> list[str]:
    """Names for the user's columns: kept where possible, never clashing with ours or each other."""
    taken = {name if driver == "GeoJSON" else name.casefold() for name in (*ours, "geometry")}
    # Names that fit keep theirs; only then are long ones cut, so that a cut never pushes a good name aside.
    fits = [driver != "ESRI Shapefile" or len(name.encode()) <= SHORT_NAME for name in mine]
    order = sorted(range(len(mine)), key=lambda i: not fits[i])
    free = {i: _free_name(mine[i], taken, driver) for i in order}
    return [free[i] for i in range(len(mine))]


def _as_text(value: Any) -> str | None:
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, list | dict | tuple | np.ndarray):
        return json.dumps(value.tolist() if isinstance(value, np.ndarray) else value, default=str)
    return None if value is None or value != value else str(value)


def _storable(series: Any, driver: Driver) -> Any:
    """Turn a column into one the format can hold without changing any value."""
    import pandas as pd

    if isinstance(series.dtype, pd.CategoricalDtype):
        series = series.astype(series.cat.categories.dtype)
    kind = series.dtype.kind
    if kind in "iuf":
        return _storable_numbers(series, driver == "ESRI Shapefile")
    if kind in "mc":
        return series.map(_as_text).astype(object)
    if kind != "O" or isinstance(series.dtype, pd.StringDtype):
        return series
    found = pd.api.types.infer_dtype(series, skipna=True)
    if found in {"boolean", "integer", "floating", "mixed-integer-float"}:
        return series.astype({"boolean": "boolean", "integer": "Int64"}.get(found, float))
    return series if found in {"string", "empty", "date", "time", "datetime"} else series.map(_as_text)


def _storable_numbers(series: Any, shapefile: bool) -> Any:
    """Return numbers as they are, or as text where the format or its readers would round them."""
    import pandas as pd

    if series.dtype.kind == "f":
        # A DBF real has 24 places, 15 of them decimals: a very large number would be written wrong.
        large = shapefile and bool((series.abs() >= 1e15).any())
        return series.map(_as_text).astype(object) if large else series
    top = max((abs(int(end)) for end in (series.min(), series.max()) if not pd.isna(end)), default=0)
    # DBF whole numbers have 18 digits, and readers take long ones for floats.
    return series.astype(str) if top >= (2**53 if shapefile else 2**63) else series


def _shorten(series: Any) -> tuple[Any, int]:
    """Cut texts that a DBF cannot hold; return the column and how many were cut."""
    if series.dtype.kind != "O":
        return series, 0
    texts = series.tolist()
    # A character has at most four bytes, so short texts need no look; of many rows few say another one.
    long = {
        text: _cut(text, _DBF_TEXT)
        for text in set(texts)
        if isinstance(text, str) and len(text) > _DBF_TEXT // 4 and len(text.encode()) > _DBF_TEXT
    }
    if not long:
        return series, 0
    return type(series)([long.get(text, text) for text in texts], dtype=object), sum(text in long for text in texts)


def _assemble(
    table: GeoDataFrame, columns: Mapping[str, NDArray[Any]], driver: Driver, note: Callable[[str], None]
) -> tuple[GeoDataFrame, dict[str, str], list[str]]:
    """Build the layer to write; return it, the user's columns that had to change their name, and ours."""
    import geopandas as gpd

    short = {column.name: column.short for column in (*COLUMNS, *PLAN_COLUMNS)} if driver == "ESRI Shapefile" else {}
    ours = {short.get(name, name): _our_column(values) for name, values in columns.items()}
    own = table.drop(columns=table.geometry.name).reset_index(drop=True)
    asked = [str(name) for name in own.columns]
    names = _column_names([name or "column" for name in asked], list(ours), driver)
    layer = {name: _storable(own.iloc[:, at], driver) for at, name in enumerate(names)} | ours
    for name, series in layer.items() if driver == "ESRI Shapefile" else ():
        layer[name], count = _shorten(series)
        if count:
            note(f"column '{name}': {count} texts cut at {_DBF_TEXT} bytes, the most a Shapefile holds")
    frame = gpd.GeoDataFrame(layer, geometry=table.geometry.to_numpy(), crs=table.crs)
    return frame, {old: new for old, new in zip(asked, names, strict=True) if old != new}, list(ours)


def _our_column(values: NDArray[Any]) -> Any:
    import pandas as pd

    if values.dtype.kind not in "OU":
        return pd.Series(values)
    texts = values.astype(object)
    texts[texts == ""] = None
    return pd.Series(texts, dtype=object)


def _write(frame: GeoDataFrame, path: Path, driver: Driver, ours: list[str]) -> None:
    """Have GDAL write a layer, many rows in the quickest way that gives the same file."""
    import pyogrio

    def write(some: GeoDataFrame, **more: Any) -> None:
        with _without_journal() if driver == "GPKG" else contextlib.nullcontext():
            pyogrio.write_dataframe(some, path, driver=driver, **_options(some, driver), **more)

    if len(frame) < _MANY_ROWS or not _is_plain(frame):
        write(frame)
        return
    columns = {name: frame[name].to_numpy() for name in frame.columns if name != frame.geometry.name}
    added = {name: columns[name] for name in ours}
    if driver == "ESRI Shapefile" and are_outlines(shapes := frame.geometry.to_numpy()):
        # What says the coordinate system, the text's code and how wide the columns are.
        write(frame.iloc[:1])
        if not (write_dbf(path.with_suffix(".dbf"), columns) and write_outlines(path, shapes)):
            write(frame)
    elif driver == "ESRI Shapefile" and len(columns) > len(ours) and fits_dbf(added):
        write(frame.drop(columns=ours))
        add_dbf_columns(path.with_suffix(".dbf"), added)
    elif has_arrow():
        # Of our texts a few say most, and each is handed over once.
        texts = [name for name in ours if frame[name].dtype.kind == "O" and frame[name].notna().any()]
        write(frame.assign(**{name: frame[name].astype("category") for name in texts}), use_arrow=True)
    else:
        write(frame)


@contextlib.contextmanager
def _without_journal() -> Iterator[None]:
    """Have SQLite neither journal nor wait for the disk: what is staged is thrown away where anything fails."""
    import pyogrio

    wanted = {"OGR_SQLITE_SYNCHRONOUS": "OFF", "OGR_SQLITE_JOURNAL": "OFF"}
    before = {name: pyogrio.get_gdal_config_option(name) for name in wanted}
    pyogrio.set_gdal_config_options(wanted)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)


def _is_plain(frame: GeoDataFrame) -> bool:
    """Whether all columns are doubles, whole numbers or text, which are written alike in every way."""
    import pandas as pd

    columns = [frame[name] for name in frame.columns if name != frame.geometry.name]
    return all(
        str(one.dtype) in {"float64", "int64", "int32"}
        or (one.dtype.kind == "O" and pd.api.types.infer_dtype(one, skipna=True) in {"string", "empty"})
        for one in columns
    )


def _options(frame: GeoDataFrame, driver: Driver) -> dict[str, Any]:
    """What GDAL is told about a new file."""
    known: dict[Driver, dict[str, Any]] = {
        "ESRI Shapefile": {"encoding": "UTF-8"},
        "GeoJSON": {"RFC7946": "YES", "COORDINATE_PRECISION": GEOJSON_DECIMALS},
        "FlatGeobuf": {"SPATIAL_INDEX": "NO"},
    }
    options = known.get(driver, {})
    if driver == "GPKG":
        taken = {str(name).casefold() for name in frame.columns}
        options = {"layer": "zones", "FID": _free_name("fid", taken, driver)}
        options["GEOMETRY_NAME"] = _free_name("geom", taken, driver)
    if bool(frame.geometry.isna().all()):
        options["geometry_type"] = "Polygon"
    return options


def write_zones(
    path: Path,
    table: GeoDataFrame,
    columns: Mapping[str, NDArray[Any]],
    *,
    driver: Driver,
    note: Callable[[str], None] | None = None,
    style: LayerStyle | None = None,
) -> dict[str, str]:
    """Write the zones as read, with our columns behind them.

    A column of ours keeps its name (a verdict in a Shapefile: its short one from `schema`); a column of the
    user that clashes with one, or whose name the format cannot take, gets a shorter name or a digit. GeoJSON is written
    in WGS 84 as RFC 7946 wants. FlatGeobuf is written without its index, which would put the zones in another order.

    Parameters
    ----------
    path : Path
        A new file, from `OutputFolder.stage`.
    table : GeoDataFrame
        The layer as read, in any CRS; null geometry stays.
    columns : mapping of str to ndarray
        Name to values, one per row, in the units the names say; ``None`` or ``""`` (text) and NaN become null. A name
        that is not in `schema` has at most `SHORT_NAME` bytes for a Shapefile.
    driver : str
        ``"GPKG"`` (the layer is called ``zones``), ``"ESRI Shapefile"``, ``"GeoJSON"``, ``"FlatGeobuf"`` or
        ``"Parquet"`` (with the optional library pyarrow).
    note : callable, optional
        Called with one sentence for anything the format could not hold in full.
    style : LayerStyle, optional
        What a GeoPackage carries for other programs to draw it with.

    Returns
    -------
    dict of str to str
        The user's columns that were renamed, old name to new.

    Raises
    ------
    OutputError
        If the file cannot be written whole, or GeoJSON is asked for zones whose CRS is unknown.
    """
    if driver == "GeoJSON":
        if table.crs is None:
            raise OutputError(
                "GeoJSON needs longitude and latitude, and the coordinate system of the zones is not known",
                where=path.name,
                cure="give the input a .prj file, or write another format",
            )
        table = table.to_crs(4326)
    frame, renamed, ours = _assemble(table, columns, driver, note or (lambda sentence: None))
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # _assemble has already met what GDAL would warn of
            if driver == "Parquet":
                write_parquet(path, frame)
            else:
                _write(frame, path, driver, ours)
            if driver == "GPKG":
                dress_layer(path, "zones", style, [one for one in (*COLUMNS, *PLAN_COLUMNS) if one.name in columns])
        # A full disk passes GDAL by in silence when the file is closed.
        if not _IS_WHOLE[driver](path, len(frame)):
            raise RuntimeError("the file on the disk is incomplete")
    except (RuntimeError, ValueError, OSError, sqlite3.Error, struct.error) as problem:  # pyogrio: RuntimeError
        if isinstance(problem, OSError) or shutil.disk_usage(path.parent).free < 2**20:
            full = problem if isinstance(problem, OSError) else OSError(errno.ENOSPC, "")
            raise disk_error(full, Path(path.name)) from problem
        what, cure = f"the zones could not be written: {problem}", "write another format, or check the disk"
        raise OutputError(what, where=path.name, cure=cure) from problem
    return renamed


def _is_whole_package(path: Path, rows: int) -> bool:
    with contextlib.closing(sqlite3.connect(path)) as base:
        counted = base.execute("SELECT count(*) FROM zones").fetchone()[0]
        indexed = base.execute("SELECT count(*) FROM sqlite_master WHERE name LIKE 'rtree_zones%'").fetchone()[0]
    return bool(counted == rows and indexed > 0)


def _is_whole_shapefile(path: Path, rows: int) -> bool:
    # Lengths stated in the headers: dBASE III field layout, and the published Shapefile description (1998), p. 4.
    table = path.with_suffix(".dbf")
    count, head, width = struct.unpack("<IHH", _bytes(table, 4, 8))
    whole = count == rows and min(head, width) > 0 and table.stat().st_size >= head + count * width
    stated = ((part.stat().st_size, 2 * struct.unpack(">I", _bytes(part, 24, 4))[0])
              for part in (path, path.with_suffix(".shx")))  # fmt: skip
    return whole and all(size == promised for size, promised in stated)


def _is_whole_geojson(path: Path, rows: int) -> bool:
    return b"".join(_bytes(path, max(0, path.stat().st_size - 64), 64).split()).endswith((b"}]}", b"[]}"))


def _is_whole_flatgeobuf(path: Path, rows: int) -> bool:
    import pyogrio

    return len(pyogrio.raw.read(path, columns=[])[2]) == rows


_IS_WHOLE: Final[dict[Driver, Callable[[Path, int], bool]]] = {
    "GPKG": _is_whole_package,
    "ESRI Shapefile": _is_whole_shapefile,
    "GeoJSON": _is_whole_geojson,
    "FlatGeobuf": _is_whole_flatgeobuf,
    "Parquet": lambda path, rows: rows_in_parquet(path) == rows,
}


def _bytes(path: Path, start: int, count: int) -> bytes:
    with path.open("rb") as file:
        file.seek(start)
        return file.read(count)
