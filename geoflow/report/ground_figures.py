"""Pictures of a reconciled log: the ratio map, how the ratio spreads and why, and the orifices over the log."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from geoflow.base import units
from geoflow.report.canvas import BREADTH, FAINT, HEIGHT, INK, MARGIN, PAPER, Sheet, draw_scale, line_height

if TYPE_CHECKING:
    from geoflow.base.arrays import BoolArray, FloatArray, IntArray
    from geoflow.diagnosis import AreaSeries
    from geoflow.layers.ground_rasters import GroundGrid
    from geoflow.reconcile.field import Reconciliation

__all__ = [
    "MISSED",
    "RATIO_CLASSES",
    "UNKNOWN",
    "RatioClass",
    "cause_chart",
    "cell_classes",
    "class_areas",
    "draw_outlines",
    "orifice_chart",
    "paint_cells",
    "ratio_map",
]


@dataclass(frozen=True, slots=True)
class RatioClass:
    """A range of applied over target: the more went down, the darker; stripes where too little did.

    Attributes
    ----------
    name : str
        For the key.
    low, high : float
        Ratio, from (not including) and to; the middle class includes both ends [-].
    fill, stripe : str
        Colours as ``#RRGGBB``; no stripe where empty.
    gap : int
        From stripe to stripe [px].
    """

    name: str
    low: float
    high: float
    fill: str
    stripe: str = ""
    gap: int = 0


RATIO_CLASSES: Final = (
    RatioClass("more than 20 % short", -math.inf, 0.8, "#FFF3B0", "#9A6A00", 8),
    RatioClass("10 to 20 % short", 0.8, 0.9, "#F7D154", "#9A6A00", 18),
    RatioClass("within 10 %", 0.9, 1.1, "#7DB2DA"),
    RatioClass("10 to 20 % over", 1.1, 1.2, "#8B4A8B"),
    RatioClass("more than 20 % over", 1.2, math.inf, "#2E0B33"),
)
MISSED: Final = RatioClass("in the field, no pass", math.nan, math.nan, "#FFFFFF", "#C0392B", 5)
UNKNOWN: Final = RatioClass("passed, not compared", math.nan, math.nan, "#D9D9D4")
_EDGE: Final = 1e-9  # as `reconcile.agreement.within` has it
_MARK: Final = 9
_BINS: Final = 40


def _rgb(colour: str) -> list[int]:
    return [int(colour[at : at + 2], 16) for at in (1, 3, 5)]


def _by_ratio(applied: FloatArray, target: FloatArray) -> IntArray:
    """Class of ground by what it got and was to get: 0 to 4, or 6 where either is not known."""
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = applied / target
    edges = np.array([0.8 - _EDGE, 0.9 - _EDGE, 1.1 + _EDGE, 1.2 + _EDGE])
    # Where nothing was asked, nothing is right and anything too much.
    kind = np.where(target > 0.0, np.searchsorted(edges, ratio), np.where(applied > 0.0, len(RATIO_CLASSES) - 1, 2))
    return np.where(np.isfinite(applied) & np.isfinite(target), kind, len(RATIO_CLASSES) + 1)


def cell_classes(grid: GroundGrid) -> IntArray:
    """Class of each cell: -1 nothing, 0 to 4 by ratio, 5 missed, 6 unknown."""
    covered = grid.passes > 0.0
    kind = np.where(covered, _by_ratio(grid.applied, grid.target), -1)
    # No pass is missed where none was wanted.
    kind[grid.field & ~covered & (grid.target != 0.0)] = len(RATIO_CLASSES)
    return kind


def class_areas(found: Reconciliation) -> FloatArray:
    """Ground of each class [m2], measured and not counted in cells: by ratio, missed, and passed but not compared."""
    laid = found.laid
    areas = np.bincount(_by_ratio(laid.applied, laid.target), weights=laid.area, minlength=len(RATIO_CLASSES) + 2)
    areas[-2] = found.missed if found.has_field else 0.0
    areas[-1] = max(found.overlay.covered - found.agreement.area, 0.0)
    return np.asarray(areas)


def paint_cells(kind: Any, marked: Any, across: Any, down: Any) -> Any:
    """Colour pixels by class with stripes measured in pixels, and crosses where `marked`; shape (high, wide, 3)."""
    image = np.full((*kind.shape, 3), 255, dtype=np.uint8)
    for number, look in enumerate((*RATIO_CLASSES, MISSED, UNKNOWN)):
        own = kind == number
        image[own] = _rgb(look.fill)
        if look.stripe:
            # Missed ground is striped the other way, so that no eye takes it for ground that fell short.
            diagonal = across - down if look is MISSED else across + down
            image[own & (diagonal % look.gap < 2)] = _rgb(look.stripe)
    a, b = across % _MARK, down % _MARK
    cross = ((a == _MARK // 2) & (np.abs(b - _MARK // 2) <= 3)) | ((b == _MARK // 2) & (np.abs(a - _MARK // 2) <= 3))
    image[marked & cross] = 0
    return image


def _key(page: Sheet, left: float, top: float, width: float, entries: Sequence[tuple[Any, tuple[str, str]]]) -> None:
    """Draw swatches with their names; a swatch is a small painted image."""
    for kind, text in entries:
        down, across = np.mgrid[0:40, 0:66]
        shown = np.full((40, 66), kind if isinstance(kind, int) else 2)
        image = paint_cells(shown, np.full((40, 66), kind == "marked"), across, down)
        box = page.axes(left, top, left + 66, top + 40)
        box.imshow(image, interpolation="nearest", aspect="auto")
        box.set_xticks([])
        box.set_yticks([])
        name, amount = text
        below = page.paragraph(left + 82, top - 4, width - 82, name, (10, 9, 8), 1, weight="bold")
        top = max(top + 40, page.paragraph(left + 82, below, width - 82, amount, (9,), 1)) + 14


def ratio_map(
    path: Path,
    grid: GroundGrid,
    outlines: Any,
    marked: BoolArray,
    *,
    areas: FloatArray,
    mark: tuple[str, float] | None,
    title: str,
    subtitle: str,
    system: units.System,
    footer: str,
) -> None:
    """Draw applied over target as a PNG of 1600 by 1200 pixels.

    Parameters
    ----------
    path : Path
        The PNG to write.
    grid : GroundGrid
        What lay on the ground.
    outlines : ndarray of polygons
        Zones or boundary, drawn as lines, in the grid's frame [m].
    marked : ndarray of bool, shape of the grid
        Cells to mark with crosses.
    areas : ndarray, shape (classes,)
        Ground of each class [m2], from `class_areas`.
    mark : tuple of str and float, or None
        What the crosses mean and how much ground it is [m2].
    title, subtitle, footer : str
        The heading, the answer in a sentence, and the safety line.
    system : str
        ``"us"`` or ``"metric"``.
    """
    page, full = Sheet(), BREADTH - 2 * MARGIN
    top = page.paragraph(MARGIN, 30, full, title, (17, 15, 13, 11), 2, weight="bold")
    top = page.paragraph(MARGIN, top + 4, full, subtitle, (12, 11, 10, 9), 3) + 24
    bottom = HEIGHT - 24 - len(page.wrap(footer, full, 9)) * line_height(9)
    page.paragraph(MARGIN, bottom, full, footer, (9,), 1000)
    bottom -= 24
    right = BREADTH - MARGIN - 370
    kind = cell_classes(grid)
    entries: list[tuple[Any, tuple[str, str]]] = []
    for number, (look, area) in enumerate(zip((*RATIO_CLASSES, MISSED, UNKNOWN), areas.tolist(), strict=True)):
        if area > 0.0 or number < len(RATIO_CLASSES):
            entries.append((number, (look.name, units.show(area, "area", system))))
    if mark is not None:
        entries.append(("marked", (mark[0], units.show(mark[1], "area", system))))
    _key(page, right, top, 370, entries)

    wide, high = int(right - 40 - MARGIN), int(bottom - top)
    rows, columns = kind.shape
    scale = 0.98 * min(wide / (columns * grid.cell), high / (rows * grid.cell))  # [px/m]
    down, across = np.mgrid[0:high, 0:wide]
    column = np.floor((across - wide / 2) / scale / grid.cell + columns / 2).astype(np.int64)
    row = np.floor((down - high / 2) / scale / grid.cell + rows / 2).astype(np.int64)
    inside = (column >= 0) & (column < columns) & (row >= 0) & (row < rows)
    place = np.clip(row, 0, rows - 1), np.clip(column, 0, columns - 1)
    image = paint_cells(np.where(inside, kind[place], -1), inside & marked[place], across, down)
    axes = page.axes(MARGIN, top, MARGIN + wide, top + high)
    axes.set_axis_off()
    middle_x = grid.west + 0.5 * columns * grid.cell
    middle_y = grid.north - 0.5 * rows * grid.cell
    reach = (wide / 2 / scale, high / 2 / scale)
    extent = (middle_x - reach[0], middle_x + reach[0], middle_y - reach[1], middle_y + reach[1])
    axes.imshow(image, interpolation="nearest", aspect="auto", extent=extent)
    draw_outlines(axes, outlines)
    axes.set_xlim(*extent[:2])
    axes.set_ylim(*extent[2:])
    draw_scale(page, right, bottom - 40, 370, scale, system)
    page.save(path)


def draw_outlines(axes: Any, outlines: Any) -> None:
    """Draw the outlines of polygons as thin lines."""
    from matplotlib.collections import LineCollection

    rings = shapely.get_rings(shapely.get_parts(np.asarray(outlines, dtype=object)))
    lines = [shapely.get_coordinates(ring) for ring in rings]
    width = 1.0 if len(lines) < 300 else 0.4
    axes.add_collection(LineCollection(lines, colors=INK, linewidths=width), autolim=False)


def cause_chart(
    path: Path,
    ratio: FloatArray,
    area: FloatArray,
    causes: dict[str, float],
    *,
    title: str,
    system: units.System,
) -> None:
    """Draw how the ratio of applied to target spreads over the ground, and why ground was off, as a PNG.

    Parameters
    ----------
    path : Path
        The PNG to write, 1600 by 1200 pixels.
    ratio, area : ndarray, shape (n,)
        Applied over target of each piece of ground [-] and its area [m2].
    causes : dict of str to float
        Area more than 10 % off by cause [m2].
    title : str
        The heading.
    system : str
        ``"us"`` or ``"metric"``.
    """
    page = Sheet()
    top = page.paragraph(MARGIN, 30, BREADTH - 2 * MARGIN, title, (17, 15, 13, 11), 2, weight="bold") + 60
    label = units.unit_label("area", system)
    shown = units.factor(label, "area")
    font = {"size": 11, "color": INK, "family": "DejaVu Sans"}
    axes = page.axes(130, top, 830, HEIGHT - 160)
    known = ~np.isnan(ratio)  # infinite where nothing was asked
    heights, edges = np.histogram(np.clip(ratio[known], 0.0, 2.0), bins=_BINS, range=(0.0, 2.0), weights=area[known])
    axes.axvspan(0.9, 1.1, facecolor="#E3E3DE", edgecolor="none")
    axes.bar(edges[:-1], heights / shown, width=np.diff(edges), align="edge", color="#3C6E97", edgecolor=PAPER)
    axes.axvline(1.0, color=INK, linewidth=1.2)
    axes.set_xlim(0.0, 2.0)
    axes.set_xlabel("Applied over target (grey: within 10 %; the last bar holds 2 and more)", **font)
    axes.set_ylabel(f"Ground [{label}]", **font)
    listed = [(name, value) for name, value in causes.items() if value > 0.0]
    side = page.axes(1090, top, BREADTH - MARGIN - 90, HEIGHT - 160)
    if listed:
        names, values = zip(*reversed(listed), strict=True)
        amounts = np.array(values) / shown
        side.barh(names, amounts, color=FAINT)
        for at, amount in enumerate(amounts):
            side.text(amount, at, f" {amount:,.1f}", va="center", size=10, color=INK, family="DejaVu Sans")
        side.set_xlim(0.0, 1.15 * float(amounts.max()))
    else:
        side.set_yticks([])
        side.text(0.5, 0.5, "No ground is more than 10 % off.", ha="center", transform=side.transAxes, **font)
    side.set_xlabel(f"More than 10 % off, by cause [{label}]", **font)
    page.save(path)


def orifice_chart(path: Path, series: AreaSeries, *, title: str) -> None:
    """Draw the orifices' effective area over the log as a PNG of 1600 by 1200 pixels.

    Parameters
    ----------
    path : Path
        The PNG to write.
    series : AreaSeries
        From `diagnosis.effective_area`.
    title : str
        The heading.
    """
    page = Sheet()
    top = page.paragraph(MARGIN, 30, BREADTH - 2 * MARGIN, title, (17, 15, 13, 11), 2, weight="bold") + 40
    axes = page.axes(150, top, BREADTH - MARGIN, HEIGHT - 230)
    minutes = (series.time - series.time[0]) / 60.0
    font = {"size": 11, "color": INK, "family": "DejaVu Sans"}
    axes.fill_between(minutes, 100 * series.ratio_low, 100 * series.ratio_high, facecolor="#D9D9D4", linewidth=0)
    axes.plot(minutes, 100 * series.ratio, ".", color="#3C6E97", markersize=2.5)
    axes.axhline(100.0, color=INK, linewidth=1.2)
    ends = 100 * np.concatenate([series.ratio_low, series.ratio_high, [1.0]])
    low, high = np.percentile(ends[np.isfinite(ends)], [0.5, 99.5])
    axes.set_ylim(min(low, 90.0) - 2.0, max(high, 110.0) + 2.0)
    axes.set_xlabel("Minutes into the log", **font)
    axes.set_ylabel("Effective orifice area over the bar file's [%]", **font)
    text = (
        "Dots: flow over what the bar file's orifices would pass at the logged pressure and temperature, whole bar on "
        "and liquid. Grey: what the uncertain coefficient and flashing allow. Dots falling below where they began: "
        "plugging; rising: wear, or a pressure transmitter or meter that drifts."
    )
    page.paragraph(MARGIN, HEIGHT - 110, BREADTH - 2 * MARGIN, text, (10, 9), 3)
    page.save(path)
