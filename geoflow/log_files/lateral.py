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
_FEWEST_ROUNDS, _STRAIGHT = 4, 0.8
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
        """Return the track of some of the records.

        Parameters
        ----------
        records : ndarray of int or bool
            Which ones.
        """
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
        place, off = _offsets(label, moment, track, count)
        if off > _DISAGREE:
            text = f"the sections lie in another order in {100.0 * off:.0f} % of the passes"
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
        [s], NaN without a clock, and [m], in file order.
    applied : ndarray, shape (n,)
        Rates as logged.

    Returns
    -------
    section : ndarray of int, shape (n,)
        From 0 at the left, or in the order of the file where all stand at one position.
    how : str
        ``"own places"`` or ``"one place"``; None instead of both where the log is not like that.
    """
    _, moment, size = np.unique(_rounds(time, x, y), return_inverse=True, return_counts=True)
    most = int(np.median(size)) if size.size else 0
    if not 2 <= most <= _MOST or (size == most).mean() < _COMPLETE or size.max() > _MOST:
        return None
    across, along = _about_the_middle(x, y, moment, size)
    wide, long_ = (_spans(values, moment, size.size) for values in (across, along))
    by_place = _abreast(wide, long_)
    together = bool(np.median(np.maximum(wide, long_)) < _SAME_PLACE)
    if not by_place and not (together and _differ(applied, moment, size.size)):
        return None
    order = np.lexsort((across if by_place else np.arange(time.size), moment))
    section = np.empty(time.size, dtype=np.int64)
    section[order] = np.arange(time.size) - np.r_[0, np.cumsum(size)[:-1]][moment[order]]
    return section, "own places" if by_place else "one place"


def _abreast(wide: FloatArray, long: FloatArray) -> bool:
    """Whether the records of most moments lie beside each other, as far apart at one moment as at another."""
    middle = float(np.median(wide))
    return bool(
        _ACROSS < middle < _WIDEST and np.median(long) < _ALONG * middle and np.median(np.abs(wide - middle)) < _RIGID
    )


def _rounds(time: FloatArray, x: FloatArray, y: FloatArray) -> FloatArray:
    """Time of each record; without a clock the number of its round, where as many records come round and round."""
    if np.isfinite(time).any() or time.size < 2:
        return time
    stays = np.r_[False, np.hypot(np.diff(x), np.diff(y)) <= _SAME_PLACE]
    if stays.mean() >= 0.5:
        return np.cumsum(~stays).astype(np.float64)
    # Two records in turn may as well be two machines.
    sizes = (size for size in range(3, min(_MOST, time.size // _FEWEST_ROUNDS) + 1) if time.size % size == 0)
    size = next((size for size in sizes if _come_round(x.reshape(-1, size), y.reshape(-1, size))), 1)
    return np.asarray(np.arange(time.size) // size, dtype=np.float64)


def _come_round(x: FloatArray, y: FloatArray) -> bool:
    """Whether records, shape (rounds, size), go over a bar from end to end, back in one jump, and over it again.

    Passes driven to and fro go over the ground one way and then the other; the middle of half a bar goes from side to
    side.
    """
    wide = np.hypot(np.ptp(x, axis=1), np.ptp(y, axis=1))
    back = np.hypot(x[1:, 0] - x[:-1, -1], y[1:, 0] - y[:-1, -1])
    along = _same_way(x[:, -1] - x[:, 0], y[:, -1] - y[:, 0])
    straight = _same_way(np.diff(x.mean(axis=1)), np.diff(y.mean(axis=1)))
    return bool(
        (np.abs(wide - np.median(wide)) < _RIGID).mean() >= _COMPLETE
        and (back > 0.5 * np.median(wide)).mean() >= _COMPLETE
        and min(along, straight) >= _STRAIGHT
    )


def _same_way(east: FloatArray, north: FloatArray) -> float:
    """Share of steps that lead the way of the one before, within 60 degrees [-]."""
    length = np.hypot(east, north)
    return float((east[1:] * east[:-1] + north[1:] * north[:-1] > 0.5 * length[1:] * length[:-1]).mean())


def _about_the_middle(x: FloatArray, y: FloatArray, moment: IntArray, size: IntArray) -> tuple[FloatArray, FloatArray]:
    """Places of records to the right of, and ahead of, the middle of their moment [m], shape (n,)."""
    middle_x, middle_y = np.bincount(moment, x) / size, np.bincount(moment, y) / size
    east, north = np.diff(middle_x), np.diff(middle_y)
    length = np.hypot(east, north)
    ahead, back = np.r_[length, np.inf], np.r_[np.inf, length]
    # The nearer neighbour is of the same pass.
    step = np.where(ahead <= back, np.arange(size.size), np.arange(size.size) - 1).clip(0, max(length.size - 1, 0))
    way = np.arctan2(east[step], north[step])[moment] if length.size else np.zeros(x.size)
    east, north = x - middle_x[moment], y - middle_y[moment]
    return east * np.cos(way) - north * np.sin(way), east * np.sin(way) + north * np.cos(way)


def _spans(values: FloatArray, group: IntArray, count: int) -> FloatArray:
    high, low = np.full(count, -np.inf), np.full(count, np.inf)
    np.maximum.at(high, group, values)
    np.minimum.at(low, group, values)
    return np.asarray(high - low)


def _differ(applied: FloatArray, group: IntArray, count: int) -> bool:
    """Whether records of one moment differ in their rates, so that none is a copy of another."""
    known = np.nan_to_num(applied)
    return bool((_spans(known, group, count) > 0.0).mean() > 0.05)
