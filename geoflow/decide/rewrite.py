"""The nearest prescription that the bar can deliver.

Three policies. *hold-speed* keeps the planned speeds and clips rates to the certain window. *hold-rate* keeps the rates
and gives each zone a speed; only what no allowed speed reaches is clipped. *hold-total* clips, then moves the nitrogen
so freed onto zones with room. A rate is raised above its prescription only where that is allowed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, TextArray, distinct
from geoflow.base.rates import nitrogen_rate
from geoflow.decide.rules import LEFT, POLICIES, REASONS, Rules, clip, inward, round_in
from geoflow.decide.speeds import inward_speeds
from geoflow.decide.spreading import move, settle
from geoflow.decide.vet import Solution, verdicts

__all__ = ["POLICIES", "REASONS", "Rewriting", "Rules", "nitrogen_unplaced", "rewrite", "share_rates"]

_ROUNDING: Final = 1e-9


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
    off_values : ndarray of bool
        Zones whose rate is none of the controller's values, where those were asked for.
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
    off_values: BoolArray

    @property
    def rate_changed(self) -> BoolArray:
        """Zones whose rate is another."""
        return np.asarray(self.after != self.before)

    @property
    def raised(self) -> BoolArray:
        """Zones whose rate exceeds the prescription."""
        return np.asarray(self.after > self.before)


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
    even_slow, even_fast = inward_speeds(slowest, fastest)
    middle = 0.5 * (slowest + fastest)
    slowest, fastest = (
        np.clip(np.where(even_slow <= even_fast, even, middle), *bar.limits.speed) for even in (even_slow, even_fast)
    )
    spare = plan.speed[1] - plan.speed[0]
    near_slow = np.clip(plan.speed[0], slowest, np.maximum(fastest - spare, slowest))
    near_fast = np.minimum(near_slow + spare, fastest)
    return np.where(able, near_slow, slow), np.where(able, near_fast, fast), able


def _hold_rate(
    rate: FloatArray, mend: BoolArray, solution: Solution, rules: Rules
) -> tuple[FloatArray, TextArray, FloatArray, FloatArray]:
    bar, width = solution.bar, solution.window.width
    # What the slowest and the fastest allowed speed can still reach.
    reach = (
        float(nitrogen_rate(solution.certain.low, bar.limits.speed[1], width, bar.nitrogen_fraction)),
        float(nitrogen_rate(solution.certain.high, bar.limits.speed[0], width, bar.nitrogen_fraction)),
    )
    after, reason = rate.copy(), np.full(rate.shape, "", dtype="U32")
    if rules.only_values:
        within = mend & (rate >= reach[0] * (1.0 - _ROUNDING)) & (rate <= reach[1] * (1.0 + _ROUNDING))
        after, reason = round_in(rate, within, reach, rules)
    slow, fast, able = _own_speeds(after, mend, solution)
    reason[able] = np.where(reason[able] == "", "speed", np.char.add(reason[able], ", speed"))
    beyond = mend & ~able
    clipped, why = clip(after, beyond, reach, rules)
    mended = beyond & ((why == "lowered") | (why == "raised"))
    after[mended] = clipped[mended]
    new_slow, new_fast, _ = _own_speeds(after, mended, solution)
    slow[mended], fast[mended] = new_slow[mended], new_fast[mended]
    reason[beyond] = np.where(mended[beyond], np.char.add(why[beyond], ", speed"), why[beyond])
    return after, reason, slow, fast


def _hold_total(
    before: FloatArray,
    clipped: FloatArray,
    area: FloatArray,
    free: BoolArray,
    window: tuple[float, float],
    rules: Rules,
) -> tuple[FloatArray, float]:
    """Bring the field back to its nitrogen before, with the zones that are free to move.

    `clipped` rates are under the cap; `before`, as prescribed, is what the field is to get in all.
    """
    total = float(before @ area)
    target = total - float(clipped[~free] @ area[~free])
    wanted = target - float(clipped[free] @ area[free])
    low, high = inward(*window, rules.values)
    top = min(high, rules.max_rate)
    still = abs(wanted) <= 1e-12 * max(target, 1.0) and not rules.only_values
    if still or not low <= top or not rules.allow_raise:
        return clipped, wanted
    asked, rate, here = before[free], clipped[free], area[free]
    least, most = rules.share_bounds(asked)
    # Ends that can be written; where the share leaves none, a zone stays where it is.
    floor, ceiling = rules.values.above(np.maximum(low, least)), rules.values.below(np.minimum(top, most))
    bounds = np.fmin(rate, floor), np.fmax(rate, ceiling)
    moved, missing = move(rate, asked, here, bounds, target)
    if rules.only_values:
        moved = _in_classes(moved, asked, rate, here, (low, bounds[1]), rules)
    elif rules.step > 0.0 and abs(missing) <= 1e-9 * max(target, 1.0):
        stays = moved == rate
        lowest, highest = (np.where(stays, rate, bound) for bound in bounds)
        start = np.where(stays, rate, np.maximum(rules.values.below(moved), lowest))
        moved = settle(asked, here, start, (lowest, highest), rules.values, target)
    after = clipped.copy()
    after[free] = moved
    return after, target - float(moved @ here)


def _in_classes(
    moved: FloatArray,
    asked: FloatArray,
    rate: FloatArray,
    area: FloatArray,
    bounds: tuple[float, FloatArray],
    rules: Rules,
) -> FloatArray:
    """Round rates to the controller's values, zones of one prescribed rate alike, nearest to the nitrogen they hold."""
    _, first, of_zone = np.unique(asked, return_index=True, return_inverse=True)
    wanted, own, most = moved[first], rate[first], bounds[1][first]
    down, up = rules.values.below(wanted), rules.values.above(wanted)
    down = np.where(down * (1.0 + _ROUNDING) >= bounds[0], down, np.nan)
    up = np.where(up <= most * (1.0 + _ROUNDING), up, np.nan)
    start = np.where(np.isfinite(down), down, np.where(np.isfinite(up), up, own))
    highest = np.where(np.isfinite(up), up, start)
    whole = np.asarray(np.bincount(of_zone, area), dtype=np.float64)
    return settle(asked[first], whole, start, (start, highest), rules.values, float(moved @ area))[of_zone]


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
    made = _proposed(rate, area, solution, rules)
    return _judged(made, area, solution, rules)


