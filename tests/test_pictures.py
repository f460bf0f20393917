"""What the page draws: its charts, layers and cells say what the commands say of the same bar, map and log."""

from __future__ import annotations

import base64
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from laws import laws

from geoflow import cli
from geoflow.base.schema import VERDICTS
from geoflow.base.units import from_si, to_si
from geoflow.options.typed import ComparisonOptions, LogOptions, ReadOptions, RewriteOptions
from geoflow.report.ground_layers import NOWHERE
from geoflow.report.map_classes import even_edges, rate_classes, speed_classes, within_edges
from geoflow.report.map_layers import LAYERS, Vetted, map_layer
from geoflow.report.symbology import LOW_SIDE
from geoflow.web.ground import ground_view
from geoflow.web.layer_views import rewritten_view
from geoflow.web.pictures import answer_with_pictures
from geoflow.web.state import Opened
from geoflow.web.tasks import KeptMap
from geoflow.web.uploads import Upload
from geoflow.web.windows import Windows
from geoflow.web.zone_speed import speed_to_use
from geoflow.workflow.reconciling import reconcile_file
from geoflow.workflow.replan import Unplanned, prepare_window, read_unplanned, vet_again, vet_plan
from geoflow.workflow.rewriting import rewrite_file

FIELDS = Path(__file__).parent.parent / "sample_fields"
HERON, LANTERN = FIELDS / "heron.toml", FIELDS / "lantern_flat.shp"
ACRE = 4046.8564224  # [m2], NIST Special Publication 811 (2008), appendix B.8


@pytest.fixture(scope="module")
def read() -> Unplanned:
    return read_unplanned(str(LANTERN), str(HERON), ReadOptions())


@pytest.fixture(scope="module")
def ahead(read: Unplanned) -> Windows:
    """The window at every stop of the sliders, as the page has it once that is solved."""
    windows = Windows()
    windows.keep(upload(), (0, 1, 2), prepare_window(read.bar, (0, 1, 2)), whole=True)
    return windows


def upload() -> Upload:
    return Upload("heron.toml", HERON.read_bytes())


def opened(read: Unplanned) -> Opened:
    return Opened(1, upload(), (), ReadOptions(), KeptMap(read, None))


def question(temperature: tuple[str, str], speed: tuple[str, str], system: str = "us", **more: Any) -> dict[str, Any]:
    plan = {"temperature": list(temperature), "speed": list(speed), "sections": None}
    return {"opened": 1, "system": system, "plan": plan, **more}


COOL = ("45", "52"), ("5", "5.5")


@pytest.fixture(scope="module")
def answer(read: Unplanned, ahead: Windows) -> dict[str, Any]:
    return answer_with_pictures(ahead, opened(read), question(*COOL))


def certain_rates(tmp_path: Path, *plan: str) -> tuple[tuple[float, float], tuple[str, str]]:
    """What `geoflow window` says of a plan: the certain rates [lb N/ac] and the limits that end them."""
    out = tmp_path / "window.json"
    out.unlink(missing_ok=True)
    cli.main(["window", "--bar", str(HERON), "--temperature", plan[0], "--speed", plan[1], "--json", str(out)])
    said = json.loads(out.read_text("utf-8"))
    return tuple(said["rate_lb_n_ac"]["certain"]), (said["limited_by"]["low"], said["limited_by"]["high"])


# Charts


@pytest.mark.parametrize("degrees", [20, 45, 70])
def test_the_chart_over_temperature_is_the_window_at_each(answer: Any, tmp_path: Path, degrees: int) -> None:
    """A point at one temperature holds at all planned speeds, as `geoflow window` has it for just that."""
    band = answer["charts"]["bands"][0]
    at = int(np.argmin(np.abs(np.array(band["x"]) - degrees)))
    assert band["x"][at] == pytest.approx(degrees, abs=1e-3)
    rates, limits = certain_rates(tmp_path, f"{degrees} degF", "5..5.5 mph")
    assert [band["certain"][side][at] for side in (0, 1)] == pytest.approx(rates, rel=2e-4)
    for side in (0, 1):
        names = [name for end, name, first, last in band["named"] if end == side and first <= at <= last]
        assert names == [limits[side]]


