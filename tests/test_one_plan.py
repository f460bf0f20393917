"""One plan: every sentence, list and exit code is of it, nothing is cut off, and no gain is left untold."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from laws import laws

from geoflow import cli
from geoflow.decide.vet import vet
from geoflow.options.typed import PlanOptions, ReadOptions
from geoflow.report.layout import in_runs
from geoflow.workflow.vetting import vet_file

FIELDS = Path(__file__).parent.parent / "sample_fields"
LANTERN = [
    *(str(FIELDS / "lantern_flat.shp"), "--bar", str(FIELDS / "heron.toml")),
    *("--rate-column", "lb_n_ac", "--rate-unit", "lb N/ac"),
]
KETTLE = [
    *(str(FIELDS / "kettle_rise.geojson"), "--bar", str(FIELDS / "wren.toml")),
    *("--rate-column", "target", "--rate-unit", "lb N/ac"),
]
PLANS = {
    "best": [*KETTLE, "--temperature", "35..58 degF"],
    "given": [*KETTLE, "--temperature", "45..52 degF", "--speed", "5.5 mph"],
    "several": [*KETTLE, "--temperature", "45..52 degF", "--speeds", "3"],
    "all hold": [*LANTERN, "--temperature", "35..50 degF"],
    "warm": [*LANTERN, "--temperature", "62 degF", "--speed", "5.2 mph"],
}


def planned(capsys: pytest.CaptureFixture[str], name: str) -> tuple[int, str, dict]:
    code = cli.main(["plan", *PLANS[name]])
    text = capsys.readouterr().out
    assert cli.main(["plan", *PLANS[name], "--json", "-"]) == code
    return code, text, json.loads(capsys.readouterr().out)


def section(text: str, title: str) -> str:
    return text.split(f"\n{title}")[1].split("\n\n")[0]


def spread(names: str) -> list[str]:
    """Names of a list in which runs are written as ``3 to 5``."""
    found: list[str] = []
    for part in re.split(r",\s+", names.strip()):
        first, _, last = part.partition(" to ")
        found += [str(one) for one in range(int(first), int(last) + 1)] if last else [first]
    return found


@laws(60)
@given(numbers=st.lists(st.integers(0, 30), unique=True, max_size=20).map(sorted))
def test_runs_say_every_name_once(numbers: list[int]) -> None:
    names = [str(one) for one in numbers]
    runs = in_runs(names)
    assert (spread(", ".join(runs)) if runs else []) == names
    assert len(runs) <= len(names)


def test_names_that_are_no_plain_numbers_stay_as_they_are() -> None:
    names = ["K1", "K2", "K3", "07", "08", "09", "1", "2", "4", "9", "10", "11"]
    assert in_runs(names) == ["K1", "K2", "K3", "07", "08", "09", "1", "2", "4", "9 to 11"]


@pytest.mark.parametrize("name", PLANS)
def test_every_zone_that_is_asked_is_named_without_an_option(capsys: pytest.CaptureFixture[str], name: str) -> None:
    _, text, document = planned(capsys, name)
    table = section(text, "Zones by rate").split("zones\n", 1)[1]
    # The last column, folded lines joined.
    rows = re.sub(r"\n\s{40,}", " ", table).splitlines()
    named = [zone for row in rows for zone in spread(re.split(r"\s{2,}", row.strip())[-1])]
    asked = [zone["zone_id"] for zone in document["zones"] if zone["verdict"] != "off"]
    assert sorted(named) == sorted(asked)
    assert " more" not in table


@pytest.mark.parametrize("name", PLANS)
def test_first_line_table_and_exit_code_are_of_one_plan(capsys: pytest.CaptureFixture[str], name: str) -> None:
    code, text, document = planned(capsys, name)
    verdicts = [zone["verdict"] for zone in document["zones"]]
    worse = document["end_of_tank"]["zones_worse"]
    assert code == (1 if {"doubtful", "fails"} & set(verdicts) or worse else 0)
    first = " ".join(text.split("\n\n")[0].split())
    holds, asked = verdicts.count("holds"), len(verdicts) - verdicts.count("off")
    assert f"{holds} of {asked} zones hold" in first
    assert f"({document['plan']['holds_ac']:.1f} of {document['plan']['asked_ac']:.1f} ac)" in first
    for speed in document["plan"]["speeds_mph"]:
        assert f"{speed:.1f}" in first


@pytest.mark.parametrize("name", PLANS)
def test_no_speeds_hold_more_than_is_said(capsys: pytest.CaptureFixture[str], name: str) -> None:
    """Each zone at every speed of a fine grid, by `vet.vet` one by one: the most of it is told, or the plan's."""
    _, text, document = planned(capsys, name)
    arguments = dict(zip(PLANS[name][1::2], PLANS[name][2::2], strict=True))
    read = ReadOptions(rate_column=arguments["--rate-column"], rate_unit=arguments["--rate-unit"])
    options = PlanOptions(bar=arguments["--bar"], temperature=arguments["--temperature"])
    vetted = vet_file(PLANS[name][0], options, read)
    area, some = vetted.prescription.area, np.zeros(vetted.rate.size, dtype=bool)
    for speed in np.linspace(*vetted.solution.bar.limits.speed, 201):
        each = np.full(vetted.rate.size, speed)
        some |= vet(vetted.rate, vetted.solution, (each, each)).verdict == "holds"
    most = float(area[some].sum()) / 4046.8564224
    assert document["own_speed_of_each_rate"]["holds_ac"] == pytest.approx(most, abs=0.05)
    told = [document["plan"]["holds_ac"], document["best_speed"]["exact_best_holds_ac"]]
    told += [one["holds_ac"] for one in document["speed_sets"]]
    alternatives = section(text, "What would hold more")
    assert ("every rate at a speed of its own" in alternatives) == (most > max(told) + 0.05)
    if "Other speeds" in alternatives:
        assert document["plan"]["holds_ac"] >= most - 0.05


