"""How a flow divides over the rows in use."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import FloatArray
from geoflow.hydraulics.cases import central_cases
from geoflow.hydraulics.circuit import Circuit

__all__ = ["RowSplit", "row_split"]


@dataclass(frozen=True, slots=True)
class RowSplit:
    """How a flow divides over the sections in use, in the central case and over the likely ones.

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
    likely : ndarray, shape (cases, sections)
        As `off_mean`, in the likely cases of the orifices.
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

    With `held_liquid` the least flow above it that keeps the wanted liquid margin is divided where it does not.
    """
    circuit = Circuit(bar, sections, central_cases(bar, sections), np.array([temperature]))
    state, wanted = circuit.at_flow(flow), bar.limits.liquid_margin
    if held_liquid and state.liquid_margin[1].item() < wanted:
        state = circuit.state(circuit.node_for(lambda state: state.liquid_margin - wanted))
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
        each / (state.flow[:, 0] / circuit.rows) - 1.0,
        np.array([bar.orifices[section.orifice].row_spread for section in circuit.sections]),
    )