@pytest.mark.parametrize("share", [0.2, 0.45, 0.9])
def test_the_chart_over_speed_is_the_window_at_each(answer: Any, tmp_path: Path, share: float) -> None:
    band = answer["charts"]["bands"][1]
    at = int(share * len(band["x"]))
    rates, _ = certain_rates(tmp_path, "45..52 degF", f"{band['x'][at]} mph")
    assert [band["certain"][side][at] for side in (0, 1)] == pytest.approx(rates, rel=5e-4)


@pytest.mark.parametrize("system", ["us", "metric"])
def test_a_quick_answer_draws_what_the_full_one_draws(read: Unplanned, ahead: Windows, system: str) -> None:
    """So that nothing jumps when a slider comes to rest."""
    mine = opened(read)
    plans = {"us": (("40", "50"), ("5", "6")), "metric": (("4", "10"), ("8", "9.5"))}[system]
    answer_with_pictures(ahead, mine, question(*COOL))
    quick = answer_with_pictures(ahead, mine, question(*plans, system, quick=True, layer="limit"))
    full = answer_with_pictures(ahead, mine, question(*plans, system, layer="limit"))
    assert not quick["exact"] and full["exact"]
    for one, other in zip(quick["charts"]["bands"], full["charts"]["bands"], strict=True):
        assert one["x"] == other["x"] and one["plan"] == other["plan"] and one["title"] == other["title"]
        for which in ("certain", "possible"):
            for side in (0, 1):
                ends = [np.array(band[which][side], dtype=float) for band in (one, other)]
                np.testing.assert_allclose(*ends, rtol=2e-3)
    assert quick["charts"]["bars"] == full["charts"]["bars"] and quick["charts"]["top"] == full["charts"]["top"]
    assert quick["layer"] == full["layer"]


def test_the_axis_of_rates_stays_as_the_plan_moves(read: Unplanned, ahead: Windows) -> None:
    mine = opened(read)
    charts = [
        answer_with_pictures(ahead, mine, question((str(low), "52"), ("5", speed), quick=True))["charts"]
        for low in (30, 45)
        for speed in ("5", "8")
    ]
    assert len({chart["top"] for chart in charts}) == 1
    assert len({json.dumps(chart["bands"][0]["x"]) for chart in charts}) == 1


def test_before_the_sliders_are_solved_a_chart_shows_what_is_known(read: Unplanned) -> None:
    quick = answer_with_pictures(Windows(), opened(read), question(("45", "45"), ("5", "5"), quick=True))
    band = quick["charts"]["bands"][0]
    assert not quick["exact"] and len(band["x"]) == 2 and band["x"][0] < 45 < band["x"][1]
    assert band["certain"][0][0] == band["certain"][0][1]


def test_bars_hold_the_ground_by_rate_and_verdict(read: Unplanned, answer: Any) -> None:
    charts, area = answer["charts"], read.prescription.area
    rate = from_si(read.rate, "nitrogen rate", "lb/acre")
    verdict = np.array(list(answer["verdicts"]))
    for at, bar in enumerate(charts["bars"]):
        mine = np.array([ord(letter) - 48 == at for letter in charts["barOf"]])
        assert np.all((rate[mine] >= bar["low"]) & (rate[mine] <= bar["high"])) and mine.any()
        by = [area[mine & (verdict == letter)].sum() / ACRE for letter in "HDF"]
        assert bar["areas"] == pytest.approx(by, abs=1e-3)
        assert bar["words"][1] == f"{mine.sum()} zones"
    assert sum(sum(bar["areas"]) for bar in charts["bars"]) == pytest.approx(area.sum() / ACRE, rel=1e-4)


