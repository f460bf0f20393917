"""Compiled by numba: which strips and which zones lie where on each line, in order.

Lines are walked from the lowest to the highest. What reaches a line is kept in the order in which it stood on the line
before, so that sorting has little to do. Nothing compiled here calls what is compiled elsewhere: numba tells by the
date of this file alone whether what it kept still holds.
"""

from __future__ import annotations

from typing import Any

import numba  # type: ignore[import-not-found, import-untyped, unused-ignore]
import numpy as np

__all__ = ["by_first_line", "lay_lines", "reach_of"]

_compiled = numba.njit(cache=True, nogil=True)
# Edges rising less than this [m] run along the lines and bound nothing; as in `pieces`.
_LEVEL = 1e-9
# Places nearer than this [m] are one.
_SLIVER = 1e-9
# Runs in order shorter than this are made longer before they are merged.
_SHORTEST = 12


@_compiled
def reach_of(corners: Any, turn: Any) -> Any:
    """Least and greatest y of every piece once turned, and least and greatest x of all [m].

    Parameters
    ----------
    corners : ndarray, shape (m, 4, 2)
        [m]
    turn : ndarray, shape (2, 2)
        Rotation.
    """
    low, high = np.empty(len(corners)), np.empty(len(corners))
    left, right = np.inf, -np.inf
    for at in range(len(corners)):
        least, most = np.inf, -np.inf
        for corner in range(4):
            x, y = corners[at, corner, 0], corners[at, corner, 1]
            across, up = x * turn[0, 0] + y * turn[1, 0], x * turn[0, 1] + y * turn[1, 1]
            least, most = min(least, up), max(most, up)
            left, right = min(left, across), max(right, across)
        low[at], high[at] = least, most
    return low, high, left, right


@_compiled
def _first_line(height: float, lines: Any) -> int:
    return int(np.ceil((height - lines.low) / lines.spacing - 0.5))


@_compiled
def by_first_line(low: Any, high: Any, lines: Any) -> Any:
    """Which meet a line, by the first they meet; where those of each line begin; and how many are on each line.

    Parameters
    ----------
    low, high : ndarray, shape (m,)
        Least and greatest y [m].
    lines : Lines
        Where they run.
    """
    begin, more = np.zeros(lines.number + 2, dtype=np.int64), np.zeros(lines.number + 2, dtype=np.int64)
    for at in range(len(low)):
        first, last = _first_line(low[at], lines), _first_line(high[at], lines)
        if first < last:
            begin[first + 1] += 1
            more[first] += 1
            more[last] -= 1
    begin = np.cumsum(begin)
    order, place = np.empty(begin[-1], dtype=np.int32), begin.copy()
    for at in range(len(low)):
        first = _first_line(low[at], lines)
        if first < _first_line(high[at], lines):
            order[place[first]] = at
            place[first] += 1
    return order, begin, np.cumsum(more)[: lines.number]


@_compiled
def _merge(active: Any, begin: int, middle: int, end: int) -> None:
    """Bring two runs in order that follow each other into one."""
    kept = middle - begin
    for at in range(kept):
        active.spare_key[at], active.spare_slot[at] = active.key[begin + at], active.slot[begin + at]
    left, right, to = 0, middle, begin
    while left < kept:
        if right < end and active.key[right] < active.spare_key[left]:
            active.key[to], active.slot[to] = active.key[right], active.slot[right]
            right += 1
        else:
            active.key[to], active.slot[to] = active.spare_key[left], active.spare_slot[left]
            left += 1
        to += 1


