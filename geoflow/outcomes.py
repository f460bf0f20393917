"""Results of the workflows: what was read, decided and solved, for whoever shows or writes it."""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import FloatArray, IntArray
from geoflow.base.rates import UnitRates
from geoflow.decide.beyond import Beyond
from geoflow.decide.day import TemperatureCurve
from geoflow.decide.day_by_hour import DayByHour
from geoflow.decide.field_day import Day
from geoflow.decide.gauges import Gauges, expected_gauges, rows_at_map_rates
from geoflow.decide.odds import odds_of_holding
from geoflow.decide.orifices import OrificeChoice
from geoflow.decide.rewrite import Rewriting, Rules
from geoflow.decide.settling import Settling, settling
from geoflow.decide.sizing import SizeChoice
from geoflow.decide.speeds import SpeedCurve, SpeedSet
from geoflow.decide.vet import Solution, Vetting, vet
from geoflow.diagnosis.findings import Finding
from geoflow.ground.passes import ShortPieces
from geoflow.hydraulics.rows import RowSplit
from geoflow.reconciliation.agreement import Agreement
from geoflow.reconciliation.balance import MOST_LOST, Balance, Gaps
from geoflow.reconciliation.expected import ComparedZones
from geoflow.reconciliation.field import Reconciliation
from geoflow.reconciliation.loads import Loads

if TYPE_CHECKING:
    from geoflow.files.inputs import InputSnapshot
    from geoflow.layers.notes import Note
    from geoflow.log_files.read_log import ReadLog
    from geoflow.prescription_files.read_prescription import Prescription
    from geoflow.prescription_patch.new_file import WrittenPrescription

__all__ = [
    *("ConvertOutcome", "InputFile", "Origin", "PlanOutcome", "ReconcileOutcome", "RewriteOutcome"),
    "VetOutcome",
]

# A flow meter of the trade is good for about 1 %, a scale for less: common practice, no source.
_TICKET_OFF: Final = 0.02
_TOTAL_OFF, _WITHIN_WANTED = 0.05, 0.90
_GROUND_OFF, _UNASKED = 0.02, 0.05
# Ground driven over this many times on average was hardly driven like that: width, sections or order are wrong.
_OVER_AND_OVER: Final = 2.0
_CONVERTED_OFF: Final = 0.01  # of the field's nitrogen, which somebody should look at


@dataclass(frozen=True)
class VetOutcome:
    """Everything a vetted prescription gives.

    Attributes
    ----------
    prescription, rate : Prescription, ndarray of shape (zones,)
        As read, and its nitrogen rates [kg/m2].
    solution, vetting : Solution, Vetting
        The solved bar, and the verdicts.
    counted_density, inputs, beyond : float, InputSnapshot or None, tuple of Beyond
        Density of its volumes [kg/m3]; the files when they were read; zones that hold, at edges and a tank's end.
    """

    prescription: Prescription
    rate: FloatArray
    solution: Solution
    vetting: Vetting
    counted_density: float
    inputs: InputSnapshot | None = None
    beyond: tuple[Beyond, ...] = ()

    @property
    def has_findings(self) -> bool:
        """Whether a zone fails or is doubtful, or the plan itself needs a second look."""
        return bool(np.isin(self.vetting.verdict, ["fails", "doubtful"]).any() or self.solution.warnings())

    @cached_property
    def odds(self) -> FloatArray:
        """Odds of each zone to hold over the whole plan, shape (zones,); NaN at rate zero."""
        return odds_of_holding(self.solution, self.vetting)

    @cached_property
    def doubt(self) -> Settling | None:
        """What would settle the doubtful zones; None where there are none."""
        return settling(self.prescription.area, self.solution, self.vetting)

    @cached_property
    def gauges(self) -> Gauges:
        """Pressures to expect at the map's own rates."""
        return expected_gauges(self.rate, self.prescription.area, self.solution, self.vetting)

    @cached_property
    def row_split(self) -> RowSplit | None:
        """How the rows share what the map asks for; None where that cannot be told."""
        return rows_at_map_rates(self.solution, self.rate, self.prescription.area, self.vetting)


