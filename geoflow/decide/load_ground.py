"""Which ground each tank load is put on."""

from __future__ import annotations

import numpy as np

from geoflow.base.arrays import FloatArray, Floats
from geoflow.decide.loads import TankLoads
from geoflow.ground.passes import Passes

__all__ = ["ground_of_loads"]


def ground_of_loads(passes: Passes, rate: Floats, area: FloatArray, loads: TankLoads) -> FloatArray:
    """Share the ground that asks for ammonia out among the loads, in driving order.

    Every zone is shared out by the length of its passes; one that no pass crosses goes with each load as the others do.

    Parameters
    ----------
    passes : Passes
        That the loads were counted on.
    rate : array_like, shape (zones,)
        Nitrogen rate [kg/m2], zero or more.
    area : ndarray, shape (zones,)
        Of each zone [m2].
    loads : TankLoads
        From `loads.tank_loads`.

    Returns
    -------
    ndarray, shape (loads, zones)
        [m2]
    """
    wanted, many = np.asarray(rate, dtype=np.float64), len(loads.drawn)
    asked = np.where(wanted > 0.0, area, 0.0)
    drawn = wanted[passes.zone] * passes.length
    upto = np.cumsum(drawn) / max(float(drawn.sum()), 1e-300)
    after = np.concatenate([[0.0], np.cumsum(loads.drawn) / max(float(loads.drawn.sum()), 1e-300)])
    before = upto - drawn / max(float(drawn.sum()), 1e-300)
    share = np.minimum(upto, after[1:, None]) - np.maximum(before, after[:-1, None])
    with np.errstate(divide="ignore", invalid="ignore"):
        length = np.where(drawn > 0.0, np.clip(share, 0.0, None) / (upto - before), 0.0) * passes.length
    ground = np.array([np.bincount(passes.zone, each, wanted.size) for each in length]).reshape(many, wanted.size)
    whole = ground.sum(axis=0)
    crossed = whole > 0.0
    ground = np.where(crossed, ground / np.where(crossed, whole, 1.0) * asked, 0.0)
    each = ground.sum(axis=1)
    if many and each.sum() > 0.0:
        ground += np.outer(each / each.sum(), np.where(crossed, 0.0, asked))
    return ground
