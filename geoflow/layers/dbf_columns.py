"""More columns in the .dbf of a Shapefile that GDAL has just written, byte for byte as GDAL itself lays them out.

GDAL writes a table cell by cell, and all of it again whenever a text is longer than its column so far.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["add_dbf_columns", "fits_dbf", "write_dbf"]

# What GDAL makes of a double, and the room it gives a text of no stated width [GDAL Shapefile driver page].
_NUMBER: Final = (24, 15)
_LEAST_TEXT: Final = 80
_FIELD: Final = struct.Struct("<11sc4xBB14x")
_HEAD: Final = 32
_WIDTH_AT: Final = 16  # of a field
_LONGEST: Final = 65_535  # bytes of a head or a record, which are stated in two


def _number_cells(values: NDArray[np.float64]) -> NDArray[np.uint8]:
    width, decimals = _NUMBER
    missing = np.isnan(values)
    # Equal numbers are written once (by their bits: minus zero keeps its sign); those of a map come round often.
    bits, back = np.unique(np.where(missing, 0.0, values).view(np.int64), return_inverse=True)
    distinct = bits.view(np.float64)
    texts = "".join([f"{value:{width}.{decimals}f}" for value in distinct.tolist()])
    if len(texts) != width * distinct.size:
        raise ValueError("a number is wider than its column")
    cells = np.frombuffer(texts.encode("ascii"), dtype=np.uint8).reshape(-1, width)[back]
    cells[missing] = ord("*")  # no value, as shapelib writes it
    return cells


def _text_cells(values: NDArray[Any]) -> NDArray[np.uint8]:
    import pandas

    at, texts = pandas.factorize(values)
    coded = [text.encode() for text in (*texts.tolist(), "")]  # None is the last
    width = max(_LEAST_TEXT, *map(len, coded))
    table = np.frombuffer(b"".join(text.ljust(width) for text in coded), dtype=np.uint8)
    cells: NDArray[np.uint8] = table.reshape(-1, width)[at]
    return cells


def _whole_cells(values: NDArray[Any], width: int) -> NDArray[np.uint8]:
    distinct, back = np.unique(values, return_inverse=True)
    texts = "".join([f"{value:{width}d}" for value in distinct.tolist()])
    if len(texts) != width * distinct.size:
        raise ValueError("a number is wider than its column")
    return np.frombuffer(texts.encode("ascii"), dtype=np.uint8).reshape(-1, width)[back]


def _cells(values: NDArray[Any]) -> NDArray[np.uint8]:
    return _number_cells(values) if values.dtype.kind == "f" else _text_cells(values)


def fits_dbf(columns: Mapping[str, NDArray[Any]]) -> bool:
    """Whether all numbers have room with as many decimals; GDAL takes some off where one has not.

    Parameters
    ----------
    columns : mapping of str to ndarray
        As for `add_dbf_columns`.
    """
    most = 10.0 ** (_NUMBER[0] - _NUMBER[1] - 2)  # a sign, too
    return all(values.dtype.kind != "f" or bool((np.abs(np.nan_to_num(values)) < most).all())
               for values in columns.values())  # fmt: skip


def add_dbf_columns(path: Path, columns: Mapping[str, NDArray[Any]]) -> None:
    """Put columns behind those of a .dbf.

    Parameters
    ----------
    path : Path
        The .dbf as GDAL closed it, no record deleted.
    columns : mapping of str to ndarray, shape (records,)
        Name of at most 10 bytes to doubles, NaN for none, or to texts in UTF-8 of at most 254 bytes, None for none.

    Raises
    ------
    ValueError
        If the file has another number of records, or the columns are too wide for one.
    """
    data = np.fromfile(path, dtype=np.uint8)
    count, head, length = struct.unpack_from("<IHH", data[:12].tobytes(), 4)
    records = data[head : head + count * length].reshape(count, length)
    cells, fields = [records], b""
    for name, values in columns.items():
        is_number = values.dtype.kind == "f"
        cells.append(_cells(values))
        fields += _field(name, cells[-1].shape[1], is_number=is_number)
    front, back = data[: head - 1].tobytes() + fields + data[head - 1 : head].tobytes(), data[head + count * length :]
    _put(path, front, cells, back.tobytes())


def _field(name: str, width: int, *, is_number: bool) -> bytes:
    return _FIELD.pack(name.encode(), b"N" if is_number else b"C", width, _NUMBER[1] if is_number else 0)


def _put(path: Path, front: bytes, cells: list[NDArray[np.uint8]], back: bytes) -> None:
    """Write a table from its head with the fields, its columns and what stands behind them."""
    if any(len(one) != len(cells[0]) for one in cells):
        raise ValueError("the table has another number of records than there are zones")
    length, head = sum(one.shape[1] for one in cells), bytearray(front)
    if max(len(head), length) > _LONGEST:
        raise ValueError("the table is wider than a .dbf can be")
    struct.pack_into("<IHH", head, 4, len(cells[0]), len(head), length)
    with path.open("wb") as file:
        file.write(head)
        np.concatenate(cells, axis=1).tofile(file)
        file.write(back)


def write_dbf(path: Path, columns: Mapping[str, NDArray[Any]]) -> bool:
    """Write all records of a table; return False, and write nothing, where GDAL itself has to fit its columns.

    Parameters
    ----------
    path : Path
        The .dbf of the first record alone, as GDAL closed it.
    columns : mapping of str to ndarray, shape (records,)
        All columns in the order and under the names they have there: doubles, NaN for none, whole numbers, or texts in
        UTF-8 of at most 254 bytes, None for none.
    """
    if not fits_dbf(columns):
        return False
    data = path.read_bytes()
    head, length = struct.unpack_from("<HH", data, 8)
    described = [data[at : at + _HEAD] for at in range(_HEAD, head - 1, _HEAD)]
    cells: list[NDArray[np.uint8]] = [np.full((len(next(iter(columns.values()))), 1), ord(" "), dtype=np.uint8)]
    fields = b""
    for field, (name, values) in zip(described, columns.items(), strict=True):
        known, kind, width, decimals = _FIELD.unpack(field)
        wanted = {"f": (b"N", *_NUMBER), "i": (b"N", width, 0)}.get(values.dtype.kind, (b"C", width, 0))
        if known.rstrip(b"\0") != name.encode() or (kind, width, decimals) != wanted:
            return False
        if values.dtype.kind == "i" and len(str(np.abs(values).max())) >= width:
            return False
        cells.append(_whole_cells(values, width) if values.dtype.kind == "i" else _cells(values))
        fields += field[:_WIDTH_AT] + bytes([cells[-1].shape[1]]) + field[_WIDTH_AT + 1 :]
    _put(path, data[:_HEAD] + fields + data[head - 1 : head], cells, data[head + length :])
    return True