def test_a_chart_is_told_as_a_table_too(answer: Any, tmp_path: Path) -> None:
    band = answer["charts"]["bands"][0]
    rows = {row[0]: row[1:] for row in band["table"]["rows"]}
    assert {"0 °F", "40 °F", "45 °F (plan)", "52 °F (plan)", "100 °F"} <= set(rows)
    (low, high), limits = certain_rates(tmp_path, "40 degF", "5..5.5 mph")
    assert list(rows["40 °F"][2:]) == list(limits)
    least, most = (int(text) for text in rows["40 °F"][0].split(" to "))
    assert low <= least < low + 1 and high - 1 < most <= high


# Layers of the map


@pytest.mark.parametrize("system", ["us", "metric"])
@pytest.mark.parametrize("name", [name for name in LAYERS if name != "speed"])
def test_every_zone_is_in_one_class_of_a_layer_and_the_key_counts_it(
    read: Unplanned, ahead: Windows, name: str, system: str
) -> None:
    plan = COOL if system == "us" else (("7", "11"), ("8", "9"))
    said = answer_with_pictures(ahead, opened(read), question(*plan, system, layer=name))
    if name == "verdict":
        assert said["layer"] is None
        return
    layer = said["layer"]
    places = [ord(letter) - 48 for letter in layer["kinds"]]
    assert layer["name"] == name and len(places) == len(read.rate)
    assert [one["zones"] for one in layer["key"]] == [places.count(at) for at in range(len(layer["key"]))]
    unit = {"us": " ac", "metric": " ha"}[system]
    assert all(one["amount"].endswith(unit) for one in layer["key"])
    assert len({one["word"] for one in layer["key"]}) == len(layer["key"])


def vetted(read: Unplanned, ahead: Windows, plan: Any) -> Any:
    mine = opened(read)
    answer_with_pictures(ahead, mine, question(*plan))
    return mine.outcome


@pytest.mark.parametrize("speed", [("3", "3"), ("5", "5.5"), ("9", "9")])
def test_too_slow_and_too_fast_are_told_apart(read: Unplanned, ahead: Windows, speed: tuple[str, str]) -> None:
    outcome = vetted(read, ahead, (("45", "52"), speed))
    found = outcome.vetting
    layer = map_layer("limit", Vetted(outcome.rate, found.verdict, outcome.solution, lambda: found), "us")
    sides = set()
    for at, kind in enumerate(layer.kind):
        symbol, side = layer.symbols[kind], str(found.side[at])
        if not side:
            assert kind == found.verdict[at]
            continue
        sides.add(side)
        assert symbol.hatch == {"low": LOW_SIDE, "high": "//"}[side]
        assert symbol.letter == found.verdict[at][0].upper() + {"low": "\u2212", "high": "+"}[side]
        assert {"low": "too slow", "high": "too fast"}[side] in kind and str(found.limited_by[at]) in kind
    assert sides == {"3": {"low"}, "5": {"low"}, "9": {"high"}}[speed[0]]


@pytest.mark.parametrize("speed", [("3", "3"), ("5", "5.5"), ("9", "9"), ("2", "12")])
def test_the_rate_to_be_given_is_the_nearest_that_certainly_holds(
    read: Unplanned, ahead: Windows, speed: tuple[str, str]
) -> None:
    outcome = vetted(read, ahead, (("45", "52"), speed))
    found = outcome.vetting
    layer = map_layer("given", Vetted(outcome.rate, found.verdict, outcome.solution, lambda: found), "us")
    low, high = outcome.solution.rate_bounds(outcome.solution.certain)
    for at, kind in enumerate(layer.kind):
        rate = outcome.rate[at]
        if low > high:
            assert layer.symbols[kind].word == "no rate is certain"
            continue
        given = float(np.clip(rate, low, high))
        said = float(re.findall(r"([\d.,]+) lb N/ac", kind)[0].replace(",", ""))
        assert said == pytest.approx(float(from_si(given, "nitrogen rate", "lb/acre")), abs=0.5001)
        assert kind.startswith("raised") == (given > rate * (1 + 1e-9))
        assert kind.startswith("lowered") == (given < rate * (1 - 1e-9))
    raised = [kind for kind in layer.kind if kind.startswith("raised")]
    assert ("the agronomist's decision" in layer.words) == bool(raised)


