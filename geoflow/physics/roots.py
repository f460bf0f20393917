"""Roots of many rising functions at once."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray, Floats

__all__ = ["rising_root"]

# Steps end where the last quadratic one came so close to the root (relative), left so small a share of the value, and
# the next is so many tolerances long: the error after it is less than a tolerance.
_CLOSE: Final = 1e-4
_SHRINKS: Final = 1e-3
_LAST: Final = 1e3
_OFF_ENDS: Final = 0.01  # share of a bracket that the first step keeps from either end


def rising_root(
    function: Callable[[FloatArray], FloatArray],
    low: Floats,
    high: Floats,
    *,
    tolerance: float = 1e-12,
    rounds: int = 100,
) -> FloatArray:
    """Where an elementwise rising function is zero, between two ends.

    Chandrupatla's bracketing method (Adv. Eng. Software 28 (1997) 145-149): inverse quadratic steps where they are
    safe, bisection elsewhere; the first step is along the straight line between the ends. scipy's elementwise solver
    finds the same roots (tests), but drops finished elements on the way, which functions that carry arrays of their own
    cannot follow.

    Parameters
    ----------
    function : callable
        Takes and returns an array of the brackets' shape; does not fall anywhere between the ends.
    low, high : array_like
        Ends of the brackets, one shape after broadcasting.
    tolerance : float
        Width of the bracket, relative to its greater end, at which an element is done.
    rounds : int
        Most evaluations.

    Returns
    -------
    ndarray
        The root; the low end where the function is positive throughout, the high end where it is negative.
    """
    far, near = (np.array(end, dtype=np.float64) for end in np.broadcast_arrays(low, high))
    f_far, f_near = function(far), function(near)
    outside = np.where(f_far >= 0.0, far, np.where(f_near <= 0.0, near, np.nan))
    done = ~np.isnan(outside)
    found = outside.copy()
    rise = np.where(done, 1.0, f_near - f_far)
    share = np.where(done, 0.5, np.minimum(np.maximum(f_near / rise, _OFF_ENDS), 1.0 - _OFF_ENDS))
    leapt = np.zeros(found.shape, dtype=np.bool_)
    for _ in range(rounds):
        if done.all():
            break
        trial = near + share * (far - near)
        f_trial, before, f_before = function(trial), near, f_near
        same = np.signbit(f_trial) == np.signbit(f_near)
        third, f_third = np.where(same, near, far), np.where(same, f_near, f_far)
        far, f_far = np.where(same, far, near), np.where(same, f_far, f_near)
        near, f_near = trial, f_trial
        best = np.where(np.abs(f_far) < np.abs(f_near), far, near)
        reach = far - near
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            least = tolerance * np.abs(best) / np.abs(reach)
            finished = ~done & ((least > 0.5) | (f_near == 0.0))
            found[finished] = best[finished]
            done |= finished
            xi = (near - far) / (third - far)
            phi = (f_near - f_far) / (f_third - f_far)
            quadratic = (np.square(phi) < xi) & (np.square(1.0 - phi) < 1.0 - xi)
            step = f_near / (f_far - f_near) * f_third / (f_far - f_third) + (third - near) / (far - near) * f_near / (
                f_third - f_near
            ) * f_far / (f_third - f_far)
            # Close to the root, where steps shrink faster and faster, one that hardly moves any more is the last.
            slope = np.minimum(np.abs((f_far - f_near) / reach), np.abs((f_third - f_near) / (third - near)))
            last, moved = np.maximum(np.abs(step * reach), np.abs(f_near) / slope), np.abs(near - before)
            shrinks = (np.abs(f_near) <= _SHRINKS * np.abs(f_before)) & (last <= _SHRINKS * moved)
            is_close = (moved <= _CLOSE * np.abs(near)) & (last <= _LAST * tolerance * np.abs(near))
            finished = ~done & leapt & quadratic & (step >= 0.0) & shrinks & is_close
            found[finished] = (near + step * reach)[finished]
            done |= finished
        leapt = quadratic & (step > least)
        share = np.where(quadratic & np.isfinite(step), np.minimum(np.maximum(step, least), 1.0 - least), 0.5)
    return np.where(np.isnan(found), near, found)
