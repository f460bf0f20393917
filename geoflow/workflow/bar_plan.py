"""A bar and what is planned with it, from the texts a person typed."""

from __future__ import annotations

from geoflow.bar.bar_file import read_bar
from geoflow.bar.equipment import Bar
from geoflow.base.units import parse_range
from geoflow.decide.vet import Plan, Solution, solve
from geoflow.hydraulics.circuit import choose_sections

__all__ = ["make_plan", "read_bar_and_plan"]


def make_plan(bar: Bar, temperature: str, speed: str | None, sections: str | None) -> Plan:
    """Turn the texts of the command line into a plan.

    Parameters
    ----------
    bar : Bar
        Gives the sections, and the speeds where none is planned.
    temperature, speed : str
        One value or a range, with unit.
    sections : str or None
        Names with commas between, as ``"left,right"``.

    Raises
    ------
    QuantityError, UsageError
        If a text is no such thing.
    """
    names = None if sections is None else [name.strip() for name in sections.split(",") if name.strip()]
    return Plan(
        parse_range(temperature, "temperature", where="--temperature"),
        bar.limits.speed if speed is None else parse_range(speed, "speed", where="--speed"),
        choose_sections(bar, names),
    )


def read_bar_and_plan(bar_file: str, temperature: str, speed: str | None, sections: str | None) -> Solution:
    """Read the bar and solve it for a plan."""

    bar = read_bar(bar_file)
    return solve(bar, make_plan(bar, temperature, speed, sections))
