"""What a reconciled log can show on its ground: ratio, rates asked and given, causes and passes, cell by cell."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.base.units import System, show, show_range, unit_label
from geoflow.layers.ground_rasters import mark_grid
from geoflow.reconciliation.agreement import within
from geoflow.reconciliation.causes import CAUSES, OVERLAP, WORDS
from geoflow.reconciliation.ground import OFF
from geoflow.report.ground_figures import cell_classes, class_areas
from geoflow.report.map_classes import even_edges, steps, within_edges
from geoflow.report.spread_words import rate_spread
from geoflow.report.symbology import GROUND_CLASSES, MISSED, PASSES, STEPS, UNKNOWN, RatioClass, Symbol

if TYPE_CHECKING:
    from geoflow.base.arrays import FloatArray, IntArray
    from geoflow.layers.ground_rasters import GroundGrid
    from geoflow.outcomes import ReconcileOutcome
    from geoflow.reconciliation.field import Reconciliation

__all__ = ["NOWHERE", "Bar", "GroundLayer", "cell_words", "ground_layers"]

NOWHERE: Final = 255
"""Of a cell that belongs to no class, or to no bar."""
_RATIO_BINS, _MOST_RATIO = 40, 2.0
# Less of the ground than this at either end makes no classes of its own [-].
_TRACE: Final = 0.003
_ON_TARGET: Final = "within 10 %"


@dataclass(frozen=True, slots=True)
class Bar:
    """A bar of a histogram.

    Attributes
    ----------
    words : str
        Which ground it stands for.
    low, high : float
        On the axis.
    area, other : float, float or None
        Ground [m2], and what it is held against.
    """

    words: str
    low: float
    high: float
    area: float
    other: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class GroundLayer:
    """One way to colour the ground of a log.

    Attributes
    ----------
    name, title, words : str
        A key, what it is called, and what is shown.
    classes : ndarray of uint8, shape (rows, columns)
        Class of each cell, a place in `symbols`; `NOWHERE` for none.
    symbols : tuple of (Symbol, float)
        Every class with its ground [m2]: measured, not counted in cells; NaN where that is not told.
    bars, axis : tuple of Bar, str
        The histogram beside it, and what it lies over; both empty where the key says it all.
    bins : ndarray of uint8, shape (rows, columns), or None
        Bar of each cell; `NOWHERE` for none.
    """

    name: str
    title: str
    words: str
    classes: np.ndarray[tuple[int, ...], np.dtype[np.uint8]]
    symbols: tuple[tuple[Symbol, float], ...]
    bars: tuple[Bar, ...] = ()
    axis: str = ""
    bins: np.ndarray[tuple[int, ...], np.dtype[np.uint8]] | None = None


def _bytes(places: IntArray) -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
    return np.where(places < 0, NOWHERE, places).astype(np.uint8)


def _striped(one: RatioClass) -> Symbol:
    """Return a class of ground as a symbol; missed ground is striped the other way than ground that fell short."""
    hatch = "" if not one.stripe else "\\\\" if one is MISSED else "//"
    return Symbol(one.name, "", one.fill, hatch, one.stripe or one.fill)


def _ratio(found: Reconciliation, grid: GroundGrid) -> GroundLayer:
    """Applied over target, with the report's own classes and bins."""
    laid = found.laid
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio, cells = laid.applied / laid.target, grid.applied / grid.target
    known = ~np.isnan(ratio)
    heights, edges = np.histogram(
        np.clip(ratio[known], 0.0, _MOST_RATIO), _RATIO_BINS, (0.0, _MOST_RATIO), weights=laid.area[known]
    )
    spans = list(pairwise(edges.tolist()))
    said = [f"{low:.2f} to {high:.2f} of the target" for low, high in spans[:-1]]
    said.append(f"{spans[-1][0]:.2f} of the target or more")
    bars = tuple(
        Bar(text, low, high, area) for text, (low, high), area in zip(said, spans, heights.tolist(), strict=True)
    )
    place = np.floor(np.nan_to_num(np.clip(cells, 0.0, _MOST_RATIO)) / _MOST_RATIO * _RATIO_BINS + 1e-9)
    bins = np.where(np.isnan(cells) | ~(grid.passes > 0.0), -1, np.minimum(place, _RATIO_BINS - 1)).astype(np.int64)
    symbols = tuple(zip(map(_striped, GROUND_CLASSES), class_areas(found).tolist(), strict=True))
    words = "Nitrogen applied over target, all passes together: the more, the darker; stripes where too little fell."
    return GroundLayer(
        "ratio", "Ratio", words, _bytes(cell_classes(grid)), symbols, bars, "applied over target", _bytes(bins)
    )


