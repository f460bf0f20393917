"""Machines described in task data: their elements, and the sections of a bar from left to right."""

from __future__ import annotations

from dataclasses import dataclass

from geoflow.isoxml.task_files import TaskData

__all__ = ["Element", "read_elements", "sections_under", "width_of"]

_SECTION = "4"
_WIDTHS = ("0043", "0044", "0046")  # actual, default, greatest working width [mm]
_OFFSET = "0087"  # to the right of the device's reference point [mm]


@dataclass(frozen=True, slots=True)
class Element:
    """An element of a machine.

    Attributes
    ----------
    key : str
        Its id, as logs name it.
    device : str
        Id of the machine.
    number, parent : str
        Its number in the machine, and the object it is part of.
    own : str
        Its own object number.
    kind : str
        ``"1"`` machine, ``"2"`` function, ``"3"`` bin, ``"4"`` section, ``"5"`` unit.
    name : str
        What the machine calls it.
    properties : dict
        Dictionary number to fixed value, as stored.
    """

    key: str
    device: str
    own: str
    parent: str
    number: str
    kind: str
    name: str
    properties: dict[str, float]


def read_elements(data: TaskData) -> dict[str, Element]:
    """Return all elements of all machines by their id.

    Parameters
    ----------
    data : TaskData
        As opened.
    """
    found = {}
    for device in data.root.all("DVC"):
        fixed = {node.text("A"): node for node in device.all("DPT")}
        for node in device.all("DET"):
            own = [fixed[link.text("A")] for link in node.all("DOR") if link.text("A") in fixed]
            properties = {each.text("B").upper().zfill(4): each.number("C") for each in own}
            found[node.text("A")] = Element(
                key=node.text("A"), device=device.text("A"), own=node.text("B"), parent=node.text("F"),
                number=node.text("E"), kind=node.text("C"), name=node.text("D"), properties=properties,
            )  # fmt: skip
    return found


def _below(top: Element, machine: list[Element]) -> list[Element]:
    """Elements below one, whatever lies between."""
    below: list[Element] = []
    children = [element for element in machine if element.parent == top.own]
    while children:
        below += children
        owners = {element.own for element in children}
        children = [element for element in machine if element.parent in owners and element not in below]
    return below


def sections_under(elements: dict[str, Element], key: str) -> list[Element]:
    """Return the sections below an element, or of its machine where none is below, from left to right.

    The offset to the right orders them; where one has none, their numbers do, which run from the left by custom
    (common practice, no source).

    Parameters
    ----------
    elements : dict of str to Element
        From `read_elements`.
    key : str
        Id of an element.
    """
    top = elements.get(key)
    if top is None:
        return []
    machine = [element for element in elements.values() if element.device == top.device]
    below = [element for element in _below(top, machine) if element.kind == _SECTION]
    sections = below or [element for element in machine if element.kind == _SECTION]
    if all(_OFFSET in element.properties for element in sections):
        return sorted(sections, key=lambda element: element.properties[_OFFSET])
    return sorted(sections, key=lambda element: int(element.number) if element.number.isdigit() else 0)


def width_of(element: Element) -> float | None:
    """Return the fixed width of an element [m]; None where it states none.

    Parameters
    ----------
    element : Element
        Of a machine.
    """
    found = [element.properties[ddi] for ddi in _WIDTHS if element.properties.get(ddi, 0.0) > 0.0]
    return found[0] / 1000.0 if found else None
