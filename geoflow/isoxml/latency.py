"""What the machines of task data state of their own latency: in their description, or in the log."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.ground.latency import Latency
from geoflow.isoxml.data_dictionary import ACTUAL_LATENCY, ENTRIES, SETPOINT_LATENCY
from geoflow.isoxml.devices import Element
from geoflow.layers.notes import Note

__all__ = ["LATENCIES", "stated_latency"]

LATENCIES: Final = frozenset({SETPOINT_LATENCY, ACTUAL_LATENCY})


def stated_latency(
    elements: Mapping[str, Element], values: Mapping[tuple[str, str], FloatArray], notes: list[Note]
) -> Latency | None:
    """Find what the machines state; None where none states when a target takes effect.

    Parameters
    ----------
    elements : mapping
        Of the machines.
    values : mapping
        Dictionary number and element to values as stored, shape (records,).
    notes : list of Note
        Brought up to date where elements contradict each other.
    """
    setpoint, actual = (_stated(ddi, elements, values, notes) for ddi in (SETPOINT_LATENCY, ACTUAL_LATENCY))
    return None if setpoint is None else Latency(setpoint, actual)


def _stated(
    ddi: str, elements: Mapping[str, Element], values: Mapping[tuple[str, str], FloatArray], notes: list[Note]
) -> float | None:
    """One time [s]: the median of what each element logs, else its fixed value; None where elements differ."""
    fixed = {key: each.properties[ddi] for key, each in elements.items() if ddi in each.properties}
    own = {key[1]: each[np.isfinite(each)] for key, each in values.items() if key[0] == ddi}
    logged = {key: np.median(each) for key, each in own.items() if each.size}
    found = sorted({float(value) / ENTRIES[ddi].steps for value in (logged or fixed).values()})
    if len(found) > 1:
        text = f"elements of the machine state a {ENTRIES[ddi].word} ({ddi}) of {found[0]:g} to {found[-1]:g} s"
        notes.append(Note("time", f"{text}, so none is used", len(found)))
    return found[0] if len(found) == 1 else None
