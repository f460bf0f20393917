"""Which column of a log means what, and in which unit: told, or unmistakable from its name, never guessed."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator, Mapping, Sequence
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
from geoflow.log_files.column_names import splits, stated_unit
from geoflow.log_files.fitting import misfit, rate_unit_by_flow
from geoflow.log_files.log_units import ROLES, Conditions, Role
from geoflow.log_files.mapping import named_columns
from geoflow.log_files.proposing import Proposal, counts_rows, leading, propose
from geoflow.log_files.tables import LogTable

__all__ = ["Asked", "Choice", "Chosen", "choose_columns"]

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


@dataclass(frozen=True, slots=True)
class Asked:
    """What a person says of the columns, and what is known of the bar.

    Attributes
    ----------
    columns : sequence of str
        What ``--column`` says.
    mapping : Path or None
        File of roles.
    rate_unit : str or None
        Unit of all rates.
    accept : bool
        Whether proposals are taken.
    conditions : Conditions
        What converts units; with nitrogen of another product, gal/ac and the like are full units.
    width : float or None
        Of the bar [m].
    """

    columns: Sequence[str]
    mapping: Path | None
    rate_unit: str | None
    accept: bool
    conditions: Conditions
    width: float | None


@dataclass(frozen=True, slots=True)
class Choice:
    """The columns chosen, and what is to be said of them.

    Attributes
    ----------
    chosen : dict of str to Chosen
        By role.
    notes : list of Note
        What was found.
    accepted : tuple of str
        Roles taken by proposal.
    candidates : dict of str to tuple of str
        Roles without a column, and the columns that could be it.
    doubts : tuple of Note
        What makes the choice doubtful.
    """

    chosen: dict[str, Chosen]
    notes: list[Note]
    accepted: tuple[str, ...]
    candidates: dict[str, tuple[str, ...]]
    doubts: tuple[Note, ...]


def choose_columns(table: LogTable, asked: Asked) -> Choice:
    """Find the column of every role that has one.

    Parameters
    ----------
    table : LogTable
        The log.
    asked : Asked
        What a person says.

    Raises
    ------
    LogError
        If a column is unknown, or a role the work cannot do without is open; the error lists what to type.
    """
    named = {**table.roles, **named_columns(asked.columns, asked.mapping, table.names)}
    found = {role: _column_named(table, role, *column) for role, column in named.items() if column[0] != _UNUSED}
    open_roles, notes = _choose_unmistakable(table, named, found, asked.rate_unit)
    ranked = _ranked(table, named, found)
    lead = {role: best for role, each in ranked.items() if (best := leading(each)) is not None}
    lead = _with_unit_by_flow(table, lead, found, asked)
    accepted: list[str] = []
    if asked.accept:
        accepted = _accept(lead, found, asked.rate_unit)
        notes += [_accepted_note(lead[role], found[role]) for role in accepted]
        open_roles = {role: each for role, each in open_roles.items() if role not in accepted}
    chosen = {role: found[role] for role in ROLES if role in found}
    offer = {role: one for role, one in lead.items() if role not in chosen}
    with _offering(offer, asked.rate_unit):
        _settle_rates(table, chosen, open_roles, asked.rate_unit, ranked, asked.conditions)
        _refuse_open(table, chosen, open_roles)
        _refuse_unknown_width(table, chosen, named, ranked, asked.width)
    doubt = misfit(table, chosen, asked.conditions, asked.width)
    return Choice(
        chosen,
        [*notes, *_open_notes(table, open_roles), *_idle_notes(table, chosen, open_roles)],
        tuple(accepted),
        {role: tuple(one.name for one in each) for role, each in ranked.items() if role not in chosen},
        (Note("column", doubt),) if doubt else (),
    )


def _ranked(table: LogTable, named: Mapping[str, object], chosen: Mapping[str, Chosen]) -> dict[str, list[Proposal]]:
    """Candidates of the roles that are open, best first."""
    here = {"lon", "lat"} if table.shapes is not None else set()
    roles = [role for role in ROLES if role not in chosen and role not in named and role not in here]
    return propose(table, roles, {at for column in chosen.values() for at in column.index})


def _with_unit_by_flow(
    table: LogTable, lead: Mapping[str, Proposal], chosen: Mapping[str, Chosen], asked: Asked
) -> dict[str, Proposal]:
    """Proposals with the unit of a rate that flow, width and speed show."""
    units = {role: Chosen((one.index,), one.name, one.unit, False) for role, one in lead.items() if one.complete}
    units.update(chosen)
    found = dict(lead)
    for role in ("applied", "target"):
        one = found.get(role)
        if one is not None and not one.complete:
            unit = rate_unit_by_flow(table, one.index, units, asked.conditions, asked.width)
            if unit is not None and (one.unit is None or unit.endswith(one.unit.partition("/")[2])):
                found[role] = replace(one, unit=unit, why=f"{one.why}, and flow, width and speed make {unit} of it")
    return found


def _accept(lead: Mapping[str, Proposal], chosen: dict[str, Chosen], rate_unit: str | None) -> list[str]:
    """Take the proposals whose unit is known; returns their roles."""
    taken = []
    for role, one in lead.items():
        unit = one.unit if one.complete else rate_unit if ROLES[role].kind == "rate" else None
        if one.complete or unit is not None:
            chosen[role] = Chosen((one.index,), one.name, unit, False)
            taken.append(role)
    return taken


def _accepted_note(one: Proposal, column: Chosen) -> Note:
    stated = f", in {column.unit}" if column.unit else ""
    return Note("column", f"{one.role} is taken from the column '{one.name}'{stated}, as proposed ({one.why})")


@contextlib.contextmanager
def _offering(lead: Mapping[str, Proposal], rate_unit: str | None) -> Iterator[None]:
    """Give an error that asks for columns the options that would take all that is proposed."""
    try:
        yield
    except LogError as problem:
        problem.options = tuple(
            f"{one.role}={one.name}:{rate_unit}" if ROLES[one.role].kind == "rate" and rate_unit else one.option
            for one in lead.values()
            if one.complete or one.role in {"applied", "target", "width"}
        )
        raise


def _refuse_unknown_width(
    table: LogTable,
    chosen: Mapping[str, Chosen],
    named: Mapping[str, object],
    ranked: Mapping[str, list[Proposal]],
    width: float | None,
) -> None:
    """Refuse a log of points where the width is open and a column could be it."""
    likely = ranked.get("width", [])
    if width is not None or "width" in chosen or "width" in named or not likely or _draws(table):
        return
    lines = "".join(f'\n    --column "{one.option}"{_span(table, one.index)}' for one in likely)
    raise LogError(
        "nothing says how wide the bar is",
        where=table.where,
        cure=f'say it with --width "40 ft", give --bar a bar file, or name the column:{lines}',
    )


def _draws(table: LogTable) -> bool:
    """Whether the log draws its ground."""
    if table.shapes is None:
        return False
    import shapely

    return bool((shapely.get_dimensions(table.shapes) == 2).any())


def _column_named(table: LogTable, role: str, name: str, unit: str | None) -> Chosen:
    index = _find(table, name, role)
    own = stated_unit(ROLES[role], table, index[0]) if len(index) == 1 else None
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
        candidates = _candidates(part, table, taken)
        column = _certain(part, table, taken, candidates)
        if column is not None and (column.unit or (rate_unit and part.kind == "rate") or part.kind in _NO_UNIT):
            chosen[part.name] = column
            notes.append(_taken_note(part, column, rate_unit))
        elif candidates:
            open_roles[part.name] = [each for each, _ in candidates]
    return open_roles, notes


def _certain(part: Role, table: LogTable, taken: set[int], candidates: list[tuple[int, str | None]]) -> Chosen | None:
    """The one column a role can have; for the time perhaps a date and a time of day."""
    if part.name == "time" and (pair := _date_and_time(table, taken)):
        return Chosen(pair, "+".join(table.names[at] for at in pair), None, False)
    if len(candidates) != 1:
        return None
    at, unit = candidates[0]
    return Chosen((at,), table.names[at], unit, False)


def _taken_note(part: Role, column: Chosen, rate_unit: str | None) -> Note:
    given = column.unit or (rate_unit if part.kind == "rate" else None)
    stated = f", in {given}" if given else ""
    many = "columns" if len(column.index) > 1 else "column"
    return Note("column", f"{part.name} is taken from the {many} '{column.name}'{stated}")


def _idle_notes(table: LogTable, chosen: Mapping[str, Chosen], open_roles: Mapping[str, list[int]]) -> list[Note]:
    used = {at for column in chosen.values() for at in column.index}.union(*open_roles.values())
    idle = [f"'{name}'" for at, name in enumerate(table.names) if at not in used]
    if not idle:
        return []
    listed = ", ".join(idle[:12]) + (f" and {len(idle) - 12} more" if len(idle) > 12 else "")
    return [Note("column", f"not used: {listed}; --column ROLE=NAME:UNIT takes one into use")]


def _candidates(role: Role, table: LogTable, taken: set[int]) -> list[tuple[int, str | None]]:
    found = []
    for index, name in enumerate(table.names):
        if index in taken:
            continue
        fits = [unit for rest, unit in splits(name, role.kind) if rest in role.names]
        if fits:
            unit = next((unit for unit in fits if unit is not None), None)
            stated = stated_unit(role, table, index)  # refuses a column of units that says another
            found.append((index, unit or stated))
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
    ranked: Mapping[str, list[Proposal]],
    conditions: Conditions,
) -> None:
    """Give the rates their unit, or refuse with every choice; `chosen` and `open_roles` are brought up to date."""
    unsettled = []
    for role in ("applied", "target"):
        if role in chosen:
            known = conditions.nitrogen is not None
            unsettled += _settle_rate(table, chosen, role, rate_unit, product_known=known)
        elif role == "applied" or open_roles.get(role):
            unsettled.append(_open_rate(table, chosen, role, open_roles.pop(role, []), rate_unit, ranked.get(role, [])))
    if unsettled:
        raise _unsettled(table, unsettled)


def _open_rate(
    table: LogTable,
    chosen: Mapping[str, Chosen],
    role: str,
    named: list[int],
    rate_unit: str | None,
    ranked: list[Proposal],
) -> tuple[str, str]:
    """What is not known of a rate without a column, and the options that would say it, the best first."""
    what = f"what '{table.names[named[0]]}' counts" if len(named) == 1 else f"which column is the {role} rate"
    likely = [one.index for one in ranked]
    likely += [at for at in named or _likely(table, chosen) if at not in likely]
    lines = (_option(role, table.names[at], rate_unit or "UNIT") + _span(table, at) for at in likely)
    return what, "".join(lines)


def _unsettled(table: LogTable, unsettled: list[tuple[str, str]]) -> LogError:
    what = f"the log does not say {' nor '.join(what for what, _ in unsettled)}"
    choices = "".join(lines for _, lines in unsettled)
    if not choices:
        return LogError(what, where=table.where, cure="no column holds numbers that could be a rate: export them too")
    units = ", ".join(ROLES["applied"].units)
    return LogError(
        what,
        where=table.where,
        cure=f"say it with one option for each role, UNIT being one of {units} (the last four with --nitrogen):"
        f"{choices}\n  or give --rate-unit for all rates",
    )


def _settle_rate(
    table: LogTable, chosen: dict[str, Chosen], role: str, rate_unit: str | None, *, product_known: bool
) -> list[tuple[str, str]]:
    """Give a rate its unit; where that is open returns what is not known and the option that would say it."""
    column = chosen[role]
    own, stated = column.unit, stated_unit(ROLES[role], table, column.index[0])
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
    return finite.size > 0 and float(finite.min()) >= 0.0 and not counts_rows(table, index)


def _refuse_open(table: LogTable, chosen: Mapping[str, Chosen], open_roles: dict[str, list[int]]) -> None:
    """Refuse where the position is unknown, or which of several clocks holds."""
    for role in ("lon", "lat"):
        if table.shapes is None and role not in chosen:
            likely = open_roles.get(role) or [at for at in range(len(table.names)) if _could_be_degrees(table, at)]
            lines = "".join(_option(role, table.names[at], None) + _span(table, at) for at in likely)
            raise LogError(
                f"the log does not say which column is the {'longitude' if role == 'lon' else 'latitude'}",
                where=table.where,
                cure=f"say it with one of{lines}"
                if lines
                else "no column holds degrees: export the log with positions",
            )
    if len(open_roles.get("time", [])) > 1:
        lines = "".join(_option("time", table.names[at], None) for at in open_roles["time"])
        count = len(open_roles["time"])
        raise LogError(f"{count} columns could be the time", where=table.where, cure=f"say which one with{lines}")


def _could_be_degrees(table: LogTable, index: int) -> bool:
    values = table.numbers(index) if table.is_number(index) else np.array([np.nan])
    finite = values[np.isfinite(values)]
    return finite.size > 0 and bool((np.abs(finite) <= 180.0).all() and (finite != np.round(finite)).any())


def _open_notes(table: LogTable, open_roles: Mapping[str, list[int]]) -> list[Note]:
    notes = []
    for role, likely in open_roles.items():
        unit = ROLES[role].units[0] if ROLES[role].units else None
        lines = "".join(_option(role, table.names[at], unit) + _span(table, at) for at in likely)
        why = "several columns could be it" if len(likely) > 1 else "its column does not say its unit"
        notes.append(Note("column", f"no column is used as {role}: {why}; to use one, add{lines}"))
    return notes