@pytest.mark.parametrize("plan", [COOL, (("60", "75"), ("4", "5"))], ids=["cool", "warm"])
def test_margins_are_classed_by_what_the_bar_file_asks_for(read: Unplanned, ahead: Windows, plan: Any) -> None:
    outcome = vetted(read, ahead, plan)
    found = outcome.vetting
    layer = map_layer("margin", Vetted(outcome.rate, found.verdict, outcome.solution, lambda: found), "us")
    margin = from_si(found.margin, "pressure", "psi")
    wanted = float(from_si(read.bar.limits.liquid_margin, "pressure", "psi"))
    seen: set[str] = set()
    for kind, value in zip(layer.kind, margin.tolist(), strict=True):
        word = layer.symbols[kind].word
        seen.add(word)
        if value < 0.0:
            assert word == "below zero"
            continue
        low, high = (float(text) for text in re.findall(r"[\d.]+", word))
        assert low - 0.051 <= value <= high + 0.051
        assert (layer.symbols[kind].letter == "D") == (value < wanted)
    assert len(seen) > 2 if plan is COOL else seen == {"below zero"}


def test_the_margin_follows_only_when_a_temperature_rests(read: Unplanned, ahead: Windows) -> None:
    mine = opened(read)
    answer_with_pictures(ahead, mine, question(*COOL))
    warmer = answer_with_pictures(ahead, mine, question(("45", "53"), COOL[1], quick=True, layer="margin"))
    faster = answer_with_pictures(ahead, mine, question(COOL[0], ("5", "6"), quick=True, layer="margin"))
    full = answer_with_pictures(ahead, mine, question(COOL[0], ("5", "6"), layer="margin"))
    assert warmer["layer"] is None and not faster["exact"] and faster["layer"] == full["layer"]


@given(
    low=st.floats(0.0, 400.0),
    reach=st.floats(0.0, 300.0),
    most=st.integers(2, 40),
    system=st.sampled_from(["us", "metric"]),
)
@laws(60)
def test_even_edges_hold_a_range_in_few_round_classes(low: float, reach: float, most: int, system: Any) -> None:
    unit = {"us": "lb/acre", "metric": "kg/hectare"}[system]
    ends = [float(to_si(value, "nitrogen rate", unit)) for value in (low, low + reach)]
    edges = even_edges(*ends, "nitrogen rate", system, most)
    shown = np.asarray(from_si(edges, "nitrogen rate", unit))
    assert 2 <= len(edges) <= most + 1 and np.all(np.diff(edges) > 0)
    assert shown[0] <= low + 1e-6 and shown[-1] >= low + reach - 1e-6
    # Whole numbers, as rates are printed, so that no two classes read alike.
    np.testing.assert_allclose(shown, np.rint(shown), atol=1e-6)
    values = np.linspace(*ends, 17)
    places = within_edges(values, edges)
    assert np.all(values >= edges[places] - 1e-12) and np.all(values <= edges[places + 1] + 1e-12)


@given(st.lists(st.floats(0.0, 0.05), min_size=1, max_size=60), st.sampled_from(["us", "metric"]))
@laws(40)
def test_every_rate_has_a_class_whatever_the_rates(rates: list[float], system: Any) -> None:
    kind, symbols = rate_classes(np.array(rates), system)
    assert set(kind) <= set(symbols) and len(symbols) <= 13
    assert all((name == "off") == (rate == 0.0) for name, rate in zip(kind, rates, strict=True))


