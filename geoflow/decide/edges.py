"""What becomes of zones that hold with the whole bar on: at the field's edges, and at the end of a tank."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import BoolArray, FloatArray, IntArray, TextArray
from geoflow.base.rates import ammonia_flow
from geoflow.decide.beyond import Beyond
from geoflow.decide.vet import Solution, Vetting, asked_of_rows
from geoflow.hydraulics.window import Bounds, flow_window, temperature_grid
from geoflow.physics.tanks import drawn_temperature

__all__ = ["edge_area", "edge_patterns", "look_beyond", "lost_at_the_edges", "lost_at_the_end_of_a_tank"]

_ROUNDING: Final = 1e-9
_HEEL: Final = 0.05
# Temperatures of the plan a pattern is solved at; the ends of the window bend little between.
_TEMPERATURES: Final = 3
# From so many zones on each counts whole or not at all, by its middle.
_MANY_ZONES: Final = 2000
_SNAP: Final = 0.05  # [m]
_MOST_CELLS: Final = 4_000_000


def edge_patterns(bar: Bar) -> list[tuple[int, ...]]:
    """Sections that are on where the bar reaches over an outline: from either end, any number but all.

    Single sections off at an end and half the bar are among them. Patterns that are alike to the hydraulics (as many
    sections of every kind) are told once.

    Parameters
    ----------
    bar : Bar
        Sections from left to right.
    """
    count, seen, found = len(bar.sections), set(), []
    for on in range(count - 1, 0, -1):
        for pattern in (tuple(range(on)), tuple(range(count - on, count))):
            kinds = tuple(sorted(repr((one.rows, one.orifice, one.feed)) for one in (bar.sections[i] for i in pattern)))
            if kinds not in seen:
                seen.add(kinds)
                found.append(pattern)
    return found


def _outline(zones: NDArray[Any], area: FloatArray, ground: Any) -> Any:
    """Outline of the field, a hair outside it, so that hairs between neighbours are none."""
    if ground is not None:
        return shapely.boundary(shapely.buffer(ground, _SNAP, join_style="mitre"))
    try:
        # Zones that fit together corner by corner are joined in a tenth of the time; where they do not it shows.
        field = shapely.coverage_union_all(zones)
        fits = abs(float(shapely.area(field)) - float(area.sum())) <= _ROUNDING * float(area.sum())
    except shapely.errors.GEOSException:
        fits = False
    if fits:
        return shapely.boundary(shapely.buffer(field, _SNAP, join_style="mitre"))
    return shapely.boundary(shapely.union_all(shapely.buffer(zones, _SNAP, quad_segs=1)))


def edge_area(zones: NDArray[Any], width: float, ground: Any = None) -> FloatArray:
    """Ground of each zone within a bar's width of the field's outline [m2].

    Parameters
    ----------
    zones : ndarray of Polygon or MultiPolygon, shape (zones,)
        In metres; of more than 2,000 each counts whole or not at all, by its middle.
    width : float
        Of the bar [m].
    ground : Polygon or MultiPolygon, optional
        What the zones cover, where that is known.
    """
    whole = np.asarray(shapely.area(zones), dtype=np.float64)
    if not len(zones):
        return whole
    outline = _outline(zones, whole, ground)
    width += _SNAP
    shapely.prepare(outline)
    if len(zones) > _MANY_ZONES:
        near = _may_be_near(zones, outline, width)
        middles = shapely.centroid(zones[near])
        near[near] = shapely.dwithin(outline, middles, width)
        return np.where(near, whole, 0.0)
    strip = shapely.buffer(outline, width)
    return np.asarray(np.minimum(shapely.area(shapely.intersection(zones, strip)), whole))


def _may_be_near(zones: NDArray[Any], outline: Any, width: float) -> BoolArray:
    """Which zones share a cell, or touch the next one, with the outline: no others have their middles within a width.

    The cells are as wide as the bar; so an outline is marked in them by points closer together than that.
    """
    low_x, low_y, high_x, high_y = shapely.bounds(zones).T
    origin = np.array([low_x.min(), low_y.min()]) - 2.0 * width
    size = np.ceil((np.array([high_x.max(), high_y.max()]) + 2.0 * width - origin) / width).astype(np.int64) + 1
    if size.prod() > _MOST_CELLS:
        return np.ones(len(zones), dtype=np.bool_)
    marked = np.zeros(size, dtype=np.bool_)
    at = ((shapely.get_coordinates(shapely.segmentize(outline, width)) - origin) / width).astype(np.int64)
    for right in range(-2, 3):
        for up in range(-2, 3):
            marked[np.clip(at[:, 0] + right, 0, size[0] - 1), np.clip(at[:, 1] + up, 0, size[1] - 1)] = True
    # Middles lie within the boxes; a box of several cells is looked at in any case.
    first, last = (
        ((np.column_stack(corner) - origin) / width).astype(np.int64) for corner in ((low_x, low_y), (high_x, high_y))
    )
    small = (last - first <= 1).all(axis=1)
    found = ~small
    for column in (first[:, 0], last[:, 0]):
        for row in (first[:, 1], last[:, 1]):
            found |= marked[column, row]
    return np.asarray(found)


def _judged(flows: tuple[FloatArray, FloatArray], certain: Bounds, possible: Bounds) -> tuple[TextArray, TextArray]:
    """Verdict of flows against a window, and the limit that ends it on the side that is missed more."""
    low, high = flows
    inside = [
        (low >= ends.low * (1.0 - _ROUNDING)) & (high <= ends.high * (1.0 + _ROUNDING)) for ends in (certain, possible)
    ]
    verdict = np.select(inside, ["holds", "doubtful"], "fails")
    with np.errstate(divide="ignore", invalid="ignore"):
        short = [ends.low / low >= high / ends.high for ends in (certain, possible)]
    names = [
        np.where(side, ends.low_limit, ends.high_limit) for side, ends in zip(short, (certain, possible), strict=True)
    ]
    limit = np.select([verdict == "holds", verdict == "doubtful"], ["", names[0]], names[1])
    return verdict, limit


def _worst(
    rate: FloatArray, area: FloatArray, solution: Solution, vetting: Vetting,
    patterns: list[tuple[int, ...]], kelvin: FloatArray, temperature: float | None = None,
) -> Beyond:  # fmt: skip
    """Judge the zones that hold by every pattern and keep the worst."""
    bar = solution.bar
    # Zones of one rate and speed share their verdict; a map has far fewer rates than zones.
    first, back = _distinct(rate, *vetting.driven)
    some, speeds = rate[first], [speed[first] for speed in vetting.driven]
    verdict, limit = vetting.verdict[first].astype(object), np.full(len(some), "", dtype=object)
    on, good = limit.copy(), vetting.verdict[first] == "holds"
    names = [",".join(bar.sections[index].name for index in pattern) for pattern in patterns]
    for pattern, name in zip(patterns, names, strict=True):
        asked = replace(solution.plan, sections=pattern)
        window = asked_of_rows(flow_window(bar, kelvin, pattern), bar, asked)
        certain, possible = window.both_over_plan(commanded=True)
        slow, fast = (ammonia_flow(some, speed, window.width, bar.nitrogen_fraction) for speed in speeds)
        found, why = _judged((slow, fast), certain, possible)
        worse = good & ((found == "fails") & (verdict != "fails") | (found == "doubtful") & (verdict == "holds"))
        verdict, limit, on = (
            np.where(worse, new, old) for new, old in ((found, verdict), (why, limit), (name, on))
        )  # fmt: skip
    # Where nothing is asked nothing holds or fails, there as in the plan.
    asking = np.where(rate > 0.0, area, 0.0)
    return Beyond(
        asking, verdict.astype(str)[back], limit.astype(str)[back], on.astype(str)[back], tuple(names), temperature
    )


def _distinct(rate: FloatArray, slow: FloatArray, fast: FloatArray) -> tuple[IntArray, IntArray]:
    """Return a zone for each rate and speeds there are, and which of these each zone has."""
    alike = rate.size > 0 and all((speed == speed[0]).all() for speed in (slow, fast))
    keys = rate if alike else np.column_stack([rate, slow, fast])
    _, first, back = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    return first, back.ravel()


def lost_at_the_edges(
    rate: FloatArray, zones: NDArray[Any], solution: Solution, vetting: Vetting, ground: Any = None
) -> Beyond | None:
    """Look at zones that hold with the whole bar on where sections are off at the outline; None of a single section.

    Parameters
    ----------
    rate : ndarray, shape (zones,)
        Nitrogen rate [kg/m2].
    zones : ndarray of Polygon or MultiPolygon, shape (zones,)
        In metres.
    solution, vetting
        Of the whole bar.
    ground : Polygon or MultiPolygon, optional
        What the zones cover, where that is known.
    """
    patterns = edge_patterns(solution.bar)
    if not patterns or solution.plan.sections != tuple(range(len(solution.bar.sections))):
        return None
    low, high = solution.plan.temperature
    kelvin = temperature_grid(low, high, max((high - low) / (_TEMPERATURES - 1), 1e-9))
    return _worst(rate, edge_area(zones, solution.window.width, ground), solution, vetting, patterns, kelvin)


def lost_at_the_end_of_a_tank(
    rate: FloatArray, area: FloatArray, solution: Solution, vetting: Vetting
) -> Beyond | None:
    """Look at zones that hold with the liquid a tank has cooled to at 5 % full; None without a tank.

    Parameters
    ----------
    rate, area : ndarray, shape (zones,)
        Nitrogen rate [kg/m2] and area [m2].
    solution, vetting
        As planned.
    """
    tank = solution.bar.tank
    if tank is None or tank.fill <= _HEEL:
        return None
    cold = float(drawn_temperature(solution.plan.temperature[0], tank.fill, _HEEL))
    return _worst(rate, area, solution, vetting, [solution.plan.sections], np.array([cold]), cold)


def look_beyond(
    rate: FloatArray,
    area: FloatArray,
    zones: NDArray[Any],
    solution: Solution,
    vetting: Vetting,
    *,
    stated: bool,
    ground: Any = None,
) -> tuple[Beyond, ...]:
    """Look at the edges, unless the sections were stated, and at the end of a tank, where there is one.

    Parameters
    ----------
    rate, area : ndarray, shape (zones,)
        Nitrogen rate [kg/m2] and area [m2].
    zones : ndarray of Polygon or MultiPolygon, shape (zones,)
        In metres.
    solution, vetting
        As planned.
    stated : bool
        Whether somebody said which sections are on.
    ground : Polygon or MultiPolygon, optional
        What the zones cover, where that is known.
    """
    edges = None if stated else lost_at_the_edges(rate, zones, solution, vetting, ground)
    end = lost_at_the_end_of_a_tank(rate, area, solution, vetting)
    return tuple(one for one in (edges, end) if one is not None)
