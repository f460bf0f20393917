"""The bar and what may be uncertain about it: frozen dataclasses in SI units.

What counts where something is left out stands in `geoflow.bar.keys` and nowhere else.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, field
from typing import Any

from geoflow.bar.key_kinds import KEY_KINDS, THIN_PLATE_FLASHING
from geoflow.bar.keys import keys_of
from geoflow.bar.learned import Learned
from geoflow.base import units

__all__ = [
    "Bar",
    "Bypass",
    "ControlValve",
    "Controller",
    "ExcessFlow",
    "Gauge",
    "Limits",
    "Line",
    "MeasuredPoint",
    "Meter",
    "Orifice",
    "Pump",
    "Reading",
    "RowHose",
    "Section",
    "Suction",
    "Tank",
]


@functools.cache
def _default(table: str, name: str) -> Any:
    """What counts where a key of the bar file is left out, in SI."""
    key = keys_of(table)[name]
    kind = KEY_KINDS[key.kind].unit_kind
    return key.default if kind is None else units.parse(key.default, kind)


def _left_out(table: str, name: str) -> Any:
    # At the first bar, not at import: pint is slow to load.
    return field(default_factory=lambda: _default(table, name))


@dataclass(frozen=True, slots=True)
class Line:
    """A hose or pipe: length [m], bore [m], sum of fitting coefficients [-], wall roughness [m]."""

    length: float
    bore: float
    fittings_k: float = _left_out("suction", "fittings_k")
    roughness: float = _left_out("suction", "roughness")


@dataclass(frozen=True, slots=True)
class Reading:
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
    reading : Reading or None
        What it comes from.
    """

    flow: float
    pressure: float
    temperature: float
    flow_tolerance: float = _left_out("orifices.measured", "flow_tolerance")
    pressure_tolerance: float = _left_out("orifices.measured", "pressure_tolerance")
    temperature_tolerance: float = _left_out("orifices.measured", "temperature_tolerance")
    reading: Reading | None = field(default=None, compare=False)


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


@dataclass(frozen=True, slots=True)
class Section:
    """Rows that are switched together, with one orifice and one feed line."""

    name: str
    rows: int
    orifice: str
    feed: Line | None = None


@dataclass(frozen=True, slots=True)
class RowHose:
    """What is below the orifice.

    Attributes
    ----------
    back_pressure : tuple of float or None
        Lowest and highest absolute pressure just below the orifice [Pa], where it is known.
    line : Line or None
        Hose for the two-phase estimate, where it is not.
    tolerance : float
        Relative uncertainty of the estimated gauge back pressure [-].
    outlet : float or None
        Diameter of the hole at the knife [m], where it is narrower than the hose.
    outlet_coefficient : float
        Its discharge coefficient [-].
    """

    back_pressure: tuple[float, float] | None = None
    line: Line | None = None
    tolerance: float = _left_out("row_hose", "tolerance")
    outlet: float | None = None
    outlet_coefficient: float = _left_out("row_hose", "outlet_coefficient")


@dataclass(frozen=True, slots=True)
class Suction:
    """What lies between tank and pump.

    Attributes
    ----------
    head : float
        Of liquid above the pump inlet with the tank nearly empty [m]; negative for lift.
    line : Line or None
        The line to the pump, if any loses pressure.
    greatest_head : float or None
        Head with the tank full [m]; None where it is no other.
    tank_hoses : tuple of Line
        Ahead of the line, one from each tank that is drawn at the same time.
    """

    head: float = _left_out("suction", "head")
    line: Line | None = None
    greatest_head: float | None = None
    tank_hoses: tuple[Line, ...] = ()

    @property
    def full_head(self) -> float:
        """Head of liquid above the pump inlet with the tank full [m]."""
        return self.head if self.greatest_head is None else self.greatest_head


@dataclass(frozen=True, slots=True)
class Pump:
    """The pump.

    Attributes
    ----------
    max_flow : float
        Displacement at full drive [m3/s].
    max_rise : float
        Greatest pressure rise [Pa].
    min_flow : float
        Least flow it can be held at [m3/s].
    efficiency : float
        Share of the shaft's work that becomes pressure, slip not counted [-].
    flow_tolerance : float
        Relative tolerance of the displacement [-].
    slip : float
        Share of the displacement that leaks back at the greatest rise [-].
    drive_share : float
        Of full drive that the tractor gives [-].
    """

    max_flow: float
    max_rise: float
    min_flow: float = _left_out("pump", "min_flow")
    efficiency: float = _left_out("pump", "efficiency")
    flow_tolerance: float = _left_out("pump", "flow_tolerance")
    slip: float = _left_out("pump", "slip")
    drive_share: float = 1.0