def test_a_tank_that_is_not_drawn_to_its_heel_is_not_said_to_end_there(capsys: pytest.CaptureFixture[str]) -> None:
    """The last tank of the field ends warmer than one at its heel: both are said, each as what it is."""
    _, text, document = planned(capsys, "all hold")
    said = " ".join(text.split())
    last, coldest = document["tank_loads"]["loads"][-1], document["end_of_tank"]["coldest_degF"]
    assert last["end_fill"] > document["tank_loads"]["heel"] and last["end_degF"] > coldest + 0.1
    assert f"to about {coldest:.1f} °F by the time it is down to its heel" in said


@pytest.mark.parametrize("more", [("--start", "-93.2911,42.2002"), ("--start=-93.2911,42.2002",)])
def test_a_longitude_of_the_west_is_typed_as_it_is(capsys: pytest.CaptureFixture[str], more: tuple[str, ...]) -> None:
    cli.main(["plan", *PLANS["all hold"], *more, "--json", "-"])
    assert json.loads(capsys.readouterr().out)["start"]["corner"] == "southeast"


def test_a_temperature_below_zero_is_typed_as_it_is(capsys: pytest.CaptureFixture[str]) -> None:
    cli.main(["plan", *LANTERN, "--temperature", "-2degC", "--json", "-"])
    assert json.loads(capsys.readouterr().out)["temperature_degF"] == pytest.approx([28.4, 28.4], abs=1e-6)


def test_in_metric_units_nothing_is_said_in_acres(capsys: pytest.CaptureFixture[str]) -> None:
    cli.main(["plan", *PLANS["all hold"], "--units", "metric"])
    said = capsys.readouterr().out.split("What was read")[0]
    assert "acres" not in said and "As much of the field holds anywhere from" in said


def test_where_nothing_is_asked_nothing_is_said_to_help_or_not(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ring = [[-93.3, 42.2], [-93.298, 42.2], [-93.298, 42.202], [-93.3, 42.202], [-93.3, 42.2]]
    zone = {"type": "Feature", "properties": {"rate": 0}, "geometry": {"type": "Polygon", "coordinates": [ring]}}
    (tmp_path / "rx.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": [zone]}))
    cli.main(
        ["plan", str(tmp_path / "rx.geojson"), *LANTERN[1:3], "--rate-unit", "lb N/ac", "--temperature", "40 degF"]
    )
    said = " ".join(capsys.readouterr().out.split())
    assert "Every zone asks for zero: there is nothing to plan." in said and "expected to help" not in said


def test_zones_that_a_cooling_tank_takes_away_are_named(capsys: pytest.CaptureFixture[str]) -> None:
    code, text, document = planned(capsys, "best")
    ids = {zone["zone"]: zone["zone_id"] for zone in document["zones"]}
    worse = [ids[zone] for zone in document["end_of_tank"]["zones_worse"]]
    answer = " ".join(section(text, "What to do").split())
    assert worse and f"Zones {', '.join(worse)} are doubtful with a full tank and fail then" in answer
    assert code == 1


def test_each_tank_ends_in_a_zone_of_the_users_own_numbering(capsys: pytest.CaptureFixture[str]) -> None:
    _, text, document = planned(capsys, "given")
    loads = document["tank_loads"]["loads"]
    rows = [line.split() for line in text.split("Where each tank runs out")[1].splitlines()[2 : 2 + len(loads)]]
    assert [row[5] for row in rows] == [load["zone_id"] for load in loads]
    assert all(load["zone_id"].startswith("K") for load in loads)
