"""One field through its workflow: the document of the single command, its row of the summary, and its findings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, cast

import numpy as np

from geoflow.decide.settling import settling
from geoflow.report.documents import vet_document
from geoflow.report.reconciling import reconcile_document
from geoflow.report.rewriting import rewrite_document
from geoflow.season.catalog import Entry
from geoflow.season.figures import reconciled_figures, rewritten_figures, vetted_figures
from geoflow.season.zones import zone_table
from geoflow.workflow.reconcile_outputs import write_reconciliation
from geoflow.workflow.reconciling import LogOptions, TargetOptions, reconcile_file
from geoflow.workflow.rewriting import parse_prices, rewrite_file, write_rewriting
from geoflow.workflow.vetting import vet_file, write_vetting

if TYPE_CHECKING:
    import geopandas

    from geoflow.base.units import System
    from geoflow.prescription_files.table import ZoneRule

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


def _vet(entry: Entry, files: dict[str, Path]) -> Any:

    speeds = files.get("zone_speeds")
    return vet_file(
        str(files["prescription"]),
        str(files["bar"]),
        str(entry.text("temperature")),
        entry.text("speed"),
        sections=entry.text("sections"),
        rate_column=entry.text("rate_column"),
        rate_unit=entry.text("rate_unit"),
        crs=entry.text("crs"),
        swap_axes=entry.flag("swap_axes"),
        layer=entry.text("layer"),
        zones=cast("ZoneRule | None", entry.text("zones")),
        take_as_ammonia=entry.flag("take_as_ammonia"),
        volume_temperature=entry.text("volume_temperature"),
        zone_speeds=None if speeds is None else str(speeds),
    )


def _vetted(entry: Entry, files: dict[str, Path], out: Path, system: System, *, full: bool) -> Outcome:

    outcome = _vet(entry, files)
    prescription = outcome.prescription
    doubt = settling(prescription.area, outcome.solution, outcome.vetting)
    document = vet_document(prescription, outcome.rate, outcome.solution, outcome.vetting, doubt)
    if full:
        write_vetting(outcome, out / "folder", document, system, replace=False, protect=tuple(files.values()))
    figures = vetted_figures(outcome)
    table = zone_table(entry, figures.zones, prescription.zones, prescription.local_crs)
    return Outcome(document, figures.row, figures.findings, outcome.has_findings, table)


def _rewritten(entry: Entry, files: dict[str, Path], out: Path, system: System, *, full: bool) -> Outcome:

    prices = parse_prices(*(entry.text(name) for name in ("nitrogen_price", "yield_response", "crop_price")))
    vetted = _vet(entry, files)
    target = out / "rewritten" / files["prescription"].name
    outcome = rewrite_file(
        vetted,
        str(entry.text("policy")),
        max_rate=entry.text("max_rate"),
        allow_raise=entry.flag("allow_raise"),
        leave_doubtful=entry.flag("leave_doubtful"),
        heading=entry.text("heading"),
        merge_short=entry.flag("merge_short"),
        prices=prices,
        target=target,
    )
    target.parent.mkdir()
    write_rewriting(outcome, target, replace=False, protect=tuple(files.values()))
    prescription = vetted.prescription
    document = rewrite_document(prescription, outcome.done, vetted.solution, outcome.extra)
    figures = rewritten_figures(outcome)
    table = zone_table(entry, figures.zones, prescription.zones, prescription.local_crs)
    return Outcome(document, figures.row, figures.findings, outcome.has_findings, table)


def _reconciled(entry: Entry, files: dict[str, Path], out: Path, system: System, *, full: bool) -> Outcome:

    def path(column: str) -> str | None:
        return str(files[column]) if column in files else None

    outcome = reconcile_file(
        str(files["log"]),
        bar_file=path("bar"),
        target_file=path("target"),
        boundary_file=path("boundary"),
        boundary_crs=entry.text("boundary_crs"),
        tickets=entry.several("ticket"),
        log_options=LogOptions(
            columns=entry.several("column"),
            mapping=path("columns_file"),
            rate_unit=entry.text("rate_unit"),
            nitrogen=entry.text("nitrogen"),
            width=entry.text("width"),
            temperature=entry.text("temperature"),
            crs=entry.text("crs"),
            swap_axes=entry.flag("swap_axes"),
            layer=entry.text("layer"),
        ),
        target_options=TargetOptions(
            entry.text("target_rate_column"),
            entry.text("target_rate_unit"),
            entry.text("target_crs"),
            entry.text("target_layer"),
            entry.flag("target_take_as_ammonia"),
        ),
    )
    document = reconcile_document(outcome)
    if full:
        write_reconciliation(outcome, out / "folder", document, system, replace=False, protect=tuple(files.values()))
    figures = reconciled_figures(outcome)
    shapes = outcome.zones if outcome.found.zones is not None else np.array([outcome.boundary], dtype=object)
    table = zone_table(entry, figures.zones, shapes, outcome.read.local_crs)
    return Outcome(document, figures.row, figures.findings, outcome.has_findings, table)


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
