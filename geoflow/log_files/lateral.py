"""Where the sections of a log lie across the bar, from positions of their own."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray
from geoflow.layers.notes import Note

__all__ = ["Track", "places_across", "sections_at_once"]

_ROUNDS: Final = 60
# Records of one moment beside each other: far across the way, and hardly along it.
_ACROSS, _ALONG = 1.0, 0.25
# No bar is wider, and its ends stay as far apart as they are; two machines beside each other do not [m].
_WIDEST, _RIGID = 60.0, 0.5
_COMPLETE: Final = 0.95
_MOST: Final = 256
_SAME_PLACE: Final = 0.05
_DISAGREE: Final = 0.1


def _moments(time: FloatArray, label: IntArray) -> IntArray:
    """Number the moments of records: those of one time; without a clock a new one begins where a label comes again."""
    if np.isfinite(time).any():
        return np.asarray(np.unique(time, return_inverse=True)[1])
    moment, now = np.empty(label.size, dtype=np.int64), 0
    seen: set[int] = set()
    for at, name in enumerate(label.tolist()):
        if name in seen:
            now += 1
            seen.clear()
        seen.add(name)
        moment[at] = now
    return moment


def _recordings(moment: IntArray, label: IntArray, count: int) -> IntArray:
    """Number the sets of labels that never meet, shape (labels,): each is the whole bar under other names."""
    owner = np.arange(count)
    order = np.argsort(moment, kind="stable")
    pairs = np.flatnonzero(np.diff(moment[order]) == 0)
    met = np.unique(np.stack([label[order][pairs], label[order][pairs + 1]]), axis=1)
    for _ in range(count):
        low = np.minimum(owner[met[0]], owner[met[1]])
        before = owner.copy()
        np.minimum.at(owner, met[0], low)
        np.minimum.at(owner, met[1], low)
        if (before == owner).all():
            break
    return np.asarray(np.unique(owner, return_inverse=True)[1])


@dataclass(frozen=True, slots=True)
class Track:
    """When and where records were made, shape (n,) each.

    Attributes
    ----------
    time, x, y : ndarray
        [s] (NaN without a clock) and [m].
    heading : ndarray
        Clockwise from north [rad]; NaN where it is not known.
    run : ndarray of int
        Pass each record belongs to.
    """

    time: FloatArray
    x: FloatArray
    y: FloatArray
    heading: FloatArray
    run: IntArray

    def at(self, records: IntArray | BoolArray) -> Track:
        """Return the track of some of the records."""
        return Track(self.time[records], self.x[records], self.y[records], self.heading[records], self.run[records])


def places_across(
    label: IntArray,
    names: tuple[str, ...],
    track: Track,
    notes: list[Note],
    *,
    own: bool,
) -> IntArray | None:
    """Sections from 0 at the left of records whose labels are mere names, shape (n,).

    Labels that never meet at one moment are the same bar in another recording: the leftmost of each set is the
    leftmost section, and so on.

    Parameters
    ----------
    label : ndarray of int, shape (n,)
        Place of each record's label in `names`, in the order that numbers give.
    track : Track
        When and where each record was made.
    notes : list of Note
        Brought up to date.
    own : bool
        Whether the positions are the sections' own; if not, the order of the labels stands within each set.

    Returns
    -------
    ndarray or None
        None where the records do not tell which labels belong to one moment.
    """
    count = len(names)
    moment = _moments(track.time, label)
    recording = _recordings(moment, label, count)
    sets = int(recording.max()) + 1
    if sets == count and count > 1:
        return None
    place = np.arange(count, dtype=np.float64)
    if own:
        place, strays = _offsets(label, moment, track, count)
        if strays > _DISAGREE:
            text = f"the sections lie in another order in {100.0 * strays:.0f} % of the passes"
            notes.append(Note("section", f"{text}: their places are an average"))
    rank = np.empty(count, dtype=np.int64)
    order = np.lexsort((place, recording))
    first = np.r_[0, np.cumsum(np.bincount(recording))[:-1]]
    rank[order] = np.arange(count) - first[recording[order]]
    if sets > 1:
        notes.append(Note("section", f"the {count} names of sections are {sets} names each for the same sections"))
    if own or sets > 1:
        shown = [names[at] for at in order[recording[order] == 0]]
        notes.append(Note("section", f"sections from the left: {', '.join(shown[:24])}"))
    return np.asarray(rank[label])


def _offsets(label: IntArray, moment: IntArray, track: Track, count: int) -> tuple[FloatArray, float]:
    """Place of each label to the right of the bar's middle [m], and the share of passes that have another order."""
    known = np.isfinite(track.heading)
    label, moment, track = label[known], moment[known], track.at(known)
    x, y, heading, pass_of = track.x, track.y, track.heading, track.run
    size = np.maximum(np.bincount(moment), 1)

    def mean(values: FloatArray) -> FloatArray:
        return np.asarray((np.bincount(moment, values) / size)[moment])

    way = np.arctan2(mean(np.sin(heading)), mean(np.cos(heading)))
    across = (x - mean(x)) * np.cos(way) - (y - mean(y)) * np.sin(way)
    often = np.maximum(np.bincount(label, minlength=count), 1)
    offset = np.zeros(count)
    # A moment may lack sections: then its mean is off the bar's middle by what the others' places tell.
    for _ in range(_ROUNDS):
        level = across + mean(offset[label])
        offset = np.bincount(label, level, minlength=count) / often
    usual = mean(offset[label])
    _, number = np.unique(pass_of, return_inverse=True)
    with np.errstate(invalid="ignore"):
        fit = np.bincount(number, across * (offset[label] - usual))
    return offset, float(np.mean(fit < 0.0)) if fit.size else 0.0


