"""Which column of a log means what, and in which unit: told, or unmistakable from its name, never guessed."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from geoflow.base.errors import LogError, QuantityError
from geoflow.base.rate_units import rate_unit as unit_named
from geoflow.base.schema import fold
from geoflow.base.spelling import nearest
from geoflow.layers.notes import Note
from geoflow.layers.number_cells import MASS_WORDS, contradicts
from geoflow.log_files.log_units import ROLES, Role, known_unit
from geoflow.log_files.mapping import named_columns
from geoflow.log_files.tables import LogTable

__all__ = ["Chosen", "choose_columns"]

_UNUSED: Final = "-"
_NO_UNIT: Final = {"plain", "time"}  # a time's unit is asked for where the cells need one


@dataclass(frozen=True, slots=True)
class Chosen:
    """A column that plays a role.

    Attributes
    ----------
    index : tuple of int
        Its position; several where date and time of day stand apart.
    name : str
        As in the file, joined with ``+``.
    unit : str or None
        As given or found in the name.
    asked : bool
        Whether a person named it.
    """

    index: tuple[int, ...]
    name: str
    unit: str | None
    asked: bool


def choose_columns(
    table: LogTable,
    columns: Sequence[str],
    mapping: Path | None,
    rate_unit: str | None,
    *,
    product_known: bool,
) -> tuple[dict[str, Chosen], list[Note]]:
    """Find the column of every role that has one.

    Parameters
    ----------
    table : LogTable
        The log.
    columns, mapping, rate_unit
        What the options of these names say.
    product_known : bool
        Whether ``--nitrogen`` says what is in another product, so that gal/ac and the like are full units.

    Raises
    ------
    LogError
        If a column is unknown, or a role the work cannot do without is open; the error lists what to type.
    """
    named = {**table.roles, **named_columns(columns, mapping, table.names)}
    found = {role: _column_named(table, role, *column) for role, column in named.items() if column[0] != _UNUSED}
    open_roles, notes = _choose_unmistakable(table, named, found, rate_unit)
    chosen = {role: found[role] for role in ROLES if role in found}
    _settle_rates(table, chosen, open_roles, rate_unit, product_known=product_known)
    _refuse_open(table, chosen, open_roles)
    return chosen, [*notes, *_open_notes(table, open_roles), *_idle_notes(table, chosen, open_roles)]


def _column_named(table: LogTable, role: str, name: str, unit: str | None) -> Chosen:
    index = _find(table, name, role)
    own = _unit_in(ROLES[role], name) if len(index) == 1 else None
    return Chosen(index, "+".join(table.names[at] for at in index), unit or own, True)


def _choose_unmistakable(
    table: LogTable, named: Mapping[str, object], chosen: dict[str, Chosen], rate_unit: str | None
) -> tuple[dict[str, list[int]], list[Note]]:
    """Add to `chosen` what names tell for certain; returns the columns of each role that is left open."""
    taken = {at for column in chosen.values() for at in column.index}
    known = set(named) if table.shapes is None else {*named, "lon", "lat"}
    open_roles: dict[str, list[int]] = {}
    notes: list[Note] = []
    for part in (part for part in ROLES.values() if part.name not in known):
        if part.name == "time" and (pair := _date_and_time(table, taken)):
            chosen["time"] = Chosen(pair, "+".join(table.names[at] for at in pair), None, False)
            notes.append(Note("column", f"time is taken from the columns '{chosen['time'].name}'"))
        elif candidates := _candidates(part, table, taken):
            at, unit = candidates[0]
            given = unit or (rate_unit if part.kind == "rate" else None)
            if len(candidates) == 1 and (given is not None or part.kind in _NO_UNIT):
                chosen[part.name] = Chosen((at,), table.names[at], unit, False)
                stated = f", in {given}" if given else ""
                notes.append(Note("column", f"{part.name} is taken from the column '{table.names[at]}'{stated}"))
            else:
                open_roles[part.name] = [each for each, _ in candidates]
    return open_roles, notes


def _idle_notes(table: LogTable, chosen: Mapping[str, Chosen], open_roles: Mapping[str, list[int]]) -> list[Note]:
    used = {at for column in chosen.values() for at in column.index}.union(*open_roles.values())
    idle = [f"'{name}'" for at, name in enumerate(table.names) if at not in used]
    if not idle:
        return []
    listed = ", ".join(idle[:12]) + (f" and {len(idle) - 12} more" if len(idle) > 12 else "")
    return [Note("column", f"not used: {listed}; --column ROLE=NAME:UNIT takes one into use")]


def _words(name: str) -> list[str]:
    return re.findall(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+|°", name)


def _splits(name: str, kind: str) -> list[tuple[str, str | None]]:
    """Every way to take a unit off a column name: the folded rest and the unit."""
    bracket = re.fullmatch(r"(.*?)[\s_]*[(\[]([^()\[\]]*)[)\]]\s*", name)
    if bracket:
        return [(fold(bracket[1]), known_unit(kind, bracket[2]))]
    found: list[tuple[str, str | None]] = [(fold(name), None)]
    # A capital may start a word or not ("LbNAc", "degF"), so the words are tried both ways.
    for words in (_words(name), re.findall(r"[^\W_]+|°", name)):
        for at in range(1, len(words)):
            unit = known_unit(kind, "".join(words[at:]))
            if unit is not None:
                found.append((fold("".join(words[:at])), unit))
    return found


def _unit_in(role: Role, name: str) -> str | None:
    """Unit a column's name states for a role, whatever the rest of the name."""
    units = {unit for _, unit in _splits(name, role.kind) if unit is not None}
    if len(units) > 1:  # "lb_n_ac" ends in no shorter unit, but "gps_s" does in "s": the longest tail counts
        return next(unit for _, unit in _splits(name, role.kind) if unit is not None)
    return units.pop() if units else ("deg" if role.kind == "degrees" else None)


