"""Sentences and tables on a reconciled log."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from geoflow.base.arrays import IntArray
from geoflow.base.counted import count
from geoflow.base.units import System, number, show, unit_label
from geoflow.report.findings import percent
from geoflow.report.model import Table
from geoflow.report.reconciling import latency_fits, points

if TYPE_CHECKING:
    from geoflow.outcomes import ReconcileOutcome
    from geoflow.reconciliation.lag import Lag

__all__ = [
    "agreement_table",
    "answer",
    "cause_table",
    "ground_table",
    "lag_text",
    "nitrogen_text",
    "records_text",
    "shift_table",
    "zone_table",
]


def answer(outcome: ReconcileOutcome, system: System) -> str:
    """Say in one sentence how the field came out.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    found = outcome.found
    agreed = found.agreement
    if not found.asked_by:
        return "Neither the log nor a map says what was asked for, so only the ground and the totals can be told."
    if not agreed.area > 0.0:
        return "No ground of the log has both a rate and a target: nothing can be compared."
    return (
        f"By the log, {percent(agreed.within_10)} of {show(agreed.area, 'area', system)} compared got within 10 % of "
        f"its target; {show(agreed.applied_mean, 'nitrogen rate', system, 1)} went down where "
        f"{show(agreed.target_mean, 'nitrogen rate', system, 1)} were asked.{_by_ticket(outcome, system)}"
    )


def _by_ticket(outcome: ReconcileOutcome, system: System) -> str:
    """Say what the scale tickets make of the logged rates, with a space in front; empty without tickets."""
    balance, agreed = outcome.balance, outcome.by_ticket
    if balance is None or agreed is None or not agreed.area > 0.0:
        return ""
    gap = balance.meter_factor - 1.0
    off = "as much went out as the log says"
    if abs(gap) >= 0.0005:
        told = "the log, its gaps filled in, says" if balance.bridged > 0.0 else "the log says"
        off = f"about {percent(abs(gap))} {'more' if gap > 0.0 else 'less'} went out than {told}"
    return (
        f" By the scale tickets {off}: {show(agreed.applied_mean, 'nitrogen rate', system, 1)}, and "
        f"{percent(agreed.within_10)} of that ground got within 10 %."
    )


def nitrogen_text(outcome: ReconcileOutcome, system: System) -> str:
    """Say the nitrogen that went out, by the log and by the tickets, and what was asked.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    found, balance = outcome.found, outcome.balance
    text = f"Nitrogen: {show(found.nitrogen_out, 'mass', system)} went out"
    if balance is not None:
        weighed = balance.ticket * outcome.nitrogen_fraction
        text += f" by the log, {show(weighed, 'mass', system)} by the scale tickets"
    if found.asked_by:
        whose = "the map asks for" if found.asked_by == "map" else "the log's own target comes to"
        text += f"; {whose} {show(found.nitrogen_asked, 'mass', system)}"
    return text + "."


def records_text(outcome: ReconcileOutcome) -> str:
    """Say how many records were read, how many are ground, and why the others are not.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    """
    said = points(outcome)
    left_out = ", ".join(f"{cause} {number_of:,}" for cause, number_of in said["dropped"].items())
    return f"{count(said['read'], 'record')} read, {said['kept']:,} on the ground" + (
        f"; left out: {left_out}." if left_out else "."
    )


def ground_table(outcome: ReconcileOutcome, system: System) -> Table:
    """Ground driven over, covered, missed and doubled.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    found, overlay = outcome.found, outcome.found.overlay
    unasked, unknown = found.missed_unasked > 0.0, found.unknown_rate_area > 0.0
    areas = (
        ("driven over, passes added up", overlay.swept, True),
        ("ground covered", overlay.covered, True),
        ("of it inside the field", overlay.covered_in_field, found.has_field),
        ("field missed", found.missed, found.has_field),
        ("field without a pass where nothing was asked", found.missed_unasked, found.has_field and unasked),
        ("covered more than once", overlay.doubled, True),
        ("passes outside the field", found.outside_area, found.has_field),
        ("covered while no rate was logged", found.unknown_rate_area, unknown),
    )
    rows = tuple((name, number(area, "area", system, 2)) for name, area, known in areas if known)
    return Table("Ground", ("ground", unit_label("area", system)), rows, "<>", (4.0, 1.5))


def agreement_table(outcome: ReconcileOutcome, system: System) -> Table:
    """The comparison with the target: by the log, and by the tickets where there are any.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    each = [outcome.found.agreement] + ([] if outcome.by_ticket is None else [outcome.by_ticket])

    def rates(name: str) -> tuple[str, ...]:
        return tuple(number(getattr(agreed, name), "nitrogen rate", system, 1) for agreed in each)

    label = unit_label("nitrogen rate", system)
    heads = ("over the ground, passes added up", "by the log", "by the tickets")[: 1 + len(each)]
    concordance = (f"{one.concordance:.3f}" if math.isfinite(one.concordance) else "-" for one in each)
    rows = (
        (f"asked, mean [{label}]", *rates("target_mean")),
        (f"applied, mean [{label}]", *rates("applied_mean")),
        (f"bias [{label}]", *rates("bias")),
        (f"mean absolute difference [{label}]", *rates("mae")),
        (f"root mean square difference [{label}]", *rates("rmse")),
        ("concordance, 1 is perfect", *concordance),
        ("within 5 % of the target", *(percent(agreed.within_5) for agreed in each)),
        ("within 10 %", *(percent(agreed.within_10) for agreed in each)),
        ("within 20 %", *(percent(agreed.within_20) for agreed in each)),
    )
    return Table("Agreement", heads, rows, "<" + ">" * len(each), (4.5, *(1.8,) * len(each)))


def cause_table(outcome: ReconcileOutcome, system: System) -> Table | None:
    """Ground more than 10 % off by cause, with its share; None where none is.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    causes = [(name, area) for name, area in outcome.found.cause_area.items() if area > 0.0]
    off = sum(area for _, area in causes)
    rows = tuple((name, number(area, "area", system, 2), percent(area / off)) for name, area in causes)
    heads = ("cause", unit_label("area", system), "share")
    return Table("Ground more than 10 % off, by cause", heads, rows, "<>>", (4.0, 1.2, 1.2)) if rows else None


