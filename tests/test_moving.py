"""hold-total and rounding: the fewest zones by brute force and linear programs, the map's order, shares, values."""

from __future__ import annotations

import csv
import itertools
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from laws import laws
from scipy.optimize import Bounds, LinearConstraint, linprog, milp
from test_rewrite import ACRE, POUND_PER_ACRE, as_field, bounds, fields, solved

from geoflow import cli
from geoflow.decide.controller_values import ControllerValues
from geoflow.decide.rewrite import POLICIES, REASONS, Rules, rewrite
from geoflow.decide.spreading import move
from geoflow.decide.vet import vet

small = st.lists(
    st.tuples(st.sampled_from([1.0, 1.1, 1.15, 1.3, 1.5, 1.6, 2.0]), st.integers(1, 9)), min_size=1, max_size=7
)


def most_placed(
    rate: np.ndarray, prescribed: np.ndarray, area: np.ndarray, top: np.ndarray, chosen: tuple[int, ...], wanted: float
) -> float:
    """Most that the chosen zones take up with no rate past one prescribed higher: scipy's linear program."""
    count = len(rate)
    limits = [(float(rate[at]), float(top[at]) if at in chosen else float(rate[at])) for at in range(count)]
    above = [(one, other) for one in range(count) for other in range(count) if prescribed[one] < prescribed[other]]
    alike = [(one, other) for one in chosen for other in chosen if one < other and prescribed[one] == prescribed[other]]
    rows = [[(at == one) - float(at == other) for at in range(count)] for one, other in above]
    same = [[(at == one) - float(at == other) for at in range(count)] for one, other in alike]
    program = linprog(
        -area,
        A_ub=np.array([*rows, area]),
        b_ub=np.array([*([0.0] * len(rows)), float(rate @ area) + wanted]),
        A_eq=np.array(same) if same else None,
        b_eq=np.zeros(len(same)) if same else None,
        bounds=limits,
    )
    assert program.success
    return float(-program.fun - rate @ area)


@laws(60)
@given(small, st.floats(0.02, 0.6), st.floats(0.01, 1.2))
def test_the_fewest_zones_are_moved(zones: list[tuple[float, int]], share: float, part: float) -> None:
    """Against every choice of classes, each judged by a linear program that knows nothing of classes in order."""
    prescribed, area = (np.array(column, dtype=float) for column in zip(*zones, strict=True))
    rate = np.clip(prescribed, 1.05, 1.7)
    top = np.maximum(rate, np.minimum(1.7, prescribed * (1.0 + share)))
    wanted = part * float((top - rate) @ area)
    after, missing = move(rate, prescribed, area, (rate, top), float(rate @ area) + wanted)
    moved = np.flatnonzero(after > rate + 1e-12)
    placed = float((after - rate) @ area)
    everything = most_placed(rate, prescribed, area, top, tuple(range(len(zones))), wanted)
    assert placed == pytest.approx(min(wanted, everything), abs=1e-7) and missing == pytest.approx(wanted - placed)
    assert np.all(after <= top * (1 + 1e-12)) and np.all(after >= rate)
    for one, other in itertools.permutations(range(len(zones)), 2):
        if prescribed[one] < prescribed[other]:
            assert after[one] <= after[other] * (1 + 1e-12)
        if prescribed[one] == prescribed[other]:
            assert after[one] == pytest.approx(after[other], rel=1e-12)
    levels = np.unique(prescribed)
    for many in range(len(levels)):
        for some in itertools.combinations(levels, many):
            chosen = tuple(np.flatnonzero(np.isin(prescribed, some)).tolist())
            if len(chosen) < moved.size and wanted < everything:
                assert most_placed(rate, prescribed, area, top, chosen, wanted) < placed - 1e-9


@laws(40)
@given(small, st.floats(0.05, 0.9))
def test_moving_down_is_moving_up_the_other_way_round(zones: list[tuple[float, int]], part: float) -> None:
    prescribed, area = (np.array(column, dtype=float) for column in zip(*zones, strict=True))
    low = np.minimum(prescribed, np.maximum(1.0, 0.9 * prescribed))
    wanted = part * float((prescribed - low) @ area)
    total = float(prescribed @ area)
    down, _ = move(prescribed, prescribed, area, (low, prescribed), total - wanted)
    up, _ = move(
        3.0 - prescribed, 3.0 - prescribed, area, (3.0 - prescribed, 3.0 - low), 3.0 * area.sum() - total + wanted
    )
    assert down == pytest.approx(3.0 - up, abs=1e-9)


