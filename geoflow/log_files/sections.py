"""The sections of a log: their numbers from the left, their switches, and where each lies on the bar."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray
from geoflow.base.counted import count, verb
from geoflow.base.errors import LogError
from geoflow.base.units import show
from geoflow.layers.notes import Note

if TYPE_CHECKING:
    import pandas

__all__ = ["BarWidths", "Labels", "lay_sections", "read_labels", "read_switch", "sections_by_number"]

_SIDES: Final = {"left": 0, "l": 0, "centre": 1, "center": 1, "middle": 1, "c": 1, "m": 1, "right": 2, "r": 2}
_ON: Final = {"1": True, "true": True, "on": True, "yes": True, "y": True, "t": True, "applying": True, "active": True,
              "0": False, "false": False, "off": False, "no": False, "n": False, "f": False,
              "inactive": False}  # fmt: skip
_MOST: Final = 256


@dataclass(frozen=True, slots=True)
class BarWidths:
    """What is known of the bar from elsewhere than the log.

    Attributes
    ----------
    width : float or None
        Of the whole bar [m].
    sections : sequence of float or None
        Of its sections, left to right [m].
    """

    width: float | None = None
    sections: Sequence[float] | None = None

    @property
    def count(self) -> int | None:
        """How many sections it has."""
        return None if self.sections is None else len(self.sections)

    @property
    def whole(self) -> float | None:
        """Width of the whole bar, if need be that of its sections together [m]."""
        return self.width if self.width is not None or self.sections is None else sum(self.sections)


@dataclass(frozen=True, eq=False)
class Labels:
    """The sections as a log calls them.

    Attributes
    ----------
    code : ndarray of int, shape (rows,)
        Place of each row's label in `names`.
    names : tuple of str
        Different labels, in the order that their numbers give, else as they come in the file.
    ordered : bool
        Whether that order is one from the left: by numbers, or left, centre and right.
    """

    code: IntArray
    names: tuple[str, ...]
    ordered: bool


def read_labels(cells: pandas.Series[Any], *, where: str) -> Labels:
    """Tell the sections of a log apart by what their column holds, numbers or words.

    Parameters
    ----------
    cells : Series, shape (rows,)
        Numbers, names, or left, centre and right.

    Raises
    ------
    LogError
        If a row has no label, or there are more than 256 different ones.
    """
    codes, labels = _codes(cells)
    if (codes < 0).any():
        raise LogError(
            f"{count(int((codes < 0).sum()), 'row')} without a section",
            where=where,
            cure="fill in the section, or remove those rows",
        )
    if len(labels) > _MOST:
        raise LogError(
            f"there are {len(labels)} different sections, more than the {_MOST} a bar can have",
            where=where,
            cure="check that this is the column that tells sections apart, or leave it out: --column section=-",
        )
    keys, ordered = _order_from_the_left(labels)
    order = sorted(range(len(labels)), key=keys.__getitem__)
    rank = np.empty(len(labels), dtype=np.int64)
    rank[order] = np.arange(len(labels))
    return Labels(rank[codes], tuple(labels[at] for at in order), ordered)


def _numbers(labels: Sequence[str]) -> list[int]:
    """The numbers in those labels that have one."""
    found = (re.fullmatch(r"\D*(\d+)(?:\.0*)?", label) for label in labels)
    return [int(number[1]) for number in found if number]


def _order_from_the_left(labels: list[str]) -> tuple[list[int], bool]:
    """What to sort labels by, and whether that is an order from the left."""
    count, numbers = len(labels), _numbers(labels)
    if len(set(numbers)) == count:
        return numbers, True
    sides = [_SIDES[label] for label in labels if label in _SIDES]
    if len(sides) == count == len(set(sides)):
        return sides, True
    return list(range(count)), count == 1


def sections_by_number(labels: Labels, count: int | None, *, where: str, notes: list[Note]) -> IntArray:
    """Sections from 0 at the left by what they are called, shape (rows,); for a log with one position for all.

    Parameters
    ----------
    labels : Labels
        As read.
    count : int or None
        How many sections the bar has, where it is known.

    Raises
    ------
    LogError
        If the order from the left cannot be told, or there are more than the bar has.
    """
    if not labels.ordered:
        raise LogError(
            f"the sections are called {', '.join(labels.names[:6])}, and nothing says in which order they stand",
            where=where,
            cure="number them from the left, call them left, centre and right, or log a position for each",
        )
    numbers = _numbers(labels.names)
    if count is not None and len(labels.names) > count:
        raise LogError(
            f"the log has {len(labels.names)} sections and the bar file {count}",
            where=where,
            cure="give the bar file of this bar, or check that this is the column of section numbers",
        )
    if count is None or len(numbers) < len(labels.names) or len(numbers) == count:
        return labels.code
    # Fewer than the bar has: their numbers say which, if they can be numbers of this bar.
    base = 0 if numbers[0] == 0 else 1
    if numbers[-1] - base >= count:
        raise LogError(
            f"section {numbers[-1]} is beyond the {count} sections of the bar file, and the log does not hold all "
            f"{count} that would tell which is which",
            where=where,
            cure="number the sections from 1 at the left, or log a position for each",
        )
    if base:
        notes.append(Note("section", "sections are taken to count from 1 at the left"))
    return np.asarray(np.array(numbers, dtype=np.int64) - base)[labels.code]


def _codes(cells: pandas.Series[Any]) -> tuple[IntArray, list[str]]:
    codes, found = cells.factorize()
    return np.asarray(codes, dtype=np.int64), [str(label).strip().casefold() for label in found]


def read_switch(cells: pandas.Series[Any], *, where: str) -> tuple[BoolArray, BoolArray]:
    """Read on and off, shape (rows,), and which rows say either.

    A code of two bits as in ISO 11783-10 (00 off, 01 on, 10 error, 11 not installed) is on only where it is 1.

    Parameters
    ----------
    cells : Series, shape (rows,)
        Of the column.
    where : str
        For errors.

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
    bar: BarWidths,
    *,
    sectioned: bool,
    where: str,
    notes: list[Note],
) -> tuple[FloatArray, FloatArray]:
    """Width of each record's section and the offset of its centre to the right of the bar's [m], shape (n,).

    Parameters
    ----------
    section : ndarray of int, shape (n,)
        From 0 at the left.
    logged : ndarray or None, shape (n,)
        Width in the log [m]: of the section, or of the whole bar where it is as wide as that.
    bar : BarWidths
        What is known of the bar.
    sectioned : bool
        Whether the log has records for each section; if not, each speaks of the whole bar.

    Raises
    ------
    LogError
        If nothing says how wide the bar is.
    """
    if logged is not None:
        logged = np.where(logged > 0.0, logged, np.nan)
    if sectioned:
        return _widths_of_sections(section, logged, bar, where, notes)
    offset = np.zeros(section.size)
    if logged is not None:
        return _filled(logged, bar.whole, where, notes), offset
    if bar.whole is None:
        raise _unknown_width(where)
    notes.append(_width_note("the log has no width: every record is as wide as the bar,", bar.whole))
    return np.full(section.size, bar.whole), offset


