"""The interview for a new bar file at a terminal: one question at a time, wrong answers told at the question."""

from __future__ import annotations

import sys
from collections.abc import Callable

from geoflow.bar.answer_file import answers_text
from geoflow.bar.answers import Answer
from geoflow.bar.asking import HOW_TO_ANSWER, SECOND_ROUND, explained, said_back, usual_said
from geoflow.bar.new_bar import answer_to, asked_next, is_asked
from geoflow.bar.questions import QUESTIONS, Question
from geoflow.base.errors import QuantityError, UsageError

__all__ = ["ask", "interview"]

_BACK = ("back", "b")
_HELP = ("help", "?", "h")
_YES, _NO = ("y", "yes"), ("", "n", "no")

_OPENING = f"""\
One question at a time. {HOW_TO_ANSWER}
Enter alone means you don't know: a range is then carried, and told. "back" goes back, "help" says how to find out,
Ctrl-C stops and shows what you answered; nothing is written before the end."""
_SECOND = f"{SECOND_ROUND}: go through that too? [y/N] "


def interview() -> dict[str, Answer]:
    """Ask at the terminal.

    Returns
    -------
    dict of str to Answer
        By name of the question.

    Raises
    ------
    UsageError
        If there is no terminal, or the input ends before the questions do.
    """
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise UsageError(
            "there is nobody to ask: input or output is no terminal",
            where="geoflow bar --new",
            cure="give the answers in a file with --answers FILE; 'geoflow bar --questions' prints one to fill in",
        )
    return ask(input, print)


def ask(read: Callable[[str], str], say: Callable[[str], None]) -> dict[str, Answer]:
    """Ask all the questions.

    Parameters
    ----------
    read : callable
        Shows a prompt and returns a line; raises EOFError at the end of the input.
    say : callable
        Shows a text.

    Raises
    ------
    UsageError
        If the input ends before the questions do.
    """
    say(_OPENING)
    answers: dict[str, Answer] = {}
    try:
        _round(answers, read, say, day=False)
        if _wants_more(read, say):
            _round(answers, read, say, day=True)
    except KeyboardInterrupt:
        _keep(answers, say)
        raise
    except EOFError as problem:
        _keep(answers, say)
        raise UsageError(
            f"the answers ended after {len(answers)} questions, and nothing was written",
            where="geoflow bar --new",
            cure="start again and answer to the end, or give the answers in a file with --answers FILE",
        ) from problem
    return answers


def _keep(answers: dict[str, Answer], say: Callable[[str], None]) -> None:
    """Show what was answered as a file of answers, so that nobody has to type it again."""
    if kept := answers_text(answers):
        say(f"\nNothing is written. What you answered, to go on from as a file with --answers FILE:\n\n{kept}")


def _wants_more(read: Callable[[str], str], say: Callable[[str], None]) -> bool:
    while True:
        said = read(f"\n{_SECOND}").strip().casefold()
        if said in _YES or said in _NO:
            return said in _YES
        say("  answer y or n")


def _round(answers: dict[str, Answer], read: Callable[[str], str], say: Callable[[str], None], *, day: bool) -> None:
    asked: list[str] = []
    while (question := asked_next(answers, day=day)) is not None:
        _pose(question, len(asked) + 1, sum(1 for one in QUESTIONS if one.day == day), say)
        said = read("  > ").strip()
        if said.casefold() in _BACK:
            if asked:
                del answers[asked.pop()]
            else:
                say("  this is the first one")
        elif said.casefold() in _HELP:
            say(f"  {explained(question)}")
        elif (answer := _taken(question, said, answers, say)) is not None:
            answers[question.name] = answer
            asked.append(question.name)
            # What hangs on an answer that was taken back is asked again where it applies.
            for other in [one for one in QUESTIONS if one.name in answers and not is_asked(one, answers)]:
                del answers[other.name]


def _pose(question: Question, count: int, of: int, say: Callable[[str], None]) -> None:
    say(f"\n{count} of about {of}. {question.asks}")
    say(f"  {usual_said(question)}")


def _taken(question: Question, said: str, answers: dict[str, Answer], say: Callable[[str], None]) -> Answer | None:
    """Read an answer and say back what it comes to; None where it is wrong, which is said with the cure."""
    try:
        answer = answer_to(question, said, answers)
    except QuantityError as problem:
        say(f"  {problem.what}\n  cure: {problem.cure}")
        return None
    if back := said_back(question, answer):
        say(f"  {back}")
    return answer
