"""What the log tells about the bar: every fault the simulator puts in is found, and none it does not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bars import AIR, GPM, LB_PER_AC, PSI, bar, change, fahrenheit, feed
from scipy.stats import linregress
from scipy.stats import t as student
from simulator import Field, Truth, simulate, sound_bar, vapour_pressure

from geoflow.bar.equipment import Bar, Suction
from geoflow.diagnosis import (
    Finding,
    diagnose,
    effective_area,
    liquid_margin_lost,
    orifice_drift,
    suction_starving,
    transmitter_zero,
    valve_drop,
)
from geoflow.diagnosis.block_fit import fit_blocks as _fit
from geoflow.diagnosis.block_fit import student as _student
from geoflow.diagnosis.judging import JUDGES
from geoflow.ground.applied_log import AppliedLog

EVERY = (liquid_margin_lost, valve_drop, orifice_drift, transmitter_zero, suction_starving)
COLD, MILD = fahrenheit(30), fahrenheit(45)


def drive(**changes: object) -> tuple[AppliedLog, Truth, Bar]:
    what = Field(offsets=(0.0,) * 8, **changes)  # type: ignore[arg-type]
    return *simulate(what), what.bar


def since_the_start(log: AppliedLog) -> np.ndarray:
    """Seconds that each record's pass has lasted, the first one included."""
    begun = np.array([log.time[log.run == run].min() for run in range(log.run.max() + 1)])
    return log.time - begun[log.run] + 1.0


def only(found: list[Finding]) -> Finding:
    assert len(found) == 1, found
    return found[0]


@pytest.fixture(scope="module")
def sound() -> tuple[AppliedLog, Truth, Bar]:
    return drive()


@pytest.mark.parametrize("look", EVERY, ids=lambda look: look.__name__)
def test_nothing_is_found_where_nothing_is_wrong(look, sound) -> None:  # type: ignore[no-untyped-def]
    log, _, one = sound
    running = replace(log, bar_pressure=np.where(log.applied < 0.9 * log.target, np.nan, log.bar_pressure))
    # At the start of a run the margin is lost in truth, so those moments say nothing here.
    assert look(running if look is liquid_margin_lost else log, one) == []


@pytest.mark.parametrize(
    ("look", "column"),
    [
        (liquid_margin_lost, "temperature"), (liquid_margin_lost, "bar_pressure"), (valve_drop, "pump_pressure"),
        (valve_drop, "flow"), (orifice_drift, "flow"), (orifice_drift, "bar_pressure"), (transmitter_zero, "speed"),
        (transmitter_zero, "temperature"), (suction_starving, "flow"), (suction_starving, "target"),
    ],
)  # fmt: skip
def test_missing_columns_are_named(look, column: str, sound) -> None:  # type: ignore[no-untyped-def]
    log, _, one = sound
    found = only(look(replace(log, **{column: log.flow * np.nan}), one))
    assert (found.missing, found.confidence, found.rows.size) == ((column,), "none", 0)


def test_transmitter_needs_some_pressure_and_suction_its_line(sound) -> None:  # type: ignore[no-untyped-def]
    log, _, one = sound
    blank = log.flow * np.nan
    assert only(transmitter_zero(replace(log, pump_pressure=blank, bar_pressure=blank), one)).missing == (
        "bar_pressure",
    )
    assert only(suction_starving(log, replace(one, suction=None))).missing == ("suction",)


def test_each_judge_says_once_what_it_lacks(sound) -> None:  # type: ignore[no-untyped-def]
    log, _, one = sound
    blank = log.flow * np.nan
    names = ("flow", "target", "pump_pressure", "bar_pressure", "temperature", "speed")
    found = diagnose(replace(log, **dict.fromkeys(names, blank)), one)
    assert len(found) == JUDGES and all(lacks.missing for lacks in found)


# Liquid margin


def test_margin_lost_in_the_low_zone() -> None:
    """The area is that of the records whose pressure (noise of 0.1 psi) is too low, pass starts apart, within 2 %."""
    log, _, one = drive(rates=(120 * LB_PER_AC, 200 * LB_PER_AC), temperature=(MILD, MILD), noise=0.0)
    found = only(liquid_margin_lost(log, one))
    judged = log.on & (since_the_start(log) > 11.0)
    lost = judged & (log.bar_pressure < vapour_pressure(MILD) + 5 * PSI)
    area = log.step * log.width
    assert found.numbers["area"] == pytest.approx(area[lost].sum(), rel=0.02)
    assert found.numbers["area_judged"] == pytest.approx(area[judged].sum())
    assert 0.3 < found.numbers["area"] / found.numbers["area_judged"] < 0.7
    # The mean of a stretch and not the worst reading: the steady margin of the low rate.
    slow = judged & (log.target < 130 * LB_PER_AC) & (log.applied < 1.001 * log.target)
    steady = np.median(log.bar_pressure[slow]) - vapour_pressure(MILD)
    assert found.numbers["least_margin"] == pytest.approx(steady, abs=0.2 * PSI)
    assert 0.0 < found.numbers["area_boiling"] <= found.numbers["area"]
    assert found.confidence == "high"
    assert np.all(log.on[found.rows])


