"""Why a record was off its target: the first cause that fits, and the share of area of each."""

from __future__ import annotations

from typing import Final

import numpy as np

from geoflow.bar.equipment import Controller
from geoflow.bar.keys import NITROGEN_FRACTION
from geoflow.base.arrays import BoolArray, FloatArray, TextArray
from geoflow.ground.applied_log import AppliedLog
from geoflow.hydraulics.window import FlowWindow
from geoflow.reconcile.lag import Tracks, tracks

__all__ = [
    "CAUSES",
    "LOST_LIQUID",
    "OVERLAP",
    "ZONE_BORDER",
    "off_causes",
    "response_time",
    "turning_ratio",
]

# In the order in which they are tried.
CAUSES: Final = ("rate step", "speed change", "section event", "turning", "window limit", "unexplained")
# Told apart where the pieces of a record are looked at: its map rate changes across the bar, so no one rate suits.
ZONE_BORDER: Final = "zone border"
# Told apart on the ground: several passes lie there, and their sum is off.
OVERLAP: Final = "overlap"
# Told apart once the log was asked about the bar: nothing else explains it, and the liquid boiled there.
LOST_LIQUID: Final = "liquid lost"
# Settling time of a hydraulic or electric flow control on ammonia, 3 to 5 s: judgement, no published figure.
_SETTLING: Final = 5.0
_SETTLED: Final = 3.0
_REACH: Final = 2
_TIGHTEST: Final = 0.1
_SAME_WIDTH: Final = 0.01


def response_time(controller: Controller | None) -> float:
    """Time after which the rate has followed a change [s]: dead time and three time constants (95 %), or else 5 s."""
    return _SETTLING if controller is None else controller.delay + _SETTLED * controller.time_constant


def _clock(log: AppliedLog) -> FloatArray:
    """Time of each record [s]; from step and speed within runs and sections where there is none."""
    if np.isfinite(log.time).any():
        return log.time
    with np.errstate(divide="ignore", invalid="ignore"):
        taken = np.where(log.speed > 0.0, log.step / log.speed, np.nan)
    order = np.lexsort((np.arange(log.run.size), log.section, log.run))
    passed = np.empty_like(taken)
    passed[order] = np.cumsum(np.where(np.isfinite(taken[order]), taken[order], 0.0))
    return np.where(np.isfinite(taken), passed, np.nan)


def turning_ratio(log: AppliedLog) -> FloatArray:
    """Rate on the ground over the rate at the bar's centre while turning [-], 1 on a straight line.

    1 / (1 + y/R), y outward from the bar's centre and R the radius of its path (Luck et al. 2011, Precision Agric.
    12:534). The radius is heading change over distance, from two records before to two after within the run. The
    bar's ends may stand still in a turn: the ratio stops at 10.
    """
    # Places in the log serve as the clock: a log without times turns too.
    road = tracks(log, np.arange(log.run.size, dtype=np.float64))
    ratio = np.ones(log.run.size)
    place = np.arange(road.order.size)
    before, after = np.maximum(place - _REACH, road.first), np.minimum(place + _REACH, road.last)
    heading, way = log.heading[road.order], np.cumsum(np.nan_to_num(log.step[road.order]))
    turn = np.angle(np.exp(1j * (heading[after] - heading[before])))
    length = way[after] - way[before]
    with np.errstate(divide="ignore", invalid="ignore"):
        # Headings run clockwise: turning right, a section on the right is on the inside.
        relative_speed = 1.0 - np.where(length > 0.0, turn / length, 0.0) * log.offset[road.order]
    ratio[road.order] = 1.0 / np.maximum(np.nan_to_num(relative_speed, nan=1.0), _TIGHTEST)
    return ratio


def _changed(values: FloatArray, road: Tracks, within_time: float, share: float) -> BoolArray:
    """Whether values in track order changed by more than a share over the time before, at once or bit by bit."""

    def differ(now: FloatArray, then: FloatArray) -> BoolArray:
        return np.asarray(np.abs(now - then) > share * np.maximum(np.abs(now), np.abs(then)))

    place = np.arange(values.size)
    jump = differ(values, values[np.maximum(place - 1, road.first)])
    latest = np.maximum.accumulate(np.where(jump, place, 0)) if values.size else place
    recent = jump[latest] & (latest >= road.first) & (road.clock - road.clock[latest] <= within_time)
    return np.asarray(recent | differ(values, values[road.nearest(within_time)]))


