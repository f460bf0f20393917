"""Units against their legal definitions, and every way to write one wrongly."""

from __future__ import annotations

import contextlib
import itertools
import math
from fractions import Fraction

import numpy as np
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st
from laws import laws
from published import PSI, UNITS, Row, params

from geoflow.base import units
from geoflow.base.errors import QuantityError
from geoflow.base.ranges import parse_pressure_range, parse_range
from geoflow.base.rate_units import RATE_UNITS, rate_unit
from geoflow.base.unit_sizes import SIZES
from geoflow.base.units import (
    KINDS,
    System,
    factor,
    from_si,
    number,
    parse,
    parse_pressure,
    show,
    show_range,
    to_si,
    unit_label,
)

LAWS = laws(200)
AIR = 98000.0


@params("units")
def test_legal_factor(row: Row) -> None:
    assert factor(row.text("us_unit"), row.text("kind")) == row.expected


@params("rate_units")
def test_factor_of_a_rate_unit(row: Row) -> None:
    assert rate_unit(row.text("text")).to_si == row.expected


def test_psi_is_exact() -> None:
    # 0.45359237 kg x 9.80665 m/s2 over the square of 0.0254 m, all three exact by definition.
    exact = Fraction(45359237, 10**8) * Fraction(980665, 10**5) / Fraction(254, 10**4) ** 2
    assert factor("psi", "pressure") == pytest.approx(float(exact), rel=1e-12)


@pytest.mark.parametrize(
    ("constant", "unit", "kind"),
    [
        (units.FOOT, "ft", "length"), (units.MILE, "mile", "length"), (units.ACRE, "acre", "area"),
        (units.POUND, "lb", "mass"), (units.GALLON, "gallon", "volume"), (units.PSI, "psi", "pressure"),
        (units.MILE_PER_HOUR, "mph", "speed"),
    ],
)  # fmt: skip
def test_the_sizes_kept_as_numbers_are_those_of_the_units(constant: float, unit: str, kind: str) -> None:
    # pint knows the legal definitions; its acre is set here, so the acre is worked from 43,560 square feet (NIST SP
    # 1038, from memory).
    assert constant == pytest.approx(factor(unit, kind), rel=1e-15)
    assert pytest.approx(43560.0 * 0.3048**2, rel=1e-15) == units.ACRE


def test_units_kept_as_numbers_are_pints_bit_by_bit_and_all_of_their_kinds() -> None:
    asked = units._registry()
    every = sorted({unit for sizes in SIZES.values() for unit in sizes})
    found: dict[str, dict[str, tuple[float, float]]] = {si: {} for si in SIZES}
    for si, unit in itertools.product(SIZES, every):
        with contextlib.suppress(pint.DimensionalityError):
            zero, one = (asked.Quantity(value, unit).to(si).magnitude for value in (0.0, 1.0))
            found[si][unit] = (one - zero, zero)
    assert found == SIZES
    assert {kind.si for kind in KINDS.values()} == {*SIZES}


def test_nitrogen_rate_prints_with_the_acre_it_was_read_with() -> None:
    # The survey acre is 4 ppm larger: 150 lb N/ac would come back as 149.9994.
    rate = 150.0 * rate_unit("lb N/ac").to_si
    assert from_si(rate, "nitrogen rate", "lb/acre") == pytest.approx(150.0, rel=1e-12)
    assert number(1000 * 4046.8564224, "area", "us", 6) == "1,000.000000"


@pytest.mark.parametrize(
    ("text", "kelvin"),
    # Ice point 273.15 K and Fahrenheit's definition; -40 is where both scales meet.
    [
        ("32 degF", 273.15),
        ("212 degF", 373.15),
        ("-40 degF", 233.15),
        ("-40 degC", 233.15),
        ("0 degC", 273.15),
        ("300 K", 300.0),
        ("50 °F", 283.15),
        ("50 F", 283.15),
        ("10 C", 283.15),
        ("10°C", 283.15),
        ("1e1 degC", 283.15),
    ],
)
def test_temperature(text: str, kelvin: float) -> None:
    assert parse(text, "temperature") == pytest.approx(kelvin, abs=1e-10)


