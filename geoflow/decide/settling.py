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
from geoflow.hydraulics.cases import Case, likely_cases
from geoflow.hydraulics.circuit import Circuit, State
from geoflow.hydraulics.window import Bounds, FlowWindow, flow_window

__all__ = ["CAREFUL", "Advised", "Settling", "settling", "usual_tolerances", "windows_with_a_point"]

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
    """One more reading, as likely cases of the orifices would give it, and what it is expected to settle.

    Attributes
    ----------
    temperature : float
        Of the liquid [K].
    flow : float
        Of ammonia, through all sections in use [kg/s].
    pressure : tuple of float
        Lowest and highest above the orifices of the sections in use, absolute [Pa].
    after_valve : tuple of float
        Between control valve and feeds, absolute [Pa].
    read_after_valve : float or None
        Least area it is expected to settle with a gauge after the valve in place of one above the orifices [m2]; None
        where nothing lies between.
    """

    temperature: float
    flow: float
    pressure: tuple[float, float]
    after_valve: tuple[float, float]
    read_after_valve: float | None = None


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
        either of them [m2]: `reading` as a likely case would give it, read with the usual tolerances.
    careful : float
        Least area such a point is expected to settle if it is read with the tolerances of `CAREFUL` [m2]; only worked
        out where the usual ones settle nothing for sure.
    known : float
        Area that would be settled, whichever case is the true one, if coefficient, flashing and back pressure were
        known exactly [m2]; what is left hangs on something else.
    measured : int
        Points measured already on the orifices in use.
    reading : Advised or None
        The reading that settles most; None where none settles anything or enough was measured.
    enough : bool
        Whether each orifice in use is learned from logs or has two measured points or more, so that no other one is
        asked for.
    learnable : float
        Area that more logs may settle, where orifices in use are learned and their logs leave something open [m2].
    colder : tuple of float or None
        Liquid temperature [K] at which most of it would hold at the planned speeds, and that area [m2].
    smaller : tuple of float or None
        Diameter [m] of orifices in all sections in use with which most of it would hold, though nobody measured them,
        and that area [m2]; both looked for where no reading settles anything.
    """

    area: float
    holds: tuple[float, float]
    fails: tuple[float, float]
    settled: tuple[float, float]
    careful: float
    known: float
    measured: int
    reading: Advised | None = None
    enough: bool = False
    colder: tuple[float, float] | None = None
    smaller: tuple[float, float] | None = None
    learnable: float = 0.0


def usual_tolerances() -> tuple[float, float, float]:
    """How far flow [-], gauge [Pa] and thermometer [K] are taken to be off unless the bar file says otherwise."""
    keys = keys_of("orifices.measured")
    kinds = {"pressure_tolerance": "pressure", "temperature_tolerance": "temperature difference"}
    gauge, thermometer = (parse(str(keys[name].default), kind) for name, kind in kinds.items())
    return float(keys["flow_tolerance"].default or 0.0), gauge, thermometer


def _state(solution: Solution, case: Case, flow: float, temperature: float) -> tuple[Circuit, State] | None:
    """A case at a true flow [kg/s]; None where it boils there, or takes more than pump and rating give."""
    bar = solution.bar
    circuit = Circuit(bar, solution.plan.sections, (case,), np.array([temperature]))
    try:
        state = circuit.at_flow(flow)
    except RangeError:
        return None
    beyond = state.outlet_pressure > circuit.max_pressure, state.rise > circuit.max_rise
    return None if any(map(np.any, (*beyond, state.liquid_margin <= 0.0))) else (circuit, state)


def _measured_at(
    solution: Solution, case: Case, flow: float, tolerances: tuple[float, float, float], kelvin: float
) -> Bar | None:
    """Bar with one more point on each orifice in use, as a case gives it at a true flow [kg/s].

    None where that case boils there or is beyond the bar.
    """
    bar = solution.bar
    found = _state(solution, case, flow, kelvin)
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

    Parameters
    ----------
    solution : Solution
        From `vet.solve`.
    tolerances : tuple of float, optional
        Of flow [-], gauge [Pa] and thermometer [K].
    """
    flow, kelvin = _measuring_flow(solution), 0.5 * sum(solution.plan.temperature)
    cases = likely_cases(solution.bar, solution.plan.sections)
    read = tolerances or usual_tolerances()
    return [None if flow is None else _window_after(solution, case, flow, read, kelvin) for case in cases]


