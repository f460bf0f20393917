"""Hours and tank loads in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.base.arrays import FloatArray, IntArray
from geoflow.base.counted import count, verb
from geoflow.base.said import said as said_as_given
from geoflow.base.units import System, number, show, unit_label
from geoflow.decide.day import WorkTime
from geoflow.decide.loads import TankCount, TankLoads
from geoflow.report.layout import hours, zone_names
from geoflow.report.model import Block, Paragraph, Section, Table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from geoflow.decide.field_day import Day

__all__ = [
    "cooling_text",
    "day_section",
    "full_tank_text",
    "hours_text",
    "loads_blocks",
    "lost_at_the_end",
    "tanks_text",
]

_NO_TANK: Final = "The bar file names no [tank], so loads are not counted."
_MOST_LOADS: Final = 60
# A last tank that gives less than this share of a full one: the others nearly do.
_NEARLY: Final = 0.1
_ORDINALS: Final = {2: "second", 3: "third", 4: "fourth", 5: "fifth", 6: "sixth"}


def lost_at_the_end(day: Day) -> IntArray:
    """Give the places of zones that hold, but no longer at the end of a tank.

    Parameters
    ----------
    day : Day
        Of the field.
    """
    if day.end is None:
        return np.zeros(0, dtype=np.int64)
    return np.flatnonzero((day.end.before.verdict == "holds") & (day.end.after.verdict != "holds"))


def tanks_text(loads: TankLoads | TankCount, system: System) -> str:
    """Say in plain words how many tanks it takes.

    Parameters
    ----------
    loads : TankLoads or TankCount
        From `decide.loads`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    tanks = len(loads.drawn)
    if not tanks:
        return "no tank"
    last, needed = float(loads.drawn[-1]), show(float(loads.drawn.sum()), "mass", system)
    if loads.together > 1:
        return _twin_text(loads, needed, system)
    if last > 0.999 * loads.full_load:
        return f"{count(tanks, 'full tank')} for {needed} NH3"
    if tanks == 1:
        return f"1 tank, more than enough for {needed} NH3"
    if last < _NEARLY * loads.full_load:
        more, rest = show(last, "mass", system), _ORDINALS.get(tanks, f"{tanks}th")
        return (
            f"{count(tanks - 1, 'tank')} and {more}: {needed} NH3 is {more} more than {count(tanks - 1, 'full tank')} "
            + (f"{verb(tanks - 1, 'gives', 'give')}, and a {rest} tank has to bring it")
        )
    return f"{count(tanks, 'tank')} for {needed} NH3, {show(last, 'mass', system)} of it from the last"


def _twin_text(loads: TankLoads | TankCount, needed: str, system: System) -> str:
    """The same for tanks that are drawn together, a load each time."""
    many, last = len(loads.drawn), float(loads.drawn[-1])
    filled = f"{count(many, 'load')} of {loads.together} tanks drawn together ({many * loads.together:,} tanks)"
    if many > 1 and last < _NEARLY * loads.full_load:
        more = show(last, "mass", system)
        return f"{count(many - 1, 'load')} of {loads.together} tanks drawn together and {more}, for {needed} NH3"
    if many == 1 or last > 0.999 * loads.full_load:
        return f"{filled} for {needed} NH3"
    return f"{filled} for {needed} NH3, {show(last, 'mass', system)} of it from the last load"


