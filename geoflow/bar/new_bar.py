"""A bar file written from answers, each line with what was answered and what was not known."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

from geoflow.bar.answers import Answer, answered
from geoflow.bar.answers_agree import agreed, refuse_contradiction
from geoflow.bar.key import Written
from geoflow.bar.keys import written
from geoflow.bar.questions import QUESTIONS, Question
from geoflow.base.errors import QuantityError

__all__ = ["answer_to", "asked_next", "is_asked", "new_bar_text", "pinned"]

_Answers = Mapping[str, Answer]

_NAMES: Final = {1: ("all",), 2: ("left", "right"), 3: ("left", "middle", "right")}
_QUESTION: Final = {one.name: one for one in QUESTIONS}
_KNOWN_BORE: Final = "10 mm"
# Of full drive, where nobody knows what the tractor gives: common practice, no source.
_LEAST_DRIVE: Final = 0.8


def is_asked(question: Question, answers: _Answers) -> bool:
    """Whether a question is asked after the answers before it.

    Parameters
    ----------
    question : Question
        The question.
    answers : Mapping
        By name of their question.
    """
    before = answers.get(question.needs)
    return not question.needs or (before is not None and not before.none)


def answer_to(question: Question, text: str, answers: _Answers) -> Answer:
    """Read an answer in the light of those before it.

    Parameters
    ----------
    question : Question
        What was asked.
    text : str
        As typed.
    answers : Mapping
        Those before, by name of their question.

    Raises
    ------
    QuantityError
        Saying what is wrong with it and how to answer.
    """
    answer = answered(question, text)
    sections = answers["sections"].values if "sections" in answers else ()
    if question.each and len(answer.values) not in (0, 1, len(sections)):
        raise QuantityError(
            f"{len(answer.values)} answers for {len(sections)} sections",
            where=question.name,
            cure="answer once for all sections, or once for each from left to right",
        )
    refuse_contradiction(question, answer, answers)
    full = answers.get("drive_full")
    if question.name != "drive_given" or full is None or not full.values:
        return answer
    number, _, unit = str(full.values[0]).partition(" ")
    if not (answer.known and full.known):
        # A share of full drive tells nothing as long as nobody knows what full drive is.
        ends = [float(end) for end in number.split("..")]
        return Answer(answer.said, (f"{_LEAST_DRIVE * ends[0]:.6g}..{ends[-1]:.6g} {unit}",), known=False)
    if _is_turned(full) != _is_turned(answer):
        raise QuantityError(
            "what the pump needs was told as oil and this as a shaft speed, or the other way round",
            where=question.name,
            cure=f"answer in {unit} too",
        )
    return answer


def _is_turned(answer: Answer) -> bool:
    """Whether a drive is told by its speed."""
    return "rpm" in str(answer.values[0]).casefold()


def asked_next(answers: _Answers, *, day: bool) -> Question | None:
    """Return the first question of a round that is not answered; None where all are.

    Parameters
    ----------
    answers : Mapping
        By name of their question.
    day : bool
        Which round.
    """
    return next(
        (one for one in QUESTIONS if one.day == day and one.name not in answers and is_asked(one, answers)), None
    )


def pinned(question: Question, answer: Answer) -> Answer | None:
    """Return what is not known as if it were known: at the middle of its range; None where that moves nothing.

    The thickness of an orifice, which has no range in the file, is taken as that of a long bore, from which most is
    known.

    Parameters
    ----------
    question : Question
        What was asked.
    answer : Answer
        That it is not known.
    """
    if question.name == "thickness":
        return answered(question, _KNOWN_BORE)
    if answer.known or question.choice or not answer.values:
        return None
    if question.way == "coefficient":
        low, high = map(float, answer.values)
        return Answer(answer.said, (0.5 * (low + high),))
    found: list[Written] = []
    for value in answer.values:
        span = re.fullmatch(r"(-?[\d.]+?)\s*\.\.\s*(-?[\d.]+)\s*(.*)", str(value))
        if span is None:
            return None
        middle = f"{0.5 * (float(span[1]) + float(span[2])):.6g}"
        found.append(f"{middle} {span[3]}" if span[3] else float(middle))
    return Answer(answer.said, tuple(found))


class _Writer:
    """Puts the answers into the tables of a bar file."""

    def __init__(self, answers: _Answers) -> None:
        self.answers = agreed(answers)
        self.lines: list[str] = []

    def has(self, name: str) -> bool:
        answer = self.answers.get(name)
        return answer is not None and bool(answer.values) and is_asked(_QUESTION[name], self.answers)

    def value(self, name: str, place: int = 0) -> Written:
        values = self.answers[name].values
        return values[place] if len(values) > 1 else values[0]

    def remark(self, name: str) -> str:
        """What was answered, as a comment."""
        answer, question = self.answers[name], _QUESTION[name]
        if answer.known:
            return f"answered: {answer.said}"
        if question.choice:
            return f"your choice; the usual one, {question.usual}, is taken"
        return f"not known, so a range is carried; find out: {question.found}"

    def line(self, key: str, value: Written, remark: str = "") -> None:
        self.lines.append(f"{key} = {written(value)}{f'  # {remark}' if remark else ''}")

    def put(self, name: str, key: str = "") -> None:
        if self.has(name):
            self.line(key or _QUESTION[name].key[1], self.value(name), self.remark(name))

    def table(self, head: str, *names: str) -> None:
        if any(self.has(name) for name in names):
            self.lines += ["", head]
            for name in names:
                self.put(name)

    def without(self) -> None:
        """Say as comments what was answered or asked and has no line."""
        for name, answer in self.answers.items():
            question = _QUESTION[name]
            if answer.values or not is_asked(question, self.answers):
                continue
            what = f'"{question.asks}" {"None" if answer.known else "Not known"}'
            self.lines.append(f"# {what}, so there is no {question.key[1]} in [{question.key[0]}].")


def _sections(writer: _Writer) -> tuple[list[str], list[int]]:
    """Names of the sections, and the place of each one's orifice among the distinct ones."""
    counts = writer.answers["sections"].values
    names = list(_NAMES.get(len(counts), tuple(str(number) for number in range(1, len(counts) + 1))))
    sizes = [writer.value("orifice", place) for place in range(len(counts))]
    distinct = list(dict.fromkeys(sizes))
    return names, [distinct.index(size) for size in sizes]


