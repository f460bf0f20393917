"""The report as a PDF: text that can be selected, tables that go on over pages under their headings, page numbers."""

from __future__ import annotations

import datetime
import io
import logging
from pathlib import Path
from typing import Any, Final, Literal

from geoflow.report.model import Block, BulletList, Figure, Paragraph, Report, Table

__all__ = ["FONT", "Paper", "as_pdf", "new_page"]

Paper = Literal["letter", "a4"]
_MARGIN, _FOOT = 15.0, 20.0  # [mm]
_INCH: Final = 25.4
FONT: Final = "DejaVu"
"""Family of letters of every page."""
_SOFT: Final = 85
_BODY, _SMALL = 9.5, 8.0  # [pt]
# A figure may be this much smaller to stay on the page, and is still read without glasses.
_LEAST_SHRINK: Final = 0.88
_FULL: Final = 10.0
_LINE: Final = 0.3528 * 1.35  # height of a line [mm] for each point of its letters


def new_page(paper: Paper, report: Report, date: datetime.date, canvas: Any = None) -> Any:
    """Open a document with our letters and the report's name.

    Parameters
    ----------
    paper : str
        ``"letter"`` or ``"a4"``.
    report : Report
        Gives title and subject.
    date : date
        Written into it as the day it was made.
    canvas : type, optional
        Class of the document, of `fpdf.FPDF` if not given.
    """
    import fpdf
    import matplotlib

    # A letter the font lacks shows as a box; the log would tell the user what the page shows.
    logging.getLogger("fpdf").setLevel(logging.ERROR)
    logging.getLogger("fontTools").setLevel(logging.ERROR)

    page = (canvas or fpdf.FPDF)(orientation="portrait", unit="mm", format=paper)
    fonts = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    page.add_font(FONT, "", fonts / "DejaVuSans.ttf")
    page.add_font(FONT, "B", fonts / "DejaVuSans-Bold.ttf")
    page.set_margins(_MARGIN, _MARGIN, _MARGIN)
    page.set_auto_page_break(True, _FOOT)
    page.set_title(report.title)
    page.set_subject(report.subtitle)
    page.set_creator("geoflow")
    page.set_producer("fpdf2")
    page.set_lang("en")
    page.set_creation_date(datetime.datetime.combine(date, datetime.time(), datetime.UTC))
    page.add_page()
    return page


def _canvas(paper: Paper, report: Report, date: datetime.date) -> Any:
    """Open the document of a report, with its foot."""
    import fpdf

    class Canvas(fpdf.FPDF):
        def footer(self) -> None:
            self.set_y(-_FOOT + 4)
            self.set_font(FONT, size=6.6)
            self.set_text_color(_SOFT)
            self.multi_cell(0, 3.0, report.caution, align="L", new_x="LMARGIN", new_y="NEXT")
            self.cell(0, 3.4, report.stamp, align="L", new_x="LMARGIN", new_y="TOP")
            self.cell(0, 3.4, f"Page {self.page_no()} of {{nb}}", align="R")
            self.set_text_color(0)

    return new_page(paper, report, date, Canvas)


def _write(page: Any, text: str, size: float, *, bold: bool = False, grey: bool = False, **how: Any) -> None:
    page.set_font(FONT, "B" if bold else "", size)
    page.set_text_color(_SOFT if grey else 0)
    page.multi_cell(0, size * _LINE, text, align="L", new_x="LMARGIN", new_y="NEXT", **how)
    page.set_text_color(0)


def _need(page: Any, height: float) -> None:
    """Go to the next page where less than this height [mm] is left of this one."""
    if page.will_page_break(height):
        page.add_page()


def _text_height(page: Any, text: str, size: float, width: float) -> float:
    page.set_font(FONT, "", size)
    return float(page.multi_cell(width, size * _LINE, text, dry_run=True, output="HEIGHT"))


def _paragraph(page: Any, block: Paragraph) -> None:
    if block.kind == "head":
        _need(page, 38.0)
        page.ln(2.0)
        _write(page, block.text, 10.5, bold=True)
        page.ln(1.0)
        return
    size = _SMALL if block.kind == "note" else _BODY
    _need(page, min(_text_height(page, block.text, size, page.epw), 40.0) + 3.0)
    if block.kind == "warning":
        page.set_line_width(0.6)
        _write(page, block.text, size, bold=True, border=1, padding=2)
        page.set_line_width(0.2)
    else:
        _write(page, block.text, size, grey=block.kind == "note")
    page.ln(1.5)


