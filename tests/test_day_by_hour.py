"""Hours, starts and orders of tanks against brute force: every permutation, and verdicts of `vet.vet` one by one."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from bars import LB_PER_AC, MPH, change, fahrenheit
from hypothesis import given
from hypothesis import strategies as st
from laws import laws
from published import UNITS
from test_planning import ALL, SOLUTIONS, known

from geoflow import cli
from geoflow.bar.equipment import Tank
from geoflow.base.rates import ammonia_flow
from geoflow.decide.day_by_hour import DayByHour, best_starts, hold_over_day, order_that_holds_most
from geoflow.decide.load_ground import ground_of_loads
from geoflow.decide.loads import tank_loads
from geoflow.decide.weather import LiquidDay, Weather, clock_text, full_sun, liquid_over_day
from geoflow.ground.passes import lay_passes
from geoflow.hydraulics.window import FlowWindow, flow_window

LAWS = laws(40)
HOUR, STEP = 3600.0, 300.0
FIELDS = Path(__file__).parent.parent / "sample_fields"
DAY = str(FIELDS / "lantern_flat_day.csv")
SAMPLE = [
    *(str(FIELDS / "lantern_flat.shp"), "--bar", str(FIELDS / "heron.toml"), "--temperature", "38 degF"),
    *("--rate-column", "lb_n_ac", "--rate-unit", "lb N/ac"),
]


# --- the order of tanks ---


@LAWS
@given(seed=st.integers(0, 10_000), many=st.integers(1, 5))
def test_the_order_of_tanks_is_the_best_of_all_permutations(seed: int, many: int) -> None:
    draw = np.random.default_rng(seed)
    steps = draw.integers(1, 6, many)
    held = draw.integers(0, 4, (many, int(steps.sum()) + 4)) * 1000.0
    start = int(draw.integers(0, 4))

    def worth(order: tuple[int, ...]) -> float:
        begins = start + np.concatenate([[0], np.cumsum(steps[list(order)])[:-1]])
        return float(sum(held[load, begin] for load, begin in zip(order, begins, strict=True)))

    every = {order: worth(order) for order in itertools.permutations(range(many))}
    most, order = order_that_holds_most(held, steps, start)
    assert most == max(every.values()) == every[order]
    assert order == min(one for one, value in every.items() if value == most)


@LAWS
@given(seed=st.integers(0, 10_000))
def test_starts_are_those_of_brute_force(seed: int) -> None:
    """Each load's ground counts only where all its flows hold at every moment it lasts."""
    draw = np.random.default_rng(seed)
    time = 6.0 * HOUR + STEP * np.arange(85)
    bad = draw.random((time.size, 3)) < 0.03
    ground = draw.integers(0, 5, (3, 3)) * 1000.0
    seconds = draw.uniform(0.2, 2.0, 3) * HOUR
    found = best_starts(bad, ground, seconds, time)
    steps = np.ceil(seconds / STEP - 1e-6).astype(int)

    def held(start: int, order: tuple[int, ...]) -> float:
        total, at = 0.0, start
        for load in order:
            good = [not bad[at : at + steps[load] + 1, flow].any() for flow in range(3)]
            total, at = total + float(ground[load][good].sum()), at + steps[load]
        return total

    starts = [at for at in range(time.size) if time[at] % HOUR == 0.0 and at + steps.sum() <= time.size - 1]
    assert [one.start for one in found] == [float(time[at]) for at in starts]
    for one, at in zip(found, starts, strict=True):
        every = [held(at, order) for order in itertools.permutations(range(3))]
        assert one.as_driven == every[0]
        assert one.most == max(every) == held(at, one.order)


def test_of_equal_orders_that_of_the_passes_is_taken() -> None:
    time = STEP * np.arange(61)
    found = best_starts(np.zeros((61, 1), dtype=bool), np.ones((3, 1)), np.full(3, HOUR), time)
    assert [one.order for one in found] == [(0, 1, 2)] * 3


# --- the ground of a tank ---


