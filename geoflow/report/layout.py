"""Laying out text: folding, tables, ranges."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence
from typing import Final

from geoflow.units import System, number

__all__ = ["span", "table", "wrap"]

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
    """Two SI values as a range without unit; ``none`` where it is empty."""
    if not (math.isfinite(low) and math.isfinite(high)) or low > high:
        return "none"
    first, last = number(low, kind, system, digits), number(high, kind, system, digits)
    return first if first == last else f"{first} to {last}"
