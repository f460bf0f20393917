"""What the workflows refuse, in the words of the page's own fields."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final, Literal

from geoflow.base.errors import GeoflowError, to_fill_in
from geoflow.options.table import PAGE_PARTS, TARGET, Option

__all__ = ["in_page_words", "options_named", "page_error"]

_Part = Literal["prescription", "log"]


def _by_option(*parts: str) -> dict[str, Option]:
    return {option.dashed: option for part in parts for option in reversed(PAGE_PARTS[part])}


_PRESCRIPTION: Final = _by_option("rules", "options")
# The target map of a log is the prescription above it, read as its own fields say.
_FIELDS: Final[dict[_Part, dict[str, Option]]] = {
    "prescription": _PRESCRIPTION,
    "log": _by_option("log")
    | {f"--{TARGET.replace('_', '-')}{name[2:]}": option for name, option in _PRESCRIPTION.items()},
}
# What the page asks without a field of the options' table.
_PLANNED: Final = {
    "--temperature": "Liquid in the tank", "--speed": "Ground speed", "--sections": "Sections that are on",
    "--policy": "What to keep",
}  # fmt: skip
_ASIDE: Final = re.compile(r" \(--(?:bar|target|boundary)\)")  # what the page has a place of its own for
_TYPED: Final = re.compile(r"(--[a-z][a-z-]*)(?:[ =](\"[^\"]*\"|'[^']*'))?")


def page_error(problem: GeoflowError, part: _Part) -> str:
    """Say an error in the words of the page.

    Parameters
    ----------
    problem : GeoflowError
        As the workflow raised it; its words are changed.
    part : str
        What was asked about: ``"prescription"`` or ``"log"``.
    """
    in_page_words(problem, part)
    return str(problem)


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


def in_page_words(problem: GeoflowError, part: _Part) -> None:
    """Make an error speak of the fields of the page, with the columns of a log that it proposes.

    Parameters
    ----------
    problem : GeoflowError
        As the workflow raised it; its words are changed.
    part : str
        What was asked about: ``"prescription"`` or ``"log"``.
    """
    fields = _FIELDS[part]
    problem.what, problem.where, problem.cure = (
        _TYPED.sub(lambda found: _field(found, fields), _ASIDE.sub("", text))
        for text in (problem.what, problem.where, problem.cure)
    )
    if not problem.options:
        return
    lines = "".join(f"\n    {column}" for column in problem.options)
    missing = to_fill_in(problem.options)
    how = f", {missing}" if missing else f" (or tick {_said(fields['--accept'].label)}, once you agree with it)"
    problem.cure += f"\n  proposed for {_said(fields['--column'].label)}{how}:{lines}"
    problem.options = ()


def _said(label: str) -> str:
    return f"\u201c{label}\u201d"


def _field(match: re.Match[str], fields: Mapping[str, Option]) -> str:
    option = fields.get(match[1])
    label = option.label if option is not None else _PLANNED.get(match[1], "")
    if not label:
        return match[0]
    if option is not None and option.kind == "flag":
        return f"tick {_said(label)}"
    value = (match[2] or "")[1:-1]
    return f"{_said(label)}: {value}" if value else _said(label)
