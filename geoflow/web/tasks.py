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
from geoflow.web.made import Made
from geoflow.web.wording import options_named, page_error
from geoflow.web.work_tasks import do_work

if TYPE_CHECKING:
    from geoflow.base.units import System
    from geoflow.hydraulics.window import FlowWindow
    from geoflow.options.typed import ReadOptions
    from geoflow.workflow.choices import Choices
    from geoflow.workflow.replan import Unplanned
    from geoflow.workflow.said import Said

__all__ = ["TASKS", "KeptMap", "Unread", "warm_up"]

_Tell = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class KeptMap:
    """A prescription, and the bar it is for, as the page keeps them.

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


def _read(tell: _Tell, prescription: str, bar: str, options: ReadOptions) -> KeptMap | Unread:
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
    return KeptMap(kept, table.drop(columns=table.geometry.name))


def _prepare(tell: _Tell, bar: Any, sections: tuple[int, ...]) -> FlowWindow:
    from geoflow.workflow.replan import prepare_window

    tell("Getting the sliders ready")
    if hasattr(os, "nice"):
        os.nice(10)  # what a reader waits for goes first
    return prepare_window(bar, sections)


def _unknowns(tell: _Tell, asked: dict[str, Any], system: System) -> dict[str, Any]:
    from geoflow.web.bar_questions import costs_view, form_answers
    from geoflow.workflow.new_bar import make_bar

    tell("Working out what each thing costs that is not known")
    answers, write = form_answers(asked)
    return costs_view(make_bar(answers, None, None, write), system)


def _phone_sheet(tell: _Tell, said: Said) -> Made:
    from geoflow.base.version import __version__
    from geoflow.field_card.phone import as_phone_html
    from geoflow.field_card.sheet import card_report
    from geoflow.report.basis import version_and_date
    from geoflow.workflow.said import carded, date_of

    tell("Working out the card")
    outcome, system = carded(said), said["units"]
    tell("Drawing the map for the phone")
    report = card_report(outcome, system, version_and_date(__version__, date_of(said)))
    return Made(report.answer, ("phone.html",), as_phone_html(report, outcome, system).encode("utf-8"))


TASKS: Final[dict[str, Callable[..., Any]]] = {
    "phone sheet": _phone_sheet,
    "unknowns": _unknowns,
    "read": _read,
    "prepare": _prepare,
    "work": do_work,
}
