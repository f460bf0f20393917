"""Steady moments of a log gathered to cells: what flow one row took at which pressure and temperature.

A cell holds the stretches of some neighbouring passes at nearly one flow. Flow and pressure are not simultaneous while
the rate changes, readings of one pass err alike, and below the vapour pressure a flow tells of lost liquid and nothing
about an orifice; so all these are counted and left out, or kept together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import BoolArray, FloatArray, IntArray
from geoflow.base.units import PSI
from geoflow.diagnosis.findings import (
    NOTHING,
    SENSOR_ERROR,
    Moments,
    known_temperature,
    moments,
    true_flow,
)
from geoflow.diagnosis.stretches import Stretches, built_up, settled, stretches
from geoflow.ground.applied_log import AppliedLog
from geoflow.physics.ammonia import saturation
from geoflow.physics.lines import line_loss
from geoflow.physics.pumps import manifold_temperature_rise

__all__ = ["CAUSES", "Cells", "LogCells", "Standing", "gather_cells"]

CAUSES: Final[dict[str, str]] = {
    "idle": "nothing went out",
    "unread": "flow, bar pressure or temperature is missing",
    "opening": "the first ten seconds after opening",
    "changing": "the rate was changing, or had just changed",
    "mixed": "orifices of several kinds were open at once",
    "meter": "below the meter's least flow",
    "boiling": "below the vapour pressure: liquid was lost, which says nothing about the orifices",
    "near": "too near the vapour pressure to be sure of liquid",
    "short": "steady for too few moments in a row",
}
"""Why a moment tells nothing about an orifice, the first that counts."""

_GROUPS: Final = 60
_LEVEL: Final = 0.08  # breadth of a cell, in the logarithm of the flow
_LATER: Final = 4  # moments more, beyond those of `settled`, for a transmitter that lags behind the meter
_FEWEST: Final = 4
_MOST_SHOWN: Final = 400
_STANDING: Final = 0.05  # [m/s]
_STANDS: Final = 10  # moments
_FAR: Final = 5.0 * PSI  # a standing reading further off is no error of a transmitter


@dataclass(frozen=True, slots=True)
class Cells:
    """Evidence about one kind of orifice; arrays of shape (n,), in time order.

    Attributes
    ----------
    flow : ndarray
        Ammonia through one row as metered, at its true density [kg/s].
    pressure, temperature : ndarray
        Above the orifices as read, less what the feed lines lose, absolute [Pa]; of the liquid there [K].
    error : ndarray
        Standard error of the flow at these readings, from how they waver [-].
    group : ndarray of int
        Neighbouring passes have one number.
    moments : ndarray of int
        In each cell.
    passes : int
        In all of them.
    """

    flow: FloatArray
    pressure: FloatArray
    temperature: FloatArray
    error: FloatArray
    group: IntArray
    moments: IntArray
    passes: int


@dataclass(frozen=True, slots=True)
class Standing:
    """What the bar's transmitter read while the machine stood with everything shut, over the vapour pressure [Pa].

    With the liquid's temperature then [K] and the count of moments.
    """

    over: float
    temperature: float
    moments: int


@dataclass(frozen=True, slots=True)
class LogCells:
    """What one log holds.

    Attributes
    ----------
    kinds : dict of str to Cells
        By kind of orifice; only those that were open alone.
    left_out : dict of str to int
        Moments left out, by the keys of `CAUSES`.
    outside : tuple of ndarray
        Flow of one row [kg/s], bar pressure over the vapour pressure [Pa] and cause (its place in `CAUSES`) of some of
        them, for a picture.
    standing : Standing or None
        None where the machine never stood shut, or its lines stood open.
    strange : float or None
        Where that reading is further off than any transmitter: by how much [Pa].
    flow_over_rate : float
        Logged flow over the one that logged rate, speed and width make [-]; 1 where no rate is logged.
    highest : tuple of float
        Greatest flow of the whole bar [kg/s] and bar pressure [Pa] that lasted a stretch; NaN without one.
    """

    kinds: dict[str, Cells]
    left_out: dict[str, int]
    outside: tuple[FloatArray, FloatArray, IntArray]
    standing: Standing | None
    strange: float | None
    flow_over_rate: float
    highest: tuple[float, float]


def _standing(log: AppliedLog, bar: Bar, bars: Moments) -> tuple[Standing | None, float | None]:
    shut = (log.speed < _STANDING) & ~log.on & ~(log.flow > NOTHING * bar.meter.min_flow * 600.0)
    at = bars.place[(shut & known_temperature(log) & np.isfinite(log.bar_pressure))[bars.place]]
    if at.size < _STANDS:
        return None, None
    kelvin = float(np.median(log.temperature[at]))
    over = float(np.median(log.bar_pressure[at] - saturation(log.temperature[at]).pressure))
    if abs(over) <= _FAR:
        return Standing(over, kelvin, int(at.size)), None
    empty = abs(float(np.median(log.bar_pressure[at])) - bar.air_pressure) <= _FAR
    return None, None if empty else over


def _open_kinds(log: AppliedLog, bar: Bar, bars: Moments) -> tuple[IntArray, list[tuple[int, ...]]]:
    """Number of the set of open sections at each moment, -1 where it is not told or mixed, and the sets."""
    whole = tuple(range(len(bar.sections)))
    if int(log.section.max(initial=0)) + 1 == len(bar.sections) <= 50:
        bits = np.bincount(bars.number, np.where(log.on, 2.0**log.section, 0.0), bars.place.size).astype(np.int64)
    else:
        bits = np.where(bars.full, (1 << len(whole)) - 1, 0)
    found, number = np.unique(bits, return_inverse=True)
    sets = [tuple(place for place in whole if int(one) >> place & 1) for one in found]
    alike = np.array([len({bar.sections[place].orifice for place in one}) == 1 for one in sets])
    return np.where(alike[number], number, -1), sets


def _median(values: FloatArray, every: Stretches) -> FloatArray:
    order = np.lexsort((values, every.number))
    ends = np.cumsum(every.count).astype(np.int64)
    first = ends - every.count.astype(np.int64)
    low, high = (first + ends - 1) // 2, (first + ends) // 2
    ranked = values[order]
    return np.asarray(0.5 * (ranked[low] + ranked[high]))


def _feed_loss(bar: Bar, sections: tuple[int, ...], flow: FloatArray, kelvin: FloatArray) -> FloatArray:
    """Mean loss from the node to the orifices of the open sections at a flow of the whole bar [kg/s], [Pa]."""
    liquid = saturation(kelvin)
    rows = sum(bar.sections[place].rows for place in sections)
    total = np.zeros_like(flow)
    for place in sections:
        section = bar.sections[place]
        if section.feed is not None:
            line = section.feed
            total += (section.rows / rows) * line_loss(
                flow * section.rows / rows,
                liquid.liquid_density,
                liquid.liquid_viscosity,
                length=line.length,
                bore=line.bore,
                fittings_k=line.fittings_k,
                roughness=line.roughness,
            )
    return total


def _warmed(bar: Bar, pressure: FloatArray, kelvin: FloatArray) -> FloatArray:
    """Temperature above the orifices [K] of liquid that the pump raised from the tank's own pressure."""
    liquid = saturation(kelvin)
    over = np.maximum(pressure - liquid.pressure, 0.0)
    rise = manifold_temperature_rise(
        over,
        over,
        kelvin,
        liquid.liquid_density,
        liquid.liquid_heat_capacity,
        liquid.liquid_expansivity,
        bar.pump.efficiency,
    )
    return kelvin + np.maximum(rise, 0.0)


