"""Units of application rate: each says whether it counts nitrogen or ammonia, by mass or by volume."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, Literal

from geoflow.base.errors import QuantityError
from geoflow.base.spelling import nearest
from geoflow.base.units import ACRE, GALLON, POUND

__all__ = ["RATE_UNITS", "RateUnit", "rate_unit"]


@dataclass(frozen=True, slots=True)
class RateUnit:
    """A unit of application rate.

    Attributes
    ----------
    text : str
        The canonical spelling, such as ``"lb N/ac"``.
    basis : str
        What is counted: ``"nitrogen"`` or ``"ammonia"`` by mass, or ``"ammonia volume"``.
    to_si : float
        SI value of one unit: [kg/m2] for masses, [m3/m2] for volumes.
    aliases : tuple of str
        Column names that state exactly this unit (folded, without separators).
    """

    text: str
    basis: Literal["nitrogen", "ammonia", "ammonia volume"]
    to_si: float
    aliases: tuple[str, ...]


RATE_UNITS: Final[tuple[RateUnit, ...]] = (
    RateUnit("lb N/ac", "nitrogen", POUND / ACRE, ("lbnac", "lbsnac", "lbnperac", "lbnacre")),
    RateUnit("kg N/ha", "nitrogen", 1e-4, ("kgnha", "kgnperha")),
    RateUnit("lb NH3/ac", "ammonia", POUND / ACRE, ("lbnh3ac", "lbsnh3ac", "lbnh3perac")),
    RateUnit("kg NH3/ha", "ammonia", 1e-4, ("kgnh3ha", "kgnh3perha")),
    RateUnit("gal NH3/ac", "ammonia volume", GALLON / ACRE, ("galnh3ac", "galnh3perac")),
    RateUnit("L NH3/ha", "ammonia volume", 1e-7, ("lnh3ha", "lnh3perha")),
)


def rate_unit(text: str, *, where: str = "") -> RateUnit:
    """Find a rate unit by its spelling (case and blanks do not matter).

    Parameters
    ----------
    text : str
        As written.
    where : str
        Option or key, for the error.

    Raises
    ------
    QuantityError
        If it is none of `RATE_UNITS`; a unit that does not say N or NH3 is refused, never guessed.
    """
    folded = re.sub(r"[\s_\-.]", "", text).casefold().replace("lbs", "lb").replace("acre", "ac")
    for unit in RATE_UNITS:
        if folded == unit.text.replace(" ", "").casefold():
            return unit
    choices = ", ".join(f'"{unit.text}"' for unit in RATE_UNITS)
    said = re.sub(r"[\s_\-./]", "", text).casefold().replace("lbs", "lb").replace("acre", "ac")
    what = f"'{text}' is not a rate unit"
    if said in {"lbac", "kgha", "galac", "lha"}:
        what = f"'{text}' does not say whether nitrogen (N) or ammonia (NH3) is counted"
    raise QuantityError(what + nearest(text, [u.text for u in RATE_UNITS]), where=where, cure=f"one of {choices}")
