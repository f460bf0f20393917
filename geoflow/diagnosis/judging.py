"""Everything the log tells about the bar, judged with what is known of its transmitters."""

from __future__ import annotations

from dataclasses import replace

from geoflow.bar.equipment import Bar
from geoflow.diagnosis.findings import Finding
from geoflow.diagnosis.orifices import orifice_drift
from geoflow.diagnosis.pressures import liquid_margin_lost, transmitter_zero, valve_drop
from geoflow.diagnosis.suction import suction_starving
from geoflow.ground.applied_log import AppliedLog

__all__ = ["diagnose"]


def _judged(log: AppliedLog, bar: Bar) -> list[Finding]:
    return [found for judge in (liquid_margin_lost, valve_drop, orifice_drift) for found in judge(log, bar)]


def diagnose(log: AppliedLog, bar: Bar) -> tuple[Finding, ...]:
    """Return all findings, and for each judge that lacks columns one that names them.

    A transmitter that was found off is the cause of whatever else its readings seem to say: its offset is taken off
    first. Where the offset itself is doubtful (low confidence), only what holds with it and without is told.

    Raises
    ------
    BarError
        If a measured point contradicts its orifice.
    """
    zeros = transmitter_zero(log, bar)
    found = _judged(log, bar)
    off = {one.scope.replace(" ", "_"): one for one in zeros if not one.missing}
    if off:
        true = replace(log, **{column: getattr(log, column) - one.numbers["offset"] for column, one in off.items()})
        doubtful = any(one.confidence == "low" for one in off.values())
        either = {one.kind for one in found} if doubtful else None
        found = [one for one in _judged(true, bar) if one.missing or either is None or one.kind in either]
    return (*found, *zeros, *suction_starving(log, bar))
