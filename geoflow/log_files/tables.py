"""Opening a log: a CSV of any dialect, a Shapefile, GeoJSON, GeoPackage or (Geo)Parquet as one table."""

from __future__ import annotations

import io
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.errors import LogError, install
from geoflow.base.spelling import nearest
from geoflow.base.subject import LOG, called, reading
from geoflow.files.inputs import is_companion
from geoflow.ground.latency import Latency
from geoflow.isoxml.task_files import is_taskdata
from geoflow.isoxml.time_logs import read_task_log
from geoflow.layers.memory import shapes_in_memory, whole_table
from geoflow.layers.notes import Note, rows_text
from geoflow.layers.number_cells import NO_DATA, parse_numbers
from geoflow.layers.parquet import refuse_undecodable
from geoflow.layers.vector_source import FORMATS, open_source, read_table
from geoflow.log_files.csv_text import HEAD, csv_text, encoding_of

if TYPE_CHECKING:
    import pandas
    import pyproj

    from geoflow.layers.dbf import Dbf

__all__ = ["LATENCY", "PLAIN_BYTES", "LogTable", "read_log_table"]

_TEXT: Final = {".csv", ".txt", ".tsv"}
_PARQUET: Final = {".parquet", ".geoparquet", ".pq"}
LATENCY: Final = b"geoflow latency"
"""Key under which a Parquet file that was split off task data keeps what the machine states of its own times."""
PLAIN_BYTES: Final = np.isin(np.arange(256), np.frombuffer(b"0123456789+-.eE *\0", dtype=np.uint8))


@dataclass(frozen=True, eq=False)
class LogTable:
    """A log as a table, before anything is understood.

    Attributes
    ----------
    where : str
        The file, for errors.
    file_format : str
        ``"csv"``, ``"parquet"``, ``"table"`` or one of the values of `geoflow.layers.vector_source.FORMATS`.
    names : list of str
        Columns in file order, the shapes apart.
    columns : list of Series
        Their cells.
    shapes : ndarray of object or None
        Points or polygons; None where the position stands in columns.
    crs : pyproj.CRS or None
        What the file says of them.
    notes : list of Note
        What the reading saw.
    dbf : Dbf or None
        Raw records of a Shapefile.
    roles : mapping of str to (str, str or None)
        Roles whose column and unit the format itself fixes.
    latency : Latency or None
        What the machine states of its own.
    """

    where: str
    file_format: str
    names: list[str]
    columns: list[pandas.Series[Any]]
    shapes: Any
    crs: pyproj.CRS | None
    notes: list[Note]
    dbf: Dbf | None = None
    roles: Mapping[str, tuple[str, str | None]] = field(default_factory=dict)
    latency: Latency | None = None

    @property
    def rows(self) -> int:
        """Number of rows."""
        return len(self.columns[0]) if self.columns else len(self.shapes)

    def is_number(self, index: int) -> bool:
        """Whether a column holds numbers, not text or dates.

        Parameters
        ----------
        index : int
            The column.
        """
        return self.columns[index].dtype.kind in "iuf"

    def numbers(self, index: int, notes: list[Note] | None = None) -> FloatArray:
        """Numbers of a column, NaN where there is none or a mark of no data such as -9999.

        Parameters
        ----------
        index : int
            The column.
        notes : list of Note, optional
            Brought up to date.

        Raises
        ------
        LogError
            If it holds none, or numbers like "1,200" that can be read in two ways.
        """
        name, column = self.names[index], self.columns[index]
        raw = self._odd_dbf_text(index)
        if raw is None and column.dtype.kind in "iufb":
            values = column.to_numpy(dtype=np.float64, copy=True)
        else:
            cells = raw if raw is not None else column.to_numpy(dtype=object, na_value=None)
            read = parse_numbers(cells)
            unclear = np.flatnonzero(read.ambiguous)
            if unclear.size:
                raise LogError(
                    f"'{name}' holds numbers like 1,200 that may mean 1200 or 1.2",
                    where=f"{self.where}, {rows_text(unclear)}",
                    cure="write them in the file with a decimal point, as 1200 or 1.2",
                )
            if not read.mostly_numbers and not read.missing.all():
                bad = np.flatnonzero(read.unreadable)
                raise LogError(
                    f"the column '{name}' holds no numbers",
                    where=f"{self.where}, {rows_text(bad, 3)}",
                    cure="give --column another column for this role",
                )
            if notes is not None:
                notes += _text_notes(name, read)
            values = read.values.copy()
        values[np.isin(values, NO_DATA) | ~np.isfinite(values)] = np.nan
        return np.asarray(values)

    def _odd_dbf_text(self, index: int) -> Any:
        """Raw text of a DBF column GDAL may misread ("120,5" as 120), or None where its bytes are plain numbers."""
        if self.dbf is None or len(self.dbf.fields) != len(self.names) or self.dbf.fields[index].kind not in "NF":
            return None
        field = self.dbf.fields[index]
        cells = self.dbf.cells[:, field.start : field.start + field.width]
        return None if bool(PLAIN_BYTES[cells].all()) else self.dbf.text(index)


def _text_notes(name: str, read: Any) -> list[Note]:
    notes = []
    commas, bad = np.flatnonzero(read.comma), np.flatnonzero(read.unreadable)
    if commas.size:
        notes.append(Note("numbers", f"'{name}' writes decimals with a comma; 120,5 is read as 120.5", commas.size))
    if bad.size:
        notes.append(Note("numbers", f"'{name}' holds no number in {rows_text(bad)}", bad.size))
    for suffix, rows in read.suffixes.items():
        said = " ".join(part for part in suffix if part)
        notes.append(Note("numbers", f"'{name}' writes '{said}' behind the number in {rows_text(rows)}", len(rows)))
    return notes


