"""A given quantity said back: never with fewer digits than it was given with."""

from __future__ import annotations

import math
from typing import Final

from geoflow.base.units import KINDS, System, from_si, number, unit_label

__all__ = ["said", "said_range"]

# Decimals beyond a unit's usual ones that anybody gives.
_MORE: Final = 6
# What the way to SI and back may cost, relative.
_ROUNDING: Final = 1e-8


def _usual(kind: str, system: System) -> int:
    known = KINDS[kind]
    return known.us_digits if system == "us" else known.metric_digits


def _shown(value: float, kind: str, system: System) -> float:
    known = KINDS[kind]
    return float(from_si(value, kind, known.us if system == "us" else known.metric))


def _decimals(value: float, kind: str, system: System) -> int | None:
    """Fewest decimals that say a value exactly; None where none of them do."""
    shown = _shown(value, kind, system)
    for places in range(_usual(kind, system) + _MORE + 1):
        if abs(round(shown, places) - shown) <= _ROUNDING * max(abs(shown), 1e-3):
            return places
    return None


def _significant(shown: float, places: int) -> int:
    """Digits from the first that is not zero to the last decimal, zeros before the point that end it left out."""
    digits = f"{abs(shown):.{places}f}".replace(".", "").strip("0")
    return max(len(digits), 1)


def _number(value: float, kind: str, system: System, digits: int | None) -> str:
    usual = _usual(kind, system)
    fewest = usual if digits is None else digits
    if not math.isfinite(value):
        return number(value, kind, system)
    other: System = "metric" if system == "us" else "us"
    own, given = _decimals(value, kind, system), _decimals(value, kind, other)
    shown = _shown(value, kind, system)
    wanted = math.inf if given is None else _significant(_shown(value, kind, other), given)
    if own is not None and _significant(shown, own) <= max(wanted, 2):
        return number(value, kind, system, max(own, fewest))
    # Given in the other system's unit, or worked out: as many digits as there, and no fewer than usual.
    first = math.floor(math.log10(abs(shown))) if shown else 0
    places = usual if given is None else max(usual, int(wanted) - 1 - first)
    text = number(value, kind, system, places)
    return text.rstrip("0").rstrip(".") if digits is not None and "." in text else text


def said(value: float, kind: str, system: System, digits: int | None = None) -> str:
    """Say an SI value back with its unit.

    Parameters
    ----------
    value : float
        As it was given, in SI.
    kind : str
        A key of `units.KINDS`.
    system : str
        ``"us"`` or ``"metric"``.
    digits : int, optional
        Fewest decimals; the unit's usual ones if not given.

    Returns
    -------
    str
        Exactly, where it was given in the reader's unit; else with as many significant digits as it was given with,
        and no fewer than usual: 5.25 mph is 8.45 km/h.
    """
    return f"{_number(value, kind, system, digits)} {unit_label(kind, system)}"


def said_range(low: float, high: float, kind: str, system: System, digits: int | None = None) -> str:
    """Say two SI values back as a range, or as one value where they are the same; see `said`.

    Parameters
    ----------
    low, high : float
        In SI.
    kind, system, digits
        As for `said`.
    """
    ends = dict.fromkeys(_number(end, kind, system, digits) for end in (low, high))
    return f"{' to '.join(ends)} {unit_label(kind, system)}"
