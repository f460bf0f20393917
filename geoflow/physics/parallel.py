"""Lines side by side: how a flow divides where all of them lose the same pressure."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray, Floats

__all__ = ["parallel_flows"]

_TURNS: Final = 12
_LEAST: Final = 1e-12


def parallel_flows(
    flow: Floats, losses: Sequence[Callable[[FloatArray], FloatArray]], alike: Sequence[Hashable] | None = None
) -> FloatArray:
    """Divide a flow over lines between the same two places, shape (lines, ...) [kg/s].

    Each takes a share that goes with 1 / sqrt(loss over its squared flow); as friction factors change little with the
    flow, twelve turns leave less than a millionth. Lines that are alike share evenly, and one loss tells for them all.

    Parameters
    ----------
    flow : array_like
        Through all of them [kg/s].
    losses : sequence of callable
        Pressure each line loses [Pa] at a flow [kg/s]; not falling.
    alike : sequence of hashable, optional
        What each line is [-]: those that are equal lose the same. Without it no two are taken to be alike.
    """
    whole = np.asarray(flow, dtype=np.float64)
    if not losses:
        return np.empty((0, *whole.shape))
    told = list(range(len(losses))) if alike is None else list(alike)
    kinds = list(dict.fromkeys(told))
    place = [kinds.index(one) for one in told]
    count = np.bincount(place).reshape(-1, *(1,) * whole.ndim)
    each = np.stack([whole / len(losses)] * len(kinds))
    for _ in range(_TURNS if len(kinds) > 1 else 0):
        some = np.maximum(each, _LEAST)
        lost = np.stack([losses[place.index(kind)](one) for kind, one in enumerate(some)])
        ease = 1.0 / np.sqrt(np.maximum(lost / some**2, _LEAST))
        each = whole * ease / (count * ease).sum(axis=0)
    return each[place]
