"""Ground under several strips: which of them lie there, and what they add up to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from geoflow.base.arrays import FloatArray, IntArray

__all__ = ["Shared", "all_shared", "gathered", "lone_and_shared", "merged"]

# Strips that share an edge overlap by rounding; less than this [m] is no overlap.
_ROUNDING: Final = 1e-7
# Odd numbers that make one number of several, so that equal ground is found by one sort.
_MIX: Final = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], dtype=np.uint64).view(np.int64)


@dataclass(frozen=True, slots=True)
class Shared:
    """Ground under more than one strip, in parts with the same strips on them; arrays of shape (s,).

    Attributes
    ----------
    zone : ndarray of int
        Zone of the part, -1 outside all zones.
    area : ndarray
        [m2]
    layers : ndarray of int
        Strips on it.
    sums : ndarray of int, shape (values, s)
        Sums of the strips' own values.
    """

    zone: IntArray
    area: FloatArray
    layers: IntArray
    sums: IntArray


def lone_and_shared(
    strip: IntArray,
    values: IntArray,
    order: IntArray,
    cuts: int,
    layers: npt.NDArray[np.integer[Any]],
    zone: IntArray,
    run: FloatArray,
) -> tuple[tuple[IntArray, IntArray, FloatArray], tuple[IntArray, Shared]]:
    """Tell ground under one strip from ground under several, of one block of lines.

    Parameters
    ----------
    strip : ndarray of int, shape (spans,)
        Strip of each span.
    values : ndarray of int, shape (values, strips)
        To be added up where strips lie on each other.
    order : ndarray of int
        All places in order: borders of the ground, then where spans begin, then where they end.
    cuts : int
        Borders of the ground.
    layers, zone : ndarray of int, run : ndarray
        Strips, zone and length [m] from each place to the next.

    Returns
    -------
    tuple of ndarray
        Strip, zone and length [m] of the ground under one strip only.
    tuple of ndarray and Shared
        A mark for each part of the ground under several, the same for the same strips, and the parts; lengths for
        areas.
    """
    count = strip.size
    several, one = (layers > 1) & (run > _ROUNDING), (layers == 1) & (run > 0.0)

    def running(amounts: IntArray) -> IntArray:
        if not amounts.any():
            return np.zeros(order.size - 1, dtype=np.int64)
        signed = np.zeros(cuts + 2 * count, dtype=np.int64)
        signed[cuts : cuts + count], signed[cuts + count :] = amounts, -amounts
        return np.cumsum(signed[order])[:-1]

    # Where one strip lies, the sum of the numbers of all that lie there is its own.
    numbers = running(strip)
    parts = np.stack([numbers[several], *(running(row[strip])[several] for row in values)])
    shared = Shared(zone[several], run[several], layers[several].astype(np.int64), parts[1:])
    mixed = np.asarray(shared.zone * _MIX[0] + shared.layers * _MIX[1])
    for row in parts:
        mixed = (mixed + row) * _MIX[2]
        mixed ^= mixed >> 29
    return (numbers[one], zone[one], run[one]), _alike(mixed, shared)


def _alike(mixed: IntArray, shared: Shared) -> tuple[IntArray, Shared]:
    """Add up parts with one and the same mark."""
    if not mixed.size:
        return mixed, shared
    order = np.argsort(mixed)
    mark = mixed[order]
    start = np.flatnonzero(np.concatenate([[True], mark[1:] != mark[:-1]]))
    first = order[start]
    area = np.asarray(np.add.reduceat(shared.area[order], start), dtype=np.float64)
    return mark[start], Shared(shared.zone[first], area, shared.layers[first], shared.sums[:, first])


def all_shared(marks: list[IntArray], several: list[Shared], values: int, spacing: float) -> Shared:
    """Bring the parts of all blocks of lines together, `spacing` [m] apart.

    Parameters
    ----------
    marks, several : list
        Of each block, from `lone_and_shared`.
    values : int
        Number of values added up.
    spacing : float
        Between lines [m].
    """
    none = np.zeros(0, dtype=np.int64)
    if not several:
        return Shared(none, np.zeros(0), none, np.zeros((values, 0), dtype=np.int64))
    every = Shared(
        np.concatenate([each.zone for each in several]),
        np.concatenate([each.area for each in several]),
        np.concatenate([each.layers for each in several]),
        np.concatenate([each.sums for each in several], axis=1),
    )
    found = _alike(np.concatenate(marks), every)[1]
    return Shared(found.zone, found.area * spacing, found.layers, found.sums)


def gathered(keys: list[IntArray], lengths: list[FloatArray]) -> tuple[IntArray, FloatArray]:
    """Put the keys of all blocks in order and add up the equal ones.

    Parameters
    ----------
    keys, lengths : list of ndarray
        Of each block.
    """
    key, length = np.concatenate(keys), np.concatenate(lengths)
    order = np.argsort(key)
    return merged(key[order], length[order])


def merged(key: IntArray, length: FloatArray) -> tuple[IntArray, FloatArray]:
    """Add up runs of equal keys.

    Parameters
    ----------
    key : ndarray of int, shape (k,)
        In order.
    length : ndarray, shape (k,)
        [m]
    """
    if not key.size:
        return key, length
    start = np.flatnonzero(np.concatenate([[True], key[1:] != key[:-1]]))
    return key[start], np.asarray(np.add.reduceat(length, start))
