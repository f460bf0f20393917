"""Reading a prescription: zones on the ground in metres, a rate each, and everything worth knowing about the file."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.errors import PrescriptionError
from geoflow.base.other_products import product_rate, product_unit
from geoflow.base.rate_units import RateUnit
from geoflow.base.rate_units import rate_unit as unit_named
from geoflow.base.subject import called, typed
from geoflow.ground.geometry import coverage_faults, duplicates, local_frame
from geoflow.layers.notes import Note, rows_text
from geoflow.layers.number_cells import Numbers, parse_numbers, suffix_conflicts
from geoflow.layers.project_zones import locate_zones, project_zones
from geoflow.prescription_files.columns import choose_column, choose_unit, column_reader
from geoflow.prescription_files.readers import read_zone_table
from geoflow.prescription_files.table import ReaderOptions, ZoneRule, ZoneTable
from geoflow.prescription_files.zone_ids import choose_zone_ids
from geoflow.prescription_files.zone_notes import fit_notes, number_notes, shape_notes

if TYPE_CHECKING:
    import geopandas
    import pyproj
    from numpy.typing import NDArray

__all__ = ["Note", "Prescription", "ReadingZones", "read_prescription"]

_SAMPLE: Final = 500
_EMPTY: Final = "no shape"
_NOT_POLYGON: Final = "not a polygon"
_COLLAPSED: Final = "a shape without area"
_NOWHERE: Final = "coordinates that are no numbers"
_NO_RATE: Final = "no rate"
_UNREADABLE: Final = "no readable rate"
_INFINITE: Final = "infinite rate"
_NEGATIVE: Final = "negative rate (-9999 often means no data)"
_DUPLICATE: Final = "duplicate of an earlier row"


@dataclass(frozen=True, eq=False)
class Prescription:
    """A prescription as read; rows count from 0 in file order, deleted records apart.

    Attributes
    ----------
    path : Path
        The file; of a table in memory what people call it.
    file_format : str
        ``"shapefile"``, ``"geojson"``, ``"geopackage"``, ``"flatgeobuf"``, each perhaps ``"zipped ..."``,
        ``"geoparquet"`` or ``"geotiff"``; task data add theirs; ``"table"`` what was in memory.
    layer : str or None
        Name of the layer, where the file can hold several.
    crs : pyproj.CRS
        Coordinate system its coordinates are taken in.
    axes_swapped : bool
        Whether the file holds y (or latitude) first.
    row : ndarray of int, shape (n,)
        Row in the file of every zone kept.
    zone_id : tuple of str, length n
        What people see each zone called, everywhere: the user's own ids, else its row counted from 1.
    zone_id_column : str or None
        The column the ids come from.
    zones : ndarray of Polygon or MultiPolygon, shape (n,)
        Valid and flat, in `local_crs` [m].
    area : ndarray of float, shape (n,)
        Of each zone [m2].
    rate : ndarray of float, shape (n,)
        What the rate column says, in `rate_unit`; finite, not negative.
    rate_column : str
        Its name in the file.
    rate_unit : RateUnit
        Its unit.
    other_product : str or None
        What the file calls the product, where it is another one than ammonia; empty where it does not name it.
    local_crs : pyproj.CRS
        Equal-area frame centred on the field [m].
    centre : tuple of float
        Longitude and latitude of the field's middle [degree].
    rows_read : int
        Rows in the file.
    dropped : dict
        Cause to the rows left out for it.
    repeats : dict of int to int
        Of the rows left out as duplicates, the kept row each repeats: a new rate goes to both.
    notes : tuple of Note
        What a person should know.
    table : geopandas.GeoDataFrame
        The file as read, all rows, shapes and attributes untouched.
    ground : Polygon, MultiPolygon or None
        What the zones cover, in `local_crs`, where they fit together corner by corner and that is known.
    """

    path: Path
    file_format: str
    layer: str | None
    crs: pyproj.CRS
    axes_swapped: bool
    row: NDArray[np.int64]
    zone_id: tuple[str, ...]
    zone_id_column: str | None
    zones: NDArray[np.object_]
    area: NDArray[np.float64]
    rate: NDArray[np.float64]
    rate_column: str
    rate_unit: RateUnit
    other_product: str | None
    local_crs: pyproj.CRS
    centre: tuple[float, float]
    rows_read: int
    dropped: dict[str, tuple[int, ...]]
    repeats: dict[int, int]
    notes: tuple[Note, ...]
    table: geopandas.GeoDataFrame
    ground: Any = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingZones:
    """How a prescription is read: what the options of the same names say; None where they were not given.

    Attributes
    ----------
    rate_column, rate_unit, crs, swap_axes, layer, zones, take_as_ammonia, zone_id
        Of every prescription.
    nitrogen : str or None
        Of one of another product, where it is not to be vetted: what the product holds.
    """

    rate_column: str | None = None
    rate_unit: str | None = None
    crs: str | None = None
    swap_axes: bool = False
    layer: str | None = None
    zones: ZoneRule | None = None
    take_as_ammonia: bool = False
    zone_id: str | None = None
    nitrogen: str | None = None


def read_prescription(path: Any, how: ReadingZones | None = None, **said: Any) -> Prescription:
    """Read a prescription from any format of `geoflow.prescription_files.readers.READERS`, in any coordinate system.

    Parameters
    ----------
    path : Path, str or GeoDataFrame
        The file, or the zones themselves.
    how : ReadingZones, optional
        How it is read.
    **said
        Fields of `ReadingZones`, in place of `how`.

    Raises
    ------
    PrescriptionError
        If there is no certain reading; the error names the option that settles it.
    QuantityError
        If `rate_unit` is no rate unit.
    """
    how = how or ReadingZones(**said)
    where = called(path)
    source = read_zone_table(
        path, ReaderOptions(how.layer, how.rate_column, how.zones, how.take_as_ammonia, how.nitrogen)
    )
    table, dbf, notes = source.table, source.dbf, list(source.notes)
    shapes = np.array(table.geometry.array, dtype=object)
    rows = np.arange(len(shapes))
    placement, lost = locate_zones(shapes, table, how.crs, how.swap_axes, source.degrees_unless_said, where)
    frame = local_frame(*placement.centre)
    grounds, area, perimeter, lost, report = project_zones(shapes, placement, frame, lost)
    notes += placement.notes

    names = [str(name) for name in table.columns if name != table.geometry.name]
    numbers = column_reader(table, dbf)
    likely = _likely(table, numbers)
    wanted = source.rate_column or how.rate_column
    chosen, column_notes = choose_column(names, likely, wanted, area=area, perimeter=perimeter, where=where)
    read = numbers(chosen)
    if read is None:
        raise PrescriptionError(
            f"the column '{names[chosen]}' holds no numbers",
            where=where,
            cure=f"give {typed('rate-column')} another column",
        )
    unit, unit_notes = _unit(source, names[chosen], how, read, where)
    _refuse_unclear(read, unit, names[chosen], where)
    notes += [*column_notes, *unit_notes, *number_notes(read, names[chosen], dbf is not None)]

    dropped: dict[str, tuple[int, ...]] = {}
    kept = np.ones(len(shapes), dtype=bool)
    reasons = (
        (_NOWHERE, np.isin(rows, lost)),
        (_EMPTY, np.isin(rows, report.empty)),
        (_NOT_POLYGON, np.isin(rows, report.not_polygon)),
        (_COLLAPSED, np.isin(rows, report.collapsed)),
        (_NO_RATE, read.missing),
        (_UNREADABLE, read.unreadable),
        (_INFINITE, np.isinf(read.values)),
        (_NEGATIVE, read.values < 0.0),
    )
    for cause, concerned in reasons:
        _drop(cause, concerned, kept, dropped)
    _refuse_nothing(kept, dropped, names[chosen], where)
    first = duplicates(grounds[kept])
    repeated, clashing = _duplicates(rows[kept], first, read.values)
    _drop(_DUPLICATE, np.isin(rows, list(repeated)), kept, dropped)
    row = np.flatnonzero(kept)
    notes += shape_notes(report, shapes)
    if clashing:
        text = (f"{rows_text(clashing)}: the same shape as an earlier row with another rate; "
                "both are kept, so this ground is counted twice")  # fmt: skip
        notes.append(Note("duplicate", text, len(clashing)))
    # Without the rows left out since, the first of each shape would be counted anew.
    faults = coverage_faults(grounds[row], None if repeated else first)
    notes += fit_notes(faults, row)
    id_column, ids, id_notes = choose_zone_ids(table, row, names[chosen], how.zone_id, where)
    notes += id_notes
    return Prescription(
        path=Path(path if isinstance(path, str | os.PathLike) else where),
        file_format=source.file_format,
        layer=source.layer,
        crs=placement.crs,
        axes_swapped=placement.swap,
        row=row,
        zone_id=ids,
        zone_id_column=id_column,
        zones=grounds[row],
        area=area[row],
        rate=read.values[row],
        rate_column=names[chosen],
        rate_unit=unit,
        other_product=(source.product or "") if source.product is not None or product_unit(unit.text) else None,
        local_crs=frame,
        centre=placement.centre,
        rows_read=len(shapes),
        dropped=dropped,
        repeats=repeated,
        notes=tuple(notes),
        table=table,
        ground=faults.ground,
    )


def _unit(source: ZoneTable, column: str, how: ReadingZones, read: Numbers, where: str) -> tuple[RateUnit, list[Note]]:
    """Return the unit the file fixes, which --rate-unit may only repeat, or the one that can be told otherwise."""
    certain, option = source.units.get(column), how.rate_unit
    other = None if option is None or how.nitrogen is None else product_unit(option)
    if certain is None and other is not None and how.nitrogen is not None:
        text = f"'{column}' counts another product with {how.nitrogen.strip()} of nitrogen (--nitrogen)"
        return product_rate(other, how.nitrogen, where=f"{where}, column '{column}'"), [Note("unit", text)]
    if certain is None:
        return choose_unit(column, option, read, where=where)
    if option is not None and unit_named(option, where=typed("rate-unit")) != certain:
        raise PrescriptionError(
            f"{typed('rate-unit')} says {option}, but the file says that '{column}' is in {certain.text}",
            where=where,
            cure=f"leave {typed('rate-unit')} out; if the file is wrong, correct the unit there",
        )
    return certain, [Note("unit", f"the file itself gives the unit of '{column}', {certain.text}")]


def _likely(table: Any, numbers: Callable[[int], Numbers | None]) -> Callable[[int], Numbers | None]:
    """Return `numbers` for the search of a rate column: text without a number in a wide sample is none."""
    columns = [column for column in table.columns if column != table.geometry.name]

    def read(index: int) -> Numbers | None:
        column = table[columns[index]] if columns.count(columns[index]) == 1 else None
        if column is not None and column.dtype.kind not in "fiub" and len(column) > _SAMPLE:
            text = column.dropna().astype(str)
            sample = parse_numbers(text.iloc[:: max(len(text) // _SAMPLE, 1)].to_numpy(dtype=object))
            if (sample.unreadable | sample.missing).all():
                return None
        return numbers(index)

    return read


def _refuse_unclear(read: Numbers, unit: RateUnit, column: str, where: str) -> None:
    unclear = np.flatnonzero(read.ambiguous)
    if unclear.size:
        raise PrescriptionError(
            f"'{column}' holds numbers like 1,200 that may mean 1200 or 1.2",
            where=f"{where}, {rows_text(unclear)}",
            cure="write them in the file with a decimal point, as 1200 or 1.2",
        )
    conflicts = suffix_conflicts(read, unit)
    if conflicts:
        raise PrescriptionError(
            f"'{column}' states another unit behind its numbers than {unit.text}",
            where=f"{where}, {rows_text(conflicts)}",
            cure=f"give the {typed('rate-unit')} they are in, or correct the rows",
        )


def _refuse_nothing(kept: NDArray[np.bool_], dropped: dict[str, tuple[int, ...]], column: str, where: str) -> None:
    if kept.any():
        return
    causes = "; ".join(f"{cause}: {rows_text(rows)}" for cause, rows in dropped.items())
    raise PrescriptionError(
        f"no zone is left to vet ({causes})",
        where=where,
        cure=f"check that '{column}' is the rate column ({typed('rate-column')}) and that the zones have shapes",
    )


def _drop(
    cause: str, concerned: NDArray[np.bool_], kept: NDArray[np.bool_], dropped: dict[str, tuple[int, ...]]
) -> None:
    """Leave rows out for one cause, those that no earlier cause took."""
    rows = np.flatnonzero(kept & concerned)
    if rows.size:
        dropped[cause] = tuple(rows.tolist())
        kept[rows] = False


def _duplicates(
    row: NDArray[np.int64], first: NDArray[np.int64], rate: NDArray[np.float64]
) -> tuple[dict[int, int], list[int]]:
    """Return rows that repeat a shape and its rate, each with the row repeated, and rows of another rate there."""
    repeated: dict[int, int] = {}
    clashing: list[int] = []
    seen: dict[int, dict[float, int]] = {}
    for at in np.flatnonzero(first >= 0).tolist():
        earlier = int(row[first[at]])
        rates = seen.setdefault(earlier, {float(rate[earlier]): earlier})
        value = float(rate[row[at]])
        if value in rates:
            repeated[int(row[at])] = rates[value]
        else:
            clashing.append(int(row[at]))
            rates[value] = int(row[at])
    return repeated, clashing
