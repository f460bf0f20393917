"""The liquid in a nurse tank over a day: heat from air and sun, and the cold of drawing, as bounds.

C dT/dt = a [h (T_air - T) + q] - m g with C the heat capacity of contents in saturation (and of the steel), a the shell
over the water capacity, h what passes the shell, q the sun it takes up or the heat a clear sky takes, m the liquid
drawn, and g what the vapour costs that takes its place. Nobody knows wind, paint or shade of a tank, so each
coefficient has a wide range, and none is known to stay: both bounds take at every moment what moves them furthest. By
the comparison of scalar differential equations the liquid then lies between, whatever the coefficients do within their
ranges. At the one end stands a tank that exchanges no heat at all, which only drawing cools; at the other one whose
liquid follows the air and, in calm air, a skin that the sun warms above it.

Ranges, and where they are from:

==============  =====================  =============================================================================
through shell   none, or 7.7 to 50     Least: surface in still air, ISO 6946, from memory. Most: McAdams, 5.7 + 3.8 v
                W/m2 K                 for plates in wind v [m/s], from memory, 59 at 14 m/s, behind a film of 300
                                       W/m2 K in the liquid (common practice, no source)
sun taken up    0 to 0.275 of what     A weathered light coat takes up half at most (white paint 0.2 to 0.3, from
                level ground gets      memory); a lying round tank gets at most 0.55 of it (its shadow is 1/pi of its
                                       shell; sky and ground bring the rest; common practice, no source)
lost to a sky   0 to 63 W/m2           ASHRAE, sol-air temperature, surfaces that face a clear sky, from memory
air at tank     within 1.5 K of given  common practice, no source
steel           0 to 150 kJ/K per m3   300 kg per m3 of capacity at 500 J/kg K; common practice, no source
shape           at most 6 diameters    common practice, no source
                long
==============  =====================  =============================================================================
"""

from __future__ import annotations

import functools
import math
from typing import Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, Floats
from geoflow.physics.ammonia import HIGHEST_TEMPERATURE, LOWEST_TEMPERATURE, saturation

__all__ = [
    *("AIR_OFF", "EXCHANGE", "LONGEST", "SKY", "STEEL", "STILL", "SUN"),
    "contents_capacity",
    "drawn_range",
    "outside_range",
    "shell_over_capacity",
    "standing_range",
]

STILL: Final = 7.7
"""Least heat that passes a shell which is not shut off [W/m2 K]."""
EXCHANGE: Final = 50.0
"""Most heat that passes the shell [W/m2 K]."""
SUN: Final = 0.275
"""Most of the sun on level ground that the shell takes up, per area of shell [-]; the least is nothing."""
SKY: Final = 63.0
"""Most that the shell loses to a clear sky [W/m2]; the least is nothing."""
AIR_OFF: Final = 1.5
"""How far the air at the tank may be off the one that is given [K]."""
STEEL: Final = 150e3
"""Most heat capacity of the steel over the water capacity [J/m3 K]; the least is none."""
LONGEST: Final = 6.0
"""Length of the slimmest tank over its diameter [-]."""

_GRID: Final = 0.25
# A step of the integration is at most this share of the time in which a nearly empty tank follows the air.
_SHARE: Final = 0.5
_NEARLY_EMPTY: Final = 0.02
_WAYS: Final = 5


def shell_over_capacity(capacity: float, slenderness: float = LONGEST) -> float:
    """Shell of a lying cylinder with flat ends over what it holds [1/m]: 4 / D + 2 / L.

    Parameters
    ----------
    capacity : float
        Of one tank, as water [m3].
    slenderness : float
        Length over diameter [-].
    """
    diameter = (4.0 * capacity / (math.pi * slenderness)) ** (1.0 / 3.0)
    return float(4.0 / diameter + 2.0 / (slenderness * diameter))


def outside_range(air: Floats, sun: Floats) -> FloatArray:
    """Give what is outside a tank as `standing_range` takes it, shape (2, 2, n).

    Parameters
    ----------
    air : array_like, shape (n,)
        Temperature as given [K].
    sun : array_like, shape (n,)
        The most there can be on level ground [W/m2].

    Returns
    -------
    ndarray, shape (2, 2, n)
        Coldest and warmest air [K]; most that the sky takes and most that the sun brings [W/m2 of shell].
    """
    given, light = np.broadcast_arrays(np.asarray(air, dtype=np.float64), np.asarray(sun, dtype=np.float64))
    return np.stack([np.stack([given - AIR_OFF, given + AIR_OFF]), np.stack([np.full(given.shape, SKY), SUN * light])])


