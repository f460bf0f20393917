"""The time of day by its liquid temperature, and the hours the field takes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray, Floats
from geoflow.base.errors import UsageError
from geoflow.base.rates import ammonia_flow
from geoflow.decide.vet import Solution

__all__ = [
    "TemperatureCurve",
    "WorkTime",
    "field_capacity",
    "field_efficiency",
    "temperature_curve",
    "work_hours",
]

# As in vet: a rate right at the window's edge passes in spite of rounding.
_ROUNDING: Final = 1e-9
# Iowa State University Extension, anhydrous applicators: PM 696 (2001) 9 and 13 knives 65 %, 17 knives 63 %; A3-24
# 15 knives 65 %, 17 and 23 knives 63 %.
_WIDEST_QUICK_BAR: Final = 15
_QUICK, _SLOW = 0.65, 0.63


@dataclass(frozen=True, slots=True)
class TemperatureCurve:
    """Area that certainly holds at the planned speeds at each single liquid temperature.

    Attributes
    ----------
    temperature : ndarray, shape (n,)
        Of the liquid in the tank [K].
    area_held : ndarray, shape (n,)
        [m2]
    asked : float
        Area that asks for ammonia [m2].
    best_area : float
        The most that holds at one temperature [m2].
    best : tuple of float or None
        Coldest and warmest temperature of the grid of the stretch that holds the most [K]; of several, the one nearest
        the planned temperatures. None where nothing holds.
    """

    temperature: FloatArray
    area_held: FloatArray
    asked: float
    best_area: float
    best: tuple[float, float] | None


def temperature_curve(
    rate: Floats, area: FloatArray, solution: Solution, speeds: tuple[FloatArray, FloatArray] | None = None
) -> TemperatureCurve:
    """Find the area that certainly holds over the temperatures the solution searched, at the planned speeds.

    Parameters
    ----------
    rate : array_like, shape (zones,)
        Nitrogen rate [kg/m2], zero or more.
    area : ndarray, shape (zones,)
        Of each zone [m2].
    solution : Solution
        From `vet.solve`; its search grid sets the temperatures.
    speeds : tuple of ndarray, optional
        Slowest and fastest speed of each zone [m/s], where zones have speeds of their own; the plan's otherwise.
    """
    window, fraction = solution.search, solution.bar.nitrogen_fraction
    low, high = (edge / window.delivered_ratio for edge in window.edges(certain=True))
    wanted = np.asarray(rate, dtype=np.float64)
    slow, fast = solution.plan.speed if speeds is None else speeds
    flows = [ammonia_flow(wanted, speed, window.width, fraction) for speed in (slow, fast)]
    # A map has far fewer rates and speeds than zones.
    distinct, zone = np.unique(np.column_stack(flows), axis=0, return_inverse=True)
    weight = np.where(distinct[:, 0] > 0.0, np.bincount(zone.ravel(), area, len(distinct)), 0.0)
    least, most = distinct[:, 0] * (1.0 + _ROUNDING), distinct[:, 1] * (1.0 - _ROUNDING)
    held = np.array(
        [weight[(least >= low[at]) & (most <= high[at])].sum() for at in range(window.temperature.size)], dtype=float
    )
    asked, best_area = float(weight.sum()), float(held.max())
    if best_area <= _ROUNDING * asked:
        return TemperatureCurve(window.temperature, held, asked, 0.0, None)
    good = np.concatenate([[False], held >= best_area - _ROUNDING * asked, [False]])
    change = np.flatnonzero(good[1:] != good[:-1])
    first, last = window.temperature[change[::2]], window.temperature[change[1::2] - 1]
    away = np.maximum(first - solution.plan.temperature[1], solution.plan.temperature[0] - last)
    pick = int(np.lexsort((first - last, np.maximum(away, 0.0)))[0])
    return TemperatureCurve(window.temperature, held, asked, best_area, (float(first[pick]), float(last[pick])))


def field_efficiency(rows: int) -> float:
    """Share of the time in the field that an ammonia bar works [-], by its rows.

    Iowa State University Extension PM 696 (2001) and A3-24: 65 % for 9, 13 and 15 knives, 63 % for 17 and 23. A bar
    outside these is given the figure of the nearest; sixteen rows the lower one.

    Parameters
    ----------
    rows : int
        Of the bar, in use.
    """
    return _QUICK if rows <= _WIDEST_QUICK_BAR else _SLOW


def field_capacity(speed: Floats, width: Floats, efficiency: Floats) -> FloatArray:
    """Area worked over time [m2/s] at a speed [m/s] with a width [m] and a field efficiency [-]: v W E.

    Parameters
    ----------
    speed, width, efficiency : float or ndarray
        [m/s], [m] and [-]; they broadcast.
    """
    return np.asarray(np.asarray(speed, dtype=np.float64) * width * efficiency)


@dataclass(frozen=True, slots=True)
class WorkTime:
    """Time with the bar in the ground and time in the field, turns and refills included [s]."""

    productive: float
    total: float


def work_hours(area: FloatArray, speed: Floats, width: float, efficiency: float) -> WorkTime:
    """Time to work zones at their speeds.

    Parameters
    ----------
    area : ndarray, shape (zones,)
        Of each zone [m2]; zones of rate zero are driven over too, leave them out if they are not.
    speed : float or ndarray, shape (zones,)
        Over ground [m/s].
    width : float
        Worked [m].
    efficiency : float
        Productive over total time [-], above 0 and at most 1; see `field_efficiency`.

    Raises
    ------
    UsageError
        For an efficiency that is none.
    """
    if not 0.0 < efficiency <= 1.0:
        raise UsageError(
            "the field efficiency is not above 0 and at most 1", where="--efficiency", cure="give it like 0.65"
        )
    productive = float(np.sum(area / field_capacity(speed, width, 1.0)))
    return WorkTime(productive, productive / efficiency)
