"""The flow window of a bar: between which flows fixed orifices give an honest rate, and what ends it.

Every bound is computed twice. *Certain* is the window at the worse end of everything unknown (orifice
coefficient, flashing, back pressure, boiling in the suction), *possible* at the better end.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import FloatArray, IntArray
from geoflow.base.schema import HIGH_LIMITS, LOW_LIMITS
from geoflow.hydraulics.case import at_better_end
from geoflow.hydraulics.cases import bounding_cases, inner_cases, open_cases
from geoflow.hydraulics.circuit import Circuit, State
from geoflow.hydraulics.machine_limits import slip_limits, volume_limits
from geoflow.hydraulics.unions import between_cases, in_a_row, united
from geoflow.physics.ammonia import saturation

__all__ = [
    "Bounds",
    "FlowWindow",
    "flow_window",
    "limit_flows",
    "temperature_grid",
]


_GRID_STEP: Final = 1.0
_PRESSURE_ROUNDING: Final = 1.0
# What of a `State` has to stay at or below nought for each high limit, above it for the low one [Pa].
_PRESSURE_LIMITS: Final[dict[str, Callable[[Circuit, State], FloatArray]]] = {
    "liquid margin": lambda circuit, state: state.liquid_margin - circuit.bar.limits.liquid_margin,
    "rated pressure": lambda circuit, state: state.outlet_pressure - circuit.max_pressure,
    "pump pressure": lambda circuit, state: state.rise - circuit.max_rise,
}


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
        """Return the same window at some of the temperatures only.

        Parameters
        ----------
        places : ndarray of int
            Of the temperatures.
        """
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
        powers = (2.0,) if self.kinds == 1 else (1.0, 2.0)
        between = {} if certain else {name: between_cases(ends, powers) for name, ends in self.per_case.items()}
        low, high = ([flows(name) for name in names] for names in (LOW_LIMITS, HIGH_LIMITS))
        return np.array(low), np.array(high)

    def edges(self, *, certain: bool) -> tuple[FloatArray, FloatArray]:
        """Low and high end of the window at each temperature [kg/s].

        Parameters
        ----------
        certain : bool
            Which of the two windows.
        """
        lows, highs = self._ends(certain=certain)
        low, high, _, _ = united(lows.max(axis=0), highs.min(axis=0))
        return low, high

    def edge_limits(self, *, certain: bool) -> tuple[list[str], list[str]]:
        """Name of the limit that sets the low and the high end at each temperature.

        Parameters
        ----------
        certain : bool
            Which of the two windows.
        """
        lows, highs = self._ends(certain=certain)
        _, _, least, most = united(lows.max(axis=0), highs.min(axis=0))
        at = np.arange(self.temperature.size)
        low = in_a_row(lows, 1).argmax(axis=0)[least, at]
        high = in_a_row(highs, 1).argmin(axis=0)[most, at]
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
        low, high, least, most = united(lows.max(axis=(0, -1)), highs.min(axis=(0, -1)))
        return Bounds(
            float(low),
            float(high),
            LOW_LIMITS[int(in_a_row(lows, 1)[:, int(least)].max(axis=-1).argmax())],
            HIGH_LIMITS[int(in_a_row(highs, 1)[:, int(most)].min(axis=-1).argmin())],
        )


def temperature_grid(low: float, high: float, step: float = _GRID_STEP) -> FloatArray:
    """Temperatures [K] from low to high, no more than `step` apart, both ends exact.

    Parameters
    ----------
    low, high : float
        Ends [K].
    step : float
        Greatest distance [K].
    """
    if high <= low:
        return np.array([low])
    return np.linspace(low, high, int(np.ceil((high - low) / step)) + 1)


_Excesses = Mapping[str, Callable[[Circuit, State], FloatArray]]


def _limit_flows(circuit: Circuit, limits: _Excesses) -> dict[str, FloatArray]:
    """Flow at which each of some limits is just met, shape (cases, temperatures).

    They are looked for side by side, one point each, where a node pressure belongs to one flow.
    """
    if circuit.heat_returns and len(limits) > 1:
        return {name: _limit_flows(circuit, {name: excess})[name] for name, excess in limits.items()}

    def excesses(state: State) -> FloatArray:
        each = [excess(circuit, state) for excess in limits.values()]
        return each[0] if len(each) == 1 else np.stack([one[..., at] for at, one in enumerate(each)], axis=-1)

    if circuit.heat_returns and LOW_LIMITS[0] in limits:
        state = circuit.at_margin(circuit.bar.limits.liquid_margin)
    else:
        state = circuit.state(circuit.node_for(excesses, points=len(limits)))
    # A margin that is never reached allows no flow at all.
    held = (excesses(state) >= -_PRESSURE_ROUNDING) | np.isin(list(limits), HIGH_LIMITS)
    flow = np.where(held, state.flow, np.inf)
    return {name: flow[..., at] for at, name in enumerate(limits)}


def limit_flows(circuit: Circuit) -> dict[str, FloatArray]:
    """Flow at which each pressure limit is just met in the circuit's own cases [kg/s], shape (cases, temperatures).

    Parameters
    ----------
    circuit : Circuit
        With its cases.
    """
    return _limit_flows(circuit, {**_PRESSURE_LIMITS, **slip_limits(circuit.bar)})


def _held_and_hoped(
    circuit: Circuit, sections: tuple[int, ...], limits: _Excesses, better: float
) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Flow that limits of one side allow in the cases that bound it and in those that may be.

    Each of shapes (cases, temperatures); `better` is the end of what lies below the orifices that leaves more open.
    """
    bar, bounding = circuit.bar, circuit.cases
    # What lies below the orifices may differ from one temperature to the next, so each side takes its own end.
    worse = [case for case in bounding if case.hose_end != better]
    ends_differ = len(worse) < len(bounding)
    inner = inner_cases(bar, sections, better if ends_differ else 0.0, better)
    # A point, however far its flows may stray, leaves no more open than there was without it.
    without_points = open_cases(bar, sections)
    bare = [at_better_end(case, better) if case.hose_end == better else case for case in without_points]
    found = {}
    for name, flows in _limit_flows(circuit.with_cases((*worse, *inner, *bare)), limits).items():
        held, hoped, ends = np.split(flows, [len(worse), len(worse) + len(inner)])
        if bare:
            held, hoped = (np.clip(some, ends.min(axis=0), ends.max(axis=0)) for some in (held, hoped))
        found[name] = held, hoped
    return found


