"""What a field card is made of, worked out in SI."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoflow.base.arrays import FloatArray
from geoflow.decide.calibration import Calibration
from geoflow.decide.card import Presets, RateSpeeds
from geoflow.decide.faults import Fault
from geoflow.decide.gauges import GaugeTable
from geoflow.decide.loads import TankCount
from geoflow.decide.vet import Solution
from geoflow.hydraulics.readings import MarginReadings

if TYPE_CHECKING:
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["CardOutcome"]


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
    calibration : Calibration or None
        Of the meter.
    presets : Presets
        For the buttons.
    alarms : ndarray, shape (rates,)
        Off-rate alarm of each rate, as a share of it [-]; NaN where none fits.
    low_alarm : MarginReadings or None
        None where no pressure holds the margin.
    faults : tuple of Fault
        At the rates `fault_rate`.
    fault_rate : ndarray, shape (n,)
        Those of `gauges` whose liquid margin is certain at the middle temperature, nitrogen [kg/m2].
    tanks : TankCount or None
        None where the bar file names no tank.
    heel : float
        Share of a tank that is left in it [-].
    spare_suction : float or None
        Pressure that may be lost before the pump besides, at the coldest liquid and the highest rate [Pa]; None
        without a suction.
    zone_rate : ndarray, shape (zones,)
        Nitrogen rate of every zone of the map, else the rates given [kg/m2].
    """

    prescription: Prescription | None
    solution: Solution
    speeds: RateSpeeds
    gauges: GaugeTable
    calibration: Calibration | None
    presets: Presets
    alarms: FloatArray
    low_alarm: MarginReadings | None
    faults: tuple[Fault, ...]
    fault_rate: FloatArray
    tanks: TankCount | None
    heel: float
    spare_suction: float | None
    zone_rate: FloatArray

    @property
    def has_findings(self) -> bool:
        """Whether a rate does not hold at the planned speed, or the plan itself is odd."""
        return bool(not self.speeds.as_planned.all() or self.solution.warnings())