def lag_text(outcome: ReconcileOutcome) -> str:
    """Say how long after the target the rate follows.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    """
    found = outcome.found
    if found.lag is None:
        clock = bool(np.isfinite(found.log.time).any())
        why = "too little of the log has a target that changes within a pass" if clock else "the log has no clock"
        return f"Lag: cannot be told: {why}.{_stated_text(outcome)}"
    whose = "the log's own target" if found.lag_from == "log" else "the map"
    return (
        f"Lag: the rate follows {whose} after {found.lag.best:.1f} s; anything from {found.lag.low:.1f} to "
        f"{found.lag.high:.1f} s fits as well.{_alike_text(found.lag)}{_stated_text(outcome)}"
    )


def _alike_text(lag: Lag) -> str:
    """Say what a log cannot show whose steps all fall alike, with a space in front."""
    return (
        f" Where all steps of the target fall at the same moment between two records, up to {lag.interval:.1f} s "
        "either way does not show."
    )


def _stated_text(outcome: ReconcileOutcome) -> str:
    """Say what the machine states of its latency and whether the log shows it, with a space in front."""
    lag, latency, fits = outcome.found.lag, outcome.read.latency, latency_fits(outcome)
    stated = None if latency is None else latency.in_log
    if latency is None or stated is None:
        return ""
    both = latency.actual is not None and latency.actual != 0.0
    parts = f" (target {latency.setpoint:g} s, reported rate {latency.actual:g} s)" if both else ""
    text = f" The machine itself states a latency of {stated:g} s{parts}"
    if lag is None or fits is None:
        return f"{text}; only a log with its own target and a lag can confirm it."
    if fits:
        return f"{text}, which agrees with the log."
    slow = stated < lag.dead_time or stated < lag.low
    return (
        f"{text}, which does not agree: the log shows {'more' if slow else 'less'}. A controller that looks ahead by "
        f"what is stated then changes the rate {'too late' if slow else 'too early'}."
    )


def shift_table(outcome: ReconcileOutcome, system: System) -> Table | None:
    """The records against a shifted target; None where there is none but 0 s.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    shifts = outcome.found.shifts
    if len(shifts) < 2:
        return None
    label = unit_label("nitrogen rate", system)
    rows = tuple(
        (
            f"{shift.seconds:+.1f} s",
            number(shift.agreement.bias, "nitrogen rate", system, 1),
            number(shift.agreement.rmse, "nitrogen rate", system, 1),
            percent(shift.agreement.within_10),
        )
        for shift in shifts
    )
    heads = ("target shifted by", f"bias {label}", f"RMSE {label}", "records within 10 %")
    return Table("Record by record, with the target shifted", heads, rows, "<>>>", (2.6, 1.6, 1.6, 1.8))


def _worst_zones(outcome: ReconcileOutcome) -> IntArray:
    """Zones of the map, those furthest off first."""
    zones = outcome.found.zones
    assert zones is not None
    with np.errstate(divide="ignore", invalid="ignore"):
        gap = np.abs(zones.rate / zones.asked - 1.0)
    return np.argsort(-np.nan_to_num(gap, nan=np.inf, posinf=np.inf), kind="stable")


def _zone_row(outcome: ReconcileOutcome, index: int, system: System) -> tuple[str, ...]:
    zones, target, balance = outcome.found.zones, outcome.target, outcome.balance
    assert zones is not None and target is not None
    asked, got, near = (float(column[index]) for column in (zones.asked, zones.rate, zones.within_10))
    known = math.isfinite(got)
    columns = (zones.area, zones.covered, zones.missed, zones.doubled)

    def rate(value: float) -> str:
        return number(value, "nitrogen rate", system, 1) if known else "-"

    return (
        target.zone_id[index],
        *(number(float(each[index]), "area", system, 2) for each in columns),
        number(asked, "nitrogen rate", system, 1),
        rate(got),
        *(() if balance is None else (rate(got * balance.meter_factor),)),
        f"{got / asked:.2f}" if known and asked > 0.0 else "-",
        percent(near) if math.isfinite(near) else "-",
    )


def zone_table(outcome: ReconcileOutcome, system: System, most: int | None) -> Table:
    """Zones of the map, those furthest off first.

    Parameters
    ----------
    outcome : ReconcileOutcome
        With a map.
    system : str
        ``"us"`` or ``"metric"``.
    most : int or None
        How many are listed; None for all.
    """
    worst = _worst_zones(outcome)
    rows = tuple(_zone_row(outcome, index, system) for index in worst[:most].tolist())
    some = f"{count(len(worst), 'zone')}, furthest off first"
    caption = f"The first {len(rows):,} of {some}" if len(rows) < len(worst) else f"All {some}"
    area, rate = unit_label("area", system), unit_label("nitrogen rate", system)
    tickets = () if outcome.balance is None else ("by tickets",)
    areas = (f"area {area}", "covered", "missed", "doubled")
    heads = ("zone", *areas, f"asked {rate}", "got", *tickets, "ratio", "within 10 %")
    widths = (0.9, 1.0, 1.2, 1.2, 1.2, 1.5, 1.2, *(1.2 for _ in tickets), 1.0, 1.4)
    return Table(caption, heads, rows, "<" + ">" * (len(heads) - 1), widths)
