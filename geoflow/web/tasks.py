"""The long work of the page, as it runs in a process of its own; each calls the workflow as the command line does.

The input files lie in the working folder under their own names, and the folder is thrown away afterwards.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from geoflow.base.errors import GeoflowError
from geoflow.options.typed import CardOptions, PlanOptions, ReadOptions, ReportFiles, RewriteOptions
from geoflow.web.made import Made, pack
from geoflow.web.wording import options_named, page_error, page_words
from geoflow.web.work_tasks import do_work

if TYPE_CHECKING:
    import datetime

    from geoflow.base.units import System
    from geoflow.hydraulics.window import FlowWindow
    from geoflow.outcomes import VetOutcome
    from geoflow.workflow.choices import Choices
    from geoflow.workflow.replan import Unplanned

__all__ = ["TASKS", "Inputs", "Reading", "Unread", "warm_up"]

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


def warm_up() -> None:
    """Load what every task needs."""
    import geoflow.ground.geometry
    import geoflow.prescription_files.read_prescription
    import geoflow.report.vetted
    import geoflow.workflow.rewriting  # noqa: F401
    from geoflow.base.units import parse

    parse("1 lb", "mass")
    import geopandas  # noqa: F401


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
    return pack(folder, "\n".join([as_text(vetted_report(outcome, system), "page"), *notes]))


def _rewritten_files(tell: _Tell, inputs: Inputs, rules: RewriteOptions, system: System) -> Made:
    from geoflow.report.rewritten import rewritten_report
    from geoflow.report.terminal import as_text
    from geoflow.web.blocks import report_view
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
    report = rewritten_report(outcome, system)
    shown = report_view(report, lambda text: page_words(text, "prescription"))
    return replace(pack(folder, as_text(report, "page")), shown=shown, drawn=rewritten_view(outcome, system))


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
    return pack(folder, report.answer)


def _unknowns(tell: _Tell, asked: dict[str, Any], system: System) -> dict[str, Any]:
    from geoflow.web.bar_questions import costs_view, form_answers
    from geoflow.workflow.new_bar import make_bar

    tell("Working out what each thing costs that is not known")
    answers, write = form_answers(asked)
    return costs_view(make_bar(answers, None, None, write), system)


def _phone_sheet(tell: _Tell, inputs: Inputs, system: System, date: datetime.date) -> Made:
    from geoflow.base.version import __version__
    from geoflow.field_card.phone import as_phone_html
    from geoflow.field_card.sheet import card_report
    from geoflow.report.basis import version_and_date
    from geoflow.workflow.carding import card_of

    tell("Working out the card")
    outcome = card_of(CardOptions(prescription=inputs.prescription), inputs.plan, inputs.read, system=system)
    tell("Drawing the map for the phone")
    report = card_report(outcome, system, version_and_date(__version__, date))
    return Made(report.answer, ("phone.html",), as_phone_html(report, outcome, system).encode("utf-8"))


TASKS: Final[dict[str, Callable[..., Any]]] = {
    "phone sheet": _phone_sheet,
    "unknowns": _unknowns,
    "read": _read,
    "prepare": _prepare,
    "vetted files": _vetted_files,
    "rewritten files": _rewritten_files,
    "report": _report_files,
    "work": do_work,
}
