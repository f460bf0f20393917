"""The liquid planned with, said as it was given: a temperature, or the gauge of its tank and what that means."""

from __future__ import annotations

from geoflow.base.said import said_range
from geoflow.base.units import System, show_range
from geoflow.decide.vet import Plan

__all__ = ["said_liquid"]


def said_liquid(plan: Plan, system: System) -> str:
    """Say a plan's liquid temperature back.

    Parameters
    ----------
    plan : Plan
        What is planned.
    system : str
        ``"us"`` or ``"metric"``.
    """
    if plan.tank_gauge is None:
        return said_range(*plan.temperature, "temperature", system)
    warmth = show_range(*plan.temperature, "temperature", system)
    return f"{warmth} (tank gauge {said_range(*plan.tank_gauge, 'pressure', system, 0)})"
