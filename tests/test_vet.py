"""Verdicts on zones: consistent with the window, with themselves, and with the bar solved again."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from bars import AIR, GPM, LB_PER_AC, MPH, PSI, bar, change, fahrenheit, full_bar, orifice, sharp_bar
from hypothesis import given
from hypothesis import strategies as st
from laws import laws
from solved import Solutions

from geoflow.bar.equipment import Bar, RowHose
from geoflow.base.errors import RangeError, UsageError
from geoflow.base.rate_units import rate_unit
from geoflow.base.rates import ammonia_flow, as_nitrogen_rate
from geoflow.base.schema import HIGH_LIMITS, LIMITS, LOW_LIMITS, VERDICTS
from geoflow.decide.gauges import expected_gauges, rows_at_map_rates
from geoflow.decide.vet import Plan, fitted_with, solve, vet
from geoflow.hydraulics.cases import bounding_cases
from geoflow.hydraulics.circuit import Circuit
from geoflow.hydraulics.rows import row_split
from geoflow.hydraulics.window import flow_window, temperature_grid
from geoflow.report.cures import cure_texts
from geoflow.report.documents import window_document
from geoflow.report.terminal import as_text
from geoflow.report.window import window_report

ALL = (0, 1, 2)


def known(**changes: Any) -> Bar:
    """Every kind of loss, and orifices whose flashing is known well enough to leave a window."""
    return full_bar(
        orifices={
            "small": orifice("small", 0.070, coefficient_tolerance=0.04, flash_weight=0.3),
            "large": orifice("large", 0.080, coefficient_tolerance=0.04, flash_weight=0.3),
            "tiny": orifice("tiny", 0.045, coefficient_tolerance=0.04, flash_weight=0.3),
            "huge": orifice("huge", 0.125, coefficient_tolerance=0.04, flash_weight=0.3),
        },
        **changes,
    )


def plan(low: float, high: float, slow: float, fast: float, sections: tuple[int, ...] = ALL) -> Plan:
    return Plan((fahrenheit(low), fahrenheit(high)), (slow * MPH, fast * MPH), sections)


UNCORRECTED = change(known(), "meter", reference_temperature=fahrenheit(60.0))
SOLUTIONS = Solutions(
    known=(known(), plan(38.0, 48.0, 4.6, 5.0)),
    uncorrected=(UNCORRECTED, plan(15.0, 25.0, 5.0, 5.4)),
    unknown=(full_bar(), plan(25.0, 32.0, 5.0, 5.5)),
)
RATES = (
    np.array([0.0, 5.0, 60.0, 120.0, 150.0, 170.0, 185.0, 200.0, 220.0, 240.0, 250.0, 270.0, 300.0, 900.0]) * LB_PER_AC
)


@pytest.mark.parametrize("name", list(SOLUTIONS))
def test_the_plans_used_here_show_every_verdict(name: str) -> None:
    solution = SOLUTIONS[name]
    low, high = solution.rate_bounds(solution.certain)
    possible_low, possible_high = solution.rate_bounds(solution.possible)
    assert possible_low < low < high < possible_high
    rates = np.array([0.0, 0.5 * possible_low, 0.5 * (low + possible_low), 0.5 * (low + high), 1.2 * possible_high])
    assert list(vet(rates, solution).verdict) == ["off", "fails", "doubtful", "holds", "fails"]
    assert set(VERDICTS) == {"off", "fails", "doubtful", "holds"}


@pytest.mark.parametrize("name", list(SOLUTIONS))
def test_a_rate_clipped_to_the_bounds_holds_and_one_past_them_does_not(name: str) -> None:
    solution = SOLUTIONS[name]
    low, high = solution.rate_bounds(solution.certain)
    clipped = vet(np.clip(RATES[1:], low, high), solution)
    assert set(clipped.verdict) == {"holds"}
    past = vet(np.array([low * (1 - 1e-6), high * (1 + 1e-6)]), solution)
    assert list(past.verdict) == ["doubtful", "doubtful"]
    assert list(past.side) == ["low", "high"]
    assert list(past.limited_by) == [solution.certain.low_limit, solution.certain.high_limit]
    low, high = solution.rate_bounds(solution.possible)
    edge = vet(np.array([low * (1 - 1e-6), low * (1 + 1e-6), high * (1 - 1e-6), high * (1 + 1e-6)]), solution)
    assert list(edge.verdict) == ["fails", "doubtful", "doubtful", "fails"]


@pytest.mark.parametrize("name", list(SOLUTIONS))
def test_a_zone_driven_inside_its_speed_band_holds(name: str) -> None:
    """Either end of the band alone as planned speed; and just past an end that the bar's allowed speeds do not set."""
    solution = SOLUTIONS[name]
    found = vet(RATES, solution)
    slowest, fastest = solution.bar.limits.speed
    tried = 0
    for rate, low, high in zip(RATES, found.speed_low, found.speed_high, strict=True):
        if np.isnan(low):
            continue
        assert slowest * (1 - 1e-12) <= low <= high <= fastest * (1 + 1e-12)
        for first, last in ((low, low), (high, high), (low, high)):
            driven = replace(solution, plan=replace(solution.plan, speed=(first, last)))
            assert list(vet([rate], driven).verdict) == ["holds"]
            tried += 1
        for past, end in ((low * 0.999, slowest), (high * 1.001, fastest)):
            if (past < low and low > end) or (past > high and high < end):
                driven = replace(solution, plan=replace(solution.plan, speed=(past, past)))
                assert list(vet([rate], driven).verdict) != ["holds"]
    assert tried >= 9


