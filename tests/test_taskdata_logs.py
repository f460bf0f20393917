"""Time logs of task data, written by hand byte for byte: every field, sparse values, sections, clocks, totals."""

from __future__ import annotations

from pathlib import Path

import CoolProp.CoolProp
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from taskdata_files import (
    DAY,
    EPOCH,
    at,
    bar,
    element,
    header,
    log_files,
    log_task,
    record,
    taskdata,
    two_zones,
)

from geoflow.base.errors import LogError, PrescriptionError, QuantityError
from geoflow.isoxml.binary_log import decode_log, hold
from geoflow.isoxml.sections import unpack_states
from geoflow.isoxml.time_logs import HOLD, TaskLog, read_task_log
from geoflow.isoxml.xml import parse_xml
from geoflow.log_files.log_units import ROLES, Conditions, role_to_si
from geoflow.log_files.read_log import read_log

NOON = 43_200_000


def decode(head: str, data: bytes, name: str = "TLG00001"):  # type: ignore[no-untyped-def]
    return decode_log(name, parse_xml(head.encode(), f"{name}.XML")[0], data)


def log_of(
    tmp_path: Path, variables: list[tuple[str, str]], data: bytes, *devices: str, place: dict[str, object] | None = None
) -> TaskLog:
    files = log_files("TLG00001", header(variables, place=place), data)
    return read_task_log(taskdata(tmp_path, *devices, log_task("TLG00001"), files=files), take_as_ammonia=True)


def column(log: TaskLog, role: str) -> np.ndarray:
    return np.asarray(log.columns[log.names.index(log.roles[role][0])])


def said(log: TaskLog, text: str) -> int:
    return sum(text in note.said("metric") for note in log.notes)


def north_of(second: float) -> dict[str, int]:
    return at(-95.0, 42.0 + 2e-5 * second)


def run(values: list[list[tuple[int, int]]], *, step: int = 1000) -> bytes:
    """One record a second northward, with the values given."""
    return b"".join(record(NOON + step * s, DAY, north_of(s), each) for s, each in enumerate(values))


def test_the_standards_worked_example_decodes_exactly() -> None:
    # ISO 11783-10, example of a time-log record, quoted on a question-and-answer page:
    # 2005-05-02T16:32:00, 51.00678 N, 6.03489 E, status 1, two values, 10 and 15.
    data = bytes.fromhex("00348c0325245804671ee4d998030102000a000000010f000000")
    assert len(data) == 26
    found = decode(header([("0815", "DET1"), ("4711", "DET1")]), data)
    assert np.datetime64(int(found.local[0]), "s") == np.datetime64("2005-05-02T16:32:00")
    assert (found.lat[0], found.lon[0], found.status[0]) == (51.00678, 6.03489, 1)
    assert found.values[("0815", "DET1")].tolist() == [10.0]
    assert found.values[("4711", "DET1")].tolist() == [15.0]


def test_every_byte_of_a_log_is_accounted_for() -> None:
    # A real log, counted byte by byte: 207 records, 35 of them with 4 values: 207 x 31 + 35 x 4 x 5 = 7117 bytes.
    place = {"A": 420_000_000, "B": -950_000_000, "C": 300_000, "D": 4, "E": 12, "F": 8, "G": 14, "H": NOON, "I": DAY}
    four = [(index, 100 + index) for index in range(4)]
    data = b"".join(record(NOON + 1000 * s, DAY, place, four if s % 6 == 0 else ()) for s in range(207))
    assert len(data) == 7117
    head = header([(f"000{n}", "DET1") for n in range(4)], place=dict.fromkeys("ABCDEFGHI", ""))
    found = decode(head, data)
    assert found.local.size == 207
    assert [int(np.isfinite(values).sum()) for values in found.values.values()] == [35] * 4
    assert found.notes == ()
    assert (found.lat == 42.0).all() and (found.lon == -95.0).all()


def test_an_attribute_with_a_value_is_in_no_record_and_an_absent_one_neither() -> None:
    # As two independent open readers have it: empty is stored per record; a value holds for all and is not in the
    # bytes,
    # no more than what is absent.
    place = {"A": "", "B": "-94.5", "D": "2", "H": ""}
    data = record(NOON, DAY, {"A": 421_234_567, "H": NOON + 5000}, [(1, 7)])
    assert len(data) == 6 + 4 + 4 + 1 + 5
    found = decode(header([("0007", "DET1"), ("0006", "DET1")], place=place, values=["1234"]), data)
    assert (found.lat[0], found.lon[0], found.status[0]) == (42.1234567, -94.5, 2)
    assert found.values[("0007", "DET1")].tolist() == [1234.0]
    assert found.values[("0006", "DET1")].tolist() == [7.0], "the index counts variables in the order of the header"


def test_a_header_without_positions_is_read(tmp_path: Path) -> None:
    head = '<TIM A="" D="4"><DLV A="0007" B="" C="DET1"/></TIM>'
    found = decode(head, record(NOON, DAY, {}, [(0, 5)]))
    assert np.isnan(found.lat[0])
    assert found.values[("0007", "DET1")].tolist() == [5.0]


