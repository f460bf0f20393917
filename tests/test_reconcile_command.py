"""`geoflow reconcile` as it is typed: the simulator's logs as files, and every known truth recovered from them."""

from __future__ import annotations

import contextlib
import io
import json
import re
from dataclasses import replace
from pathlib import Path

import geopandas
import numpy as np
import pandas
import pytest
import shapely
from bars import AIR, LB_PER_AC, PSI, fahrenheit, feed
from CoolProp.CoolProp import PropsSI
from log_files import degrees
from simulated_files import ROW, Files, in_degrees, table_of, write
from simulator import Field, simulate, sound_bar, vapour_pressure

from geoflow import cli
from geoflow.bar.equipment import Suction

ACRE, POUND = 4046.8564224, 0.45359237
RATES = (170 * LB_PER_AC, 180 * LB_PER_AC, 190 * LB_PER_AC)
# A bar in order on a field without large steps: nothing to act on.
SOUND = Field(offsets=(0.0,) * 6, rates=RATES, zone_length=90.0)
ONE_RATE = Field(rates=(180 * LB_PER_AC,), offsets=(0.0,) * 6)
WHOLE_NUMBERS = {"zone"}

# The keys of `reconcile --json`, word by word: what scripts rely on.
KEYS = {
    "points": {"read", "kept", "dropped"},
    "lag_s": {"best", "low", "high"},
    "spread": {"rate_edges_lb_n_ac", "asked_ac", "given_ac", "off_by_up_to_share", "under_share", "over_share"},
    "coverage": {"swept_ac", "covered_ac", "covered_in_field_ac", "doubled_ac", "missed_ac", "overlap_fraction"},
    "totals": {"applied_lb_n", "target_lb_n", "applied_mean_lb_n_ac", "target_mean_lb_n_ac"},
    "agreement": {
        *("bias_lb_n_ac", "mae_lb_n_ac", "rmse_lb_n_ac", "concordance", "within_5", "within_10", "within_20"),
    },
    "ticket": {"ticket_lb_nh3", "logged_lb_nh3", "ratio", "meter_factor"},
}  # fmt: skip


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    code = cli.main(list(arguments))
    captured = capsys.readouterr()
    return code, captured.out, captured.err


def document(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, dict]:
    code, out, err = run(capsys, *arguments, "--json", "-")
    assert err == "", err
    return code, json.loads(out)


def found(said: dict, kind: str) -> dict:
    (one,) = [finding for finding in said["findings"] if finding["kind"] == kind]
    return one


def kinds(said: dict) -> set[str]:
    return {finding["kind"] for finding in said["findings"]}


def mass(kilograms: float) -> str:
    return f"{kilograms:.4f} kg NH3"


def strips_of(files: Files) -> np.ndarray:
    """Rectangles of the simulator's records, by hand: straight passes north and south."""
    log = files.applied
    log = replace(log, **{name: getattr(log, name)[log.on & (log.step > 0)] for name in log.__slots__})
    half, north = 0.5 * log.width, np.cos(log.heading)
    return np.asarray(
        shapely.box(log.x - half, np.minimum(log.y, log.y - log.step * north), log.x + half,
                    np.maximum(log.y, log.y - log.step * north))
    )  # fmt: skip


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Files:
    return write(tmp_path_factory.mktemp("sound"), SOUND)


