"""Reading a prescription: zones on the ground in metres, a rate each, and everything worth knowing about the file."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.errors import PrescriptionError
from geoflow.formats.cells import Numbers, parse_numbers, suffix_conflicts
from geoflow.formats.columns import choose_column, choose_unit
from geoflow.formats.containers import open_source, read_table
from geoflow.formats.facts import Fact, rows_text
from geoflow.formats.placement import Bounds, Placement, place
from geoflow.units import RateUnit, show

if TYPE_CHECKING:
    import geopandas
    import pyproj
    from numpy.typing import NDArray

    from geoflow.geometry import CoverageFaults, RepairReport

__all__ = ["Fact", "Prescription", "read_prescription"]

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
        The file.
    file_format : str
        ``"shapefile"``, ``"zipped shapefile"``, ``"geojson"`` or ``"geopackage"``.
    layer : str or None
        Name of the layer, where the file can hold several.
    crs : pyproj.CRS
        Coordinate system its coordinates are taken in.
    crs_note : str
        Where that was taken from.
    axes_swapped : bool
        Whether the file holds y (or latitude) first.
    row : ndarray of int, shape (n,)
        Row in the file of every zone kept.
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
    facts : tuple of Fact
        What a person should know.
    table : geopandas.GeoDataFrame
        The file as read, all rows, shapes and attributes untouched.
    """

    path: Path
    file_format: str
    layer: str | None
    crs: pyproj.CRS
    crs_note: str
    axes_swapped: bool
    row: NDArray[np.int64]
    zones: NDArray[np.object_]
    area: NDArray[np.float64]
    rate: NDArray[np.float64]
    rate_column: str
    rate_unit: RateUnit
    local_crs: pyproj.CRS
    centre: tuple[float, float]
    rows_read: int
    dropped: dict[str, tuple[int, ...]]
    repeats: dict[int, int]
    facts: tuple[Fact, ...]
    table: geopandas.GeoDataFrame


def read_prescription(
    path: Path | str,
    *,
    rate_column: str | None = None,
    rate_unit: str | None = None,
    crs: str | None = None,
    swap_axes: bool = False,
    layer: str | None = None,
) -> Prescription:
    """Read a prescription from a Shapefile (also zipped), GeoJSON or GeoPackage in any coordinate system.

    Parameters
    ----------
    path : Path or str
        The file.
    rate_column, rate_unit, crs, swap_axes, layer
        What the options of the same names say; None where they were not given.

    Raises
    ------
    PrescriptionError
        If there is no certain reading; the error names the option that settles it.
    QuantityError
        If `rate_unit` is no rate unit.
    """
    from geoflow.geometry import coverage_faults, duplicates, local_frame

    where = str(path)
    with open_source(path, layer) as source:
        table, dbf, facts = read_table(source)
    shapes = np.array(table.geometry.array, dtype=object)
    rows = np.arange(len(shapes))
    placement, lost = _placed(shapes, table, crs, swap_axes, source.file_format == "geojson", where)
    frame = local_frame(*placement.centre)
    grounds, area, perimeter, lost, report = _grounded(shapes, placement, frame, lost)
    facts += placement.facts

    names = [str(name) for name in table.columns if name != table.geometry.name]
    numbers = _reader(table, dbf)
    likely = _likely(table, numbers)
    chosen, column_facts = choose_column(names, likely, rate_column, area=area, perimeter=perimeter, where=where)
    read = numbers(chosen)
    if read is None:
        raise PrescriptionError(
            f"the column '{names[chosen]}' holds no numbers", where=where, cure="give --rate-column another column"
        )
    unit, unit_facts = choose_unit(names[chosen], rate_unit, read, where=where)
    _refuse_unclear(read, unit, names[chosen], where)
    facts += [*column_facts, *unit_facts, *_number_facts(read, names[chosen], dbf is not None)]

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
    repeated, clashing = _duplicates(rows[kept], duplicates(grounds[kept]), read.values)
    _drop(_DUPLICATE, np.isin(rows, list(repeated)), kept, dropped)
    row = np.flatnonzero(kept)
    facts += _shape_facts(report, shapes)
    if clashing:
        text = (f"{rows_text(clashing)}: the same shape as an earlier row with another rate; "
                "both are kept, so this ground is counted twice")  # fmt: skip
        facts.append(Fact("duplicate", text, len(clashing)))
    facts += _fit_facts(coverage_faults(grounds[row]), row)
    return Prescription(
        path=Path(path),
        file_format=source.file_format,
        layer=source.layer,
        crs=placement.crs,
        crs_note=placement.note,
        axes_swapped=placement.swap,
        row=row,
        zones=grounds[row],
        area=area[row],
        rate=read.values[row],
        rate_column=names[chosen],
        rate_unit=unit,
        local_crs=frame,
        centre=placement.centre,
        rows_read=len(shapes),
        dropped=dropped,
        repeats=repeated,
        facts=tuple(facts),
        table=table,
    )


