"""What the scale tickets make of a log: its table, and what the calibration rests on."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from geoflow.base.units import System, show
from geoflow.reconciliation.balance import MOST_LOST
from geoflow.report.findings import percent
from geoflow.report.model import Table
from geoflow.report.reconciling import pulses

if TYPE_CHECKING:
    from geoflow.outcomes import ReconcileOutcome

__all__ = ["rounded", "ticket_notes", "ticket_table"]


def rounded(value: float) -> str:
    """Write a number to the nearest 1, 2 or 5 that is no more than half a percent of it: better no scale tells.

    Parameters
    ----------
    value : float
        Anything below or equal to zero is written as it is.
    """
    if not (math.isfinite(value) and value > 0.0):
        return f"{value:g}"
    half = 0.005 * value
    power = 10.0 ** math.floor(math.log10(half))
    step = power * max(times for times in (1.0, 2.0, 5.0) if times * power <= half * (1.0 + 1e-9))
    return f"{round(value / step) * step:,.{max(0, -math.floor(math.log10(step)))}f}"


def ticket_table(outcome: ReconcileOutcome, system: System) -> Table:
    """What log and scale tickets come to, to the precision a scale and a log can tell; there must be tickets.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    balance, loads = outcome.balance, outcome.loads
    assert balance is not None
    masses = (("scale tickets", balance.ticket), ("log", balance.logged), ("its gaps, about", balance.bridged))
    volume, ten = ("gallon", "10 lb") if system == "us" else ("liter", "10 kg")
    names = (
        f"corrected pulses per {volume}, about",
        "the same without temperature correction",
        f"corrected pulses per {ten} N, about",
    )
    counts = pulses(balance, system)
    rows = [(name, f"{show(mass, 'mass', system)} NH3") for name, mass in masses if mass > 0.0]
    rows.append(("log over tickets", f"{balance.ratio:.3f}"))
    if balance.lost_share <= MOST_LOST:
        rows.append(("multiply the log by", f"{balance.meter_factor:.3f}"))
    if balance.temperature_ratio is not None:
        rows.append(("of it the meter's missing temperature correction", f"{balance.temperature_ratio:.3f}"))
    rows += [(name, rounded(value)) for name, value in zip(names, counts, strict=True) if value is not None]
    if loads is not None:
        rows += [
            (f"load {at}, from {begins / 60.0:,.0f} min into the log: multiply by", f"{factor:.3f}")
            for at, (begins, factor) in enumerate(zip(loads.begins, loads.factor, strict=True), 1)
        ]
    return Table("The log against the scale", ("mass balance", "value"), tuple(rows), "<>", (5.0, 2.2))


def ticket_notes(outcome: ReconcileOutcome, system: System) -> list[str]:
    """Say what the calibration rests on; there must be tickets.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    balance, temperature = outcome.balance, outcome.meter_temperature
    assert balance is not None
    notes, ten = [], "10 lb" if system == "us" else "10 kg"
    if outcome.loads is None and outcome.tickets > 1:
        notes.append(
            "The tickets are compared in one sum: the log shows no stops between the loads (two minutes at least) that "
            "its parts would fit."
        )
    if outcome.loads is not None:
        factor = outcome.loads.factor
        notes.append(
            f"The loads, cut at the log's longest stops, lie between {factor.min():.3f} and {factor.max():.3f}: so far "
            "is the calibration known."
        )
    if balance.lost_share > MOST_LOST:
        lost = percent(balance.lost_share)
        notes.append(f"{lost} of what went out is missing from the log: no calibration follows from it.")
    elif outcome.bar is None:
        notes.append("With a bar file (--bar) the calibration of its meter follows.")
    elif balance.pulses_per_volume_as_used is not None and temperature is None:
        notes.append(f"With a liquid temperature (logged, or --temperature) the pulses per {ten} N follow too.")
    elif temperature is not None:
        at = show(temperature, "temperature", system)
        notes.append(f"Pulses per {ten} N hold at {at} only. Change a calibration after weighing two loads, not one.")
    return notes
