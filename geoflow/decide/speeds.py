"""Ground speeds: the one that makes the most area hold, a few that do, and a speed for every zone.

Held area counts zones that certainly hold over all planned temperatures and ask for ammonia at all.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import BoolArray, FloatArray, Floats, IntArray, distinct
from geoflow.base.errors import UsageError
from geoflow.base.units import MILE_PER_HOUR
from geoflow.decide.vet import Plan, Solution
from geoflow.hydraulics.window import Bounds

__all__ = ["SPEED_STEP", "SpeedCurve", "SpeedSet", "best_speeds", "inward_speeds", "speed_curve", "speed_curve_of"]

SPEED_STEP: Final = 0.1 * MILE_PER_HOUR
"""What a display in the cab shows and a driver can hold [m/s]."""

# As in vet: a rate or speed right at the window's edge passes in spite of rounding.
_ROUNDING: Final = 1e-9


def inward_speeds(slow: Floats, fast: Floats) -> tuple[FloatArray, FloatArray]:
    """Round speeds [m/s] inward to what a display shows; slow exceeds fast where no such speed lies between them.

    Parameters
    ----------
    slow, fast : float or ndarray
        Ends of a range [m/s].
    """
    low = np.ceil(np.asarray(slow) / SPEED_STEP - _ROUNDING) * SPEED_STEP
    return low, np.floor(np.asarray(fast) / SPEED_STEP + _ROUNDING) * SPEED_STEP


@dataclass(frozen=True, slots=True)
class _Bands:
    """Speeds at which distinct rates certainly hold [m/s], highest rate first, so that both ends rise.

    `zone` gives each zone's place among them; `held` marks rates that hold at some allowed speed.
    """

    rate: FloatArray
    slow: FloatArray
    fast: FloatArray
    zone: IntArray
    held: BoolArray

    def area(self, area: FloatArray) -> FloatArray:
        """Area of all zones of each rate [m2]."""
        return np.asarray(np.bincount(self.zone, area, self.slow.size), dtype=np.float64)


def _bands(rate: Floats, certain: Bounds, width: float, bar: Bar, spare: float = 0.0) -> _Bands:
    fallen, zone = np.unique(-np.asarray(rate, dtype=np.float64), return_inverse=True)
    distinct = -fallen
    with np.errstate(divide="ignore", invalid="ignore"):
        slow = certain.low * bar.nitrogen_fraction / (distinct * width)
        fast = certain.high * bar.nitrogen_fraction / (distinct * width)
    slow, fast = np.maximum(slow, bar.limits.speed[0]) + spare, np.minimum(fast, bar.limits.speed[1]) - spare
    held = (distinct > 0.0) & (slow <= fast * (1.0 + _ROUNDING))
    return _Bands(distinct, slow, np.where(held, np.maximum(slow, fast), fast), zone, held)


@dataclass(frozen=True, slots=True)
class SpeedCurve:
    """Area that certainly holds at one single ground speed: an exact step function.

    Attributes
    ----------
    speed : ndarray, shape (n,)
        Break points, from the slowest to the fastest allowed speed [m/s].
    area_at : ndarray, shape (n,)
        Held right at each break point [m2].
    area_between : ndarray, shape (n - 1,)
        Held between each break point and the next, ends left out [m2].
    asked : float
        Area that asks for ammonia [m2].
    best_area : float
        The most that holds at one speed [m2].
    best : tuple of float or None
        Slowest and fastest speed of the stretch that holds the most [m/s]; of several, the one nearest the planned
        speed. None where nothing holds at any speed.
    recommended : float or None
        Middle of that stretch [m/s].
    """

    speed: FloatArray
    area_at: FloatArray
    area_between: FloatArray
    asked: float
    best_area: float
    best: tuple[float, float] | None
    recommended: float | None

    def area_held(self, speed: Floats) -> FloatArray:
        """Area held [m2] at any speeds [m/s]; nothing outside the allowed speeds.

        Parameters
        ----------
        speed : float or ndarray
            [m/s]
        """
        wanted = np.asarray(speed, dtype=np.float64)
        place = np.clip(np.searchsorted(self.speed, wanted, side="right") - 1, 0, self.speed.size - 1)
        between = np.append(self.area_between, 0.0)[place]
        inside = (wanted >= self.speed[0]) & (wanted <= self.speed[-1])
        return np.where(inside, np.where(wanted == self.speed[place], self.area_at[place], between), 0.0)


def speed_curve(rate: Floats, area: FloatArray, solution: Solution, spare: float = 0.0) -> SpeedCurve:
    """Find the area that certainly holds over single ground speeds, exactly.

    Parameters
    ----------
    rate : array_like, shape (zones,)
        Nitrogen rate [kg/m2], zero or more.
    area : ndarray, shape (zones,)
        Of each zone [m2].
    solution : Solution
        From `vet.solve`. Its planned speed only decides between equally good stretches.
    spare : float
        Count a zone as held only where it also holds at speeds this much slower and faster [m/s].
    """
    bands = _bands(rate, solution.certain, solution.window.width, solution.bar, spare)
    return _curve(bands, area, solution.bar, solution.plan)


def speed_curve_of(rate: Floats, area: FloatArray, certain: Bounds, width: float, bar: Bar, plan: Plan) -> SpeedCurve:
    """Find the same for any window [kg/s] as the controller takes it and any width in use [m].

    Parameters
    ----------
    rate, area
        As for `speed_curve`.
    certain : Bounds
        The window [kg/s], as the controller takes it.
    width : float
        In use [m].
    bar, plan
        For the speeds allowed, and for the planned one.
    """
    return _curve(_bands(rate, certain, width, bar), area, bar, plan)


def _curve(bands: _Bands, area: FloatArray, bar: Bar, plan: Plan) -> SpeedCurve:
    slow, fast = bands.slow[bands.held], bands.fast[bands.held]
    weights = bands.area(area)
    weight, asked = weights[bands.held], float(weights[bands.rate > 0.0].sum())
    speed = distinct(np.concatenate([slow, fast, bar.limits.speed]))
    first, last = np.searchsorted(speed, slow), np.searchsorted(speed, fast)
    gained: FloatArray = np.cumsum(np.bincount(first, weight, speed.size), dtype=np.float64)
    lost: FloatArray = np.cumsum(np.bincount(last, weight, speed.size), dtype=np.float64)
    area_at, area_between = gained - np.append(0.0, lost[:-1]), (gained - lost)[:-1]
    best_area, rounding = float(area_at.max()), _ROUNDING * asked
    if best_area <= rounding:
        return SpeedCurve(speed, area_at, area_between, asked, 0.0, None, None)
    # Points and the stretches between them in turn; a stretch holds no more than either of its ends.
    good = np.zeros(2 * speed.size + 1, dtype=np.bool_)
    good[1::2] = area_at >= best_area - rounding
    good[2:-1:2] = area_between >= best_area - rounding
    change = np.flatnonzero(good[1:] != good[:-1])
    low, high = speed[change[::2] // 2], speed[(change[1::2] - 1) // 2]
    planned = 0.5 * sum(plan.speed)
    away = np.maximum(np.maximum(low - planned, planned - high), 0.0)
    pick = int(np.lexsort((low - high, away))[0])
    best = float(low[pick]), float(high[pick])
    return SpeedCurve(speed, area_at, area_between, asked, best_area, best, 0.5 * sum(best))


@dataclass(frozen=True, slots=True)
class SpeedSet:
    """A few speeds and which zone is driven at which.

    Attributes
    ----------
    speed : ndarray, shape (k,)
        Rising [m/s].
    zone_speed : ndarray, shape (zones,)
        Of each zone [m/s]. A zone that holds at none gets the one that misses by the smallest ratio, a zone of rate
        zero the one nearest the planned speed.
    holds : ndarray of bool, shape (zones,)
        Whether the zone certainly holds at its speed.
    area_held : float
        Area of those [m2].
    """

    speed: FloatArray
    zone_speed: FloatArray
    holds: BoolArray
    area_held: float


def best_speeds(
    rate: Floats, area: FloatArray, solution: Solution, most: int, spare: float = 0.0
) -> tuple[SpeedSet, ...]:
    """Find the sets of one, two, ... and at most `most` speeds that hold the most area.

    Exact: bands of allowed speeds fall with the rate at both ends, so some best set serves runs of neighbouring
    rates, and a speed that serves a run best lies at the slow end of the band of its lowest rate (weighted stabbing
    of intervals, by dynamic programming). Each speed is then moved to the middle of what its run allows.

    Parameters
    ----------
    rate : array_like, shape (zones,)
        Nitrogen rate [kg/m2], zero or more.
    area : ndarray, shape (zones,)
        Of each zone [m2].
    solution : Solution
        From `vet.solve`.
    most : int
        Greatest number of speeds, at least 1.
    spare : float
        As for `speed_curve` [m/s].

    Returns
    -------
    tuple of SpeedSet
        For 1, 2, ... speeds, ending where one more would gain nothing; empty where no zone holds at any speed.

    Raises
    ------
    UsageError
        If `most` is below 1.
    """
    if most < 1:
        raise UsageError("less than one speed is asked for", where="--speeds", cure="ask for 1 or more")
    bands = _bands(rate, solution.certain, solution.window.width, solution.bar, spare)
    curve = _curve(bands, area, solution.bar, solution.plan)
    if curve.recommended is None:
        return ()
    sets = [_driven_at(np.array([curve.recommended]), bands, area, solution)]
    slow, fast = bands.slow[bands.held], bands.fast[bands.held]
    total = np.concatenate([[0.0], np.cumsum(bands.area(area)[bands.held])])
    # Rates served together with each rate as the lowest of them: from `first` up to it.
    first = np.searchsorted(fast, slow)
    alone = total[1:] - total[first]
    served = [np.zeros(slow.size + 1)]
    gains: list[FloatArray] = []
    for _ in range(most):
        gains.append(served[-1][first] + alone)
        served.append(np.concatenate([[0.0], np.maximum.accumulate(gains[-1])]))
        if len(gains) > 1:
            if served[-1][-1] <= served[-2][-1] + _ROUNDING * curve.asked:
                break
            sets.append(_driven_at(_speeds_behind(gains, first, slow, fast), bands, area, solution))
    return tuple(sets)


def _speeds_behind(gains: list[FloatArray], first: IntArray, slow: FloatArray, fast: FloatArray) -> FloatArray:
    """Speeds of the best choice, walked back from the last one taken."""
    speeds: list[float] = []
    left = slow.size
    for gain in reversed(gains):
        if left == 0:
            break
        lowest = int(np.argmax(gain[:left]))
        left = int(first[lowest])
        speeds.append(0.5 * float(slow[lowest] + fast[left]))
    return np.array(speeds[::-1])


def _driven_at(speed: FloatArray, bands: _Bands, area: FloatArray, solution: Solution) -> SpeedSet:
    with np.errstate(divide="ignore", invalid="ignore"):
        miss = np.nan_to_num(np.maximum(bands.slow[:, None] / speed, speed / bands.fast[:, None]), nan=np.inf)
    pick = np.argmin(miss, axis=1)
    holds = bands.held & (miss[np.arange(pick.size), pick] <= 1.0 + _ROUNDING)
    driven = speed[pick]
    driven[bands.rate <= 0.0] = speed[np.argmin(np.abs(speed - 0.5 * sum(solution.plan.speed)))]
    held = holds[bands.zone]
    return SpeedSet(speed, driven[bands.zone], held, float(np.sum(np.where(held, area, 0.0))))
