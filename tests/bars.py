"""Builders of `Bar` objects in SI units for the tests of the solved bar. The bars are invented.

Unit factors: NIST SP 811 (2008) Appendix B; inch, foot, pound and US gallon are exact by definition.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from geoflow.bar.equipment import Bar, ControlValve, Limits, Line, Meter, Orifice, Pump, RowHose, Section, Suction

__all__ = [
    "AIR",
    "FOOT",
    "GPM",
    "INCH",
    "KG_PER_HA",
    "LB_PER_AC",
    "LB_PER_MIN",
    "MPH",
    "PSI",
    "bar",
    "change",
    "every_section",
    "fahrenheit",
    "feed",
    "full_bar",
    "orifice",
    "sharp_bar",
]

INCH, FOOT, POUND, GALLON = 0.0254, 0.3048, 0.45359237, 3.785411784e-3
PSI = POUND * 9.80665 / INCH**2
GPM, MPH, LB_PER_MIN = GALLON / 60.0, 1609.344 / 3600.0, POUND / 60.0
LB_PER_AC, KG_PER_HA = POUND / 4046.8564224, 1e-4
AIR = 101325.0


def fahrenheit(value: float) -> float:
    """Kelvin of a Fahrenheit temperature."""
    return (value - 32.0) / 1.8 + 273.15


def orifice(name: str = "only", inches: float = 0.070, **changes: Any) -> Orifice:
    """One orifice, coefficient 0.62."""
    return replace(Orifice(name, inches * INCH, 0.62), **changes)


def feed(feet: float = 9.0, inches: float = 0.75, fittings_k: float = 3.0, roughness: float = 0.0) -> Line:
    """One feed line."""
    return Line(feet * FOOT, inches * INCH, fittings_k, roughness)


def bar(**changes: Any) -> Bar:
    """Sixteen 30-inch rows in two equal sections, nothing but orifices, pump, meter and limits; then changed."""
    plain = Bar(
        name="test bar",
        row_spacing=30 * INCH,
        sections=(Section("left", 8, "only", None), Section("right", 8, "only", None)),
        orifices={"only": orifice()},
        pump=Pump(45 * GPM, 110 * PSI, 0.0, 0.5),
        meter=Meter(700 / GALLON, 2 * GPM, 60 * GPM),
        limits=Limits(200 * PSI + AIR, 5 * PSI, (3.5 * MPH, 7.5 * MPH)),
        row_hose=RowHose(back_pressure=(5 * PSI + AIR, 8 * PSI + AIR)),
    )
    return replace(plain, **changes)


def full_bar(**changes: Any) -> Bar:
    """Every kind of loss at once: unequal orifices and feeds, suction, valve, meter."""
    dressed = bar(
        sections=(
            Section("left", 5, "small", feed(9, 0.5)),
            Section("middle", 6, "small", feed(2, 0.5)),
            Section("right", 5, "large", feed(12, 0.5, roughness=5e-5)),
        ),
        orifices={"small": orifice("small"), "large": orifice("large", 0.080)},
        suction=Suction(1.5 * FOOT, feed(12, 1.5, 8.0)),
        control_valve=ControlValve(30.0),
        meter=Meter(700 / GALLON, 2 * GPM, 60 * GPM, None, 3 * PSI),
    )
    return replace(dressed, **changes)


def sharp_bar(base: Bar, flash_weight: float, coefficient: float = 0.62, below: float | None = None) -> Bar:
    """Return the bar with nothing uncertain: one coefficient, one flashing weight, one back pressure."""
    exact = {
        name: replace(one, discharge_coefficient=coefficient, coefficient_tolerance=0.0, flash_weight=flash_weight)
        for name, one in base.orifices.items()
    }
    hose = replace(base.row_hose, tolerance=0.0)
    if below is not None:
        hose = RowHose(back_pressure=(below, below))
    return replace(base, orifices=exact, row_hose=hose)


def change(base: Bar, part: str, **values: Any) -> Bar:
    """Return the bar with some values of one part replaced, as ``change(bar, "limits", liquid_margin=0.0)``."""
    return replace(base, **{part: replace(getattr(base, part), **values)})


def every_section(base: Bar) -> tuple[int, ...]:
    """Indices of all sections."""
    return tuple(range(len(base.sections)))
