"""Ranges as people write them, to pairs of SI floats."""

from __future__ import annotations

import re

from geoflow.base.errors import QuantityError
from geoflow.base.units import NUMBER, parse, parse_pressure

__all__ = ["parse_pressure_range", "parse_range"]

_SPAN = re.compile(rf"\s*({NUMBER})\s*(\S*?)\s*(?:\.\.|\bto\b)\s*({NUMBER})\s*(\S.*?)\s*")


def _ends(text: object) -> tuple[object, object]:
    """Split a range into its ends, each with a unit; what is none is both ends of one."""
    match = _SPAN.fullmatch(text) if isinstance(text, str) else None
    if match is None:
        return text, text
    low, low_unit, high, high_unit = match.groups()
    return f"{low} {low_unit or high_unit}", f"{high} {high_unit}"


def _rising(low: float, high: float, text: object, where: str) -> tuple[float, float]:
    if low > high:
        raise QuantityError(f"the range '{text}' runs backwards", where=where, cure="write the low end first")
    return low, high


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
    low, high = _ends(text)
    try:
        return _rising(parse(low, kind, where=where), parse(high, kind, where=where), text, where)
    except QuantityError as problem:
        if low is not text:
            raise
        cure = f'{problem.cure}; a range with two dots, like "38..46 degF" or "4.5..5.5 mph"'
        raise QuantityError(problem.what, where=where, cure=cure) from problem


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
    low, high = (parse_pressure(end, air_pressure, where=where) for end in _ends(text))
    return _rising(low, high, text, where)
