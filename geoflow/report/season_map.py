"""The map of a season: every field where it lies, by how it came out."""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from geoflow.base.units import System
from geoflow.report.canvas import BADGE, BREADTH, HEIGHT, INK, MARGIN, PAPER, STYLES, Sheet, draw_scale, line_height
from geoflow.report.cautions import SHORT_CAUTION
from geoflow.report.layout import count
from geoflow.report.season import acres, season_answer, season_totals

__all__ = ["season_map"]


@dataclass(frozen=True, slots=True)
class _Look:
    """How a field is drawn: form and darkness tell it in black and white too."""

    name: str
    marker: str
    fill: str


_LOOKS: Final = {
    "fine": _Look("nothing to act on", "o", STYLES["holds"].fill),
    "findings": _Look("findings", "D", STYLES["fails"].fill),
}
_SMALLEST, _LARGEST = 7.0, 26.0  # across a marker [px / 2]
_KEY: Final = 370


def _places(rows: Sequence[Mapping[str, Any]]) -> tuple[Any, Any]:
    """Metres east and north of the middle, in an equal-area frame."""
    import pyproj

    lon = np.array([row["lon"] for row in rows], dtype=float)
    lat = np.array([row["lat"] for row in rows], dtype=float)
    # The mean direction, so that a season on both sides of 180° has its middle there.
    turn = np.radians(lon)
    middle = math.degrees(math.atan2(float(np.sin(turn).mean()), float(np.cos(turn).mean())))
    frame = pyproj.CRS.from_proj4(f"+proj=laea +lat_0={lat.mean()} +lon_0={middle} +datum=WGS84 +units=m")
    return pyproj.Transformer.from_crs(4326, frame, always_xy=True).transform(lon, lat)


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
    marked = letters or {}
    page, full = Sheet(), BREADTH - 2 * MARGIN
    totals = season_totals(rows)
    top = page.paragraph(MARGIN, 30, full, season_answer(totals), (17, 15, 13, 11), 2, weight="bold") + 20
    bottom = HEIGHT - 24 - len(page.wrap(SHORT_CAUTION, full, 9)) * line_height(9)
    page.paragraph(MARGIN, bottom, full, SHORT_CAUTION, (9,), 1000)
    bottom -= 24
    right = BREADTH - MARGIN - _KEY
    placed = [row for row in rows if row["lon"] is not None and row["status"] in _LOOKS]
    lost = len(rows) - len(placed)

    edge = right - 40
    axes = page.axes(MARGIN, top, edge, bottom)
    axes.set_xticks([])
    axes.set_yticks([])
    wide, high = edge - MARGIN, bottom - top
    if placed:
        x, y = _places(placed)
        # Room for the largest marker at every side, and never closer than a mile across.
        scale = 0.92 * min(
            (wide - 2 * _LARGEST) / max(float(np.ptp(x)), 1609.0), (high - 2 * _LARGEST) / max(float(np.ptp(y)), 1609.0)
        )
        across, up = 0.5 * float(x.min() + x.max()), 0.5 * float(y.min() + y.max())
        axes.set_xlim(across - wide / 2 / scale, across + wide / 2 / scale)
        axes.set_ylim(up - high / 2 / scale, up + high / 2 / scale)
        area = np.array([row["area_ac"] or 0.0 for row in placed])
        crowd = max(1.0, math.sqrt(len(placed) / 150))
        radius = np.maximum(_LARGEST * np.sqrt(area / max(float(area.max()), 1e-9)) / crowd, _SMALLEST / crowd)
        for name, look in _LOOKS.items():  # findings last, on top
            own = np.array([row["status"] == name for row in placed])
            axes.scatter(
                x[own],
                y[own],
                s=(2 * radius[own] * 72 / 150) ** 2 * (0.7 if look.marker == "D" else 1.0),
                marker=look.marker,
                facecolor=look.fill,
                edgecolor=INK if name == "fine" else PAPER,
                linewidth=0.6,
                zorder=2 if name == "fine" else 3,
            )
        for row, east, north in zip(placed, x, y, strict=True):
            if row["bar"] in marked:
                axes.text(
                    east, north, marked[row["bar"]], size=max(8.0 / crowd, 4.0), weight="bold", color=INK, bbox=BADGE,
                    ha="center", va="center", zorder=4, family="DejaVu Sans", parse_math=False,
                )  # fmt: skip
        draw_scale(page, right, bottom - 40, _KEY, scale, system)
    else:
        axes.text(0.5, 0.5, "No field has a place to draw.", ha="center", transform=axes.transAxes, color=INK)

    for name, look in _LOOKS.items():
        own_rows = [row for row in rows if row["status"] == name]
        box = page.axes(right, top, right + 40, top + 40)
        box.set_axis_off()
        box.scatter([0.5], [0.5], s=90, marker=look.marker, facecolor=look.fill, edgecolor=INK, linewidth=0.6)
        box.set_xlim(0, 1)
        box.set_ylim(0, 1)
        below = page.paragraph(right + 54, top - 4, _KEY - 54, look.name, (10,), 1, weight="bold")
        ground = acres(math.fsum(row["area_ac"] or 0.0 for row in own_rows), system)
        top = page.paragraph(right + 54, below, _KEY - 54, f"{count(len(own_rows), 'field')}, {ground}", (9,), 2) + 16
    if lost:
        words = f"{count(lost, 'failed field')} {'has' if lost == 1 else 'have'} no place on the map."
        top = page.paragraph(right, top + 6, _KEY, words, (9,), 4)
    for bar, letter in marked.items():
        page.text(right + 20, top + 8, letter, 9, weight="bold", bbox=BADGE, ha="center")
        top = page.paragraph(right + 54, top + 4, _KEY - 54, f"{bar}: a bar that stands out", (9,), 3) + 10
    page.paragraph(right, top + 14, _KEY, "The larger the mark, the larger the field.", (9,), 3)
    sink = io.BytesIO()
    page.save(sink)  # type: ignore[arg-type]
    return sink.getvalue()
