"""The bar file: exact values, every error message, the JSON Schema, the reference, the bar in words."""

from __future__ import annotations

import copy
import dataclasses
import math
import os
import re
import tomllib
from pathlib import Path
from typing import Any

import bar_files
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from laws import laws

from geoflow.bar import equipment
from geoflow.bar import keys as bar_keys
from geoflow.bar.bar_file import bar_schema, parse_bar, read_bar
from geoflow.bar.equipment import Bar, ControlValve, Line, MeasuredPoint, Meter, Orifice, Pump, RowHose, Suction, Tank
from geoflow.bar.key_documents import key_table_markdown
from geoflow.bar.key_kinds import KEY_KINDS
from geoflow.bar.values import convert
from geoflow.base.errors import BarError
from geoflow.physics import ammonia
from geoflow.physics.air import standard_air_pressure
from geoflow.report.bar_words import bar_report
from geoflow.report.terminal import as_text

# NIST SP 811 (2008) Appendix B and NIST Handbook 44 Appendix C: inch, foot, mile, pound and US gallon are exact by
# definition; psi is the pound-force (0.45359237 kg x 9.80665 m/s2) on a square inch.
INCH, FOOT, MILE, POUND, GALLON = 0.0254, 0.3048, 1609.344, 0.45359237, 3.785411784e-3
PSI = POUND * 9.80665 / INCH**2
GPM, MPH = GALLON / 60, MILE / 3600
DOCUMENT = Path(__file__).parent.parent / "docs" / "bar-file.md"


def close(value: float) -> Any:
    return pytest.approx(value, rel=1e-12)


def put(mapping: dict[str, Any], path: str, value: Any) -> dict[str, Any]:
    """Return the mapping with one value set (or taken out, for ...); numbers in the path count from 0."""
    place: Any = mapping
    *way, last = [int(part) if part.isdigit() else part for part in path.split("/")]
    for part in way:
        place = place[part]
    if value is ...:
        del place[last]
    else:
        place[last] = value
    return mapping


def refused(mapping: Any) -> BarError:
    with pytest.raises(BarError) as caught:
        parse_bar(mapping, where="x.toml")
    return caught.value


# --- values -----------------------------------------------------------------------------------------------------


def test_psi_is_what_nist_prints() -> None:
    assert pytest.approx(6.894757e3, rel=1e-7) == PSI  # NIST SP 811 (2008), B.8: 1 psi = 6.894 757 E+03 Pa


def test_contract_bar_has_the_values_computed_by_hand() -> None:
    bar = parse_bar(bar_files.contract())
    air = standard_air_pressure(900 * FOOT)
    assert (bar.name, bar.nitrogen_fraction, bar.rows) == ("...", 0.82, 5)
    assert bar.row_spacing == close(30 * INCH)
    assert bar.width == close(5 * 30 * INCH)
    assert bar.elevation == close(900 * FOOT)
    assert bar.air_pressure == close(air)
    (section,) = bar.sections
    assert (section.name, section.rows, section.orifice) == ("left", 5, "small")
    assert section.feed is not None
    assert section.feed.length == close(9 * FOOT)
    assert section.feed.bore == close(0.75 * INCH)
    assert (section.feed.fittings_k, section.feed.roughness) == (3.0, 0.0)
    orifice = bar.orifices["small"]
    assert (orifice.name, orifice.discharge_coefficient, orifice.coefficient_tolerance) == ("small", 0.62, 0.05)
    assert orifice.diameter == close(0.070 * INCH)
    assert orifice.land == close(0.0015)
    assert orifice.flash_weight == 0.0
    (point,) = orifice.measured
    assert point.flow == close(5.1 * POUND / 60)
    assert point.pressure == close(95 * PSI + air)
    assert point.temperature == close(283.15)
    assert point.flow_tolerance == 0.03
    assert bar.row_hose.back_pressure == (close(6 * PSI + air), close(6 * PSI + air))
    assert bar.row_hose.line is None
    assert bar.suction is not None and bar.suction.line is not None
    assert bar.suction.head == close(1.5 * FOOT)
    assert bar.suction.line.length == close(12 * FOOT)
    assert bar.suction.line.bore == close(1.5 * INCH)
    assert bar.suction.line.fittings_k == 8.0
    assert bar.pump.max_flow == close(45 * GPM)
    assert bar.pump.max_rise == close(110 * PSI)
    assert bar.pump.min_flow == close(3 * GPM)
    assert bar.meter.pulses_per_volume == close(700 / GALLON)
    assert bar.meter.min_flow == close(2 * GPM)
    assert bar.meter.max_flow == close(60 * GPM)
    assert bar.meter.reference_temperature == close((60 + 459.67) / 1.8)
    assert bar.control_valve is not None and bar.control_valve.cv == 30.0
    assert bar.limits.max_pressure == close(200 * PSI + air)
    assert bar.limits.liquid_margin == close(5 * PSI)
    assert bar.limits.speed == (close(3.5 * MPH), close(7.5 * MPH))
    assert bar.controller is not None
    assert (bar.controller.delay, bar.controller.time_constant) == (0.8, 1.5)
    assert bar.tank is not None
    assert (bar.tank.capacity, bar.tank.fill) == (close(1000 * GALLON), 0.85)


def test_minimal_bar_takes_the_defaults_of_the_dataclasses() -> None:
    bar = parse_bar(bar_files.minimal())
    for part in (bar, bar.pump, bar.meter, bar.orifices["small"], bar.sections[0]):
        for field in dataclasses.fields(part):
            if field.default is not dataclasses.MISSING and field.name != "left_out":
                assert getattr(part, field.name) == field.default, field.name
    assert ("nitrogen_fraction", "0.82") in bar.left_out
    assert bar.row_hose == RowHose()
    assert bar.air_pressure == 101325.0  # U.S. Standard Atmosphere 1976, sea level


def test_other_defaults_are_those_of_the_dataclasses() -> None:
    mapping = bar_files.contract()
    for path in ("row_hose/back_pressure", "suction/fittings_k", "suction/head", "tank/fill"):
        put(mapping, path, ...)
    mapping["row_hose"] |= {"length": "8 ft", "bore": "0.375 in"}
    bar = parse_bar(mapping)
    measured = bar.orifices["small"].measured[0]
    assert bar.row_hose.tolerance == RowHose().tolerance
    assert bar.suction is not None and bar.suction.head == Suction().head
    assert measured.flow_tolerance == MeasuredPoint(1.0, 1.0, 1.0).flow_tolerance
    for part in (bar.control_valve, bar.tank, bar.suction.line, bar.sections[0].feed):
        assert part is not None
        for field in dataclasses.fields(part):
            if field.default is not dataclasses.MISSING and field.name != "fittings_k":
                assert getattr(part, field.name) == field.default, field.name


