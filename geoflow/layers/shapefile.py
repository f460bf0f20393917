"""A Shapefile before it is read: all its parts, whole, of one count, and which way its rings run."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any, Final

import numpy as np

from geoflow.base.errors import PrescriptionError
from geoflow.files.inputs import beside
from geoflow.ground.rings import Rings

__all__ = ["EXPORT_AGAIN", "SHAPEFILE_READ", "check_shapefile", "shapefile_parts", "turned_rings"]

SHAPEFILE_READ: Final = (".dbf", ".shx", ".prj", ".cpg")  # parts of a shapefile that say what is read
EXPORT_AGAIN: Final = "copy or export the file again, with all its parts (.shp, .shx, .dbf, .prj)"


def check_shapefile(path: Path, where: str) -> None:
    """Check that all parts are there, whole, and of the same count.

    Parameters
    ----------
    path : Path
        The .shp.
    where : str
        What to call it in errors.

    Raises
    ------
    PrescriptionError
        If one is missing, double or cut off.
    """
    for suffix, use in ((".dbf", "the rates"), (".shx", "the index of the shapes")):
        if not shapefile_parts(path, suffix):
            raise PrescriptionError(
                f"the {suffix} that belongs to the shapefile is missing; it holds {use}",
                where=where,
                cure="copy all parts of the shapefile into one folder: .shp, .shx, .dbf and .prj",
            )
    for suffix in SHAPEFILE_READ:
        several = shapefile_parts(path, suffix)
        if len(several) > 1:
            names = " and ".join(entry.name for entry in several)
            raise PrescriptionError(
                f"{names} both have the name of the shapefile's {suffix}, and only one can belong to it",
                where=where,
                cure="take the other one away",
            )
    for entry in beside(path):
        if not entry.is_file():
            raise PrescriptionError(
                f"{entry.name} is no file, but has the name of a part of the shapefile", where=where, cure=EXPORT_AGAIN
            )
    _check_head(path, where)


def _check_head(path: Path, where: str) -> None:
    size = path.stat().st_size
    with path.open("rb") as stream:
        head = stream.read(100)
    if len(head) < 100 or struct.unpack_from(">i", head)[0] != 9994:
        raise PrescriptionError(
            f"this is no shapefile: it starts with {head[:20]!r}", where=where, cure="download or export it again"
        )
    promised = 2 * struct.unpack_from(">i", head, 24)[0]
    if promised > size:
        raise PrescriptionError(
            f"the shapefile is cut off: it promises {promised:,} bytes and holds {size:,}",
            where=where,
            cure=EXPORT_AGAIN,
        )


def shapefile_parts(path: Path, suffix: str) -> list[Path]:
    """Return the files with the name of a Shapefile's part, whatever the case of their ending.

    Parameters
    ----------
    path : Path
        The .shp.
    suffix : str
        In small letters, as ``".dbf"``.
    """
    return [entry for entry in beside(path) if entry.suffix.casefold() == suffix and entry.is_file()]


def turned_rings(table: Any) -> int:
    """Count shapes with a ring against the rule of the format: outlines clockwise, holes anticlockwise.

    Parameters
    ----------
    table : GeoDataFrame
        Of polygons.
    """
    shapes = table.geometry.to_numpy()
    rings = Rings.of(shapes)
    if not rings.start.size:
        return 0
    # A ring with a corner that is no number has no direction, and GEOS raises.
    sound = np.logical_and.reduceat(np.isfinite(rings.points).all(axis=1), rings.start)
    rings = rings.some(sound)
    return int(np.unique(rings.shape[rings.anticlockwise() != rings.hole]).size)
