"""What the gauges should show at the rates of a map, driven as planned."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray, TextArray, distinct
from geoflow.base.rates import ammonia_flow
from geoflow.decide.vet import Solution, Vetting, verdicts
from geoflow.hydraulics.readings import gauge_readings
from geoflow.hydraulics.rows import RowSplit, row_split
from geoflow.physics.ammonia import saturation

__all__ = [
    "GaugeTable",
    "Gauges",
    "end_pressures",
    "expected_gauges",
    "gauge_table",
    "gauges_of",
    "representative",
    "rows_at_map_rates",
    "tank_pressures",
    "usual_temperatures",
]

# A rate right at the margin passes in spite of rounding, as in vet.
_ROUNDING: Final = 1e-9
# And what is left of a pressure that was solved for [Pa].
_PRESSURE_ROUNDING: Final = 30.0


@dataclass(frozen=True, slots=True)
class GaugeTable:
    """Pressures to expect by rate and liquid temperature, absolute [Pa].

    Pressures have the shape (temperatures, rates, 3): least at the slowest speed, expected at the middle one,
    greatest at the fastest; NaN where the rate fails or its liquid margin is not certain at that temperature. None is
    above what the pump and the rated pressure allow.

    Attributes
    ----------
    temperature : ndarray, shape (temperatures,)
        Coldest, middle and warmest planned liquid, or the one that is planned [K].
    rate : ndarray, shape (rates,)
        Nitrogen [kg/m2].
    speed : ndarray, shape (rates, 2)
        Slowest and fastest [m/s].
    flow : ndarray, shape (temperatures, rates)
        True ammonia flow of the bar at the middle speed [kg/s].
    shown_flow : ndarray, shape (rates,)
        The same as the controller counts it [kg/s].
    density : ndarray, shape (temperatures,)
        Of the liquid in the tank [kg/m3].
    manifold, likely, after_valve, outlet, valve_drop : ndarray
        As in `readings.Readings`.
    """

    temperature: FloatArray
    rate: FloatArray
    speed: FloatArray
    flow: FloatArray
    shown_flow: FloatArray
    density: FloatArray
    manifold: FloatArray
    likely: FloatArray
    after_valve: FloatArray
    outlet: FloatArray
    valve_drop: FloatArray


def usual_temperatures(solution: Solution) -> FloatArray:
    """Coldest, middle and warmest planned liquid [K]; the one that is planned where there is one.

    Parameters
    ----------
    solution : Solution
        From `vet.solve`.
    """
    cold, warm = solution.plan.temperature
    return distinct(np.array([cold, 0.5 * (cold + warm), warm]))


def gauge_table(rate: FloatArray, speed: FloatArray, solution: Solution) -> GaugeTable:
    """Find the pressures to expect at some rates, each driven at speeds of its own.

    Parameters
    ----------
    rate : ndarray, shape (n,)
        Nitrogen [kg/m2], above zero.
    speed : ndarray, shape (n, 2)
        Slowest and fastest [m/s].
    solution : Solution
        From `vet.solve`.
    """
    bar, kelvin = solution.bar, usual_temperatures(solution)
    liquid = saturation(kelvin).liquid_density
    reference = bar.meter.reference_temperature
    ratio = np.ones(kelvin.size) if reference is None else liquid / float(saturation(reference).liquid_density)
    driven = np.column_stack([speed[:, 0], speed.mean(axis=1), speed[:, 1]])
    flows = ammonia_flow(rate[:, None], driven, solution.window.width, bar.nitrogen_fraction)
    true = ratio[:, None, None] * flows
    found = gauge_readings(bar, solution.plan.sections, kelvin, true.reshape(kelvin.size, -1))
    sure = verdicts(rate, solution, (speed[:, 0], speed[:, 1])) != "fails"

    def ends(values: FloatArray) -> FloatArray:
        """Least at the slowest, expected in the middle, greatest at the fastest."""
        each = values.reshape(kelvin.size, rate.size, 3, 3)
        return np.stack([each[..., at, at] for at in range(3)], axis=-1)

    known = sure & (ends(found.margin)[..., 0] >= bar.limits.liquid_margin - _PRESSURE_ROUNDING)
    shown = (
        np.where(known[..., None], ends(values), np.nan)
        for values in (found.manifold, found.likely, found.after_valve, found.outlet, found.valve_drop)
    )
    return GaugeTable(kelvin, rate, speed, true[..., 1], flows[:, 1], liquid, *shown)


@dataclass(frozen=True, slots=True)
class Gauges:
    """Pressures to expect, lowest rate first; arrays of shape (n,) or (n, 2), the latter from low to high.

    Attributes
    ----------
    rate : ndarray, shape (n,)
        Nitrogen [kg/m2].
    speed : ndarray, shape (n, 2)
        Slowest and fastest speed of its zones [m/s].
    verdict, limited_by : ndarray of str, shape (n,)
        Of the rate at that speed.
    liquid : ndarray of bool, shape (n,)
        Whether the liquid margin is certain; the manifold of any other rate may hold vapour, and then no pressure
        belongs to its flow.
    manifold, outlet : ndarray, shape (n, 2)
        Range over planned temperatures, speeds and all that is not known, absolute [Pa]; NaN where the rate fails or
        the margin is not certain. The pump's outlet with the control valve wide open.
    likely : ndarray, shape (n, 2)
        Of the manifold's range what is likely of the orifices, absolute [Pa].
    rates : int
        How many the map has; more than n where some stand for their neighbours.
    by_temperature : GaugeTable
        The same at single temperatures.
    """

    rate: FloatArray
    speed: FloatArray
    verdict: TextArray
    limited_by: TextArray
    liquid: BoolArray
    manifold: FloatArray
    outlet: FloatArray
    likely: FloatArray
    rates: int
    by_temperature: GaugeTable


def representative(weight: FloatArray, most: int) -> IntArray:
    """Places of at most `most` of some rates in order: the first, the last, and even shares of area between.

    Parameters
    ----------
    weight : ndarray, shape (n,)
        Area of each rate, lowest rate first [m2].
    most : int
        How many at most.
    """
    if weight.size <= most:
        return np.arange(weight.size)
    middle = np.cumsum(weight) - 0.5 * weight
    wanted = np.linspace(middle[0], middle[-1], most)
    return distinct(np.abs(middle[:, None] - wanted).argmin(axis=0))


def expected_gauges(rate: FloatArray, area: FloatArray, solution: Solution, vetting: Vetting, most: int = 8) -> Gauges:
    """Find the pressures to expect at the map's own rates.

    Parameters
    ----------
    rate : ndarray, shape (zones,)
        Nitrogen rate [kg/m2].
    area : ndarray, shape (zones,)
        Of each zone [m2].
    solution, vetting
        From `vet.solve` and `vet.vet`.
    most : int
        How many rates at most: beyond it the lowest, the highest, and some between that stand for about equal areas.
    """
    asked = np.flatnonzero(rate > 0.0)
    flows = np.column_stack([vetting.flow_low[asked], vetting.flow_high[asked]])
    keys, first, back = np.unique(
        np.column_stack([rate[asked], np.round(flows, 12)]), axis=0, return_index=True, return_inverse=True
    )
    kept = representative(np.asarray(np.bincount(back.ravel(), area[asked], len(keys)), dtype=np.float64), most)
    return gauges_of(asked[first[kept]], rate, solution, vetting, len(keys))


def gauges_of(at: IntArray, rate: FloatArray, solution: Solution, vetting: Vetting, rates: int) -> Gauges:
    """Find the same for some zones, named by their places.

    Parameters
    ----------
    at : ndarray, shape (n,)
        Places of the zones.
    rate : ndarray, shape (zones,)
        Nitrogen rate [kg/m2].
    solution, vetting
        From `vet.solve` and `vet.vet`.
    rates : int
        How many rates the map has.
    """
    low, high = vetting.flow_low[at], vetting.flow_high[at]
    window = solution.window
    least = float((window.certain["liquid margin"] / window.delivered_ratio).max())
    liquid = low >= least * (1.0 - _ROUNDING)
    known = liquid & (vetting.verdict[at] != "fails")

    per_speed = rate[at] * window.width / solution.bar.nitrogen_fraction
    speed = np.column_stack([low, high]) / per_speed[:, None]
    table = gauge_table(rate[at], speed, solution)

    def over_temperatures(values: FloatArray) -> FloatArray:
        ends = np.column_stack([values[..., 0].min(axis=0), values[..., 2].max(axis=0)])
        return np.where(known[:, None], ends, np.nan)

    return Gauges(
        rate[at],
        speed,
        vetting.verdict[at],
        vetting.limited_by[at],
        liquid,
        over_temperatures(table.manifold),
        over_temperatures(table.outlet),
        over_temperatures(table.likely),
        rates,
        table,
    )


def end_pressures(solution: Solution) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Manifold and pump outlet at the ``low`` and the ``high`` end of the certain window, from low to high [Pa].

    Absolute; empty where no flow is certain.

    Parameters
    ----------
    solution : Solution
        From `vet.solve`.
    """
    if solution.certain.empty:
        return {}
    curve = solution.curve
    found = {}
    for end, flow in (("low", solution.certain.low), ("high", solution.certain.high)):
        manifold, outlet = (
            np.array([float(curve.at(f"{name}_{side}", flow)) for side in ("low", "high")])
            for name in ("manifold", "outlet")
        )
        found[end] = (manifold, outlet)
    return found