@pytest.mark.parametrize("step", range(1, 26))
def test_a_log_cut_off_anywhere_keeps_its_whole_records(step: int) -> None:
    whole = run([[(0, 1), (1, 2)]] * 3)
    found = decode(header([("0007", "DET1"), ("0006", "DET1")]), whole[:-step])
    assert found.local.size == 2
    rest = "1 byte at the end is" if step == 25 else f"{26 - step} bytes at the end are"
    assert [note.text for note in found.notes] == [
        f"TLG00001: {rest} no whole record and left out; the log was cut off"
    ]


@given(
    st.lists(
        st.tuples(
            st.integers(0, 86_399_999), st.integers(1, 40_000), st.integers(-899_999_999, 899_999_999),
            st.integers(-1_799_999_999, 1_799_999_999), st.sampled_from([1, 2, 3, 4, 5, 6, 7, 8]),
            st.dictionaries(st.integers(0, 4), st.integers(-(2**31) + 1, 2**31 - 1)),
        ),
        max_size=12,
    )
)  # fmt: skip
def test_records_are_decoded_as_they_were_packed(records: list[tuple[int, int, int, int, int, dict[int, int]]]) -> None:
    data = b"".join(
        record(ms, day, {"A": lat, "B": lon, "D": status}, list(values.items()))
        for ms, day, lat, lon, status, values in records
    )
    keys = [(f"000{n}", "DET1") for n in range(5)]
    found = decode(header(keys), data)
    assert found.local.size == len(records)
    for at_, (ms, day, lat, lon, status, values) in enumerate(records):
        assert found.local[at_] == EPOCH + 86_400 * day + ms / 1000
        if (lat, lon) != (0, 0):
            assert (found.lat[at_], found.lon[at_], found.status[at_]) == (lat / 1e7, lon / 1e7, status)
        for index, key in enumerate(keys):
            stored = found.values.get(key, np.full(len(records), np.nan))[at_]
            assert stored == values[index] if index in values else np.isnan(stored)


def test_values_without_a_variable_are_counted() -> None:
    found = decode(header([("0007", "DET1")]), record(NOON, DAY, north_of(0), [(0, 5), (9, 1)]))
    assert found.values[("0007", "DET1")].tolist() == [5.0]
    assert found.notes[0].count == 1


@pytest.mark.parametrize(
    ("place", "known"),
    [
        (at(-95.0, 42.0, 4), True),
        (at(-95.0, 42.0, 8), True),
        (at(-95.0, 42.0, 0), False),
        (at(-95.0, 42.0, 14), False),
        (at(-95.0, 42.0, 15), False),
        (at(0.0, 0.0, 4), False),
        ({"A": 2**31 - 1, "B": 2**31 - 1, "D": 4}, False),
    ],
)
def test_what_is_no_position(place: dict[str, int], known: bool) -> None:
    # ISO 11783-10, PositionStatus, schema TimeLog V4-3: status 0 (none), 14 (error), 15 (not available) or 0, 0 is no
    # position.
    assert bool(np.isfinite(decode(header([]), record(NOON, DAY, place)).lat[0])) is known


def test_records_without_a_position_stay(tmp_path: Path) -> None:
    data = run([[(0, 5000), (1, 100)], [(0, 5000), (1, 101)]]) + record(NOON + 9000, DAY, at(0, 0, 0), [(1, 102)])
    log = log_of(tmp_path, [("0007", "DET1"), ("0051", "DET1")], data)
    assert log.records == 3
    assert np.isnan(column(log, "lon")[2])
    assert said(log, "1 record without a position (1 no fix)") == 1


def test_columns_and_units_are_certain_from_the_dictionary(tmp_path: Path) -> None:
    # Values worked by hand: 168.13 kg N/ha = 150 lb N/ac; 5 mph = 2235.2 mm/s (exact definitions); 60 psi = 413.7 kPa.
    keys = ["01B1", "01B0", "018D", "0043", "002A", "00C2", "0243"]
    stored = [16813, 17934, 2235, 18288, 250_000, 4_136_854, 277_594]
    data = run([list(enumerate(stored))] * 2)
    log = log_of(tmp_path, [(ddi, "DET1") for ddi in keys], data)
    wanted = {
        "applied": (168.13, "kg N/ha"), "target": (179.34, "kg N/ha"), "speed": (2.235, "m/s"), "width": (18.288, "m"),
        "flow": (15.0, "kg NH3/min"), "bar_pressure": (413.6854, "kPa"), "temperature": (277.594, "K"),
    }  # fmt: skip
    for role, (value, unit) in wanted.items():
        assert log.roles[role][1] == unit
        assert column(log, role)[0] == pytest.approx(value, rel=1e-12)
    assert log.roles["time"][1] == "local"
    assert log.roles["lon"] == ("lon", "deg")
    assert set(log.roles) == {*wanted, "time", "lon", "lat"}
    # The units are such that the log reader turns them into the right SI values.
    conditions = Conditions(0.82, None, 101_325.0)
    for role, value in {"applied": 0.016813, "speed": 2.235, "flow": 0.25, "bar_pressure": 515_010.4,
                        "temperature": 277.594, "width": 18.288}.items():  # fmt: skip
        unit = log.roles[role][1]
        assert unit is not None
        found = role_to_si(ROLES[role], column(log, role), unit, conditions, where="")
        assert found[0] == pytest.approx(value, rel=1e-9), role


