"""Which hours of a told day hold how much of a planned field."""

from __future__ import annotations

from pathlib import Path

from geoflow.base.errors import BarError
from geoflow.base.progress import tell
from geoflow.decide.day_by_hour import DayByHour, hold_over_day
from geoflow.decide.field_day import Day
from geoflow.decide.weather import liquid_over_day
from geoflow.files.inputs import watching
from geoflow.options.typed import DayOptions
from geoflow.outcomes import VetOutcome
from geoflow.workflow.day import HEEL, parse_share
from geoflow.workflow.day_file import read_day

__all__ = ["field_by_hour"]


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
    if options.day is None:
        return None
    solution = planned.solution
    with watching(options.day) as inputs:
        weather = read_day(Path(options.day), solution.bar.air_pressure)
    inputs.refuse_changes()
    tank, loads = solution.bar.tank, day.loads
    if tank is None:
        raise BarError(
            "the bar names no tank, so its liquid cannot be followed through a day",
            where="tank",
            cure='add [tank] with capacity = "1000 gal", or leave --day out',
        )
    if loads is None or day.ground is None or not len(loads.drawn):
        return None
    tell("following the tank's liquid through the day")
    needed = day.time[2].total
    lasting = needed * loads.full_load / float(loads.drawn.sum())
    fills = tank.fill, parse_share(options.heel, HEEL, where="--heel")
    liquid = liquid_over_day(weather, solution.plan.temperature, fills, tank.capacity / loads.together, lasting)
    return hold_over_day(
        planned.rate,
        planned.prescription.area,
        solution,
        planned.vetting.driven,
        weather,
        liquid,
        (day.ground, needed),
    )
