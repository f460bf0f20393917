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

__all__ = ["add_dbf_columns", "fits_dbf"]

# What GDAL makes of a double, and the room it gives a text of no stated width [GDAL Shapefile driver page].
_NUMBER: Final = (24, 15)
_LEAST_TEXT: Final = 80
_FIELD: Final = struct.Struct("<11sc4xBB14x")
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
    places: dict[str, int] = {}
    at = np.array([places.setdefault(text or "", len(places)) for text in values.tolist()], dtype=np.int64)
    coded = [text.encode() for text in places]
    width = max(_LEAST_TEXT, *map(len, coded))
    table = np.frombuffer(b"".join(text.ljust(width) for text in coded), dtype=np.uint8)
    return table.reshape(-1, width)[at]


def fits_dbf(columns: Mapping[str, NDArray[Any]]) -> bool:
    """Whether all numbers have room with as many decimals; GDAL takes some off where one has not.

    Parameters
    ----------
    columns : mapping of str to ndarray
        As for `add_dbf_columns`.
    """
    most = 10.0 ** (_NUMBER[0] - _NUMBER[1] - 2)  # a sign, too
    return all(values.dtype.kind == "O" or bool((np.abs(np.nan_to_num(values)) < most).all())
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
        cells.append(_number_cells(values) if is_number else _text_cells(values))
        width = cells[-1].shape[1]
        fields += _FIELD.pack(name.encode(), b"N" if is_number else b"C", width, _NUMBER[1] if is_number else 0)
    if any(len(one) != count for one in cells):
        raise ValueError("the table has another number of records than there are zones")
    new_head, new_length = head + len(fields), sum(one.shape[1] for one in cells)
    if max(new_head, new_length) > _LONGEST:
        raise ValueError("the table is wider than a .dbf can be")
    front = bytearray(data[: head - 1].tobytes() + fields + data[head - 1 : head].tobytes())
    struct.pack_into("<HH", front, 8, new_head, new_length)
    with path.open("wb") as file:
        file.write(front)
        np.concatenate(cells, axis=1).tofile(file)
        file.write(data[head + count * length :].tobytes())
