"""Hours and tank loads in a report."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from geoflow.base.arrays import FloatArray, IntArray
from geoflow.base.units import System, number, show, unit_label
from geoflow.decide.day import WorkTime
from geoflow.decide.loads import TankLoads
from geoflow.report.layout import count, verb, zone_names
from geoflow.report.loads import full_tank_text, tanks_text
from geoflow.report.model import Block, Paragraph, Section, Table

__all__ = ["Day", "day_section"]

_MOST_LOADS = 60


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


def _loads_table(day: Day, loads: TankLoads, names: list[str], system: System) -> Table:
    unit = unit_label("length", system)
    heads = ("tank", "draws", "ends in pass", f"after {unit}", "zone", "place (lat, lon)", "fill", "liquid at its end")
    lines = []
    for index in range(min(len(loads.drawn), _MOST_LOADS)):
        lon, lat = day.places[index]
        lines.append(
            (
                str(index + 1),
                show(float(loads.drawn[index]), "mass", system),
                str(int(loads.number[index]) + 1),
                number(float(loads.distance[index]), "length", system, 0),
                names[loads.zone[index]],
                f"{lat:.5f}, {lon:.5f}",
                f"{100.0 * float(loads.end_fill[index]):.0f} %",
                show(float(loads.end_temperature[index]), "temperature", system, 1),
            )
        )
    left = len(loads.drawn) - len(lines)
    caption = "Where each tank runs out" + (f", the first {len(lines)} of {len(loads.drawn):,}" if left else "")
    return Table(caption, heads, tuple(lines), ">>>>><>>", (0.7, 1.3, 1.0, 1.0, 0.8, 2.3, 0.8, 1.4))


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
    productive, total = day.time.productive / 3600.0, day.time.total / 3600.0
    blocks: list[Block] = [
        Paragraph(
            f"{productive:.1f} h in the ground at the speeds of this report, {total:.1f} h in the field at a field "
            f"efficiency of {100.0 * day.efficiency:.0f} % (unless given: Iowa State University Extension PM 696 and "
            "A3-24 for ammonia bars). Zones of rate zero are left out."
        )
    ]
    loads = day.loads
    if loads is None:
        return Section("loads", "Loads and hours", (*blocks, Paragraph(day.why_not)))
    blocks.append(
        Paragraph(
            f"Tanks: {tanks_text(loads, system)}. {full_tank_text(loads, system)} Passes are taken to run at "
            f"{math.degrees(day.heading) % 180.0:.0f}° from north."
        )
    )
    if len(loads.drawn):
        blocks.append(_loads_table(day, loads, names, system))
    if day.coldest is not None:
        cold = show(day.coldest, "temperature", system, 1)
        said = f"A tank cools while it is drawn, to about {cold} at its end (no heat from air or steel counted). "
        if day.lost.size:
            shown = zone_names([names[index] for index in np.sort(day.lost)], 20)
            holds = verb(day.lost.size, "holds", "hold")
            said += f"Down there {count(day.lost.size, 'zone')} that {holds} would no longer: {shown}."
            blocks.append(Paragraph(said, "warning"))
        else:
            blocks.append(Paragraph(said + "No zone that holds loses its verdict for it."))
    return Section("loads", "Loads and hours", tuple(blocks))
