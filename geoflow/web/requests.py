"""What the page asked, as the workflow wants it: plans, options and rules from the fields of a question."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final

from geoflow.base.errors import UsageError
from geoflow.options.table import PAGE_PARTS
from geoflow.options.typed import ComparisonOptions, LogOptions, PlanOptions, ReadOptions, RewriteOptions, told
from geoflow.web.bar_form import bar_text
from geoflow.web.state import Opened, Question, State
from geoflow.web.tasks import Inputs, LogInputs
from geoflow.web.uploads import Upload, check_names, main_file, plain_name

if TYPE_CHECKING:
    from geoflow.bar.equipment import Bar
    from geoflow.base.units import System
    from geoflow.decide.vet import Plan

__all__ = [
    "bar_asked",
    "belonging",
    "given_bar",
    "log_work",
    "page_fields",
    "plan_of",
    "read_question",
    "reading_work",
    "rewriting_rules",
    "sections_of",
    "system_of",
    "typed_options",
    "vetting_inputs",
]

_LARGEST_QUESTION: Final = 2 * 1024**2
_UNITS: Final = {"us": ("degF", "mph"), "metric": ("degC", "km/h")}


def page_fields() -> dict[str, list[dict[str, Any]]]:
    """Describe the fields of every part, for the page to make them."""
    return {
        part: [
            {
                "name": option.name,
                "option": option.dashed,
                "label": option.label,
                "kind": option.kind,
                "example": option.example,
                "choices": option.choices,
            }
            for option in options
        ]
        for part, options in PAGE_PARTS.items()
    }


def _damaged() -> UsageError:
    return UsageError("what the page sent is damaged", where="the page", cure="reload the page and try again")


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
        raise _damaged() from problem
    if not isinstance(asked, dict):
        raise _damaged()
    return asked


def _part(asked: Question, name: str) -> dict[str, Any]:
    """Return a table within a question; an empty one where it is absent."""
    given = asked.get(name, {})
    if not isinstance(given, dict):
        raise _damaged()
    return given


def _lines(given: dict[str, Any], name: str) -> tuple[str, ...]:
    listed = given.get(name) or []
    if not isinstance(listed, list):
        raise _damaged()
    return tuple(str(entry) for entry in listed)


def system_of(asked: Question) -> System:
    """Return the units asked for.

    Parameters
    ----------
    asked : dict
        The question.
    """
    return "metric" if asked.get("system") == "metric" else "us"


def _span(asked: Question, name: str, unit: str) -> str:
    """Write two typed numbers as the command line has them: ``35..50 degF``."""
    ends = [end.strip()[:20] for end in _lines(_part(asked, "plan"), name)]
    if len(ends) != 2 or not all(ends):
        raise UsageError(f"the {name} is not given", where=f"--{name}", cure="set both ends of it")
    low, high = ends
    return f"{low} {unit}" if low == high else f"{low}..{high} {unit}"


def _said(asked: Question, part: str) -> dict[str, Any]:
    """What the fields of a part say, by option; an empty field says nothing."""
    given = _part(asked, part)
    said: dict[str, Any] = {}
    for option in PAGE_PARTS[part]:
        if option.kind == "file":
            continue  # sent beside
        if value := given.get(option.name):
            said[option.name] = (
                True if option.kind == "flag" else _lines(given, option.name) if option.kind == "list" else str(value)
            )
    return said


def _section_names(asked: Question) -> str | None:
    plan = _part(asked, "plan")
    return None if plan.get("sections") is None else ",".join(_lines(plan, "sections"))


def _plan_options(bar: str, asked: Question) -> PlanOptions:
    warmth, speed = _UNITS[system_of(asked)]
    return PlanOptions(
        bar=bar,
        temperature=_span(asked, "temperature", warmth),
        speed=_span(asked, "speed", speed),
        sections=_section_names(asked),
    )


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
        text and text.replace("..", " to ") for text in (plan.temperature, plan.speed, plan.sections)
    )
    some = f", sections {sections.replace(',', ', ')}" if sections else ""
    files = f"{opened.reading.read.prescription.path.name} with {opened.reading.read.bar.name} ({opened.bar.name})"
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
    return given_bar(_part(asked, "bar"))


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


def vetting_inputs(opened: Opened, asked: Question) -> Inputs:
    """Return what `vet_file` is to be called with.

    Parameters
    ----------
    opened : Opened
        What is open.
    asked : dict
        The question.

    Raises
    ------
    UsageError
        If the plan is not set.
    """
    return Inputs(main_file(opened.files), _plan_options(opened.bar.name, asked), opened.options)


def typed_options(inputs: Inputs, system: System) -> list[tuple[str, str]]:
    """List what the command line would have been given, for the report.

    Parameters
    ----------
    inputs : Inputs
        What is vetted.
    system : str
        ``"us"`` or ``"metric"``.
    """
    said = {"prescription": inputs.prescription, "units": system, **asdict(inputs.plan), **asdict(inputs.read)}
    return [("geoflow report", "vet"), *told("report vet", said)]


def rewriting_rules(asked: Question) -> RewriteOptions:
    """Return what a rewriting is asked to keep and allowed to do.

    Parameters
    ----------
    asked : dict
        The question.
    """
    return RewriteOptions.of({**_said(asked, "rules"), "policy": str(asked.get("policy", ""))}, "rewrite")


def _beside(given: dict[str, Any], sent: tuple[Upload, ...]) -> tuple[tuple[Upload, ...], dict[str, str]]:
    """Tell the log's own files from those chosen in fields for files; these by option, each the one to be opened."""
    named = {option.name: _lines(given, option.name) for option in PAGE_PARTS["log"] if option.kind == "file"}
    others = {name for names in named.values() for name in names}
    if not others <= {upload.name for upload in sent}:
        raise _damaged()
    beside = {
        option: main_file([upload for upload in sent if upload.name in names])
        for option, names in named.items()
        if names
    }
    return tuple(upload for upload in sent if upload.name not in others), beside


def log_work(state: State, asked: Question, log: tuple[Upload, ...]) -> tuple[LogInputs, tuple[Upload, ...]]:
    """Return what the reconciling is to be called with, and all files it needs.

    Parameters
    ----------
    state : State
        Of the tab.
    asked : dict
        The question.
    log : tuple of Upload
        Files sent with the question.

    Raises
    ------
    UsageError
        If there is no log, the prescription to compare with is not loaded, or two files have one name.
    """
    own, beside = _beside(_part(asked, "log"), log)
    if not own:
        raise UsageError("there is no log yet", where="log", cure="choose one")
    bar = given_bar(_part(asked, "bar")) if asked.get("bar") else None
    opened = state.find(asked) if asked.get("with_map") else None
    target = opened.files if opened else ()
    every = (*log, *target, *((bar,) if bar else ()))
    check_names(every)
    said = _said(asked, "log") | beside
    said |= {"bar": bar and bar.name, "target": main_file(target) if target else None}
    against, read = ComparisonOptions.of(said, "reconcile"), LogOptions.of(said, "reconcile")
    return LogInputs(main_file(own), against, read, opened.options if opened else ReadOptions()), every
