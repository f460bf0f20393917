"""`geoflow rehearse` and `geoflow reconcile --rehearsed`, as typed."""

from __future__ import annotations

import json
import shlex
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas
import pytest
import shapely
from PIL import Image
from simulated_files import BAR
from test_cli import commands_in
from test_words import leaves, stated

from geoflow import cli
from geoflow.report.layer_styles import RATIO_STYLE

FRAME = "+proj=laea +lat_0=42.1 +lon_0=-93.4 +datum=WGS84 +units=m"
WARMTH = ("--temperature", "35 degF", "--speed", "5 mph")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A field of two zones of ten acres together, a bar, and a rehearsal of it."""
    made = tmp_path_factory.mktemp("rehearsed")
    zones = [shapely.box(0, 0, 100, 200), shapely.box(100, 0, 200, 200)]
    field = geopandas.GeoDataFrame({"block": ["W", "E"], "rate": [150.0, 185.0]}, geometry=zones, crs=FRAME)
    field.to_crs(4326).to_file(made / "rx.geojson", engine="pyogrio", driver="GeoJSON")
    (made / "bar.toml").write_text(BAR + '\n[tank]\ncapacity = "500 gal"\n', encoding="utf-8")
    assert cli.main(arguments(made, "--out", str(made / "out"), "--json", str(made / "said.json"))) in {0, 1}
    return made


def arguments(folder: Path, *more: str, field: str = "rx.geojson") -> list[str]:
    given = [
        "rehearse",
        str(folder / field),
        "--bar",
        str(folder / "bar.toml"),
        "--rate-unit",
        "lb N/ac",
        "--draws",
        "3",
    ]
    return [*given, *WARMTH, *more]


def reconciled(folder: Path, *more: str, target: str = "rx.geojson", log: str = "out/log.csv") -> list[str]:
    return [
        *("reconcile", str(folder / log), "--target", str(folder / target), "--target-rate-unit", "lb N/ac"),
        *("--bar", str(folder / "bar.toml"), *more),
    ]


def test_the_first_line_answers(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = cli.main(arguments(folder, "--heading", "90 deg", "--out", str(folder / "first"), "--replace"))
    said = " ".join(capsys.readouterr().out.split())
    document = json.loads((folder / "first" / "rehearsal.json").read_text())
    assert code == 1 or document["within_10"]["mean"] >= 0.9
    first = said.split(". ")[0]
    assert f"{100 * document['within_10']['mean']:.1f} % of the 9.9 ac that ask for ammonia" in said
    assert f"{document['lost_at_borders_ac']:.1f} ac are lost while the rate follows at zone borders" in said
    best = document["savings"][0]
    assert best["saved_ac"] == max(one["saved_ac"] for one in document["savings"])
    assert "what would save most is" in said and f"{best['saved_ac']:.1f} ac" in said
    assert "Ammonia blinds and kills" in said and first
    assert "--rehearsed" in said.split("After the day:")[1]


def test_both_ends_of_the_band_are_said_as_the_document_has_them(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    cli.main(arguments(folder, "--out", str(folder / "band")))
    said = " ".join(capsys.readouterr().out.split())
    within = json.loads((folder / "band" / "rehearsal.json").read_text())["within_10"]
    assert within["low"] < within["high"] and f"({100 * within['low']:.1f} to {100 * within['high']:.1f} %" in said


def test_the_command_for_after_the_day_runs_as_it_stands(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It says how the map was read and names the bar; a name with a space is quoted."""
    given = arguments(folder, "--rate-column", "rate", "--zone-id", "block", "--out", str(folder / "a day"))
    cli.main(given)
    typed = shlex.split(capsys.readouterr().out.split("After the day: ")[1].splitlines()[0])
    typed[typed.index("YOUR_LOG")] = str(folder / "a day" / "log.csv")
    assert typed[0] == "geoflow" and str(folder / "bar.toml") in typed
    assert cli.main(typed[1:]) in {0, 1}
    said = " ".join(capsys.readouterr().out.split())
    assert "2 zones of 2 came out as rehearsed" in said
    # All its columns are there, and nothing is wrong: that is not the same as not judged.
    assert "Nothing stands out in what was logged." in said and "Nothing could be judged" not in said


