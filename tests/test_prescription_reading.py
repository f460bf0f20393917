"""Real files are odd: each is read right, with the fact told, or refused once with the cure. Written on the fly."""

from __future__ import annotations

import zipfile

import geopandas
import numpy as np
import pyogrio
import pyproj
import pytest
import shapely
from rx_files import (
    EAST,
    NORTH,
    RATE,
    UTM,
    exchanged,
    in_degrees,
    square,
    strip_of,
    write_geojson,
    write_shapefile,
    zip_up,
)

from geoflow.base.errors import PrescriptionError
from geoflow.layers.vector_source import check_unpacked_size
from geoflow.prescription_files.read_prescription import read_prescription

# Geodesic area of one 100 m UTM square at the central meridian: 1e4 m2 / 0.9996^2 (definition of UTM's k0); over the
# 300 m of these tests the scale grows by less than 2e-9.
SQUARE = 1e4 / 0.9996**2
LB = {"rate_unit": "lb N/ac"}


def said(prescription, kind=None):
    return "\n".join(note.text for note in prescription.notes if kind in (None, note.kind))


def refused(path, *expected, **options):
    with pytest.raises(PrescriptionError) as caught:
        read_prescription(path, **{**LB, **options})
    text = str(caught.value)
    for part in expected:
        assert part in text, text
    assert caught.value.cure
    return text


def stands(prescription, expected, index=0):
    """Whether a zone has exactly these corners, given in UTM [m], to a tenth of a millimetre.

    They are compared in the local frame: forward that projection follows pyproj.Geod, but its inverse
    in PROJ 9.5 shifts everything by 0.7 mm at 42 N (1.2 mm at 33 N).
    """
    onward = pyproj.Transformer.from_crs(UTM, prescription.local_crs, always_xy=True)
    wanted = np.column_stack(onward.transform(*np.array(sorted(expected)).T))
    found = np.unique(shapely.get_coordinates(prescription.zones[index]), axis=0)
    apart = np.hypot(*(wanted[:, None] - found[None]).transpose(2, 0, 1))
    return wanted.shape == found.shape and apart.min(axis=0).max() < 1e-4 and apart.min(axis=1).max() < 1e-4


def corners(column=0, row=0, size=100.0):
    return {(EAST + (column + a) * size, NORTH + (row + b) * size) for a in (0, 1) for b in (0, 1)}


def centre_of_strip(count):
    return pyproj.Transformer.from_crs(UTM, 4326, always_xy=True).transform(EAST + 50 * count, NORTH + 50)


def frame(count=3, crs=UTM, **columns):
    columns = columns or {"rate": np.linspace(100.0, 150.0, count)}
    shapes = [shapely.Polygon(rings[0], rings[1:]) for rings in strip_of(count)]
    return geopandas.GeoDataFrame(columns, geometry=shapes, crs=UTM).to_crs(crs)


# Formats


@pytest.mark.parametrize(
    ("name", "file_format"),
    [("f.shp", "shapefile"), ("f.geojson", "geojson"), ("f.json", "geojson"), ("f.gpkg", "geopackage")],
)
def test_every_format_gives_the_same_zones(tmp_path, name, file_format):
    crs = 4326 if "json" in name else UTM
    frame(crs=crs).to_file(tmp_path / name, driver="GeoJSON" if "json" in name else None)
    rx = read_prescription(tmp_path / name, **LB)
    assert rx.file_format == file_format and rx.rows_read == 3 and rx.dropped == {}
    assert rx.row.tolist() == [0, 1, 2] and rx.rate.tolist() == [100.0, 125.0, 150.0]
    assert rx.rate_column == "rate" and rx.rate_unit.text == "lb N/ac"
    # GeoJSON is written with 7 decimals of a degree here or more: 11 mm on 100 m.
    assert rx.area == pytest.approx(SQUARE, rel=1e-7 if crs == UTM else 3e-4)
    assert rx.centre == pytest.approx(centre_of_strip(3), abs=1e-6)
    if crs == UTM:
        assert stands(rx, corners(1), 1)
    geodesic = abs(pyproj.Geod(ellps="WGS84").geometry_area_perimeter(rx.table.to_crs(4326).geometry.iloc[0])[0])
    assert rx.area[0] == pytest.approx(geodesic, rel=1e-8)


