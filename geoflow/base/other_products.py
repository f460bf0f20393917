"""Nitrogen in a product other than ammonia: what a person says of it, and rates that count the product."""

from __future__ import annotations

import re
from typing import Final

from geoflow.base.errors import QuantityError
from geoflow.base.rate_units import RateUnit
from geoflow.base.subject import subject
from geoflow.base.units import ACRE, GALLON, POUND, to_si

__all__ = ["PRODUCT_UNITS", "product_rate", "product_unit"]

PRODUCT_UNITS: Final = {"gal/ac": GALLON / ACRE, "L/ha": 1e-7, "lb/ac": POUND / ACRE, "kg/ha": 1e-4}
"""Units of rates that do not say which substance they count: [m3/m2] or [kg/m2]."""
_CONTENT: Final = re.compile(r"\s*(\d*\.?\d+)\s*(%|(?:(lbs?|kg)\s*N\s*/\s*(gal|l)))?\s*", re.IGNORECASE)


def product_unit(text: str) -> str | None:
    """Return the key of `PRODUCT_UNITS` that is meant, or None.

    Parameters
    ----------
    text : str
        As written.
    """
    folded = re.sub(r"\s", "", text).casefold().replace("lbs", "lb").replace("acre", "ac").replace("gpa", "gal/ac")
    return next((each for each in PRODUCT_UNITS if each.casefold() == folded), None)


def product_rate(unit: str, nitrogen: str | None, *, where: str) -> RateUnit:
    """Give a rate of a product as what it is worth in nitrogen.

    Parameters
    ----------
    unit : str
        A key of `PRODUCT_UNITS`.
    nitrogen : str or None
        Nitrogen in the product, as a person says it: ``"3.55 lb N/gal"`` for volumes, ``"0.28"`` or ``"28 %"`` of the
        mass for masses.
    where : str
        What counts the product, for errors.

    Raises
    ------
    QuantityError
        If the content is not said, cannot be, or does not fit the unit.
    """
    by_volume = unit in {"gal/ac", "L/ha"}
    cure = 'add --nitrogen "3.55 lb N/gal"' if by_volume else "add --nitrogen 0.32, the mass of nitrogen in one pound"
    if nitrogen is None:
        what = f"{unit} does not say how much nitrogen is in it"
        likely = "gal NH3/ac or L NH3/ha" if by_volume else "lb N/ac or lb NH3/ac"
        raise QuantityError(what, where=where, cure=f"{cure}; or give the unit as {likely} if that is meant")
    match = _CONTENT.fullmatch(nitrogen)
    if match is None:
        raise QuantityError(f"'{nitrogen}' is no content of nitrogen", where="--nitrogen", cure=cure)
    if by_volume != (match[3] is not None):
        how = "a share of the mass" if by_volume else "nitrogen per volume"
        what = f"the {subject().name} counts {unit}, but --nitrogen {nitrogen} is {how}"
        raise QuantityError(what, where=where, cure=cure)
    return RateUnit(unit, "nitrogen", PRODUCT_UNITS[unit] * _content(match, cure), ())


def _content(match: re.Match[str], cure: str) -> float:
    """Nitrogen in the product: a mass fraction [-], or [kg/m3] where it is said by volume."""
    value = float(match[1]) / (100.0 if match[2] == "%" else 1.0)
    if match[3] is None and value > 1.0:
        raise QuantityError(f"a mass fraction of {value:g} cannot be", where="--nitrogen", cure=cure)
    if value <= 0.0:
        raise QuantityError(f"'{match[0]}' leaves no nitrogen", where="--nitrogen", cure=cure)
    if match[3] is None:
        return value
    mass, volume = ("kg" if match[3].casefold() == "kg" else "lb"), ("l" if match[4].casefold() == "l" else "gal")
    return value * float(to_si(1.0, "mass", mass)) / float(to_si(1.0, "volume", volume))
