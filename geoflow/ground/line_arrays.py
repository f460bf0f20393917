"""What the compiled scan works on: tuples of arrays that numba knows. Nothing here is compiled."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

__all__ = ["Active", "Cuts", "Lines", "Parts", "Quads", "Runs", "Several", "Spans", "Totals", "Zones"]


class Lines(NamedTuple):
    """Lines over the ground [m]: their lowest point and distance, how many, and their ends."""

    low: float
    spacing: float
    number: int
    left: float
    right: float


class Quads(NamedTuple):
    """Convex pieces of shape (m, 4, 2), their strips, the rotation to come, and least and greatest y after it."""

    corners: Any
    strip: Any
    turn: Any
    low: Any
    high: Any


class Zones(NamedTuple):
    """Edges of zones in the frame of the lines, as `pieces.Edges`; how many zones, and whether a boundary is the field.

    `whole`, of shape (zones,), adds up all of each zone; `began`, of shape (zones + 1,), is where each began last.
    """

    low: Any
    high: Any
    intercept: Any
    slope: Any
    zone: Any
    whole: Any
    began: Any
    bounded: bool


class Active(NamedTuple):
    """Pieces or edges on a line in order of where they begin, and by slot what is known of each.

    `order` holds them by the first line they meet, `begin` where each line's stand; `held` how many are on the line and
    how many slots are taken.
    """

    order: Any
    begin: Any
    key: Any
    slot: Any
    spare_key: Any
    spare_slot: Any
    number: Any
    last: Any
    side: Any
    right: Any
    free: Any
    ends: Any
    held: Any

    @classmethod
    def of(cls, order: Any, begin: Any, most: int, sides: int) -> Active:
        """Room for so many on one line.

        Parameters
        ----------
        order, begin
            From `line_spans.by_first_line`.
        most : int
            On one line.
        sides : int
            Numbers that describe each.
        """
        slot, spare, number, last, free = (np.arange(most, dtype=np.int32) for _ in range(5))
        key, spare_key, right, side = np.empty(most), np.empty(most), np.empty(most), np.empty((most, sides))
        ends, held = np.empty(most + 2, dtype=np.int32), np.zeros(2, dtype=np.int64)
        return cls(order, begin, key, slot, spare_key, spare, number, last, side, right, free, ends, held)


class Spans(NamedTuple):
    """Strips on lines in order of where they begin: of line i those from `first[i]` to `first[i + 1]`."""

    first: Any
    left: Any
    right: Any
    strip: Any

    @classmethod
    def of(cls, lines: int, most: int) -> Spans:
        """Room for lines.

        Parameters
        ----------
        lines : int
            At once.
        most : int
            Strips on all of them.
        """
        first, strip = np.zeros(lines + 1, dtype=np.int64), np.empty(most, dtype=np.int64)
        return cls(first, np.empty(most), np.empty(most), strip)


class Cuts(NamedTuple):
    """Places on lines where zones begin or end, and zone and field from each to the next, as `Spans`.

    The first of each line is minus infinity, the last infinity.
    """

    first: Any
    x: Any
    zone: Any
    field: Any
    open: Any

    @classmethod
    def of(cls, lines: int, most: int, on_one: int) -> Cuts:
        """Room for lines.

        Parameters
        ----------
        lines, most
            As for `Spans`, of edges.
        on_one : int
            Edges on one line.
        """
        size = most + 2 * lines
        first, zone, field = np.zeros(lines + 1, dtype=np.int64), np.empty(size, np.int64), np.empty(size, np.bool_)
        return cls(first, np.empty(size), zone, field, np.empty(on_one + 1, dtype=np.int64))


class Runs(NamedTuple):
    """A line from place to place at which a zone or a strip begins or ends: how long, in which cut, under how many.

    `strips` and `sums` are sums over the strips there: of their numbers and of their values. `open` are those that lie
    where the line is being looked at.
    """

    length: Any
    cut: Any
    layers: Any
    strips: Any
    sums: Any
    open: Any

    @classmethod
    def of(cls, strips: int, cuts: int, values: int) -> Runs:
        """Room for one line.

        Parameters
        ----------
        strips, cuts : int
            On it.
        values : int
            Of each strip.
        """
        size = 2 * strips + cuts + 2
        cut, layers, total = (np.empty(size, dtype=np.int64) for _ in range(3))
        return cls(
            np.empty(size), cut, layers, total, np.empty((size, values), np.int64), np.empty(strips + 1, np.int64)
        )


class Totals(NamedTuple):
    """Lengths along the lines, see `scanlines.Sums`: of shapes (3, 2, zones) and (5, 2)."""

    by_zone: Any
    by_half: Any

    @classmethod
    def of(cls, zones: int) -> Totals:
        """Nothing yet.

        Parameters
        ----------
        zones : int
            How many.
        """
        return cls(np.zeros((3, 2, zones)), np.zeros((5, 2)))


class Parts(NamedTuple):
    """Ground of strips in zones, chained by strip: `head` of shape (strips,), the others as many as there is room."""

    head: Any
    after: Any
    zone: Any
    length: Any
    lone: Any
    used: Any

    @classmethod
    def of(cls, strips: int) -> Parts:
        """Room for strips, most of which lie in one zone or two.

        Parameters
        ----------
        strips : int
            How many.
        """
        size = 2 * strips + 64
        after, zone = np.empty(size, dtype=np.int32), np.empty(size, dtype=np.int32)
        head, used = np.full(strips, -1, dtype=np.int32), np.zeros(1, dtype=np.int64)
        return cls(head, after, zone, np.empty(size), np.empty(size), used)


class Several(NamedTuple):
    """Ground under several strips, found by its mark: places by hash, and the parts, as many as there is room."""

    place: Any
    mark: Any
    zone: Any
    layers: Any
    length: Any
    sums: Any
    used: Any

    @classmethod
    def of(cls, values: int, size: int = 1024) -> Several:
        """Room for some.

        Parameters
        ----------
        values : int
            Of each strip.
        size : int
            Parts, a power of two.
        """
        mark, zone, layers = (np.empty(size, dtype=np.int64) for _ in range(3))
        place, used = np.full(4 * size, -1, dtype=np.int32), np.zeros(1, dtype=np.int64)
        return cls(place, mark, zone, layers, np.empty(size), np.empty((size, values), dtype=np.int64), used)
