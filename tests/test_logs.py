"""As-applied logs: each format, unit, clock and fault is read right, with the fact told, or refused with the cure."""

from __future__ import annotations

import importlib.util
import json

import geopandas
import numpy as np
import pandas
import pytest
import shapely
from log_files import FRAME, degrees, north_run, stamps, write_csv

from geoflow.base.errors import GeoflowError, OutputError
from geoflow.log_files.clock import gps_to_unix, read_clock
from geoflow.log_files.log_units import ROLES, Conditions, nitrogen_per_unit, role_to_si
from geoflow.log_files.read_log import load_mapping, read_log, save_mapping
from geoflow.log_files.sections import read_labels, read_switch

# Exact definitions: pound 0.45359237 kg, acre 4046.8564224 m2, gallon 3.785411784 L, foot 0.3048 m.
LB_AC = 0.45359237 / 4046.8564224
GALLON, FOOT = 3.785411784e-3, 0.3048


def said(read):
    return "\n".join(note.text for note in read.notes)


def refused(call, *expected):
    with pytest.raises(GeoflowError) as caught:
        call()
    assert caught.value.what and caught.value.where and caught.value.cure
    for part in expected:
        assert part in str(caught.value), str(caught.value)


def log_of(tmp_path, cells, **options):
    return read_log(write_csv(tmp_path / "log.csv", cells), **options)


def test_a_straight_run_is_read_and_what_is_missing_is_derived(tmp_path):
    read = log_of(tmp_path, north_run(6))
    log = read.log
    assert (read.rows_read, read.kept, read.dropped, read.file_format) == (6, 6, {}, "csv")
    assert set(read.derived) == {"heading", "speed", "step", "on"}
    assert (read.clock, read.start, read.nitrogen_unit) == ("UTC", "2026-04-13T14:05:07.000Z", "lb N/ac")
    assert read.columns["applied"] == ("Applied Rate (lb N/ac)", "lb N/ac")
    np.testing.assert_allclose(log.step, [2, 2, 2, 2, 2, 2], atol=1e-4)
    np.testing.assert_allclose(log.speed, 2.0, atol=1e-4)
    np.testing.assert_allclose(np.sin(log.heading), 0.0, atol=1e-4)
    np.testing.assert_allclose(np.cos(log.heading), 1.0, atol=1e-4)
    np.testing.assert_allclose(log.time, range(6))
    np.testing.assert_allclose(log.width, 18.288)
    np.testing.assert_allclose(log.applied, 150 * LB_AC)
    np.testing.assert_allclose(log.target, 160 * LB_AC)
    np.testing.assert_allclose(log.y - log.y[0], [0, 2, 4, 6, 8, 10], atol=1e-4)
    np.testing.assert_allclose(log.x, 0.0, atol=1e-3)
    assert log.on.all() and not log.run.any() and not log.section.any() and not log.offset.any()
    for empty in (log.flow, log.pump_pressure, log.bar_pressure, log.temperature):
        assert np.isnan(empty).all()
    assert "heading is worked out" in said(read) and "applied is taken from the column" in said(read)


@pytest.mark.parametrize(
    "dialect",
    [{"mark": ";", "comma": True}, {"mark": "\t"}, {"bom": True}, {"mark": ";"}, {"mark": ",", "comma": True},
     {"head": "sep=,\n"}, {"head": "# exported\n\n"}],
    ids=str,
)  # fmt: skip
def test_csv_dialects(tmp_path, dialect):
    columns = {**north_run(4), "Applied Rate (lb N/ac)": [150.5, 151.25, 152.0, 153.5]}
    read = read_log(write_csv(tmp_path / "log.csv", columns, **dialect))
    np.testing.assert_allclose(read.log.applied / LB_AC, [150.5, 151.25, 152.0, 153.5])
    np.testing.assert_allclose(read.log.step, [2, 2, 2, 2], atol=1e-4)