@pytest.mark.parametrize("name", list(SOLUTIONS))
def test_a_zone_that_holds_keeps_its_margin(name: str) -> None:
    """Least margin over the plan at or above the wanted one, to 0.01 psi: the pressure curve is interpolated."""
    solution = SOLUTIONS[name]
    low, high = solution.rate_bounds(solution.certain)
    found = vet(np.linspace(low, high, 25), solution)
    assert set(found.verdict) == {"holds"}
    assert (found.margin >= solution.bar.limits.liquid_margin - 0.01 * PSI).all()
    assert (found.expected_margin[:, 0] >= found.margin - 1e-6).all()
    assert (found.expected_margin[:, 1] >= found.expected_margin[:, 0]).all()
    assert found.margin[0] == pytest.approx(solution.bar.limits.liquid_margin, abs=0.05 * PSI)


@pytest.mark.parametrize("share", [0.005, 0.05, 0.5, 1.0, 1.8])
@pytest.mark.parametrize("name", ["known", "unknown"])
def test_the_margin_of_a_zone_is_that_of_the_bar_solved_at_its_flow(name: str, share: float) -> None:
    """Worst margin against solving all bounding cases over the plan at the slowest speed's flow, 0.1 psi."""
    solution = SOLUTIONS[name]
    flow = share * solution.certain.low
    rate = flow * solution.bar.nitrogen_fraction / (solution.plan.speed[0] * solution.window.width)
    grid = temperature_grid(*solution.plan.temperature)
    circuit = Circuit(solution.bar, ALL, bounding_cases(solution.bar, ALL), grid)
    state = circuit.at_flow(flow)
    assert state.flow == pytest.approx(flow, rel=1e-6)
    assert vet([rate], solution).margin[0] == pytest.approx(state.liquid_margin.min(), abs=0.1 * PSI)


@pytest.mark.parametrize("name", list(SOLUTIONS))
def test_the_verdict_changes_at_the_ends_of_the_stretch_of_temperatures(name: str) -> None:
    """The bar solved again 2 degF inside and 2 degF outside each end: holds there at the planned speeds, or not."""
    solution = SOLUTIONS[name]
    bounds = solution.rate_bounds(solution.certain)
    rates = np.concatenate([np.linspace(*bounds, 4), [0.97 * bounds[0], 1.03 * bounds[1], 0.85 * bounds[0]]])
    found = vet(rates, solution)
    searched = solution.search.temperature
    step, checked = 2.0 / 1.8, 0

    def holds(rate: float, kelvin: float) -> bool:
        there = flow_window(solution.bar, np.array([kelvin]), ALL)
        allowed = there.over_plan(certain=True, commanded=True)
        flows = ammonia_flow(rate, np.array(solution.plan.speed), there.width, solution.bar.nitrogen_fraction)
        return bool(flows[0] >= allowed.low * (1 - 1e-9) and flows[1] <= allowed.high * (1 + 1e-9))

    for rate, low, high in zip(rates, found.temperature_low, found.temperature_high, strict=True):
        if np.isnan(low):
            assert not holds(rate, 0.5 * sum(solution.plan.temperature))
            continue
        assert low <= high
        for end, outward in ((low, -1.0), (high, 1.0)):
            if high - low > 2.0 * step:
                assert holds(rate, end - outward * step)
            if searched[0] + step < end < searched[-1] - step:
                assert not holds(rate, end + outward * step)
                checked += 1
    assert checked >= 5


