"""Orifices for rates: by hand for cold liquid, against the independent reference bar, vetted, and laws."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from bars import AIR, FOOT, GALLON, GPM, INCH, LB_PER_AC, MPH, PSI, bar, change, fahrenheit, full_bar, orifice
from CoolProp.CoolProp import PropsSI
from hypothesis import given
from hypothesis import strategies as st
from laws import laws
from published import Row, params
from reference_bar import ReferenceBar

from geoflow import cli
from geoflow.bar.bar_file import read_bar
from geoflow.bar.drills import NUMBER_DRILLS
from geoflow.bar.equipment import Bar, ControlValve, Pump, RowHose, Section
from geoflow.base.errors import GeoflowError
from geoflow.base.lists import parse_list
from geoflow.decide.size_curves import STEP, BarRange, size_curves, size_solution, size_windows
from geoflow.decide.sized import Sized, sized
from geoflow.decide.sizing import HELPFUL_LAND, WantedFlows, asked_flows, size_choice
from geoflow.decide.vet import Plan, solve, vet
from geoflow.hydraulics.window import flow_window, temperature_grid
from geoflow.options.typed import ReadOptions, SizeOptions
from geoflow.report.model import Figure, Table
from geoflow.report.sizing import sized_report
from geoflow.report.terminal import as_text
from geoflow.workflow.assumed_bar import USUAL
from geoflow.workflow.sizing import size_orifices

FIELDS = Path(__file__).parent.parent / "sample_fields"
KETTLE, WREN, HERON = (str(FIELDS / name) for name in ("kettle_rise.geojson", "wren.toml", "heron.toml"))
KETTLE_RATES = ["--rate-column", "target", "--rate-unit", "lb N/ac"]
NOTHING = ["--rows", "16", "--row-spacing", "30 in"]


def plan(low: float, high: float, slow: float, fast: float, sections: int = 1) -> Plan:
    return Plan((fahrenheit(low), fahrenheit(high)), (slow * MPH, fast * MPH), tuple(range(sections)))


def one_section(**changes: Any) -> Bar:
    return bar(sections=(Section("all", 16, "only"),), **changes)


def rates(*values: float) -> np.ndarray:
    return np.array(values) * LB_PER_AC


def found(bars: BarRange | Bar, days: Plan, *values: float, sizes: tuple[float, ...] = ()) -> Sized:
    known = bars if isinstance(bars, BarRange) else BarRange(bars, bars)
    return sized(known, days, rates(*values), None, names=dict.fromkeys(sizes, ""))


def asked_of(values: np.ndarray, days: Plan, base: Bar) -> WantedFlows:
    return asked_flows(values, np.ones(values.shape), *days.speed, base, days)


def nothing(*more: str, said: dict[str, Any] | None = None) -> Sized:
    """What `geoflow size` finds without a bar file."""
    options: dict[str, Any] = {
        "rates": "85, 100, 115 lb N/ac",
        "temperature": "35..45 degF",
        "speed": "5 mph",
        "rows": 16,
        "row_spacing": "30 in",
        **(said or {}),
    }
    return size_orifices(SizeOptions.of(options, "size"), ReadOptions())[0]


# --- by hand ------------------------------------------------------------------------------------------------------


def test_cold_liquid_takes_the_sizes_of_bernoulli_by_hand() -> None:
    """Nothing unknown, no flashing, no losses, a perfect pump: m = Cd A sqrt(2 rho (P0 - Pb)), solved for d.

    The largest hole is where the manifold is just the margin over the vapour pressure, the smallest where the pump adds
    all it can; properties from CoolProp, areas and rates by hand.
    """
    below, margin, rise, kelvin = 5 * PSI + AIR, 5 * PSI, 60 * PSI, fahrenheit(10.0)
    exact = one_section(
        orifices={"only": orifice(coefficient_tolerance=0.0, flash_weight=0.0)},
        row_hose=RowHose(back_pressure=(below, below)),
        pump=Pump(200 * GPM, rise, 0.0, 1.0),
    )
    choice = found(exact, plan(10, 10, 5, 5), 60.0).choice
    vapour, density = (float(PropsSI(name, "T", kelvin, "Q", 0, "Ammonia")) for name in ("P", "D"))
    row_flow = 60.0 * LB_PER_AC * 5.0 * MPH * 2.5 * FOOT / 0.82
    for place, drive in ((1, vapour + margin - below), (0, vapour + rise - below)):
        by_hand = math.sqrt(4.0 * row_flow / (math.pi * 0.62 * math.sqrt(2.0 * density * drive)))
        # Told in half thousandths, rounded inward, 0.2 % of flow from the edge.
        inward = (by_hand - choice.certain[0][0, place]) * (1.0 if place else -1.0)
        assert -0.001 * by_hand <= inward <= STEP + 0.003 * by_hand
    assert choice.best is not None and choice.best.holds.all()


@params("drills")
def test_number_drills_are_those_of_the_tables(row: Row) -> None:
    assert NUMBER_DRILLS[int(row.cells["number"])] == row.expected


def test_number_drills_fall_with_their_number() -> None:
    assert list(NUMBER_DRILLS) == list(range(80, 0, -1))
    assert np.all(np.diff(list(NUMBER_DRILLS.values())) > 0.0)


# --- against the independent reference ------------------------------------------------------------------------------


@pytest.mark.parametrize("side", ["small", "large"])
def test_the_ends_are_those_of_the_independent_reference(side: str) -> None:
    """At the worse end of all the pump just makes the smallest certain size, and the margin just is at the largest."""
    below = 3 * PSI + AIR, 7 * PSI + AIR
    base = one_section(
        row_hose=RowHose(back_pressure=below),
        control_valve=ControlValve(25.0),
        orifices={"only": orifice(coefficient_tolerance=0.05)},
    )
    kelvin = fahrenheit(30.0)
    choice = found(base, plan(30, 30, 5, 5), 110.0).choice
    place, most = (0, False) if side == "small" else (1, True)
    size, flow = choice.certain[0][0, place], float(choice.asked.low[0])

    def spare(diameter: float) -> float:
        """How far the limit is [Pa] at the flow asked, positive inside."""
        fitted = replace(base, orifices={"only": replace(base.orifices["only"], diameter=diameter)})
        weight, coefficient = (0.0, 0.62 * 1.05) if most else (1.0, 0.62 * 0.95)
        case = ReferenceBar(fitted, kelvin, (coefficient,), (weight,), below[0] if most else below[1])
        point = case.at_flow(flow)
        return point.margin - 5 * PSI if most else 110 * PSI - point.rise

    out = -1.0 if side == "small" else 1.0
    assert spare(float(size)) > 0.0
    assert spare(float(size) + out * (2 * STEP + 0.002 * size)) < 0.0


# --- vetted ---------------------------------------------------------------------------------------------------------


def bar_file(size: float, end: float, extra: str = "") -> str:
    """A bar file whose every unknown lies at `end` (0 to 1) of the ranges in `USUAL`, loss at 11.5 gpm apart."""

    def between(low: float, high: float) -> float:
        return low + end * (high - low)

    below = between(2.0, 10.0)
    return f"""
