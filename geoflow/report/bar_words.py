"""A bar said back in words, with what is assumed about it and what deserves a second look."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from geoflow.bar.equipment import Bar, Line, Orifice
from geoflow.bar.keys import keys_of
from geoflow.bar.ranges import known_ends
from geoflow.base import units
from geoflow.base.counted import count
from geoflow.base.said import said as said_back
from geoflow.base.said import said_range
from geoflow.base.units import System
from geoflow.hydraulics.long_bores import is_bounded_as_long
from geoflow.physics.air import standard_air_pressure
from geoflow.report.bar_machines import machine_rows
from geoflow.report.bar_oddities import METER_TEMPERATURE, meter_density, unusual_lines
from geoflow.report.cautions import SHORT_CAUTION
from geoflow.report.flashing import flashing_short, long_bore_lines
from geoflow.report.model import BulletList, Report, Section, Table
from geoflow.report.points import point_lines

__all__ = ["assumed_lines", "bar_report"]

_STEP_UP: Final = 304.8  # 1000 ft [m]


def bar_report(bar: Bar, system: System) -> Report:
    """Say a bar back: its parts, what is assumed about it, and what is unusual.

    Parameters
    ----------
    bar : Bar
        What was read from the bar file.
    system : str
        ``"us"`` or ``"metric"``.
    """
    whole, site = _whole(bar, system)
    parts = (
        ("sections", "Sections, left to right", _sections(bar, system)),
        ("orifices", "Orifices", _orifices(bar, system)),
        ("equipment", "Equipment", _equipment(bar, system)),
        ("limits", "Limits", _limits(bar, system)),
    )
    lists = (
        ("points", "Measured points, as read and as counted", point_lines(bar, system)),
        ("assumed", "Assumed", assumed_lines(bar, system)),
        ("unusual", "Worth a second look", unusual_lines(bar, system)),
    )
    return Report(
        bar.name,
        site,
        f"{bar.name}: {whole}",
        (
            *(Section(key, title, (_table(rows),)) for key, title, rows in parts),
            *(Section(key, title, (BulletList(tuple(lines)),)) for key, title, lines in lists if lines),
        ),
        SHORT_CAUTION,
        "",
    )


def _table(rows: Sequence[Sequence[str]]) -> Table:
    """Set rows that explain themselves in columns without heads."""
    return Table("", ("",) * len(rows[0]), tuple(map(tuple, rows)), "<" * len(rows[0]))


def _say(value: float, kind: str, system: System, digits: int = 2) -> str:
    """Write a value that was worked out, without the zeros that say nothing."""
    number = units.number(value, kind, system, digits)
    number = number.rstrip("0").rstrip(".") if "." in number else number
    return f"{number} {units.unit_label(kind, system)}"


def _given(value: float, kind: str, system: System) -> str:
    """Write a value of the file, as exactly as it stands there."""
    return said_back(value, kind, system, 0)


def _span(low: float, high: float, kind: str, system: System) -> str:
    return said_range(low, high, kind, system, 0)


def _ranged(part: Any, name: str, kind: str, system: System) -> str:
    """Write a value of a part, or the range it is known as."""
    return _span(*known_ends(part, name), kind, system)


def _plainly(part: Any, name: str, times: float = 1.0) -> str:
    """Write a plain number of a part, or the range it is known as."""
    return " to ".join(dict.fromkeys(f"{times * end:g}" for end in known_ends(part, name)))


def _hose(line: Line, system: System) -> str:
    text = f"{_ranged(line, 'length', 'length', system)} of {_ranged(line, 'bore', 'small length', system)} bore"
    if line.fittings_k:
        text += f", fittings K {_plainly(line, 'fittings_k')}"
    return text + (f", roughness {_given(line.roughness, 'small length', system)}" if line.roughness else "")


def _whole(bar: Bar, system: System) -> tuple[str, str]:
    spacing = _given(bar.row_spacing, "small length", system)
    sections = "1 section" if len(bar.sections) == 1 else f"{len(bar.sections)} sections"
    air = _say(bar.air_pressure, "pressure", system, 1)
    about = f" ± {_say(bar.air_spread, 'pressure', system, 1)}" if bar.air_spread else ""
    return (
        f"{bar.rows} rows at {spacing} make {_say(bar.width, 'length', system)}, in {sections}",
        f"ammonia with {bar.nitrogen_fraction * 100:g} % nitrogen; site at "
        f"{_given(bar.elevation, 'length', system)}, where the air has {air}{about}",
    )


def _sections(bar: Bar, system: System) -> list[list[str]]:
    return [
        [
            section.name,
            f"{section.rows} rows" if section.rows > 1 else "1 row",
            _say(section.rows * bar.row_spacing, "length", system),
            f"orifice {section.orifice}",
            f"feed {_hose(section.feed, system)}" if section.feed else "no feed line given",
        ]
        for section in bar.sections
    ]


def _orifices(bar: Bar, system: System) -> list[list[str]]:
    fitted = {section.orifice for section in bar.sections}
    return [
        [
            orifice.name,
            said_back(orifice.diameter, "small length", system),
            f"coefficient {orifice.discharge_coefficient:g} ± {orifice.coefficient_tolerance * 100:.4g} %",
            f"land {_given(orifice.land, 'small length', system)}" if orifice.land else "no land given",
            _flashing(bar, orifice) + ("" if orifice.name in fitted else "; in no section"),
        ]
        for orifice in bar.orifices.values()
    ]


def _flashing(bar: Bar, orifice: Orifice) -> str:
    points = len(orifice.measured)
    measured = f"{count(points, 'point')} measured" if points else ""
    spread = f"rows ± {orifice.row_spread * 100:g} %" if orifice.row_spread else ""
    return ", ".join(filter(None, (flashing_short(bar, orifice), measured, spread)))


def _below(bar: Bar, system: System) -> str:
    """What pushes back below the orifices."""
    hose = bar.row_hose
    if hose.back_pressure:
        low, high = (pressure - bar.air_pressure for pressure in hose.back_pressure)
        return f"back pressure {_span(low, high, 'pressure', system)} gauge"
    if hose.line:
        knife = (
            f", {said_range(*known_ends(hose, 'outlet'), 'small length', system)} at the knife" if hose.outlet else ""
        )
        return f"{_hose(hose.line, system)}{knife}; its back pressure is estimated, ± {hose.tolerance * 100:g} %"
    return "none: open air below the orifices"


def _pump(bar: Bar, system: System) -> list[list[str]]:
    pump, suction = bar.pump, bar.suction
    least = f"least {_ranged(pump, 'min_flow', 'volume flow', system)}" if pump.min_flow else "no least flow"
    said = (
        f"{_ranged(pump, 'max_flow', 'volume flow', system)} at full drive, {least}, adds up to "
        f"{_ranged(pump, 'max_rise', 'pressure', system)}, efficiency {_plainly(pump, 'efficiency', 100)} %"
    )
    if not suction:
        return [["pump", said]]
    head = f"liquid {_given(abs(suction.head), 'length', system)} {'above' if suction.head >= 0 else 'below'} the pump"
    return [["suction", head + (f", {_hose(suction.line, system)}" if suction.line else "")], ["pump", said]]


def _meter(bar: Bar, system: System) -> list[list[str]]:
    meter, volume = bar.meter, "gallon" if system == "us" else "liter"
    counted = "pulses not known"
    if meter.pulses_per_volume is not None:
        pulses = meter.pulses_per_volume * units.factor(volume, "volume")
        # As given, per gallon; in metric units worked out from that.
        told = f"{pulses:,.9g}" if system == "us" else f"{pulses:,.5g}"
        counted = f"{told} pulses per {volume}{_by_nitrogen(meter.pulses_per_volume, bar, system)}"
    counts = _span(meter.min_flow, meter.max_flow, "volume flow", system)
    if meter.ranges:
        least, most = (_ranged(meter, name, "volume flow", system) for name in ("min_flow", "max_flow"))
        counts = f"from {least} up to {most}"
    said = f"{counted}, counts {counts}"
    if meter.loss_at_max_flow:
        said += f", loses {_ranged(meter, 'loss_at_max_flow', 'pressure', system)} at its greatest flow"
    if meter.reference_temperature is None:
        return [["meter", said]]
    reference = said_back(meter.reference_temperature, "temperature", system)
    return [["meter", said], ["", f"the controller takes the density at {reference}, whatever the liquid's own"]]


def _equipment(bar: Bar, system: System) -> list[list[str]]:
    rows = [["row hose", _below(bar, system)], *_pump(bar, system), *_meter(bar, system)]
    if bar.control_valve:
        valve = bar.control_valve
        rows.append(["valve", f"Cv {_plainly(valve, 'cv')} wide open, pressure recovery FL {valve.recovery_factor:g}"])
    if bar.controller:
        delay, constant = bar.controller.delay, bar.controller.time_constant
        rows.append(["control", f"answers after {delay:g} s, then with a time constant of {constant:g} s"])
    if bar.tank:
        filled = _say(bar.tank.capacity * bar.tank.fill, "volume", system, 0)
        rows.append(
            ["tank", f"{_given(bar.tank.capacity, 'volume', system)}, filled to {bar.tank.fill * 100:g} %: {filled}"]
        )
    if bar.gauges:
        rows.append(["gauges", ", ".join(gauge.place for gauge in bar.gauges)])
    return rows + machine_rows(bar, system)


def _by_nitrogen(pulses: float, bar: Bar, system: System) -> str:
    """The meter's pulses to an amount of nitrogen, as many displays ask for them."""
    amount, unit = (10, "lb") if system == "us" else (1, "kg")
    volume = amount * units.factor(unit, "mass") / (meter_density() * bar.nitrogen_fraction)
    at = units.show(units.parse(METER_TEMPERATURE, "temperature"), "temperature", system)
    return f" ({pulses * volume:,.0f} to {amount} {unit} N at {at})"


