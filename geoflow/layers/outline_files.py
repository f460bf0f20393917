"""The .shp and .shx of many plain outlines, byte for byte as GDAL lays them out.

GDAL takes every shape apart and writes it by itself, which costs more than all the rest of a Shapefile. Here all
records of as many corners are one array [ESRI Shapefile Technical Description, 1998: pp. 3-5 and 8-9].
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray
from geoflow.ground.rings import Rings

__all__ = ["are_outlines", "write_outlines"]

_HEAD: Final = 100
_RECORD: Final = 56  # bytes of a record of one ring before its corners
_POLYGON: Final = 5
# GDAL turns rings by the sign of a sum that rounding may decide: of each product, ten times what rounding makes of it.
_CERTAIN: Final = 1e-15


def are_outlines(shapes: Any) -> bool:
    """Whether every shape is a flat polygon of one ring.

    Parameters
    ----------
    shapes : ndarray of Geometry or None, shape (n,)
        To be written.
    """
    import shapely

    return bool(
        len(shapes)
        and (shapely.get_type_id(shapes) == 3).all()
        and (shapely.get_num_interior_rings(shapes) == 0).all()
        and not (shapely.is_empty(shapes) | shapely.has_z(shapes) | shapely.has_m(shapes)).any()
    )


def write_outlines(path: Path, shapes: Any) -> bool:
    """Write over the .shp and .shx of a Shapefile; return False, and write nothing, where GDAL itself is to do it.

    Parameters
    ----------
    path : Path
        The .shp.
    shapes : ndarray of Polygon, shape (n,)
        Of which `are_outlines` is true.
    """
    rings = Rings.of(shapes)
    count = rings.end - rings.start
    anticlockwise, certain = _turns(rings)
    size = _RECORD + 16 * count  # with the record's head
    start = _HEAD + np.cumsum(size) - size
    total = int(_HEAD + size.sum())
    if not certain.all() or not np.isfinite(rings.points).all() or total > 2 * (2**31 - 1):
        return False
    file = np.zeros(total, dtype=np.uint8)
    least, most = (end.reduceat(rings.points, rings.start) for end in (np.minimum, np.maximum))
    for corners in np.unique(count).tolist():
        some = np.flatnonzero(count == corners)
        kind = np.dtype([("number", ">i4"), ("words", ">i4"), ("kind", "<i4"), ("box", "<f8", 4), ("parts", "<i4"),
                         ("points", "<i4"), ("first", "<i4"), ("xy", "<f8", (corners, 2))])  # fmt: skip
        made = np.zeros(some.size, dtype=kind)
        made["number"], made["words"], made["kind"] = some + 1, (kind.itemsize - 8) // 2, _POLYGON
        made["box"], made["parts"], made["points"] = np.hstack([least, most])[some], 1, corners
        way = np.arange(corners)
        order = np.where(anticlockwise[some, None], way[::-1], way)
        made["xy"] = rings.points[rings.start[some, None] + order]
        if some.size == count.size:
            file[_HEAD:] = made.view(np.uint8)
        else:
            file[start[some, None] + np.arange(kind.itemsize)] = made.view(np.uint8).reshape(some.size, -1)
    box = np.concatenate([least.min(axis=0), most.max(axis=0)])
    file[:_HEAD] = _head(total, box)
    index = np.stack([start // 2, (size - 8) // 2], axis=1).astype(">i4")
    file.tofile(path)
    with path.with_suffix(".shx").open("wb") as stream:
        stream.write(_head(_HEAD + index.nbytes, box).tobytes())
        stream.write(index.tobytes())
    return True


def _head(size: int, box: FloatArray) -> np.ndarray[Any, np.dtype[np.uint8]]:
    head = np.zeros(1, np.dtype([("code", ">i4"), ("none", ">i4", 5), ("words", ">i4"), ("version", "<i4"),
                                 ("kind", "<i4"), ("box", "<f8", 4), ("zm", "<f8", 4)]))  # fmt: skip
    head["code"], head["words"], head["version"], head["kind"], head["box"] = 9994, size // 2, 1000, _POLYGON, box
    return head.view(np.uint8)


def _turns(rings: Rings) -> tuple[BoolArray, BoolArray]:
    """Whether each ring runs anticlockwise, and whether that is beyond doubt."""
    twice = 2.0 * rings.signed_areas()
    span = np.maximum.reduceat(np.abs(rings.points).max(axis=1), rings.start)
    counted: IntArray = rings.end - rings.start
    # Products of places as they are, far from the origin, are what is rounded.
    return twice > 0.0, np.abs(twice) > _CERTAIN * np.square(span) * counted
