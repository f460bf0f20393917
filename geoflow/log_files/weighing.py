"""Candidates for a log's roles weighed by how they fit the others: way over time, the rate, the units beside them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.errors import GeoflowError
from geoflow.log_files.chosen import Chosen, ColumnRequest
from geoflow.log_files.clock import read_clock
from geoflow.log_files.fitting import flow_unit_by_rate
from geoflow.log_files.log_units import ROLES, Conditions, role_to_si
from geoflow.log_files.proposing import Proposal, leading
from geoflow.log_files.sections import read_switch
from geoflow.log_files.tables import LogTable

__all__ = ["weigh"]

_FITS, _SHARP, _FEWEST = 0.1, 0.04, 5
_LONGEST: Final = 10.0  # between two records of which one follows the other [s]
_MEAN_RADIUS: Final = 6_371_000.0  # of the earth [m]; a speed is told within 4 %, so a sphere will do
# Middle values that can be believed of a bar at work, in the units that go with acres and with hectares.
_WITH_ACRES: Final = {"width": (("ft", 1.0, 150.0),), "speed": (("mph", 2.0, 12.0),)}
_WITH_HECTARES: Final = {"width": (("m", 0.3, 45.0),), "speed": (("m/s", 0.8, 3.9), ("km/h", 4.4, 20.0))}
_OF_ACRES: Final = ("/ac", "psi", "psia", "ft", "mph", "degF", "lb NH3/min", "gpm")
_OF_HECTARES: Final = ("/ha", "kPa", "bar", "m", "km/h", "degC", "kg NH3/min", "L/min")


def weigh(
    table: LogTable, ranked: Mapping[str, list[Proposal]], chosen: Mapping[str, Chosen], request: ColumnRequest
) -> dict[str, list[Proposal]]:
    """Rank candidates anew by how they fit the columns that are known.

    Parameters
    ----------
    table : LogTable
        The log.
    ranked : mapping
        Role to its candidates, best first.
    chosen : mapping
        Columns with their units.
    request : ColumnRequest
        What converts them, and how wide the bar is.
    """
    found = dict(ranked)
    way = _way_speed(table, chosen, request.conditions) if found.get("speed") else None
    if way is not None:
        _each(found, "speed", lambda one: _by_way(table, one, way, request.conditions))
    rate = _rate(table, chosen, found)
    if rate is not None:
        _each(found, "on", lambda one: _by_rate(table, one, rate))
    for role in ("width", "speed"):
        _each(found, role, lambda one: _by_company(table, one, chosen))
    _each(found, "flow", lambda one: _by_use(table, one, found, chosen, request))
    return {role: sorted(each, key=lambda one: -one.points) for role, each in found.items()}


def _each(ranked: dict[str, list[Proposal]], role: str, weighed: Callable[[Proposal], Proposal]) -> None:
    """Weigh every candidate of a role anew."""
    if role in ranked:
        ranked[role] = [weighed(one) for one in ranked[role]]


def _way_speed(table: LogTable, chosen: Mapping[str, Chosen], conditions: Conditions) -> FloatArray | None:
    """Way over time from each record to the next [m/s], shape (rows,), NaN where none follows; None without a clock."""
    time = chosen.get("time")
    way = _way(table, chosen, conditions)
    if time is None or len(time.index) > 1 or way is None:
        return None
    try:
        clock = read_clock(table.columns[time.index[0]], time.unit, name=time.name, where=table.where)
    except GeoflowError:
        return None
    past = np.diff(clock.seconds, prepend=np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where((past > 0.0) & (past <= _LONGEST), way / past, np.nan)


def _way(table: LogTable, chosen: Mapping[str, Chosen], conditions: Conditions) -> FloatArray | None:
    """Way to each record: as logged, else from degree to degree [m]."""
    step = chosen.get("step")
    if step is not None and step.unit is not None:
        values = table.numbers(step.index[0])
        return role_to_si(ROLES["step"], values, step.unit, conditions, where=table.where)
    places = [chosen.get(role) for role in ("lon", "lat")]
    if places[0] is None or places[1] is None:
        return None
    lon, lat = (np.radians(table.numbers(one.index[0])) for one in places if one is not None)
    east, north = np.diff(lon, prepend=np.nan) * np.cos(lat), np.diff(lat, prepend=np.nan)
    return np.asarray(_MEAN_RADIUS * np.hypot(east, north))


def _by_way(table: LogTable, one: Proposal, way: FloatArray, conditions: Conditions) -> Proposal:
    """Candidate for the speed with the unit in which it is way over time, or with less weight where it is in none."""
    off = {}
    for unit in ROLES["speed"].units if one.unit is None else (one.unit,):
        with np.errstate(divide="ignore", invalid="ignore"):
            speed = role_to_si(ROLES["speed"], table.numbers(one.index), unit, conditions, where=table.where)
            ratio = speed / way
        ratio = ratio[np.isfinite(ratio) & (ratio > 0.0)]
        if ratio.size < _FEWEST:
            return one
        off[unit] = abs(float(np.median(ratio)) - 1.0)
    near = [unit for unit, far in off.items() if far < _FITS]
    if len(near) == 1 and off[near[0]] < _SHARP:
        return replace(
            one, unit=near[0], points=one.points + 1.0, why=f"{one.why}, and way over time is it in {near[0]}"
        )
    return one if near else replace(one, points=one.points - 2.0)


def _rate(table: LogTable, chosen: Mapping[str, Chosen], ranked: Mapping[str, list[Proposal]]) -> FloatArray | None:
    """Numbers of the applied rate, or of what is most likely it."""
    if "applied" in chosen:
        return table.numbers(chosen["applied"].index[0])
    return table.numbers(ranked["applied"][0].index) if ranked.get("applied") else None


def _by_rate(table: LogTable, one: Proposal, rate: FloatArray) -> Proposal:
    """Candidate for on and off: the rate is nothing while off; what is off while most of it flows is another switch."""
    state, known = read_switch(table.columns[one.index], where=table.where)
    known = known & np.isfinite(rate)
    on, off, flows = known & state, known & ~state, rate > 0.0
    if not (off.any() and on.any() and (known & flows).any()):
        return one
    if (off & flows).sum() > 0.5 * (known & flows).sum():
        return replace(one, points=one.points - 2.0)
    if (off & flows).sum() <= 0.1 * off.sum() and (on & flows).sum() >= 0.9 * on.sum():
        return replace(one, points=one.points + 1.0, why=f"{one.why}, and the rate is zero while it is off")
    return one


def _by_use(
    table: LogTable,
    one: Proposal,
    ranked: Mapping[str, list[Proposal]],
    chosen: Mapping[str, Chosen],
    request: ColumnRequest,
) -> Proposal:
    """Candidate for the flow without a unit, in the one in which it is rate times width times speed."""
    if one.unit is not None:
        return one
    known = {
        role: Chosen((best.index,), best.name, best.unit, False)
        for role in ("width", "speed")
        if (best := leading(ranked.get(role, []))) is not None and best.complete
    } | dict(chosen)
    if "applied" in known and request.rate_unit is not None:
        known["applied"] = replace(known["applied"], unit=known["applied"].unit or request.rate_unit)
    unit = flow_unit_by_rate(table, one.index, known, request.conditions, request.width)
    if unit is None:
        return one
    return replace(one, unit=unit, why=f"{one.why}, and rate times width times speed is it in {unit}")


def _by_company(table: LogTable, one: Proposal, chosen: Mapping[str, Chosen]) -> Proposal:
    """Candidate without a unit, in the one that goes with the units of the other columns and can be believed."""
    units = [column.unit for column in chosen.values() if column.unit]
    acres, hectares = (any(unit.endswith(ends) for unit in units) for ends in (_OF_ACRES, _OF_HECTARES))
    if one.unit is not None or acres == hectares:
        return one
    values = table.numbers(one.index)
    middle = float(np.median(values[values > 0.0])) if (values > 0.0).any() else 0.0
    for unit, low, high in (_WITH_ACRES if acres else _WITH_HECTARES)[one.role]:
        if low <= middle <= high:
            return replace(one, unit=unit, why=f"{one.why}, in {unit} by its numbers and the other units of the file")
    return one
