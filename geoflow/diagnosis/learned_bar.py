"""A bar and what its logs tell of all its orifices: evidence old and new brought together, and the result."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar, Orifice
from geoflow.bar.learned import Evidence, Learned, LearnedLog
from geoflow.base.arrays import BoolArray, FloatArray, IntArray
from geoflow.decide.vet import Solution
from geoflow.diagnosis.learned_drift import Change, find_change
from geoflow.diagnosis.learned_region import bounding_ways, likely_way, spread_ways
from geoflow.diagnosis.learning import Facts, Posterior, Problem, fit
from geoflow.diagnosis.steady_cells import Cells, LogCells
from geoflow.hydraulics.row_hose import back_pressure
from geoflow.physics.ammonia import saturation

__all__ = ["LearnOutcome", "LearnedKind", "NewLog", "learn_kind"]

_FEWEST_MOMENTS: Final = 60
_FEWEST_BLOCKS: Final = 2
_KEPT_ROWS: Final = 8  # levels of flow kept of a log, each once for either half of its time
_MOST_LOGS: Final = 24  # that a bar file keeps


@dataclass(frozen=True, slots=True)
class NewLog:
    """A log to learn from: what it is, and what it holds; moments and passes are filled in by kind."""

    about: LearnedLog
    cells: LogCells


@dataclass(frozen=True, slots=True)
class LearnedKind:
    """What logs told of one kind of orifice.

    Attributes
    ----------
    learned, posterior : Learned, Posterior
        For the bar file, and all that is left possible.
    facts : Facts
        All the evidence, oldest first, with what was dropped.
    change : Change or None
        A step or drift; what lies before its cell was dropped.
    names : tuple of str
        Of the logs, by their number in `facts`.
    forgotten : int
        Logs dropped because the bar file keeps no more.
    """

    learned: Learned
    posterior: Posterior
    facts: Facts
    change: Change | None
    names: tuple[str, ...]
    forgotten: int


@dataclass(frozen=True, slots=True, eq=False)
class LearnOutcome:
    """What a bar learned from its logs.

    Attributes
    ----------
    bar, before, after : Bar, Solution, Solution
        The bar with what it learned, and the solved windows without and with it, at the temperatures of the logs.
    kinds : dict of str to LearnedKind
        By name of the orifice.
    unlearned : tuple of str
        Orifices in use that the logs tell nothing about.
    logs, names : tuple of LogCells, tuple of str
        What each log held, and their names.
    repeated : tuple of str
        Logs learned from before, which count once.
    """

    bar: Bar
    before: Solution
    after: Solution
    kinds: dict[str, LearnedKind]
    unlearned: tuple[str, ...]
    logs: tuple[LogCells, ...]
    names: tuple[str, ...]
    repeated: tuple[str, ...]

    @property
    def has_ticket(self) -> bool:
        """Whether the meter factor is known from scale tickets."""
        return any(kind.facts.tickets for kind in self.kinds.values())

    @property
    def has_standing(self) -> bool:
        """Whether the transmitter's zero is known from standing readings."""
        return any(kind.facts.standing for kind in self.kinds.values())

    @property
    def has_findings(self) -> bool:
        """Whether there is anything to act on: a change, liquid lost, a transmitter that cannot be right."""
        lost = any(one.left_out["boiling"] or one.strange is not None for one in self.logs)
        return lost or bool(self.unlearned) or any(kind.change is not None for kind in self.kinds.values())


def _old_facts(learned: Learned | None, kept: Sequence[int]) -> list[list[FloatArray]]:
    """Evidence of the logs that are kept, by log: flow, pressure, temperature, error, block, moments."""
    if learned is None:
        return []
    found = []
    for log in kept:
        rows = [one for one in learned.evidence if one.log == log + 1]
        table = np.array([(one.flow, one.pressure, one.temperature, one.error) for one in rows]).reshape(-1, 4)
        moments = np.full(len(rows), learned.logs[log].moments / max(len(rows), 1))
        found.append([*table.T, np.arange(len(rows), dtype=np.float64), moments])
    return found


def _new_facts(cells: Cells | None) -> list[FloatArray]:
    if cells is None:
        return [np.empty(0)] * 6
    columns = (cells.flow, cells.pressure, cells.temperature, cells.error, cells.group, cells.moments)
    return [np.asarray(one, dtype=np.float64) for one in columns]


def _gathered(parts: list[list[FloatArray]], logs: Sequence[LearnedLog]) -> Facts:
    log = np.repeat(np.arange(len(parts)), [part[0].size for part in parts])
    flow, pressure, temperature, error, block, moments = (
        np.concatenate([part[at] for part in parts]) for at in range(6)
    )
    both = log * 100_000 + block.astype(np.int64)
    standing = tuple(
        (one.standing, one.standing_temperature)
        for one in logs
        if one.standing is not None and one.standing_temperature is not None
    )
    tickets = tuple(one.ticket for one in logs if one.ticket is not None)
    by_hand = np.zeros(flow.size, dtype=np.bool_)
    return Facts(flow, pressure, temperature, error, both, log, moments.astype(np.int64), by_hand, standing, tickets)


