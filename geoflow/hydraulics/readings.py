"""What every gauge should show at some flows and temperatures: least, expected and greatest."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import FloatArray
from geoflow.hydraulics.case import at_better_end
from geoflow.hydraulics.cases import bounding_cases, central_cases, open_cases
from geoflow.hydraulics.circuit import Circuit, State
from geoflow.hydraulics.pump_limits import displacement, slip_flow
from geoflow.hydraulics.suction import SuctionSide
from geoflow.physics.roots import rising_root

__all__ = [
    *("MarginReadings", "Readings", "bounded_circuit", "gauge_readings", "held_state", "least_over_cases"),
    "readings_at_margin",
    "state_at",
]

# A rate right at what the pump moves is held.
_ROUNDING: Final = 1e-6


def least_over_cases(values: FloatArray, bounding: int) -> FloatArray:
    """Least of some values over the cases, but no less than without the measured points.

    Parameters
    ----------
    values : ndarray, shape (cases, ...)
        Of the bounding cases, then those of `open_cases` if there are any, and the outer two likely cases last.
    bounding : int
        How many bounding cases there are.
    """
    ends = values[[*range(bounding), -2, -1]].min(axis=0)
    bare = values[bounding:-2]
    return np.asarray(np.maximum(ends, bare.min(axis=0)) if len(bare) else ends)


def state_at(circuit: Circuit, flow: FloatArray) -> State:
    """Solve a circuit for several flows of the whole bar at once.

    Parameters
    ----------
    circuit : Circuit
        With its cases and temperatures.
    flow : ndarray, shape (temperatures, n)
        True flow [kg/s].

    Returns
    -------
    State
        Leading shape (cases, temperatures, n). A flow that takes more pressure than the bar could ever see comes out
        smaller.
    """
    shape = (*circuit.shape[:2], flow.shape[-1])
    low, high = np.full(shape, circuit.bar.air_pressure), np.full(shape, circuit.highest_pressure)
    return circuit.state(rising_root(lambda node: circuit.state(node).flow - flow, low, high))


def held_state(circuit: Circuit, flow: FloatArray) -> State:
    """Solve a circuit for several flows, each as far as the pump, its drive and the rated pressure bring it.

    Parameters
    ----------
    circuit : Circuit
        With its cases and temperatures.
    flow : ndarray, shape (temperatures, n)
        True flow of the whole bar [kg/s].

    Returns
    -------
    State
        Leading shape (cases, temperatures, n).
    """
    bar, state = circuit.bar, state_at(circuit, flow)
    density = circuit.saturated.liquid_density

    def beyond(one: State) -> FloatArray:
        pushed = np.maximum(one.rise - circuit.max_rise, one.outlet_pressure - circuit.max_pressure)

        def short(at_end: Bar, _: SuctionSide) -> FloatArray:
            moved = displacement(at_end, circuit.worse, driven=True)
            return np.asarray(one.flow / density + slip_flow(at_end, one.rise, circuit.worse) - moved)

        # Both are nought at a limit; as shares, so that the search can weigh one against the other.
        lacking = circuit.at_ends(short)
        return np.maximum(pushed / bar.pump.max_rise, lacking / bar.pump.max_flow - _ROUNDING)

    if np.all(beyond(state) <= 0.0):
        return state
    low = np.full(state.flow.shape, bar.air_pressure)
    most = rising_root(lambda node: beyond(circuit.state(node)), low, np.full(low.shape, circuit.highest_pressure))
    return circuit.state(np.minimum(state.node_pressure, most))


@dataclass(frozen=True, slots=True)
class Readings:
    """Absolute pressures [Pa], shape (temperatures, flows, 3): least, expected, greatest.

    Expected is the middle of what is likely of the orifices; no guess of theirs moves it.

    Attributes
    ----------
    manifold : ndarray
        Just above the orifices: least and greatest over the sections, expected their mean.
    likely : ndarray
        The same over what is likely of the orifices alone.
    after_valve, outlet : ndarray
        On the node that all sections hang on, and at the pump's outlet.
    valve_drop : ndarray
        Outlet less after the valve, all liquid and the valve wide open.
    margin : ndarray
        Least manifold pressure over the vapour pressure of the liquid as warmed by the pump.
    """

    manifold: FloatArray
    likely: FloatArray
    after_valve: FloatArray
    outlet: FloatArray
    valve_drop: FloatArray
    margin: FloatArray


def bounded_circuit(bar: Bar, sections: tuple[int, ...], temperature: FloatArray) -> tuple[Circuit, int]:
    """Return the circuit with all cases that bound it, the outer likely ones last, and how many of them bound.

    Parameters
    ----------
    bar : Bar
        The equipment.
    sections : tuple of int
        Indices of the sections in use.
    temperature : ndarray, shape (t,)
        Of the liquid in the tank [K].
    """
    bounding, bare = bounding_cases(bar, sections), open_cases(bar, sections)
    if bar.is_open:
        # What gauges show lies between both ends of what is known as a range.
        bounding, bare = (
            (*cases, *dict.fromkeys(at_better_end(case, -1.0) for case in cases)) for cases in (bounding, bare)
        )
    cases = (*bounding, *bare, *central_cases(bar, sections)[::2])
    return Circuit(bar, sections, cases, temperature), len(bounding)


def gauge_readings(bar: Bar, sections: tuple[int, ...], temperature: FloatArray, flow: FloatArray) -> Readings:
    """Solve a bar for what its gauges show; where the pump or the rated pressure give out first, what they bring.

    Parameters
    ----------
    bar : Bar
        The equipment.
    sections : tuple of int
        Indices of the sections in use.
    temperature : ndarray, shape (t,)
        Of the liquid in the tank [K].
    flow : ndarray, shape (t, n)
        True flow of the whole bar [kg/s].

    Raises
    ------
    BarError
        If a measured point contradicts its orifice.
    """
    circuit, bounding = bounded_circuit(bar, sections, temperature)
    state = held_state(circuit, flow)
    manifold = state.manifold_pressure

    def three(low: FloatArray, middle: FloatArray, high: FloatArray) -> FloatArray:
        ends = least_over_cases(low, bounding), middle[-2:].mean(axis=0), -least_over_cases(-high, bounding)
        return np.stack(ends, axis=-1)

    node, outlet = state.node_pressure, state.outlet_pressure
    least, mean, most = manifold.min(axis=-1), manifold.mean(axis=-1), manifold.max(axis=-1)
    return Readings(
        three(least, mean, most),
        np.stack([least[-2:].min(axis=0), mean[-2:].mean(axis=0), most[-2:].max(axis=0)], axis=-1),
        three(node, node, node),
        three(outlet, outlet, outlet),
        three(outlet - node, outlet - node, outlet - node),
        three(state.liquid_margin, state.liquid_margin, state.liquid_margin),
    )


@dataclass(frozen=True, slots=True)
class MarginReadings:
    """Greatest absolute pressures [Pa] at which the liquid margin may just be the wanted one."""

    manifold: float
    after_valve: float
    outlet: float

    def at(self, place: str) -> float:
        """Return the one at a place of the line.

        Parameters
        ----------
        place : str
            One of `keys.GAUGE_PLACES`, but the tank.
        """
        return {"pump outlet": self.outlet, "after valve": self.after_valve, "manifold": self.manifold}[place]


def readings_at_margin(bar: Bar, sections: tuple[int, ...], temperature: float) -> MarginReadings | None:
    """Solve a bar for what its gauges show where the liquid margin is just the wanted one.

    Parameters
    ----------
    bar : Bar
        The equipment.
    sections : tuple of int
        Indices of the sections in use.
    temperature : float
        Of the liquid in the tank [K].

    Returns
    -------
    MarginReadings or None
        None where no pressure the bar could see reaches the margin.

    Raises
    ------
    BarError
        If a measured point contradicts its orifice.
    """
    circuit, bounding = bounded_circuit(bar, sections, np.array([temperature]))
    wanted = bar.limits.liquid_margin
    state = circuit.state(circuit.node_for(lambda state: state.liquid_margin - wanted))
    if np.any(state.liquid_margin < wanted - 1.0):
        return None
    found = state.manifold_pressure.max(axis=-1), state.node_pressure, state.outlet_pressure
    return MarginReadings(*(-least_over_cases(-one[:, 0, 0], bounding).item() for one in found))
