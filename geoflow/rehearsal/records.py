"""The log that the day would leave: a record a second for each section, and what lies on the ground by it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray
from geoflow.ground.applied_log import AppliedLog
from geoflow.hydraulics.readings import gauge_readings
from geoflow.rehearsal.driven import Given, Way
from geoflow.rehearsal.route import INTERVAL
from geoflow.rehearsal.setup import Setup

__all__ = ["Records", "as_log", "keep_records", "true_flow"]

_PER_RECORD: Final = 5
_HALF: Final = 0.5
# Temperatures and flows at which the gauges are solved; between them they are straight enough.
_WARMTHS: Final = 3
_FLOWS: Final = 24


@dataclass(frozen=True, slots=True, eq=False)
class Records:
    """Which moments make a record; arrays of shape (m,).

    Attributes
    ----------
    begin, end : ndarray of int
        First and last moment of each.
    on : ndarray of bool, shape (m, sections of the bar)
        On for half of it at least.
    step : ndarray
        Way [m].
    run : ndarray of int
        Leg, another one after each change of tanks.
    """

    begin: IntArray
    end: IntArray
    on: BoolArray
    step: FloatArray
    run: IntArray

    def mean(self, way: Way, values: FloatArray) -> FloatArray:
        """Mean of some values by the ground covered, shape (m,); 0 where none was.

        Parameters
        ----------
        way : Way
            As driven.
        values : ndarray, shape (n,)
            By moment.
        """
        ground = way.moments.speed * way.width
        total = np.add.reduceat(ground, self.begin)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(total > 0.0, np.add.reduceat(values * ground, self.begin) / total, 0.0)

    def usual(self, flags: BoolArray) -> BoolArray:
        """Whether something is so for half of each record, shape (m,).

        Parameters
        ----------
        flags : ndarray of bool, shape (n,)
            By moment.
        """
        return np.asarray(2 * np.add.reduceat(flags.astype(np.int64), self.begin) >= self.end - self.begin + 1)


def keep_records(way: Way, setup: Setup) -> Records:
    """Make records of moments, a second each.

    Parameters
    ----------
    way : Way
        From `drive_field`, with moments.
    setup : Setup
        What was driven.
    """
    count = way.time.size
    cut = np.diff(way.moments.leg, prepend=-1) != 0
    cut[1:] |= way.swaps[:-1]
    run = np.cumsum(cut) - 1
    since = np.arange(count) - np.flatnonzero(cut)[run]
    begin = np.flatnonzero(since % _PER_RECORD == 0)
    end = np.append(begin[1:], count) - 1
    sections, bar = setup.sections, setup.solution.bar
    on = np.zeros((begin.size, len(bar.sections)), dtype=np.bool_)
    moments = np.add.reduceat(way.on.astype(np.int64), begin, axis=0)
    on[:, list(sections.number)] = moments >= _HALF * (end - begin + 1)[:, None]
    return Records(begin, end, on, np.add.reduceat(way.moments.speed, begin) * INTERVAL, run[begin])


def true_flow(setup: Setup, counted: FloatArray, kelvin: FloatArray) -> FloatArray:
    """Ammonia that goes out where a sound meter counts so much [kg/s], shape (m,).

    Parameters
    ----------
    setup : Setup
        With the bar's meter.
    counted, kelvin : ndarray, shape (m,)
        Flow [kg/s] and temperature of the liquid [K].
    """
    window = setup.solution.search
    return np.asarray(counted * np.interp(kelvin, window.temperature, window.delivered_ratio))


def _pressures(setup: Setup, flow: FloatArray, kelvin: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Pressure to expect at the pump's outlet and behind the valve [Pa], for flows as if all rows were on [kg/s].

    Where liquid is lost no pressure is known: what stands there is that of liquid, which lies below its vapour
    pressure and so tells of it.
    """
    bar = setup.solution.bar
    warmth = np.unique(np.linspace(float(kelvin.min()), float(kelvin.max()), _WARMTHS))
    flows = np.linspace(0.02, 1.0, _FLOWS) * max(float(flow.max()), 1e-3)
    solved = gauge_readings(bar, setup.sections.number, warmth, np.broadcast_to(flows, (warmth.size, flows.size)))

    def at(readings: FloatArray) -> FloatArray:
        # Pressures follow the squared flow.
        over = np.array([np.interp(np.square(flow), np.square(flows), one) for one in readings[..., 1]])
        place = np.interp(kelvin, warmth, np.arange(warmth.size))
        low = np.minimum(place.astype(np.int64), warmth.size - 1)
        high = np.minimum(low + 1, warmth.size - 1)
        which = np.arange(flow.size)
        return np.asarray(over[low, which] + (place - low) * (over[high, which] - over[low, which]))

    return at(solved.outlet), at(solved.after_valve)


def as_log(records: Records, way: Way, given: Given, setup: Setup, seed: int) -> AppliedLog:
    """Return what the bar's controller would log, its meter's scatter in it, by moment and section.

    Parameters
    ----------
    records : Records
        From `keep_records`.
    way : Way
        As driven.
    given : Given
        What went down.
    setup : Setup
        What was driven.
    seed : int
        Of the scatter.
    """
    bar, sections, moments = setup.solution.bar, setup.sections, way.moments
    count, each = records.end.size, len(bar.sections)
    widths = np.array([section.rows * bar.row_spacing for section in bar.sections])
    offset = np.cumsum(widths) - 0.5 * widths - 0.5 * widths.sum()
    scatter = 1.0 + setup.unknown.scatter * np.random.default_rng(seed).standard_normal(count)
    rate = records.mean(way, given.counted) * scatter
    flow = np.add.reduceat(given.flow, records.begin) / (records.end - records.begin + 1) * scatter
    heading = moments.heading[records.end]
    seconds = (records.end - records.begin + 1) * INTERVAL
    kelvin = 0.5 * sum(setup.solution.plan.temperature) + way.cooled[records.end]

    def each_section(values: FloatArray) -> FloatArray:
        return np.repeat(values, each)

    share = np.maximum(np.add.reduceat(way.width, records.begin) / (records.end - records.begin + 1), 1e-6)
    share /= setup.solution.window.width
    pump, manifold = _pressures(setup, true_flow(setup, flow, kelvin) / share, kelvin)
    return AppliedLog(
        row=np.arange(count * each),
        time=each_section(way.time[records.end]),
        x=each_section(moments.x[records.end] - sections.centre * np.cos(heading)),
        y=each_section(moments.y[records.end] + sections.centre * np.sin(heading)),
        heading=each_section(heading),
        speed=each_section(records.step / seconds),
        step=each_section(records.step),
        section=np.tile(np.arange(each), count),
        offset=np.tile(offset, count),
        width=np.tile(widths, count),
        run=np.repeat(records.run, each),
        on=records.on.ravel(),
        applied=each_section(rate) * records.on.ravel(),
        target=each_section(way.target[records.end]),
        flow=each_section(flow),
        pump_pressure=each_section(pump),
        bar_pressure=each_section(manifold),
        temperature=each_section(kelvin),
    )