def test_gauge_pressure_uses_the_air_at_the_site() -> None:
    bar = parse_bar(put(bar_files.minimal(), "elevation", "1000 m"))
    # U.S. Standard Atmosphere 1976, table I, geometric altitude 1000 m: 8.9876 E+4 Pa (from memory)
    assert bar.limits.max_pressure - 200 * PSI == pytest.approx(89876, abs=1)


def test_absolute_pressure_ignores_the_air() -> None:
    mapping = put(bar_files.contract(), "limits/max_pressure", "214.7 psia")
    mapping = put(mapping, "row_hose/back_pressure", "18..150 kPa_abs")
    with pytest.raises(BarError, match="back_pressure must lie between 0 psi and 500 psi gauge"):
        parse_bar(mapping)
    bar = parse_bar(put(mapping, "row_hose/back_pressure", "101..150 kPa_abs"))
    assert bar.limits.max_pressure == close(214.7 * PSI)
    assert bar.row_hose.back_pressure == (close(101e3), close(150e3))


@pytest.mark.parametrize("text", ["4..8 psi", "4 .. 8 psi", "4 psi..8 psi", "4 psig .. 8 psig"])
def test_back_pressure_may_be_a_range(text: str) -> None:
    bar = parse_bar(put(bar_files.contract(), "row_hose/back_pressure", text))
    air = bar.air_pressure
    assert bar.row_hose.back_pressure == (close(4 * PSI + air), close(8 * PSI + air))


def test_one_speed_and_a_whole_number_written_as_a_decimal_are_fine() -> None:
    bar = parse_bar(put(put(bar_files.minimal(), "limits/speed", "5 mph"), "sections/0/rows", 8.0))
    assert bar.limits.speed == (close(5 * MPH), close(5 * MPH))
    assert (bar.rows, type(bar.sections[0].rows)) == (8, int)


def test_24_rows_at_30_inches_are_60_feet_wide() -> None:
    # Common practice, no source.
    mapping = put(put(bar_files.minimal(), "sections/0/rows", 24), "width", "60 ft")
    assert parse_bar(mapping | {"rows": 24}).width == close(60 * FOOT)


def test_unused_orifice_lift_and_empty_points_are_fine() -> None:
    mapping = put(put(bar_files.full(), "suction/head", "-2 ft"), "orifices/spare/measured", [])
    bar = parse_bar(mapping)
    assert "spare" in bar.orifices and bar.suction is not None
    assert bar.suction.head == close(-2 * FOOT)


def test_rounded_width_is_accepted() -> None:
    # 16 rows at 22 in are 29.33 ft; people write 29.3 ft.
    mapping = bar_files.full() | {"row_spacing": "22 in", "width": "29.3 ft"}
    assert parse_bar(mapping).width == close(16 * 22 * INCH)


# --- one value written in many ways -----------------------------------------------------------------------------

# Factors from NIST SP 811 (2008), Appendix B; each spelling means factor * number + offset in SI.
SPELLINGS: dict[str, list[tuple[str, float, float]]] = {
    "length": [
        ("in", INCH, 0),
        ("inches", INCH, 0),
        ('"', INCH, 0),
        ("ft", FOOT, 0),
        ("feet", FOOT, 0),
        ("mm", 1e-3, 0),
        ("cm", 1e-2, 0),
        ("m", 1.0, 0),
        ("yd", 0.9144, 0),
    ],
    "volume": [("gal", GALLON, 0), ("gallons", GALLON, 0), ("L", 1e-3, 0), ("liter", 1e-3, 0), ("m**3", 1.0, 0)],
    "time": [("s", 1.0, 0), ("sec", 1.0, 0), ("ms", 1e-3, 0), ("min", 60.0, 0)],
    "temperature": [
        ("degF", 1 / 1.8, 459.67 / 1.8),
        ("F", 1 / 1.8, 459.67 / 1.8),
        ("degC", 1.0, 273.15),
        ("C", 1.0, 273.15),
        ("K", 1.0, 0),
    ],
    "volume flow": [("gpm", GPM, 0), ("gal/min", GPM, 0), ("L/min", 1e-3 / 60, 0), ("m**3/hour", 1 / 3600, 0)],
    "ammonia flow": [("lb NH3/min", POUND / 60, 0), ("kg NH3/min", 1 / 60, 0), ("kg NH3/hour", 1 / 3600, 0)],
    "pressure": [("psi", PSI, 0), ("kPa", 1e3, 0), ("bar", 1e5, 0), ("psig", PSI, 0)],
    "speed": [("mph", MPH, 0), ("km/h", 1 / 3.6, 0), ("kph", 1 / 3.6, 0), ("m/s", 1.0, 0)],
    "voltage": [("V", 1.0, 0), ("mV", 1e-3, 0)],
    "transmitter slope": [("mV/psi", 1e-3 / PSI, 0), ("V/bar", 1e-5, 0), ("mV/kPa", 1e-6, 0)],
}


def numbers_in(thing: Any, path: str = "") -> dict[str, Any]:
    """Flatten a bar to its leaves."""
    if isinstance(thing, dict):
        return {k: v for name, part in thing.items() for k, v in numbers_in(part, f"{path}/{name}").items()}
    if isinstance(thing, tuple | list):
        return {k: v for count, part in enumerate(thing) for k, v in numbers_in(part, f"{path}/{count}").items()}
    return {path: thing}


def respelt(draw: st.DrawFn, value: str, kind: str) -> str:
    """Write the same quantity in another unit, with other blanks."""
    span = re.fullmatch(r"(?:([-\d.]+)\.\.)?([-\d.]+) (.+)", value)
    assert span is not None
    _, factor, offset = next(row for row in SPELLINGS[kind] if row[0] == span[3])
    unit, new_factor, new_offset = draw(st.sampled_from(SPELLINGS[kind]))
    blank = st.sampled_from(["", " ", "  "])
    ends = [repr((float(end) * factor + offset - new_offset) / new_factor) for end in span.groups()[:2] if end]
    return f"{draw(blank)}{'..'.join(ends)}{draw(blank)}{unit}{draw(blank)}"


