"""The window over the diameter of the orifices, for a bar of which some things may be known as ranges only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar, Orifice
from geoflow.bar.key_kinds import THIN_PLATE_LONGEST
from geoflow.base.arrays import FloatArray, distinct
from geoflow.decide.vet import Plan, Solution, asked_of_rows, fitted_with, solve
from geoflow.hydraulics.long_bores import is_long
from geoflow.hydraulics.window import FlowWindow, flow_window, temperature_grid
from geoflow.physics.short_tubes import SLACK, TESTED_DIAMETER, TESTED_PROPORTION

__all__ = ["STEP", "BarRange", "SizeCurves", "size_curves", "size_solution", "size_windows"]

STEP: Final = 1.27e-5
"""Diameters are told in steps of half a thousandth of an inch [m]."""

_KEY: Final = "sized"
# Neighbouring diameters at which the bar is solved; between them flows go nearly with a power of the diameter.
_APART: Final = 1.1
_MOST_TEMPERATURES: Final = 7
_BESIDE: Final = 1e-4


@dataclass(frozen=True, slots=True)
class BarRange:
    """A bar of which some things are known as ranges: at the worse and at the better end of all of them together."""

    worse: Bar
    better: Bar

    def fitted(self, sections: tuple[int, ...], diameter: float) -> BarRange:
        """Return the range with one diameter in all sections in use.

        Parameters
        ----------
        sections : tuple of int
            Indices of the sections in use.
        diameter : float
            [m]
        """
        worse = _fitted(self.worse, sections, diameter)
        known = self.better is self.worse
        return BarRange(worse, worse if known else _fitted(self.better, sections, diameter))

    def with_land(self, land: float) -> BarRange:
        """Return the range with a land [m] in every orifice, of which nothing else is said.

        Parameters
        ----------
        land : float
            Length of the bore [m].
        """

        def changed(bar: Bar) -> Bar:
            bored = {
                name: replace(one, land=land, flashing=None, flash_weight=None) for name, one in bar.orifices.items()
            }
            return replace(bar, orifices=bored)

        worse = changed(self.worse)
        return BarRange(worse, worse if self.better is self.worse else changed(self.better))


@dataclass(frozen=True, slots=True)
class SizeCurves:
    """Window over the diameter, in flow as the controller takes it [kg/s].

    Attributes
    ----------
    diameter : ndarray, shape (n,)
        [m], rising.
    temperature : ndarray, shape (t,)
        [K]
    low, high : ndarray, shape (n, t)
        Ends of the certain window at each temperature.
    possible : tuple of ndarray, shape (n,)
        Ends of the possible window over the plan.
    """

    diameter: FloatArray
    temperature: FloatArray
    low: FloatArray
    high: FloatArray
    possible: tuple[FloatArray, FloatArray]

    def certain(self, first: int = 0, last: int | None = None) -> tuple[FloatArray, FloatArray]:
        """Ends of the certain window over all temperatures, or over those from place `first` to before `last`.

        Parameters
        ----------
        first, last : int
            Places in `temperature`; all of them if not given.
        """
        return self.low[:, first:last].max(axis=1), self.high[:, first:last].min(axis=1)

    def finely(self) -> SizeCurves:
        """Return them at every step of diameters."""
        first, last = np.ceil(self.diameter[0] / STEP), np.floor(self.diameter[-1] / STEP)
        fine = np.arange(first, last + 1.0) * STEP
        place, at = np.log(self.diameter), np.log(fine)

        def between(flows: FloatArray) -> FloatArray:
            logs = np.log(np.clip(flows, 1e-12, 1e12))
            if logs.ndim == 1:
                return np.asarray(np.exp(np.interp(at, place, logs)))
            return np.asarray(np.exp(np.stack([np.interp(at, place, column) for column in logs.T], axis=1)))

        possible = between(self.possible[0]), between(self.possible[1])
        return SizeCurves(fine, self.temperature, between(self.low), between(self.high), possible)


def _fitted(bar: Bar, sections: tuple[int, ...], diameter: float) -> Bar:
    """Return the bar with one new orifice in the sections in use, of the kind that is there.

    What was measured on the old one is not known of it, and a flashing weight only where all orifices have the same.
    """
    old = bar.orifices[bar.sections[sections[0]].orifice]
    alike = {one.flash_weight for one in bar.orifices.values()} == {old.flash_weight}
    thin = old.land is not None and old.land <= THIN_PLATE_LONGEST * diameter
    new: Orifice = replace(
        old,
        name=_KEY,
        diameter=diameter,
        measured=(),
        flash_weight=old.flash_weight if alike else None,
        flashing=old.flashing if thin else None,
    )
    refitted = fitted_with(replace(bar, orifices={**bar.orifices, _KEY: new}), sections, (_KEY,) * len(sections))
    used = {section.orifice for section in refitted.sections}
    return replace(refitted, orifices={name: refitted.orifices[name] for name in sorted(used)})


def size_windows(
    bars: BarRange, plan: Plan, diameters: Sequence[float], temperature: FloatArray, *, hopes: bool = True
) -> list[FlowWindow]:
    """Window of each diameter: certain at the worse end of what is known as a range, possible at the better end.

    Parameters
    ----------
    bars : BarRange
        The bar.
    plan : Plan
        The sections, and what is asked of rows.
    diameters : sequence of float
        Each in all sections in use [m].
    temperature : ndarray, shape (n,)
        Of the liquid in the tank [K].
    hopes : bool
        Whether the possible one counts; else it is that of the worse end.
    """
    sizes = list(diameters)
    fitted = [bars.fitted(plan.sections, size) for size in sizes]
    # Sizes of which the same is known are solved as one.
    alike: dict[tuple[bool, Orifice], list[int]] = {}
    for place, one in enumerate(fitted):
        orifice = one.worse.orifices[_KEY]
        alike.setdefault((is_long(orifice), replace(orifice, diameter=1e-3)), []).append(place)
    windows: dict[int, FlowWindow] = {}
    for places in alike.values():
        wide = np.repeat([sizes[place] for place in places], temperature.size)
        kelvin, first = np.tile(temperature, len(places)), fitted[places[0]]
        whole = flow_window(first.worse, kelvin, plan.sections, wide)
        better = None
        if first.better is not first.worse and hopes:
            better = flow_window(first.better, kelvin, plan.sections, wide)
        for at, place in enumerate(places):
            own = np.arange(at * temperature.size, (at + 1) * temperature.size)
            window = asked_of_rows(whole.at(own), fitted[place].worse, plan)
            if better is not None:
                hoped = better.at(own)
                window = replace(window, possible=hoped.possible, per_case=hoped.per_case)
            windows[place] = window
    return [windows[place] for place in range(len(sizes))]


def size_solution(bars: BarRange, plan: Plan, diameter: float) -> Solution:
    """Solve the bar with a diameter, certain at the worse end of what is known as a range, possible at the better end.

    Parameters
    ----------
    bars : BarRange
        The bar.
    plan : Plan
        Temperatures, speeds and sections.
    diameter : float
        In all sections in use [m].
    """
    fitted = bars.fitted(plan.sections, diameter)
    worse = solve(fitted.worse, plan)
    if fitted.better is fitted.worse:
        return worse
    better = flow_window(fitted.better, worse.search.temperature, plan.sections)
    search = replace(worse.search, possible=better.possible, per_case=better.per_case)
    window = search.at(np.searchsorted(search.temperature, worse.window.temperature))
    return replace(worse, search=search, window=window, possible=window.over_plan(certain=False, commanded=True))


def _breaks(bars: BarRange, plan: Plan, ends: tuple[float, float]) -> FloatArray:
    """Diameters just beside those at which another thing is known of a bore of this length [m]."""
    fitted = bars.worse.orifices[bars.worse.sections[plan.sections[0]].orifice]
    if fitted.land is None:
        return np.empty(0)
    sides = np.array([1.0 - SLACK, 1.0 + SLACK])
    longest = np.array(TESTED_PROPORTION) * sides
    at = np.array([*(np.array(TESTED_DIAMETER) * sides), *(fitted.land / longest), fitted.land / THIN_PLATE_LONGEST])
    beside = np.concatenate([at * (1.0 - _BESIDE), at * (1.0 + _BESIDE)])
    return np.asarray(beside[(beside > ends[0]) & (beside < ends[1])])


def size_curves(bars: BarRange, plan: Plan, ends: tuple[float, float], *, hopes: bool = True) -> SizeCurves:
    """Solve the bar at diameters a tenth apart, over a few of the planned temperatures.

    Parameters
    ----------
    bars : BarRange
        The bar.
    plan : Plan
        Temperatures and sections.
    ends : tuple of float
        Smallest and largest diameter [m].
    hopes : bool
        Whether the possible window counts; else it is empty.
    """
    count = max(2, int(np.ceil(np.log(ends[1] / ends[0]) / np.log(_APART))) + 1)
    diameters = distinct(np.concatenate([np.geomspace(*ends, count), _breaks(bars, plan, ends)]))
    grid = temperature_grid(*plan.temperature)
    grid = grid[distinct(np.linspace(0, grid.size - 1, min(grid.size, _MOST_TEMPERATURES)).astype(int))]
    low, high, possible = [], [], []
    for window in size_windows(bars, plan, diameters.tolist(), grid, hopes=hopes):
        ratio = window.delivered_ratio
        ends_here = window.edges(certain=True)
        low.append(ends_here[0] / ratio)
        high.append(ends_here[1] / ratio)
        bounds = window.over_plan(certain=False, commanded=True) if hopes else None
        possible.append((bounds.low, bounds.high) if bounds else (np.inf, 0.0))
    pairs = np.array(possible)
    return SizeCurves(diameters, grid, np.array(low), np.array(high), (pairs[:, 0], pairs[:, 1]))
