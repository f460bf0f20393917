"""How a flow divides over the rows in use."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import FloatArray
from geoflow.base.schema import LOW_LIMITS
from geoflow.hydraulics.cases import bounding_cases, central_cases
from geoflow.hydraulics.circuit import Circuit
from geoflow.hydraulics.window import FlowWindow

__all__ = ["RowSplit", "for_worst_row", "row_split"]


@dataclass(frozen=True, slots=True)
class RowSplit:
    """How a flow divides over the sections in use, in the middle case and over the likely ones.

    Attributes
    ----------
    flow : float
        Of the whole width in use [kg/s].
    rows : int
        In use.
    row_flow : ndarray, shape (sections,)
        Through one row of each section [kg/s].
    manifold_pressure : ndarray, shape (sections,)
        Absolute [Pa].
    node_pressure, outlet_pressure, inlet_pressure : float
        After the control valve, at the pump outlet, at the pump inlet, absolute [Pa].
    liquid_margin : float
        Least manifold pressure over the vapour pressure [Pa]; below zero the rows are uneven by the flow, and
        nothing here tells how.
    likely : ndarray, shape (2, sections)
        As `off_mean`, in the likely cases of the least and of the greatest flow; what is decided or said of rows
        comes from these two, never from the middle.
    spread : ndarray, shape (sections,)
        How far single rows of a section may be off its mean row [-].
    """

    flow: float
    rows: int
    row_flow: FloatArray
    manifold_pressure: FloatArray
    node_pressure: float
    outlet_pressure: float
    inlet_pressure: float
    liquid_margin: float
    likely: FloatArray
    spread: FloatArray

    @property
    def off_mean(self) -> FloatArray:
        """Each section's row flow over the mean of all rows, less one [-]."""
        return self.row_flow / (self.flow / self.rows) - 1.0

    @property
    def lowest(self) -> FloatArray:
        """Lowest row of each section over the mean of all rows, less one [-], in the likely cases."""
        return np.asarray(((1.0 + self.likely) * (1.0 - self.spread)).min(axis=0) - 1.0)

    @property
    def highest(self) -> FloatArray:
        """Highest row of each section over the mean of all rows, less one [-], in the likely cases."""
        return np.asarray(((1.0 + self.likely) * (1.0 + self.spread)).max(axis=0) - 1.0)


def row_split(
    bar: Bar, temperature: float, sections: tuple[int, ...], flow: float, *, held_liquid: bool = False
) -> RowSplit:
    """Divide a true flow [kg/s] over the sections in use at one liquid temperature [K].

    With `held_liquid` each case divides the least flow above it that keeps the wanted liquid margin.

    Parameters
    ----------
    bar : Bar
        The equipment.
    temperature : float
        Of the liquid in the tank [K].
    sections : tuple of int
        Indices of the sections in use.
    flow : float
        True flow of the whole bar [kg/s].
    held_liquid : bool
        Whether the liquid margin is kept first.
    """
    circuit = Circuit(bar, sections, central_cases(bar, sections), np.array([temperature]))
    state = circuit.at_flow(flow)
    if held_liquid:
        state = circuit.state(np.maximum(state.node_pressure, _holding(circuit)), lifted=circuit.heat_returns)
    rows = np.array([section.rows for section in circuit.sections])
    each = state.section_flow[:, 0, 0] / rows
    return RowSplit(
        state.flow[1].item(),
        circuit.rows,
        each[1],
        state.manifold_pressure[1, 0, 0],
        state.node_pressure[1].item(),
        state.outlet_pressure[1].item(),
        state.inlet_pressure[1].item(),
        state.liquid_margin[1].item(),
        (each / (state.flow[:, 0] / circuit.rows) - 1.0)[[0, -1]],
        np.array([bar.orifices[section.orifice].row_spread for section in circuit.sections]),
    )


def _holding(circuit: Circuit) -> FloatArray:
    """Least node pressure that keeps the wanted liquid margin [Pa]."""
    wanted = circuit.bar.limits.liquid_margin
    return circuit.node_for(lambda state: state.liquid_margin - wanted, lifted=circuit.heat_returns)


def _section_shares(circuit: Circuit, flows: tuple[FloatArray, ...]) -> list[FloatArray]:
    """Row flow of each section over the mean row's [-], (cases, temperatures, sections), at some flows [kg/s]."""
    rows, holding = np.array([section.rows for section in circuit.sections]), _holding(circuit)
    lifted = circuit.heat_returns

    def at(flow: FloatArray) -> FloatArray:
        node = np.maximum(circuit.node_for(lambda state: state.flow - flow, lifted=lifted), holding)
        state = circuit.state(node, lifted=lifted)
        whole = np.maximum(state.flow, 1e-12)
        share = state.section_flow[:, :, 0] / rows / whole * circuit.rows
        return np.where(state.flow > 0.0, share, 1.0)

    return [at(np.nan_to_num(flow, posinf=1e9)[None, :, None]) for flow in flows]


def for_worst_row(window: FlowWindow, bar: Bar, sections: tuple[int, ...]) -> FlowWindow:
    """Narrow the certain window to rates that every single row can be brought to.

    A rate certainly holds then only if the flow at which the lowest row gets it, and that at which the highest one
    gets it, lie in the certain window too. How the rows divide the flow at the window's ends is taken at each
    temperature in all cases that bound the bar, and single rows are off by their spread besides. Below the liquid
    margin nothing is said of rows: there the least flow that keeps it is divided.

    Parameters
    ----------
    window : FlowWindow
        From `flow_window` for this bar.
    bar : Bar
        The equipment.
    sections : tuple of int
        Indices of the sections in use.
    """
    used = [bar.sections[index] for index in sections]
    spread = np.array([bar.orifices[section.orifice].row_spread for section in used])
    edges = window.edges(certain=True)
    split = [np.ones((1, 1, len(used)))] * 2
    open_feeds = len(used) > 1 and any(section.feed and section.feed.ranges for section in used)
    if open_feeds or len({(section.rows, section.orifice, section.feed) for section in used}) > 1:
        split = _section_shares(Circuit(bar, sections, bounding_cases(bar, sections), window.temperature), edges)
    highest = (split[0] * (1.0 + spread)).max(axis=(0, 2))
    lowest = (split[1] * (1.0 - spread)).min(axis=(0, 2))
    certain = {name: flows * (highest if name in LOW_LIMITS else lowest) for name, flows in window.certain.items()}
    return replace(window, certain=certain)
