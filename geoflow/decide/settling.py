"""What would settle the doubtful zones of a map: one more measured point, or nothing that can be measured."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar, MeasuredPoint
from geoflow.bar.keys import keys_of
from geoflow.base.arrays import BoolArray, FloatArray
from geoflow.base.errors import BarError, RangeError
from geoflow.base.schema import HIGH_LIMITS, LOW_LIMITS
from geoflow.base.units import parse
from geoflow.decide.vet import Solution, Vetting, asked_of_rows
from geoflow.hydraulics.cases import central_case
from geoflow.hydraulics.circuit import Circuit
from geoflow.hydraulics.window import Bounds, FlowWindow, flow_window

__all__ = ["CAREFUL", "Settling", "settling", "usual_tolerances", "window_with_a_point"]

CAREFUL: Final = (0.01, 3447.379, 0.277778)
"""A point read with great care: flow within 1 %, gauge within 0.5 psi [Pa], thermometer within 0.5 degF [K]."""
# Less of the doubtful area than this share is nothing.
_WORTH: Final = 0.01

# As in vet: a rate right at the window's edge passes in spite of rounding.
_ROUNDING: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Settling:
    """What would become of the doubtful zones.

    Attributes
    ----------
    area : float
        Of the doubtful zones [m2].
    holds, fails : float
        Area of those that one more measured point of each orifice in use is expected to show to hold or to fail [m2]:
        the point as the central case would give it, read with the usual tolerances.
    careful : float
        Area that point is expected to settle if it is read with the tolerances of `CAREFUL` [m2]; only worked out
        where the usual ones settle nothing.
    known : float
        Area that would be settled, whichever case is the true one, if coefficient, flashing and back pressure were
        known exactly [m2]; what is left hangs on something else.
    measured : int
        Points measured already on the orifices in use.
    """

    area: float
    holds: float
    fails: float
    careful: float
    known: float
    measured: int

    @property
    def by_point(self) -> float:
        """Area one more point is expected to settle [m2]."""
        return self.holds + self.fails


def usual_tolerances() -> tuple[float, float, float]:
    """How far flow [-], gauge [Pa] and thermometer [K] are taken to be off unless the bar file says otherwise."""
    keys = keys_of("orifices.measured")
    kinds = {"pressure_tolerance": "pressure", "temperature_tolerance": "temperature difference"}
    gauge, thermometer = (parse(str(keys[name].default), kind) for name, kind in kinds.items())
    return float(keys["flow_tolerance"].default or 0.0), gauge, thermometer


def _measured_at(solution: Solution, flow: float, tolerances: tuple[float, float, float]) -> Bar | None:
    """Bar with one more point on each orifice in use, as the central case gives it at a true flow [kg/s].

    None where that case boils at every flow looked at.
    """
    bar, plan = solution.bar, solution.plan
    middle = 0.5 * sum(plan.temperature)
    circuit = Circuit(bar, plan.sections, (central_case(bar, plan.sections),), np.array([middle]))
    try:
        state = circuit.at_flow(flow)
    except RangeError:
        return None
    if float(state.liquid_margin[0, 0, 0]) <= 0.0:
        return None
    orifices = dict(bar.orifices)
    for place, section in enumerate(circuit.sections):
        orifice = bar.orifices[section.orifice]
        if len(orifices[section.orifice].measured) > len(orifice.measured):
            continue
        point = MeasuredPoint(
            float(state.section_flow[0, 0, 0, place]) / section.rows,
            float(state.manifold_pressure[0, 0, 0, place]),
            middle,
            *tolerances,
        )
        orifices[section.orifice] = replace(orifice, measured=(*orifice.measured, point))
    return replace(bar, orifices=orifices)


def _measuring_flow(solution: Solution) -> float | None:
    """Flow at which one would measure [kg/s]: the middle of the certain window, else of what the central case allows.

    None where the liquid margin is out of reach.
    """
    if not solution.certain.empty:
        return 0.5 * (solution.certain.low + solution.certain.high)
    curve = solution.curve
    good = curve.flow[curve.expected_margin >= solution.bar.limits.liquid_margin]
    if not good.size:
        return None
    low = float(good[0])
    return 0.5 * (low + max(low, min(solution.certain.low, solution.possible.high)))


def window_with_a_point(
    solution: Solution, tolerances: tuple[float, float, float] | None = None
) -> tuple[Bounds, Bounds] | None:
    """Certain and possible window over the plan [kg/s as commanded] once one more point is measured.

    Expected ones: the point is what the central case gives, read with the usual tolerances of flow [-], gauge [Pa] and
    thermometer [K] or with those given. None where such a point cannot be taken, or contradicts
    those that are there.
    """
    flow = _measuring_flow(solution)
    bar = None if flow is None else _measured_at(solution, flow, tolerances or usual_tolerances())
    if bar is None:
        return None
    try:
        window = asked_of_rows(
            flow_window(bar, solution.window.temperature, solution.plan.sections), bar, solution.plan
        )
    except BarError:
        return None
    certain, possible = (window.over_plan(certain=sure, commanded=True) for sure in (True, False))
    return certain, possible


def _inside(low: FloatArray, high: FloatArray, least: FloatArray | float, most: FloatArray | float) -> BoolArray:
    return np.asarray((low >= least * (1.0 - _ROUNDING)) & (high <= most * (1.0 + _ROUNDING)))


def _case_edges(window: FlowWindow, *, certain: bool) -> tuple[FloatArray, FloatArray]:
    """Ends of the window over all temperatures in each case, shape (cases,); the suction at one of its ends."""
    rest = window.certain if certain else window.possible
    low, high = (
        pick(
            [
                pick(window.per_case.get(name, rest[name][None, :]) / window.delivered_ratio, axis=-1)
                + np.zeros(next(iter(window.per_case.values())).shape[0])
                for name in names
            ],
            axis=0,
        )
        for pick, names in ((np.max, LOW_LIMITS), (np.min, HIGH_LIMITS))
    )
    return low, high


def settling(area: FloatArray, solution: Solution, vetting: Vetting) -> Settling | None:
    """Find what would settle the doubtful zones; None where there are none.

    Parameters
    ----------
    area : ndarray, shape (zones,)
        Of each zone [m2].
    solution, vetting
        From `vet.solve` and `vet.vet`.
    """
    doubtful = vetting.verdict == "doubtful"
    if not doubtful.any():
        return None
    weight, low, high = area[doubtful], vetting.flow_low[doubtful], vetting.flow_high[doubtful]
    settled = []
    sure, hoped = (_case_edges(solution.window, certain=certain) for certain in (True, False))
    for case in range(sure[0].size):
        good = _inside(low, high, sure[0][case], sure[1][case])
        settled.append(float(weight[good | ~_inside(low, high, hoped[0][case], hoped[1][case])].sum()))
    fitted = {solution.bar.sections[index].orifice for index in solution.plan.sections}
    points = sum(len(solution.bar.orifices[key].measured) for key in fitted)
    whole = float(weight.sum())

    def shown(tolerances: tuple[float, float, float]) -> tuple[float, float]:
        after = window_with_a_point(solution, tolerances)
        if after is None:
            return 0.0, 0.0
        certain, possible = after
        holds = _inside(low, high, certain.low, certain.high)
        fails = ~holds & ~_inside(low, high, possible.low, possible.high)
        return float(weight[holds].sum()), float(weight[fails].sum())

    holds, fails = shown(usual_tolerances())
    if holds + fails >= _WORTH * whole:
        return Settling(whole, holds, fails, 0.0, min(settled), points)
    careful = sum(shown(CAREFUL)) if min(settled) > 0.0 else 0.0
    return Settling(whole, 0.0, 0.0, careful if careful >= _WORTH * whole else 0.0, min(settled), points)
