"""Pressures to expect over the commanded flow, over everything a plan leaves open."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import FloatArray, Floats
from geoflow.hydraulics.circuit import State
from geoflow.hydraulics.long_bores import is_bounded_as_long
from geoflow.hydraulics.readings import bounded_circuit, least_over_cases

__all__ = ["PressureCurve", "pressure_curve"]

# The bounds of a long bore have steps in their pressures.
_CURVE_POINTS, _POINTS_OF_STEPS = 80, 240


@dataclass(frozen=True, slots=True)
class PressureCurve:
    """What the gauges should show over the commanded flow, over all temperatures and cases of a plan.

    Attributes
    ----------
    flow : ndarray, shape (m,)
        Ammonia as the controller takes it, all rows in use [kg/s], rising.
    worst_margin : ndarray, shape (m,)
        Least liquid margin over temperatures and cases [Pa].
    likely_margin_low, likely_margin_high : ndarray, shape (m,)
        Least liquid margin over temperatures, in the likely cases from the least to the greatest [Pa].
    manifold_low, manifold_high : ndarray, shape (m,)
        Range over temperatures and cases of the manifold pressures, absolute [Pa].
    outlet_low, outlet_high : ndarray, shape (m,)
        Same at the pump outlet.
    """

    flow: FloatArray
    worst_margin: FloatArray
    likely_margin_low: FloatArray
    likely_margin_high: FloatArray
    manifold_low: FloatArray
    manifold_high: FloatArray
    outlet_low: FloatArray
    outlet_high: FloatArray

    def at(self, name: str, flow: Floats) -> FloatArray:
        """One of the curves at some flows [kg/s].

        Pressures follow the squared flow, so that is what is interpolated over, and continued beyond the last point.

        Parameters
        ----------
        name : str
            Of the attribute that holds the curve.
        flow : array_like
            As commanded [kg/s].
        """
        values: FloatArray = getattr(self, name)
        wanted, known = np.square(flow), np.square(self.flow)
        slope = (values[-1] - values[-2]) / (known[-1] - known[-2])
        return np.asarray(np.interp(wanted, known, values) + slope * np.maximum(wanted - known[-1], 0.0))


def pressure_curve(
    bar: Bar, temperature: FloatArray, sections: tuple[int, ...], delivered_ratio: FloatArray, highest_flow: float
) -> PressureCurve:
    """Solve a bar for its pressures from nearly no flow up to `highest_flow` [kg/s] as commanded.

    Parameters
    ----------
    bar : Bar
        The equipment.
    temperature : ndarray, shape (t,)
        Of the liquid in the tank [K].
    sections : tuple of int
        Indices of the sections in use.
    delivered_ratio : ndarray, shape (t,)
        True flow over the flow as commanded [-].
    highest_flow : float
        As commanded [kg/s].
    """
    # Of the likely cases the outer two: between them nothing is told apart.
    circuit, bounding = bounded_circuit(bar, sections, temperature)
    ratio = delivered_ratio.reshape(1, -1, 1)
    lifted = circuit.heat_returns
    top = circuit.node_for(lambda state: state.flow / ratio - highest_flow, lifted=lifted)
    stepped = any(is_bounded_as_long(bar, bar.orifices[bar.sections[index].orifice]) for index in sections)
    share = np.linspace(0.0, 1.0, _POINTS_OF_STEPS if stepped else _CURVE_POINTS)
    rest = circuit.resting_pressure()
    state: State = circuit.state(rest + (top - rest) * share, lifted=lifted)
    flow = highest_flow * np.sqrt(share)
    commanded = state.flow / ratio

    def resampled(values: FloatArray) -> FloatArray:
        return np.array(
            [
                [np.interp(flow**2, commanded[k, t] ** 2, values[k, t]) for t in range(values.shape[1])]
                for k in range(values.shape[0])
            ]
        )

    def low(values: FloatArray) -> FloatArray:
        """Least over temperatures and cases."""
        return least_over_cases(values.min(axis=1), bounding)

    margin, outlet = resampled(state.liquid_margin), resampled(state.outlet_pressure)
    least, most = resampled(state.manifold_pressure.min(axis=-1)), resampled(state.manifold_pressure.max(axis=-1))
    likely = margin[-2:].min(axis=1)
    return PressureCurve(
        flow,
        low(margin),
        likely.min(axis=0),
        likely.max(axis=0),
        low(least),
        -low(-most),
        low(outlet),
        -low(-outlet),
    )