@functools.cache
def _contents() -> FloatArray:
    """Columns over temperature: what a tank of liquid and one of vapour take to warm, g, densities' slopes and step."""
    kelvin = np.linspace(
        LOWEST_TEMPERATURE, HIGHEST_TEMPERATURE, round((HIGHEST_TEMPERATURE - LOWEST_TEMPERATURE) / _GRID) + 1
    )
    state = saturation(kelvin)
    liquid, vapour = state.liquid_density, state.vapour_density
    energy = liquid * state.liquid_enthalpy - state.pressure, vapour * state.vapour_enthalpy - state.pressure
    step = liquid - vapour
    # Energy that goes with the volume a kilogram more of liquid takes from the vapour.
    moved = (energy[0] - energy[1]) / step
    slopes = [np.gradient(column, kelvin) for column in (*energy, liquid, vapour)]
    return np.stack(
        [
            kelvin,
            slopes[0] - moved * slopes[2],
            slopes[1] - moved * slopes[3],
            state.liquid_enthalpy - moved,
            slopes[2],
            slopes[3],
            step,
        ]
    )


def _at(temperature: FloatArray) -> list[FloatArray]:
    table = _contents()
    position = np.clip((temperature - table[0, 0]) / _GRID, 0.0, table.shape[1] - 1.000001)
    below = position.astype(np.int64)
    weight = position - below
    return [column[below] * (1.0 - weight) + column[below + 1] * weight for column in table[1:]]


def contents_capacity(temperature: Floats, fill: Floats) -> FloatArray:
    """Heat capacity of liquid and vapour in saturation over the water capacity [J/m3 K], the mass in the tank kept.

    Parameters
    ----------
    temperature : array_like
        [K]
    fill : array_like
        Liquid volume over water capacity [-].
    """
    liquid, vapour, *_ = _at(np.asarray(temperature, dtype=np.float64))
    share = np.asarray(fill, dtype=np.float64)
    return np.asarray(share * liquid + (1.0 - share) * vapour)