def _over_bar(log: AppliedLog, clock: FloatArray, values: FloatArray) -> FloatArray:
    """Sum over the sections of the bar at each moment, as shape (n,)."""
    order = np.lexsort((clock, log.run))
    new = np.ones(order.size, dtype=np.bool_)
    new[1:] = (np.diff(log.run[order]) != 0) | (np.diff(clock[order]) != 0.0)
    moment = np.empty(order.size, dtype=np.int64)
    moment[order] = np.cumsum(new) - 1
    return np.asarray(np.bincount(moment, values)[moment]) if order.size else values


def _outside(log: AppliedLog, clock: FloatArray, width: FloatArray, window: FlowWindow, fraction: float) -> BoolArray:
    """Whether the flow asked for lies outside the certain window; only where the width in use is the window's."""
    wanted = np.where(log.on, log.target * log.speed * log.width, 0.0) / fraction
    flow = _over_bar(log, clock, wanted)
    low, high = (edge / window.delivered_ratio for edge in window.edges(certain=True))
    gap = np.abs(window.temperature[None, :] - np.unique(log.temperature)[:, None])
    at = np.argmin(np.where(np.isfinite(gap), gap, np.inf), axis=1)[
        np.searchsorted(np.unique(log.temperature), log.temperature)
    ]
    known = np.isfinite(log.temperature)
    least, most = np.where(known, low[at], low.max()), np.where(known, high[at], high.min())
    same = np.abs(width / window.width - 1.0) <= _SAME_WIDTH
    return np.asarray(same & ((flow < least) | (flow > most)))


def off_causes(
    log: AppliedLog,
    *,
    response_time: float,
    window: FlowWindow | None = None,
    nitrogen_fraction: float = NITROGEN_FRACTION,
    limit: float = 0.10,
) -> TextArray:
    """Say of every record what would put it off its target.

    Compared is the rate on the ground, the logged one times `turning_ratio`. In this order, the first that fits:

    - *rate step*, *speed change*: target or speed changed by more than half of `limit` within the response time,
      at once or bit by bit;
    - *section event*: the run began, or the width in use changed by as much, within the response time;
    - *turning*: the path's curve alone puts the section off by more than half of `limit`;
    - *window limit*: the flow asked for lies outside the bar's certain window (all its width in use);
    - *unexplained*.

    Parameters
    ----------
    log : AppliedLog
        With rates as logged at the bar's centre. Without a clock, time is reckoned from step and speed.
    response_time : float
        For which a change still explains an error [s].
    window : FlowWindow, optional
        Solved for the sections in use; the nearest of its temperatures serves, the worst where none is logged.
    nitrogen_fraction : float
        Mass of nitrogen over mass of ammonia [-].
    limit : float
        How far from the target is off [-].

    Returns
    -------
    ndarray of str, shape (n,)
        One of `CAUSES` for every record with a rate and a target, on target or not; empty for the others.
    """
    clock = _clock(log)
    road = tracks(log, clock)
    on, half = log.on, 0.5 * limit
    area = np.nan_to_num(log.step * log.width)
    ratio = turning_ratio(log)
    judged = on & np.isfinite(log.applied) & np.isfinite(log.target) & (area > 0.0)

    in_use = np.where(on, log.width, 0.0)
    width = in_use
    if np.isfinite(log.time).any() or np.unique(log.section).size < 2:
        width = _over_bar(log, clock, in_use)

    def in_tracks(values: FloatArray) -> BoolArray:
        found = np.zeros(on.size, dtype=np.bool_)
        found[road.order] = _changed(values[road.order], road, response_time, half)
        return found

    begun = np.zeros(on.size, dtype=np.bool_)
    begun[road.order] = road.clock - road.clock[road.first] <= response_time
    outside = (
        np.zeros(on.size, dtype=np.bool_) if window is None else _outside(log, clock, width, window, nitrogen_fraction)
    )
    reasons = [
        in_tracks(np.where(on, log.target, np.nan)),
        in_tracks(log.speed),
        begun | in_tracks(width) | in_tracks(in_use),
        np.abs(ratio - 1.0) > half,
        outside,
    ]
    return np.where(judged, np.select(reasons, CAUSES[:-1], CAUSES[-1]), "")
