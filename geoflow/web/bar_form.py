"""The bar as a form: every key from `geoflow.bar.keys`, and the form's content as a bar file."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

from geoflow.bar.key_kinds import KEY_KINDS
from geoflow.bar.keys import TABLES, heading, keys_of, subtables_of, written
from geoflow.base.errors import BarError

__all__ = ["bar_text", "form_content", "form_description", "points_text"]

_BARE = re.compile(r"[A-Za-z0-9_-]+\Z")
_NUMBERS = ("number", "whole number")
_BARE_NUMBERS = (*_NUMBERS, "number range")


def form_description() -> list[dict[str, Any]]:
    """Describe all tables and keys of the bar file for the page to build its form from."""
    return [
        {
            "path": table.path,
            "title": "The bar" if not table.path else heading(table.path),
            "shape": table.shape,
            "meaning": table.meaning.replace("`", ""),
            "required": table.required,
            "keys": [
                {
                    "name": key.name,
                    "kind": key.kind,
                    "number": key.kind in _NUMBERS,
                    "said": KEY_KINDS[key.kind].said,
                    "example": str(key.example),
                    "otherwise": None if key.default is None else str(key.default),
                    "required": key.required,
                    "meaning": key.meaning.replace("`", ""),
                }
                for key in keys_of(table.path).values()
            ],
        }
        for table in TABLES
    ]


def form_content(text: str, where: str) -> dict[str, Any]:
    """Return a bar file's content with every value as it is typed into a field.

    Parameters
    ----------
    text : str
        The bar file.
    where : str
        Its name.

    Raises
    ------
    BarError
        If the text is no TOML; `read_bar` says so in better words.
    """
    try:
        content: dict[str, Any] = _typed(tomllib.loads(text))
    except (ValueError, RecursionError) as problem:
        raise BarError(
            f"the bar file is not valid TOML: {problem}",
            where=where,
            cure="put that line right and choose the file again",
        ) from problem
    return content


def _typed(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(name): _typed(inner) for name, inner in value.items()}
    if isinstance(value, list):
        return [_typed(inner) for inner in value]
    return value if isinstance(value, str) else str(value)


def _name(name: str) -> str:
    return name if _BARE.match(name) else written(name)


def _value(typed: Any, kind: str | None) -> str:
    text = str(typed)
    # A number is written bare where it is one; anything else is left to the reader's own complaint.
    if kind in _BARE_NUMBERS and re.fullmatch(r"[-+]?\d+(\.\d+)?([eE][-+]?\d+)?", text.strip()):
        bare = text.strip().lstrip("+")
        return bare if not re.match(r"-?0\d", bare) else written(text)
    return written(text).replace("\x7f", "\\u007f")


def _inline(content: Any, path: str) -> str:
    if isinstance(content, list):
        return f"[ {', '.join(_inline(entry, path) for entry in content)} ]"
    if not isinstance(content, Mapping):
        return _value(content, None)
    keys = keys_of(path)
    pairs = [
        f"{_name(name)} = {_value(typed, keys[name].kind if name in keys else None)}" for name, typed in content.items()
    ]
    return "{ " + ", ".join(pairs) + " }"


def _lines(content: Mapping[str, Any], path: str) -> list[str]:
    """Write the keys of one table, then the tables within it on one line each."""
    keys, inner = keys_of(path), subtables_of(path)
    prefix = f"{path}." if path else ""
    plain = [name for name in content if name not in inner]
    order = sorted(plain, key=lambda name: list(keys).index(name) if name in keys else len(keys))
    lines = [f"{_name(name)} = {_value(content[name], keys[name].kind if name in keys else None)}" for name in order]
    if path:
        lines += [f"{_name(name)} = {_inline(content[name], prefix + name)}" for name in inner if name in content]
    return lines


def bar_text(content: Mapping[str, Any]) -> str:
    """Write the form's content as a bar file, in the order of the reference.

    Parameters
    ----------
    content : Mapping
        Tables and typed texts; empty fields left out.
    """
    lines = _lines(content, "")
    for name in subtables_of(""):
        given = content.get(name)
        if isinstance(given, list):
            for entry in given:
                lines += ["", f"[[{name}]]", *_lines(entry if isinstance(entry, Mapping) else {}, name)]
        elif name == "orifices" and isinstance(given, Mapping):
            for key, entry in given.items():
                inner = entry if isinstance(entry, Mapping) else {}
                lines += ["", f"[{name}.{_name(str(key))}]", *_lines(inner, name)]
        elif isinstance(given, Mapping):
            lines += ["", f"[{name}]", *_lines(given, name)]
    return "\n".join(lines) + "\n"


def points_text(points: Sequence[Mapping[str, Any]]) -> str:
    """Write measured points as tables to stand at the end of a bar file.

    Parameters
    ----------
    points : sequence of Mapping
        Each with the name of its ``orifice``, and its ``values`` by key.
    """
    path = "orifices.measured"
    tables = [
        ["", f"[[orifices.{_name(str(one.get('orifice')))}.measured]]", *_lines(one.get("values", {}), path), ""]
        for one in points
    ]
    return "".join("\n".join(lines) for lines in tables)
