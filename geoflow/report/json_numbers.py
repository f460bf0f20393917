"""Numbers as the JSON documents have them."""

from __future__ import annotations

import math
from typing import Final

from geoflow.base.units import from_si

__all__ = ["json_number"]

_DIGITS: Final = 6


def json_number(value: float | None, kind: str = "", unit: str = "") -> float | None:
    """Round a number for JSON, which knows neither NaN nor infinity.

    Parameters
    ----------
    value : float or None
        SI where `kind` and `unit` say what it is to be shown in.
    kind, unit : str
        A kind of `KINDS` and one of its units; empty for a number that has none.

    Returns
    -------
    float or None
        None where there is nothing to show.
    """
    if value is None or not math.isfinite(value):
        return None
    return round(float(from_si(value, kind, unit) if unit else value), _DIGITS)
