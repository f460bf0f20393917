"""Going through a log once: where and when each record was made, and which fields can have it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray
from geoflow.base.errors import LogError
from geoflow.base.spelling import nearest
from geoflow.ground.visits import Claims, Fields, claims_of, fields_of, ground_steps
from geoflow.layers.projection import Placement
from geoflow.log_files.chosen import Chosen
from geoflow.log_files.clock import Clock, read_clock
from geoflow.log_files.positions import located, raw_positions
from geoflow.log_files.read_log import ReadingLog
from geoflow.log_files.streams import LogStream
from geoflow.log_files.tables import LogTable

__all__ = ["NO_DAY", "Scan", "day_text", "scan"]

_WRITTEN: Final = re.compile(r"(\d{1,2})[-/.](\d{1,2})[-/.]\d{2,4}[T ,]")
_DAY: Final = 86_400.0
NO_DAY: Final = int(np.iinfo(np.int32).min)
"""Stands for a day that is not known."""


@dataclass(frozen=True, eq=False)
class Scan:
    """What was found of a log's records, in the order of the file.

    Attributes
    ----------
    field : ndarray of int32, shape (records,)
        Field of each; negative in none.
    machine : ndarray of int, shape (records,)
        Place of its machine among `machines`.
    machines : tuple of str
        As the log calls them; one of no name without a column for them.
    lon, lat : ndarray, shape (records,)
        [degree]; NaN where there is no position.
    day : ndarray of int32, shape (records,)
        Since 1970-01-01 by the log's own clock; `NO_DAY` where it is not known.
    order : ndarray of int or None
        Records in the order driven; None where the file has them so.
    spread : ndarray of bool, shape (records,)
        Whether a rate above zero was logged.
    time_unit : str or None
        Which of day and month stands first, where all dates of the log tell it and those of a field might not.
    """

    field: Any
    machine: IntArray
    machines: tuple[str, ...]
    lon: FloatArray
    lat: FloatArray
    day: Any
    order: IntArray | None
    spread: BoolArray
    time_unit: str | None


def day_text(day: int) -> str | None:
    """Write a day as ``2026-04-21``; None where it is not known.

    Parameters
    ----------
    day : int
        Of `Scan`.
    """
    return None if day == NO_DAY else str(np.datetime64(day, "D"))


class _Reader:
    """Positions, times and the rest of one log's parts, all read in one way."""

    def __init__(
        self, start: LogTable, chosen: Mapping[str, Chosen], how: ReadingLog, machine: str | None, unit: str | None
    ) -> None:
        self._chosen, self._how, self._unit = chosen, how, unit
        self._machine = None if machine is None else _named(start, machine)
        roles = [role for role in ("lon", "lat", "time", "applied") if role in chosen]
        wanted = {at for role in roles for at in chosen[role].index} | ({self._machine} - {None})
        self.columns = sorted(at for at in wanted if at is not None)
        self._spot = self._place(start)
        self.clock_scale = None if "time" not in chosen else self._clock(start).scale
        self.machines: dict[str, int] = {}

    def _at(self, table: LogTable, index: int) -> int:
        """Place of a column in a table of all columns, or of those asked for."""
        return self.columns.index(index) if len(table.names) == len(self.columns) else index

    def _lon_lat(self, table: LogTable) -> tuple[FloatArray | None, FloatArray | None]:
        if "lon" not in self._chosen or "lat" not in self._chosen:
            return None, None
        lon, lat = (table.numbers(self._at(table, self._chosen[role].index[0])) for role in ("lon", "lat"))
        return lon, lat

    def _place(self, start: LogTable) -> Placement:
        lon, lat = self._lon_lat(start)
        return located(start, lon, lat, crs=self._how.crs, swap_axes=self._how.swap_axes)[4]

    def positions(self, table: LogTable) -> tuple[FloatArray, FloatArray]:
        """Longitude and latitude [degree]; NaN where there is no position."""
        import pyproj

        try:
            x, y, _ = raw_positions(table, *self._lon_lat(table))
        except LogError:  # a part of the log without any shape
            x = y = np.full(table.rows, np.nan)
        x, y = (y, x) if self._spot.swap else (x, y)
        known = np.isfinite(x) & np.isfinite(y) & ~((x == 0.0) & (y == 0.0))
        if self._spot.crs.to_epsg() != 4326:
            onward = pyproj.Transformer.from_crs(self._spot.crs, 4326, always_xy=True)
            x, y = onward.transform(np.where(known, x, 0.0), np.where(known, y, 0.0))
        known &= (np.abs(x) <= 180.0) & (np.abs(y) <= 90.0)
        return np.where(known, x, np.nan), np.where(known, y, np.nan)

    def _cells(self, table: LogTable) -> Any:
        cells, *others = (table.columns[self._at(table, at)] for at in self._chosen["time"].index)
        for other in others:
            cells = cells.astype("str") + " " + other.astype("str")
        return cells

    def _clock(self, table: LogTable) -> Clock:
        column = self._chosen["time"]
        return read_clock(self._cells(table), self._unit or column.unit, name=column.name, where=table.where)

    def seconds(self, table: LogTable) -> FloatArray:
        """Times [s]; NaN where there is none."""
        if self.clock_scale is None:
            return np.full(table.rows, np.nan)
        try:
            return self._clock(table).seconds
        except LogError:  # a part of the log without one readable time; a field's own reading says so
            return np.full(table.rows, np.nan)

    def spread(self, table: LogTable) -> BoolArray:
        """Whether a rate above zero was logged."""
        try:
            return np.asarray(table.numbers(self._at(table, self._chosen["applied"].index[0])) > 0.0)
        except LogError:
            return np.zeros(table.rows, dtype=np.bool_)

    def machine(self, table: LogTable) -> IntArray:
        """Number of each record's machine."""
        if self._machine is None:
            self.machines.setdefault("", 0)
            return np.zeros(table.rows, dtype=np.int16)
        import pandas

        cells = table.columns[self._at(table, self._machine)]
        codes, names = pandas.factorize(cells.astype("str").where(cells.notna(), "").str.strip())
        own = [self.machines.setdefault(str(name), len(self.machines)) for name in names]
        return np.asarray(np.array(own, dtype=np.int16)[codes])


