"""A rewritten prescription is the input with new rates and nothing else new, down to the byte."""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
import subprocess
import sys
import zipfile
from contextlib import closing
from dataclasses import replace as with_changes
from pathlib import Path

import geopandas
import geopandas as gpd
import numpy as np
import pyogrio
import pyproj
import pytest
import shapely
from hypothesis import HealthCheck, given
from hypothesis import strategies as st
from laws import laws
from rx_files import UTM, in_degrees, square, strip_of, write_geojson, write_shapefile, zip_up

from geoflow.base.errors import OutputError
from geoflow.files.output import OutputFolder
from geoflow.prescription_files.read_prescription import Prescription, read_prescription
from geoflow.prescription_patch import patch as rewritten
from geoflow.prescription_patch.patch import rate_decimals, write_rewritten
from geoflow.prescription_patch.patch_geojson import rate_spans

FORMS = ["shp", "zip", "geojson", "gpkg"]


def read(path: Path, column: str = "RATE", **options: str) -> Prescription:
    return read_prescription(path, rate_column=column, rate_unit="lb N/ac", **options)


def write(rx: Prescription, rates: dict[int, float], target: Path, *, replace=False, protect=(), watched=False) -> Path:
    """Write new rates, given by row in the file."""
    new, changed = rx.rate.copy(), np.isin(rx.row, list(rates))
    assert changed.sum() == len(rates), "a row of the test is not kept"
    for row, rate in rates.items():
        new[rx.row == row] = rate
    write_rewritten(rx, new, changed, target, replace=replace, protect=protect, watched=watched)
    return target


