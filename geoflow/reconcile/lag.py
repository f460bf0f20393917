"""How long after the target the rate follows, found within runs, and the log with that lag taken out.

The rate that leaves the bar at one moment answers to what was asked a lag earlier. So the *target* is looked up
earlier and every record stays where it is: the ammonia went down there whatever the reason. Unshifted, applied
against target says what the ground got; shifted, how well the control held what it was asked.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray
from geoflow.base.errors import RangeError
from geoflow.ground.applied_log import AppliedLog

__all__ = ["Lag", "Tracks", "estimate_lag", "shifted", "tracks"]

_FINE, _LEAST_STEP = 0.1, 0.2
# Between the tracks laid one behind the other on one clock [s]; any length beyond rounding would do.
_GAP: Final = 1.0
_FEWEST: Final = 30
_LEAST_VARIATION: Final = 0.02
# 95 % point of chi-squared with one degree of freedom.
_CHI_SQUARED: Final = 3.841


@dataclass(frozen=True, slots=True)
class Tracks:
    """Records sorted into one stretch of time per run and section; arrays of shape (records with a time,).

    Attributes
    ----------
    order : ndarray of int
        Indices into the log.
    clock : ndarray
        Rising through all tracks, one behind the other [s].
    first, last : ndarray of int
        Place in `order` where the record's track begins and ends.
    """

    order: IntArray
    clock: FloatArray
    first: IntArray
    last: IntArray

    def nearest(self, earlier: float) -> IntArray:
        """Place in `order` of the record nearest in time to `earlier` seconds before each, held at a track's ends."""
        asked = self.clock - earlier
        after = np.clip(np.searchsorted(self.clock, asked), self.first, self.last)
        before = np.maximum(after - 1, self.first)
        return np.where(asked - self.clock[before] <= self.clock[after] - asked, before, after)


def tracks(log: AppliedLog, time: FloatArray) -> Tracks:
    """Sort records into tracks by a clock of shape (n,) [s]; records without a time are left out."""
    timed = np.flatnonzero(np.isfinite(time))
    order = timed[np.lexsort((time[timed], log.section[timed], log.run[timed]))]
    size = order.size
    run, section, seconds = log.run[order], log.section[order], time[order]
    begins = np.ones(size, dtype=np.bool_)
    begins[1:] = (run[1:] != run[:-1]) | (section[1:] != section[:-1])
    starts = np.flatnonzero(begins)
    ends = np.append(starts[1:], size) - 1 if size else starts
    number = np.cumsum(begins) - 1
    length = seconds[ends] - seconds[starts] + _GAP
    base = np.cumsum(length) - length
    return Tracks(order, base[number] + seconds - seconds[starts][number], starts[number], ends[number])


@dataclass(frozen=True, slots=True)
class Lag:
    """Time from target to applied.

    Attributes
    ----------
    best : float
        Lag with the greatest correlation [s]. For a dead time and a first-order response to steps this is the dead
        time plus ln 2 time constants, when half of the step is done.
    low, high : float
        First and last lag at which the correlation is not worse by more than chance (95 %) [s]; at least half
        the log's interval each way, because the log does not see between its records. Where zones follow each other
        in whole intervals, all steps fall alike between two records, and the truth may lie half an interval further.
    score : float
        Correlation of applied with the target asked `best` seconds before, -1 to 1 [-].
    """

    best: float
    low: float
    high: float
    score: float


def _weighted_sums(x: FloatArray, y: FloatArray, share: FloatArray) -> tuple[float, float, float]:
    x, y = x - share @ x, y - share @ y
    return float(share @ (x * x)), float(share @ (y * y)), float(share @ (x * y))


def _independent(residual: FloatArray, joined: BoolArray, count: int) -> float:
    """Number of independent values that `count` serially correlated ones are worth."""
    power = float(np.mean(np.square(residual)))
    if power <= 0.0 or not joined.any():
        return float(count)
    serial = float(np.mean(residual[1:][joined] * residual[:-1][joined])) / power
    serial = min(max(serial, 0.0), 0.99)
    return max(count * (1.0 - serial) / (1.0 + serial), 3.0)


