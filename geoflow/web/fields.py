"""What the fields of the page say, and which of the files that came along were chosen in them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from geoflow.base.errors import UsageError
from geoflow.options.table import Option
from geoflow.web.state import Question
from geoflow.web.uploads import Upload, main_file, main_files

__all__ = ["beside", "damaged", "lines_of", "part_of", "read_fields"]


def damaged() -> UsageError:
    """What is no question of this page."""
    return UsageError("what the page sent is damaged", where="the page", cure="reload the page and try again")


def part_of(asked: Question, name: str) -> dict[str, Any]:
    """Return a table within a question; an empty one where it is absent.

    Parameters
    ----------
    asked : dict
        The question.
    name : str
        Of the table.

    Raises
    ------
    UsageError
        If something else stands there.
    """
    given = asked.get(name, {})
    if not isinstance(given, dict):
        raise damaged()
    return given


def lines_of(given: dict[str, Any], name: str) -> tuple[str, ...]:
    """Return a list within a table as texts; an empty one where it is absent.

    Parameters
    ----------
    given : dict
        The table.
    name : str
        Of the list.

    Raises
    ------
    UsageError
        If something else stands there.
    """
    listed = given.get(name) or []
    if not isinstance(listed, list):
        raise damaged()
    return tuple(str(entry) for entry in listed)


def read_fields(given: dict[str, Any], options: Iterable[Option]) -> dict[str, Any]:
    """Return what fields say, by option; an empty field says nothing.

    Parameters
    ----------
    given : dict
        Names of options to what stands in their fields.
    options : iterable of Option
        Those that are known.
    """
    said: dict[str, Any] = {}
    for option in options:
        if option.kind == "file" or option.name == "logs":
            continue  # sent beside
        if value := given.get(option.name):
            said[option.name] = (
                True if option.kind == "flag" else lines_of(given, option.name) if option.kind == "list" else str(value)
            )
    return said


def beside(
    given: dict[str, Any], options: Iterable[Option], sent: tuple[Upload, ...]
) -> tuple[tuple[Upload, ...], dict[str, Any]]:
    """Tell files chosen in fields from the others sent; by option, each the one to be opened, of logs every one.

    Parameters
    ----------
    given : dict
        Names of options to the names of the files chosen in their fields.
    options : iterable of Option
        Those that are known.
    sent : tuple of Upload
        All that came with the question.

    Raises
    ------
    UsageError
        If a file is named that was not sent.
    """
    named = {one.name: lines_of(given, one.name) for one in options if one.kind == "file" or one.name == "logs"}
    others = {name for names in named.values() for name in names}
    if not others <= {upload.name for upload in sent}:
        raise damaged()
    found: dict[str, Any] = {}
    for option, names in named.items():
        chosen = [upload for upload in sent if upload.name in names]
        if chosen:
            found[option] = main_files(chosen) if option == "logs" else main_file(chosen)
    return tuple(upload for upload in sent if upload.name not in others), found