def cells_of(dbf: bytes, field: int) -> list[bytes]:
    """Cells of one column, read here from the layout of dBASE III+ alone."""
    records, header, length = (int.from_bytes(dbf[a:b], "little") for a, b in ((4, 8), (8, 10), (10, 12)))
    widths = [dbf[32 + 32 * n + 16] for n in range((header - 33) // 32)]
    start = header + 1 + sum(widths[:field])
    return [dbf[start + n * length : start + n * length + widths[field]] for n in range(records)]


def blanked(dbf: bytes, field: int) -> bytes:
    """The file with the cells of one column blanked."""
    records, header, length = (int.from_bytes(dbf[a:b], "little") for a, b in ((4, 8), (8, 10), (10, 12)))
    widths = [dbf[32 + 32 * n + 16] for n in range((header - 33) // 32)]
    start, image = header + 1 + sum(widths[:field]), bytearray(dbf)
    for n in range(records):
        image[start + n * length : start + n * length + widths[field]] = b"?" * widths[field]
    return bytes(image)


def plain_file(folder: Path, form: str, count: int = 6) -> Path:
    """A prescription of `count` zones at 100, 101, ... lb N/ac, with a text and a number beside each."""
    rates = [100.0 + n for n in range(count)]
    if form in ("shp", "zip"):
        fields = [("NOTE", "C", 3, 0), ("RATE", "N", 10, 1), ("NUMBER", "N", 5, 1)]
        rows = [["a", f"{rate:.1f}", "1.0"] for rate in rates]
        made = write_shapefile(folder / "field.shp", strip_of(count), fields=fields, rows=rows)
        if form == "shp":
            return made
        zipped = zip_up(folder / "field.zip", made)
        for part in folder.glob("field.[!z]*"):
            part.unlink()
        return zipped
    if form == "geojson":
        rows = [{"NOTE": "a", "RATE": rate, "NUMBER": 1.0} for rate in rates]
        return write_geojson(folder / "field.geojson", in_degrees(strip_of(count)), rows)
    shapes = [shapely.Polygon(rings[0]) for rings in strip_of(count)]
    columns = {"NOTE": "a", "RATE": rates, "NUMBER": 1.0}
    gpd.GeoDataFrame(columns, geometry=shapes, crs=UTM).to_file(folder / "field.gpkg", layer="zones")
    return folder / "field.gpkg"


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


# --- shapefiles ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("field", "old", "new", "cell"),
    [
        (("RATE", "N", 10, 1), "120.5", 110.0, b"     110.0"),
        (("RATE", "F", 19, 11), "1.20500000000e+002", 110.25, b"    110.25000000000"),
        (("RATE", "N", 4, 0), "120", 99.0, b"  99"),
        (("RATE", "N", 24, 15), "120.5", 99.125, b"      99.125000000000000"),
        (("RATE", "N", 10, 1), "120,5", 110.0, b"     110.0"),  # a comma in a number field is not dBase
        (("RATE", "C", 12, 0), "120,5 lb", 110.25, b"110,25 lb   "),
        (("RATE", "C", 12, 0), "120 lb N/ac", 99.5, b"99.5 lb N/ac"),
        (("RATE", "C", 12, 0), "120.50", 110.0, b"110.00      "),
        (("RATE", "C", 6, 0), " 99.50", 110.5, b"110.50"),
        (("RATE", "C", 5, 0), "99.50", 110.5, b"110.5"),
        (("RATE", "C", 9, 0), "    120.5", 99.0, b"     99.0"),
        (("RATE", "C", 9, 0), "120,5", 1.125, b"1,1250   "),  # "1,125" could mean 1125
        (("RATE", "C", 9, 0), "1.2e2 lb", 99.0, b"99.0 lb  "),
        (("RATE", "C", 9, 0), "120,5\0\0\0\0", 99.0, b"99,0\0\0\0\0\0"),
    ],
)
def test_only_the_rate_cells_of_a_dbf_change(tmp_path, field, old, new, cell):
    fields = [("NAME", "C", 10, 0), field, ("MORE", "N", 8, 2)]
    rows = [
        ["caf\xe9", old, "1.50"],
        ["\xfcber", old, "******"],
        ["gone", old, "2"],
        ["none", old, ""],
        ["x", old, "3"],
    ]
    zones = [*strip_of(3), [], square(7, hole=30.0)]
    source = write_shapefile(tmp_path / "in.shp", zones, fields=fields, rows=rows, deleted=[1])
    source.with_suffix(".cpg").write_bytes(b"ISO-8859-1")
    source.with_name("in.shp.xml").write_bytes(b"<a/>\r\n")
    source.with_name("in.geojson").write_bytes(b"no part of it")
    rx = read(source)
    assert list(rx.row) == [0, 1, 3]  # record 1 is deleted and not counted; row 2 has no shape
    target = write(rx, {1: new, 3: new}, tmp_path / "out" / "new.shp")

    assert sorted(p.name for p in target.parent.iterdir()) == [
        "new.cpg", "new.dbf", "new.prj", "new.shp", "new.shp.xml", "new.shx"
    ]  # fmt: skip
    for ending in (".shp", ".shx", ".prj", ".cpg", ".shp.xml"):
        assert target.with_name("new" + ending).read_bytes() == source.with_name("in" + ending).read_bytes()
    before, after = source.with_suffix(".dbf").read_bytes(), target.with_suffix(".dbf").read_bytes()
    assert blanked(after, 1) == blanked(before, 1)
    found, kept = cells_of(after, 1), cells_of(before, 1)
    assert [found[2], found[4]] == [cell, cell]
    assert [found[n] for n in (0, 1, 3)] == [kept[n] for n in (0, 1, 3)]
    assert np.allclose(read(target).rate[1:], new, rtol=1e-12, atol=0.0)


def test_a_text_cell_without_a_mark_takes_the_comma_of_its_column(tmp_path):
    fields = [("RATE", "C", 12, 0)]
    source = write_shapefile(tmp_path / "in.shp", strip_of(3), fields=fields, rows=[["120 kg"], ["99,5 kg"], ["80"]])
    rx = read_prescription(source, rate_column="RATE", rate_unit="kg N/ha")
    target = write(rx, {0: 110.5, 2: 70.0}, tmp_path / "out.shp")
    assert cells_of(target.with_suffix(".dbf").read_bytes(), 0) == [b"110,5 kg    ", b"99,5 kg     ", b"70          "]


@pytest.mark.parametrize("encoding", ["UTF-8", "ISO-8859-1"])
@pytest.mark.parametrize("ending", ["shp", "gpkg", "geojson"])
def test_solid_and_many_part_shapes_and_letters_stay(tmp_path, ending, encoding):
    """Files as GDAL writes them: shapes with heights and several parts, odd letters, dates, empty cells."""
    box = shapely.force_3d(shapely.box(-93.0, 42.0, -92.999, 42.001), 280.123456789)
    parts = [shapely.transform(box, lambda points, by=by: points + np.array([by, 0.0, 0.0]), include_z=True)
             for by in (0.002, 0.004)]  # fmt: skip
    shapes = [box, shapely.MultiPolygon(parts)]
    names = ["Größe ñ", "naïve"] if encoding == "ISO-8859-1" or ending != "shp" else ["Größe 土", "naïve Ж"]
    table = gpd.GeoDataFrame(
        {"NAME": names, "DAY": np.array(["2024-05-01", "NaT"], dtype="datetime64[ms]"), "RATE": [120.25, 130.5]},
        geometry=shapes, crs=4326,
    )  # fmt: skip
    source = tmp_path / f"in.{ending}"
    table.to_file(source, **({"encoding": encoding} if ending == "shp" else {}))
    target = write(read(source), {0: 99.75}, tmp_path / f"out.{ending}")
    old, new = gpd.read_file(source), gpd.read_file(target)
    assert list(new["RATE"]) == [99.75, 130.5]
    assert new["NAME"].tolist() == names
    assert new.drop(columns="RATE").equals(old.drop(columns="RATE")) and new.crs == old.crs
    raws = [pyogrio.raw.read(path, columns=[])[2] for path in (source, target)]
    assert list(raws[0]) == list(raws[1])
    if ending == "shp":
        for part in tmp_path.glob("in.*"):
            if part.suffix != ".dbf":
                assert part.read_bytes() == target.with_suffix(part.suffix).read_bytes()


def test_endings_in_capitals_are_kept(tmp_path):
    source = write_shapefile(tmp_path / "FIELD.shp", strip_of(2), ["100", "120"])
    for part in tmp_path.iterdir():
        part.rename(part.with_suffix(part.suffix.upper()))
    write(read(source.with_suffix(".SHP")), {1: 90.0}, tmp_path / "out" / "new.SHP")
    assert {p.name for p in (tmp_path / "out").iterdir()} == {"new.SHP", "new.SHX", "new.DBF", "new.PRJ"}
    assert list(read(tmp_path / "out" / "new.SHP").rate) == [100.0, 90.0]


def test_a_zip_keeps_its_members(tmp_path):
    shape = write_shapefile(tmp_path / "zones.shp", strip_of(3), ["100", "120", "140"])
    source = tmp_path / "in.zip"
    with zipfile.ZipFile(source, "w") as archive:
        archive.comment = b"from the office"
        archive.writestr(zipfile.ZipInfo("read me é.txt", (2019, 3, 4, 5, 6, 8)), b"hello")
        archive.writestr(zipfile.ZipInfo("maps/", (2019, 3, 4, 5, 6, 8)), b"")
        for number, ending in enumerate((".dbf", ".shp", ".prj", ".shx")):
            entry = zipfile.ZipInfo(f"maps/zones{ending}", (2020, 1, 2, 3, 4, 2 * number))
            entry.external_attr, entry.comment = 0o640 << 16, b"note"
            entry.compress_type = zipfile.ZIP_DEFLATED if number % 2 else zipfile.ZIP_STORED
            archive.writestr(entry, shape.with_suffix(ending).read_bytes())
        archive.writestr("__MACOSX/maps/._zones.shp", b"junk")
        archive.writestr("other/fence.shp", b"another layer")
    target = write(read(source, layer="zones"), {1: 99.5}, tmp_path / "out.zip")
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(target) as new:
        assert new.testzip() is None and new.comment == old.comment
        wanted = ("filename", "date_time", "compress_type", "external_attr", "comment", "create_system", "extra")
        for one, other in zip(old.infolist(), new.infolist(), strict=True):
            assert [getattr(one, name) for name in wanted] == [getattr(other, name) for name in wanted]
            before, after = old.read(one), new.read(other)
            if one.filename == "maps/zones.dbf":
                assert blanked(after, 0) == blanked(before, 0)
                assert cells_of(after, 0) == [b"100".rjust(12), b"99.500".rjust(12), b"140".rjust(12)]
            else:
                assert after == before
    assert list(read(target, layer="zones").rate) == [100.0, 99.5, 140.0]


# --- GeoJSON ---------------------------------------------------------------------------------------------------------

RING = "[[[-93,42],[-93,42.01],[-92.99,42.01],[-93,42]]]"
NEXT = "[[[-93.1,42],[-93.1,42.01],[-93.09,42.01],[-93.1,42]]]"
ODD = (
    (
        '\ufeff {"crs":null, "features-list":[{"target":3}],\r\n'
        '  "meta":{"features":[{"type":"Feature","properties":{"target":1}}], "target": 7},\r\n'
        '\t"features" : [ {"type":"Feature","id":9,"geometry":{"type":"Polygon","target":5,"coordinates":%RING%},'
        '"properties":{"a":{"target":2,"b":[{"target":3}]},'
        '"t\\u0061rget" :  1.5E2 ,"note":"\\"target\\": 4 }{ ]["}},\r\n'
        '  null, 5, {"type":"Nothing","properties":{"target":8}},\n'
        '  {"type":"Feature","properties":null,"geometry":{"type":"Polygon","coordinates":%RING%}},\n'
        '  {"type":"Feature","geometry":null,"properties":{"target":44}},\n'
        '  {"properties":{"target":1,"x":1.10e0,"target": 120.50,"zone":"\u00fc \\u00e9"},"bbox":[1,2,3,4],'
        '"geometry":{"coordinates":%NEXT%,"type":"Polygon"},"type":"F\\u0065ature", "target":6},\n'
        '  {"type":"Feature","properties":{"target":130},"geometry":{"type":"Polygon","coordinates":%NEXT%}}\r\n'
        ' ], "type":"FeatureCollection", "after": {"target": 11}}\r\n \n'
    )
    .replace("%RING%", RING)
    .replace("%NEXT%", NEXT)
)


def test_only_the_value_tokens_of_a_geojson_change(tmp_path):
    source = tmp_path / "in.geojson"
    source.write_bytes(ODD.encode())
    rx = read(source, "target")
    assert list(rx.rate) == [150.0, 120.5, 130.0] and list(rx.row) == [0, 3, 4]
    target = write(rx, {0: 140.0, 3: 99.125, 4: 90.0}, tmp_path / "out.geojson")
    wanted = ODD
    for old, new in ((":  1.5E2 ,", ":  140.0 ,"), ('"target": 120.50,', '"target": 99.125,'), (":130}", ":90}")):
        assert wanted.count(old) == 1
        wanted = wanted.replace(old, new)
    assert target.read_bytes() == wanted.encode()


@pytest.mark.parametrize(
    ("old", "value", "new"),
    [
        ('"120,5 lb"', 99.25, '"99,25 lb"'),
        ('"120 lb N\\/ac"', 99.5, '"99.5 lb N/ac"'),
        ('"\\u0031\\u0032\\u0030"', 99.0, '"99"'),
        ('"120\\t lb"', 99.0, '"99\\t lb"'),
        ('"  120.0"', 99.0, '"  99.0"'),
        ("120", 99.0, "99"),
        ("120", 99.5, "99.5"),
        ("120.00", 99.0, "99.00"),
        ("1.2e+02", 0.00001, "0.00001"),
        ("1.2e+02", 0.1 + 0.2, "0.30000000000000004"),
        ("12e1", 0.0, "0.0"),
        ("120", 1e22, "10000000000000000000000"),
    ],
)
def test_json_values_keep_their_style(tmp_path, old, value, new):
    text = (
        '{"type":"FeatureCollection","features":['
        f'{{"type":"Feature","properties":{{"RATE":{old}}},"geometry":{{"type":"Polygon","coordinates":{RING}}}}}]}}'
    )
    (tmp_path / "in.json").write_text(text)
    target = write(read(tmp_path / "in.json"), {0: value}, tmp_path / "out.json")
    assert target.read_text() == text.replace(f":{old}}}", f":{new}}}")


def feature(properties: str, more: str = "", ring: str = RING) -> str:
    return f'{{"type":"Feature",{more}"properties":{properties},"geometry":{{"type":"Polygon","coordinates":{ring}}}}}'


def collection(*features: str, more: str = "") -> str:
    return f'{{"type":"FeatureCollection","features":[{",".join(features)}]{more}}}'


BARE = f'{{"type":"Feature","r":77,"geometry":{{"type":"Polygon","coordinates":{RING}}}}}'
NINE = feature('{"r":9}')
UNUSUAL = {
    "ids out of order": collection(feature('{"r":5}', '"id":5,'), feature('{"r":3}', '"id":3,')),
    "one id twice": collection(feature('{"r":5}', '"id":1,'), feature('{"r":3}', '"id":1,')),
    "a key twice": collection(feature('{"r":5,"r":6}'), feature('{"r":3}')),
    "a key twice, once escaped": collection(feature('{"r":5,"\\u0072":6}'), feature('{"\\u0072":3,"r":4}')),
    "properties twice": collection(feature('{"r":5},"properties":{"r":7}'), feature('{"r":3}')),
    "properties twice, then without": collection(feature('{"r":5},"properties":{"x":7}'), feature('{"r":3}')),
    "features twice": collection(feature('{"r":5}'), more=f',"features":[{NINE}]'),
    "not features": collection("null", "3", "[]", '[{"type":"Feature"}]', "{}", '"x"', feature('{"r":5}')),
    "no type": collection('{"properties":{"r":4},"geometry":null}', feature('{"r":5}')),
    "a collection inside": collection(collection(feature('{"r":5}')), feature('{"r":6}')),
    "no properties": collection(BARE, feature('{"r":5}')),
    "properties null": collection(feature("null"), feature('{"r":5}')),
    "properties a list": collection(feature("[1]"), feature('{"r":5}')),
    "case": collection(feature('{"r":5,"R":6}'), feature('{"R":8,"r":3}')),
    "lone feature": feature('{"r":5}'),
    "one to a line": feature('{"r":5}') + "\n" + feature('{"r":6}') + "\n",
    "comma at the end": collection(feature('{"r":4,}'), feature('{"r":6}')),
    "nul in a key": collection(feature('{"r\\u0000x":4,"r":7}'), feature('{"r":6}')),
    "tight and wide": '\n{ "features"\t:\n[\n'
    + feature('{"r"\n:\r\n5\n}')
    + " , "
    + feature('{"r":6 }')
    + '],\t"type" : "FeatureCollection"\n}',
}  # fmt: skip


@pytest.mark.parametrize("name", UNUSUAL)
def test_features_are_counted_and_read_as_gdal_does(tmp_path, name):
    path = tmp_path / "odd.geojson"
    path.write_text(UNUSUAL[name])
    data = path.read_bytes()
    table = pyogrio.read_dataframe(path)
    tokens = [None if span is None else data[slice(*span)] for span in rate_spans(data, "r")]
    found = [np.nan if token is None else float(token) for token in tokens]
    np.testing.assert_array_equal(found, table["r"].to_numpy(dtype=float))


def test_a_latin_1_geojson_stays_latin_1(tmp_path):
    text = collection(feature('{"größe":120,"n":"\\u00e9 é"}')).encode("latin-1")
    (tmp_path / "in.geojson").write_bytes(text)
    rx = read(tmp_path / "in.geojson", "größe")
    assert write(rx, {0: 99.0}, tmp_path / "out.geojson").read_bytes() == text.replace(b":120,", b":99,")


def test_deep_nesting_is_no_trouble():
    """GDAL itself stops reading at 1024 levels; the search must not be what breaks first."""
    deep = "[" * 300_000 + "]" * 300_000
    data = collection(feature(f'{{"x":{deep},"r":5}}'), deep, '{"a":' * 300_000 + "1" + "}" * 300_000).encode()
    assert [data[slice(*span)] for span in rate_spans(data, "r") if span] == [b"5"]


@pytest.mark.parametrize(
    "text",
    ["{", '{"a"', '{"a":[}', "[]", "{}x", '{"a":"', '{"features":[', '{"features":[}', '{"features":[{]}',
     '{"features":[{"type":"Feature"'],
)  # fmt: skip
def test_broken_text_is_refused(text):
    with pytest.raises(ValueError, match="no JSON at byte"):
        rate_spans(text.encode(), "r")


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text() | st.sampled_from(["r", "features"]), inner),
    max_leaves=8,
)


@laws(100, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.lists(st.dictionaries(st.text() | st.sampled_from(["r", "properties", "type"]), JSON, max_size=4), max_size=4),
    JSON,
    st.sampled_from([None, 0, 2]),
    st.booleans(),
)
def test_values_are_found_where_the_json_module_finds_them(own, foreign, indent, escape):
    """Reference: the json module of Python."""
    features = [{"type": "Feature", "geometry": None, "x": foreign, "properties": one} for one in own]
    document = {"foreign": foreign, "type": "FeatureCollection", "features": features}
    data = json.dumps(document, indent=indent, ensure_ascii=escape).encode("utf-8", "surrogatepass")
    spans = rate_spans(data, "r")
    assert len(spans) == len(own)
    for span, one in zip(spans, own, strict=True):
        assert (span is not None) == ("r" in one)
        if span is not None:
            assert json.loads(data[slice(*span)].decode("utf-8", "surrogatepass")) == one["r"]


# --- GeoPackages -----------------------------------------------------------------------------------------------------


def tables_of(path: Path) -> dict[str, list[tuple[object, ...]]]:
    with closing(sqlite3.connect(path)) as connection:
        names = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        found = {name: connection.execute(f'SELECT * FROM "{name}"').fetchall() for name in names}
        found["schema"] = connection.execute("SELECT * FROM sqlite_master").fetchall()
        found["versions"] = [connection.execute(f"PRAGMA {name}").fetchone()
                             for name in ("user_version", "application_id", "journal_mode", "page_size")]  # fmt: skip
        return found


def package(path: Path, rates: list[object], kind: str = "REAL") -> Path:
    """Two layers with spatial indexes; the keys of the first have gaps, and it has a row without a shape."""
    shapes = [shapely.Polygon(rings[0]) for rings in strip_of(len(rates) + 1)]
    table = gpd.GeoDataFrame({"NAME": [f"zone é {n}" for n in range(len(rates) + 1)]}, geometry=shapes, crs=UTM)
    table.loc[0, "geometry"] = None
    for layer in ("zones", "other"):
        table.to_file(path, layer=layer)
    with closing(sqlite3.connect(path)) as connection:
        for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):  # named by triggers, not called
            connection.create_function(name, 1, lambda _: 0)
        for layer in ("zones", "other"):
            connection.execute(f'ALTER TABLE {layer} ADD COLUMN "my ""RATE" {kind}')
            for fid, rate in enumerate([None, *rates], 1):
                connection.execute(f'UPDATE {layer} SET "my ""RATE" = ? WHERE fid = ?', (rate, fid))
        connection.execute("DELETE FROM zones WHERE fid = 3")
        connection.commit()
    return path


