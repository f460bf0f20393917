"""A bar before there is a bar file: what was said of it, and what is usual as a range where nothing was."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

from geoflow.bar.equipment import Bar, ControlValve, Limits, Meter, Orifice, Pump, RowHose, Section
from geoflow.bar.key_kinds import THIN_PLATE
from geoflow.bar.liquid import liquid_temperature, tank_gauge
from geoflow.base.errors import QuantityError, UsageError
from geoflow.base.ranges import parse_range, planned_speed
from geoflow.base.rates import ammonia_flow
from geoflow.base.units import from_si, parse
from geoflow.decide.size_curves import BarRange
from geoflow.decide.sized import Taken
from geoflow.decide.vet import Plan
from geoflow.options.typed import SizeOptions
from geoflow.physics.air import standard_air_pressure
from geoflow.physics.ammonia import saturation

__all__ = ["USUAL", "assumed_bar", "with_losses"]

USUAL: Final[dict[str, str]] = {
    "pump": "30..60 gpm at 80..120 psi",
    "loss": "2..15 psi",
    "back_pressure": "2..10 psi",
    "rated": "200..250 psi",
    "margin": "5 psi",
    "coefficient": "0.57..0.67",
    "elevation": "0..2000 ft",
}
"""What is carried where it is not said: common practice, no source; the coefficient is that of a sharp edge, ± 8 %."""

_KINDS: Final = {
    "loss": "pressure",
    "back_pressure": "pressure",
    "rated": "pressure",
    "margin": "pressure",
    "elevation": "length",
}
_WATER: Final = 999.0  # [kg/m3] at 60 degF, which the Cv of a valve counts with
_MOST_ROWS: Final = 1000


def _ends(said: SizeOptions, name: str) -> tuple[float, float]:
    """Both ends of what was said, or of what is usual, in SI."""
    where, text = f"--{name.replace('_', '-')}", getattr(said, name) or USUAL[name]
    low, high = parse_range(text, _KINDS[name], where=where)
    if low < 0.0 or (low == 0.0 and name in {"rated", "margin"}):
        raise QuantityError(f"'{text}' goes too low", where=where, cure=f'write it like "{USUAL[name]}"')
    return low, high


def _coefficient(said: SizeOptions) -> tuple[float, float]:
    text = said.coefficient or USUAL["coefficient"]
    try:
        low, high = map(float, text.split("..") if ".." in text else (text, text))
    except ValueError:
        low = high = math.nan
    if not 0.1 <= low <= high <= 1.0:
        cure = f'write it like "{USUAL["coefficient"]}" or "0.62"'
        raise QuantityError(f"'{text}' is no discharge coefficient from 0.1 to 1", where="--coefficient", cure=cure)
    return low, high


def _pump(said: SizeOptions) -> tuple[tuple[float, float], tuple[float, float]]:
    """Flow [m3/s] and rise [Pa] of the pump, both ends of each."""
    text = said.pump or USUAL["pump"]
    flow, _, rise = text.partition(" at ")
    try:
        ends = parse_range(flow, "volume flow"), parse_range(rise, "pressure")
    except QuantityError:
        ends = (0.0, 0.0), (0.0, 0.0)
    if min(ends[0][0], ends[1][0]) <= 0.0:
        cure = 'write it like "30 gpm at 120 psi": liquid displaced at full drive, and the most pressure it can add'
        raise QuantityError(f"'{text}' is no flow at a pressure", where="--pump", cure=cure)
    return ends


def _orifice(said: SizeOptions, coefficient: tuple[float, float]) -> Orifice:
    land = None if said.land is None else parse(said.land, "length", where="--land")
    if land is not None and land <= 0.0:
        raise QuantityError(f"'{said.land}' is no length of a bore", where="--land", cure='write it like "1.5 mm"')
    if said.thin_plate and land is None:
        raise UsageError(
            "--thin-plate without the plate's thickness", where="geoflow size", cure='add --land, like --land "1.5 mm"'
        )
    middle = 0.5 * sum(coefficient)
    tolerance = (coefficient[1] - coefficient[0]) / sum(coefficient)
    flashing = THIN_PLATE if said.thin_plate else None
    # Its diameter is what is looked for.
    return Orifice("sized", 1e-3, middle, tolerance, land, flashing=flashing)


def _rows(said: SizeOptions) -> tuple[int, float]:
    if said.rows is None or said.row_spacing is None:
        raise UsageError(
            "how many rows there are, and how far apart, is not said",
            where="geoflow size",
            cure='give --rows 16 --row-spacing "30 in", or a bar file with --bar',
        )
    spacing = parse(said.row_spacing, "length", where="--row-spacing")
    if not 1 <= said.rows <= _MOST_ROWS or not 0.0 < spacing < 10.0:
        raise UsageError(
            f"{said.rows} rows {said.row_spacing} apart are no bar",
            where="--rows, --row-spacing",
            cure='give --rows 16 --row-spacing "30 in"',
        )
    return said.rows, spacing


def _plan(said: SizeOptions, airs: tuple[float, float]) -> Plan:
    """What the day may bring; what a tank's gauge tells depends on the air pressure, of which both ends count."""
    ends = [liquid_temperature(said.temperature, air, where="--temperature") for air in airs]
    middle = 0.5 * sum(airs)
    gauge = tank_gauge(said.temperature, middle)
    return Plan(
        (ends[0][0], ends[1][1]),
        planned_speed(said.speed),
        (0,),
        tank_gauge=None if gauge is None else (gauge[0] - middle, gauge[1] - middle),
    )


