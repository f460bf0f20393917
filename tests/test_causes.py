"""Each cause put in alone is found as itself; of several together each gets what it made.

The truth is a second log of the same field in which the one cause is left out: what is off in the one and not in the
other is that cause's doing.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bars import FOOT, LB_PER_AC
from simulator import Field, Truth, simulate

from geoflow.diagnosis.judging import lost_liquid
from geoflow.ground.applied_log import AppliedLog
from geoflow.hydraulics.window import flow_window
from geoflow.reconciliation.agreement import within
from geoflow.reconciliation.causes import CAUSES, LOST_LIQUID, OVERLAP, Response, off_causes
from geoflow.reconciliation.field import Reconciliation, reconcile, with_lost_liquid
from geoflow.reconciliation.ground import Ground

SETTLED = 3.0
FLAT = (180 * LB_PER_AC,)
STEPS = (150 * LB_PER_AC, 180 * LB_PER_AC, 200 * LB_PER_AC)


def field(**changes: object) -> Field:
    return Field(**{"noise": 0.005, "offsets": (0.0,) * 10, "delay": 0.0, "time_constant": 0.0, **changes})  # type: ignore[arg-type]


def driven(what: Field) -> tuple[AppliedLog, Truth]:
    """The simulator's log with the bar's middle as the position of every section."""
    log, truth = simulate(what)
    x, y = log.x - log.offset * np.cos(log.heading), log.y + log.offset * np.sin(log.heading)
    return replace(log, x=x, y=y), truth


def shares(found: Reconciliation) -> dict[str, float]:
    off = sum(found.cause_area.values())
    assert off == pytest.approx((1.0 - found.agreement.within_10) * found.agreement.area, rel=1e-9, abs=1e-6)
    return {name: area / off for name, area in found.cause_area.items()}


def settle(what: Field) -> float:
    return what.delay + SETTLED * max(what.time_constant, 0.5)


def without_starts(log: AppliedLog, seconds: float = 12.0) -> AppliedLog:
    """The first seconds of each pass on target: a pass that begins from nothing is a cause of its own."""
    begins = np.array([log.time[log.run == run].min() for run in range(log.run.max() + 1)])
    early = log.time - begins[log.run] < seconds
    return replace(log, applied=np.where(early & log.on, log.target, log.applied))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_latency_alone(seed: int) -> None:
    """A dead time and nothing else: what is off lies within it, but for the record after it."""
    what = field(delay=3.0, seed=seed)
    log = without_starts(driven(what)[0], 6.0)
    assert shares(reconcile(log, response_time=settle(what)))["latency"] >= 0.8


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_slow_answer_to_steps_alone(seed: int) -> None:
    what = field(time_constant=3.0, seed=seed)
    log = without_starts(driven(what)[0])
    assert shares(reconcile(log, response_time=settle(what)))["rate step"] >= 0.8


@pytest.mark.parametrize(("delay", "time_constant"), [(2.0, 2.0), (1.0, 3.0), (3.0, 1.0)])
def test_dead_time_and_slow_answer_split_near_the_truth(delay: float, time_constant: float) -> None:
    """Off within the dead time after a border (the fine truth of the simulator), and off after it."""
    error = []
    for seed in range(1, 5):
        what = field(delay=delay, time_constant=time_constant, seed=seed)
        log = without_starts(driven(what)[0])
        found = reconcile(log, response_time=settle(what))
        # Where along the pass each border lies, and so how long ago it was crossed.
        way = np.where(log.run % 2 == 1, log.y, what.length - log.y)
        since = np.where(log.run % 2 == 1, way % what.zone_length, 0.0)
        blocks = np.ceil((what.length - way) / what.zone_length) * what.zone_length
        since = np.where(log.run % 2 == 1, since, blocks - (what.length - way)) / what.speed
        off = ~within(log.applied, log.target, 0.1) & log.on
        truth = np.sum(off & (since <= delay)) / off.sum()
        mine = shares(found)
        assert mine["latency"] + mine["rate step"] >= 0.95
        error.append(mine["latency"] - truth)
    assert abs(np.mean(error)) <= 0.1


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_braking_alone(seed: int) -> None:
    what = field(rates=FLAT, delay=1.5, time_constant=1.5, brake=(2, 60.0), seed=seed)
    log = without_starts(driven(what)[0])
    assert shares(reconcile(log, response_time=settle(what)))["speed change"] >= 0.8


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_braking_among_steps(seed: int) -> None:
    """What is off while the machine brakes and goes on again, between borders at 41 s and later, is braking's."""
    what = field(delay=1.0, time_constant=1.5, zone_length=90.0, seed=seed, brake=(2, 55.0))
    log = without_starts(driven(what)[0])
    found = reconcile(log, response_time=settle(what))
    since = log.time - log.time[log.run == 3].min()
    braked = (log.run == 3) & (since > 50.0) & (since < 80.0) & ~within(log.applied, log.target, 0.1)
    truth = float((log.step * log.width)[braked].sum())
    assert found.cause_area["speed change"] == pytest.approx(truth, rel=0.1)


@pytest.mark.parametrize("seed", [1, 2])
def test_starts_of_passes_alone(seed: int) -> None:
    what = field(rates=FLAT, delay=0.8, time_constant=1.5, seed=seed)
    assert shares(reconcile(driven(what)[0], response_time=settle(what)))["section event"] >= 0.95


