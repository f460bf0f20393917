"""What a map of zones can show: verdict, rates, margin, limit and speed, each with its classes and words."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.base.counted import count
from geoflow.base.schema import LIMITS, VERDICTS
from geoflow.base.units import System, show, unit_label
from geoflow.report.map_classes import (
    LETTERS,
    even_edges,
    rate_classes,
    speed_classes,
    steps,
    within_edges,
)
from geoflow.report.rewritten import change_kinds
from geoflow.report.symbology import CHANGES, LOW_SIDE, STEPS, VERDICT_SYMBOLS, Symbol
from geoflow.report.zones import MARGIN_WORDS

if TYPE_CHECKING:
    from geoflow.base.arrays import FloatArray, TextArray
    from geoflow.decide.rewrite import Rewriting
    from geoflow.decide.vet import Solution, Vetting

__all__ = ["LAYERS", "Layer", "Vetted", "map_layer", "rewritten_layers"]


@dataclass(frozen=True, slots=True)
class Layer:
    """One way to colour the zones of a map.

    Attributes
    ----------
    name, title : str
        A key of `LAYERS`, and what it is called.
    kind : sequence of str, shape (zones,)
        Class of each zone, a key of the symbols.
    symbols : dict of str to Symbol
        Every class, in the order of the key.
    words : str
        What is shown, in a sentence or two.
    """

    name: str
    title: str
    kind: Sequence[str]
    symbols: dict[str, Symbol]
    words: str


@dataclass(frozen=True, slots=True)
class Vetted:
    """Zones with what is known of them for a plan.

    Attributes
    ----------
    rate, verdict : ndarray, shape (zones,)
        Nitrogen rate [kg/m2], and a key of `schema.VERDICTS`.
    solution : Solution
        The solved bar; its pressures need not be those of the plan unless `margin` is asked for.
    vet : callable
        Gives the verdicts with their limits.
    """

    rate: FloatArray
    verdict: TextArray
    solution: Solution
    vet: Callable[[], Vetting]


def _verdict(zones: Vetted, system: System) -> Layer:
    return Layer(
        "verdict", LAYERS["verdict"], zones.verdict.tolist(), VERDICT_SYMBOLS, "Whether the bar can deliver the rate."
    )


def _asked(zones: Vetted, system: System) -> Layer:
    words = f"Rate each zone asks for [{unit_label('nitrogen rate', system)}]: the more, the darker."
    return Layer("asked", LAYERS["asked"], *rate_classes(zones.rate, system), words)


def _given(zones: Vetted, system: System) -> Layer:
    """Rate nearest to the one asked that certainly holds at every planned speed."""
    low, high = zones.solution.rate_bounds(zones.solution.certain)
    rate, asked = zones.rate, zones.rate > 0.0
    kind, symbols = rate_classes(rate, system)
    said: dict[str, Symbol] = {}
    what = "Rate the bar certainly can give at every planned speed, nearest to the one asked."
    if not low <= high:
        kind = ["none" if some else "off" for some in asked.tolist()]
        said["none"] = replace(VERDICT_SYMBOLS["fails"], word="no rate is certain", letter="X", meaning="")
        return Layer("given", LAYERS["given"], kind, {**said, "off": VERDICT_SYMBOLS["off"]}, what)
    above, below = asked & (rate > high * (1.0 + 1e-9)), asked & (rate < low * (1.0 - 1e-9))
    for flags, name, end in ((above, "lowered", high), (below, "raised", low)):
        if flags.any():
            word = f"{name} to {show(end, 'nitrogen rate', system)}"
            said[word] = replace(CHANGES[name], word=word)
            kind = [word if flag else was for was, flag in zip(kind, flags.tolist(), strict=True)]
    if below.any():
        what += f" {count(int(below.sum()), 'zone')} would have to be raised: the agronomist's decision."
    kept = {name: symbol for name, symbol in symbols.items() if name in set(kind)}
    return Layer("given", LAYERS["given"], kind, {**said, **kept}, what)


def _margin(zones: Vetted, system: System) -> Layer:
    """Least liquid margin over the plan, at the worse end of what is not known."""
    margin, wanted = zones.vet().margin, zones.solution.bar.limits.liquid_margin
    kind = np.where(margin < 0.0, "boils", "short").astype(object)
    kind[~np.isfinite(margin)] = "not known"
    kind[zones.rate <= 0.0] = "off"
    label, enough = show(wanted, "pressure", system), np.isfinite(margin) & (margin >= wanted)
    symbols = {
        "boils": replace(VERDICT_SYMBOLS["fails"], word="below zero", meaning="It boils, or may boil."),
        "short": replace(VERDICT_SYMBOLS["doubtful"], word=f"0 to {label}", meaning="Less than the bar file asks for."),
    }
    if enough.any():
        edges = even_edges(wanted, float(margin[enough].max()), "pressure", system, len(STEPS))
        at = within_edges(margin[enough], edges)
        edges[0] = wanted  # what lies below it is another class
        said = [
            f"{show(low, 'pressure', system).rpartition(' ')[0]} to {show(high, 'pressure', system)}"
            for low, high in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)
        ]
        kind[enough] = np.array(said, dtype=object)[at]
        symbols |= steps([(text, LETTERS[place], "") for place, text in enumerate(said)])
    symbols["not known"] = replace(VERDICT_SYMBOLS["off"], word="not known", letter="?", meaning="")
    symbols["off"] = VERDICT_SYMBOLS["off"]
    words = f"{MARGIN_WORDS} The more, the darker."
    return Layer("margin", LAYERS["margin"], kind.tolist(), symbols, words)


_SIDE_WORDS: Final = {"low": "too slow", "high": "too fast"}
_SIGNS: Final = {"low": "\u2212", "high": "+"}


def _limit(zones: Vetted, system: System) -> Layer:
    """Verdict with the side of the window that is missed; each has one limit over a plan."""
    vetting = zones.vet()
    verdict, side, limit = vetting.verdict, vetting.side, vetting.limited_by
    symbols: dict[str, Symbol] = {}
    kind = verdict.astype(object)
    for name in ("fails", "doubtful"):
        for end in ("low", "high"):
            mine = (verdict == name) & (side == end)
            if not mine.any():
                continue
            found = LIMITS[str(limit[np.flatnonzero(mine)[0]])]
            word = f"{name}, {_SIDE_WORDS[end]} for the rate: {found.name}"
            hatch, letter = LOW_SIDE if end == "low" else "//", VERDICTS[name].letter + _SIGNS[end]
            meaning = f"{found.meaning} {found.remedy}"
            symbols[word] = replace(VERDICT_SYMBOLS[name], word=word, letter=letter, hatch=hatch, meaning=meaning)
            kind[mine] = word
    symbols |= {name: VERDICT_SYMBOLS[name] for name in ("holds", "off")}
    words = "Which side of the window a zone misses: \u2212 too little flow, driven too slow for its rate; + too much."
    return Layer("limit", LAYERS["limit"], kind.tolist(), symbols, words)


LAYERS: Final[dict[str, str]] = {
    "verdict": "Verdict",
    "asked": "Rate asked",
    "given": "Rate to be given",
    "margin": "Liquid margin",
    "limit": "Too slow or too fast",
    "speed": "Speed",
}
"""What the map can show, and what it is called; the speed only where zones have their own."""
_MAKERS: Final[dict[str, Callable[[Vetted, System], Layer]]] = {
    "verdict": _verdict,
    "asked": _asked,
    "given": _given,
    "margin": _margin,
    "limit": _limit,
}


def map_layer(name: str, zones: Vetted, system: System) -> Layer:
    """Return one layer of a vetted map.

    Parameters
    ----------
    name : str
        A key of `LAYERS` other than ``"speed"``.
    zones : Vetted
        What is known of the zones.
    system : str
        ``"us"`` or ``"metric"``.
    """
    return _MAKERS[name](zones, system)


def rewritten_layers(done: Rewriting, system: System) -> dict[str, tuple[Layer, ...]]:
    """Return layers of a rewritten map: as it was and as it became, in the same classes, or only as it became.

    Parameters
    ----------
    done : Rewriting
        The new rates.
    system : str
        ``"us"`` or ``"metric"``.
    """
    zones, label = len(done.before), unit_label("nitrogen rate", system)
    kind, symbols = rate_classes(np.concatenate([done.before, done.after]), system)
    was = Layer("given", "Rate", kind[:zones], symbols, f"Rate asked [{label}].")
    became = Layer(
        "given", "Rate", kind[zones:], symbols, f"Rate asked, and rate to be given after rewriting [{label}]."
    )
    before, after = done.verdict_before.tolist(), done.verdict.tolist()
    held = "Whether the bar can deliver the rate at the zone's speed."
    made: dict[str, tuple[Layer, ...]] = {
        "given": (was, became),
        "verdict": (
            Layer("verdict", "Verdict", before, VERDICT_SYMBOLS, held),
            Layer("verdict", "Verdict", after, VERDICT_SYMBOLS, held),
        ),
        "change": (Layer("change", "What was changed", change_kinds(done), CHANGES, "What became of each zone."),),
    }
    if np.ptp(done.speed_low) > 0.0 or np.ptp(done.speed_high) > 0.0:
        kind, symbols = speed_classes(done.verdict, (done.speed_low, done.speed_high), system)
        words = "Speed each zone is to be driven at after rewriting."
        made["speed"] = (Layer("speed", LAYERS["speed"], kind, symbols, words),)
    return made
