"""A bar and what is planned with it, from the texts a person typed."""

from __future__ import annotations

from geoflow.bar.bar_file import read_bar
from geoflow.bar.equipment import Bar
from geoflow.bar.liquid import liquid_temperature, tank_gauge
from geoflow.bar.sections_in_use import choose_sections
from geoflow.base.ranges import planned_speed
from geoflow.decide.vet import Plan, Solution, solve
from geoflow.options.typed import PlanOptions

__all__ = ["make_plan", "read_bar_and_plan"]


def make_plan(bar: Bar, options: PlanOptions) -> Plan:
    """Turn what was said into a plan.

    Parameters
    ----------
    bar : Bar
        Gives the sections, and the speeds where none is planned.
    options : PlanOptions
        Temperature (or the tank's gauge pressure) and speed, one value or a range with unit;
        sections with commas between, as ``"left,right"``.

    Raises
    ------
    QuantityError, UsageError
        If a text is no such thing.
    """
    said = options.sections
    names = None if said is None else [name.strip() for name in said.split(",") if name.strip()]
    gauge = tank_gauge(options.temperature, bar.air_pressure)
    return Plan(
        liquid_temperature(options.temperature, bar.air_pressure, where="--temperature"),
        bar.limits.speed if options.speed is None else planned_speed(options.speed),
        choose_sections(bar, names),
        options.rows,
        None if gauge is None else (gauge[0] - bar.air_pressure, gauge[1] - bar.air_pressure),
    )


def read_bar_and_plan(options: PlanOptions) -> Solution:
    """Read the bar and solve it for a plan.

    Parameters
    ----------
    options : PlanOptions
        Which bar, and what is planned with it.

    Raises
    ------
    GeoflowError
        If the bar cannot be read, or the plan is none.
    """
    bar = read_bar(options.bar)
    return solve(bar, make_plan(bar, options))
