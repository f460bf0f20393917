"""The pump: what boiling in the suction costs it, and how much it warms the liquid."""

from __future__ import annotations

from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray, Floats

__all__ = ["boiling_line_capacity", "manifold_temperature_rise"]

_STEPS: Final = 240
_LEAST_PRESSURE: Final = 0.02
_AT_ONCE: Final = 400  # lines whose steps the processor has at hand


def boiling_line_capacity(
    friction: Floats, head: Floats, momentum: Floats, vapour_pressure: Floats, omega: Floats
) -> FloatArray:
    """Liquid a displacement pump moves over its displacement [-], with the line before it boiling as it goes.

    Saturated liquid enters; friction and fittings are spread evenly along the line and so is the liquid head. Once the
    pressure is below the vapour pressure, liquid and vapour in equilibrium run at one speed: the friction grows and
    the head shrinks with their volume v = vL (1 + omega (Ps/p - 1)). With s the share of the line behind,
    dp (1 + G^2 dv/dp) = -(F v/vL - H vL/v) ds; the capacity is vL/v at its end. Where the flow chokes on the way it
    cannot pass, and the capacity is that of the lowest pressure looked at. This is the lower end: boiling takes time.

    Parameters
    ----------
    friction : array_like
        Loss of the whole line running full of liquid, F [Pa].
    head : array_like
        Gain by liquid head, H [Pa], negative for a lift.
    momentum : array_like
        Mass flux squared over liquid density, G^2 vL [Pa].
    vapour_pressure : array_like
        Ps, absolute [Pa].
    omega : array_like
        Leung's flashing parameter [-].
    """
    given = [np.asarray(value, dtype=np.float64) for value in (friction, head, momentum, vapour_pressure, omega)]
    shape = np.broadcast_shapes(*(value.shape for value in given))
    flows = shape[-1] if shape and 1 <= shape[-1] <= _AT_ONCE else 1
    # What is the same for all flows of one liquid is worked out once for them.
    apart = [flows > 1 and value.ndim > 0 and value.shape[-1] > 1 for value in given]
    each = [
        (np.broadcast_to(value, shape) if own or flows == 1 else np.broadcast_to(value, (*shape[:-1], 1)))
        .reshape(-1, flows if own else 1, 1)
        for value, own in zip(given, apart, strict=True)
    ]  # fmt: skip
    capacity = np.empty((len(each[0]), flows))
    for first in range(0, len(capacity), liquids := _AT_ONCE // flows):
        some = slice(first, first + liquids)
        capacity[some] = _end_of_line(*(value[some] for value in each))
    return capacity.reshape(shape)


def _end_of_line(
    loss: FloatArray, gain: FloatArray, thrust: FloatArray, vapour: FloatArray, flashing: FloatArray
) -> FloatArray:
    """Integrate down the line, all of shapes (liquids, flows or 1, 1); returns the shape (liquids, flows)."""
    # Fine near the vapour pressure, where most suctions end.
    share = _LEAST_PRESSURE ** np.square(np.linspace(0.0, 1.0, _STEPS))
    swelling = 1.0 + flashing * (1.0 / share - 1.0)
    step, middle = -np.diff(share) * vapour, 0.5 * (swelling[..., 1:] + swelling[..., :-1])
    slope = loss * middle - gain / middle
    inertia = np.maximum(step - thrust * np.diff(swelling, axis=-1), 0.0)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        stretch = np.where(slope > 0.0, inertia / slope, np.inf)
    behind = np.concatenate([np.zeros_like(stretch[..., :1]), np.cumsum(stretch, axis=-1)], axis=-1)
    after = np.clip(np.count_nonzero(behind < 1.0, axis=-1), 1, _STEPS - 1)[..., None]
    before, beyond = (np.take_along_axis(behind, place, axis=-1) for place in (after - 1, after))
    small, large = (np.take_along_axis(swelling, place, axis=-1) for place in (after - 1, after))
    with np.errstate(invalid="ignore"):
        weight = np.clip(np.where(np.isinf(beyond), 0.0, (1.0 - before) / np.maximum(beyond - before, 1e-12)), 0.0, 1.0)
    return np.asarray((1.0 / (small + weight * (large - small)))[..., 0])


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
