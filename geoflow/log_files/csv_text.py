"""The dialect of a log written as text: its code, the line of names, what stands between cells, the decimal mark."""

from __future__ import annotations

import codecs
import contextlib
import csv
import re
import warnings
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Final

from geoflow.base.errors import LogError
from geoflow.layers.notes import Note

__all__ = ["HEAD", "CsvText", "csv_text", "encoding_of"]

HEAD: Final = 200_000
"""Bytes at the beginning of a file that tell its dialect."""
_SAMPLE: Final = 400


@dataclass(frozen=True, slots=True)
class CsvText:
    """A dialect.

    Attributes
    ----------
    where : str
        The file, for errors.
    encoding, mark, decimal : str
        Code of the text, what stands between cells, and the decimal mark.
    start : int
        Line that names the columns, from 0.
    names : list of str
        All columns.
    """

    where: str
    encoding: str
    mark: str
    decimal: str
    start: int
    names: list[str]

    def chunks(self, source: Any, size: int | None = None, columns: list[int] | None = None) -> Iterator[Any]:
        """Read the table as one frame, or so many rows at a time; columns are numbered from 0.

        Parameters
        ----------
        source : path or file
            The text.
        size : int, optional
            Rows of each frame.
        columns : list of int, optional
            Only these.

        Raises
        ------
        LogError
            If it is no table.
        """
        import pandas

        with _no_table(self.where, len(self.names)), warnings.catch_warnings():
            warnings.simplefilter("error", pandas.errors.ParserWarning)
            read = pandas.read_csv(
                source, sep=self.mark, decimal=self.decimal, encoding=self.encoding, header=None,
                names=range(len(self.names)), skiprows=self.start + 1, index_col=False, low_memory=False,
                skipinitialspace=True, skip_blank_lines=False, chunksize=size, usecols=columns,
            )  # fmt: skip
            if size is None:
                yield read
                return
            with read:
                yield from read

    def notes(self) -> list[Note]:
        """Say what a person should know of the dialect."""
        found = []
        if self.decimal == ",":
            found.append(Note("numbers", "the file writes decimals with a comma; 120,5 is read as 120.5"))
        if self.encoding == "cp1252":
            found.append(Note("file", "the text is not UTF-8 and is read as Windows text; letters may look wrong"))
        return found


def csv_text(head: bytes, encoding: str, where: str) -> CsvText:
    """Tell the dialect of a text.

    Parameters
    ----------
    head : bytes
        The first `HEAD` of it.
    encoding : str
        From `encoding_of`.
    where : str
        The file, for errors.

    Raises
    ------
    LogError
        If it holds no line of names.
    """
    lines = head.decode(encoding, errors="replace").splitlines()
    start, mark = _line_of_names(lines, where)
    with _no_table(where, 0):
        names = [name.strip() for name in next(csv.reader([lines[start]], delimiter=mark))]
        _refuse_numbers(names, f"{where}, line {start + 1}")
    with _no_table(where, len(names)):
        sample = list(csv.reader(lines[start + 1 : start + 1 + _SAMPLE], delimiter=mark))
    widest = max((len(row) for row in sample[:-1] or sample), default=0)
    names += [f"column {at + 1}" for at in range(len(names), widest)]
    return CsvText(where, encoding, mark, "," if mark != "," and _decimal_comma(sample) else ".", start, names)


def encoding_of(blocks: Iterable[bytes]) -> str:
    """Tell the code of a text from all of it.

    Parameters
    ----------
    blocks : iterable of bytes
        The text from its beginning, in pieces of any size.
    """
    decoder, first = codecs.getincrementaldecoder("utf-8")(), b""
    try:
        for block in blocks:
            first = first or block[:4]
            if first.startswith((b"\xff\xfe", b"\xfe\xff")):
                return "utf-16"
            decoder.decode(block)
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8-sig" if first.startswith(b"\xef\xbb\xbf") else "utf-8"


def _line_of_names(lines: list[str], where: str) -> tuple[int, str]:
    """Which line, from 0, names the columns, and what stands between them."""
    mark = None
    for at, line in enumerate(lines):
        if line.startswith("sep="):
            mark = line[4:5] or mark
        elif line.strip() and not line.startswith("#"):
            return at, mark or max(",;\t", key=lambda each: _unquoted(line).count(each))
    raise LogError("the file holds no line of names", where=where, cure="copy or export it again")


def _refuse_numbers(names: list[str], where: str) -> None:
    if sum(bool(re.fullmatch(r"[-+\d.,eE]*\d[-+\d.,eE]*", name)) for name in names) > len(names) / 2:
        raise LogError(
            "the first line holds numbers where the names of the columns should be",
            where=where,
            cure="add a first line that names every column",
        )


@contextlib.contextmanager
def _no_table(where: str, columns: int) -> Iterator[None]:
    """Refuse in words what is no table of so many columns."""
    import pandas

    broken = (csv.Error, pandas.errors.ParserError, pandas.errors.ParserWarning, pandas.errors.EmptyDataError)
    try:
        yield
    except broken as problem:
        line = re.search(r"line (\d+), saw (\d+)", str(problem))
        if line is None:
            raise LogError(f"it is no table ({problem})", where=where, cure="export the log again") from problem
        raise LogError(
            f"a line has {line[2]} cells for {columns} columns",
            where=f"{where}, line {line[1]}",
            cure="correct or delete that line, or export the log again",
        ) from problem
    except UnicodeDecodeError as problem:
        raise LogError("the text is in no known code", where=where, cure="save it as UTF-8") from problem


def _unquoted(line: str) -> str:
    return re.sub(r'"[^"]*"', "", line)


def _decimal_comma(sample: list[list[str]]) -> bool:
    """Whether numbers in the sample have a decimal comma for certain, and none a decimal point."""
    cells = [cell.strip() for row in sample for cell in row]
    certain = any(re.fullmatch(r"[-+]?\d*,(\d{1,2}|\d{4,})", cell) for cell in cells)
    return certain and not any(re.fullmatch(r"[-+]?\d*\.\d+", cell) for cell in cells)