def _limits(bar: Bar, system: System) -> list[list[str]]:
    limits = bar.limits
    margin = _given(limits.liquid_margin, "pressure", system)
    rated = _span(*bar.rated_gauge, "pressure", system)
    return [
        ["pressure", f"{rated} gauge at the pump outlet"],
        ["margin", f"{margin} above the vapour pressure, above every orifice"],
        ["speed", _span(*limits.speed, "speed", system)],
    ]


def _fitted_orifices(bar: Bar) -> list[str]:
    """What is assumed about the orifices in use."""
    in_use = {section.orifice for section in bar.sections}
    fitted = [orifice for orifice in bar.orifices.values() if orifice.name in in_use]
    told_of = [text.format(_and([one.name for one in some])) for some, text in _assumed_of(bar, fitted) if some]
    return [*told_of, *long_bore_lines(bar, fitted)]


def _assumed_of(bar: Bar, fitted: list[Orifice]) -> tuple[tuple[list[Orifice], str], ...]:
    """Orifices of which something is assumed, and what."""
    usual = keys_of("orifices")["coefficient_tolerance"].default
    fitted_as_told = [one for one in fitted if one.learned is None]
    free = [one for one in fitted_as_told if one.flash_weight is None and one.flashing is None]
    open_ = [one for one in free if not is_bounded_as_long(bar, one)]
    return (
        (
            [one for one in fitted_as_told if one.coefficient_tolerance == usual and not one.measured],
            f"coefficient of {{}}: ± {float(usual or 0) * 100:g} %, as nothing better was given; a water test narrows "
            "the window's doubt",
        ),
        (
            [one for one in open_ if not one.measured],
            "flashing in {} lies between none and full, so the certain window is smaller than the possible one; a "
            "point measured on ammonia narrows what is open",
        ),
        (
            [one for one in open_ if one.measured],
            "flashing in {} is known only as far as the measured points tell, so the certain window is smaller than "
            "the possible one",
        ),
        (
            [one for one in open_ if one.land is None],
            "no land for {}: the middle estimate of the flashing is a rough one",
        ),
    )