def nitrogen_unplaced(rate: FloatArray, area: FloatArray, solution: Solution, rules: Rules) -> float:
    """Nitrogen that `rewrite` would not move onto any zone [kg], without judging its zones.

    Parameters
    ----------
    rate, area, solution, rules
        As for `rewrite`.
    """
    return _proposed(rate, area, solution, rules).unplaced


def _proposed(rate: FloatArray, area: FloatArray, solution: Solution, rules: Rules) -> _Made:
    before = np.asarray(rate, dtype=np.float64)
    first = verdicts(before, solution)
    rules = replace(rules, max_rate=float(rules.values.below(rules.max_rate)))
    capped = np.minimum(before, rules.max_rate)
    verdict = verdicts(capped, solution)
    mend = np.asarray(np.isin(verdict, _troubled(rules)))
    holds = np.asarray(verdict == "holds")
    slow, fast = (np.full(before.shape, speed) for speed in solution.plan.speed)
    window = solution.rate_bounds(solution.certain)
    unplaced = 0.0
    if rules.policy == "hold-rate":
        after, reason, slow, fast = _hold_rate(capped, mend, solution, rules)
    else:
        after, reason = clip(capped, mend, window, rules)
    if rules.policy == "hold-total" and rules.allow_raise:
        clipped = after
        after, unplaced = _hold_total(before, clipped, area, holds | (mend & ~np.isin(reason, LEFT)), window, rules)
        reason = _moved_reason(reason, clipped, after, rules)
    elif rules.only_values:
        rounded, why = round_in(capped, holds, window, rules)
        after, reason = np.where(holds, rounded, after), np.where(holds, why, reason)
    if rules.policy == "hold-total" and not rules.allow_raise:
        unplaced = float((before - after) @ area)
    off = (after > 0.0) & ~rules.values.has(after) & rules.only_values
    reason[(reason == "") & off & holds] = "no value"
    reason[(reason == "") & (after < before)] = "capped"
    return _Made(before, after, slow, fast, reason, first, unplaced)


def _moved_reason(reason: TextArray, clipped: FloatArray, after: FloatArray, rules: Rules) -> TextArray:
    """Why each rate is what it is, once nitrogen was moved."""
    moved = after != clipped
    alone = moved & (reason == "")
    said = reason.copy()
    said[moved & ~alone] = np.char.add(reason[moved & ~alone], ", moved")
    said[alone & (after > clipped)] = "moved up"
    said[alone & (after < clipped)] = "moved down"
    if rules.only_values:
        said[alone & (after == rules.values.above(clipped))] = "rounded up"
        said[alone & (after == rules.values.below(clipped))] = "rounded down"
    return said


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
        np.asarray(rules.only_values & (made.after > 0.0) & ~rules.values.has(made.after)),
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
    for root in distinct(group).tolist():
        members = np.flatnonzero(group == root)
        if len(members) < 2 or np.ptp(after[members]) == 0.0:
            continue
        mean = float(after[members] @ area[members] / area[members].sum())
        most = float(done.before[members].min()) * (1.0 + rules.most_raise)
        shared = min(mean, most) if rules.allow_raise else float(after[members].min())
        shared = float(rules.values.below(shared))
        if not np.isfinite(shared):
            continue
        after[members], reason[members] = shared, "shared"
    made = _Made(done.before, after, done.speed_low, done.speed_high, reason, done.verdict_before, done.unplaced)
    return _judged(made, area, solution, rules)
