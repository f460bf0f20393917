"""The field's edges with sections off, and the end of a tank: what is looked at, and what is said of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bars import FOOT, GPM, LB_PER_AC, MPH, bar, change, fahrenheit, full_bar
from shapely import affinity, box, multipolygons

from geoflow.bar.equipment import Section, Tank
from geoflow.decide.edges import edge_area, edge_patterns, look_beyond, lost_at_the_edges
from geoflow.decide.vet import Plan, solve, vet
from geoflow.report.beyond import beyond_document, beyond_text

ZONES = np.array([box(0, 0, 200, 400), box(200, 0, 400, 400)])
AREA = np.array([80_000.0, 80_000.0])


def plan(degrees: float = 30.0) -> Plan:
    return Plan((fahrenheit(degrees),) * 2, (5 * MPH, 5 * MPH), (0, 1))


def test_patterns_are_the_sections_from_either_end_and_alike_ones_once() -> None:
    assert edge_patterns(full_bar()) == [(0, 1), (1, 2), (0,), (2,)]
    assert edge_patterns(bar()) == [(0,)]
    assert edge_patterns(bar(sections=(Section("all", 16, "only"),))) == []


def test_the_edge_is_the_ground_within_a_bars_width_of_the_outline() -> None:
    """Two halves of 400 by 400 m and a bar of 12 m, by hand: 160,000 less 376 x 376 m2, half each; a line between."""
    assert edge_area(ZONES, 12.0) == pytest.approx([(160_000 - 376**2) / 2] * 2, rel=2e-3)


def test_a_zone_that_holds_with_all_on_and_not_with_half_says_so() -> None:
    """The whole bar takes 1.4 times the meter's least flow, half of it 0.7 times."""
    rate = np.array([150.0, 150.0]) * LB_PER_AC
    plain = solve(bar(), plan())
    taken = vet(rate, plain).flow_low[0]
    density = plain.window.possible["meter minimum"][0] / plain.bar.meter.min_flow
    one = solve(change(bar(), "meter", min_flow=float(taken / density / 1.4)), plan())
    vetting = vet(rate, one)
    assert vetting.verdict.tolist() == ["holds", "holds"]
    looked = look_beyond(rate, AREA, ZONES, one, vetting, stated=False)
    assert [found.limited_by.tolist() for found in looked] == [["meter minimum"] * 2]
    assert looked[0].verdict.tolist() == ["fails", "fails"]
    said = beyond_text(looked, "us")
    assert "2 zones of those that hold would not" in said
    assert "meter minimum" in said
    document = beyond_document(looked, [(1, "north"), (2, "south")], ["left", "right"])
    assert document["end_of_tank"] is None
    assert document["edges"]["limited_by"] == ["meter minimum"]
    south = document["edges"]["zones_no_longer_holding"][1]
    assert (south["zone"], south["zone_id"], south["sections_on"]) == (2, "south", ["left"])
    assert look_beyond(rate, AREA, ZONES, one, vetting, stated=True) == ()


def test_zones_that_hold_at_their_edges_too_are_told_in_one_sentence() -> None:
    rate = np.array([150.0, 150.0]) * LB_PER_AC
    one = solve(change(bar(), "meter", min_flow=0.1 * GPM), plan())
    looked = lost_at_the_edges(rate, ZONES, one, vet(rate, one))
    assert looked is not None
    assert not looked.lost.any()
    assert beyond_text((looked,), "us").endswith("the zones that hold do so too.")


def test_the_end_of_a_tank_costs_the_suction() -> None:
    """Cold liquid boils more in the suction: a rate just below its limit at 40 degF no longer holds at the end."""
    from bars import feed

    from geoflow.bar.equipment import Suction

    starved = bar(tank=Tank(3.8, 0.85), suction=Suction(0.5 * FOOT, feed(12, 1.0, 20.0)))
    one = solve(starved, plan(40.0))
    assert one.certain.high_limit == "suction"
    rate = np.full(2, 0.995 * one.rate_bounds(one.certain)[1])
    (looked,) = look_beyond(rate, AREA, ZONES, one, vet(rate, one), stated=True)
    assert looked.limited_by.tolist() == ["suction"] * 2
    assert looked.temperature is not None
    assert looked.temperature < fahrenheit(36.0)
    # Ground where nothing is asked is no part of what is told, as in the plan's own sentence.
    (some,) = look_beyond(rate * [1.0, 0.0], AREA, ZONES, one, vet(rate * [1.0, 0.0], one), stated=True)
    assert "1 zone of those that hold would not (19.8 of 19.8 ac there)" in beyond_text((some,), "us")
    both = look_beyond(rate, AREA, ZONES, one, vet(rate, one), stated=False)
    assert [found.lost.any() for found in both] == [False, True]
    assert beyond_text(both, "us").startswith("At the end of a tank")
    without = solve(replace(starved, tank=None), plan(40.0))
    assert look_beyond(rate, AREA, ZONES, without, vet(rate, without), stated=True) == ()


def _grid(gap: float = 0.0, drop: tuple[int, ...] = ()) -> np.ndarray:
    """Squares of 20 m, eight by eight, each less a gap (or more, overlapping), some left out."""
    at = [(20.0 * (place % 8), 20.0 * (place // 8)) for place in range(64) if place not in drop]
    return np.array([box(x, y, x + 20.0 - gap, y + 20.0 - gap) for x, y in at])


@pytest.mark.parametrize(
    "zones",
    [
        _grid(),
        _grid(gap=0.03),
        _grid(gap=-0.02),
        _grid(drop=(27, 28, 35, 36)),
        np.array([*_grid()[:-8], box(0.0, 140.0, 70.0, 160.0), box(70.0, 140.0, 160.0, 160.0)]),
        np.array([*_grid(), *affinity.translate(multipolygons(_grid()), 300.0).geoms]),
    ],
    ids=["fitting", "hairs between", "overlapping", "with a hole", "corners on sides", "two parts"],
)
def test_the_strip_along_the_outline_is_that_of_all_zones_joined_one_by_one(zones: np.ndarray) -> None:
    joined = zones[0].buffer(0.05, join_style="mitre")
    for zone in zones[1:]:
        joined = joined.union(zone.buffer(0.05, join_style="mitre"))
    strip = joined.boundary.buffer(12.05)
    wanted = [zone.intersection(strip).area for zone in zones]
    np.testing.assert_allclose(edge_area(zones, 12.0), wanted, atol=1.5)