def flow_window(
    bar: Bar, temperature: FloatArray, sections: tuple[int, ...], diameter: FloatArray | None = None
) -> FlowWindow:
    """Solve a bar for its flow window.

    Parameters
    ----------
    bar : Bar
        The equipment.
    temperature : ndarray, shape (n,)
        Of the liquid in the tank [K].
    sections : tuple of int
        Indices of the sections in use.
    diameter : ndarray, shape (n,), optional
        Of all orifices in use at each of the temperatures [m], in place of their own: one solution for many sizes, of
        which the same has to be known (none measured, all long bores or none).

    Raises
    ------
    RangeError
        If a temperature lies outside the property table.
    BarError
        If a measured point contradicts its orifice.
    """
    circuit = Circuit(bar, sections, bounding_cases(bar, sections), temperature, diameter)
    density = circuit.saturated.liquid_density[0, :, 0]
    certain, possible = (volume_limits(circuit, worse=worse) for worse in (True, False))
    limits = {**_PRESSURE_LIMITS, **slip_limits(bar)}
    found: dict[str, tuple[FloatArray, FloatArray]] = {}
    for better, side in ((1.0, LOW_LIMITS), (-1.0, HIGH_LIMITS)):
        some = {name: excess for name, excess in limits.items() if name in side}
        found |= _held_and_hoped(circuit, sections, some, better)
    per_case = {}
    for name in limits:
        held, hoped = found[name]
        if name in certain:  # the suction has a vacuum, too, which no case moves
            held, hoped = np.minimum(held, certain[name]), np.minimum(hoped, possible[name])
        if name in _PRESSURE_LIMITS:
            # What slips bends between the cases, so those limits count at their best on their own.
            per_case[name] = hoped
        worst, best = (np.max, np.min) if name in LOW_LIMITS else (np.min, np.max)
        certain[name], possible[name] = worst(held, axis=0), best(hoped, axis=0)
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