def tank_pressures(solution: Solution) -> tuple[float, float]:
    """Vapour pressure of the liquid at the coldest and warmest planned temperature, absolute [Pa].

    Parameters
    ----------
    solution : Solution
        From `vet.solve`.
    """
    cold, warm = saturation(np.array(solution.plan.temperature)).pressure.tolist()
    return cold, warm


def rows_at_map_rates(
    solution: Solution, rate: FloatArray | None = None, area: FloatArray | None = None, vetting: Vetting | None = None
) -> RowSplit | None:
    """How the rows share what a map asks for, in the central case in the middle of the planned temperatures.

    Taken at the mean flow, by area, of the zones that hold; without a map in the middle of the certain window. None
    where there is no such flow: with vapour in a manifold nothing can be said of its rows.

    Parameters
    ----------
    solution : Solution
        From `vet.solve`.
    rate, area : ndarray, shape (zones,), optional
        Nitrogen rate [kg/m2] and area [m2] of the zones of a map.
    vetting : Vetting, optional
        Of these zones.
    """
    if rate is None or area is None or vetting is None:
        if solution.certain.empty:
            return None
        commanded = 0.5 * (solution.certain.low + solution.certain.high)
    else:
        good = vetting.verdict == "holds"
        if not good.any():
            return None
        flows = 0.5 * (vetting.flow_low[good] + vetting.flow_high[good])
        commanded = float(np.average(flows, weights=area[good]))
    middle = 0.5 * sum(solution.plan.temperature)
    ratio = float(np.interp(middle, solution.window.temperature, solution.window.delivered_ratio))
    return row_split(solution.bar, middle, solution.plan.sections, commanded * ratio)
