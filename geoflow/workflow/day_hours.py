"""Which hours of a told day hold how much of a planned field."""

from __future__ import annotations

from pathlib import Path

from geoflow.bar.equipment import Bar, Tank
from geoflow.base.arrays import FloatArray
from geoflow.base.errors import BarError
from geoflow.base.progress import tell
from geoflow.decide.day_by_hour import DayByHour, hold_over_day
from geoflow.decide.field_day import Day
from geoflow.decide.loads import TankLoads
from geoflow.decide.weather import Weather, liquid_over_day
from geoflow.files.inputs import watching
from geoflow.options.typed import DayOptions
from geoflow.outcomes import VetOutcome
from geoflow.workflow.day import HEEL, parse_share
from geoflow.workflow.day_file import read_day

__all__ = ["day_of", "field_by_hour"]


def day_of(options: DayOptions, bar: Bar) -> tuple[Weather, Tank] | None:
    """Read the file of a day, and the tank whose liquid is followed through it; None where no file is given.

    Parameters
    ----------
    options : DayOptions
        With the file.
    bar : Bar
        Its site and its tank.

    Raises
    ------
    GeoflowError
        If the file cannot be read, or the bar names no tank.
    """
    if options.day is None:
        return None
    with watching(options.day) as inputs:
        weather = read_day(Path(options.day), bar.air_pressure)
    inputs.refuse_changes()
    if bar.tank is None:
        raise BarError(
            "the bar names no tank, so its liquid cannot be followed through a day",
            where="tank",
            cure='add [tank] with capacity = "1000 gal", or leave --day out',
        )
    return weather, bar.tank


def field_by_hour(planned: VetOutcome, day: Day, options: DayOptions) -> DayByHour | None:
    """Find what of a planned field holds through the day of a file.

    Parameters
    ----------
    planned : VetOutcome
        Vetted at the speeds of the plan; its planned temperatures are those of a full tank at the first hour.
    day : Day
        Hours and loads.
    options : DayOptions
        With the file, and the heel.

    Returns
    -------
    DayByHour or None
        None where no file is given, or nothing is asked.

    Raises
    ------
    GeoflowError
        If the file cannot be read, or the bar names no tank.
    """
    solution, loads = planned.solution, day.loads
    told = day_of(options, solution.bar)
    if told is None:
        return None
    weather, tank = told
    if loads is None or day.ground is None or not len(loads.drawn):
        return None
    tell("following the tank's liquid through the day")
    needed = day.time[2].total
    durations = _durations(day.ground, loads, planned, day.efficiency)
    fills = tank.fill, parse_share(options.heel, HEEL, where="--heel")
    liquid = liquid_over_day(weather, solution.plan.temperature, fills, tank.capacity / loads.together, durations)
    return hold_over_day(
        planned.rate,
        planned.prescription.area,
        solution,
        planned.vetting.driven,
        weather,
        liquid,
        (day.ground, needed),
    )


def _durations(ground: FloatArray, loads: TankLoads, planned: VetOutcome, efficiency: float) -> tuple[float, float]:
    """How long a full tank lasts [s]: on the ground that asks most, without a turn, and on that which asks least."""
    asked, width = planned.rate > 0.0, planned.solution.window.width
    some = ground[:, asked]
    fast, slow = (
        (some / speed[asked]).sum(axis=1) / width * loads.full_load / loads.drawn
        for speed in reversed(planned.vetting.driven)
    )
    return float(fast.min()), float(slow.max()) / efficiency