@pytest.mark.parametrize(
    "crs", ["EPSG:4326", "EPSG:32615", "EPSG:5070", "EPSG:3857", "EPSG:3417", "EPSG:4267", "ESRI:102008"]
)
def test_any_coordinate_system_gives_the_same_ground(tmp_path, crs):
    # Iowa North in US feet (3417) is 10.76 times too big if read as metres; web Mercator (3857) 1.8 times.
    frame(crs=crs).to_file(tmp_path / "f.gpkg")
    rx = read_prescription(tmp_path / "f.gpkg", **LB)
    assert rx.area == pytest.approx(SQUARE, rel=2e-5)  # NAD27 (4267) is another ellipsoid
    assert rx.centre == pytest.approx(centre_of_strip(3), abs=1e-3)


def test_zip_in_any_folder_and_beside_other_things(tmp_path):
    shp = write_shapefile(tmp_path / "f.shp", strip_of(2), ["100", "120,5"])
    path = zip_up(tmp_path / "f.zip", shp, "deep/down/", more={"__MACOSX/deep/down/._f.shp": b"x", "read.me": b"x"})
    rx = read_prescription(path, **LB)
    assert rx.file_format == "zipped shapefile" and rx.layer == "f"
    assert rx.rate.tolist() == [100.0, 120.5] and stands(rx, corners(1), 1)


def test_zip_with_several_layers_asks(tmp_path):
    one = write_shapefile(tmp_path / "one.shp", strip_of(2), ["100", "110"])
    two = write_shapefile(tmp_path / "two.shp", strip_of(1), ["90"])
    with zipfile.ZipFile(tmp_path / "f.zip", "w") as archive:
        for part in [*one.parent.glob("one.*"), *two.parent.glob("two.*")]:
            archive.write(part, f"maps/{part.name}")
    refused(tmp_path / "f.zip", "2 layers", "--layer maps/one", "--layer maps/two")
    assert read_prescription(tmp_path / "f.zip", layer="two", **LB).rate.tolist() == [90.0]
    refused(tmp_path / "f.zip", "no layer 'three'", layer="three")


def test_geopackage_with_several_layers_asks(tmp_path):
    frame(2).to_file(tmp_path / "f.gpkg", layer="spring")
    frame(3).to_file(tmp_path / "f.gpkg", layer="autumn")
    refused(tmp_path / "f.gpkg", "2 layers", "--layer spring", "--layer autumn")
    rx = read_prescription(tmp_path / "f.gpkg", layer="autumn", **LB)
    assert rx.layer == "autumn" and rx.rows_read == 3
    refused(tmp_path / "f.gpkg", "no layer 'sprng'; did you mean 'spring'", layer="sprng")


def test_layer_of_a_single_file_must_be_its_own(tmp_path):
    write_shapefile(tmp_path / "f.shp", strip_of(1))
    assert read_prescription(tmp_path / "f.shp", layer="f", **LB).rows_read == 1
    refused(tmp_path / "f.shp", "no layer 'g', only 'f'", "--layer", layer="g")


def test_capital_suffixes(tmp_path):
    shp = write_shapefile(tmp_path / "F.shp", strip_of(1), ["120,5"])
    for part in list(tmp_path.glob("F.*")):
        part.rename(part.with_suffix(part.suffix.upper()))
    assert read_prescription(shp.with_suffix(".SHP"), **LB).rate.tolist() == [120.5]


@pytest.mark.parametrize("missing", [".dbf", ".shx"])
@pytest.mark.parametrize("zipped", [False, True])
def test_missing_part_of_a_shapefile(tmp_path, missing, zipped):
    path = write_shapefile(tmp_path / "f.shp", strip_of(2))
    if zipped:
        path = zip_up(tmp_path / "f.zip", path, leave_out=missing)
    else:
        path.with_suffix(missing).unlink()
    refused(path, f"the {missing} that belongs to the shapefile is missing", "copy all parts")


@pytest.mark.parametrize(
    ("name", "content", "expected"),
    [
        ("f.zip", b"PK\x03\x04 not really", "the zip cannot be opened"),
        ("f.zip", b"<html></html>", "the zip cannot be opened"),
        ("f.geojson", b"<html></html>", "no GeoJSON"),
        ("f.geojson", b'{"type": "FeatureCollection", "features": [', "cannot be read"),
        ("f.geojson", b'{"type": "FeatureCollection", "features": []}', "empty"),
        ("f.gpkg", b"<html></html>", "no GeoPackage"),
        ("f.gpkg", b"SQLite format 3\0 and then nothing", "cannot be read"),
        ("f.shp", b"", "the file is empty"),
        ("f.dbf", b"x", "one part of a shapefile"),
        ("f.kmz", b"x", "no prescription format"),
    ],
)
def test_file_that_is_not_what_its_name_says(tmp_path, name, content, expected):
    (tmp_path / name).write_bytes(content)
    refused(tmp_path / name, expected, "cure")