@pytest.fixture(scope="module")
def plainly(sound: Files) -> dict:
    """What is said of the sound log, nothing added."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        assert cli.main([*sound.usual, "--json", "-"]) == 0
    return json.loads(out.getvalue())


# A bar in order


def test_a_sound_log_has_no_finding(sound: Files, capsys: pytest.CaptureFixture[str]) -> None:
    code, said = document(capsys, *sound.usual, "--ticket", mass(sound.truth.ammonia))
    assert said["findings"] == []
    assert code == 0
    assert said["not_judged"] == []


def test_every_key_of_the_contract_and_records_add_up(sound: Files, capsys: pytest.CaptureFixture[str]) -> None:
    _, said = document(capsys, *sound.usual, "--ticket", mass(sound.truth.ammonia))
    for name, keys in KEYS.items():
        assert keys <= set(said[name]), name
    assert {"kind", "text", "where"} <= {"kind", "text", "where", *(key for one in said["findings"] for key in one)}
    zone = said["zones"][0]
    assert [one["zone"] for one in said["zones"]] == list(range(len(said["zones"])))
    assert {"area_ac", "covered_ac", "missed_ac", "doubled_ac", "target_lb_n_ac", "applied_lb_n_ac", "ratio"} <= set(
        zone
    )
    assert "within_10" in zone
    points = said["points"]
    assert points["read"] == sound.applied.row.size
    assert points["read"] == points["kept"] + sum(points["dropped"].values())
    assert points["dropped"] == {"section off": 2 * SOUND.standing}


def test_the_numbers_of_a_sound_log(sound: Files, plainly: dict) -> None:
    said = plainly
    log = sound.applied
    area = np.where(log.on, log.step * log.width, 0.0)
    assert said["coverage"]["swept_ac"] == pytest.approx(sound.truth.swept / ACRE, rel=1e-6)
    # The overlay's promise; the strips do not overlap but for rounding of the positions to a millimetre.
    assert said["coverage"]["covered_ac"] == pytest.approx(sound.truth.swept / ACRE, rel=1e-3)
    assert said["totals"]["applied_lb_n"] == pytest.approx((log.applied * area).sum() / POUND, rel=1e-6)
    mean = (log.applied * area).sum() / area.sum() / LB_PER_AC
    # The agreement leaves out the slivers outside the map: 0.02 % at most.
    assert said["totals"]["applied_mean_lb_n_ac"] == pytest.approx(mean, rel=2e-4)
    asked = sum(zone["target_lb_n_ac"] * zone["area_ac"] for zone in said["zones"])
    assert said["totals"]["target_lb_n"] == pytest.approx(asked, rel=1e-6)
    assert said["totals"]["target_lb_n"] == pytest.approx(
        said["totals"]["target_mean_lb_n_ac"] * 6 * 16 * ROW * 450 / ACRE, rel=2e-3
    )
    inside = sum(zone["applied_lb_n"] for zone in said["zones"])
    assert inside == pytest.approx(said["totals"]["applied_in_field_lb_n"], rel=1e-6)


def test_the_area_of_the_field_is_the_geodesic_one(sound: Files, plainly: dict) -> None:
    """From longitude and latitude through the whole chain: zones and boundary within 1 ppm of pyproj.Geod."""
    import pyproj

    geod, said = pyproj.Geod(ellps="WGS84"), plainly
    zones = geopandas.read_file(sound.target)
    for zone, shape in zip(said["zones"][:10], zones.geometry[:10], strict=True):
        # JSON rounds to a millionth of an acre.
        assert zone["area_ac"] == pytest.approx(abs(geod.geometry_area_perimeter(shape)[0]) / ACRE, rel=1e-6, abs=1e-6)
    field = abs(geod.geometry_area_perimeter(geopandas.read_file(sound.boundary).geometry[0])[0])
    coverage = said["coverage"]
    assert coverage["covered_in_field_ac"] + coverage["missed_ac"] == pytest.approx(field / ACRE, rel=1e-6)
    strips = abs(geod.geometry_area_perimeter(in_degrees([shapely.union_all(strips_of(sound)).convex_hull])[0])[0])
    # Passes end up to a step short of each other, inside the hull: 2.2 m of 450.
    assert coverage["covered_ac"] == pytest.approx(strips / ACRE, rel=5e-3)


@pytest.mark.parametrize("suffix", ["parquet", "gpkg"])
def test_other_formats_say_the_same(suffix: str, sound: Files, plainly: dict, tmp_path: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    if suffix == "parquet":
        pytest.importorskip("pyarrow")
    other = write(tmp_path, SOUND, suffix=suffix)
    _, said = document(capsys, *other.usual)
    assert said["input"]["format"] == {"gpkg": "geopackage"}.get(suffix, suffix)
    for name in ("points", "lag_s", "zones", "findings", "coverage"):
        assert json.loads(json.dumps(said[name])) == json.loads(json.dumps(plainly[name])), name


# Every fault comes back, with its tolerance


def test_lag(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Dead time plus ln 2 time constants within 0.2 s: a log of one record a second, carried to 0.1 s by a spline."""
    files = write(tmp_path, Field(offsets=(0.0,) * 12))
    _, said = document(capsys, *files.usual)
    assert said["lag_from"] == "log"
    assert said["lag_s"]["best"] == pytest.approx(files.truth.lag, abs=0.2)
    assert said["lag_s"]["low"] <= files.truth.lag <= said["lag_s"]["high"]
    shifts = {shift["shift_s"]: shift for shift in said["shifts"]}
    best = said["lag_s"]["best"]
    assert set(shifts) == {0.0, best, round(best - 1, 3), round(best + 1, 3)}
    assert shifts[best]["rmse_lb_n_ac"] == min(shift["rmse_lb_n_ac"] for shift in shifts.values())
    assert shifts[best]["within_10"] > shifts[0.0]["within_10"]


def test_lag_against_the_map_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The map's mean under a step stands for its middle, half a step of 1 s earlier: lag within 0.2 s of it."""
    files = write(tmp_path, Field(offsets=(0.0,) * 12))
    _, said = document(capsys, *files.usual, "--column", "target=-")
    assert said["lag_from"] == "map"
    assert said["lag_s"]["best"] == pytest.approx(files.truth.lag - 0.5, abs=0.25)


