"""One field through its workflow: the document of the single command, its row of the summary, and its findings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from geoflow.base.version import __version__
from geoflow.field_card.document import card_document
from geoflow.field_card.html import as_card_html
from geoflow.field_card.pdf import as_card_pdf
from geoflow.field_card.sheet import card_report
from geoflow.files.output import OutputFolder
from geoflow.report.basis import version_and_date
from geoflow.report.documents import vet_document
from geoflow.report.html import as_html
from geoflow.report.plan_document import plan_document
from geoflow.report.planning import planned_report
from geoflow.report.reconciled import reconciled_report
from geoflow.report.reconciling import reconcile_document
from geoflow.report.rewriting import rewrite_document
from geoflow.report.rewritten import rewritten_report
from geoflow.report.vetted import vetted_report
from geoflow.season.catalog import Entry
from geoflow.season.figures import (
    carded_figures,
    planned_figures,
    reconciled_figures,
    rewritten_figures,
    vetted_figures,
)
from geoflow.season.zones import zone_table
from geoflow.workflow.plan_outputs import write_plan
from geoflow.workflow.reconcile_outputs import write_reconciliation
from geoflow.workflow.rewriting import write_rewriting
from geoflow.workflow.said import carded, date_of, planned, reconciled, rewritten, vetted
from geoflow.workflow.vet_outputs import write_vetting

if TYPE_CHECKING:
    import geopandas

    from geoflow.base.units import System

__all__ = ["Outcome", "run_field"]


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What a field gives.

    Attributes
    ----------
    document : dict
        The JSON of the single command.
    row : dict
        Some of `figures.ROW_COLUMNS`.
    findings : list of dict
        ``kind``, ``about`` (``"bar"``, ``"plan"`` or ``"field"``), ``text``, ``acres`` and ``numbers``.
    has_findings : bool
        Whether the single command would have returned 1.
    zones : geopandas.GeoDataFrame
        The field's part of the data set.
    page : str
        The field's report, or its card, as one HTML file.
    """

    document: dict[str, Any]
    row: dict[str, Any]
    findings: list[dict[str, Any]]
    has_findings: bool
    zones: geopandas.GeoDataFrame
    page: str


def _vetted(entry: Entry, files: dict[str, Path], out: Path, system: System, *, full: bool) -> Outcome:

    outcome = vetted(entry.said(files))
    prescription = outcome.prescription
    document = vet_document(outcome)
    if full:
        write_vetting(outcome, out / "folder", document, system, replace=False, protect=tuple(files.values()))
    figures = vetted_figures(outcome)
    table = zone_table(entry, figures.zones, prescription.zones, prescription.local_crs)
    page = as_html(vetted_report(outcome, system))
    return Outcome(document, figures.row, figures.findings, outcome.has_findings, table, page)


def _rewritten(entry: Entry, files: dict[str, Path], out: Path, system: System, *, full: bool) -> Outcome:

    target = out / "rewritten" / files["prescription"].name
    outcome = rewritten(entry.said(files))
    target.parent.mkdir()
    write_rewriting(outcome, target, replace=False, protect=tuple(files.values()))
    prescription = outcome.vetted.prescription
    document = rewrite_document(outcome)
    figures = rewritten_figures(outcome)
    table = zone_table(entry, figures.zones, prescription.zones, prescription.local_crs)
    page = as_html(rewritten_report(outcome, system))
    return Outcome(document, figures.row, figures.findings, outcome.has_findings, table, page)


def _planned(entry: Entry, files: dict[str, Path], out: Path, system: System, *, full: bool) -> Outcome:
    outcome = planned(entry.said(files))
    document, prescription = plan_document(outcome), outcome.vetted.prescription
    if full:
        write_plan(outcome, out / "folder", document, system, replace=False, protect=tuple(files.values()))
    figures = planned_figures(outcome)
    table = zone_table(entry, figures.zones, prescription.zones, prescription.local_crs)
    page = as_html(planned_report(outcome, system))
    return Outcome(document, figures.row, figures.findings, outcome.has_findings, table, page)


def _carded(entry: Entry, files: dict[str, Path], out: Path, system: System, *, full: bool) -> Outcome:
    outcome = carded({**entry.said(files), "units": system})
    date = date_of({})
    report = card_report(outcome, system, version_and_date(__version__, date))
    if full:
        with OutputFolder(out / "folder", replace=False, protect=tuple(files.values())) as folder:
            sheet = as_card_pdf(report, "a4" if system == "metric" else "letter", date)
            folder.stage("card.pdf").write_bytes(sheet)
    figures, prescription = carded_figures(outcome), outcome.prescription
    no_zone = np.array([shapely.Polygon()], dtype=object)
    zones, frame = (no_zone, 4326) if prescription is None else (prescription.zones, prescription.local_crs)
    table = zone_table(entry, figures.zones, zones, frame)
    page = as_card_html(report)
    return Outcome(card_document(outcome), figures.row, figures.findings, outcome.has_findings, table, page)


def _reconciled(entry: Entry, files: dict[str, Path], out: Path, system: System, *, full: bool) -> Outcome:

    outcome = reconciled(entry.said(files))
    document = reconcile_document(outcome)
    if full:
        write_reconciliation(outcome, out / "folder", document, system, replace=False, protect=tuple(files.values()))
    figures = reconciled_figures(outcome)
    shapes = outcome.zones if outcome.found.zones is not None else np.array([outcome.boundary], dtype=object)
    table = zone_table(entry, figures.zones, shapes, outcome.read.local_crs)
    page = as_html(reconciled_report(outcome, system))
    return Outcome(document, figures.row, figures.findings, outcome.has_findings, table, page)


_RUN: Final[dict[str, Callable[..., Outcome]]] = {
    "vet": _vetted,
    "rewrite": _rewritten,
    "plan": _planned,
    "card": _carded,
    "reconcile": _reconciled,
}


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
        Units of what people read in reports and `full` outputs.
    full : bool
        Whether everything the single command's --out gives is written too.

    Raises
    ------
    GeoflowError
        For anything that cannot be read or understood.
    """
    return _RUN[entry.job](entry, files, out, system, full=full)
