"""Zones on the ground: an equal-area frame for one field, areas, repair, and how well zones fit together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from geoflow.ground.fitting import fitted_ground

if TYPE_CHECKING:
    import pyproj
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]
    Geometries = NDArray[np.object_]

__all__ = [
    "FIT_WIDTH",
    "HAIRLINE_WIDTH",
    "CoverageFaults",
    "RepairReport",
    "areas",
    "coverage_faults",
    "duplicates",
    "local_frame",
    "mean_widths",
    "repair",
]

HAIRLINE_WIDTH: Final = 0.5
"""Overlaps, gaps and zones narrower than this [m] are drawing errors, far below any bar's width."""
FIT_WIDTH: Final = 0.005
"""Zones that meet to within this [m] fit: a straight edge of 650 m in degrees bends by as much in metres."""

_POLYGON, _MULTIPOLYGON, _COLLECTION = 3, 6, 7


@dataclass(frozen=True, slots=True)
class RepairReport:
    """What `repair` did; indices count from 0 in the array it was given.

    Attributes
    ----------
    mended : ndarray of int, shape (k,)
        Polygons whose outline crossed itself or was otherwise invalid.
    area_before, area_after : ndarray of float, shape (k,)
        Their areas before and after [m2]; before mending a crossed outline counts parts as negative.
    stray_holes : ndarray of int, shape (k,)
        Polygons with a hole that lies outside their outline; only its part inside was cut out.
    mixed : ndarray of int, shape (k,)
        Collections of which only the polygons were kept.
    empty : ndarray of int, shape (k,)
        Shapes that were missing or empty.
    not_polygon : ndarray of int, shape (k,)
        Points and lines.
    collapsed : ndarray of int, shape (k,)
        Polygons without any area.
    """

    mended: Indices
    area_before: Floats
    area_after: Floats
    stray_holes: Indices
    mixed: Indices
    empty: Indices
    not_polygon: Indices
    collapsed: Indices


@dataclass(frozen=True, slots=True)
class CoverageFaults:
    """Where zones do not fit together; indices count from 0 in the array that was checked.

    Attributes
    ----------
    overlap_pairs : ndarray of int, shape (k, 2)
        Pairs that share ground, strips of at least `HAIRLINE_WIDTH`.
    overlap_areas : ndarray of float, shape (k,)
        Ground each of these pairs shares [m2].
    hairline_overlaps : int
        Number of pairs that share only a thinner strip.
    hairline_overlap_area : float
        Ground in those strips [m2].
    gaps : ndarray of Polygon, shape (k,)
        Holes in the field that no zone covers.
    gap_area : float
        Their area [m2].
    hairline_gaps : int
        Number of zones with an edge that stays off its neighbour by less than `HAIRLINE_WIDTH`.
    hairline_gap_area : float
        Ground between those edges [m2], from the width at the middle of each edge.
    slivers : ndarray of int, shape (k,)
        Zones with a mean width below `HAIRLINE_WIDTH`.
    duplicate_of : ndarray of int, shape (n,)
        For every zone the first zone of identical shape, or -1.
    ground : Polygon, MultiPolygon or None
        What the zones cover, where they fit together corner by corner and that is known.
    """

    overlap_pairs: Indices
    overlap_areas: Floats
    hairline_overlaps: int
    hairline_overlap_area: float
    gaps: Geometries
    gap_area: float
    hairline_gaps: int
    hairline_gap_area: float
    slivers: Indices
    duplicate_of: Indices
    ground: Any = None


def local_frame(longitude: float, latitude: float) -> pyproj.CRS:
    """Lambert azimuthal equal-area frame in metres, WGS 84, centred on a field.

    Parameters
    ----------
    longitude, latitude : float
        Centre [degree].

    Returns
    -------
    pyproj.CRS
        Areas agree with geodesic ones to 0.01 ppm on a field (tests/test_geometry.py); UTM is off by up to 1,100.
    """
    import pyproj

    return pyproj.CRS.from_proj4(
        f"+proj=laea +lat_0={latitude:.9f} +lon_0={longitude:.9f} +datum=WGS84 +units=m +no_defs +type=crs"
    )


def areas(polygons: Any) -> Floats:
    """Areas [m2] of polygons in a local frame, shape (n,); 0 for a missing one.

    Parameters
    ----------
    polygons : array_like of Polygon, MultiPolygon or None, shape (n,)
        In a local frame [m].
    """
    return np.asarray(np.nan_to_num(shapely.area(polygons)), dtype=float)


def mean_widths(polygons: Any) -> Floats:
    """Mean widths 2 A / P [m] of polygons in a local frame, shape (n,): the width of a long strip.

    Parameters
    ----------
    polygons : array_like of Polygon, MultiPolygon or None, shape (n,)
        In a local frame [m].
    """
    perimeter = np.asarray(shapely.length(polygons), dtype=float)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.nan_to_num(2.0 * shapely.area(polygons) / perimeter), dtype=float)


