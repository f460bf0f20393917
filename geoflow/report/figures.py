"""Pictures for paper and screen: the field by verdict, and the window against temperature."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import shapely

from geoflow.base import units
from geoflow.base.said import said_range
from geoflow.base.schema import VERDICTS
from geoflow.report.canvas import (
    BADGE,
    BREADTH,
    FAINT,
    HEIGHT,
    INK,
    MARGIN,
    PAPER,
    STYLES,
    Sheet,
    draw_scale,
    line_height,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["outline_paths", "verdict_map", "window_chart"]

_PATH_VERTICES: Final = 20_000  # the Agg rasteriser refuses paths with too many cells


def outline_paths(zones: NDArray[Any]) -> Iterator[Any]:
    """Yield drawable paths of the polygons, many polygons to a path, holes left open."""
    from matplotlib.path import Path as Outline

    parts = shapely.get_parts(shapely.orient_polygons(zones))  # holes run the other way round, so they stay open
    parts = parts[~shapely.is_empty(parts) & (shapely.get_type_id(parts) == 3)]
    if not len(parts):
        return
    rings, owner = shapely.get_rings(parts, return_index=True)
    points, ring = shapely.get_coordinates(rings, return_index=True)
    codes = np.full(len(points), Outline.LINETO, dtype=Outline.code_type)
    first = np.flatnonzero(np.diff(ring, prepend=-1))
    codes[first] = Outline.MOVETO
    codes[np.append(first[1:], len(points)) - 1] = Outline.CLOSEPOLY
    starts = np.flatnonzero(np.diff(owner[ring], prepend=-1))
    cuts = starts[np.flatnonzero(np.diff(starts // _PATH_VERTICES, prepend=-1))]
    for low, high in zip(cuts, np.append(cuts[1:], len(points)), strict=True):
        yield Outline(points[low:high], codes[low:high])


def _draw_zones(axes: Any, zones: NDArray[Any], verdict: NDArray[Any], scale: float) -> None:
    """Fill the zones by verdict; `scale` is the drawing's scale [px/m]."""
    from matplotlib.collections import PathCollection

    area = shapely.area(zones)
    side = math.sqrt(float(np.median(area[area > 0]))) * scale if np.any(area > 0) else 0.0
    border = min(side / 50, 0.8) if side >= 8 else 0.0
    outlines = []
    for name, style in STYLES.items():
        paths = list(outline_paths(zones[verdict == name]))
        outlines += paths
        # Without borders, smoothed edges would leave pale seams between neighbours.
        fill = PathCollection(paths, facecolors=style.fill, edgecolors="none", antialiaseds=border > 0)
        axes.add_collection(fill, autolim=False)
        if style.hatch:
            hatch = PathCollection(
                paths, facecolors="none", edgecolors=style.hatch_colour, linewidths=0, hatch=style.hatch
            )
            axes.add_collection(hatch, autolim=False)
    if border:
        lines = PathCollection(outlines, facecolors="none", edgecolors=INK, linewidths=border)
        axes.add_collection(lines, autolim=False)


