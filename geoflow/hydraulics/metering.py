"""What the counter of a flow meter and the voltage of a pressure transmitter mean."""

from __future__ import annotations

import numpy as np

from geoflow.base.arrays import FloatArray, Floats

__all__ = ["pulses_per_nitrogen"]


def pulses_per_nitrogen(pulses_per_volume: Floats, density: Floats, nitrogen_fraction: Floats) -> FloatArray:
    """Pulses a volumetric meter gives for each kilogram of nitrogen in the liquid that passes it [1/kg].

    Right only at the temperature and pressure of `density`: the meter counts volume, and a cubic metre of cold
    liquid holds more ammonia.

    Parameters
    ----------
    pulses_per_volume : float or ndarray
        Pulses per cubic metre of liquid [1/m3].
    density : float or ndarray
        Of the liquid ammonia in the meter [kg/m3].
    nitrogen_fraction : float or ndarray
        Mass of nitrogen over mass of ammonia [-].

    Returns
    -------
    ndarray
        Shape of the arguments after broadcasting.
    """
    return np.asarray(pulses_per_volume / (np.asarray(density, dtype=np.float64) * nitrogen_fraction))
