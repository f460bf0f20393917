"""Pressure lost in hoses, fittings and valves, and the two-phase hose below an orifice."""

from __future__ import annotations

from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray, Floats
from geoflow.base.units import GALLON, PSI
from geoflow.physics.ammonia import flash_fraction, saturation, saturation_temperature

__all__ = [
    "CV_UNIT",
    "flashing_hose_inlet_pressure",
    "friction_factor",
    "line_loss",
    "liquid_critical_ratio",
    "valve_inlet_pressure",
    "valve_loss_coefficient",
]


# Density of water at 15 degC, the reference of the valve coefficient's relative density (IEC 60534-2-1).
_REFERENCE_DENSITY: Final = 999.1
# One unit of Cv as [m3/s] at a pressure drop of 1 Pa and relative density 1.
CV_UNIT: Final = GALLON / 60.0 / np.sqrt(PSI)
_CRITICAL_PRESSURE: Final = 11.3634e6
_HOSE_POINTS: Final = 120  # between outlet and vapour pressure


def friction_factor(reynolds: Floats, relative_roughness: Floats = 0.0) -> FloatArray:
    """Darcy friction factor [-] for any flow regime, Churchill (1977).

    Parameters
    ----------
    reynolds : array_like
        Reynolds number [-].
    relative_roughness : array_like
        Roughness over bore [-]. Within 1.5 % of Colebrook from Re 10,000 up to a roughness of 1e-3, within 3.5 %
        for rougher or slower turbulent flow.
    """
    number = np.maximum(np.asarray(reynolds, dtype=np.float64), 1e-9)
    inner = (7.0 / number) ** 0.9 + 0.27 * np.asarray(relative_roughness, dtype=np.float64)
    rough, smooth = _to_the_16th(-2.457 * np.log(inner)), _to_the_16th(37530.0 / number)
    return np.asarray(8.0 * ((8.0 / number) ** 12 + (rough + smooth) ** -1.5) ** (1.0 / 12.0))


def _to_the_16th(values: FloatArray) -> FloatArray:
    # Four squarings; numpy's general power takes ten times as long, and this is the innermost loop of the solver.
    return np.square(np.square(np.square(np.square(values))))


def line_loss(
    flow: Floats,
    density: Floats,
    viscosity: Floats,
    *,
    length: Floats,
    bore: Floats,
    fittings_k: Floats = 0.0,
    roughness: Floats = 0.0,
) -> FloatArray:
    """Pressure lost by liquid in a line with fittings [Pa], Darcy-Weisbach: (f L/D + K) rho V^2 / 2.

    Parameters
    ----------
    flow : array_like
        Mass flow [kg/s].
    density, viscosity : array_like
        Of the liquid [kg/m3], [Pa s].
    length, bore, roughness : array_like
        [m]
    fittings_k : array_like
        Sum of the loss coefficients [-].
    """
    mass, wide = np.asarray(flow, dtype=np.float64), np.asarray(bore)
    flux = mass / (0.25 * np.pi * np.square(wide))
    factor = friction_factor(np.abs(flux) * wide / np.asarray(viscosity), np.asarray(roughness) / wide)
    lost = factor * np.asarray(length) / wide + np.asarray(fittings_k)
    return np.asarray(lost * np.square(flux) / (2.0 * np.asarray(density)))


def liquid_critical_ratio(vapour_pressure: Floats) -> FloatArray:
    """Critical pressure ratio FF of ammonia [-]: 0.96 - 0.28 sqrt(Pv/Pc), IEC 60534-2-1.

    Parameters
    ----------
    vapour_pressure : array_like
        Absolute [Pa].
    """
    return np.asarray(0.96 - 0.28 * np.sqrt(np.asarray(vapour_pressure, dtype=np.float64) / _CRITICAL_PRESSURE))


def valve_loss_coefficient(cv: float, area: float) -> float:
    """Loss coefficient K [-] of a fitting with a flow coefficient: 2 A^2 / (999.1 kg/m3 (Cv unit)^2).

    Parameters
    ----------
    cv : float
        Flow coefficient [-]: US gpm of water at a loss of 1 psi.
    area : float
        Of the line that K belongs to [m2].
    """
    return float(2.0 * area**2 / (_REFERENCE_DENSITY * (cv * CV_UNIT) ** 2))


