"""One field through its workflow: the document of the single command, its row of the summary, and its findings."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from geoflow.decide.settling import settling
from geoflow.options.table import TARGET
from geoflow.options.typed import ComparisonOptions, LogOptions, PlanOptions, ReadOptions, RewriteOptions
from geoflow.report.documents import vet_document
from geoflow.report.layout import count
from geoflow.report.reconciling import reconcile_document
from geoflow.report.rewriting import rewrite_document
from geoflow.season.catalog import Entry
from geoflow.season.zones import log_zones, prescription_zones
from geoflow.workflow.reconcile_outputs import write_reconciliation
from geoflow.workflow.reconciling import reconcile_file
from geoflow.workflow.rewriting import rewrite_file, write_rewriting
from geoflow.workflow.vetting import vet_file, write_vetting

if TYPE_CHECKING:
    import geopandas

    from geoflow.base.units import System
    from geoflow.outcomes import VetOutcome

__all__ = ["ROW_COLUMNS", "Outcome", "run_field"]

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
    "error": str,
    "error_where": str,
    "error_cure": str,
}
"""Columns of the season's table; pounds are nitrogen, `within_10` a share of `compared_ac`."""

_VERDICTS: Final = ("holds", "doubtful", "fails", "off")


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What a field gives.

    Attributes
    ----------
    document : dict
        The JSON of the single command.
    row : dict
        Some of `ROW_COLUMNS`.
    findings : list of dict
        ``kind``, ``about`` (``"bar"``, ``"plan"`` or ``"field"``), ``text``, ``acres`` and ``numbers``.
    has_findings : bool
        Whether the single command would have returned 1.
    zones : geopandas.GeoDataFrame
        The field's part of the data set.
    """

    document: dict[str, Any]
    row: dict[str, Any]
    findings: list[dict[str, Any]]
    has_findings: bool
    zones: geopandas.GeoDataFrame


def _finding(kind: str, about: str, text: str, acres: float | None = None, **numbers: Any) -> dict[str, Any]:
    return {"kind": kind, "about": about, "text": text, "acres": acres, "numbers": numbers}


def _verdict_findings(zones: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Zones that fail or are doubtful, by the limit that binds."""
    groups: dict[tuple[str, str], list[float]] = {}
    for zone in zones:
        if zone["verdict"] in {"fails", "doubtful"}:
            groups.setdefault((zone["verdict"], zone["limited_by"]), []).append(zone["area_ac"] or 0.0)
    found = []
    for (verdict, limit), acres in sorted(groups.items(), key=lambda item: -sum(item[1])):
        total = round(sum(acres), 6)
        text = f"{verdict} for {limit}: {count(len(acres), 'zone')}, {total:,.1f} ac"
        found.append(_finding(f"{verdict}: {limit}", "plan", text, total))
    return found


def _vet(said: Mapping[str, Any], job: str) -> VetOutcome:
    plan, read = PlanOptions.of(said, job), ReadOptions.of(said, job)
    return vet_file(said["prescription"], plan, read, zone_speeds=said.get("zone_speeds"))


def _vetted(entry: Entry, files: dict[str, Path], out: Path, system: System, *, full: bool) -> Outcome:

    outcome = _vet(entry.said(files), "vet")
    prescription = outcome.prescription
    doubt = settling(prescription.area, outcome.solution, outcome.vetting)
    document = vet_document(prescription, outcome.rate, outcome.solution, outcome.vetting, doubt)
    if full:
        write_vetting(outcome, out / "folder", document, system, replace=False, protect=tuple(files.values()))
    totals, zones = document["totals"], document["zones"]
    warnings = [_finding("plan", "plan", text) for text in document["window"]["warnings"]]
    row = {
        "bar": document["bar"],
        "lon": round(prescription.centre[0], 6),
        "lat": round(prescription.centre[1], 6),
        "zones": totals["zones"],
        "area_ac": totals["area_ac"],
        "asked_lb_n": totals["nitrogen_lb"],
        **{f"{name}_ac": totals[f"area_{name}_ac"] for name in _VERDICTS},
    }
    rows = [
        {
            "zone": zone["zone"],
            "area_ac": zone["area_ac"],
            "asked_lb_n_ac": zone["rate_lb_n_ac"],
            "verdict": zone["verdict"],
            "side": zone["side"],
            "limited_by": zone["limited_by"],
            "speed_low_mph": (zone["speed_mph"] or [None, None])[0],
            "speed_high_mph": (zone["speed_mph"] or [None, None])[1],
            "liquid_margin_psi": zone["liquid_margin_psi"],
        }
        for zone in zones
    ]
    table = prescription_zones(entry, rows, prescription.zones, prescription.local_crs)
    return Outcome(document, row, _verdict_findings(zones) + warnings, outcome.has_findings, table)


