"""The rates that can be written: multiples of a step, the values on a list, or any number."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geoflow.base.arrays import FloatArray, Floats

__all__ = ["ControllerValues"]

# A rate this near a value, relative, is that value: rates went through units and back.
_SAME = 1e-9


@dataclass(frozen=True, slots=True)
class ControllerValues:
    """Rates that a file or a controller has.

    Attributes
    ----------
    step : float
        They are the multiples of this [kg/m2]; 0 for any number.
    listed : tuple of float
        They are these, rising [kg/m2]; none where `step` counts.
    """

    step: float = 0.0
    listed: tuple[float, ...] = ()

    def below(self, rate: Floats) -> FloatArray:
        """Largest value not above each rate [kg/m2], the rate itself where it is one; NaN where there is none.

        Parameters
        ----------
        rate : array_like, shape (n,)
            Zero or more [kg/m2].
        """
        return self._value(np.asarray(rate, dtype=np.float64), up=False)

    def above(self, rate: Floats) -> FloatArray:
        """Smallest value not below each rate [kg/m2], the rate itself where it is one; NaN where there is none.

        Parameters
        ----------
        rate : array_like, shape (n,)
            Zero or more [kg/m2].
        """
        return self._value(np.asarray(rate, dtype=np.float64), up=True)

    def has(self, rate: Floats) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
        """Whether each rate is one of the values.

        Parameters
        ----------
        rate : array_like, shape (n,)
            Zero or more [kg/m2].
        """
        return np.asarray(self.below(rate) == np.asarray(rate))

    def _value(self, rate: FloatArray, *, up: bool) -> FloatArray:
        if self.listed:
            known = np.concatenate([[np.nan], self.listed, [np.nan]])
            # Place of the value below a rate, or of the one above it.
            at = np.searchsorted(self.listed, rate * (1.0 - _SAME if up else 1.0 + _SAME), "left" if up else "right")
            value = known[at + 1 if up else at]
        elif self.step > 0.0 and np.isfinite(rate).all():
            value = (np.ceil(rate / self.step - _SAME) if up else np.floor(rate / self.step + _SAME)) * self.step
        else:
            return rate.copy()
        return np.where(np.abs(value - rate) <= 2.0 * _SAME * np.abs(rate), rate, value)
