"""The map of a season: every field where it lies, by how it came out."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.counted import count, verb
from geoflow.base.units import System
from geoflow.report.canvas import FONT, Box, Canvas, Entry, Heading
from geoflow.report.cautions import SHORT_CAUTION
from geoflow.report.map_sheet import Extent, MapSheet, map_sheet
from geoflow.report.season import acres, season_answer, season_totals
from geoflow.report.symbology import BADGE, INK, SEASON, Mark

__all__ = ["season_map"]

_SMALLEST, _LARGEST = 0.035, 0.13  # radius of a mark [in]
_MILE: Final = 1609.0  # [m]: no map shows less than one across
_CROWD: Final = 150
# Names of fields: size of their letters and the least that can be read [pt], breadth and height over it, longest.
_LETTERS, _LEAST_LETTERS, _LETTER_WIDTH, _LETTER_HEIGHT, _LONGEST_NAME = 6.5, 4.5, 0.62, 1.2, 24


def _places(rows: Sequence[Mapping[str, Any]]) -> tuple[FloatArray, FloatArray]:
    """Metres east and north of the middle, in an equal-area frame."""
    import pyproj

    lon = np.array([row["lon"] for row in rows], dtype=float)
    lat = np.array([row["lat"] for row in rows], dtype=float)
    # The mean direction, so that a season on both sides of 180° has its middle there.
    turn = np.radians(lon)
    middle = math.degrees(math.atan2(float(np.sin(turn).mean()), float(np.cos(turn).mean())))
    frame = pyproj.CRS.from_proj4(f"+proj=laea +lat_0={lat.mean()} +lon_0={middle} +datum=WGS84 +units=m")
    return pyproj.Transformer.from_crs(4326, frame, always_xy=True).transform(lon, lat)


def _extent(x: FloatArray, y: FloatArray) -> Extent:
    middles, half = [(float(v.min()) + float(v.max())) / 2 for v in (x, y)], [max(np.ptp(v), _MILE) / 2 for v in (x, y)]
    return Extent(middles[0] - half[0], middles[1] - half[1], middles[0] + half[0], middles[1] + half[1])


def _radii(rows: Sequence[Mapping[str, Any]]) -> FloatArray:
    """Radius of each field's mark [in]: the larger the field, the larger."""
    area = np.array([row["area_ac"] or 0.0 for row in rows])
    return np.maximum(_LARGEST * np.sqrt(area / max(float(area.max()), 1e-9)), _SMALLEST) / _crowd(rows)


def _crowd(rows: Sequence[Mapping[str, Any]]) -> float:
    """How much smaller things are drawn for the number of fields."""
    return max(1.0, math.sqrt(len(rows) / _CROWD))


def _draw_fields(axes: Any, rows: Sequence[Mapping[str, Any]], x: FloatArray, y: FloatArray, marked: Any) -> None:
    """Draw a mark for every field, and the letters of bars that stand out."""
    radius, crowd = _radii(rows), _crowd(rows)
    for above, (name, mark) in enumerate(SEASON.items()):  # findings last, on top
        own = np.array([row["status"] == name for row in rows])
        size = (2 * radius[own] * 72) ** 2 * (0.7 if mark.marker == "D" else 1.0)
        how = {"marker": mark.marker, "facecolor": mark.fill, "edgecolor": mark.edge, "linewidth": 0.5}
        axes.scatter(x[own], y[own], s=size, zorder=2 + above, **how)
    for row, east, north in zip(rows, x, y, strict=True):
        if row["bar"] in marked:
            how = {"size": max(6.5 / crowd, 3.0), "weight": "bold", "bbox": BADGE, "ha": "center", "va": "center"}
            axes.text(east, north, marked[row["bar"]], zorder=4, **how, **FONT)


def _boxes(x: FloatArray, y: FloatArray, half_width: Any, half_height: Any) -> FloatArray:
    """Left, bottom, right and top of boxes about points."""
    return np.column_stack([x - half_width, y - half_height, x + half_width, y + half_height])


