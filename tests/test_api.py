"""The face for Python: complete, the same as the command line, and friendly to the caller's tables."""

from __future__ import annotations

import dataclasses
import inspect
import json
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas
import pint
import pytest
from python_pages import PAGES, ROOT, run_page

import geoflow
from geoflow import cli
from geoflow.api.keywords import keywords_of
from geoflow.api.results import Result
from geoflow.base.errors import BarError, LogError, PrescriptionError, QuantityError, UsageError
from geoflow.options.table import COMMANDS
from geoflow.season.catalog import Entry

FIELDS = ROOT / "sample_fields"
KETTLE, WREN = str(FIELDS / "kettle_rise.geojson"), str(FIELDS / "wren.toml")
LANTERN, HERON, LOG = (str(FIELDS / name) for name in ("lantern_flat.shp", "heron.toml", "lantern_flat_log.csv"))
DAY = {"temperature": "45..52 degF", "speed": "5 mph"}
READ = {"rate": "target", "unit": "lb N/ac"}
DAY_TYPED = ["--temperature", "45..52 degF", "--speed", "5 mph"]
READ_TYPED = ["--rate-column", "target", "--rate-unit", "lb N/ac"]
# Commands whose result comes another way, and which.
ELSEWHERE = {
    "bar": "read_bar", "season": "run", "report vet": "vet", "report rewrite": "rewrite", "report plan": "plan",
    "report reconcile": "reconcile", "page": None,
}  # fmt: skip


@pytest.fixture(scope="module")
def zones() -> Any:
    table = geopandas.read_file(KETTLE).to_crs(26915)
    table.index = [f"row {number * 7 % 30}" for number in range(len(table))]
    return table


@pytest.fixture(scope="module")
def vetted(zones: Any) -> Any:
    return geoflow.vet(zones, WREN, **READ, **DAY)


@pytest.fixture(scope="module")
def compared() -> Any:
    return geoflow.reconcile(pandas.read_csv(LOG), target=LANTERN, bar=HERON, tickets="14044 lb NH3")


def test_the_package_is_light_until_it_is_used() -> None:
    heavy = "{'numpy', 'pandas', 'matplotlib', 'pint', 'shapely', 'geoflow.workflow'}"
    code = f"import sys, geoflow; dir(geoflow); print(sorted({heavy} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("command", COMMANDS)
def test_each_command_that_gives_a_result_has_its_function(command: str) -> None:
    name = ELSEWHERE.get(command, command)
    assert name is None or name in geoflow.__all__
    if command not in ELSEWHERE:
        function = getattr(geoflow, command)
        assert {*keywords_of(command)} <= {*inspect.signature(function).parameters}, "its keywords are not told"
        for word, option in keywords_of(command).items():
            assert option.help in function.__doc__ or word in ("zones", "bar", "points", "logs"), word


def test_an_unknown_name_is_none_of_the_package() -> None:
    with pytest.raises(AttributeError, match="no attribute 'wet'"):
        _ = geoflow.wet


def both(capsys: pytest.CaptureFixture[str], command: str, *typed: str) -> tuple[str, dict[str, Any], int]:
    """What the command line says, its JSON, and its exit code."""
    code = cli.main([command, *typed])
    said = capsys.readouterr().out
    assert cli.main([command, *typed, "--json", "-"]) == code
    return said.strip(), json.loads(capsys.readouterr().out), code


SAME: dict[str, tuple[Any, list[str]]] = {
    "window": (lambda: geoflow.window(WREN, **DAY), ["--bar", WREN, *DAY_TYPED]),
    "vet": (lambda: geoflow.vet(KETTLE, WREN, **READ, **DAY), [KETTLE, "--bar", WREN, *DAY_TYPED, *READ_TYPED]),
    "plan": (lambda: geoflow.plan(KETTLE, WREN, **READ, **DAY), [KETTLE, "--bar", WREN, *DAY_TYPED, *READ_TYPED]),
    "size": (
        lambda: geoflow.size(rates="85, 100 lb N/ac", rows=16, row_spacing="30 in", drills=True, **DAY),
        ["--rates", "85, 100 lb N/ac", "--rows", "16", "--row-spacing", "30 in", "--drills", *DAY_TYPED],
    ),
    "reconcile": (
        lambda: geoflow.reconcile(Path(LOG), target=Path(LANTERN), bar=HERON, units="metric"),
        [LOG, "--target", LANTERN, "--bar", HERON, "--units", "metric"],
    ),
}


