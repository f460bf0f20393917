"""What was found of zones beside the plan itself: where something else is on, or in the tank."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, TextArray

__all__ = ["Beyond"]


@dataclass(frozen=True, slots=True)
class Beyond:
    """Zones that hold as planned, looked at where something else is on or in the tank.

    Attributes
    ----------
    area : ndarray, shape (zones,)
        Ground of each zone that this is about [m2]; zero where nothing is asked.
    verdict : ndarray of str, shape (zones,)
        The worst there, for zones that hold as planned; that of the plan for all others.
    limited_by : ndarray of str, shape (zones,)
        The limit that decides it; empty where it holds.
    sections : ndarray of str, shape (zones,)
        Sections on when it does, with commas between.
    looked_at : tuple of str
        Patterns of sections looked at.
    temperature : float or None
        Of the liquid at the end of a tank [K], where it is about that.
    """

    area: FloatArray
    verdict: TextArray
    limited_by: TextArray
    sections: TextArray
    looked_at: tuple[str, ...]
    temperature: float | None = None

    @property
    def lost(self) -> BoolArray:
        """Zones that hold as planned and not here, with ground that it concerns."""
        return np.asarray((self.limited_by != "") & (self.area > 0.0))
