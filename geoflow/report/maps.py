"""Maps of the field: every zone in the colour, pattern and letter of its class."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from geoflow.base import units
from geoflow.base.arrays import FloatArray
from geoflow.base.counted import count
from geoflow.report.canvas import FONT, Box, Canvas, Entry, Heading, Picture
from geoflow.report.map_sheet import Extent, map_sheet
from geoflow.report.symbology import BADGE, INK, Symbol

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Panel", "field_map"]

_PATH_VERTICES: Final = 20_000  # the Agg rasteriser refuses paths with too many cells
_MOST_LETTERS: Final = 500
_SIZES: Final = (9.0, 7.5, 6.5)  # of letters on the map [pt]


@dataclass(frozen=True, slots=True)
class Panel:
    """One map.

    Attributes
    ----------
    title : str
        Above it; may be empty.
    kind : sequence of str
        Class of each zone, a key of the symbols.
    """

    title: str
    kind: Sequence[str]


@dataclass(frozen=True, slots=True)
class _Zones:
    """What is drawn on one map: zones with their class, their labels, and the scale of the map [in/m]."""

    shapes: NDArray[Any]
    kind: NDArray[Any]
    symbols: dict[str, Symbol]
    label: Sequence[str] | None
    scale: float


def _outlines(zones: NDArray[Any]) -> Iterator[Any]:
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


def _fill(axes: Any, zones: _Zones) -> None:
    """Fill the zones by class, with borders where they are large enough for them."""
    from matplotlib.collections import PathCollection

    area = shapely.area(zones.shapes)
    side = math.sqrt(float(np.median(area[area > 0]))) * zones.scale if np.any(area > 0) else 0.0
    border = min(2.0 * side, 0.6) if side >= 0.05 else 0.0
    outlines = []
    for name, symbol in zones.symbols.items():
        paths = list(_outlines(zones.shapes[zones.kind == name]))
        outlines += paths
        # Without borders, smoothed edges would leave pale seams between neighbours.
        drawn: list[dict[str, Any]] = [{"facecolors": symbol.fill, "edgecolors": "none", "antialiaseds": border > 0}]
        if symbol.hatch:
            drawn += [{"facecolors": "none", "edgecolors": symbol.hatch_colour, "linewidths": 0, "hatch": symbol.hatch}]
        for how in drawn:
            axes.add_collection(PathCollection(paths, **how), autolim=False)
    if border:
        lines = PathCollection(outlines, facecolors="none", edgecolors=INK, linewidths=border)
        axes.add_collection(lines, autolim=False)


def _texts(letter: str, label: str) -> Iterator[tuple[str, float]]:
    """Yield what may be written into a zone and its size [pt], what says most first."""
    large, usual, least = _SIZES
    if label:
        yield f"{letter}  {label}", large
        yield f"{letter}  {label}", usual
        yield f"{letter}\n{label}", least
    yield from ((letter, size) for size in _SIZES)


def _fits(canvas: Canvas, text: str, size: float, scale: float) -> tuple[float, float]:
    """Half the breadth and height on the ground [m] of a text in its badge."""
    rows = text.split("\n")
    wide = max(canvas.width(row, size, "bold") for row in rows) + 0.6 * size / 72
    high = (1.25 * len(rows) + 0.5) * size / 72
    return wide / 2 / scale, high / 2 / scale


def _write_letters(canvas: Canvas, axes: Any, zones: _Zones) -> None:
    """Write the letter of the class, and the label where it fits too, into every part with room for it."""
    font = {"ha": "center", "va": "center", "weight": "bold", "bbox": BADGE, "linespacing": 1.1, **FONT}
    parts, owner = shapely.get_parts(zones.shapes, return_index=True)
    area = shapely.area(parts) * zones.scale**2
    large = np.flatnonzero(area > 0.012)
    written = 0
    for i in large[np.argsort(-area[large])][:_MOST_LETTERS]:
        middle = shapely.get_point(shapely.maximum_inscribed_circle(parts[i], tolerance=0.02 / zones.scale), 0)
        x, y = float(shapely.get_x(middle)), float(shapely.get_y(middle))
        shapely.prepare(parts[i])
        label = "" if zones.label is None else str(zones.label[owner[i]]).strip()
        for text, size in _texts(zones.symbols[zones.kind[owner[i]]].letter, label):
            wide, high = _fits(canvas, text, size, zones.scale)
            if shapely.contains_properly(parts[i], shapely.box(x - wide, y - high, x + wide, y + high)):
                axes.text(x, y, text, size=size, **font)
                written += 1
                break
    if not written and len(parts) <= 60:
        _write_letters_beside(axes, zones, font)


def _write_letters_beside(axes: Any, zones: _Zones, font: dict[str, Any]) -> None:
    """Write the letters of a field too thin for them beside it."""
    parts, owner = shapely.get_parts(zones.shapes, return_index=True)
    x0, y0, x1, y1 = shapely.total_bounds(parts)
    how: dict[str, Any] = {
        "xytext": (0, 14) if x1 - x0 > y1 - y0 else (14, 0),
        "textcoords": "offset points",
        "arrowprops": {"arrowstyle": "-", "color": INK, "linewidth": 0.6},
    }
    for part, zone in zip(parts, owner, strict=True):
        for at in shapely.get_coordinates(shapely.point_on_surface(part)):
            axes.annotate(zones.symbols[zones.kind[zone]].letter, at, size=_SIZES[-1], **how, **font)


def _amount(kind: Sequence[str], name: str, area: FloatArray, system: units.System) -> str:
    chosen = np.asarray(kind, dtype=object) == name
    zones = int(chosen.sum())
    return f"{count(zones, 'zone')}, {units.show(float(area[chosen].sum()), 'area', system)}" if zones else "none"


def _entries(
    panels: Sequence[Panel], symbols: dict[str, Symbol], area: FloatArray, system: units.System, *, meaning: bool
) -> list[Entry]:
    """The key: each class with its zones and their area [m2]."""

    def amounts(name: str) -> tuple[str, ...]:
        said = [(panel.title, _amount(panel.kind, name, area, system)) for panel in panels]
        return tuple(f"{title}: {text}" if len(panels) > 1 else text for title, text in said)

    def swatch(symbol: Symbol) -> Any:
        return lambda canvas, box: canvas.symbol(box, symbol)

    return [
        Entry(swatch(symbol), symbol.word, amounts(name), symbol.meaning if meaning else "")
        for name, symbol in symbols.items()
    ]


def field_map(
    zones: NDArray[Any],
    panels: Sequence[Panel],
    symbols: dict[str, Symbol],
    *,
    label: Sequence[str] | None,
    system: units.System,
    heading: Heading | None = None,
) -> Picture:
    """Draw the field once for each panel, side by side, with scale bar, north arrow and a key that counts.

    Parameters
    ----------
    zones : ndarray of polygons, shape (n,)
        In a local frame with north up [m]; missing and empty ones are counted in the key but not drawn.
    panels : sequence of Panel
        One or two.
    symbols : dict of str to Symbol
        Every class, in the order of the key.
    label : sequence of str, length n, or None
        Written behind the letter in zones with room for it.
    system : str
        ``"us"`` or ``"metric"``.
    heading : Heading, optional
        Makes a poster of it, whose key also says what the classes mean.

    Returns
    -------
    bytes, tuple of float
        The PNG, and its size on paper [in].
    """
    area = np.nan_to_num(shapely.area(zones))
    extent = Extent(*(shapely.total_bounds(zones) if len(zones) else (math.nan,) * 4))
    sheet = map_sheet(extent.aspect, heading, len(panels), 0.25 if any(panel.title for panel in panels) else 0.02)
    scale = extent.scale_in(sheet.maps[0])
    for at, panel in enumerate(panels):
        sheet.canvas.text(sheet.maps[at].left, sheet.maps[at].top - 0.22, panel.title, 9.5, weight="bold")
        axes = sheet.axes(at, extent, scale) if math.isfinite(extent.west) else sheet.canvas.axes(sheet.maps[at])
        if not math.isfinite(extent.west):
            axes.set_axis_off()
            axes.text(0.5, 0.5, "No zone has a shape to draw.", ha="center", size=9, transform=axes.transAxes, **FONT)
            continue
        drawn = _Zones(zones, np.asarray(panel.kind, dtype=object), symbols, label, scale)
        _fill(axes, drawn)
        _write_letters(sheet.canvas, axes, drawn)
    if math.isfinite(extent.west):
        sheet.scale_bar(scale, system)
    columns = 1 if sheet.beside else 4 // len(panels) if len(symbols) == 4 else 3
    end = sheet.canvas.key(sheet.key, _entries(panels, symbols, area, system, meaning=sheet.beside), columns)
    if sheet.beside:
        total = f"All: {count(len(area), 'zone')}, {units.show(float(area.sum()), 'area', system)}"
        sheet.canvas.paragraph(Box(sheet.key.left, end, sheet.key.width, 0.14), total, (7.5, 7, 6.5), weight="bold")
    return sheet.canvas.save(end)
