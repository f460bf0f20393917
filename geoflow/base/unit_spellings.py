"""Spellings of units that people write and pint does not know, and the substances some quantities have to name."""

from __future__ import annotations

from typing import Final

__all__ = ["ABSOLUTE", "SPELLINGS", "SUBSTANCES"]

# As pint expressions, by what is written in small letters.
SPELLINGS: Final[dict[str, str]] = {
    "gpm": "gallon/minute", "gal/min": "gallon/minute", "l/min": "liter/minute", "lpm": "liter/minute",
    "psig": "psi", "in": "inch", '"': "inch", "'": "ft", "f": "degF", "°f": "degF", "degf": "degF", "c": "degC",
    "°c": "degC", "degc": "degC", "k": "kelvin", "ac": "acre", "acres": "acre", "ha": "hectare", "km/h": "km/hour",
    "kmh": "km/hour", "kph": "km/hour", "deg": "degree", "°": "degree", "lbs": "lb", "sec": "s", "psi": "psi",
    "kpa": "kPa", "barg": "bar", "ft": "ft", "mm": "mm", "cm": "cm", "m": "m", "mph": "mile/hour", "gal": "gallon",
    "gallons": "gallon", "l": "liter", "min": "minute", "h": "hour", "rpm": "turn/minute",
}  # fmt: skip
# Quantities that are of one substance have to name it.
SUBSTANCES: Final = {
    "ammonia flow": ("NH3", "ammonia"),
    "ammonia mass": ("NH3", "ammonia"),
    "nitrogen rate": ("N", "nitrogen"),
}
# Units that say that a pressure is absolute.
ABSOLUTE: Final[dict[str, str]] = {
    "psia": "psi", "psi_abs": "psi", "kpa_abs": "kPa", "kpaa": "kPa", "bar_abs": "bar", "bara": "bar",
    "pa_abs": "Pa", "mpa_abs": "MPa",
}  # fmt: skip
