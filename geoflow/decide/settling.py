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
from geoflow.hydraulics.cases import Case, likely_cases
from geoflow.hydraulics.circuit import Circuit
from geoflow.hydraulics.window import Bounds, FlowWindow, flow_window

__all__ = ["CAREFUL", "Settling", "settling", "usual_tolerances", "windows_with_a_point"]

CAREFUL: Final = (0.01, 3447.379, 0.277778)
"""A point read with great care: flow within 1 %, gauge within 0.5 psi [Pa], thermometer within 0.5 degF [K]."""
# Less of the doubtful area than this share is nothing.
_WORTH: Final = 0.01

# As in vet: a rate right at the window's edge passes in spite of rounding.
_ROUNDING: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Settling:
    """What would become of the doubtful zones.

    Pairs are the least and the greatest over the likely cases of the orifices.

    Attributes
    ----------
    area : float
        Of the doubtful zones [m2].
    holds, fails, settled : tuple of float
        Area of those that one more measured point of each orifice in use is expected to show to hold, to fail, and
        either of them [m2]: the point as a likely case would give it, read with the usual tolerances.
    careful : float
        Least area that point is expected to settle if it is read with the tolerances of `CAREFUL` [m2]; only worked
        out where the usual ones settle nothing for sure.
    known : float
        Area that would be settled, whichever case is the true one, if coefficient, flashing and back pressure were
        known exactly [m2]; what is left hangs on something else.
    measured : int
        Points measured already on the orifices in use.
    """

    area: float
    holds: tuple[float, float]
    fails: tuple[float, float]
    settled: tuple[float, float]
    careful: float
    known: float
    measured: int


def usual_tolerances() -> tuple[float, float, float]:
    """How far flow [-], gauge [Pa] and thermometer [K] are taken to be off unless the bar file says otherwise."""
    keys = keys_of("orifices.measured")
    kinds = {"pressure_tolerance": "pressure", "temperature_tolerance": "temperature difference"}
    gauge, thermometer = (parse(str(keys[name].default), kind) for name, kind in kinds.items())
    return float(keys["flow_tolerance"].default or 0.0), gauge, thermometer


def _measured_at(solution: Solution, case: Case, flow: float, tolerances: tuple[float, float, float]) -> Bar | None:
    """Bar with one more point on each orifice in use, as a case gives it at a true flow [kg/s].

    None where that case boils at every flow looked at.
    """
    bar, plan = solution.bar, solution.plan
    middle = 0.5 * sum(plan.temperature)
    circuit = Circuit(bar, plan.sections, (case,), np.array([middle]))
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
    """Flow at which one would measure [kg/s]: the middle of the certain window, else of what all likely cases allow.

    None where the liquid margin is out of reach.
    """
    if not solution.certain.empty:
        return 0.5 * (solution.certain.low + solution.certain.high)
    curve = solution.curve
    good = curve.flow[curve.likely_margin_low >= solution.bar.limits.liquid_margin]
    if not good.size:
        return None
    low = float(good[0])
    return 0.5 * (low + max(low, min(solution.certain.low, solution.possible.high)))


def windows_with_a_point(
    solution: Solution, tolerances: tuple[float, float, float] | None = None
) -> list[tuple[Bounds, Bounds] | None]:
    """Certain and possible window over the plan [kg/s as commanded] once one more point is measured.

    Expected ones: the point is what a likely case gives, each in turn from the least flow to the greatest, read with
    the usual tolerances of flow [-], gauge [Pa] and thermometer [K] or with those given. None for a case in which such
    a point cannot be taken, or contradicts those that are there.
    """
    flow = _measuring_flow(solution)
    cases = likely_cases(solution.bar, solution.plan.sections)
    return [
        None if flow is None else _window_after(solution, case, flow, tolerances or usual_tolerances())
        for case in cases
    ]


def _window_after(
    solution: Solution, case: Case, flow: float, tolerances: tuple[float, float, float]
) -> tuple[Bounds, Bounds] | None:
    bar, plan = _measured_at(solution, case, flow, tolerances), solution.plan
    if bar is None:
        return None
    try:
        window = asked_of_rows(flow_window(bar, solution.window.temperature, plan.sections), bar, plan)
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
    settled_known = []
    sure, hoped = (_case_edges(solution.window, certain=certain) for certain in (True, False))
    for case in range(sure[0].size):
        good = _inside(low, high, sure[0][case], sure[1][case])
        settled_known.append(float(weight[good | ~_inside(low, high, hoped[0][case], hoped[1][case])].sum()))
    fitted = {solution.bar.sections[index].orifice for index in solution.plan.sections}
    points = sum(len(solution.bar.orifices[key].measured) for key in fitted)
    whole = float(weight.sum())

    def shown(tolerances: tuple[float, float, float]) -> tuple[FloatArray, FloatArray]:
        """Area shown to hold and to fail, each of shape (likely cases,)."""
        found = np.zeros((2, 0))
        for after in windows_with_a_point(solution, tolerances):
            holds = fails = np.zeros(weight.shape, dtype=bool)
            if after is not None:
                certain, possible = after
                holds = _inside(low, high, certain.low, certain.high)
                fails = ~holds & ~_inside(low, high, possible.low, possible.high)
            found = np.column_stack([found, [weight[holds].sum(), weight[fails].sum()]])
        return found[0], found[1]

    def ends(areas: FloatArray) -> tuple[float, float]:
        """Least and greatest; nothing where it is not worth the word."""
        least, most = (0.0 if area < _WORTH * whole else float(area) for area in (areas.min(), areas.max()))
        return least, most

    holds, fails = shown(usual_tolerances())
    settled = ends(holds + fails)
    careful = 0.0
    if settled[1] == 0.0:
        holds, fails = np.zeros(1), np.zeros(1)
    if settled[0] == 0.0 and min(settled_known) > 0.0:
        careful = ends(np.sum(shown(CAREFUL), axis=0))[0]
    return Settling(whole, ends(holds), ends(fails), settled, careful, min(settled_known), points)
