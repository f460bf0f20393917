"""The flow window of a bar: between which flows fixed orifices give an honest rate, and what ends it.

Every bound is computed twice. *Certain* is the window at the worse end of everything unknown (orifice
coefficient, flashing, back pressure, boiling in the suction), *possible* at the better end.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.arrays import FloatArray, Floats, IntArray
from geoflow.circuit import Circuit, State, bounding_cases, central_case
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
        The same for the limits that depend on how the unknowns turn out.
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
            self.delivered_ratio[places],
            self.width,
            self.rows,
        )

    def _ends(self, *, certain: bool) -> tuple[FloatArray, FloatArray]:
        """Flow each limit allows, shapes (low limits, cases, n) and (high limits, cases, n); one case if certain.

        Certain takes the worse end of each limit on its own; possible has to hold together in one case.
        """

        def flows(name: str) -> FloatArray:
            if certain:
                return self.certain[name][None, :]
            return np.broadcast_to(self.per_case.get(name, self.possible[name]), (cases, self.temperature.size))

        cases = next(iter(self.per_case.values())).shape[0]
        low, high = ([flows(name) for name in names] for names in (LOW_LIMITS, HIGH_LIMITS))
        return np.array(low), np.array(high)

    def edges(self, *, certain: bool) -> tuple[FloatArray, FloatArray]:
        """Low and high end of the window at each temperature [kg/s]."""
        low, high = (end(ends, axis=0) for end, ends in zip((np.max, np.min), self._ends(certain=certain), strict=True))
        least, most = _united(low, high)
        at = np.arange(self.temperature.size)
        return low[least, at], high[most, at]

    def edge_limits(self, *, certain: bool) -> tuple[list[str], list[str]]:
        """Name of the limit that sets the low and the high end at each temperature."""
        lows, highs = self._ends(certain=certain)
        least, most = _united(lows.max(axis=0), highs.min(axis=0))
        at = np.arange(self.temperature.size)
        low, high = lows.argmax(axis=0)[least, at], highs.argmin(axis=0)[most, at]
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
        low, high = lows.max(axis=0), highs.min(axis=0)
        # Within a case every temperature has to be met; what any case meets is then possible.
        lowest, highest = low.argmax(axis=1), high.argmin(axis=1)
        case = np.arange(low.shape[0])
        least, most = (int(pick) for pick in _united(low[case, lowest], high[case, highest]))
        low_at, high_at = int(lowest[least]), int(highest[most])
        return Bounds(
            float(low[least, low_at]),
            float(high[most, high_at]),
            LOW_LIMITS[int(lows[:, least, low_at].argmax())],
            HIGH_LIMITS[int(highs[:, most, high_at].argmin())],
        )


def _united(low: FloatArray, high: FloatArray) -> tuple[IntArray, IntArray]:
    """Case with the least low end and case with the greatest high end among those with a window, along axis 0.

    Where no case has one, both are the case that comes nearest to it, and its low end lies above its high end.
    """
    open_ = low <= high
    with np.errstate(divide="ignore", invalid="ignore"):
        nearest = np.argmax(np.nan_to_num(np.log(high) - np.log(low), nan=-np.inf, neginf=-1e300), axis=0)
    some = open_.any(axis=0)
    least = np.where(some, np.where(open_, low, np.inf).argmin(axis=0), nearest)
    most = np.where(some, np.where(open_, high, -np.inf).argmax(axis=0), nearest)
    return least, most


def temperature_grid(low: float, high: float, step: float = _GRID_STEP) -> FloatArray:
    """Temperatures [K] from low to high, no more than `step` apart, both ends exact."""
    if high <= low:
        return np.array([low])
    return np.linspace(low, high, int(np.ceil((high - low) / step)) + 1)


def _pressure_flows(circuit: Circuit) -> dict[str, FloatArray]:
    """Flow at which each pressure limit is just met, shape (cases, temperatures)."""
    limits, pump = circuit.bar.limits, circuit.bar.pump

    def flow_where(excess_of: str, bound: float, *, at_least: bool) -> FloatArray:
        node = circuit.node_for(lambda state: getattr(state, excess_of) - bound)
        state = circuit.state(node)
        met = getattr(state, excess_of) >= bound - _PRESSURE_ROUNDING
        # A margin that is never reached allows no flow at all.
        return np.where(met | (not at_least), state.flow, np.inf)[..., 0]

    return {
        "liquid margin": flow_where("liquid_margin", limits.liquid_margin, at_least=True),
        "rated pressure": flow_where("outlet_pressure", limits.max_pressure, at_least=False),
        "pump pressure": flow_where("rise", pump.max_rise, at_least=False),
    }


def _suction_flows(circuit: Circuit) -> tuple[FloatArray, FloatArray]:
    """Greatest flow the suction allows, boiling in equilibrium and with no vapour formed, shape (temperatures,)."""
    liquid, pump = circuit.saturated, circuit.bar.pump
    most = pump.max_flow * liquid.liquid_density

    def too_much(flow: FloatArray) -> FloatArray:
        return np.asarray(flow - most * circuit.suction_capacity(flow))

    def past_vacuum(flow: FloatArray) -> FloatArray:
        return -circuit.inlet_pressure(flow)

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
    circuit = Circuit(bar, sections, bounding_cases(bar, sections), temperature)
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
    per_case = _pressure_flows(circuit)
    for name, flows in per_case.items():
        least, most = flows.min(axis=0), flows.max(axis=0)
        low_side = name in LOW_LIMITS
        certain[name], possible[name] = (most, least) if low_side else (least, most)
    reference = bar.meter.reference_temperature
    counted = density if reference is None else saturation(reference).liquid_density
    return FlowWindow(
        np.asarray(temperature, dtype=np.float64),
        certain,
        possible,
        per_case,
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
