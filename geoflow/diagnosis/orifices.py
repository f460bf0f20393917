"""Effective area of the orifices over the log, hence plugging and wear."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import FloatArray, IntArray
from geoflow.diagnosis.block_fit import Blocks, Fit, block_numbers, fit_blocks, student
from geoflow.diagnosis.findings import (
    FEWEST,
    SENSOR_ERROR,
    Finding,
    known_temperature,
    lacking_columns,
    moments,
    true_flow,
    vapour_pressure_of,
)
from geoflow.diagnosis.stretches import Stretches, built_up, chance_factor, settled, stretches
from geoflow.ground.applied_log import AppliedLog
from geoflow.hydraulics.cases import bounding_cases, central_cases
from geoflow.hydraulics.circuit import Circuit
from geoflow.hydraulics.window import temperature_grid
from geoflow.physics.ammonia import saturation

__all__ = ["AreaSeries", "effective_area", "orifice_drift"]

_SMALLEST_CHANGE: Final = 0.01
_FEWEST_BLOCKS: Final = 12
# Variance of the load over that of the meter's wavering, so that taking the one for the other errs by 4 % at most.
_VARIED: Final = 25.0
# Drop of the sum of squares, in mean squares, below which a drift beside a sudden change is none (95 %, rounded up).
_NO_DRIFT: Final = 5.0


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
        True flow over the solved bar's flow at the logged bar pressure and temperature, in the middle of what is
        likely of the orifices [-].
    ratio_low, ratio_high : ndarray, shape (n,)
        Over the bar's bounding cases [-].
    """

    place: IntArray
    time: FloatArray
    ratio: FloatArray
    ratio_low: FloatArray
    ratio_high: FloatArray


