"""Writing a prescription back with only its rates changed, every other byte or cell as it was."""

from __future__ import annotations

import filecmp
import shutil
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray
from geoflow.base.errors import GeoflowError, OutputError
from geoflow.base.subject import called
from geoflow.files.output import OutputFolder, disk_error, replace_file
from geoflow.layers.dbf import Dbf
from geoflow.layers.vector_source import FORMATS, open_source, read_table
from geoflow.prescription_files.columns import column_reader
from geoflow.prescription_patch.patch_cells import Changes, same_rate
from geoflow.prescription_patch.patch_check import package_difference, shapefile_difference
from geoflow.prescription_patch.patch_dbf import dbf_decimals, parts_of, patched_dbf, refuse_stale_index, write_zip
from geoflow.prescription_patch.patch_geojson import patched_geojson
from geoflow.prescription_patch.patch_geopackage import package_decimals, write_package
from geoflow.prescription_patch.patch_taskdata import task_decimals

if TYPE_CHECKING:
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["can_patch", "changes_of", "rate_decimals", "refuse_orphan_journals", "write_rewritten"]

_PATCHED: Final = ("shapefile", "zipped shapefile", "geojson", "geopackage")
_MANY_ROWS: Final = 10_000  # from here on a look at the bytes is worth its own ways
_CLOSE: Final = 1e-12  # a rate read back, relative; a 4-byte column is coarser
_CLOSE_SINGLE: Final = 1e-7


def rate_decimals(prescription: Prescription) -> int | None:
    """Return the decimals that the rate column of a file can hold; None where as many as needed.

    Parameters
    ----------
    prescription : Prescription
        As read.

    Raises
    ------
    OutputError
        If rates cannot be written into the column at all.
    PrescriptionError
        If the file cannot be opened again.
    """
    if prescription.file_format == "task data":
        return task_decimals(prescription)
    if prescription.file_format == "geojson" or prescription.file_format not in _PATCHED:
        return None
    if prescription.file_format == "geopackage":
        return package_decimals(prescription)
    with open_source(prescription.path, prescription.layer) as source:
        return dbf_decimals(prescription, _dbf(source.data))


def write_rewritten(
    prescription: Prescription,
    new_rate: FloatArray,
    changed: BoolArray,
    target: Path,
    *,
    replace: bool,
    protect: tuple[Path, ...],
    watched: bool = False,
) -> None:
    """Write a prescription with new rates and nothing else new.

    The bytes outside the changed rates are the input's: shapes, order, attributes, types, widths, text code, CRS.
    What is written is read back before it moves into place; a kill at any moment leaves the old file or the new.

    Parameters
    ----------
    prescription : Prescription
        As read.
    new_rate : ndarray of float, shape (n,)
        Rate of every zone kept, in `prescription.rate_unit`, rounded to what `rate_decimals` allows.
    changed : ndarray of bool, shape (n,)
        Which of them to write; all others are left as they stand.
    target : Path
        The file to write, of the same format.
    replace : bool
        Whether it may replace an existing file.
    protect : tuple of Path
        Files that are never written over; the prescription itself is always one of them.
    watched : bool
        Whether somebody sees to it that the prescription's files are still as they were read. Then those of many rows
        are compared with what is written byte by byte or cell by cell, in place of reading all of it back.

    Raises
    ------
    OutputError
        If a rate does not fit its column, or the target may not or cannot be written.
    PrescriptionError
        If the prescription cannot be opened again.
    """
    target = Path(target)
    _check_ending(prescription, target)
    changes = changes_of(prescription, new_rate, changed)
    check = partial(_verify, prescription, changes, watched and prescription.rows_read >= _MANY_ROWS)
    try:
        if prescription.file_format == "shapefile":
            _write_shapefile(prescription, changes, target, check, replace=replace, protect=protect)
        else:
            _write_file(prescription, changes, target, check, replace=replace, protect=(prescription.path, *protect))
    except OSError as problem:
        raise disk_error(problem, target) from problem


def can_patch(prescription: Prescription, target: Path) -> bool:
    """Whether a file of the target's name is of the prescription's own format, and one whose bytes can be patched.

    Parameters
    ----------
    prescription : Prescription
        As read.
    target : Path
        The file to write.
    """
    own = FORMATS.get(Path(target).suffix.casefold())
    return prescription.file_format in _PATCHED and own == prescription.file_format