@pytest.mark.parametrize("journal", ["delete", "wal"])
@pytest.mark.parametrize(
    ("kind", "rates", "new", "stored"),
    [
        ("REAL", [100.5, 110.0, 120.25, 130.0], 99.125, 99.125),
        ("INTEGER", [100, 110, 120, 130], 99.0, 99),
        ("MEDIUMINT", [100, 110, 120, 130], 99.0, 99),
        ("FLOAT", [100.1, 110.0, 120.3, 130.7], 99.125, 99.125),
        ("TEXT", ["100,5 lb", "110 lb", "120 lb", "130 lb"], 99.5, "99,5 lb"),
        ("TEXT(10)", ["100.5 lb", "110 lb", "120 lb", "130 lb"], 99.5, "99.5 lb"),
    ],
)
def test_only_the_rate_cells_of_a_geopackage_change(tmp_path, kind, rates, new, stored, journal):
    source = package(tmp_path / "in.gpkg", rates, kind)
    with closing(sqlite3.connect(source)) as connection:
        connection.execute(f"PRAGMA journal_mode = {journal}")
    rx = read(source, 'my "RATE', layer="zones")
    assert list(rx.row) == [1, 2, 3]
    before = source.read_bytes()
    target = write(rx, {1: new, 3: new}, tmp_path / "out" / "new.gpkg")
    assert [p.name for p in target.parent.iterdir()] == ["new.gpkg"] and source.read_bytes() == before
    old, changed = tables_of(source), tables_of(target)
    assert {name for name in old if old[name] != changed[name]} == {"zones"}
    wanted = [(*row[:-1], stored) if row[0] in (2, 5) else row for row in old["zones"]]
    assert changed["zones"] == wanted  # key, geometry blob, name and rate
    with closing(sqlite3.connect(target)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert len(pyogrio.read_dataframe(target, layer="zones", bbox=tuple(rx.table.total_bounds))) == 3  # by the index
    assert pyogrio.list_layers(target).tolist() == pyogrio.list_layers(source).tolist()


def test_a_trigger_that_changes_more_is_refused(tmp_path):
    source = package(tmp_path / "in.gpkg", [100.0, 110.0, 120.0])
    with closing(sqlite3.connect(source)) as connection:
        connection.execute("CREATE TRIGGER note AFTER UPDATE ON zones BEGIN UPDATE zones SET NAME = 'touched'; END")
    refused(read(source, 'my "RATE', layer="zones"), {1: 90.0}, tmp_path / "out.gpkg", "trigger")


def test_a_geopackage_with_changes_still_in_its_journal_is_refused(tmp_path):
    source = package(tmp_path / "in.gpkg", [100.0, 110.0, 120.0])
    rx = read(source, 'my "RATE', layer="zones")
    source.with_name("in.gpkg-wal").write_bytes(b"changes")
    refused(rx, {1: 90.0}, tmp_path / "out.gpkg", "open in another program")


def test_a_journal_of_an_earlier_file_is_not_played_into_the_new_one(tmp_path):
    rx = read(plain_file(tmp_path, "gpkg"))
    (tmp_path / "out.gpkg-journal").write_bytes(b"old changes")
    refused(rx, {1: 90.0}, tmp_path / "out.gpkg", "earlier file")


# --- what a column can hold ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("field", "cells", "decimals", "largest"),
    [
        (("RATE", "N", 10, 1), ["120.5"], 1, "99999999.9"),
        (("RATE", "N", 4, 0), ["120"], 0, "9999"),
        (("RATE", "F", 5, 2), ["12.5"], 2, "99.99"),
        (("RATE", "C", 8, 0), ["120 lb"], 1, "999.9 lb"),
        (("RATE", "C", 7, 0), ["12.5"], 4, "99.9999"),
        (("RATE", "C", 7, 0), ["120,5"], 2, "9999,99"),  # three would be unclear
        (("RATE", "C", 3, 0), ["120"], 0, "999"),
    ],
)
def test_the_rate_format_of_a_dbf_column(tmp_path, field, cells, decimals, largest):
    rx = read(write_shapefile(tmp_path / "in.shp", strip_of(1), fields=[field], rows=[cells]))
    assert rate_decimals(rx) == decimals
    most = float(largest.removesuffix(" lb").replace(",", "."))
    target = write(rx, {0: most}, tmp_path / "out.shp")
    assert cells_of(target.with_suffix(".dbf").read_bytes(), 0)[0].decode().strip() == largest
    with pytest.raises(OutputError, match=r"does not fit"):
        write(rx, {0: np.round(10.0 * most + 10.0**-decimals, decimals)}, tmp_path / "more.shp")


