"""What of task data would be lost, were they written anew: told before anything is written."""

from __future__ import annotations

import math
import re
from collections import Counter
from pathlib import Path
from typing import Final

from geoflow.isoxml.task_files import open_taskdata
from geoflow.isoxml.xml import Node

__all__ = ["losses"]

_ELEMENTS: Final[dict[str, str]] = {
    "CCG": "cultural practice", "CCT": "cultural practice", "CLD": "colour", "CPC": "cultural practice",
    "CTP": "crop type", "CTR": "customer", "DAN": "device allocation", "DVC": "device", "FRM": "farm",
    "GGP": "guidance group", "GRD": "grid", "LSG": "line", "OTQ": "operation technique", "PAN": "product allocation",
    "PDT": "product", "PDV": "value of a zone", "PFD": "field", "PGP": "product group", "PLN": "outline",
    "PNT": "point", "TIM": "time of work", "TLG": "time log", "TSK": "other task", "TZN": "zone",
    "VPN": "scale for the screen", "WKR": "worker",
}  # fmt: skip
_ATTRIBUTES: Final[dict[tuple[str, str], str]] = {
    ("PDT", "B"): "name of the product",
    ("PDV", "A"): "kind of a rate",
    ("PDV", "B"): "rate outside the zones",
    ("PDV", "E"): "scale for the screen",
    ("PFD", "C"): "name of the field",
    ("PFD", "D"): "area of the field",
    ("PNT", "C"): "place of a point",
    ("PNT", "D"): "place of a point",
    ("TSK", "B"): "name of the task",
    ("TSK", "G"): "state of the task",
    ("TSK", "H"): "rate outside the zones",
    ("TSK", "I"): "rate where the position is lost",
    ("TSK", "J"): "rate outside the field",
    ("TZN", "A"): "code of a zone",
    ("TZN", "B"): "name of a zone",
}
_ROOT_KEYS: Final = ("VersionMajor", "VersionMinor")  # the others say who wrote the file
_DECIMALS: Final = 9


def losses(before: Path, after: Path, task: str | None) -> list[str]:
    """Compare task data with the same, written anew: all but the rates of the zones must be there.

    Parameters
    ----------
    before, after : Path
        Folders, zips or main files.
    task : str or None
        Id of the task that was written.

    Returns
    -------
    list of str
        What is lost or would be another, with its count, such as ``"2 x device"``; empty where nothing is.
    """
    old, new = open_taskdata(before), open_taskdata(after)
    found: Counter[str] = Counter()
    states = [".".join(each.root.text(key) for key in _ROOT_KEYS) for each in (old, new)]
    if states[0] != states[1]:
        found[f"version {states[0]} of the format"] += 1
    others = [node for node in old.root.all("TSK") if node.text("A") != task]
    found[_ELEMENTS["TSK"]] += len(others)
    _compare_children([node for node in old.root.children if node not in others], new.root.children, found, False)
    return [what if count == 1 else f"{count} x {what}" for what, count in found.items() if count]


def _compare_children(old: list[Node], new: list[Node], found: Counter[str], rated: bool) -> None:
    """Compare elements of a kind one by one, in file order."""
    for tag in dict.fromkeys(node.tag for node in (*old, *new)):
        ours, theirs = ([node for node in nodes if node.tag == tag] for nodes in (old, new))
        if len(ours) != len(theirs):
            found[_ELEMENTS.get(tag, f"<{tag[:40]}>")] += abs(len(ours) - len(theirs))
        for one, other in zip(ours, theirs, strict=False):
            _compare(one, other, found, rated)


def _compare(old: Node, new: Node, found: Counter[str], rated: bool) -> None:
    rated = rated or (old.tag == "TZN" and bool(old.all("PLN")))
    for key in dict.fromkeys((*old.attributes, *new.attributes)):
        ours, theirs = old.text(key), new.text(key)
        changes = rated and ((old.tag, key) == ("PDV", "B") or ((old.tag, key) == ("TZN", "B") and _states_rate(ours)))
        if not changes and not _same(ours, theirs):
            found[_ATTRIBUTES.get((old.tag, key), f"{old.tag} {key[:40]}='{ours[:40]}'")] += 1
    _compare_children(old.children, new.children, found, rated)


def _states_rate(name: str) -> bool:
    """Whether a zone is called by its rate, as geoflow calls it; the name changes with the rate."""
    return re.fullmatch(r"\d+\.\d\d kg (N|NH3)/ha", name) is not None


def _same(one: str, other: str) -> bool:
    if one == other:
        return True
    try:
        return math.isclose(float(one), float(other), rel_tol=0.0, abs_tol=0.5 * 10.0**-_DECIMALS)
    except ValueError:
        return False
