"""A row orifice and what was measured on it, in SI units."""

from __future__ import annotations

from dataclasses import dataclass, field

from geoflow.bar.key_kinds import THIN_PLATE_FLASHING
from geoflow.bar.learned import Learned
from geoflow.bar.otherwise import left_out as _left_out

__all__ = ["MeasuredPoint", "Orifice", "PointReadings"]


@dataclass(frozen=True, slots=True)
class PointReadings:
    """What was read for a measured point, in the words of the bar file.

    Attributes
    ----------
    flow, pressure, temperature : str
        As written; a tank's gauge stands for a temperature.
    rows : int
        Rows the flow went through.
    feed_loss : tuple of float or None
        Least and greatest pressure [Pa] taken off a gauge after the valve.
    tank_gauge : bool
        Whether the temperature is that of a tank's gauge.
    """

    flow: str
    pressure: str
    temperature: str
    rows: int = 1
    feed_loss: tuple[float, float] | None = None
    tank_gauge: bool = False


@dataclass(frozen=True, slots=True)
class MeasuredPoint:
    """One measurement on one orifice on ammonia.

    Attributes
    ----------
    flow : float
        Ammonia through one orifice [kg/s].
    pressure : float
        Absolute pressure upstream of the orifice [Pa].
    temperature : float
        Liquid temperature [K].
    flow_tolerance : float
        Relative uncertainty of the flow [-].
    pressure_tolerance, temperature_tolerance : float
        Uncertainty of the two readings [Pa], [K].
    readings : PointReadings or None
        What it comes from.
    """

    flow: float
    pressure: float
    temperature: float
    flow_tolerance: float = _left_out("orifices.measured", "flow_tolerance")
    pressure_tolerance: float = _left_out("orifices.measured", "pressure_tolerance")
    temperature_tolerance: float = _left_out("orifices.measured", "temperature_tolerance")
    readings: PointReadings | None = field(default=None, compare=False)


@dataclass(frozen=True, slots=True)
class Orifice:
    """A fixed row orifice.

    Attributes
    ----------
    name : str
        Its key in the bar file.
    diameter : float
        Bore [m].
    discharge_coefficient : float
        Liquid discharge coefficient [-].
    coefficient_tolerance : float
        Relative tolerance of the coefficient [-]; 0 means exact.
    land : float or None
        Length of the cylindrical bore, the plate thickness [m]; sets the central flashing weight.
    flash_weight : float or None
        A known flashing weight, 0..1 [-]; None leaves both bounds open.
    measured : tuple of MeasuredPoint
        Points that narrow what is unknown.
    flashing : str or None
        ``"thin plate"``: an assumption the user states, that its flashing weight is `THIN_PLATE_FLASHING` at most.
    row_spread : float
        How far the flow of one row may be off the mean of the rows with this orifice, at one pressure [-].
    learned : Learned or None
        What logs tell of it; counts more than everything above but the diameter and the row spread.
    """

    name: str
    diameter: float
    discharge_coefficient: float
    coefficient_tolerance: float = _left_out("orifices", "coefficient_tolerance")
    land: float | None = None
    flash_weight: float | None = None
    measured: tuple[MeasuredPoint, ...] = ()
    flashing: str | None = None
    row_spread: float = _left_out("orifices", "row_spread")
    learned: Learned | None = None

    @property
    def most_flashing(self) -> float:
        """Greatest flashing weight it may have where none is given [-]."""
        return 1.0 if self.flashing is None else THIN_PLATE_FLASHING
