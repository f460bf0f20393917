"""The pump: what boiling in the suction costs it, and how much it warms the liquid."""

from __future__ import annotations

import numpy as np

from geoflow.arrays import FloatArray, Floats

__all__ = ["capacity_ratio", "manifold_temperature_rise"]


def capacity_ratio(pressure_lost: Floats, vapour_pressure: Floats, omega: Floats) -> FloatArray:
    """Liquid a displacement pump moves over what it would move without vapour in its inlet [-].

    r = 1 / (1 + omega (Ps / (Ps - dp) - 1)): the volume of saturated liquid that has lost dp in equilibrium, with
    Leung's omega. Within 0.005 of the exact flash for losses up to 5 psi. Nucleation takes time, so a real pump
    does better: this is the lower end, and a ratio of one the upper.

    Parameters
    ----------
    pressure_lost : array_like
        Net loss from the tank to the inlet [Pa]; a gain (negative) leaves the liquid whole.
    vapour_pressure : array_like
        Absolute [Pa].
    omega : array_like
        [-]
    """
    vapour = np.asarray(vapour_pressure, dtype=np.float64)
    left = np.maximum(vapour - np.maximum(pressure_lost, 0.0), 1e-3 * vapour)
    return np.asarray(1.0 / (1.0 + np.asarray(omega) * (vapour / left - 1.0)))


def manifold_temperature_rise(
    rise: Floats,
    manifold_excess: Floats,
    temperature: Floats,
    density: Floats,
    heat_capacity: Floats,
    expansivity: Floats,
    efficiency: float,
) -> FloatArray:
    """How much warmer [K] the liquid is at the manifold than in the tank.

    Energy balance from tank to manifold without heat from outside: cp dT = rise / (rho efficiency)
    - (1 - beta T) (Pm - Pt) / rho. The shaft's work comes in; what stays as pressure is not yet heat.

    Parameters
    ----------
    rise : array_like
        Pressure the pump adds [Pa].
    manifold_excess : array_like
        Manifold pressure less tank pressure [Pa].
    temperature, density, heat_capacity, expansivity : array_like
        Of the liquid [K], [kg/m3], [J/kg K], [1/K].
    efficiency : float
        Overall efficiency of the pump, 0 to 1 [-].
    """
    work = np.maximum(rise, 0.0) / efficiency
    stored = (1.0 - np.asarray(expansivity) * np.asarray(temperature)) * np.asarray(manifold_excess)
    return np.asarray((work - stored) / (np.asarray(density) * np.asarray(heat_capacity)))