def sections_at_once(
    time: FloatArray, x: FloatArray, y: FloatArray, applied: FloatArray
) -> tuple[IntArray, str] | None:
    """Recognise records of one moment as one for each section, where no column says so.

    Parameters
    ----------
    time, x, y : ndarray, shape (n,)
        [s] and [m], in file order.
    applied : ndarray, shape (n,)
        Rates as logged.

    Returns
    -------
    section : ndarray of int, shape (n,)
        From 0 at the left, or in the order of the file where all stand at one position.
    how : str
        ``"own places"`` or ``"one place"``; None instead of both where the log is not like that.
    """
    _, moment, size = np.unique(time, return_inverse=True, return_counts=True)
    most = int(np.median(size)) if size.size else 0
    if not 2 <= most <= _MOST or (size == most).mean() < _COMPLETE or size.max() > _MOST:
        return None
    middle_x, middle_y = np.bincount(moment, x) / size, np.bincount(moment, y) / size
    ahead, back = np.r_[1 : size.size, size.size - 1], np.r_[0, 0 : size.size - 1]
    way = np.arctan2(middle_x[ahead] - middle_x[back], middle_y[ahead] - middle_y[back])[moment]
    east, north = x - middle_x[moment], y - middle_y[moment]
    across, along = east * np.cos(way) - north * np.sin(way), east * np.sin(way) + north * np.cos(way)
    wide, long_ = (_spans(values, moment, size.size) for values in (across, along))
    by_place = bool(
        _ACROSS < np.median(wide) < _WIDEST
        and np.median(long_) < _ALONG * np.median(wide)
        and np.median(np.abs(wide - np.median(wide))) < _RIGID
    )
    together = bool(np.median(np.maximum(wide, long_)) < _SAME_PLACE)
    if not by_place and not (together and _differ(applied, moment, size.size)):
        return None
    order = np.lexsort((across if by_place else np.arange(time.size), moment))
    section = np.empty(time.size, dtype=np.int64)
    section[order] = np.arange(time.size) - np.r_[0, np.cumsum(size)[:-1]][moment[order]]
    return section, "own places" if by_place else "one place"


def _spans(values: FloatArray, group: IntArray, count: int) -> FloatArray:
    high, low = np.full(count, -np.inf), np.full(count, np.inf)
    np.maximum.at(high, group, values)
    np.minimum.at(low, group, values)
    return np.asarray(high - low)


def _differ(applied: FloatArray, group: IntArray, count: int) -> bool:
    """Whether records of one moment differ in their rates, so that none is a copy of another."""
    known = np.nan_to_num(applied)
    return bool((_spans(known, group, count) > 0.0).mean() > 0.05)
