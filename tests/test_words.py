"""What is printed is true of the state it is printed for: one plan, counted zones, given numbers, units in JSON keys.

The sentences are read back and held against the documents, against `vet`, and against the hydraulics solved anew.
"""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from laws import laws

from geoflow import cli
from geoflow.bar.equipment import MeasuredPoint
from geoflow.base.counted import count
from geoflow.base.said import said, said_range
from geoflow.base.schema import VERDICTS
from geoflow.base.units import parse
from geoflow.decide.gauges import expected_gauges
from geoflow.decide.settling import settling, usual_tolerances, windows_with_a_point
from geoflow.decide.vet import solve, vet
from geoflow.hydraulics.cases import bounding_cases, central_cases, likely_cases
from geoflow.hydraulics.circuit import Circuit
from geoflow.layers.notes import rows_text
from geoflow.options.typed import PlanOptions, ReadOptions
from geoflow.outcomes import VetOutcome
from geoflow.physics.ammonia import saturation
from geoflow.report.day import tanks_text
from geoflow.report.doubt import doubt_text
from geoflow.report.layout import zone_names
from geoflow.report.rewritten import rewriting_answer
from geoflow.report.season import season_answer
from geoflow.report.vetted import zones_hold_text
from geoflow.report.zones import margin_text
from geoflow.workflow.vetting import vet_file

ROOT = Path(__file__).parent.parent
FIELDS = ROOT / "sample_fields"
LANTERN, KETTLE = str(FIELDS / "lantern_flat.shp"), str(FIELDS / "kettle_rise.geojson")
HERON, WREN = str(FIELDS / "heron.toml"), str(FIELDS / "wren.toml")
MAP = [KETTLE, "--bar", WREN, "--temperature", "45..52 degF", "--rate-column", "target", "--rate-unit", "lb N/ac"]
ACRE, PSI, MPH = 4046.8564224, 6894.757293, 0.44704


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str]:
    code = cli.main(list(arguments))
    return code, capsys.readouterr().out


def document(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, Any]:
    code, out = run(capsys, *arguments, "--json", "-")
    return code, json.loads(out)


def sample(bar: str = WREN, temperature: str = "45..52 degF", speed: str = "5 mph") -> VetOutcome:
    return vet_file(
        KETTLE,
        PlanOptions(bar=bar, temperature=temperature, speed=speed),
        ReadOptions(rate_column="target", rate_unit="lb N/ac"),
    )


@pytest.fixture
def unmeasured(tmp_path: Path) -> str:
    """The Wren bar without its measured point."""
    text = re.sub(r"measured = .*", "", Path(WREN).read_text(encoding="utf-8"))
    (tmp_path / "bar.toml").write_text(text, encoding="utf-8")
    return str(tmp_path / "bar.toml")


# One plan.

PLANS = {
    "best": [],
    "given": ["--speed", "5.5 mph"],
    "a range": ["--speed", "4.85..5.25 mph"],
    "by zone": ["--speeds", "3"],
}


