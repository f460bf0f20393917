"""Gaps of a log: bridged against the scale tickets, told, and no calibration drawn from them."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas
import pytest
from bars import LB_PER_AC
from simulated_files import write
from simulator import Field, simulate

from geoflow import cli
from geoflow.ground.applied_log import AppliedLog
from geoflow.reconciliation.balance import MOST_LOST, gaps, logged_ammonia, mass_balance

FIELD = Field(offsets=(0.0,) * 8)
FRACTION = 0.82


def cut(log: AppliedLog, gone: np.ndarray) -> AppliedLog:
    """The log without some records."""
    return replace(log, **{name: getattr(log, name)[~gone] for name in log.__slots__})


def midway(log: AppliedLog, seconds: float) -> np.ndarray:
    """Records within so many seconds of the middle of the second pass."""
    pass_two = log.run == 2
    return pass_two & (np.abs(log.time - np.median(log.time[pass_two])) < seconds)


def bridged(log: AppliedLog) -> float:
    return (logged_ammonia(log, FRACTION) * FRACTION + float(gaps(log).nitrogen.sum())) / FRACTION


@pytest.mark.parametrize("lost", [0.027, 0.127])
@pytest.mark.parametrize("at_once", [1.0, 6.0, 30.0])
def test_gaps_within_passes_are_bridged(lost: float, at_once: float) -> None:
    """All of what went out within 0.5 %, lost or not; the share told within a tenth of itself."""
    whole, truth = simulate(FIELD)
    log, _ = simulate(replace(FIELD, lost=lost, lost_at_once=at_once))
    # What is lost at the ends of a pass leaves no gap, so there the truth is put back.
    first, last = (np.array([pick(whole.time[whole.run == run]) for run in range(9)]) for pick in (np.min, np.max))
    near = (whole.time - first[whole.run] < 45.0) | (last[whole.run] - whole.time < 45.0)
    log = cut(whole, ~near & ~np.isin(whole.time, log.time))
    gone = 1.0 - logged_ammonia(log, FRACTION) / logged_ammonia(whole, FRACTION)
    assert gone > 0.3 * lost
    assert bridged(log) == pytest.approx(truth.ammonia, rel=0.005)
    assert gaps(log).share == pytest.approx(gone, rel=0.1)


def test_a_whole_log_has_no_gaps() -> None:
    """Turns between passes, a bar switched off and on, a machine that stands: nothing is missing."""
    log, _ = simulate(replace(FIELD, section_off=(2, 50.0, 80.0)))
    assert gaps(log).after.size == 0
    assert gaps(replace(log, time=np.full(log.time.size, np.nan))).after.size == 0
    # Switched off for eighteen seconds, with records and without those in the midst of it.
    paused = replace(log, on=log.on & ~midway(log, 9.0))
    assert gaps(paused).after.size == 0
    assert gaps(cut(paused, midway(log, 5.0))).after.size == 0


def test_a_machine_that_stands_through_a_gap() -> None:
    """Minutes without a record over the way of one second: it stood."""
    log, _ = simulate(FIELD)
    later = log.time >= np.median(log.time[log.run == 2])
    assert gaps(replace(log, time=log.time + 300.0 * later)).after.size == 0


def test_a_gap_without_a_clock() -> None:
    log, _ = simulate(FIELD)
    middle = midway(log, 5.0)
    found = gaps(replace(cut(log, middle), time=np.full((~middle).sum(), np.nan)))
    assert found.nitrogen.sum() == pytest.approx((log.applied * log.step * log.width)[middle].sum(), rel=0.1)
    assert found.after.size == 2  # a section each


def test_a_step_that_spans_the_gap_is_not_counted_twice() -> None:
    """Where the reader measured the step across a missing record, that ground is in the log."""
    log, _ = simulate(FIELD)
    inside = log.on & (log.time % 10 == 5)
    across = np.where(np.isin(log.time, log.time[inside] + 1.0), 2.0, 1.0) * log.step
    assert gaps(cut(replace(log, step=across), inside)).after.size == 0


@pytest.mark.parametrize(("share", "kept"), [(0.9 * MOST_LOST, True), (1.1 * MOST_LOST, False)])
def test_no_calibration_from_a_log_with_gaps(share: float, kept: bool) -> None:
    found = mass_balance(
        1000.0 * (1.0 - share), 1000.0, bridged=1000.0 * share, pulses_per_volume=700.0, temperature=280.0
    )
    assert found.ratio == pytest.approx(1.0, abs=1e-12)
    assert found.lost_share == pytest.approx(share, rel=1e-9)
    for pulses in (found.pulses_per_volume, found.pulses_per_volume_as_used, found.pulses_per_nitrogen):
        assert (pulses is not None) == kept


@pytest.mark.parametrize("column", ["step (m)", None], ids=["steps logged", "steps measured"])
def test_the_command_tells_the_gaps(column: str | None, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A sound meter, a tenth of the log gone: log over tickets within 1.5 % (pass ends leave no gap), no pulses."""
    files = write(tmp_path, replace(FIELD, rates=(180 * LB_PER_AC,), lost=0.1, seed=4))
    table = pandas.read_csv(files.log)
    if column is None:
        table.drop(columns="step (m)").to_csv(files.log, index=False)
    usual = [*files.usual, "--ticket", f"{files.truth.ammonia} kg NH3"]
    code = cli.main([*usual, "--json", "-"])
    said = json.loads(capsys.readouterr().out)
    ticket = said["ticket"]
    assert code == 1
    assert ticket["ratio"] == pytest.approx(1.0, abs=0.015)
    assert ticket["lost_share"] == pytest.approx(0.1, abs=0.02)
    assert ticket["bridged_lb_nh3"] == pytest.approx(0.1 * ticket["ticket_lb_nh3"], rel=0.2)
    assert [ticket[key] for key in ("pulses_per_gallon", "pulses_per_gallon_as_used", "pulses_per_10_lb_n")] == [
        None
    ] * 3
    (one,) = [one for one in said["findings"] if one["kind"] == "gaps in the log"]
    assert f"{100 * ticket['lost_share']:.1f} % of the nitrogen" in one["text"]
    assert "ticket off" not in {one["kind"] for one in said["findings"]}
    cli.main(usual)
    text = " ".join(capsys.readouterr().out.split())
    assert "no calibration follows" in text
    assert "corrected pulses" not in text
    assert "multiply the log" not in text
