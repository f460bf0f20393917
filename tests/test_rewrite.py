"""Rewriting policies: exact, conserving, idempotent, and never a silent raise."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from bars import bar, change
from hypothesis import given
from hypothesis import strategies as st
from laws import laws
from scipy.optimize import linprog

from geoflow.decide.costs import Prices, money
from geoflow.decide.rewrite import POLICIES, REASONS, Rules, rewrite, share_rates
from geoflow.decide.spreading import spread
from geoflow.decide.vet import Plan, Solution, solve, vet

POUND_PER_ACRE = 0.45359237 / 4046.8564224  # exact definitions (NIST SP 811; international acre)
ACRE = 4046.8564224
MPH = 0.44704


@cache
def solved() -> Solution:
    """The test bar with flashing known, so that the certain window is wide."""
    known = bar()
    sharp = {name: replace(one, flash_weight=0.4, measured=()) for name, one in known.orifices.items()}
    plan = Plan((277.0, 281.0), (4.8 * MPH, 5.2 * MPH), tuple(range(len(known.sections))))
    return solve(replace(known, orifices=sharp), plan)


def bounds() -> tuple[float, float]:
    low, high = solved().rate_bounds(solved().certain)
    assert 0.0 < low < high
    return low, high


fields = st.lists(
    st.tuples(st.one_of(st.just(0.0), st.floats(0.2, 2.2)), st.floats(0.05, 20.0)), min_size=1, max_size=25
)


def as_field(zones: list[tuple[float, float]]) -> tuple[np.ndarray, np.ndarray]:
    """Rates from half below to well above the window, and areas in acres."""
    low, high = bounds()
    share = np.array([zone[0] for zone in zones])
    return np.where(share > 0.0, share * 0.5 * (low + high), 0.0), np.array([zone[1] for zone in zones]) * ACRE


every_rule = st.builds(
    Rules,
    st.sampled_from(POLICIES),
    st.booleans(),
    st.one_of(st.just(np.inf), st.floats(0.3, 2.0).map(lambda share: share * sum(bounds()) / 2.0)),
    st.booleans(),
    st.sampled_from([0.0, 0.1 * POUND_PER_ACRE, POUND_PER_ACRE]),
)


@laws(150)
@given(fields, every_rule)
def test_laws_of_every_policy(zones: list[tuple[float, float]], rules: Rules) -> None:
    rate, area = as_field(zones)
    done = rewrite(rate, area, solved(), rules)
    assert set(done.reason) <= set(REASONS)
    assert np.all(done.after[rate == 0.0] == 0.0)
    assert np.all(done.after[rate > 0.0] > 0.0) or rules.max_rate < rules.step
    assert np.all(done.after <= max(rules.max_rate, 0.0) * (1 + 1e-12))
    if not rules.allow_raise:
        assert not done.raised.any()
    assert not np.any(done.rate_changed & (done.reason == "") & (done.after > rate))
    # Vetting the output finds failing just what was said to be left failing.
    again = vet(done.after, solved(), (done.speed_low, done.speed_high))
    failing = np.isin(again.verdict, ["fails", "doubtful"] if rules.mend_doubtful else ["fails"])
    assert np.array_equal(failing, done.left_failing)
    slowest, fastest = solved().bar.limits.speed
    assert np.all((done.speed_low >= slowest) & (done.speed_high <= fastest))
    assert np.all(done.speed_low <= done.speed_high * (1 + 1e-12))


@laws(100)
@given(fields, st.sampled_from(["hold-speed", "hold-total"]), st.booleans(), st.booleans())
def test_rewriting_twice_changes_nothing_more(
    zones: list[tuple[float, float]], policy: str, allow_raise: bool, stepped: bool
) -> None:
    rate, area = as_field(zones)
    rules = Rules(policy, allow_raise, step=0.1 * POUND_PER_ACRE if stepped else 0.0)
    once = rewrite(rate, area, solved(), rules)
    twice = rewrite(once.after, area, solved(), rules)
    assert twice.after == pytest.approx(once.after, rel=1e-12)


@laws(60)
@given(fields, every_rule, st.randoms(use_true_random=False))
def test_the_order_of_zones_does_not_matter(zones: list[tuple[float, float]], rules: Rules, shuffle) -> None:
    rules = replace(rules, step=0.0)
    rate, area = as_field(zones)
    order = list(range(len(zones)))
    shuffle.shuffle(order)
    done, mixed = rewrite(rate, area, solved(), rules), rewrite(rate[order], area[order], solved(), rules)
    assert mixed.after == pytest.approx(done.after[order], rel=1e-9)


def test_hold_speed_clips_to_the_window_to_the_last_digit() -> None:
    low, high = bounds()
    rate = np.array([0.5 * low, low, 0.5 * (low + high), high, 1.5 * high])
    area = np.full(5, ACRE)
    assert rewrite(rate, area, solved(), Rules("hold-speed")).after.tolist() == [*rate[:4].tolist(), high]
    raised = rewrite(rate, area, solved(), Rules("hold-speed", allow_raise=True))
    assert raised.after.tolist() == [low, *rate[1:4].tolist(), high]
    assert raised.raised.tolist() == [True, False, False, False, False]
    kept = rewrite(rate, area, solved(), Rules("hold-speed"))
    assert kept.reason.tolist() == ["needs raising", "", "", "", "lowered"]
    assert kept.left_failing.tolist() == [True, False, False, False, False]


def test_steps_are_rounded_into_the_window() -> None:
    low, high = bounds()
    step = 5.0 * POUND_PER_ACRE
    done = rewrite(np.array([0.9 * low, 1.5 * high]), np.full(2, ACRE), solved(), Rules("hold-speed", True, step=step))
    assert done.after / step == pytest.approx(np.round(done.after / step), abs=1e-9)
    assert low <= done.after[0] < low + step and high - step < done.after[1] <= high
    assert not done.left_failing.any()


def test_the_cap_is_never_passed_and_says_so() -> None:
    low, high = bounds()
    cap = 0.5 * (low + high)
    done = rewrite(np.array([0.9 * high, 0.5 * low]), np.full(2, ACRE), solved(), Rules("hold-speed", True, cap))
    assert done.after == pytest.approx([cap, low])
    assert done.reason.tolist() == ["capped", "raised"]
    under = rewrite(np.array([0.5 * low]), np.full(1, ACRE), solved(), Rules("hold-speed", True, 0.9 * low))
    assert under.reason.tolist() == ["over the cap"] and under.left_failing.all() and not under.rate_changed.any()


def test_hold_rate_keeps_what_some_speed_reaches() -> None:
    low, high = bounds()
    slowest, fastest = solved().bar.limits.speed
    slow, fast = solved().plan.speed
    reachable = 0.5 * (high + high * fast / slowest)
    beyond = 1.2 * high * fast / slowest
    starved = 0.8 * low * slow / fastest
    done = rewrite(np.array([reachable, beyond, starved]), np.full(3, ACRE), solved(), Rules("hold-rate"))
    assert done.after[0] == reachable and done.reason[0] == "speed"
    # By hand: the highest rate at the slowest speed is the highest planned one times the ratio of the speeds.
    assert done.after[1] == pytest.approx(high * fast / slowest, rel=1e-9)
    assert done.reason[1] == "lowered, speed" and done.speed_high[1] == pytest.approx(slowest)
    assert done.reason[2] == "needs raising" and done.after[2] == starved
    lifted = rewrite(np.array([starved]), np.full(1, ACRE), solved(), Rules("hold-rate", True))
    assert lifted.after[0] == pytest.approx(low * slow / fastest, rel=1e-9)
    assert lifted.speed_low[0] == pytest.approx(fastest) and not lifted.left_failing.any()


@laws(80)
@given(fields)
def test_hold_total_moves_no_more_nitrogen_than_a_linear_program(zones: list[tuple[float, float]]) -> None:
    """scipy's linear program: least sum of pounds moved, rates within the window, the field's nitrogen kept."""
    rate, area = as_field(zones)
    low, high = bounds()
    done = rewrite(rate, area, solved(), Rules("hold-total", allow_raise=True))
    asked = rate > 0.0
    count = int(asked.sum())
    if not count:
        return
    # Unknowns: rate, and the change up and down of each zone, scaled to pounds per acre and acres.
    r, a = rate[asked] / POUND_PER_ACRE, area[asked] / ACRE
    eye, nil = np.eye(count), np.zeros(count)
    program = linprog(
        np.concatenate([nil, a, a]),
        A_eq=np.vstack([np.hstack([eye, -eye, eye]), np.concatenate([a, nil, nil])]),
        b_eq=np.concatenate([r, [r @ a]]),
        bounds=[(low / POUND_PER_ACRE, high / POUND_PER_ACRE)] * count + [(0, None)] * (2 * count),
    )
    moved = np.abs(done.after - rate) @ area / (POUND_PER_ACRE * ACRE)
    if program.success:
        assert done.nitrogen_after == pytest.approx(done.nitrogen_before, rel=1e-9)
        assert moved == pytest.approx(program.fun, rel=1e-6, abs=1e-6)
        assert not done.left_failing.any()
    else:
        # No map inside the window has this nitrogen; then every zone stands at the same end of it.
        assert abs(done.unplaced) > 1e-4 * done.nitrogen_before or done.nitrogen_after == pytest.approx(
            done.nitrogen_before, rel=1e-6
        )


@laws(60)
@given(fields, st.sampled_from([0.01, 0.1, 1.0]))
def test_hold_total_in_steps_misses_by_less_than_one_step_of_the_smallest_zone_that_can_move(
    zones: list[tuple[float, float]], step: float
) -> None:
    rate, area = as_field([*zones, (1.0, 5.0), (1.1, 7.0)])
    done = rewrite(rate, area, solved(), Rules("hold-total", True, step=step * POUND_PER_ACRE))
    if done.left_failing.any() or not done.rate_changed.any():
        return
    assert abs(done.nitrogen_after + done.unplaced - done.nitrogen_before) <= 1e-9 * done.nitrogen_before
    _, high = bounds()
    up = done.after + step * POUND_PER_ACRE
    free = [not np.any((rate > rate[zone]) & (done.after < up[zone])) for zone in range(rate.size)]
    can_move = (np.char.find(done.reason, "moved") >= 0) & (up <= high) & np.array(free)
    if can_move.any() and done.unplaced > 0.0:
        assert done.unplaced <= area[can_move].min() * step * POUND_PER_ACRE * (1 + 1e-9)


def test_whole_pounds_keep_the_field_within_a_ten_thousandth() -> None:
    """26 zones of 1 to 5 acres in whole pounds: rounding alone would miss by far more than 0.01 %."""
    draw = np.random.default_rng(5)
    low, high = bounds()
    rate, area = draw.uniform(0.8 * low, 1.2 * high, 26), draw.uniform(1.0, 5.0, 26) * ACRE
    done = rewrite(rate, area, solved(), Rules("hold-total", True, step=POUND_PER_ACRE))
    assert done.nitrogen_after == pytest.approx(done.nitrogen_before, rel=1e-4)
    changed = done.after[done.rate_changed]
    assert changed == pytest.approx(np.round(changed / POUND_PER_ACRE) * POUND_PER_ACRE, rel=1e-12)
    assert not done.left_failing.any()


def test_hold_total_without_a_raise_says_that_it_is_impossible() -> None:
    low, high = bounds()
    rate, area = np.array([1.3 * high, 0.5 * (low + high)]), np.array([10.0, 30.0]) * ACRE
    done = rewrite(rate, area, solved(), Rules("hold-total"))
    assert done.after.tolist() == [high, rate[1]]
    assert done.unplaced == pytest.approx(0.3 * high * 10.0 * ACRE)


@laws(100)
@given(st.lists(st.tuples(st.floats(1.0, 2.0), st.floats(0.1, 9.0)), min_size=1, max_size=12), st.floats(0.5, 3.0))
def test_spread_is_the_least_change_by_squares(zones: list[tuple[float, float]], share: float) -> None:
    """Against bisection for the one amount added to all (the solution's closed form by Lagrange)."""
    rate, area = (np.array(column) for column in zip(*zones, strict=True))
    target = share * float(rate @ area)
    after, missing = spread(rate, area, 1.0, 2.0, target)
    low, high = -2.0, 2.0
    for _ in range(200):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if float(np.clip(rate + middle, 1.0, 2.0) @ area) < target else (low, middle)
    expected = np.clip(rate + 0.5 * (low + high), 1.0, 2.0)
    assert after == pytest.approx(expected, abs=1e-9)
    assert missing == pytest.approx(target - float(expected @ area), abs=1e-7)


def test_more_pressure_never_lowers_a_clipped_rate() -> None:
    known, plan = solved().bar, solved().plan
    rate, area = np.linspace(0.2, 3.0, 12) * sum(bounds()) / 2.0, np.full(12, ACRE)
    last = np.zeros(12)
    for factor in (0.8, 0.9, 1.0, 1.1):
        stronger = change(known, "pump", max_rise=known.pump.max_rise * factor)
        after = rewrite(rate, area, solve(stronger, plan), Rules("hold-speed")).after
        high = rate > bounds()[1]
        assert np.all(after[high] >= last[high] * (1 - 1e-12))
        last = after


def test_shared_rates_keep_the_nitrogen_where_raising_is_allowed() -> None:
    low, high = bounds()
    rate = np.array([low + 0.2 * (high - low), high, low])
    area = np.array([1.0, 8.0, 3.0]) * ACRE
    partner = np.array([1, -1, -1])
    rules = Rules("hold-speed", allow_raise=True)
    done = share_rates(rewrite(rate, area, solved(), rules), area, partner, solved(), rules)
    assert done.nitrogen_after == pytest.approx(done.nitrogen_before, rel=1e-12)
    assert done.after[0] == done.after[1] == pytest.approx(float(rate[:2] @ area[:2]) / float(area[:2].sum()))
    assert done.after[2] == rate[2] and done.reason.tolist() == ["shared", "shared", ""]
    lower = share_rates(
        rewrite(rate, area, solved(), Rules("hold-speed")), area, partner, solved(), Rules("hold-speed")
    )
    assert lower.after[:2].tolist() == [rate[0], rate[0]] and not lower.raised.any()


def test_money_by_hand() -> None:
    """10 acres lowered from 200 to 180 lb: 200 lb at 0.50 saved; 20 bu lost by 0.9 N - 0.002 N^2."""
    pound, acre = 0.45359237, ACRE
    rate, area = np.array([200.0]) * POUND_PER_ACRE, np.array([10.0]) * acre
    done = rewrite(rate, area, solved(), Rules("hold-speed", max_rate=180.0 * POUND_PER_ACRE))
    prices = Prices(0.50 / pound, (0.9 / acre * (acre / pound), -0.002 / acre * (acre / pound) ** 2), 4.0)
    spent, earned = money(done, area, prices)
    assert spent == pytest.approx([-100.0])
    # 0.9 * 20 = 18 bu less; 0.002 * (200^2 - 180^2) = 15.2 bu back: 2.8 bu/ac on 10 ac at 4.00
    assert earned == pytest.approx([-(18.0 - 15.2) * 10.0 * 4.0])
