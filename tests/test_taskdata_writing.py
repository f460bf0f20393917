"""Writing task data: what is in the file, what is refused, and that what is read back is what was meant."""

from __future__ import annotations

import zipfile
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given
from hypothesis import strategies as st
from laws import laws
from taskdata_files import SOUTH, STEP, WEST, square, write_map

from geoflow.base.errors import OutputError
from geoflow.isoxml.check import LONGEST_TEXT, Version, validate_taskdata
from geoflow.isoxml.rasterize import cell_angles, lay_cells
from geoflow.isoxml.zones import read_taskdata_zones

BOX = shapely.Polygon(square(0, 0))
FAR = shapely.Polygon(square(2, 0))
# 1 lb/ac = 112.0851156194456 mg/m2 (exact definitions).
LB_AC = 112.0851156194456e-6


def write(path: Path, shapes: list[object], rates: list[float], **more: object) -> str:
    """Write nitrogen rates [kg/m2] and return the main file."""
    given_ = {"basis": "nitrogen", "field": "North 40", **more}
    write_map(path, shapes, np.array(rates), **given_)  # type: ignore[arg-type]
    with zipfile.ZipFile(path) as archive:
        return archive.read("TASKDATA/TASKDATA.XML").decode()


def refusal(path: Path, shapes: list[object], rates: list[float], **more: object) -> OutputError:
    before = sorted(path.parent.rglob("*"))
    with pytest.raises(OutputError) as caught:
        write(path, shapes, rates, **more)
    assert caught.value.what and caught.value.where and caught.value.cure
    assert sorted(path.parent.rglob("*")) == before, "nothing is left behind"
    return caught.value


def test_pounds_per_acre_as_milligrams_per_square_metre(tmp_path: Path) -> None:
    # By hand, exact definitions: 100 lb NH3/ac = 11,209 mg/m2; 82 lb N/ac = 9,191 mg/m2.
    ammonia = write(tmp_path / "a.zip", [BOX], [100 * LB_AC], basis="ammonia")
    assert '<PDV A="0006" B="11209"' in ammonia and "01B0" not in ammonia
    nitrogen = write(tmp_path / "n.zip", [BOX], [82 * LB_AC])
    assert '<PDV A="01B0" B="9191"' in nitrogen and "0006" not in nitrogen


def test_rates_are_rounded_not_cut(tmp_path: Path) -> None:
    # Counted on random positions: truncation is wrong for 6.3 % of seven-decimal numbers; 0.0149999999 kg/m2 is 15,000
    # mg/m2.
    assert 'B="15000"' in write(tmp_path / "a.zip", [BOX], [0.0149999999])


def test_coordinates_are_rounded_to_nine_decimals_without_an_exponent(tmp_path: Path) -> None:
    tiny = shapely.Polygon([(0.00000012345678, 0.0), (0.001, 0.0), (0.001, 0.001)])
    text = write(tmp_path / "a.zip", [tiny], [0.01])
    assert 'D="0.000000123"' in text
    assert "e-" not in text.lower().split("<pfd")[1]


def test_what_holds_elsewhere_is_stated_and_is_nothing(tmp_path: Path) -> None:
    task = ElementTree.fromstring(write(tmp_path / "a.zip", [BOX], [0.01])).find("TSK")
    assert task is not None
    assert [task.get(key) for key in "HIJ"] == ["0", "0", "0"]
    zone = task.find("TZN[@A='0']/PDV")
    assert zone is not None and zone.get("B") == "0"


def test_the_scale_shown_agrees_with_the_dictionary(tmp_path: Path) -> None:
    # 0006 counts mg/m2 (data dictionary of ISO 11783-11): for 0006 shown in kg/ha the only right scale is 0.01.
    shown = ElementTree.fromstring(write(tmp_path / "a.zip", [BOX], [0.01], basis="ammonia")).find("VPN")
    assert shown is not None
    assert (shown.get("B"), shown.get("C"), shown.get("E")) == ("0", "0.01", "kg NH3/ha")


