"""Which column of a log means what, and in which unit: told, or unmistakable from its name, never guessed."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Final

from geoflow.base.errors import LogError
from geoflow.base.schema import fold
from geoflow.base.spelling import nearest
from geoflow.layers.notes import Note
from geoflow.log_files.chosen import Choice, Chosen, ColumnRequest
from geoflow.log_files.column_names import stated_unit
from geoflow.log_files.column_questions import (
    candidates_of,
    open_notes,
    refuse_open,
    refuse_unknown_width,
    settle_rates,
)
from geoflow.log_files.fitting import misfit, rate_unit_by_flow
from geoflow.log_files.log_units import ROLES, Role
from geoflow.log_files.mapping import named_columns
from geoflow.log_files.proposing import Proposal, leading, propose
from geoflow.log_files.tables import LogTable
from geoflow.log_files.weighing import weigh

__all__ = ["choose_columns"]

_UNUSED: Final = "-"
_NO_UNIT: Final = {"plain", "time"}  # a time's unit is asked for where the cells need one


def choose_columns(table: LogTable, request: ColumnRequest) -> Choice:
    """Find the column of every role that has one.

    Parameters
    ----------
    table : LogTable
        The log.
    request : ColumnRequest
        What a person says.

    Raises
    ------
    LogError
        If a column is unknown, or a role the work cannot do without is open; the error lists what to type.
    """
    named = {**table.roles, **named_columns(request.columns, request.mapping, table.names)}
    found = {role: _column_named(table, role, *column) for role, column in named.items() if column[0] != _UNUSED}
    open_roles, notes = _choose_unmistakable(table, named, found, request.rate_unit)
    ranked = weigh(table, _ranked(table, named, found), found, request)
    lead = _leads(table, ranked, found, request)
    accepted = _accept(lead, found, request.rate_unit) if request.accept else []
    notes += [_accepted_note(lead[role], found[role]) for role in accepted]
    open_roles = {role: each for role, each in open_roles.items() if role not in accepted}
    chosen = {role: found[role] for role in ROLES if role in found}
    with _offering({role: one for role, one in lead.items() if role not in accepted}, request.rate_unit):
        settle_rates(table, chosen, open_roles, request.rate_unit, ranked, request.conditions)
        refuse_open(table, chosen, open_roles)
        refuse_unknown_width(table, chosen, named, ranked, request.width)
    doubt = misfit(table, chosen, request.conditions, request.width)
    return Choice(
        chosen,
        [*notes, *open_notes(table, open_roles), *_idle_notes(table, chosen, open_roles)],
        tuple(accepted),
        {role: tuple(one.name for one in each) for role, each in ranked.items() if role not in chosen},
        (Note("column", doubt),) if doubt else (),
    )


def _ranked(table: LogTable, named: Mapping[str, object], chosen: Mapping[str, Chosen]) -> dict[str, list[Proposal]]:
    """Candidates of the roles that are open, best first."""
    here = {"lon", "lat"} if table.shapes is not None else set()
    roles = [role for role in ROLES if role not in chosen and role not in named and role not in here]
    return propose(table, roles, {at for column in chosen.values() for at in column.index})


def _leads(
    table: LogTable, ranked: Mapping[str, list[Proposal]], chosen: Mapping[str, Chosen], request: ColumnRequest
) -> dict[str, Proposal]:
    """The proposal of each open role, and of rates of no known product, with the unit that flow and speed show."""
    lead = {
        role: best for role, each in ranked.items() if (best := leading(each, needed=role == "applied")) is not None
    }
    units = {role: Chosen((one.index,), one.name, one.unit, False) for role, one in lead.items() if one.complete}
    units.update(chosen)
    for role in ("applied", "target"):
        one = lead.get(role) or _rate_of_no_product(role, chosen, request)
        if one is not None and not one.complete:
            unit = rate_unit_by_flow(table, one.index, units, request.conditions, request.width)
            if unit is not None and (one.unit is None or unit.endswith(one.unit.partition("/")[2])):
                lead[role] = replace(one, unit=unit, why=f"{one.why}, and flow, width and speed make {unit} of it")
    return lead


def _rate_of_no_product(role: str, chosen: Mapping[str, Chosen], request: ColumnRequest) -> Proposal | None:
    """The column of a rate that is certain, though nobody says what product its unit counts."""
    column = chosen.get(role)
    if column is None or column.asked or column.unit is None or " " in column.unit:
        return None
    if request.rate_unit is not None or request.conditions.nitrogen is not None:
        return None
    return Proposal(role, column.index[0], column.name, column.unit, 0.0, f"by its name, in {column.unit}")


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
        offered = {
            one.role: f"{one.role}={one.name}:{rate_unit}" if _rate_in(one.role, rate_unit) else one.option
            for one in lead.values()
            if one.complete or one.role in {"applied", "target", "width"}
        }
        # What is asked for and not proposed has to be written in.
        asked_for = {option.partition("=")[0]: option for option in problem.options}
        problem.options = tuple((asked_for | offered).values())
        raise


def _rate_in(role: str, rate_unit: str | None) -> bool:
    return ROLES[role].kind == "rate" and rate_unit is not None


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
    candidates = {role: candidates_of(ROLES[role], table, taken) for role in ROLES if role not in known}
    told = _told(table, taken, candidates, rate_unit)
    chosen.update(told)
    notes = [_taken_note(ROLES[role], one, rate_unit) for role, one in told.items()]
    return {role: [at for at, _ in each] for role, each in candidates.items() if each and role not in told}, notes


def _told(
    table: LogTable, taken: set[int], candidates: Mapping[str, list[tuple[int, str | None]]], rate_unit: str | None
) -> dict[str, Chosen]:
    """Columns of the roles of which name and unit are certain."""
    certain = {role: _certain(ROLES[role], table, taken, each) for role, each in candidates.items()}
    return {role: one for role, one in certain.items() if one is not None and _has_unit(ROLES[role], one, rate_unit)}


def _has_unit(role: Role, column: Chosen, rate_unit: str | None) -> bool:
    return bool(column.unit or (rate_unit and role.kind == "rate") or role.kind in _NO_UNIT)


def _certain(part: Role, table: LogTable, taken: set[int], candidates: list[tuple[int, str | None]]) -> Chosen | None:
    """The one column a role can have; for the time perhaps a date and a time of day."""
    if part.name == "time" and (pair := _date_and_time(table, taken)):
        return Chosen(pair, "+".join(table.names[at] for at in pair), None, False)
    if len(candidates) != 1:
        return None
    at, unit = candidates[0]
    return Chosen((at,), table.names[at], unit, False)


def _taken_note(part: Role, column: Chosen, rate_unit: str | None) -> Note:
    given = (rate_unit if part.kind == "rate" else None) or column.unit
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


def _date_and_time(table: LogTable, taken: set[int]) -> tuple[int, int] | None:
    """Return the one column of dates and the one of times of day, where they stand apart."""
    dates = [at for at, name in enumerate(table.names) if at not in taken and fold(name) in {"date", "utcdate", "day"}]
    times = [at for at, _ in candidates_of(ROLES["time"], table, taken)]
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
