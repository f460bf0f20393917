"""Agreement, causes and mass balance: hand cases, published data, and the simulator's truth."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
import shapely
from bars import FOOT, INCH, LB_PER_AC, fahrenheit
from CoolProp.CoolProp import PropsSI
from hypothesis import given
from hypothesis import strategies as st
from simulator import Field, simulate, sound_bar

from geoflow.bar.equipment import Controller
from geoflow.base.errors import RangeError
from geoflow.hydraulics.window import flow_window
from geoflow.reconciliation.agreement import agreement, within
from geoflow.reconciliation.balance import logged_ammonia, mass_balance, mean_temperature
from geoflow.reconciliation.causes import CAUSES, off_causes, response_time, turning_ratio

# Bland and Altman, Lancet 1986, i, 307-310: first peak flows [L/min] of 17 people, two meters. Data from memory.
LARGE = np.array([494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427.0])
MINI = np.array([512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451.0])

rates = st.lists(st.floats(0.001, 0.05), min_size=3, max_size=12)


def test_concordance_by_hand() -> None:
    # Lin 1989: s_xy = s_x^2 = s_y^2 = 2/3, means one apart: (4/3) / (4/3 + 1).
    found = agreement(np.array([2.0, 3.0, 4.0]), np.array([1.0, 2.0, 3.0]), np.ones(3))
    assert found.concordance == pytest.approx(4 / 7, rel=1e-14)
    assert (found.bias, found.mae, found.rmse, found.spread) == pytest.approx((1.0, 1.0, 1.0, 0.0), abs=1e-12)


def test_limits_of_agreement_as_published() -> None:
    found = agreement(LARGE, MINI, np.ones(17))
    # The paper divides by n - 1 and takes 2 SD; its figures from memory: -2.1, 38.8, -79.7, 75.5.
    spread = found.spread * np.sqrt(17 / 16)
    assert found.bias == pytest.approx(-2.1, abs=0.05)
    assert spread == pytest.approx(38.8, abs=0.05)
    assert (found.bias - 2 * spread, found.bias + 2 * spread) == pytest.approx((-79.7, 75.5), abs=0.15)
    # 2 s_xy / ... worked once by hand from the 17 pairs, sums over n.
    assert found.concordance == pytest.approx(0.9427, abs=5e-5)
    assert (found.lower_limit, found.upper_limit) == pytest.approx(
        (found.bias - 1.96 * found.spread, found.bias + 1.96 * found.spread)
    )


@given(rates, st.integers(0, 2**32 - 1))
def test_equal_weights_are_the_plain_formulas(values: list[float], seed: int) -> None:
    x = np.array(values)
    y = x * np.random.default_rng(seed).uniform(0.7, 1.3, x.size)
    found = agreement(y, x, np.full(x.size, 7.0))
    assert found.bias == pytest.approx(np.mean(y - x), abs=1e-15)
    assert found.mae == pytest.approx(np.mean(np.abs(y - x)))
    assert found.rmse == pytest.approx(np.sqrt(np.mean((y - x) ** 2)))
    plain = 2 * np.cov(x, y, ddof=0)[0, 1] / (np.var(x) + np.var(y) + (x.mean() - y.mean()) ** 2)
    # Against a target without spread there is nothing to agree with: not 0, and not 1.
    assert found.concordance == pytest.approx(plain, abs=1e-9) if np.ptp(x) > 0.0 else np.isnan(found.concordance)
    assert found.within_10 == pytest.approx(np.mean(np.abs(y / x - 1) <= 0.1))


@given(rates, st.floats(0.05, 0.95), st.integers(0, 2**32 - 1))
def test_cutting_a_record_in_two_changes_nothing(values: list[float], share: float, seed: int) -> None:
    random = np.random.default_rng(seed)
    x = np.array(values)
    y, area = x * random.uniform(0.7, 1.3, x.size), random.uniform(1.0, 50.0, x.size)
    cut = np.concatenate([area, [area[0] * (1 - share)]])
    cut[0] = area[0] * share
    whole, parts = agreement(y, x, area), agreement(np.append(y, y[0]), np.append(x, x[0]), cut)
    for name in whole.__slots__:
        assert getattr(parts, name) == pytest.approx(getattr(whole, name), rel=1e-9, abs=1e-12, nan_ok=True), name


def test_points_are_not_counted() -> None:
    found = agreement(np.array([1.0, 2.0]), np.array([1.0, 1.0]), np.array([9.0, 1.0]))
    assert (found.bias, found.within_10, found.applied_mean) == pytest.approx((0.1, 0.9, 1.1))


def test_within_at_the_edge_and_without_target() -> None:
    edge = within(np.array([1.05, 1.0501, 0.0, 0.1]), np.array([1.0, 1.0, 0.0, 0.0]), 0.05)
    assert edge.tolist() == [True, False, True, False]


def test_unknown_area_is_told_and_nothing_is_made_up() -> None:
    found = agreement(np.array([1.0, np.nan]), np.array([1.0, 1.0]), np.array([3.0, 2.0]))
    assert (found.area, found.area_unknown) == (3.0, 2.0)
    assert np.isnan(found.concordance)  # one constant
    empty = agreement(np.empty(0), np.empty(0), np.empty(0))
    assert empty.area == 0.0
    assert np.isnan(empty.bias)
    with pytest.raises(RangeError, match="negative"):
        agreement(np.ones(1), np.ones(1), np.array([-1.0]))


# Causes


@dataclass(frozen=True)
class Off:
    """What put records more than a tenth off their target, and each cause's share of their ground."""

    cause: np.ndarray
    share: dict[str, float]


