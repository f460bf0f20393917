"""What makes a GeoPackage layer a finished map elsewhere: a default style, and titles and meanings of its columns.

Styles stand in the table ``layer_styles``, where GDAL and general desktop programs look for them, as Styled Layer
Descriptor [OGC 02-070, SLD 1.0.0]; columns in ``gpkg_data_columns`` [OGC 12-128r18, GeoPackage, annex F.9 "Schema"].
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from geoflow.base.schema import Column

__all__ = ["LayerStyle", "dress_layer"]

_TABLES: Final = """
CREATE TABLE IF NOT EXISTS layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256), f_table_schema TEXT(256),
  f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, styleSLD TEXT,
  useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30), update_time DATETIME);
CREATE TABLE IF NOT EXISTS gpkg_data_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT, mime_type TEXT,
  constraint_name TEXT, CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
  CONSTRAINT gdc_tn UNIQUE (table_name, name));
CREATE TABLE IF NOT EXISTS gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT, min NUMERIC, min_is_inclusive BOOLEAN,
  max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value));
"""
_SCHEMA: Final = "http://www.geopackage.org/spec121/#extension_schema"


@dataclass(frozen=True, slots=True)
class LayerStyle:
    """How a layer is drawn: the style's name, a sentence, and the SLD."""

    name: str
    meaning: str
    sld: str


def dress_layer(path: Path, layer: str, style: LayerStyle | None, columns: Iterable[Column]) -> None:
    """Give a layer of a GeoPackage its default style, and its columns their titles.

    Parameters
    ----------
    path : Path
        A GeoPackage that is being written.
    layer : str
        One of its layers.
    style : LayerStyle or None
        None leaves it without one.
    columns : iterable of Column
        Those the layer lacks are passed by; without any and without a style nothing is done.

    Raises
    ------
    sqlite3.Error
        If it cannot be written.
    """
    columns = tuple(columns)
    if style is None and not columns:
        return
    with contextlib.closing(sqlite3.connect(path)) as base, base:
        base.executescript(_TABLES)
        (changed,) = base.execute("SELECT last_change FROM gpkg_contents WHERE table_name = ?", (layer,)).fetchone()
        there = {name for _, name, *_ in base.execute(f'PRAGMA table_info("{layer}")')}
        base.executemany(
            "INSERT OR REPLACE INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, NULL)",
            [(layer, one.name, one.title, one.title, one.meaning) for one in columns if one.name in there],
        )
        for table in ("gpkg_data_columns", "gpkg_data_column_constraints"):
            if not base.execute("SELECT 1 FROM gpkg_extensions WHERE table_name = ?", (table,)).fetchone():
                extension = (table, None, "gpkg_schema", _SCHEMA, "read-write")
                base.execute("INSERT INTO gpkg_extensions VALUES (?, ?, ?, ?, ?)", extension)
        if style is not None:
            (geometry,) = base.execute(
                "SELECT column_name FROM gpkg_geometry_columns WHERE table_name = ?", (layer,)
            ).fetchone()
            base.execute(
                "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, "
                "styleName, styleQML, styleSLD, useAsDefault, description, owner, update_time) "
                "VALUES ('', '', ?, ?, ?, '', ?, 1, ?, '', ?)",
                (layer, geometry, style.name, style.sld, style.meaning, changed),
            )
            if not base.execute("SELECT 1 FROM gpkg_contents WHERE table_name = 'layer_styles'").fetchone():
                base.execute(
                    "INSERT INTO gpkg_contents (table_name, data_type, identifier, last_change) "
                    "VALUES ('layer_styles', 'attributes', 'layer_styles', ?)",
                    (changed,),
                )
