"""Ground that an as-applied log covers: a strip for every record, and how the strips lie on the zones."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray, in_order
from geoflow.base.errors import RangeError
from geoflow.ground.applied_log import AppliedLog
from geoflow.ground.compiled import CompiledPieces, is_worth, scan_compiled
from geoflow.ground.overlaps import Shared
from geoflow.ground.pieces import Pieces, convex_pieces, zone_edges
from geoflow.ground.scanlines import Sums, scan

__all__ = ["Overlay", "ground_rates", "laid_out", "overlay", "strip_areas", "strips"]

# A record follows the one before if the distance between them is its step, give or take half of it.
_SAME_STEP: Final = 0.5
# A strip squeezed below this share of width x step (the bar turning on the spot) is laid out straight instead.
_LEAST_GROUND: Final = 0.01
# Lines cross zones and rows at this angle [rad] and not along them, where a line would see all of an edge or nothing.
_TILT: Final = 0.1 / np.pi
# Spans for any log, for every strip, for every edge of a zone; and the most before the tolerance has to give way.
_SPANS, _PER_STRIP, _PER_EDGE, _MOST = 500_000, 4, 8, 16_000_000


def _before(log: AppliedLog) -> IntArray:
    """Index of the record before of the same run and section, its own where there is none."""
    order = in_order(log.section, log.run)
    same = (np.diff(log.run[order]) == 0) & (np.diff(log.section[order]) == 0)
    before = np.arange(order.size)
    before[order[1:][same]] = order[:-1][same]
    return before


def _joined(log: AppliedLog) -> tuple[IntArray, BoolArray]:
    """Return the record before, and whether this record's step starts there."""
    before = _before(log)
    distance = np.hypot(log.x - log.x[before], log.y - log.y[before])
    joined = (before != np.arange(before.size)) & (np.abs(distance - log.step) <= _SAME_STEP * log.step)
    return before, joined & np.isfinite(log.heading[before])


def strips(log: AppliedLog) -> tuple[FloatArray, BoolArray]:
    """Ground that each record covers.

    Parameters
    ----------
    log : AppliedLog
        Records in time order, shape (n,).

    Returns
    -------
    quads : ndarray, shape (n, 4, 2)
        Corners in the local frame [m]: rear left, rear right, front right, front left; NaN for records without ground.
    ground : ndarray of bool, shape (n,)
        False for records that are off or lack position, heading, width or a step above zero.

    Notes
    -----
    The front edge lies across the heading at the record's position. The rear edge is where that same edge lay at the
    record before, so that strips of a turn join without wedges; without a record before, or where it is not one step
    away, it lies one step behind. In a turn tighter than the section's place on the bar the two edges cross, and the
    strip has two wings.
    """
    quads, ground, _ = laid_out(log)
    return quads, ground


def laid_out(log: AppliedLog) -> tuple[FloatArray, BoolArray, FloatArray]:
    """Give `strips`, and the ground under each [m2], shape (n,).

    Parameters
    ----------
    log : AppliedLog
        Records in time order, shape (n,).
    """
    ground = log.on & (log.step > 0.0) & (log.width > 0.0)
    for numbers in (log.x, log.y, log.heading, log.step, log.offset, log.width):
        ground &= np.isfinite(numbers)
    before, joined = _joined(log)
    sin, cos = np.sin(log.heading), np.cos(log.heading)
    ends = log.offset - 0.5 * log.width, log.offset + 0.5 * log.width
    straight = np.stack([log.x - log.step * sin, log.y - log.step * cos, sin, cos])
    quads = np.empty((log.run.size, 4, 2))
    _lay_edge(quads[:, :2], np.where(joined, [one[before] for one in (log.x, log.y, sin, cos)], straight), ends)
    _lay_edge(quads[:, :1:-1], (log.x, log.y, sin, cos), ends)
    quads[~ground] = np.nan
    area = np.zeros(ground.size)
    area[ground] = strip_areas(quads[ground])
    squeezed = np.flatnonzero(ground & (area < _LEAST_GROUND * log.width * log.step))
    rear = np.empty((squeezed.size, 2, 2))
    _lay_edge(rear, straight[:, squeezed], (ends[0][squeezed], ends[1][squeezed]))
    quads[squeezed, :2] = rear
    area[squeezed] = strip_areas(quads[squeezed])
    return quads, ground, area