def test_parts_of_a_zone_by_version(tmp_path: Path) -> None:
    # Published schemas V3-3 and V4-3: k parts are k PLN in one TZN in version 4, and k outlines in one PLN in version
    # 3.
    parts = shapely.MultiPolygon([BOX, FAR])
    for version, polygons in ((4, 2), (3, 1)):
        root = ElementTree.fromstring(write(tmp_path / f"{version}.zip", [parts], [0.01], version=version))
        assert len(root.findall("TSK/TZN[@A='1']/PLN")) == polygons
        assert len(root.findall("TSK/TZN[@A='1']/PLN/LSG[@A='1']")) == 2
        assert (root.get("VersionMajor"), root.get("VersionMinor")) == (str(version), "3")


def test_the_area_of_the_field_is_geodesic(tmp_path: Path) -> None:
    # Square of three 1,000 m geodesic edges from (0, 0), closed: 1e6 m2 (example of geographiclib).
    import pyproj

    geod = pyproj.Geod(ellps="WGS84")
    x, y = 0.0, 0.0
    corners = [(x, y)]
    for heading in (90.0, 0.0, -90.0):
        x, y, _ = geod.fwd(x, y, heading, 1000.0)
        corners.append((x, y))
    root = ElementTree.fromstring(write(tmp_path / "a.zip", [shapely.Polygon(corners)], [0.01]))
    assert root.find("PFD").get("D") == "1000000"  # type: ignore[union-attr]


@pytest.mark.parametrize("name", ["TASKDATA", "out", "deep/er/out", "Field 1.5"])
def test_a_folder(tmp_path: Path, name: str) -> None:
    write_map(tmp_path / name, [BOX], np.array([0.01]), basis="nitrogen", field="F", form="grid of rates")
    home = tmp_path / name if name == "TASKDATA" else tmp_path / name / "TASKDATA"
    assert sorted(entry.name for entry in home.iterdir()) == ["GRD00001.BIN", "TASKDATA.XML"]
    assert len(read_taskdata_zones(tmp_path / name).table) == 1
    assert not list(tmp_path.rglob(".geoflow*")), "no hidden folder is left"


def test_an_existing_output_is_replaced_only_when_asked(tmp_path: Path) -> None:
    for path in (tmp_path / "a.zip", tmp_path / "TASKDATA"):
        rates = np.array([0.01])
        write_map(path, [BOX], rates, basis="nitrogen", field="F")
        with pytest.raises(OutputError, match="already exists"):
            write_map(path, [BOX], rates, basis="nitrogen", field="F")
        write_map(path, [FAR], rates, basis="nitrogen", field="F", replace=True)
        assert read_taskdata_zones(path).table.geometry[0].bounds[0] == pytest.approx(WEST + 2 * STEP)
        with pytest.raises(OutputError, match="input"):
            inside = path / "TASKDATA.XML" if path.is_dir() else path
            write_map(path, [FAR], rates, basis="nitrogen", field="F", replace=True, protect=(inside,))


def test_a_folder_with_other_task_data_is_left_alone(tmp_path: Path) -> None:
    home = tmp_path / "TASKDATA"
    home.mkdir()
    (home / "TLG00001.BIN").write_bytes(b"a log")
    with pytest.raises(OutputError, match=r"TLG00001\.BIN"):
        write_map(home, [BOX], np.array([0.01]), basis="nitrogen", field="F", replace=True)
    assert [entry.name for entry in home.iterdir()] == ["TLG00001.BIN"]


def test_the_same_prescription_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a.zip", "b.zip"):
        write(tmp_path / name, [BOX, FAR], [0.01, 0.02], form="grid of zones")
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()


