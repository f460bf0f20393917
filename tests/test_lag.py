"""The lag between target and applied, against scipy and the simulator's truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bars import LB_PER_AC
from scipy.signal import correlate
from simulator import Field, simulate

from geoflow.base.errors import RangeError
from geoflow.ground.applied_log import AppliedLog
from geoflow.reconciliation.agreement import agreement
from geoflow.reconciliation.lag import estimate_lag, shifted, tracks


def series(target: np.ndarray, applied: np.ndarray, *, run: np.ndarray | None = None, step: float = 1.0) -> AppliedLog:
    """One section on a straight line, one record a second."""
    size, zero = target.size, np.zeros(target.size)
    time = step * np.arange(size)
    return AppliedLog(
        row=np.arange(size), time=time, x=zero, y=2.0 * time, heading=zero, speed=zero + 2.0, step=zero + 2.0 * step,
        section=zero.astype(np.int64), offset=zero, width=zero + 10.0,
        run=zero.astype(np.int64) if run is None else run, on=np.ones(size, dtype=bool), applied=applied,
        target=target, flow=zero, pump_pressure=zero, bar_pressure=zero, temperature=zero,
    )  # fmt: skip


def steps(size: int, seed: int) -> np.ndarray:
    random = np.random.default_rng(seed)
    return np.repeat(random.uniform(0.01, 0.03, size // 12 + 1), 12)[:size]


@pytest.mark.parametrize("lag", [0, 1, 4, 9])
def test_whole_seconds_as_scipy_finds_them(lag: int) -> None:
    """scipy.signal.correlate of the centred series has its greatest value at the same whole lag."""
    target = steps(600, lag)
    applied = np.roll(target, lag) + np.random.default_rng(lag + 100).normal(0.0, 0.001, 600)
    product = correlate(applied - applied.mean(), target - target.mean(), mode="full")
    scipys = int(np.argmax(product)) - 599
    found = estimate_lag(series(target, applied))
    assert scipys == lag
    assert found is not None
    assert found.best == pytest.approx(scipys, abs=0.1)
    assert found.low <= found.best <= found.high


@pytest.mark.parametrize(("delay", "time_constant"), [(0.0, 0.0), (0.8, 1.5), (2.3, 0.0), (1.0, 3.0), (4.6, 1.0)])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_lag_of_the_simulator(delay: float, time_constant: float, seed: int) -> None:
    """Dead time + ln 2 time constants (half of a step done) within 0.2 s, from 1 Hz with 1 % noise."""
    log, truth = simulate(Field(delay=delay, time_constant=time_constant, seed=seed, offsets=(0.0,) * 12))
    found = estimate_lag(log)
    assert found is not None
    assert found.best == pytest.approx(truth.lag, abs=0.2)
    assert found.low <= truth.lag <= found.high
    assert found.high - found.low < 1.5


def test_the_range_grows_with_noise_and_holds_the_truth() -> None:
    """Noise of five times the target's spread: 95 % means at least 17 of 20 (binomial, 98 %)."""
    held, widths = 0, {}
    for noise in (0.0005, 0.03):
        found = [
            estimate_lag(series(target, np.roll(target, 3) + np.random.default_rng(seed + 500).normal(0.0, noise, 600)))
            for seed, target in ((seed, steps(600, seed)) for seed in range(20))
        ]
        held = sum(one.low <= 3.0 <= one.high for one in found if one is not None)
        widths[noise] = np.mean([one.high - one.low for one in found if one is not None])
    assert held >= 17
    assert widths[0.0005] == pytest.approx(1.0)  # half the interval each way
    assert widths[0.03] > 2 * widths[0.0005]


def test_a_gain_or_bias_of_the_meter_moves_no_lag() -> None:
    log, truth = simulate(Field(noise=0.0, offsets=(0.0,) * 12))
    found, off = estimate_lag(log), estimate_lag(replace(log, applied=1.2 * log.applied + 0.002))
    assert found is not None
    assert off is not None
    assert off.best == found.best == pytest.approx(truth.lag, abs=0.2)


def test_runs_are_not_mixed() -> None:
    """Two runs shuffled behind each other: with the border crossed, the second would be matched with the first."""
    target = steps(400, 9)
    run = np.repeat([0, 1], 200).astype(np.int64)
    applied = np.concatenate([np.roll(target[:200], 2), np.roll(target[200:], 2)])
    together = series(target, applied, run=run)
    back = replace(together, time=np.where(run == 0, together.time, together.time - 200.0))
    order = np.argsort(back.time, kind="stable")
    mixed = replace(back, **{name: getattr(back, name)[order] for name in back.__slots__})
    first, second = estimate_lag(together), estimate_lag(mixed)
    assert first == second
    assert first is not None
    assert first.best == pytest.approx(2.0, abs=1e-9)


