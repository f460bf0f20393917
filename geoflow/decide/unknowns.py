"""What is not known of a bar, and what each of it costs: the window as it is, and with one thing known."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from geoflow.bar.answers import Answer
from geoflow.bar.bar_file import read_bar_text
from geoflow.bar.equipment import Bar
from geoflow.bar.new_bar import new_bar_text, pinned
from geoflow.bar.questions import QUESTIONS, Question
from geoflow.base.rates import nitrogen_rate
from geoflow.decide.settling import windows_with_a_point
from geoflow.decide.vet import Plan, Solution, solve
from geoflow.hydraulics.window import Bounds, flow_window

__all__ = ["NewBar", "RateWindow", "Unknown", "Unknowns", "Write", "unknowns"]


@dataclass(frozen=True, slots=True)
class RateWindow:
    """Nitrogen rates [kg/m2] between which a bar holds, certainly and possibly; empty where low exceeds high."""

    low: float
    high: float
    possible_low: float
    possible_high: float

    @property
    def width(self) -> float:
        """Of the certain window [kg/m2]; below nothing by as much as it is short of opening."""
        return self.high - self.low


@dataclass(frozen=True, slots=True)
class Unknown:
    """One thing that is not known.

    Attributes
    ----------
    question : Question
        What was asked.
    carried : str
        The range that is carried, as it stands in the file; empty where the key is left out.
    known : RateWindow or None
        The window if it alone were known: at the middle of its range, or at its best. None: it moves no window.
    gain : float
        By how much the certain window would open [kg/m2].
    """

    question: Question
    carried: str
    known: RateWindow | None
    gain: float


@dataclass(frozen=True, slots=True)
class Unknowns:
    """What is not known, the dearest first.

    Attributes
    ----------
    temperature, speed : float
        At which it is reckoned [K], [m/s].
    window : RateWindow
        With all of it open.
    each : tuple of Unknown
        One by one.
    all_known : RateWindow
        With all of it known.
    reading : RateWindow or None
        After one measured point of each orifice, at the worse end of what is likely of it; None where none can be
        taken.
    """

    temperature: float
    speed: float
    window: RateWindow
    each: tuple[Unknown, ...]
    all_known: RateWindow
    reading: RateWindow | None


@dataclass(frozen=True, slots=True)
class NewBar:
    """A new bar: its file's text, the bar, the answers it is made of, and what is not known of it."""

    text: str
    bar: Bar
    answers: dict[str, Answer]
    open: Unknowns


Write = Callable[[Mapping[str, Answer]], str]
"""Makes a bar file's text of answers."""


def _bar(answers: Mapping[str, Answer], write: Write) -> Bar:
    return read_bar_text(write(answers).encode(), "the new bar file")


def _rates(bar: Bar, certain: Bounds, possible: Bounds, speed: float) -> RateWindow:
    flows = np.array([certain.low, certain.high, possible.low, possible.high])
    return RateWindow(*nitrogen_rate(flows, speed, bar.width, bar.nitrogen_fraction).tolist())


def _window(bar: Bar, kelvin: float, speed: float) -> RateWindow:
    window = flow_window(bar, np.array([kelvin]), tuple(range(len(bar.sections))))
    certain, possible = window.both_over_plan(commanded=True)
    return _rates(bar, certain, possible, speed)


def _after_reading(solution: Solution, speed: float) -> RateWindow | None:
    found = [one for one in windows_with_a_point(solution) if one is not None]
    rates = [_rates(solution.bar, certain, possible, speed) for certain, possible in found]
    return min(rates, key=lambda one: one.width) if rates else None


def _opened(before: RateWindow, after: RateWindow) -> float:
    """By how much the certain window opens [kg/m2]; without end where a margin comes within reach."""
    gain = after.width - before.width
    return 0.0 if np.isnan(gain) else gain


def unknowns(answers: Mapping[str, Answer], kelvin: float, speed: float, write: Write = new_bar_text) -> Unknowns:
    """Work out what each thing costs that is not known.

    Parameters
    ----------
    answers : Mapping
        By name of their question.
    kelvin, speed : float
        Liquid temperature [K] and ground speed [m/s].
    write : callable
        Makes the bar file of the answers, where it holds more than they say.

    Raises
    ------
    GeoflowError
        If the answers make no bar.
    """
    bar = _bar(answers, write)
    window = _window(bar, kelvin, speed)
    found, best = [], dict(answers)
    for question in QUESTIONS:
        answer = answers.get(question.name)
        if answer is None or answer.known or question.choice:
            continue
        fixed = pinned(question, answer)
        known = None
        if fixed is not None:
            best[question.name] = fixed
            known = _window(_bar({**answers, question.name: fixed}, write), kelvin, speed)
        carried = "..".join(dict.fromkeys(map(str, answer.values))) if answer.values else ""
        found.append(Unknown(question, carried, known, 0.0 if known is None else _opened(window, known)))
    found.sort(key=lambda one: -one.gain)
    plan = Plan((kelvin, kelvin), (speed, speed), tuple(range(len(bar.sections))))
    reading = _after_reading(solve(bar, plan), speed)
    all_known = _window(_bar(best, write), kelvin, speed)
    return Unknowns(kelvin, speed, window, tuple(found), all_known, reading)
