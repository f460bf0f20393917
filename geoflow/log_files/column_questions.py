"""What has to be asked about a log's columns, and what can be typed as the answer."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from geoflow.base.errors import LogError, QuantityError
from geoflow.base.rate_units import rate_unit as unit_named
from geoflow.base.schema import fold
from geoflow.layers.notes import Note
from geoflow.layers.number_cells import MASS_WORDS, contradicts
from geoflow.log_files.chosen import Chosen
from geoflow.log_files.column_names import splits, stated_unit
from geoflow.log_files.log_units import ROLES, Conditions, Role
from geoflow.log_files.proposing import Proposal, counts_rows
from geoflow.log_files.tables import LogTable

__all__ = ["candidates_of", "open_notes", "refuse_open", "refuse_unknown_width", "settle_rates"]

_MOST_LISTED: Final = 20


def settle_rates(
    table: LogTable,
    chosen: dict[str, Chosen],
    open_roles: dict[str, list[int]],
    rate_unit: str | None,
    ranked: Mapping[str, list[Proposal]],
    conditions: Conditions,
) -> None:
    """Give the rates their unit, or refuse with every choice; `chosen` and `open_roles` are brought up to date.

    Parameters
    ----------
    table : LogTable
        The log.
    chosen : mapping
        Columns by role.
    open_roles : mapping
        Role to the columns whose names could be it.
    rate_unit : str or None
        Unit of all rates.
    ranked : mapping
        Candidates by role, best first.
    conditions : Conditions
        Whether the nitrogen of another product is known.

    Raises
    ------
    LogError
        If something has to be asked.
    """
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
) -> tuple[str, str, str]:
    """What is not known of a rate without a column, the options that would say it, the best first, and one to fill."""
    what = f"what '{table.names[named[0]]}' counts" if len(named) == 1 else f"which column is the {role} rate"
    known = {one.index: one.unit for one in ranked if one.complete}
    likely = [*dict.fromkeys([*(one.index for one in ranked), *named])] or _likely(table, chosen)
    lines = [_option(role, table.names[at], rate_unit or known.get(at) or "UNIT") + _span(table, at) for at in likely]
    return (
        what,
        _first(lines),
        f"{role}={table.names[likely[0]] if len(likely) == 1 else 'NAME'}:{rate_unit or 'UNIT'}",
    )


def _unsettled(table: LogTable, unsettled: list[tuple[str, str, str]]) -> LogError:
    what = f"the log does not say {' nor '.join(what for what, _, _ in unsettled)}"
    choices = "".join(lines for _, lines, _ in unsettled)
    if not choices:
        return LogError(what, where=table.where, cure="no column holds numbers that could be a rate: export them too")
    units = ", ".join(ROLES["applied"].units)
    return LogError(
        what,
        where=table.where,
        cure=f"say it with one option for each role, UNIT being one of {units} (the last four with --nitrogen):"
        f"{choices}\n  or give --rate-unit for all rates",
        options=tuple(fill for _, _, fill in unsettled),
    )


def _settle_rate(
    table: LogTable, chosen: dict[str, Chosen], role: str, rate_unit: str | None, *, product_known: bool
) -> list[tuple[str, str, str]]:
    """Give a rate its unit; where that is open returns what is not known and the option that would say it, twice."""
    column = chosen[role]
    own, stated = column.unit, stated_unit(ROLES[role], table, column.index[0])
    unit = own if column.asked and own != stated else rate_unit or own
    _refuse_contradiction(table, column, role, unit, stated)
    full = own is not None and (" " in own or product_known or column.asked)
    if unit is not None and (rate_unit is not None or full):
        chosen[role] = replace(column, unit=unit)
        return []
    what = f"what '{column.name}' counts" + (f" ({own} of which product)" if own else "")
    fill = f"{role}={column.name}:UNIT"
    return [(what, _option(role, column.name, "UNIT") + _span(table, column.index[0]), fill)]


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
    taken |= {at for role in others for at, _ in candidates_of(role, table, taken)}
    return [at for at in range(len(table.names)) if at not in taken and table.is_number(at) and _is_amount(table, at)]


def _is_amount(table: LogTable, index: int) -> bool:
    """Whether a column holds numbers from zero up that do not merely count the rows."""
    values = table.numbers(index)
    finite = values[np.isfinite(values)]
    return finite.size > 0 and float(finite.min()) >= 0.0 and not counts_rows(table, index)


def refuse_open(table: LogTable, chosen: Mapping[str, Chosen], open_roles: dict[str, list[int]]) -> None:
    """Refuse where the position is unknown, or which of several clocks holds.

    Parameters
    ----------
    table : LogTable
        The log.
    chosen : mapping
        Columns by role.
    open_roles : mapping
        Role to the columns whose names could be it.

    Raises
    ------
    LogError
        If something has to be asked.
    """
    for role in ("lon", "lat"):
        if table.shapes is None and role not in chosen:
            raise _no_place(table, role, open_roles.get(role, []))
    if len(open_roles.get("time", [])) > 1:
        lines = _first([_option("time", table.names[at], None) for at in open_roles["time"]])
        count = len(open_roles["time"])
        raise LogError(
            f"{count} columns could be the time",
            where=table.where,
            cure=f"say which one with{lines}",
            options=("time=NAME",),
        )


def _no_place(table: LogTable, role: str, named: list[int]) -> LogError:
    likely = named or [at for at in range(len(table.names)) if _could_be_degrees(table, at)]
    lines = _first([_option(role, table.names[at], None) + _span(table, at) for at in likely])
    return LogError(
        f"the log does not say which column is the {'longitude' if role == 'lon' else 'latitude'}",
        where=table.where,
        cure=f"say it with one of{lines}" if lines else "no column holds degrees: export the log with positions",
        options=(f"{role}=NAME",) if lines else (),
    )


def _could_be_degrees(table: LogTable, index: int) -> bool:
    values = table.numbers(index) if table.is_number(index) else np.array([np.nan])
    finite = values[np.isfinite(values)]
    return finite.size > 0 and bool((np.abs(finite) <= 180.0).all() and (finite != np.round(finite)).any())


def refuse_unknown_width(
    table: LogTable,
    chosen: Mapping[str, Chosen],
    named: Mapping[str, object],
    ranked: Mapping[str, list[Proposal]],
    width: float | None,
) -> None:
    """Refuse a log of points where the width is open and a column could be it.

    Parameters
    ----------
    table : LogTable
        The log.
    chosen : mapping
        Columns by role.
    named : mapping
        Roles that a person spoke of.
    ranked : mapping
        Candidates by role, best first.
    width : float or None
        Of the bar [m].

    Raises
    ------
    LogError
        If something has to be asked.
    """
    likely = ranked.get("width", [])
    if width is not None or "width" in chosen or "width" in named or not likely or _draws(table):
        return
    lines = _first([f'\n    --column "{one.option}"{_span(table, one.index)}' for one in likely])
    raise LogError(
        "nothing says how wide the bar is",
        where=table.where,
        cure=f'say it with --width "40 ft", with a bar file (--bar), or name the column:{lines}',
        options=("width=NAME:UNIT",),
    )


def _draws(table: LogTable) -> bool:
    """Whether the log draws its ground."""
    if table.shapes is None:
        return False
    import shapely

    return bool((shapely.get_dimensions(table.shapes) == 2).any())


def _first(lines: list[str]) -> str:
    """Lines to choose from; of very many the first, and how many more there are."""
    more = len(lines) - _MOST_LISTED
    return "".join(lines[:_MOST_LISTED]) + (f"\n    and {more} more columns" if more > 0 else "")


def _option(role: str, name: str, unit: str | None) -> str:
    return f'\n    --column "{role}={name}{f":{unit}" if unit else ""}"'


def _span(table: LogTable, index: int) -> str:
    try:
        values = table.numbers(index)
    except LogError:
        return ""
    finite = values[np.isfinite(values)]
    return f"   holds {finite.min():.6g} to {finite.max():.6g}" if finite.size else "   holds no numbers"


def candidates_of(role: Role, table: LogTable, taken: set[int]) -> list[tuple[int, str | None]]:
    """Return the columns whose names mean a role and nothing else, with their units.

    Parameters
    ----------
    role : Role
        What is looked for.
    table : LogTable
        The log.
    taken : set of int
        Columns that mean something else.
    """
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


def open_notes(table: LogTable, open_roles: Mapping[str, list[int]]) -> list[Note]:
    """Say which roles have no column, though some could be it.

    Parameters
    ----------
    table : LogTable
        The log.
    open_roles : mapping
        Role to the columns whose names could be it.
    """
    notes = []
    for role, likely in open_roles.items():
        unit = ROLES[role].units[0] if ROLES[role].units else None
        lines = _first([_option(role, table.names[at], unit) + _span(table, at) for at in likely])
        why = "several columns could be it" if len(likely) > 1 else "its column does not say its unit"
        notes.append(Note("column", f"no column is used as {role}: {why}; to use one, add{lines}"))
    return notes
