"""Reading a bar and a map, or plain rates, and working out what a field card says."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.errors import UsageError
from geoflow.base.progress import tell
from geoflow.base.subject import called
from geoflow.base.units import System, factor
from geoflow.decide.calibration import calibration
from geoflow.decide.card import low_alarms, off_rate_alarms, preset_rates, rate_speeds, shown_rates, spare_suction
from geoflow.decide.faults import fault_readings
from geoflow.decide.gauges import gauge_table, usual_temperatures
from geoflow.decide.loads import tank_count
from geoflow.field_card.outcome import CardOutcome
from geoflow.files.inputs import watching
from geoflow.options.typed import CardOptions, PlanOptions, ReadOptions
from geoflow.workflow.bar_plan import read_bar_and_plan
from geoflow.workflow.day import parse_share
from geoflow.workflow.typed_rates import parse_rates
from geoflow.workflow.vetting import in_nitrogen, read_with

if TYPE_CHECKING:
    from geoflow.decide.vet import Solution
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["MOST_RATES", "card_of"]

MOST_RATES: Final = 8
"""Rates a card has room for."""
_AS_IT_IS: Final = ReadOptions()
# Steps of the buttons for more and less, as controllers have them: common practice, no source.
_STEPS: Final = (10.0, 5.0, 2.0, 1.0)
_STEP_UNIT: Final[dict[System, str]] = {"us": "lb/acre", "metric": "kg/hectare"}


def _asked(
    options: CardOptions, plan: PlanOptions, read: ReadOptions
) -> tuple[Prescription | None, Solution, FloatArray]:
    """Read what the card is of: the map or None, the solved bar, and the rates [kg/m2]."""
    if (options.prescription is None) == (options.rates is None):
        both = options.rates is not None
        what = "a map and --rates are two things to make a card of" if both else "neither a map nor --rates is given"
        cure = 'give one of them: a map, or rates like --rates "85, 100, 115 lb N/ac"'
        raise UsageError(what, where="geoflow card", cure=cure)
    prescription: Prescription | None = None
    with watching(options.prescription, plan.bar):
        tell(f"reading {called(plan.bar)} and solving the bar")
        solution = read_bar_and_plan(plan)
        if options.prescription is not None:
            prescription = read_with(options.prescription, read)
    if prescription is None:
        return None, solution, parse_rates(options.rates or "", solution.bar, read.volume_temperature)
    prescription, rate, _ = in_nitrogen(prescription, solution.bar, read.volume_temperature)
    if not (rate > 0.0).any():
        raise UsageError(
            "no zone of the map asks for ammonia, so there is nothing to put on a card",
            where=str(prescription.path),
            cure="check --rate-column, or choose another map",
        )
    return prescription, solution, rate


def card_of(
    options: CardOptions, plan: PlanOptions, read: ReadOptions = _AS_IT_IS, *, system: System = "us"
) -> CardOutcome:
    """Work out a field card.

    Parameters
    ----------
    options : CardOptions
        A map or rates.
    plan : PlanOptions
        The bar, and what is planned with it.
    read : ReadOptions
        How the map is read.
    system : str
        ``"us"`` or ``"metric"``: in which unit the step of the buttons is round.

    Raises
    ------
    GeoflowError
        For anything that cannot be read or understood, or both or neither of map and rates.
    """
    heel = parse_share(options.heel, 0.05, where="--heel")
    prescription, solution, rate = _asked(options, plan, read)
    tell("working out the card")
    bar, width = solution.bar, solution.window.width
    area = None if prescription is None else prescription.area
    speeds = rate_speeds(rate, area, solution)
    shown = shown_rates(speeds, MOST_RATES)
    gauges = gauge_table(speeds.rate[shown], speeds.driven[shown], solution)
    kelvin = usual_temperatures(solution)
    middle = kelvin.size // 2
    counted = gauges.shown_flow
    liquid = np.isfinite(gauges.manifold[middle, :, 0])
    nitrogen = math.nan if area is None else float(rate @ area)
    tanks = None if bar.tank is None else tank_count(nitrogen, bar, float(kelvin[0]), heel=heel)
    held = speeds.held
    most = float((speeds.rate * speeds.driven[:, 1])[held].max()) if held.any() else math.nan
    steps = tuple(one * factor(_STEP_UNIT[system], "nitrogen rate") for one in _STEPS)
    return CardOutcome(
        prescription,
        solution,
        speeds,
        gauges,
        calibration(bar, kelvin),
        preset_rates(speeds, solution, steps),
        off_rate_alarms(speeds, solution),
        low_alarms(solution),
        fault_readings(solution, float(kelvin[middle]), counted[liquid]),
        gauges.rate[liquid],
        tanks,
        heel,
        spare_suction(solution, most * width / bar.nitrogen_fraction, float(kelvin[0])) if held.any() else None,
        rate,
    )