def _causes(log: AppliedLog, bars: Moments, sets: IntArray) -> IntArray:
    """Place in `CAUSES` of why each moment is left out, -1 where it stays."""
    names = list(CAUSES)
    read = known_temperature(log) & np.isfinite(log.bar_pressure) & (log.flow > 0.0)
    cause = np.full(bars.place.size, -1)
    usable = read[bars.place] & built_up(log, bars)
    calm = settled(log, bars, usable)
    later = calm.copy()
    for back in range(1, _LATER + 1):
        later[:back] = False
        later[back:] &= calm[:-back]
    if np.count_nonzero(later) < 0.2 * np.count_nonzero(calm):
        later = calm
    tests: tuple[tuple[str, BoolArray], ...] = (
        ("mixed", sets < 0),
        ("changing", ~later),
        ("opening", ~built_up(log, bars)),
        ("unread", ~read[bars.place]),
        ("idle", ~bars.flows),
    )
    for name, out in tests:
        cause[out] = names.index(name)
    return cause


def gather_cells(log: AppliedLog, bar: Bar) -> LogCells:
    """Gather a log to cells, one set for each kind of orifice that was open alone.

    Parameters
    ----------
    log : AppliedLog
        With flow, bar pressure and temperature.
    bar : Bar
        Which made it.
    """
    names = list(CAUSES)
    bars = moments(log, bar)
    sets, members = _open_kinds(log, bar, bars)
    cause = _causes(log, bars, sets)
    every = stretches(log, bars, cause < 0)
    standing, strange = _standing(log, bar, bars)
    kinds: dict[str, Cells] = {}
    highest = float("nan"), float("nan")
    if every.at.size:
        place = bars.place[every.at]
        flow, pressure = true_flow(log, bar, place), log.bar_pressure[place]
        kelvin = every.mean(log.temperature[place])
        level = _median(flow, every), _median(pressure, every)
        highest = float(level[0].max()), float(level[1].max())
        first = np.concatenate([[0], np.cumsum(every.count)[:-1]]).astype(np.int64)
        opened, run = sets[every.at][first], log.run[place][first]
        warm, above = _warmed(bar, level[1], kelvin), level[1].copy()
        rows = np.ones(first.size)
        for number in np.unique(opened):
            chosen, open_now = opened == number, members[number]
            above[chosen] -= _feed_loss(bar, open_now, level[0][chosen], kelvin[chosen])
            rows[chosen] = sum(bar.sections[one].rows for one in open_now)
        margin = above - saturation(warm).pressure
        least = bar.meter.min_flow * saturation(kelvin).liquid_density
        out = np.select(
            [every.count < _FEWEST, margin < 0.0, margin < SENSOR_ERROR, level[0] < least],
            [names.index(name) for name in ("short", "boiling", "near", "meter")],
            -1,
        )
        cause[every.at] = out[every.number]
        wavers = np.hypot(
            every.error(flow / level[0][every.number]),
            # Half the pressure's own share of what drives the flow, halfway between both ends of the flashing.
            0.5 * every.error(pressure) / np.maximum(margin + 0.5 * (above - margin - bar.air_pressure), SENSOR_ERROR),
        )
        keep = out < 0
        orifice = np.array([bar.sections[members[number][0]].orifice for number in opened])
        for kind in np.unique(orifice[keep]):
            chosen = keep & (orifice == kind)
            columns = (level[0] / rows, above, warm, wavers, every.count, run.astype(np.float64))
            kinds[str(kind)] = _cells(*(values[chosen] for values in columns))
    lost = {name: int(np.count_nonzero(cause == at)) for at, name in enumerate(names)}
    outside = _shown(log, bar, bars, cause)
    return LogCells(kinds, lost, outside, standing, strange, _flow_over_rate(log, bar, bars, cause < 0), highest)


