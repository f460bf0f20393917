"""How an orifice passes ammonia as its bar's logs have it: a flashing weight that goes with margin and temperature.

The weight rises with the liquid margin. Henry and Fauske's throat pressure, carried to ammonia at 40 to 80 degF, has it
rise by 0.04 from 10 to 20 psi, by 0.09 to 40 and by 0.14 to 100; the logarithm of the margin and 15 psi follows that
within 0.02 at a rise of 0.07, and stays finite where the margin goes to nothing.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from geoflow.bar.learned import Learned, OrificeWay
from geoflow.base.arrays import FloatArray, Floats
from geoflow.base.units import PSI

__all__ = ["ROUNDED", "margin_doublings", "way_columns", "weight_at"]

ROUNDED: Final = 15.0 * PSI
"""Margin below which the weight hardly changes with it [Pa]."""


def margin_doublings(margin: Floats, reference: Floats) -> FloatArray:
    """How often a margin doubled since the reference, as far as the weight notices [-].

    Parameters
    ----------
    margin, reference : array_like
        Over the vapour pressure [Pa]; below zero counts as zero.
    """
    return np.asarray(np.log2((np.maximum(margin, 0.0) + ROUNDED) / (np.asarray(reference) + ROUNDED)))


def weight_at(way: FloatArray, learned: Learned, margin: Floats, temperature: Floats) -> FloatArray:
    """Flashing weight of some ways at a margin and temperature, between 0 and 1 [-].

    Parameters
    ----------
    way : ndarray, shape (3, ...)
        Weight at the reference, its rise, its warming [1/K]; what follows the first axis broadcasts.
    learned : Learned
        For its reference.
    margin, temperature : array_like
        Over the vapour pressure [Pa], and of the liquid [K].
    """
    doubled = margin_doublings(margin, learned.margin)
    weight = way[0] + way[1] * doubled + way[2] * (np.asarray(temperature) - learned.at_temperature)
    return np.asarray(np.clip(weight, 0.0, 1.0))


def way_columns(ways: tuple[OrificeWay, ...]) -> FloatArray:
    """Ways as a table, shape (n, 5): coefficient, weight, rise, warming [1/K], below [Pa].

    Parameters
    ----------
    ways : tuple of OrificeWay
        Of a learned orifice.
    """
    rows = [(one.coefficient, one.flash_weight, one.rise, one.warming, one.below) for one in ways]
    return np.array(rows, dtype=np.float64).reshape(-1, 5)
