"""Whether an orifice stayed what it was over the logs: a step (plugging, cleaning) or a drift (wear)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray, IntArray
from geoflow.diagnosis.learning import Problem

__all__ = ["Change", "find_change"]

# Standard errors beyond which a change is none of chance, and the least one that is worth a word: judgement.
_SURE: Final = 5.0
_SMALLEST: Final = 0.015
_FEWEST_BLOCKS: Final = 4
# A drift is taken as over within so much of it.
_STEADY: Final = 0.01


@dataclass(frozen=True, slots=True)
class Change:
    """A change of the flow that the orifices pass at one pressure.

    Attributes
    ----------
    kind : str
        ``"step"`` or ``"drift"``.
    size, error : float
        Of the change, in the logarithm of the flow, and its standard error [-].
    cell : int
        First cell after a step, or of what is kept after a drift.
    log, before : int
        The log that cell is from, and the one of the cell before.
    """

    kind: str
    size: float
    error: float
    cell: int
    log: int
    before: int


def _judged(columns: FloatArray, inverse: FloatArray, rest: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Size and standard error of columns of shape (n, k), each taken by itself."""
    weighted = inverse @ columns
    power = np.maximum(np.sum(columns * weighted, axis=0), 1e-300)
    return np.asarray(weighted.T @ rest / power), np.asarray(1.0 / np.sqrt(power))


def find_change(problem: Problem) -> Change | None:
    """Find a change beyond what the readings, and all that is unknown of bar and instruments, can do.

    The columns of what is unknown widen the covariance, so a change that they could make counts for nothing.

    Parameters
    ----------
    problem : Problem
        With its facts, oldest first.
    """
    facts = problem.facts
    blocks: IntArray = np.unique(facts.block, return_inverse=True)[1]
    count = int(blocks.max()) + 1
    if count < _FEWEST_BLOCKS:
        return None
    block_error = 0.004
    for _ in range(2):
        way, _ = problem.best(block_error)
        block_error = problem.between_blocks(way)
    slope, rest = problem.slopes(way), problem.residual(way[None])[0]
    rows, values, errors = problem.known
    scaled = rows / errors[:, None]
    prior = np.linalg.inv(scaled.T @ scaled)
    expected = prior @ (scaled.T @ (values / errors))
    # Linear about the best way: what the residuals are where everything is as known beforehand.
    start = rest + slope @ (expected - way)
    whole = problem.covariance(block_error) + slope @ prior @ slope.T
    inverse: FloatArray = np.asarray(np.linalg.inv(whole))
    order = np.arange(1, count) if count < 5 else np.arange(2, count - 1)
    after = (blocks[:, None] >= order).astype(np.float64)
    size, error = _judged(after, inverse, start)
    step = int(np.argmax(np.abs(size / error)))
    time = blocks / (count - 1.0)
    drift, drift_error = _judged(time[:, None], inverse, start)
    found = []
    if abs(size[step]) > max(_SURE * error[step], _SMALLEST):
        cell = int(np.flatnonzero(blocks >= order[step])[0])
        found.append((abs(size[step] / error[step]), "step", float(size[step]), float(error[step]), cell))
    if abs(drift[0]) > max(_SURE * drift_error[0], _SMALLEST):
        cell = int(np.flatnonzero(time >= 1.0 - _STEADY / abs(drift[0]))[0])
        sure = abs(drift[0] / drift_error[0])
        found.append((sure, "drift", float(drift[0]), float(drift_error[0]), min(cell, int(facts.flow.size) - 1)))
    if not found:
        return None
    _, kind, changed, doubt, cell = max(found)
    return Change(kind, changed, doubt, cell, int(facts.log[cell]), int(facts.log[max(cell - 1, 0)]))