def _lay_edge(edge: FloatArray, place: Any, ends: tuple[FloatArray, FloatArray]) -> None:
    """Fill in edges of shape (n, 2, 2), left end first, across a heading at a place: x, y, sine and cosine."""
    x, y, sin, cos = place
    for side, end in enumerate(ends):
        edge[:, side, 0] = x + end * cos
        edge[:, side, 1] = y - end * sin


def strip_areas(quads: FloatArray) -> FloatArray:
    """Ground under each strip [m2], shape (n,), both wings of a crossed one; corners of shape (n, 4, 2) [m].

    Parameters
    ----------
    quads : ndarray, shape (n, 4, 2)
        Corners [m].
    """
    return convex_pieces(np.asarray(quads, dtype=float))[2]


def ground_rates(log: AppliedLog, area: FloatArray) -> FloatArray:
    """Nitrogen rate on the ground of each strip [kg/m2], shape (n,), so that every record keeps its mass.

    Parameters
    ----------
    log : AppliedLog
        Records, shape (n,).
    area : ndarray, shape (n,)
        Of each strip [m2]; 0 without ground.

    Returns
    -------
    ndarray
        Logged rate x width x step of the bar's centre / area of the strip: what the meter counted, over the ground it
        fell on. 0 without ground; NaN where the log has no rate.
    """
    rate, ground = np.zeros(log.run.size), area > 0.0
    rate[ground] = (log.applied * log.width * log.step)[ground] / area[ground]
    return rate


@dataclass(frozen=True, slots=True)
class Overlay:
    """How strips lie on zones.

    Attributes
    ----------
    swept : float
        Sum of the strips' areas [m2].
    covered : float
        Ground under any strip [m2].
    covered_in_field : float
        Of it, ground within the boundary, or within the zones where no boundary was given [m2].
    doubled : float
        Ground under more than one strip, inside the field or not [m2].
    missed : float
        Ground of the field under no strip [m2].
    zone_area, zone_covered, zone_doubled : ndarray, shape (zones,)
        Of each zone without what lies under later zones [m2].
    zone_applied : ndarray, shape (zones,)
        Nitrogen laid down in each zone, doubly where strips overlap [kg].
    strip, zone, area : ndarray, shape (k,)
        Area [m2] of each strip in each zone, -1 outside all zones; the areas of a strip add up to its own.
    lone : ndarray, shape (k,)
        How much of that area lies under no other strip [m2].
    shared : Shared
        Ground under more than one strip; with `lone` it is all ground covered.
    error_estimate : float
        Of covered, covered in the field and doubled, the greatest, relative to the ground covered: half the difference
        between what even and odd lines give, or the misfit of the sampled strips with their areas if that is more.
    zone_error : ndarray, shape (zones,)
        Half the difference between the covered share of each zone on even and on odd lines.
    """

    swept: float
    covered: float
    covered_in_field: float
    doubled: float
    missed: float
    zone_area: FloatArray
    zone_covered: FloatArray
    zone_doubled: FloatArray
    zone_applied: FloatArray
    strip: IntArray
    zone: IntArray
    area: FloatArray
    lone: FloatArray
    shared: Shared
    error_estimate: float
    zone_error: FloatArray

    def without_ground(self) -> Overlay:
        """Return it without `lone` and `shared`, which of a long log take much room."""
        none, number = np.zeros(0), np.zeros(0, dtype=np.int64)
        shared = Shared(number, none, number, np.zeros((len(self.shared.sums), 0), dtype=np.int64))
        return replace(self, lone=none, shared=shared)


