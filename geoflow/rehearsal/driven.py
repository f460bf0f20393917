"""A field driven once: the way with its sections, and what goes down along it on one day."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray
from geoflow.physics.tanks import draw_down
from geoflow.reconciliation.causes import ratio_on_curve
from geoflow.rehearsal.cells import Cells
from geoflow.rehearsal.control import first_of_run, followed_in_steps, wobble
from geoflow.rehearsal.route import INTERVAL, Moments, drive, filled, lay_legs, with_clock
from geoflow.rehearsal.setup import DisplaySettings, Draw, Setup, flow_ends, middle_draw
from geoflow.rehearsal.switching import switched

__all__ = ["Given", "Way", "drive_field", "give", "read_ahead", "with_display"]

_COLDEST: Final = 230.0
# Moments before and after over which the path's curve is taken, as a log's is.
_REACH: Final = 10


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """The way over the field, moment by moment.

    Attributes
    ----------
    moments : Moments
        Trimmed to where sections are on, and the gaps between.
    on : ndarray of bool, shape (n, sections)
        Sections in use.
    width : ndarray, shape (n,)
        On [m].
    zone : ndarray of int, shape (n, sections)
        Zone under the middle of each section.
    turned : ndarray, shape (n, sections)
        Rate on the ground over the rate at the bar's centre, for the path's curve [-].
    here, target : ndarray, shape (n,)
        Nitrogen rate asked under the middle of the bar, and as the controller reads it [kg/m2].
    first : ndarray of int, shape (n,)
        Where the uninterrupted run of each moment begins.
    time : ndarray, shape (n,)
        [s]
    cooled : ndarray, shape (n,)
        How much colder the liquid is than in the full tank [K], zero or below.
    swaps : ndarray of bool, shape (n,)
        Moments after which a tank is changed.
    turning, swapping : float
        [s]
    left : float
        Ground that asks for ammonia and is not covered, in cells [m2].
    """

    moments: Moments
    on: BoolArray
    width: FloatArray
    zone: IntArray
    turned: FloatArray
    here: FloatArray
    target: FloatArray
    first: IntArray
    time: FloatArray
    cooled: FloatArray
    swaps: BoolArray
    turning: float
    swapping: float
    left: float


@dataclass(frozen=True, slots=True, eq=False)
class Given:
    """What goes down, moment by moment; arrays of shape (n,).

    Attributes
    ----------
    counted, true : ndarray
        Nitrogen rate as the controller counts it and as it is [kg/m2].
    flow : ndarray
        Ammonia as counted [kg/s].
    uneven, short : ndarray of bool
        Where what is asked lies below the window's low end, and beyond what the bar gives.
    """

    counted: FloatArray
    true: FloatArray
    flow: FloatArray
    uneven: BoolArray
    short: BoolArray


def _trimmed(moments: Moments, on: BoolArray) -> BoolArray:
    """Moments from the first to the last of each leg at which a section is on."""
    some = on.any(axis=1)
    place = np.arange(some.size)
    count = int(moments.leg.max(initial=-1)) + 1
    first, last = np.full(count, some.size), np.full(count, -1)
    np.minimum.at(first, moments.leg[some], place[some])
    np.maximum.at(last, moments.leg[some], place[some])
    return np.asarray((place >= first[moments.leg]) & (place <= last[moments.leg]))


def read_ahead(moments: Moments, cells: Cells, rate: FloatArray, display: DisplaySettings) -> FloatArray:
    """Rate that the controller reads [kg/m2], shape (n,); outside all zones the last one that it read stays.

    Parameters
    ----------
    moments : Moments
        Along the way.
    cells : Cells
        Of the zones.
    rate : ndarray, shape (zones,)
        [kg/m2]
    display : DisplaySettings
        How far ahead.
    """
    ahead = display.antenna + display.look_ahead * moments.speed
    zone = cells.at(moments.x + ahead * np.sin(moments.heading), moments.y + ahead * np.cos(moments.heading))
    read = np.where(zone >= 0, rate[zone], np.nan)
    found = np.empty(read.size)
    marks = np.append(np.flatnonzero(np.diff(moments.leg, prepend=-1)), read.size)
    for begin, end in zip(marks[:-1].tolist(), marks[1:].tolist(), strict=True):
        found[begin:end] = filled(read[begin:end])
    return np.nan_to_num(found)


def _runs(moments: Moments, width: FloatArray, swaps: BoolArray) -> IntArray:
    """Where each uninterrupted run begins: a leg, all sections shut or opened again, or another tank."""
    changes = np.diff(moments.leg, prepend=-1) != 0
    changes[1:] |= (width[1:] > 0.0) != (width[:-1] > 0.0)
    changes[1:] |= swaps[:-1]
    return first_of_run(np.cumsum(changes))


def _turned(moments: Moments, offset: FloatArray) -> FloatArray:
    """Rate on the ground over that at the bar's centre [-], by the curve of the path; shape (n, sections)."""
    place = np.arange(moments.leg.size)
    first = first_of_run(moments.leg)
    last = place.size - 1 - first_of_run(moments.leg[::-1])[::-1]
    before, after = np.maximum(place - _REACH, first), np.minimum(place + _REACH, last)
    way = np.cumsum(moments.speed) * INTERVAL
    return ratio_on_curve(moments.heading[:, None], way[:, None], before, after, offset)


