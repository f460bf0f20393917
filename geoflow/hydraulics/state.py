"""A bar at one operating point."""

from __future__ import annotations

from dataclasses import dataclass

from geoflow.base.arrays import FloatArray

__all__ = ["State"]


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
