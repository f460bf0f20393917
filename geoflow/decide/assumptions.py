"""What would change without the assumptions a bar file states about the flashing in its orifices."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, TextArray, distinct
from geoflow.decide.vet import Solution, asked_of_rows, flow_verdicts
from geoflow.hydraulics.window import flow_window

__all__ = ["Moved", "moved_verdicts", "without_assumptions"]


@dataclass(frozen=True, slots=True)
class Moved:
    """Zones that would have another verdict.

    Attributes
    ----------
    verdict, otherwise : str
        As it is, and as it would be: keys of `schema.VERDICTS`.
    zones : ndarray of bool, shape (zones,)
        Which they are.
    """

    verdict: str
    otherwise: str
    zones: BoolArray


def without_assumptions(solution: Solution) -> Solution | None:
    """Solve the bar's window over the plan without its assumptions, asked of the same rows.

    Only window and bounds are those without; None where no orifice in use has an assumption.

    Parameters
    ----------
    solution : Solution
        From `vet.solve`.
    """
    bar, plan = solution.bar, solution.plan
    fitted = [bar.orifices[bar.sections[index].orifice] for index in plan.sections]
    if not any(one.flashing and one.learned is None for one in fitted):
        return None
    bare = replace(bar, orifices={name: replace(one, flashing=None) for name, one in bar.orifices.items()})
    window = asked_of_rows(flow_window(bare, solution.window.temperature, plan.sections), bare, plan)
    certain, possible = window.both_over_plan(commanded=True)
    return replace(solution, bar=bare, window=window, certain=certain, possible=possible)


def moved_verdicts(
    bare: Solution, flow_low: FloatArray, flow_high: FloatArray, verdict: TextArray
) -> tuple[Moved, ...]:
    """Find the zones that would have another verdict without the assumptions, by what they have and would have.

    Parameters
    ----------
    bare : Solution
        From `without_assumptions`.
    flow_low, flow_high : ndarray, shape (zones,)
        At the slowest and fastest speed [kg/s].
    verdict : ndarray of str, shape (zones,)
        As it is.
    """
    otherwise = flow_verdicts(flow_low, flow_high, verdict == "off", bare)
    pairs = [(str(now), str(then)) for now, then in distinct(np.column_stack([verdict, otherwise]), axis=0)]
    return tuple(
        Moved(now, then, np.asarray((verdict == now) & (otherwise == then))) for now, then in pairs if now != then
    )