def test_no_liquid_is_lost_where_nothing_flows() -> None:
    """Zones of rate zero with the switch left on: the line stands at the vapour pressure, and nothing is wrong."""
    log, _, one = drive()
    rest = (log.run % 2 == 0) & (log.run > 0)
    vapour = vapour_pressure(COLD) + np.random.default_rng(1).normal(0.0, 0.1 * PSI, log.time.size)
    idle = {name: np.where(rest, 0.0, getattr(log, name)) for name in ("applied", "target", "flow")}
    still = replace(log, **idle, bar_pressure=np.where(rest, vapour, log.bar_pressure))
    assert liquid_margin_lost(still, one) == []
    assert liquid_margin_lost(replace(still, flow=log.flow * np.nan), one) == []
    # The same pressure with ammonia flowing is a fault.
    assert only(liquid_margin_lost(replace(log, bar_pressure=still.bar_pressure), one)).confidence == "high"


@pytest.mark.parametrize("above", [0.5, -2.0])
def test_margins_near_the_limit(above: float) -> None:
    """Half a psi above the wanted margin, under noise of 1.5 psi, is no fault; two psi below is one, if no sure one."""
    log, _, one = drive(rates=(200 * LB_PER_AC,), noise=0.0)
    late = log.on & (since_the_start(log) > 20)
    margin = float(np.median(log.bar_pressure[late])) - vapour_pressure(COLD)
    noise = np.repeat(np.random.default_rng(3).normal(0.0, 1.5 * PSI, log.time.size // 2), 2)
    near = replace(log, bar_pressure=log.bar_pressure + noise + (5.0 + above) * PSI - margin)
    found = liquid_margin_lost(near, one)
    if above > 0:
        assert found == []
    else:
        assert only(found).confidence == "medium"
        assert only(found).numbers["area"] == pytest.approx((log.step * log.width)[late].sum(), rel=0.1)


# Control valve


def test_noise_is_no_drop() -> None:
    """Two transmitters that waver by 2 psi: one moment in four is over 2 psi, no stretch is."""
    log, _, one = drive(pressure_noise=2.0 * PSI)
    assert np.mean(log.pump_pressure - log.bar_pressure > 2.5 * PSI) > 0.15
    assert valve_drop(log, one) == []


def test_transmitters_that_differ_are_no_drop() -> None:
    """The standing machine shows by how much; a log that never stands has to allow for 3 psi."""
    log, _, one = drive()
    higher = replace(log, pump_pressure=log.pump_pressure + 4.0 * PSI)
    assert valve_drop(higher, one) == []
    driven = replace(higher, speed=np.maximum(higher.speed, 1.0))
    assert valve_drop(replace(driven, pump_pressure=log.pump_pressure + 2.5 * PSI), one) == []
    assert only(valve_drop(replace(driven, pump_pressure=log.pump_pressure + 6.0 * PSI), one)).confidence == "low"


def test_a_clogged_line_before_the_bar() -> None:
    """12 psi at 0.6 kg/s lost on top, growing with the square of the flow: the median is recovered within 0.3 psi."""
    log, _, one = drive(clogged=12 * PSI, noise=0.0)
    found = only(valve_drop(log, one))
    put_in = 12 * PSI * np.square(log.flow[found.rows] / 0.6)
    assert found.numbers["excess_drop"] == pytest.approx(np.median(put_in), abs=0.3 * PSI)
    assert found.numbers["share"] > 0.9
    assert found.confidence == "low"  # the rate held: it may throttle on purpose
    short = replace(log, applied=0.9 * log.applied)
    assert only(valve_drop(short, one)).confidence == "high"


def test_expected_drop_of_a_wide_open_valve() -> None:
    """Cv 30 at 0.6 kg/s: water-equivalent (15 gpm / 30)^2 x 0.64 = 0.15 psi, worked by hand with the Cv definition."""
    log, _, one = drive(rates=(180 * LB_PER_AC,), clogged=12 * PSI, noise=0.0)
    found = only(valve_drop(log, one))
    gpm = np.median(log.flow[found.rows]) / 640.0 / GPM
    assert found.numbers["expected_drop"] == pytest.approx((gpm / 30) ** 2 * 0.64 * PSI, rel=0.01)


# Orifices


def test_effective_area_is_the_textbook_equation(sound) -> None:  # type: ignore[no-untyped-def]
    """Recovered within 1 %: 1 % noise of the flow on single records, 0.2 % on the mean."""
    log, _, one = sound
    series = effective_area(log, one)
    assert np.mean(series.ratio) == pytest.approx(1.0, abs=0.002)
    assert np.std(series.ratio) == pytest.approx(0.01, abs=0.003)
    assert np.all((series.ratio_low <= series.ratio) & (series.ratio <= series.ratio_high))


def test_uncertain_orifices_bracket_the_area() -> None:
    vague = replace(bar(), control_valve=sound_bar().control_valve)
    log, _ = simulate(Field(bar=sound_bar()))
    series = effective_area(log, vague)
    assert np.mean(series.ratio_low) < 0.95
    assert np.mean(series.ratio_high) > 1.05


@pytest.mark.parametrize("rows", [1.0, 2.0])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_plugged_row(rows: float, seed: int) -> None:
    """The change within 0.5 % of the area (of 6.25 % a row), its time within 10 s."""
    log, _, one = drive(plug=(900.0, rows), seed=seed)
    found = only(orifice_drift(log, one))
    assert (found.kind, found.confidence, found.scope) == ("plugging", "high", "whole bar")
    assert found.numbers["sudden"] == 1.0
    assert found.numbers["relative_change"] == pytest.approx(-rows / 16, abs=0.005)
    assert found.numbers["rows_worth"] == pytest.approx(rows, abs=0.08)
    assert found.numbers["change_low"] < -rows / 16 + 0.002
    assert found.numbers["change_high"] > -rows / 16 - 0.002
    first_seen = float(log.time[log.on & (log.time >= 900.0)].min())
    assert found.numbers["time"] == pytest.approx(first_seen, abs=10.0)


@pytest.mark.parametrize(("wear", "kind"), [(0.08, "wear"), (-0.05, "plugging")])
def test_slow_drift(wear: float, kind: str) -> None:
    """Change over the log within 0.6 % of the area, inside its interval."""
    log, _, one = drive(wear=wear)
    found = only(orifice_drift(log, one))
    assert (found.kind, found.numbers["sudden"]) == (kind, 0.0)
    assert found.numbers["relative_change"] == pytest.approx(wear, abs=0.006)
    assert found.numbers["change_low"] - 0.003 <= wear <= found.numbers["change_high"] + 0.003


def test_worn_from_the_start() -> None:
    """Area 10 % too large with everything known: level within 0.5 %."""
    log, _, one = drive(area=1.10)
    found = only(orifice_drift(log, one))
    assert found.kind == "orifice area above the bar file"
    assert found.numbers["area_ratio"] == pytest.approx(1.10, abs=0.005)
    small, _, _ = drive(area=0.90)
    assert only(orifice_drift(small, one)).kind == "orifice area below the bar file"


def test_a_meter_without_correction_feigns_no_wear() -> None:
    """Liquid cooling by 15 K moves the counted flow by 3 %; the density takes it out again."""
    one = change(sound_bar(), "meter", reference_temperature=fahrenheit(60))
    log, _, _ = drive(bar=one, temperature=(fahrenheit(50), fahrenheit(23)), rates=(200 * LB_PER_AC,))
    assert orifice_drift(log, one) == []
    assert orifice_drift(log, change(one, "meter", reference_temperature=None))[0].kind == "plugging"


@pytest.mark.parametrize("warmer", [False, True], ids=["cooling", "next tank warmer"])
@pytest.mark.parametrize("flash_weight", [0.0, 1.0])
def test_a_temperature_feigns_no_trend_where_flashing_is_unknown(flash_weight: float, warmer: bool) -> None:
    """Liquid 8 degF colder, or warmer from one tank to the next: some flashing weight explains all of it."""
    vague = bar(control_valve=sound_bar().control_valve)
    change_by = {"tank_change": (900.0, 8.0 / 1.8)} if warmer else {"temperature": (fahrenheit(38), fahrenheit(30))}
    log, _, _ = drive(flash_weight=flash_weight, speed=2.6, **change_by)
    assert orifice_drift(log, vague) == []


def test_trend_as_scipy_computes_it() -> None:
    random = np.random.default_rng(4)
    time, value = np.sort(random.uniform(0, 100, 20)), random.normal(1.0, 0.1, 20)
    fit = _fit([np.ones(20), time], value[None], np.ones(20))
    scipys = linregress(time, value)
    assert fit.size[0] == pytest.approx(scipys.slope, rel=1e-9)
    assert fit.error[0] == pytest.approx(scipys.stderr, rel=1e-9)
    assert fit.constant_error[0] == pytest.approx(scipys.intercept_stderr, rel=1e-9)
    assert [_student(k) for k in (6, 10, 30)] == pytest.approx([student.ppf(0.975, k) for k in (6, 10, 30)], rel=2e-3)


# Transmitters


@pytest.mark.parametrize("degrees", [30.0, 50.0])
def test_a_transmitter_zeroed_with_product_in_the_lines(degrees: float) -> None:
    """Reads less by the gauge vapour pressure at which it was zeroed: within 0.5 psi and 0.5 K."""
    zeroed = fahrenheit(degrees)
    offset = AIR - float(vapour_pressure(zeroed))
    log, _, one = drive(zero=offset, temperature=(COLD + 4.0, COLD + 4.0))
    found = only(transmitter_zero(log, one))
    assert found.kind == "transmitter zeroed with product in the lines"
    assert (found.scope, found.confidence) == ("bar pressure", "high")
    assert found.numbers["offset"] == pytest.approx(offset, abs=0.5 * PSI)
    assert found.numbers["zero_temperature"] == pytest.approx(zeroed, abs=0.5)
    assert found.numbers["running_offset_low"] == pytest.approx(offset, abs=2.0 * PSI)


def test_the_same_seen_on_drained_lines() -> None:
    offset = AIR - float(vapour_pressure(COLD))
    log, _, one = drive(zero=offset, drained=True)
    found = next(one for one in transmitter_zero(log, one) if one.scope == "bar pressure")
    assert found.confidence == "high"
    assert found.numbers["offset"] == pytest.approx(offset, abs=0.5 * PSI)


def test_drained_lines_alone_are_no_fault() -> None:
    log, _, one = drive(drained=True)
    assert [found for found in transmitter_zero(log, one) if found.scope == "bar pressure"] == []
    # Nothing but standing readings and vague orifices cannot tell the two apart.
    vague = only(transmitter_zero(replace(log, pump_pressure=log.flow * np.nan, flow=log.flow * np.nan), one))
    assert vague.confidence == "low"


def test_a_constant_bias() -> None:
    log, _, one = drive(zero=12 * PSI)
    found = only(transmitter_zero(log, one))
    assert (found.kind, found.confidence) == ("transmitter bias", "high")
    assert found.numbers["offset"] == pytest.approx(12 * PSI, abs=0.5 * PSI)
    assert "zero_temperature" not in found.numbers


def test_an_offset_is_not_told_again_as_something_else() -> None:
    """Zeroed at 30 degF, so 45 psi low: no liquid was lost, no orifice is worn, nothing is clogged."""
    log, _, one = drive(zero=AIR - float(vapour_pressure(COLD)))
    assert {found.kind for found in (*liquid_margin_lost(log, one), *valve_drop(log, one))} == {"liquid margin lost"}
    assert [found.kind for found in diagnose(log, one)] == ["transmitter zeroed with product in the lines"]
    # A row that plugs beside it is still found.
    plugged, _, _ = drive(zero=AIR - float(vapour_pressure(COLD)), plug=(900.0, 1.0))
    assert {found.kind for found in diagnose(plugged, one)} == {
        "transmitter zeroed with product in the lines", "plugging"
    }  # fmt: skip


# Suction


def starving_bar() -> Bar:
    return sound_bar(suction=Suction(0.0, feed(14, 1.0, 12.0)))


def test_starving_in_the_cold() -> None:
    """Starved moments found: area within 5 % of the true one (less the first seconds of each zone), flow within 2 %."""
    one = starving_bar()
    log, truth, _ = drive(
        bar=one, starving=True, temperature=(fahrenheit(60), fahrenheit(5)), rates=(170 * LB_PER_AC,), noise=0.0
    )
    found = only(suction_starving(log, one))
    area = log.step * log.width
    short = truth.starved & (log.applied < 0.95 * log.target)
    since = log.time - np.array([log.time[log.run == run].min() for run in range(log.run.max() + 1)])[log.run]
    assert (found.kind, found.confidence) == ("suction starving", "high")
    assert found.numbers["area"] == pytest.approx(area[short & (since > 5)].sum(), rel=0.05)
    assert found.numbers["flow"] == pytest.approx(np.median(log.flow[short & (since > 5)]), rel=0.02)
    assert found.numbers["suction_flow_certain"] == pytest.approx(found.numbers["flow"], rel=0.03)
    assert found.numbers["temperature_short"] < found.numbers["temperature_other"] - 5.0


def test_short_in_the_cold_without_a_limit_to_blame() -> None:
    log, _, one = drive(temperature=(fahrenheit(60), fahrenheit(5)), rates=(170 * LB_PER_AC,), noise=0.0)
    cold = log.temperature < np.median(log.temperature)
    short = replace(log, flow=np.where(cold, 0.85, 1.0) * log.flow)
    found = only(suction_starving(short, one))
    assert (found.kind, found.confidence) == ("short in the cold", "low")
    # Short in the warm half instead: the suction has nothing to do with it.
    assert suction_starving(replace(log, flow=np.where(cold, 1.0, 0.85) * log.flow), one) == []
