"""What the page asks of a work, as the command line would say it: options by name, and the files they speak of."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import PurePath
from typing import Any

from geoflow.base.errors import UsageError
from geoflow.options.page_parts import PAGE_PARTS, READING
from geoflow.options.table import TARGET, Option, options_of
from geoflow.web.fields import beside, damaged, part_of, read_fields
from geoflow.web.requests import bar_asked, planned_texts, rules_said, system_of
from geoflow.web.state import Opened, Question, State
from geoflow.web.uploads import Upload, check_names, main_file
from geoflow.web.works import TASK_FOLDER, Work, find_work

__all__ = ["WorkAsked", "log_said", "map_said", "work_asked"]

# What was said, and the files that have to lie beside it.
WorkAsked = tuple[dict[str, Any], tuple[Upload, ...]]


def _whole(option: Option, text: str) -> int:
    try:
        return int(text.strip())
    except ValueError as problem:
        raise UsageError(f"'{text}' is no whole number", where=option.dashed, cure="write one like 3") from problem


def _fields_said(command: str, asked: Question, sent: tuple[Upload, ...]) -> dict[str, Any]:
    """What the fields of a command say; whole numbers as such, and of files the one to be opened."""
    said = read_fields(part_of(asked, "said"), PAGE_PARTS[command])
    for option in PAGE_PARTS[command]:
        if option.kind == "whole number" and option.name in said:
            said[option.name] = _whole(option, said[option.name])
    return said | beside(part_of(asked, "said"), PAGE_PARTS[command], sent)[1]


def _how_read(opened: Opened) -> dict[str, Any]:
    """How the open map was read, by option; what was not said is left out."""
    return {name: value for name, value in asdict(opened.options).items() if value not in (None, False)}


def _usual(command: str, asked: Question) -> dict[str, Any]:
    """What a command is called with where nothing is said, in the units of the page."""
    usual = {name: one.default for name, one in options_of(command).items() if one.default is not None}
    return usual | {"units": system_of(asked)}


def map_said(command: str, state: State, asked: Question) -> WorkAsked:
    """Return what a command is to be called with for the map that is open, its bar and the plan that is set.

    Parameters
    ----------
    command : str
        One that works on a map.
    state : State
        Of the tab.
    asked : dict
        The question.

    Raises
    ------
    UsageError
        If the plan is not set.
    """
    opened, known = state.find(asked), options_of(command)
    said = {"prescription": main_file(opened.files), "bar": opened.bar.name, **_how_read(opened)}
    said |= planned_texts(asked) | (rules_said(asked) if "policy" in known else {})
    return _usual(command, asked) | {name: value for name, value in said.items() if name in known}, opened.uploads


def _from_above(work: Work, command: str, state: State, asked: Question) -> WorkAsked:
    """What a work takes from above: the plan, and the open map as it was read."""
    known, uses = options_of(command), part_of(asked, "uses")
    said: dict[str, Any] = {}
    files: tuple[Upload, ...] = ()
    if work.plan and asked.get("plan"):
        said |= planned_texts(asked, speed=not work.speed_open or bool(uses.get("speed")))
    if uses.get("map") or work.map == "needs":
        opened = state.find(asked)
        said |= {work.map_option: main_file(opened.files), **_how_read(opened)}
        files = opened.files
    return {name: value for name, value in said.items() if name in known}, files


def _with_bar(work: Work, state: State, asked: Question, uses: dict[str, Any]) -> Upload | None:
    """The bar that takes part: of an open map the one it was read with."""
    if work.bar == "no" or (work.bar == "may" and not uses.get("bar")):
        return None
    if uses.get("map") or work.map == "needs":
        return state.find(asked).bar
    return bar_asked(asked)


def _missing(command: str, said: dict[str, Any]) -> None:
    """Refuse, as the command line would, what lacks an option it can't do without."""
    for name, option in options_of(command).items():
        if command in option.required and option.label and name not in said:
            above = name in ("temperature", "speed")
            cure = "fill it in, or set it under \u201cThe day\u201d" if above else "fill it in"
            raise UsageError("something is missing that has to be said", where=option.dashed, cure=cure)


def work_asked(state: State, asked: Question, sent: tuple[Upload, ...]) -> WorkAsked:
    """Return what a work is to be called with.

    Parameters
    ----------
    state : State
        Of the tab.
    asked : dict
        The question.
    sent : tuple of Upload
        Files sent with it.

    Raises
    ------
    UsageError
        If something it can't do without is missing, or two files have one name.
    """
    work, act = find_work(asked.get("command"))
    command, uses = act.command, part_of(asked, "uses")
    said = _usual(command, asked)
    if command == "report reconcile":
        about, files = log_said(state, asked, sent)
        return said | about | read_fields(part_of(asked, "said"), PAGE_PARTS[command]), files
    above, of_map = _from_above(work, command, state, asked)
    own, files = _fields_said(command, asked, sent), (*sent, *of_map)
    said |= above | {name: value for name, value in own.items() if not (of_map and name in READING)}
    if command == "report rewrite":
        said |= rules_said(asked)
    bar = _with_bar(work, state, asked, uses)
    if bar is not None:
        said, files = said | {"bar": bar.name}, (*files, bar)
    elif work.bar == "may":
        said.pop("sections", None)
    check_names(files)
    _missing(command, said)
    if command == "convert":
        said["out"] = _new_name(said)
    return said, files


def _new_name(said: dict[str, Any]) -> str:
    """The name of the converted file: the old one with the ending asked for."""
    ending = str(said["out"])
    if ending != TASK_FOLDER and not ending.startswith("."):
        raise damaged()
    return TASK_FOLDER if ending == TASK_FOLDER else PurePath(said["prescription"]).stem + ending


def log_said(state: State, asked: Question, log: tuple[Upload, ...]) -> tuple[dict[str, Any], tuple[Upload, ...]]:
    """Return what the reconciling is to be called with, by option, and all files it needs.

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
    given = part_of(asked, "log")
    own, others = beside(given, PAGE_PARTS["log"], log)
    if not own:
        raise UsageError("there is no log yet", where="log", cure="choose one")
    said = {"log": main_file(own), "units": system_of(asked), **read_fields(given, PAGE_PARTS["log"]), **others}
    every = log
    if asked.get("with_map") and "target" not in said:
        opened = state.find(asked)
        # The map that is open is read as it was opened, but for what is said here.
        read = _how_read(opened).items()
        said = {name if name == "zone_id" else TARGET + name: value for name, value in read} | said
        said["target"] = main_file(opened.files)
        every += opened.files
    if asked.get("bar"):
        bar = bar_asked(asked)
        said["bar"] = bar.name
        every += (bar,)
    check_names(every)
    return said, every
