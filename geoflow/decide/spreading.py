"""Moving nitrogen between zones until the field comes to its total: as few zones as can be, and no rate past another.

Zones that were prescribed the same rate are one class and are moved together; classes keep their order.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray, Floats, IntArray
from geoflow.decide.controller_values import ControllerValues

__all__ = ["move", "settle", "spread"]

# Choosing classes takes this many steps of arithmetic at most: classes squared times zones.
_MOST_WORK: Final = 300_000_000
# Pairs of units are compared, so the work grows with the square of this.
_MOST_EXCHANGED: Final = 400
_MOST_EXCHANGES: Final = 200
_MOST_TRIED: Final = 50
_MOST_TRIED_ALL: Final = 12
_ROUNDING: Final = 1e-12
# Values of a controller lie further apart than this, relative.
_APART: Final = 1e-6
_SAME: Final = 1e-9


def spread(rate: FloatArray, area: FloatArray, low: Floats, high: Floats, target: float) -> tuple[FloatArray, float]:
    """Add one amount to all rates, each kept within its bounds, so that the nitrogen comes to a target.

    Among all ways to move the nitrogen this one changes the single rates least (least sum of squares, by area).

    Parameters
    ----------
    rate, area : ndarray, shape (n,)
        Nitrogen rates [kg/m2], within the bounds, and areas [m2].
    low, high : float or ndarray, shape (n,)
        Bounds [kg/m2].
    target : float
        Nitrogen wanted in all [kg].

    Returns
    -------
    rates : ndarray, shape (n,)
        [kg/m2]
    missing : float
        What the bounds leave no room for [kg].
    """
    total = float(rate @ area)
    if target == total or not len(rate):
        return rate.copy(), target - total
    up = target > total
    # The total is piecewise linear in the amount added; it bends where a zone meets its bound.
    room = np.maximum(high - rate if up else rate - low, 0.0)
    order = np.argsort(room, kind="stable")
    ordered, weight = room[order], area[order]
    still = np.concatenate([[weight.sum()], weight.sum() - np.cumsum(weight)])
    filled = np.concatenate([[0.0], np.cumsum(np.diff(np.concatenate([[0.0], ordered])) * still[:-1])])
    wanted = abs(target - total)
    if wanted >= filled[-1]:
        amount = float(ordered[-1])
    else:
        place = int(np.searchsorted(filled, wanted, side="right")) - 1
        start = 0.0 if place == 0 else float(ordered[place - 1])
        amount = start + (wanted - float(filled[place])) / float(still[place])
    moved = np.minimum(room, amount)
    after = rate + moved if up else rate - moved
    return after, target - float(after @ area)


@dataclass(frozen=True, slots=True)
class _Classes:
    """Zones by prescribed rate, rising; arrays of shape (classes,)."""

    rate: FloatArray
    top: FloatArray
    area: FloatArray
    zones: IntArray


def move(
    rate: FloatArray, prescribed: FloatArray, area: FloatArray, bounds: tuple[FloatArray, FloatArray], target: float
) -> tuple[FloatArray, float]:
    """Bring the nitrogen of zones to a target by changing as few of them as can be, none past another.

    Of classes of zones with one prescribed rate, those are moved that together have room for what is wanted and are the
    fewest zones; a class that stays is a bound for those on its other side. Among those chosen one amount is added to
    all, as far as each has room, which changes the single rates least.

    Exact by dynamic programming over the classes in their order. Where there are too many of them for it (more than
    some 600 classes of one zone each), the classes at the end of the order that has room first are taken one by one.

    Parameters
    ----------
    rate, prescribed, area : ndarray, shape (n,)
        Nitrogen rates so far and as prescribed [kg/m2], and areas [m2]; `rate` never falls where `prescribed` rises
        and is the same for zones with one prescribed rate.
    bounds : tuple of ndarray, shape (n,)
        Lowest and highest rate each zone may get [kg/m2]; with `rate` between them, and never falling either.
    target : float
        Nitrogen wanted in all [kg].

    Returns
    -------
    rates : ndarray, shape (n,)
        [kg/m2]
    missing : float
        What there is no room for [kg].
    """
    wanted = target - float(rate @ area)
    if not len(rate) or wanted == 0.0:
        return rate.copy(), wanted
    sign = 1.0 if wanted > 0.0 else -1.0
    top = bounds[1] if wanted > 0.0 else -bounds[0]
    # Moving down is moving up the other way round.
    _, first, of_zone, zones = np.unique(sign * prescribed, return_index=True, return_inverse=True, return_counts=True)
    classes = _Classes(
        sign * rate[first],
        top[first],
        np.asarray(np.bincount(of_zone, area), dtype=np.float64),
        zones.astype(np.int64),
    )
    ends = _ends(classes, abs(wanted))
    after, _ = spread(sign * rate, area, sign * rate, ends[of_zone], float(sign * rate @ area) + abs(wanted))
    return sign * after, target - float(sign * after @ area)


def _ends(classes: _Classes, wanted: float) -> FloatArray:
    """Rate up to which each class may be moved, its own for those that stay, so that the fewest zones are moved."""
    room = np.maximum(classes.top - classes.rate, 0.0)
    held = np.cumsum((room * classes.area)[::-1])
    if wanted >= held[-1] * (1.0 - _ROUNDING):
        return classes.rate + room
    # From the top down until there is room enough: never more zones than this are needed.
    last = classes.rate.size - 1 - int(np.searchsorted(held, wanted))
    chosen = (np.arange(classes.rate.size) >= last) & (room > 0.0)
    most = int(classes.zones[chosen].sum())
    if classes.rate.size**2 * (most + 1) <= _MOST_WORK:
        chosen = _fewest(classes, room, wanted, most)
    ends, above = classes.rate.copy(), np.inf
    for at in range(classes.rate.size - 1, -1, -1):
        if chosen[at]:
            ends[at] = max(min(classes.top[at], above), classes.rate[at])
        else:
            above = classes.rate[at]
    return ends


def _fewest(
    classes: _Classes, room: FloatArray, wanted: float, most: int
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Choose the classes with room for what is wanted that are the fewest zones, and of those the ones with most room.

    `best[j, m]` is the most that m zones of the classes looked at so far, from the top, take up if class j is the last
    that stays; it is the bound of those below it until the next one stays. Row `count` stands for none.
    """
    count = classes.rate.size
    best = np.full((count + 1, most + 1), -np.inf)
    best[count, 0] = 0.0
    bound = np.append(classes.rate, np.inf)
    came_from = np.zeros((count, most + 1), dtype=np.int64)
    for at in range(count - 1, -1, -1):
        came_from[at], stays = best.argmax(axis=0), best.max(axis=0)
        zones = int(classes.zones[at])
        if room[at] > 0.0 and zones <= most:
            gain = classes.area[at] * np.maximum(np.minimum(classes.top[at], bound) - classes.rate[at], 0.0)
            moved = best[:, : most + 1 - zones] + gain[:, None]
            best = np.full_like(best, -np.inf)
            best[:, zones:] = moved
        else:
            best = np.full_like(best, -np.inf)
        best[at] = stays
    enough = best.max(axis=0) >= wanted * (1.0 - _ROUNDING)
    number = int(np.argmax(enough))
    above = int(best[:, number].argmax())
    chosen = np.zeros(count, dtype=np.bool_)
    at = 0
    while at < count:
        # Everything from here up to the class that stays was moved.
        chosen[at:above] = True
        number -= int(classes.zones[at:above].sum())
        if above == count:
            break
        at, above = above + 1, int(came_from[above, number])
    return chosen


