"""Maps of the field for a report, drawn at the size they are printed in."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from geoflow.base import units
from geoflow.base.arrays import FloatArray
from geoflow.report.canvas import INK, PAPER
from geoflow.report.figures import outline_paths
from geoflow.report.layout import count
from geoflow.report.symbology import BREADTH, Look, as_png, blank, swatch

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Panel", "draw_scale", "field_map"]

_TALLEST: Final = 3.3  # [in]
_GAP: Final = 0.15
_FONT: Final[dict[str, Any]] = {"family": "DejaVu Sans", "color": INK, "parse_math": False}
_MOST_LETTERS: Final = 400


@dataclass(frozen=True, slots=True)
class Panel:
    """One map.

    Attributes
    ----------
    title : str
        Above it; may be empty.
    kind : sequence of str
        Class of each zone, a key of the looks.
    """

    title: str
    kind: Sequence[str]


def _amounts(panel: Panel, name: str, area: FloatArray, system: units.System) -> str:
    chosen = np.asarray(panel.kind, dtype=object) == name
    zones = int(chosen.sum())
    return f"{count(zones, 'zone')}, {units.show(float(area[chosen].sum()), 'area', system)}" if zones else "none"


def _draw_key(
    figure: Any,
    top: float,
    panels: Sequence[Panel],
    looks: dict[str, Look],
    area: FloatArray,
    system: units.System,
    columns: int,
) -> None:
    wide, high = figure.get_size_inches()
    step = BREADTH / columns
    for place, (name, look) in enumerate(looks.items()):
        left, base = (place % columns) * step, top - 0.3 - (place // columns) * _key_height(panels)
        swatch(figure, (left + 0.02, base), look)
        figure.text((left + 0.52) / wide, (base + 0.25) / high, look.word, size=8.5, weight="bold", va="top", **_FONT)
        for line, panel in enumerate(panels):
            text = _amounts(panel, name, area, system)
            said = f"{panel.title}: {text}" if len(panels) > 1 else text
            figure.text((left + 0.52) / wide, (base + 0.08 - 0.14 * line) / high, said, size=7.5, va="top", **_FONT)


def _key_height(panels: Sequence[Panel]) -> float:
    return 0.42 + 0.14 * len(panels)


def draw_scale(figure: Any, top: float, inch_per_metre: float, system: units.System) -> None:
    """Draw the scale bar to the left and the north arrow to the right of a strip 0.4 in high."""
    from matplotlib.patches import Polygon, Rectangle

    wide, high = figure.get_size_inches()
    unit = units.unit_label("length", system)
    most = 2.0 / inch_per_metre / units.factor(unit, "length")
    power = 10.0 ** math.floor(math.log10(most))
    length = max(step * power for step in (1, 2, 5) if step * power <= most * (1 + 1e-12))
    metres = units.to_si(length, "length", unit)
    half, digits = metres * inch_per_metre / 2, max(0, -math.floor(math.log10(length)))
    base = top - 0.16
    for place, fill in ((0.02, INK), (0.02 + half, PAPER)):
        figure.add_artist(
            Rectangle(
                (place / wide, base / high),
                half / wide,
                0.07 / high,
                transform=figure.transFigure,
                facecolor=fill,
                edgecolor=INK,
                linewidth=0.7,
            )
        )
    figure.text(
        (0.1 + 2 * half) / wide,
        (base + 0.035) / high,
        units.show(metres, "length", system, digits),
        size=8,
        va="center_baseline",
        **_FONT,
    )
    x = BREADTH - 0.35
    arrow = [(x, top + 0.02), (x + 0.09, base - 0.18), (x, base - 0.1), (x - 0.09, base - 0.18)]
    points = [(px / wide, py / high) for px, py in arrow]
    figure.add_artist(Polygon(points, transform=figure.transFigure, facecolor=INK, edgecolor=INK, linewidth=0.5))
    figure.text((x + 0.14) / wide, (base - 0.18) / high, "N", size=9, weight="bold", **_FONT)


def _write_letters(
    axes: Any, zones: NDArray[Any], kind: Sequence[str], label: Sequence[str], looks: dict[str, Look], scale: float
) -> None:
    """Write letter and zone number into every part with room for them; `scale` is that of the paper [in/m]."""
    parts, owner = shapely.get_parts(zones, return_index=True)
    area = shapely.area(parts) * scale**2
    large = np.flatnonzero(area > 0.012)
    for i in large[np.argsort(-area[large])][:_MOST_LETTERS]:
        middle = shapely.get_point(shapely.maximum_inscribed_circle(parts[i], tolerance=0.02 / scale), 0)
        x, y = float(shapely.get_x(middle)), float(shapely.get_y(middle))
        shapely.prepare(parts[i])
        letter = looks[kind[owner[i]]].letter
        for text, size in ((f"{letter} {label[owner[i]]}", 7.5), (letter, 7.5), (letter, 6.5)):
            # A bold letter of this font is about 0.75 of its size broad; the badge adds a little.
            across = (0.75 * len(text) * size / 72 + 0.05) / 2 / scale
            tall = (1.1 * size / 72 + 0.04) / 2 / scale
            if shapely.contains_properly(parts[i], shapely.box(x - across, y - tall, x + across, y + tall)):
                badge = {"boxstyle": "round,pad=0.12", "facecolor": PAPER, "edgecolor": INK, "linewidth": 0.4}
                axes.text(x, y, text, size=size, weight="bold", ha="center", va="center", bbox=badge, **_FONT)
                break


def _fill(axes: Any, zones: NDArray[Any], kind: NDArray[Any], looks: dict[str, Look], border: float) -> None:
    from matplotlib.collections import PathCollection

    outlines = []
    for name, look in looks.items():
        paths = list(outline_paths(zones[kind == name]))
        outlines += paths
        fill = PathCollection(paths, facecolors=look.fill, edgecolors="none", antialiaseds=border > 0)
        axes.add_collection(fill, autolim=False)
        if look.hatch:
            marks = PathCollection(
                paths, facecolors="none", edgecolors=look.hatch_colour, linewidths=0, hatch=look.hatch
            )
            axes.add_collection(marks, autolim=False)
    if border:
        lines = PathCollection(outlines, facecolors="none", edgecolors=INK, linewidths=border)
        axes.add_collection(lines, autolim=False)


def field_map(
    zones: NDArray[Any],
    panels: Sequence[Panel],
    looks: dict[str, Look],
    *,
    label: Sequence[str],
    system: units.System,
    rim: NDArray[Any] | None = None,
) -> tuple[bytes, tuple[float, float]]:
    """Draw the field once for each panel, side by side, with scale bar, north arrow and a key that counts.

    Parameters
    ----------
    zones : ndarray of polygons, shape (n,)
        In a local frame with north up [m]; missing and empty ones are counted in the key but not drawn.
    panels : sequence of Panel
        One or two.
    looks : dict of str to Look
        Every class, in the order of the key.
    label : sequence of str, length n
        Written behind the letter in zones with room for it.
    system : str
        ``"us"`` or ``"metric"``.
    rim : ndarray of polygons, optional
        Drawn as outlines on top.

    Returns
    -------
    bytes, tuple of float
        The PNG, and its size on paper [in].
    """
    area = np.nan_to_num(shapely.area(zones))
    x0, y0, x1, y1 = shapely.total_bounds(zones) if len(zones) else (math.nan,) * 4
    room = (BREADTH - _GAP * (len(panels) - 1)) / len(panels)
    drawable = math.isfinite(x0)
    aspect = max(y1 - y0, 1e-3) / max(x1 - x0, 1e-3) if drawable else 0.2
    map_height = min(_TALLEST, max(1.2, aspect * room * 0.98))
    columns = 3 if len(looks) != 4 else 4 // len(panels)
    rows = math.ceil(len(looks) / columns)
    head = 0.25 if any(panel.title for panel in panels) else 0.02
    height = head + map_height + 0.5 + rows * _key_height(panels)
    figure = blank(height)
    scale = 0.98 * min(room / max(x1 - x0, 1e-3), map_height / max(y1 - y0, 1e-3)) if drawable else 1.0
    for place, panel in enumerate(panels):
        left, base = place * (room + _GAP), height - head - map_height
        if panel.title:
            figure.text(
                left / BREADTH, (height - 0.03) / height, panel.title, size=9.5, weight="bold", va="top", **_FONT
            )
        axes = figure.add_axes((left / BREADTH, base / height, room / BREADTH, map_height / height))
        axes.set_axis_off()
        if not drawable:
            axes.text(0.5, 0.5, "No zone has a shape to draw.", ha="center", size=9, transform=axes.transAxes, **_FONT)
            continue
        axes.set_xlim((x0 + x1 - room / scale) / 2, (x0 + x1 + room / scale) / 2)
        axes.set_ylim((y0 + y1 - map_height / scale) / 2, (y0 + y1 + map_height / scale) / 2)
        side = math.sqrt(float(np.median(area[area > 0]))) * scale if np.any(area > 0) else 0.0
        border = min(side * 1.5, 0.6) if side >= 0.05 else 0.0
        _fill(axes, zones, np.asarray(panel.kind, dtype=object), looks, border)
        if rim is not None:
            from matplotlib.collections import PathCollection

            lines = PathCollection(list(outline_paths(rim)), facecolors="none", edgecolors=INK, linewidths=1.0)
            axes.add_collection(lines, autolim=False)
        _write_letters(axes, zones, panel.kind, label, looks, scale)
    strip = height - head - map_height - 0.06
    if drawable:
        draw_scale(figure, strip, scale, system)
    _draw_key(figure, strip - 0.42, panels, looks, area, system, columns)
    return as_png(figure), (BREADTH, height)
