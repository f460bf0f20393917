"""Bar files: TOML to `geoflow.bar.equipment.Bar`, with every problem of a file reported at once."""

from __future__ import annotations

import re
import tomllib
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from geoflow.bar import keys as bar_keys
from geoflow.bar.agreement import check_pump, check_tank_hoses
from geoflow.bar.building import build_bar
from geoflow.bar.equipment import Bar
from geoflow.bar.flashing import check_flashing
from geoflow.bar.key_documents import bar_schema
from geoflow.bar.key_kinds import KEY_KINDS
from geoflow.bar.keys import Key, Table, heading, keys_of, subtables_of, table_of
from geoflow.bar.learned_table import check_learned
from geoflow.bar.left_out import left_out_keys
from geoflow.bar.measured import measured_points
from geoflow.bar.ranges import ends_of
from geoflow.bar.values import convert, shown, text_of, within
from geoflow.base import units
from geoflow.base.errors import BarError, QuantityError
from geoflow.base.spelling import nearest
from geoflow.base.subject import called
from geoflow.physics.air import standard_air_pressure

__all__ = ["bar_schema", "parse_bar", "read_bar", "read_bar_text"]

_GREATEST_SIZE: Final = 100_000
_MOST_LISTED: Final = 30
_WIDTH_AGREEMENT: Final = 0.01
_OF_ESTIMATE: Final = ("tolerance", "outlet", "outlet_coefficient")


def read_bar(path: str | Path) -> Bar:
    """Read a bar file.

    Parameters
    ----------
    path : str or Path
        A TOML file in UTF-8.

    Raises
    ------
    BarError
        If the file cannot be read or describes no bar; every problem found is in the one error.
    """
    return read_bar_text(_content(Path(path)), called(path))


def read_bar_text(content: bytes, name: str) -> Bar:
    """Read what stands in a bar file.

    Parameters
    ----------
    content : bytes
        TOML in UTF-8.
    name : str
        What to call the file in errors.

    Raises
    ------
    BarError
        If it describes no bar; every problem found is in the one error.
    """
    return parse_bar(_decoded(content, name), where=name)


def parse_bar(mapping: Mapping[str, object], *, where: str = "bar") -> Bar:
    """Make a bar from the content of a bar file.

    Parameters
    ----------
    mapping : Mapping
        Tables and values as TOML gives them, quantities as text with a unit.
    where : str
        What to call it in errors.

    Raises
    ------
    BarError
        Naming every key that is wrong, its value, what was expected and the nearest right spelling.
    """
    reader = _Reader()
    values = reader.table(mapping, table_of(""), "")
    if isinstance(mapping, Mapping):
        _cross_check(reader, values, mapping)
    if len(reader.problems) == 1:
        only = reader.problems[0]
        raise BarError(only.what, where=", ".join(filter(None, (where, only.place))), cure=only.cure)
    if reader.problems:
        listed = "\n".join(
            f"  {count}. {problem.place or 'the file'}\n     {problem.what}\n     cure: {problem.cure}"
            for count, problem in enumerate(reader.problems[:_MOST_LISTED], 1)
        )
        if len(reader.problems) > _MOST_LISTED:
            listed += f"\n  and {len(reader.problems) - _MOST_LISTED} more"
        what = f"{len(reader.problems)} things in the bar file are wrong\n{listed}"
        raise BarError(what, where=where, cure="put them right one by one; one mistake can show up twice")
    return replace(build_bar(values, reader.air), left_out=left_out_keys(mapping))


def _content(path: Path) -> bytes:
    where = called(path)
    try:
        if not path.exists():
            names = sorted(file.name for file in path.parent.glob("*.toml"))[:50]
            cure = f"check the name and the folder{nearest(path.name, names)}"
            raise BarError("there is no such bar file", where=where, cure=cure)
        if not path.is_file():
            what = "a folder" if path.is_dir() else "not an ordinary file"
            raise BarError(f"this is {what}", where=where, cure="name the bar file itself, ending in .toml")
        _refuse_large(path.stat().st_size, where)
        return path.read_bytes()
    except (OSError, ValueError) as problem:
        what = f"the bar file cannot be opened: {getattr(problem, 'strerror', None) or problem}"
        raise BarError(what, where=where, cure="check its name and your rights to it") from problem