def _rewritten(entry: Entry, files: dict[str, Path], out: Path, system: System, *, full: bool) -> Outcome:

    said = entry.said(files)
    vetted = _vet(said, "rewrite")
    target = out / "rewritten" / files["prescription"].name
    outcome = rewrite_file(vetted, RewriteOptions.of(said, "rewrite"), target=target)
    target.parent.mkdir()
    write_rewriting(outcome, target, replace=False, protect=tuple(files.values()))
    prescription = vetted.prescription
    document = rewrite_document(prescription, outcome.done, vetted.solution, outcome.extra)
    totals, zones = document["totals"], document["zones"]
    acres = dict.fromkeys(_VERDICTS, 0.0)
    for zone in zones:
        acres[zone["verdict_after"]] += zone["area_ac"]
    found = [_finding("plan", "plan", text) for text in document["warnings"]]
    if totals["zones_left_failing"]:
        text = f"{totals['zones_left_failing']} zones, {totals['acres_left_failing']:,.1f} ac, still do not hold"
        found.append(_finding("left failing", "plan", text, totals["acres_left_failing"]))
    if totals["zones_raised"]:
        text = (
            f"{totals['zones_raised']} zones were RAISED above the prescription; check them against the agronomist's "
            "ceiling, the label and local nitrogen rules before anything is applied"
        )
        found.append(_finding("raised", "field", text))
    if abs(totals["nitrogen_unplaced_lb"]) > 1e-4 * max(totals["nitrogen_before_lb"], 1e-9):
        text = f"{totals['nitrogen_unplaced_lb']:+,.0f} lb of nitrogen found no zone with room"
        found.append(_finding("nitrogen not placed", "plan", text))
    row = {
        "bar": vetted.solution.bar.name,
        "lon": round(prescription.centre[0], 6),
        "lat": round(prescription.centre[1], 6),
        "zones": len(zones),
        "area_ac": round(sum(acres.values()), 6),
        "asked_lb_n": totals["nitrogen_before_lb"],
        "after_lb_n": totals["nitrogen_after_lb"],
        **{f"{name}_ac": round(area, 6) for name, area in acres.items()},
    }
    rows = [
        {
            "zone": zone["zone"],
            "area_ac": zone["area_ac"],
            "asked_lb_n_ac": zone["before_lb_n_ac"],
            "after_lb_n_ac": zone["after_lb_n_ac"],
            "verdict": zone["verdict_after"],
            "verdict_before": zone["verdict_before"],
            "speed_low_mph": zone["speed_mph"][0],
            "speed_high_mph": zone["speed_mph"][1],
            "reason": zone["reason"],
        }
        for zone in zones
    ]
    table = prescription_zones(entry, rows, prescription.zones, prescription.local_crs)
    return Outcome(document, row, found, outcome.has_findings, table)


def _reconciled(entry: Entry, files: dict[str, Path], out: Path, system: System, *, full: bool) -> Outcome:

    said, job = entry.said(files), "reconcile"
    log, target = LogOptions.of(said, job), ReadOptions.of(said, job, TARGET)
    outcome = reconcile_file(str(files["log"]), ComparisonOptions.of(said, job), log, target)
    document = reconcile_document(outcome)
    if full:
        write_reconciliation(outcome, out / "folder", document, system, replace=False, protect=tuple(files.values()))
    found = []
    for finding in document["findings"]:
        numbers = {name: value for name, value in finding["numbers"].items() if value is not None}
        acres = numbers.get("area_ac")
        about = "field" if finding["where"] == "field" else "bar"
        found.append(_finding(finding["kind"], about, finding["text"], acres, **numbers))
    coverage, totals, agreed = document["coverage"], document["totals"], document["agreement"]
    inside, missed = coverage["covered_in_field_ac"], coverage["missed_ac"]
    row = {
        "bar": document["input"]["bar"],
        "lon": round(outcome.read.centre[0], 6),
        "lat": round(outcome.read.centre[1], 6),
        "zones": len(document["zones"]),
        "area_ac": coverage["covered_ac"] if inside is None else round(inside + (missed or 0.0), 6),
        "asked_lb_n": totals["target_lb_n"],
        "applied_lb_n": totals["applied_lb_n"],
        "covered_ac": coverage["covered_ac"],
        "missed_ac": missed,
        "doubled_ac": coverage["doubled_ac"],
        "compared_ac": agreed["compared_ac"],
        "within_10": agreed["within_10"],
    }
    return Outcome(document, row, found, outcome.has_findings, log_zones(entry, outcome, document, row))


_RUN: Final[dict[str, Callable[..., Outcome]]] = {"vet": _vetted, "rewrite": _rewritten, "reconcile": _reconciled}


def run_field(entry: Entry, files: dict[str, Path], out: Path, system: System, *, full: bool) -> Outcome:
    """Run a field's job with the workflow of the single command.

    Parameters
    ----------
    entry : Entry
        The field.
    files : dict
        Column to the file on this machine.
    out : Path
        An empty folder on this machine for the files the job writes: ``rewritten`` and ``folder`` in it.
    system : str
        Units of what people read in `full` outputs.
    full : bool
        Whether everything the single command's --out gives is written too.

    Raises
    ------
    GeoflowError
        For anything that cannot be read or understood.
    """
    return _RUN[entry.job](entry, files, out, system, full=full)
