"""Outlines of fields, as files may hold them."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas
import numpy as np
import pyproj
import pytest
import shapely
from log_files import FRAME
from simulated_files import in_degrees

from geoflow.base.errors import PrescriptionError
from geoflow.layers.boundaries import read_boundary


def put(path: Path, shapes: list[object], crs: object = 4326) -> Path:
    series = in_degrees([None if shape is None else shape for shape in shapes])
    geopandas.GeoDataFrame({"name": range(len(shapes))}, geometry=series.to_crs(crs)).to_file(path)
    return path


@pytest.mark.parametrize(("name", "crs"), [("b.geojson", 4326), ("b.shp", 26915), ("b.gpkg", 5070), ("b.gpkg", 4326)])
def test_any_format_and_system_gives_the_same_ground(name: str, crs: int, tmp_path: Path) -> None:
    path = put(tmp_path / name, [shapely.box(0, 0, 400, 200)], crs)
    found, notes = read_boundary(path, FRAME)
    # pyproj.Geod's area of the same corners; straight edges of other projections bend by less than 1e-6 of it, and
    # GeoJSON keeps 7 decimals, 1 cm of 200 m.
    truth = abs(pyproj.Geod(ellps="WGS84").geometry_area_perimeter(in_degrees([shapely.box(0, 0, 400, 200)])[0])[0])
    assert found.area == pytest.approx(truth, rel=1e-4 if name.endswith("json") else 1e-6)
    assert found.centroid.distance(shapely.Point(200, 100)) < 0.02
    assert notes == []


def test_several_parts_are_one_field(tmp_path: Path) -> None:
    hole = shapely.difference(shapely.box(0, 0, 100, 100), shapely.box(40, 40, 60, 60))
    path = put(tmp_path / "b.gpkg", [hole, shapely.box(90, 0, 200, 100), shapely.box(500, 0, 510, 100)])
    found, _ = read_boundary(path, FRAME)
    assert found.area == pytest.approx(9600 + 10_000 + 1000, rel=1e-6)
    assert found.is_valid
    assert len(shapely.get_parts(found)) == 2


def test_what_is_no_polygon_is_counted(tmp_path: Path) -> None:
    document = json.loads(in_degrees([shapely.box(0, 0, 100, 100), shapely.LineString([(0, 0), (9, 9)])]).to_json())
    document["features"].append({"type": "Feature", "properties": {}, "geometry": None})
    (tmp_path / "b.geojson").write_text(json.dumps(document))
    found, notes = read_boundary(tmp_path / "b.geojson", FRAME)
    assert found.area == pytest.approx(10_000, rel=1e-6)
    assert notes == ["2 of its rows are no polygons and were left out"]


def test_an_outline_that_crosses_itself_is_mended(tmp_path: Path) -> None:
    bow = shapely.Polygon([(0, 0), (100, 100), (100, 0), (0, 100)])
    found, notes = read_boundary(put(tmp_path / "b.gpkg", [bow]), FRAME)
    assert found.is_valid
    # Both wings, two triangles of 50 m by 100 m (buffer(0) would lose one).
    assert found.area == pytest.approx(5000.0, rel=1e-6)
    assert notes == ["its outline crossed itself and was mended"]


@pytest.mark.parametrize(
    ("shapes", "word"),
    [
        ([shapely.LineString([(0, 0), (1, 1)])], "no polygon"),
        ([shapely.Point(0, 0)], "no polygon"),
        ([shapely.Polygon([(0, 0), (100, 0), (50, 0)])], "no ground"),
    ],
)
def test_what_encloses_nothing_is_refused(shapes: list[object], word: str, tmp_path: Path) -> None:
    path = put(tmp_path / "b.gpkg", shapes)
    with pytest.raises(PrescriptionError, match=word) as raised:
        read_boundary(path, FRAME)
    assert str(path) in raised.value.where
    assert raised.value.cure


def test_files_that_are_not_there_or_no_map(tmp_path: Path) -> None:
    with pytest.raises(PrescriptionError, match="no such file"):
        read_boundary(tmp_path / "none.shp", FRAME)
    (tmp_path / "b.geojson").write_text("{")
    with pytest.raises(PrescriptionError):
        read_boundary(tmp_path / "b.geojson", FRAME)


def test_a_missing_coordinate_system_is_asked_for(tmp_path: Path) -> None:
    path = put(tmp_path / "b.shp", [shapely.box(0, 0, 400, 200)], 26915)
    path.with_suffix(".prj").unlink()
    with pytest.raises(PrescriptionError) as raised:
        read_boundary(path, FRAME)
    assert "--boundary-crs" in raised.value.cure
    assert " --crs" not in raised.value.cure
    found, _ = read_boundary(path, FRAME, crs="EPSG:26915")
    assert found.area == pytest.approx(80_000, rel=1e-6)


def test_two_layers_and_turned_axes_name_no_option_of_the_log(tmp_path: Path) -> None:
    frame = geopandas.GeoDataFrame(geometry=in_degrees([shapely.box(0, 0, 100, 100)]))
    for name in ("one", "two"):
        frame.to_file(tmp_path / "b.gpkg", layer=name)
    # At 42 north and 80 east, that is: turned it could be a place, though not one that is farmed.
    east = shapely.transform(frame.geometry, lambda points: points + np.array([173.5, 0.0]))
    turned = frame.set_geometry(shapely.transform(east, lambda points: points[:, ::-1]))
    turned.to_file(tmp_path / "t.geojson")
    for path, word in ((tmp_path / "b.gpkg", "alone"), (tmp_path / "t.geojson", "longitude first")):
        with pytest.raises(PrescriptionError) as raised:
            read_boundary(path, FRAME)
        assert word in raised.value.cure
        assert "--layer" not in raised.value.cure
        assert "--swap-axes" not in raised.value.cure
        assert "--boundary-crs" in raised.value.cure or path.suffix == ".gpkg"


def test_axes_that_can_only_be_turned_are_turned_back(tmp_path: Path) -> None:
    series = in_degrees([shapely.box(0, 0, 400, 200)])
    turned = shapely.transform(series, lambda points: points[:, ::-1])
    geopandas.GeoDataFrame(geometry=turned, crs=4326).to_file(tmp_path / "t.gpkg")
    found, notes = read_boundary(tmp_path / "t.gpkg", FRAME)
    assert found.area == pytest.approx(80_000, rel=1e-6)
    assert found.centroid.distance(shapely.Point(200, 100)) < 0.01
    assert "exchanged" in notes[0]


def test_heights_are_left_out(tmp_path: Path) -> None:
    flat = in_degrees([shapely.box(0, 0, 400, 200)])
    geopandas.GeoDataFrame(geometry=shapely.force_3d(flat, 300.0), crs=4326).to_file(tmp_path / "z.gpkg")
    found, _ = read_boundary(tmp_path / "z.gpkg", FRAME)
    assert not found.has_z
    assert found.area == pytest.approx(80_000, rel=1e-6)
