"""More formats read and written; every file written is checked by a reader that is not geoflow's."""

from __future__ import annotations

import json
import subprocess
import sys
import zipfile
from pathlib import Path

import fiona
import geopandas
import numpy as np
import pandas
import pyarrow
import pyarrow.parquet
import pyogrio
import pyproj
import pytest
import shapely
from hypothesis import HealthCheck, given
from hypothesis import strategies as st
from laws import laws
from rx_files import EAST, NORTH, UTM, in_degrees, square, strip_of, write_geojson, write_shapefile, zip_up

from geoflow.base.errors import OutputError, PrescriptionError
from geoflow.base.rate_units import RATE_UNITS, rate_unit
from geoflow.base.rates import UnitRates
from geoflow.prescription_files.read_prescription import read_prescription
from geoflow.prescription_patch.new_file import WRITTEN_FORMATS, NewForm, rate_column_name, write_prescription

LB = rate_unit("lb N/ac")
SQUARE = 1e4 / 0.9996**2  # ground of 100 m by 100 m at UTM's central meridian (definition of its k0)
VECTORS = [".shp", ".zip", ".geojson", ".gpkg", ".fgb", ".parquet"]


def frame(count=3, crs=UTM, **columns):
    columns = columns or {"rate": np.linspace(100.0, 150.0, count)}
    shapes = [shapely.Polygon(rings[0], rings[1:]) for rings in strip_of(count)]
    return geopandas.GeoDataFrame(columns, geometry=shapes, crs=UTM).to_crs(crs)


def save(path, table):
    if path.suffix in (".parquet", ".geoparquet"):
        table.to_parquet(path)
    else:
        table.to_file(path, driver={".geojson": "GeoJSON", ".fgb": "FlatGeobuf"}.get(path.suffix))
    return path


def read(path, **options):
    return read_prescription(path, **{"rate_unit": "lb N/ac", **options})


def refused(path, *expected, **options):
    with pytest.raises(PrescriptionError) as caught:
        read(path, **options)
    for part in expected:
        assert part in str(caught.value), str(caught.value)
    assert caught.value.cure
    return str(caught.value)


# Reading


@pytest.mark.parametrize(
    ("name", "file_format"),
    [("f.fgb", "flatgeobuf"), ("f.FGB", "flatgeobuf"), ("f.parquet", "geoparquet"), ("f.geoparquet", "geoparquet")],
)
@pytest.mark.parametrize("crs", [UTM, "EPSG:4326", "EPSG:3417", "ESRI:102008"])
def test_new_formats_give_the_zones(tmp_path, name, file_format, crs):
    lower = save(tmp_path / name.lower(), frame(crs=crs))
    lower.rename(tmp_path / name)
    rx = read(tmp_path / name)
    assert rx.file_format == file_format and rx.dropped == {} and rx.rows_read == 3
    assert sorted(rx.rate.tolist()) == [100.0, 125.0, 150.0]
    assert rx.area == pytest.approx(SQUARE, rel=1e-6)
    for shape, rate in zip(rx.table.to_crs(UTM).geometry, rx.rate, strict=True):
        at = round((rate - 100.0) / 25.0)  # fgb files are in the order of their index
        wanted = np.array(square(at)[0])
        found = shapely.get_coordinates(shape)
        assert max(np.hypot(*(found - point).T).min() for point in wanted) < 1e-4


def test_parquet_without_its_library_says_how_to_get_it(tmp_path, monkeypatch):
    path = save(tmp_path / "f.parquet", frame())
    rx = read(path)
    monkeypatch.setitem(sys.modules, "pyarrow.parquet", None)
    refused(path, "needs the library pyarrow", ".[parquet]")
    with pytest.raises(OutputError, match="pyarrow") as caught:
        write_prescription(rx, UnitRates(rx.rate, LB), tmp_path / "o.parquet", replace=False)
    assert ".[parquet]" in caught.value.cure and not (tmp_path / "o.parquet").exists()


