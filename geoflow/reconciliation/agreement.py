"""How well what went down agrees with what was asked for, weighted by area."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from geoflow.base.arrays import FloatArray, Floats
from geoflow.base.errors import RangeError

__all__ = ["BANDS", "Agreement", "Spread", "agreement", "spread", "within"]

# Edges of the bands in which ground is off its target [-].
BANDS: Final = (0.02, 0.05, 0.10, 0.20)
# Bins of the rates, and the widths they may have: 1, 2 or 5 times a power of ten of the given unit.
_BINS: Final = 25
# A record just at the edge of a share must not fall out by rounding.
_ROUNDING: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Agreement:
    """Agreement of applied with target over an area; NaN throughout where no area is known.

    Every moment divides by the weight itself (1/n, not 1/(n-1)): cutting a record in two changes nothing.

    Attributes
    ----------
    area : float
        Weight of the records compared [m2].
    area_unknown : float
        Weight of the records left out, because applied or target is missing [m2].
    applied_mean, target_mean : float
        Means [kg/m2].
    bias : float
        Mean of applied less target [kg/m2].
    mae, rmse : float
        Mean absolute and root mean square difference [kg/m2].
    spread : float
        Standard deviation of the difference [kg/m2].
    lower_limit, upper_limit : float
        Limits of agreement, bias -/+ 1.96 spread [kg/m2] (Bland and Altman 1986, who took 2).
    concordance : float
        Lin (1989): 2 s_xy / (s_x^2 + s_y^2 + (mx - my)^2) [-]; NaN where the target has no spread to follow.
    within_5, within_10, within_20 : float
        Share of the weight off by no more than 5, 10 and 20 % of its target [-].
    """

    area: float
    area_unknown: float
    applied_mean: float
    target_mean: float
    bias: float
    mae: float
    rmse: float
    spread: float
    lower_limit: float
    upper_limit: float
    concordance: float
    within_5: float
    within_10: float
    within_20: float


def within(applied: Floats, target: Floats, share: float) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Whether applied is off by no more than a share of its target; where nothing was asked, only nothing is.

    Parameters
    ----------
    applied, target : array_like
        One unit of rate [kg/m2].
    share : float
        [-]
    """
    asked = np.asarray(target, dtype=np.float64)
    return np.asarray(np.abs(np.asarray(applied) - asked) <= (share + _ROUNDING) * np.abs(asked))


def agreement(applied: FloatArray, target: FloatArray, weight: FloatArray) -> Agreement:
    """Compare applied with target.

    Parameters
    ----------
    applied, target : ndarray, shape (n,)
        Nitrogen rates [kg/m2]; records where either is NaN are left out, and their weight is returned.
    weight : ndarray, shape (n,)
        Area each record stands for [m2].

    Raises
    ------
    RangeError
        If an area is negative or no number.
    """
    if not np.all((weight >= 0.0) & (weight < np.inf)):
        raise RangeError("an area is negative or no number", where="weight", cure="leave such records out first")
    known = np.isfinite(applied) & np.isfinite(target)
    area, unknown = float(weight[known].sum()), float(weight[~known].sum())
    if area <= 0.0:
        return Agreement(area, unknown, *(np.nan,) * 12)
    if known.all():
        x, y, share = target, applied, weight / area
    else:
        x, y, share = target[known], applied[known], weight[known] / area

    def mean(values: npt.NDArray[Any]) -> float:
        # Not by BLAS, whose threads wait for each other longer than they work.
        return float(np.einsum("r,r", share, values))

    mean_x, mean_y = mean(x), mean(y)
    gap = y - x
    off, asked = np.abs(gap), np.abs(x)
    bias = mean(gap)
    spread = math.sqrt(mean(np.square(gap - bias)))
    common = mean((x - mean_x) * (y - mean_y))
    spread_x = mean(np.square(x - mean_x))
    whole = spread_x + mean(np.square(y - mean_y)) + (mean_x - mean_y) ** 2
    # What rounding alone makes of a constant is no spread.
    constant = spread_x <= (1e-9 * max(abs(mean_x), abs(mean_y))) ** 2
    return Agreement(
        area,
        unknown,
        mean_y,
        mean_x,
        bias,
        mean(off),
        math.sqrt(mean(np.square(gap))),
        spread,
        bias - 1.96 * spread,
        bias + 1.96 * spread,
        np.nan if constant else 2.0 * common / whole,
        *(mean(off <= (near + _ROUNDING) * asked) for near in (0.05, 0.10, 0.20)),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Spread:
    """How rates asked and given spread over the ground compared, and how far off it is.

    Attributes
    ----------
    edges : ndarray, shape (bins + 1,)
        Of the bins of rate [kg/m2].
    asked, given : ndarray, shape (bins,)
        Ground by the rate asked for and by the rate it got [m2]; each adds up to the ground compared.
    under, over : ndarray, shape (bands + 1,)
        Share of it that got too little, too much, by how far off it is [-]: within the first of `BANDS`, between
        each and the next, beyond the last. Ground exactly on target is over by nothing. All add up to 1.
    """

    edges: FloatArray
    asked: FloatArray
    given: FloatArray
    under: FloatArray
    over: FloatArray


def spread(applied: FloatArray, target: FloatArray, weight: FloatArray, *, unit: float) -> Spread | None:
    """Spread of the rates over the ground that has both; None where none has.

    Parameters
    ----------
    applied, target : ndarray, shape (n,)
        Nitrogen rates [kg/m2].
    weight : ndarray, shape (n,)
        [m2]
    unit : float
        Rate [kg/m2] of which the bins are 1, 2 or 5 times a power of ten wide: at most 25 of them.
    """
    known = np.isfinite(applied) & np.isfinite(target) & (weight > 0.0)
    if not known.any():
        return None
    asked, given, area = target[known], applied[known], weight[known]
    most = max(float(asked.max()), float(given.max()), unit) / unit
    least = 10.0 ** np.floor(np.log10(most / _BINS))
    width = next(times * least for times in (1.0, 2.0, 5.0, 10.0) if most < times * least * _BINS)
    edges = unit * width * np.arange(np.floor(most / width + _ROUNDING) + 2.0)
    # A rate on an edge belongs to the bin above it, whatever rounding made of it.
    in_asked, in_given = (
        np.bincount(np.floor(rates / (unit * width) + 1e-6).astype(np.int64), area, edges.size - 1)
        for rates in (np.maximum(asked, 0.0), np.maximum(given, 0.0))
    )
    band = np.sum([~within(given, asked, share) for share in BANDS], axis=0)
    short = given < asked
    under, over = (np.bincount(band[side], area[side], len(BANDS) + 1) / area.sum() for side in (short, ~short))
    return Spread(edges, in_asked.astype(np.float64), in_given.astype(np.float64), under, over)
