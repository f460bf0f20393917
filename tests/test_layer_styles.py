"""Outputs open as finished maps elsewhere: read by GDAL, through pyogrio and rasterio, and held to the standards."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as Xml

import numpy as np
import pyogrio
import pytest
import rasterio

import geoflow
from geoflow.base.schema import COLUMNS, GROUND_COLUMNS, PLAN_COLUMNS
from geoflow.report.layer_styles import FINDING_STYLE, RATIO_STYLE, VERDICT_STYLE, rate_style
from geoflow.report.symbology import PASSES, RATIO_CLASSES, STEPS, VERDICT_SYMBOLS

FIELDS = Path(__file__).parent.parent / "sample_fields"
SLD, OGC = "{http://www.opengis.net/sld}", "{http://www.opengis.net/ogc}"
# Styled Layer Descriptor 1.0.0, OGC 02-070, 11.3.2 "Graphics", "Mark": "at least the following values".
MARKS = {"square", "circle", "triangle", "star", "cross", "x"}


def table(path: Path, question: str) -> Any:
    return pyogrio.read_dataframe(path, sql=question, read_geometry=False)


@pytest.fixture(scope="module")
def vetted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    asked = {"rate": "target", "unit": "lb N/ac", "temperature": "45..52 degF", "speed": "5 mph"}
    result = geoflow.vet(FIELDS / "kettle_rise.geojson", FIELDS / "wren.toml", **asked)
    folder = tmp_path_factory.mktemp("vetted")
    result.write(folder)
    return folder / "zones.gpkg"


@pytest.fixture(scope="module")
def compared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    result = geoflow.reconcile(
        FIELDS / "lantern_flat_log.csv", target=FIELDS / "lantern_flat.shp", bar=FIELDS / "heron.toml"
    )
    folder = tmp_path_factory.mktemp("compared")
    result.write(folder)
    return folder


def rule_for(sld: str, row: dict[str, Any]) -> list[str]:
    """Names of the rules whose filter takes a row, as OGC Filter 1.0.0 (02-059) has them."""
    tests = {
        "PropertyIsEqualTo": lambda a, b: a == b,
        "PropertyIsLessThan": lambda a, b: float(a) < float(b),
        "PropertyIsLessThanOrEqualTo": lambda a, b: float(a) <= float(b),
        "PropertyIsGreaterThan": lambda a, b: float(a) > float(b),
        "PropertyIsGreaterThanOrEqualTo": lambda a, b: float(a) >= float(b),
    }
    taken = []
    for rule in Xml.fromstring(sld).iter(f"{SLD}Rule"):
        parts = [part for part in rule.find(f"{OGC}Filter").iter() if part.tag.removeprefix(OGC) in tests]
        held = [
            tests[part.tag.removeprefix(OGC)](row[part.findtext(f"{OGC}PropertyName")], part.findtext(f"{OGC}Literal"))
            for part in parts
        ]
        if all(held):
            taken.append(str(rule.findtext(f"{SLD}Name")))
    return taken


def test_every_verdict_has_one_rule_in_its_colour() -> None:
    rules = {rule.findtext(f"{SLD}Name"): rule for rule in Xml.fromstring(VERDICT_STYLE.sld).iter(f"{SLD}Rule")}
    for name, symbol in VERDICT_SYMBOLS.items():
        assert rule_for(VERDICT_STYLE.sld, {"gf_verdict": name}) == [name]
        first = rules[name].find(f"{SLD}PolygonSymbolizer/{SLD}Fill/{SLD}CssParameter")
        assert first is not None and (first.get("name"), first.text) == ("fill", symbol.fill)
        assert bool(list(rules[name].iter(f"{SLD}GraphicFill"))) == bool(symbol.hatch)
    used = [list(rule.iter(f"{SLD}WellKnownName")) for rule in rules.values()]
    patterns = [marks[0].text for marks in used if marks]
    assert len({*patterns}) == len(patterns), "two verdicts have one pattern"


@pytest.mark.parametrize("style", [VERDICT_STYLE, RATIO_STYLE, FINDING_STYLE], ids=lambda one: one.name)
def test_a_style_keeps_to_the_standard(style: Any) -> None:
    sheet = Xml.fromstring(style.sld)
    assert sheet.tag == f"{SLD}StyledLayerDescriptor" and sheet.get("version") == "1.0.0"
    assert {str(mark.text) for mark in sheet.iter(f"{SLD}WellKnownName")} <= MARKS
    assert all(mark.text for mark in sheet.iter(f"{SLD}CssParameter"))


@pytest.mark.parametrize("ratio", [0.0, 0.5, 0.8, 0.85, 0.9, 1.0, 1.1, 1.15, 1.2, 1.3, 40.0])
def test_every_ratio_has_one_rule(ratio: float) -> None:
    within = [one.name for one in RATIO_CLASSES if one.low <= ratio <= one.high]
    # At a bound the middle class counts, else the lower one, as the pictures have it.
    middle = "within 10 %"
    expected = middle if middle in within else within[0]
    assert rule_for(RATIO_STYLE.sld, {"ratio": ratio}) == [expected]


def test_gdal_finds_the_default_style_of_the_zones(vetted: Path) -> None:
    styles = table(vetted, "SELECT * FROM layer_styles")
    assert styles["f_table_name"].tolist() == ["zones"] and bool(styles["useAsDefault"].iloc[0])
    (geometry,) = table(vetted, "SELECT column_name FROM gpkg_geometry_columns")["column_name"]
    assert styles["f_geometry_column"].tolist() == [geometry]
    assert styles["styleSLD"].tolist() == [VERDICT_STYLE.sld]
    verdicts = pyogrio.read_dataframe(vetted, layer="zones")["gf_verdict"]
    assert all(rule_for(VERDICT_STYLE.sld, {"gf_verdict": word}) == [word] for word in verdicts)


def test_our_columns_have_titles_with_their_units(vetted: Path) -> None:
    known = table(vetted, "SELECT * FROM gpkg_data_columns").set_index("column_name")
    there = {str(name) for name in pyogrio.read_info(vetted, layer="zones")["fields"]}
    ours = {one.name: one for one in COLUMNS}
    assert {*known.index} == there & {*ours} == {*ours}
    for name, one in ours.items():
        assert known.loc[name, "title"] == one.title and known.loc[name, "description"] == one.meaning
    # GeoPackage 1.2.1, Requirement 140 and table 9: both tables stand among the extensions.
    extensions = table(vetted, "SELECT * FROM gpkg_extensions WHERE extension_name = 'gpkg_schema'")
    assert {*extensions["table_name"]} == {"gpkg_data_columns", "gpkg_data_column_constraints"}
    with sqlite3.connect(vetted) as base:
        assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert base.execute("PRAGMA foreign_key_check").fetchall() == []


@pytest.mark.parametrize("one", [*COLUMNS, *PLAN_COLUMNS, *GROUND_COLUMNS], ids=lambda one: one.name)
def test_a_title_says_the_unit_of_its_column(one: Any) -> None:
    units = {"_lb_n_ac": "lb N/ac", "_lb_n": "lb N", "_ac": ", ac", "_mph": "mph", "_psi": "psi", "_s": ", s"}
    unit = next((unit for ending, unit in units.items() if one.name.endswith(ending)), "")
    assert one.title.endswith(unit) and one.title[0].isupper()


def test_a_vetted_package_is_read_again_as_the_map_it_is(vetted: Path) -> None:
    read = geoflow.read_prescription(vetted, rate="target", unit="lb N/ac")
    assert read.outcome.layer == "zones" and len(read.outcome.row) == 30


@pytest.mark.slow
def test_what_was_reconciled_opens_as_a_map(compared: Path) -> None:
    package = compared / "reconcile.gpkg"
    styles = table(package, "SELECT * FROM layer_styles").set_index("f_table_name")
    layers = {name for name, kind in pyogrio.list_layers(package) if kind is not None}
    assert layers == {*styles.index} and {"strips", "zones"} <= layers
    assert styles.loc["strips", "styleSLD"] == RATIO_STYLE.sld
    known = table(package, "SELECT * FROM gpkg_data_columns").groupby("table_name")["column_name"].agg(set)
    assert {"applied_lb_n_ac", "cause"} <= known["strips"] and {"covered_ac", "ratio"} <= known["zones"]
    ratio = pyogrio.read_dataframe(package, layer="strips")["ratio"].dropna()
    assert all(len(rule_for(RATIO_STYLE.sld, {"ratio": one})) == 1 for one in ratio.sample(50, random_state=1))


@pytest.mark.slow
def test_rasters_say_unit_colours_and_no_data(compared: Path) -> None:
    for name, unit in (("applied", "lb N/ac"), ("ratio", "1"), ("passes", "1")):
        with rasterio.open(compared / f"{name}.tif") as raster:
            assert raster.units == (unit,) and raster.descriptions[0].endswith(f"[{unit}]")
            assert np.isnan(raster.nodata) == (name != "passes")
            masked = raster.read(1, masked=True)
            assert masked.count() and masked.mask.any()
            if name != "passes":
                continue
            assert raster.colorinterp[0] is rasterio.enums.ColorInterp.palette and raster.nodata == 255
            colours = raster.colormap(1)
            shown = ["#{:02X}{:02X}{:02X}".format(*colours[count][:3]) for count in range(5)]
            assert shown == [*PASSES, PASSES[-1]]
            assert masked.compressed().max() <= 3 and (masked == 1).sum() > 0.9 * masked.count()


@pytest.mark.parametrize("count", [1, 3, 40])
def test_rates_have_one_rule_each_and_rise_with_the_scale(count: int) -> None:
    rates = np.array([0.0, *np.linspace(80.0, 200.0, count)])
    sld = rate_style("rate_lb_n_ac", rates, "lb N/ac").sld
    taken = [rule_for(sld, {"rate_lb_n_ac": rate}) for rate in rates.tolist()]
    assert all(len(names) == 1 for names in taken) and taken[0] == ["nothing"]
    titles = [str(rule.findtext(f"{SLD}Title")) for rule in Xml.fromstring(sld).iter(f"{SLD}Rule")]
    order = [titles.index(names[0]) for names in taken[1:]]
    assert order == sorted(order) and len(set(order)) == min(count, len(STEPS))
    assert rule_for(rate_style("r", np.zeros(2), "kg N/ha").sld, {"r": 0.0}) == ["nothing"]


def test_a_package_written_anew_carries_the_style_of_its_rates(tmp_path: Path) -> None:
    """Converted and rewritten ones; a package patched cell by cell keeps what it had."""
    asked = {"rate": "target", "unit": "lb N/ac"}
    new, changed = tmp_path / "new.gpkg", tmp_path / "changed.gpkg"
    geoflow.convert(FIELDS / "kettle_rise.geojson", out=new, **asked)
    plan = {"temperature": "45..52 degF", "speed": "5 mph", "policy": "hold-speed"}
    geoflow.rewrite(FIELDS / "kettle_rise.geojson", FIELDS / "wren.toml", **asked, **plan).write(
        tmp_path, name="changed.gpkg"
    )
    for path in (new, changed):
        (sld,) = table(path, "SELECT styleSLD FROM layer_styles")["styleSLD"]
        rows = pyogrio.read_dataframe(path, layer="zones")
        (column,) = {str(one.text) for one in Xml.fromstring(sld).iter(f"{OGC}PropertyName")}
        assert all(len(rule_for(sld, {column: rate})) == 1 for rate in rows[column])
