"""The figures a season keeps of a field: its row of the table, its findings and its zones."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray, TextArray
from geoflow.base.counted import count
from geoflow.base.units import from_si
from geoflow.decide.rewrite import REASONS
from geoflow.decide.vet import Solution, Vetting, vet
from geoflow.report.by_hour import hours_answer
from geoflow.report.findings import concern_texts, finding_numbers, finding_text
from geoflow.report.json_numbers import keyed, rounded
from geoflow.report.reconciling import accepted_words, zone_columns

if TYPE_CHECKING:
    from geoflow.field_card.outcome import CardOutcome
    from geoflow.outcomes import PlanOutcome, ReconcileOutcome, RewriteOutcome, VetOutcome
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = [
    "ROW_COLUMNS", "Figures", "carded_figures", "planned_figures", "reconciled_figures", "rewritten_figures",
    "vetted_figures",
]  # fmt: skip

ROW_COLUMNS: Final[dict[str, type]] = {
    "field": str,
    "job": str,
    "status": str,
    "bar": str,
    "lon": float,
    "lat": float,
    "zones": int,
    "area_ac": float,
    "asked_lb_n": float,
    "after_lb_n": float,
    "applied_lb_n": float,
    "covered_ac": float,
    "missed_ac": float,
    "doubled_ac": float,
    "compared_ac": float,
    "within_10": float,
    "holds_ac": float,
    "doubtful_ac": float,
    "fails_ac": float,
    "off_ac": float,
    "findings": int,
    "finding_kinds": str,
    "columns_accepted": str,
    "report": str,
    "error": str,
    "error_where": str,
    "error_cure": str,
}
"""Columns of the season's table; pounds are nitrogen, `within_10` a share of `compared_ac`, `report` a file
of the results."""

_VERDICTS: Final = ("holds", "doubtful", "fails", "off")


@dataclass(frozen=True, slots=True, eq=False)
class Figures:
    """What the season keeps of a field.

    Attributes
    ----------
    row : dict
        Some of `ROW_COLUMNS`.
    findings : list of dict
        ``kind``, ``about`` (``"bar"``, ``"plan"`` or ``"field"``), ``text``, ``acres`` and ``numbers``.
    zones : dict of str to ndarray, shape (zones,)
        Some of `zones.ZONE_COLUMNS`.
    """

    row: dict[str, Any]
    findings: list[dict[str, Any]]
    zones: dict[str, Any]


def _rates(rate: FloatArray) -> Any:
    return from_si(rate, "nitrogen rate", "lb/acre")


def _finding(kind: str, about: str, text: str, acres: float | None = None, **numbers: Any) -> dict[str, Any]:
    return {"kind": kind, "about": about, "text": text, "acres": acres, "numbers": numbers}


def _warnings(texts: Iterable[str]) -> list[dict[str, Any]]:
    return [_finding("plan", "plan", text) for text in texts]


def _place(centre: tuple[float, float]) -> dict[str, float]:
    return {"lon": round(centre[0], 6), "lat": round(centre[1], 6)}


def _prescription_row(bar: str, prescription: Prescription, rate: FloatArray, verdict: TextArray) -> dict[str, Any]:
    area = prescription.area
    return {
        "bar": bar,
        **_place(prescription.centre),
        "zones": area.size,
        **keyed(area_ac=float(area.sum()), asked_lb_n=float(rate @ area)),
        **keyed(**{f"{name}_ac": float(area[verdict == name].sum()) for name in _VERDICTS}),
    }


def _verdict_findings(area: FloatArray, verdict: TextArray, limited_by: TextArray) -> list[dict[str, Any]]:
    """Zones that fail or are doubtful, by the limit that binds; the largest ground first."""
    found = []
    for name in ("fails", "doubtful"):
        for limit in np.unique(limited_by[verdict == name]).tolist():
            acres = from_si(area[(verdict == name) & (limited_by == limit)], "area", "acre")
            text = f"{name} for {limit}: {count(acres.size, 'zone')}, {acres.sum():,.1f} ac"
            found.append(_finding(f"{name}: {limit}", "plan", text, rounded(acres.sum())))
    return sorted(found, key=lambda one: -one["acres"])


def vetted_figures(outcome: VetOutcome) -> Figures:
    """Take a vetted prescription's figures.

    Parameters
    ----------
    outcome : VetOutcome
        From `vet_file`.
    """
    return _vetted(outcome.solution, outcome.prescription, outcome.rate, outcome.vetting)


def _vetted(solution: Solution, prescription: Prescription, rate: FloatArray, vetting: Vetting) -> Figures:
    zones = {
        "zone": prescription.row,
        "zone_id": np.array(prescription.zone_id),
        "area_ac": from_si(prescription.area, "area", "acre"),
        "asked_lb_n_ac": _rates(rate),
        "verdict": vetting.verdict,
        "side": vetting.side,
        "limited_by": vetting.limited_by,
        "speed_low_mph": from_si(vetting.speed_low, "speed", "mile/hour"),
        "speed_high_mph": from_si(vetting.speed_high, "speed", "mile/hour"),
        "liquid_margin_psi": from_si(vetting.margin, "pressure", "psi"),
    }
    row = _prescription_row(solution.bar.name, prescription, rate, vetting.verdict)
    findings = _verdict_findings(prescription.area, vetting.verdict, vetting.limited_by)
    return Figures(row, findings + _warnings(solution.warnings()), zones)


def planned_figures(outcome: PlanOutcome) -> Figures:
    """Take a planned field's figures: those of its verdicts, at the speeds of the plan.

    Parameters
    ----------
    outcome : PlanOutcome
        From `plan_field`.
    """
    found, end = vetted_figures(outcome.vetted), outcome.day.end
    slow, fast = (from_si(speed, "speed", "mile/hour") for speed in outcome.speeds)
    findings = list(found.findings)
    if end is not None and end.worse.any():
        acres = from_si(outcome.vetted.prescription.area[end.worse], "area", "acre")
        text = (
            f"{count(acres.size, 'zone')}, {acres.sum():,.1f} ac, worse off at the end of a tank than with a full one"
        )
        findings.append(_finding("end of a tank", "plan", text, rounded(acres.sum())))
    hours = outcome.hours
    if hours is not None and not hours.holds_throughout:
        findings.append(_finding("hours", "plan", hours_answer(hours, "us")))
    return Figures(found.row, findings, {**found.zones, "speed_low_mph": slow, "speed_high_mph": fast})


def carded_figures(outcome: CardOutcome) -> Figures:
    """Take the figures of a field card: the verdicts of its map, or of its plain rates.

    Parameters
    ----------
    outcome : CardOutcome
        From `card_of`.
    """
    solution, prescription, rate = outcome.solution, outcome.prescription, outcome.zone_rate
    if prescription is None:
        speeds = outcome.speeds
        odd = zip(speeds.verdict.tolist(), speeds.limited_by.tolist(), _rates(speeds.rate).tolist(), strict=True)
        found = [
            _finding(f"{verdict}: {limit}", "plan", f"{asked:,.1f} lb N/ac {verdict} for {limit}")
            for verdict, limit, asked in odd
            if verdict in {"fails", "doubtful"}
        ]
        return Figures({"bar": solution.bar.name}, found + _warnings(solution.warnings()), {})
    return _vetted(solution, prescription, rate, vet(rate, solution))


def _rewriting_findings(outcome: RewriteOutcome) -> list[dict[str, Any]]:
    done, area = outcome.done, outcome.vetted.prescription.area
    found = []
    if done.left_failing.any():
        left = float(from_si(area[done.left_failing].sum(), "area", "acre"))
        text = f"{done.left_failing.sum()} zones, {left:,.1f} ac, still do not hold"
        found.append(_finding("left failing", "plan", text, rounded(left)))
    if done.raised.any():
        text = (
            f"{done.raised.sum()} zones were RAISED above the prescription; check them against the agronomist's "
            "ceiling, the label and local nitrogen rules before anything is applied"
        )
        found.append(_finding("raised", "field", text))
    if done.off_values.any():
        text = f"{count(int(done.off_values.sum()), 'zone')} on none of the controller's values"
        found.append(_finding("off the values", "field", text))
    if outcome.short_of_nitrogen:
        text = f"{from_si(done.unplaced, 'mass', 'lb'):+,.0f} lb of nitrogen found no zone with room"
        found.append(_finding("nitrogen not placed", "plan", text))
    return found


def rewritten_figures(outcome: RewriteOutcome) -> Figures:
    """Take a rewritten prescription's figures.

    Parameters
    ----------
    outcome : RewriteOutcome
        From `rewrite_file`.
    """
    done, prescription, solution = outcome.done, outcome.vetted.prescription, outcome.vetted.solution
    zones = {
        "zone": prescription.row,
        "zone_id": np.array(prescription.zone_id),
        "area_ac": from_si(prescription.area, "area", "acre"),
        "asked_lb_n_ac": _rates(done.before),
        "after_lb_n_ac": _rates(done.after),
        "verdict": done.verdict,
        "verdict_before": done.verdict_before,
        "speed_low_mph": from_si(done.speed_low, "speed", "mile/hour"),
        "speed_high_mph": from_si(done.speed_high, "speed", "mile/hour"),
        "reason": np.array([REASONS[reason] for reason in done.reason.tolist()]),
    }
    row = _prescription_row(solution.bar.name, prescription, done.before, done.verdict)
    masses = keyed(asked_lb_n=done.nitrogen_before, after_lb_n=done.nitrogen_after)
    return Figures({**row, **masses}, _warnings(solution.warnings()) + _rewriting_findings(outcome), zones)


def _log_findings(outcome: ReconcileOutcome) -> list[dict[str, Any]]:
    found = [_finding(kind, "field", text) for kind, text in concern_texts(outcome, "us")]
    for one in outcome.judged:
        numbers = {name: value for name, value in finding_numbers(one).items() if value is not None}
        text = finding_text(one, outcome, "us")
        found.append(_finding(one.kind, "bar", text, numbers.get("area_ac"), **numbers))
    return found


def _log_row(outcome: ReconcileOutcome) -> dict[str, Any]:
    found, overlay = outcome.found, outcome.found.overlay
    field = overlay.covered_in_field + found.missed if found.has_field else overlay.covered
    return {
        "bar": None if outcome.bar is None else outcome.bar.name,
        **_place(outcome.read.centre),
        "zones": 0 if found.zones is None else found.zones.area.size,
        "columns_accepted": accepted_words(outcome) or None,
        **keyed(
            area_ac=field,
            asked_lb_n=found.nitrogen_asked if found.asked_by else None,
            applied_lb_n=found.nitrogen_out,
            covered_ac=overlay.covered,
            missed_ac=found.missed if found.has_field else None,
            doubled_ac=overlay.doubled,
            compared_ac=found.agreement.area,
            within_10=found.agreement.within_10,
        ),
    }


def reconciled_figures(outcome: ReconcileOutcome) -> Figures:
    """Take a reconciled log's figures; without a map its whole field counts as one zone without a number.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    """
    row = _log_row(outcome)
    zones: dict[str, Any] = dict(zone_columns(outcome))
    if zones:
        zones["asked_lb_n_ac"] = zones.pop("target_lb_n_ac")
    else:
        asked, applied = outcome.found.agreement.target_mean, outcome.ground_mean
        means = {"asked_lb_n_ac": _rates(np.array([asked])), "applied_lb_n_ac": _rates(np.array([applied]))}
        ratio = np.array([applied / asked if asked > 0.0 else np.nan])
        areas = ("area_ac", "covered_ac", "missed_ac", "doubled_ac", "within_10")
        zones = {**{name: [row[name]] for name in areas}, **means, "ratio": ratio}
    return Figures(row, _log_findings(outcome), zones)