def _placed(
    shapes: NDArray[np.object_], table: Any, option: str | None, swap_axes: bool, by_default: bool, where: str
) -> tuple[Placement, NDArray[np.int64]]:
    """Return where the polygons are, and the rows whose coordinates are no numbers."""
    import shapely

    kinds = shapely.get_type_id(shapes)
    polygonal = np.isin(kinds, (3, 6, 7)) & ~shapely.is_empty(shapes)
    if not polygonal.any():
        found = sorted({shape.geom_type for shape in shapes[~shapely.is_missing(shapes) & ~shapely.is_empty(shapes)]})
        raise PrescriptionError(
            f"the file holds no polygons, only {', '.join(found)}" if found else "no row of the file has a shape",
            where=where,
            cure="export the prescription as zones (polygons)",
        )
    coordinates, owner = shapely.get_coordinates(shapes[polygonal], return_index=True)
    finite = np.isfinite(coordinates).all(axis=1)
    if not finite.any():
        raise PrescriptionError("the coordinates are no numbers", where=where, cure="export the zones again")
    low, high = coordinates[finite].min(axis=0), coordinates[finite].max(axis=0)
    declared = table.crs
    if declared is not None and (declared.is_engineering or declared.name.casefold().startswith("undefined")):
        declared = None
    bounds = Bounds(float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    placement = place(bounds, declared, option=option, swap_axes=swap_axes, by_default=by_default, where=where)
    return placement, np.flatnonzero(polygonal)[np.unique(owner[~finite])]


def _grounded(
    shapes: NDArray[np.object_], placement: Placement, frame: pyproj.CRS, lost: NDArray[np.int64]
) -> tuple[NDArray[np.object_], NDArray[np.float64], NDArray[np.float64], NDArray[np.int64], RepairReport]:
    """Return repaired shapes in the frame, areas [m2], perimeters [m], rows without a place, and the repairs."""
    import pyproj
    import shapely

    from geoflow.geometry import areas, repair

    onward = pyproj.Transformer.from_crs(placement.crs, frame, always_xy=True)

    def to_ground(points: NDArray[np.float64]) -> NDArray[np.float64]:
        x, y = (points[:, 1], points[:, 0]) if placement.swap else (points[:, 0], points[:, 1])
        return np.column_stack(onward.transform(x, y))

    movable = shapes.copy()
    movable[lost] = None
    moved = shapely.transform(movable, to_ground)
    coordinates, owner = shapely.get_coordinates(moved, return_index=True)
    outside = np.unique(owner[~np.isfinite(coordinates).all(axis=1)])
    moved[outside] = None
    # A zone drawn as a straight line in degrees bends in metres and would gain ground: look before projecting.
    suspect = np.flatnonzero(~shapely.is_valid(movable) & ~shapely.is_missing(movable))
    flat = suspect[repair(movable[suspect])[1].collapsed]
    moved[flat] = None
    repaired, report = repair(moved)
    report = replace(report, collapsed=np.union1d(report.collapsed, flat), empty=np.setdiff1d(report.empty, flat))
    return repaired, areas(repaired), np.nan_to_num(shapely.length(repaired)), np.union1d(lost, outside), report


def _reader(table: Any, dbf: Any) -> Callable[[int], Numbers | None]:
    """Return what reads a column's cells, from the raw bytes where GDAL would misread them."""
    names = [name for name in table.columns if name != table.geometry.name]
    positions = [at for at, name in enumerate(table.columns) if name != table.geometry.name]
    known: dict[int, Numbers | None] = {}

    def cells(index: int) -> Any:
        if dbf is not None and len(dbf.fields) == len(names) and dbf.fields[index].kind in "NF":
            return dbf.text(index)
        column = table.iloc[:, positions[index]]
        if column.dtype.kind in "fiu":
            return column.to_numpy()
        return None if column.dtype.kind in "bMm" else column.to_numpy(dtype=object)

    def read(index: int) -> Numbers | None:
        if index not in known:
            found = cells(index)
            known[index] = None if found is None else parse_numbers(found)
        return known[index]

    return read


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
            cure="give the --rate-unit they are in, or correct the rows",
        )