def test_many_speeds_become_stretches() -> None:
    slow = np.linspace(2.0, 5.0, 200)
    verdict = np.where(np.arange(200) % 7 == 0, "fails", "holds")
    kind, symbols = speed_classes(verdict, (slow, slow + 0.1), "us")
    assert set(kind) <= set(symbols) and len(symbols) <= 15
    assert all((name == "fails") == (one == "fails") for name, one in zip(kind, verdict.tolist(), strict=True))


# What a cure names


def test_the_speed_a_cure_names_is_the_one_that_is_planned_and_it_holds(read: Unplanned, ahead: Windows) -> None:
    from geoflow.report.cures import cure_texts

    outcome = vetted(read, ahead, COOL)
    zones = np.arange(len(read.rate))
    cures = cure_texts(zones, outcome.rate, outcome.solution, outcome.vetting, "us")
    used = 0
    for at in zones.tolist():
        speed = speed_to_use(outcome, at, "us")
        if speed is None:
            assert "drive" not in cures[at]
            continue
        used += 1
        words = speed["words"].removeprefix("Use this speed: ")
        assert f"drive {words}" in cures[at] and words.startswith(speed["ends"][0]) and speed["ends"][1] in words
        slow, fast = (float(to_si(float(end), "speed", "mile/hour")) for end in speed["ends"])
        again = vet_again(outcome, replace(outcome.solution.plan, speed=(slow, fast)))
        assert again.vetting.verdict[at] == "holds"
        assert speed_to_use(again, at, "us") is None
    assert used


# Before and after a rewriting


@pytest.mark.parametrize("policy", ["hold-speed", "hold-rate"])
def test_a_rewriting_is_shown_as_it_was_and_as_it_became(read: Unplanned, policy: str) -> None:
    from geoflow.options.typed import PlanOptions
    from geoflow.workflow.bar_plan import make_plan

    plan = make_plan(read.bar, PlanOptions(bar="", temperature="45..52 degF", speed="5..5.5 mph", sections=None))
    outcome = rewrite_file(vet_plan(read, plan), RewriteOptions(policy=policy, allow_raise=True))
    layers = rewritten_view(outcome, "us")
    before, after = layers["given"]
    words = {one["word"] for one in before["key"]} | {one["word"] for one in after["key"]}
    for layer, rates in ((before, outcome.done.before), (after, outcome.done.after)):
        for letter, rate in zip(layer["kinds"], rates.tolist(), strict=True):
            word = layer["key"][ord(letter) - 48]["word"]
            assert word == f"{float(from_si(rate, 'nitrogen rate', 'lb/acre')):.0f} lb N/ac" and word in words
    fills = {one["word"]: one["fill"] for one in before["key"]}
    assert all(fills.get(one["word"], one["fill"]) == one["fill"] for one in after["key"])
    assert [one["word"] for one in before["key"]] == [one["word"] for one in after["key"]]
    assert (before["kinds"] != after["kinds"]) == bool(outcome.done.rate_changed.any()) == (policy == "hold-speed")
    assert ("speed" in layers) == (policy == "hold-rate")
    after = layers["verdict"][1]
    letters = [after["key"][ord(kind) - 48]["letter"] for kind in after["kinds"]]
    assert letters == [VERDICTS[name].letter for name in outcome.done.verdict.tolist()]


# The ground of a log


@pytest.fixture(scope="module")
def log() -> Any:
    against = ComparisonOptions(target=str(LANTERN), bar=str(HERON))
    return reconcile_file(str(FIELDS / "lantern_flat_log.csv"), against, LogOptions(), ReadOptions())


@pytest.fixture(scope="module")
def ground(log: Any) -> dict[str, Any]:
    view = ground_view(log, "us")
    assert view is not None
    return view


def cells(view: dict[str, Any], layer: dict[str, Any], what: str = "classes") -> Any:
    found = np.frombuffer(base64.b64decode(layer[what]), np.uint8)
    assert found.size == view["rows"] * view["columns"]
    return found


