"""What a rehearsal had expected of each zone, against what the log says it got."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray, TextArray
from geoflow.reconciliation.field import ZoneSums

__all__ = ["HOW_IT_CAME", "ComparedZones", "ExpectedZones", "compare"]

# A rate this share of what was asked beyond the rehearsed band, or this much more or less ground off: judgement.
_BEYOND: Final = 0.02
_MORE: Final = 0.1
# More of a zone than this under no pass, beyond what was rehearsed: judgement.
_UNDER_NONE: Final = 0.05
HOW_IT_CAME: Final = {
    "as rehearsed": "within what was rehearsed",
    "more than rehearsed": "got more than the days rehearsed",
    "less than rehearsed": "got less than the days rehearsed",
    "more off than rehearsed": "more of its ground is off its target",
    "less off than rehearsed": "less of its ground is off its target",
    "less covered than rehearsed": "more of its ground is under no pass",
    "not compared": "no rate is known, or it was not rehearsed",
}


@dataclass(frozen=True, slots=True, eq=False)
class ExpectedZones:
    """What a rehearsal expects; arrays of shape (zones,), NaN where it says nothing.

    Attributes
    ----------
    mean, low, high : ndarray
        Nitrogen over the ground covered [kg/m2].
    within_10, within_low, within_high : ndarray
        Share of that ground within 10 %: mean, and where nine days of ten lie [-].
    missed : ndarray
        Share of the zone under no pass; 0 where nothing is asked [-].
    """

    mean: FloatArray
    low: FloatArray
    high: FloatArray
    within_10: FloatArray
    within_low: FloatArray
    within_high: FloatArray
    missed: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class ComparedZones:
    """How zones came out against what was rehearsed.

    Attributes
    ----------
    name : str
        Of the rehearsal, as given.
    expected : ExpectedZones
        As rehearsed.
    came : ndarray of str, shape (zones,)
        A key of `HOW_IT_CAME`.
    off, foreseen : float
        Ground more than 10 % off in zones that are compared, and how much of it was off on a day rehearsed too [m2].
    missed, missed_foreseen : float
        Ground under no pass in the zones rehearsed, and how much of it was under none in the rehearsal too [m2].
    """

    name: str
    expected: ExpectedZones
    came: TextArray
    off: float
    foreseen: float
    missed: float
    missed_foreseen: float


def compare(name: str, expected: ExpectedZones, got: ZoneSums) -> ComparedZones:
    """Compare zones with what was rehearsed of them.

    Parameters
    ----------
    name : str
        Of the rehearsal.
    expected : ExpectedZones
        As rehearsed.
    got : ZoneSums
        By the log, for the same zones.
    """
    off, most, least = 1.0 - got.within_10, 1.0 - expected.within_low, 1.0 - expected.within_high
    known = np.isfinite(off) & np.isfinite(most) & np.isfinite(got.rate) & np.isfinite(expected.mean)
    room = _BEYOND * got.asked
    with np.errstate(divide="ignore", invalid="ignore"):
        missed = np.where(got.asked > 0.0, np.nan_to_num(got.missed / got.area), 0.0)
    barer = missed > np.nan_to_num(expected.missed, nan=np.inf) + _UNDER_NONE
    came = np.select(
        [
            barer,
            ~known,
            got.rate > expected.high + room,
            got.rate < expected.low - room,
            off > most + _MORE,
            off < least - _MORE,
        ],
        [
            "less covered than rehearsed",
            "not compared",
            "more than rehearsed",
            "less than rehearsed",
            "more off than rehearsed",
            "less off than rehearsed",
        ],
        "as rehearsed",
    )
    rehearsed = np.where(np.isfinite(expected.missed), got.area, 0.0)
    ground = np.where(known, got.covered, 0.0)
    return ComparedZones(
        name,
        expected,
        came,
        float(ground @ np.nan_to_num(off)),
        float(ground @ np.nan_to_num(np.minimum(off, most))),
        float(rehearsed @ missed),
        float(rehearsed @ np.minimum(missed, np.nan_to_num(expected.missed))),
    )
