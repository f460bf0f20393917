"""Properties of saturated and slightly compressed liquid ammonia.

Interpolated in a table made from CoolProp (equation of state: Gao, Wu, Bell, Harvey, Lemmon, J. Phys. Chem. Ref.
Data 52, 013102 (2023); viscosity: Fenghour et al. 1995). Linear interpolation on the 0.25 K grid stays within 5e-6
of CoolProp for pressure and liquid density, within 2e-5 for every other column. Pure ammonia: the 0.2 to 0.5 %
water in agricultural ammonia lowers the vapour pressure by about as much, which errs on the safe side for the liquid
margin.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray, Floats
from geoflow.base.errors import RangeError
from geoflow.physics.saturation_table import TABLE_PATH

__all__ = [
    "HIGHEST_TEMPERATURE",
    "LOWEST_TEMPERATURE",
    "Saturation",
    "equilibrium_flux_limit",
    "flash_fraction",
    "liquid_density",
    "saturation",
    "saturation_temperature",
    "vapour_pressure",
]


LOWEST_TEMPERATURE: Final = 225.0
HIGHEST_TEMPERATURE: Final = 335.0


@dataclass(frozen=True, slots=True)
class Saturation:
    """Ammonia on the saturation line, arrays of one shape.

    Attributes
    ----------
    temperature : ndarray
        [K]
    pressure : ndarray
        Vapour pressure, absolute [Pa].
    liquid_density, vapour_density : ndarray
        [kg/m3]
    liquid_enthalpy, vapour_enthalpy : ndarray
        Specific enthalpy [J/kg].
    liquid_heat_capacity : ndarray
        Isobaric [J/kg K].
    liquid_viscosity, vapour_viscosity : ndarray
        [Pa s]
    liquid_compressibility : ndarray
        Isothermal [1/Pa].
    liquid_expansivity : ndarray
        Isobaric [1/K].
    omega : ndarray
        Leung's flashing parameter of the saturated liquid [-].
    liquid_entropy : ndarray
        Specific entropy [J/kg K]; the vapour's is this plus latent heat over temperature.
    """

    temperature: FloatArray
    pressure: FloatArray
    liquid_density: FloatArray
    vapour_density: FloatArray
    liquid_enthalpy: FloatArray
    vapour_enthalpy: FloatArray
    liquid_heat_capacity: FloatArray
    liquid_viscosity: FloatArray
    vapour_viscosity: FloatArray
    liquid_compressibility: FloatArray
    liquid_expansivity: FloatArray
    omega: FloatArray
    liquid_entropy: FloatArray


@functools.cache
def _table() -> FloatArray:
    table: FloatArray = np.loadtxt(TABLE_PATH, delimiter=",", skiprows=1).T
    return table


@functools.cache
def _log_table() -> FloatArray:
    """The same table with the logarithm of the pressure, which is what is interpolated."""
    temperature, pressure, *columns = _table()
    return np.array([temperature, np.log(pressure), *columns])


def _on_grid(temperature: FloatArray) -> list[FloatArray]:
    table = _log_table()
    # The grid is even, so one index and one weight serve all columns.
    position = (temperature - table[0, 0]) / (table[0, 1] - table[0, 0])
    below = np.minimum(np.maximum(position.astype(np.int64), 0), table.shape[1] - 2)
    weight = position - below
    low, high = (table[1:].take(place, axis=1) for place in (below, below + 1))
    log_pressure, *columns = low * (1.0 - weight) + high * weight
    return [np.exp(log_pressure), *columns]


def saturation(temperature: Floats) -> Saturation:
    """Saturated ammonia at a temperature.

    Parameters
    ----------
    temperature : array_like
        [K], from 225 to 335 K (-54.7 to 143.3 degF).

    Raises
    ------
    RangeError
        Outside the table.
    """
    kelvin = np.asarray(temperature, dtype=np.float64)
    if not np.all((kelvin >= LOWEST_TEMPERATURE) & (kelvin <= HIGHEST_TEMPERATURE)):
        raise RangeError(
            "the liquid temperature lies outside -54 to 143 degF (-48 to 61 degC), where geoflow knows ammonia",
            where="liquid temperature",
            cure="check the temperature and its unit",
        )
    return Saturation(kelvin, *_on_grid(kelvin))


def vapour_pressure(temperature: Floats) -> FloatArray:
    """Vapour pressure alone, absolute [Pa], as `saturation` has it.

    Parameters
    ----------
    temperature : array_like
        [K], within the table; held at its ends.
    """
    kelvin, log_pressure = _log_table()[:2]
    return np.asarray(np.exp(np.interp(temperature, kelvin, log_pressure)))


def saturation_temperature(pressure: Floats) -> FloatArray:
    """Temperature [K] at which the vapour pressure is `pressure` (absolute [Pa]).

    Parameters
    ----------
    pressure : array_like
        Absolute [Pa].

    Raises
    ------
    RangeError
        Outside the table.
    """
    table = _table()
    pascal = np.asarray(pressure, dtype=np.float64)
    if not np.all((pascal >= table[1, 0]) & (pascal <= table[1, -1])):
        raise RangeError(
            "the pressure lies outside the vapour pressures of ammonia from -54 to 143 degF",
            where="pressure",
            cure="check the pressure, its unit, and whether it is gauge or absolute",
        )
    return np.asarray(np.interp(np.log(pascal), _log_table()[1], table[0]))


def liquid_density(saturated: Saturation, pressure: Floats) -> FloatArray:
    """Density of the liquid [kg/m3] under pressure, from its isothermal compressibility.

    Valid within 30 bar of saturation (0.05 % against the compressed-liquid values in the tests).

    Parameters
    ----------
    saturated : Saturation
        The liquid at its vapour pressure.
    pressure : array_like
        Absolute [Pa].
    """
    excess = np.asarray(pressure, dtype=np.float64) - saturated.pressure
    return saturated.liquid_density * np.exp(saturated.liquid_compressibility * excess)


def flash_fraction(enthalpy: Floats, end: Saturation) -> FloatArray:
    """Mass fraction of vapour [-] after throttling liquid of an enthalpy [J/kg] to the state `end`.

    Isenthalpic, in equilibrium; zero where the liquid does not boil.

    Parameters
    ----------
    enthalpy : array_like
        Specific enthalpy of the liquid before [J/kg].
    end : Saturation
        At the pressure after.
    """
    latent = end.vapour_enthalpy - end.liquid_enthalpy
    return np.clip((np.asarray(enthalpy, dtype=np.float64) - end.liquid_enthalpy) / latent, 0.0, 1.0)


def equilibrium_flux_limit(saturated: Saturation) -> FloatArray:
    """Mass flux [kg/m2 s] of saturated liquid in a long passage, Fauske's equilibrium-rate model.

    G = (h_fg / v_fg) / sqrt(T c_p). Holds for passages of 0.1 m and longer fed with saturated liquid.

    Parameters
    ----------
    saturated : Saturation
        Of the liquid at the inlet.
    """
    latent = saturated.vapour_enthalpy - saturated.liquid_enthalpy
    expansion = 1.0 / saturated.vapour_density - 1.0 / saturated.liquid_density
    return latent / expansion / np.sqrt(saturated.temperature * saturated.liquid_heat_capacity)
