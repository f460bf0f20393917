"""The user's own zones: called by their ids everywhere, or counted from 1; guessed only where one column can be it."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import geopandas
import numpy as np
import pytest
from rx_files import in_degrees, square, write_geojson

from geoflow.base.errors import PrescriptionError
from geoflow.cli import main
from geoflow.prescription_files.read_prescription import read_prescription

FIELDS = Path(__file__).parents[1] / "sample_fields"


def field(path: Path, **columns: list[object]) -> Path:
    """Four zones in a row with a rate and whatever columns."""
    zones = in_degrees([square(column) for column in range(4)])
    rows = [
        {"rate_lb_n_ac": 100.0 + 10.0 * at, **{name: cells[at] for name, cells in columns.items()}} for at in range(4)
    ]
    return write_geojson(path, zones, rows)


def called(path: Path, **options: str) -> tuple[str | None, list[str]]:
    read = read_prescription(path, rate_column="rate_lb_n_ac", rate_unit="lb N/ac", **options)
    assert read.zone_id_column is None or options or any("--zone-id" in note.text for note in read.notes)
    return read.zone_id_column, list(read.zone_id)


COUNTED = (None, ["1", "2", "3", "4"])


@pytest.mark.parametrize(
    ("columns", "expected"),
    [
        ({"name": ["N4", "N2", "hill", "creek"]}, ("name", ["N4", "N2", "hill", "creek"])),
        ({"ZONE": [12, 7, 9, 30]}, ("ZONE", ["12", "7", "9", "30"])),
        ({"zone_no": [3.0, 1.0, 2.0, 4.0]}, ("zone_no", ["3", "1", "2", "4"])),
        # A number by itself may as well be a yield, a height, a year.
        ({"elev": [210, 214, 219, 208]}, COUNTED),
        ({"yield": [3.5, 4.25, 5.1, 4.4]}, COUNTED),
        ({"soil": ["clay", "clay", "loam", "sand"]}, COUNTED),
        ({"day": ["2026-04-01", "2026-04-02", "2026-04-03", "2026-04-04"]}, COUNTED),
        ({"remark": ["a rather long remark about it", "b", "c", "d"]}, COUNTED),
        ({"name": ["a", "b", None, "d"]}, COUNTED),
        # Two columns that could be it: the one that says zone, or none.
        ({"objectid": [1, 2, 3, 4], "zone": ["A1", "A2", "B1", "B2"]}, ("zone", ["A1", "A2", "B1", "B2"])),
        ({"objectid": [1, 2, 3, 4], "name": ["A1", "A2", "B1", "B2"]}, COUNTED),
        ({}, COUNTED),
    ],
)
def test_guessed_only_where_one_column_can_be_it(
    tmp_path: Path, columns: dict[str, list[object]], expected: tuple[str | None, list[str]]
) -> None:
    assert called(field(tmp_path / "a.geojson", **columns)) == expected


def test_the_column_asked_for_is_taken_with_its_gaps_told(tmp_path: Path) -> None:
    path = field(tmp_path / "a.geojson", Plot=["x", None, "x", "y"], elev=[1, 2, 3, 4])
    read = read_prescription(path, rate_column="rate_lb_n_ac", zone_id="plot")
    assert list(read.zone_id) == ["x", "row 2", "x", "y"]
    told = " ".join(note.text for note in read.notes if note.kind == "zone id")
    assert "1 zone has no id" in told and "several zones are called 'x'" in told
    assert "the column asked for, 'plot', reads as 'Plot'" in [note.text for note in read.notes]
    assert called(path, zone_id="elev") == ("elev", ["1", "2", "3", "4"])
    with pytest.raises(PrescriptionError, match=r"no column 'plott'.*'Plot'"):
        called(path, zone_id="plott")
    twice = field(tmp_path / "b.geojson", Plot=["x", "y", "z", "w"], PLOT=["1", "2", "3", "4"])
    with pytest.raises(PrescriptionError, match="--zone-id 'plot' fits 2 columns: 'Plot', 'PLOT'"):
        called(twice, zone_id="plot")


def test_a_column_that_names_nothing_is_refused(tmp_path: Path) -> None:
    path = field(tmp_path / "a.geojson", plot=["", None, " ", ""], other=["q", "q", "q", "q"])
    with pytest.raises(PrescriptionError, match="names no zone"):
        called(path, zone_id="plot")


def test_rows_left_out_do_not_shift_the_ids(tmp_path: Path) -> None:
    zones = in_degrees([square(column) for column in range(3)])
    rows = [{"rate_lb_n_ac": rate, "zone": name} for rate, name in ((100.0, "A"), (None, "B"), (120.0, "C"))]
    assert called(write_geojson(tmp_path / "a.geojson", zones, rows)) == ("zone", ["A", "C"])


NAMES = ["N4", "N2", "hill", "creek"]


def test_every_table_document_and_layer_carries_the_ids(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = field(tmp_path / "rx.geojson", called=NAMES)
    plan = ["--bar", str(FIELDS / "wren.toml"), "--temperature", "38..46 degF"]
    read = ["--rate-column", "rate_lb_n_ac", "--rate-unit", "lb N/ac"]
    for words in (
        ["vet", str(path), *plan, "--speed", "9 mph", "--out", str(tmp_path / "vetted")],
        ["rewrite", str(path), *plan, "--speed", "9 mph", "--policy=hold-speed", "--out", str(tmp_path / "n.geojson")],
        ["plan", str(path), *plan, "--speed", "9 mph"],
        ["convert", str(path), "--out", str(tmp_path / "c.gpkg")],
    ):  # fmt: skip
        document = tmp_path / f"{words[0]}.json"
        assert main([*words, *read, "--json", str(document)]) in (0, 1)
        said = capsys.readouterr().out
        zones = json.loads(document.read_text(encoding="utf-8"))["zones"]
        assert [zone["zone_id"] for zone in zones] == NAMES, words[0]
        assert [zone["zone"] for zone in zones] == [0, 1, 2, 3]
        if words[0] != "convert":
            assert "hill" in said and not any(f"zone {number}" in said for number in range(1, 5))
    with (tmp_path / "n_changes.csv").open(encoding="utf-8") as side:
        assert {row["zone"] for row in csv.DictReader(side)} <= set(NAMES)


def test_layers_of_a_reconciliation_keep_the_maps_own_columns(tmp_path: Path) -> None:
    target = geopandas.read_file(FIELDS / "lantern_flat.shp").rename(columns={"zone_id": "block"})
    target["block"] = [f"b{at}" for at in range(len(target))]
    target["soil"], target["ratio"] = "loam", 7.0
    target.to_file(tmp_path / "map.gpkg")
    words = ["reconcile", FIELDS / "lantern_flat_log.csv", "--target", tmp_path / "map.gpkg", "--zone-id=block"]
    more = [
        "--width",
        "40 ft",
        "--target-rate-column",
        "lb_n_ac",
        "--target-rate-unit",
        "lb N/ac",
        "--out",
        tmp_path / "out",
    ]
    document = tmp_path / "r.json"
    assert main([*map(str, words), *map(str, more), "--json", str(document)]) in (0, 1)
    zones = json.loads(document.read_text(encoding="utf-8"))["zones"]
    assert [zone["zone_id"] for zone in zones] == target["block"].tolist()
    layer = geopandas.read_file(tmp_path / "out" / "reconcile.gpkg", layer="zones")
    assert layer["block"].tolist() == layer["zone_id"].tolist() == target["block"].tolist()
    assert set(layer["soil"]) == {"loam"} and set(layer["ratio_map"]) == {7.0}
    assert np.all(layer["ratio"] < 2.0)
    with (tmp_path / "out" / "zones.csv").open(encoding="utf-8") as rows:
        assert [row["zone_id"] for row in csv.DictReader(rows)] == target["block"].tolist()
