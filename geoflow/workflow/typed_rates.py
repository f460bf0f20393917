"""Rates as they are typed in place of a map."""

from __future__ import annotations

import re
from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import FloatArray, distinct
from geoflow.base.errors import UsageError
from geoflow.base.rate_units import rate_unit
from geoflow.base.rates import as_nitrogen_rate
from geoflow.workflow.vetting import counted_density

__all__ = ["parse_rates"]

_MOST_TYPED: Final = 40
_RATES: Final = re.compile(r"\s*((?:[-+]?[\d.]+\s*[,;]?\s*)+?)\s*([^\d\s.,;+-].*)")


def parse_rates(text: str, bar: Bar, volume_temperature: str | None) -> FloatArray:
    """Read rates like ``"85, 100, 115 lb N/ac"``.

    Parameters
    ----------
    text : str
        Numbers with commas between, and one unit of rates behind them.
    bar : Bar
        Gives the share of nitrogen, and where volumes are counted if nothing else says so.
    volume_temperature : str or None
        Temperature at which volumes are counted, with unit.

    Returns
    -------
    ndarray
        Nitrogen [kg/m2], rising, each once.

    Raises
    ------
    UsageError
        If there is none, or one is not above zero.
    QuantityError
        If the unit is none of rates.
    """
    where, cure = "--rates", 'give numbers above zero and one unit: "85, 100, 115 lb N/ac"'
    found = _RATES.fullmatch(text)
    if found is None:
        raise UsageError(f"'{text}' are no rates", where=where, cure=cure)
    unit = rate_unit(found[2], where=where)
    try:
        numbers = np.array([float(one) for one in re.split(r"[\s,;]+", found[1]) if one])
    except ValueError as problem:
        raise UsageError(f"'{text}' are no rates", where=where, cure=cure) from problem
    if not numbers.size or not np.all((numbers > 0.0) & np.isfinite(numbers)):
        raise UsageError(f"'{text}' are no rates", where=where, cure=cure)
    if numbers.size > _MOST_TYPED:
        raise UsageError(
            f"{numbers.size} rates are more than --rates takes", where=where, cure=f"give up to {_MOST_TYPED}"
        )
    density = counted_density(bar, volume_temperature)
    return distinct(as_nitrogen_rate(numbers, unit, bar.nitrogen_fraction, density))
