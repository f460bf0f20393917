"""The long work of the page, as it runs in a process of its own; each calls the workflow as the command line does.

The input files lie in the working folder under their own names, and the folder is thrown away afterwards.
"""

from __future__ import annotations

import io
import os
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from geoflow.base.errors import GeoflowError
from geoflow.options.typed import ComparisonOptions, LogOptions, PlanOptions, ReadOptions, ReportFiles, RewriteOptions
from geoflow.web.wording import in_page_words, options_named, page_error

if TYPE_CHECKING:
    import datetime

    from geoflow.base.units import System
    from geoflow.hydraulics.window import FlowWindow
    from geoflow.outcomes import VetOutcome
    from geoflow.workflow.choices import Choices
    from geoflow.workflow.replan import Unplanned

__all__ = ["TASKS", "Inputs", "LogInputs", "Made", "Reading", "Unread", "Unsaid", "warm_up"]

_Tell = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Inputs:
    """What `vet_file` is called with.

    Attributes
    ----------
    prescription : str
        Its name in the working folder.
    plan : PlanOptions
        The bar, by its name there, and what is planned.
    read : ReadOptions
        How the prescription is read.
    """

    prescription: str
    plan: PlanOptions
    read: ReadOptions

    @property
    def paths(self) -> tuple[Path, Path]:
        """Prescription and bar, never to be written over."""
        return Path(self.prescription), Path(self.plan.bar)

    def vet(self) -> VetOutcome:
        """Read and vet."""
        from geoflow.workflow.vetting import vet_file

        return vet_file(self.prescription, self.plan, self.read)


@dataclass(frozen=True, slots=True)
class LogInputs:
    """What `reconcile_file` is called with: names in the working folder, and how the log and the map are read."""

    log: str
    against: ComparisonOptions
    read: LogOptions
    target: ReadOptions


@dataclass(frozen=True, slots=True)
class Reading:
    """A bar and a prescription as the page keeps them.

    Attributes
    ----------
    read : Unplanned
        Without the table it was read from.
    attributes : DataFrame
        That table without its shapes.
    """

    read: Unplanned
    attributes: Any


@dataclass(frozen=True, slots=True)
class Unread:
    """A prescription the reader refused.

    Attributes
    ----------
    words : str
        The reader's, in those of the page.
    choices : Choices
        What could be chosen.
    asked : tuple of str
        Names of the options that would settle it.
    """

    words: str
    choices: Choices
    asked: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Unsaid:
    """A log that does not say what its columns mean.

    Attributes
    ----------
    words : str
        The reader's, in those of the page.
    proposed : tuple of str
        Columns as they most likely are, the best first, as they are typed.
    """

    words: str
    proposed: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Made:
    """Files for download.

    Attributes
    ----------
    text : str
        What the command line prints.
    names : tuple of str
        Of the files.
    archive : bytes
        A zip with them.
    pictures : tuple of (str, bytes)
        Those of them that are shown, by name.
    drawn : dict or None
        What the page draws itself, as it is told to it.
    """

    text: str
    names: tuple[str, ...]
    archive: bytes
    pictures: tuple[tuple[str, bytes], ...] = ()
    drawn: Any = None


def warm_up() -> None:
    """Load what every task needs."""
    import geoflow.ground.geometry
    import geoflow.prescription_files.read_prescription
    import geoflow.report.vetted
    import geoflow.workflow.rewriting  # noqa: F401
    from geoflow.base.units import parse

    parse("1 lb", "mass")
    import geopandas  # noqa: F401