def test_nothing_to_tell() -> None:
    log, _ = simulate(Field())
    assert estimate_lag(replace(log, time=log.time * np.nan)) is None
    flat, _ = simulate(Field(rates=(180 * LB_PER_AC,)))
    assert estimate_lag(flat) is None
    # Rates differ between the runs only.
    between = np.repeat([0.01, 0.02], 100)
    assert estimate_lag(series(between, between, run=np.repeat([0, 1], 100).astype(np.int64))) is None
    # Runs too short for the search.
    assert estimate_lag(series(steps(300, 1), steps(300, 1), run=np.arange(300) // 15)) is None
    assert estimate_lag(series(np.empty(0), np.empty(0))) is None


def test_steps_that_all_fall_alike_hide_up_to_an_interval() -> None:
    """Zones of 16.98 s at 1 Hz: the lag is out by no more than the second the log is blind for."""
    log, truth = simulate(Field(delay=2.3, time_constant=0.0, speed=2.65, seed=11, offsets=(0.0,) * 12))
    found = estimate_lag(log)
    assert found is not None
    assert 0.5 < abs(found.best - truth.lag) < 1.0


def test_a_log_of_uneven_intervals() -> None:
    """A third of the records gone at random: within half a second."""
    log, truth = simulate(Field(offsets=(0.0,) * 12))
    kept = np.repeat(np.random.default_rng(1).random(log.time.size // 2) > 0.3, 2)
    found = estimate_lag(replace(log, **{name: getattr(log, name)[kept] for name in log.__slots__}))
    assert found is not None
    assert found.best == pytest.approx(truth.lag, abs=0.5)
    assert found.low <= truth.lag <= found.high


def test_a_wrong_target_has_no_sharp_lag() -> None:
    found = estimate_lag(series(steps(600, 1), np.random.default_rng(3).normal(0.02, 0.002, 600)))
    assert found is not None
    assert abs(found.score) < 0.2
    assert found.high - found.low > 1.0


def test_shifting_looks_up_the_target_and_moves_nothing() -> None:
    log = series(np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0]), np.ones(6), run=np.array([0, 0, 0, 1, 1, 1]))
    assert shifted(log, 1.0).target.tolist() == [1.0, 1.0, 2.0, 4.0, 4.0, 5.0]
    assert shifted(log, -1.2).target.tolist() == [2.0, 3.0, 3.0, 5.0, 6.0, 6.0]
    assert shifted(log, 0.4).target.tolist() == log.target.tolist()
    for name in ("x", "y", "time", "applied", "step"):
        assert getattr(shifted(log, 1.0), name) is getattr(log, name)
    with pytest.raises(RangeError, match="no times"):
        shifted(replace(log, time=log.time * np.nan), 1.0)


def test_a_pure_delay_is_taken_out() -> None:
    """With the lag out, only the transients at starts and on split records are left."""
    log, truth = simulate(Field(delay=3.0, time_constant=0.0, noise=0.0, standing=0))
    area = log.step * log.width
    before = agreement(log.applied, log.target, area)
    after = agreement(log.applied, shifted(log, truth.lag).target, area)
    # 3 s of each of six runs of 204 s is spent at the start, 1.5 %.
    assert after.within_5 == pytest.approx(1.0 - 3 / 204, abs=0.01)
    assert before.within_5 < after.within_5 - 0.05


def test_tracks_hold_at_their_ends() -> None:
    log = series(np.arange(6.0), np.ones(6), run=np.array([0, 0, 0, 1, 1, 1]))
    road = tracks(log, log.time)
    assert road.nearest(100.0).tolist() == [0, 0, 0, 3, 3, 3]
    assert road.nearest(-100.0).tolist() == [2, 2, 2, 5, 5, 5]


def driven(lag: float, time_constant: float, seed: int, hertz: float, zones: int = 60) -> AppliedLog:
    """Steps at any time, between records or not, answered by dead time and first order; 1 % noise of what is logged."""
    random = np.random.default_rng((seed, round(100 * lag), round(10 * hertz)))
    edges = np.cumsum(random.uniform(15.0, 25.0, zones))
    levels = random.choice([150.0, 165.0, 180.0, 200.0], zones + 1) * LB_PER_AC
    time = np.arange(0.0, edges[-1] - 1.0, 1.0 / hertz)
    since = time[:, None] - edges - (lag - np.log(2.0) * time_constant)
    slow = np.exp(-np.maximum(since, 0.0) / max(time_constant, 1e-9))
    applied = levels[0] + np.where(since >= 0.0, 1.0 - slow * (time_constant > 0.0), 0.0) @ np.diff(levels)
    target = levels[np.searchsorted(edges, time, side="right")]
    return series(target, applied * random.normal(1.0, 0.01, time.size), step=1.0 / hertz)


@pytest.mark.slow
@pytest.mark.parametrize(("hertz", "off", "least"), [(1.0, 0.2, 0.95), (5.0, 0.06, 0.98)])
@pytest.mark.parametrize("time_constant", [0.0, 0.5, 1.5, 3.0])
def test_the_lag_of_many_logs(hertz: float, off: float, least: float, time_constant: float) -> None:
    """Truths from 0 to 3 s in tenths: no bias, held by its range in nine logs of ten at least, and near.

    A step falls anywhere in the interval of the log, and so does its answer: of 60 steps the mean is good for
    0.41 / sqrt(60) = 0.05 intervals. Near: within 0.2 s of it in 95 % of the logs of 1 Hz.
    """
    truths = [lag for lag in np.arange(31) / 10 if lag >= np.log(2.0) * time_constant]
    error, held = [], []
    for truth in truths:
        for seed in range(3):
            found = estimate_lag(driven(truth, time_constant, seed, hertz))
            assert found is not None
            error.append(found.best - truth)
            held.append(found.low <= truth <= found.high)
    assert np.mean(held) >= 0.9
    assert abs(np.mean(error)) < 0.04 / hertz + 0.02
    assert np.mean(np.abs(error) <= off) >= least


def test_a_lag_between_two_records() -> None:
    """1.2 s on a log of 1 Hz, of dead time alone."""
    for seed in range(10):
        found = estimate_lag(driven(1.2, 0.0, seed, 1.0, zones=120))
        assert found is not None
        assert found.best == pytest.approx(1.2, abs=0.2)
        assert found.low <= 1.2 <= found.high