def _write_letters(
    page: Sheet, axes: Any, zones: NDArray[Any], verdict: NDArray[Any], label: Sequence[str] | None, scale: float
) -> None:
    """Write the verdict's letter, and the label where it fits too, into every part with room for it."""
    font: dict[str, Any] = {"ha": "center", "va": "center", "weight": "bold", "color": INK, "bbox": BADGE}
    font |= {"family": "DejaVu Sans", "parse_math": False, "linespacing": 1.1}
    parts, owner = shapely.get_parts(zones, return_index=True)
    area = shapely.area(parts) * scale**2  # [px2]
    large = np.flatnonzero(area > 500)
    written = 0
    for i in large[np.argsort(-area[large])][:600]:
        middle = shapely.get_point(shapely.maximum_inscribed_circle(parts[i], tolerance=4 / scale), 0)
        x, y = float(shapely.get_x(middle)), float(shapely.get_y(middle))
        shapely.prepare(parts[i])
        letter = VERDICTS[verdict[owner[i]]].letter
        own = str(label[owner[i]]).strip() if label is not None else ""
        tries = [(f"{letter}  {own}", 12.0), (f"{letter}  {own}", 9.0), (f"{letter}\n{own}", 8.0)] if own else []
        for text, size in (*tries, (letter, 12.0), (letter, 9.0), (letter, 7.0)):
            rows = text.split("\n")
            wide = (max(page.width(row, size, "bold") for row in rows) + 16) / 2 / scale
            high = (line_height(size) * len(rows) + 12) / 2 / scale
            if shapely.contains_properly(parts[i], shapely.box(x - wide, y - high, x + wide, y + high)):
                axes.text(x, y, text, size=size, **font)
                written += 1
                break
    if written or len(parts) > 60:
        return
    # A field too thin for letters: write them beside it.
    x0, y0, x1, y1 = shapely.total_bounds(parts)
    aside = (0, 40) if x1 - x0 > y1 - y0 else (40, 0)
    leader = {"arrowstyle": "-", "color": INK, "linewidth": 0.8}
    for part, i in zip(parts, owner, strict=True):
        at = shapely.get_coordinates(shapely.point_on_surface(part))
        if len(at):
            axes.annotate(
                VERDICTS[verdict[i]].letter,
                at[0],
                xytext=aside,
                textcoords="offset pixels",
                size=8,
                arrowprops=leader,
                **font,
            )


def _draw_key(
    page: Sheet, left: float, top: float, width: float, area: NDArray[Any], verdict: NDArray[Any], system: units.System
) -> None:
    """List the verdicts with their zones and area; `area` in [m2]."""
    for name, word in VERDICTS.items():
        count, size = int(np.sum(verdict == name)), float(area[verdict == name].sum())
        page.swatch(left, top, name, letter=True)
        page.text(left + 82, top - 4, name, 12, weight="bold", color=INK if count else FAINT)
        amount = f"{count:,} {'zone' if count == 1 else 'zones'}, {units.show(size, 'area', system)}"
        page.paragraph(left + 82, top + 22, width - 82, amount if count else "none", (10, 9, 8, 7), 1)
        top = page.paragraph(left, top + 54, width, word.meaning, (8,), 3, color=FAINT) + 22
    many = "zone" if len(verdict) == 1 else "zones"
    total = f"All: {len(verdict):,} {many}, {units.show(float(area.sum()), 'area', system)}"
    page.paragraph(left, top, width, total, (10, 9, 8, 7), 1, weight="bold")


def verdict_map(
    path: Path,
    zones: NDArray[Any],
    verdict: Sequence[str],
    *,
    label: Sequence[str] | None,
    title: str,
    subtitle: str,
    system: units.System,
    footer: str,
) -> None:
    """Draw the field by verdict as a PNG of 1600 by 1200 pixels.

    Colour, pattern and letter each tell the verdict on their own, for colour-blind readers and grey prints.

    Parameters
    ----------
    path : Path
        The PNG to write.
    zones : ndarray of polygons, shape (n,)
        In a local frame with north up [m]; ``None`` and empty ones are counted in the key but not drawn.
    verdict : sequence of str, length n
        Keys of `schema.VERDICTS`.
    label : sequence of str, length n, or None
        Written behind the letter in zones with room for it.
    title, subtitle, footer : str
        The heading, the answer in one sentence, and the safety line (never shortened).
    system : str
        ``"us"`` or ``"metric"``.
    """
    page, words = Sheet(), np.asarray(verdict, dtype=object)
    full = BREADTH - 2 * MARGIN
    top = page.paragraph(MARGIN, 30, full, title, (17, 15, 13, 11), 2, weight="bold")
    top = page.paragraph(MARGIN, top + 4, full, subtitle, (12, 11, 10, 9), 3) + 24
    bottom = HEIGHT - 24 - len(page.wrap(footer, full, 9)) * line_height(9)
    page.paragraph(MARGIN, bottom, full, footer, (9,), 1000)
    bottom -= 24
    right = BREADTH - MARGIN - 370
    area = np.nan_to_num(shapely.area(zones))
    _draw_key(page, right, top, 370, area, words, system)

    axes = page.axes(MARGIN, top, right - 40, bottom)
    axes.set_axis_off()
    wide, high = right - 40 - MARGIN, bottom - top
    x0, y0, x1, y1 = shapely.total_bounds(zones) if len(zones) else (math.nan,) * 4
    if math.isfinite(x0):
        scale = 0.98 * min(wide / max(x1 - x0, 1e-3), high / max(y1 - y0, 1e-3))  # [px/m]
        axes.set_xlim((x0 + x1 - wide / scale) / 2, (x0 + x1 + wide / scale) / 2)
        axes.set_ylim((y0 + y1 - high / scale) / 2, (y0 + y1 + high / scale) / 2)
        _draw_zones(axes, zones, words, scale)
        _write_letters(page, axes, zones, words, label, scale)
        draw_scale(page, right, bottom - 40, 370, scale, system)
    else:
        axes.text(0.5, 0.5, "No zone has a shape to draw.", ha="center", transform=axes.transAxes, color=INK)
    page.save(path)


