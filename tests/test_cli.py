"""The commands as a user types them, on the sample fields."""

from __future__ import annotations

import json
import re
import shlex
import shutil
import subprocess
import sys
import time
from pathlib import Path

import geopandas
import pytest

from geoflow import cli
from geoflow.base.progress import listening, tell
from geoflow.base.schema import COLUMNS, LIMITS, VERDICTS
from geoflow.cli import options

ROOT = Path(__file__).parent.parent
FIELDS = ROOT / "sample_fields"
LANTERN, KETTLE = str(FIELDS / "lantern_flat.shp"), str(FIELDS / "kettle_rise.geojson")
HERON, WREN = str(FIELDS / "heron.toml"), str(FIELDS / "wren.toml")
HOLDS = ["vet", LANTERN, "--bar", HERON, "--temperature", "38..46 degF", "--speed", "4.8..5.2 mph"]
FAILS = [
    *("vet", KETTLE, "--bar", WREN, "--temperature", "45..52 degF", "--speed", "5 mph"),
    *("--rate-column", "target", "--rate-unit", "lb N/ac"),
]


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    code = cli.main(list(arguments))
    captured = capsys.readouterr()
    return code, captured.out, captured.err


def document(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, dict]:
    code, out, _ = run(capsys, *arguments, "--json", "-")
    return code, json.loads(out)


def test_a_field_that_holds_has_nothing_to_act_on(capsys: pytest.CaptureFixture[str]) -> None:
    code, said = document(capsys, *HOLDS)
    assert code == 0
    assert said["totals"]["holds"] == said["totals"]["zones"] == 26
    assert {zone["limited_by"] for zone in said["zones"]} == {None}


def test_a_field_that_fails_has_findings_of_different_limits(capsys: pytest.CaptureFixture[str]) -> None:
    code, said = document(capsys, *FAILS)
    assert code == 1
    failing = [zone for zone in said["zones"] if zone["verdict"] == "fails"]
    assert {zone["side"] for zone in failing} == {"low", "high"}
    assert len({zone["limited_by"] for zone in failing}) >= 2


def test_the_json_of_vet_has_every_key_of_the_contract(capsys: pytest.CaptureFixture[str]) -> None:
    _, said = document(capsys, *FAILS)
    assert {"window", "zones", "totals", "input"} <= set(said)
    for zone in said["zones"]:
        assert {
            *("zone", "rate_lb_n_ac", "area_ac", "verdict", "side", "limited_by", "speed_mph"),
            *("rate_range_lb_n_ac", "liquid_margin_psi"),
        } <= set(zone)
        assert zone["verdict"] in VERDICTS
        assert zone["limited_by"] is None or zone["limited_by"] in LIMITS
        assert zone["side"] in {"low", "high", None}
        assert (zone["limited_by"] is None) == (zone["verdict"] in {"holds", "off"})
    totals = said["totals"]
    assert {*("area_ac", "nitrogen_lb", "zones", "holds", "doubtful", "fails", "off", "area_holds_ac")} <= set(totals)
    assert totals["zones"] == sum(totals[name] for name in VERDICTS) == len(said["zones"])
    assert totals["area_ac"] == pytest.approx(sum(zone["area_ac"] for zone in said["zones"]), rel=1e-6)
    pounds = sum(zone["area_ac"] * zone["rate_lb_n_ac"] for zone in said["zones"])
    assert totals["nitrogen_lb"] == pytest.approx(pounds, rel=1e-6)
    window = said["window"]
    assert {*("temperature_degF", "flow_lb_nh3_min", "rate_lb_n_ac", "limited_by", "width_ft", "rows")} <= set(window)
    assert window["width_ft"] == pytest.approx(27.5) and window["rows"] == 11
    assert window["temperature_degF"] == pytest.approx([45.0, 52.0])
    assert {"file", "rate_column", "rows_read", "dropped"} <= set(said["input"])


