"""What a tank holds, worked out apart from the package: the check of loads and draw-downs by mass."""

from __future__ import annotations

import numpy as np

from geoflow.base.arrays import FloatArray, Floats
from geoflow.physics.ammonia import saturation

__all__ = ["ammonia_in_tank"]


def ammonia_in_tank(capacity: float, temperature: Floats, fill: Floats) -> tuple[FloatArray, FloatArray]:
    """Mass of liquid and of vapour [kg] in a tank of a water capacity [m3], at a temperature [K] and a fill [-]."""
    state, share = saturation(temperature), np.asarray(fill, dtype=float)
    return state.liquid_density * capacity * share, state.vapour_density * capacity * (1.0 - share)
