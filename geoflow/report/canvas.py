"""The sheet the pictures are drawn on: its size, colours, patterns and wrapped text."""

from __future__ import annotations

import contextlib
import math
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from geoflow.base import units
from geoflow.base.schema import VERDICTS

__all__ = [
    "BADGE",
    "BREADTH",
    "DPI",
    "FAINT",
    "HEIGHT",
    "INK",
    "MARGIN",
    "PAPER",
    "STYLES",
    "Sheet",
    "Style",
    "draw_scale",
    "line_height",
]

BREADTH, HEIGHT, DPI, MARGIN = 1600, 1200, 150, 40  # pixels
INK, PAPER, FAINT = "#1A1A1A", "#FFFFFF", "#5A5A5A"


@dataclass(frozen=True, slots=True)
class Style:
    """How a verdict is drawn: the worse, the darker, so that a grey print reads the same way.

    Attributes
    ----------
    fill, hatch_colour : str
        Colours as ``#RRGGBB``.
    hatch : str
        Pattern, in matplotlib's letters; empty for none.
    """

    fill: str
    hatch: str
    hatch_colour: str


STYLES: Final[dict[str, Style]] = {
    "holds": Style("#8FC1E6", "", "#8FC1E6"),
    "doubtful": Style("#CC6F14", "//", "#FFE3BF"),
    "fails": Style("#64102C", "xx", "#E8A9BC"),
    "off": Style("#FAFAF7", "..", "#9A9A94"),
}


class Sheet:
    """A blank sheet measured in pixels from its top left corner."""

    def __init__(self) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        self.figure = Figure(figsize=(BREADTH / DPI, HEIGHT / DPI), dpi=DPI, facecolor=PAPER)
        canvas: Any = FigureCanvasAgg(self.figure)
        self._renderer = canvas.get_renderer()
        self._widths: dict[tuple[str, float, str], float] = {}

    def axes(self, left: float, top: float, right: float, bottom: float) -> Any:
        """Make axes in a box [px]."""
        place = (left / BREADTH, 1 - bottom / HEIGHT, (right - left) / BREADTH, (bottom - top) / HEIGHT)
        return self.figure.add_axes(place)

    def width(self, text: str, size: float, weight: str = "normal") -> float:
        """Width of a line of text [px] at a size [pt]; spacing between pairs of letters is left out."""
        return sum(self._letter(letter, size, weight) for letter in text)

    def _letter(self, letter: str, size: float, weight: str) -> float:
        """Width of a letter within a word [px]; kept, because wrapping asks for it again and again."""
        from matplotlib.font_manager import FontProperties

        if (letter, size, weight) not in self._widths:
            font = FontProperties(family="DejaVu Sans", size=size, weight=weight)
            with _boxes_for_missing_letters():
                with_it, without = (
                    float(self._renderer.get_text_width_height_descent(word, font, False)[0])
                    for word in (f"n{letter}n", "nn")
                )
            self._widths[letter, size, weight] = with_it - without
        return self._widths[letter, size, weight]

    def text(self, x: float, y: float, text: str, size: float, **how: Any) -> Any:
        """Write one line with its top at `y` [px]."""
        how = {"va": "top", "color": INK, "family": "DejaVu Sans", "parse_math": False, **how}
        return self.figure.text(x / BREADTH, 1 - y / HEIGHT, text, size=size, **how)

    def wrap(self, text: str, width: float, size: float, weight: str = "normal") -> list[str]:
        """Break text into lines no wider than `width`, within a word only where it must."""
        clean = "".join(letter if letter.isprintable() else " " for letter in text.replace("\n", " "))
        lines = [""]
        for word in clean.split():
            longer = f"{lines[-1]} {word}".lstrip()
            if self.width(longer, size, weight) <= width:
                lines[-1] = longer
                continue
            if lines[-1]:
                lines.append("")
            for letter in word:
                if lines[-1] and self.width(lines[-1] + letter, size, weight) > width:
                    lines.append("")
                lines[-1] += letter
        return [line for line in lines if line]

    def paragraph(
        self, x: float, top: float, width: float, text: str, sizes: Sequence[float], most: int, **how: Any
    ) -> float:
        """Write wrapped text in the first size that needs at most `most` lines; return its lower edge."""
        weight = how.get("weight", "normal")
        for size in sizes:
            lines = self.wrap(text, width, size, weight)
            if len(lines) <= most:
                break
        if len(lines) > most:
            lines = lines[:most]
            while self.width(lines[-1] + "…", sizes[-1], weight) > width:
                lines[-1] = lines[-1][:-1]
            lines[-1] += "…"
        for line in lines:
            self.text(x, top, line, size, **how)
            top += line_height(size)
        return top

    def patch(self, left: float, top: float, right: float, bottom: float, **how: Any) -> None:
        """Draw a box [px]."""
        from matplotlib.patches import Rectangle

        corner = (left / BREADTH, 1 - bottom / HEIGHT)
        size = ((right - left) / BREADTH, (bottom - top) / HEIGHT)
        self.figure.add_artist(Rectangle(corner, *size, transform=self.figure.transFigure, **how))

    def swatch(self, left: float, top: float, verdict: str, *, letter: bool) -> None:
        """Draw the colour, pattern and letter of a verdict, 66 by 40 px."""
        style, box = STYLES[verdict], (left, top, left + 66, top + 40)
        self.patch(*box, facecolor=style.fill, edgecolor="none")
        if style.hatch:
            self.patch(*box, facecolor="none", edgecolor=style.hatch_colour, linewidth=0, hatch=style.hatch)
        self.patch(*box, facecolor="none", edgecolor=INK, linewidth=0.8)
        if letter:
            self.text(
                left + 33,
                top + 20,
                VERDICTS[verdict].letter,
                9,
                ha="center",
                va="center_baseline",
                weight="bold",
                bbox=BADGE,
            )

    def save(self, path: Path) -> None:
        """Write the sheet as a PNG."""
        with _boxes_for_missing_letters():
            self.figure.savefig(path, format="png", dpi=DPI, facecolor=PAPER, metadata={"Software": None})


