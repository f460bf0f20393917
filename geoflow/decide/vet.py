"""Zones against the window: what the bar can deliver, what limits it, and what would cure it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import BoolArray, FloatArray, Floats, IntArray, TextArray, distinct
from geoflow.base.errors import RangeError, UsageError
from geoflow.base.rates import ammonia_flow, nitrogen_rate
from geoflow.decide.plan_warnings import plan_warnings
from geoflow.hydraulics.curves import PressureCurve, pressure_curve
from geoflow.hydraulics.rows import for_worst_row
from geoflow.hydraulics.window import Bounds, FlowWindow, flow_window, temperature_grid
from geoflow.physics.ammonia import LOWEST_TEMPERATURE, saturation

__all__ = ["Plan", "Solution", "Vetting", "asked_of_rows", "fitted_with", "flow_verdicts", "solve", "verdicts", "vet"]


# A rate clipped to the window must pass it in spite of rounding.
_ROUNDING: Final = 1e-9
# The temperatures searched for a change of verdict: -30 to 120 degF in steps of 2 degF.
_SEARCH_LOW, _SEARCH_HIGH, _SEARCH_STEP = 238.706, 322.039, 1.1112
_CHUNK: Final = 20_000
# 136 degF: the table reaches a little further, for what the pump adds.
_WARMEST: Final = 331.0


@dataclass(frozen=True, slots=True)
class Plan:
    """What the field day may bring.

    Attributes
    ----------
    temperature : tuple of float
        Coldest and warmest liquid in the tank [K].
    speed : tuple of float
        Slowest and fastest planned ground speed [m/s].
    sections : tuple of int
        Indices of the sections in use.
    rows : str
        ``"mean"``, or ``"worst"`` where a rate holds only if every single row can be brought to it.
    tank_gauge : tuple of float or None
        The gauge pressures [Pa] that the temperatures were given as, if they were.
    """

    temperature: tuple[float, float]
    speed: tuple[float, float]
    sections: tuple[int, ...]
    rows: str = "mean"
    tank_gauge: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        if self.speed[0] <= 0.0:
            raise UsageError("the planned speed is not above zero", where="--speed", cure='give it like "5 mph"')
        if self.temperature[0] < LOWEST_TEMPERATURE or self.temperature[1] > _WARMEST:
            raise UsageError(
                "the planned liquid temperature lies outside -54 to 136 degF (-48 to 57 degC), the range covered",
                where="--temperature",
                cure='give it like "40 degF" or "35..62 degF"',
            )


@dataclass(frozen=True, slots=True)
class Solution:
    """A bar solved for a plan: everything about the zones follows from it by comparison.

    Attributes
    ----------
    bar : Bar
        The equipment.
    plan : Plan
        The plan.
    window : FlowWindow
        Over the planned temperatures.
    search : FlowWindow
        Over the temperatures searched for a change of verdict.
    certain, possible : Bounds
        The window over the whole plan, in flow as the controller takes it [kg/s].
    curve : PressureCurve
        Gauge pressures and margin over flow.
    other_orifices : dict of str to Bounds
        Certain window over the plan with each other orifice of the bar file in all sections in use.
    after_readings : dict
        Windows after readings that `decide.settling` looked at.
    """

    bar: Bar
    plan: Plan
    window: FlowWindow
    search: FlowWindow
    certain: Bounds
    possible: Bounds
    curve: PressureCurve
    other_orifices: dict[str, Bounds]
    after_readings: dict[Any, tuple[Bounds, Bounds] | None] = field(default_factory=dict, compare=False, repr=False)

    @property
    def hopeless(self) -> bool:
        """Whether the liquid's own pressure leaves the bar no room at any flow."""
        warm = float(saturation(self.plan.temperature[1]).pressure)
        return warm + self.bar.limits.liquid_margin >= self.bar.at_end(-1.0).limits.max_pressure

    def warnings(self, *, with_speed: bool = True) -> tuple[str, ...]:
        """Say what about the plan itself needs a second look, one sentence each.

        Parameters
        ----------
        with_speed : bool
            Whether the plan has a speed.
        """
        speed = self.plan.speed if with_speed else None
        return plan_warnings(self.bar, self.plan.temperature, speed)

    def rate_bounds(self, bounds: Bounds) -> tuple[float, float]:
        """Nitrogen rates [kg/m2] that a window allows at every planned speed; low exceeds high where there are none.

        Parameters
        ----------
        bounds : Bounds
            Flow as the controller takes it [kg/s].
        """
        slow, fast = self.plan.speed
        width, fraction = self.window.width, self.bar.nitrogen_fraction
        return (
            float(nitrogen_rate(bounds.low, slow, width, fraction)),
            float(nitrogen_rate(bounds.high, fast, width, fraction)),
        )


