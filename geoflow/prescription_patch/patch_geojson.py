"""Where the rates stand in the text of a GeoJSON file, found without reading it into objects."""

from __future__ import annotations

import json
import re
from typing import Final

import numpy as np

from geoflow.base.arrays import IntArray
from geoflow.base.errors import OutputError
from geoflow.base.subject import called
from geoflow.layers.number_cells import parse_numbers
from geoflow.prescription_patch.patch_cells import Changes, column_writes_commas, json_number, restyled

__all__ = ["Span", "patched_geojson", "rate_spans"]

_STRING = rb'"[^"\\]*(?:\\.[^"\\]*)*"'
# A key and, where it is no object or array, its value.
_MEMBER = re.compile(rb"[\s,]*(" + _STRING + rb")\s*:\s*(" + _STRING + rb'|[^\s,"{}\[\]]+)?', re.DOTALL)
_SCALAR = re.compile(_STRING + rb'|[^\s,"{}\[\]]+', re.DOTALL)
_BRACE = re.compile(_STRING + rb"|[{}]", re.DOTALL)
_BRACKET = re.compile(_STRING + rb"|[\[\]]", re.DOTALL)
_GAP = re.compile(rb"[\s,]*")
_BOM: Final = b"\xef\xbb\xbf"
_OPENING: Final = ord("{")

Span = tuple[int, int]
"""First byte of a value and the byte behind it."""

_Member = tuple[bytes, Span]  # the key with its quotes
_Homes = dict[int, list[_Member]]  # members of an object by its first byte


def _nest_end(data: bytes, start: int) -> int:
    """Return the byte behind the object or array that starts at `start`, however deep it nests."""
    # Outside texts braces pair off among themselves, and so do brackets.
    first = data[start : start + 1]
    depth, marks = 0, _BRACE if first == b"{" else _BRACKET
    for mark in marks.finditer(data, start):
        sign = mark[0]
        if sign in (b"{", b"["):
            depth += 1
        elif sign in (b"}", b"]"):
            depth -= 1
            if not depth:
                return mark.end()
    raise _broken(start)


def _object(data: bytes, start: int, homes: _Homes | None = None) -> tuple[list[_Member], int]:
    """Return the members of the object at `start`, double ones too, and the byte behind it.

    With `homes`, the members of its ``properties`` are put in there, so that no byte is walked twice.
    """
    members, at = [], start + 1
    while member := _MEMBER.match(data, at):
        start, at = member.span(2)
        if at < 0:
            start = member.end()
            if homes is not None and data[start] == _OPENING and _says(member[1], b"properties"):
                homes[start], at = _object(data, start)
            else:
                at = _nest_end(data, start)
        members.append((member[1], (start, at)))
    return members, _behind(data, at, b"}")


def _after_gap(data: bytes, at: int) -> int:
    gap = _GAP.match(data, at)
    return gap.end() if gap else at


def _behind(data: bytes, at: int, sign: bytes) -> int:
    at = _after_gap(data, at)
    if data[at : at + 1] != sign:
        raise _broken(at)
    return at + 1


def _broken(at: int) -> ValueError:
    return ValueError(f"it is no JSON at byte {at}")


def _plain(token: bytes) -> str:
    """Return what a JSON text says; bytes that are not UTF-8 stay apart from each other."""
    inner = token[1:-1].decode("utf-8", "surrogateescape")
    return str(json.loads(f'"{inner}"', strict=False)) if "\\" in inner else inner


def _says(token: bytes, word: bytes) -> bool:
    """Whether a JSON text says `word`, written plainly or with escapes."""
    return token == b'"' + word + b'"' or (b"\\" in token and _plain(token).encode("utf-8", "surrogateescape") == word)


def rate_spans(data: bytes, column: str) -> list[Span | None]:
    """Find the value of a property in every feature, in the order and count GDAL gives them.

    As GDAL does: elements that are no features are passed over, the last of double members counts, several
    ``features`` follow each other, and a feature without ``properties`` carries them itself.

    Parameters
    ----------
    data : bytes
        The text, with or without a byte order mark; one document, or one feature to a line.
    column : str
        Name of the property.

    Returns
    -------
    list of Span or None
        None where a feature lacks it.

    Raises
    ------
    ValueError
        If the text is no JSON.
    """
    names = {column.encode("utf-8", "surrogatepass"), column.encode("latin-1", "replace")}
    spans: list[Span | None] = []
    at = _after_gap(data, len(_BOM) if data.startswith(_BOM) else 0)
    while at < len(data):
        at = _after_gap(data, _document(data, at, names, spans))
    return spans


def _document(data: bytes, at: int, names: set[bytes], spans: list[Span | None]) -> int:
    """Add the spans of one document that starts at `at`; return the byte behind it."""
    if data[at : at + 1] != b"{":
        raise _broken(at)
    members, at = [], at + 1
    while member := _MEMBER.match(data, at):
        start, at = member.span(2)
        if at < 0:
            start = member.end()
            is_list = data[start : start + 1] == b"[" and _says(member[1], b"features")
            at = _features(data, start, names, spans) if is_list else _nest_end(data, start)
        members.append((member[1], (start, at)))
    if _is_feature(data, members):
        homes = {value[0]: _object(data, value[0])[0] for _, value in members if data[value[0]] == _OPENING}
        spans.append(_property(members, homes, names))
    return _behind(data, at, b"}")


