"""Messages speak of what is read, and name the options that belong to it, from the moment they are made."""

from __future__ import annotations

import ast
import re
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas
import pyproj
import pytest
import shapely
from rx_files import in_degrees, strip_of, write_geojson, write_shapefile

from geoflow.base.errors import GeoflowError, LogError, PrescriptionError
from geoflow.base.subject import BOUNDARY, LOG, PRESCRIPTION, TARGET, Subject, reading, subject, typed
from geoflow.cli import build_parser
from geoflow.layers.boundaries import read_boundary
from geoflow.layers.vector_source import open_source, read_table
from geoflow.log_files.read_log import read_log
from geoflow.prescription_files.read_prescription import read_prescription

PACKAGE = Path(__file__).parent.parent / "geoflow"
FRAME = pyproj.CRS.from_proj4("+proj=laea +lat_0=42 +lon_0=-93.5 +datum=WGS84 +units=m")
# Rooms whose readers serve several subjects.
SHARED = ("layers", "prescription_files", "isoxml")
OPTIONS = re.compile(r"--(crs|layer|swap-axes|rate-column|rate-unit|take-as-ammonia|zones)\b")


def read_target(path: Path) -> Any:
    with reading(TARGET):
        return read_prescription(path)


READ: list[tuple[Subject, Callable[[Path], Any]]] = [
    (PRESCRIPTION, read_prescription),
    (TARGET, read_target),
    (BOUNDARY, lambda path: read_boundary(path, FRAME)),
    (LOG, read_log),
]


def two_layers(folder: Path) -> Path:
    frame = geopandas.GeoDataFrame({"RATE": [100.0]}, geometry=[shapely.box(-93.0, 42.0, -92.99, 42.01)], crs=4326)
    for name in ("one", "two"):
        frame.to_file(folder / "f.gpkg", layer=name)
    return folder / "f.gpkg"


def no_crs(folder: Path) -> Path:
    return write_shapefile(folder / "f.shp", strip_of(2), crs=None)


def turned(folder: Path) -> Path:
    """At 42 north and 80 east: turned it could be a place, though not one that is farmed."""
    frame = geopandas.GeoDataFrame({"RATE": [100.0]}, geometry=[shapely.box(42.0, 80.0, 42.01, 80.01)], crs=4326)
    frame.to_file(folder / "f.geojson")
    return folder / "f.geojson"


def empty(folder: Path) -> Path:
    geopandas.GeoDataFrame({"RATE": []}, geometry=[], crs=4326).to_file(folder / "f.gpkg", engine="pyogrio")
    return folder / "f.gpkg"


def no_format(folder: Path) -> Path:
    (folder / "f.doc").write_text("a letter")
    return folder / "f.doc"


def nothing_in(folder: Path) -> Path:
    (folder / "d").mkdir()
    return folder / "d"


@pytest.mark.parametrize("make", [two_layers, no_crs, turned, empty, no_format, nothing_in])
@pytest.mark.parametrize(("what", "read"), READ, ids=[what.prefix + what.name for what, _ in READ])
def test_what_is_refused_is_called_by_its_name(
    tmp_path: Path, what: Subject, read: Callable[[Path], Any], make: Callable[[Path], Path]
) -> None:
    with pytest.raises(GeoflowError) as caught:
        read(make(tmp_path))
    said = str(caught.value).replace(str(tmp_path), "")
    assert isinstance(caught.value, what.error)
    for other in (PRESCRIPTION, BOUNDARY, LOG):
        if other.name != what.name:
            assert not re.search(rf"\b{other.name}\b", said), said
        if other.part != what.part:
            assert not re.search(rf"\b{other.part}s?\b", said), said
    for name in OPTIONS.findall(said):
        assert not what.prefix, (name, said)  # it would have stood behind it
    for name in re.findall(rf"--{what.prefix}([a-z-]+)", said):
        assert name not in what.lacks, said


def test_the_options_that_are_named_are_there() -> None:
    """What a subject does not lack, its command has."""
    commands = next(one for one in build_parser()._actions if one.dest == "command").choices
    assert commands is not None
    has = {name: set(commands[name]._option_string_actions) for name in ("vet", "reconcile")}
    for what, command in ((PRESCRIPTION, "vet"), (TARGET, "reconcile"), (BOUNDARY, "reconcile"), (LOG, "reconcile")):
        for name in ("crs", "layer", "swap-axes"):
            assert (f"--{what.prefix}{name}" in has[command]) == (name not in what.lacks), (what.name, name)


def test_notes_speak_of_it_too(tmp_path: Path) -> None:
    with reading(LOG), open_source(write_shapefile(tmp_path / "f.shp", strip_of(2))) as source:
        read_table(source)
    path = write_geojson(tmp_path / "f.geojson", in_degrees(strip_of(1)), [{"RATE": 100.0}])
    with reading(TARGET):
        notes = read_prescription(path, rate_unit="lb N/ac", crs="EPSG:4269").notes
    assert any(note.text.startswith("--target-crs EPSG:4269 is used") for note in notes)


def test_it_ends_with_the_block_and_stays_in_its_thread() -> None:
    seen: list[str] = []
    with pytest.raises(LogError) as caught, reading(LOG):
        assert typed("crs") == "--crs" and subject() is LOG
        other = threading.Thread(target=lambda: seen.append(subject().name))
        other.start()
        other.join()
        raise PrescriptionError("the file is empty", where="here", cure="copy or export it again")
    assert (caught.value.what, caught.value.where, caught.value.cure) == (
        "the file is empty",
        "here",
        "copy or export it again",
    )
    assert seen == ["prescription"] and subject() is PRESCRIPTION


def test_shared_readers_name_no_option_themselves() -> None:
    """An option written out would be another subject's."""
    found = []
    for path in sorted(path for room in SHARED for path in (PACKAGE / room).rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        docs = {
            id(node.body[0].value)
            for node in ast.walk(tree)
            if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
            and node.body
            and isinstance(node.body[0], ast.Expr)
        }
        found += [
            f"{path.name}:{node.lineno}: {node.value}"
            for node in ast.walk(tree)
            if isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and id(node) not in docs
            and OPTIONS.search(node.value)
        ]
    assert found == []


def test_no_message_is_searched_and_replaced() -> None:
    """Words are right when they are made; nobody looks into an error's words to change them."""
    found = []
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "replace":
                on = ast.unparse(node.func.value)
                of_message = re.search(r"\b(problem|error|refused|fact|note)\b|\.(what|cure|where)$", on)
                if of_message and len(node.args) == 2:
                    found.append(f"{path.relative_to(PACKAGE)}:{node.lineno}: {on}")
    assert found == []
