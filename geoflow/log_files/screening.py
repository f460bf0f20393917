"""What a log's positions and times alone say: duplicates, outliers, uninterrupted runs, headings, steps and speeds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray

__all__ = ["Fixes", "Motion", "Moves", "duplicates", "find_fixes", "in_order_driven", "measure_motion", "outliers"]

_FASTEST: Final = 60.0  # no ground machine moves faster between two fixes [m/s]
_NO_RETURN: Final = 20.0  # nor goes this fast one way and straight back [m/s]
_LONGEST_LEAP: Final = 200.0  # between two records of a log without a clock [m]
_SAME_PLACE: Final = 0.05  # sections of one record stand at one position [m]
_CLOCK_SET_BACK: Final = 60.0  # a fall by more starts another machine, day or file [s]
_UNORDERED: Final = 0.05  # falls in more of the rows than this: the rows are in no order at all
_GAP: Final = 3.0  # times the median interval
_LEAST_JUMP: Final = 30.0  # a longer way between two records ends a run [m] ...
_JUMP: Final = 5.0  # ... if it is also longer than this many median steps
# A turn that was not logged: a way this much longer than the median step, and not on ahead (cosine of 60 degrees).
_ASIDE, _LEAST_ASIDE, _AHEAD = 3.0, 3.0, 0.5
_BASE: Final = 1.0  # shortest distance a heading is taken over [m]
_FEW: Final = 10  # fewer fixes than this beyond an impossible leap are outliers


@dataclass(frozen=True)
class Fixes:
    """Positions of the machine in the order it went through them; a fix may hold a record of each section.

    Attributes
    ----------
    order : ndarray of int, shape (n,)
        Records, sorted by fix.
    fix : ndarray of int, shape (n,)
        Fix of each of them.
    chain : ndarray of int, shape (m,)
        Machine (and section, where each has positions of its own) of each fix.
    time, x, y : ndarray, shape (m,)
        [s], NaN without a clock, and [m].
    resolution : float
        Of the clock [s].
    shared : bool
        Whether the sections of one time stand at one position.
    spread : int
        How many fixes shared a time of a coarse clock and were spread evenly.
    """

    order: IntArray
    fix: IntArray
    chain: IntArray
    time: FloatArray
    x: FloatArray
    y: FloatArray
    resolution: float
    shared: bool
    spread: int


@dataclass(frozen=True)
class Motion:
    """How the machine moved, per fix, shape (m,).

    Attributes
    ----------
    run : ndarray of int
        Uninterrupted pass, numbered by when it starts.
    step : ndarray
        From the fix before in the run [m]. The first of a run stands for as much as the second: a bar that is switched
        on between two fixes and off between two others covers as many steps as it has fixes, on average.
    heading : ndarray
        Of the last metre at least, clockwise from north [rad]; NaN where the machine went nowhere.
    speed : ndarray
        [m/s]; NaN without a clock.
    interval : float
        Median time between fixes [s]; NaN without a clock.
    """

    run: IntArray
    step: FloatArray
    heading: FloatArray
    speed: FloatArray
    interval: float


@dataclass(frozen=True)
class Moves:
    """The records kept, one run after the other in the order driven, and how the machine moved; shape (n,) each.

    Attributes
    ----------
    rows : ndarray of int
        Rows of the file.
    time : ndarray
        [s]; NaN without a clock.
    run : ndarray of int
        Uninterrupted pass.
    heading, speed, step : ndarray
        As in `Motion`.
    shared : bool
        As in `Fixes`.
    """

    rows: IntArray
    time: FloatArray
    run: IntArray
    heading: FloatArray
    speed: FloatArray
    step: FloatArray
    shared: bool


def in_order_driven(rows: IntArray, fixes: Fixes) -> Moves:
    """Order records by the passes they were driven in.

    Parameters
    ----------
    rows : ndarray of int, shape (n,)
        Rows of the file.
    fixes : Fixes
        Found in the positions and times of these rows.
    """
    motion = measure_motion(fixes)
    in_run = np.argsort(motion.run[fixes.fix], kind="stable")
    fix = fixes.fix[in_run]
    return Moves(
        rows[fixes.order[in_run]],
        fixes.time[fix],
        motion.run[fix],
        motion.heading[fix],
        motion.speed[fix],
        motion.step[fix],
        fixes.shared,
    )


def duplicates(time: FloatArray, x: FloatArray, y: FloatArray, section: IntArray) -> BoolArray:
    """Which records repeat an earlier one's time, position and section; none does where there is no time.

    Parameters
    ----------
    time, x, y : ndarray, shape (n,)
        [s], NaN without a clock, and [m].
    section : ndarray of int, shape (n,)
        Of each record.
    """
    import pandas

    table = pandas.DataFrame({"time": time, "x": x, "y": y, "section": section})
    return np.asarray(table.duplicated().to_numpy() & np.isfinite(time), dtype=bool)


def _tracks(time: FloatArray, section: IntArray) -> IntArray:
    """Number the stretches of the file, per section, that the clock does not fall back within."""
    by_section = np.argsort(section, kind="stable")
    same = np.diff(section[by_section], prepend=-1) == 0
    falls = same & (np.diff(time[by_section], prepend=0.0) < -_CLOCK_SET_BACK)
    if np.count_nonzero(falls) > _UNORDERED * falls.size:
        return np.zeros(section.size, dtype=np.int64)
    count = np.cumsum(falls)
    first = np.maximum.accumulate(np.where(same, 0, np.arange(section.size)))
    track = np.empty(section.size, dtype=np.int64)
    track[by_section] = count - count[first]
    return track


def _resolution(time: FloatArray) -> float:
    return 1.0 if bool((time == np.round(time)).all()) else 0.1


def find_fixes(time: FloatArray, x: FloatArray, y: FloatArray, section: IntArray) -> Fixes:
    """Put records in the order the machine went, and those of one moment together.

    Parameters
    ----------
    time, x, y : ndarray, shape (n,)
        In file order; times all NaN without a clock.
    section : ndarray of int, shape (n,)
        From 0.
    """
    rows = np.arange(time.size)
    if not np.isfinite(time).any():
        order = np.argsort(section, kind="stable")
        shared = _same_places(x, y, section)
        return Fixes(order, rows, section[order], time[order], x[order], y[order], np.nan, shared, 0)
    track = _tracks(time, section)
    order = np.lexsort((rows, time, track))
    shared = True
    changes = np.ones(time.size, dtype=bool)
    if section.size and section.max() > 0:
        moved = np.hypot(np.diff(x[order]), np.diff(y[order])) > _SAME_PLACE
        at_once = (np.diff(time[order]) == 0.0) & (np.diff(track[order]) == 0)
        shared = bool((at_once & ~moved).sum() * 2 > at_once.sum())
        if shared:
            changes[1:] = ~at_once | moved
        else:
            track = track * (int(section.max()) + 1) + section
            order = np.lexsort((rows, time, track))
    fix = np.cumsum(changes) - 1
    lead = order[changes]
    chain, seconds = track[lead], time[lead]
    resolution = _resolution(seconds)
    seconds, spread = _spread(chain, seconds, resolution)
    return Fixes(order, fix, chain, seconds, x[lead], y[lead], resolution, shared, spread)


def _same_places(x: FloatArray, y: FloatArray, section: IntArray) -> bool:
    """Whether most places of a section are those of another one too, where no clock tells what belongs together."""
    import pandas

    places = pandas.DataFrame({"x": x, "y": y, "section": section}).drop_duplicates()
    return bool(places.duplicated(["x", "y"], keep=False).mean() > 0.5)


def _spread(chain: IntArray, time: FloatArray, resolution: float) -> tuple[FloatArray, int]:
    """Spread fixes that share a time evenly up to the next, where a coarse clock makes that common."""
    first = np.r_[True, (np.diff(time) != 0.0) | (np.diff(chain) != 0)]
    if first.sum() > 0.9 * time.size:
        return time, 0
    group = np.cumsum(first) - 1
    size = np.bincount(group)
    rank = np.arange(time.size) - np.flatnonzero(first)[group]
    return time + resolution * rank / size[group], int((size[group] > 1).sum())


def outliers(fixes: Fixes) -> BoolArray:
    """Which fixes no machine could have been at, shape (m,): leaps beyond 60 m/s, and single points out and back.

    Parameters
    ----------
    fixes : Fixes
        In the order the machine went through them.
    """
    alive = np.ones(fixes.time.size, dtype=bool)
    clock = np.isfinite(fixes.time).any()
    few, most = 2, _FEW if clock else 2
    for _ in range(100):
        at = np.flatnonzero(alive)
        x, y, time, chain = fixes.x[at], fixes.y[at], fixes.time[at], fixes.chain[at]
        same = np.diff(chain) == 0
        distance = np.hypot(np.diff(x), np.diff(y))
        interval = np.diff(time)
        if clock:
            leap = same & (distance > _FASTEST * (interval + fixes.resolution))
        else:
            leap = same & (distance > max(_LONGEST_LEAP, 50.0 * _median(distance[same])))
        segment = np.cumsum(np.r_[True, ~same | leap]) - 1
        size = np.bincount(segment)
        owner = chain[np.r_[True, ~same | leap]]
        _, owner = np.unique(owner, return_inverse=True)
        largest = np.zeros(int(owner.max()) + 1, dtype=np.int64)
        np.maximum.at(largest, owner, size)
        bounded = np.zeros(size.size, dtype=bool)
        bounded[segment[1:][leap]] = bounded[segment[:-1][leap]] = True
        gone = (bounded & (size < np.minimum(few, largest[owner])))[segment]
        if clock and at.size > 2:
            there = np.maximum(interval, 0.2)
            fast = same & (distance > _NO_RETURN * there)
            apart = np.hypot(x[2:] - x[:-2], y[2:] - y[:-2])
            gone[1:-1] |= fast[:-1] & fast[1:] & (apart < 0.5 * np.minimum(distance[:-1], distance[1:]))
        alive[at[gone]] = False
        if not gone.any():
            if few >= most:
                break
            few += 1  # the shortest first: then what lies on both sides of an outlier is one again
    return ~alive


def _median(values: FloatArray) -> float:
    positive = values[values > 0.0]
    return float(np.median(positive)) if positive.size else 0.0


def measure_motion(fixes: Fixes) -> Motion:
    """Split fixes into runs and take step, heading and speed from positions and times.

    A run ends where the time between fixes passes three times its median, the way 30 m and five median steps, or a way
    of three median steps leads off to the side: a turn that was not logged covers no ground.

    Parameters
    ----------
    fixes : Fixes
        In the order the machine went through them.
    """
    count = fixes.time.size
    same = np.r_[False, np.diff(fixes.chain) == 0]
    distance = np.r_[0.0, np.hypot(np.diff(fixes.x), np.diff(fixes.y))]
    interval = np.r_[np.nan, np.diff(fixes.time)]
    usual_way = _median(distance[same])
    goes_on = same & (distance <= max(_LEAST_JUMP, _JUMP * usual_way))
    goes_on &= ~_aside(fixes, distance, max(_LEAST_ASIDE, _ASIDE * usual_way))
    usual = np.nan
    if np.isfinite(fixes.time).any():
        usual = _median(interval[same]) or np.nan
        goes_on &= ~(interval > _GAP * usual + 1e-6)
    start = np.maximum.accumulate(np.where(goes_on, 0, np.arange(count)))
    step = np.where(goes_on, distance, 0.0)
    opens = np.flatnonzero(~goes_on[:-1] & goes_on[1:])
    covered = step.copy()
    covered[opens] = step[opens + 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        speed = np.where(goes_on & (interval > 0.0), step / interval, np.nan)
    heading = _fill(_headings(fixes, step, start), start)
    begins = np.flatnonzero(~goes_on)
    key = fixes.time[begins] if np.isfinite(usual) else begins.astype(float)
    rank = np.empty(begins.size, dtype=np.int64)
    rank[np.argsort(key, kind="stable")] = np.arange(begins.size)
    run = rank[np.cumsum(~goes_on) - 1]
    return Motion(run, covered, heading, _fill(speed, start), float(usual))


def _aside(fixes: Fixes, distance: FloatArray, far: float) -> BoolArray:
    """Whether the way to each fix is long and leads off to the side of the way before or after it, shape (m,)."""
    east, north = np.diff(fixes.x, prepend=np.nan), np.diff(fixes.y, prepend=np.nan)

    def ahead(other: slice, own: slice) -> BoolArray:
        along = east[own] * east[other] + north[own] * north[other]
        return np.asarray(along >= _AHEAD * distance[own] * distance[other])

    found = np.zeros(distance.size, dtype=np.bool_)
    same = np.diff(fixes.chain) == 0
    follows = same[1:] & same[:-1]
    found[2:] |= follows & (distance[2:] > far) & ~ahead(slice(1, -1), slice(2, None))
    found[1:-1] |= follows & (distance[1:-1] > far) & ~ahead(slice(2, None), slice(1, -1))
    return found


def _headings(fixes: Fixes, step: FloatArray, start: IntArray) -> FloatArray:
    way = np.cumsum(step)
    back = np.searchsorted(way, way - (_BASE - 1e-6), side="right") - 1
    known = back >= start
    back = np.where(known, back, 0)
    east, north = fixes.x - fixes.x[back], fixes.y - fixes.y[back]
    known &= np.hypot(east, north) > _BASE / 2
    return np.where(known, np.arctan2(east, north) % (2.0 * np.pi), np.nan)


def _fill(values: FloatArray, start: IntArray) -> FloatArray:
    """Fill gaps from the last known value in the run, and those ahead of the first from it."""
    count = values.size
    at = np.arange(count)
    known = np.isfinite(values)
    before = np.maximum.accumulate(np.where(known, at, -1)) if count else at
    after = np.minimum.accumulate(np.where(known, at, count)[::-1])[::-1] if count else at
    source = np.where(before >= start, before, after)
    inside = (source >= 0) & (source < count)
    source = np.where(inside, source, 0)
    return np.where(inside & (start[source] == start), values[source], np.nan)