@pytest.mark.parametrize(
    ("shapes", "rates", "more", "what"),
    [
        ([], [], {}, "no zone"),
        ([shapely.Point(0, 0)], [0.01], {}, "no polygon"),
        ([None], [0.01], {}, "no polygon"),
        ([shapely.Polygon()], [0.01], {}, "no polygon"),
        ([shapely.Polygon([(0, 0), (1, 1), (1, 0), (0, 1)])], [0.01], {}, "crosses itself"),
        ([shapely.box(500_000, 4_650_000, 500_100, 4_650_100)], [0.01], {}, "no degrees"),
        ([BOX], [0.01, 0.02], {}, "2 rate"),
        ([BOX], [float("nan")], {}, "row 1 is no number"),
        ([BOX], [-0.01], {}, "row 1 is no number"),
        ([BOX], [float("inf")], {}, "row 1 is no number"),
        ([BOX], [3000.0], {}, "row 1 is no number"),
        ([BOX], [0.01], {"version": 5}, "no version 5"),
        ([BOX], [0.01], {"form": "grid of rates", "cell": 0.0}, "cell of 0 m"),
        ([BOX], [0.01], {"form": "grid of rates", "cell": 0.001}, "at most"),
        ([BOX], [0.01], {"form": "grid of rates", "cell": 200_000.0}, "at most"),
        ([shapely.box(0, 88, 1, 89)], [0.01], {"form": "grid of rates"}, "pole"),
        ([shapely.box(0, 0, 1e-11, 1e-11)], [0.01], {}, "thinner than"),
    ],
)
def test_what_cannot_be_said_is_refused(
    tmp_path: Path, shapes: list[object], rates: list[float], more: dict[str, object], what: str
) -> None:
    assert what in refusal(tmp_path / "a.zip", shapes, rates, **more).what


@pytest.mark.parametrize("name", ["a.shp", "a.xml", "a.tar"])
def test_other_endings_are_refused(tmp_path: Path, name: str) -> None:
    assert "no ending of task data" in refusal(tmp_path / name, [BOX], [0.01]).what


def test_a_file_that_breaks_the_check_is_not_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("geoflow.isoxml.write._NAMES", {"nitrogen": ("1B0", "kg N/ha")})
    assert "four hexadecimal digits" in refusal(tmp_path / "a.zip", [BOX], [0.01]).what


def strips(count: int) -> list[object]:
    return [shapely.box(WEST + at * 1e-5, SOUTH, WEST + (at + 1) * 1e-5, SOUTH + 1e-4) for at in range(count)]


def test_254_zones_fit_and_more_are_merged_by_rate(tmp_path: Path) -> None:
    # Published schema V4-3: codes 0 to 254, and 0 is taken by what holds elsewhere.
    text = write(tmp_path / "a.zip", strips(254), [0.01 + 1e-6 * at for at in range(254)])
    assert ElementTree.fromstring(text).find("TSK/TZN[@A='254']") is not None
    rates = [0.01 + 1e-6 * (at % 3) for at in range(300)]
    notes = write_map(tmp_path / "b.zip", strips(300), np.array(rates), basis="nitrogen", field="F")
    assert any("300 zones are written as 3" in note.text for note in notes)
    zones = read_taskdata_zones(tmp_path / "b.zip")
    assert len(zones.table) == 3
    assert [len(shape.geoms) for shape in zones.table.geometry] == [100] * 3
    assert shapely.area(zones.table.geometry.to_numpy()).sum() == pytest.approx(300 * 1e-9)


def test_more_rates_than_codes_are_refused_but_for_a_grid_of_rates(tmp_path: Path) -> None:
    rates = [0.01 + 1e-6 * at for at in range(255)]
    for form in ("outlines", "grid of zones"):
        problem = refusal(tmp_path / "a.zip", strips(255), rates, form=form)
        assert "255 different rates" in problem.what
        assert "grid of rates" in problem.cure
    write(tmp_path / "b.zip", strips(255), rates, form="grid of rates", cell=0.5)
    assert len(read_taskdata_zones(tmp_path / "b.zip").table) == 255


def field_name(path: Path) -> str:
    """PFD C of the file, as a plain reader of XML has it."""
    with zipfile.ZipFile(path) as archive:
        (main,) = (name for name in archive.namelist() if name.upper().endswith("TASKDATA.XML"))
        partfield = ElementTree.fromstring(archive.read(main)).find("PFD")
    assert partfield is not None
    return partfield.attrib["C"]


