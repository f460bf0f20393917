"""Whether a patched file differs from the one read in nothing but its rates, told by what stands in the files.

Where all bytes or cells but those of the rates are the same, reading both gives the same shapes and columns; only the
rates have to be read again. The other formats are read again whole.
"""

from __future__ import annotations

import filecmp
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from geoflow.base.errors import GeoflowError
from geoflow.layers.dbf import Dbf, read_dbf
from geoflow.layers.notes import library_words
from geoflow.layers.number_cells import parse_numbers
from geoflow.prescription_patch.patch_cells import Changes, same_rate
from geoflow.prescription_patch.patch_dbf import parts_of

if TYPE_CHECKING:
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["package_difference", "shapefile_difference"]

_OTHERS = "the new rates are read back as others"


def shapefile_difference(prescription: Prescription, changes: Changes, staged: Path) -> str | None:
    """What differs beside the rates that were to change; empty where nothing does, None where that is to be read.

    Parameters
    ----------
    prescription, changes
        What was read and what was written.
    staged : Path
        The new .shp, its companions beside it.
    """
    old, new = (
        {part.name[len(main.stem) :].casefold(): part for part in parts_of(main).values()}
        for main in (prescription.path, staged)
    )
    if old.keys() != new.keys():
        return "the new file has other parts"
    differing = [kind for kind in old if kind != ".dbf" and not filecmp.cmp(old[kind], new[kind], shallow=False)]
    if differing:
        return f"its {', '.join(sorted(differing))} differs"
    return _table_difference(prescription, changes, old[".dbf"], new[".dbf"])


def _table_difference(prescription: Prescription, changes: Changes, old: Path, new: Path) -> str | None:
    """Compare two tables byte by byte but for the cells of the rates, and read the new rates."""
    names = [str(name) for name in prescription.table.columns if name != prescription.table.geometry.name]
    try:
        was, now = (read_dbf(path, where=path.name) for path in (old, new))
    except GeoflowError as problem:
        return f"it cannot be read back: {problem.what}"
    at = names.index(changes.column)
    field = was.fields[at]
    if field.kind not in "NF" or names.count(changes.column) != 1 or len(was.fields) != len(names):
        return None
    before, after = (np.fromfile(path, dtype=np.uint8) for path in (old, new))
    if was.fields != now.fields or before.size != after.size or was.cells.shape != now.cells.shape:
        return "the table differs"
    head = int.from_bytes(before[8:10].tobytes(), "little")
    records = np.flatnonzero(~was.deleted)[changes.row]
    cells = after[head : head + now.cells.size].reshape(now.cells.shape)
    cells[records, field.start : field.start + field.width] = was.cells[
        records, field.start : field.start + field.width
    ]
    if not np.array_equal(before, after):
        return "the table differs beside the new rates"
    return _rates_difference(now, at, changes)


def _rates_difference(now: Dbf, at: int, changes: Changes) -> str:
    return "" if same_rate(parse_numbers(now.text(at)).values[changes.row], changes.after).all() else _OTHERS


def package_difference(prescription: Prescription, changes: Changes, staged: Path) -> str | None:
    """What differs in the layer beside the rates that were to change; empty where nothing does, None where that is
    to be read.

    Parameters
    ----------
    prescription, changes
        What was read and what was written.
    staged : Path
        The new GeoPackage.
    """
    found = _cells_difference(prescription, changes, staged)
    return _package_rates_difference(prescription, changes, staged) if found == "" else found


def _cells_difference(prescription: Prescription, changes: Changes, staged: Path) -> str | None:
    """What SQLite finds to differ between two layers, beside as many rates as were to change."""
    layer, rates = _quoted(str(prescription.layer)), _quoted(changes.column)
    # Each is closed and has no journal, which was seen to; nothing is made beside what was read.
    files = [f"{path.resolve().as_uri()}?immutable=1" for path in (prescription.path, staged)]
    both_files = ("main", "new")
    try:
        with closing(sqlite3.connect(files[0], uri=True)) as base:
            base.execute("ATTACH ? AS new", files[1:])
            described = [base.execute(f"PRAGMA {where}.table_info({layer})").fetchall() for where in both_files]
            laid = [
                base.execute(f"SELECT type, name, tbl_name, sql FROM {where}.sqlite_master ORDER BY 1, 2").fetchall()
                for where in both_files
            ]
            others = [_quoted(name) for _, name, *_ in described[0] if name != changes.column]
            differs = " OR ".join(["0", *(f"old.{name} IS NOT new.{name}" for name in others)])
            counts = [base.execute(f"SELECT count(*) FROM {where}.{layer}").fetchone()[0] for where in both_files]
            both, different, moved = base.execute(
                f"SELECT count(*), total({differs}), total(old.{rates} IS NOT new.{rates}) "
                f"FROM main.{layer} AS old JOIN new.{layer} AS new ON old._rowid_ = new._rowid_"
            ).fetchone()
    except sqlite3.Error:
        return None
    if laid[0] != laid[1] or described[0] != described[1] or {both, prescription.rows_read} != set(counts) or different:
        return "the layer differs beside the new rates"
    return "rates differ that were to stay" if moved > changes.row.size else ""


def _package_rates_difference(prescription: Prescription, changes: Changes, staged: Path) -> str:
    """Read the rates of a new layer again."""
    import pyogrio

    try:
        read = pyogrio.raw.read(staged, layer=prescription.layer, columns=[changes.column], read_geometry=False)[3][0]
    except RuntimeError as problem:
        return f"it cannot be read back: {library_words(problem)}"
    values = parse_numbers(read).values
    if values.size != prescription.rows_read:
        return "rows differ"
    slack = 1e-7 if read.dtype == np.float32 else 1e-12
    if not same_rate(values[changes.row], changes.after, slack).all():
        return _OTHERS
    stay = np.ones(values.size, dtype=np.bool_)
    stay[changes.row] = False
    was = parse_numbers(prescription.table[changes.column].to_numpy(dtype=object)[stay]).values
    return "" if np.array_equal(values[stay], was, equal_nan=True) else "rates differ that were to stay"


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
