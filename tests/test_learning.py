"""A bar that learns from its logs, against invented days whose truth is known and computed without geoflow."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from bars import PSI, bar, fahrenheit
from learning_days import Hidden, draw, drive, flow_window_of, known_bar, usual_day, vapour_and_density

from geoflow import cli
from geoflow.bar.bar_file import read_bar, read_bar_text
from geoflow.bar.equipment import Bar, Line, MeasuredPoint
from geoflow.bar.learned import Learned, LearnedLog
from geoflow.bar.learned_table import with_learned
from geoflow.bar.ranges import Range
from geoflow.base.errors import BarError, LogError
from geoflow.decide.odds import odds_of_holding
from geoflow.decide.settling import settling
from geoflow.decide.vet import Plan, solve, vet
from geoflow.diagnosis.learned_bar import LearnedKind, NewLog, learn_kind
from geoflow.diagnosis.steady_cells import gather_cells
from geoflow.ground.applied_log import AppliedLog
from geoflow.hydraulics.learned_ways import margin_doublings
from geoflow.hydraulics.window import flow_window
from geoflow.options.typed import LearnOptions
from geoflow.report.doubt import doubt_text
from geoflow.workflow.learning import learn_files, learn_logs, write_learned

sys.path.insert(0, str(Path(__file__).parent / "campaigns"))
from learned_bars import odds_case, one_case

FIELDS = Path(__file__).parent.parent / "sample_fields"
LOG, HERON = FIELDS / "lantern_flat_log.csv", FIELDS / "heron.toml"
DATE = "2026-11-28"


def drawn(seed: int, **changes: object) -> tuple[Hidden, Bar, AppliedLog, float, np.random.Generator]:
    random = np.random.default_rng((17, seed))
    hidden = draw(random)
    one = known_bar(hidden, random)
    log, weighed = drive(hidden, one, usual_day(random, **changes), random)
    return hidden, one, log, weighed, random


def as_new(one: Bar, log: AppliedLog, name: str = "day", ticket: float | None = None) -> NewLog:
    cells = gather_cells(log, one)
    stood = cells.standing
    over, kelvin = (None, None) if stood is None else (stood.over, stood.temperature)
    return NewLog(LearnedLog(name, name, DATE, 0, 0, over, kelvin, ticket), cells)


def learned_from(one: Bar, *new: NewLog) -> LearnedKind:
    kind = learn_kind(one, one.orifices["only"], new, DATE)
    assert kind is not None
    return kind


def knowing(one: Bar, learned: Learned) -> Bar:
    return replace(one, orifices={"only": replace(one.orifices["only"], learned=learned)})


def certain(one: Bar, degrees: float = 50.0) -> tuple[float, float]:
    low, high = flow_window(one, np.array([fahrenheit(degrees)]), (0, 1)).edges(certain=True)
    return float(low[0]), float(high[0])


@pytest.mark.slow
def test_the_learned_window_lies_inside_the_truth_and_changes_are_found() -> None:
    """A slice of the campaign; its figures for 500 bars stand in docs/learn.md."""
    found = [one_case(at, full=True) for at in range(24)]
    assert all(one["learned"] and np.all(one["inside"]) for one in found)
    assert np.all(np.median([one["width"] for one in found], axis=0) >= 0.8)
    assert [one["change"] is not None for one in found] == [bool(one["plugged"]) for one in found]


def test_without_ticket_or_standing_reading_it_stays_inside_too() -> None:
    found = [one_case(100 + at, full=False) for at in range(8)]
    assert all(np.all(one["inside"]) for one in found)


def test_a_plugged_row_is_a_step_and_only_what_follows_counts() -> None:
    hidden, one, log, _, _ = drawn(3, plugged=1)
    kind = learned_from(one, as_new(one, log))
    assert kind.change is not None and kind.change.kind == "step"
    # One row of so many, whichever way the flow is counted.
    assert kind.change.size == pytest.approx(np.log1p(-1.0 / hidden.rows), abs=0.015)
    assert kind.learned.moments < kind.facts.moments.sum()


def test_wear_over_the_day_is_a_drift() -> None:
    _, one, log, _, _ = drawn(4, wear=0.06, passes=16)
    change = learned_from(one, as_new(one, log)).change
    assert change is not None and change.kind == "drift" and change.size == pytest.approx(0.06, abs=0.02)


def test_a_step_between_two_days_is_found_and_the_old_day_dropped() -> None:
    hidden, one, log, _, random = drawn(5)
    first = learned_from(one, as_new(one, log, "monday"))
    worn = replace(hidden, coefficient=hidden.coefficient * 1.05)
    later, _ = drive(worn, one, usual_day(random), random)
    kind = learned_from(knowing(one, first.learned), as_new(one, later, "tuesday"))
    assert kind.change is not None and kind.change.size > 0.03
    assert [log.name for log in kind.learned.logs] == ["tuesday"]


def test_learning_again_adds_and_a_log_counts_once() -> None:
    hidden, one, log, weighed, random = drawn(6)
    monday = as_new(one, log, "monday", weighed / float(log.flow[log.section == 0].sum()))
    first = learned_from(one, monday)
    later, _ = drive(hidden, one, usual_day(random), random)
    both = learned_from(knowing(one, first.learned), as_new(one, later, "tuesday"))
    assert [log.name for log in both.learned.logs] == ["monday", "tuesday"]
    assert both.change is None and both.learned.moments > first.learned.moments
    # The ticket of Monday still tells the meter on Tuesday.
    assert both.posterior.named("meter").std() < 0.01
    again = learned_from(knowing(one, first.learned), monday)
    assert again.learned.moments == first.learned.moments and len(again.learned.logs) == 1
    for degrees in (45.0, 60.0):
        low, high = certain(knowing(one, both.learned), degrees)
        least, most = flow_window_of(hidden, one, fahrenheit(degrees))
        assert least <= low < high <= most


def test_a_ticket_a_standing_reading_and_a_measured_point_each_open_the_window() -> None:
    hidden, one, log, weighed, _ = drawn(7)
    ticket = weighed / float(log.flow[log.section == 0].sum())
    kelvin = fahrenheit(50.0)
    pressure = float(vapour_and_density(np.array([kelvin]))[0][0]) + 30.0 * PSI
    flow = float(hidden.flow(np.array([pressure]), np.array([kelvin]))[0]) / hidden.rows
    point = MeasuredPoint(flow, pressure, kelvin, 0.01, 0.5 * PSI, 0.3)
    caught = replace(one, orifices={"only": replace(one.orifices["only"], measured=(point,))})
    bare = as_new(one, log)
    shaky = replace(bare, about=replace(bare.about, standing=None))
    spans = []
    for owned, new in (
        (one, shaky),
        (one, bare),
        (caught, bare),
        (one, replace(bare, about=replace(bare.about, ticket=ticket))),
    ):
        low, high = certain(knowing(owned, learned_from(owned, new).learned))
        spans.append(high - low)
    assert spans[0] < spans[1] < min(spans[2:])


def test_moments_below_the_vapour_pressure_tell_of_lost_liquid_only() -> None:
    _, one, log, _, _ = drawn(8)
    held = gather_cells(log, one)
    boiling = replace(log, temperature=log.temperature + np.where(log.run > 6, 14.0, 0.0))
    cells = gather_cells(boiling, one)
    assert cells.left_out["boiling"] > 200 and not held.left_out["boiling"]
    margins = cells.kinds["only"].pressure - vapour_and_density(cells.kinds["only"].temperature)[0]
    assert margins.min() > 2.5 * PSI


def test_a_transmitter_that_reads_air_with_product_in_the_lines_teaches_nothing() -> None:
    _, one, log, _, _ = drawn(9)
    off = gather_cells(replace(log, bar_pressure=log.bar_pressure - 40.0 * PSI), one)
    assert off.standing is None and off.strange == pytest.approx(-40.0 * PSI, abs=5.0 * PSI)


def test_kinds_of_orifice_are_learned_where_sections_run_apart() -> None:
    _, one, log, _, _ = drawn(10)
    other = replace(one.orifices["only"], name="other")
    mixed = replace(
        one,
        orifices={**one.orifices, "other": other},
        sections=(one.sections[0], replace(one.sections[1], orifice="other")),
    )
    assert not gather_cells(log, mixed).kinds and gather_cells(log, mixed).left_out["mixed"] > 1000
    # The right half shut over half of the passes; what flows then goes through the left one alone.
    apart = (log.run > 5) & (log.section == 1)
    cells = gather_cells(replace(log, on=log.on & ~apart), mixed)
    assert list(cells.kinds) == ["only"]
    rows = one.sections[0].rows
    whole = gather_cells(log, one).kinds["only"]
    assert cells.kinds["only"].flow.max() == pytest.approx(whole.flow.max() * one.rows / rows, rel=0.05)


def test_the_rise_follows_the_refrigerants() -> None:
    """Weights over the margin at 60 degF in docs/physics.md, computed from Henry and Fauske (regression)."""
    margin = np.array([10.0, 20.0, 40.0, 60.0, 100.0]) * PSI
    table = np.array([0.81, 0.84, 0.88, 0.91, 0.93])
    weight = table[0] + 0.06 * margin_doublings(margin, margin[0])
    assert np.abs(weight - table).max() < 0.02


def text_of_heron() -> str:
    return (
        HERON.read_text(encoding="utf-8").replace("[orifices.medium]", "[orifices.only]").replace('"medium"', '"only"')
    )


def test_what_was_learned_stands_in_the_bar_file_and_is_replaced_there() -> None:
    _, one, log, _, _ = drawn(11)
    learned = learned_from(one, as_new(one, log, "monday.csv")).learned
    before = text_of_heron()
    content = with_learned(before, {"only": learned}, read_bar_text(before.encode(), "bar").air_pressure)
    assert content.startswith(before.rstrip("\n"))
    read = read_bar_text(content.encode(), "bar").orifices["only"].learned
    assert read is not None and (read.moments, read.passes, read.date) == (learned.moments, learned.passes, DATE)
    for mine, theirs in zip((learned.likely, *learned.cases), (read.likely, *read.cases), strict=True):
        for name in ("coefficient", "flash_weight", "rise", "warming"):
            assert getattr(theirs, name) == pytest.approx(getattr(mine, name), rel=1e-4, abs=1e-6)
        assert theirs.below == pytest.approx(mine.below, rel=1e-3, abs=1.0)
    assert len(read.evidence) == len(learned.evidence)
    air = read_bar_text(before.encode(), "bar").air_pressure
    assert with_learned(content, {"only": learned}, air) == content
    tables = '\n[orifices.only.learned]\ndate = "x"\n[[orifices.only.learned.cases]]\ncoefficient = 1\n[tank2]\n'
    assert with_learned(before + tables, {"only": learned}, air).count("learned]") == 1
    assert "[tank2]" in with_learned(before + tables, {"only": learned}, air)


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda text: text.replace("cases = [", "cases = []\nspread = [").replace("\nspread = [", "\n", 1), "cases"),
        (lambda text: text.replace("likely = { coefficient = 0", "likely = { coefficient = -0"), "is not above 0"),
        (lambda text: text.replace("{ log = 1,", "{ log = 7,"), "not in learned.logs"),
    ],
)
def test_a_learned_table_that_makes_no_sense_is_refused(spoil: object, words: str) -> None:
    _, one, log, _, _ = drawn(11)
    learned = learned_from(one, as_new(one, log)).learned
    if words == "cases":
        learned = replace(learned, cases=())
    content = with_learned(text_of_heron(), {"only": learned}, 101325.0)
    changed = content if words == "cases" else spoil(content)  # type: ignore[operator]
    with pytest.raises(BarError, match="holds no way" if words == "cases" else words):
        read_bar_text(changed.encode(), "bar")


def test_the_command_learns_the_sample_log(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The sample log holds a row that plugs halfway (sample_fields/make_log.py)."""
    out, document = tmp_path / "learned.toml", tmp_path / "learned.json"
    figures = tmp_path / "figures"
    words = [
        "learn",
        str(LOG),
        "--bar",
        str(HERON),
        "--out",
        str(out),
        "--json",
        str(document),
        "--figures",
        str(figures),
    ]
    assert cli.main(words) == 1
    said = capsys.readouterr().out
    assert "as if 1 row of 16 had plugged" in said.replace("\n ", "") and "Ammonia blinds" in said
    found = json.loads(document.read_text(encoding="utf-8"))
    assert {
        "orifices",
        "meter_factor",
        "pressure_zero_psi",
        "not_told_apart",
        "window_before",
        "window_after",
        "drift",
    } <= set(found)
    medium = found["orifices"]["medium"]
    assert {"coefficient", "flash_weight", "pressure_psi", "temperature_degF", "moments", "passes"} <= set(medium)
    assert medium["coefficient"][0] < medium["coefficient"][1] < medium["coefficient"][2]
    assert found["meter_factor"] is None and found["drift"][0]["kind"] == "step"
    assert found["window_after"]["flow_lb_nh3_min"]["certain"] is not None
    assert (figures / "learned_1.png").read_bytes().startswith(b"\x89PNG")
    assert read_bar(out).orifices["medium"].learned is not None
    # Used by the other commands, which say what they rest on; the input is never written over.
    assert cli.main(["window", "--bar", str(out), "--temperature", "45 degF"]) == 0
    assert "learned from logs of this bar" in capsys.readouterr().out.replace("\n ", "")
    assert cli.main(["learn", str(LOG), "--bar", str(out), "--out", str(out), "--replace"]) == 2