def _features(data: bytes, start: int, names: set[bytes], spans: list[Span | None]) -> int:
    """Add the spans of the features in the array at `start`; return the byte behind it."""
    at = _after_gap(data, start + 1)
    while data[at : at + 1] not in (b"]", b""):
        if data[at : at + 1] == b"{":
            homes: _Homes = {}
            members, at = _object(data, at, homes)
            if _is_feature(data, members):
                spans.append(_property(members, homes, names))
        elif data[at : at + 1] == b"[":
            at = _nest_end(data, at)
        elif scalar := _SCALAR.match(data, at):
            at = scalar.end()
        else:
            raise _broken(at)
        at = _after_gap(data, at)
    return _behind(data, at, b"]")


def _last(members: list[_Member], word: bytes) -> Span | None:
    for key, value in reversed(members):
        if _says(key, word):
            return value
    return None


def _is_feature(data: bytes, members: list[_Member]) -> bool:
    kind = _last(members, b"type")
    return kind is not None and _says(data[slice(*kind)], b"Feature")


def _property(members: list[_Member], homes: _Homes, names: set[bytes]) -> Span | None:
    home = _last(members, b"properties")
    if home is not None:
        members = homes.get(home[0], [])
    for name in names:
        if found := _last(members, name):
            return found
    return None


def _quick_spans(data: bytes, column: str, rows: int) -> list[Span | None]:
    """Find what `rate_spans` finds where the key stands once in every feature and nowhere else; else nothing.

    Whether it was right shows when the new file is read back, as with the other.
    """
    key = b'"' + column.encode("utf-8", "surrogatepass") + b'"'
    # Names may be written with escapes, and other letters than these in more than one way.
    if not column.isascii() or not column.isprintable() or b"\\" in key or b'"' in key[1:-1] or b"\\u00" in data:
        return []
    found = [value.span(1) for value in re.finditer(re.escape(key) + rb"\s*:\s*(" + _SCALAR.pattern + rb")", data)]
    features = [mark.start() for mark in re.finditer(rb'"type"\s*:\s*"Feature"', data)]
    if not len(found) == len(features) == data.count(key) == rows:
        return []
    at, marks = np.array([start for start, _ in found]), np.array(features)
    in_turn = any((one < other).all() and (other[:-1] < one[1:]).all() for one, other in ((at, marks), (marks, at)))
    return list(found) if in_turn else []


def patched_geojson(data: bytes, changes: Changes, rows_read: int) -> bytes:
    """Return the text with only the values of the changed rates replaced.

    Parameters
    ----------
    data : bytes
        The file as it is.
    changes : Changes
        What to write.
    rows_read : int
        Rows the reader found.

    Raises
    ------
    OutputError
        If the rates cannot be told apart in the text for certain.
    """
    try:
        spans = _quick_spans(data, changes.column, rows_read) or rate_spans(data, changes.column)
    except ValueError as problem:
        raise _lost(changes, str(problem)) from problem
    if len(spans) != rows_read:
        raise _lost(changes, f"{rows_read} rows were read and {len(spans)} features found")
    places = []
    for at, row in enumerate(changes.row.tolist()):
        span = spans[row]
        if span is None:
            raise _lost(changes, f"the feature of row {changes.row[at] + 1} has no '{changes.column}'")
        places.append(span)
    tokens = _new_tokens(changes, [data[slice(*span)] for span in places], _all_texts(data, spans))
    pieces, done = [], 0
    for span, token in zip(places, tokens, strict=True):
        pieces += [data[done : span[0]], token]
        done = span[1]
    return b"".join([*pieces, data[done:]])


def _all_texts(data: bytes, spans: list[Span | None]) -> list[str]:
    return [_plain(data[slice(*span)]) for span in spans if span is not None and data[span[0]] == ord('"')]


def _new_tokens(changes: Changes, tokens: list[bytes], texts: list[str]) -> list[bytes]:
    written = [b""] * len(tokens)
    quoted = np.array([token[:1] == b'"' for token in tokens], dtype=bool)
    bare = np.flatnonzero(~quoted)
    if bare.size:
        some = _some(changes, bare)
        olds = [tokens[at].decode("latin-1") for at in bare.tolist()]
        some.check_before(parse_numbers(olds).values)
        for at, old, value in zip(bare.tolist(), olds, some.after.tolist(), strict=True):
            written[at] = json_number(old, value).encode()
    texted = np.flatnonzero(quoted)
    if texted.size:
        cells = [_plain(tokens[at]) for at in texted.tolist()]
        news = restyled(_some(changes, texted), cells, comma=column_writes_commas(texts), width=None)
        for at, new in zip(texted.tolist(), news, strict=True):
            escaped = b"\\" in tokens[at]
            written[at] = json.dumps(new).encode() if escaped else b'"' + new.encode("utf-8", "surrogateescape") + b'"'
    return written


def _some(changes: Changes, which: IntArray) -> Changes:
    return Changes(changes.path, changes.column, changes.row[which], changes.before[which], changes.after[which])


def _lost(changes: Changes, why: str) -> OutputError:
    return OutputError(
        f"the rates cannot be found again in the text ({why})",
        where=called(changes.path),
        cure="save the prescription as a GeoPackage or a shapefile with a mapping program, and rewrite that",
    )
