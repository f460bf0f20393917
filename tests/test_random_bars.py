"""A short slice of the campaign of random bars (tests/campaigns/random_bars.py), and what it would have caught."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from campaigns.certain_windows import typical_table
from campaigns.random_bars import Found, draw, judge, report

# Of seed 1: one of each kind of hose, with and without points, one and several orifices; and the ones that a window
# from the corners alone, one hose error for point and plan, or an inlet full of liquid got wrong. Each is the cheapest
# of its kind: the campaign has them all.
SLICE = (1, 3, 9, 11)
ONCE_WRONG = (26, 52, 83, 145, 146, 148)
# Narrow hoses with a hole at the knife, full of liquid that the pump warmed: up to 3 % too high an end for the tank's.
WARMED = (387, 520)
# Machines: slip beside a knife's hole and a breakaway, a bypass with slip and a valve that shuts, a pump that slips.
MACHINES = (8, 18, 33, 42, 103)
# Long bores whose truth drifts with margin and temperature, and bars asked of their worst row.
DRIFTING, WORST_ROW = (48, 82), (67, 94)


@pytest.mark.parametrize("number", [*SLICE, *ONCE_WRONG, *WARMED, *MACHINES, *DRIFTING, *WORST_ROW])
def test_certain_ends_and_verdicts_of_random_bars_hold_against_the_reference(number: int) -> None:
    found = judge(draw(1, number))
    for error in (found.low_error, found.high_error):
        assert math.isnan(error) or abs(error) < 5e-3
    for wrong in (found.falsely_certain, found.falsely_failing, found.possible_short):
        assert math.isnan(wrong) or wrong < 5e-3


def test_the_slice_has_what_it_is_for() -> None:
    assert all(any(tube.drift[0] and tube.drift[1] for tube in draw(1, at).tubes.values()) for at in DRIFTING)
    asked = [draw(1, at) for at in WORST_ROW]
    assert all(one.plan.rows == "worst" and any(kind.row_spread for kind in one.kinds) for one in asked)


def test_a_bar_is_drawn_again_by_its_number() -> None:
    one, again, other = draw(1, 5), draw(1, 5), draw(1, 6)
    assert one == again
    assert one.bar != other.bar


def test_the_report_counts_what_is_beyond_half_a_percent() -> None:
    drawn = draw(1, 3)
    solution = judge(drawn).solution
    found = [
        Found(drawn, solution, 1e-4, -2e-4, certain, failing, math.nan, 0.1)
        for certain, failing in ((-0.01, 0.004), (0.006, math.nan), (math.nan, 0.2))
    ]
    said = report(found, ["7: refused"])
    assert "3 bars, and 1 refused" in said
    assert "all: certain window" in said
    assert "falsely certain 1 of 2, worst +0.60%" in said
    assert "falsely failing 1 of 2, worst +20.00%" in said
    assert f"{np.percentile([1e-4, 2e-4] * 3, 99):.4%}" in said


DOCUMENT = Path(__file__).parent.parent / "docs" / "physics.md"


@pytest.mark.slow
@pytest.mark.parametrize("bar", [(12, 0.080), (16, 0.076), (24, 0.070)])
def test_the_table_of_typical_bars_is_what_the_document_says(bar: tuple[int, float]) -> None:
    told = DOCUMENT.read_text(encoding="utf-8").splitlines()
    head, _, *rows = typical_table([bar])
    assert head in told and len(rows) == 4
    for row in rows:
        assert row in told