def test_rates_follow_from_flows_by_hand(capsys: pytest.CaptureFixture[str]) -> None:
    """lb NH3/min = R/w * mph * ft / 495 (43,560 ft2 and 5,280 ft: arithmetic), w = 0.82."""
    _, said = document(capsys, "window", "--bar", HERON, "--temperature", "42 degF", "--speed", "4..6 mph")
    for name in ("certain", "possible"):
        low, high = said["flow_lb_nh3_min"][name]
        assert said["rate_lb_n_ac"][name] == pytest.approx(
            [low * 0.82 * 495 / (4.0 * 40.0), high * 0.82 * 495 / (6.0 * 40.0)], rel=1e-6
        )


def test_speeds_are_cut_to_those_the_bar_may_drive(capsys: pytest.CaptureFixture[str]) -> None:
    _, said = document(capsys, *FAILS)
    spans = [zone["speed_mph"] for zone in said["zones"] if zone["speed_mph"]]
    assert spans and all(3.5 - 1e-6 <= low <= high <= 7.0 + 1e-6 for low, high in spans)


def test_window_without_a_speed_gives_no_rate(capsys: pytest.CaptureFixture[str]) -> None:
    code, said = document(capsys, "window", "--bar", HERON, "--temperature", "42 degF")
    assert code == 0 and "rate_lb_n_ac" not in said


def test_sections_off_narrow_width_and_flow(capsys: pytest.CaptureFixture[str]) -> None:
    whole = document(capsys, "window", "--bar", WREN, "--temperature", "42 degF")[1]
    part = document(capsys, "window", "--bar", WREN, "--temperature", "42 degF", "--sections", "left")[1]
    assert (part["width_ft"], part["rows"], part["sections_on"]) == (12.5, 5, ["left"])
    assert part["flow_lb_nh3_min"]["certain"][0] == pytest.approx(
        whole["flow_lb_nh3_min"]["certain"][0] * 5 / 11, rel=0.01
    )


def test_the_text_answers_first_and_cautions_last(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, *FAILS)
    assert out.splitlines()[0].startswith("10 of 26 zones hold")
    for words in ("liquid margin", "pump pressure", "drive 3.5", "the agronomist's decision", "colder than"):
        assert words in " ".join(out.split())
    assert "85 %" in out.splitlines()[-3] + out.splitlines()[-2] + out.splitlines()[-1] or "local" in out


def test_metric_is_for_people_only(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, *FAILS, "--units", "metric")
    assert "kg N/ha" in out and "km/h" in out and "mph" not in out and "psi" not in out
    assert document(capsys, *FAILS, "--units", "metric") == document(capsys, *FAILS)


