"""The map of a season: every field where it lies, by how it came out."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.units import System
from geoflow.report.canvas import FONT, Box, Canvas, Entry, Heading
from geoflow.report.cautions import SHORT_CAUTION
from geoflow.report.layout import count
from geoflow.report.map_sheet import Extent, MapSheet, map_sheet
from geoflow.report.season import acres, season_answer, season_totals
from geoflow.report.symbology import BADGE, INK, SEASON, Mark

__all__ = ["season_map"]

_SMALLEST, _LARGEST = 0.035, 0.13  # radius of a mark [in]
_MILE: Final = 1609.0  # [m]: no map shows less than one across
_CROWD: Final = 150


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


def _draw_fields(axes: Any, rows: Sequence[Mapping[str, Any]], x: FloatArray, y: FloatArray, marked: Any) -> None:
    """Draw a mark for every field, the larger the field the larger, and the letters of bars that stand out."""
    area = np.array([row["area_ac"] or 0.0 for row in rows])
    crowd = max(1.0, math.sqrt(len(rows) / _CROWD))
    radius = np.maximum(_LARGEST * np.sqrt(area / max(float(area.max()), 1e-9)), _SMALLEST) / crowd
    for above, (name, mark) in enumerate(SEASON.items()):  # findings last, on top
        own = np.array([row["status"] == name for row in rows])
        size = (2 * radius[own] * 72) ** 2 * (0.7 if mark.marker == "D" else 1.0)
        how = {"marker": mark.marker, "facecolor": mark.fill, "edgecolor": mark.edge, "linewidth": 0.5}
        axes.scatter(x[own], y[own], s=size, zorder=2 + above, **how)
    for row, east, north in zip(rows, x, y, strict=True):
        if row["bar"] in marked:
            how = {"size": max(6.5 / crowd, 3.0), "weight": "bold", "bbox": BADGE, "ha": "center", "va": "center"}
            axes.text(east, north, marked[row["bar"]], zorder=4, **how, **FONT)


def _swatch(mark: Mark) -> Any:
    def draw(canvas: Canvas, box: Box) -> None:
        axes = canvas.axes(box)
        axes.set_axis_off()
        axes.scatter([0.5], [0.5], s=50, marker=mark.marker, facecolor=mark.fill, edgecolor=INK, linewidth=0.5)

    return draw


def _draw_key(sheet: MapSheet, rows: Sequence[Mapping[str, Any]], lost: int, marked: Any, system: System) -> None:
    """Say how many fields came out which way, how many have no place, and what the letters stand for."""
    entries = []
    for name, mark in SEASON.items():
        own = [row for row in rows if row["status"] == name]
        ground = acres(math.fsum(row["area_ac"] or 0.0 for row in own), system)
        entries.append(Entry(_swatch(mark), mark.word, (f"{count(len(own), 'field')}, {ground}",)))
    canvas, key = sheet.canvas, sheet.key
    top = canvas.key(key, entries)
    if lost:
        words = f"{count(lost, 'failed field')} {'has' if lost == 1 else 'have'} no place on the map."
        top = canvas.paragraph(Box(key.left, top + 0.03, key.width, 0.5), words, (7,)) + 0.05
    for bar, letter in marked.items():
        canvas.badge(Box(key.left, top, 0.4, 0.24), letter)
        words = f"{bar}: a bar that stands out"
        top = canvas.paragraph(Box(key.left + 0.5, top + 0.05, key.width - 0.5, 0.4), words, (7,)) + 0.06
    canvas.paragraph(Box(key.left, top + 0.08, key.width, 0.4), "The larger the mark, the larger the field.", (7,))


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
    box = sheet.maps[0]
    if placed:
        x, y = _places(placed)
        room = Box(0.0, 0.0, box.width - 3 * _LARGEST, box.height - 3 * _LARGEST)  # the largest mark at every side
        extent = _extent(x, y)
        scale = extent.scale_in(room)
        axes = sheet.axes(0, extent, scale)
        _draw_fields(axes, placed, x, y, letters or {})
        sheet.scale_bar(scale, system)
    else:
        axes = sheet.canvas.axes(box)
        axes.text(0.5, 0.5, "No field has a place to draw.", ha="center", size=9, transform=axes.transAxes, **FONT)
    axes.set_axis_on()
    axes.set(xticks=[], yticks=[])
    _draw_key(sheet, rows, len(rows) - len(placed), letters or {}, system)
    return sheet.canvas.save(0.0)[0]