def test_csv_refusals(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("")
    refused(lambda: read_log(path), "empty")
    path.write_text("Time,Longitude,Latitude\n")
    refused(lambda: read_log(path), "no records")
    path.write_text("1,2,3\n4,5,6\n")
    refused(lambda: read_log(path), "first line holds numbers", "line 1")
    path.write_text("a,b\n1,2\n" + "1,2\n" * 500 + "1,2,3\n1,2\n")
    refused(lambda: read_log(path), "3 cells for 2 columns", "line 503")
    refused(lambda: read_log(tmp_path / "lag.csv"), "no such file; did you mean 'log.csv'")
    (tmp_path / "log.xyz").write_text("x")
    refused(lambda: read_log(tmp_path / "log.xyz"), "'.xyz' is no format of a log", ".parquet")
    refused(lambda: read_log(path, layer="x"), "no layers", "--layer")


def test_cells_that_can_mean_two_numbers_are_refused(tmp_path):
    columns = {**north_run(3), "Applied Rate (lb N/ac)": ["1,200", "1,250", "1,300"]}
    refused(lambda: log_of(tmp_path, columns), "1200 or 1.2", "rows 1, 2, 3")


def test_latin_letters_and_trailing_marks(tmp_path):
    columns = north_run(3)
    text = write_csv(tmp_path / "log.csv", columns).read_text().replace("\n", ",\n").replace("Time", "Time", 1)
    lines = text.splitlines()
    lines[0] = lines[0].removesuffix(",") + ",Größe"
    (tmp_path / "log.csv").write_bytes(("\n".join(lines) + "\n").encode("cp1252"))
    read = read_log(tmp_path / "log.csv")
    assert read.kept == 3 and "not UTF-8" in said(read)


# Which column, and in which unit.


def test_rates_without_a_unit_are_refused_with_every_option(tmp_path):
    columns = north_run(3)
    columns["Actual Rate"] = columns.pop("Applied Rate (lb N/ac)")
    refused(lambda: log_of(tmp_path, columns), '--column "applied=Actual Rate:UNIT"   holds 150 to 150', "kg NH3/ha")
    read = log_of(tmp_path, columns, columns=["applied=Actual Rate:lb NH3/ac"])
    np.testing.assert_allclose(read.log.applied, 150 * 0.82 * LB_AC)
    columns["Amount"] = columns.pop("Actual Rate")
    refused(lambda: log_of(tmp_path, columns), "which column is the applied rate", '"applied=Amount:UNIT"')
    columns["Actual Rate"] = columns.pop("Amount")
    columns["Target"] = columns.pop("Target Rate (lb N/ac)")
    read = log_of(tmp_path, columns, rate_unit="kg N/ha")
    np.testing.assert_allclose(read.log.applied, 150e-4)
    np.testing.assert_allclose(read.log.target, 160e-4)


def test_a_unit_against_the_name_is_refused(tmp_path):
    refused(lambda: log_of(tmp_path, north_run(3), rate_unit="kg N/ha"), "stated in kg N/ha", "says lb N/ac")


def test_columns_asked_for(tmp_path):
    columns = north_run(3)
    refused(lambda: log_of(tmp_path, columns, columns=["speed=Sped"]), "no column 'Sped'")
    refused(lambda: log_of(tmp_path, columns, columns=["sped=Time"]), "did you mean 'speed'")
    refused(lambda: log_of(tmp_path, columns, columns=["speed"]), "names no column")
    refused(lambda: log_of(tmp_path, columns, columns=["time=Time", "time=Time"]), "given twice")
    columns["V"] = [5, 5, 5]
    refused(lambda: log_of(tmp_path, columns, columns=["speed=V"]), "does not say its unit", "speed=V:mph")
    read = log_of(tmp_path, columns, columns=["speed=V:mph", "target=-"])
    np.testing.assert_allclose(read.log.speed, 2.2352)  # 5 mph, exact definitions
    assert np.isnan(read.log.target).all() and "speed" not in read.derived


def test_no_guess_between_two_columns_nor_without_a_unit(tmp_path):
    columns = {**north_run(3), "GPS Speed (mph)": [9] * 3, "Ground Speed (mph)": [9] * 3, "Heading": [90] * 3}
    columns["NH3 Temperature"] = [40] * 3
    read = log_of(tmp_path, columns)
    assert "speed" in read.derived and "several columns could be it" in said(read)
    assert '--column "speed=GPS Speed (mph):mph"' in said(read)
    assert "does not say its unit" in said(read) and np.isnan(read.log.temperature).all()
    np.testing.assert_allclose(read.log.heading, np.pi / 2)
    columns["GPS Time"] = columns["Time"]
    refused(lambda: log_of(tmp_path, columns), "2 columns could be the time", '"time=GPS Time"')


def test_the_mapping_is_saved_and_read(tmp_path):
    columns = {**north_run(3), "V:1": [5.0] * 3}
    file = tmp_path / "roles.json"
    save_mapping(file, {"speed": ("V:1", "km/h"), "time": ("Time", None)})
    assert load_mapping(file) == {"speed": ("V:1", "km/h"), "time": ("Time", None)}
    np.testing.assert_allclose(log_of(tmp_path, columns, mapping=file).log.speed, 5 / 3.6)
    read = log_of(tmp_path, columns, mapping=file, columns=["speed=V:1:m/s"])
    np.testing.assert_allclose(read.log.speed, 5.0)
    again = tmp_path / "again.json"
    save_mapping(again, read.columns)
    assert log_of(tmp_path, columns, mapping=again).columns == read.columns
    with pytest.raises(OutputError):
        save_mapping(file, {})
    file.write_text('{"sped": "V"}')
    refused(lambda: load_mapping(file), "did you mean 'speed'")
    file.write_text("{")
    refused(lambda: load_mapping(file), "no JSON", "line 1")
    file.write_text("[1]")
    refused(lambda: load_mapping(file), "no list of roles")
    refused(lambda: load_mapping(tmp_path / "none.json"), "cannot be opened")


@pytest.mark.parametrize(
    ("role", "unit", "value", "expected"),
    [
        ("speed", "mph", 5, 2.2352), ("speed", "km/h", 36, 10), ("speed", "m/s", 3, 3), ("speed", "kn", 1, 1852 / 3600),
        ("width", "ft", 60, 18.288), ("width", "in", 30, 0.762), ("step", "m", 2, 2),
        ("temperature", "degF", 50, 283.15), ("temperature", "degC", 10, 283.15), ("temperature", "K", 280, 280),
        ("heading", "deg", 180, np.pi),
        # psi 6894.757293168 Pa (exact definitions); the air here is 100,000 Pa
        ("bar_pressure", "psi", 10, 168947.57293168), ("bar_pressure", "psia", 10, 68947.57293168),
        ("pump_pressure", "kPa", 50, 150e3), ("pump_pressure", "bar", 1, 200e3),
        ("flow", "lb NH3/min", 60, 0.45359237), ("flow", "kg NH3/min", 60, 1.0), ("flow", "gpm", 60, GALLON * 640),
        ("applied", "lb N/ac", 100, 100 * LB_AC), ("applied", "kg N/ha", 100, 0.01),
        ("applied", "kg NH3/ha", 100, 0.0082), ("applied", "L NH3/ha", 100, 1e-5 * 640 * 0.82),
        ("applied", "gal NH3/ac", 10, 10 * GALLON / 4046.8564224 * 640 * 0.82),
    ],
)  # fmt: skip
def test_units(role, unit, value, expected):
    conditions = Conditions(0.82, None, 100e3, 640.0)
    found = role_to_si(ROLES[role], np.array([float(value)]), unit, conditions, where="here")
    np.testing.assert_allclose(found, expected, rtol=1e-10)


@pytest.mark.parametrize(
    ("unit", "nitrogen", "expected"),
    [("gal/ac", "3.55 lb N/gal", 3.55 * LB_AC), ("L/ha", "0.4 kg N/L", 0.4e-4), ("lb/ac", "0.32", 0.32 * LB_AC),
     ("kg/ha", "32 %", 0.32e-4), ("L/ha", "3.55 lb N/gal", 3.55 * 0.45359237 / GALLON * 1e-7)],
)  # fmt: skip
def test_other_products(unit, nitrogen, expected):
    assert nitrogen_per_unit(unit, Conditions(0.82, nitrogen, 0.0), where="x")[0] == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("unit", "nitrogen", "text"),
    [("gal/ac", None, "how much nitrogen"), ("gal/ac", "0.32", "share of the mass"),
     ("lb/ac", "3 lb N/gal", "per volume"), ("lb/ac", "32", "cannot be"), ("lb/ac", "much", "no content"),
     ("gal/ac", "0 lb N/gal", "leaves no"), ("gal NH3/ac", None, "temperature"), ("bu/ac", None, "not a rate unit")],
)  # fmt: skip
def test_rate_units_refused(unit, nitrogen, text):
    refused(lambda: nitrogen_per_unit(unit, Conditions(0.82, nitrogen, 0.0), where="x"), text)


