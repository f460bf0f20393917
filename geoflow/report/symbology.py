"""How classes of zones are drawn in reports: colour, pattern and letter, each of which tells them apart on its own."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from geoflow.base.schema import VERDICTS
from geoflow.report.canvas import INK, PAPER, STYLES

__all__ = ["BREADTH", "CHANGES", "VERDICT_LOOKS", "Look", "as_png", "blank", "paint_box", "swatch"]

BREADTH: Final = 7.1
"""Breadth of a figure on paper [in]: what both letter and A4 leave between margins of 16 mm and a little more."""
_DPI: Final = 200


@dataclass(frozen=True, slots=True)
class Look:
    """How one class is drawn.

    Attributes
    ----------
    word, letter : str
        What it is called, and what stands for it on the map.
    fill, hatch_colour : str
        Colours as ``#RRGGBB``.
    hatch : str
        Pattern in matplotlib's letters; empty for none.
    """

    word: str
    letter: str
    fill: str
    hatch: str = ""
    hatch_colour: str = INK


VERDICT_LOOKS: Final[dict[str, Look]] = {
    name: Look(name, VERDICTS[name].letter, style.fill, style.hatch, style.hatch_colour)
    for name, style in STYLES.items()
}
# Darker where more has to be looked at; a raise is the one that can do harm, so it has the strongest pattern.
CHANGES: Final[dict[str, Look]] = {
    "kept": Look("kept", "K", "#FAFAF7", "", "#FAFAF7"),
    "lowered": Look("lowered", "L", "#8FC1E6", "\\\\", "#2A5D84"),
    "own speed": Look("own speed", "S", "#E5C65A", "..", "#5C4A00"),
    "raised": Look("raised", "R", "#CC6F14", "++", "#3D1F00"),
    "left failing": Look("still not holding", "X", "#64102C", "xx", "#E8A9BC"),
}


def blank(height: float) -> Any:
    """Make an empty figure as broad as the page and `height` [in] high."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(BREADTH, height), dpi=_DPI, facecolor=PAPER)
    FigureCanvasAgg(figure)
    return figure


def as_png(figure: Any) -> bytes:
    """Give a figure as a PNG, the same bytes for the same figure."""
    import warnings

    out = io.BytesIO()
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph")  # letters the font lacks show as boxes
        figure.savefig(out, format="png", dpi=_DPI, facecolor=PAPER, metadata={"Software": None})
    return out.getvalue()


def paint_box(figure: Any, corner: tuple[float, float], size: tuple[float, float], look: Look) -> None:
    """Draw a box in the look of a class; corner and size in inches from the lower left."""
    from matplotlib.patches import Rectangle

    wide, high = figure.get_size_inches()
    place = (corner[0] / wide, corner[1] / high), size[0] / wide, size[1] / high
    how: Sequence[dict[str, Any]] = (
        {"facecolor": look.fill, "edgecolor": "none"},
        {"facecolor": "none", "edgecolor": look.hatch_colour, "linewidth": 0, "hatch": look.hatch},
        {"facecolor": "none", "edgecolor": INK, "linewidth": 0.7},
    )
    for one in how:
        figure.add_artist(Rectangle(*place, transform=figure.transFigure, **one))


def swatch(figure: Any, corner: tuple[float, float], look: Look) -> None:
    """Draw the key of a class, half an inch broad, with its letter."""
    paint_box(figure, corner, (0.42, 0.25), look)
    wide, high = figure.get_size_inches()
    figure.text(
        (corner[0] + 0.21) / wide,
        (corner[1] + 0.125) / high,
        look.letter,
        size=8,
        weight="bold",
        ha="center",
        va="center_baseline",
        color=INK,
        bbox={"boxstyle": "round,pad=0.15", "facecolor": PAPER, "edgecolor": INK, "linewidth": 0.5},
    )