def repair(polygons: Any) -> tuple[Geometries, RepairReport]:
    """Make every polygon flat and valid without moving an outline; what is left without area becomes None.

    Parameters
    ----------
    polygons : array_like of Geometry, shape (n,)
        Shapes as read, in metres; None for a missing one.

    Returns
    -------
    polygons : ndarray of Polygon, MultiPolygon or None, shape (n,)
        A crossed outline becomes the ground it encloses, overlapping parts their union.
    report : RepairReport
        What was done to which.
    """
    shapes = np.array(polygons, dtype=object, ndmin=1)
    empty = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    shapes[empty] = None
    if (shapely.has_z(shapes) | shapely.has_m(shapes)).any():
        shapes = shapely.force_2d(shapes)
    kind = shapely.get_type_id(shapes)
    mixed = np.flatnonzero(kind == _COLLECTION)
    for index in mixed:
        shapes[index] = _polygon_parts(shapes[index])
    not_polygon = ~empty & ((kind != _POLYGON) & (kind != _MULTIPOLYGON) & (kind != _COLLECTION))
    not_polygon[mixed] = shapely.is_missing(shapes[mixed])
    shapes[not_polygon] = None
    mended = np.flatnonzero(~shapely.is_valid(shapes) & ~shapely.is_missing(shapes))
    before = areas(shapes[mended])
    stray = np.array([index for index in mended if _has_stray_hole(shapes[index])], dtype=np.int64)
    for index in stray:
        shapes[index] = _cut_holes(shapes[index])
    mendable = mended[~np.isin(mended, stray)]
    shapes[mendable] = shapely.make_valid(shapes[mendable], method="structure", keep_collapsed=False)
    for index in mendable[~np.isin(shapely.get_type_id(shapes[mendable]), (_POLYGON, _MULTIPOLYGON))]:
        shapes[index] = _polygon_parts(shapes[index])
    flat = ~shapely.is_missing(shapes) & ~(areas(shapes) > 0.0)
    collapsed = flat.copy()
    collapsed[mended] |= shapely.is_missing(shapes[mended])
    shapes[collapsed] = None
    standing = mended[~collapsed[mended]]
    return shapes, RepairReport(
        mended=standing,
        area_before=before[~collapsed[mended]],
        area_after=areas(shapes[standing]),
        stray_holes=np.intersect1d(stray, standing),
        mixed=mixed[~not_polygon[mixed]],
        empty=np.flatnonzero(empty),
        not_polygon=np.flatnonzero(not_polygon),
        collapsed=np.flatnonzero(collapsed),
    )


def _polygon_parts(shape: Any) -> Any:
    """Return the polygons of a collection, at any depth, as one shape; None if there is none."""
    parts = shapely.get_parts(np.array([shape], dtype=object))
    while (shapely.get_type_id(parts) >= _MULTIPOLYGON).any():
        parts = shapely.get_parts(parts)
    parts = parts[shapely.get_type_id(parts) == _POLYGON]
    if not parts.size:
        return None
    return parts[0] if parts.size == 1 else shapely.multipolygons(parts)


def _shells_and_holes(shape: Any) -> list[tuple[Any, Any]]:
    """Return a shell and the union of the holes (None without holes) of every part, both valid."""
    pairs = []
    for part in shapely.get_parts(shape):
        rings = shapely.get_rings(part)
        solid = shapely.make_valid(shapely.polygons(rings), method="structure", keep_collapsed=False)
        pairs.append((solid[0], shapely.union_all(solid[1:]) if rings.size > 1 else None))
    return pairs


def _has_stray_hole(shape: Any) -> bool:
    if not any(shapely.get_num_interior_rings(shapely.get_parts(shape))):
        return False
    return any(
        holes is not None and shapely.area(shapely.difference(holes, shell)) > 1e-6 * shapely.area(holes)
        for shell, holes in _shells_and_holes(shape)
    )


def _cut_holes(shape: Any) -> Any:
    """Take the holes out of their shells; a hole outside must not become land, as it does in make_valid."""
    cut = [shell if holes is None else shapely.difference(shell, holes) for shell, holes in _shells_and_holes(shape)]
    return _polygon_parts(shapely.geometrycollections([shapely.union_all(cut)]))


def duplicates(polygons: Any) -> Indices:
    """For every polygon the first one of identical shape (wherever its outline starts), or -1; shape (n,).

    Parameters
    ----------
    polygons : array_like of Polygon or MultiPolygon, shape (n,)
        In any frame.
    """
    shapes = np.asarray(polygons, dtype=object)
    first = np.full(shapes.shape, -1, dtype=np.int64)
    box = shapely.bounds(shapes)
    order = np.lexsort(box.T)
    same = np.r_[False, (box[order][1:] == box[order][:-1]).all(axis=1)] if shapes.size else np.zeros(0, bool)
    suspects = np.sort(order[same | np.r_[same[1:], False]]) if shapes.size else order
    seen: dict[bytes, int] = {}
    for index, key in zip(suspects.tolist(), shapely.to_wkb(shapely.normalize(shapes[suspects])), strict=True):
        earlier = seen.setdefault(key, index)
        if earlier != index:
            first[index] = earlier
    return first


