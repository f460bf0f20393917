"""A log on the ground against what was asked: nine squares checked by eye, accounts that add up, outside references."""

from __future__ import annotations

from dataclasses import replace

import geopandas
import numpy as np
import pytest
import shapely
from exactextract import exact_extract
from exactextract.raster import NumPyRasterSource
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st
from laws import laws
from log_files import FRAME
from pyproj import Transformer
from rasterio.features import rasterize
from rasterio.transform import from_origin
from scipy.signal import correlate
from simulator import Field, simulate

from geoflow.ground.applied_log import AppliedLog
from geoflow.ground.geometry import local_frame
from geoflow.ground.swaths import overlay, strips
from geoflow.reconciliation.causes import CAUSES, LOST_LIQUID, OVERLAP, ZONE_BORDER
from geoflow.reconciliation.field import Reconciliation, TargetMap, reconcile
from geoflow.report.ground_figures import class_areas

LAWS = laws(6)
RATE = 0.01  # kg/m2
PROMISE = 1e-3  # areas within 0.1 % of the exact vector union


def log_of(passes: list[dict[str, object]], *, seconds: float = 1.0, gap: float = 60.0) -> AppliedLog:
    """Straight passes, each a mapping of x, y (arrays of positions), heading, and what differs from the usual."""
    columns: dict[str, list[np.ndarray]] = {}
    clock = 0.0
    for number, one in enumerate(passes):
        x, y = np.broadcast_arrays(np.asarray(one["x"], float), np.asarray(one["y"], float))
        n = x.size
        usual: dict[str, object] = {
            "x": x, "y": y, "time": clock + seconds * np.arange(n), "heading": 0.0, "step": 2.0, "offset": 0.0,
            "width": 10.0, "applied": RATE, "target": np.nan, "flow": np.nan, "pump_pressure": np.nan,
            "bar_pressure": np.nan, "temperature": np.nan, "section": 0, "run": number, "on": True,
        }  # fmt: skip
        usual |= {name: value for name, value in one.items() if name not in {"x", "y"}}
        usual["speed"] = np.asarray(usual["step"], float) / seconds
        for name, value in usual.items():
            columns.setdefault(name, []).append(np.broadcast_to(np.asarray(value), (n,)))
        clock += seconds * n + gap
    every = {name: np.concatenate(parts) for name, parts in columns.items()}
    whole = {name: every.pop(name).astype(np.int64) for name in ("section", "run")}
    on = every.pop("on").astype(bool)
    rest = {name: values.astype(float) for name, values in every.items()}
    return AppliedLog(row=np.arange(on.size), on=on, **whole, **rest)


def north(x: float, count: int = 15, *, first: float = 2.0, step: float = 2.0, **more: object) -> dict[str, object]:
    """One pass north along x, from 0 to 30 m unless told."""
    return {"x": np.full(count, x), "y": first + step * np.arange(count), "step": step, **more}


def nine(rates: object = RATE) -> TargetMap:
    """Squares of 10 m, numbered from the south-west eastwards."""
    x, y = np.meshgrid(np.arange(3) * 10.0, np.arange(3) * 10.0)
    zones = np.asarray(shapely.box(x.ravel(), y.ravel(), x.ravel() + 10, y.ravel() + 10))
    return TargetMap(zones, np.broadcast_to(np.asarray(rates, float), (9,)).copy())


def compare(log: AppliedLog, asked: TargetMap | None = None, boundary: object = None) -> Reconciliation:
    return reconcile(log, asked, boundary, response_time=5.3)


