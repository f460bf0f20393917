"""Which reader opens which file, and what every reader hands over: the one place to add a format to read."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from geoflow.base.errors import PrescriptionError
from geoflow.base.rate_units import rate_unit
from geoflow.base.subject import called, subject, typed
from geoflow.layers.memory import shapes_in_memory
from geoflow.prescription_files.table import ReaderOptions, ZoneTable

__all__ = ["READERS", "Reader", "read_zone_table"]


@dataclass(frozen=True, slots=True)
class Reader:
    """A reader and the paths it takes.

    Attributes
    ----------
    takes : callable
        Whether a path is its own; it may look into the file or folder, and must not raise.
    read : callable
        Reads it; raises PrescriptionError if it cannot.
    """

    takes: Callable[[Path], bool]
    read: Callable[[Path, ReaderOptions], ZoneTable]


def _ends_in(*endings: str) -> Callable[[Path], bool]:
    return lambda path: path.suffix.casefold() in endings


def _refuse_zone_rule(path: Path, options: ReaderOptions) -> None:
    if options.zones is not None:
        raise PrescriptionError(
            f"{typed('zones')} says how a raster becomes zones, and this file holds zones already",
            where=called(path),
            cure=f"leave {typed('zones')} out",
        )


def _refuse_ammonia_word(path: Path, options: ReaderOptions) -> None:
    if options.take_as_ammonia:
        raise PrescriptionError(
            f"{typed('take-as-ammonia')} speaks of the product of task data, and this file names no product",
            where=called(path),
            cure=f"leave it out; {typed('rate-unit')} says what the rates count",
        )


def _is_task_data(path: Path) -> bool:
    from geoflow.isoxml.task_files import is_taskdata

    return is_taskdata(path)


def _read_task_data(path: Path, options: ReaderOptions) -> ZoneTable:
    from geoflow.isoxml.products import ammonia_notes, other_product
    from geoflow.isoxml.zones import read_taskdata_zones

    _refuse_zone_rule(path, options)
    found = read_taskdata_zones(path, layer=options.layer)
    rate = found.choose_rate(options.rate_column)
    units = {each.column: rate_unit(each.unit) for each in found.rates}
    product = None
    if options.nitrogen is None or options.take_as_ammonia:
        notes = ammonia_notes(rate, take_as_ammonia=options.take_as_ammonia, where=found.where)
    else:
        units[rate.column], notes = other_product(rate, options.nitrogen, where=found.where)
        product = rate.product
    return ZoneTable(
        "task data", found.table, found.task, (*found.notes, *notes), rate_column=rate.column, units=units,
        product=product,
    )  # fmt: skip


def _read_raster(path: Path, options: ReaderOptions) -> ZoneTable:
    from geoflow.prescription_files.geotiff import read_raster

    return read_raster(path, options)


def _read_parquet(path: Path, options: ReaderOptions) -> ZoneTable:
    from geoflow.prescription_files.geoparquet import read_parquet

    _refuse_zone_rule(path, options)
    return read_parquet(path, options)


def _read_layer(path: Path, options: ReaderOptions) -> ZoneTable:
    from geoflow.layers.vector_source import open_source, read_table

    with open_source(path, options.layer) as source:
        _refuse_zone_rule(path, options)
        table, dbf, notes = read_table(source)
    by_default = source.file_format.endswith("geojson")
    return ZoneTable(source.file_format, table, source.layer, tuple(notes), dbf, degrees_unless_said=by_default)


def _read_frame(given: Any, options: ReaderOptions) -> ZoneTable:
    where = Path(called(given))
    _refuse_ammonia_word(where, options)
    _refuse_zone_rule(where, options)
    if options.layer is not None:
        raise PrescriptionError("a table has no layers", where=str(where), cure=f"leave {typed('layer')} out")
    if not shapes_in_memory(given) or not len(given):
        raise PrescriptionError(
            f"it holds no shapes of {subject().part}s", where=str(where), cure="give a GeoDataFrame with polygons"
        )
    return ZoneTable("table", given.copy())


# The first reader that takes a path reads it. Task data go in front, since they are a folder, an .xml or a .zip.
READERS: Final[tuple[Reader, ...]] = (
    Reader(_is_task_data, _read_task_data),
    Reader(_ends_in(".tif", ".tiff"), _read_raster),
    Reader(_ends_in(".parquet", ".geoparquet"), _read_parquet),
    Reader(lambda path: True, _read_layer),
)


def read_zone_table(path: Any, options: ReaderOptions) -> ZoneTable:
    """Read the zones of a file with the reader that takes it.

    Parameters
    ----------
    path : Path, str or GeoDataFrame
        A file or folder, or a table in memory.
    options : ReaderOptions
        As given.

    Raises
    ------
    PrescriptionError
        If the file is missing, damaged, or not what its name says.
    """
    if not isinstance(path, str | os.PathLike):
        return _read_frame(path, options)
    file = Path(path)
    reader = next(reader for reader in READERS if reader.takes(file))
    if reader.takes is not _is_task_data:
        _refuse_ammonia_word(file, options)
    return reader.read(file, options)
