"""What pump, drive, meter, suction and shut-off valves allow, whatever the orifices do."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import FloatArray
from geoflow.hydraulics.circuit import Circuit, State
from geoflow.hydraulics.pump_limits import displacement, relief_minimum, shutting_flow, slip_flow
from geoflow.hydraulics.suction import SuctionSide
from geoflow.physics.ammonia import Saturation
from geoflow.physics.roots import rising_root

__all__ = ["slip_limits", "volume_limits"]

_Excess = Callable[[Circuit, State], FloatArray]


def _suction_limit(bar: Bar, suction: SuctionSide, liquid: Saturation, *, worse: bool) -> FloatArray:
    """Greatest flow the suction allows, shape (temperatures,): boiling in equilibrium, or with no vapour formed."""
    most = displacement(bar, worse, driven=True) * liquid.liquid_density

    def too_much(flow: FloatArray) -> FloatArray:
        return np.asarray(flow - most * suction.capacity(flow))

    def past_vacuum(flow: FloatArray) -> FloatArray:
        return -suction.liquid_inlet(flow)

    excess = too_much if worse else past_vacuum
    root = rising_root(excess, np.zeros_like(most), most)
    return np.where(excess(most) > 0.0, root, np.inf)[0, :, 0]


def volume_limits(circuit: Circuit, *, worse: bool) -> dict[str, FloatArray]:
    """Flow each of these limits allows at one end of what is not known [kg/s], shape (temperatures,).

    Parameters
    ----------
    circuit : Circuit
        Any cases.
    worse : bool
        Which end.
    """
    liquid = circuit.saturated
    bar, suction = circuit.machine(-1.0 if worse else 1.0)
    density = liquid.liquid_density[0, :, 0]
    relief = relief_minimum(bar, liquid.pressure[0, :, 0], worse=worse)
    driven = bar.pump.drive_share < 1.0
    return {
        "meter minimum": bar.meter.min_flow * density,
        "pump minimum": np.maximum(bar.pump.min_flow, relief) * density,
        "pump flow": displacement(bar, worse, driven=False) * density,
        "pump drive": displacement(bar, worse, driven=True) * density if driven else np.full(density.shape, np.inf),
        "suction": _suction_limit(bar, suction, liquid, worse=worse),
        "excess flow": shutting_flow(bar, suction, liquid.liquid_density, worse=worse)[0, :, 0],
        "meter maximum": bar.meter.max_flow * density,
    }


def slip_limits(bar: Bar) -> dict[str, _Excess]:
    """Limits that hang on the pressures because the pump slips, as volume [m3/s] beyond what it moves; none without.

    Parameters
    ----------
    bar : Bar
        The equipment.
    """
    if not bar.pump.slip:
        return {}

    def beyond(circuit: Circuit, state: State, *, driven: bool, boils: bool = False) -> FloatArray:
        def excess(one: Bar, suction: SuctionSide) -> FloatArray:
            moved = displacement(one, circuit.worse, driven=driven)
            if boils:
                moved = moved * np.where(circuit.worse, suction.capacity(state.flow), 1.0)
            leaking = slip_flow(one, state.rise, circuit.worse)
            return np.asarray(state.flow / circuit.saturated.liquid_density + leaking - moved)

        return circuit.at_ends(excess)

    found: dict[str, _Excess] = {"pump flow": lambda circuit, state: beyond(circuit, state, driven=False)}
    if bar.at_end(-1.0).pump.drive_share < 1.0:
        found["pump drive"] = lambda circuit, state: beyond(circuit, state, driven=True)
    if bar.suction is not None and (bar.suction.lines or bar.suction.head < 0.0):
        # In the better cases nothing boils, and what is left is the vacuum, which no slip moves.
        found["suction"] = lambda circuit, state: beyond(circuit, state, driven=True, boils=True)
    return found