def accounts_add_up(found: Reconciliation, rel: float = 1e-9) -> None:
    """Mass in the field and outside is the mass that went out; ground compared or not is the ground covered; causes are
    what is not within 10 %."""
    log, lain = found.log, found.overlay
    rate = np.nan_to_num(log.applied * log.width * log.step)[found.ground]
    areas = np.bincount(lain.strip, weights=lain.area, minlength=rate.size)
    outside = lain.zone < 0 if found.has_field else np.zeros(lain.zone.size, dtype=bool)
    beyond = float((rate / areas)[lain.strip][outside] @ lain.area[outside])
    inside = found.nitrogen_in_field if found.has_field else float(rate.sum())
    assert inside + beyond == pytest.approx(found.nitrogen_out, rel=rel)
    if found.zones is not None:
        assert found.zones.nitrogen.sum() == pytest.approx(found.nitrogen_in_field, rel=rel, abs=1e-12)
    assert lain.area.sum() == pytest.approx(lain.swept, rel=rel)
    agreed = found.agreement
    ground = lain.covered if not found.has_field else lain.covered if outside.sum() == 0 else found.laid.area.sum()
    assert agreed.area + agreed.area_unknown == pytest.approx(ground, rel=max(rel, PROMISE))
    passes = found.by_pass
    assert passes.area + passes.area_unknown == pytest.approx(found.piece_area.sum(), rel=rel)
    off = sum(found.cause_area.values())
    if agreed.area > 0.0:
        assert off == pytest.approx((1.0 - agreed.within_10) * agreed.area, rel=1e-9, abs=1e-9 * agreed.area)
    assert set(found.cause_area) == {*CAUSES, ZONE_BORDER, OVERLAP, LOST_LIQUID}


# Nine squares, by eye


def test_what_rounding_leaves_is_no_ground() -> None:
    found = compare(log_of([north(15.0)]), nine())
    for over, unknown in ((1e-12, 0.0), (0.01, 0.01 * found.agreement.area)):
        covered = replace(found.overlay, covered=found.agreement.area * (1.0 + over))
        assert class_areas(replace(found, overlay=covered))[-1] == pytest.approx(unknown)


def test_one_pass_up_the_middle() -> None:
    found = compare(log_of([north(15.0)]), nine())
    covered = [0, 100, 0] * 3
    assert found.zones is not None
    np.testing.assert_allclose(found.zones.covered, covered, atol=0.1)
    np.testing.assert_allclose(found.zones.missed, 100.0 - np.array(covered), atol=0.1)
    np.testing.assert_allclose(found.zones.nitrogen, RATE * np.array(covered, float), atol=1e-3)
    np.testing.assert_allclose(found.zones.rate[1::3], RATE, rtol=PROMISE)
    assert np.isnan(found.zones.rate[0])
    assert np.isnan(found.zones.within_10[0])
    np.testing.assert_allclose(found.zones.within_10[1::3], 1.0)
    assert found.overlay.missed == pytest.approx(600.0, rel=PROMISE)
    assert found.agreement.area == pytest.approx(300.0, rel=PROMISE)
    assert (found.agreement.within_5, found.agreement.bias) == (pytest.approx(1.0, rel=PROMISE), 0.0)
    assert found.nitrogen_asked == pytest.approx(9.0)
    assert found.nitrogen_out == pytest.approx(3.0)
    assert (found.asked_by, found.outside_area, found.unknown_rate_area) == ("map", 0.0, 0.0)
    accounts_add_up(found)


def test_a_pass_on_the_border_of_two_rates() -> None:
    """Half the bar over 0.010, half over 0.016: asked 0.013 on average, and what fits the one is off in the other."""
    found = compare(log_of([north(10.0)]), nine([0.010, 0.016, 0.010] * 3))
    np.testing.assert_allclose(found.log.target, 0.013, rtol=PROMISE)
    agreed = found.agreement
    assert agreed.within_10 == pytest.approx(0.5, abs=PROMISE)
    assert agreed.bias == pytest.approx(-0.003, rel=PROMISE)
    assert agreed.rmse == pytest.approx(0.006 / np.sqrt(2), rel=PROMISE)
    assert found.cause_area["section event"] + found.cause_area[ZONE_BORDER] == pytest.approx(150.0, rel=PROMISE)
    # The first six records (5.3 s, at one a second) are the start of the pass, 12 of 30 m.
    assert found.cause_area["section event"] == pytest.approx(60.0, rel=PROMISE)
    # Record by record the bar is off everywhere by 23 %: pieces tell more than records.
    (unshifted,) = [shift for shift in found.shifts if shift.seconds == 0.0]
    assert unshifted.agreement.within_10 == 0.0
    assert unshifted.agreement.within_20 == 0.0
    assert unshifted.agreement.bias == pytest.approx(agreed.bias, rel=1e-6)
    accounts_add_up(found)


