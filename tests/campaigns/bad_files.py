"""Sound files of every format that geoflow reads, small, each with the command that reads it."""

from __future__ import annotations

import io
import json
import sys
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import geopandas
import numpy as np
import pyogrio
import shapely

sys.path.insert(0, str(Path(__file__).parent.parent))

import bar_files
import log_files
import raster_files
import rx_files
import taskdata_files
from test_bars import with_learned_table
from test_interview import EXACT
from test_proposed_columns import DIALECTS

__all__ = ["Kind", "kinds"]

Files = dict[str, bytes]
_RATE = ("--rate-column", "RATE", "--rate-unit", "lb N/ac")
_PLAN = ("--bar", "bar.toml", "--temperature", "40 degF", "--speed", "5 mph")
_LOG_COLUMNS = (
    *("--column", "applied=Applied Rate (lb N/ac):lb N/ac", "--column", "target=Target Rate (lb N/ac):lb N/ac"),
    *("--column", "width=Swath Width (ft):ft", "--column", "time=Time"),
)


@dataclass(frozen=True)
class Kind:
    """A sound input.

    files : what lies in the folder of inputs; ``mutable`` names those that are spoilt; ``command`` reads them.
    """

    name: str
    files: Files
    mutable: tuple[str, ...]
    command: tuple[str, ...]
    writes: tuple[tuple[str, ...], ...] = field(default=())


def _read(folder: Path) -> Files:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def _made(write: Callable[[Path], object]) -> Files:
    with tempfile.TemporaryDirectory() as place:
        write(Path(place))
        return _read(Path(place))


def _zones() -> geopandas.GeoDataFrame:
    shapes = [shapely.Polygon(rings[0], rings[1:]) for rings in _RINGS]
    return geopandas.GeoDataFrame(
        {"RATE": [120.0, 150.5, 90.0], "soil": ["Löß", "", "clay"]}, geometry=shapes, crs=26915
    )


_RINGS = [rx_files.square(0), rx_files.square(1, hole=20.0), rx_files.square(2)]


def _layer(name: str, driver: str, frame: geopandas.GeoDataFrame) -> Files:
    return _made(lambda folder: pyogrio.write_dataframe(frame, folder / name, driver=driver))


def _parquet(name: str, frame: geopandas.GeoDataFrame) -> Files:
    return _made(lambda folder: frame.to_parquet(folder / name))


def _zipped(files: Files) -> bytes:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return held.getvalue()


def _shapefile() -> Files:
    fields = (("RATE", "N", 12, 3), ("NAME", "C", 8, 0))
    rows = [["120.000", "a"], ["150.500", "b"], ["90.000", "c"]]
    files = _made(lambda folder: rx_files.write_shapefile(folder / "rx.shp", _RINGS, fields=fields, rows=rows))
    return files | {"rx.cpg": b"UTF-8"}


def _task(name: str, files: dict[str, str | bytes], command: tuple[str, ...]) -> list[Kind]:
    """The same task data as a folder and as a zip."""
    inside = {f"TASKDATA/{key}": text.encode() if isinstance(text, str) else text for key, text in files.items()}
    folder = Kind(f"{name}, folder", inside, tuple(inside), tuple("TASKDATA" if a == "@" else a for a in command))
    zipped = {"task.zip": _zipped(inside)}
    return [folder, Kind(f"{name}, zip", zipped, ("task.zip",), tuple("task.zip" if a == "@" else a for a in command))]


def _task_kinds() -> list[Kind]:
    rx = ("vet", "@", *_PLAN)
    made = []
    for major in (3, 4):
        made += _task(
            f"task data v{major} zones",
            {"TASKDATA.XML": taskdata_files.root(taskdata_files.field(), taskdata_files.two_zones(), major=major)},
            rx,
        )
    zones = (
        taskdata_files.element("TZN", taskdata_files.rate("01B0", 12000), A=1),
        taskdata_files.element("TZN", taskdata_files.rate("01B0", 6000), A=2),
    )
    one = taskdata_files.task(*zones, taskdata_files.grid(3, 4, 1), fallback=0)
    two = taskdata_files.task(
        taskdata_files.element("TZN", taskdata_files.rate("01B0", 0), A=1),
        taskdata_files.grid(3, 4, 2, J=1),
        fallback=0,
    )
    made += _task(
        "task data grid 1",
        {"TASKDATA.XML": taskdata_files.root(taskdata_files.field(), one), "GRD00001.BIN": bytes([1, 2] * 6)},
        rx,
    )
    made += _task(
        "task data grid 2",
        {
            "TASKDATA.XML": taskdata_files.root(taskdata_files.field(), two),
            "GRD00001.BIN": np.array([12000, 6000] * 6, dtype="<i4").tobytes(),
        },
        rx,
    )
    variables = [("0007", "DET2"), ("0006", "DET2")]
    records = b"".join(
        taskdata_files.record(
            50_000_000 + 1000 * i,
            taskdata_files.DAY,
            taskdata_files.at(-95.0, 42.0 + 2e-5 * i),
            [(0, 12000), (1, 12500)],
        )
        for i in range(30)
    )
    files = taskdata_files.log_files("TLG00001", taskdata_files.header(variables), records)
    main = taskdata_files.root(taskdata_files.bar([3.0, 3.0]), taskdata_files.log_task("TLG00001"))
    made += _task("task data time log", {"TASKDATA.XML": main, **files}, ("reconcile", "@", "--take-as-ammonia"))
    return made


