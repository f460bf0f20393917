"""The nearest prescription that the bar can deliver.

Three policies. *hold-speed* keeps the planned speeds and clips rates to the certain window. *hold-rate* keeps the rates
and gives each zone a speed; only what no allowed speed reaches is clipped. *hold-total* clips, then moves the nitrogen
so freed onto zones with room. A rate is raised above its prescription only where that is allowed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, TextArray
from geoflow.base.rates import nitrogen_rate
from geoflow.decide.speeds import inward_speeds
from geoflow.decide.spreading import in_steps, spread
from geoflow.decide.vet import Solution, verdicts

__all__ = ["POLICIES", "REASONS", "Rewriting", "Rules", "rewrite", "share_rates"]

POLICIES: Final = ("hold-speed", "hold-rate", "hold-total")
REASONS: Final[dict[str, str]] = {
    "": "kept as it was",
    "lowered": "lowered to the highest rate that certainly holds",
    "raised": "raised to the lowest rate that certainly holds",
    "capped": "lowered to the highest rate allowed by --max-rate",
    "speed": "given a speed of its own",
    "lowered, speed": "lowered to what the slowest allowed speed reaches, and given that speed",
    "raised, speed": "raised to what the fastest allowed speed reaches, and given that speed",
    "moved up": "raised to take up nitrogen that other zones lost",
    "moved down": "lowered to give up nitrogen that other zones gained",
    "raised, moved": "raised until it holds, and further to take up nitrogen that other zones lost",
    "lowered, moved": "lowered until it holds, and further to give up nitrogen that other zones gained",
    "shared": "given one rate with a neighbour, being too short for a rate of its own",
    "needs raising": "left: only a higher rate would hold, and raising is not allowed",
    "over the cap": "left: only a rate above --max-rate would hold",
    "no window": "left: no rate certainly holds over this plan",
}
_ROUNDING: Final = 1e-9
_LEFT: Final = ("needs raising", "over the cap", "no window")


@dataclass(frozen=True, slots=True)
class Rules:
    """How rates may be changed.

    Attributes
    ----------
    policy : str
        One of `POLICIES`.
    allow_raise : bool
        Whether a rate may exceed its prescription.
    max_rate : float
        Highest nitrogen rate of any zone [kg/m2]; infinity for none.
    mend_doubtful : bool
        Whether doubtful zones are treated like failing ones.
    step : float
        Rates are written in multiples of this [kg/m2]; 0 for any number.
    """

    policy: str
    allow_raise: bool = False
    max_rate: float = np.inf
    mend_doubtful: bool = True
    step: float = 0.0


@dataclass(frozen=True, slots=True)
class Rewriting:
    """A rewritten prescription; arrays of shape (zones,).

    Attributes
    ----------
    before, after : ndarray
        Nitrogen rates [kg/m2].
    speed_low, speed_high : ndarray
        Speeds each zone is to be driven at [m/s].
    reason : ndarray of str
        A key of `REASONS`.
    verdict_before, verdict : ndarray of str
        Of the prescription as it was, and of the rewritten one at its speeds.
    left_failing : ndarray of bool
        Zones that still do not hold (failing, or doubtful where those are to be mended).
    nitrogen_before, nitrogen_after : float
        Of the field [kg].
    unplaced : float
        Nitrogen that *hold-total* could not move onto any zone [kg]; negative where there is too much.
    """

    before: FloatArray
    after: FloatArray
    speed_low: FloatArray
    speed_high: FloatArray
    reason: TextArray
    verdict_before: TextArray
    verdict: TextArray
    left_failing: BoolArray
    nitrogen_before: float
    nitrogen_after: float
    unplaced: float

    @property
    def rate_changed(self) -> BoolArray:
        """Zones whose rate is another."""
        return np.asarray(self.after != self.before)

    @property
    def raised(self) -> BoolArray:
        """Zones whose rate exceeds the prescription."""
        return np.asarray(self.after > self.before)


def _inward(low: float, high: float, step: float) -> tuple[float, float]:
    """Multiples of `step` that lie inside [low, high]."""
    if step <= 0.0 or not np.isfinite([low, high]).all():
        return low, high
    return float(np.ceil(low / step - 1e-9) * step), float(np.floor(high / step + 1e-9) * step)


def _clip(rate: FloatArray, mend: BoolArray, low: float, high: float, rules: Rules) -> tuple[FloatArray, TextArray]:
    """Clip zones to [low, high] as the rules allow; returns rates and reasons."""
    after, reason = rate.copy(), np.full(rate.shape, "", dtype="U16")
    if not low <= high:
        reason[mend] = "no window"
        return after, reason
    if low > rules.max_rate:
        reason[mend] = "over the cap"
        return after, reason
    above, below = mend & (rate > high), mend & (rate < low)
    after[above], reason[above] = min(high, rules.max_rate), "lowered"
    if rules.allow_raise:
        after[below], reason[below] = low, "raised"
    else:
        reason[below] = "needs raising"
    return after, reason


def _hold_total(
    before: FloatArray,
    rate: FloatArray,
    area: FloatArray,
    mend: BoolArray,
    free: BoolArray,
    bounds: tuple[float, float],
    rules: Rules,
) -> tuple[FloatArray, TextArray, float]:
    """Clip, then bring the field back to its nitrogen before, with the zones that are free to move.

    `rate` is under the cap; `before`, as prescribed, is what the field is to get in all.
    """
    low, high = bounds
    total = float(before @ area)
    clipped, reason = _clip(rate, mend, low, high, rules)
    movable = free & ~np.isin(reason, _LEFT)
    target = total - float(clipped[~movable] @ area[~movable])
    wanted = target - float(clipped[movable] @ area[movable])
    top = min(high, rules.max_rate)
    if abs(wanted) <= 1e-12 * max(target, 1.0) or not low <= top:
        return clipped, reason, wanted
    if wanted > 0.0 and not rules.allow_raise:
        return clipped, reason, wanted
    spread_rates, missing = spread(clipped[movable], area[movable], low, top, target)
    if rules.step > 0.0 and abs(missing) <= 1e-9 * max(target, 1.0):
        spread_rates = in_steps(spread_rates, area[movable], low, top, rules.step, target)
        missing = target - float(spread_rates @ area[movable])
    after = clipped.copy()
    after[movable] = spread_rates
    moved = movable & (after != clipped)
    alone = moved & (reason == "")
    reason[moved & ~alone] = np.char.add(reason[moved & ~alone], ", moved")
    reason[alone & (after > rate)] = "moved up"
    reason[alone & (after < rate)] = "moved down"
    return after, reason, missing


def _own_speeds(rate: FloatArray, mend: BoolArray, solution: Solution) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Speeds at which each zone's rate certainly holds, near the planned ones, and whether there are any."""
    bar, plan, width = solution.bar, solution.plan, solution.window.width
    slow = np.full(rate.shape, plan.speed[0])
    fast = np.full(rate.shape, plan.speed[1])
    with np.errstate(divide="ignore", invalid="ignore"):
        slowest = np.maximum(solution.certain.low * bar.nitrogen_fraction / (rate * width), bar.limits.speed[0])
        fastest = np.minimum(solution.certain.high * bar.nitrogen_fraction / (rate * width), bar.limits.speed[1])
    # A rate just clipped to what one speed reaches leaves a band of rounding errors.
    able = mend & (slowest <= fastest * (1.0 + _ROUNDING))
    slowest = np.clip(slowest, *bar.limits.speed)
    fastest = np.maximum(fastest, slowest)
    # Speeds a driver can read off and hold, where the band has any; then a band as wide as the planned one.
    tidy_slow, tidy_fast = inward_speeds(slowest, fastest)
    middle = 0.5 * (slowest + fastest)
    slowest, fastest = (
        np.clip(np.where(tidy_slow <= tidy_fast, tidy, middle), *bar.limits.speed) for tidy in (tidy_slow, tidy_fast)
    )
    spare = plan.speed[1] - plan.speed[0]
    near_slow = np.clip(plan.speed[0], slowest, np.maximum(fastest - spare, slowest))
    near_fast = np.minimum(near_slow + spare, fastest)
    return np.where(able, near_slow, slow), np.where(able, near_fast, fast), able


