"""Tank to knives solved for a bar: what every pressure is at a given flow.

The parameter is the pressure after the control valve, the node all sections hang on. From it every section's flow
follows on its own, and everything upstream follows from their sum; all of it rises with the node pressure, so any
condition is a bracketed root.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar, Line
from geoflow.bar.ranges import at_end
from geoflow.base.arrays import FloatArray, Floats, distinct
from geoflow.base.errors import RangeError
from geoflow.hydraulics.case import Case
from geoflow.hydraulics.outlets import Outlets
from geoflow.hydraulics.pump_limits import moved_share
from geoflow.hydraulics.state import State
from geoflow.hydraulics.suction import SuctionSide
from geoflow.physics.ammonia import HIGHEST_TEMPERATURE, Saturation, saturation
from geoflow.physics.lines import line_loss, valve_inlet_pressure
from geoflow.physics.pumps import manifold_temperature_rise
from geoflow.physics.roots import rising_root

__all__ = ["Circuit", "State"]


# What comes round again warms the liquid the more the less the bar takes; turned until it agrees [K].
_MOST_TURNS: Final = 40
_AGREED: Final = 1e-4
# Between the tank's liquid and the hottest one, at which a balance of heat is looked for.
_WARM_STEPS: Final = 16


def _feed_figures(feed: Line | None, ends: tuple[float, ...]) -> dict[str, Floats] | None:
    """Figures of a feed for `line_loss`, shape (cases, 1, 1) where they differ over the cases; None without a feed."""
    if feed is None:
        return None
    lines = {end: replace(feed, length=0.0, fittings_k=0.0) if end > 1.0 else at_end(feed, end) for end in set(ends)}
    figures: dict[str, Floats] = {}
    for name in ("length", "bore", "fittings_k", "roughness"):
        values = [getattr(lines[end], name) for end in ends]
        figures[name] = values[0] if len(set(values)) == 1 else np.reshape(values, (-1, 1, 1))
    return figures


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
    diameter : ndarray, shape (temperatures,), optional
        Of all orifices in use at each of the temperatures [m], in place of their own.
    """

    def __init__(
        self,
        bar: Bar,
        sections: tuple[int, ...],
        cases: tuple[Case, ...],
        temperature: FloatArray,
        diameter: FloatArray | None = None,
    ) -> None:
        self.bar = bar
        self.sections = tuple(bar.sections[index] for index in sections)
        # Sections with the same rows, orifice and feed pass the same: each is solved as the first of its kind.
        kinds = [(section.rows, section.orifice, section.feed) for section in self.sections]
        # Every property has the shape (1, temperatures, 1), so that cases and points broadcast against it.
        self.saturated = saturation(np.reshape(temperature, (1, -1, 1)))
        better = bar.at_end(1.0)
        self.highest_pressure = 1e6 + max(
            better.limits.max_pressure,
            float(self.saturated.pressure.max()) + better.pump.max_rise + bar.limits.liquid_margin,
        )
        self._kinds = kinds
        self._outlets = Outlets(bar, self.sections, self.saturated, self.highest_pressure, diameter)
        self._machines = {
            end: (one, SuctionSide(one, self.saturated))
            for end in ((-1.0, 0.0, 1.0) if bar.is_open else (0.0,))
            for one in (bar.at_end(end) if end else bar,)
        }
        self.suction = self._machines[0.0][1]
        self._take(cases)

    def _take(self, cases: tuple[Case, ...]) -> None:
        def of_cases(figures: list[float]) -> FloatArray:
            return np.array(figures, dtype=np.float64).reshape(-1, 1, 1)

        self.cases = cases
        self.shape = (len(cases), self.saturated.temperature.size, 1)
        self.worse = np.array([case.boiling for case in cases]).reshape(-1, 1, 1)
        machine = of_cases([case.machine if self.bar.is_open else 0.0 for case in cases])
        self._ends = [(end, machine == end) for end in distinct(machine).tolist()]
        ends = [case.feeds or (case.machine,) * len(self.sections) for case in cases]
        feed_ends = [tuple(end[place] for end in ends) for place in range(len(self.sections))]
        self._feeds = [_feed_figures(one.feed, end) for one, end in zip(self.sections, feed_ends, strict=True)]
        # Sections of one kind whose feeds turn out alike in every case pass the same.
        known = list(zip(self._kinds, feed_ends, strict=True))
        self._alike = [known.index(one) for one in known]
        self._outlets = self._outlets.in_cases(cases)

    def machine(self, end: float) -> tuple[Bar, SuctionSide]:
        """Return the bar and its suction at one end of all that is known as a range ahead of the orifices.

        Parameters
        ----------
        end : float
            -1 the worse, 0 the middle, +1 the better.
        """
        return self._machines[end if self.bar.is_open else 0.0]

    def at_ends(self, what: Callable[[Bar, SuctionSide], Floats]) -> FloatArray:
        """Return something of the bar and its suction, in every case at the end that counts there.

        Parameters
        ----------
        what : callable
            Gives it for a bar of which nothing ahead of the orifices is known as a range.
        """
        found = [what(*self._machines[end]) for end, _ in self._ends]
        return np.asarray(found[0]) if len(found) == 1 else np.select([there for _, there in self._ends], found)

    def feed_loss(self, place: int, flow: FloatArray) -> FloatArray:
        """Pressure lost in the feed of one of the sections in use [Pa], in every case at the end that counts there.

        Parameters
        ----------
        place : int
            Of the section, in use.
        flow : ndarray
            Of the section [kg/s].
        """
        figures, liquid = self._feeds[place], self.saturated
        if figures is None:
            return np.zeros_like(np.asarray(flow, dtype=np.float64))
        return line_loss(flow, liquid.liquid_density, liquid.liquid_viscosity, **figures)

    def with_cases(self, cases: tuple[Case, ...]) -> Circuit:
        """Return the same circuit for other cases, without tabulating hoses and suction again.

        Parameters
        ----------
        cases : tuple of Case
            How the unknowns turn out.
        """
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

    def state(self, node_pressure: Floats, *, lifted: bool = False) -> State:
        """Solve the bar for a pressure after the control valve.

        Parameters
        ----------
        node_pressure : array_like
            Absolute [Pa], broadcasting against (cases, temperatures, points).
        lifted : bool
            The pressure given is that for liquid as cold as the tank's: what the pump's warmth adds to the vapour
            pressure comes on top. Where heat comes round again one pressure may belong to two flows, but a margin
            belongs to one.
        """
        given = np.asarray(node_pressure, dtype=np.float64)
        node = np.array(np.broadcast_to(given, np.broadcast_shapes(given.shape, self.shape)))
        if lifted:

            def lift(temperature: FloatArray) -> tuple[State, Saturation]:
                liquid = saturation(temperature)
                return self._solved(node + liquid.pressure - self.saturated.pressure, liquid)

            cold = np.broadcast_to(self.saturated.temperature, node.shape)
            return lift(rising_root(lambda at: at - lift(at)[1].temperature, cold, HIGHEST_TEMPERATURE))[0]
        # What the orifices pass depends on how much the pump warms the liquid and the other way round, but weakly. The
        # first turn takes the heat of the node's pressure alone, the second that of all losses; a third one changes a
        # flow by less than 1e-5, unless heat comes round again.
        before = self._warmed(node - self.saturated.pressure, node)
        found, liquid = self._solved(node, before)
        for turn in range(_MOST_TURNS):
            if turn and (not self.heat_returns or np.abs(liquid.temperature - before.temperature).max() < _AGREED):
                break
            before = liquid
            found, liquid = self._solved(node, before)
        return found

    def _solved(self, node: FloatArray, liquid: Saturation) -> tuple[State, Saturation]:
        """Solve for a node pressure and the liquid that comes to the orifices; also how warm the pump then makes it."""
        feeds = [partial(self.feed_loss, place) for place in range(len(self.sections))]
        passed = {like: self._outlets.section_flow(like, node, liquid, feeds[like]) for like in set(self._alike)}
        flows = [passed[like] for like in self._alike]
        manifolds = [node - loss(flow) for loss, flow in zip(feeds, flows, strict=True)]
        section_flow, manifold = np.stack(flows, axis=-1), np.stack(manifolds, axis=-1)
        flow, least = section_flow.sum(axis=-1), manifold.min(axis=-1)
        outlet, inlet = self._pump_outlet(flow, node), self.inlet_pressure(flow)
        warmed = self._warmed(self._worked(flow, outlet - inlet), least)
        state = State(node, section_flow, manifold, flow, outlet, inlet, outlet - inlet, least - warmed.pressure)
        return state, warmed

    def at_margin(self, margin: Floats) -> State:
        """Solve the bar for its least liquid margin, where heat comes round again.

        One pressure may then belong to several flows, but a margin and the warmth of the liquid belong to one. Where
        two balances of heat give the same margin it is the cooler one, from which the other cannot be reached without
        losing the margin. A margin that is never reached comes back as minus infinity.

        Parameters
        ----------
        margin : array_like
            Wanted [Pa].
        """

        def held(temperature: FloatArray) -> tuple[State, Saturation]:
            liquid = saturation(temperature)
            least, nodes = liquid.pressure + margin, []
            for like in set(self._alike):
                # The section that loses most on its way to the orifices has the least pressure there.
                flow = self._outlets.section_flow(like, least, liquid, np.zeros_like)
                nodes.append(least + self.feed_loss(like, flow))
            return self._solved(np.max(nodes, axis=0), liquid)

        def spare(temperature: FloatArray) -> FloatArray:
            return np.asarray(temperature - held(temperature)[1].temperature)

        cold = np.broadcast_to(self.saturated.temperature, self.shape)
        steps = cold + (HIGHEST_TEMPERATURE - cold) * np.square(np.linspace(0.0, 1.0, _WARM_STEPS))
        rough = spare(steps)
        # The first step that is warmer than what the pump makes of it.
        warm = np.concatenate([rough[..., :1] >= 0.0, rough[..., 1:] > 0.0], axis=-1)
        first = np.maximum(np.argmax(warm, axis=-1, keepdims=True), 1)
        low, high = (np.take_along_axis(steps, place, axis=-1) for place in (first - 1, first))
        found = held(rising_root(spare, low, high))[0]
        return replace(found, liquid_margin=np.where(warm.any(axis=-1, keepdims=True), margin, -np.inf))

    @property
    def heat_returns(self) -> bool:
        """Whether some of what the pump moves, and its heat, comes round again."""
        return self.bar.bypass is not None or self.bar.pump.slip > 0.0

    @property
    def max_pressure(self) -> FloatArray:
        """Rated absolute pressure at the pump outlet [Pa]."""
        return self.at_ends(lambda bar, _: bar.limits.max_pressure)

    @property
    def max_rise(self) -> FloatArray:
        """Greatest pressure rise of the pump [Pa]."""
        return self.at_ends(lambda bar, _: bar.pump.max_rise)

    def _worked(self, flow: FloatArray, rise: FloatArray) -> FloatArray:
        """Pressure that all the pump's work would be, had it moved only what the bar takes [Pa]."""

        hottest = self.machine(-1.0)

        def work(bar: Bar, _: SuctionSide) -> FloatArray:
            against, moved = moved_share(bar, flow, rise, self.saturated, self.worse, hottest)
            return np.asarray(against * moved)

        return self.at_ends(work)

    def _warmed(self, rise: FloatArray, manifold: FloatArray) -> Saturation:
        """Return the liquid at the manifold, as warmed by the pump."""
        liquid = self.saturated
        warmer = self.at_ends(
            lambda bar, _: manifold_temperature_rise(
                rise,
                manifold - liquid.pressure,
                liquid.temperature,
                liquid.liquid_density,
                liquid.liquid_heat_capacity,
                liquid.liquid_expansivity,
                bar.pump.efficiency,
            )
        )
        return saturation(np.minimum(liquid.temperature + np.maximum(warmer, 0.0), HIGHEST_TEMPERATURE))

    def resting_pressure(self) -> FloatArray:
        """Node pressure below which nothing flows [Pa], shape (cases, temperatures, 1)."""
        return self._outlets.resting_pressure(self.shape)

    def _pump_outlet(self, flow: FloatArray, node: FloatArray) -> FloatArray:
        liquid = self.saturated

        def outlet(bar: Bar, _: SuctionSide) -> FloatArray:
            meter, valve, before = bar.meter, bar.control_valve, node
            if valve is not None:
                before = valve_inlet_pressure(
                    flow,
                    node,
                    liquid.pressure,
                    liquid.liquid_density,
                    cv=valve.cv,
                    recovery_factor=valve.recovery_factor,
                )
            lost = meter.loss_at_max_flow * np.square(flow / liquid.liquid_density / meter.max_flow)
            return np.asarray(before + lost)

        return self.at_ends(outlet)

    def inlet_pressure(self, flow: FloatArray) -> FloatArray:
        """Absolute pressure at the pump inlet [Pa], with the suction boiling in the cases where it does.

        Parameters
        ----------
        flow : ndarray
            Of the whole bar [kg/s], leading shape (cases, temperatures).
        """

        def inlet(_: Bar, suction: SuctionSide) -> FloatArray:
            liquid = suction.liquid_inlet(flow)
            return np.where(self.worse, suction.boiling_inlet(flow), liquid) if self.worse.any() else liquid

        return self.at_ends(inlet)

    def node_for(self, excess: Callable[[State], FloatArray], *, lifted: bool = False) -> FloatArray:
        """Node pressure [Pa] at which a condition that rises with it is just met, shape (cases, temperatures, 1).

        Parameters
        ----------
        excess : callable
            Negative below the condition, positive above.
        lifted : bool
            Whether the pressure is that of `state` called so.
        """
        low, high = (np.full((*self.shape[:-1], 1), end) for end in (self.bar.air_pressure, self.highest_pressure))
        return rising_root(lambda node: excess(self.state(node, lifted=lifted)), low, high)

    def at_flow(self, flow: float | FloatArray) -> State:
        """Solve the bar for a flow of the whole bar [kg/s].

        Parameters
        ----------
        flow : float or ndarray
            True flow [kg/s], broadcasting against (cases, temperatures, 1).

        Raises
        ------
        RangeError
            If the flow takes more pressure than the bar could ever see.
        """
        lifted = self.heat_returns
        state = self.state(self.node_for(lambda state: state.flow - flow, lifted=lifted), lifted=lifted)
        if np.any(state.flow < np.asarray(flow) * (1.0 - 1e-6)):
            what = "this flow takes a pressure far above every rating of the bar"
            raise RangeError(what, where="flow of the whole bar", cure="ask for less flow")
        return state
