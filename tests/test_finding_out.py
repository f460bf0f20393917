"""What a bar file leaves open: which of it to find out first for a map, and what solving such a bar takes."""

from __future__ import annotations

import copy
import itertools
import random
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import bar_files
import numpy as np
import pytest
from ranged_bars import random_ranged

from geoflow.bar.bar_file import parse_bar
from geoflow.bar.equipment import Bar
from geoflow.bar.open_values import bar_with, open_values
from geoflow.base.errors import BarError
from geoflow.base.schema import HIGH_LIMITS
from geoflow.base.units import parse
from geoflow.decide.finding_out import FindingOut
from geoflow.decide.other_ways import Zones
from geoflow.decide.settling import Settling, settling
from geoflow.decide.vet import Plan, Solution, Vetting, solve, vet
from geoflow.hydraulics.cases import bounding_cases
from geoflow.hydraulics.circuit import Circuit
from geoflow.hydraulics.window import flow_window, limit_flows
from geoflow.physics.parallel import parallel_flows
from geoflow.report.doubt import doubt_document, doubt_text
from geoflow.report.finding_out import finding_out_document

ACRE, RATE = 4046.8564224, 0.45359237 / 4046.8564224
# Rates of invented zones, an acre each.
RATES = np.arange(40.0, 260.0, 5.0) * RATE


def ranged(**tables: dict[str, Any]) -> Bar:
    """The minimal bar (8 rows, 0.070 in) with an exact coefficient and no flashing, and some of its keys changed."""
    content = copy.deepcopy(bar_files.minimal())
    content["orifices"]["small"] |= {"flash_weight": 0.3, "coefficient_tolerance": 0.0}
    for table, keys in tables.items():
        content[table] = {**content.get(table, {}), **keys}
    return parse_bar(content)


def vetted(bar: Bar) -> tuple[Solution, Vetting, Settling | None]:
    kelvin, pace = parse("50 degF", "temperature"), parse("5 mph", "speed")
    solution = solve(bar, Plan((kelvin, kelvin), (pace, pace), tuple(range(len(bar.sections)))))
    judged = vet(RATES, solution)
    return solution, judged, settling(np.full(RATES.shape, ACRE), solution, judged)


def test_what_is_open_is_listed_and_known_it_is_no_longer_open() -> None:
    seen: set[tuple[str, str]] = set()
    for number in range(40):
        bar = parse_bar(random_ranged(random.Random(number)))
        sections = tuple(range(len(bar.sections)))
        listed = open_values(bar, sections)
        keys = {one.key for one in listed}
        seen |= keys
        known = bar_with(bar, keys)
        assert open_values(known, sections) == () and not known.is_open and known.air_spread == 0.0
        # What is not asked about stays as it is, and the middles do, too.
        assert bar_with(bar, ()) == bar
        assert known.pump.max_rise == bar.pump.max_rise and known.limits.max_pressure == bar.limits.max_pressure
        assert all(one.low is None or one.low < one.high for one in listed if one.high is not None)
    tables = {table for table, _ in seen}
    assert {"pump", "meter", "limits", "sections.feed", "row_hose", "suction", "tank_hoses", "drive"} <= tables
    assert {"bypass", "excess_flow", "breakaway", "control_valve", "", "orifices"} <= tables


def test_a_rated_pressure_that_only_the_air_leaves_open_is_not_listed() -> None:
    bar = ranged()
    content = bar_files.minimal() | {"elevation": "0..2000 ft"}
    open_air = parse_bar(content)
    assert open_air.limits.ranges and ("limits", "max_pressure") not in {one.key for one in open_values(open_air, (0,))}
    (rated,) = [one for one in open_values(ranged(limits={"max_pressure": "200..250 psi"}), (0,)) if one.low]
    assert (rated.low, rated.high) == pytest.approx((parse("200 psi", "pressure"), parse("250 psi", "pressure")))
    assert open_values(bar, (0,)) == ()


