"""What a driver needs for one field and one day: speeds by rate, what to set, and what is lost if it is wrong."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, TextArray
from geoflow.decide.gauges import representative
from geoflow.decide.speeds import SPEED_STEP, inward_speeds
from geoflow.decide.vet import Solution, vet
from geoflow.hydraulics.pump_limits import displacement, slip_flow
from geoflow.hydraulics.readings import MarginReadings, bounded_circuit, held_state, readings_at_margin
from geoflow.hydraulics.suction import SuctionSide
from geoflow.physics.ammonia import saturation
from geoflow.physics.roots import rising_root

__all__ = [
    "METER_SCATTER",
    "Presets",
    "RateSpeeds",
    "low_alarms",
    "off_rate_alarms",
    "preset_rates",
    "rate_speeds",
    "shown_rates",
    "spare_suction",
]

METER_SCATTER: Final = 0.01
"""Share of the flow a meter scatters by itself [-]; common practice, no source."""
_LEAST_ALARM: Final = 2.0 * METER_SCATTER
_USUAL_ALARM: Final = 0.10
_ALARM_STEP: Final = 0.01
_MOST_PRESETS: Final = 3
# Rates that differ by less are one [kg/m2]; a thousandth of a pound per acre is 1e-7.
_SAME_RATE: Final = 9
_ROUNDING: Final = 1e-9


@dataclass(frozen=True, slots=True)
class RateSpeeds:
    """Speeds at each rate of a map; arrays of shape (n,) or (n, 2), lowest rate first, those of zero left out.

    Attributes
    ----------
    rate : ndarray, shape (n,)
        Nitrogen [kg/m2].
    area : ndarray, shape (n,)
        Of all zones of the rate [m2]; NaN without a map.
    certain : ndarray, shape (n, 2)
        Slowest and fastest allowed speed at which the rate certainly holds over all planned temperatures [m/s]; NaN
        where there is none a driver can hold.
    possible : ndarray of bool, shape (n,)
        Whether the rate may hold at some allowed speed a driver can hold.
    verdict, limited_by : ndarray of str, shape (n,)
        At the planned speeds.
    driven : ndarray, shape (n, 2)
        The planned speeds where the rate holds at them; else the nearest it holds at, or the planned ones where there
        is none [m/s].
    """

    rate: FloatArray
    area: FloatArray
    certain: FloatArray
    possible: BoolArray
    verdict: TextArray
    limited_by: TextArray
    driven: FloatArray

    @property
    def held(self) -> BoolArray:
        """Whether some speed certainly holds the rate."""
        return np.isfinite(self.certain[:, 0])

    @property
    def as_planned(self) -> BoolArray:
        """Whether the rate certainly holds at the planned speeds."""
        return np.asarray(self.verdict == "holds")


def _allowed(slow: FloatArray, fast: FloatArray) -> BoolArray:
    """Whether a driver can hold a speed between two."""
    return np.asarray(fast - slow >= SPEED_STEP * (1.0 - _ROUNDING))


def rate_speeds(rate: FloatArray, area: FloatArray | None, solution: Solution) -> RateSpeeds:
    """Find the speeds at which each rate of a map holds.

    Parameters
    ----------
    rate : ndarray, shape (zones,)
        Nitrogen rate [kg/m2].
    area : ndarray, shape (zones,), or None
        Of each zone [m2]; None without a map.
    solution : Solution
        From `vet.solve`.
    """
    asked = np.flatnonzero(rate > 0.0)
    _, first, back = np.unique(np.round(rate[asked], _SAME_RATE), return_index=True, return_inverse=True)
    distinct = rate[asked][first]
    if area is None:
        weight = np.full(distinct.shape, np.nan)
    else:
        weight = np.asarray(np.bincount(back.ravel(), area[asked], distinct.size), dtype=np.float64)
    bar, vetting = solution.bar, vet(distinct, solution)
    slowest, fastest = bar.limits.speed
    certain = np.column_stack([vetting.speed_low, vetting.speed_high])
    certain[~_allowed(*certain.T)] = np.nan
    per_speed = distinct * solution.window.width / bar.nitrogen_fraction
    hoped = solution.possible
    possible = _allowed(np.maximum(hoped.low / per_speed, slowest), np.minimum(hoped.high / per_speed, fastest))
    planned = np.broadcast_to(solution.plan.speed, certain.shape)
    low, high = inward_speeds(*certain.T)
    nearest = np.clip(planned.mean(axis=1), low, high)
    own = (vetting.verdict != "holds") & np.isfinite(certain[:, 0])
    driven = np.where(own[:, None], nearest[:, None], planned)
    return RateSpeeds(distinct, weight, certain, possible, vetting.verdict, vetting.limited_by, driven)


def shown_rates(speeds: RateSpeeds, most: int) -> BoolArray:
    """Which of the rates a sheet shows: by even shares of area, the lowest and the highest.

    Parameters
    ----------
    speeds : RateSpeeds
        From `rate_speeds`.
    most : int
        How many it has room for.
    """
    weight = np.where(np.isfinite(speeds.area), speeds.area, 1.0)
    shown = np.zeros(speeds.rate.size, dtype=np.bool_)
    shown[representative(weight, most)] = True
    return shown


@dataclass(frozen=True, slots=True)
class Presets:
    """Rates for the buttons of a controller.

    Attributes
    ----------
    rate : ndarray, shape (k,)
        Nitrogen [kg/m2], each certain at the planned speeds; at most three.
    step : float or None
        Of the buttons for more and less [kg/m2]: from each preset one step either way stays certain. None where none
        of the usual ones does.
    """

    rate: FloatArray
    step: float | None


def preset_rates(speeds: RateSpeeds, solution: Solution, steps: tuple[float, ...]) -> Presets:
    """Choose preset rates and a step that stay in the certain window.

    Parameters
    ----------
    speeds : RateSpeeds
        From `rate_speeds`.
    solution : Solution
        From `vet.solve`.
    steps : tuple of float
        Steps to choose from, widest first [kg/m2].
    """
    at = np.flatnonzero(speeds.as_planned)
    weight = np.where(np.isfinite(speeds.area[at]), speeds.area[at], 1.0)
    chosen = speeds.rate[at[representative(weight, _MOST_PRESETS)]] if at.size else np.empty(0)
    low, high = solution.rate_bounds(solution.certain)
    fitting = [step for step in steps if chosen.size and chosen.min() - step >= low and chosen.max() + step <= high]
    return Presets(chosen, fitting[0] if fitting else None)


def off_rate_alarms(speeds: RateSpeeds, solution: Solution) -> FloatArray:
    """Share of the rate at which an alarm should ring, shape (n,) [-]; NaN where none fits.

    In whole percents, at most ten, narrower than what the certain window leaves on either side at the speeds driven,
    and at least twice the meter's own scatter.

    Parameters
    ----------
    speeds : RateSpeeds
        From `rate_speeds`.
    solution : Solution
        From `vet.solve`.
    """
    per_speed = speeds.rate * solution.window.width / solution.bar.nitrogen_fraction
    slow, fast = speeds.driven.T * per_speed
    room = np.minimum(1.0 - solution.certain.low / slow, solution.certain.high / fast - 1.0)
    alarm = np.floor(np.minimum(room, _USUAL_ALARM) / _ALARM_STEP + _ROUNDING) * _ALARM_STEP
    return np.where(speeds.held & (alarm >= _LEAST_ALARM - _ROUNDING), alarm, np.nan)


def low_alarms(solution: Solution) -> MarginReadings | None:
    """Pressures below which the warmest planned liquid may boil ahead of the orifices.

    None where that takes more than the rated pressure.

    Parameters
    ----------
    solution : Solution
        From `vet.solve`.
    """
    found = readings_at_margin(solution.bar, solution.plan.sections, solution.plan.temperature[1])
    return None if found is None or found.outlet > solution.bar.at_end(-1.0).limits.max_pressure else found


def spare_suction(solution: Solution, flow: float, kelvin: float) -> float | None:
    """Pressure that may be lost before the pump besides [Pa] before it no longer moves a flow; None without a suction.

    With the suction boiling in equilibrium, slip and displacement at their worse ends, as the tractor drives the pump.
    Zero where it does not move the flow as it is.

    Parameters
    ----------
    solution : Solution
        From `vet.solve`.
    flow : float
        True flow [kg/s].
    kelvin : float
        Liquid in the tank [K].
    """
    bar = solution.bar.at_end(-1.0)
    if bar.suction is None:
        return None
    liquid, asked = saturation(np.full((1, 1, 1), kelvin)), np.full((1, 1, 1), flow)
    suction, moved = SuctionSide(bar, liquid), displacement(bar, True, driven=True)
    circuit, _ = bounded_circuit(bar, solution.plan.sections, np.array([kelvin]))
    outlet = float(held_state(circuit, asked[0]).outlet_pressure.max()) if bar.pump.slip else 0.0

    def short(more: FloatArray) -> FloatArray:
        share, loss = suction.capacity(asked, more=more), suction.loss(asked) + more
        # Where the suction boils its inlet pressure follows from how much vapour is in the flow.
        boiling = liquid.pressure / (1.0 + (1.0 / share - 1.0) / liquid.omega)
        inlet = np.where(loss > 0.0, boiling, liquid.pressure - loss)
        leaking = slip_flow(bar, np.minimum(outlet - inlet, bar.pump.max_rise), True)
        return np.asarray((flow / liquid.liquid_density + leaking) / moved - share)

    return float(rising_root(short, np.zeros_like(asked), liquid.pressure * np.ones_like(asked)).item())
