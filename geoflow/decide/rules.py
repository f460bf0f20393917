"""How rates may be changed to what the bar can deliver: policies, limits of a change, and why each was made."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, TextArray
from geoflow.decide.controller_values import ControllerValues

__all__ = ["LEFT", "POLICIES", "REASONS", "Rules", "choices", "clip", "inward", "round_in"]

POLICIES: Final = ("hold-speed", "hold-rate", "hold-total")
REASONS: Final[dict[str, str]] = {
    "": "kept as it was",
    "lowered": "lowered to the highest rate that can be written and certainly holds",
    "raised": "raised to the lowest rate that can be written and certainly holds",
    "capped": "lowered to the highest rate allowed by --max-rate",
    "speed": "given a speed of its own",
    "lowered, speed": "lowered to what the slowest allowed speed reaches, and given that speed",
    "raised, speed": "raised to what the fastest allowed speed reaches, and given that speed",
    "moved up": "raised to take up nitrogen that other zones lost",
    "moved down": "lowered to give up nitrogen that other zones gained",
    "raised, moved": "raised until it holds, and further to take up nitrogen that other zones lost",
    "lowered, moved": "lowered until it holds, and further to give up nitrogen that other zones gained",
    "rounded down": "lowered to the next value the controller has",
    "rounded up": "raised to the nearest value the controller has",
    "rounded down, speed": "lowered to the next value the controller has, and given a speed of its own",
    "rounded up, speed": "raised to the nearest value the controller has, and given a speed of its own",
    "no value, speed": "kept, as it may be given none of the controller's values, and given a speed of its own",
    "shared": "given one rate with a neighbour, being too short for a rate of its own",
    "needs raising": "left: only a higher rate would hold, and raising is not allowed",
    "over the cap": "left: only a rate above --max-rate would hold",
    "over the share": "left: only a raise by more than --most-raise would hold",
    "no window": "left: no rate certainly holds over this plan",
    "no value": "left: no rate it may be given, of those the file or the controller has, certainly holds",
}
LEFT: Final = ("needs raising", "over the cap", "over the share", "no window", "no value")
"""Reasons of zones that are left as they are because nothing that is allowed would make them hold."""


@dataclass(frozen=True, slots=True)
class Rules:
    """How rates may be changed.

    Attributes
    ----------
    policy : str
        One of `POLICIES`.
    allow_raise : bool
        Whether a rate may exceed its prescription.
    max_rate : float
        Highest nitrogen rate of any zone [kg/m2]; infinity for none.
    mend_doubtful : bool
        Whether doubtful zones are treated like failing ones.
    step : float
        Rates are written in multiples of this [kg/m2]; 0 for any number.
    most_raise : float
        Most a rate may be raised above its prescription, as a share of it, or lowered to make up for raises [-].
    only_values : bool
        Whether rates that need no change are rounded to a value of the controller too.
    listed : tuple of float
        The controller's values, rising [kg/m2]; none where they are the multiples of `step`.
    """

    policy: str
    allow_raise: bool = False
    max_rate: float = np.inf
    mend_doubtful: bool = True
    step: float = 0.0
    most_raise: float = np.inf
    only_values: bool = False
    listed: tuple[float, ...] = ()

    @property
    def values(self) -> ControllerValues:
        """Rates that can be written."""
        return ControllerValues(self.step, self.listed)

    def share_bounds(self, prescribed: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Lowest and highest rate [kg/m2] that lies within `most_raise` of a prescribed one.

        Parameters
        ----------
        prescribed : ndarray, shape (n,)
            [kg/m2]
        """
        if np.isinf(self.most_raise):
            return np.zeros_like(prescribed), np.full_like(prescribed, np.inf)
        return prescribed * (1.0 - self.most_raise), prescribed * (1.0 + self.most_raise)


def inward(low: float, high: float, values: ControllerValues) -> tuple[float, float]:
    """Lowest and highest value the controller has within [low, high]; NaN where it has none.

    Parameters
    ----------
    low, high : float
        Nitrogen rates [kg/m2].
    values : ControllerValues
        What can be written.
    """
    if not np.isfinite([low, high]).all():
        return low, high
    first, last = float(values.above(low)), float(values.below(high))
    return (first, last) if first <= last else (np.nan, np.nan)


def clip(rate: FloatArray, mend: BoolArray, window: tuple[float, float], rules: Rules) -> tuple[FloatArray, TextArray]:
    """Clip zones to the window as the rules allow.

    Parameters
    ----------
    rate : ndarray, shape (zones,)
        Nitrogen rates, none above the cap [kg/m2].
    mend : ndarray of bool, shape (zones,)
        Zones to be clipped.
    window : tuple of float
        Lowest and highest rate that certainly holds [kg/m2].
    rules : Rules
        What may be done.

    Returns
    -------
    rates : ndarray, shape (zones,)
        [kg/m2]
    reason : ndarray of str, shape (zones,)
        Keys of `REASONS`.
    """
    after, reason = rate.copy(), np.full(rate.shape, "", dtype="U32")
    if not window[0] <= window[1]:
        reason[mend] = "no window"
        return after, reason
    low, high = inward(*window, rules.values)
    if not low <= high:
        reason[mend] = "no value"
        return after, reason
    if low > rules.max_rate:
        reason[mend] = "over the cap"
        return after, reason
    above, below = mend & (rate > high), mend & (rate < low)
    after[above], reason[above] = min(high, rules.max_rate), "lowered"
    near = below & (low <= rules.share_bounds(rate)[1])
    if rules.allow_raise:
        after[near], reason[near] = low, "raised"
        reason[below & ~near] = "over the share"
    else:
        reason[below] = "needs raising"
    return after, reason


def round_in(
    rate: FloatArray, chosen: BoolArray, window: tuple[float, float], rules: Rules
) -> tuple[FloatArray, TextArray]:
    """Round zones that hold to a value the controller has, inside the window: down, or with leave to the nearer one.

    Parameters
    ----------
    rate, chosen, window, rules
        As for `clip`; `rate` is as prescribed, but for the cap.

    Returns
    -------
    rates : ndarray, shape (zones,)
        [kg/m2]
    reason : ndarray of str, shape (zones,)
        Keys of `REASONS`.
    """
    down, up = choices(rate, rate, window, rules)
    take_up = np.isfinite(up) & ~(rate - down <= up - rate)
    value = np.where(take_up, up, down)
    found = chosen & np.isfinite(value)
    after, reason = np.where(found, value, rate), np.full(rate.shape, "", dtype="U32")
    reason[chosen & ~found] = "no value"
    reason[after < rate], reason[after > rate] = "rounded down", "rounded up"
    return after, reason


def choices(
    rate: FloatArray, prescribed: FloatArray, window: tuple[float, float], rules: Rules
) -> tuple[FloatArray, FloatArray]:
    """Nearest values of the controller below and above rates that the rules allow; NaN where there is none.

    Parameters
    ----------
    rate, prescribed : ndarray, shape (zones,)
        Rates to be rounded, and as prescribed [kg/m2].
    window, rules
        As for `clip`.
    """
    down, up = rules.values.below(rate), rules.values.above(rate)
    top = np.minimum(min(window[1], rules.max_rate), rules.share_bounds(prescribed)[1])
    if not rules.allow_raise:
        top = np.minimum(top, prescribed)
    same = 1.0 + 1e-9
    down = np.where((down * same >= window[0]) & (down <= top * same), down, np.nan)
    return down, np.where((up * same >= window[0]) & (up <= top * same), up, np.nan)
