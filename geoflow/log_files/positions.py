"""Where a log's records are: positions in a local equal-area frame, and strips drawn as polygons."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray
from geoflow.base.errors import LogError
from geoflow.base.subject import LOG, reading
from geoflow.ground.geometry import local_frame, repair
from geoflow.layers.notes import Note, rows_text
from geoflow.layers.projection import Bounds, Placement, place
from geoflow.log_files.tables import LogTable

if TYPE_CHECKING:
    import pyproj

__all__ = ["Positions", "find_positions", "located", "raw_positions", "width_across"]

_FAR_DEGREES: Final = 2.0  # further from the middle than this is left out of the search for the field [degree]
_FAR_METRES: Final = 200e3
_POINT, _POLYGONS = 0, (3, 6)


@dataclass(frozen=True)
class Positions:
    """Positions of all rows of a log.

    Attributes
    ----------
    x, y : ndarray, shape (rows,)
        In `frame` [m]; NaN where unknown.
    known : ndarray of bool, shape (rows,)
        Which rows have a position.
    strips : ndarray of Polygon or MultiPolygon, or None
        In `frame`, valid, where the log draws its records; None for a row without ground.
    flat : ndarray of bool, shape (rows,)
        Polygons without any area.
    frame : pyproj.CRS
        Local equal-area frame.
    centre : tuple of float
        Longitude and latitude of its middle [degree].
    """

    x: FloatArray
    y: FloatArray
    known: BoolArray
    strips: Any
    flat: BoolArray
    frame: pyproj.CRS
    centre: tuple[float, float]


def find_positions(
    table: LogTable, lon: FloatArray | None, lat: FloatArray | None, *, crs: str | None, swap_axes: bool,
    notes: list[Note],
) -> Positions:  # fmt: skip
    """Put every record into a local frame; what is no position stays NaN.

    Parameters
    ----------
    table : LogTable
        The log.
    lon, lat : ndarray or None, shape (rows,)
        Positions where they stand in columns, in the unit of their system.
    crs, swap_axes
        What the options of these names say.
    notes : list of Note
        Brought up to date.

    Raises
    ------
    LogError
        If no row has a position, or points and polygons are mixed.
    """
    import pyproj

    x, y, strips, known, spot = located(table, lon, lat, crs=crs, swap_axes=swap_axes)
    if lon is not None and crs is None:
        notes.append(Note("crs", "longitude and latitude stand in columns and are taken as WGS 84"))
    notes += spot.notes
    frame = local_frame(*spot.centre)
    onward = pyproj.Transformer.from_crs(spot.crs, frame, always_xy=True)
    flat = np.zeros(x.size, dtype=np.bool_)
    if strips is not None:
        east, north, strips, flat = _drawn(strips, known, onward, swap=spot.swap, notes=notes)
        known = known & ~flat
    else:
        first, second = (y, x) if spot.swap else (x, y)
        east, north = np.full(x.size, np.nan), np.full(x.size, np.nan)
        east[known], north[known] = onward.transform(first[known], second[known])
    known = known & np.isfinite(east) & np.isfinite(north)
    return Positions(
        np.where(known, east, np.nan), np.where(known, north, np.nan), known, strips, flat, frame, spot.centre
    )


def located(
    table: LogTable, lon: FloatArray | None, lat: FloatArray | None, *, crs: str | None, swap_axes: bool
) -> tuple[FloatArray, FloatArray, Any, BoolArray, Placement]:
    """Tell where on earth the records of a log lie.

    Parameters
    ----------
    table, lon, lat, crs, swap_axes
        As for `find_positions`.

    Returns
    -------
    x, y : ndarray, shape (rows,)
        As the log has them, of polygons their middles.
    strips : ndarray of Polygon or MultiPolygon, or None
        Polygons as the log has them.
    known : ndarray of bool, shape (rows,)
        Which can be a position.
    spot : Placement
        Their coordinate system, and whether the two stand the other way round.

    Raises
    ------
    LogError
        As `find_positions`.
    """
    import pyproj

    declared = table.crs
    if lon is not None and lat is not None:
        declared = pyproj.CRS.from_epsg(4326) if crs is None else None
    x, y, strips = raw_positions(table, lon, lat)
    known = np.isfinite(x) & np.isfinite(y) & ~((x == 0.0) & (y == 0.0))
    if not known.any():
        raise LogError(
            "no row has a position", where=table.where, cure="name the columns with --column lon=... --column lat=..."
        )
    known, bounds = _bounds(x, y, known, degrees=_in_degrees(declared, crs, x[known], y[known]))
    by_default = table.file_format == "geojson"
    with reading(LOG):
        spot = place(bounds, declared, option=crs, swap_axes=swap_axes, by_default=by_default, where=table.where)
    return x, y, strips, known, spot


def raw_positions(
    table: LogTable, lon: FloatArray | None, lat: FloatArray | None
) -> tuple[FloatArray, FloatArray, Any]:
    """Positions as the log has them: of its columns, else of its points or of the middles of its polygons.

    Parameters
    ----------
    table, lon, lat
        As for `find_positions`.
    """
    return _of_shapes(table) if lon is None or lat is None else (lon.copy(), lat.copy(), None)


def _bounds(x: FloatArray, y: FloatArray, known: BoolArray, *, degrees: bool) -> tuple[BoolArray, Bounds]:
    """Which rows have a position that can be one, and the bounds of those near the middle of all."""
    there = known
    if degrees:
        straight = known & (np.abs(x) <= 180.0) & (np.abs(y) <= 90.0)
        turned = known & (np.abs(y) <= 180.0) & (np.abs(x) <= 90.0)
        known = turned if turned.sum() > straight.sum() else straight
        known = known if known.any() else there  # then the placement says what is wrong with them
    reach = _FAR_DEGREES if degrees else _FAR_METRES
    near = known & (np.abs(x - np.median(x[known])) < reach) & (np.abs(y - np.median(y[known])) < reach)
    near = near if near.any() else known  # likewise
    return known, Bounds(*(float(v) for v in (x[near].min(), y[near].min(), x[near].max(), y[near].max())))


def _drawn(
    strips: Any, known: BoolArray, onward: pyproj.Transformer, *, swap: bool, notes: list[Note]
) -> tuple[FloatArray, FloatArray, Any, BoolArray]:
    """Middles [m] of polygons brought into the local frame, these polygons, and which have no area."""
    import shapely

    def into_frame(points: FloatArray) -> FloatArray:
        ordered = points[:, ::-1] if swap else points
        return np.column_stack(onward.transform(*ordered.T))

    strips = strips.copy()
    strips[~known] = None
    strips[known], mended = repair(shapely.transform(strips[known], into_frame))
    if mended.mended.size:
        which = np.flatnonzero(known)[mended.mended]
        text = f"polygons that cross themselves are mended, every part of them counts ({rows_text(which)})"
        notes.append(Note("place", text, which.size))
    middle = shapely.centroid(strips)
    return shapely.get_x(middle), shapely.get_y(middle), strips, known & shapely.is_missing(strips)


def _in_degrees(declared: pyproj.CRS | None, option: str | None, x: FloatArray, y: FloatArray) -> bool:
    import pyproj

    if option is not None:
        try:
            return bool(pyproj.CRS.from_user_input(option).is_geographic)
        except pyproj.exceptions.CRSError:
            return False  # the placement refuses it in plain words
    if declared is not None:
        return bool(declared.is_geographic)
    return bool(np.median(np.abs(x)) <= 180.0 and np.median(np.abs(y)) <= 180.0)


def _of_shapes(table: LogTable) -> tuple[FloatArray, FloatArray, Any]:
    """Coordinates of points, or of the middles of polygons, in the file's system; and the polygons."""
    import shapely

    kinds = shapely.get_type_id(table.shapes)
    there = ~shapely.is_missing(table.shapes) & ~shapely.is_empty(table.shapes)
    points, polygons = there & (kinds == _POINT), there & np.isin(kinds, _POLYGONS)
    if (points.any() and polygons.any()) or not (points.any() or polygons.any()):
        found = sorted({shape.geom_type for shape in table.shapes[there]}) or ["nothing"]
        raise LogError(
            f"the shapes of a log must be points or polygons; these are {', '.join(found)}",
            where=table.where,
            cure="export the log as points, or as one polygon for every record",
        )
    if points.any():
        shapes = np.where(points, table.shapes, None)
        return shapely.get_x(shapes), shapely.get_y(shapes), None
    shapes = shapely.force_2d(np.where(polygons, table.shapes, None))
    low_x, low_y, high_x, high_y = shapely.bounds(shapes).T
    return (low_x + high_x) / 2, (low_y + high_y) / 2, shapes


def width_across(strips: Any, heading: FloatArray) -> FloatArray:
    """Width of polygons across the way they were driven [m], shape (n,).

    Parameters
    ----------
    strips : ndarray of Polygon or MultiPolygon, shape (n,)
        In a local frame [m].
    heading : ndarray, shape (n,)
        Rough direction of travel [rad]; where it is NaN the shorter side is taken as along.
    """
    import shapely

    rings = shapely.get_exterior_ring(shapely.oriented_envelope(strips))
    corners = [shapely.get_point(rings, at) for at in range(3)]
    at_x, at_y = (np.array([read(corner) for corner in corners]) for read in (shapely.get_x, shapely.get_y))
    sides_x, sides_y = np.diff(at_x, axis=0), np.diff(at_y, axis=0)
    lengths = np.hypot(sides_x, sides_y)
    along = np.abs(sides_x * np.sin(heading) + sides_y * np.cos(heading)) / lengths
    first = np.where(np.isfinite(heading), along[0] >= along[1], lengths[0] <= lengths[1])
    return np.asarray(np.where(first, lengths[1], lengths[0]))
