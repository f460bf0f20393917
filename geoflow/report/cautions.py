"""The words of caution that stand wherever an output can lead to an action."""

from __future__ import annotations

from typing import Final

from geoflow.report.model import PRINTED, Paragraph, Section

__all__ = ["CAUTIONS", "SHORT_CAUTION", "caution_section"]

SHORT_CAUTION: Final = (
    "Ammonia blinds and kills: goggles, gloves, water at hand, bleed before opening, 85 % fill. "
    "Label, ratings, local codes and licensed practice come first."
)
CAUTIONS: Final = (
    "Ammonia blinds and kills. Wear unvented goggles and gloves rated for ammonia, keep clean water within reach, "
    "bleed lines before you open them, and fill no tank past 85 %. The product label, the ratings on the equipment, "
    "local codes and licensed practice come before anything said here."
)
_DEFERRAL: Final = (
    "This report is arithmetic on what the files say. It is no inspection of the equipment and no recommendation to "
    "apply. Where it differs from the product label, from the ratings stamped on tank, hose, pump and valve, from "
    "federal, state or local codes, or from the judgement of a licensed applicator, agronomist or engineer, they are "
    "right and this report is not to be used."
)


def caution_section() -> Section:
    """The cautions, and before whom this report steps back."""
    return Section(
        "cautions", "Before anybody goes out", (Paragraph(CAUTIONS, "warning"), Paragraph(_DEFERRAL, on=PRINTED))
    )