def respell_table(draw: st.DrawFn, given: Any, path: str) -> None:
    keys, inner = bar_keys.keys_of(path), bar_keys.subtables_of(path)
    for name, value in given.items():
        if name in keys:
            kind = KEY_KINDS[keys[name].kind].unit_kind
            given[name] = respelt(draw, value, kind) if kind else value
        else:
            shape = inner[name].shape
            parts = [value] if shape == "one" else value if shape == "list" else list(value.values())
            for part in parts:
                respell_table(draw, part, inner[name].path)


@laws(60)
@given(st.data())
def test_the_same_bar_in_any_spelling(data: st.DataObject) -> None:
    mapping = bar_files.full()
    data.draw(st.composite(lambda draw: respell_table(draw, mapping, ""))())
    want = numbers_in(dataclasses.asdict(parse_bar(bar_files.full())))
    got = numbers_in(dataclasses.asdict(parse_bar(mapping)))
    assert got.keys() == want.keys()
    for path, value in want.items():
        if "/readings/" in path:
            continue  # as it was written
        assert got[path] == (pytest.approx(value, rel=1e-9, abs=1e-9) if isinstance(value, float) else value), path


# --- errors -----------------------------------------------------------------------------------------------------

# Change, new value (... takes it out), then what must stand in the place, the complaint and the cure.
MISTAKES: list[tuple[str, Any, str, str, str]] = [
    ("name", ..., "x.toml", "name is missing", 'name = "16-row bar"'),
    ("name", 7, "name = 7", "7 is not text", "write text in quotes"),
    ("name", "  ", 'name = "  "', "the text is empty", "write text"),
    ("name", "a\x1b[2J", r'name = "a\u001b[2J"', "cannot be printed", "write text"),
    ("name", "a" * 101, 'name = "aaa', "over 100 characters", "write text"),
    ("row_spacing", "30", 'row_spacing = "30"', '"30" has no unit', 'row_spacing = "30 in"'),
    ("row_spacing", 30, "row_spacing = 30", "30 has no unit", 'row_spacing = "30 in"'),
    ("row_spacing", True, "row_spacing = true", "true is not text", 'row_spacing = "30 in"'),
    ("row_spacing", ["30 in"], "row_spacing = ['30 in']", "is not text", "a length with its unit"),
    ("row_spacing", "30 psi", 'row_spacing = "30 psi"', "'psi' is not a unit of length", "a length with its unit"),
    ("row_spacing", "30 inhces", 'row_spacing = "30 inhces"', "'inhces' is not a unit of length", "a length with"),
    ("row_spacing", "-30 in", 'row_spacing = "-30 in"', "must lie between 1 in and 200 in", "check the number"),
    ("row_spacing", "30 ft", 'row_spacing = "30 ft"', "must lie between 1 in and 200 in", "check the number"),
    ("row_spacing", "nan in", 'row_spacing = "nan in"', "not a number with a unit", "a length with its unit"),
    ("row_spacing", "1e999 in", 'row_spacing = "1e999 in"', "not a finite number", "a length with its unit"),
    ("row_spacing", "7,5 in", 'row_spacing = "7,5 in"', "is not a unit of length", "decimals with a point"),
    ("row_spacing", "28..30 in", 'row_spacing = "28..30 in"', "is a range, but one value is wanted", "a length"),
    (
        "row_spacng",
        "30 in",
        "top of the file",
        "unknown key \"row_spacng\"; did you mean 'row_spacing'?",
        "known here: name, row_spacing, rows, width",
    ),
    (
        "rows",
        15,
        "rows = 15",
        "the sections hold 16 rows in all (left 5, middle 6, right 5), not 15",
        "write rows = 16, or correct the rows of the sections",
    ),
    (
        "width",
        "42 ft",
        'width = "42 ft"',
        "16 rows at 30 in make 40.0 ft (12.19 m), not 42 ft",
        "correct width, row_spacing or the rows",
    ),
    ("nitrogen_fraction", 82, "nitrogen_fraction = 82", "must lie between 0.1 and 0.8225", "82-0-0 is written 0.82"),
    ("nitrogen_fraction", math.nan, "nitrogen_fraction = nan", "no number that a bar could have", "a plain number"),
    ("nitrogen_fraction", math.inf, "nitrogen_fraction = inf", "no number that a bar could have", "a plain number"),
    ("nitrogen_fraction", "0.82", 'nitrogen_fraction = "0.82"', "is not a plain number", "nitrogen_fraction = 0.82"),
    ("elevation", "90000 ft", "elevation", "must lie between -1500 ft and 15000 ft", "check the number and the unit"),
    ("min_flow", "3 gpm", "top of the file", '"min_flow"; it belongs in [pump] or in [meter]', "known here"),
    ("limits/nitrogen_fraction", 0.82, "[limits]", "belongs at the top of the file, above the first table", "known"),
    ("pump/limits", {}, "[pump]", "belongs in the file as [limits]", "known here: max_flow, max_rise"),
    ("sections", ..., "x.toml", "[[sections]] is missing", 'name = "left", rows = 8, orifice = "small"'),
    ("sections", [], "x.toml", "sections = [] is not a list of tables", "write it as [[sections]]"),
    ("sections", {"name": "a"}, "x.toml", "is not a list of tables", "write it as [[sections]]"),
    ("sections/1", 5, "[[sections]] 2", "5 is not a table", 'name = "left", rows = 8'),
    ("sections/1/rows", ..., '[[sections]] 2 "middle"', "rows is missing", "rows = 8"),
    ("sections/1/rows", 0, '[[sections]] 2 "middle": rows = 0', "must lie between 1 and 1000", "check the number"),
    ("sections/1/rows", 5.5, '[[sections]] 2 "middle": rows = 5.5', "5.5 is not a whole number", "rows = 8"),
    ("sections/1/rows", 10**400, '[[sections]] 2 "middle": rows', "no number that a bar", "rows = 8"),
    ("sections/1/name", "left", "[[sections]]", "2 sections are called 'left'", "a name of its own"),
    ("sections/1/name", "LEFT", "[[sections]]", "2 sections are called", "a name of its own"),
    ("sections/1/name", "a,b", '[[sections]] 2 "a,b"', "the name holds a comma", "leave it out"),
    (
        "sections/2/orifice",
        "lrage",
        '[[sections]] 3 "right": orifice = "lrage"',
        "there is no orifice 'lrage'; did you mean 'large'?",
        "name one of small, large, spare, or add [orifices.lrage]",
    ),
    ("sections/2/orfice", "large", '[[sections]] 3 "right"', "did you mean 'orifice'?", "known here: name, rows"),
    ("sections/0/feed", "9 ft", '[[sections]] 1 "left"', 'feed = "9 ft" is not a table', 'bore = "0.75 in"'),
    (
        "sections/0/feed/bore",
        "0 in",
        '[[sections]] 1 "left": feed.bore = "0 in"',
        "between 0.05 in and 12 in",
        "check the number and the unit",
    ),
    ("sections/0/feed/bore", ..., '[[sections]] 1 "left"', "feed.bore is missing", 'bore = "0.75 in"'),
    ("sections/0/feed/length", "-9 ft", 'feed.length = "-9 ft"', "between 0 ft and 500 ft", "check the number"),
    ("orifices", ..., "x.toml", "[orifices.NAME] is missing", 'diameter = "0.070 in"'),
    ("orifices", {}, "[orifices]", "no named table in it", "[orifices.small]"),
    ("orifices", 3, "[orifices]", "stands there without a named table", "[orifices.small]"),
    ("orifices/diameter", "0.07 in", "[orifices]", '"diameter" stands there without a named table', "[orifices.NAME]"),
    ("orifices/ odd", {}, '[orifices." odd"]', "bad name: it begins or ends with a blank", "short, plain name"),
    ("orifices/small/diameter", "0 in", "[orifices.small]: diameter", "between 0.005 in and 2 in", "check the number"),
    ("orifices/small/discharge_coefficient", 1.2, "discharge_coefficient = 1.2", "between 0.1 and 1", "check the"),
    ("orifices/small/coefficient_tolerance", 5, "coefficient_tolerance = 5", "between 0 and 0.9", "check the number"),
    ("orifices/small/flash_weight", -0.1, "flash_weight = -0.1", "between 0 and 1", "check the number"),
    ("orifices/small/land", "0 mm", "[orifices.small]: land", "between 0.001 in and 4 in", "check the number"),
    ("orifices/small/measured", {"flow": 1}, "[orifices.small]", "is not a list of tables", "measured = [ { ... } ]"),
    (
        "orifices/small/measured/0/flow",
        "5.1 lb/min",
        "[orifices.small]: measured 1: flow",
        "does not say that it is ammonia",
        'flow = "5.1 lb NH3/min"',
    ),
    ("orifices/small/measured/1/pressure", ..., "[orifices.small]: measured 2", "no pressure in it", "95 psi"),
    ("orifices/small/measured/1/pressure", "10 psia", "measured 2: pressure", "between 1 psi and 1000 psi gauge", ""),
    ("orifices/small/measured/0/temperature", "300 degF", "temperature", "between -40 degF and 140 degF", ""),
    (
        "row_hose/back_pressure",
        "6 psi",
        "[row_hose]",
        "back_pressure and length, bore, tolerance, outlet, outlet_coefficient at once",
        "keep back_pressure",
    ),
    (
        "row_hose/bore",
        ...,
        "[row_hose]",
        "length and tolerance and outlet and outlet_coefficient without bore",
        'add bore = "0.375 in"',
    ),
    ("row_hose", {}, "[row_hose]", "neither back_pressure nor length and bore", "leave the table out"),
    ("row_hose", {"tolerance": 0.2}, "[row_hose]", "tolerance without length and bore", "take tolerance out"),
    ("row_hose", {"back_pressure": "6 psi", "tolerance": 0.2}, "[row_hose]", "back_pressure and tolerance", "range"),
    ("row_hose", {"back_pressure": "8..4 psi"}, '[row_hose]: back_pressure = "8..4 psi"', "runs backwards", "4..8"),
    ("row_hose", {"back_pressure": "-4 psi"}, "[row_hose]: back_pressure", "between 0 psi and 500 psi gauge", ""),
    ("suction/bore", ..., "[suction]", "length and fittings_k and roughness without bore", 'bore = "1.5 in"'),
    ("suction", {"fittings_k": 5}, "[suction]", "fittings_k without length and bore", "take fittings_k out"),
    ("pump", ..., "x.toml", "[pump] is missing", 'max_flow = "45 gpm", max_rise = "110 psi"'),
    ("pump", 5, "[pump]", "5 is not a table", 'max_flow = "45 gpm"'),
    ("pump/max_flow", "45 psi", '[pump]: max_flow = "45 psi"', "'psi' is not a unit of volume flow", "45 gpm"),
    (
        "pump/max_rise",
        "110 psia",
        '[pump]: max_rise = "110 psia"',
        "is an absolute pressure, but a difference is",
        'max_rise = "110 psi"',
    ),
    ("pump/min_flow", "46 gpm", "[pump]", 'min_flow = "46 gpm" is above max_flow = "45 gpm"', "exchange them"),
    ("pump/efficiency", 0, "[pump]: efficiency = 0", "between 0.05 and 1", "check the number"),
    ("meter/min_flow", "61 gpm", "[meter]", 'min_flow = "61 gpm" is above max_flow = "60 gpm"', "exchange them"),
    ("meter/pulses_per_gallon", "700", "[meter]", '"700" is not a plain number', "pulses_per_gallon = 700"),
    ("meter/pulses_per_gallon", 0, "[meter]: pulses_per_gallon = 0", "between 0.01 and 1000000", "check"),
    ("control_valve/cv", -3, "[control_valve]: cv = -3", "between 0.01 and 10000", "check the number"),
    ("control_valve/recovery_factor", 0.2, "recovery_factor = 0.2", "between 0.3 and 1", "check the number"),
    ("limits/liquid_margin", "0 psi", "[limits]: liquid_margin", "between 0.1 psi and 200 psi", "boils ahead"),
    ("limits/liquid_margin", "-5 psi", "[limits]: liquid_margin", "between 0.1 psi and 200 psi", "boils ahead"),
    ("limits/liquid_margin", "35 kPa_abs", "[limits]: liquid_margin", "is an absolute pressure", "5 psi"),
    ("limits/max_pressure", "0 psi", "[limits]: max_pressure", "between 1 psi and 1000 psi gauge", "check"),
    ("limits/speed", "0..7 mph", "[limits]: speed", "between 0.1 mph and 30 mph", "check the number"),
    ("limits/speed", "7.5..3.5 mph", "[limits]: speed", "runs backwards", "a speed or a range of speeds"),
    ("limits/speed", "3.5-7.5 mph", "[limits]: speed", "speed", "3.5..7.5 mph"),
    ("controller/delay", "-1 s", "[controller]: delay", "between 0 s and 60 s", "check the number"),
    ("tank/fill", 0.9, "[tank]: fill = 0.9", "between 0.05 and 0.85", "usual rule is 85 %"),
    ("tank/fill", 0.9, "[tank]: fill = 0.9", "between 0.05 and 0.85", "the local code decides"),
    ("tnk", {"capacity": "1000 gal"}, "top of the file", "did you mean 'tank'?", "known here"),
]


