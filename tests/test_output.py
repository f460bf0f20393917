"""Outputs appear whole or not at all, inputs survive, and written zones read back as they were."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
import shapely

from geoflow.base.errors import OutputError
from geoflow.base.schema import COLUMNS
from geoflow.files.output import OutputFolder, replace_file
from geoflow.layers.write_vector import write_zones

ENDING = {"GPKG": "gpkg", "ESRI Shapefile": "shp", "GeoJSON": "geojson"}


def tree(folder: Path) -> dict[str, str]:
    return {str(p.relative_to(folder)): p.read_text() for p in sorted(folder.rglob("*")) if p.is_file()}


def open_folder(folder: Path, *, replace: bool = False, protect: tuple[Path, ...] = ()) -> OutputFolder:
    return OutputFolder(folder, replace=replace, protect=protect)


# --- whole or not at all ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("exists", [True, False])
def test_files_appear_only_at_the_end(tmp_path, exists):
    folder = tmp_path / "deep" / "out"
    if exists:
        folder.mkdir(parents=True)
    with open_folder(folder) as out:
        for name in ("a.txt", "b.txt"):
            out.stage(name).write_text(name)
        assert not (folder / "a.txt").exists()
    assert tree(tmp_path) == {"deep/out/a.txt": "a.txt", "deep/out/b.txt": "b.txt"}
    assert [p.name for p in tmp_path.rglob(".*")] == []


@pytest.mark.parametrize("exists", [True, False])
@pytest.mark.parametrize("trouble", [ValueError, KeyboardInterrupt])
def test_an_error_leaves_everything_as_it_was(tmp_path, exists, trouble):
    folder = tmp_path / "deep" / "out"
    if exists:
        folder.mkdir(parents=True)
        (folder / "a.txt").write_text("old")
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(trouble), open_folder(folder, replace=True) as out:
        out.stage("a.txt").write_text("new")
        raise trouble
    assert sorted(tmp_path.rglob("*")) == before
    assert not exists or (folder / "a.txt").read_text() == "old"


def test_a_folder_made_for_nothing_is_removed(tmp_path):
    with open_folder(tmp_path / "deep" / "out"):
        pass
    assert list(tmp_path.iterdir()) == []


def test_a_new_folder_gets_the_rights_any_new_folder_gets(tmp_path):
    with open_folder(tmp_path / "out") as out:
        out.stage("a.txt").write_text("a")
    (tmp_path / "plain").mkdir()
    assert (tmp_path / "out").stat().st_mode == (tmp_path / "plain").stat().st_mode


@pytest.mark.parametrize("at", range(1, 8))
def test_a_failure_while_moving_is_said_as_it_is(tmp_path, monkeypatch, at):
    """Until all is said to be ready nothing has changed; after that the next run ends it."""
    for name in "acz":  # z is somebody's own
        (tmp_path / f"{name}.txt").write_text(f"old {name}")
    seen = []

    def failing(change):
        def fail(self, *given, **more):
            if self not in given:  # as when it is asked whether a file may be moved at all
                seen.append(self.name)
            if len(seen) == at and self not in given:
                raise OSError(errno.EACCES, "no")
            return change(self, *given, **more)

        return fail

    with (
        monkeypatch.context() as disk,
        pytest.raises(OutputError) as caught,
        open_folder(tmp_path, replace=True) as out,
    ):
        for name in ("rename", "replace", "unlink"):
            disk.setattr(Path, name, failing(getattr(Path, name)))
        for name in ("a.txt", "b.txt", "c.txt"):
            out.stage(name).write_text("new")
    if at == 1:
        assert "you may not write there; what was there before is unchanged" in caught.value.what
        assert tree(tmp_path) == {"a.txt": "old a", "c.txt": "old c", "z.txt": "old z"}
        return
    assert "the new files are not all in their place (no); they are safe in" in caught.value.what
    with open_folder(tmp_path):
        pass
    assert tree(tmp_path) == {"a.txt": "new", "b.txt": "new", "c.txt": "new", "z.txt": "old z"}


def test_a_file_that_another_program_holds_is_asked_for_before_the_work(tmp_path, monkeypatch):
    """Windows moves no file that is open elsewhere, not even onto itself."""

    def held(self, target):
        raise PermissionError(errno.EACCES, "The process cannot access the file", str(self))

    (tmp_path / "a.txt").write_text("old")
    monkeypatch.setattr(Path, "rename", held)
    with pytest.raises(OutputError, match="you may not write there"), open_folder(tmp_path, replace=True) as out:
        out.claim(["a.txt"])


@pytest.mark.parametrize("exists", [True, False])
def test_a_full_disk_is_said_in_plain_words(tmp_path, monkeypatch, exists):
    folder = tmp_path if exists else tmp_path / "out"

    def full(handle):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError) as caught, open_folder(folder) as out:
        out.stage("a.txt").write_text("a")
    assert "disk is full" in caught.value.what and "make room" in caught.value.cure
    assert list(tmp_path.rglob("*")) == []


def test_a_full_disk_while_writing_is_ours_but_a_missing_input_is_not(tmp_path):
    with pytest.raises(OutputError, match="disk is full"), open_folder(tmp_path / "out") as out:
        out.stage("a.txt").write_text("a")
        raise OSError(errno.ENOSPC, "No space left on device")
    with pytest.raises(FileNotFoundError), open_folder(tmp_path / "out"):
        (tmp_path / "input.txt").read_text()
    assert list(tmp_path.iterdir()) == []


# --- refusals --------------------------------------------------------------------------------------------------------


def test_what_exists_is_kept_unless_told_otherwise(tmp_path):
    (tmp_path / "a.txt").write_text("old")
    with pytest.raises(OutputError) as caught, open_folder(tmp_path) as out:
        out.claim(["new.txt", "a.txt"])
    assert "already exists" in caught.value.what and "--replace" in caught.value.cure
    with open_folder(tmp_path, replace=True) as out:
        out.stage("a.txt").write_text("new")
    assert tree(tmp_path) == {"a.txt": "new"}


def test_a_file_that_appeared_meanwhile_is_kept(tmp_path):
    with pytest.raises(OutputError, match="already exists"), open_folder(tmp_path) as out:
        out.stage("a.txt").write_text("new")
        (tmp_path / "a.txt").write_text("someone else's")
    assert tree(tmp_path) == {"a.txt": "someone else's"}


def test_a_folder_that_appeared_meanwhile_is_kept(tmp_path):
    with pytest.raises(OutputError, match="appeared meanwhile"), open_folder(tmp_path / "out") as out:
        out.stage("a.txt").write_text("new")
        (tmp_path / "out").mkdir()
        (tmp_path / "out/other.txt").write_text("someone else's")
    assert tree(tmp_path) == {"out/other.txt": "someone else's"}


def inputs(tmp_path: Path) -> Path:
    field = tmp_path / "field.shp"
    for ending in ("shp", "dbf", "shx"):
        field.with_suffix(f".{ending}").write_text("input")
    (tmp_path / "link.gpkg").symlink_to(field)
    (tmp_path / "hard.gpkg").hardlink_to(field)
    return field


@pytest.mark.parametrize("name", ["field.shp", "FIELD.SHP", "field.dbf", "link.gpkg", "hard.gpkg"])
def test_inputs_are_never_written_over(tmp_path, name):
    field = inputs(tmp_path)
    before = tree(tmp_path)
    with pytest.raises(OutputError, match="input"), open_folder(tmp_path, replace=True, protect=(field,)) as out:
        out.stage(name)
    with pytest.raises(OutputError, match="input"):
        replace_file(tmp_path / name, lambda path: None, replace=True, protect=(field,))
    assert tree(tmp_path) == before


def test_a_link_to_the_input_folder_does_not_help(tmp_path):
    (tmp_path / "in").mkdir()
    field = inputs(tmp_path / "in")
    (tmp_path / "out").symlink_to(tmp_path / "in")
    with pytest.raises(OutputError, match="input"):
        replace_file(tmp_path / "out/field.shp", lambda path: None, replace=True, protect=(field,))
    with pytest.raises(OutputError, match="input"):
        replace_file(tmp_path / "out/new.txt", lambda path: None, replace=True, protect=(tmp_path / "in",))


def test_an_open_geopackage_is_left_alone(tmp_path):
    # SQLite, "How To Corrupt An SQLite Database File", section 1.4: a journal must not meet another database.
    (tmp_path / "zones.gpkg").write_text("old")
    (tmp_path / "zones.gpkg-wal").write_text("journal")
    with pytest.raises(OutputError, match="open in another program"), open_folder(tmp_path, replace=True) as out:
        out.stage("zones.gpkg")


def test_old_companions_of_a_replaced_shapefile_go(tmp_path):
    for name in ("zones.shp", "zones.dbf", "zones.qix", "zones.prj", "other.prj"):
        (tmp_path / name).write_text("old")
    with open_folder(tmp_path, replace=True) as out:
        path = out.stage("zones.shp")
        path.write_text("new")
        path.with_suffix(".dbf").write_text("new")
    assert tree(tmp_path) == {"other.prj": "old", "zones.dbf": "new", "zones.shp": "new"}


def test_claiming_a_shapefile_claims_its_companions(tmp_path):
    (tmp_path / "zones.dbf").write_text("a table of mine")
    with pytest.raises(OutputError, match="already exists"), open_folder(tmp_path) as out:
        out.claim(["zones.shp"])


@pytest.mark.parametrize("name", ["", ".", "..", "a/b.txt", "/etc/passwd", "a\0b"])
def test_only_plain_names(tmp_path, name):
    with pytest.raises(OutputError, match="not a file name"), open_folder(tmp_path) as out:
        out.stage(name)


def test_places_that_cannot_be_written(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("mine")
    for folder in (tmp_path / "file", tmp_path / "file" / "below"):
        with pytest.raises(OutputError, match="file, not a folder"), open_folder(folder):
            pass
    (tmp_path / "a").symlink_to(tmp_path / "b")
    (tmp_path / "b").symlink_to(tmp_path / "a")
    with pytest.raises(OutputError), open_folder(tmp_path / "a"):
        pass
    with pytest.raises(OutputError, match="too long"):
        replace_file(tmp_path / ("x" * 300), lambda path: None, replace=True, protect=())
    with pytest.raises(OutputError, match="is a folder"):
        replace_file(tmp_path, lambda path: None, replace=True, protect=())
    with pytest.raises(OutputError, match="device"):
        replace_file(Path("/dev/null"), lambda path: None, replace=True, protect=())

    def forbidden(*args, **kwargs):
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "mkdir", forbidden)
    with pytest.raises(OutputError, match="may not write"), open_folder(tmp_path / "new"):
        pass


# --- zones -----------------------------------------------------------------------------------------------------------


def field_table(crs: str | None = "EPSG:32615") -> gpd.GeoDataFrame:
    square = shapely.box(500_000, 4_650_000, 500_100, 4_650_100)
    ring = square.difference(shapely.box(500_020, 4_650_020, 500_040, 4_650_040))
    two = shapely.MultiPolygon([square, shapely.box(500_200, 4_650_000, 500_300, 4_650_100)])
    return gpd.GeoDataFrame(
        {
            "rate": [120.5, np.nan, 180.0, 0.0],
            "soil": ["Löß", None, "clay", "x" * 253 + "é"],
            "fid": [7, 7, 8, 9],
            "gf_verdict": ["old", "old", "old", None],
            "nitrogen_rate_lb_ac": [1, 2, 3, 4],
            "nitrogen_rate_kg_ha": [5, 6, 7, 8],
            "big": [10**16 + 1, 2, 3, 4],
            "flag": [True, None, False, True],
            "nested": [[1, 2], None, {"a": 1}, []],
        },
        geometry=[ring, two, None, square],
        crs=crs,
    )


VERDICT = {
    "gf_verdict": np.array(["holds", "fails", "off", "doubtful"], dtype=object),
    "gf_side": np.array([None, "high", None, "low"], dtype=object),
    "gf_rate_lb_n_ac": np.array([120.5, 180.0, 0.0, np.nan]),
}


def write(path: Path, table: gpd.GeoDataFrame, driver: str, columns=VERDICT) -> tuple[gpd.GeoDataFrame, dict, list]:
    notes: list[str] = []
    renamed = write_zones(path, table, columns, driver=driver, note=notes.append)
    # A GeoPackage also holds the style of its layer, a table that GDAL lists beside it.
    return pyogrio.read_dataframe(path, layer="zones" if driver == "GPKG" else None), renamed, notes


def same(found: pd.Series, expected: list) -> bool:
    return [None if pd.isna(v) else v for v in found.tolist()] == expected


@pytest.mark.parametrize("driver", ENDING)
def test_everything_reads_back(tmp_path, driver, capfd):
    found, renamed, notes = write(tmp_path / f"zones.{ENDING[driver]}", field_table(), driver)
    assert capfd.readouterr() == ("", "")
    short = driver == "ESRI Shapefile"
    assert same(found["gf_verdict"], ["holds", "fails", "off", "doubtful"])
    assert same(found["gf_side"], [None, "high", None, "low"])
    assert same(found["gf_lbnac" if short else "gf_rate_lb_n_ac"], [120.5, 180.0, 0.0, None])
    for name, expected in {
        "rate": [120.5, None, 180.0, 0.0],
        "fid": [7, 7, 8, 9],
        "gf_verdict": ["old", "old", "old", None],
        "nitrogen_rate_lb_ac": [1, 2, 3, 4],
        "nitrogen_rate_kg_ha": [5, 6, 7, 8],
        "flag": [1, None, 0, 1],
    }.items():
        assert same(found[renamed.get(name, name)], expected), name
    # DBF keeps whole numbers beyond 2**53 only as text; nothing may be rounded.
    assert [int(v) for v in found["big"]] == [10**16 + 1, 2, 3, 4]
    expected = {"gf_verdict": "gf_verdic2" if short else "gf_verdict2"}
    if short:
        expected |= {"nitrogen_rate_lb_ac": "nitrogen_r", "nitrogen_rate_kg_ha": "nitrogen_2"}
    assert renamed == expected
    if driver != "GeoJSON":  # there GDAL reads JSON text back as JSON
        assert same(found["nested"], ["[1, 2]", None, '{"a": 1}', "[]"])
    long = "x" * 253 + ("" if short else "é")  # 255 bytes do not fit, and half a letter is none
    assert same(found["soil"], ["Löß", None, "clay", long])
    assert len(notes) == short


@pytest.mark.parametrize("driver", ENDING)
def test_shapes_stay(tmp_path, driver):
    found, *_ = write(tmp_path / f"zones.{ENDING[driver]}", field_table(), driver)
    assert found.geometry.isna().tolist() == [False, False, True, False]
    back = found.to_crs(32615).geometry
    for there, here in zip(back, field_table().geometry, strict=True):
        if here is not None:
            # RFC 7946 asks for few decimals: seven are 11 mm.
            off = shapely.hausdorff_distance(shapely.normalize(there), shapely.normalize(here))
            assert off < (0.02 if driver == "GeoJSON" else 1e-6)
            assert there.area == pytest.approx(here.area, rel=5e-4 if driver == "GeoJSON" else 1e-9)
    if driver != "GeoJSON":
        assert found.crs.to_epsg() == 32615


def test_geojson_follows_rfc_7946(tmp_path):
    write(tmp_path / "zones.geojson", field_table(), "GeoJSON")
    text = json.loads((tmp_path / "zones.geojson").read_text())
    assert "crs" not in text  # RFC 7946, section 4
    outer, inner = text["features"][0]["geometry"]["coordinates"]
    assert shapely.LinearRing(outer).is_ccw and not shapely.LinearRing(inner).is_ccw  # section 3.1.6
    # Longitude first (section 3.1.1); positions by pyproj.
    there = pyproj.Transformer.from_crs(32615, 4326, always_xy=True).transform(500_000, 4_650_000)
    assert min(np.hypot(*(np.array(outer) - there).T)) < 1e-7
    assert text["features"][2]["geometry"] is None


def test_geojson_needs_a_known_crs(tmp_path):
    with pytest.raises(OutputError, match="coordinate system"):
        write(tmp_path / "zones.geojson", field_table(crs=None), "GeoJSON")
    for driver in ("GPKG", "ESRI Shapefile"):
        found, *_ = write(tmp_path / f"zones.{ENDING[driver]}", field_table(crs=None), driver)
        assert len(found) == 4


def test_geopackage_layer_and_names(tmp_path):
    table = field_table()
    table["geom"] = table["ZONE"] = table["zone"] = [1, 2, 3, 4]
    found, renamed, _ = write(tmp_path / "zones.gpkg", table, "GPKG")
    assert pyogrio.list_layers(tmp_path / "zones.gpkg")[:, 0].tolist() == ["zones", "layer_styles"]
    assert renamed["zone"] == "zone2"  # SQLite takes ZONE and zone for one name
    for name in ("geom", "ZONE", "zone2"):
        assert same(found[name], [1, 2, 3, 4])


def test_all_columns_have_their_short_names(tmp_path):
    columns = {c.name: np.arange(4.0) for c in COLUMNS}
    table = field_table()[["rate", "geometry"]]
    found, renamed, _ = write(tmp_path / "zones.shp", table, "ESRI Shapefile", columns)
    assert list(found.columns) == ["rate", *(c.short for c in COLUMNS), "geometry"] and renamed == {}
    assert (tmp_path / "zones.cpg").read_text() == "UTF-8"


@pytest.mark.parametrize("driver", ENDING)
def test_layers_without_rows_or_shapes(tmp_path, driver):
    nothing = gpd.GeoDataFrame({"rate": [1.0] * 4}, geometry=[None] * 4, crs=4326)
    found, *_ = write(tmp_path / f"a.{ENDING[driver]}", nothing, driver)
    assert len(found) == 4 and same(found["gf_verdict"], ["holds", "fails", "off", "doubtful"])
    none = field_table().iloc[:0]
    found, *_ = write(tmp_path / f"b.{ENDING[driver]}", none, driver, {k: v[:0] for k, v in VERDICT.items()})
    assert len(found) == 0


CRAMPED = """
import resource, sys
from pathlib import Path
import geopandas as gpd, numpy as np, shapely
from geoflow.base.errors import OutputError
from geoflow.layers.write_vector import write_zones
from geoflow.files.output import OutputFolder
driver, folder, most = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3])
table = gpd.GeoDataFrame({"a": ["text"] * 3000}, geometry=shapely.box(np.arange(3000) / 1e4, 0, 1, 1), crs=4326)
resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))
try:
    with OutputFolder(folder, replace=False, protect=()) as out:
        write_zones(out.stage(sys.argv[4]), table, {"gf_verdict": np.array(["holds"] * 3000)}, driver=driver)
except OutputError as error:
    print("refused", error.what)
"""


@pytest.mark.slow
@pytest.mark.parametrize("driver", ENDING)
def test_a_disk_that_takes_no_more_is_noticed_at_any_size(tmp_path, driver):
    """The system stops the file at a size of our choice, down to the last bytes, where GDAL itself is silent."""
    name = f"zones.{ENDING[driver]}"

    def run(folder: Path, most: int) -> str:
        command = [sys.executable, "-c", CRAMPED, driver, str(folder), str(most), name]
        return subprocess.run(command, capture_output=True, text=True, check=True, cwd=Path(__file__).parents[1]).stdout

    assert run(tmp_path / "whole", 2**40) == ""
    size = max(p.stat().st_size for p in (tmp_path / "whole").iterdir())
    for most in (0, size // 2, size - 2):  # the very last byte of a DBF and a GeoJSON says nothing
        assert "refused" in run(tmp_path / "cramped", most), most
        assert not (tmp_path / "cramped").exists()
