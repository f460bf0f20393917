"""Hours of a day as people write them: 7, 07:00, 7:30 am, 0730, or dates of ISO 8601."""

from __future__ import annotations

import datetime
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.errors import UsageError
from geoflow.base.units import HOUR

__all__ = ["Clock", "moments_of"]

_DAY: Final = 24.0 * HOUR
_DATE: Final = re.compile(r"(\d{4})-(\d{1,2})-(\d{1,2})")
_CLOCK: Final = re.compile(
    r"(\d{1,2})(?:[:.h](\d\d)(?::(\d\d)(?:[.,]\d+)?)?)?\s*([ap])\.?\s?m\.?|"
    r"(\d{1,2})(?:[:h](\d\d)(?::(\d\d)(?:[.,]\d+)?)?|h)?|(\d{1,2})(\d\d)"
)
_SHARE: Final = re.compile(r"\d{1,2}[.,]\d+")
_ZONE: Final = re.compile(r"\s*(z|utc|gmt|[+-]\d\d:?\d\d)$")
_CURE: Final = 'write it like 7, 07:00, "7:30 am" or 2026-04-21 07:00'


@dataclass(frozen=True, slots=True)
class Clock:
    """When the lines of a day are.

    Attributes
    ----------
    seconds : ndarray, shape (lines,)
        From midnight before the first of them [s].
    notes : tuple of str
        How they were read, where that can be told in several ways.
    """

    seconds: FloatArray
    notes: tuple[str, ...]


def _of_day(text: str) -> float | None:
    """Seconds since midnight [s] of a clock; None where it is none."""
    plain = text.strip().casefold()
    if _SHARE.fullmatch(plain):
        value = float(plain.replace(",", ".")) * HOUR
        return value if value <= _DAY else None
    match = _CLOCK.fullmatch(plain)
    if match is None:
        return None
    half = match.group(4)
    hour, minute, second = (int(part or 0) for part in (match.groups()[:3] if half else match.groups()[4:7]))
    if match.group(8):
        hour, minute = int(match.group(8)), int(match.group(9))
    if half:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if half == "p" else 0)
    if minute > 59 or second > 59 or hour * 3600 + minute * 60 + second > _DAY:
        return None
    return hour * HOUR + minute * 60.0 + second


def _parted(text: str, hour: str, where: str) -> tuple[str, str]:
    """Text of a line's date and hour without its zone, and the zone."""
    zone = _ZONE.search(text) if _DATE.match(text) else None
    if zone is None:
        return text, ""
    if zone.group(1) in {"z", "utc", "gmt", "+00:00", "+0000", "-00:00"}:
        raise UsageError(
            f"'{hour}' is a time of Greenwich, and the hours of a day in the field are those of its clock",
            where=where,
            cure="write local hours, like 07:00 or 2026-04-21T07:00-05:00",
        )
    return text[: zone.start()], zone.group(1)


def _moment(date: str, hour: str, where: str) -> tuple[datetime.date | None, float, str]:
    """Date, seconds of the day [s] and the zone of one line."""
    if not hour:
        raise UsageError("a line of the day has no hour", where=where, cure=_CURE)
    text, zone = _parted(f"{date} {hour}".strip().casefold(), hour, where)
    day = _DATE.match(text)
    try:
        known = datetime.date(*map(int, day.groups())) if day else None
    except ValueError:
        known, text = None, "no date"
    rest = text[day.end() :].lstrip("t ,") if day and known else text
    seconds = _of_day(rest) if rest else 0.0
    if seconds is None or (day and not rest and not _midnight(hour)):
        raise UsageError(f"'{' '.join(filter(None, (date, hour)))}' is no hour of a day", where=where, cure=_CURE)
    return known, seconds, zone


def _midnight(hour: str) -> bool:
    """Whether a date without an hour is what spreadsheets leave of midnight."""
    return _DATE.fullmatch(hour.strip()) is not None


def moments_of(lines: Sequence[tuple[int, str, str]], path: Path) -> Clock:
    """Read when each line is.

    Parameters
    ----------
    lines : sequence of (int, str, str)
        Number of the line in the file, date and hour as written; no date where that is in the hour or nowhere.
    path : Path
        The file, for errors.

    Raises
    ------
    UsageError
        If an hour cannot be understood.
    """
    read = [_moment(date, hour, f"{path}, line {number}") for number, date, hour in lines]
    zones = {zone for _, _, zone in read}
    dated = [date is not None for date, _, _ in read]
    if len(zones) > 1 or len(set(dated)) > 1:
        mixed = next(at for at in range(len(read)) if (dated[at], read[at][2]) != (dated[0], read[0][2]))
        raise UsageError(
            "some hours of the day have a date or an offset, and others have another or none",
            where=f"{path}, lines {lines[0][0]} and {lines[mixed][0]}",
            cure="write all hours in one way",
        )
    seconds = np.array([each for _, each, _ in read])
    if read and dated[0]:
        first = min(date for date, _, _ in read if date is not None)
        days = [(date - first).days for date, _, _ in read if date is not None]
        return Clock(seconds + np.array(days) * _DAY, ())
    # The clock falls by more than half a day: midnight. By less: the lines are not in order.
    crossed = np.concatenate([[False], np.diff(seconds) < -0.5 * _DAY]) if seconds.size else np.zeros(0, dtype=bool)
    notes = tuple(
        f"hours from line {lines[at][0]} on are those of the next day" for at in np.flatnonzero(crossed).tolist()
    )
    return Clock(seconds + np.cumsum(crossed) * _DAY, notes)