def test_web_page_named_shp_and_files_cut_off(tmp_path):
    path = write_shapefile(tmp_path / "f.shp", strip_of(3))
    whole, table = path.read_bytes(), path.with_suffix(".dbf").read_bytes()
    path.write_bytes(b"<!DOCTYPE html><html>" + b" " * 200)
    refused(path, "no shapefile", "<!DOCTYPE")
    path.write_bytes(whole[:-50])
    refused(path, "cut off", f"{len(whole):,} bytes", f"{len(whole) - 50:,}")
    path.write_bytes(whole)
    path.with_suffix(".dbf").write_bytes(table[:-10])
    refused(path, "cut off", "3 records and holds 2")
    path.with_suffix(".dbf").write_bytes(b"<html>" * 20)
    refused(path, ".dbf")


def test_missing_file_folder_and_empty_layer(tmp_path):
    write_shapefile(tmp_path / "north.shp", strip_of(1))
    refused(tmp_path / "nroth.shp", "no such file; did you mean 'north.shp'")
    refused(tmp_path / "nowhere" / "a.shp", "no such file")
    refused(tmp_path, "folder", "north.shp")
    write_shapefile(tmp_path / "none.shp", [], [])
    refused(tmp_path / "none.shp", "empty")


def test_zip_without_shapefile_locked_or_bomb(tmp_path):
    with zipfile.ZipFile(tmp_path / "f.zip", "w") as archive:
        archive.writestr("notes.txt", "x")
    refused(tmp_path / "f.zip", "no .shp", "notes.txt")
    shp = write_shapefile(tmp_path / "g.shp", strip_of(1))
    path = zip_up(tmp_path / "g.zip", shp, leave_out=".cpg", more={"g.cpg": b"\0" * 120_000_000})
    refused(path, "would unpack to 120 MB")
    big = zipfile.ZipInfo("g.shp")
    big.file_size, big.compress_size = 3 * 1024**3, 2 * 1024**3
    with pytest.raises(PrescriptionError, match="3,221 MB"):
        check_unpacked_size([big], "g.zip")
    # Mark every member as encrypted (bit 0 of the flags, local and central headers; APPNOTE.TXT 4.4.4).
    data = bytearray(zip_up(tmp_path / "h.zip", shp).read_bytes())
    for mark, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        at = data.find(mark)
        while at >= 0:
            data[at + offset] |= 1
            at = data.find(mark, at + 4)
    (tmp_path / "h.zip").write_bytes(data)
    refused(tmp_path / "h.zip", "password", "unpack it")


def test_points_and_plain_tables_are_no_prescription(tmp_path):
    points = geopandas.GeoDataFrame({"rate": [1.0]}, geometry=[shapely.Point(-93, 42)], crs=4326)
    points.to_file(tmp_path / "p.geojson")
    refused(tmp_path / "p.geojson", "no polygons, only Point")
    write_geojson(tmp_path / "n.geojson", [None], [{"rate": 5}])
    refused(tmp_path / "n.geojson", "no row of the file has a shape")
    pyogrio.write_dataframe(frame().drop(columns="geometry"), tmp_path / "t.gpkg")
    refused(tmp_path / "t.gpkg", "no layer with shapes")


# Coordinate systems


def test_no_prj_with_degrees_is_taken_as_wgs84_and_said_loudly(tmp_path):
    path = write_shapefile(tmp_path / "f.shp", in_degrees(strip_of(2)), crs=None)
    rx = read_prescription(path, **LB)
    assert rx.crs.to_epsg() == 4326 and rx.area == pytest.approx(SQUARE, rel=1e-6)
    assert "DOES NOT SAY ITS COORDINATE SYSTEM" in said(rx, "crs") and "metre or two" in said(rx, "crs")
    assert stands(rx, corners())


def test_no_prj_with_metres_is_refused_and_cured(tmp_path):
    path = write_shapefile(tmp_path / "f.shp", strip_of(2), crs=None)
    refused(path, "does not say its coordinate system", "--crs EPSG:")
    assert stands(read_prescription(path, crs=UTM, **LB), corners())
    refused(path, "'EPSG:banana' is no coordinate system", crs="EPSG:banana")


def test_no_prj_and_more_than_a_field_in_degrees_is_refused(tmp_path):
    zones = [[[(x, 0.0), (x, 1.0), (x + 1, 1.0), (x + 1, 0.0), (x, 0.0)]] for x in (0.0, 90.0)]
    refused(write_shapefile(tmp_path / "f.shp", zones, crs=None), "not a field in degrees", "--crs")


