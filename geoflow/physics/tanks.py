"""The nurse tank: how much ammonia it holds and how the liquid cools while it is drawn.

Liquid leaves at the bottom, some of the rest boils to fill the space, and the heat for that comes out of the liquid.
Taken as adiabatic: no heat from air or sun, and none from the steel. Both would come in, so the cooling found here is
the most there can be, and the vapour pressure at the end of a tank the least.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray, Floats
from geoflow.base.errors import RangeError
from geoflow.physics.ammonia import LOWEST_TEMPERATURE, saturation

__all__ = ["DrawDown", "draw_down", "drawn_temperature"]

# A tank drawn to 1/e of its fill cools by less than rho_v h_fg / (rho_l cp); until empty, by less than six times that.
_FOLDS: Final = 6.0
_STEPS: Final = 1000


@dataclass(frozen=True, slots=True)
class DrawDown:
    """States of a tank that is drawn from its start, arrays of shape (n,).

    Attributes
    ----------
    temperature : ndarray
        Of liquid and vapour [K], falling.
    fill : ndarray
        Liquid volume over water capacity [-], falling.
    drawn : ndarray
        Ammonia drawn so far over water capacity [kg/m3], rising from 0.
    """

    temperature: FloatArray
    fill: FloatArray
    drawn: FloatArray

    def _at(self, fill: Floats, values: FloatArray) -> FloatArray:
        wanted = np.asarray(fill, dtype=np.float64)
        if not np.all((wanted >= 0.0) & (wanted <= self.fill[0])):
            raise RangeError(
                f"a tank filled to {100.0 * self.fill[0]:.4g} % cannot be drawn to a fill outside 0 to that",
                where="fill",
                cure="give a fill between empty and the start, as a fraction of the water capacity",
            )
        if np.any(wanted < self.fill[-1]):
            raise RangeError(
                "the tank would cool below -54 degF (-48 degC), where geoflow knows no ammonia",
                where="temperature at the start",
                cure="check the temperature at the start and its unit",
            )
        return np.asarray(np.interp(wanted, self.fill[::-1], values[::-1]))

    def temperature_at(self, fill: Floats) -> FloatArray:
        """Temperature [K] when the liquid has fallen to a fill [-]; `RangeError` outside the draw-down.

        Parameters
        ----------
        fill : array_like
            Liquid volume over water capacity [-].
        """
        return self._at(fill, self.temperature)

    def drawn_at(self, fill: Floats) -> FloatArray:
        """Ammonia drawn over water capacity [kg/m3] when the liquid has fallen to a fill [-]; `RangeError` as above.

        Parameters
        ----------
        fill : array_like
            Liquid volume over water capacity [-].
        """
        return self._at(fill, self.drawn)

    def fill_after(self, drawn: Floats) -> FloatArray:
        """Fill [-] after so much ammonia over water capacity [kg/m3] is drawn, no further than the draw-down goes.

        Parameters
        ----------
        drawn : array_like
            [kg/m3]
        """
        return np.maximum(np.interp(drawn, self.drawn, self.fill), 0.0)


def draw_down(start_temperature: float, start_fill: float) -> DrawDown:
    """Draw liquid from a tank until it is empty of liquid.

    Energy balance between states a small step of temperature apart, U2 - U1 = h (m2 - m1), with U and m of liquid
    and vapour in saturation (u = h - p / rho) and h the mean enthalpy of the saturated liquid over the step; it is
    linear in the fill at the end of the step, so nothing is iterated. Valid for ammonia between 225 and 335 K.

    Parameters
    ----------
    start_temperature : float
        Of liquid and vapour [K].
    start_fill : float
        Liquid volume over water capacity [-], above 0 and at most 1.

    Raises
    ------
    RangeError
        For a fill that is none, or a temperature outside 225 to 335 K.
    """
    if not 0.0 < start_fill <= 1.0:
        raise RangeError("a tank's fill is not above 0 and at most 1", where="fill", cure="give a fraction, like 0.85")
    first = saturation(start_temperature)
    latent = first.vapour_enthalpy - first.liquid_enthalpy
    fold = first.vapour_density * latent / (first.liquid_density * first.liquid_heat_capacity)
    span = min(_FOLDS * float(fold), start_temperature - LOWEST_TEMPERATURE)
    state = saturation(start_temperature - np.linspace(0.0, span, _STEPS + 1))
    liquid, vapour = state.liquid_density, state.vapour_density
    liquid_energy = liquid * state.liquid_enthalpy - state.pressure
    vapour_energy = vapour * state.vapour_enthalpy - state.pressure
    leaving = 0.5 * (state.liquid_enthalpy[:-1] + state.liquid_enthalpy[1:])
    # U - h m of a tank all vapour, and what a tank all liquid has more, at the start and at the end of every step.
    empty_before, empty_after = (part - leaving * mass for part, mass in _ends(vapour_energy, vapour))
    full_before, full_after = (part - leaving * mass for part, mass in _ends(liquid_energy, liquid))
    fill = [start_fill]
    for before, after, more_before, more_after in zip(
        empty_before, empty_after, full_before - empty_before, full_after - empty_after, strict=True
    ):
        if fill[-1] <= 0.0:
            break
        fill.append(float((before + fill[-1] * more_before - after) / more_after))
    filled = np.array(fill)
    held = liquid[: filled.size] * filled + vapour[: filled.size] * (1.0 - filled)
    return DrawDown(state.temperature[: filled.size], filled, held[0] - held)


def _ends(energy: FloatArray, density: FloatArray) -> tuple[tuple[FloatArray, FloatArray], ...]:
    """Pairs of energy and density at the start and at the end of every step."""
    return (energy[:-1], density[:-1]), (energy[1:], density[1:])


def drawn_temperature(start_temperature: float, start_fill: float, end_fill: Floats) -> FloatArray:
    """Liquid temperature [K] in a tank drawn from one fill to another; the coldest it can be, see `draw_down`.

    Parameters
    ----------
    start_temperature : float
        Of liquid and vapour [K].
    start_fill : float
        Liquid volume over water capacity at the start [-].
    end_fill : array_like
        The same at the end [-].

    Raises
    ------
    RangeError
        For a fill below 0 or above the start, or a temperature outside 225 to 335 K.
    """
    return draw_down(start_temperature, start_fill).temperature_at(end_fill)
