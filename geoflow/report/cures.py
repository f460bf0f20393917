"""What would make a zone hold, in words."""

from __future__ import annotations

import math

import numpy as np

from geoflow.base.arrays import FloatArray, IntArray
from geoflow.base.units import System, number, unit_label
from geoflow.decide.vet import Solution, Vetting
from geoflow.report.layout import within

__all__ = ["advisable", "cure_texts"]

# Liquid nobody will have in a tank on a working day, 20 and 90 degF, is no advice [K].
_COLDEST_ADVISED, _WARMEST_ADVISED = 266.5, 305.4
_NO_WAY = "no speed, usual liquid, other rate or orifice in the bar file is sure to make it hold by itself."


def advisable(low: float, high: float) -> bool:
    """Whether some liquid temperature between these [K] is one that a tank may have on a working day.

    Parameters
    ----------
    low, high : float
        [K]
    """
    return high >= _COLDEST_ADVISED and low <= _WARMEST_ADVISED


def _ways(index: int, solution: Solution, vetting: Vetting, system: System) -> list[str]:
    """Ways to make zone `index` hold without touching its rate."""
    ways = []
    slow, fast = float(vetting.speed_low[index]), float(vetting.speed_high[index])
    if math.isfinite(slow):
        ways.append(f"drive {within(slow, fast, 'speed', system)}")
    fitting = [name for name, cures in vetting.cured_by_orifice.items() if cures[index]]
    if fitting:
        ways.append("fit orifice " + " or ".join(f"'{name}'" for name in fitting))
    low, high = float(vetting.temperature_low[index]), float(vetting.temperature_high[index])
    if math.isfinite(low) and advisable(low, high):
        ways.append(_liquid(low, high, solution, system))
    return ways


def _liquid(low: float, high: float, solution: Solution, system: System) -> str:
    """Say which liquid would do, against the planned one."""
    planned_low, planned_high = solution.plan.temperature
    label = unit_label("temperature", system)
    if low <= solution.search.temperature[0] + 0.1:
        words = f"no warmer than {number(high, 'temperature', system, None, 'down')} {label}"
    elif high >= solution.search.temperature[-1] - 0.1:
        words = f"no colder than {number(low, 'temperature', system, None, 'up')} {label}"
    else:
        words = within(low, high, "temperature", system)
    if high < planned_low:
        return "wait for colder liquid: " + words
    if low > planned_high:
        return "wait for warmer liquid: " + words
    return "keep the liquid at " + words


def _cure(index: int, rate: FloatArray, solution: Solution, vetting: Vetting, system: System) -> str:
    if not vetting.limited_by[index]:
        return ""
    ways = _ways(index, solution, vetting, system)
    low, high = solution.rate_bounds(solution.certain)
    label = unit_label("nitrogen rate", system)
    if low <= high:
        if rate[index] < low:
            least = number(low, "nitrogen rate", system, None, "up")
            ways.append(f"raise the rate to {least} {label} or more (the agronomist's decision)")
        else:
            ways.append(f"lower the rate to {number(high, 'nitrogen rate', system, None, 'down')} {label} or less")
    # What a limit's remedy says in general was looked at for this zone and does not do.
    return "; or ".join(ways) + "." if ways else _NO_WAY


def cure_texts(chosen: IntArray, rate: FloatArray, solution: Solution, vetting: Vetting, system: System) -> list[str]:
    """What would make some zones hold; an empty text for one that holds or is off.

    Parameters
    ----------
    chosen : ndarray of int
        Indices of the zones.
    rate : ndarray
        Nitrogen rate of all zones [kg/m2].
    solution, vetting
        From `vet.solve` and `vet.vet`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    # Zones of one rate share their verdict and so their cure; a map has far fewer rates than zones.
    _, first, back = np.unique(rate[chosen], return_index=True, return_inverse=True)
    distinct = [_cure(int(chosen[place]), rate, solution, vetting, system) for place in first]
    return [distinct[place] for place in back.tolist()]
