"""What would settle the doubtful zones of a map: which reading, or else smaller orifices or colder liquid."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar, MeasuredPoint
from geoflow.bar.keys import keys_of
from geoflow.base.arrays import FloatArray
from geoflow.base.errors import BarError, RangeError
from geoflow.base.schema import HIGH_LIMITS, LOW_LIMITS
from geoflow.base.units import parse
from geoflow.decide.finding_out import FindingOut, finding_out
from geoflow.decide.other_ways import WORTH, OtherWay, Zones, inside, other_ways, plan_places
from geoflow.decide.vet import Solution, Vetting, asked_of_rows
from geoflow.hydraulics.case import Case
from geoflow.hydraulics.cases import likely_cases
from geoflow.hydraulics.circuit import Circuit, State
from geoflow.hydraulics.window import Bounds, FlowWindow, flow_window

__all__ = ["CAREFUL", "Advised", "Settling", "settling", "usual_tolerances", "windows_with_a_point"]

CAREFUL: Final = (0.01, 3447.379, 0.277778)
"""A point read with great care: flow within 1 %, gauge within 0.5 psi [Pa], thermometer within 0.5 degF [K]."""
# More points than these, read as usual, are not asked for.
_ENOUGH: Final = 2
# Share of the gauge's own error and of the reckoned loss that a gauge after the valve adds: see `bar.measured`.
_LOSS_OFF: Final = 0.26


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
    colder : OtherWay or None
        Liquid temperature [K] at which more of the field would hold at the planned speeds.
    smaller : OtherWay or None
        Diameter [m] of orifices in all sections in use with which more of it would hold, though nobody measured them;
        both looked for where no reading settles anything.
    learnable : float
        Area that more logs may settle, where orifices in use are learned and their logs leave something open [m2].
    unknowns : FindingOut or None
        What would be settled by finding out what the bar file leaves open; None where it leaves nothing open.
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
    colder: OtherWay | None = None
    smaller: OtherWay | None = None
    learnable: float = 0.0
    unknowns: FindingOut | None = None


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


def windows_with_a_point(solution: Solution) -> list[tuple[Bounds, Bounds] | None]:
    """Certain and possible window over the plan [kg/s as commanded] once one more point is measured.

    Expected ones: the point is what a likely case gives, each in turn from the least flow to the greatest, read with
    the usual tolerances. None for a case in which such a point cannot be taken, or contradicts those that are there.

    Parameters
    ----------
    solution : Solution
        From `vet.solve`.
    """
    flow, kelvin = _measuring_flow(solution), 0.5 * sum(solution.plan.temperature)
    cases = likely_cases(solution.bar, solution.plan.sections)
    read = usual_tolerances()
    return [None if flow is None else _window_after(solution, case, flow, read, kelvin) for case in cases]


def _window_after(
    solution: Solution, case: Case, flow: float, tolerances: tuple[float, float, float], read_at: float
) -> tuple[Bounds, Bounds] | None:
    """Look up the window after a reading, or solve it the first time somebody asks."""
    asked = case, flow, tolerances, read_at
    if asked not in solution.after_readings:
        solution.after_readings[asked] = _solved_after(solution, *asked)
    return solution.after_readings[asked]


def _solved_after(
    solution: Solution, case: Case, flow: float, tolerances: tuple[float, float, float], read_at: float
) -> tuple[Bounds, Bounds] | None:
    bar = _measured_at(solution, case, flow, tolerances, read_at)
    if bar is None:
        return None
    kelvin = solution.window.temperature[plan_places(solution.window)]
    try:
        window = asked_of_rows(flow_window(bar, kelvin, solution.plan.sections), bar, solution.plan)
    except BarError:
        return None
    return window.both_over_plan(commanded=True)


@dataclass(frozen=True, slots=True)
class _Shown:
    """What a reading shows, as in `Settling`; nothing without one."""

    holds: tuple[float, float] = (0.0, 0.0)
    fails: tuple[float, float] = (0.0, 0.0)
    settled: tuple[float, float] = (0.0, 0.0)
    careful: float = 0.0
    reading: Advised | None = None


@dataclass(frozen=True, slots=True)
class _Readings:
    """Readings that may be taken, in every likely case of the orifices."""

    solution: Solution
    zones: Zones
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
        if abs(asked / middle - 1.0) > WORTH:
            tried[asked, kelvin] = worth(asked, kelvin)
        return max(tried, key=lambda one: tried[one])

    def found(self, flow: float, kelvin: float) -> _Shown:
        """What a reading shows in each likely case, and what the gauges would say."""
        holds, fails = self.shown(flow, kelvin, usual_tolerances(), self.cases)
        least, most = self.zones.ends(holds + fails)
        careful = 0.0
        if least == 0.0:
            careful = self._careful(flow, kelvin)
        if most <= 0.0:
            return _Shown(careful=careful)
        reading = self.advised(flow, kelvin)
        return _Shown(self.zones.ends(holds), self.zones.ends(fails), (least, most), careful, reading)

    def _careful(self, flow: float, kelvin: float) -> float:
        """Least area a reading taken with great care settles [m2]; no case is looked at after one of nothing."""
        least = np.inf
        for case in self.cases:
            settled = self.shown(flow, kelvin, CAREFUL, (case,)).sum(axis=0)
            least = min(least, self.zones.ends(settled)[0])
            if least == 0.0:
                break
        return least

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
    doubtful, good = (vetting.verdict == name for name in ("doubtful", "holds"))
    if not doubtful.any():
        return None
    zones, holding = (Zones(area[some], vetting.flow_low[some], vetting.flow_high[some]) for some in (doubtful, good))
    counts, learned, enough = _points(solution)
    known = _settled_by_all(zones, solution.window)
    readings = _Readings(solution, zones, likely_cases(solution.bar, solution.plan.sections))
    best = None if enough or known == 0.0 else readings.best()
    found = _Shown() if best is None else readings.found(*best)
    ways = (None, None) if found.reading else other_ways(solution, zones, holding)
    return Settling(
        float(zones.area.sum()), found.holds, found.fails, found.settled, found.careful, known, sum(counts),
        found.reading, enough, *ways, zones.ends(np.array([known]))[1] if learned else 0.0,
        finding_out(solution, zones),
    )  # fmt: skip


def _points(solution: Solution) -> tuple[list[int], bool, bool]:
    """How many points each orifice in use has, whether any learned from logs, and whether no other point is asked for.

    What is learned outranks single points, so no point is asked for beside it, but more logs may be.
    """
    fitted = {solution.bar.sections[index].orifice for index in solution.plan.sections}
    counts = [len(solution.bar.orifices[key].measured) for key in fitted]
    learned = [solution.bar.orifices[key].learned is not None for key in fitted]
    enough = all(one or count >= _ENOUGH for one, count in zip(learned, counts, strict=True))
    return counts, any(learned), enough


def _settled_by_all(zones: Zones, window: FlowWindow) -> float:
    """Area that would be settled, whichever case is the true one, if everything of the orifices were known [m2]."""
    sure, hoped = (_case_edges(window, certain=certain) for certain in (True, False))
    settled = []
    for case in range(sure[0].size):
        good = inside(zones.low, zones.high, sure[0][case], sure[1][case])
        lost = ~inside(zones.low, zones.high, hoped[0][case], hoped[1][case])
        settled.append(float(zones.area[good | lost].sum()))
    return min(settled)
