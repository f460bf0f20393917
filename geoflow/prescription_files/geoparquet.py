"""Reading and writing zones as GeoParquet, with the optional library pyarrow."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoflow.base.errors import GeoflowError, OutputError, PrescriptionError, install
from geoflow.layers.vector_source import check_only_layer, find_file
from geoflow.prescription_files.readers import Wishes, ZoneTable

if TYPE_CHECKING:
    import geopandas

__all__ = ["read_parquet", "refuse_undecodable", "rows_in_parquet", "write_parquet"]


def _library(error: type[GeoflowError], doing: str, where: str, otherwise: str) -> Any:
    """Import pyarrow's Parquet part, or say how to get it."""
    try:
        import pyarrow.parquet
    except ImportError as problem:
        raise error(
            f"{doing} GeoParquet needs the library pyarrow, which is not installed",
            where=where,
            cure=f"{install('parquet')}, or {otherwise}",
        ) from problem
    return pyarrow


def refuse_undecodable(path: Path) -> None:
    """Raise ValueError where text in a Parquet file is not in UTF-8 as it promises, before anything trips over it."""
    import pyarrow.parquet

    with pyarrow.parquet.ParquetFile(path) as file:
        for batch in file.iter_batches():
            for name, column in zip(batch.schema.names, batch.columns, strict=True):
                try:
                    column.validate(full=True)
                except pyarrow.ArrowInvalid as problem:
                    raise ValueError(f"the column '{name}' is damaged: {str(problem).splitlines()[0]}") from problem


def read_parquet(path: Path, wishes: Wishes) -> ZoneTable:
    """Read a GeoParquet file; one without a CRS is in longitude and latitude [GeoParquet 1.1, "crs"].

    Raises
    ------
    PrescriptionError
        If pyarrow is missing, or the file is no GeoParquet with rows.
    """
    import geopandas
    import shapely

    where = str(path)
    file = find_file(path)
    check_only_layer(wishes.layer, file.stem, where)
    pyarrow = _library(PrescriptionError, "reading", where, "export the zones as .gpkg or .geojson")
    with file.open("rb") as stream:
        start = stream.read(20)
    if not start.startswith(b"PAR1"):  # [Apache Parquet, "File format"]
        raise PrescriptionError(f"this is no Parquet: it starts with {start!r}", where=where, cure="export it again")
    try:
        described = b"geo" in (pyarrow.parquet.read_schema(file).metadata or {})
        refuse_undecodable(file)
        table = geopandas.read_parquet(file) if described else None
    except (OSError, ValueError, KeyError, TypeError, NotImplementedError, pyarrow.lib.ArrowException,
            shapely.errors.GEOSException) as problem:  # fmt: skip
        text = str(problem).splitlines()[0].rstrip(".") if str(problem) else type(problem).__name__
        raise PrescriptionError(
            f"the file cannot be read ({text})", where=where, cure="copy or export it again"
        ) from problem
    if table is None:
        raise PrescriptionError(
            "the file holds a table, but does not say which column holds the shapes (it is Parquet, not GeoParquet)",
            where=where,
            cure="export the zones as GeoParquet, .gpkg or .geojson",
        )
    if not len(table):
        raise PrescriptionError("the layer is empty: it has no zones", where=where, cure="export it again")
    named = any(name is not None for name in table.index.names)  # such an index is an attribute like others
    return ZoneTable("geoparquet", table.reset_index(drop=not named))


def write_parquet(path: Path, frame: geopandas.GeoDataFrame) -> None:
    """Write a GeoParquet file with shapes as WKB.

    Raises
    ------
    OutputError
        If pyarrow is missing.
    ValueError
        If a column cannot be held.
    """
    pyarrow = _library(OutputError, "writing", path.name, "write .gpkg or .geojson")
    try:
        frame.to_parquet(path, index=False)
    except (pyarrow.lib.ArrowTypeError, pyarrow.lib.ArrowNotImplementedError) as problem:
        raise ValueError(str(problem)) from problem


def rows_in_parquet(path: Path) -> int:
    """Return how many rows the end of a file promises; a file without its end raises ValueError or OSError."""
    import pyarrow.parquet  # it was there to write the file

    return int(pyarrow.parquet.read_metadata(path).num_rows)
