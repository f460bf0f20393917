"""Which sections are on: over ground that asks for ammonia and has none yet, as late as their valves are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray
from geoflow.rehearsal.cells import Cells, lay_cells
from geoflow.rehearsal.route import INTERVAL, Leg, Moments

__all__ = ["Sections", "Switching", "switched", "switched_late"]

# A section is on where more than this share of its width is wanted: common practice, no source.
_WANTED: Final = 0.5
# Ground that was covered is remembered in cells of so many of the zones' cells.
_COARSER: Final = 2


@dataclass(frozen=True, slots=True)
class Sections:
    """The sections of the bar in use, left to right.

    Attributes
    ----------
    number : tuple of int
        Of each on the bar, from 0 at the left.
    width, offset : ndarray, shape (sections,)
        Width, and place of its middle to the right of the middle of the width in use [m].
    centre : float
        How far the middle of the width in use lies to the right of the bar's [m].
    """

    number: tuple[int, ...]
    width: FloatArray
    offset: FloatArray
    centre: float


@dataclass(frozen=True, slots=True)
class Switching:
    """How late a section opens and shuts after it should have [s]."""

    opens: float = 0.3
    shuts: float = 0.3


def switched_late(wanted: BoolArray, opens: int, shuts: int) -> BoolArray:
    """Whether sections are on, moment by moment, shape (n, sections).

    Parameters
    ----------
    wanted : ndarray of bool, shape (n, sections)
        Whether they should be.
    opens, shuts : int
        Moments by which they are late.
    """
    if not wanted.size or not max(opens, shuts):
        return wanted
    some = np.logical_or if shuts >= opens else np.logical_and
    before = np.vstack([np.zeros((max(opens, shuts), wanted.shape[1]), dtype=np.bool_), wanted])
    on = None
    for late in range(min(opens, shuts), max(opens, shuts) + 1):
        then = before[max(opens, shuts) - late :][: len(wanted)]
        on = then if on is None else some(on, then)
    assert on is not None
    return np.asarray(on)


def _across(sections: Sections, spacing: float) -> tuple[FloatArray, IntArray]:
    """Points across the bar to the right of its middle, and where those of each section begin."""
    counts = np.maximum(np.ceil(sections.width / spacing).astype(np.int64), 3)
    points = [
        middle + width * ((np.arange(count) + 0.5) / count - 0.5)
        for middle, width, count in zip(sections.offset, sections.width, counts, strict=True)
    ]
    return np.concatenate(points), np.append(0, np.cumsum(counts)[:-1])


def switched(
    moments: Moments,
    legs: list[Leg],
    inside: list[Any],
    cells: Cells,
    asks: BoolArray,
    sections: Sections,
    switching: Switching,
) -> tuple[BoolArray, float]:
    """Tell which sections are on, leg after leg, as a display does that remembers what is covered.

    Parameters
    ----------
    moments : Moments
        From `route.drive`.
    legs : list of Leg
        As driven.
    inside : list of Polygon
        Where passes may give; anywhere if empty.
    cells : Cells
        Of the zones.
    asks : ndarray of bool, shape (zones,)
        Which ask for ammonia.
    sections : Sections
        In use.
    switching : Switching
        How late they are.

    Returns
    -------
    on : ndarray of bool, shape (n, sections)
    left : float
        Ground that asks for ammonia and is not covered, in cells [m2].
    """
    on = np.zeros((moments.leg.size, len(sections.number)), dtype=np.bool_)
    points, begins = _across(sections, 0.7 * _COARSER * cells.side)
    counts = np.diff(np.append(begins, points.size))
    section_of = np.repeat(np.arange(begins.size), counts)
    coarse = -(-np.array(cells.zone.shape) // _COARSER)
    covered = np.zeros(int(coarse.prod()), dtype=np.bool_)
    wants = np.append(asks, False)  # the last is for no zone
    core = lay_cells(np.array(inside, dtype=object), _COARSER * cells.side) if inside else None
    late = round(switching.opens / INTERVAL), round(switching.shuts / INTERVAL)
    marks = np.searchsorted(moments.leg, np.arange(len(legs) + 1))
    for number, (first, last) in enumerate(zip(marks[:-1].tolist(), marks[1:].tolist(), strict=True)):
        heading = moments.heading[first:last, None]
        # The middle of each moment's step.
        back = 0.5 * INTERVAL * moments.speed[first:last, None]
        x = moments.x[first:last, None] + points * np.cos(heading) - back * np.sin(heading)
        y = moments.y[first:last, None] - points * np.sin(heading) - back * np.cos(heading)
        place = cells.place(x, y, _COARSER)
        need = wants[cells.at(x, y)] & ~covered[place]
        if core is not None and not legs[number].headland:
            need &= core.at(x, y) >= 0
        share = np.add.reduceat(need, begins, axis=1, dtype=np.int64) / counts
        mine = switched_late(share > _WANTED, *late)
        on[first:last] = mine
        covered[place[mine[:, section_of]]] = True
    fine = cells.zone[::_COARSER, ::_COARSER]
    left = (wants[fine] & ~covered.reshape(coarse)).sum()
    return on, float(left) * (_COARSER * cells.side) ** 2