def test_a_zone_that_holds_does_so_over_a_stretch_that_covers_the_plan() -> None:
    """To 0.05 K: the stretch's ends are interpolated between temperatures 1.1 K apart."""
    for solution in SOLUTIONS.values():
        found = vet(np.linspace(*solution.rate_bounds(solution.certain), 20), solution)
        assert (found.temperature_low <= solution.plan.temperature[0] + 0.05).all()
        assert (found.temperature_high >= solution.plan.temperature[1] - 0.05).all()


def test_the_temperatures_searched_contain_the_planned_ones() -> None:
    for solution in SOLUTIONS.values():
        grid = temperature_grid(*solution.plan.temperature)
        np.testing.assert_array_equal(solution.window.temperature, grid)
        assert np.isin(grid, solution.search.temperature).all()
        again = flow_window(solution.bar, grid, ALL)
        for name in LIMITS:
            np.testing.assert_allclose(solution.window.certain[name], again.certain[name], rtol=1e-9)
            np.testing.assert_allclose(solution.window.possible[name], again.possible[name], rtol=1e-9)


def test_a_zone_that_all_but_fills_the_window_holds_over_a_stretch_that_covers_the_plan() -> None:
    degrees, fill = 45.3, 0.98
    kelvin = fahrenheit(degrees)
    low, high = (float(end[0]) for end in flow_window(known(), np.array([kelvin]), ALL).edges(certain=True))
    slow = 5.0 * MPH
    fast = slow * (high / low) ** fill
    solution = solve(known(), Plan((kelvin, kelvin), (slow, fast), ALL))
    rate = np.sqrt(low * high * slow / fast) * solution.bar.nitrogen_fraction / (slow * solution.window.width)
    found = vet([rate], solution)
    assert list(found.verdict) == ["holds"]
    assert found.temperature_low[0] <= kelvin + 0.05
    assert found.temperature_high[0] >= kelvin - 0.05


@laws(25)
@given(
    st.lists(st.just(0.0) | st.floats(1e-3, 400.0), min_size=1, max_size=12),
    st.randoms(use_true_random=False),
    st.sampled_from(list(SOLUTIONS)),
)
def test_order_and_splitting_change_nothing(values: list[float], random: Any, name: str) -> None:
    """A zone's verdict is its own: in any order, and twice where it is split in two."""
    solution = SOLUTIONS[name]
    rates = np.array(values) * LB_PER_AC
    order = list(range(len(rates)))
    random.shuffle(order)
    straight, shuffled, split = vet(rates, solution), vet(rates[order], solution), vet(np.repeat(rates, 2), solution)
    for field in ("verdict", "side", "limited_by", "speed_low", "margin", "expected_margin", "temperature_high"):
        whole = getattr(straight, field)
        np.testing.assert_array_equal(getattr(shuffled, field), whole[order])
        np.testing.assert_array_equal(getattr(split, field), np.repeat(whole, 2, axis=0))
    for orifice_name, cured in straight.cured_by_orifice.items():
        np.testing.assert_array_equal(shuffled.cured_by_orifice[orifice_name], cured[order])


