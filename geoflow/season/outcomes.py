"""One field through its workflow: the document of the single command, its row of the summary, and its findings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.report.documents import vet_document
from geoflow.report.plan_document import plan_document
from geoflow.report.reconciling import reconcile_document
from geoflow.report.rewriting import rewrite_document
from geoflow.season.catalog import Entry
from geoflow.season.figures import planned_figures, reconciled_figures, rewritten_figures, vetted_figures
from geoflow.season.zones import zone_table
from geoflow.workflow.plan_outputs import write_plan
from geoflow.workflow.reconcile_outputs import write_reconciliation
from geoflow.workflow.rewriting import write_rewriting
from geoflow.workflow.said import planned, reconciled, rewritten, vetted
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
    """

    document: dict[str, Any]
    row: dict[str, Any]
    findings: list[dict[str, Any]]
    has_findings: bool
    zones: geopandas.GeoDataFrame


def _vetted(entry: Entry, files: dict[str, Path], out: Path, system: System, *, full: bool) -> Outcome:

    outcome = vetted(entry.said(files))
    prescription = outcome.prescription
    document = vet_document(outcome)
    if full:
        write_vetting(outcome, out / "folder", document, system, replace=False, protect=tuple(files.values()))
    figures = vetted_figures(outcome)
    table = zone_table(entry, figures.zones, prescription.zones, prescription.local_crs)
    return Outcome(document, figures.row, figures.findings, outcome.has_findings, table)


def _rewritten(entry: Entry, files: dict[str, Path], out: Path, system: System, *, full: bool) -> Outcome:

    target = out / "rewritten" / files["prescription"].name
    outcome = rewritten(entry.said(files))
    target.parent.mkdir()
    write_rewriting(outcome, target, replace=False, protect=tuple(files.values()))
    prescription = outcome.vetted.prescription
    document = rewrite_document(outcome)
    figures = rewritten_figures(outcome)
    table = zone_table(entry, figures.zones, prescription.zones, prescription.local_crs)
    return Outcome(document, figures.row, figures.findings, outcome.has_findings, table)


def _planned(entry: Entry, files: dict[str, Path], out: Path, system: System, *, full: bool) -> Outcome:
    outcome = planned(entry.said(files))
    document, prescription = plan_document(outcome), outcome.vetted.prescription
    if full:
        write_plan(outcome, out / "folder", document, system, replace=False, protect=tuple(files.values()))
    figures = planned_figures(outcome)
    table = zone_table(entry, figures.zones, prescription.zones, prescription.local_crs)
    return Outcome(document, figures.row, figures.findings, outcome.has_findings, table)


def _reconciled(entry: Entry, files: dict[str, Path], out: Path, system: System, *, full: bool) -> Outcome:

    outcome = reconciled(entry.said(files))
    document = reconcile_document(outcome)
    if full:
        write_reconciliation(outcome, out / "folder", document, system, replace=False, protect=tuple(files.values()))
    figures = reconciled_figures(outcome)
    shapes = outcome.zones if outcome.found.zones is not None else np.array([outcome.boundary], dtype=object)
    table = zone_table(entry, figures.zones, shapes, outcome.read.local_crs)
    return Outcome(document, figures.row, figures.findings, outcome.has_findings, table)


_RUN: Final[dict[str, Callable[..., Outcome]]] = {
    "vet": _vetted,
    "rewrite": _rewritten,
    "plan": _planned,
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
        Units of what people read in `full` outputs.
    full : bool
        Whether everything the single command's --out gives is written too.

    Raises
    ------
    GeoflowError
        For anything that cannot be read or understood.
    """
    return _RUN[entry.job](entry, files, out, system, full=full)