def test_ground_driven_twice() -> None:
    """The middle column twice, the second time with half the rate: 1.5 times what was asked lies there."""
    found = compare(log_of([north(15.0), north(15.0, applied=0.5 * RATE)]), nine())
    assert found.zones is not None
    np.testing.assert_allclose(found.zones.doubled[1::3], 100.0, atol=0.1)
    np.testing.assert_allclose(found.zones.rate[1::3], 1.5 * RATE, rtol=PROMISE)
    np.testing.assert_allclose(found.zones.within_10[1::3], 0.0, atol=PROMISE)
    # The ground got both; each pass on its own was not above its target.
    assert found.agreement.area == pytest.approx(300.0, rel=PROMISE)
    assert found.agreement.within_10 == pytest.approx(0.0, abs=PROMISE)
    assert found.agreement.bias == pytest.approx(0.5 * RATE, rel=PROMISE)
    assert found.cause_area[OVERLAP] == pytest.approx(300.0, rel=PROMISE)
    assert found.by_pass.area == pytest.approx(600.0, rel=PROMISE)
    assert found.by_pass.within_10 == pytest.approx(0.5, abs=PROMISE)
    assert found.by_pass.bias == pytest.approx(-0.25 * RATE, rel=PROMISE)
    assert found.overlay.doubled == pytest.approx(300.0, rel=PROMISE)
    accounts_add_up(found)


def test_half_outside() -> None:
    """A pass from 16 m south of the field into its middle: what fell outside is neither compared nor lost."""
    found = compare(log_of([north(15.0, first=-14.0)]), nine())
    assert found.outside_area == pytest.approx(160.0, rel=PROMISE)
    assert found.nitrogen_out == pytest.approx(3.0)
    assert found.nitrogen_in_field == pytest.approx(1.4, rel=PROMISE)
    assert found.agreement.area == pytest.approx(140.0, rel=PROMISE)
    assert np.isnan(found.log.target[0])
    accounts_add_up(found)


def test_wholly_outside() -> None:
    found = compare(log_of([north(150.0)]), nine())
    assert found.agreement.area == 0.0
    assert np.isnan(found.agreement.bias)
    assert found.nitrogen_in_field == 0.0
    assert found.overlay.missed == pytest.approx(900.0)
    assert sum(found.cause_area.values()) == 0.0
    accounts_add_up(found)


def test_records_without_a_rate() -> None:
    """Rates of the last five records are not logged: their ground is covered, what fell there is not known."""
    applied = np.where(np.arange(15) < 10, RATE, np.nan)
    found = compare(log_of([north(15.0, applied=applied)]), nine())
    assert found.unknown_rate_area == pytest.approx(100.0, rel=PROMISE)
    assert found.agreement.area_unknown == pytest.approx(100.0, rel=PROMISE)
    assert found.agreement.area == pytest.approx(200.0, rel=PROMISE)
    assert found.nitrogen_out == pytest.approx(2.0)
    assert found.overlay.covered == pytest.approx(300.0)
    accounts_add_up(found)


def test_zones_of_rate_nothing() -> None:
    """Where nothing is asked, a missed square is right and a hit one wrong; no share of zero is made up."""
    asked = nine([0.0, 0.0, RATE] + [RATE] * 6)
    found = compare(log_of([north(15.0), north(25.0)]), asked)
    assert found.zones is not None
    np.testing.assert_allclose(found.zones.within_10[[1, 2, 4]], [0.0, 1.0, 1.0])
    assert found.missed_unasked == pytest.approx(100.0, rel=PROMISE)
    assert found.overlay.missed == pytest.approx(300.0, rel=PROMISE)
    assert found.agreement.within_10 == pytest.approx(5 / 6, abs=PROMISE)
    accounts_add_up(found)
    held = compare(log_of([north(15.0, applied=np.r_[np.zeros(5), np.full(10, RATE)])]), asked)
    assert held.zones is not None
    assert held.zones.within_10[1] == 1.0
    # Only what lies within a given boundary counts.
    within = compare(log_of([north(15.0)]), asked, shapely.box(5.0, 0.0, 30.0, 30.0))
    assert within.missed_unasked == pytest.approx(50.0, rel=PROMISE)


