"""What the workflows refuse or say, in the words of the page's own fields."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

from geoflow.base.errors import GeoflowError, to_fill_in
from geoflow.options.page_parts import PAGE_PARTS
from geoflow.options.table import COMMANDS, TARGET, Option, options_of
from geoflow.web.made import Refused

__all__ = ["options_named", "page_error", "page_words", "refusal"]


def _by_option(*parts: str) -> dict[str, Option]:
    return {option.dashed: option for part in parts for option in reversed(PAGE_PARTS[part])}


_PRESCRIPTION: Final = _by_option("report vet", "vet", "planning", "rules", "options")
# The target map of a log is the prescription above it, read as its own fields say.
_LOG: Final = _by_option("log") | {
    f"--{TARGET.replace('_', '-')}{name[2:]}": option for name, option in _by_option("options").items()
}
_FIELDS: Final[dict[str, dict[str, Option]]] = {
    "prescription": _PRESCRIPTION,
    "log": _LOG,
    "reconcile": _LOG,
    "report reconcile": _LOG | _by_option("report reconcile"),
}
# What the page asks without a field of the options' table.
_PLANNED: Final = {
    "--temperature": "Liquid in the tank", "--speed": "Ground speed", "--sections": "Sections that are on",
    "--policy": "What to keep", "--bar": "the bar file", "--target": "the target map", "--map": "the prescription",
}  # fmt: skip
# What the page calls the commands that messages send people to.
_WORKS: Final = {
    "window": "The day", "vet": "The day", "rewrite": "Rewrite", "plan": "Plan", "rehearse": "Rehearse",
    "card": "Field card", "size": "Orifice sizes", "convert": "Convert", "reconcile": "The log", "learn": "Learn",
    "bar": "The bar", "report": "Report",
}  # fmt: skip
_ASIDE: Final = re.compile(r" \(--(?:bar|target|boundary)\)")  # what the page has a place of its own for
_TYPED: Final = re.compile(r"(--[a-z][a-z-]*)(?:[ =](\"[^\"]*\"|'[^']*'))?")
_NAMED: Final = re.compile(r"'?geoflow (" + "|".join(_WORKS) + r")\b(?: (?:vet|rewrite|plan|reconcile)\b)?"
                           r"((?: RX| --[a-z-]+(?: [A-Z]+\b)?)*)'?")  # fmt: skip


def _fields_of(part: str) -> Mapping[str, Option]:
    if part in _FIELDS:
        return _FIELDS[part]
    own = {one.dashed: one for one in options_of(part).values() if one.label}
    return {**_PRESCRIPTION, **own}


def page_words(text: str, part: str) -> str:
    """Say a text of a result in the words of the page.

    Parameters
    ----------
    text : str
        As it is written for the command line.
    part : str
        As for `page_error`.
    """
    return _worded(text, _fields_of(part), ticked="")


def _worded(text: str, fields: Mapping[str, Option], *, ticked: str) -> str:
    if text in fields and not text.startswith("--"):
        return _said(fields[text].label)
    text = _NAMED.sub(lambda found: _said(_WORKS[found[1]]), _ASIDE.sub("", text))
    return _TYPED.sub(lambda found: _field(found, fields, ticked), text)


def options_named(problem: GeoflowError, part: str) -> tuple[str, ...]:
    """Return the names of a part's options that an error speaks of, as the page has fields for them.

    Parameters
    ----------
    problem : GeoflowError
        As the workflow raised it.
    part : str
        Key of `PAGE_PARTS`.
    """
    said = f"{problem.what} {problem.where} {problem.cure}"
    return tuple(option.name for option in PAGE_PARTS[part] if re.search(rf"{option.dashed}\b(?!-)", said))


def refusal(problem: GeoflowError, command: str) -> Refused:
    """Say what a work refuses, and at which fields.

    Parameters
    ----------
    problem : GeoflowError
        As the workflow raised it; its words are changed.
    command : str
        Whose options it speaks of.
    """
    if command not in COMMANDS:
        return Refused(page_error(problem, "prescription"), ())
    named, proposed = _fields_named(problem, command), problem.options
    return Refused(page_error(problem, command), named, proposed)


def _fields_named(problem: GeoflowError, command: str) -> tuple[str, ...]:
    """The options whose fields an error speaks of: those where it is, else those it is about, else of the cure."""
    known = {one.dashed: name for name, one in options_of(command).items()}
    if problem.where in known:
        return (known[problem.where],)  # one that the command line takes by its place
    for text in (problem.where, problem.what, problem.cure):
        if named := [known[found[1]] for found in _TYPED.finditer(text) if found[1] in known]:
            return tuple(dict.fromkeys(named))
    return ()


def page_error(problem: GeoflowError, part: str) -> str:
    """Say an error in the words of the page, with the columns of a log that it proposes.

    Parameters
    ----------
    problem : GeoflowError
        As the workflow raised it; its words are changed.
    part : str
        What was asked about: ``"prescription"``, ``"log"`` or a command.
    """
    fields = _fields_of(part)
    problem.what, problem.where, problem.cure = (
        _worded(text, fields, ticked="tick ") for text in (problem.what, problem.where, problem.cure)
    )
    if problem.options:
        lines = "".join(f"\n    {column}" for column in problem.options)
        missing = to_fill_in(problem.options)
        how = f", {missing}" if missing else f" (or tick {_said(fields['--accept'].label)}, once you agree with it)"
        problem.cure += f"\n  proposed for {_said(fields['--column'].label)}{how}:{lines}"
        problem.options = ()
    return str(problem)


def _said(label: str) -> str:
    return f"\u201c{label}\u201d"


def _field(match: re.Match[str], fields: Mapping[str, Option], ticked: str) -> str:
    option = fields.get(match[1])
    label = option.label if option is not None and option.label else _PLANNED.get(match[1], "")
    if not label:
        return match[0]
    if option is not None and option.kind == "flag":
        return f"{ticked}{_said(label)}"
    value = (match[2] or "")[1:-1]
    return f"{_said(label)}: {value}" if value else _said(label)