@laws(25)
@given(st.floats(1.0, 400.0))
def test_the_unit_of_the_rate_changes_nothing(pounds_of_nitrogen: float) -> None:
    """The same rate in three units. 1 lb/ac = 1.12085 kg/ha, 1 lb N = 1/0.82 lb NH3 for the grade 82-0-0."""
    fraction = SOLUTIONS["known"].bar.nitrogen_fraction
    same = {
        "lb N/ac": pounds_of_nitrogen,
        "kg N/ha": pounds_of_nitrogen * 0.45359237 / 0.40468564224,
        "lb NH3/ac": pounds_of_nitrogen / 0.82,
        "kg NH3/ha": pounds_of_nitrogen / 0.82 * 0.45359237 / 0.40468564224,
    }
    rates = [float(as_nitrogen_rate(value, rate_unit(unit), fraction)) for unit, value in same.items()]
    assert rates == pytest.approx([rates[0]] * 4, rel=1e-12)
    found = vet(np.array(rates), SOLUTIONS["known"])
    assert len(set(found.verdict)) == len(set(found.limited_by)) == len(set(found.side)) == 1


@laws(15)
@given(st.floats(0.0, 6.0), st.floats(0.0, 6.0), st.floats(0.0, 0.4), st.floats(0.0, 0.4))
def test_a_wider_plan_never_improves_a_verdict(colder: float, warmer: float, slower: float, faster: float) -> None:
    worse = {"off": 0, "holds": 1, "doubtful": 2, "fails": 3}
    bounds = SOLUTIONS["known"].rate_bounds(SOLUTIONS["known"].possible)
    rates = np.linspace(0.9 * bounds[0], 1.1 * bounds[1], 30)
    wider = plan(38.0 - colder, 48.0 + warmer, 4.6 - slower, 5.0 + faster)
    window = flow_window(SOLUTIONS["known"].bar, temperature_grid(*wider.temperature), ALL)
    solution = replace(
        SOLUTIONS["known"],
        plan=wider,
        window=window,
        certain=window.over_plan(certain=True, commanded=True),
        possible=window.over_plan(certain=False, commanded=True),
    )
    before, after = ([worse[one] for one in vet(rates, given).verdict] for given in (SOLUTIONS["known"], solution))
    assert not any(late < early for early, late in zip(before, after, strict=True))


def test_a_zone_without_rate_is_off_and_says_nothing_else() -> None:
    found = vet([0.0, 0.0], SOLUTIONS["known"])
    assert list(found.verdict) == ["off", "off"]
    assert list(found.side) == list(found.limited_by) == ["", ""]
    for values in (found.speed_low, found.speed_high, found.margin, found.expected_margin, found.temperature_low):
        assert np.isnan(values).all()
    assert not any(cured.any() for cured in found.cured_by_orifice.values())
    assert vet([], SOLUTIONS["known"]).verdict.size == 0


def test_sides_and_limits_belong_together() -> None:
    for solution in SOLUTIONS.values():
        found = vet(RATES, solution)
        for verdict, side, limit in zip(found.verdict, found.side, found.limited_by, strict=True):
            if verdict in ("holds", "off"):
                assert (side, limit) == ("", "")
            else:
                assert LIMITS[limit].side == side
                assert limit in (LOW_LIMITS if side == "low" else HIGH_LIMITS)


def test_a_cure_by_another_orifice_is_true() -> None:
    """Fitting the orifice in all sections and solving the bar again gives the verdict that was promised."""
    possible = SOLUTIONS["known"].rate_bounds(SOLUTIONS["known"].possible)
    rates = np.array([0.45 * possible[0], 0.6 * possible[0], 1.4 * possible[1]])
    found = vet(rates, SOLUTIONS["known"])
    assert set(found.cured_by_orifice) == {"small", "large", "tiny", "huge"}
    assert found.cured_by_orifice["tiny"][:2].any()
    for name, cured in found.cured_by_orifice.items():
        again = vet(rates, solve(fitted_with(SOLUTIONS["known"].bar, ALL, (name,) * len(ALL)), SOLUTIONS["known"].plan))
        np.testing.assert_array_equal(again.verdict == "holds", cured)


def test_an_orifice_already_in_all_sections_is_no_cure() -> None:
    assert vet([0.01], solve(bar(), plan(40, 40, 5, 5, (0, 1)))).cured_by_orifice == {}


