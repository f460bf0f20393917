"""A field card as a PDF of one page: two columns, and what needs the breadth below them."""

from __future__ import annotations

import datetime
from typing import Any, Final

from geoflow.field_card.html import card_groups
from geoflow.report.model import Block, BulletList, Paragraph, Report, Section, Table
from geoflow.report.pdf import FONT, Paper, new_page

__all__ = ["as_card_pdf"]

_MARGIN, _FOOT, _GAP = 8.0, 8.0, 5.0  # [mm]
# Letters [pt] from which the largest that fits one page is taken.
_SIZES: Final = (8.5, 8.0, 7.6, 7.2, 6.9, 6.6, 6.3, 6.0, 5.7)
_LINE: Final = 0.3528 * 1.2  # height of a line [mm] for each point of its letters


class _Sheet:
    """Writes blocks one below the other between two edges [mm]."""

    def __init__(self, page: Any, size: float) -> None:
        self.page, self.size = page, size

    def between(self, left: float, right: float, top: float) -> None:
        """Write from here on between these edges, from `top` on down."""
        self.page.set_margins(left, _MARGIN, self.page.w - right)
        self.page.set_xy(left, top)

    def text(self, text: str, share: float = 1.0, *, bold: bool = False, **how: Any) -> None:
        """Write a text in letters of a share of the usual size."""
        size = share * self.size
        self.page.set_font(FONT, "B" if bold else "", size)
        self.page.multi_cell(0, size * _LINE, text, align="L", new_x="LMARGIN", new_y="NEXT", **how)

    def title(self, section: Section) -> None:
        """Write a section's title under a line."""
        page = self.page
        page.ln(1.0)
        page.set_line_width(0.5)
        page.line(page.l_margin, page.get_y(), page.w - page.r_margin, page.get_y())
        page.set_line_width(0.2)
        page.ln(0.5)
        self.text(section.title, 1.2, bold=True)

    def block(self, block: Block) -> None:
        """Write one block."""
        if isinstance(block, Paragraph):
            boxed: dict[str, Any] = {"border": 1, "padding": 0.8} if block.kind == "warning" else {}
            self.text(block.text, 0.9 if block.kind == "note" else 1.0, bold=bool(boxed), **boxed)
        elif isinstance(block, BulletList):
            self._bullets(block)
        elif isinstance(block, Table):
            self._table(block)
        self.page.ln(0.6)

    def _bullets(self, block: BulletList) -> None:
        page, left = self.page, self.page.l_margin
        for number, text in enumerate(block.texts, 1):
            page.set_font(FONT, "", self.size)
            page.cell(4.0, self.size * _LINE, f"{number}." if block.ordered else "•")
            page.set_left_margin(left + 4.0)
            self.text(text)
            page.set_left_margin(left)
            page.set_x(left)

    def _table(self, block: Table) -> None:
        from fpdf.enums import TableBordersLayout
        from fpdf.fonts import FontFace

        page = self.page
        self.text(block.caption, bold=True)
        page.set_font(FONT, "", self.size)
        with page.table(
            col_widths=block.widths,
            text_align=tuple("RIGHT" if side == ">" else "LEFT" for side in block.align),
            headings_style=FontFace(emphasis="BOLD"),
            borders_layout=TableBordersLayout.HORIZONTAL_LINES,
            line_height=self.size * _LINE,
            padding=(0.1, 0.6),
            v_align="TOP",
            width=page.epw,
            align="LEFT",
        ) as table:
            for row in (block.heads, *block.rows):
                table.row(row)


def _heights(page: Any, group: list[tuple[Section, tuple[Block, ...]]], size: float) -> list[float]:
    """Height of each section of a group set in a column [mm], measured on a page that is thrown away."""
    sheet = _Sheet(page, size)
    heights = []
    for section, blocks in group:
        sheet.between(_MARGIN, 0.5 * (page.w - _GAP), _MARGIN)
        _section(sheet, section, blocks)
        heights.append(page.get_y() - _MARGIN)
    return heights


def _section(sheet: _Sheet, section: Section, blocks: tuple[Block, ...]) -> None:
    sheet.title(section)
    for block in blocks:
        sheet.block(block)


def _columns(sheet: _Sheet, group: list[tuple[Section, tuple[Block, ...]]], heights: list[float]) -> None:
    """Set sections in two columns, parted where the higher of the two is lowest."""
    page, top = sheet.page, sheet.page.get_y()
    parted = min(range(1, len(group) + 1), key=lambda at: max(sum(heights[:at]), sum(heights[at:])))
    middle, low = 0.5 * page.w, top
    edges = ((_MARGIN, middle - 0.5 * _GAP), (middle + 0.5 * _GAP, page.w - _MARGIN))
    for (left, right), part in zip(edges, (group[:parted], group[parted:]), strict=True):
        sheet.between(left, right, top)
        for section, blocks in part:
            _section(sheet, section, blocks)
        low = max(low, page.get_y())
    sheet.between(_MARGIN, page.w - _MARGIN, low)


def _set(page: Any, measured: Any, report: Report, size: float, *, more_pages: bool = False) -> bool:
    """Set the card in letters of a size [pt], and say whether one page took it; what follows the speeds on another.

    Columns are parted by heights `measured` on another page.
    """
    sheet = _Sheet(page, size)
    sheet.between(_MARGIN, page.w - _MARGIN, _MARGIN)
    sheet.text(report.title, 1.6, bold=True)
    sheet.text(report.subtitle)
    page.set_line_width(0.6)
    sheet.text(report.answer, 1.3, bold=True, border=1, padding=1.2)
    page.set_line_width(0.2)
    for wide, group in card_groups(report):
        if wide and more_pages:
            page.add_page()
            sheet.between(_MARGIN, page.w - _MARGIN, _MARGIN)
        if wide:
            for section, blocks in group:
                _section(sheet, section, blocks)
        else:
            _columns(sheet, group, _heights(measured, group, size))
    sheet.text(report.stamp, 0.85)
    return bool(page.get_y() <= page.h - _FOOT)


def as_card_pdf(report: Report, paper: Paper, date: datetime.date) -> bytes:
    """Set a card as a PDF of one page, in the largest letters that fit it; of two pages where none do.

    Parameters
    ----------
    report : Report
        From `field_card.sheet`.
    paper : str
        ``"letter"`` or ``"a4"``.
    date : date
        Written into the file as the day it was made; the same card and day give the same bytes.
    """

    def blank() -> Any:
        page = new_page(paper, report, date)
        page.set_auto_page_break(False)
        return page

    # Opening a page reads its letters, which takes longer than setting a size: two serve for all tries.
    tried, measured, page = blank(), blank(), blank()
    size = next((size for size in _SIZES if _set(tried, measured, report, size)), None)
    _set(page, measured, report, size or _SIZES[-1], more_pages=size is None)
    return bytes(page.output())