@dataclass(frozen=True, slots=True)
class _Edge:
    """One end of the window in the reader's units, with the limit at each point; certain, else possible."""

    word: Literal["lower", "upper"]
    height: NDArray[np.float64]
    certain: NDArray[np.bool_]
    limits: Sequence[str | None]

    def runs(self) -> Iterator[tuple[str, int, int]]:
        """Yield each stretch under one limit: its name, first and last index."""
        kinds = list(zip(self.limits, self.certain.tolist(), np.isnan(self.height).tolist(), strict=True))
        begin = 0
        for i in range(1, len(kinds) + 1):
            if i == len(kinds) or kinds[i] != kinds[begin]:
                name, _, missing = kinds[begin]
                if name and not missing:
                    yield str(name), begin, i - 1
                begin = i


def _write_limits(
    page: Sheet,
    axes: Any,
    x: NDArray[np.float64],
    kelvin: NDArray[np.float64],
    edges: tuple[_Edge, _Edge],
    system: units.System,
) -> str:
    """Write the limits along the edges; return a sentence on those whose stretch is too short, or nothing."""
    import matplotlib.patheffects as effects

    low, high = (axes.transData.transform(np.column_stack([x, edge.height])) for edge in edges)
    short, named, dots = [], set(), False
    for edge, line in zip(edges, (low, high), strict=True):
        for name, begin, end in edge.runs():
            need, (across, rise) = page.width(name, 9, "bold") + 16, line[end] - line[begin]
            if begin:
                dots = True
                axes.plot(x[begin], edge.height[begin], "o", color=INK, markersize=4, zorder=4)
            if math.hypot(across, rise) < need:
                span = units.show_range(kelvin[begin], kelvin[end], "temperature", system)
                short.append((name, edge.word, span))
                continue
            named.add((name, edge.word))
            middle, half = line[begin, 0] + across / 2, need / 2 * across / math.hypot(across, rise)
            left, right, here = np.interp((middle - half, middle + half, middle), *line[begin : end + 1].T)
            roomy = np.interp(middle, *high.T) - np.interp(middle, *low.T) > 100
            turn = math.atan2(right - left, 2 * half)
            away = 20 if (edge.word == "lower") == roomy else -20  # into the window where it is high enough
            axes.annotate(
                name,
                (middle - away * math.sin(turn), here + away * math.cos(turn)),
                xycoords="figure pixels",
                ha="center",
                va="center",
                size=9,
                weight="bold",
                color=INK,
                family="DejaVu Sans",
                zorder=6,
                rotation=math.degrees(turn),
                path_effects=[effects.withStroke(linewidth=2.5, foreground=PAPER)],
            )
    unnamed = [f"{name} ({word} end, {span})" for name, word, span in short if (name, word) not in named]
    words = "A dot marks where another limit takes over. " if dots else ""
    return words + (f"Not named above for want of room: {'; '.join(unnamed)}." if unnamed else "")


