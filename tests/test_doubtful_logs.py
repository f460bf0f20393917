"""Logs that cannot be believed as they stand, and sections under any name: made up here, with the truth known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas
import pytest
from log_files import degrees, stamps

from geoflow.base.errors import GeoflowError
from geoflow.ground.applied_log import AppliedLog
from geoflow.log_files.read_log import ReadLog, read_log

ROWS, WIDE, STEP = 60, 12.0, 2.0


def passes(count: int = 6, *, wide: float = WIDE, x0: float = 0.0, step: float = STEP) -> tuple[np.ndarray, np.ndarray]:
    """Positions of passes there and back, from west to east."""
    along = np.arange(ROWS) * step
    x = np.repeat(x0 + wide * np.arange(count), ROWS)
    y = np.concatenate([along if number % 2 == 0 else along[::-1] for number in range(count)])
    return x, y


def table(x: np.ndarray, y: np.ndarray, **more: object) -> pandas.DataFrame:
    lon, lat = degrees(x, y)
    usual = {"lon": np.round(lon, 9), "lat": np.round(lat, 9), "applied (kg N/ha)": 168.0, "width (m)": WIDE}
    return pandas.DataFrame(usual | more)


def clock(count: int, lift: int = 20) -> list[str]:
    return stamps([at + lift * (at // ROWS) for at in range(count)])


def read(folder: Path, frame: pandas.DataFrame, **options: object) -> ReadLog:
    frame.to_csv(folder / "log.csv", index=False)
    return read_log(folder / "log.csv", **options)  # type: ignore[arg-type]


def refusal(folder: Path, frame: pandas.DataFrame, **options: object) -> str:
    with pytest.raises(GeoflowError) as caught:
        read(folder, frame, **options)
    return str(caught.value)


def nitrogen(log: AppliedLog) -> float:
    return float(np.nansum((log.applied * log.step * log.width)[log.on]))


# Rows in no order


def a_third_moved(count: int) -> np.ndarray:
    rows = np.arange(count)
    rows[::3] = np.random.default_rng(4).permutation(rows[::3])
    return rows


DISORDERS = {
    "shuffled": lambda frame: frame.sample(frac=1.0, random_state=3),
    "by latitude": lambda frame: frame.sort_values("lat", kind="stable"),
    "backwards by latitude": lambda frame: frame.sort_values("lat", ascending=False, kind="stable"),
    "a third of the rows moved": lambda frame: frame.iloc[a_third_moved(len(frame))],
}


@pytest.mark.parametrize("how", DISORDERS)
@pytest.mark.parametrize("count", [6, 40])
def test_rows_in_no_order_without_times_are_refused(how: str, count: int, tmp_path: Path) -> None:
    x, y = passes(count)
    said = refusal(tmp_path, DISORDERS[how](table(x, y)))
    assert "in no order that a machine can have driven" in said
    assert '--column "time=NAME"' in said


@pytest.mark.parametrize("beside", [WIDE, 2.0, 0.1, 0.0])
@pytest.mark.parametrize("step", [0.2, 2.0, 15.0])
def test_an_order_that_was_driven_is_believed(beside: float, step: float, tmp_path: Path) -> None:
    """Passes beside each other, half over each other or three on the very same line, densely or sparsely logged."""
    x, y = passes(6 if beside == WIDE else 3, wide=beside, step=step)
    found = read(tmp_path, table(x, y))
    assert found.log.row.tolist() == list(range(x.size))
    assert found.dropped == {}


def test_a_receiver_at_rest_is_in_order(tmp_path: Path) -> None:
    x, y = passes()
    draw = np.random.default_rng(1)
    x, y = np.r_[x, x[-1] + draw.normal(0, 0.3, 400)], np.r_[y, y[-1] + draw.normal(0, 0.3, 400)]
    assert read(tmp_path, table(x, y)).kept == x.size


def test_the_number_of_the_record_puts_shuffled_rows_in_order(tmp_path: Path) -> None:
    x, y = passes()
    frame = table(x, y, OBJECTID=np.arange(x.size) + 1, moisture=np.random.default_rng(1).uniform(10, 20, x.size))
    straight, shuffled = read(tmp_path, frame), read(tmp_path, frame.sample(frac=1.0, random_state=3))
    assert nitrogen(shuffled.log) == pytest.approx(nitrogen(straight.log), rel=1e-9)
    np.testing.assert_array_equal(shuffled.log.x, straight.log.x)
    assert any("in the order of the column 'OBJECTID'" in note.text for note in shuffled.notes)


def test_turns_that_were_not_logged_are_no_ground(tmp_path: Path) -> None:
    """Without a clock the way over to the next pass is no step: every record stands for 2 m, as it was driven."""
    x, y = passes()
    log = read(tmp_path, table(x, y)).log
    np.testing.assert_allclose(log.step, STEP, rtol=1e-4)  # the log has degrees to 0.1 mm
    assert nitrogen(log) == pytest.approx(0.0168 * STEP * WIDE * x.size, rel=1e-4)
    # A hole on the straight is no turn: what the bar went over stays ground, as the next record's step.
    kept = np.r_[:20, 24 : x.size]
    assert read(tmp_path, table(x[kept], y[kept])).log.step.sum() == pytest.approx(STEP * x.size, rel=1e-4)


def test_shuffled_rows_with_times_need_no_help(tmp_path: Path) -> None:
    x, y = passes()
    frame = table(x, y, time=clock(x.size))
    assert nitrogen(read(tmp_path, frame.sample(frac=1.0, random_state=3)).log) == nitrogen(read(tmp_path, frame).log)


# Two machines


@pytest.mark.parametrize("apart", [9.0, 15.0, 35.0, 300.0])
@pytest.mark.parametrize("timed", [True, False])
def test_two_machines_line_by_line_are_refused(apart: float, timed: bool, tmp_path: Path) -> None:
    x, y = passes(1)
    mixed = np.arange(2 * x.size) % 2 == 1
    x, y = np.repeat(x, 2) + apart * mixed, np.repeat(y, 2) + 7.0 * mixed
    more = {"time": stamps(np.arange(x.size))} if timed else {}
    said = refusal(tmp_path, table(x, y, **more))
    assert "export each machine to its own file" in said
    # Where a column tells the sections, nothing is to be named.
    assert "name their column" not in refusal(tmp_path, table(x, y, Section="whole", **more))


# What was left out


def test_what_was_left_out_is_said_first(tmp_path: Path) -> None:
    x, y = passes()
    few, many = table(x, y, time=clock(x.size)), table(x, y, time=clock(x.size))
    few.loc[:1, "lon"] = np.nan
    many.loc[100:111, "lon"] = 0.0
    many.loc[100:111, "lat"] = 0.0
    assert read(tmp_path, few).doubts == ()
    (doubt,) = read(tmp_path, many).doubts
    assert "no position 12" in doubt.text
    assert "3.3 % of the ground and 3.3 % of the nitrogen" in doubt.text
    # Records that gave nothing are no loss.
    many.loc[100:111, "applied (kg N/ha)"] = 0.0
    assert read(tmp_path, many).doubts == ()


def test_a_target_of_nothing_is_no_target(tmp_path: Path) -> None:
    x, y = passes()
    found = read(tmp_path, table(x, y, **{"target (kg N/ha)": 0.0}))
    assert not np.isfinite(found.log.target).any()
    assert "is zero in every record" in found.doubts[0].text
    one = read(tmp_path, table(x, y, **{"target (kg N/ha)": 170.0}))
    assert np.isfinite(one.log.target).all() and one.doubts == ()
    assert any("one and the same throughout" in note.text for note in one.notes)


# Sections under any name


WIDTHS = [1.5, 2.0, 1.0, 3.0, 1.0, 2.0, 1.5]
MIDDLES = np.cumsum(WIDTHS) - np.array(WIDTHS) / 2 - sum(WIDTHS) / 2
NAMES = {
    "from one": [1, 2, 3, 4, 5, 6, 7],
    "any numbers": [842, 839, 1203, 77, 900, 12, 500],
    "words": ["L3", "L2", "L1", "mid", "R1", "R2", "R3"],
    "big words": ["tango", "alpha", "zulu", "kilo", "bravo", "yankee", "delta"],
}


def by_section(names: list[object], *, own: bool = True, timed: bool = True, count: int = 4) -> pandas.DataFrame:
    """One row for each of seven sections a second; the sections' own rates tell them apart."""
    x, y = passes(count)
    way = np.where(np.arange(x.size) // ROWS % 2 == 0, 1.0, -1.0)  # right is east going north
    offset = MIDDLES[None, :] * way[:, None] * own
    rates = 150.0 + 5.0 * np.arange(7)
    frame = table(
        (x[:, None] + offset).ravel(), np.repeat(y, 7), Section=list(names) * x.size,
        **{"applied (kg N/ha)": np.tile(rates, x.size)},
    ).drop(columns="width (m)")  # fmt: skip
    if timed:
        frame["time"] = np.repeat(clock(x.size), 7)
    return frame


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("timed", [True, False])
def test_seven_sections_are_seven_sections_whatever_they_are_called(name: str, timed: bool, tmp_path: Path) -> None:
    frame = by_section(NAMES[name], timed=timed)
    found = read(tmp_path, frame, section_widths=WIDTHS)
    log = found.log
    # From the left, by their own places: the rates tell which is which.
    np.testing.assert_array_equal(log.section, np.rint((log.applied * 1e4 - 150.0) / 5.0).astype(int))
    np.testing.assert_allclose(log.width, np.array(WIDTHS)[log.section])
    plain = read(tmp_path, by_section(NAMES["from one"], timed=timed), section_widths=WIDTHS)
    assert nitrogen(log) == pytest.approx(nitrogen(plain.log), rel=1e-12)
    assert any(
        "sections from the left: " + ", ".join(str(each) for each in NAMES[name]).casefold() in note.text
        for note in found.notes
    )


@pytest.mark.parametrize("own", [True, False])
def test_a_number_for_every_recording(own: bool, tmp_path: Path) -> None:
    """Each pass a recording with seven names of its own: still seven sections."""
    frame = by_section(NAMES["from one"], own=own)
    recording = np.arange(len(frame)) // (7 * ROWS)
    frame["Section"] = 5000 - 100 * recording + np.tile(np.arange(7), len(frame) // 7)
    log = read(tmp_path, frame, section_widths=WIDTHS).log
    np.testing.assert_array_equal(log.section, np.rint((log.applied * 1e4 - 150.0) / 5.0).astype(int))
    plain = read(tmp_path, by_section(NAMES["from one"], own=own), section_widths=WIDTHS).log
    assert nitrogen(log) == pytest.approx(nitrogen(plain), rel=1e-12)
    np.testing.assert_allclose(np.bincount(log.section, log.step), np.bincount(plain.section, plain.step))


def test_sections_that_are_off_at_times_keep_their_places(tmp_path: Path) -> None:
    frame = by_section(NAMES["any numbers"])
    kept = np.random.default_rng(6).random(len(frame)) > 0.4
    kept[: 7 * 20] = np.tile(np.arange(7) > 3, 20)
    log = read(tmp_path, frame[kept], section_widths=WIDTHS).log
    np.testing.assert_array_equal(log.section, np.rint((log.applied * 1e4 - 150.0) / 5.0).astype(int))


def test_the_order_of_the_bar_only_where_there_is_one_position(tmp_path: Path) -> None:
    one = read(tmp_path, by_section(NAMES["any numbers"], own=False), section_widths=WIDTHS).log
    ranks = np.argsort(np.argsort(NAMES["any numbers"]))
    np.testing.assert_array_equal(one.section, ranks[np.rint((one.applied * 1e4 - 150.0) / 5.0).astype(int)])
    assert "nothing says in which order" in refusal(
        tmp_path, by_section(NAMES["big words"], own=False), section_widths=WIDTHS
    )


def test_more_than_a_bar_can_have(tmp_path: Path) -> None:
    x, y = passes()
    assert "360 different sections" in refusal(tmp_path, table(x, y, Section=np.arange(x.size)))
    assert "7 sections side by side and the bar file 4" in refusal(
        tmp_path, by_section(NAMES["words"]), section_widths=WIDTHS[:4]
    )
    few = by_section(NAMES["any numbers"], own=False)
    few = few[few["Section"].isin([842, 839])]
    assert "section 842 is beyond the 7 sections" in refusal(tmp_path, few, section_widths=WIDTHS)


@pytest.mark.parametrize("own", [True, False])
@pytest.mark.parametrize("timed", [True, False])
def test_records_of_one_moment_are_sections_without_being_told(own: bool, timed: bool, tmp_path: Path) -> None:
    """Also without a clock, where as many records come round and round; passes begin straight beside the one before."""
    frame = by_section(NAMES["from one"], own=own, timed=timed)
    told = read(tmp_path, frame, section_widths=WIDTHS).log
    found = read(tmp_path, frame.drop(columns="Section"), section_widths=WIDTHS)
    np.testing.assert_array_equal(found.log.section, told.section)
    assert nitrogen(found.log) == pytest.approx(nitrogen(told), rel=1e-12)
    assert any("one for each section" in note.text for note in found.notes)
    if not own:
        said = refusal(tmp_path, frame.drop(columns="Section"), section_widths=WIDTHS[:3])
        assert "7 records of every moment at one position" in said and "section=NAME" in said


@pytest.mark.parametrize("timed", [True, False])
def test_sections_that_cannot_be_told_apart_are_refused(timed: bool, tmp_path: Path) -> None:
    """Sections that log only while they are on, without a column that says which: no moment has all of them."""
    frame = by_section(NAMES["from one"], timed=timed).drop(columns="Section")
    frame = frame[np.random.default_rng(6).random(len(frame)) > 0.3]
    said = refusal(tmp_path, frame, section_widths=WIDTHS)
    assert "are taken back at once" in said and 'section=NAME"' in said


def test_a_coarse_clock_is_no_section(tmp_path: Path) -> None:
    """Five records in every second of the clock, one behind the other."""
    x, y = passes(step=0.4)
    found = read(tmp_path, table(x, y, time=stamps([at // 5 + 20 * (at // ROWS) for at in range(x.size)])))
    assert not found.log.section.any()
    assert found.kept == x.size
