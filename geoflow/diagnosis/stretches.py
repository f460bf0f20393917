"""Short stretches of a log in which the bar is driven alike, and how much its readings waver within them.

A single reading says little: transmitters waver, and of a thousand readings some lie far out. Means over stretches
are judged instead, against a noise that comes from the log itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray
from geoflow.diagnosis.findings import Moments
from geoflow.ground.applied_log import AppliedLog

__all__ = ["CHANCE", "Stretches", "built_up", "chance_factor", "settled", "steady", "stretches"]

# Chance that noise alone makes one finding in one log: judgement, no source.
CHANCE: Final = 1e-4
# As a pass begins the pressure has to build up, with no fault of the bar: judgement, no source [s].
_BUILD_UP: Final = 10.0
_SAME: Final = 0.05
_LONGEST: Final = 15
# Moments of steady demand before a reading counts, and the share of moments that has to be left.
_SETTLED: Final = 6
_ENOUGH: Final = 0.25


def chance_factor(tests: int) -> float:
    """How many standard errors noise passes with a chance of `CHANCE` in any of so many tests.

    Parameters
    ----------
    tests : int
        How many are made.
    """
    return -NormalDist().inv_cdf(CHANCE / max(tests, 1))


@dataclass(frozen=True, slots=True)
class Stretches:
    """Moments gathered to stretches of at most fifteen that follow each other with one rate asked for.

    Attributes
    ----------
    at : ndarray of int, shape (n,)
        The moments, in time order.
    number : ndarray of int, shape (n,)
        Stretch of each of them.
    count : ndarray, shape (stretches,)
        Moments in each.
    """

    at: IntArray
    number: IntArray
    count: FloatArray

    def mean(self, values: FloatArray) -> FloatArray:
        """Mean over each stretch of values of shape (n,), shape (stretches,).

        Parameters
        ----------
        values : ndarray, shape (n,)
            Of each moment.
        """
        return np.asarray(np.bincount(self.number, values, self.count.size) / self.count)

    def error(self, values: FloatArray) -> FloatArray:
        """Standard error of the means, shape (stretches,), from how values of shape (n,) waver within stretches.

        Neighbours that err alike (a damped transmitter) count as fewer. Stretches of one moment say nothing of it.

        Parameters
        ----------
        values : ndarray, shape (n,)
            Of each moment.
        """
        rest = values - self.mean(values)[self.number]
        freedom = max(self.number.size - self.count.size, 1)
        power = float(rest @ rest) / freedom
        joined = self.number[1:] == self.number[:-1]
        if power <= 0.0 or not joined.any():
            return np.full(self.count.size, np.sqrt(power))
        # Taking off the mean makes neighbours look less alike than they are: one part in so many of a stretch.
        alike = float(np.mean(rest[1:][joined] * rest[:-1][joined])) / power + 1.0 / float(np.mean(self.count))
        alike = min(max(alike, 0.0), 0.9)
        worth = np.maximum(self.count * (1.0 - alike) / (1.0 + alike), 1.0)
        return np.asarray(np.sqrt(power / worth))


def built_up(log: AppliedLog, bars: Moments) -> BoolArray:
    """Whether something has gone out for ten seconds at each moment, by the clock or else by the count of moments.

    Parameters
    ----------
    log : AppliedLog
        Records, shape (n,).
    bars : Moments
        Of the whole bar.
    """
    run = log.run[bars.place]
    clock = log.time[bars.place] if np.isfinite(log.time).any() else np.arange(run.size, dtype=np.float64)
    opens = bars.flows.copy()
    opens[1:] &= ~bars.flows[:-1] | (np.diff(run) != 0)
    opened = np.maximum.accumulate(np.where(opens, np.arange(run.size), 0))
    return np.asarray(bars.flows & (clock - clock[opened] > _BUILD_UP))


def steady(asked: FloatArray, run: IntArray) -> BoolArray:
    """Whether the flow asked for has been the same for six moments before, within the run; shape (n,) all.

    Parameters
    ----------
    asked : ndarray, shape (n,)
        Flow asked for [kg/s].
    run : ndarray of int, shape (n,)
        Pass of each moment.
    """
    same = np.ones(asked.size, dtype=np.bool_)
    for back in range(1, _SETTLED + 1):
        same[:back] = False
        with np.errstate(invalid="ignore"):
            same[back:] &= (run[back:] == run[:-back]) & (np.abs(asked[back:] - asked[:-back]) <= _SAME * asked[back:])
    return same


def settled(log: AppliedLog, bars: Moments, chosen: BoolArray) -> BoolArray:
    """Leave the chosen moments, shape (moments,), without those in which flow and pressures still change.

    Where what was asked is not logged, or is hardly ever the same for long, all stay.

    Parameters
    ----------
    log : AppliedLog
        Records, shape (n,).
    bars : Moments
        Of the whole bar.
    chosen : ndarray of bool, shape (moments,)
        Which moments count.
    """
    left = chosen & steady(bars.asked, log.run[bars.place])
    return left if np.count_nonzero(left) >= _ENOUGH * np.count_nonzero(chosen) else chosen


def stretches(log: AppliedLog, bars: Moments, chosen: BoolArray) -> Stretches:
    """Gather the chosen moments, shape (moments,): a stretch ends with its run, its rate, its width or a gap.

    Parameters
    ----------
    log : AppliedLog
        Records, shape (n,).
    bars : Moments
        Of the whole bar.
    chosen : ndarray of bool, shape (moments,)
        Which moments count.
    """
    at = np.flatnonzero(chosen)
    place, asked, width = bars.place[at], bars.asked[at], bars.width[at]
    with np.errstate(invalid="ignore"):
        other = (np.diff(at) != 1) | (np.diff(log.run[place]) != 0)
        other |= np.abs(np.diff(asked)) > _SAME * np.maximum(asked[1:], asked[:-1])
        other |= np.abs(np.diff(width)) > _SAME * width[1:]
    begins = np.concatenate([np.ones(min(at.size, 1), dtype=np.bool_), other])
    first = np.maximum.accumulate(np.where(begins, np.arange(at.size), 0))
    begins |= (np.arange(at.size) - first) % _LONGEST == 0
    number = np.cumsum(begins) - 1
    return Stretches(at, number, np.bincount(number).astype(np.float64))