@LAWS
@given(seed=st.integers(0, 10_000), heading=st.floats(0.0, 3.1))
def test_ground_of_the_tanks_is_all_that_is_asked_and_goes_with_what_they_give(seed: int, heading: float) -> None:
    draw = np.random.default_rng(seed)
    zones = [shapely.box(x, y, x + 70.0, y + 60.0) for x in (0.0, 70.0, 140.0) for y in (0.0, 60.0)]
    rate = draw.choice([0.0, 120.0, 180.0], len(zones)) * LB_PER_AC
    rate[0] = 150.0 * LB_PER_AC
    area = np.array([zone.area for zone in zones])
    bar = change(known(), "tank", capacity=draw.uniform(0.05, 0.6))
    passes = lay_passes(zones, heading, 6.0)
    loads = tank_loads(passes, rate, area, bar, fahrenheit(45.0))
    ground = ground_of_loads(passes, rate, area, loads)
    np.testing.assert_allclose(ground.sum(axis=0), np.where(rate > 0.0, area, 0.0), rtol=1e-9)
    assert np.all(ground >= -1e-9)
    # Passes stand for a width each, so a zone's own ground is a little more or less than that below its passes.
    np.testing.assert_allclose(
        np.cumsum(ground @ rate) / (ground @ rate).sum(), np.cumsum(loads.drawn) / loads.drawn.sum(), atol=0.03
    )


def test_ground_of_the_tanks_by_hand() -> None:
    """Two zones end to end along one pass, the second of twice the rate: half of all is reached a quarter into it."""
    zones = [shapely.box(0.0, 0.0, 6.0, 100.0), shapely.box(0.0, 100.0, 6.0, 200.0)]
    rate, area = np.array([100.0, 200.0]) * LB_PER_AC, np.array([600.0, 600.0])
    bar = replace(known(), tank=Tank(1.0, 0.85))
    passes = lay_passes(zones, 0.0, 6.0)
    loads = tank_loads(passes, rate, area, bar, fahrenheit(45.0), heel=0.05)
    half = replace(loads, drawn=np.array([0.5, 0.5]) * loads.drawn.sum())
    assert ground_of_loads(passes, rate, area, half) == pytest.approx(np.array([[600.0, 150.0], [0.0, 450.0]]))


def test_a_zone_that_no_pass_crosses_goes_with_every_tank() -> None:
    zones = [shapely.box(0.0, 0.0, 6.0, 100.0), shapely.box(6.0, 0.0, 6.5, 100.0)]
    rate, area = np.full(2, 100.0) * LB_PER_AC, np.array([600.0, 50.0])
    passes = lay_passes(zones, 0.0, 6.0)
    assert set(passes.zone.tolist()) == {0}
    loads = tank_loads(passes, rate, area, replace(known(), tank=Tank(1.0, 0.85)), fahrenheit(45.0))
    half = replace(loads, drawn=np.array([0.25, 0.75]) * loads.drawn.sum())
    assert ground_of_loads(passes, rate, area, half) == pytest.approx(np.array([[150.0, 12.5], [450.0, 37.5]]))


# --- the hours ---

RATES = np.array([0.0, 60.0, 100.0, 120.0, 135.0, 150.0, 165.0, 180.0, 200.0, 240.0, 300.0]) * LB_PER_AC


def told(low: np.ndarray, high: np.ndarray) -> tuple[Weather, LiquidDay]:
    """A day of which the liquid is given."""
    time = 6.0 * HOUR + STEP * np.arange(low.size)
    band = np.stack([low, high])
    none = np.full(2, np.nan)
    weather = Weather("my_day.csv", time[[0, -1]], np.full(2, 280.0), none, np.full((2, 2), np.nan))
    return weather, LiquidDay(time, band, band, np.zeros(low.size, dtype=bool))


def over(low: np.ndarray, high: np.ndarray) -> tuple[DayByHour, np.ndarray]:
    area = np.random.default_rng(5).integers(1, 40, RATES.size) * 100.0
    speeds = tuple(np.full(RATES.size, speed * MPH) for speed in (4.6, 5.0))
    ground = np.where(RATES > 0.0, area, 0.0)[None, :]
    return hold_over_day(RATES, area, SOLUTIONS["known"], speeds, *told(low, high), (ground, 2.0 * HOUR)), area