def test_another_product_is_read_only_with_its_nitrogen(tmp_path):
    columns = north_run(3)
    columns["applied_gal_ac"] = columns.pop("Applied Rate (lb N/ac)")
    del columns["Target Rate (lb N/ac)"]
    refused(lambda: log_of(tmp_path, columns), "of which product")
    read = log_of(tmp_path, columns, nitrogen="3.55 lb N/gal")
    np.testing.assert_allclose(read.log.applied, 150 * 3.55 * LB_AC)
    assert read.nitrogen_unit == "gal/ac"


# Clocks.


def test_gps_seconds_against_the_published_example():
    # Documentation of the R package agridat: 15 leap seconds in November 2011.
    assert gps_to_unix(np.array([1004549898.0]))[0] == np.datetime64("2011-11-05T17:38:03", "s").astype(int)
    # The epoch itself; and the last leap second so far (IERS Bulletin C, from memory): 18 from 2017-01-01.
    edge = (np.datetime64("2017-01-01", "s") - np.datetime64("1980-01-06", "s")).astype(int)
    np.testing.assert_array_equal(gps_to_unix(np.array([0.0, edge + 17.0, edge + 18.0])) - 315964800, [0, edge, edge])


@pytest.mark.parametrize(
    ("cells", "unit", "scale", "start"),
    [
        (["2026-04-13T14:05:07Z"], None, "UTC", "2026-04-13T14:05:07.000Z"),
        (["2026-04-13 09:05:07.250-05:00"], None, "UTC", "2026-04-13T14:05:07.250Z"),
        (["2026-04-13 14:05:07"], None, "local", "2026-04-13T14:05:07.000"),
        (["2026-04-13 14:05:07"], "UTC", "UTC", "2026-04-13T14:05:07.000Z"),
        (["4/13/2026 2:05:07 PM", "4/13/2026 2:05:08 PM"], None, "local", "2026-04-13T14:05:07.000"),
        (["13.04.2026 14:05"], None, "local", "2026-04-13T14:05:00.000"),
        (["04/05/2026 14:05:07"], "day/month", "local", "2026-05-04T14:05:07.000"),
        (["04/05/2026 14:05:07"], "month/day", "local", "2026-04-05T14:05:07.000"),
        (["2026/04/05 14:05:07.5"], None, "local", "2026-04-05T14:05:07.500"),
        ([1776089107], "epoch s", "UTC", "2026-04-13T14:05:07.000Z"),
        ([1776089107250], "epoch ms", "UTC", "2026-04-13T14:05:07.250Z"),
        ([1004549898], "GPS s", "UTC", "2011-11-05T17:38:03.000Z"),
        (["1661 4698"], "GPS week s", "UTC", None),
        ([5.0, 6.0], "s", "elapsed", None),
    ],
)  # fmt: skip
def test_clocks(cells, unit, scale, start):
    clock = read_clock(pandas.Series(cells), unit, name="t", where="f")
    assert (clock.scale, clock.start) == (scale, start if unit != "GPS week s" else clock.start)
    if unit == "GPS week s":  # 1661 weeks of 604,800 s and 4,698 s are 1004577498 s; 15 leap seconds
        assert clock.seconds[0] == 315964800 + 1004577498 - 15


