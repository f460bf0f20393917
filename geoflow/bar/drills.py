"""Diameters of the number drills, as a shop has them."""

from __future__ import annotations

from typing import Final

from geoflow.base.units import FOOT

__all__ = ["NUMBER_DRILLS"]

# Thousandths of an inch, no. 80 to no. 1, the number (wire gauge) sizes that ASME B94.11M lists (the standard itself
# was not read). Nos. 80 to 53 read in "Metric, Inch, & Fractional Inch: Drills, Sizes, Threads, & Preferred Sizes",
# v.2 of 2007, public domain, CircuitousRoot; the rest second-hand, alike in four published tables of sizes.
# tests/published/drills.csv holds some of each.
_THOUSANDTHS: Final = (
    13.5, 14.5, 16, 18, 20, 21, 22.5, 24, 25, 26, 28, 29.2, 31, 32, 33, 35, 36, 37, 38, 39, 40, 41, 42, 43, 46.5, 52,
    55, 59.5, 63.5, 67, 70, 73, 76, 78.5, 81, 82, 86, 89, 93.5, 96, 98, 99.5, 101.5, 104, 106.5, 110, 111, 113, 116,
    120, 128.5, 136, 140.5, 144, 147, 149.5, 152, 154, 157, 159, 161, 166, 169.5, 173, 177, 180, 182, 185, 189, 191,
    193.5, 196, 199, 201, 204, 205.5, 209, 213, 221, 228,
)  # fmt: skip
NUMBER_DRILLS: Final[dict[int, float]] = {80 - place: size * FOOT / 12000.0 for place, size in enumerate(_THOUSANDTHS)}
"""Number of the drill to its diameter [m], the smallest (no. 80) first."""
