"""The sheet that pictures are drawn on, measured in inches from its top left corner.

A picture is drawn for a report, as broad as its text and as high as it needs, or as a poster of 1600 by 1200 pixels
that stands alone, with a heading and the safety line. Letters and lines are of one size on both.
"""

from __future__ import annotations

import contextlib
import io
import math
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Any, Final

from geoflow.report.symbology import BADGE, FAINT, INK, PAPER, Symbol

__all__ = ["DPI", "FONT", "Box", "Canvas", "Entry", "Heading", "Picture", "figure_of", "poster", "report_figure"]

DPI: Final = 200
FONT: Final[dict[str, Any]] = {"family": "DejaVu Sans", "color": INK, "parse_math": False}
_BREADTH: Final = 7.1  # [in]: what letter and A4 leave between margins of 16 mm and a little more
_POSTER: Final = (8.0, 6.0)
_MARGIN: Final = 0.2
_SWATCH: Final = (0.4, 0.24)

_KEPT: Final[ContextVar[list[Any] | None]] = ContextVar("figures that are kept", default=None)

Picture = tuple[bytes, tuple[float, float]]
"""A PNG, and its breadth and height on paper [in]."""


@dataclass(frozen=True, slots=True)
class Heading:
    """What stands on a poster besides the picture: the heading, the answer in a sentence, the safety line.

    Attributes
    ----------
    title, subtitle : str
        Shortened where they are too long.
    footer : str
        Never shortened.
    """

    title: str
    subtitle: str = ""
    footer: str = ""


