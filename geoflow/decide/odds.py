"""Odds that zones hold over the whole plan: for sorting what is doubtful, never for a verdict.

Ways in which the bar may turn out are drawn from what remains possible of its orifices; a zone's odds are the share of
them in which it holds. Where nothing was learned or measured, all within the bounds counts as equally likely.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, distinct
from geoflow.base.schema import HIGH_LIMITS, LOW_LIMITS
from geoflow.decide.vet import Solution, Vetting
from geoflow.hydraulics.cases import drawn_cases
from geoflow.hydraulics.circuit import Circuit
from geoflow.hydraulics.window import limit_flows

__all__ = ["odds_of_holding"]

_DRAWS: Final = 160
_SEED: Final = 15
_MOST_TEMPERATURES: Final = 5
_ROUNDING: Final = 1e-9
_AT_ONCE: Final = 20_000


def _windows(solution: Solution) -> tuple[FloatArray, FloatArray]:
    """Ends of the window over the plan in each way drawn, as the controller takes flows [kg/s], shape (ways,)."""
    bar, plan, window = solution.bar, solution.plan, solution.window
    random = np.random.default_rng(_SEED)
    some = min(window.temperature.size, _MOST_TEMPERATURES)
    places = distinct(np.round(np.linspace(0, window.temperature.size - 1, some)).astype(np.int64))
    cases = drawn_cases(bar, plan.sections, _DRAWS, random)
    circuit = Circuit(bar, plan.sections, cases, window.temperature[places])
    flows = limit_flows(circuit)
    # What is a range is at either end, or in the middle, as often.
    worse = np.array([case.boiling if not case.machine else case.machine < 0.0 for case in cases])[:, None]
    middle = np.array([bar.is_open and not case.machine for case in cases])[:, None]
    for name, possible in window.possible.items():
        if name not in flows:
            ends = window.certain[name][places], possible[places]
            flows[name] = np.where(middle, np.sqrt(ends[0] * ends[1]), np.where(worse, *ends))
    ratio = window.delivered_ratio[places]
    low = np.max([flows[name] for name in LOW_LIMITS], axis=0) / ratio
    high = np.min([flows[name] for name in HIGH_LIMITS], axis=0) / ratio
    return low.max(axis=1), high.min(axis=1)


def odds_of_holding(solution: Solution, vetting: Vetting) -> FloatArray:
    """Odds of each zone that it holds over the whole plan, shape (zones,): 1 where it holds, 0 where it fails.

    A doubtful zone is given 0.01 to 0.99: its verdict says that it is not settled. NaN for a zone of rate zero.

    Parameters
    ----------
    solution, vetting
        From `vet.solve` and `vet.vet`.
    """
    verdict = vetting.verdict
    odds = np.select([verdict == "holds", verdict == "fails"], [1.0, 0.0], np.nan)
    doubtful: BoolArray = verdict == "doubtful"
    if doubtful.any():
        low, high = _windows(solution)
        asked = np.column_stack([vetting.flow_low[doubtful], vetting.flow_high[doubtful]])
        distinct, back = np.unique(asked, axis=0, return_inverse=True)
        share = np.concatenate(
            [
                np.mean((low <= some[:, :1] * (1.0 + _ROUNDING)) & (high >= some[:, 1:] * (1.0 - _ROUNDING)), axis=1)
                for some in np.array_split(distinct, len(distinct) // _AT_ONCE + 1)
            ]
        )
        odds[doubtful] = np.clip(share, 0.01, 0.99)[back.ravel()]
    return np.asarray(odds)