def _draw_asked(axes: Any, asks: NDArray[np.float64], weight: NDArray[np.float64], what: str) -> None:
    """Draw how much of the field asks for each value, as bars, with a tick for every value asked."""
    top = axes.get_ylim()[1]
    values, which = np.unique(asks, return_inverse=True)
    if len(values) > 40:
        long, ends = np.histogram(asks, bins=40, range=(0, top), weights=weight)
        middles, thick = (ends[:-1] + ends[1:]) / 2, top / 40
    else:
        long, middles = np.bincount(which, weights=weight), values
        thick = min(top / 40, float(np.diff(values, append=np.inf).min()))
    axes.barh(middles, long, height=0.9 * thick, color=FAINT)
    axes.hlines(values, -0.06 * long.max(), 0, color=INK, linewidth=1)
    axes.set_xlim(-0.06 * long.max(), 1.08 * long.max())
    axes.set_xlabel(what, size=10, color=INK, family="DejaVu Sans")
    axes.locator_params(axis="x", nbins=3)
    axes.tick_params(labelleft=False, left=False)


def _draw_window_key(page: Sheet, top: float, *, plan: bool) -> float:
    left: float = MARGIN
    entries = [("holds", "certain window: holds"), ("doubtful", "possible window: doubtful")]
    entries += [("", "outside: fails")] + ([("plan", "the plan")] if plan else [])
    for name, text in entries:
        if name in STYLES:
            page.swatch(left, top, name, letter=False)
        else:
            width = 2.2 if name else 0.8
            page.patch(left, top, left + 66, top + 40, facecolor=PAPER, edgecolor=INK, linewidth=width)
        page.text(left + 78, top + 20, text, 10, va="center_baseline")
        left += 78 + page.width(text, 10) + 36
    return top + 40