@dataclass(frozen=True, slots=True)
class Bypass:
    """What the pump moves at least [m3/s], and the rise at which the rest goes back to its inlet [Pa]."""

    pump_flow: float
    opens_at: float = _left_out("bypass", "opens_at")


@dataclass(frozen=True, slots=True)
class ExcessFlow:
    """A valve or coupling that shuts: at which flow of liquid [m3/s], and its relative tolerance [-]."""

    closing_flow: float
    tolerance: float = _left_out("excess_flow", "tolerance")


@dataclass(frozen=True, slots=True)
class Meter:
    """Flow meter.

    Attributes
    ----------
    pulses_per_volume : float
        Pulses per cubic metre of liquid [1/m3].
    min_flow, max_flow : float
        Range in which it counts [m3/s].
    reference_temperature : float or None
        The controller takes the density at this temperature [K]; None: it uses the true density.
    loss_at_max_flow : float
        Pressure loss at the greatest flow [Pa], growing with the square of the flow.
    """

    pulses_per_volume: float
    min_flow: float
    max_flow: float
    reference_temperature: float | None = None
    loss_at_max_flow: float = _left_out("meter", "loss_at_max_flow")


@dataclass(frozen=True, slots=True)
class ControlValve:
    """Flow coefficient wide open [US gpm/sqrt(psi), the Cv of IEC 60534] and pressure recovery factor FL [-]."""

    cv: float
    recovery_factor: float = _left_out("control_valve", "recovery_factor")


@dataclass(frozen=True, slots=True)
class Limits:
    """Rated absolute pressure at the pump outlet [Pa], wanted liquid margin [Pa], allowed speeds [m/s]."""

    max_pressure: float
    liquid_margin: float
    speed: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Controller:
    """Dead time [s] and first-order time constant [s] of the rate control."""

    delay: float
    time_constant: float


@dataclass(frozen=True, slots=True)
class Tank:
    """Water capacity [m3], of all tanks drawn at the same time together, and the share of it that may be filled [-]."""

    capacity: float
    fill: float = _left_out("tank", "fill")


@dataclass(frozen=True, slots=True)
class Gauge:
    """A pressure gauge that can be read.

    Attributes
    ----------
    place : str
        One of `key_kinds.GAUGE_PLACES`.
    zero, span : float or None
        Of a transmitter: output at no pressure [V] and its rise with the pressure [V/Pa].
    """

    place: str
    zero: float | None = None
    span: float | None = None


@dataclass(frozen=True, slots=True)
class Bar:
    """A whole applicator bar, SI units, sections from left to right."""

    name: str
    row_spacing: float
    sections: tuple[Section, ...]
    orifices: dict[str, Orifice]
    pump: Pump
    meter: Meter
    limits: Limits
    nitrogen_fraction: float = _left_out("", "nitrogen_fraction")
    elevation: float = _left_out("", "elevation")
    air_pressure: float = 101325.0
    row_hose: RowHose = field(default_factory=RowHose)
    suction: Suction | None = None
    control_valve: ControlValve | None = None
    controller: Controller | None = None
    tank: Tank | None = None
    gauges: tuple[Gauge, ...] = ()
    bypass: Bypass | None = None
    excess_flow: ExcessFlow | None = None
    breakaway: ExcessFlow | None = None
    left_out: tuple[tuple[str, str], ...] = field(default=(), compare=False)
    """Keys absent from the bar file, and what counts in their place."""

    @property
    def two_ended(self) -> bool:
        """Whether something ahead of the orifices has a worse and a better end."""
        return self.suction is not None or self.bypass is not None or self.pump.slip > 0.0

    @property
    def rows(self) -> int:
        """Number of rows over all sections."""
        return sum(section.rows for section in self.sections)

    @property
    def width(self) -> float:
        """Working width over all sections [m]."""
        return self.rows * self.row_spacing