@pytest.mark.parametrize(
    ("keys", "applied", "target"),
    [
        (["0007", "0006"], "kg NH3/ha", "kg NH3/ha"),
        (["0007", "01B0"], "kg NH3/ha", "kg N/ha"),
        (["0007", "01B1", "0006"], "kg NH3/ha", "kg NH3/ha"),
        (["0007", "01B1"], "kg N/ha", None),
        (["0002", "0001"], "L NH3/ha", "L NH3/ha"),
        (["024D"], "L NH3/ha", None),
    ],
)
def test_nitrogen_and_product_are_never_crossed(
    tmp_path: Path, keys: list[str], applied: str, target: str | None
) -> None:
    data = run([[(index, 1000) for index in range(len(keys))]])
    log = log_of(tmp_path, [(ddi, "DET1") for ddi in keys], data)
    assert log.roles["applied"][1] == applied
    assert log.roles.get("target", (None, None))[1] == target


def test_flow_by_volume(tmp_path: Path) -> None:
    # 45 gal/min = 170.344 L/min = 2,839,059 mm3/s.
    log = log_of(tmp_path, [("0025", "DET1")], run([[(0, 2_839_059)]]))
    assert log.roles["flow"][1] == "L/min"
    assert column(log, "flow")[0] == pytest.approx(170.344, abs=1e-3)


def test_two_elements_with_a_rate_are_not_chosen_between(tmp_path: Path) -> None:
    log = log_of(tmp_path, [("0007", "DET1"), ("0007", "DET2")], run([[(0, 1000), (1, 2000)]]))
    assert "applied" not in log.roles
    assert {"applied_0007_DET1_kg_nh3_ha", "applied_0007_DET2_kg_nh3_ha"} <= set(log.names)
    assert said(log, "2 elements of the machine log the applied (0007), so none is chosen") == 1


def test_a_reading_is_held_for_a_while_and_a_setting_until_the_next(tmp_path: Path) -> None:
    seconds = [0, 1, 59, 60, 61, 100]
    data = b"".join(
        record(NOON + 1000 * s, DAY, north_of(s), [(0, 1000), (1, 2000)] if s == 0 else ()) for s in seconds
    )
    log = log_of(tmp_path, [("01B1", "DET1"), ("01B0", "DET1")], data)
    assert HOLD == 60.0
    applied = column(log, "applied")
    assert applied[:4].tolist() == [10.0] * 4
    assert np.isnan(applied[4:]).all()
    assert column(log, "target").tolist() == [20.0] * 6
    assert said(log, "readings count for 60 s") == 1
    assert said(log, "2 records without applied (01B1)") == 1


def test_a_pause_ends_what_was_held() -> None:
    values = np.array([1.0, np.nan, np.nan, np.nan])
    seconds = np.array([0.0, 30.0, 60.0, 200.0])
    held = hold(values, seconds, 60.0, lasting=True)
    assert held[:3].tolist() == [1.0] * 3
    assert np.isnan(held[3])
    assert np.isnan(hold(np.array([np.nan, 2.0]), seconds[:2], 60.0, lasting=True)[0]), "nothing holds backwards"
    assert hold(np.array([]), np.array([]), 60.0, lasting=False).size == 0


def test_values_are_held_within_one_log_only(tmp_path: Path) -> None:
    files = log_files("TLG00001", header([("01B1", "DET1")]), run([[(0, 1000)]]))
    later = b"".join(record(NOON + 5000 + s, DAY, north_of(9)) for s in (0, 1000))
    files |= log_files("TLG00002", header([("01B1", "DET1")]), later)
    log = read_task_log(taskdata(tmp_path, log_task("TLG00001", "TLG00002"), files=files))
    assert np.isnan(column(log, "applied")[1:]).all()


def test_logs_of_a_task_follow_each_other_in_time(tmp_path: Path) -> None:
    files = log_files("TLG00001", header([("0007", "DET1")]), run([[(0, 100)], [(0, 200)]], step=1000))
    early = b"".join(record(NOON - 60_000 + 1000 * s, DAY, north_of(s), [(0, 300)]) for s in range(2))
    files |= log_files(
        "TLG00002", header([("0006", "DET9"), ("0007", "DET1")]), early.replace(b"\x01\x00\x2c", b"\x01\x01\x2c")
    )
    log = read_task_log(taskdata(tmp_path, log_task("TLG00001", "TLG00002"), files=files))
    assert log.logs == ("TLG00002", "TLG00001")
    assert column(log, "applied").tolist() == [3.0, 3.0, 1.0, 2.0], "headers in another order are told apart"
    assert (np.diff(column(log, "time")) > np.timedelta64(0)).all()


def test_the_receivers_utc_counts_over_the_machines_clock(tmp_path: Path) -> None:
    # In a real log the machine shows 14:54:04 while GpsUtcTime says 15:28:03.799 on the same date.
    place: dict[str, object] = {"A": "", "B": "", "D": "", "H": "", "I": ""}
    local = (14 * 3600 + 54 * 60 + 4) * 1000
    utc = (15 * 3600 + 28 * 60 + 3) * 1000 + 799
    data = b"".join(
        record(local + 1000 * s, DAY, {**north_of(s), "H": utc + 1000 * s, "I": DAY}, [(0, 1000)]) for s in range(3)
    )
    log = log_of(tmp_path, [("0007", "DET1")], data, place=place)
    assert log.roles["time"][1] == "UTC"
    assert column(log, "time")[0] == np.datetime64("2026-04-11T15:28:03.799")
    assert said(log, "0 h 34 min 0 s less") == 1