def _enough(facts: Facts) -> bool:
    return facts.moments.sum() >= _FEWEST_MOMENTS and np.unique(facts.block).size >= _FEWEST_BLOCKS


def _kept(orifice: Orifice, new: Sequence[NewLog]) -> tuple[list[int], int]:
    """Earlier logs that still count, by their place, and how many are forgotten for the new ones."""
    fresh = {one.about.sha256 for one in new}
    old = () if orifice.learned is None else orifice.learned.logs
    kept = [at for at, one in enumerate(old) if one.sha256 not in fresh]
    forgotten = max(0, len(kept) + len(new) - _MOST_LOGS)
    return kept[forgotten:], forgotten


def _counted(one: NewLog, cells: Cells | None) -> LearnedLog:
    moments, passes = (0, 0) if cells is None else (int(cells.moments.sum()), cells.passes)
    return replace(one.about, moments=moments, passes=passes)


def learn_kind(bar: Bar, orifice: Orifice, new: Sequence[NewLog], date: str) -> LearnedKind | None:
    """Learn one kind of orifice from what its bar file knows of earlier logs and from new ones.

    Parameters
    ----------
    bar : Bar
        For what lies below the orifices.
    orifice : Orifice
        With what was learned of it before.
    new : sequence of NewLog
        Oldest first.
    date : str
        Of today.

    Returns
    -------
    LearnedKind or None
        None where there is too little to learn from.
    """
    kept, forgotten = _kept(orifice, new)
    cells = [one.cells.kinds.get(orifice.name) for one in new]
    logs = [orifice.learned.logs[at] for at in kept] if orifice.learned else []
    logs += [_counted(one, found) for one, found in zip(new, cells, strict=True)]
    parts = [*_old_facts(orifice.learned, kept), *map(_new_facts, cells)]
    if not sum(part[0].size for part in parts):
        return None
    facts = _gathered(parts, logs)
    if not _enough(facts):
        return None
    change = find_change(Problem(bar, orifice, facts))
    current = facts if change is None else facts.some(np.arange(facts.flow.size) >= change.cell)
    if not _enough(current):
        return None
    # A point was measured on a row as it was before a change.
    posterior = fit(Problem(bar, orifice, current.with_points(bar, orifice) if change is None else current))
    learned = _described(bar, current, posterior, logs, date)
    return LearnedKind(learned, posterior, facts, change, tuple(one.name for one in logs), forgotten)


def _described(bar: Bar, facts: Facts, posterior: Posterior, logs: Sequence[LearnedLog], date: str) -> Learned:
    used = np.unique(facts.log)
    number = {int(log): place for place, log in enumerate(used, 1)}
    margins = facts.pressure - saturation(facts.temperature).pressure
    zero = float(posterior.named("zero").mean())
    pressure = float(facts.pressure.min() - zero), float(facts.pressure.max() - zero)
    temperature = float(facts.temperature.min()), float(facts.temperature.max())
    below, _ = back_pressure(bar, facts.flow, saturation(facts.temperature))
    ends = float(margins.min() - zero), float(margins.max() - zero)
    rows = [Evidence(number[int(log)], *row) for log in used for row in _condensed(facts, facts.log == log, posterior)]
    known = [logs[int(log)] for log in used]
    counts = [int(facts.moments[facts.log == log].sum()) for log in used]
    known = [replace(one, moments=count) for one, count in zip(known, counts, strict=True)]
    return Learned(
        date,
        posterior.margin,
        posterior.temperature,
        pressure,
        temperature,
        sum(counts),
        sum(one.passes for one in known),
        likely_way(posterior),
        bounding_ways(posterior, ends, temperature, float(np.mean(below))),
        spread_ways(posterior),
        tuple(known),
        tuple(rows),
    )


def _condensed(facts: Facts, chosen: BoolArray, posterior: Posterior) -> list[tuple[float, float, float, float]]:
    """Flow, pressure, temperature and error of a log's cells gathered to a few, those of early passes first."""
    flow, pressure, kelvin, error, moments = (
        values[chosen] for values in (facts.flow, facts.pressure, facts.temperature, facts.error, facts.moments)
    )
    _, block = np.unique(facts.block[chosen], return_inverse=True)
    half = (block > 0.5 * block.max()).astype(np.int64) if block.max() else np.zeros_like(block)
    order = np.argsort(flow, kind="stable")
    level: IntArray = np.empty(flow.size, dtype=np.int64)
    level[order] = np.arange(flow.size) * min(_KEPT_ROWS, flow.size) // flow.size
    rows = []
    for part in range(2):
        for step in range(_KEPT_ROWS):
            here = (half == part) & (level == step)
            if not here.any():
                continue
            share = moments[here] / moments[here].sum()
            by_block = np.bincount(block[here], share)
            off = np.sum(np.square(share * error[here])) + posterior.block_error**2 * np.sum(np.square(by_block))
            rows.append(
                (
                    float(np.sqrt(share @ np.square(flow[here]))),
                    float(share @ pressure[here]),
                    float(share @ kelvin[here]),
                    float(np.sqrt(off)),
                )
            )
    return rows
