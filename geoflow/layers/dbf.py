"""The raw text of a DBF column, because GDAL reads "120,5" as 120 and "150 lb" as 150 without a word."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from geoflow.base.errors import PrescriptionError

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

__all__ = ["Dbf", "DbfField", "read_dbf"]

_DESCRIPTOR = struct.Struct("<11sc4xBB14x")
_END_OF_FIELDS, _DELETED = 0x0D, ord("*")


@dataclass(frozen=True, slots=True)
class DbfField:
    """One column: name, type letter, first byte in the record, width and decimals."""

    name: str
    kind: str
    start: int
    width: int
    decimals: int


@dataclass(frozen=True)
class Dbf:
    """The records of a DBF file as bytes.

    Attributes
    ----------
    fields : tuple of DbfField
        Columns in file order.
    cells : ndarray of uint8, shape (records, record length)
        Raw bytes; the first of each record is its deletion mark.
    """

    fields: tuple[DbfField, ...]
    cells: NDArray[np.uint8]

    @property
    def deleted(self) -> NDArray[np.bool_]:
        """Which records are marked deleted, shape (records,)."""
        return np.asarray(self.cells[:, 0] == _DELETED)

    def text(self, index: int) -> NDArray[np.str_]:
        """Return what is written in one column, shape (records not deleted,), stripped of blanks.

        Parameters
        ----------
        index : int
            Place of the column in `fields`.
        """
        field = self.fields[index]
        if field.width == 0:  # a column without room says nothing
            return np.full(np.count_nonzero(~self.deleted), "", dtype=np.str_)
        raw = np.ascontiguousarray(self.cells[~self.deleted, field.start : field.start + field.width])
        raw = np.where(raw == 0, ord(" "), raw).astype(np.uint8)
        # Widening Latin-1 bytes to code points decodes them at once.
        wide: Any = raw.astype(np.uint32).view(f"U{field.width}").ravel()
        return np.asarray(np.char.strip(wide), dtype=np.str_)


def read_dbf(path: Path, *, where: str, mapped: bool = False) -> Dbf:
    """Read the columns and raw records of a DBF file.

    Parameters
    ----------
    path : Path
        The file.
    where : str
        What to call it in an error.
    mapped : bool
        Whether its bytes are left on the disk until they are looked at.

    Raises
    ------
    PrescriptionError
        If it is no DBF file or ends before its last record.
    """
    mapped = mapped and path.stat().st_size > 0
    data = np.memmap(path, dtype=np.uint8, mode="r") if mapped else np.fromfile(path, dtype=np.uint8)
    cure = "copy or export the shapefile again, with all its parts"
    if data.size < 33:
        raise PrescriptionError("the .dbf with the rates is empty or cut off", where=where, cure=cure)
    records, header, length = struct.unpack_from("<IHH", data[:12].tobytes(), 4)
    fields, start, at = [], 1, 32
    while at + 32 <= min(header, data.size) and data[at] != _END_OF_FIELDS:
        name, kind, width, decimals = _DESCRIPTOR.unpack(data[at : at + 32].tobytes())
        fields.append(DbfField(name.split(b"\0")[0].decode("latin-1"), kind.decode("latin-1"), start, width, decimals))
        start, at = start + width, at + 32
    if not fields or start > length or header <= 32:
        raise PrescriptionError("the .dbf with the rates is not a dBase table", where=where, cure=cure)
    if data.size < header + records * length:
        whole = max(0, (data.size - header) // length)
        raise PrescriptionError(
            f"the .dbf with the rates is cut off: it promises {records} records and holds {whole}",
            where=where,
            cure=cure,
        )
    return Dbf(tuple(fields), data[header : header + records * length].reshape(records, length))
