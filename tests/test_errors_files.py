"""Errors in reading and writing files that no other test provokes, each from a file or a fault that makes it."""

from __future__ import annotations

import contextlib
import errno
import os
import sqlite3
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas
import pyogrio
import pytest
import shapely
import taskdata_files
from log_files import north_run, write_csv
from rx_files import RATE, square, strip_of, write_geojson, write_shapefile, zip_up

from geoflow import cli
from geoflow.base.errors import GeoflowError
from geoflow.files import output
from geoflow.files.inputs import watching
from geoflow.files.output import OutputFolder
from geoflow.layers import write_vector as layers
from geoflow.log_files.read_log import read_log
from geoflow.prescription_files import geotiff as raster
from geoflow.prescription_files.read_prescription import read_prescription
from geoflow.prescription_patch import patch_geopackage as rewritten_gpkg
from geoflow.prescription_patch.patch import write_rewritten


def refused(call: Callable[[], Any], what: str, where: str, cure: str) -> None:
    """The call is refused with these words, each in its place."""
    with pytest.raises(GeoflowError) as caught:
        call()
    problem = caught.value
    assert what in problem.what, problem
    assert where in problem.where, problem
    assert cure in problem.cure, problem


def zones_refused(path: Path, what: str, cure: str, where: str = "", **options: Any) -> None:
    options.setdefault("rate_unit", "lb N/ac")
    refused(lambda: read_prescription(path, **options), what, where or str(path), cure)


# --- prescriptions ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("damage", "what"),
    [
        (lambda data: data[:10], "the .dbf with the rates is empty or cut off"),
        (lambda data: data[:32] + b"\r" + data[33:], "the .dbf with the rates is not a dBase table"),
    ],
)
def test_a_dbf_that_is_none(tmp_path: Path, damage: Callable[[bytes], bytes], what: str) -> None:
    path = write_shapefile(tmp_path / "f.shp", strip_of(2))
    part = path.with_suffix(".dbf")
    part.write_bytes(damage(part.read_bytes()))
    zones_refused(path, what, "with all its parts")


def test_a_folder_named_like_a_part_of_the_shapefile(tmp_path: Path) -> None:
    path = write_shapefile(tmp_path / "f.shp", strip_of(2))
    (tmp_path / "f.cpg").mkdir()
    zones_refused(path, "f.cpg is no file, but has the name of a part", "with all its parts")


def test_coordinates_that_are_no_numbers(tmp_path: Path) -> None:
    zone = shapely.polygons([(np.inf, 0), (np.inf, 1), (np.inf, 2), (np.inf, 0)])
    frame = geopandas.GeoDataFrame({"RATE": [1.0]}, geometry=[zone], crs=4326)
    pyogrio.write_dataframe(frame, tmp_path / "f.gpkg", SPATIAL_INDEX="NO")
    zones_refused(tmp_path / "f.gpkg", "the coordinates are no numbers", "export the zones again")


def test_coordinates_beyond_the_coordinate_system(tmp_path: Path) -> None:
    far = [[(1e20 + x, 1e20 + y) for x, y in ring] for ring in square()]
    path = write_geojson(tmp_path / "f.geojson", [far], [{"RATE": 100}])
    zones_refused(path, "are nowhere in NAD83 / UTM zone 15N", "--crs", crs="EPSG:26915")


# --- rasters ------------------------------------------------------------------------------------------------------


def tiff(path: Path, cells: np.ndarray, *names: str) -> Path:
    rasterio = pytest.importorskip("rasterio")
    bands = cells.reshape(-1, *cells.shape[-2:])
    place = {"crs": "EPSG:26915", "transform": rasterio.Affine(10.0, 0.0, 5e5, 0.0, -10.0, 4.65e6)}
    shape = {"count": len(bands), "height": bands.shape[1], "width": bands.shape[2], "dtype": bands.dtype}
    with rasterio.open(path, "w", driver="GTiff", **shape, **place) as file:
        file.write(bands)
        for band, name in enumerate(names, 1):
            file.set_band_description(band, name)
    return path