def _refuse_nothing(kept: NDArray[np.bool_], dropped: dict[str, tuple[int, ...]], column: str, where: str) -> None:
    if kept.any():
        return
    causes = "; ".join(f"{cause}: {rows_text(rows)}" for cause, rows in dropped.items())
    raise PrescriptionError(
        f"no zone is left to vet ({causes})",
        where=where,
        cure=f"check that '{column}' is the rate column (--rate-column) and that the zones have shapes",
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


def _number_facts(read: Numbers, column: str, is_shapefile: bool) -> list[Fact]:
    facts = []
    commas = np.flatnonzero(read.comma)
    misread = "; a plain reader of the .dbf would cut them at the comma" if is_shapefile else ""
    if commas.size:
        text = f"'{column}' writes decimals with a comma in {rows_text(commas)}; 120,5 is read as 120.5{misread}"
        facts.append(Fact("numbers", text, commas.size))
    for suffix, rows in read.suffixes.items():
        said = " ".join(part for part in suffix if part)
        facts.append(Fact("numbers", f"'{column}' writes '{said}' behind the number in {rows_text(rows)}", len(rows)))
    return facts


def _ground(area: float) -> str:
    return f"{show(area, 'area', 'us', 2)} ({area:,.0f} m²)"


def _shape_facts(report: RepairReport, shapes: NDArray[np.object_]) -> list[Fact]:
    import shapely

    facts = []
    raised = int(np.count_nonzero(shapely.has_z(shapes) | shapely.has_m(shapes)))
    if raised:
        facts.append(Fact("shape", f"heights or measures in {raised} shape(s) are ignored", raised))
    if report.mended.size:
        change = float(np.abs(report.area_after - np.abs(report.area_before)).sum())
        text = (f"{rows_text(report.mended)}: the outline crossed or overlapped itself and was mended; "
                f"the areas changed by {_ground(change)} in all")  # fmt: skip
        facts.append(Fact("shape", text, report.mended.size))
    if report.stray_holes.size:
        text = f"{rows_text(report.stray_holes)}: a hole lies outside its zone and takes nothing from it there"
        facts.append(Fact("shape", text, report.stray_holes.size))
    if report.mixed.size:
        text = f"{rows_text(report.mixed)}: points and lines mixed in with the polygons are left out"
        facts.append(Fact("shape", text, report.mixed.size))
    return facts


def _fit_facts(faults: CoverageFaults, row: NDArray[np.int64]) -> list[Fact]:
    facts = []
    first = np.where(faults.duplicate_of >= 0, faults.duplicate_of, np.arange(row.size))
    told = first[faults.overlap_pairs[:, 0]] == first[faults.overlap_pairs[:, 1]]
    pairs, shared = row[faults.overlap_pairs[~told]], faults.overlap_areas[~told]
    if shared.size:
        worst = pairs[shared.argmax()]
        text = (f"{shared.size} pair(s) of zones overlap by {_ground(float(shared.sum()))} in all, which counts twice; "
                f"most between rows {worst[0]} and {worst[1]}")  # fmt: skip
        facts.append(Fact("overlap", text, shared.size))
    if faults.gaps.size:
        text = f"{faults.gaps.size} gap(s) inside the field, {_ground(faults.gap_area)} in all, carry no rate"
        facts.append(Fact("gap", text, faults.gaps.size))
    if faults.hairline_overlaps or faults.hairline_gaps:
        text = (f"neighbours miss each other by hairlines under 0.5 m: {faults.hairline_overlaps} overlap(s), "
                f"{_ground(faults.hairline_overlap_area)} in all, and gaps along {faults.hairline_gaps} zone(s), "
                f"{_ground(faults.hairline_gap_area)} in all; too thin to matter")  # fmt: skip
        facts.append(Fact("hairline", text, faults.hairline_overlaps + faults.hairline_gaps))
    if faults.slivers.size:
        text = f"{rows_text(row[faults.slivers])}: a sliver less than 0.5 m wide on average, likely a drawing error"
        facts.append(Fact("sliver", text, faults.slivers.size))
    return facts
