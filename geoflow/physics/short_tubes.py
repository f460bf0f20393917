"""Ammonia through row orifices whose bore is long against its diameter: what tests of refrigerants carry over.

No measurement of ammonia in holes of 1 to 4 mm is known. Refrigerants through sharp-edged short tubes are measured:
over 1,200 points stand behind the correlation of Payne and O'Neal. The correlations themselves do not reach ammonia
(they hold for a fifth to a half of the critical pressure, ammonia is at a twentieth), so a mechanism with properties is
fitted to them and carried across: the delayed flashing of Henry and Fauske (J. Heat Transfer 93 (1971) 179), which
gives the pressure in the throat, times a coefficient that falls with length over diameter::

    m = C A sqrt(2 rho0 (P0 - Pt)),     C = 0.80 - 0.145 ln((L/d) / 6)

``tests/short_tube_fit.py`` makes the fit anew. In the words of `orifices`: Cd = C, b = (Pt - Pb) / (Ps - Pb).
For ammonia all of it is an extrapolation through properties, **not measured on ammonia**.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, Floats
from geoflow.physics.ammonia import (
    HIGHEST_TEMPERATURE,
    LOWEST_TEMPERATURE,
    Saturation,
    liquid_density,
    saturation,
    vapour_pressure,
)
from geoflow.physics.orifices import effective_pressure, mass_flow
from geoflow.physics.roots import rising_root

__all__ = [
    "EDGE",
    "FLOW_BAND",
    "RELAXATION_LENGTHS",
    "SLACK",
    "TESTED_DIAMETER",
    "TESTED_LENGTH",
    "TESTED_PROPORTION",
    "TESTED_SUBCOOLING",
    "Band",
    "Validity",
    "relaxed_flash_weights",
    "solved_throat_pressure",
    "throat_pressure",
    "tube_coefficient",
    "tube_drift",
    "tube_flow",
    "tube_flow_bounds",
    "validity",
]

# C at a length of six diameters and its fall with the logarithm; both, and the band, from tests/short_tube_fit.py.
_COEFFICIENT, _FALL = 0.80, 0.145
# Two standard deviations of the flow: the fit about the correlations, the correlations about their data, and how far
# ammonia moves if flashing is a little quicker or slower than Henry and Fauske have it.
FLOW_BAND: Final = 0.18
# Twice as far below boiling, or some kelvin warmer, the flow of one and the same tube over the fitted flow has moved by
# no more than this in nineteen of twenty pairs of states, in both correlations (tests).
_DRIFT_LEAST, _DRIFT_DOUBLING, _DRIFT_WARMTH = 0.02, 0.09, 0.004
EDGE: Final = 3e3
"""Over which the bounds pass from narrow to wide at the ends of the tests, on the narrow side [Pa]."""
# Temperatures and pressures over boiling at which the throat pressure is tabulated.
_TABLE_TEMPERATURES, _TABLE_PRESSURES, _MOST_OVER, _GRAIN = 111, 256, 1.2e7, 2e4
# Equilibrium quality at which flashing keeps up with the fall of pressure (Henry and Fauske).
_QUALITY_IN_STEP: Final = 0.14

# Length over diameter [-], diameter and length [m], subcooling [K]. Diameter and length are those of the tubes tested
# (Payne and O'Neal, abstract); the other two are where the fit was made.
TESTED_PROPORTION: Final = (5.0, 19.0)
TESTED_DIAMETER: Final = (1.09e-3, 1.94e-3)
TESTED_LENGTH: Final = (9.5e-3, 25.4e-3)
TESTED_SUBCOOLING: Final = (2.0, 14.0)
SLACK: Final = 0.001
"""Share by which a bore may lie outside of these, for lengths that come from thousandths of an inch."""

# Length over which flashing catches up in those tubes, in the length-weighted model at a coefficient of 0.80: a tenth
# of the flows lies below the first, half below the second, nine tenths below the third [m].
RELAXATION_LENGTHS: Final = (0.002, 0.008, 0.019)


@dataclass(frozen=True, slots=True)
class Validity:
    """Which conditions lie inside what refrigerants were tested at; ammonia itself never was.

    Attributes
    ----------
    proportion, diameter, length, subcooling : ndarray of bool
        Length over diameter, diameter and length of the bore, and the liquid's temperature below boiling.
    """

    proportion: BoolArray
    diameter: BoolArray
    length: BoolArray
    subcooling: BoolArray

    @property
    def bore(self) -> BoolArray:
        """The orifice itself is like those tested."""
        return np.asarray(self.proportion & self.diameter & self.length)


def _within(value: Floats, ends: tuple[float, float]) -> BoolArray:
    return np.asarray((np.asarray(value) >= ends[0] * (1.0 - SLACK)) & (np.asarray(value) <= ends[1] * (1.0 + SLACK)))


def _like_those_tested(land: Floats, diameter: Floats) -> BoolArray:
    proportion = np.asarray(land) / np.asarray(diameter)
    fits = _within(proportion, TESTED_PROPORTION) & _within(diameter, TESTED_DIAMETER) & _within(land, TESTED_LENGTH)
    return np.asarray(fits)


def _tested_pressures(saturated: Saturation) -> list[FloatArray]:
    """Least and greatest pressure [Pa] at which the liquid is as far below boiling as in the tests."""
    # At the warm end of the table the range shrinks to nothing, which is the safe side.
    return [vapour_pressure(saturated.temperature + kelvin) for kelvin in TESTED_SUBCOOLING]


def validity(saturated: Saturation, pressure: Floats, land: Floats, diameter: Floats) -> Validity:
    """Whether refrigerants were tested in such a bore and so far below boiling.

    Parameters
    ----------
    saturated : Saturation
        Of the liquid before the orifice.
    pressure : array_like
        Before the orifice, absolute [Pa].
    land, diameter : array_like
        Length and diameter of the bore [m].
    """
    first, last = _tested_pressures(saturated)
    return Validity(
        _within(np.asarray(land) / np.asarray(diameter), TESTED_PROPORTION),
        _within(diameter, TESTED_DIAMETER),
        _within(land, TESTED_LENGTH),
        np.asarray((pressure >= first) & (pressure <= last)),
    )


def solved_throat_pressure(saturated: Saturation, pressure: Floats) -> FloatArray:
    """Pressure in the throat of a choked bore fed with subcooled liquid, absolute [Pa].

    Henry and Fauske (1971) with a subcooled inlet: the Pt on the saturation line at which the flux of the liquid
    equals the critical flux,

        2 rho0 (P0 - Pt) = (sg - sl) / ((vg - v0) N dsl/dP),   N = min(x / 0.14, 1),   x = (s0 - sl) / (sg - sl).

    The entropy step of boiling and the slopes follow from Clapeyron and Maxwell. Within 1e-4 of the same equation
    solved with CoolProp's entropies, -20 to 120 degF and 0.5 to 20 K below boiling (tests).

    Parameters
    ----------
    saturated : Saturation
        Of the liquid before the orifice.
    pressure : array_like
        Before the orifice, absolute [Pa], broadcasting against `saturated`. At and below the vapour pressure the value
        of just boiling liquid comes back.
    """
    before = np.maximum(np.asarray(pressure, dtype=np.float64), saturated.pressure)
    density = liquid_density(saturated, before)
    # Maxwell: (ds/dP) at constant temperature is less the expansivity times the volume.
    squeezed = saturated.liquid_expansivity / saturated.liquid_density * (before - saturated.pressure)
    entropy = saturated.liquid_entropy - squeezed

    def short_of_critical(temperature: FloatArray) -> FloatArray:
        throat = saturation(temperature)
        boiling = (throat.vapour_enthalpy - throat.liquid_enthalpy) / temperature
        liquid = 1.0 / throat.liquid_density
        slope = boiling / (1.0 / throat.vapour_density - liquid)  # of the vapour pressure: Clapeyron
        entropy_slope = throat.liquid_heat_capacity / temperature / slope - throat.liquid_expansivity * liquid
        lag = np.clip((entropy - throat.liquid_entropy) / boiling / _QUALITY_IN_STEP, 0.0, 1.0)
        growth = (1.0 / throat.vapour_density - 1.0 / density) * lag * entropy_slope / boiling
        return np.asarray(1.0 - 2.0 * density * (before - throat.pressure) * growth)

    shape = np.broadcast_shapes(before.shape, saturated.temperature.shape)
    low, high = np.full(shape, LOWEST_TEMPERATURE), np.broadcast_to(saturated.temperature, shape)
    return saturation(rising_root(short_of_critical, low, high, tolerance=1e-9)).pressure


@functools.cache
def _throat_table() -> FloatArray:
    """Throat over vapour pressure, over even temperatures and logarithms of the pressure over boiling."""
    liquid = saturation(np.linspace(LOWEST_TEMPERATURE, HIGHEST_TEMPERATURE, _TABLE_TEMPERATURES)[:, None])
    over = _GRAIN * np.expm1(np.linspace(0.0, np.log1p(_MOST_OVER / _GRAIN), _TABLE_PRESSURES))
    return solved_throat_pressure(liquid, liquid.pressure + over) / liquid.pressure


def throat_pressure(saturated: Saturation, pressure: Floats) -> FloatArray:
    """`solved_throat_pressure` from a table of it, as a bar asks for it often; within 1e-4 (tests).

    Parameters
    ----------
    saturated : Saturation
        Of the liquid before the orifice.
    pressure : array_like
        Before the orifice, absolute [Pa], broadcasting against `saturated`. At and below the vapour pressure the value
        of just boiling liquid comes back.
    """
    table = _throat_table()
    over = np.clip(np.asarray(pressure, dtype=np.float64) - saturated.pressure, 0.0, _MOST_OVER)
    across = np.log1p(over / _GRAIN) / np.log1p(_MOST_OVER / _GRAIN) * (_TABLE_PRESSURES - 1)
    span = HIGHEST_TEMPERATURE - LOWEST_TEMPERATURE
    along = (saturated.temperature - LOWEST_TEMPERATURE) / span * (_TABLE_TEMPERATURES - 1)
    row = np.minimum(along.astype(np.int64), _TABLE_TEMPERATURES - 2)
    column = np.minimum(across.astype(np.int64), _TABLE_PRESSURES - 2)
    down, right = along - row, across - column
    cold = table[row, column] * (1.0 - right) + table[row, column + 1] * right
    warm = table[row + 1, column] * (1.0 - right) + table[row + 1, column + 1] * right
    return np.asarray((cold * (1.0 - down) + warm * down) * saturated.pressure)


def tube_coefficient(land: Floats, diameter: Floats) -> FloatArray:
    """Discharge coefficient C [-] of a sharp-edged bore, falling with length over diameter.

    Fitted between 5 and 19 diameters. Beyond, the same line goes on, a guess on the low side, down to 0.3 (at 190
    diameters, longer than any row orifice).

    Parameters
    ----------
    land, diameter : array_like
        Length and diameter of the bore [m].
    """
    proportion = np.asarray(land, dtype=np.float64) / np.asarray(diameter, dtype=np.float64)
    return np.asarray(np.maximum(_COEFFICIENT - _FALL * np.log(proportion / 6.0), 0.3))


def tube_flow(
    saturated: Saturation, pressure: Floats, back_pressure: Floats, land: Floats, diameter: Floats
) -> FloatArray:
    """Central ammonia flow through one long bore [kg/s], anywhere; what it is worth, `validity` and `FLOW_BAND` say.

    Parameters
    ----------
    saturated : Saturation
        Of the liquid before the orifice.
    pressure, back_pressure : array_like
        Before and just below the orifice, absolute [Pa].
    land, diameter : array_like
        Length and diameter of the bore [m].
    """
    effective = np.maximum(throat_pressure(saturated, pressure), np.asarray(back_pressure, dtype=np.float64))
    density = liquid_density(saturated, pressure)
    return mass_flow(pressure, effective, density, diameter, tube_coefficient(land, diameter))


def tube_drift(margin: Floats, temperature: Floats, margin_there: Floats, temperature_there: Floats) -> FloatArray:
    """How far a tube's flow over `tube_flow` may have moved from one state to another, either way [-].

    Nine percent for each doubling of the margin and four for ten kelvin, as a root of squares, and two percent: it
    holds 19 of 20 pairs of states of both correlations (tests/short_tube_fit.py).

    Parameters
    ----------
    margin, margin_there : array_like
        Pressure over boiling at the two [Pa].
    temperature, temperature_there : array_like
        Of the liquid at the two [K].
    """
    doublings = np.log2(np.maximum(margin, 1.0) / np.maximum(margin_there, 1.0))
    warmer = np.asarray(temperature) - np.asarray(temperature_there)
    return np.asarray(_DRIFT_LEAST + np.hypot(_DRIFT_DOUBLING * doublings, _DRIFT_WARMTH * warmer))


Band: TypeAlias = Callable[[Saturation, FloatArray], tuple[Floats, Floats]]
"""Least and greatest flow over `tube_flow` [-] of a liquid at a pressure, within the tests."""


def _whole_band(saturated: Saturation, pressure: FloatArray) -> tuple[Floats, Floats]:
    return 1.0 - FLOW_BAND, 1.0 + FLOW_BAND


def tube_flow_bounds(
    saturated: Saturation,
    pressure: Floats,
    back_pressure: Floats,
    land: Floats,
    diameter: Floats,
    coefficients: tuple[float, float],
    band: Band = _whole_band,
) -> FloatArray:
    """Least, central and greatest ammonia flow through one bore [kg/s].

    Where refrigerants were tested, `tube_flow` less and more `FLOW_BAND`. Elsewhere the wider of that and of what any
    orifice may do (b = 0 to 1), only that flow never falls as the pressure before the orifice rises: what is certain
    at 14 K below boiling is certain at 20 K too, and what cannot pass at 2 K cannot at 1 K. Bores shorter than five
    diameters have the bounds of any orifice. All three rise with pressure, the outer two steeply at 2 and 14 K, where
    one bound passes into the other over `EDGE`.

    Parameters
    ----------
    saturated : Saturation
        Of the liquid before the orifice.
    pressure, back_pressure : array_like
        Before and just below the orifice, absolute [Pa].
    land, diameter : array_like
        Length and diameter of the bore [m].
    coefficients : tuple of float
        Least and greatest discharge coefficient [-] the orifice is stated to have. A long bore may have less: the
        lower bound takes the smaller of the first and of `tube_coefficient`.
    band : callable, optional
        What measured points leave of the band where refrigerants were tested, as shares of `tube_flow` [-].

    Returns
    -------
    ndarray, shape (3, ...)
    """
    before = np.asarray(pressure, dtype=np.float64)
    bore = _like_those_tested(land, diameter)
    density = liquid_density(saturated, before)
    fitted = tube_coefficient(land, diameter)

    def orifice(coefficient: Floats, weight: float) -> FloatArray:
        effective = effective_pressure(back_pressure, saturated.pressure, weight)
        return mass_flow(before, effective, density, diameter, coefficient)

    any_low, any_high = orifice(np.minimum(coefficients[0], fitted), 1.0), orifice(coefficients[1], 0.0)
    central = tube_flow(saturated, before, back_pressure, land, diameter)
    wide_low = np.minimum(central * (1.0 - FLOW_BAND), any_low)
    wide_high = np.maximum(central * (1.0 + FLOW_BAND), any_high)
    first, last = _tested_pressures(saturated)
    # Within the tests, and held at their ends beyond them.
    within = np.clip(before, first, last)
    least, most = band(saturated, within)
    tested = central if (within == before).all() else tube_flow(saturated, within, back_pressure, land, diameter)
    low, high = tested * least, tested * most
    # Closer to boiling than the tests only the upper bound tells anything, further from it only the lower one.
    inside_low = np.clip((before - first) / EDGE, 0.0, 1.0)
    inside_high = np.clip((last - before) / EDGE, 0.0, 1.0)
    low = wide_low + inside_low * np.maximum(low - wide_low, 0.0)
    high = wide_high + inside_high * np.minimum(high - wide_high, 0.0)
    low, high = np.where(bore, low, wide_low), np.where(bore, high, wide_high)
    stubby = np.asarray(land) / np.asarray(diameter) < TESTED_PROPORTION[0] * (1.0 - SLACK)
    low, high = np.where(stubby, any_low, low), np.where(stubby, any_high, high)
    likely = central * 0.5 * (np.asarray(least) + np.asarray(most))
    return np.stack([low, np.clip(likely, low, high), high])


def relaxed_flash_weights(
    land: Floats,
    coefficient: Floats,
    density: Floats,
    vapour_pressure: Floats,
    back_pressure: Floats,
    flux_limit: Floats,
) -> FloatArray:
    """Least, central and greatest likely flashing weight [-] of a bore of any length; nothing is certain of it.

    The length-weighted model with the relaxation lengths that refrigerants in short tubes imply, in place of the 0.1 m
    it was published with: x = (L / Lr) 2 Cd^2 rho (Ps - Pb) / G^2, b = x / (1 + x).

    Parameters
    ----------
    land : array_like
        Length of the bore L [m].
    coefficient, density, vapour_pressure, back_pressure : array_like
        [-], [kg/m3], [Pa], [Pa].
    flux_limit : array_like
        Equilibrium-rate flux G of the saturated liquid [kg/m2 s].

    Returns
    -------
    ndarray, shape (3, ...)
    """
    head = np.maximum(np.asarray(vapour_pressure, dtype=np.float64) - back_pressure, 0.0)
    reach = np.asarray(land, dtype=np.float64) * 2.0 * np.square(coefficient) * density * head / np.square(flux_limit)
    return np.stack([np.asarray(reach / (reach + length)) for length in reversed(RELAXATION_LENGTHS)])