@laws(100)
@given(fields, st.sampled_from([0.05, 0.1, 0.25, 1.0]), st.sampled_from([0.0, 0.1, 1.0]))
def test_hold_total_keeps_the_maps_order_and_every_raise_within_its_share(
    zones: list[tuple[float, float]], share: float, step: float
) -> None:
    rate, area = as_field(zones)
    done = rewrite(rate, area, solved(), Rules("hold-total", True, step=step * POUND_PER_ACRE, most_raise=share))
    assert np.all(done.after <= rate * (1.0 + share) * (1 + 1e-9))
    if step > 0.0:
        changed = done.after[done.rate_changed] / (step * POUND_PER_ACRE)
        assert changed == pytest.approx(np.round(changed), rel=1e-9)
    order = np.lexsort((done.after, rate))
    for one, other in itertools.pairwise(order):
        if 0.0 < rate[one] < rate[other]:
            assert done.after[one] <= done.after[other] * (1 + 1e-9)
    assert done.nitrogen_after + done.unplaced == pytest.approx(done.nitrogen_before, rel=1e-9)
    # Nothing is raised any more once the field has its nitrogen: what is moved makes up for what was clipped.
    if step == 0.0 and done.unplaced < -1e-9 * done.nitrogen_before:
        assert not np.any(done.reason == "moved up")


def test_few_zones_take_up_what_one_lost_where_all_would_have_been_changed() -> None:
    low, high = bounds()
    rate = np.array([1.05 * high, *np.linspace(low, 0.95 * high, 37)])
    area = np.full(38, ACRE)
    done = rewrite(rate, area, solved(), Rules("hold-total", True, most_raise=0.1))
    assert done.nitrogen_after == pytest.approx(done.nitrogen_before, rel=1e-12)
    assert done.rate_changed.sum() == 2 and done.reason[-1] == "moved up"


@laws(60)
@given(fields, st.booleans())
def test_hold_total_without_a_raise_is_hold_speed(zones: list[tuple[float, float]], rounded: bool) -> None:
    rate, area = as_field(zones)
    how = {"step": 5.0 * POUND_PER_ACRE, "only_values": True} if rounded else {}
    total, speed = (rewrite(rate, area, solved(), Rules(policy, **how)) for policy in ("hold-total", "hold-speed"))
    assert np.array_equal(total.after, speed.after) and np.array_equal(total.reason, speed.reason)


lists = st.lists(st.integers(40, 240), min_size=1, max_size=8, unique=True).map(
    lambda pounds: tuple(sorted(pound * POUND_PER_ACRE for pound in pounds))
)
values = st.one_of(
    st.sampled_from([1.0, 5.0, 20.0]).map(lambda step: {"step": step * POUND_PER_ACRE}),
    lists.map(lambda listed: {"listed": listed}),
)


@laws(150)
@given(fields, values, st.sampled_from(POLICIES), st.booleans(), st.sampled_from([0.1, np.inf]))
def test_rounding_stays_in_the_window_and_never_raises_silently(
    zones: list[tuple[float, float]], how: dict, policy: str, allow_raise: bool, share: float
) -> None:
    rate, area = as_field(zones)
    rules = Rules(policy, allow_raise, most_raise=share, only_values=True, **how)
    done = rewrite(rate, area, solved(), rules)
    if not allow_raise:
        assert not done.raised.any()
    assert share == np.inf or np.all(done.after <= rate * (1.0 + share) * (1 + 1e-9))
    # What held still holds, and what was changed holds.
    verdict = vet(done.after, solved(), (done.speed_low, done.speed_high)).verdict
    assert np.all(verdict[(done.verdict_before == "holds") | done.rate_changed] == "holds")
    # Every rate is one of the values, or is left as it was and said to be.
    known = np.array(how["listed"]) if "listed" in how else np.arange(1, 5000) * how["step"]
    near = np.min(np.abs(done.after[:, None] - known), axis=1) <= 1e-9 * done.after
    on = near | (rate == 0.0)
    assert np.array_equal(~on, done.off_values)
    assert np.all(done.after[~on] == rate[~on])
    left = ["no value", "no value, speed", "no window", "needs raising", "over the share"]
    assert np.all(np.isin(done.reason[~on], left)) and set(done.reason) <= set(REASONS)
    # Without leave no lower value than the nearest is taken, and none above.
    if policy == "hold-speed" and not allow_raise:
        for zone in np.flatnonzero(on & (done.verdict_before == "holds")):
            assert done.after[zone] == pytest.approx(known[known <= rate[zone] * (1 + 1e-9)].max(), rel=1e-9)