def _named(table: LogTable, name: str) -> int:
    if name in table.names:
        return table.names.index(name)
    raise LogError(
        f"there is no column '{name}'{nearest(name, table.names)}",
        where=f"{table.where}, --machine",
        cure=f"one of {', '.join(repr(own) for own in table.names)}",
    )


def _day_or_month(stream: LogStream, start: LogTable, chosen: Mapping[str, Chosen]) -> str | None:
    """Which of day and month stands first in dates like 3/4/2026, told by all dates of the log; None for others."""
    column = chosen.get("time")
    if column is None or column.unit is not None:
        return None
    at = column.index[0]
    first = start.columns[at].dropna().astype("str").head(1).tolist()
    if not first or not _WRITTEN.match(first[0].strip() + " "):
        return None
    for table in stream.tables([at]):
        parts = table.columns[0].astype("str").str.extract(r"^\s*(\d{1,2})[-/.](\d{1,2})[-/.]").astype(float)
        if parts[0].max() > 12.0:
            return "day/month"
        if parts[1].max() > 12.0:
            return "month/day"
    return None  # the reading of times asks


def scan(
    stream: LogStream, start: LogTable, chosen: Mapping[str, Chosen], how: ReadingLog, fields: Fields,
    machine: str | None,
) -> Scan:  # fmt: skip
    """Go through a log and tell the field of each record.

    Parameters
    ----------
    stream : LogStream
        The log.
    start : LogTable
        Its first records.
    chosen : mapping
        Columns by role.
    how : ReadingLog
        What is said of it.
    fields : Fields
        The outlines.
    machine : str or None
        Column that tells machines apart.

    Raises
    ------
    LogError
        If positions or times cannot be told for certain.
    """
    unit = _day_or_month(stream, start, chosen)
    reader = _Reader(start, chosen, how, machine, unit)
    claims: list[Claims] = []
    parts: dict[str, list[Any]] = {name: [] for name in ("lon", "lat", "seconds", "machine", "spread")}
    for table in stream.tables(reader.columns):
        lon, lat = reader.positions(table)
        claims.append(claims_of(lon, lat, fields))
        seconds, machine_of, on = reader.seconds(table), reader.machine(table), reader.spread(table)
        for pile, part in zip(parts.values(), (lon, lat, seconds, machine_of, on), strict=True):
            pile.append(part)
    rows = sum(map(len, parts["lon"])) - stream.blanks
    # One column after the other, so that none is there twice for long.
    whole: list[Any] = [np.concatenate(parts.pop(name))[:rows] for name in list(parts)]
    lon, lat, seconds, machines, spread = whole
    claimed = Claims.joined(claims)
    claims.clear()
    order = _order(seconds, machines, by_time=reader.clock_scale in {"UTC", "local"})
    field = _fields(claimed, order, (lon, lat, seconds), machines, fields.rank)
    dated = reader.clock_scale in {"UTC", "local"}
    days: Any = np.full(rows, NO_DAY, dtype=np.int32)
    if dated:
        known = np.isfinite(seconds)
        days[known] = seconds[known] // _DAY
    return Scan(field, machines, tuple(reader.machines), lon, lat, days, order, spread, unit)


def _order(seconds: FloatArray, machines: IntArray, *, by_time: bool) -> Any:
    """Records in the order driven, machine after machine; None where the file has them so."""
    filled = seconds
    if by_time and np.isnan(seconds).any():  # a record without a time stays behind the one before it
        at = np.maximum.accumulate(np.where(np.isfinite(seconds), np.arange(seconds.size), -1))
        filled = np.where(at >= 0, seconds[np.maximum(at, 0)], -np.inf)
    if not by_time:
        return None if not machines.any() else np.argsort(machines, kind="stable")
    if not machines.any():
        return None if not (filled[1:] < filled[:-1]).any() else _short(np.argsort(filled, kind="stable"))
    return _short(np.lexsort((filled, machines)))


def _short(order: IntArray) -> Any:
    """Numbers of half the size: no log has two thousand million records."""
    return order.astype(np.int32)


def _fields(
    claims: Claims, order: IntArray | None, of: Sequence[FloatArray], machines: IntArray, rank: IntArray
) -> Any:
    """Field of each record, in the order of the file."""
    lon, lat, seconds = of
    if order is None:
        return fields_of(claims.taken(lon.size), seconds, ground_steps(lon, lat), rank)
    steps = ground_steps(lon, lat, order)
    own = machines[order]
    steps[1:][own[1:] != own[:-1]] = np.inf
    found = np.empty(order.size, dtype=np.int32)
    found[order] = fields_of(claims.taken(order), seconds[order], steps, rank)
    return found
