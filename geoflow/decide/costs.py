"""What a rewriting costs in pounds, acres and, if the user gives prices, money."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.decide.rewrite import Rewriting

__all__ = ["Prices", "money", "moved_nitrogen"]


@dataclass(frozen=True, slots=True)
class Prices:
    """Prices and a yield response the user supplies; geoflow has none of its own.

    Attributes
    ----------
    nitrogen : float
        Money per kilogram of nitrogen [1/kg].
    response : tuple of float
        b and c of the yield per area b N + c N^2, with N the nitrogen rate [kg/m2] and the yield in units of sale
        per square metre.
    crop : float
        Money per unit of sale.
    """

    nitrogen: float = 0.0
    response: tuple[float, float] = (0.0, 0.0)
    crop: float = 0.0


def moved_nitrogen(done: Rewriting, area: FloatArray) -> FloatArray:
    """Nitrogen each zone gets more (positive) or less (negative) than prescribed [kg].

    Parameters
    ----------
    done : Rewriting
        From `rewrite`.
    area : ndarray, shape (zones,)
        Of each zone [m2].
    """
    return (done.after - done.before) * area


def money(done: Rewriting, area: FloatArray, prices: Prices) -> tuple[FloatArray, FloatArray]:
    """Money spent more on nitrogen, and money earned more from the crop, per zone.

    The yield response is taken as it is given, also beyond its maximum.

    Parameters
    ----------
    done : Rewriting
        From `rewrite`.
    area : ndarray, shape (zones,)
        Of each zone [m2].
    prices : Prices
        Of nitrogen and crop, with the yield response.
    """
    linear, square = prices.response
    gain = linear * (done.after - done.before) + square * (np.square(done.after) - np.square(done.before))
    return prices.nitrogen * moved_nitrogen(done, area), prices.crop * gain * area