def _hold_rate(
    rate: FloatArray, mend: BoolArray, solution: Solution, rules: Rules
) -> tuple[FloatArray, TextArray, FloatArray, FloatArray]:
    bar, width = solution.bar, solution.window.width
    after, reason = rate.copy(), np.full(rate.shape, "", dtype="U16")
    slow, fast, able = _own_speeds(after, mend, solution)
    reason[able] = "speed"
    # What the slowest and the fastest allowed speed can still reach.
    low = float(nitrogen_rate(solution.certain.low, bar.limits.speed[1], width, bar.nitrogen_fraction))
    high = float(nitrogen_rate(solution.certain.high, bar.limits.speed[0], width, bar.nitrogen_fraction))
    low, high = _inward(low, high, rules.step)
    beyond = mend & ~able
    clipped, why = _clip(after, beyond, low, high, rules)
    mended = beyond & ((why == "lowered") | (why == "raised"))
    after[mended] = clipped[mended]
    new_slow, new_fast, _ = _own_speeds(after, mended, solution)
    slow[mended], fast[mended] = new_slow[mended], new_fast[mended]
    reason[beyond] = np.where(mended[beyond], np.char.add(why[beyond], ", speed"), why[beyond])
    return after, reason, slow, fast


def _troubled(rules: Rules) -> list[str]:
    return ["fails", "doubtful"] if rules.mend_doubtful else ["fails"]


