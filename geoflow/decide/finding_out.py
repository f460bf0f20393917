"""Which of the things a bar file leaves open to find out first for a map: those that settle most doubtful ground."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geoflow.bar.open_values import OpenValue, bar_with, open_values
from geoflow.base.errors import BarError
from geoflow.decide.other_ways import Zones, plan_places
from geoflow.decide.vet import Solution, asked_of_rows
from geoflow.hydraulics.window import flow_window

__all__ = ["FindingOut", "FoundOut", "finding_out"]


@dataclass(frozen=True, slots=True)
class FoundOut:
    """One thing that is not known, and the area of doubtful zones shown to hold and to fail once it is [m2].

    It is then taken to be at the middle of its range, or a bore of unknown length to be a long one.
    """

    value: OpenValue
    holds: float
    fails: float

    @property
    def settled(self) -> float:
        """Either of them [m2]."""
        return self.holds + self.fails


@dataclass(frozen=True, slots=True)
class FindingOut:
    """What finding things out would settle.

    Attributes
    ----------
    open : tuple of OpenValue
        All that is open of the bar.
    each : tuple of FoundOut
        Those that settle something by themselves, the most first.
    together : float
        Area settled with all of them known [m2].
    """

    open: tuple[OpenValue, ...]
    each: tuple[FoundOut, ...]
    together: float


def finding_out(solution: Solution, doubtful: Zones) -> FindingOut | None:
    """Find out what knowing each open thing would settle; None where nothing is open.

    Knowing more never settles less, so things that settle nothing together are not looked at one by one.

    Parameters
    ----------
    solution : Solution
        From `vet.solve`.
    doubtful : Zones
        Those in doubt.
    """
    bar, plan = solution.bar, solution.plan
    listed = open_values(bar, plan.sections)
    if not listed:
        return None
    window = solution.window.at(plan_places(solution.window))
    # What these temperatures alone would settle is nothing that was found out.
    unsettled = doubtful.unsettled(window.both_over_plan(commanded=True))

    def found(values: tuple[OpenValue, ...]) -> tuple[float, float]:
        other = bar_with(bar, [one.key for one in values])
        try:
            known = flow_window(other, window.temperature, plan.sections)
        except BarError:
            return 0.0, 0.0
        holds, fails = unsettled.settled(asked_of_rows(known, other, plan).both_over_plan(commanded=True))
        least = doubtful.ends(np.array([holds + fails]))[0]
        return (holds, fails) if least else (0.0, 0.0)

    def split(values: tuple[OpenValue, ...], both: tuple[float, float]) -> list[FoundOut]:
        if not any(both):
            return []
        if len(values) == 1:
            return [FoundOut(values[0], *both)]
        halves = values[: len(values) // 2], values[len(values) // 2 :]
        return [one for half in halves for one in split(half, found(half))]

    together = found(listed)
    each = sorted(split(listed, together), key=lambda one: -one.settled)
    return FindingOut(listed, tuple(each), sum(together))