@laws(60)
@given(fields, values)
def test_rounding_twice_changes_nothing_more(zones: list[tuple[float, float]], how: dict) -> None:
    rate, area = as_field(zones)
    rules = Rules("hold-speed", only_values=True, **how)
    once = rewrite(rate, area, solved(), rules)
    assert np.array_equal(rewrite(once.after, area, solved(), rules).after, once.after)


@pytest.mark.parametrize("classes", [6, 10])
def test_rounding_with_the_total_held_comes_nearest_of_all_choices(classes: int) -> None:
    """scipy's mixed-integer program: the value below or above each rate, in order, the field's nitrogen nearest."""
    draw = np.random.default_rng(11)
    low, high = (end / POUND_PER_ACRE for end in bounds())
    for _ in range(10):
        rate, area = np.sort(draw.uniform(low + 6.0, high - 6.0, classes)), draw.uniform(1.0, 9.0, classes)
        rules = Rules("hold-total", True, step=5.0 * POUND_PER_ACRE, only_values=True)
        done = rewrite(rate * POUND_PER_ACRE, area * ACRE, solved(), rules)
        # Unknowns: whether each class goes up, and the miss.
        down, nil = np.floor(rate / 5.0) * 5.0, np.zeros(classes)
        short = float(rate @ area - down @ area)
        order = np.hstack([5.0 * (np.eye(classes)[:-1] - np.eye(classes)[1:]), np.zeros((classes - 1, 1))])
        program = milp(
            [*nil, 1.0],
            integrality=[*np.ones(classes), 0],
            bounds=Bounds([*nil, 0.0], [*np.ones(classes), np.inf]),
            constraints=[
                LinearConstraint(order, ub=np.diff(down)),
                LinearConstraint([*(5.0 * area), 1.0], lb=short),
                LinearConstraint([*(5.0 * area), -1.0], ub=short),
            ],
        )
        assert program.success
        assert abs(done.unplaced) / (POUND_PER_ACRE * ACRE) == pytest.approx(program.fun, abs=1e-4)


def test_values_are_those_at_or_below_and_above() -> None:
    listed = ControllerValues(listed=(0.01, 0.02, 0.03))
    assert listed.below(np.array([0.01, 0.015, 0.5])).tolist() == [0.01, 0.01, 0.03]
    assert np.isnan(listed.below(0.009)) and np.isnan(listed.above(0.031))
    assert listed.above(np.array([0.001, 0.01, 0.011])).tolist() == [0.01, 0.01, 0.02]
    # A rate that went through units and back is its value, to the last bit as it came.
    assert listed.below(0.02 * (1 - 1e-12)) == 0.02 * (1 - 1e-12) and listed.has(0.02 * (1 - 1e-12))
    assert ControllerValues(0.005).below(np.array([0.0149, 0.015])).tolist() == [0.01, 0.015]
    assert ControllerValues().above(0.0123) == 0.0123


# The command.

FIELDS = Path(__file__).parent.parent / "sample_fields"
KETTLE = [
    *(
        "rewrite",
        str(FIELDS / "kettle_rise.geojson"),
        "--bar",
        str(FIELDS / "wren.toml"),
        "--temperature",
        "45..52 degF",
    ),
    *("--speed", "5 mph", "--rate-column", "target", "--rate-unit", "lb N/ac"),
]


def rewritten(folder: Path, capsys: pytest.CaptureFixture[str], *options: str) -> tuple[int, str, Any, Path]:
    out, made = folder / "new.geojson", folder / "made.json"
    code = cli.main([*KETTLE, *options, "--out", str(out), "--json", str(made), "--replace"])
    return code, " ".join(capsys.readouterr().out.split()), json.loads(made.read_text(encoding="utf-8")), out


def written_rates(path: Path) -> list[float]:
    return [one["properties"]["target"] for one in json.loads(path.read_text(encoding="utf-8"))["features"]]


