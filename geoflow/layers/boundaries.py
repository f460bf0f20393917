"""Reading the outline of a field: one or more polygons of any vector format, as one shape on the ground."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.errors import PrescriptionError
from geoflow.base.subject import BOUNDARY, called, reading
from geoflow.base.units import MILE
from geoflow.ground.geometry import repair
from geoflow.layers.projection import Bounds, place
from geoflow.layers.vector_source import open_source, read_table

if TYPE_CHECKING:
    import pyproj

__all__ = ["read_boundary"]

# The least ground that is a field [m2], and more than any field spans [m].
_LEAST: Final = 1.0
_MOST_SPAN: Final = 200e3


def read_boundary(path: Path | str, frame: pyproj.CRS, *, crs: str | None = None) -> tuple[Any, list[str]]:
    """Read a boundary into a local frame.

    Parameters
    ----------
    path : Path or str
        Polygons in any vector format a prescription can have; several are taken together.
    frame : pyproj.CRS
        Equal-area frame to bring them into [m].
    crs : str, optional
        What ``--boundary-crs`` says, for a file that does not state its own.

    Returns
    -------
    boundary : Polygon or MultiPolygon
        Valid, in `frame`.
    notes : list of str
        What a person should know of it.

    Raises
    ------
    PrescriptionError
        If the file cannot be read, or holds no ground.
    """
    with reading(BOUNDARY):
        return _read(path, frame, crs)


def _read(path: Path | str, frame: pyproj.CRS, crs: str | None) -> tuple[Any, list[str]]:
    import pyproj
    import shapely

    where = called(path)
    with open_source(path) as source:
        table, _, _ = read_table(source)
    shapes = np.array(table.geometry.array, dtype=object)
    usable = np.isin(shapely.get_type_id(shapes), (3, 6, 7)) & ~shapely.is_empty(shapes)
    coordinates = shapely.get_coordinates(shapes[usable])
    if not usable.any() or not np.isfinite(coordinates).all():
        raise PrescriptionError(
            "the boundary holds no polygon that can be placed", where=where, cure="give the field's outline as polygons"
        )
    low, high = coordinates.min(axis=0), coordinates.max(axis=0)
    bounds = Bounds(float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    placement = place(
        bounds, table.crs, option=crs, swap_axes=False, by_default=source.file_format == "geojson", where=where
    )
    onward = pyproj.Transformer.from_crs(placement.crs, frame, always_xy=True)

    def into_frame(points: FloatArray) -> FloatArray:
        ordered = points[:, ::-1] if placement.swap else points
        return np.column_stack(onward.transform(*ordered.T))

    moved = shapely.transform(shapely.force_2d(shapes[usable]), into_frame)
    span = shapely.box(*shapely.total_bounds(moved)).length / 4.0
    if not span < _MOST_SPAN:
        raise PrescriptionError(
            f"the boundary is {span / MILE:,.0f} miles ({span / 1000.0:,.0f} km) across, which no field is",
            where=where,
            cure="look for a corner that is far from the others, or a wrong coordinate system",
        )
    mended, report = repair(moved)
    boundary = shapely.union_all(mended[~shapely.is_missing(mended)])
    if not boundary.area > _LEAST:
        raise PrescriptionError("the boundary encloses no ground", where=where, cure="draw it again as a polygon")
    notes = [f"{int((~usable).sum())} of its rows are no polygons and were left out"] if not usable.all() else []
    notes += [note.text for note in placement.notes if note.kind in {"axes", "crs"}]
    if report.mended.size:
        notes.append("its outline crossed itself and was mended")
    return boundary, notes
