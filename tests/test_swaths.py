"""Strips and their overlay on zones, against cases checked by eye, exact areas from GEOS and published turns."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyproj
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from laws import laws

from geoflow.base.errors import RangeError
from geoflow.ground import swaths
from geoflow.ground.applied_log import AppliedLog
from geoflow.ground.geometry import local_frame
from geoflow.ground.pieces import Pieces, zone_edges
from geoflow.ground.scanlines import scan
from geoflow.ground.swaths import Overlay, ground_rates, overlay, strip_areas, strips
from geoflow.reconciliation.causes import turning_ratio

LAWS = laws(60)
# The promise: areas within 0.1 % of the exact vector union.
PROMISE = 1e-3


def log_of(
    x: object, y: object, heading: object, step: object, width: object = 10.0, offset: object = 0.0, **more: object
) -> AppliedLog:
    """Records from the columns that matter here; one run and section unless told."""
    columns = np.broadcast_arrays(*(np.asarray(column, dtype=float) for column in (x, y, heading, step, width, offset)))
    n = columns[0].size
    named = dict(
        zip(("x", "y", "heading", "step", "width", "offset"), (np.array(c).ravel() for c in columns), strict=True)
    )
    blank = {
        name: np.full(n, np.nan)
        for name in ("time", "speed", "target", "flow", "pump_pressure", "bar_pressure", "temperature")
    }
    numbers = {name: np.zeros(n, dtype=np.int64) for name in ("section", "run")}
    rest = {"row": np.arange(n), "on": np.ones(n, dtype=bool), "applied": np.full(n, 0.01)}
    return AppliedLog(**{**blank, **named, **numbers, **rest, **more})  # type: ignore[arg-type]


def driven(x: np.ndarray, y: np.ndarray, width: float, run: int = 0) -> AppliedLog:
    """Log of one pass along points, each heading the direction of its step."""
    dx, dy = np.diff(x), np.diff(y)
    log = log_of(x[1:], y[1:], np.arctan2(dx, dy), np.hypot(dx, dy), width)
    return replace(log, run=np.full(dx.size, run))


def together(logs: list[AppliedLog]) -> AppliedLog:
    return AppliedLog(
        **{name: np.concatenate([getattr(log, name) for log in logs]) for name in AppliedLog.__dataclass_fields__}
    )


def circle(radius: float, width: float, centre: tuple[float, float] = (0.0, 0.0), run: int = 0) -> AppliedLog:
    turn = np.linspace(0.0, 2.0 * np.pi, max(8, round(2.0 * np.pi * radius / 2.2)) + 1)
    x, y = centre[0] - radius * np.cos(turn), centre[1] + radius * np.sin(turn)
    log = log_of(x, y, turn, radius * turn[1], width)
    return replace(log, run=np.full(turn.size, run))


def grid(columns: int, rows: int, size: float, corner: tuple[float, float] = (0.0, 0.0)) -> np.ndarray:
    x, y = np.meshgrid(corner[0] + np.arange(columns) * size, corner[1] + np.arange(rows) * size)
    return np.asarray(shapely.box(x.ravel(), y.ravel(), x.ravel() + size, y.ravel() + size))


def rectangles(seed: int, n: int, spread: float) -> np.ndarray:
    draw = np.random.default_rng(seed)
    log = log_of(*draw.uniform(0, spread, (2, n)), draw.uniform(0, 7, n), draw.uniform(1, 3, n), draw.uniform(3, 18, n))
    return strips(replace(log, run=np.arange(n)))[0]


def exact(quads: np.ndarray, zones: np.ndarray) -> dict[str, np.ndarray]:
    """Union and double coverage by GEOS; a crossed strip is the two wings that make_valid finds."""
    shapes = shapely.make_valid(shapely.polygons(quads))
    union = shapely.union_all(shapes)
    one, two = shapely.STRtree(shapes).query(shapes)
    both = shapely.intersection(shapes[one[one < two]], shapes[two[one < two]])
    doubled = shapely.union_all(both[shapely.area(both) > 1e-9])
    field = shapely.union_all(zones)
    return {
        "swept": shapely.area(shapes).sum(),
        "covered": shapely.area(union),
        "doubled": shapely.area(doubled),
        "covered_in_field": shapely.area(shapely.intersection(union, field)),
        "missed": shapely.area(shapely.difference(field, union)),
        "zone_covered": shapely.area(shapely.intersection(zones, union)),
        "zone_doubled": shapely.area(shapely.intersection(zones, doubled)),
    }


def rows() -> np.ndarray:
    """Six passes to and fro with a skip, an overlap and a slight weave."""
    k = np.arange(61) * 2.2
    passes = []
    for number, x in enumerate((9.0, 27.0, 45.5, 62.0, 80.0, 99.0)):
        y = k if number % 2 == 0 else k[::-1]
        passes.append(driven(x + 0.4 * np.sin(y / 15.0), y, 18.0, number))
    return strips(together(passes))[0]


def headland() -> np.ndarray:
    """Rounds of a headland crossed by straight passes."""
    rounds = [circle(radius, 18.0, (60.0, 60.0), run) for run, radius in enumerate((50.0, 66.0))]
    k = np.arange(70) * 2.0 - 10.0
    straight = [driven(np.full(k.size, x), k, 18.0, 10 + run) for run, x in enumerate((30.0, 48.0, 66.0))]
    return strips(together(rounds + straight))[0]


def turn_on_the_spot() -> np.ndarray:
    """A turn of radius 4 m with a bar of 18 m: its inner end goes backwards, strips are crossed."""
    return strips(circle(4.0, 18.0, (50.0, 50.0)))[0]


SHAPES = {
    "rows": rows(),
    "headland circles and crossing passes": headland(),
    "turn tighter than the bar": turn_on_the_spot(),
    "random strips": rectangles(1, 400, 100.0),
    "scattered strips": rectangles(2, 60, 300.0),
    "circle of strips": strips(circle(40.0, 18.0, (60.0, 60.0)))[0],
    "row of points": strips(driven(np.full(500, 31.3), np.arange(500) * 0.2, 0.5))[0],
    "points a step apart": strips(log_of(np.arange(40) * 2.5, 50.0, 0.0, 1.0, 0.76, run=np.arange(40)))[0],
    "one turn": strips(circle(15.0, 18.0, (40.0, 40.0)))[0][:8],
    "one strip of 3 x 2 m": strips(log_of([41.0], [43.0], 0.7, 2.0, 3.0))[0],
}


def rated(quads: np.ndarray) -> np.ndarray:
    return np.random.default_rng(5).uniform(0.005, 0.03, len(quads))


# By eye: a field of 3 x 3 squares of 10 m.


def eastward(x: float, y: float, length: float, width: float) -> AppliedLog:
    return log_of([x], [y], np.pi / 2, length, width)


@pytest.mark.parametrize(
    ("x", "y", "length", "width", "shares"),
    [
        (20.0, 15.0, 10.0, 10.0, [0, 0, 0, 0, 1, 0, 0, 0, 0]),
        (20.0, 15.0, 10.0, 5.0, [0, 0, 0, 0, 0.5, 0, 0, 0, 0]),
        (15.0, 10.0, 10.0, 10.0, [0.25, 0.25, 0, 0.25, 0.25, 0, 0, 0, 0]),
        (25.0, 15.0, 20.0, 20.0, [0.25, 0.5, 0.25, 0.5, 1, 0.5, 0.25, 0.5, 0.25]),
        (40.0, 5.0, 20.0, 5.0, [0, 0, 0.5, 0, 0, 0, 0, 0, 0]),
    ],
)
def test_shares_of_nine_squares(x: float, y: float, length: float, width: float, shares: list[float]) -> None:
    quads, _ = strips(eastward(x, y, length, width))
    found = overlay(quads, np.array([0.01]), grid(3, 3, 10.0))
    np.testing.assert_allclose(found.zone_covered / 100.0, shares, atol=1e-3)
    np.testing.assert_allclose(found.zone_applied, np.multiply(shares, 1.0), atol=1e-3)
    np.testing.assert_allclose(found.zone_area, 100.0, rtol=1e-12)
    assert found.covered == pytest.approx(length * width, rel=1e-9)
    assert found.missed == pytest.approx(900.0 - 100.0 * sum(shares), rel=PROMISE)


def test_ground_driven_twice_counts_its_nitrogen_twice() -> None:
    quads, _ = strips(
        together([eastward(20.0, 15.0, 10.0, 10.0), replace(eastward(15.0, 15.0, 10.0, 10.0), run=np.array([1]))])
    )
    found = overlay(quads, np.array([0.01, 0.02]), grid(3, 3, 10.0))
    assert found.swept == pytest.approx(200.0)
    assert found.covered == pytest.approx(150.0, rel=PROMISE)
    assert found.doubled == pytest.approx(50.0, rel=PROMISE)
    np.testing.assert_allclose(found.zone_doubled[[3, 4]], [0.0, 50.0], atol=0.05)
    np.testing.assert_allclose(found.zone_applied[[3, 4]], [1.0, 2.0], atol=2e-3)


def test_boundary_decides_what_is_field() -> None:
    quads, _ = strips(eastward(20.0, 15.0, 20.0, 10.0))
    found = overlay(quads, np.array([0.01]), grid(3, 3, 10.0), shapely.box(10.0, 0.0, 30.0, 30.0))
    assert found.covered_in_field == pytest.approx(100.0, rel=PROMISE)
    assert found.missed == pytest.approx(500.0, rel=PROMISE)
    np.testing.assert_allclose(found.zone_covered[[3, 4]], 100.0, rtol=PROMISE)


def test_the_last_of_overlapping_zones_counts() -> None:
    zones = np.array([shapely.box(0, 0, 20, 10), shapely.box(15, 0, 30, 10)])
    quads, _ = strips(eastward(30.0, 5.0, 30.0, 10.0))
    found = overlay(quads, np.array([0.01]), zones)
    np.testing.assert_allclose(found.zone_area, [150.0, 150.0], rtol=PROMISE)
    np.testing.assert_allclose(found.zone_applied, [1.5, 1.5], rtol=PROMISE)


def test_holes_islands_parts_and_missing_zones() -> None:
    ring = shapely.difference(shapely.box(0, 0, 30, 30), shapely.box(10, 10, 20, 20))
    zones = np.array([shapely.union(ring, shapely.box(14, 14, 16, 16)), None, shapely.box(40, 0, 50, 30)], dtype=object)
    quads, _ = strips(eastward(60.0, 15.0, 70.0, 10.0))
    found = overlay(quads, np.array([0.01]), zones)
    np.testing.assert_allclose(found.zone_covered, [204.0, 0.0, 100.0], rtol=PROMISE)
    np.testing.assert_allclose(found.zone_area, [804.0, 0.0, 300.0], rtol=1e-9)


def test_nothing_on_nothing() -> None:
    found = overlay(np.zeros((0, 4, 2)), np.zeros(0), grid(2, 1, 10.0))
    assert (found.swept, found.covered, found.doubled) == (0.0, 0.0, 0.0)
    assert found.missed == pytest.approx(200.0)
    empty = overlay(strips(eastward(10.0, 5.0, 10.0, 10.0))[0], np.array([0.01]), np.array([], dtype=object))
    assert empty.covered == pytest.approx(100.0)
    np.testing.assert_array_equal(empty.zone, [-1])


@pytest.mark.parametrize(
    ("quads", "rate", "word"),
    [
        (np.full((1, 4, 2), np.nan), np.zeros(1), "corner"),
        (np.zeros((2, 4, 2)), np.array([0.0, np.nan]), "strip 1"),
        (np.zeros((2, 4, 2)), np.zeros(3), "one rate for every strip"),
    ],
)
def test_what_is_missing_is_refused(quads: np.ndarray, rate: np.ndarray, word: str) -> None:
    with pytest.raises(RangeError, match=word):
        overlay(quads, rate, grid(1, 1, 10.0))


# Against GEOS.


@pytest.fixture(scope="module", params=["plain", "compiled"])
def way(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(scope="module", params=SHAPES, ids=str)
def laid(request: pytest.FixtureRequest, way: str) -> tuple[np.ndarray, np.ndarray, Overlay]:
    if way == "compiled":
        pytest.importorskip("numba", reason="the extra `fast` is not installed")
    quads = SHAPES[request.param]
    zones = grid(5, 5, 22.0, (-3.0, 1.0))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(swaths, "is_worth", lambda _: way == "compiled")
        return quads, zones, overlay(quads, rated(quads), zones)


def test_areas_agree_with_the_exact_union(laid: tuple[np.ndarray, np.ndarray, Overlay]) -> None:
    quads, zones, found = laid
    truth = exact(quads, zones)
    assert found.swept == pytest.approx(truth["swept"], rel=1e-9)
    for name in ("covered", "covered_in_field", "missed"):
        assert getattr(found, name) == pytest.approx(truth[name], rel=PROMISE), name
    assert found.doubled == pytest.approx(truth["doubled"], rel=PROMISE, abs=1e-5 * truth["covered"])
    np.testing.assert_allclose(found.zone_covered, truth["zone_covered"], atol=PROMISE * 22.0**2)
    np.testing.assert_allclose(found.zone_doubled, truth["zone_doubled"], atol=PROMISE * 22.0**2)
    assert abs(found.covered_in_field / truth["covered_in_field"] - 1.0) <= max(found.error_estimate, 1e-6)


def test_every_strip_keeps_its_mass(laid: tuple[np.ndarray, np.ndarray, Overlay]) -> None:
    quads, _, found = laid
    areas = shapely.area(shapely.make_valid(shapely.polygons(quads)))
    np.testing.assert_allclose(np.bincount(found.strip, weights=found.area), areas, rtol=1e-9)
    outside = found.zone < 0
    total = found.zone_applied.sum() + (rated(quads)[found.strip] * found.area)[outside].sum()
    assert total == pytest.approx((rated(quads) * areas).sum(), rel=1e-9)
    assert len(np.unique(found.strip * 100 + found.zone)) == found.strip.size


def test_strips_lie_where_geos_puts_them(laid: tuple[np.ndarray, np.ndarray, Overlay]) -> None:
    quads, zones, found = laid
    shapes = shapely.make_valid(shapely.polygons(quads))
    part = shapely.area(shapely.intersection(shapes[found.strip], zones[found.zone]))
    inside = found.zone >= 0
    np.testing.assert_allclose(found.area[inside], part[inside], atol=2e-3 * shapely.area(shapes).max())
    truth = shapely.intersection(shapely.union_all(zones), shapes)
    assert found.area[inside].sum() == pytest.approx(shapely.area(truth).sum(), rel=PROMISE)


@pytest.mark.slow
@given(seed=st.integers(0, 10**6), n=st.integers(1, 25), turn=st.floats(0.0, 6.3))
@LAWS
def test_any_strips_agree_with_geos(seed: int, n: int, turn: float) -> None:
    quads = rectangles(seed, n, 40.0)
    matrix = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    zones = shapely.transform(grid(2, 2, 20.0), lambda points: points @ matrix)
    found = overlay(quads @ matrix, np.ones(n), zones)
    truth = exact(quads @ matrix, zones)
    assert found.covered == pytest.approx(truth["covered"], rel=PROMISE)
    assert found.doubled == pytest.approx(truth["doubled"], abs=PROMISE * truth["covered"])
    assert found.missed == pytest.approx(truth["missed"], abs=PROMISE * 1600.0)


@pytest.mark.parametrize("right", np.sqrt(7.0 * np.arange(1, 40)))
def test_every_line_counts_as_even_or_odd_by_its_number(right: float) -> None:
    """A strip that begins outside all zones, on lines of any length: what it covers adds up to what it sweeps."""
    pieces = Pieces.of(
        np.array([[[0.0, 0.0], [right, 0.0], [right, 400.0], [0.0, 400.0]]]), np.zeros(1, dtype=np.int64)
    )
    edges = zone_edges([shapely.box(0.5 * right, 0.0, right, 400.0)], np.eye(2))
    found = scan(pieces, edges, 1, False, (0.0, right), 1.0)
    np.testing.assert_allclose(found.reached, found.swept, rtol=1e-9)


def test_slim_zones_between_two_lines_are_still_measured() -> None:
    # 20,000 strips on 16 km2 put lines some decimetres apart; the zone is 2 cm high where lines run level.
    n = 20_000
    quads = rectangles(3, n, 4000.0)
    angle = 0.3
    slim = shapely.box(2000.0, 2000.0, 2000.02, 2000.02)
    over = strips(log_of([2005.0], [2005.0], angle, 20.0, 20.0))[0]
    found = overlay(np.concatenate([quads, over]), np.zeros(n + 1), np.array([slim, shapely.box(0, 0, 4000, 1900)]))
    assert found.zone_covered[0] == pytest.approx(4e-4, rel=PROMISE)


def test_strips_between_two_lines_keep_their_nitrogen() -> None:
    quads = rectangles(4, 20_000, 3000.0)
    specks = strips(log_of(np.arange(50) * 50.0 + 25.0, 1000.0, 1.0, 0.01, 0.01, run=np.arange(50)))[0]
    zones = grid(6, 6, 500.0)
    found = overlay(np.concatenate([quads, specks]), np.r_[np.zeros(20_000), np.ones(50)], zones)
    assert found.zone_applied.sum() == pytest.approx(50 * 1e-4, rel=1e-9)
    lies_in = shapely.STRtree(zones).query(shapely.points(specks.mean(axis=1)), predicate="within")[1]
    np.testing.assert_allclose(found.zone_applied, np.bincount(lies_in, minlength=36) * 1e-4, atol=1e-12)


def test_areas_agree_with_geodesic_ones() -> None:
    frame = local_frame(-93.6, 42.0)
    back = pyproj.Transformer.from_crs(frame, 4326, always_xy=True)
    quads = strips(driven(np.full(200, 12.0), np.arange(200) * 2.2, 18.0))[0]
    ring = shapely.get_coordinates(shapely.union_all(shapely.polygons(quads)).exterior)
    area, _ = pyproj.Geod(ellps="WGS84").polygon_area_perimeter(*back.transform(*ring.T))
    found = overlay(quads, np.ones(len(quads)), grid(1, 1, 500.0))
    # Measured with pyproj's geodesics: the frame agrees with geodesic areas to 0.002 ppm; edges of 440 m are nearly
    # geodesic.
    assert found.covered == pytest.approx(abs(area), rel=1e-6)


# Strips of a log.


def test_a_strip_is_where_the_section_was() -> None:
    quads, ground = strips(log_of([100.0], [50.0], np.pi / 2, 2.0, 3.0, offset=4.0))
    # Eastward, the section's centre 4 m to the right, which is south.
    np.testing.assert_allclose(quads[0], [[98, 47.5], [98, 44.5], [100, 44.5], [100, 47.5]], atol=1e-12)
    assert ground.all()


def test_strips_of_a_turn_join_without_wedges() -> None:
    log = circle(30.0, 18.0)
    quads, _ = strips(log)
    np.testing.assert_allclose(quads[1:, 0], quads[:-1, 3], atol=1e-9)
    np.testing.assert_allclose(quads[1:, 1], quads[:-1, 2], atol=1e-9)
    found = overlay(quads[1:], np.ones(len(quads) - 1), np.array([shapely.box(-50, -50, 50, 50)]))
    ideal = np.pi * (39.0**2 - 21.0**2)
    n = len(quads) - 1
    assert found.covered == pytest.approx(ideal * np.sin(2 * np.pi / n) * n / (2 * np.pi), rel=PROMISE)
    assert found.doubled < 1e-6 * found.covered


def test_sections_and_runs_do_not_join_each_other() -> None:
    x, y = np.array([0.0, 0.0, 0.0, 0.0, 30.0]), np.array([2.0, 2.0, 4.0, 4.0, 4.0])
    section = np.array([0, 1, 0, 1, 0])
    log = log_of(
        x, y, 0.0, 2.0, 5.0, offset=np.where(section, 2.5, -2.5), section=section, run=np.array([0, 0, 0, 0, 1])
    )
    quads, _ = strips(log)
    np.testing.assert_allclose(strip_areas(quads), 10.0)
    assert shapely.area(shapely.union_all(shapely.polygons(quads))) == pytest.approx(50.0)


def test_a_record_lost_on_the_way_leaves_a_gap() -> None:
    quads, _ = strips(log_of(0.0, [2.0, 4.0, 8.0], 0.0, 2.0))
    np.testing.assert_allclose(strip_areas(quads), 20.0)
    assert quads[2, 0, 1] == pytest.approx(6.0)


@pytest.mark.parametrize("column", ["x", "y", "heading", "step", "width", "offset", "off", "standing"])
def test_records_without_ground_are_marked(column: str) -> None:
    log = log_of(0.0, [2.0, 4.0, 6.0], 0.0, 2.0)
    if column == "off":
        log = replace(log, on=np.array([True, False, True]))
    elif column == "standing":
        log = replace(log, step=np.array([2.0, 0.0, 2.0]))
    else:
        log = replace(log, **{column: np.where([False, True, False], np.nan, getattr(log, column))})
    quads, ground = strips(log)
    assert ground.tolist() == [True, False, True]
    assert np.isnan(quads[1]).all()
    np.testing.assert_allclose(strip_areas(quads[ground]), 20.0)


@pytest.mark.parametrize("radius", [0.5, 4.0, 9.0, 30.0, 300.0])
def test_every_record_keeps_its_mass_in_any_turn(radius: float) -> None:
    log = circle(radius, 18.0)
    quads, _ = strips(log)
    rate = ground_rates(log, strip_areas(quads))
    np.testing.assert_allclose(rate * strip_areas(quads), 0.01 * 18.0 * log.step, rtol=1e-12)
    assert (rate <= 0.01 / 0.01 * (1 + 1e-9)).all()


def test_dented_strips_have_the_area_geos_finds() -> None:
    draw = np.random.default_rng(9)
    quads = draw.uniform(0.0, 10.0, (2000, 4, 2))
    truth = shapely.area(shapely.make_valid(shapely.polygons(quads)))
    assert (~shapely.is_valid(shapely.polygons(quads))).sum() > 300
    np.testing.assert_allclose(strip_areas(quads), truth, rtol=1e-9, atol=1e-9)


# Turning. Luck et al. 2011 (Precision Agriculture 12:534); rate = nominal / (1 + y/R): tips beyond -10 % where R < 9 y,
# inner beyond +10 % where R < 11 y.


def arc(radius: float, offsets: np.ndarray, width: float, right: bool = True) -> AppliedLog:
    """Two records of every section on a circle, 2 m of arc apart."""
    turn = 2.0 / radius
    side = 1.0 if right else -1.0
    one, two = (
        log_of(
            -side * radius * np.cos(a),
            radius * np.sin(a),
            side * a,
            2.0,
            width,
            offsets,
            section=np.arange(offsets.size),
        )
        for a in (0.0, turn)
    )
    return together([one, two])


@pytest.mark.parametrize(
    ("radius_by_y", "offset", "ratio"), [(9.0, -9.144, 0.9), (11.0, 9.144, 1.1), (1.0, -9.144, 0.5)]
)
@pytest.mark.parametrize("right", [True, False])
def test_tips_reach_ten_percent_where_the_formula_says(
    radius_by_y: float, offset: float, ratio: float, right: bool
) -> None:
    log = arc(radius_by_y * 9.144, np.array([offset if right else -offset]), 0.762, right)
    np.testing.assert_allclose(turning_ratio(log), [ratio, ratio], rtol=1e-9)


@pytest.mark.parametrize("radius", [12.0, 40.0, 160.0])
def test_strip_areas_show_the_same_turning_error(radius: float) -> None:
    log = arc(radius, np.linspace(-9.0, 9.0, 25), 0.75)
    last = slice(25, None)
    shown = log.step * log.width / strip_areas(strips(log)[0])
    # Chord for arc: 1/8 of the square of the change of heading; the step here is the arc, so half of it twice over.
    np.testing.assert_allclose(shown[last], turning_ratio(log)[last], rtol=0.6 * (2.0 / radius) ** 2)


@pytest.mark.parametrize(
    ("field", "bar", "published"),
    [(160, 14.5, 30), (160, 24.5, 58), (160, 29.5, 65), (310, 14.5, 8), (310, 24.5, 22), (310, 29.5, 31)],
)
def test_circular_plots(field: float, bar: float, published: float) -> None:
    """Share of a circular plot with an error above 5 %: Garcia-Ramos et al. 2011, Sensors 11:4295, to 3 points."""
    offsets = (np.arange(400) + 0.5) / 400 * bar - bar / 2
    beyond = total = 0.0
    for radius in np.arange(field - bar / 2, bar / 2, -bar):
        log = arc(radius, offsets, bar / 400)
        # A whole round has as many steps as fit its length.
        ground = strip_areas(strips(log)[0])[400:] * radius
        beyond += ground[np.abs(turning_ratio(log)[400:] - 1.0) > 0.05].sum()
        total += ground.sum()
    assert 100.0 * beyond / total == pytest.approx(published, abs=3.0)