def refuse_orphan_journals(target: Path) -> None:
    """Refuse a GeoPackage beside whose name a journal lies: SQLite would play its old changes into the new file.

    Parameters
    ----------
    target : Path
        The file to write.

    Raises
    ------
    OutputError
        If there is one.
    """
    for ending in ("-wal", "-journal"):
        if target.with_name(target.name + ending).exists():
            raise OutputError(
                f"'{target.name}{ending}' of an earlier file lies beside it",
                where=str(target),
                cure="choose another name, or take it away",
            )


def _check_ending(prescription: Prescription, target: Path) -> None:
    if not can_patch(prescription, target):
        wanted = next((known for known, name in FORMATS.items() if name == prescription.file_format), ".gpkg")
        raise OutputError(
            f"the prescription is a {prescription.file_format} and is written back as one, not as '{target.suffix}'",
            where=str(target),
            cure=f"name it {target.stem or 'rewritten'}{wanted}",
        )


def changes_of(prescription: Prescription, new_rate: FloatArray, changed: BoolArray) -> Changes:
    """Return the rates to write in file order, those of rows left out as duplicates among them.

    Parameters
    ----------
    prescription : Prescription
        As read.
    new_rate : ndarray of float, shape (n,)
        Rate of every zone kept, in `prescription.rate_unit`.
    changed : ndarray of bool, shape (n,)
        Which of them to write.

    Raises
    ------
    OutputError
        If one is no rate.
    """
    which = np.flatnonzero(changed)
    row, after = prescription.row[which], np.asarray(new_rate, dtype=float)[which]
    wrong = np.flatnonzero(~np.isfinite(after) | (after < 0.0))
    if wrong.size:
        raise OutputError(
            f"the new rate {after[wrong[0]]:g} is no rate",
            where=f"{called(prescription.path)}, row {row[wrong[0]] + 1}",
            cure="give a number from 0 up",
        )
    before = prescription.rate[which]
    # A row left out as a duplicate stays in the file: with its old rate it would contradict the row it repeats.
    place = {int(kept): at for at, kept in enumerate(row)}
    twins = [(twin, place[kept]) for twin, kept in prescription.repeats.items() if kept in place]
    if twins:
        twin, at = (np.array(column, dtype=np.int64) for column in zip(*twins, strict=True))
        row, before, after = (np.concatenate(pair) for pair in ((row, twin), (before, before[at]), (after, after[at])))
    order = np.argsort(row)
    return Changes(prescription.path, prescription.rate_column, row[order], before[order], after[order])


def _write_file(
    prescription: Prescription,
    changes: Changes,
    target: Path,
    check: Callable[[Path], None],
    *,
    replace: bool,
    protect: tuple[Path, ...],
) -> None:
    """Write one file of a format that is one file."""
    if prescription.file_format == "geopackage":
        refuse_orphan_journals(target)

    def write(staged: Path) -> None:
        if prescription.file_format == "geojson":
            staged.write_bytes(patched_geojson(prescription.path.read_bytes(), changes, prescription.rows_read))
        elif prescription.file_format == "geopackage":
            write_package(prescription, changes, staged)
        else:
            with open_source(prescription.path, prescription.layer) as source:
                write_zip(prescription, changes, _dbf(source.data), staged)
        check(staged)

    replace_file(target, write, replace=replace, protect=protect)


def _dbf(shapefile: Path) -> Path:
    return next(part for part in parts_of(shapefile).values() if _kind(part, shapefile) == ".dbf")


def _write_shapefile(
    prescription: Prescription,
    changes: Changes,
    target: Path,
    check: Callable[[Path], None],
    *,
    replace: bool,
    protect: tuple[Path, ...],
) -> None:
    """Write a new family of files, or new rates into one that has the same shapes."""
    parts = parts_of(prescription.path)
    refuse_stale_index([path.name for path in parts.values()], prescription)
    there = {_kind(path, target): path for path in parts_of(target).values()}
    # Without its .shx a shapefile cannot be read, so there is nothing whole that could be torn apart.
    replaced = there if replace and ".shx" in there else {}
    content = patched_dbf(prescription, changes, _dbf(prescription.path))
    with OutputFolder(target.parent, replace=replace, protect=(*parts.values(), *protect)) as folder:
        folder.claim((target.name,))
        staged = {}
        for ending, part in parts.items():
            kind = ending.casefold()
            name = target.name if kind == ".shp" else target.stem + ending
            staged[kind] = folder.stage(replaced[kind].name if kind in replaced else name)
            shutil.copyfile(part, staged[kind])
        staged[".dbf"].write_bytes(content)
        check(staged[".shp"])
        if replaced:
            _check_same_shapes(staged, replaced, target)
            for other in staged.keys() - {".dbf"}:
                staged[other].unlink()