def test_a_ticket_tells_the_meter() -> None:
    """The sample's meter counts 3 % too much, and 14,044 lb is what its script sent out (README)."""
    outcome = learn_files([str(LOG)], LearnOptions(bar=str(HERON), ticket=("14044 lb NH3",)))
    meter = np.exp(outcome.kinds["medium"].posterior.named("meter"))
    assert np.mean(meter) == pytest.approx(1.0 / 1.03, abs=0.005) and np.std(meter) < 0.008
    # The orifice is Heron's own but for the plugged row: land and coefficient of the file, 15 rows of 16.
    low, high = np.percentile(np.exp(outcome.kinds["medium"].posterior.named("coefficient")), [0.5, 99.5])
    assert low <= 0.62 * 15.0 / 16.0 <= high


def fake(log: AppliedLog, name: str = "day.csv") -> SimpleNamespace:
    return SimpleNamespace(path=Path(name), log=log)


def test_what_cannot_be_learned_from_is_refused(tmp_path: Path) -> None:
    _, one, log, _, _ = drawn(12)
    with pytest.raises(LogError, match="holds no bar_pressure"):
        learn_logs(one, [fake(replace(log, bar_pressure=log.bar_pressure * np.nan))], ["a"])  # type: ignore[list-item]
    with pytest.raises(LogError, match="nothing was learned"):
        learn_logs(one, [fake(replace(log, temperature=log.temperature + 40.0))], ["a"])  # type: ignore[list-item]
    with pytest.raises(LogError, match="which no meter does"):
        learn_logs(one, [fake(log)], ["a"], loads=(1e6,))  # type: ignore[list-item]
    with pytest.raises(LogError, match="given twice"):
        learn_files([str(LOG), str(LOG)], LearnOptions(bar=str(HERON)))
    outcome = learn_logs(one, [fake(log)], ["a"])  # type: ignore[list-item]
    inline = tmp_path / "inline.toml"
    text = text_of_heron().split("[orifices.only]")
    rest = text[1][text[1].index("\n[") :]
    inline.write_text(f'{text[0]}[orifices]\nonly = {{ diameter = "0.07 in", discharge_coefficient = 0.62 }}\n{rest}')
    with pytest.raises(BarError, match="cannot be put into this bar file"):
        write_learned(outcome, str(inline), str(tmp_path / "out.toml"), replace_existing=False, protect=())
    assert not (tmp_path / "out.toml").exists()


