"""What a reconciled log comes to, in words for a person."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from geoflow.base.units import System, show, unit_label
from geoflow.report.cautions import CAUTIONS
from geoflow.report.findings import concern_texts, finding_text, percent
from geoflow.report.layout import count, table, wrap
from geoflow.report.reconciled_rows import (
    by_ticket_text,
    cause_rows,
    ground_rows,
    lag_text,
    rate_rows,
    shift_rows,
    ticket_notes,
    ticket_rows,
    went_out,
    worst_zones,
    zone_heads,
    zone_row,
)
from geoflow.report.reconciling import points

if TYPE_CHECKING:
    from geoflow.outcomes import ReconcileOutcome

__all__ = ["answer", "reconcile_text"]

_MOST_ZONES: Final = 12
_SHIFTED: Final = (
    "Shifted tells how well the control held; 0 s what the ground got. Here each record counts once, with the mean of "
    "its zones and each pass on its own; above, the ground with all that fell on it."
)


def _zones_text(outcome: ReconcileOutcome, system: System, most: int | None) -> str:
    worst = worst_zones(outcome)
    shown = worst[: len(worst) if most is None else most].tolist()
    heads = zone_heads(outcome, system)
    rows = [heads, *(zone_row(outcome, index, system) for index in shown)]
    left = len(worst) - len(shown)
    text = "Zones, furthest off first:\n" + table(rows, ">" * len(heads))
    return text + (f"\n  and {count(left, 'more zone')} (--all-zones lists all)" if left else "")


def answer(outcome: ReconcileOutcome, system: System) -> str:
    """Say in one sentence how the field came out."""
    found = outcome.found
    agreed = found.agreement
    if not found.asked_by:
        return "Neither the log nor a map says what was asked for, so only the ground and the totals can be told."
    if not agreed.area > 0.0:
        return "No ground of the log has both a rate and a target: nothing can be compared."
    return (
        f"By the log, {percent(agreed.within_10)} of {show(agreed.area, 'area', system)} compared got within 10 % of "
        f"its target; {show(agreed.applied_mean, 'nitrogen rate', system, 1)} went down where "
        f"{show(agreed.target_mean, 'nitrogen rate', system, 1)} were asked.{by_ticket_text(outcome, system)}"
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
    parts.append(f"Ground [{unit_label('area', system)}]:\n" + table(ground_rows(outcome, system), "<>"))
    parts.append(wrap(f"Nitrogen: {went_out(outcome, system)}", ""))
    if found.agreement.area > 0.0:
        rates = rate_rows(outcome, system)
        parts.append("Rates:\n" + table(rates, "<" + ">" * (len(rates[0]) - 1)))
        lag = [wrap(lag_text(outcome))]
        if shifts := shift_rows(outcome, system):
            lag += [table(shifts, "<>>>"), wrap(_SHIFTED)]
        parts.append("\n".join(lag))
        if causes := cause_rows(outcome, system):
            label = unit_label("area", system)
            parts.append(f"Ground more than 10 % off, by cause [{label}]:\n" + table(causes, "<>>"))
    if found.zones is not None:
        parts.append(_zones_text(outcome, system, most_zones))
    if outcome.balance is not None:
        notes = [wrap(note) for note in ticket_notes(outcome, system)]
        parts.append("\n".join(["Scale tickets:", table(ticket_rows(outcome, system), "<>"), *notes]))
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