@pytest.mark.parametrize(
    ("kind", "rates", "decimals", "largest"),
    [
        ("REAL", [100.0, 110.0, 120.0], None, None),
        ("TINYINT", [100, 110, 120], 0, 127.0),
        ("SMALLINT", [100, 110, 120], 0, 32767.0),
        ("FLOAT", [100.0, 110.0, 120.0], 4, None),
        ("TEXT", ["100", "110", "120"], None, None),
        ("TEXT(6)", ["100", "110", "120"], 2, 999.99),
    ],
)
def test_the_rate_format_of_a_geopackage_column(tmp_path, kind, rates, decimals, largest):
    """Types and ranges from GeoPackage 1.4, table 1."""
    rx = read(package(tmp_path / "in.gpkg", rates, kind), 'my "RATE', layer="zones")
    assert rate_decimals(rx) == decimals
    if largest is not None:
        write(rx, {int(rx.row[0]): largest}, tmp_path / "out.gpkg")
        with pytest.raises(OutputError, match=r"does not fit"):
            write(rx, {int(rx.row[0]): np.round(10.0 * largest + 10.0**-decimals, decimals)}, tmp_path / "more.gpkg")


def test_the_rate_format_of_a_geojson_has_no_limit(tmp_path):
    assert rate_decimals(read(plain_file(tmp_path, "geojson"))) is None


