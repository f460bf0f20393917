"""The quick ways of large layers against GDAL's and GEOS's own, cell for cell."""

from __future__ import annotations

import datetime
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas
import pyogrio
import pytest
import shapely
from geopandas.testing import assert_geodataframe_equal
from hypothesis import given
from hypothesis import strategies as st
from laws import laws

from geoflow.ground.fitting import fitted_ground
from geoflow.ground.geometry import HAIRLINE_WIDTH, coverage_faults
from geoflow.ground.rings import Rings
from geoflow.layers import package_reading, quad_layer, write_vector
from geoflow.layers.dbf_columns import add_dbf_columns, write_dbf
from geoflow.layers.write_vector import Driver, write_zones
from geoflow.prescription_patch.patch_geojson import _quick_spans, rate_spans

TEXTS = np.array(["fails", None, "holds", "", "Wärme über 40 °F " * 12, "holds"], dtype=object)
OURS = {
    "gf_verdict": TEXTS,
    "gf_side": np.full(6, None, dtype=object),
    "gf_rate_lb_n_ac": np.array([120.5, np.nan, 0.1 + 0.2, -0.0, 9e6 + 1e-4, 120.5]),
}
LARGE = OURS | {"gf_rate_lb_n_ac": np.array([120.5, np.nan, 1.0, -0.0, 1e9 + 1e-4, -1e7])}
OWN: dict[str, Any] = {
    "rate": [1.5, None, 3.0, 4.0, 5.0, 6.0],
    "row": np.arange(6),
    "name": ["a", None, "ç", "d", "a", "x" * 90],
}


def content(path: Path) -> Any:
    """Whatever stands in a layer's files, without the moment at which it was written."""
    if path.suffix == ".gpkg":
        with closing(sqlite3.connect(path)) as base:
            return [line for line in base.iterdump() if "gpkg_contents" not in line and "gpkg_ogr_contents" not in line]
    return {part.suffix: part.read_bytes() for part in path.parent.glob(f"{path.stem}.*")}


@pytest.mark.parametrize("arrow", [True, False])
@pytest.mark.parametrize(
    "own", [OWN, OWN | {"day": [datetime.date(2026, 4, 13)] * 6}, {}], ids=["own", "dates", "none"]
)
@pytest.mark.parametrize("ours", [OURS, LARGE], ids=["usual", "large"])
@pytest.mark.parametrize("driver", ["ESRI Shapefile", "GPKG", "GeoJSON", "FlatGeobuf"])
def test_many_rows_are_written_as_few_are(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, driver: Driver, own: dict[str, Any], arrow: bool, ours: Any
) -> None:
    table = geopandas.GeoDataFrame(own, geometry=shapely.box(np.arange(6.0), 0, np.arange(6.0) + 1, 1), crs=32615)
    monkeypatch.setattr(write_vector, "has_arrow", lambda: arrow)
    found = []
    for way, many in (("plain", 7), ("quick", 1)):
        monkeypatch.setattr(write_vector, "_MANY_ROWS", many)
        (tmp_path / way).mkdir()
        ending = {"ESRI Shapefile": ".shp", "GPKG": ".gpkg", "GeoJSON": ".geojson", "FlatGeobuf": ".fgb"}[driver]
        write_zones(tmp_path / way / f"zones{ending}", table, ours, driver=driver)
        found.append(content(tmp_path / way / f"zones{ending}"))
    assert found[0] == found[1]


SQUARES = shapely.box(np.arange(6.0), 0, np.arange(6.0) + 1, 1)
HOLED = shapely.box(0, 0, 9, 9).difference(shapely.box(1, 1, 2, 2))


@pytest.mark.parametrize(
    "shapes",
    [
        shapely.reverse(SQUARES),
        np.concatenate(
            [SQUARES[:3], shapely.reverse(shapely.buffer(shapely.points(450000.0, 4.67e6 + np.arange(3)), 9))]
        ),
        np.append(SQUARES[:5], HOLED),
        np.append(SQUARES[:5], shapely.MultiPolygon([SQUARES[0], SQUARES[2]])),
        np.append(SQUARES[:5], None),
        np.append(SQUARES[:5], shapely.Polygon()),
        shapely.force_3d(SQUARES, 7.0),
        np.append(SQUARES[:5], shapely.Polygon([(0, 0), (1, 1), (1, 0), (0, 1)])),
        np.append(SQUARES[:5], shapely.box(450000.0, 4.67e6, 450000.0001, 4.67e6 + 1e-4)),
    ],
    ids=["turned", "other counts", "hole", "parts", "missing", "empty", "heights", "crossed", "tiny"],
)
@pytest.mark.parametrize(
    "own",
    [
        OWN,
        {"wide": np.array([1, -(10**12), 3, 4, 5, 2**52]), "small": np.arange(6, dtype=np.int32), "ärger": ["ß"] * 6},
    ],
    ids=["own", "whole"],
)
def test_shapes_are_written_as_gdal_writes_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, shapes: Any, own: dict[str, Any]
) -> None:
    table = geopandas.GeoDataFrame(own, geometry=shapes, crs=32615)
    found = []
    for way, many in (("plain", 7), ("quick", 1)):
        monkeypatch.setattr(write_vector, "_MANY_ROWS", many)
        (tmp_path / way).mkdir()
        write_zones(tmp_path / way / "zones.shp", table, OURS, driver="ESRI Shapefile")
        found.append(content(tmp_path / way / "zones.shp"))
    assert found[0] == found[1]


