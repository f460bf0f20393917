"""Moving nitrogen between zones until the field comes to its total, each rate within its bounds."""

from __future__ import annotations

from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray

__all__ = ["in_steps", "spread"]

# Pairs of zones are compared, so the work grows with the square of this.
_MOST_EXCHANGED: Final = 400
_MOST_EXCHANGES: Final = 200


def spread(rate: FloatArray, area: FloatArray, low: float, high: float, target: float) -> tuple[FloatArray, float]:
    """Add one amount to all rates, each kept within [low, high], so that the nitrogen comes to a target.

    Among all ways to move the nitrogen this one changes the single rates least (least sum of squares, by area).

    Parameters
    ----------
    rate, area : ndarray, shape (n,)
        Nitrogen rates [kg/m2], within the bounds, and areas [m2].
    low, high : float
        Bounds [kg/m2].
    target : float
        Nitrogen wanted in all [kg].

    Returns
    -------
    rates : ndarray, shape (n,)
        [kg/m2]
    missing : float
        What the bounds leave no room for [kg].
    """
    total = float(rate @ area)
    if target == total or not len(rate):
        return rate.copy(), target - total
    up = target > total
    # The total is piecewise linear in the amount added; it bends where a zone meets its bound.
    room = np.maximum(high - rate if up else rate - low, 0.0)
    order = np.argsort(room, kind="stable")
    ordered, weight = room[order], area[order]
    still = np.concatenate([[weight.sum()], weight.sum() - np.cumsum(weight)])
    filled = np.concatenate([[0.0], np.cumsum(np.diff(np.concatenate([[0.0], ordered])) * still[:-1])])
    wanted = abs(target - total)
    if wanted >= filled[-1]:
        amount = float(ordered[-1])
    else:
        place = int(np.searchsorted(filled, wanted, side="right")) - 1
        start = 0.0 if place == 0 else float(ordered[place - 1])
        amount = start + (wanted - float(filled[place])) / float(still[place])
    moved = np.minimum(room, amount)
    after = rate + moved if up else rate - moved
    return after, target - float(after @ area)


def in_steps(rate: FloatArray, area: FloatArray, low: float, high: float, step: float, target: float) -> FloatArray:
    """Round rates to multiples of a step so that the nitrogen stays as near the target as the steps allow."""
    down = np.maximum(np.floor(rate / step + 1e-9) * step, low)
    after = down.copy()
    left = target - float(down @ area)
    for index in np.argsort(-area, kind="stable").tolist():
        dose = float(area[index]) * step
        if dose <= left and after[index] + step <= high + 1e-9 * step:
            after[index] += step
            left -= dose
    return _exchange(after, area, low, high, step, left)


def _exchange(rate: FloatArray, area: FloatArray, low: float, high: float, step: float, left: float) -> FloatArray:
    """Place what the steps left over [kg] by one step up on one zone and one down on another, while that helps."""
    if len(rate) > _MOST_EXCHANGED:
        return rate  # with this many zones the smallest is small enough
    after = rate.copy()
    for _ in range(_MOST_EXCHANGES):
        up, down = after + step <= high + 1e-9 * step, after - step >= low - 1e-9 * step
        # The last row and column stand for leaving the other zone alone.
        gain = np.append(np.where(up, area, np.nan), 0.0)[:, None] - np.append(np.where(down, area, np.nan), 0.0)
        miss = np.abs(left - gain * step)
        if not np.nanmin(miss) < abs(left) * (1.0 - 1e-9):
            break
        raised, lowered = np.unravel_index(int(np.nanargmin(miss)), miss.shape)
        left -= float(gain[raised, lowered]) * step
        if raised < len(after):
            after[raised] += step
        if lowered < len(after):
            after[lowered] -= step
    return after
