"""`geoflow convert`, and `geoflow rewrite` into another format, as a user types them."""

from __future__ import annotations

import json
import shlex
from pathlib import Path

import geopandas
import numpy as np
import pyogrio
import pytest
import rasterio
from raster_files import write_geotiff
from rx_files import EAST, NORTH, write_shapefile

from geoflow.base.errors import GeoflowError, OutputError
from geoflow.base.rate_units import RATE_UNITS, rate_unit
from geoflow.cli.conversion import CONVERT
from geoflow.cli.options import Parser
from geoflow.prescription_files.read_prescription import read_prescription
from geoflow.workflow.converting import rates_in

ROOT = Path(__file__).parent.parent
KETTLE_FILE = ROOT / "sample_fields/kettle_rise.geojson"
KETTLE = [str(KETTLE_FILE), "--rate-column", "target", "--rate-unit", "lb N/ac"]
LANTERN = str(ROOT / "sample_fields/lantern_flat.shp")
WREN = str(ROOT / "sample_fields/wren.toml")


def run(capsys, *arguments):
    parser = Parser(prog="geoflow")
    CONVERT.add_to(parser.add_subparsers(dest="command", parser_class=Parser))
    options = parser.parse_args(["convert", *map(str, arguments)])
    code = options.run(options)
    return code, capsys.readouterr().out


def document(capsys, *arguments):
    code, out = run(capsys, *arguments, "--json", "-")
    return code, json.loads(out)


# Units


def test_units_against_exact_definitions():
    """1 lb = 0.45359237 kg, 1 acre = 4046.8564224 m2 (international foot, NIST 85 FR 62698), 0.82 N in 82-0-0."""
    lb_n, kg_n, lb_nh3 = (rate_unit(text) for text in ("lb N/ac", "kg N/ha", "lb NH3/ac"))
    rates = np.array([0.0, 150.0, 82.0])
    per = 0.45359237 / 0.40468564224  # lb/ac in kg/ha, 1.1208511561944561
    assert rates_in(rates, lb_n, kg_n, 0.82, None) == pytest.approx(rates * per, rel=1e-9)
    assert rates_in(rates, lb_n, lb_nh3, 0.82, None).tolist() == [0.0, 182.9268293, 100.0]
    gallons = rates_in(np.array([100.0]), lb_nh3, rate_unit("gal NH3/ac"), 0.82, 617.0)
    assert gallons == pytest.approx([100.0 / (617.0 / 0.45359237 * 3.785411784e-3)], rel=1e-9)


@pytest.mark.parametrize("unit", RATE_UNITS, ids=lambda unit: unit.text)
def test_there_and_back_gives_the_same_numbers(unit):
    rates = np.array([0.0, 99.95, 120.1, 150.0, 187.5])
    for other in RATE_UNITS:
        there = rates_in(rates, unit, other, 0.82, 617.0)
        assert rates_in(there, other, unit, 0.82, 617.0) == pytest.approx(rates, rel=1e-9)
    assert rates_in(rates, unit, unit, 0.82, None) is rates


# The command


def test_json_of_a_conversion(capsys, tmp_path):
    code, said = document(capsys, *KETTLE, "--to-unit", "kg NH3/ha", "--out", tmp_path / "k.gpkg")
    assert code == 0
    found = pyogrio.read_dataframe(tmp_path / "k.gpkg")
    given = geopandas.read_file(KETTLE[0])
    # kg NH3/ha from lb N/ac: 1.1208511561944561 / 0.82.
    assert found["rate_kg_nh3_ha"].tolist() == pytest.approx((given["target"] * 1.1208511561944561 / 0.82).tolist())
    assert found["soil"].tolist() == given["soil"].tolist() and "target" not in found
    assert found.geometry.geom_equals(given.geometry).all()
    assert said["output"]["rate_unit"] == "kg NH3/ha" and said["output"]["format"] == "geopackage"
    assert said["nitrogen_fraction"] == 0.82 and said["volumes_counted_at_degF"] is None
    totals = said["totals"]
    assert totals["nitrogen_before_lb"] == pytest.approx(totals["nitrogen_after_lb"], rel=1e-9)
    pounds = sum(zone["before"] * zone["area_ac"] for zone in said["zones"])
    assert totals["nitrogen_before_lb"] == pytest.approx(pounds, rel=1e-6) and totals["zones"] == len(given)
    assert said["input"]["rows_read"] == len(given) and said["input"]["rate_unit"] == "lb N/ac"


