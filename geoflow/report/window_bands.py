"""The window over one axis: the rates that hold at each temperature, or each speed, with the limits that end them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.rates import nitrogen_rate

if TYPE_CHECKING:
    from geoflow.decide.vet import Solution

__all__ = ["Band", "over_speed", "over_temperature"]

# Temperatures drawn beyond the planned ones [K].
_BESIDE: Final = 8.0
_SAME: Final = 1e-6


@dataclass(frozen=True, slots=True)
class Band:
    """A window over one axis; arrays of shape (n,).

    Attributes
    ----------
    kind : str
        ``"temperature"`` or ``"speed"``.
    x : ndarray
        In rising order [K or m/s].
    certain, possible : tuple of ndarray
        Lowest and highest rate [kg/m2]; NaN where there is none.
    limits : tuple of sequence of str
        What ends the certain window, or the possible one where that is all there is.
    plan : tuple of float
        Lowest and highest planned [K or m/s].
    """

    kind: str
    x: FloatArray
    certain: tuple[FloatArray, FloatArray]
    possible: tuple[FloatArray, FloatArray]
    limits: tuple[Sequence[str], Sequence[str]]
    plan: tuple[float, float]

    def named_edge(self, side: int) -> Iterator[tuple[str, int, int]]:
        """Yield each stretch of an edge under one limit: its name, first and last place.

        Parameters
        ----------
        side : int
            0 for the lower, 1 for the upper.
        """
        known, names = np.isfinite(self.edge(side)), self.limits[side]
        sure, begin = np.isfinite(self.certain[side]), 0
        for i in range(1, len(names) + 1):
            if i == len(names) or (names[i], sure[i], known[i]) != (names[begin], sure[begin], known[begin]):
                if known[begin] and names[begin]:
                    yield names[begin], begin, i - 1
                begin = i

    def at(self, place: float) -> tuple[tuple[float, float], tuple[float, float], tuple[str, str]]:
        """Give certain and possible rates [kg/m2], NaN where there are none, and the limits, at one place of the axis.

        Parameters
        ----------
        place : float
            [K or m/s]; between two places of the band the rates lie on a straight line.
        """
        near = int(np.argmin(np.abs(self.x - place)))
        (low, high), (dim, bright) = (
            tuple(float(np.interp(place, self.x, end)) for end in ends) for ends in (self.certain, self.possible)
        )
        return (low, high), (dim, bright), (self.limits[0][near], self.limits[1][near])

    def edge(self, side: int) -> FloatArray:
        """Give the certain end where there is one, else the possible one.

        Parameters
        ----------
        side : int
            0 for the lower, 1 for the upper.
        """
        return np.where(np.isfinite(self.certain[side]), self.certain[side], self.possible[side])


def over_temperature(solution: Solution, across: tuple[float, float] | None = None) -> Band:
    """Rates that hold at each single temperature over all planned speeds.

    Parameters
    ----------
    solution : Solution
        The solved bar.
    across : tuple of float, optional
        From where to where [K]; a little beyond the plan if not given.
    """
    search, plan, fraction = solution.search, solution.plan, solution.bar.nitrogen_fraction
    first, last = (plan.temperature[0] - _BESIDE, plan.temperature[1] + _BESIDE) if across is None else across
    near = (search.temperature >= first - _SAME) & (search.temperature <= last + _SAME)
    if near.sum() < 2:
        near = np.ones_like(near)

    def rates(*, certain: bool) -> tuple[FloatArray, FloatArray]:
        low, high = (edge / search.delivered_ratio for edge in search.edges(certain=certain))
        low = nitrogen_rate(low, plan.speed[0], search.width, fraction)
        high = nitrogen_rate(high, plan.speed[1], search.width, fraction)
        empty = ~(low <= high)
        return np.where(empty, np.nan, low)[near], np.where(empty, np.nan, high)[near]

    lows, highs = (np.asarray(names)[near].tolist() for names in search.edge_limits(certain=True))
    how = rates(certain=True), rates(certain=False), (lows, highs), plan.temperature
    return Band("temperature", search.temperature[near], *how)


def over_speed(solution: Solution, across: tuple[float, float] | None = None) -> Band:
    """Rates that hold at each single speed over all planned temperatures.

    Parameters
    ----------
    solution : Solution
        The solved bar.
    across : tuple of float, optional
        From where to where [m/s]; a little beyond the plan and the allowed speeds if not given.
    """
    plan, allowed = solution.plan, solution.bar.limits.speed
    if across is None:
        across = 0.96 * min(allowed[0], plan.speed[0]), 1.04 * max(allowed[1], plan.speed[1])
    speed = np.linspace(*across, 160)
    width, fraction = solution.window.width, solution.bar.nitrogen_fraction

    def rates(bounds: Any) -> tuple[FloatArray, FloatArray]:
        if bounds.empty:
            return np.full(speed.shape, np.nan), np.full(speed.shape, np.nan)
        low, high = (nitrogen_rate(end, speed, width, fraction) for end in (bounds.low, bounds.high))
        return low, high

    named = solution.possible if solution.certain.empty else solution.certain
    limits = [named.low_limit] * len(speed), [named.high_limit] * len(speed)
    return Band("speed", speed, rates(solution.certain), rates(solution.possible), limits, plan.speed)
