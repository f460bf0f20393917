"""What remains possible of an orifice as a few ways that bound it, for the bar file."""

from __future__ import annotations

from typing import Final

import numpy as np

from geoflow.bar.learned import OrificeWay
from geoflow.base.arrays import FloatArray
from geoflow.base.units import PSI
from geoflow.diagnosis.learning import COLUMNS, Posterior
from geoflow.hydraulics.learned_ways import margin_doublings
from geoflow.physics.ammonia import saturation

__all__ = ["bounding_ways", "flow_factors", "likely_way", "spread_ways"]

# Standard deviations to the edge of a region that holds 95 % of three unknowns together (chi-squared 7.81): level,
# slope over the margin, and temperature.
_EDGE: Final = 2.80
_TAIL: Final = 0.02
# Beyond the temperatures it was learned at [K], and beyond the margins, as factors; further away nothing is promised
# but that it goes on like that.
_COLDER: Final = 10.0
_FURTHER: Final = 2.0
_ENOUGH: Final = 0.002


def _ways(posterior: Posterior) -> FloatArray:
    """Draws as ways of the orifice, shape (n, 5): logarithm of the coefficient, weight, rise, warming, below."""
    return posterior.draws[:, [COLUMNS.index(name) for name in ("coefficient", "weight", "rise", "warming", "below")]]


def flow_factors(
    ways: FloatArray, posterior: Posterior, margin: FloatArray, temperature: FloatArray, below: FloatArray
) -> FloatArray:
    """Logarithm of Cd sqrt(P - Pe) of ways at some conditions.

    Parameters
    ----------
    ways : ndarray, shape (n, 5)
        Logarithm of the coefficient, weight, rise, warming, pressure below over the row hose's.
    posterior : Posterior
        For its reference.
    margin, temperature, below : ndarray, shape (k,)
        Liquid margin [Pa], temperature [K] and pressure below by the row hose [Pa].

    Returns
    -------
    ndarray, shape (n, k)
    """
    log_c, weight, rise, warming, off = (ways[:, at, None] for at in range(5))
    vapour = saturation(temperature).pressure
    under = below + off
    weight = weight + rise * margin_doublings(margin, posterior.margin)
    weight = np.clip(weight + warming * (temperature - posterior.temperature), 0.0, 1.0)
    drive = vapour + margin - under - weight * np.maximum(vapour - under, 0.0)
    return np.asarray(log_c + 0.5 * np.log(np.maximum(drive, 0.1 * PSI)))


def _as_way(row: FloatArray) -> OrificeWay:
    return OrificeWay(float(np.exp(row[0])), *(float(value) for value in row[1:]))


def likely_way(posterior: Posterior) -> OrificeWay:
    """Return the mean of what remains possible.

    Parameters
    ----------
    posterior : Posterior
        From `learning.fit`.
    """
    return _as_way(_ways(posterior).mean(axis=0))


def spread_ways(posterior: Posterior) -> tuple[OrificeWay, ...]:
    """Directions in which it may stray from the likely way, one standard deviation each, the widest first.

    Parameters
    ----------
    posterior : Posterior
        From `learning.fit`.
    """
    ways = _ways(posterior)
    scale = ways.std(axis=0) + 1e-12
    sizes, directions = np.linalg.eigh(np.cov((ways / scale).T))
    coefficient = float(np.exp(ways[:, 0].mean()))
    found = []
    for size, direction in zip(sizes[::-1], directions.T[::-1], strict=True):
        row = direction * np.sqrt(max(size, 0.0)) * scale
        found.append(OrificeWay(coefficient * float(row[0]), *(float(value) for value in row[1:])))
    return tuple(found)


def bounding_ways(
    posterior: Posterior, margins: tuple[float, float], temperatures: tuple[float, float], below: float
) -> tuple[OrificeWay, ...]:
    """Ways that bound the flow of what remains possible, at the margins and temperatures it was learned at and beyond.

    At each condition the least and the greatest flow at the edge of the region, by the way that leads there; only
    those are kept without which the bounds would come nearer by 0.2 % somewhere.

    Parameters
    ----------
    posterior : Posterior
        From `learning.fit`.
    margins, temperatures : tuple of float
        Least and greatest it was learned at [Pa], [K].
    below : float
        Usual pressure below the orifices by the row hose [Pa].
    """
    low, high = (float(np.clip(one, 2.0 * PSI, None)) for one in margins)
    span = np.geomspace(min(low / _FURTHER, 4.0 * PSI), high * _FURTHER, 7)
    kelvin = np.array([temperatures[0] - _COLDER, *temperatures, temperatures[1] + _COLDER])
    kelvin = np.clip(kelvin, 235.0, 330.0)
    margin, temperature = (grid.ravel() for grid in np.meshgrid(span, kelvin))
    at = np.full(margin.size, below)
    ways = _ways(posterior)
    flows = flow_factors(ways, posterior, margin, temperature, at)
    centre = flows.mean(axis=0)
    edges, leading = [], []
    for side in (-1.0, 1.0):
        apart = side * (flows - centre)
        # A region may be lopsided where the weight meets 0 or 1.
        reach = np.sqrt(2.0 * np.mean(np.square(np.maximum(apart, 0.0)), axis=0)) * _EDGE
        furthest = np.argpartition(apart, -int(_TAIL * len(ways)), axis=0)[-int(_TAIL * len(ways)) :]
        for place in range(margin.size):
            way = ways[furthest[:, place]].mean(axis=0)
            here = flow_factors(way[None], posterior, margin[[place]], temperature[[place]], at[:1])[0, 0]
            way[0] += centre[place] + side * reach[place] - here
            leading.append(way)
        edges.append(centre + side * reach)
    corners = np.array(leading)
    passed = flow_factors(corners, posterior, margin, temperature, at)
    return tuple(_as_way(corners[one]) for one in _fewest(passed, edges[0], edges[1]))


def _fewest(passed: FloatArray, low: FloatArray, high: FloatArray) -> list[int]:
    """Places of a few corners whose flows, shape (corners, conditions), come within the tolerance of both edges."""
    kept: list[int] = []
    reached_low, reached_high = np.full(low.size, np.inf), np.full(low.size, -np.inf)
    for _ in range(len(passed)):
        short = np.concatenate([reached_low - low, high - reached_high])
        worst = int(np.argmax(short))
        if short[worst] <= _ENOUGH:
            break
        kept.append(worst)
        reached_low, reached_high = np.minimum(reached_low, passed[worst]), np.maximum(reached_high, passed[worst])
    return kept
