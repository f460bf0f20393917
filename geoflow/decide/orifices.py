"""Which of the bar file's orifices serve the planned day best, and what each other one would lose."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import FloatArray, Floats
from geoflow.base.errors import RangeError
from geoflow.base.rates import ammonia_flow
from geoflow.decide.speeds import SpeedCurve, speed_curve_of
from geoflow.decide.vet import Plan, asked_of_rows, fitted_with
from geoflow.hydraulics.rows import row_split
from geoflow.hydraulics.window import Bounds, flow_window, temperature_grid

__all__ = ["EVEN_ROWS", "OrificeChoice", "OrificeOption", "orifice_choice"]

EVEN_ROWS: Final = 0.05
"""Outlets should be within 5 % of their average (University of Georgia Extension, P. Sumner, calibration sheet)."""

# As in vet: a rate right at the window's edge passes in spite of rounding.
_ROUNDING: Final = 1e-9
_MOST_COMBINATIONS: Final = 64
_HALVINGS: Final = 8


@dataclass(frozen=True, slots=True)
class OrificeOption:
    """One way to fit the bar.

    Attributes
    ----------
    orifices : tuple of str
        Key of each section in use, left to right.
    fitted : bool
        Whether the bar has them now.
    certain : Bounds
        Window over the planned temperatures, in flow as the controller takes it [kg/s].
    area_planned : float
        Certainly held at every planned speed [m2].
    speeds : SpeedCurve
        Area over single speeds.
    uneven : float
        Greatest deviation of a section's row flow from the mean of all rows, over the likely cases [-].
    lost_planned : float
        Area short of the best even option at the planned speeds [m2].
    """

    orifices: tuple[str, ...]
    fitted: bool
    certain: Bounds
    area_planned: float
    speeds: SpeedCurve
    uneven: float
    lost_planned: float = 0.0

    @property
    def even(self) -> bool:
        """Whether all rows are within `EVEN_ROWS` of their mean."""
        return self.uneven <= EVEN_ROWS


@dataclass(frozen=True, slots=True)
class OrificeChoice:
    """All ways looked at.

    Attributes
    ----------
    options : tuple of OrificeOption
        Even ones first, best first: each orifice in all sections in use, what the bar has now, and even mixtures.
    recommended : OrificeOption or None
        The best even one; None where none is even or none holds anything.
    mixed : bool
        Whether different orifices in different sections were looked at; left out above 64 combinations.
    uneven_mixtures : dict of tuple of str to float
        Mixtures whose rows are further off their mean than `EVEN_ROWS`, with that deviation [-]; their windows are
        not solved.
    """

    options: tuple[OrificeOption, ...]
    recommended: OrificeOption | None
    mixed: bool
    uneven_mixtures: dict[tuple[str, ...], float]


def orifice_choice(
    bar: Bar,
    plan: Plan,
    rate: Floats,
    area: FloatArray,
    speeds: tuple[FloatArray, FloatArray] | None = None,
) -> OrificeChoice:
    """Compare the bar file's orifices over the whole plan: each in all sections in use, and mixed where few enough.

    Parameters
    ----------
    bar : Bar
        With its orifices.
    plan : Plan
        Temperatures, speeds and sections.
    rate : array_like, shape (zones,)
        Nitrogen rate [kg/m2], zero or more.
    area : ndarray, shape (zones,)
        Of each zone [m2].
    speeds : tuple of ndarray, optional
        Slowest and fastest speed of each zone [m/s], where zones have speeds of their own; the plan's otherwise.

    Raises
    ------
    BarError
        If a measured point contradicts its orifice.

    Notes
    -----
    Every option solves the bar anew, 0.1 to 0.5 s each, so uneven mixtures are left out before. Sections with the
    same rows and feed get the same orifice. Evenness is taken over the likely cases in the middle of the planned
    temperatures and speeds, at the mean rate or as much of it as the orifices pass; where the liquid would boil
    before the orifices, at the least rate at which it does not.
    """
    wanted = np.asarray(rate, dtype=np.float64)
    fittings, mixed = _fittings(bar, plan)
    split = {fitting: _unevenness(fitted_with(bar, plan.sections, fitting), plan, wanted, area) for fitting in fittings}
    now = tuple(bar.sections[index].orifice for index in plan.sections)
    left_out = _too_uneven(split, now)
    options = [
        _option(fitted_with(bar, plan.sections, fitting), plan, wanted, area, speeds, (fitting, fitting == now, off))
        for fitting, off in split.items()
        if fitting not in left_out
    ]

    ordered = _ranked(options, max(float(np.sum(area)), 1.0) * _ROUNDING)
    judged = [option for option in ordered if option.even] or ordered
    planned = max(option.area_planned for option in judged)
    final = tuple(replace(option, lost_planned=planned - option.area_planned) for option in ordered)
    usable = final[0].even and max(_worth(final[0])) > 0.0
    return OrificeChoice(final, final[0] if usable else None, mixed, left_out)


def _too_uneven(split: dict[tuple[str, ...], float], now: tuple[str, ...]) -> dict[tuple[str, ...], float]:
    """Mixtures whose rows would differ too much; what is fitted now is always compared."""
    return {one: off for one, off in split.items() if off > EVEN_ROWS and len(set(one)) > 1 and one != now}


def _worth(option: OrificeOption) -> tuple[float, float]:
    """Area held at the planned speeds and at the option's best single speed [m2]."""
    return option.area_planned, option.speeds.best_area


