"""What would settle the doubtful zones of a map: which reading, or else smaller orifices or colder liquid."""

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
from geoflow.hydraulics.circuit import Circuit, State
from geoflow.hydraulics.window import Bounds, FlowWindow, flow_window

__all__ = ["CAREFUL", "Advised", "Settling", "settling", "usual_tolerances", "window_with_a_point"]

CAREFUL: Final = (0.01, 3447.379, 0.277778)
"""A point read with great care: flow within 1 %, gauge within 0.5 psi [Pa], thermometer within 0.5 degF [K]."""
# Less of the doubtful area than this share is nothing.
_WORTH: Final = 0.01

# As in vet: a rate right at the window's edge passes in spite of rounding.
_ROUNDING: Final = 1e-9


# More points than these, read as usual, are not asked for.
_ENOUGH: Final = 2
# Share of the gauge's own error and of the reckoned loss that a gauge after the valve adds: see `bar.measured`.
_LOSS_OFF: Final = 0.26
# Orifices tried where no reading settles anything, against those in use.
_SMALLER: Final = (0.95, 0.9, 0.85, 0.8, 0.7)


@dataclass(frozen=True, slots=True)
class Advised:
    """One more reading, as the central case would give it, and what it is expected to settle.

    Attributes
    ----------
    temperature : float
        Of the liquid [K].
    flow : float
        Of ammonia, through all sections in use [kg/s].
    pressure : tuple of float
        Lowest and highest above the orifices of the sections in use, absolute [Pa].
    after_valve : float
        Between control valve and feeds, absolute [Pa].
    holds, fails : float
        Area it is expected to show to hold or to fail [m2].
    read_after_valve : float or None
        Area it is expected to settle with a gauge after the valve in place of one above the orifices [m2]; None where
        nothing lies between.
    """

    temperature: float
    flow: float
    pressure: tuple[float, float]
    after_valve: float
    holds: float
    fails: float
    read_after_valve: float | None = None


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
    reading : Advised or None
        The reading that settles most; None where none settles anything or enough was measured.
    enough : bool
        Whether two points or more were measured on each orifice in use, so that no other one is asked for.
    colder : tuple of float or None
        Liquid temperature [K] at which most of it would hold at the planned speeds, and that area [m2].
    smaller : tuple of float or None
        Diameter [m] of orifices in all sections in use with which most of it would hold, though nobody measured them,
        and that area [m2]; both looked for where no reading settles anything.
    """

    area: float
    holds: float
    fails: float
    careful: float
    known: float
    measured: int
    reading: Advised | None = None
    enough: bool = False
    colder: tuple[float, float] | None = None
    smaller: tuple[float, float] | None = None

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


def _central_state(solution: Solution, flow: float, temperature: float) -> tuple[Circuit, State] | None:
    """The central case at a true flow [kg/s]; None where it boils there, or takes more than pump and rating give."""
    bar, plan = solution.bar, solution.plan
    circuit = Circuit(bar, plan.sections, (central_case(bar, plan.sections),), np.array([temperature]))
    try:
        state = circuit.at_flow(flow)
    except RangeError:
        return None
    beyond = state.outlet_pressure > bar.limits.max_pressure, state.rise > bar.pump.max_rise
    return None if any(map(np.any, (*beyond, state.liquid_margin <= 0.0))) else (circuit, state)


def _measured_at(
    solution: Solution, flow: float, tolerances: tuple[float, float, float], temperature: float | None = None
) -> Bar | None:
    """Bar with one more point on each orifice in use, as the central case gives it at a true flow [kg/s].

    None where that case boils there or is beyond the bar.
    """
    bar = solution.bar
    kelvin = 0.5 * sum(solution.plan.temperature) if temperature is None else temperature
    found = _central_state(solution, flow, kelvin)
    if found is None:
        return None
    circuit, state = found
    orifices = dict(bar.orifices)
    for place, section in enumerate(circuit.sections):
        orifice = bar.orifices[section.orifice]
        if len(orifices[section.orifice].measured) > len(orifice.measured):
            continue
        point = MeasuredPoint(
            float(state.section_flow[0, 0, 0, place]) / section.rows,
            float(state.manifold_pressure[0, 0, 0, place]),
            kelvin,
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
    return None if flow is None else _window_after(solution, flow, tolerances or usual_tolerances())


def _window_after(
    solution: Solution, flow: float, tolerances: tuple[float, float, float], temperature: float | None = None
) -> tuple[Bounds, Bounds] | None:
    bar = _measured_at(solution, flow, tolerances, temperature)
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


@dataclass(frozen=True, slots=True)
class _Doubtful:
    """The doubtful zones: area [m2], flows at the slowest and the fastest planned speed [kg/s as commanded]."""

    area: FloatArray
    low: FloatArray
    high: FloatArray

    def held(self, least: float, most: float) -> float:
        """Area within a window [m2]."""
        return float(self.area[_inside(self.low, self.high, least, most)].sum())

    def settled(self, after: tuple[Bounds, Bounds] | None) -> tuple[float, float]:
        """Area shown to hold and to fail [m2]."""
        if after is None:
            return 0.0, 0.0
        certain, possible = after
        within = self.held(certain.low, certain.high)
        return within, float(self.area.sum()) - self.held(possible.low, possible.high)


def _best_reading(solution: Solution, zones: _Doubtful) -> Advised | None:
    """The reading that is expected to settle most: first at which temperature, then at which flow."""
    middle = _measuring_flow(solution)
    if middle is None:
        return None
    usual = usual_tolerances()
    cold, warm = solution.plan.temperature
    tried: list[tuple[float, float, float, tuple[float, float]]] = []

    def look(flow: float, kelvin: float) -> None:
        found = zones.settled(_window_after(solution, flow, usual, kelvin))
        tried.append((sum(found), flow, kelvin, found))

    for kelvin in dict.fromkeys((0.5 * (cold + warm), warm, cold)):
        look(middle, kelvin)
    _, _, kelvin, _ = max(tried, key=lambda one: one[0])
    asked = float(np.average(0.5 * (zones.low + zones.high), weights=zones.area))
    for flow in (asked, 0.5 * (middle + asked)):
        if abs(flow / middle - 1.0) > _WORTH:
            look(flow, kelvin)
    _, flow, kelvin, (holds, fails) = max(tried, key=lambda one: one[0])
    if holds + fails < _WORTH * float(zones.area.sum()):
        return None
    found = _central_state(solution, flow, kelvin)
    if found is None:
        return None
    circuit, state = found
    above, node = state.manifold_pressure[0, 0, 0], float(state.node_pressure[0, 0, 0])
    remote = None
    if any(section.feed for section in circuit.sections):
        spread = 0.5 * float(above.max() - above.min())
        gauge = usual[1] + _LOSS_OFF * (node - float(above.min())) + spread
        remote = sum(zones.settled(_window_after(solution, flow, (usual[0], gauge, usual[2]), kelvin)))
    return Advised(kelvin, flow, (float(above.min()), float(above.max())), node, holds, fails, remote)


def _held_colder(solution: Solution, zones: _Doubtful) -> tuple[float, float] | None:
    """Temperature below the plan [K] at which most of it holds, the warmest one of equals, and that area [m2]."""
    window = solution.search
    low, high = (edge / window.delivered_ratio for edge in window.edges(certain=True))
    best = None
    for at in np.flatnonzero(window.temperature < solution.plan.temperature[0])[::-1]:
        held = zones.held(float(low[at]), float(high[at]))
        if held >= _WORTH * float(zones.area.sum()) and (best is None or held > best[1] * (1.0 + _WORTH)):
            best = float(window.temperature[at]), held
    return best


def _held_with_smaller(solution: Solution, zones: _Doubtful) -> tuple[float, float] | None:
    """Diameter [m] of unmeasured smaller orifices with which most of it certainly holds, and that area [m2]."""
    bar, plan = solution.bar, solution.plan
    fitted = {bar.sections[index].orifice for index in plan.sections}
    if len(fitted) > 1:
        return None
    (name,) = fitted
    best = None
    for share in _SMALLER:
        orifice = replace(bar.orifices[name], diameter=bar.orifices[name].diameter * share, measured=())
        other = replace(bar, orifices={**bar.orifices, name: orifice})
        window = asked_of_rows(flow_window(other, solution.window.temperature, plan.sections), other, plan)
        certain = window.over_plan(certain=True, commanded=True)
        held = zones.held(certain.low, certain.high)
        if held >= _WORTH * float(zones.area.sum()) and (best is None or held > best[1] * (1.0 + _WORTH)):
            best = orifice.diameter, held
    return best


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
    counts = [len(solution.bar.orifices[key].measured) for key in fitted]
    zones, whole, enough = _Doubtful(weight, low, high), float(weight.sum()), min(counts) >= _ENOUGH
    known = min(settled)
    reading = None if enough or known == 0.0 else _best_reading(solution, zones)
    if reading is not None:
        return Settling(whole, reading.holds, reading.fails, 0.0, known, sum(counts), reading)
    careful = 0.0
    if known > 0.0 and not enough:
        careful = sum(zones.settled(window_with_a_point(solution, CAREFUL)))
    return Settling(
        whole,
        0.0,
        0.0,
        careful if careful >= _WORTH * whole else 0.0,
        known,
        sum(counts),
        None,
        enough,
        _held_colder(solution, zones),
        _held_with_smaller(solution, zones),
    )
