"""Pictures of a reconciled log: the ratio map, how the ratio spreads and why, and the orifices over the log."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from geoflow.base import units
from geoflow.report.canvas import DPI, FONT, Box, Canvas, Entry, Heading, Picture, poster, report_figure
from geoflow.report.map_sheet import Extent, map_sheet
from geoflow.report.symbology import DOTS, FAINT, GROUND_CLASSES, INK, MISSED, PAPER, RATIO_CLASSES, SHADE

if TYPE_CHECKING:
    from geoflow.base.arrays import BoolArray, FloatArray, IntArray
    from geoflow.diagnosis import AreaSeries
    from geoflow.layers.ground_rasters import GroundGrid
    from geoflow.reconciliation.agreement import Spread
    from geoflow.reconciliation.field import Reconciliation
    from geoflow.reconciliation.ground import Ground

__all__ = [
    "ORIFICE_WORDS",
    "RATES_WORDS",
    "SPREAD_WORDS",
    "cell_classes",
    "class_areas",
    "laid_areas",
    "orifice_figure",
    "paint_cells",
    "rates_figure",
    "ratio_figure",
    "spread_figure",
]

RATES_WORDS: Final = "Filled: ground by the rate asked for. Outlined: the same ground by the rate it got."
SPREAD_WORDS: Final = "The last bar on the left holds everything that got twice its target or more."
ORIFICE_WORDS: Final = (
    "Dots: flow over what the bar file's orifices would pass at the logged pressure and temperature, whole bar on and "
    "liquid. Grey: what the uncertain coefficient and flashing allow. Falling: plugging; rising: wear, or a "
    "transmitter or meter that drifts."
)
_EDGE: Final = 1e-9  # as `reconciliation.agreement.within` has it
_CROSS: Final = 9  # [px]
_BINS: Final = 40
# Ends of a chart that hold less of the ground than this show nothing.
_TAIL: Final = 0.002
_ROUNDING: Final = 1e-6  # share of the ground covered that is none
_WITHIN: Final = 2  # place of the middle class


def _rgb(colour: str) -> list[int]:
    return [int(colour[at : at + 2], 16) for at in (1, 3, 5)]


def _by_ratio(applied: FloatArray, target: FloatArray) -> IntArray:
    """Class of ground by what it got and was to get: 0 to 4, or 6 where either is not known."""
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = applied / target
    edges = np.array([0.8 - _EDGE, 0.9 - _EDGE, 1.1 + _EDGE, 1.2 + _EDGE])
    # Where nothing was asked, nothing is right and anything too much.
    unasked = np.where(applied > 0.0, len(RATIO_CLASSES) - 1, _WITHIN)
    kind = np.where(target > 0.0, np.searchsorted(edges, ratio), unasked)
    return np.where(np.isfinite(applied) & np.isfinite(target), kind, len(RATIO_CLASSES) + 1)


def cell_classes(grid: GroundGrid) -> IntArray:
    """Class of each cell: -1 nothing, 0 to 4 by ratio, 5 missed, 6 unknown.

    Parameters
    ----------
    grid : GroundGrid
        What lay on the ground.
    """
    covered = grid.passes > 0.0
    kind = np.where(covered, _by_ratio(grid.applied, grid.target), -1)
    # No pass is missed where none was wanted.
    kind[grid.field & ~covered & (grid.target != 0.0)] = len(RATIO_CLASSES)
    return kind


def class_areas(found: Reconciliation) -> FloatArray:
    """Ground of each class [m2], measured and not counted in cells: by ratio, missed, and passed but not compared.

    Parameters
    ----------
    found : Reconciliation
        The reconciled log.
    """
    missed = found.missed if found.has_field else 0.0
    unknown = found.overlay.covered - found.agreement.area
    # What rounding leaves of a difference is no ground, and must not be drawn as 0.00 ac.
    return laid_areas(found.laid, missed, unknown if unknown > _ROUNDING * found.overlay.covered else 0.0)


def laid_areas(laid: Ground, missed: float, unknown: float) -> FloatArray:
    """The same for what lies on the ground, with what is missed and not compared [m2].

    Parameters
    ----------
    laid : Ground
        What the ground got.
    missed, unknown : float
        [m2]
    """
    areas = np.bincount(_by_ratio(laid.applied, laid.target), weights=laid.area, minlength=len(GROUND_CLASSES))
    areas[-2], areas[-1] = missed, unknown
    return np.asarray(areas)


def paint_cells(kind: Any, marked: Any, across: Any, down: Any) -> Any:
    """Colour pixels by class, with stripes and crosses measured in pixels.

    Parameters
    ----------
    kind : ndarray of int, shape (high, wide)
        As from `cell_classes`.
    marked : ndarray of bool, shape (high, wide)
        Where crosses go.
    across, down : ndarray of int, shape (high, wide)
        Place of each pixel [px].

    Returns
    -------
    ndarray of uint8, shape (high, wide, 3)
    """
    image = np.full((*kind.shape, 3), 255, dtype=np.uint8)
    for number, symbol in enumerate(GROUND_CLASSES):
        own = kind == number
        image[own] = _rgb(symbol.fill)
        if symbol.stripe:
            # Missed ground is striped the other way, so that no eye takes it for ground that fell short.
            diagonal = across - down if symbol is MISSED else across + down
            image[own & (diagonal % symbol.gap < 2)] = _rgb(symbol.stripe)
    a, b = np.abs(across % _CROSS - _CROSS // 2), np.abs(down % _CROSS - _CROSS // 2)
    image[marked & (((a == 0) & (b <= 3)) | ((b == 0) & (a <= 3)))] = 0
    return image


def _pixels(box: Box) -> tuple[Any, Any]:
    """Place down and across of each pixel of a box."""
    down, across = np.mgrid[0 : round(box.height * DPI), 0 : round(box.width * DPI)]
    return down, across


def _swatch(kind: int, *, marked: bool) -> Any:
    def draw(canvas: Canvas, box: Box) -> None:
        down, across = _pixels(box)
        axes = canvas.axes(box)
        image = paint_cells(np.full(down.shape, kind), np.full(down.shape, marked), across, down)
        axes.imshow(image, interpolation="nearest", aspect="auto")
        axes.set_xticks([])
        axes.set_yticks([])

    return draw


def _entries(areas: FloatArray, mark: tuple[str, float] | None, system: units.System) -> list[Entry]:
    """The key: every ratio, other ground and crosses where there is any."""
    found = [
        Entry(_swatch(number, marked=False), symbol.name, (units.show(area, "area", system, 2),))
        for number, (symbol, area) in enumerate(zip(GROUND_CLASSES, areas.tolist(), strict=True))
        if area > 0.0 or number < len(RATIO_CLASSES)
    ]
    if mark is not None:
        found.append(Entry(_swatch(_WITHIN, marked=True), mark[0], (units.show(mark[1], "area", system, 2),)))
    return found


def _paint(grid: GroundGrid, marked: BoolArray, box: Box, scale: float) -> Any:
    """Paint the cells at a scale [in/m] into the pixels of a box, in its middle."""
    kind, (down, across) = cell_classes(grid), _pixels(box)
    (rows, columns), (high, wide) = kind.shape, down.shape
    column = np.floor((across - wide / 2) / scale / DPI / grid.cell + columns / 2).astype(np.int64)
    row = np.floor((down - high / 2) / scale / DPI / grid.cell + rows / 2).astype(np.int64)
    inside = (column >= 0) & (column < columns) & (row >= 0) & (row < rows)
    place = np.clip(row, 0, rows - 1), np.clip(column, 0, columns - 1)
    return paint_cells(np.where(inside, kind[place], -1), inside & marked[place], across, down)


def _draw_outlines(axes: Any, outlines: Any) -> None:
    from matplotlib.collections import LineCollection

    rings = shapely.get_rings(shapely.get_parts(np.asarray(outlines, dtype=object)))
    lines = [shapely.get_coordinates(ring) for ring in rings]
    axes.add_collection(LineCollection(lines, colors=INK, linewidths=0.9 if len(lines) < 300 else 0.3), autolim=False)


def ratio_figure(
    grid: GroundGrid,
    outlines: Any,
    marked: BoolArray,
    *,
    areas: FloatArray,
    mark: tuple[str, float] | None,
    system: units.System,
    heading: Heading | None = None,
) -> Picture:
    """Draw applied over target.

    Parameters
    ----------
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
    system : str
        ``"us"`` or ``"metric"``.
    heading : Heading, optional
        Makes a poster of it.

    Returns
    -------
    bytes, tuple of float
        The PNG, and its size on paper [in].
    """
    rows, columns = grid.passes.shape
    extent = Extent(grid.west, grid.north - rows * grid.cell, grid.west + columns * grid.cell, grid.north)
    sheet = map_sheet(extent.aspect, heading)
    box = sheet.maps[0]
    scale = extent.scale_in(box)
    axes, shown = sheet.axes(0, extent, scale), extent.around(box, scale)
    place = (shown.west, shown.east, shown.south, shown.north)
    axes.imshow(_paint(grid, marked, box, scale), interpolation="nearest", aspect="auto", extent=place)
    _draw_outlines(axes, outlines)
    axes.set(xlim=place[:2], ylim=place[2:])
    sheet.scale_bar(scale, system)
    return sheet.canvas.save(sheet.canvas.key(sheet.key, _entries(areas, mark, system), 1 if sheet.beside else 3))


def _begin_chart(heading: Heading | None, height: float) -> tuple[Canvas, Box]:
    """Begin a chart, of a height [in] in a report."""
    if heading is not None:
        return poster(heading)
    canvas, body = report_figure()
    return canvas, Box(body.left, 0.0, body.width, height)


def _draw_spread(axes: Any, ratio: FloatArray, area: FloatArray) -> None:
    """Draw how much ground [reader's unit] got which ratio."""
    known = ~np.isnan(ratio)  # infinite where nothing was asked
    heights, edges = np.histogram(np.clip(ratio[known], 0.0, 2.0), bins=_BINS, range=(0.0, 2.0), weights=area[known])
    axes.axvspan(0.9, 1.1, facecolor=SHADE, edgecolor="none")
    axes.bar(edges[:-1], heights, width=np.diff(edges), align="edge", color=DOTS, edgecolor=PAPER)
    axes.axvline(1.0, color=INK, linewidth=1.0)
    axes.set_xlim(0.0, 2.0)


def _draw_causes(axes: Any, causes: dict[str, float]) -> None:
    """Draw how much ground [reader's unit] was off for each cause."""
    listed = [(name, value) for name, value in causes.items() if value > 0.0]
    if not listed:
        axes.set_yticks([])
        axes.text(0.5, 0.5, "no ground is\nmore than 10 % off", ha="center", size=8, transform=axes.transAxes, **FONT)
        return
    names, amounts = zip(*reversed(listed), strict=True)
    axes.barh(names, amounts, color=FAINT, height=0.6)
    for at, amount in enumerate(amounts):
        axes.text(amount, at, f" {amount:,.2f}", va="center", size=7.5, **FONT)
    axes.set_xlim(0.0, 1.35 * max(amounts))
    axes.locator_params(axis="x", nbins=3)


def spread_figure(
    ratio: FloatArray, area: FloatArray, causes: dict[str, float], system: units.System, heading: Heading | None = None
) -> Picture:
    """Draw how the ratio of applied to target spreads over the ground, and the area off its target by cause.

    Parameters
    ----------
    ratio, area : ndarray, shape (n,)
        Applied over target of each piece of ground [-], and its area [m2].
    causes : dict of str to float
        Area more than 10 % off by cause [m2].
    system : str
        ``"us"`` or ``"metric"``.
    heading : Heading, optional
        Makes a poster of it.

    Returns
    -------
    bytes, tuple of float
        The PNG, and its size on paper [in].
    """
    canvas, body = _begin_chart(heading, 2.9)
    label = units.unit_label("area", system)
    shown = units.factor(label, "area")
    tall = body.height - 0.65
    axes = canvas.axes(Box(body.left + 0.62, body.top + 0.15, body.width - 4.1, tall))
    side = canvas.axes(Box(body.right - 2.05, body.top + 0.15, 1.6, tall))
    _draw_spread(axes, ratio, area / shown)
    _draw_causes(side, {name: value / shown for name, value in causes.items()})
    axes.set_xlabel("applied over target (grey: within 10 %)", size=8, **FONT)
    axes.set_ylabel(f"ground [{label}]", size=8, **FONT)
    side.set_xlabel(f"more than 10 % off, by cause [{label}]", size=8, **FONT)
    for each in (axes, side):
        each.tick_params(labelsize=7.5)
    return canvas.save(body.bottom)


def _where_most_lies(ground: FloatArray) -> tuple[int, int, float]:
    """First and last bin between which all ground lies but next to nothing at either end, and the share beyond [-]."""
    whole, summed = float(ground.sum()), np.cumsum(ground)
    first = int(np.argmax(summed > _TAIL * whole))
    last = ground.size - 1 - int(np.argmax(np.cumsum(ground[::-1]) > _TAIL * whole))
    return first, last, 1.0 - float(ground[first : last + 1].sum()) / whole if whole else 0.0


def rates_figure(found: Spread, unit: float, system: units.System, heading: Heading | None = None) -> Picture:
    """Draw how much ground was to get which rate, and how much got it.

    Parameters
    ----------
    found : Spread
        From `reconciliation.agreement.spread`.
    unit : float
        One of the reader's units of rate [kg/m2].
    system : str
        ``"us"`` or ``"metric"``.
    heading : Heading, optional
        Makes a poster of it.

    Returns
    -------
    bytes, tuple of float
        The PNG, and its size on paper [in].
    """
    canvas, body = _begin_chart(heading, 2.9)
    axes = canvas.axes(Box(body.left + 0.62, body.top + 0.15, body.width - 0.75, body.height - 0.65))
    rate, area = (units.unit_label(kind, system) for kind in ("nitrogen rate", "area"))
    edges = found.edges / unit
    asked, given = (each / units.factor(area, "area") for each in (found.asked, found.given))
    axes.stairs(asked, edges, fill=True, color=DOTS)
    axes.stairs(given, edges, color=INK, linewidth=1.4)
    first, last, left = _where_most_lies(asked + given)
    axes.set_xlim(edges[max(first - 1, 0)], edges[min(last + 2, edges.size - 1)])
    axes.set_ylim(0.0, 1.08 * float(max(asked.max(), given.max())))
    axes.tick_params(labelsize=7.5)
    rest = f"; {100.0 * left:.2g} % of the ground lies beyond" if left > 0.0 else ""
    axes.set_xlabel(f"rate [{rate}]{rest}", size=8, **FONT)
    axes.set_ylabel(f"ground [{area}]", size=8, **FONT)
    return canvas.save(body.bottom)


def orifice_figure(series: AreaSeries, heading: Heading | None = None) -> Picture:
    """Draw the orifices' effective area over the log.

    Parameters
    ----------
    series : AreaSeries
        From `diagnosis.effective_area`; not empty.
    heading : Heading, optional
        Makes a poster of it.

    Returns
    -------
    bytes, tuple of float
        The PNG, and its size on paper [in].
    """
    canvas, body = _begin_chart(heading, 2.6)
    axes = canvas.axes(Box(body.left + 0.62, body.top + 0.15, body.width - 0.75, body.height - 0.65))
    minutes = (series.time - series.time[0]) / 60.0
    axes.fill_between(minutes, 100 * series.ratio_low, 100 * series.ratio_high, facecolor=SHADE, linewidth=0)
    axes.plot(minutes, 100 * series.ratio, ".", color=DOTS, markersize=2)
    axes.axhline(100.0, color=INK, linewidth=1.0)
    ends = 100 * np.concatenate([series.ratio_low, series.ratio_high, [1.0]])
    low, high = np.percentile(ends[np.isfinite(ends)], [0.5, 99.5])
    axes.set_ylim(min(low, 90.0) - 2.0, max(high, 110.0) + 2.0)
    axes.tick_params(labelsize=7.5)
    axes.set_xlabel("minutes into the log", size=8, **FONT)
    axes.set_ylabel("orifice area [% of bar file]", size=8, **FONT)
    return canvas.save(body.bottom)
