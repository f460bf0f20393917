"""Which files make up an input: the same answer for reading, guarding, hashing, copying, uploading and writing."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from rx_files import in_degrees, strip_of, write_geojson, write_shapefile
from taskdata_files import field, taskdata, two_zones

from geoflow import cli
from geoflow.base.errors import InputError, OutputError, PrescriptionError
from geoflow.files.inputs import InputSnapshot, beside, files_of, is_companion
from geoflow.files.output import OutputFolder
from geoflow.prescription_files.read_prescription import read_prescription
from geoflow.prescription_patch.patch_dbf import parts_of
from geoflow.season.urls import digest
from geoflow.web.uploads import Upload, main_file
from geoflow.workflow.reporting import Sources

HERON = str(Path(__file__).parent.parent / "sample_fields/heron.toml")
ENDINGS = [(".shp", ".dbf"), (".SHP", ".DBF"), (".shp", ".DBF"), (".SHP", ".dbf")]


def shouting(folder: Path, main: str, part: str) -> tuple[Path, Path]:
    """A shapefile whose endings are written as given; returns its .shp and .dbf."""
    folder.mkdir(exist_ok=True)
    path = write_shapefile(folder / "f.shp", strip_of(2))
    for old in sorted(folder.glob("f.*")):
        new = {".shp": main, ".dbf": part}.get(old.suffix, old.suffix.upper() if part == ".DBF" else old.suffix)
        old.rename(folder / f"FIELD{new}")
    return path.with_name(f"FIELD{main}"), folder / f"FIELD{part}"


def poke(path: Path) -> None:
    """Change a file but for its size."""
    data = bytearray(path.read_bytes())
    data[-2] = data[-2] ^ 1
    path.write_bytes(bytes(data))


@pytest.mark.parametrize(("main", "part"), ENDINGS)
def test_a_change_of_the_dbf_is_seen_in_whatever_capitals(tmp_path: Path, main: str, part: str) -> None:
    shp, dbf = shouting(tmp_path, main, part)
    assert dbf in files_of(shp) and dbf in parts_of(shp).values()
    assert read_prescription(shp, rate_unit="lb N/ac").rows_read == 2
    held, sources = InputSnapshot.of([shp]), Sources.of([("prescription", str(shp))])
    assert dbf in sources.paths
    before = digest(shp)
    poke(dbf)
    for look in (held.refuse_changes, sources.unchanged):
        with pytest.raises(InputError, match="changed while it was read") as caught:
            look()
        assert caught.value.where == str(dbf)
    assert digest(shp) != before


@pytest.mark.parametrize("command", ["vet", "convert", "report"])
@pytest.mark.parametrize(("main", "part"), ENDINGS)
def test_every_command_sees_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
    command: str, main: str, part: str,
) -> None:  # fmt: skip
    from geoflow.prescription_files import read_prescription as vector

    shp, dbf = shouting(tmp_path, main, part)
    read = vector.read_zone_table

    def slow(*given: Any) -> Any:
        found = read(*given)
        poke(dbf)
        return found

    monkeypatch.setattr(vector, "read_zone_table", slow)
    plan = ["--bar", HERON, "--temperature", "40 degF", "--speed", "5 mph"]
    typed = {
        "vet": ["vet", str(shp), *plan],
        "convert": ["convert", str(shp), "--out", str(tmp_path / "o.gpkg")],
        "report": ["report", "vet", str(shp), *plan, "--out", str(tmp_path / "o.html")],
    }[command]
    assert cli.main([*typed, "--rate-unit", "lb N/ac"]) == 2
    assert "changed while it was read" in capsys.readouterr().err
    assert not list(tmp_path.glob("o.*"))


@pytest.mark.parametrize("given", [".", "TASKDATA", "TASKDATA/TASKDATA.XML"])
@pytest.mark.parametrize("changed", ["TASKDATA.XML", "GRD00001.bin"])
def test_task_data_are_watched_however_they_are_named(tmp_path: Path, given: str, changed: str) -> None:
    folder = taskdata(tmp_path / "rx", field(), two_zones(), files={"GRD00001.bin": b"0123456789"})
    held, sources = InputSnapshot.of([tmp_path / "rx" / given]), Sources.of([("rx", str(tmp_path / "rx" / given))])
    before = digest(tmp_path / "rx" / given)
    held.refuse_changes()
    poke(folder / changed)
    for look in (held.refuse_changes, sources.unchanged):
        with pytest.raises(InputError, match="changed while it was read"):
            look()
    assert digest(tmp_path / "rx" / given) != before


def test_a_report_on_a_folder_lists_its_files(tmp_path: Path) -> None:
    folder = taskdata(tmp_path, field(), two_zones())
    listed = Sources.of([("prescription", str(tmp_path))]).unchanged()
    assert [file.name for file in listed] == [str(folder / "TASKDATA.XML")]
    plan = ["--bar", HERON, "--temperature", "40 degF", "--speed", "5 mph"]
    assert cli.main(["report", "vet", str(folder), *plan, "--out", str(tmp_path / "r.html")]) in (0, 1)


def test_what_appears_or_goes_is_a_change(tmp_path: Path) -> None:
    shp = write_shapefile(tmp_path / "f.shp", strip_of(2))
    held = InputSnapshot.of([shp])
    (tmp_path / "F.CPG").write_text("UTF-8")
    with pytest.raises(InputError):
        held.refuse_changes()
    held = InputSnapshot.of([shp])
    (tmp_path / "F.CPG").unlink()
    with pytest.raises(InputError):
        held.refuse_changes()


def test_neighbours_are_no_companions(tmp_path: Path) -> None:
    for name in ("f.shp", "f.dbf", "f.geojson", "f.rate.atx", "fx.atx", "ff.dbf", "f.txt", "f.shp.xml", "f.Cpg"):
        (tmp_path / name).write_text("")
    for name in ("a.tif", "a.TFW", "a.tif.aux.xml", "a.dbf"):
        (tmp_path / name).write_text("")

    def names(main: str) -> list[str]:
        return [path.name for path in beside(tmp_path / main)]

    assert names("f.shp") == ["f.Cpg", "f.dbf", "f.rate.atx", "f.shp.xml"]
    assert names("F.SHP") in ([], names("f.shp"))  # the second on a disk that knows no capitals
    assert names("f.geojson") == [] and names("g.shp") == []
    assert names("a.tif") == ["a.TFW", "a.tif.aux.xml"]
    assert is_companion("a.DBF") and is_companion("x.shp.xml") and not is_companion("a.shp")
    assert files_of(tmp_path / "gone.shp") == [] and beside(tmp_path / "no" / "a.shp") == []
    assert files_of(Path("\0")) == []


def test_each_of_two_that_differ_in_capitals_has_its_own(tmp_path: Path) -> None:
    for name in ("f.shp", "F.SHP", "f.dbf", "F.DBF"):
        (tmp_path / name).write_text("")
    if len(list(tmp_path.iterdir())) < 4:
        pytest.skip("this disk knows no capitals")
    assert [path.name for main in ("f.shp", "F.SHP") for path in beside(tmp_path / main)] == ["f.dbf", "F.DBF"]


def test_two_files_for_one_part_are_refused(tmp_path: Path) -> None:
    """Which of them GDAL takes is its own affair; the rates must not hang on it."""
    shp = write_shapefile(tmp_path / "f.shp", strip_of(2))
    (tmp_path / "f.DBF").write_bytes((tmp_path / "f.dbf").read_bytes())
    if len(beside(shp)) < 4:
        pytest.skip("this disk knows no capitals")
    with pytest.raises(PrescriptionError, match=r"f\.DBF and f\.dbf both have the name of the shapefile's \.dbf"):
        read_prescription(shp, rate_unit="lb N/ac")


def test_uploads_find_their_main_file_in_whatever_capitals() -> None:
    names = ["FIELD.SHP", "FIELD.DBF", "field.Shx", "FIELD.PRJ", "FIELD.QPJ", "FIELD.SHP.XML"]
    assert main_file([Upload(name, b"") for name in names]) == "FIELD.SHP"


def test_outputs_guard_and_clear_away_whatever_capitals(tmp_path: Path) -> None:
    """An input is never written over, and no old part is left beside a new Shapefile."""
    shp, dbf = shouting(tmp_path / "in", ".SHP", ".DBF")
    with (
        OutputFolder(tmp_path / "in", replace=True, protect=(shp,)) as out,
        pytest.raises(OutputError, match="an input of the run"),
    ):
        out.stage(dbf.name)
    out_folder = tmp_path / "out"
    out_folder.mkdir()
    (out_folder / "f.PRJ").write_text("old")
    with (
        pytest.raises(OutputError, match="already exists"),
        OutputFolder(out_folder, replace=False, protect=()) as out,
    ):
        out.stage("f.shp")
    with OutputFolder(out_folder, replace=True, protect=()) as out:
        out.stage("f.shp").write_text("new")
    assert [path.name for path in out_folder.iterdir()] == ["f.shp"]
    zones = write_geojson(tmp_path / "z.geojson", in_degrees(strip_of(2)), [{"RATE": 100.0}, {"RATE": 120.0}])
    (tmp_path / "o.DBF").write_text("old")
    typed = ["convert", str(zones), "--rate-unit", "lb N/ac", "--out", str(tmp_path / "o.shp")]
    assert cli.main(typed) == 2 and cli.main([*typed, "--replace"]) == 2
    assert (tmp_path / "o.DBF").read_text() == "old"
