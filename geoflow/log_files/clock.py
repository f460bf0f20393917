"""When a log's records were made: ISO 8601, dates as spreadsheets write them, Unix and GPS seconds."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.errors import LogError
from geoflow.log_files.log_units import TIME_UNITS

if TYPE_CHECKING:
    import pandas

__all__ = ["Clock", "gps_to_unix", "read_clock"]

_GPS_EPOCH: Final = 315_964_800  # 1980-01-06T00:00:00Z as Unix time [s]
# Days from which one leap second more counts since the GPS epoch (IERS Bulletin C, from memory).
_LEAPS: Final = (
    "1981-07-01", "1982-07-01", "1983-07-01", "1985-07-01", "1988-01-01", "1990-01-01", "1991-01-01", "1992-07-01",
    "1993-07-01", "1994-07-01", "1996-01-01", "1997-07-01", "1999-01-01", "2006-01-01", "2009-01-01", "2012-07-01",
    "2015-07-01", "2017-01-01",
)  # fmt: skip
_WEEK, _DAY = 604_800.0, 86_400.0
_ISO: Final = re.compile(r"\d{4}-\d\d-\d\d([T ]\d\d:\d\d(:\d\d([.,]\d+)?)?)?\s*(Z|[+-]\d\d(:?\d\d)?)?", re.IGNORECASE)
_DATE: Final = re.compile(
    r"(\d{1,4})([-/.])(\d{1,2})\2(\d{1,4})([T ,]+)(\d{1,2}):(\d\d)(:\d\d)?([.]\d+)?(\s*[ap]m)?", re.IGNORECASE
)
_OF_DAY: Final = re.compile(r"(\d{1,2}):(\d\d)(:\d\d([.,]\d+)?)?")


@dataclass(frozen=True)
class Clock:
    """The times of a log's rows.

    Attributes
    ----------
    seconds : ndarray, shape (rows,)
        On one running scale [s]; NaN where a row has no readable time.
    scale : str
        ``"UTC"`` (then the seconds are Unix time), ``"local"`` (Unix time of the local clock, its zone unknown) or
        ``"elapsed"`` (since an unknown start).
    note : str
        How they were read, for a person.
    """

    seconds: FloatArray
    scale: str
    note: str

    @property
    def start(self) -> str | None:
        """First time as ISO 8601, with a Z where it is UTC; None where the date is unknown."""
        if self.scale == "elapsed" or not np.isfinite(self.seconds).any():
            return None
        first = np.datetime64(round(float(np.nanmin(self.seconds)) * 1000.0), "ms")
        return f"{first}{'Z' if self.scale == 'UTC' else ''}"


def gps_to_unix(seconds: FloatArray) -> FloatArray:
    """Unix time [s] of seconds since the GPS epoch, 1980-01-06, less the leap seconds then in force.

    Source: documentation of the R package agridat: 1004549898 is 2011-11-05T17:38:03Z.

    Parameters
    ----------
    seconds : ndarray
        Since the GPS epoch [s].
    """
    changes = np.array(_LEAPS, dtype="datetime64[s]").astype(np.int64) - _GPS_EPOCH + np.arange(1, len(_LEAPS) + 1)
    leaps = np.searchsorted(changes, seconds, side="right")
    return np.asarray(seconds + _GPS_EPOCH - leaps, dtype=np.float64)


def read_clock(cells: pandas.Series[Any], unit: str | None, *, name: str, where: str) -> Clock:
    """Read a column of times.

    Parameters
    ----------
    cells : Series, shape (rows,)
        Text, numbers or dates.
    unit : str or None
        One of `TIME_UNITS`; needed for numbers and for dates whose day and month cannot be told apart.
    name, where : str
        Column and file, for errors.

    Raises
    ------
    LogError
        If the times cannot be read for certain.
    """
    unit = _checked(unit, name, where)
    if cells.dtype.kind == "M":
        return _of_dates(cells, unit)
    if cells.dtype.kind in "iuf":
        return _of_numbers(cells.to_numpy(dtype=np.float64), unit, name, where)
    text = _stripped(cells)
    filled = text[text != ""]
    if filled.empty:
        raise LogError(f"the column '{name}' holds no times", where=where, cure="give --column time another column")
    first = str(filled.iloc[0])
    if unit in {"epoch s", "epoch ms", "GPS s", "GPS week s", "s", "ms"}:
        return _of_counts(text, unit, name, where)
    if _ISO.fullmatch(first):
        return _of_iso(text, filled, unit, name, where)
    if match := _DATE.fullmatch(first):
        return _of_written(text, filled, match, unit, name, where)
    if _OF_DAY.fullmatch(first):
        return _of_day(text)
    raise LogError(
        f"'{first}' in the column '{name}' is no time that can be read",
        where=where,
        cure=f"write times like 2026-04-13T14:05:07Z, or state the unit, one of {', '.join(TIME_UNITS)}, as in "
        f'--column "time={name}:epoch s"',
    )


def _stripped(cells: pandas.Series[Any]) -> pandas.Series[Any]:
    """Cells as text without blanks around it, empty where there is none."""
    text = cells.astype("str").where(cells.notna(), "")
    if not text.empty and any(cell != cell.strip() for cell in (*text.head(100), text.iloc[-1])):
        text = text.str.strip()
    return text


def _of_counts(text: pandas.Series[Any], unit: str | None, name: str, where: str) -> Clock:
    """Numbers written as text, or a GPS week with its second."""
    import pandas

    if unit != "GPS week s":
        return _of_numbers(pandas.to_numeric(text, errors="coerce").to_numpy(dtype=float), unit, name, where)
    pair = text.str.split(n=1, expand=True).reindex(columns=[0, 1])
    week, second = (pandas.to_numeric(pair[at], errors="coerce").to_numpy(dtype=float) for at in (0, 1))
    return Clock(gps_to_unix(week * _WEEK + second), "UTC", "GPS week and second, leap seconds taken off")


def _checked(unit: str | None, name: str, where: str) -> str | None:
    if unit is None:
        return None
    for known in TIME_UNITS:
        if unit.replace(" ", "").casefold() == known.replace(" ", "").casefold():
            return known
    raise LogError(
        f"'{unit}' is no unit of time here", where=f"{where}, column '{name}'", cure=f"one of {', '.join(TIME_UNITS)}"
    )


def _unix(stamps: Any) -> FloatArray:
    """Seconds of pandas or numpy datetimes; NaN for NaT."""
    array = np.asarray(stamps, dtype="datetime64[us]")
    return np.where(np.isnat(array), np.nan, array.astype(np.int64) / 1e6)


def _of_dates(cells: pandas.Series[Any], unit: str | None) -> Clock:
    if getattr(cells.dtype, "tz", None) is not None:
        return Clock(_unix(cells.dt.tz_convert("UTC").dt.tz_localize(None)), "UTC", "dates with their zone, in UTC")
    return _zoneless(_unix(cells), unit)


def _zoneless(seconds: FloatArray, unit: str | None) -> Clock:
    if unit == "UTC":
        return Clock(seconds, "UTC", "times without a zone, taken as UTC as stated")
    note = "times without a zone: kept as the local clock of the machine"
    return Clock(seconds, "local", note + ("" if unit == "local" else '; if they are UTC, add the unit "UTC"'))


def _of_numbers(values: FloatArray, unit: str | None, name: str, where: str) -> Clock:
    if unit in {None, "UTC", "local", "day/month", "month/day", "GPS week s"}:
        raise LogError(
            f"the column '{name}' holds bare numbers, and nothing says what they count",
            where=where,
            cure=f"say it with one of{_meanings(values, name)}",
        )
    if unit in {"s", "ms"}:
        return Clock(values / (1e3 if unit == "ms" else 1.0), "elapsed", "time since an unknown start")
    if unit == "GPS s":
        return Clock(gps_to_unix(values), "UTC", "GPS seconds since 1980-01-06, leap seconds taken off")
    return Clock(values / (1e3 if unit == "epoch ms" else 1.0), "UTC", "Unix time")


def _meanings(values: FloatArray, name: str) -> str:
    finite = values[np.isfinite(values)]
    lines = ""
    for unit in ("epoch s", "epoch ms", "GPS s", "s", "ms"):
        lines += f'\n    --column "time={name}:{unit}"'
        if finite.size and unit not in {"s", "ms"} and abs(finite[0]) < 1e13:
            start = _of_numbers(finite[:1], unit, name, "").start
            lines += f"   would start at {start}"
    return lines


def _of_iso(
    text: pandas.Series[Any], filled: pandas.Series[Any], unit: str | None, name: str, where: str
) -> Clock:  # fmt: skip
    import pandas

    first = str(filled.iloc[0])
    stamps = pandas.to_datetime(
        text.str.replace(",", ".") if "," in first else text, format="ISO8601", utc=True, errors="coerce"
    )
    read = text[stamps.notna()]
    # A zone ends in Z or has its sign behind the date; a regular expression takes eight times as long.
    zoned = sum(cell[-1] in "Zz" or "+" in cell or cell.rfind("-") > 10 for cell in read.tolist())
    seconds = _unix(stamps.dt.tz_localize(None))
    if zoned and zoned < len(read):
        raise LogError(
            f"{zoned} of {len(read)} times in '{name}' state a zone and the others do not",
            where=where,
            cure="write all of them in one way",
        )
    if not zoned:
        return _zoneless(seconds, unit)
    if unit == "local":
        what = f"the times in '{name}' state their zone, so they are not local times of an unknown one"
        raise LogError(what, where=where, cure=f'give --column "time={name}" without a unit')
    return Clock(seconds, "UTC", "ISO 8601 with a zone, in UTC")


def _of_written(
    text: pandas.Series[Any],
    filled: pandas.Series[Any],
    first: re.Match[str],
    unit: str | None,
    name: str,
    where: str,
) -> Clock:
    """Dates as spreadsheets write them; which number is the month is told from the numbers or asked."""
    import pandas

    mark, gap = first[2], first[5]
    if len(first[1]) == 4:
        date = f"%Y{mark}%m{mark}%d"
    else:
        parts = filled.str.extract(r"^(\d{1,2})[-/.](\d{1,2})[-/.]").astype(float)
        order = _day_or_month(parts[0].max() > 12, parts[1].max() > 12, unit, f"{first[0]}", name, where)
        year = "%Y" if len(first[4]) == 4 else "%y"
        date = mark.join(("%d", "%m", year) if order == "day/month" else ("%m", "%d", year))
    hour = "%I" if first[10] else "%H"
    half = (" %p" if first[10] and first[10][0].isspace() else "%p") if first[10] else ""
    pattern = f"{date}{gap}{hour}:%M{':%S' if first[8] else ''}{'.%f' if first[9] else ''}{half}"
    stamps = pandas.to_datetime(text, format=pattern, errors="coerce")
    return _zoneless(_unix(stamps), unit if unit in {"UTC", "local"} else None)


def _day_or_month(
    first_is_day: bool, second_is_day: bool, unit: str | None, example: str, name: str, where: str
) -> str:
    cure = f'add --column "time={name}:day/month" or --column "time={name}:month/day"'
    if first_is_day and second_is_day:
        what = f"the dates in '{name}' have numbers above 12 both in the first and in the second place"
        raise LogError(what, where=where, cure="write the dates in one way, best as 2026-04-13T14:05:07Z")
    told = "day/month" if first_is_day else "month/day" if second_is_day else None
    stated = unit if unit in {"day/month", "month/day"} else None
    if told and stated and told != stated:
        raise LogError(f"'{name}' is stated as {stated}, but only {told} fits its numbers", where=where, cure=cure)
    if told is None and stated is None:
        what = f"the dates in '{name}', such as {example}, may be day/month or month/day"
        raise LogError(what, where=where, cure=cure)
    return told or stated or ""


def _of_day(text: pandas.Series[Any]) -> Clock:
    """Time of day without a date; a fall by more than half a day is midnight."""
    import pandas

    whole = text.str.replace(",", ".").where(text.str.count(":") > 1, text + ":00")
    spans = pandas.to_timedelta(whole, errors="coerce")
    seconds = np.array(spans.dt.total_seconds(), dtype=np.float64)
    known = np.flatnonzero(np.isfinite(seconds))
    falls = np.diff(seconds[known], prepend=seconds[known[:1]]) < -_DAY / 2
    seconds[known] += _DAY * np.cumsum(falls)
    return Clock(seconds, "elapsed", "time of day without a date; midnight is told by the clock starting over")