def test_records_without_the_receivers_time_get_it_from_the_others(tmp_path: Path) -> None:
    place: dict[str, object] = {"A": "", "B": "", "D": "", "H": "", "I": ""}
    none = {"H": 0xFFFF_FFFF, "I": 0xFFFF}
    data = b"".join(
        record(
            NOON + 1000 * s, DAY, {**north_of(s), **(none if s == 1 else {"H": NOON + 18_000_000 + 1000 * s, "I": DAY})}
        )
        for s in range(3)
    )
    log = log_of(tmp_path, [], data, place=place)
    assert column(log, "time")[1] == np.datetime64("2026-04-11T17:00:01")
    assert said(log, "1 record without the receiver's time has") == 1


def test_a_clock_without_a_zone_says_so(tmp_path: Path) -> None:
    log = log_of(tmp_path, [("0007", "DET1")], run([[(0, 1000)]]))
    assert log.roles["time"][1] == "local"
    assert column(log, "time")[0] == np.datetime64("2026-04-11T12:00:00")
    assert said(log, "its zone is unknown") == 1


def word(states: list[int]) -> int:
    """States of sections in a word, the leftmost in the two lowest bits, the rest absent; as a signed number."""
    bits = sum(state << (2 * index) for index, state in enumerate(states + [3] * (16 - len(states))))
    return bits - 2**32 if bits >= 2**31 else bits


def test_a_word_of_states_unpacks_from_the_left() -> None:
    # Data dictionary of ISO 11783-11, pages for 174, 290 and 382: leftmost section lowest; 00 off, 01 on, 10 error,
    # 11 absent. Sixteen sections, all absent, are 0xFFFFFFFF, which a signed number of 32 bits shows as -1.
    assert word([]) == -1
    found = unpack_states(np.array([float(word([1, 0, 2])), -1.0, 0.0, np.nan]))
    assert found[0].tolist() == [1, 0, 2] + [3] * 13
    assert found[1].tolist() == [3] * 16
    assert found[2].tolist() == [0] * 16
    assert np.isnan(found[3]).all()


def test_sections_that_differ_get_a_record_each(tmp_path: Path) -> None:
    widths = [4.0, 5.0, 6.0]
    states = [[1, 1, 1], [1, 1, 0], [0, 1, 0]]
    data = run([[(0, 10_000), (1, word(each))] for each in states])
    log = log_of(tmp_path, [("01B1", "DET1"), ("00A1", "DET2")], data, bar(widths))
    assert (log.records, log.sections) == (3, 3)
    assert column(log, "section").tolist() == [0, 1, 2] * 3
    assert column(log, "on").reshape(3, 3).tolist() == states
    assert column(log, "width").reshape(3, 3).tolist() == [widths] * 3, "from the left, though listed from the right"
    assert (column(log, "applied") == 100.0).all()
    assert column(log, "lat").reshape(3, 3)[:, 0] == pytest.approx([42.0, 42.00002, 42.00004], abs=1e-12)
    assert len({len(each) for each in log.columns}) == 1


def test_sections_that_never_differ_stay_one_record(tmp_path: Path) -> None:
    data = run([[(0, 10_000), (1, word([1, 1, 1]))], [(1, word([0, 0, 0]))]])
    log = log_of(tmp_path, [("01B1", "DET1"), ("00A1", "DET2")], data, bar([4.0, 5.0, 6.0]))
    assert (log.records, log.sections, len(log.columns[0])) == (2, 1, 2)
    assert column(log, "on").tolist() == [1.0, 0.0]
    assert column(log, "width").tolist() == [15.0, 15.0]
    assert "section" not in log.roles


def test_sections_beyond_sixteen_stand_in_the_next_word(tmp_path: Path) -> None:
    data = run([[(0, word([1] * 16)), (1, word([1, 0]))]])
    log = log_of(
        tmp_path,
        [
            ("00A1", "DET2"),
            ("00A2", "DET2"),
        ],
        data,
    )
    assert log.sections == 18
    assert column(log, "on").tolist() == [1.0] * 17 + [0.0]


def test_states_asked_for_serve_where_no_actual_ones_are_logged(tmp_path: Path) -> None:
    both = log_of(tmp_path / "a", [("0122", "DET2"), ("00A1", "DET2")], run([[(0, word([1, 1])), (1, word([1, 0]))]]))
    assert column(both, "on").tolist() == [1.0, 0.0]
    asked = log_of(tmp_path / "b", [("0122", "DET2")], run([[(0, word([1, 0]))]]))
    assert said(asked, "asked to be on or off") == 1


def test_sections_without_widths_share_the_greatest_width_logged(tmp_path: Path) -> None:
    data = run([[(0, word([1, 1])), (1, 18_000)], [(0, word([1, 0])), (1, 9_000)]])
    log = log_of(tmp_path, [("00A1", "DET2"), ("0043", "DET2")], data)
    assert column(log, "width").tolist() == [9.0] * 4
    assert said(log, "equal share") == 1