def settle(
    prescribed: FloatArray,
    area: FloatArray,
    start: FloatArray,
    bounds: tuple[FloatArray, FloatArray],
    values: ControllerValues,
    target: float,
) -> FloatArray:
    """Take rates from value to value so that the nitrogen comes nearest to a target, none past one prescribed higher.

    From the highest rate down each unit goes up by one value where that does not overshoot, the largest of a class
    first; then pairs are exchanged while that helps. Of a dozen units that may go one value up all choices are tried.

    Parameters
    ----------
    prescribed, area : ndarray, shape (units,)
        Nitrogen rates as prescribed [kg/m2] and areas [m2] of zones, or of classes of zones.
    start : ndarray, shape (units,)
        Values to begin with [kg/m2], none past one prescribed higher.
    bounds : tuple of ndarray, shape (units,)
        Lowest and highest value each may get [kg/m2].
    values : ControllerValues
        What can be written.
    target : float
        Nitrogen wanted in all [kg].
    """
    after, left = start.copy(), target - float(start @ area)
    up = _next(after, bounds, values, up=True)
    if len(after) <= _MOST_TRIED_ALL and np.array_equal(start, bounds[0]):
        return _best(prescribed, area, start, up, target)
    order = np.lexsort((-area, -prescribed))
    starts = np.flatnonzero(np.diff(prescribed[order], prepend=np.nan) != 0.0)
    classes = [some.tolist() for some in (starts, np.append(starts[1:], order.size))]
    doses = ((up - after) * area)[order]
    least = np.minimum.reduceat(np.where(doses > 0.0, doses, np.inf), starts).tolist()
    lowest = np.minimum.reduceat(after[order], starts).tolist()
    values_up, values_now, doses = up[order].tolist(), after[order].tolist(), doses.tolist()
    lowest_above = np.inf
    for number, (first, last) in enumerate(zip(*classes, strict=True)):
        if least[number] <= left * (1.0 + _ROUNDING):
            for at in range(first, last):
                dose = doses[at]
                if 0.0 < dose <= left * (1.0 + _ROUNDING) and values_up[at] <= lowest_above * (1.0 + _ROUNDING):
                    values_now[at] = values_up[at]
                    left -= dose
            lowest[number] = min(values_now[first:last])
        lowest_above = min(lowest_above, lowest[number])
    after[order] = values_now
    if len(after) > _MOST_EXCHANGED:
        return after  # with this many zones the smallest is small enough
    return _exchange(after, prescribed, area, bounds, values, left)