def test_a_raster_of_complex_numbers(tmp_path: Path) -> None:
    path = tiff(tmp_path / "f.tif", np.ones((3, 3), np.complex64))
    zones_refused(path, "'band 1' holds no plain numbers", "real numbers")


def test_two_bands_of_one_name(tmp_path: Path) -> None:
    path = tiff(tmp_path / "f.tif", np.ones((2, 3, 3), np.float32), "rate", "rate")
    zones_refused(path, "--rate-column 'rate' fits 2 bands", 'one of "band 1" (rate)', rate_column="rate")


def test_more_zones_than_could_be_told_beforehand(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # Three patches, but without building them only two can be told.
    cells = np.array([[2, 2, 2, 2], [2, 1, 2, 1], [2, 1, 2, 1], [2, 2, 2, 1]], np.float32)
    path = tiff(tmp_path / "f.tif", cells)
    monkeypatch.setattr(raster, "MOST_ZONES", 2)
    zones_refused(path, "falls into 3 zones, and at most 2 are read", "round the rates")


def grid_written(path: Path, name: str) -> None:
    pyproj = pytest.importorskip("pyproj")
    pytest.importorskip("rasterio")
    from geoflow.prescription_patch.new_geotiff import grid_over, write_raster, zone_of_cells

    grid = grid_over((5e5, 4.65e6, 5e5 + 30, 4.65e6 + 30), pyproj.CRS(26915), 10.0)
    zone = zone_of_cells(np.array([shapely.box(5e5, 4.65e6, 5e5 + 30, 4.65e6 + 30)]), grid)
    write_raster(path, grid, zone, np.array([100.0]), name=name, unit="lb N/ac")


def test_a_raster_that_cannot_be_written(tmp_path: Path) -> None:
    refused(
        lambda: grid_written(tmp_path / "no such folder" / "f.tif", "rate"),
        "the raster could not be written",
        "f.tif",
        "check the disk",
    )


def test_a_raster_that_is_read_back_as_another(tmp_path: Path) -> None:
    # GDAL keeps no empty description.
    refused(lambda: grid_written(tmp_path / "f.tif", ""), "is read back as another", "f.tif", "check the disk")


# --- logs ---------------------------------------------------------------------------------------------------------


def log_refused(tmp_path: Path, cells: dict[str, Any], what: str, where: str, cure: str, *columns: str) -> None:
    path = write_csv(tmp_path / "log.csv", {**north_run(6), **cells})
    refused(lambda: read_log(path, columns=list(columns)), what, where, cure)


DATES = {"Time": [f"04/13/2026 10:00:0{second}" for second in range(6)]}


ONE, LATER = north_run(6)["Longitude"][:1], north_run(6)["Time"][1:]
NOWHERE_OR_NEVER = {"Longitude": [*ONE, *[""] * 5], "Time": ["", *LATER]}
TWICE = {"Rate": [1.0] * 6, "rate": [2.0] * 6}
RATE_OF_WORDS = {"Applied Rate (lb N/ac)": ["much"] * 6}


@pytest.mark.parametrize(
    ("cells", "column", "what", "where", "cure"),
    [
        (TWICE, "applied=RATE:lb N/ac", "'RATE' fits 2 columns", "role applied", "rename one in the file"),
        (RATE_OF_WORDS, None, "the column 'Applied Rate (lb N/ac)' holds no numbers", "row", "another column"),
        (NOWHERE_OR_NEVER, None, "no record is left (no position: ", "log.csv", "check with --column"),
        (DATES, "time=Time:day/month", "only month/day fits its numbers", "log.csv", "time=Time:month/day"),
        (
            {
                **{name: [cell for cell in cells for _ in "ab"] for name, cells in north_run(3).items()},
                "Section": ["red", "blue"] * 3,
            },
            None,
            "the sections are called red, blue",
            "log.csv",
            "number them from the left",
        ),
        (
            {"Flow (gpm)": [5.0] * 6},
            None,
            "a flow in gpm needs the temperature",
            "'Flow (gpm)'",
            "--volume-temperature",
        ),
        ({"Flow": [5.0] * 6}, "flow=Flow:gp", "'gp' is no unit of ammonia flow", "'Flow'", "one of lb NH3/min"),
    ],
)
def test_columns_of_a_log(
    tmp_path: Path, cells: dict[str, Any], column: str | None, what: str, where: str, cure: str
) -> None:
    log_refused(tmp_path, cells, what, where, cure, *([column] if column else []))


@pytest.mark.parametrize(
    ("content", "what", "cure"),
    [
        (b"# a remark\n\n", "the file holds no line of names", "copy or export it again"),
        (b"lon,applied lb N/ac\n-93.5,150\n", "does not say which column is the latitude", "--column"),
        (b"lat,applied lb N/ac\n42.0,150\n", "does not say which column is the longitude", "no column holds degrees"),
        (b'a,b\n"x,1\n2,3\n', "it is no table", "export the log again"),
        (b"\xff\xfea\x00,\x00b\x00\n\x00\x00\xd8", "the text is in no known code", "save it as UTF-8"),
    ],
)
def test_text_that_is_no_table(tmp_path: Path, content: bytes, what: str, cure: str) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(content)
    refused(lambda: read_log(path), what, str(path), cure)


def test_a_log_in_parquet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "log.parquet"
    path.write_bytes(b"PAR1xxxx")
    with monkeypatch.context() as without:
        without.setitem(sys.modules, "pyarrow", None)
        without.setitem(sys.modules, "pyarrow.parquet", None)
        refused(lambda: read_log(path), "needs the library pyarrow", str(path), ".[parquet]")
    pytest.importorskip("pyarrow")
    refused(lambda: read_log(path), "cannot be read as Parquet", str(path), "export it again")
    pandas.DataFrame({"a": []}).to_parquet(path)
    refused(lambda: read_log(path), "the file holds no records", str(path), "export the log again")


# --- task data ----------------------------------------------------------------------------------------------------


def test_task_data_without_what_is_wanted(tmp_path: Path) -> None:
    tasks = taskdata_files
    empty = {"TASKDATA.XML": tasks.root(tasks.field(), tasks.task())}
    path = tasks.write_folder(tmp_path / "log", empty)
    refused(lambda: read_log(path), "the task data holds no time log", str(path), "while it worked")
    bare = tasks.task(tasks.element("TZN", tasks.polygon(2, tasks.square(0, 0)), A=1))
    path = tasks.write_folder(tmp_path / "zones", {"TASKDATA.XML": tasks.root(tasks.field(), bare)})
    zones_refused(path, "no rate of nitrogen or ammonia", "01B0 (kg N/ha)")


def test_task_data_without_a_number_that_has_to_be_there(tmp_path: Path) -> None:
    tasks = taskdata_files
    text = tasks.root(tasks.field(), tasks.two_zones())
    path = tasks.write_folder(tmp_path / "zones", {"TASKDATA.XML": text.replace(' C="42.0010000"', "", 1)})
    zones_refused(path, "the attribute C of PNT is missing", "export the task data again", "line")


def test_task_data_that_cannot_be_opened(tmp_path: Path) -> None:
    tasks = taskdata_files
    path = tasks.write_folder(tmp_path / "large", {"TASKDATA.XML": tasks.root()})
    with (path / "TASKDATA.XML").open("ab") as file:
        file.truncate(3 * 2**30)  # takes no room on the disk
    zones_refused(path, "the file has 3,221 MB, which nothing needs", "check where it comes from")

    path = tasks.write_zip(tmp_path / "locked.zip", {"TASKDATA.XML": tasks.root()})
    data = bytearray(path.read_bytes())
    for mark, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):  # bit 0 of the flags [APPNOTE.TXT 4.4.4]
        data[data.index(mark) + offset] |= 1
    path.write_bytes(data)
    zones_refused(path, "the zip is locked with a password", "unpack it")


