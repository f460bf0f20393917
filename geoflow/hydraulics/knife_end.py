"""The open end of a row hose: the air, or what a narrow hole at the knife holds back."""

from __future__ import annotations

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import FloatArray, Floats
from geoflow.physics.ammonia import Saturation
from geoflow.physics.knives import knife_pressure

__all__ = ["hose_end_pressure"]


def hose_end_pressure(bar: Bar, row_flow: FloatArray, liquid: Saturation) -> Floats:
    """Absolute pressure at the end of the row hoses [Pa].

    Parameters
    ----------
    bar : Bar
        Its row hose says whether a hole at the knife restricts.
    row_flow : ndarray
        Ammonia through one row [kg/s].
    liquid : Saturation
        Before the orifices, broadcasting against `row_flow`.
    """
    hose = bar.row_hose
    if hose.outlet is None:
        return bar.air_pressure
    return knife_pressure(
        row_flow,
        liquid.liquid_enthalpy,
        liquid.pressure,
        diameter=hose.outlet,
        coefficient=hose.outlet_coefficient,
        air_pressure=bar.air_pressure,
    )