def test_garbage_prj_counts_as_none(tmp_path):
    path = write_shapefile(tmp_path / "f.shp", strip_of(1), prj="utm 15 north I think")
    refused(path, "does not say its coordinate system")


@pytest.mark.filterwarnings("ignore:'crs' was not provided")
def test_undefined_system_of_a_geopackage_counts_as_none(tmp_path):
    frame().set_crs(None, allow_override=True).to_file(tmp_path / "f.gpkg")
    refused(tmp_path / "f.gpkg", "does not say its coordinate system")


def test_prj_without_a_number_is_taken_by_its_parameters(tmp_path):
    prj = (
        'PROJCS["farm grid",GEOGCS["unnamed",DATUM["unknown",SPHEROID["GRS80",6378137,298.257222101]],'
        'PRIMEM["Greenwich",0],UNIT["Degree",0.0174532925199433]],PROJECTION["Transverse_Mercator"],PARAMETER["latitude_of_origin",0],'
        'PARAMETER["central_meridian",-93.1],PARAMETER["scale_factor",0.9996],PARAMETER["false_easting",500000],'
        'PARAMETER["false_northing",0],UNIT["Meter",1]]'
    )
    path = write_shapefile(tmp_path / "f.shp", strip_of(2), prj=prj)
    rx = read_prescription(path, **LB)
    assert "no register number" in said(rx, "crs") and "datum unnamed, treated as WGS 84" in said(rx, "crs")
    assert rx.area == pytest.approx(SQUARE, rel=1e-7)
    assert rx.centre[0] == pytest.approx(-93.1 + 100 / (0.9996 * 111_320 * np.cos(np.radians(42.0))), abs=1e-5)
    swapped = write_shapefile(tmp_path / "s.shp", exchanged(strip_of(2)), prj=prj)
    assert read_prescription(swapped, **LB).centre == pytest.approx(rx.centre, abs=1e-9)


def test_geojson_in_metres(tmp_path):
    path = write_geojson(tmp_path / "f.geojson", strip_of(1), [{"rate": 120}])
    refused(path, "GeoJSON means degrees", "--crs")
    assert stands(read_prescription(path, crs=UTM, **LB), corners())
    named = write_geojson(tmp_path / "g.geojson", strip_of(1), [{"rate": 120}], crs="urn:ogc:def:crs:EPSG::26915")
    rx = read_prescription(named, **LB)
    assert rx.crs.to_epsg() == 26915 and stands(rx, corners())


def test_crs_option_has_the_last_word_and_says_so(tmp_path):
    path = write_shapefile(tmp_path / "f.shp", strip_of(1), crs="EPSG:26914")
    rx = read_prescription(path, crs=UTM, **LB)
    assert rx.crs.to_epsg() == 26915 and "in place of what the file says" in said(rx, "crs")
    assert "in place" not in said(read_prescription(path, crs="EPSG:26914", **LB))


def test_degrees_under_a_metric_prj_are_refused(tmp_path):
    path = write_shapefile(tmp_path / "f.shp", in_degrees(strip_of(1)), crs=UTM)
    refused(path, "look like degrees", "--crs EPSG:4326")
    assert stands(read_prescription(path, crs="EPSG:4326", **LB), corners())


def test_latitude_first_is_certain_beyond_ninety(tmp_path):
    # -93 can be no latitude.
    path = write_geojson(tmp_path / "f.geojson", exchanged(in_degrees(strip_of(2))), [{"rate": 1}, {"rate": 5}])
    rx = read_prescription(path, rate_column="rate", **LB)
    assert rx.axes_swapped and "exchanged" in said(rx, "axes")
    assert stands(rx, corners()) and rx.area == pytest.approx(SQUARE, rel=1e-6)
    bare = write_shapefile(tmp_path / "f.shp", exchanged(in_degrees(strip_of(2))), crs=None)
    assert stands(read_prescription(bare, **LB), corners())


def test_latitude_first_is_asked_where_it_could_be_true(tmp_path):
    zones = in_degrees(strip_of(1), "EPSG:26916")  # around longitude -87
    path = write_geojson(tmp_path / "f.geojson", exchanged(zones), [{"rate": 120}])
    refused(path, "nobody farms", "--swap-axes", "--crs EPSG:4326")
    rx = read_prescription(path, swap_axes=True, **LB)
    there = pyproj.Transformer.from_crs("EPSG:26916", 4326, always_xy=True).transform(EAST + 50, NORTH + 50)
    assert rx.centre == pytest.approx(there, abs=1e-6) and "--swap-axes" in said(rx, "axes")
    assert read_prescription(path, crs="EPSG:4326", **LB).centre[1] == pytest.approx(-86.9994, abs=1e-3)


