"""Tank to pump: the hoses from the tanks, the line after them, liquid head, and boiling on the way."""

from __future__ import annotations

import functools
from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar, Line, Suction
from geoflow.base.arrays import FloatArray, Floats
from geoflow.physics.ammonia import Saturation
from geoflow.physics.lines import line_loss
from geoflow.physics.parallel import parallel_flows
from geoflow.physics.pumps import boiling_line_capacity
from geoflow.physics.roots import rising_root

__all__ = ["SuctionSide", "liquid_loss"]

_GRAVITY: Final = 9.80665
_POINTS: Final = 96
# No suction runs full of liquid this fast [m/s].
_SWIFTEST: Final = 60.0


def liquid_loss(line: Line | None, flow: Floats, liquid: Saturation) -> FloatArray:
    """Pressure a line loses [Pa] while it runs full of liquid; none without a line.

    Parameters
    ----------
    line : Line or None
        Hose or pipe.
    flow : array_like
        Ammonia through it [kg/s].
    liquid : Saturation
        What flows.
    """
    if line is None:
        return np.zeros_like(np.asarray(flow, dtype=np.float64))
    return line_loss(
        flow,
        liquid.liquid_density,
        liquid.liquid_viscosity,
        length=line.length,
        bore=line.bore,
        fittings_k=line.fittings_k,
        roughness=line.roughness,
    )


