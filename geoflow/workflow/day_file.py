"""Reading a day: hour by hour the air, the sun, the liquid or the tank's gauge, as people write such files."""

from __future__ import annotations

import csv
import io
import itertools
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray, IntArray
from geoflow.base.counted import count, verb
from geoflow.base.errors import RangeError, UsageError
from geoflow.base.units import HOUR, parse, parse_pressure
from geoflow.decide.weather import GAUGE_OFF, LAYERED, THERMOMETER_OFF, Weather, clock_text
from geoflow.layers.number_cells import NO_DATA
from geoflow.physics.ammonia import saturation_temperature
from geoflow.workflow.day_clock import Clock, moments_of

__all__ = ["read_day"]

_ROLES: Final[Mapping[str, tuple[frozenset[str], frozenset[str]]]] = {
    # Words one of which names a column, and words that make it another one.
    "date": (frozenset({"date", "day"}), frozenset({"time", "hour"})),
    "hour": (frozenset({"hour", "hours", "time", "clock", "datetime", "timestamp"}), frozenset()),
    "sun": (frozenset({"sun", "solar", "sunshine", "radiation", "irradiance"}), frozenset({"longwave", "net"})),
    "gauge": (frozenset({"gauge", "gage"}), frozenset({"rain"})),
    "liquid": (frozenset({"liquid", "ammonia", "nh3"}), frozenset({"pressure", "level", "rate"})),
    "air": (
        frozenset({"air", "ambient", "outside"}),
        frozenset({"pressure", "humidity", "quality", "dew", "speed", "density"}),
    ),
}
_UNITS: Final[Mapping[str, tuple[str, ...]]] = {
    "temperature": ("f", "c", "°f", "°c", "degf", "degc", "deg f", "deg c", "fahrenheit", "celsius"),
    "pressure": ("psi", "psig", "psia", "kpa", "bar"),
    "sun": ("w/m2", "w/m²", "w/m^2", "wm2", "w m2"),
}
_KIND: Final = {"air": "temperature", "liquid": "temperature", "gauge": "pressure", "sun": "sun"}
_EXAMPLE: Final = {"air": "air (degF)", "liquid": "liquid (degF)", "gauge": "gauge (psi)", "sun": "sun (W/m2)"}
_MISSING: Final = frozenset({"", "-", "--", "na", "n/a", "nan", "null", "none", "missing", "m"})
_CELL: Final = re.compile(r"([-+−]?(?:\d[\d.,]*|[.,]\d+))\s*(.*)")
# Air and liquid as they occur where ammonia is put down [K], and sun on level ground [W/m2].
# Instruments say a little below nothing at night.
_COLDEST, _WARMEST, _LEAST_SUN, _MOST_SUN = 225.0, 325.0, -20.0, 1400.0
_LONGEST: Final = 36.0 * HOUR
_GAP: Final = 3.0 * HOUR
# So long the first and last value may stand for what comes before and after.
_HELD: Final = 1.0 * HOUR
_HEADER: Final = "name the columns in the first line, like: hour,air (degF),sun (W/m2),gauge (psi)"


@dataclass(frozen=True, slots=True)
class _Column:
    """A column of the file: its name there, what it is, and the unit its name states."""

    at: int
    name: str
    role: str
    unit: str


def _text_of(path: Path) -> str:
    try:
        if not path.is_file():
            raise FileNotFoundError(2, "no such file")  # a pipe would let us wait for ever
        content = path.read_bytes()
    except OSError as problem:
        raise UsageError(
            f"the day cannot be read: {problem.strerror}", where=str(path), cure="check the name and folder of --day"
        ) from problem
    if content[:2] in {b"\xff\xfe", b"\xfe\xff"}:
        return content.decode("utf-16", errors="replace")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace")