def test_the_one_zone_of_a_map_is_said_as_one(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    field = geopandas.GeoDataFrame({"rate": [150.0]}, geometry=[shapely.box(0, 0, 100, 60)], crs=FRAME)
    field.to_crs(4326).to_file(folder / "one.geojson", engine="pyogrio", driver="GeoJSON")
    cli.main(arguments(folder, "--out", str(folder / "one"), field="one.geojson"))
    assert "The one zone that asks for ammonia" in " ".join(capsys.readouterr().out.split())


def test_the_document_says_what_it_is_and_every_number_has_its_unit(folder: Path) -> None:
    document: dict[str, Any] = json.loads((folder / "said.json").read_text())
    assert document == json.loads((folder / "out" / "rehearsal.json").read_text())
    pure = {"within_10", "uneven", "short", "mean", "low", "high", "within_10_low", "within_10_high", "draws", "seed"}
    pure |= {"headlands", "loads", "meter_spread", "meter_scatter", "speed_wobble", "zones_lowered"}
    bare = {".".join(keys) for keys in leaves(document) if not stated(keys) and keys[-1] not in pure}
    assert not bare
    assert [zone["zone_id"] for zone in document["zones"]] == ["W", "E"]
    for zone in document["zones"]:
        assert zone["expect_low_lb_n_ac"] <= zone["expect_lb_n_ac"] <= zone["expect_high_lb_n_ac"]
        assert zone["expect_lb_n_ac"] == pytest.approx(zone["asked_lb_n_ac"], rel=0.08)
    assert document["asked_ac"] == pytest.approx(9.884, abs=0.02) and document["loads"] >= 1
    assert document["hours"]["total_h"] > document["hours"]["turning_h"] + document["hours"]["changing_tanks_h"]
    causes = sum(one["area_ac"] for one in document["causes"].values())
    assert causes < (1.05 - document["within_10"]["mean"]) * document["asked_ac"]


def test_the_folder_holds_log_layers_and_a_map(folder: Path) -> None:
    out = folder / "out"
    assert sorted(path.name for path in out.iterdir()) == [
        "log.csv", "map.png", "rehearsal.json", "strips.gpkg", "zones.gpkg",
    ]  # fmt: skip
    log = pandas.read_csv(out / "log.csv")
    assert np.isfinite(log.select_dtypes("number")).all().all()
    assert set(log["section"]) == {1, 2} and set(log["on"]) <= {0, 1}
    zones = geopandas.read_file(out / "zones.gpkg", engine="pyogrio")
    document = json.loads((out / "rehearsal.json").read_text())
    np.testing.assert_allclose(
        zones["gf_expect_mean_lb_n_ac"], [zone["expect_lb_n_ac"] for zone in document["zones"]], atol=0.01
    )
    strips = geopandas.read_file(out / "strips.gpkg", engine="pyogrio").to_crs(FRAME)
    assert strips.area.sum() / 4046.8564224 == pytest.approx(document["covered_ac"] + document["doubled_ac"], rel=0.02)
    assert np.all(strips["low_lb_n_ac"] <= strips["high_lb_n_ac"])
    assert Image.open(out / "map.png").size == (1600, 1200)


def test_the_log_is_read_without_questions_and_comes_out_as_rehearsed(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = cli.main(reconciled(folder, "--rehearsed", str(folder / "out"), "--json", "-"))
    document = json.loads(capsys.readouterr().out)
    assert code in {0, 1} and document["input"]["accepted"] == []
    against = document["rehearsed"]
    assert [zone["came"] for zone in against["zones"]] == ["as rehearsed", "as rehearsed"]
    assert against["off_not_expected_ac"] < 0.05 < against["off_ac"]
    assert against["off_ac"] == pytest.approx(against["off_expected_ac"] + against["off_not_expected_ac"], abs=1e-5)


def test_a_day_that_went_otherwise_is_told_zone_by_zone(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """On the eastern zone 15 % less goes out than the rehearsal has it: that was not to be expected, the rest was."""
    log = pandas.read_csv(folder / "out" / "log.csv")
    east = log["target (lb N/ac)"] > 160.0
    log.loc[east, "applied (lb N/ac)"] *= 0.85
    log.to_csv(folder / "short.csv", index=False)
    given = reconciled(folder, "--rehearsed", str(folder / "out" / "rehearsal.json"), log="short.csv")
    assert cli.main(given) == 1
    said = " ".join(capsys.readouterr().out.split())
    table = said.split("Against the rehearsal")[1].split("What the log tells")[0]
    assert "1 zone that came out otherwise" in table and "got less than the days rehearsed" in table
    assert "E 185" in table and "W 150" not in table and "1 zone of 2 came out as rehearsed" in table
    assert cli.main([*given, "--json", "-"]) == 1
    against = json.loads(capsys.readouterr().out)["rehearsed"]
    assert [zone["came"] for zone in against["zones"]] == ["as rehearsed", "less than rehearsed"]
    assert against["off_not_expected_ac"] > 4.0


def test_without_a_rehearsal_nothing_is_said_of_one(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    cli.main(reconciled(folder, "--json", "-"))
    assert json.loads(capsys.readouterr().out)["rehearsed"] is None


def test_nothing_is_replaced_unless_asked(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = (folder / "out" / "log.csv").read_bytes()
    assert cli.main(arguments(folder, "--out", str(folder / "out"), "--seed", "9")) == 2
    assert "Traceback" not in capsys.readouterr().err
    assert (folder / "out" / "log.csv").read_bytes() == before


def test_a_map_the_bar_cannot_give_is_a_finding_with_its_caution(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    field = geopandas.read_file(folder / "rx.geojson", engine="pyogrio")
    field["rate"] = [60.0, 420.0]
    field.to_file(folder / "hard.geojson", engine="pyogrio", driver="GeoJSON")
    assert cli.main(arguments(folder, "--out", str(folder / "hard"), "--replace", field="hard.geojson")) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "the rows go uneven" in said.split("Heron")[0] and "(zone W)" in said and "(zone E)" in said
    assert "What each row gives there is not known" in said
    assert "the bar gives what it can" in said and "bar gives less" in said
    strips = geopandas.read_file(folder / "hard" / "strips.gpkg", engine="pyogrio").to_crs(FRAME)
    low = strips["uneven_share_of_days"] > 0.5
    uneven = json.loads((folder / "hard" / "rehearsal.json").read_text())["uneven_ac"]
    assert strips[low].area.sum() / 4046.8564224 == pytest.approx(uneven, rel=0.05) and uneven > 3.0
    # The picture marks them: it is black where crosses stand, in the west, and nowhere in the east.
    picture = np.asarray(Image.open(folder / "hard" / "map.png").convert("L"))[500:1000, :1100] < 40
    assert picture[:, 100:500].mean() > 3 * picture[:, 700:1000].mean()


@pytest.mark.parametrize(
    ("more", "what", "cure"),
    [
        (("--headlands", "7"), "7 is not from 0 to 6", "give a whole number there"),
        (("--draws", "0"), "0 is not from 1 to 200", "give a whole number there"),
        (("--seed", "-1"), "-1 is not from 0 to", "give a whole number there"),
        (("--turn-radius=-3 ft",), "'-3 ft' is below zero", 'give it like "30 ft"'),
        (("--look-ahead=-1 s",), "'-1 s' is below zero", 'give it like "0.5 s"'),
        (("--delay=-1..1 s",), "'-1..1 s' is below zero", 'give it like "0.5 s"'),
    ],
)
def test_what_makes_no_sense_is_refused(
    folder: Path, more: tuple[str, ...], what: str, cure: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(arguments(folder, *more, "--out", str(folder / "no"))) == 2
    said = capsys.readouterr().err
    assert what in said and cure in said and not (folder / "no").exists()


def test_nothing_to_rehearse_is_said(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    field = geopandas.read_file(folder / "rx.geojson", engine="pyogrio")
    field["rate"] = [0.0, 0.0]
    field.to_file(folder / "none.geojson", engine="pyogrio", driver="GeoJSON")
    given = arguments(folder, "--rate-column", "rate", "--out", str(folder / "no"), field="none.geojson")
    assert cli.main(given) == 2
    assert "every zone asks for zero: there is nothing to rehearse" in capsys.readouterr().err
    slim = geopandas.GeoDataFrame({"rate": [150.0]}, geometry=[shapely.box(0, 0, 2, 300)], crs=FRAME).to_crs(4326)
    slim.to_file(folder / "slim.geojson", engine="pyogrio", driver="GeoJSON")
    (folder / "plain.toml").write_text(BAR, encoding="utf-8")  # without a tank, or its loads would ask first
    wide = geopandas.GeoDataFrame({"rate": [150.0]}, geometry=[shapely.box(0, 0, 2e5, 2e5)], crs=FRAME).to_crs(4326)
    wide.to_file(folder / "wide.geojson", engine="pyogrio", driver="GeoJSON")
    plain = ("--out", str(folder / "no"), "--bar", str(folder / "plain.toml"))
    assert cli.main(arguments(folder, *plain, field="wide.geojson")) == 2
    said = capsys.readouterr().err
    assert "more than is rehearsed" in said and "one field at a time" in said and not (folder / "no").exists()
    assert cli.main(arguments(folder, *plain, field="slim.geojson")) == 2
    said = capsys.readouterr().err
    assert "no section of the bar ever comes over ground of which half its width asks for ammonia" in said
    assert "choose another heading" in said and not (folder / "no").exists()


def test_a_rehearsal_of_something_else_is_refused(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    field = geopandas.read_file(folder / "rx.geojson", engine="pyogrio")
    field["rate"] += 5.0
    field.to_file(folder / "other.geojson", engine="pyogrio", driver="GeoJSON")
    (folder / "broken.json").write_text('{"zones": [{"zone": 0}]}', encoding="utf-8")
    (folder / "lists.json").write_text("[1, 2]", encoding="utf-8")
    out = str(folder / "out")
    alone = ["reconcile", str(folder / "out/log.csv"), "--rehearsed", out]
    unread = "what geoflow rehearse wrote cannot be read there"
    for given, what in (
        (reconciled(folder, "--rehearsed", out, target="other.geojson"), "the rehearsal is of another map"),
        (alone, "--rehearsed compares zone by zone, and without a target map there are no zones"),
        *(
            (reconciled(folder, "--rehearsed", str(folder / name)), unread)
            for name in ("broken.json", "lists.json", "no")
        ),
    ):
        assert cli.main(given) == 2, given
        said = capsys.readouterr().err
        assert what in said and "cure:" in said and "Traceback" not in said


@pytest.mark.slow
def test_the_example_of_its_page_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Both commands as they stand there, with the sample field's own log for the reader's."""
    root = Path(__file__).parent.parent
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sample_fields").symlink_to(root / "sample_fields")
    (tmp_path / "my_log.csv").symlink_to(root / "sample_fields" / "lantern_flat_log.csv")
    first, second = commands_in((root / "docs" / "rehearse.md").read_text(encoding="utf-8"))
    assert cli.main(shlex.split(first)[1:]) == 0
    assert "are to be expected within 10 % of their rate" in " ".join(capsys.readouterr().out.split())
    assert cli.main(shlex.split(second)[1:]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "was to be expected by the rehearsal rehearsed" in said and "came out as rehearsed" in said


def test_ground_that_no_pass_covers_is_held_against_the_rehearsal(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A third of the eastern zone, and in another log all of it, is never driven: the rehearsal covers it."""
    log = pandas.read_csv(folder / "out" / "log.csv")
    place = geopandas.GeoSeries.from_xy(log["longitude"], log["latitude"], crs=4326).to_crs(FRAME)
    for name, driven in (("part", place.y < 135.0), ("none", place.y < -1e9)):
        log[(place.x < 100.0) | driven].to_csv(folder / f"{name}.csv", index=False)
        given = reconciled(folder, "--rehearsed", str(folder / "out"), log=f"{name}.csv")
        cli.main(given)
        said = " ".join(capsys.readouterr().out.split()).split("Against the rehearsal")[1]
        assert "Under no pass are " in said and "1 zone that came out otherwise" in said
        assert "more of its ground is under no pass" in said.split("What the log tells")[0]
        cli.main([*given, "--json", "-"])
        against = json.loads(capsys.readouterr().out)["rehearsed"]
        assert [zone["came"] for zone in against["zones"]] == ["as rehearsed", "less covered than rehearsed"]
        assert against["missed_ac"] > 1.3 and against["missed_expected_ac"] < 0.3
        east = against["zones"][1]
        assert east["missed_ac"] == pytest.approx({"part": 4.942 * 65 / 200, "none": 4.942}[name], abs=0.25)
        assert east["expect_missed"] < 0.06


def test_little_ground_and_little_time_are_not_told_as_nothing(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A plot of a twentieth of an acre."""
    field = geopandas.GeoDataFrame({"rate": [150.0]}, geometry=[shapely.box(0, 0, 8.0, 20.0)], crs=FRAME)
    field.to_crs(4326).to_file(folder / "plot.geojson", engine="pyogrio", driver="GeoJSON")
    for given in (
        arguments(folder, "--out", str(folder / "plot"), "--headlands", "0", field="plot.geojson"),
        ["plan", str(folder / "plot.geojson"), "--bar", str(folder / "bar.toml"), "--rate-unit", "lb N/ac", *WARMTH],
    ):
        cli.main(given)
        said = " ".join(capsys.readouterr().out.split())
        assert "0.040 ac" in said and "of 0.0 ac" not in said and "0.0 h " not in said.split("What would save")[0]
    assert "0 of 1 zone holds" in said or "1 of 1 zone holds" in said


def test_the_plan_that_is_driven_is_one_sentence(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    cli.main(arguments(folder, "--out", str(folder / "again"), "--replace"))
    said = " ".join(capsys.readouterr().out.split())
    assert "The day is driven as planned. Plan: 5.0 mph, as given." in said


def test_a_day_that_cannot_be_read_is_refused_before_anything_is_solved(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (folder / "day.csv").write_text("hour,what\n8,9\n", encoding="utf-8")

    def solved(*_: Any) -> None:
        raise AssertionError("the bar was solved first")

    monkeypatch.setattr("geoflow.decide.vet.flow_window", solved)
    plan = ["plan", str(folder / "rx.geojson"), "--bar", str(folder / "bar.toml"), "--rate-unit", "lb N/ac", *WARMTH]
    assert cli.main([*plan, "--day", str(folder / "day.csv")]) == 2
    assert "day.csv" in capsys.readouterr().err


def test_strips_carry_the_style_of_what_is_expected_over_what_is_asked(folder: Path) -> None:
    import pyogrio

    path = folder / "out" / "strips.gpkg"
    styles = pyogrio.read_dataframe(path, sql="SELECT * FROM layer_styles", read_geometry=False)
    assert styles["styleSLD"].tolist() == [RATIO_STYLE.sld]
    titles = pyogrio.read_dataframe(path, sql="SELECT * FROM gpkg_data_columns", read_geometry=False)
    strips = geopandas.read_file(path, engine="pyogrio")
    assert set(titles["column_name"]) == set(strips.columns) - {"geometry"}
    ratio = strips["expect_lb_n_ac"] / strips["asked_lb_n_ac"]
    np.testing.assert_allclose(strips["ratio"], ratio, atol=1e-3)
