"""What the name of a column says: words, a unit, and the unit in a column of units beside it."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Final

from geoflow.base.errors import LogError
from geoflow.base.schema import fold
from geoflow.layers.notes import rows_text
from geoflow.log_files.log_units import Role, known_unit
from geoflow.log_files.tables import LogTable

__all__ = ["splits", "stated_unit", "unit_in", "words_of"]

_UNIT_WORDS: Final = {"unit", "units", "uom"}


def words_of(name: str) -> list[str]:
    """Return the words of a name, told apart by capitals, digits and marks.

    Parameters
    ----------
    name : str
        Of a column.
    """
    return re.findall(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+|°", name)


def splits(name: str, kind: str) -> list[tuple[str, str | None]]:
    """Return every way to take a unit off a column's name: the folded rest and the unit.

    Parameters
    ----------
    name : str
        Of a column.
    kind : str
        Of unit, as a `Role` has it.
    """
    bracket = re.fullmatch(r"(.*?)[\s_]*[(\[]([^()\[\]]*)[)\]]\s*", name)
    if bracket:
        return [(fold(bracket[1]), known_unit(kind, bracket[2]))]
    found: list[tuple[str, str | None]] = [(fold(name), None)]
    # A capital may start a word or not ("LbNAc", "degF"), so the words are tried both ways.
    for words in (words_of(name), re.findall(r"[^\W_]+|°", name)):
        for at in range(1, len(words)):
            unit = known_unit(kind, "".join(words[at:]))
            if unit is not None:
                found.append((fold("".join(words[:at])), unit))
    return found


def unit_in(role: Role, name: str) -> str | None:
    """Return the unit a column's name states for a role, whatever the rest of the name.

    Parameters
    ----------
    role : Role
        What the column stands for.
    name : str
        Of the column.
    """
    # "lb_n_ac" ends in no shorter unit, but "gps_s" does in "s": the longest tail counts.
    found = next((unit for _, unit in splits(name, role.kind) if unit is not None), None)
    return found or ("deg" if role.kind == "degrees" else None)


def stated_unit(role: Role, table: LogTable, index: int) -> str | None:
    """Return the unit that a column's name or its column of units states.

    Parameters
    ----------
    role : Role
        What the column stands for.
    table : LogTable
        The log.
    index : int
        The column.

    Raises
    ------
    LogError
        If the column of units holds several units, or another one than the name says.
    """
    name = table.names[index]
    own = unit_in(role, name)
    beside = _column_of_units(role, table, index)
    if beside is None or role.kind in {"plain", "time", "degrees"}:
        return own
    cells = table.columns[beside].dropna().astype("str").str.strip()
    texts = sorted(set(cells[cells != ""]))
    units = {known_unit(role.kind, text) for text in texts}
    if len(units) > 1:
        raise LogError(
            f"'{table.names[beside]}' gives the numbers in '{name}' several units: {', '.join(texts[:6])}",
            where=f"{table.where}, {rows_text([0])} and others",
            cure="export the log in one unit",
        )
    unit = units.pop() if units else None
    if own is not None and unit is not None and fold(own) != fold(unit):
        raise LogError(
            f"the name '{name}' says {own} and its column of units '{table.names[beside]}' {unit}",
            where=table.where,
            cure="correct the one that is wrong in the file",
        )
    return own or unit


def _column_of_units(role: Role, table: LogTable, index: int) -> int | None:
    """Return the column of text named like this one with the word unit behind, or next to it where only named so."""
    named = {rest for rest, _ in splits(table.names[index], role.kind)} | {fold(table.names[index])}
    for at, rest in _called_unit(tuple(table.names)):
        if at == index or table.columns[at].dtype.kind in "iufbM":
            continue
        if rest in named or (not rest and at == index + 1):
            return at
    return None


@lru_cache(maxsize=4)
def _called_unit(names: tuple[str, ...]) -> list[tuple[int, str]]:
    """Return the columns whose last word is unit, and what stands before it."""
    words = [(at, words_of(name)) for at, name in enumerate(names)]
    return [(at, fold("".join(said[:-1]))) for at, said in words if said and said[-1].casefold() in _UNIT_WORDS]