@pytest.mark.parametrize(
    ("boundary", "in_field", "missed"),
    [((10, 0, 20, 20), 200.0, 0.0), ((0, 0, 30, 30), 300.0, 600.0), ((-10, -10, 40, 40), 300.0, 2200.0)],
)
def test_a_boundary_of_another_size_than_the_map(
    boundary: tuple[float, ...], in_field: float, missed: float
) -> None:  # fmt: skip
    found = compare(log_of([north(15.0)]), nine(), shapely.box(*boundary))
    assert found.overlay.covered_in_field == pytest.approx(in_field, rel=PROMISE)
    assert found.overlay.missed == pytest.approx(missed, rel=PROMISE, abs=0.5)
    # Zones and agreement stay those of the map.
    assert found.agreement.area == pytest.approx(300.0, rel=PROMISE)
    accounts_add_up(found)


def test_a_boundary_without_a_map() -> None:
    target = np.where(np.arange(15) < 5, RATE, 2 * RATE)
    found = compare(log_of([north(15.0, target=target)]), None, shapely.box(0, 0, 20, 20))
    assert (found.asked_by, found.zones, found.has_field) == ("log", None, True)
    assert found.overlay.covered_in_field == pytest.approx(200.0, rel=PROMISE)
    assert found.overlay.missed == pytest.approx(200.0, rel=PROMISE)
    assert found.outside_area == pytest.approx(100.0, rel=PROMISE)
    assert found.agreement.area == pytest.approx(200.0, rel=PROMISE)
    assert found.agreement.within_10 == pytest.approx(0.5, abs=PROMISE)
    assert found.nitrogen_in_field == pytest.approx(2.0, rel=PROMISE)
    accounts_add_up(found)


def test_neither_map_nor_boundary_nor_target() -> None:
    found = compare(log_of([north(15.0)]))
    assert (found.asked_by, found.has_field, found.lag) == ("", False, None)
    assert np.isnan(found.nitrogen_in_field)
    assert np.isnan(found.agreement.within_10)
    assert found.agreement.area_unknown == pytest.approx(300.0)
    assert found.overlay.covered == pytest.approx(300.0)
    accounts_add_up(found)


def test_the_last_of_overlapping_zones_counts() -> None:
    zones = np.array([shapely.box(0, 0, 20, 30), shapely.box(12, 0, 30, 30)], dtype=object)
    found = compare(log_of([north(15.0)]), TargetMap(zones, np.array([RATE, 2 * RATE])))
    assert found.zones is not None
    np.testing.assert_allclose(found.zones.area, [360.0, 540.0], rtol=PROMISE)
    np.testing.assert_allclose(found.zones.covered, [60.0, 240.0], rtol=PROMISE)
    assert found.agreement.within_10 == pytest.approx(0.2, abs=PROMISE)
    assert found.nitrogen_asked == pytest.approx(360 * RATE + 540 * 2 * RATE, rel=PROMISE)
    accounts_add_up(found)


def test_nothing_in_the_log_that_is_ground() -> None:
    found = compare(log_of([north(15.0, on=False)]), nine())
    assert (found.nitrogen_out, found.overlay.swept, found.agreement.area) == (0.0, 0.0, 0.0)
    assert found.overlay.missed == pytest.approx(900.0)


def test_two_machines_at_the_same_time() -> None:
    """Same hours, other ground: every machine's pass keeps its own target."""
    one, two = north(5.0, 60, step=0.5, first=0.5), north(25.0, 60, step=0.5, first=0.5)
    log = log_of([one, two])
    log = replace(log, time=np.where(log.run == 0, log.time, log.time - 120.0))
    found = compare(log, nine([RATE, RATE, 2 * RATE] * 3))
    np.testing.assert_allclose(found.log.target[log.run == 0], RATE)
    np.testing.assert_allclose(found.log.target[log.run == 1], 2 * RATE)
    assert found.agreement.within_10 == pytest.approx(0.5, abs=PROMISE)
    for shift in found.shifts:
        assert shift.agreement.within_10 == pytest.approx(0.5, abs=PROMISE)


def test_shifts_are_a_second_either_way_of_the_lag() -> None:
    log, _ = simulate(Field(offsets=(0.0,) * 12))
    found = compare(log)
    assert found.lag is not None
    assert [shift.seconds for shift in found.shifts] == sorted(
        {0.0, *(round(found.lag.best + way, 3) for way in (-1, 0, 1))}
    )
    blind = compare(replace(log, time=log.time * np.nan))
    assert [shift.seconds for shift in blind.shifts] == [0.0]


# What must not matter