@pytest.mark.parametrize("kind", KINDS)
def test_example_of_every_kind_can_be_read(kind: str) -> None:
    assert math.isfinite(parse(KINDS[kind].example, kind))


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("system", ["us", "metric"])
def test_what_is_printed_can_be_read_again(kind: str, system: System) -> None:
    value = 285.15 if kind == "temperature" else parse(KINDS[kind].example, kind)
    again = parse(show(value, kind, system, 9).replace(",", ""), kind)
    assert again == pytest.approx(value, rel=1e-6, abs=1e-12)


SPELLINGS = [
    ("12 ft", "length", 12 * 0.3048), ("12'", "length", 12 * 0.3048), ("12 feet", "length", 12 * 0.3048),
    ("144 in", "length", 12 * 0.3048), ("3.6576 m", "length", 12 * 0.3048), (" 12  ft ", "length", 12 * 0.3048),
    ('0.75"', "small length", 0.01905), (".75 in", "small length", 0.01905), ("+0.75 inch", "small length", 0.01905),
    ("19.05 mm", "small length", 0.01905), ("5 mph", "speed", 2.2352), ("5 MPH", "speed", 2.2352),
    ("8.04672 km/h", "speed", 2.2352), ("8.04672 kph", "speed", 2.2352), ("2.2352 m/s", "speed", 2.2352),
    ("60 gpm", "volume flow", 231 * 0.0254**3), ("60 GPM", "volume flow", 231 * 0.0254**3),
    ("60 gal/min", "volume flow", 231 * 0.0254**3), ("60 L/min", "volume flow", 1e-3),
    ("60 lb NH3/min", "ammonia flow", 0.45359237), ("60 lb nh3/min", "ammonia flow", 0.45359237),
    ("60 kg NH3/min", "ammonia flow", 1.0), ("3600 kg NH3/h", "ammonia flow", 1.0),
    ("40 acre", "area", 40 * 4046.8564224), ("40 ac", "area", 40 * 4046.8564224),
    ("40 acres", "area", 40 * 4046.8564224), ("4 ha", "area", 4e4), ("1000 gal", "volume", 3.785411784),
    ("100 lbs", "mass", 45.359237), ("2 min", "time", 120.0), ("2 h", "time", 7200.0),
    ("180 deg", "angle", math.pi), ("60 psi", "pressure", 60 * PSI), ("60 PSI", "pressure", 60 * PSI),
    ("60 psig", "pressure", 60 * PSI), ("4 bar", "pressure", 4e5), ("400 kPa", "pressure", 4e5),
]  # fmt: skip


@pytest.mark.parametrize(("text", "kind", "value"), SPELLINGS)
def test_spelling(text: str, kind: str, value: float) -> None:
    assert parse(text, kind) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "absolute"),
    [
        ("60 psi", 60 * PSI + AIR),
        ("60 psig", 60 * PSI + AIR),
        ("60 psia", 60 * PSI),
        ("60 PSIA", 60 * PSI),
        ("4 bar", 4e5 + AIR),
        ("4 bara", 4e5),
        ("4 bar_abs", 4e5),
        ("400 kPa", 4e5 + AIR),
        ("400 kPa_abs", 4e5),
        ("4e5 Pa_abs", 4e5),
        ("0.4 MPa_abs", 4e5),
        ("0 psi", AIR),
        ("-2 psi", AIR - 2 * PSI),
    ],
)
def test_pressure_is_gauge_unless_it_says_absolute(text: str, absolute: float) -> None:
    assert parse_pressure(text, AIR) == pytest.approx(absolute, rel=1e-12)
    assert parse_pressure_range(text, AIR) == pytest.approx((absolute, absolute), rel=1e-12)


def test_a_difference_of_pressure_is_never_absolute() -> None:
    with pytest.raises(QuantityError, match="psia"):
        parse("60 psia", "pressure")


