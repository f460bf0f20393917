"""Keywords of the Python functions: the options of the command line, said as Python says them."""

from __future__ import annotations

import inspect
import os
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, TypeVar

from geoflow.api.results import ReadInput
from geoflow.bar.bar_file import read_bar
from geoflow.base.errors import UsageError
from geoflow.base.spelling import nearest
from geoflow.options.table import TARGET, Option, options_of
from geoflow.options.typed import check_choice

__all__ = ["asked", "documented", "keywords_of"]

_RENAMED: Final = {
    "prescription": "zones",
    "log": "points",
    "zones": "raster_zones",
    "rate_column": "rate",
    "rate_unit": "unit",
    "column": "columns",
    "ticket": "tickets",
}
"""Options whose keyword is another word, as the argument beside it is called so or it reads better."""
_ELSEWHERE: Final = ("replace", "all_zones", "paper")
_Function = TypeVar("_Function", bound=Callable[..., Any])


def keywords_of(command: str) -> dict[str, Option]:
    """Return the keywords of a command's function: what it is asked, not where its result is written.

    Parameters
    ----------
    command : str
        One of `geoflow.options.table.COMMANDS`.
    """
    known = options_of(command)
    return {
        _RENAMED.get(name, name): option
        for name, option in known.items()
        if option.kind != "output" and name not in _ELSEWHERE
    }


def _quantity(value: Any, option: Option) -> str:
    """Write a text, a number, a pint quantity, or several of them as the command line has it."""
    if hasattr(value, "magnitude") and hasattr(value, "units"):
        if getattr(value.magnitude, "shape", ()):
            return _quantity([f"{one!r} {value.units}" for one in value.magnitude.tolist()], option)
        return f"{float(value.magnitude)!r} {value.units}"
    if isinstance(value, list | tuple):
        return (".." if option.kind.endswith(" range") else ", ").join(_quantity(one, option) for one in value)
    return str(value)


def _several(value: Any) -> tuple[Any, ...]:
    if isinstance(value, Mapping):
        return tuple(f"{role}={name}" for role, name in value.items())
    if not isinstance(value, list | tuple):
        value = (value,)
    return tuple(os.fspath(one) if isinstance(one, os.PathLike) else one for one in value)


def _value(value: Any, option: Option, where: str) -> Any:
    """One keyword as the workflows take it."""
    if option.kind == "flag" and not isinstance(value, bool):
        raise UsageError(f"{value!r} is neither yes nor no", where=where, cure="give True or False")
    if option.kind == "list":
        return _several(value)
    if option.kind in ("flag", "whole number", "choice"):
        check_choice(option, value, where=where)
        return value
    if option.kind != "file":
        return _quantity(value, option)
    if option.name == "bar" and isinstance(value, Mapping):
        return read_bar(value)
    return os.fspath(value) if isinstance(value, os.PathLike) else value


def _unwrap(said: dict[str, Any], where: str) -> None:
    """Put what was read already in its place; what says how it is read would be lost."""
    for name, value in list(said.items()):
        if isinstance(value, ReadInput):
            prefix = TARGET if name == "target" else ""
            late = [one for one in said if one.removeprefix(prefix) in value.settles and one.startswith(prefix)]
            if late:
                word = _RENAMED.get(late[0], late[0])
                cure = f"give it where they are read: {value.by}(..., {word.removeprefix(prefix)}=...)"
                name = _RENAMED.get(name, name)
                raise UsageError(f"'{name}' is read already, and '{word}' says how to read it", where=where, cure=cure)
            said[name] = value.outcome


def asked(command: str, given: Mapping[str, Any], only: Sequence[str] | None = None) -> dict[str, Any]:
    """Turn keywords into what was said, by the options' own names.

    Parameters
    ----------
    command : str
        One of `geoflow.options.table.COMMANDS`.
    given : mapping
        Keyword, or the name of its option, to its value; None where nothing is said.
    only : sequence of str, optional
        Options known here; all of the command without.

    Raises
    ------
    UsageError
        If a keyword is unknown, missing, or no value of its kind.
    """
    where = f"geoflow.{command}()"
    words = {word: one for word, one in keywords_of(command).items() if only is None or one.name in only}
    known = {one.name: one for one in words.values() if one.name not in words} | words
    said: dict[str, Any] = {}
    for word, value in given.items():
        if word not in known:
            cure = f"known here: {', '.join(words)}"
            raise UsageError(f"there is no keyword '{word}'{nearest(word, words)}", where=where, cure=cure)
        if value is not None:
            said[known[word].name] = _value(value, known[word], f"{where}, {word}")
    missing = [word for word, one in words.items() if command in one.required and one.name not in said]
    if missing and only is None:
        raise UsageError(f"'{missing[0]}' is missing", where=where, cure=f"{missing[0]} is {words[missing[0]].help}")
    _unwrap(said, where)
    return said


def documented(command: str) -> Callable[[_Function], _Function]:
    """Give a function the signature of its command and a line of help for every keyword.

    Parameters
    ----------
    command : str
        One of `geoflow.options.table.COMMANDS`.
    """

    def dress(function: _Function) -> _Function:
        own = [one for one in inspect.signature(function).parameters.values() if one.kind is not one.VAR_KEYWORD]
        more = {word: one for word, one in keywords_of(command).items() if word not in {each.name for each in own}}
        needed = [word for word, one in more.items() if command in one.required]
        only, none = inspect.Parameter.KEYWORD_ONLY, inspect.Parameter.empty
        keywords = [inspect.Parameter(word, only, default=none) for word in needed]
        keywords += [inspect.Parameter(word, only, default=None) for word in more if word not in needed]
        function.__signature__ = inspect.Signature([*own, *keywords])  # type: ignore[attr-defined]
        lines = "\n".join(f"{word} : {one.help}" for word, one in more.items())
        function.__doc__ = f"{inspect.cleandoc(function.__doc__ or '')}\n\nKeywords\n--------\n{lines}\n"
        return function

    return dress
