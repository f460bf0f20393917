"""A log written as text, read piece by piece; its lines go into other files byte for byte."""

from __future__ import annotations

import contextlib
import shutil
import tempfile
from collections import OrderedDict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np

from geoflow.base.arrays import IntArray
from geoflow.base.errors import LogError
from geoflow.log_files.csv_text import HEAD, CsvText, csv_text, encoding_of
from geoflow.log_files.tables import LogTable

__all__ = ["TEXT", "TextLog"]

TEXT: Final = frozenset({".csv", ".txt", ".tsv"})
_SAMPLE: Final = 50_000
_CHUNK: Final = 200_000
_BLOCK: Final = 1 << 23  # bytes
_OPEN: Final = 48  # files held open
_QUOTE, _LINE_FEED, _RETURN = 34, 10, 13


def _blocks(path: Path) -> Iterator[bytes]:
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            yield block


@dataclass(eq=False)
class TextLog:
    """A text that is open.

    Attributes
    ----------
    path : Path
        The text; a copy in UTF-8 where it was in UTF-16.
    text : CsvText
        Its dialect.
    ending : str
        Of the file.
    blanks : int
        Lines at its end with nothing in them, which are no records.
    """

    path: Path
    text: CsvText
    ending: str
    blanks: int

    @classmethod
    @contextlib.contextmanager
    def opened(cls, path: Path, where: str) -> Iterator[TextLog]:
        """Open a text.

        Parameters
        ----------
        path : Path
            The file.
        where : str
            What to call it in errors.

        Raises
        ------
        LogError
            If it is no table.
        """
        encoding = encoding_of(_blocks(path))
        with contextlib.ExitStack() as stack:
            own = path
            if encoding == "utf-16":
                own = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="geoflow-"))) / "log.csv"
                with (
                    path.open(encoding=encoding, newline="") as wide,
                    own.open("w", encoding="utf-8", newline="") as to,
                ):
                    shutil.copyfileobj(wide, to)
                encoding = "utf-8"
            with own.open("rb") as file:
                head = file.read(HEAD)
            text = csv_text(head, encoding, where)
            yield cls(own, text, path.suffix, _blanks(own, text))

    def _table(self, frame: Any, columns: list[int]) -> LogTable:
        names = [self.text.names[at] for at in columns]
        return LogTable(self.text.where, "csv", names, [frame[at] for at in columns], None, None, [])

    def sample(self) -> LogTable:
        """Return the first records with all columns."""
        columns = list(range(len(self.text.names)))
        frame = next(self.text.chunks(self.path, _SAMPLE), None)
        if frame is None or not frame.notna().any(axis=None):
            raise LogError(
                "the file holds names of columns but no records", where=self.text.where, cure="export the log again"
            )
        return self._table(frame, columns)

    def tables(self, columns: list[int]) -> Iterator[LogTable]:
        """Yield the log in parts, with some of its columns; the empty lines at its end count as records still.

        Parameters
        ----------
        columns : list of int
            Places of the columns.
        """
        return (self._table(frame, columns) for frame in self.text.chunks(self.path, _CHUNK, sorted(columns)))

    def deal(self, file: IntArray, target: Callable[[int], Path]) -> None:
        """Write each line into the file its record belongs to, below the lines that stand before the records.

        Parameters
        ----------
        file : ndarray of int, shape (records,)
            Number of its file for each record; negative for an empty line at the end, which goes nowhere.
        target : callable
            Number of a file to its path.

        Raises
        ------
        LogError
            If the lines do not agree with the records.
        """
        head, lines, begin = b"", self.text.start + 1, 0
        with _Files(target) as files:
            for block, ends in _whole_lines(self.path):
                first = min(lines, ends.size)
                if first:  # still before the records
                    head += block[: int(ends[first - 1])]
                    lines -= first
                    files.head = head
                starts = np.concatenate([[0], ends[:-1]])[first:]
                stops = ends[first:]
                own = file[begin : begin + stops.size]
                if own.size != stops.size:
                    raise self._disagree()
                begin += own.size
                for a, b in _runs(own):
                    files.put(int(own[a]), block[int(starts[a]) : int(stops[b - 1])])
        if begin != file.size:
            raise self._disagree()

    def _disagree(self) -> LogError:
        return LogError(
            "its lines cannot be told apart for certain", where=self.text.where, cure="open it and save it as CSV again"
        )


def _blanks(path: Path, text: CsvText) -> int:
    """Count the lines at the end of a text with nothing in them."""
    with path.open("rb") as file:
        file.seek(0, 2)
        size = file.tell()
        file.seek(max(0, size - HEAD))
        tail = file.read().replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    lines = tail.split(b"\n")
    lines = lines[:-1] if not lines[-1] else lines
    nothing = b' \t"' + text.mark.encode()
    count = 0
    while count < len(lines) and not lines[-1 - count].strip(nothing):
        count += 1
    return count


def _runs(own: IntArray) -> Iterator[tuple[int, int]]:
    """Yield begin and end of equal neighbours."""
    edges = np.flatnonzero(np.diff(own)) + 1
    bounds = [0, *edges.tolist(), own.size]
    return ((a, b) for a, b in pairwise(bounds) if b > a)


def _whole_lines(path: Path) -> Iterator[tuple[bytes, IntArray]]:
    """Yield blocks of whole lines, with the place behind the end of each line; breaks within quotes end none."""
    left, ender = b"", None
    for piece in _blocks(path):
        block = left + piece
        raw = np.frombuffer(block, dtype=np.uint8)
        ender = ender or (_LINE_FEED if b"\n" in block or b"\r" not in block else _RETURN)
        ends = np.flatnonzero(raw == ender) + 1
        if b'"' in block:
            quotes = np.flatnonzero(raw == _QUOTE)
            ends = ends[np.searchsorted(quotes, ends) % 2 == 0]
        if not ends.size:
            left = block
            continue
        left = block[int(ends[-1]) :]
        yield block[: int(ends[-1])], ends
    if left:
        left += b"\n"
        yield left, np.array([len(left)])


class _Files:
    """Files that are added to; only some are held open."""

    def __init__(self, target: Callable[[int], Path]) -> None:
        self.head = b""
        self._target = target
        self._open: OrderedDict[int, BinaryIO] = OrderedDict()
        self._begun: set[int] = set()

    def __enter__(self) -> _Files:
        return self

    def __exit__(self, *_: object) -> None:
        for file in self._open.values():
            file.close()

    def put(self, number: int, lines: bytes) -> None:
        """Add lines to a file; none has a negative number."""
        if number < 0:
            return
        if number not in self._open:
            while len(self._open) >= _OPEN:
                self._open.popitem(last=False)[1].close()
            self._open[number] = self._target(number).open("ab")
            if number not in self._begun:
                self._begun.add(number)
                self._open[number].write(self.head)
        self._open.move_to_end(number)
        self._open[number].write(lines)