def _refuse_large(size: int, where: str) -> None:
    if size > _GREATEST_SIZE:
        what = f"the file has {size:,} bytes, and a bar file has a few thousand"
        raise BarError(what, where=where, cure="check that this is the bar file")


def _decoded(content: bytes, where: str) -> dict[str, object]:
    _refuse_large(len(content), where)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        where += f", line {content.count(bytes([10]), 0, problem.start) + 1}"
        cure = "save it as plain text in UTF-8 from a text editor, not from a word processor"
        raise BarError("the bar file is not text in UTF-8", where=where, cure=cure) from problem
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as problem:
        raise _syntax_error(text, str(problem), where) from problem


def _syntax_error(text: str, message: str, where: str) -> BarError:
    found = re.search(r"\(at line (\d+), column \d+\)", message)
    lines = text.split("\n")
    line = lines[int(found[1]) - 1].strip() if found and int(found[1]) <= len(lines) else ""
    unquoted = re.match(r"([\w.-]+)\s*=\s*([-+.\d]+(?:\s*\.\.\s*[-+.\d]+)?\s*[^\s\d.,#][^#]*)", line)
    cure = 'write key = value, one to a line; text and values with a unit in quotes: row_spacing = "30 in"'
    if any(mark in line for mark in "\u201c\u201d\u2018\u2019\u201e"):
        cure = 'use straight quotes: "30 in"'
    elif any(word in message for word in ("overwrite", "declare", "mutate")):
        cure = "this key or table stands there twice; each section opens with [[sections]] in double brackets"
    elif unquoted:
        cure = f'put a value with a unit in quotes: {unquoted[1]} = "{unquoted[2].strip()}"'
    spot = f", line {found[1]}: {shown(line)}" if found else ""
    said = message.partition(" (at ")[0]
    return BarError(f"the bar file is not valid TOML: {said}", where=where + spot, cure=cure)


@dataclass(frozen=True, slots=True)
class _Problem:
    place: str
    what: str
    cure: str


def _example(key: Key) -> str:
    return f"{key.name} = {bar_keys.written(key.example)}"


def _needs(table: Table) -> str:
    return ", ".join(_example(key) for key in keys_of(table.path).values() if key.required) or "its keys"


def _elsewhere(name: str) -> str:
    homes = [
        f"in {heading(key.table)}" if key.table else "at the top of the file, above the first table"
        for key in bar_keys.KEYS
        if key.name == name
    ]
    homes += [f"in the file as {heading(table.path)}" for table in bar_keys.TABLES if table.path == name]
    return f"; it belongs {' or '.join(homes)}" if homes else ""