@pytest.mark.parametrize(("path", "value", "where", "what", "cure"), MISTAKES, ids=lambda part: str(part)[:30])
def test_each_mistake_names_place_complaint_and_cure(path: str, value: Any, where: str, what: str, cure: str) -> None:
    mapping = bar_files.full()
    for agreeing in ("rows", "width"):  # so that one change is one mistake
        if path != agreeing:
            del mapping[agreeing]
    error = refused(put(mapping, path, value))
    assert error.where.startswith("x.toml")
    assert where in error.where
    assert what in error.what
    assert cure in error.cure and error.cure


def test_a_misspelt_required_key_is_reported_once() -> None:
    mapping = bar_files.minimal()
    mapping["pump"]["max_flw"] = mapping["pump"].pop("max_flow")
    error = refused(mapping)
    assert "unknown key \"max_flw\"; did you mean 'max_flow'?" in error.what
    assert "missing" not in str(error)


def test_all_problems_are_reported_together_and_numbered() -> None:
    mapping = bar_files.full()
    for path, value in {
        "row_spacing": 30,
        "sections/0/feed/bore": "0 in",
        "sections/2/orifice": "lrage",
        "pump/min_flow": "50 gpm",
        "tank/fill": 0.95,
        "rows": 17,
    }.items():
        put(mapping, path, value)
    error = refused(mapping)
    assert error.what.startswith("6 things in the bar file are wrong")
    assert [line[:5].strip() for line in error.what.splitlines() if re.match(r"  \d\.", line)] == [
        "1.",
        "2.",
        "3.",
        "4.",
        "5.",
        "6.",
    ]
    for part in ("30 has no unit", "feed.bore", "lrage", "is above max_flow", "85 %", "left 5, middle 6, right 5"):
        assert part in error.what
    assert error.where == "x.toml"
    assert error.what.count("cure:") == 6


