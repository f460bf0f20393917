"""The sections of a log: their numbers from the left, their switches, and where each lies on the bar."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.arrays import BoolArray, FloatArray, IntArray
from geoflow.errors import LogError
from geoflow.formats.facts import Fact
from geoflow.units import show

if TYPE_CHECKING:
    import pandas

__all__ = ["lay_sections", "number_sections", "read_switch"]

_SIDES: Final = {"left": 0, "l": 0, "centre": 1, "center": 1, "middle": 1, "c": 1, "m": 1, "right": 2, "r": 2}
_ON: Final = {"1": True, "true": True, "on": True, "yes": True, "y": True, "t": True, "applying": True, "active": True,
              "0": False, "false": False, "off": False, "no": False, "n": False, "f": False,
              "inactive": False}  # fmt: skip
_MOST: Final = 256


def number_sections(
    cells: pandas.Series[Any], count: int | None, *, where: str, facts: list[Fact]
) -> IntArray:  # fmt: skip
    """Number sections from 0 at the left.

    Parameters
    ----------
    cells : Series, shape (rows,)
        Numbers, names that end in a number, or left, centre and right.
    count : int or None
        How many sections the bar has, where it is known.

    Raises
    ------
    LogError
        If the order of the sections from the left cannot be told, or there are more than the bar has.
    """
    codes, labels = _codes(cells)
    if (codes < 0).any():
        raise LogError(
            f"{int((codes < 0).sum())} row(s) name no section", where=where, cure="fill them in, or remove those rows"
        )
    words = [re.fullmatch(r"\D*(\d+)(?:\.0*)?", label) for label in labels]
    sides = [_SIDES.get(label) for label in labels]
    if all(words):
        numbers = np.array([int(word[1]) for word in words if word], dtype=np.int64)
        base = 0 if numbers.min() == 0 else 1
        if base and count is not None and numbers.max() < count and numbers.size < count:
            facts.append(Fact("section", "sections are taken to count from 1 at the left"))
    elif None not in sides:
        order = sorted({side for side in sides if side is not None})
        numbers, base = np.array([order.index(side) for side in sides if side is not None], dtype=np.int64), 0
    else:
        raise LogError(
            f"the sections are called {', '.join(labels[:6])}, and nothing says in which order they stand",
            where=where,
            cure="number them from the left, or call them left, centre and right",
        )
    most = count if count is not None else _MOST
    if numbers.max() - base >= most:
        raise LogError(
            f"section {numbers.max()} is beyond the {most} sections "
            + ("of the bar file" if count is not None else "a bar can have"),
            where=where,
            cure="give the bar file of this bar, or check that this is the column of section numbers",
        )
    return np.asarray((numbers - base)[codes], dtype=np.int64)


def _codes(cells: pandas.Series[Any]) -> tuple[IntArray, list[str]]:
    codes, found = cells.factorize()
    return np.asarray(codes, dtype=np.int64), [str(label).strip().casefold() for label in found]


def read_switch(cells: pandas.Series[Any], *, where: str) -> tuple[BoolArray, BoolArray]:
    """Read on and off, shape (rows,), and which rows say either.

    A code of two bits as in ISO 11783-10 (00 off, 01 on, 10 error, 11 not installed) is on only where it is 1.

    Raises
    ------
    LogError
        If a cell is neither.
    """
    codes, labels = _codes(cells)
    labels = [re.sub(r"\.0+$", "", label) for label in labels]
    coded = set(labels) <= {"0", "1", "2", "3"}
    states = [(label == "1") if coded else _ON.get(label) for label in labels]
    if None in states:
        odd = labels[states.index(None)]
        raise LogError(
            f"'{odd}' says neither on nor off",
            where=where,
            cure="give --column on a column of 1 and 0, or on=- for none",
        )
    known = codes >= 0
    table = np.array([bool(state) for state in states] or [False])
    return np.asarray(table[np.where(known, codes, 0)] & known, dtype=bool), known


def lay_sections(
    section: IntArray,
    logged: FloatArray | None,
    bar_width: float | None,
    section_widths: Sequence[float] | None,
    *,
    sectioned: bool,
    where: str,
    facts: list[Fact],
) -> tuple[FloatArray, FloatArray]:
    """Width of each record's section and the offset of its centre to the right of the bar's [m], shape (n,).

    Parameters
    ----------
    section : ndarray of int, shape (n,)
        From 0 at the left.
    logged : ndarray or None, shape (n,)
        Width in the log [m]: of the section, or of the whole bar where it is as wide as that.
    bar_width : float or None
        [m].
    section_widths : sequence of float or None
        Left to right [m].
    sectioned : bool
        Whether the log has records for each section; if not, each speaks of the whole bar.

    Raises
    ------
    LogError
        If nothing says how wide the bar is.
    """
    count = int(section.max()) + 1
    if logged is not None:
        logged = np.where(logged > 0.0, logged, np.nan)
    whole = bar_width if bar_width is not None else sum(section_widths) if section_widths is not None else None
    if not sectioned:
        if logged is None:
            if whole is None:
                raise _unknown_width(where)
            facts.append(Fact("derived", f"the log has no width: every record is as wide as the bar, {_feet(whole)}"))
            return np.full(section.size, whole), np.zeros(section.size)
        return _filled(logged, whole, where, facts), np.zeros(section.size)
    if section_widths is not None:
        widths = np.asarray(section_widths, dtype=np.float64)
    elif logged is not None and np.isfinite(logged).any() and not _is_bar(logged, bar_width):
        usual = float(np.nanmedian(logged))
        own = [logged[(section == at) & np.isfinite(logged)] for at in range(count)]
        widths = np.array([float(np.median(part)) if part.size else usual for part in own])
        facts.append(Fact("section", "the width in the log is taken as that of each section, not of the whole bar"))
        return _filled(logged, usual, where, facts), _offsets(widths)[section]
    elif bar_width is not None:
        widths = np.full(count, bar_width / count)
        facts.append(Fact("section", f"every one of the {count} sections is taken as an equal share of the bar"))
    else:
        raise _unknown_width(where)
    return widths[section], _offsets(widths)[section]


def _unknown_width(where: str) -> LogError:
    return LogError(
        "nothing says how wide the bar is",
        where=where,
        cure='give --bar a bar file, or name the column with --column "width=NAME:ft"',
    )


def _offsets(widths: FloatArray) -> FloatArray:
    return np.asarray(np.cumsum(widths) - widths / 2 - widths.sum() / 2, dtype=np.float64)


def _is_bar(logged: FloatArray, bar_width: float | None) -> bool:
    return bar_width is not None and abs(float(np.nanmedian(logged)) / bar_width - 1.0) < 0.05


def _filled(logged: FloatArray, otherwise: float | None, where: str, facts: list[Fact]) -> FloatArray:
    empty = ~np.isfinite(logged)
    if not empty.any():
        return logged
    if empty.all() and otherwise is None:
        raise _unknown_width(where)
    usual = otherwise if otherwise is not None else float(np.nanmedian(logged))
    facts.append(Fact("derived", f"{int(empty.sum())} record(s) without a width are taken as {_feet(usual)}"))
    return np.where(empty, usual, logged)


def _feet(width: float) -> str:
    return f"{show(width, 'length', 'us')} ({show(width, 'length', 'metric')})"
