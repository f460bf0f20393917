"""A bar said back in words, with what is assumed about it and what deserves a second look."""

from __future__ import annotations

import textwrap
from typing import Final

from geoflow.bar.equipment import Bar, Line, Orifice
from geoflow.bar.keys import keys_of
from geoflow.base import units
from geoflow.base.said import said, said_range
from geoflow.base.units import System
from geoflow.physics.air import standard_air_pressure
from geoflow.physics.ammonia import saturation

__all__ = ["assumed_lines", "describe", "unusual_lines"]

_WIDTH: Final = 104
# Beyond these a value is allowed but rare. Common practice, no source; 350 psi is the least working pressure of
# hose under container pressure in WAC 296-307-40023.
_SPACING_INCHES: Final = (10.0, 80.0)
_ORIFICE_INCHES: Final = (0.02, 0.5)
_BORE_INCHES: Final = (0.2, 4.0)
_COEFFICIENT: Final = (0.55, 0.98)
_MARGIN_PSI: Final = (2.0, 50.0)
_HOSE_RATING_PSI: Final = 350.0
_FASTEST_MPH: Final = 12.0
_LEAST_NITROGEN: Final = 0.80
# Meters of this trade count some hundred pulses to a gallon; the same meter's number per 10 lb N, which many displays
# ask for, is about 2.4 times as large (arithmetic, from the density of the liquid), so it is told by its size.
_PULSES_PER_GALLON: Final = (10.0, 1200.0)
_METER_TEMPERATURE: Final = "60 degF"


def describe(bar: Bar, system: System) -> str:
    """Say a bar back in words.

    Parameters
    ----------
    bar : Bar
        What was read from the bar file.
    system : str
        ``"us"`` or ``"metric"``.

    Returns
    -------
    str
        Lines of at most 104 characters: the parts, what is assumed, and what is unusual.
    """
    groups = (
        (bar.name, _whole(bar, system)),
        ("Sections, left to right", _sections(bar, system)),
        ("Orifices", _orifices(bar, system)),
        ("Equipment", _equipment(bar, system)),
        ("Limits", _limits(bar, system)),
        ("Assumed", [f"- {line}" for line in assumed_lines(bar, system)]),
        ("Worth a second look", [f"- {line}" for line in unusual_lines(bar, system)]),
    )
    return "\n\n".join("\n".join([title, *map(_indented, content)]) for title, content in groups if content)


def _indented(line: str) -> str:
    later = " " * (4 if line.startswith("- ") else 15)
    return textwrap.fill(line, _WIDTH, initial_indent="  ", subsequent_indent=later, break_on_hyphens=False)


def _say(value: float, kind: str, system: System, digits: int = 2) -> str:
    """Write a value that was worked out, without the zeros that say nothing."""
    number = units.number(value, kind, system, digits)
    number = number.rstrip("0").rstrip(".") if "." in number else number
    return f"{number} {units.unit_label(kind, system)}"


def _given(value: float, kind: str, system: System) -> str:
    """Write a value of the file, as exactly as it stands there."""
    return said(value, kind, system, 0)


def _span(low: float, high: float, kind: str, system: System) -> str:
    return said_range(low, high, kind, system, 0)


def _gauge(pressure: float, bar: Bar, system: System) -> str:
    return f"{_given(pressure - bar.air_pressure, 'pressure', system)} gauge"


def _hose(line: Line, system: System) -> str:
    text = f"{_given(line.length, 'length', system)} of {_given(line.bore, 'small length', system)} bore"
    if line.fittings_k:
        text += f", fittings K {line.fittings_k:g}"
    return text + (f", roughness {_given(line.roughness, 'small length', system)}" if line.roughness else "")