def test_out_writes_zones_maps_and_json(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    code, out, _ = run(capsys, *FAILS, "--out", str(tmp_path / "vetted"))
    assert code == 1
    written = {path.name for path in (tmp_path / "vetted").iterdir()}
    assert written == {"zones.gpkg", "zones.geojson", "map.png", "window.png", "vet.json"}
    assert all(name in out for name in written)
    source = geopandas.read_file(KETTLE)
    layer = geopandas.read_file(tmp_path / "vetted" / "zones.gpkg")
    assert list(layer["block"]) == list(source["block"])
    assert layer.geometry.geom_equals(source.geometry).all()
    assert {column.name for column in COLUMNS} <= set(layer.columns)
    said = json.loads((tmp_path / "vetted" / "vet.json").read_text(encoding="utf-8"))
    assert list(layer["gf_verdict"]) == [zone["verdict"] for zone in said["zones"]]
    assert (tmp_path / "vetted" / "map.png").read_bytes()[:4] == b"\x89PNG"


def test_shapefile_comes_back_as_shapefile(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    run(capsys, *HOLDS, "--out", str(tmp_path / "vetted"))
    layer = geopandas.read_file(tmp_path / "vetted" / "zones.shp")
    assert {column.short for column in COLUMNS} <= set(layer.columns)
    assert layer.crs == geopandas.read_file(LANTERN).crs


def test_nothing_is_replaced_unless_asked(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    folder = tmp_path / "vetted"
    run(capsys, *HOLDS, "--out", str(folder))
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    code, _, err = run(capsys, *FAILS, "--out", str(folder))
    assert code == 2 and "--replace" in err
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    code, _, _ = run(capsys, *HOLDS, "--out", str(folder), "--replace")
    assert code == 0
    code, _, err = run(capsys, *HOLDS, "--json", HERON, "--replace")
    assert code == 2 and "input" in err


def test_json_to_a_file_prints_the_text_too(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    code, out, _ = run(capsys, *HOLDS, "--json", str(tmp_path / "x.json"))
    assert code == 0 and "zones hold" in out
    assert json.loads((tmp_path / "x.json").read_text(encoding="utf-8"))["totals"]["zones"] == 26


def test_bar_says_the_bar_back_and_gives_its_schema(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "bar", "--check", WREN)
    assert code == 0 and "Wren" in out and "11 rows" in out
    code, out, _ = run(capsys, "bar", "--schema")
    assert code == 0 and json.loads(out)["$schema"].endswith("2020-12/schema")


def rewrite(capsys: pytest.CaptureFixture[str], out: Path, *more: str) -> tuple[int, dict]:
    return document(capsys, "rewrite", *FAILS[1:], "--out", str(out), *more)


def test_rewrite_clips_and_the_result_holds(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    code, said = rewrite(capsys, tmp_path / "new.geojson", "--policy", "hold-speed")
    assert code == 1
    assert {"zones", "totals"} <= set(said)
    for zone in said["zones"]:
        assert {"zone", "before_lb_n_ac", "after_lb_n_ac", "speed_mph", "changed", "reason"} <= set(zone)
        assert zone["after_lb_n_ac"] <= zone["before_lb_n_ac"]
    totals = said["totals"]
    assert {"nitrogen_before_lb", "nitrogen_after_lb", "zones_changed", "zones_left_failing"} <= set(totals)
    _, again = document(capsys, "vet", str(tmp_path / "new.geojson"), *FAILS[2:])
    failing = [zone["zone"] for zone in again["zones"] if zone["verdict"] in {"fails", "doubtful"}]
    assert failing == said["left_failing"] and len(failing) == totals["zones_left_failing"] == 6


def test_rewrite_changes_nothing_but_the_rate(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    rewrite(capsys, tmp_path / "new.geojson", "--policy", "hold-speed")
    old, new = geopandas.read_file(KETTLE), geopandas.read_file(tmp_path / "new.geojson")
    assert list(old.columns) == list(new.columns) and list(old["block"]) == list(new["block"])
    assert (old.geometry.to_wkb() == new.geometry.to_wkb()).all()
    pattern = re.compile(rb'("target": )[-0-9.]+')
    assert pattern.sub(rb"\1", Path(KETTLE).read_bytes()) == pattern.sub(
        rb"\1", (tmp_path / "new.geojson").read_bytes()
    )


def test_every_raise_is_listed(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    out = tmp_path / "new.geojson"
    asked = ["--policy", "hold-total", "--allow-raise", "--most-raise", "80 %", "--replace"]
    code, text, _ = run(capsys, "rewrite", *FAILS[1:], "--out", str(out), *asked)
    assert code == 1 and "RAISED above the prescription, 13 zones" in text
    _, said = rewrite(capsys, out, *asked)
    raised = [z["zone"] for z in said["zones"] if z["after_lb_n_ac"] > z["before_lb_n_ac"]]
    assert raised == said["raised"] and len(raised) == 13
    totals = said["totals"]
    assert totals["nitrogen_after_lb"] == pytest.approx(totals["nitrogen_before_lb"], rel=1e-4)
    assert totals["zones_left_failing"] == 0
    lines = (tmp_path / "new_changes.csv").read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("row,zone,before_lb_n_ac,after_lb_n_ac") and len(lines) == 1 + totals["zones_changed"]


def test_hold_total_says_when_it_cannot(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    code, text, _ = run(capsys, "rewrite", *FAILS[1:], "--out", str(tmp_path / "new.geojson"), "--policy", "hold-total")
    assert code == 1 and "could NOT be kept" in text and "--allow-raise" in text


def test_own_speeds_are_vetted_with_the_side_file(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    _, said = rewrite(capsys, tmp_path / "new.geojson", "--policy", "hold-rate")
    # Rates are held by speed, but for the highest one where even the slowest allowed speed is a little too fast.
    changed = [zone for zone in said["zones"] if zone["after_lb_n_ac"] != zone["before_lb_n_ac"]]
    assert {zone["before_lb_n_ac"] for zone in changed} == {250.0}
    assert all(0.95 * 250.0 < zone["after_lb_n_ac"] < 250.0 for zone in changed)
    arguments = ["vet", str(tmp_path / "new.geojson"), *FAILS[2:], "--zone-speeds", str(tmp_path / "new_changes.csv")]
    _, again = document(capsys, *arguments)
    failing = [zone["zone"] for zone in again["zones"] if zone["verdict"] in {"fails", "doubtful"}]
    assert failing == said["left_failing"] == [2, 17, 25]


def test_a_map_that_holds_is_left_alone(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    out = tmp_path / "same.shp"
    code, text, _ = run(capsys, "rewrite", *HOLDS[1:], "--policy", "hold-speed", "--out", str(out))
    assert code == 0 and "Nothing had to be changed." in text
    for ending in (".shp", ".dbf", ".shx", ".prj"):
        assert out.with_suffix(ending).read_bytes() == Path(LANTERN).with_suffix(ending).read_bytes()


def test_cap_short_zones_and_money(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    more = ["--policy", "hold-speed", "--max-rate", "150", "--heading", "0 deg", "--nitrogen-price", "0.5"]
    more += ["--yield-response", "0.9,-0.002", "--crop-price", "4"]
    _, said = rewrite(capsys, tmp_path / "new.geojson", *more)
    assert max(zone["after_lb_n_ac"] for zone in said["zones"]) == 150.0
    totals = said["totals"]
    assert said["money"]["nitrogen_cost_change"] == pytest.approx(
        0.5 * (totals["nitrogen_after_lb"] - totals["nitrogen_before_lb"]), abs=0.02
    )
    assert said["heading_deg"] == 0.0 and isinstance(said["short_zones"], list)


PLAN = ["plan", *FAILS[1:6], *FAILS[8:]]


def test_plan_says_speeds_orifices_hours_and_loads(capsys: pytest.CaptureFixture[str]) -> None:
    code, said = document(capsys, *PLAN)
    assert code == 1
    assert 3.5 <= said["best_speed"]["recommended_mph"] <= 7.0
    held = [chosen["holds_ac"] for chosen in said["speed_sets"]]
    assert held == sorted(held)
    assert said["orifices"]["recommended"] == ["small", "small"]
    loads = said["tank_loads"]
    asked = document(capsys, *FAILS)[1]["totals"]["nitrogen_lb"] / 0.82
    assert sum(load["drawn_lb_nh3"] for load in loads["loads"]) == pytest.approx(
        asked * loads["delivered_over_prescribed"], rel=1e-6
    )
    hours = said["hours"]
    assert hours["total_h"] == pytest.approx(hours["productive_h"] / 0.65, rel=1e-3)
    assert said["end_of_tank"]["coldest_degF"] < 45.0


def test_the_best_speed_of_plan_is_confirmed_by_vet(capsys: pytest.CaptureFixture[str]) -> None:
    _, said = document(capsys, *PLAN)
    speed = f"{said['best_speed']['recommended_mph']} mph"
    _, vetted = document(capsys, *FAILS[:7], speed, *FAILS[8:])
    assert vetted["totals"]["area_holds_ac"] == pytest.approx(said["best_speed"]["holds_ac"], rel=1e-6)


@pytest.mark.parametrize("temperature", ["-10..110 degF", "45..60 degF"])
def test_a_field_where_nothing_holds_is_planned_all_the_same(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, temperature: str
) -> None:
    bar = re.sub(r"measured = .*", "", Path(HERON).read_text(encoding="utf-8"))
    (tmp_path / "bar.toml").write_text(bar, encoding="utf-8")
    arguments = ["plan", LANTERN, "--bar", str(tmp_path / "bar.toml"), "--temperature", temperature]
    code, out, err = run(capsys, *arguments)
    assert code == 1 and err == "" and out.startswith("No zone certainly holds at any allowed speed")
    assert document(capsys, *arguments)[1]["best_speed"]["recommended_mph"] is None


def test_a_map_of_zeros_has_nothing_to_plan(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    text = re.sub(r'"target": [-0-9.]+', '"target": 0.0', Path(KETTLE).read_text(encoding="utf-8"))
    (tmp_path / "zero.geojson").write_text(text, encoding="utf-8")
    arguments = [str(tmp_path / "zero.geojson"), *FAILS[2:]]
    code, out, _ = run(capsys, "plan", *arguments)
    assert code == 0 and "nothing to plan" in out
    code, out, _ = run(capsys, "vet", *arguments)
    assert code == 0 and "nothing to deliver" in out


def test_danger_and_doubt_about_the_plan_come_first(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "window", "--bar", HERON, "--temperature", "105 degF")
    assert code == 1 and out.startswith("! DANGER: the liquid's own pressure reaches 215 psi")
    assert "one measured" not in out
    code, out, _ = run(capsys, *HOLDS[:6], "--speed", "9 mph")
    assert code == 1 and "the bar file allows" in " ".join(out.split()) and "can deliver" not in out


def test_a_printed_limit_holds_when_it_is_followed(capsys: pytest.CaptureFixture[str]) -> None:
    """Rates and speeds are rounded into the window, so that advice taken at its word is right."""
    _, out, _ = run(capsys, *FAILS)
    said = " ".join(out.split())
    highest = re.search(r"lower the rate to (\d+) lb N/ac", said)
    speeds = re.findall(r"drive (\d\.\d+)(?: to (\d\.\d+))? mph", said)
    assert highest and speeds
    _, vetted = document(capsys, *FAILS)
    assert float(highest.group(1)) <= vetted["window"]["rate_lb_n_ac"]["certain"][1]
    ends = [zone["speed_mph"] for zone in vetted["zones"] if zone["speed_mph"]]
    for slow, fast in speeds:
        assert any(low <= float(slow) and float(fast or slow) <= high for low, high in ends)


def test_gallons_say_at_which_temperature_they_are_counted(capsys: pytest.CaptureFixture[str]) -> None:
    _, said = document(capsys, *FAILS[:-1], "gal NH3/ac")
    assert any("5.15 lb NH3 to the gallon" in note["text"] for note in said["input"]["facts"])


def test_plan_text_can_be_acted_on(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, *PLAN, "--units", "metric")
    assert out.startswith("Plan: ") and "km/h, the best single speed" in out.splitlines()[0]
    for words in ("fails: ", "recommended", "field efficiency", "Tanks: 2 tanks and 17 kg: ", "cools"):
        assert words in " ".join(out.split())


WRONG_USE = [
    (["rewrite", *FAILS[1:], "--policy", "hold", "--out", "x.geojson"], "no policy 'hold'", "hold-speed, hold-rate"),
    ([*PLAN, "--heel", "0.9"], "leaves nothing to draw", "0.05"),
    ([*PLAN, "--efficiency", "fast"], "'fast' is no share", "0.65"),
    ([*PLAN, "--speeds", "0"], "0 speeds are no plan", "1 to 12"),
    (["rewrite", *FAILS[1:], "--policy", "hold-speed", "--out", "x.geojson", "--max-rate", "lots"], "no rate", "180"),
    (["rewrite", *FAILS[1:], "--policy", "hold-speed", "--out", "x.geojson", "--crop-price", "4"], "together", "both"),
    (["rewrite", *FAILS[1:], "--policy", "hold-speed", "--out", "x.xyz"], "no format that can be written", ".geojson"),
    (["rewrite", *FAILS[1:], "--policy", "hold-speed", "--out", KETTLE, "--replace"], "input", ""),
    ([*FAILS, "--zone-speeds", WREN], "does not name a zone", "_changes.csv"),
    ([], "Says whether an anhydrous ammonia bar", "geoflow vet -h"),
    (["vet", "--temprature", "40 degF"], "did you mean '--temperature'?", "see 'geoflow vet -h'"),
    ([*HOLDS[:4], "--temperature", "38-46 degF", "--speed", "5 mph"], "no temperature", "36..40 degF"),
    (["vett"], "there is no command 'vett'; did you mean 'vet'?", "commands: "),
    (["vet", LANTERN], "required", "see 'geoflow vet -h'"),
    ([*HOLDS[:5], "--temperature", "38 degF", "--speed", "-2 mph"], "argument", "see 'geoflow vet -h'"),
    ([*HOLDS[:4], "--temperature", "cold", "--speed", "5 mph"], "'cold' is no temperature", "40 degF"),
    ([*HOLDS[:4], "--temperature", "46..38 degF", "--speed", "5 mph"], "runs backwards", "low end first"),
    ([*HOLDS[:4], "--temperature", "38 degF", "--speed", "5 lb"], "not a unit of speed", "5 mph"),
    ([*HOLDS[:4], "--temperature", "38 degF", "--speed", "0 mph"], "not above zero", "5 mph"),
    ([*HOLDS[:4], "--temperature", "38 degF", "--speed", "5..500 mph"], "above 100 mph", "5 mph"),
    ([*HOLDS[:4], "--temperature", "200 degF", "--speed", "5 mph"], "outside -54 to 136 degF", "40 degF"),
    ([*HOLDS, "--sections", "lft"], "no section 'lft'; did you mean 'left'?", "left, middle, right"),
    ([*HOLDS, "--rate-column", "lb_n_a"], "lb_n_a", "--rate-column"),
    ([*HOLDS, "--rate-unit", "lb/ac"], "nitrogen (N) or ammonia (NH3)", "lb N/ac"),
    ([*FAILS[:-2]], "unit", "--rate-unit"),
    (["bar"], "neither --check nor --new", "--check BAR"),
    (["window", "--bar", "nowhere.toml", "--temperature", "40 degF"], "no such bar file", "name"),
    (["vet", "nowhere.shp", *HOLDS[2:]], "nowhere.shp", ""),
]


@pytest.mark.parametrize(
    ("arguments", "what", "cure"), WRONG_USE, ids=[str(number) for number in range(len(WRONG_USE))]
)
def test_wrong_use_says_what_and_how(
    capsys: pytest.CaptureFixture[str], arguments: list[str], what: str, cure: str
) -> None:
    code, out, err = run(capsys, *arguments)
    assert code == 2 and out == ""
    assert what in err and cure in err
    assert "Traceback" not in err


def commands_in(text: str) -> list[str]:
    fenced = re.findall(r"(?ms)^```sh$(.*?)^```$", text)
    in_fences = [line for block in fenced for line in re.findall(r"(?:\.venv/bin/)?(geoflow .*)", block)]
    return in_fences + re.findall(r"`(geoflow [a-z]+ --?[^`]* [^`]*)`", text)


@pytest.mark.parametrize("page", ["README.md", "docs/quick-start.md", "docs/rehearse.md"])
def test_every_command_in_the_docs_parses(page: str) -> None:
    text = (ROOT / page).read_text(encoding="utf-8")
    commands = commands_in(text)
    assert commands
    for command in commands:
        cli.build_parser().parse_args(shlex.split(command)[1:])


@pytest.mark.slow
@pytest.mark.parametrize("page", ["README.md", "docs/quick-start.md"])
def test_commands_on_the_samples_run_as_they_stand(
    page: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """One after the other in a folder with the samples; again, a command that writes says how to go on."""
    (tmp_path / "sample_fields").symlink_to(ROOT / "sample_fields")
    monkeypatch.chdir(tmp_path)
    shutil.copy("sample_fields/heron.toml", "my_bar.toml")  # the quick start's first line
    blocks = re.findall(r"(?ms)^```sh$(.*?)^```$", (ROOT / page).read_text(encoding="utf-8"))
    lines = [line for block in blocks for line in re.findall(r"(?:\.venv/bin/)?geoflow (.*)", block)]
    assert len(lines) >= 3
    for line in lines:
        assert cli.main(shlex.split(line)) in (0, 1), line
        capsys.readouterr()
    for line in (line for line in lines if "--out" in line and "--replace" not in line):
        assert cli.main(shlex.split(line)) == 2
        assert "--replace" in capsys.readouterr().err, line


def test_every_command_shows_an_example_in_its_help(capsys: pytest.CaptureFixture[str]) -> None:
    for name in cli.COMMANDS:
        with pytest.raises(SystemExit) as stop:
            cli.build_parser().parse_args([name, "-h"])
        assert stop.value.code == 0
        assert f"Example: geoflow {name}" in capsys.readouterr().out


def test_words_page_holds_every_limit_and_verdict() -> None:
    text = (ROOT / "docs/words.md").read_text(encoding="utf-8")
    for verdict in VERDICTS.values():
        assert f"| {verdict.letter} | {verdict.name} | {verdict.meaning} |" in text
    for limit in LIMITS:
        assert limit in text


def test_ci_runs_the_test_command_of_the_readme() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    command = re.search(r"(?ms)^## Tests$.*?```sh\n(.*?)\n```", readme)
    assert command and command.group(1).endswith("/python tests")
    script = (ROOT / ".ci/run").read_text(encoding="utf-8")
    extract = next(line for line in script.splitlines() if line.startswith("command="))
    shown = subprocess.run(
        ["bash", "-c", f'{extract}; echo "$command"'], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout
    assert shown.strip() == command.group(1)


def test_start_up_does_not_pay_for_what_it_does_not_use() -> None:
    """Help must not load the heavy libraries; a window needs none of the map libraries."""
    heavy = "{'numpy', 'geopandas', 'shapely', 'pyproj', 'pint', 'matplotlib', 'CoolProp'} & set(sys.modules)"
    probe = f"import sys; from geoflow import cli; cli.build_parser(); print(sorted({heavy}))"
    shown = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, check=True).stdout
    assert shown.strip() == "[]"
    probe = (
        "import sys; from geoflow import cli;"
        f"cli.main(['window', '--bar', {HERON!r}, '--temperature', '40 degF', '--json', '-']);"
        f"print(sorted({heavy}), file=sys.stderr)"
    )
    shown = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, check=True).stderr
    assert shown.strip() == "['numpy']"


def test_long_work_shows_its_steps_on_a_terminal_only(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with options.progress_shown(after=0.0):
        tell("reading a file")
    assert capsys.readouterr().err == ""
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    with options.progress_shown(after=60.0):
        tell("reading a file")
    assert capsys.readouterr().err == "", "short work says nothing"
    with options.progress_shown(after=0.05):
        tell("reading a file")
        time.sleep(0.4)
        tell("vetting 3 zones")
    said = capsys.readouterr().err.splitlines()
    assert said == ["geoflow: reading a file ... (Ctrl-C stops)", "geoflow: vetting 3 zones ... (Ctrl-C stops)"]


def test_the_steps_of_vetting_and_reconciling_are_told(capsys: pytest.CaptureFixture[str]) -> None:
    steps: list[str] = []
    with listening(steps.append):
        run(capsys, *HOLDS)
    assert [step.split()[0] for step in steps] == ["reading", "reading", "vetting"]
    tell("nobody listens")
    assert steps[-1].startswith("vetting")


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_each_shell_gets_its_script(shell: str, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("shtab")
    with pytest.raises(SystemExit) as done:
        cli.main(["--completion", shell])
    script = capsys.readouterr().out
    assert done.value.code == 0
    assert all(word in script for word in (*cli.COMMANDS, "temperature"))
    program = shutil.which(shell)
    if program is not None:
        subprocess.run([program, "-n"], input=script, text=True, check=True)


@pytest.mark.skipif(shutil.which("bash") is None, reason="needs bash")
def test_bash_completes_commands_options_choices_and_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("shtab")
    with pytest.raises(SystemExit):
        cli.main(["--completion", "bash"])
    (tmp_path / "script").write_text(capsys.readouterr().out, encoding="utf-8")
    (tmp_path / "wren.toml").touch()
    ask = r"""source ./script
    work=$(complete -p geoflow | sed 's/.*-F \([^ ]*\).*/\1/')
    try() {
      COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); COMPREPLY=()
      $work geoflow "${COMP_WORDS[COMP_CWORD]}" "${COMP_WORDS[COMP_CWORD-1]}"
      echo "${COMPREPLY[*]}"
    }
    try geoflow rew; try geoflow vet --te; try geoflow plan x --rows ""; try geoflow vet --bar wr
    """
    done = subprocess.run(["bash", "-c", ask], cwd=tmp_path, capture_output=True, text=True, check=True)
    assert done.stdout.splitlines() == ["rewrite", "--temperature", "mean worst", "wren.toml"]


def test_completion_says_what_it_lacks_and_costs_nothing_else(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "shtab", None)
    assert cli.main(["--completion", "bash"]) == 2
    assert "needs the library shtab" in capsys.readouterr().err
    code = "import sys; from geoflow import cli; cli.build_parser(); print('shtab' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