def off_target(log, **more: object) -> Off:  # type: ignore[no-untyped-def]
    near = within(log.applied * turning_ratio(log), log.target, 0.1)
    cause = np.where(near, "", off_causes(log, **more).cause)  # type: ignore[arg-type]
    area = np.where(cause != "", log.step * log.width, 0.0)
    return Off(cause, {name: area[cause == name].sum() / max(area.sum(), 1e-9) for name in CAUSES})


def causes_of(what: Field, **more: object):  # type: ignore[no-untyped-def]
    log, truth = simulate(what)
    found = off_target(log, response_time=response_time(Controller(what.delay, what.time_constant)), **more)
    return log, truth, found


def test_rate_steps_and_run_starts_explain_a_sound_bar() -> None:
    """Nothing but steps of 150/180/200 lb/ac and starts of runs: nothing is left unexplained."""
    _, _, found = causes_of(Field(noise=0.005))
    assert found.share["unexplained"] == 0.0
    assert found.share["rate step"] > 0.2
    assert found.share["rate step"] + found.share["section event"] == pytest.approx(1.0)
    assert sum(found.share.values()) == pytest.approx(1.0)
    assert list(found.share) == list(CAUSES)


def test_one_rate_braked_once() -> None:
    what = Field(rates=(180 * LB_PER_AC,), noise=0.0, brake=(2, 60.0), delay=1.5)
    log, _, found = causes_of(what)
    off = found.cause == "speed change"
    since = log.time - log.time[log.run == 3].min() + 1.0
    assert off.any()
    # 1.5 s dead time and 1.5 s time constant over ramps of 2 s, from 60 s and from 70 s on; settled 6 s after either.
    assert np.all((log.run[off] == 3) & ((since[off] > 60) & (since[off] < 68) | (since[off] > 70) & (since[off] < 78)))
    assert found.share["unexplained"] == found.share["rate step"] == 0.0


def test_a_section_switched() -> None:
    what = Field(rates=(180 * LB_PER_AC,), noise=0.0, section_off=(3, 50.0, 80.0))
    log, _, found = causes_of(what)
    switched = (found.cause == "section event") & (log.run == 4)
    since = (log.time - log.time[log.run == 4].min() + 1.0)[switched]
    # Right section gets too much just after 50 s and both too little after 80 s, as soon as the dead time begins.
    assert {50.0 <= moment < 56.0 for moment in since if 10 < moment < 70} == {True}
    assert ((since > 79.0) & (since < 86.0)).any()
    assert found.share["section event"] == pytest.approx(1.0)


