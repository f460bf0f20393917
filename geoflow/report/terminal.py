"""A result at the terminal: folded paragraphs, lists, and tables in columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from typing import Final

from geoflow.report.layout import WIDTH, table, wrap
from geoflow.report.model import Block, BulletList, Figure, Medium, Paragraph, Report, Table

__all__ = ["as_lines", "as_text"]

_GAP: Final = 2
_NARROWEST: Final = 18
_MARKS: Final = {"plain": ("  ", "  "), "warning": ("! ", "  "), "note": ("  ", "  "), "head": ("", "")}


def _widths(block: Table) -> list[int]:
    """Widths of the columns, the widest narrowed until the table fits; then any, but no figure is broken for it."""
    widths = [max(map(len, column)) for column in zip(block.heads, *block.rows, strict=True)]
    room = WIDTH - _GAP * len(widths)
    while sum(widths) > room and max(widths) > _NARROWEST:
        widths[widths.index(max(widths))] -= 1
    least = [max(_unbroken(head, *cells)) for head, *cells in zip(block.heads, *block.rows, strict=True)]
    while sum(widths) > room and any(wide > few for wide, few in zip(widths, least, strict=True)):
        widest = max((at for at, few in enumerate(least) if widths[at] > few), key=widths.__getitem__)
        widths[widest] -= 1
    return widths


def _unbroken(head: str, *cells: str) -> list[int]:
    """Widths below which a word or a figure would be broken."""
    words = [*head.split(), *(part for cell in cells for part in ([cell] if cell[:1].isdigit() else cell.split()))]
    return [0, *map(len, words)]


def _folded(row: Iterable[str], widths: list[int]) -> list[list[str]]:
    """Fold the cells of a row into lines."""
    cells = [
        textwrap.wrap(cell, width, break_on_hyphens=False) if len(cell) > width else [cell]
        for cell, width in zip(row, widths, strict=True)
    ]
    return [[cell[line] if line < len(cell) else "" for cell in cells] for line in range(max(map(len, cells)))]


def _table_lines(block: Table) -> list[str]:
    widths = _widths(block)
    heads = [block.heads] if any(block.heads) else []
    rows = [line for row in (*heads, *block.rows) for line in _folded(row, widths)]
    caption = [wrap(block.caption)] if block.caption else []
    return [*caption, table(rows, block.align)]


def _lines(block: Block) -> list[str]:
    if isinstance(block, Paragraph):
        first, later = _MARKS[block.kind]
        return [wrap(block.text, first, later)]
    if isinstance(block, BulletList):
        marks = (f"{number}. " if block.ordered else "- " for number in range(1, len(block.texts) + 1))
        return [wrap(mark + text, "  ", "  " + " " * len(mark)) for mark, text in zip(marks, block.texts, strict=True)]
    return [] if isinstance(block, Figure) else _table_lines(block)


def as_lines(blocks: Iterable[Block]) -> list[str]:
    """Set blocks as lines; an empty one stands around each table and before a small heading.

    Parameters
    ----------
    blocks : iterable of Block
        Figures among them are left out.
    """
    lines: list[str] = []
    apart = False
    for block in blocks:
        head = isinstance(block, Paragraph) and block.kind == "head"
        if (set_ := _lines(block)) and lines and (apart or head or isinstance(block, Table)):
            lines.append("")
        apart = isinstance(block, Table)
        lines += set_
    return lines


def as_text(report: Report, medium: Medium = "terminal") -> str:
    """Set a result as text: the answer first, then what it is of, then section by section.

    Parameters
    ----------
    report : Report
        What to say.
    medium : str
        ``"terminal"``, or ``"page"`` for the same in the local page, where no option can be typed.
    """
    parts = [[wrap(report.answer, "")], [wrap(report.subtitle, "")]]
    parts += [[*filter(None, [section.title]), *as_lines(blocks)] for section, blocks in report.shown(medium)]
    return "\n\n".join("\n".join(lines) for lines in parts if any(lines))