def test_sections_are_ordered_by_number_where_none_says_its_place(tmp_path: Path) -> None:
    data = run([[(0, word([1, 0, 1]))]])
    log = log_of(tmp_path, [("00A1", "DET2")], data, bar([4.0, 5.0, 6.0], offsets=False))
    assert column(log, "width").tolist() == [4.0, 5.0, 6.0]


def test_a_machine_with_other_sections_than_the_log_is_told(tmp_path: Path) -> None:
    log = log_of(tmp_path, [("00A1", "DET2")], run([[(0, word([1, 0]))]]), bar([4.0, 5.0, 6.0]))
    assert log.sections == 2
    assert said(log, "describes 3 sections and the log 2") == 1
    assert "width" not in log.roles, "the machine's widths belong to other sections"


def test_sections_that_log_each_for_itself(tmp_path: Path) -> None:
    keys = [(ddi, f"DET{number}") for ddi in ("0007", "008D") for number in (4, 3)]
    data = run([[(0, 2000), (1, 1000), (2, 0), (3, 1)]])
    log = log_of(tmp_path, keys, data, bar([4.0, 5.0]))
    assert log.sections == 2
    assert column(log, "applied").tolist() == [10.0, 20.0]
    assert column(log, "on").tolist() == [1.0, 0.0]
    assert column(log, "width").tolist() == [4.0, 5.0]


def test_a_work_state_of_the_whole_bar(tmp_path: Path) -> None:
    log = log_of(tmp_path, [("008D", "DET1")], run([[(0, 1)], [(0, 0)], []]), bar([4.0, 5.0]))
    assert column(log, "on").tolist() == [1.0, 0.0, 0.0]
    assert column(log, "width").tolist() == [9.0] * 3


def test_states_of_two_bars_are_not_mixed(tmp_path: Path) -> None:
    log = log_of(tmp_path, [("00A1", "DET2"), ("00A1", "DET9")], run([[(0, word([1, 0])), (1, word([0, 1]))]]))
    assert "on" not in log.roles
    assert said(log, "2 elements of the machine log states of sections") == 1


def test_no_section_installed_is_told(tmp_path: Path) -> None:
    log = log_of(tmp_path, [("00A1", "DET2")], run([[(0, -1)]]))
    assert said(log, "no section is installed") == 1
    assert "on" not in log.roles


def test_a_state_before_the_first_one_logged_is_unknown(tmp_path: Path) -> None:
    log = log_of(tmp_path, [("00A1", "DET2")], run([[], [(0, word([1, 0]))]]))
    assert np.isnan(column(log, "on")[:2]).all()


@pytest.mark.parametrize(
    ("name", "say", "unit", "told"),
    [
        ("NH3 82-0-0", False, "kg NH3/ha", "called 'NH3 82-0-0'; it is taken as ammonia"),
        ("UAN 32", False, "kg/ha", "called 'UAN 32', and that does not say that it is anhydrous ammonia"),
        ("UAN 32", True, "kg NH3/ha", "called 'UAN 32'; it is taken as ammonia because --take-as-ammonia says so"),
        ("", False, "kg/ha", "the task names no product; if it is anhydrous ammonia, say --take-as-ammonia"),
        ("", True, "kg NH3/ha", "the task names no product; it is taken as ammonia because"),
    ],
)
def test_a_product_is_ammonia_by_its_name_or_the_users_word(
    tmp_path: Path, name: str, say: bool, unit: str, told: str
) -> None:
    task = log_task("TLG00001").replace("</TSK>", element("PAN", A="PDT1") + "</TSK>")
    keys = [("0007", "DET1"), ("002A", "DET1")]
    path = taskdata(tmp_path, element("PDT", A="PDT1", B=name), task,
                    files=log_files("TLG00001", header(keys), run([[(0, 28000), (1, 10**6)]] * 9)))  # fmt: skip
    log = read_task_log(path, take_as_ammonia=say)
    assert said(log, told) == 1
    assert log.roles["applied"][1] == unit and ("flow" in log.roles) == (unit == "kg NH3/ha")
    options = {"bar_width": 10.0, "take_as_ammonia": say}
    if unit == "kg/ha":
        with pytest.raises(QuantityError, match="kg/ha does not say how much nitrogen is in it"):
            read_log(path, **options)  # type: ignore[arg-type]
        # 28,000 mg/m2 of a product with 32 % nitrogen, by hand.
        found = read_log(path, nitrogen="0.32", **options)  # type: ignore[arg-type]
        assert found.log.applied == pytest.approx(0.028 * 0.32)
    else:
        assert read_log(path, **options).log.applied == pytest.approx(0.028 * 0.82)  # type: ignore[arg-type]


