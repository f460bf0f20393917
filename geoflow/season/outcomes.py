"""One field through its workflow: the document of the single command, its row of the summary, and its findings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from geoflow.field_card.html import as_card_html
from geoflow.field_card.pdf import as_card_pdf
from geoflow.files.output import OutputFolder
from geoflow.outcomes import ReconcileOutcome
from geoflow.report.html import as_html
from geoflow.season.catalog import Entry
from geoflow.season.figures import (
    carded_figures,
    planned_figures,
    reconciled_figures,
    rewritten_figures,
    vetted_figures,
)
from geoflow.season.zones import zone_table
from geoflow.workflow.results import Statement, stated
from geoflow.workflow.rewriting import write_rewriting
from geoflow.workflow.said import date_of

if TYPE_CHECKING:
    import geopandas

    from geoflow.base.units import System
    from geoflow.report.pdf import Paper

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


def _ground(outcome: Any) -> tuple[Any, Any]:
    """Shapes of the field's zones, and their frame; where there are none, those of all its ground."""
    if isinstance(outcome, ReconcileOutcome):
        whole = np.array([outcome.boundary], dtype=object)
        return (outcome.zones if outcome.found.zones is not None else whole), outcome.read.local_crs
    prescription = getattr(outcome, "vetted", outcome).prescription
    if prescription is None:
        return np.array([shapely.Polygon()], dtype=object), 4326
    return prescription.zones, prescription.local_crs


def _write(entry: Entry, found: Statement, files: dict[str, Path], out: Path, system: System, *, full: bool) -> None:
    """Write what the job leaves beside its record: a rewritten map always, all else where it is asked for."""
    if entry.job == "rewrite":
        target = out / "rewritten" / files["prescription"].name
        target.parent.mkdir()
        write_rewriting(found.outcome, target, replace=False, protect=found.inputs)
    elif full and entry.job == "card":
        paper: Paper = "a4" if system == "metric" else "letter"
        with OutputFolder(out / "folder", replace=False, protect=found.inputs) as folder:
            folder.stage("card.pdf").write_bytes(as_card_pdf(found.report(system), paper, date_of({})))
    elif full:
        found.write(out / "folder", system, replace=False)


_FIGURES: Final[dict[str, Callable[[Any], Any]]] = {
    "vet": vetted_figures,
    "rewrite": rewritten_figures,
    "plan": planned_figures,
    "card": carded_figures,
    "reconcile": reconciled_figures,
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
    found = stated(entry.job, {**entry.said(files), "units": system})
    _write(entry, found, files, out, system, full=full)
    figures = _FIGURES[entry.job](found.outcome)
    table = zone_table(entry, figures.zones, *_ground(found.outcome))
    page = (as_card_html if entry.job == "card" else as_html)(found.report(system))
    return Outcome(found.document(), figures.row, figures.findings, found.findings, table, page)
