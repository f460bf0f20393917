"""What the page asked, as the workflow wants it: plans, options and rules from the fields of a question."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any, Final

from geoflow.base.errors import UsageError
from geoflow.options.page_parts import PAGE_PARTS
from geoflow.options.typed import PlanOptions, ReadOptions
from geoflow.web.bar_form import bar_text
from geoflow.web.fields import damaged, lines_of, part_of, read_fields
from geoflow.web.state import Opened, Question, State
from geoflow.web.uploads import Upload, check_names, main_file, plain_name

if TYPE_CHECKING:
    from geoflow.bar.equipment import Bar
    from geoflow.base.units import System
    from geoflow.decide.vet import Plan

__all__ = [
    "bar_asked",
    "belonging",
    "given_bar",
    "plan_of",
    "planned_texts",
    "read_question",
    "reading_work",
    "rules_said",
    "sections_of",
    "system_of",
]

_LARGEST_QUESTION: Final = 2 * 1024**2
_UNITS: Final = {"us": ("degF", "mph"), "metric": ("degC", "km/h")}
_BACKWARDS: Final = {
    "temperature": "the coldest liquid is set above the warmest",
    "speed": "the slowest speed is set above the fastest",
}


def read_question(body: bytes) -> Question:
    """Read a question.

    Parameters
    ----------
    body : bytes
        As sent.

    Raises
    ------
    UsageError
        If it is none.
    """
    if len(body) > _LARGEST_QUESTION:
        raise UsageError("what the page sent is too large", where="the page", cure="reload the page and try again")
    try:
        asked = json.loads(body)
    except (ValueError, RecursionError) as problem:
        raise damaged() from problem
    if not isinstance(asked, dict):
        raise damaged()
    return asked


def system_of(asked: Question) -> System:
    """Return the units asked for.

    Parameters
    ----------
    asked : dict
        The question.
    """
    return "metric" if asked.get("system") == "metric" else "us"


def _number(typed: str) -> float:
    """What is typed as a number; not one where it is none, which the reader of options tells."""
    try:
        return float(typed)
    except ValueError:
        return math.nan


def _span(asked: Question, name: str, unit: str) -> str:
    """Write two typed numbers as the command line has them: ``35..50 degF``."""
    ends = [end.strip()[:20] for end in lines_of(part_of(asked, "plan"), name)]
    if len(ends) != 2 or not all(ends):
        raise UsageError(f"the {name} is not given", where=f"--{name}", cure="set both ends of it")
    low, high = ends
    if _number(low) > _number(high):
        raise UsageError(_BACKWARDS[name], where=f"--{name}", cure="exchange the two, or set one of them anew")
    return f"{low} {unit}" if low == high else f"{low}..{high} {unit}"


def _said(asked: Question, part: str) -> dict[str, Any]:
    return read_fields(part_of(asked, part), PAGE_PARTS[part])


def _section_names(asked: Question) -> str | None:
    plan = part_of(asked, "plan")
    return None if plan.get("sections") is None else ",".join(lines_of(plan, "sections"))


def planned_texts(asked: Question, *, speed: bool = True) -> dict[str, str]:
    """Return what the plan says, by option, as it is typed at the command line.

    Parameters
    ----------
    asked : dict
        The question.
    speed : bool
        Whether the speed is part of it.

    Raises
    ------
    UsageError
        If an end is not set.
    """
    warmth, pace = _UNITS[system_of(asked)]
    said = {"temperature": _span(asked, "temperature", warmth)}
    said |= {"speed": _span(asked, "speed", pace)} if speed else {}
    sections, rows = _section_names(asked), part_of(asked, "plan").get("rows")
    return said | ({} if sections is None else {"sections": sections}) | ({"rows": str(rows)} if rows else {})


def _plan_options(bar: str, asked: Question) -> PlanOptions:
    return PlanOptions.of({"bar": bar, **planned_texts(asked)}, "vet")


def plan_of(bar: Bar, asked: Question) -> Plan:
    """Return the plan asked for, checked as the command line checks it.

    Parameters
    ----------
    bar : Bar
        As read.
    asked : dict
        The question.

    Raises
    ------
    GeoflowError
        If it is none.
    """
    from geoflow.workflow.bar_plan import make_plan

    return make_plan(bar, _plan_options("", asked))


def sections_of(bar: Bar, asked: Question) -> tuple[int, ...]:
    """Return the sections in use, which a plan has before anything else of it is set.

    Parameters
    ----------
    bar : Bar
        As read.
    asked : dict
        The question.

    Raises
    ------
    GeoflowError
        If the bar has no such sections.
    """
    from geoflow.bar.sections_in_use import choose_sections

    names = _section_names(asked)
    return choose_sections(bar, None if names is None else [name for name in names.split(",") if name])


def belonging(opened: Opened, asked: Question) -> str:
    """Say in one line which files and which plan something belongs to.

    Parameters
    ----------
    opened : Opened
        What is open.
    asked : dict
        The question.
    """
    plan = _plan_options(opened.bar.name, asked)
    temperature, speed, sections = (
        text and text.replace("..", " to ").replace(" deg", " °")
        for text in (plan.temperature, plan.speed, plan.sections)
    )
    some = ", the worst row" if plan.rows == "worst" else ""
    some += f", sections {sections.replace(',', ', ')}" if sections else ""
    files = f"{opened.kept.read.prescription.path.name} with {opened.kept.read.bar.name} ({opened.bar.name})"
    return f"{files}, liquid {temperature}, {speed}{some}"


def given_bar(given: Question) -> Upload:
    """Return a bar file from its text, or from what was filled into the form.

    Parameters
    ----------
    given : dict
        Its name, and text or content.

    Raises
    ------
    UsageError
        If its name is more than a name.
    """
    content = given.get("content")
    text = bar_text(content) if isinstance(content, dict) else str(given.get("text", ""))
    return Upload(plain_name(str(given.get("name") or "bar.toml")), text.encode("utf-8", "surrogatepass"))


def bar_asked(asked: Question) -> Upload:
    """Return the bar within a question.

    Parameters
    ----------
    asked : dict
        The question.

    Raises
    ------
    UsageError
        If there is none.
    """
    if not asked.get("bar"):
        raise UsageError("there is no bar yet", where="bar", cure="choose a bar file, or fill in the bar")
    return given_bar(part_of(asked, "bar"))


def reading_work(
    state: State, asked: Question, sent: tuple[Upload, ...]
) -> tuple[Upload, tuple[Upload, ...], ReadOptions]:
    """Return the bar, the prescription and the options to read them with; what is not given is taken as it is open.

    Parameters
    ----------
    state : State
        Of the tab.
    asked : dict
        The question.
    sent : tuple of Upload
        Files sent with the question.

    Raises
    ------
    UsageError
        If something is missing.
    """
    base = state.find(asked) if asked.get("opened") is not None else None
    standing = None if base is None else base.bar
    bar = standing if standing and not asked.get("bar") else bar_asked(asked)
    sent = sent or state.waiting(asked.get("waiting"))
    files = sent or (() if base is None else base.files)
    if not files:
        raise UsageError("there is no prescription yet", where="prescription", cure="choose one")
    check_names((*files, bar))
    main_file(files)
    if "options" not in asked and base is not None and not sent:
        return bar, files, base.options
    return bar, files, ReadOptions.of(_said(asked, "options"), "vet")


def rules_said(asked: Question) -> dict[str, Any]:
    """Return what a rewriting keeps and may do, by option.

    Parameters
    ----------
    asked : dict
        The question.
    """
    return {**_said(asked, "rules"), "policy": str(asked.get("policy", ""))}
