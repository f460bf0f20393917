"""What to enter in a rate controller for its meter, and what one number all day costs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import FloatArray
from geoflow.hydraulics.metering import pulses_per_nitrogen
from geoflow.physics.ammonia import saturation

__all__ = ["Calibration", "calibration"]


@dataclass(frozen=True, slots=True)
class Calibration:
    """Pulses of a volumetric meter by what they are counted for; arrays of shape (temperatures,).

    Attributes
    ----------
    temperature : ndarray
        Of the liquid in the meter [K].
    per_volume : float
        [1/m3]
    per_nitrogen, per_ammonia : ndarray
        For each kilogram that passes [1/kg].
    density : ndarray
        Of the liquid [kg/m3].
    entered : float
        Pulses for each kilogram of nitrogen [1/kg] that serve all day: those at the middle temperature, or at the
        one the controller reckons with.
    error : ndarray
        Nitrogen that goes out over what the display then shows, less one [-].
    """

    temperature: FloatArray
    per_volume: float
    per_nitrogen: FloatArray
    per_ammonia: FloatArray
    density: FloatArray
    entered: float
    error: FloatArray


def calibration(bar: Bar, temperature: FloatArray) -> Calibration | None:
    """Work out a meter's numbers at some liquid temperatures; None where nobody knows its pulses.

    Parameters
    ----------
    bar : Bar
        Gives the meter and the share of nitrogen.
    temperature : ndarray, shape (temperatures,)
        Rising [K].
    """
    pulses = bar.meter.pulses_per_volume
    if pulses is None:
        return None
    density = saturation(temperature).liquid_density
    nitrogen = pulses_per_nitrogen(pulses, density, bar.nitrogen_fraction)
    reference = bar.meter.reference_temperature
    middle = 0.5 * float(temperature[0] + temperature[-1]) if reference is None else reference
    counted = float(saturation(middle).liquid_density)
    entered = float(pulses_per_nitrogen(pulses, counted, bar.nitrogen_fraction))
    return Calibration(
        temperature,
        pulses,
        nitrogen,
        pulses_per_nitrogen(pulses, density, 1.0),
        density,
        entered,
        np.asarray(density / counted - 1.0),
    )
