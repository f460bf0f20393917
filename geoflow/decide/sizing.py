"""Orifices from nothing: which diameters hold what is asked over the plan, in one size or in two for cold and warm."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import BoolArray, FloatArray, Floats, IntArray
from geoflow.base.rates import ammonia_flow
from geoflow.decide.size_curves import BarRange, SizeCurves, size_curves, size_windows
from geoflow.decide.vet import Plan
from geoflow.hydraulics.long_bores import is_long
from geoflow.hydraulics.window import Bounds, temperature_grid
from geoflow.physics.ammonia import saturation
from geoflow.physics.short_tubes import TESTED_DIAMETER

__all__ = ["HELPFUL_LAND", "DaySizes", "SizeChoice", "SizeOption", "WantedFlows", "asked_flows", "size_choice"]

HELPFUL_LAND: Final = 0.010
"""Length of a bore that makes every diameter refrigerants were tested in a long one [m]."""

# As in vet: a rate right at the window's edge passes in spite of rounding.
_ROUNDING: Final = 1e-9
_SMALLEST, _LARGEST = 1.5e-4, 0.025
# What is told between solved diameters keeps off the edges of the window by this share of the flow.
_SHY: Final = 2e-3
# Groups of neighbouring rates a search counts at most.
_MOST_GROUPS: Final = 150
_MOST_TRIES: Final = 6


@dataclass(frozen=True, slots=True)
class WantedFlows:
    """Flows that are asked, as the controller takes them; arrays of shape (n,).

    Attributes
    ----------
    low, high : ndarray
        At the slowest and the fastest speed, of the whole width in use [kg/s].
    weight : ndarray
        What each counts: acres of a map [m2], or one for a rate.
    """

    low: FloatArray
    high: FloatArray
    weight: FloatArray

    @property
    def whole(self) -> float:
        """All that is asked, in the unit of the weights."""
        return float(self.weight.sum())

    def grouped(self) -> WantedFlows:
        """Return neighbours as one where there are many: what holds the group holds each of them."""
        order = np.argsort(self.low)
        groups = np.array_split(order, min(_MOST_GROUPS, order.size))
        ends = [(self.low[g].min(), self.high[g].max(), self.weight[g].sum()) for g in groups]
        low, high, weight = np.array(ends).T
        return WantedFlows(low, high, weight)


@dataclass(frozen=True, slots=True)
class SizeOption:
    """One diameter in all sections in use, solved as it is.

    Attributes
    ----------
    diameter : float
        [m]
    certain, possible : Bounds
        Window over the plan, in flow as the controller takes it [kg/s].
    holds, may_hold : ndarray of bool, shape (n,)
        What of the asked lies in the certain and in the possible window over the whole plan.
    held, maybe : float
        Weight of these.
    """

    diameter: float
    certain: Bounds
    possible: Bounds
    holds: BoolArray
    may_hold: BoolArray
    held: float
    maybe: float


@dataclass(frozen=True, slots=True)
class DaySizes:
    """Two sizes, one for cold and one for warm days.

    Attributes
    ----------
    split : float
        Liquid temperature up to which the cold one serves and from which the warm one does [K].
    cold, warm : SizeOption
        Each over its own part of the planned temperatures.
    """

    split: float
    cold: SizeOption
    warm: SizeOption


@dataclass(frozen=True, slots=True)
class SizeChoice:
    """Which diameters hold what is asked.

    Attributes
    ----------
    asked : WantedFlows
        What is asked.
    curves : SizeCurves
        Window over the diameter.
    certain, possible : tuple of ndarray, shape (runs, 2)
        For each of the asked smallest and largest diameter of every run of them that holds it over the plan [m]; what
        is known of a bore changes with its diameter at once, so there may be several.
    best : SizeOption or None
        What holds the most; None where no diameter may hold anything.
    best_span : tuple of float or None
        Diameters round it that hold as much [m]; None where sizes to choose from were given.
    listed : tuple of SizeOption
        The sizes to choose from that may hold something, best first.
    days : DaySizes or None
        Where two sizes certainly hold more than one.
    with_land : SizeOption or None
        The best with bores of `HELPFUL_LAND`, where they certainly hold more.
    two_looked_at, land_looked_at : bool
        Whether two sizes, and long bores, were looked at: not where one holds all, or was not to be asked.
    """

    asked: WantedFlows
    curves: SizeCurves
    certain: tuple[FloatArray, ...]
    possible: tuple[FloatArray, ...]
    best: SizeOption | None
    best_span: tuple[float, float] | None
    listed: tuple[SizeOption, ...]
    days: DaySizes | None
    with_land: SizeOption | None
    two_looked_at: bool
    land_looked_at: bool


def asked_flows(rate: Floats, weight: Floats, slow: Floats, fast: Floats, bar: Bar, plan: Plan) -> WantedFlows:
    """Return the flows that rates ask; rates of zero are left out.

    Parameters
    ----------
    rate : array_like, shape (n,)
        Nitrogen rate [kg/m2].
    weight : array_like, shape (n,)
        What each counts.
    slow, fast : array_like
        Slowest and fastest speed of each [m/s].
    bar, plan : Bar, Plan
        Give the width in use and the nitrogen in the ammonia.
    """
    wanted = np.asarray(rate, dtype=np.float64)
    some = wanted > 0.0
    width = bar.row_spacing * sum(bar.sections[index].rows for index in plan.sections)
    slowest, fastest = (np.broadcast_to(np.asarray(one, dtype=np.float64), wanted.shape)[some] for one in (slow, fast))
    flows = [ammonia_flow(wanted[some], speed, width, bar.nitrogen_fraction) for speed in (slowest, fastest)]
    return WantedFlows(flows[0], flows[1], np.broadcast_to(np.asarray(weight, dtype=np.float64), wanted.shape)[some])


def _within(asked: WantedFlows, low: Floats, high: Floats) -> BoolArray:
    least, most = np.asarray(low)[..., None], np.asarray(high)[..., None]
    return np.asarray((asked.low >= least * (1.0 - _ROUNDING)) & (asked.high <= most * (1.0 + _ROUNDING)))


def _solved(bars: BarRange, plan: Plan, asked: WantedFlows, *diameters: float) -> list[SizeOption]:
    """Solve diameters over the whole plan."""
    options = []
    windows = size_windows(bars, plan, diameters, temperature_grid(*plan.temperature))
    for diameter, window in zip(diameters, windows, strict=True):
        certain, possible = window.both_over_plan(commanded=True)
        holds, hopes = (_within(asked, one.low, one.high) for one in (certain, possible))
        hopes = hopes | holds
        held, maybe = (float(asked.weight[some].sum()) for some in (holds, hopes))
        options.append(SizeOption(diameter, certain, possible, holds, hopes, held, maybe))
    return options


def _short(asked: WantedFlows, low: Floats, high: Floats) -> FloatArray:
    """By how much the worst of the asked misses a window, as a ratio of flows; below one it lies inside."""
    least, most = np.asarray(low)[..., None], np.maximum(np.asarray(high), 1e-12)[..., None]
    return np.asarray(np.maximum(least / asked.low, asked.high / most).max(axis=-1))


def _ends(bars: BarRange, plan: Plan, asked: WantedFlows) -> tuple[float, float]:
    """Diameters between which all lie that may hold something, from Bernoulli with much to spare [m]."""
    bar = bars.better
    rows = sum(bar.sections[index].rows for index in plan.sections)
    cold, warm = (saturation(end) for end in plan.temperature)
    orifice = bar.orifices[bar.sections[plan.sections[0]].orifice]
    most = float(warm.pressure) + bar.pump.max_rise
    least = max(min(bar.limits.liquid_margin, 0.5 * bar.pump.max_rise), 1e3)

    def diameter(flow: float, drive: float, coefficient: float) -> float:
        flux = coefficient * np.sqrt(2.0 * float(cold.liquid_density) * drive)
        return float(np.sqrt(flow / rows / flux / (0.25 * np.pi)))

    small = diameter(float(asked.low.min()), most, min(1.0, 1.3 * orifice.discharge_coefficient))
    large = diameter(float(asked.high.max()), least, 0.7 * orifice.discharge_coefficient)
    return max(small, _SMALLEST), min(max(large, 1.2 * small), _LARGEST)


def _runs(good: BoolArray) -> IntArray:
    """First and last place of each run of good ones, shape (runs, 2)."""
    change = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(np.int8)))
    return np.asarray(change.reshape(-1, 2) - [0, 1])


def _longest(good: BoolArray) -> tuple[int, int]:
    """First and last place of the longest run of good ones."""
    runs = _runs(good)
    first, last = runs[np.argmax(runs[:, 1] - runs[:, 0])]
    return int(first), int(last)


@dataclass(frozen=True, slots=True)
class _Run:
    """Sizes next to each other that hold one of the asked, surely or perhaps; its ends are moved."""

    sure: bool
    asked: int
    ends: list[int]

    def good(self, option: SizeOption) -> bool:
        """Whether a size holds it."""
        return bool((option.holds if self.sure else option.may_hold)[self.asked])


def _move_inward(runs: list[_Run], solve: Callable[[list[int]], list[SizeOption]]) -> None:
    """Move ends of runs inward until the sizes there hold what they should; a run none of whose do ends crossed."""
    known: dict[int, SizeOption] = {}
    waiting = [(run, end) for run in runs for end in (0, 1)]
    step = 1
    while waiting:
        new = sorted({run.ends[end] for run, end in waiting} - known.keys())
        known |= zip(new, solve(new), strict=True)
        short = [(run, end) for run, end in waiting if not run.good(known[run.ends[end]])]
        for run, end in short:
            run.ends[end] += -step if end else step
        waiting = [(run, end) for run, end in short if run.ends[0] <= run.ends[1]]
        step *= 2


def _spans(
    bars: BarRange, plan: Plan, asked: WantedFlows, fine: SizeCurves
) -> tuple[tuple[FloatArray, ...], tuple[FloatArray, ...]]:
    """Runs of diameters that certainly hold each of the asked, and of those that may [m]; all ends are solved.

    Between solved diameters the window bends where another limit or another bound of a bore takes over, so ends that
    do not hold what they should are moved inward.
    """
    found: dict[bool, list[list[list[int]]]] = {}
    for sure, (low, high) in ((True, fine.certain()), (False, fine.possible)):
        inside = _within(asked, low * (1.0 + _SHY), high * (1.0 - _SHY))
        found[sure] = [_runs(column).tolist() for column in inside.T]
    every = [_Run(sure, at, ends) for sure, each in found.items() for at, runs in enumerate(each) for ends in runs]
    _move_inward(every, lambda places: _solved(bars, plan, asked, *fine.diameter[places].tolist()))
    certain, possible = (
        tuple(fine.diameter[[run for run in runs if run[0] <= run[1]]].reshape(-1, 2) for runs in found[sure])
        for sure in (True, False)
    )
    return certain, possible


def _best(
    bars: BarRange, plan: Plan, asked: WantedFlows, fine: SizeCurves
) -> tuple[SizeOption | None, tuple[float, float] | None]:
    """Solve the middle one of the diameters that certainly hold the most, or else that may; and their ends."""
    groups = asked.grouped()
    for sure, (low, high) in ((True, fine.certain()), (False, fine.possible)):
        weight = _within(groups, low, high) @ groups.weight
        if weight.max() <= 0.0:
            continue
        first, last = _longest(weight >= weight.max() * (1.0 - _ROUNDING))
        middle = (first + last) // 2
        if not sure:
            sure_low, sure_high = fine.certain()
            middle = first + int(np.argmin(_short(groups, sure_low, sure_high)[first : last + 1]))
        small = range(first, min(first + _MOST_TRIES, middle))
        large = range(last, max(last - _MOST_TRIES, middle), -1)
        places = [middle, *small, *large]
        options = dict(zip(places, _solved(bars, plan, asked, *fine.diameter[places].tolist()), strict=True))
        best = options[middle]
        if sure and best.held <= 0.0:
            continue
        good = [at for at, one in options.items() if (one.held >= best.held if sure else one.maybe >= best.maybe)]
        ends = (next((at for at in side if at in good), middle) for side in (small, large))
        low_end, high_end = (float(fine.diameter[at]) for at in ends)
        return best, (low_end, high_end)
    return None, None


def _days(bars: BarRange, plan: Plan, asked: WantedFlows, fine: SizeCurves, held: float) -> DaySizes | None:
    """Find two sizes that together certainly hold more than one, the least of them as much as may be."""
    groups, found = asked.grouped(), []
    for split in range(1, fine.temperature.size - 1):
        places = []
        for part in ((0, split + 1), (split, None)):
            weight = _within(groups, *fine.certain(*part)) @ groups.weight
            places.append((float(weight.max()), sum(_longest(weight >= weight.max() * (1.0 - _ROUNDING))) // 2))
        found.append((min(places)[0], sum(weight for weight, _ in places), split, [at for _, at in places]))
    if not found or max(found)[0] <= held * (1.0 + _ROUNDING):
        return None
    _, _, split, at = max(found)
    cut = float(fine.temperature[split])
    cold, warm = (
        _solved(bars, replace(plan, temperature=part), asked, float(fine.diameter[place]))[0]
        for part, place in zip(((plan.temperature[0], cut), (cut, plan.temperature[1])), at, strict=True)
    )
    return DaySizes(cut, cold, warm) if min(cold.held, warm.held) > held * (1.0 + _ROUNDING) else None


def _long_already(bars: BarRange, plan: Plan, best: SizeOption | None) -> bool:
    fitted = bars.worse.orifices[bars.worse.sections[plan.sections[0]].orifice]
    return best is not None and is_long(replace(fitted, diameter=best.diameter))


def _with_land(
    bars: BarRange, plan: Plan, asked: WantedFlows, ends: tuple[float, float], held: float
) -> SizeOption | None:
    """Best size with long bores, where they certainly hold more."""
    some = max(ends[0], TESTED_DIAMETER[0]), min(ends[1], TESTED_DIAMETER[1])
    if some[0] * 1.01 > some[1]:
        return None
    bored = bars.with_land(HELPFUL_LAND)
    fine = size_curves(bored, plan, some, hopes=False).finely()
    groups = asked.grouped()
    weight = _within(groups, *fine.certain()) @ groups.weight
    if weight.max() <= held * (1.0 + _ROUNDING):
        return None
    first, last = _longest(weight >= weight.max() * (1.0 - _ROUNDING))
    (option,) = _solved(bored, plan, asked, float(fine.diameter[(first + last) // 2]))
    return option if option.held > held * (1.0 + _ROUNDING) else None


def _listed(
    bars: BarRange, plan: Plan, asked: WantedFlows, sizes: tuple[float, ...], ends: tuple[float, float]
) -> tuple[SizeOption, ...]:
    """Those of some diameters that may hold something, the best first."""

    def rank(one: SizeOption) -> tuple[float, float, float]:
        return -one.held, -one.maybe, float(_short(asked, one.certain.low, one.certain.high))

    near = [size for size in dict.fromkeys(sizes) if ends[0] * 0.98 <= size <= ends[1] * 1.02]
    solved = sorted(_solved(bars, plan, asked, *near), key=rank)
    return tuple(one for one in solved if one.maybe > 0.0)


def size_choice(
    bars: BarRange, plan: Plan, asked: WantedFlows, sizes: tuple[float, ...] = (), *, further: bool = True
) -> SizeChoice:
    """Find the diameters that hold what is asked at every temperature and speed of the plan.

    Parameters
    ----------
    bars : BarRange
        The bar; everything but the diameter of the orifices in use counts.
    plan : Plan
        Temperatures, speeds and sections.
    asked : WantedFlows
        At least one flow.
    sizes : tuple of float
        Diameters to choose from [m]; any where empty.
    further : bool
        Whether two sizes and long bores are looked at too.

    Raises
    ------
    BarError
        If more than six kinds of orifice are in use at once.

    Notes
    -----
    The bar is solved at diameters a tenth apart. Between them the ends of a window go with a power of the diameter to
    0.2 % but for bends (tests); what is told of single sizes and of the ends of spans is solved anew.
    """
    ends = _ends(bars, plan, asked)
    fine = size_curves(bars, plan, ends).finely()
    certain, possible = _spans(bars, plan, asked, fine)
    best, span = (None, None) if sizes else _best(bars, plan, asked, fine)
    listed = _listed(bars, plan, asked, sizes, ends)
    best = listed[0] if listed else best
    held = 0.0 if best is None else best.held
    short = further and held < asked.whole * (1.0 - _ROUNDING)
    two, land = short and not sizes and fine.temperature.size > 2, short and not _long_already(bars, plan, best)
    days = _days(bars, plan, asked, fine, held) if two else None
    bored = _with_land(bars, plan, asked, ends, held) if land else None
    return SizeChoice(asked, fine, certain, possible, best, span, listed, days, bored, two, land)