def fitted_with(bar: Bar, sections: tuple[int, ...], orifices: tuple[str, ...]) -> Bar:
    """Return the bar with one orifice key for each of some sections.

    Parameters
    ----------
    bar : Bar
        The equipment.
    sections, orifices : tuple
        Sections, and a key of `bar.orifices` for each of them.
    """
    changed = list(bar.sections)
    for index, key in zip(sections, orifices, strict=True):
        changed[index] = replace(changed[index], orifice=key)
    return replace(bar, sections=tuple(changed))


def asked_of_rows(window: FlowWindow, bar: Bar, plan: Plan) -> FlowWindow:
    """Return the window as the plan asks it of the rows.

    Parameters
    ----------
    window : FlowWindow
        From `flow_window` for this bar.
    bar : Bar
        Fitted as it was solved.
    plan : Plan
        What is asked.
    """
    return for_worst_row(window, bar, plan.sections) if plan.rows == "worst" else window


def solve(bar: Bar, plan: Plan) -> Solution:
    """Solve the bar's hydraulics once for a plan.

    Parameters
    ----------
    bar : Bar
        The equipment.
    plan : Plan
        What is planned with it.

    Raises
    ------
    BarError
        If a measured point contradicts its orifice.
    """
    grid = temperature_grid(*plan.temperature)
    wide = temperature_grid(_SEARCH_LOW, _SEARCH_HIGH, _SEARCH_STEP)
    search = asked_of_rows(flow_window(bar, distinct(np.concatenate([grid, wide])), plan.sections), bar, plan)
    window = search.at(np.searchsorted(search.temperature, grid))
    certain, possible = window.both_over_plan(commanded=True)
    density = bar.pump.max_flow * 700.0
    top = min(max(2.0 * possible.high, 2.0 * certain.low, 0.01 * density), 4.0 * density)
    curve = pressure_curve(bar, grid, plan.sections, window.delivered_ratio, top)
    fitted = {bar.sections[index].orifice for index in plan.sections}
    refitted = {
        name: fitted_with(bar, plan.sections, (name,) * len(plan.sections)) for name in bar.orifices if fitted != {name}
    }
    others = {
        name: asked_of_rows(flow_window(other, grid, plan.sections), other, plan).over_plan(
            certain=True, commanded=True
        )
        for name, other in refitted.items()
    }
    return Solution(bar, plan, window, search, certain, possible, curve, others)


@dataclass(frozen=True, slots=True)
class Vetting:
    """Verdict per zone; every array has shape (zones,).

    Attributes
    ----------
    flow_low, flow_high : ndarray
        Ammonia flow at the slowest and fastest planned speed, as the controller takes it [kg/s].
    verdict : ndarray of str
        A key of `schema.VERDICTS`.
    side : ndarray of str
        ``"low"``, ``"high"`` or empty.
    limited_by : ndarray of str
        A key of `schema.LIMITS` or empty.
    speed_low, speed_high : ndarray
        Speeds at which the zone's rate certainly holds, within the bar's allowed speeds [m/s]; NaN where
        there are none.
    margin : ndarray
        Least liquid margin over the plan [Pa], at the worse end of what is not known; NaN where nothing flows.
    expected_margin : ndarray, shape (zones, 2)
        Same in the likely cases, from the least to the greatest [Pa].
    temperature_low, temperature_high : ndarray
        Liquid temperatures round the plan between which the zone holds at the planned speeds [K]; NaN where
        there are none.
    cured_by_orifice : dict of str to ndarray of bool
        Whether another orifice in all sections would make the zone hold.
    driven : tuple of ndarray
        Slowest and fastest speed the zone is driven at [m/s]: the plan's, or its own.
    """

    flow_low: FloatArray
    flow_high: FloatArray
    verdict: TextArray
    side: TextArray
    limited_by: TextArray
    speed_low: FloatArray
    speed_high: FloatArray
    margin: FloatArray
    expected_margin: FloatArray
    temperature_low: FloatArray
    temperature_high: FloatArray
    cured_by_orifice: dict[str, BoolArray]
    driven: tuple[FloatArray, FloatArray]