def test_swapped_projected_axes(tmp_path):
    rx = read_prescription(write_shapefile(tmp_path / "f.shp", exchanged(strip_of(2))), **LB)
    assert rx.axes_swapped and "exchanged" in said(rx, "axes") and stands(rx, corners())


def test_place_is_told_and_a_wrong_zone_noticed(tmp_path):
    path = write_shapefile(tmp_path / "f.shp", strip_of(2))
    longitude, latitude = centre_of_strip(2)
    assert f"latitude {latitude:.3f}, longitude {longitude:.3f}" in said(read_prescription(path, **LB), "middle")
    iowa = frame(crs="EPSG:3417").geometry  # Iowa coordinates said to be Ohio's state plane
    geopandas.GeoDataFrame({"rate": [1.0, 9, 9]}, geometry=iowa.values).set_crs(3734, allow_override=True).to_file(
        tmp_path / "o.gpkg"
    )
    assert "outside the area" in said(read_prescription(tmp_path / "o.gpkg", **LB), "crs")


def test_stray_zone_far_away_is_told(tmp_path):
    zones = [*in_degrees(strip_of(1)), [[(0.0, 0.0), (0.0, 0.001), (0.001, 0.001), (0.0, 0.0)]]]
    rx = read_prescription(write_shapefile(tmp_path / "f.shp", zones, crs="EPSG:4326"), **LB)
    assert "km apart" in said(rx, "place")


def test_zones_on_both_sides_of_the_180th_meridian_are_refused(tmp_path):
    ring = [(179.99, 50.0), (179.99, 50.01), (-179.99, 50.01), (-179.99, 50.0), (179.99, 50.0)]
    refused(write_geojson(tmp_path / "f.geojson", [[ring]], [{"rate": 1}]), "180th meridian")


# Shapes


@pytest.mark.parametrize(("outer", "inner"), [(1, 1), (1, -1), (-1, 1), (-1, -1)])
def test_ring_order_does_not_change_the_ground(tmp_path, outer, inner):
    # A 10 m square with a 2 m hole is 96 m2, whichever way the rings run; GDAL left alone says -96, 104 or 96.
    rings = square(size=10.0, hole=2.0)
    rings = [rings[0][::outer], rings[1][::inner]]
    for order in (rings, rings[::-1]):
        rx = read_prescription(write_shapefile(tmp_path / "f.shp", [order]), **LB)
        assert rx.area[0] == pytest.approx(96 / 0.9996**2, rel=1e-7)
        assert shapely.get_num_interior_rings(rx.zones[0]) == 1
        assert ("wrong way round" in said(rx, "shape")) == ((outer, inner) != (1, 1))
        assert not np.any(rx.table.geometry.area < 0)
    assert pyogrio.get_gdal_config_option("OGR_ORGANIZE_POLYGONS") is None


def test_unclosed_ring_is_closed_and_told(tmp_path):
    zones = [square(), [square(1)[0][:-1]]]
    rx = read_prescription(write_shapefile(tmp_path / "f.shp", zones, ["100", "120"]), **LB)
    assert stands(rx, corners(1), 1) and rx.rate.tolist() == [100.0, 120.0]
    assert "1 zone had an outline that did not close" in said(rx, "shape")


def test_outline_that_cannot_be_closed_is_not_said_to_be(tmp_path):
    zones = [square(), [[(float("nan"), NORTH), *square(1)[0][1:]]]]
    rx = read_prescription(write_shapefile(tmp_path / "f.shp", zones, ["100", "120"]), **LB)
    assert rx.dropped == {"no shape": (1,)} and "did not close" not in said(rx)


def test_bow_tie_keeps_both_halves(tmp_path):
    ring = [(EAST, NORTH), (EAST + 100, NORTH + 100), (EAST + 100, NORTH), (EAST, NORTH + 100), (EAST, NORTH)]
    rx = read_prescription(write_shapefile(tmp_path / "f.shp", [[ring], square(2)]), **LB)
    assert rx.row.tolist() == [0, 1] and rx.zones[0].is_valid
    assert rx.area[0] == pytest.approx(SQUARE / 2, rel=1e-6)
    # 5,000 m2 of the projection is 5,004 m2 on the ground, 1.24 acres.
    assert "row 1" in said(rx, "shape") and "1.24 ac in all" in said(rx, "shape")


