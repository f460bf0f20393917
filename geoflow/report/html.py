"""The report as one HTML file that asks nothing of any network."""

from __future__ import annotations

import base64
from importlib.resources import files

from geoflow.report.model import Block, Report

__all__ = ["as_html"]


def _kind(block: Block) -> str:
    return type(block).__name__


def _base64(content: bytes) -> str:
    return base64.b64encode(content).decode("ascii")


def as_html(report: Report) -> str:
    """Set a report as HTML.

    Every text is escaped by the template, and a content policy in the page forbids scripts and requests besides.

    Parameters
    ----------
    report : Report
        What to say.
    """
    import jinja2

    sheet = jinja2.Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    ).from_string(files("geoflow.report").joinpath("report.html").read_text(encoding="utf-8"))
    return sheet.render(report=report, kind=_kind, base64=_base64)