def _lines_of(path: Path) -> tuple[list[tuple[int, list[str]]], str]:
    """Lines that hold anything, with their numbers, and what parts their cells."""
    text = _text_of(path)
    if "\0" in text or "\ufffd" in text:
        raise UsageError("the day is no text", where=str(path), cure='save it as "CSV UTF-8"')
    first = next((line for line in text.splitlines() if line.strip()), "")
    mark = max(";\t,", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark)
    try:
        lines = [(reader.line_num, [cell.strip() for cell in cells]) for cells in reader if any(map(str.strip, cells))]
    except csv.Error as problem:
        raise UsageError(
            f"line {reader.line_num} of the day is no CSV: {problem}", where=str(path), cure='save it as "CSV UTF-8"'
        ) from problem
    if not lines:
        raise UsageError("the day is empty", where=str(path), cure=_HEADER)
    return lines, mark


def _named(name: str) -> tuple[set[str], str]:
    """Words of a column's name, and the unit it states."""
    plain = name.casefold().replace("_", " ")
    inside = re.search(r"[(\[]([^)\]]*)[)\]]", plain)
    words = re.findall(r"[^\W\d_]+\d?|°[fc]|%", re.sub(r"[(\[].*", "", plain))
    unit = inside.group(1).strip() if inside else ""
    if not unit and words and words[-1] in itertools.chain(*_UNITS.values()):
        unit = words.pop()
    return set(words), unit


def _is_role(role: str, words: set[str], kind: str) -> bool:
    any_of, none_of = _ROLES[role]
    return bool(any_of & words) and not none_of & words and (role not in _KIND or kind in {"", _KIND[role]})


def _column(at: int, name: str) -> _Column | None:
    """What a column is by its name; None for one that is not of use."""
    words, unit = _named(name)
    unclear = bool(words) and words <= {"temperature", "temp", "t"}
    kind = next((kind for kind, units in _UNITS.items() if unit in units), "")
    if "tank" in words:
        words.add("gauge" if kind == "pressure" or "pressure" in words else "liquid")
    role = next((role for role in _ROLES if _is_role(role, words, kind)), None)
    if role is not None:
        return _Column(at, name, role, unit if role in _KIND else "")
    return _Column(at, name, "unclear", unit) if unclear else None


def _columns(heads: list[str], where: str) -> tuple[dict[str, _Column], list[str]]:
    """Columns by what they are, and names of those that are of no use."""
    if all(_CELL.fullmatch(head) for head in heads if head):
        raise UsageError("the day has no names above its columns", where=f"{where}, line 1", cure=_HEADER)
    found: dict[str, _Column] = {}
    unused = []
    for at, head in enumerate(heads):
        column = _column(at, head)
        if column is None:
            unused += [head] if head else []
            continue
        if column.role == "unclear":
            raise UsageError(
                f"'{head}' does not say whether it is that of the air or of the liquid",
                where=f"{where}, line 1",
                cure='call the column "air (degF)" or "liquid (degF)"',
            )
        if column.role in found:
            raise UsageError(
                f"'{found[column.role].name}' and '{head}' are both the {column.role}",
                where=f"{where}, line 1",
                cure="leave one of them out, or give it another name",
            )
        found[column.role] = column
    if "hour" not in found:
        raise UsageError("the day has no column of hours", where=f"{where}, line 1", cure=_HEADER)
    if not {"air", "liquid"} & set(found):
        raise UsageError("the day has neither air nor liquid temperatures", where=f"{where}, line 1", cure=_HEADER)
    return found, unused


def _digits(text: str, column: _Column, where: str) -> float:
    """Number of a cell; a comma stands for the decimal point unless it may part thousands."""
    plain = text.replace("−", "-")
    if re.fullmatch(r"[-+]?\d{1,3},\d{3}", plain):
        raise UsageError(
            f"'{text}' under '{column.name}' may mean thousands or thousandths",
            where=where,
            cure="write it with a decimal point or without the comma",
        )
    try:
        return float(plain.replace(",", ".") if plain.count(",") == 1 and "." not in plain else plain)
    except ValueError as problem:
        raise _unreadable(text, column, where) from problem


def _unreadable(text: str, column: _Column, where: str) -> UsageError:
    return UsageError(
        f"'{text}' under '{column.name}' is no number",
        where=where,
        cure="write a number, or leave the cell empty",
    )