def test_multipolygon_holes_and_islands_stay_one_zone_per_row(tmp_path):
    island = [(x, y) for x, y in square(size=10.0)[0]]
    island = [(x + 45, y + 45) for x, y in island]
    zones = [[*square(hole=40.0), island, *square(3)], square(5)]
    rx = read_prescription(write_shapefile(tmp_path / "f.shp", zones, ["100", "120"]), **LB)
    assert rx.row.tolist() == [0, 1] and rx.rate.tolist() == [100.0, 120.0]
    assert rx.area[0] == pytest.approx((1e4 - 1600 + 100 + 1e4) / 0.9996**2, rel=1e-7)


def test_shapes_that_are_no_zone_are_dropped_with_their_cause(tmp_path):
    zone = shapely.Polygon([(-93, 42), (-92.999, 42), (-92.999, 42.001), (-93, 42.001)])
    shapes = [
        zone, shapely.Point(-93, 42), shapely.LineString([(-93, 42), (-93, 42.1)]), None,
        shapely.from_wkt("GEOMETRYCOLLECTION EMPTY"), shapely.Polygon([(-93, 42), (-92.9, 42), (-92.8, 42)]),
        shapely.GeometryCollection([shapely.Point(-93, 42), shapely.transform(zone, lambda c: np.add(c, (0.001, 0)))]),
        shapely.force_3d(shapely.transform(zone, lambda c: np.add(c, (0.002, 0))), 300.0),
    ]  # fmt: skip
    path = write_geojson(tmp_path / "f.geojson", shapes, [{"rate": 100 + 10 * i} for i in range(len(shapes))])
    rx = read_prescription(path, **LB)
    assert rx.row.tolist() == [0, 6, 7] and rx.rate.tolist() == [100.0, 160.0, 170.0] and rx.rows_read == 8
    assert rx.dropped == {"not a polygon": (1, 2), "no shape": (3, 4), "a shape without area": (5,)}
    assert not shapely.has_z(rx.zones).any() and "heights" in said(rx, "shape") and "mixed in" in said(rx, "shape")
    assert "mended" not in said(rx)  # the collapsed row is gone, not mended
    # 0.001 by 0.001 degree at 42 N, geodesic area of pyproj.Geod.
    geodesic = abs(pyproj.Geod(ellps="WGS84").geometry_area_perimeter(zone)[0])
    assert rx.area == pytest.approx(geodesic, rel=1e-7)
    assert len(rx.table) == 8 and rx.table.geometry.iloc[1].geom_type == "Point" and rx.table.geometry.iloc[7].has_z


def test_null_shape_in_a_shapefile(tmp_path):
    rx = read_prescription(write_shapefile(tmp_path / "f.shp", [square(), [], square(2)], ["1", "2", "9"]), **LB)
    assert rx.row.tolist() == [0, 2] and rx.dropped == {"no shape": (1,)} and rx.rate.tolist() == [1.0, 9.0]


def test_coordinates_that_are_no_numbers(tmp_path):
    ring = square(1)[0]
    zones = [square(), [[*ring[:2], (float("nan"), NORTH), *ring[3:]]]]
    rx = read_prescription(write_shapefile(tmp_path / "f.shp", zones, ["100", "120"]), **LB)
    assert rx.row.tolist() == [0] and rx.dropped == {"coordinates that are no numbers": (1,)}


def test_duplicates_with_the_same_rate_go_and_with_another_stay(tmp_path):
    zones = [square(), square(1), square(), square(1), square(1)]
    rx = read_prescription(write_shapefile(tmp_path / "f.shp", zones, ["100", "110", "100", "150", "150"]), **LB)
    assert rx.dropped == {"duplicate of an earlier row": (2, 4)}
    assert rx.row.tolist() == [0, 1, 3] and rx.rate.tolist() == [100.0, 110.0, 150.0]
    assert "row 4" in said(rx, "duplicate") and "counted twice" in said(rx, "duplicate") and not said(rx, "overlap")


def test_overlap_gap_and_sliver_are_told_with_their_ground(tmp_path):
    ring = [square(x, y) for x in range(3) for y in range(3) if (x, y) != (1, 1)]
    thin = [[(x, NORTH - 0.2 if y == NORTH else NORTH) for x, y in square()[0]]]
    wide = [[(x + 350, y) for x, y in square()[0]]]
    over = [[(x + 430, y) for x, y in square()[0]]]
    rx = read_prescription(write_shapefile(tmp_path / "f.shp", [*ring, thin, wide, over]), **LB)
    # 20 m x 100 m = 2,000 m2 = 0.49 ac; 100 m x 100 m = 2.47 ac (acre 4046.8564224 m2).
    assert "0.49 ac in all" in said(rx, "overlap") and "rows 10 and 11" in said(rx, "overlap")
    assert "1 gap inside" in said(rx, "gap") and "2.47 ac in all" in said(rx, "gap")
    assert "row 9" in said(rx, "sliver")


