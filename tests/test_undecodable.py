"""Coordinates that are no places, and text in no code, in every format that can hold them: a message, never a fault."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow
import pyarrow.parquet
import pytest
import rasterio
from log_files import north_run, write_csv
from rx_files import EAST, NORTH, in_degrees, strip_of, write_geojson, write_shapefile

from geoflow import cli
from geoflow.base.errors import GeoflowError, LogError, PrescriptionError, UsageError
from geoflow.log_files.read_log import read_log
from geoflow.prescription_files.read_prescription import read_prescription
from geoflow.season.catalog import read_catalog

HERON = str(Path(__file__).parent.parent / "sample_fields/heron.toml")
BAD = b"\xb7\xff\xfe"


def tif(path: Path, transform: tuple[float, ...], crs: str | None = "EPSG:4326", **tags: Any) -> Path:
    cells = np.array([[100.0, 120.0], [140.0, 150.0]])
    with rasterio.open(
        path, "w", driver="GTiff", width=2, height=2, count=1, dtype="float64", crs=crs,
        transform=rasterio.Affine(*transform),
    ) as file:  # fmt: skip
        file.write(cells, 1)
    return path


def zones_in(folder: Path) -> Path:
    return write_geojson(folder / "f.geojson", in_degrees(strip_of(2)), [{"RATE": 100.0}, {"RATE": 120.0}])


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:26915", None])
@pytest.mark.parametrize(
    "transform",
    [
        (10.0, 0.0, 0.0, 0.0, -8.28905e-317, 0.0),  # what a flipped bit makes of a scale
        (1e-300, 0.0, 0.0, 0.0, -1e-300, 0.0),
        (1e-15, 0.0, -93.0, 0.0, -1e-15, 42.0),
        (1e308, 0.0, 1e308, 0.0, -1e308, 0.0),
        (np.inf, 0.0, -93.0, 0.0, -0.001, 42.0),
        (0.001, 0.0, np.nan, 0.0, -0.001, 42.0),
        (1e200, 0.0, 0.0, 0.0, -1e200, 0.0),
    ],
)
@pytest.mark.parametrize("rule", ["class", "cell"])
def test_a_raster_that_lies_nowhere(tmp_path: Path, transform: tuple[float, ...], crs: str | None, rule: Any) -> None:
    path = tif(tmp_path / "f.tif", transform, crs)
    with pytest.raises(GeoflowError) as caught:
        read_prescription(path, rate_unit="lb N/ac", zones=rule)
    assert caught.value.where and caught.value.cure


def test_a_raster_of_very_small_cells_near_nothing_is_read(tmp_path: Path) -> None:
    """The bound speaks of what numbers can tell apart, not of what is usual: 1 mm near Greenwich and the equator."""
    found = read_prescription(tif(tmp_path / "f.tif", (1e-8, 0, 1e-6, 0, -1e-8, 1e-6)), rate_unit="lb N/ac")
    assert found.rows_read == 4


def bad_parquet(path: Path, columns: dict[str, list[Any]], bad: str, kind: Any = None) -> Path:
    """Parquet whose column `bad` holds text that is no UTF-8; written as bytes, then called text."""
    arrays = {}
    for name, values in columns.items():
        if name != bad:
            arrays[name] = pyarrow.array(values)
            continue
        raw = pyarrow.array([BAD + str(value).encode() for value in values], pyarrow.binary())
        text = pyarrow.Array.from_buffers(pyarrow.string(), len(raw), raw.buffers())
        arrays[name] = text.dictionary_encode() if kind == "dictionary" else text
    pyarrow.parquet.write_table(pyarrow.table(arrays), path)
    return path


@pytest.mark.parametrize("kind", [None, "dictionary"])
@pytest.mark.parametrize("bad", ["Time", "Note", "Rate"])
def test_a_parquet_log(tmp_path: Path, bad: str, kind: str | None) -> None:
    run = {name: list(map(str, values)) for name, values in north_run(20).items()}
    columns: dict[str, list[Any]] = {**run, "Note": ["x"] * 20, "Rate": ["1"] * 20}
    path = bad_parquet(tmp_path / "log.parquet", columns, bad, kind)
    with pytest.raises(LogError, match=f"the column '{bad}' is damaged"):
        read_log(path, rate_unit="lb N/ac")


def test_a_parquet_prescription(tmp_path: Path) -> None:
    frame = read_prescription(zones_in(tmp_path), rate_unit="lb N/ac").table
    frame.assign(soil=["a", "b"]).to_parquet(tmp_path / "a.parquet")
    table = pyarrow.parquet.read_table(tmp_path / "a.parquet")
    raw = pyarrow.array([BAD, b"b"], pyarrow.binary())
    text = pyarrow.Array.from_buffers(pyarrow.string(), 2, raw.buffers())
    at = table.column_names.index("soil")
    pyarrow.parquet.write_table(
        table.set_column(at, pyarrow.field("soil", pyarrow.string()), text), tmp_path / "b.parquet"
    )
    with pytest.raises(PrescriptionError, match="the column 'soil' is damaged"):
        read_prescription(tmp_path / "b.parquet", rate_unit="lb N/ac")


def test_a_parquet_catalog(tmp_path: Path) -> None:
    path = bad_parquet(tmp_path / "c.parquet", {"field": ["a"], "job": ["vet"]}, "field")
    with pytest.raises(UsageError, match="no Parquet file that can be read"):
        read_catalog(str(path), {}, str(tmp_path))


def _csv_log(folder: Path) -> list[str]:
    path = write_csv(folder / "l.csv", {**north_run(20), "Note": ["note"] * 20})
    path.write_bytes(path.read_bytes().replace(b"note", BAD))
    return ["reconcile", str(path), "--rate-unit", "lb N/ac"]


def _dbf(folder: Path) -> list[str]:
    path = write_shapefile(folder / "f.shp", strip_of(2))
    part = path.with_suffix(".dbf")
    part.write_bytes(part.read_bytes().replace(b"RATE", b"R\xb7TE"))
    path.with_suffix(".cpg").write_text("UTF-8")
    return ["vet", str(path), "--rate-unit", "lb N/ac"]


def _geojson(folder: Path) -> list[str]:
    path = zones_in(folder)
    path.write_bytes(path.read_bytes().replace(b'"properties": {', b'"properties": {"n": "' + BAD + b'", '))
    return ["vet", str(path), "--rate-unit", "lb N/ac"]


def _package(folder: Path) -> list[str]:
    frame = read_prescription(zones_in(folder), rate_unit="lb N/ac").table
    frame.assign(soil=["a", "b"]).to_file(folder / "f.gpkg")
    with sqlite3.connect(folder / "f.gpkg") as base:
        base.execute("DROP TRIGGER IF EXISTS rtree_f_geom_update1")
        for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            base.execute(f'DROP TRIGGER "{name}"')
        base.execute("UPDATE f SET soil = CAST(x'b7fffe' AS TEXT)")
    return ["rewrite", str(folder / "f.gpkg"), "--rate-unit", "lb N/ac", "--policy", "hold-speed", "--out",
            str(folder / "o.gpkg")]  # fmt: skip


def _tif(folder: Path) -> list[str]:
    path = tif(folder / "f.tif", (10, 0, EAST, 0, -10, NORTH), "EPSG:26915")
    with rasterio.open(path, "r+") as file:
        file.set_band_description(1, "rateXXX")
    path.write_bytes(path.read_bytes().replace(b"rateXXX", b"rate" + BAD))
    return ["vet", str(path), "--rate-unit", "lb N/ac"]


def _columns_file(folder: Path) -> list[str]:
    path = write_csv(folder / "l.csv", north_run(20))
    (folder / "roles.toml").write_bytes(BAD)
    return ["reconcile", str(path), "--rate-unit", "lb N/ac", "--columns-file", str(folder / "roles.toml")]


def _catalog(folder: Path) -> list[str]:
    (folder / "c.csv").write_bytes(BAD + b"field,job\n")
    return ["season", str(folder / "c.csv"), "--out", str(folder / "s")]


def _bar(folder: Path) -> list[str]:
    (folder / "b.toml").write_bytes(b'name = "' + BAD + b'"\n')
    return ["bar", "--check", str(folder / "b.toml")]


@pytest.mark.parametrize(
    "make",
    [_csv_log, _dbf, _geojson, _package, _tif, _columns_file, _catalog, _bar],
    ids=lambda make: make.__name__[1:],
)
def test_text_in_no_code(tmp_path: Path, capsys: pytest.CaptureFixture[str], make: Callable[[Path], list[str]]) -> None:
    typed = make(tmp_path)
    if typed[0] in {"vet", "rewrite"}:
        typed += ["--bar", HERON, "--temperature", "40 degF", "--speed", "5 mph"]
    code = cli.main(typed)
    said = capsys.readouterr()
    assert "unforeseen" not in said.err and (code in (0, 1) or "cure:" in said.err), said.err


def test_the_spoilt_files_are_spoilt() -> None:
    with pytest.raises(UnicodeDecodeError):
        BAD.decode()