def test_parquet_that_is_none_or_has_no_shapes(tmp_path):
    plain = tmp_path / "f.parquet"
    pandas.DataFrame({"rate": [1.0]}).to_parquet(plain)
    refused(plain, "not GeoParquet")
    plain.write_bytes(b"<html>")
    refused(plain, "this is no Parquet", "<html>")
    whole = save(tmp_path / "g.parquet", frame()).read_bytes()
    for cut in (6, len(whole) // 2, len(whole) - 1):
        plain.write_bytes(whole[:cut])
        refused(plain, "cannot be read")
    save(plain, frame().iloc[:0])
    refused(plain, "empty")
    refused(tmp_path / "none.parquet", "no such file")
    refused(tmp_path / "g.parquet", "no layer 'x'", layer="x")


def test_parquet_without_a_system_is_in_degrees_by_its_specification(tmp_path):
    # GeoParquet 1.1.0, "crs": a missing key means OGC:CRS84; null means unknown.
    path = save(tmp_path / "f.parquet", frame(crs=4326))
    table = pyarrow.parquet.read_table(path)
    for change, known in (("missing", True), ("null", False)):
        geo = json.loads(table.schema.metadata[b"geo"])
        if change == "missing":
            del geo["columns"]["geometry"]["crs"]
        else:
            geo["columns"]["geometry"]["crs"] = None
        pyarrow.parquet.write_table(table.replace_schema_metadata({b"geo": json.dumps(geo).encode()}), path)
        rx = read(path)
        assert rx.area == pytest.approx(SQUARE, rel=1e-6)
        assert any("DOES NOT SAY ITS COORDINATE SYSTEM" in note.text for note in rx.notes) != known


def test_an_index_with_a_name_is_an_attribute(tmp_path):
    table = frame().set_index(pandas.Index([7, 8, 9], name="block"))
    rx = read(save(tmp_path / "f.parquet", table), rate_column="rate")
    assert rx.table["block"].tolist() == [7, 8, 9]


def test_flatgeobuf_cut_off_or_another_thing(tmp_path):
    whole = save(tmp_path / "f.fgb", frame(30)).read_bytes()
    path = tmp_path / "c.fgb"
    path.write_bytes(b"<html></html>")
    refused(path, "this is no FlatGeobuf", "<html>")
    for cut in (9, 60, len(whole) // 2, len(whole) - 1):
        path.write_bytes(whole[:cut])
        refused(path, "read")


@pytest.mark.parametrize("name", ["f.geojson", "f.gpkg", "f.fgb"])
def test_zip_of_one_file(tmp_path, name):
    inner = save(tmp_path / name, frame(crs=4326 if "json" in name else UTM))
    path = tmp_path / "f.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.write(inner, f"deep/{name}")
        archive.writestr("__MACOSX/deep/._" + name, b"x")
        archive.writestr("read.me", b"x")
    rx = read(path)
    whole = read(inner)
    assert rx.file_format == f"zipped {whole.file_format}" and rx.rate.tolist() == whole.rate.tolist()
    assert rx.table.geometry.geom_equals(whole.table.geometry).all()


def test_zip_of_several_layers_asks(tmp_path):
    shapefile = write_shapefile(tmp_path / "spring.shp", strip_of(1), ["90"])
    other = save(tmp_path / "autumn.fgb", frame(2)).read_bytes()
    path = zip_up(tmp_path / "f.zip", shapefile, more={"maps/autumn.fgb": other})
    refused(path, "2 layers", "--layer spring", "--layer maps/autumn.fgb")
    assert read(path, layer="autumn").rows_read == 2 and read(path, layer="spring").rate.tolist() == [90.0]
    package = tmp_path / "two.gpkg"
    frame(2).to_file(package, layer="north")
    frame(3).to_file(package, layer="south")
    with zipfile.ZipFile(tmp_path / "g.zip", "w") as archive:
        archive.write(package, "two.gpkg")
    refused(tmp_path / "g.zip", "2 layers", "--layer north")
    assert read(tmp_path / "g.zip", layer="south").rows_read == 3


def test_zipped_geojson_means_degrees(tmp_path):
    inner = write_geojson(tmp_path / "f.geojson", strip_of(1), [{"rate": 120}])
    with zipfile.ZipFile(tmp_path / "f.zip", "w") as archive:
        archive.write(inner, "f.geojson")
    refused(tmp_path / "f.zip", "GeoJSON means degrees", "--crs")


# Writing: an independent reader for each format


def opened(path: Path) -> geopandas.GeoDataFrame:
    """Read with fiona (its own GDAL), pyarrow, or json: coordinates as the file holds them."""
    if path.suffix == ".parquet":
        table = pyarrow.parquet.read_table(path)
        geo = json.loads(table.schema.metadata[b"geo"])
        about = geo["columns"][geo["primary_column"]]
        assert about["encoding"] == "WKB"
        shapes = shapely.from_wkb(table[geo["primary_column"]].to_pylist())
        columns = {name: table[name].to_pylist() for name in table.column_names if name != geo["primary_column"]}
        return geopandas.GeoDataFrame(columns, geometry=shapes, crs=pyproj.CRS.from_json_dict(about["crs"]))
    if path.suffix == ".geojson":
        document = json.loads(path.read_text(encoding="utf-8"))
        assert "crs" not in document  # RFC 7946, section 4
        rows = [feature["properties"] for feature in document["features"]]
        shapes = [shapely.geometry.shape(feature["geometry"]) for feature in document["features"]]
        for part in shapely.get_parts(shapes):  # section 3.1.6: outlines anticlockwise, holes clockwise
            assert part.exterior.is_ccw and not any(ring.is_ccw for ring in part.interiors)
        return geopandas.GeoDataFrame(rows, geometry=shapes, crs=4326)
    with fiona.open(f"zip://{path}" if path.suffix == ".zip" else path, encoding="utf-8") as layer:
        features = list(layer)
        rows = [dict(feature["properties"]) for feature in features]
        shapes = [shapely.geometry.shape(feature["geometry"]) for feature in features]
        return geopandas.GeoDataFrame(rows, geometry=shapes, crs=layer.crs.to_wkt())


NAMES = ["Löß", "участок", "畑の名", "حقل", "naïve café", None, "", "x" * 60, "=1+1", "a,b;c\"d'e"]


@st.composite
def zones(draw):
    """Valid shapes in metres: squares with or without a hole, alone or two to a zone, on a loose grid."""
    shapes = []
    for at in range(draw(st.integers(1, 5))):
        parts = []
        for down in range(draw(st.integers(1, 2))):
            size = draw(st.floats(5.0, 90.0))
            turn = draw(st.floats(0.0, 90.0))
            # Away from the central meridian: GDAL writes a longitude within 8 mm of a whole degree as that degree in
            # GeoJSON, which the check of the written file refuses.
            x, y = EAST + 100.0 + 200.0 * at + draw(st.floats(0, 50)), NORTH + 200.0 * down + draw(st.floats(0, 50))
            shape = shapely.box(x, y, x + size, y + size)
            if draw(st.booleans()):
                hole = shapely.box(x + 0.2 * size, y + 0.3 * size, x + 0.6 * size, y + 0.8 * size)
                shape = shape.difference(hole)
            parts.append(shapely.affinity.rotate(shape, turn, origin=(x, y)))
        shapes.append(parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts))
    return shapes


def ends_meet(one, other, slack):
    """Whether each of two shapes has the corners of the other within `slack`."""
    here, there = (np.unique(shapely.get_coordinates(shape), axis=0) for shape in (one, other))
    apart = np.hypot(*(here[:, None] - there[None]).transpose(2, 0, 1))
    return apart.min(axis=0).max() <= slack and apart.min(axis=1).max() <= slack


@pytest.mark.slow
@pytest.mark.parametrize("ending", VECTORS)
@laws(15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    shapes=zones(),
    crs=st.sampled_from([UTM, "EPSG:4326", "EPSG:3417", "EPSG:5070", "EPSG:4269", "EPSG:32733"]),
    unit=st.sampled_from(RATE_UNITS),
    data=st.data(),
)
def test_what_is_written_is_read_by_others(tmp_path, ending, shapes, crs, unit, data):
    count = len(shapes)
    rates = data.draw(st.lists(st.floats(0.0, 999.0), min_size=count, max_size=count))
    names = data.draw(st.lists(st.sampled_from(NAMES), min_size=count, max_size=count))
    table = geopandas.GeoDataFrame(
        {"RATE": rates, "name": names, "nummer": range(count)}, geometry=shapes, crs=UTM
    )  # fmt: skip
    # UTM south (32733) takes the same numbers elsewhere on earth.
    table = table.set_crs(crs, allow_override=True) if crs == "EPSG:32733" else table.to_crs(crs)
    source = tmp_path / "in.gpkg"
    source.unlink(missing_ok=True)
    pyogrio.write_dataframe(table, source)
    rx = read_prescription(source, rate_column="RATE", rate_unit=unit.text)
    target = tmp_path / f"out{ending}"
    for old in tmp_path.glob("out.*"):
        old.unlink()
    done = write_prescription(rx, UnitRates(rx.rate, unit), target, replace=False)
    found = opened(target)
    assert len(found) == count and done.zones == count
    assert found[done.column].tolist() == pytest.approx(rates, rel=1e-14, abs=1e-14)
    assert found["nummer"].tolist() == list(range(count))
    kept = [None if pandas.isna(name) else name for name in found["name"]]
    # A DBF has no empty text, only an empty cell.
    assert kept == [None if name == "" and ending in (".shp", ".zip") else name for name in names]
    degrees = ending == ".geojson"
    meant = table.to_crs(4326) if degrees else table
    for here, there in zip(meant.geometry, found.geometry, strict=True):
        # In GeoJSON half of the ninth decimal of a degree; elsewhere nothing at all may move.
        assert ends_meet(here, there, 0.75e-9 if degrees else 0.0)
        assert there.is_valid and there.area == pytest.approx(here.area, rel=1e-4 if degrees else 1e-12)
    assert found.crs.is_geographic == meant.crs.is_geographic
    corner = meant.total_bounds[:2]
    place = [
        pyproj.Transformer.from_crs(each, 4326, always_xy=True).transform(*corner) for each in (found.crs, meant.crs)
    ]
    assert place[0] == pytest.approx(place[1], abs=1e-9)
    # Without being told, geoflow itself knows the unit again.
    assert read_prescription(target, rate_column=done.column).rate_unit == unit


@pytest.mark.parametrize("ending", [*VECTORS, ".tif"])
@pytest.mark.parametrize("unit", RATE_UNITS, ids=lambda unit: unit.text)
def test_the_unit_is_in_the_file(tmp_path, ending, unit):
    save(tmp_path / "in.fgb", frame(2, rate=[120.5, 99.0], soil=["a", "b"]))
    rx = read_prescription(tmp_path / "in.fgb", rate_unit=unit.text)
    done = write_prescription(rx, UnitRates(rx.rate, unit), tmp_path / f"out{ending}", replace=False)
    again = read_prescription(done.path, rate_column=None if ending == ".tif" else done.column)
    assert again.rate_unit == unit and sorted(again.rate.tolist()) == [99.0, 120.5]
    if ending != ".tif":
        soil = dict(zip(again.rate.tolist(), again.table["soil"], strict=True))
        assert soil == {120.5: "a", 99.0: "b"}


def test_a_name_that_states_the_unit_stays(tmp_path):
    for name, path, expected in [
        ("my_rate_lb_n_ac", "o.gpkg", "my_rate_lb_n_ac"),
        ("my_rate_lb_n_ac", "o.shp", "lb_n_ac"),
        ("lb_n_ac", "o.shp", "lb_n_ac"),
        ("rate", "o.gpkg", "rate_lb_n_ac"),
        ("rate_kg_n_ha_", "o.fgb", "rate_lb_n_ac"),
    ]:
        rx = read_prescription(
            save(tmp_path / "i.gpkg", frame(2, **{name: [100.0, 120.0]})), rate_unit=None if "kg" in name else "lb N/ac"
        )
        assert rate_column_name(rx, LB, Path(path)) == expected
        (tmp_path / "i.gpkg").unlink()


def test_a_long_name_asked_for_is_shortened_and_told(tmp_path):
    rx = read(save(tmp_path / "i.gpkg", frame(2)))
    done = write_prescription(
        rx, UnitRates(rx.rate, LB), tmp_path / "o.shp", form=NewForm(column="a_long_rate_name"), replace=False
    )
    assert done.column == "lb_n_ac" and done.renamed == {"a_long_rate_name": "lb_n_ac"}
    assert "Shapefile holds 10" in done.notes[0]


def test_rows_left_out_and_mended_shapes(tmp_path):
    bow = shapely.Polygon([(EAST, NORTH), (EAST + 100, NORTH + 100), (EAST + 100, NORTH), (EAST, NORTH + 100)])
    table = geopandas.GeoDataFrame(
        {"RATE": [100.0, None, 120.0], "name": ["a", "b", "c"]},
        geometry=[bow, *(shapely.box(EAST + off, NORTH, EAST + off + 100, NORTH + 9) for off in (200, 400))],
        crs=UTM,
    )
    rx = read(save(tmp_path / "i.gpkg", table))
    for ending in VECTORS:
        done = write_prescription(rx, UnitRates(rx.rate, LB), tmp_path / f"o{ending}", replace=False)
        found = opened(done.path)
        assert found["name"].tolist() == ["a", "c"] and "1 rows that were left out" in done.notes[0]
        assert found.geometry.is_valid.all()
        # The bow-tie is two triangles of 50 m by 100 m / 2 each.
        assert found.to_crs(UTM).geometry.area.tolist() == pytest.approx([5000.0, 900.0], rel=1e-6)


def test_axes_are_put_right(tmp_path):
    rings = [[(y, x) for x, y in ring] for ring in in_degrees(strip_of(1))[0]]
    rx = read(write_geojson(tmp_path / "i.geojson", [rings], [{"rate": 120}]))
    assert rx.axes_swapped
    for ending in VECTORS:
        found = opened(write_prescription(rx, UnitRates(rx.rate, LB), tmp_path / f"o{ending}", replace=False).path)
        assert found.to_crs(UTM).geometry[0].bounds == pytest.approx((EAST, NORTH, EAST + 100, NORTH + 100), abs=1e-3)


def test_heights_and_odd_columns(tmp_path):
    table = frame(
        2,
        RATE=[100.0, 120.0],
        flag=[True, False],
        when=pandas.to_datetime(["2024-04-01", None]),
        geom=["a", "b"],
        rate_lb_n_ac=["x", "y"],
    )
    table = table.set_geometry(shapely.force_3d(table.geometry, 200.0))
    rx = read(save(tmp_path / "i.parquet", table), rate_column="RATE")
    for ending in VECTORS:
        done = write_prescription(rx, UnitRates(rx.rate, LB), tmp_path / f"o{ending}", replace=False)
        found = opened(done.path)
        assert not shapely.has_z(found.geometry.to_numpy()).any()
        assert [float(rate) for rate in found[done.column]] == [100.0, 120.0]
        assert found[done.renamed.get("rate_lb_n_ac", "rate_lb_n_ac")].tolist() == ["x", "y"]
        assert [bool(flag) for flag in found["flag"]] == [True, False] and found["geom"].tolist() == ["a", "b"]


# Writing without harm


def test_refusals(tmp_path):
    rx = read(save(tmp_path / "i.gpkg", frame(2)))
    cases = [
        ("o.kml", {}, "no format that can be written"),
        ("o", {}, "no ending"),
        ("i.gpkg", {"replace": True}, "inputs are never written over"),
        ("o.gpkg", {"form": NewForm(cell=5.0)}, "only a raster has cells"),
    ]
    for name, options, expected in cases:
        with pytest.raises(OutputError, match=expected):
            write_prescription(rx, UnitRates(rx.rate, LB), tmp_path / name, **{"replace": False, **options})
    for wrong in (np.nan, -1.0, np.inf):
        with pytest.raises(OutputError, match=r"is no rate.*\n.*row 2"):
            write_prescription(rx, UnitRates(np.array([1.0, wrong]), LB), tmp_path / "o.gpkg", replace=False)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["i.gpkg"]


@pytest.mark.parametrize("ending", sorted(set(WRITTEN_FORMATS) - {".shp"}))
def test_replacing_needs_to_be_said(tmp_path, ending):
    rx = read(save(tmp_path / "i.gpkg", frame(2)))
    target = tmp_path / f"o{ending}"
    write_prescription(rx, UnitRates(rx.rate, LB), target, replace=False)
    before = target.read_bytes()
    with pytest.raises(OutputError, match="already exists"):
        write_prescription(rx, UnitRates(rx.rate + 1, LB), target, replace=False)
    assert target.read_bytes() == before
    write_prescription(rx, UnitRates(rx.rate + 1, LB), target, replace=True)
    assert sorted(read_prescription(target).rate.tolist()) == [101.0, 151.0]


def test_a_shapefile_is_not_replaced_file_by_file(tmp_path):
    rx = read(save(tmp_path / "i.gpkg", frame(2)))
    write_prescription(rx, UnitRates(rx.rate, LB), tmp_path / "o.shp", replace=False)
    before = {path: path.read_bytes() for path in tmp_path.glob("o.*")}
    for replace in (False, True):
        with pytest.raises(OutputError):
            write_prescription(rx, UnitRates(rx.rate + 1, LB), tmp_path / "o.shp", replace=replace)
    assert {path: path.read_bytes() for path in tmp_path.glob("o.*")} == before


def test_a_journal_beside_a_package_is_left_alone(tmp_path):
    rx = read(save(tmp_path / "i.fgb", frame(2)))
    (tmp_path / "o.gpkg-wal").write_bytes(b"x")
    with pytest.raises(OutputError, match="lies beside it"):
        write_prescription(rx, UnitRates(rx.rate, LB), tmp_path / "o.gpkg", replace=False)


def test_a_system_the_format_cannot_hold_is_noticed(tmp_path, monkeypatch):
    """A .prj that says something else than was meant must not get out."""
    from geoflow.prescription_patch import new_file as prescription_out

    rx = read(save(tmp_path / "i.gpkg", frame(2)))
    whole = prescription_out.write_zones

    def lying(path, table, columns, **options):
        return whole(path, table.set_crs(32614, allow_override=True), columns, **options)

    monkeypatch.setattr(prescription_out, "write_zones", lying)
    with pytest.raises(OutputError, match="does not hold the coordinate system"):
        write_prescription(rx, UnitRates(rx.rate, LB), tmp_path / "o.shp", replace=False)

    def losing(path, table, columns, **options):
        return whole(path, table.iloc[:1], {name: values[:1] for name, values in columns.items()}, **options)

    monkeypatch.setattr(prescription_out, "write_zones", losing)
    with pytest.raises(OutputError, match="zones are missing"):
        write_prescription(rx, UnitRates(rx.rate, LB), tmp_path / "o.gpkg", replace=False)

    def rounding(path, table, columns, **options):
        return whole(path, table, {name: np.round(values) for name, values in columns.items()}, **options)

    monkeypatch.setattr(prescription_out, "write_zones", rounding)
    with pytest.raises(OutputError, match="rates differ"):
        write_prescription(rx, UnitRates(rx.rate + 0.3, LB), tmp_path / "o.gpkg", replace=False)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["i.gpkg"]


CRAMPED = """
import resource, sys
from pathlib import Path
import numpy as np
from geoflow.base.errors import OutputError
from geoflow.base.rates import UnitRates
from geoflow.prescription_patch.new_file import write_prescription
from geoflow.prescription_files.read_prescription import read_prescription
rx = read_prescription(sys.argv[1], rate_unit="lb N/ac")
most = int(sys.argv[3])
resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))
try:
    write_prescription(rx, UnitRates(rx.rate, rx.rate_unit), Path(sys.argv[2]), replace=False)
except OutputError as error:
    print("refused", error.what)
"""


@pytest.mark.slow
@pytest.mark.parametrize("ending", [".fgb", ".parquet", ".tif", ".zip"])
def test_a_disk_that_takes_no_more_is_noticed(tmp_path, ending):
    rng = np.random.default_rng(4)
    save(tmp_path / "i.fgb", frame(300, rate=rng.uniform(80, 200, 300)))

    def run(name: str, most: int) -> str:
        command = [sys.executable, "-c", CRAMPED, str(tmp_path / "i.fgb"), str(tmp_path / name), str(most)]
        return subprocess.run(command, capture_output=True, text=True, check=True, cwd=Path(__file__).parents[1]).stdout

    assert run(f"whole{ending}", 2**40) == ""
    size = (tmp_path / f"whole{ending}").stat().st_size
    for most in (0, size // 2, size - 2):
        assert "refused" in run(f"cramped{ending}", most), most
        assert sorted(path.name for path in tmp_path.iterdir()) == sorted(["i.fgb", f"whole{ending}"])
