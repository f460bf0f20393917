"""Areas of many overlapping shapes by scan lines: exact along each line, the midpoint rule from line to line.

All lines of a block are laid end to end on one axis, so that a single sort brings every place where a strip or a zone
begins or ends into order, and running sums say what lies on the ground between two of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from geoflow.base.arrays import BoolArray, FloatArray, IntArray
from geoflow.ground.overlaps import Shared, all_shared, gathered, lone_and_shared, merged
from geoflow.ground.pieces import Edges, Pieces

__all__ = ["Sums", "expand", "scan"]

# Spans held at once; about 100 bytes each.
_BLOCK: Final = 400_000
_Ints = npt.NDArray[np.integer[Any]]


@dataclass(frozen=True, slots=True)
class Sums:
    """Lengths along the lines times their spacing [m2].

    Attributes
    ----------
    whole : ndarray, shape (zones,)
        All of each zone.
    visible, covered, doubled : ndarray, shape (2, zones)
        For even and odd lines apart: the part of each zone with no later zone on top, and how much of that part is
        covered at all and more than once.
    swept, reached, twice, field, field_covered : ndarray, shape (2,)
        For even and odd lines apart: strips, their union, ground covered more than once, the field, its covered part.
    strip, zone, area, lone : ndarray, shape (k,)
        Ground of each strip in each zone, -1 for outside, and how much of it lies under no other strip.
    shared : Shared
        Ground under several strips.
    """

    whole: FloatArray
    visible: FloatArray
    covered: FloatArray
    doubled: FloatArray
    swept: FloatArray
    reached: FloatArray
    twice: FloatArray
    field: FloatArray
    field_covered: FloatArray
    strip: IntArray
    zone: IntArray
    area: FloatArray
    lone: FloatArray
    shared: Shared


def expand(start: _Ints, stop: _Ints) -> tuple[IntArray, IntArray]:
    """Every whole number from start to before stop, and which range it comes from.

    Parameters
    ----------
    start, stop : ndarray of int, shape (n,)
        Ends of the ranges.
    """
    count = np.maximum(stop - start, 0)
    which = np.repeat(np.arange(count.size), count)
    offset = np.repeat(start - (np.cumsum(count) - count), count)
    return which, np.arange(which.size) + offset


def _blocks(first: IntArray, last: IntArray, lines: int) -> IntArray:
    """Borders between blocks of lines with about `_BLOCK` spans each."""
    spans = np.cumsum(np.bincount(first, minlength=lines + 1) - np.bincount(last, minlength=lines + 1))[:lines]
    # Every line costs something, also an empty one.
    work = np.cumsum(spans + 1)
    marks = np.searchsorted(work, np.arange(_BLOCK, work[-1] + _BLOCK, _BLOCK)) + 1
    return np.unique(np.concatenate([[0], np.minimum(marks, lines)]))


@dataclass(frozen=True, slots=True)
class _Ground:
    """The lines of a block laid end to end, cut wherever a zone begins or ends."""

    start: FloatArray
    length: FloatArray
    zone: IntArray
    field: BoolArray
    parity: IntArray
    whole: FloatArray


def _lay_ground(edges: Edges, active: IntArray, ranges: IntArray, zones: int, bounded: bool, axis: _Axis) -> _Ground:
    which, line = expand(np.maximum(ranges[0, active], axis.begin), np.minimum(ranges[1, active], axis.end))
    edge = active[which]
    place = axis.place(line, edges.intercept[edge] + edges.slope[edge] * axis.height(line))
    owner = edges.zone[edge]
    order = np.lexsort((place, owner))
    place, owner = place[order].reshape(-1, 2), owner[order][::2]
    lines = np.arange(axis.end - axis.begin + 1)
    start = np.sort(np.concatenate([lines * axis.width, place.ravel()]))
    length = np.append(np.diff(start), 0.0)
    which, part = expand(np.searchsorted(start, place[:, 0]), np.searchsorted(start, place[:, 1]))
    of = owner[which]
    inner = of < zones
    zone = np.full(start.size, -1, dtype=np.int64)
    np.maximum.at(zone, part[inner], of[inner])
    field = zone >= 0
    if bounded:
        field = np.zeros(start.size, dtype=bool)
        field[part[~inner]] = True
    return _Ground(
        start,
        length,
        zone,
        field,
        ((start + 0.125) / axis.width).astype(np.int64) % 2 ^ axis.begin % 2,
        np.asarray(np.bincount(of[inner], weights=length[part[inner]], minlength=zones), dtype=float),
    )


@dataclass(frozen=True, slots=True)
class _Axis:
    """Lines from `begin` to before `end`, each `width` long, laid end to end."""

    begin: int
    end: int
    low: float
    left: float
    width: float
    spacing: float

    def height(self, line: IntArray) -> FloatArray:
        return np.asarray(self.low + (line + 0.5) * self.spacing)

    def place(self, line: IntArray, x: FloatArray) -> FloatArray:
        # Half a metre of slack at either end keeps rounding from spilling onto the next line.
        return np.asarray((line - self.begin) * self.width + np.clip(x - self.left, 0.25, self.width - 0.25))


def scan(
    pieces: Pieces,
    edges: Edges,
    zones: int,
    bounded: bool,
    reach: tuple[float, float],
    spacing: float,
    values: IntArray | None = None,
) -> Sums:
    """Run lines over strips and zones.

    Parameters
    ----------
    pieces : Pieces
        Of the strips.
    edges : Edges
        Of the zones, and of the field's boundary if there is one.
    zones : int
        Number of zones.
    bounded : bool
        Whether the field is the ground inside its boundary instead of the union of the zones.
    reach : tuple of float
        Least and greatest x of everything [m].
    spacing : float
        Between lines [m].
    values : ndarray of int, shape (values, strips), optional
        To be added up where strips lie on each other; whole numbers, so that running sums leave no rounding.
    """
    own = np.zeros((0, int(pieces.strip.max(initial=-1)) + 1), dtype=np.int64) if values is None else values
    low = float(min(pieces.low.min(initial=np.inf), edges.low.min(initial=np.inf)))

    def ranges(shapes: Pieces | Edges) -> IntArray:
        return np.ceil((np.stack([shapes.low, shapes.high]) - low) / spacing - 0.5).astype(np.int64)

    strip_lines, edge_lines = ranges(pieces), ranges(edges)
    lines = int(max(strip_lines[1].max(initial=0), edge_lines[1].max(initial=0)))
    whole, by_zone = np.zeros(zones), np.zeros((3, 2, zones))
    by_half = np.zeros((5, 2))
    keys: list[IntArray] = [np.zeros(0, dtype=np.int64)]
    lengths: list[FloatArray] = [np.zeros(0)]
    lone_keys, lone_lengths = list(keys), list(lengths)
    marks: list[IntArray] = []
    several: list[Shared] = []
    first, last = np.concatenate([strip_lines, edge_lines], axis=1)
    borders = _blocks(first, last, lines) if lines else np.zeros(1, dtype=np.int64)
    for begin, end in zip(borders[:-1].tolist(), borders[1:].tolist(), strict=True):
        axis = _Axis(begin, end, low, reach[0] - 0.5, reach[1] - reach[0] + 1.0, spacing)
        active = np.flatnonzero((edge_lines[0] < end) & (edge_lines[1] > begin))
        ground = _lay_ground(edges, active, edge_lines, zones, bounded, axis)
        active = np.flatnonzero((strip_lines[0] < end) & (strip_lines[1] > begin))
        which, line = expand(np.maximum(strip_lines[0, active], begin), np.minimum(strip_lines[1, active], end))
        piece = active[which]
        left, right = (axis.place(line, end) for end in pieces.ends(piece, axis.height(line)))

        place = np.concatenate([ground.start, left, right])
        order = np.argsort(place)
        cuts, count = ground.start.size, piece.size
        change = np.zeros(place.size, dtype=np.int32)
        change[cuts : cuts + count], change[cuts + count :] = 1, -1
        layers = np.cumsum(change[order])[:-1]
        part = np.cumsum(order < cuts) - 1
        run = np.diff(place[order])
        covered = np.bincount(part[:-1], weights=run * (layers > 0), minlength=cuts)
        doubled = np.bincount(part[:-1], weights=run * (layers > 1), minlength=cuts)

        inside = ground.zone >= 0
        cell = (ground.parity * zones + ground.zone)[inside]
        for row, amount in enumerate((ground.length, covered, doubled)):
            by_zone[row] += np.bincount(cell, weights=amount[inside], minlength=2 * zones).reshape(2, zones)
        whole += ground.whole
        by_half[0] += np.bincount(line % 2, weights=right - left, minlength=2)
        amounts = (covered, doubled, ground.length * ground.field, covered * ground.field)
        for row, sampled in enumerate(amounts, start=1):
            by_half[row] += np.bincount(ground.parity, weights=sampled, minlength=2)
        (strip, zone, run), (mark, shared) = lone_and_shared(
            pieces.strip[piece], own, order, cuts, layers, ground.zone[part[:-1]], run
        )
        key = strip * (zones + 1) + zone + 1
        by_key = np.argsort(key)
        key, run = merged(key[by_key], run[by_key])
        lone_keys.append(key)
        lone_lengths.append(run)
        marks.append(mark)
        several.append(shared)

        at = np.empty(place.size, dtype=np.int64)
        at[order] = part
        which, part = expand(at[cuts : cuts + count], at[cuts + count :] + 1)
        length = np.minimum(right[which], (ground.start + ground.length)[part])
        length -= np.maximum(left[which], ground.start[part])
        key = pieces.strip[piece[which]] * (zones + 1) + ground.zone[part] + 1
        real = length > 0.0
        key, length = merged(key[real], length[real])
        keys.append(key)
        lengths.append(length)
    key, length = gathered(keys, lengths)
    lone_key, lone_length = gathered(lone_keys, lone_lengths)
    lone = np.zeros(key.size)
    known = np.isin(lone_key, key, assume_unique=True)
    lone[np.searchsorted(key, lone_key[known])] = lone_length[known]
    return Sums(
        whole=whole * spacing,
        visible=by_zone[0] * spacing,
        covered=by_zone[1] * spacing,
        doubled=by_zone[2] * spacing,
        swept=by_half[0] * spacing,
        reached=by_half[1] * spacing,
        twice=by_half[2] * spacing,
        field=by_half[3] * spacing,
        field_covered=by_half[4] * spacing,
        strip=key // (zones + 1),
        zone=key % (zones + 1) - 1,
        area=length * spacing,
        lone=np.minimum(lone, length) * spacing,
        shared=all_shared(marks, several, own.shape[0], spacing),
    )