def test_turning_ratio_is_the_geometry_of_the_arc() -> None:
    """Section centres 3.048 m off on a radius of 30 m: 1 / (1 -/+ 3.048/30)."""
    what = Field(rates=(180 * LB_PER_AC,), noise=0.0, radius=30.0, length=90.0)
    log, truth, found = causes_of(what)
    arc, y = log.run == 6, 4 * 30 * INCH
    ratio = turning_ratio(log)
    assert y == pytest.approx(10 * FOOT)
    for section, expected in ((0, 1 / (1 + y / 30)), (1, 1 / (1 - y / 30))):
        assert ratio[arc & (log.section == section)] == pytest.approx(expected, rel=1e-9)
    assert ratio[~arc] == pytest.approx(1.0, abs=1e-12)
    # What lay on the ground, by the simulator.
    delivering = arc & (truth.ground > 0)
    assert (log.applied * ratio)[delivering] == pytest.approx(truth.ground[delivering], rel=1e-9)
    # 1/(1 + 0.1016) = 0.908 stays within 10 %, 1/(1 - 0.1016) = 1.113 does not; after 5.3 s the start is over.
    settled = arc & (log.time > log.time[arc].min() + 7)
    assert np.all(found.cause[settled & (log.section == 1)] == "turning")
    assert np.all(found.cause[settled & (log.section == 0)] == "")


def test_a_flow_outside_the_window() -> None:
    """A steady shortfall is the window's where the flow asked for lies outside it, and unexplained elsewhere."""
    what = Field(rates=(180 * LB_PER_AC,), noise=0.0)
    log, _ = simulate(what)
    log = replace(log, applied=0.8 * log.applied)
    kelvin = np.array([fahrenheit(30)])
    window = flow_window(what.bar, kelvin, (0, 1))
    narrow = replace(
        window, certain={**window.certain, "pump flow": np.full(1, 0.3)}, per_case=window.per_case
    )  # kg/s, half of what is asked
    plain, wide, tight = (off_target(log, response_time=5.3, window=one) for one in (None, window, narrow))
    assert plain.share["unexplained"] > 0.9
    assert wide.share == pytest.approx(plain.share)
    # Within the time of the response too, where that does not account for most of the shortfall.
    assert plain.share["unexplained"] <= tight.share["window limit"] <= plain.share["unexplained"] + 0.02
    assert tight.share["window limit"] + tight.share["section event"] == pytest.approx(1.0)
    unknown = off_target(replace(log, temperature=log.temperature * np.nan), response_time=5.3, window=narrow)
    assert unknown.share == pytest.approx(tight.share)


def test_a_log_without_clock_keeps_its_causes() -> None:
    log, _ = simulate(Field(noise=0.0, standing=0))
    timed = off_target(log, response_time=5.3)
    blind = off_target(replace(log, time=log.time * np.nan), response_time=5.3)
    assert blind.share == pytest.approx(timed.share, abs=0.02)


def test_response_time_without_a_controller_is_five_seconds() -> None:
    assert response_time(None) == 5.0
    assert response_time(Controller(0.8, 1.5)) == pytest.approx(5.3)


# The simulator's geometry, against shapely


@pytest.mark.parametrize(
    "offsets", [(0.0,) * 4, (0.0, 0.0, 1.5, 1.5), (0.0, -2.0, -2.0, -2.0)], ids=["even", "overlap", "skip"]
)
def test_covered_area_of_the_simulator(offsets: tuple[float, ...]) -> None:
    """Union of the records' rectangles; a pass stops up to one second (2.2 m of 450) short: 0.5 %."""
    log, truth = simulate(Field(offsets=offsets, standing=0))
    half, north = 0.5 * log.width, np.cos(log.heading)
    union = shapely.union_all(
        shapely.box(log.x - half, np.minimum(log.y, log.y - log.step * north), log.x + half,
                    np.maximum(log.y, log.y - log.step * north)),
        grid_size=1e-6,
    )  # fmt: skip
    assert (log.step * log.width)[log.on].sum() == pytest.approx(truth.swept, rel=1e-12)
    assert union.area == pytest.approx(truth.covered, rel=0.001)
    inside = union.convex_hull.area - union.area
    skipped = max(0.0, -min(offsets)) * 450.0
    assert inside == pytest.approx(skipped, abs=0.005 * union.area)


# Mass balance


