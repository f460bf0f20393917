"""How a new rate is written where an old one stood: same column, same width, same style."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray
from geoflow.base.counted import count
from geoflow.base.errors import OutputError
from geoflow.base.subject import called
from geoflow.layers.number_cells import Numbers, parse_numbers

__all__ = ["Changes", "column_writes_commas", "json_number", "number_texts", "numbers_in", "restyled",
           "room_beside_text", "same_rate", "whole_numbers"]  # fmt: skip

# The number in a cell that the reader took for a rate: with its sign, before any unit.
_NUMBER = re.compile(r"(?:[-+−]\s*)?(?P<body>\d[\d.,]*|[.,]\d+)(?P<exponent>e[-+]?\d+)?", re.IGNORECASE)
# Noise of a unit conversion, not a decimal that somebody asked for.
_NOISE: Final = 1e-12
_MOST_DIGITS: Final = 15  # every decimal number of 15 digits survives a double [IEEE 754]


@dataclass(frozen=True, eq=False)
class Changes:
    """The rates to write, shape (m,), in file order and in the file's unit.

    Attributes
    ----------
    path : Path
        The prescription they belong to.
    column : str
        Its rate column.
    row : ndarray of int
        Rows as the reader counts them.
    before, after : ndarray of float
        The rates read and the rates to write.
    """

    path: Path
    column: str
    row: IntArray
    before: FloatArray
    after: FloatArray

    def where(self, at: int) -> str:
        """Return the place of one change in words.

        Parameters
        ----------
        at : int
            Place of the change, from 0.
        """
        return f"{called(self.path)}, row {self.row[at] + 1}"

    def check_before(self, found: FloatArray, slack: float = _NOISE) -> None:
        """Refuse if the cells about to be changed do not hold the rates that were read.

        Parameters
        ----------
        found : ndarray, shape (m,)
            What the cells hold now.
        slack : float
            Relative.

        Raises
        ------
        OutputError
            If the file has changed since.
        """
        other = np.flatnonzero(~same_rate(found, self.before, slack))
        if other.size:
            raise OutputError(
                f"'{self.column}' no longer holds the rate that was read there",
                where=self.where(int(other[0])),
                cure="the file has changed meanwhile: run again, and let no other program write to it",
            )

    def too_wide(self, at: int, width: int, text: str) -> OutputError:
        """Return the error for a rate whose text is wider than its field.

        Parameters
        ----------
        at : int
            Place of the change, from 0.
        width : int
            Of the column [characters].
        text : str
            What does not fit.
        """
        return OutputError(
            f"the new rate {text} does not fit the column '{self.column}', which is {width} characters wide",
            where=self.where(at),
            cure="limit the rates with --max-rate, or export the prescription with a wider rate column",
        )

    def too_large(self, at: int, largest: float) -> OutputError:
        """Return the error for a rate beyond the range of a column of whole numbers.

        Parameters
        ----------
        at : int
            Place of the change, from 0.
        largest : float
            The column's greatest.
        """
        return OutputError(
            f"the new rate {_shortest(self.after[at])} does not fit the column '{self.column}', "
            f"which holds up to {largest:.0f}",
            where=self.where(at),
            cure="limit the rates with --max-rate, or export the prescription with a wider rate column",
        )

    def too_fine(self, at: int, decimals: int) -> OutputError:
        """Return the error for a rate with more decimals than its field.

        Parameters
        ----------
        at : int
            Place of the change, from 0.
        decimals : int
            Of the column.
        """
        held = "whole numbers" if decimals == 0 else count(decimals, "decimal")
        return OutputError(
            f"the new rate {_shortest(self.after[at])} has more decimals than '{self.column}' keeps ({held})",
            where=self.where(at),
            cure=f"round the rates to {held}, or export the prescription with more decimals",
        )


def same_rate(one: FloatArray, other: FloatArray, slack: float = _NOISE) -> BoolArray:
    """Whether rates agree but for the noise of arithmetic (relative, `slack`), shape (n,).

    Parameters
    ----------
    one, other : ndarray, shape (n,)
        In one unit.
    slack : float
        Relative.
    """
    with np.errstate(invalid="ignore", over="ignore"):
        return np.asarray(np.abs(one - other) <= slack * np.maximum(np.abs(one), np.abs(other)))


def number_texts(changes: Changes, width: int, decimals: int) -> list[str]:
    """Write rates as dBase numbers: `decimals` decimals, right-aligned in `width`.

    Parameters
    ----------
    changes : Changes
        The rates.
    width, decimals : int
        Of the column.

    Raises
    ------
    OutputError
        If a rate has more decimals or digits than that.
    """
    texts = [f"{value:.{decimals}f}" for value in changes.after.tolist()]
    if texts:
        _refuse_too_fine(changes, np.array(texts).astype(float), decimals)
    for at, text in enumerate(texts):
        if len(text) > width:
            raise changes.too_wide(at, width, text)
    return [text.rjust(width) for text in texts]


def _refuse_too_fine(changes: Changes, written: FloatArray, decimals: int) -> None:
    fine = np.flatnonzero(~same_rate(written, changes.after))
    if fine.size:
        raise changes.too_fine(int(fine[0]), decimals)


def whole_numbers(changes: Changes, largest: float) -> list[int]:
    """Return rates as whole numbers.

    Parameters
    ----------
    changes : Changes
        The rates.
    largest : float
        The column's greatest.

    Raises
    ------
    OutputError
        If a rate is none, or is above `largest`.
    """
    _refuse_too_fine(changes, np.round(changes.after), 0)
    great = np.flatnonzero(changes.after > largest)
    if great.size:
        raise changes.too_large(int(great[0]), largest)
    return [int(value) for value in np.round(changes.after).tolist()]


def column_writes_commas(cells: Sequence[str]) -> bool:
    """Whether any of these cells has a decimal comma, so that one without a mark may get one.

    Parameters
    ----------
    cells : sequence of str
        Of the column.
    """
    return bool(numbers_in([cell for cell in cells if "," in cell]).comma.any())


def numbers_in(cells: Sequence[str]) -> Numbers:
    """Return the numbers in text cells, whatever stands around them.

    Parameters
    ----------
    cells : sequence of str
        As they are.
    """
    return parse_numbers([match.group() if (match := _NUMBER.search(cell)) else "" for cell in cells])


def restyled(changes: Changes, cells: Sequence[str], *, comma: bool, width: int | None) -> list[str]:
    """Write rates into text cells, keeping what stands around the number and how its decimals are written.

    Parameters
    ----------
    changes : Changes
        The rates, shape (m,).
    cells : sequence of str, length m
        The cells as they are.
    comma : bool
        What `column_writes_commas` says, for cells without a decimal mark.
    width : int or None
        Characters a cell may have; None for no limit.

    Raises
    ------
    OutputError
        If a cell does not hold the rate that was read, or the new text is too wide.
    """
    numbers = numbers_in(cells)
    changes.check_before(numbers.values)
    written = []
    for at, cell in enumerate(cells):
        match = _NUMBER.search(cell)
        assert match is not None  # check_before has refused cells without a number
        marked = "." in match["body"] or "," in match["body"]
        with_comma = bool(numbers.comma[at]) or (comma and not marked)
        before, after = cell[: match.start()], cell[match.end() :]
        room = None if width is None else width - len(before) - len(after)
        text = _in_style(float(changes.after[at]), match["body"], with_comma, room)
        if room is not None and len(text) > room:
            raise changes.too_wide(at, width or 0, before + text + after)
        written.append(before + text + after)
    return written


def _in_style(value: float, body: str, comma: bool, room: int | None) -> str:
    """Write a number with at least the decimals of `body` where there is room, never as an unclear 1,234."""
    mark = max(body.rfind("."), body.rfind(","))
    text = _padded(value, len(body) - mark - 1 if mark >= 0 else 0, room)
    if not comma:
        return text
    return text.replace(".", ",") + ("0" if len(text) - text.find(".") == 4 and "." in text else "")


def _shortest(value: float) -> str:
    return np.format_float_positional(value, trim="-")


def _padded(value: float, decimals: int, room: int | None = None) -> str:
    text = _shortest(value)
    whole, _, fraction = text.partition(".")
    if len(fraction) >= decimals:
        return text
    padded = f"{whole}.{fraction:0<{decimals}}"
    return text if room is not None and len(padded) > room else padded


def json_number(token: str, value: float) -> str:
    """Write a number where `token` stood: a whole one stays without a point if it can, a real one keeps its own.

    Parameters
    ----------
    token : str
        The old number.
    value : float
        The new one.
    """
    mantissa = token.casefold().partition("e")[0]
    real = mantissa != token or "." in token
    return _padded(value, max(len(mantissa.partition(".")[2]), int(real)))


def room_beside_text(cells: Sequence[str], width: int, largest: float) -> int:
    """Return the decimals that fit into text cells of `width` beside the units written in them.

    Parameters
    ----------
    cells : sequence of str
        Cells of the zones kept.
    width : int
        Of the column [characters].
    largest : float
        The greatest rate in it; as many whole digits are kept free.
    """
    beside = max((len(cell) - len(match.group()) for cell in cells if (match := _NUMBER.search(cell))), default=0)
    room, digits = width - beside, len(f"{largest:.0f}")
    decimals = max(0, min(room - digits - 1, _MOST_DIGITS - digits))
    # Three decimals behind a comma need a fourth to be clear.
    return 2 if decimals == 3 and room - digits < 5 and column_writes_commas(cells) else decimals