def _best(prescribed: FloatArray, area: FloatArray, start: FloatArray, up: FloatArray, target: float) -> FloatArray:
    """Try every way of taking units one value up, and take the one in order that comes nearest to a target [kg]."""
    ways = np.arange(2 ** len(start))[:, None] >> np.arange(len(start)) & 1
    rates = np.where(ways == 1, up, start)
    order = np.lexsort((start, prescribed))
    good = np.all(np.diff(rates[:, order], axis=1) >= -_ROUNDING * start[order][1:], axis=1)
    miss = np.where(good, np.abs(rates @ area - target), np.nan)
    return np.asarray(rates[int(np.nanargmin(miss))])


def _next(rate: FloatArray, bounds: tuple[FloatArray, FloatArray], values: ControllerValues, *, up: bool) -> FloatArray:
    """Next value above or below each rate within the bounds; NaN where there is none."""
    found = values.above(rate * (1.0 + _APART)) if up else values.below(rate * (1.0 - _APART))
    inside = found <= bounds[1] * (1.0 + _SAME) if up else found >= bounds[0] * (1.0 - _SAME)
    return np.where(inside, found, np.nan)


def _in_order(prescribed: FloatArray, rate: FloatArray) -> bool:
    """Whether no rate passes one that was prescribed higher."""
    order = np.lexsort((rate, prescribed))
    rising = np.maximum.accumulate(rate[order])
    step = np.flatnonzero(np.diff(prescribed[order]) > 0.0)
    return bool(np.all(rate[order][step + 1] >= rising[step] * (1.0 - _ROUNDING)))


def _exchange(
    rate: FloatArray,
    prescribed: FloatArray,
    area: FloatArray,
    bounds: tuple[FloatArray, FloatArray],
    values: ControllerValues,
    left: float,
) -> FloatArray:
    """Place what is left over [kg] by taking one unit up and another down, while that helps."""
    after, units = rate.copy(), len(rate)
    for _ in range(_MOST_EXCHANGES):
        up, down = (_next(after, bounds, values, up=way) for way in (True, False))
        # The last row and column stand for leaving the other unit alone.
        gain = np.append((up - after) * area, 0.0)[:, None] - np.append((after - down) * area, 0.0)
        miss = np.nan_to_num(np.abs(left - gain), nan=np.inf).ravel()
        better = np.flatnonzero(miss < abs(left) * (1.0 - 1e-9))
        for pick in better[np.argsort(miss[better], kind="stable")][:_MOST_TRIED].tolist():
            raised, lowered = divmod(pick, units + 1)
            tried = after.copy()
            if lowered < units:
                tried[lowered] = down[lowered]
            if raised < units:
                tried[raised] = up[raised]
            if _in_order(prescribed, tried):
                after, left = tried, left - float(gain[raised, lowered])
                break
        else:
            break
    return after
