"""Reading prescriptions from task data written by hand: coordinates, rates, units and every warning."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely
from taskdata_files import (
    SOUTH,
    STEP,
    WEST,
    element,
    field,
    grid,
    line,
    polygon,
    rate,
    square,
    task,
    taskdata,
    two_zones,
)

from geoflow.base.errors import PrescriptionError
from geoflow.isoxml.data_dictionary import ENTRIES
from geoflow.isoxml.zones import TaskZones, read_taskdata_zones
from geoflow.prescription_files.columns import unit_in_name


def box(column: float, row: float, size: float = 1.0) -> shapely.Polygon:
    return shapely.Polygon(square(column, row, size))


def same(found: object, wanted: object) -> bool:
    return bool(shapely.equals_exact(shapely.normalize(found), shapely.normalize(wanted), tolerance=1e-12))


def said(zones: TaskZones, text: str) -> int:
    return sum(text in note.text for note in zones.notes)


@pytest.mark.parametrize("major", [3, 4])
def test_rings_rates_names_and_places(tmp_path: Path, major: int) -> None:
    zones = read_taskdata_zones(taskdata(tmp_path, field(), two_zones(), major=major))
    assert zones.table.crs.to_epsg() == 4326
    assert same(zones.table.geometry[0], shapely.difference(box(0, 0), box(0.25, 0.25, 0.5)))
    assert same(zones.table.geometry[1], box(1, 0))
    assert zones.table.geometry[0].bounds == pytest.approx((WEST, SOUTH, WEST + STEP, SOUTH + STEP), abs=1e-12)
    assert list(zones.table["zone"]) == [1, 2]
    assert list(zones.table["name"]) == ["West", "East"]
    # 12000 and 6000 mg/m2 are 120 and 60 kg/ha: 1 mg/m2 = 0.01 kg/ha.
    assert list(zones.table["rate_01B0_kg_n_ha"]) == [120.0, 60.0]
    assert (zones.task, zones.form) == ("TSK1", "outlines")


@pytest.mark.parametrize(
    ("ddi", "stored", "unit", "value"),
    [
        # Data dictionary of ISO 11783-11, 2025-03-14: 100 lb NH3/ac = 11,209 mg/m2, 82 lb N/ac = 9,191 mg/m2.
        ("0006", 11209, "kg NH3/ha", 112.09),
        ("01B0", 9191, "kg N/ha", 91.91),
        ("0001", 10000, "L NH3/ha", 1.0),  # 1 L/ha = 10,000 steps of 0.01 mm3/m2
        ("024C", 200, "L NH3/ha", 200.0),  # 0.1 ml/m2 is 1 L/ha
    ],
)
def test_the_dictionary_number_settles_column_and_unit(
    tmp_path: Path, ddi: str, stored: int, unit: str, value: float
) -> None:
    zones = read_taskdata_zones(taskdata(tmp_path, two_zones(ddi).replace('B="12000"', f'B="{stored}"')))
    (found,) = zones.rates
    assert (found.ddi, found.unit) == (ddi, unit)
    assert zones.table[found.column][0] == pytest.approx(value, rel=1e-12)
    named = unit_in_name(found.column)
    assert named is not None and named.text == unit, "the name says the unit to whoever reads columns by name"
    assert zones.choose_rate(None) is found


def test_ammonium_is_neither_nitrogen_nor_ammonia(tmp_path: Path) -> None:
    with pytest.raises(PrescriptionError) as caught:
        read_taskdata_zones(taskdata(tmp_path, two_zones("01B4")))
    assert "01B4" in caught.value.what
    assert "01B0 (kg N/ha)" in caught.value.cure


def test_two_rates_in_a_file_have_to_be_chosen(tmp_path: Path) -> None:
    text = two_zones("0006").replace(rate("0006", 12000), rate("0006", 12000) + rate("01B0", 9840))
    text = text.replace(rate("0006", 6000), rate("0006", 6000) + rate("01B0", 4920))
    zones = read_taskdata_zones(taskdata(tmp_path, text))
    with pytest.raises(PrescriptionError) as caught:
        zones.choose_rate(None)
    assert "--rate-column rate_0006_kg_nh3_ha   60 to 120 kg/ha" in caught.value.cure
    assert "--rate-column rate_01B0_kg_n_ha   49.2 to 98.4 kg N/ha" in caught.value.cure
    assert zones.choose_rate("01b0").unit == "kg N/ha"
    assert zones.choose_rate("RATE_0006_KG_NH3_HA").unit == "kg NH3/ha"
    with pytest.raises(PrescriptionError, match="no one rate 'nitrogen'"):
        zones.choose_rate("nitrogen")


def test_rates_of_two_products_are_told_apart(tmp_path: Path) -> None:
    pair = rate("0006", 12000, C="PDT1") + rate("0006", 300, C="PDT2")
    text = two_zones("0006").replace(rate("0006", 12000), pair)
    products = element("PDT", A="PDT1", B="NH3") + element("PDT", A="PDT2", B="Stabiliser")
    zones = read_taskdata_zones(taskdata(tmp_path, products, text))
    wanted = {"rate_0006_PDT1_kg_nh3_ha", "rate_0006_PDT2_kg_nh3_ha", "rate_0006_kg_nh3_ha"}
    assert {found.column for found in zones.rates} == wanted
    with pytest.raises(PrescriptionError, match="3 rates") as caught:
        zones.choose_rate(None)
    assert "of 'Stabiliser'" in caught.value.cure
    assert "60 to 60 kg/ha" in caught.value.cure, "a product that is not named is not called NH3"
    assert [found.is_ammonia for found in zones.rates] == [True, False, False]


def test_other_variables_stay_as_attributes(tmp_path: Path) -> None:
    text = two_zones().replace(rate("01B0", 12000), rate("01B0", 12000) + rate("0009", 11000))
    zones = read_taskdata_zones(taskdata(tmp_path, text))
    assert zones.table["ddi_0009"][0] == 11000.0
    assert np.isnan(zones.table["ddi_0009"][1])


def test_nested_variables_are_read(tmp_path: Path) -> None:
    nested = element("PDV", rate("01B0", 12000), A="0009", B=1)
    zones = read_taskdata_zones(taskdata(tmp_path, two_zones().replace(rate("01B0", 12000), nested)))
    assert zones.table["rate_01B0_kg_n_ha"][0] == 120.0


def test_a_rate_stated_twice_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PrescriptionError, match="twice"):
        read_taskdata_zones(taskdata(tmp_path, two_zones().replace(rate("01B0", 12000), rate("01B0", 12000) * 2)))


def test_version_3_closes_rings_by_itself_and_version_4_says_so(tmp_path: Path) -> None:
    for major, told in ((3, 0), (4, 1)):
        zones = read_taskdata_zones(taskdata(tmp_path / str(major), two_zones(close=False), major=major))
        assert same(zones.table.geometry[1], box(1, 0))
        assert said(zones, "3 rings did not close") == told


@pytest.mark.parametrize("turn", [False, True])
def test_direction_of_a_ring_says_nothing(tmp_path: Path, turn: bool) -> None:
    # No winding order is prescribed (documentation of the open reader isoxml-py); rings are told by LSG type.
    order = -1 if turn else 1
    shape = polygon(2, square(0, 0)[::order], square(0.25, 0.25, 0.5)[::order])
    text = task(element("TZN", rate("01B0", 12000), shape, A=1))
    zones = read_taskdata_zones(taskdata(tmp_path, text))
    assert same(zones.table.geometry[0], shapely.difference(box(0, 0), box(0.25, 0.25, 0.5)))


def test_several_outlines_in_one_polygon_take_each_its_own_holes(tmp_path: Path) -> None:
    # Version 3 (documentation of the open reader isoxml-py) may hold several exterior rings in one PLN. The hole of
    # the second comes first.
    shape = element("PLN", line(2, square(3.25, 0.25, 0.5)), line(1, square(0, 0)), line(1, square(3, 0)),
                    line(2, square(0.5, 0.5, 0.25)), line(1, square(3.4, 0.4, 0.1)), A=2)  # fmt: skip
    text = task(element("TZN", rate("01B0", 12000), shape, A=1))
    zones = read_taskdata_zones(taskdata(tmp_path, text, major=3))
    wanted = shapely.union_all(
        [
            shapely.difference(box(0, 0), box(0.5, 0.5, 0.25)),
            shapely.difference(box(3, 0), box(3.25, 0.25, 0.5)),
            box(3.4, 0.4, 0.1),
        ]
    )
    assert same(zones.table.geometry[0], wanted), "an island within a hole is ground again"


def test_a_hole_goes_to_the_smallest_outline_around_it(tmp_path: Path) -> None:
    # An outline, its hole, an island in that hole, and a hole in the island: in any order of the rings.
    rings = [(1, square(0, 0, 9)), (2, square(1, 1, 7)), (1, square(2, 2, 5)), (2, square(3, 3, 3))]
    wanted = shapely.union(
        shapely.difference(box(0, 0, 9), box(1, 1, 7)), shapely.difference(box(2, 2, 5), box(3, 3, 3))
    )
    for order in ((0, 1, 2, 3), (3, 2, 1, 0), (1, 3, 0, 2)):
        shape = element("PLN", *(line(*rings[at]) for at in order), A=2)
        text = task(element("TZN", rate("01B0", 12000), shape, A=1))
        zones = read_taskdata_zones(taskdata(tmp_path / str(order[0]), text, major=3))
        assert same(zones.table.geometry[0], wanted)


def test_a_hole_that_sticks_out_a_little_is_kept(tmp_path: Path) -> None:
    shape = element("PLN", line(1, square(0, 0)), line(1, square(3, 0)), line(2, square(3.5, 0.25, 0.6)), A=2)
    zones = read_taskdata_zones(taskdata(tmp_path, task(element("TZN", rate("01B0", 12000), shape, A=1)), major=3))
    assert [len(part.interiors) for part in zones.table.geometry[0].geoms] == [0, 1]


def test_several_polygons_in_one_zone_are_one_row(tmp_path: Path) -> None:
    text = task(element("TZN", rate("01B0", 12000), polygon(2, square(0, 0)), polygon(2, square(3, 0)), A=1))
    zones = read_taskdata_zones(taskdata(tmp_path, text))
    assert len(zones.table) == 1
    assert same(zones.table.geometry[0], shapely.MultiPolygon([box(0, 0), box(3, 0)]))


def test_odd_rings_are_counted(tmp_path: Path) -> None:
    shape = element("PLN", line(1, square(0, 0)), line(1, square(5, 0)), line(2, square(9, 9)),
                    line(2, square(0, 0)[:2]), line(5, square(1, 1)), A=8)  # fmt: skip
    zones = read_taskdata_zones(taskdata(tmp_path, task(element("TZN", rate("01B0", 12000), shape, A=1))))
    assert said(zones, "1 hole outside every outline") == 1
    assert said(zones, "1 ring with fewer than three points") == 1
    assert said(zones, "1 line neither outline nor hole") == 1
    assert said(zones, "not marked as treatment zones") == 1


def test_a_zone_without_ground_keeps_its_row(tmp_path: Path) -> None:
    text = two_zones().replace(polygon(2, square(1, 0)), "")
    zones = read_taskdata_zones(taskdata(tmp_path, text))
    assert list(zones.table["zone"]) == [1, 2]
    assert zones.table.geometry[1] is None, "a zone with a rate and no ground is for the reader to count"


def test_a_place_off_the_earth_is_refused(tmp_path: Path) -> None:
    for wrong in ('D="-195.0000000"', 'D="181.0000000"'):
        text = two_zones().replace('D="-95.0000000"', wrong)
        with pytest.raises(PrescriptionError, match="no place on earth") as caught:
            read_taskdata_zones(taskdata(tmp_path / wrong[3:7], text))
        assert "PNT" in caught.value.where


def test_points_in_a_binary_file_are_refused(tmp_path: Path) -> None:
    shape = element("PLN", element("LSG", element("PNT", A="", C="", D="", J="PNT00001", K=99), A=1), A=2)
    with pytest.raises(PrescriptionError, match="binary file"):
        read_taskdata_zones(taskdata(tmp_path, task(element("TZN", rate("01B0", 1), shape, A=1))))


def test_decimals_in_a_rate_are_read_and_told(tmp_path: Path) -> None:
    zones = read_taskdata_zones(taskdata(tmp_path, two_zones().replace('B="12000"', 'B="12000.5"')))
    assert zones.table["rate_01B0_kg_n_ha"][0] == pytest.approx(120.005)
    assert said(zones, "1 value of PDV not a whole number") == 1


def test_three_hexadecimal_digits_are_filled_up(tmp_path: Path) -> None:
    zones = read_taskdata_zones(taskdata(tmp_path, two_zones("1b0")))
    assert zones.choose_rate(None).ddi == "01B0"
    with pytest.raises(PrescriptionError, match="no dictionary number"):
        read_taskdata_zones(taskdata(tmp_path / "b", two_zones("01G0")))


@pytest.mark.parametrize(("greatest", "told"), [(50, 1), (1999, 1), (2000, 0), (12000, 0)])
def test_a_map_of_next_to_nothing_is_suspect(tmp_path: Path, greatest: int, told: int) -> None:
    # A public sample stores 10-50 under 0006 and means kg/ha; the line drawn there is 2,000 mg/m2.
    text = two_zones("0006").replace('B="12000"', f'B="{greatest}"').replace('B="6000"', 'B="10"')
    assert said(read_taskdata_zones(taskdata(tmp_path, text)), "wrong scale") == told


@pytest.mark.parametrize(("scale", "unit", "told"), [("1", "kg/ha", 1), ("0.01", "kg/ha", 0), ("1.0", "mg/m²", 0),
                                                     ("0.00892", "lb/ac", 0)])  # fmt: skip
def test_a_scale_shown_that_contradicts_the_dictionary_is_told(
    tmp_path: Path, scale: str, unit: str, told: int
) -> None:
    shown = element("VPN", A="VPN1", B=0, C=scale, D=1, E=unit)
    text = two_zones("0006").replace(rate("0006", 12000), rate("0006", 12000, E="VPN1"))
    assert said(read_taskdata_zones(taskdata(tmp_path, shown, text)), "read by the dictionary") == told


def test_what_holds_elsewhere_is_told(tmp_path: Path) -> None:
    told = read_taskdata_zones(taskdata(tmp_path / "a", two_zones().replace('H="0"', 'H="1"').replace(' I="0"', "")))
    assert said(told, "where no zone lies the file asks for 120 kg N/ha") == 1
    assert said(told, "does not say which rate holds where the position is lost") == 1
    lost = read_taskdata_zones(taskdata(tmp_path / "b", two_zones().replace('J="0"', 'J="9"')))
    assert said(lost, "zone 9, which holds outside the field, is missing") == 1
    sound = read_taskdata_zones(taskdata(tmp_path / "c", two_zones()))
    assert sound.notes == ()


def test_codes_that_are_too_large_or_repeat_are_told(tmp_path: Path) -> None:
    wide = read_taskdata_zones(taskdata(tmp_path / "a", two_zones().replace('A="2" B="East"', 'A="300" B="East"')))
    assert said(wide, "above 254") == 1
    twice = read_taskdata_zones(taskdata(tmp_path / "b", two_zones().replace('A="2" B="East"', 'A="1" B="East"')))
    assert said(twice, "1 zone with the code of another") == 1
    assert list(twice.table["rate_01B0_kg_n_ha"]) == [120.0, 60.0], "each keeps its own rate"


def test_a_boundary_far_away_is_told(tmp_path: Path) -> None:
    # One real set puts its grid in Denmark and its boundary near Moscow.
    near = field(polygon(1, square(0, 0, 3)))
    far = field(polygon(1, [(37.0, 55.0), (37.1, 55.0), (37.1, 55.1)]))
    assert said(read_taskdata_zones(taskdata(tmp_path / "a", near, two_zones())), "do not touch") == 0
    assert said(read_taskdata_zones(taskdata(tmp_path / "b", far, two_zones())), "do not touch") == 1


def test_one_rate_for_a_field_with_a_boundary(tmp_path: Path) -> None:
    text = task(element("TZN", rate("01B0", 15000), A=1), fallback=1)
    zones = read_taskdata_zones(taskdata(tmp_path, field(polygon(1, square(0, 0, 3))), text))
    assert zones.form == "whole field"
    assert same(zones.table.geometry[0], box(0, 0, 3))
    assert list(zones.table["rate_01B0_kg_n_ha"]) == [150.0]
    with pytest.raises(PrescriptionError, match="no prescription"):
        read_taskdata_zones(taskdata(tmp_path / "b", field(), text))


def test_task_data_without_a_prescription_says_what_it_holds(tmp_path: Path) -> None:
    with pytest.raises(PrescriptionError) as caught:
        read_taskdata_zones(taskdata(tmp_path / "a", element("TSK", element("TLG", A="TLG00001", C=1), A="TSK1", G=4)))
    assert "1 task, 1 with time logs" in caught.value.what
    assert "reconcile" in caught.value.cure
    with pytest.raises(PrescriptionError, match="no task at all"):
        read_taskdata_zones(taskdata(tmp_path / "b"))


def test_a_grid_counts_over_outlines(tmp_path: Path) -> None:
    text = two_zones().replace("</TSK>", grid(1, 2, 1) + "</TSK>")
    zones = read_taskdata_zones(taskdata(tmp_path, text, files={"GRD00001.BIN": bytes([1, 2])}))
    assert zones.form == "grid of zones"
    assert said(zones, "the grid counts") == 1


def test_every_rate_entry_has_a_unit_of_rates() -> None:
    assert {entry.ddi for entry in ENTRIES.values() if entry.word == "target"} == {"0001", "0006", "01B0", "024C"}
