"""What the counter of a flow meter and the voltage of a pressure transmitter mean."""

from __future__ import annotations

import numpy as np

from geoflow.base.arrays import FloatArray, Floats

__all__ = ["pulses_per_nitrogen", "transmitter_pressure"]


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


def transmitter_pressure(voltage: Floats, zero_voltage: Floats, volts_per_pascal: Floats) -> FloatArray:
    """Pressure a transmitter with a straight-line output shows [Pa].

    Gauge or absolute as the transmitter itself is; geoflow reckons in absolute pressures, so add the air pressure
    to the reading of a gauge transmitter.

    Parameters
    ----------
    voltage : float or ndarray
        Output [V].
    zero_voltage : float or ndarray
        Output at no pressure [V].
    volts_per_pascal : float or ndarray
        Rise of the output with pressure [V/Pa].

    Returns
    -------
    ndarray
        Shape of the arguments after broadcasting. Negative below the zero voltage, as when a wire is off.
    """
    return np.asarray((np.asarray(voltage, dtype=np.float64) - zero_voltage) / volts_per_pascal)
