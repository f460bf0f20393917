"""The hours and tank loads of a field at the speeds of its zones."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from geoflow.base.arrays import FloatArray
from geoflow.base.errors import UsageError
from geoflow.base.units import parse
from geoflow.decide.day import field_efficiency, work_hours
from geoflow.decide.field_day import Day, Start
from geoflow.decide.load_ground import ground_of_loads
from geoflow.decide.loads import end_of_tank_window, tank_loads
from geoflow.ground.passes import Passes, field_heading, lay_passes
from geoflow.options.typed import DayOptions, RewriteOptions
from geoflow.outcomes import VetOutcome

__all__ = ["HEEL", "course_of", "day_hours", "first_pass", "parse_share", "share_in", "with_loads"]

HEEL: Final = 0.05
"""Share of a tank left when it is taken off, unless it is said [-]."""


def parse_share(text: str | None, otherwise: float, *, where: str) -> float:
    """Read a share like ``"0.05"`` or ``"5 %"`` [-].

    Parameters
    ----------
    text : str or None
        What was said.
    otherwise : float
        What counts where nothing was.
    where : str
        The option, for the error.

    Raises
    ------
    UsageError
        If the text is no number from 0 to 1.
    """
    value = otherwise if text is None else share_in(text)
    if not 0.0 <= value <= 1.0:
        raise UsageError(f"'{text}' is no share", where=where, cure='give it like 0.65 or "65 %"')
    return value


def share_in(text: str) -> float:
    """Read a number, or one with a percent sign.

    Parameters
    ----------
    text : str
        What was said.

    Returns
    -------
    float
        [-]; NaN where it is none.
    """
    try:
        return float(text.rstrip("% ")) / (100.0 if text.rstrip().endswith("%") else 1.0)
    except ValueError:
        return math.nan


def course_of(options: DayOptions | RewriteOptions, zones: NDArray[np.object_]) -> float:
    """Direction of the passes [rad, clockwise from north], as said or along the longest side.

    Parameters
    ----------
    options : DayOptions or RewriteOptions
        What was said.
    zones : ndarray of Polygon or MultiPolygon, shape (zones,)
        In the local frame [m].

    Raises
    ------
    QuantityError
        If it is no angle.
    """
    return field_heading(zones) if options.heading is None else parse(options.heading, "angle", where="--heading")


_SIDES: Final = ("north", "northeast", "east", "southeast", "south", "southwest", "west", "northwest")


def _begin(vetted: VetOutcome, text: str | None) -> float | tuple[float, float] | None:
    """Where pass 1 is to start: a direction from the middle [rad], or a place in its frame [m]."""
    import pyproj

    if text is None:
        return None
    side = text.strip().casefold().replace(" ", "").replace("-", "")
    if side in _SIDES:
        return _SIDES.index(side) * math.pi / 4.0
    try:
        lon, lat = (float(part) for part in text.split(","))
    except ValueError:
        lon = lat = math.nan
    if not (abs(lon) <= 180.0 and abs(lat) <= 90.0):
        raise UsageError(
            f"'{text}' is no place to start from",
            where="--start",
            cure="name a corner like southwest, or give longitude,latitude",
        )
    x, y = pyproj.Transformer.from_crs("EPSG:4326", vetted.prescription.local_crs, always_xy=True).transform(lon, lat)
    return float(x), float(y)


def first_pass(vetted: VetOutcome, heading: float, start: str | None) -> tuple[float, bool]:
    """Find which way pass 1 runs [rad, clockwise from north], and whether along the right edge, to start where said.

    Parameters
    ----------
    vetted : VetOutcome
        The field and its bar.
    heading : float
        Of the passes, either way [rad].
    start : str or None
        Where pass 1 starts, as said.

    Raises
    ------
    UsageError
        If that is no place.
    """
    return _course_from(vetted, heading, _begin(vetted, start))[2]


def _course_from(
    vetted: VetOutcome, heading: float, begin: float | tuple[float, float] | None
) -> tuple[Passes, str, tuple[float, bool]]:
    """Lay the passes so that pass 1 starts where it was said: at one of two edges, one of two ways along it.

    The corner's name comes too: the side of the field where its first edge and the near end of its passes meet; and
    which way pass 1 runs [rad], and whether along the right edge.
    """
    zones, width = vetted.prescription.zones, vetted.solution.window.width
    # From the left edge the corner lies back and to the left of a pass, from the right one back and to the right.
    ways = [
        (way, right, way + (0.75 if right else 1.25) * math.pi)
        for way in (heading, heading + math.pi)
        for right in (False, True)
    ]
    if begin is None:
        ways = ways[:1]
    elif isinstance(begin, float):
        ways = [max(ways, key=lambda one: math.cos(one[2] - begin))]
    laid = [lay_passes(zones, way % (2.0 * math.pi), width, from_right=right) for way, right, _ in ways]

    def away(at: int) -> float:
        if not isinstance(begin, tuple) or not laid[at].start_x.size:
            return 0.0
        return math.hypot(laid[at].start_x[0] - begin[0], laid[at].start_y[0] - begin[1])

    best = min(range(len(ways)), key=away)
    way, right, corner = ways[best]
    return laid[best], _SIDES[round(corner / (math.pi / 4.0)) % 8], (way % (2.0 * math.pi), right)


def _in_degrees(vetted: VetOutcome, x: FloatArray, y: FloatArray) -> FloatArray:
    """Longitude and latitude [deg] of places in the prescription's frame [m], shape (n, 2)."""
    import pyproj

    to_degrees = pyproj.Transformer.from_crs(vetted.prescription.local_crs, "EPSG:4326", always_xy=True)
    return np.column_stack(to_degrees.transform(x, y))