def test_a_flood_of_problems_is_cut_and_counted() -> None:
    error = refused(bar_files.minimal() | {f"wrong{count}": 1 for count in range(100)})
    assert error.what.startswith("100 things") and "and 70 more" in error.what


@pytest.mark.parametrize("given", [None, 3, [], "bar"])
def test_something_else_than_a_table_is_refused(given: Any) -> None:
    assert "is not a table" in refused(given).what


JUNK = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=20),
    st.lists(st.integers(), max_size=2),
    st.dictionaries(st.text(max_size=5), st.integers(), max_size=2),
    st.sampled_from(["30 in", "5 psi", "4..8 psi", "60 psia", "3 gpm", "50 degF", "1 s", "-2 ft", "5.1 lb NH3/min"]),
)


def places(thing: Any, path: str = "") -> list[str]:
    inner = thing.items() if isinstance(thing, dict) else enumerate(thing) if isinstance(thing, list) else ()
    found = [path.lstrip("/")] if path else []
    return found + [place for name, part in inner for place in places(part, f"{path}/{name}")]


@laws(300)
@given(st.sampled_from(places(bar_files.full())), st.one_of(JUNK, st.just(...)))
@example("drive", None)
@example("drive", 5)
def test_anything_anywhere_gives_a_bar_or_a_bar_error(path: str, value: Any) -> None:
    mapping = put(bar_files.full(), path, value)
    try:
        bar = parse_bar(mapping, where="x.toml")
    except BarError as error:
        assert error.what and error.where.startswith("x.toml") and error.cure
        assert str(error).replace("\n", "").isprintable()
    else:
        assert isinstance(bar, Bar) and as_text(bar_report(bar, "us"))


# --- files ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", [bar_files.MINIMAL, bar_files.CONTRACT, bar_files.FULL])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"], ids=["plain", "byte order mark"])
def test_reads_files_with_either_line_end(tmp_path: Path, text: str, mark: bytes) -> None:
    path = tmp_path / "a.toml"
    for end in ("\n", "\r\n"):
        path.write_bytes(mark + text.replace("\n", end).encode())
        assert read_bar(path) == parse_bar(tomllib.loads(text))


