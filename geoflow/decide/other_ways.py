"""What would help doubtful zones where no reading does: colder liquid or smaller orifices, and at what cost."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray, distinct
from geoflow.decide.vet import Solution, asked_of_rows
from geoflow.hydraulics.window import Bounds, FlowWindow, flow_window

__all__ = ["WORTH", "OtherWay", "Zones", "inside", "other_ways", "plan_places"]

WORTH: Final = 0.01
"""Less of the doubtful area than this share is nothing."""

# Temperatures of the plan at which a window that is only expected is solved; its ends bend little between.
_TEMPERATURES: Final = 3
# As in vet: a rate right at the window's edge passes in spite of rounding.
_ROUNDING: Final = 1e-9
# Orifices tried where no reading settles anything, against those in use.
_SMALLER: Final = (0.95, 0.9, 0.85, 0.8, 0.7)


def plan_places(window: FlowWindow) -> IntArray:
    """Places of a few temperatures of a window, both ends among them.

    Parameters
    ----------
    window : FlowWindow
        Over the plan.
    """
    return distinct(np.linspace(0, window.temperature.size - 1, _TEMPERATURES).round().astype(np.int64))


@dataclass(frozen=True, slots=True)
class OtherWay:
    """What would help in place of a reading.

    Attributes
    ----------
    value : float
        Liquid temperature [K] or diameter [m].
    held : float
        Area of the doubtful zones that would certainly hold [m2].
    lost : float
        Area that certainly holds now and would no longer [m2].
    """

    value: float
    held: float
    lost: float


@dataclass(frozen=True, slots=True)
class Zones:
    """Zones of one verdict: area [m2], flows at the slowest and the fastest planned speed [kg/s as commanded]."""

    area: FloatArray
    low: FloatArray
    high: FloatArray

    def held(self, certain: Bounds) -> float:
        """Area within a certain window [m2].

        Parameters
        ----------
        certain : Bounds
            As commanded.
        """
        return float(self.area[inside(self.low, self.high, certain.low, certain.high)].sum())

    def settled(self, after: tuple[Bounds, Bounds] | None) -> tuple[float, float]:
        """Area shown to hold and to fail [m2].

        Parameters
        ----------
        after : tuple of Bounds or None
            Certain and possible window as commanded; None where there is none.
        """
        if after is None:
            return 0.0, 0.0
        certain, possible = after
        holds = inside(self.low, self.high, certain.low, certain.high)
        fails = ~holds & ~inside(self.low, self.high, possible.low, possible.high)
        return float(self.area[holds].sum()), float(self.area[fails].sum())

    def unsettled(self, after: tuple[Bounds, Bounds]) -> Zones:
        """Return those that two windows leave in doubt.

        Parameters
        ----------
        after : tuple of Bounds
            Certain and possible window as commanded.
        """
        certain, possible = (inside(self.low, self.high, ends.low, ends.high) for ends in after)
        open_ = possible & ~certain
        return Zones(self.area[open_], self.low[open_], self.high[open_])

    def ends(self, areas: FloatArray) -> tuple[float, float]:
        """Least and greatest of some areas [m2]; nothing where it is not worth the word.

        Parameters
        ----------
        areas : ndarray
            Of zones among these [m2].
        """
        whole = float(self.area.sum())
        least, most = (0.0 if area < WORTH * whole else float(area) for area in (areas.min(), areas.max()))
        return least, most


def inside(low: FloatArray, high: FloatArray, least: FloatArray | float, most: FloatArray | float) -> BoolArray:
    """Whether flows lie within a window.

    Parameters
    ----------
    low, high : ndarray, shape (zones,)
        At the slowest and the fastest speed [kg/s].
    least, most : array_like
        Ends of the window [kg/s].
    """
    return np.asarray((low >= least * (1.0 - _ROUNDING)) & (high <= most * (1.0 + _ROUNDING)))


def _best_way(ways: Iterable[tuple[float, Bounds]], doubtful: Zones, holding: Zones) -> OtherWay | None:
    """Pick the certain window that gains most over what it loses, the first of equals; None where none is worth it."""
    best, gain = None, WORTH * float(doubtful.area.sum())
    for value, certain in ways:
        way = OtherWay(value, doubtful.held(certain), float(holding.area.sum()) - holding.held(certain))
        if way.held - way.lost >= gain:
            best, gain = way, (way.held - way.lost) * (1.0 + WORTH)
    return best


def _colder(solution: Solution) -> Iterator[tuple[float, Bounds]]:
    """Temperatures below the plan [K], the warmest first, and the certain window there."""
    window = solution.search
    for at in np.flatnonzero(window.temperature < solution.plan.temperature[0])[::-1]:
        yield float(window.temperature[at]), window.at(np.array([at])).over_plan(certain=True, commanded=True)


def _smaller(solution: Solution) -> Iterator[tuple[float, Bounds]]:
    """Diameters [m] of unmeasured smaller orifices, the largest first, and the certain window over the plan."""
    bar, plan = solution.bar, solution.plan
    fitted = {bar.sections[index].orifice for index in plan.sections}
    if len(fitted) > 1:
        return
    (name,) = fitted
    kelvin = solution.window.temperature[plan_places(solution.window)]
    for share in _SMALLER:
        orifice = replace(bar.orifices[name], diameter=bar.orifices[name].diameter * share, measured=())
        other = replace(bar, orifices={**bar.orifices, name: orifice})
        window = asked_of_rows(flow_window(other, kelvin, plan.sections), other, plan)
        yield orifice.diameter, window.over_plan(certain=True, commanded=True)


def other_ways(solution: Solution, doubtful: Zones, holding: Zones) -> tuple[OtherWay | None, OtherWay | None]:
    """Find the colder liquid and the smaller orifices with which most more of the field would certainly hold.

    Parameters
    ----------
    solution : Solution
        From `vet.solve`.
    doubtful, holding : Zones
        Those in doubt, and those that hold as planned.
    """
    return _best_way(_colder(solution), doubtful, holding), _best_way(_smaller(solution), doubtful, holding)