@_compiled
def _run_end(active: Any, begin: int, count: int) -> int:
    """End of the run in order that begins here; one that falls is turned round, a short one made longer."""
    key, slot = active.key, active.slot
    end = begin + 1
    if end < count and key[end] < key[begin]:
        while end < count and key[end] < key[end - 1]:
            end += 1
        for at in range((end - begin) // 2):
            one, other = begin + at, end - 1 - at
            key[one], key[other] = key[other], key[one]
            slot[one], slot[other] = slot[other], slot[one]
    while end < count and (key[end] >= key[end - 1] or end - begin < _SHORTEST):
        held, which, at = key[end], slot[end], end
        while at > begin and key[at - 1] > held:
            key[at], slot[at] = key[at - 1], slot[at - 1]
            at -= 1
        key[at], slot[at] = held, which
        end += 1
    return end


@_compiled
def _sort(active: Any) -> None:
    """Bring what is on a line into order by merging the runs that are in order already."""
    ends, count, runs = active.ends, active.held[0], 0
    ends[0] = 0
    while ends[runs] < count:
        ends[runs + 1] = _run_end(active, ends[runs], count)
        runs += 1
    while runs > 1:
        merged = 0
        for at in range(0, runs, 2):
            if at + 1 < runs:
                _merge(active, ends[at], ends[at + 1], ends[at + 2])
            merged += 1
            ends[merged] = ends[min(at + 2, runs)]
        runs = merged


@_compiled
def _next_line(active: Any, line: int, lines: Any, high: Any) -> int:
    """Take off what ends before a line, and put on what begins there; return from where on it is new."""
    kept = 0
    for at in range(active.held[0]):
        slot = active.slot[at]
        if active.last[slot] > line:
            active.slot[kept] = slot
            kept += 1
        else:
            active.held[1] -= 1
            active.free[active.held[1]] = slot
    old = kept
    for at in range(active.begin[line], active.begin[line + 1]):
        slot, number = active.free[active.held[1]], active.order[at]
        active.held[1] += 1
        active.slot[kept] = slot
        active.number[slot], active.last[slot] = number, _first_line(high[number], lines)
        kept += 1
    active.held[0] = kept
    return old


@_compiled
def _bounding(side: Any, corners: Any, turn: Any) -> None:
    """Describe a piece by up to three lines on its left and on its right, as `Pieces.of` does."""
    x, y = np.empty(4), np.empty(4)
    for at in range(4):
        x[at] = corners[at, 0] * turn[0, 0] + corners[at, 1] * turn[1, 0]
        y[at] = corners[at, 0] * turn[0, 1] + corners[at, 1] * turn[1, 1]
    area = (x[2] - x[0]) * (y[3] - y[1]) - (y[2] - y[0]) * (x[3] - x[1])
    side[:], side[0:6:2], side[6:12:2] = 0.0, -np.inf, np.inf
    left, right = 0, 6
    for at in range(4):
        onward = (at + 1) % 4
        up = y[onward] - y[at]
        rise = -up if area < 0.0 else up
        if rise < -_LEVEL and left < 6:
            side[left + 1] = (x[onward] - x[at]) / up
            side[left] = x[at] - side[left + 1] * y[at]
            left += 2
        elif rise > _LEVEL and right < 12:
            side[right + 1] = (x[onward] - x[at]) / up
            side[right] = x[at] - side[right + 1] * y[at]
            right += 2


@_compiled
def _lay_strips(active: Any, line: int, lines: Any, quads: Any) -> None:
    """Bring the pieces on a line into order, with where they begin and end."""
    for at in range(_next_line(active, line, lines, quads.high), active.held[0]):
        slot = active.slot[at]
        _bounding(active.side[slot], quads.corners[active.number[slot]], quads.turn)
    y = lines.low + (line + 0.5) * lines.spacing
    for at in range(active.held[0]):
        slot = active.slot[at]
        side = active.side[slot]
        left = max(side[0] + side[1] * y, side[2] + side[3] * y, side[4] + side[5] * y)
        right = min(side[6] + side[7] * y, side[8] + side[9] * y, side[10] + side[11] * y)
        active.key[at] = min(max(left, lines.left), lines.right)
        active.right[slot] = max(active.key[at], min(max(right, lines.left), lines.right))
    _sort(active)


@_compiled
def _lay_edges(active: Any, line: int, lines: Any, zones: Any) -> None:
    """Bring the edges on a line into order."""
    _next_line(active, line, lines, zones.high)
    y = lines.low + (line + 0.5) * lines.spacing
    for at in range(active.held[0]):
        edge = active.number[active.slot[at]]
        active.key[at] = min(max(zones.intercept[edge] + zones.slope[edge] * y, lines.left), lines.right)
    _sort(active)


@_compiled
def _toggle(opened: Any, count: int, owner: int) -> int:
    """Open a zone, or close it where it is open; return how many are open."""
    for at in range(count):
        if opened[at] == owner:
            opened[at] = opened[count - 1]
            return count - 1
    opened[count] = owner
    return count + 1


@_compiled
def _cut(active: Any, zones: Any, cuts: Any, first: int) -> int:
    """Cut a line wherever a zone begins or ends, from a place in `cuts` on; return the place behind it."""
    x, zone, field, count, opened = cuts.x, cuts.zone, cuts.field, zones.whole.size, 0
    x[first], zone[first], field[first] = -np.inf, -1, False
    for at in range(active.held[0]):
        here, owner, before = active.key[at], zones.zone[active.number[active.slot[at]]], opened
        opened = _toggle(cuts.open, opened, owner)
        if opened > before:
            zones.began[owner] = here
        elif owner < count:
            zones.whole[owner] += here - zones.began[owner]
        top, boundary = -1, False
        for each in cuts.open[:opened]:
            top = max(top, each if each < count else -1)
            boundary = boundary or each == count
        # An edge that two zones share is worked out twice and must not leave a sliver between them.
        last, place = x[first + at], first + at + 1
        x[place], zone[place] = last if here - last < _SLIVER else here, top
        field[place] = boundary if zones.bounded else top >= 0
    end = first + active.held[0] + 1
    x[end], zone[end], field[end] = np.inf, -1, False
    return int(end + 1)


@_compiled
def lay_lines(begin: int, lines: Any, given: Any, active: Any, laid: Any) -> None:
    """Lay strips and zones on as many lines as there is room for.

    Parameters
    ----------
    begin : int
        First of the lines, which follow those laid before.
    lines : Lines
        Where they run.
    given : tuple of Quads and Zones
        What is laid.
    active : tuple of Active
        Pieces and edges, as the line before left them.
    laid : tuple of Spans and Cuts
        Filled in.
    """
    (quads, zones), (pieces, edges), (spans, cuts) = given, active, laid
    for at in range(min(spans.first.size - 1, lines.number - begin)):
        _lay_edges(edges, begin + at, lines, zones)
        cuts.first[at + 1] = _cut(edges, zones, cuts, cuts.first[at])
        _lay_strips(pieces, begin + at, lines, quads)
        first = spans.first[at]
        for place in range(pieces.held[0]):
            slot = pieces.slot[place]
            spans.left[first + place], spans.right[first + place] = pieces.key[place], pieces.right[slot]
            spans.strip[first + place] = quads.strip[pieces.number[slot]]
        spans.first[at + 1] = first + pieces.held[0]