@pytest.mark.slow
@pytest.mark.parametrize("command", SAME)
def test_a_function_says_what_the_command_says(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    call, typed = SAME[command]
    said, document, code = both(capsys, command, *typed)
    result = call()
    assert result.summary() == said
    assert json.loads(json.dumps(result.to_dict(), allow_nan=False)) == document
    assert int(result.has_findings) == code


@pytest.mark.slow
def test_what_a_command_writes_a_result_writes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    typed = [*DAY_TYPED, *READ_TYPED]
    card = ["--out", str(tmp_path / "a.html"), "--date", "2026-04-30", "--json", "-"]
    assert cli.main(["card", KETTLE, "--bar", WREN, *typed, *card]) == 1
    made = geoflow.card(KETTLE, WREN, date="2026-04-30", **READ, **DAY)
    assert made.to_dict() == json.loads(capsys.readouterr().out)
    written = made.write(tmp_path / "card")
    assert written[0].read_bytes() == (tmp_path / "a.html").read_bytes() and written[1].stat().st_size > 1000

    to = str(tmp_path / "a.geojson")
    assert (
        cli.main(["rewrite", KETTLE, "--bar", WREN, *typed, "--policy", "hold-speed", "--out", to, "--json", "-"]) == 1
    )
    made = geoflow.rewrite(KETTLE, WREN, policy="hold-speed", **READ, **DAY)
    assert made.to_dict() == json.loads(capsys.readouterr().out)
    target, side = made.write(tmp_path / "rewritten")
    assert target.read_bytes() == Path(to).read_bytes() and target.name == "kettle_rise.geojson"
    assert side.read_bytes() == (tmp_path / "a_changes.csv").read_bytes()
    new = geopandas.read_file(target)
    assert new["target"].tolist() == made.rewritten["target"].tolist()

    folder = str(tmp_path / "b")
    cli.main(["vet", KETTLE, "--bar", WREN, *typed, "--out", folder])
    result = geoflow.vet(KETTLE, WREN, **READ, **DAY)
    names = {path.name for path in result.write(tmp_path / "vetted")}
    assert names == {path.name for path in Path(folder).iterdir()}
    with pytest.raises(geoflow.GeoflowError, match="already exists"):
        result.write(tmp_path / "vetted")
    result.write(tmp_path / "vetted", replace=True)
    assert {path.name for path in geoflow.plan(KETTLE, WREN, **READ, **DAY).write(tmp_path / "plan")} >= {"plan.json"}
    assert {path.suffix for path in geoflow.window(WREN, **DAY).write(tmp_path / "window")} == {
        ".json",
        ".png",
        ".html",
    }


@pytest.mark.slow
def test_a_field_is_rehearsed_as_on_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = str(tmp_path / "typed")
    typed = [KETTLE, "--bar", WREN, *DAY_TYPED, *READ_TYPED, "--draws", "2", "--out", out, "--json", "-"]
    assert cli.main(["rehearse", *typed]) in (0, 1)
    driven = geoflow.rehearse(KETTLE, WREN, draws=2, **READ, **DAY)
    assert driven.to_dict() == json.loads(capsys.readouterr().out)
    assert {path.name for path in driven.write(tmp_path / "written")} == {path.name for path in Path(out).iterdir()}
    asked = driven.zones["verdict"] != "off"
    assert driven.zones["expect_mean_lb_n_ac"][asked].notna().mean() > 0.9


@pytest.mark.slow
def test_a_bar_learns_as_on_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = str(tmp_path / "a.toml")
    cli.main(["learn", LOG, "--bar", HERON, "--out", out, "--json", "-"])
    document = json.loads(capsys.readouterr().out)
    learned = geoflow.learn(LOG, HERON)
    assert learned.to_dict() == document
    assert learned.write(tmp_path / "learned")[0].read_text() == Path(out).read_text()
    assert "Written to" not in learned.summary()
    in_memory = geoflow.learn([pandas.read_csv(LOG)], geoflow.read_bar(HERON))
    assert in_memory.to_dict()["orifices"] == document["orifices"]
    assert geoflow.window(in_memory.outcome.bar, **DAY).zones is None
    with pytest.raises(UsageError, match="the bar was given without one"):
        in_memory.write(tmp_path / "nowhere")
    log = pandas.read_csv(LOG)
    with pytest.raises(LogError, match="the same log is given twice"):
        geoflow.learn([log, log.copy()], HERON)


def test_the_callers_zones_come_back(zones: Any, vetted: Any) -> None:
    before = zones.copy()
    found = vetted.zones
    assert found.index.equals(zones.index) and found.crs == zones.crs
    assert list(found.columns[: zones.shape[1]]) == list(zones.columns)
    assert found[list(zones.columns)].equals(zones) and zones.equals(before)
    document = vetted.to_dict()["zones"]
    assert found["verdict"].tolist() == [zone["verdict"] for zone in document]
    assert found["rate_lb_n_ac"].tolist() == [zone["rate_lb_n_ac"] for zone in document]
    # The same field as its file says, whatever the coordinate system and index.
    assert found["verdict"].tolist() == geoflow.vet(KETTLE, WREN, **READ, **DAY).zones["verdict"].tolist()


def test_rows_that_are_left_out_come_back_empty(zones: Any) -> None:
    some = zones.iloc[[0, 1, 2, 1]].copy()
    some.iloc[1, some.columns.get_loc("target")] = np.nan
    assert not some.index.is_unique
    found = geoflow.vet(some, WREN, **READ, **DAY).zones
    assert found.index.equals(some.index)
    assert found["verdict"].isna().tolist() == [False, True, False, False] and np.isnan(found["area_ac"].iloc[1])
    plain = geoflow.read_prescription(some, **READ)
    assert plain.zones["rate_lb_n_ac"].isna().tolist() == [False, True, False, False]
    assert plain.has_findings and "no rate" in plain.summary() and plain.to_dict()["rows_read"] == 4


def test_a_column_of_the_callers_is_never_written_over(vetted: Any) -> None:
    once = vetted.zones
    warm = geoflow.vet(once, WREN, **READ, temperature="60 degF", speed="5 mph")
    with pytest.warns(UserWarning, match="'verdict' of its own, which stays"):
        twice = warm.zones
    assert twice["verdict"].tolist() == once["verdict"].tolist()
    assert twice["gf_verdict"].tolist() == [zone["verdict"] for zone in warm.to_dict()["zones"]]


def test_quantities_may_be_pints(zones: Any, vetted: Any) -> None:
    unit = pint.UnitRegistry()
    degrees = unit.Quantity(np.array([45.0, 52.0]), "degF")
    for warmth in (degrees, [degrees[0], degrees[1]], ("45 degF", "52 degF")):
        again = geoflow.vet(zones, WREN, **READ, temperature=warmth, speed=unit.Quantity(2.2352, "m/s"))
        assert again.outcome.solution.plan.temperature == pytest.approx(vetted.outcome.solution.plan.temperature)
        assert again.zones["verdict"].tolist() == vetted.zones["verdict"].tolist()
    assert "tank gauge 78 psi" in geoflow.window(WREN, temperature=unit.Quantity(78.0, "psi")).summary()


@pytest.mark.parametrize("name", ["vetted", "compared"])
def test_a_result_shows_itself(name: str, request: pytest.FixtureRequest) -> None:
    result = request.getfixturevalue(name)
    page = result._repr_html_()
    assert "<html" not in page and page.count("data:image/png;base64,") == 1 and "<table" in page
    assert result.report.caution in page and repr(result).startswith(f"<{type(result).__name__}: ")
    figure = result.plot()
    assert type(figure).__module__ == "matplotlib.figure" and figure.axes
    assert dataclasses.is_dataclass(result)
    with pytest.raises(dataclasses.FrozenInstanceError):
        result.outcome = None


def test_a_notebook_shows_a_few_rows_only(zones: Any) -> None:
    moved = [zones.set_geometry(zones.geometry.translate(xoff=2000.0 * step)) for step in range(4)]
    many = pandas.concat(moved, ignore_index=True)
    many["target"] += np.arange(len(many)) / 10.0
    page = geoflow.plan(many, WREN, **READ, temperature="45 degF")._repr_html_()
    assert page.count("<tr>") < 100


def test_nothing_is_written_unasked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, compared: Any) -> None:
    monkeypatch.chdir(tmp_path)
    geoflow.window(WREN, **DAY).plot()
    compared.summary()
    assert list(tmp_path.iterdir()) == []