@pytest.mark.skipif(not os.path.exists("/proc/self/mem"), reason="no file here that opens and cannot be read")  # noqa: PTH110
def test_task_data_on_a_disk_that_fails(tmp_path: Path) -> None:
    (tmp_path / "TASKDATA.XML").symlink_to("/proc/self/mem")
    zones_refused(tmp_path, "the file cannot be read", "copy or export")


def test_task_data_holds_no_volumes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, target = write_shapefile(tmp_path / "f.shp", strip_of(2)), tmp_path / "TASKDATA"
    assert cli.main(["convert", str(path), "--rate-unit", "gal NH3/ac", "--out", str(target)]) == 2
    said = capsys.readouterr().err
    for part in ("by mass, not by volume", f"where: {target}", "geoflow convert RX --to-unit"):
        assert part in said
    assert not target.exists()


# --- rewriting ----------------------------------------------------------------------------------------------------


def rewriting_refused(
    path: Path, what: str, cure: str, *, between: Callable[[], Any] | None = None, **options: Any
) -> None:
    """Read, change the last rate and write it back; nothing is left behind."""
    zones = read_prescription(path, rate_column="RATE", rate_unit="lb N/ac", **options)
    rates = zones.rate.copy()
    rates[-1] = 90.0
    if between is not None:
        between()
    target = path.with_name("new" + path.suffix)
    refused(
        lambda: write_rewritten(zones, rates, rates != zones.rate, target, replace=False, protect=()),
        what,
        str(path),
        cure,
    )
    assert not target.exists()
    assert not list(path.parent.glob(".geoflow-*"))


