"""Laying out text: folding, tables, ranges, names of zones."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence
from typing import Final

from geoflow.base.arrays import TextArray
from geoflow.base.counted import verb
from geoflow.base.schema import VERDICTS
from geoflow.base.units import HOUR, KINDS, System, number, unit_label

__all__ = [
    "WIDTH",
    "hours",
    "in_runs",
    "some_names",
    "span",
    "table",
    "verdicts_text",
    "within",
    "wrap",
    "zone_names",
]

WIDTH: Final = 100


def wrap(text: str, indent: str = "  ", hang: str | None = None) -> str:
    """Fold a text to the width of the page.

    Parameters
    ----------
    text : str
        Any.
    indent : str
        In front of the first line.
    hang : str or None
        In front of the others; `indent` if not given.
    """
    return textwrap.fill(
        text, WIDTH, initial_indent=indent, subsequent_indent=indent if hang is None else hang, break_on_hyphens=False
    )


def table(rows: Iterable[Sequence[str]], align: str, indent: str = "  ") -> str:
    """Lay rows out in columns; `align` has one of < or > per column.

    Parameters
    ----------
    rows : iterable of sequence of str
        Cells.
    align : str
        ``<`` or ``>`` for each column.
    indent : str
        In front of each row.
    """
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

    Parameters
    ----------
    low, high : float
        In SI.
    kind : str
        A key of `units.KINDS`.
    system : str
        ``"us"`` or ``"metric"``.
    digits : int, optional
        Decimals; the unit's usual ones if not given.
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
    """Return `span` with its unit; ``none`` has none.

    Parameters
    ----------
    low, high : float
        In SI.
    kind : str
        A key of `units.KINDS`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    text = span(low, high, kind, system)
    return text if text == "none" else f"{text} {unit_label(kind, system)}"


def hours(seconds: float) -> str:
    """Say how long something takes: in hours, what is less than a tenth of one in minutes, or in seconds.

    Parameters
    ----------
    seconds : float
        [s]
    """
    if not 0.0 < seconds < 0.1 * HOUR:
        return f"{seconds / HOUR:.1f} h"
    return f"{seconds / 60.0:.0f} min" if seconds >= 60.0 else f"{max(seconds, 1.0):.0f} s"


def verdicts_text(verdict: TextArray, *, every: bool = True) -> str:
    """Count zones by verdict: ``11 hold, 1 doubtful, 0 fail``.

    Parameters
    ----------
    verdict : ndarray of str
        Keys of `schema.VERDICTS`.
    every : bool
        Whether verdicts that no zone has are told too.
    """
    many = {"holds": "hold", "fails": "fail"}
    counts = [(name, int((verdict == name).sum())) for name in VERDICTS]
    return ", ".join(f"{some:,} {verb(some, name, many.get(name, name))}" for name, some in counts if every or some)


def in_runs(names: Sequence[str]) -> list[str]:
    """Write whole numbers that follow each other as runs: 1, 2, 3, 5 as ``1 to 3`` and ``5``; two stay two.

    Parameters
    ----------
    names : sequence of str
        What people call them; what is no whole number stays as it is.
    """
    runs: list[list[str]] = []
    for name in names:
        before = runs[-1][-1] if runs else ""
        plain = name.isascii() and name.isdecimal() and before.isascii() and before.isdecimal()
        if plain and name == str(int(name)) and before == str(int(before)) and int(name) == int(before) + 1:
            runs[-1].append(name)
        else:
            runs.append([name])
    return [text for run in runs for text in ([f"{run[0]} to {run[-1]}"] if len(run) > 2 else run)]


def some_names(names: Sequence[str], most: int = 12) -> str:
    """Write up to `most` names and how many more there are.

    Parameters
    ----------
    names : sequence of str
        What people call them.
    most : int
        How many at most.
    """
    return ", ".join(names[:most]) + (f" and {len(names) - most:,} more" if len(names) > most else "")


def zone_names(names: Sequence[str], most: int = 12) -> str:
    """Name some zones: ``zone 4``, ``zones 1, 2 and 9 more``.

    Parameters
    ----------
    names : sequence of str
        What people call them.
    most : int
        How many at most.
    """
    return f"{verb(len(names), 'zone', 'zones')} {some_names(names, most)}"