def test_a_turn_alone() -> None:
    what = field(rates=FLAT, offsets=(0.0,) * 2, length=60.0, radius=60 * FOOT)
    log = without_starts(driven(what)[0], 4.0)
    assert shares(reconcile(log, response_time=settle(what)))["turning"] >= 0.8


def test_overlap_alone() -> None:
    what = field(rates=FLAT, offsets=(0.0, 3.0, 3.0, 3.0))
    log = without_starts(driven(what)[0], 4.0)
    assert shares(reconcile(log, response_time=settle(what)))[OVERLAP] >= 0.95


@pytest.mark.parametrize("steps", [False, True])
def test_a_limit_of_the_bar(steps: bool) -> None:
    """Flow cut off at what the window lets through: alone, and among steps that a slow control follows."""
    what = field(rates=STEPS if steps else FLAT, delay=0.5, time_constant=1.0, seed=4)
    log, _ = driven(what)
    log = without_starts(log)
    window = flow_window(what.bar, np.array([log.temperature.mean()]), (0, 1))
    most = 0.8 * log.flow[log.on & (log.target == max(what.rates))].max()
    narrow = replace(window, certain={**window.certain, "pump flow": np.full(1, most)})
    limited = replace(log, applied=log.applied * np.minimum(1.0, most / np.maximum(log.flow, 1e-9)))
    found = reconcile(limited, response_time=settle(what), window=narrow)
    plain = reconcile(log, response_time=settle(what))
    added = sum(found.cause_area.values()) - sum(plain.cause_area.values())
    assert found.cause_area["window limit"] == pytest.approx(added, rel=0.1)


def lost_in_stretch(what: Field, low: float, high: float) -> tuple[AppliedLog, np.ndarray]:
    """Bar pressure below the vapour pressure, and a rate a quarter short, over a stretch of one pass."""
    log, _ = driven(what)
    lost = log.on & (log.run == 4) & (log.y > low) & (log.y < high)
    boiling = np.where(lost, 2.0e5, log.bar_pressure)
    return replace(log, bar_pressure=boiling, applied=np.where(lost, 0.75 * log.applied, log.applied)), lost


@pytest.mark.parametrize("rates", [FLAT, STEPS])
@pytest.mark.parametrize(("low", "high"), [(120.0, 330.0), (330.0, 450.0), (300.0, 460.0)])
def test_a_stretch_in_which_liquid_was_lost_is_not_unexplained(
    rates: tuple[float, ...], low: float, high: float
) -> None:
    """In the middle of a pass, and from its first second, which is too early to be judged by itself; what the start of
    the pass makes of its first 3 s (of 55) stays with the start."""
    what = field(rates=rates, delay=0.8, time_constant=1.5, noise=0.002, seed=2)
    log, lost = lost_in_stretch(what, low, high)
    plain = reconcile(log, response_time=settle(what))
    found = with_lost_liquid(plain, lost_liquid(log, what.bar))
    area = float((log.step * log.width)[lost & ~within(log.applied, log.target, 0.1)].sum())
    assert found.cause_area["unexplained"] == 0.0
    assert found.cause_area[LOST_LIQUID] == pytest.approx(area, rel=0.15 if len(rates) > 1 else 0.06)
    assert shares(found).keys() == shares(plain).keys()


def test_several_at_once_each_gets_what_it_made() -> None:
    """Dead time, slow answer, starts and an overlap: with the others left out, each has made what it is given."""
    what = field(delay=2.0, time_constant=1.5, offsets=(0.0, 0.0, 2.0, 2.0, 2.0, 2.0), seed=5)
    found = reconcile(driven(what)[0], response_time=settle(what)).cause_area
    quick = reconcile(driven(replace(what, delay=0.0, time_constant=0.0))[0], response_time=settle(what)).cause_area
    flat = reconcile(driven(replace(what, rates=FLAT))[0], response_time=settle(what)).cause_area
    assert found[OVERLAP] == pytest.approx(quick[OVERLAP], rel=0.1)
    assert found["section event"] == pytest.approx(flat["section event"], rel=0.25)
    assert found["unexplained"] < 0.02 * sum(found.values())


def test_a_change_that_does_not_account_for_the_difference_gives_way() -> None:
    """A rate a third short just after a step of 11 %: the step is named only where nothing else is known."""
    log = without_starts(driven(field(rates=STEPS, seed=1))[0])
    short = replace(log, applied=0.67 * log.applied)
    reasons = off_causes(short, response_time=4.0, response=Response(0.5, 1.0))
    step = np.isin(reasons.cause, CAUSES[:2])
    assert (step & ~reasons.accounts).sum() > 100
    assert not reasons.accounts[reasons.cause == "unexplained"].any()


def test_ground_of_causes_has_no_double_counting() -> None:
    what = field(delay=1.0, time_constant=1.0, offsets=(0.0, 3.0, 0.0, 3.0, 0.0), brake=(1, 40.0))
    found = reconcile(driven(what)[0], response_time=settle(what))
    laid: Ground = found.laid
    assert sum(found.cause_area.values()) == pytest.approx(float(laid.area[laid.off].sum()), rel=1e-12)
