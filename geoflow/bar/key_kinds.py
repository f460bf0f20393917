"""How values of the bar file are written: kinds of value, and words that one may have."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

__all__ = [
    *(
        "GAUGE_PLACES",
        "KEY_KINDS",
        "LONGEST_TEXT",
        "NUMBER_PATTERN",
        "THIN_PLATE",
        "THIN_PLATE_FLASHING",
        "THIN_PLATE_LONGEST",
    ),
    "KeyKind",
]

GAUGE_PLACES: Final = ("tank", "pump outlet", "after valve", "manifold")
"""Where a pressure gauge can sit, from the tank on down."""
LONGEST_TEXT: Final = 100
THIN_PLATE: Final = "thin plate"
THIN_PLATE_FLASHING: Final = 0.35
"""Greatest flashing weight of an orifice that is stated to be a thin plate: assumed, not measured."""
THIN_PLATE_LONGEST: Final = 1.5
"""Length over diameter up to which an orifice may be stated to be one."""

NUMBER_PATTERN: Final = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"


@dataclass(frozen=True, slots=True)
class KeyKind:
    """How a value is written: what to call it, its kind of unit if any, if it may be a range, what it is one of."""

    said: str
    unit_kind: str | None = None
    range: bool = False
    choices: tuple[str, ...] = ()


KEY_KINDS: Final[dict[str, KeyKind]] = {
    "text": KeyKind("text in quotes"),
    "flashing": KeyKind(f'"{THIN_PLATE}"', choices=(THIN_PLATE,)),
    "whole number": KeyKind("a whole number"),
    "number": KeyKind("a plain number"),
    "number range": KeyKind("a plain number, or a range of it in quotes", range=True),
    "length": KeyKind("a length with its unit", "length"),
    "length range": KeyKind("a length or a range of it", "length", range=True),
    "volume": KeyKind("a volume with its unit", "volume"),
    "time": KeyKind("a time with its unit", "time"),
    "temperature": KeyKind("a temperature with its unit", "temperature"),
    "liquid temperature": KeyKind("a temperature, or the tank's gauge pressure, with its unit", "temperature"),
    "temperature difference": KeyKind("a difference of temperature with its unit", "temperature difference"),
    "volume flow": KeyKind("a flow of liquid with its unit", "volume flow"),
    "volume flow range": KeyKind("a flow of liquid or a range of it", "volume flow", range=True),
    "ammonia flow": KeyKind("a flow of ammonia by weight", "ammonia flow"),
    "ammonia mass": KeyKind("a weight of ammonia", "ammonia mass"),
    "liquid flow": KeyKind("a flow of ammonia by volume, by weight or in pulses/s", "volume flow"),
    "nitrogen rate": KeyKind("a rate of nitrogen", "nitrogen rate"),
    "speed": KeyKind("a speed with its unit", "speed"),
    "pressure difference": KeyKind("a pressure difference with its unit", "pressure"),
    "pressure difference range": KeyKind("a pressure difference or a range of it", "pressure", range=True),
    "gauge pressure": KeyKind("a gauge pressure with its unit", "pressure"),
    "gauge pressure range": KeyKind("a gauge pressure or a range of it", "pressure", range=True),
    "gauge place": KeyKind("one of " + ", ".join(GAUGE_PLACES), choices=GAUGE_PLACES),
    "voltage": KeyKind("a voltage with its unit", "voltage"),
    "transmitter slope": KeyKind("volts over pressure with their unit", "transmitter slope"),
    "turning speed": KeyKind("turns in a time, with the unit", "turning speed"),
    "turning speed range": KeyKind("turns in a time or a range of them", "turning speed", range=True),
    "temperature range": KeyKind("a temperature or a range of it", "temperature", range=True),
    "speed range": KeyKind("a speed or a range of speeds", "speed", range=True),
}