def test_without_leave_hold_total_says_at_once_that_it_is_hold_speed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, said, total, out = rewritten(tmp_path, capsys, "--policy", "hold-total")
    rates = written_rates(out)
    first = said.partition("What to do")[2].lstrip("! ")
    assert first.startswith("Without --allow-raise hold-total is hold-speed and cannot differ from it")
    assert f"{total['totals']['nitrogen_unplaced_lb']:,.0f} lb short of what was prescribed" in first
    _, said, speed, out = rewritten(tmp_path, capsys, "--policy", "hold-speed")
    assert "hold-total" not in said and written_rates(out) == rates and speed["zones"] == total["zones"]


def test_the_share_is_stated_kept_and_what_it_would_take_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ["--policy", "hold-total", "--allow-raise"]
    code, said, made, _ = rewritten(tmp_path, capsys, *asked)
    assert code == 1 and made["most_raise_share"] == 0.1
    assert all(zone["after_lb_n_ac"] <= 1.1 * zone["before_lb_n_ac"] * (1 + 1e-6) for zone in made["zones"])
    assert "without a change by more than 10 % (--most-raise)" in said
    needed = made["most_raise_share_needed"]
    assert f'--most-raise "{100 * needed:.0f} %" would place it all' in said
    _, said, enough, _ = rewritten(tmp_path, capsys, *asked, "--most-raise", f"{needed:.2f}")
    assert abs(enough["totals"]["nitrogen_unplaced_lb"]) <= 1e-4 * enough["totals"]["nitrogen_before_lb"]
    assert "NOT be kept" not in said and "the fewest that have room" in said
    _, _, less, _ = rewritten(tmp_path, capsys, *asked, "--most-raise", f"{needed - 0.05:.2f}")
    assert less["totals"]["nitrogen_unplaced_lb"] > 1e-4 * less["totals"]["nitrogen_before_lb"]


@pytest.mark.parametrize("values", [["--round", "5 lb N/ac"], ["--round", "20"], ["--presets", "85,125,150 lb N/ac"]])
@pytest.mark.parametrize("policy", ["hold-speed", "hold-rate", "hold-total"])
@pytest.mark.parametrize("leave", [[], ["--allow-raise"]])
def test_what_is_written_is_on_the_values_and_the_totals_are_its_own(
    values: list[str], policy: str, leave: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, said, made, out = rewritten(tmp_path, capsys, "--policy", policy, *values, *leave)
    before, rates = written_rates(FIELDS / "kettle_rise.geojson"), written_rates(out)
    step = None if values[0] == "--presets" else float(values[1].split()[0])
    off = [
        at
        for at, rate in enumerate(rates)
        if not (rate in (0.0, 85.0, 125.0, 150.0) if step is None else rate % step == 0.0)
    ]
    assert made["off_values"] == off and [rates[at] for at in off] == [before[at] for at in off]
    assert made["totals"]["zones_off_values"] == len(off) and ("NOT on the values" in said) == bool(off)
    raised = [at for at, (old, new) in enumerate(zip(before, rates, strict=True)) if new > old]
    assert made["raised"] == raised and (not raised or (leave and code == 1 and "RAISED above" in said))
    # The totals are those of the rates as they stand in the file, to a tenth of a pound.
    area = [zone["area_ac"] for zone in made["zones"]]
    total = sum(rate * acres for rate, acres in zip(rates, area, strict=True))
    assert made["totals"]["nitrogen_after_lb"] == pytest.approx(total, abs=0.01) and f"after {total:,.1f}" in said
    with (tmp_path / "new_changes.csv").open(encoding="utf-8", newline="") as lines:
        assert {int(row["row"]) for row in csv.DictReader(lines)} >= {*off, *raised}


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--round", "5", "--presets", "5"], "each say which rates there are"),
        (["--round", "5,6"], "'5,6' is no rate"),
        (["--round", "0"], "'0' is no rate"),
        (["--presets", "85,,90"], "'85,,90' is no rate"),
        (["--max-rate", "5,6"], "'5,6' is no rate"),
        (["--round", "5 kg N/ha"], "rates are in lb N/ac, and these are in kg N/ha"),
        (["--presets", "100.12345"], "it has 3 decimals"),
        (["--most-raise", "5 %"], "none is allowed"),
        (["--most-raise", "much", "--allow-raise"], "is no share"),
        (["--presets", "85,125", "--max-rate", "60"], "lies at or below --max-rate"),
    ],
)
def test_values_that_make_no_sense_are_refused(
    options: list[str], words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main([*KETTLE, "--policy", "hold-speed", *options, "--out", str(tmp_path / "new.geojson")]) == 2
    told = capsys.readouterr().err
    assert words in told and "cure:" in told and not list(tmp_path.iterdir())