def _log_kinds(bar: Files) -> list[Kind]:
    columns = log_files.north_run(40)
    csv = _made(lambda folder: log_files.write_csv(folder / "log.csv", columns))
    number = [float(value) for value in columns["Longitude"]], [float(value) for value in columns["Latitude"]]  # type: ignore[arg-type]
    plain = {name: values for name, values in columns.items() if name not in {"Longitude", "Latitude"}}
    points = geopandas.GeoDataFrame(plain, geometry=geopandas.points_from_xy(*number), crs=4326)
    short = points.rename(
        columns={"Applied Rate (lb N/ac)": "applied", "Target Rate (lb N/ac)": "target", "Swath Width (ft)": "width"}
    )
    roles = ("--column", "applied=applied:lb N/ac", "--column", "target=target:lb N/ac", "--column", "width=width:ft")
    made = [Kind("log csv", csv, ("log.csv",), ("reconcile", "log.csv", *_LOG_COLUMNS))]
    for ending, driver in (("shp", "ESRI Shapefile"), ("geojson", "GeoJSON"), ("gpkg", "GPKG")):
        files = _layer(f"log.{ending}", driver, short)
        made.append(Kind(f"log {ending}", files, tuple(files), ("reconcile", f"log.{ending}", *roles)))
    files = _parquet("log.parquet", short)
    made.append(Kind("log parquet", files, tuple(files), ("reconcile", "log.parquet", *roles)))
    mapping = {"applied": "Applied Rate (lb N/ac):lb N/ac", "width": "Swath Width (ft):ft", "time": "Time:"}
    held = csv | {"map.json": json.dumps(mapping, indent=1).encode()}
    made.append(Kind("mapping", held, ("map.json",), ("reconcile", "log.csv", "--columns-file", "map.json")))
    lon, lat = number
    ring = [(min(lon) - 1e-3, min(lat) - 1e-3), (max(lon) + 1e-3, min(lat) - 1e-3), (max(lon) + 1e-3, max(lat) + 1e-3)]
    outline = geopandas.GeoDataFrame({"a": [1]}, geometry=[shapely.Polygon(ring)], crs=4326)
    for ending, driver in (("geojson", "GeoJSON"), ("gpkg", "GPKG"), ("shp", "ESRI Shapefile")):
        files = _layer(f"edge.{ending}", driver, outline)
        command = ("reconcile", "log.csv", *_LOG_COLUMNS, "--boundary", f"edge.{ending}")
        made.append(Kind(f"boundary {ending}", csv | files, tuple(files), command))
    return made


def _day_kinds(given: Files) -> list[Kind]:
    """A field's plan and rehearsal over the hours of a day."""
    sky = "hour,air (degF),sun (W/m2),tank gauge (psi)\n06:00,32,0,\n08:00,36,310,54\n11:00,45,620,\n14:00,52,540,\n"
    liquid = "hour,liquid (degF)\n7 am,38\n9 am,41\n12:00,46\n"
    tank = {"bar.toml": given["bar.toml"] + b'\n[tank]\ncapacity = "1000 gal"\n'}
    made = []
    for name, text in (("day, sky", sky), ("day, liquid", liquid)):
        command = ("plan", "rx.shp", *_PLAN, *_RATE, "--day", "day.csv")
        made.append(Kind(name, given | tank | {"day.csv": text.encode()}, ("day.csv",), command))
    driven = ("rehearse", "rx.shp", *_PLAN, *_RATE, "--draws", "2", "--out", "../out/driven")
    made.append(Kind("rehearsal", given, tuple(name for name in given if name != "bar.toml"), driven))
    return made