def _candidates(role: Role, table: LogTable, taken: set[int]) -> list[tuple[int, str | None]]:
    found = []
    for index, name in enumerate(table.names):
        if index in taken:
            continue
        fits = [unit for rest, unit in _splits(name, role.kind) if rest in role.names]
        if fits:
            unit = next((unit for unit in fits if unit is not None), None)
            found.append((index, unit or ("deg" if role.kind == "degrees" else None)))
    return found


def _date_and_time(table: LogTable, taken: set[int]) -> tuple[int, int] | None:
    """Return the one column of dates and the one of times of day, where they stand apart."""
    dates = [at for at, name in enumerate(table.names) if at not in taken and fold(name) in {"date", "utcdate", "day"}]
    times = [at for at, _ in _candidates(ROLES["time"], table, taken)]
    if len(dates) != 1 or len(times) != 1:
        return None
    first = table.columns[times[0]].dropna().astype(str).head(1).tolist()
    return (dates[0], times[0]) if first and re.match(r"\d{1,2}:\d\d", first[0]) else None


def _find(table: LogTable, name: str, role: str) -> tuple[int, ...]:
    for test in (str, str.casefold, fold):
        found = tuple(at for at, own in enumerate(table.names) if test(own) == test(name))
        if len(found) == 1:
            return found
        if found:
            raise LogError(
                f"'{name}' fits {len(found)} columns",
                where=f"{table.where}, role {role}",
                cure="rename one in the file",
            )
    if "+" in name:
        return tuple(at for part in name.split("+") for at in _find(table, part.strip(), role))
    raise LogError(
        f"there is no column '{name}'{nearest(name, table.names)}",
        where=f"{table.where}, role {role}",
        cure=f"one of {', '.join(repr(own) for own in table.names)}",
    )


def _option(role: str, name: str, unit: str | None) -> str:
    return f'\n    --column "{role}={name}{f":{unit}" if unit else ""}"'


def _span(table: LogTable, index: int) -> str:
    try:
        values = table.numbers(index)
    except LogError:
        return ""
    finite = values[np.isfinite(values)]
    return f"   holds {finite.min():.6g} to {finite.max():.6g}" if finite.size else "   holds no numbers"


def _settle_rates(
    table: LogTable,
    chosen: dict[str, Chosen],
    open_roles: dict[str, list[int]],
    rate_unit: str | None,
    *,
    product_known: bool,
) -> None:
    """Give the rates their unit, or refuse with every choice; `chosen` and `open_roles` are brought up to date."""
    unsettled = []
    for role in ("applied", "target"):
        if role in chosen:
            unsettled += _settle_rate(table, chosen, role, rate_unit, product_known=product_known)
        elif role == "applied" or open_roles.get(role):
            named = open_roles.pop(role, [])
            what = f"what '{table.names[named[0]]}' counts" if len(named) == 1 else f"which column is the {role} rate"
            lines = (
                _option(role, table.names[index], rate_unit or "UNIT") + _span(table, index)
                for index in named or _likely(table, chosen)
            )
            unsettled.append((what, "".join(lines)))
    if unsettled:
        units = ", ".join(ROLES["applied"].units)
        raise LogError(
            f"the log does not say {' nor '.join(what for what, _ in unsettled)}",
            where=table.where,
            cure=f"say it with one option for each role, UNIT being one of {units} (the last four with --nitrogen):"
            + "".join(lines for _, lines in unsettled)
            + "\n  or give --rate-unit for all rates",
        )


