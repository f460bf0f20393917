"""New rates in the bytes of a DBF file, and shapefiles copied around it."""

from __future__ import annotations

import copy
import struct
import warnings
import zipfile
import zlib
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.base.errors import OutputError
from geoflow.base.subject import called
from geoflow.files.inputs import beside, files_of
from geoflow.layers.dbf import Dbf, DbfField, read_dbf
from geoflow.prescription_patch.patch_cells import (
    Changes,
    column_writes_commas,
    number_texts,
    numbers_in,
    restyled,
    room_beside_text,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["dbf_decimals", "parts_of", "patched_dbf", "refuse_stale_index", "write_zip"]

_VALUE_INDEXES: Final = {".idm", ".ind", ".mdx", ".cdx", ".ndx", ".ain", ".aih", ".atx"}


def parts_of(shapefile: Path) -> dict[str, Path]:
    """Return the files of a shapefile that exist, by the end of their names as written.

    Parameters
    ----------
    shapefile : Path
        The .shp.
    """
    size = len(shapefile.stem)
    return {path.name[size:]: path for path in files_of(shapefile) or beside(shapefile)}


def refuse_stale_index(names: list[str], prescription: Prescription) -> None:
    """Refuse a shapefile with an index of its values, which would tell the old rates.

    Parameters
    ----------
    names : list of str
        Of the files.
    prescription : Prescription
        As read.

    Raises
    ------
    OutputError
        If one of the file names is such an index.
    """
    column = f".{prescription.rate_column}.atx".casefold()
    for name in names:
        ending = PurePosixPath(name).suffix.casefold()
        if ending in _VALUE_INDEXES and (ending != ".atx" or name.casefold().endswith(column)):
            raise OutputError(
                f"'{name}' is an index of the old rates and would be wrong for the new ones",
                where=called(prescription.path),
                cure="take that one file away; programs that want it make it again",
            )


def _field(prescription: Prescription, dbf: Dbf) -> DbfField:
    names = [str(name) for name in prescription.table.columns if name != prescription.table.geometry.name]
    if names.count(prescription.rate_column) != 1 or len(names) != len(dbf.fields):
        raise OutputError(
            f"the .dbf has {len(dbf.fields)} columns where {len(names)} were read, or '{prescription.rate_column}' "
            "is the name of several",
            where=called(prescription.path),
            cure="save the prescription again with a mapping program, each column with its own name",
        )
    field = dbf.fields[names.index(prescription.rate_column)]
    if field.kind not in "NFC":
        raise OutputError(
            f"the column '{prescription.rate_column}' is of kind '{field.kind}', neither a number nor text",
            where=called(prescription.path),
            cure="save the prescription with the rates as numbers (kind N) and rewrite that",
        )
    return field


def _cells(dbf: Dbf, field: DbfField, records: NDArray[np.intp]) -> list[str]:
    """Cells as they are, a letter for a byte, so that text in any code comes back unharmed."""
    raw = dbf.cells[records, field.start : field.start + field.width]
    return [cell.tobytes().decode("latin-1") for cell in raw]


def dbf_decimals(prescription: Prescription, part: Path) -> int:
    """Return the decimals that the rate column of a DBF file can hold.

    Parameters
    ----------
    prescription : Prescription
        As read.
    part : Path
        The .dbf.

    Raises
    ------
    OutputError
        If the column is neither number nor text.
    """
    dbf = read_dbf(part, where=called(prescription.path))
    field = _field(prescription, dbf)
    if field.kind == "C":
        cells = _cells(dbf, field, np.flatnonzero(~dbf.deleted)[prescription.row])
        plain = [cell.replace("\0", " ").strip() for cell in cells]
        return room_beside_text(plain, field.width, float(prescription.rate.max()))
    return field.decimals


def patched_dbf(prescription: Prescription, changes: Changes, part: Path) -> bytes:
    """Return the bytes of a DBF file with only the cells of the changed rates replaced.

    Parameters
    ----------
    prescription, changes
        What was read and what to write.
    part : Path
        The .dbf.

    Raises
    ------
    OutputError
        If a rate does not fit its field, or the file has changed since it was read.
    """
    dbf = read_dbf(part, where=called(prescription.path))
    field = _field(prescription, dbf)
    records = np.flatnonzero(~dbf.deleted)
    cells = _cells(dbf, field, records[changes.row])
    if field.kind == "C":
        texts = _text_cells(changes, cells, field, _cells(dbf, field, records[prescription.row]))
    else:
        # A cell like "120,5" is no dBase number; the new one is.
        changes.check_before(numbers_in(cells).values)
        texts = number_texts(changes, field.width, field.decimals)
    image = np.fromfile(part, dtype=np.uint8)
    header, length = struct.unpack_from("<HH", image[:12].tobytes(), 8)
    table = image[header : header + len(dbf.cells) * length].reshape(-1, length)
    if texts:
        new = np.frombuffer("".join(texts).encode("latin-1"), dtype=np.uint8).reshape(-1, field.width)
        table[records[changes.row], field.start : field.start + field.width] = new
    return image.tobytes()


def _text_cells(changes: Changes, cells: list[str], field: DbfField, column: list[str]) -> list[str]:
    """New text cells, filled up on the side and with the blanks or zero bytes they had."""
    plain = [cell.replace("\0", " ").strip(" ") for cell in cells]
    texts = restyled(changes, plain, comma=column_writes_commas(column), width=field.width)
    filled = []
    for cell, text in zip(cells, texts, strict=True):
        fill = "\0" if cell.endswith("\0") else " "
        at_right = cell.startswith(" ") and not cell.endswith((" ", "\0"))
        filled.append(text.rjust(field.width) if at_right else text.ljust(field.width, fill))
    return filled


def _rates_member(archive: zipfile.ZipFile, prescription: Prescription) -> zipfile.ZipInfo:
    """Return the member of a zip that holds the rates.

    Raises
    ------
    OutputError
        If several shapefiles in it have the name of the one read.
    """
    members = {entry.filename: entry for entry in archive.infolist() if not entry.is_dir()}
    stems = [
        name[:-4]
        for name in members
        if name.casefold().endswith(".shp")
        and not PurePosixPath(name).name.startswith("._")
        and PurePosixPath(name[:-4]).name == prescription.layer
    ]
    if len(stems) != 1:
        raise OutputError(
            f"the zip holds {len(stems)} shapefiles named '{prescription.layer}'",
            where=called(prescription.path),
            cure="unpack it and give the .shp",
        )
    refuse_stale_index([name for name in members if name.startswith(stems[0] + ".")], prescription)
    found = [entry for name, entry in members.items() if name.casefold() == f"{stems[0]}.dbf".casefold()]
    return found[-1]


def write_zip(prescription: Prescription, changes: Changes, part: Path, target: Path) -> None:
    """Write a zip with the same members, names and times, and new rates in its .dbf.

    Parameters
    ----------
    prescription, changes
        What was read and what to write.
    part : Path
        The .dbf, unpacked.
    target : Path
        The zip to write.

    Raises
    ------
    OutputError
        If a rate does not fit, or a member cannot be copied.
    """
    content = patched_dbf(prescription, changes, part)
    try:
        with zipfile.ZipFile(prescription.path) as old, zipfile.ZipFile(target, "w") as new, warnings.catch_warnings():
            warnings.simplefilter("ignore")  # two members of one name are kept as they are
            rates = _rates_member(old, prescription)
            new.comment = old.comment
            for entry in old.infolist():
                data = content if entry is rates else old.read(entry)
                new.writestr(copy.copy(entry), data)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, ValueError) as problem:
        raise OutputError(
            f"a member of the zip cannot be copied ({problem})",
            where=called(prescription.path),
            cure="unpack it and give the .shp",
        ) from problem