@pytest.mark.parametrize("seed", range(2))
def test_what_holds_in_an_hour_is_what_the_window_says_over_its_liquid(seed: int) -> None:
    """Between the window over the hour's liquid and over half a kelvin more; failing at each temperature of it."""
    solution = SOLUTIONS["known"]
    draw = np.random.default_rng(seed)
    count = 25
    middle = fahrenheit(42.0) + 8.0 * np.sin(np.linspace(0.0, 3.0, count) + draw.uniform(0.0, 3.0))
    wide = draw.uniform(0.2, 4.0, count)
    day, area = over(middle - wide, middle + wide)
    assert day.asked == area[1:].sum()
    assert np.allclose(day.held + day.doubtful + day.failed, day.asked)
    flow = [
        ammonia_flow(RATES, speed * MPH, solution.window.width, solution.bar.nitrogen_fraction) for speed in (4.6, 5.0)
    ]
    for at in range(2):
        low, high = day.temperature[:, at]
        hour = slice(12 * at, 12 * at + 13)
        assert (low, high) == ((middle - wide)[hour].min(), (middle + wide)[hour].max())
        inside, around = np.linspace(low, high, 9), np.linspace(low - 0.5, high + 0.5, 13)
        window = flow_window(solution.bar, np.unique(np.concatenate([inside, around])), ALL)

        def fits(kelvin: np.ndarray, *, certain: bool, window: FlowWindow = window) -> np.ndarray:
            places = np.searchsorted(window.temperature, kelvin)
            bounds = window.at(places).over_plan(certain=certain, commanded=True)
            return (flow[0] >= bounds.low) & (flow[1] <= bounds.high) & (RATES > 0.0)

        assert area[fits(around, certain=True)].sum() <= day.held[at] <= area[fits(inside, certain=True)].sum()
        never = [
            set(np.flatnonzero(~np.any([fits(np.array([one]), certain=False) for one in some], axis=0) & (RATES > 0.0)))
            for some in (around, inside)
        ]
        assert never[0] <= set(day.failing[at].tolist()) <= never[1]
        assert day.failed[at] == area[day.failing[at]].sum()
    assert 0.0 < day.held.min() < day.asked and day.failed.max() > 0.0


def test_stretches_are_rounded_inward_to_quarters_of_an_hour() -> None:
    """A cold morning and a hot noon round liquid that holds everything that can hold."""
    count = 73
    best, _ = over(np.full(count, fahrenheit(43.0)), np.full(count, fahrenheit(43.0)))
    assert [(run.start, run.end) for run in best.best] == [(6.0 * HOUR, 12.0 * HOUR)]
    low = np.full(count, fahrenheit(43.0))
    high = low.copy()
    low[:10] = fahrenheit(-20.0)  # up to 6:45, so that from 6:50 on it holds
    high[50:60] = fahrenheit(115.0)  # 10:10 to 10:55
    day, _ = over(low, high)
    assert [(run.start / HOUR, run.end / HOUR) for run in day.best] == [(7.0, 10.0), (11.0, 12.0)]
    assert all(run.area == best.held[0] for run in day.best)
    assert day.held[0] < best.held[0] and day.held[1] == best.held[0]


def test_a_day_holds_throughout_only_where_the_field_fits_into_a_stretch() -> None:
    whole = replace(over(np.full(37, fahrenheit(43.0)), np.full(37, fahrenheit(43.0)))[0], whole=(), needed=3.0 * HOUR)
    run = whole.best[0]
    assert not whole.holds_throughout
    assert replace(whole, whole=(run,)).holds_throughout
    assert not replace(whole, whole=(replace(run, start=run.start + 900.0),)).holds_throughout


def test_hours_of_the_clock() -> None:
    assert [clock_text(one) for one in (0.0, 27_000.0, 86_399.0, 90_000.0)] == [
        "00:00",
        "07:30",
        "00:00 next day",
        "01:00 next day",
    ]


# --- the liquid of a day ---


