"""Reading a prescription and planning the day: speeds, orifices, temperature, hours, loads."""

from __future__ import annotations

from dataclasses import replace
from typing import Final, Literal

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.errors import UsageError
from geoflow.base.progress import tell
from geoflow.decide.day import temperature_curve
from geoflow.decide.orifices import OrificeChoice, orifice_choice
from geoflow.decide.settling import windows_with_a_point
from geoflow.decide.size_curves import BarRange
from geoflow.decide.sizing import SizeChoice, asked_flows, size_choice
from geoflow.decide.speeds import SPEED_STEP, SpeedCurve, SpeedSet, best_speeds, speed_curve, speed_curve_of
from geoflow.decide.vet import Solution, vet
from geoflow.options.typed import DayOptions
from geoflow.outcomes import PlanOutcome, VetOutcome
from geoflow.workflow.day import day_hours, with_loads
from geoflow.workflow.day_hours import field_by_hour

__all__ = ["plan_field"]

# A speed should hold half a step either way.
_SPARE: Final = 0.5 * SPEED_STEP
_MOST_SPEEDS: Final = 12
# Sets of speeds looked at beside a plan of one.
_OTHER_SPEEDS: Final = 3
_USUAL_DAY: Final = DayOptions()
# Orifices that hold less of the asked ground than this hold little.
_LITTLE: Final = 0.9


def _drivable(curve: SpeedCurve, steady: SpeedCurve) -> tuple[float | None, tuple[float, float] | None]:
    """Speed to drive and the speeds round it at which as much holds; a tenth of a mile per hour where one fits."""
    if steady.best is None or steady.recommended is None:
        return curve.recommended, None
    readable = _readable(steady.recommended)
    inside = steady.best[0] <= readable <= steady.best[1]
    return (readable if inside else steady.recommended), (steady.best[0] - _SPARE, steady.best[1] + _SPARE)


def _readable(speed: float) -> float:
    """Round a speed [m/s] to a tenth of a mile per hour."""
    return round(speed / SPEED_STEP) * SPEED_STEP


def _rounded_set(chosen: SpeedSet) -> SpeedSet:
    """Round the speeds of a set whose zones hold half a step either way, so that they still hold."""
    speed = np.round(chosen.speed / SPEED_STEP) * SPEED_STEP
    return replace(chosen, speed=speed, zone_speed=speed[np.searchsorted(chosen.speed, chosen.zone_speed)])


def _sets(rate: FloatArray, area: FloatArray, solution: Solution, most: int) -> tuple[SpeedSet, ...]:
    sets = tuple(map(_rounded_set, best_speeds(rate, area, solution, most, _SPARE)))
    return sets or best_speeds(rate, area, solution, most)


def _held_with_a_point(rate: FloatArray, area: FloatArray, solution: Solution) -> float:
    """Least area that is expected to hold at the best speed, over the likely cases [m2]."""
    width, bar, plan = solution.window.width, solution.bar, solution.plan
    return min(
        0.0 if after is None else speed_curve_of(rate, area, after[0], width, bar, plan).best_area
        for after in windows_with_a_point(solution)
    )


def _other_sizes(
    choice: OrificeChoice, rate: FloatArray, area: FloatArray, speeds: tuple[FloatArray, FloatArray], solution: Solution
) -> SizeChoice | None:
    """Sizes beside those of the bar file, where these hold little of what is asked."""
    asked = asked_flows(rate, area, *speeds, solution.bar, solution.plan)
    even = [option for option in choice.options if option.even] or choice.options
    if max(option.area_planned for option in even) >= _LITTLE * asked.whole or solution.hopeless:
        return None
    return size_choice(BarRange(solution.bar, solution.bar), solution.plan, asked, further=False)


def _planned_at(vetted: VetOutcome, speeds: tuple[FloatArray, FloatArray]) -> VetOutcome:
    """Vet anew at each zone's speeds; the window is one of flows, so it needs no new solving."""
    asked = vetted.rate > 0.0
    driven = [speed[asked] if asked.any() else speed for speed in speeds]
    plan = replace(vetted.solution.plan, speed=(float(driven[0].min()), float(driven[1].max())))
    solution = replace(vetted.solution, plan=plan)
    return replace(vetted, solution=solution, vetting=vet(vetted.rate, solution, speeds))


_Chosen = Literal["given", "best", "several", "middle"]


def _choose_speeds(
    solution: Solution, recommended: float | None, sets: tuple[SpeedSet, ...], most_speeds: int, shape: tuple[int, ...]
) -> tuple[_Chosen, FloatArray]:
    """Speed of each zone [m/s] where none was given, and where it comes from."""
    if recommended is None:
        return "middle", np.full(shape, _readable(0.5 * sum(solution.bar.limits.speed)))
    if most_speeds > 1 and len(sets) > 1:
        return "several", sets[min(most_speeds, len(sets)) - 1].zone_speed
    return "best", np.full(shape, recommended)


def plan_field(
    vetted: VetOutcome, day: DayOptions = _USUAL_DAY, *, speed_given: bool, most_speeds: int | None = None
) -> PlanOutcome:
    """Plan a field.

    Parameters
    ----------
    vetted : VetOutcome
        The prescription; its planned speed counts only if it was given.
    day : DayOptions
        Direction of the passes, heel and efficiency, and the day told by the hour.
    speed_given : bool
        Whether the user planned a speed; otherwise the best single one is taken.
    most_speeds : int, optional
        How many different speeds the driver is willing to use; one if not given.

    Raises
    ------
    UsageError
        If an option makes no sense.
    """
    tell("planning speeds, orifices and loads")
    if most_speeds is not None and not 1 <= most_speeds <= _MOST_SPEEDS:
        raise UsageError(f"{most_speeds} speeds are no plan", where="--speeds", cure=f"give 1 to {_MOST_SPEEDS}")
    if speed_given and most_speeds is not None:
        raise UsageError(
            "--speed plans a given speed and --speeds one by zone: that is two plans",
            where="geoflow plan",
            cure="give one of them",
        )
    rate, area, solution = vetted.rate, vetted.prescription.area, vetted.solution
    curve, steady = speed_curve(rate, area, solution), speed_curve(rate, area, solution, _SPARE)
    recommended, best = _drivable(curve, steady)
    sets = _sets(rate, area, solution, max(most_speeds or 1, _OTHER_SPEEDS))
    chosen: _Chosen = "given"
    slow, fast = (np.full(rate.shape, speed) for speed in solution.plan.speed)
    if not speed_given:
        chosen, slow = _choose_speeds(solution, recommended, sets, most_speeds or 1, rate.shape)
        fast = slow
    speeds = slow, fast
    planned = _planned_at(vetted, speeds)
    solution = planned.solution
    course = with_loads(day_hours(planned, rate, speeds, day), planned, rate, speeds, day)
    orifices = orifice_choice(solution.bar, solution.plan, rate, area, speeds=speeds)
    return PlanOutcome(
        planned,
        chosen,
        speeds,
        orifices,
        _other_sizes(orifices, rate, area, speeds, solution),
        temperature_curve(rate, area, solution, speeds),
        course,
        curve,
        recommended,
        best,
        sets,
        0.0 if recommended is not None or not (rate > 0.0).any() else _held_with_a_point(rate, area, solution),
        field_by_hour(planned, course, day),
    )
