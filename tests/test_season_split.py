"""Logs of a whole season split by field: none lost, none doubled, as they were, and where fields meet by the visit."""

from __future__ import annotations

import csv
import json
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest

pytest.importorskip("distributed", reason="needs the extra 'season'")
pytest.importorskip("pyarrow", reason="needs the extra 'season'")

import fsspec
import geopandas
import pandas
import pyarrow.parquet
import shapely
import taskdata_files as task
from log_files import FRAME, degrees, stamps, write_csv
from season_fields import make_season

from geoflow import cli
from geoflow.ground.visits import Fields, claims_of, fields_of, ground_steps
from geoflow.log_files.read_log import load_mapping, read_log
from geoflow.log_files.tables import read_log_table
from geoflow.season.catalog import read_catalog

SIDE = 400.0  # of a made-up field [m]


def passes(west: float, east: float, south: float, north: float, apart: float = 15.0) -> tuple[np.ndarray, np.ndarray]:
    """Positions of passes north and south over a rectangle, every two metres [m]."""
    lanes = np.arange(west + apart / 2.0, east, apart)
    along = np.arange(south + 1.0, north, 2.0)
    x = np.repeat(lanes, along.size)
    y = np.concatenate([along[:: 1 if at % 2 == 0 else -1] for at in range(lanes.size)])
    return x, y


def square(west: float, east: float, south: float = 0.0, north: float = SIDE) -> Any:
    return shapely.transform(shapely.box(west, south, east, north), lambda at: np.column_stack(degrees(*at.T)))


def outline(folder: Path, name: str, *shapes: Any, **columns: Any) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    geopandas.GeoDataFrame(columns, geometry=list(shapes), crs=4326).to_file(folder / f"{name}.geojson")


def columns_of(x: np.ndarray, y: np.ndarray, seconds: np.ndarray | None = None, rate: Any = 150.0) -> dict[str, Any]:
    lon, lat = degrees(x, y)
    seconds = np.arange(x.size) if seconds is None else seconds
    return {
        "Time": stamps(seconds),
        "Longitude": [f"{value:.9f}" for value in lon],
        "Latitude": [f"{value:.9f}" for value in lat],
        "Applied Rate (lb N/ac)": np.broadcast_to(rate, x.shape).tolist(),
        "Swath Width (ft)": [49.0] * x.size,
        "Record": list(range(x.size)),
    }


def split(folder: Path, *more: str, glob: str = "*.csv", code: int | None = 0) -> dict[str, Any]:
    """Run the command in a folder that holds logs and outlines; return its JSON."""
    arguments = ["season", "--make", str(folder / "split" / "catalog.csv"), "--glob", str(folder / glob), *more]
    if "--maps" not in more:
        arguments += ["--outlines", str(folder / "outlines")]
    got = cli.main([*arguments, "--json", str(folder / "said.json"), "--replace"])
    assert code is None or got == code
    return json.loads((folder / "said.json").read_text(encoding="utf-8")) if got < 2 else {}


def records_of(folder: Path) -> dict[str, list[int]]:
    """The column 'Record' of every log that came of it."""
    found = {}
    for path in sorted((folder / "split").iterdir()):
        if path.suffix == ".parquet":
            found[path.stem] = pandas.read_parquet(path)["Record"].astype(int).tolist()
        elif path.suffix == ".csv" and path.stem != "catalog" and "places" not in path.stem:
            read = read_log_table(path, None)
            found[path.stem] = read.numbers(read.names.index("Record")).astype(int).tolist()
    return found


