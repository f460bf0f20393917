"""Everything the log tells about the bar, judged with what is known of its transmitters."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import IntArray
from geoflow.diagnosis.findings import Finding
from geoflow.diagnosis.orifices import orifice_drift
from geoflow.diagnosis.pressures import lasting_loss, liquid_margin_lost, transmitter_zero, valve_drop
from geoflow.diagnosis.suction import suction_starving
from geoflow.ground.applied_log import AppliedLog

__all__ = ["JUDGES", "diagnose", "lost_liquid"]

# Liquid margin, control valve, orifices, transmitters, suction: each says once what it lacks.
JUDGES: Final = 5


def _judged(log: AppliedLog, bar: Bar) -> list[Finding]:
    return [found for judge in (liquid_margin_lost, valve_drop, orifice_drift) for found in judge(log, bar)]


def _true_readings(log: AppliedLog, zeros: list[Finding]) -> AppliedLog:
    """Take off what the transmitters were found to be off."""
    off = {one.scope.replace(" ", "_"): one.numbers["offset"] for one in zeros if not one.missing}
    return replace(log, **{column: getattr(log, column) - offset for column, offset in off.items()})


def diagnose(log: AppliedLog, bar: Bar) -> tuple[Finding, ...]:
    """Return all findings, and for each judge that lacks columns one that names them.

    A transmitter that was found off is the cause of whatever else its readings seem to say: its offset is taken off
    first. Where the offset itself is doubtful (low confidence), only what holds with it and without is told.

    Parameters
    ----------
    log : AppliedLog
        Records, shape (n,).
    bar : Bar
        As its file says.

    Raises
    ------
    BarError
        If a measured point contradicts its orifice.
    """
    zeros = transmitter_zero(log, bar)
    found = _judged(log, bar)
    off = [one for one in zeros if not one.missing]
    if off:
        doubtful = any(one.confidence == "low" for one in off)
        either = {one.kind for one in found} if doubtful else None
        found = [
            one
            for one in _judged(_true_readings(log, zeros), bar)
            if one.missing or either is None or one.kind in either
        ]
    return (*found, *zeros, *suction_starving(log, bar))


def lost_liquid(log: AppliedLog, bar: Bar, findings: tuple[Finding, ...] | None = None) -> IntArray:
    """Places in the log of all records in which liquid was lost, with those too soon after opening to be judged.

    Parameters
    ----------
    log : AppliedLog
        Records.
    bar : Bar
        Which made it.
    findings : tuple of Finding, optional
        From `diagnose`, where it is done already.
    """
    found = diagnose(log, bar) if findings is None else findings
    rows = [one.rows for one in found if one.kind == "liquid margin lost" and not one.missing]
    if not rows:
        return np.empty(0, dtype=np.int64)
    zeros = [one for one in found if "offset" in one.numbers]
    return lasting_loss(_true_readings(log, zeros), bar, np.concatenate(rows))
