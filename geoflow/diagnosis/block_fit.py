"""Settled moments of the whole bar gathered to blocks, and weighted least squares over them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray, IntArray

__all__ = ["Blocks", "Fit", "block_numbers", "fit_blocks", "student"]

_BLOCKS: Final = 16


def student(freedom: int, z: float = 1.959964) -> float:
    """Point of Student's t from the normal's (Abramowitz and Stegun 26.7.5).

    From 6 up the 97.5 % point is right to 0.2 %; far out it is a few per cent low.

    Parameters
    ----------
    freedom : int
        Degrees of freedom.
    z : float
        Point of the normal [-].
    """
    terms = (
        (z**3 + z) / 4.0,
        (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / 96.0,
        (3.0 * z**7 + 19.0 * z**5 + 17.0 * z**3 - 15.0 * z) / 384.0,
    )
    return z + sum(float(term / freedom ** (power + 1)) for power, term in enumerate(terms))


@dataclass(frozen=True, slots=True)
class Fit:
    """Weighted least squares; the first column is a constant, the last the one that is asked for.

    Attributes
    ----------
    values : ndarray, shape (columns, cases)
        Coefficients.
    constant_error : ndarray, shape (cases,)
        Standard error of the constant.
    size, error : ndarray, shape (cases,)
        Coefficient of the last column and its standard error.
    left : ndarray, shape (cases,)
        Weighted sum of squares left.
    freedom : int
        Blocks less columns.
    """

    values: FloatArray
    constant_error: FloatArray
    size: FloatArray
    error: FloatArray
    left: FloatArray
    freedom: int


def fit_blocks(columns: list[FloatArray], values: FloatArray, weight: FloatArray) -> Fit:
    """Fit values of shape (cases, n) by columns of shape (n,).

    Parameters
    ----------
    columns : list of ndarray, shape (n,)
        What is fitted, each in its own unit.
    values : ndarray, shape (cases, n)
        To be fitted.
    weight : ndarray, shape (n,)
        Of each block [-].
    """
    design = np.stack(columns, axis=1)
    weighted = design * weight[:, None]
    inverse = np.linalg.pinv(design.T @ weighted, hermitian=True)
    found = inverse @ (weighted.T @ values.T)
    left = weight @ np.square(values.T - design @ found)
    freedom = weight.size - len(columns)
    first, last = (np.sqrt(np.maximum(left / freedom * inverse[at, at], 0.0)) for at in (0, -1))
    return Fit(found, first, found[-1], last, left, freedom)


@dataclass(frozen=True, slots=True)
class Blocks:
    """Settled moments of the whole bar, gathered to blocks within passes.

    With the area steady, the bar pressure less what a case of the bar takes at the logged flow is linear in the
    squared flow: what is off at no flow is the transmitter, what grows with it is the area.

    Attributes
    ----------
    place, block : ndarray of int, shape (n,)
        Places in the log, in time order, and the block of each.
    load, time : ndarray, shape (n,)
        Squared flow over density (1 on average), and time through the log from -1/2 to 1/2 [-].
    varied : bool
        Whether the load varies from block to block by far more than the meter wavers. If not, transmitter and area
        cannot be told apart, and a fit of both would take the meter's wavering for the flow's.
    above : ndarray, shape (cases, n)
        Bar pressure above the one at which each case lets nothing through [Pa]; the central case is last.
    excess : ndarray, shape (cases, n)
        What of that the flow does not take [Pa].
    """

    place: IntArray
    block: IntArray
    load: FloatArray
    time: FloatArray
    varied: bool
    above: FloatArray
    excess: FloatArray

    @property
    def count(self) -> FloatArray:
        """Moments in each block, shape (blocks,)."""
        return np.bincount(self.block).astype(np.float64)

    @property
    def steady(self) -> list[FloatArray]:
        """Columns that a bar of steady area needs, each of shape (blocks,): a constant, where it can be told; load."""
        load = self.mean(self.load)
        return [np.ones(load.size), load] if self.varied else [load]

    def mean(self, values: FloatArray) -> FloatArray:
        """Mean over each block of values of shape (n,).

        Parameters
        ----------
        values : ndarray, shape (n,)
            Of each moment.
        """
        return np.asarray(np.bincount(self.block, values) / self.count)


def block_numbers(run: IntArray) -> IntArray:
    """Number moments by blocks: the passes, cut so that there are sixteen blocks or more.

    Parameters
    ----------
    run : ndarray of int, shape (n,)
        Pass of each moment.
    """
    starts = np.concatenate([[True], np.diff(run) != 0])
    pass_of = np.cumsum(starts) - 1
    length = np.bincount(pass_of)
    parts = np.ceil(length * _BLOCKS / run.size).astype(np.int64)
    before = np.cumsum(parts) - parts
    inside = np.arange(run.size) - np.flatnonzero(starts)[pass_of]
    return np.asarray(before[pass_of] + inside * parts[pass_of] // length[pass_of], dtype=np.int64)
