"""Reading zones from GeoParquet."""

from __future__ import annotations

from pathlib import Path

from geoflow.base.errors import PrescriptionError
from geoflow.base.subject import called
from geoflow.layers.notes import library_words
from geoflow.layers.parquet import parquet_library, refuse_undecodable
from geoflow.layers.vector_source import check_only_layer, find_file
from geoflow.prescription_files.table import ReaderOptions, ZoneTable

__all__ = ["read_parquet"]


def read_parquet(path: Path, options: ReaderOptions) -> ZoneTable:
    """Read a GeoParquet file; one without a CRS is in longitude and latitude [GeoParquet 1.1, "crs"].

    Parameters
    ----------
    path : Path
        The file.
    options : ReaderOptions
        As given.

    Raises
    ------
    PrescriptionError
        If pyarrow is missing, or the file is no GeoParquet with rows.
    """
    import geopandas
    import shapely

    where = called(path)
    file = find_file(path)
    check_only_layer(options.layer, file.stem, where)
    pyarrow = parquet_library(PrescriptionError, "reading", where, "export the zones as .gpkg or .geojson")
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
        what = f"the file cannot be read ({library_words(problem)})"
        raise PrescriptionError(what, where=where, cure="copy or export it again") from problem
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