def test_points_come_back_with_what_lay_there(compared: Any, tmp_path: Path) -> None:
    log = pandas.read_csv(LOG)
    points = compared.points
    assert list(points.columns[: log.shape[1]]) == list(log.columns) and points.index.equals(log.index)
    assert points["kept"].all()
    known = points["applied_lb_n_ac"].notna()
    np.testing.assert_allclose(points["applied_lb_n_ac"][known], points["applied (lb N/ac)"][known], atol=0.051)
    places = geopandas.GeoDataFrame(
        log.drop(columns=["longitude", "latitude"]),
        geometry=geopandas.points_from_xy(log["longitude"], log["latitude"]),
        crs=4326,
    ).set_index("time")
    again = geoflow.reconcile(places, target=geopandas.read_file(LANTERN), bar=HERON, tickets=["14044 lb NH3"])
    assert again.points.index.equals(places.index) and again.points.crs == places.crs
    for part in ("totals", "agreement", "coverage", "ticket"):
        assert again.to_dict()[part] == compared.to_dict()[part], part
    assert again.zones["covered_ac"].tolist() == compared.zones["covered_ac"].tolist()
    of_file = geoflow.reconcile(LOG, bar=HERON)
    assert of_file.zones is None and len(of_file.points) == len(log) and of_file.points.crs == 4326