def _feed(writer: _Writer, place: int) -> str:
    names = [name for name in ("feed_length", "feed_bore", "feed_fittings") if writer.has(name)]
    inner = ", ".join(f"{_QUESTION[name].key[1]} = {written(writer.value(name, place))}" for name in names)
    return f"feed = {{ {inner} }}"


def _put_sections(writer: _Writer) -> None:
    names, kinds = _sections(writer)
    many = max(kinds) > 0
    for place, name in enumerate(names):
        writer.lines += ["", "[[sections]]"]
        writer.line("name", name)
        writer.line("rows", writer.answers["sections"].values[place], writer.remark("sections") if not place else "")
        writer.line("orifice", f"size_{kinds[place] + 1}" if many else "row")
        if writer.has("feed_length"):
            for question in ("feed_length", "feed_bore", "feed_fittings") if not place else ():
                if question in writer.answers and is_asked(_QUESTION[question], writer.answers):
                    writer.lines.append(f"# feed, {_QUESTION[question].key[1]}: {writer.remark(question)}")
            writer.lines.append(_feed(writer, place))
    sizes = dict.fromkeys(writer.value("orifice", place) for place in range(len(names)))
    for number, size in enumerate(sizes, 1):
        writer.lines += ["", f"[orifices.{f'size_{number}' if many else 'row'}]"]
        writer.line("diameter", size, writer.remark("orifice"))
        writer.put("thickness")
        ends = [float(end) for end in writer.answers["coefficient"].values]
        writer.line("discharge_coefficient", float(f"{0.5 * (ends[0] + ends[-1]):.6g}"), writer.remark("coefficient"))
        if len(ends) > 1:
            writer.line("coefficient_tolerance", float(f"{(ends[1] - ends[0]) / (ends[0] + ends[1]):.6g}"))


def _put_drive(writer: _Writer) -> None:
    if not (writer.has("drive_full") and writer.has("drive_given")):
        return
    turned = _is_turned(writer.answers["drive_full"])
    name = "speed" if turned else "oil"
    writer.lines += ["", "[drive]"]
    for end in ("full", "given"):
        writer.put(f"drive_{end}", f"{end}_{name}")


def _put_tanks(writer: _Writer) -> None:
    for number in range(int(writer.value("tanks")) if writer.has("tanks") else 0):
        writer.lines += ["", "[[tank_hoses]]"]
        for name in ("tank_hose_length", "tank_hose_bore", "tank_hose_fittings"):
            if writer.has(name):
                writer.line(_QUESTION[name].key[1], writer.value(name), "" if number else writer.remark(name))


def new_bar_text(answers: _Answers) -> str:
    """Write a bar file.

    Parameters
    ----------
    answers : Mapping
        By name of their question; all of the first round that are asked.
    """
    writer = _Writer(answers)
    writer.lines.append("# Made of answers by 'geoflow bar --new'; what is not known stands as a range, low to high.")
    for name in ("name", "row_spacing", "elevation"):
        writer.put(name)
    _put_sections(writer)
    writer.table("[row_hose]", "row_hose_length", "row_hose_bore", "outlet")
    writer.table("[suction]", "head", "suction_length", "suction_bore", "suction_fittings")
    _put_tanks(writer)
    writer.table("[excess_flow]", "excess_flow")
    writer.table("[breakaway]", "breakaway")
    writer.table("[pump]", "pump_flow", "pump_rise", "pump_least", "pump_slip", "pump_tolerance", "pump_efficiency")
    _put_drive(writer)
    writer.table("[bypass]", "bypass_flow", "bypass_opens")
    writer.table("[meter]", "meter_pulses", "meter_least", "meter_most", "meter_loss")
    writer.table("[control_valve]", "valve")
    writer.table("[limits]", "rated", "margin", "speed")
    writer.table("[tank]", "tank")
    for number, place in enumerate(answers["gauges"].values if writer.has("gauges") else ()):
        writer.lines += ["", "[[gauges]]"]
        writer.line("place", place, "" if number else writer.remark("gauges"))
    writer.lines.append("")
    writer.without()
    return "\n".join(writer.lines).rstrip() + "\n"
