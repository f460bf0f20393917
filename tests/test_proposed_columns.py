"""Log columns in many dialects made by script, the truth known: which run, which need --accept, which must ask."""

from __future__ import annotations

import contextlib
import io
import json
import shlex
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pytest
import shapely
from log_files import degrees, stamps, write_csv

from geoflow import cli
from geoflow.base.errors import LogError
from geoflow.log_files import column_names
from geoflow.log_files.read_log import ReadLog, read_log

LB_AC = 0.45359237 / 4046.8564224
FOOT, MPH, PSI, POUND = 0.3048, 0.44704, 6894.757293168, 0.45359237
ROWS, FAST, WIDE = 60, 2.0, 12.192  # 2 m/s, 40 ft
RATE = 150.0 + 10.0 * np.sin(np.arange(ROWS) / 5.0)  # lb N/ac
FLOW = RATE * LB_AC / 0.82 * FAST * WIDE / POUND * 60.0  # lb NH3/min: rate over nitrogen fraction, speed and width
AFTER, PUMP, TANK = 60.0 + np.arange(ROWS) % 5, 95.0 + np.arange(ROWS) % 3, 62.0 + np.zeros(ROWS)
LON, LAT = degrees(np.zeros(ROWS), FAST * np.arange(ROWS))
WHEN = stamps(range(ROWS))
STATUS = np.r_[np.zeros(3, int), np.ones(ROWS - 3, int)]

Cells = dict[str, Any]


def of(**renamed: tuple[str, Any]) -> Cells:
    """Columns of the log under names of one's own."""
    return dict(renamed.values())


BASE = {"time": ("Time", WHEN), "lon": ("Longitude", LON), "lat": ("Latitude", LAT)}
DIALECTS: dict[str, tuple[Cells, str]] = {
    "full names": (of(**BASE, a=("Applied Rate (lb N/ac)", RATE), t=("Target Rate (lb N/ac)", RATE + 5),
                      w=("Swath Width (ft)", np.full(ROWS, 40.0))), "runs"),
    "column of units": (of(**BASE, a=("Applied Rate", RATE), u=("Applied Rate Unit", ["lb N/ac"] * ROWS),
                           w=("Width", np.full(ROWS, 40.0)), v=("Width Unit", ["ft"] * ROWS)), "runs"),
    "metric": (of(**BASE, a=("Applied rate kg N/ha", RATE * LB_AC * 1e4), w=("Working width m", np.full(ROWS, WIDE)),
                  v=("Speed km/h", np.full(ROWS, 7.2))), "runs"),
    "no clock": (of(lon=BASE["lon"], lat=BASE["lat"], a=("Applied Rate (lb N/ac)", RATE),
                    w=("Width (ft)", np.full(ROWS, 40.0))), "runs"),
    "swapped order": (of(lat=("Latitude", LAT), w=("Width (ft)", np.full(ROWS, 40.0)), t=("Target (lb N/ac)", RATE + 5),
                         a=("Applied (lb N/ac)", RATE), lon=("Longitude", LON), time=("Time", WHEN)), "runs"),
    "words of the trade": (of(**BASE, a=("Rate delivered lb N/ac", RATE), w=("Width (ft)", np.full(ROWS, 40.0)),
                              p=("After valve psi", AFTER), q=("Pump psi", PUMP), k=("Tank temp F", TANK),
                              s=("Status", STATUS)), "accept"),
    "width in other words": (of(**BASE, a=("Applied Rate (lb N/ac)", RATE),
                                w=("Width covered (ft)", np.full(ROWS, 40.0))), "accept"),
    "cut names, unit shown by the flow": (of(time=("TIME", WHEN), lon=("LONGITUDE", LON), lat=("LATITUDE", LAT),
                                             a=("APPLIEDRAT", RATE), f=("Flow (lb NH3/min)", FLOW),
                                             v=("Speed (m/s)", np.full(ROWS, FAST)),
                                             w=("Width (ft)", np.full(ROWS, 40.0))), "accept"),
    "cut names": (of(time=("TIME", WHEN), lon=("LONGITUDE", LON), lat=("LATITUDE", LAT), a=("APPLIEDRAT", RATE),
                     w=("Width (ft)", np.full(ROWS, 40.0))), "ask"),
    "opaque ids": (of(**BASE, i=("OBJECTID", np.arange(ROWS)), y=("YEAR", np.full(ROWS, 2026)), a=("F17", RATE),
                      w=("F18", np.full(ROWS, 40.0))), "ask"),
    "made-up words": (of(**BASE, a=("Brillig", RATE), w=("Slithy", np.full(ROWS, 40.0))), "ask"),
    "several products": (of(**BASE, a=("Applied product 1 lb N/ac", RATE), b=("Applied product 2 lb N/ac", RATE / 9),
                            w=("Width (ft)", np.full(ROWS, 40.0))), "ask"),
    "product not said": (of(**BASE, a=("Applied Rate (lb/ac)", RATE), w=("Width (ft)", np.full(ROWS, 40.0))), "ask"),
}  # fmt: skip


