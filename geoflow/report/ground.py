"""Figures of a reconciled log for a report, drawn at the size they are printed in."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base import units
from geoflow.report.canvas import INK, PAPER
from geoflow.report.ground_figures import MISSED, RATIO_CLASSES, UNKNOWN, cell_classes, draw_outlines, paint_cells
from geoflow.report.maps import draw_scale
from geoflow.report.symbology import BREADTH, as_png, blank

if TYPE_CHECKING:
    from geoflow.base.arrays import BoolArray, FloatArray
    from geoflow.diagnosis import AreaSeries
    from geoflow.layers.ground_rasters import GroundGrid

__all__ = ["orifice_figure", "ratio_figure", "spread_figure"]

_DOTS: Final = 200  # per inch
_TALLEST: Final = 3.4  # [in]
_COLUMNS: Final = 3
_ROW: Final = 0.5
_BINS: Final = 40
_FONT: Final[dict[str, Any]] = {"family": "DejaVu Sans", "color": INK}


def _image(kind: Any, marked: Any, across: Any, down: Any) -> Any:
    """Paint classes as `ground_figures` does, but stripe missed ground the other way: in grey colour tells nothing."""
    image = paint_cells(kind, marked, across, down)
    missed = kind == len(RATIO_CLASSES)
    image[missed] = 255
    image[missed & ((across - down) % 12 < 3)] = 90
    return image


def _swatch(figure: Any, left: float, base: float, kind: int, *, marked: bool) -> None:
    """Paint one class of the key, 0.42 by 0.25 in."""
    wide, high = figure.get_size_inches()
    down, across = np.mgrid[0:50, 0:84]
    image = _image(np.full(down.shape, kind), np.full(down.shape, marked), across, down)
    axes = figure.add_axes((left / wide, base / high, 0.42 / wide, 0.25 / high))
    axes.imshow(image, interpolation="nearest", aspect="auto")
    axes.set_xticks([])
    axes.set_yticks([])


def ratio_figure(
    grid: GroundGrid,
    outlines: Any,
    marked: BoolArray,
    *,
    areas: FloatArray,
    mark: tuple[str, float] | None,
    system: units.System,
) -> tuple[bytes, tuple[float, float]]:
    """Draw applied over target; parameters as for `ground_figures.ratio_map`.

    Returns
    -------
    bytes, tuple of float
        The PNG, and its size on paper [in].
    """
    kind = cell_classes(grid)
    entries: list[tuple[int, str, float]] = []
    for number, (look, area) in enumerate(zip((*RATIO_CLASSES, MISSED, UNKNOWN), areas.tolist(), strict=True)):
        if area > 0.0 or number < len(RATIO_CLASSES):
            entries.append((number, look.name, area))
    rows, columns = kind.shape
    extra = 0 if mark is None else 1
    lines = math.ceil((len(entries) + extra) / _COLUMNS)
    map_height = min(_TALLEST, max(1.2, 0.98 * BREADTH * rows / columns))
    height = map_height + 0.6 + lines * _ROW
    figure = blank(height)
    scale = 0.98 * min(BREADTH / (columns * grid.cell), map_height / (rows * grid.cell))  # [in/m]
    wide, high = round(BREADTH * _DOTS), round(map_height * _DOTS)
    down, across = np.mgrid[0:high, 0:wide]
    dot = 1.0 / (scale * _DOTS * grid.cell)  # cells to a dot
    column = np.floor((across - wide / 2) * dot + columns / 2).astype(np.int64)
    row = np.floor((down - high / 2) * dot + rows / 2).astype(np.int64)
    inside = (column >= 0) & (column < columns) & (row >= 0) & (row < rows)
    place = np.clip(row, 0, rows - 1), np.clip(column, 0, columns - 1)
    image = _image(np.where(inside, kind[place], -1), inside & marked[place], across, down)
    axes = figure.add_axes((0, (height - map_height) / height, 1, map_height / height))
    axes.set_axis_off()
    middle = grid.west + 0.5 * columns * grid.cell, grid.north - 0.5 * rows * grid.cell
    reach = BREADTH / 2 / scale, map_height / 2 / scale
    extent = middle[0] - reach[0], middle[0] + reach[0], middle[1] - reach[1], middle[1] + reach[1]
    axes.imshow(image, interpolation="nearest", aspect="auto", extent=extent)
    draw_outlines(axes, outlines)
    axes.set_xlim(*extent[:2])
    axes.set_ylim(*extent[2:])
    strip = height - map_height - 0.06
    draw_scale(figure, strip, scale, system)
    if mark is not None:
        entries.append((2, mark[0], mark[1]))
    for at, (number, name, area) in enumerate(entries):
        left, base = (at % _COLUMNS) * BREADTH / _COLUMNS, strip - 0.78 - (at // _COLUMNS) * _ROW
        _swatch(figure, left + 0.02, base, number, marked=mark is not None and at == len(entries) - 1)
        figure.text((left + 0.52) / BREADTH, (base + 0.26) / height, name, size=8, weight="bold", va="top", **_FONT)
        amount = units.show(area, "area", system)
        figure.text((left + 0.52) / BREADTH, (base + 0.1) / height, amount, size=7.5, va="top", **_FONT)
    return as_png(figure), (BREADTH, height)


def spread_figure(
    ratio: FloatArray, area: FloatArray, causes: dict[str, float], system: units.System
) -> tuple[bytes, tuple[float, float]]:
    """Draw how the ratio of applied to target spreads over the ground, and the area off its target by cause.

    Parameters
    ----------
    ratio, area : ndarray, shape (n,)
        Applied over target of each piece of ground [-], and its area [m2].
    causes : dict of str to float
        Area more than 10 % off by cause [m2].
    system : str
        ``"us"`` or ``"metric"``.

    Returns
    -------
    bytes, tuple of float
        The PNG, and its size on paper [in].
    """
    height = 2.9
    figure = blank(height)
    label = units.unit_label("area", system)
    shown = units.factor(label, "area")
    axes = figure.add_axes((0.62 / BREADTH, 0.5 / height, 3.0 / BREADTH, 2.15 / height))
    known = np.isfinite(ratio)
    heights, edges = np.histogram(np.clip(ratio[known], 0.0, 2.0), bins=_BINS, range=(0.0, 2.0), weights=area[known])
    axes.axvspan(0.9, 1.1, facecolor="#E3E3DE", edgecolor="none")
    axes.bar(edges[:-1], heights / shown, width=np.diff(edges), align="edge", color="#3C6E97", edgecolor=PAPER)
    axes.axvline(1.0, color=INK, linewidth=1.0)
    axes.set_xlim(0.0, 2.0)
    axes.tick_params(labelsize=7.5)
    axes.set_xlabel("applied over target (grey: within 10 %)", size=8, **_FONT)
    axes.set_ylabel(f"ground [{label}]", size=8, **_FONT)
    listed = [(name, value / shown) for name, value in causes.items() if value > 0.0]
    side = figure.add_axes((5.05 / BREADTH, 0.5 / height, 1.6 / BREADTH, 2.15 / height))
    side.tick_params(labelsize=7.5)
    if listed:
        names, amounts = zip(*reversed(listed), strict=True)
        side.barh(names, amounts, color="#5A5A5A", height=0.6)
        for at, amount in enumerate(amounts):
            side.text(amount, at, f" {amount:,.1f}", va="center", size=7.5, **_FONT)
        side.set_xlim(0.0, 1.35 * max(amounts))
        side.locator_params(axis="x", nbins=3)
    else:
        side.set_yticks([])
        side.text(0.5, 0.5, "no ground is\nmore than 10 % off", ha="center", size=8, transform=side.transAxes, **_FONT)
    side.set_xlabel(f"more than 10 % off, by cause [{label}]", size=8, **_FONT)
    return as_png(figure), (BREADTH, height)


def orifice_figure(series: AreaSeries) -> tuple[bytes, tuple[float, float]]:
    """Draw the orifices' effective area over the log.

    Parameters
    ----------
    series : AreaSeries
        From `diagnosis.effective_area`; not empty.

    Returns
    -------
    bytes, tuple of float
        The PNG, and its size on paper [in].
    """
    height = 2.6
    figure = blank(height)
    axes = figure.add_axes((0.62 / BREADTH, 0.5 / height, (BREADTH - 0.75) / BREADTH, 1.95 / height))
    minutes = (series.time - series.time[0]) / 60.0
    axes.fill_between(minutes, 100 * series.ratio_low, 100 * series.ratio_high, facecolor="#D9D9D4", linewidth=0)
    axes.plot(minutes, 100 * series.ratio, ".", color="#3C6E97", markersize=2)
    axes.axhline(100.0, color=INK, linewidth=1.0)
    ends = 100 * np.concatenate([series.ratio_low, series.ratio_high, [1.0]])
    low, high = np.percentile(ends[np.isfinite(ends)], [0.5, 99.5])
    axes.set_ylim(min(low, 90.0) - 2.0, max(high, 110.0) + 2.0)
    axes.tick_params(labelsize=7.5)
    axes.set_xlabel("minutes into the log", size=8, **_FONT)
    axes.set_ylabel("orifice area [% of bar file]", size=8, **_FONT)
    return as_png(figure), (BREADTH, height)
