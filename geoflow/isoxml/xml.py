"""Reading the XML of task data: a plain tree with line numbers, guarded against files made to do harm."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final
from xml.parsers import expat

from geoflow.base.errors import PrescriptionError
from geoflow.layers.notes import Note

__all__ = ["Node", "parse_xml"]

_MOST_BYTES: Final = 256 * 1024**2
_MOST_NODES: Final = 5_000_000
_DEEPEST: Final = 50
_NUMBER: Final = re.compile(r"\s*[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d{1,3})?\s*")


@dataclass(slots=True, eq=False)
class Node:
    """An element of the file.

    Attributes
    ----------
    tag : str
        Its name.
    attributes : dict
        As written.
    place : str
        File, for errors.
    line : int
        Line it starts in.
    children : list of Node
        In file order.
    begin : int
        Byte of the file it starts at.
    """

    tag: str
    attributes: dict[str, str]
    place: str
    line: int
    children: list[Node] = field(default_factory=list)
    begin: int = 0

    @property
    def where(self) -> str:
        """File and line, for errors."""
        return f"{self.place}, line {self.line}, {self.tag}"

    def all(self, tag: str) -> list[Node]:
        """Children of a name, in file order.

        Parameters
        ----------
        tag : str
            As ``"TZN"``.
        """
        return [child for child in self.children if child.tag == tag]

    def walk(self) -> Iterator[Node]:
        """This element and all below it."""
        waiting = [self]
        while waiting:
            node = waiting.pop()
            yield node
            waiting += reversed(node.children)

    def text(self, key: str) -> str:
        """Return an attribute, empty where it is missing.

        Parameters
        ----------
        key : str
            Name of the attribute.
        """
        return self.attributes.get(key, "").strip()

    def number(self, key: str) -> float:
        """Return an attribute as a number.

        Parameters
        ----------
        key : str
            Name of the attribute.

        Raises
        ------
        PrescriptionError
            If it is missing or no number.
        """
        found = self.attributes.get(key)
        if found is None:
            raise PrescriptionError(
                f"the attribute {key} of {self.tag} is missing", where=self.where, cure="export the task data again"
            )
        if not _NUMBER.fullmatch(found) or not math.isfinite(float(found)):  # hundreds of digits are no number
            comma = re.fullmatch(r"\s*[-+]?\d+,\d+\s*", found)
            raise PrescriptionError(
                f"{key}={found[:40]!r} of {self.tag} is no number",
                where=self.where,
                cure="write it with a decimal point" if comma else "correct it, or export the task data again",
            )
        return float(found)

    def count(self, key: str) -> int:
        """Return an attribute as a whole number, not negative.

        Parameters
        ----------
        key : str
            Name of the attribute.

        Raises
        ------
        PrescriptionError
            If it is none.
        """
        value = self.number(key)
        if value < 0.0 or value != int(value):
            raise PrescriptionError(
                f"{key}={self.attributes[key][:40]!r} of {self.tag} is no whole number from 0",
                where=self.where,
                cure="correct it, or export the task data again",
            )
        return int(value)


class _RefusedError(Exception):
    """Raised out of the parser's handlers with the reason and the cure."""


def parse_xml(data: bytes, place: str) -> tuple[Node, list[Note]]:
    """Read a file of XML as a tree.

    Parameters
    ----------
    data : bytes
        The file.
    place : str
        What to call it in errors.

    Raises
    ------
    PrescriptionError
        If it is no XML, carries a document type (task data never does; entities could do harm), or is beyond any
        size of task data.
    """
    if len(data) > _MOST_BYTES:
        raise PrescriptionError(
            f"the file has {len(data) / 1e6:,.0f} MB, more than any task data needs",
            where=place,
            cure="check where it comes from, or export fewer tasks at a time",
        )
    notes: list[Note] = []
    try:
        return _parse(data, place, None), notes
    except expat.ExpatError as problem:
        first = problem
    if not _is_utf8(data) and b"\0" not in data[:64]:
        try:
            root = _parse(data, place, "iso-8859-1")
        except expat.ExpatError:
            pass
        else:
            notes.append(Note("file", f"{place}: the text is not in the code the file claims; letters may look wrong"))
            return root, notes
    raise PrescriptionError(
        f"this is no whole XML ({expat.errors.messages.get(first.code, str(first))})",
        where=f"{place}, line {first.lineno}",
        cure="copy or export the task data again",
    )


def _is_utf8(data: bytes) -> bool:
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _parse(data: bytes, place: str, encoding: str | None) -> Node:
    parser = expat.ParserCreate(encoding)
    parser.buffer_text = True
    top = Node("", {}, place, 0)
    path = [top]
    count = 0

    def begin(tag: str, attributes: dict[str, str]) -> None:
        nonlocal count
        count += 1
        if count > _MOST_NODES:
            raise _RefusedError(f"the file has more than {_MOST_NODES:,} elements", "export fewer tasks at a time")
        if len(path) > _DEEPEST:
            raise _RefusedError(f"elements are nested more than {_DEEPEST} deep", "check where the file comes from")
        name = tag.rpartition(":")[2]
        node = Node(name, attributes, place, parser.CurrentLineNumber, begin=parser.CurrentByteIndex)
        path[-1].children.append(node)
        path.append(node)

    def refuse(*_: Any) -> None:
        raise _RefusedError(
            "the file carries a document type (DOCTYPE), which task data never does and which can do harm",
            "check where it comes from; if it is sound, delete the <!DOCTYPE ...> with a text editor",
        )

    parser.StartElementHandler = begin
    parser.EndElementHandler = lambda tag: path.pop()
    parser.StartDoctypeDeclHandler = refuse
    try:
        parser.Parse(data, True)
    except _RefusedError as reason:
        what, cure = reason.args
        raise PrescriptionError(what, where=f"{place}, line {parser.CurrentLineNumber}", cure=cure) from None
    except (LookupError, ValueError) as problem:  # an unknown or many-byte encoding
        raise PrescriptionError(
            f"the text is in a code that cannot be read ({problem})", where=place, cure="save it as UTF-8"
        ) from problem
    return top.children[0]