def _model(bar: Bar, pressure: FloatArray, temperature: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Squared flow of the whole bar [kg2/s2] and its rise with the bar pressure [kg2/(s2 Pa)].

    At bar pressures and temperatures of shape (n,); shape (cases, n), the middle of what is likely last.
    """
    sections = tuple(range(len(bar.sections)))
    kelvin = temperature_grid(float(temperature.min()), float(temperature.max()), 2.0)
    if kelvin.size == 1:
        kelvin = np.array([kelvin[0], kelvin[0] + 0.1])
    nodes = np.linspace(pressure.min() - 1.0, pressure.max() + 1.0, 60)
    outer = central_cases(bar, sections)[::2]
    circuit = Circuit(bar, sections, (*bounding_cases(bar, sections), *outer), kelvin)
    # The squared flow is nearly linear in pressure and vapour pressure, and in what is not known of the orifices.
    squared = np.square(circuit.state(nodes.reshape(1, 1, -1)).flow)
    squared = np.concatenate([squared[:-2], squared[-2:].mean(axis=0, keepdims=True)])
    along = (temperature - kelvin[0]) / (kelvin[1] - kelvin[0])
    across = (pressure - nodes[0]) / (nodes[1] - nodes[0])
    t, p = (np.clip(at.astype(np.int64), 0, size - 2) for at, size in ((along, kelvin.size), (across, nodes.size)))
    a, b = along - t, across - p
    lower, upper = (squared[:, t, p + more] * (1.0 - a) + squared[:, t + 1, p + more] * a for more in (0, 1))
    return np.maximum(lower * (1.0 - b) + upper * b, 0.0), (upper - lower) / (nodes[1] - nodes[0])


def _liquid_stretches(log: AppliedLog, bar: Bar) -> tuple[Stretches, IntArray]:
    """Stretches with the whole bar on, settled and clear of the wanted liquid margin, and their places in the log."""
    bars = moments(log, bar)
    known = known_temperature(log)
    usable = (known & np.isfinite(log.bar_pressure) & (log.flow > 0.0))[bars.place]
    every = stretches(log, bars, settled(log, bars, usable & bars.full & built_up(log, bars)))
    place = bars.place[every.at]
    if not place.size:
        return every, place
    # By means: single readings would be chosen by their own error.
    above = every.mean(log.bar_pressure[place] - vapour_pressure_of(log, known)[place]) > bar.limits.liquid_margin
    least = bar.meter.min_flow * saturation(log.temperature[place]).liquid_density
    above &= every.mean(true_flow(log, bar, place) - least) > 0.0
    kept = above[every.number]
    _, number = np.unique(every.number[kept], return_inverse=True)
    return Stretches(every.at[kept], number, np.bincount(number).astype(np.float64)), place[kept]


def effective_area(log: AppliedLog, bar: Bar) -> AreaSeries:
    """Effective orifice area at each moment from flow and bar pressure: m = Cd A sqrt(2 rho (P - Pe)).

    Solved with the bar's circuit, so feed lines, unequal orifices and back pressure count. Moments with part of the
    bar off, within ten seconds of switching on, below the meter's least flow, or within the wanted liquid margin are
    left out.

    Parameters
    ----------
    log : AppliedLog
        Records, shape (n,).
    bar : Bar
        As its file says.

    Raises
    ------
    BarError
        If a measured point contradicts its orifice.
    """
    _, at = _liquid_stretches(log, bar)
    if not at.size:
        nothing = np.empty(0)
        return AreaSeries(at, nothing, nothing, nothing, nothing)
    squared, _ = _model(bar, log.bar_pressure[at], log.temperature[at])
    time = log.time[at] if np.isfinite(log.time).any() else np.arange(at.size, dtype=np.float64)
    with np.errstate(divide="ignore"):
        ratio = true_flow(log, bar, at) / np.sqrt(squared)
    return AreaSeries(at, time, ratio[-1], ratio.min(axis=0), ratio.max(axis=0))


def _blocks(log: AppliedLog, bar: Bar) -> Blocks | None:
    """Gather the log to blocks; None where there is too little to judge by."""
    every, place = _liquid_stretches(log, bar)
    if place.size < _FEWEST_BLOCKS * FEWEST:
        return None
    block = block_numbers(log.run[place])
    if block[-1] + 1 < _FEWEST_BLOCKS:
        return None
    pressure, squared = log.bar_pressure[place], np.square(true_flow(log, bar, place))
    mean_pressure = every.mean(pressure)
    model, rise = _model(bar, mean_pressure, every.mean(log.temperature[place]))
    # A case that lets nothing through at the logged pressure has no rise; what it lacks then is as good as endless.
    rise = np.maximum(rise, 1e-6 * rise.max())
    above = pressure - (mean_pressure - model / rise)[:, every.number]
    load = squared / saturation(log.temperature[place]).liquid_density
    load = load / load.mean()
    if np.isfinite(log.time).any():
        clock, whole = log.time[place], log.time[log.on]
    else:
        clock = whole = np.arange(place.size, dtype=np.float64)
    time = (clock - whole.min()) / max(float(np.ptp(whole)), 1e-9) - 0.5
    count = np.bincount(block)
    wavers = float(every.error(load)[0] * np.sqrt(every.count[0]))
    spread = float(np.var(np.bincount(block, load) / count))
    varied = spread > _VARIED * wavers**2 * float(np.mean(1.0 / count))
    return Blocks(place, block, load, time, varied, above, above - squared / rise[:, every.number])


def _area_change(before: FloatArray, change: FloatArray) -> FloatArray:
    """Relative change of area from the pressure that a given flow takes, before and by how much it rises [Pa]."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.sqrt(before / np.maximum(before + change, 0.0)) - 1.0)


def _credible(seen: Blocks, fit: Fit, whole: FloatArray) -> tuple[Fit, FloatArray]:
    """Leave of the cases what the log itself does not refute: `size`, `error` and `whole` at a credible constant.

    Cases differ in their flashing weight, hence in the pressure at which the bar lets nothing through; the log tells
    that pressure by its straight line to no flow. What is off there can be no more than a transmitter's error and as
    much again for a weight that rises with the pressure. Along the cases all of it goes in proportion.
    """
    if not seen.varied:
        return fit, whole
    constant = fit.values[0]
    reach = 2.0 * (SENSOR_ERROR + fit.constant_error)
    moved = np.clip(constant, -reach, reach) - constant
    apart = constant - constant.mean()
    spread = max(float(apart @ apart), 1e-9)
    size, error, load = (values + float(apart @ values) / spread * moved for values in (fit.size, fit.error, whole))
    return replace(fit, size=size, error=np.maximum(error, fit.error.min())), load


def _change_point(values: FloatArray) -> int:
    """First of the values after the best single change of their level."""
    count = np.arange(1, values.size)
    sums = np.cumsum(values)
    # The sum of squares between the two levels.
    return 1 + int(np.argmax(np.square(sums[:-1] / count - sums[-1] / values.size) * count / (values.size - count)))


def _sudden_change(seen: Blocks, excess: FloatArray, whole: FloatArray) -> tuple[int, Fit, FloatArray] | None:
    """First moment after a sudden change of area beyond any drift, and the fit; None where there is none."""
    count, load, late = seen.count, seen.steady[-1], seen.mean(seen.load * seen.time)
    blocks = np.arange(count.size)

    def fit_at(block: int, *drift: FloatArray) -> Fit:
        # The block in which it happens is half one and half the other: a column of its own takes it out.
        mixed, after = (blocks == block).astype(np.float64), load * (blocks > block)
        return fit_blocks([*seen.steady, *drift, mixed, after], excess, count)

    # A change within the first or last two blocks is no change that lasts.
    tried = range(2, count.size - 2)
    fits = [fit_at(block, late) for block in tried]
    best = int(np.argmin([fit.left[-1] for fit in fits]))
    fit, block = fits[best], tried[best]
    if not _beyond_chance(_credible(seen, fit, whole)[0], len(tried)):
        return None
    near = np.flatnonzero(np.abs(seen.block - block) <= 1)
    *constant, by_load, drift = fit.values[:-2, -1]
    rest = seen.excess[-1] - sum(constant) - seen.load * (by_load + drift * seen.time)
    split = int(near[0]) + _change_point(rest[near])
    plain = fit_at(block)
    no_drift = np.all(plain.left <= fit.left * (1.0 + _NO_DRIFT / fit.freedom))
    return split, *_credible(seen, plain if no_drift else fit, whole)


def _beyond_chance(fit: Fit, tests: int) -> bool:
    """Whether the last column is there, and of one sign, in every case of the bar."""
    clear = np.abs(fit.size) > student(fit.freedom, chance_factor(tests)) * fit.error
    return bool(np.all(clear) and np.ptp(np.sign(fit.size)) == 0.0)


def _trend(log: AppliedLog, bar: Bar, seen: Blocks) -> list[Finding]:
    """Plugging or wear, sudden or gradual."""
    excess = np.stack([seen.mean(case) for case in seen.excess])
    # The pressure that the flow takes in each case, all in all [Pa].
    whole = seen.above.mean(axis=1)
    rows, numbers = seen.place, {}
    sudden = _sudden_change(seen, excess, whole)
    if sudden is not None:
        split, fit, whole = sudden
        rows = seen.place[split:]
        before = whole - fit.size * seen.load[split:].sum() / seen.load.size
        if np.isfinite(log.time).any():
            numbers["time"] = float(log.time[rows[0]])
    else:
        late = seen.mean(seen.load * seen.time)
        fit, whole = _credible(seen, fit_blocks([*seen.steady, late], excess, seen.count), whole)
        if not _beyond_chance(fit, 1):
            return []
        before = whole - 0.5 * fit.size
    reach = student(fit.freedom) * fit.error
    change, one, other = (_area_change(before, fit.size + off) for off in (0.0, reach, -reach))
    if np.min(np.abs(change)) < _SMALLEST_CHANGE:
        return []
    ends = np.minimum(one, other), np.maximum(one, other)
    numbers |= {
        "relative_change": float(change[-1]),
        "change_low": float(ends[0].min()),
        "change_high": float(ends[1].max()),
        "sudden": float(sudden is not None),
        "rows_worth": float(abs(change[-1]) * bar.rows),
    }
    clear = np.all(np.abs(fit.size) > 2.0 * reach)
    return [Finding("plugging" if change[-1] < 0.0 else "wear", numbers, rows, "high" if clear else "medium")]


def orifice_drift(log: AppliedLog, bar: Bar) -> list[Finding]:
    """Whether the orifices' effective area fell (plugging) or rose (wear) over the log, or was off all along.

    Moments are averaged in blocks within passes. Bar pressure less what a case of the bar takes at the logged flow is
    fitted by a constant (the transmitter), the squared flow (the area) and the squared flow times time; what the last
    one is worth against the scatter of the blocks, is the trend. It is a finding where it is beyond chance, of one
    sign and above 1 % in every case of the bar, because liquid that cools feigns one in each case but the true one.
    Where one sudden change is beyond chance on top of any drift, that is told: `sudden` 1, its time, and the number
    of rows it is worth.
    Kinds *plugging* and *wear*: relative_change (in the middle of what is likely), change_low, change_high (95 %, all
    cases; over the log, of the area at its start) [-], sudden, time of the change [s], rows_worth [-]. Kinds *orifice
    area below / above the bar file*: area_ratio, area_ratio_low, area_ratio_high [-], effective_area, nominal_area
    [m2]; only where even the bounding case nearest to it, with the transmitter off by its usual error (3 psi), does not
    explain the area at the start.
    A drift of the pressure transmitter or of the meter looks the same.

    Parameters
    ----------
    log : AppliedLog
        Records, shape (n,).
    bar : Bar
        As its file says.
    """
    kind = "orifice area"
    if lacking := lacking_columns(kind, log, "flow", "bar_pressure", "temperature"):
        return lacking
    seen = _blocks(log, bar)
    if seen is None:
        return []
    found = _trend(log, bar, seen)
    begin = seen.block < max(1, seen.count.size // 6)
    above, excess = (values[:, begin].mean(axis=1) for values in (seen.above, seen.excess))
    by_flow = above - excess
    with np.errstate(divide="ignore", invalid="ignore"):
        level, least, most = (
            np.sqrt(by_flow / np.maximum(above + off, 0.0)) for off in (0.0, SENSOR_ERROR, -SENSOR_ERROR)
        )
    low, high = float(least.min()), float(most.max())
    if low > 1.0 + _SMALLEST_CHANGE or high < 1.0 - _SMALLEST_CHANGE:
        nominal = sum(one.rows * 0.25 * np.pi * bar.orifices[one.orifice].diameter ** 2 for one in bar.sections)
        numbers = {
            "area_ratio": float(level[-1]),
            "area_ratio_low": low,
            "area_ratio_high": high,
            "effective_area": float(level[-1] * nominal),
            "nominal_area": float(nominal),
        }
        side = "above" if low > 1.0 else "below"
        found.append(Finding(f"orifice area {side} the bar file", numbers, seen.place[begin], "medium"))
    return found