@pytest.mark.parametrize(
    ("cells", "unit", "text"),
    [
        (["04/05/2026 14:05:07"], None, "may be day/month or month/day"),
        (["13/05/2026 14:05:07", "05/13/2026 14:05:07"], None, "above 12 both"),
        (["13/05/2026 14:05:07"], "month/day", "only day/month fits"),
        ([1004549898], None, '"time=t:GPS s"   would start at 2011-11-05T17:38:03.000Z'),
        (["2026-04-13T14:05:07Z", "2026-04-13T14:05:08"], None, "1 of 2 times"),
        (["2026-04-13T14:05:07Z"], "local", "state their zone"),
        (["noon"], None, "no time that can be read"),
        (["noon"], "minutes", "no unit of time"),
        ([None, ""], None, "holds no times"),
    ],
)  # fmt: skip
def test_clocks_refused(cells, unit, text):
    refused(lambda: read_clock(pandas.Series(cells), unit, name="t", where="f"), text)


def test_time_of_day_goes_past_midnight_and_dates_may_stand_apart(tmp_path):
    clock = read_clock(pandas.Series(["23:59:59", "00:00:01"]), None, name="t", where="f")
    np.testing.assert_allclose(clock.seconds, [86399, 86401])
    columns = north_run(3)
    columns["Date"] = [text[:10] for text in columns["Time"]]
    columns["Time"] = [text[11:19] for text in columns["Time"]]
    read = log_of(tmp_path, columns)
    assert (read.columns["time"], read.start) == (("Date+Time", None), "2026-04-13T14:05:07.000")
    assert read.clock == "local" and "local clock" in said(read)