def valve_inlet_pressure(
    flow: Floats,
    outlet_pressure: Floats,
    vapour_pressure: Floats,
    density: Floats,
    *,
    cv: float,
    recovery_factor: float,
) -> FloatArray:
    """Absolute pressure [Pa] needed before a valve that passes `flow` [kg/s] of liquid.

    IEC 60534-2-1 for turbulent flow without fittings, solved for the inlet: the loss for the flow, or the inlet
    pressure at which the valve chokes at just this flow, whichever asks for more.

    Parameters
    ----------
    flow : array_like
        Mass flow [kg/s].
    outlet_pressure, vapour_pressure : array_like
        Absolute [Pa].
    density : array_like
        [kg/m3]
    cv, recovery_factor : float
        Flow coefficient Cv [-] and liquid pressure recovery factor FL [-].
    """
    fluid = np.asarray(density, dtype=np.float64)
    loss = fluid / _REFERENCE_DENSITY * np.square(np.asarray(flow, dtype=np.float64) / fluid / (cv * CV_UNIT))
    choked = liquid_critical_ratio(vapour_pressure) * vapour_pressure + loss / recovery_factor**2
    return np.asarray(np.maximum(outlet_pressure + loss, choked))


def flashing_hose_inlet_pressure(
    flow: Floats,
    enthalpy: Floats,
    liquid_pressure: Floats,
    *,
    length: float,
    bore: float,
    roughness: float,
    outlet_pressure: Floats,
) -> FloatArray:
    """Absolute pressure [Pa] at the inlet of a hose in which ammonia boils on its way to the open end.

    Homogeneous equilibrium flow at constant enthalpy: liquid and vapour at one speed, McAdams viscosity, Churchill
    friction, with acceleration; where the flow chokes at the end, the end pressure is the choking pressure. Written as
    length over pressure, dL = -2 D (1 + G^2 dv/dp) / (f G^2 v) dp, so it is a sum and needs no marching.
    Separated-flow correlations give 0 to 40 % more gauge pressure (Friedel 0.98
    to 1.29 times, Mueller-Steinhagen and Heck 1.14 to 1.41 times, in the tests).

    Parameters
    ----------
    flow : array_like
        Through one hose [kg/s].
    enthalpy : array_like
        Specific enthalpy of the liquid before the orifice [J/kg].
    liquid_pressure : array_like
        Vapour pressure of that liquid [Pa]: above it the hose runs full of liquid.
    length, bore, roughness : float
        Of the hose [m].
    outlet_pressure : array_like
        At the knife [Pa].
    """
    mass, heat, top, end = np.broadcast_arrays(
        *(
            np.asarray(value, dtype=np.float64)[..., None]
            for value in (flow, enthalpy, liquid_pressure, outlet_pressure)
        )
    )
    top = np.maximum(top, end * 1.0001)
    share = np.linspace(0.0, 1.0, _HOSE_POINTS)
    pressure = end * (top / end) ** share
    # Above its own vapour pressure the liquid stays what it is.
    own = np.asarray(liquid_pressure, dtype=np.float64)[..., None]
    state = saturation(saturation_temperature(np.minimum(pressure, own)))
    quality = flash_fraction(heat, state)
    volume = quality / state.vapour_density + (1.0 - quality) / state.liquid_density
    viscosity = 1.0 / (quality / state.vapour_viscosity + (1.0 - quality) / state.liquid_viscosity)
    flux = np.maximum(mass, 1e-9) / (0.25 * np.pi * bore**2)
    factor = friction_factor(flux * bore / viscosity, roughness / bore)

    step = np.diff(pressure, axis=-1)
    mean_volume = 0.5 * (volume[..., 1:] + volume[..., :-1])
    mean_factor = 0.5 * (factor[..., 1:] + factor[..., :-1])
    # Below the choking pressure the bracket is negative: the flow cannot get there, so the stretch counts as none.
    bracket = np.maximum(step + np.square(flux) * np.diff(volume, axis=-1), 0.0)
    stretch = 2.0 * bore * bracket / (mean_factor * np.square(flux) * mean_volume)
    reached = np.concatenate([np.zeros_like(stretch[..., :1]), np.cumsum(stretch, axis=-1)], axis=-1)

    after = np.clip(np.sum(reached < length, axis=-1), 1, _HOSE_POINTS - 1)[..., None]
    from_length = np.take_along_axis(reached, after - 1, axis=-1)
    to_length = np.take_along_axis(reached, after, axis=-1)
    weight = np.clip((length - from_length) / np.maximum(to_length - from_length, 1e-12), 0.0, 1.0)
    low = np.take_along_axis(pressure, after - 1, axis=-1)
    high = np.take_along_axis(pressure, after, axis=-1)
    boiling = low + weight * (high - low)
    # What is left of the hose once the vapour pressure is reached runs full of liquid.
    left = np.maximum(length - reached[..., -1:], 0.0)
    liquid = factor[..., -1:] * left / bore * np.square(flux) * volume[..., -1:] / 2.0
    return np.asarray((boiling + liquid)[..., 0])