def test_text_of_a_conversion(capsys, tmp_path):
    code, out = run(capsys, *KETTLE, "--to-unit", "gal NH3/ac", "--out", tmp_path / "k.shp")
    words = " ".join(out.split())
    assert code == 0 and "column 'gal_nh3_ac' in gal NH3/ac" in words and "before 0 to 250 lb N/ac" in words
    assert "82 % nitrogen (--nitrogen-fraction)" in words and "60 °F (--volume-temperature)" in words
    assert "Ammonia blinds and kills" in words and "geoflow vet" in words
    metric = run(capsys, *KETTLE, "--out", tmp_path / "k.fgb", "--units", "metric")[1]
    assert " ha" in metric and "% nitrogen" not in metric and "as they were" in " ".join(metric.split())


def test_fraction_and_temperature_count(capsys, tmp_path):
    half = ["--nitrogen-fraction", "50 %"]
    _, said = document(capsys, *KETTLE, "--to-unit", "lb NH3/ac", *half, "--out", tmp_path / "a.gpkg")
    assert [zone["after"] for zone in said["zones"]] == [2 * zone["before"] for zone in said["zones"]]
    warm = ["--volume-temperature", "100 degF"]
    cold, hot = (
        document(capsys, *KETTLE, "--to-unit", "gal NH3/ac", *more, "--out", tmp_path / f"{len(more)}.gpkg")[1]
        for more in ([], warm)
    )
    # Saturated liquid ammonia: 5.147 lb/gal at 60 °F and 4.871 at 100 °F (handbook tables of 38.50 and 36.40 lb/ft3,
    # from memory).
    ratio = hot["zones"][0]["after"] / cold["zones"][0]["after"]
    assert ratio == pytest.approx(38.50 / 36.40, rel=2e-3)
    assert (cold["volumes_counted_at_degF"], hot["volumes_counted_at_degF"]) == (60.0, 100.0)


def test_raster_in_and_out(capsys, tmp_path):
    cells = np.array([[100.0, 100.0, 120.0], [100.0, 140.0, -1.0]])
    path = write_geotiff(tmp_path / "f.tif", cells, corner=(EAST, NORTH), nodata="-1")
    code, said = document(capsys, path, "--rate-unit", "kg N/ha", "--out", tmp_path / "f.shp")
    assert code == 0 and said["totals"]["zones"] == 3
    code, said = document(capsys, path, "--rate-unit", "kg N/ha", "--zones", "cell", "--out", tmp_path / "c.shp")
    assert said["totals"]["zones"] == 5
    code, said = document(capsys, tmp_path / "c.shp", "--out", tmp_path / "o.tif", "--cell", "10 m")
    assert code == 0 and said["output"]["cell_m"] == 10.0
    with rasterio.open(tmp_path / "o.tif") as file:
        assert np.array_equal(file.read(1), np.where(cells < 0, -9999, cells)) and file.units == ("kg N/ha",)
        assert list(file.transform[:6]) == [10, 0, EAST, 0, -10, NORTH]


def test_zones_lost_in_a_raster_are_findings(capsys, tmp_path):
    code, out = run(capsys, *KETTLE, "--out", tmp_path / "k.tif", "--cell", "200 ft")
    assert code == 1 and "ARE NOT IN THE RASTER" in out and "% off" in " ".join(out.split())
    assert run(capsys, *KETTLE, "--out", tmp_path / "fine.tif")[0] == 0


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["--out", "k.xyz"], "no format that can be written"),
        (["--out", "k.gpkg", "--to-unit", "lb/ac"], "does not say whether nitrogen"),
        (["--out", "k.gpkg", "--cell", "10 m"], "only a raster has cells"),
        (["--out", "k.tif", "--cell", "10"], "not a number with a unit"),
        (["--out", "k.tif", "--cell", "-3 m"], "no side of a cell"),
        (["--out", "k.gpkg", "--nitrogen-fraction", "120 %"], "no fraction"),
        (["--out", "k.gpkg", "--nitrogen-fraction", "x"], "no fraction"),
        (["--out", "k.gpkg", "--volume-temperature", "50 degF"], "neither unit counts a volume"),
        (["--out", "k.gpkg", "--task-version", "4"], "task data are a folder or a .zip"),
        (["--out", "k.gpkg", "--zones", "cell"], "--zones"),
        (["--out", "k.gpkg", "--zoens", "cell"], "did you mean '--zones'"),
    ],
)
def test_wrong_use(capsys, tmp_path, monkeypatch, arguments, expected):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(GeoflowError) as caught:
        run(capsys, *KETTLE, *arguments)
    assert expected in str(caught.value) and (caught.value.cure or "-h" in str(caught.value))
    assert list(tmp_path.iterdir()) == []