def assumed_bar(said: SizeOptions) -> tuple[BarRange, Plan, tuple[Taken, ...]]:
    """Make a bar of one section of what was said, at both ends of what was not; nothing is lost before its orifices.

    Parameters
    ----------
    said : SizeOptions
        As typed.

    Returns
    -------
    bars, plan, taken : BarRange, Plan, tuple of Taken
        What was said or taken comes in the order it is told.

    Raises
    ------
    QuantityError, UsageError
        If something is missing or no such quantity.
    """
    rows, spacing = _rows(said)
    flow, rise = _pump(said)
    loss, below, rated, margin, heights = (_ends(said, name) for name in _KINDS)
    coefficient = _coefficient(said)
    thin, thick = sorted(standard_air_pressure(height) for height in heights)
    plan = _plan(said, (thin, thick))

    def bar(end: int, limits: Limits) -> Bar:
        """The bar at the worse (0) or better (1) end of everything."""
        return Bar(
            name=f"{rows} rows",
            row_spacing=spacing,
            sections=(Section("all", rows, "sized"),),
            orifices={"sized": _orifice(said, coefficient)},
            pump=Pump(flow[end], rise[end]),
            # No meter limits anything: what it has to count is told.
            meter=Meter(1.0, 0.0, 1e3),
            limits=limits,
            elevation=0.5 * sum(heights),
            air_pressure=0.5 * (thin + thick),
            row_hose=RowHose(back_pressure=(below[0] + thin, below[1] + thick)),
        )

    # Any speed the day may bring; none is forbidden.
    speeds = 0.2 * plan.speed[0], 5.0 * plan.speed[1]
    worse = bar(0, Limits(rated[0] + thin, margin[1], speeds))
    better = bar(1, Limits(rated[1] + thick, margin[0], speeds))
    given = {name: getattr(said, name) is not None for name in USUAL}
    ends = {
        "pump flow": (*flow, given["pump"]),
        "pump pressure": (*rise, given["pump"]),
        "loss": (*loss, given["loss"]),
        "back pressure": (*below, given["back_pressure"]),
        "rated pressure": (*rated, given["rated"]),
        "liquid margin": (*margin, given["margin"]),
        "coefficient": (*coefficient, given["coefficient"]),
        "elevation": (*heights, given["elevation"]),
    }
    taken = tuple(Taken(name, low, high, by_user) for name, (low, high, by_user) in ends.items())
    return BarRange(worse, better), plan, taken


def with_losses(bars: BarRange, plan: Plan, taken: tuple[Taken, ...], most_rate: float) -> BarRange:
    """Return the bars with what is lost between pump and orifices, as in a valve.

    Parameters
    ----------
    bars, plan, taken
        From `assumed_bar`.
    most_rate : float
        Greatest nitrogen rate asked [kg/m2]; the loss is that at its flow at the fastest speed.
    """
    least, most = next((one.low, one.high) for one in taken if one.name == "loss")
    density = float(saturation(0.5 * sum(plan.temperature)).liquid_density)
    flow = ammonia_flow(most_rate, plan.speed[1], bars.worse.width, bars.worse.nitrogen_fraction)
    gallons = float(from_si(float(flow) / density, "volume flow", "gallon/minute"))

    def lossy(bar: Bar, loss: float) -> Bar:
        pounds = float(from_si(loss, "pressure", "psi"))
        valve = None if pounds <= 0.0 else ControlValve(gallons / math.sqrt(pounds * _WATER / density))
        return replace(bar, control_valve=valve)

    return BarRange(lossy(bars.worse, most), lossy(bars.better, least))
