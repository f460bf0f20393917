"""Compiled by numba: what the strips and zones on lines add up to.

Nothing compiled here calls what is compiled elsewhere: numba tells by the date of this file alone whether what it kept
still holds.
"""

from __future__ import annotations

from typing import Any

import numba  # type: ignore[import-not-found, import-untyped, unused-ignore]
import numpy as np

from geoflow.ground.line_arrays import Parts, Several

__all__ = ["add_lines", "gathered_parts"]

_compiled = numba.njit(cache=True, nogil=True)
# Strips that share an edge overlap by rounding; as in `overlaps`.
_ROUNDING = 1e-7
# As in `overlaps`, so that equal ground has one and the same mark.
_MIX = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], dtype=np.uint64).view(np.int64)


@_compiled
def _longer(array: Any, size: int) -> Any:
    longer = np.empty((size, *array.shape[1:]), dtype=array.dtype)
    longer[: len(array)] = array
    return longer


@_compiled
def _more_parts(parts: Any, size: int) -> Any:
    after, zone = _longer(parts.after, size), _longer(parts.zone, size)
    return Parts(parts.head, after, zone, _longer(parts.length, size), _longer(parts.lone, size), parts.used)


@_compiled
def _more_several(several: Any) -> Any:
    """Make twice the room."""
    size = 2 * several.mark.size
    mark, place = _longer(several.mark, size), np.full(4 * size, -1, dtype=np.int32)
    for part in range(several.used[0]):
        at = mark[part] & (place.size - 1)
        while place[at] >= 0:
            at = (at + 1) & (place.size - 1)
        place[at] = part
    zone, layers = _longer(several.zone, size), _longer(several.layers, size)
    length, sums = _longer(several.length, size), _longer(several.sums, size)
    return Several(place, mark, zone, layers, length, sums, several.used)


@_compiled
def _sum_up(sums: Any, values: Any, strips: Any, opened: Any) -> None:
    """Add up the values of the strips that lie on each other."""
    for row in range(sums.size):
        sums[row] = 0
        for at in opened:
            sums[row] += values[row, strips[at]]


@_compiled
def _into_runs(left: Any, right: Any, strips: Any, cut_x: Any, values: Any, runs: Any) -> Any:
    """Cut a line wherever a zone or a strip begins or ends; return how often, and the most strips on each other."""
    # Taken out of the tuple first: each look into it costs more than what is done here.
    length, cut_of, layers, total, sums, opened = runs.length, runs.cut, runs.layers, runs.strips, runs.sums, runs.open
    cut, at, lying, added, made, most, x = 0, 0, 0, 0, 0, 0, -np.inf
    while True:
        start = left[at] if at < left.size else np.inf
        end = right[opened[lying - 1]] if lying else np.inf
        onward = min(start, end, cut_x[cut + 1])
        if -np.inf < x < onward < np.inf:
            length[made], cut_of[made], layers[made], total[made] = onward - x, cut, lying, added
            if lying > 1:
                _sum_up(sums[made], values, strips, opened[:lying])
            made += 1
        if onward == np.inf:
            return made, most
        x = onward
        if x == end:
            lying -= 1
            added -= strips[opened[lying]]
        elif x == start:
            # The first to end stands last.
            place = lying
            while place > 0 and right[opened[place - 1]] < right[at]:
                opened[place] = opened[place - 1]
                place -= 1
            opened[place] = at
            lying += 1
            added += strips[at]
            at += 1
            most = max(most, lying)
        else:
            cut += 1


@_compiled
def _add_up(made: int, half: int, runs: Any, zone_of: Any, field_of: Any, totals: Any) -> None:
    """Add the runs of a line to the zone and the field they lie in."""
    length, cut_of, layers = runs.length, runs.cut, runs.layers
    visible, covered, doubled = totals.by_zone[0, half], totals.by_zone[1, half], totals.by_zone[2, half]
    reached = twice = field = field_covered = 0.0
    for at in range(made):
        run, zone = length[at], zone_of[cut_of[at]]
        once, again = run if layers[at] > 0 else 0.0, run if layers[at] > 1 else 0.0
        reached += once
        twice += again
        if field_of[cut_of[at]]:
            field += run
            field_covered += once
        if zone >= 0:
            visible[zone] += run
            covered[zone] += once
            doubled[zone] += again
    totals.by_half[1, half] += reached
    totals.by_half[2, half] += twice
    totals.by_half[3, half] += field
    totals.by_half[4, half] += field_covered


