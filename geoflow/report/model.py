"""What a report is made of; the HTML and the PDF are set from the same parts, so they cannot differ."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

__all__ = ["Block", "Grid", "Items", "Para", "Part", "Picture", "Report", "plain"]

_UNSHOWN: Final = "�"


@dataclass(frozen=True, slots=True)
class Para:
    """A paragraph.

    Attributes
    ----------
    text : str
        Plain text; markup in it stays text.
    kind : str
        ``"plain"``, ``"warning"`` (boxed, has to be seen), ``"note"`` (small print) or ``"head"`` (a small heading).
    """

    text: str
    kind: Literal["plain", "warning", "note", "head"] = "plain"


@dataclass(frozen=True, slots=True)
class Items:
    """A list of sentences, with numbers where their order matters."""

    texts: tuple[str, ...]
    ordered: bool = False


@dataclass(frozen=True, slots=True)
class Grid:
    """A table.

    Attributes
    ----------
    caption : str
        What it shows.
    heads : tuple of str
        Column headings, repeated on every page.
    rows : tuple of tuple of str
        Cells.
    align : str
        ``<`` or ``>`` for each column.
    widths : tuple of float
        Tenths of the page's breadth, one for each column; a narrow table adds up to less than ten.
    """

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    align: str
    widths: tuple[float, ...]

    def __post_init__(self) -> None:
        count = len(self.heads)
        if not count == len(self.align) == len(self.widths) or any(len(row) != count for row in self.rows):
            raise ValueError(f"the columns of the table '{self.caption}' do not agree")


@dataclass(frozen=True, slots=True)
class Picture:
    """A figure.

    Attributes
    ----------
    name : str
        Stem of its file.
    png : bytes
        The picture.
    size : tuple of float
        Breadth and height on paper [in].
    alt : str
        What it shows, for who cannot see it.
    caption : str
        Written below it.
    """

    name: str
    png: bytes
    size: tuple[float, float]
    alt: str
    caption: str


Block = Para | Items | Grid | Picture


@dataclass(frozen=True, slots=True)
class Part:
    """A section of the report with its heading; `key` is its anchor."""

    key: str
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Report:
    """A whole report.

    Attributes
    ----------
    title, subtitle : str
        Which field and bar, and which plan.
    answer : str
        The answer in one sentence.
    parts : tuple of Part
        In the order they are read.
    caution : str
        The safety line at the foot of every page.
    stamp : str
        Version and date, at the foot of every page.
    """

    title: str
    subtitle: str
    answer: str
    parts: tuple[Part, ...]
    caution: str
    stamp: str

    def pictures(self) -> Iterator[Picture]:
        """Yield every figure in order."""
        for part in self.parts:
            for block in part.blocks:
                if isinstance(block, Picture):
                    yield block


def plain(text: str) -> str:
    """Text fit for a page: one line, and nothing in it that cannot be seen or turns the writing round.

    File names and attribute values may hold control characters, marks of writing direction, or bytes that are no
    letters at all; each such character shows as ``�``.
    """
    folded = " ".join(text.split()) if text.split() else ""
    return "".join(letter if letter.isprintable() else _UNSHOWN for letter in folded)