def test_the_input_is_never_written_over(capsys, tmp_path):
    source = write_shapefile(
        tmp_path / "in.shp", [[[(EAST, NORTH), (EAST, NORTH + 9), (EAST + 9, NORTH), (EAST, NORTH)]]]
    )
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    for out in ("in.shp", "IN.SHP"):
        with pytest.raises(OutputError):
            run(capsys, source, "--rate-column", "RATE", "--rate-unit", "lb N/ac", "--out", tmp_path / out, "--replace")
    with pytest.raises(OutputError, match="input"):
        run(
            capsys,
            source,
            "--rate-column",
            "RATE",
            "--rate-unit",
            "lb N/ac",
            "--out",
            tmp_path / "o.gpkg",
            "--json",
            source,
            "--replace",
        )
    (tmp_path / "o.gpkg").unlink(missing_ok=True)
    assert {path: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_the_example_of_the_help_is_a_command(capsys, tmp_path, monkeypatch):
    parser = Parser(prog="geoflow")
    commands = parser.add_subparsers(dest="command", parser_class=Parser)
    CONVERT.add_to(commands)
    text = commands.choices["convert"].epilog
    example = shlex.split(text.split("Example: geoflow ")[1].split(". Exit code")[0])
    write_geotiff(tmp_path / "rx.tif", np.array([[100.0, 120.0]]), corner=(EAST, NORTH))
    monkeypatch.chdir(tmp_path)
    assert run(capsys, *example[1:])[0] == 0 and (tmp_path / "rx.shp").exists()


# Rewriting into another format


@pytest.mark.parametrize("ending", [".gpkg", ".fgb", ".parquet", ".geojson", ".zip", ".tif"])
def test_rewriting_into_another_format(capsys, tmp_path, ending):
    from geoflow import cli

    plan = ["--bar", WREN, "--temperature", "45..52 degF", "--speed", "5 mph", "--policy", "hold-speed"]
    source = tmp_path / "in.shp"
    geopandas.read_file(KETTLE[0]).to_file(source)
    reading = ["--rate-column", "target", "--rate-unit", "lb N/ac"]
    out = tmp_path / f"out{ending}"
    cli.main(["rewrite", str(source), *reading, *plan, "--out", str(out), "--json", "-"])
    said = json.loads(capsys.readouterr().out)
    assert (tmp_path / "out_changes.csv").exists()
    again = read_prescription(out, rate_column=None if ending == ".tif" else "target", rate_unit="lb N/ac")
    assert again.rate_column == "target"
    after = [zone["after_lb_n_ac"] for zone in said["zones"]]
    if ending == ".tif":
        assert all(np.abs(np.array(after) - rate).min() < 5e-4 for rate in again.rate)
        total = sum(again.rate * again.area) / 4046.8564224
        assert total == pytest.approx(said["totals"]["nitrogen_after_lb"], rel=2e-3)
    else:
        assert again.rate.tolist() == pytest.approx(after, abs=5e-4)
        assert again.table["soil"].tolist() == geopandas.read_file(KETTLE[0])["soil"].tolist()


def test_rewriting_a_raster_in_its_own_cells(capsys, tmp_path):
    from geoflow import cli

    rng = np.random.default_rng(3)
    cells = np.kron(rng.integers(60, 230, (4, 5)).astype(float), np.ones((6, 6)))
    cells[0, :4] = -1
    source = write_geotiff(tmp_path / "f.tif", cells, corner=(EAST, NORTH), nodata="-1")
    plan = ["--bar", WREN, "--temperature", "45..52 degF", "--speed", "5 mph", "--policy", "hold-speed"]
    code = cli.main(
        ["rewrite", str(source), "--rate-unit", "lb N/ac", *plan, "--out", str(tmp_path / "o.tif"), "--json", "-"]
    )
    said = json.loads(capsys.readouterr().out)
    assert code == 1 and said["totals"]["zones_changed"] > 0
    new = {zone["before_lb_n_ac"]: zone["after_lb_n_ac"] for zone in said["zones"]}
    with rasterio.open(tmp_path / "o.tif") as file:
        found = file.read(1)
    for before in np.unique(cells[cells > 0]):
        assert found[cells == before] == pytest.approx(new[before], abs=5e-4)
    assert (found[cells < 0] == -9999).all()


@pytest.mark.parametrize(
    "out", [["task"], ["t.zip", "--task-version", "3"], ["t.zip", "--task-form", "grid-2", "--cell", "2 m"]]
)
def test_task_data_hold_the_fields_nitrogen(capsys, tmp_path, out):
    """Outlines keep it to the rounding of 1 mg/m2, 2 m cells to half a per cent of these zones."""
    run(capsys, *KETTLE, "--out", tmp_path / out[0], *out[1:])
    before, after = (
        read_prescription(KETTLE_FILE, rate_column="target", rate_unit="lb N/ac"),
        read_prescription(tmp_path / out[0]),
    )
    total = [float((each.rate * each.rate_unit.to_si * each.area).sum()) for each in (before, after)]
    assert after.rate_unit.basis == "nitrogen"
    assert total[1] == pytest.approx(total[0], rel=5e-3 if "grid-2" in out else 2e-5)