def test_what_learned_orifices_leave_open_is_told_and_no_point_asked_for() -> None:
    """The region of one short day leaves zones in doubt that exact orifices would settle: more logs are asked for."""
    _, one, log, _, _ = drawn(3)
    better = knowing(one, learned_from(one, as_new(one, log)).learned)
    plan = Plan((fahrenheit(45.0), fahrenheit(50.0)), (2.2, 2.2), (0, 1))
    solution = solve(better, plan)
    low, high = (solution.rate_bounds(bounds) for bounds in (solution.certain, solution.possible))
    rates = np.array([0.5 * (low[0] + high[0]), 0.5 * (low[1] + high[1])])
    vetting = vet(rates, solution)
    assert set(vetting.verdict) == {"doubtful"}
    found = settling(np.ones(2), solution, vetting)
    assert found is not None and found.enough and found.reading is None
    text = doubt_text(found, solution, "us")
    assert (found.learnable > 0.0) == (found.known > 0.0)
    assert ("learn again with logs" in text) == (found.learnable > 0.0) and "measured point" not in text


def test_one_learned_orifice_is_not_enough_for_two() -> None:
    """Where another kind is in use beside it of which nothing is known, a point is still looked for."""
    _, one, log, _, _ = drawn(3)
    learned = replace(one.orifices["only"], learned=learned_from(one, as_new(one, log)).learned)
    other = replace(one.orifices["only"], name="other")
    left, right = one.sections
    mixed = replace(one, sections=(left, replace(right, orifice="other")), orifices={"only": learned, "other": other})
    solution = solve(mixed, Plan((fahrenheit(45.0), fahrenheit(45.0)), (2.2, 2.2), (0, 1)))
    vetting = vet(np.linspace(0.002, 0.04, 60), solution)
    found = settling(np.ones(60), solution, vetting)
    assert found is not None and not found.enough


