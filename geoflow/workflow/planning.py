"""Reading a prescription and planning the day: speeds, orifices, temperature, hours, loads."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from geoflow.base.arrays import FloatArray
from geoflow.base.errors import UsageError
from geoflow.base.progress import tell
from geoflow.base.units import parse
from geoflow.decide.day import WorkTime, field_efficiency, temperature_curve, work_hours
from geoflow.decide.loads import end_of_tank_window, tank_loads
from geoflow.decide.orifices import orifice_choice
from geoflow.decide.settling import window_with_a_point
from geoflow.decide.speeds import SPEED_STEP, SpeedCurve, SpeedSet, best_speeds, speed_curve, speed_curve_of
from geoflow.decide.vet import Solution, vet
from geoflow.ground.passes import field_heading, lay_passes
from geoflow.options.typed import DayOptions, RewriteOptions
from geoflow.outcomes import PlanOutcome, VetOutcome

__all__ = ["course_of", "in_degrees", "parse_share", "plan_field", "shares_of"]

# A speed should hold half a step either way.
_SPARE: Final = 0.5 * SPEED_STEP
_MOST_SPEEDS: Final = 12
# Sets of speeds looked at beside a plan of one.
_OTHER_SPEEDS: Final = 3
_USUAL_DAY: Final = DayOptions()


def parse_share(text: str | None, option: str, otherwise: float) -> float:
    """Read a share like ``"0.05"`` or ``"5 %"``; UsageError where it is none."""
    if text is None:
        return otherwise
    try:
        value = float(text.rstrip("% ")) / (100.0 if text.rstrip().endswith("%") else 1.0)
    except ValueError:
        value = math.nan
    if not 0.0 <= value <= 1.0:
        raise UsageError(f"'{text}' is no share", where=option, cure='give it like 0.65 or "65 %"')
    return value


def shares_of(day: DayOptions, rows: int) -> tuple[float, float]:
    """Field efficiency and heel [-], as said or as usual for a bar of so many rows; UsageError where they are none."""
    return parse_share(day.efficiency, "--efficiency", field_efficiency(rows)), parse_share(day.heel, "--heel", 0.05)


def course_of(options: DayOptions | RewriteOptions, zones: NDArray[np.object_]) -> float:
    """Direction of the passes [rad], as said or along the longest side; QuantityError where it is none."""
    return field_heading(zones) if options.heading is None else parse(options.heading, "angle", where="--heading")


def _drivable(curve: SpeedCurve, steady: SpeedCurve) -> tuple[float | None, tuple[float, float] | None]:
    """Speed to drive and the speeds round it at which as much holds; a tenth of a mile per hour where one fits."""
    if steady.best is None or steady.recommended is None:
        return curve.recommended, None
    tidy = _tidy(steady.recommended)
    inside = steady.best[0] <= tidy <= steady.best[1]
    return (tidy if inside else steady.recommended), (steady.best[0] - _SPARE, steady.best[1] + _SPARE)


def _tidy(speed: float) -> float:
    """Round a speed [m/s] to a tenth of a mile per hour."""
    return round(speed / SPEED_STEP) * SPEED_STEP


def _tidied(chosen: SpeedSet) -> SpeedSet:
    """Round the speeds of a set whose zones hold half a step either way, so that they still hold."""
    speed = np.round(chosen.speed / SPEED_STEP) * SPEED_STEP
    return replace(chosen, speed=speed, zone_speed=speed[np.searchsorted(chosen.speed, chosen.zone_speed)])


def _sets(rate: FloatArray, area: FloatArray, solution: Solution, most: int) -> tuple[SpeedSet, ...]:
    sets = tuple(map(_tidied, best_speeds(rate, area, solution, most, _SPARE)))
    return sets or best_speeds(rate, area, solution, most)


def _held_with_a_point(rate: FloatArray, area: FloatArray, solution: Solution) -> float:
    after = window_with_a_point(solution)
    if after is None:
        return 0.0
    return speed_curve_of(rate, area, after[0], solution.window.width, solution.bar, solution.plan).best_area


def _planned_at(vetted: VetOutcome, speeds: tuple[FloatArray, FloatArray]) -> VetOutcome:
    """Vet anew at each zone's speeds; the window is one of flows, so it needs no new solving."""
    asked = vetted.rate > 0.0
    driven = [speed[asked] if asked.any() else speed for speed in speeds]
    plan = replace(vetted.solution.plan, speed=(float(driven[0].min()), float(driven[1].max())))
    solution = replace(vetted.solution, plan=plan)
    return replace(vetted, solution=solution, vetting=vet(vetted.rate, solution, speeds))


def plan_field(
    vetted: VetOutcome, day: DayOptions = _USUAL_DAY, *, speed_given: bool, most_speeds: int | None = None
) -> PlanOutcome:
    """Plan a field.

    Parameters
    ----------
    vetted : VetOutcome
        The prescription; its planned speed counts only if it was given.
    day : DayOptions
        Direction of the passes, heel and efficiency.
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
    prescription, rate = vetted.prescription, vetted.rate
    solution, area = vetted.solution, prescription.area
    bar = solution.bar
    curve, steady = speed_curve(rate, area, solution), speed_curve(rate, area, solution, _SPARE)
    recommended, best = _drivable(curve, steady)
    sets = _sets(rate, area, solution, max(most_speeds or 1, _OTHER_SPEEDS))
    chosen: Literal["given", "best", "several", "middle"]
    slow, fast = (np.full(rate.shape, speed) for speed in solution.plan.speed)
    if speed_given:
        chosen = "given"
    elif recommended is None:
        chosen, slow = "middle", np.full(rate.shape, _tidy(0.5 * sum(bar.limits.speed)))
        fast = slow
    elif most_speeds is not None and most_speeds > 1 and len(sets) > 1:
        chosen, slow = "several", sets[min(most_speeds, len(sets)) - 1].zone_speed
        fast = slow
    else:
        chosen, slow = "best", np.full(rate.shape, recommended)
        fast = slow
    speeds = slow, fast
    planned = _planned_at(vetted, speeds)
    solution = planned.solution
    share, left = shares_of(day, solution.window.rows)
    course = course_of(day, prescription.zones)
    asked = rate > 0.0
    loads = end = None
    places = np.zeros((0, 2))
    if bar.tank is not None:
        passes = lay_passes(prescription.zones, course, solution.window.width)
        loads = tank_loads(passes, rate, area, bar, solution.plan.temperature[0], heel=left)
        end = end_of_tank_window(rate, solution, speeds, heel=left)
        places = in_degrees(vetted, loads.x, loads.y)

    def hours(speed: FloatArray) -> WorkTime:
        return work_hours(area[asked], speed[asked], solution.window.width, share)

    return PlanOutcome(
        planned,
        chosen,
        speeds,
        orifice_choice(bar, solution.plan, rate, area, speeds=speeds),
        temperature_curve(rate, area, solution, speeds),
        share,
        (hours(fast), hours(0.5 * (slow + fast)), hours(slow)),
        course,
        loads,
        places,
        end,
        curve,
        recommended,
        best,
        sets,
        0.0 if recommended is not None or not asked.any() else _held_with_a_point(rate, area, solution),
    )


def in_degrees(vetted: VetOutcome, x: FloatArray, y: FloatArray) -> FloatArray:
    """Longitude and latitude [degree] of places in the prescription's frame [m], shape (n, 2)."""
    import pyproj

    to_degrees = pyproj.Transformer.from_crs(vetted.prescription.local_crs, "EPSG:4326", always_xy=True)
    return np.column_stack(to_degrees.transform(x, y))
