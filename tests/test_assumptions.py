"""What is only likely or assumed: no guess decides, and every report says what would change without the assumption."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from bars import PSI

from geoflow import cli
from geoflow.bar.bar_file import read_bar
from geoflow.decide.assumptions import moved_verdicts, without_assumptions
from geoflow.decide.gauges import expected_gauges
from geoflow.decide.orifices import orifice_choice
from geoflow.decide.vet import flow_verdicts, vet
from geoflow.diagnosis.orifices import orifice_drift
from geoflow.hydraulics import coefficients
from geoflow.hydraulics.cases import central_cases, likely_cases
from geoflow.hydraulics.circuit import Circuit
from geoflow.hydraulics.readings import held_state
from geoflow.log_files.read_log import read_log
from geoflow.options.typed import PlanOptions, ReadOptions
from geoflow.report.documents import vet_document
from geoflow.report.planning import planned_report
from geoflow.report.terminal import as_text
from geoflow.report.vetted import vetted_report
from geoflow.workflow.planning import plan_field
from geoflow.workflow.vetting import vet_file

FIELDS = Path(__file__).parent.parent / "sample_fields"
KETTLE, LOG = str(FIELDS / "kettle_rise.geojson"), FIELDS / "lantern_flat_log.csv"
READ = ReadOptions(rate_column="target", rate_unit="lb N/ac")
MAP = (KETTLE, "--rate-column", "target", "--rate-unit", "lb N/ac")
PLAN = ("--temperature", "45..52 degF", "--speed", "5 mph")


def rewritten_bar(folder: Path, of: str, *changes: tuple[str, str]) -> str:
    text = (FIELDS / of).read_text(encoding="utf-8")
    for pattern, put in changes:
        text, found = re.subn(pattern, put, text)
        assert found
    (folder / of).write_text(text, encoding="utf-8")
    return str(folder / of)


@pytest.fixture
def unknown(tmp_path: Path) -> str:
    """The Wren bar, nothing known of the flashing in its orifices, feeds that differ."""
    uneven = ('length = "7 ft", bore = "0.625 in"', 'length = "20 ft", bore = "0.5 in"')
    text = rewritten_bar(tmp_path, "wren.toml", (r"measured = .*", ""), (r'land = "1.5 mm"', ""))
    Path(text).write_text(Path(text).read_text(encoding="utf-8").replace(*uneven, 1), encoding="utf-8")
    return text


def everything_of(bar: str, temperature: str) -> dict[str, Any]:
    """All verdicts, advice and rankings, and both reports as they read."""
    outcome = vet_file(KETTLE, PlanOptions(bar=bar, temperature=temperature, speed="5 mph"), READ)
    document = vet_document(outcome)
    # How rows share the flow in the middle of the likely range is told as that, beside the range.
    for split in (document["row_split"], document["window"]["row_split"]):
        for section in split["sections"] if split else []:
            del section["off_mean_percent"], section["row_flow_lb_nh3_min"]
    solution, area = outcome.solution, outcome.prescription.area
    choice = orifice_choice(solution.bar, solution.plan, outcome.rate, area)
    day = plan_field(outcome, speed_given=False)
    return {
        "document": document,
        "vet": as_text(vetted_report(outcome, "us")),
        "plan": as_text(planned_report(day, "us")),
        "orifices": [(option.orifices, option.even, option.uneven) for option in choice.options],
        "recommended": choice.recommended and choice.recommended.orifices,
    }


@pytest.mark.parametrize("temperature", ["45..52 degF", "30..34 degF", "60..66 degF"])
def test_no_verdict_ranking_or_advice_hangs_on_the_middle_guess(
    unknown: str, temperature: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = []
    for guess in (0.05, 0.95):
        monkeypatch.setattr(coefficients, "_MIDDLE_WEIGHT", guess)
        bar = read_bar(unknown)
        assert central_cases(bar, (0, 1))[1].flash_weight == (guess, guess)
        assert guess not in {case.flash_weight[0] for case in likely_cases(bar, (0, 1))}
        found.append(everything_of(unknown, temperature))
    assert found[0] == found[1]


def test_no_drift_hangs_on_the_middle_guess(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bar = read_bar(rewritten_bar(tmp_path, "heron.toml", (r"measured = .*", ""), (r'land = "1.5 mm"', "")))
    log = read_log(str(LOG), bar_width=40 * 0.3048).log
    found = []
    for guess in (0.5, 0.05):
        monkeypatch.setattr(coefficients, "_MIDDLE_WEIGHT", guess)
        found.append([(one.kind, one.numbers, one.confidence) for one in orifice_drift(log, bar)])
    assert found[0] and found[0] == found[1]


@pytest.mark.parametrize("land", ["", 'land = "1.5 mm"', 'land = "10 mm"'])
def test_likely_gauges_and_margins_are_those_of_the_likely_cases(tmp_path: Path, land: str) -> None:
    """The circuit solved at the map's own flows in the two outer likely cases, to 1 psi, as far as the bar goes."""
    bar = rewritten_bar(tmp_path, "wren.toml", (r"measured = .*", ""), (r'land = "1.5 mm"', land))
    outcome = vet_file(KETTLE, PlanOptions(bar=bar, temperature="45..52 degF", speed="5 mph"), READ)
    solution, vetting = outcome.solution, outcome.vetting
    gauges = expected_gauges(outcome.rate, outcome.prescription.area, solution, vetting)
    circuit = Circuit(solution.bar, (0, 1), central_cases(solution.bar, (0, 1))[::2], solution.window.temperature)
    ratio, checked = solution.window.delivered_ratio.reshape(1, -1, 1), 0
    for at in np.flatnonzero(np.isfinite(gauges.likely[:, 0])):
        zone = int(np.flatnonzero(outcome.rate == gauges.rate[at])[0])
        flow = vetting.flow_low[zone] * ratio
        # What pump and rating cannot bring no gauge shows.
        held = held_state(circuit, flow[0]).manifold_pressure
        assert gauges.likely[at] == pytest.approx((held.min(), held.max()), abs=1.0 * PSI)
        state = circuit.at_flow(flow)
        margins = state.liquid_margin.min(axis=(1, 2))
        assert vetting.expected_margin[zone] == pytest.approx((margins.min(), margins.max()), abs=0.5 * PSI)
        assert gauges.manifold[at, 0] <= gauges.likely[at, 0] < gauges.likely[at, 1] <= gauges.manifold[at, 1]
        checked += 1
    assert checked