@dataclass(frozen=True, slots=True)
class Box:
    """A part of the sheet [in]."""

    left: float
    top: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """Right edge [in]."""
        return self.left + self.width

    @property
    def bottom(self) -> float:
        """Lower edge [in]."""
        return self.top + self.height


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of a key.

    Attributes
    ----------
    swatch : callable
        Draws into a box of a canvas.
    name : str
        In bold.
    amounts : tuple of str
        A line each.
    meaning : str
        A sentence below; may be empty.
    """

    swatch: Callable[[Canvas, Box], None]
    name: str
    amounts: tuple[str, ...]
    meaning: str = ""


class Canvas:
    """A blank sheet of a breadth and a height [in]; without one it is as high as it turns out when it is saved."""

    def __init__(self, breadth: float, height: float | None = None) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
        from matplotlib.transforms import Affine2D

        self.breadth, self.height = breadth, height
        self.figure = Figure(figsize=(breadth, 1.0), dpi=DPI, facecolor=PAPER)
        canvas: Any = FigureCanvasAgg(self.figure)
        self._renderer = canvas.get_renderer()
        self._widths: dict[tuple[str, float, str], float] = {}
        self._from_top = Affine2D()
        self._inches = self._from_top + self.figure.dpi_scale_trans
        self._axes: list[tuple[Any, Box]] = []

    def axes(self, box: Box) -> Any:
        """Make axes in a box.

        Parameters
        ----------
        box : Box
            Where [in].
        """
        axes = self.figure.add_axes((0, 0, 1, 1), label=str(len(self._axes)))
        self._axes.append((axes, box))
        return axes

    def width(self, text: str, size: float, weight: str = "normal") -> float:
        """Width of a line of text [in] at a size [pt]; spacing between pairs of letters is left out.

        Parameters
        ----------
        text : str
            One line.
        size : float
            Of the letters [pt].
        weight : str
            ``"normal"`` or ``"bold"``.
        """
        return sum(self._letter(letter, size, weight) for letter in text)

    def _letter(self, letter: str, size: float, weight: str) -> float:
        """Width of a letter within a word [in]; kept, because wrapping asks for it again and again."""
        from matplotlib.font_manager import FontProperties

        if (letter, size, weight) not in self._widths:
            font = FontProperties(family="DejaVu Sans", size=size, weight=weight)
            with _boxes_for_missing_letters():
                with_it, without = (
                    float(self._renderer.get_text_width_height_descent(word, font, False)[0])
                    for word in (f"n{letter}n", "nn")
                )
            self._widths[letter, size, weight] = (with_it - without) / DPI
        return self._widths[letter, size, weight]

    def text(self, x: float, y: float, text: str, size: float, **how: Any) -> Any:
        """Write one line with its top at `y`.

        Parameters
        ----------
        x, y : float
            [in]
        text : str
            One line.
        size : float
            Of the letters [pt].
        """
        return self.figure.text(x, y, text, size=size, transform=self._inches, **{"va": "top", **FONT, **how})

    def wrap(self, text: str, width: float, size: float, weight: str = "normal") -> list[str]:
        """Break text into lines no wider than `width`, within a word only where it must.

        Parameters
        ----------
        text : str
            Any.
        width : float
            [in]
        size : float
            Of the letters [pt].
        weight : str
            ``"normal"`` or ``"bold"``.
        """
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

    def paragraph(self, box: Box, text: str, sizes: Sequence[float], **how: Any) -> float:
        """Write wrapped text in the first size [pt] that fits a box, cut where none does; return its lower edge.

        Parameters
        ----------
        box : Box
            Where [in].
        text : str
            What is written.
        sizes : sequence of float
            Of the letters, the best first [pt].
        """
        weight, top = how.get("weight", "normal"), box.top
        for size in sizes:
            lines, most = self.wrap(text, box.width, size, weight), int(box.height / _line(size) + 1e-6)
            if len(lines) <= most:
                break
        if len(lines) > most:
            lines = lines[:most]
            while self.width(lines[-1] + "…", size, weight) > box.width:
                lines[-1] = lines[-1][:-1]
            lines[-1] += "…"
        for line in lines:
            self.text(box.left, top, line, size, **how)
            top += _line(size)
        return top

    def patch(self, box: Box, **how: Any) -> None:
        """Draw a box.

        Parameters
        ----------
        box : Box
            Where [in].
        """
        from matplotlib.patches import Rectangle

        corner = (box.left, box.top)
        self.figure.add_artist(Rectangle(corner, box.width, box.height, transform=self._inches, **how))

    def polygon(self, points: Sequence[tuple[float, float]], **how: Any) -> None:
        """Draw a polygon.

        Parameters
        ----------
        points : sequence of tuple of float
            Corners [in].
        """
        from matplotlib.patches import Polygon

        self.figure.add_artist(Polygon(points, transform=self._inches, **how))

    def symbol(self, box: Box, symbol: Symbol, *, letter: bool = True) -> None:
        """Draw the colour, the pattern and, where asked, the letter of a class into a box.

        Parameters
        ----------
        box : Box
            Where [in].
        symbol : Symbol
            Of the class.
        letter : bool
            Whether its letter is written.
        """
        self.patch(box, facecolor=symbol.fill, edgecolor="none")
        if symbol.hatch:
            self.patch(box, facecolor="none", edgecolor=symbol.hatch_colour, linewidth=0, hatch=symbol.hatch)
        self.patch(box, facecolor="none", edgecolor=INK, linewidth=0.7)
        if letter:
            self.badge(box, symbol.letter)

    def badge(self, box: Box, letter: str) -> None:
        """Write a letter in its badge into the middle of a box.

        Parameters
        ----------
        box : Box
            Where [in].
        letter : str
            A single one.
        """
        middle = (box.left + box.width / 2, box.top + box.height / 2)
        self.text(*middle, letter, 7, ha="center", va="center_baseline", weight="bold", bbox=BADGE)

    def key(self, box: Box, entries: Sequence[Entry], columns: int = 1) -> float:
        """Write a key in columns, row by row; return its lower edge.

        Parameters
        ----------
        box : Box
            Where [in].
        entries : sequence of Entry
            A line each.
        columns : int
            Side by side.
        """
        top, step = box.top, box.width / columns
        room = step - _SWATCH[0] - 0.15
        size = next((s for s in (8.5, 8, 7.5, 7) if all(self.width(e.name, s, "bold") <= room for e in entries)), 6.5)
        for first in range(0, len(entries), columns):
            row = entries[first : first + columns]
            cells = [Box(box.left + at * step, top, step - 0.05, 0.0) for at in range(len(row))]
            top = max(self._entry(cell, entry, size) for cell, entry in zip(cells, row, strict=True)) + 0.1
        return top

    def _entry(self, cell: Box, entry: Entry, size: float) -> float:
        entry.swatch(self, Box(cell.left, cell.top, *_SWATCH))
        left, colour = cell.left + _SWATCH[0] + 0.1, FAINT if entry.amounts == ("none",) else INK
        name = Box(left, cell.top - 0.03, cell.right - left, 0.18)
        at = self.paragraph(name, entry.name, (size,), weight="bold", color=colour)
        for amount in entry.amounts:
            at = self.paragraph(Box(left, at, cell.right - left, 0.14), amount, (7.5, 7, 6.5))
        at = max(at, cell.top + _SWATCH[1])
        if entry.meaning:
            at = self.paragraph(Box(cell.left, at + 0.02, cell.width, 0.5), entry.meaning, (6.5,), color=FAINT)
        return at

    def save(self, end: float) -> Picture:
        """Give the sheet as a PNG, cut at `end` [in] if it has no height of its own; the same bytes every time.

        Parameters
        ----------
        end : float
            Where a sheet without a height ends [in].
        """
        height = math.ceil(end * DPI) / DPI if self.height is None else self.height
        self.figure.set_size_inches(self.breadth, height)
        self._from_top.scale(1, -1).translate(0, height)
        for axes, box in self._axes:
            low = 1 - box.bottom / height
            axes.set_position((box.left / self.breadth, low, box.width / self.breadth, box.height / height))
        if (kept := _KEPT.get()) is not None:
            kept.append(self.figure)
            return b"", (self.breadth, height)
        out = io.BytesIO()
        with _boxes_for_missing_letters():
            self.figure.savefig(out, format="png", dpi=DPI, facecolor=PAPER, metadata={"Software": None})
        return out.getvalue(), (self.breadth, height)


@contextlib.contextmanager
def _boxes_for_missing_letters() -> Iterator[None]:
    """Keep quiet about letters that the font lacks; they show as boxes."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph")
        yield


