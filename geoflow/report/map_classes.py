"""Classes of zones on a map: rates, speeds and margins as steps of one scale, each with its word and letter."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray, IntArray, TextArray
from geoflow.base.units import KINDS, System, from_si, number, number_range, to_si, unit_label
from geoflow.report.symbology import STEPS, VERDICT_SYMBOLS, Symbol

__all__ = ["LETTERS", "Classes", "even_edges", "rate_classes", "shown_in", "speed_classes", "steps", "within_edges"]

LETTERS: Final = "ABCDEFGHIJKL"
"""Of classes that have no number to stand for them."""
Classes = tuple[list[str], dict[str, Symbol]]
"""Class of each zone, and every class with its symbol."""


def shown_in(kind: str, system: System) -> tuple[str, int]:
    """Return the unit a kind of quantity is shown in, and its decimals.

    Parameters
    ----------
    kind : str
        A key of `units.KINDS`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    known = KINDS[kind]
    return (known.us, known.us_digits) if system == "us" else (known.metric, known.metric_digits)


def steps(words: list[tuple[str, str, str]]) -> dict[str, Symbol]:
    """Give each class a step of the scale.

    Parameters
    ----------
    words : list of (str, str, str)
        Word, letter and meaning of each class, in rising order.
    """
    at = np.linspace(0, len(STEPS) - 1, len(words)).round().astype(int).tolist()
    return {
        word: replace(STEPS[step], word=word, letter=letter, meaning=meaning)
        for step, (word, letter, meaning) in zip(at, words, strict=True)
    }


def even_edges(low: float, high: float, kind: str, system: System, most: int) -> FloatArray:
    """Edges [SI] of at most `most` equal classes over a range, at round numbers of the reader's unit.

    Parameters
    ----------
    low, high : float
        Ends of the range [SI].
    kind : str
        A key of `units.KINDS`.
    system : str
        ``"us"`` or ``"metric"``.
    most : int
        Classes.
    """
    unit, digits = shown_in(kind, system)
    first, last = float(from_si(low, kind, unit)), float(from_si(high, kind, unit))
    # No finer than the numbers that are printed.
    grain = 10.0 ** max(np.floor(np.log10(max((last - first) / most, 1e-9))), -digits)
    for width in (times * grain for times in (1.0, 2.0, 5.0, 10.0, 20.0, 50.0)):
        begin = np.floor(first / width + 1e-9)
        number_of = max(int(np.ceil(last / width - 1e-9) - begin), 1)
        if number_of <= most:
            break
    return np.asarray(to_si((begin + np.arange(number_of + 1)) * width, kind, unit), dtype=np.float64)


def within_edges(values: FloatArray, edges: FloatArray) -> IntArray:
    """Class of each value between edges; one on an edge belongs to the class above it, whatever rounding made of it.

    Parameters
    ----------
    values : ndarray, shape (n,)
        In the unit of the edges.
    edges : ndarray, shape (classes + 1,)
        Rising.
    """
    slack = 1e-9 * max(float(np.abs(edges).max()), 1e-300)
    return np.clip(np.searchsorted(edges - slack, values, side="right") - 1, 0, len(edges) - 2)


def rate_classes(rate: FloatArray, system: System) -> Classes:
    """Rate of each zone, or the stretch of rates it falls into where there are many.

    Parameters
    ----------
    rate : ndarray, shape (zones,)
        Nitrogen rate [kg/m2].
    system : str
        ``"us"`` or ``"metric"``.
    """
    label, asked = unit_label("nitrogen rate", system), rate > 0.0
    unit, digits = shown_in("nitrogen rate", system)
    # Rates that read alike are one.
    distinct, back = np.unique(np.round(from_si(rate, "nitrogen rate", unit), digits), return_inverse=True)
    distinct = np.asarray(to_si(distinct, "nitrogen rate", unit))
    if not asked.any() or len(set(back[asked].tolist())) <= len(STEPS):
        known = [f"{number(value, 'nitrogen rate', system)} {label}" for value in distinct.tolist()]
        words = [(known[at], known[at].removesuffix(f" {label}"), "") for at in sorted(set(back[asked].tolist()))]
    else:
        low, high = float(rate[asked].min()), float(rate[asked].max())
        edges = even_edges(low, high, "nitrogen rate", system, len(STEPS))
        said = [
            f"{number_range(*ends, 'nitrogen rate', system)} {label}"
            for ends in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)
        ]
        words = [(text, LETTERS[place], "") for place, text in enumerate(said)]
        known = [said[place] for place in within_edges(distinct, edges).tolist()]
    kind = [known[at] if one else "off" for at, one in zip(back.tolist(), asked.tolist(), strict=True)]
    return kind, steps(words) | {"off": VERDICT_SYMBOLS["off"]}


def speed_classes(verdict: TextArray, speeds: tuple[FloatArray, FloatArray], system: System) -> Classes:
    """Speed of each zone that holds; zones that do not are shown as that, whatever they are driven at.

    Parameters
    ----------
    verdict : ndarray of str, shape (zones,)
        At those speeds.
    speeds : tuple of ndarray, shape (zones,)
        Slowest and fastest of each zone [m/s].
    system : str
        ``"us"`` or ``"metric"``.
    """
    label, names = unit_label("speed", system), verdict.tolist()
    ends = list(zip(*(each.tolist() for each in speeds), strict=True))
    told = {(slow, fast): number_range(slow, fast, "speed", system) for slow, fast in sorted(set(ends))}
    said = [told[slow, fast] for slow, fast in ends]
    held = {text for text, name in zip(said, names, strict=True) if name == "holds"}
    driven = [text for text in dict.fromkeys(told.values()) if text in held]
    if len(driven) > len(STEPS):
        return _speed_stretches(names, np.asarray(speeds[0], dtype=np.float64), system)
    kind = [f"{text} {label}" if name == "holds" else name for text, name in zip(said, names, strict=True)]
    letters = {text: text if " " not in text else LETTERS[at] for at, text in enumerate(driven)}
    classes = steps([(f"{text} {label}", letters[text], "Holds at this speed.") for text in driven])
    return kind, classes | {name: VERDICT_SYMBOLS[name] for name in ("doubtful", "fails", "off")}


def _speed_stretches(names: list[str], slow: FloatArray, system: System) -> Classes:
    """Stretch of speeds into which the slowest of each zone falls, where there are too many for a class each."""
    holds = np.array([name == "holds" for name in names])
    edges = even_edges(float(slow[holds].min()), float(slow[holds].max()), "speed", system, len(STEPS))
    label = unit_label("speed", system)
    said = [
        f"from {number_range(*ends, 'speed', system)} {label}"
        for ends in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)
    ]
    at = within_edges(slow, edges).tolist()
    kind = [said[place] if name == "holds" else name for place, name in zip(at, names, strict=True)]
    words = [(text, LETTERS[place], "Holds at a speed from this stretch on.") for place, text in enumerate(said)]
    return kind, steps(words) | {name: VERDICT_SYMBOLS[name] for name in ("doubtful", "fails", "off")}