def true_to(read: ReadLog) -> None:
    """Hold what was read against what the script put in."""
    order = np.argsort(read.log.row)
    np.testing.assert_allclose(read.log.applied[order], RATE[read.log.row[order]] * LB_AC, rtol=1e-6)
    np.testing.assert_allclose(read.log.width, WIDE, rtol=1e-6)
    if read.clock is not None:
        np.testing.assert_allclose(read.log.speed, FAST, rtol=1e-3)
    for logged, truth in ((read.log.bar_pressure, AFTER), (read.log.pump_pressure, PUMP)):
        if np.isfinite(logged).any():
            np.testing.assert_allclose(logged[order], truth[read.log.row[order]] * PSI + 101_325.0, rtol=1e-6)


@pytest.mark.parametrize("dialect", DIALECTS)
def test_no_dialect_is_silently_wrong(tmp_path: Path, dialect: str) -> None:
    cells, expected = DIALECTS[dialect]
    path = write_csv(tmp_path / "log.csv", {name: list(column) for name, column in cells.items()})
    ways: tuple[Callable[[], ReadLog], ...] = (lambda: read_log(path), lambda: read_log(path, accept=True))
    for works, way in zip((expected == "runs", expected != "ask"), ways, strict=True):
        if works:
            true_to(way())
        else:
            with pytest.raises(LogError) as caught:
                way()
            offered = [line for line in caught.value.cure.splitlines() if "--column" in line]
            assert not any(f"={no}" in line for line in offered for no in ("OBJECTID", "YEAR", "Long", "Lat"))


def test_points_of_each_section_with_a_column_of_units_run_and_keep_their_rates(tmp_path: Path) -> None:
    east = np.tile([-3.0, 3.0], ROWS)
    lon, lat = degrees(east, np.repeat(FAST * np.arange(ROWS), 2))
    rate = np.where(east < 0.0, 100.0, 150.0)
    cells = of(time=("Time", list(np.repeat(WHEN, 2))), lon=("Longitude", lon), lat=("Latitude", lat),
               s=("Section", np.tile([839, 12], ROWS)), a=("Applied Rate", rate), u=("Units", ["lb N/ac"] * 2 * ROWS),
               w=("Section Width (m)", np.full(2 * ROWS, 6.0)))  # fmt: skip
    log = read_log(write_csv(tmp_path / "log.csv", {name: list(column) for name, column in cells.items()})).log
    np.testing.assert_allclose(log.applied[log.section == 0], 100.0 * LB_AC)
    np.testing.assert_allclose(log.applied[log.section == 1], 150.0 * LB_AC)


def printed(*arguments: str) -> tuple[int, str, str]:
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = cli.main([*arguments])
    return code, out.getvalue(), err.getvalue()


def test_the_error_prints_the_whole_command_and_that_command_runs(tmp_path: Path) -> None:
    cells, _ = DIALECTS["words of the trade"]
    path = write_csv(tmp_path / "a log.csv", {name: list(column) for name, column in cells.items()})
    given = ["reconcile", str(path), "--units", "metric", "--column", "applied=Rate delivered lb N/ac:UNIT"]
    code, _, said = printed(*given[:4])
    assert code == 2 and "--accept" in said
    line = shlex.split(said.strip().splitlines()[-1])
    assert line[:4] == ["geoflow", "reconcile", str(path), "--units"] and "metric" in line
    assert "bar_pressure=After valve psi:psi" in line and "pump_pressure=Pump psi:psi" in line
    assert "temperature=Tank temp F:degF" in line and "on=Status" in line
    code, out, said = printed(*line[1:], "--json", "-")
    assert code in (0, 1), said
    copied = json.loads(out)["input"]
    code, out, _ = printed(*given[:4], "--accept", "--json", "-")
    accepted = json.loads(out)["input"]
    assert accepted["columns"] == copied["columns"] and copied["accepted"] == []
    assert set(accepted["accepted"]) == {"applied", "bar_pressure", "pump_pressure", "temperature", "on"}
    _, out, _ = printed(*given[:4], "--accept")
    assert "Columns taken as proposed (--accept)" in out.split("Agreement")[0]