def test_a_season_comes_apart_into_the_logs_it_was_put_together_of(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    make_season(tmp_path, 3, 500)
    whole = b""
    for at in range(3):
        head, lines = (tmp_path / "logs" / f"field_{at:04d}.csv").read_bytes().split(b"\n", 1)
        whole += lines.replace(b"2026-04-20", b"2026-04-%d" % (20 + at))
    (tmp_path / "season.csv").write_bytes(head + b"\n" + whole)
    (tmp_path / "maps" / "field_0002.geojson").rename(tmp_path / "field_0002.geojson")
    more = ["--maps", str(tmp_path / "maps"), "--set", "target_rate_unit=lb N/ac"]
    said = split(tmp_path, *more, "--bar", str(tmp_path / "bars" / "Teal.toml"), code=1)
    assert (said["records"], said["records_in_fields"], said["records_in_no_field"]) == ({"season": 1500}, 1000, 500)
    (stray,) = said["in_no_field"]
    assert (stray["day"], stray["records_with_rate"]) == ("2026-04-22", 500)
    # The third field lies 0.03 degrees east of the second (tests/season_fields.py), 400 m and a little across.
    assert stray["nearest_field"] == "field_0001" and 1.3 < stray["distance_mi"] < 1.55
    told = " ".join(capsys.readouterr().out.split())
    assert "1,500 records of 1 log: 1,000 in 2 rows of the catalog, 500 in no field." in told
    assert "2026-04-22 500 500 41.90" in told and "may have no outline" in told
    for at, name in enumerate(("field_0000", "field_0001", "in_no_field")):
        wanted = (tmp_path / "logs" / f"field_{at:04d}.csv").read_bytes()
        wanted = wanted.replace(b"2026-04-20", b"2026-04-%d" % (20 + at))
        assert (tmp_path / "split" / f"{name}.csv").read_bytes() == wanted
    entries = read_catalog(str(tmp_path / "split" / "catalog.csv"), {}, str(tmp_path))
    assert [(one.field, one.job, one.text("target")) for one in entries] == [
        (f"field_000{at}", "reconcile", str(tmp_path / "maps" / f"field_000{at}.geojson")) for at in (0, 1)
    ]
    assert all(Path(one.text(column) or "").is_file() for one in entries for column in ("log", "bar", "columns_file"))


def fields(*boxes: Any, margin: float = 30.0) -> Fields:
    """Outlines in degrees of an imagined place at the equator, where a degree is as long either way."""
    shapes = np.array(boxes, dtype=object)
    degree = 111_195.0
    scaled = [
        shapely.transform(shapely.buffer(shapes, beyond), lambda at: at / degree) for beyond in (0, margin / 3, margin)
    ]
    return Fields(*scaled, np.argsort(np.argsort(shapely.area(shapes))))


def told(of: Fields, x: np.ndarray, y: np.ndarray, seconds: np.ndarray | None = None) -> np.ndarray:
    lon, lat = x / 111_195.0, y / 111_195.0
    seconds = np.arange(x.size, dtype=float) if seconds is None else seconds
    return fields_of(claims_of(lon, lat, of), seconds, ground_steps(lon, lat), of.rank)


WEST, EAST = shapely.box(0, 0, SIDE, SIDE), shapely.box(SIDE, 0, 2 * SIDE, SIDE)


def test_a_pass_beside_the_border_belongs_to_the_field_that_is_worked() -> None:
    """The outlines touch; the first passes of the first field are 6 m in the other one's, as receivers drift."""
    x, y = (at[::-1] for at in passes(0.0, SIDE, 0.0, SIDE))
    x = np.where(x > SIDE - 20.0, SIDE + 6.0, x)
    x2, y2 = passes(SIDE + 20.0, 2 * SIDE, 0.0, SIDE)
    pair = fields(WEST, EAST)
    assert (told(pair, x, y) == 0).all()
    both = told(pair, np.concatenate([x, x2]), np.concatenate([y, y2]))
    assert (both[: x.size] == 0).all() and (both[x.size :] == 1).all()
    # Driven on another day, from the other field's own ground, the same line is the other one's.
    other = told(pair, np.concatenate([x2, x[:190]]), np.concatenate([y2, y[:190]]))
    assert (other == 1).all()


def test_passes_through_two_fields_change_at_the_border() -> None:
    y, x = passes(0.0, SIDE, 0.0, 2 * SIDE)
    found = told(fields(WEST, EAST), x, y)
    assert (found == (x > SIDE)).all()


def test_a_narrow_field_beside_a_wide_one_keeps_its_records() -> None:
    strip = shapely.box(SIDE, 0, SIDE + 50, SIDE)
    x, y = passes(0.0, SIDE, 0.0, SIDE)
    x2, y2 = passes(SIDE, SIDE + 50, 0.0, SIDE, apart=12.0)
    found = told(fields(WEST, strip), np.concatenate([x, x2, x[:400]]), np.concatenate([y, y2, y[:400]]))
    assert (found[: x.size] == 0).all() and (found[x.size : x.size + x2.size] == 1).all()


def test_ground_of_two_outlines_goes_with_the_visit_and_else_to_the_smaller() -> None:
    wide, inner = shapely.box(0, 0, 2 * SIDE, SIDE), shapely.box(SIDE, 0, 2 * SIDE, SIDE)
    overlapping = fields(shapely.box(0, 0, SIDE + 60, SIDE), EAST)
    x, y = passes(0.0, SIDE + 60, 0.0, SIDE)
    assert (told(overlapping, x, y) == 0).all()
    y2, x2 = passes(0.0, SIDE, 0.0, SIDE + 60)  # the same ground in passes east and west
    assert (told(overlapping, x2, y2) == 0).all()
    x3, y3 = passes(SIDE + 40.0, 2 * SIDE - 40.0, 20.0, SIDE - 20.0)
    assert (told(fields(wide, inner), x3, y3) == 1).all()


def test_a_pause_or_a_jump_lets_the_machine_be_elsewhere() -> None:
    """All of it on ground of both outlines but for the first day's; after the night the smaller field has it."""
    wide, inner = shapely.box(0, 0, 2 * SIDE, SIDE), shapely.box(SIDE, 0, 2 * SIDE, SIDE)
    x, y = passes(0.0, SIDE - 60.0, 0.0, SIDE)
    x2, y2 = passes(SIDE + 40.0, 2 * SIDE - 40.0, 20.0, SIDE - 20.0)
    seconds = np.arange(x.size + x2.size, dtype=float)
    seconds[x.size :] += 40_000.0
    found = told(fields(wide, inner), np.concatenate([x, x2]), np.concatenate([y, y2]), seconds)
    assert (found[: x.size] == 0).all() and (found[x.size :] == 1).all()


def test_a_record_without_a_position_goes_with_its_neighbours() -> None:
    x, y = passes(0.0, SIDE, 0.0, SIDE)
    x2, y2 = passes(SIDE + 200, 2 * SIDE, 0.0, SIDE)
    x, y = np.concatenate([x, x2]), np.concatenate([y, y2])
    lost = [0, 50, 51, x.size - x2.size, x.size - 1]
    x[lost] = np.nan
    found = told(fields(WEST, shapely.box(SIDE + 200, 0, 2 * SIDE, SIDE)), x, y)
    # At the ends, and where one field follows the other, nothing tells whose they are.
    assert found[lost].tolist() == [-1, 0, 0, -1, -1]


@pytest.fixture
def two_fields(tmp_path: Path) -> Path:
    """Outlines of two fields 60 m apart, and nothing else."""
    outline(tmp_path / "outlines", "Lower", square(0.0, SIDE))
    outline(tmp_path / "outlines", "Upper", square(SIDE + 60.0, 2 * SIDE + 60.0))
    return tmp_path


def drive(far: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Both fields one after the other with a way in between, and then a place so far north of them [m]."""
    parts = [passes(0.0, SIDE, 0.0, SIDE, 40.0), passes(SIDE + 60.0, 2 * SIDE + 60.0, 0.0, SIDE, 40.0)]
    parts += [passes(0.0, 100.0, far, far + 100.0, 40.0)] if far else []
    x, y = (np.concatenate([part[at] for part in parts]) for at in (0, 1))
    return x, y


def in_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    """Read in pieces so small that every seam is met."""
    for name, size in (("text_streams._CHUNK", 97), ("text_streams._BLOCK", 501), ("text_streams._OPEN", 1)):
        monkeypatch.setattr(f"geoflow.log_files.{name}", size)
    for name, size in (("_BATCH", 64), ("_HELD", 300), ("_FEW", 100)):
        monkeypatch.setattr(f"geoflow.log_files.streams.{name}", size)


def as_file(folder: Path, kind: str, columns: dict[str, Any]) -> str:
    """Write a log in one of many ways; return its name."""
    if kind in {"comma", "semicolons and commas", "mark of bytes"}:
        how = {"comma": {}, "semicolons and commas": {"mark": ";", "comma": True}, "mark of bytes": {"bom": True}}[kind]
        return write_csv(folder / "season.csv", columns, head="# a machine's export\n", **how).name
    if kind == "utf-16":
        text = write_csv(folder / "plain.csv", columns).read_text(encoding="utf-8")
        (folder / "plain.csv").unlink()
        (folder / "season.csv").write_text(text, encoding="utf-16")
        return "season.csv"
    if kind == "quoted breaks":
        columns = {**columns, "Note": ["two\nlines" if at % 7 == 0 else "" for at in columns["Record"]]}
        pandas.DataFrame(columns).to_csv(folder / "season.csv", index=False)
        (folder / "season.csv").write_bytes((folder / "season.csv").read_bytes() + b",,,,,,\n\n")
        return "season.csv"
    table = pandas.DataFrame(columns)
    for name in ("Longitude", "Latitude"):
        table[name] = table[name].astype(float)
    if kind == "parquet":
        table.set_index("Record", drop=False).rename_axis("index").to_parquet(folder / "season.parquet")
        return "season.parquet"
    shapes = geopandas.points_from_xy(table.pop("Longitude"), table.pop("Latitude"))
    ending = {"shapefile": "shp", "geopackage": "gpkg", "projected": "gpkg", "geoparquet": "parquet"}[kind]
    if kind == "shapefile":
        table = table.rename(columns={"Applied Rate (lb N/ac)": "Applied", "Swath Width (ft)": "Width_ft"})
    frame = geopandas.GeoDataFrame(table, geometry=shapes, crs=4326)
    frame = frame.to_crs(32615) if kind == "projected" else frame
    if ending == "parquet":
        frame.to_parquet(folder / "season.parquet")
    else:
        frame.to_file(folder / f"season.{ending}")
    return f"season.{ending}"


KINDS = ("comma", "semicolons and commas", "mark of bytes", "utf-16", "quoted breaks", "parquet", "geoparquet",
         "shapefile", "geopackage", "projected")  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_every_record_is_in_one_file_and_reads_as_it_did(
    kind: str, two_fields: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    x, y = drive(far=3000.0)
    name = as_file(two_fields, kind, columns_of(x, y, rate=100.0 + np.arange(x.size) % 50 + 0.5))
    more = ["--set", "rate_unit=lb N/ac"] if kind == "shapefile" else []
    in_pieces(monkeypatch)
    said = split(two_fields, *more, glob=name, code=1)
    got = records_of(two_fields)
    assert Counter(record for each in got.values() for record in each) == Counter(range(x.size))
    wanted = np.where(y > 2000.0, "in_no_field", np.where(x < SIDE + 30.0, "Lower", "Upper"))
    assert got == {name: np.flatnonzero(wanted == name).tolist() for name in ("Lower", "Upper", "in_no_field")}
    assert said["records_in_fields"] + said["records_in_no_field"] == said["records"]["season"] == x.size
    whole = read_log(two_fields / name, rate_unit="lb N/ac" if more else None)
    for entry in read_catalog(str(two_fields / "split" / "catalog.csv"), {}, str(two_fields)):
        mapping = Path(entry.text("columns_file") or "")
        part = read_log(entry.text("log"), mapping=mapping)  # nothing is asked for
        rows = np.array(got[entry.field])
        assert np.isin(rows, whole.log.row).all()
        at = np.searchsorted(np.sort(whole.log.row), rows)
        mine, theirs = (log.applied[np.argsort(log.row)] for log in (part.log, whole.log))
        assert mine == pytest.approx(theirs[at], rel=1e-12)
        assert part.start is not None and part.clock == whole.clock
        assert set(load_mapping(mapping)) >= {"time", "applied", "width"}


def test_decimal_commas_in_a_dbf_are_not_cut_on_the_way(two_fields: Path) -> None:
    """GDAL reads the raw text "120,5" of a numeric column as 120."""
    x, y = drive()
    as_file(two_fields, "shapefile", columns_of(x, y, rate=120.5))
    dbf = two_fields / "season.dbf"
    dbf.write_bytes(dbf.read_bytes().replace(b"120.5", b"120,5"))
    split(two_fields, "--set", "rate_unit=lb N/ac", glob="season.shp")
    read = read_log(two_fields / "split" / "Upper.parquet", mapping=two_fields / "split" / "columns season.json")
    assert np.ptp(read.log.applied) == 0.0
    assert read.log.applied[0] / read_log(two_fields / "season.shp", rate_unit="lb N/ac").log.applied[0] == 1.0
    assert read.log.applied[0] == pytest.approx(120.5 * 0.45359237 / 4046.8564224)


def test_a_log_out_of_order_is_taken_in_the_order_of_its_clock(two_fields: Path) -> None:
    """Records on ground that both outlines claim follow the visit, however the file is sorted."""
    outline(two_fields / "outlines", "Upper", square(SIDE, 2 * SIDE))
    x, y = passes(0.0, SIDE, 0.0, SIDE, 40.0)
    x = np.where(x > SIDE - 40.0, SIDE + 5.0, x)
    shuffled = np.random.default_rng(3).permutation(x.size)
    write_csv(two_fields / "season.csv", columns_of(x[shuffled], y[shuffled], shuffled))
    said = split(two_fields)
    assert [one["field"] for one in said["logs"]] == ["Lower"] and said["fields_without_records"] == ["Upper"]


@pytest.mark.parametrize("clock", ["none", "time of day", "some missing"])
def test_a_log_without_a_whole_clock_is_split_in_the_order_of_the_file(two_fields: Path, clock: str) -> None:
    x, y = drive(far=3000.0)
    columns = columns_of(x, y)
    if clock == "none":
        del columns["Time"]
    elif clock == "time of day":
        columns["Time"] = [text[11:19] for text in columns["Time"]]
    else:
        columns["Time"] = ["" if at % 9 == 0 else text for at, text in enumerate(columns["Time"])]
    write_csv(two_fields / "season.csv", columns)
    said = split(two_fields, code=1)
    got = records_of(two_fields)
    assert got["Lower"] == np.flatnonzero((y < 2000.0) & (x < SIDE + 30.0)).tolist()
    assert sum(map(len, got.values())) == x.size
    days = {one["day"] for one in said["in_no_field"]}
    assert (days == {None}) == (clock != "some missing")


def test_days_and_months_are_told_by_the_whole_season(two_fields: Path) -> None:
    """Each field was worked on a day that may be either; only the other tells which is which."""
    x, y = drive()
    columns = columns_of(x, y)
    days = np.where(x < SIDE + 30.0, "04/03/2026", "20/03/2026")
    columns["Time"] = [f"{day} {text[11:19]}" for day, text in zip(days, columns["Time"], strict=True)]
    write_csv(two_fields / "season.csv", columns)
    said = split(two_fields)
    assert [one["first_day"] for one in said["logs"]] == ["2026-03-04", "2026-03-20"]
    read = read_log(two_fields / "split" / "Lower.csv", mapping=two_fields / "split" / "columns season.json")
    assert read.start is not None and read.start.startswith("2026-03-04")


def test_each_log_and_machine_has_logs_of_its_own(two_fields: Path, capsys: pytest.CaptureFixture[str]) -> None:
    x, y = drive()
    half = x.size // 2
    columns = columns_of(np.concatenate([x, x + 8.0]), np.concatenate([y, y]), np.repeat(np.arange(x.size), 2))
    lon = np.array(columns["Longitude"]).reshape(2, -1)
    lat = np.array(columns["Latitude"]).reshape(2, -1)
    # Line by line from two machines, one of which works the fields the other way round.
    columns["Longitude"] = np.column_stack([lon[0], np.roll(lon[1], half)]).ravel().tolist()
    columns["Latitude"] = np.column_stack([lat[0], np.roll(lat[1], half)]).ravel().tolist()
    columns["Machine"] = ["red", "green"] * x.size
    write_csv(two_fields / "fleet.csv", columns)
    third = columns_of(*passes(0.0, SIDE, 0.0, SIDE, 80.0))
    third["Machine"] = ["third"] * len(third["Record"])
    write_csv(two_fields / "other.csv", third)
    said = split(two_fields, "--machine", "Machine")
    assert [one["field"] for one in said["logs"]] == [
        *("Lower, fleet, red", "Lower, fleet, green", "Upper, fleet, red", "Upper, fleet, green", "Lower, other"),
    ]
    for one in said["logs"][:4]:
        table = pandas.read_csv(two_fields / "split" / one["file"].replace("%20", " "))
        assert set(table["Machine"]) == {one["machine"]} and table["Time"].is_monotonic_increasing
        read_log(two_fields / "split" / one["file"])
    assert "Each has a row for each" in " ".join(capsys.readouterr().out.split())
    assert len(read_catalog(str(two_fields / "split" / "catalog.csv"), {}, "/")) == 5


def test_logs_of_one_name_from_two_folders_stay_apart(two_fields: Path) -> None:
    for folder in ("red", "green"):
        (two_fields / "exports" / folder).mkdir(parents=True)
        write_csv(two_fields / "exports" / folder / "Lower.csv", columns_of(*drive()))
    said = split(two_fields, glob="exports/*/*.csv")
    assert sorted(said["records"]) == ["Lower", "Lower 2"] and len({one["file"] for one in said["logs"]}) == 4
    assert sorted(len(each) for each in records_of(two_fields).values()) == sorted(
        one["records"] for one in said["logs"]
    )


def test_columns_that_are_only_proposed_are_said(two_fields: Path, capsys: pytest.CaptureFixture[str]) -> None:
    columns = columns_of(*drive())
    columns["Width"] = columns.pop("Swath Width (ft)")
    write_csv(two_fields / "season.csv", columns)
    split(two_fields, code=2)
    assert "nothing says how wide the bar is" in capsys.readouterr().err
    said = split(two_fields, "--set", "accept=yes")
    assert said["columns_accepted"] == {"season": "width from 'Width' in ft"}
    assert "season: width from 'Width' in ft." in capsys.readouterr().out


def test_logs_and_outlines_may_be_urls(two_fields: Path) -> None:
    store = fsspec.filesystem("memory")
    store.store.clear()
    write_csv(two_fields / "season.csv", columns_of(*drive()))
    store.put_file(str(two_fields / "season.csv"), "/bucket/season.csv")
    for path in (two_fields / "outlines").iterdir():
        store.put_file(str(path), f"/bucket/outlines/{path.name}")
    more = ["--outlines", "memory://bucket/outlines/*.geojson", "--glob", "memory://bucket/*.csv"]
    assert cli.main(["season", "--make", str(two_fields / "split" / "catalog.csv"), *more]) == 0
    entries = read_catalog(str(two_fields / "split" / "catalog.csv"), {}, "/")
    for one, name in zip(entries, ("Lower", "Upper"), strict=True):
        place = one.text("boundary") or ""
        assert place.startswith("memory://") and place.endswith(f"bucket/outlines/{name}.geojson")
    assert sum(map(len, records_of(two_fields).values())) == drive()[0].size
    store.store.clear()


def test_a_map_is_its_fields_ground_with_some_more_around_it(tmp_path: Path) -> None:
    """The map's zones end 25 m before the passes do."""
    outline(tmp_path / "maps", "Home", square(0.0, 200.0), square(200.0, SIDE), rate=[100.0, 120.0])
    x, y = passes(0.0, SIDE, -25.0, SIDE + 25.0, 40.0)
    write_csv(tmp_path / "season.csv", columns_of(x, y))
    more = ["--maps", str(tmp_path / "maps" / "*.geojson"), "--set", "target_rate_unit=lb N/ac"]
    assert split(tmp_path, *more)["records_in_no_field"] == 0
    near = split(tmp_path, *more, "--beyond", "10 ft", code=1)
    beyond = int(((y < -3.048) | (y > SIDE + 3.048)).sum())
    assert near["records_in_no_field"] == beyond > 100


def test_polygons_are_split_by_their_middles(two_fields: Path) -> None:
    x, y = drive()
    boxes = shapely.transform(shapely.box(x - 7, y - 1, x + 7, y + 1), lambda at: np.column_stack(degrees(*at.T)))
    columns = columns_of(x, y)
    table = pandas.DataFrame({name: columns[name] for name in ("Time", "Applied Rate (lb N/ac)", "Record")})
    geopandas.GeoDataFrame(table, geometry=list(boxes), crs=4326).to_file(two_fields / "season.gpkg")
    split(two_fields, glob="season.gpkg")
    read = read_log(two_fields / "split" / "Lower.parquet", mapping=two_fields / "split" / "columns season.json")
    assert read.drawn is not None and read.kept == int((x < SIDE + 30.0).sum())


def test_a_frame_of_metres_that_the_file_does_not_state_is_said_once(two_fields: Path) -> None:
    """Positions in columns in UTM; --set crs goes into the catalog, for the logs are as the file was."""
    x, y = drive()
    columns = columns_of(x, y)
    points = geopandas.GeoSeries.from_xy(x, y, crs=FRAME).to_crs(32615)
    columns |= {"Longitude": points.x.round(3).tolist(), "Latitude": points.y.round(3).tolist()}
    write_csv(two_fields / "season.csv", columns)
    split(two_fields, "--set", "crs=EPSG:32615")
    assert len(records_of(two_fields)["Upper"]) == int((x > SIDE + 30.0).sum())
    (first, _) = read_catalog(str(two_fields / "split" / "catalog.csv"), {}, "/")
    assert first.text("crs") == "EPSG:32615"


def test_what_it_writes_appears_whole_or_not_at_all(
    two_fields: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    x, y = drive()
    write_csv(two_fields / "season.csv", columns_of(x, y))

    def broken(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("geoflow.season.splitting.write_rows", broken)
        split(two_fields, code=2)
    assert "the disk is full" in capsys.readouterr().err
    assert not (two_fields / "split").exists()
    split(two_fields)
    before = {path: path.read_bytes() for path in (two_fields / "split").iterdir()}
    arguments = ["season", "--make", str(two_fields / "split" / "catalog.csv"), "--glob", str(two_fields / "*.csv")]
    assert cli.main([*arguments, "--outlines", str(two_fields / "outlines")]) == 2
    assert "--replace" in capsys.readouterr().err
    assert {path: path.read_bytes() for path in (two_fields / "split").iterdir()} == before


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["--job", "vet"], "logs are split for reconcile"),
        (["--set", "boundary=x.shp"], "--outlines finds the boundary"),
        (["--set", "log=x.csv"], "--glob finds the log"),
        (["--beyond", "-3 ft"], "is no distance"),
        (["--machine", "Recrd"], "did you mean 'Record'"),
        (["--glob", "none*.csv"], "no file matches"),
        (["--outlines", "empty"], "the folder holds no map"),
        (["--outlines", "far"], "no record lies in a field"),
        (["--outlines", "twice"], "are the same ground"),
        (["--outlines", "named"], "cannot be called"),
    ],
)
def test_splitting_refuses_what_cannot_be_split(
    two_fields: Path, more: list[str], words: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(two_fields)
    (two_fields / "empty").mkdir()
    outline(two_fields / "far", "Far", square(9000.0, 9400.0))
    for name in ("A", "B"):
        outline(two_fields / "twice", name, square(0.0, SIDE))
    outline(two_fields / "named", "in_no_field", square(0.0, SIDE))
    write_csv(two_fields / "season.csv", columns_of(*drive()))
    usual = {"--glob": "season.csv", "--outlines": "outlines"}
    arguments = [part for pair in usual.items() if pair[0] not in more for part in pair]
    assert cli.main(["season", "--make", "split/catalog.csv", *arguments, *more]) == 2
    assert words in capsys.readouterr().err and not (two_fields / "split").exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--make", "c.csv", "--glob", "*.csv", "--beyond", "9 ft"], "--beyond belongs to --maps and --outlines"),
        (["c.csv", "--out", "x", "--machine", "M"], "--machine belongs to --make"),
    ],
)
def test_options_of_splitting_belong_to_it(
    arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["season", *arguments]) == 2 and words in capsys.readouterr().err


