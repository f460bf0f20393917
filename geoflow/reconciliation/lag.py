"""How long after the target the rate follows, found within runs, and the log with that lag taken out.

The rate that leaves the bar at one moment answers to what was asked a lag earlier. So the *target* is looked up
earlier and every record stays where it is: the ammonia went down there whatever the reason. Unshifted, applied
against target says what the ground got; shifted, how well the control held what it was asked.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray, in_order
from geoflow.base.errors import RangeError
from geoflow.ground.applied_log import AppliedLog
from geoflow.reconciliation.lag_sums import PARTS, EarlierTargets, LagSums, sums_in_parts

__all__ = ["Lag", "Tracks", "estimate_lag", "followed", "shifted", "tracks"]

_FINE, _LEAST_STEP = 0.1, 0.2
# Time constants with which the response is tried [s], and lags tried within one interval of the log.
_CONSTANTS: Final = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.5, 6.0)
_FINER: Final = 10
# 97.5 % point of Student's t for the scatter of what leaving out one part after the other gives.
_STUDENT: Final = 2.093
# Time constants after which a first-order response counts as done.
_DONE: Final = 5.0
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
        """Place in `order` of the record nearest in time to `earlier` seconds before each, held at a track's ends.

        Parameters
        ----------
        earlier : float
            How long before each record [s].
        """
        asked = self.clock - earlier
        after = np.clip(np.searchsorted(self.clock, asked), self.first, self.last)
        before = np.maximum(after - 1, self.first)
        return np.where(asked - self.clock[before] <= self.clock[after] - asked, before, after)


def tracks(log: AppliedLog, time: FloatArray) -> Tracks:
    """Sort records into tracks by a clock of shape (n,) [s]; records without a time are left out.

    Parameters
    ----------
    log : AppliedLog
        Records, shape (n,).
    time : ndarray, shape (n,)
        [s]
    """
    timed = np.flatnonzero(np.isfinite(time))
    order = timed[in_order(time[timed], log.section[timed], log.run[timed])]
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
        When half of a step is done [s]: dead time plus ln 2 time constants of the response that fits best.
    low, high : float
        What may be as well (95 %) [s]: where the fit is not worse by more than chance, and what leaving out parts of
        the log makes of it; at least half the log's interval each way, because the log does not see between its
        records.
    interval : float
        Of the log [s]: where zones follow each other in whole intervals, all steps fall alike between two records, and
        the truth may lie up to an interval off.
    score : float
        Correlation of applied with the target as that response follows it, -1 to 1 [-].
    dead_time, time_constant : float
        Of that response [s]; they are less certain than `best`.
    """

    best: float
    low: float
    high: float
    interval: float
    score: float
    dead_time: float
    time_constant: float

    def fits(self, stated: float) -> bool:
        """Whether a latency that the machine states [s] is what the log shows.

        From the dead time, when the rate begins to follow, to the last lag that fits: the standard does not say how
        much of a step has to be done.

        Parameters
        ----------
        stated : float
            [s]
        """
        return min(self.dead_time, self.low) <= stated <= self.high


def _independent(residual: FloatArray, joined: BoolArray, count: int) -> float:
    """Number of independent values that `count` serially correlated ones are worth."""
    power = float(np.mean(np.square(residual)))
    if power <= 0.0 or not joined.any():
        return float(count)
    serial = float(np.mean(residual[1:][joined] * residual[:-1][joined])) / power
    serial = min(max(serial, 0.0), 0.99)
    return max(count * (1.0 - serial) / (1.0 + serial), 3.0)


def _done(since: FloatArray, constant: FloatArray | float, interval: float) -> FloatArray:
    """How much of a step is done, so long after a dead time and the first record with it [s]: 0 to 1.

    The step fell anywhere in the interval before that record, so this is the mean over it.
    """
    held = np.maximum(constant, 1e-9)

    def ramp(at: FloatArray) -> FloatArray:
        after = np.maximum(at, 0.0)
        return np.asarray(after - held * (1.0 - np.exp(-np.minimum(after / held, 700.0))))

    return np.asarray((ramp(since + interval) - ramp(since)) / interval)


def followed(
    road: Tracks, values: FloatArray, dead_time: float, time_constant: float, *, from_nothing: bool
) -> FloatArray:
    """What a dead time and a first-order response make of values in track order.

    Parameters
    ----------
    road : Tracks
        Records in order.
    values : ndarray, shape (records,)
        What is followed; a step between two records counts as a ramp.
    dead_time, time_constant : float
        [s]
    from_nothing : bool
        Whether a track begins from zero, and not from its first value.
    """
    joined = road.first[1:] == road.first[:-1]
    if not joined.any():
        return values
    interval = max(float(np.median(np.diff(road.clock)[joined])), 0.05 * (dead_time + time_constant), 1e-3)
    earlier = interval * np.arange(np.ceil((dead_time + _DONE * time_constant) / interval) + 2)
    done = _done(earlier - dead_time, time_constant, interval)
    done[-1] = 1.0
    made = np.zeros(values.size)
    start, begin = road.clock[road.first], values[road.first]
    for lag, share in zip(earlier, np.diff(done, prepend=0.0), strict=True):
        at = road.clock - lag
        outside = 0.0 if from_nothing else begin
        made += share * np.where(at < start, outside, np.interp(np.maximum(at, start), road.clock, values))
    return made