def rewrite(rate: FloatArray, area: FloatArray, solution: Solution, rules: Rules) -> Rewriting:
    """Rewrite a prescription so that the bar can deliver it.

    Parameters
    ----------
    rate : ndarray, shape (zones,)
        Nitrogen rates as prescribed [kg/m2].
    area : ndarray, shape (zones,)
        [m2]
    solution : Solution
        The solved bar.
    rules : Rules
        What may be changed and how.
    """
    before = np.asarray(rate, dtype=np.float64)
    first = verdicts(before, solution)
    rules = replace(rules, max_rate=_inward(0.0, rules.max_rate, rules.step)[1])
    capped = np.minimum(before, rules.max_rate)
    verdict = verdicts(capped, solution)
    mend = np.asarray(np.isin(verdict, _troubled(rules)))
    slow, fast = (np.full(before.shape, speed) for speed in solution.plan.speed)
    low, high = _inward(*solution.rate_bounds(solution.certain), rules.step)
    unplaced = 0.0
    if rules.policy == "hold-rate":
        after, reason, slow, fast = _hold_rate(capped, mend, solution, rules)
    elif rules.policy == "hold-total":
        free = (verdict == "holds") | mend
        after, reason, unplaced = _hold_total(before, capped, area, mend, free, (low, high), rules)
    else:
        after, reason = _clip(capped, mend, low, high, rules)
    reason[(reason == "") & (after < before)] = "capped"
    made = _Made(before, after, slow, fast, reason, first, unplaced)
    return _judged(made, area, solution, rules)


@dataclass(frozen=True, slots=True)
class _Made:
    """A rewriting before it is judged; fields as in `Rewriting`."""

    before: FloatArray
    after: FloatArray
    speed_low: FloatArray
    speed_high: FloatArray
    reason: TextArray
    verdict_before: TextArray
    unplaced: float


def _judged(made: _Made, area: FloatArray, solution: Solution, rules: Rules) -> Rewriting:
    verdict = verdicts(made.after, solution, (made.speed_low, made.speed_high))
    return Rewriting(
        made.before,
        made.after,
        made.speed_low,
        made.speed_high,
        made.reason,
        made.verdict_before,
        verdict,
        np.asarray(np.isin(verdict, _troubled(rules))),
        float(made.before @ area),
        float(made.after @ area),
        made.unplaced,
    )


def share_rates(done: Rewriting, area: FloatArray, partner: FloatArray, solution: Solution, rules: Rules) -> Rewriting:
    """Give zones that are too short for a rate of their own one rate with a neighbour.

    Parameters
    ----------
    done : Rewriting
        From `rewrite`.
    area : ndarray, shape (zones,)
        [m2]
    partner : ndarray of int, shape (zones,)
        For each zone that is too short the neighbour it shares with, -1 for the others.
    solution, rules
        As for `rewrite`. Where raising is not allowed the lower of the rates is taken, and nitrogen is lost; otherwise
        the mean by area, and none is.
    """
    group = np.arange(len(area))
    for zone, other in enumerate(partner.astype(np.int64).tolist()):
        if other >= 0 and done.after[zone] > 0.0 and done.after[other] > 0.0:
            group[group == group[zone]] = group[other]
    after, reason = done.after.copy(), done.reason.copy()
    for root in np.unique(group).tolist():
        members = np.flatnonzero(group == root)
        if len(members) < 2 or np.ptp(after[members]) == 0.0:
            continue
        mean = float(after[members] @ area[members] / area[members].sum())
        shared = mean if rules.allow_raise else float(after[members].min())
        if rules.step > 0.0:
            shared = float(np.round(shared / rules.step) * rules.step)
        after[members], reason[members] = shared, "shared"
    made = _Made(done.before, after, done.speed_low, done.speed_high, reason, done.verdict_before, done.unplaced)
    return _judged(made, area, solution, rules)
