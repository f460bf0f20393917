"""Pressures to expect over the commanded flow, over everything a plan leaves open."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import FloatArray, Floats
from geoflow.hydraulics.circuit import State
from geoflow.hydraulics.readings import bounded_circuit, least_over_cases

__all__ = ["PressureCurve", "pressure_curve"]

_CURVE_POINTS: Final = 80


@dataclass(frozen=True, slots=True)
class PressureCurve:
    """What the gauges should show over the commanded flow, over all temperatures and cases of a plan.

    Attributes
    ----------
    flow : ndarray, shape (m,)
        Ammonia as the controller takes it, all rows in use [kg/s], rising.
    worst_margin : ndarray, shape (m,)
        Least liquid margin over temperatures and cases [Pa].
    expected_margin : ndarray, shape (m,)
        Least liquid margin over temperatures in the central case [Pa].
    manifold_low, manifold_high : ndarray, shape (m,)
        Range over temperatures and cases of the manifold pressures, absolute [Pa].
    outlet_low, outlet_high : ndarray, shape (m,)
        Same at the pump outlet.
    """

    flow: FloatArray
    worst_margin: FloatArray
    expected_margin: FloatArray
    manifold_low: FloatArray
    manifold_high: FloatArray
    outlet_low: FloatArray
    outlet_high: FloatArray

    def at(self, name: str, flow: Floats) -> FloatArray:
        """One of the curves at some flows [kg/s].

        Pressures follow the squared flow, so that is what is interpolated over, and continued beyond the last point.
        """
        values: FloatArray = getattr(self, name)
        wanted, known = np.square(flow), np.square(self.flow)
        slope = (values[-1] - values[-2]) / (known[-1] - known[-2])
        return np.asarray(np.interp(wanted, known, values) + slope * np.maximum(wanted - known[-1], 0.0))


def pressure_curve(
    bar: Bar, temperature: FloatArray, sections: tuple[int, ...], delivered_ratio: FloatArray, highest_flow: float
) -> PressureCurve:
    """Solve a bar for its pressures from nearly no flow up to `highest_flow` [kg/s] as commanded."""
    circuit, bounding = bounded_circuit(bar, sections, temperature)
    ratio = delivered_ratio.reshape(1, -1, 1)
    top = circuit.node_for(lambda state: state.flow / ratio - highest_flow)
    share = np.linspace(0.0, 1.0, _CURVE_POINTS)
    rest = circuit.resting_pressure()
    state: State = circuit.state(rest + (top - rest) * share)
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
    return PressureCurve(
        flow,
        low(margin),
        margin[-1].min(axis=0),
        low(least),
        -low(-most),
        low(outlet),
        -low(-outlet),
    )