@dataclass(frozen=True)
class RewriteOutcome:
    """A rewritten prescription with what goes with it.

    Attributes
    ----------
    vetted, done : VetOutcome, Rewriting
        The prescription as it came, and the new rates.
    rules : Rules
        What was kept and what could be done; its policy is one of `decide.rewrite.POLICIES`.
    written_rate : ndarray, shape (zones,)
        The new rates in the file's own unit, as they are written.
    heading, pieces : float or None, ShortPieces or None
        Of the passes [rad, clockwise from north], and how far the controller follows the new rates; None without one.
    money : tuple of ndarray, shape (zones,), or None
        Spent more on nitrogen and earned more from the crop, in the user's currency; None without prices.
    share_needed : float or None
        Where nitrogen could not be placed: the least share of the prescription in steps of 5 %, up to twice it, by
        which rates would have to be raised to place it [-]; None where no such share would do.
    """

    vetted: VetOutcome
    done: Rewriting
    rules: Rules
    written_rate: FloatArray
    heading: float | None = None
    pieces: ShortPieces | None = None
    money: tuple[FloatArray, FloatArray] | None = None
    share_needed: float | None = None

    @property
    def policy(self) -> str:
        """What was kept."""
        return self.rules.policy

    @property
    def short_of_nitrogen(self) -> bool:
        """Whether nitrogen that was to stay in the field could not be placed."""
        return abs(self.done.unplaced) > 1e-4 * max(self.done.nitrogen_before, 1e-9)

    @property
    def short(self) -> IntArray:
        """Places of the zones too short for the controller to reach their rate."""
        pieces = self.pieces
        return np.zeros(0, np.int64) if pieces is None else np.flatnonzero(pieces.too_short(self.done.after))

    @cached_property
    def after(self) -> Vetting:
        """The verdicts of the new rates at the speeds their zones are driven at."""
        return vet(self.done.after, self.vetted.solution, (self.done.speed_low, self.done.speed_high))

    @property
    def has_findings(self) -> bool:
        """Whether a zone fails, was raised or is off the controller's values, nitrogen is short, or the plan is odd."""
        zones = self.done.left_failing | self.done.raised | self.done.off_values
        return bool(zones.any() or self.short_of_nitrogen or self.vetted.solution.warnings())


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
    orifices, sizes, warmth : OrificeChoice, SizeChoice or None, TemperatureCurve
        The bar file's orifices, any size where these hold little, and area over liquid temperature, at these speeds.
    day : Day
        Hours and loads at these speeds.
    curve : SpeedCurve
        Area held over one single speed.
    recommended, steady : float or None, tuple of float or None
        The best single speed [m/s], where the most area holds that also holds a little slower and faster, and the
        speeds between which it does; None where it holds at one exact speed only.
    sets : tuple of SpeedSet
        The best one, two, ... speeds by zone.
    held_with_a_point : float
        Where nothing holds at any speed: least area expected to hold at the best one once a point is measured [m2].
    hours : DayByHour or None
        What holds through a told day; None without one.
    """

    vetted: VetOutcome
    chosen: Literal["given", "best", "several", "middle"]
    speeds: tuple[FloatArray, FloatArray]
    orifices: OrificeChoice
    sizes: SizeChoice | None
    warmth: TemperatureCurve
    day: Day
    curve: SpeedCurve
    recommended: float | None
    steady: tuple[float, float] | None
    sets: tuple[SpeedSet, ...]
    held_with_a_point: float
    hours: DayByHour | None = None

    @property
    def area_held(self) -> float:
        """Area that certainly holds at the speeds of the plan [m2]."""
        return float(self.vetted.prescription.area[self.vetted.vetting.verdict == "holds"].sum())

    @property
    def area_at_own_speeds(self) -> float:
        """Area that certainly holds at the speed that suits each rate best [m2]; no other speeds hold more."""
        return float(self.vetted.prescription.area[np.isfinite(self.vetted.vetting.speed_low)].sum())

    @property
    def has_findings(self) -> bool:
        """Whether a zone does not hold as planned or as the tank cools, or the day or the plan itself is odd."""
        end, hours = self.day.end, self.hours
        cooled = end is not None and bool(end.worse.any())
        return self.vetted.has_findings or cooled or (hours is not None and not hours.holds_throughout)


@dataclass(frozen=True, slots=True, eq=False)
class ReconcileOutcome:
    """A reconciled log with what goes with it.

    Attributes
    ----------
    read, bar, target : ReadLog, Bar or None, Prescription or None
        The log, and the bar and the map where they were given.
    boundary, zones : Polygon or MultiPolygon or None, ndarray of them, shape (zones,)
        Given outline of the field and zones of the map, in the log's frame [m]; no zones without a map.
    found, gaps : Reconciliation, Gaps
        The comparison, and what is missing from the log while the bar was on.
    balance, loads : Balance or None, Loads or None
        Against the scale tickets together, and one by one over their parts of the log, where those can be told.
    tickets : int
        How many there are.
    meter_temperature : float or None
        Of the liquid the balance counts with [K], logged or given.
    diagnosis, notes : tuple of Finding, tuple of Note
        What the log tells about the bar, confidence ``"none"`` where it could not be judged; what a person should know.
    nitrogen_fraction, rehearsed : float, ComparedZones or None
        Mass of nitrogen over mass of ammonia [-]; against what a rehearsal had expected.
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
    tickets: int
    meter_temperature: float | None
    diagnosis: tuple[Finding, ...]
    notes: tuple[Note, ...]
    nitrogen_fraction: float
    rehearsed: ComparedZones | None = None

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
        return any(abs(one - 1.0) > _TICKET_OFF for one in (balance.ratio, balance.remaining_ratio) if one is not None)

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
class InputFile:
    """A file that was read: what it is in a report, its path as given, its size [byte] and SHA-256 in hexadecimal."""

    role: str
    name: str
    size: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a report comes from.

    Attributes
    ----------
    inputs, asked : tuple of InputFile, tuple of (str, str)
        Every file that was read, and the command with its options, as typed.
    version, date : str, date
        Of geoflow, and of the report.
    """

    inputs: tuple[InputFile, ...]
    asked: tuple[tuple[str, str], ...]
    version: str
    date: datetime.date


@dataclass(frozen=True, slots=True)
class ConvertOutcome:
    """A converted prescription.

    Attributes
    ----------
    prescription, nitrogen : Prescription, ndarray of shape (zones,)
        As read, and its nitrogen rates [kg/m2].
    written : WrittenPrescription
        What was written; its rates count in a unit of their own.
    nitrogen_fraction, counting_temperature : float, float or None
        Mass of nitrogen over mass of ammonia [-], and where volumes are counted [K]; None where none are.
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
