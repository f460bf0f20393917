"""Hours and tank loads in words."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray, IntArray
from geoflow.base.said import said as said_as_given
from geoflow.base.units import System, number, show, unit_label
from geoflow.decide.day import WorkTime
from geoflow.decide.loads import TankCount, TankLoads
from geoflow.report.layout import count, verb, zone_names
from geoflow.report.model import Block, Paragraph, Section, Table

__all__ = [
    "NO_TANK",
    "Day",
    "cooling_text",
    "day_section",
    "full_tank_text",
    "hours_text",
    "loads_blocks",
    "tanks_text",
]

NO_TANK: Final = "The bar file names no [tank], so loads are not counted."
_MOST_LOADS: Final = 60
# A last tank that gives less than this share of a full one: the others nearly do.
_NEARLY: Final = 0.1
_ORDINALS: Final = {2: "second", 3: "third", 4: "fourth", 5: "fifth", 6: "sixth"}


@dataclass(frozen=True, slots=True)
class Day:
    """What the field takes.

    Attributes
    ----------
    time : WorkTime
        Hours, zones of rate zero apart.
    efficiency : float
        Field efficiency [-].
    heading : float
        Of the passes [rad, clockwise from north].
    loads : TankLoads or None
        None where the bar names no tank, or no pass crosses ground that asks for ammonia.
    places : ndarray, shape (loads, 2)
        Longitude and latitude where each tank runs out [deg].
    coldest : float or None
        Liquid at the end of a tank filled at the coldest planned temperature [K].
    lost : ndarray of int
        Zones that hold, but no longer at the end of a tank.
    why_not : str
        Why there are no loads.
    """

    time: WorkTime
    efficiency: float
    heading: float
    loads: TankLoads | None
    places: FloatArray
    coldest: float | None
    lost: IntArray
    why_not: str


def tanks_text(loads: TankLoads | TankCount, system: System) -> str:
    """Say in plain words how many tanks it takes."""
    tanks = len(loads.drawn)
    if not tanks:
        return "no tank"
    last, needed = float(loads.drawn[-1]), show(float(loads.drawn.sum()), "mass", system)
    if last > 0.999 * loads.full_load:
        return f"{count(tanks, 'full tank')} for {needed} NH3"
    if tanks == 1:
        return f"1 tank, more than enough for {needed} NH3"
    if last < _NEARLY * loads.full_load:
        full = f"{count(tanks - 1, 'full tank')} {verb(tanks - 1, 'falls', 'fall')}"
        rest = _ORDINALS.get(tanks, f"{tanks}th")
        return f"{full} {show(last, 'mass', system)} short of the {needed} NH3; a {rest} tank gives that"
    return f"{count(tanks, 'tank')} for {needed} NH3, {show(last, 'mass', system)} of it from the last"


def full_tank_text(loads: TankLoads, system: System) -> str:
    """Say what a full tank holds and how much of it can be drawn."""
    return (
        f"A full tank holds {show(loads.liquid_volume, 'volume', system)} ({show(loads.liquid_mass, 'mass', system)}) "
        f"of liquid at {said_as_given(loads.start_temperature, 'temperature', system)} and gives "
        f"{show(loads.full_load, 'mass', system)} NH3, down to a heel of {100.0 * loads.heel:g} % of its capacity."
    )


def _loads_table(loads: TankLoads, places: FloatArray, names: list[str], system: System) -> Table:
    unit = unit_label("length", system)
    heads = ("tank", "draws", "ends in pass", f"after {unit}", "zone", "place (lat, lon)", "fill", "liquid at its end")
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
        for index in range(min(many, _MOST_LOADS))
    )
    caption = "Where each tank runs out" + (f", the first {len(rows)} of {many:,}" if len(rows) < many else "")
    return Table(caption, heads, rows, ">>>>><>>", (0.7, 1.3, 1.0, 1.0, 0.8, 2.3, 0.8, 1.4))


def hours_text(slowest: WorkTime, fastest: WorkTime, efficiency: float, speeds: str) -> str:
    """Say how many hours the field takes, in the ground and in all.

    Parameters
    ----------
    slowest, fastest : WorkTime
        At the ends of the planned speeds.
    efficiency : float
        Field efficiency [-].
    speeds : str
        The speeds in words.
    """
    ends = ((fastest.productive, slowest.productive), (fastest.total, slowest.total))
    worked, total = (" to ".join(dict.fromkeys(f"{seconds / 3600.0:.1f}" for seconds in pair)) for pair in ends)
    return (
        f"Hours at {speeds}, zones of rate zero apart: {worked} h in the ground, {total} h in the field at a field "
        f"efficiency of {100.0 * efficiency:.0f} % (unless given: Iowa State University Extension PM 696 and A3-24 "
        "for ammonia bars)."
    )


def loads_blocks(loads: TankLoads, places: FloatArray, heading: float, names: list[str], system: System) -> list[Block]:
    """Say how many tanks it takes, and where each runs out.

    Parameters
    ----------
    loads : TankLoads
        From `decide.loads`.
    places : ndarray, shape (loads, 2)
        Longitude and latitude where each runs out [deg].
    heading : float
        Of the passes [rad, clockwise from north].
    names : list of str
        Number of each zone as people see it.
    system : str
        ``"us"`` or ``"metric"``.
    """
    said = (
        f"Tanks: {tanks_text(loads, system)}. {full_tank_text(loads, system)} Passes are taken to run at "
        f"{math.degrees(heading) % 180.0:.0f}° from north."
    )
    return [Paragraph(said), *([_loads_table(loads, places, names, system)] if len(loads.drawn) else [])]


def cooling_text(coldest: float, system: System) -> str:
    """Say how cold a tank gets while it is drawn, down to a temperature [K]."""
    cold = show(coldest, "temperature", system, 1)
    return f"A tank cools while it is drawn, to about {cold} at its end (no heat from air or steel counted)."


def day_section(day: Day, names: list[str], system: System) -> Section:
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
    blocks: list[Block] = [Paragraph(hours_text(day.time, day.time, day.efficiency, "the speeds of this report"))]
    if day.loads is None:
        return Section("loads", "Loads and hours", (*blocks, Paragraph(day.why_not)))
    blocks += loads_blocks(day.loads, day.places, day.heading, names, system)
    if day.coldest is not None:
        said, lost = cooling_text(day.coldest, system), day.lost.size
        if lost:
            shown = zone_names([names[index] for index in np.sort(day.lost)], 20)
            said += f" Down there {count(lost, 'zone')} that {verb(lost, 'holds', 'hold')} would no longer: {shown}."
            blocks.append(Paragraph(said, "warning"))
        else:
            blocks.append(Paragraph(f"{said} No zone that holds loses its verdict for it."))
    return Section("loads", "Loads and hours", tuple(blocks))
