"""Day files as people write them: each is read as meant, or refused with the file, the line and a cure."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from geoflow.base.errors import GeoflowError
from geoflow.decide.weather import GAUGE_OFF, LAYERED, THERMOMETER_OFF, Weather
from geoflow.workflow.day_file import read_day

AIR = 98_000.0


def day(tmp_path: Path, text: str | bytes) -> Weather:
    path = tmp_path / "my_day.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return read_day(path, AIR)


def hours(weather: Weather) -> list[float]:
    return [round(float(one), 6) for one in weather.time / 3600.0]


def fahrenheit(weather: Weather) -> list[float]:
    return [round(float(one) * 1.8 - 459.67, 3) for one in weather.air]


# --- hours ---


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        ("7", "8", [7.0, 8.0]),
        ("7.5", "8.25", [7.5, 8.25]),
        ("07:00", "08:30", [7.0, 8.5]),
        ("07:00:30", "08:30:00", [7.008333, 8.5]),
        ("7:30 am", "1 pm", [7.5, 13.0]),
        ("7 a.m.", "12:15 PM", [7.0, 12.25]),
        ("12 am", "12 pm", [0.0, 12.0]),
        ("0730", "1500", [7.5, 15.0]),
        ("7h30", "8h", [7.5, 8.0]),
        ("2026-04-21T07:00", "2026-04-21 08:00:00", [7.0, 8.0]),
        ("2026-04-21T07:00-05:00", "2026-04-21T09:00-05:00", [7.0, 9.0]),
        ("2026-04-21 22:00", "2026-04-22 01:00", [22.0, 25.0]),
        ("22:00", "00:30", [22.0, 24.5]),
        ("11 pm", "1 am", [23.0, 25.0]),
    ],
)
def test_hours_are_read_as_they_are_written(tmp_path: Path, first: str, second: str, expected: list[float]) -> None:
    air = "".join(f"{one},40\n" for one in (first, second))
    if expected[1] - expected[0] <= 3.0:
        assert hours(day(tmp_path, f"hour,air (degF)\n{air}")) == expected
        return
    # Hours in between, so that no more than three lie apart.
    read = day(tmp_path, f"hour,air (degF)\n{air}" + _between(first, expected))
    assert (hours(read)[0], hours(read)[-1]) == tuple(expected)


def _between(first: str, expected: list[float]) -> str:
    steps = np.arange(np.ceil(expected[0] + 0.5), expected[1], 1.0)
    return "".join(f"{int(one)}:00,40\n" for one in steps)


def test_date_and_hour_in_two_columns(tmp_path: Path) -> None:
    text = "date,time,air (degF)\n2026-04-21,22:00,40\n2026-04-21,23:00,39\n2026-04-22,00:00,38\n"
    assert hours(day(tmp_path, text)) == [22.0, 23.0, 24.0]


def test_lines_in_no_order_are_put_in_order_and_it_is_said(tmp_path: Path) -> None:
    read = day(tmp_path, "hour,air (degF)\n9,44\n7,40\n8,42\n")
    assert (hours(read), fahrenheit(read)) == ([7.0, 8.0, 9.0], [40.0, 42.0, 44.0])
    assert "hours put in order" in read.notes


def test_midnight_is_said(tmp_path: Path) -> None:
    read = day(tmp_path, "hour,air (degF)\n22,44\n23,40\n0,42\n1,41\n")
    assert read.notes == ("hours from line 4 on are those of the next day",)


# --- numbers, units and names ---


@pytest.mark.parametrize(
    ("head", "cell", "expected"),
    [
        ("air (degF)", "41", 41.0),
        ("Air temperature [°F]", "41.5", 41.5),
        ("air_temp_f", "41", 41.0),
        ("air °C", "5", 41.0),
        ("Outside air (C)", "5", 41.0),
        ("ambient (celsius)", "-5.0", 23.0),
        ("air", "41 F", 41.0),
        ("air", "5 °C", 41.0),
        ("air (degF)", "41 °F", 41.0),
        ("AIR (DEGF)", "−4", -4.0),
        ("air (degF)", '"41,5"', 41.5),
    ],
)
def test_air_is_read_by_its_name_and_unit(tmp_path: Path, head: str, cell: str, expected: float) -> None:
    read = day(tmp_path, f"hour,{head}\n7,{cell}\n8,{cell}\n")
    assert fahrenheit(read) == [expected, expected]


def test_semicolons_decimal_commas_and_a_mark_of_bytes(tmp_path: Path) -> None:
    read = day(tmp_path, "\ufeffhour;air (°C);sun (W/m²)\n7;5,5;120\n8;6,25;\n")
    np.testing.assert_allclose(read.air, [278.65, 279.4])
    assert read.sun[0] == 120.0 and np.isnan(read.sun[1])


def test_tabs_and_old_and_wide_letters(tmp_path: Path) -> None:
    text = "hour\tair (°F)\n7\t41\n8\t42\n"
    for coding in ("cp1252", "utf-16"):
        assert fahrenheit(day(tmp_path, text.encode(coding))) == [41.0, 42.0]


def test_the_gauge_is_read_as_vapour_pressure_with_its_doubt(tmp_path: Path) -> None:
    """CoolProp's saturation temperature, of the gauge a little low and high, and the liquid's cooler bottom."""
    read = day(tmp_path, "hour,air (degF),tank gauge (psi)\n7,40,60\n8,42,\n")
    low, high = (
        PropsSI("T", "P", AIR + 60 * 6894.757293168 + off, "Q", 0, "Ammonia") for off in (-GAUGE_OFF, GAUGE_OFF)
    )
    assert read.readings[:, 0] == pytest.approx([low - LAYERED, high], abs=0.01)
    assert np.isnan(read.readings[:, 1]).all()


def test_liquid_with_and_without_air(tmp_path: Path) -> None:
    alone = day(tmp_path, "hour,liquid (degF)\n7,40\n8,42\n")
    assert not alone.has_air
    assert alone.readings[:, 0] == pytest.approx([277.594 - THERMOMETER_OFF, 277.594 + THERMOMETER_OFF], abs=1e-3)
    both = day(tmp_path, "hour,liquid temp (degF),air (degF)\n7,40,33\n8,,35\n")
    assert both.has_air and np.isfinite(both.readings[0]).tolist() == [True, False]
    assert day(tmp_path, "hour,tank (degF)\n7,40\n8,42\n").readings[0, 0] == alone.readings[0, 0]


def test_what_is_of_no_use_is_told_and_never_taken_for_something_else(tmp_path: Path) -> None:
    read = day(
        tmp_path,
        "hour,air (degF),air pressure (hPa),dew point (degF),wind (mph),humidity (%)\n7,40,990,30,5,60\n8,41,,,,\n",
    )
    assert read.notes == ("left out of no use: air pressure (hPa), dew point (degF), wind (mph), humidity (%)",)
    assert not np.isfinite(read.readings).any()


def test_lines_without_a_value_are_counted_and_repeated_hours_joined(tmp_path: Path) -> None:
    read = day(tmp_path, "hour,air (degF),gauge (psi)\n7,40,\n8,,\n8,41,\n8:00,41,58\n9,n/a,\n9,43,\n\n")
    assert hours(read) == [7.0, 8.0, 9.0]
    assert np.isfinite(read.readings[0]).tolist() == [False, True, False]
    assert read.notes == (
        "2 lines without a value left out: lines 3, 6",
        "1 line taken together with another of the hour",
    )


def test_instruments_that_say_a_little_below_nothing_at_night(tmp_path: Path) -> None:
    assert day(tmp_path, "hour,air (degF),sun (W/m2)\n5,40,-3\n6,41,0\n").sun.tolist() == [0.0, 0.0]


# --- refusals ---

HEAD = "hour,air (degF)\n"
REFUSED = {
    "empty": ("", "the day is empty", "name the columns", ""),
    "blank": ("\n \n", "the day is empty", "name the columns", ""),
    "no names": ("7,41\n8,42\n", "no names above its columns", "in the first line", "line 1"),
    "no hours": ("air (degF)\n41\n42\n", "no column of hours", "name the columns", "line 1"),
    "no temperature": ("hour,sun (W/m2)\n7,1\n8,2\n", "neither air nor liquid", "name the columns", "line 1"),
    "which temperature": ("hour,temperature (F)\n7,1\n8,2\n", "that of the air or of the liquid", "call the", "line 1"),
    "air twice": ("hour,air (degF),air (degC)\n7,41,5\n8,41,5\n", "are both the air", "leave one of them", "line 1"),
    "names alone": (HEAD, "no lines below its names", "every hour", ""),
    "hour without a value": (HEAD + "7,\n", "fewer than two hours", "every hour", ""),
    "one hour": (HEAD + "7,41\n", "fewer than two hours", "every hour", ""),
    "no clock": (HEAD + "7,41\nnoon,42\n", "'noon' is no hour", "7:30 am", "line 3"),
    "hour 25": (HEAD + "7,41\n25:00,42\n", "'25:00' is no hour", "7:30 am", "line 3"),
    "13 pm": (HEAD + "7,41\n13 pm,42\n", "'13 pm' is no hour", "7:30 am", "line 3"),
    "no date": (HEAD + "2026-02-30 07:00,41\n2026-02-30 08:00,42\n", "is no hour", "2026-04-21", "line 2"),
    "american date": (HEAD + "4/21/2026 7:00,41\n4/21/2026 8:00,42\n", "is no hour", "2026-04-21", "line 2"),
    "no hour": (HEAD + "7,41\n,42\n", "a line of the day has no hour", "write it like", "line 3"),
    "greenwich": (HEAD + "2026-04-21T12:00Z,41\n2026-04-21T13:00Z,42\n", "time of Greenwich", "local hours", "line 2"),
    "two ways": (HEAD + "07:00,41\n2026-04-21 08:00,42\n", "hours of the day have a date", "one way", "lines 2 and 3"),
    "no unit": ("hour,air\n7,41\n8,42\n", "says a unit", "air (degF)", "line 2"),
    "two units": ("hour,air (degF)\n7,41 C\n8,42\n", "says another unit", "all in one unit", "line 2"),
    "unit of what": ("hour,air\n7,41 furlong\n8,42\n", "'furlong' is not a unit", "40 degF", "line 2"),
    "no number": (HEAD + "7,41\n8,warm\n", "'warm' under 'air (degF)' is no number", "leave the cell empty", "line 3"),
    "two points": (HEAD + "7,41\n8,4.2.1\n", "'4.2.1' under 'air (degF)' is no number", "leave the cell", "line 3"),
    "thousands": ('hour,air (degF),sun (W/m2)\n7,41,"1,013"\n8,42,1\n', "thousands or thousandths", "comma", "line 2"),
    "too warm": (HEAD + "7,41\n8,420\n", "more or less than there can be", "check the number", "line 3"),
    "too much sun": ("hour,air (degF),sun (W/m2)\n7,41,9000\n8,42,1\n", "more or less than", "check", "line 2"),
    "unit of sun": ("hour,air (degF),sun\n7,41,50 %\n8,42,1\n", "'%' under 'sun' is no unit of sun", "W/m2", "line 2"),
    "gauge": ("hour,air (degF),gauge (psi)\n7,41,900\n8,42,\n", "no pressure that ammonia has", "check", "line 2"),
    "two values": (HEAD + "7,41\n8,42\n8,43\n", "lines 3 and 4 are one hour and say two air values", "leave one", ""),
    "a gap": (HEAD + "7,41\n8,42\n13,50\n", "between 08:00 and 13:00", "fill in the hours", "lines 3 and 4"),
    "a gap at the end": (
        "hour,air (degF),gauge (psi)\n7,41,\n8,42,\n12,,60\n", "from 08:00 to 12:00", "fill these hours in", "line 4",
    ),
    "a week": (
        HEAD + "".join(f"2026-04-2{day} {hour:02d}:00,41\n" for day in (1, 2, 3) for hour in range(0, 24, 3)),
        "goes over 69 hours", "of one day", "",
    ),
    "wide": (HEAD + "7,41,5\n8,42,5\n", "3 cells under 2 names", "part the cells with ;", "line 2"),
    "wide semicolons": ("hour;air (degF)\n7;41;5\n8;42\n", "3 cells under 2 names", "one cell for each name", "line 2"),
    "no csv": (HEAD + '7,"41' + "x" * 200_000 + "\n", "is no CSV", "CSV UTF-8", ""),
    "a workbook": (b"PK\x03\x04\0\0\0\0 hour,air", "the day is no text", "CSV UTF-8", ""),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_understood_is_refused_with_its_place(tmp_path: Path, name: str) -> None:
    text, what, cure, place = REFUSED[name]
    with pytest.raises(GeoflowError) as refused:
        day(tmp_path, text)
    assert what in refused.value.what
    assert cure in refused.value.cure
    assert "my_day.csv" in refused.value.where and refused.value.where.endswith(place)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(GeoflowError) as refused:
        read_day(tmp_path / "nothing.csv", AIR)
    assert "cannot be read" in refused.value.what and "--day" in refused.value.cure