def test_overlap(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """1.5 m of one pass: 675 m2 less what passes stop short, a second (2.2 m) at the most: 1 %."""
    files = write(tmp_path, replace(ONE_RATE, offsets=(0.0, 0.0, 1.5, 1.5, 1.5, 1.5)))
    _, said = document(capsys, *files.usual)
    doubled = said["coverage"]["doubled_ac"] * ACRE
    assert doubled == pytest.approx(1.5 * 450.0, rel=0.01)
    assert said["coverage"]["overlap_fraction"] * said["coverage"]["covered_ac"] == pytest.approx(
        doubled / ACRE, rel=1e-4
    )
    union = shapely.union_all(strips_of(files), grid_size=1e-6).area
    assert said["coverage"]["covered_ac"] * ACRE == pytest.approx(union, rel=1e-3)
    assert said["coverage"]["covered_ac"] * ACRE == pytest.approx(files.truth.covered, rel=3e-3)
    # Two per cent of 32,900 m2 are 658: told.
    assert "doubled ground" in kinds(said)
    assert sum(zone["doubled_ac"] for zone in said["zones"]) * ACRE == pytest.approx(doubled, rel=1e-3)


def test_skip(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """2 m left out between two passes, and the last one as far beyond the boundary; against the exact difference."""
    files = write(tmp_path, replace(ONE_RATE, offsets=(0.0, 0.0, 0.0, -2.0, -2.0, -2.0)))
    code, said = document(capsys, *files.usual)
    field = shapely.box(0.0, 0.0, 6 * files.width, 450.0)
    driven = shapely.union_all(strips_of(files), grid_size=1e-6)
    assert said["coverage"]["missed_ac"] * ACRE == pytest.approx(field.difference(driven).area, abs=1e-3 * field.area)
    # Ends of passes apart, a step of each at the most, that is the 2 m.
    assert said["coverage"]["missed_ac"] * ACRE == pytest.approx(900.0, abs=6 * 2.2 * files.width)
    assert said["coverage"]["outside_ac"] * ACRE == pytest.approx(driven.difference(field).area, rel=0.01)
    assert {"missed ground", "outside the field"} <= kinds(said)
    assert code == 1


def test_a_section_off(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """30 s of the left section at 2.2 m/s: 402 m2 missed, a second more or less, beside the ends of the passes."""
    files = write(tmp_path, replace(ONE_RATE, section_off=(3, 50.0, 80.0)))
    _, said = document(capsys, *files.usual)
    _, whole = document(capsys, *write(tmp_path, ONE_RATE).usual)
    missed = (said["coverage"]["missed_ac"] - whole["coverage"]["missed_ac"]) * ACRE
    assert missed == pytest.approx(30.0 * 2.2 * 8 * ROW, abs=2.2 * 8 * ROW)
    assert said["points"]["dropped"]["section off"] == 2 * ONE_RATE.standing + 30
    causes = said["causes"]
    assert causes["section event"]["area_ac"] > whole["causes"]["section event"]["area_ac"]
    # The other section is on its own afterwards: nothing is left without a cause.
    assert causes["unexplained"]["area_ac"] == 0.0


def test_a_speed_change(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Braked to 60 % for ten seconds in one pass, sluggish control: that ground is off by the speed, the rest by
    starts of passes; none without a cause."""
    what = replace(ONE_RATE, brake=(2, 60.0), delay=1.5, noise=0.0)
    braked, steady = (write(tmp_path, one) for one in (what, replace(what, brake=None)))
    braked = write(tmp_path, what)
    _, said = document(capsys, *braked.usual)
    log = braked.applied
    mine = (log.run == 3) & (log.time - log.time[log.run == 3].min() > 20.0)
    off = mine & (np.abs(log.applied / np.where(log.target > 0, log.target, np.nan) - 1.0) > 0.1)
    write(tmp_path, replace(what, brake=None))
    _, without = document(capsys, *steady.usual)
    grown = said["causes"]["speed change"]["area_ac"] - without["causes"]["speed change"]["area_ac"]
    assert grown * ACRE == pytest.approx((log.step * log.width)[off].sum(), rel=1e-3)
    assert said["causes"]["unexplained"]["area_ac"] == 0.0


def test_turning(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An arc of 30 m radius, sections 3.05 m off its middle: the inner one gets 11.3 % too much, by the turn."""
    what = replace(ONE_RATE, radius=30.0, length=90.0, noise=0.0, offsets=(0.0,) * 4)
    files = write(tmp_path, what)
    _, said = document(capsys, "reconcile", str(files.log), "--bar", str(files.bar))
    log = files.applied
    since = log.time - log.time[log.run == 4].min()
    arc = (log.run == 4) & log.on & (since > 5.3)
    off = arc & (np.abs(files.truth.ground / np.where(log.target > 0, log.target, np.nan) - 1.0) > 0.1)
    # Ground is shorter inside and longer outside than the step, by the radius; chords for arcs cost 0.1 %.
    ground = log.step * log.width * np.where(log.section == 1, 1 - 4 * ROW / 30, 1 + 4 * ROW / 30)
    assert off[log.section == 1].sum() > 30
    # For dead time and three time constants, 5.3 s, the start of the pass may make most of it; in the end it does not.
    start = (log.run == 4) & log.on & (log.section == 1) & (since > 2.5) & (since <= 5.3)
    turning = said["causes"]["turning"]["area_ac"] * ACRE
    assert ground[off].sum() * 0.998 <= turning <= (ground[off].sum() + ground[start].sum()) * 1.002
    assert said["causes"]["unexplained"]["area_ac"] == 0.0


@pytest.mark.parametrize("rows", [1.0, 2.0])
def test_a_plugged_row(rows: float, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Worth within 0.1 row: 1 % noise of the flow over half a log of 1,600 moments, and the pressure's rounding."""
    files = write(tmp_path, replace(ONE_RATE, offsets=(0.0,) * 8, plug=(900.0, rows)))
    code, said = document(capsys, *files.usual)
    assert code == 1
    one = found(said, "plugging")
    assert one["numbers"]["rows_worth"] == pytest.approx(rows, abs=0.1)
    assert one["numbers"]["time_s"] == pytest.approx(900.0, abs=30.0)  # a pass's end lies in between
    assert f"worth {rows:.1f} rows" in one["text"]
    assert one["confidence"] == "high"
    assert "whole bar; " in one["where"]


def test_a_transmitter_zeroed_with_product(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Reads too low by the vapour pressure of the day it was zeroed: within 0.5 psi (three times the noise's mean)."""
    offset = AIR - float(vapour_pressure(fahrenheit(40)))
    files = write(tmp_path, replace(ONE_RATE, zero=offset, offsets=(0.0,) * 8))
    _, said = document(capsys, *files.usual)
    one = found(said, "transmitter zeroed with product in the lines")
    assert one["numbers"]["offset_psi"] == pytest.approx(offset / PSI, abs=0.5)
    told = re.search(r"about ([\d.]+) psi too low", one["text"])
    assert told is not None
    assert float(told[1]) == pytest.approx(-offset / PSI, abs=0.5)
    assert one["where"].startswith("bar pressure; 60 records")


@pytest.mark.parametrize("overcount", [1.04, 0.95])
def test_a_meter_against_the_tickets(overcount: float, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Within 0.5 %: the log samples once a second what the scale sums, with 1 % noise on each record."""
    files = write(tmp_path, replace(ONE_RATE, overcount=overcount))
    half = 0.5 * files.truth.ammonia
    code, said = document(capsys, *files.usual, "--ticket", mass(half), "--ticket", f"{half / POUND * 0.82:.4f} lb N")
    ticket = said["ticket"]
    assert ticket["ticket_lb_nh3"] == pytest.approx(files.truth.ammonia / POUND, rel=1e-6)
    assert ticket["ratio"] == pytest.approx(overcount, abs=0.005)
    assert ticket["meter_factor"] == pytest.approx(1.0 / ticket["ratio"], abs=2e-6)
    assert ticket["temperature_ratio"] == 1.0
    assert ticket["pulses_per_gallon"] == pytest.approx(700.0 * overcount, rel=0.005)
    assert ("more" if overcount > 1 else "less") in found(said, "ticket off")["text"]
    assert code == 1


@pytest.mark.parametrize("overcount", [1.0, 1.04])
def test_the_part_that_temperature_explains(overcount: float, tmp_path: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    """A meter counting at 60 degF on liquid of 30 degF, CoolProp's densities: both parts within 0.5 %, as above."""
    meter = replace(sound_bar().meter, reference_temperature=fahrenheit(60))
    files = write(
        tmp_path,
        replace(ONE_RATE, bar=sound_bar(meter=meter), overcount=overcount),
        bar={"[meter]": 'reference_temperature = "60 degF"'},
    )
    warm, cold = (PropsSI("D", "T", fahrenheit(at), "Q", 0, "Ammonia") for at in (60, 30))
    _, said = document(capsys, *files.usual, "--ticket", mass(files.truth.ammonia))
    ticket = said["ticket"]
    assert ticket["temperature_ratio"] == pytest.approx(warm / cold, rel=1e-4)
    assert ticket["remaining_ratio"] == pytest.approx(overcount, abs=0.005)
    assert ticket["ratio"] == pytest.approx(overcount * warm / cold, abs=0.005)
    assert ticket["pulses_per_gallon"] == pytest.approx(700.0 * overcount, rel=0.005)
    assert ticket["pulses_per_gallon_as_used"] == pytest.approx(700.0 * ticket["ratio"], rel=1e-6)
    # Pulses a kilogram times the nitrogen in it: the number to type in at this temperature.
    volume = 10 * POUND / 0.82 / cold / 3.785411784e-3
    assert ticket["pulses_per_10_lb_n"] == pytest.approx(ticket["pulses_per_gallon"] * volume, rel=1e-4)
    assert ticket["meter_temperature_degF"] == pytest.approx(30.0, abs=1e-3)
    # A missing correction counts cold, dense liquid too low, and feigns neither wear nor a fault of the orifices; a
    # meter that is itself off does, where the bar file is certain of its orifices to the last digit.
    # Though 1.04 x 0.966 is 1.004, the meter is told to be off.
    assert kinds(said) == {"ticket off"} | ({"orifice area above the bar file"} if overcount > 1.0 else set())


def test_starving_suction(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Area within 6 %: 5 for the seconds in which demand settles, 1 for the suction solved on a grid of 2 K."""
    what = Field(
        bar=sound_bar(suction=Suction(0.0, feed(14, 1.0, 12.0))), starving=True, rates=(170 * LB_PER_AC,),
        temperature=(fahrenheit(60), fahrenheit(5)), noise=0.0, offsets=(0.0,) * 8,
    )  # fmt: skip
    files = write(tmp_path, what)
    usual = 'head = "0.3 m"\nlength = "12 ft"\nbore = "1.5 in"\nfittings_k = 8.0'
    narrow = 'head = "0 ft"\nlength = "14 ft"\nbore = "1 in"\nfittings_k = 12.0'
    text = files.bar.read_text()
    assert usual in text
    text = text.replace(usual, narrow)
    files.bar.write_text(text)
    _, said = document(capsys, *files.usual)
    log = files.applied
    begun = log.time - np.array([log.time[log.run == run].min() for run in range(9)])[log.run]
    short = files.truth.starved & (log.applied < 0.95 * log.target) & (begun > 5)
    one = found(said, "suction starving")
    assert one["confidence"] == "high"
    assert one["numbers"]["area_ac"] == pytest.approx((log.step * log.width)[short].sum() / ACRE, rel=0.06)
    assert one["numbers"]["flow_lb_nh3_min"] == pytest.approx(np.median(log.flow[short]) * 60 / 0.45359237, rel=0.02)


def test_margin_lost_in_acres(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Acres of the records within 5 psi of the vapour pressure, pass starts apart, within 2 %: noise of 0.1 psi."""
    warm = fahrenheit(45)
    files = write(
        tmp_path,
        Field(rates=(120 * LB_PER_AC, 200 * LB_PER_AC), temperature=(warm, warm), noise=0.0, offsets=(0.0,) * 8),
    )
    _, said = document(capsys, *files.usual)
    log, one = files.applied, found(said, "liquid margin lost")
    begun = np.array([log.time[log.run == run].min() for run in range(9)])[log.run]
    lost = log.on & (log.bar_pressure < vapour_pressure(warm) + 5 * PSI) & (log.time - begun > 10.0)
    acres = (log.step * log.width)[lost].sum() / ACRE
    assert one["numbers"]["area_ac"] == pytest.approx(acres, rel=0.02)
    assert f"on {acres:.1f} ac" in one["text"] or f"on {acres + 0.05:.1f} ac" in one["text"]


def test_a_clogged_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """12 psi at 0.6 kg/s on top of the valve: the median excess within 0.4 psi."""
    files = write(tmp_path, replace(ONE_RATE, clogged=12 * PSI, noise=0.0))
    _, said = document(capsys, *files.usual)
    one, log = found(said, "control valve drop"), files.applied
    put_in = np.median(12 * PSI * np.square(log.flow[log.on] / 0.6))
    assert one["numbers"]["excess_drop_psi"] == pytest.approx(put_in / PSI, abs=0.4)
    assert one["confidence"] == "low"  # the rate held


def test_zones_of_rate_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Ground the map leaves out is no missed ground; ground it leaves out and the machine did not is told."""
    files = write(tmp_path, ONE_RATE)
    zones = geopandas.read_file(files.target)
    more = in_degrees([shapely.box(0.0, 450.0, 6 * files.width, 550.0)])
    wider = pandas.concat([zones, geopandas.GeoDataFrame({"kg_n_ha": [0.0]}, geometry=more, crs=4326)])
    wider.to_file(files.target, driver="GeoJSON", COORDINATE_PRECISION=12)
    plain = ["reconcile", str(files.log), "--target", str(files.target), "--bar", str(files.bar)]
    code, said = document(capsys, *plain)
    assert (code, said["findings"]) == (0, [])
    kept = 100.0 * 6 * files.width / ACRE
    assert said["coverage"]["missed_where_nothing_asked_ac"] == pytest.approx(kept, rel=2e-3)
    # Ground the map asks nothing of is no part of what was missed: only the edges of the passes are.
    assert said["coverage"]["missed_ac"] < 0.05 * kept
    assert said["zones"][-1]["missed_ac"] == 0.0
    zones.loc[10:19, "kg_n_ha"] = 0.0
    zones.to_file(files.target, driver="GeoJSON", COORDINATE_PRECISION=12)
    code, said = document(capsys, *plain)
    assert code == 1
    one = found(said, "nothing was asked")
    acres = 450.0 * files.width / ACRE
    # A whole pass at 180 lb N/ac, the first seconds of which fell short by 2 %.
    assert float(one["text"].split(" lb")[0].replace(",", "")) == pytest.approx(180 * acres, rel=0.03)
    code, text, _ = run(capsys, *plain)
    assert "for which the map asks nothing" in " ".join(text.split())


@pytest.mark.parametrize("order", ["shuffled", "backwards", "by section"])
def test_the_order_of_the_rows_changes_nothing(
    order: str, sound: Files, plainly: dict, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = pandas.read_csv(sound.log)
    mixed = {
        "shuffled": table.sample(frac=1.0, random_state=5),
        "backwards": table.iloc[::-1],
        "by section": table.sort_values("section", kind="stable"),
    }[order]
    log = tmp_path / "log.csv"
    mixed.to_csv(log, index=False)
    code, said = document(capsys, sound.usual[0], str(log), *sound.usual[2:])
    assert code == 0
    for name in ("points", "lag_s", "coverage", "totals", "agreement", "causes", "zones"):
        assert said[name] == plainly[name], name


def test_temperatures_that_cannot_be_leave_the_bar_unjudged(
    sound: Files, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = pandas.read_csv(sound.log).assign(**{"temperature (K)": 1000.0})
    log = tmp_path / "log.csv"
    table.to_csv(log, index=False)
    code, said = document(capsys, sound.usual[0], str(log), *sound.usual[2:])
    assert (code, said["findings"]) == (0, [])
    assert [one["missing"] for one in said["not_judged"]] == [["temperature"]] * 5


# What a person gives, forgets or mistypes


def test_saved_columns_give_the_same(sound: Files, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    saved = tmp_path / "columns.json"
    odd = pandas.read_csv(sound.log).rename(
        columns={"applied (kg N/ha)": "A", "target (kg N/ha)": "T", "step (m)": "S"}
    )
    log = tmp_path / "odd.csv"
    odd.to_csv(log, index=False)
    usual = [*sound.usual[:1], str(log), *sound.usual[2:]]
    told = ["--column", "applied=A:kg N/ha", "--column", "target=T:kg N/ha", "--column", "step=S:m"]
    code, first = document(capsys, *usual, *told, "--save-columns", str(saved))
    again, second = document(capsys, *usual, "--columns-file", str(saved))
    assert code == again == 0
    assert first["input"].pop("facts") != second["input"].pop("facts")
    assert first == second
    code, _, err = run(capsys, *usual, *told, "--save-columns", str(saved))
    assert code == 2
    assert "--replace" in err


def test_a_boundary_in_another_system(sound: Files, plainly: dict, tmp_path: Path, capsys) -> None:  # type: ignore
    """In UTM its straight edges are those of another projection: less than a millionth of the field."""
    other = tmp_path / "utm.shp"
    geopandas.read_file(sound.boundary).to_crs(26915).to_file(other)
    _, said = document(capsys, *[str(other) if name == str(sound.boundary) else name for name in sound.usual])
    for key, value in plainly["coverage"].items():
        assert said["coverage"][key] == pytest.approx(value, abs=2e-5), key
    code, _, err = run(capsys, *[str(sound.log) if name == str(sound.boundary) else name for name in sound.usual])
    assert code == 2
    assert "Traceback" not in err


def test_cures_name_the_options_of_the_map(sound: Files, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    zones = geopandas.read_file(sound.target)
    zones["high"], zones["low"] = zones["kg_n_ha"] + 7.5, zones["kg_n_ha"] - 7.5
    rx = tmp_path / "rx.geojson"
    zones.drop(columns="kg_n_ha").to_file(rx, driver="GeoJSON")
    usual = [str(rx) if name == str(sound.target) else name for name in sound.usual]
    code, _, err = run(capsys, *usual)
    assert code == 2
    assert "--target-rate-column" in err
    assert " --rate-column" not in err
    code, _, err = run(capsys, *usual, "--target-rate-column", "high")
    assert code == 2
    assert "--target-rate-unit" in err
    assert " --rate-unit" not in err
    code, said = document(capsys, *usual, "--target-rate-column", "high", "--target-rate-unit", "kg N/ha")
    assert said["totals"]["target_mean_lb_n_ac"] > 180.0
    assert code in {0, 1}


def test_a_log_of_another_field_is_refused(sound: Files, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = pandas.read_csv(sound.log)
    log["longitude"] += 0.5
    far = tmp_path / "far.csv"
    log.to_csv(far, index=False)
    for given in (sound.usual, [*sound.usual[:1], str(sound.log), "--bar", str(sound.bar), *sound.usual[-2:]]):
        code, _, err = run(capsys, given[0], str(far), *given[2:])
        assert code == 2
        # Half a degree of longitude at 42 degrees north is 41.4 km, 25.7 miles (pyproj.Geod).
        assert "25." in err
        assert "miles" in err


def test_nothing_to_read(sound: Files, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    head = sound.log.read_text().splitlines()[0]
    for text, word in (("", "empty"), (head + "\n", "no records"), (head + "\n" + "," * 13 + "\n", "")):
        log = tmp_path / "log.csv"
        log.write_text(text)
        code, out, err = run(capsys, sound.usual[0], str(log), *sound.usual[2:], "--out", str(tmp_path / "o"))
        assert code == 2
        assert out == ""
        assert word in err
        assert "Traceback" not in err
        assert not (tmp_path / "o").exists()
    code, _, err = run(capsys, "reconcile", str(tmp_path / "no.csv"), "--bar", str(sound.bar))
    assert code == 2
    assert "no such file" in err


@pytest.mark.parametrize("mixed", [True, False])
def test_a_log_without_clock(mixed: bool, sound: Files, tmp_path: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    log, _ = simulate(replace(SOUND, standing=0))
    path = tmp_path / "log.csv"
    table = table_of(log, stamped=False)
    # One section after the other, or mixed moment by moment.
    (table if mixed else table.iloc[np.argsort(log.section, kind="stable")]).to_csv(path, index=False)
    code, said = document(capsys, sound.usual[0], str(path), *sound.usual[2:])
    assert code in {0, 1}
    assert said["lag_s"] is None
    assert [shift["shift_s"] for shift in said["shifts"]] == [0.0]
    assert said["input"]["clock"] is None
    assert said["coverage"]["covered_ac"] == pytest.approx(sound.truth.swept / ACRE, rel=2e-3)
    _, text, _ = run(capsys, sound.usual[0], str(path), *sound.usual[2:])
    assert "Lag: cannot be told" in text


def test_without_a_bar_file(sound: Files, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    usual = ["reconcile", str(sound.log), "--target", str(sound.target)]
    code, _, err = run(capsys, *usual)
    assert code == 2
    assert "how wide the bar is" in err
    code, said = document(capsys, *usual, "--width", "40 ft", "--ticket", mass(sound.truth.ammonia))
    assert said["coverage"]["swept_ac"] == pytest.approx(sound.truth.swept / ACRE, rel=1e-6)
    assert said["input"]["bar"] is None
    assert said["ticket"]["pulses_per_gallon"] is None
    assert (said["findings"], said["not_judged"], code) == ([], [], 0)


def test_another_product(sound: Files, plainly: dict, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Liquid with 3.55 lb N/gal: gallons times that are the pounds; a map in lb N/ac is compared with them."""
    log = pandas.read_csv(sound.log)
    gallons = tmp_path / "gal.csv"
    for role in ("applied", "target"):
        log[f"{role} (gal/ac)"] = log.pop(f"{role} (kg N/ha)") * 1e-4 / LB_PER_AC / 3.55
    log.to_csv(gallons, index=False)
    usual = ["reconcile", str(gallons), *sound.usual[2:]]
    code, said = document(capsys, *usual, "--nitrogen", "3.55 lb N/gal")
    assert said["totals"]["applied_lb_n"] == pytest.approx(plainly["totals"]["applied_lb_n"], rel=1e-6)
    assert said["agreement"]["within_10"] == plainly["agreement"]["within_10"]
    assert said["not_judged"] == [] == said["findings"]
    code, _, err = run(capsys, *usual, "--nitrogen", "3.55 lb N/gal", "--ticket", "100 lb NH3")
    assert code == 2
    assert "--ticket" in err
    code, _, err = run(capsys, *usual)
    assert code == 2
    assert "--nitrogen" in err


@pytest.mark.parametrize(
    "text", ["nonsense", "", "12400", "-5 lb NH3", "0 lb NH3", "nan lb NH3", "5 mph", "5 lb urea", "5 lb NH3 N"]
)
def test_a_ticket_that_is_none(text: str, sound: Files, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, *sound.usual, f"--ticket={text}")
    assert (code, out) == (2, "")
    assert "--ticket" in err
    assert "Traceback" not in err


@pytest.mark.slow
def test_outputs_are_all_there_and_never_replaced_unasked(
    sound: Files, plainly: dict, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, said = tmp_path / "out", plainly
    code, out, _ = run(capsys, *sound.usual, "--out", str(folder))
    assert code == 0
    names = {path.name for path in folder.iterdir()}
    assert names == {
        *("applied.tif", "ratio.tif", "passes.tif", "reconcile.gpkg", "reconcile.json", "zones.csv", "map.png"),
        *("causes.png", "rates.png", "orifices.png"),
    }
    assert all(name in out for name in names)
    assert json.loads((folder / "reconcile.json").read_text()) == said
    table = pandas.read_csv(folder / "zones.csv")
    assert table["applied_lb_n"].sum() == pytest.approx(sum(zone["applied_lb_n"] for zone in said["zones"]), rel=1e-9)
    strips = geopandas.read_file(folder / "reconcile.gpkg", layer="strips")
    assert len(strips) == said["points"]["kept"]
    assert strips.crs.to_epsg() == 4326
    _, swept = strips.geometry.iloc[0], strips.to_crs("+proj=laea +lat_0=42 +lon_0=-93.5").area.sum()
    assert swept / ACRE == pytest.approx(said["coverage"]["swept_ac"], rel=1e-5)
    # At one record a second the middle of the strips' fronts is the log's own position.
    first = pandas.read_csv(sound.log).iloc[strips["log_row"].iloc[200]]
    assert strips.geometry.iloc[200].distance(shapely.Point(first["longitude"], first["latitude"])) < 1e-7
    stamp = {path.name: path.stat().st_mtime_ns for path in folder.iterdir()}
    code, _, err = run(capsys, *sound.usual, "--out", str(folder))
    assert code == 2
    assert "--replace" in err
    assert {path.name: path.stat().st_mtime_ns for path in folder.iterdir()} == stamp
    assert run(capsys, *sound.usual, "--out", str(folder), "--replace")[0] == 0


@pytest.mark.parametrize("cell", ["nonsense", "0 ft", "-1 m", "1 mm", "3"])
def test_a_cell_that_is_none(cell: str, sound: Files, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, *sound.usual, "--out", str(tmp_path / "out"), f"--cell={cell}")
    assert (code, out) == (2, "")
    assert "--cell" in err
    assert not (tmp_path / "out").exists()


def test_a_cell_without_a_folder(sound: Files, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = run(capsys, *sound.usual, "--cell", "1 m")
    assert code == 2
    assert "--out" in err


def test_metric_text_and_the_cautions(sound: Files, capsys: pytest.CaptureFixture[str]) -> None:
    code, text, _ = run(capsys, *sound.usual, "--units", "metric", "--ticket", mass(1.1 * sound.truth.ammonia))
    assert code == 1
    for unit in ("kg N/ha", " ha", " kg NH3"):
        assert unit in text
    before = text.split("What was read")[0]
    assert "lb N/ac" not in before
    assert " ac " not in before
    assert "Ammonia blinds and kills" in text
    assert "Look at in this field" in text


def test_two_machines_and_two_days(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The halves of a field by two machines at the same hours, and by one on two days, come to the same ground."""
    files = write(tmp_path, replace(ONE_RATE, standing=0))
    whole = table_of(files.applied)
    pass_of = files.applied.run - files.applied.run.min()
    near, far = whole[pass_of < 3], whole[pass_of >= 3].copy()
    said = []
    for hours in (0, 24):
        begin = np.datetime64("2026-04-13T14:05:08", "ms") + np.timedelta64(hours, "h")
        times = far["time"].str.rstrip("Z").astype("datetime64[ms]")
        later = far.assign(time=(times - times.iloc[0] + begin).astype(str).str.replace(" ", "T") + "Z")
        pandas.concat([near, later]).to_csv(files.log, index=False)
        _, one = document(capsys, *files.usual)
        said.append(one)
    whole.to_csv(files.log, index=False)
    _, plain = document(capsys, *files.usual)
    for one in said:
        assert one["points"]["kept"] == plain["points"]["kept"]
        for key in ("swept_ac", "covered_ac", "missed_ac", "doubled_ac"):
            assert one["coverage"][key] == pytest.approx(plain["coverage"][key], abs=1e-4), key
        assert one["totals"]["applied_lb_n"] == pytest.approx(plain["totals"]["applied_lb_n"], rel=1e-6)


@pytest.mark.parametrize("what", ["log", "target", "bar"])
def test_inputs_are_never_written_over(what: str, sound: Files, capsys: pytest.CaptureFixture[str]) -> None:
    path: Path = getattr(sound, what)
    before = path.read_bytes()
    for option in ("--json", "--save-columns"):
        code, _, err = run(capsys, *sound.usual, option, str(path), "--replace")
        assert code == 2, err
    assert path.read_bytes() == before


def test_a_position_comes_back(sound: Files, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    files = write(tmp_path, replace(ONE_RATE, offsets=(0.0,) * 8, plug=(900.0, 2.0)))
    _, said = document(capsys, *files.usual)
    lat, lon = (float(part) for part in found(said, "plugging")["where"].split("around ")[1].split(", "))
    # After 900 s passes 5 to 8 are left (of 8, 12.2 m wide): their middle is pass 6 or 7.
    east, _ = degrees([6.2 * files.width], [225.0])
    assert lon == pytest.approx(float(east[0]), abs=1.5 * files.width / 82_900)
    assert lat == pytest.approx(float(degrees([0.0], [225.0])[1][0]), abs=150 / 111_000)
