"""The short questions of the page, answered from what a tab has open."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from geoflow.base.errors import UsageError
from geoflow.web.bar_form import form_content
from geoflow.web.requests import given_bar, plan_of, system_of
from geoflow.web.sample import sample
from geoflow.web.sessions import Session
from geoflow.web.state import Opened, Question
from geoflow.web.windows import Windows

if TYPE_CHECKING:
    from geoflow.outcomes import VetOutcome

__all__ = ["questions"]


def questions(windows: Windows) -> dict[str, Callable[[Session, Question], Any]]:
    """Return what answers each of them, by name.

    Parameters
    ----------
    windows : Windows
        What is solved of each bar already.
    """
    return {
        "bar": _bar,
        "facts": _facts,
        "vet": lambda tab, asked: _vet(windows, tab, asked),
        "zone": _zone,
        "zones": _zones,
        "text": _text,
        "sample": lambda tab, asked: sample(),
    }


def _bar(tab: Session, asked: Question) -> Any:
    """Check a bar and say it in words; it is opened by reading it together with a prescription."""
    from geoflow.bar.bar_file import read_bar_text
    from geoflow.report.bar_words import bar_report
    from geoflow.report.terminal import as_text

    upload = given_bar(asked)
    bar = read_bar_text(upload.content, upload.name)
    text = upload.content.decode("utf-8")
    return {
        "text": text,
        "content": form_content(text, upload.name),
        "words": as_text(bar_report(bar, system_of(asked)), "page"),
        "name": bar.name,
        "sections": [section.name for section in bar.sections],
    }


def _facts(tab: Session, asked: Question) -> Any:
    from geoflow.web.views import notes_view

    return notes_view(tab.state.find(asked).kept, system_of(asked))


def _vetted_plan(tab: Session, asked: Question) -> tuple[Opened, VetOutcome]:
    """Return what is open with the verdicts for the plan asked for, solved in full."""
    opened = tab.state.find(asked)
    return opened, opened.vetted(plan_of(opened.kept.read.bar, asked))


def _vet(windows: Windows, tab: Session, asked: Question) -> Any:
    from geoflow.web.pictures import answer_with_pictures

    return answer_with_pictures(windows, tab.state.find(asked), asked)


def _zone(tab: Session, asked: Question) -> Any:
    from geoflow.web.views import zone_view

    opened, outcome = _vetted_plan(tab, asked)
    try:
        at = int(asked["at"])
    except (KeyError, TypeError, ValueError) as problem:
        raise UsageError("no zone is named", where="zone", cure="choose one") from problem
    if not 0 <= at < len(outcome.rate):
        raise UsageError("there is no such zone", where="zone", cure=f"choose one from 0 to {len(outcome.rate) - 1}")
    return zone_view(outcome, opened.kept.attributes, at, system_of(asked))


def _zones(tab: Session, asked: Question) -> Any:
    from geoflow.web.views import zones_view

    start = asked.get("start", 0)
    _, outcome = _vetted_plan(tab, asked)
    return zones_view(outcome, str(asked.get("shown", "all")), start if isinstance(start, int) else 0, system_of(asked))


def _text(tab: Session, asked: Question) -> Any:
    from geoflow.report.terminal import as_text
    from geoflow.report.vetted import vetted_report

    _, outcome = _vetted_plan(tab, asked)
    return {"text": as_text(vetted_report(outcome, system_of(asked)), "page")}