def numbers(found: Reconciliation) -> np.ndarray:
    lain, agreed = found.overlay, found.agreement
    zones = [] if found.zones is None else [found.zones.covered, found.zones.nitrogen, found.zones.doubled]
    return np.concatenate(
        [
            [lain.covered, lain.doubled, lain.missed, lain.covered_in_field, found.outside_area],
            [found.nitrogen_out * 1e2, agreed.area * agreed.bias * 1e2, agreed.area * agreed.rmse * 1e2],
            [agreed.area * agreed.within_10, *found.cause_area.values()],
            *zones,
        ]
    )


def wandering(seed: int) -> AppliedLog:
    """Passes with steps of rate, an overlap, a skip and a missing rate."""
    draw = np.random.default_rng(seed)
    passes = [
        north(x, 30, step=1.0, first=1.0, applied=RATE * np.repeat(draw.uniform(0.7, 1.3, 6), 5), target=RATE)
        for x in (4.0, 13.0, 23.5)
    ]
    log = log_of(passes)
    return replace(log, applied=np.where(draw.random(log.row.size) < 0.03, np.nan, log.applied))


SCALE = 900.0  # m2 of the field


@given(seed=st.integers(0, 10**6))
@LAWS
def test_cutting_records_in_two_changes_nothing(seed: int) -> None:
    log, asked = wandering(seed), nine(np.random.default_rng(seed).uniform(0.8, 1.2, 9) * RATE)
    each = np.repeat(np.arange(log.row.size), 2)
    half = replace(log, **{name: getattr(log, name)[each] for name in log.__slots__})
    first = np.arange(each.size) % 2 == 0
    half = replace(
        half,
        row=np.arange(each.size),
        y=half.y - np.where(first, 0.5, 0.0),
        time=half.time - np.where(first, 0.5, 0.0),
        step=half.step / 2,
    )
    # Causes look at the moments before, which are others now; all else is the same ground.
    whole, parts = numbers(compare(log, asked)), numbers(compare(half, asked))
    assert parts[:9] == pytest.approx(whole[:9], abs=PROMISE * SCALE)
    assert parts[19:] == pytest.approx(whole[19:], abs=PROMISE * SCALE)
    assert parts[9:19].sum() == pytest.approx(whole[9:19].sum(), abs=PROMISE * SCALE)


@given(seed=st.integers(0, 10**6), turn=st.floats(0.0, 6.3), east=st.floats(-2e4, 2e4), north_=st.floats(-2e4, 2e4))
@LAWS
def test_moving_and_turning_the_field_changes_nothing(seed: int, turn: float, east: float, north_: float) -> None:
    log, asked = wandering(seed), nine(np.random.default_rng(seed).uniform(0.8, 1.2, 9) * RATE)
    sin, cos = np.sin(turn), np.cos(turn)

    def moved(points: np.ndarray) -> np.ndarray:  # clockwise, as headings are counted
        return points @ np.array([[cos, -sin], [sin, cos]]) + [east, north_]

    x, y = moved(np.column_stack([log.x, log.y])).T
    there = replace(log, x=x, y=y, heading=log.heading + turn)
    zones = shapely.transform(asked.zones, moved)
    assert numbers(compare(there, TargetMap(zones, asked.rate))) == pytest.approx(
        numbers(compare(log, asked)), abs=2 * PROMISE * SCALE
    )


@given(seed=st.integers(0, 10**6))
@LAWS
def test_the_order_of_zones_and_of_passes_changes_nothing(seed: int) -> None:
    draw = np.random.default_rng(seed)
    log, asked = wandering(seed), nine(draw.uniform(0.8, 1.2, 9) * RATE)
    order = draw.permutation(9)
    whole = compare(log, asked)
    mixed = compare(log, TargetMap(asked.zones[order], asked.rate[order]))
    assert whole.zones is not None
    assert mixed.zones is not None
    np.testing.assert_allclose(mixed.zones.covered, whole.zones.covered[order], atol=0.05)
    np.testing.assert_allclose(mixed.zones.within_10, whole.zones.within_10[order], atol=PROMISE)
    assert numbers(mixed)[:16] == pytest.approx(numbers(whole)[:16], abs=PROMISE * SCALE)
    # Runs in another order in the file.
    by_run = np.argsort(draw.permutation(3)[log.run], kind="stable")
    shuffled = replace(log, **{name: getattr(log, name)[by_run] for name in log.__slots__})
    assert numbers(compare(shuffled, asked)) == pytest.approx(numbers(whole), abs=PROMISE * SCALE)


