"""Reading a prescription before there is a plan, and vetting it for one after the other, as fast as a slider moves."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.bar.bar_file import read_bar
from geoflow.bar.equipment import Bar
from geoflow.base.arrays import FloatArray, TextArray
from geoflow.base.units import to_si
from geoflow.decide.vet import Plan, Solution, asked_of_rows, solve, verdicts, vet
from geoflow.files.inputs import watching
from geoflow.hydraulics.curves import pressure_curve
from geoflow.hydraulics.window import FlowWindow, flow_window, temperature_grid
from geoflow.options.typed import ReadOptions
from geoflow.outcomes import VetOutcome
from geoflow.workflow.vetting import in_nitrogen, looked_beyond, read_with

if TYPE_CHECKING:
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = [
    "Preview",
    "Unplanned",
    "prepare_window",
    "preview_plan",
    "read_unplanned",
    "vet_again",
    "vet_plan",
    "window_over",
]

# Whole degrees of both scales, so that a slider of either stops on a temperature that is solved.
_FAHRENHEIT: Final = (-40, 130)
_CELSIUS: Final = (-40, 54)
_SAME_KELVIN: Final = 1e-6
_WIDEST: Final = 1.2  # K between neighbours of those a full solution searches


@dataclass(frozen=True, slots=True)
class Unplanned:
    """A bar and a prescription that were read together, without a plan and so without a verdict.

    Attributes
    ----------
    bar : Bar
        The equipment.
    prescription : Prescription
        As read.
    rate : ndarray, shape (zones,)
        Nitrogen rate [kg/m2].
    counted_density : float
        Density at which volumes in the prescription are counted [kg/m3].
    """

    bar: Bar
    prescription: Prescription
    rate: FloatArray
    counted_density: float


def read_unplanned(prescription_file: str, bar_file: str, options: ReadOptions) -> Unplanned:
    """Read what `vet_file` reads, before anybody has said at which temperature and speed.

    Parameters
    ----------
    prescription_file, bar_file : str
        What to read.
    options : ReadOptions
        How the prescription is read.

    Raises
    ------
    GeoflowError
        For anything that cannot be read or understood.
    """
    with watching(prescription_file, bar_file):
        bar = read_bar(bar_file)
        prescription = read_with(prescription_file, options)
    return Unplanned(bar, *in_nitrogen(prescription, bar, options.volume_temperature))


def vet_plan(read: Unplanned, plan: Plan) -> VetOutcome:
    """Vet what was read for a first plan; the answer is the one `vet_file` gives.

    Parameters
    ----------
    read : Unplanned
        Bar and prescription.
    plan : Plan
        What is planned.
    """
    solution = solve(read.bar, plan)
    made = VetOutcome(read.prescription, read.rate, solution, vet(read.rate, solution), read.counted_density)
    return looked_beyond(made, stated=plan.sections != tuple(range(len(read.bar.sections))))


@dataclass(frozen=True, slots=True)
class Preview:
    """What is known of a plan before it is solved in full.

    Attributes
    ----------
    solution : Solution
        Of which only plan, window and bounds are those of the plan; there is no search for other temperatures and no
        other orifice, and the pressures are rough.
    verdict : ndarray of str
        A key of `schema.VERDICTS` for each zone.
    """

    solution: Solution
    verdict: TextArray


def prepare_window(bar: Bar, sections: tuple[int, ...]) -> FlowWindow:
    """Solve a bar at every whole degree Fahrenheit and Celsius a slider may stop at.

    Parameters
    ----------
    bar : Bar
        The equipment.
    sections : tuple of int
        Indices of the sections in use.

    Returns
    -------
    FlowWindow
        At rising temperatures from -40 to 130 degF [K].
    """
    kelvin = np.concatenate(
        [
            to_si(np.arange(_FAHRENHEIT[0], _FAHRENHEIT[1] + 1.0), "temperature", "degF"),
            to_si(np.arange(_CELSIUS[0], _CELSIUS[1] + 1.0), "temperature", "degC"),
        ]
    )
    return flow_window(bar, np.unique(np.round(kelvin, 6)), sections)


def _again(outcome: VetOutcome, solution: Solution) -> VetOutcome:
    whole = solution.plan.sections == tuple(range(len(solution.bar.sections)))
    again = replace(outcome, solution=solution, vetting=vet(outcome.rate, solution))
    return looked_beyond(again, stated=not whole)


def vet_again(outcome: VetOutcome, plan: Plan) -> VetOutcome:
    """Vet a prescription that is already read for another plan; the answer is the one `vet_file` gives.

    The hydraulics do not depend on the speed, so they are solved again only for other temperatures, sections or rows.

    Parameters
    ----------
    outcome : VetOutcome
        With the plan's speeds in every zone.
    plan : Plan
        The new plan.
    """
    solution = outcome.solution
    if plan == solution.plan:
        return outcome
    if replace(plan, speed=solution.plan.speed) == solution.plan:
        return _again(outcome, replace(solution, plan=plan))
    return _again(outcome, solve(solution.bar, plan))


def window_over(bar: Bar, plan: Plan, known: FlowWindow | None = None) -> FlowWindow:
    """Solve a bar at the temperatures of a plan that are not solved yet, beside those that are.

    Parameters
    ----------
    bar : Bar
        The equipment.
    plan : Plan
        What is planned.
    known : FlowWindow, optional
        Of the same bar and sections, at any temperatures.

    Returns
    -------
    FlowWindow
        At both ends of the plan exactly, between them no further apart than a full solution has them, and wherever it
        was known.
    """
    low, high = plan.temperature
    if known is None:
        return flow_window(bar, temperature_grid(low, high), plan.sections)
    stops = known.temperature
    ends = [end for end in dict.fromkeys((low, high)) if np.abs(stops - end).min() > _SAME_KELVIN]
    every = np.unique(np.concatenate([stops, ends]))
    inside = every[(every >= low - _SAME_KELVIN) & (every <= high + _SAME_KELVIN)]
    wide = np.flatnonzero(np.diff(inside) > _WIDEST)
    missing = np.unique([*ends, *(t for at in wide for t in temperature_grid(inside[at], inside[at + 1])[1:-1])])
    return known.joined(flow_window(bar, missing, plan.sections)) if missing.size else known


def preview_plan(read: Unplanned, plan: Plan, known: FlowWindow, solved: Solution | None = None) -> Preview:
    """Give the verdicts for a plan at once, without what else is told of its zones.

    They are those of a full solution but for temperatures between the ends of the plan, of which more may be looked
    at here.

    Parameters
    ----------
    read : Unplanned
        Bar and prescription.
    plan : Plan
        The plan.
    known : FlowWindow
        From `window_over` for this plan.
    solved : Solution, optional
        Of the same bar for any plan.
    """
    low, high = plan.temperature
    kelvin = known.temperature
    places = np.flatnonzero((kelvin >= low - _SAME_KELVIN) & (kelvin <= high + _SAME_KELVIN))
    window = asked_of_rows(known.at(places), read.bar, plan)
    certain, possible = window.both_over_plan(commanded=True)
    if solved is None:
        ends = window.at(np.array([0, -1]))
        most = 700.0 * read.bar.pump.max_flow
        curve = pressure_curve(read.bar, ends.temperature, plan.sections, ends.delivered_ratio, most)
        solved = Solution(read.bar, plan, window, window, certain, possible, curve, {})
    solution = replace(solved, plan=plan, window=window, certain=certain, possible=possible)
    return Preview(solution, verdicts(read.rate, solution))