# Thin plates.


@pytest.fixture
def thin(tmp_path: Path) -> str:
    put = 'land = "1.5 mm"\nflashing = "thin plate"\nrow_spread = 0.02'
    return rewritten_bar(tmp_path, "wren.toml", (r"measured = .*", ""), (r'land = "1.5 mm"', put))


@pytest.mark.parametrize("rows", ["mean", "worst"])
@pytest.mark.parametrize("command", ["window", "vet", "rewrite", "plan"])
def test_every_report_and_document_says_what_changes_without_the_assumption(
    command: str, rows: str, thin: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Held against the same bar without it, vetted by itself at the speeds and rates told."""
    said = [*(MAP if command != "window" else ()), "--bar", thin, *PLAN, "--rows", rows]
    if command == "rewrite":
        said += ["--policy", "hold-speed", "--out", str(tmp_path / "new.geojson")]
    cli.main([command, *said, "--json", str(tmp_path / "said.json")])
    words = " ".join(capsys.readouterr().out.split())
    told = json.loads((tmp_path / "said.json").read_text(encoding="utf-8"))["without_assumption"]
    bare = tmp_path / "bare.toml"
    bare.write_text(Path(thin).read_text(encoding="utf-8").replace('flashing = "thin plate"', ""), encoding="utf-8")
    plan = PlanOptions(bar=str(bare), temperature="45..52 degF", speed="5 mph", rows=rows)
    assumed, plain = (
        vet_file(KETTLE, PlanOptions(bar=bar, temperature="45..52 degF", speed="5 mph", rows=rows), READ)
        for bar in (thin, plan.bar)
    )
    low, high = plain.solution.rate_bounds(plain.solution.certain)
    stated = None if low > high else [low / 1.12085e-4, high / 1.12085e-4]
    assert told["rate_lb_n_ac"]["certain"] == (stated if stated is None else pytest.approx(stated, rel=1e-4))
    assert told["assumed"] == {"small": "thin plate"}
    assert "Without the assumption the certain window would be" in words
    if command == "window":
        return
    before, after = assumed.vetting.verdict, plain.vetting.verdict
    if command == "rewrite":
        pairs = json.loads((tmp_path / "said.json").read_text(encoding="utf-8"))["zones"]
        rates = np.array([zone["after_lb_n_ac"] for zone in pairs]) * 1.1208511561e-4
        before, after = (vet(rates, one.solution).verdict for one in (assumed, plain))
    number = assumed.prescription.row
    moved = {(str(a), str(b)) for a, b in zip(before, after, strict=True) if a != b}
    assert moved
    assert {(one["verdict"], one["would"]) for one in told["zones"]} == moved
    for one in told["zones"]:
        picked = number[(before == one["verdict"]) & (after == one["would"])]
        assert one["zones"] == picked.tolist()
        word = "be doubtful" if one["would"] == "doubtful" else one["would"].rstrip("s")
        assert re.search(rf"{len(picked)} zones? that (is |are )?{one['verdict'].rstrip('s')}s? would {word}", words)


def test_what_fails_by_the_assumption_need_not_fail_without_it(thin: str, tmp_path: Path) -> None:
    """The possible window counts as well as the certain one: a rate between the two low ends would be doubtful."""
    outcome = vet_file(KETTLE, PlanOptions(bar=thin, temperature="45..52 degF", speed="5 mph"), READ)
    solution = outcome.solution
    bare = without_assumptions(solution)
    assert bare is not None and bare.possible.low < 0.9 * solution.possible.low
    assert without_assumptions(bare) is None
    ends = (bare.possible.low, solution.possible.low, solution.certain.low, bare.certain.low)
    flow = np.array([0.9 * ends[0], *(0.5 * (ends[at] + ends[at + 1]) for at in range(3))])
    verdict = flow_verdicts(flow, flow, np.zeros(4, dtype=bool), solution)
    moved = {(one.verdict, one.otherwise): one.zones.tolist() for one in moved_verdicts(bare, flow, flow, verdict)}
    assert moved[("fails", "doubtful")] == [False, True, False, False]
    assert all(then == "doubtful" for _, then in moved)