def test_sections_off_want_the_flow_of_their_width_only() -> None:
    half = solve(known(), plan(38.0, 48.0, 4.6, 5.0, (0, 2)))
    found, whole = vet([0.02], half), vet([0.02], SOLUTIONS["known"])
    assert found.flow_high[0] == pytest.approx(whole.flow_high[0] * 10 / 16)


def test_a_margin_that_is_never_reached_fails_on_the_low_side() -> None:
    """A pump that turns nearly all its work into heat boils the liquid at any flow: nothing holds, all is finite."""
    hopeless = change(known(), "pump", efficiency=0.004)
    solution = solve(hopeless, plan(60.0, 60.0, 5.0, 5.0))
    found = vet(RATES[1:], solution)
    assert not (found.verdict == "holds").any()
    assert np.isnan(found.speed_low).all()
    for values in (found.margin, found.expected_margin):
        assert np.isfinite(values).all()
    # Nothing that was looked at and does not do is advised.
    rates = np.array(RATES[1:])
    for cure in cure_texts(np.arange(rates.size), rates, solution, found, "us"):
        assert cure.startswith("no speed, usual liquid") and "drive" not in cure and "fit" not in cure


def test_bars_that_allow_nothing_say_which_side() -> None:
    """Vapour pressure above the rated pressure: every rate is too much, down to the smallest."""
    solution = solve(known(row_hose=RowHose(back_pressure=(5 * PSI + AIR, 5 * PSI + AIR))), plan(125, 130, 5, 5))
    found = vet(RATES[1:], solution)
    assert set(found.verdict) == {"fails"}
    assert found.limited_by[-1] == "rated pressure"
    assert found.side[-1] == "high"


def test_plans_that_cannot_be_are_refused() -> None:
    with pytest.raises(UsageError, match="speed is not above zero"):
        plan(40, 40, 0.0, 5.0)
    with pytest.raises(UsageError, match="outside"):
        plan(-60, 40, 4.0, 5.0)
    for warmest in (137.0, 150.0):
        with pytest.raises(UsageError, match="outside"):
            plan(40, warmest, 4.0, 5.0)


def test_the_coldest_and_the_warmest_plan_are_solved() -> None:
    for low, high in ((-54.0, -53.0), (134.0, 136.0)):
        solution = solve(known(), plan(low, high, 4.6, 5.0))
        found = vet(RATES, solution)
        assert np.isfinite(found.margin[1:]).all()
        assert found.verdict[0] == "off"
    assert set(found.verdict[1:]) == {"fails"}  # at 136 degF the vapour pressure is far above the rated one


@pytest.mark.parametrize("rate", [-1e-9, -0.02, np.nan, np.inf, -np.inf])
def test_a_rate_that_is_none_is_refused(rate: float) -> None:
    with pytest.raises(RangeError, match="negative or no number"):
        vet([0.01, rate, 0.02], SOLUTIONS["known"])


def test_a_planned_speed_out_of_the_bars_bounds_is_warned_of() -> None:
    """Bounds of the test bar: 3.5 to 7.5 mph. Verdicts go by flow and pressure, and do not change."""
    bounds = {(3.5, 7.5): 0, (4.0, 5.0): 0, (3.4, 5.0): 1, (5.0, 7.6): 1, (3.0, 8.0): 1, (8.0, 9.0): 1, (2.0, 3.0): 1}
    for (slow, fast), count in bounds.items():
        warned = replace(SOLUTIONS["known"], plan=plan(38.0, 48.0, slow, fast)).warnings()
        assert len(warned) == count
        assert all("leaves the 3.5 to 7.5 mph the bar file allows" in text for text in warned)
    day, plain = plan(20.0, 20.0, 4.6, 5.0, (0, 1)), bar()
    wide, tight = (solve(change(plain, "limits", speed=(a * MPH, b * MPH)), day) for a, b in ((1.0, 9.0), (4.8, 4.9)))
    assert (wide.warnings(), len(tight.warnings())) == ((), 1)
    verdicts = [vet(RATES, solution).verdict for solution in (wide, tight)]
    np.testing.assert_array_equal(*verdicts)
    assert {"fails", "doubtful", "holds"} <= set(verdicts[0])