@pytest.mark.slow
@laws(100, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.floats(0.0, 900.0), min_size=6, max_size=6), st.integers(0, 15))
def test_rates_rounded_to_the_format_always_fit(tmp_path_factory, rates, decimals):
    folder = tmp_path_factory.mktemp("fit")
    width = max(4, decimals + 5)
    fields = [("RATE", "N", width, decimals)]
    rx = read(write_shapefile(folder / "in.shp", strip_of(6), ["100"] * 6, fields=fields))
    rounded = np.round(rates, rate_decimals(rx))
    target = write(rx, dict(enumerate(rounded)), folder / "out.shp")
    np.testing.assert_allclose(read(target).rate, rounded, rtol=1e-12, atol=0.0)


# --- refusals --------------------------------------------------------------------------------------------------------


def refused(
    rx: Prescription, rates: dict[int, float], target: Path, what: str, where: str = "", cure: str = "", **more
):
    """The write is refused with all three parts, and nothing is changed on the disk."""
    folder = rx.path.parent
    before = contents(folder)
    with pytest.raises(OutputError) as caught:
        write(rx, rates, target, **more)
    assert re.search(what, caught.value.what), caught.value
    assert caught.value.where and where in caught.value.where, caught.value
    assert caught.value.cure and cure in caught.value.cure, caught.value
    assert contents(folder) == before and not list(folder.rglob(".geoflow-*"))


