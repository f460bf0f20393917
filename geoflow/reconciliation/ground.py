"""What the ground got of all passes together, and what it was to get."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray, SmallIntArray
from geoflow.ground.swaths import Overlay
from geoflow.reconciliation.agreement import Agreement, agreement, within

__all__ = ["OFF", "Ground", "in_steps", "lay_ground"]

OFF: Final = 0.10
"""Off its target by more than this share is off: the usual line (Colaco et al. 2014; Luck et al. 2011)."""
# Rates are added up in whole steps of this [kg/m2], so that nothing is exactly nothing; no more than so many of them.
_STEP, _MOST_STEPS = 1e-13, 1e17


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """Ground covered, in parts that got and were to get one rate each; arrays of shape (g,).

    Attributes
    ----------
    area : ndarray
        [m2]; adds up to the ground covered, inside the field where there is one.
    applied, target : ndarray
        Nitrogen rates, all passes together, and what was asked [kg/m2]; NaN where not known.
    zone : ndarray of int
        Zone of the map, -1 without one.
    part : ndarray of int
        Index of the strip's part that lies there alone, -1 under several strips.
    """

    area: FloatArray
    applied: FloatArray
    target: FloatArray
    zone: SmallIntArray
    part: SmallIntArray

    @property
    def off(self) -> BoolArray:
        """Which parts are compared and more than 10 % off."""
        return ~within(self.applied, self.target, OFF) & np.isfinite(self.applied) & np.isfinite(self.target)

    def agreement(self, factor: float = 1.0) -> Agreement:
        """Agreement with what was applied times a factor [-].

        Parameters
        ----------
        factor : float
            On what was applied [-].
        """
        return agreement(self.applied * factor, self.target, self.area)


def lay_ground(
    covered: Overlay,
    inside: BoolArray,
    rate: FloatArray,
    target: FloatArray,
    zone_rate: FloatArray | None,
    *,
    has_field: bool,
) -> Ground:
    """Ground under one strip with its rate and target, and under several with the sum of their rates.

    Parameters
    ----------
    covered : Overlay
        With rates and targets as its values, in steps of `_STEP`, and how many are not known.
    inside : ndarray of bool
        Which parts of strips lie in the field.
    rate, target : ndarray, shape (parts inside,)
        Of each of these parts [kg/m2].
    zone_rate : ndarray, shape (zones,), or None
        What a map asks for [kg/m2]; without one the mean of the passes' own targets counts.
    has_field : bool
        Whether ground outside all zones is outside the field.
    """
    shared = covered.shared
    here = (shared.zone >= 0) | (not has_field)
    total, unrated, wanted, unaimed = (row[here] for row in shared.sums)
    zone = shared.zone[here]
    applied = np.where(unrated == 0, total * _STEP, np.nan)
    if zone_rate is not None:
        aimed = zone_rate[zone]
    else:
        aimed = np.where(unaimed == 0, wanted * _STEP / shared.layers[here], np.nan)
    return Ground(
        area=np.concatenate([covered.lone[inside], shared.area[here]]),
        applied=np.concatenate([rate, applied]),
        target=np.concatenate([target, aimed]),
        zone=np.concatenate([covered.zone[inside], zone], dtype=np.int32),
        part=np.concatenate([np.arange(rate.size), np.full(zone.size, -1)], dtype=np.int32),
    )


def in_steps(values: FloatArray) -> list[IntArray]:
    """Rates in whole steps, 0 where not known, and whether they are not.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Nitrogen rates [kg/m2].
    """
    steps = np.clip(np.nan_to_num(values) / _STEP, -_MOST_STEPS, _MOST_STEPS)
    return [np.rint(steps).astype(np.int64), (~np.isfinite(values)).astype(np.int64)]