def _responses(lags: FloatArray, whole: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Responses that do half of a step after each lag: shares by which targets `whole` earlier count in them.

    A step that is seen between two records fell anywhere between them, so its answer is the mean over that: the
    answer to a ramp of that length.

    Returns
    -------
    ndarray, shape (lags, constants, whole)
        NaN where the dead time would be before the first of `whole`.
    dead, constant : ndarray, shape (lags, constants)
        [s]
    """
    interval = float(whole[1] - whole[0])
    constant = np.broadcast_to(np.array(_CONSTANTS), (lags.size, len(_CONSTANTS)))
    dead = lags[:, None] - np.log(2.0) * constant
    done = _done(whole - dead[..., None], constant[..., None], interval)
    done[..., -1] = 1.0
    shares = np.diff(done, prepend=0.0)
    shares[dead < whole[0] - 1e-9] = np.nan
    return shares, dead, constant


def _scores(shares: FloatArray, sums: LagSums, part: int | None = None) -> FloatArray:
    """Correlation of applied with the target as each response follows it; without a part of the records."""
    targets, mixed, power = sums.without(part)
    spread = np.sum((shares @ targets) * shares, axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        score = (shares @ mixed) / np.sqrt(spread * power)
    return np.where(np.isfinite(score), score, -1.0)


def _moments(log: AppliedLog, judges: IntArray) -> int:
    """Of how many moments the records are, which are in the order of their tracks; sections share theirs."""
    run, time, section = log.run[judges], log.time[judges], log.section[judges]
    if (section == section[:1]).all():  # then equal moments follow each other
        return int(((run[1:] != run[:-1]) | (time[1:] != time[:-1])).sum()) + min(1, judges.size)
    return len(np.unique(run + 1j * time))


def _judged(log: AppliedLog, road: Tracks, earliest: float, latest: float) -> IntArray:
    """Places in the tracks at which the lag is judged; none where they tell nothing."""
    clock, target, applied = road.clock, log.target[road.order], log.applied[road.order]
    area = (log.step * log.width)[road.order]
    judged = log.on[road.order] & np.isfinite(applied) & (area > 0.0)
    judged &= (clock - clock[road.first] >= latest) & (clock[road.last] - clock >= -earliest)
    places = np.flatnonzero(judged)
    judges = road.order[places]
    if _moments(log, judges) < _FEWEST:
        return places[:0]
    share = area[places] / area[places].sum()
    _, number = np.unique(road.first[places], return_inverse=True)
    asked = target[places]
    own_mean = np.bincount(number, share * asked) / np.bincount(number, share)
    variation = float(np.sqrt(share @ np.square(asked - own_mean[number])))
    little = variation < _LEAST_VARIATION * abs(float(share @ asked)) or np.ptp(applied[places]) <= 0.0
    return places[:0] if little else places


def estimate_lag(log: AppliedLog, *, earliest: float = -2.0, latest: float = 15.0) -> Lag | None:
    """Find the lag between target and applied.

    Dead times with first-order responses are tried, and the one whose answer to the logged target correlates best
    with what was applied is taken. A step of the target fell anywhere between two records, which is counted. All
    are judged on the same records: those that are on, and far enough inside their run that none looks across
    its border. Runs shorter than `latest - earliest` tell nothing.

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
    places = _judged(log, road, earliest, latest)
    if not places.size:
        return None
    clock, target, y = road.clock, log.target[road.order], log.applied[road.order][places]
    interval = float(np.median(np.diff(clock)[road.first[1:] == road.first[:-1]]))
    step = interval * np.ceil(_LEAST_STEP / interval - 1e-9)
    whole = step * np.arange(np.ceil(earliest / step - 1e-9), np.floor(latest / step + 1e-9) + 1)
    if whole.size < 3:
        return None
    area = (log.step * log.width)[road.order][places]
    share = area / area.sum()
    targets = EarlierTargets(clock, target, places, whole)
    sums = sums_in_parts(targets, y, share)
    fine = min(_FINE, step / _FINER)
    # The last of `whole` takes what a slow response still has to do.
    lags = np.linspace(whole[0], whole[-2], round(float(whole[-2] - whole[0]) / fine) + 1)
    shares, dead, constant = _responses(lags, whole)
    every = _scores(shares, sums)
    score = every.max(axis=1)
    best = int(np.argmax(score))
    kind = int(np.argmax(every[best]))

    x = targets.mixed(shares[best, kind])
    x, y = x - share @ x, y - share @ y
    power = float(share @ np.square(x))
    residual = y - (float(share @ (x * y)) / power if power > 0.0 else 0.0) * x
    joined = (np.diff(places) == 1) & (np.diff(road.first[places]) == 0)
    worth = _independent(residual, joined, _moments(log, road.order[places]))
    left = 1.0 - np.square(np.maximum(score, 0.0))
    flat = lags[left <= left[best] * np.exp(_CHI_SQUARED / worth) + 1e-12]
    found = float(lags[best])
    doubt = max(0.5 * interval, _scatter(shares, sums, lags, found, 2.0 * step))
    return Lag(
        best=found,
        low=min(float(flat[0]), found - doubt),
        high=max(float(flat[-1]), found + doubt),
        interval=interval,
        score=float(score[best]),
        dead_time=float(dead[best, kind]),
        time_constant=float(constant[best, kind]),
    )


def _scatter(shares: FloatArray, sums: LagSums, lags: FloatArray, best: float, reach: float) -> float:
    """How far the lag may be off by what leaving out one part of the log after the other makes of it (jackknife)."""
    near = np.abs(lags - best) <= reach
    others = [lags[near][np.argmax(_scores(shares[near], sums, part).max(axis=1))] for part in range(PARTS)]
    return _STUDENT * float(np.sqrt((PARTS - 1.0) * np.var(others)))


def shifted(log: AppliedLog, lag: float) -> AppliedLog:
    """Return the log with the target that was asked `lag` seconds before each record; positions stay.

    The nearest record of the same run and section serves, so every target is one that was really asked. For the first
    `lag` seconds of a run its first target stands.

    Parameters
    ----------
    log : AppliedLog
        With a clock.
    lag : float
        [s]

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