def test_only_what_could_be_a_rate_is_offered_as_one_and_in_the_unit_it_states(tmp_path: Path) -> None:
    for dialect, some, none in (
        ("words of the trade", "lb N/ac:lb N/ac", "psi"),
        ("several products", "1 lb N/ac:lb N/ac", 'UNIT"'),
    ):
        path = write_csv(tmp_path / "log.csv", {name: list(column) for name, column in DIALECTS[dialect][0].items()})
        with pytest.raises(LogError) as caught:
            read_log(path)
        assert some in caught.value.cure and none not in caught.value.cure.partition("--nitrogen")[2]


def test_a_role_asked_for_twice_is_not_in_the_copied_command(tmp_path: Path) -> None:
    cells, _ = DIALECTS["width in other words"]
    path = write_csv(tmp_path / "log.csv", {name: list(column) for name, column in cells.items()})
    code, _, said = printed("reconcile", str(path), "--column=speed=-")
    assert code == 2 and "--width" in said and "width=Width covered (ft):ft" in said
    assert "--column=speed=-" in said.strip().splitlines()[-1]


def test_names_cut_to_ten_letters_in_a_shapefile_are_proposed_first(tmp_path: Path) -> None:
    table = geopandas.GeoDataFrame(
        {"AppliedRat": RATE, "TargetRate": RATE + 5, "OBJECTID": np.arange(ROWS), "SwathWidth": np.full(ROWS, 40.0)},
        geometry=shapely.points(LON, LAT), crs=4326,
    )  # fmt: skip
    table.to_file(tmp_path / "log.shp")
    with pytest.raises(LogError) as caught:
        read_log(tmp_path / "log.shp")
    assert "applied=AppliedRat:UNIT" in caught.value.options
    assert "OBJECTID" not in caught.value.cure
    read = read_log(tmp_path / "log.shp", rate_unit="lb N/ac", columns=["width=SwathWidth:ft"], accept=True)
    true_to(read)
    assert read.accepted == ("applied",)


def test_a_rate_that_contradicts_the_flow_says_so_first(tmp_path: Path) -> None:
    cells = of(**BASE, a=("Rate delivered (lb N/ac)", 2.0 * RATE), f=("Flow (lb NH3/min)", FLOW),
               v=("Speed (m/s)", np.full(ROWS, FAST)), w=("Width (ft)", np.full(ROWS, 40.0)))  # fmt: skip
    path = write_csv(tmp_path / "log.csv", {name: list(column) for name, column in cells.items()})
    read = read_log(path, accept=True)
    assert ["2.00 times what the flow" in note.text for note in read.doubts] == [True]


