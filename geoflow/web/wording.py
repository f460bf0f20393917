"""What the workflows refuse about a log, in the words of the page's own fields."""

from __future__ import annotations

import re
from typing import Final

from geoflow.base.errors import GeoflowError, to_fill_in
from geoflow.options.table import PAGE_PARTS

__all__ = ["in_page_words"]

_FIELDS: Final = {option.dashed: option for option in PAGE_PARTS["log"]}
_ASIDE: Final = re.compile(r" \(--(?:bar|target|boundary)\)")  # what the page has a place of its own for
_TYPED: Final = re.compile(r"(--[a-z][a-z-]*)(?:[ =](\"[^\"]*\"|'[^']*'))?")


def in_page_words(problem: GeoflowError) -> None:
    """Make an error about a log speak of the fields of the page, with the columns it proposes.

    Parameters
    ----------
    problem : GeoflowError
        As the workflow raised it; its words are changed.
    """
    problem.what, problem.where, problem.cure = (
        _TYPED.sub(_field, _ASIDE.sub("", text)) for text in (problem.what, problem.where, problem.cure)
    )
    if not problem.options:
        return
    lines = "".join(f"\n    {column}" for column in problem.options)
    missing = to_fill_in(problem.options)
    how = f", {missing}" if missing else f" (or tick {_said('--accept')}, once you agree with it)"
    how = f"for {_said('--column')}{how}"
    problem.cure += f"\n  proposed {how}:{lines}"


def _said(option: str) -> str:
    return f"\u201c{_FIELDS[option].label}\u201d"


def _field(match: re.Match[str]) -> str:
    option = _FIELDS.get(match[1])
    if option is None:
        return match[0]
    if option.kind == "flag":
        return f"tick {_said(match[1])}"
    value = (match[2] or "")[1:-1]
    return f"{_said(match[1])}: {value}" if value else _said(match[1])
