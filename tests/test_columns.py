"""What a cell means, which column is the rate, and in which unit: by rules, never by the size of the numbers."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from geoflow.base.errors import PrescriptionError, QuantityError
from geoflow.base.rate_units import RATE_UNITS, rate_unit
from geoflow.layers.number_cells import parse_numbers, suffix_conflicts
from geoflow.prescription_files.columns import choose_column, choose_unit, unit_in_name

CELLS = {
    "150": 150.0, " 150 ": 150.0, "120,5": 120.5, "120,50": 120.5, "1,234.5": 1234.5, "1.234,5": 1234.5,
    "-9999": -9999.0, "1,234,567": 1234567.0, "1e2": 100.0, ".5": 0.5, "150 lb": 150.0, "150 lb N/ac": 150.0,
    "168,1 kg/ha": 168.1, "150#": 150.0, "20 gal per acre": 20.0, "inf": math.inf,
}  # fmt: skip


@pytest.mark.parametrize("text", CELLS)
def test_cell_is_read_as_written(text):
    # Once alone and once beside a cell that needs the slow way.
    assert parse_numbers([text]).values.tolist() == [CELLS[text]]
    assert parse_numbers([text, "x"]).values[0] == CELLS[text]


@pytest.mark.parametrize("text", ["abc", "1_000", "150 bu", "1 234", "12.3.4", "1,2,3", "*****", "lb 150", "5 lb kg"])
def test_text_that_is_no_number_is_not_made_one(text):
    read = parse_numbers([text])
    assert read.unreadable.tolist() == [True] and math.isnan(read.values[0])


@pytest.mark.parametrize("cell", [None, math.nan, "", "  ", "NaN", "n/a", "NULL", "-"])
def test_empty_cell_is_missing_not_zero(cell):
    read = parse_numbers(np.array([cell, "7"], dtype=object))
    assert read.missing.tolist() == [True, False] and math.isnan(read.values[0])


@pytest.mark.parametrize("text", ["1,200", "12,345", "120,500 lb"])
def test_three_digits_after_one_comma_may_be_either(text):
    read = parse_numbers([text])
    assert read.ambiguous.tolist() == [True] and not read.unreadable.any()


def test_suffix_agrees_or_contradicts_part_by_part():
    read = parse_numbers(["150 lb", "150 lb/ac", "150 kg", "150 lb NH3/ac", "150"])
    assert suffix_conflicts(read, rate_unit("lb N/ac")) == [2, 3]
    assert suffix_conflicts(read, rate_unit("lb NH3/ac")) == [2]
    assert suffix_conflicts(read, rate_unit("kg N/ha")) == [0, 1, 3]
    assert suffix_conflicts(parse_numbers(["30 gal", "30 L"]), rate_unit("gal NH3/ac")) == [1]


NAMED = {
    "rate_lb_n_ac": "lb N/ac", "RateLbNAc": "lb N/ac", "RATE_LBS_N_ACRE": "lb N/ac", "kg_n_ha": "kg N/ha",
    "targetkgnha": "kg N/ha", "lb_nh3_ac": "lb NH3/ac", "KG NH3/HA": "kg NH3/ha", "gal_nh3_ac": "gal NH3/ac",
    "l_nh3_ha": "L NH3/ha", "lb_n_per_ac_2024": "lb N/ac",
}  # fmt: skip


@pytest.mark.parametrize("name", NAMED)
def test_unmistakable_names(name):
    unit = unit_in_name(name)
    assert unit is not None and unit.text == NAMED[name]


@pytest.mark.parametrize(
    "name", ["rate", "N_RATE", "rate_lb", "rate_lb_ac", "rate_kg_ha", "nitrogen_r", "totalnh3ha", "lb_n_ac_or_kg_n_ha"]
)
def test_names_that_leave_a_doubt_state_no_unit(name):
    assert unit_in_name(name) is None


def _unit(name, option, cells=("95", "180")):
    return choose_unit(name, option, parse_numbers(list(cells)), where="field.shp")


def test_unit_from_option_or_name():
    assert _unit("N_RATE", "kg N/ha") == (rate_unit("kg N/ha"), [])
    unit, notes = _unit("rate_lb_n_ac", None)
    assert unit.text == "lb N/ac" and "rate_lb_n_ac" in notes[0].text
    assert _unit("rate_lb_n_ac", "lb N/ac")[0].text == "lb N/ac"


def test_unit_question_shows_what_each_would_mean():
    with pytest.raises(PrescriptionError) as caught:
        _unit("N_RATE", None)
    text = str(caught.value)
    for unit in RATE_UNITS:
        assert f'--rate-unit "{unit.text}"' in text
    # 1 kg/ha = 0.8921791216 lb/ac (exact definitions of pound and acre); 82 % nitrogen in ammonia (the label's grade).
    assert '"kg N/ha"   would be 84.8 to 160.6 lb N/ac' in text
    assert '"lb NH3/ac"   would be 77.9 to 147.6 lb N/ac' in text
    assert '"lb N/ac"   would be 95 to 180 lb N/ac' in text


@pytest.mark.parametrize("cells", [("0.001", "0.002"), ("95", "180"), ("20000", "30000")])
def test_unit_is_never_taken_from_the_size_of_the_numbers(cells):
    with pytest.raises(PrescriptionError, match="--rate-unit"):
        _unit("N_RATE", None, cells)


@pytest.mark.parametrize(
    ("name", "option"),
    [
        ("rate_lb_n_ac", "kg N/ha"),
        ("rate_lb_n_ac", "lb NH3/ac"),
        ("rate_kg_ha", "lb N/ac"),
        ("rate_lbac", "gal NH3/ac"),
    ],
)
def test_name_and_option_that_contradict_are_refused(name, option):
    with pytest.raises(PrescriptionError, match="but the column name"):
        _unit(name, option)


def test_name_that_speaks_of_ammonia_with_a_nitrogen_unit_is_reported():
    unit, notes = _unit("NH3_RATE", "lb N/ac")
    assert unit.text == "lb N/ac" and "0.82" in notes[0].text
    assert _unit("NH3_RATE", "lb NH3/ac")[1] == []


def test_unknown_unit_asks_for_what_is_counted():
    with pytest.raises(QuantityError, match=r"nitrogen \(N\) or ammonia"):
        _unit("N_RATE", "lb/ac")


AREA = np.array([10_000.0, 8_000.0, 22_000.0, 15_500.0])
PERIMETER = np.array([400.0, 360.0, 610.0, 520.0])
RATES = [120.0, 150.0, 150.0, 95.0]


def _choose(columns, requested=None, area=AREA, perimeter=PERIMETER):
    names = list(columns)
    cells = list(columns.values())
    index, notes = choose_column(
        names, lambda i: None if cells[i] is None else parse_numbers(cells[i]), requested, area=area,
        perimeter=perimeter, where="field.shp",
    )  # fmt: skip
    return names[index], " ".join(note.text for note in notes)


@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("id", [4, 9, 2, 7]), ("ZONE", [3, 1, 2, 4]), ("count", [1, 2, 3, 4]), ("count", [0, 1, 2, 3]),
        ("soil_ID", [5, 5, 6, 9]),
        ("ground", (AREA / 4046.8564224).round(2).tolist()), ("ground", (AREA / 1e4).tolist()),
        ("ground", (AREA * 1.0008).tolist()),
        ("edge", PERIMETER.tolist()), ("edge", (PERIMETER / 0.3048 / 10).tolist()),
        ("Shape_Area", [1.0, 2.0, 1.0, 5.0]),
        ("year", [2024, 2024, 2024, 2024]), ("yield", [-5.0, 3.0, 2.0, 1.0]), ("empty", [math.nan] * 4),
        ("soil", ["clay", "sand", "sand", "loam"]), ("flag", None),
    ],
)  # fmt: skip
def test_columns_that_are_no_rate_are_passed_over(name, values):
    chosen, text = _choose({name: values, "N": RATES})
    assert chosen == "N" and "95 to 150" in text and "only one" in text


@pytest.mark.parametrize(
    "rates",
    [["120,5", "150", "x", ""], ["150 lb", "120 lb", "", "95 lb"], [120, -9999, 150, 95], [0.0, 0.0, 120.0, 150.0]],
)
def test_text_no_data_and_zeros_do_not_hide_the_rate(rates):
    assert _choose({"id": [1, 2, 3, 4], "N": rates})[0] == "N"


def test_equal_squares_with_one_rate_are_not_taken_for_areas():
    same = np.full(4, 10_000.0)
    assert _choose({"N": [150.0] * 4}, area=same, perimeter=np.full(4, 400.0))[0] == "N"


def test_several_columns_are_listed_with_the_option_to_type():
    with pytest.raises(PrescriptionError) as caught:
        _choose({"N_RATE": RATES, "P rate": [20.0, 30.0, 30.5, 41.0], "id": [1, 2, 3, 4]})
    text = str(caught.value)
    assert re.search(r"--rate-column N_RATE +95 to 150", text) and re.search(r'--rate-column "P rate" +20 to 41', text)
    assert "id" not in text.replace("field", "").replace("which", "")


def test_no_candidate_lists_the_columns():
    with pytest.raises(PrescriptionError, match="--rate-column; the columns are 'id', 'soil'"):
        _choose({"id": [1, 2, 3, 4], "soil": ["a", "b", "c", "d"]})


@pytest.mark.parametrize(
    ("asked", "found"),
    [("N_RATE", "N_RATE"), ("n rate", "N_RATE"), ("nrate", "N_RATE"), ("nitrogen_rate_lb_ac", "nitrogen_r")],
)
def test_column_by_name(asked, found):
    chosen, text = _choose({"nitrogen_r": RATES, "N_RATE": RATES}, asked)
    assert chosen == found
    assert ("ten characters" in text) == (found == "nitrogen_r") and (text == "") == (asked == found)


def test_exact_name_wins_over_a_like_one():
    assert _choose({"n_rate": RATES, "N_RATE": RATES}, "N_RATE")[0] == "N_RATE"


@pytest.mark.parametrize(
    ("columns", "asked", "message"),
    [
        (("n_rate", "N-RATE"), "nrate", "fits 2 columns: 'n_rate', 'N-RATE'"),
        # GDAL writes nitrogen_rate_lb_ac and nitrogen_rate_kg_ha as these two names: which was which is lost.
        (("nitrogen_r", "nitrogen_1"), "nitrogen_rate_kg_ha", "fits 2 columns: 'nitrogen_r', 'nitrogen_1'"),
        (("N_RATE", "soil"), "N_RAET", "did you mean 'N_RATE'"),
        (("N_RATE", "soil"), "zzz", "no column 'zzz'"),
    ],
)
def test_name_that_fits_none_or_several_is_refused(columns, asked, message):
    with pytest.raises(PrescriptionError, match=re.escape(message)) as caught:
        _choose(dict.fromkeys(columns, RATES), asked)
    assert caught.value.cure
