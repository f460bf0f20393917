"""Which hours of a day hold how much of a map, and in which order its tank loads hold most."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from geoflow.base.arrays import BoolArray, FloatArray, Floats, IntArray
from geoflow.base.rates import ammonia_flow
from geoflow.base.units import HOUR
from geoflow.decide.vet import Solution, asked_of_rows
from geoflow.decide.weather import LiquidDay, Weather
from geoflow.hydraulics.window import flow_window, temperature_grid

__all__ = ["DayByHour", "DayStart", "Stretch", "best_starts", "hold_over_day", "order_that_holds_most"]

# As in vet: a rate right at the window's edge passes in spite of rounding.
_ROUNDING: Final = 1e-9
_GRID: Final = 0.5
# 136 and -54 degF, between which there is a window.
_LOWEST, _HIGHEST = 225.5, 331.0
_QUARTER: Final = 0.25 * HOUR
_MOST_LOADS: Final = 12
_LITTLE: Final = 1e-6

_HOLDS, _DOUBTFUL, _FAILS = 2, 1, 0


@dataclass(frozen=True, slots=True)
class Stretch:
    """Hours in a row [s from midnight] over which an area certainly holds [m2]."""

    start: float
    end: float
    area: float


@dataclass(frozen=True, slots=True)
class DayStart:
    """What certainly holds of a field begun at a moment.

    Attributes
    ----------
    start : float
        From midnight [s].
    as_driven : float
        Area that holds all the while its tank lasts, tank after tank as the passes run [m2].
    most : float
        The same in the order that holds most [m2].
    order : tuple of int
        That order; loads are counted from 0 as the passes run.
    """

    start: float
    as_driven: float
    most: float
    order: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class DayByHour:
    """A map over the hours of a day, at the speeds of its plan; areas of zones of rate zero are left out.

    Attributes
    ----------
    weather, liquid : Weather, LiquidDay
        The day as told, and the liquid in the tank.
    hours : ndarray, shape (2, hours)
        Where each begins and ends, from midnight [s].
    temperature : ndarray, shape (2, hours)
        Coldest and warmest liquid within each, from a full tank to the end of one [K].
    held, doubtful, failed : ndarray, shape (hours,)
        Area that certainly holds all through the hour, of which that is not known, and that certainly fails [m2].
    failing : tuple of ndarray of int
        Zones that certainly fail in each hour.
    asked : float
        Area that asks for ammonia [m2].
    whole, best : tuple of Stretch
        When the whole map certainly holds, and when the most does; to quarters of an hour, rounded inward.
    needed : float
        Time the field takes [s].
    starts : tuple of DayStart
        Of the field begun at each full hour from which it is done in time.
    loads : int
        Tank loads it takes.
    """

    weather: Weather
    liquid: LiquidDay
    hours: FloatArray
    temperature: FloatArray
    held: FloatArray
    doubtful: FloatArray
    failed: FloatArray
    failing: tuple[IntArray, ...]
    asked: float
    whole: tuple[Stretch, ...]
    best: tuple[Stretch, ...]
    needed: float
    starts: tuple[DayStart, ...]
    loads: int

    @property
    def best_start(self) -> DayStart | None:
        """The start and the order that hold most, the earliest of several; None where the field takes too long."""
        return max(self.starts, key=lambda one: (round(one.most, 3), -one.start), default=None)

    @property
    def holds_throughout(self) -> bool:
        """Whether the whole map certainly holds for as long as the field takes."""
        return any(run.end - run.start >= self.needed for run in self.whole)


def _over(counts: BoolArray, low: IntArray, high: IntArray) -> IntArray:
    """How often something is so in stretches of rows, both ends included."""
    running = np.concatenate([np.zeros((1, counts.shape[1]), dtype=np.int64), np.cumsum(counts, axis=0)])
    return np.asarray(running[high + 1] - running[low])


@dataclass(frozen=True, slots=True)
class _Fits:
    """Whether flows, in columns, certainly or possibly fit at rising temperatures [K], in rows."""

    kelvin: FloatArray
    certain: BoolArray
    possible: BoolArray

    def over(self, liquid: FloatArray) -> NDArray[np.int8]:
        """Verdicts over stretches of temperature, shape (2, n), each out to the temperatures solved beside it.

        What holds holds at all of them; what fails is possible at none.
        """
        ends, most = np.clip(liquid, self.kelvin[0], self.kelvin[-1]), self.kelvin.size - 1
        first = np.clip(np.searchsorted(self.kelvin, ends[0], side="right") - 1, 0, most)
        last = np.clip(np.searchsorted(self.kelvin, ends[1]), first, most)
        holds, fails = _over(~self.certain, first, last) == 0, _over(self.possible, first, last) == 0
        return np.select([holds, fails], [_HOLDS, _FAILS], _DOUBTFUL).astype(np.int8)


def _fits(flows: FloatArray, liquid: FloatArray, solution: Solution) -> _Fits:
    """Compare flows at slowest and fastest speed, shape (flows, 2), with the window at all temperatures of a day."""
    low, high = np.clip([liquid[0].min(), liquid[1].max()], _LOWEST, _HIGHEST).tolist()
    grid = temperature_grid(low, high, _GRID)
    window = flow_window(solution.bar, grid, solution.plan.sections)
    window = asked_of_rows(window, solution.bar, solution.plan)
    within = []
    for certain in (True, False):
        least, most = (edge / window.delivered_ratio for edge in window.edges(certain=certain))
        slow, fast = flows.T
        within.append((slow >= least[:, None] * (1.0 - _ROUNDING)) & (fast <= most[:, None] * (1.0 + _ROUNDING)))
    return _Fits(grid, *within)


def _runs(good: BoolArray, time: FloatArray, area: float) -> tuple[Stretch, ...]:
    """Stretches of moments in a row, to quarters of an hour, the longest first."""
    change = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(np.int8)))
    found = []
    for first, last in zip(change[::2], change[1::2] - 1, strict=True):
        begin = math.ceil(time[first] / _QUARTER - _LITTLE) * _QUARTER
        end = math.floor(time[last] / _QUARTER + _LITTLE) * _QUARTER
        if end > begin:
            found.append(Stretch(begin, end, area))
    return tuple(sorted(found, key=lambda run: (run.start - run.end, run.start)))


def order_that_holds_most(
    held: NDArray[np.float64], steps: NDArray[np.int64], start: int
) -> tuple[float, tuple[int, ...]]:
    """Find the order of loads that holds most, by dynamic programming over the sets of loads that are done.

    When a load begins depends on which ones are done before, not on their order.

    Parameters
    ----------
    held : ndarray, shape (loads, moments)
        Area that holds of a load begun at a moment [m2].
    steps : ndarray of int, shape (loads,)
        Moments it takes.
    start : int
        Moment at which the first one begins.

    Returns
    -------
    float, tuple of int
        Area [m2] and the order; of several the one that comes first, number by number.
    """
    many = len(steps)
    # What is still to gain once a set of loads, as bits, is done: so the earliest numbers can be taken first.
    ahead = np.zeros(1 << many)
    for done in range((1 << many) - 2, -1, -1):
        begin = start + sum(int(steps[load]) for load in range(many) if done >> load & 1)
        left = [load for load in range(many) if not done >> load & 1]
        ahead[done] = max(held[load, begin] + ahead[done | 1 << load] for load in left)
    order, done, begin = [], 0, start
    while done < (1 << many) - 1:
        left = [load for load in range(many) if not done >> load & 1]
        near = ahead[done] - _LITTLE * max(1.0, ahead[done])
        load = next(load for load in left if held[load, begin] + ahead[done | 1 << load] >= near)
        order.append(load)
        done, begin = done | 1 << load, begin + int(steps[load])
    return float(ahead[0]), tuple(order)


def best_starts(bad: BoolArray, ground: FloatArray, seconds: FloatArray, time: FloatArray) -> tuple[DayStart, ...]:
    """Area that holds while its tank lasts, for every full hour at which the field may be begun.

    Parameters
    ----------
    bad : ndarray of bool, shape (moments, flows)
        Where a flow does not certainly hold.
    ground : ndarray, shape (loads, flows)
        Area of each load that asks for it [m2].
    seconds : ndarray, shape (loads,)
        Time each load takes [s].
    time : ndarray, shape (moments,)
        Even moments [s].
    """
    if not len(seconds) or len(time) < 2:
        return ()
    step, last = float(time[1] - time[0]), len(time) - 1
    steps = np.maximum(np.ceil(seconds / step - _LITTLE), 1.0).astype(np.int64)
    held = np.zeros((len(steps), len(time)))
    for load, (own, area) in enumerate(zip(steps, ground, strict=True)):
        begin = np.arange(max(0, len(time) - int(own)))
        held[load, begin] = (_over(bad, begin, begin + own) == 0) @ area
    found = []
    for start in np.flatnonzero(np.isclose(np.mod(time + 1.0, HOUR), 1.0)):
        if start + steps.sum() > last:
            continue
        begins = start + np.concatenate([[0], np.cumsum(steps)[:-1]])
        as_driven = float(held[np.arange(len(steps)), begins].sum())
        most, order = as_driven, tuple(range(len(steps)))
        if len(steps) <= _MOST_LOADS:
            better, other = order_that_holds_most(held, steps, int(start))
            if better > most + _LITTLE * max(1.0, most):
                most, order = better, other
        found.append(DayStart(float(time[start]), as_driven, most, order))
    return tuple(found)


def hold_over_day(
    rate: Floats,
    area: FloatArray,
    solution: Solution,
    speeds: tuple[FloatArray, FloatArray],
    weather: Weather,
    liquid: LiquidDay,
    loads: tuple[FloatArray, float],
) -> DayByHour:
    """Find what of a map holds through a day.

    Parameters
    ----------
    rate : array_like, shape (zones,)
        Nitrogen rate [kg/m2], zero or more.
    area : ndarray, shape (zones,)
        Of each zone [m2].
    solution : Solution
        From `vet.solve`; its temperatures do not count.
    speeds : tuple of ndarray, shape (zones,)
        Slowest and fastest speed of each zone [m/s].
    weather, liquid : Weather, LiquidDay
        From `weather.liquid_over_day`.
    loads : ndarray of shape (loads, zones), float
        Area of each load [m2], and the time the field takes [s].
    """
    wanted, (ground, needed) = np.asarray(rate, dtype=np.float64), loads
    width, fraction = solution.window.width, solution.bar.nitrogen_fraction
    flows = np.column_stack([ammonia_flow(wanted, speed, width, fraction) for speed in speeds])
    asked = wanted > 0.0
    distinct, place = np.unique(flows[asked], axis=0, return_inverse=True)
    place, many = place.ravel(), len(distinct)
    weight = np.bincount(place, area[asked], many)
    total = float(weight.sum())
    time = liquid.time
    fits = _fits(distinct, liquid.drawn, solution)
    codes = fits.over(liquid.drawn)

    hours = _hours(time)
    spans = [np.flatnonzero((time >= begin - 1.0) & (time <= end + 1.0)) for begin, end in hours.T]
    bands = np.array([[liquid.drawn[0, one].min(), liquid.drawn[1, one].max()] for one in spans]).T
    hourly = fits.over(bands)
    numbers = np.flatnonzero(asked)
    failing = tuple(numbers[row[place] == _FAILS] for row in hourly)

    held_in, doubtful_in, failed_in = ((hourly == code) @ weight for code in (_HOLDS, _DOUBTFUL, _FAILS))

    bad = codes != _HOLDS
    held = (~bad) @ weight
    most = float(held.max())
    shares = np.array([np.bincount(place, each[asked], many) for each in ground]).reshape(len(ground), many)
    lasting = (ground[:, asked] / (0.5 * (speeds[0] + speeds[1])[asked])).sum(axis=1)
    seconds = needed * lasting / max(float(lasting.sum()), 1e-300)
    return DayByHour(
        weather,
        liquid,
        hours,
        bands,
        held_in,
        doubtful_in,
        failed_in,
        failing,
        total,
        _runs(held >= total * (1.0 - _ROUNDING), time, total),
        _runs(held >= most * (1.0 - _ROUNDING), time, most) if most > 0.0 else (),
        needed,
        best_starts(bad, shares, seconds, time),
        len(ground),
    )


def _hours(time: FloatArray) -> FloatArray:
    """Begin and end of every hour by the clock that the day reaches into [s], shape (2, hours)."""
    inner = np.arange(math.floor(time[0] / HOUR) + 1, math.ceil(time[-1] / HOUR)) * HOUR
    edges = np.concatenate([[time[0]], inner, [time[-1]]])
    return np.stack([edges[:-1], edges[1:]])