@pytest.mark.parametrize("options", PLANS.values(), ids=PLANS)
def test_everything_a_plan_says_is_of_one_plan(options: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """Every speed named above the alternatives is one of the plan; acres, hours, verdicts and exit code are its own."""
    code, said_back = document(capsys, "plan", *MAP, *options)
    same_code, out = run(capsys, "plan", *MAP, *options)
    assert same_code == code
    plan = said_back["plan"]
    speeds = plan["speeds_mph"]
    if "--speed" in options:
        assert speeds == [float(end) for end in re.findall(r"\d+\.\d+", options[1])]
    own, alternatives = re.split(r"\n(?=What would hold more|Other speeds)", out)
    named: list[float] = []
    steady = re.search(r"anywhere from (.*?) mph", own)
    for found in re.findall(r"((?:[\d.]+(?:, | to | and | mph and | mph, )?)+) mph", own.replace("\n", " ")):
        named += [float(number) for number in re.findall(r"\d+\.?\d*", found)]
    allowed = {round(speed, 2) for speed in speeds}
    if steady:
        allowed |= {float(end) for end in re.findall(r"[\d.]+", steady[1])}
    assert named and {round(speed, 2) for speed in named} <= allowed
    assert (len(re.findall(r"Hours at ", own)) == 1 and "What would hold more" in out) or "hold no more" in alternatives

    zones = said_back["zones"]
    counted = r"Plan: .*?\. (\d+) of (\d+) zones? holds? \(([\d.]+) of ([\d.]+) ac\); (\d+) doubtful, (\d+) fails?"
    first = re.match(counted, out.replace("\n", " "))
    assert first is not None
    verdicts = [zone["verdict"] for zone in zones]
    assert [int(first[at]) for at in (1, 5, 6)] == [verdicts.count(name) for name in ("holds", "doubtful", "fails")]
    assert float(first[3]) == pytest.approx(plan["holds_ac"], abs=0.051)
    worse = said_back["end_of_tank"]["zones_worse"]
    assert code == (1 if worse or {"doubtful", "fails"} & set(verdicts) else 0)

    # Held against vet, each zone at its own speed.
    vetted = sample(speed=f"{speeds[0]}..{speeds[-1]} mph")
    slow, fast = (np.array([zone["speed_range_mph"][end] for zone in zones]) * MPH for end in (0, 1))
    assert vet(vetted.rate, vetted.solution, (slow, fast)).verdict.tolist() == verdicts
    area = vetted.prescription.area
    assert plan["holds_ac"] == pytest.approx(area[np.array(verdicts) == "holds"].sum() / ACRE, rel=1e-6)
    # Hours: area over speed and width, by hand.
    asked = vetted.rate > 0.0
    worked = (area[asked] / (0.5 * (slow + fast)[asked] * 11 * 30 * 0.0254)).sum() / 3600.0
    assert said_back["hours"]["productive_h"] == pytest.approx(worked, rel=1e-3)


@pytest.mark.parametrize("options", PLANS.values(), ids=PLANS)
def test_zones_the_cooling_tank_takes_away_are_named(options: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    _, said_back = document(capsys, "plan", *MAP, *options)
    _, out = run(capsys, "plan", *MAP, *options)
    words, worse = " ".join(out.split()), said_back["end_of_tank"]["zones_worse"]
    assert "see above" not in words
    if not worse:
        assert "No zone loses its verdict for it" in words and "! A tank cools" not in words
        return
    told = re.search(r"! A tank cools .*? still hold\. (.*?)\. [A-Z]", words)
    assert told is not None and "No zone loses" not in words
    named = [
        name.strip()
        for part in re.findall(r"[Zz]ones? ([\w, ]+?) (?:holds?|is doubtful|are doubtful) with", told[1])
        for name in part.split(",")
    ]
    names = {zone["zone"]: zone["zone_id"] for zone in said_back["zones"]}
    assert sorted(named) == sorted(names[zone] for zone in worse)


def test_alternatives_tell_their_gain_over_the_plan(capsys: pytest.CaptureFixture[str]) -> None:
    _, said_back = document(capsys, "plan", *MAP, "--speed", "5.5 mph")
    held = said_back["plan"]["holds_ac"]
    best = said_back["best_speed"]
    _, there = document(capsys, "plan", *MAP, "--speed", f"{best['recommended_mph']} mph")
    assert best["gains_ac"] == pytest.approx(there["plan"]["holds_ac"] - held, abs=1e-5)
    _, by_zone = document(capsys, "plan", *MAP, "--speeds", "2")
    assert said_back["speed_sets"][1]["gains_ac"] == pytest.approx(by_zone["plan"]["holds_ac"] - held, abs=1e-5)


def test_two_plans_at_once_are_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["plan", *MAP, "--speed", "5 mph", "--speeds", "2"]) == 2
    assert "two plans" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("drawn", "words"),
    [
        ([], "no tank"),
        ([600.0], "1 tank, more than enough for"),
        ([1000.0], "1 full tank for"),
        (
            [1000.0, 20.0],
            "1 tank and 44 lb: 2,249 lb NH3 is 44 lb more than 1 full tank gives, and a second tank has to",
        ),
        (
            [1000.0, 1000.0, 20.0],
            "2 tanks and 44 lb: 4,453 lb NH3 is 44 lb more than 2 full tanks give, and a third tank",
        ),
        ([1000.0, 600.0], "2 tanks for 3,527 lb NH3, 1,323 lb of it from the last"),
    ],
)
def test_tanks_in_plain_words(drawn: list[float], words: str) -> None:
    loads: Any = SimpleNamespace(drawn=np.array(drawn), full_load=1000.0, together=1)
    assert tanks_text(loads, "us").startswith(words)


@pytest.mark.parametrize(
    ("drawn", "words"),
    [
        ([600.0], "1 load of 2 tanks drawn together (2 tanks) for 1,323 lb NH3"),
        ([1000.0, 1000.0], "2 loads of 2 tanks drawn together (4 tanks) for 4,409 lb NH3"),
        ([1000.0, 20.0], "1 load of 2 tanks drawn together and 44 lb, for 2,249 lb NH3"),
        ([1000.0, 600.0], "2 loads of 2 tanks drawn together (4 tanks) for 3,527 lb NH3, 1,323 lb of it from the last"),
    ],
)
def test_twin_tanks_in_plain_words(drawn: list[float], words: str) -> None:
    loads: Any = SimpleNamespace(drawn=np.array(drawn), full_load=1000.0, together=2)
    assert tanks_text(loads, "us").startswith(words)