def _within(flow_low: FloatArray, flow_high: FloatArray, bounds: Bounds) -> BoolArray:
    return (flow_low >= bounds.low * (1.0 - _ROUNDING)) & (flow_high <= bounds.high * (1.0 + _ROUNDING))


def _side(flow_low: FloatArray, flow_high: FloatArray, bounds: Bounds) -> TextArray:
    """Return the side of the window that is missed by the larger ratio."""
    with np.errstate(divide="ignore", invalid="ignore"):
        below, above = bounds.low / flow_low, flow_high / bounds.high
    return np.where(below >= above, "low", "high")


def _holding_temperatures(
    flow_low: FloatArray, flow_high: FloatArray, solution: Solution
) -> tuple[FloatArray, FloatArray]:
    """Stretch of temperatures round (or else nearest to) the plan at which each pair of flows holds [K]."""
    window = solution.search
    low, high = (edge / window.delivered_ratio for edge in window.edges(certain=True))
    kelvin = window.temperature
    middle = 0.5 * sum(solution.plan.temperature)
    position = np.arange(kelvin.size)
    with np.errstate(divide="ignore", invalid="ignore"):
        spare = np.minimum(
            np.log(flow_low[:, None] / low), np.log(np.maximum(high, 1e-12)) - np.log(flow_high[:, None])
        )
    holds = spare >= -_ROUNDING
    some = holds.any(axis=1)
    start = np.argmin(np.where(holds, np.abs(kelvin - middle), np.inf), axis=1)[:, None]
    first = np.where(~holds & (position <= start), position, -1).max(axis=1) + 1
    last = np.where(~holds & (position >= start), position, kelvin.size).min(axis=1) - 1
    row = np.arange(len(spare))

    def crossing(inside: IntArray, outside: IntArray) -> FloatArray:
        beyond = np.clip(outside, 0, kelvin.size - 1)
        within = np.clip(inside, 0, kelvin.size - 1)
        good, bad = np.maximum(spare[row, within], 0.0), spare[row, beyond]
        share = np.where((bad < 0.0) & np.isfinite(bad), good / np.where(bad < 0.0, good - bad, 1.0), 0.0)
        return np.asarray(kelvin[within] + share * (kelvin[beyond] - kelvin[within]))

    return np.where(some, crossing(first, first - 1), np.nan), np.where(some, crossing(last, last + 1), np.nan)


def _in_chunks(flow_low: FloatArray, flow_high: FloatArray, solution: Solution) -> tuple[FloatArray, FloatArray]:
    pieces = [
        _holding_temperatures(flow_low[start : start + _CHUNK], flow_high[start : start + _CHUNK], solution)
        for start in range(0, len(flow_low), _CHUNK)
    ]
    if not pieces:
        return np.empty(0), np.empty(0)
    lows, highs = zip(*pieces, strict=True)
    return np.concatenate(lows), np.concatenate(highs)


def flow_verdicts(flow_low: FloatArray, flow_high: FloatArray, off: BoolArray, solution: Solution) -> TextArray:
    """Give the verdict of each zone by its flows alone.

    Parameters
    ----------
    flow_low, flow_high : ndarray, shape (zones,)
        At the slowest and fastest speed [kg/s].
    off : ndarray of bool, shape (zones,)
        Where nothing is asked.
    solution : Solution
        From `solve`.
    """
    holds = _within(flow_low, flow_high, solution.certain)
    doubtful = ~holds & _within(flow_low, flow_high, solution.possible)
    return np.select([off, holds, doubtful], ["off", "holds", "doubtful"], "fails")


