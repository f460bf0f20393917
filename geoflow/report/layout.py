"""Laying out text: folding, tables, ranges."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence
from typing import Final

from geoflow.units import KINDS, System, number, unit_label

__all__ = ["count", "span", "table", "within", "wrap"]

_WIDTH: Final = 100


def wrap(text: str, indent: str = "  ", hang: str | None = None) -> str:
    """Fold a text to the width of the page."""
    return textwrap.fill(
        text, _WIDTH, initial_indent=indent, subsequent_indent=indent if hang is None else hang, break_on_hyphens=False
    )


def table(rows: Iterable[Sequence[str]], align: str, indent: str = "  ") -> str:
    """Lay rows out in columns; `align` has one of < or > per column."""
    cells = [list(row) for row in rows]
    widths = [max(len(row[column]) for row in cells) for column in range(len(align))]
    lines = []
    for row in cells:
        parts = [f"{cell:{side}{width}}" for cell, side, width in zip(row, align, widths, strict=True)]
        lines.append((indent + "  ".join(parts)).rstrip())
    return "\n".join(lines)


def span(low: float, high: float, kind: str, system: System, digits: int | None = None) -> str:
    """Two SI values as a range without unit, rounded inward so that both ends lie inside; ``none`` where it is empty.

    A range narrower than the usual digits gets more of them.
    """
    if not (math.isfinite(low) and math.isfinite(high)) or low > high:
        return "none"
    known = KINDS[kind]
    usual = (known.us_digits if system == "us" else known.metric_digits) if digits is None else digits
    for places in (usual, usual + 1, usual + 2):
        first, last = number(low, kind, system, places, "up"), number(high, kind, system, places, "down")
        if float(first.replace(",", "")) <= float(last.replace(",", "")):
            return first if first == last else f"{first} to {last}"
    return number(0.5 * (low + high), kind, system, usual + 2)


def within(low: float, high: float, kind: str, system: System) -> str:
    """Return `span` with its unit."""
    return f"{span(low, high, kind, system)} {unit_label(kind, system)}"


def count(number_of: int, thing: str) -> str:
    """Return a number of things, singular or plural."""
    return f"{number_of:,} {thing}" + ("" if number_of == 1 else "s")