def test_the_clock_may_run_backwards_and_miss(tmp_path):
    columns = north_run(5)
    for cells in columns.values():
        cells[1], cells[2] = cells[2], cells[1]
    columns["Time"][4] = ""
    read = log_of(tmp_path, columns)
    assert read.log.row.tolist() == [0, 2, 1, 3] and read.dropped == {"no time": (4,)}
    assert "runs backwards 1 time in" in said(read)


def test_a_log_without_a_clock_goes_in_file_order(tmp_path):
    columns = north_run(4)
    del columns["Time"]
    read = log_of(tmp_path, columns)
    assert read.clock is None and np.isnan(read.log.time).all() and np.isnan(read.log.speed).all()
    np.testing.assert_allclose(read.log.step, [2, 2, 2, 2], atol=1e-4)
    assert "speed" not in read.derived and "order of the file" in said(read)


def test_fixes_faster_than_the_clock_counts_are_spread(tmp_path):
    columns = north_run(10, step=1.0)
    columns["Time"] = list(stamps([0, 0, 1, 1, 2, 2, 3, 3, 4, 4]))
    log = log_of(tmp_path, columns).log
    np.testing.assert_allclose(log.time, np.arange(10) / 2)
    np.testing.assert_allclose(log.speed, 2.0, atol=1e-3)


# Runs, strays and other faults.


def test_runs_part_at_gaps_and_machines_at_a_clock_that_starts_over(tmp_path):
    first, second = north_run(5), north_run(5, x=500.0)
    second["Time"] = list(stamps([103, 104, 105, 106, 107]))
    read = log_of(tmp_path, {name: first[name] + second[name] for name in first})
    assert read.log.run.tolist() == [0] * 5 + [1] * 5
    # A second machine at the same times as the first, 500 m off, in the second half of the file.
    columns = {name: [*north_run(200)[name], *north_run(200, x=500.0)[name]] for name in first}
    read = log_of(tmp_path, columns)
    assert read.log.run.tolist() == [0] * 200 + [1] * 200 and not read.dropped
    np.testing.assert_allclose(read.log.step.sum(), 2 * 200 * 2.0, rtol=1e-4)


def test_machines_mixed_line_by_line_are_refused(tmp_path):
    one, other = north_run(30), north_run(30, x=900.0)
    columns = {name: [cell for pair in zip(one[name], other[name], strict=True) for cell in pair] for name in one}
    refused(lambda: log_of(tmp_path, columns), "could not be reached", "export each machine")


def test_the_impossible_is_dropped_and_counted_and_off_rates_are_not(tmp_path):
    columns = north_run(40)
    far = degrees([5000.0], [0.0])[0][0]
    back = degrees([0.0], [-40.0])[1][0]
    columns["Longitude"][3] = f"{far:.9f}"  # 5 km in one second
    columns["Latitude"][20] = f"{back:.9f}"  # 80 m back and forth within two seconds
    columns["Longitude"][6] = columns["Latitude"][6] = "0"
    columns["Longitude"][7] = ""
    columns["Latitude"][8] = "95"
    for cells in columns.values():
        cells[10] = cells[9]  # the same record twice
    columns["Applied Rate (lb N/ac)"][12] = ""
    columns["Applied Rate (lb N/ac)"][13] = -5
    columns["Applied Rate (lb N/ac)"][14] = 900
    columns["Applied Rate (lb N/ac)"][15] = 1
    columns["Applied Rate (lb N/ac)"][16] = 0
    read = log_of(tmp_path, columns)
    assert read.dropped == {
        "no position": (6, 7, 8), "duplicate": (10,), "teleport": (3, 20),
    }  # fmt: skip
    assert read.kept == 34 == read.rows_read - sum(map(len, read.dropped.values()))
    rates = dict(zip(read.log.row.tolist(), (read.log.applied / LB_AC).round(6).tolist(), strict=True))
    assert (rates[14], rates[15]) == (900, 1)
    assert read.noted["section off"] == (12, 13, 16) and not read.log.on[read.log.row == 16]
    assert np.isnan(rates[12]) and np.isnan(rates[13])
    assert "3 records without a rate had a target above zero" in said(read)
    np.testing.assert_allclose(read.log.step[read.log.row == 4], 4.0, atol=1e-4)  # over the stray's gap
    assert not read.log.run[read.log.row < 6].any()


