"""How the questions of a new bar are put: what is said with each, its units, its theme, and which come first."""

from __future__ import annotations

from typing import Final

from geoflow.bar.answers import Answer, usual_unit
from geoflow.bar.key_kinds import KEY_KINDS
from geoflow.bar.questions import Question

__all__ = [
    "ESSENTIALS", "ESSENTIALS_WHY", "HOW_TO_ANSWER", "SECOND_ROUND", "THEMES", "answer_units", "explained", "said_back",
    "theme_of", "usual_said",
]  # fmt: skip

HOW_TO_ANSWER: Final = (
    "Answer as you would say it: 3/8 in, No. 52, 30 in, 0.5 to 3 ft; a bare number counts in the unit of the usual "
    "answer."
)
SECOND_ROUND: Final = "What else can close a day (slip, drive, bypass, tank hoses, valves that shut)"
ESSENTIALS_WHY: Final = (
    "There is no bar without the first three, the meter counts nothing sure without the fourth, and the fifth costs "
    "most of the window as long as nobody knows it."
)
ESSENTIALS: Final[dict[str, str]] = {
    "row_spacing": "With the rows it makes the width: how much a rate asks of the bar at a speed.",
    "sections": "The rows share the flow: how much goes through each orifice.",
    "orifice": "Flow and pressure hang on its size, and with them both ends of the window.",
    "meter_pulses": "The controller counts the flow by it.",
    "thickness": "How much of the liquid turns to vapour in the hole depends on how long it is.",
}
"""The questions a form asks first, and why each. The fifth is the dearest where only the others are answered (a test
holds it to that)."""
THEMES: Final[dict[str, tuple[str, ...]]] = {
    "The bar and its orifices": ("", "sections", "orifices"),
    "Hoses to and from the orifices": ("sections.feed", "row_hose"),
    "Pump and suction": ("pump", "suction", "drive", "bypass"),
    "Meter, valve and gauges": ("meter", "control_valve", "gauges"),
    "Tank, its hoses and valves that shut": ("tank", "tank_hoses", "excess_flow", "breakaway"),
    "Limits": ("limits",),
}
"""What a form folds together: its heading, and the tables of the bar file."""

# Units offered beside an answer, the one of the usual answer first.
_OFFERED: Final[dict[str, tuple[str, ...]]] = {
    "in": ("in", "mm"), "mm": ("mm", "in"), "ft": ("ft", "in", "m"), "gpm": ("gpm", "L/min"),
    "psi": ("psi", "bar", "kPa"), "mph": ("mph", "km/h"), "gal": ("gal", "L"),
}  # fmt: skip
_OF_WAY: Final[dict[str, tuple[str, ...]]] = {
    "orifices": ("No.", "in", "mm"), "pulses": ("per gal", "per L", "per 10 lb N"), "drive": ("gpm", "L/min", "rpm"),
    "sections": (), "coefficient": (), "fittings": (), "gauges": (), "count": (),
}  # fmt: skip


def theme_of(question: Question) -> str:
    """Return the heading of `THEMES` a question belongs under.

    Parameters
    ----------
    question : Question
        The question.
    """
    return next(theme for theme, tables in THEMES.items() if question.key[0] in tables)


def answer_units(question: Question) -> tuple[str, ...]:
    """Return the units an answer can be picked in, the usual one first; none where it has none.

    Parameters
    ----------
    question : Question
        The question.
    """
    if question.way in _OF_WAY:
        return _OF_WAY[question.way]
    return () if KEY_KINDS[question.of_key.kind].unit_kind is None else _OFFERED[usual_unit(question)]


def usual_said(question: Question) -> str:
    """Say what is usual, how it is written, and whether there may be none.

    Parameters
    ----------
    question : Question
        The question.
    """
    kind = KEY_KINDS[question.of_key.kind].said if question.way in ("value", "drive") else ""
    each = ", or one for each section, left to right" if question.each else ""
    nothing = '; "none" where there is none' if question.none else ""
    return f"usual: {question.usual}{f' ({kind}{each})' if kind else each}{nothing}"


def explained(question: Question) -> str:
    """Say what the key of a question means, and how to find the answer out.

    Parameters
    ----------
    question : Question
        The question.
    """
    return f"{question.of_key.meaning} How to find out: {question.found}."


def said_back(question: Question, answer: Answer) -> str:
    """Say what an answer comes to; nothing where it is taken as it was typed.

    Parameters
    ----------
    question : Question
        What was asked.
    answer : Answer
        As read.
    """
    values = ", ".join(map(str, answer.values))
    if not answer.known and question.choice:
        return f"the usual one is taken: {values}"
    if not answer.known:
        return f"not known: {f'{values} is carried' if values else 'it is left out, and allowed for'}"
    return f"taken as {values}" if values and values != answer.said else ""