def test_a_feed_that_is_a_range_is_not_learned_through() -> None:
    """Its loss would be taken for the orifice's own."""
    _, one, _, _, _ = drawn(3)
    feed = Line(3.0, 0.019, ranges=(Range("length", 6.0, 1.0),))
    left, right = one.sections
    with pytest.raises(BarError, match="known as a range only"):
        learn_logs(replace(one, sections=(left, replace(right, feed=feed))), (), ())


def test_odds_are_one_where_it_holds_and_none_where_it_fails() -> None:
    solution = solve(bar(), Plan((fahrenheit(50), fahrenheit(52)), (2.0, 2.2), (0, 1)))
    rate = np.concatenate([[0.0], np.linspace(0.002, 0.05, 120)])
    vetting = vet(rate, solution)
    odds = odds_of_holding(solution, vetting)
    assert np.isnan(odds[0]) and set(vetting.verdict) >= {"doubtful", "fails"}
    assert np.all(odds[vetting.verdict == "holds"] == 1.0) and np.all(odds[vetting.verdict == "fails"] == 0.0)
    doubtful = odds[vetting.verdict == "doubtful"]
    assert doubtful.min() >= 0.01 and doubtful.max() <= 0.99 and np.unique(doubtful).size > 5


@pytest.mark.slow
def test_odds_come_true_as_often_as_they_say() -> None:
    """Of zones given 70 to 90 %, about that share truly holds; the campaign's figures stand in docs/learn.md."""
    for learned in (False, True):
        parts = [odds_case(at, learned=learned) for at in range(60)]
        odds, holds = (np.concatenate(part) for part in zip(*parts, strict=True))
        here = (odds >= 0.7) & (odds < 0.9)
        assert 0.62 <= holds[here].mean() <= 0.95
        assert holds[odds < 0.2].mean() < 0.35