@given(seed=st.integers(0, 10**6))
@LAWS
def test_the_accounts_add_up(seed: int) -> None:
    draw = np.random.default_rng(seed)
    asked = nine(draw.uniform(0.0, 1.5, 9) * RATE * (draw.random(9) > 0.2))
    for boundary in (None, shapely.box(*sorted(draw.uniform(-5, 15, 2)), *sorted(draw.uniform(15, 35, 2)))):
        accounts_add_up(compare(wandering(seed), asked, boundary))


# References from outside


def serpentine() -> np.ndarray:
    """Passes to and fro with round headland turns, each overlapping the one before by 1 m of 18."""
    parts = []
    for number in range(6):
        x0 = 17.0 * number + 20.0
        y = np.arange(20.0, 180.0, 2.0)
        up = number % 2 == 0
        parts.append(np.column_stack([np.full(y.size, x0), y if up else y[::-1]]))
        angle = np.linspace(0.0, np.pi, 14)[1:-1]
        middle, end = x0 + 8.5, 180.0 if up else 18.0
        parts.append(np.column_stack([middle - 8.5 * np.cos(angle), end + (1 if up else -1) * 8.5 * np.sin(angle)]))
    way = np.concatenate(parts)
    return ground_of(way, 18.0)


def circle() -> np.ndarray:
    angle = np.linspace(0.0, 2.5 * np.pi, 220)
    spiral = 30.0 + 15.0 * angle / (2 * np.pi)
    return ground_of(np.column_stack([100 + spiral * np.sin(angle), 100 + spiral * np.cos(angle)]), 18.0)


def point_rows() -> np.ndarray:
    """Passes that end on a slanting edge, one section wide, side by side."""
    parts = [
        ground_of(np.column_stack([np.full(n, 5.0 + 1.5 * k), 10.0 + 2.0 * np.arange(n)]), 1.524)
        for k, n in enumerate(range(80, 20, -1))
    ]
    return np.concatenate(parts)


def ground_of(way: np.ndarray, width: float) -> np.ndarray:
    step = np.diff(way, axis=0)
    log = log_of([{"x": way[1:, 0], "y": way[1:, 1], "heading": np.arctan2(*step.T), "step": np.hypot(*step.T)}])
    return strips(replace(log, width=np.full(log.row.size, width)))[0]


def blobs() -> np.ndarray:
    """Zones of no straight shape: circles cut out of each other, one with a hole, over 200 m."""
    one = shapely.Point(70, 80).buffer(60, quad_segs=30)
    two = shapely.difference(shapely.Point(140, 120).buffer(50, quad_segs=30), one)
    hole = shapely.Point(150, 130).buffer(15, quad_segs=30)
    rest = shapely.difference(shapely.box(0, 0, 200, 200), shapely.union_all([one, two]))
    return np.array([one, shapely.difference(two, hole), rest], dtype=object)


GROUNDS = {"serpentine": serpentine, "spiral": circle, "point rows": point_rows}


@pytest.mark.parametrize("name", GROUNDS)
def test_cover_by_zone_as_exactextract_has_it(name: str) -> None:
    """Strips burnt on a grid of 0.1 m by rasterio, the grid's share of each zone by exactextract's exact cell
    fractions: cells on the edges of strips are in or out by their middle, so within 0.1 % of each zone's area."""
    quads, zones = GROUNDS[name](), blobs()
    found = overlay(quads, np.ones(len(quads)), zones)
    cell, west = 0.1, -20.0
    counts = rasterize(
        ((shape, 1) for shape in shapely.make_valid(shapely.polygons(quads))),
        out_shape=(2400, 2400), transform=from_origin(west, west + 240.0, cell, cell), fill=0, dtype="uint8",
    )  # fmt: skip
    source = NumPyRasterSource(counts.astype(float), west, west, west + 240.0, west + 240.0, srs_wkt=FRAME.to_wkt())
    frame = geopandas.GeoDataFrame(geometry=list(zones), crs=FRAME)
    share = exact_extract(source, frame, ["mean", "count"], output="pandas")
    area = shapely.area(zones)
    # The reference itself: round zones to 1e-9, the one that surrounds them to 1.4e-5 (seen; 0.3 m2).
    np.testing.assert_allclose(share["count"] * cell**2, area, rtol=2e-5)
    np.testing.assert_allclose(found.zone_covered / area, share["mean"], atol=PROMISE)


