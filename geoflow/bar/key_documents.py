"""What comes from the keys of the bar file: the reference in docs/ and the JSON Schema."""

from __future__ import annotations

from typing import Any, Final

from geoflow.bar.key_kinds import KEY_KINDS, LONGEST_TEXT, NUMBER_PATTERN
from geoflow.bar.keys import (
    TABLES,
    Key,
    Table,
    heading,
    keys_of,
    subtables_of,
    table_of,
    written,
)

__all__ = ["bar_schema", "key_table_markdown"]

# What must stand together, in the words of JSON Schema.
_TOGETHER: Final[dict[str, dict[str, Any]]] = {
    "row_hose": {
        "oneOf": [
            {
                "required": ["back_pressure"],
                "properties": dict.fromkeys(("length", "bore", "tolerance", "outlet", "outlet_coefficient"), False),
            },
            {"required": ["length", "bore"], "properties": {"back_pressure": False}},
        ],
    },
    "orifices.measured": {
        "allOf": [
            {"oneOf": [{"required": [name]} for name in ("flow", "bar_flow", "rate", "load")]},
            {"oneOf": [{"required": [name]} for name in ("pressure", "pressure_after_valve")]},
        ],
        "dependentRequired": {"rate": ["speed"], "speed": ["rate"], "load": ["time"], "time": ["load"]},
    },
    "suction": {
        "dependentRequired": {
            "length": ["bore"],
            "bore": ["length"],
            "fittings_k": ["length"],
            "roughness": ["length"],
        },
    },
    "drive": {
        "oneOf": [{"required": ["full_oil", "given_oil"]}, {"required": ["full_speed", "given_speed"]}],
    },
}


def _otherwise(key: Key) -> str:
    if key.required:
        return "**required**"
    return "" if key.default is None else str(key.default)


def key_table_markdown() -> str:
    """Return the reference of all keys as Markdown, one table for each table of the file."""
    parts: list[str] = []
    for table in TABLES:
        title = f"`{heading(table.path)}`" if table.path else "Top of the file"
        if "." in table.path:
            title += f" in `{heading(table.path.rpartition('.')[0])}`"
        parts += [
            f"### {title}",
            "",
            f"{table.meaning} {'Required.' if table.required else 'Optional.'}",
            "",
            "| Key, as written | Value | If left out | Accepted | Meaning |",
            "|---|---|---|---|---|",
        ]
        for key in keys_of(table.path).values():
            cells = (
                f"`{key.name} = {written(key.example)}`",
                KEY_KINDS[key.kind].said,
                _otherwise(key),
                " to ".join(map(str, key.accepted)) if key.accepted else "",
                key.meaning,
            )
            parts.append(f"| {' | '.join(cells)} |")
        parts.append("")
    return "\n".join(parts)


def bar_schema() -> dict[str, Any]:
    """Return a JSON Schema (draft 2020-12) of the bar file, for editors.

    It knows names, types, needs and plain numbers. Units, and most of what
    must agree between keys, only `geoflow.bar.bar_file.parse_bar` checks.
    """
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Bar file of geoflow",
        **_table_schema(table_of("")),
    }


def _table_schema(table: Table) -> dict[str, Any]:
    keys, inner = keys_of(table.path), subtables_of(table.path)
    one: dict[str, Any] = {
        "type": "object",
        "properties": {
            **{name: _key_schema(key) for name, key in keys.items()},
            **{name: _table_schema(child) for name, child in inner.items()},
        },
        "required": [
            *(name for name, key in keys.items() if key.required),
            *(name for name, child in inner.items() if child.required),
        ],
        "additionalProperties": False,
        **_TOGETHER.get(table.path, {}),
    }
    if table.shape == "list":
        whole = {"type": "array", "items": one, "minItems": int(table.required)}
    elif table.shape == "named":
        whole = {
            "type": "object",
            "patternProperties": {r"\S": one},
            "additionalProperties": False,
            "minProperties": int(table.required),
        }
    else:
        whole = one
    return {"description": table.meaning, **whole}


def _key_schema(key: Key) -> dict[str, Any]:
    kind = KEY_KINDS[key.kind]
    schema: dict[str, Any] = {"description": f"{key.meaning} Write {kind.said}.", "examples": [key.example]}
    if key.default is not None:
        schema["default"] = key.default
    if key.kind == "text":
        return schema | {"type": "string", "pattern": r"\S", "maxLength": LONGEST_TEXT}
    if kind.choices:
        return schema | {"type": "string", "enum": list(kind.choices)}
    if kind.unit_kind is None:
        bounds = {"minimum": key.accepted[0], "maximum": key.accepted[1]} if key.accepted else {}
        return schema | {"type": "integer" if key.kind == "whole number" else "number", **bounds}
    signed = key.accepted is not None and str(key.accepted[0]).startswith("-")
    number = NUMBER_PATTERN if signed else NUMBER_PATTERN.replace("[-+]?", r"\+?", 1)
    unit = r".*[nN][hH]3.*" if key.kind == "ammonia flow" else r"[^\s\d.,+-].*"
    span = rf"(?:\S*?\s*\.\.\s*{number}\s*)?" if kind.range else ""
    pattern = rf"^\s*{number}\s*{span}{unit}$"
    return schema | {"type": "string", "pattern": pattern, "maxLength": LONGEST_TEXT}