def test_whole_numbers_wider_than_gdal_begins_with_are_left_to_it(tmp_path: Path) -> None:
    pyogrio.write_dataframe(
        pandas.DataFrame({"a": np.array([1], dtype=np.int32)}), tmp_path / "t.dbf", driver="ESRI Shapefile"
    )
    assert not write_dbf(tmp_path / "t.dbf", {"a": np.array([1, 2**31 - 1], dtype=np.int32)})
    assert write_dbf(tmp_path / "t.dbf", {"a": np.array([1, 12345678], dtype=np.int32)})
    assert pyogrio.read_dataframe(tmp_path / "t.dbf")["a"].tolist() == [1, 12345678]


@pytest.mark.parametrize(
    ("change", "is_quick"),
    [
        ("", True),
        ("UPDATE zones SET rate = NULL, count = NULL, name = NULL WHERE fid = 2", True),
        ("UPDATE zones SET rate = '120,5' WHERE fid = 2", False),
        ("UPDATE zones SET count = 2.5 WHERE fid = 3", False),
        ("UPDATE zones SET name = x'ff' WHERE fid = 3", False),
        ("UPDATE zones SET name = 'a' || char(0) || 'b' WHERE fid = 3", False),
        ("ALTER TABLE zones ADD COLUMN day DATE", False),
        ("PRAGMA journal_mode = WAL", False),
    ],
)
@pytest.mark.parametrize("shapes", [SQUARES, shapely.force_3d(SQUARES, 7.0), np.append(SQUARES[:5], None)])
def test_a_whole_package_is_read_as_row_by_row(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, shapes: Any, change: str, is_quick: bool
) -> None:
    own = {
        "rate": np.arange(6.0),
        "count": np.arange(6) * 10**15,
        "größe": np.arange(6, dtype=np.int32),
        "name": ["ß"] * 6,
    }
    path = tmp_path / "zones.gpkg"
    geopandas.GeoDataFrame(own, geometry=shapes, crs=32615).to_file(path, layer="zones")
    with closing(sqlite3.connect(path, isolation_level=None)) as base:
        for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
            base.create_function(name, 1, lambda blob: 0.0)
        base.execute(change)
    before = sorted(tmp_path.iterdir())
    monkeypatch.setattr(package_reading, "_MANY_ROWS", 6)
    quick = package_reading.read_whole_package(path, "zones")
    assert (quick is not None) == is_quick
    assert sorted(tmp_path.iterdir()) == before
    if quick is not None:
        assert_geodataframe_equal(quick, pyogrio.read_dataframe(path, layer="zones"))


def test_columns_that_do_not_fit_a_table_are_refused(tmp_path: Path) -> None:
    pyogrio.write_dataframe(pandas.DataFrame({"a": [1.0, 2.0]}), tmp_path / "t.dbf", driver="ESRI Shapefile")
    before = (tmp_path / "t.dbf").read_bytes()
    with pytest.raises(ValueError, match="another number of records"):
        add_dbf_columns(tmp_path / "t.dbf", {"b": np.zeros(3)})
    with pytest.raises(ValueError, match="wider than its column"):
        add_dbf_columns(tmp_path / "t.dbf", {"b": np.array([1.0, 1e15])})
    with pytest.raises(ValueError, match=r"wider than a \.dbf"):
        add_dbf_columns(tmp_path / "t.dbf", {f"b{at}": np.zeros(2) for at in range(2100)})
    assert (tmp_path / "t.dbf").read_bytes() == before


