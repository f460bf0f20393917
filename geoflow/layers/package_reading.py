"""A large layer of a GeoPackage read whole by its columns, where that gives what reading it row by row does."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Final

from geoflow.layers.quad_layer import has_arrow

if TYPE_CHECKING:
    import geopandas

__all__ = ["read_whole_package"]

_MANY_ROWS: Final = 10_000  # from here on the quick way is worth its look at the types
# What the cells of a declared type hold; SQLite takes any value in any column, and GDAL's two ways differ on others.
_HELD: Final = {
    "REAL": ("real", "integer"),
    "DOUBLE": ("real", "integer"),
    "INTEGER": ("integer",),
    "MEDIUMINT": ("integer",),
    "TEXT": ("text",),
}
_WAL: Final = 2  # journal mode in a file's head [SQLite, "Database File Format", 1.3.3]


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _is_regular(path: Path, layer: str) -> bool:
    """Whether a layer has many rows, and all cells are numbers or text as their columns declare."""
    with path.open("rb") as file:
        head = file.read(20)
    if _WAL in head[18:20] or path.with_name(f"{path.name}-journal").exists():
        return False  # the latest changes may lie beside the file
    # Nothing is made beside a file that may be somebody's.
    with closing(sqlite3.connect(f"{path.resolve().as_uri()}?immutable=1", uri=True)) as base:
        shapes = base.execute("SELECT column_name FROM gpkg_geometry_columns WHERE table_name = ?", (layer,)).fetchone()
        described = base.execute(f"PRAGMA table_info({_quoted(layer)})").fetchall()
        keys = {name for _, name, _, _, _, key in described if key}
        columns = {name: str(kind).upper() for _, name, kind, *_ in described if name not in {*keys, *(shapes or ())}}
        if shapes is None or len(keys) != 1 or not set(columns.values()) <= _HELD.keys():
            return False
        odd = ["0"]
        for name, kind in columns.items():
            cell, held = _quoted(name), ", ".join(f"'{one}'" for one in (*_HELD[kind], "null"))
            odd.append(f"typeof({cell}) NOT IN ({held})" + (f" OR instr({cell}, char(0))" if kind == "TEXT" else ""))
        rows, strange = base.execute(f"SELECT count(*), total({' OR '.join(odd)}) FROM {_quoted(layer)}").fetchone()
    return bool(rows >= _MANY_ROWS and not strange)


def read_whole_package(path: Path, layer: str) -> geopandas.GeoDataFrame | None:
    """Read a layer by its columns; None where that is not sure to give what reading by rows does, or fails.

    Parameters
    ----------
    path : Path
        The GeoPackage.
    layer : str
        In it.
    """
    import pyogrio
    import shapely

    if not has_arrow():
        return None
    try:
        return pyogrio.read_dataframe(path, layer=layer, use_arrow=True) if _is_regular(path, layer) else None
    except (sqlite3.Error, RuntimeError, ValueError, UnicodeError, shapely.errors.GEOSException):
        return None  # the plain way says what is wrong
