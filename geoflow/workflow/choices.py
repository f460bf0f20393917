"""What a reader can be told about a prescription it could not read on its own."""

from __future__ import annotations

import zipfile
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.errors import GeoflowError
from geoflow.layers.number_cells import parse_numbers
from geoflow.layers.vector_source import open_source

__all__ = ["Choices", "reading_choices", "spans"]


_SAMPLE: Final = 500


@dataclass(frozen=True, slots=True)
class Choices:
    """What --rate-column and --layer may name.

    Attributes
    ----------
    columns : tuple of (str, float, float)
        In file order, each with the least and greatest of its numbers; NaN where it has none. Empty where they could
        not be listed.
    layers : tuple of str
        In file order; empty where they could not be listed.
    """

    columns: tuple[tuple[str, float, float], ...] = ()
    layers: tuple[str, ...] = ()


def spans(table: Any) -> tuple[tuple[str, float, float], ...]:
    """Return the columns of a table with the least and greatest of their numbers; NaN where they hold none.

    Parameters
    ----------
    table : DataFrame
        As read.
    """
    found = []
    for place, name in enumerate(table.columns):
        column = table.iloc[:, place]
        values = column.to_numpy(dtype=np.float64) if column.dtype.kind in "fiu" else _numbers(column)
        known = values[np.isfinite(values)]
        ends = (float(known.min()), float(known.max())) if known.size else (np.nan, np.nan)
        found.append((str(name), *ends))
    return tuple(found)


def _numbers(column: Any) -> FloatArray:
    """Return the numbers of a column of text; none where some of it is no number, which a wide sample tells first."""
    cells = column.dropna().astype(str).to_numpy(dtype=object)
    for some in (cells[:: max(len(cells) // _SAMPLE, 1)], cells):
        read = parse_numbers(some)
        if read.unreadable.any():
            return np.empty(0)
    return read.values


def reading_choices(path: Path, layer: str | None) -> Choices:
    """List the columns and layers of a prescription file; nothing is raised, a file beyond reading has none.

    Parameters
    ----------
    path : Path
        The file.
    layer : str or None
        The layer chosen, where there are several.
    """
    import pyogrio

    layers: tuple[str, ...] = ()
    try:
        if path.suffix.casefold() == ".zip":
            with zipfile.ZipFile(path) as archive:
                names = [PurePosixPath(name) for name in archive.namelist() if name.casefold().endswith(".shp")]
            layers = tuple(name.stem for name in names if not name.name.startswith("._"))
        elif path.suffix.casefold() == ".gpkg":
            layers = tuple(str(name) for name, kind in pyogrio.list_layers(path) if kind is not None)
        with open_source(path, layer) as source:
            named = source.layer if source.file_format == "geopackage" else None
            table = pyogrio.read_dataframe(source.data, layer=named, read_geometry=False)
        return Choices(spans(table), layers)
    except (GeoflowError, OSError, ValueError, RuntimeError, zipfile.BadZipFile):
        return Choices((), layers)