def _slopes(
    state: tuple[FloatArray, FloatArray], outside: FloatArray, area: float, drawn: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """How fast both bounds change: temperatures [K/s] and fills [1/s], shape (2, n), the colder first."""
    temperature, fill = state
    liquid, vapour, cost, liquid_slope, vapour_slope, step = _at(temperature)
    outward = np.array([[-1.0], [1.0]])
    # What draws a bound inward is left away, what drives it outward counts in full.
    warmer = outward * (outside[0] - temperature)
    heat = outward * area * np.maximum(np.where(warmer > 0.0, EXCHANGE, STILL) * warmer + outside[1], 0.0)
    gained = heat - drawn * cost
    steel = np.where(outward * gained > 0.0, 0.0, STEEL)
    warming = gained / (fill * liquid + (1.0 - fill) * vapour + steel)
    shrinking = fill * liquid_slope + (1.0 - fill) * vapour_slope
    return warming, (-drawn - shrinking * warming) / step


def _advance(
    state: tuple[FloatArray, FloatArray],
    outside: tuple[FloatArray, FloatArray],
    area: float,
    drawn: FloatArray,
    seconds: float,
) -> tuple[FloatArray, FloatArray]:
    """Both bounds a step of time later, by the classical Runge-Kutta method, the outside straight between its ends."""
    slowest = float(contents_capacity(LOWEST_TEMPERATURE + 20.0, _NEARLY_EMPTY)) / (area * EXCHANGE)
    parts = max(1, math.ceil(seconds / (_SHARE * slowest)))
    step = seconds / parts
    for part in range(parts):
        first, middle, last = (
            outside[0] + (part + share) / parts * (outside[1] - outside[0]) for share in (0.0, 0.5, 1.0)
        )
        one = _slopes(state, first, area, drawn)
        two = _slopes(_moved(state, one, 0.5 * step), middle, area, drawn)
        three = _slopes(_moved(state, two, 0.5 * step), middle, area, drawn)
        four = _slopes(_moved(state, three, step), last, area, drawn)
        mean = tuple((a + 2.0 * b + 2.0 * c + d) / 6.0 for a, b, c, d in zip(one, two, three, four, strict=True))
        state = _moved(state, (mean[0], mean[1]), step)
    return state


def _moved(
    state: tuple[FloatArray, FloatArray], slope: tuple[FloatArray, FloatArray], seconds: float
) -> tuple[FloatArray, FloatArray]:
    return state[0] + seconds * slope[0], np.clip(state[1] + seconds * slope[1], 0.0, 1.0)


def standing_range(
    outside: FloatArray, start: tuple[float, float], fill: float, area: float, step: float, readings: FloatArray
) -> tuple[FloatArray, BoolArray]:
    """Coldest and warmest liquid of a tank that stands.

    Parameters
    ----------
    outside : ndarray, shape (2, 2, n)
        From `outside_range` [K], [W/m2], at even steps of time.
    start : tuple of float
        Coldest and warmest liquid at first [K].
    fill : float
        Liquid volume over water capacity [-].
    area : float
        Shell over water capacity, the largest there can be [1/m].
    step : float
        Of time [s].
    readings : ndarray, shape (2, n)
        Between which temperatures the liquid was read to lie [K]; NaN where it was not.

    Returns
    -------
    ndarray of shape (2, n), ndarray of bool of shape (n,)
        The liquid [K], and where a reading lies wholly outside of what air and sun can do; it is believed there.
    """
    count = outside.shape[2]
    found, against = np.empty((2, count)), np.zeros(count, dtype=np.bool_)
    state = np.array(start, dtype=np.float64).reshape(2, 1), np.full((2, 1), fill)
    still = np.zeros((2, 1))
    for at in range(count):
        if at:
            state = _advance(state, (outside[..., at - 1 : at], outside[..., at : at + 1]), area, still, step)
        if np.isfinite(readings[0, at]):
            low, high = max(state[0][0, 0], readings[0, at]), min(state[0][1, 0], readings[1, at])
            against[at] = low > high
            kept = readings[:, at] if against[at] else np.array([low, high])
            state = kept.reshape(2, 1), np.full((2, 1), fill)
        found[:, at] = state[0][:, 0]
    return found, against


def drawn_range(
    standing: FloatArray,
    outside: FloatArray,
    fills: tuple[float, float],
    area: float,
    step: float,
    durations: tuple[float, float],
) -> FloatArray:
    """Coldest and warmest liquid at each moment in a tank that still stands, or was begun at any moment before.

    Some ways of drawing evenly are followed, from the fastest to the slowest: the fast one is sooner cold, the slow
    one takes more heat.

    Parameters
    ----------
    standing : ndarray, shape (2, n)
        Coldest and warmest liquid of a standing tank at even steps of time [K].
    outside : ndarray, shape (2, 2, n)
        From `outside_range` [K], [W/m2].
    fills : tuple of float
        Liquid volume over water capacity of a full tank and of one that is taken off [-].
    area : float
        Shell over water capacity, the largest there can be [1/m].
    step : float
        Of time [s].
    durations : tuple of float
        From a full tank to one that is taken off, the shortest and the longest there can be [s].

    Returns
    -------
    ndarray, shape (2, n)
        [K]
    """
    found = standing.copy()
    ways = {max(1, round(one / step)) for one in np.geomspace(*durations, _WAYS)}
    ways |= {max(1, math.floor(durations[0] / step)), max(1, math.ceil(durations[1] / step))}
    for steps in sorted(ways):
        _draw(found, standing, outside, fills, area, step, steps)
    return found


def _draw(
    found: FloatArray,
    standing: FloatArray,
    outside: FloatArray,
    fills: tuple[float, float],
    area: float,
    step: float,
    steps: int,
) -> None:
    """Widen what was found by tanks begun at every moment and drawn in so many steps of time."""
    (full, heel), count = fills, standing.shape[1]
    state = standing.copy(), np.full(standing.shape, full)
    flow = (full - heel) * saturation(standing).liquid_density / (steps * step)
    for ahead in range(1, min(steps, count - 1) + 1):
        kept = slice(0, count - ahead)
        before = state[0][:, kept], state[1][:, kept]
        passing = outside[..., ahead - 1 : count - 1], outside[..., ahead:]
        drawn = np.where(before[1] > heel, flow[:, kept], 0.0)
        state = _advance(before, passing, area, drawn, step)
        found[0, ahead:] = np.minimum(found[0, ahead:], state[0][0])
        found[1, ahead:] = np.maximum(found[1, ahead:], state[0][1])
