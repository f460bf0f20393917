"""Air, sun and readings of the liquid over a day, and what of the liquid in the tank follows from them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray
from geoflow.base.units import HOUR, PSI
from geoflow.physics.tank_heat import drawn_range, outside_range, shell_over_capacity, standing_range

__all__ = [
    *("GAUGE_OFF", "LAYERED", "THERMOMETER_OFF"),
    "LiquidDay",
    "Weather",
    "clock_text",
    "full_sun",
    "liquid_over_day",
]

GAUGE_OFF: Final = 2.0 * PSI
"""How far a tank's gauge may be off [Pa]; common practice, no source."""
LAYERED: Final = 2.0
"""How much colder than its warm top, which the gauge shows, the liquid that is drawn may be [K]; common practice, no
source."""
THERMOMETER_OFF: Final = 1.0
"""How far a thermometer in the liquid may be off [K]; common practice, no source."""
_STEP: Final = 300.0
# The sun of the longest day at noon of either clock, summer or winter time; common practice, no source.
_SUNRISE, _SUNSET, _FULL = 4.0 * HOUR, 22.0 * HOUR, 1000.0


@dataclass(frozen=True, slots=True)
class Weather:
    """A day as it was told; arrays of shape (n,), NaN where nothing was.

    Attributes
    ----------
    name : str
        Of the file.
    time : ndarray
        From midnight before the first moment [s], rising.
    air : ndarray
        [K]
    sun : ndarray
        On level ground [W/m2].
    readings : ndarray, shape (2, n)
        Between which temperatures the liquid was read to lie [K].
    notes : tuple of str
        What the reading saw.
    """

    name: str
    time: FloatArray
    air: FloatArray
    sun: FloatArray
    readings: FloatArray
    notes: tuple[str, ...] = ()

    @property
    def has_air(self) -> bool:
        """Whether the air is told, and not only the liquid."""
        return bool(np.isfinite(self.air).any())

    @property
    def has_sun(self) -> bool:
        """Whether the sun is told."""
        return bool(np.isfinite(self.sun).any())


@dataclass(frozen=True, slots=True)
class LiquidDay:
    """The liquid at even moments of a day; arrays of shape (n,) or (2, n), the colder bound first.

    Attributes
    ----------
    time : ndarray
        From midnight before the first moment [s].
    full : ndarray
        In a full tank that stands [K].
    drawn : ndarray
        In a tank that stands, or is being drawn since any moment before [K].
    against : ndarray of bool
        Where a reading lies outside of what air and sun can do; it is believed.
    """

    time: FloatArray
    full: FloatArray
    drawn: FloatArray
    against: BoolArray


def clock_text(seconds: float) -> str:
    """Write a moment of the day as its clock shows it, of the next day as that.

    Parameters
    ----------
    seconds : float
        From midnight [s].
    """
    day, minutes = divmod(round(seconds / 60.0), 24 * 60)
    return f"{minutes // 60:02d}:{minutes % 60:02d}{' next day' if day else ''}"


def full_sun(time: FloatArray) -> FloatArray:
    """Most sun on level ground [W/m2] by the clock.

    Parameters
    ----------
    time : ndarray
        From midnight [s].
    """
    share = (np.mod(time, 24.0 * HOUR) - _SUNRISE) / (_SUNSET - _SUNRISE)
    return np.where((share > 0.0) & (share < 1.0), _FULL * np.sin(np.pi * np.clip(share, 0.0, 1.0)), 0.0)


def _most_sun(weather: Weather, time: FloatArray) -> FloatArray:
    """Most sun at any moment [W/m2]: the greater of the hours beside it, or all there can be where none is told."""
    known = np.isfinite(weather.sun)
    told, sun = weather.time[known], weather.sun[known]
    if not told.size:
        return full_sun(time)
    after = np.clip(np.searchsorted(told, time), 0, told.size - 1)
    before = np.clip(np.searchsorted(told, time, side="right") - 1, 0, told.size - 1)
    near = (time >= told[0]) & (time <= told[-1]) & (told[after] - told[before] <= 3.0 * HOUR)
    return np.where(near, np.maximum(sun[before], sun[after]), full_sun(time))


def liquid_over_day(
    weather: Weather,
    start: tuple[float, float],
    fills: tuple[float, float],
    capacity: float,
    durations: tuple[float, float],
) -> LiquidDay:
    """Bound the liquid over a day.

    Parameters
    ----------
    weather : Weather
        As told.
    start : tuple of float
        Coldest and warmest liquid in a full tank at the first moment [K].
    fills : tuple of float
        Liquid volume over water capacity of a full tank and of one that is taken off [-].
    capacity : float
        Water capacity of one tank [m3].
    durations : tuple of float
        From a full tank to one that is taken off, the shortest and the longest there can be [s].
    """
    count = int(np.floor((weather.time[-1] - weather.time[0]) / _STEP + 1e-9)) + 1
    time = weather.time[0] + _STEP * np.arange(count)
    readings = np.full((2, count), np.nan)
    nearest = np.minimum(np.rint((weather.time - time[0]) / _STEP).astype(np.int64), count - 1)
    read = np.isfinite(weather.readings[0])
    readings[:, nearest[read]] = weather.readings[:, read]
    if not weather.has_air:
        full = _between(weather, time)
        # Nothing is known of the air, so that a tank is drawn without heat from it.
        outside, area = np.stack([full, np.zeros_like(full)]), 1e-12
        return LiquidDay(
            time, full, drawn_range(full, outside, fills, area, _STEP, durations), np.zeros(count, dtype=np.bool_)
        )
    known = np.isfinite(weather.air)
    outside = outside_range(np.interp(time, weather.time[known], weather.air[known]), _most_sun(weather, time))
    area = shell_over_capacity(capacity)
    full, against = standing_range(outside, start, fills[0], area, _STEP, readings)
    return LiquidDay(time, full, drawn_range(full, outside, fills, area, _STEP, durations), against)


def _between(weather: Weather, time: FloatArray) -> FloatArray:
    """Liquid between two readings: no colder and no warmer than both of them."""
    known = np.isfinite(weather.readings[0])
    told, ends = weather.time[known], weather.readings[:, known]
    after = np.clip(np.searchsorted(told, time), 0, told.size - 1)
    before = np.clip(np.searchsorted(told, time, side="right") - 1, 0, told.size - 1)
    return np.stack([np.minimum(ends[0, before], ends[0, after]), np.maximum(ends[1, before], ends[1, after])])