def test_lines_that_cannot_be_told_apart_are_refused(two_fields: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_csv(two_fields / "season.csv", columns_of(*drive()))
    path = two_fields / "season.csv"
    lines = path.read_bytes().split(b"\n")
    path.write_bytes(b"\n".join([*lines[:9], lines[9] + b"\r" + lines[10], *lines[11:]]))
    split(two_fields, code=2)
    assert "its lines cannot be told apart for certain" in capsys.readouterr().err


def test_places_in_no_field_are_a_table_too(two_fields: Path) -> None:
    write_csv(two_fields / "season.csv", columns_of(*drive(far=3000.0)))
    said = split(two_fields, code=1)
    with (two_fields / "split" / "in_no_field places.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [int(row["records"]) for row in rows] == [one["records"] for one in said["in_no_field"]]
    (row,) = rows
    assert row["nearest"] == "Lower" and float(row["distance"]) == pytest.approx(2650.0, abs=10.0)


def damaged(folder: Path, kind: str) -> str:
    """Write a log with something wrong in it; return its name."""
    if kind == "only names":
        (folder / "season.csv").write_text("Time,Longitude,Latitude,Applied Rate (lb N/ac)\n", encoding="utf-8")
        return "season.csv"
    if kind == "cut off":
        (folder / "season.geojson").write_text('{"type": "FeatureCollection", "features": [', encoding="utf-8")
        return "season.geojson"
    table = pyarrow.table({"Longitude": [-93.5], "Latitude": [42.0], "Note": [b"\xff\xfe"]})
    if kind == "no records":
        table = table.slice(0, 0)
    else:
        note = table.column("Note").combine_chunks()
        text = pyarrow.Array.from_buffers(pyarrow.string(), 1, note.buffers())
        table = table.set_column(2, "Note", text)
    pyarrow.parquet.write_table(table, folder / "season.parquet")
    return "season.parquet"


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("only names", "names of columns but no records"),
        ("cut off", "the file cannot be read ("),
        ("no records", "the file holds no records"),
        ("no text", "cannot be read as Parquet"),
    ],
)
def test_a_damaged_log_is_refused(kind: str, words: str, two_fields: Path, capsys: pytest.CaptureFixture[str]) -> None:
    split(two_fields, glob=damaged(two_fields, kind), code=2)
    assert words in capsys.readouterr().err and not (two_fields / "split").exists()