@pytest.mark.parametrize(
    ("text", "kind", "low", "high"),
    [
        ("35..62 degF", "temperature", (35 + 459.67) / 1.8, (62 + 459.67) / 1.8),
        ("35 degF..62 degF", "temperature", (35 + 459.67) / 1.8, (62 + 459.67) / 1.8),
        ("-10..-2 degC", "temperature", 263.15, 271.15),
        ("0 degC .. 50 degF", "temperature", 273.15, 283.15),
        ("4 .. 7 mph", "speed", 4 * 0.44704, 7 * 0.44704),
        ("4.5..7.5 mph", "speed", 4.5 * 0.44704, 7.5 * 0.44704),
        ("5 mph", "speed", 2.2352, 2.2352),
        ("5..5 mph", "speed", 2.2352, 2.2352),
    ],
)
def test_range(text: str, kind: str, low: float, high: float) -> None:
    assert parse_range(text, kind) == pytest.approx((low, high), rel=1e-12)


def test_pressure_range_gauge_and_absolute() -> None:
    assert parse_pressure_range("4..8 psi", AIR) == pytest.approx((4 * PSI + AIR, 8 * PSI + AIR), rel=1e-12)
    assert parse_pressure_range("18..22 psia", AIR) == pytest.approx((18 * PSI, 22 * PSI), rel=1e-12)
    # Each end in its own way: 4 psi gauge lies below 30 psi absolute here.
    assert parse_pressure_range("4 psi..30 psia", AIR) == pytest.approx((4 * PSI + AIR, 30 * PSI), rel=1e-12)
    with pytest.raises(QuantityError, match="backwards"):
        parse_pressure_range("8..4 psi", AIR, where="x")


WRONG = [
    (60, "pressure", "quotes"), (3.5, "length", "quotes"), (True, "length", "number"), (None, "length", "None"),
    ([], "length", "number"), ("", "length", "number"), ("ft", "length", "number"), ("60", "pressure", "number"),
    ("nan psi", "pressure", "number"), ("inf psi", "pressure", "number"), ("1e999 psi", "pressure", "finite"),
    ("60 furlongs/fortnight", "pressure", "furlongs"), ("60 psy", "pressure", "did you mean 'psi'"),
    ("5 mhp", "speed", "did you mean 'mph'"), ("12 lb", "length", "'lb' is not a unit of length"),
    ("60 lb/min", "ammonia flow", "ammonia"), ("6 gal NH3/min", "ammonia flow", "unit of ammonia flow"),
    ("1,000 gal", "volume", "000"), ("4-7 mph", "speed", "number"), ("12 ft 6 in", "length", "length"),
    ("5 __import__('os')", "length", "unit of length"), ("-500 degF", "temperature", "absolute zero"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "kind", "says"), WRONG)
def test_wrong_quantity_is_one_clear_error(text: object, kind: str, says: str) -> None:
    with pytest.raises(QuantityError) as caught:
        parse(text, kind, where="pump.max_flow")
    problem = caught.value
    assert says in problem.what
    assert problem.where == "pump.max_flow"
    assert KINDS[kind].example in problem.cure or problem.cure.startswith("write ")
    assert all(part in str(problem) for part in (problem.what, "where: pump.max_flow", problem.cure))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("62..35 degF", "backwards"),
        ("35..62", "number"),
        ("35..62 mph", "unit of temperature"),
        ("35..", "number"),
        ("..35 degF", "number"),
        ("35-62 degF", "not a number with a unit"),
        (35, "quotes"),
    ],
)
def test_wrong_range_is_one_clear_error(text: object, says: str) -> None:
    with pytest.raises(QuantityError) as caught:
        parse_range(text, "temperature", where="--temperature")
    assert says in caught.value.what
    assert caught.value.where == "--temperature"
    assert caught.value.cure


@pytest.mark.parametrize("text", ["-30 psi", "-1 psia"])
def test_pressure_below_vacuum_is_refused(text: str) -> None:
    with pytest.raises(QuantityError):
        parse_pressure(text, AIR)