def _pack(folder: Path, text: str) -> Made:
    """Put every file of a folder into a zip, each byte as it was written."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    names = tuple(path.relative_to(folder).as_posix() for path in files)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name, path in zip(names, files, strict=True):
            archive.writestr(zipfile.ZipInfo(name), path.read_bytes(), zipfile.ZIP_DEFLATED)
    return Made(text, names, packed.getvalue())


def _read(tell: _Tell, prescription: str, bar: str, options: ReadOptions) -> Reading | Unread:
    from geoflow.workflow.choices import reading_choices
    from geoflow.workflow.replan import read_unplanned

    tell(f"Reading and checking {prescription}")
    try:
        read = read_unplanned(prescription, bar, options)
    except GeoflowError as problem:
        asked = options_named(problem, "options")
        return Unread(page_error(problem, "prescription"), reading_choices(Path(prescription), options.layer), asked)
    table = read.prescription.table
    kept = replace(read, prescription=replace(read.prescription, table=table.iloc[:0]))
    return Reading(kept, table.drop(columns=table.geometry.name))


def _prepare(tell: _Tell, bar: Any, sections: tuple[int, ...]) -> FlowWindow:
    from geoflow.workflow.replan import prepare_window

    tell("Getting the sliders ready")
    if hasattr(os, "nice"):
        os.nice(10)  # what a reader waits for goes first
    return prepare_window(bar, sections)


def _vetted_files(tell: _Tell, inputs: Inputs, system: System) -> Made:
    from geoflow.report.documents import vet_document
    from geoflow.report.terminal import as_text
    from geoflow.report.vetted import vetted_report
    from geoflow.workflow.vet_outputs import write_vetting

    tell("Vetting every zone")
    outcome = inputs.vet()
    tell("Drawing the map and writing the files")
    folder = Path("vetted")
    _, notes = write_vetting(outcome, folder, vet_document(outcome), system, replace=False, protect=inputs.paths)
    return _pack(folder, "\n".join([as_text(vetted_report(outcome, system), "page"), *notes]))


def _rewritten_files(tell: _Tell, inputs: Inputs, rules: RewriteOptions, system: System) -> Made:
    from geoflow.report.rewritten import rewritten_report
    from geoflow.report.terminal import as_text
    from geoflow.web.layer_views import rewritten_view
    from geoflow.workflow.rewriting import rewrite_file, write_rewriting

    tell("Vetting every zone")
    vetted = inputs.vet()
    tell("Rewriting")
    path, folder = Path(inputs.prescription), Path("rewritten")
    target = folder / f"{path.stem}_for_bar{path.suffix}"
    outcome = rewrite_file(vetted, rules)
    folder.mkdir()
    tell("Writing the files and reading them back")
    write_rewriting(outcome, target, replace=False, protect=inputs.paths)
    drawn = rewritten_view(outcome, system)
    return replace(_pack(folder, as_text(rewritten_report(outcome, system), "page")), drawn=drawn)


def _report_files(
    tell: _Tell, inputs: Inputs, asked: list[tuple[str, str]], date: datetime.date, system: System
) -> Made:
    from geoflow.workflow.reporting import Sources, origin_of, report_on_vetting, write_report

    tell("Vetting every zone")
    sources = Sources.of([("prescription", inputs.prescription), ("bar file", inputs.plan.bar)])
    vetted = inputs.vet()
    tell("Drawing the report")
    report = report_on_vetting(vetted, origin_of(sources, asked, date), system)
    folder = Path("report")
    folder.mkdir()
    tell("Writing the report")
    files = ReportFiles(out=str(folder / "report.html"), pdf=str(folder / "report.pdf"))
    write_report(report, files, system, date, replace=False, protect=sources.paths)
    return _pack(folder, report.answer)


def _reconciled_files(tell: _Tell, inputs: LogInputs, system: System) -> Made | Unsaid:
    from geoflow.report.reconciled import reconciled_report
    from geoflow.report.reconciling import reconcile_document
    from geoflow.report.terminal import as_text
    from geoflow.web.ground import ground_view
    from geoflow.workflow.reconcile_outputs import write_reconciliation
    from geoflow.workflow.reconciling import reconcile_file

    tell(f"Reading {inputs.log} and laying it on the ground")
    try:
        outcome = reconcile_file(inputs.log, inputs.against, inputs.read, inputs.target)
    except GeoflowError as problem:
        if proposed := problem.options:
            return Unsaid(page_error(problem, "log"), proposed)
        in_page_words(problem, "log")
        raise
    folder = Path("reconciled")
    against = inputs.against
    named = (inputs.log, against.bar, against.target, against.boundary, inputs.read.columns_file)
    protect = tuple(Path(name) for name in named if name is not None)
    tell("Drawing the map and writing the files")
    document = reconcile_document(outcome)
    write_reconciliation(outcome, folder, document, system, replace=False, protect=protect)
    made = _pack(folder, as_text(reconciled_report(outcome, system), "page"))
    shown = [(name, (folder / name).read_bytes()) for name in made.names if name.endswith(".png")]
    pictures = tuple(sorted(shown, key=lambda entry: entry[0] != "map.png"))
    return replace(made, pictures=pictures, drawn=ground_view(outcome, system))


TASKS: Final[dict[str, Callable[..., Any]]] = {
    "read": _read,
    "prepare": _prepare,
    "vetted files": _vetted_files,
    "rewritten files": _rewritten_files,
    "report": _report_files,
    "reconciled files": _reconciled_files,
}