def _settle_rate(
    table: LogTable, chosen: dict[str, Chosen], role: str, rate_unit: str | None, *, product_known: bool
) -> list[tuple[str, str]]:
    """Give a rate its unit; where that is open returns what is not known and the option that would say it."""
    column = chosen[role]
    own, stated = column.unit, _unit_in(ROLES[role], column.name)
    unit = own if column.asked and own != stated else rate_unit or own
    _refuse_contradiction(table, column, role, unit, stated)
    full = own is not None and (" " in own or product_known or column.asked)
    if unit is not None and (rate_unit is not None or full):
        chosen[role] = replace(column, unit=unit)
        return []
    what = f"what '{column.name}' counts" + (f" ({own} of which product)" if own else "")
    return [(what, _option(role, column.name, "UNIT") + _span(table, column.index[0]))]


def _refuse_contradiction(table: LogTable, column: Chosen, role: str, unit: str | None, stated: str | None) -> None:
    if unit is None or stated is None or fold(unit) == fold(stated):
        return
    mass, counted, ground = re.fullmatch(r"(\w+)(?: (\w+))?/(\w+)", stated).groups()  # type: ignore[union-attr]

    try:
        known = unit_named(unit, where=role)
    except QuantityError:
        parts = re.match(r"\s*([a-zA-Z#]+)", unit)
        clash = counted is not None or (parts is not None and MASS_WORDS.get(parts[1].casefold(), mass) != mass)
    else:
        clash = contradicts((mass, counted, ground), known)
    if clash:
        raise LogError(
            f"the {role} rate is stated in {unit}, but the column name '{column.name}' says {stated}",
            where=table.where,
            cure="leave the unit out or make it agree; if the name is wrong, rename the column in the file",
        )


def _likely(table: LogTable, chosen: Mapping[str, Chosen]) -> list[int]:
    """Columns of numbers that no other role has and that do not count rows."""
    taken = {at for column in chosen.values() for at in column.index}
    others = [role for role in ROLES.values() if role.kind != "rate"]
    taken |= {at for role in others for at, _ in _candidates(role, table, taken)}
    return [at for at in range(len(table.names)) if at not in taken and table.is_number(at) and _is_amount(table, at)]


def _is_amount(table: LogTable, index: int) -> bool:
    """Whether a column holds numbers from zero up that do not merely count the rows."""
    values = table.numbers(index)
    finite = values[np.isfinite(values)]
    counts = finite.size > 1 and bool((np.diff(finite) == 1.0).all())
    return finite.size > 0 and float(finite.min()) >= 0.0 and not counts


def _refuse_open(table: LogTable, chosen: Mapping[str, Chosen], open_roles: dict[str, list[int]]) -> None:
    """Refuse where the position is unknown, or which of several clocks holds."""
    for role in ("lon", "lat"):
        if table.shapes is None and role not in chosen:
            likely = open_roles.get(role) or [at for at in range(len(table.names)) if table.is_number(at)]
            lines = "".join(_option(role, table.names[at], None) + _span(table, at) for at in likely)
            raise LogError(
                f"the log does not say which column is the {'longitude' if role == 'lon' else 'latitude'}",
                where=table.where,
                cure=f"say it with one of{lines or ' --column (the file holds no numbers)'}",
            )
    if len(open_roles.get("time", [])) > 1:
        lines = "".join(_option("time", table.names[at], None) for at in open_roles["time"])
        count = len(open_roles["time"])
        raise LogError(f"{count} columns could be the time", where=table.where, cure=f"say which one with{lines}")


def _open_notes(table: LogTable, open_roles: Mapping[str, list[int]]) -> list[Note]:
    notes = []
    for role, likely in open_roles.items():
        unit = ROLES[role].units[0] if ROLES[role].units else None
        lines = "".join(_option(role, table.names[at], unit) + _span(table, at) for at in likely)
        why = "several columns could be it" if len(likely) > 1 else "its column does not say its unit"
        notes.append(Note("column", f"no column is used as {role}: {why}; to use one, add{lines}"))
    return notes
