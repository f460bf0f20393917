"""Tables in memory: GeoDataFrames and DataFrames in place of files."""

from __future__ import annotations

from typing import Any

__all__ = ["content_in_memory", "shapes_in_memory", "whole_table"]


def content_in_memory(table: Any) -> bytes:
    """Bytes that are the same for the same content of a table.

    Parameters
    ----------
    table : DataFrame or GeoDataFrame
        Any.
    """
    import pandas

    plain = table.to_wkb() if shapes_in_memory(table) else table
    return bytes(pandas.util.hash_pandas_object(plain).to_numpy().tobytes())


def shapes_in_memory(given: Any) -> bool:
    """Whether a table in memory is one with shapes, and says which column holds them.

    Parameters
    ----------
    given : object
        Anything.
    """
    import geopandas

    return isinstance(given, geopandas.GeoDataFrame) and given._geometry_column_name in given.columns


def whole_table(table: Any) -> Any:
    """Return a copy of a table whose rows count from 0; an index with a name is a column like others.

    Parameters
    ----------
    table : DataFrame or GeoDataFrame
        Left as it is.
    """
    index = table.index
    # What is called like a column would stand there twice.
    named = all(name is not None and name not in table.columns for name in index.names)
    return table.reset_index(drop=not named)