def test_ground_without_a_logged_rate_stays_ground_where_a_column_says_the_bar_was_on(tmp_path):
    columns = {**north_run(6), "On": [1] * 6}
    columns["Applied Rate (lb N/ac)"][3] = ""
    read = log_of(tmp_path, columns, columns=["on=On"])
    assert read.noted["no rate"] == (3,) and read.log.on.all()
    assert np.isnan(read.log.applied[3]) and read.log.step[3] > 0.0
    assert "what fell on it is not known" in said(read)


def test_a_standing_machine_covers_no_ground_and_keeps_its_heading(tmp_path):
    columns = north_run(6)
    for at in (3, 4):
        columns["Latitude"][at] = columns["Latitude"][2]
    read = log_of(tmp_path, columns)
    assert read.noted["zero step"] == (3, 4)
    np.testing.assert_allclose(np.cos(read.log.heading), 1.0, atol=1e-6)


def test_nothing_left_is_refused(tmp_path):
    columns = {**north_run(3), "Applied Rate (lb N/ac)": [-1, -2, -3]}
    refused(lambda: log_of(tmp_path, columns), "holds no rate", "--column")
    columns = {**north_run(3), "Longitude": [0, 0, 0], "Latitude": [0, 0, 0]}
    refused(lambda: log_of(tmp_path, columns), "no row has a position")
    columns = {**north_run(3), "Time": ["2026-04-13T14:05:07Z", "x", "y"]}
    refused(lambda: log_of(tmp_path, columns), "2 of 3 times")


def test_logged_values_win_and_gaps_are_filled(tmp_path):
    columns = {**north_run(6), "Heading (deg)": [10, 370, -9999, 10, 10, 10], "Distance (m)": [2, 2, None, 2, 2, 2]}
    columns["Speed (km/h)"] = [7.2] * 6
    columns["Swath Width (ft)"] = [60, 60, None, 60, 60, 60]
    columns["On"] = [1, 0, 1, 1, 1, None]
    read = log_of(tmp_path, columns)
    np.testing.assert_allclose(np.degrees(read.log.heading), [10, 0, 0, 10, 10, 10], atol=1e-2)
    np.testing.assert_allclose(read.log.step, 2.0, atol=1e-4)
    np.testing.assert_allclose(read.log.speed, 2.0)
    np.testing.assert_allclose(read.log.width, 60 * FOOT)
    assert read.log.on.tolist() == [True, False, True, True, True, True]
    assert not read.derived and "on or off is not logged in row 6" in said(read)


def test_a_speed_in_the_wrong_unit_is_told(tmp_path):
    columns = {**north_run(8), "Speed (m/s)": [4.474] * 8}
    assert "2.2 times what the positions give" in said(log_of(tmp_path, columns))


# Sections and widths.


def sections(count, names, **more):
    run = north_run(count)
    columns = {name: [cell for cell in cells for _ in names] for name, cells in run.items()}
    return {**columns, "Section": list(names) * count, **more}


def test_records_per_section(tmp_path):
    columns = sections(4, [1, 2, 3])
    del columns["Swath Width (ft)"]
    log = log_of(tmp_path, columns, section_widths=[3.0, 6.0, 3.0]).log
    assert log.section.tolist() == [0, 1, 2] * 4 and log.row.tolist() == list(range(12))
    np.testing.assert_allclose(log.width, [3, 6, 3] * 4)
    np.testing.assert_allclose(log.offset, [-4.5, 0, 4.5] * 4)
    np.testing.assert_allclose(log.step, np.repeat([2, 2, 2, 2], 3), atol=1e-4)
    log = log_of(tmp_path, columns, bar_width=18.0).log
    np.testing.assert_allclose(log.width, 6.0)
    np.testing.assert_allclose(log.offset, [-6, 0, 6] * 4)
    refused(lambda: log_of(tmp_path, columns), "how wide the bar is")
    refused(lambda: log_of(tmp_path, columns, section_widths=[3.0, 6.0]), "has 3 sections and the bar file 2")
    log = log_of(tmp_path, sections(4, ["right", "left"])).log  # 60 ft in the log is the section's own width
    assert log.section.tolist() == [1, 0] * 4
    np.testing.assert_allclose(log.offset, [30 * FOOT, -30 * FOOT] * 4)