def _kind(part: Path, shapefile: Path) -> str:
    return part.name[len(shapefile.stem) :].casefold()


def _check_same_shapes(staged: dict[str, Path], there: dict[str, Path], target: Path) -> None:
    """Refuse to replace a shapefile with other shapes: its files can only be moved one by one, not at once."""
    differing = sorted(
        kind
        for kind in staged.keys() | there.keys()
        if kind not in staged
        or kind not in there
        or (kind != ".dbf" and not filecmp.cmp(staged[kind], there[kind], shallow=False))
    )
    if differing:
        raise OutputError(
            f"a shapefile with other content is there ({', '.join(differing)}), and a shapefile cannot be replaced in "
            "one stroke",
            where=str(target),
            cure="choose another name, delete the old shapefile first, or give the prescription as a .zip",
        )


def _verify(prescription: Prescription, changes: Changes, by_bytes: bool, staged: Path) -> None:
    """Refuse the staged file if anything but the rates differs from what was read."""
    difference = _told_by_bytes(prescription, changes, staged) if by_bytes else None
    if difference is None:
        difference = _told_by_reading(prescription, changes, staged)
    if difference:
        raise _unfaithful(prescription, difference)


def _told_by_bytes(prescription: Prescription, changes: Changes, staged: Path) -> str | None:
    if prescription.file_format == "shapefile":
        return shapefile_difference(prescription, changes, staged)
    return package_difference(prescription, changes, staged) if prescription.file_format == "geopackage" else None


def _told_by_reading(prescription: Prescription, changes: Changes, staged: Path) -> str:
    try:
        with open_source(staged, prescription.layer if prescription.file_format != "geojson" else None) as source:
            table, dbf, _ = read_table(source)
    except GeoflowError as problem:
        return f"it cannot be read back: {problem.what}"
    return _difference(table, prescription.table, changes, dbf)


def _difference(table: Any, old: Any, changes: Changes, dbf: Dbf | None) -> str:
    """What differs from the table as read beside the rates that were to change; empty where nothing does."""
    import shapely

    if list(table.columns) != list(old.columns) or len(table) != len(old) or table.crs != old.crs:
        return "columns, rows or coordinate system differ"
    if not np.array_equal(*(shapely.to_wkb(both.geometry.to_numpy(), flavor="iso") for both in (table, old))):
        return "shapes differ"
    new, was = (both.drop(columns=both.geometry.name) for both in (table, old))
    rates = list(map(str, was.columns)).index(changes.column)
    if told := _column_difference(new, was, changes, rates):
        return told
    read = column_reader(table, dbf)(rates)
    slack = _CLOSE_SINGLE if new.iloc[:, rates].dtype == np.float32 else _CLOSE
    same = read is not None and same_rate(read.values[changes.row], changes.after, slack).all()
    return "" if same else "the new rates are read back as others"


def _column_difference(new: Any, was: Any, changes: Changes, rates: int) -> str:
    """What differs in a column, or in the one of the rates where they were to stay."""
    stays = np.ones(len(was), dtype=bool)
    stays[changes.row] = False
    for at, name in enumerate(was.columns):
        rows = stays if at == rates else slice(None)
        if not _alike(new.iloc[rows, at], was.iloc[rows, at]):
            return "rates differ that were to stay" if at == rates else f"the column '{name}' differs"
    return ""


def _alike(one: Any, other: Any) -> bool:
    """Whether two columns say the same; a GeoJSON column may turn from whole to real with its rates."""
    if one.dtype.kind in "fiu" and other.dtype.kind in "fiu":
        return np.array_equal(one.to_numpy(dtype=float), other.to_numpy(dtype=float), equal_nan=True)
    return bool(one.reset_index(drop=True).equals(other.reset_index(drop=True)))


def _unfaithful(prescription: Prescription, why: str) -> OutputError:
    return OutputError(
        f"nothing was written: the check of the new file failed ({why})",
        where=called(prescription.path),
        cure="save the prescription anew with a mapping program, and rewrite that; tell us, too",
    )
