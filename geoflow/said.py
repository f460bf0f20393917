"""A given quantity said back: never with fewer digits than it was given with."""

from __future__ import annotations

import math
from typing import Final

from geoflow.units import KINDS, System, from_si, number, unit_label

__all__ = ["said", "said_range"]

# More digits than a unit's usual ones before the other unit is tried: 0.0635 in, but not 8.04672 km/h.
_MORE, _MOST = 2, 6
# What the way to SI and back may cost, relative.
_ROUNDING: Final = 1e-8


def _usual(kind: str, system: System) -> int:
    known = KINDS[kind]
    return known.us_digits if system == "us" else known.metric_digits


def _exact(value: float, kind: str, system: System, digits: int, more: int) -> str | None:
    """Number in the fewest digits, at least `digits`, that say it exactly; None where none of them do."""
    known = KINDS[kind]
    shown = float(from_si(value, kind, known.us if system == "us" else known.metric))
    for places in range(digits, max(digits, _usual(kind, system)) + more + 1):
        if abs(round(shown, places) - shown) <= _ROUNDING * max(abs(shown), 1e-3):
            return number(value, kind, system, places)
    return None


def _numbers(values: tuple[float, ...], kind: str, system: System, digits: int, more: int = _MORE) -> list[str] | None:
    exact = [_exact(value, kind, system, digits, more) for value in values]
    return None if None in exact else [text for text in exact if text is not None]


def _said(values: tuple[float, ...], kind: str, system: System, digits: int | None) -> str:
    usual, fewest = _usual(kind, system), _usual(kind, system) if digits is None else digits

    def joined(numbers: list[str], its: System) -> str:
        return f"{' to '.join(dict.fromkeys(numbers))} {unit_label(kind, its)}"

    def rounded(places: int) -> str:
        return joined([number(value, kind, system, places) for value in values], system)

    if not all(math.isfinite(value) for value in values):
        return rounded(usual)
    if own := _numbers(values, kind, system, fewest):
        return joined(own, system)
    other: System = "metric" if system == "us" else "us"
    if given := _numbers(values, kind, other, 0):
        return f"{rounded(usual)} ({joined(given, other)})"
    if own := _numbers(values, kind, system, fewest, _MOST):
        return joined(own, system)
    if given := _numbers(values, kind, other, 0, _MOST):
        return f"{rounded(usual)} ({joined(given, other)})"
    return rounded(usual + _MORE)


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
        In the reader's unit with as many digits as it takes; where that takes too many, rounded, with the exact value
        in the other system's unit behind it: ``"0.059 in (1.5 mm)"``.
    """
    return _said((value,), kind, system, digits)


def said_range(low: float, high: float, kind: str, system: System, digits: int | None = None) -> str:
    """Say two SI values back as a range, or as one value where they are the same; see `said`."""
    return _said((low, high), kind, system, digits)