def test_what_was_read_is_handed_on(compared: Any, zones: Any, vetted: Any) -> None:
    log = geoflow.read_log(LOG, HERON, columns={"heading": "heading (deg)"})
    assert "applied (lb N/ac)" in log.summary() and log.to_dict()["points"]["kept"] == log.outcome.kept
    assert len(log.points) == len(pandas.read_csv(LOG)) and not log.has_findings
    again = geoflow.reconcile(log, target=geoflow.read_prescription(LANTERN), bar=HERON, tickets=["14044 lb NH3"])
    assert again.to_dict()["agreement"] == compared.to_dict()["agreement"]
    read = geoflow.read_prescription(zones, **READ)
    assert geoflow.vet(read, geoflow.read_bar(WREN), **DAY).zones["verdict"].equals(vetted.zones["verdict"])
    for late in ({"rate": "target"}, {"rate_unit": "lb N/ac"}):
        with pytest.raises(UsageError, match="is read already") as refused:
            geoflow.vet(read, WREN, **late, **DAY)
        assert "read_prescription(" in refused.value.cure
    with pytest.raises(UsageError, match="'target' is read already"):
        geoflow.reconcile(log, target=read, target_rate_unit="kg N/ha")
    with pytest.raises(UsageError, match="not written again"):
        read.write("nowhere")


def test_another_format_from_memory(zones: Any, tmp_path: Path) -> None:
    done = geoflow.convert(zones, tmp_path / "kettle.shp", to_unit="kg N/ha", **READ)
    assert len(done.to_dict()["zones"]) == len(zones) and done.zones.crs == zones.crs and "kg N/ha" in done.summary()
    with pytest.raises(geoflow.GeoflowError, match="already exists"):
        geoflow.convert(zones, tmp_path / "kettle.shp", to_unit="kg N/ha", **READ)
    geoflow.convert(zones, tmp_path / "kettle.gpkg", replace=True, **READ)
    with pytest.raises(UsageError, match="written already"):
        done.write(tmp_path)