@pytest.mark.parametrize(
    ("text", "canonical"),
    [
        ("lb N/ac", "lb N/ac"),
        ("LB N / AC", "lb N/ac"),
        ("lbs N/acre", "lb N/ac"),
        ("lb-N/ac", "lb N/ac"),
        ("kg N/ha", "kg N/ha"),
        ("lb NH3/acre", "lb NH3/ac"),
        ("kg nh3/ha", "kg NH3/ha"),
        ("gal NH3/ac", "gal NH3/ac"),
        ("l NH3/ha", "L NH3/ha"),
    ],
)
def test_rate_unit_spelling(text: str, canonical: str) -> None:
    assert rate_unit(text).text == canonical


@pytest.mark.parametrize("text", ["lb/ac", "lbs/ac", "lb/acre", "lbs/acre", "kg/ha", "gal/ac", "L/ha"])
def test_rate_unit_that_does_not_say_what_it_counts_is_refused(text: str) -> None:
    # Nitrogen and ammonia differ by 18 %, so this is never guessed.
    with pytest.raises(QuantityError, match=r"nitrogen \(N\) or ammonia \(NH3\)") as caught:
        rate_unit(text, where="--unit")
    assert caught.value.where == "--unit"
    assert all(unit.text in caught.value.cure for unit in RATE_UNITS)


@pytest.mark.parametrize("text", ["", "N", "bu/ac", "lb N", "lb N/ac/ac", "t N/ha", "lb P/ac"])
def test_unknown_rate_unit_is_refused(text: str) -> None:
    with pytest.raises(QuantityError, match="not a rate unit") as caught:
        rate_unit(text)
    assert all(unit.text in caught.value.cure for unit in RATE_UNITS)


def test_bases_of_the_rate_units() -> None:
    bases = [unit.basis for unit in RATE_UNITS]
    assert bases == ["nitrogen", "nitrogen", "ammonia", "ammonia", "ammonia volume", "ammonia volume"]


@LAWS
@given(
    value=st.floats(-1e9, 1e9) | st.floats(-1e-3, 1e-3), kind=st.sampled_from(sorted(KINDS)),
    system=st.sampled_from(["us", "metric"]), digits=st.integers(0, 6),
)  # fmt: skip
def test_number_never_prints_minus_nothing_and_keeps_its_value(
    value: float, kind: str, system: System, digits: int
) -> None:
    text = number(value, kind, system, digits)
    plain = float(text.replace(",", ""))
    assert not (plain == 0.0 and text.startswith("-"))
    unit = KINDS[kind].us if system == "us" else KINDS[kind].metric
    assert plain == pytest.approx(from_si(value, kind, unit), abs=0.5001 * 10.0**-digits, rel=1e-12)
    assert show(value, kind, system, digits) == f"{text} {unit_label(kind, system)}"


def test_show_range_collapses_what_prints_the_same() -> None:
    assert show_range(2.2352, 3.12928, "speed", "us") == "5.0 to 7.0 mph"
    assert show_range(2.2352, 2.2353, "speed", "us") == "5.0 mph"
    assert show_range(-1e-9, 1e-9, "length", "us") == "0.0 ft"
    assert show(285.15, "temperature", "metric") == "12.0 °C"


@LAWS
@given(value=st.floats(-1e6, 1e6), kind=st.sampled_from(sorted(KINDS)))
def test_to_si_and_from_si_are_inverse(value: float, kind: str) -> None:
    for unit in (KINDS[kind].us, KINDS[kind].metric):
        values = np.array([value, value + 1.0])
        np.testing.assert_allclose(from_si(to_si(values, kind, unit), kind, unit), values, rtol=1e-9, atol=1e-9)
        assert np.diff(to_si(values, kind, unit))[0] == pytest.approx(factor(unit, kind), rel=1e-6)


def test_units_table_of_the_tests_agrees() -> None:
    # The tests convert with their own table of definitions; here the two meet.
    kinds = {
        "lb/ac": "nitrogen rate",
        "gpm": "volume flow",
        "lb/min": "ammonia flow",
        "ft": "length",
        "psi": "pressure",
    }
    for text, kind in kinds.items():
        assert factor(text, kind) == pytest.approx(UNITS[text], rel=1e-12)
