"""What every map has round it: its place on the sheet, the scale bar, the north arrow and the key."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

from geoflow.base import units
from geoflow.report.canvas import Box, Canvas, Heading, poster, report_figure
from geoflow.report.symbology import INK, PAPER

__all__ = ["Extent", "MapSheet", "map_sheet"]

_KEY: Final = 1.85  # [in]
_GAP: Final = 0.15
_TALLEST: Final = 3.4
_STRIP: Final = 0.5


@dataclass(frozen=True, slots=True)
class Extent:
    """The ground a map shows [m]."""

    west: float
    south: float
    east: float
    north: float

    @property
    def aspect(self) -> float:
        """Height over breadth [-]; that of a flat strip where there is no ground."""
        if not math.isfinite(self.west):
            return 0.2
        return max(self.north - self.south, 1e-3) / max(self.east - self.west, 1e-3)

    def scale_in(self, box: Box) -> float:
        """Largest scale at which it fits into a box, with a little room round it [in/m]; one where there is none.

        Parameters
        ----------
        box : Box
            Where [in].
        """
        if not math.isfinite(self.west):
            return 1.0
        across, up = max(self.east - self.west, 1e-3), max(self.north - self.south, 1e-3)
        return 0.98 * min(box.width / across, box.height / up)

    def around(self, box: Box, scale: float) -> Extent:
        """The ground that fills a box at a scale [in/m], with the same middle.

        Parameters
        ----------
        box : Box
            Where [in].
        scale : float
            [in/m]
        """
        x, y = (self.west + self.east) / 2, (self.south + self.north) / 2
        across, up = box.width / scale / 2, box.height / scale / 2
        return Extent(x - across, y - up, x + across, y + up)


@dataclass(frozen=True, slots=True)
class MapSheet:
    """A sheet with room for maps.

    Attributes
    ----------
    canvas : Canvas
        To draw on.
    maps : tuple of Box
        One for each map, side by side.
    key : Box
        Where the key begins, and how broad it is.
    strip : Box
        For scale bar and north arrow.
    beside : bool
        Whether the key stands beside the map, with room for more words.
    """

    canvas: Canvas
    maps: tuple[Box, ...]
    key: Box
    strip: Box
    beside: bool

    def axes(self, at: int, extent: Extent, scale: float) -> Any:
        """Make the axes of one map, with the ground at its scale [in/m].

        Parameters
        ----------
        at : int
            Which map.
        extent : Extent
            The ground.
        scale : float
            [in/m]
        """
        box = self.maps[at]
        axes, shown = self.canvas.axes(box), extent.around(box, scale)
        axes.set_axis_off()
        axes.set_xlim(shown.west, shown.east)
        axes.set_ylim(shown.south, shown.north)
        return axes

    def scale_bar(self, scale: float, system: units.System) -> None:
        """Draw a scale bar for a scale [in/m] and, to its right, the north arrow.

        Parameters
        ----------
        scale : float
            [in/m]
        system : str
            ``"us"`` or ``"metric"``.
        """
        unit, box = units.unit_label("length", system), self.strip
        length = _round_length(min(2.0, box.width - 0.5) / scale / units.factor(unit, "length"))
        metres = units.to_si(length, "length", unit)
        half, digits = metres * scale / 2, max(0, -math.floor(math.log10(length)))
        base = box.top + 0.14
        for left, fill in ((box.left + 0.02, INK), (box.left + 0.02 + half, PAPER)):
            self.canvas.patch(Box(left, base - 0.07, half, 0.07), facecolor=fill, edgecolor=INK, linewidth=0.7)
        said = units.show(metres, "length", system, digits)
        self.canvas.text(box.left + 0.02, base + 0.04, said, 8)
        x = box.right - 0.26
        arrow = [(x, base - 0.18), (x + 0.09, base + 0.18), (x, base + 0.1), (x - 0.09, base + 0.18)]
        self.canvas.polygon(arrow, facecolor=INK, edgecolor=INK, linewidth=0.5)
        self.canvas.text(x + 0.14, base + 0.04, "N", 9, weight="bold")


def _round_length(most: float) -> float:
    """Return the largest of 1, 2 and 5 times a power of ten that is not above `most`."""
    power: float = 10.0 ** math.floor(math.log10(most))
    return max(step * power for step in (1, 2, 5) if step * power <= most * (1 + 1e-12))


def map_sheet(aspect: float, heading: Heading | None, maps: int = 1, head: float = 0.02) -> MapSheet:
    """Lay out a sheet for maps, as a poster where it has a heading.

    Parameters
    ----------
    aspect : float
        Height over breadth of the ground [-].
    heading : Heading or None
        Of the poster; None for a figure of a report.
    maps : int
        How many side by side.
    head : float
        Room above each map [in].
    """
    canvas, body = report_figure() if heading is None else poster(heading)
    breadth = body.width if heading is None else body.width - _KEY - 0.2
    width = (breadth - _GAP * (maps - 1)) / maps
    tall = min(_TALLEST, max(1.2, aspect * width * 0.98)) if heading is None else body.height - head
    boxes = tuple(Box(body.left + at * (width + _GAP), body.top + head, width, tall) for at in range(maps))
    if heading is not None:
        side = Box(body.right - _KEY, body.top, _KEY, body.height)
        return MapSheet(canvas, boxes, side, Box(side.left, body.bottom - 0.4, _KEY, 0.4), beside=True)
    below = Box(0.02, head + tall + 0.06, body.width - 0.02, _STRIP)
    return MapSheet(canvas, boxes, Box(0.02, below.bottom, below.width, 0.0), below, beside=False)
