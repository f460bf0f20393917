"""The interview for a new bar as the page has it: the questions, what answers come to, and what is not known."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Final

from geoflow.bar.answer_file import taken_answers
from geoflow.bar.answers import Answer
from geoflow.bar.answers_in import answers_in, with_answers
from geoflow.bar.asking import (
    ESSENTIALS,
    ESSENTIALS_WHY,
    HOW_TO_ANSWER,
    SECOND_ROUND,
    THEMES,
    answer_units,
    explained,
    said_back,
    theme_of,
    usual_said,
)
from geoflow.bar.bar_file import read_bar_text
from geoflow.bar.drills import NUMBER_DRILLS
from geoflow.bar.fittings import FITTINGS
from geoflow.bar.key_kinds import GAUGE_PLACES
from geoflow.bar.keys import keys_of
from geoflow.bar.new_bar import is_asked, new_bar_text
from geoflow.bar.questions import QUESTIONS, Question
from geoflow.base.errors import GeoflowError, QuantityError, UsageError
from geoflow.web.bar_form import bar_text, form_content, points_text
from geoflow.web.wording import page_error

if TYPE_CHECKING:
    from geoflow.base.units import System
    from geoflow.decide.unknowns import NewBar

__all__ = ["POINT_WAYS", "answered_view", "costs_view", "form_answers", "questions_view"]

_NAME: Final = "the new bar file"
_PRESSURES: Final = ("psi", "bar", "kPa")
POINT_WAYS: Final[dict[str, tuple[tuple[str, dict[str, tuple[str, ...]]], ...]]] = {
    "Flow, as it was read": (
        ("the meter, of the whole bar", {"bar_flow": ("gpm", "L/min", "pulses/s", "lb NH3/min")}),
        ("the rate on the display, at a speed", {"rate": ("lb N/ac", "kg N/ha"), "speed": ("mph", "km/h")}),
        ("what a scale says the tank lost in a time", {"load": ("lb NH3", "kg NH3"), "time": ("min", "s", "h")}),
        ("ammonia through one orifice", {"flow": ("lb NH3/min", "kg NH3/min")}),
    ),
    "Pressure, as it was read": (
        ("a gauge between control valve and section hoses", {"pressure_after_valve": _PRESSURES}),
        ("a gauge just above the orifices", {"pressure": _PRESSURES}),
    ),
    "Liquid": (
        ("its temperature", {"temperature": ("degF", "degC")}),
        ("the gauge on the tank it is drawn from", {"temperature": _PRESSURES}),
    ),
}
"""How a measured point can be told: what was read, the keys it is written to, and units for each."""
_Answers = Mapping[str, Answer]


def _question(one: Question) -> dict[str, Any]:
    return {
        "name": one.name,
        "label": one.label,
        "asks": one.asks,
        "usual": one.usual,
        "usualSaid": usual_said(one),
        "explained": explained(one),
        "theme": theme_of(one),
        "why": ESSENTIALS.get(one.name, ""),
        "units": answer_units(one),
        "carried": one.unknown,
        "choice": one.choice,
        "none": one.none,
        "needs": one.needs,
        "day": one.day,
        "each": one.each,
        "way": one.way,
    }


def _meant(meaning: str) -> str:
    """What a key means, where it stands by itself and not after another."""
    plain = meaning.replace("`", "").removeprefix("Or ")
    return plain[:1].upper() + plain[1:]


def questions_view() -> dict[str, Any]:
    """Describe the whole interview, for the page to make its form of."""
    keys = keys_of("orifices.measured")
    return {
        "questions": [_question(one) for one in QUESTIONS],
        "essentials": list(ESSENTIALS),
        "essentialsWhy": ESSENTIALS_WHY,
        "how": HOW_TO_ANSWER,
        "second": SECOND_ROUND,
        "themes": list(THEMES),
        "drills": list(NUMBER_DRILLS),
        "fittings": ["tee", *FITTINGS],
        "places": GAUGE_PLACES,
        "pointWays": [
            {
                "title": title,
                "ways": [
                    {
                        "words": words,
                        "keys": [
                            {"name": name, "units": units, "meaning": _meant(keys[name].meaning)}
                            for name, units in parts.items()
                        ],
                    }
                    for words, parts in ways
                ],
            }
            for title, ways in POINT_WAYS.items()
        ],
    }


def _table(asked: Mapping[str, Any], name: str) -> dict[str, Any] | None:
    given = asked.get(name)
    if given is not None and not isinstance(given, dict):
        raise UsageError("what the page sent is damaged", where="the page", cure="reload the page and try again")
    return given


class _Form:
    """What the form holds: answers, the file it was filled from, points added since."""

    def __init__(self, asked: Mapping[str, Any]) -> None:
        self.base = _table(asked, "base")
        self.before = {} if self.base is None else answers_in(self.base)
        self.given = {str(name): str(text) for name, text in (_table(asked, "answers") or {}).items()}
        self.file = str(asked.get("text") or "")
        self.points = [one for one in asked.get("points") or [] if isinstance(one, dict)]
        self.answers, problems = taken_answers(self.given)
        rows = "sections" in self.answers
        self.problems = {
            name: (what, cure)
            for name, what, cure in problems
            if (rows or not what.endswith("for 0 sections"))
            and (name not in self.before or self.given.get(name) != self.before[name])
        }

    def content(self, answers: _Answers) -> dict[str, Any]:
        """Fill the file it was filled from with answers, and add the points."""
        typed = {name for name in {**self.given, **self.before} if self.given.get(name) != self.before.get(name)}
        changed = typed | {name for name in answers if answers[name] != self.answers.get(name)}
        made = with_answers(self.base or {}, {**self.answers, **answers}, changed)
        for point in self.points:
            orifice = made.get("orifices", {}).get(point.get("orifice"))
            if orifice is not None:
                orifice["measured"] = [*orifice.get("measured", []), point.get("values", {})]
        return made

    def text(self, answers: _Answers) -> str:
        """Write the bar file: a new one as the interview does, one that was loaded with nothing else changed."""
        if self.base is None:
            return new_bar_text(answers) + points_text(self.points)
        text = bar_text(self.content(answers))
        if self.file and form_content(self.file, _NAME) == form_content(text, _NAME):
            return self.file
        return text


def form_answers(asked: Mapping[str, Any]) -> tuple[dict[str, Answer], Callable[[_Answers], str]]:
    """Return the answers of a form, and how they make a bar file.

    Parameters
    ----------
    asked : dict
        The question: ``answers`` by name, ``base`` as content of the file it was filled from or nothing, the ``text``
        of that file, ``points``.

    Raises
    ------
    QuantityError
        If an answer is missing or wrong.
    """
    form = _Form(asked)
    if form.problems:
        name, (what, cure) = next(iter(form.problems.items()))
        raise QuantityError(what, where=name, cure=cure)
    if form.base is None:
        return form.answers, form.text
    # What a loaded file says in another way than an answer can, or leaves to its default, is not unknown.
    return {name: answer for name, answer in form.answers.items() if name in form.given}, form.text


def answered_view(asked: Mapping[str, Any]) -> dict[str, Any]:
    """Say what every answer comes to, and give the bar file they make.

    Parameters
    ----------
    asked : dict
        As for `form_answers`; without answers but with a base, the answers are taken from that.
    """
    if asked.get("answers") is None:
        asked = {**asked, "answers": answers_in(_table(asked, "base") or {})}
    form = _Form(asked)
    asking = [one.name for one in QUESTIONS if is_asked(one, form.answers)]
    fields: dict[str, dict[str, Any]] = {
        name: {"what": what, "cure": cure} for name, (what, cure) in form.problems.items()
    }
    for one in QUESTIONS:
        if one.name in form.answers and one.name not in fields:
            answer = form.answers[one.name]
            fields[one.name] = {"back": said_back(one, answer), "known": answer.known}
    said: dict[str, Any] = {"fields": fields, "asked": asking, "answers": form.given, "text": None, "trouble": ""}
    if form.problems:
        return {**said, "content": form.base, "orifices": _sizes(form.base or {})}
    text = form.text(form.answers)
    content = form_content(text, _NAME)
    said |= {"content": content, "orifices": _sizes(content)}
    try:
        read_bar_text(text.encode(), str(asked.get("name") or _NAME))
    except GeoflowError as problem:
        return said | {"trouble": page_error(problem, "prescription")}
    return said | {"text": text}


def _sizes(content: Mapping[str, Any]) -> list[list[str]]:
    """Name and size of every orifice of a file."""
    orifices = content.get("orifices")
    found = orifices.items() if isinstance(orifices, dict) else ()
    return [[str(name), str(one.get("diameter", ""))] for name, one in found if isinstance(one, dict)]


def costs_view(new: NewBar, system: System) -> dict[str, Any]:
    """Say what each thing costs that is not known, and which to find out first, in the words of the terminal.

    Parameters
    ----------
    new : NewBar
        What was made.
    system : str
        ``"us"`` or ``"metric"``.
    """
    from geoflow.report.model import BulletList, Paragraph, Table
    from geoflow.report.new_bar import new_bar_report

    report = new_bar_report(new, None, system)
    blocks = [block for _, shown in report.shown("page") for block in shown]
    table = next((one for one in blocks if isinstance(one, Table)), None)
    return {
        "at": report.subtitle,
        "answer": report.answer,
        "window": [one.text for one in blocks if isinstance(one, Paragraph)],
        "next": [text.replace("`", "") for one in blocks if isinstance(one, BulletList) for text in one.texts],
        "caption": table.caption if table else "",
        "heads": table.heads if table else [],
        "unknowns": [
            {"name": one.question.name, "cells": cells}
            for one, cells in zip(new.open.each, table.rows if table else (), strict=True)
        ],
    }
