"""Reading an as-applied log: SI arrays in the order driven, only the impossible left out, and all of it told."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from geoflow.bar.keys import NITROGEN_FRACTION
from geoflow.base.arrays import FloatArray, IntArray
from geoflow.ground.applied_log import AppliedLog
from geoflow.ground.latency import Latency
from geoflow.layers.notes import Note
from geoflow.log_files.assemble import assemble
from geoflow.log_files.chosen import ColumnRequest
from geoflow.log_files.clock import Clock
from geoflow.log_files.columns import choose_columns
from geoflow.log_files.doubts import driving_order, left_out, no_order
from geoflow.log_files.log_units import Conditions, nitrogen_per_unit
from geoflow.log_files.mapping import load_mapping, save_mapping
from geoflow.log_files.positions import Positions, find_positions
from geoflow.log_files.records import LogColumns
from geoflow.log_files.screening import Moves, duplicates, in_order_driven
from geoflow.log_files.sections import BarWidths, Labels
from geoflow.log_files.tables import read_log_table

if TYPE_CHECKING:
    import pyproj

__all__ = ["ReadLog", "ReadingLog", "load_mapping", "read_log", "save_mapping"]


@dataclass(frozen=True, eq=False)
class ReadLog:
    """A log as read; rows count from 0 in file order, the line of names apart.

    Attributes
    ----------
    path : Path
        The file.
    file_format : str
        ``"csv"``, ``"parquet"``, ``"shapefile"``, ``"zipped shapefile"``, ``"geojson"``, ``"geopackage"`` or
        ``"table"`` in memory.
    log : AppliedLog
        The records kept, one uninterrupted run after the other in the order they begin.
    local_crs : pyproj.CRS
        Equal-area frame of its positions [m].
    centre : tuple of float
        Longitude and latitude of the field's middle [degree].
    rows_read, kept : int
        Rows in the file and records kept.
    dropped : dict
        Cause to the rows left out for it: ``no position``, ``no time``, ``duplicate``, ``teleport``.
    noted : dict
        Cause to rows that are kept but are no ground, ``section off`` and ``zero step``, or whose ground got an
        unknown rate, ``no rate``.
    notes : tuple of Note
        What a person should know.
    doubts : tuple of Note
        What may make everything after it wrong, to be said first.
    drawn : ndarray of Polygon or MultiPolygon, shape (kept,), or None
        Ground of the records, valid and in the local frame [m], where the log draws it.
    columns : dict
        Role to the name of its column and its unit.
    accepted : tuple of str
        Roles whose column was only proposed, and accepted.
    candidates : dict
        Role without a column to the columns that could be it.
    derived : tuple of str
        Roles no column gives, worked out from the others.
    nitrogen_unit : str
        Unit the applied rate was logged in.
    clock : str or None
        ``"UTC"``, ``"local"`` or ``"elapsed"``; None without a clock.
    start : str or None
        First time in the log as ISO 8601, with a Z where it is UTC.
    latency : Latency or None
        What the machine states of its own.
    given : GeoDataFrame or DataFrame or None
        The records as they were given, where that was in memory.
    """

    path: Path
    file_format: str
    log: AppliedLog
    local_crs: pyproj.CRS
    centre: tuple[float, float]
    rows_read: int
    kept: int
    dropped: dict[str, tuple[int, ...]]
    noted: dict[str, tuple[int, ...]]
    notes: tuple[Note, ...]
    doubts: tuple[Note, ...]
    drawn: Any
    columns: dict[str, tuple[str, str | None]]
    accepted: tuple[str, ...]
    candidates: dict[str, tuple[str, ...]]
    derived: tuple[str, ...]
    nitrogen_unit: str
    clock: str | None
    start: str | None
    latency: Latency | None
    given: Any = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingLog:
    """How a log is read.

    Attributes
    ----------
    columns : sequence of str
        What ``--column`` says: ``ROLE=NAME`` or ``ROLE=NAME:UNIT``; ``ROLE=-`` leaves a role without a column.
    accept : bool
        Whether columns that are only proposed are taken.
    rate_unit, nitrogen, crs, swap_axes, layer
        What the options of the same names say.
    nitrogen_fraction : float
        Mass of nitrogen over mass of ammonia [-].
    air_pressure : float
        Added to gauge pressures [Pa].
    ammonia_density : float or None
        Of the liquid where volume of ammonia is counted [kg/m3].
    bar_width : float or None
        Of the whole bar [m].
    section_widths : sequence of float or None
        Left to right [m].
    mapping : Path or None
        File of roles; `columns` overrule it.
    take_as_ammonia : bool
        Whether the product of task data is ammonia, whatever its name.
    """

    columns: Sequence[str] = ()
    accept: bool = False
    rate_unit: str | None = None
    nitrogen: str | None = None
    nitrogen_fraction: float = NITROGEN_FRACTION
    air_pressure: float = 101_325.0
    ammonia_density: float | None = None
    bar_width: float | None = None
    section_widths: Sequence[float] | None = None
    crs: str | None = None
    swap_axes: bool = False
    layer: str | None = None
    mapping: Path | None = None
    take_as_ammonia: bool = False

    @property
    def conditions(self) -> Conditions:
        """What converts units."""
        return Conditions(self.nitrogen_fraction, self.nitrogen, self.air_pressure, self.ammonia_density)

    @property
    def request(self) -> ColumnRequest:
        """What is said of the columns."""
        bar = BarWidths(self.bar_width, self.section_widths)
        return ColumnRequest(self.columns, self.mapping, self.rate_unit, self.accept, self.conditions, bar.whole)


def read_log(path: Any, how: ReadingLog | None = None, **said: Any) -> ReadLog:
    """Read an as-applied log from CSV, Shapefile (also zipped), GeoJSON, GeoPackage or Parquet.

    Parameters
    ----------
    path : Path, str, GeoDataFrame or DataFrame
        The file, or the records themselves.
    how : ReadingLog, optional
        How it is read.
    **said
        Fields of `ReadingLog`, in place of `how`.

    Raises
    ------
    LogError
        If there is no certain reading; the error names the option that settles it.
    QuantityError
        If a unit is none, or needs more to be known.
    """
    how = how or ReadingLog(**said)
    table = read_log_table(path, how.layer, take_as_ammonia=how.take_as_ammonia)
    choice = choose_columns(table, how.request)
    chosen, notes = choice.chosen, [*table.notes, *choice.notes]
    reading = LogColumns(table, chosen, how.conditions, notes, {}, {}, [], [*choice.doubts])
    positions = find_positions(
        table, *(reading.column(role) for role in ("lon", "lat")), crs=how.crs, swap_axes=how.swap_axes, notes=notes
    )
    rows, clock, seconds = _rows_to_read(reading, positions)
    applied = reading.si("applied", np.arange(table.rows))
    assert applied is not None
    bar = BarWidths(how.bar_width, how.section_widths)
    labels = reading.labels() or reading.told_apart(rows, seconds, positions, applied, bar.count)
    moves = _moves(reading, rows, clock, seconds, positions, labels)
    log = assemble(reading, moves, positions, labels, applied, bar)
    lost = left_out(reading.dropped, applied, log.row[log.on], np.nan_to_num(log.step * log.width)[log.on])
    column = chosen["applied"]
    unit = nitrogen_per_unit(column.unit or "", reading.conditions, where=f"column '{column.name}'")[1]
    return ReadLog(
        path=Path(path if isinstance(path, str | os.PathLike) else table.where),
        file_format=table.file_format,
        log=log,
        local_crs=positions.frame,
        centre=positions.centre,
        rows_read=table.rows,
        kept=log.row.size,
        dropped=reading.dropped,
        noted=reading.noted,
        notes=tuple(notes),
        doubts=(*reading.doubts, *([] if lost is None else [lost])),
        drawn=None if positions.strips is None else positions.strips[log.row],
        columns={role: (column.name, column.unit) for role, column in chosen.items()},
        accepted=choice.accepted,
        candidates=choice.candidates,
        derived=tuple(reading.derived),
        nitrogen_unit=unit,
        clock=None if clock is None else clock.scale,
        start=None if clock is None else clock.start,
        latency=table.latency,
        given=path if table.file_format == "table" else None,
    )


def _rows_to_read(reading: LogColumns, positions: Positions) -> tuple[IntArray, Clock | None, FloatArray]:
    """Rows with a position and, where the log has a clock, a time; the clock, and times of all rows [s]."""
    rows = reading.drop("no area", np.arange(reading.table.rows), positions.flat)
    rows = reading.drop("no position", rows, ~positions.known[rows])
    clock = reading.clock()
    seconds = np.full(reading.table.rows, np.nan) if clock is None else clock.seconds
    timeless = ~np.isfinite(seconds[rows])
    if clock is not None and positions.strips is None:
        rows = reading.drop("no time", rows, timeless)
    elif clock is not None and timeless.any():
        reading.say("time", "polygons without a time count as ground all the same", int(timeless.sum()))
    reading.refuse_nothing(rows)
    return rows, clock, seconds


def _moves(
    reading: LogColumns,
    rows: IntArray,
    clock: Clock | None,
    seconds: FloatArray,
    positions: Positions,
    labels: Labels | None,
) -> Moves:
    """Drop duplicates and outliers and bring the others into the order driven."""
    timed = np.isfinite(seconds)
    if clock is not None and not timed[rows].all():
        seconds = _with_neighbours(seconds)  # drawn ground needs no time, only a place in the order
    label = np.zeros(seconds.size, dtype=np.int64) if labels is None else labels.code
    repeated = duplicates(seconds[rows], positions.x[rows], positions.y[rows], label[rows])
    rows = reading.drop("duplicate", rows, repeated)
    ordered = rows if clock is not None else _ordered(reading, rows, positions, label)
    rows = rows if ordered is None else ordered
    rows, fixes = reading.without_outliers(rows, seconds, positions, label, timed=clock is not None)
    if fixes.spread:
        reading.say("time", "records that share a second of the clock are spread evenly over it", fixes.spread)
    moves = in_order_driven(rows, fixes)
    if ordered is None:
        text = "the polygons have no times and are in no order that can have been driven: their ground counts as drawn"
        reading.say("time", f"{text}, but direction, turns, gaps and lag cannot be told")
        unknown = np.full(rows.size, np.nan)
        moves = replace(moves, run=np.arange(rows.size), heading=unknown, speed=unknown, step=unknown)
    return replace(moves, time=np.where(timed[moves.rows], moves.time, np.nan))


def _ordered(reading: LogColumns, rows: IntArray, positions: Positions, label: IntArray) -> IntArray | None:
    """Rows of a log without times in the order driven; None for polygons in none."""
    taken = {at for column in reading.chosen.values() for at in column.index}
    ordered = driving_order(reading.table, taken, rows, positions.x, positions.y, label, reading.notes)
    if ordered is None and positions.strips is None:
        raise no_order(reading.table.where)
    if ordered is rows:
        reading.say("time", "records are taken in the order of the file")
    return ordered


def _with_neighbours(seconds: FloatArray) -> FloatArray:
    """Times, with those that are missing taken from the row before, or from the first that has one."""
    at = np.maximum.accumulate(np.where(np.isfinite(seconds), np.arange(seconds.size), -1))
    first = int(np.flatnonzero(np.isfinite(seconds))[0])
    return seconds[np.where(at >= 0, at, first)]