def read_log_table(given: Any, layer: str | None, *, take_as_ammonia: bool = False) -> LogTable:
    """Open a log of any format.

    Parameters
    ----------
    given : Path, str, GeoDataFrame or DataFrame
        The file, a folder of task data, or the records themselves.
    layer : str or None
        Which of its layers or tasks.
    take_as_ammonia : bool
        Whether the user says that the product of task data is ammonia.

    Raises
    ------
    LogError
        If the file is missing, damaged, empty, or of another format.
    """
    if not isinstance(given, str | os.PathLike):
        return _of_memory(given, layer)
    path = Path(given)
    if is_taskdata(path):
        log = read_task_log(path, layer=layer, take_as_ammonia=take_as_ammonia)
        return LogTable(
            log.where, "task data", log.names, log.columns, None, None, list(log.notes),
            roles=log.roles, latency=log.latency,
        )  # fmt: skip
    suffix, where = path.suffix.casefold(), called(path)
    if path.is_file() and suffix in _TEXT | _PARQUET:
        if path.stat().st_size == 0:
            raise LogError("the file is empty", where=where, cure="copy or export it again")
        if layer is not None:
            raise LogError("a table has no layers", where=f"{where}, --layer {layer}", cure="leave --layer out")
        return _read_csv(path, where) if suffix in _TEXT else _read_parquet(path, where)
    _refuse_other_formats(path, where)
    with reading(LOG), open_source(path, layer) as source:
        table, dbf, notes = read_table(source)
    return _of_frame(table, where, source.file_format, notes, dbf)


def _of_memory(given: Any, layer: str | None) -> LogTable:
    import pandas

    where = called(given)
    if not isinstance(given, pandas.DataFrame) or not len(given):
        raise LogError(
            "it holds no records", where=where, cure="give a file, a GeoDataFrame, or a DataFrame with lon and lat"
        )
    if layer is not None:
        raise LogError("a table has no layers", where=f"{where}, --layer {layer}", cure="leave --layer out")
    table = whole_table(given)
    return _of_frame(table, where, "table", [], None) if shapes_in_memory(given) else _of_columns(table, where, "table")


def _of_columns(table: Any, where: str, file_format: str) -> LogTable:
    columns = [table.iloc[:, at] for at in range(table.shape[1])]
    return LogTable(where, file_format, [str(name) for name in table.columns], columns, None, None, [])


def _refuse_other_formats(path: Path, where: str) -> None:
    if not path.exists():
        siblings = [entry.name for entry in path.parent.iterdir()] if path.parent.is_dir() else []
        raise LogError(
            f"there is no such file{nearest(path.name, siblings)}", where=where, cure="check the name and folder"
        )
    if path.is_file() and path.suffix.casefold() not in FORMATS and not is_companion(path.name):
        raise LogError(f"'{path.suffix}' is no format of a log here", where=where, cure=f"give {LOG.formats}")


def _of_frame(table: Any, where: str, file_format: str, notes: list[Note], dbf: Dbf | None) -> LogTable:
    shape_at = table.columns.get_loc(table.geometry.name)
    kept = [at for at in range(table.shape[1]) if at != shape_at]
    crs = table.crs
    if crs is not None and (crs.is_engineering or crs.name.casefold().startswith("undefined")):
        crs = None
    shapes = np.array(table.geometry.array, dtype=object)
    names = [str(table.columns[at]) for at in kept]
    return LogTable(where, file_format, names, [table.iloc[:, at] for at in kept], shapes, crs, notes, dbf)


def _read_parquet(path: Path, where: str) -> LogTable:
    try:
        import pyarrow.parquet  # type: ignore[import-not-found, import-untyped, unused-ignore]
    except ImportError as problem:
        raise LogError(
            "reading Parquet needs the library pyarrow, which is not installed",
            where=where,
            cure=f"{install('parquet')}, or export the log as .csv or .gpkg",
        ) from problem
    import geopandas
    import pandas
    import shapely

    try:
        meta = pyarrow.parquet.read_schema(path).metadata or {}
        refuse_undecodable(path)
        table = geopandas.read_parquet(path) if b"geo" in meta else pandas.read_parquet(path)
    except (
        OSError,
        ValueError,
        KeyError,
        TypeError,
        pyarrow.lib.ArrowException,
        shapely.errors.GEOSException,
    ) as problem:
        raise LogError(
            f"the file cannot be read as Parquet ({problem})", where=where, cure="export it again"
        ) from problem
    if not len(table):
        raise LogError("the file holds no records", where=where, cure="export the log again")
    whole = isinstance(table, geopandas.GeoDataFrame)
    log = _of_frame(table, where, "parquet", [], None) if whole else _of_columns(table, where, "parquet")
    return replace(log, latency=Latency(**json.loads(meta[LATENCY]))) if LATENCY in meta else log


def _read_csv(path: Path, where: str) -> LogTable:
    data = path.read_bytes()
    text = csv_text(data[:HEAD], encoding_of([data]), where)
    (table,) = text.chunks(io.BytesIO(data))
    return _filled_table(table, text.names, where, text.notes())


def _filled_table(table: pandas.DataFrame, names: list[str], where: str, notes: list[Note]) -> LogTable:
    """The table without the empty lines at its end."""
    filled = np.flatnonzero(table.notna().any(axis=1))
    if not filled.size:
        raise LogError("the file holds names of columns but no records", where=where, cure="export the log again")
    table = table.iloc[: filled[-1] + 1]
    return LogTable(where, "csv", names, [table[at] for at in range(len(names))], None, None, notes)
