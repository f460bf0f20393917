"""The sample log is what its script makes, and gives away what the script put into it."""

from __future__ import annotations

import contextlib
import io
import json
import math
import re
import runpy
import shutil
from pathlib import Path

import pandas
import pytest

from geoflow import cli

FIELDS = Path(__file__).parent.parent / "sample_fields"
LOG = FIELDS / "lantern_flat_log.csv"
FEET_40, ACRE = 40 * 0.3048, 4046.8564224


@pytest.fixture(scope="module")
def script() -> dict[str, object]:
    return runpy.run_path(str(FIELDS / "make_log.py"))


@pytest.fixture(scope="module")
def ticket(script: dict[str, object], tmp_path_factory: pytest.TempPathFactory) -> str:
    """Make the log anew, hold it against the kept one, and return the ammonia that went out [lb]."""
    folder = tmp_path_factory.mktemp("sample")
    for path in FIELDS.glob("lantern_flat.*"):
        shutil.copy(path, folder)
    shutil.copy(FIELDS / "heron.toml", folder)
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        script["make"](folder)  # type: ignore[operator]
    new, kept = (pandas.read_csv(path / LOG.name) for path in (folder, FIELDS))
    pandas.testing.assert_frame_equal(new, kept, rtol=0.0, atol=0.11)  # a last digit may round the other way
    assert (new.round(6) == kept.round(6)).to_numpy().mean() > 0.999
    found = re.search(r"([\d,]+) lb", said.getvalue())
    assert found is not None
    return found[1].replace(",", "")


@pytest.fixture(scope="module")
def said(ticket: str) -> dict:
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        code = cli.main(
            [
                *("reconcile", str(LOG), "--target", str(FIELDS / "lantern_flat.shp")),
                *("--bar", str(FIELDS / "heron.toml"), "--ticket", f"{ticket} lb NH3", "--json", "-"),
            ]
        )
    assert code == 1
    return json.loads(out.getvalue())


def test_the_lag_of_the_controller(said: dict) -> None:
    """Half a step after 0.8 s + ln 2 x 1.5 s; a log of one record in two seconds knows it to a second."""
    truth = 0.8 + math.log(2.0) * 1.5
    assert said["lag_s"]["low"] <= truth <= said["lag_s"]["high"]
    assert said["lag_s"]["best"] == pytest.approx(truth, abs=0.5)


def test_the_meter_that_counts_too_much(said: dict, script: dict[str, object]) -> None:
    """Within 0.5 %: records of two seconds against tenths, where speed and rate change."""
    assert said["ticket"]["ratio"] == pytest.approx(script["OVERCOUNT"], abs=0.005)
    assert said["ticket"]["pulses_per_gallon"] == pytest.approx(720 * script["OVERCOUNT"], rel=0.005)  # type: ignore[operator]
    assert "ticket off" in {one["kind"] for one in said["findings"]}


def test_the_row_that_plugs(said: dict, script: dict[str, object]) -> None:
    (one,) = [one for one in said["findings"] if one["kind"] == "plugging"]
    assert one["numbers"]["rows_worth"] == pytest.approx(1.0, abs=0.05)
    log = pandas.read_csv(LOG, parse_dates=["time"])
    seconds = (log["time"] - log["time"].iloc[0]).dt.total_seconds()
    assert one["numbers"]["time_s"] == pytest.approx(script["PLUGGED_AT"] * seconds.iloc[-1], abs=30.0)  # type: ignore[operator]


def test_the_overlap_and_the_gap(said: dict) -> None:
    """Passes 1.2 m too near over the field's length of some 700 m; passes beside the pond and slanting ends apart."""
    length = 715.0
    assert said["coverage"]["doubled_ac"] * ACRE == pytest.approx(1.2 * length, rel=0.1)
    assert said["coverage"]["missed_ac"] * ACRE > 0.9 * length
    assert said["coverage"]["relative_error"] < 1e-3


def test_nothing_else_is_found(said: dict) -> None:
    assert {one["kind"] for one in said["findings"]} == {"ticket off", "plugging"}
    assert [one["kind"] for one in said["not_judged"]] == ["control valve drop"]
    assert said["points"]["read"] == said["points"]["kept"] + sum(said["points"]["dropped"].values())
