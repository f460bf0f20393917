"""What a result says, once: sections of paragraphs, lists, tables and figures, set by four renderers alike."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

__all__ = [
    "EVERYWHERE",
    "PRINTED",
    "SCREEN",
    "Block",
    "BulletList",
    "Figure",
    "Medium",
    "Paragraph",
    "Report",
    "Section",
    "Table",
    "plain",
]

Medium = Literal["terminal", "html", "pdf", "page"]
EVERYWHERE: Final[frozenset[Medium]] = frozenset(("terminal", "html", "pdf", "page"))
PRINTED: Final[frozenset[Medium]] = frozenset(("html", "pdf"))
SCREEN: Final[frozenset[Medium]] = frozenset(("terminal", "page"))
_UNSHOWN: Final = "�"
_FULL: Final = 10.0  # tenths of the breadth of a page, which takes about ten letters in each


def plain(text: str) -> str:
    """Text fit for a page: one line, and nothing in it that cannot be seen or turns the writing round.

    File names and attribute values may hold control characters, marks of writing direction, or bytes that are no
    letters at all; each such character shows as ``�``. Every block passes its own texts through this.

    Parameters
    ----------
    text : str
        From a file or a person.
    """
    folded = " ".join(text.split()) if text.split() else ""
    return "".join(letter if letter.isprintable() else _UNSHOWN for letter in folded)


def _plain(value: Any) -> Any:
    return plain(value) if isinstance(value, str) else tuple(map(_plain, value))


def _tidy(block: object, *names: str) -> None:
    """Make the texts of a new block plain."""
    for name in names:
        object.__setattr__(block, name, _plain(getattr(block, name)))


@dataclass(frozen=True, slots=True)
class Paragraph:
    """A paragraph.

    Attributes
    ----------
    text : str
        Plain text; markup in it stays text.
    kind : str
        ``"plain"``, ``"warning"`` (boxed, has to be seen), ``"note"`` (small print) or ``"head"`` (a small heading).
    on : frozenset of str
        Renderers it is meant for; here and in every other block.
    """

    text: str
    kind: Literal["plain", "warning", "note", "head"] = "plain"
    on: frozenset[Medium] = EVERYWHERE

    def __post_init__(self) -> None:
        _tidy(self, "text")


@dataclass(frozen=True, slots=True)
class BulletList:
    """A list of sentences, with numbers where their order matters."""

    texts: tuple[str, ...]
    ordered: bool = False
    on: frozenset[Medium] = EVERYWHERE

    def __post_init__(self) -> None:
        _tidy(self, "texts")


@dataclass(frozen=True, slots=True)
class Table:
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
        Tenths of the page's breadth, one for each column; a narrow table adds up to less than ten. Where none are
        given they follow from what stands in the columns.
    links : tuple of str
        Where the first cell of each row leads on a page, one for each row, empty for none; or none at all.
    """

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    align: str
    widths: tuple[float, ...] = ()
    on: frozenset[Medium] = EVERYWHERE
    links: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        _tidy(self, "caption", "heads", "rows")
        count = len(self.heads)
        if not self.widths:
            longest = [max(map(len, column)) + 2 for column in zip(self.heads, *self.rows, strict=False)]
            scale = max(10.0, sum(longest) / _FULL)
            object.__setattr__(self, "widths", tuple(letters / scale for letters in longest))
        if not count == len(self.align) == len(self.widths) or any(len(row) != count for row in self.rows):
            raise ValueError(f"the columns of the table '{self.caption}' do not agree")
        if self.links and len(self.links) != len(self.rows):
            raise ValueError(f"the links of the table '{self.caption}' are not one for each row")

    def columns(self, kept: Sequence[int], **changed: Any) -> Table:
        """Return the same table with some of its columns only.

        Parameters
        ----------
        kept : sequence of int
            Places of the columns, in the order wanted.
        **changed
            Other attributes that are not as in this one.
        """
        heads, widths = (tuple(given[at] for at in kept) for given in (self.heads, self.widths))
        rows = tuple(tuple(row[at] for at in kept) for row in self.rows)
        align = "".join(self.align[at] for at in kept)
        return replace(self, **{"heads": heads, "rows": rows, "align": align, "widths": widths, **changed})


@dataclass(frozen=True, slots=True)
class Figure:
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
    on: frozenset[Medium] = PRINTED

    def __post_init__(self) -> None:
        _tidy(self, "alt", "caption")


Block = Paragraph | BulletList | Table | Figure


@dataclass(frozen=True, slots=True)
class Section:
    """A section of the report with its heading; `key` is its anchor."""

    key: str
    title: str
    blocks: tuple[Block, ...]

    def shown(self, medium: Medium) -> tuple[Block, ...]:
        """Return the blocks meant for one renderer.

        Parameters
        ----------
        medium : str
            A renderer.
        """
        return tuple(block for block in self.blocks if medium in block.on)


@dataclass(frozen=True, slots=True)
class Report:
    """A whole report.

    Attributes
    ----------
    title, subtitle : str
        Which field and bar, and which plan.
    answer : str
        The answer in one sentence.
    sections : tuple of Section
        In the order they are read.
    caution : str
        The safety line at the foot of every page.
    stamp : str
        Version and date, at the foot of every page.
    """

    title: str
    subtitle: str
    answer: str
    sections: tuple[Section, ...]
    caution: str
    stamp: str

    def __post_init__(self) -> None:
        _tidy(self, "title", "subtitle", "answer")

    def shown(self, medium: Medium) -> Iterator[tuple[Section, tuple[Block, ...]]]:
        """Yield the sections that say something to one renderer, with their blocks for it.

        Parameters
        ----------
        medium : str
            A renderer.
        """
        for section in self.sections:
            if blocks := section.shown(medium):
                yield section, blocks

    def figures(self) -> Iterator[Figure]:
        """Yield every figure in order."""
        for section in self.sections:
            for block in section.blocks:
                if isinstance(block, Figure):
                    yield block
