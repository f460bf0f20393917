"""Parquet, with the optional library pyarrow; writing zones as GeoParquet."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoflow.base.errors import GeoflowError, OutputError, install

if TYPE_CHECKING:
    import geopandas

__all__ = ["parquet_library", "refuse_undecodable", "rows_in_parquet", "write_parquet"]


def parquet_library(error: type[GeoflowError], doing: str, where: str, otherwise: str) -> Any:
    """Import pyarrow's Parquet part, or say how to get it.

    Parameters
    ----------
    error : type
        What is raised.
    doing : str
        ``"reading"`` or ``"writing"``.
    where : str
        The file.
    otherwise : str
        What else to do.

    Raises
    ------
    GeoflowError
        As `error`, if it is not installed.
    """
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
    """Raise ValueError where text in a Parquet file is not in UTF-8 as it promises, before anything trips over it.

    Parameters
    ----------
    path : Path
        The file.
    """
    import pyarrow.parquet

    with pyarrow.parquet.ParquetFile(path) as file:
        for batch in file.iter_batches():
            for name, column in zip(batch.schema.names, batch.columns, strict=True):
                try:
                    column.validate(full=True)
                except pyarrow.ArrowInvalid as problem:
                    raise ValueError(f"the column '{name}' is damaged: {str(problem).splitlines()[0]}") from problem


def write_parquet(path: Path, frame: geopandas.GeoDataFrame) -> None:
    """Write a GeoParquet file with shapes as WKB.

    Parameters
    ----------
    path : Path
        A new file.
    frame : GeoDataFrame
        The zones.

    Raises
    ------
    OutputError
        If pyarrow is missing.
    ValueError
        If a column cannot be held.
    """
    pyarrow = parquet_library(OutputError, "writing", path.name, "write .gpkg or .geojson")
    try:
        frame.to_parquet(path, index=False)
    except (pyarrow.lib.ArrowTypeError, pyarrow.lib.ArrowNotImplementedError) as problem:
        raise ValueError(str(problem)) from problem


def rows_in_parquet(path: Path) -> int:
    """Return how many rows the end of a file promises; a file without its end raises ValueError or OSError.

    Parameters
    ----------
    path : Path
        The file.
    """
    import pyarrow.parquet  # it was there to write the file

    return int(pyarrow.parquet.read_metadata(path).num_rows)
