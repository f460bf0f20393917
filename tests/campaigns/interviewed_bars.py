"""Whether a bar made of a plain description, half of it not known, bounds the exact bar it describes.

Run ``PYTHONPATH=tests .venv/bin/python tests/campaigns/interviewed_bars.py --seed 1 --count 200``; one bar again:
``--first 17 --count 1 --show``. Every value of the exact bar is drawn from what the interview carries for it where
nobody knows it, at an end more often than not, and a drawn share of the answers is forgotten. Rates of a map are then
vetted with both bars: what certainly holds with the plain one has to hold with the exact one, and what the exact one
possibly holds must not fail with the plain one.
"""

from __future__ import annotations

import argparse
import random
import re

import numpy as np

from geoflow.bar.answers import Answer
from geoflow.bar.bar_file import read_bar_text
from geoflow.bar.new_bar import answer_to, is_asked, new_bar_text
from geoflow.bar.questions import QUESTIONS, Question
from geoflow.base.errors import QuantityError
from geoflow.decide.vet import Plan, solve, vet

__all__ = ["described", "main", "wrong_verdicts"]

_RATE = 0.45359237 / 4046.8564224
_SIZES = ("No. 45", "No. 48", "No. 50", "1/16 in", "5/64 in")
_SECTIONS = ("16", "8, 8", "5, 6, 5")


def _exact(question: Question, draw: random.Random) -> str:
    """A value within what is carried for it, as somebody would say it who knows."""
    span = re.fullmatch(r"([\d.]+)\.\.([\d.]+)\s*(.*)", question.unknown or "")
    if span is None:
        return question.usual
    low, high = float(span[1]), float(span[2])
    value = draw.choice((low, high)) if draw.random() < 0.6 else draw.uniform(low, high)
    return f"{value:.5g} {span[3]}".strip()


def described(seed: int, number: int) -> tuple[dict[str, Answer], dict[str, Answer]]:
    """Answers of one who knows everything, and of one who has forgotten some."""
    draw = random.Random(seed * 100003 + number)
    said = {one.name: _exact(one, draw) for one in QUESTIONS}
    said |= {"orifice": draw.choice(_SIZES), "sections": draw.choice(_SECTIONS), "tanks": draw.choice(("1", "2"))}
    # Known as a thin plate, which bounds what an unknown one may be; as head and margin are no ignorance, they stay.
    said |= {"thickness": f"{draw.uniform(0.4, 1.6):.2f} mm", "drive_full": "14 gpm", "head": "0.5..3 ft"}
    # Of a coefficient that is stated nothing says how exact it is, so 8 % either way are left to it.
    said["coefficient"] = f"{draw.uniform(0.57 / 0.92, 0.86 / 1.08):.4f}"
    said["drive_given"] = f"{14.0 * draw.uniform(0.8, 1.0):.3g} gpm"
    for name in ("bypass_flow", "excess_flow", "breakaway", "outlet", "pump_slip", "valve", "feed_length"):
        if draw.random() < 0.4:
            said[name] = "none"
    days = {one.name for one in QUESTIONS if one.day and not one.needs and draw.random() < 0.5}
    asked = [one for one in QUESTIONS if not one.day or {one.name, one.needs} & days]
    share = draw.random()
    forgotten = {one.name for one in asked if one.unknown is not None and draw.random() < share}
    # Whether there is such a part at all is never forgotten: what nobody knows of is carried as being there.
    forgotten -= {name for name, one in said.items() if one == "none"} | {"head"}

    def answered(plain: bool) -> dict[str, Answer]:
        answers: dict[str, Answer] = {}
        for one in asked:
            if is_asked(one, answers):
                text = "" if plain and one.name in forgotten else said[one.name]
                answers[one.name] = answer_to(one, text, answers)
        return answers

    return answered(False), answered(True)


def wrong_verdicts(seed: int, number: int) -> list[str]:
    """Rates whose verdicts with both bars do not go together; none for a description that contradicts itself."""
    try:
        texts = [new_bar_text(one) for one in described(seed, number)]
    except QuantityError:
        return []
    kelvin = random.Random(number).uniform(274.0, 292.0)
    rates = np.linspace(20.0, 320.0, 121) * _RATE
    verdicts = []
    for text in texts:
        bar = read_bar_text(text.encode(), "a bar")
        plan = Plan((kelvin, kelvin), (2.2, 2.2), tuple(range(len(bar.sections))))
        verdicts.append(vet(rates, solve(bar, plan)).verdict)
    exact, plain = verdicts
    found = []
    for rate, one, other in zip(rates / _RATE, exact, plain, strict=True):
        # The ends of windows are solved to a thousandth; the grid of rates is coarser than that.
        if (other == "holds" and one != "holds") or (other == "fails" and one != "fails"):
            found.append(f"{rate:.1f} lb N/ac: {other} as described, {one} in truth")
    return found if len(found) > 1 else []


def main() -> None:
    """Count them."""
    parser = argparse.ArgumentParser()
    for name, usual in (("seed", 1), ("count", 200), ("first", 0)):
        parser.add_argument(f"--{name}", type=int, default=usual)
    parser.add_argument("--show", action="store_true")
    options = parser.parse_args()
    wrong = 0
    for number in range(options.first, options.first + options.count):
        found = wrong_verdicts(options.seed, number)
        wrong += bool(found)
        if found:
            print(number, *found, sep="\n  ", flush=True)
        if options.show:
            print(*(new_bar_text(one) for one in described(options.seed, number)), sep="\n\n")
    print(f"{options.count} bars: {wrong} whose plain description does not bound them")


if __name__ == "__main__":
    main()
