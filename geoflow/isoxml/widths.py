"""How wide the bar and its sections were, as the log or the machine says."""

from __future__ import annotations

from typing import Any

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.isoxml.devices import Element, width_of
from geoflow.isoxml.sections import Sections
from geoflow.layers.notes import Note

__all__ = ["put_width"]


def put_width(
    values: dict[tuple[str, str], FloatArray],
    sections: Sections,
    elements: dict[str, Element],
    records: int,
    put: Any,
    notes: list[Note],
) -> None:
    """Add the width of every record, and say where it comes from.

    Parameters
    ----------
    values : dict
        Dictionary number and element to values held, as stored.
    sections : Sections
        Of the log.
    elements : dict
        Of the machines, by id.
    records : int
        Of all logs.
    put : callable
        Adds a column.
    notes : list of Note
        Brought up to date.
    """
    keys = [key for key in values if key[0] == "0043"]
    logged = values[keys[0]] / 1000.0 if len(keys) == 1 else None
    machine = _whole(elements)
    if sections.apart:
        widths, text = _section_widths(values, sections, logged, machine, records)
    elif logged is not None:
        widths, text = logged, ""
    else:
        known = sum(sections.widths) if sections.widths is not None else machine
        widths = None if known is None else np.full(records, known)
        text = "no width is logged; it is the one the machine describes"
    if widths is not None:
        put("width_m", widths, "width", "m")
        if text:
            notes.append(Note("section" if sections.apart else "derived", text))


def _section_widths(
    values: dict[tuple[str, str], FloatArray],
    sections: Sections,
    logged: FloatArray | None,
    machine: float | None,
    records: int,
) -> tuple[FloatArray | None, str]:
    """Widths of the sections [m], shape (records, sections), and where they come from if not from the log."""
    own = sections.matrix("0043", values)
    if own is not None:
        return own / 1000.0, ""
    if sections.widths is not None:
        described = np.tile(np.array(sections.widths), (records, 1))
        return described, "the widths of the sections are those the machine describes"
    whole = float(np.nanmax(logged)) if logged is not None and np.isfinite(logged).any() else machine
    if whole is None:
        return None, ""
    text = f"each of the {sections.count} sections is taken as an equal share of the greatest width logged"
    return np.full((records, sections.count), whole / sections.count), text


def _whole(elements: dict[str, Element]) -> float | None:
    """Width of the one machine or function that states one [m]."""
    found = {width_of(element) for element in elements.values() if element.kind in {"1", "2"}} - {None}
    return found.pop() if len(found) == 1 else None
