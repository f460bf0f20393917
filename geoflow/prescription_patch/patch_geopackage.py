"""New rates in the cells of a GeoPackage, everything else in it untouched."""

from __future__ import annotations

import re
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.errors import OutputError
from geoflow.base.subject import called
from geoflow.prescription_patch.patch_cells import (
    Changes,
    column_writes_commas,
    restyled,
    room_beside_text,
    whole_numbers,
)

if TYPE_CHECKING:
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["package_decimals", "write_package"]

# GeoPackage 1.4, table 1: column types and what they hold.
_WHOLE: Final = {"TINYINT": 7, "SMALLINT": 15, "MEDIUMINT": 31, "INT": 63, "INTEGER": 63}
_SINGLE_DIGITS: Final = 7  # of a 4-byte float, roughly [IEEE 754]
_LIMITED: Final = re.compile(r"TEXT\s*\(\s*(\d+)\s*\)", re.IGNORECASE)
_JOURNALS: Final = ("-wal", "-journal")


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _refuse_open(path: Path) -> None:
    """Refuse a GeoPackage whose latest changes are still in a journal beside it.

    Raises
    ------
    OutputError
        If there is one.
    """
    for ending in _JOURNALS:
        journal = path.with_name(path.name + ending)
        if journal.exists() and journal.stat().st_size:
            raise OutputError(
                f"the file is open in another program, or was not closed well ('{journal.name}' lies beside it)",
                where=str(path),
                cure="close it there, or open and close it once in a mapping program, and run again",
            )


def _declared_type(connection: sqlite3.Connection, prescription: Prescription) -> str:
    columns = connection.execute(f"PRAGMA table_info({_quoted(str(prescription.layer))})").fetchall()
    return next((str(row[2]).strip() for row in columns if row[1] == prescription.rate_column), "")


def package_decimals(prescription: Prescription) -> int | None:
    """Return the decimals that the rate column of a GeoPackage can hold; None where as many as needed.

    Parameters
    ----------
    prescription : Prescription
        As read.

    Raises
    ------
    OutputError
        If the file cannot be opened.
    """
    _refuse_open(prescription.path)
    try:
        with closing(_open(prescription.path, "ro")) as connection:
            declared = _declared_type(connection, prescription)
    except sqlite3.Error as problem:
        raise _refused(prescription, problem) from problem
    largest = float(prescription.rate.max())
    if declared.upper() in _WHOLE:
        return 0
    if declared.upper() == "FLOAT":
        return max(0, _SINGLE_DIGITS - len(f"{largest:.0f}"))
    limit = _LIMITED.fullmatch(declared)
    if limit is not None:
        cells = prescription.table[prescription.rate_column].to_numpy(dtype=object)[prescription.row]
        return room_beside_text([str(cell) for cell in cells], int(limit[1]), largest)
    return None


def _open(path: Path, mode: str) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.resolve().as_uri()}?mode={mode}", uri=True, isolation_level=None)


def _refused(prescription: Prescription, problem: Exception) -> OutputError:
    return OutputError(
        f"the GeoPackage does not let the rates be changed ({problem})",
        where=called(prescription.path),
        cure="save the layer into a new GeoPackage with a mapping program, and rewrite that",
    )


def _is_empty(blob: Any) -> int:
    """Whether a geometry is empty, as its header says [GeoPackage 1.4, 2.1.3: bit 4 of the flags]."""
    return int(blob is None or len(blob) < 4 or bool(blob[3] & 0x10))


def _not_wanted(_: Any) -> float:
    raise ValueError("a trigger wants to index shapes anew")


def _fids(prescription: Prescription) -> list[int]:
    """Return the key of every row in the order in which they were read."""
    import pyogrio

    _, fids, _, _ = pyogrio.raw.read(
        prescription.path, layer=prescription.layer, columns=[], read_geometry=False, return_fids=True
    )
    if len(fids) != prescription.rows_read:
        raise OutputError(
            f"the layer has {len(fids)} rows where {prescription.rows_read} were read",
            where=called(prescription.path),
            cure="the file has changed meanwhile: run again, and let no other program write to it",
        )
    return [int(fid) for fid in fids]


def write_package(prescription: Prescription, changes: Changes, target: Path) -> None:
    """Copy a GeoPackage and change the rates in the copy.

    Parameters
    ----------
    prescription, changes
        What was read and what to write.
    target : Path
        The copy.

    Raises
    ------
    OutputError
        If a rate does not fit, the file has changed since it was read, or something in it resists.
    """
    _refuse_open(prescription.path)
    fids = _fids(prescription)
    shutil.copyfile(prescription.path, target)
    try:
        with closing(_open(target, "rw")) as connection:
            _update(connection, prescription, changes, fids)
    except sqlite3.Error as problem:
        raise _refused(prescription, problem) from problem
    # SQLite takes its journals away on closing; one left would end up beside the result.
    _refuse_open(target)


def _update(connection: sqlite3.Connection, prescription: Prescription, changes: Changes, fids: list[int]) -> None:
    connection.create_function("ST_IsEmpty", 1, _is_empty, deterministic=True)
    for name in ("ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
        connection.create_function(name, 1, _not_wanted, deterministic=True)
    # The copy is thrown away if anything fails; it needs no journal. A file in WAL mode keeps its own.
    if connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
        connection.execute("PRAGMA journal_mode = OFF")
    connection.execute("PRAGMA synchronous = OFF")
    table, column = _quoted(str(prescription.layer)), _quoted(changes.column)
    cells = dict(connection.execute(f"SELECT _rowid_, {column} FROM {table}"))
    keys = [fids[row] for row in changes.row.tolist()]
    missing = [at for at, key in enumerate(keys) if key not in cells]
    if missing:
        raise OutputError(
            "the row cannot be found again by its key",
            where=changes.where(missing[0]),
            cure="save the layer into a new GeoPackage with a mapping program, and rewrite that",
        )
    values = _new_values(
        changes, [cells[key] for key in keys], list(cells.values()), _declared_type(connection, prescription)
    )
    before = connection.total_changes
    connection.execute("BEGIN")
    connection.executemany(f"UPDATE {table} SET {column} = ? WHERE _rowid_ = ?", zip(values, keys, strict=True))
    connection.execute("COMMIT")
    if connection.total_changes - before != len(keys):
        raise OutputError(
            f"a trigger in the GeoPackage changes other things when '{changes.column}' changes",
            where=f"{called(prescription.path)}, layer {prescription.layer}",
            cure="save the layer into a new GeoPackage with a mapping program, and rewrite that",
        )


def _new_values(changes: Changes, cells: list[Any], column: list[Any], declared: str) -> list[Any]:
    if any(isinstance(cell, str) for cell in cells):
        limit = _LIMITED.fullmatch(declared)
        texts = [str(cell) for cell in cells]
        comma = column_writes_commas([cell for cell in column if isinstance(cell, str)])
        return list(restyled(changes, texts, comma=comma, width=int(limit[1]) if limit else None))
    changes.check_before(np.array(cells, dtype=float), slack=1e-7 if declared.upper() == "FLOAT" else 1e-12)
    if declared.upper() in _WHOLE:
        return list(whole_numbers(changes, float(2 ** _WHOLE[declared.upper()] - 1)))
    return list(changes.after.tolist())