def _ranked(options: list[OrificeOption], grain: float) -> list[OrificeOption]:
    """Order options, best first; areas that differ by less than a grain [m2] do not decide."""

    def rank(option: OrificeOption) -> tuple[bool, float, float, bool, float]:
        first, second = (-round(value / grain) for value in _worth(option))
        return not option.even, first, second, not option.fitted, option.uneven

    return sorted(options, key=rank)


def _fittings(bar: Bar, plan: Plan) -> tuple[list[tuple[str, ...]], bool]:
    """Orifice keys per section in use, for every option, and whether mixed ones are among them."""
    used = [bar.sections[index] for index in plan.sections]
    kinds = list(dict.fromkeys((section.rows, section.feed) for section in used))
    group = [kinds.index((section.rows, section.feed)) for section in used]
    mixed = len(kinds) > 1 and len(bar.orifices) ** len(kinds) <= _MOST_COMBINATIONS
    picks = list(itertools.product(bar.orifices, repeat=len(kinds))) if mixed else []
    picks += [(key,) * len(kinds) for key in bar.orifices]
    fittings = [tuple(pick[number] for number in group) for pick in picks]
    return list(dict.fromkeys([tuple(section.orifice for section in used), *fittings])), mixed


def _unevenness(bar: Bar, plan: Plan, rate: FloatArray, area: FloatArray) -> float:
    """Greatest deviation of a section's row flow from the mean of all rows [-]."""
    asked = float(np.sum(np.where(rate > 0.0, area, 0.0)))
    if asked <= 0.0:
        return 0.0
    width = bar.row_spacing * sum(bar.sections[index].rows for index in plan.sections)
    mean_rate = float(np.sum(rate * area)) / asked
    flow = float(ammonia_flow(mean_rate, 0.5 * sum(plan.speed), width, bar.nitrogen_fraction))
    for _ in range(_HALVINGS):
        try:
            split = row_split(bar, 0.5 * sum(plan.temperature), plan.sections, flow, held_liquid=True)
        except RangeError:
            # Too small for the mean rate; the split hardly depends on the flow.
            flow *= 0.5
        else:
            return float(np.abs(split.likely).max())
    return float("inf")


def _option(
    bar: Bar,
    plan: Plan,
    rate: FloatArray,
    area: FloatArray,
    speeds: tuple[FloatArray, FloatArray] | None,
    fitting: tuple[tuple[str, ...], bool, float],
) -> OrificeOption:
    window = asked_of_rows(flow_window(bar, temperature_grid(*plan.temperature), plan.sections), bar, plan)
    certain = window.over_plan(certain=True, commanded=True)
    slow, fast = plan.speed if speeds is None else speeds
    slowest = ammonia_flow(rate, slow, window.width, bar.nitrogen_fraction)
    fastest = ammonia_flow(rate, fast, window.width, bar.nitrogen_fraction)
    holds = (rate > 0.0) & (slowest >= certain.low * (1.0 - _ROUNDING)) & (fastest <= certain.high * (1.0 + _ROUNDING))
    held = float(np.sum(np.where(holds, area, 0.0)))
    curve = speed_curve_of(rate, area, certain, window.width, bar, plan)
    orifices, fitted, uneven = fitting
    return OrificeOption(orifices, fitted, certain, held, curve, uneven)
