"""What is not known of a bar and what finding it out would settle on a map, in words and as JSON."""

from __future__ import annotations

from typing import Any, Final

from geoflow.bar.key_kinds import KEY_KINDS
from geoflow.bar.keys import heading, keys_of
from geoflow.bar.open_values import KNOWN_BORE, OpenValue
from geoflow.bar.questions import question_for
from geoflow.base.said import said, said_range
from geoflow.base.units import System, show
from geoflow.decide.finding_out import FindingOut, FoundOut
from geoflow.report.json_numbers import keyed

__all__ = ["finding_out_document", "finding_out_text"]

_MOST_NAMED: Final = 3


def _label(value: OpenValue) -> str:
    question = question_for(*value.key)
    return f"`{value.name}` of {heading(value.table)}" if question is None else question.label


def _find(value: OpenValue) -> str:
    question = question_for(*value.key)
    return "" if question is None else question.found


def _carried(value: OpenValue, system: System) -> str:
    """What is carried for it, in the unit of its key; empty where the key is left out."""
    if value.low is None or value.high is None:
        return ""
    if value.table == "drive":
        return f"{100.0 * value.low:.3g} to {100.0 * value.high:.3g} % of full drive"
    key = keys_of(value.table)[value.name]
    kind = KEY_KINDS[key.kind].unit_kind
    if kind == "length" and str(key.example).endswith(" in"):
        kind = "small length"  # bores are read in inches or millimetres, hoses in feet or metres
    if kind is None:
        return f"{value.low:.3g} to {value.high:.3g}"
    return said_range(value.low, value.high, kind, system, 0)


def _named(one: FoundOut, system: System, *, first: bool) -> str:
    value = one.value
    told = "; ".join(filter(None, (_carried(value, system), _find(value))))
    label = f"{_label(value)} ({told})" if told else _label(value)
    if not first:
        return f"{label}: {show(one.settled, 'area', system)}"
    ways = [
        f"{show(area, 'area', system)} would {word}"
        for area, word in ((one.holds, "hold"), (one.fails, "fail"))
        if area
    ]
    middle = "known, in the middle of what is carried,"
    if value.name == "land":
        middle = (
            f"known, as that of a long bore of {said(KNOWN_BORE, 'small length', system)} (a thin plate brings less),"
        )
    return f"{label}; {middle} it settles {show(one.settled, 'area', system)} by itself: {' and '.join(ways)}"


def finding_out_text(found: FindingOut | None, doubtful: float, system: System) -> str:
    """Say what to find out first; empty where the bar file leaves nothing open.

    Parameters
    ----------
    found : FindingOut or None
        From `settling`.
    doubtful : float
        Area of the doubtful zones [m2].
    system : str
        ``"us"`` or ``"metric"``.
    """
    if found is None:
        return ""
    count = len(found.open)
    things = "one thing" if count == 1 else f"{count} things"
    said_open = f" The bar file leaves {things} open."
    if found.together == 0.0:
        return f"{said_open} Finding {'it' if count == 1 else 'all of them'} out would settle none of it."
    whole = (
        "all of it" if found.together >= doubtful * (1.0 - 1e-9) else f"{show(found.together, 'area', system)} of it"
    )
    together = f"all of them together settle {whole}"
    if not found.each:
        return f"{said_open} None of them settles anything by itself, but {together}."
    first, *rest = found.each
    text = f"{said_open} Find out first: {_named(first, system, first=True)}."
    if rest:
        text += f" Next: {'; '.join(_named(one, system, first=False) for one in rest[: _MOST_NAMED - 1])}."
    return text if count == 1 else f"{text} Known, {together}."


def finding_out_document(found: FindingOut | None) -> dict[str, Any] | None:
    """Give the same for JSON; None where nothing is open.

    Parameters
    ----------
    found : FindingOut or None
        From `settling`.
    """
    if found is None:
        return None
    by_key = {one.value.key: one for one in found.each}
    ranked = [one.value for one in found.each] + [one for one in found.open if one.key not in by_key]
    return {
        **keyed(all_settle_ac=found.together),
        "each": [
            {
                "table": value.table or None,
                "key": value.name,
                "name": _label(value),
                "carried": _carried(value, "us") or None,
                "find_out": _find(value) or None,
                **keyed(
                    settles_ac=by_key[value.key].settled if value.key in by_key else 0.0,
                    holds_ac=by_key[value.key].holds if value.key in by_key else 0.0,
                    fails_ac=by_key[value.key].fails if value.key in by_key else 0.0,
                ),
            }
            for value in ranked
        ],
    }