def overlay(
    quads: FloatArray,
    rate_on_ground: FloatArray,
    zones: Any,
    boundary: Any = None,
    *,
    strip: IntArray | None = None,
    values: IntArray | None = None,
    tolerance: float = 1e-3,
) -> Overlay:
    """Lay strips on zones and add up areas and nitrogen.

    Parameters
    ----------
    quads : ndarray, shape (m, 4, 2)
        Corners of the strips in a local equal-area frame [m], all finite.
    rate_on_ground : ndarray, shape (n,)
        Nitrogen rate of each strip [kg/m2].
    zones : array_like of Polygon, MultiPolygon or None, shape (zones,)
        Valid, in the same frame; where they overlap the last one counts.
    boundary : Polygon or MultiPolygon, optional
        Of the field; the union of the zones if not given.
    strip : ndarray of int, shape (m,), optional
        Strip each of the quads belongs to, rising, where a strip is several that do not overlap; one each if not given.
    values : ndarray of int, shape (values, n), optional
        To be added up where strips lie on each other, see `scanlines.Shared`.
    tolerance : float
        Lines are laid closer until the error estimates are below this, as far as time allows.

    Returns
    -------
    Overlay

    Raises
    ------
    RangeError
        If a corner or a rate is missing, or there is not one rate for every strip.

    Notes
    -----
    Lengths along the lines are exact; from line to line the midpoint rule samples. What has an exact area (strips,
    zones, boundary) scales its parts, so a zone wholly covered is covered by just its area, and a log without overlaps
    covers just the sum of its strips.
    """
    import shapely

    quads, rate = np.asarray(quads, dtype=float).reshape(-1, 4, 2), np.asarray(rate_on_ground, dtype=float)
    owners = np.arange(len(quads)) if strip is None else strip
    count = int(owners.max(initial=-1)) + 1
    _refuse_lacking(quads, rate, count)
    shapes = np.array(zones, dtype=object, ndmin=1)
    exact = np.nan_to_num(np.asarray(shapely.area(shapes), dtype=float))
    everything = shapes if boundary is None else np.append(shapes, np.array([boundary], dtype=object))
    corners, owner, parts = convex_pieces(quads)
    owner, areas = owners[owner], np.bincount(owners, weights=parts, minlength=count).astype(np.float64)
    turn = _turn(corners)
    run_lines: Any = scan
    if is_worth(len(corners)):
        pieces: Any = CompiledPieces.of(corners, owner, turn)
        run_lines = scan_compiled
    else:
        pieces = Pieces.of(corners @ turn, owner)
    edges = zone_edges(everything, turn)
    outline = shapely.get_coordinates(everything) @ turn
    reach = (
        float(outline[:, 0].min(initial=pieces.reach[0])),
        float(outline[:, 0].max(initial=pieces.reach[1])),
    )
    height = float((pieces.high - pieces.low).sum() + 0.5 * (edges.high - edges.low).sum())
    budget = _SPANS + _PER_STRIP * owner.size + _PER_EDGE * edges.low.size
    swept = float(areas.sum())
    while True:
        spacing = height / budget if height > 0.0 else 1.0
        sums = run_lines(pieces, edges, shapes.size, boundary is not None, reach, spacing, values)
        error, zone_error = _errors(sums, swept)
        if max(error, float(zone_error.max(initial=0.0))) <= tolerance or 4 * budget > _MOST:
            break
        budget *= 4
    scale = _ratio(np.asarray(swept), sums.swept.sum())
    share = _ratio(exact, sums.whole)
    middles = quads[np.searchsorted(owners, np.arange(count))].mean(axis=1)
    laid, zone, area, lone = _whole_strips(sums, areas, middles, shapes)
    inside = zone >= 0
    applied = np.bincount(zone[inside], weights=(rate[laid] * area)[inside], minlength=shapes.size)
    zone_area, zone_covered = sums.visible.sum(axis=0) * share, sums.covered.sum(axis=0) * share
    if boundary is None:
        field_covered, missed = zone_covered.sum(), (zone_area - zone_covered).sum()
    else:
        share_of_field = _ratio(np.asarray(shapely.area(boundary)), sums.field.sum())
        field_covered = sums.field_covered.sum() * share_of_field
        missed = float(shapely.area(boundary)) - field_covered
    found = Overlay(
        swept=swept,
        covered=float(sums.reached.sum() * scale),
        covered_in_field=float(field_covered),
        doubled=float(sums.twice.sum() * scale),
        missed=float(missed),
        zone_area=zone_area,
        zone_covered=zone_covered,
        zone_doubled=sums.doubled.sum(axis=0) * share,
        zone_applied=np.asarray(applied, dtype=float),
        strip=laid,
        zone=zone,
        area=area,
        lone=lone,
        shared=replace(sums.shared, area=sums.shared.area * scale),
        error_estimate=error,
        zone_error=zone_error,
    )
    slim = np.flatnonzero((sums.whole == 0.0) & (exact > 0.0))
    return _with_slim_zones(found, slim, quads, shapes) if slim.size else found