def test_no_sun_told_is_any_sun_there_can_be() -> None:
    """Level ground gets no more than 1,000 W/m2 under a clear sky near sea level; the night has none."""
    light = full_sun(HOUR * np.arange(48.0))
    assert light.max() <= 1000.0 and light[[0, 3, 23, 27, 47]].max() == 0.0
    hours = np.arange(6.0, 19.0) * HOUR
    air, none = np.full(13, 285.0), np.full((2, 13), np.nan)
    usual = (280.0, 281.0), (0.85, 0.05), 3.785, (HOUR, 2.0 * HOUR)
    dark = liquid_over_day(Weather("", hours, air, np.zeros(13), none), *usual)
    unknown = liquid_over_day(Weather("", hours, air, np.full(13, np.nan), none), *usual)
    assert np.all(unknown.drawn[1] >= dark.drawn[1] - 1e-9) and unknown.drawn[1].max() > dark.drawn[1].max() + 1.0
    np.testing.assert_allclose(unknown.drawn[0], dark.drawn[0])


def test_liquid_alone_is_no_colder_and_no_warmer_than_its_neighbours_but_for_drawing() -> None:
    hours = np.array([6.0, 8.0, 9.0]) * HOUR
    readings = np.array([[279.0, 283.0, 281.0], [281.0, 285.0, 283.0]])
    none = np.full(3, np.nan)
    day = liquid_over_day(
        Weather("", hours, none, none, readings), (250.0, 251.0), (0.85, 0.05), 3.785, (HOUR, 2.0 * HOUR)
    )
    seven = int(np.flatnonzero(day.time == 7.0 * HOUR)[0])
    assert day.full[:, seven].tolist() == [279.0, 285.0]
    assert day.drawn[1].max() == pytest.approx(285.0)
    # Drawn to the heel from 279 K: what the draw-down of physics.tanks gives.
    assert 274.0 < day.drawn[0].min() < 277.0


# --- what is said ---


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str]:
    code = cli.main(list(arguments))
    return code, " ".join(capsys.readouterr().out.split())