def test_problem_in_a_file_names_the_file(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    path.write_text(bar_files.MINIMAL.replace("45 gpm", "45 psi"), encoding="utf-8")
    with pytest.raises(BarError) as caught:
        read_bar(str(path))
    assert caught.value.where == f'{path}, [pump]: max_flow = "45 psi"'


BROKEN: list[tuple[str, str, str]] = [
    (
        bar_files.MINIMAL.replace('"30 in"', "30 in"),
        'line 2: "row_spacing = 30 in"',
        'put a value with a unit in quotes: row_spacing = "30 in"',
    ),
    (bar_files.MINIMAL.replace('"3.5..7.5 mph"', "3.5..7.5 mph"), "line 25", 'in quotes: speed = "3.5..7.5 mph"'),
    (bar_files.MINIMAL.replace('"30 in"', "\u201c30 in\u201d"), "line 2", "use straight quotes"),
    (bar_files.FULL.replace("[[sections]]", "[sections]"), 'line 14: "[sections]"', "[[sections]] in double brackets"),
    (bar_files.MINIMAL + 'speed = "5 mph"\n', "line 26", "stands there twice"),
    (bar_files.MINIMAL.replace("[pump]", "[pump"), "line 13", "write key = value"),
    ("name = " + "[" * 20_000, "a.toml", "write key = value"),
    ("name = " + "9" * 5_000, "a.toml", "write key = value"),
    ("a\0b", "a.toml", "write key = value"),
]


@pytest.mark.parametrize(("text", "where", "cure"), BROKEN, ids=range(len(BROKEN)))
def test_broken_toml_names_the_line_and_the_cure(tmp_path: Path, text: str, where: str, cure: str) -> None:
    path = tmp_path / "a.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(BarError) as caught:
        read_bar(path)
    assert "not valid TOML" in caught.value.what
    assert str(path) in caught.value.where and where in caught.value.where
    assert cure in caught.value.cure


def test_unreadable_files(tmp_path: Path) -> None:
    def error(path: Path | str) -> BarError:
        with pytest.raises(BarError) as caught:
            read_bar(path)
        assert str(path) in caught.value.where
        return caught.value

    (tmp_path / "west_bar.toml").write_text(bar_files.MINIMAL, encoding="utf-8")
    missing = error(tmp_path / "west_bra.toml")
    assert "no such bar file" in missing.what and "did you mean 'west_bar.toml'?" in missing.cure
    assert "no such bar file" in error(tmp_path / "nowhere" / "bar.toml").what
    assert "a folder" in error(tmp_path).what
    (tmp_path / "latin.toml").write_bytes('name = "ok"\nrow_spacing = "30 in"  # g\u00fcltig'.encode("latin-1"))
    latin = error(tmp_path / "latin.toml")
    assert "not text in UTF-8" in latin.what and latin.where.endswith("line 2") and "UTF-8" in latin.cure
    (tmp_path / "wide.toml").write_bytes(bar_files.MINIMAL.encode("utf-16"))
    assert "not text in UTF-8" in error(tmp_path / "wide.toml").what
    (tmp_path / "huge.toml").write_bytes(b"#" * 1_000_001)
    assert "1,000,001 bytes" in error(tmp_path / "huge.toml").what
    (tmp_path / "empty.toml").write_bytes(b"")
    assert "7 things" in error(tmp_path / "empty.toml").what
    assert "cannot be opened" in error("a" * 5_000).what
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe.toml")
        assert "not an ordinary file" in error(tmp_path / "pipe.toml").what


# --- the table of keys ------------------------------------------------------------------------------------------


WARM_POINT = {"pressure": "95 psi", "temperature": "50 degF"}
# What one point can't hold at once with what the full example's has.
OTHER_READINGS = {
    "bar_flow": {}, "rate": {"speed": "5 mph"}, "speed": {"rate": "150 lb N/ac"}, "load": {"time": "30 min"},
    "time": {"load": "1200 lb NH3"}, "sections": {"bar_flow": "10 gpm"}, "pressure_after_valve": {},
    "pressure_tolerance": {}, "temperature_tolerance": {},
}  # fmt: skip


def with_learned_table() -> dict[str, Any]:
    """The full example, with what a log told of its small orifice."""
    mapping = bar_files.full()
    mapping["orifices"]["small"]["learned"] = learned = {
        key.name: key.example for key in bar_keys.keys_of("orifices.learned").values()
    }
    for name, table in bar_keys.subtables_of("orifices.learned").items():
        inner = {key.name: key.example for key in bar_keys.keys_of(table.path).values()}
        learned[name] = inner if table.shape == "one" else [inner]
    return mapping


def test_full_example_has_every_key_but_the_excluded_one() -> None:
    used: set[tuple[str, str]] = set()

    def walk(given: dict[str, Any], path: str) -> None:
        inner = bar_keys.subtables_of(path)
        for name, value in given.items():
            if name not in inner:
                used.add((path, name))
                continue
            shape = inner[name].shape
            for part in [value] if shape == "one" else value if shape == "list" else value.values():
                walk(part, inner[name].path)

    walk(with_learned_table(), "")
    assert {(key.table, key.name) for key in bar_keys.KEYS} - used == {
        ("row_hose", "back_pressure"),
        ("drive", "full_speed"),
        ("drive", "given_speed"),
        ("orifices", "flashing"),
        *(("orifices.measured", name) for name in OTHER_READINGS),
    }


def test_every_key_has_a_known_kind_a_table_and_a_sentence() -> None:
    paths = [table.path for table in bar_keys.TABLES]
    assert len(set(paths)) == len(paths)
    assert len({(key.table, key.name) for key in bar_keys.KEYS}) == len(bar_keys.KEYS)
    for key in bar_keys.KEYS:
        assert key.table in paths and key.kind in KEY_KINDS
        assert key.meaning.endswith(".")
        free = key.kind in ("text", "liquid flow") or KEY_KINDS[key.kind].choices
        assert free or key.accepted is not None
        assert not (key.required and key.default is not None)


# Where a usual value is from: nobody's, somebody's memory, the label, a standard, or a publication with its year.
_GROUND = re.compile(r"no source|from memory|handbook|\bmeasured\b|on the label|\b(IEC|ISO) \d+|\b(19|20)\d\d\b")


@pytest.mark.parametrize("key", bar_keys.KEYS, ids=lambda key: f"{key.table}.{key.name}")
def test_every_usual_value_says_what_it_rests_on(key: bar_keys.Key) -> None:
    """Usual are defaults that count for something (0 leaves out) and what a sentence calls so."""
    counts = key.default is not None and float(str(key.default).split()[0]) != 0.0
    said = re.search(r"usual|\babout \d|\bserves\b|\d counts?\b", f"{key.meaning} {key.note}")
    if counts or said:
        assert _GROUND.search(f"{key.meaning} {key.note}"), f"{key.meaning} {key.note}"
    if counts:
        value = str(key.default).split()[0]
        assert re.search(rf"\b{re.escape(f'{float(value):g}')}0?\b", key.meaning), "the default stands in no sentence"


@pytest.mark.parametrize("key", bar_keys.KEYS, ids=lambda key: f"{key.table}.{key.name}")
def test_every_example_is_accepted(key: bar_keys.Key) -> None:
    mapping = with_learned_table()
    del mapping["rows"], mapping["width"]
    place: Any = mapping
    for part in filter(None, key.table.split(".")):
        place = place[part]
        if part == "orifices":
            place = place["small"]
        elif isinstance(place, list):
            place = place[0]
    if key.name == "back_pressure":
        place.clear()
    if "_speed" in key.name:
        place.clear()
        place |= {"full_speed": "540 rpm", "given_speed": "540 rpm"}
    if (key.table, key.name) in {("", "rows"), ("", "width")}:
        mapping[key.name] = key.example  # 16 rows, 40 ft: the full bar is that wide
    else:
        place[key.name] = key.example
    if key.table == "orifices.measured":
        if key.name in {"bar_flow", "rate", "speed", "load", "time", "sections"}:
            place = mapping["orifices"]["small"]["measured"][0] = {**WARM_POINT, key.name: key.example}
        if key.name == "pressure_after_valve":
            del place["pressure"]
        place |= OTHER_READINGS.get(key.name, {})
        if key.name == "sections":
            mapping["sections"][2]["orifice"] = "small"
        elif "flow" not in place:
            place["sections"] = "left,middle"
    parse_bar(mapping)


def test_temperatures_accepted_are_those_the_ammonia_table_knows() -> None:
    for key in bar_keys.KEYS:
        if key.kind == "temperature":
            assert key.accepted is not None
            low, high = ((float(str(bound).split()[0]) + 459.67) / 1.8 for bound in key.accepted)
            assert ammonia.LOWEST_TEMPERATURE <= low < high <= ammonia.HIGHEST_TEMPERATURE


def test_reference_in_the_docs_is_the_generated_one() -> None:
    text = DOCUMENT.read_text(encoding="utf-8")
    _, _, rest = text.partition("<!-- keys: made by geoflow.bar.key_documents.key_table_markdown -->\n")
    table, end, _ = rest.partition("<!-- end of keys -->")
    assert end
    assert table == key_table_markdown(), "run .venv/bin/python tests docs"


def test_examples_in_the_docs_are_the_tested_ones() -> None:
    blocks = re.findall(r"```toml\n(.*?)```", DOCUMENT.read_text(encoding="utf-8"), flags=re.DOTALL)
    assert blocks == [bar_files.MINIMAL, bar_files.FULL]


# --- JSON Schema ------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def validator() -> Any:
    import jsonschema

    jsonschema.Draft202012Validator.check_schema(bar_schema())
    return jsonschema.Draft202012Validator(bar_schema())


@pytest.mark.parametrize("make", [bar_files.minimal, bar_files.contract, bar_files.full])
def test_schema_accepts_the_examples(validator: Any, make: Any) -> None:
    assert [error.message for error in validator.iter_errors(make())] == []


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("row_spacng", "30 in"),
        ("name", ...),
        ("pump", ...),
        ("sections", []),
        ("orifices", {}),
        ("name", ""),
        ("row_spacing", 30),
        ("row_spacing", "30"),
        ("row_spacing", "-30 in"),
        ("row_spacing", "28..30 in"),
        ("sections/0/rows", 0),
        ("sections/0/rows", 5.5),
        ("sections/0/rows", "5"),
        ("sections/0/orifice", ...),
        ("sections/0/feed/bore", ...),
        ("sections/0/feed", "9 ft"),
        ("orifices/small/diamter", "1 in"),
        ("orifices/small/flash_weight", 1.5),
        ("orifices/small/measured/0/flow", "5.1 lb/min"),
        ("nitrogen_fraction", 82),
        ("nitrogen_fraction", "0.82"),
        ("row_hose/back_pressure", "6 psi"),
        ("row_hose/bore", ...),
        ("row_hose", {}),
        ("row_hose", {"tolerance": 0.2}),
        ("suction/bore", ...),
        ("tank/fill", 0.9),
        ("limits/speed", 5),
        ("meter/pulses_per_gallon", 0),
        ("control_valve", {}),
    ],
)
def test_schema_and_reader_both_refuse_the_usual_mistakes(validator: Any, path: str, value: Any) -> None:
    mapping = bar_files.full()
    del mapping["rows"], mapping["width"]
    put(mapping, path, value)
    assert not validator.is_valid(mapping)
    refused(mapping)


