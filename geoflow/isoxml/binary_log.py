"""One time log of task data: a header that says which bytes are there, and the records, decoded all at once."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray, IntArray
from geoflow.base.counted import count, verb
from geoflow.base.errors import PrescriptionError
from geoflow.isoxml.xml import Node
from geoflow.layers.notes import Note

__all__ = ["TimeLog", "decode_log", "hold"]

_AGAIN: Final = "copy or export the task data again"
_EPOCH: Final = 315_532_800  # 1980-01-01, where the days are counted from, as Unix time [s]
# Fields of PTN in the order of the bytes: attribute, format, what is kept of it. ISO 11783-10, two open readers agree.
_FIELDS: Final = (
    ("A", "<i4", "north"), ("B", "<i4", "east"), ("C", "<i4", "up"), ("D", "u1", "status"), ("E", "<u2", "pdop"),
    ("F", "<u2", "hdop"), ("G", "u1", "satellites"), ("H", "<u4", "utc_ms"), ("I", "<u2", "utc_day"),
)  # fmt: skip
_NOWHERE: Final = (0, 14, 15)  # no fix, error, not available
_NO_MS, _NO_DAY, _NO_VALUE = 0xFFFF_FFFF, 0xFFFF, -(2**31)  # marks of "not available", from memory
_DAY_MS: Final = 86_400_000
_MOST_NUMBERS: Final = 200_000_000


@dataclass(frozen=True, eq=False)
class TimeLog:
    """The records of one time log, shape (n,) each.

    Attributes
    ----------
    name : str
        Its file, without an ending.
    local : ndarray
        Clock of the machine, as Unix time of its unknown zone [s].
    utc : ndarray
        Clock of the receiver, Unix time [s]; NaN where it is not logged.
    lon, lat : ndarray
        [degree]; NaN where there was no position.
    status : ndarray of int
        Of the position; -1 where it is not logged.
    values : dict
        Dictionary number and device element to the values as stored, NaN where a record does not carry one.
    notes : tuple of Note
        What the decoding saw.
    """

    name: str
    local: FloatArray
    utc: FloatArray
    lon: FloatArray
    lat: FloatArray
    status: IntArray
    values: dict[tuple[str, str], FloatArray]
    notes: tuple[Note, ...]


def decode_log(name: str, header: Node, data: bytes, wanted: frozenset[str] | None = None) -> TimeLog:
    """Decode the records of a log.

    An attribute of the header that is there but empty is stored in every record; one with a value is the same for
    all and not stored; one that is missing is not stored.

    Parameters
    ----------
    name : str
        What to call it.
    header : Node
        Root of the log's .XML.
    data : bytes
        The log's .BIN.
    wanted : frozenset of str, optional
        Dictionary numbers to keep; all without.

    Raises
    ------
    PrescriptionError
        If the header is none.
    """
    time = next((node for node in header.walk() if node.tag == "TIM"), None)
    if time is None or "A" not in time.attributes:
        raise PrescriptionError(
            "the header of the time log says nothing of its records (no TIM with a start)",
            where=header.where,
            cure=_AGAIN,
        )
    layout, fixed = _layout(time)
    begins, rest = _begins(data, layout.itemsize)
    variables = [(_variable(node, wanted), node) for node in time.all("DLV")]
    keep = [key for key, _ in variables]
    kept = len(keep) - keep.count(None)
    if begins.size * max(kept, 1) > _MOST_NUMBERS:
        what = f"the log holds {begins.size:,} records of {kept} values, too many at once"
        raise PrescriptionError(what, where=header.place, cure="export fewer hours at a time")
    raw = np.frombuffer(data, dtype=np.uint8)
    heads = _heads(raw, begins, layout, fixed)
    kind = heads.get("status", np.full(begins.size, -1)).astype(np.int64)
    lat, lon = _positions(heads.get("north"), heads.get("east"), fixed, kind)
    values, lost = _values(raw, begins + layout.itemsize, keep)
    fixed_values = {key: node.number("B") for key, node in variables if key is not None and node.text("B")}
    values |= {key: np.full(begins.size, value) for key, value in fixed_values.items()}
    local = _clock(heads, "ms", "day", begins.size, _start(time))
    utc = _clock(heads, "utc_ms", "utc_day", begins.size, np.nan)
    return TimeLog(name, local, utc, lon, lat, kind, values, tuple(_losses(name, rest, lost)))


def _variable(node: Node, wanted: frozenset[str] | None) -> tuple[str, str] | None:
    """Dictionary number and element of a DLV; None where it is not wanted."""
    ddi = node.text("A").upper().zfill(4)
    return (ddi, node.text("C")) if wanted is None or ddi in wanted else None


def _layout(time: Node) -> tuple[np.dtype[Any], dict[str, float]]:
    """What every record begins with, and what the header says once for all of them."""
    parts: list[tuple[str, str]] = [] if time.text("A") else [("ms", "<u4"), ("day", "<u2")]
    fixed: dict[str, float] = {}
    for place in time.all("PTN")[:1]:
        fixed = {use: place.number(key) for key, _, use in _FIELDS if place.text(key)}
        parts += [(use, code) for key, code, use in _FIELDS if key in place.attributes and not place.text(key)]
    return np.dtype(parts), fixed


def _heads(raw: Any, begins: IntArray, layout: np.dtype[Any], fixed: dict[str, float]) -> dict[str, Any]:
    """Fields of time and position by name, shape (records,) each."""
    found: dict[str, Any] = {use: np.full(begins.size, value) for use, value in fixed.items()}
    if layout.itemsize:
        stored = _gather(raw, begins, layout.itemsize).view(layout).reshape(-1)
        found |= {use: stored[use] for use in layout.names or ()}
    return found


def _losses(name: str, rest: int, lost: int) -> list[Note]:
    notes = []
    if rest:
        are = verb(rest, "is", "are")
        text = f"{name}: {count(rest, 'byte')} at the end {are} no whole record and left out; the log was cut off"
        notes.append(Note("file", text, 1))
    if lost:
        text = f"{name}: {count(lost, 'value')} of no variable that the header names; left out"
        notes.append(Note("file", text, lost))
    return notes


def _begins(data: bytes, head: int) -> tuple[IntArray, int]:
    """First byte of every record, and how many bytes are left over: a record is as long as its count says."""
    found: list[int] = []
    note = found.append
    at, size = 0, len(data)
    while at + head < size:
        after = at + head + 1 + 5 * data[at + head]
        if after > size:
            break
        note(at)
        at = after
    return np.array(found, dtype=np.int64), size - at


def _gather(raw: Any, begins: IntArray, width: int) -> Any:
    return np.ascontiguousarray(raw[begins[:, None] + np.arange(width)])


def _positions(north: Any, east: Any, fixed: dict[str, float], status: IntArray) -> tuple[FloatArray, FloatArray]:
    nothing = np.full(status.size, np.nan)
    if north is None or east is None:
        return nothing, nothing.copy()
    # Stored as whole steps of 1e-7 degree; dividing gives the nearest double, multiplying does not.
    lat = np.asarray(north, dtype=np.float64) / (1.0 if "north" in fixed else 1e7)
    lon = np.asarray(east, dtype=np.float64) / (1.0 if "east" in fixed else 1e7)
    lost = np.isin(status, _NOWHERE) | ((lat == 0.0) & (lon == 0.0)) | (np.abs(lat) > 90.0) | (np.abs(lon) > 180.0)
    return np.where(lost, np.nan, lat), np.where(lost, np.nan, lon)


def _clock(heads: dict[str, Any], ms: str, day: str, records: int, otherwise: float) -> FloatArray:
    """Unix time [s] of milliseconds since midnight and days since 1980-01-01, or the same where they are not logged."""
    if ms not in heads or day not in heads:
        return np.full(records, otherwise)
    milli, days = (np.asarray(heads[key], dtype=np.float64) for key in (ms, day))
    unknown = (milli == _NO_MS) | (days == _NO_DAY) | (days == 0) | (milli > _DAY_MS + 1000)  # a leap second may be
    return np.where(unknown, np.nan, (_EPOCH + days * 86_400.0) + milli / 1000.0)


def _start(time: Node) -> float:
    text = re.sub(r"(Z|[+-]\d\d:?\d\d)$", "", time.text("A"))
    try:
        return float(np.datetime64(text, "ms").astype(np.int64)) / 1000.0
    except ValueError:
        return float("nan")


def _values(
    raw: Any, counts_at: IntArray, keep: list[tuple[str, str] | None]
) -> tuple[dict[tuple[str, str], FloatArray], int]:
    """Values by variable (None: not wanted), and how many belong to none: records of one length are read together."""
    count = raw[counts_at].astype(np.int64) if counts_at.size else np.zeros(0, dtype=np.int64)
    record, index, value = [], [], []
    for many in np.unique(count[count > 0]).tolist():
        rows = np.flatnonzero(count == many)
        block = _gather(raw, counts_at[rows] + 1, 5 * many).reshape(-1, 5)
        record.append(np.repeat(rows, many))
        index.append(block[:, 0].astype(np.int64))
        value.append(np.ascontiguousarray(block[:, 1:]).view("<i4").reshape(-1))
    found: dict[tuple[str, str], FloatArray] = {}
    if not record:
        return found, 0
    rows, which, number = (np.concatenate(each) for each in (record, index, value))
    for at, key in enumerate(keep):
        own = which == at
        if key is not None and own.any():
            column = found.setdefault(key, np.full(count.size, np.nan))
            numbers = number[own].astype(np.float64)
            column[rows[own]] = np.where(numbers == _NO_VALUE, np.nan, numbers)
    return found, int((which >= len(keep)).sum())


def hold(values: FloatArray, seconds: FloatArray, limit: float, *, lasting: bool) -> FloatArray:
    """Hold the last value logged.

    Parameters
    ----------
    values : ndarray, shape (n,)
        NaN where a record carries none.
    seconds : ndarray, shape (n,)
        Of each record [s].
    limit : float
        Age beyond which a reading says nothing any more [s].
    lasting : bool
        Whether the value holds until the next, unless the log itself pauses for longer than `limit`.
    """
    if not values.size:
        return values
    at = np.maximum.accumulate(np.where(np.isfinite(values), np.arange(values.size), -1))
    known = at >= 0
    if lasting:
        stretch = np.cumsum(np.diff(seconds, prepend=seconds[:1]) > limit)
        fresh = stretch == stretch[at]
    else:
        fresh = ~(seconds - seconds[at] > limit)
    return np.where(known & fresh, values[at], np.nan)