def _value(text: str, column: _Column, where: str, air_pressure: float) -> float:
    """SI value of a cell; NaN where it is empty."""
    if text.casefold() in _MISSING:
        return float("nan")
    match = _CELL.fullmatch(text)
    if match is None:
        raise _unreadable(text, column, where)
    number, unit = _digits(match.group(1), column, where), match.group(2).strip() or column.unit
    if number in NO_DATA:
        return float("nan")
    if not unit:
        raise UsageError(
            f"neither '{column.name}' nor its '{text}' says a unit",
            where=where,
            cure=f'call the column "{_EXAMPLE[column.role]}"',
        )
    if (
        match.group(2)
        and column.unit
        and _si(1.0, unit, column, where, 0.0) != _si(1.0, column.unit, column, where, 0.0)
    ):
        raise UsageError(
            f"'{text}' stands under '{column.name}', which says another unit", where=where, cure="write all in one unit"
        )
    value = _si(number, unit, column, where, air_pressure)
    if not _believable(value, column.role):
        raise UsageError(
            f"'{text}' under '{column.name}' is more or less than there can be",
            where=where,
            cure="check the number and its unit, or leave the cell empty",
        )
    return value


def _believable(value: float, role: str) -> bool:
    if role == "sun":
        return _LEAST_SUN <= value <= _MOST_SUN
    return role == "gauge" or _COLDEST <= value <= _WARMEST


def _si(number: float, unit: str, column: _Column, where: str, air_pressure: float) -> float:
    if column.role == "sun":
        if unit.casefold() not in _UNITS["sun"]:
            raise UsageError(f"'{unit}' under '{column.name}' is no unit of sun", where=where, cure="give it in W/m2")
        return number
    text = f"{number} {unit}"
    if column.role == "gauge":
        return parse_pressure(text, air_pressure, where=where)
    return parse(text, "temperature", where=where)


def _liquid(pressure: float, text: str, where: str) -> tuple[float, float]:
    """Liquid below a gauge [K], coldest and warmest."""
    try:
        low, high = (float(saturation_temperature(pressure + off)) for off in (-GAUGE_OFF, GAUGE_OFF))
    except RangeError as problem:
        raise UsageError(
            f"'{text}' on the tank's gauge is no pressure that ammonia has from -54 to 136 degF",
            where=where,
            cure="check the number and its unit, or leave the cell empty",
        ) from problem
    return low - LAYERED, high


def read_day(path: Path, air_pressure: float) -> Weather:
    """Read a day.

    Parameters
    ----------
    path : Path
        CSV with a line of names: the hour, and the temperature of air or liquid or both, sun and gauge where known.
    air_pressure : float
        Where the gauge is read [Pa].

    Raises
    ------
    UsageError, QuantityError
        If something in it cannot be understood, with the line.
    """
    lines, mark = _lines_of(path)
    (_, heads), rows = lines[0], lines[1:]
    columns, unused = _columns(heads, str(path))
    if not rows:
        raise UsageError("the day has no lines below its names", where=str(path), cure="give a line for every hour")
    _refuse_wide(rows, len(heads), mark, path)
    clock = moments_of(
        [(number, _cell(cells, columns.get("date")), _cell(cells, columns["hour"])) for number, cells in rows], path
    )
    values = {role: np.full(len(rows), np.nan) for role in ("air", "sun", "gauge", "liquid")}
    readings = np.full((2, len(rows)), np.nan)
    for at, (number, cells) in enumerate(rows):
        where = f"{path}, line {number}"
        for role in set(columns) & set(values):
            text = _cell(cells, columns[role])
            values[role][at] = _value(text, columns[role], where, air_pressure)
            if role == "gauge" and np.isfinite(values[role][at]):
                readings[:, at] = _liquid(values[role][at], text, where)
        liquid = values["liquid"][at]
        if np.isfinite(liquid) and not np.isfinite(readings[0, at]):
            readings[:, at] = liquid - THERMOMETER_OFF, liquid + THERMOMETER_OFF
    values["sun"] = np.maximum(values["sun"], 0.0)
    return _in_order(path, np.array([number for number, _ in rows]), clock, values, readings, unused)