@pytest.mark.parametrize(
    ("kind", "rate", "what", "cure"),
    [
        (("RATE", "N", 5, 1), 1000.5, "1000.5 does not fit the column 'RATE', which is 5 characters", "--max-rate"),
        (("RATE", "N", 5, 1), 99.25, "99.25 has more decimals than 'RATE' keeps \\(1 decimal", "round the rates to 1"),
        (("RATE", "N", 5, 0), 99.5, "keeps \\(whole numbers\\)", "round the rates to whole"),
        (("RATE", "C", 5, 0), 123.456, "123.456 does not fit the column 'RATE', which is 5", "--max-rate"),
        (("RATE", "N", 5, 1), np.nan, "nan is no rate", "from 0 up"),
        (("RATE", "N", 5, 1), -1.0, "-1 is no rate", "from 0 up"),
    ],
)
def test_a_rate_that_does_not_fit_is_refused(tmp_path, kind, rate, what, cure):
    rows = [["100"], ["110"], ["120"]]
    rx = read(write_shapefile(tmp_path / "in.shp", strip_of(3), fields=[kind], rows=rows, deleted=[0]))
    refused(rx, {1: rate}, tmp_path / "out.shp", what, "in.shp, row 2", cure)


def test_a_rate_that_does_not_fit_a_whole_column_of_a_geopackage_is_refused(tmp_path):
    rx = read(package(tmp_path / "in.gpkg", [100, 110, 120], "TINYINT"), 'my "RATE', layer="zones")
    refused(rx, {1: 128.0}, tmp_path / "out.gpkg", "128 does not fit .* up to 127", "row 2", "--max-rate")
    refused(rx, {1: 99.5}, tmp_path / "out.gpkg", "more decimals", "row 2", "whole numbers")


@pytest.mark.parametrize("form", FORMS)
def test_the_format_stays(tmp_path, form):
    rx = read(plain_file(tmp_path, form))
    for other in {*FORMS, "json", "txt", ""} - {form, "json" if form == "geojson" else form}:
        refused(rx, {1: 90.0}, tmp_path / f"out.{other}".rstrip("."), "is written back as one", "out", f"out.{form}")


@pytest.mark.parametrize("form", FORMS)
def test_the_input_is_never_written_over(tmp_path, form):
    source = plain_file(tmp_path, form)
    rx = read(source)
    (tmp_path / f"link.{form}").symlink_to(source)
    (tmp_path / f"hard.{form}").hardlink_to(source)
    for name in (source.name, f"FIELD.{form}", f"field.{form.upper()}", f"link.{form}", f"hard.{form}"):
        refused(rx, {1: 90.0}, tmp_path / name, "is an input", name, "another name", replace=True)
    bar = tmp_path / f"bar.{form}"
    bar.write_bytes(b"a bar")
    refused(rx, {1: 90.0}, bar, "is an input", bar.name, "another name", replace=True, protect=(bar,))


@pytest.mark.parametrize("form", FORMS)
def test_what_exists_is_kept_unless_told_otherwise(tmp_path, form):
    rx = read(plain_file(tmp_path, form))
    target = write(rx, {1: 90.0}, tmp_path / f"out.{form}")
    refused(rx, {1: 80.0}, target, "already exists", "out", "--replace")
    write(rx, {1: 80.0}, target, replace=True)
    assert read(target).rate[1] == 80.0


@pytest.mark.parametrize("form", FORMS)
def test_a_file_that_changed_since_it_was_read_is_refused(tmp_path, form):
    rx = read(plain_file(tmp_path, form))
    rx = with_changes(rx, rate=rx.rate + 1.0)
    refused(rx, {1: 90.0}, tmp_path / f"out.{form}", "no longer holds the rate", "row 2", "run again")


@pytest.mark.parametrize("form", FORMS)
def test_a_file_that_is_not_as_it_was_when_written_is_thrown_away(tmp_path, form):
    """What was read differs from what is written: another attribute, another shape, another unchanged rate."""
    rx = read(plain_file(tmp_path, form))
    other = rx.table.copy()
    other.geometry = shapely.transform(other.geometry.to_numpy(), lambda points: np.nextafter(points, np.inf))
    refused(with_changes(rx, table=other), {1: 90.0}, tmp_path / f"out.{form}", "shapes differ", "field", "anew")
    for name, value in (("NOTE", "b"), ("NUMBER", 2.0)):
        other = rx.table.copy()
        other.loc[2, name] = value
        refused(
            with_changes(rx, table=other), {1: 90.0}, tmp_path / f"out.{form}", f"'{name}' differs", "field", "anew"
        )
    other = rx.table.copy()
    other.loc[2, "RATE"] += 1
    refused(with_changes(rx, table=other), {1: 90.0}, tmp_path / f"out.{form}", "rates differ", "field", "anew")


