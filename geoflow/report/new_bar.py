"""What is said of a bar made of answers: the window, what each unknown costs, and which to find out first."""

from __future__ import annotations

from typing import Any, Final

from geoflow.base.units import ACRE, POUND, System, show, unit_label
from geoflow.base.units import number as written_number
from geoflow.decide.unknowns import NewBar, RateWindow, Unknown
from geoflow.report.cautions import SHORT_CAUTION
from geoflow.report.json_numbers import keyed
from geoflow.report.model import Block, BulletList, Paragraph, Report, Section, Table

__all__ = ["new_bar_document", "new_bar_report"]

# Less than this changes no decision [kg/m2]: half a pound an acre.
_WORTH: Final = 0.5 * POUND / ACRE


def _rate(value: float, system: System) -> str:
    return written_number(value, "nitrogen rate", system) if abs(value) < 1e3 else "without end"


def _window(low: float, high: float, system: System) -> str:
    """A window in words, or by how much it is short of one."""
    if not low < 1e3:
        return "none: the liquid margin is out of reach"
    unit = unit_label("nitrogen rate", system)
    if low > high:
        return f"none: its low end, {_rate(low, system)}, lies above its high end, {_rate(high, system)} {unit}"
    return f"{_rate(low, system)} to {_rate(high, system)} {unit}"


def _cell(known: RateWindow | None, system: System) -> str:
    if known is None:
        return "as it is"
    if not known.low < 1e3:
        return "none"
    ends = f"{_rate(known.low, system)} to {_rate(known.high, system)}"
    return ends if known.width >= 0.0 else f"none ({_rate(known.low, system)} over {_rate(known.high, system)})"


def _gained(one: Unknown, system: System) -> str:
    if one.known is None:
        return "no window"
    return "opens it" if one.gain > 1e3 else _rate(max(one.gain, 0.0), system) if one.gain >= _WORTH else "nothing"


def _rows(new: NewBar, system: System) -> tuple[tuple[str, ...], ...]:
    return tuple(
        (
            one.question.label,
            one.carried or "anything",
            _cell(one.known, system),
            _gained(one, system),
            one.question.found,
        )
        for one in new.open.each
    )


def _dearest(new: NewBar) -> list[Unknown]:
    return [one for one in new.open.each if one.gain >= _WORTH]


def _first(new: NewBar, system: System) -> str:
    found, unit = _dearest(new), unit_label("nitrogen rate", system)
    if not new.open.each:
        return "Everything that was asked is known."
    if not found:
        return "No single one of these moves the certain window by itself at this temperature and speed."
    best = found[0]
    opened = "brings a certain window within reach"
    if best.gain <= 1e3:
        opened = f"opens the certain window by {_rate(best.gain, system)} {unit}"
        if best.known is not None and best.known.width < 0.0:
            opened = f"closes the gap by {_rate(best.gain, system)} {unit}"
    long = (
        ", if the bore turns out to be a long one; a thin plate brings less"
        if best.question.name == "thickness"
        else ""
    )
    return f"Find out first: {best.question.label} ({best.question.found}). It {opened} by itself{long}."


def _reading(new: NewBar, system: System) -> str:
    after = new.open.reading
    if after is None or after.width - new.open.window.width < _WORTH:
        return ""
    best = max((one.gain for one in new.open.each), default=0.0)
    more = " (more than any of the above brings)" if after.width - new.open.window.width > best else ""
    return (
        "Take one reading of flow and pressure on ammonia and write it into the file as a `measured` point: it tells "
        "what no sheet does of coefficient and flashing. Expected certain window with it"
        f"{more}, all else as open as now: {_window(after.low, after.high, system)}."
    )


def new_bar_report(new: NewBar, path: str | None, system: System) -> Report:
    """Say what a new bar file holds and what it costs that things are not known.

    Parameters
    ----------
    new : NewBar
        What was made.
    path : str or None
        Where it was written; None where it is not yet.
    system : str
        ``"us"`` or ``"metric"``.
    """
    found, unit = new.open, unit_label("nitrogen rate", system)
    at = f"{show(found.temperature, 'temperature', system)} and {show(found.speed, 'speed', system)}"
    window = found.window
    certain = _window(window.low, window.high, system)
    possible = _window(window.possible_low, window.possible_high, system)
    blocks: list[Block] = [Paragraph(f"Certain window: {certain}. Possible: {possible}.")]
    if found.each:
        heads = ("not known", "carried", f"certain window if known [{unit}]", f"opens by [{unit}]", "how to find out")
        caption = "What is not known, the dearest first: each by itself, at the middle of its range (a thickness: long)"
        blocks.append(Table(caption, heads, _rows(new, system), "<<<<<", (2.4, 1.7, 2.1, 1.2, 2.6)))
    lines = [_first(new, system)]
    if found.each:
        long = " (a long bore)" if any(one.question.name == "thickness" for one in found.each) else ""
        lines.append(f"With all of it known{long}: {_window(found.all_known.low, found.all_known.high, system)}.")
    if any(one.question.name == "meter_pulses" for one in found.each):
        lines.append(
            "The pulses of the meter move no window, but until they are in the file a field card has no number to "
            "enter, a reading in pulses says nothing, and no rate on the display can be held against the meter."
        )
    lines += [reading] if (reading := _reading(new, system)) else []
    lines += [] if path is None else [f"Ask it what it holds: geoflow bar --check {path}"]
    written = "" if path is None else f"{path} is written: "
    return Report(
        new.bar.name,
        f"reckoned at {at}, all sections on",
        f"{written}{new.bar.rows} rows; {len(found.each) or 'none'} of the things asked not known",
        (
            Section("window", f"Window at {at}", tuple(blocks)),
            Section("next", "What to do next", (BulletList(tuple(lines)),)),
        ),
        SHORT_CAUTION,
        "",
    )


def _pairs(one: RateWindow) -> dict[str, Any]:
    ends = {"certain": (one.low, one.high), "possible": (one.possible_low, one.possible_high)}
    return {name: None if low > high else (low, high) for name, (low, high) in ends.items()}


def new_bar_document(new: NewBar, path: str) -> dict[str, Any]:
    """Give the same as JSON.

    Parameters
    ----------
    new, path
        As for `new_bar_report`.
    """
    found = new.open
    first = _dearest(new)
    return {
        "file": path,
        "name": new.bar.name,
        "answers": {
            name: {"said": one.said, "known": one.known, "values": list(one.values)}
            for name, one in new.answers.items()
        },
        **keyed(
            rows=new.bar.rows,
            width_ft=new.bar.width,
            temperature_degF=found.temperature,
            speed_mph=found.speed,
            rate_lb_n_ac=_pairs(found.window),
            all_known_rate_lb_n_ac=_pairs(found.all_known),
            with_a_reading_rate_lb_n_ac=None if found.reading is None else _pairs(found.reading),
        ),
        "unknowns": [
            {
                "name": one.question.name,
                "question": one.question.asks,
                "carried": one.carried or None,
                "find_out": one.question.found,
                **keyed(
                    gain_lb_n_ac=one.gain if abs(one.gain) < 1e3 else None,
                    known_rate_lb_n_ac=None if one.known is None else _pairs(one.known),
                ),
            }
            for one in found.each
        ],
        "first": first[0].question.name if first else None,
    }
