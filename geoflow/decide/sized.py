"""Rates asked, the diameters found for them, and the best of these vetted as any bar is."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.decide.size_curves import BarRange, size_solution
from geoflow.decide.sizing import SizeChoice, asked_flows, size_choice
from geoflow.decide.vet import Plan, Solution, Vetting, vet

__all__ = ["Sized", "Taken", "sized"]


@dataclass(frozen=True, slots=True)
class Taken:
    """What counts of the bar where no bar file says it: its name, both ends of it in SI, and whether it was given."""

    name: str
    low: float
    high: float
    given: bool


@dataclass(frozen=True, slots=True)
class Sized:
    """Orifices for some rates.

    Attributes
    ----------
    bars, plan : BarRange, Plan
        The bar as far as it is known, and what the day may bring.
    rate : ndarray, shape (n,)
        Nitrogen rates asked, rising [kg/m2].
    area : ndarray, shape (n,), or None
        That asks for each [m2]; None without a map.
    choice : SizeChoice
        The diameters.
    solution : Solution
        The bar with the best one, or with a middle one where no diameter may hold anything.
    vetting : Vetting or None
        Each rate's verdict with the best one; None without one.
    taken : tuple of Taken
        What was not known and is carried as a range; empty with a bar file.
    names : dict of float to str
        What sizes to choose from are called, by diameter [m].
    """

    bars: BarRange
    plan: Plan
    rate: FloatArray
    area: FloatArray | None
    choice: SizeChoice
    solution: Solution
    vetting: Vetting | None
    taken: tuple[Taken, ...] = ()
    names: dict[float, str] = field(default_factory=dict)

    @property
    def has_findings(self) -> bool:
        """Whether no size certainly holds all that is asked, or the plan itself is odd."""
        best = self.choice.best
        return best is None or not bool(best.holds.all()) or bool(self.solution.warnings())


def sized(
    bars: BarRange,
    plan: Plan,
    rate: FloatArray,
    area: FloatArray | None,
    taken: tuple[Taken, ...] = (),
    names: dict[float, str] | None = None,
) -> Sized:
    """Find diameters for rates and vet the best one.

    Parameters
    ----------
    bars : BarRange
        The bar as far as it is known.
    plan : Plan
        Temperatures, speeds and sections.
    rate : ndarray, shape (zones,)
        Nitrogen rates asked [kg/m2]; at least one above zero, and equal ones count as one.
    area : ndarray, shape (zones,), or None
        That asks for each [m2]; where None every rate counts alike.
    taken : tuple of Taken
        What is carried as a range.
    names : dict of float to str
        Sizes to choose from [m], and what they are called; any size where there are none.
    """
    known = names or {}
    some = rate > 0.0
    distinct, place = np.unique(rate[some], return_inverse=True)
    grounds = None if area is None else np.bincount(place, area[some], distinct.size).astype(np.float64)
    weight = np.ones(distinct.size) if grounds is None else grounds
    asked = asked_flows(distinct, weight, *plan.speed, bars.worse, plan)
    choice = size_choice(bars, plan, asked, tuple(known))
    sizes = choice.curves.diameter
    diameter = float(sizes[sizes.size // 2]) if choice.best is None else choice.best.diameter
    solution = size_solution(bars, plan, diameter)
    vetting = None if choice.best is None else vet(distinct, solution)
    return Sized(bars, plan, distinct, grounds, choice, solution, vetting, taken, known)
