"""Liquid ammonia through a fixed row orifice that flashes below it.

The flow is that of a liquid driven by the pressure upstream less an *effective* pressure downstream::

    m = Cd A sqrt(2 rho (P0 - Pe)),     Pe = Pb + b (Ps - Pb)

with the flashing weight b between 0 (a thin plate: the jet stays a metastable liquid and feels the hose pressure Pb)
and 1 (a long land: equilibrium, the flow chokes at the vapour pressure Ps). b = 1 is the high-subcooling branch of
the omega method (API 520-I, Annex C); closer to saturation than its transition the true equilibrium flow is larger,
so b = 1 stays a lower bound there too. No published test settles b for ammonia in holes of 1 to 4 mm; that is why it is
carried as a bound and not as a number.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray, Floats, distinct

__all__ = [
    "clip_coefficients",
    "coefficient_line",
    "effective_pressure",
    "mass_flow",
    "upstream_pressure",
]


_LEAST_DRIVE: Final = 1.0  # [Pa]


def effective_pressure(back_pressure: Floats, vapour_pressure: Floats, flash_weight: Floats) -> FloatArray:
    """Pressure that the flow through the orifice seems to run into, absolute [Pa].

    Parameters
    ----------
    back_pressure, vapour_pressure : array_like
        Just below the orifice and of the liquid above it, absolute [Pa].
    flash_weight : array_like
        b [-], 0 to 1.
    """
    below = np.asarray(back_pressure, dtype=np.float64)
    rise = np.maximum(np.asarray(vapour_pressure, dtype=np.float64) - below, 0.0)
    return below + np.asarray(flash_weight, dtype=np.float64) * rise


def mass_flow(
    pressure: Floats,
    effective: Floats,
    density: Floats,
    diameter: Floats,
    coefficient: Floats,
) -> FloatArray:
    """Ammonia through one orifice [kg/s]; zero where nothing drives it.

    Parameters
    ----------
    pressure : array_like
        Upstream, absolute [Pa].
    effective : array_like
        From `effective_pressure` [Pa].
    density : array_like
        Of the liquid upstream [kg/m3].
    diameter : array_like
        Bore [m]; the bore is taken as small against the line before it.
    coefficient : array_like
        Discharge coefficient [-].
    """
    drive = np.maximum(np.asarray(pressure, dtype=np.float64) - effective, 0.0)
    area = 0.25 * np.pi * np.square(np.asarray(diameter, dtype=np.float64))
    return np.asarray(coefficient * area * np.sqrt(2.0 * np.asarray(density) * drive))


def upstream_pressure(
    flow: Floats,
    effective: Floats,
    density: Floats,
    diameter: Floats,
    coefficient: Floats,
) -> FloatArray:
    """Absolute pressure [Pa] that pushes a flow through one orifice: `mass_flow` the other way round.

    Parameters
    ----------
    flow : array_like
        Ammonia through one orifice [kg/s].
    effective, density, diameter, coefficient : array_like
        As for `mass_flow` [Pa], [kg/m3], [m], [-].
    """
    area = 0.25 * np.pi * np.square(np.asarray(diameter, dtype=np.float64))
    flux = np.asarray(flow, dtype=np.float64) / (np.asarray(coefficient) * area)
    return np.asarray(effective + np.square(flux) / (2.0 * np.asarray(density)))


def coefficient_line(
    flow: float, pressure: float, vapour_pressure: float, back_pressure: float, density: float, diameter: float
) -> tuple[float, float, float]:
    """One measurement as a straight line in the plane of u = Cd^2 and w = Cd^2 b.

    The squared flow is linear in u and w, so what a measurement leaves open is a band between two parallel lines, and
    the extremes of any other flow lie at the corners of what all measurements leave open.

    Parameters
    ----------
    flow : float
        Through one orifice [kg/s].
    pressure, vapour_pressure, back_pressure : float
        Absolute [Pa].
    density, diameter : float
        [kg/m3], [m].

    Returns
    -------
    tuple of float
        a, c, k of the line a u - c w = k, scaled so that a = 1.
    """
    area = 0.25 * np.pi * diameter**2
    # Where what lies below may be more than what lies above, no coefficient is too great.
    drive = max(pressure - back_pressure, _LEAST_DRIVE)
    head = max(vapour_pressure - back_pressure, 0.0)
    return 1.0, head / drive, (flow / area) ** 2 / (2.0 * density) / drive


def clip_coefficients(corners: FloatArray, line: tuple[float, float, float], *, keep_below: bool) -> FloatArray:
    """Cut a convex set of (Cd^2, Cd^2 b) by one line.

    Parameters
    ----------
    corners : ndarray, shape (n, 2)
        Corners in order round the set; one corner (a point) or two (a stretch) will do.
    line : tuple of float
        a, c, k as from `coefficient_line`.
    keep_below : bool
        Keep a u - c w <= k, otherwise >= k.

    Returns
    -------
    ndarray, shape (m, 2)
        Corners of what is left; m = 0 where nothing is.
    """
    a, c, k = line
    sign = 1.0 if keep_below else -1.0
    excess = sign * (a * corners[:, 0] - c * corners[:, 1] - k)
    kept: list[FloatArray] = []
    for index, here in enumerate(corners):
        following = (index + 1) % len(corners)
        if excess[index] <= 0.0:
            kept.append(here)
        if np.sign(excess[index]) * np.sign(excess[following]) < 0.0:
            share = excess[index] / (excess[index] - excess[following])
            kept.append(here + share * (corners[following] - here))
    return distinct(np.array(kept).reshape(-1, 2), axis=0) if len(corners) < 3 else np.array(kept).reshape(-1, 2)
