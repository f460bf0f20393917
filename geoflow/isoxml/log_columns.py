"""Columns of a time log's table: every variable logged, and which of them has which role."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.isoxml.antenna import OFFSETS
from geoflow.isoxml.data_dictionary import ENTRIES, Entry
from geoflow.isoxml.latency import LATENCIES
from geoflow.isoxml.sections import Sections
from geoflow.layers.notes import Note

__all__ = ["put_values"]

_DIFFERS: Final = 0.01  # of what the sections log together
_STATES: Final = frozenset(ddi for ddi, entry in ENTRIES.items() if entry.word in {"state", "states"})
_ELSEWHERE: Final = _STATES | LATENCIES | OFFSETS | {"0043"}
# Pairs of applied and target on one basis: nitrogen first, since it needs no fraction, volume last.
_RATES: Final = (("01B1", "01B0"), ("0007", "0006"), ("0002", "0001"), ("024D", "024C"))
_SINGLE: Final = ("002A", "018D", "00C2", "0243")


def _in_name(unit: str) -> str:
    return re.sub(r"[ /]", "_", unit.casefold())


@dataclass(frozen=True)
class _Columns:
    """The columns of one log on their way into its table."""

    values: Mapping[tuple[str, str], FloatArray]
    sections: Sections
    substance: bool
    put: Callable[..., None]
    notes: list[Note]

    def unit(self, entry: Entry) -> str:
        """Unit of an entry; a product that is not ammonia is only a product."""
        return entry.unit if self.substance else entry.unit.replace(" NH3", "")

    def role(self, entry: Entry) -> str | None:
        """Role of an entry; a flow of another product has none."""
        return entry.role if self.substance or entry.role != "flow" else None

    def of_sections(self, ddi: str, matrix: FloatArray, role: str | None) -> None:
        """Add what sections log each for itself, and what the whole bar logs beside them, as a check."""
        entry = ENTRIES[ddi]
        unit = self.unit(entry)
        self.put(f"{entry.word}_{ddi}_{_in_name(unit)}", matrix / entry.steps, role, unit)
        names = {owner: name for owner, name in self._names(ddi).items() if owner[1] in self.sections.above}
        _say_whole(ddi, [self.values[owner] for owner in names], matrix, self.sections, self.notes)
        for owner, name in names.items():
            self.put(name, self.values[owner] / entry.steps, None, unit)

    def of_elements(self, ddi: str, role: str | None) -> None:
        """Add what elements of the machine log; only what one of them alone logs has a role."""
        entry, names = ENTRIES[ddi], self._names(ddi)
        for owner, name in names.items():
            self.put(name, self.values[owner] / entry.steps, role if len(names) == 1 else None, self.unit(entry))
        if role is not None and len(names) > 1:
            listed = ", ".join(names.values())
            text = f"{len(names)} elements of the machine log the {entry.word} ({ddi}), so none is chosen: {listed}"
            self.notes.append(Note("column", text, len(names)))

    def _names(self, ddi: str) -> dict[tuple[str, str], str]:
        """Names of columns by who logs them, ending in their unit; with the element where several log the same."""
        entry, owners = ENTRIES[ddi], [owner for owner in self.values if owner[0] == ddi]
        ends = _in_name(self.unit(entry))
        parts = {owner: (entry.word, ddi, owner[1] if len(owners) > 1 else "", ends) for owner in owners}
        return {owner: "_".join(filter(None, each)) for owner, each in parts.items()}


def put_values(
    values: Mapping[tuple[str, str], FloatArray],
    sections: Sections,
    put: Callable[..., None],
    notes: list[Note],
    *,
    substance: bool,
) -> None:
    """Add every variable as a column, and give it its role where only one can have it.

    Parameters
    ----------
    values : mapping
        Dictionary number and element to values held, as stored, shape (records,).
    sections : Sections
        Of the log.
    put : callable
        Adds a column.
    notes : list of Note
        Brought up to date.
    substance : bool
        Whether what is counted is ammonia.
    """
    columns = _Columns(values, sections, substance, put, notes)
    chosen = _role_owners({ddi for ddi, _ in values}, notes)
    for ddi in dict.fromkeys(ddi for ddi, _ in values if ddi not in _ELSEWHERE):
        role = columns.role(ENTRIES[ddi]) if chosen.get(ENTRIES[ddi].role) == ddi else None
        matrix = sections.matrix(ddi, values) if sections.apart else None
        if matrix is None:
            columns.of_elements(ddi, role)
        else:
            columns.of_sections(ddi, matrix, role)


def _say_whole(ddi: str, wholes: list[FloatArray], matrix: FloatArray, sections: Sections, notes: list[Note]) -> None:
    """Hold what the whole bar logs against its sections, which count: their flows together, their rates by width."""
    entry = ENTRIES[ddi]
    if entry.role not in {"applied", "target", "flow"}:
        return
    at_work = np.isfinite(matrix) & (True if sections.states is None else sections.states == 1.0)
    shares = np.where(at_work, 1.0 if entry.role == "flow" else sections.widths or 1.0, 0.0)
    together = (shares * np.nan_to_num(matrix)).sum(axis=1)
    if entry.role != "flow":
        weight = shares.sum(axis=1)
        together = np.divide(together, weight, out=np.full(weight.size, np.nan), where=weight > 0.0)
    for whole in wholes:
        both = np.isfinite(whole) & np.isfinite(together)
        own, other = float(whole[both].sum()), float(together[both].sum())
        if abs(own - other) > _DIFFERS * max(abs(other), 1.0):
            than = f"{100.0 * abs(own / other - 1.0):.1f} % {'more' if own > other else 'less'}" if other else "more"
            text = f"the whole bar logs {than} than its sections together as {entry.word} ({ddi}); the sections count"
            notes.append(Note("section", text, int(both.sum())))


def _role_owners(present: set[str], notes: list[Note]) -> dict[str | None, str]:
    """Which dictionary number has each role; for the rates a pair of applied and target on one basis, if there is."""
    chosen: dict[str | None, str] = {"flow": "0025"}
    chosen |= {ENTRIES[ddi].role: ddi for ddi in _SINGLE if ddi in present}
    for rate, at in (("applied", 0), ("target", 1)):
        there = [pair for pair in _RATES if pair[at] in present]
        if there:
            chosen[rate] = next((pair for pair in there if set(pair) <= present), there[0])[at]
        if len(there) > 1:
            ways = " and ".join(pair[at] for pair in there)
            notes.append(Note("column", f"the {rate} rate is logged as {ways}; {chosen[rate]} is used"))
    return chosen