def _answer_kinds() -> list[Kind]:
    text = "".join(f"{key} = {json.dumps(answer)}\n" for key, answer in EXACT.items())
    command = ("bar", "--new", "../out/new.toml", "--answers", "answers.toml")
    return [Kind("answers", {"answers.toml": text.encode()}, ("answers.toml",), command)]


def _inline(value: object) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_inline(inner)}" for key, inner in value.items()) + " }"
    if isinstance(value, list):
        return f"[{', '.join(map(_inline, value))}]"
    return json.dumps(value, ensure_ascii=False)


def _toml(content: dict[str, object]) -> str:
    return "".join(f"{key} = {_inline(value)}\n" for key, value in content.items())


def _learning_kinds(shp: Files) -> list[Kind]:
    """A bar that has learned, and a log to learn from."""
    bar = {"bar.toml": _toml(with_learned_table()).encode()}
    check = ("bar", "--check", "bar.toml")
    window = ("window", "--bar", "bar.toml", "--temperature", "40 degF")
    made = [Kind(f"learned, {command[0]}", bar | shp, ("bar.toml",), command) for command in (check, window)]
    sample = Path(__file__).parents[2] / "sample_fields"
    lines = (sample / "lantern_flat_log.csv").read_bytes().splitlines(keepends=True)[:400]
    files = {"bar.toml": (sample / "heron.toml").read_bytes(), "log.csv": b"".join(lines)}
    learn = ("learn", "log.csv", "--bar", "bar.toml", "--out", "../out/learned.toml")
    return [*made, Kind("learning", files, ("log.csv",), learn)]


def _dialect_kinds() -> list[Kind]:
    made = []
    for name, (columns, asks) in DIALECTS.items():
        if asks == "ask":
            continue
        files = _made(lambda folder, given=columns: log_files.write_csv(folder / "log.csv", given))
        made.append(Kind(f"dialect, {name}", files, ("log.csv",), ("reconcile", "log.csv", "--accept")))
    return made


def kinds() -> list[Kind]:
    """Make every sound input."""
    bar = {"bar.toml": bar_files.MINIMAL.encode()}
    shp, zones = _shapefile(), _zones()
    rewrite = ("rewrite", "rx.{}", *_PLAN, *_RATE, "--policy", "hold-speed", "--out", "../out/new.{}")
    made = []

    def rx(name: str, files: Files, ending: str, *options: str) -> None:
        command = ("vet", f"rx.{ending}", *_PLAN, *options)
        changed = tuple(word.format(ending) for word in rewrite)
        made.append(Kind(name, bar | files, tuple(files), command, (changed, (*command, "--out", "../out/folder"))))

    rx("shapefile", shp, "shp", *_RATE)
    rx("zipped shapefile", {"rx.zip": _zipped(shp)}, "zip", *_RATE)
    for ending, driver in (("geojson", "GeoJSON"), ("gpkg", "GPKG"), ("fgb", "FlatGeobuf")):
        rx(ending, _layer(f"rx.{ending}", driver, zones), ending, *_RATE)
    rx("zipped geopackage", {"rx.zip": _zipped(_layer("rx.gpkg", "GPKG", zones))}, "zip", *_RATE)
    rx("geoparquet", _parquet("rx.parquet", zones), "parquet", *_RATE)
    cells = np.repeat(np.array([[100.0, 120.0], [140.0, 0.0]], dtype="<f4"), 3, axis=0)
    tif = _made(lambda folder: raster_files.write_geotiff(folder / "rx.tif", cells, corner=(500_000.0, 4_650_000.0)))
    rx("geotiff", tif, "tif", "--rate-unit", "lb N/ac")
    made += [Kind(kind.name, bar | kind.files, kind.mutable, kind.command) for kind in _task_kinds()]
    made += _log_kinds(bar)
    for name, text in (("bar, least", bar_files.MINIMAL), ("bar, full", bar_files.FULL)):
        files = {"bar.toml": text.encode()}
        made.append(Kind(name, files, ("bar.toml",), ("bar", "--check", "bar.toml")))
    window = ("window", "--bar", "bar.toml", "--temperature", "40 degF")
    made.append(Kind("bar, window", bar, ("bar.toml",), window))
    speeds = {"speeds.csv": b"row,speed_low_mph,speed_high_mph\n0,4,5\n1,4.5,5.5\n2,5,5\n"}
    command = ("vet", "rx.shp", *_PLAN, *_RATE, "--zone-speeds", "speeds.csv")
    made.append(Kind("zone speeds", bar | shp | speeds, ("speeds.csv",), command))
    return [*made, *_answer_kinds(), *_learning_kinds(shp), *_dialect_kinds(), *_day_kinds(bar | shp)]