def test_balance_by_hand() -> None:
    found = mass_balance(12_600.0, 12_000.0, pulses_per_volume=700.0)
    assert (found.ratio, found.meter_factor) == pytest.approx((1.05, 12 / 12.6))
    assert (found.pulses_per_volume, found.pulses_per_volume_as_used) == pytest.approx((735.0, 735.0))
    assert (found.temperature_ratio, found.remaining_ratio) == pytest.approx((1.0, 1.05))
    assert found.pulses_per_nitrogen is None


def test_temperature_part_of_the_balance() -> None:
    """A sound meter set to 60 degF on liquid of 30 degF counts too little, by CoolProp's densities."""
    cold, warm = (PropsSI("D", "T", fahrenheit(at), "Q", 0, "Ammonia") for at in (30, 60))
    found = mass_balance(
        1000.0 * warm / cold, 1000.0, pulses_per_volume=700.0, temperature=fahrenheit(30),
        reference_temperature=fahrenheit(60), nitrogen_fraction=0.82,
    )  # fmt: skip
    assert found.temperature_ratio == pytest.approx(warm / cold, rel=1e-5)
    assert found.remaining_ratio == pytest.approx(1.0, rel=1e-5)
    assert found.pulses_per_volume == pytest.approx(700.0, rel=1e-5)
    assert found.pulses_per_volume_as_used == pytest.approx(700.0 * warm / cold, rel=1e-9)
    assert found.pulses_per_nitrogen == pytest.approx(700.0 / (cold * 0.82), rel=1e-5)


def test_pulses_for_ten_pounds_of_nitrogen() -> None:
    """720 pulses a gallon at 30 degF: 1638.7 in 10 lb N, worked by hand (published/metering.csv)."""
    found = mass_balance(
        1.0, 1.0, pulses_per_volume=720 / 3.785411784e-3, temperature=fahrenheit(30), nitrogen_fraction=0.82244
    )
    assert found.pulses_per_nitrogen is not None
    assert found.pulses_per_nitrogen * 10 * 0.45359237 == pytest.approx(1638.7, abs=0.2)


def test_an_unknown_temperature_leaves_the_meter_open() -> None:
    found = mass_balance(1.1, 1.0, pulses_per_volume=700.0, reference_temperature=fahrenheit(60))
    assert found.temperature_ratio is found.remaining_ratio is found.pulses_per_volume is None
    assert found.pulses_per_volume_as_used == pytest.approx(770.0)


@pytest.mark.parametrize(("logged", "ticket"), [(0.0, 1.0), (1.0, 0.0), (1.0, -5.0), (np.nan, 1.0)])
def test_no_balance_without_both(logged: float, ticket: float) -> None:
    with pytest.raises(RangeError, match="not above zero"):
        mass_balance(logged, ticket)


@pytest.mark.parametrize(("overcount", "degrees"), [(1.0, 30.0), (1.04, 30.0), (0.97, 75.0)])
def test_meter_error_and_temperature_are_told_apart(overcount: float, degrees: float) -> None:
    """Within 0.5 %: the log samples once a second what the ticket sums twenty times a second."""
    plain = sound_bar()
    one = replace(plain, meter=replace(plain.meter, reference_temperature=fahrenheit(60)))
    kelvin = fahrenheit(degrees)
    log, truth = simulate(Field(bar=one, overcount=overcount, temperature=(kelvin, kelvin)))
    found = mass_balance(
        logged_ammonia(log, one.nitrogen_fraction), truth.ammonia, temperature=mean_temperature(log),
        reference_temperature=one.meter.reference_temperature, pulses_per_volume=one.meter.pulses_per_volume,
    )  # fmt: skip
    assert found.remaining_ratio == pytest.approx(overcount, abs=0.005)
    assert found.pulses_per_volume == pytest.approx(one.meter.pulses_per_volume * overcount, rel=0.005)


def test_mean_temperature_counts_what_went_out() -> None:
    log, _ = simulate(Field(temperature=(280.0, 270.0), section_off=(0, 0.0, 1e9)))
    mean = mean_temperature(log)
    assert mean is not None
    product = np.where(log.on, log.applied * log.step * log.width, 0.0)
    assert mean == pytest.approx(np.sum(product * log.temperature) / product.sum())
    assert mean < float(np.mean(log.temperature))
    assert mean_temperature(replace(log, temperature=log.temperature * np.nan)) is None