@laws(300)
@given(st.sampled_from(places(bar_files.full())), st.one_of(JUNK, st.just(...)))
def test_schema_accepts_whatever_the_reader_accepts(validator: Any, path: str, value: Any) -> None:
    mapping = put(bar_files.full(), path, value)
    try:
        parse_bar(copy.deepcopy(mapping))
    except BarError:
        return
    assert [error.message for error in validator.iter_errors(mapping)] == []


@laws(40)
@given(st.data())
def test_schema_accepts_every_spelling(validator: Any, data: st.DataObject) -> None:
    mapping = bar_files.full()
    data.draw(st.composite(lambda draw: respell_table(draw, mapping, ""))())
    assert [error.message for error in validator.iter_errors(mapping)] == []


def test_schema_tells_meaning_and_example_of_every_key() -> None:
    def leaves(schema: dict[str, Any]) -> list[dict[str, Any]]:
        schema = schema.get("items") or next(iter(schema.get("patternProperties", {}).values()), schema)
        found = [schema] if "properties" not in schema else []
        return found + [leaf for part in schema.get("properties", {}).values() for leaf in leaves(part)]

    found = leaves(bar_schema())
    assert len(found) == len(bar_keys.KEYS)
    assert all(leaf["description"] and leaf["examples"] for leaf in found)


# --- the bar in words -------------------------------------------------------------------------------------------


def words(mapping: dict[str, Any], system: Any = "us") -> str:
    return as_text(bar_report(parse_bar(mapping), system))