def full_tank_text(loads: TankLoads, system: System) -> str:
    """Say what a full tank holds and how much of it can be drawn.

    Parameters
    ----------
    loads : TankLoads
        From `decide.loads`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    who = "A full tank" if loads.together == 1 else f"A load of {loads.together} full tanks"
    return (
        f"{who} holds {show(loads.liquid_volume, 'volume', system)} ({show(loads.liquid_mass, 'mass', system)}) "
        f"of liquid at {said_as_given(loads.start_temperature, 'temperature', system)} and gives "
        f"{show(loads.full_load, 'mass', system)} NH3, down to a heel of {100.0 * loads.heel:g} % of its capacity."
    )


def _loads_table(loads: TankLoads, places: FloatArray, names: Sequence[str], system: System, most: int) -> Table:
    unit = unit_label("length", system)
    heads = (
        "tank" if loads.together == 1 else "load",
        "draws",
        "ends in pass",
        f"after {unit}",
        "zone",
        "place (lat, lon)",
        "fill",
        "liquid at its end",
    )
    many = len(loads.drawn)
    rows = tuple(
        (
            str(index + 1),
            show(float(loads.drawn[index]), "mass", system),
            str(int(loads.number[index]) + 1),
            number(float(loads.distance[index]), "length", system, 0),
            names[loads.zone[index]],
            f"{places[index][1]:.5f}, {places[index][0]:.5f}",
            f"{100.0 * float(loads.end_fill[index]):.0f} %",
            show(float(loads.end_temperature[index]), "temperature", system, 1),
        )
        for index in range(min(many, most))
    )
    rest = f", the first {len(rows)} of {many:,} (--all-zones tells all)" if len(rows) < many else ""
    caption = f"Where each {heads[0]} runs out{rest}"
    return Table(caption, heads, rows, ">>>>><>>", (0.7, 1.3, 1.0, 1.0, 0.8, 2.3, 0.8, 1.4))


def hours_text(ends: tuple[WorkTime, WorkTime], efficiency: float, speeds: str) -> str:
    """Say how many hours the field takes, in the ground and in all.

    Parameters
    ----------
    ends : tuple of WorkTime
        At the fastest and the slowest of the planned speeds.
    efficiency : float
        Field efficiency [-].
    speeds : str
        The speeds in words.
    """
    both = ([one.productive for one in ends], [one.total for one in ends])
    worked, total = (" to ".join(dict.fromkeys(map(hours, pair))).replace(" h to ", " to ") for pair in both)
    return (
        f"Hours at {speeds}, zones of rate zero apart: {worked} in the ground, {total} in the field at a field "
        f"efficiency of {100.0 * efficiency:.0f} % (unless given: Iowa State University Extension PM 696 and A3-24 "
        "for ammonia bars)."
    )


def loads_blocks(day: Day, names: Sequence[str], system: System, *, all_loads: bool = False) -> list[Block]:
    """Say how many tanks it takes, and where each runs out, or why that is not told.

    Parameters
    ----------
    day : Day
        Of the field.
    names : list of str
        Number of each zone as people see it.
    system : str
        ``"us"`` or ``"metric"``.
    all_loads : bool
        Tell every tank.
    """
    loads = day.loads
    if loads is None:
        return [Paragraph(day.why_not or _NO_TANK)]
    said = f"Tanks: {tanks_text(loads, system)}. {full_tank_text(loads, system)} {_passes_text(day)}"
    if not len(loads.drawn):
        return [Paragraph(said)]
    most = len(loads.drawn) if all_loads else _MOST_LOADS
    return [Paragraph(said), _loads_table(loads, day.places, names, system, most)]


def _passes_text(day: Day) -> str:
    """How the passes are taken to run."""
    if day.start is None:
        return f"Passes are taken to run at {math.degrees(day.heading) % 180.0:.0f}° from north."
    (lon, lat), course = day.start.place, math.degrees(day.start.heading) % 360.0
    return (
        f"Pass 1 is taken to start in the {day.start.corner} of the field ({lat:.5f}, {lon:.5f}) and to run at "
        f"{course:.0f}° from north, the next ones beside it back and forth; --start takes another corner."
    )


def cooling_text(coldest: float, system: System) -> str:
    """Say how cold a tank gets while it is drawn, down to a temperature [K].

    Parameters
    ----------
    coldest : float
        Of a tank drawn to its heel, whether or not the field takes it that far [K].
    system : str
        ``"us"`` or ``"metric"``.
    """
    cold = show(coldest, "temperature", system, 1)
    return (
        f"A tank cools while it is drawn, to about {cold} by the time it is down to its heel (no heat from air or "
        "steel counted)."
    )


def day_section(day: Day, names: Sequence[str], system: System) -> Section:
    """Hours, loads, and what the cooling of the tank does.

    Parameters
    ----------
    day : Day
        What was computed.
    names : list of str
        Number of each zone as people see it.
    system : str
        ``"us"`` or ``"metric"``.
    """
    middle = day.time[1]
    hours = Paragraph(hours_text((middle, middle), day.efficiency, "the speeds of this report"))
    return Section(
        "loads", "Loads and hours", (hours, *loads_blocks(day, names, system), *_cooling(day, names, system))
    )


def _cooling(day: Day, names: Sequence[str], system: System) -> list[Block]:
    if day.end is None:
        return []
    said, lost = cooling_text(day.end.temperature, system), lost_at_the_end(day)
    if not lost.size:
        return [Paragraph(f"{said} No zone that holds loses its verdict for it.")]
    shown, holds = zone_names([names[index] for index in lost], 20), verb(lost.size, "holds", "hold")
    said += f" Down there {count(lost.size, 'zone')} that {holds} would no longer: {shown}."
    return [Paragraph(said, "warning")]