@_compiled
def _to_strips(left: Any, right: Any, strips: Any, cut_x: Any, cut_zone: Any, parts: Any) -> float:
    """Give the ground on a line to its strips, zone by zone; return all they sweep."""
    head, after, zones, length, lone = parts.head, parts.after, parts.zone, parts.length, parts.lone
    first, used, swept = 0, parts.used[0], 0.0
    for at in range(left.size):
        strip = strips[at]
        swept += right[at] - left[at]
        while cut_x[first + 1] <= left[at]:
            first += 1
        cut = first
        while cut_x[cut] < right[at]:
            part, zone, run = head[strip], cut_zone[cut], min(right[at], cut_x[cut + 1]) - max(left[at], cut_x[cut])
            cut += 1
            if run <= 0.0:
                continue
            while part >= 0 and zones[part] != zone:
                part = after[part]
            if part < 0:
                part, used = used, used + 1
                after[part], zones[part], length[part], lone[part], head[strip] = head[strip], zone, 0.0, 0.0, part
            length[part] += run
    parts.used[0] = used
    return swept


@_compiled
def _to_lone(made: int, runs: Any, cut_zone: Any, parts: Any) -> None:
    """Give the ground under one strip alone to it."""
    length, cut_of, layers, strips = runs.length, runs.cut, runs.layers, runs.strips
    head, after, zones, lone = parts.head, parts.after, parts.zone, parts.lone
    for at in range(made):
        if layers[at] == 1:
            part, zone = head[strips[at]], cut_zone[cut_of[at]]
            while part >= 0 and zones[part] != zone:
                part = after[part]
            if part >= 0:
                lone[part] += length[at]


@_compiled
def _to_several(made: int, runs: Any, cut_zone: Any, several: Any) -> None:
    """Add up the ground under several strips by its mark."""
    length, cut_of, layers, strips, sums = runs.length, runs.cut, runs.layers, runs.strips, runs.sums
    places, marks, lengths, used = several.place, several.mark, several.length, several.used[0]
    for at in range(made):
        if layers[at] < 2 or length[at] <= _ROUNDING:
            continue
        mark = cut_zone[cut_of[at]] * _MIX[0] + layers[at] * _MIX[1]
        mark = (mark + strips[at]) * _MIX[2]
        mark ^= mark >> 29
        for row in range(sums.shape[1]):
            mark = (mark + sums[at, row]) * _MIX[2]
            mark ^= mark >> 29
        place = mark & (places.size - 1)
        while places[place] >= 0 and marks[places[place]] != mark:
            place = (place + 1) & (places.size - 1)
        part = places[place]
        if part < 0:
            part, used = used, used + 1
            places[place], marks[part], lengths[part] = part, mark, 0.0
            several.zone[part], several.layers[part], several.sums[part] = cut_zone[cut_of[at]], layers[at], sums[at]
        lengths[part] += length[at]
    several.used[0] = used


@_compiled
def add_lines(begin: int, end: int, laid: Any, values: Any, runs: Any, sums: Any) -> Any:
    """Add up lines; return the sums, which may have needed more room.

    Parameters
    ----------
    begin, end : int
        Numbers of the lines laid.
    laid : tuple of Spans and Cuts
        What lies on them.
    values : ndarray of int, shape (values, strips)
        To be added up where strips lie on each other.
    runs : Runs
        Room for one line.
    sums : tuple of Totals, Parts and Several
        Added to.
    """
    (spans, cuts), (totals, parts, several) = laid, sums
    for line in range(begin, end):
        half, at = line % 2, line - begin
        first, last, cut, cut_end = spans.first[at], spans.first[at + 1], cuts.first[at], cuts.first[at + 1]
        left, right, strips = spans.left[first:last], spans.right[first:last], spans.strip[first:last]
        cut_x, cut_zone, cut_field = cuts.x[cut:cut_end], cuts.zone[cut:cut_end], cuts.field[cut:cut_end]
        made, most = _into_runs(left, right, strips, cut_x, values, runs)
        more = parts.used[0] + left.size + most * cut_x.size
        if more > parts.zone.size:
            parts = _more_parts(parts, 2 * more)
        while several.used[0] + made > several.mark.size:
            several = _more_several(several)
        _add_up(made, half, runs, cut_zone, cut_field, totals)
        totals.by_half[0, half] += _to_strips(left, right, strips, cut_x, cut_zone, parts)
        _to_lone(made, runs, cut_zone, parts)
        _to_several(made, runs, cut_zone, several)
    return totals, parts, several


@_compiled
def gathered_parts(parts: Any) -> Any:
    """Strip, zone, length and length lain under no other strip, by strip and zone.

    Parameters
    ----------
    parts : Parts
        From `add_lines`.
    """
    count = parts.used[0]
    strip, order = np.empty(count, dtype=np.int64), np.empty(count, dtype=np.int64)
    end = 0
    for one in range(parts.head.size):
        begin, at = end, parts.head[one]
        while at >= 0:
            place = end
            while place > begin and parts.zone[order[place - 1]] > parts.zone[at]:
                order[place] = order[place - 1]
                place -= 1
            order[place], strip[end] = at, one
            end += 1
            at = parts.after[at]
    length = parts.length[order]
    return strip, parts.zone[order].astype(np.int64), length, np.minimum(parts.lone[order], length)