def test_a_bug_in_the_patch_is_caught(tmp_path, monkeypatch):
    rx = read(plain_file(tmp_path, "geojson"))
    right = rewritten.patched_geojson
    for old, new, what in (
        (b'"RATE": 90', b'"RATE": 91', "read back as others"),
        (b"102.0", b"103.0", "to stay"),
        (b"}]}", b"}", "read"),
    ):
        monkeypatch.setattr(rewritten, "patched_geojson", lambda *some, o=old, n=new: right(*some).replace(o, n))
        refused(rx, {1: 90.0}, tmp_path / "out.geojson", what, "field.geojson")


def spoilt_table(old: bytes, new: bytes):
    right = rewritten.patched_dbf
    return "patched_dbf", lambda *given: right(*given).replace(old, new, 1)


def spoilt_package(statement: str):
    right = rewritten.write_package

    def wrong(prescription, changes, target):
        right(prescription, changes, target)
        with closing(sqlite3.connect(target)) as base, base:
            for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
                base.create_function(name, 1, lambda blob: 0.0)
            base.execute(statement)

    return "write_package", wrong


@pytest.mark.parametrize(
    ("spoilt", "what"),
    [
        (spoilt_table(b"  1.0", b"  2.0"), "table differs beside"),
        (spoilt_table(b"102.0", b"103.0"), "table differs beside"),
        (spoilt_table(b"NUMBER", b"NUMBR2"), "table differs"),
        (spoilt_table(b" 90.0", b" 91.0"), "read back as others"),
        (spoilt_package("UPDATE zones SET NOTE = 'b' WHERE fid = 3"), "layer differs beside"),
        (
            spoilt_package("UPDATE zones SET geom = (SELECT geom FROM zones WHERE fid = 1) WHERE fid = 3"),
            "layer differs",
        ),
        (spoilt_package("DELETE FROM zones WHERE fid = 3"), "rows differ|layer differs"),
        (spoilt_package("ALTER TABLE zones ADD COLUMN more TEXT"), "layer differs"),
        (spoilt_package("UPDATE zones SET RATE = 103 WHERE fid = 3"), "to stay"),
        (spoilt_package("UPDATE zones SET RATE = 91 WHERE fid = 2"), "read back as others"),
    ],
)
def test_a_bug_in_the_patch_is_caught_without_reading_all_of_it(tmp_path, monkeypatch, spoilt, what):
    form = "shp" if spoilt[0] == "patched_dbf" else "gpkg"
    rx = read(plain_file(tmp_path, form))
    monkeypatch.setattr(rewritten, "_MANY_ROWS", 1)
    monkeypatch.setattr(rewritten, "_told_by_reading", lambda *given: 1 / 0)
    write(rx, {1: 90.0}, tmp_path / f"fine.{form}", watched=True)
    monkeypatch.setattr(rewritten, *spoilt)
    refused(rx, {1: 90.0}, tmp_path / f"out.{form}", what, watched=True)


def test_a_part_that_is_another_one_is_caught(tmp_path, monkeypatch):
    rx = read(plain_file(tmp_path, "shp"))
    right = shutil.copyfile

    def copied(part, to):
        right(part, to)
        if to.suffix == ".shp":
            to.write_bytes(to.read_bytes()[:-8] + b"\0" * 8)

    monkeypatch.setattr(rewritten, "_MANY_ROWS", 1)
    monkeypatch.setattr(rewritten.shutil, "copyfile", copied)
    refused(rx, {1: 90.0}, tmp_path / "out.shp", r"its \.shp differs", watched=True)


def test_an_index_of_the_old_rates_is_refused(tmp_path):
    rx = read(plain_file(tmp_path, "shp"))
    (tmp_path / "field.NAME.atx").write_bytes(b"an index of names stays true")
    write(rx, {1: 90.0}, tmp_path / "fine.shp")
    for name in ("field.idm", "field.Rate.atx"):
        (tmp_path / name).write_bytes(b"index")
        refused(rx, {1: 90.0}, tmp_path / "out.shp", f"'{name}' is an index of the old rates", "field.shp", "take that")
        (tmp_path / name).unlink()


def test_two_shapefiles_of_one_name_in_a_zip_are_refused(tmp_path):
    shape = write_shapefile(tmp_path / "zones.shp", strip_of(2), ["100", "120"])
    source = zip_up(tmp_path / "in.zip", shape, "a/", more={"b/zones.shp": b"", "b/zones.dbf": b""})
    refused(read(source, layer="a/zones"), {0: 90.0}, tmp_path / "out.zip", "2 shapefiles named", "in.zip", "unpack")


def test_a_missing_input_is_said_plainly(tmp_path):
    rx = read(plain_file(tmp_path, "geojson"))
    rx.path.unlink()
    refused(rx, {0: 90.0}, tmp_path / "out.geojson", "nothing was written")


# --- replacing a shapefile -------------------------------------------------------------------------------------------


def test_replacing_a_shapefile_touches_only_its_rates(tmp_path):
    rx = read(plain_file(tmp_path, "shp"))
    target = write(rx, {1: 90.0}, tmp_path / "out" / "new.shp")
    before = {path.name: (path.stat().st_ino, path.read_bytes()) for path in target.parent.iterdir()}
    write(rx, {1: 80.0, 2: 85.0}, target, replace=True)
    after = {path.name: (path.stat().st_ino, path.read_bytes()) for path in target.parent.iterdir()}
    assert {name for name in before if before[name] != after[name]} == {"new.dbf"}
    assert list(read(target).rate[:3]) == [100.0, 80.0, 85.0]


@pytest.mark.parametrize("spoil", [".shp", ".shx", ".prj", ".qix", "no .prj", "no .dbf"])
def test_a_shapefile_with_other_content_is_not_replaced(tmp_path, spoil):
    rx = read(plain_file(tmp_path, "shp"))
    target = write(rx, {1: 90.0}, tmp_path / "out" / "new.shp")
    part = target.with_suffix(spoil.removeprefix("no "))
    if spoil.startswith("no "):
        part.unlink()
    else:
        part.write_bytes((part.read_bytes() if part.exists() else b"") + b"\0")
    refused(rx, {1: 80.0}, target, f"other content is there \\({part.suffix}\\)", "new.shp", ".zip", replace=True)