def test_columns_of_units_that_disagree_are_refused(tmp_path: Path) -> None:
    cells, _ = DIALECTS["full names"]
    mixed = {**cells, "Width": np.full(ROWS, 40.0), "Width Unit": ["ft", "m"] * (ROWS // 2)}
    del mixed["Swath Width (ft)"]
    with pytest.raises(LogError, match="several units: ft, m"):
        read_log(write_csv(tmp_path / "log.csv", {name: list(column) for name, column in mixed.items()}))
    other = {**cells, "Swath Width (ft) Unit": ["m"] * ROWS}
    with pytest.raises(LogError, match="says ft and its column of units"):
        read_log(write_csv(tmp_path / "log2.csv", {name: list(column) for name, column in other.items()}))


def test_facts_are_in_the_units_asked_for(tmp_path: Path) -> None:
    cells = of(**BASE, a=("Applied Rate (lb N/ac)", RATE))
    path = write_csv(tmp_path / "log.csv", {name: list(column) for name, column in cells.items()})
    for system, wide, other in (("us", "as wide as the bar, 40.0 ft", "12.19 m"), ("metric", "12.19 m", "40.0 ft")):
        _, out, _ = printed("reconcile", str(path), "--width", "40 ft", "--units", system)
        flat = " ".join(out.split())
        assert wide in flat and other not in flat, flat


def test_no_empty_list_of_columns_is_offered(tmp_path: Path) -> None:
    cells = {name: list(column) for name, column in of(**BASE, n=("Note", ["a"] * ROWS)).items()}
    with pytest.raises(LogError) as caught:
        read_log(write_csv(tmp_path / "log.csv", cells))
    assert "no column holds numbers that could be a rate" in caught.value.cure


def test_what_could_not_be_judged_stands_at_the_top_with_what_could_be_it(tmp_path: Path) -> None:
    cells = of(**BASE, a=("Applied Rate (lb N/ac)", RATE), p=("After valve psi", AFTER), k=("Tank temp F", TANK))
    path = write_csv(tmp_path / "log.csv", {name: list(column) for name, column in cells.items()})
    bar = Path(__file__).parent.parent / "sample_fields" / "wren.toml"
    _, out, said = printed("reconcile", str(path), "--bar", str(bar))
    assert "Not judged for want of columns" in out.split("Nitrogen:")[0], out + said
    assert "'After valve psi'" in out.split("Nitrogen:")[0] and "'Tank temp F'" in out.split("Nitrogen:")[0]


ACRES = of(**BASE, a=("Applied Rate (lb N/ac)", RATE), w=("Width (ft)", np.full(ROWS, 40.0)))


@pytest.mark.parametrize(("unit", "each"), [("mph", MPH), ("km/h", 1 / 3.6), ("m/s", 1.0)])
def test_way_over_time_tells_the_unit_of_a_speed_and_which_column_it_is(tmp_path: Path, unit: str, each: float) -> None:
    """2 m/s by the positions; the other column of a speed is another machine's."""
    log = write_csv(tmp_path / "log.csv", {**ACRES, "Speed": np.full(ROWS, FAST / each)})
    assert "speed" not in read_log(log).columns, "a bare word is nothing certain"
    read = read_log(log, accept=True)
    assert read.columns["speed"] == ("Speed", unit) and "speed" in read.accepted
    assert any("way over time is it" in note.text for note in read.notes)
    both = {**ACRES, "Vehicle spd": np.full(ROWS, FAST / each), "Spd of belt": np.full(ROWS, 3.1 * FAST / each)}
    assert read_log(write_csv(tmp_path / "two.csv", both), accept=True).columns["speed"] == ("Vehicle spd", unit)


def test_a_speed_that_is_not_way_over_time_is_not_proposed(tmp_path: Path) -> None:
    log = write_csv(tmp_path / "log.csv", {**ACRES, "Ground spd (mph)": np.full(ROWS, 2.6 * FAST / MPH)})
    assert "speed" not in read_log(log, accept=True).columns


@pytest.mark.parametrize("rate", ["lb N/ac", "kg N/ha"])
def test_a_bare_width_is_proposed_in_the_unit_of_the_others_that_can_be_believed(tmp_path: Path, rate: str) -> None:
    unit, wide = ("ft", 40.0) if rate == "lb N/ac" else ("m", WIDE)
    cells = of(**BASE, a=(f"Applied Rate ({rate})", RATE), w=("Width", np.full(ROWS, wide)))
    log = write_csv(tmp_path / "log.csv", cells)
    with pytest.raises(LogError, match="nothing says how wide") as caught:
        read_log(log)
    assert f"width=Width:{unit}" in caught.value.cure
    read = read_log(log, accept=True)
    np.testing.assert_allclose(read.log.width, WIDE, rtol=1e-6)
    with pytest.raises(LogError, match="wide"):
        read_log(write_csv(tmp_path / "odd.csv", {**cells, "Width": np.full(ROWS, 900.0)}), accept=True)


def test_a_switch_is_held_against_the_rate(tmp_path: Path) -> None:
    """Of two columns of on and off one is off where nothing flows; the other is off while it flows."""
    off = np.arange(ROWS) % 10 < 3
    cells = {**ACRES, "Applied Rate (lb N/ac)": np.where(off, 0.0, RATE)}
    both = {**cells, "Master state": (np.arange(ROWS) < 5).astype(int), "Boom state": (~off).astype(int)}
    read = read_log(write_csv(tmp_path / "two.csv", both), accept=True)
    assert read.columns["on"][0] == "Boom state"
    assert any("the rate is zero while it is off" in note.text for note in read.notes)
    alone = {**cells, "Master state": off.astype(int)}
    assert "on" not in read_log(write_csv(tmp_path / "one.csv", alone), accept=True).columns


def copied(*arguments: str) -> list[str]:
    """Options of the command that is printed to be copied."""
    code, _, said = printed("reconcile", *arguments)
    assert code == 2 and "proposed, " in said, said
    return shlex.split(said.strip().splitlines()[-1])


def a_log(folder: Path, **columns: object) -> str:
    cells = of(time=("Time", list(WHEN)), lon=("Longitude", LON), lat=("Latitude", LAT)) | columns
    return str(write_csv(folder / "log.csv", {name: list(column) for name, column in cells.items()}))  # type: ignore[call-overload]


def test_the_command_to_copy_has_all_that_is_asked_for(tmp_path: Path) -> None:
    """A rate of no stated product, several columns alike, two clocks: what a person has to write in stands there."""
    wide = {"Width (ft)": np.full(ROWS, 40.0)}
    path = a_log(tmp_path, **wide, **{"Applied Rate": RATE, "Applied Rate Unit": ["lb/ac"] * ROWS})
    line = copied(path)
    assert "applied=Applied Rate:UNIT" in line
    filled = [word.replace(":UNIT", ":lb N/ac") for word in line]
    assert printed(*filled[1:])[0] in (0, 1)
    path = a_log(tmp_path, **wide, **{"Product 1 Rate": RATE, "Product 2 Rate": RATE + 1.0})
    assert "applied=NAME:UNIT" in copied(path)
    assert "applied=NAME:lb N/ac" in copied(path, "--rate-unit", "lb N/ac")
    path = a_log(tmp_path, **wide, **{"UTC Time": list(WHEN), "Applied Rate (lb N/ac)": RATE})
    assert "time=NAME" in copied(path)


def test_the_only_column_of_a_rate_is_proposed(tmp_path: Path) -> None:
    """`AppRate` and `TgtRate`, as a map file cuts them; and a bare `Rate` with no other beside it."""
    wide = {"Width (ft)": np.full(ROWS, 40.0)}
    path = a_log(tmp_path, **wide, AppRate=RATE, TgtRate=RATE + 2.0)
    line = copied(path)
    assert "applied=AppRate:UNIT" in line and "target=TgtRate:UNIT" in line
    code, out, _ = printed("reconcile", path, "--rate-unit", "lb N/ac", "--accept")
    assert code in (0, 1) and "applied from 'AppRate' in lb N/ac" in " ".join(out.split())
    assert "applied=Rate:UNIT" in copied(a_log(tmp_path, **wide, Rate=RATE))


@pytest.mark.parametrize(("unit", "each"), [("lb NH3/min", 1.0), ("kg NH3/min", 0.45359237)])
def test_a_flow_without_a_unit_is_rate_times_width_times_speed(tmp_path: Path, unit: str, each: float) -> None:
    flow = RATE * LB_AC * 40.0 * 0.3048 * FAST / 0.82 * 60.0 / 0.45359237 * each
    wide = {"Width (ft)": np.full(ROWS, 40.0), "Speed (m/s)": np.full(ROWS, FAST), "Applied Rate (lb N/ac)": RATE}
    path = Path(a_log(tmp_path, **wide, Flow=flow))
    read = read_log(path, accept=True)
    assert read.columns["flow"] == ("Flow", unit)
    # In no unit it is that: nothing is proposed.
    read = read_log(Path(a_log(tmp_path, **wide, Flow=1.3 * flow)), accept=True)
    assert "flow" not in read.columns


def test_a_switch_that_takes_nitrogen_out_is_said_first(tmp_path: Path) -> None:
    wide = {"Width (ft)": np.full(ROWS, 40.0), "Applied Rate (lb N/ac)": RATE}
    state = np.where(np.arange(ROWS) % 20 == 0, 0, 1)
    (doubt,) = read_log(Path(a_log(tmp_path, **wide, On=state))).doubts
    assert "3 records have a rate, though 'On' says that the bar was off there, 5.0 % of the nitrogen" in doubt.text
    rate = np.where(state == 1, RATE, 0.0)
    assert read_log(Path(a_log(tmp_path, **wide | {"Applied Rate (lb N/ac)": rate}, On=state))).doubts == ()


def test_very_many_columns_cost_no_square_of_them_and_are_not_all_listed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    many = 300
    cells = of(**BASE, w=("Width (ft)", np.full(ROWS, 40.0))) | {f"Brillig {n}": RATE + n for n in range(many)}
    path = write_csv(tmp_path / "log.csv", {name: list(column) for name, column in cells.items()})
    asked = 0
    inner = column_names.words_of

    def counted(name: str) -> list[str]:
        nonlocal asked
        asked += 1
        return inner(name)

    monkeypatch.setattr(column_names, "words_of", counted)
    with pytest.raises(LogError) as caught:
        read_log(path)
    assert asked < many * many / 4
    offered = [line for line in caught.value.cure.splitlines() if "--column" in line]
    assert len(offered) == 20
    assert f"and {many - 20} more columns" in caught.value.cure


def test_a_width_that_no_bar_has_is_not_believed_and_said(tmp_path: Path) -> None:
    cells, _ = DIALECTS["full names"]
    path = tmp_path / "log.csv"
    write_csv(
        path,
        {name: list(column) for name, column in cells.items()}
        | {"Swath Width (ft)": [40.0, 1e17] + [40.0] * (ROWS - 2)},
    )
    read = read_log(path)
    true_to(read)
    assert any("too wide for any bar" in note.text and "(row 2)" in note.text for note in read.notes)