def _name_fields(axes: Any, rows: Sequence[Mapping[str, Any]], x: FloatArray, y: FloatArray, scale: float) -> int:
    """Write the names of fields beside their marks where they cover nothing, those with findings first; how many."""
    (west, east), (south, north) = axes.get_xlim(), axes.get_ylim()
    radius = _radii(rows)
    right, up = (x - west) * scale, (y - south) * scale  # [in]
    taken = _boxes(right, up, radius, radius)
    size = max(_LETTERS / _crowd(rows), _LEAST_LETTERS)
    order = sorted(range(len(rows)), key=lambda at: (rows[at]["status"] != "findings", -radius[at], rows[at]["field"]))
    named = 0
    for at in order:
        name = rows[at]["field"]
        name = name if len(name) <= _LONGEST_NAME else f"{name[: _LONGEST_NAME - 1]}…"
        half = np.array([len(name) * _LETTER_WIDTH, _LETTER_HEIGHT]) * size / 144.0
        gap = radius[at] + 0.02
        for across, above in ((gap + half[0], 0.0), (-gap - half[0], 0.0), (0.0, gap + half[1]), (0.0, -gap - half[1])):
            middle = np.array([right[at] + across, up[at] + above])
            box = np.concatenate([middle - half, middle + half])
            inside = (box[:2] >= 0.0).all() and box[2] <= (east - west) * scale and box[3] <= (north - south) * scale
            apart = (taken[:, :2] >= box[2:]).any(axis=1) | (taken[:, 2:] <= box[:2]).any(axis=1)
            if inside and apart.all():
                axes.text(
                    west + middle[0] / scale,
                    south + middle[1] / scale,
                    name,
                    size=size,
                    ha="center",
                    va="center",
                    zorder=5,
                    **FONT,
                )
                taken = np.vstack([taken, box])
                named += 1
                break
    return named


def _swatch(mark: Mark) -> Any:
    def draw(canvas: Canvas, box: Box) -> None:
        axes = canvas.axes(box)
        axes.set_axis_off()
        axes.scatter([0.5], [0.5], s=50, marker=mark.marker, facecolor=mark.fill, edgecolor=INK, linewidth=0.5)

    return draw


def _draw_key(
    sheet: MapSheet, rows: Sequence[Mapping[str, Any]], placed: int, named: int, marked: Any, system: System
) -> None:
    """Say how many fields came out which way, how many have no place, and what the letters stand for."""
    entries = []
    for name, mark in SEASON.items():
        own = [row for row in rows if row["status"] == name]
        ground = acres(math.fsum(row["area_ac"] or 0.0 for row in own), system)
        entries.append(Entry(_swatch(mark), mark.word, (f"{count(len(own), 'field')}, {ground}",)))
    canvas, key = sheet.canvas, sheet.key
    top = canvas.key(key, entries)
    lost = len(rows) - placed
    if lost:
        words = f"{count(lost, 'field')} {verb(lost, 'has', 'have')} no place on the map."
        top = canvas.paragraph(Box(key.left, top + 0.03, key.width, 0.5), words, (7,)) + 0.05
    for bar, letter in marked.items():
        canvas.badge(Box(key.left, top, 0.4, 0.24), letter)
        words = f"{bar}: a bar that stands out"
        top = canvas.paragraph(Box(key.left + 0.5, top + 0.05, key.width - 0.5, 0.4), words, (7,)) + 0.06
    words = "The larger the mark, the larger the field."
    if named < placed:
        words += f" {named:,} of {placed:,} have room for their name; the table names all."
    canvas.paragraph(Box(key.left, top + 0.08, key.width, 0.6), words, (7,))


def season_map(rows: Sequence[Mapping[str, Any]], system: System, letters: Mapping[str, str] | None = None) -> bytes:
    """Draw the fields of a season as a PNG of 1600 by 1200 pixels.

    Parameters
    ----------
    rows : sequence of dict
        Of the season's table.
    system : str
        ``"us"`` or ``"metric"``.
    letters : mapping, optional
        Name of each bar that stands out to the letter its fields bear.
    """
    sheet = map_sheet(1.0, Heading(season_answer(season_totals(rows)), footer=SHORT_CAUTION))
    placed = [row for row in rows if row["lon"] is not None and row["status"] in SEASON]
    box, named = sheet.maps[0], 0
    if placed:
        x, y = _places(placed)
        room = Box(0.0, 0.0, box.width - 3 * _LARGEST, box.height - 3 * _LARGEST)  # the largest mark at every side
        extent = _extent(x, y)
        scale = extent.scale_in(room)
        axes = sheet.axes(0, extent, scale)
        _draw_fields(axes, placed, x, y, letters or {})
        named = _name_fields(axes, placed, x, y, scale)
        sheet.scale_bar(scale, system)
    else:
        axes = sheet.canvas.axes(box)
        axes.text(0.5, 0.5, "No field has a place to draw.", ha="center", size=9, transform=axes.transAxes, **FONT)
    axes.set_axis_on()
    axes.set(xticks=[], yticks=[])
    _draw_key(sheet, rows, len(placed), named, letters or {}, system)
    return sheet.canvas.save(0.0)[0]
