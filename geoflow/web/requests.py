"""What the page asked, as the workflow wants it: plans, options and rules from the fields of a question."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final

from geoflow.base.errors import UsageError
from geoflow.web.bar_form import bar_text
from geoflow.web.state import Opened, Question, State
from geoflow.web.tasks import Inputs
from geoflow.web.uploads import Upload, check_names, main_file, plain_name

if TYPE_CHECKING:
    from geoflow.bar.equipment import Bar
    from geoflow.base.units import System
    from geoflow.decide.vet import Plan

__all__ = [
    "belonging",
    "given_bar",
    "log_work",
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
_READING_FLAGS: Final = ("swap_axes", "take_as_ammonia")
_READING: Final = ("rate_column", "rate_unit", "crs", "layer", "volume_temperature")
_LOG_TEXTS: Final = ("rate_unit", "nitrogen", "width", "temperature", "crs", "layer")
_TARGET: Final = ("rate_column", "rate_unit", "crs", "layer", "take_as_ammonia")
_RULE_TEXTS: Final = ("max_rate", "heading")
_RULE_FLAGS: Final = ("allow_raise", "leave_doubtful", "merge_short")


def _damaged() -> UsageError:
    return UsageError("what the page sent is damaged", where="the page", cure="reload the page and try again")


def read_question(body: bytes) -> Question:
    """Read a question.

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
    """Return the units asked for."""
    return "metric" if asked.get("system") == "metric" else "us"


def _span(asked: Question, name: str, unit: str) -> str:
    """Write two typed numbers as the command line has them: ``35..50 degF``."""
    ends = [end.strip()[:20] for end in _lines(_part(asked, "plan"), name)]
    if len(ends) != 2 or not all(ends):
        raise UsageError(f"the {name} is not given", where=f"--{name}", cure="set both ends of it")
    low, high = ends
    return f"{low} {unit}" if low == high else f"{low}..{high} {unit}"


def _section_names(asked: Question) -> str | None:
    plan = _part(asked, "plan")
    return None if plan.get("sections") is None else ",".join(_lines(plan, "sections"))


def _plan_texts(asked: Question) -> tuple[str, str, str | None]:
    warmth, speed = _UNITS[system_of(asked)]
    return _span(asked, "temperature", warmth), _span(asked, "speed", speed), _section_names(asked)


def plan_of(bar: Bar, asked: Question) -> Plan:
    """Return the plan asked for, checked as the command line checks it.

    Raises
    ------
    GeoflowError
        If it is none.
    """
    from geoflow.workflow.bar_plan import make_plan

    return make_plan(bar, *_plan_texts(asked))


def sections_of(bar: Bar, asked: Question) -> tuple[int, ...]:
    """Return the sections in use, which a plan has before anything else of it is set.

    Raises
    ------
    GeoflowError
        If the bar has no such sections.
    """
    from geoflow.hydraulics.circuit import choose_sections

    names = _section_names(asked)
    return choose_sections(bar, None if names is None else [name for name in names.split(",") if name])


def belonging(opened: Opened, asked: Question) -> str:
    """Say in one line which files and which plan something belongs to."""
    temperature, speed, sections = (text and text.replace("..", " to ") for text in _plan_texts(asked))
    some = f", sections {sections.replace(',', ', ')}" if sections else ""
    files = f"{opened.reading.read.prescription.path.name} with {opened.reading.read.bar.name} ({opened.bar.name})"
    return f"{files}, liquid {temperature}, {speed}{some}"


def given_bar(given: Question) -> Upload:
    """Return a bar file from its text, or from what was filled into the form.

    Raises
    ------
    UsageError
        If its name is more than a name.
    """
    content = given.get("content")
    text = bar_text(content) if isinstance(content, dict) else str(given.get("text", ""))
    return Upload(plain_name(str(given.get("name") or "bar.toml")), text.encode("utf-8", "surrogatepass"))


def reading_work(
    state: State, asked: Question, sent: tuple[Upload, ...]
) -> tuple[Upload, tuple[Upload, ...], dict[str, Any]]:
    """Return the bar, the prescription and the options to read them with; what is not given is taken as it is open.

    Raises
    ------
    UsageError
        If something is missing.
    """
    base = state.find(asked) if asked.get("opened") is not None else None
    standing = None if base is None else base.bar
    bar = given_bar(_part(asked, "bar")) if asked.get("bar") else standing
    files = sent or (() if base is None else base.files)
    if bar is None:
        raise UsageError("there is no bar yet", where="bar", cure="choose a bar file, or fill in the bar")
    if not files:
        raise UsageError("there is no prescription yet", where="prescription", cure="choose one")
    check_names((*files, bar))
    main_file(files)
    if "options" not in asked and base is not None and not sent:
        return bar, files, base.options
    given = _part(asked, "options")
    options: dict[str, Any] = {name: str(given[name]) for name in _READING if given.get(name)}
    return bar, files, options | {name: bool(given.get(name)) for name in _READING_FLAGS}


def vetting_inputs(opened: Opened, asked: Question) -> Inputs:
    """Return what `vet_file` is to be called with.

    Raises
    ------
    UsageError
        If the plan is not set.
    """
    temperature, speed, sections = _plan_texts(asked)
    options = opened.options | {"sections": sections}
    return Inputs(main_file(opened.files), opened.bar.name, temperature, speed, options)


def typed_options(inputs: Inputs, system: System) -> list[tuple[str, str]]:
    """List what the command line would have been given, for the report."""
    told = [("geoflow report", "vet"), ("prescription", inputs.prescription), ("--bar", inputs.bar)]
    told += [("--temperature", inputs.temperature), ("--speed", inputs.speed)]
    told += [
        ("--" + name.replace("_", "-"), "yes" if value is True else str(value))
        for name, value in inputs.options.items()
        if value
    ]
    return [*told, ("--units", system)]


def rewriting_rules(asked: Question) -> dict[str, Any]:
    """Return the options of `rewrite_file`."""
    given = _part(asked, "rules")
    rules: dict[str, Any] = {name: bool(given.get(name)) for name in _RULE_FLAGS}
    return rules | {name: str(given[name]) for name in _RULE_TEXTS if given.get(name)}


def log_work(state: State, asked: Question, log: tuple[Upload, ...]) -> tuple[dict[str, Any], tuple[Upload, ...]]:
    """Return what the reconciling is to be called with, and all files it needs.

    Raises
    ------
    UsageError
        If there is no log, the prescription to compare with is not loaded, or two files have one name.
    """
    if not log:
        raise UsageError("there is no log yet", where="log", cure="choose one")
    bar = given_bar(_part(asked, "bar")) if asked.get("bar") else None
    opened = state.find(asked) if asked.get("with_map") else None
    target = opened.files if opened else ()
    every = (*log, *target, *((bar,) if bar else ()))
    check_names(every)
    given = _part(asked, "log")
    read: dict[str, Any] = {name: str(given[name]) for name in _LOG_TEXTS if given.get(name)}
    read |= {"columns": _lines(given, "columns"), "swap_axes": bool(given.get("swap_axes"))}
    sources = {
        "bar_file": None if bar is None else bar.name,
        "target_file": main_file(target) if target else None,
        "tickets": _lines(given, "tickets"),
        "target": {name: opened.options[name] for name in _TARGET if opened and name in opened.options},
    }
    return {"log": main_file(log), "sources": sources, "read": read, "system": system_of(asked)}, every