def test_a_dbf_column_that_is_neither_number_nor_text(tmp_path: Path) -> None:
    path = write_shapefile(tmp_path / "f.shp", strip_of(2), fields=[("RATE", "M", 10, 0)], rows=[["100"], ["120"]])
    rewriting_refused(path, "the column 'RATE' is of kind 'M', neither a number nor text", "kind N")


def test_a_dbf_column_that_is_taken_for_the_shapes(tmp_path: Path) -> None:
    fields = [RATE, ("geometry", "N", 3, 0)]
    path = write_shapefile(tmp_path / "f.shp", strip_of(2), fields=fields, rows=[["100", "1"], ["120", "2"]])
    rewriting_refused(path, "the .dbf has 2 columns where 1 were read", "each column with its own name")


def test_a_zip_with_a_damaged_stranger(tmp_path: Path) -> None:
    path = zip_up(
        tmp_path / "f.zip", write_shapefile(tmp_path / "f.shp", strip_of(2)), more={"notes.txt": b"note" * 99}
    )
    data = bytearray(path.read_bytes())
    at = data.index(b"notes.txt")
    data[at + 9 : at + 12] = b"\xff\xff\xff"
    path.write_bytes(data)
    rewriting_refused(path, "a member of the zip cannot be copied", "unpack it and give the .shp")


@pytest.fixture
def package(tmp_path: Path) -> Path:
    zones = [shapely.polygons(rings[0]) for rings in strip_of(3)]
    frame = geopandas.GeoDataFrame({"RATE": [100.0, 110.0, 120.0]}, geometry=zones, crs=26915)
    pyogrio.write_dataframe(frame, tmp_path / "f.gpkg", layer="zones")
    return tmp_path / "f.gpkg"


def done_in(path: Path, statement: str) -> None:
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):  # its own triggers call them
            connection.create_function(name, 1, lambda blob: 0.0)
        connection.execute(statement)


def test_a_geopackage_that_forbids_changes(package: Path) -> None:
    done_in(package, "CREATE TRIGGER no BEFORE UPDATE ON zones BEGIN SELECT RAISE(ABORT, 'keep out'); END")
    rewriting_refused(package, "does not let the rates be changed (keep out)", "new GeoPackage")


def test_a_geopackage_that_lost_a_row(package: Path) -> None:
    lose = lambda: done_in(package, "DELETE FROM zones WHERE fid = 1")  # noqa: E731
    rewriting_refused(package, "the layer has 2 rows where 3 were read", "run again", between=lose)


