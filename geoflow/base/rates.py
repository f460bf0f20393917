"""Arithmetic between a nitrogen rate on the ground and an ammonia flow through the bar. SI throughout."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geoflow.base.arrays import FloatArray, Floats
from geoflow.base.errors import RangeError
from geoflow.base.rate_units import RateUnit

__all__ = ["UnitRates", "ammonia_flow", "as_nitrogen_rate", "from_nitrogen_rate", "nitrogen_rate"]


@dataclass(frozen=True, eq=False, slots=True)
class UnitRates:
    """Rates as a file holds them: the numbers never leave their unit.

    Attributes
    ----------
    values : ndarray of float, shape (n,)
        In `unit`.
    unit : RateUnit
        What they count.
    """

    values: FloatArray
    unit: RateUnit

    def __str__(self) -> str:
        low, high = (f"{float(end):.4g}" for end in (self.values.min(), self.values.max()))
        return f"{low if low == high else f'{low} to {high}'} {self.unit.text}"


def ammonia_flow(nitrogen_rate: Floats, speed: Floats, width: Floats, nitrogen_fraction: float) -> FloatArray:
    """Ammonia flow of the whole width [kg/s] that lays down a nitrogen rate [kg/m2] at a speed [m/s]: R v W / w.

    Parameters
    ----------
    nitrogen_rate : array_like
        [kg/m2]
    speed, width : array_like
        Over ground [m/s], of the whole bar [m].
    nitrogen_fraction : float
        Mass of nitrogen over mass of ammonia [-].
    """
    return np.asarray(nitrogen_rate, dtype=np.float64) * speed * width / nitrogen_fraction


def nitrogen_rate(ammonia_flow: Floats, speed: Floats, width: Floats, nitrogen_fraction: float) -> FloatArray:
    """Nitrogen rate [kg/m2] that an ammonia flow of the whole width [kg/s] lays down at a speed [m/s].

    Parameters
    ----------
    ammonia_flow : array_like
        [kg/s]
    speed, width : array_like
        Over ground [m/s], of the whole bar [m].
    nitrogen_fraction : float
        Mass of nitrogen over mass of ammonia [-].
    """
    return np.asarray(ammonia_flow, dtype=np.float64) * nitrogen_fraction / (np.asarray(speed) * width)


def _nitrogen_per_unit(unit: RateUnit, nitrogen_fraction: float, ammonia_density: float | None) -> float:
    if unit.basis == "nitrogen":
        return unit.to_si
    if unit.basis == "ammonia":
        return unit.to_si * nitrogen_fraction
    if ammonia_density is None:
        raise RangeError(
            f"a rate in {unit.text} needs the density of the liquid that is counted",
            where="rate unit",
            cure="say at which temperature the volume is counted",
        )
    return unit.to_si * ammonia_density * nitrogen_fraction


def as_nitrogen_rate(
    values: Floats, unit: RateUnit, nitrogen_fraction: float, ammonia_density: float | None = None
) -> FloatArray:
    """Nitrogen rate [kg/m2] of numbers counted in `unit`.

    Parameters
    ----------
    values : array_like
        In `unit`.
    unit : RateUnit
        What the numbers count.
    nitrogen_fraction : float
        Mass of nitrogen over mass of ammonia [-].
    ammonia_density : float, optional
        Of the liquid [kg/m3]; needed where volume is counted.

    Raises
    ------
    RangeError
        If volume is counted and no density is given.
    """
    return np.asarray(values, dtype=np.float64) * _nitrogen_per_unit(unit, nitrogen_fraction, ammonia_density)


def from_nitrogen_rate(
    rate: Floats, unit: RateUnit, nitrogen_fraction: float, ammonia_density: float | None = None
) -> FloatArray:
    """Numbers counted in `unit` for a nitrogen rate [kg/m2]: `as_nitrogen_rate` the other way round.

    Parameters
    ----------
    rate : array_like
        [kg/m2]
    unit, nitrogen_fraction, ammonia_density
        As for `as_nitrogen_rate`.
    """
    return np.asarray(rate, dtype=np.float64) / _nitrogen_per_unit(unit, nitrogen_fraction, ammonia_density)
