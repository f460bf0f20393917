"""The report as one HTML file that asks nothing of any network."""

from __future__ import annotations

import base64
from importlib.resources import files
from typing import Any

from geoflow.report.model import Block, Report

__all__ = ["as_html", "set_page"]


def _kind(block: Block) -> str:
    return type(block).__name__


def _base64(content: bytes) -> str:
    return base64.b64encode(content).decode("ascii")


def as_html(report: Report) -> str:
    """Set a report as HTML.

    Parameters
    ----------
    report : Report
        What to say.
    """
    return set_page("geoflow.report", "report.html", report, base64=_base64)


def set_page(room: str, name: str, report: Report, **more: Any) -> str:
    """Set a report by a template.

    Every text is escaped by it, and a content policy in the page forbids scripts and requests besides.

    Parameters
    ----------
    room, name : str
        The package the template lies in, and its file.
    report : Report
        What to say.
    **more
        What else the template speaks of.
    """
    import jinja2

    sheet = jinja2.Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    ).from_string(files(room).joinpath(name).read_text(encoding="utf-8"))
    return sheet.render(report=report, kind=_kind, **more)
