"""What a rehearsal rests on: the map, the bar as solved, how it is driven, and what is unknown of the day."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray
from geoflow.base.schema import LOW_LIMITS
from geoflow.decide.vet import Solution
from geoflow.hydraulics.window import FlowWindow
from geoflow.rehearsal.route import Driving
from geoflow.rehearsal.switching import Sections, Switching

__all__ = ["DisplaySettings", "Draw", "Setup", "Unknown", "draws", "flow_ends", "middle_draw", "sections_in_use"]

# Limits that hold the flow back whatever rows are on, and those that let through as much as rows are on.
_VOLUMES: Final = ("pump flow", "pump drive", "suction", "excess flow")
_PRESSURES: Final = ("pump pressure", "rated pressure")
_NO_END: Final = 1e6  # [kg/s]


@dataclass(frozen=True, slots=True)
class DisplaySettings:
    """Where the display reads the target: so far ahead of the bar [m], and so long ahead of the time [s]."""

    antenna: float = 0.0
    look_ahead: float = 0.0


@dataclass(frozen=True, slots=True)
class Unknown:
    """What is not known before the day, as ranges or standard deviations.

    Attributes
    ----------
    delay, time_constant : tuple of float
        Of the rate control [s].
    meter : float
        Standard deviation of true over counted flow [-].
    scatter : float
        Standard deviation of single readings of the meter [-].
    wobble, lasting : float
        Standard deviation of the ground speed [-], and how long a deviation lasts [s].
    """

    delay: tuple[float, float]
    time_constant: tuple[float, float]
    meter: float = 0.01
    scatter: float = 0.01
    wobble: float = 0.03
    lasting: float = 5.0


@dataclass(frozen=True, slots=True)
class Draw:
    """One day as it may turn out.

    Attributes
    ----------
    speed : float
        Where in the planned range of speeds, from -1 to 1.
    delay, time_constant : float
        [s]
    meter : float
        True over counted flow [-].
    temperature : float
        Of the liquid in a full tank [K].
    low, high : float
        Either end of the window, from 0 as it may be to 1 as it certainly is.
    seed : int or None
        Of the wobbling speed; None for a steady one.
    """

    speed: float
    delay: float
    time_constant: float
    meter: float
    temperature: float
    low: float
    high: float
    seed: int | None


@dataclass(frozen=True, slots=True, eq=False)
class Setup:
    """Everything a rehearsal rests on.

    Attributes
    ----------
    zones : ndarray of Polygon or MultiPolygon, shape (zones,)
        In a local frame [m].
    rate : ndarray, shape (zones,)
        Nitrogen asked [kg/m2].
    slow, fast : ndarray, shape (zones,)
        Speeds of the plan [m/s].
    solution : Solution
        The solved bar.
    course : (float, bool)
        Heading of the first pass [rad], and whether it runs along the right edge.
    driving, switching, display, unknown
        How it is driven, and what is not known.
    full_load : float
        Ammonia a full tank gives [kg]; infinite where tanks are not counted.
    """

    zones: np.ndarray[Any, np.dtype[np.object_]]
    rate: FloatArray
    slow: FloatArray
    fast: FloatArray
    solution: Solution
    course: tuple[float, bool]
    unknown: Unknown
    driving: Driving = field(default_factory=Driving)
    switching: Switching = field(default_factory=Switching)
    display: DisplaySettings = field(default_factory=DisplaySettings)
    full_load: float = np.inf

    @property
    def speed(self) -> FloatArray:
        """To drive in each zone [m/s]."""
        return 0.5 * (self.slow + self.fast)

    @property
    def asks(self) -> BoolArray:
        """Which zones ask for ammonia."""
        return np.asarray(self.rate > 0.0)

    @property
    def sections(self) -> Sections:
        """Those in use."""
        return sections_in_use(self.solution)


def sections_in_use(solution: Solution) -> Sections:
    """Lay the sections in use side by side.

    Parameters
    ----------
    solution : Solution
        The solved bar with its plan.
    """
    bar, used = solution.bar, sorted(solution.plan.sections)
    widths = np.array([section.rows * bar.row_spacing for section in bar.sections])
    middles = np.cumsum(widths) - 0.5 * widths - 0.5 * widths.sum()
    ends = middles[used[0]] - 0.5 * widths[used[0]], middles[used[-1]] + 0.5 * widths[used[-1]]
    centre = float(0.5 * (ends[0] + ends[1]))
    return Sections(tuple(used), widths[used], middles[used] - centre, centre)


def middle_draw(setup: Setup) -> Draw:
    """The middle of everything unknown.

    Parameters
    ----------
    setup : Setup
        With what is unknown.
    """
    unknown = setup.unknown
    kelvin = 0.5 * sum(setup.solution.plan.temperature)
    return Draw(0.0, 0.5 * sum(unknown.delay), 0.5 * sum(unknown.time_constant), 1.0, kelvin, 0.5, 0.5, None)


def draws(setup: Setup, count: int, seed: int) -> list[Draw]:
    """Draw days, each unknown spread evenly over its range (Latin hypercube), the meter over its normal spread.

    Parameters
    ----------
    setup : Setup
        With what is unknown.
    count : int
        How many.
    seed : int
        The same seed gives the same days.
    """
    from statistics import NormalDist

    random = np.random.default_rng(seed)
    shares = (np.array([random.permutation(count) for _ in range(7)]) + random.uniform(size=(7, count))) / count
    unknown, plan = setup.unknown, setup.solution.plan

    def within(ends: tuple[float, float], share: float) -> float:
        return ends[0] + share * (ends[1] - ends[0])

    return [
        Draw(
            2.0 * each[0] - 1.0,
            within(unknown.delay, each[1]),
            within(unknown.time_constant, each[2]),
            1.0 + unknown.meter * NormalDist().inv_cdf(each[3]),
            within(plan.temperature, each[4]),
            each[5],
            each[6],
            int(random.integers(2**31)),
        )
        for each in shares.T.tolist()
    ]


def flow_ends(window: FlowWindow, kelvin: FloatArray, draw: Draw) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Ends of the window at liquid temperatures, in true flow [kg/s], shape (n,) each.

    Parameters
    ----------
    window : FlowWindow
        Over all temperatures that may come.
    kelvin : ndarray, shape (n,)
        Of the liquid [K].
    draw : Draw
        Where between certain and possible its ends lie.

    Returns
    -------
    low, volume, pressure : ndarray
        Least flow; most that pump and suction pass, whatever is on; most that pressures let through all rows.
    """

    def end(names: tuple[str, ...], worse: float, *, most: bool) -> FloatArray:
        extreme = np.minimum.reduce if most else np.maximum.reduce
        known = [name for name in names if name in window.certain]
        if not known:
            return np.full(kelvin.size, _NO_END if most else 0.0)
        ends = [extreme([flows[name] for name in known]) for flows in (window.possible, window.certain)]
        hoped, held = (np.clip(np.nan_to_num(one, posinf=_NO_END), 0.0, _NO_END) for one in ends)
        return np.asarray(np.interp(kelvin, window.temperature, hoped + worse * (held - hoped)))

    return (
        end(LOW_LIMITS, draw.low, most=False),
        end(_VOLUMES, draw.high, most=True),
        end(_PRESSURES, draw.high, most=True),
    )