@pytest.mark.parametrize(
    ("given_", "written", "noted"),
    [
        ("Süd 40", "Süd 40", 0),
        ("北の畑 & <'\">", "北の畑 & <'\">", 0),
        ("حقل שדה поле 🚜", "حقل שדה поле 🚜", 0),
        ("a\tb\nc\x07d", "a b c d", 1),
        ("x" * 40, "x" * LONGEST_TEXT, 1),
        ("\ud800\ufffe", "field", 1),
        ("", "field", 1),
    ],
)
def test_names_survive_or_are_told(tmp_path: Path, given_: str, written: str, noted: int) -> None:
    notes = write_map(tmp_path / "a.zip", [BOX], np.array([0.01]), basis="nitrogen", field=given_, task="t")
    assert sum("the name of the field" in note.text for note in notes) == noted
    assert field_name(tmp_path / "a.zip") == written


@given(st.text(max_size=50))
@laws(60, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_name_gives_a_file_that_is_read(tmp_path: Path, name: str) -> None:
    path = tmp_path / "a.zip"
    write_map(path, [BOX], np.array([0.01]), basis="nitrogen", field=name, names=[name], replace=True)
    zones = read_taskdata_zones(path)
    written = field_name(path)
    assert 1 <= len(written) <= LONGEST_TEXT
    plain = name.strip()
    if plain == name and 0 < len(name) <= LONGEST_TEXT and name.isprintable():
        assert written == zones.table["name"][0] == name


def microdegrees(low: int, high: int) -> st.SearchStrategy[int]:
    return st.integers(low, high)


@st.composite
def shapes_of_zones(draw: st.DrawFn) -> list[object]:
    """Polygons and multipolygons with holes and islands: sums and differences of boxes on a grid of 1e-6 degree."""
    zones: list[object] = []
    for at in range(draw(st.integers(1, 4))):
        shape: object = shapely.Polygon()
        for _ in range(draw(st.integers(1, 4))):
            x, y, w, h = (draw(st.integers(low, 60)) for low in (0, 0, 1, 1))
            box = shapely.box(x, y, x + w, y + h)
            shape = draw(st.sampled_from([shapely.union, shapely.union, shapely.difference]))(shape, box)
        if not shapely.is_empty(shape):
            zones.append(shapely.transform(shape, lambda p, at=at: np.round(p * 1e-6 + (WEST + 0.001 * at, SOUTH), 9)))
    return zones or [BOX]


@laws(50, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(shapes_of_zones(), st.data(), st.sampled_from([3, 4]), st.sampled_from(["nitrogen", "ammonia"]))
def test_what_is_written_is_read_back(
    tmp_path: Path, shapes: list[object], data: st.DataObject, version: Version, basis: str
) -> None:
    stored = data.draw(st.lists(st.integers(0, 2**31 - 1), min_size=len(shapes), max_size=len(shapes)))
    path = tmp_path / "a.zip"
    write_map(path, shapes, np.array(stored) / 1e6, basis=basis, field="F", version=version, replace=True)  # type: ignore[arg-type]
    zones = read_taskdata_zones(path)
    rate = zones.choose_rate(None)
    assert rate.unit == {"nitrogen": "kg N/ha", "ammonia": "kg NH3/ha"}[basis]
    assert zones.table[rate.column].to_numpy() == pytest.approx(np.array(stored) / 100, rel=1e-12)
    found = shapely.normalize(zones.table.geometry.to_numpy())
    for ours, meant in zip(found, shapes, strict=True):
        wanted = shapely.get_parts(meant)
        wanted = shapely.normalize(wanted[0] if len(wanted) == 1 else shapely.MultiPolygon(list(wanted)))
        assert shapely.equals_exact(ours, wanted, tolerance=1e-12)


@laws(25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 1000), st.integers(0, 1000), st.sampled_from(["grid of zones", "grid of rates"]))
def test_a_grid_read_back_keeps_what_its_cells_hold(tmp_path: Path, one: int, other: int, form: str) -> None:
    left = shapely.box(WEST, SOUTH, WEST + STEP, SOUTH + STEP)
    right = shapely.box(WEST + STEP, SOUTH, WEST + 2 * STEP, SOUTH + STEP)
    path = tmp_path / "a.zip"
    write(path, [left, right], [one / 1e6, other / 1e6], form=form, cell=7.0, replace=True)
    zones = read_taskdata_zones(path)
    column = zones.choose_rate(None).column
    for middle, stored in ((left.centroid, one), (right.centroid, other)):
        assert [
            rate
            for rate, shape in zip(zones.table[column], zones.table.geometry, strict=True)
            if shape.contains(middle)
        ] == [stored / 100]


def test_the_angles_of_a_cell() -> None:
    # Geodesic on WGS 84 (pyproj): 10 m at 42 N = 9.003065e-5 degree north, 1.206990e-4 degree east.
    assert cell_angles(10.0, 42.0) == (pytest.approx(9.003065e-5, abs=5e-12), pytest.approx(1.206990e-4, abs=5e-11))


def test_cells_lie_where_their_middles_are() -> None:
    """A triangle, so that no exchange of north and south or east and west goes unseen; checked cell by cell."""
    triangle = shapely.Polygon([(WEST, SOUTH), (WEST + 3 * STEP, SOUTH), (WEST, SOUTH + STEP)])
    cells = lay_cells([triangle], 12.0, where="x")
    rows, columns = cells.zone.shape
    for row in range(rows):
        for column in range(columns):
            middle = shapely.Point(
                cells.east + (column + 0.5) * cells.east_size, cells.north + (row + 0.5) * cells.north_size
            )
            assert (cells.zone[row, column] == 0) == triangle.contains(middle), (row, column)
    assert cells.zone[0, 0] == 0 and cells.zone[-2, -2] == -1


def test_a_zone_smaller_than_a_cell_is_told(tmp_path: Path) -> None:
    small = shapely.box(WEST + 1e-6, SOUTH + 1e-6, WEST + 2e-6, SOUTH + 2e-6)
    notes = write_map(
        tmp_path / "a.zip", [FAR, small], np.array([0.01, 0.02]), basis="nitrogen", field="F", form="grid of zones"
    )
    assert [note.text for note in notes if "row 2" in note.text] == [
        "row 2: no middle of a cell lies in these zones, so the grid does not hold them"
    ]


def test_cells_in_two_zones_are_told() -> None:
    cells = lay_cells([BOX, shapely.Polygon(square(0.5, 0))], 10.0, where="x")
    east = cells.east + (np.arange(cells.zone.shape[1]) + 0.5) * cells.east_size
    both = (east > WEST + STEP / 2) & (east < WEST + STEP)
    assert cells.doubled == (cells.zone[:, both] == 0).sum() > 0
    assert not (cells.zone[:, east < WEST + STEP] == 1).any(), "the first zone keeps what both cover"


# Negative controls: what the published V4-3 schema rejects, tried with a schema validator.
CONTROLS = [
    ("three-digit number", 'A="01B0"', 'A="1B0"', "four hexadecimal digits"),
    ("longitude", 'D="-95"', 'D="-181"', "not within -180 to 180"),
    ("zone code", '<TZN A="1"', '<TZN A="255"', "not within 0 to 254"),
    ("decimal rate", 'B="10000"', 'B="10000.5"', "no whole number"),
    ("ten decimals", 'C="42.001"', 'C="42.0010000001"', "more than 9 decimals"),
    ("no status", ' G="1"', "", "G is missing"),
    ("exponent", 'C="42.001"', 'C="4.2001e1"', "exponent"),
    # And what the schema cannot see, or what we add to it.
    ("rate too large", 'B="10000"', 'B="2147483648"', "not within"),
    ("status", ' G="1"', ' G="7"', "none of 1 to 6"),
    ("long name", 'C="North 40"', f'C="{"x" * 33}"', "longer than 32"),
    ("id", 'A="PFD1"', 'A="FIELD"', "no id like PFD1"),
    ("reference", 'E="PFD1"', 'E="PFD2"', "leads nowhere"),
    ("repeated id", '<VPN A="VPN1"', '<PDT A="PDT1" B="x"/><VPN A="VPN1"', "given twice"),
    ("repeated code", '<TZN A="1"', '<TZN A="0"', "zone code 0 is given twice"),
    ("fallback", ' H="0"', "", "H is missing"),
    ("fallback zone", ' J="0"', ' J="9"', "no zone of the task"),
    ("open ring", '<PNT A="2" C="42" D="-95" />\n    </LSG>', "</LSG>", "does not close"),
    ("two outlines", '<LSG A="1">', '<LSG A="1"><PNT A="2" C="1" D="1"/></LSG><LSG A="1">', "version 4 allows one"),
    ("no outline", '<LSG A="1">', '<LSG A="2">', "has 0 outlines"),
    ("unknown element", "<PFD", "<XYZ/><PFD", "not one that geoflow writes"),
    ("unknown attribute", "<PFD", '<PFD Q="1"', "not an attribute"),
    ("wrong place", "<PFD", '<TZN A="3"/><PFD', "cannot stand in"),
    ("document type", "<ISO11783", "<!DOCTYPE x><ISO11783", "DOCTYPE"),
    ("scale", 'C="0.01"', 'C="1e-2"', "exponent"),
    ("version", 'VersionMajor="4"', 'VersionMajor="3"', "is none of 4"),
]


@pytest.mark.parametrize(("name", "right", "wrong", "said"), CONTROLS, ids=[control[0] for control in CONTROLS])
def test_the_check_refuses(tmp_path: Path, name: str, right: str, wrong: str, said: str) -> None:
    text = write(tmp_path / "a.zip", [BOX], [0.01])
    assert validate_taskdata(text, 4) == []
    assert right in text
    found = validate_taskdata(text.replace(right, wrong), 4)
    assert any(said in problem for problem in found), found


def test_version_3_has_its_own_limits(tmp_path: Path) -> None:
    text = write(tmp_path / "a.zip", [BOX], [0.01], version=3)
    assert validate_taskdata(text, 3) == []
    # Published schema V3-3: version 3 sets no limit to decimals, knows no status above 4 and only minor version 3.
    assert validate_taskdata(text.replace('C="42.001"', 'C="42.00100000000001"'), 3) == []
    assert any("none of 1 to 4" in problem for problem in validate_taskdata(text.replace(' G="1"', ' G="5"'), 3))
    assert any("VersionMinor" in problem for problem in validate_taskdata(text.replace('Minor="3"', 'Minor="0"'), 3))
    assert any("none of 1 to 8" in problem for problem in validate_taskdata(text.replace('PLN A="1"', 'PLN A="10"'), 3))


def test_the_check_counts_the_bytes_of_a_grid(tmp_path: Path) -> None:
    for form, width in (("grid of zones", 1), ("grid of rates", 4)):
        path = tmp_path / f"{form}.zip"
        text = write(path, [BOX], [0.01], form=form)
        with zipfile.ZipFile(path) as archive:
            data = archive.read("TASKDATA/GRD00001.BIN")
        grid = ElementTree.fromstring(text).find("TSK/GRD")
        assert grid is not None
        # As two independent open readers have it: bytes = rows x columns x (1 | 4 x variables).
        assert len(data) == int(grid.get("E", "")) * int(grid.get("F", "")) * width == int(grid.get("H", ""))
        assert validate_taskdata(text, 4, {"GRD00001.BIN": data}) == []
        for files in ({}, {"GRD00001.BIN": data[:-1]}):
            assert any("GRD00001.BIN" in problem for problem in validate_taskdata(text, 4, files))
        wrong = text.replace(f'H="{len(data)}"', f'H="{len(data) + 1}"')
        assert any("but its cells take" in problem for problem in validate_taskdata(wrong, 4))


def test_what_is_no_task_data_at_all() -> None:
    assert any("no whole XML" in problem for problem in validate_taskdata("<a", 4))
    assert any("main element" in problem for problem in validate_taskdata("<a/>", 4))
