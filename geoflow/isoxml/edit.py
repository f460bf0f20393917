"""Changing attributes in the text of an XML file and nothing else: every other byte stays."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

__all__ = ["Edit", "edited"]

_NAME: Final = re.compile(r"<[^\s/>]+")
_ATTRIBUTE: Final = re.compile(r"\s+([^\s=/>]+)\s*=\s*(\"[^\"]*\"|'[^']*')")


@dataclass(frozen=True, slots=True)
class Edit:
    """A new value of an attribute.

    Attributes
    ----------
    begin : int
        Byte at which the element's tag starts.
    key : str
        Name of the attribute.
    text : str
        New value, of letters, digits and marks that need no escape.
    """

    begin: int
    key: str
    text: str


def edited(data: bytes, edits: Iterable[Edit]) -> bytes:
    """Return the file with the values of some attributes replaced between their quotes.

    Parameters
    ----------
    data : bytes
        The file, in UTF-8, UTF-16 or a code of one byte for each letter.
    edits : iterable of Edit
        In any order.

    Raises
    ------
    ValueError
        If a tag has no such attribute.
    """
    code = _code(data)
    spans = sorted((*_span(data, edit, code), edit.text.encode(code)) for edit in edits)
    pieces, done = [], 0
    for begin, end, text in spans:
        pieces += [data[done:begin], text]
        done = end
    return b"".join([*pieces, data[done:]])


def _code(data: bytes) -> str:
    """Code in which the marks of XML can be found: of UTF-8 and of codes of one byte, each byte is a letter."""
    if data.startswith((codecs.BOM_UTF16_LE, b"<\0")):
        return "utf-16-le"
    if data.startswith((codecs.BOM_UTF16_BE, b"\0<")):
        return "utf-16-be"
    return "latin-1"


def _span(data: bytes, edit: Edit, code: str) -> tuple[int, int]:
    """First byte of an attribute's value and the byte behind it."""
    end = data.find(">".encode(code), edit.begin)
    while True:  # a value may hold the mark that ends a tag
        text = data[edit.begin : end].decode(code, "replace")
        name = _NAME.match(text)
        at = name.end() if name else 0
        while found := _ATTRIBUTE.match(text, at):
            at = found.end()
            if found[1] == edit.key:
                before, value = (text[:to].encode(code) for to in (found.start(2) + 1, found.end(2) - 1))
                return edit.begin + len(before), edit.begin + len(value)
        if end < 0 or not text[at:].strip(" \t\r\n/"):
            raise ValueError(f"the element at byte {edit.begin} has no attribute {edit.key}")
        end = data.find(">".encode(code), end + 1)
