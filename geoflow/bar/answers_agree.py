"""Answers that have to agree: a least that is no more than a greatest, a hole no wider than its hose."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Final

from geoflow.bar.answers import Answer
from geoflow.bar.key import Written
from geoflow.bar.key_kinds import KEY_KINDS
from geoflow.bar.questions import QUESTIONS, Question
from geoflow.base.errors import QuantityError
from geoflow.base.ranges import parse_range
from geoflow.base.units import parse

__all__ = ["agreed", "refuse_contradiction"]

_Ends = list[tuple[float, float]]

# The first is never more than the second.
_PAIRS: Final = (
    ("pump_least", "pump_flow"),
    ("meter_least", "meter_most"),
    ("bypass_flow", "pump_flow"),
    ("bypass_opens", "pump_rise"),
    ("outlet", "row_hose_bore"),
    ("orifice", "feed_bore"),
    ("orifice", "row_hose_bore"),
)
_QUESTION: Final = {one.name: one for one in QUESTIONS}


def _kind(question: Question) -> str:
    return KEY_KINDS[question.of_key.kind].unit_kind or ""


def _ends(question: Question, answer: Answer) -> _Ends:
    """Both ends of each value of an answer, in SI."""
    return [parse_range(str(value), _kind(question)) for value in answer.values]


def _side_by_side(one: _Ends, other: _Ends) -> Iterable[tuple[tuple[float, float], tuple[float, float]]]:
    """The values of two answers for each section, where either may be one for all."""
    many = max(len(one), len(other))
    return zip(one * (many // len(one)), other * (many // len(other)), strict=False)


def refuse_contradiction(question: Question, answer: Answer, answers: Mapping[str, Answer]) -> None:
    """Refuse an answer that cannot be true together with one before it.

    Parameters
    ----------
    question : Question
        What was asked.
    answer : Answer
        As read.
    answers : Mapping
        Those before, by name of their question.

    Raises
    ------
    QuantityError
        Naming both, with the cure.
    """
    for less, more in _PAIRS:
        other = answers.get(more if question.name == less else less if question.name == more else "")
        if other is None or not (answer.known and other.known and answer.values and other.values):
            continue
        both = {question.name: answer, (more if question.name == less else less): other}
        pairs = _side_by_side(_ends(_QUESTION[less], both[less]), _ends(_QUESTION[more], both[more]))
        if any(low[1] > high[0] for low, high in pairs):
            raise QuantityError(
                f"{_QUESTION[less].label}, {both[less].said}, is more than {_QUESTION[more].label}, {both[more].said}",
                where=question.name,
                cure="check both and their units; 'back' goes back to the other one",
            )


def _clipped(value: Written, kind: str, least: float, most: float) -> Written:
    """A range as it is written, within two bounds in SI."""
    span = re.fullmatch(r"(-?[\d.]+?)\s*\.\.\s*(-?[\d.]+)\s*(.*)", str(value))
    if span is None:
        return value
    one = parse(f"1 {span[3]}", kind)
    low, high = (min(max(float(end), least / one), most / one) for end in span.groups()[:2])
    if (low, high) == (float(span[1]), float(span[2])):
        return value
    return f"{low:.6g} {span[3]}" if low == high else f"{low:.6g}..{high:.6g} {span[3]}"


def agreed(answers: Mapping[str, Answer]) -> dict[str, Answer]:
    """Return the answers with what is carried for the unknown cut to what the known ones leave possible.

    Parameters
    ----------
    answers : Mapping
        By name of their question.
    """
    found = dict(answers)
    for less, more in _PAIRS:
        lesser, greater = (found.get(name) for name in (less, more))
        if lesser is None or greater is None or not (lesser.values and greater.values):
            continue
        if lesser.known == greater.known:
            continue
        if greater.known:
            most, kind = min(low for low, _ in _ends(_QUESTION[more], greater)), _kind(_QUESTION[less])
            values = tuple(_clipped(one, kind, -float("inf"), most) for one in lesser.values)
            found[less] = replace(lesser, values=values)
        else:
            least, kind = max(high for _, high in _ends(_QUESTION[less], lesser)), _kind(_QUESTION[more])
            values = tuple(_clipped(one, kind, least, float("inf")) for one in greater.values)
            found[more] = replace(greater, values=values)
    return found