@pytest.mark.parametrize(("whole", "differs"), [(1550, None), (1800, "16.1 % more"), (1200, "22.6 % less")])
def test_sections_win_over_the_bar_that_logs_too(tmp_path: Path, whole: int, differs: str | None) -> None:
    # Sections of 4 and 5 m at 10 and 20 kg/ha are together (4 x 10 + 5 x 20) / 9 = 15.56 kg/ha, by hand.
    keys = [("0007", "DET2"), ("0007", "DET4"), ("0007", "DET3"), ("008D", "DET2"), ("008D", "DET3"), ("008D", "DET4")]
    data = run([[(0, whole), (1, 2000), (2, 1000), (3, 1), (4, 1), (5, 1)]] * 3)
    log = log_of(tmp_path, keys, data, bar([4.0, 5.0]))
    assert log.sections == 2
    assert column(log, "applied").tolist() == [10.0, 20.0] * 3
    assert column(log, "on").tolist() == [1.0] * 6
    assert said(log, "than its sections together as applied (0007); the sections count") == (differs is not None)
    if differs is not None:
        assert said(log, f"the whole bar logs {differs.replace('16.1', '15.7').replace('22.6', '22.9')} than") == 1


def test_flows_of_sections_are_added_up_before_they_are_compared(tmp_path: Path) -> None:
    keys = [("002A", "DET2"), ("002A", "DET3"), ("002A", "DET4"), ("0007", "DET3"), ("0007", "DET4")]
    log = log_of(tmp_path, keys, run([[(0, 9000), (1, 4000), (2, 5000), (3, 1000), (4, 1000)]]), bar([4.0, 5.0]))
    assert column(log, "flow") == pytest.approx([4e3 * 60e-6, 5e3 * 60e-6])
    assert said(log, "the sections count") == 0


def hung(ahead: int, right: int, *, tractor: bool, more: tuple[tuple[str, int, int, int], ...] = ()) -> str:
    """A bar with its middle so far from its reference point [mm]; the antenna 2 m ahead of the axle of a tractor that
    carries it by a connector 1 m behind, or 1 m ahead and 0.3 m left of the bar's own reference point."""

    def machine(key: str, *parts: tuple[str, int, int, int]) -> str:
        inner = []
        for det, kind, x, y in parts:
            links = [element("DOR", A=f"{det[3:]}1"), element("DOR", A=f"{det[3:]}2")]
            inner += [element("DET", *links, A=det, B=det[3:], C=kind, E=0, F=0)]
            inner += [element("DPT", A=f"{det[3:]}{at_}", B=ddi, C=value)
                      for at_, ddi, value in ((1, "0086", x), (2, "0087", y))]  # fmt: skip
        return element("DVC", *inner, A=key, D="00")

    if tractor:
        front = machine("DVC2", ("DET21", 7, 2000, -100), ("DET22", 6, -1000, 0))
        return front + machine("DVC1", ("DET11", 6, 500, 0), ("DET12", 2, ahead, right), *more)
    return machine("DVC1", ("DET11", 7, 1000, -300), ("DET12", 2, ahead, right))


@pytest.mark.parametrize("tractor", [True, False])
def test_the_ground_of_a_bar_is_found_from_the_antenna(tmp_path: Path, tractor: bool) -> None:
    # A serpentine of 12 passes of 150 m, 6 m apart, 2 m a record, the bar's middle on them: the truth. The antenna is
    # where the machine says, in a frame of its own: 1 degree of latitude and longitude in metres by GRS 80 geodesics.
    import pyproj
    import shapely

    x, y = np.tile(np.arange(0.0, 150.1, 2.0), (12, 1)), np.repeat(6.0 * np.arange(12.0)[:, None], 76, axis=1)
    x[1::2] = x[1::2, ::-1]
    sense = np.where(np.arange(12) % 2, -1.0, 1.0)[:, None]
    ahead, right = (-2.0 - 1.0 - 0.5 - 4.0, 0.5 + 0.1) if tractor else (-4.0 - 1.0, 0.5 + 0.3)
    antenna_x, antenna_y = x - sense * ahead, y + sense * right
    plane = pyproj.Transformer.from_crs("+proj=laea +lat_0=42 +lon_0=-95 +datum=WGS84", 4326, always_xy=True)
    lon, lat = plane.transform(antenna_x.ravel(), antenna_y.ravel())
    data = b"".join(
        record(NOON + 1000 * s, DAY, at(*place), [(0, 1000)]) for s, place in enumerate(zip(lon, lat, strict=True))
    )
    log = log_of(tmp_path, [("0007", "DET12")], data, hung(-4000, 500, tractor=tractor))
    assert said(log, f"the middle of the bar, which lies {-ahead:.2f} m behind and {right:.2f} m to the right of") == 1
    back = plane.transform(column(log, "lon"), column(log, "lat"), direction="INVERSE")

    def ground(east: np.ndarray, north: np.ndarray) -> shapely.Geometry:
        rows = (np.reshape(each, (12, 76)) for each in (east, north))
        lines = [shapely.LineString(np.column_stack(row)) for row in zip(*rows, strict=True)]
        return shapely.union_all(shapely.buffer(lines, 3.0, cap_style="flat"))

    truth = ground(x, y)
    away = [shapely.area(shapely.symmetric_difference(ground(*each), truth)) / truth.area
            for each in ((antenna_x, antenna_y), back)]  # fmt: skip
    assert away[0] > 0.05 and away[1] < 0.01, away
    assert np.hypot(back[0] - x.ravel(), back[1] - y.ravel()).max() < 0.05


