"""What a machine states of its own latency, held against the lag that its log shows."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from taskdata_files import DAY, at, bar, element, header, log_files, log_task, record, taskdata

from geoflow.base.units import System
from geoflow.options.typed import ComparisonOptions, LogOptions
from geoflow.outcomes import ReconcileOutcome
from geoflow.report.reconciled_words import lag_text
from geoflow.report.reconciling import reconcile_document
from geoflow.workflow.reconciling import reconcile_file

US: System = "us"
NOON = 43_200_000
LATE = 2  # the truth [s]
# ISO 11783-11, numbers 142 and 143 [ms]: from a set point received, and from an actual value sent, to its effect.
SETPOINT, ACTUAL = "008E", "008F"


def reconciled(
    folder: Path, *, fixed: dict[str, int] | None = None, logged: Sequence[tuple[str, str, int]] = ()
) -> ReconcileOutcome:
    """A straight log of 900 s at 1 Hz: targets step at random, and the rate reported follows two seconds later."""
    draw = np.random.default_rng(3)
    steps = np.sort(draw.choice(np.arange(10, 890), 40, replace=False))
    asked = np.array([12_000, 18_000, 15_000, 21_000])[np.searchsorted(steps, np.arange(900), "right") % 4]
    got = np.concatenate([asked[:1].repeat(LATE), asked[:-LATE]])
    variables = [("01B0", "DET1"), ("01B1", "DET1"), *((ddi, key) for ddi, key, _ in logged)]
    once = [(2 + index, value) for index, (_, _, value) in enumerate(logged)]
    data = b"".join(
        record(NOON + 1000 * s, DAY, at(-95.0, 42.0 + 1.8e-5 * s),
               [(0, int(asked[s])), (1, int(got[s])), *(once if s == 5 else [])])
        for s in range(900)
    )  # fmt: skip
    machine = bar([6.0, 6.0])
    for number, (ddi, value) in enumerate((fixed or {}).items(), 900):
        link, held = element("DOR", A=number), element("DPT", A=number, B=ddi, C=value)
        machine = machine.replace('<DET A="DET1" B="1" C="1" D="Bar" E="0" F="0"/>',
                                  '<DET A="DET1" B="1" C="1" D="Bar" E="0" F="0"></DET>')  # fmt: skip
        machine = machine.replace("</DET>", f"{link}</DET>", 1).replace("</DVC>", f"{held}</DVC>")
    files = log_files("TLG00001", header(variables), data)
    path = taskdata(folder, machine, log_task("TLG00001"), files=files)
    return reconcile_file(str(path), ComparisonOptions(), LogOptions())


@pytest.mark.parametrize(
    ("fixed", "logged", "stated", "agrees"),
    [
        ({SETPOINT: 2000}, [], 2.0, True),
        ({}, [(SETPOINT, "DET1", 2000)], 2.0, True),
        ({SETPOINT: 6000}, [(SETPOINT, "DET1", 2000)], 2.0, True),  # what is logged is newer
        ({SETPOINT: 6000}, [], 6.0, False),
        ({SETPOINT: 200}, [], 0.2, False),
        ({SETPOINT: 3000, ACTUAL: 1000}, [], 2.0, True),  # a rate reported a second before it is there
        ({SETPOINT: 2000, ACTUAL: -3000}, [], 5.0, False),
    ],
)
def test_the_log_bears_a_stated_latency_out_or_not(
    tmp_path: Path, fixed: dict[str, int], logged: list[tuple[str, str, int]], stated: float, agrees: bool
) -> None:
    outcome = reconciled(tmp_path, fixed=fixed, logged=logged)
    assert outcome.found.lag is not None and outcome.found.lag.low < LATE < outcome.found.lag.high
    said, text = reconcile_document(outcome)["latency"], lag_text(outcome)
    assert (said["in_log_s"], said["agrees"]) == (pytest.approx(stated), agrees)
    assert f"states a latency of {stated:g} s" in text
    assert ("which agrees with the log" in text) is agrees
    if not agrees:
        assert f"the log shows {'more' if stated < LATE else 'less'}" in text
    assert not any("latency" in name for name in outcome.read.columns.values()), "it is no column of the log"


def test_nothing_is_said_where_nothing_is_stated_or_elements_differ(tmp_path: Path) -> None:
    plain = reconciled(tmp_path / "a")
    assert reconcile_document(plain)["latency"] is None
    assert "latency" not in lag_text(plain)
    both = reconciled(tmp_path / "b", logged=[(SETPOINT, "DET1", 1000), (SETPOINT, "DET2", 2000)])
    assert reconcile_document(both)["latency"] is None
    (told,) = [note.text for note in both.notes if "latency" in note.text]
    assert told.endswith("of 1 to 2 s, so none is used")
