"""How the flow follows what is asked: dead time and first order, within uninterrupted runs."""

from __future__ import annotations

from typing import Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray

__all__ = ["first_of_run", "followed_in_steps", "wobble"]

# Moments worked out at once. A time constant below a tenth of a moment is none, so that nothing overflows.
_BLOCK: Final = 48
_QUICKEST: Final = 0.1


def first_of_run(run: IntArray) -> IntArray:
    """Place where the run of each moment begins, shape (n,).

    Parameters
    ----------
    run : ndarray of int, shape (n,)
        Number of the run, the same for neighbours of one run only.
    """
    begins = np.ones(run.size, dtype=np.bool_)
    begins[1:] = run[1:] != run[:-1]
    return np.asarray(np.maximum.accumulate(np.where(begins, np.arange(run.size), 0)), dtype=np.int64)


def _decayed(driven: FloatArray, keeps: float, begins: BoolArray) -> FloatArray:
    """State after each moment, y[n] = keeps y[n-1] + (1 - keeps) u[n], from nothing where a run begins."""
    count = driven.size
    cut = np.flatnonzero(begins | (np.arange(count) % _BLOCK == 0))
    length = np.diff(cut, append=count)
    place = np.minimum(cut[:, None] + np.arange(_BLOCK), count - 1)
    fall = keeps ** np.arange(1.0, _BLOCK + 1.0)
    inside = (1.0 - keeps) * np.cumsum(driven[place] / fall, axis=1) * fall
    ends, fell, fresh = (
        inside[np.arange(cut.size), length - 1].tolist(),
        fall[length - 1].tolist(),
        begins[cut].tolist(),
    )
    carried, state = [], 0.0
    for end, fallen, new in zip(ends, fell, fresh, strict=True):
        state = 0.0 if new else state
        carried.append(state)
        state = end + fallen * state
    block = np.searchsorted(cut, np.arange(count), side="right") - 1
    within = np.arange(count) - cut[block]
    return np.asarray(inside[block, within] + fall[within] * np.array(carried)[block])


def followed_in_steps(
    asked: FloatArray,
    first: IntArray,
    interval: float,
    delay: float,
    time_constant: float,
    *,
    from_nothing: bool = True,
) -> FloatArray:
    """Mean over each moment of what a dead time and a first-order response make of what is asked.

    Parameters
    ----------
    asked : ndarray, shape (n,)
        Asked over each moment; in any one unit.
    first : ndarray of int, shape (n,)
        Where the run of each moment begins.
    interval, delay, time_constant : float
        Length of a moment, dead time and time constant [s].
    from_nothing : bool
        Whether a run begins with no flow, and not with what it asks for first.
    """
    if not asked.size:
        return asked
    begin = np.zeros(asked.size) if from_nothing else asked[first]
    whole, part = divmod(delay / interval, 1.0)
    at = np.arange(asked.size) - int(whole)
    later = np.where(at >= first, asked[np.maximum(at, 0)], begin)
    sooner = np.where(at - 1 >= first, asked[np.maximum(at - 1, 0)], begin)
    # Measured from where the run began, so that every run starts from nothing.
    driven = (1.0 - part) * later + part * sooner - begin
    if time_constant < _QUICKEST * interval:
        return begin + driven
    keeps = float(np.exp(-interval / time_constant))
    begins = first == np.arange(asked.size)
    state = _decayed(driven, keeps, begins)
    before = np.where(begins, 0.0, np.roll(state, 1))
    share = (1.0 - keeps) * time_constant / interval
    return np.asarray(begin + driven + (before - driven) * share)


def wobble(noise: FloatArray, interval: float, lasts: float, spread: float) -> FloatArray:
    """Relative deviations that last a while, of a given spread.

    Parameters
    ----------
    noise : ndarray, shape (n,)
        Independent, of unit spread.
    interval, lasts : float
        Length of a moment, and time after which a deviation has fallen to a third [s].
    spread : float
        Standard deviation of the result [-].
    """
    keeps = float(np.exp(-interval / lasts))
    begins = np.zeros(noise.size, dtype=np.bool_)
    begins[:1] = True
    return np.asarray(spread * np.sqrt((1.0 + keeps) / (1.0 - keeps)) * _decayed(noise, keeps, begins))
