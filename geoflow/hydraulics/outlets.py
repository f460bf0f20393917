"""From the manifold to the ground: the orifices of a bar's sections and the hoses below them, in some cases."""

from __future__ import annotations

import copy
from collections.abc import Callable
from dataclasses import replace
from typing import Any, Final

import numpy as np

from geoflow.bar.equipment import Bar, Section
from geoflow.base.arrays import FloatArray
from geoflow.hydraulics.case import Case
from geoflow.hydraulics.coefficients import measured_margins, stray
from geoflow.hydraulics.learned_ways import weight_at
from geoflow.hydraulics.long_bores import long_bore
from geoflow.hydraulics.row_hose import back_pressure
from geoflow.physics.ammonia import (
    HIGHEST_TEMPERATURE,
    Saturation,
    equilibrium_flux_limit,
    liquid_density,
    saturation,
)
from geoflow.physics.orifices import effective_pressure, mass_flow, upstream_pressure
from geoflow.physics.roots import rising_root
from geoflow.physics.short_tubes import relaxed_flash_weights

__all__ = ["Outlets"]

_HOSE_POINTS: Final = 64
# By how much the warm end of the hose's table is warmer than the tank's liquid [K].
_WARMER: Final = 4.0


class Outlets:
    """Orifices and row hoses of the sections in use, at some temperatures and in some cases.

    Parameters
    ----------
    bar : Bar
        The equipment.
    sections : tuple of Section
        In use.
    saturated : Saturation
        Of the liquid in the tank, shape (1, temperatures, 1).
    highest_pressure : float
        That ever comes before the orifices, absolute [Pa].
    diameter : ndarray, shape (temperatures,), optional
        Of all orifices in use at each of the temperatures [m], in place of their own.
    """

    def __init__(
        self,
        bar: Bar,
        sections: tuple[Section, ...],
        saturated: Saturation,
        highest_pressure: float,
        diameter: FloatArray | None = None,
    ) -> None:
        self._sections, self._saturated = sections, saturated
        self._orifices = tuple(bar.orifices[section.orifice] for section in sections)
        self._bores = tuple(long_bore(bar, orifice) for orifice in self._orifices)
        self._diameter = tuple(np.full((1, 1, 1), orifice.diameter) for orifice in self._orifices)
        if diameter is not None:
            self._diameter = (np.reshape(diameter, (1, -1, 1)),) * len(sections)
            self._bores = tuple(
                bore and replace(bore, diameter=wide) for bore, wide in zip(self._bores, self._diameter, strict=True)
            )
        self._measured = tuple(measured_margins(orifice) for orifice in self._orifices)
        self._flux_limit = equilibrium_flux_limit(saturated)
        self._has_hose = bar.row_hose.line is not None
        self._most, *self._hose = self._tabulate_back_pressure(bar, highest_pressure)
        warmer = saturation(np.minimum(saturated.temperature + _WARMER, HIGHEST_TEMPERATURE))
        self._warmer = np.maximum(warmer.pressure - saturated.pressure, 1.0)

    def _tabulate_back_pressure(self, bar: Bar, highest: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Greatest row flow [kg/s], and over shares of it the back pressure and how far that may be off [Pa].

        The latter two have the shape (2, 1, temperatures, flows): of liquid as cold as the tank's, and of warmer one,
        as the pump's heat leaves it.
        """
        widest = np.max(self._diameter, axis=0)
        most = mass_flow(highest - bar.air_pressure, 0.0, self._saturated.liquid_density.max(), widest.max(), 1.0)
        # As close together for the smallest of several sizes as for one alone; each temperature once.
        steps = int(np.ceil((_HOSE_POINTS - 1) * widest.max() / widest.min()))
        share = np.linspace(0.0, 1.0, steps + 1) if self._has_hose else np.zeros(1)
        kelvin, place = np.unique(self._saturated.temperature, return_inverse=True)
        flow = np.broadcast_to(most * np.square(share), (2, kelvin.size, share.size))
        both = np.stack([kelvin, np.minimum(kelvin + _WARMER, HIGHEST_TEMPERATURE)])
        middle, spread = (one[:, None, place.ravel()] for one in back_pressure(bar, flow, saturation(both[..., None])))
        return most, middle, spread

    def in_cases(self, cases: tuple[Case, ...]) -> Outlets:
        """Return the same outlets for some cases, without tabulating hoses again.

        Parameters
        ----------
        cases : tuple of Case
            How the unknowns turn out.
        """
        other = copy.copy(self)
        other._take(cases)
        return other

    def _take(self, cases: tuple[Case, ...]) -> None:
        count = len(self._sections)

        def of_cases(figures: list[Any], *shape: int) -> FloatArray:
            """One array for each of the first axis of a shape: of a section, of a turn in it; else one alone."""
            figured = np.array(figures, dtype=np.float64).reshape(-1, *shape)
            return np.asarray(np.moveaxis(figured, 0, -1)[..., None, None])

        self._end, self._strays = of_cases([one.hose_end for one in cases]), of_cases([one.strays for one in cases])
        self._coefficient = of_cases([one.coefficient for one in cases], count)
        self._weight = of_cases([one.flash_weight for one in cases], count)
        self._way = of_cases([one.way or [0.0] * count for one in cases], count)
        self._turns = of_cases([one.turns or [[0.0] * 3] * count for one in cases], count, 3)
        # Where the bounds of a long bore are asked for.
        self._tubes = np.isnan(self._weight) & np.reshape([bore is not None for bore in self._bores], (-1, 1, 1, 1))
        self._all_tubes = [bool(tubes.all()) for tubes in self._tubes]
        self._any_tubes = [bool(tubes.any()) for tubes in self._tubes]
        self._modelled = [bool(np.isnan(weight).any()) for weight in self._weight]
        self._known_weight = np.nan_to_num(self._weight)
        self._stray = bool(self._strays.any())
        middle, spread = self._hose
        self._hose_pressure = middle + spread * self._end
        steps = self._hose_pressure.shape[-1] - 1
        self._hose_flows = self._most * np.square(np.arange(steps + 1) / max(steps, 1))
        # Where the row of each case and temperature begins laid end to end: the innermost look-up.
        _, *rows, points = self._hose_pressure.shape
        self._hose_rows = points * np.arange(np.prod(rows, dtype=np.int64)).reshape(*rows, 1)

    def _back_pressure(self, row_flow: FloatArray, liquid: Saturation) -> FloatArray:
        """Pressure below the orifices [Pa] at a flow of one row [kg/s] of liquid no colder than the tank's."""
        if not self._has_hose:
            return np.asarray(self._hose_pressure[0])
        steps = self._hose_flows.size - 1
        after = np.minimum(np.maximum(np.ceil(np.sqrt(row_flow / self._most) * steps), 1), steps).astype(np.int64)
        first, last = self._hose_flows.take(after - 1), self._hose_flows.take(after)
        share = (row_flow - first) / (last - first)
        tables, place = self._hose_pressure.reshape(2, -1), self._hose_rows + after
        low, high = tables.take(place - 1, axis=1), tables.take(place, axis=1)
        cold, warm = low + (high - low) * share
        # What boils in the hose goes with the vapour pressure.
        return np.asarray(cold + (warm - cold) * (liquid.pressure - self._saturated.pressure) / self._warmer)

    def _effective_pressure(self, below: FloatArray, number: int, liquid: Saturation, before: FloatArray) -> FloatArray:
        """Effective pressure below the orifices of section `number` for the liquid and a pressure above them [Pa]."""
        weight, orifice, vapour = self._weight[number], self._orifices[number], liquid.pressure
        if orifice.learned is not None:
            rise, warming, off = self._turns[number]
            way = np.stack(np.broadcast_arrays(weight, rise, warming))
            weight = weight_at(way, orifice.learned, before - vapour, liquid.temperature)
            return effective_pressure(below + off, vapour, weight)
        if self._modelled[number] and not self._any_tubes[number]:
            least, likely, most = relaxed_flash_weights(
                orifice.land or 0.0,
                self._coefficient[number],
                self._saturated.liquid_density,
                vapour,
                below,
                self._flux_limit,
            )
            way = self._way[number]
            modelled = np.where(way < 0.0, most, np.where(way > 0.0, least, likely))
            weight = np.where(np.isnan(weight), np.minimum(modelled, orifice.most_flashing), weight)
            return effective_pressure(below, vapour, np.nan_to_num(weight))
        return effective_pressure(below, vapour, self._known_weight[number])

    def _strayed(self, number: int, margin: FloatArray) -> FloatArray:
        """Coefficients of section `number` with what the flow may stray at a margin that was not measured [-]."""
        coefficient, measured = self._coefficient[number], self._measured[number]
        if measured is None or not self._stray:
            return np.asarray(coefficient)
        return np.asarray(coefficient * (1.0 + self._strays * stray(margin, measured, self._end)))

    def section_flow(
        self, number: int, node: FloatArray, liquid: Saturation, feed_loss: Callable[[FloatArray], FloatArray]
    ) -> FloatArray:
        """Flow of a section.

        Parameters
        ----------
        number : int
            Of the section, in use.
        node : ndarray
            Pressure all sections hang on [Pa].
        liquid : Saturation
            As it comes to the orifices.
        feed_loss : callable
            Pressure lost from the node to the orifices [Pa] at a flow of the section [kg/s].

        Returns
        -------
        ndarray
            [kg/s], in the shape of `node`.
        """
        section, diameter, bore = self._sections[number], self._diameter[number], self._bores[number]
        density, vapour = liquid_density(liquid, node), liquid.pressure
        tubes, way = self._tubes[number], self._way[number]

        def excess(flow: FloatArray) -> FloatArray:
            row_flow, before = flow / section.rows, node - feed_loss(flow)
            below = self._back_pressure(row_flow, liquid)
            if bore is not None and self._all_tubes[number]:
                return np.asarray(row_flow - bore.flow(liquid, before, below, way))
            effective = self._effective_pressure(below, number, liquid, before)
            passing = self._strayed(number, before - vapour)
            short = np.asarray(upstream_pressure(row_flow, effective, density, diameter, passing) - before)
            if bore is not None and self._any_tubes[number]:
                short = np.where(tubes, row_flow - bore.flow(liquid, before, below, way), short)
            return short

        below = self._back_pressure(np.zeros_like(node), liquid)
        effective = self._effective_pressure(below, number, liquid, node)
        most = section.rows * mass_flow(node, effective, density, diameter, self._strayed(number, node - vapour))
        if bore is not None and self._any_tubes[number]:
            most = np.where(tubes, section.rows * bore.flow(liquid, node, below, way), most)
        if section.feed is None and not self._has_hose:
            return np.asarray(most)
        return np.where(most > 0.0, rising_root(excess, np.zeros_like(most), most), 0.0)

    def resting_pressure(self, shape: tuple[int, ...]) -> FloatArray:
        """Node pressure below which nothing flows [Pa], of a shape (cases, temperatures, 1).

        Parameters
        ----------
        shape : tuple of int
            Cases, temperatures, 1.
        """
        vapour = np.broadcast_to(self._saturated.pressure, shape)
        below = self._back_pressure(np.zeros(shape), self._saturated)
        effective = []
        for number in range(len(self._sections)):
            # At its least a long bore passes nothing before the vapour pressure, else some over the hose's.
            tube = np.where(self._way[number] < 0.0, np.maximum(vapour, below), below)
            passed = self._effective_pressure(below, number, self._saturated, vapour)
            effective.append(np.where(self._tubes[number], tube, passed))
        return np.asarray(np.min(effective, axis=0))
