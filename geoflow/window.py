"""The flow window of a bar: between which flows fixed orifices give an honest rate, and what ends it.

Every bound is computed twice. *Certain* is the window at the worse end of everything unknown (orifice
coefficient, flashing, back pressure, boiling in the suction), *possible* at the better end.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.arrays import FloatArray, Floats, IntArray
from geoflow.circuit import Circuit, State
from geoflow.coefficients import bounding_cases, central_case, inner_cases
from geoflow.equipment import Bar
from geoflow.physics.ammonia import saturation
from geoflow.physics.roots import rising_root
from geoflow.schema import HIGH_LIMITS, LOW_LIMITS

__all__ = [
    "Bounds",
    "FlowWindow",
    "PressureCurve",
    "RowSplit",
    "flow_window",
    "pressure_curve",
    "row_split",
    "temperature_grid",
]


_GRID_STEP: Final = 1.0
_CURVE_POINTS: Final = 80
_PRESSURE_ROUNDING: Final = 1.0
_STEPS: Final = 25


@dataclass(frozen=True, slots=True)
class Bounds:
    """Lowest and highest flow [kg/s] over a plan and the limits that set them; empty where low exceeds high."""

    low: float
    high: float
    low_limit: str
    high_limit: str

    @property
    def empty(self) -> bool:
        """Whether no flow lies inside."""
        return not self.low <= self.high


@dataclass(frozen=True, slots=True)
class FlowWindow:
    """The window at each temperature; flows are of ammonia through all rows in use.

    Attributes
    ----------
    temperature : ndarray, shape (n,)
        Of the liquid in the tank [K].
    certain, possible : dict of str to ndarray, shape (n,)
        Per limit the least (low limits) or greatest (high limits) flow it allows [kg/s].
    per_case : dict of str to ndarray, shape (cases, n)
        The possible ones of the limits that depend on how the orifices turn out, in `inner_cases`.
    kinds : int
        Of orifice in use.
    delivered_ratio : ndarray, shape (n,)
        True flow over the flow the controller takes it for [-]; other than 1 for a meter without
        temperature correction.
    width : float
        In use [m].
    rows : int
        In use.
    """

    temperature: FloatArray
    certain: dict[str, FloatArray]
    possible: dict[str, FloatArray]
    per_case: dict[str, FloatArray]
    kinds: int
    delivered_ratio: FloatArray
    width: float
    rows: int

    def at(self, places: IntArray) -> FlowWindow:
        """Return the same window at some of the temperatures only."""
        return FlowWindow(
            self.temperature[places],
            {name: flows[places] for name, flows in self.certain.items()},
            {name: flows[places] for name, flows in self.possible.items()},
            {name: flows[:, places] for name, flows in self.per_case.items()},
            self.kinds,
            self.delivered_ratio[places],
            self.width,
            self.rows,
        )

    def _ends(self, *, certain: bool) -> tuple[FloatArray, FloatArray]:
        """Flow each limit allows, shapes (low limits, lines, steps, n) and (high limits, lines, steps, n).

        Certain takes the worse end of each limit on its own: one line of one step. Possible has to hold together, in
        one way the orifices may turn out: steps on the lines between any two of the cases.
        """

        def flows(name: str) -> FloatArray:
            if certain:
                return self.certain[name][None, None, :]
            if name in between:
                return between[name]
            return np.broadcast_to(self.possible[name], next(iter(between.values())).shape)

        # The squared flow is linear in what is not known of one kind of orifice; rows of several kinds add up.
        power = 2.0 if self.kinds == 1 else 1.0
        between = {} if certain else {name: _between(ends, power) for name, ends in self.per_case.items()}
        low, high = ([flows(name) for name in names] for names in (LOW_LIMITS, HIGH_LIMITS))
        return np.array(low), np.array(high)

    def edges(self, *, certain: bool) -> tuple[FloatArray, FloatArray]:
        """Low and high end of the window at each temperature [kg/s]."""
        lows, highs = self._ends(certain=certain)
        low, high, _, _ = _united(lows.max(axis=0), highs.min(axis=0))
        return low, high

    def edge_limits(self, *, certain: bool) -> tuple[list[str], list[str]]:
        """Name of the limit that sets the low and the high end at each temperature."""
        lows, highs = self._ends(certain=certain)
        _, _, least, most = _united(lows.max(axis=0), highs.min(axis=0))
        at = np.arange(self.temperature.size)
        low = _in_a_row(lows, 1).argmax(axis=0)[least, at]
        high = _in_a_row(highs, 1).argmin(axis=0)[most, at]
        return [LOW_LIMITS[index] for index in low], [HIGH_LIMITS[index] for index in high]

    def over_plan(self, *, certain: bool, commanded: bool) -> Bounds:
        """Window that holds at every temperature.

        Parameters
        ----------
        certain : bool
            Which of the two windows.
        commanded : bool
            In flow as the controller takes it, instead of true flow.
        """
        ratio = self.delivered_ratio if commanded else np.ones_like(self.delivered_ratio)
        lows, highs = (ends / ratio for ends in self._ends(certain=certain))
        # However the orifices turn out, every temperature has to be met; what is met in any way is then possible.
        low, high, least, most = _united(lows.max(axis=(0, -1)), highs.min(axis=(0, -1)))
        return Bounds(
            float(low),
            float(high),
            LOW_LIMITS[int(_in_a_row(lows, 1)[:, int(least)].max(axis=-1).argmax())],
            HIGH_LIMITS[int(_in_a_row(highs, 1)[:, int(most)].min(axis=-1).argmin())],
        )


def _in_a_row(values: FloatArray, axis: int = 0) -> FloatArray:
    """Lines and steps, the axes `axis` and the next, as one."""
    shape = values.shape
    return values.reshape(*shape[:axis], shape[axis] * shape[axis + 1], *shape[axis + 2 :])


def _between(ends: FloatArray, power: float) -> FloatArray:
    """Flows along the lines between any two cases, shape (lines, steps, n), from those at the cases, (cases, n)."""
    if len(ends) == 1:
        return ends[:, None]
    first, last = np.triu_indices(len(ends), 1)
    share = np.linspace(0.0, 1.0, _STEPS)[:, None]
    start, end = np.power(ends[first, None], power), np.power(ends[last, None], power)
    with np.errstate(invalid="ignore"):
        mixed = np.power((1.0 - share) * start + share * end, 1.0 / power)
    # A flow without bound stays one in every mixture.
    return np.where(np.isnan(mixed), np.where(share == 0.0, ends[first, None], ends[last, None]), mixed)


def _united(low: FloatArray, high: FloatArray) -> tuple[FloatArray, FloatArray, IntArray, IntArray]:
    """Least low end and greatest high end along lines on which the window opens and closes.

    Where it opens between two steps, its ends there are taken in a straight line. Where it is open nowhere, both ends
    are those of the step that comes nearest to it, and the low end lies above the high end.

    Parameters
    ----------
    low, high : ndarray, shape (lines, steps, ...)
        Ends of the window [kg/s].

    Returns
    -------
    tuple of ndarray, shape (...)
        Low end, high end [kg/s], and the places of the steps they belong to, counted through all lines.
    """
    open_ = low <= high
    with np.errstate(divide="ignore", invalid="ignore"):
        gap = np.nan_to_num(np.log(high) - np.log(low), nan=-np.inf, posinf=1e300, neginf=-1e300)
        least, most = np.where(open_, low, np.inf), np.where(open_, high, -np.inf)
        for here, there in ((np.s_[:, :-1], np.s_[:, 1:]), (np.s_[:, 1:], np.s_[:, :-1])):
            closes = open_[here] & ~open_[there]
            share = np.where(closes, gap[here] / (gap[here] - gap[there]), 0.0)
            for ends, best, pick in ((low, least, np.fmin), (high, most, np.fmax)):
                reached = ends[here] + share * (ends[there] - ends[here])
                best[here] = pick(best[here], np.where(closes & np.isfinite(reached), reached, np.nan))
    low, high, least, most, gap = (_in_a_row(values) for values in (low, high, least, most, gap))
    nearest, some = gap.argmax(axis=0), np.isfinite(least).any(axis=0) | (most > -np.inf).any(axis=0)
    lowest = np.where(some, least.argmin(axis=0), nearest)
    highest = np.where(some, most.argmax(axis=0), nearest)

    def taken(values: FloatArray, places: IntArray) -> FloatArray:
        return np.asarray(np.take_along_axis(values, places[None], axis=0)[0])

    return (
        np.where(some, taken(least, lowest), taken(low, nearest)),
        np.where(some, taken(most, highest), taken(high, nearest)),
        lowest,
        highest,
    )


def temperature_grid(low: float, high: float, step: float = _GRID_STEP) -> FloatArray:
    """Temperatures [K] from low to high, no more than `step` apart, both ends exact."""
    if high <= low:
        return np.array([low])
    return np.linspace(low, high, int(np.ceil((high - low) / step)) + 1)


def _pressure_flows(circuit: Circuit, name: str) -> FloatArray:
    """Flow at which a pressure limit is just met, shape (cases, temperatures)."""
    limits, pump = circuit.bar.limits, circuit.bar.pump
    excess_of, bound = {
        "liquid margin": ("liquid_margin", limits.liquid_margin),
        "rated pressure": ("outlet_pressure", limits.max_pressure),
        "pump pressure": ("rise", pump.max_rise),
    }[name]
    state = circuit.state(circuit.node_for(lambda state: getattr(state, excess_of) - bound))
    met = getattr(state, excess_of) >= bound - _PRESSURE_ROUNDING
    # A margin that is never reached allows no flow at all.
    return np.where(met | (name in HIGH_LIMITS), state.flow, np.inf)[..., 0]


def _suction_flows(circuit: Circuit) -> tuple[FloatArray, FloatArray]:
    """Greatest flow the suction allows, boiling in equilibrium and with no vapour formed, shape (temperatures,)."""
    liquid, pump = circuit.saturated, circuit.bar.pump
    most = pump.max_flow * liquid.liquid_density

    def too_much(flow: FloatArray) -> FloatArray:
        return np.asarray(flow - most * circuit.suction_capacity(flow))

    def past_vacuum(flow: FloatArray) -> FloatArray:
        return -circuit.liquid_inlet(flow)

    equilibrium = rising_root(too_much, np.zeros_like(most), most)
    boils = too_much(most) > 0.0
    liquid_only = rising_root(past_vacuum, np.zeros_like(most), most)
    starved = past_vacuum(most) > 0.0
    return (
        np.where(boils, equilibrium, np.inf)[0, :, 0],
        np.where(starved, liquid_only, np.inf)[0, :, 0],
    )


def flow_window(bar: Bar, temperature: FloatArray, sections: tuple[int, ...]) -> FlowWindow:
    """Solve a bar for its flow window.

    Parameters
    ----------
    bar : Bar
        The equipment.
    temperature : ndarray, shape (n,)
        Of the liquid in the tank [K].
    sections : tuple of int
        Indices of the sections in use.

    Raises
    ------
    RangeError
        If a temperature lies outside the property table.
    BarError
        If a measured point contradicts its orifice.
    """
    bounding, ends = (
        bounding_cases(bar, sections),
        {"liquid margin": 1.0, "rated pressure": -1.0, "pump pressure": -1.0},
    )
    circuit = Circuit(bar, sections, bounding, temperature)
    density = circuit.saturated.liquid_density[0, :, 0]
    boiling_suction, liquid_suction = _suction_flows(circuit)
    sure = {
        "meter minimum": bar.meter.min_flow * density,
        "pump minimum": bar.pump.min_flow * density,
        "pump flow": bar.pump.max_flow * density,
        "meter maximum": bar.meter.max_flow * density,
    }
    certain = {**sure, "suction": boiling_suction}
    possible = {**sure, "suction": liquid_suction}
    per_case = {}
    for name, kind in ends.items():
        # What lies below the orifices may differ from one temperature to the next, so each limit takes its own end.
        worse = [case for case in bounding if case.hose_end != kind]
        inner = inner_cases(bar, sections, kind if len(worse) < len(bounding) else 0.0)
        flows = _pressure_flows(circuit.with_cases((*worse, *inner)), name)
        low_side = name in LOW_LIMITS
        per_case[name] = flows[len(worse) :]
        certain[name] = (np.max if low_side else np.min)(flows, axis=0)
        possible[name] = (np.min if low_side else np.max)(per_case[name], axis=0)
    reference = bar.meter.reference_temperature
    counted = density if reference is None else saturation(reference).liquid_density
    return FlowWindow(
        np.asarray(temperature, dtype=np.float64),
        certain,
        possible,
        per_case,
        len({section.orifice for section in circuit.sections}),
        density / counted,
        circuit.width,
        circuit.rows,
    )


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
    cases = (*bounding_cases(bar, sections), central_case(bar, sections))
    circuit = Circuit(bar, sections, cases, temperature)
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

    margin, outlet = resampled(state.liquid_margin), resampled(state.outlet_pressure)
    least, most = resampled(state.manifold_pressure.min(axis=-1)), resampled(state.manifold_pressure.max(axis=-1))
    return PressureCurve(
        flow,
        margin.min(axis=(0, 1)),
        margin[-1].min(axis=0),
        least.min(axis=(0, 1)),
        most.max(axis=(0, 1)),
        outlet.min(axis=(0, 1)),
        outlet.max(axis=(0, 1)),
    )


@dataclass(frozen=True, slots=True)
class RowSplit:
    """How a flow divides over the sections in use, in the central case.

    Attributes
    ----------
    flow : float
        Of the whole width in use [kg/s].
    rows : int
        In use.
    row_flow : ndarray, shape (sections,)
        Through one row of each section [kg/s].
    manifold_pressure : ndarray, shape (sections,)
        Absolute [Pa].
    node_pressure, outlet_pressure, inlet_pressure : float
        After the control valve, at the pump outlet, at the pump inlet, absolute [Pa].
    """

    flow: float
    rows: int
    row_flow: FloatArray
    manifold_pressure: FloatArray
    node_pressure: float
    outlet_pressure: float
    inlet_pressure: float

    @property
    def off_mean(self) -> FloatArray:
        """Each section's row flow over the mean of all rows, less one [-]."""
        return self.row_flow / (self.flow / self.rows) - 1.0


def row_split(bar: Bar, temperature: float, sections: tuple[int, ...], flow: float) -> RowSplit:
    """Divide a true flow [kg/s] over the sections in use at one liquid temperature [K]."""
    circuit = Circuit(bar, sections, (central_case(bar, sections),), np.array([temperature]))
    state = circuit.at_flow(flow)
    rows = np.array([section.rows for section in circuit.sections])
    return RowSplit(
        float(state.flow[0, 0, 0]),
        circuit.rows,
        state.section_flow[0, 0, 0] / rows,
        state.manifold_pressure[0, 0, 0],
        float(state.node_pressure[0, 0, 0]),
        float(state.outlet_pressure[0, 0, 0]),
        float(state.inlet_pressure[0, 0, 0]),
    )