BADGE: Final = {"boxstyle": "round,pad=0.18", "facecolor": PAPER, "edgecolor": INK, "linewidth": 0.6}


@contextlib.contextmanager
def _boxes_for_missing_letters() -> Iterator[None]:
    """Keep quiet about letters that the font lacks; they show as boxes."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph")
        yield


def line_height(size: float) -> float:
    """Height of a line of text [px] at a size [pt]."""
    return size * DPI / 72 * 1.3


def _round_length(most: float) -> float:
    """Return the largest of 1, 2 and 5 times a power of ten that is not above `most`."""
    power: float = 10.0 ** math.floor(math.log10(most))
    return max(step * power for step in (1, 2, 5) if step * power <= most * (1 + 1e-12))


def draw_scale(page: Sheet, left: float, base: float, width: float, scale: float, system: units.System) -> None:
    """Draw a scale bar of at most `width` px, and the north arrow to its right end."""
    from matplotlib.patches import Polygon

    unit = units.unit_label("length", system)
    length = _round_length((width - 110) / scale / units.factor(unit, "length"))
    metres = units.to_si(length, "length", unit)
    half, digits = metres * scale / 2, max(0, -math.floor(math.log10(length)))
    page.patch(left, base - 14, left + half, base, facecolor=INK, edgecolor=INK, linewidth=0.8)
    page.patch(left + half, base - 14, left + 2 * half, base, facecolor=PAPER, edgecolor=INK, linewidth=0.8)
    page.text(left, base + 8, units.show(metres, "length", system, digits), 9)
    x = left + width - 30
    arrow = [(x, base - 70), (x + 18, base + 4), (x, base - 12), (x - 18, base + 4)]
    points = [(px / BREADTH, 1 - py / HEIGHT) for px, py in arrow]
    page.figure.add_artist(Polygon(points, transform=page.figure.transFigure, facecolor=INK, edgecolor=INK))
    page.text(x, base + 8, "N", 11, ha="center", weight="bold")
