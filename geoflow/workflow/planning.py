"""Reading a prescription and planning the day: speeds, orifices, temperature, hours, loads."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from geoflow.arrays import FloatArray
from geoflow.errors import UsageError
from geoflow.passes import field_heading, lay_passes
from geoflow.planning.day import TemperatureCurve, WorkTime, field_efficiency, temperature_curve, work_hours
from geoflow.planning.loads import EndOfTank, TankLoads, end_of_tank_window, tank_loads
from geoflow.planning.orifices import OrificeChoice, orifice_choice
from geoflow.planning.speeds import SpeedCurve, SpeedSet, best_speeds, speed_curve
from geoflow.progress import tell
from geoflow.units import parse
from geoflow.vet import Solution
from geoflow.workflow.vetting import VetOutcome

__all__ = ["PlanOutcome", "in_degrees", "parse_share", "plan_field"]

# A tenth of a mile per hour [m/s], what a display in the cab shows; a speed should hold half of it either way.
_SPEED_STEP = 0.044704
_SPARE = 0.5 * _SPEED_STEP


@dataclass(frozen=True, slots=True)
class PlanOutcome:
    """A planned field.

    Attributes
    ----------
    vetted : VetOutcome
        The prescription, vetted at the planned speed.
    curve : SpeedCurve
        Area held over one single speed.
    recommended : float or None
        The single speed to drive [m/s]: the most area holds there and a little slower and faster.
    steady : tuple of float or None
        Speeds between which that area holds [m/s]; None where it holds at one exact speed only.
    speeds : tuple of SpeedSet
        The best one, two, ... speeds.
    chosen : SpeedSet
        The set the hours and loads are planned with.
    orifices : OrificeChoice
        The bar file's orifices compared.
    warmth : TemperatureCurve
        Area held over liquid temperature.
    efficiency : float
        Field efficiency [-].
    time : WorkTime
        Hours.
    heading : float
        Of the passes [rad, clockwise from north].
    loads : TankLoads or None
        None where the bar names no tank.
    load_places : ndarray, shape (loads, 2)
        Longitude and latitude where each tank runs out [deg].
    end_of_tank : EndOfTank or None
        Verdicts once the cooling of the tank counts.
    """

    vetted: VetOutcome
    curve: SpeedCurve
    recommended: float | None
    steady: tuple[float, float] | None
    speeds: tuple[SpeedSet, ...]
    chosen: SpeedSet
    orifices: OrificeChoice
    warmth: TemperatureCurve
    efficiency: float
    time: WorkTime
    heading: float
    loads: TankLoads | None
    load_places: FloatArray
    end_of_tank: EndOfTank | None

    @property
    def has_findings(self) -> bool:
        """Whether some zone holds at none of the chosen speeds, or loses its verdict as the tank cools."""
        missed = bool((~self.chosen.holds & (self.vetted.rate > 0.0)).any())
        return missed or (self.end_of_tank is not None and bool(self.end_of_tank.worse.any()))


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


def _drivable(curve: SpeedCurve, steady: SpeedCurve) -> tuple[float | None, tuple[float, float] | None]:
    """Speed to drive and the speeds round it at which as much holds; a tenth of a mile per hour where one fits."""
    if steady.best is None or steady.recommended is None:
        return curve.recommended, None
    tidy = round(steady.recommended / _SPEED_STEP) * _SPEED_STEP
    inside = steady.best[0] <= tidy <= steady.best[1]
    return (tidy if inside else steady.recommended), (steady.best[0] - _SPARE, steady.best[1] + _SPARE)


def _at_planned_speed(rate: FloatArray, solution: Solution) -> SpeedSet:
    """Everything driven at the planned speed, for a field where nothing holds at any."""
    speed = 0.5 * sum(solution.plan.speed)
    return SpeedSet(np.array([speed]), np.full(rate.shape, speed), np.zeros(rate.shape, dtype=np.bool_), 0.0)


def _planned_at(solution: Solution, speed: tuple[float, float]) -> Solution:
    # The window is one of flows, so another speed needs no new solving.
    return replace(solution, plan=replace(solution.plan, speed=speed))


def plan_field(
    vetted: VetOutcome,
    *,
    speed_given: bool,
    most_speeds: int = 3,
    heading: str | None = None,
    heel: str | None = None,
    efficiency: str | None = None,
) -> PlanOutcome:
    """Plan a field.

    Parameters
    ----------
    vetted : VetOutcome
        The prescription; its planned speed counts only if it was given.
    speed_given : bool
        Whether the user planned a speed; otherwise the best single one is taken.
    most_speeds : int
        How many different speeds the driver is willing to use.
    heading, heel, efficiency : str or None
        As typed.

    Raises
    ------
    UsageError
        If an option makes no sense.
    """
    tell("planning speeds, orifices and loads")
    from geoflow.vet import vet

    if not 1 <= most_speeds <= 12:
        raise UsageError(f"{most_speeds} speeds are no plan", where="--speeds", cure="give 1 to 12")
    prescription, rate = vetted.prescription, vetted.rate
    solution, area = vetted.solution, prescription.area
    bar = solution.bar
    curve, steady = speed_curve(rate, area, solution), speed_curve(rate, area, solution, _SPARE)
    recommended, best = _drivable(curve, steady)
    if not speed_given:
        single = 0.5 * sum(bar.limits.speed) if recommended is None else recommended
        solution = _planned_at(solution, (single, single))
        vetted = replace(vetted, solution=solution, vetting=vet(rate, solution))
    speeds = best_speeds(rate, area, solution, most_speeds, _SPARE) or best_speeds(rate, area, solution, most_speeds)
    chosen = speeds[-1] if speeds else _at_planned_speed(rate, solution)
    share = parse_share(efficiency, "--efficiency", field_efficiency(solution.window.rows))
    left = parse_share(heel, "--heel", 0.05)
    course = field_heading(prescription.zones) if heading is None else parse(heading, "angle", where="--heading")
    asked = rate > 0.0
    loads = end = None
    places = np.zeros((0, 2))
    if bar.tank is not None:
        passes = lay_passes(prescription.zones, course, solution.window.width)
        loads = tank_loads(passes, rate, area, bar, solution.plan.temperature[0], heel=left)
        end = end_of_tank_window(rate, solution, heel=left)
        places = in_degrees(vetted, loads.x, loads.y)
    return PlanOutcome(
        vetted,
        curve,
        recommended,
        best,
        speeds,
        chosen,
        orifice_choice(bar, solution.plan, rate, area),
        temperature_curve(rate, area, solution),
        share,
        work_hours(area[asked], chosen.zone_speed[asked], solution.window.width, share),
        course,
        loads,
        places,
        end,
    )


def in_degrees(vetted: VetOutcome, x: FloatArray, y: FloatArray) -> FloatArray:
    """Longitude and latitude [degree] of places in the prescription's frame [m], shape (n, 2)."""
    import pyproj

    to_degrees = pyproj.Transformer.from_crs(vetted.prescription.local_crs, "EPSG:4326", always_xy=True)
    return np.column_stack(to_degrees.transform(x, y))