def _bullets(page: Any, block: BulletList) -> None:
    left = page.l_margin
    for number, text in enumerate(block.texts, 1):
        mark = f"{number}." if block.ordered else "•"
        page.set_font(FONT, "", _BODY)
        _need(page, min(_text_height(page, text, _BODY, page.epw - 6.5), 60.0))
        page.cell(6.5, _BODY * _LINE, mark)
        page.set_left_margin(left + 6.5)
        _write(page, text, _BODY)
        page.set_left_margin(left)
        page.set_x(left)
        page.ln(0.8)
    page.ln(1.0)


def _figure(page: Any, block: Figure) -> None:
    breadth = min(block.size[0] * _INCH, page.epw)
    height = breadth * block.size[1] / block.size[0]
    below = _text_height(page, block.caption, _SMALL, page.epw) + 3.0
    room = page.h - _FOOT - page.get_y() - below
    if height > room >= _LEAST_SHRINK * height:
        breadth *= room / height
    else:
        _need(page, height + below)
    page.image(io.BytesIO(block.png), x=page.l_margin + (page.epw - breadth) / 2, w=breadth, alt_text=block.alt)
    page.ln(1.0)
    _write(page, block.caption, _SMALL, grey=True)
    page.ln(3.0)


def _table(page: Any, block: Table) -> None:
    from fpdf.enums import TableBordersLayout
    from fpdf.fonts import FontFace

    _need(page, 28.0)
    _write(page, block.caption, _BODY, bold=True)
    page.ln(0.8)
    page.set_font(FONT, "", _SMALL)
    with page.table(
        col_widths=block.widths,
        text_align=tuple("RIGHT" if side == ">" else "LEFT" for side in block.align),
        headings_style=FontFace(emphasis="BOLD"),
        borders_layout=TableBordersLayout.HORIZONTAL_LINES,
        line_height=_SMALL * _LINE,
        padding=(0.5, 1.0),
        v_align="TOP",
        width=page.epw * min(1.0, sum(block.widths) / _FULL),
        align="LEFT",
    ) as table:
        for row in (block.heads, *block.rows):
            table.row(row)
    page.ln(3.0)


def _block(page: Any, block: Block) -> None:
    if isinstance(block, Paragraph):
        _paragraph(page, block)
    elif isinstance(block, BulletList):
        _bullets(page, block)
    elif isinstance(block, Figure):
        _figure(page, block)
    else:
        _table(page, block)


def _first_height(page: Any, block: Block) -> float:
    """Height that has to stand below a heading [mm], so that none is left alone at the foot of a page."""
    if isinstance(block, Figure):
        breadth = min(block.size[0] * _INCH, page.epw)
        return float(_LEAST_SHRINK * breadth * block.size[1] / block.size[0] + 12.0)
    return 26.0


def as_pdf(report: Report, paper: Paper, date: datetime.date) -> bytes:
    """Set a report as a PDF.

    Parameters
    ----------
    report : Report
        What to say.
    paper : str
        ``"letter"`` or ``"a4"``.
    date : date
        Written into the file as the day it was made; the same report and day give the same bytes.
    """
    page = _canvas(paper, report, date)
    _write(page, report.title, 15, bold=True)
    page.ln(0.5)
    _write(page, report.subtitle, _BODY, grey=True)
    page.ln(2.5)
    page.set_line_width(0.8)
    _write(page, report.answer, 12.5, bold=True, border=1, padding=3)
    page.set_line_width(0.2)
    page.ln(2.0)
    for section, blocks in report.shown("pdf"):
        _need(page, 12.0 + _first_height(page, blocks[0]))
        page.ln(2.0)
        page.set_font(FONT, "B", 12)
        page.start_section(section.title)
        _write(page, section.title, 12, bold=True)
        page.set_line_width(0.6)
        page.line(page.l_margin, page.get_y() + 0.5, page.l_margin + page.epw, page.get_y() + 0.5)
        page.set_line_width(0.2)
        page.ln(2.5)
        for block in blocks:
            _block(page, block)
    return bytes(page.output())