def test_doubtful_goes_by_the_hull_of_what_is_possible() -> None:
    """A zone that spans the possible window is doubtful, though no single truth lets the bar do all of it.

    The contract defines the verdict by the possible window. Its low end comes from a long land, its high end from a
    thin plate; every bounding truth solved on its own has a narrower window, and the zone fails there.
    """
    unknown, low, high = bar(), 5.0 * PSI + AIR, 8.0 * PSI + AIR
    day = plan(30.0, 30.0, 5.0, 5.0, (0, 1))
    solution = solve(unknown, day)
    assert unknown.row_hose.back_pressure == (low, high)
    slow = day.speed[0]
    fast = slow * 0.999 * solution.possible.high / solution.possible.low
    spanning = replace(day, speed=(slow, fast))
    flow = 1.0005 * solution.possible.low
    rate = flow * unknown.nitrogen_fraction / (slow * solution.window.width)
    assert list(vet([rate], replace(solution, plan=spanning)).verdict) == ["doubtful"]
    for weight in (0.0, 0.25, 0.5, 0.75, 1.0):
        for off in (-0.08, 0.0, 0.08):
            for below in (low, high):
                truth = solve(sharp_bar(unknown, weight, 0.62 * (1.0 + off), below), spanning)
                assert list(vet([rate], truth).verdict) == ["fails"]


def test_the_smallest_pump_minimum_changes_nothing() -> None:
    """A least flow of zero and one far below the meter's give the same verdicts."""
    small = solve(change(known(), "pump", min_flow=0.5 * GPM), SOLUTIONS["known"].plan)
    found, before = vet(RATES, small), vet(RATES, SOLUTIONS["known"])
    np.testing.assert_array_equal(found.verdict, before.verdict)


# What the gauges should show.


@pytest.mark.parametrize("degrees", [(60.0, 75.0), (70.0, 90.0)])
def test_a_bar_on_which_no_flow_certainly_holds_gets_no_gauges_and_no_row_split(degrees: tuple[float, float]) -> None:
    solution = solve(full_bar(), plan(*degrees, 5.0, 5.0))
    assert solution.certain.empty and not solution.possible.empty
    document = window_document(solution, with_speed=True)
    assert not document["gauges_at_ends"] and document["row_split"] is None
    said = " ".join(as_text(window_report(solution, "us", with_speed=True)).split())
    assert "Tank gauge" in said and "manifold psi" not in said and "pump psi" not in said
    assert "Rows do not get the same" not in said
    rate = np.array([60.0, 120.0]) * LB_PER_AC
    found = vet(rate, solution)
    gauges = expected_gauges(rate, np.ones(2), solution, found)
    assert np.isnan(gauges.manifold).all() and rows_at_map_rates(solution, rate, np.ones(2), found) is None


def test_a_window_shut_by_something_else_than_boiling_is_not_put_down_to_it() -> None:
    one = change(sharp_bar(full_bar(), 0.1, below=6 * PSI + AIR), "meter", min_flow=50 * GPM)
    solution = solve(one, plan(30.0, 40.0, 5.0, 5.0))
    assert solution.certain.empty and solution.certain.low_limit == "meter minimum"
    document = window_document(solution, with_speed=True)
    assert not document["gauges_at_ends"] and document["row_split"] is None
    said = " ".join(as_text(window_report(solution, "us", with_speed=True)).split())
    assert "manifold psi" not in said and "boils ahead" not in said


def test_the_row_split_says_whether_the_liquid_holds() -> None:
    """A flow far below the window boils before the orifices; held liquid, the least flow with the margin is divided."""
    one, kelvin = known(), fahrenheit(60.0)
    low = solve(one, plan(60.0, 60.0, 5.0, 5.0)).certain.low
    assert row_split(one, kelvin, ALL, 0.3 * low).liquid_margin < 0.0
    held = row_split(one, kelvin, ALL, 0.3 * low, held_liquid=True)
    assert held.liquid_margin == pytest.approx(one.limits.liquid_margin, abs=2.0)
    assert 0.3 * low < held.flow <= low
    above = row_split(one, kelvin, ALL, 1.2 * low)
    assert above.liquid_margin > one.limits.liquid_margin
    assert row_split(one, kelvin, ALL, 1.2 * low, held_liquid=True).flow == above.flow
