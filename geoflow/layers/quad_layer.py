"""Many four-cornered shapes as a layer of a GeoPackage, without an object for each of them."""

from __future__ import annotations

import importlib.util
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["has_arrow", "quad_wkb", "write_shapes"]

# A polygon of one ring of five points in well-known binary, little-endian [OGC 06-103r4, 8.2].
_HEAD: Final = np.dtype([("order", "u1"), ("kind", "<u4"), ("rings", "<u4"), ("points", "<u4"), ("xy", "<f8", (5, 2))])


def has_arrow() -> bool:
    """Whether columns can be handed to GDAL all at once, with the optional library pyarrow."""
    return importlib.util.find_spec("pyarrow") is not None


def quad_wkb(quads: FloatArray) -> NDArray[np.void]:
    """Well-known binary of polygons with four corners, shape (n,), each of 93 bytes.

    Parameters
    ----------
    quads : ndarray, shape (n, 4, 2)
        Corners in order.
    """
    found = np.empty(len(quads), dtype=_HEAD)
    found["order"], found["kind"], found["rings"], found["points"] = 1, 3, 1, 5
    found["xy"][:, :4], found["xy"][:, 4] = quads, quads[:, 0]
    return found


def write_shapes(
    path: Path, layer: str, shapes: NDArray[Any], columns: Mapping[str, NDArray[Any]], crs: str, *, append: bool
) -> None:
    """Write a layer of polygons.

    Parameters
    ----------
    path : Path
        A GeoPackage.
    layer : str
        In it.
    shapes : ndarray, shape (n,)
        From `quad_wkb`, or well-known binary of any polygons.
    columns : mapping of str to ndarray, shape (n,)
        Numbers, NaN for none, or texts, of which a few say most.
    crs : str
        Of the shapes.
    append : bool
        Whether the file is there already; a layer that is goes on.
    """
    import pyogrio

    where: dict[str, Any] = {"layer": layer, "driver": "GPKG", "geometry_type": "Polygon", "crs": crs, "append": append}
    if not has_arrow():
        each = shapes if shapes.dtype.kind == "O" else np.array([one.tobytes() for one in shapes], dtype=object)
        pyogrio.raw.write(path, each, list(columns.values()), list(columns), **where)
        return
    import pyarrow

    held = {name: _arrow(values) for name, values in columns.items()}
    if shapes.dtype.kind == "O":
        held["geom"] = pyarrow.array(shapes, pyarrow.binary())
    else:
        ends = np.arange(shapes.size + 1, dtype=np.int32) * shapes.dtype.itemsize
        held["geom"] = pyarrow.Array.from_buffers(
            pyarrow.binary(), shapes.size, [None, pyarrow.py_buffer(ends), pyarrow.py_buffer(shapes)]
        )
    pyogrio.raw.write_arrow(pyarrow.table(held), path, geometry_name="geom", **where)


def _arrow(values: NDArray[Any]) -> Any:
    import pyarrow

    if values.dtype.kind != "O":
        return pyarrow.array(values, from_pandas=True)
    return pyarrow.array(values, pyarrow.string()).dictionary_encode()
