"""Results of the workflows: what was read, decided and solved, for whoever shows or writes it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import FloatArray
from geoflow.base.rates import UnitRates
from geoflow.decide.calibration import Calibration
from geoflow.decide.card import Presets, RateSpeeds
from geoflow.decide.day import TemperatureCurve, WorkTime
from geoflow.decide.faults import Fault
from geoflow.decide.gauges import GaugeTable
from geoflow.decide.loads import EndOfTank, TankCount, TankLoads
from geoflow.decide.orifices import OrificeChoice
from geoflow.decide.rewrite import Rewriting
from geoflow.decide.speeds import SpeedCurve, SpeedSet
from geoflow.decide.vet import Solution, Vetting
from geoflow.diagnosis.findings import Finding
from geoflow.hydraulics.readings import MarginReadings
from geoflow.reconcile.agreement import Agreement
from geoflow.reconcile.balance import MOST_LOST, Balance, Gaps
from geoflow.reconcile.field import Reconciliation
from geoflow.reconcile.loads import Loads

if TYPE_CHECKING:
    from geoflow.files.inputs import InputSnapshot
    from geoflow.layers.notes import Note
    from geoflow.log_files.read_log import ReadLog
    from geoflow.prescription_files.read_prescription import Prescription
    from geoflow.prescription_patch.new_file import WrittenPrescription

__all__ = ["CardOutcome", "ConvertOutcome", "PlanOutcome", "ReconcileOutcome", "RewriteOutcome", "VetOutcome"]

# A flow meter of the trade is good for about 1 %, a scale for less: common practice, no source.
_TICKET_OFF: Final = 0.02
_TOTAL_OFF: Final = 0.05
_WITHIN_WANTED: Final = 0.90
_GROUND_OFF: Final = 0.02
_UNASKED: Final = 0.05
# Ground driven over this many times on average was hardly driven like that: width, sections or order are wrong.
_OVER_AND_OVER: Final = 2.0
_CONVERTED_OFF: Final = 0.01  # of the field's nitrogen, which somebody should look at


@dataclass(frozen=True, slots=True)
class VetOutcome:
    """Everything a vetted prescription gives.

    Attributes
    ----------
    prescription : Prescription
        As read.
    rate : ndarray, shape (zones,)
        Nitrogen rate [kg/m2].
    solution : Solution
        The solved bar.
    vetting : Vetting
        The verdicts.
    counted_density : float
        Density at which volumes in the prescription are counted [kg/m3].
    inputs : InputSnapshot or None
        What the files looked like when they were read.
    """

    prescription: Prescription
    rate: FloatArray
    solution: Solution
    vetting: Vetting
    counted_density: float
    inputs: InputSnapshot | None = None

    @property
    def has_findings(self) -> bool:
        """Whether a zone fails or is doubtful, or the plan itself needs a second look."""
        return bool(np.isin(self.vetting.verdict, ["fails", "doubtful"]).any() or self.solution.warnings())


@dataclass(frozen=True, slots=True)
class RewriteOutcome:
    """A rewritten prescription with what goes with it.

    Attributes
    ----------
    vetted : VetOutcome
        The prescription as it came.
    done : Rewriting
        The new rates.
    number : ndarray, shape (zones,)
        The new rates in the file's own unit, as they are written.
    extra : dict
        Short zones and money, for the JSON and the text.
    """

    vetted: VetOutcome
    done: Rewriting
    number: FloatArray
    extra: dict[str, Any]

    @property
    def has_findings(self) -> bool:
        """Whether a zone still does not hold or was raised, nitrogen could not be placed, or the plan is odd."""
        lost = abs(self.done.unplaced) > 1e-4 * max(self.done.nitrogen_before, 1e-9)
        odd = bool(self.vetted.solution.warnings())
        return bool(self.done.left_failing.any() or self.done.raised.any() or lost or odd)


@dataclass(frozen=True, slots=True)
class PlanOutcome:
    """A planned field: one plan, and beside it what else could be done.

    Attributes
    ----------
    vetted : VetOutcome
        The prescription, vetted at the speeds of the plan.
    chosen : str
        Where the speeds come from: ``"given"``, the ``"best"`` single one, ``"several"`` by zone, or the ``"middle"``
        of the allowed ones where nothing holds at any.
    speeds : tuple of ndarray, shape (zones,)
        Slowest and fastest speed of each zone [m/s].
    orifices : OrificeChoice
        The bar file's orifices compared, at these speeds.
    warmth : TemperatureCurve
        Area held over liquid temperature, at these speeds.
    efficiency : float
        Field efficiency [-].
    time : tuple of WorkTime
        At the fastest, in the middle and at the slowest of the planned speeds.
    heading : float
        Of the passes [rad, clockwise from north].
    loads : TankLoads or None
        None where the bar names no tank.
    load_places : ndarray, shape (loads, 2)
        Longitude and latitude where each tank runs out [deg].
    end_of_tank : EndOfTank or None
        Verdicts at these speeds once the cooling of the tank counts.
    curve : SpeedCurve
        Area held over one single speed.
    recommended : float or None
        The best single speed [m/s]: the most area holds there and a little slower and faster.
    steady : tuple of float or None
        Speeds between which that area holds [m/s]; None where it holds at one exact speed only.
    sets : tuple of SpeedSet
        The best one, two, ... speeds by zone.
    held_with_a_point : float
        Where nothing holds at any speed: area expected to hold at the best one once a point is measured [m2].
    """

    vetted: VetOutcome
    chosen: Literal["given", "best", "several", "middle"]
    speeds: tuple[FloatArray, FloatArray]
    orifices: OrificeChoice
    warmth: TemperatureCurve
    efficiency: float
    time: tuple[WorkTime, WorkTime, WorkTime]
    heading: float
    loads: TankLoads | None
    load_places: FloatArray
    end_of_tank: EndOfTank | None
    curve: SpeedCurve
    recommended: float | None
    steady: tuple[float, float] | None
    sets: tuple[SpeedSet, ...]
    held_with_a_point: float

    @property
    def area_held(self) -> float:
        """Area that certainly holds at the speeds of the plan [m2]."""
        return float(self.vetted.prescription.area[self.vetted.vetting.verdict == "holds"].sum())

    @property
    def has_findings(self) -> bool:
        """Whether a zone does not hold as planned, loses its verdict as the tank cools, or the plan itself is odd."""
        return self.vetted.has_findings or (self.end_of_tank is not None and bool(self.end_of_tank.worse.any()))


@dataclass(frozen=True, slots=True)
class CardOutcome:
    """What stands on a field card.

    Attributes
    ----------
    prescription : Prescription or None
        The map; None where plain rates were given.
    solution : Solution
        The bar solved for the day.
    speeds : RateSpeeds
        Every rate of the map with its speeds.
    gauges : GaugeTable
        At the rates the sheet has room for, driven as `speeds` says.
    calibration : Calibration
        Of the meter.
    presets : Presets
        For the buttons.
    alarms : ndarray, shape (rates,)
        Off-rate alarm of each rate, as a share of it [-]; NaN where none fits.
    low_alarm : MarginReadings or None
        None where no pressure holds the margin.
    faults : tuple of Fault
        At the rates and flows of `fault_rate`.
    fault_rate, fault_flow : ndarray, shape (n,)
        Those of `gauges` whose liquid margin is certain at the middle temperature: nitrogen [kg/m2], and flow as the
        controller counts it [kg/s].
    tanks : TankCount or None
        None where the bar file names no tank.
    heel : float
        Share of a tank that is left in it [-].
    spare_suction : float or None
        Pressure that may be lost before the pump besides, at the coldest liquid and the highest rate [Pa]; None
        without a suction.
    """

    prescription: Prescription | None
    solution: Solution
    speeds: RateSpeeds
    gauges: GaugeTable
    calibration: Calibration
    presets: Presets
    alarms: FloatArray
    low_alarm: MarginReadings | None
    faults: tuple[Fault, ...]
    fault_rate: FloatArray
    fault_flow: FloatArray
    tanks: TankCount | None
    heel: float
    spare_suction: float | None

    @property
    def has_findings(self) -> bool:
        """Whether a rate does not hold at the planned speed, or the plan itself is odd."""
        return bool(not self.speeds.as_planned.all() or self.solution.warnings())


@dataclass(frozen=True, slots=True, eq=False)
class ReconcileOutcome:
    """A reconciled log with what goes with it.

    Attributes
    ----------
    read : ReadLog
        The log as read.
    bar : Bar or None
        The bar, where one was given.
    target : Prescription or None
        The map, where one was given.
    boundary : Polygon, MultiPolygon or None
        Given outline of the field in the log's frame [m].
    zones : ndarray of Polygon or MultiPolygon, shape (zones,)
        Of the map, in the log's frame; empty without one.
    found : Reconciliation
        The comparison.
    gaps : Gaps
        What is missing from the log while the bar was on.
    balance : Balance or None
        Against the scale tickets, where there are any.
    loads : Loads or None
        The tickets one by one over their parts of the log, where those can be told.
    meter_temperature : float or None
        Of the liquid the balance counts with [K], logged or given.
    diagnosis : tuple of Finding
        What the log tells about the bar; confidence ``"none"`` where it could not be judged.
    notes : tuple of Note
        What a person should know of log, map and boundary.
    nitrogen_fraction : float
        [-]
    """

    read: ReadLog
    bar: Bar | None
    target: Prescription | None
    boundary: Any
    zones: np.ndarray[Any, np.dtype[np.object_]]
    found: Reconciliation
    gaps: Gaps
    balance: Balance | None
    loads: Loads | None
    meter_temperature: float | None
    diagnosis: tuple[Finding, ...]
    notes: tuple[Note, ...]
    nitrogen_fraction: float

    @property
    def by_ticket(self) -> Agreement | None:
        """Agreement with what the scale tickets make of the logged rates; None without tickets."""
        return None if self.balance is None else self.found.laid.agreement(self.balance.meter_factor)

    @property
    def judged(self) -> tuple[Finding, ...]:
        """Findings about the bar, without those that could not be judged."""
        return tuple(finding for finding in self.diagnosis if not finding.missing)

    @property
    def ground_mean(self) -> float:
        """Nitrogen over the ground covered, inside the field where there is one [kg/m2]; NaN without ground."""
        found, overlay = self.found, self.found.overlay
        field = found.nitrogen_in_field, overlay.covered_in_field
        nitrogen, covered = field if found.has_field else (found.nitrogen_out, overlay.covered)
        return nitrogen / covered if covered > 0.0 else math.nan

    @property
    def concerns(self) -> tuple[str, ...]:
        """What is off about the field: keys of `report.findings.CONCERNS`."""
        found, overlay = self.found, self.found.overlay
        agreed, field = found.agreement, overlay.covered_in_field + overlay.missed
        ground = overlay.covered_in_field if found.has_field else overlay.covered
        tests = (
            ("gaps", self.gaps.share > MOST_LOST),
            ("doubt", bool(self.read.doubts)),
            ("repeated", overlay.swept > _OVER_AND_OVER * overlay.covered),
            ("ticket", self.balance is not None and self._off_the_ticket(self.balance)),
            ("total", agreed.area > 0.0 and abs(agreed.bias) > _TOTAL_OFF * agreed.target_mean),
            ("spread", agreed.area > 0.0 and agreed.within_10 < _WITHIN_WANTED),
            ("missed", found.has_field and found.missed > _GROUND_OFF * field),
            ("doubled", overlay.doubled > _GROUND_OFF * ground),
            ("outside", found.has_field and found.outside_area > _GROUND_OFF * overlay.swept),
            ("unasked", self._hit_unasked),
            ("unknown", found.unknown_rate_area > _GROUND_OFF * overlay.swept),
        )
        return tuple(name for name, off in tests if off)

    @staticmethod
    def _off_the_ticket(balance: Balance) -> bool:
        """Whether the total is off, or the meter is and a missing temperature correction hides it today."""
        ratios = (balance.ratio, balance.ratio if balance.remaining_ratio is None else balance.remaining_ratio)
        return any(abs(ratio - 1.0) > _TICKET_OFF for ratio in ratios)

    @property
    def _hit_unasked(self) -> bool:
        """Whether zones of rate 0 got more than a trace of the field's usual rate."""
        zones = self.found.zones
        if zones is None:
            return False
        none = zones.asked == 0.0
        usual = float(zones.asked @ zones.area) / max(float(zones.area.sum()), 1e-9)
        return bool(np.nansum(zones.nitrogen[none]) > _UNASKED * usual * zones.area[none].sum())

    @property
    def has_findings(self) -> bool:
        """Whether there is anything to act on."""
        return bool(self.concerns or self.judged)


