"""A field card as one HTML file: large type for a phone in any light, one page when it is printed."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import groupby
from typing import Final

from geoflow.report.html import set_page
from geoflow.report.model import Block, Report, Section

__all__ = ["as_card_html", "card_groups"]

_WIDE: Final = ("faults",)
# Size of the letters on paper [pt] by how many rows the tables have in all.
_POINTS: Final = ((33, 7.0), (37, 6.5), (1000, 6.1))


def card_groups(report: Report) -> list[tuple[bool, list[tuple[Section, tuple[Block, ...]]]]]:
    """Group the sections that follow each other into two columns, and those as wide as the page; True for the latter.

    Parameters
    ----------
    report : Report
        From `field_card.sheet`.
    """
    shown = groupby(report.shown("html"), lambda one: one[0].key in _WIDE)
    return [(wide, list(group)) for wide, group in shown]


def as_card_html(report: Report, phone: Mapping[str, str] | None = None) -> str:
    """Set a card as HTML; a content policy in the page forbids scripts and requests.

    Parameters
    ----------
    report : Report
        From `field_card.sheet`.
    phone : Mapping or None
        What its map for a phone needs, from `field_card.phone`.
    """
    rows = sum(len(getattr(block, "rows", ())) for _, blocks in report.shown("html") for block in blocks)
    points = next(size for most, size in _POINTS if rows <= most)
    groups = card_groups(report)
    return set_page("geoflow.field_card", "card.html", report=report, groups=groups, points=points, phone=phone)
