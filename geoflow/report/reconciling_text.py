"""What a reconciled log comes to, in words for a person."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.reconcile.balance import MOST_LOST
from geoflow.report.cautions import CAUTIONS
from geoflow.report.findings import concern_texts, finding_text, percent
from geoflow.report.layout import count, table, wrap
from geoflow.report.reconciling import points, ticket_numbers
from geoflow.units import System, number, show, unit_label

if TYPE_CHECKING:
    from geoflow.workflow.reconciling import ReconcileOutcome

__all__ = ["answer", "reconcile_text"]

_MOST_ZONES: Final = 12


def _coverage_text(outcome: ReconcileOutcome, system: System) -> str:
    found, lain = outcome.found, outcome.found.overlay
    rows = [("driven over (passes added up)", lain.swept), ("ground covered", lain.covered)]
    if found.has_field:
        rows += [("of it inside the field", lain.covered_in_field), ("field missed", lain.missed)]
        if found.missed_unasked > 0.0:
            rows.append(("  of it where the map asks nothing", found.missed_unasked))
    rows.append(("covered more than once", lain.doubled))
    if found.has_field:
        rows.append(("passes outside the field", found.outside_area))
    if found.unknown_rate_area > 0.0:
        rows.append(("covered without a logged rate", found.unknown_rate_area))
    label = unit_label("area", system)
    return table([(name, f"{number(area, 'area', system, 2)} {label}") for name, area in rows], "<>")


def _rates_text(outcome: ReconcileOutcome, system: System) -> str:
    agreed = outcome.found.agreement

    def rate(value: float) -> str:
        return show(value, "nitrogen rate", system, 1)

    rows = [
        ("asked, mean", rate(agreed.target_mean)),
        ("applied, mean", rate(agreed.applied_mean)),
        ("bias", rate(agreed.bias)),
        ("mean absolute difference", rate(agreed.mae)),
        ("root mean square difference", rate(agreed.rmse)),
        ("concordance (1 is perfect)", f"{agreed.concordance:.3f}" if math.isfinite(agreed.concordance) else "-"),
        ("within 5 / 10 / 20 %", " / ".join(map(percent, (agreed.within_5, agreed.within_10, agreed.within_20)))),
    ]
    return table(rows, "<>")


def _lag_text(outcome: ReconcileOutcome, system: System) -> str:
    found = outcome.found
    lines = []
    if found.lag is None:
        lines.append(wrap("Lag: cannot be told (no clock, or the target hardly changes within a pass)."))
    else:
        whose = "the log's own target" if found.lag_from == "log" else "the map"
        lines.append(
            wrap(
                f"Lag: the rate follows {whose} after {found.lag.best:.1f} s (anything from {found.lag.low:.1f} to "
                f"{found.lag.high:.1f} s fits as well)."
            )
        )
    if len(found.shifts) > 1:
        rows: list[tuple[str, ...]] = [("record by record, target shifted by", "bias", "RMSE", "within 10 %")]
        for shift in found.shifts:
            agreed = shift.agreement
            cells = (show(value, "nitrogen rate", system, 1) for value in (agreed.bias, agreed.rmse))
            rows.append((f"{shift.seconds:+.1f} s", *cells, percent(agreed.within_10)))
        lines += [
            table(rows, "<>>>"),
            wrap(
                "Shifted tells how well the control held; 0 s what the ground got. A record in two zones counts once "
                "here, with their mean; above, each piece counts with its own zone."
            ),
        ]
    return "\n".join(lines)


def _zones_text(outcome: ReconcileOutcome, system: System, most: int | None) -> str:
    zones, target = outcome.found.zones, outcome.target
    assert zones is not None and target is not None
    with np.errstate(divide="ignore", invalid="ignore"):
        gap = np.abs(zones.rate / zones.asked - 1.0)
    worst = np.argsort(-np.nan_to_num(gap, nan=np.inf, posinf=np.inf), kind="stable")
    shown = worst[: len(worst) if most is None else most]
    rate = unit_label("nitrogen rate", system)
    rows: list[tuple[str, ...]] = [
        (
            "zone",
            f"area {unit_label('area', system)}",
            "missed",
            "doubled",
            f"asked {rate}",
            "got",
            "ratio",
            "within 10 %",
        )
    ]
    for index in shown:
        asked, got = zones.asked[index], zones.rate[index]
        known = math.isfinite(got)
        rows.append(
            (
                str(target.row[index]),
                *(number(float(area[index]), "area", system, 2) for area in (zones.area, zones.missed, zones.doubled)),
                number(float(asked), "nitrogen rate", system, 1),
                number(float(got), "nitrogen rate", system, 1) if known else "-",
                f"{got / asked:.2f}" if known and asked > 0.0 else "-",
                percent(float(zones.within_10[index])) if math.isfinite(zones.within_10[index]) else "-",
            )
        )
    left = len(worst) - len(shown)
    text = "Zones, furthest off first:\n" + table(rows, ">>>>>>>>")
    return text + (f"\n  and {count(left, 'more zone')} (--all-zones lists all)" if left else "")


def _ticket_text(outcome: ReconcileOutcome, system: System) -> str:
    balance, ticket = outcome.balance, ticket_numbers(outcome)
    assert balance is not None and ticket is not None
    rows = [
        ("scale tickets", f"{show(balance.ticket, 'mass', system)} NH3"),
        ("log", f"{show(balance.logged, 'mass', system)} NH3"),
        *([("its gaps, about", f"{show(balance.bridged, 'mass', system)} NH3")] if balance.bridged > 0.0 else []),
        ("log over tickets", f"{balance.ratio:.4f}"),
        *([] if balance.lost_share > MOST_LOST else [("multiply the log by", f"{balance.meter_factor:.4f}")]),
    ]
    if balance.temperature_ratio is not None:
        rows.append(("of it missing temperature correction", f"{balance.temperature_ratio:.4f}"))
    for name, key in (
        ("corrected pulses per gallon", "pulses_per_gallon"),
        ("the same without temperature correction", "pulses_per_gallon_as_used"),
        ("corrected pulses per 10 lb N", "pulses_per_10_lb_n"),
    ):
        if ticket[key] is not None:
            rows.append((name, f"{ticket[key]:,.2f}"))
    text = "Scale tickets:\n" + table(rows, "<>")
    if outcome.meter_temperature is not None and ticket["pulses_per_10_lb_n"] is not None:
        at = show(outcome.meter_temperature, "temperature", system)
        text += "\n" + wrap(
            f"Pulses per 10 lb N hold at {at} only. Change a calibration after weighing two loads, not one."
        )
    if balance.lost_share > MOST_LOST:
        text += "\n" + wrap(
            f"{percent(balance.lost_share)} of what went out is missing from the log: no calibration follows from it."
        )
    elif ticket["pulses_per_10_lb_n"] is None:
        text += "\n" + wrap(
            "With --bar and a liquid temperature (logged, or --temperature) the meter's calibration follows."
        )
    return text


def answer(outcome: ReconcileOutcome, system: System) -> str:
    """Say in one sentence how the field came out."""
    found = outcome.found
    agreed = found.agreement
    if not found.asked_by:
        return "Neither the log nor a map says what was asked for, so only the ground and the totals can be told."
    if not agreed.area > 0.0:
        return "No ground of the log has both a rate and a target: nothing can be compared."
    balance = outcome.balance
    doubt = ""
    if balance is not None and "ticket" in outcome.concerns:
        doubt = f" By the scale tickets it was {balance.meter_factor:.3f} times what the log says."
    return (
        f"By the log, {percent(agreed.within_10)} of {show(agreed.area, 'area', system)} compared got within 10 % of "
        f"its target; {show(agreed.applied_mean, 'nitrogen rate', system, 1)} went down where "
        f"{show(agreed.target_mean, 'nitrogen rate', system, 1)} were asked.{doubt}"
    )


def reconcile_text(outcome: ReconcileOutcome, system: System, *, most_zones: int | None = _MOST_ZONES) -> str:
    """Write the reconciliation for a person: the answer, what is off, then the accounts."""
    found, read = outcome.found, outcome.read
    parts = [wrap(answer(outcome, system), "")]
    off = [f"{kind}: {text}" for kind, text in concern_texts(outcome, system)]
    off += [
        f"{finding.kind} ({finding.confidence} confidence): {finding_text(finding, outcome, system)}"
        for finding in outcome.judged
    ]
    if off:
        parts.append("To look at:\n" + "\n".join(wrap(text, "  - ", "    ") for text in off))
    said = points(outcome)
    out = [f"{cause} {number_of:,}" for cause, number_of in said["dropped"].items()]
    parts.append(
        f"Records: {said['read']:,} read, {said['kept']:,} on the ground"
        + (f"; left out: {', '.join(out)}" if out else "")
        + "."
    )
    parts.append("Ground:\n" + _coverage_text(outcome, system))
    total = f"Nitrogen: {show(found.nitrogen_out, 'mass', system)} went out"
    if found.asked_by:
        whose = "the map asks for" if found.asked_by == "map" else "the log's target comes to"
        total += f"; {whose} {show(found.nitrogen_asked, 'mass', system)}"
    parts.append(total + ".")
    if found.agreement.area > 0.0:
        parts.append("Rates, weighted by area, each pass on its own:\n" + _rates_text(outcome, system))
        parts.append(_lag_text(outcome, system))
        causes = [(name, area) for name, area in found.cause_area.items() if area > 0.0]
        if causes:
            off_area = sum(area for _, area in causes)
            listed = [(name, show(area, "area", system, 2), percent(area / off_area)) for name, area in causes]
            parts.append("Ground more than 10 % off, by cause:\n" + table(listed, "<>>"))
    if found.zones is not None:
        parts.append(_zones_text(outcome, system, most_zones))
    if outcome.balance is not None:
        parts.append(_ticket_text(outcome, system))
    missing = [f"{one.kind} (needs {', '.join(one.missing)})" for one in outcome.diagnosis if one.missing]
    if missing:
        parts.append(wrap("Could not be judged: " + "; ".join(missing) + ".", "", "  "))
    facts = [fact.text for fact in outcome.facts]
    if facts:
        parts.append("Read:\n" + "\n".join(wrap(text, "  - ", "    ") for text in facts))
    derived = ", ".join(read.derived)
    if derived:
        parts.append(wrap(f"Worked out, not logged: {derived}.", "", "  "))
    parts.append(wrap(CAUTIONS, ""))
    return "\n\n".join(parts)
