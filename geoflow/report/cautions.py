"""The words of caution that stand wherever an output can lead to an action."""

from __future__ import annotations

from typing import Final

__all__ = ["CAUTIONS", "SHORT_CAUTION"]

SHORT_CAUTION: Final = (
    "Ammonia blinds and kills: goggles, gloves, water at hand, bleed before opening, 85 % fill. "
    "Label, ratings, local codes and licensed practice come first."
)
CAUTIONS: Final = (
    "Ammonia blinds and kills. Wear unvented goggles and gloves rated for ammonia, keep clean water within reach, "
    "bleed lines before you open them, and fill no tank past 85 %. The product label, the ratings on the equipment, "
    "local codes and licensed practice come before anything said here."
)