def test_a_section_that_logs_only_when_on_keeps_its_step(tmp_path):
    columns = {
        name: [c for at, c in enumerate(cells) if at not in (3, 5)] for name, cells in sections(4, [0, 1]).items()
    }
    log = log_of(tmp_path, columns, section_widths=[3.0, 3.0]).log
    np.testing.assert_allclose(log.step[log.section == 1], [2, 2], atol=1e-4)


def test_sections_with_positions_of_their_own(tmp_path):
    left, right = north_run(5, x=-3.0), north_run(5, x=3.0)
    columns = {name: left[name] + right[name] for name in left}
    columns["Section"] = [1] * 5 + [2] * 5
    read = log_of(tmp_path, columns, section_widths=[6.0, 6.0])
    assert not read.log.offset.any() and "positions of its own" in said(read)
    np.testing.assert_allclose(np.bincount(read.log.section, read.log.step), [10, 10], atol=1e-3)


def test_section_names_and_switches():
    def names(*cells):
        found = read_labels(pandas.Series(cells), where="f")
        return found.code.tolist() if found.ordered else None

    # Numbers are names in an order, and no more: which sections are missing between them nobody says.
    assert names("S2", "S1", "S12") == [1, 0, 2] and names(842, 839, 1000) == [1, 0, 2]
    assert names(0, 3) == [0, 1] and names(1.0, 4.0) == [0, 1]
    assert names("L", "R") == [0, 1] and names("left", "centre", "right") == [0, 1, 2]
    assert names("blue", "red") is None and names("L3") == [0]
    refused(lambda: names(*range(257)), "257 different sections", "section=-")
    refused(lambda: names("1", None), "without a section")

    def switch(*cells):
        return [part.tolist() for part in read_switch(pandas.Series(cells), where="f")]

    # Data dictionary of ISO 11783-11, page 174: 00 off, 01 on, 10 error, 11 not installed
    assert switch(0, 1, 2, 3)[0] == [False, True, False, False]
    assert switch("On", "off", None) == [[True, False, False], [True, True, False]]
    assert switch(True, False)[0] == [True, False]
    refused(lambda: switch("maybe"), "neither on nor off")


def test_width_from_the_bar(tmp_path):
    columns = north_run(3)
    del columns["Swath Width (ft)"]
    refused(lambda: log_of(tmp_path, columns), "how wide the bar is", "--bar")
    read = log_of(tmp_path, columns, bar_width=18.0)
    assert set(read.log.width) == {18.0} and "width" in read.derived
    assert set(log_of(tmp_path, columns, section_widths=[9.0, 9.5]).log.width) == {18.5}


# Other formats.


def frame(count=6, crs="EPSG:4326"):
    columns = north_run(count)
    points = shapely.points([float(v) for v in columns.pop("Longitude")], [float(v) for v in columns.pop("Latitude")])
    short = {"Time": "time", "Applied Rate (lb N/ac)": "applied", "Target Rate (lb N/ac)": "target",
             "Swath Width (ft)": "width_ft"}  # fmt: skip
    return geopandas.GeoDataFrame({short[k]: v for k, v in columns.items()}, geometry=points, crs=4326).to_crs(crs)


@pytest.mark.parametrize("name", ["log.shp", "log.shp.zip", "log.geojson", "log.gpkg"])
@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:26915"])
def test_vector_formats(tmp_path, name, crs):
    path = tmp_path / name
    if name == "log.geojson" and crs != "EPSG:4326":
        pytest.skip("GeoJSON is in degrees")
    frame(crs=crs).to_file(path)
    log = read_log(path, rate_unit="lb N/ac").log
    np.testing.assert_allclose(log.applied, 150 * LB_AC)
    np.testing.assert_allclose(log.step, [2, 2, 2, 2, 2, 2], atol=1e-3)
    np.testing.assert_allclose(np.cos(log.heading), 1.0, atol=1e-4)
    np.testing.assert_allclose(log.width, 18.288)