def flat(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize("system", ["us", "metric"])
@pytest.mark.parametrize("make", [bar_files.minimal, bar_files.contract, bar_files.full])
def test_words_fit_a_screen(make: Any, system: str) -> None:
    lines = words(make(), system).splitlines()
    assert len(lines) <= 45
    assert max(map(len, lines)) <= 104
    assert all(line == line.rstrip() for line in lines)


def test_words_say_the_full_bar_in_us_units() -> None:
    said = flat(words(bar_files.full()))
    for part in (
        "16 rows at 30 in make 40 ft, in 3 sections",
        "82 % nitrogen; site at 900 ft",
        "left 5 rows 12.5 ft orifice small feed 9 ft of 0.75 in bore, fittings K 3, roughness 0.002 in",
        "small 0.070 in coefficient 0.62 ± 5 % land 0.059 in flashing open, 2 points measured",
        "large 0.086 in coefficient 0.62 ± 8 % no land given flashing weight 0.3",
        "spare",
        "in no section",
        "8 ft of 0.375 in bore, 0.250 in at the knife; its back pressure is estimated, ± 40 %",
        "10 ft of 1.25 in bore, fittings and couplings K 14.6",
        "slip 10 % at the greatest rise, displacement ± 5 %; driven at 92.9 % of full",
        "the pump moves 5 gpm at least; the rest goes round against 40 psi or more",
        "excess-flow valve at 50 gpm ± 10 %, breakaway at 60 gpm ± 10 %",
        "liquid 1.5 ft above the pump, 12 ft of 1.5 in bore",
        "45 gpm at full drive, least 3 gpm, adds up to 110 psi, efficiency 55 %",
        "700 pulses per gallon (1,658 to 10 lb N at 60 °F), counts 2 to 60 gpm, loses 3 psi",
        "density at 60 °F",
        "Cv 30 wide open",
        "FL 0.85",
        "after 0.8 s, then with a time constant of 1.5 s",
        "1,000 gal, filled to 80 %: 800 gal",
        "200 psi gauge at the pump outlet",
        "5 psi above the vapour pressure",
        "3.5 to 7.5 mph",
        "coefficient of large: ± 8 %",
        "flashing in small is known only as far as the measured points tell",
        "different orifices: their rows will not get the same rate",
    ):
        assert part in said, part
    for part in ("no pressure lost", "no row hose", "no controller", "no tank", "sea level", "pump efficiency"):
        assert part not in said, part


def test_words_say_the_bar_in_metric_units() -> None:
    said = flat(words(bar_files.full(), "metric"))
    # 30 in, 40 ft, 200 psi, 45 gpm, 700/gal, 7.5 mph, 60 degF by the factors at the top of this file
    for part in (
        "16 rows at 762 mm make 12.19 m",
        "1,379 kPa gauge",
        "170.3 L/min",
        "184.92 pulses per liter",
        "5.6 to 12.1 km/h",
        "15.6 °C",
        "3,785 L, filled to 80 %: 3,028 L",
    ):
        assert part in said, part
    assert not re.search(r"\b(psi|gpm|ft|in bore|mph|gal)\b", said)


def test_words_say_what_is_assumed_and_what_that_means() -> None:
    said = flat(words(bar_files.minimal()))
    for part in (
        "coefficient of small: ± 8 %, as nothing better was given",
        "no land for small",
        "no pressure lost in the feed of all, the suction (it never limits), the meter and the control valve: "
        "high rates may be judged too kindly",
        "no row hose: a real one pushes back, so low rates are judged too strictly",
        "no least flow of the pump",
        "pump efficiency 50 %",
        "set reference_temperature",
        "the site is at sea level",
        "no controller",
        "no tank",
    ):
        assert part in said, part


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        ("orifices/small/diameter", "0.7 in", "small: a diameter of 0.700 in is unusually large"),
        ("orifices/small/diameter", "0.007 in", "small: a diameter of 0.007 in is unusually small"),
        ("orifices/small/discharge_coefficient", 0.3, "small: a coefficient of 0.3 is unusually small"),
        ("orifices/small/measured/0/pressure", "250 psi", "small: a point was measured above the rated pressure"),
        ("row_spacing", "90 in", "row spacing 90 in is unusually large"),
        ("sections/0/feed/bore", "0.075 in", "feed of left: a bore of 0.075 in is unusually small"),
        ("suction/bore", "6 in", "suction: a bore of 6 in is unusually large"),
        ("limits/liquid_margin", "60 psi", "a liquid margin of 60 psi is unusually large"),
        ("limits/max_pressure", "400 psi", "ammonia hose need only bear 350 psi"),
        ("limits/speed", "4..15 mph", "a speed of 15 mph is unusually high"),
        ("nitrogen_fraction", 0.28, "28 % nitrogen is little; 82-0-0 has 82 %"),
    ],
)
def test_words_hint_at_what_is_unusual(path: str, value: Any, said: str) -> None:
    assert "Worth a second look" not in words(bar_files.contract())
    text = flat(words(put(bar_files.contract(), path, value)))
    assert "Worth a second look" in text and said in text


def test_words_of_a_lift_and_an_open_end() -> None:
    mapping = put(put(bar_files.contract(), "suction/head", "-2 ft"), "row_hose", ...)
    said = flat(words(mapping))
    assert "liquid 2 ft below the pump" in said and "open air below the orifices" in said
    said = flat(words(put(bar_files.contract(), "row_hose/back_pressure", "4..8 psi")))
    assert "back pressure 4 to 8 psi gauge" in said


HOMES = {
    "bypass": equipment.Bypass,
    "excess_flow": equipment.ExcessFlow,
    "breakaway": equipment.ExcessFlow,
    "": Bar, "sections.feed": Line, "orifices": Orifice, "orifices.measured": MeasuredPoint, "row_hose": RowHose,
    "suction": Suction, "pump": Pump, "meter": Meter, "control_valve": ControlValve, "tank": Tank,
}  # fmt: skip


def test_a_bar_made_in_code_has_the_defaults_of_the_bar_file():
    """Each stands once, in bar_keys; the dataclasses may not say another number."""
    given = [key for key in bar_keys.KEYS if key.default is not None]
    assert len(given) >= 15
    for key in given:
        hose = key.table in {"suction", "tank_hoses"} and key.name in {"fittings_k", "roughness"}
        home = Line if hose else HOMES[key.table]
        (own,) = (one for one in dataclasses.fields(home) if one.name == key.name)
        assert own.default is dataclasses.MISSING, f"{key.table}.{key.name} has a second home"
        wanted = convert(key.default, key, 101325.0)
        given_alone = own.default_factory()
        assert wanted in (given_alone, (given_alone, given_alone)), (key.table, key.name)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"flashing": "thin plate"}, "without land"),
        ({"flashing": "thin plate", "land": "4 mm"}, "but its land is 2.2 times its diameter"),
        ({"flashing": "thin plate", "land": "1.5 mm", "flash_weight": 0.2}, "and flash_weight at once"),
        ({"flashing": "thin plat", "land": "1.5 mm"}, "is none of the words it may have"),
    ],
)
def test_an_assumed_thin_plate_has_to_be_one(changed: dict[str, Any], said: str) -> None:
    given = bar_files.minimal()
    name = next(iter(given["orifices"]))
    given["orifices"][name] = {"diameter": "0.070 in", "discharge_coefficient": 0.62, **changed}
    with pytest.raises(BarError) as caught:
        parse_bar(given)
    assert said in str(caught.value)