class _Reader:
    """Goes through the tables, keeps what is right and notes what is wrong."""

    def __init__(self) -> None:
        self.problems: list[_Problem] = []
        self.air = (standard_air_pressure(0.0),) * 2

    @property
    def air_pressure(self) -> float:
        """Middle of what it may be [Pa]: gauge pressures are read at it."""
        return 0.5 * sum(self.air)

    def note(self, place: str, what: str, cure: str) -> None:
        self.problems.append(_Problem(place, what, cure))

    def table(self, given: object, table: Table, place: str, prefix: str = "") -> dict[str, Any]:
        """Read one table; a key that is wrong, or absent without default, comes back as None."""
        if not isinstance(given, Mapping):
            called = f"{prefix.rstrip('., ')} = ".removeprefix(" = ")
            self.note(place, f"{called}{shown(given)} is not a table", f"write it as a table with {_needs(table)}")
            return {}
        misspelt = self._unknown(given, table, place)
        values = {name: self._key(given, key, place, prefix, misspelt) for name, key in keys_of(table.path).items()}
        if not table.path and values["elevation"] is not None:
            low, high = values["elevation"]
            self.air = standard_air_pressure(high), standard_air_pressure(low)
        for name, child in subtables_of(table.path).items():
            values[name] = self._tables(given[name], child, place) if name in given else None
            if name not in given and child.required and f"'{name}'" not in misspelt:
                self.note(place, f"{heading(child.path)} is missing", f"add it, with {_needs(child)}")
        return values

    def _key(self, given: Mapping[Any, object], key: Key, place: str, prefix: str, misspelt: str) -> Any:
        """Read one key, or take its default; note it where it is missing and not just misspelt."""
        if key.name in given:
            return self._value(given[key.name], key, f"{place}: {prefix}{key.name}".removeprefix(": "))
        if key.default is not None:
            return convert(key.default, key, self.air_pressure)
        if key.required and f"'{key.name}'" not in misspelt:
            self.note(place, f"{prefix}{key.name} is missing", f"add it, like {_example(key)}")
        return None

    def _unknown(self, given: Mapping[Any, object], table: Table, place: str) -> str:
        """Note the keys nobody knows and return the spellings suggested for them."""
        known = [*keys_of(table.path), *subtables_of(table.path)]
        suggested = ""
        for name in map(str, given):
            if name not in known:
                elsewhere = _elsewhere(name)
                spelling = "" if elsewhere else nearest(name, known)
                suggested += spelling
                what = f"unknown key {shown(name)}{elsewhere or spelling}"
                self.note(place or "top of the file", what, f"known here: {', '.join(known)}")
        return suggested

    def _value(self, given: object, key: Key, place: str) -> Any:
        place = f"{place} = {shown(given)}"
        try:
            value = convert(given, key, self.air_pressure)
        except QuantityError as problem:
            comma = "write decimals with a point; " if re.search(r"\d,\d", str(given)) else ""
            kind = KEY_KINDS[key.kind].said
            self.note(place, problem.what, f"{comma}write {kind}, like {_example(key)}")
            return None
        if within(value, key, self.air_pressure):
            return value
        bounds = " and ".join(map(str, key.accepted or ())) + (" gauge" if "gauge" in key.kind else "")
        cure = key.note or f"check the number and the unit; for example {_example(key)}"
        self.note(place, f"{key.name} must lie between {bounds}", cure)
        return None

    def _tables(self, given: object, table: Table, place: str) -> Any:
        name = table.path.rpartition(".")[2]
        if table.shape == "one":
            return self.table(given, table, place or heading(table.path), f"{name}." if place else "")
        return self._named(given, table) if table.shape == "named" else self._list(given, table, name, place)

    def _list(self, given: object, table: Table, name: str, place: str) -> list[dict[str, Any]]:
        if not isinstance(given, list) or (table.required and not given):
            what = f"{name} = {shown(given)} is not a list of tables"
            self.note(place, what, f"write it as {heading(table.path)}, once for each")
            return []
        if place:
            return [self.table(item, table, place, f"{name} {count}: ") for count, item in enumerate(given, 1)]
        return [self.table(item, table, _numbered(table, count, item)) for count, item in enumerate(given, 1)]

    def _named(self, given: object, table: Table) -> dict[str, dict[str, Any]]:
        name, tables = table.path, given if isinstance(given, Mapping) else {}
        loose = ", ".join(str(key) for key, value in tables.items() if not isinstance(value, Mapping))
        if loose or not tables:
            if not isinstance(given, Mapping):
                loose = shown(given)
            what = f"{shown(loose)} stands there without a named table" if loose else "no named table in it"
            self.note(f"[{name}]", what, f"open each as {heading(name)}, for example [{name}.small]")
            return {}
        return {key: self.table(tables[key], table, f"[{name}.{key}]") for key in tables if self._is_name(key, name)}

    def _is_name(self, key: str, table: str) -> bool:
        try:
            if text_of(key) != key:
                raise QuantityError("it begins or ends with a blank")
        except QuantityError as problem:
            self.note(f"[{table}.{shown(key)}]", f"bad name: {problem.what}", "give it a short, plain name")
            return False
        return True


def _numbered(table: Table, count: int, item: object) -> str:
    called = item.get("name") if isinstance(item, Mapping) else None
    return f"{heading(table.path)} {count}" + (f" {shown(called)}" if isinstance(called, str) else "")


def _check_orifices(reader: _Reader, values: dict[str, Any], given: Mapping[str, Any]) -> None:
    """Note what does not agree within an orifice, and put its measured points in terms of one orifice."""
    orifices = values["orifices"] or {}
    for name, orifice in orifices.items():
        check_flashing(reader.note, name, orifice)
        check_learned(reader.note, name, orifice.get("learned"))
    for name, orifice in orifices.items():
        if orifice.get("measured"):
            orifice["measured"] = measured_points(reader.note, name, values, given, reader.air)


