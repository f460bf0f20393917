"""The answers that stand in a bar file, and a bar file with some of them changed: what nobody asked for stays."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterable, Mapping
from copy import deepcopy
from typing import Any, Final

from geoflow.bar.answers import Answer, answered
from geoflow.bar.key_kinds import NUMBER_PATTERN
from geoflow.bar.keys import keys_of
from geoflow.bar.new_bar import new_bar_text
from geoflow.bar.questions import QUESTIONS, Question
from geoflow.base.errors import QuantityError
from geoflow.base.units import parse

__all__ = ["answers_in", "with_answers"]

_Content = Mapping[str, Any]
_UNKNOWN: Final = "don't know"
_NEEDED: Final = {"row_spacing", "sections", "orifice", "coefficient", "meter_pulses"}
_EVIDENCE: Final = ("measured", "learned")  # of one size only


def _same(values: Iterable[Any]) -> str | None:
    """What all say alike as one answer, else as one for each; None where some say nothing."""
    said = [None if value is None else str(value) for value in values]
    if not said or any(value is None for value in said):
        return None
    return said[0] if len(set(said)) == 1 else ", ".join(map(str, said))


def _listed(content: _Content, name: str) -> list[dict[str, Any]]:
    """The tables of a list; nothing where the file has none, or something else there."""
    given = content.get(name)
    return [one for one in given if isinstance(one, dict)] if isinstance(given, list) else []


def _table(content: _Content, name: str) -> dict[str, Any]:
    given = content.get(name)
    return given if isinstance(given, dict) else {}


def _sections(content: _Content) -> list[dict[str, Any]]:
    return _listed(content, "sections")


def _in_use(content: _Content) -> list[dict[str, Any]]:
    """The orifice of each section, left to right."""
    orifices = _table(content, "orifices")
    return [_table(orifices, str(section.get("orifice"))) for section in _sections(content)]


def _rows(content: _Content, _: Question) -> str | None:
    return ", ".join(str(section.get("rows")) for section in _sections(content))


def _size(content: _Content, _: Question) -> str | None:
    return _same(orifice.get("diameter") for orifice in _in_use(content))


def _thickness(content: _Content, _: Question) -> str | None:
    lands = {orifice.get("land") for orifice in _in_use(content)}
    return None if len(lands) != 1 else str(next(iter(lands)) or _UNKNOWN)


def _coefficient(content: _Content, _: Question) -> str | None:
    said = [
        (str(orifice.get("discharge_coefficient")), str(orifice.get("coefficient_tolerance", "")))
        for orifice in _in_use(content)
    ]
    if len(set(said)) != 1:
        return None
    ((middle, share), *_rest) = said
    if not share:
        return middle
    if not all(re.fullmatch(NUMBER_PATTERN, one) for one in (middle, share)):
        return None
    return f"{float(middle) * (1.0 - float(share)):.5g}..{float(middle) * (1.0 + float(share)):.5g}"


def _feed(content: _Content, question: Question) -> str | None:
    feeds = [_table(section, "feed") for section in _sections(content)]
    if not any(feeds):
        return "none" if question.none else None
    values = [feed.get(question.key[1]) for feed in feeds]
    if question.each:
        return _same(values)
    if question.none and all(value is None for value in values):
        return "none"
    return _same(values) if len({str(value) for value in values}) == 1 else None


def _gauges(content: _Content, _: Question) -> str | None:
    return ", ".join(str(gauge.get("place")) for gauge in _listed(content, "gauges")) or _UNKNOWN


def _tanks(content: _Content, question: Question) -> str | None:
    hoses = _listed(content, "tank_hoses")
    if question.way == "count":
        return str(len(hoses)) if hoses else None
    values = {str(hose.get(question.key[1])) for hose in hoses}
    return values.pop() if len(values) == 1 and "None" not in values else None


def _drive(content: _Content, question: Question) -> str | None:
    end, drive = question.name.removeprefix("drive_"), _table(content, "drive")
    found = [drive[f"{end}_{kind}"] for kind in ("oil", "speed") if f"{end}_{kind}" in drive]
    return str(found[0]) if found else None


def _plain(content: _Content, question: Question) -> str | None:
    name, key = question.key
    table = _table(content, name) if name else content
    if key in table:
        return str(table[key])
    if question.day or "back_pressure" in table:
        return None
    if question.none:
        return "none"
    return _UNKNOWN if question.unknown == "" else None


_READERS: Final[dict[str, Callable[[_Content, Question], str | None]]] = {
    "sections": _rows, "orifice": _size, "thickness": _thickness, "coefficient": _coefficient, "gauges": _gauges,
    "tanks": _tanks, "drive_full": _drive, "drive_given": _drive,
}  # fmt: skip
_OF_TABLE: Final = {"sections.feed": _feed, "tank_hoses": _tanks}


def answers_in(content: _Content) -> dict[str, str]:
    """Return the answers that a bar file comes to, as anybody would type them.

    Parameters
    ----------
    content : Mapping
        The bar file as TOML gives it; it has been read without error before.

    Returns
    -------
    dict of str to str
        By name of the question. A value that is the very range carried for the unknown is not known. What the file
        leaves out, or says of each section or orifice in another way than one answer can, has none.
    """
    found: dict[str, str] = {}
    for question in QUESTIONS:
        reader = _READERS.get(question.name) or _OF_TABLE.get(question.key[0]) or _plain
        said = reader(content, question)
        if said is not None:
            found[question.name] = _UNKNOWN if _is_unknown(question, said) else said
    return found


def _is_unknown(question: Question, said: str) -> bool:
    if not question.unknown or question.choice:
        return False
    try:
        carried = answered(question, _UNKNOWN).values
        return [str(one) for one in answered(question, said).values] == [str(one) for one in carried]
    except QuantityError:
        return False


def with_answers(content: _Content, answers: Mapping[str, Answer], changed: Iterable[str]) -> dict[str, Any]:
    """Return the content of a bar file with some answers changed and everything else as it was.

    Parameters
    ----------
    content : Mapping
        The bar file as TOML gives it.
    answers : Mapping
        By name of their question; all of the first round that are asked.
    changed : iterable of str
        Names of those that the file is to take over. A section that gets another size of orifice takes one that the
        file has of that size, or a new one without what was measured or learned of the old.
    """
    made, wanted = deepcopy(dict(content)), set(changed)
    if not wanted or not set(answers) >= _NEEDED:
        return made  # what is wrong with the file comes first
    fresh = tomllib.loads(new_bar_text(answers))
    wanted |= {one.name for one in QUESTIONS if one.needs in wanted}
    for question in QUESTIONS:
        if question.name in wanted:
            _WRITERS.get(question.name, _OF_TABLES.get(question.key[0], _put))(made, fresh, question)
    return made


def _move(made: dict[str, Any], fresh: _Content, key: str) -> None:
    if key in fresh:
        made[key] = fresh[key]
    else:
        made.pop(key, None)


def _put(made: dict[str, Any], fresh: _Content, question: Question) -> None:
    name, key = question.key
    if not name:
        return _move(made, fresh, key)
    table = made.setdefault(name, {})
    _move(table, fresh.get(name, {}), key)
    if name == "row_hose" and key in table:
        table.pop("back_pressure", None)
    gone = [one.name for one in keys_of(name).values() if one.required and one.name not in table]
    if not table or (gone and key in gone) or (name not in fresh and not _others(name, table)):
        made.pop(name)
    return None


def _others(name: str, table: _Content) -> bool:
    """Whether a table holds what no question asks for and what stands by itself."""
    return any(key in table for key in ("back_pressure", "head")) or name not in ("row_hose", "suction")


def _put_rows(made: dict[str, Any], fresh: _Content, _: Question) -> None:
    old, new = _sections(made), fresh["sections"]
    if len(old) == len(new):
        sections = [{**one, "rows": other["rows"]} for one, other in zip(old, new, strict=True)]
    else:
        sections = [
            {**deepcopy(old[min(at, len(old) - 1)]), "name": other["name"], "rows": other["rows"]}
            for at, other in enumerate(new)
        ]
    made["sections"] = sections
    for key in ("rows", "width"):  # no longer what they add up to
        made.pop(key, None)


def _meters(text: object) -> float:
    return round(parse(str(text), "length"), 9)


def _put_size(made: dict[str, Any], fresh: _Content, _: Question) -> None:
    orifices = made.setdefault("orifices", {})
    for section, other in zip(_sections(made), fresh["sections"], strict=True):
        size = fresh["orifices"][other["orifice"]]["diameter"]
        old = orifices.get(section["orifice"], {})
        if "diameter" in old and _meters(old["diameter"]) == _meters(size):
            continue
        has = [name for name, one in orifices.items() if _meters(one.get("diameter", "0 m")) == _meters(size)]
        if not has:
            has = [_free(orifices, f"size_{size.partition(' ')[0].replace('.', '_')}")]
            kept = {key: value for key, value in old.items() if key not in _EVIDENCE}
            orifices[has[0]] = {**kept, "diameter": size}
        section["orifice"] = has[0]


def _free(taken: _Content, name: str) -> str:
    return name if name not in taken else next(f"{name}_{n}" for n in range(2, 100) if f"{name}_{n}" not in taken)


def _put_of_orifices(made: dict[str, Any], fresh: _Content, question: Question) -> None:
    (new, *_) = fresh["orifices"].values()
    keys = ["land"] if question.name == "thickness" else ["discharge_coefficient", "coefficient_tolerance"]
    for orifice in _in_use(made):
        for key in keys:
            _move(orifice, new, key)


def _put_feed(made: dict[str, Any], fresh: _Content, question: Question) -> None:
    for section, other in zip(_sections(made), fresh["sections"], strict=True):
        feed = section.setdefault("feed", {})
        _move(feed, other.get("feed", {}), question.key[1])
        if not {"length", "bore"} & set(feed):
            section.pop("feed")


def _put_gauges(made: dict[str, Any], fresh: _Content, _: Question) -> None:
    old = {gauge.get("place"): gauge for gauge in made.get("gauges", [])}
    made["gauges"] = [old.get(gauge["place"], gauge) for gauge in fresh.get("gauges", [])]
    if not made["gauges"]:
        made.pop("gauges")


def _put_tanks(made: dict[str, Any], fresh: _Content, question: Question) -> None:
    old, new = made.get("tank_hoses", []), fresh.get("tank_hoses", [])
    hoses = [{**(old[at] if at < len(old) else old[-1] if old else {})} for at in range(len(new))]
    for hose, other in zip(hoses, new, strict=True):
        if question.way != "count":
            _move(hose, other, question.key[1])
    made["tank_hoses"] = hoses
    if not hoses:
        made.pop("tank_hoses")


def _put_drive(made: dict[str, Any], fresh: _Content, _: Question) -> None:
    _move(made, fresh, "drive")


_Writer = Callable[[dict[str, Any], _Content, Question], None]
_WRITERS: Final[dict[str, _Writer]] = {
    "sections": _put_rows, "orifice": _put_size, "thickness": _put_of_orifices, "coefficient": _put_of_orifices,
    "gauges": _put_gauges, "drive_full": _put_drive, "drive_given": _put_drive,
}  # fmt: skip
_OF_TABLES: Final[dict[str, _Writer]] = {"sections.feed": _put_feed, "tank_hoses": _put_tanks}