def test_a_geopackage_that_changes_while_it_is_copied(package: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    copy = rewritten_gpkg.shutil.copyfile

    def copy_late(source: Path, target: Path) -> None:
        done_in(source, "UPDATE zones SET fid = 9 WHERE fid = 3")
        copy(source, target)

    monkeypatch.setattr(rewritten_gpkg.shutil, "copyfile", copy_late)
    rewriting_refused(package, "the row cannot be found again by its key", "new GeoPackage")


def test_geojson_that_lost_a_feature(tmp_path: Path) -> None:
    path = write_geojson(tmp_path / "f.geojson", strip_of(2), [{"RATE": 100}, {"RATE": 120}], crs="EPSG:26915")
    fewer = lambda: write_geojson(path, strip_of(1), [{"RATE": 100}], crs="EPSG:26915")  # noqa: E731
    rewriting_refused(path, "2 rows were read and 1 features found", "GeoPackage or a shapefile", between=fewer)


# --- faults of the disk, other runs -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("number", "what", "cure"),
    [
        (errno.EDQUOT, "your share of the disk is used up", "make room"),
        (errno.EFBIG, "the disk takes no file this large", "make room"),
        (errno.EIO, "the disk reports a fault", "another place"),
        (errno.EROFS, "the disk can only be read", "another place"),
    ],
)
def test_what_the_system_says_is_said_in_plain_words(tmp_path: Path, number: int, what: str, cure: str) -> None:
    def write() -> None:
        with OutputFolder(tmp_path, replace=False, protect=()) as out:
            raise OSError(number, os.strerror(number), str(out.stage("zones.csv")))

    refused(write, f"nothing was written: {what}", str(tmp_path), cure)
    assert not list(tmp_path.iterdir())


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with two old outputs and a file of somebody else's."""
    for name in ("a.csv", "b.csv", "mine.txt"):
        (tmp_path / name).write_text("old")
    return tmp_path


def write_two(folder: Path) -> None:
    with OutputFolder(folder, replace=True, protect=()) as out:
        for name in ("a.csv", "b.csv"):
            out.stage(name).write_text("new")


def test_a_folder_another_run_is_moving_files_in(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(output, "_TRIES", 2)
    hidden, alive = output._hide_in(folder)
    output._take_turn(hidden)
    refused(lambda: write_two(folder), "another run is writing into this folder", str(folder), str(hidden))
    output._clear(hidden, alive)
    assert {path.name: path.read_text() for path in folder.iterdir()} == dict.fromkeys(
        ("a.csv", "b.csv", "mine.txt"), "old"
    )


def test_moves_that_fail_are_ended_by_the_next_run(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(self: Path, target: Any) -> Path:
        raise OSError(errno.EIO, "Input/output error", str(target))

    with monkeypatch.context() as disk:
        disk.setattr(Path, "replace", fail)
        refused(lambda: write_two(folder), "place (Input/output error); they are safe in ", str(folder), "run again")
    (folder / "c.csv").write_text("new")
    with OutputFolder(folder, replace=False, protect=()):
        pass
    assert {path.name: path.read_text() for path in folder.iterdir()} == {
        "a.csv": "new",
        "b.csv": "new",
        "c.csv": "new",
        "mine.txt": "old",
    }


def test_zones_that_come_short_on_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write = pyogrio.write_dataframe

    def write_short(frame: Any, path: Path, **options: Any) -> None:
        write(frame, path, **options)
        with path.with_suffix(".dbf").open("r+b") as file:
            file.truncate(40)

    monkeypatch.setattr(pyogrio, "write_dataframe", write_short)
    frame = geopandas.GeoDataFrame({"RATE": [1.0]}, geometry=[shapely.box(0, 0, 1, 1)], crs=26915)
    refused(
        lambda: layers.write_zones(tmp_path / "f.shp", frame, {}, driver="ESRI Shapefile"),
        "the zones could not be written: the file on the disk is incomplete",
        "f.shp",
        "check the disk",
    )


def test_an_input_that_changes_while_it_is_read(tmp_path: Path) -> None:
    path = tmp_path / "f.csv"
    path.write_text("a")

    def read() -> None:
        with watching(path):
            path.write_text("another")

    refused(read, "the file changed while it was read", str(path), "wait until")