name = "written"
row_spacing = "30 in"
elevation = "{between(0, 2000)} ft"
[[sections]]
name = "all"
rows = 16
orifice = "new"
[orifices.new]
diameter = "{size / INCH!r} in"
discharge_coefficient = {between(0.57, 0.67)}
coefficient_tolerance = 0
{extra}
[row_hose]
back_pressure = "{below} psi"
[pump]
max_flow = "{between(30, 60)} gpm"
max_rise = "{between(80, 120)} psi"
[meter]
pulses_per_gallon = 700
min_flow = "0 gpm"
max_flow = "100 gpm"
[control_valve]
cv = {{cv}}
[limits]
max_pressure = "{between(200, 250)} psi"
liquid_margin = "5 psi"
speed = "3..8 mph"
"""


@pytest.mark.parametrize("end", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("land", ["10 mm", None])
def test_the_best_size_vets_holds_when_written_into_a_bar_file(end: float, land: str | None, tmp_path: Path) -> None:
    """Wherever in the stated ranges the bar turns out to be."""
    best = nothing(said={"land": land, "temperature": "20..30 degF"})
    assert best.choice.best is not None and best.choice.best.holds.any()
    flow = float(best.choice.asked.high.max()) / 649.0  # kg/m3 at 25 degF
    for loss in (2.0, 15.0):
        text = bar_file(best.choice.best.diameter, end, f'land = "{land}"' if land else "")
        # Cv: US gpm of water at 1 psi, 62.37 lb/ft3 of water.
        cv = flow / GALLON * 60.0 / math.sqrt(loss * 999.0 / 649.0)
        path = tmp_path / "written.toml"
        path.write_text(text.replace("{cv}", repr(cv)))
        solution = solve(read_bar(path), plan(20, 30, 5, 5))
        verdicts = vet(best.rate, solution).verdict
        assert set(verdicts[best.choice.best.holds]) == {"holds"}
        # Nor does it fail where it was possible, nor hold what was called impossible.
        assert not np.any(verdicts[~best.choice.best.may_hold] == "holds")


def test_what_the_best_holds_is_what_its_solution_vets() -> None:
    for base, days in ((full_bar(), plan(20, 30, 5, 5, 3)), (one_section(), plan(20, 40, 5, 5.4))):
        got = found(base, days, 90.0, 120.0, 150.0)
        assert got.choice.best is not None and got.vetting is not None
        np.testing.assert_array_equal(got.vetting.verdict == "holds", got.choice.best.holds)
        np.testing.assert_array_equal(np.isin(got.vetting.verdict, ["holds", "doubtful"]), got.choice.best.may_hold)


def test_each_certain_size_holds_its_rate_and_sizes_beyond_the_ends_do_not() -> None:
    base, days = one_section(orifices={"only": orifice(flash_weight=0.3)}), plan(30, 45, 4.8, 5.2)
    got = found(base, days, 80.0, 100.0)
    for at, ((low, high),) in enumerate(got.choice.certain):
        for size in (low, 0.5 * (low + high), high):
            verdicts = vet(got.rate, size_solution(got.bars, days, float(size))).verdict
            assert verdicts[at] == "holds"
        for size in (low - 2.5 * STEP, high + 2.5 * STEP):
            verdicts = vet(got.rate, size_solution(got.bars, days, float(size))).verdict
            assert verdicts[at] != "holds"
    for at, ((low, high),) in enumerate(got.choice.possible):
        for size in (low - 2.5 * STEP, high + 2.5 * STEP):
            assert vet(got.rate, size_solution(got.bars, days, float(size))).verdict[at] == "fails"


@pytest.mark.parametrize("system", ["us", "metric"])
@pytest.mark.parametrize("name", ["nothing known", "long bores", "every loss"])
def test_the_ends_of_a_span_vet_as_it_says_when_taken_as_printed(name: str, system: str) -> None:
    got = {
        "nothing known": lambda: nothing(said={"speed": "5..5.3 mph"}),
        "long bores": lambda: nothing(said={"land": "10 mm", "temperature": "20..60 degF"}),
        "every loss": lambda: found(full_bar(), plan(20, 30, 5, 5.2, 3), 80.0, 100.0, 120.0),
    }[name]()
    (table, *_) = (one for _, blocks in sized_report(got, None, system).shown("terminal") for one in blocks
                   if isinstance(one, Table))  # fmt: skip
    inch, seen = {"us": INCH, "metric": 1e-3}[system], 0
    for at, row in enumerate(table.rows):
        for column, good in ((1, {"holds"}), (2, {"holds", "doubtful"})):
            for end in row[column].replace(" to ", ", ").split(", "):
                if end != "none":
                    verdicts = vet(got.rate, size_solution(got.bars, got.plan, float(end) * inch)).verdict
                    assert verdicts[at] in good, (row, end)
                    seen += 1
    assert seen >= 6


def test_liquid_is_told_by_the_tanks_gauge_at_any_height_the_site_may_have(capsys: pytest.CaptureFixture[str]) -> None:
    """By CoolProp; the air pressures of 0 and 2,000 ft are those of the U.S. Standard Atmosphere (1976), its tables."""
    plan_ = nothing(said={"temperature": "78 psi"}).plan
    for kelvin, air in zip(plan_.temperature, (94213.0, 101325.0), strict=True):
        assert kelvin == pytest.approx(PropsSI("T", "P", 78 * PSI + air, "Q", 1, "Ammonia"), abs=0.02)
    with_bar = ["size", "--rates", "100 lb N/ac", "--speed", "5 mph", "--temperature", "60..78 psi", "--bar", WREN]
    for asked in ([*with_bar[:-2], *NOTHING], with_bar):
        assert cli.main(asked) in {0, 1}
        assert "(tank gauge 60 to 78 psi)" in " ".join(capsys.readouterr().out.split())


# --- laws -----------------------------------------------------------------------------------------------------------

BARS = {
    "plain": (one_section(), 1),
    "every loss": (full_bar(), 3),
    "meter without correction": (change(full_bar(), "meter", reference_temperature=fahrenheit(60.0)), 3),
}
# What is known of these changes with the diameter at once.
JUMPS = {
    "long bore": (one_section(orifices={"only": orifice(land=0.010)}), 1),
    "thin plate": (one_section(orifices={"only": orifice(land=0.0025, flashing="thin plate")}), 1),
}


@pytest.mark.parametrize("name", BARS)
def test_a_larger_hole_moves_the_window_up(name: str) -> None:
    base, sections = BARS[name]
    curves = size_curves(BarRange(base, base), plan(25, 45, 5, 5, sections), (0.030 * INCH, 0.120 * INCH))
    for flows in (curves.low, curves.high, *(one[:, None] for one in curves.possible)):
        assert np.all(np.diff(flows, axis=0) >= -1e-9 * flows[:-1])
    assert np.all(curves.low[-1] > 2.0 * curves.low[0])


@pytest.mark.parametrize("name", [*BARS, *JUMPS])
def test_between_solved_sizes_the_window_is_as_if_solved(name: str) -> None:
    base, sections = (BARS | JUMPS)[name]
    days = plan(25, 45, 5, 5, sections)
    curves = size_curves(BarRange(base, base), days, (0.040 * INCH, 0.100 * INCH))
    fine = curves.finely()
    places = np.arange(2, fine.diameter.size, 12 if name in BARS else 5)
    for at in places.tolist():
        (window,) = size_windows(BarRange(base, base), days, [float(fine.diameter[at])], curves.temperature)
        low, high = (ends / window.delivered_ratio for ends in window.edges(certain=True))
        # A change of limit between two sizes only narrows the window.
        assert np.all(fine.low[at] >= low * 0.998) and np.all(fine.high[at] <= high * 1.002)


@pytest.mark.parametrize("name", [*BARS, *JUMPS])
def test_sizes_solved_together_have_the_windows_they_have_alone(name: str) -> None:
    base, sections = (BARS | JUMPS)[name]
    days, kelvin = plan(25, 45, 5, 5, sections), temperature_grid(fahrenheit(25.0), fahrenheit(45.0), 4.0)
    sizes = [0.045 * INCH, 0.060 * INCH, 0.085 * INCH, 0.110 * INCH]
    bars = BarRange(base, base)
    for size, together in zip(sizes, size_windows(bars, days, sizes, kelvin), strict=True):
        fitted = bars.fitted(days.sections, size).worse
        alone = flow_window(fitted, kelvin, days.sections)
        for sure in (True, False):
            both = [one.over_plan(certain=sure, commanded=True) for one in (together, alone)]
            # The hose's table has other places where sizes differ.
            assert both[0].low == pytest.approx(both[1].low, rel=1e-5)
            assert both[0].high == pytest.approx(both[1].high, rel=1e-5)


@laws(20)
@given(ends=st.tuples(*[st.floats(0.0, 1.0)] * 4))
def test_any_bar_within_the_ranges_holds_what_certainly_holds(ends: tuple[float, ...]) -> None:
    got = LONG
    best, worse, better = got.choice.best, got.bars.worse, got.bars.better
    assert best is not None and best.holds.any() and worse.control_valve and better.control_valve

    def between(low: float, high: float, end: float) -> float:
        return low + end * (high - low)

    valve = ControlValve(between(worse.control_valve.cv, better.control_valve.cv, ends[2]))
    inside = replace(
        worse,
        pump=replace(
            worse.pump,
            max_flow=between(worse.pump.max_flow, better.pump.max_flow, ends[0]),
            max_rise=between(worse.pump.max_rise, better.pump.max_rise, ends[1]),
        ),
        control_valve=valve,
        limits=replace(
            worse.limits,
            max_pressure=between(worse.limits.max_pressure, better.limits.max_pressure, ends[3]),
        ),
    )
    (window,) = size_windows(
        BarRange(inside, inside), got.plan, [best.diameter], temperature_grid(*got.plan.temperature)
    )
    certain, possible = (window.over_plan(certain=sure, commanded=True) for sure in (True, False))
    # What is lost on the way warms the liquid by hundredths of a degree, which may move a low end by 1e-5 either way.
    assert certain.low <= best.certain.low * (1 + 5e-5) and certain.high >= best.certain.high * (1 - 1e-6)
    assert possible.low >= best.possible.low * (1 - 5e-5) and possible.high <= best.possible.high * (1 + 1e-6)


LONG = nothing(said={"land": "10 mm"})


def test_what_is_given_as_one_value_leaves_no_more_open() -> None:
    known = nothing(said={"land": "10 mm", "pump": "45 gpm at 100 psi", "loss": "6 psi", "back_pressure": "5 psi"})
    for at in range(3):
        for less, more in (
            (LONG.choice.certain[at], known.choice.certain[at]),
            (known.choice.possible[at], LONG.choice.possible[at]),
        ):
            for low, high in less:
                assert any(first - STEP / 2 <= low and high <= last + STEP / 2 for first, last in more)


def test_sizes_apart_are_told_apart() -> None:
    """Wider than those tested a long bore is open again, so that sizes which may hold a rate lie in two runs."""
    base = one_section(orifices={"only": orifice(land=0.010)})
    got = found(base, plan(25, 40, 3.7, 7.4), 107.0)
    (runs,) = got.choice.possible
    assert len(runs) == 2 and runs[0, 1] < 1.93e-3 < runs[1, 0]
    for size in runs.mean(axis=1):
        assert vet(got.rate, size_solution(got.bars, got.plan, float(size))).verdict[0] == "doubtful"
    between = 0.5 * (runs[0, 1] + runs[1, 0])
    assert vet(got.rate, size_solution(got.bars, got.plan, float(between))).verdict[0] == "fails"


def test_liquid_at_the_rated_pressure_is_a_danger_though_no_size_holds() -> None:
    got = nothing(said={"temperature": "110..120 degF"})
    assert got.choice.best is None and got.vetting is None and got.has_findings
    assert "DANGER: the liquid's own pressure" in as_text(sized_report(got, None, "us"))


def test_two_sizes_and_long_bores_hold_what_they_are_said_to() -> None:
    base = one_section(orifices={"only": orifice(flash_weight=0.0, coefficient_tolerance=0.02)})
    days = plan(20, 70, 5, 5)
    got = found(base, days, 100.0, 118.0)
    assert got.choice.days is not None and got.choice.best is not None
    for option, part in (
        (got.choice.days.cold, (days.temperature[0], got.choice.days.split)),
        (got.choice.days.warm, (got.choice.days.split, days.temperature[1])),
    ):
        solution = size_solution(got.bars, replace(days, temperature=part), option.diameter)
        held = vet(got.rate, solution).verdict == "holds"
        np.testing.assert_array_equal(held, option.holds)
        assert held.sum() > got.choice.best.held
    assert got.choice.days.cold.diameter != got.choice.days.warm.diameter
    open_ = found(one_section(), plan(35, 50, 5, 5), 85.0, 100.0, 115.0)
    land = open_.choice.with_land
    assert land is not None and open_.choice.best is not None
    bored = replace(one_section(), orifices={"only": orifice(inches=land.diameter / INCH, land=HELPFUL_LAND)})
    held = vet(open_.rate, solve(bored, open_.plan)).verdict == "holds"
    np.testing.assert_array_equal(held, land.holds)
    assert held.sum() > open_.choice.best.held


def test_many_rates_as_groups_hold_no_more_than_each_alone() -> None:
    base, days = one_section(orifices={"only": orifice(flash_weight=0.3)}), plan(35, 45, 5, 5)
    many = rates(*np.random.default_rng(3).uniform(60.0, 160.0, 2000))
    got = size_choice(BarRange(base, base), days, asked_of(many, days, base))
    assert got.best is not None
    low, high = got.best.certain.low, got.best.certain.high
    inside = (got.asked.low >= low * (1 - 1e-9)) & (got.asked.high <= high * (1 + 1e-9))
    assert got.best.held == inside.sum()
    # No size of a fine list holds clearly more.
    for size in np.arange(0.045, 0.09, 0.001) * INCH:
        (window,) = size_windows(BarRange(base, base), days, [float(size)], temperature_grid(*days.temperature))
        one = window.over_plan(certain=True, commanded=True)
        assert ((got.asked.low >= one.low) & (got.asked.high <= one.high)).sum() <= 1.02 * got.best.held + 2000 / 150


def test_sizes_given_come_best_first() -> None:
    sizes = tuple(size * INCH for size in (0.05, 0.054, 0.058, 0.062, 0.066, 0.3))
    got = found(one_section(orifices={"only": orifice(flash_weight=0.3)}), plan(35, 45, 5, 5), 85.0, 100.0, sizes=sizes)
    held = [one.held for one in got.choice.listed]
    assert held == sorted(held, reverse=True) and held[0] > 0.0 and got.choice.best is got.choice.listed[0]
    assert not any(one.diameter > 0.2 * INCH for one in got.choice.listed)


def test_points_measured_on_the_old_orifice_say_nothing_of_another() -> None:
    heron = read_bar(HERON)
    bars = BarRange(heron, heron).fitted((0, 1, 2), 0.065 * INCH)
    assert {section.orifice for section in bars.worse.sections} == set(bars.worse.orifices)
    (new,) = bars.worse.orifices.values()
    old = heron.orifices["medium"]
    assert not new.measured and old.measured and (new.land, new.discharge_coefficient) == (old.land, 0.62)


# --- as typed -------------------------------------------------------------------------------------------------------


def document(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, dict[str, Any]]:
    code = cli.main([*arguments, "--json", "-"])
    return code, json.loads(capsys.readouterr().out)


def test_the_json_of_size_has_its_units_and_says_what_was_taken(capsys: pytest.CaptureFixture[str]) -> None:
    code, said = document(
        capsys, "size", "--rates", "85, 100, 115 lb N/ac", "--temperature", "35..45 degF", "--speed", "5 mph", *NOTHING,
        "--land", "10 mm", "--pump", "45 gpm at 110 psi",
    )  # fmt: skip
    assert code == (0 if said["best"]["holds_lb_n_ac"] == said["best"]["may_hold_lb_n_ac"] else 1)
    assert said["rows"] == 16 and said["width_ft"] == pytest.approx(40.0) and said["bar"] is None
    assert [one["rate_lb_n_ac"] for one in said["rates"]] == pytest.approx([85.0, 100.0, 115.0])
    for one in said["rates"]:
        ((low, high),), (first, *_) = one["certain_in"], one["possible_in"]
        assert 0.03 < first[0] <= low <= high < 0.1 and one["verdict"] in {"holds", "doubtful", "fails"}
    assert said["taken"]["pump_pressure_psi"] == pytest.approx([110.0, 110.0])
    assert said["taken"]["loss_psi"] == pytest.approx([2.0, 15.0]) and said["given"] == [
        "pump_flow_gpm",
        "pump_pressure_psi",
    ]
    assert said["best"]["diameter_in"] == pytest.approx(np.mean(said["best_in"]), abs=0.001)


def test_everything_that_was_not_said_is_told_with_its_range() -> None:
    report = sized_report(nothing(), None, "us")
    cells = [cell for _, blocks in report.shown("terminal") for one in blocks if isinstance(one, Table)
             for row in one.rows for cell in row]  # fmt: skip
    for words in ("30.0 to 60.0 gpm", "80.0 to 120.0 psi", "2.0 to 15.0 psi", "2.0 to 10.0 psi", "200.0 to 250.0 psi",
                  "0.57 to 0.67", "anything: flashing from none to full"):  # fmt: skip
        assert words in cells, words
    assert cells.count("not given: usual, common practice, no source") == len(USUAL) + 1  # the pump has two
    text = " ".join(as_text(report).split())
    for words in ("yours has to count 7.", "Ammonia blinds and kills", "local codes", "licensed practice"):
        assert words in text, words


def test_units_and_chart(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = tmp_path / "size.html"
    metric = ["--rates", "100 kg N/ha", "--temperature", "2 degC", "--speed", "8 km/h", "--units", "metric"]
    code = cli.main(["size", *metric, *NOTHING, "--diameters", "1.5, 1.6 mm", "--out", str(page)])
    out = capsys.readouterr().out
    assert code in {0, 1} and "mm" in out and " in (" not in out and "kg N/ha" in out and str(page) in out
    assert "data:image/png" in page.read_text("utf-8")
    report = sized_report(nothing(), None, "us")
    assert [figure.name for figure in report.figures() if isinstance(figure, Figure)] == ["sizes"]


def test_a_map_weighs_by_its_acres_and_vetting_finds_the_same(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan_ = ["--temperature", "36..42 degF", "--speed", "5 mph", *KETTLE_RATES]
    _, said = document(capsys, "size", "--map", KETTLE, "--bar", WREN, *plan_)
    best = said["best"]
    held = [one["area_ac"] for one in said["rates"] if one["verdict"] == "holds"]
    assert best["holds_ac"] == pytest.approx(sum(held)) and held
    text = Path(WREN).read_text("utf-8")
    head, _, rest = text.partition("[orifices.small]")
    rest = rest.partition("[row_hose]")[2]
    new = f'[orifices.small]\ndiameter = "{best["diameter_in"]!r} in"\ndischarge_coefficient = 0.62\n'
    path = tmp_path / "new.toml"
    path.write_text(f'{head}{new}coefficient_tolerance = 0.04\nland = "1.5 mm"\n[row_hose]{rest}')
    _, vetted = document(capsys, "vet", KETTLE, "--bar", str(path), *plan_)
    assert vetted["totals"]["area_holds_ac"] == pytest.approx(best["holds_ac"], rel=1e-5)
    assert vetted["totals"]["area_ac"] - vetted["totals"]["area_off_ac"] == pytest.approx(
        sum(one["area_ac"] for one in said["rates"]), rel=1e-5
    )
    # A rate that no zone asks for is answered too and weighs nothing.
    _, more = document(capsys, "size", "--map", KETTLE, "--bar", WREN, *plan_, "--rates", "100 lb N/ac", "--diameters",
                       "0.061 in")  # fmt: skip
    extra = [one for one in more["rates"] if one["rate_lb_n_ac"] == pytest.approx(100.0)]
    assert [one["area_ac"] for one in extra] == [0.0]


def test_a_plan_names_other_sizes_only_where_the_bar_files_hold_little(capsys: pytest.CaptureFixture[str]) -> None:
    little = ["plan", KETTLE, "--bar", WREN, "--temperature", "36..42 degF", "--speed", "5 mph", *KETTLE_RATES]
    _, said = document(capsys, *little)
    sizes = said["orifice_sizes"]
    _, alone = document(capsys, "size", "--map", KETTLE, "--bar", WREN, *little[4:])
    assert sizes["diameter_in"] == alone["best"]["diameter_in"] and sizes["holds_ac"] == alone["best"]["holds_ac"]
    cli.main(little)
    text = " ".join(capsys.readouterr().out.split())
    assert "Neither of your two holds more than" in text and "in all sections" in text
    enough = ["plan", str(FIELDS / "lantern_flat.shp"), "--bar", HERON, "--temperature", "38..46 degF"]
    assert document(capsys, *enough, "--speed", "5 mph")[1]["orifice_sizes"] is None


def test_lists_take_the_unit_of_the_last() -> None:
    assert parse_list("0.063, 0.067 in", "small length") == pytest.approx([0.063 * INCH, 0.067 * INCH])
    assert parse_list("1.5 mm, 0.067 in", "small length") == pytest.approx([1.5e-3, 0.067 * INCH])


SIZE = ["--temperature", "40 degF", "--speed", "5 mph"]
RATES = ["--rates", "100 lb N/ac"]
ODD: list[tuple[list[str], tuple[str, str]]] = [
    ([*NOTHING], ("no rates are asked", "--rates")),
    ([*RATES], ("how many rows there are, and how far apart, is not said", "--rows 16")),
    ([*RATES, "--rows", "5000", "--row-spacing", "30 in"], ("5000 rows 30 in apart are no bar", "--rows 16")),
    ([*NOTHING, "--rates=-85 lb N/ac"], ("are no rates", "85, 100")),
    ([*NOTHING, *RATES, "--diameters", "0.06, wide in"], ("'wide in' in '0.06, wide in' is no number", "in")),
    ([*NOTHING, *RATES, "--pump", "30 gpm"], ("'30 gpm' is no flow at a pressure", "30 gpm at 120 psi")),
    ([*NOTHING, *RATES, "--loss=-2 psi"], ("'-2 psi' goes too low", "2..15 psi")),
    ([*NOTHING, *RATES, "--coefficient", "2"], ("'2' is no discharge coefficient from 0.1 to 1", "0.62")),
    ([*NOTHING, *RATES, "--land", "0 mm"], ("'0 mm' is no length of a bore", "1.5 mm")),
    ([*NOTHING, *RATES, "--thin-plate"], ("--thin-plate without the plate's thickness", "--land")),
    ([*NOTHING, *RATES, "--diameters", "63 in"], ("'63 in' holds what is no bore of a row orifice", "0.063")),
    ([*NOTHING, *RATES, "--sections", "left"], ("--sections without a bar file", "--bar")),
    ([*RATES, "--bar", HERON, "--pump", "30 gpm at 120 psi"], ("the bar file says what --pump would", "leave")),
    ([*RATES, "--bar", HERON, "--rows", "12"], ("--rows or --row-spacing is not what the bar file has", "leave")),
]  # fmt: skip


@pytest.mark.parametrize(("arguments", "expected"), ODD, ids=[expected[0][:40] for _, expected in ODD])
def test_what_cannot_be_sized_is_refused(
    arguments: list[str], expected: tuple[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["size", *SIZE, *arguments]) == 2
    said = capsys.readouterr().err
    assert all(part in said for part in (*expected, "where:", "cure:"))


def test_a_map_of_nothing_is_refused(tmp_path: Path) -> None:
    corners = [[-93.0, 42.0], [-92.99, 42.0], [-92.99, 42.01], [-93.0, 42.0]]
    ground = {"type": "Polygon", "coordinates": [corners]}
    feature = {"type": "Feature", "properties": {"rate_lb_n_ac": 0.0}, "geometry": ground}
    path = tmp_path / "off.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))
    with pytest.raises(GeoflowError, match="every zone of the map asks for zero"):
        nothing(said={"rates": None, "map": str(path)})