def _cross_check(reader: _Reader, values: dict[str, Any], given: Mapping[str, Any]) -> None:
    """Note what does not agree between keys that are right one by one."""
    sections = values["sections"] or []
    _check_sections(reader, sections, values["orifices"] or {})
    if sections and all(section.get("rows") for section in sections):
        _check_row_count(reader, sections, values, given)
    for name in ("pump", "meter"):
        _check_flows(reader, name, values[name] or {}, given)
    if values["row_hose"]:
        _check_row_hose(reader, given["row_hose"])
    _check_orifices(reader, values, given)
    if values["suction"]:
        _check_pair(reader, "suction", given["suction"], ("fittings_k", "roughness"))
    check_pump(reader.note, values, given)
    check_tank_hoses(reader.note, values)


def _check_flows(reader: _Reader, name: str, machine: dict[str, Any], given: Mapping[str, Any]) -> None:
    low, high = machine.get("min_flow"), machine.get("max_flow")
    if low is not None and high is not None and ends_of(low)[1] > ends_of(high)[0]:
        written = given[name]
        what = f"min_flow = {shown(written['min_flow'])} is above max_flow = {shown(written['max_flow'])}"
        reader.note(f"[{name}]", what, "exchange them, or check their units")


def _check_sections(reader: _Reader, sections: list[dict[str, Any]], orifices: dict[str, Any]) -> None:
    names = Counter(section["name"].casefold() for section in sections if section.get("name"))
    for count, section in enumerate(sections, 1):
        place = _numbered(table_of("sections"), count, section)
        name, orifice = section.get("name") or "", section.get("orifice")
        if "," in name:
            reader.note(place, "the name holds a comma", "leave it out; commas stand between section names")
        if orifice and orifices and orifice not in orifices:
            what = f"there is no orifice '{orifice}'{nearest(orifice, orifices)}"
            cure = f"name one of {', '.join(orifices)}, or add [orifices.{orifice}]"
            reader.note(f"{place}: orifice = {shown(orifice)}", what, cure)
        if names[name.casefold()] > 1:
            what = f"{names.pop(name.casefold())} sections are called '{name}'"
            reader.note("[[sections]]", what, "give each section a name of its own")


def _check_row_count(
    reader: _Reader, sections: list[dict[str, Any]], values: dict[str, Any], given: Mapping[str, Any]
) -> None:
    rows = sum(section["rows"] for section in sections)
    spacing, width = values["row_spacing"], values["width"]
    if values["rows"] is not None and values["rows"] != rows:
        each = ", ".join(f"{section['name'] or 'without name'} {section['rows']}" for section in sections)
        what = f"the sections hold {rows} rows in all ({each}), not {values['rows']}"
        cure = f"write rows = {rows}, or correct the rows of the sections"
        reader.note(f"rows = {values['rows']}", what, cure)
    if spacing and width and abs(rows * spacing - width) > _WIDTH_AGREEMENT * width:
        us, metric = units.show(rows * spacing, "length", "us"), units.show(rows * spacing, "length", "metric")
        what = f"{rows} rows at {given['row_spacing']} make {us} ({metric}), not {given['width']}"
        cure = "correct width, row_spacing or the rows of the sections"
        reader.note(f"width = {shown(given['width'])}", what, cure)


def _check_pair(reader: _Reader, name: str, given: Mapping[str, Any], others: tuple[str, ...]) -> None:
    absent = [key for key in ("length", "bore") if key not in given]
    present = [key for key in ("length", "bore", *others) if key in given]
    if absent and present:
        there, wanted = " and ".join(present), ", ".join(_example(keys_of(name)[key]) for key in absent)
        cure = f"add {wanted}, or take {there} out"
        reader.note(f"[{name}]", f"{there} without {' and '.join(absent)}", cure)


def _check_row_hose(reader: _Reader, given: Mapping[str, Any]) -> None:
    estimate = [name for name in ("length", "bore", *_OF_ESTIMATE) if name in given]
    if "back_pressure" in given and estimate:
        cure = 'keep back_pressure (a range where unsure: "4..8 psi"), or length and bore for an estimate'
        reader.note("[row_hose]", f"back_pressure and {', '.join(estimate)} at once", cure)
    elif "back_pressure" not in given and not estimate:
        cure = "add one of them, or leave the table out where the orifice blows into open air"
        reader.note("[row_hose]", "neither back_pressure nor length and bore", cure)
    else:
        _check_pair(reader, "row_hose", given, _OF_ESTIMATE)
