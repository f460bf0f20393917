"""Writes GeoTIFF files byte by byte, so that no library decides what a tag means."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from pathlib import Path

import numpy as np

AREA, POINT = 1, 2
# Field types of TIFF 6.0, section 2: number and pack format.
_TYPES = {"ascii": (2, "s"), "short": (3, "H"), "long": (4, "I"), "double": (12, "d")}


def write_geotiff(
    path: Path,
    cells: np.ndarray,
    *,
    epsg: int | None = 26915,
    geographic: bool = False,
    raster_type: int = AREA,
    corner: tuple[float, float] | None = None,
    size: tuple[float, float] = (10.0, 10.0),
    matrix: Sequence[float] | None = None,
    nodata: str | None = None,
    order: str = "<",
) -> Path:
    """Write one band without compression.

    `corner` and `size` become ModelTiepoint (of raster point 0, 0) and ModelPixelScale, `matrix` (a, b, c, d, e, f)
    the ModelTransformation [OGC GeoTIFF 1.1, annex B and clause 7].
    """
    kind = {"u": 1, "i": 2, "f": 3}[cells.dtype.kind]  # SampleFormat
    data = cells.astype(cells.dtype.newbyteorder(order)).tobytes()
    rows, columns = cells.shape
    tags: list[tuple[int, str, Sequence[float] | bytes]] = [
        (256, "long", [columns]),
        (257, "long", [rows]),
        (258, "short", [cells.dtype.itemsize * 8]),
        (259, "short", [1]),
        (262, "short", [1]),
        (273, "long", [8]),
        (277, "short", [1]),
        (278, "long", [rows]),
        (279, "long", [len(data)]),
        (339, "short", [kind]),
    ]
    if corner is not None:
        tags.append((33550, "double", [*size, 0.0]))
        tags.append((33922, "double", [0.0, 0.0, 0.0, *corner, 0.0]))
    if matrix is not None:
        a, b, c, d, e, f = matrix
        tags.append((34264, "double", [a, b, 0, c, d, e, 0, f, 0, 0, 0, 0, 0, 0, 0, 1]))
    keys = [(1024, 2 if geographic else 1), (1025, raster_type)]
    if epsg is not None:
        keys.append((2048 if geographic else 3072, epsg))
    tags.append((34735, "short", [1, 1, 0, len(keys), *(n for key, value in keys for n in (key, 0, 1, value))]))
    if nodata is not None:
        tags.append((42113, "ascii", nodata.encode() + b"\0"))
    head = (b"II*\0" if order == "<" else b"MM\0*") + struct.pack(order + "I", 8 + len(data))
    entries, beyond = b"", b""
    start = 8 + len(data) + 2 + 12 * len(tags) + 4
    for number, name, values in sorted(tags, key=lambda tag: tag[0]):
        code, letter = _TYPES[name]
        packed = values if isinstance(values, bytes) else struct.pack(f"{order}{len(values)}{letter}", *values)
        entries += struct.pack(order + "HHI", number, code, len(values))
        if len(packed) <= 4:
            entries += packed.ljust(4, b"\0")
        else:
            entries += struct.pack(order + "I", start + len(beyond))
            beyond += packed + b"\0" * (len(packed) % 2)
    path.write_bytes(head + data + struct.pack(order + "H", len(tags)) + entries + b"\0" * 4 + beyond)
    return path