def _rates(outcome: ReconcileOutcome, grid: GroundGrid, system: System) -> list[GroundLayer]:
    """Rates asked and given in the same classes: the bins of the report, several to a class where they are many."""
    binned = rate_spread(outcome, system)
    if binned is None:
        return []
    found, unit = binned
    label, ends = unit_label("nitrogen rate", system), (found.edges / unit).tolist()
    first, last, each = _usual_bins(found.asked + found.given)
    starts = list(range(first, last, each))
    words = [f"{ends[at]:.4g} to {ends[min(at + each, last)]:.4g} {label}" for at in starts]
    words = [f"under {ends[first]:.4g} {label}", *words, f"{ends[last]:.4g} {label} or more"]
    symbols = list(steps([(text, "", "") for text in words]).values())
    width, bins = float(found.edges[1] - found.edges[0]), found.asked.size
    class_of = np.clip((np.arange(bins) - first) // each + 1, 0, len(starts))
    class_of[last:] = len(starts) + 1
    made = []
    for name, title, of, values, against in (
        ("asked", "Rate asked", found.asked, grid.target, found.given),
        ("given", "Rate given", found.given, grid.applied, found.asked),
    ):
        place_of = np.clip(np.floor(np.nan_to_num(values) / width + 1e-6), 0, bins - 1).astype(np.int64)
        shown = np.isfinite(values) & (grid.field if name == "asked" else grid.passes > 0.0)
        key = tuple(zip(symbols, np.bincount(class_of, of, len(symbols)).tolist(), strict=True))
        each_bin = zip(pairwise(ends), of.tolist(), against.tolist(), strict=True)
        bars = tuple(
            Bar(f"{low:.4g} to {high:.4g} {label}", low, high, area, other) for (low, high), area, other in each_bin
        )
        classes = np.where(shown, class_of[place_of], -1)
        text = f"{title} [{label}], amounts on ground that has both rates: the more, the darker."
        layer = GroundLayer(name, title, text, _bytes(classes), key, bars, f"rate [{label}]", None)
        layer = replace(layer, bins=_bytes(np.where(shown, place_of, -1)))
        made.append(layer)
    return made


def _usual_bins(ground: FloatArray) -> tuple[int, int, int]:
    """First and last bin that holds more than a trace of the ground, and how many bins go to a class of its own."""
    so_far = np.cumsum(ground) / ground.sum()
    first, last = int(np.searchsorted(so_far, _TRACE)), int(np.searchsorted(so_far, 1.0 - _TRACE)) + 1
    return first, last, math.ceil((last - first) / (len(STEPS) - 2))


def _given_alone(found: Reconciliation, grid: GroundGrid, system: System) -> list[GroundLayer]:
    """Rate given where nothing says what was asked."""
    laid, cells = found.laid, np.where(grid.passes > 0.0, grid.applied, np.nan)
    known = np.isfinite(laid.applied)
    if not known.any():
        return []
    edges = even_edges(0.0, max(float(laid.applied[known].max()), 1e-6), "nitrogen rate", system, len(STEPS))
    sums = np.bincount(within_edges(laid.applied[known], edges), laid.area[known], edges.size - 1)
    said = [show_range(*ends, "nitrogen rate", system) for ends in pairwise(edges.tolist())]
    key = tuple(zip(steps([(text, "", "") for text in said]).values(), sums.tolist(), strict=True))
    classes = np.where(np.isfinite(cells), within_edges(np.nan_to_num(cells), edges), -1)
    label = unit_label("nitrogen rate", system)
    return [GroundLayer("given", "Rate given", f"Rate given [{label}]: the more, the darker.", _bytes(classes), key)]


def _causes(found: Reconciliation, grid: GroundGrid) -> GroundLayer:
    """Why ground is off its target; of a strip with several causes that of its largest piece counts."""
    known = np.isfinite(grid.applied) & np.isfinite(grid.target) & (grid.passes > 0.0)
    off = known & ~within(grid.applied, grid.target, OFF)
    names = [name for name, area in found.cause_area.items() if area > 0.0]
    cause = np.zeros(found.log.row.size, dtype=np.int8)
    order = np.argsort(found.piece_area, kind="stable")
    order = order[found.piece_cause[order] != 0]
    cause[found.strip[order]] = found.piece_cause[order]
    # What no strip's cause marks is left to the last word.
    rest = len(names) if CAUSES[-1] not in names else names.index(CAUSES[-1])
    classes = np.where(off, rest, np.where(known, len(names) + 1, -1))
    for at, name in enumerate(names):
        if name != OVERLAP:
            classes[off & mark_grid(grid, found.strips.of(cause == WORDS.index(name))[0])] = at
    if OVERLAP in names:
        classes[off & (grid.passes > 1.0)] = names.index(OVERLAP)
    listed = [(name, found.cause_area[name]) for name in names] + [(CAUSES[-1], 0.0)] * (rest == len(names))
    scale = list(steps([(str(at), "", "") for at in range(max(len(listed), 2))]).values())
    symbols = [(replace(scale[at], word=name), area) for at, (name, area) in enumerate(listed)]
    if rest != len(names):
        classes[classes == len(names) + 1] = len(names)
    on_target = float(found.agreement.area - sum(found.cause_area.values()))
    symbols.append((Symbol(_ON_TARGET, "", UNKNOWN.fill), max(on_target, 0.0)))
    words = "Why ground is more than 10 % off its target; where several passes lie, their overlap."
    return GroundLayer("cause", "Cause", words, _bytes(classes), tuple(symbols))


def _passes(found: Reconciliation, grid: GroundGrid) -> GroundLayer:
    missed = found.missed if found.has_field else 0.0
    classes = np.where(grid.passes > 1.0, 2, np.where(grid.passes > 0.0, 1, -1))
    classes[grid.field & (grid.passes == 0.0) & (grid.target != 0.0)] = 0
    once = max(found.overlay.covered - found.overlay.doubled, 0.0)
    symbols = (
        (_striped(MISSED), missed),
        (Symbol("one pass", "", PASSES[1]), once),
        (Symbol("more than one pass", "", PASSES[3], "xx", PASSES[0]), found.overlay.doubled),
    )
    return GroundLayer("passes", "Passes", "Passes over the ground.", _bytes(classes), symbols)


def ground_layers(outcome: ReconcileOutcome, grid: GroundGrid, system: System) -> list[GroundLayer]:
    """Return the layers of a reconciled log, the first one shown first.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    grid : GroundGrid
        Its ground in cells.
    system : str
        ``"us"`` or ``"metric"``.
    """
    found = outcome.found
    if not found.agreement.area > 0.0:
        return [*_given_alone(found, grid, system), _passes(found, grid)]
    return [_ratio(found, grid), *_rates(outcome, grid, system), _causes(found, grid), _passes(found, grid)]


def cell_words(grid: GroundGrid, system: System) -> str:
    """Say how coarse the drawing is, and that its numbers are not.

    Parameters
    ----------
    grid : GroundGrid
        The ground in cells.
    system : str
        ``"us"`` or ``"metric"``.
    """
    return f"Drawn in squares of {show(grid.cell, 'length', system)}; areas are measured, not counted in squares."
