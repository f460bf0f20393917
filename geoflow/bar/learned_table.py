"""What logs tell of an orifice, as a table of the bar file: read, checked, and written below what stands there."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import fields
from typing import Any, Final

from geoflow.bar.keys import written
from geoflow.bar.learned import Evidence, Learned, LearnedLog, OrificeWay
from geoflow.base import units

__all__ = ["check_learned", "learned_of", "with_learned"]

_UNIT: Final = {
    "margin": ("pressure", "psi"),
    "at_temperature": ("temperature", "degF"),
    "pressure": ("pressure", "psi"),
    "temperature": ("temperature", "degF"),
    "below": ("pressure", "psi"),
    "standing": ("pressure", "psi"),
    "standing_temperature": ("temperature", "degF"),
    "flow": ("ammonia flow", "lb/minute"),
}
_SAID: Final = {"lb/minute": "lb NH3/min"}
_LISTS: Final = {"cases": OrificeWay, "spread": OrificeWay, "logs": LearnedLog, "evidence": Evidence}


def learned_of(values: Mapping[str, Any] | None) -> Learned | None:
    """Make the object of a table that was read without problems.

    Parameters
    ----------
    values : mapping or None
        Keys and inner tables in SI; None where there is no such table.
    """
    if values is None:
        return None
    lists = {name: tuple(kind(**one) for one in values[name] or ()) for name, kind in _LISTS.items()}
    return Learned(**{**values, **lists, "likely": OrificeWay(**values["likely"])})


def check_learned(note: Callable[[str, str, str], None], name: str, values: Mapping[str, Any] | None) -> None:
    """Note what does not agree in a table whose keys are right one by one.

    Parameters
    ----------
    note : callable
        Takes where, what and cure of a problem.
    name : str
        Of the orifice.
    values : mapping or None
        As for `learned_of`.
    """
    if values is None:
        return
    cases, logs, evidence = (values.get(key) or () for key in ("cases", "logs", "evidence"))
    coefficients = [way.get("coefficient") for way in (values.get("likely"), *cases) if way]
    wrong = {
        "learned.cases holds no way": not cases and values.get("cases") is not None,
        "learned: a coefficient is not above 0": any(not (one or 1.0) > 0.0 for one in coefficients),
        "learned.evidence names a log that is not in learned.logs": any(
            (one.get("log") or 0) > len(logs) for one in evidence
        ),
    }
    for what in (what for what, is_so in wrong.items() if is_so):
        note(f"[orifices.{name}]", what, "take the learned tables out and run 'geoflow learn' again")


def _value(name: str, value: Any, air_pressure: float) -> str:
    if isinstance(value, tuple):
        ends = [_value(name, end, air_pressure).strip('"') for end in value]
        unit = ends[0].partition(" ")[2]
        return written(f"{ends[0].partition(' ')[0]}..{ends[1].partition(' ')[0]} {unit}")
    if name not in _UNIT:
        return written(float(f"{value:.6g}") if isinstance(value, float) else value)
    kind, unit = _UNIT[name]
    if name == "pressure":
        value = value - air_pressure
    return written(f"{float(units.from_si(value, kind, unit)):.5g} {_SAID.get(unit, unit)}")


def _inner(one: Any, air_pressure: float) -> str:
    keys = ((field.name, getattr(one, field.name)) for field in fields(one))
    said = (f"{name} = {_value(name, value, air_pressure)}" for name, value in keys if value is not None)
    return f"{{ {', '.join(said)} }}"


def _named(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else written(name)


def _table(name: str, learned: Learned, air_pressure: float) -> str:
    lines = [f"[orifices.{_named(name)}.learned]  # by 'geoflow learn'; take it out to forget it"]
    for field in fields(learned):
        value = getattr(learned, field.name)
        if field.name == "likely":
            lines.append(f"likely = {_inner(value, air_pressure)}")
        elif field.name in _LISTS:
            rows = "".join(f"    {_inner(one, air_pressure)},\n" for one in value)
            lines.append(f"{field.name} = [\n{rows}]")
        else:
            lines.append(f"{field.name} = {_value(field.name, value, air_pressure)}")
    return "\n".join(lines) + "\n"


def with_learned(content: str, learned: Mapping[str, Learned], air_pressure: float) -> str:
    """Return the text of a bar file with what was learned below it, in place of what it had of the same orifices.

    Parameters
    ----------
    content : str
        TOML, as it stands in the file.
    learned : mapping
        By name of the orifice.
    air_pressure : float
        Of the bar [Pa].
    """
    kept, ours = [], False
    named = {f"orifices.{spelling}.learned" for name in learned for spelling in (name, written(name), f"'{name}'")}
    for line in content.splitlines():
        # Lists of inner tables open with '[' too, but no line of theirs is a header by itself.
        if header := re.match(r"\s*(\[\[?)\s*([^\]]+?)\s*\]", line):
            path = re.sub(r"\s*\.\s*", ".", header[2])
            ours = (path in named and header[1] == "[") or path.startswith(tuple(f"{one}." for one in named))
        if not ours:
            kept.append(line)
    text = "\n".join(kept).rstrip("\n")
    return text + "\n\n" + "\n".join(_table(name, one, air_pressure) for name, one in learned.items())