def test_knowing_more_never_narrows_the_certain_window_nor_widens_the_possible_one() -> None:
    for number in range(4):
        bar = parse_bar(random_ranged(random.Random(number)))
        sections = tuple(range(len(bar.sections)))
        keys = [one.key for one in open_values(bar, sections) if one.key != ("orifices", "land")]
        try:
            nothing, some, every = (
                flow_window(bar_with(bar, known), np.array([283.0]), sections) for known in ((), keys[::2], keys)
            )
        except BarError:
            continue
        for less, more in ((nothing, some), (some, every)):
            (low, high), (lower, higher) = less.edges(certain=True), more.edges(certain=True)
            assert lower[0] <= low[0] * (1 + 1e-6) and higher[0] >= high[0] * (1 - 1e-6)


def test_what_each_unknown_settles_is_what_a_file_with_its_middle_settles() -> None:
    """Each thing told is put into the bar file at its middle, and the map is vetted anew."""
    tables = {
        "pump": {"max_rise": "60..120 psi", "max_flow": "15..30 gpm"},
        "limits": {"max_pressure": "200..300 psi"},
        "meter": {"min_flow": "3..9 gpm"},
    }
    solution, before, found = vetted(ranged(**tables))
    assert found is not None and found.unknowns is not None
    middles = {
        ("pump", "max_rise"): "90 psi",
        ("pump", "max_flow"): "22.5 gpm",
        ("limits", "max_pressure"): "250 psi",
        ("meter", "min_flow"): "6 gpm",
    }
    told = {one.value.key: one for one in found.unknowns.each}
    assert {one.key for one in found.unknowns.open} == set(middles)
    doubtful = before.verdict == "doubtful"
    settled = {}
    for (table, name), middle in middles.items():
        _, after, _ = vetted(ranged(**{**tables, table: {**tables[table], name: middle}}))
        ways = [float(ACRE * (doubtful & (after.verdict == verdict)).sum()) for verdict in ("holds", "fails")]
        if sum(ways):
            settled[table, name] = ways
    assert set(told) == set(settled) and 1 < len(settled) < 4
    for key, one in told.items():
        assert [one.holds, one.fails] == pytest.approx(settled[key])
    areas = [one.settled for one in found.unknowns.each]
    assert areas == sorted(areas, reverse=True) and found.unknowns.together >= areas[0]
    said = doubt_text(found, solution, "us")
    assert "The bar file leaves 4 things open. Find out first: pressure the pump adds (60 to 120 psi; on the" in said
    assert "Next: least flow of the meter (3 to 9 gpm; in the meter's sheet): " in said
    assert "all of them together settle all of it" in said
    document = doubt_document(found, solution.bar.air_pressure)
    assert document is not None
    first, *_, last = document["unknowns"]["each"]
    assert (first["table"], first["key"], first["carried"]) == ("pump", "max_rise", "60 to 120 psi")
    assert first["settles_ac"] == pytest.approx(areas[0] / ACRE) and last["settles_ac"] == 0.0
    assert document["more_logs_settle_ac"] is None


def test_bores_are_carried_in_inches_and_hoses_in_feet() -> None:
    bar = ranged(row_hose={"length": "8..12 ft", "bore": "0.25..0.5 in"})
    values = open_values(bar, tuple(range(len(bar.sections))))
    document = finding_out_document(FindingOut(values, (), 0.0))
    assert document is not None
    carried = {one["key"]: one["carried"] for one in document["each"] if one["table"] == "row_hose"}
    assert carried == {"length": "8 to 12 ft", "bore": "0.25 to 0.5 in"}


def test_nothing_is_said_of_unknowns_where_none_is_open_or_none_helps() -> None:
    _, _, closed = vetted(ranged(suction={"length": "30 ft", "bore": "0.75 in"}))
    assert closed is None or closed.unknowns is None
    solution, _, found = vetted(ranged(pump={"max_rise": "60..120 psi", "max_flow": "15..30 gpm"}))
    assert found is not None and found.unknowns is not None
    useless = replace(found, unknowns=replace(found.unknowns, each=(), together=0.0))
    assert "Finding all of them out would settle none of it." in doubt_text(useless, solution, "us")
    together = replace(found, unknowns=replace(found.unknowns, each=()))
    assert "None of them settles anything by itself, but all of them together" in doubt_text(together, solution, "us")
    assert "open" not in doubt_text(replace(found, unknowns=None), solution, "us")


