"""The hole at the knife: what pressure boiling ammonia needs ahead of it."""

from __future__ import annotations

import numpy as np

from geoflow.base.arrays import FloatArray, Floats
from geoflow.physics.ammonia import flash_fraction, saturation, saturation_temperature

__all__ = ["knife_pressure"]


def knife_pressure(
    flow: Floats,
    enthalpy: Floats,
    liquid_pressure: Floats,
    *,
    diameter: float,
    coefficient: float,
    air_pressure: float,
    steps: int = 160,
) -> FloatArray:
    """Absolute pressure [Pa] just ahead of a hole that lets boiling ammonia out into the air.

    The fluid of the row hose's model: liquid and vapour at one speed in equilibrium, at constant enthalpy. From rest at
    p1 the speed at p2 is sqrt(2 int v dp), so the flux is C sqrt(2 (I(p1) - I(p2))) / v(p2); it chokes at the p2 where
    that is greatest. Turned round: I(p1) = min over p2 of I(p2) + (G v(p2) / C)^2 / 2, with no p2 below the air's.

    Parameters
    ----------
    flow : array_like
        Through one hole [kg/s].
    enthalpy : array_like
        Specific enthalpy of the liquid before the orifice [J/kg].
    liquid_pressure : array_like
        Vapour pressure of that liquid [Pa]: above it there is only liquid ahead of the hole.
    diameter : float
        Of the hole [m].
    coefficient : float
        Discharge coefficient [-].
    air_pressure : float
        Beyond the hole [Pa].
    steps : int
        Points between air and vapour pressure.
    """
    mass, heat, top = np.broadcast_arrays(
        *(np.asarray(value, dtype=np.float64)[..., None] for value in (flow, enthalpy, liquid_pressure))
    )
    top = np.maximum(top, air_pressure * 1.0001)
    pressure = air_pressure * (top / air_pressure) ** np.linspace(0.0, 1.0, steps)
    state = saturation(saturation_temperature(pressure))
    quality = flash_fraction(heat, state)
    volume = quality / state.vapour_density + (1.0 - quality) / state.liquid_density
    parts = 0.5 * (volume[..., 1:] + volume[..., :-1]) * np.diff(pressure, axis=-1)
    work = np.concatenate([np.zeros_like(parts[..., :1]), np.cumsum(parts, axis=-1)], axis=-1)
    speed = np.maximum(mass, 0.0) / (0.25 * np.pi * diameter**2 * coefficient) * volume
    needed = np.min(work + 0.5 * np.square(speed), axis=-1, keepdims=True)
    after = np.clip(np.sum(work < needed, axis=-1, keepdims=True), 1, steps - 1)
    low, high = (np.take_along_axis(work, place, axis=-1) for place in (after - 1, after))
    share = np.clip((needed - low) / (high - low), 0.0, 1.0)
    least, most = (np.take_along_axis(pressure, place, axis=-1) for place in (after - 1, after))
    beyond = np.maximum(needed - work[..., -1:], 0.0) / volume[..., -1:]
    return np.asarray((least + share * (most - least) + beyond)[..., 0])