def coverage_faults(polygons: Any, duplicate_of: Indices | None = None) -> CoverageFaults:
    """Find overlaps, gaps, slivers and duplicates among the zones of one field.

    Parameters
    ----------
    polygons : array_like of Polygon or MultiPolygon, shape (n,)
        Valid zones in a local frame [m], none missing.
    duplicate_of : ndarray of int, shape (n,), optional
        From `duplicates`, where it is known already.

    Notes
    -----
    Zones whose every edge is shared, corner for corner, with one neighbour need no further look as long as the edges
    left over enclose just the zones' own area; only the zones at those edges are checked. Otherwise the coverage check
    of GEOS runs along all edges and names the zones with a misfit. Widening the zones by half a hairline before their
    union closes every hairline, which leaves the true gaps and is six times as fast as the union of zones with
    hairlines all around.
    """
    shapes = np.asarray(polygons, dtype=object)
    ground = fitted = fitted_ground(shapes, HAIRLINE_WIDTH)
    if ground is None:
        edges = shapely.coverage_invalid_edges(shapes, gap_width=HAIRLINE_WIDTH)
        misfits = np.flatnonzero(~shapely.is_empty(edges))
    else:
        misfits = np.zeros(0, dtype=np.int64)
    pairs, shared, widths = np.zeros((0, 2), dtype=np.int64), np.zeros(0), np.zeros(0)
    hairline_gaps, hairline_gap_area = 0, 0.0
    if misfits.size:
        tree = shapely.STRtree(shapes)
        pairs, shared, widths = _overlaps(shapes, misfits, tree)
        hairline_gaps, hairline_gap_area = _narrow_gaps(shapes, misfits, edges[misfits], tree)
        half = HAIRLINE_WIDTH / 2
        ground = shapely.union_all(shapely.buffer(shapes, half, join_style="mitre"))
        gaps = shapely.buffer(_holes(ground), half, join_style="mitre")
    else:
        gaps = _holes(shapely.coverage_union_all(shapes) if ground is None else ground)
    material = widths >= HAIRLINE_WIDTH
    return CoverageFaults(
        overlap_pairs=pairs[material],
        overlap_areas=shared[material],
        hairline_overlaps=int((~material).sum()),
        hairline_overlap_area=float(shared[~material].sum()),
        gaps=gaps,
        gap_area=float(areas(gaps).sum()),
        hairline_gaps=hairline_gaps,
        hairline_gap_area=hairline_gap_area,
        slivers=np.flatnonzero(mean_widths(shapes) < HAIRLINE_WIDTH),
        duplicate_of=duplicates(shapes) if duplicate_of is None else duplicate_of,
        ground=fitted,
    )


def _overlaps(shapes: Geometries, misfits: Indices, tree: Any) -> tuple[Indices, Floats, Floats]:
    """Return pairs that share ground, the ground [m2] and its mean width [m]."""
    near, other = tree.query(shapes[misfits], predicate="intersects")
    pairs = np.sort(np.column_stack((misfits[near], other)), axis=1)
    pairs = np.unique(pairs[pairs[:, 0] != pairs[:, 1]], axis=0)
    shared = shapely.intersection(shapes[pairs[:, 0]], shapes[pairs[:, 1]])
    ground, widths = areas(shared), mean_widths(shared)
    # The diagonal of a tiny corner overlap is not narrow, but too small to be one.
    real = (widths > FIT_WIDTH) & (ground > FIT_WIDTH**2)
    return pairs[real], ground[real], widths[real]


def _narrow_gaps(shapes: Geometries, misfits: Indices, edges: Geometries, tree: Any) -> tuple[int, float]:
    """Count zones with an edge just off a neighbour; ground between [m2], each gap being seen from both sides."""
    lines, owner = shapely.get_parts(edges, return_index=True)
    points, line = shapely.get_coordinates(lines, return_index=True)
    within = line[1:] == line[:-1]
    zone = misfits[owner[line[1:][within]]]
    middle = shapely.points((points[1:][within] + points[:-1][within]) / 2)
    length = np.hypot(*(points[1:] - points[:-1])[within].T)
    found, other = tree.query(middle, predicate="dwithin", distance=HAIRLINE_WIDTH)
    foreign = other != zone[found]
    found, other = found[foreign], other[foreign]
    width = np.full(middle.shape, np.inf)
    np.minimum.at(width, found, shapely.distance(middle[found], shapes[other]))
    apart = (width > FIT_WIDTH) & (width < HAIRLINE_WIDTH)
    return np.unique(zone[apart]).size, float((width[apart] * length[apart]).sum() / 2)


def _holes(ground: Any) -> Geometries:
    parts = shapely.get_parts(ground)
    rings, part = shapely.get_rings(parts, return_index=True)
    inner = np.r_[False, part[1:] == part[:-1]] if part.size else np.zeros(0, dtype=bool)
    return np.asarray(shapely.polygons(rings[inner]), dtype=object)