def _shown(log: AppliedLog, bar: Bar, bars: Moments, cause: IntArray) -> tuple[FloatArray, FloatArray, IntArray]:
    names = list(CAUSES)
    told = np.isin(cause, [names.index(name) for name in ("changing", "opening", "boiling", "near")])
    told &= (known_temperature(log) & np.isfinite(log.bar_pressure) & (log.flow > 0.0))[bars.place]
    shown = np.flatnonzero(told)
    shown = shown[:: max(1, shown.size // _MOST_SHOWN)]
    place, open_rows = bars.place[shown], np.maximum(bars.width[shown] / bar.row_spacing, 1.0)
    over = log.bar_pressure[place] - saturation(log.temperature[place]).pressure
    return true_flow(log, bar, place) / open_rows, over, cause[shown]


def _flow_over_rate(log: AppliedLog, bar: Bar, bars: Moments, kept: BoolArray) -> float:
    place, width = bars.place[kept], bars.width[kept]
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = log.flow[place] * bar.nitrogen_fraction / (log.applied[place] * log.speed[place] * width)
    ratio = ratio[np.isfinite(ratio) & (ratio > 0.0)]
    return float(np.median(ratio)) if ratio.size else 1.0


def _cells(
    flow: FloatArray, pressure: FloatArray, kelvin: FloatArray, error: FloatArray, count: FloatArray, run: FloatArray
) -> Cells:
    """Gather stretches, in time order, by passes and flow."""
    _, number = np.unique(run, return_inverse=True)
    passes = int(number.max()) + 1
    # In the order of time, which is not that of their numbers.
    order = np.empty(passes, dtype=np.int64)
    order[number[np.sort(np.unique(number, return_index=True)[1])]] = np.arange(passes)
    group = order[number] * min(_GROUPS, passes) // passes
    level = np.floor(np.log(flow) / _LEVEL).astype(np.int64)
    both = group * (int(np.ptp(level)) + 1) + level - level.min()
    _, cell = np.unique(both, return_inverse=True)
    weight = np.bincount(cell, count)

    def mean(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(cell, values * count) / weight)

    return Cells(
        # Over the pressure the squared flow is straight.
        np.sqrt(mean(np.square(flow))),
        mean(pressure),
        mean(kelvin),
        np.sqrt(np.bincount(cell, np.square(error * count))) / weight,
        np.round(mean(group.astype(np.float64))).astype(np.int64),
        weight.astype(np.int64),
        passes,
    )
