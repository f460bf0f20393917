"""Parallel passes over a field: which zones the bar crosses in driving order, and where it is too slow to follow.

A zone is cut with the centre line of each pass, so a piece of a pass stands for a strip as wide as the bar.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from geoflow.bar.equipment import Controller
from geoflow.base.arrays import BoolArray, FloatArray, Floats, IntArray
from geoflow.base.errors import RangeError
from geoflow.ground.rings import Rings

__all__ = ["Passes", "ShortPieces", "field_heading", "lay_passes", "next_along", "response_distance", "short_pieces"]

# Pieces nearer than this [m] follow each other without a break; the bar stays down over such a crack.
_CRACK: Final = 0.5
_SHORTEST: Final = 1e-6
# A zone counts as short when the rate is not yet reached over more than this share of its run.
_SHORT: Final = 0.5


@dataclass(frozen=True, slots=True)
class Passes:
    """Pieces of passes in driving order, every second pass driven backwards; arrays of shape (pieces,).

    Attributes
    ----------
    heading : float
        Of the first pass, clockwise from north [rad].
    width : float
        Between centre lines, the working width [m].
    number : ndarray of int
        Pass, counted from 0 from the edge of the field where the first one runs.
    zone : ndarray of int
        Index of the zone.
    start, end : ndarray
        Distance from where the pass enters its first zone [m].
    start_x, start_y, end_x, end_y : ndarray
        Ends of the piece in the local frame [m].
    """

    heading: float
    width: float
    number: IntArray
    zone: IntArray
    start: FloatArray
    end: FloatArray
    start_x: FloatArray
    start_y: FloatArray
    end_x: FloatArray
    end_y: FloatArray

    @property
    def length(self) -> FloatArray:
        """Length of each piece [m]."""
        return self.end - self.start

    @property
    def count(self) -> int:
        """Number of passes."""
        return int(self.number[-1]) + 1 if self.number.size else 0


def field_heading(zones: Any) -> float:
    """Heading along the longest side of the smallest rectangle round the field.

    Parameters
    ----------
    zones : array_like of Polygon or MultiPolygon, shape (n,)
        In a local frame, x east and y north [m]; missing ones are left out.

    Returns
    -------
    float
        Clockwise from north [rad], at least 0 and below pi; the one nearer to north where the sides are equal.

    Raises
    ------
    RangeError
        If there is no zone with any area.
    """
    import shapely

    shapes = np.asarray(zones, dtype=object)
    points = shapely.get_coordinates(shapes)
    # One line through all corners has the same envelope as the zones and is quicker made than as many points.
    envelope = shapely.oriented_envelope(shapely.linestrings(points)) if len(points) > 1 else None
    corners = shapely.get_coordinates(envelope)
    if len(corners) < 5:
        raise RangeError(
            "the prescription covers no ground, so it has no direction",
            where="zones",
            cure="check the shapes of its zones, or give --heading",
        )
    sides = np.diff(corners[:3], axis=0)
    length = np.hypot(*sides.T)
    heading = np.arctan2(sides[:, 0], sides[:, 1]) % np.pi
    # A side that points north but for rounding must not come out as pi.
    heading = np.where(np.pi - heading < 1e-12, 0.0, heading)
    off_north = np.minimum(heading, np.pi - heading)
    near_equal = length >= length.max() * (1.0 - 1e-9)
    return float(heading[np.argmin(np.where(near_equal, off_north, np.inf))])


def lay_passes(zones: Any, heading: float, width: float, *, from_right: bool = False) -> Passes:
    """Cut the zones with parallel centre lines a width apart, the first half a width inside the field.

    What is left over at the far side is driven if its middle lies in the field, as a full width. Where zones overlap
    both have a piece; a centre line along a shared edge belongs to the zone on its right.

    Parameters
    ----------
    zones : array_like of Polygon or MultiPolygon, shape (n,)
        Valid, in a local frame, x east and y north [m]; missing ones are left out.
    heading : float
        Of the first pass, clockwise from north [rad].
    width : float
        Of the bar [m].
    from_right : bool
        Begin at the right edge of the field as seen along the heading, not at the left.

    Raises
    ------
    RangeError
        If the width is not above zero.
    """
    if not width > 0.0:
        raise RangeError("the bar has no width", where="width", cure="give a working width above zero")
    along, across, ring, zone_of_ring = _outlines(zones, heading)
    side = -1.0 if from_right else 1.0
    across = side * across
    origin = float(across.min()) + 0.5 * width if across.size else 0.0
    # The first line at or right of each corner. Corners that zones share get the same number, so every outline is
    # crossed an even number of times, and a line along an edge is crossed on one side of it only.
    line = np.ceil((across - origin) / width).astype(np.int64)
    edge = np.flatnonzero((ring[1:] == ring[:-1]) & (line[1:] != line[:-1]))
    forward = across[edge] < across[edge + 1]
    left, right = np.where(forward, edge, edge + 1), np.where(forward, edge + 1, edge)
    times = line[right] - line[left]
    left, right = np.repeat(left, times), np.repeat(right, times)
    crossed = line[left] + np.arange(left.size) - np.repeat(np.cumsum(times) - times, times)
    share = (origin + crossed * width - across[left]) / (across[right] - across[left])
    where = along[left] + share * (along[right] - along[left])
    zone = zone_of_ring[ring[left]]
    order = np.lexsort((where, zone, crossed))
    where, zone, crossed = where[order], zone[order][::2], crossed[order][::2]
    low, high = where[::2], where[1::2]
    real = high - low > _SHORTEST
    lines = side * (origin + crossed[real] * width)
    return _in_driving_order(low[real], high[real], zone[real], crossed[real], lines, heading, width)


def _outlines(zones: Any, heading: float) -> tuple[FloatArray, FloatArray, IntArray, IntArray]:
    """Corners of all rings along and across the heading [m], the ring of each corner and the zone of each ring."""
    rings = Rings.of(np.asarray(zones, dtype=object))
    points = rings.points
    sine, cosine = np.sin(heading), np.cos(heading)
    along = points[:, 0] * sine + points[:, 1] * cosine
    across = points[:, 0] * cosine - points[:, 1] * sine
    return along, across, np.repeat(np.arange(rings.start.size), rings.end - rings.start), rings.shape


def _in_driving_order(
    low: FloatArray,
    high: FloatArray,
    zone: IntArray,
    line: IntArray,
    place: FloatArray,
    heading: float,
    width: float,
) -> Passes:
    """Turn every second pass round and measure from where each begins; `place` is how far right its line lies [m]."""
    lines, number = np.unique(line, return_inverse=True)
    back = number % 2 == 1
    first, last = np.where(back, -high, low), np.where(back, -low, high)
    begins = np.full(lines.size, np.inf)
    np.minimum.at(begins, number, first)
    order = np.lexsort((first, number))
    across = place[order]
    ends = (np.where(back, -first, first)[order], np.where(back, -last, last)[order])
    sine, cosine = np.sin(heading), np.cos(heading)
    (start_x, end_x) = (end * sine + across * cosine for end in ends)
    (start_y, end_y) = (end * cosine - across * sine for end in ends)
    offset = begins[number[order]]
    return Passes(
        heading,
        width,
        number[order].astype(np.int64),
        zone[order],
        first[order] - offset,
        last[order] - offset,
        start_x,
        start_y,
        end_x,
        end_y,
    )


def next_along(passes: Passes, zones: int) -> IntArray:
    """For each zone the neighbour that most often stands next to it along the passes, -1 for none, shape (zones,).

    Parameters
    ----------
    passes : Passes
        From `lay_passes`.
    zones : int
        How many there are.
    """
    beside = passes.number[1:] == passes.number[:-1]
    first, second = passes.zone[:-1][beside], passes.zone[1:][beside]
    pairs = np.concatenate([np.column_stack([first, second]), np.column_stack([second, first])])
    pairs = pairs[pairs[:, 0] != pairs[:, 1]]
    partner = np.full(zones, -1, dtype=np.int64)
    if len(pairs):
        found, count = np.unique(pairs, axis=0, return_counts=True)
        order = np.lexsort((count, found[:, 0]))
        partner[found[order, 0]] = found[order, 1]
    return partner


def response_distance(
    speed: Floats,
    delay: float,
    time_constant: float,
    rate_before: Floats,
    rate_after: Floats,
    tolerance: float = 0.1,
) -> FloatArray:
    """Distance driven after a change of rate until the new rate is reached [m].

    v (t_d + tau ln(|dR| / (tolerance R_after))): dead time, then a first-order approach. Zero if the change lies
    within the tolerance. Where the new rate is zero the tolerance counts from the rate before.

    Parameters
    ----------
    speed : array_like
        Over ground [m/s].
    delay, time_constant : float
        Of the rate control [s].
    rate_before, rate_after : array_like
        Any one unit of rate [kg/m2].
    tolerance : float
        Relative to the new rate [-].
    """
    before, after = np.asarray(rate_before, dtype=np.float64), np.asarray(rate_after, dtype=np.float64)
    step, allowed = np.abs(after - before), tolerance * np.where(after > 0.0, after, before)
    off = step > allowed
    ratio = np.where(off, step, 1.0) / np.where(off, allowed, 1.0)
    return np.where(off, speed * (delay + time_constant * np.log(ratio)), 0.0)


@dataclass(frozen=True, slots=True)
class ShortPieces:
    """How well the rate control follows the zones; arrays of shape (zones,), zeros where no pass crosses.

    A run is the stretch between two changes of rate, so zones of one rate side by side make one run.

    Attributes
    ----------
    off_share : ndarray
        Share of what is driven in the zone in which its rate is not yet reached [-].
    needed : ndarray
        Longest distance a run needs to reach the zone's rate [m].
    shortest : ndarray
        Shortest run [m].
    """

    off_share: FloatArray
    needed: FloatArray
    shortest: FloatArray

    def too_short(self, rate: FloatArray) -> BoolArray:
        """Tell which zones are too short for the controller to reach their rate, shape (zones,).

        Parameters
        ----------
        rate : ndarray, shape (zones,)
            Nitrogen rate [kg/m2].
        """
        return np.asarray((self.off_share > _SHORT) & (rate > 0.0))


def short_pieces(
    passes: Passes,
    rate: FloatArray,
    speed: Floats,
    controller: Controller,
    tolerance: float = 0.1,
) -> ShortPieces:
    """Find zones that are too short along the passes for the rate control.

    Parameters
    ----------
    passes : Passes
        From `lay_passes`.
    rate : ndarray, shape (zones,)
        Any one unit of rate [kg/m2].
    speed : float or ndarray, shape (zones,)
        Over ground [m/s].
    controller : Controller
        Dead time and time constant.
    tolerance : float
        How near the rate counts as reached [-].

    Notes
    -----
    A run starts from the rate of the run before it, taken as reached; at the start of a pass and after a gap, where
    the bar was up, from zero.
    """
    zone, number, zones = passes.zone, passes.number, np.size(rate)
    here, velocity = np.asarray(rate, dtype=np.float64)[zone], np.broadcast_to(speed, zones)[zone]
    lowered = np.ones(zone.size, dtype=np.bool_)
    lowered[1:] = (number[1:] != number[:-1]) | (passes.start[1:] - passes.end[:-1] > _CRACK)
    starts = lowered.copy()
    starts[1:] |= here[1:] != here[:-1]
    run = np.cumsum(starts) - 1
    before = np.where(lowered, 0.0, np.roll(here, 1))[starts]
    needed = response_distance(
        velocity[starts], controller.delay, controller.time_constant, before, here[starts], tolerance
    )[run]
    lengths = np.bincount(run, passes.length)[run] if zone.size else np.zeros(0)
    run_start = passes.start[starts][run]
    off = np.clip(run_start + needed - passes.start, 0.0, passes.length)
    total = np.bincount(zone, passes.length, zones)
    shortest, longest = np.full(zones, np.inf), np.zeros(zones)
    np.minimum.at(shortest, zone, lengths)
    np.maximum.at(longest, zone, needed)
    off_share = np.bincount(zone, off, zones) / np.where(total > 0.0, total, 1.0)
    return ShortPieces(off_share, longest, np.where(np.isfinite(shortest), shortest, 0.0))
