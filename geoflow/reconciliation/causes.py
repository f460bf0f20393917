"""Why a record was off its target: the first cause that accounts for it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.bar.equipment import Controller
from geoflow.bar.keys import NITROGEN_FRACTION
from geoflow.base.arrays import BoolArray, CauseArray, FloatArray, IntArray, TextArray, in_order
from geoflow.ground.applied_log import AppliedLog
from geoflow.hydraulics.window import FlowWindow
from geoflow.reconciliation.lag import Lag, Tracks, followed, tracks

__all__ = [
    "CAUSES",
    "LOST_LIQUID",
    "OVERLAP",
    "WORDS",
    "ZONE_BORDER",
    "Reasons",
    "Response",
    "off_causes",
    "ratio_on_curve",
    "response_time",
    "response_to",
    "turning_ratio",
]

CAUSES: Final = ("latency", "rate step", "speed change", "section event", "turning", "window limit", "unexplained")
# Told apart where the pieces of a record are looked at: its map rate changes across the bar, so no one rate suits.
ZONE_BORDER: Final = "zone border"
# Told apart on the ground: several passes lie there, and their sum is off.
OVERLAP: Final = "overlap"
# Told apart once the log was asked about the bar: nothing else explains it, and the liquid boiled there.
LOST_LIQUID: Final = "liquid lost"
WORDS: Final = ("", *CAUSES, ZONE_BORDER, OVERLAP, LOST_LIQUID)
"""What the numbers of causes mean; of a million records a number takes a fiftieth of the room of a word."""
_CHANGES: Final = np.array([WORDS.index(one) for one in CAUSES[1:4]], dtype=np.int8)
# Settling time of a hydraulic or electric flow control on ammonia, 3 to 5 s: judgement, no published figure.
_SETTLING: Final = 5.0
_SETTLED: Final = 3.0
_REACH: Final = 2
_TIGHTEST: Final = 0.1
_SAME_WIDTH: Final = 0.01
# Share of a difference that a cause has to account for, and the score below which a lag tells of no response:
# judgement, no source.
_MOST: Final = 0.5
_FOLLOWS: Final = 0.6


@dataclass(frozen=True, slots=True)
class Response:
    """How the rate control answers: dead time and first-order time constant [s]."""

    dead_time: float
    time_constant: float


@dataclass(frozen=True, slots=True, eq=False)
class Reasons:
    """Why records would be off their targets; arrays of shape (n,).

    Attributes
    ----------
    number : ndarray of int8
        Places in `WORDS`: one of `CAUSES` for every record with a rate and a target, on target or not; else empty.
    accounts : ndarray of bool
        Whether the cause accounts for the difference. A change within the response time that does not is named all
        the same where nothing else fits.
    """

    number: CauseArray
    accounts: BoolArray

    @property
    def cause(self) -> TextArray:
        """The causes in words, shape (n,)."""
        return np.array(WORDS)[self.number]


def response_to(lag: Lag | None) -> Response | None:
    """Response as the log shows it; None where it does not.

    Parameters
    ----------
    lag : Lag or None
        From `estimate_lag`; where what was applied hardly follows the target it does not count.
    """
    if lag is None or lag.score < _FOLLOWS:
        return None
    return Response(max(lag.dead_time, 0.0), lag.time_constant)


def response_time(controller: Controller | None) -> float:
    """Time after which the rate has followed a change [s]: dead time and three time constants (95 %), or else 5 s.

    Parameters
    ----------
    controller : Controller or None
        Of the bar.
    """
    return _SETTLING if controller is None else controller.delay + _SETTLED * controller.time_constant


def _clock(log: AppliedLog) -> FloatArray:
    """Time of each record [s]; from step and speed within runs and sections where there is none."""
    if np.isfinite(log.time).any():
        return log.time
    with np.errstate(divide="ignore", invalid="ignore"):
        taken = np.where(log.speed > 0.0, log.step / log.speed, np.nan)
    order = in_order(log.section, log.run)
    passed = np.empty_like(taken)
    passed[order] = np.cumsum(np.where(np.isfinite(taken[order]), taken[order], 0.0))
    return np.where(np.isfinite(taken), passed, np.nan)


def turning_ratio(log: AppliedLog) -> FloatArray:
    """Rate on the ground over the rate at the bar's centre while turning [-], 1 on a straight line.

    1 / (1 + y/R), y outward from the bar's centre and R the radius of its path (Luck et al. 2011, Precision Agric.
    12:534). The radius is heading change over distance, from two records before to two after within the run. The
    bar's ends may stand still in a turn: the ratio stops at 10.

    Parameters
    ----------
    log : AppliedLog
        Records, shape (n,).
    """
    # Places in the log serve as the clock: a log without times turns too.
    road = tracks(log, np.arange(log.run.size, dtype=np.float64))
    ratio = np.ones(log.run.size)
    place = np.arange(road.order.size)
    before, after = np.maximum(place - _REACH, road.first), np.minimum(place + _REACH, road.last)
    heading, way = log.heading[road.order], np.cumsum(np.nan_to_num(log.step[road.order]))
    ratio[road.order] = ratio_on_curve(heading, way, before, after, log.offset[road.order])
    return ratio


def ratio_on_curve(
    heading: FloatArray, way: FloatArray, before: IntArray, after: IntArray, offset: FloatArray
) -> FloatArray:
    """Rate on the ground over the rate at the bar's centre [-], by the curve of a path; see `turning_ratio`.

    Parameters
    ----------
    heading, way : ndarray, shape (n,) or (n, 1)
        Along the path: from north, clockwise [rad], and how far from its begin [m].
    before, after : ndarray of int, shape (n,)
        Places on the path that the curve is taken between.
    offset : ndarray, broadcasting against `heading`
        To the right of the bar's centre [m].
    """
    turn = np.angle(np.exp(1j * (heading[after] - heading[before])))
    length = way[after] - way[before]
    with np.errstate(divide="ignore", invalid="ignore"):
        # Headings run clockwise: turning right, a section on the right is on the inside.
        relative_speed = 1.0 - np.where(length > 0.0, turn / length, 0.0) * offset
    return np.asarray(1.0 / np.maximum(np.nan_to_num(relative_speed, nan=1.0), _TIGHTEST))


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
    order = in_order(clock, log.run)
    new = np.ones(order.size, dtype=np.bool_)
    new[1:] = (np.diff(log.run[order]) != 0) | (np.diff(clock[order]) != 0.0)
    moment = np.empty(order.size, dtype=np.int64)
    moment[order] = np.cumsum(new) - 1
    return np.asarray(np.bincount(moment, values)[moment]) if order.size else values


def _outside(log: AppliedLog, clock: FloatArray, width: FloatArray, window: FlowWindow, fraction: float) -> BoolArray:
    """Whether the flow asked for lies outside the certain window and the rate is off to that side.

    Only where the width in use is the window's.
    """
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
    short = log.applied < log.target
    return np.asarray(same & np.where(short, flow > most, flow < least))


def _since_step(target: FloatArray, road: Tracks, share: float) -> FloatArray:
    """Time since the target last stepped by more than a share [s], in track order; half the interval before that.

    Infinite before the first step of a run.
    """
    place = np.arange(target.size)
    before = np.maximum(place - 1, road.first)
    jump = np.abs(target - target[before]) > share * np.maximum(np.abs(target), np.abs(target[before]))
    latest = np.maximum.accumulate(np.where(jump, place, 0)) if target.size else place
    known = jump[latest] & (latest >= road.first) if target.size else jump
    half = 0.5 * (road.clock[latest] - road.clock[before[latest]])
    return np.where(known, road.clock - road.clock[latest] + half, np.inf)


def _by_response(
    log: AppliedLog,
    road: Tracks,
    width: FloatArray,
    changed: list[BoolArray],
    response: Response,
    half: float,
    *,
    measured: bool,
) -> tuple[CauseArray, BoolArray, BoolArray]:
    """Which change each record answers to, whether that puts it off the same way, and whether it makes most of that.

    What the control makes of steps of the target, of speed and of width in use is worked out one by one; of those
    that changed lately the one that does most is named, and its dead time apart. Of a response that is only assumed
    no more is asked than that it puts the rate off the same way.
    """
    order = road.order
    target, applied = log.target[order], log.applied[order]
    made = []
    for values, starts in ((target, True), (log.speed[order], True), (width[order], False)):
        with np.errstate(divide="ignore", invalid="ignore"):
            late = followed(road, values, response.dead_time, response.time_constant, from_nothing=not starts)
            # In shares of the target: the step of the rate itself, and what the flow lacks for speed or width.
            made.append(np.nan_to_num(late / values - 1.0, posinf=0.0, neginf=0.0))
    each = np.where(np.stack([flag[order] for flag in changed]), np.stack(made), 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        off = np.nan_to_num(applied / target - 1.0, posinf=0.0, neginf=0.0)
    expected = np.prod(1.0 + each, axis=0) - 1.0
    along, most = np.zeros((2, log.run.size), dtype=np.bool_)
    most[order] = (np.abs(expected) > half) & (np.abs(off - expected) <= _MOST * np.abs(off))
    along[order] = most[order] if measured else expected * off > 0.0
    name = _CHANGES[np.argmax(np.abs(each), axis=0)]
    name[(name == _CHANGES[0]) & (_since_step(target, road, half) <= response.dead_time)] = WORDS.index(CAUSES[0])
    named = np.full(log.run.size, _CHANGES[0])
    named[order] = name
    return named, along, most


def off_causes(
    log: AppliedLog,
    *,
    response_time: float,
    response: Response | None = None,
    window: FlowWindow | None = None,
    nitrogen_fraction: float = NITROGEN_FRACTION,
    limit: float = 0.10,
) -> Reasons:
    """Say of every record what would put it off its target.

    Compared is the rate on the ground, the logged one times `turning_ratio`. In this order, the first that fits:

    - a change within the response time of which the response of the control makes most of the difference: of the
      target (*latency* in the dead time after it, *rate step* while the rate moves), of the speed (*speed change*),
      of the width in use, or the run's begin (*section event*); of several the one that makes most;
    - *turning*: the path's curve alone puts the section off by more than half of `limit`;
    - *window limit*: the flow asked for lies outside the bar's certain window (all its width in use);
    - such a change by more than half of `limit` though its response does not account for the difference;
    - *unexplained*.

    Parameters
    ----------
    log : AppliedLog
        With rates as logged at the bar's centre. Without a clock, time is reckoned from step and speed.
    response_time : float
        For which a change still explains an error [s].
    response : Response, optional
        Of the control as the log shows it; without one, no dead time and a third of the response time as time
        constant are assumed, which only have to put the rate off the same way.
    window : FlowWindow, optional
        Solved for the sections in use; the nearest of its temperatures serves, the worst where none is logged.
    nitrogen_fraction : float
        Mass of nitrogen over mass of ammonia [-].
    limit : float
        How far from the target is off [-].
    """
    clock = _clock(log)
    road = tracks(log, clock)
    on, half = log.on, 0.5 * limit
    area = np.nan_to_num(log.step * log.width)
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
    changed = [
        in_tracks(np.where(on, log.target, np.nan)),
        in_tracks(log.speed),
        begun | in_tracks(width) | in_tracks(in_use),
    ]
    answer = Response(0.0, response_time / _SETTLED) if response is None else response
    named, along, most = _by_response(log, road, width, changed, answer, half, measured=response is not None)
    lately = np.any(changed, axis=0)
    firm = [along & lately, np.abs(turning_ratio(log) - 1.0) > half, outside]
    turning, limited, unexplained = (np.int8(WORDS.index(one)) for one in CAUSES[4:])
    weak = np.select(changed, [*_CHANGES], unexplained)
    cause = np.select(firm, [named, turning, limited], weak)
    yes = np.ones(on.size, dtype=np.bool_)
    return Reasons(np.where(judged, cause, np.int8(0)), judged & np.select(firm, [most, yes, yes], ~yes))