def test_hairlines_are_one_line(tmp_path):
    # Each zone 0.1 m further east, back by 0.3 m after every fourth: 45 gaps of 0.1 m and 14 overlaps of 0.3 m.
    zones = [[[(x + 0.1 * (i % 4), y) for x, y in square(i)[0]]] for i in range(60)]
    rx = read_prescription(write_shapefile(tmp_path / "f.shp", zones), **LB)
    assert [note.kind for note in rx.notes if note.kind in {"hairline", "overlap", "gap", "sliver"}] == ["hairline"]
    # 14 x 0.3 m x 100 m = 420 m2 = 0.10 ac; 45 x 0.1 m x 100 m = 450 m2 = 0.11 ac; with 800 ppm for UTM's k0.
    assert "14 overlaps, 0.10 ac in all" in said(rx, "hairline") and "0.11 ac in all" in said(rx, "hairline")
    assert rx.row.size == 60


# Rates


def test_rates_that_cannot_be_used_are_dropped_with_their_cause(tmp_path):
    properties = [{"rate": value} for value in (100.0, None, -9999, -5, 0, "abc", "", "inf")]
    path = write_geojson(tmp_path / "f.geojson", in_degrees(strip_of(8)), properties)
    rx = read_prescription(path, rate_column="rate", **LB)
    assert rx.row.tolist() == [0, 4] and rx.rate.tolist() == [100.0, 0.0]
    assert rx.dropped == {
        "no rate": (1, 6), "no readable rate": (5,), "infinite rate": (7,),
        "negative rate (-9999 often means no data)": (2, 3),
    }  # fmt: skip


@pytest.mark.parametrize("zipped", [False, True])
def test_dirty_numbers_of_a_dbf_are_read_from_its_bytes(tmp_path, zipped):
    # GDAL reads these as 120, 150, NaN, NaN and 12.
    path = write_shapefile(tmp_path / "f.shp", strip_of(6), ["120,5", "150 lb", "*****", "", "95.25", "12 34"])
    path = zip_up(tmp_path / "f.zip", path) if zipped else path
    rx = read_prescription(path, rate_column="RATE", **LB)
    assert rx.rate.tolist() == [120.5, 150.0, 95.25] and rx.row.tolist() == [0, 1, 4]
    assert rx.dropped == {"no rate": (3,), "no readable rate": (2, 5)}
    assert "comma in row 1" in said(rx, "numbers") and "'lb' behind the number in row 2" in said(rx, "numbers")


def test_text_column_in_geojson(tmp_path):
    cells = ["120,5", "150 lb", "1,234.5", "90"]
    path = write_geojson(tmp_path / "f.geojson", in_degrees(strip_of(4)), [{"rate": cell} for cell in cells])
    rx = read_prescription(path, rate_column="rate", **LB)
    assert rx.rate.tolist() == [120.5, 150.0, 1234.5, 90.0]


def test_unclear_comma_and_contradicting_suffix_name_their_rows(tmp_path):
    path = write_shapefile(tmp_path / "f.shp", strip_of(3), ["120", "1,200", "150 kg"])
    refused(path, "1,200", "row 2", "decimal point", rate_column="RATE")
    path = write_shapefile(tmp_path / "g.shp", strip_of(3), ["120", "120 lb", "150 kg"])
    refused(path, "another unit", "row 3", "--rate-unit", rate_column="RATE")


def test_deleted_records_are_left_out_and_told(tmp_path):
    path = write_shapefile(tmp_path / "f.shp", strip_of(4), ["100", "999", "120,5", "130"], deleted=[1])
    rx = read_prescription(path, **LB)
    assert rx.rows_read == 3 and rx.rate.tolist() == [100.0, 120.5, 130.0]
    assert stands(rx, corners(2), 1) and "1 record marked as deleted" in said(rx, "file")


@pytest.mark.parametrize("records", [2, 4])
def test_shapes_and_records_that_do_not_match_are_refused(tmp_path, records):
    path = write_shapefile(tmp_path / "f.shp", strip_of(3), ["100"] * records)
    refused(path, "3 shapes", f"{records} records", "copy or export")