def test_the_crs_and_the_axes_are_settled_as_for_prescriptions(tmp_path):
    points = frame(crs="EPSG:26915")
    columns = {"lon": points.geometry.x, "lat": points.geometry.y, "applied_lb_n_ac": points["applied"]}
    options = {"bar_width": 18.0, "columns": ["lon=lon", "lat=lat"]}
    refused(lambda: log_of(tmp_path, columns, **options), "no degrees", "--crs")
    read = log_of(tmp_path, columns, crs="EPSG:26915", **options)
    np.testing.assert_allclose(read.log.step, [2, 2, 2, 2, 2, 2], atol=1e-3)
    assert read.centre == pytest.approx((-93.5, 42.0), abs=1e-3)
    run = north_run(6)
    run["Longitude"], run["Latitude"] = run["Latitude"], run["Longitude"]
    read = log_of(tmp_path, run)
    assert read.centre == pytest.approx((-93.5, 42.0), abs=1e-3) and "exchanged" in said(read)
    frame().set_crs(None, allow_override=True).to_file(tmp_path / "bare.shp")
    assert "DOES NOT SAY" in said(read_log(tmp_path / "bare.shp", rate_unit="lb N/ac"))


def test_strips_drawn_as_polygons(tmp_path):
    strips = shapely.box(-9.0, np.arange(0, 20, 4.0), 9.0, np.arange(4, 24, 4.0))
    table = geopandas.GeoDataFrame(
        {"time": stamps(range(5)), "applied_lb_n_ac": [150.0] * 5}, geometry=strips, crs=FRAME
    )
    path = tmp_path / "strips.gpkg"
    table.to_file(path)
    read = read_log(path)
    np.testing.assert_allclose(read.log.step, 4.0, atol=1e-3)
    np.testing.assert_allclose(read.log.width, 18.0, atol=1e-3)
    np.testing.assert_allclose(np.cos(read.log.heading), 1.0, atol=1e-6)
    # The step ends at its position: the middle of the leading edges, 4 m apart, 20 m in all.
    np.testing.assert_allclose(np.diff(read.log.y), 4.0, atol=1e-3)
    assert (read.log.step * read.log.width).sum() == pytest.approx(20 * 18, rel=1e-6)
    assert {"width", "step"} <= set(read.derived) and "polygons" in said(read)
    lines = table.set_geometry(shapely.boundary(strips))
    lines.to_file(tmp_path / "lines.gpkg")
    refused(lambda: read_log(tmp_path / "lines.gpkg"), "must be points or polygons")


def test_refusals_of_shared_readers_speak_of_a_log(tmp_path):
    (tmp_path / "log.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": []}))
    with pytest.raises(GeoflowError) as caught:
        read_log(tmp_path / "log.geojson")
    assert "zone" not in str(caught.value) and "prescription" not in str(caught.value)
    refused(lambda: log_of(tmp_path, north_run(3), crs="EPSG:none"), "no coordinate system")


def test_a_decimal_comma_in_a_dbf_is_not_cut(tmp_path):
    from rx_files import dbf_bytes

    table = frame(3).drop(columns=["width_ft", "target"])
    table.to_file(tmp_path / "log.shp")
    rows = [[t, rate] for t, rate in zip(table["time"], ["120,5", "121,5", "122,5"], strict=True)]
    (tmp_path / "log.dbf").write_bytes(dbf_bytes([("time", "C", 24, 0), ("applied", "N", 12, 3)], rows))
    read = read_log(tmp_path / "log.shp", rate_unit="lb N/ac", bar_width=18.0)
    np.testing.assert_allclose(read.log.applied / LB_AC, [120.5, 121.5, 122.5])


@pytest.mark.skipif(importlib.util.find_spec("pyarrow") is not None, reason="pyarrow is installed")
def test_parquet_without_its_library(tmp_path):
    (tmp_path / "log.parquet").write_bytes(b"PAR1")
    refused(lambda: read_log(tmp_path / "log.parquet"), ".[parquet]")


def test_parquet(tmp_path):
    pytest.importorskip("pyarrow")
    frame().to_parquet(tmp_path / "log.parquet")
    np.testing.assert_allclose(read_log(tmp_path / "log.parquet", rate_unit="lb N/ac").log.applied, 150 * LB_AC)
    pandas.DataFrame(north_run(4)).to_parquet(tmp_path / "plain.parquet")
    assert read_log(tmp_path / "plain.parquet").kept == 4
