"""Rates asked of the worst row: against the independent reference, and through every way they can be asked."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from bars import AIR, INCH, MPH, PSI, fahrenheit, feed
from reference_bar import ReferenceBar

from geoflow import cli
from geoflow.bar.bar_file import read_bar
from geoflow.bar.equipment import Bar, Limits, Meter, Orifice, Pump, RowHose, Section
from geoflow.decide.day import temperature_curve
from geoflow.decide.vet import Plan, Solution, solve, vet
from geoflow.options.typed import PlanOptions, ReadOptions, RewriteOptions
from geoflow.workflow.bar_plan import make_plan
from geoflow.workflow.planning import plan_field
from geoflow.workflow.replan import prepare_window, preview_plan, read_unplanned, vet_again, window_over
from geoflow.workflow.rewriting import rewrite_file
from geoflow.workflow.vetting import vet_file

FIELDS = Path(__file__).parent.parent / "sample_fields"
KETTLE = str(FIELDS / "kettle_rise.geojson")
READ = ReadOptions(rate_column="target", rate_unit="lb N/ac")
TWO = Bar(
    name="two kinds", row_spacing=30 * INCH,
    sections=(Section("far", 6, "one", feed(25, 0.5, 6.0)), Section("near", 5, "other")),
    orifices={
        "one": Orifice("one", 0.070 * INCH, 0.70, 0.03, None, 0.3, row_spread=0.02),
        "other": Orifice("other", 0.072 * INCH, 0.70, 0.05, None, 0.5),
    },
    pump=Pump(3e-3, 110 * PSI), meter=Meter(2e5, 1e-5, 6e-3), limits=Limits(250 * PSI + AIR, 8 * PSI, (1.5, 3.5)),
    row_hose=RowHose(back_pressure=(8 * PSI + AIR, 12 * PSI + AIR)), air_pressure=AIR,
)  # fmt: skip


def solved(bar: Bar, rows: str, low: float, high: float) -> Solution:
    return solve(bar, Plan((fahrenheit(low), fahrenheit(high)), (5 * MPH, 5 * MPH), (0, 1), rows))


@pytest.fixture
def uneven(tmp_path: Path) -> str:
    """The Wren bar with rows that are off each other by 4 %."""
    text = (FIELDS / "wren.toml").read_text(encoding="utf-8").replace('land = "1.5 mm"', "row_spread = 0.04", 1)
    (tmp_path / "bar.toml").write_text(text, encoding="utf-8")
    return str(tmp_path / "bar.toml")


def planned(bar: str, rows: str, temperature: str = "45..52 degF", speed: str = "5 mph") -> PlanOptions:
    return PlanOptions(bar=bar, temperature=temperature, speed=speed, rows=rows)


@pytest.mark.parametrize("degrees", [35.0, 50.0])
def test_ends_move_in_by_the_worst_division_of_the_reference(degrees: float) -> None:
    """The reference divides the flow at each end in every corner of both kinds: feeds, bores and spread count."""
    mean, worst = (solved(TWO, rows, degrees, degrees) for rows in ("mean", "worst"))
    shares: dict[str, list[float]] = {"low": [], "high": []}
    for one in (0.97, 1.03):
        for other in (0.95, 1.05):
            for below in (8, 12):
                bar = ReferenceBar(TWO, fahrenheit(degrees), (0.7 * one, 0.7 * other), (0.3, 0.5), below * PSI + AIR)
                for end in ("low", "high"):
                    point = bar.at_flow(max(getattr(mean.certain, end), bar.margin_flow()))
                    each = np.array(point.section_flow) / (6, 5) / (point.flow / 11)
                    shares[end] += [*(each * (1.02, 1.0)), *(each * (0.98, 1.0))]
    assert worst.certain.low == pytest.approx(mean.certain.low * max(shares["low"]), rel=2e-3)
    assert worst.certain.high == pytest.approx(mean.certain.high * min(shares["high"]), rel=2e-3)
    assert min(shares["high"]) < 0.93 and max(shares["low"]) > 1.04
    assert worst.possible == mean.possible


def test_the_search_for_temperatures_is_narrowed_where_the_planned_window_is_closed() -> None:
    wide = replace(TWO, orifices={name: replace(one, row_spread=0.04) for name, one in TWO.orifices.items()})
    mean, worst = (solved(wide, rows, 20.0, 100.0) for rows in ("mean", "worst"))
    assert mean.certain.empty
    for side, index in ((1.0, 0), (-1.0, 1)):
        before, after = mean.search.edges(certain=True)[index], worst.search.edges(certain=True)[index]
        some = np.isfinite(before) & (before > 0.0)
        assert (side * (after - before)[some] > 0.02 * before[some]).all()
    rate, area = np.linspace(40.0, 250.0, 60) * 1.12085e-4, np.full(60, 1e4)
    held = [temperature_curve(rate, area, one).area_held for one in (mean, worst)]
    assert (held[1] <= held[0]).all() and held[1].sum() < 0.9 * held[0].sum() and held[1].max() > 0.0


def test_a_change_of_rows_alone_is_solved_anew(uneven: str) -> None:
    outcome = vet_file(KETTLE, planned(uneven, "mean"), READ)
    fresh = vet_file(KETTLE, planned(uneven, "worst"), READ)
    again = vet_again(outcome, fresh.solution.plan)
    assert again.solution.certain == fresh.solution.certain != outcome.solution.certain
    np.testing.assert_array_equal(again.vetting.verdict, fresh.vetting.verdict)
    assert (again.vetting.verdict != outcome.vetting.verdict).any()


def test_verdicts_ahead_ask_the_same_of_the_rows(uneven: str) -> None:
    outcome = vet_file(KETTLE, planned(uneven, "mean"), READ)
    bar = outcome.solution.bar
    plan = make_plan(bar, planned(uneven, "worst", "40..50 degF", "4..5 mph"))
    known = window_over(bar, plan, prepare_window(bar, plan.sections))
    ahead = preview_plan(read_unplanned(KETTLE, uneven, READ), plan, known)
    # Also where the bar was solved before for the other rows, as when a slider moves.
    moved = preview_plan(read_unplanned(KETTLE, uneven, READ), plan, known, outcome.solution)
    full, usual = vet_again(outcome, plan), vet_again(outcome, replace(plan, rows="mean"))
    assert (full.vetting.verdict != usual.vetting.verdict).any()
    for one in (ahead, moved):
        np.testing.assert_array_equal(one.verdict, full.vetting.verdict)
        assert one.solution.certain.low == pytest.approx(full.solution.certain.low, rel=1e-4)


def test_a_rewriting_and_a_plan_keep_to_the_worst_row(uneven: str) -> None:
    """Both are held against a fresh vetting of what they give, asked of the worst row."""
    for rows in ("mean", "worst"):
        vetted = vet_file(KETTLE, planned(uneven, rows), READ)
        done = rewrite_file(vetted, RewriteOptions(policy="hold-speed", allow_raise=True)).done
        asked = solve(vetted.solution.bar, replace(vetted.solution.plan, rows="worst"))
        again = vet(done.after, asked)
        changed = done.rate_changed & ~done.left_failing
        assert changed.any() and (again.verdict[changed] == "holds").all() == (rows == "worst")
        day = plan_field(vetted, speed_given=True)
        alone = replace(asked, plan=day.vetted.solution.plan)
        held = vet(vetted.rate, alone, day.speeds).verdict == "holds"
        told = day.vetted.vetting.verdict == "holds"
        assert told.any() and bool((told == held).all()) == (rows == "worst")
        now = next(option for option in day.orifices.options if option.fitted)
        for end in ("low", "high"):
            assert getattr(now.certain, end) == pytest.approx(getattr(vetted.solution.certain, end), rel=1e-4)


@pytest.mark.parametrize("command", ["window", "vet", "rewrite", "plan"])
def test_every_command_that_takes_it_says_so(
    command: str, uneven: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = ["--bar", uneven, "--temperature", "45..52 degF", "--speed", "5 mph", "--rows", "worst"]
    if command != "window":
        said = [KETTLE, *said, "--rate-column", "target", "--rate-unit", "lb N/ac"]
    if command == "rewrite":
        said += ["--policy", "hold-speed", "--out", str(tmp_path / "new.geojson")]
    cli.main([command, *said, "--json", str(tmp_path / "said.json")])
    assert "Certain is asked of the worst row" in capsys.readouterr().out
    document = json.loads((tmp_path / "said.json").read_text(encoding="utf-8"))
    asked = {"vet": document.get("window"), "plan": document.get("plan")}.get(command, document)
    assert asked is not None and asked["rows_asked"] == "worst"


def test_a_season_asks_the_same_of_the_rows(uneven: str, tmp_path: Path) -> None:
    pytest.importorskip("distributed", reason="needs the extra 'season'")
    pytest.importorskip("pyarrow", reason="needs the extra 'season'")
    from geoflow.base.errors import UsageError
    from geoflow.season.catalog import read_catalog
    from geoflow.season.outcomes import run_field

    head = "job,field,prescription,bar,temperature,speed,rate_column,rate_unit,rows\n"
    row = f"vet,{{}},{KETTLE},{uneven},45..52 degF,5 mph,target,lb N/ac,{{}}\n"
    (tmp_path / "fields.csv").write_text(head + row.format("a", "") + row.format("b", "worst"), encoding="utf-8")
    entries = read_catalog(str(tmp_path / "fields.csv"), {}, str(tmp_path))
    files = {"prescription": Path(KETTLE), "bar": Path(uneven)}
    usual, worst = (run_field(entry, files, tmp_path / entry.field, "us", full=False).document for entry in entries)
    for rows, document in (("mean", usual), ("worst", worst)):
        single = vet_file(KETTLE, planned(uneven, rows), READ)
        assert document["window"]["rows_asked"] == rows
        assert [zone["verdict"] for zone in document["zones"]] == single.vetting.verdict.tolist()
    assert usual["totals"] != worst["totals"]
    (tmp_path / "odd.csv").write_text(head + row.format("a", "wurst"), encoding="utf-8")
    with pytest.raises(UsageError, match="wurst"):
        read_catalog(str(tmp_path / "odd.csv"), {}, str(tmp_path))


def test_rows_that_are_all_alike_move_nothing(uneven: str) -> None:
    even = read_bar(str(FIELDS / "wren.toml"))
    one = replace(even, sections=(Section("all", 11, "small", even.sections[0].feed),))
    found = [solve(one, Plan((280.0, 284.0), (2.2, 2.2), (0,), rows)).certain for rows in ("mean", "worst")]
    assert found[0] == found[1]