def verdicts(rate: FloatArray, solution: Solution, speeds: tuple[FloatArray, FloatArray] | None = None) -> TextArray:
    """Only the verdict of each zone, as `vet` would give it.

    Parameters
    ----------
    rate, solution, speeds
        As for `vet`.
    """
    slow, fast = solution.plan.speed if speeds is None else speeds
    width, fraction = solution.window.width, solution.bar.nitrogen_fraction
    flow_low, flow_high = ammonia_flow(rate, slow, width, fraction), ammonia_flow(rate, fast, width, fraction)
    return flow_verdicts(flow_low, flow_high, rate <= 0.0, solution)


def vet(rate: Floats, solution: Solution, speeds: tuple[FloatArray, FloatArray] | None = None) -> Vetting:
    """Compare zones with the window of a solved bar.

    Parameters
    ----------
    rate : array_like, shape (zones,)
        Nitrogen rate [kg/m2], zero or more.
    solution : Solution
        From `solve`.
    speeds : tuple of ndarray, optional
        Slowest and fastest speed of each zone [m/s], where zones have speeds of their own; the plan's otherwise.

    Raises
    ------
    RangeError
        For a rate that is negative or no number.
    """
    wanted = np.asarray(rate, dtype=np.float64)
    if not np.all((wanted >= 0.0) & (wanted < np.inf)):
        what = "a rate is negative or no number"
        raise RangeError(what, where="rates", cure="leave such zones out before they are vetted")
    bar, plan, width = solution.bar, solution.plan, solution.window.width
    if speeds is None:
        distinct, back = np.unique(wanted, return_inverse=True)
        slow, fast = (np.full(distinct.shape, speed) for speed in plan.speed)
    else:
        rows, back = np.unique(np.column_stack([wanted, *speeds]), axis=0, return_inverse=True)
        distinct, slow, fast = rows.T
        back = back.ravel()
    flow_low = ammonia_flow(distinct, slow, width, bar.nitrogen_fraction)
    flow_high = ammonia_flow(distinct, fast, width, bar.nitrogen_fraction)
    off = distinct <= 0.0

    verdict = flow_verdicts(flow_low, flow_high, off, solution)
    holds, doubtful = verdict == "holds", verdict == "doubtful"
    side = np.where(
        doubtful,
        _side(flow_low, flow_high, solution.certain),
        _side(flow_low, flow_high, solution.possible),
    )
    names = np.where(
        doubtful,
        np.where(side == "low", solution.certain.low_limit, solution.certain.high_limit),
        np.where(side == "low", solution.possible.low_limit, solution.possible.high_limit),
    )
    quiet = off | holds
    with np.errstate(divide="ignore", invalid="ignore"):
        slowest = np.maximum(solution.certain.low * bar.nitrogen_fraction / (distinct * width), bar.limits.speed[0])
        fastest = np.minimum(solution.certain.high * bar.nitrogen_fraction / (distinct * width), bar.limits.speed[1])
    no_speed = off | (slowest > fastest * (1.0 + _ROUNDING))
    warm_from, warm_to = _in_chunks(flow_low, flow_high, solution)

    def nowhere(values: FloatArray, missing: BoolArray) -> FloatArray:
        return np.where(missing, np.nan, values)[back]

    return Vetting(
        flow_low[back],
        flow_high[back],
        verdict[back],
        np.where(quiet, "", side)[back],
        np.where(quiet, "", names)[back],
        nowhere(slowest, no_speed),
        nowhere(np.maximum(fastest, slowest), no_speed),
        nowhere(solution.curve.at("worst_margin", flow_low), off),
        np.column_stack([nowhere(solution.curve.at(f"likely_margin_{end}", flow_low), off) for end in ("low", "high")]),
        nowhere(warm_from, off),
        nowhere(warm_to, off),
        {name: (_within(flow_low, flow_high, bounds) & ~off)[back] for name, bounds in solution.other_orifices.items()},
        (slow[back], fast[back]),
    )