@pytest.mark.parametrize("name", GROUNDS)
def test_cover_as_geos_has_it(name: str) -> None:
    quads, zones = GROUNDS[name](), blobs()
    found = overlay(quads, np.full(len(quads), RATE), zones)
    shapes = shapely.make_valid(shapely.polygons(quads))
    union = shapely.union_all(shapes)
    assert found.covered == pytest.approx(union.area, rel=PROMISE)
    np.testing.assert_allclose(found.zone_covered, shapely.area(shapely.intersection(zones, union)), rtol=PROMISE)
    laid = [float(shapely.area(shapely.intersection(shapes, zone)).sum()) * RATE for zone in zones]
    np.testing.assert_allclose(found.zone_applied, laid, rtol=PROMISE)
    assert found.missed == pytest.approx(shapely.union_all(zones).difference(union).area, rel=PROMISE)


@pytest.mark.parametrize(("lon", "lat"), [(-93.5, 42.0), (-101.2, 33.1), (-112.7, 48.9)])
def test_ground_is_geodesic_ground(lon: float, lat: float) -> None:
    """A block of 1,000 m square laid out with geographiclib's geodesics, covered wholly: its area by the same
    library within 1 ppm (edges of 1 km in the frame are geodesics to millimetres)."""
    corners, where = [], Geodesic.WGS84
    for azimuth in (225.0, 135.0, 45.0, 315.0):
        at = where.Direct(lat, lon, azimuth, 1000.0 / np.sqrt(2.0))
        corners.append((at["lon2"], at["lat2"]))
    polygon = where.Polygon()
    for one in corners:
        polygon.AddPoint(one[1], one[0])
    truth = polygon.Compute()[2]
    frame = local_frame(lon + 0.003, lat - 0.002)  # the field's middle is not quite the map's
    onto = Transformer.from_crs(4326, frame, always_xy=True)
    zone = shapely.Polygon(np.column_stack(onto.transform(*np.array(corners).T)))
    low_x, low_y, high_x, high_y = zone.bounds
    count = 40
    y = low_y - 50.0 + (high_y - low_y + 100.0) / count * np.arange(1, count + 1)
    width = (high_x - low_x + 100.0) / 3
    passes = [
        {"x": np.full(count, low_x - 50.0 + width * (k + 0.5)), "y": y, "step": y[1] - y[0], "width": width}
        for k in range(3)
    ]
    found = compare(log_of(passes), TargetMap(np.array([zone], dtype=object), np.array([RATE])))
    assert abs(truth) == pytest.approx(1e6, rel=1e-4)
    assert found.overlay.covered_in_field == pytest.approx(abs(truth), rel=1e-6)


@pytest.mark.parametrize("lag", [2, 5])
def test_lag_as_scipy_finds_it(lag: int) -> None:
    """The whole comparison against a map: zones of 24 records, applied `lag` records late. scipy.signal.correlate of
    applied with the map's rate under each record peaks at the same whole second."""
    draw = np.random.default_rng(lag)
    blocks = draw.uniform(0.7, 1.3, 30) * RATE
    zones = np.asarray(shapely.box(0.0, 48.0 * np.arange(30), 10.0, 48.0 * np.arange(1, 31)))
    asked = np.repeat(blocks, 24)
    applied = np.r_[np.full(lag, asked[0]), asked[:-lag]] * draw.normal(1.0, 0.01, asked.size)
    found = compare(log_of([north(5.0, asked.size, applied=applied)]), TargetMap(zones, blocks))
    assert found.lag is not None
    assert found.lag_from == "map"
    product = correlate(applied - applied.mean(), found.log.target - found.log.target.mean(), mode="full")
    assert int(np.argmax(product)) - (asked.size - 1) == lag
    assert found.lag.best == pytest.approx(lag, abs=0.1)
    shifts = {shift.seconds: shift.agreement.within_10 for shift in found.shifts}
    assert shifts[found.lag.best] == max(shifts.values()) == pytest.approx(1.0, abs=0.01)
