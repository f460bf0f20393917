"""The way over the field: headland rounds, passes between them, and the turns from one to the next."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import shapely

from geoflow.base.arrays import BoolArray, FloatArray, IntArray
from geoflow.ground.passes import lay_passes
from geoflow.rehearsal.cells import Cells

__all__ = ["INTERVAL", "Driving", "Leg", "Moments", "drive", "filled", "lay_legs", "turn_length", "with_clock"]

INTERVAL: Final = 0.2
"""Length of a moment [s]."""
# Cracks between zones up to this are none [m].
_CRACK: Final = 0.5
# Shares of the width that a round may be off the outline: as drawn, or one of steps, with more corners than this.
_AS_DRAWN: Final = 0.01
_STRAIGHTENED: Final = 0.3
_JAGGED: Final = 16
# A headland round is cut where it turns by more than this [rad].
_CORNER: Final = math.radians(30.0)
# Steps along the way in which the speed is worked out [m], and what a tractor gains or loses: no source.
_STEP: Final = 0.25
_ACCELERATION: Final = 0.4


@dataclass(frozen=True, slots=True)
class Driving:
    """How the field is driven.

    Attributes
    ----------
    headlands : int
        Rounds along the outline.
    headlands_last : bool
        Whether they come after the passes.
    turn_radius : float
        [m]
    turn_time : float or None
        Of every turn [s], where it is given.
    swap_time : float
        For changing a tank [s].
    """

    headlands: int = 1
    headlands_last: bool = False
    turn_radius: float = 9.0
    turn_time: float | None = None
    swap_time: float = 900.0


@dataclass(frozen=True, slots=True, eq=False)
class Leg:
    """What is driven without turning: its corners of shape (k, 2) [m], and whether it is of a headland round."""

    points: FloatArray
    headland: bool


@dataclass(frozen=True, slots=True, eq=False)
class Moments:
    """Where the middle of the width in use is, moment by moment; arrays of shape (n,).

    Attributes
    ----------
    leg : ndarray of int
        Leg.
    time : ndarray
        At the end of the moment [s].
    x, y : ndarray
        There [m].
    heading : ndarray
        Clockwise from north [rad].
    speed : ndarray
        [m/s]
    zone : ndarray of int
        Zone under it, -1 for none.
    """

    leg: IntArray
    time: FloatArray
    x: FloatArray
    y: FloatArray
    heading: FloatArray
    speed: FloatArray
    zone: IntArray

    def at(self, kept: BoolArray) -> Moments:
        """Return some of the moments.

        Parameters
        ----------
        kept : ndarray of bool, shape (n,)
            Which.
        """
        return Moments(
            self.leg[kept],
            self.time[kept],
            self.x[kept],
            self.y[kept],
            self.heading[kept],
            self.speed[kept],
            self.zone[kept],
        )


def _outline(zones: Any) -> list[Any]:
    """Parts of the field without their holes."""
    snapped = shapely.buffer(np.asarray(zones, dtype=object), _CRACK, quad_segs=1, join_style="mitre")
    ground = shapely.union_all(shapely.buffer(shapely.union_all(snapped), -_CRACK, quad_segs=1, join_style="mitre"))
    filled = [shapely.Polygon(part.exterior) for part in shapely.get_parts(ground) if not part.is_empty]
    return [part for part in shapely.get_parts(shapely.union_all(filled)) if part.area > 0.0]


def _corners(points: FloatArray) -> IntArray:
    """Places where a ring turns sharply."""
    ahead = np.roll(points, -1, axis=0) - points
    course = np.arctan2(ahead[:, 0], ahead[:, 1])
    turned = np.abs(np.angle(np.exp(1j * (course - np.roll(course, 1)))))
    return np.flatnonzero(turned > _CORNER)


def _sides(ring: Any, reach: float) -> list[FloatArray]:
    """Cut a ring at its corners, and lengthen each side at both ends [m]."""
    points = shapely.get_coordinates(ring)[:-1]
    if len(points) < 3:
        return []
    corners = _corners(points)
    if not corners.size:
        return [np.vstack([points, points[:1]])]
    sides = []
    for begin, end in zip(corners, np.append(corners[1:], corners[0] + len(points)), strict=True):
        side = points[np.arange(begin, end + 1) % len(points)]
        sides.append(_lengthened(side, reach))
    return sides


def _lengthened(points: FloatArray, reach: float) -> FloatArray:
    first, last = points[1] - points[0], points[-1] - points[-2]
    points = points.copy()
    points[0] -= reach * first / np.hypot(*first)
    points[-1] += reach * last / np.hypot(*last)
    return points


def _rounds(part: Any, width: float, count: int) -> list[Leg]:
    legs = []
    smooth = part.simplify(_AS_DRAWN * width)
    if _corners(shapely.get_coordinates(smooth.exterior)[:-1]).size > _JAGGED:
        smooth = part.simplify(_STRAIGHTENED * width)
    for number in range(count):
        inner = smooth.buffer(-(number + 0.5) * width, join_style="mitre")
        rings = [one.exterior for one in shapely.get_parts(inner) if not one.is_empty]
        legs += [Leg(side, True) for ring in rings for side in _sides(ring, 0.5 * width)]
    return legs


def _passes(part: Any, heading: float, from_right: bool, width: float, reach: float) -> list[Leg]:
    laid = lay_passes(np.array([part], dtype=object), heading, width, from_right=from_right)
    legs = []
    for number in range(laid.count):
        at = np.flatnonzero(laid.number == number)[[0, -1]]
        ends = np.array([[laid.start_x[at[0]], laid.start_y[at[0]]], [laid.end_x[at[1]], laid.end_y[at[1]]]])
        legs.append(Leg(_lengthened(ends, reach), False))
    return legs


def lay_legs(zones: Any, course: tuple[float, bool], width: float, driving: Driving) -> tuple[list[Leg], list[Any]]:
    """Lay the way over a field, part by part: headland rounds, and passes to and fro inside them.

    Passes are laid longer than the field by a width, so that sections at a slanting end reach it too; what lies beyond
    the first and the last section that opens is not driven. A part too narrow for a round has passes only.

    Parameters
    ----------
    zones : array_like of Polygon or MultiPolygon
        What asks for ammonia, in a local frame [m].
    course : (float, bool)
        Heading of the first pass [rad], and whether it runs along the right edge.
    width : float
        In use [m].
    driving : Driving
        Rounds, and when they come.

    Returns
    -------
    legs : list of Leg
        In driving order.
    inside : list of Polygon
        Where passes may give, if the headland comes after them and is not yet to be covered; empty otherwise.
    """
    heading, from_right = course
    legs: list[Leg] = []
    inside: list[Any] = []
    for part in _outline(zones):
        rounds = _rounds(part, width, driving.headlands)
        inner = part.buffer(-driving.headlands * width, join_style="mitre") if rounds else part
        parts = [one for one in shapely.get_parts(inner) if one.area > 0.0]
        passes = [leg for one in parts for leg in _passes(one, heading, from_right, width, width)]
        legs += [*passes, *rounds] if driving.headlands_last else [*rounds, *passes]
        inside += parts
    return legs, inside if driving.headlands_last else []


def _speeds(wanted: FloatArray) -> FloatArray:
    """Speeds a tractor drives where it is to drive others at once [m/s], shape (steps,)."""
    if np.ptp(wanted) == 0.0:
        return wanted
    # In half squares a steady acceleration is straight over the way.
    most, energy = _ACCELERATION * _STEP, (0.5 * np.square(wanted)).tolist()
    now, driven = energy[0], []
    for aim in energy:
        now += min(max(aim - now, -most), most)
        driven.append(now)
    return np.sqrt(2.0 * np.array(driven))


def filled(values: FloatArray) -> FloatArray:
    """Carry known values forward, and back where none is before; as they are where none is known.

    Parameters
    ----------
    values : ndarray, shape (n,)
        NaN where not known.
    """
    place = np.arange(values.size)
    last = np.maximum.accumulate(np.where(np.isfinite(values), place, -1))
    known = np.flatnonzero(np.isfinite(values))
    return values[np.where(last >= 0, last, known[0])] if known.size else values


def drive(legs: list[Leg], cells: Cells, zone_speed: FloatArray) -> Moments:
    """Drive legs moment by moment; the clock of each begins at 0.

    Parameters
    ----------
    legs : list of Leg
        From `lay_legs`.
    cells : Cells
        Of the zones.
    zone_speed : ndarray, shape (zones,)
        To drive in each [m/s].
    """
    usual = float(np.median(zone_speed))
    found: list[list[FloatArray]] = []
    leg_of: list[IntArray] = []
    for number, leg in enumerate(legs):
        sides = np.diff(leg.points, axis=0)
        lengths = np.hypot(*sides.T)
        corner = np.append(0.0, np.cumsum(lengths))
        way = np.arange(0.5 * _STEP, corner[-1], _STEP)
        if not way.size:
            continue
        x, y = (np.interp(way, corner, column) for column in leg.points.T)
        zone = cells.at(x, y)
        wanted = filled(np.where(zone >= 0, zone_speed[zone], np.nan))
        speed = _speeds(np.where(np.isfinite(wanted), wanted, usual))
        clock = np.append(0.0, np.cumsum(_STEP / speed))
        time = np.arange(1.0, int(clock[-1] / INTERVAL) + 1.0) * INTERVAL
        along = np.interp(time, clock, np.append(0.0, way + 0.5 * _STEP))
        side = np.clip(np.searchsorted(corner, along, side="left") - 1, 0, len(sides) - 1)
        x, y = (np.interp(along, corner, column) for column in leg.points.T)
        heading = np.arctan2(sides[side, 0], sides[side, 1]) % (2.0 * np.pi)
        speeds = np.asarray(np.diff(along, prepend=0.0) / INTERVAL, dtype=np.float64)
        found.append([time, x, y, heading, speeds])
        leg_of.append(np.full(time.size, number))
    nothing = [np.zeros(0)] * 5
    time, x, y, heading, speed = (np.concatenate(column) for column in zip(*(found or [nothing]), strict=True))
    whole = np.concatenate(leg_of) if leg_of else np.zeros(0, dtype=np.int64)
    return Moments(whole, time, x, y, heading, speed, cells.at(x, y))


def turn_length(apart: float, radius: float) -> float:
    """Way of a turn back to a line beside [m].

    A half circle and the straight between, or three arcs where the lines are nearer than twice the radius: out to the
    other side by a, back by pi + 2 a and in by a, with cos a = (apart + 2 radius) / (4 radius).

    Parameters
    ----------
    apart : float
        From one line to the other [m].
    radius : float
        Of the turn [m].
    """
    if apart >= 2.0 * radius:
        return math.pi * radius + apart - 2.0 * radius
    return radius * (math.pi + 4.0 * math.acos((apart + 2.0 * radius) / (4.0 * radius)))


def with_clock(
    moments: Moments, driving: Driving, turn_speed: float, swaps: BoolArray
) -> tuple[FloatArray, float, float]:
    """Put the legs one after the other.

    Parameters
    ----------
    moments : Moments
        Trimmed to where something is given; legs without a moment are not driven.
    driving : Driving
        Turns and swaps.
    turn_speed : float
        While turning [m/s].
    swaps : ndarray of bool, shape (n,)
        Moments after which a tank is changed.

    Returns
    -------
    time : ndarray, shape (n,)
        At the end of each moment [s].
    turning, swapping : float
        [s]
    """
    count = moments.leg.size
    if not count:
        return np.zeros(0), 0.0, 0.0
    begins = np.flatnonzero(np.diff(moments.leg, prepend=-1) != 0)
    apart = np.hypot(np.diff(moments.x), np.diff(moments.y))[begins[1:] - 1]
    if driving.turn_time is None:
        turns = np.array([turn_length(far, driving.turn_radius) for far in apart.tolist()]) / turn_speed
    else:
        turns = np.full(apart.size, driving.turn_time)
    lasts = np.full(count, INTERVAL)
    # Records keep to whole seconds: so does the time between them.
    lasts[begins[1:]] += np.ceil(turns)
    lasts[1:] += np.where(swaps[:-1], driving.swap_time, 0.0)
    return np.cumsum(lasts), float(np.ceil(turns).sum()), float(swaps[:-1].sum()) * driving.swap_time