def _lossless(bar: Bar) -> list[str]:
    """Where no pressure is taken to be lost."""
    unfed = [section.name for section in bar.sections if section.feed is None]
    parts = (
        (bool(unfed), f"the feed of {' and '.join(unfed)}"),
        (not (bar.suction and (bar.suction.line or bar.suction.tank_hoses)), "the suction (it never limits)"),
        (not bar.meter.loss_at_max_flow, "the meter"),
        (not bar.control_valve, "the control valve"),
    )
    lossless = [part for missing, part in parts if missing]
    return [f"no pressure lost in {_and(lossless)}: high rates may be judged too kindly"] if lossless else []


def assumed_lines(bar: Bar, system: System) -> list[str]:
    """Return what the file leaves out and what that means for the verdicts.

    Parameters
    ----------
    bar : Bar
        As read.
    system : str
        ``"us"`` or ``"metric"``.
    """
    drop = _say(bar.air_pressure - standard_air_pressure(_STEP_UP), "pressure", system, 1)
    missing = (
        (
            bar.row_hose.back_pressure is None and bar.row_hose.line is None,
            "no row hose: a real one pushes back, so low rates are judged too strictly and high rates may be judged "
            "too kindly",
        ),
        (not bar.pump.min_flow, "no least flow of the pump: it never limits low rates"),
        (
            bar.pump.efficiency == keys_of("pump")["efficiency"].default,
            f"pump efficiency {bar.pump.efficiency * 100:g} %, as nothing better was given; what is left of the "
            "drive's work warms the liquid",
        ),
        (
            bar.meter.reference_temperature is None,
            "the controller knows the liquid's true density; if not, set reference_temperature",
        ),
        (
            not bar.elevation,
            f"the site is at sea level; every {_say(_STEP_UP, 'length', system, 0)} up takes about {drop} off the air",
        ),
        (not bar.controller, "no controller: nothing is said of how far a rate change trails behind"),
        (not bar.tank, "no tank: no loads are counted, nor how the liquid cools while the tank is drawn down"),
    )
    return [*_fitted_orifices(bar), *_lossless(bar), *(text for absent, text in missing if absent)]


def _and(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