def test_twin_tanks_are_one_load_of_two(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What both hold is drawn as one tank of that size; each load takes two tanks."""
    text, hose = Path(WREN).read_text(encoding="utf-8"), '\n[[tank_hoses]]\nlength = "8 ft"\nbore = "1.5 in"\n'
    made = {}
    for many in (1, 2):
        bar = tmp_path / f"{many}.toml"
        bar.write_text(text + many * hose, encoding="utf-8")
        made[many] = document(capsys, "plan", *MAP[:2], str(bar), *MAP[3:], "--speed", "5 mph")[1]["tank_loads"]
        assert made[many].pop("tanks_together") == many
    assert made[2].pop("tanks") == 2 * made[1].pop("tanks")
    assert made[1] == made[2]


@pytest.mark.parametrize("corner", ["northeast", "South-West", "southeast", "northwest"])
def test_pass_1_starts_where_it_was_said(corner: str, capsys: pytest.CaptureFixture[str]) -> None:
    """At that edge and that end of it, whichever way the passes run; as much is drawn from every corner."""
    import geopandas

    west, south, east, north = geopandas.read_file(KETTLE).total_bounds
    plain = document(capsys, "plan", *MAP)[1]
    told = corner.casefold().replace("-", "")
    for heading in ("0 deg", "90 deg", "180 deg", "200 deg"):
        made = document(capsys, "plan", *MAP, "--start", corner, "--heading", heading)[1]
        assert made["start"]["corner"] == told
        (lon, lat), course = made["start"]["lon_lat"], made["start"]["heading_deg"]
        if heading == "90 deg":
            assert (lat > (south + north) / 2) == ("north" in told) and course == (270.0 if "east" in told else 90.0)
        elif heading != "200 deg":
            assert (lon > (west + east) / 2) == ("east" in told) and course == (180.0 if "north" in told else 0.0)
        drawn = [load["drawn_lb_nh3"] for load in made["tank_loads"]["loads"]]
        assert drawn == pytest.approx([load["drawn_lb_nh3"] for load in plain["tank_loads"]["loads"]], rel=1e-6)
    near = document(capsys, "plan", *MAP, f"--start={lon},{lat}", "--heading", "200 deg")[1]
    assert near["start"] == made["start"] and near["tank_loads"] == made["tank_loads"]


@pytest.mark.parametrize("place", ["middle", "200,42", "-93", "-93,x", "-93,95", "-93,42,1"])
def test_no_place_to_start_from_is_refused(place: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["plan", *MAP, f"--start={place}"]) == 2
    told = capsys.readouterr().err
    assert f"'{place}' is no place to start from" in told and "southwest" in told


def test_the_same_map_from_the_other_side_is_driven_the_other_way_round() -> None:
    """A field of strips mirrored east to west and begun in the other corner gives mirrored passes."""
    import shapely

    from geoflow.ground.passes import lay_passes

    strips = np.array([shapely.box(30.0 * at, 0.0, 30.0 * (at + 1), 400.0) for at in range(9)], dtype=object)
    mirrored = np.array([shapely.transform(one, lambda xy: xy * [-1.0, 1.0]) for one in strips], dtype=object)
    one, other = lay_passes(strips, 0.0, 12.0), lay_passes(mirrored, 0.0, 12.0, from_right=True)
    assert np.array_equal(one.number, other.number) and np.array_equal(one.zone, other.zone)
    for mine, theirs in ((one.start_x, -other.start_x), (one.end_y, other.end_y), (one.start, other.start)):
        assert mine == pytest.approx(theirs, abs=1e-9)


def test_a_plan_is_written_with_its_maps_whole_or_not_at_all(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import geopandas

    out = tmp_path / "planned"
    _, said_back = document(capsys, "plan", *MAP, "--speeds", "3", "--out", str(out))
    assert {path.name for path in out.iterdir()} == {"zones.gpkg", "speeds.png", "rates.png", "plan.json"}
    assert json.loads((out / "plan.json").read_text(encoding="utf-8")) == said_back
    layer = geopandas.read_file(out / "zones.gpkg")
    for zone in said_back["zones"]:
        row = layer.iloc[zone["zone"]]
        assert row["gf_verdict"] == zone["verdict"] and row["block"] == zone["zone_id"]
        drive = [row["gf_plan_low_mph"], row["gf_plan_high_mph"]]
        assert drive == pytest.approx(zone["speed_range_mph"], abs=1e-4)
    ends = layer["gf_tank_end"].fillna("")
    told = {at + 1: load["zone"] for at, load in enumerate(said_back["tank_loads"]["loads"])}
    for tank, zone in told.items():
        assert str(tank) in ends[zone].split(", ")
    assert sum(len(text.split(", ")) for text in ends if text) == len(told)
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    assert cli.main(["plan", *MAP, "--out", str(out)]) == 2
    assert "already exists" in capsys.readouterr().err
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before


def test_every_tank_is_told_when_all_are_asked_for(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    small = tmp_path / "small.toml"
    text = Path(WREN).read_text(encoding="utf-8")
    small.write_text(re.sub(r'capacity = "[^"]*"', 'capacity = "20 gal"', text), encoding="utf-8")
    asked = ["plan", *MAP[:2], str(small), *MAP[3:]]
    many = document(capsys, *asked)[1]["tank_loads"]["tanks"]
    assert many > 60

    def tanks(out: str) -> int:
        part = out.partition("Where each tank runs out")[2].partition("What would hold more")[0]
        return len(re.findall(r"(?m)^ +\d+ +[\d,]+ lb ", part))

    _, some = run(capsys, *asked)
    _, every = run(capsys, *asked, "--all-zones")
    assert tanks(some) == 60 and f"the first 60 of {many} (--all-zones tells all)" in some
    assert tanks(every) == many and "the first" not in every.partition("Where each tank")[2].partition("What would")[0]


def test_a_full_tank_is_said_with_its_heel(capsys: pytest.CaptureFixture[str]) -> None:
    """Liquid at the fill, and what can be drawn from it: less by the heel and by the vapour that takes its place."""
    _, out = run(capsys, "plan", *MAP, "--heel", "0.1")
    full = r"holds ([\d,]+) gal \(([\d,]+) lb\) of liquid at 45 °F and gives ([\d,]+) lb NH3, down to a heel of 10 % of"
    told = re.search(full, " ".join(out.split()))
    assert told is not None
    gallons, liquid, drawn = (float(number.replace(",", "")) for number in told.groups())
    density = float(saturation(parse("45 degF", "temperature")).liquid_density) * 3.785411784e-3 / 0.45359237
    assert gallons == 850 and liquid == pytest.approx(850 * density, abs=1.0)
    assert 0.985 * 750 * density < drawn < 750 * density


# Counts.


def of_count(many: int, verdict: str) -> np.ndarray[Any, Any]:
    return np.array([verdict] * many, dtype="U8")


@pytest.mark.parametrize("held", [0, 1, 2])
@pytest.mark.parametrize("fails", [0, 1, 2])
def test_verdicts_are_counted_in_grammar(held: int, fails: int) -> None:
    text = zones_hold_text(np.concatenate([of_count(held, "holds"), of_count(fails, "fails")]), "1 of 2 ac")
    assert text.startswith(
        f"{held} of {count(held + fails, 'zone')} {'holds' if 1 in (held, held + fails) else 'hold'} ("
    )
    assert text.endswith(f" {fails} {'fails' if fails == 1 else 'fail'}")


@pytest.mark.parametrize("changed", [0, 1, 2])
@pytest.mark.parametrize("left", [0, 1, 2])
def test_what_was_rewritten_is_counted_in_grammar(changed: int, left: int) -> None:
    one = np.arange(5)
    done: Any = SimpleNamespace(
        before=np.ones(5),
        verdict=np.where(one >= 5 - left, "fails", "holds"),
        left_failing=one >= 5 - left,
        rate_changed=one < changed,
        raised=np.zeros(5, dtype=bool),
        reason=np.array(["lowered"] * changed + [""] * (5 - changed), dtype="U16"),
    )
    text = rewriting_answer(done, np.full(5, ACRE), "us")
    assert " 0 was" not in text and " of 0 " not in text and "0.0 ac" not in text
    assert ("no rate was changed" in text) == (changed == 0)
    assert ("the rate of 1 zone was changed (1.0 ac)" in text) == (changed == 1)
    assert ("the rates of 2 zones were changed (2.0 ac)" in text) == (changed == 2)
    assert ("still" in text) == (left > 0) and ("1 still does not" in text) == (left == 1)


@pytest.mark.parametrize("fine", [0, 1, 2])
@pytest.mark.parametrize("odd", [0, 1, 2])
@pytest.mark.parametrize("failed", [0, 1, 2])
def test_a_season_is_counted_in_grammar(fine: int, odd: int, failed: int) -> None:
    fields = fine + odd + failed
    text = season_answer({"fields": fields, "fine": fine, "findings": odd, "failed": failed})
    assert not re.search(r"\b0 ", text), text
    assert not re.search(r"\b1 (of 1 field )?(have|are)\b|\b1 fields\b|\b2 (has|is)\b", text), text
    assert len(re.findall(r" of \d+ fields?", text)) == (1 if fields else 0)
    for number, words in ((fine, "nothing to act on"), (odd, "findings to act on"), (failed, "failed")):
        assert (words in text) == (number > 0)


@pytest.mark.parametrize(("names", "words"), [(["3"], "zone 3"), (["3", "4"], "zones 3, 4")])
def test_zones_are_named_in_grammar(names: list[str], words: str) -> None:
    assert zone_names(names) == words
    assert zone_names(["1", "2", "3"], 2) == "zones 1, 2 and 1 more"


# Numbers and letters of zones.


def test_people_read_the_zones_own_names_and_json_counts_rows_from_0(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    _, said_back = document(capsys, "vet", *MAP, "--speed", "5 mph")
    _, out = run(capsys, "vet", *MAP, "--speed", "5 mph", "--all-zones")
    printed = re.findall(r"(?m)^  (K\d+) +(\d+) +[\d.]+  [A-Z] (holds|doubtful|fails)", out)
    rates = {name: (float(rate), verdict) for name, rate, verdict in printed}
    asked = [zone for zone in said_back["zones"] if zone["verdict"] != "off"]
    assert len(rates) == len(asked)
    for zone in asked:
        assert rates[zone["zone_id"]] == (pytest.approx(zone["rate_lb_n_ac"], abs=0.5), zone["verdict"])
    assert rows_text([0, 4]) == "rows 1, 5"

    done = ["rewrite", *MAP, "--speed", "5 mph", "--policy", "hold-rate", "--out", str(tmp_path / "new.geojson")]
    run(capsys, *done)
    with (tmp_path / "new_changes.csv").open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(lines))
    names = {zone["zone"]: zone["zone_id"] for zone in said_back["zones"]}
    assert rows and all(row["zone"] == names[int(row["row"])] for row in rows)
    for row in rows:
        assert float(row["before_lb_n_ac"]) == pytest.approx(said_back["zones"][int(row["row"])]["rate_lb_n_ac"])
    # A side file of before, which counted zones from 0 and has no rows, is refused instead of misread.
    old = tmp_path / "old.csv"
    with old.open("w", encoding="utf-8", newline="") as lines:
        kept = [name for name in rows[0] if name != "row"]
        writer = csv.DictWriter(lines, kept, extrasaction="ignore")
        writer.writeheader()
        writer.writerows(rows)
    assert cli.main(["vet", *MAP, "--speed", "5 mph", "--zone-speeds", str(old)]) == 2
    capsys.readouterr()


def test_no_verdict_has_a_letter_that_reads_as_part_of_a_number() -> None:
    letters = [verdict.letter for verdict in VERDICTS.values()]
    assert len(set(letters)) == len(letters)
    assert not set("".join(letters)) & set("0123456789OolI|")


def test_sections_that_are_off_are_not_the_whole_bar(capsys: pytest.CaptureFixture[str]) -> None:
    _, out = run(capsys, "vet", *MAP, "--speed", "5 mph", "--sections", "left")
    assert "whole bar" not in out


@pytest.mark.parametrize(
    ("verdict", "margin", "expected", "words"),
    [
        ("fails", -1.0, (-2.0, -1.0), "boils"),
        ("fails", -1.0, (-1.0, 1.0), "may boil"),
        ("doubtful", -1.0, (-1.0, -1.0), "may boil"),
        ("doubtful", 7.0 * PSI, (8.0 * PSI, 9.0 * PSI), "7"),
    ],
)
def test_what_is_doubtful_only_may_boil(verdict: str, margin: float, expected: tuple[float, float], words: str) -> None:
    vetting: Any = SimpleNamespace(
        verdict=np.array([verdict]), margin=np.array([margin]), expected_margin=np.array([expected])
    )
    assert margin_text(0, vetting, "us") == words


# Given numbers.

GIVEN = st.sampled_from(
    [("small length", "in", "mm"), ("length", "ft", "m"), ("speed", "mph", "km/h"), ("temperature", "degF", "degC"),
     ("pressure", "psi", "kPa"), ("volume flow", "gpm", "L/min"), ("volume", "gal", "L")]
)  # fmt: skip


@laws(300)
@given(kind=GIVEN, number=st.integers(1, 99_999), places=st.integers(0, 4), metric=st.booleans(), reader=st.booleans())
def test_a_given_number_is_said_back_with_no_fewer_digits(
    kind: tuple[str, str, str], number: int, places: int, metric: bool, reader: bool
) -> None:
    """In its own unit it gives the value again; in the other, as many significant digits, rounded by half the last."""
    given_text = f"{number / 10**places:.{places}f}"
    value = parse(f"{given_text} {kind[2 if metric else 1]}", kind[0])
    text = said(value, kind[0], "metric" if reader else "us").replace("°", "deg").replace(",", "")
    digits, unit = text.split(" ", 1)
    again = parse(text, kind[0])
    if metric == reader:
        assert abs(again - value) <= 2e-8 * max(abs(value), 1e-3), text
    stripped = given_text.rstrip("0") if "." in given_text else given_text
    significant = stripped.replace(".", "").lstrip("0").rstrip("0")
    told = digits.lstrip("-").replace(".", "").lstrip("0")
    last = 10.0 ** -(len(digits.split(".")[1]) if "." in digits else 0)
    assert abs(again - value) <= 0.51 * abs(parse(f"{last} {unit}", kind[0]) - parse(f"0 {unit}", kind[0])), text
    assert len(told) >= len(significant) or abs(again - value) <= 2e-8 * max(abs(value), 1e-3), text


def test_ranges_and_bars_are_said_back_as_given(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    low, high = (parse(text, "speed") for text in ("4.85 mph", "5.25 mph"))
    assert said_range(low, high, "speed", "us") == "4.85 to 5.25 mph"
    text = Path(WREN).read_text(encoding="utf-8").replace('"0.062 in"', '"0.0635 in"')
    text = re.sub(r"measured = .*", "", text).replace("pulses_per_gallon = 720", "pulses_per_gallon = 720.25")
    (tmp_path / "bar.toml").write_text(text.replace('"3.5..7 mph"', '"3.55..7.25 mph"'), encoding="utf-8")
    _, out = run(capsys, "bar", "--check", str(tmp_path / "bar.toml"))
    assert "0.0635 in" in out and "0.064" not in out and "3.55 to 7.25 mph" in out and "720.25 pulses" in out
    loose = text.replace('elevation = "1000 ft"', 'elevation = "0..2000 ft"').replace('"220 psi"', '"200..250 psi"')
    (tmp_path / "loose.toml").write_text(loose, encoding="utf-8")
    _, out = run(capsys, "bar", "--check", str(tmp_path / "loose.toml"))
    assert "± 0.5 psi" in out and "200 to 250 psi gauge at the pump outlet" in out
    for command in (["vet"], ["plan"]):
        _, out = run(capsys, *command, *MAP, "--speed", "5.25 mph")
        assert "5.25 mph" in out and "5.2 mph" not in out


# Gauges.


def test_gauges_are_of_the_rates_of_the_map(capsys: pytest.CaptureFixture[str]) -> None:
    """Manifold and pump outlet against the circuit solved at the map's own flows, in every bounding case, to 1 psi.

    Where pump or rating give out before the flow, what they bring.
    """
    outcome = sample()
    solution, bar = outcome.solution, outcome.solution.bar
    found = expected_gauges(outcome.rate, outcome.prescription.area, solution, outcome.vetting)
    assert set(found.rate) == set(outcome.rate[outcome.rate > 0.0]) and found.rates == len(found.rate)
    cases = (*bounding_cases(bar, solution.plan.sections), *central_cases(bar, solution.plan.sections))
    circuit = Circuit(bar, solution.plan.sections, cases, solution.window.temperature)
    ratio = solution.window.delivered_ratio.reshape(1, -1, 1)
    shown = 0
    for index in range(len(found.rate)):
        flow = float(found.rate[index] * 5 * MPH * solution.window.width / bar.nitrogen_fraction)
        if not np.isfinite(found.manifold[index, 0]):
            assert found.verdict[index] == "fails" or not found.liquid[index]
            continue
        shown += 1
        state = circuit.at_flow(flow * ratio)
        assert state.liquid_margin.min() >= bar.limits.liquid_margin - 0.5 * PSI
        # No more than pump and rating bring, and what is lost on the way hardly changes with that.
        bounds = state.rise - bar.pump.max_rise, state.outlet_pressure - bar.limits.max_pressure
        over = np.maximum(np.maximum(*bounds), 0.0)
        manifold, outlet = state.manifold_pressure - over[..., None], state.outlet_pressure - over
        for ends, pressure in ((found.manifold, manifold), (found.outlet, outlet)):
            assert ends[index] == pytest.approx([pressure.min(), pressure.max()], abs=1.0 * PSI)
    assert shown >= 3
    _, out = run(capsys, "vet", *MAP, "--speed", "5 mph")
    assert "at the map's rates driven as planned" in out and not re.search(r"At the gauges with", out)


def test_no_gauge_is_told_where_a_manifold_may_hold_vapour(unmeasured: str) -> None:
    for temperature in ("45..52 degF", "60..75 degF"):
        outcome = sample(unmeasured, temperature)
        solution = outcome.solution
        found = expected_gauges(outcome.rate, outcome.prescription.area, solution, outcome.vetting)
        boiling = float(saturation(solution.plan.temperature[0]).pressure) + solution.bar.limits.liquid_margin
        told = np.isfinite(found.manifold[:, 0])
        assert (found.manifold[told, 0] >= boiling - 0.5 * PSI).all()
        assert not told[~found.liquid].any()


def test_many_rates_are_stood_for_by_eight_of_them() -> None:
    outcome = sample()
    rng = np.random.default_rng(5)
    rate, area = rng.uniform(60, 260, 500) * 1.1208511e-4, rng.uniform(500, 5000, 500)
    found = expected_gauges(rate, area, outcome.solution, vet(rate, outcome.solution))
    assert found.rates == 500 and len(found.rate) == 8
    assert (found.rate[0], found.rate[-1]) == (rate.min(), rate.max()) and set(found.rate) <= set(rate)
    between = [area[(rate > low) & (rate <= high)].sum() for low, high in zip(found.rate, found.rate[1:], strict=False)]
    assert max(between) < 1.3 * min(between)


def test_without_a_map_gauges_are_told_at_the_ends_of_the_window_only(capsys: pytest.CaptureFixture[str]) -> None:
    _, out = run(capsys, "window", "--bar", HERON, "--temperature", "38..46 degF", "--speed", "5 mph")
    _, said_back = document(capsys, "window", "--bar", HERON, "--temperature", "38..46 degF", "--speed", "5 mph")
    assert "low end of the certain window" in out and "high end of the certain window" in out
    ends = said_back["gauges_at_ends"]
    # At the low end the liquid margin just holds at the warmest, at the high end nothing is over its rating.
    warm = said_back["tank_pressure_psig"][1] + said_back["liquid_margin_psi"]
    assert ends["low"]["manifold_psig"][1] >= warm - 0.5
    assert ends["high"]["pump_outlet_psig"][1] <= 200.5
    nothing = ["window", "--bar", HERON, "--temperature", "-10..110 degF"]
    assert document(capsys, *nothing)[1]["gauges_at_ends"] is None
    assert "manifold" not in run(capsys, *nothing)[1].split("At the gauges")[1].split("Ammonia blinds")[0]


# What a measured point settles.


def test_a_point_is_recommended_only_where_it_is_expected_to_settle_something(unmeasured: str) -> None:
    """The point of each likely case, put on the bar: as many doubtful acres become settled as were told."""
    outcome = sample(unmeasured)
    solution, area = outcome.solution, outcome.prescription.area
    found = settling(area, solution, outcome.vetting)
    assert found is not None and found.measured == 0 and 0.0 < found.settled[0] < found.settled[1]
    assert found.settled[1] <= found.known * (1 + 1e-9) <= found.area * (1 + 1e-9)
    bar, plan = solution.bar, solution.plan
    assert found.reading is not None
    warmth = found.reading.temperature
    assert plan.temperature[0] <= warmth <= plan.temperature[1]
    doubtful = outcome.vetting.verdict == "doubtful"
    became = []
    for case in likely_cases(bar, plan.sections):
        state = Circuit(bar, plan.sections, (case,), np.array([warmth])).at_flow(found.reading.flow)
        # No reading is asked for that the bar could not bear.
        assert float(state.outlet_pressure[0, 0, 0]) <= bar.limits.max_pressure
        point = MeasuredPoint(
            float(state.section_flow[0, 0, 0, 0]) / 5, float(state.manifold_pressure[0, 0, 0, 0]), warmth,
            *usual_tolerances(),
        )  # fmt: skip
        small = replace(bar.orifices["small"], measured=(point,))
        measured = solve(replace(bar, orifices={**bar.orifices, "small": small}), plan)
        after = vet(outcome.rate, measured).verdict
        became.append([area[doubtful & (after == verdict)].sum() for verdict in ("holds", "fails")])
        # What is settled stays so, and another point like it takes nothing back.
        assert (after[~doubtful] == outcome.vetting.verdict[~doubtful]).all()
        again = replace(bar.orifices["small"], measured=(point, point))
        twice = solve(replace(bar, orifices={**bar.orifices, "small": again}), plan)
        for narrow, wide in ((measured.certain, twice.certain), (twice.possible, measured.possible)):
            assert wide.low <= narrow.low * (1 + 1e-9) and narrow.high <= wide.high * (1 + 1e-9)
    holds, fails = np.transpose(became)
    for told, areas in ((found.holds, holds), (found.fails, fails), (found.settled, holds + fails)):
        assert told == pytest.approx((areas.min(), areas.max()))
    said = doubt_text(found, solution, "us")
    assert "write down the flow" in said
    # Two good ones are enough.
    last = settling(area, twice, vet(outcome.rate, twice))
    if last is not None:
        assert last.enough and last.reading is None and "measured point" not in doubt_text(last, twice, "us")


def test_where_no_reading_settles_anything_what_would_help_is_worked_out() -> None:
    """Each way solved anew: what it gains of the doubtful ground, what it costs of that which holds."""
    seen: set[str] = set()
    for speed in ("7 mph", "6.5 mph", "8 mph", "4 mph"):
        outcome = sample(WREN, "45..52 degF", speed=speed)
        solution, area = outcome.solution, outcome.prescription.area
        found = settling(area, solution, outcome.vetting)
        if found is None or found.reading is not None:
            continue
        doubtful, holding = (outcome.vetting.verdict == name for name in ("doubtful", "holds"))
        bar, said = solution.bar, doubt_text(found, solution, "us")

        def turned(other: Any, outcome=outcome, area=area, doubtful=doubtful, holding=holding):  # type: ignore[no-untyped-def]
            after = vet(outcome.rate, other).verdict
            return area[doubtful & (after == "holds")].sum(), area[holding & (after != "holds")].sum()

        if found.colder is not None:
            colder = replace(solution.plan, temperature=(found.colder.value,) * 2)
            assert (found.colder.held, found.colder.lost) == pytest.approx(turned(solve(bar, colder)))
        (name,) = {section.orifice for section in bar.sections}
        sizes = {}
        for share in (0.95, 0.9, 0.85, 0.8, 0.7):
            less = replace(bar.orifices[name], diameter=share * bar.orifices[name].diameter, measured=())
            other = solve(replace(bar, orifices={**bar.orifices, name: less}), solution.plan)
            sizes[less.diameter] = turned(other)
        nets = {size: held - lost for size, (held, lost) in sizes.items()}
        if found.smaller is None:
            # Though some of it would hold: more that holds now would not.
            seen.add("costs more" if max(held for held, _ in sizes.values()) > 0.0 else "nothing")
            assert max(nets.values()) < 0.01 * area[doubtful].sum() and "with orifices of" not in said
        else:
            seen.add("helps")
            assert (found.smaller.held, found.smaller.lost) == pytest.approx(sizes[found.smaller.value])
            assert nets[found.smaller.value] >= max(nets.values()) / 1.05
            assert ("that hold now would not" in said) == (found.smaller.lost > 0.0 or found.colder.lost > 0.0)
    assert "costs more" in seen, seen


def test_after_a_measured_point_another_is_not_recommended(capsys: pytest.CaptureFixture[str]) -> None:
    code, out = run(capsys, "vet", *MAP, "--speed", "5 mph")
    words = " ".join(out.split())
    assert code == 1 and "Another measured point" in words and "is not expected to settle any" in words
    assert "settles most" not in words
    _, said_back = document(capsys, "vet", *MAP, "--speed", "5 mph")
    assert (
        said_back["doubt"]["a_point_shows_to_hold_ac"] == said_back["doubt"]["a_point_shows_to_fail_ac"] == [0.0, 0.0]
    )
    assert said_back["doubt"]["points_measured"] == 1
    _, said_back = document(capsys, "vet", LANTERN, "--bar", HERON, "--temperature", "38..46 degF", "--speed", "5 mph")
    assert said_back["doubt"] is None


def test_what_would_open_a_window_is_worked_out(capsys: pytest.CaptureFixture[str], unmeasured: str) -> None:
    for bar in (WREN, unmeasured):
        for temperature in ("45..52 degF", "30..75 degF", "-10..110 degF"):
            _, out = run(capsys, "window", "--bar", bar, "--temperature", temperature)
            words = " ".join(out.split())
            if "There is no flow that certainly holds" not in words:
                continue
            outcome = sample(bar, temperature)
            opened = [after is not None and not after[0].empty for after in windows_with_a_point(outcome.solution)]
            assert ("a measured point (flow" in words) == any(opened)
            assert ("temperature) is expected to open one" in words) == all(opened)
            low, high = outcome.solution.window.edges(certain=True)
            assert ("at some single temperatures" in words) == bool((low <= high).any())


# JSON.

UNITS = (
    "_lb_n_ac", "_lb_n", "_lb", "_ac", "_mph", "_degF", "_psi", "_psig", "_psia", "_ft", "_lb_nh3_min", "_lb_nh3",
    "_gal", "_h", "_s", "_deg", "_percent", "_lon_lat", "lon_lat", "_mm2", "_inch", "_in", "_gpm", "_cells",
    "_ft2", "_lb_per_gallon",
)  # fmt: skip
# Counts, shares, ratios, numbers of things, and the user's own money.
PURE = re.compile(
    r"^(zone|zones|row|rows|rows_read|count|pass|heel|end_fill|field_efficiency|tanks|tanks_together|off_values|even|sudden|moments|rows_worth"
    r"|holds|doubtful|fails|odds|off|left_failing|raised|zones_.*|.*_ratio|ratio|.*_over_.*|rates_of_the_map|points_measured"
    r"|rows_off_mean|.*_factor|concordance|within_\d+|overlap_fraction|relative_.*|change_low|change_high|share|.*share.*"
    r"|area_ratio.*|shortfall|acres_.*|pounds_.*|.*_cost_change|.*_value_change|net_change|pulses_per_.*|dropped|read"
    r"|kept|nitrogen_fraction|facts|repeats|cells|columns)$"
)


def leaves(value: Any, keys: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Keys on the way to every number."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from leaves(inner, (*keys, key))
    elif isinstance(value, list):
        for inner in value:
            yield from leaves(inner, keys)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield keys


def stated(keys: tuple[str, ...]) -> bool:
    """Whether the key of a number, or the one over it, carries the unit or is that of a pure number."""
    near, bare = keys[-3:], {unit.strip("_") for unit in UNITS}
    return any(key.endswith(UNITS) or key in bare for key in near) or bool(
        PURE.match(keys[-1]) or (len(keys) > 1 and keys[-2] in {"dropped", "columns"})
    )


def test_every_number_in_json_carries_its_unit(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    prices = ["--nitrogen-price", "0.5", "--yield-response", "0.9,-0.002", "--crop-price", "4", "--merge-short"]
    log = [str(FIELDS / "lantern_flat_log.csv"), "--target", LANTERN, "--bar", HERON, "--ticket", "14044 lb NH3"]
    commands = [
        ["window", "--bar", WREN, "--temperature", "45..52 degF", "--speed", "5 mph"],
        ["vet", *MAP, "--speed", "5 mph"],
        ["plan", *MAP],
        [
            *("rewrite", *MAP, "--speed", "5 mph", "--policy", "hold-total", "--allow-raise", "--round", "5 lb N/ac"),
            *("--out", str(tmp_path / "b.geojson")),
        ],
        ["rewrite", *MAP, "--speed", "5 mph", "--policy", "hold-speed", "--out", str(tmp_path / "a.geojson"), *prices],
        ["reconcile", *log],
        ["bar", "--check", WREN],
    ]
    for command in commands:
        _, said_back = document(capsys, *command)
        bare = {".".join(keys) for keys in leaves(said_back) if not stated(keys)}
        assert not bare, f"{command[0]}: {sorted(bare)}"


def test_the_key_test_sees_a_bare_number() -> None:
    assert not stated(("findings", "numbers", "area_si")) and not stated(("margin",))
    assert stated(("flow_lb_nh3_min", "certain")) and stated(("totals", "holds"))