def window_chart(
    path: Path,
    temperature: NDArray[np.float64],
    certain_low: NDArray[np.float64],
    certain_high: NDArray[np.float64],
    possible_low: NDArray[np.float64],
    possible_high: NDArray[np.float64],
    *,
    planned_temperature: tuple[float, float],
    planned: NDArray[np.float64],
    quantity: Literal["nitrogen rate", "ammonia flow"],
    limits_low: Sequence[str | None],
    limits_high: Sequence[str | None],
    title: str,
    system: units.System,
    planned_area: NDArray[np.float64] | None = None,
) -> None:
    """Draw the window against temperature, with what the plan asks, as a PNG of 1600 by 1200 pixels.

    Parameters
    ----------
    path : Path
        The PNG to write.
    temperature : ndarray, shape (n,)
        Temperatures of the ammonia in rising order [K].
    certain_low, certain_high, possible_low, possible_high : ndarray, shape (n,)
        Edges of the windows [kg/m2] of nitrogen or [kg/s] of ammonia for the whole bar; NaN where there is none.
    planned_temperature : tuple of float
        Lowest and highest planned temperature [K].
    planned : ndarray, shape (m,)
        What each zone asks, in the unit of the edges; zero means off and is left out.
    quantity : str
        ``"nitrogen rate"`` or ``"ammonia flow"``.
    limits_low, limits_high : sequence of str, length n
        The limit that ends the window at each temperature, or ``None``.
    title : str
        The heading.
    system : str
        ``"us"`` or ``"metric"``.
    planned_area : ndarray, shape (m,), optional
        Area of each zone [m2]; without it zones are counted.
    """
    from matplotlib.patches import Rectangle

    def shown(values: Any, kind: str) -> NDArray[np.float64]:
        known = units.KINDS[kind]
        unit = known.us if system == "us" else known.metric
        return np.asarray(units.from_si(np.atleast_1d(np.asarray(values, dtype=float)), kind, unit))

    count = 2 if len(temperature) == 1 else 1  # one temperature: a narrow bar in place of a band
    kelvin = np.repeat(temperature, count)
    x, plan_x = shown(kelvin, "temperature"), shown(planned_temperature, "temperature")
    edges = [np.repeat(shown(e, quantity), count) for e in (certain_low, certain_high, possible_low, possible_high)]
    certain = [~np.isnan(edge) for edge in edges[:2]]
    heights = [np.where(sure, edges[i], edges[i + 2]) for i, sure in enumerate(certain)]
    lower = _Edge("lower", heights[0], certain[0], [*limits_low] * count)
    upper = _Edge("upper", heights[1], certain[1], [*limits_high] * count)
    asks = shown(planned, quantity)
    asked = asks > 0
    weight = np.ones(len(asks)) if planned_area is None else shown(planned_area, "area")
    asks, weight = asks[asked], weight[asked]
    ends = [float(v) for values in (edges[1], edges[3], asks) for v in values if math.isfinite(v)]
    left, right = min(*x, *plan_x), max(*x, *plan_x)
    spread = max(right - left, 4.0)
    if count == 2:
        x = x + np.array([-0.02, 0.02]) * spread

    page = Sheet()
    top = page.paragraph(MARGIN, 30, BREADTH - 2 * MARGIN, title, (17, 15, 13, 11), 2, weight="bold")
    top = _draw_window_key(page, top + 14, plan=bool(len(asks))) + 60
    axes = page.axes(150, top, 1230 if len(asks) else BREADTH - MARGIN, HEIGHT - 210)
    axes.set_xlim((left + right - 1.06 * spread) / 2, (left + right + 1.06 * spread) / 2)
    axes.set_ylim(0, 1.12 * max(ends, default=1.0))
    font = {"size": 11, "color": INK, "family": "DejaVu Sans"}
    axes.set_xlabel(f"Temperature of the ammonia [{units.unit_label('temperature', system)}]", **font)
    noun = {"nitrogen rate": "Nitrogen rate", "ammonia flow": "Ammonia flow of all rows in use"}[quantity]
    axes.set_ylabel(f"{noun} [{units.unit_label(quantity, system)}]", **font)
    doubtful = STYLES["doubtful"]
    axes.fill_between(
        x,
        edges[2],
        edges[3],
        facecolor=doubtful.fill,
        edgecolor=doubtful.hatch_colour,
        hatch=doubtful.hatch,
        linewidth=0,
    )
    axes.fill_between(x, edges[0], edges[1], facecolor=STYLES["holds"].fill, linewidth=0)
    for edge, width in zip(edges, (1.6, 1.6, 0.8, 0.8), strict=True):
        axes.plot(x, edge, color=INK, linewidth=width)
    for end in plan_x:
        axes.axvline(end, color=INK, linewidth=1, linestyle=(0, (4, 3)))
    span = said_range(*planned_temperature, "temperature", system)
    axes.annotate(
        f"planned {span}",
        (float(plan_x.mean()), 1),
        xycoords=("data", "axes fraction"),
        xytext=(0, 8),
        textcoords="offset points",
        ha="center",
        annotation_clip=False,
        **font,
    )
    remarks = [_write_limits(page, axes, x, kelvin, (lower, upper), system)]
    if len(asks):
        box = (plan_x[0], asks.min()), plan_x[1] - plan_x[0], asks.max() - asks.min()
        axes.add_patch(Rectangle(*box, facecolor="none", edgecolor=INK, linewidth=2.6, zorder=5))
        side = page.axes(1270, top, BREADTH - MARGIN, HEIGHT - 210)
        side.set_ylim(axes.get_ylim())
        area = {"us": "Acres", "metric": "Hectares"}[system]
        _draw_asked(side, asks, weight, f"{area if planned_area is not None else 'Zones'} asking for it")
    if np.isnan(heights[0]).all():
        axes.text(
            0.5,
            0.95,
            "The bar has no window at these temperatures.",
            ha="center",
            va="center",
            transform=axes.transAxes,
            bbox=BADGE,
            zorder=7,
            **font,
        )
    if not asked.all():
        remarks.append(f"Left out because nothing is asked there: {int(np.sum(~asked)):,} zones.")
    page.paragraph(MARGIN, HEIGHT - 100, BREADTH - 2 * MARGIN, " ".join(remarks), (9, 8, 7), 4)
    page.save(path)
