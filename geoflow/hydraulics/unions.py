"""One window out of many cases: flows along the lines between cases, and where along them a window is open."""

from __future__ import annotations

from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray, IntArray

__all__ = ["between_cases", "in_a_row", "united"]

_STEPS: Final = 25


def in_a_row(values: FloatArray, axis: int = 0) -> FloatArray:
    """Lines and steps, the axes `axis` and the next, as one.

    Parameters
    ----------
    values : ndarray
        Of any shape.
    axis : int
        The first of the two.
    """
    shape = values.shape
    return values.reshape(*shape[:axis], shape[axis] * shape[axis + 1], *shape[axis + 2 :])


def between_cases(ends: FloatArray, powers: tuple[float, ...]) -> FloatArray:
    """Flows along the lines between any two cases, shape (lines, steps, n), from those at the cases, (cases, n).

    Every line once for each power of the flow that is taken as linear along it.

    Parameters
    ----------
    ends : ndarray, shape (cases, n)
        Flows at the cases [kg/s].
    powers : tuple of float
        Of the flow.
    """
    if len(ends) == 1:
        return ends[:, None]
    first, last = (ends[places, None] for places in np.triu_indices(len(ends), 1))
    share = np.linspace(0.0, 1.0, _STEPS)[:, None]
    lines = []
    for power in powers:
        with np.errstate(invalid="ignore"):
            mixed = np.power((1.0 - share) * np.power(first, power) + share * np.power(last, power), 1.0 / power)
        # A flow without bound stays one in every mixture.
        lines.append(np.where(np.isnan(mixed), np.where(share == 0.0, first, last), mixed))
    return np.concatenate(lines)


def united(low: FloatArray, high: FloatArray) -> tuple[FloatArray, FloatArray, IntArray, IntArray]:
    """Least low end and greatest high end along lines on which the window opens and closes.

    Where it opens between two steps, its ends there are taken in a straight line. Where it is open nowhere, both ends
    are those of the step that comes nearest to it, and the low end lies above the high end.

    Parameters
    ----------
    low, high : ndarray, shape (lines, steps, ...)
        Ends of the window [kg/s].

    Returns
    -------
    tuple of ndarray, shape (...)
        Low end, high end [kg/s], and the places of the steps they belong to, counted through all lines.
    """
    open_ = low <= high
    with np.errstate(divide="ignore", invalid="ignore"):
        gap = np.nan_to_num(np.log(high) - np.log(low), nan=-np.inf, posinf=1e300, neginf=-1e300)
        least, most = np.where(open_, low, np.inf), np.where(open_, high, -np.inf)
        for here, there in ((np.s_[:, :-1], np.s_[:, 1:]), (np.s_[:, 1:], np.s_[:, :-1])):
            closes = open_[here] & ~open_[there]
            share = np.where(closes, gap[here] / (gap[here] - gap[there]), 0.0)
            for ends, best, pick in ((low, least, np.fmin), (high, most, np.fmax)):
                reached = ends[here] + share * (ends[there] - ends[here])
                best[here] = pick(best[here], np.where(closes & np.isfinite(reached), reached, np.nan))
    low, high, least, most, gap = (in_a_row(values) for values in (low, high, least, most, gap))
    nearest, some = gap.argmax(axis=0), np.isfinite(least).any(axis=0) | (most > -np.inf).any(axis=0)
    lowest = np.where(some, least.argmin(axis=0), nearest)
    highest = np.where(some, most.argmax(axis=0), nearest)

    def taken(values: FloatArray, places: IntArray) -> FloatArray:
        return np.asarray(np.take_along_axis(values, places[None], axis=0)[0])

    return (
        np.where(some, taken(least, lowest), taken(low, nearest)),
        np.where(some, taken(most, highest), taken(high, nearest)),
        lowest,
        highest,
    )
