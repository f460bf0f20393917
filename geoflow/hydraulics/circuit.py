"""Tank to knives solved for a bar: what every pressure is at a given flow.

The parameter is the pressure after the control valve, the node all sections hang on. From it every section's flow
follows on its own, and everything upstream follows from their sum; all of it rises with the node pressure, so any
condition is a bracketed root.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar, Line
from geoflow.base.arrays import FloatArray, Floats
from geoflow.base.errors import RangeError, UsageError
from geoflow.base.spelling import nearest
from geoflow.hydraulics.cases import Case
from geoflow.hydraulics.outlets import Outlets
from geoflow.physics.ammonia import HIGHEST_TEMPERATURE, Saturation, saturation
from geoflow.physics.lines import line_loss, valve_inlet_pressure
from geoflow.physics.pumps import boiling_line_capacity, manifold_temperature_rise
from geoflow.physics.roots import rising_root

__all__ = ["Circuit", "State", "choose_sections"]


_GRAVITY: Final = 9.80665
_SUCTION_POINTS: Final = 96
# No suction runs full of liquid this fast [m/s].
_SWIFTEST: Final = 60.0


def choose_sections(bar: Bar, names: list[str] | None) -> tuple[int, ...]:
    """Indices of the sections in use; all of them for None.

    Raises
    ------
    UsageError
        For an unknown name, or none at all.
    """
    known = [section.name for section in bar.sections]
    if names is None:
        return tuple(range(len(known)))
    for name in names:
        if name not in known:
            raise UsageError(
                f"the bar has no section '{name}'{nearest(name, known)}",
                where="--sections",
                cure=f"name some of: {', '.join(known)}",
            )
    if not names:
        raise UsageError("no section is on", where="--sections", cure=f"name some of: {', '.join(known)}")
    return tuple(index for index, name in enumerate(known) if name in names)


@dataclass(frozen=True, slots=True)
class State:
    """The bar at one operating point per case and temperature; leading shape (cases, temperatures, points).

    Attributes
    ----------
    node_pressure : ndarray
        After the control valve, absolute [Pa].
    section_flow : ndarray, shape (..., sections)
        Ammonia [kg/s].
    manifold_pressure : ndarray, shape (..., sections)
        Upstream of the orifices, absolute [Pa].
    flow : ndarray
        Ammonia through the whole bar [kg/s].
    outlet_pressure, inlet_pressure : ndarray
        At the pump, absolute [Pa].
    rise : ndarray
        Pressure the pump adds [Pa].
    liquid_margin : ndarray
        Least manifold pressure over the vapour pressure of the liquid as warmed by the pump [Pa].
    """

    node_pressure: FloatArray
    section_flow: FloatArray
    manifold_pressure: FloatArray
    flow: FloatArray
    outlet_pressure: FloatArray
    inlet_pressure: FloatArray
    rise: FloatArray
    liquid_margin: FloatArray


class Circuit:
    """A bar, the sections in use, some cases and some temperatures, ready to be solved.

    Parameters
    ----------
    bar : Bar
        The equipment.
    sections : tuple of int
        Indices of the sections in use.
    cases : tuple of Case
        How the unknowns turn out.
    temperature : ndarray, shape (temperatures,)
        Of the liquid in the tank [K].
    """

    def __init__(self, bar: Bar, sections: tuple[int, ...], cases: tuple[Case, ...], temperature: FloatArray) -> None:
        self.bar = bar
        self.sections = tuple(bar.sections[index] for index in sections)
        # Sections with the same rows, orifice and feed pass the same: each is solved as the first of its kind.
        kinds = [(section.rows, section.orifice, section.feed) for section in self.sections]
        self._alike = [kinds.index(kind) for kind in kinds]
        # Every property has the shape (1, temperatures, 1), so that cases and points broadcast against it.
        self.saturated = saturation(np.reshape(temperature, (1, -1, 1)))
        self.highest_pressure = 1e6 + max(
            bar.limits.max_pressure,
            float(self.saturated.pressure.max()) + bar.pump.max_rise + bar.limits.liquid_margin,
        )
        self._outlets = Outlets(bar, self.sections, self.saturated, self.highest_pressure)
        if any(case.boiling for case in cases):
            self._suction_flow, self._boiling_inlet = self._tabulate_boiling_inlet()
        self._take(cases)

    def _take(self, cases: tuple[Case, ...]) -> None:
        self.cases = cases
        self.shape = (len(cases), self.saturated.temperature.size, 1)
        self._boils = np.array([case.boiling for case in cases]).reshape(-1, 1, 1)
        self._outlets = self._outlets.in_cases(cases)

    def with_cases(self, cases: tuple[Case, ...]) -> Circuit:
        """Return the same circuit for other cases, without tabulating hoses and suction again."""
        other = copy.copy(self)
        other._take(cases)
        return other

    @property
    def rows(self) -> int:
        """Rows in use."""
        return sum(section.rows for section in self.sections)

    @property
    def width(self) -> float:
        """Width in use [m]."""
        return self.rows * self.bar.row_spacing

    def _tabulate_boiling_inlet(self) -> tuple[FloatArray, FloatArray]:
        """Flows [kg/s] and the pump inlet's pressure at them with the suction boiling [Pa], both (1, temperatures, n).

        Up to the flow at which a suction full of liquid would lose all of the vapour pressure.
        """
        liquid, suction = self.saturated, self.bar.suction
        most = self.bar.pump.max_flow * liquid.liquid_density
        if suction is not None and suction.line is not None:
            swiftest = 0.25 * np.pi * suction.line.bore**2 * _SWIFTEST * liquid.liquid_density
            most = rising_root(lambda flow: self.suction_loss(flow) - liquid.pressure, np.zeros_like(most), swiftest)
        flow = most * np.linspace(0.0, 1.0, _SUCTION_POINTS)
        loss = self.suction_loss(flow)
        swollen = 1.0 / self.suction_capacity(flow) - 1.0
        boiling = np.where(loss > 0.0, liquid.pressure / (1.0 + swollen / liquid.omega), liquid.pressure - loss)
        return np.asarray(flow), boiling

    def _loss(self, line: Line | None, flow: FloatArray) -> FloatArray:
        if line is None:
            return np.zeros_like(flow)
        return line_loss(
            flow,
            self.saturated.liquid_density,
            self.saturated.liquid_viscosity,
            length=line.length,
            bore=line.bore,
            fittings_k=line.fittings_k,
            roughness=line.roughness,
        )

    def state(self, node_pressure: Floats) -> State:
        """Solve the bar for a pressure after the control valve.

        Parameters
        ----------
        node_pressure : array_like
            Absolute [Pa], broadcasting against (cases, temperatures, points).
        """
        given = np.asarray(node_pressure, dtype=np.float64)
        node = np.array(np.broadcast_to(given, np.broadcast_shapes(given.shape, self.shape)))
        # What the orifices pass depends on how much the pump warms the liquid and the other way round, but weakly. The
        # first turn takes the heat of the node's pressure alone, the second that of all losses; a third one changes a
        # flow by less than 1e-5.
        liquid = self._warmed(node - self.saturated.pressure, node)
        for _ in range(2):
            solved = {
                like: self._outlets.section_flow(like, node, liquid, partial(self._loss, self.sections[like].feed))
                for like in set(self._alike)
            }
            flows = [solved[like] for like in self._alike]
            manifolds = [node - self._loss(fed.feed, flow) for fed, flow in zip(self.sections, flows, strict=True)]
            section_flow, manifold = np.stack(flows, axis=-1), np.stack(manifolds, axis=-1)
            flow, least = section_flow.sum(axis=-1), manifold.min(axis=-1)
            outlet, inlet = self._pump_outlet(flow, node), self.inlet_pressure(flow)
            liquid = self._warmed(outlet - inlet, least)
        return State(node, section_flow, manifold, flow, outlet, inlet, outlet - inlet, least - liquid.pressure)

    def _warmed(self, rise: FloatArray, manifold: FloatArray) -> Saturation:
        """Return the liquid at the manifold, as warmed by the pump."""
        liquid = self.saturated
        warmer = manifold_temperature_rise(
            rise,
            manifold - liquid.pressure,
            liquid.temperature,
            liquid.liquid_density,
            liquid.liquid_heat_capacity,
            liquid.liquid_expansivity,
            self.bar.pump.efficiency,
        )
        return saturation(np.minimum(liquid.temperature + np.maximum(warmer, 0.0), HIGHEST_TEMPERATURE))

    def resting_pressure(self) -> FloatArray:
        """Node pressure below which nothing flows [Pa], shape (cases, temperatures, 1)."""
        return self._outlets.resting_pressure(self.shape)

    def _pump_outlet(self, flow: FloatArray, node: FloatArray) -> FloatArray:
        meter, valve, liquid = self.bar.meter, self.bar.control_valve, self.saturated
        before_valve = (
            node
            if valve is None
            else valve_inlet_pressure(
                flow, node, liquid.pressure, liquid.liquid_density, cv=valve.cv, recovery_factor=valve.recovery_factor
            )
        )
        return np.asarray(
            before_valve + meter.loss_at_max_flow * np.square(flow / liquid.liquid_density / meter.max_flow)
        )

    def suction_loss(self, flow: FloatArray) -> FloatArray:
        """Net pressure lost from tank to pump inlet [Pa]; negative where the liquid head outweighs the friction."""
        suction = self.bar.suction
        if suction is None:
            return np.zeros_like(flow)
        return self._loss(suction.line, flow) - suction.head * _GRAVITY * self.saturated.liquid_density

    def suction_capacity(self, flow: FloatArray) -> FloatArray:
        """Liquid the pump moves over what it displaces, with the suction boiling in equilibrium on its way [-]."""
        suction, liquid = self.bar.suction, self.saturated
        if suction is None:
            return np.ones_like(flow)
        head = suction.head * _GRAVITY * liquid.liquid_density
        flux = np.zeros_like(flow) if suction.line is None else flow / (0.25 * np.pi * suction.line.bore**2)
        return boiling_line_capacity(
            self._loss(suction.line, flow),
            head,
            np.square(flux) / liquid.liquid_density,
            liquid.pressure,
            liquid.omega,
        )

    def liquid_inlet(self, flow: FloatArray) -> FloatArray:
        """Absolute pressure at the pump inlet [Pa] while the suction runs full of liquid."""
        return np.asarray(self.saturated.pressure - self.suction_loss(flow))

    def inlet_pressure(self, flow: FloatArray) -> FloatArray:
        """Absolute pressure at the pump inlet [Pa], with the suction boiling in the cases where it does."""
        liquid = self.liquid_inlet(flow)
        if not self._boils.any():
            return liquid
        most, steps = self._suction_flow[..., -1:], _SUCTION_POINTS - 1
        place = np.clip(flow / most * steps, 0.0, steps)
        before = np.minimum(place.astype(np.int64), steps - 1)
        table = np.broadcast_to(self._boiling_inlet, (flow.shape[0], *self._boiling_inlet.shape[1:]))
        low, high = (np.take_along_axis(table, index, axis=-1) for index in (before, before + 1))
        # The loss goes with the squared flow.
        share = (np.square(place) - np.square(before)) / (2.0 * before + 1.0)
        return np.where(self._boils, low + (high - low) * share, liquid)

    def node_for(self, excess: Callable[[State], FloatArray], highest: float | None = None) -> FloatArray:
        """Node pressure [Pa] at which a condition that rises with it is just met, shape (cases, temperatures, 1).

        Parameters
        ----------
        excess : callable
            Negative below the condition, positive above.
        highest : float, optional
            Where to stop looking [Pa].
        """
        low = np.full(self.shape, self.bar.air_pressure)
        high = np.full(self.shape, self.highest_pressure if highest is None else highest)
        return rising_root(lambda node: excess(self.state(node)), low, high)

    def at_flow(self, flow: float | FloatArray) -> State:
        """Solve the bar for a flow of the whole bar [kg/s].

        Raises
        ------
        RangeError
            If the flow takes more pressure than the bar could ever see.
        """
        state = self.state(self.node_for(lambda state: state.flow - flow))
        if np.any(state.flow < np.asarray(flow) * (1.0 - 1e-6)):
            what = "this flow takes a pressure far above every rating of the bar"
            raise RangeError(what, where="flow of the whole bar", cure="ask for less flow")
        return state
