"""What the orifices work against: the pressure at the head of the row hoses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from geoflow.bar.equipment import Bar, MeasuredPoint
from geoflow.base.arrays import FloatArray
from geoflow.hydraulics.knife_end import hose_end_pressure
from geoflow.physics.ammonia import Saturation, saturation
from geoflow.physics.lines import flashing_hose_inlet_pressure

__all__ = ["back_pressure", "below_at"]


def back_pressure(bar: Bar, row_flow: FloatArray, saturated: Saturation) -> tuple[FloatArray, FloatArray]:
    """Absolute pressure just below the orifices and how far it may be off either way, both [Pa].

    Parameters
    ----------
    bar : Bar
        Its row hose decides: known pressure, two-phase estimate, or open air.
    row_flow : ndarray
        Ammonia through one row [kg/s].
    saturated : Saturation
        Of the liquid before the orifices, broadcasting against `row_flow`.
    """
    hose = bar.row_hose
    if hose.back_pressure is not None:
        low, high = hose.back_pressure
        return np.full(np.shape(row_flow), 0.5 * (low + high)), np.full(np.shape(row_flow), 0.5 * (high - low))
    if hose.line is None:
        return np.full(np.shape(row_flow), bar.air_pressure), np.zeros(np.shape(row_flow))
    if not hose.is_open and not bar.air_spread:
        estimate = _estimated(bar, row_flow, saturated)
        return estimate, hose.tolerance * (estimate - bar.air_pressure)
    ends = []
    for side in (-1.0, 1.0):
        air = bar.air_pressure + side * bar.air_spread
        estimate = _estimated(replace(bar, row_hose=hose.at_end(-side), air_pressure=air), row_flow, saturated)
        ends.append(estimate + side * hose.tolerance * (estimate - air))
    least, most = ends
    return 0.5 * (least + most), 0.5 * (most - least)


def _estimated(bar: Bar, row_flow: FloatArray, saturated: Saturation) -> FloatArray:
    """Absolute pressure that the row hose of a bar makes [Pa]."""
    hose = bar.row_hose
    assert hose.line is not None
    return flashing_hose_inlet_pressure(
        row_flow,
        saturated.liquid_enthalpy,
        saturated.pressure,
        length=hose.line.length,
        bore=hose.line.bore,
        roughness=hose.line.roughness,
        outlet_pressure=hose_end_pressure(bar, row_flow, saturated),
    )


def below_at(bar: Bar, point: MeasuredPoint, end: float) -> float:
    """Back pressure a measured orifice worked against [Pa], at one end of its uncertainty.

    Parameters
    ----------
    bar : Bar
        With its row hose.
    point : MeasuredPoint
        Of one of its orifices.
    end : float
        -1 to +1, low to high.
    """
    middle, spread = back_pressure(bar, np.array([point.flow]), saturation(point.temperature))
    return float(middle[0] + end * spread[0])