def day_hours(vetted: VetOutcome, rate: FloatArray, speeds: tuple[FloatArray, FloatArray], options: DayOptions) -> Day:
    """Count the hours of a field, without its loads.

    Parameters
    ----------
    vetted : VetOutcome
        The field and its bar.
    rate : ndarray, shape (zones,)
        Nitrogen rates driven [kg/m2].
    speeds : tuple of ndarray, shape (zones,)
        Slowest and fastest speed of each zone [m/s].
    options : DayOptions
        Direction of the passes and efficiency.

    Raises
    ------
    UsageError, QuantityError
        If an option makes no sense.
    """
    window, area, asked = vetted.solution.window, vetted.prescription.area, rate > 0.0
    share = parse_share(options.efficiency, field_efficiency(window.rows), where="--efficiency")
    fast, middle, slow = (
        work_hours(area[asked], speed[asked], window.width, share)
        for speed in (speeds[1], 0.5 * (speeds[0] + speeds[1]), speeds[0])
    )
    course = course_of(options, vetted.prescription.zones)
    return Day((fast, middle, slow), share, course, None, np.zeros((0, 2)), None)


def with_loads(
    day: Day, vetted: VetOutcome, rate: FloatArray, speeds: tuple[FloatArray, FloatArray], options: DayOptions
) -> Day:
    """Count the tank loads of a field too, where its bar has a tank.

    Parameters
    ----------
    day : Day
        From `day_hours`.
    vetted, rate, speeds, options
        As there.

    Raises
    ------
    UsageError
        If the heel is no share, or the tank cools below the temperatures covered.
    RangeError
        If the passes cannot be laid.
    """
    solution, prescription = vetted.solution, vetted.prescription
    heel = parse_share(options.heel, HEEL, where="--heel")
    begin = _begin(vetted, options.start)
    if solution.bar.tank is None:
        return day
    passes, corner, _ = _course_from(vetted, day.heading, begin)
    loads = tank_loads(passes, rate, prescription.area, solution.bar, solution.plan.temperature[0], heel=heel)
    end = end_of_tank_window(rate, solution, speeds, heel=heel)
    start = None
    if passes.start_x.size:
        place = _in_degrees(vetted, passes.start_x[:1], passes.start_y[:1])[0]
        start = Start(corner, (float(place[0]), float(place[1])), passes.heading % (2.0 * math.pi))
    places = _in_degrees(vetted, loads.x, loads.y)
    ground = ground_of_loads(passes, rate, prescription.area, loads)
    return replace(day, loads=loads, places=places, end=end, start=start, ground=ground)