def _in_order(
    path: Path, line: IntArray, clock: Clock, values: Mapping[str, FloatArray], readings: FloatArray, unused: list[str]
) -> Weather:
    """Put the hours in order, each once."""
    notes = [f"left out of no use: {', '.join(unused)}"] if unused else []
    given = np.isfinite(np.stack([*values.values()])).any(axis=0)
    if not given.all():
        notes.append(f"{count(int((~given).sum()), 'line')} without a value left out: {_some(line[~given])}")
    kept = np.flatnonzero(given)
    order = kept[np.argsort(clock.seconds[kept], kind="stable")]
    if not np.array_equal(order, kept):
        notes.append("hours put in order")
    notes += clock.notes
    moments, first = np.unique(clock.seconds[order], return_index=True)
    groups = np.split(order, first)[1:]
    merged = {
        role: np.array([_one(column, rows, role, line, path) for rows in groups]) for role, column in values.items()
    }
    ends = [np.array([_one(end, rows, "gauge", line, path) for rows in groups]) for end in readings]
    if len(order) > len(groups):
        notes.append(f"{count(len(order) - len(groups), 'line')} taken together with another of the hour")
    _refuse_times(moments, merged, line, [rows[0] for rows in groups], path)
    return Weather(path.name, moments, merged["air"], merged["sun"], np.stack(ends), tuple(notes))


def _some(lines: IntArray) -> str:
    text = ", ".join(str(number) for number in lines[:5])
    return f"{verb(len(lines), 'line', 'lines')} {text}{' and more' if len(lines) > 5 else ''}"


def _one(column: FloatArray, rows: IntArray, role: str, line: IntArray, path: Path) -> float:
    """What lines of one hour say; none of them may say something else than another."""
    said = rows[np.isfinite(column[rows])]
    if not said.size:
        return float("nan")
    if np.ptp(column[said]) > 0.0:
        raise UsageError(
            f"lines {line[said[0]]} and {line[said[-1]]} are one hour and say two {role} values",
            where=str(path),
            cure="leave one of them out",
        )
    return float(column[said[0]])


def _refuse_times(
    moments: FloatArray, merged: Mapping[str, FloatArray], line: IntArray, first: list[int], path: Path
) -> None:
    """Refuse what is no day: an hour alone, more than a day, or hours missing in between."""
    # Without air the liquid is all there is to go by.
    role = "air" if np.isfinite(merged["air"]).any() else "liquid"
    known = np.flatnonzero(np.isfinite(merged[role]))
    if known.size < 2:
        raise UsageError(
            f"the day has fewer than two hours with the temperature of the {role}",
            where=str(path),
            cure="give a line for every hour",
        )
    if moments[-1] - moments[0] > _LONGEST:
        raise UsageError(
            f"the day goes over {(moments[-1] - moments[0]) / HOUR:.0f} hours",
            where=str(path),
            cure=f"keep the lines of one day, at most {_LONGEST / HOUR:.0f} hours",
        )
    for end, near in ((0, known[0]), (moments.size - 1, known[-1])):
        if abs(moments[end] - moments[near]) > _HELD:
            raise UsageError(
                f"nothing is said of the {role} from {clock_text(moments[min(end, near)])} "
                f"to {clock_text(moments[max(end, near)])}",
                where=f"{path}, line {line[first[end]]}",
                cure="fill these hours in, or leave them out",
            )
    for before, after in itertools.pairwise(known):
        if moments[after] - moments[before] > _GAP:
            raise UsageError(
                f"nothing is said of the {role} between {clock_text(moments[before])} and {clock_text(moments[after])}",
                where=f"{path}, lines {line[first[before]]} and {line[first[after]]}",
                cure=f"fill in the hours between; no more than {_GAP / HOUR:.0f} may lie apart",
            )


def _cell(cells: list[str], column: _Column | None) -> str:
    return "" if column is None or column.at >= len(cells) else cells[column.at]


def _refuse_wide(rows: list[tuple[int, list[str]]], heads: int, mark: str, path: Path) -> None:
    for number, cells in rows:
        if any(cells[heads:]):
            cure = "put numbers with a decimal comma into quotes, or part the cells with ;"
            raise UsageError(
                f"a line of the day has {len(cells)} cells under {heads} names",
                where=f"{path}, line {number}",
                cure=cure if mark == "," else "write one cell for each name",
            )