def _tanks(asked: FloatArray, setup: Setup, kelvin: float) -> tuple[BoolArray, FloatArray]:
    """After which moments a tank is changed, and how much colder the liquid has become [K], from true flow [kg/s]."""
    tank = setup.solution.bar.tank
    if tank is None or not np.isfinite(setup.full_load):
        return np.zeros(asked.size, dtype=np.bool_), np.zeros(asked.size)
    drawn = np.cumsum(asked) * INTERVAL
    number = np.floor(drawn / setup.full_load * (1.0 - 1e-9))
    path = draw_down(kelvin, tank.fill)
    fill = path.fill_after((drawn - number * setup.full_load) / tank.capacity)
    cooled = path.temperature_at(np.maximum(fill, path.fill[-1])) - kelvin
    return np.append(np.diff(number) > 0.0, False)[: asked.size], cooled


def _counted_ratio(setup: Setup, kelvin: FloatArray) -> FloatArray:
    """True over counted flow of a sound meter [-]."""
    window = setup.solution.search
    return np.interp(kelvin, window.temperature, window.delivered_ratio)


def drive_field(setup: Setup, cells: Cells) -> Way:
    """Drive the field once, in the middle of what is unknown.

    Parameters
    ----------
    setup : Setup
        What is driven.
    cells : Cells
        Of its zones.
    """
    sections, solution = setup.sections, setup.solution
    legs, inside = lay_legs(setup.zones[setup.asks], setup.course, solution.window.width, setup.driving)
    moments = drive(legs, cells, setup.speed)
    on, left = switched(moments, legs, inside, cells, setup.asks, sections, setup.switching)
    kept = _trimmed(moments, on)
    moments, on = moments.at(kept), on[kept]
    width = on @ sections.width
    target = read_ahead(moments, cells, setup.rate, setup.display)
    sin, cos = np.sin(moments.heading)[:, None], np.cos(moments.heading)[:, None]
    # The middle of each moment's step, as for switching.
    back = 0.5 * INTERVAL * moments.speed[:, None]
    zone = cells.at(
        moments.x[:, None] + sections.offset * cos - back * sin, moments.y[:, None] - sections.offset * sin - back * cos
    )
    kelvin = middle_draw(setup).temperature
    asked = target * moments.speed * width / solution.bar.nitrogen_fraction
    swaps, cooled = _tanks(asked * _counted_ratio(setup, np.full(asked.size, kelvin)), setup, kelvin)
    time, turning, swapping = with_clock(moments, setup.driving, solution.bar.limits.speed[0], swaps)
    return Way(
        moments=moments,
        on=on,
        width=width,
        zone=zone,
        turned=_turned(moments, sections.offset),
        here=read_ahead(moments, cells, setup.rate, DisplaySettings()),
        target=target,
        first=_runs(moments, width, swaps),
        time=time,
        cooled=cooled,
        swaps=swaps,
        turning=turning,
        swapping=swapping,
        left=left,
    )


def _speeds(way: Way, setup: Setup, draw: Draw) -> tuple[FloatArray, float]:
    """Ground speed as it turns out [m/s], and how much faster than planned it is in all [-]."""
    reach = (setup.fast - setup.slow) / (setup.fast + setup.slow)
    zone, usual = way.moments.zone, float(np.median(reach))
    faster = 1.0 + draw.speed * np.where(zone >= 0, reach[zone], usual)
    speed = way.moments.speed * faster
    if draw.seed is not None:
        noise = np.random.default_rng(draw.seed).standard_normal(speed.size)
        speed = speed * np.maximum(1.0 + wobble(noise, INTERVAL, setup.unknown.lasting, setup.unknown.wobble), 0.5)
    return speed, 1.0 + draw.speed * usual


def give(
    way: Way, setup: Setup, draw: Draw, *, from_nothing: bool = True, ideal: bool = False, level: bool = False
) -> Given:
    """Let the rate control follow what it is asked along the way.

    Parameters
    ----------
    way : Way
        From `drive_field`.
    setup : Setup
        What is driven.
    draw : Draw
        How the day turns out.
    from_nothing : bool
        Whether a run begins without flow.
    ideal : bool
        Whether the control follows at once, and reads under the bar.
    level : bool
        Whether only speed and width have to be followed, as if the target were one and the same, and are read so.
    """
    bar = setup.solution.bar
    kelvin = np.maximum(draw.temperature + way.cooled, _COLDEST)
    ratio = draw.meter * _counted_ratio(setup, kelvin)
    speed, faster = _speeds(way, setup, draw)
    # The clock is that of the planned speed: who drives faster has less of it for the same way.
    delay, constant = draw.delay * faster, draw.time_constant * faster
    swept = speed * way.width
    target = way.here if ideal or level else way.target
    asked = target * swept / bar.nitrogen_fraction
    if ideal:
        flow = asked
    elif level:
        flow = (
            target
            / bar.nitrogen_fraction
            * followed_in_steps(swept, way.first, INTERVAL, delay, constant, from_nothing=from_nothing)
        )
    else:
        flow = followed_in_steps(asked, way.first, INTERVAL, delay, constant, from_nothing=from_nothing)
    low, volume, pressure = flow_ends(setup.solution.search, kelvin, draw)
    share = way.width / setup.solution.window.width
    most = np.minimum(volume, pressure * share) / ratio
    flow = np.where(way.width > 0.0, np.minimum(flow, most), 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        counted = np.where(swept > 0.0, flow * bar.nitrogen_fraction / swept, 0.0)
    return Given(
        counted,
        counted * ratio,
        flow,
        (asked > 0.0) & (asked * ratio < low * share * (1.0 - 1e-9)),
        asked > most * (1.0 + 1e-9),
    )


def with_display(way: Way, setup: Setup, cells: Cells, display: DisplaySettings) -> Way:
    """Return the same way with the target read elsewhere.

    Parameters
    ----------
    way, setup, cells
        As driven.
    display : DisplaySettings
        How far ahead.
    """
    return replace(way, target=read_ahead(way.moments, cells, setup.rate, display))