def in_acres(view: dict[str, Any], number: int) -> float:
    west, _, east, _ = view["bounds"]
    return float(number * ((east - west) / view["columns"]) ** 2 / ACRE)


def test_the_cells_of_a_log_cover_the_ground_that_is_measured(ground: dict[str, Any]) -> None:
    """Two ways to the same ground: cells are counted, areas are measured by the overlay."""
    assert [layer["name"] for layer in ground["layers"]] == ["ratio", "asked", "given", "cause", "passes"]
    for layer in ground["layers"]:
        found = cells(ground, layer)
        for at, one in enumerate(layer["key"]):
            counted = in_acres(ground, int((found == at).sum()))
            told = float(one["amount"].removesuffix(" ac"))
            # Ground on one side of the pair only, along the borders, is in the cells and not in the amounts.
            assert counted == pytest.approx(told, rel=0.04, abs=0.3), (layer["name"], one["word"])
        assert set(np.unique(found).tolist()) <= {*range(len(layer["key"])), NOWHERE}


def test_a_bar_of_the_ratio_lights_the_ground_of_its_ratio(ground: dict[str, Any]) -> None:
    ratio = ground["layers"][0]
    found, bins = cells(ground, ratio), cells(ground, ratio, "bins")
    names = [one["word"] for one in ratio["key"]]
    for at, bar in enumerate(ratio["bars"]):
        mine = bins == at
        assert in_acres(ground, int(mine.sum())) == pytest.approx(bar["area"], rel=0.15, abs=0.1)
        middle = 0.5 * (bar["low"] + bar["high"])
        expected = (
            "more than 20 % short" if middle < 0.8 else "10 to 20 % short" if middle < 0.9 else "within 10 %"
            if middle < 1.1 else "10 to 20 % over" if middle < 1.2 else "more than 20 % over"
        )  # fmt: skip
        # One bar lies in one class, but for ratios exactly on a class's edge.
        others = (found[mine] != names.index(expected)).sum()
        assert others <= 0.02 * max(mine.sum(), 1), bar["words"]


def test_the_rates_of_a_log_are_those_of_its_report(log: Any, ground: dict[str, Any]) -> None:
    from geoflow.report.spread_words import rate_table

    table = rate_table(log, "us")
    assert table is not None
    asked, given = ground["layers"][1:3]
    shown = [
        (bar["words"].removesuffix(" lb N/ac"), *(f"{area:.2f}" for area in (bar["area"], other["area"])))
        for bar, other in zip(asked["bars"], given["bars"], strict=True)
        if bar["area"] or other["area"]
    ]
    assert [tuple(row) for row in table.rows] == [tuple(row) for row in shown]
    assert [bar["other"] for bar in asked["bars"]] == [bar["area"] for bar in given["bars"]]


def test_causes_are_those_of_the_report(log: Any, ground: dict[str, Any]) -> None:
    cause = ground["layers"][3]
    told = {one["word"]: one["amount"] for one in cause["key"]}
    for name, area in log.found.cause_area.items():
        if area > 0.0:
            assert told[name] == f"{area / ACRE:,.2f} ac"


def test_a_log_alone_has_its_ground_too(log: Any) -> None:
    found = replace(log.found, zones=None)
    outcome = replace(log, zones=log.zones[:0], boundary=None, found=found)
    view = ground_view(outcome, "metric")
    assert view is not None and view["outlines"] == [] and view["areaUnit"] == "ha"
    assert [layer["name"] for layer in view["layers"]][-1] == "passes"
    silent = replace(outcome, found=replace(found, agreement=replace(found.agreement, area=0.0)))
    alone = ground_view(silent, "metric")
    assert alone is not None and [layer["name"] for layer in alone["layers"]] == ["given", "passes"]
    bare = replace(found, strips=replace(found.strips, ground=np.zeros_like(found.strips.ground)))
    assert ground_view(replace(outcome, found=bare), "metric") is None
