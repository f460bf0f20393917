"""What a bar file says that is allowed, but rare enough to be a slip."""

from __future__ import annotations

from typing import Final

from geoflow.bar.equipment import Bar
from geoflow.base import units
from geoflow.base.said import said
from geoflow.base.units import System
from geoflow.physics.ammonia import saturation

__all__ = ["METER_TEMPERATURE", "meter_density", "unusual_lines"]

# Beyond these a value is allowed but rare. Common practice, no source; 350 psi is the least working pressure of
# hose under container pressure in WAC 296-307-40023.
_SPACING_INCHES: Final = (10.0, 80.0)
_ORIFICE_INCHES: Final = (0.02, 0.5)
_BORE_INCHES: Final = (0.2, 4.0)
_COEFFICIENT: Final = (0.55, 0.98)
_MARGIN_PSI: Final = (2.0, 50.0)
_HOSE_RATING_PSI: Final = 350.0
_FASTEST_MPH, _LEAST_NITROGEN = 12.0, 0.80
# Meters of this trade count some hundred pulses to a gallon; the same meter's number per 10 lb N, which many displays
# ask for, is about 2.4 times as large (arithmetic, from the density of the liquid), so it is told by its size.
_PULSES_PER_GALLON: Final = (10.0, 1200.0)
METER_TEMPERATURE: Final = "60 degF"
"""Liquid temperature meters are rated at."""


def meter_density() -> float:
    """Of the liquid at the temperature meters are rated at [kg/m3]."""
    return float(saturation(units.parse(METER_TEMPERATURE, "temperature")).liquid_density)


def _pounds_per_gallon(bar: Bar) -> float:
    """Nitrogen in a gallon of liquid where meters are rated [lb]."""
    return meter_density() * bar.nitrogen_fraction * units.factor("gallon", "volume") / units.factor("lb", "mass")


def _given(value: float, kind: str, system: System) -> str:
    return said(value, kind, system, 0)


def _size(value: float, usual: tuple[float, float], what: str, shown: str) -> list[str]:
    if usual[0] <= value <= usual[1]:
        return []
    return [f"{what} {shown} is unusually {'small' if value < usual[0] else 'large'}"]


def _unusual_sizes(bar: Bar, system: System) -> list[str]:
    """Spacings, orifices and bores beyond the usual."""
    inch = units.factor("inch", "length")

    def given(length: float) -> str:
        return _given(length, "small length", system)

    lines = _size(bar.row_spacing / inch, _SPACING_INCHES, "row spacing", given(bar.row_spacing))
    for orifice in bar.orifices.values():
        name, coefficient = orifice.name, orifice.discharge_coefficient
        diameter = said(orifice.diameter, "small length", system)
        lines += _size(orifice.diameter / inch, _ORIFICE_INCHES, f"{name}: a diameter of", diameter)
        lines += _size(coefficient, _COEFFICIENT, f"{name}: a coefficient of", f"{coefficient:g}")
        if any(point.pressure > bar.limits.max_pressure for point in orifice.measured):
            lines.append(f"{name}: a point was measured above the rated pressure")
    hoses = {f"feed of {section.name}": section.feed for section in bar.sections}
    hoses |= {"row hose": bar.row_hose.line, "suction": bar.suction.line if bar.suction else None}
    for what, line in hoses.items():
        lines += _size(line.bore / inch, _BORE_INCHES, f"{what}: a bore of", given(line.bore)) if line else []
    return lines


def _unusual_pulses(bar: Bar) -> list[str]:
    if bar.meter.pulses_per_volume is None:
        return []
    pulses = bar.meter.pulses_per_volume * units.factor("gallon", "volume")
    if _PULSES_PER_GALLON[0] <= pulses <= _PULSES_PER_GALLON[1]:
        return []
    meant = pulses * _pounds_per_gallon(bar) / 10.0
    size = "few" if pulses < _PULSES_PER_GALLON[0] else "many"
    return [
        f"{pulses:,.4g} pulses per gallon are unusually {size}; if the tag says {pulses:,.4g} pulses to 10 lb N, "
        f"write pulses_per_gallon = {meant:.4g} (liquid at 60 °F, {bar.nitrogen_fraction * 100:g} % nitrogen)"
    ]


def unusual_lines(bar: Bar, system: System) -> list[str]:
    """Return what is allowed but rare enough to be a slip.

    Parameters
    ----------
    bar : Bar
        As read.
    system : str
        ``"us"`` or ``"metric"``.
    """
    psi = units.factor("psi", "pressure")
    margin, rated = bar.limits.liquid_margin, bar.rated_gauge[1]
    hose = _given(_HOSE_RATING_PSI * psi, "pressure", system)
    odd = (
        (
            rated / psi > _HOSE_RATING_PSI,
            f"a rated pressure of {_given(rated, 'pressure', system)}: ammonia hose need only bear {hose}; is every "
            "part rated for more?",
        ),
        (
            bar.limits.speed[1] > units.to_si(_FASTEST_MPH, "speed", "mph"),
            f"a speed of {_given(bar.limits.speed[1], 'speed', system)} is unusually high",
        ),
        (
            bar.nitrogen_fraction < _LEAST_NITROGEN,
            f"{bar.nitrogen_fraction * 100:g} % nitrogen is little; 82-0-0 has 82 %",
        ),
    )
    mixed = len({section.orifice for section in bar.sections}) > 1
    return [
        *_unusual_sizes(bar, system),
        *_size(margin / psi, _MARGIN_PSI, "a liquid margin of", _given(margin, "pressure", system)),
        *(text for rare, text in odd if rare),
        *_unusual_pulses(bar),
        *(["the sections have different orifices: their rows will not get the same rate"] if mixed else []),
    ]