def test_several_columns_ask_and_a_cut_name_is_told(tmp_path):
    fields = [("nitrogen_r", "N", 10, 2), ("P_rate", "N", 10, 2), ("ID", "N", 5, 0)]
    rows = [["100", "20", "1"], ["150", "30", "2"], ["120", "45", "3"]]
    path = write_shapefile(tmp_path / "f.shp", strip_of(3), fields=fields, rows=rows)
    refused(path, "--rate-column nitrogen_r   100 to 150", "--rate-column P_rate   20 to 45")
    rx = read_prescription(path, rate_column="nitrogen_rate_lb_ac", **LB)
    assert rx.rate_column == "nitrogen_r" and rx.rate.tolist() == [100.0, 150.0, 120.0]
    assert "ten characters" in said(rx, "column")


def test_one_candidate_is_used_and_told_and_unit_comes_from_its_name(tmp_path):
    path = write_shapefile(tmp_path / "f.shp", strip_of(3), ["100", "150", "120"], fields=[("lb_n_ac", "N", 9, 2)])
    rx = read_prescription(path)
    assert rx.rate_unit.text == "lb N/ac" and "'lb_n_ac' (100 to 150), the only one" in said(rx, "column")
    refused(path, "but the column name 'lb_n_ac' says lb N/ac", rate_unit="kg N/ha")


def test_unit_is_asked_for(tmp_path):
    path = write_shapefile(tmp_path / "f.shp", strip_of(2), ["100", "150"])
    refused(path, "100 to 150", '--rate-unit "kg N/ha"', rate_unit=None)


def test_two_columns_of_one_name(tmp_path):
    rows = [["100", "1"], ["110", "2"]]
    path = write_shapefile(tmp_path / "f.shp", strip_of(2), fields=[RATE, RATE], rows=rows)
    refused(path, "2 columns", "rename", rate_column="RATE")


def test_no_usable_zone_says_why(tmp_path):
    path = write_shapefile(tmp_path / "f.shp", strip_of(3), ["-9999", "", "x"])
    refused(path, "no zone is left", "negative rate", "row 1", "no rate: row 2", rate_column="RATE")


def test_column_without_numbers(tmp_path):
    path = write_geojson(tmp_path / "f.geojson", in_degrees(strip_of(2)), [{"wet": True}, {"wet": False}])
    refused(path, "holds no numbers", rate_column="wet")


def test_wrong_code_page_is_told_not_fatal(tmp_path):
    fields, rows = [("SOIL", "C", 10, 0), RATE], [["lehmig é", "100"], ["tönig", "110"]]
    path = write_shapefile(tmp_path / "f.shp", strip_of(2), fields=fields, rows=rows)
    path.with_suffix(".cpg").write_text("UTF-8")
    rx = read_prescription(path, **LB)
    assert rx.rate.tolist() == [100.0, 110.0] and "letters may look wrong" in said(rx, "file")


def test_table_is_the_file_untouched(tmp_path):
    path = write_shapefile(tmp_path / "f.shp", strip_of(3), ["100", "", "120"])
    before = {part.name: part.read_bytes() for part in tmp_path.iterdir()}
    rx = read_prescription(path, **LB)
    assert rx.table.crs == pyproj.CRS(UTM) and list(rx.table.columns) == ["RATE", "geometry"]
    assert shapely.equals_exact(rx.table.geometry.to_numpy(), geopandas.read_file(path).geometry.to_numpy()).all()
    assert {part.name: part.read_bytes() for part in tmp_path.iterdir()} == before


def test_order_of_rows_does_not_matter(tmp_path):
    zones, rates = strip_of(5), ["100", "110", "120", "130", "140"]
    there = read_prescription(write_shapefile(tmp_path / "a.shp", zones, rates), **LB)
    back = read_prescription(write_shapefile(tmp_path / "b.shp", zones[::-1], rates[::-1]), **LB)
    assert back.rate.tolist() == there.rate.tolist()[::-1]
    assert (
        back.area == pytest.approx(there.area[::-1], rel=1e-12)
        and stands(back, corners(0), 4)
        and stands(there, corners(0), 0)
    )


def test_a_dbf_column_without_room_says_nothing(tmp_path):
    """dBASE III field layout: name 11 bytes, type, 4 bytes, length, decimals, 14 bytes."""
    import struct

    from geoflow.layers.dbf import read_dbf

    def column(name: bytes, width: int) -> bytes:
        return struct.pack("<11sc4xBB14x", name, b"N", width, 0)

    head = struct.pack("<B3BIHH20x", 3, 126, 1, 1, 2, 32 + 64 + 1, 5)
    (tmp_path / "a.dbf").write_bytes(head + column(b"none", 0) + column(b"rate", 4) + b"\r" + b"  150*  90")
    read = read_dbf(tmp_path / "a.dbf", where="a.dbf")
    assert read.text(0).tolist() == [""] and read.text(1).tolist() == ["150"]
