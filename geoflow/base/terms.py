"""The words a reader meets in an answer, and what they mean: said where they stand, on the page and in print."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from geoflow.base.schema import VERDICTS

__all__ = ["TERMS", "Term"]


@dataclass(frozen=True, slots=True)
class Term:
    """A word with its meaning.

    Attributes
    ----------
    name : str
        The word.
    meaning : str
        One or two sentences for a person.
    shown : tuple of str
        What stands for it where it is used, besides the word itself.
    """

    name: str
    meaning: str
    shown: tuple[str, ...] = ()


TERMS: Final[tuple[Term, ...]] = (
    *(Term(verdict.name, verdict.meaning) for verdict in VERDICTS.values()),
    Term(
        "window",
        "The flows between the low and the high limit of the bar, or the rates they give at the planned speeds.",
        ("The bar can deliver",),
    ),
    Term("certain", "At the worse end of everything that is not known of the bar and the liquid."),
    Term("possible", "At the better end of everything that is not known; a rate beyond it fails."),
    Term(
        "liquid margin",
        "Pressure ahead of the orifices less the pressure at which the liquid boils. Too little, and the ammonia boils "
        "ahead of the orifices and the rows go uneven.",
        ("Least liquid margin over the plan",),
    ),
    Term("limit", "What a zone's rate runs into first: the pump, the meter, a rating, or boiling.", ("Limit",)),
    Term("cure", "What would let this zone's rate hold: another speed, another rate, other orifices.", ("Cure",)),
    Term(
        "speeds that hold",
        "Ground speeds at which this zone's rate is certain, over all planned temperatures of the liquid.",
        ("This rate holds at",),
    ),
    Term(
        "manifold gauge",
        "What the gauge just ahead of the orifices should show at this rate, over all that is not known. None where "
        "the manifold may hold vapour.",
        ("Manifold gauge at this rate",),
    ),
    Term("liquid in the tank", "Temperature of the ammonia, not of the air. The tank's gauge tells it.",
         ("Liquid in the tank",)),
)  # fmt: skip