def _window_after(
    solution: Solution, case: Case, flow: float, tolerances: tuple[float, float, float], kelvin: float
) -> tuple[Bounds, Bounds] | None:
    bar = _measured_at(solution, case, flow, tolerances, kelvin)
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
        holds = _inside(self.low, self.high, certain.low, certain.high)
        fails = ~holds & ~_inside(self.low, self.high, possible.low, possible.high)
        return float(self.area[holds].sum()), float(self.area[fails].sum())

    def ends(self, areas: FloatArray) -> tuple[float, float]:
        """Least and greatest of some areas [m2]; nothing where it is not worth the word."""
        whole = float(self.area.sum())
        least, most = (0.0 if area < _WORTH * whole else float(area) for area in (areas.min(), areas.max()))
        return least, most


@dataclass(frozen=True, slots=True)
class _Readings:
    """Readings that may be taken, in every likely case of the orifices."""

    solution: Solution
    zones: _Doubtful
    cases: tuple[Case, ...]

    def shown(
        self, flow: float, kelvin: float, tolerances: tuple[float, float, float], cases: tuple[Case, ...]
    ) -> FloatArray:
        """Area a reading shows to hold and to fail [m2], shape (2, cases)."""
        after = [_window_after(self.solution, case, flow, tolerances, kelvin) for case in cases]
        return np.transpose([self.zones.settled(one) for one in after])

    def best(self) -> tuple[float, float] | None:
        """Flow [kg/s] and temperature [K] of the reading that settles most, at the worse end of what is likely."""
        middle = _measuring_flow(self.solution)
        if middle is None:
            return None
        usual, ends = usual_tolerances(), tuple(dict.fromkeys((self.cases[0], self.cases[-1])))
        cold, warm = self.solution.plan.temperature

        def worth(flow: float, kelvin: float) -> tuple[float, float]:
            settled = self.shown(flow, kelvin, usual, ends).sum(axis=0)
            return float(settled.min()), float(settled.max())

        tried = {(middle, kelvin): worth(middle, kelvin) for kelvin in (0.5 * (cold + warm), warm, cold)}
        kelvin = max(tried, key=lambda one: tried[one])[1]
        asked = float(np.average(0.5 * (self.zones.low + self.zones.high), weights=self.zones.area))
        if abs(asked / middle - 1.0) > _WORTH:
            tried[asked, kelvin] = worth(asked, kelvin)
        return max(tried, key=lambda one: tried[one])

    def advised(self, flow: float, kelvin: float) -> Advised:
        """What the gauges would say at a reading, and what one after the valve would settle."""
        found = [_state(self.solution, case, flow, kelvin) for case in self.cases]
        states = [one[1] for one in found if one is not None]
        sections = next(one[0] for one in found if one is not None).sections
        above = np.array([state.manifold_pressure[0, 0, 0] for state in states])
        node = np.array([float(state.node_pressure[0, 0, 0]) for state in states])
        remote = None
        if any(section.feed for section in sections):
            flow_off, gauge_off, kelvin_off = usual_tolerances()
            spread = 0.5 * float(np.ptp(above, axis=1).max())
            gauge = gauge_off + _LOSS_OFF * float((node - above.min(axis=1)).max()) + spread
            remote = float(self.shown(flow, kelvin, (flow_off, gauge, kelvin_off), self.cases).sum(axis=0).min())
        pressure, after_valve = ((float(values.min()), float(values.max())) for values in (above, node))
        return Advised(kelvin, flow, pressure, after_valve, remote)


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
    # What is learned from logs outranks single points, so no point is asked for beside it, but more logs may be.
    learned = [solution.bar.orifices[key].learned is not None for key in fitted]
    enough = all(one or count >= _ENOUGH for one, count in zip(learned, counts, strict=True))
    zones, known = _Doubtful(weight, low, high), min(settled)
    readings = _Readings(solution, zones, likely_cases(solution.bar, solution.plan.sections))
    best = None if enough or known == 0.0 else readings.best()
    holds = fails = np.zeros(1)
    careful, reading = 0.0, None
    if best is not None:
        holds, fails = readings.shown(*best, usual_tolerances(), readings.cases)
        least, most = zones.ends(holds + fails)
        reading = readings.advised(*best) if most > 0.0 else None
        if least == 0.0:
            careful = zones.ends(readings.shown(*best, CAREFUL, readings.cases).sum(axis=0))[0]
    if reading is None:
        holds = fails = np.zeros(1)
    return Settling(
        float(weight.sum()),
        zones.ends(holds),
        zones.ends(fails),
        zones.ends(holds + fails),
        careful,
        known,
        sum(counts),
        reading,
        enough,
        None if reading else _held_colder(solution, zones),
        None if reading else _held_with_smaller(solution, zones),
        zones.ends(np.array([known]))[1] if any(learned) else 0.0,
    )