def _refuse_lacking(quads: FloatArray, rate: FloatArray, count: int) -> None:
    if rate.shape != (count,):
        what = f"{count} strips have {rate.size} rates"
        raise RangeError(what, where="rate_on_ground", cure="give one rate for every strip")
    for name, known in (("corner", np.isfinite(quads).all(axis=(1, 2))), ("rate", np.isfinite(rate))):
        if not known.all():
            raise RangeError(
                f"{int((~known).sum())} strips lack a {name}",
                where=f"strip {int(np.flatnonzero(~known)[0])}",
                cure="leave strips without ground out, and give rate 0 where the log has none",
            )


def _turn(corners: FloatArray) -> FloatArray:
    """Rotation that lays the strips' long sides nearly along the lines."""
    some = corners[:: max(1, len(corners) // 2000)]
    angles = np.radians(np.arange(180.0))
    y = some[..., 0, None] * np.sin(angles) + some[..., 1, None] * np.cos(angles)
    angle = angles[(y.max(axis=1) - y.min(axis=1)).sum(axis=0).argmin()] + _TILT
    return np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])


def _ratio(exact: Any, sampled: Any) -> FloatArray:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(sampled > 0.0, exact / sampled, 0.0)


def _errors(sums: Sums, swept: float) -> tuple[float, FloatArray]:
    """Error relative to the ground covered, and of the covered share of each zone.

    Half the difference between even and odd lines is about what lines twice as far apart would be wrong by.
    """
    zone = np.abs(np.diff(_ratio(sums.covered, sums.visible), axis=0))[0] / 2.0
    reached = sums.reached.sum()
    if not reached > 0.0:
        return 0.0, zone
    halves = [_ratio(sums.swept.sum(), sums.swept) * amount for amount in (sums.reached, sums.twice)]
    halves.append(_ratio(sums.field.sum(), sums.field) * sums.field_covered)
    spread = float(max(abs(half[0] - half[1]) for half in halves) / (2.0 * reached))
    return max(spread, abs(float(sums.swept.sum()) / swept - 1.0)), zone


def _whole_strips(
    sums: Sums, areas: FloatArray, centres: FloatArray, zones: Any
) -> tuple[IntArray, IntArray, FloatArray, FloatArray]:
    """Scale the parts of each strip to its own area; a strip between two lines goes to the zone at its middle."""
    import shapely

    sampled = np.bincount(sums.strip, weights=sums.area, minlength=areas.size)
    share = _ratio(areas, sampled)[sums.strip]
    between = np.flatnonzero((sampled == 0.0) & (areas > 0.0))
    if not between.size:
        return sums.strip, sums.zone, sums.area * share, sums.lone * share
    point, zone = shapely.STRtree(zones).query(shapely.points(centres[between]), predicate="intersects")
    lies_in = np.full(between.size, -1, dtype=np.int64)
    np.maximum.at(lies_in, point, zone)
    return (
        np.concatenate([sums.strip, between]),
        np.concatenate([sums.zone, lies_in]),
        np.concatenate([sums.area * share, areas[between]]),
        np.concatenate([sums.lone * share, areas[between]]),
    )


def _with_slim_zones(found: Overlay, slim: IntArray, quads: FloatArray, zones: Any) -> Overlay:
    """Measure zones that lie between two lines on their own, with the strips that touch them."""
    import shapely

    touching = np.unique(shapely.STRtree(shapely.polygons(quads)).query(zones[slim], predicate=None)[1])
    if touching.size == len(quads) and slim.size == zones.size:
        return found  # thinner than lines can be laid: micrometres
    alone = overlay(quads[touching], np.zeros(touching.size), zones[slim])
    area, covered, doubled = found.zone_area.copy(), found.zone_covered.copy(), found.zone_doubled.copy()
    area[slim], covered[slim], doubled[slim] = alone.zone_area, alone.zone_covered, alone.zone_doubled
    return replace(found, zone_area=area, zone_covered=covered, zone_doubled=doubled)