def test_the_plan_names_the_hours(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    code, text = run(
        capsys, "plan", *SAMPLE, "--day", DAY, "--json", str(tmp_path / "plan.json"), "--out", str(tmp_path / "planned")
    )
    day = json.loads((tmp_path / "plan.json").read_text())["day"]
    (whole,) = day["whole_map"]
    assert code == 0 and day["holds_throughout"]
    assert f"Stop by {whole['to']}: from 06:00 until then the whole map (71.7 ac) certainly holds" in text
    assert "Least is known of the liquid from" in text and "read each" in text
    assert [one["from"] for one in day["hours"]] == [f"{hour:02d}:00" for hour in range(6, 19)]
    for hour in day["hours"]:
        assert hour["holds_ac"] + hour["doubtful_ac"] + hour["fails_ac"] == pytest.approx(71.7, abs=0.05)
        within = hour["from"] >= whole["from"] and hour["to"] <= whole["to"]
        assert (hour["holds_ac"] > 71.6) == within
        low, high = hour["liquid_degF"]
        assert (
            f"{hour['from']} to {hour['to']} {np.floor(low):.0f} to {np.ceil(high):.0f} {hour['holds_ac']:.1f}" in text
        )
    assert (tmp_path / "planned" / "day.png").read_bytes().startswith(b"\x89PNG")
    assert json.loads((tmp_path / "planned" / "plan.json").read_text())["day"] == day


def test_a_day_that_leaves_too_little_time_is_a_finding(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """The sample day from ten on: what holds until a little after noon is less than the field takes."""
    lines = Path(DAY).read_text().splitlines()
    late = tmp_path / "my_late.csv"
    late.write_text("\n".join([lines[0], *lines[5:]]) + "\n")
    code, text = run(capsys, "plan", *SAMPLE, "--day", str(late))
    assert code == 1
    assert "and the field takes" in text and "for as long as their tank lasts" in text


def test_orders_named_hold_what_the_document_says(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    lines = Path(DAY).read_text().splitlines()
    late = tmp_path / "my_late.csv"
    late.write_text("\n".join([lines[0], *lines[4:]]) + "\n")
    _, text = run(capsys, "plan", *SAMPLE, "--day", str(late))
    _, out = run(capsys, "plan", *SAMPLE, "--day", str(late), "--json", "-")
    day = json.loads(out)["day"]
    best = max(day["starts"], key=lambda one: one["best_order_holds_ac"])
    assert best["best_order_holds_ac"] > best["as_driven_holds_ac"]
    order = ", ".join(map(str, best["best_order"]))
    assert f"in the order {order}" in text and f"{best['best_order_holds_ac']:.1f} ac, the most of all orders" in text


def test_a_reading_against_the_air_is_told(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "my_day.csv"
    path.write_text(
        "hour,air (degF),gauge (psi)\n" + "".join(f"{hour},40,{'110' if hour == 8 else ''}\n" for hour in range(6, 13))
    )
    _, text = run(capsys, "plan", *SAMPLE, "--day", str(path))
    assert "The reading at 08:00 lies outside of what air and sun can make" in text and "--temperature" in text
    assert "The sun is not told" in text


def test_a_day_of_liquid_alone_says_what_is_not_counted(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "my_day.csv"
    path.write_text(
        "hour;liquid (°C)\n" + "".join(f"{hour}:00;{4 + hour / 8:.1f}\n".replace(".", ",") for hour in range(6, 15))
    )
    code, text = run(capsys, "plan", *SAMPLE, "--day", str(path), "--units", "metric")
    assert "tells no air, so a tank that is drawn is taken to exchange no heat" in text
    assert "At every hour of my_day.csv the whole map certainly holds, 06:00 to 14:00." in text
    assert code == 0


def test_nothing_that_holds_and_what_certainly_fails_is_said(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path = tmp_path / "my_day.csv"
    path.write_text("hour,liquid (degF)\n" + "".join(f"{hour},100\n" for hour in range(8, 16)))
    code, text = run(capsys, "plan", *SAMPLE, "--day", str(path))
    assert code == 1
    assert "At no hour of my_day.csv does any part of the map certainly hold." in text
    assert "some zones certainly fail from 08:00 to 15:00" in text


def test_a_report_has_the_day_and_its_picture(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    out, figures = tmp_path / "my_report.html", tmp_path / "figures"
    code = cli.main(
        [
            "report",
            "plan",
            *SAMPLE,
            "--day",
            DAY,
            "--out",
            str(out),
            "--figures",
            str(figures),
            "--pdf",
            str(tmp_path / "my.pdf"),
            "--date",
            "2026-04-30",
        ]
    )
    page = out.read_text(encoding="utf-8")
    assert code == 0 and "The day by the hour" in page and "certainly holds" in page
    assert "lantern_flat_day.csv" in page.split("Files read")[1]
    assert (figures / "day.png").is_file()


def test_a_bar_without_a_tank_cannot_be_followed(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    bar = tmp_path / "bar.toml"
    bar.write_text((FIELDS / "heron.toml").read_text().split("[tank]")[0])
    arguments = [*SAMPLE]
    arguments[2] = str(bar)
    assert cli.main(["plan", *arguments, "--day", DAY]) == 2
    assert "cannot be followed through a day" in capsys.readouterr().err


def test_the_day_is_never_written_over(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "my_day.csv"
    path.write_bytes(Path(DAY).read_bytes())
    assert cli.main(["plan", *SAMPLE, "--day", str(path), "--json", str(path), "--replace"]) == 2
    assert path.read_bytes() == Path(DAY).read_bytes()


def test_two_tanks_drawn_together_each_have_a_shell_of_their_own() -> None:
    """Half the capacity each: the smaller tank has more shell for what it holds, and follows the air faster."""
    hours = np.arange(6.0, 13.0) * HOUR
    air, none = np.full(7, 290.0), np.full((2, 7), np.nan)
    usual = (280.0, 280.0), (0.85, 0.05)
    one, half = (
        liquid_over_day(Weather("", hours, air, np.zeros(7), none), *usual, size * 1000.0 * UNITS["gal"], (HOUR, HOUR))
        for size in (1.0, 0.5)
    )
    assert half.full[1, -1] > one.full[1, -1]
