"""What stands in a text for a value that is only known when the program runs."""

from __future__ import annotations

import ast

# Placeholders that say more than the name in the code does.
LABELS = {
    "KINDS['pressure'].example": "an example",
    "KINDS[kind].example": "an example",
    "_example(key)": "an example",
    "_needs(child)": "its keys",
    "_needs(table)": "its keys",
    "absent": "keys",
    "accepted": "low and high",
    "after": "rate",
    "attributes": "what was written",
    "bounds": "west, south, east, north",
    "called": "table",
    "causes": "why, and which rows",
    "choices": "the units there are",
    "code": "number",
    "cure": "how that key is meant",
    "deepest": "number",
    "differing": "files",
    "each": "rows of each",
    "elsewhere": "; where it belongs, or the nearest name",
    "estimate": "other keys",
    "exc": "reason",
    "filename": "name",
    "foreign": "column",
    "found": "what is there",
    "get": "reason",
    "given": "what was written",
    "head": "its first bytes",
    "heading(child.path)": "table",
    "heading(table.path)": "table",
    "hidden": "named there",
    "high_x": "east",
    "high_y": "north",
    "iloc": "the first",
    "inside": "file",
    "key": "name",
    "known": "the names there are",
    "known_commands": "the names there are",
    "labels": "names",
    "least": "number",
    "lines": " the choices",
    "listed": "the list",
    "low": "range",
    "low_x": "west",
    "low_y": "south",
    "members": "what is in it",
    "message": "what is missing or cannot be used",
    "metric": "the same in metres",
    "most": "number",
    "msg": "reason",
    "names": "the names there are",
    "nearest": "number",
    "numbers": " the numbers",
    "odd": "what was written",
    "only": "name",
    "option": "what was written",
    "options": " the choices",
    "others": "files",
    "path.name": "file",
    "path.suffix": "ending",
    "prefix": "its table, ",
    "problem": "reason",
    "prog": "the command",
    "requested": "name",
    "rest": "what was written",
    "said": "what is said",
    "says": "unit",
    "shown(value)": "what was written",
    "side": "number",
    "stale": "fields",
    "start": "its first bytes",
    "stated": "what is stated",
    "str(problem)": "reason",
    "strerror": "reason",
    "sum": "number",
    "tag": "element",
    "text": "what was written",
    "there": "keys",
    "unknown": "what was written",
    "unquoted": "what was written",
    "us": "length",
    "value": "number",
    "values": "what was written",
    "wanted": "what is needed",
    "what": "reason",
    "why": "reason",
    "width": "number",
    "word": "what was written",
    "written": "what was written",
    "wrong": "reason",
    "x": "number",
    "y": "number",
}
# Names in the code for what is only ever a number.
_NUMBERS = {"count", "max", "mean", "pop", "shape", "size", "sum", "line_num", "promised", "records", "whole", "zoned"}


def label_of(expression: ast.expr) -> str:
    """Return a readable name for a value that is only known when the program runs."""
    source = ast.unparse(expression)
    if source in LABELS:
        return LABELS[source]
    match expression:
        case ast.Name(id=name) | ast.Attribute(attr=name):
            return "number" if name in _NUMBERS else LABELS.get(name, name.strip("_").replace("_", " ").lower())
        case ast.Call(func=ast.Name(id="map"), args=[_, value]):
            return label_of(value)
        case ast.Call(func=ast.Name(id="rows_text")):
            return "rows"
        case ast.Call(func=ast.Name(id="shown"), args=[value, *_]):
            return "what was written"
        case ast.Call(func=ast.Attribute(attr="join"), args=[listed]):
            return label_of(listed)
        case ast.Call(func=ast.Attribute(value=value, attr="strip" | "rstrip" | "lower" | "casefold" | "title")):
            return label_of(value)
        case ast.Call(func=ast.Attribute(attr="show"), args=[value, *_]):
            return label_of(value)
        case ast.Call(func=ast.Name(id="len"), args=[_]):
            return "number"
        case ast.Call(func=ast.Name(id="nearest")):
            return "; did you mean ...?"
        case ast.Call(func=ast.Name(), args=[value, *_]):
            return label_of(value)
        case ast.Call(func=function):
            return label_of(function)
        case ast.Subscript(value=value) | ast.Starred(value=value) | ast.UnaryOp(operand=value):
            return label_of(value)
        case ast.BinOp(left=left, right=right):
            return label_of(right if isinstance(left, ast.Constant) else left)
        case ast.GeneratorExp(elt=element) | ast.ListComp(elt=element):
            return "list of " + label_of(element)
        case ast.JoinedStr(values=values):
            return " ".join(label_of(v.value) for v in values if isinstance(v, ast.FormattedValue)) or "text"
        case ast.Constant(value=value):
            return str(value)
        case ast.BoolOp(values=[first, *_]):
            return label_of(first)
        case ast.IfExp(body=body):
            return label_of(body)
    return "number"