def _line(size: float) -> float:
    """Height of a line of text [in] at a size [pt]."""
    return size / 72 * 1.3


def figure_of(draw: Callable[[], object]) -> Any:
    """Return the figure behind a picture, as matplotlib holds it, to be shown or changed.

    Parameters
    ----------
    draw : callable
        Draws the picture; the first one counts where there are several.
    """
    figures: list[Any] = []
    held = _KEPT.set(figures)
    try:
        draw()
    finally:
        _KEPT.reset(held)
    return figures[0]


def report_figure() -> tuple[Canvas, Box]:
    """Begin a figure of a report; the box is its breadth, without a height of its own."""
    return Canvas(_BREADTH), Box(0.0, 0.0, _BREADTH, 0.0)


def poster(heading: Heading) -> tuple[Canvas, Box]:
    """Begin a poster with its heading and safety line; the box is what they leave.

    Parameters
    ----------
    heading : Heading
        What to write.
    """
    canvas, full = Canvas(*_POSTER), _POSTER[0] - 2 * _MARGIN
    top = canvas.paragraph(Box(_MARGIN, 0.14, full, 0.5), heading.title, (12.75, 11.25, 9.75, 8.25), weight="bold")
    if heading.subtitle:
        top = canvas.paragraph(Box(_MARGIN, top + 0.02, full, 0.5), heading.subtitle, (9, 8.25, 7.5, 7))
    height = len(canvas.wrap(heading.footer, full, 6.75)) * _line(6.75)
    bottom = _POSTER[1] - 0.12 - height
    canvas.paragraph(Box(_MARGIN, bottom, full, height), heading.footer, (6.75,))
    top += 0.12
    return canvas, Box(_MARGIN, top, full, bottom - (0.12 if heading.footer else 0.0) - top)