@pytest.mark.parametrize("arrow", [True, False])
def test_quads_are_written_as_polygons_are(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arrow: bool) -> None:
    quads = np.random.default_rng(1).normal(size=(5, 4, 2))
    columns = {"row": np.arange(5), "rate": np.array([1.0, np.nan, 3.0, 4.0, 5.0]), "cause": TEXTS[:5]}
    monkeypatch.setattr(quad_layer, "has_arrow", lambda: arrow)
    path = tmp_path / "mine.gpkg"
    for some, more in ((slice(0, 3), False), (slice(3, 5), True)):
        held = {name: values[some] for name, values in columns.items()}
        quad_layer.write_shapes(path, "strips", quad_layer.quad_wkb(quads[some]), held, "EPSG:4326", append=more)
    frame = geopandas.GeoDataFrame(columns, geometry=shapely.polygons(quads), crs=4326)
    pyogrio.write_dataframe(frame, tmp_path / "plain.gpkg", layer="strips", driver="GPKG")
    assert content(path) == content(tmp_path / "plain.gpkg")


def ring(points: list[tuple[int, int]]) -> Any:
    return shapely.Polygon(points)


@laws(100)
@given(st.lists(st.lists(st.tuples(st.integers(-4, 4), st.integers(-4, 4)), min_size=3, max_size=7), max_size=5))
def test_rings_run_as_geos_says(outlines: list[list[tuple[int, int]]]) -> None:
    # Small whole numbers: flat tops, corners that come twice, crossed and empty outlines are all among them.
    shapes = np.array([ring(points) for points in outlines], dtype=object)
    rings = Rings.of(shapes)
    expected = shapely.get_rings(shapes) if len(shapes) else np.zeros(0, dtype=object)
    assert rings.anticlockwise().tolist() == shapely.is_ccw(expected).tolist()
    signed = [np.abs(shapely.area(shapely.polygons(one))) for one in expected]
    np.testing.assert_allclose(np.abs(rings.signed_areas()), signed, atol=1e-12)


def test_rings_of_holes_parts_and_missing_shapes() -> None:
    holed = shapely.box(0, 0, 9, 9).difference(shapely.box(1, 1, 2, 2))
    shapes = np.array([holed, None, shapely.MultiPolygon([shapely.box(20, 0, 21, 1), holed])], dtype=object)
    rings = Rings.of(shapes)
    assert rings.shape.tolist() == [0, 0, 2, 2, 2]
    assert rings.hole.tolist() == [False, True, False, False, True]
    assert np.abs(rings.signed_areas()).tolist() == [81.0, 1.0, 1.0, 81.0, 1.0]
    assert rings.some(rings.hole).shape.tolist() == [0, 2]


def test_ground_of_zones_that_fit_is_their_union() -> None:
    cells = np.array([shapely.box(x, y, x + 10, y + 10) for x in range(0, 50, 10) for y in range(0, 50, 10)])
    cells[3] = shapely.reverse(cells[3])
    kept = np.delete(cells, 12)  # leaves a hole
    ground = fitted_ground(kept, HAIRLINE_WIDTH)
    assert shapely.equals(ground, shapely.union_all(kept))
    faults = coverage_faults(kept)
    assert shapely.equals(faults.ground, ground)
    assert faults.gap_area == 100.0
    # The same edge walked twice the same way: two zones on one ground.
    assert fitted_ground(np.append(kept, kept[0]), HAIRLINE_WIDTH) is None
    # A corner that is written twice is none more.
    twice = shapely.Polygon([(0, 0), (10, 0), (10, 0), (10, 10), (0, 10)])
    assert shapely.area(fitted_ground(np.array([twice, shapely.box(10, 0, 20, 10)]), HAIRLINE_WIDTH)) == 200.0


FEATURE = '{"type": "Feature", "properties": {"rate": %s}, "geometry": null}'


@pytest.mark.parametrize(
    ("features", "quick"),
    [
        ([FEATURE % 1, FEATURE % '"2,5"', FEATURE % -3.5e1], True),
        ([FEATURE % 1, FEATURE % '"rate"'], False),
        ([FEATURE % 1, FEATURE.replace("rate", "other") % 2, FEATURE.replace("{}", "") % '1, "rate": 2'], False),
        ([FEATURE % 1, '{"geometry": null, "properties": {"rate": 4}, "type": "Feature"}'], False),
        ([FEATURE % 1, FEATURE.replace("rate", "r\\u0061te") % 2], False),
        ([FEATURE % 1, '{"type": "Feature", "properties": {}, "rate": 7, "x": {"rate": 8}}'], False),
    ],
)
def test_rates_are_found_quickly_only_where_nothing_is_unclear(features: list[str], quick: bool) -> None:
    data = ('{"type": "FeatureCollection", "features": [' + ",\n".join(features) + "]}").encode()
    found = _quick_spans(data, "rate", len(features))
    assert bool(found) == quick
    if quick:
        assert found == rate_spans(data, "rate")