def test_tasks_of_task_data_are_split_each_and_keep_what_the_machine_states(two_fields: Path) -> None:
    """Two tasks, one in each field; the machine logs that its rate follows a target after 2 s (ISO 11783-11, 142)."""
    lon, lat = degrees(np.array([200.0, SIDE + 260.0]), np.array([10.0, 10.0]))
    files: dict[str, str | bytes] = {}
    for number, (east, north) in enumerate(zip(lon, lat, strict=True), start=1):
        data = b"".join(
            task.record(
                43_200_000 + 1000 * s, task.DAY + number, task.at(east, north + 2e-5 * s), [(0, 15_000 + s), (1, 2000)]
            )
            for s in range(60)
        )
        name = f"TLG0000{number}"
        files |= task.log_files(name, task.header([("01B1", "DET1"), ("008E", "DET1")]), data)
    tasks = [task.log_task("TLG00001"), task.log_task("TLG00002", key="TSK2", title="Side-dress")]
    path = task.taskdata(two_fields, task.bar([6.0, 6.0]), *tasks, files=files)
    said = split(two_fields, "--set", "take_as_ammonia=yes", glob="TASKDATA")
    assert [(one["field"], one["log"], one["records"]) for one in said["logs"]] == [
        ("Lower", "TASKDATA TSK1", 60),
        ("Upper", "TASKDATA TSK2", 60),
    ]
    for entry, layer in zip(
        read_catalog(str(two_fields / "split" / "catalog.csv"), {}, "/"), ("TSK1", "TSK2"), strict=True
    ):
        part = read_log(entry.text("log"), mapping=Path(entry.text("columns_file") or ""))
        whole = read_log(path, layer=layer, take_as_ammonia=True)
        assert part.latency == whole.latency is not None
        assert part.columns == whole.columns and part.clock == whole.clock
        for name in ("applied", "width", "time"):
            assert np.array_equal(getattr(part.log, name), getattr(whole.log, name), equal_nan=True)
