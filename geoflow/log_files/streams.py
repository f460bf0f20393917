"""A log read piece by piece, however long it is, and its records dealt out into files of the same content."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol

import numpy as np

from geoflow.base.arrays import IntArray
from geoflow.base.errors import LogError
from geoflow.base.subject import LOG, called, reading
from geoflow.isoxml.task_files import is_taskdata, open_taskdata
from geoflow.layers.dbf import Dbf, read_dbf
from geoflow.layers.shapefile import shapefile_parts
from geoflow.layers.vector_source import FORMATS, Source, open_source
from geoflow.log_files.tables import LATENCY, PLAIN_BYTES, LogTable, read_log_table
from geoflow.log_files.text_streams import TEXT, TextLog

if TYPE_CHECKING:
    import pyproj

__all__ = ["LogStream", "layers_of", "open_log"]

_SAMPLE: Final = 50_000  # records by which columns are told
_BATCH: Final = 65_536
_HELD: Final = 400_000  # records kept back before they are written
_FEW: Final = 30_000  # records of one file that are worth a part of it
_PARQUET: Final = {".parquet", ".geoparquet", ".pq"}
_Target = Callable[[int], Path]


class LogStream(Protocol):
    """A log that is open.

    Attributes
    ----------
    ending : str
        Of the files its records are dealt out into.
    blanks : int
        Lines at its end with nothing in them, which are no records.
    """

    ending: str
    blanks: int

    def sample(self) -> LogTable:
        """Return the first records with all columns."""

    def tables(self, columns: list[int]) -> Iterator[LogTable]:
        """Yield the log in parts, with some of its columns and its shapes.

        Parameters
        ----------
        columns : list of int
            Places of the columns.
        """

    def deal(self, file: IntArray, target: _Target) -> None:
        """Write each record into the file it belongs to, as it is.

        Parameters
        ----------
        file : ndarray of int, shape (records,)
            Number of its file for each record.
        target : callable
            Number of a file to its path.
        """


def layers_of(path: Path, layer: str | None) -> list[str | None]:
    """Return the tasks of task data that have a log, where none is named; else just the layer.

    Parameters
    ----------
    path : Path
        The log.
    layer : str or None
        What is said of it.
    """
    if layer is not None or not is_taskdata(path):
        return [layer]
    with reading(LOG):
        tasks = [task.text("A") for task in open_taskdata(path).root.all("TSK") if task.all("TLG")]
    return list(tasks) if len(tasks) > 1 else [None]


@contextlib.contextmanager
def open_log(path: Path, layer: str | None, *, take_as_ammonia: bool = False) -> Iterator[LogStream]:
    """Open a log of any format.

    Parameters
    ----------
    path : Path
        The log.
    layer : str or None
        Which of its layers or tasks.
    take_as_ammonia : bool
        Whether the product of task data is ammonia, whatever its name.

    Raises
    ------
    LogError
        If it is missing, damaged, empty, or of another format.
    """
    suffix, where = path.suffix.casefold(), called(path)
    table = path.is_file() and path.stat().st_size > 0 and layer is None
    if table and suffix in TEXT:
        with TextLog.opened(path, where) as text:
            yield text
    elif table and suffix in _PARQUET and (log := _parquet_log(path, where)) is not None:
        yield log
    elif path.is_file() and suffix in FORMATS and not is_taskdata(path):
        with reading(LOG), open_source(path, layer) as source:
            yield _layer_log(source)
    else:
        yield _whole_log(read_log_table(path, layer, take_as_ammonia=take_as_ammonia))


@dataclass(eq=False)
class _ArrowLog:
    """A log whose records come in Arrow's batches.

    Attributes
    ----------
    start : LogTable
        What it is, without records: names, coordinate system, roles.
    schema : pyarrow.Schema
        Of the batches, as it is written.
    shape : str or None
        Column of shapes as WKB.
    batches : callable
        Begins anew each time.
    """

    start: LogTable
    schema: Any
    shape: str | None
    batches: Callable[[], Iterator[Any]]
    ending: str = ".parquet"
    blanks: int = 0

    def _table(self, batch: Any, columns: list[int] | None = None) -> LogTable:
        import shapely

        kept = range(len(self.start.names)) if columns is None else columns
        names = [self.start.names[at] for at in kept]
        frame = batch.select(names).to_pandas()
        shapes = None
        if self.shape is not None:
            shapes = shapely.from_wkb(batch.column(self.shape).to_numpy(zero_copy_only=False), on_invalid="ignore")
        return replace(self.start, names=names, columns=[frame.iloc[:, at] for at in range(len(names))], shapes=shapes)

    def sample(self) -> LogTable:
        import pyarrow

        parts, rows = [], 0
        for batch in self.batches():
            parts.append(batch)
            rows += batch.num_rows
            if rows >= _SAMPLE:
                break
        if not rows:
            raise LogError("the file holds no records", where=self.start.where, cure="export the log again")
        return self._table(pyarrow.Table.from_batches(parts).combine_chunks().to_batches()[0])

    def tables(self, columns: list[int]) -> Iterator[LogTable]:
        return (self._table(batch, columns) for batch in self.batches())

    def deal(self, file: IntArray, target: _Target) -> None:
        with contextlib.ExitStack() as opened:
            piles = _Piles(self.schema, target, opened)
            begin = 0
            for batch in self.batches():
                own = file[begin : begin + batch.num_rows]
                begin += batch.num_rows
                for number in np.unique(own).tolist():
                    mask = own == number
                    piles.put(number, batch if mask.all() else batch.take(np.flatnonzero(mask)))
            piles.flush(0)


class _Piles:
    """Records waiting to be written, by file; a Parquet file of thousands of small parts would read slowly."""

    def __init__(self, schema: Any, target: _Target, opened: contextlib.ExitStack) -> None:
        self._schema, self._target, self._opened = schema, target, opened
        self._files: dict[int, Any] = {}
        self._waiting: dict[int, list[Any]] = {}
        self._rows: dict[int, int] = {}

    def put(self, number: int, batch: Any) -> None:
        """Add records of a file."""
        self._waiting.setdefault(number, []).append(batch)
        self._rows[number] = self._rows.get(number, 0) + batch.num_rows
        if sum(self._rows.values()) > _HELD:
            self.flush(_FEW)
            if sum(self._rows.values()) > _HELD:
                self.flush(0)

    def flush(self, least: int) -> None:
        """Write the files of which so many records wait."""
        import pyarrow.parquet

        for number in [number for number, rows in self._rows.items() if rows > least]:
            if number not in self._files:
                file = pyarrow.parquet.ParquetWriter(self._target(number), self._schema, compression="zstd")
                self._files[number] = self._opened.enter_context(file)
            self._files[number].write_table(pyarrow.Table.from_batches(self._waiting.pop(number), self._schema))
            del self._rows[number]


def _said_of_shapes(column: str, crs: pyproj.CRS | None) -> dict[bytes, bytes]:
    """What GeoParquet 1.0 says of a column of shapes."""
    said: dict[str, Any] = {"encoding": "WKB", "geometry_types": [], "crs": None if crs is None else crs.to_json_dict()}
    return {b"geo": json.dumps({"version": "1.0.0", "primary_column": column, "columns": {column: said}}).encode()}


def _parquet_log(path: Path, where: str) -> _ArrowLog | None:
    """A Parquet file; None where it has to be read as a whole, which also says what is wrong with it."""
    import pyarrow.parquet
    import pyproj

    try:
        with pyarrow.parquet.ParquetFile(path) as file:
            schema = file.schema_arrow
            meta = dict(schema.metadata or {})
            geo = json.loads(meta.get(b"geo", b"null"))
            pandas_index = json.loads(meta.pop(b"pandas", b"{}")).get("index_columns", [])
            shape, crs = None, None
            if geo is not None:
                shape = geo["primary_column"]
                about = geo["columns"][shape]
                if about["encoding"] != "WKB":
                    return None
                said = about.get("crs", "OGC:CRS84")
                crs = None if said is None else pyproj.CRS.from_user_input(said)
                meta |= _said_of_shapes(shape, crs)
    except (OSError, ValueError, KeyError, TypeError, pyarrow.ArrowException, pyproj.exceptions.CRSError):
        return None
    kept = [name for name in schema.names if name not in pandas_index]
    start = LogTable(where, "parquet", [name for name in kept if name != shape], [], None, crs, [])
    written = pyarrow.schema([schema.field(name) for name in kept], metadata=meta)

    def batches() -> Iterator[Any]:
        try:
            with pyarrow.parquet.ParquetFile(path) as file:
                for batch in file.iter_batches(_BATCH, columns=kept):
                    batch.validate(full=True)
                    yield batch.select(kept)
        except (OSError, pyarrow.ArrowException) as problem:
            raise LogError(
                f"the file cannot be read as Parquet ({problem})", where=where, cure="export it again"
            ) from problem

    return _ArrowLog(start, written, shape, batches)


def _layer_log(source: Source) -> _ArrowLog:
    """A layer of a vector file."""
    import pyarrow
    import pyogrio
    import pyproj

    layer = source.layer if source.data.suffix.casefold() == ".gpkg" else None
    broken = (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, pyogrio.errors.FieldError,
              pyogrio.errors.GeometryError, pyogrio.errors.CRSError, pyarrow.ArrowException)  # fmt: skip

    @contextlib.contextmanager
    def opened() -> Iterator[tuple[Any, Any]]:
        try:
            with pyogrio.open_arrow(source.data, layer=layer, batch_size=_BATCH, use_pyarrow=True) as both:
                yield both[0], both[1]
        except broken as problem:
            cure = "export the log again"
            raise LogError(f"the file cannot be read ({problem})", where=source.where, cure=cure) from problem

    with opened() as (meta, reader):
        schema, shape = reader.schema, meta["geometry_name"] or "wkb_geometry"
        crs = None if meta["crs"] is None else pyproj.CRS.from_user_input(meta["crs"])
    if crs is not None and (crs.is_engineering or crs.name.casefold().startswith("undefined")):
        crs = None
    dbf = (
        read_dbf(shapefile_parts(source.data, ".dbf")[0], where=source.where, mapped=True)
        if source.is_shapefile
        else None
    )
    odd = [] if dbf is None else _odd_columns(dbf)
    names = [name for name in schema.names if name != shape]
    fields = [
        pyarrow.field(field.name, pyarrow.string()) if field.name in {names[at] for at in odd} else
        pyarrow.field(field.name, field.type) for field in schema
    ]  # fmt: skip
    written = pyarrow.schema(fields, metadata=_said_of_shapes(shape, crs))

    def batches() -> Iterator[Any]:
        kept = None if dbf is None or not odd else np.flatnonzero(~dbf.deleted)
        begin = 0
        with opened() as (_, reader):
            for batch in reader:
                columns = dict(zip(schema.names, batch.columns, strict=True))
                if kept is not None and dbf is not None and batch.num_rows:
                    rows = kept[begin : begin + batch.num_rows]
                    part = Dbf(dbf.fields, dbf.cells[rows[0] : rows[-1] + 1])
                    columns |= {names[at]: pyarrow.array(part.text(at).tolist(), pyarrow.string()) for at in odd}
                begin += batch.num_rows
                yield pyarrow.RecordBatch.from_arrays([columns[field.name] for field in written], schema=written)

    return _ArrowLog(LogTable(source.where, source.file_format, names, [], None, crs, []), written, shape, batches)


def _odd_columns(dbf: Dbf) -> list[int]:
    """Columns of numbers that hold more than plain numbers, which GDAL may misread ("120,5" as 120)."""
    found = []
    for at, field in enumerate(dbf.fields):
        if field.kind in "NF":
            parts = range(0, len(dbf.cells), _BATCH)
            cells = (dbf.cells[part : part + _BATCH, field.start : field.start + field.width] for part in parts)
            if not all(bool(PLAIN_BYTES[one].all()) for one in cells):
                found.append(at)
    return found


def _whole_log(table: LogTable) -> _ArrowLog:
    """A log that is read as a whole: one task of task data, or an odd file."""
    import pandas
    import pyarrow
    import shapely

    frame = pandas.DataFrame(dict(enumerate(table.columns)))
    frame.columns = table.names
    meta: dict[bytes, bytes] = {} if table.latency is None else {LATENCY: json.dumps(asdict(table.latency)).encode()}
    shape = None
    if table.shapes is not None:
        shape = "geometry"
        frame[shape] = shapely.to_wkb(table.shapes)
        meta |= _said_of_shapes(shape, table.crs)
    whole = pyarrow.Table.from_pandas(frame, preserve_index=False).replace_schema_metadata(meta).combine_chunks()
    start = replace(table, columns=[], shapes=None, dbf=None)
    return _ArrowLog(start, whole.schema, shape, lambda: iter(whole.to_batches(_BATCH)))
