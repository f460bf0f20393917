"""Reading a prescription before there is a plan, and vetting it for one after the other, as fast as a slider moves."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.bar.bar_file import read_bar
from geoflow.bar.equipment import Bar
from geoflow.base.arrays import FloatArray, IntArray, TextArray
from geoflow.base.units import to_si
from geoflow.decide.vet import Plan, Solution, asked_of_rows, solve, verdicts, vet
from geoflow.files.inputs import watching
from geoflow.hydraulics.window import FlowWindow, flow_window
from geoflow.options.typed import ReadOptions
from geoflow.outcomes import VetOutcome
from geoflow.workflow.vetting import in_nitrogen, looked_beyond, read_with

if TYPE_CHECKING:
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["Ahead", "Unplanned", "prepare_window", "read_unplanned", "vet_again", "vet_ahead", "vet_plan"]

# Whole degrees of both scales, so that a slider of either stops on a temperature that is solved.
_FAHRENHEIT: Final = (-40, 130)
_CELSIUS: Final = (-40, 54)
_SAME_KELVIN: Final = 1e-6


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
class Ahead:
    """What is known of a plan before it is solved in full.

    Attributes
    ----------
    solution : Solution
        Of which only plan, window and bounds are those of the plan; the pressures are an earlier plan's.
    verdict : ndarray of str, shape (zones,)
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


def _stretch(window: FlowWindow, low: float, high: float) -> IntArray | None:
    """Places of the temperatures from `low` to `high` [K]; None unless both ends are solved."""
    kelvin = window.temperature
    ends = [int(np.argmin(np.abs(kelvin - end))) for end in (low, high)]
    if any(abs(float(kelvin[at]) - end) > _SAME_KELVIN for at, end in zip(ends, (low, high), strict=True)):
        return None
    return np.arange(ends[0], ends[1] + 1)


def vet_ahead(outcome: VetOutcome, plan: Plan, prepared: FlowWindow) -> Ahead | None:
    """Give the verdicts for another plan at once, from a window solved beforehand.

    They are those of `vet_again` but for temperatures between the ends of the plan, of which more are looked at here.

    Parameters
    ----------
    outcome : VetOutcome
        As read, of the same bar.
    plan : Plan
        The new plan, with the sections of `prepared`.
    prepared : FlowWindow
        From `prepare_window`.

    Returns
    -------
    Ahead or None
        None where the plan's temperatures are not among those prepared.
    """
    places = _stretch(prepared, *plan.temperature)
    if places is None:
        return None
    window = asked_of_rows(prepared.at(places), outcome.solution.bar, plan)
    solution = replace(
        outcome.solution,
        plan=plan,
        window=window,
        certain=window.over_plan(certain=True, commanded=True),
        possible=window.over_plan(certain=False, commanded=True),
    )
    return Ahead(solution, verdicts(outcome.rate, solution))