REFUSED: dict[str, tuple[type[geoflow.GeoflowError], str, dict[str, Any]]] = {
    "unknown keyword": (UsageError, "no keyword 'rat'; did you mean 'rate'", {"rat": "target"}),
    "not of this command": (UsageError, "no keyword 'policy'", {"policy": "hold-speed"}),
    "missing": (UsageError, "'temperature' is missing", {"temperature": None}),
    "bare number": (QuantityError, "'5' is no speed", {"speed": 5}),
    "other unit": (QuantityError, "is not a unit of speed|is no speed", {"speed": "5 psi"}),
    "not a flag": (UsageError, "'yes' is neither yes nor no", {"swap_axes": "yes"}),
    "not a choice": (UsageError, "'units' is 'imperial'", {"units": "imperial"}),
    "no bar": (BarError, "row_spacing is missing", {"bar": {"name": "none"}}),
    "no layers": (PrescriptionError, "a table has no layers", {"layer": "zones"}),
    "no raster": (PrescriptionError, "says how a raster becomes zones", {"raster_zones": "cell"}),
    "no shapes": (PrescriptionError, "it holds no shapes", {"zones": pandas.DataFrame({"target": [1.0]})}),
    "no table": (PrescriptionError, "it holds no shapes", {"zones": 5}),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_meant_is_refused(name: str, zones: Any) -> None:
    kind, words, given = REFUSED[name]
    asked = {"zones": zones, "bar": WREN, **DAY, "unit": "lb N/ac", **given}
    with pytest.raises(kind, match=words) as refused:
        geoflow.vet(**asked)
    assert refused.value.where and refused.value.cure


def test_a_log_that_is_none_is_refused() -> None:
    for odd in (5, pandas.DataFrame({"applied": []})):
        with pytest.raises(LogError, match="it holds no records"):
            geoflow.reconcile(odd, bar=HERON)
    with pytest.raises(LogError, match="a table has no layers"):
        geoflow.reconcile(pandas.read_csv(LOG), bar=HERON, layer="points")


def of_kettle(job: str = "vet") -> Entry:
    values = {"prescription": KETTLE, "bar": WREN, **DAY, "rate_column": "target", "rate_unit": "lb N/ac"}
    return Entry("kettle", job, values)


def zones_of(entry: Entry) -> list[Any]:
    return list(geoflow.run(entry).to_dict()["zones"])


def test_entries_of_a_season_go_through_any_pool(vetted: Any) -> None:
    entries = [of_kettle(), Entry("again", "vet", of_kettle().values)]
    with ThreadPoolExecutor(1) as pool:
        found = list(pool.map(zones_of, entries))
    assert found == [geoflow.vet(KETTLE, WREN, **READ, **DAY).to_dict()["zones"]] * 2
    with pytest.raises(UsageError, match="there is no job 'guess'"):
        geoflow.run(of_kettle("guess"))


@pytest.mark.slow
def test_entries_of_a_season_go_through_a_dask_client(tmp_path: Path) -> None:
    pytest.importorskip("distributed")
    head = "field,job,prescription,bar,temperature,speed,rate_column,rate_unit"
    rest = f"{KETTLE},{WREN},45..52 degF,5 mph,target,lb N/ac"
    rows = [head, f"kettle,vet,{rest}", f"again,rewrite,{rest},hold-speed"]
    rows[0] += ",policy"
    rows[1] += ","
    (tmp_path / "catalog.csv").write_text("\n".join(rows), encoding="utf-8")
    found = run_page("season", tmp_path)["totals"]
    policy = {"policy": "hold-speed"}
    assert found == {
        "kettle": geoflow.run(of_kettle()).to_dict()["totals"],
        "again": geoflow.rewrite(KETTLE, WREN, **policy, **READ, **DAY).to_dict()["totals"],
    }


@pytest.mark.slow
@pytest.mark.parametrize("page", PAGES)
def test_a_page_of_python_runs_as_it_stands(page: str, tmp_path: Path) -> None:
    names = run_page(page, tmp_path)
    assert any(isinstance(value, Result) for value in names.values())
    shown = {path.name for path in (tmp_path / "pictures").glob("*")} if page == "notebook" else set()
    text = (ROOT / "docs" / f"{page}.md").read_text(encoding="utf-8")
    for name in shown:
        assert f"](pictures/{name})" in text and (ROOT / "docs" / "pictures" / name).is_file()


def test_every_function_has_its_example() -> None:
    page = (ROOT / "docs" / "api.md").read_text(encoding="utf-8")
    for name in geoflow.__all__:
        assert name == "__version__" or f"geoflow.{name}" in page, name