class SuctionSide:
    """The suction of a bar for the liquid of its tank.

    Parameters
    ----------
    bar : Bar
        The equipment; without a suction nothing is lost.
    liquid : Saturation
        In the tank, arrays that broadcast against the flows.
    """

    def __init__(self, bar: Bar, liquid: Saturation) -> None:
        self._bar, self._liquid = bar, liquid
        self._suction = bar.suction or Suction(0.0)

    def hose_flows(self, flow: Floats) -> FloatArray:
        """Flow through each hose from a tank [kg/s], shape (hoses, ...), where they feed the pump together.

        Parameters
        ----------
        flow : array_like
            Of the whole bar [kg/s].
        """
        return self._divided(flow, self._suction.tank_hoses)

    def _divided(self, flow: Floats, hoses: tuple[Line, ...]) -> FloatArray:
        losses = [functools.partial(liquid_loss, hose, liquid=self._liquid) for hose in hoses]
        return parallel_flows(flow, losses, hoses)

    def greatest_share(self, flow: FloatArray, *, worse: bool) -> FloatArray:
        """Flow through the hose from a tank that takes most, over the whole [-].

        Parameters
        ----------
        flow : ndarray
            Of the whole bar [kg/s].
        worse : bool
            Which end of what is known of the hoses as ranges.
        """
        uneven = self._suction.uneven
        if uneven and not worse:
            return np.full(np.shape(flow), 1.0 / len(self._suction.tank_hoses))
        ways = (self._suction.tank_hoses, *uneven)
        return np.asarray(np.max([self._divided(flow, hoses).max(axis=0) / flow for hoses in ways], axis=0))

    def friction(self, flow: FloatArray) -> FloatArray:
        """Pressure lost on the way from the tanks to the pump while it runs full of liquid [Pa].

        Parameters
        ----------
        flow : ndarray
            Of the whole bar [kg/s].
        """
        lost = liquid_loss(self._suction.line, flow, self._liquid)
        hoses = self._suction.tank_hoses
        if hoses:
            # Hoses side by side lose the same: any of them tells.
            lost = lost + liquid_loss(hoses[0], self.hose_flows(flow)[0], self._liquid)
        return np.asarray(lost)

    def loss(self, flow: FloatArray, *, full: bool = False) -> FloatArray:
        """Net pressure lost from tank to pump inlet [Pa]; negative where the liquid head outweighs the friction.

        `full` takes the head of a full tank, in place of a nearly empty one's.

        Parameters
        ----------
        flow : ndarray
            Of the whole bar [kg/s].
        full : bool
            Whether the tank is full.
        """
        head = self._suction.full_head if full else self._suction.head
        return np.asarray(self.friction(flow) - head * _GRAVITY * self._liquid.liquid_density)

    def _flux(self, flow: FloatArray) -> FloatArray:
        """Greatest mass flux on the way [kg/m2 s]."""
        flux = np.zeros_like(flow)
        if self._suction.line is not None:
            flux = flow / (0.25 * np.pi * self._suction.line.bore**2)
        for hoses in filter(None, (self._suction.tank_hoses, *self._suction.uneven)):
            for hose, through in zip(hoses, self._divided(flow, hoses), strict=True):
                flux = np.maximum(flux, through / (0.25 * np.pi * hose.bore**2))
        return np.asarray(flux)

    def capacity(self, flow: FloatArray, *, more: Floats = 0.0) -> FloatArray:
        """Liquid the pump moves over what it displaces, with the suction boiling in equilibrium on its way [-].

        `more` is friction that is not in the bar file, as of a clogged strainer [Pa].

        Parameters
        ----------
        flow : ndarray
            Of the whole bar [kg/s].
        more : array_like
            Friction besides [Pa].
        """
        if self._bar.suction is None:
            return np.ones_like(flow)
        liquid = self._liquid
        return boiling_line_capacity(
            self.friction(flow) + more,
            self._suction.head * _GRAVITY * liquid.liquid_density,
            np.square(self._flux(flow)) / liquid.liquid_density,
            liquid.pressure,
            liquid.omega,
        )

    def liquid_inlet(self, flow: FloatArray) -> FloatArray:
        """Absolute pressure at the pump inlet [Pa] while the suction runs full of liquid from a full tank.

        Parameters
        ----------
        flow : ndarray
            Of the whole bar [kg/s].
        """
        return np.asarray(self._liquid.pressure - self.loss(flow, full=True))

    @functools.cached_property
    def _boiling_table(self) -> tuple[FloatArray, FloatArray]:
        """Flows [kg/s] and the pump inlet's pressure at them with the suction boiling [Pa], both (1, temperatures, n).

        Up to the flow at which a suction full of liquid would lose all of the vapour pressure.
        """
        liquid, bores = self._liquid, [hose.bore for hose in self._suction.tank_hoses]
        if self._suction.line is not None:
            bores.append(self._suction.line.bore)
        most = self._bar.pump.max_flow * liquid.liquid_density
        if bores:
            swiftest = 0.25 * np.pi * sum(bore**2 for bore in bores) * _SWIFTEST * liquid.liquid_density
            most = rising_root(lambda flow: self.loss(flow) - liquid.pressure, np.zeros_like(most), swiftest)
        flow = most * np.linspace(0.0, 1.0, _POINTS)
        loss = self.loss(flow)
        swollen = 1.0 / self.capacity(flow) - 1.0
        boiling = np.where(loss > 0.0, liquid.pressure / (1.0 + swollen / liquid.omega), liquid.pressure - loss)
        return np.asarray(flow), boiling

    def boiling_inlet(self, flow: FloatArray) -> FloatArray:
        """Absolute pressure at the pump inlet [Pa] with the suction boiling in equilibrium from a nearly empty tank.

        Parameters
        ----------
        flow : ndarray
            Of the whole bar [kg/s].
        """
        known, boiling = self._boiling_table
        most, steps = known[..., -1:], _POINTS - 1
        place = np.clip(flow / most * steps, 0.0, steps)
        before = np.minimum(place.astype(np.int64), steps - 1)
        table = np.broadcast_to(boiling, (flow.shape[0], *boiling.shape[1:]))
        low, high = (np.take_along_axis(table, index, axis=-1) for index in (before, before + 1))
        # The loss goes with the squared flow.
        share = (np.square(place) - np.square(before)) / (2.0 * before + 1.0)
        return np.asarray(low + (high - low) * share)
