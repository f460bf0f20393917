"""Which columns a log's open roles could be: ranked by words, units, values, and by how they fit each other.

What is found here is never taken by itself: it is offered, and taken where a person accepts it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.errors import LogError
from geoflow.base.schema import fold
from geoflow.log_files.column_names import splits, stated_unit, words_of
from geoflow.log_files.log_units import ROLES, Role
from geoflow.log_files.sections import read_switch
from geoflow.log_files.tables import LogTable

__all__ = ["Proposal", "counts_rows", "leading", "propose"]

_CUT: Final = 10  # letters that a DBF keeps of a name
_SURE, _MARGIN = 2.0, 0.75  # points from which a column is proposed, and by which it leads the next

# Words of the trade for each role; each group is one thing to say, and a name needs one word of every group.
_ROLE_WORDS: Final[dict[str, tuple[str, ...]]] = {
    "time": ("time|timestamp|clock",),
    "lon": ("lon|long|longitude|x|easting",),
    "lat": ("lat|latitude|y|northing",),
    "heading": ("heading|course|track|bearing|hdg",),
    "speed": ("speed|spd|velocity",),
    "step": ("distance|dist|step|travel",),
    "width": ("width|swath|wdth",),
    "section": ("section|sect|boomsection",),
    "applied": ("applied|actual|appl|app|asapplied|delivered", "rate|lb|kg|gal|amount|asapplied"),
    "target": ("target|tgt|trgt|targ|prescribed|prescription|rx|setpoint|desired|planned|asked",
               "rate|lb|kg|gal|amount|rx|setpoint|prescribed"),
    "flow": ("flow|massflow",),
    "pump_pressure": ("pump|before|upstream", "psi|pressure|press|prs|kpa|bar"),
    "bar_pressure": ("after|manifold|boom|bar|downstream|distributor", "psi|pressure|press|prs|kpa"),
    "temperature": ("temp|temperature|tmp", "tank|product|liquid|nh3|ammonia|manifold"),
    "on": ("status|state|onoff|switch|master|applying",),
}  # fmt: skip
_NOT: Final[dict[str, str]] = {
    "time": "zone|duration|total", "speed": "pump|fan|wind|engine|shaft|target", "width": "tire|row|tyre",
    "step": "height|depth|total|offset", "flow": "target|total|sum|setpoint",
    "temperature": "air|soil|oil|engine|ambient|cab",
    "on": "gps|fix|rtk|link|engine|pump|product", "applied": "target|total|sum|average", "target": "actual|total|sum",
    "bar_pressure": "pump|before|air|target|tank", "pump_pressure": "after|air|target|tank",
    "section": "width|count|rate",
}  # fmt: skip
# Names of what is never a measurement.
_NO_MEASURE: Final = re.compile(
    r"id|guid|uuid|key|serial|obj|object|fid|index|number|no|nr|count|record|year|season|date|lon|lat|long|longitude|"
    r"latitude|easting|northing|x|y|elev|elevation|altitude|alt|height"
)
# What a column can hold in each unit, and be believed: the range of its middle value.
_PLAUSIBLE: Final[dict[str, dict[str, tuple[float, float]]]] = {
    "pressure": {"psi": (10, 300), "psia": (25, 315), "kPa": (70, 2100), "bar": (0.7, 21), "bar_abs": (1.7, 22)},
    "temperature": {"degF": (-30, 120), "degC": (-35, 50), "K": (238, 323)},
    "speed": {"mph": (1, 20), "km/h": (1.5, 32), "m/s": (0.4, 9), "kn": (0.8, 17), "ft/s": (1.4, 30)},
    "length": {"ft": (0.5, 200), "m": (0.1, 60), "in": (6, 2400), "cm": (15, 6100), "mm": (150, 61000)},
    "rate": {"": (1, 1000)},
    "degrees": {"": (-180, 360)},
    "ammonia flow": {"": (0.1, 2000)},
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Proposal:
    """A column that could play a role.

    Attributes
    ----------
    role : str
        What it could stand for.
    index : int
        The column.
    name : str
        Of the column.
    unit : str or None
        Stated by name or column of units, or the only one that fits.
    points : float
        Rank among the candidates; from 2 it is worth proposing.
    why : str
        What speaks for it.
    """

    role: str
    index: int
    name: str
    unit: str | None
    points: float
    why: str

    @property
    def complete(self) -> bool:
        """Whether the unit is known in full, so that nothing but consent is missing."""
        kind = ROLES[self.role].kind
        return kind in {"plain", "time"} or (self.unit is not None and (kind != "rate" or " " in self.unit))

    @property
    def option(self) -> str:
        """The value of ``--column`` that takes it."""
        unit = "" if ROLES[self.role].kind in {"plain", "time"} else f":{self.unit or 'UNIT'}"
        return f"{self.role}={self.name}{unit}"


def propose(table: LogTable, roles: Iterable[str], taken: set[int]) -> dict[str, list[Proposal]]:
    """Rank the columns that each open role could be, best first.

    Parameters
    ----------
    table : LogTable
        The log.
    roles : iterable of str
        Roles without a column.
    taken : set of int
        Columns that mean something already.

    Returns
    -------
    dict
        Role to its candidates; roles without any are left out.
    """
    free = [at for at in range(len(table.names)) if at not in taken]
    found = {role: _ranked(ROLES[role], table, free) for role in roles}
    found = {role: ranked for role, ranked in found.items() if ranked}
    return _one_role_each(found)


def _one_role_each(found: dict[str, list[Proposal]]) -> dict[str, list[Proposal]]:
    """Leave each column to the role it fits best."""
    best: dict[int, float] = {}
    for ranked in found.values():
        for one in ranked:
            best[one.index] = max(best.get(one.index, 0.0), one.points)
    kept = {role: [one for one in ranked if one.points >= best[one.index]] for role, ranked in found.items()}
    return {role: ranked for role, ranked in kept.items() if ranked}


def leading(ranked: list[Proposal], *, needed: bool = False) -> Proposal | None:
    """Return the candidate worth proposing; None where none is or two are as good.

    Parameters
    ----------
    ranked : list of Proposal
        Best first.
    needed : bool
        Whether nothing can be done without the role: then the only column that could be it will do.
    """
    if not ranked or (ranked[0].points < _SURE and not (needed and len(ranked) == 1)):
        return None
    alone = len(ranked) == 1 or ranked[0].points - ranked[1].points >= _MARGIN
    return ranked[0] if alone else None


def _ranked(role: Role, table: LogTable, free: list[int]) -> list[Proposal]:
    found = [one for at in free if (one := _judged(role, table, at)) is not None]
    return sorted(found, key=lambda one: -one.points)


def _judged(role: Role, table: LogTable, index: int) -> Proposal | None:
    """Points of one column for one role; None where it cannot be it."""
    words, how = _word_points(role, table.names[index])
    if words == 0.0 or (role.name == "on" and not _is_switch(table, index)):
        return None
    if role.kind in {"plain", "time"}:
        return Proposal(role.name, index, table.names[index], None, words, how)
    if not table.is_number(index) or (role.name not in {"lon", "lat"} and counts_rows(table, index)):
        return None
    return _measured(role, table, index, words, how)


def _measured(role: Role, table: LogTable, index: int, points: float, how: str) -> Proposal | None:
    """Points of a column of numbers with what its unit and values say."""
    middle = _middle(table, index)
    try:
        unit = stated_unit(role, table, index)
    except LogError:
        return None
    if middle is None or not _believable(role, unit, middle):
        return None
    why = how
    if unit is not None and role.kind != "degrees":
        points, why = points + 1.0, f"{how}, in {unit}"
    elif unit is None:
        unit, guessed = _only_unit(role, middle)
        why = f"{how}, {guessed}" if guessed else how
    return Proposal(role.name, index, table.names[index], unit, points, why)


def _middle(table: LogTable, index: int) -> float | None:
    values = table.numbers(index)
    values = values[np.isfinite(values) & (values != 0.0)]
    return float(np.median(values)) if values.size else None


def _believable(role: Role, unit: str | None, middle: float) -> bool:
    ranges = _PLAUSIBLE.get(role.kind)
    if ranges is None:
        return True
    spans = [ranges[unit]] if unit in ranges else [ranges[""]] if "" in ranges else list(ranges.values())
    return any(low <= middle <= high for low, high in spans)


def _only_unit(role: Role, middle: float) -> tuple[str | None, str]:
    """Return the one unit in which the values can be believed, where there is only one."""
    if role.kind not in {"pressure", "temperature"}:
        return None, ""
    fits = [unit for unit in role.units if unit in _PLAUSIBLE[role.kind] and unit != "psia"
            and _believable(role, unit, middle)]  # fmt: skip
    return (fits[0], f"only {fits[0]} fits its numbers") if len(fits) == 1 else (None, "")


def _word_points(role: Role, name: str) -> tuple[float, str]:
    """Points for the words of a name, whole or cut short, and how to say it."""
    folded = {rest for rest, _ in splits(name, role.kind)}
    if folded & role.names:
        return 3.0, "by its name"
    if any(len(rest) == _CUT and known.startswith(rest) for rest in folded for known in role.names):
        return 2.5, "by its name, cut to ten letters"
    words = [word.casefold() for word in (*words_of(name), *re.findall(r"[^\W_]+", name))]
    if set(words) & set(_NOT.get(role.name, "").split("|")):
        return 0.0, ""
    return _group_points(role, words, name)


def _group_points(role: Role, words: list[str], name: str) -> tuple[float, str]:
    """Points for one word of every group, or of the last one only, which says what is measured."""
    if role.name not in _ROLE_WORDS:
        return 0.0, ""
    groups = [group.split("|") for group in _ROLE_WORDS[role.name]]
    hits = [any(_says(words, fold(name), word, cut=len(name) == _CUT) for word in group) for group in groups]
    if all(hits):
        return 2.0, "by its words"
    return (1.0, "by a word") if role.kind in {"rate", "pressure", "temperature"} and hits[-1] else (0.0, "")


def _says(words: list[str], whole: str, word: str, *, cut: bool) -> bool:
    """Whether a name has a word; the last one of a name of ten letters may be cut short."""
    if word in words:
        return True
    last = words[-1] if words else ""
    if cut and len(last) >= 2 and word.startswith(last) and len(word) > len(last):
        return True
    return cut and len(word) > 3 and (whole.startswith(word) or word[:4] in whole[-6:])


def _is_switch(table: LogTable, index: int) -> bool:
    cells = table.columns[index]
    try:
        state, known = read_switch(cells, where=table.where)
    except LogError:
        return False
    return bool(known.any() and (state[known].any() and not state[known].all()))


def counts_rows(table: LogTable, index: int) -> bool:
    """Whether a column counts, numbers or dates its rows or says where they are, and measures nothing.

    Parameters
    ----------
    table : LogTable
        The log.
    index : int
        A column of numbers.
    """
    words = {word.casefold() for word in (*words_of(table.names[index]), *re.findall(r"[^\W_]+", table.names[index]))}
    if any(_NO_MEASURE.fullmatch(word) for word in words):
        return True
    values: FloatArray = table.numbers(index)
    finite = values[np.isfinite(values)]
    whole = finite.size > 1 and bool((finite == np.round(finite)).all())
    counted = whole and bool((np.abs(np.diff(finite)) == 1.0).all())
    years = whole and float(finite.min()) >= 1950 and float(finite.max()) <= 2100 and np.ptp(finite) <= 1.0
    return counted or bool(years)