@dataclass(frozen=True, slots=True)
class ConvertOutcome:
    """A converted prescription.

    Attributes
    ----------
    prescription : Prescription
        As read.
    nitrogen : ndarray, shape (zones,)
        Nitrogen rates as read [kg/m2].
    written : WrittenPrescription
        What was written; its rates count in a unit of their own.
    nitrogen_fraction : float
        Mass of nitrogen over mass of ammonia [-].
    counting_temperature : float or None
        At which volumes are counted [K]; None where none are.
    changes_basis : bool
        Whether the numbers count another thing now: nitrogen, ammonia or its volume.
    """

    prescription: Prescription
    nitrogen: FloatArray
    written: WrittenPrescription
    nitrogen_fraction: float
    counting_temperature: float | None
    changes_basis: bool

    @property
    def before(self) -> UnitRates:
        """Rates as read."""
        return UnitRates(self.prescription.rate, self.prescription.rate_unit)

    @property
    def nitrogen_before(self) -> float:
        """Nitrogen of the field as read [kg]."""
        return float((self.nitrogen * self.prescription.area).sum())

    @property
    def nitrogen_after(self) -> float:
        """Nitrogen of the field as written [kg]."""
        return self.nitrogen_before * (1.0 if math.isnan(self.written.kept) else self.written.kept)

    @property
    def has_findings(self) -> bool:
        """Whether zones got lost in a raster, or its total is off."""
        off = not math.isnan(self.written.kept) and abs(self.written.kept - 1.0) > _CONVERTED_OFF
        return bool(self.written.lost) or off