def _widths_of_sections(
    section: IntArray, logged: FloatArray | None, bar: BarWidths, where: str, notes: list[Note]
) -> tuple[FloatArray, FloatArray]:
    count = int(section.max()) + 1
    if bar.sections is not None and count <= len(bar.sections):
        widths = np.asarray(bar.sections, dtype=np.float64)
    elif logged is not None and np.isfinite(logged).any() and not _is_bar(logged, bar.width):
        usual = float(np.nanmedian(logged))
        own = [logged[(section == at) & np.isfinite(logged)] for at in range(count)]
        widths = np.array([float(np.median(part)) if part.size else usual for part in own])
        notes.append(Note("section", "the width in the log is taken as that of each section, not of the whole bar"))
        return _filled(logged, usual, where, notes), _offsets(widths)[section]
    elif bar.width is not None:
        widths = np.full(count, bar.width / count)
        notes.append(Note("section", f"every one of the {count} sections is taken as an equal share of the bar"))
    else:
        raise _unknown_width(where)
    return widths[section], _offsets(widths)[section]


def _unknown_width(where: str) -> LogError:
    return LogError(
        "nothing says how wide the bar is",
        where=where,
        cure='say it with --width "40 ft", with a bar file (--bar), or name the column: --column "width=NAME:ft"',
    )


def _offsets(widths: FloatArray) -> FloatArray:
    return np.asarray(np.cumsum(widths) - widths / 2 - widths.sum() / 2, dtype=np.float64)


def _is_bar(logged: FloatArray, bar_width: float | None) -> bool:
    return bar_width is not None and abs(float(np.nanmedian(logged)) / bar_width - 1.0) < 0.05


def _filled(logged: FloatArray, otherwise: float | None, where: str, notes: list[Note]) -> FloatArray:
    empty = ~np.isfinite(logged)
    if not empty.any():
        return logged
    if empty.all() and otherwise is None:
        raise _unknown_width(where)
    usual = otherwise if otherwise is not None else float(np.nanmedian(logged))
    some = int(empty.sum())
    notes.append(_width_note(f"{count(some, 'record')} without a width {verb(some, 'is', 'are')} taken as", usual))
    return np.where(empty, usual, logged)


def _width_note(text: str, width: float) -> Note:
    us, metric = (f"{text} {show(width, 'length', system)}" for system in ("us", "metric"))
    return Note("derived", us, metric=metric)
