"""Outlines of a season's fields, of their own files or of their maps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.errors import UsageError
from geoflow.base.subject import TARGET as AS_TARGET
from geoflow.base.subject import reading
from geoflow.base.units import ACRE
from geoflow.ground.geometry import local_frame
from geoflow.ground.visits import Fields
from geoflow.layers.boundaries import read_boundary
from geoflow.options.table import TARGET
from geoflow.options.typed import ReadOptions
from geoflow.season.catalog import Value
from geoflow.season.urls import shown
from geoflow.workflow.vetting import read_with

__all__ = ["Outline", "as_fields", "outline_of"]

_WORLD: Final = "EPSG:6933"  # equal areas, in metres
_ONE_FIELD: Final = 0.95  # share of common ground above which two outlines are of one field


@dataclass(frozen=True, eq=False)
class Outline:
    """Ground of a field.

    Attributes
    ----------
    name, place : str
        Of the field, and path or URL of the outline or map.
    inside, nearby, reach : Polygon or MultiPolygon
        In degrees: the outline, and the ground a third of the margin and all of the margin beyond it.
    area : float
        [m2].
    """

    name: str
    place: str
    inside: Any
    nearby: Any
    reach: Any
    area: float


def outline_of(name: str, place: str, file: Path, said: Mapping[str, Value], margin: float, *, of_map: bool) -> Outline:
    """Read the outline of a field.

    Parameters
    ----------
    name, place : str
        Of the field, and where its outline or map came from.
    file : Path
        The outline or map on this machine.
    said : mapping
        Options of `reconcile`, which say how it is read.
    margin : float
        How far beyond it records still are the field's [m].
    of_map : bool
        Whether it is a map, whose zones together are the field.

    Raises
    ------
    GeoflowError
        If it cannot be read.
    """
    import pyproj
    import shapely

    if of_map:
        with reading(AS_TARGET):
            read = read_with(str(file), ReadOptions.of(said, "reconcile", TARGET), _text(said.get("nitrogen")))
        ground, frame = shapely.union_all(read.zones), read.local_crs
    else:
        world = pyproj.CRS.from_user_input(_WORLD)
        wide, _ = read_boundary(file, world, crs=_text(said.get("boundary_crs")))
        lon, lat = pyproj.Transformer.from_crs(world, 4326, always_xy=True).transform(*wide.centroid.coords[0])
        frame = local_frame(lon, lat)
        ground = _moved(wide, world, frame)
    shapes = (shapely.buffer(ground, beyond) if beyond else ground for beyond in (0.0, margin / 3.0, margin))
    inside, nearby, reach = (_moved(shape, frame, pyproj.CRS.from_epsg(4326)) for shape in shapes)
    return Outline(name, place, inside, nearby, reach, float(ground.area))


def _text(value: Value | None) -> str | None:
    return value if isinstance(value, str) else None


def _moved(shape: Any, source: Any, onto: Any) -> Any:
    import pyproj
    import shapely

    onward = pyproj.Transformer.from_crs(source, onto, always_xy=True)

    def move(points: FloatArray) -> FloatArray:
        return np.column_stack(onward.transform(*points.T))

    return shapely.transform(shape, move)


def as_fields(outlines: Sequence[Outline]) -> Fields:
    """Bring outlines together, ready to be asked for millions of points.

    Parameters
    ----------
    outlines : sequence of Outline
        All fields.

    Raises
    ------
    UsageError
        If two of them are of the same ground.
    """
    import shapely

    inside, nearby, reach = (
        np.array([getattr(one, part) for one in outlines], dtype=object) for part in ("inside", "nearby", "reach")
    )
    _refuse_one_ground(outlines, inside)
    for shapes in (inside, nearby, reach):
        shapely.prepare(shapes)
    return Fields(inside, nearby, reach, np.argsort(np.argsort([one.area for one in outlines])))


def _refuse_one_ground(outlines: Sequence[Outline], inside: Any) -> None:
    import shapely

    sound = shapely.make_valid(inside)
    first, second = shapely.STRtree(sound).query(sound, predicate="intersects")
    first, second = first[first < second], second[first < second]
    common = shapely.area(shapely.intersection(sound[first], sound[second]))
    both = shapely.area(sound[first]) + shapely.area(sound[second]) - common
    for one, other in zip(first[common > _ONE_FIELD * both], second[common > _ONE_FIELD * both], strict=True):
        a, b = outlines[int(one)], outlines[int(other)]
        raise UsageError(
            f"'{a.name}' and '{b.name}' are the same ground ({a.area / ACRE:,.1f} ac)",
            where=f"{shown(a.place)}, {shown(b.place)}",
            cure="leave one of them out: a record can belong to one field only",
        )