def _aligned(rows: list[list[str]]) -> list[str]:
    widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    widths[0] = max(widths[0], 10)
    return ["   ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) for row in rows]


def _whole(bar: Bar, system: System) -> list[str]:
    spacing = _given(bar.row_spacing, "small length", system)
    sections = "1 section" if len(bar.sections) == 1 else f"{len(bar.sections)} sections"
    air = _say(bar.air_pressure, "pressure", system, 1)
    return [
        f"{bar.rows} rows at {spacing} make {_say(bar.width, 'length', system)}, in {sections}",
        f"ammonia with {bar.nitrogen_fraction * 100:g} % nitrogen; site at "
        f"{_given(bar.elevation, 'length', system)}, where the air has {air}",
    ]


def _sections(bar: Bar, system: System) -> list[str]:
    return _aligned(
        [
            [
                section.name,
                f"{section.rows} rows" if section.rows > 1 else "1 row",
                _say(section.rows * bar.row_spacing, "length", system),
                f"orifice {section.orifice}",
                f"feed {_hose(section.feed, system)}" if section.feed else "no feed line given",
            ]
            for section in bar.sections
        ]
    )


def _orifices(bar: Bar, system: System) -> list[str]:
    fitted = {section.orifice for section in bar.sections}
    return _aligned(
        [
            [
                orifice.name,
                said(orifice.diameter, "small length", system),
                f"coefficient {orifice.discharge_coefficient:g} ± {orifice.coefficient_tolerance * 100:g} %",
                f"land {_given(orifice.land, 'small length', system)}" if orifice.land else "no land given",
                _flashing(orifice) + ("" if orifice.name in fitted else "; in no section"),
            ]
            for orifice in bar.orifices.values()
        ]
    )


def _flashing(orifice: Orifice) -> str:
    points = len(orifice.measured)
    measured = f"{points} point{'s' if points > 1 else ''} measured" if points else ""
    known = "flashing open" if orifice.flash_weight is None else f"flashing weight {orifice.flash_weight:g}"
    return ", ".join(filter(None, (known, measured)))


def _equipment(bar: Bar, system: System) -> list[str]:
    pump, meter, hose = bar.pump, bar.meter, bar.row_hose
    if hose.back_pressure:
        low, high = (pressure - bar.air_pressure for pressure in hose.back_pressure)
        below = f"back pressure {_span(low, high, 'pressure', system)} gauge"
    elif hose.line:
        below = f"{_hose(hose.line, system)}; its back pressure is estimated, ± {hose.tolerance * 100:g} %"
    else:
        below = "none: open air below the orifices"
    volume = "gallon" if system == "us" else "liter"
    pulses = meter.pulses_per_volume * units.factor(volume, "volume")
    # As given, per gallon; in metric units worked out from that.
    counted = f"{pulses:,.9g}" if system == "us" else f"{pulses:,.5g}"
    counts = _span(meter.min_flow, meter.max_flow, "volume flow", system)
    least = f"least {_given(pump.min_flow, 'volume flow', system)}" if pump.min_flow else "no least flow"
    rows = [
        ["row hose", below],
        [
            "pump",
            f"{_given(pump.max_flow, 'volume flow', system)} at full drive, {least}, adds up to "
            f"{_given(pump.max_rise, 'pressure', system)}, efficiency {pump.efficiency * 100:g} %",
        ],
        ["meter", f"{counted} pulses per {volume}{_by_nitrogen(bar, system)}, counts {counts}"],
    ]
    if meter.loss_at_max_flow:
        rows[-1][1] += f", loses {_given(meter.loss_at_max_flow, 'pressure', system)} at its greatest flow"
    if meter.reference_temperature is not None:
        reference = said(meter.reference_temperature, "temperature", system)
        rows.append(["", f"the controller takes the density at {reference}, whatever the liquid's own"])
    if bar.suction:
        side = "above" if bar.suction.head >= 0 else "below"
        head = f"liquid {_given(abs(bar.suction.head), 'length', system)} {side} the pump"
        rows.insert(1, ["suction", head + (f", {_hose(bar.suction.line, system)}" if bar.suction.line else "")])
    if bar.control_valve:
        valve = bar.control_valve
        rows.append(["valve", f"Cv {valve.cv:g} wide open, pressure recovery FL {valve.recovery_factor:g}"])
    if bar.controller:
        delay, constant = bar.controller.delay, bar.controller.time_constant
        rows.append(["control", f"answers after {delay:g} s, then with a time constant of {constant:g} s"])
    if bar.tank:
        filled = _say(bar.tank.capacity * bar.tank.fill, "volume", system, 0)
        rows.append(
            ["tank", f"{_given(bar.tank.capacity, 'volume', system)}, filled to {bar.tank.fill * 100:g} %: {filled}"]
        )
    return _aligned(rows)


def _meter_density() -> float:
    """Of the liquid at the temperature meters are rated at [kg/m3]."""
    return float(saturation(units.parse(_METER_TEMPERATURE, "temperature")).liquid_density)


def _pounds_per_gallon(bar: Bar) -> float:
    """Nitrogen in a gallon of liquid where meters are rated [lb]."""
    return _meter_density() * bar.nitrogen_fraction * units.factor("gallon", "volume") / units.factor("lb", "mass")


def _by_nitrogen(bar: Bar, system: System) -> str:
    """The meter's pulses to an amount of nitrogen, as many displays ask for them."""
    amount, unit = (10, "lb") if system == "us" else (1, "kg")
    volume = amount * units.factor(unit, "mass") / (_meter_density() * bar.nitrogen_fraction)
    at = units.show(units.parse(_METER_TEMPERATURE, "temperature"), "temperature", system)
    return f" ({bar.meter.pulses_per_volume * volume:,.0f} to {amount} {unit} N at {at})"


def _limits(bar: Bar, system: System) -> list[str]:
    limits = bar.limits
    margin = _given(limits.liquid_margin, "pressure", system)
    return _aligned(
        [
            ["pressure", f"{_gauge(limits.max_pressure, bar, system)} at the pump outlet"],
            ["margin", f"{margin} above the vapour pressure, above every orifice"],
            ["speed", _span(*limits.speed, "speed", system)],
        ]
    )


def assumed_lines(bar: Bar, system: System) -> list[str]:
    """Return what the file leaves out and what that means for the verdicts."""
    lines = []
    fitted = [orifice for orifice in bar.orifices.values() if orifice.name in {s.orifice for s in bar.sections}]
    usual = keys_of("orifices")["coefficient_tolerance"].default
    untested = [o.name for o in fitted if o.coefficient_tolerance == usual and not o.measured]
    if untested:
        lines.append(
            f"coefficient of {_and(untested)}: ± {float(usual or 0) * 100:g} %, as nothing better was "
            "given; a water test narrows the window's doubt"
        )
    flashing = [o.name for o in fitted if o.flash_weight is None and not o.measured]
    if flashing:
        lines.append(
            f"flashing in {_and(flashing)} lies between none and full, so the certain window is smaller "
            "than the possible one; a point measured on ammonia narrows what is open"
        )
    narrowed = [o.name for o in fitted if o.flash_weight is None and o.measured]
    if narrowed:
        lines.append(
            f"flashing in {_and(narrowed)} is known only as far as the measured points tell, so the certain window is "
            "smaller than the possible one"
        )
    no_middle = [o.name for o in fitted if o.flash_weight is None and o.land is None]
    if no_middle:
        lines.append(f"no land for {_and(no_middle)}: the middle estimate of the flashing is a rough one")
    unfed = [section.name for section in bar.sections if section.feed is None]
    lossless = [f"the feed of {' and '.join(unfed)}"] if unfed else []
    lossless += [] if bar.suction and bar.suction.line else ["the suction (it never limits)"]
    lossless += [] if bar.meter.loss_at_max_flow else ["the meter"]
    lossless += [] if bar.control_valve else ["the control valve"]
    if lossless:
        lines.append(f"no pressure lost in {_and(lossless)}: high rates may be judged too kindly")
    if bar.row_hose.back_pressure is None and bar.row_hose.line is None:
        lines.append(
            "no row hose: a real one pushes back, so low rates are judged too strictly and high rates "
            "may be judged too kindly"
        )
    if not bar.pump.min_flow:
        lines.append("no least flow of the pump: it never limits low rates")
    if bar.pump.efficiency == keys_of("pump")["efficiency"].default:
        lines.append(
            f"pump efficiency {bar.pump.efficiency * 100:g} %, as nothing better was given; "
            "what is left of the drive's work warms the liquid"
        )
    if bar.meter.reference_temperature is None:
        lines.append("the controller knows the liquid's true density; if not, set reference_temperature")
    if not bar.elevation:
        drop = _say(bar.air_pressure - standard_air_pressure(304.8), "pressure", system, 1)
        step = _say(304.8, "length", system, 0)
        lines.append(f"the site is at sea level; every {step} up takes about {drop} off the air")
    if not bar.controller:
        lines.append("no controller: nothing is said of how far a rate change trails behind")
    if not bar.tank:
        lines.append("no tank: no loads are counted, nor how the liquid cools while the tank is drawn down")
    return lines


def unusual_lines(bar: Bar, system: System) -> list[str]:
    """Return what is allowed but rare enough to be a slip."""
    lines = []

    def check(value: float, usual: tuple[float, float], what: str, shown: str) -> None:
        if not usual[0] <= value <= usual[1]:
            lines.append(f"{what} {shown} is unusually {'small' if value < usual[0] else 'large'}")

    inch, psi = units.factor("inch", "length"), units.factor("psi", "pressure")
    check(bar.row_spacing / inch, _SPACING_INCHES, "row spacing", _given(bar.row_spacing, "small length", system))
    for orifice in bar.orifices.values():
        diameter = said(orifice.diameter, "small length", system)
        check(orifice.diameter / inch, _ORIFICE_INCHES, f"{orifice.name}: a diameter of", diameter)
        coefficient = orifice.discharge_coefficient
        check(coefficient, _COEFFICIENT, f"{orifice.name}: a coefficient of", f"{coefficient:g}")
        if any(point.pressure > bar.limits.max_pressure for point in orifice.measured):
            lines.append(f"{orifice.name}: a point was measured above the rated pressure")
    lines_of = {f"feed of {section.name}": section.feed for section in bar.sections}
    for what, line in {**lines_of, "row hose": bar.row_hose.line, "suction": bar.suction and bar.suction.line}.items():
        if line:
            check(line.bore / inch, _BORE_INCHES, f"{what}: a bore of", _given(line.bore, "small length", system))
    margin, rated = bar.limits.liquid_margin, bar.limits.max_pressure - bar.air_pressure
    check(margin / psi, _MARGIN_PSI, "a liquid margin of", _given(margin, "pressure", system))
    if rated / psi > _HOSE_RATING_PSI:
        hose = _say(_HOSE_RATING_PSI * psi, "pressure", system, 0)
        lines.append(
            f"a rated pressure of {_given(rated, 'pressure', system)}: ammonia hose need only bear {hose}; "
            "is every part rated for more?"
        )
    if bar.limits.speed[1] > units.to_si(_FASTEST_MPH, "speed", "mph"):
        lines.append(f"a speed of {_given(bar.limits.speed[1], 'speed', system)} is unusually high")
    if bar.nitrogen_fraction < _LEAST_NITROGEN:
        lines.append(f"{bar.nitrogen_fraction * 100:g} % nitrogen is little; 82-0-0 has 82 %")
    pulses = bar.meter.pulses_per_volume * units.factor("gallon", "volume")
    if not _PULSES_PER_GALLON[0] <= pulses <= _PULSES_PER_GALLON[1]:
        meant = pulses * _pounds_per_gallon(bar) / 10.0
        size = "few" if pulses < _PULSES_PER_GALLON[0] else "many"
        lines.append(
            f"{pulses:,.4g} pulses per gallon are unusually {size}; if the tag says {pulses:,.4g} pulses to 10 lb N, "
            f"write pulses_per_gallon = {meant:.4g} (liquid at 60 °F, {bar.nitrogen_fraction * 100:g} % nitrogen)"
        )
    if len({section.orifice for section in bar.sections}) > 1:
        lines.append("the sections have different orifices: their rows will not get the same rate")
    return lines


def _and(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
