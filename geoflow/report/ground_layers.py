"""What a reconciled log can show on its ground: ratio, rates asked and given, causes and passes, cell by cell."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.base.units import System, show, unit_label
from geoflow.layers.ground_rasters import mark_grid
from geoflow.reconciliation.agreement import within
from geoflow.reconciliation.causes import CAUSES, OVERLAP
from geoflow.reconciliation.ground import OFF
from geoflow.report.ground_figures import cell_classes, class_areas
from geoflow.report.map_classes import steps
from geoflow.report.spread_words import rate_spread
from geoflow.report.symbology import GROUND_CLASSES, MISSED, PASSES, STEPS, UNKNOWN, RatioClass, Symbol

if TYPE_CHECKING:
    from geoflow.base.arrays import IntArray
    from geoflow.layers.ground_rasters import GroundGrid
    from geoflow.outcomes import ReconcileOutcome
    from geoflow.reconciliation.field import Reconciliation

__all__ = ["NOWHERE", "Bar", "GroundLayer", "cell_words", "ground_layers"]

NOWHERE: Final = 255
"""Of a cell that belongs to no class, or to no bar."""
_RATIO_BINS, _MOST_RATIO = 40, 2.0
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
    words = (
        "Nitrogen applied over the target, all passes together: the more, the darker; stripes where too little fell."
    )
    return GroundLayer(
        "ratio", "Ratio", words, _bytes(cell_classes(grid)), symbols, bars, "applied over target", _bytes(bins)
    )


def _rates(outcome: ReconcileOutcome, grid: GroundGrid, system: System) -> list[GroundLayer]:
    """Rates asked and given in the same classes: the bins of the report, several to a class where they are many."""
    binned = rate_spread(outcome, system)
    if binned is None:
        return []
    found, unit = binned
    last = int(np.flatnonzero(found.asked + found.given > 0.0)[-1]) + 1
    edges = found.edges[: last + 1]
    each = math.ceil(last / len(STEPS))
    label, ends = unit_label("nitrogen rate", system), (edges / unit).tolist()
    starts = range(0, last, each)
    words = [f"{ends[at]:.4g} to {ends[min(at + each, last)]:.4g} {label}" for at in starts]
    symbols = list(steps([(text, "", "") for text in words]).values())
    made = []
    for name, title, of, values, against in (
        ("asked", "Rate asked", found.asked, grid.target, found.given),
        ("given", "Rate given", found.given, grid.applied, found.asked),
    ):
        place = np.floor(np.nan_to_num(values) / (edges[1] - edges[0]) + 1e-6).astype(np.int64)
        shown = np.isfinite(values) & (grid.field if name == "asked" else grid.passes > 0.0)
        bins = np.where(shown & (place < last), np.maximum(place, 0), -1)
        sums = [float(of[at : at + each].sum()) for at in starts]
        bars = tuple(
            Bar(f"{low:.4g} to {high:.4g} {label}", low, high, float(of[at]), float(against[at]))
            for at, (low, high) in enumerate(pairwise(ends))
        )
        text = f"{title} [{label}], on ground that has both rates: the more, the darker."
        classes = np.where(bins < 0, -1, bins // each)
        key = tuple(zip(symbols, sums, strict=True))
        made.append(GroundLayer(name, title, text, _bytes(classes), key, bars, f"rate [{label}]", _bytes(bins)))
    return made


def _causes(found: Reconciliation, grid: GroundGrid) -> GroundLayer:
    """Why ground is off its target; of a strip with several causes that of its largest piece counts."""
    known = np.isfinite(grid.applied) & np.isfinite(grid.target) & (grid.passes > 0.0)
    off = known & ~within(grid.applied, grid.target, OFF)
    names = [name for name, area in found.cause_area.items() if area > 0.0]
    cause = np.full(found.log.row.size, "", dtype=object)
    order = np.argsort(found.piece_area, kind="stable")
    order = order[found.piece_cause[order] != ""]
    cause[found.strip[order]] = found.piece_cause[order]
    # What no strip's cause marks is left to the last word.
    rest = len(names) if CAUSES[-1] not in names else names.index(CAUSES[-1])
    classes = np.where(off, rest, np.where(known, len(names) + 1, -1))
    for at, name in enumerate(names):
        if name != OVERLAP:
            classes[off & mark_grid(grid, found.strips.of(cause == name)[0])] = at
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
        return [_passes(found, grid)]
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
