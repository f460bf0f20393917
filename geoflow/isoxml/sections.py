"""Which sections of a bar were on: states of two bits, sixteen sections in a word, the leftmost lowest."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.counted import count
from geoflow.isoxml.data_dictionary import ACTUAL_STATES, ASKED_STATES, STATES_PER_WORD
from geoflow.isoxml.devices import Element, sections_under, width_of
from geoflow.layers.notes import Note

__all__ = ["Sections", "find_sections", "unpack_states"]

_STATE: Final = "008D"
_ABSENT: Final = 3
_PER_SECTION: Final = ("01B1", "0007", "0002", "024D", "01B0", "0006", "0001", "024C", "0043")


@dataclass(frozen=True, eq=False)
class Sections:
    """The sections of a log.

    Attributes
    ----------
    count : int
        How many, from the left; 1 where none are told apart.
    apart : bool
        Whether they ever differ, so that each needs records of its own.
    states : ndarray or None, shape (records, count)
        0 off, 1 on, 2 error, 3 absent; NaN where it is not known. Of the whole bar, count is 1.
    elements : tuple of str
        Ids of their elements from the left; empty where they are not known.
    widths : tuple of float or None
        Of the sections from the left [m], where the machine describes them.
    above : frozenset of str
        Ids of the machine's other elements; what they log stands for the sections together.
    """

    count: int
    apart: bool
    states: FloatArray | None
    elements: tuple[str, ...]
    widths: tuple[float, ...] | None
    above: frozenset[str] = frozenset()

    def matrix(self, ddi: str, values: Mapping[tuple[str, str], FloatArray]) -> FloatArray | None:
        """Values that the sections log each for itself, shape (records, count); None where they do not.

        Parameters
        ----------
        ddi : str
            Dictionary number.
        values : mapping
            Dictionary number and element to values, shape (records,).
        """
        keys = [key for key in values if key[0] == ddi and key[1] not in self.above]
        if len(keys) < 2 or not {element for _, element in keys} <= set(self.elements):
            return None
        nothing = np.full(values[keys[0]].size, np.nan)
        return np.column_stack([values.get((ddi, element), nothing) for element in self.elements])


def unpack_states(word: FloatArray) -> FloatArray:
    """Sixteen states of a word stored as a signed number of 32 bits, shape (n, 16); NaN where there is none.

    Source: the data dictionary's pages on the condensed work states, read at second hand.

    Parameters
    ----------
    word : ndarray, shape (n,)
        As stored; NaN where there is none.
    """
    known = np.isfinite(word)
    bits = np.where(known, word, 0.0).astype(np.int64) & 0xFFFF_FFFF
    states = (bits[:, None] >> (2 * np.arange(STATES_PER_WORD))) & 3
    return np.where(known[:, None], states, np.nan)


def find_sections(
    values: Mapping[tuple[str, str], FloatArray], elements: Mapping[str, Element], notes: list[Note]
) -> Sections:
    """Find the sections of a log and whether they differ.

    Parameters
    ----------
    values : mapping
        Dictionary number and element to values held, as stored.
    elements : mapping
        Of the machines.
    notes : list of Note
        Brought up to date.
    """
    for words, what in ((ACTUAL_STATES, "on or off"), (ASKED_STATES, "asked to be on or off")):
        owners = list(dict.fromkeys(element for ddi, element in values if ddi in words))
        if len(owners) > 1:
            text = f"{len(owners)} elements of the machine log states of sections, so none is used: {', '.join(owners)}"
            notes.append(Note("section", text))
        elif owners:
            found = _of_words(values, words, owners[0])
            if found is not None:
                sections = count(found.shape[1], "section")
                notes.append(Note("section", f"the log tells of {sections} when each was {what}"))
                return _described(found, sections_under(dict(elements), owners[0]), values, elements, notes)
            notes.append(Note("section", "the log says that no section is installed; their states are not used"))
    return _of_elements(values, elements, notes)


def _of_elements(
    values: Mapping[tuple[str, str], FloatArray], elements: Mapping[str, Element], notes: list[Note]
) -> Sections:
    """Sections of a log without words of states: those that log a state of their own, or the whole bar."""
    keys = [key for key in values if key[0] == _STATE]
    if len(keys) == 1:
        return _whole(values[keys[0]][:, None], values, elements)
    bar = sections_under(dict(elements), keys[0][1]) if keys else []
    keys = [key for key in keys if key[1] not in _above(bar, elements)]
    if keys and {element for _, element in keys} <= {element.key for element in bar}:
        nothing = np.full(values[keys[0]].size, np.nan)
        found = np.column_stack([values.get((_STATE, element.key), nothing) for element in bar])
        some = f"{len(keys)} of {count(len(bar), 'section')}"
        notes.append(Note("section", f"the log tells of {some} when each was on"))
        return _described(found, bar, values, elements, notes)
    if keys:
        notes.append(Note("section", f"{len(keys)} elements log whether they were on, so none is used"))
    return _whole(None, values, elements)


def _of_words(values: Mapping[tuple[str, str], FloatArray], words: Sequence[str], owner: str) -> FloatArray | None:
    """States of the sections that are installed, shape (records, sections)."""
    last = max(at for at, ddi in enumerate(words) if (ddi, owner) in values)
    size = next(each.size for key, each in values.items() if key[1] == owner and key[0] in words)
    nothing = np.full(size, np.nan)
    states = np.hstack([unpack_states(values.get((ddi, owner), nothing)) for ddi in words[: last + 1]])
    installed = (states < _ABSENT).any(axis=0)
    return states[:, installed] if installed.any() else None


def _differ(states: FloatArray) -> bool:
    on = states == 1.0
    return bool((on != on[:, :1]).any())


def _described(
    states: FloatArray,
    bar: list[Element],
    values: Mapping[tuple[str, str], FloatArray],
    elements: Mapping[str, Element],
    notes: list[Note],
) -> Sections:
    count = states.shape[1]
    if bar and len(bar) != count:
        text = f"the machine describes {len(bar)} sections and the log {count}; the log counts"
        notes.append(Note("section", text))
        bar = []
    names = tuple(element.key for element in bar)
    found = Sections(count, _differ(states), states, names, _widths(bar), _above(bar, elements))
    apart = found.apart or any(found.matrix(ddi, values) is not None for ddi in _PER_SECTION)
    return replace(found, apart=apart and count > 1)


def _above(bar: list[Element], elements: Mapping[str, Element]) -> frozenset[str]:
    """Ids of the elements of a bar's machine that are none of its sections."""
    return frozenset(
        key for key, each in elements.items() if bar and each.device == bar[0].device and each.kind != bar[0].kind
    )


def _widths(bar: list[Element]) -> tuple[float, ...] | None:
    """Widths of sections [m], where the machine describes all of them."""
    known = tuple(width for width in map(width_of, bar) if width is not None)
    return known if bar and len(known) == len(bar) else None


def _whole(
    states: FloatArray | None, values: Mapping[tuple[str, str], FloatArray], elements: Mapping[str, Element]
) -> Sections:
    """No states of sections: they are apart only where they log rates of their own."""
    for ddi in _PER_SECTION[:-1]:
        owners = [element for each, element in values if each == ddi]
        bar = sections_under(dict(elements), owners[0]) if len(owners) > 1 else []
        names = tuple(element.key for element in bar)
        above = _above(bar, elements)
        apart = set(owners) - above
        if len(apart) > 1 and apart <= set(names):
            spread = None if states is None else np.repeat(states, len(bar), axis=1)
            return Sections(len(bar), True, spread, names, _widths(bar), above)
    sections = [element for element in elements.values() if element.kind == "4"]
    one_bar = len({element.device for element in sections}) == 1
    widths = _widths(sections_under(dict(elements), sections[0].key)) if one_bar else None
    return Sections(1, False, states, (), widths)
