"""Maps of a plan: at which speed each zone is driven, and which rate it asks for."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.units import System, number, number_range, unit_label
from geoflow.report.canvas import Heading, Picture
from geoflow.report.layout import count
from geoflow.report.maps import Panel, field_map
from geoflow.report.model import Figure
from geoflow.report.symbology import STEPS, VERDICT_SYMBOLS, Symbol

if TYPE_CHECKING:
    from geoflow.outcomes import PlanOutcome

__all__ = ["plan_figures", "rate_map", "speed_map"]

_MOST_LABELS: Final = 80
_LETTERS: Final = "ABCDEFGHIJKL"


def _steps(words: list[tuple[str, str, str]]) -> dict[str, Symbol]:
    """Give each class its word, letter and meaning, in rising order, and a step of the scale."""
    at = np.linspace(0, len(STEPS) - 1, len(words)).round().astype(int).tolist()
    return {
        word: replace(STEPS[step], word=word, letter=letter, meaning=meaning)
        for step, (word, letter, meaning) in zip(at, words, strict=True)
    }


def _speed_classes(plan: PlanOutcome, system: System) -> tuple[list[str], dict[str, Symbol]]:
    """Speed of each zone that holds; zones that do not are shown as that, whatever they are driven at."""
    verdict, (slow, fast) = plan.vetted.vetting.verdict.tolist(), plan.speeds
    label = unit_label("speed", system)
    said = [number_range(*ends, "speed", system) for ends in zip(slow.tolist(), fast.tolist(), strict=True)]
    kind = [f"{text} {label}" if name == "holds" else name for text, name in zip(said, verdict, strict=True)]
    rising = sorted(zip(slow.tolist(), said, verdict, strict=True))
    driven = dict.fromkeys(text for _, text, name in rising if name == "holds")
    letters = {text: text if " " not in text else _LETTERS[at] for at, text in enumerate(driven)}
    steps = _steps([(f"{text} {label}", letters[text], "Holds at this speed.") for text in driven])
    return kind, steps | {name: VERDICT_SYMBOLS[name] for name in ("doubtful", "fails", "off")}


def _rate_classes(rate: FloatArray, system: System) -> tuple[list[str], dict[str, Symbol]]:
    """Rate of each zone, or the stretch of rates it falls into where there are many."""
    label, asked = unit_label("nitrogen rate", system), rate > 0.0
    each = [number(value, "nitrogen rate", system) for value in rate.tolist()]
    known = list(dict.fromkeys(each[at] for at in np.argsort(rate, kind="stable").tolist() if asked[at]))
    if len(known) <= len(STEPS):
        words = [(f"{text} {label}", text, "") for text in known]
        kind = [f"{text} {label}" if one else "off" for text, one in zip(each, asked.tolist(), strict=True)]
    else:
        edges = np.linspace(rate[asked].min(), rate[asked].max(), len(STEPS) + 1)
        at = np.clip(np.searchsorted(edges, rate, side="right") - 1, 0, len(STEPS) - 1)
        said = [
            f"{number_range(*ends, 'nitrogen rate', system)} {label}"
            for ends in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)
        ]
        words = [(text, _LETTERS[place], "") for place, text in enumerate(said)]
        kind = [said[place] if one else "off" for place, one in zip(at.tolist(), asked.tolist(), strict=True)]
    return kind, _steps(words) | {"off": VERDICT_SYMBOLS["off"]}


def _draw(
    plan: PlanOutcome, classes: tuple[list[str], dict[str, Symbol]], system: System, heading: Heading | None
) -> Picture:
    prescription, (kind, symbols) = plan.vetted.prescription, classes
    shown = {name: symbol for name, symbol in symbols.items() if name in kind}
    names = prescription.zone_id
    label = names if len(names) <= _MOST_LABELS or heading is None else None
    return field_map(prescription.zones, [Panel("", kind)], shown, label=label, system=system, heading=heading)


def speed_map(plan: PlanOutcome, system: System, heading: Heading | None = None) -> Picture:
    """Draw at which speed each zone is driven; one that does not hold there is shown as doubtful or failing.

    Parameters
    ----------
    plan : PlanOutcome
        From `plan_field`.
    system : str
        ``"us"`` or ``"metric"``.
    heading : Heading, optional
        Makes a poster of it.

    Returns
    -------
    bytes, tuple of float
        The PNG, and its size on paper [in].
    """
    return _draw(plan, _speed_classes(plan, system), system, heading)


def rate_map(plan: PlanOutcome, system: System, heading: Heading | None = None) -> Picture:
    """Draw which rate each zone asks for.

    Parameters
    ----------
    plan, system, heading
        As for `speed_map`.

    Returns
    -------
    bytes, tuple of float
        The PNG, and its size on paper [in].
    """
    return _draw(plan, _rate_classes(plan.vetted.rate, system), system, heading)


def plan_figures(plan: PlanOutcome, system: System) -> tuple[Figure, Figure]:
    """Give both maps as figures of a report.

    Parameters
    ----------
    plan : PlanOutcome
        From `plan_field`.
    system : str
        ``"us"`` or ``"metric"``.
    """

    def told(kind: list[str]) -> str:
        return "; ".join(f"{name}: {count(kind.count(name), 'zone')}" for name in dict.fromkeys(sorted(kind)))

    speeds, rates = _speed_classes(plan, system), _rate_classes(plan.vetted.rate, system)
    return (
        Figure(
            "speeds",
            *_draw(plan, speeds, system, None),
            f"Map of the field with the speed each zone is driven at. {told(speeds[0])}.",
            "The speed each zone is driven at; zones that do not certainly hold there are marked as that.",
        ),
        Figure(
            "rates",
            *_draw(plan, rates, system, None),
            f"Map of the field with the rate each zone asks for. {told(rates[0])}.",
            "The nitrogen rate each zone asks for.",
        ),
    )