def test_zones_that_are_settled_already_are_not_found_out() -> None:
    kelvin = parse("50 degF", "temperature")
    solution, judged, _ = vetted(ranged(pump={"max_rise": "60..120 psi"}))
    zones = Zones(np.full(RATES.shape, ACRE), judged.flow_low, judged.flow_high)
    left = zones.unsettled((solution.certain, solution.possible))
    assert left.area.sum() == pytest.approx(ACRE * (judged.verdict == "doubtful").sum())
    assert kelvin == solution.plan.temperature[0]


# --- what solving a bar of ranges takes -----------------------------------------------------------------------------


@pytest.fixture
def solved(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[int]]:
    """Counts how often a circuit is solved."""
    count, original = [0], Circuit._solved

    def counted(self: Circuit, *what: Any) -> Any:
        count[0] += 1
        return original(self, *what)

    monkeypatch.setattr(Circuit, "_solved", counted)
    yield count


def twin() -> Bar:
    """A bar with slip, two tanks and three sections, of which nearly everything is a range."""
    hose = {"length": "5..15 ft", "bore": "1..2 in", "fittings_k": "0.5..18"}
    content = bar_files.minimal()
    content["sections"] = [
        {"name": name, "rows": rows, "orifice": "small", "feed": {"length": "2..9 ft", "bore": "0.75 in"}}
        for name, rows in (("left", 5), ("middle", 6), ("right", 5))
    ]
    content["pump"] |= {"max_flow": "45 gpm", "max_rise": "80..120 psi", "slip": "0.05..0.20"}
    content["row_hose"] = {"length": "8 ft", "bore": "0.25..0.5 in"}
    content["suction"] = {"head": "0..4 ft", "length": "12 ft", "bore": "1.5 in", "fittings_k": "1..15"}
    content["tank_hoses"] = [hose, hose]
    return parse_bar(content)


@pytest.mark.slow
def test_a_bar_of_ranges_with_twin_tanks_is_solved_in_few_rounds(solved: list[int]) -> None:
    """Solving all high limits together, feeds of one side alone and every reading once took it from 6,000 rounds."""
    vetted(twin())
    assert 0 < solved[0] < 2500


def test_the_high_limits_have_their_worst_where_all_feeds_lose_most() -> None:
    """Brute force over every way in which the feeds may turn out, for bars that slip and bars that do not."""
    for bar in (twin(), replace(twin(), pump=replace(twin().pump, slip=0.0))):
        sections = (0, 1, 2)
        cases = tuple(case for case in bounding_cases(bar, sections) if set(case.feeds) == {-1.0})
        ways = list(itertools.product((-1.0, 1.0), repeat=3))
        every = tuple(replace(case, feeds=feeds) for feeds in ways for case in cases)
        circuit = Circuit(bar, sections, every, np.array([275.0, 285.0]))
        for name, flows in limit_flows(circuit).items():
            if name in HIGH_LIMITS:
                by_way = flows.reshape(len(ways), len(cases), -1)
                assert (by_way[0] <= by_way.min(axis=0) * (1.0 + 1e-6)).all()


def test_lines_that_are_alike_share_evenly_and_as_they_do_line_by_line() -> None:
    def loss(k: float) -> Any:
        return lambda flow: k * np.abs(flow) ** 1.8

    flow = np.array([0.0, 0.2, 3.0])
    for kinds in ((1.0, 1.0), (1.0, 2.0, 1.0), (3.0,), (1.0, 2.0)):
        losses = [loss(k) for k in kinds]
        divided = parallel_flows(flow, losses, kinds)
        np.testing.assert_allclose(divided, parallel_flows(flow, losses), rtol=1e-6, atol=1e-12)
        np.testing.assert_allclose(divided.sum(axis=0), flow, rtol=1e-12)
        lost = [one(each)[1:] for one, each in zip(losses, divided, strict=True)]
        np.testing.assert_allclose(lost, [lost[0]] * len(lost), rtol=1e-5)
