"""A report as plain JSON, from which the page builds its own headings, tables and pictures; texts stay texts."""

from __future__ import annotations

import base64
from collections.abc import Callable
from typing import Any

from geoflow.report.model import Block, BulletList, Figure, Medium, Paragraph, Report

__all__ = ["report_view"]


def _block(block: Block, say: Callable[[str], str]) -> dict[str, Any]:
    if isinstance(block, Paragraph):
        return {"is": block.kind, "text": say(block.text)}
    if isinstance(block, BulletList):
        return {"is": "list", "ordered": block.ordered, "texts": [say(text) for text in block.texts]}
    if isinstance(block, Figure):
        png = base64.b64encode(block.png).decode()
        return {"is": "figure", "png": png, "alt": block.alt, "caption": block.caption}
    rows = [[say(cell) for cell in row] for row in block.rows]
    return {"is": "table", "caption": say(block.caption), "heads": block.heads, "rows": rows, "align": block.align}


def report_view(report: Report, say: Callable[[str], str], medium: Medium = "page") -> dict[str, Any]:
    """Give a report for the page, its figures included.

    Parameters
    ----------
    report : Report
        What to say.
    say : callable
        Puts a text into the words of the page.
    medium : str
        Whose blocks are shown.
    """
    sections = [
        {
            "title": section.title,
            "blocks": [
                _block(block, say) for block in section.blocks if medium in block.on or isinstance(block, Figure)
            ],
        }
        for section in report.sections
    ]
    return {
        "answer": say(report.answer),
        "subtitle": say(report.subtitle),
        "sections": [section for section in sections if section["blocks"]],
        "notes": [],
    }
