"""Effective area of the orifices over the log, hence plugging and wear."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.arrays import FloatArray, IntArray
from geoflow.asapplied import AppliedLog
from geoflow.circuit import Circuit
from geoflow.coefficients import bounding_cases, central_case
from geoflow.diagnosis.findings import (
    FEWEST,
    Finding,
    known_temperature,
    lacking_columns,
    moments,
    true_flow,
    vapour_pressure_of,
)
from geoflow.equipment import Bar
from geoflow.physics.ammonia import saturation
from geoflow.window import temperature_grid

__all__ = ["AreaSeries", "effective_area", "orifice_drift"]

_SMALLEST_CHANGE: Final = 0.01


@dataclass(frozen=True, slots=True)
class AreaSeries:
    """Effective area of all orifices over that of the bar file, at the moments with the whole bar on and liquid.

    Attributes
    ----------
    place : ndarray of int, shape (n,)
        Places in the log, in time order.
    time : ndarray, shape (n,)
        [s]; the count of moments where the log has no clock.
    ratio : ndarray, shape (n,)
        True flow over the solved bar's flow at the logged bar pressure and temperature, central case [-].
    ratio_low, ratio_high : ndarray, shape (n,)
        Over the bar's bounding cases [-].
    nominal : float
        Area of all orifices by the bar file [m2].
    """

    place: IntArray
    time: FloatArray
    ratio: FloatArray
    ratio_low: FloatArray
    ratio_high: FloatArray
    nominal: float


def _model_flow(bar: Bar, pressure: FloatArray, temperature: FloatArray) -> FloatArray:
    """Flow of the whole bar [kg/s] at bar pressures and temperatures, shape (cases, n); the central case is last."""
    sections = tuple(range(len(bar.sections)))
    kelvin = temperature_grid(float(temperature.min()), float(temperature.max()), 2.0)
    if kelvin.size == 1:
        kelvin = np.array([kelvin[0], kelvin[0] + 0.1])
    nodes = np.linspace(pressure.min() - 1.0, pressure.max() + 1.0, 60)
    circuit = Circuit(bar, sections, (*bounding_cases(bar, sections), central_case(bar, sections)), kelvin)
    # The squared flow is nearly linear in pressure and vapour pressure.
    squared = np.square(circuit.state(nodes.reshape(1, 1, -1)).flow)
    along = (temperature - kelvin[0]) / (kelvin[1] - kelvin[0])
    across = (pressure - nodes[0]) / (nodes[1] - nodes[0])
    t, p = (np.clip(at.astype(np.int64), 0, size - 2) for at, size in ((along, kelvin.size), (across, nodes.size)))
    a, b = along - t, across - p
    first = squared[:, t, p] * (1.0 - b) + squared[:, t, p + 1] * b
    second = squared[:, t + 1, p] * (1.0 - b) + squared[:, t + 1, p + 1] * b
    return np.asarray(np.sqrt(np.maximum(first * (1.0 - a) + second * a, 0.0)))


def effective_area(log: AppliedLog, bar: Bar) -> AreaSeries:
    """Effective orifice area at each moment from flow and bar pressure: m = Cd A sqrt(2 rho (P - Pe)).

    Solved with the bar's circuit, so feed lines, unequal orifices and back pressure count. Moments with part of the
    bar off, below the meter's least flow, or within the wanted liquid margin are left out.

    Raises
    ------
    BarError
        If a measured point contradicts its orifice.
    """
    bars = moments(log, bar)
    at = bars.place[bars.full]
    known = known_temperature(log)
    usable = known & log.on & np.isfinite(log.bar_pressure)
    usable &= log.bar_pressure > vapour_pressure_of(log, known) + bar.limits.liquid_margin
    at = at[usable[at]]
    flow = true_flow(log, bar, at)
    counted = flow > np.maximum(bar.meter.min_flow * saturation(log.temperature[at]).liquid_density, 0.0)
    at, flow = at[counted], flow[counted]
    area = sum(one.rows * 0.25 * np.pi * bar.orifices[one.orifice].diameter ** 2 for one in bar.sections)
    if not at.size:
        nothing = np.empty(0)
        return AreaSeries(at, nothing, nothing, nothing, nothing, float(area))
    model = _model_flow(bar, log.bar_pressure[at], log.temperature[at])
    time = log.time[at] if np.isfinite(log.time).any() else np.arange(at.size, dtype=np.float64)
    with np.errstate(divide="ignore"):
        ratio = flow / model
    return AreaSeries(at, time, ratio[-1], ratio.min(axis=0), ratio.max(axis=0), float(area))


def _student(freedom: int) -> float:
    """97.5 % point of Student's t, from the normal's (Abramowitz and Stegun 26.7.5); within 0.2 % from 6 up."""
    z = 1.959964
    terms = (
        (z**3 + z) / 4.0,
        (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / 96.0,
        (3.0 * z**7 + 19.0 * z**5 + 17.0 * z**3 - 15.0 * z) / 384.0,
    )
    return z + sum(float(term / freedom ** (power + 1)) for power, term in enumerate(terms))


def _line(time: FloatArray, value: FloatArray, weight: FloatArray) -> tuple[float, float, float]:
    """Weighted regression: slope, half-width of its 95 % interval, weighted sum of squares left."""
    share = weight / weight.sum()
    t, v = time - share @ time, value - share @ value
    spread = float(share @ np.square(t))
    slope = float(share @ (t * v)) / spread
    left = float(share @ np.square(v - slope * t))
    freedom = time.size - 2
    return slope, _student(freedom) * float(np.sqrt(left / spread / freedom)), left


def _step(value: FloatArray, weight: FloatArray) -> tuple[int, float, float]:
    """Best single change: first block after it, its size, weighted mean square left."""
    share = weight / weight.sum()
    before, sums = np.cumsum(share)[:-1], np.cumsum(share * value)[:-1]
    first, second = sums / before, (share @ value - sums) / (1.0 - before)
    left = share @ np.square(value) - before * np.square(first) - (1.0 - before) * np.square(second)
    best = int(np.argmin(left))
    return best + 1, float(second[best] - first[best]), float(left[best])


def orifice_drift(log: AppliedLog, bar: Bar, *, blocks: int = 24) -> list[Finding]:
    """Whether the orifices' effective area fell (plugging) or rose (wear) over the log, or was off all along.

    The moments are averaged in blocks of time. A weighted line through them gives the trend with its 95 % interval;
    it is a finding where that excludes zero and the change is over 1 %. Where one sudden change fits better, that is
    told: `sudden` 1, its time, and the number of rows it is worth.
    Kinds *plugging* and *wear*: relative_change, change_low, change_high (over the log, of the area at its start) [-],
    sudden, time of the change [s], rows_worth [-]. Kinds *orifice area below / above the bar file*: area_ratio,
    area_ratio_low, area_ratio_high [-], effective_area, nominal_area [m2]; only where even the
    bounding case nearest to it does not explain the area at the start.
    A drift of the pressure transmitter or of the meter looks the same.
    """
    kind = "orifice area"
    if lacking := lacking_columns(kind, log, "flow", "bar_pressure", "temperature"):
        return lacking
    series = effective_area(log, bar)
    good = np.isfinite(series.ratio)
    place, time, ratio = series.place[good], series.time[good], series.ratio[good]
    number = np.arange(place.size) * min(blocks, place.size // FEWEST) // max(place.size, 1)
    count = np.bincount(number).astype(np.float64)
    if count.size < 8:
        return []
    mean_time, mean = np.bincount(number, time) / count, np.bincount(number, ratio) / count
    found: list[Finding] = []
    slope, half, left = _line(mean_time, mean, count)
    span, start = float(time[-1] - time[0]), float(mean[0])
    change = slope * span / start
    after, size, left_by_step = _step(mean, count)
    # A change of one block at either end is no change that lasts.
    sudden = left_by_step < left and 2 < after < count.size - 2
    if abs(slope) > half and abs(size / start if sudden else change) > _SMALLEST_CHANGE:
        middle, reach = change, half * span / start
        if sudden:
            split = _sharpen(ratio, int(np.searchsorted(number, after)), place.size // count.size)
            start = float(ratio[:split].mean())
            middle = float(ratio[split:].mean()) / start - 1.0
            # The blocks' scatter about the two levels; the block with the change in it is left out.
            kept = np.delete(mean, [after - 1, after])
            sides = np.delete(np.arange(count.size) < after, [after - 1, after])
            scatter = np.sqrt(
                sum(np.sum(np.square(kept[s] - kept[s].mean())) for s in (sides, ~sides)) / (kept.size - 2)
            )
            parts = 1.0 / sides.sum() + 1.0 / (~sides).sum()
            reach = _student(kept.size - 2) * float(scatter * np.sqrt(parts)) / start
        numbers = {
            "relative_change": float(middle),
            "change_low": float(middle - reach),
            "change_high": float(middle + reach),
            "sudden": float(sudden),
            "rows_worth": float(abs(middle) * bar.rows),
        }
        if sudden:
            numbers["time"] = float(time[split])
        found.append(
            Finding(
                "plugging" if middle < 0.0 else "wear",
                numbers,
                place[split:] if sudden else place,
                "high" if abs(middle) > 2.0 * reach else "medium",
            )
        )
    begin = number < max(1, count.size // 6)
    low, high = (float(np.mean(bound[good][begin])) for bound in (series.ratio_low, series.ratio_high))
    level = float(np.mean(ratio[begin]))
    if low > 1.0 + _SMALLEST_CHANGE or high < 1.0 - _SMALLEST_CHANGE:
        numbers = {
            "area_ratio": level,
            "area_ratio_low": low,
            "area_ratio_high": high,
            "effective_area": level * series.nominal,
            "nominal_area": series.nominal,
        }
        side = "above" if low > 1.0 else "below"
        found.append(Finding(f"orifice area {side} the bar file", numbers, place[begin], "medium"))
    return found


def _sharpen(ratio: FloatArray, guess: int, reach: int) -> int:
    """Moment of a sudden change, to the record, within a block either side of the first guess."""
    first, last = max(guess - 2 * reach, 0), min(guess + 2 * reach, ratio.size)
    piece = ratio[first:last]
    return first + _step(piece, np.ones(piece.size))[0]
