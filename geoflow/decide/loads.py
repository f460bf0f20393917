"""Tank loads: how many, where along the passes each runs out, and how cold the liquid is by then."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar, Tank
from geoflow.base.arrays import BoolArray, FloatArray, Floats, IntArray
from geoflow.base.errors import BarError, RangeError, UsageError
from geoflow.decide.vet import Solution, Vetting, solve, vet
from geoflow.ground.passes import Passes
from geoflow.physics.ammonia import saturation
from geoflow.physics.tanks import DrawDown, draw_down

__all__ = ["EndOfTank", "TankCount", "TankLoads", "end_of_tank_window", "tank_count", "tank_loads"]

# A last load smaller than this share of a full one is rounding.
_ROUNDING: Final = 1e-9
_WORTH: Final = {"holds": 2, "doubtful": 1, "fails": 0, "off": 3}


@dataclass(frozen=True, slots=True)
class TankCount:
    """How many tanks some ammonia takes.

    Attributes
    ----------
    drawn : ndarray, shape (loads,)
        Ammonia drawn from each [kg].
    full_load : float
        Ammonia that can be drawn from a full tank down to the heel [kg].
    per_nitrogen : float
        Ammonia drawn for each kilogram of nitrogen prescribed [-].
    together : int
        Tanks drawn together, whose contents make one load.
    """

    drawn: FloatArray
    full_load: float
    per_nitrogen: float
    together: int


@dataclass(frozen=True, slots=True)
class TankLoads:
    """Loads in driving order; arrays of shape (loads,), the last load ending where the field is done.

    Attributes
    ----------
    drawn : ndarray
        Ammonia drawn from each load [kg].
    end_fill : ndarray
        Liquid volume over water capacity at its end [-].
    end_temperature : ndarray
        Of the liquid at its end, without heat from air and steel the coldest it can be [K].
    number, zone : ndarray of int
        Pass and zone in which it ends.
    distance : ndarray
        From where that pass enters its first zone [m].
    x, y : ndarray
        Place in the local frame [m].
    start_temperature : float
        Of every load [K].
    full_load : float
        Ammonia that can be drawn from a full tank, or from full twin tanks, down to the heel [kg].
    liquid_mass, liquid_volume : float
        Liquid in a full tank [kg], [m3].
    delivered_ratio : float
        Ammonia drawn over ammonia prescribed [-]; not 1 for a meter without temperature correction.
    heel : float
        Liquid volume over water capacity at which a tank is taken off [-].
    together : int
        Tanks drawn together, whose contents make one load.
    """

    drawn: FloatArray
    end_fill: FloatArray
    end_temperature: FloatArray
    number: IntArray
    zone: IntArray
    distance: FloatArray
    x: FloatArray
    y: FloatArray
    start_temperature: float
    full_load: float
    liquid_mass: float
    liquid_volume: float
    delivered_ratio: float
    heel: float
    together: int = 1


def _together(bar: Bar) -> int:
    """Tanks drawn at the same time."""
    return 1 if bar.suction is None else max(len(bar.suction.tank_hoses), 1)


def _tank(bar: Bar, heel: float) -> Tank:
    if bar.tank is None:
        raise BarError(
            "the bar names no tank, so loads cannot be counted",
            where="tank",
            cure='add [tank] with capacity = "1000 gal"',
        )
    if not 0.0 <= heel < bar.tank.fill:
        raise UsageError(
            f"a heel of {heel:.4g} leaves nothing to draw from a tank filled to {bar.tank.fill:.4g} of its capacity",
            where="--heel",
            cure="give a share of the tank's capacity from 0 to below the fill, like 0.05",
        )
    return bar.tank


def _delivered_ratio(bar: Bar, path: DrawDown, heel: float) -> float:
    """Mean over a tank of true flow over counted flow."""
    reference = bar.meter.reference_temperature
    if reference is None:
        return 1.0
    ends = saturation(np.array([path.temperature[0], path.temperature_at(heel)])).liquid_density
    return float(ends.mean() / saturation(reference).liquid_density)


def _loads(total: float, full: float) -> int:
    """Count the full tanks, the last one begun, that hold a total [kg]."""
    return int(np.ceil(total / full * (1.0 - _ROUNDING))) if total > 0.0 else 0


def tank_count(nitrogen: float, bar: Bar, start_temperature: float, *, heel: float = 0.05) -> TankCount:
    """Count the tanks that some nitrogen takes, wherever they run out.

    Parameters
    ----------
    nitrogen : float
        Of the whole field, as prescribed [kg].
    bar : Bar
        With its tank.
    start_temperature : float
        Of the liquid in a full tank [K].
    heel : float
        Liquid volume over water capacity at which a tank is taken off [-].

    Raises
    ------
    BarError
        If the bar names no tank.
    UsageError
        If the heel is none.
    RangeError
        If the liquid leaves the known temperatures.
    """
    tank = _tank(bar, heel)
    path = draw_down(start_temperature, tank.fill)
    share = _delivered_ratio(bar, path, heel) / bar.nitrogen_fraction
    total, full = nitrogen * share, float(path.drawn_at(heel)) * tank.capacity
    reached = np.minimum(full * np.arange(1, _loads(total, full) + 1), total)
    return TankCount(np.diff(reached, prepend=0.0), full, share, _together(bar))


def tank_loads(
    passes: Passes,
    rate: Floats,
    area: FloatArray,
    bar: Bar,
    start_temperature: float,
    *,
    heel: float = 0.05,
    delivered_ratio: float | None = None,
) -> TankLoads:
    """Count the loads and find where each tank runs out.

    The ammonia on the centre lines is stretched by one factor so that the total is that of rate times area, whatever
    the passes miss or count twice at the edges.

    Parameters
    ----------
    passes : Passes
        From `passes.lay_passes` over the same zones.
    rate : array_like, shape (zones,)
        Nitrogen rate [kg/m2], zero or more.
    area : ndarray, shape (zones,)
        Of each zone [m2].
    bar : Bar
        With its tank.
    start_temperature : float
        Of the liquid in a full tank [K].
    heel : float
        Liquid volume over water capacity at which a tank is taken off [-].
    delivered_ratio : float, optional
        Ammonia drawn over ammonia prescribed [-]; from the meter's reference temperature and the mean density over
        a tank if not given.

    Raises
    ------
    BarError
        If the bar names no tank.
    UsageError
        If the heel is none.
    RangeError
        If no pass crosses ground that asks for ammonia, or the liquid leaves the known temperatures.
    """
    tank = _tank(bar, heel)
    path = draw_down(start_temperature, tank.fill)
    ratio = _delivered_ratio(bar, path, heel) if delivered_ratio is None else delivered_ratio
    share = ratio / bar.nitrogen_fraction
    nitrogen = np.asarray(rate, dtype=np.float64)
    total = float(np.sum(nitrogen * area)) * share
    on_lines = nitrogen[passes.zone] * passes.length * passes.width * share
    asked = np.flatnonzero(on_lines > 0.0)
    if total > 0.0 and not asked.size:
        raise RangeError(
            "no pass crosses a zone that asks for ammonia",
            where="--heading",
            cure="choose another heading; the zones may be narrower than the bar",
        )
    factor = total / float(on_lines.sum()) if asked.size else 1.0
    along = np.cumsum(on_lines[asked]) * factor
    full = float(path.drawn_at(heel)) * tank.capacity
    loads = _loads(total, full)
    reached = np.minimum(full * np.arange(1, loads + 1), along[-1] if loads else 0.0)
    piece = np.minimum(np.searchsorted(along, reached * (1.0 - 1e-12)), max(along.size - 1, 0))
    short = (along[piece] - reached) / (on_lines[asked[piece]] * factor) if loads else np.zeros(0)
    at = asked[piece] if loads else np.zeros(0, dtype=np.int64)
    done = 1.0 - np.clip(short, 0.0, 1.0)
    drawn = np.diff(reached, prepend=0.0)
    end_fill = path.fill_after(drawn / tank.capacity)
    state = saturation(start_temperature)
    return TankLoads(
        drawn,
        end_fill,
        path.temperature_at(end_fill),
        passes.number[at],
        passes.zone[at],
        passes.start[at] + done * passes.length[at],
        passes.start_x[at] + done * (passes.end_x - passes.start_x)[at],
        passes.start_y[at] + done * (passes.end_y - passes.start_y)[at],
        start_temperature,
        full,
        float(state.liquid_density) * tank.fill * tank.capacity,
        tank.fill * tank.capacity,
        ratio,
        heel,
        _together(bar),
    )


@dataclass(frozen=True, slots=True)
class EndOfTank:
    """The verdicts once the cooling of the tank counts.

    Attributes
    ----------
    temperature : float
        Coldest liquid at the end of a tank [K].
    solution : Solution
        The bar solved down to it.
    before, after : Vetting
        Verdicts over the planned temperatures, and over these stretched down to the end of a tank.
    worse : ndarray of bool, shape (zones,)
        Zones whose verdict is worse for it.
    """

    temperature: float
    solution: Solution
    before: Vetting
    after: Vetting
    worse: BoolArray


def end_of_tank_window(
    rate: Floats, solution: Solution, speeds: tuple[FloatArray, FloatArray] | None = None, *, heel: float = 0.05
) -> EndOfTank:
    """Vet zones down to the temperature of a tank that was filled at the coldest planned one and drawn to the heel.

    Parameters
    ----------
    rate : array_like, shape (zones,)
        Nitrogen rate [kg/m2], zero or more.
    solution : Solution
        From `vet.solve`.
    speeds : tuple of ndarray, optional
        Slowest and fastest speed of each zone [m/s], where zones have speeds of their own; the plan's otherwise.
    heel : float
        Liquid volume over water capacity at which a tank is taken off [-].

    Raises
    ------
    BarError
        If the bar names no tank.
    UsageError
        If the heel is none, or the tank cools below the temperatures geoflow covers.
    """
    bar, plan = solution.bar, solution.plan
    tank = _tank(bar, heel)
    coldest = float(draw_down(plan.temperature[0], tank.fill).temperature_at(heel))
    colder = solve(bar, replace(plan, temperature=(coldest, plan.temperature[1]), tank_gauge=None))
    before, after = vet(rate, solution, speeds), vet(rate, colder, speeds)
    worth_before, worth_after = (np.array([_WORTH[name] for name in found.verdict]) for found in (before, after))
    return EndOfTank(coldest, colder, before, after, np.asarray(worth_after < worth_before))
