"""Reading a catalog: one row per field, each cell an option of the single command."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from geoflow.base.errors import UsageError
from geoflow.base.spelling import nearest
from geoflow.options.typed import check_choice
from geoflow.season.columns import COLUMNS, JOBS
from geoflow.season.urls import read_bytes, resolve, shown

__all__ = ["Entry", "Value", "folder_of", "make_entries", "read_catalog", "read_settings", "row_values"]

Value = str | bool | tuple[str, ...]
_YES: Final = frozenset({"yes", "true", "1", "y", "x"})
_NO: Final = frozenset({"no", "false", "0", "n"})
_LONGEST: Final = 180  # characters of a field's name once it is part of a folder's name
_KEPT_FOR_READERS: Final = "__HIVE_DEFAULT_PARTITION__"


@dataclass(frozen=True, slots=True)
class Entry:
    """A field of the catalog.

    Attributes
    ----------
    field : str
        Its name, unlike any other in the catalog.
    job : str
        One of `JOBS`.
    values : dict
        Column to what it says: text, a whole path or URL, a flag, or a tuple of texts; nothing for an empty cell.
    """

    field: str
    job: str
    values: Mapping[str, Value]

    @property
    def folder(self) -> str:
        """Name of the field's folders, readable as a partition."""
        return "field=" + quote(self.field, safe=" ")

    def said(self, files: Mapping[str, Path]) -> dict[str, Value]:
        """Give all options, with the files as they lie on this machine.

        Parameters
        ----------
        files : mapping
            Column to the file on this machine.
        """
        return {**self.values, **{name: str(path) for name, path in files.items()}}

    def text(self, column: str) -> str | None:
        """Give a text or place of the catalog; None where the cell is empty.

        Parameters
        ----------
        column : str
            Its heading.
        """
        value = self.values.get(column)
        return value if isinstance(value, str) else None


def folder_of(place: str) -> str:
    """Folder of a path or URL.

    Parameters
    ----------
    place : str
        Path or URL.
    """
    cut = place.replace("\\", "/").rfind("/")
    return place[:cut] if cut > 0 else ("/" if cut == 0 else ".")


def _cell(value: Any) -> str:
    if value is None or (isinstance(value, float) and value != value):
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return "; ".join(map(_cell, value))
    return str(value).strip()


def _parquet_rows(content: bytes, where: str) -> tuple[list[str], list[dict[str, str]]]:
    import pyarrow
    import pyarrow.parquet

    try:
        table = pyarrow.parquet.read_table(io.BytesIO(content))
        rows = table.to_pylist()
    except (pyarrow.ArrowException, OSError, ValueError) as problem:  # ValueError: text that is not in UTF-8
        raise UsageError(
            f"the catalog is no Parquet file that can be read: {problem}", where=where, cure="make it anew"
        ) from problem
    return list(table.column_names), [{name: _cell(cell) for name, cell in row.items()} for row in rows]


def _csv_rows(content: bytes, where: str) -> tuple[list[str], list[dict[str, str]]]:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        raise UsageError("the catalog is no text in UTF-8", where=where, cure='save it as "CSV UTF-8"') from problem
    first = text.split("\n", 1)[0]
    mark = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark)
    rows: list[dict[str, str]] = []
    try:
        head = [name.strip() for name in next(reader, [])]
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) > len(head):
                raise UsageError(
                    f"line {reader.line_num} has {len(cells)} cells under {len(head)} headings",
                    where=where,
                    cure='put a cell that holds a comma into quotes: "left,right"',
                )
            rows.append(dict(zip(head, map(_cell, cells + [""] * (len(head) - len(cells))), strict=True)))
    except csv.Error as problem:
        raise UsageError(f"line {reader.line_num} is no CSV: {problem}", where=where, cure="save it anew") from problem
    return head, rows


def _refuse_columns(head: Sequence[str], where: str) -> None:
    known = ("field", "job", *COLUMNS)
    for name in head:
        if name not in known:
            folded = name.casefold().replace("-", "_").replace(" ", "_").removeprefix("__")
            raise UsageError(
                f"a catalog has no column '{name}'{nearest(folded, known)}",
                where=where,
                cure=f"columns: {', '.join(known)}",
            )
    twice = next((name for name in head if list(head).count(name) > 1), None)
    if twice is not None:
        raise UsageError(f"the column '{twice}' is there twice", where=where, cure="leave one of them out")
    if "field" not in head:
        raise UsageError("the catalog has no column 'field'", where=where, cure="give every field a name of its own")


def _value(name: str, text: str, folder: str, where: str) -> Value:
    kind = COLUMNS[name].kind
    if kind == "file":
        return resolve(text, folder)
    if kind == "list":
        return tuple(part.strip() for part in text.split(";") if part.strip())
    if kind == "flag":
        if text.casefold() not in _YES | _NO:
            raise UsageError(f"'{name}' is '{text}', neither yes nor no", where=where, cure="write yes or no")
        return text.casefold() in _YES
    if kind == "whole number":
        text = text.removesuffix(".0")  # a spreadsheet's doing
        if not text.isdecimal():
            raise UsageError(f"'{name}' is '{text}', no whole number", where=where, cure="write it like 3")
    check_choice(COLUMNS[name], text, where=where)
    return text