def test_the_remains_of_a_broken_off_write_are_replaced(tmp_path):
    rx = read(plain_file(tmp_path, "shp"))
    target = write(rx, {1: 90.0}, tmp_path / "out" / "new.shp")
    whole = contents(target.parent)
    target.with_suffix(".shx").unlink()
    target.with_suffix(".dbf").write_bytes(b"old")
    target.with_suffix(".qix").write_bytes(b"stale")
    write(rx, {1: 90.0}, target, replace=True)
    assert contents(target.parent) == whole


# --- killed ----------------------------------------------------------------------------------------------------------

STOPPER = """
import os, sys
from pathlib import Path
import numpy as np
from geoflow.prescription_patch.patch import write_rewritten
from geoflow.prescription_files.read_prescription import read_prescription

rx = read_prescription(Path(sys.argv[1]), rate_column="RATE", rate_unit="lb N/ac")
moves = 0
def stopping(change):
    def count(self, target):
        global moves
        if moves == stop and self != target:
            os._exit(9)
        moves += self != target
        return change(self, target)
    return count
Path.rename, Path.replace = map(stopping, (Path.rename, Path.replace))
for stop in range(6):
    folder = Path(sys.argv[2]) / str(stop)
    folder.mkdir()
    (folder / "mine.txt").write_text("mine")
    child = os.fork()
    if not child:
        every = np.ones(rx.rate.size, dtype=bool)
        write_rewritten(rx, np.full(rx.rate.size, 90.0), every, folder / "new.shp", replace=False, protect=())
        os._exit(0)
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
"""


@pytest.mark.slow
def test_a_new_shapefile_cut_short_between_its_files_cannot_be_taken_for_one(tmp_path):
    source = plain_file(tmp_path, "shp")
    command = [sys.executable, "-c", STOPPER, str(source), str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["9", "9", "9", "9", "9", "0"]  # the word that they are ready, and four files
    for stop in range(5):
        home = tmp_path / str(stop)
        names = [path.name for path in home.glob("new.*")]
        assert len(names) == max(stop - 1, 0) and "new.shp" not in names
        with OutputFolder(home, replace=False, protect=()):  # what the next run that writes does first
            assert (home / "new.shp").exists() == (stop > 0)
    for stop in range(1, 6):
        assert set(read(tmp_path / str(stop) / "new.shp").rate) == {90.0}


# --- other properties ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("form", FORMS)
def test_no_change_is_a_faithful_copy(tmp_path, form):
    source = plain_file(tmp_path, form)
    target = write(read(source), {}, tmp_path / f"out.{form}")
    if form == "zip":
        with zipfile.ZipFile(source) as old, zipfile.ZipFile(target) as new:
            assert [(one.filename, one.CRC) for one in old.infolist()] == [
                (one.filename, one.CRC) for one in new.infolist()
            ]
    elif form == "gpkg":
        assert tables_of(source) == tables_of(target)
    else:
        for part in tmp_path.glob("field.*"):
            assert part.read_bytes() == target.with_suffix(part.suffix).read_bytes()


@pytest.mark.parametrize("form", FORMS)
def test_rewriting_back_gives_the_input_again(tmp_path, form):
    source = plain_file(tmp_path, form)
    away = write(read(source), {1: 90.0, 4: 70.5}, tmp_path / f"away.{form}")
    back = write(read(away), {1: 101.0, 4: 104.0}, tmp_path / f"b.{form}")
    if form in ("shp", "geojson"):
        for part in tmp_path.glob("field.*"):
            assert part.suffix == ".dbf" or part.read_bytes() == back.with_suffix(part.suffix).read_bytes()
    one, other = gpd.read_file(source), gpd.read_file(back)
    assert one.equals(other)


def test_swapped_axes_and_a_missing_crs_do_not_matter(tmp_path):
    shape = write_shapefile(tmp_path / "in.shp", strip_of(3), ["100", "110", "120"], crs=None)
    rx = read(shape, crs=UTM)
    target = write(rx, {2: 99.0}, tmp_path / "out.shp")
    assert not target.with_suffix(".prj").exists()
    assert list(read(target, crs=UTM).rate) == [100.0, 110.0, 99.0]
    assert pyproj.CRS(UTM) == rx.crs


def test_a_read_only_folder_is_said_plainly(tmp_path):
    rx = read(plain_file(tmp_path, "geojson"))
    (tmp_path / "file").write_text("x")
    refused(rx, {1: 90.0}, tmp_path / "file" / "out.geojson", "not a folder|part of the path")


def test_copies_take_the_rights_of_new_files(tmp_path):
    source = plain_file(tmp_path, "gpkg")
    source.chmod(0o444)
    target = write(read(source), {1: 90.0}, tmp_path / "out.gpkg")
    (tmp_path / "plain").touch()
    assert target.stat().st_mode == (tmp_path / "plain").stat().st_mode


@pytest.mark.parametrize("ending", [".shp", ".geojson", ".gpkg"])
def test_a_duplicate_row_gets_the_new_rate_of_the_row_it_repeats(tmp_path: Path, ending: str) -> None:
    square = shapely.box(-93.0, 42.0, -92.99, 42.01)
    other = shapely.box(-92.99, 42.0, -92.98, 42.01)
    source = tmp_path / f"twice{ending}"
    geopandas.GeoDataFrame({"lb_n_ac": [200.5, 200.5, 100.5]}, geometry=[square, square, other], crs=4326).to_file(
        source
    )
    rx = read_prescription(source)
    assert rx.repeats == {1: 0} and rx.row.tolist() == [0, 2]
    target = tmp_path / f"new{ending}"
    write_rewritten(rx, np.array([150.25, 100.5]), np.array([True, False]), target, replace=False, protect=())
    assert geopandas.read_file(target)["lb_n_ac"].tolist() == [150.25, 150.25, 100.5]
    again = read_prescription(target)
    assert again.row.tolist() == [0, 2] and not [note for note in again.notes if note.kind == "duplicate"]
