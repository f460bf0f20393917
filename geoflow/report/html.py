"""The report as one HTML file that asks nothing of any network, and a result as a cell of a notebook."""

from __future__ import annotations

import base64
from importlib.resources import files
from typing import Any

from geoflow.report.model import Block, Report

__all__ = ["as_cell", "as_html", "set_page"]


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
    return set_page("geoflow.report", "report.html", report=report, base64=_base64)


def as_cell(report: Report) -> str:
    """Set a report as a part of a page that has a style of its own, as a notebook has.

    Parameters
    ----------
    report : Report
        What to say.
    """
    return set_page("geoflow.report", "cell.html", report=report, base64=_base64)


def set_page(room: str, name: str, **said: Any) -> str:
    """Set a page by a template, which escapes every text; all pages with texts that are not our own are made here.

    Parameters
    ----------
    room, name : str
        The package the template lies in, and its file.
    **said
        What the template speaks of.
    """
    import jinja2

    sheet = jinja2.Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined,
        loader=jinja2.FunctionLoader(lambda part: files("geoflow.report").joinpath(part).read_text(encoding="utf-8")),
    ).from_string(files(room).joinpath(name).read_text(encoding="utf-8"))  # fmt: skip
    return sheet.render(kind=_kind, **said)
