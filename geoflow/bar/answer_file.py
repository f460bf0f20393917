"""A file of answers in place of an interview: one line for each question, in TOML."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from geoflow.bar.answers import Answer
from geoflow.bar.new_bar import answer_to, is_asked
from geoflow.bar.questions import QUESTIONS, Question, questions_of
from geoflow.base.errors import BarError, QuantityError
from geoflow.base.spelling import nearest

__all__ = ["answers_template", "answers_text", "read_answers", "taken_answers"]

_GREATEST_SIZE: Final = 100_000
_MOST_LISTED: Final = 30


def read_answers(path: str) -> dict[str, Answer]:
    """Read a file of answers.

    What it leaves out of the first round is not known; what it leaves out of the second is not asked.

    Parameters
    ----------
    path : str
        TOML in UTF-8: names of questions, and answers as anybody would type them.

    Returns
    -------
    dict of str to Answer
        By name of the question, in the order they are asked.

    Raises
    ------
    BarError
        If it cannot be read, or answers are wrong; every problem found is in the one error.
    """
    answers, problems = taken_answers(_content(Path(path)))
    if len(problems) == 1:
        ((name, what, cure),) = problems
        raise BarError(what, where=f"{path}: {name}", cure=cure)
    if problems:
        listed = "\n".join(
            f"  {count}. {name}\n     {what}\n     cure: {cure}"
            for count, (name, what, cure) in enumerate(problems[:_MOST_LISTED], 1)
        )
        what = f"{len(problems)} answers are wrong\n{listed}"
        raise BarError(
            what, where=path, cure="put them right one by one; 'geoflow bar --questions' lists all questions"
        )
    return answers


def taken_answers(given: Mapping[str, object]) -> tuple[dict[str, Answer], list[tuple[str, str, str]]]:
    """Take the answers that were given, in a file or a form.

    Parameters
    ----------
    given : Mapping
        By name of their question, as typed. What is left out of the first round is not known; of the second it is not
        asked.

    Returns
    -------
    answers : dict of str to Answer
        Those that could be read, in the order they are asked.
    problems : list of (name, what, cure)
        The others.
    """
    problems = [
        (name, f"there is no question '{name}'{nearest(name, [one.name for one in QUESTIONS])}", _known())
        for name in given
        if name not in {one.name for one in QUESTIONS}
    ]
    answers: dict[str, Answer] = {}
    for question in (*questions_of(day=False), *questions_of(day=True)):
        if not is_asked(question, answers) or not _is_due(question, given, answers):
            if question.name in given and question.needs in answers and answers[question.needs].none:
                what = f"{question.name} is answered, but there is no {question.needs}"
                problems.append((question.name, what, f"leave it out, or answer {question.needs}"))
            continue
        try:
            answers[question.name] = answer_to(question, _text(question.name, given.get(question.name, "")), answers)
        except QuantityError as problem:
            problems.append((question.name, problem.what, problem.cure))
    return answers, problems


def _is_due(question: Question, given: Mapping[str, object], answers: Mapping[str, Answer]) -> bool:
    """Whether it is asked: always in the first round, in the second where it or what it belongs to is answered."""
    opened = question.needs in answers and any(one.name == question.needs and one.day for one in QUESTIONS)
    return not question.day or question.name in given or opened


def _known() -> str:
    return f"known here: {', '.join(one.name for one in QUESTIONS)}"


def _text(name: str, value: object) -> str:
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        cure = 'write the answer as text in quotes, or as a plain number: row_hose_length = "8 ft"'
        raise QuantityError("the answer is neither text nor a number", where=name, cure=cure)
    return str(value)


def _content(path: Path) -> dict[str, object]:
    where = str(path)
    try:
        if not path.is_file():
            cure = "check the name; 'geoflow bar --questions' prints one to fill in"
            raise BarError("there is no such file of answers", where=where, cure=cure)
        if path.stat().st_size > _GREATEST_SIZE:
            raise BarError("the file is far too large for answers", where=where, cure="check that it is the right file")
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as problem:
        what = f"the file of answers cannot be opened: {problem}"
        raise BarError(what, where=where, cure="check its name and your rights to it") from problem
    except (ValueError, RecursionError) as problem:
        said = str(problem).partition(" (at ")
        what = f"the file of answers is not valid TOML: {said[0]}"
        place = f", {said[2].rstrip(')')}" if said[2] else ""
        cure = 'write name = "answer", one to a line, and answers with a unit in quotes: row_spacing = "30 in"'
        raise BarError(what, where=where + place, cure=cure) from problem


def answers_text(answers: Mapping[str, Answer]) -> str:
    """Return answers as such a file; what is not known stays out of it.

    Parameters
    ----------
    answers : Mapping
        By name of their question.
    """
    return "".join(f"{name} = {json.dumps(one.said)}\n" for name, one in answers.items() if one.known)


def answers_template() -> str:
    """Return a file of answers with every question and its usual answer, none of them given yet."""
    lines = [
        "# Answers for 'geoflow bar --new FILE --answers THIS': take the # off a line and write what you have.",
        "# What stays out is not known, and a range is carried for it.",
    ]
    for day in (False, True):
        if day:
            lines += ["", "# What can close a day. What stays out of these is not asked."]
        for question in questions_of(day=day):
            lines += ["", f"# {question.asks}", f"#   how to find out: {question.found}"]
            if question.unknown:
                lines.append(f"#   not known: {question.unknown} is carried")
            lines.append(f'# {question.name} = "{question.usual}"')
    return "\n".join(lines) + "\n"