def _natural_spline(knots: FloatArray, values: FloatArray, at: FloatArray) -> FloatArray:
    """Natural cubic spline through evenly spaced knots."""
    size, step = knots.size, float(knots[1] - knots[0])
    system = np.diag(np.full(size, 4.0)) + np.diag(np.ones(size - 1), 1) + np.diag(np.ones(size - 1), -1)
    system[[0, -1]] = np.eye(size)[[0, -1]]
    bend = np.zeros(size)
    bend[1:-1] = 6.0 * np.diff(values, 2) / step**2
    bend = np.linalg.solve(system, bend)
    before = np.clip(((at - knots[0]) / step).astype(np.int64), 0, size - 2)
    b = (at - knots[before]) / step
    a = 1.0 - b
    curve = (a**3 - a) * bend[before] + (b**3 - b) * bend[before + 1]
    return np.asarray(a * values[before] + b * values[before + 1] + curve * step**2 / 6.0)


def estimate_lag(log: AppliedLog, *, earliest: float = -2.0, latest: float = 15.0) -> Lag | None:
    """Find the lag between target and applied.

    Every lag is judged on the same records: those that are on, and far enough inside their run that no lag looks
    across its border. The correlation is found at whole multiples of the log's interval and interpolated between them
    to 0.1 s. Runs shorter than `latest - earliest` tell nothing.

    Parameters
    ----------
    log : AppliedLog
        With a clock.
    earliest, latest : float
        Ends of the search [s].

    Returns
    -------
    Lag or None
        None without a clock, with fewer than 30 moments to judge by, where the target varies by less than 2 % within
        the runs or applied not at all, or where the log's interval leaves fewer than three lags to try.
    """
    road = tracks(log, np.where(np.isfinite(log.target), log.time, np.nan))
    clock, target, applied = road.clock, log.target[road.order], log.applied[road.order]
    area = (log.step * log.width)[road.order]
    judged = log.on[road.order] & np.isfinite(applied) & (area > 0.0)
    judged &= (clock - clock[road.first] >= latest) & (clock[road.last] - clock >= -earliest)
    places = np.flatnonzero(judged)
    judges = road.order[places]
    moments = np.unique(log.run[judges] + 1j * log.time[judges])
    if len(moments) < _FEWEST:
        return None
    y, share = applied[places], area[places] / area[places].sum()
    _, number = np.unique(road.first[places], return_inverse=True)
    asked = target[places]
    own_mean = np.bincount(number, share * asked) / np.bincount(number, share)
    variation = float(np.sqrt(share @ np.square(asked - own_mean[number])))
    if variation < _LEAST_VARIATION * abs(float(share @ asked)) or np.ptp(y) <= 0.0:
        return None

    def correlation(lag: float) -> float:
        x = np.interp(clock[places] - lag, clock, target)
        xx, yy, xy = _weighted_sums(x, y, share)
        return xy / np.sqrt(xx * yy) if xx > 0.0 else 0.0

    # Whole multiples of the log's own interval: between them interpolating blurs the target, and a blurred target suits
    # a gradual response so well that lags half-way would win. So the score itself is carried across, by a spline.
    interval = float(np.median(np.diff(clock)[road.first[1:] == road.first[:-1]]))
    step = interval * np.ceil(_LEAST_STEP / interval - 1e-9)
    whole = step * np.arange(np.ceil(earliest / step - 1e-9), np.floor(latest / step + 1e-9) + 1)
    if whole.size < 3:
        return None
    lags = np.linspace(whole[0], whole[-1], round(float(whole[-1] - whole[0]) / _FINE) + 1)
    score = _natural_spline(whole, np.array([correlation(lag) for lag in whole]), lags)
    best = int(np.argmax(score))

    x = np.interp(clock[places] - lags[best], clock, target)
    xx, _, xy = _weighted_sums(x, y, share)
    residual = y - share @ y - (xy / xx if xx > 0.0 else 0.0) * (x - share @ x)
    worth = _independent(residual, (np.diff(places) == 1) & (np.diff(number) == 0), len(moments))
    left = 1.0 - np.square(np.maximum(score, 0.0))
    flat = lags[left <= left[best] * np.exp(_CHI_SQUARED / worth) + 1e-12]
    found, blind = float(lags[best]), 0.5 * interval
    return Lag(found, min(float(flat[0]), found - blind), max(float(flat[-1]), found + blind), float(score[best]))


def shifted(log: AppliedLog, lag: float) -> AppliedLog:
    """Return the log with the target that was asked `lag` seconds before each record; positions stay.

    The nearest record of the same run and section serves, so every target is one that was really asked. For the first
    `lag` seconds of a run its first target stands.

    Raises
    ------
    RangeError
        If the log has no clock.
    """
    road = tracks(log, log.time)
    if not road.order.size:
        what = "the log has no times, so no lag can be taken out"
        raise RangeError(what, where="column time", cure="name the time column with --column")
    target = log.target.copy()
    target[road.order] = log.target[road.order[road.nearest(lag)]]
    return replace(log, target=target)
