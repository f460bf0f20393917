"""Ranges as people write them, to pairs of SI floats."""

from __future__ import annotations

import re
from collections.abc import Callable

from geoflow.base.errors import QuantityError
from geoflow.base.units import KINDS, NUMBER, parse, parse_pressure

__all__ = ["FASTEST", "parse_pressure_range", "parse_range", "planned_speed"]

FASTEST = 44.704
"""100 mph: nothing that pulls a bar drives faster (common practice, no source) [m/s]."""

_SPAN = re.compile(rf"\s*({NUMBER})\s*(\S*?)\s*(?:\.\.|\bto\b)\s*({NUMBER})\s*(\S.*?)\s*")


def parse_range(text: object, kind: str, *, where: str = "") -> tuple[float, float]:
    """Read ``"35..62 degF"`` or ``"5 mph"`` as a pair of SI floats, low and high (equal for one value).

    Parameters
    ----------
    text : object
        What was written.
    kind : str
        A key of `KINDS`.
    where : str
        Option or key, for the error.

    Raises
    ------
    QuantityError
        If either end is no value of this kind or the low end is above the high end.
    """
    try:
        return _span(text, lambda one: parse(one, kind, where=where), where)
    except QuantityError as problem:
        if isinstance(text, str) and _SPAN.fullmatch(text):
            raise
        number, unit = KINDS[kind].example.split(" ", 1)
        cure = f'{problem.cure}, a range with two dots, like "{0.9 * float(number):g}..{number} {unit}"'
        raise QuantityError(problem.what, where=where, cure=cure) from problem


def _span(text: object, parse_one: Callable[[object], float], where: str) -> tuple[float, float]:
    """Read both ends, low end first, or one value as both."""
    match = _SPAN.fullmatch(text) if isinstance(text, str) else None
    if match is None:
        value = parse_one(text)
        return value, value
    low_text, low_unit, high_text, high_unit = match.groups()
    low, high = parse_one(f"{low_text} {low_unit or high_unit}"), parse_one(f"{high_text} {high_unit}")
    if low > high:
        raise QuantityError(f"the range '{text}' runs backwards", where=where, cure="write the low end first")
    return low, high


def planned_speed(text: object) -> tuple[float, float]:
    """Read the ``--speed`` of a plan, slowest and fastest [m/s].

    Parameters
    ----------
    text : object
        What was written.

    Raises
    ------
    QuantityError
        If it is no speed or range of speeds, or beyond what drives over fields.
    """
    slow, fast = parse_range(text, "speed", where="--speed")
    if fast > FASTEST:
        what = "the planned speed is above 100 mph (161 km/h), which nothing that pulls a bar drives"
        raise QuantityError(what, where="--speed", cure='give it like "5 mph"')
    return slow, fast


def parse_pressure_range(text: object, air_pressure: float, *, where: str = "") -> tuple[float, float]:
    """Read ``"4..8 psi"`` or one pressure as a pair of absolute SI pressures [Pa]; see `parse_pressure`.

    Parameters
    ----------
    text : object
        What was written.
    air_pressure : float
        Of the air at the site [Pa], added to gauge pressures.
    where : str
        Option or key, for the error.

    Raises
    ------
    QuantityError
        If either end is no pressure or the low end is above the high end.
    """
    return _span(text, lambda one: parse_pressure(one, air_pressure, where=where), where)
