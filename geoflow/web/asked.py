"""What the page asked, as the workflow wants it: plans, options and rules from the fields of a question."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final

from geoflow.errors import UsageError
from geoflow.web.tabs import Tab
from geoflow.web.tasks import Inputs
from geoflow.web.uploads import Upload, check_names, main_file

if TYPE_CHECKING:
    from geoflow.units import System
    from geoflow.vet import Plan
    from geoflow.web.tasks import Reading

__all__ = [
    "Question",
    "loaded",
    "log_work",
    "plan_of",
    "read_question",
    "rewriting_rules",
    "system_of",
    "typed_options",
    "vetting_inputs",
]

_LARGEST_QUESTION: Final = 2 * 1024**2
_UNITS: Final = {"us": ("degF", "mph"), "metric": ("degC", "km/h")}
_READING_FLAGS: Final = ("swap_axes", "take_as_ammonia")
_READING: Final = ("rate_column", "rate_unit", "crs", "layer", "volume_temperature")
_LOG_TEXTS: Final = ("rate_unit", "nitrogen", "width", "temperature", "crs", "layer")
_TARGET_TEXTS: Final = ("rate_column", "rate_unit", "crs", "layer")
_RULE_TEXTS: Final = ("max_rate", "heading")
_RULE_FLAGS: Final = ("allow_raise", "leave_doubtful", "merge_short")
Question = dict[str, Any]


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
        raise UsageError(f"the {name} is not given", where=f"--{name}", cure="fill in both fields")
    low, high = ends
    return f"{low} {unit}" if low == high else f"{low}..{high} {unit}"


def _plan_texts(asked: Question) -> tuple[str, str, str | None]:
    warmth, speed = _UNITS[system_of(asked)]
    plan = _part(asked, "plan")
    sections = None if plan.get("sections") is None else ",".join(_lines(plan, "sections"))
    return _span(asked, "temperature", warmth), _span(asked, "speed", speed), sections


def plan_of(reading: Reading, asked: Question) -> Plan:
    """Return the plan asked for, checked as the command line checks it.

    Raises
    ------
    GeoflowError
        If it is none.
    """
    from geoflow.workflow.vetting import make_plan

    return make_plan(reading.outcome.solution.bar, *_plan_texts(asked))


def loaded(tab: Tab) -> tuple[Upload, ...]:
    """Prescription and bar of a tab."""
    return (*tab.files, *((tab.bar,) if tab.bar else ()))


def vetting_inputs(tab: Tab, asked: Question) -> Inputs:
    """Return what `vet_file` is to be called with.

    Raises
    ------
    UsageError
        If something is missing.
    """
    if tab.bar is None:
        raise UsageError("there is no bar yet", where="bar", cure="choose a bar file, or fill in the bar")
    if not tab.files:
        raise UsageError("there is no prescription yet", where="prescription", cure="choose one")
    check_names(loaded(tab))
    temperature, speed, sections = _plan_texts(asked)
    given = _part(asked, "options")
    options: dict[str, Any] = {name: str(given[name]) for name in _READING if given.get(name)}
    options |= {name: bool(given.get(name)) for name in _READING_FLAGS} | {"sections": sections}
    return Inputs(main_file(tab.files), tab.bar.name, temperature, speed, options)


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


def log_work(tab: Tab, asked: Question, log: tuple[Upload, ...]) -> tuple[dict[str, Any], tuple[Upload, ...]]:
    """Return what the reconciling is to be called with, and all files it needs.

    Raises
    ------
    UsageError
        If there is no log, or two files have one name.
    """
    if not log:
        raise UsageError("there is no log yet", where="log", cure="choose one")
    bar = tab.bar if asked.get("with_bar") else None
    target = tab.files if asked.get("with_map") else ()
    every = (*log, *target, *((bar,) if bar else ()))
    check_names(every)
    given, reading = _part(asked, "log"), _part(asked, "options")
    read: dict[str, Any] = {name: str(given[name]) for name in _LOG_TEXTS if given.get(name)}
    read |= {"columns": _lines(given, "columns"), "swap_axes": bool(given.get("swap_axes"))}
    mapped: dict[str, Any] = {name: str(reading[name]) for name in _TARGET_TEXTS if target and reading.get(name)}
    mapped["take_as_ammonia"] = bool(target and reading.get("take_as_ammonia"))
    sources = {
        "bar_file": None if bar is None else bar.name,
        "target_file": main_file(target) if target else None,
        "tickets": _lines(given, "tickets"),
        "target": mapped,
    }
    return {"log": main_file(log), "sources": sources, "read": read, "system": system_of(asked)}, every
