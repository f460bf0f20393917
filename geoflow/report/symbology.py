"""Every colour, pattern and letter: of the pictures, and of the pages, whose style sheets must keep to them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

from geoflow.base.schema import VERDICTS

__all__ = [
    "BADGE", "CHANGES", "DOTS", "FAINT", "GROUND_CLASSES", "INK", "LOW_SIDE", "MISSED", "PAPER",
    "PASSES", "RATIO_CLASSES", "SEASON", "SHADE", "STEPS", "UNKNOWN", "VERDICT_SYMBOLS", "Mark", "RatioClass", "Symbol",
]  # fmt: skip

INK, PAPER, FAINT = "#1A1A1A", "#FFFFFF", "#5A5A5A"
DOTS, SHADE = "#3C6E97", "#D9D9D4"
"""What was measured, and the range it is held against."""
BADGE: Final = {"boxstyle": "round,pad=0.18", "facecolor": PAPER, "edgecolor": INK, "linewidth": 0.5}
"""Box round a letter on a map."""


@dataclass(frozen=True, slots=True)
class Symbol:
    """How one class of zones is drawn: colour, pattern and letter each tell it on their own.

    Attributes
    ----------
    word, letter : str
        What it is called, and what stands for it on the map.
    fill, hatch_colour : str
        Colours as ``#RRGGBB``.
    hatch : str
        Pattern in matplotlib's letters; empty for none.
    meaning : str
        A sentence for the key; may be empty.
    """

    word: str
    letter: str
    fill: str
    hatch: str = ""
    hatch_colour: str = INK
    meaning: str = ""

    @property
    def filling(self) -> dict[str, Any]:
        """Colour and pattern as matplotlib's filled areas take them."""
        return {"facecolor": self.fill, "edgecolor": self.hatch_colour, "hatch": self.hatch, "linewidth": 0}


def _verdict(name: str, fill: str, hatch: str = "", hatch_colour: str = INK) -> Symbol:
    return Symbol(name, VERDICTS[name].letter, fill, hatch, hatch_colour, VERDICTS[name].meaning)


# The worse, the darker, so that a grey print reads the same way.
VERDICT_SYMBOLS: Final[dict[str, Symbol]] = {
    "holds": _verdict("holds", "#8FC1E6"),
    "doubtful": _verdict("doubtful", "#CC6F14", "//", "#FFE3BF"),
    "fails": _verdict("fails", "#64102C", "xx", "#E8A9BC"),
    "off": _verdict("off", "#FAFAF7", "..", "#9A9A94"),
}
LOW_SIDE: Final = "\\\\"
"""Pattern of a zone that misses the window's lower end; one that misses the upper is hatched the other way."""
# Darker where more has to be looked at; a raise is the one that can do harm, so it has the strongest pattern.
CHANGES: Final[dict[str, Symbol]] = {
    "kept": Symbol("kept", "K", "#FAFAF7"),
    "lowered": Symbol("lowered", "L", "#8FC1E6", "\\\\", "#2A5D84"),
    "own speed": Symbol("own speed", "S", "#E5C65A", "..", "#5C4A00"),
    "raised": Symbol("raised", "R", "#CC6F14", "++", "#3D1F00"),
    "left failing": Symbol("still not holding", "X", "#64102C", "xx", "#E8A9BC"),
}


# For speeds and rates, rising: the more, the darker; neighbours differ in pattern too.
STEPS: Final = (
    Symbol("", "", "#FBF8DF"),
    Symbol("", "", "#E9F0C3", "..", "#7A8A3A"),
    Symbol("", "", "#D3E7B4", "//", "#5E8438"),
    Symbol("", "", "#B7DBAD", "\\\\", "#3F7A4B"),
    Symbol("", "", "#98CBA8", "--", "#2C6B4C"),
    Symbol("", "", "#7AB9A6"),
    Symbol("", "", "#60A5A2", "..", "#0D3B40"),
    Symbol("", "", "#4A8F9B", "//", "#0B2F3C"),
    Symbol("", "", "#3A7890", "\\\\", "#D4E9F0"),
    Symbol("", "", "#2F6180", "--", "#CFE0EC"),
    Symbol("", "", "#284B6C"),
    Symbol("", "", "#203654", "..", "#C9D3E2"),
)


@dataclass(frozen=True, slots=True)
class RatioClass:
    """A range of applied over target: the more went down, the darker; stripes where too little did.

    Attributes
    ----------
    name : str
        For the key.
    low, high : float
        Ratio, from (not including) and to; the middle class includes both ends [-].
    fill, stripe : str
        Colours as ``#RRGGBB``; no stripe where empty.
    gap : int
        From stripe to stripe [px].
    """

    name: str
    low: float
    high: float
    fill: str
    stripe: str = ""
    gap: int = 0


RATIO_CLASSES: Final = (
    RatioClass("more than 20 % short", -math.inf, 0.8, "#FFF3B0", "#9A6A00", 8),
    RatioClass("10 to 20 % short", 0.8, 0.9, "#F7D154", "#9A6A00", 18),
    RatioClass("within 10 %", 0.9, 1.1, "#7DB2DA"),
    RatioClass("10 to 20 % over", 1.1, 1.2, "#8B4A8B"),
    RatioClass("more than 20 % over", 1.2, math.inf, "#2E0B33"),
)
MISSED: Final = RatioClass("in the field, no pass", math.nan, math.nan, "#FFFFFF", "#C0392B", 5)
UNKNOWN: Final = RatioClass("passed, not compared", math.nan, math.nan, "#D9D9D4")
GROUND_CLASSES: Final = (*RATIO_CLASSES, MISSED, UNKNOWN)
"""In the order of their numbers."""
PASSES: Final = tuple(RATIO_CLASSES[at].fill for at in (0, 2, 3, 4))
"""Ground under no pass, one, two, and more."""


@dataclass(frozen=True, slots=True)
class Mark:
    """How a field of a season is drawn: form and darkness tell it in black and white too."""

    word: str
    marker: str
    fill: str
    edge: str


SEASON: Final = {
    "fine": Mark("nothing to act on", "o", VERDICT_SYMBOLS["holds"].fill, INK),
    "findings": Mark("findings", "D", VERDICT_SYMBOLS["fails"].fill, PAPER),
}