def straight(
    tmp_path: Path, machine: str, *, joined: str = "", logged: list[tuple[str, str, int]] | None = None
) -> TaskLog:
    """A log northward from 42 degrees, 2.2 m a second, of the machine; `joined` stands in the task."""
    once = logged or []
    keys = [("0007", "DET12"), *((ddi, key) for ddi, key, _ in once)]
    values = [[(0, 1000), *((1 + at, value) for at, (_, _, value) in enumerate(once) if s == 1)] for s in range(20)]
    files = log_files("TLG00001", header(keys), run(values))
    task_ = log_task("TLG00001").replace("</TSK>", f"{joined}</TSK>")
    return read_task_log(taskdata(tmp_path, machine, task_, files=files), take_as_ammonia=True)


def test_the_task_says_which_connectors_are_joined(tmp_path: Path) -> None:
    """Two connectors on the bar: 0.5 m and 3 m ahead of its reference point. Nothing tells without CNN; with it, the
    one that is joined counts: antenna 2 m ahead of the axle, hitch 1 m behind, then 3 m more, then 4 m to the bar."""
    machine = hung(-4000, 500, tractor=True, more=(("DET13", 6, 3000, 0),))
    unknown = straight(tmp_path / "a", machine)
    assert said(unknown, "4.00 m behind and 0.50 m to the right of the machine's reference point, where") == 1
    for name, connectors in (("b", "A=DVC2 B=DET22 C=DVC1 D=DET13"), ("c", "A=DVC1 B=DET13 C=DVC2 D=DET22")):
        link = element("CNN", **dict(pair.split("=") for pair in connectors.split()))
        log = straight(tmp_path / name, machine, joined=link)
        assert said(log, "10.00 m behind and 0.60 m to the right of the antenna") == 1
        assert column(log, "lat")[10] == pytest.approx(42.0 + 10 * 2e-5 - 10.0 / 111_077.0, abs=2e-8)


def test_logged_offsets_count_over_described_ones(tmp_path: Path) -> None:
    machine = hung(-4000, 500, tractor=False)
    log = straight(tmp_path / "a", machine, logged=[("0086", "DET12", -5000), ("0087", "DET12", 0)])
    assert said(log, "6.00 m behind and 0.30 m to the right of the antenna") == 1
    assert not any("offset" in name for name in log.names)
    values = [[(0, 1000), (1, -5000 - 100 * (s > 10))] for s in range(20)]
    files = log_files("TLG00001", header([("0007", "DET12"), ("0086", "DET12")]), run(values))
    log = read_task_log(taskdata(tmp_path / "b", machine, log_task("TLG00001"), files=files), take_as_ammonia=True)
    assert said(log, "the log moves element DET12 by 0.10 m (0086); the median is taken") == 1


def test_a_bar_stays_behind_a_machine_that_backs_up(tmp_path: Path) -> None:
    """60 m north at 2 m a second, 8 m back at 0.5 m a second with a stop before, then on: the bar is 5 m south of the
    antenna all the time. The other way round, the short way in first, it is the same."""
    north = np.concatenate([np.arange(0, 60, 2.0), np.full(5, 60.0), np.arange(60, 52, -0.5), np.arange(52, 120, 2.0)])
    for name, way in (("on", north), ("in", np.concatenate([np.arange(8, 0, -0.5), np.arange(0, 80, 2.0)]))):
        jitter = np.random.default_rng(1).normal(0.0, 0.01, way.size)
        places = [at(-95.0, 42.0 + (y + off) / 111_077.0) for y, off in zip(way, jitter, strict=True)]
        data = b"".join(record(NOON + 1000 * s, DAY, place, [(0, 1000)]) for s, place in enumerate(places))
        log = log_of(tmp_path / name, [("0007", "DET12")], data, hung(-4000, -300, tractor=False))
        behind = (np.array([place["A"] for place in places]) / 1e7 - column(log, "lat")) * 111_077.0
        assert np.abs(behind - 5.0).max() < 0.2, (name, behind.round(1))
        (told,) = [note.text for note in log.notes if "backed up" in note.text]
        # 16 records of 0.5 m, and as many as it stood still.
        assert 15 <= int(told.split("against it in ")[1].split()[0]) <= 22


def test_where_to_and_fro_are_as_long_it_is_said_that_ahead_is_not_known(tmp_path: Path) -> None:
    """40 m north and 40 m back on the same line: either may be the way ahead."""
    way = np.concatenate([np.arange(0, 40, 2.0), np.arange(40, 0, -2.0)])
    data = b"".join(
        record(NOON + 1000 * s, DAY, at(-95.0, 42.0 + y / 111_077.0), [(0, 1000)]) for s, y in enumerate(way)
    )
    log = log_of(tmp_path / "to and fro", [("0007", "DET12")], data, hung(-4000, -300, tractor=False))
    (told,) = [note for note in log.notes if "to and fro" in note.text]
    assert told.count == way.size and "the bar may lie on the other side" in told.text
    # Straight on there is no doubt, and feet are said where metres are not wanted.
    log = straight(tmp_path / "on", hung(-4000, -300, tractor=False))
    assert not any("to and fro" in note.text for note in log.notes)
    (told,) = [note for note in log.notes if "middle of the bar" in note.text]
    assert "16.40 ft behind" in told.said("us") and "5.00 m behind" in told.said("metric")