def _check_name(field: str, where: str) -> None:
    if not field or field == _KEPT_FOR_READERS or not field.isprintable() or len(quote(field)) > _LONGEST:
        raise UsageError(
            "the field has no name that can be used" if field else "the field has no name",
            where=where,
            cure="give it a short name of its own in the column 'field'",
        )


def _check_job(job: str, where: str) -> None:
    if job not in JOBS:
        raise UsageError(
            f"there is no job '{job}'{nearest(job, JOBS)}" if job else "the field has no job",
            where=where,
            cure=f"write one of {', '.join(JOBS)} in the column 'job'",
        )


def _own_values(row: Mapping[str, str], job: str, folder: str, where: str) -> dict[str, Value]:
    """What the cells of a row say; relative paths count from the folder."""
    values: dict[str, Value] = {}
    for name, text in row.items():
        if job not in COLUMNS[name].commands:
            raise UsageError(
                f"'{name}' belongs to {' and '.join(COLUMNS[name].commands)}, not to {job}",
                where=where,
                cure=f"leave the cell under '{name}' empty",
            )
        values[name] = _value(name, text, folder, where)
    return values


def row_values(fixed: Mapping[str, str], job: str, here: str) -> dict[str, Value]:
    """Read what is said for all fields, where no field is named.

    Parameters
    ----------
    fixed : mapping
        Column to text.
    job : str
        One of `JOBS`.
    here : str
        Folder where relative paths count from.
    """
    return _fixed_values(fixed, job, "", here)


def _fixed_values(fixed: Mapping[str, str], job: str, field: str, here: str) -> dict[str, Value]:
    """What is said for all fields; relative paths count from `here`."""
    return {
        name: _value(name, text.replace("{field}", field), here, f"--set {name}")
        for name, text in fixed.items()
        if name != "job" and job in COLUMNS[name].commands and text
    }


def _entry(row: Mapping[str, str], number: int, place: str, fixed: Mapping[str, str], here: str) -> Entry:
    field = row.get("field", "")
    where = f"{shown(place)}, row {number}" + (f", field '{field}'" if field else "")
    _check_name(field, where)
    job = fixed.get("job") or row.get("job", "")
    _check_job(job, where)
    own = {name: text for name, text in row.items() if text and name not in {"field", "job", *fixed}}
    values = _own_values(own, job, folder_of(place), where) | _fixed_values(fixed, job, field, here)
    # An explicit no says what an empty cell says.
    values = {name: value for name, value in sorted(values.items()) if value is not False and value != ()}
    lacking = next((name for name in JOBS[job] if name not in values), None)
    if lacking is not None:
        raise UsageError(
            f"'{lacking}' is empty, and {job} cannot do without it",
            where=where,
            cure=f"fill the column '{lacking}', or give it for all fields with --set {lacking}=...",
        )
    return Entry(field, job, values)


def make_entries(
    rows: Sequence[Mapping[str, str]], place: str, fixed: Mapping[str, str], here: str
) -> tuple[Entry, ...]:
    """Turn rows of a catalog into fields.

    Parameters
    ----------
    rows : sequence of mapping
        Column to text.
    place : str
        The catalog; its folder is where relative paths count from.
    fixed : mapping
        Column to the text that stands for all fields in place of their own; ``{field}`` is the field's name.
    here : str
        Folder where relative paths of `fixed` count from.

    Raises
    ------
    UsageError
        If a row cannot be understood, or two fields have one name.
    """
    entries = tuple(_entry(row, number, place, fixed, here) for number, row in enumerate(rows, start=1))
    seen: dict[str, int] = {}
    for number, entry in enumerate(entries, start=1):
        # Names that differ in capitals only would share a folder on some disks.
        other = seen.setdefault(entry.field.casefold(), number)
        if other != number:
            raise UsageError(
                f"rows {other} and {number} both are the field '{entry.field}'",
                where=shown(place),
                cure="give every field a name of its own; capitals do not count",
            )
    return entries


def read_settings(texts: Sequence[str]) -> dict[str, str]:
    """Read ``COLUMN=VALUE`` texts of --set.

    Parameters
    ----------
    texts : sequence of str
        As typed.

    Raises
    ------
    UsageError
        If one is no such thing.
    """
    fixed: dict[str, str] = {}
    known = ("job", *COLUMNS)
    for text in texts:
        name, mark, value = text.partition("=")
        name = name.strip().removeprefix("--").replace("-", "_")
        if not mark or name not in known:
            raise UsageError(
                f"'{text}' sets no column{nearest(name, known)}",
                where="--set",
                cure=f"write COLUMN=VALUE; columns: {', '.join(known)}",
            )
        fixed[name] = value.strip()
    return fixed


def read_catalog(place: str, fixed: Mapping[str, str], here: str) -> tuple[Entry, ...]:
    """Read a catalog, CSV or Parquet by its ending.

    Parameters
    ----------
    place : str
        Path or URL.
    fixed, here
        As for `make_entries`.

    Raises
    ------
    UsageError
        If it cannot be read or understood.
    """
    where = shown(place)
    content = read_bytes(place)
    parquet = place.casefold().endswith((".parquet", ".pq"))
    head, rows = _parquet_rows(content, where) if parquet else _csv_rows(content, where)
    _refuse_columns(head, where)
    if not rows:
        raise UsageError("the catalog names no field", where=where, cure="add a row per field, or use --make")
    return make_entries(rows, place, fixed, here)
