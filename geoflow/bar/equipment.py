"""The bar and what may be uncertain about it: frozen dataclasses in SI units.

What counts where something is left out stands in `geoflow.bar.keys` and nowhere else.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from geoflow.bar.orifice import MeasuredPoint, Orifice, PointReadings
from geoflow.bar.otherwise import left_out as _left_out
from geoflow.bar.ranges import Range, at_end, known_ends

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
    "PointReadings",
    "Pump",
    "RowHose",
    "Section",
    "Suction",
    "Tank",
]


@dataclass(frozen=True, slots=True)
class Line:
    """A hose or pipe: length [m], bore [m], sum of fitting coefficients [-], wall roughness [m]; what is a range."""

    length: float
    bore: float
    fittings_k: float = _left_out("suction", "fittings_k")
    roughness: float = _left_out("suction", "roughness")
    ranges: tuple[Range, ...] = ()


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
    ranges : tuple of Range
        What is known of the hole as a range.
    """

    back_pressure: tuple[float, float] | None = None
    line: Line | None = None
    tolerance: float = _left_out("row_hose", "tolerance")
    outlet: float | None = None
    outlet_coefficient: float = _left_out("row_hose", "outlet_coefficient")
    ranges: tuple[Range, ...] = ()

    @property
    def is_open(self) -> bool:
        """Whether something of the estimate is known as a range only."""
        return bool(self.ranges or (self.line and self.line.ranges))

    def at_end(self, end: float) -> RowHose:
        """Return it with all ranges at the end of most back pressure (-1), or of least (+1).

        Parameters
        ----------
        end : float
            -1 the worse, +1 the better.
        """
        return replace(at_end(self, end), line=self.line and at_end(self.line, end))


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
    uneven : tuple of tuple of Line
        Other ways in which these may turn out, in which the flow divides more unevenly.
    """

    head: float = _left_out("suction", "head")
    line: Line | None = None
    greatest_head: float | None = None
    tank_hoses: tuple[Line, ...] = ()
    uneven: tuple[tuple[Line, ...], ...] = ()

    @property
    def lines(self) -> tuple[Line, ...]:
        """All its hoses and pipes."""
        return (*self.tank_hoses, *((self.line,) if self.line else ()))

    def at_end(self, end: float) -> Suction:
        """Return it with the ranges of all lines at one end.

        Parameters
        ----------
        end : float
            -1 the worse, +1 the better.
        """
        line, hoses = self.line and at_end(self.line, end), tuple(at_end(one, end) for one in self.tank_hoses)
        uneven: tuple[tuple[Line, ...], ...] = ()
        if end and len(hoses) > 1 and any(one.ranges for one in self.tank_hoses):
            places = range(len(hoses))
            uneven = tuple(
                tuple(at_end(one, 1.0 if place == odd else -1.0) for place, one in enumerate(self.tank_hoses))
                for odd in places
            )
        return replace(self, line=line, tank_hoses=hoses, uneven=uneven)

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
    ranges : tuple of Range
        What is known as a range; here and in other parts.
    """

    max_flow: float
    max_rise: float
    min_flow: float = _left_out("pump", "min_flow")
    efficiency: float = _left_out("pump", "efficiency")
    flow_tolerance: float = _left_out("pump", "flow_tolerance")
    slip: float = _left_out("pump", "slip")
    drive_share: float = 1.0
    ranges: tuple[Range, ...] = ()


@dataclass(frozen=True, slots=True)
class Bypass:
    """What the pump moves at least [m3/s], and the rise at which the rest goes back to its inlet [Pa]."""

    pump_flow: float
    opens_at: float = _left_out("bypass", "opens_at")
    ranges: tuple[Range, ...] = ()


@dataclass(frozen=True, slots=True)
class ExcessFlow:
    """A valve or coupling that shuts: at which flow of liquid [m3/s], and its relative tolerance [-]."""

    closing_flow: float
    tolerance: float = _left_out("excess_flow", "tolerance")
    ranges: tuple[Range, ...] = ()


@dataclass(frozen=True, slots=True)
class Meter:
    """Flow meter.

    Attributes
    ----------
    pulses_per_volume : float or None
        Pulses per cubic metre of liquid [1/m3]; None where nobody knows them.
    min_flow, max_flow : float
        Range in which it counts [m3/s].
    reference_temperature : float or None
        The controller takes the density at this temperature [K]; None: it uses the true density.
    loss_at_max_flow : float
        Pressure loss at the greatest flow [Pa], growing with the square of the flow.
    """

    pulses_per_volume: float | None
    min_flow: float
    max_flow: float
    reference_temperature: float | None = None
    loss_at_max_flow: float = _left_out("meter", "loss_at_max_flow")
    ranges: tuple[Range, ...] = ()


@dataclass(frozen=True, slots=True)
class ControlValve:
    """Flow coefficient wide open [US gpm/sqrt(psi), the Cv of IEC 60534], pressure recovery factor FL [-], ranges."""

    cv: float
    recovery_factor: float = _left_out("control_valve", "recovery_factor")
    ranges: tuple[Range, ...] = ()


@dataclass(frozen=True, slots=True)
class Limits:
    """Rated absolute pressure at the pump outlet [Pa], wanted liquid margin [Pa], allowed speeds [m/s]; ranges."""

    max_pressure: float
    liquid_margin: float
    speed: tuple[float, float]
    ranges: tuple[Range, ...] = ()


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
    air_spread: float = 0.0
    """How far the air may be off either way where the elevation is a range [Pa]; limits and hoses have it in them."""
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
    def rated_gauge(self) -> tuple[float, float]:
        """Ends of the rated pressure by the gauge, as the bar file has it [Pa]."""
        low, high = (end - self.air_pressure for end in known_ends(self.limits, "max_pressure"))
        return low + self.air_spread, high - self.air_spread

    @property
    def two_ended(self) -> bool:
        """Whether something ahead of the orifices has a worse and a better end."""
        return self.suction is not None or self.bypass is not None or self.pump.slip > 0.0

    @property
    def is_open(self) -> bool:
        """Whether anything but the orifices and what lies below them is known as a range only."""
        parts = self.pump, self.meter, self.limits, self.control_valve, self.bypass, self.excess_flow, self.breakaway
        lines = *(section.feed for section in self.sections), *(self.suction.lines if self.suction else ())
        return any(part.ranges for part in (*parts, *lines) if part is not None)

    def at_end(self, end: float) -> Bar:
        """Return the bar with all that `is_open` tells of at its worse end (-1) or its better one (+1).

        For one limit at a time: an uneven flow through feeds, or hoses from two tanks, is worse than all at one end.

        Parameters
        ----------
        end : float
            -1 the worse, 0 the middle, +1 the better.
        """
        if not self.is_open:
            return self
        sections = (replace(one, feed=one.feed and at_end(one.feed, end)) for one in self.sections)
        return replace(
            self,
            sections=tuple(sections),
            pump=at_end(self.pump, end),
            meter=at_end(self.meter, end),
            limits=at_end(self.limits, end),
            control_valve=self.control_valve and at_end(self.control_valve, end),
            suction=self.suction and self.suction.at_end(end),
            bypass=self.bypass and at_end(self.bypass, end),
            excess_flow=self.excess_flow and at_end(self.excess_flow, end),
            breakaway=self.breakaway and at_end(self.breakaway, end),
        )

    @property
    def rows(self) -> int:
        """Number of rows over all sections."""
        return sum(section.rows for section in self.sections)

    @property
    def width(self) -> float:
        """Working width over all sections [m]."""
        return self.rows * self.row_spacing
