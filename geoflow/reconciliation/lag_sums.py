"""What was asked some times before each record, and its weighted sums with what was applied, part by part of a log."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray, IntArray

__all__ = ["PARTS", "EarlierTargets", "LagSums", "sums_in_parts"]

PARTS: Final = 20
"""Parts of the log left out one after the other."""


@dataclass(frozen=True, slots=True, eq=False)
class EarlierTargets:
    """Targets that were asked some times before each record judged.

    Attributes
    ----------
    clock, target : ndarray, shape (records with a time,)
        In track order [s] and as logged.
    places : ndarray of int, shape (judged,)
        Places there of the records judged.
    whole : ndarray, shape (lags,)
        How much earlier [s].
    """

    clock: FloatArray
    target: FloatArray
    places: IntArray
    whole: FloatArray

    def before(self, part: slice) -> FloatArray:
        """Targets asked at each of the times before some of the records, shape (lags, records).

        Parameters
        ----------
        part : slice
            Which of those judged.
        """
        places = self.places[part]
        at = self.clock[places]
        if not places.size:
            return np.zeros((self.whole.size, 0))
        first = int(np.searchsorted(self.clock, at[0] - self.whole[-1])) - 1
        last = int(np.searchsorted(self.clock, at[-1] - self.whole[0])) + 2
        near = slice(max(first, 0), last)
        return np.stack([np.interp(at - lag, self.clock[near], self.target[near]) for lag in self.whole])

    def mixed(self, shares: FloatArray) -> FloatArray:
        """Targets as a response follows them, shape (judged,).

        Parameters
        ----------
        shares : ndarray, shape (lags,)
            How much each of the earlier ones counts.
        """
        parts = np.array_split(np.arange(self.places.size), PARTS)
        return np.concatenate([shares @ self.before(slice(at[0], at[-1] + 1)) for at in parts if at.size])


@dataclass(frozen=True, slots=True)
class LagSums:
    """Weighted sums over parts of the records, first axis: of the targets asked at some earlier times, and applied."""

    weight: FloatArray
    target: FloatArray
    applied: FloatArray
    targets: FloatArray
    mixed: FloatArray
    power: FloatArray

    def without(self, part: int | None) -> tuple[FloatArray, FloatArray, float]:
        """Covariance of the targets, of targets and applied, and variance of applied over all other parts.

        Parameters
        ----------
        part : int or None
            The one left out.
        """
        kept = np.ones(self.weight.size, dtype=np.bool_)
        if part is not None:
            kept[part] = False
        weight = self.weight[kept].sum()
        x, y = self.target[kept].sum(axis=0) / weight, float(self.applied[kept].sum() / weight)
        return (
            self.targets[kept].sum(axis=0) / weight - np.outer(x, x),
            self.mixed[kept].sum(axis=0) / weight - x * y,
            float(self.power[kept].sum() / weight) - y * y,
        )


def sums_in_parts(targets: EarlierTargets, applied: FloatArray, share: FloatArray) -> LagSums:
    """Sum in parts, of which no more than one is held at once.

    By einsum, row by row: for so few rows the threads of a BLAS wait for each other longer than they work.

    Parameters
    ----------
    targets : EarlierTargets
        Targets of the records judged.
    applied, share : ndarray, shape (judged,)
        What was applied, and the share of the area.
    """
    found = []
    for at in np.array_split(np.arange(applied.size), PARTS):
        part = slice(at[0], at[-1] + 1) if at.size else slice(0, 0)
        w, y, x = share[part], applied[part], targets.before(part)
        wx = w * x
        found.append(
            (
                w.sum(), wx.sum(axis=1), np.einsum("r,r", w, y), np.einsum("ir,jr->ij", wx, x),
                np.einsum("ir,r->i", wx, y), np.einsum("r,r", w, np.square(y)),
            )
        )  # fmt: skip
    return LagSums(*(np.array(each) for each in zip(*found, strict=True)))
