"""Several quantities in one text: the unit behind the last stands for those before it that have none."""

from __future__ import annotations

import math
import re

from geoflow.base.errors import QuantityError
from geoflow.base.rate_units import RateUnit, rate_unit
from geoflow.base.units import KINDS, parse

__all__ = ["parse_list", "parse_rates"]

_NUMBER = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*?)\s*")


def _parts(text: str, example: str, where: str) -> list[tuple[float, str]]:
    """Numbers and units between commas, every unit filled in."""
    parts: list[tuple[float, str]] = []
    unit = ""
    for word in reversed(text.split(",")):
        match = _NUMBER.fullmatch(word)
        unit = unit if match is None else match.group(2) or unit
        if match is None or not unit or not math.isfinite(float(match.group(1))):
            raise QuantityError(
                f"'{word.strip()}' in '{text}' is no number with a unit", where=where, cure=f'write it like "{example}"'
            )
        parts.insert(0, (float(match.group(1)), unit))
    return parts


def parse_list(text: str, kind: str, *, where: str = "") -> tuple[float, ...]:
    """Read ``"0.063, 0.067 in"`` as SI floats, in the order given.

    Parameters
    ----------
    text : str
        Numbers with commas between; the last has a unit.
    kind : str
        A key of `units.KINDS`.
    where : str
        Option or key, for the error.

    Raises
    ------
    QuantityError
        If one of them is no number with a unit of this kind.
    """
    return tuple(
        parse(f"{number!r} {unit}", kind, where=where) for number, unit in _parts(text, KINDS[kind].example, where)
    )


def parse_rates(text: str, *, where: str = "") -> tuple[tuple[float, RateUnit], ...]:
    """Read ``"85, 100, 115 lb N/ac"`` as numbers with what they count.

    Parameters
    ----------
    text : str
        Numbers with commas between; the last has a unit of rates.
    where : str
        Option or key, for the error.

    Raises
    ------
    QuantityError
        If one of them is no rate above zero, or does not say what it counts.
    """
    example = "85, 100, 115 lb N/ac"
    parts = _parts(text, example, where)
    for number, _ in parts:
        if number <= 0.0:
            raise QuantityError(f"'{text}' holds a rate that is not above zero", where=where, cure=f'like "{example}"')
    return tuple((number, rate_unit(unit, where=where)) for number, unit in parts)
