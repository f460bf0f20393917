"""A strict check of task data before it is written; what is read is taken far more leniently."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from typing import Final, Literal

from geoflow.base.errors import PrescriptionError
from geoflow.isoxml.xml import Node, parse_xml

__all__ = ["LONGEST_TEXT", "MOST_ZONES", "Version", "validate_taskdata"]

Version = Literal[3, 4]
"""Major version of ISO 11783-10 task data."""
LONGEST_TEXT: Final = 32
MOST_ZONES: Final = 255  # codes 0 to 254

_INT, _LONG = (-(2**31), 2**31 - 1), (0, 2**32 - 2)
_Test = Callable[[str, int], str | None]


def _text(value: str, version: int) -> str | None:
    return f"is longer than {LONGEST_TEXT} characters" if len(value) > LONGEST_TEXT else None


def _key(tag: str) -> _Test:
    def test(value: str, version: int) -> str | None:
        good = re.fullmatch(rf"{tag}-?\d+", value) and len(value) <= 14
        return None if good else f"is no id like {tag}1 of at most 14 characters"

    return test


def _whole(low: int, high: int) -> _Test:
    def test(value: str, version: int) -> str | None:
        if not re.fullmatch(r"[-+]?\d+", value):
            return "is no whole number"
        return None if low <= int(value) <= high else f"is not within {low} to {high}"

    return test


def _decimal(low: str, high: str, decimals: int | None = None, since: int = 3) -> _Test:
    def test(value: str, version: int) -> str | None:
        if not re.fullmatch(r"[-+]?(\d+\.?\d*|\.\d+)", value):
            return "is no plain decimal number (an exponent is not allowed)"
        if not Decimal(low) <= Decimal(value) <= Decimal(high):
            return f"is not within {low} to {high}"
        if decimals is not None and version >= since and len(value.partition(".")[2]) > decimals:
            return f"has more than {decimals} decimals"
        return None

    return test


def _double(low: float, high: float) -> _Test:
    def test(value: str, version: int) -> str | None:
        try:
            number = Decimal(value)
        except InvalidOperation:
            return "is no number"
        return None if number.is_finite() and low <= number <= high else f"is not within {low} to {high}"

    return test


def _one_of(*by_version: range) -> _Test:
    """One of some numbers; those of version 3 and of version 4."""

    def test(value: str, version: int) -> str | None:
        known = by_version[-1] if version == 4 else by_version[0]
        return None if value in map(str, known) else f"is none of {known[0]} to {known[-1]}"

    return test


def _like(pattern: str, words: str) -> _Test:
    def test(value: str, version: int) -> str | None:
        return None if re.fullmatch(pattern, value) else f"is not {words}"

    return test


@dataclass(frozen=True)
class _Rule:
    """Attributes an element must have and may have, what it may contain, and where its references lead."""

    must: Mapping[str, _Test]
    may: Mapping[str, _Test] = field(default_factory=dict)
    holds: frozenset[str] = frozenset()
    refers: Mapping[str, str] = field(default_factory=dict)


_DDI = _like(r"[0-9A-Fa-f]{4}", "four hexadecimal digits")
_CODE = _whole(0, 254)
_NORTH, _EAST = ("-90", "90"), ("-180", "180")
# Source: the published schemas of task data, V3-3 and V4-3; patterns of ids and limits of
# VPN as the bindings made from these schemas in the PyPI package isoxml 0.0.4 state them.
_RULES: Final[dict[str, _Rule]] = {
    "ISO11783_TaskData": _Rule(
        {"VersionMajor": _one_of(range(3, 4), range(4, 5)), "VersionMinor": _one_of(range(3, 4), range(4)),
         "ManagementSoftwareManufacturer": _text, "ManagementSoftwareVersion": _text,
         "DataTransferOrigin": _one_of(range(1, 3))},
        {"TaskControllerManufacturer": _text, "TaskControllerVersion": _text, "lang": _text},
        frozenset({"PDT", "PFD", "TSK", "VPN"}),
    ),
    "PDT": _Rule({"A": _key("PDT"), "B": _text}),
    "VPN": _Rule({"A": _key("VPN"), "B": _whole(*_INT), "C": _decimal("0.000000001", "100000000"),
                  "D": _whole(0, 7)}, {"E": _text}),
    "PFD": _Rule({"A": _key("PFD"), "C": _text, "D": _whole(*_LONG)}, {"B": _text}, frozenset({"PLN"})),
    "PLN": _Rule({"A": _one_of(range(1, 9), range(1, 13))},
                 {"B": _text, "C": _whole(*_LONG), "D": _CODE}, frozenset({"LSG"})),
    "LSG": _Rule({"A": _one_of(range(1, 9), range(1, 10))}, {"B": _text}, frozenset({"PNT"})),
    "PNT": _Rule({"A": _one_of(range(1, 3), range(1, 12)), "C": _decimal(*_NORTH, 9, since=4),
                  "D": _decimal(*_EAST, 9, since=4)}, {"B": _text, "E": _whole(-(2**31) + 1, 2**31 - 1)}),
    "TSK": _Rule({"A": _key("TSK"), "G": _one_of(range(1, 5), range(1, 7))},
                 {"B": _text, "E": _key("PFD"), "H": _CODE, "I": _CODE, "J": _CODE},
                 frozenset({"TZN", "GRD"}), {"E": "PFD"}),
    "TZN": _Rule({"A": _CODE}, {"B": _text, "C": _CODE}, frozenset({"PDV", "PLN"})),
    "PDV": _Rule({"A": _DDI, "B": _whole(*_INT)}, {"C": _key("PDT"), "E": _key("VPN")}, frozenset({"PDV"}),
                 {"C": "PDT", "E": "VPN"}),
    "GRD": _Rule({"A": _decimal(*_NORTH, 9), "B": _decimal(*_EAST, 9), "C": _double(0.0, 1.0), "D": _double(0.0, 1.0),
                  "E": _whole(0, 2**32 - 1), "F": _whole(0, 2**32 - 1), "G": _like(r"GRD\d{5}", "a name like GRD00001"),
                  "I": _one_of(range(1, 3))}, {"H": _whole(*_LONG), "J": _CODE}),
}  # fmt: skip


def validate_taskdata(xml_text: str | bytes, version: Version, files: Mapping[str, bytes] | None = None) -> list[str]:
    """Check task data of the kind geoflow writes against what the standard's schemas ask.

    Parameters
    ----------
    xml_text : str or bytes
        TASKDATA.XML.
    version : int
        3 or 4.
    files : mapping of str to bytes, optional
        Binary files by name, whose length is then checked.

    Returns
    -------
    list of str
        What is wrong, each with its line; empty where nothing is.
    """
    data = xml_text.encode() if isinstance(xml_text, str) else xml_text
    try:
        root, _ = parse_xml(data, "TASKDATA.XML")
    except PrescriptionError as problem:
        return [f"{problem.where}: {problem.what}"]
    if root.tag != "ISO11783_TaskData":
        return [f"line {root.line}: the main element is {root.tag}, not ISO11783_TaskData"]
    keys = Counter((node.tag, node.text("A")) for node in root.children)
    found = [f"the id {key} is given twice" for (_, key), count in sorted(keys.items()) if count > 1]
    for node in root.walk():
        found += [*_own_problems(node, version), *_reference_problems(node, keys), *_ring_problems(node, version)]
    return found + [problem for task in root.all("TSK") for problem in _task_problems(task, files)]


def _said(node: Node, what: str) -> str:
    return f"line {node.line}, {node.tag}: {what}"


def _own_problems(node: Node, version: int) -> list[str]:
    rule = _RULES.get(node.tag)
    if rule is None:
        return [_said(node, "this element is not one that geoflow writes")]
    found = [_said(node, f"{key} is missing") for key in rule.must if key not in node.attributes]
    for key, value in node.attributes.items():
        test = rule.must.get(key) or rule.may.get(key)
        wrong = test(value, version) if test is not None else "is not an attribute of this element"
        if wrong:
            found.append(_said(node, f"{key}='{value[:40]}' {wrong}"))
    found += [_said(child, f"cannot stand in {node.tag}") for child in node.children if child.tag not in rule.holds]
    return found


def _reference_problems(node: Node, known: Counter[tuple[str, str]]) -> list[str]:
    refers = _RULES[node.tag].refers if node.tag in _RULES else {}
    given = {key: node.text(key) for key in refers if node.text(key)}
    return [_said(node, f"{key}={to} leads nowhere") for key, to in given.items() if (refers[key], to) not in known]


def _task_problems(task: Node, files: Mapping[str, bytes] | None) -> list[str]:
    codes = [zone.text("A") for zone in task.all("TZN")]
    found = [
        _said(task, f"the zone code {code} is given twice") for code in sorted(set(codes)) if codes.count(code) > 1
    ]
    for key in "HIJ":
        if key not in task.attributes:
            found.append(_said(task, f"{key} is missing: what holds outside all zones would be left to the machine"))
        elif task.text(key) not in codes:
            found.append(_said(task, f"{key}={task.text(key)} is no zone of the task"))
    grids = task.all("GRD")
    if len(grids) > 1:
        found.append(_said(task, "holds more than one grid"))
    for grid in grids:
        found += _grid_problems(task, grid, files)
    return found


def _grid_problems(task: Node, grid: Node, files: Mapping[str, bytes] | None) -> list[str]:
    width, found = 1, []
    if grid.text("I") == "2":
        zones = [zone for zone in task.all("TZN") if zone.text("A") == grid.text("J")]
        if not zones:
            return [_said(grid, f"J={grid.text('J')} is no zone of the task")]
        width = 4 * sum(node.tag == "PDV" for node in zones[0].walk())
    try:
        wanted = grid.count("E") * grid.count("F") * width
        if grid.text("H") and grid.count("H") != wanted:
            found.append(_said(grid, f"H={grid.text('H')} bytes, but its cells take {wanted}"))
    except PrescriptionError:
        return []  # told with the attribute itself
    if files is not None:
        held = files.get(f"{grid.text('G')}.BIN")
        if held is None or len(held) != wanted:
            size = "is missing" if held is None else f"holds {len(held)} bytes"
            found.append(_said(grid, f"{grid.text('G')}.BIN {size}, but its cells take {wanted}"))
    return found


def _ring_problems(polygon: Node, version: int) -> list[str]:
    if polygon.tag != "PLN":
        return []
    rings = polygon.all("LSG")
    outer = sum(ring.text("A") == "1" for ring in rings)
    found = []
    if outer == 0 or (version == 4 and outer > 1):
        found.append(_said(polygon, f"has {outer} outlines" + (" where version 4 allows one" if outer else "")))
    for ring in rings:
        points = [(point.text("C"), point.text("D")) for point in ring.all("PNT")]
        if len(set(points)) < 3:
            found.append(_said(ring, "has fewer than three points"))
        elif version == 4 and points[0] != points[-1]:
            found.append(_said(ring, "does not close"))
    return found