def test_offsets_without_an_antenna_count_from_the_reference_point(tmp_path: Path) -> None:
    alone = bar([4.0, 5.0]).replace('B="0046"', 'B="0086"')
    log = log_of(tmp_path, [("0007", "DET1")], run([[(0, 1)]] * 5), alone)
    place = "4.50 m ahead of and 0.25 m to the left of the machine's reference point, where the antenna is taken to be"
    assert said(log, f"{place} since nothing says") == 1
    assert column(log, "lat")[2] == pytest.approx(42.0 + 4e-5 + 4.5 / 111_077.0, abs=2e-8)


def test_a_volume_is_counted_at_the_temperature_said(tmp_path: Path) -> None:
    from geoflow.options.typed import ComparisonOptions, LogOptions
    from geoflow.workflow.reconciling import reconcile_file

    keys = [("0002", "DET1"), ("0001", "DET1")]
    files = log_files("TLG00001", header(keys), run([[(0, 2_000_000), (1, 2_000_000)]] * 60))
    path = taskdata(tmp_path, element("PDT", A="PDT1", B="NH3"), log_task("TLG00001"), files=files)
    for said_, kelvin in (("60 degF", 288.7056), ("0 degC", 273.15)):
        # CoolProp's saturated liquid, asked for without geoflow [kg/m3].
        density = CoolProp.CoolProp.PropsSI("D", "T", kelvin, "Q", 0.0, "Ammonia")
        options = LogOptions(width="10 m", volume_temperature=said_)
        found = reconcile_file(str(path), ComparisonOptions(), options)
        # 200 L/ha is 2e-5 m3/m2.
        assert found.read.log.applied == pytest.approx(2e-5 * density * 0.82, rel=1e-3)
        assert found.read.log.target == pytest.approx(found.read.log.applied)
    with pytest.raises(QuantityError, match="needs the temperature"):
        reconcile_file(str(path), ComparisonOptions(), LogOptions(width="10 m"))


def test_variables_not_used_are_listed(tmp_path: Path) -> None:
    log = log_of(tmp_path, [("0007", "DET1"), ("DFFF", "DET1"), ("0090", "DET1")], run([[(0, 1), (1, 2), (2, 3)]]))
    assert said(log, "dictionary numbers 0090, DFFF") == 1


def test_a_wrong_length_and_a_missing_part_are_told(tmp_path: Path) -> None:
    files = log_files("TLG00001", header([("0007", "DET1")]), run([[(0, 1)]]))
    task = log_task("TLG00001", "TLG00002", B=7)
    log = read_task_log(taskdata(tmp_path, task, files={**files, "TLG00002.XML": header([])}))
    assert said(log, "holds 21 bytes where the file says 7") == 1
    assert said(log, "TLG00002.BIN is missing") == 1


def refusal(path: Path, layer: str | None = None) -> LogError:
    with pytest.raises(LogError) as caught:
        read_task_log(path, layer=layer)
    assert caught.value.what and caught.value.where and caught.value.cure
    return caught.value


def test_what_is_no_log_is_refused(tmp_path: Path) -> None:
    assert "1 task holds a prescription" in refusal(taskdata(tmp_path / "a", two_zones())).what
    assert "no TASKDATA.XML" in refusal(tmp_path).what
    none = taskdata(tmp_path / "b", log_task("TLG00001"))
    assert "hold no record" in refusal(none).what
    empty = taskdata(tmp_path / "c", log_task("TLG00001"), files=log_files("TLG00001", header([]), b""))
    assert "hold no record" in refusal(empty).what
    headless = taskdata(tmp_path / "d", log_task("TLG00001"), files=log_files("TLG00001", "<TIM/>", b"abc"))
    assert "says nothing of its records" in refusal(headless).what
    broken = taskdata(tmp_path / "e", log_task("TLG00001"), files=log_files("TLG00001", "<TIM", b"abc"))
    assert "TLG00001.XML, line 1" in refusal(broken).where


def test_several_tasks_with_logs_need_a_name(tmp_path: Path) -> None:
    files = log_files("TLG00001", header([("0007", "DET1")]), run([[(0, 100)]]))
    files |= log_files("TLG00002", header([("0007", "DET1")]), run([[(0, 200)]]))
    tasks = (
        log_task("TLG00001"),
        log_task("TLG00002", key="TSK2", title="Side-dress"),
        two_zones().replace("TSK1", "TSK3"),
    )
    path = taskdata(tmp_path, *tasks, files=files)
    problem = refusal(path)
    assert "2 tasks hold time logs" in problem.what
    assert "--layer TSK2   'Side-dress'" in problem.cure
    assert column(read_task_log(path, layer="side-dress"), "applied").tolist() == [2.0]
    assert "did you mean" in refusal(path, "Sprong").what
    assert "no task with time logs is called 'TSK3'" in refusal(path, "TSK3").what


def test_too_many_records_at_once_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("geoflow.isoxml.time_logs._MOST_ROWS", 3)
    files = log_files("TLG00001", header([("00A1", "DET2")]), run([[(0, word([1, 0]))]] * 2))
    path = taskdata(tmp_path / "a", log_task("TLG00001"), files=files)
    assert "4 rows" in refusal(path).what
    monkeypatch.setattr("geoflow.isoxml.binary_log._MOST_NUMBERS", 1)
    with pytest.raises(PrescriptionError, match="too many at once"):
        decode(header([("0007", "DET1")]), run([[], []]))
