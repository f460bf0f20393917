"""The flow window of a bar: between which flows fixed orifices give an honest rate, and what ends it.

Every bound is computed twice. *Certain* is the window at the worse end of everything unknown (orifice
coefficient, flashing, back pressure, boiling in the suction), *possible* at the better end.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
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

    def joined(self, more: FlowWindow) -> FlowWindow:
        """Return the window with another's temperatures between its own; of the same bar and sections.

        Parameters
        ----------
        more : FlowWindow
            None of whose temperatures this one has.
        """
        kelvin = np.concatenate([self.temperature, more.temperature])

        def both(mine: dict[str, FloatArray], others: dict[str, FloatArray]) -> dict[str, FloatArray]:
            return {name: np.concatenate([flows, others[name]], axis=-1) for name, flows in mine.items()}

        ratio = np.concatenate([self.delivered_ratio, more.delivered_ratio])
        certain, possible = both(self.certain, more.certain), both(self.possible, more.possible)
        per_case = both(self.per_case, more.per_case)
        every = FlowWindow(kelvin, certain, possible, per_case, self.kinds, ratio, self.width, self.rows)
        return every.at(np.argsort(kelvin))

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

    def both_over_plan(self, *, commanded: bool) -> tuple[Bounds, Bounds]:
        """Return the certain and the possible window that hold at every temperature.

        Parameters
        ----------
        commanded : bool
            As for `over_plan`.
        """
        return self.over_plan(certain=True, commanded=commanded), self.over_plan(certain=False, commanded=commanded)


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


_Excess = Callable[[Circuit, State], FloatArray]


def _some_cases(state: State, places: slice) -> State:
    return State(*(getattr(state, one.name)[places] for one in fields(State)))


def _high_flows(circuit: Circuit, limits: dict[str, _Excess]) -> dict[str, FloatArray]:
    """Flow at which each of some high limits is just met, shape (cases, temperatures): all of them solved together."""
    cases = len(circuit.cases)
    every = circuit.with_cases(circuit.cases * len(limits))
    places = [slice(cases * number, cases * (number + 1)) for number in range(len(limits))]

    def excess(state: State) -> FloatArray:
        parts = zip(limits.values(), places, strict=True)
        return np.concatenate([beyond(circuit, _some_cases(state, place)) for beyond, place in parts])

    flow = every.state(every.node_for(excess)).flow[..., 0]
    return {name: flow[place] for name, place in zip(limits, places, strict=True)}


def _low_flow(circuit: Circuit, excess: _Excess) -> FloatArray:
    """Flow at which a low limit is just met, shape (cases, temperatures)."""
    if circuit.heat_returns:
        state = circuit.at_margin(circuit.bar.limits.liquid_margin)
    else:
        state = circuit.state(circuit.node_for(lambda state: excess(circuit, state)))
    # A margin that is never reached allows no flow at all.
    return np.where(excess(circuit, state) >= -_PRESSURE_ROUNDING, state.flow, np.inf)[..., 0]


def _side_flows(circuit: Circuit, names: tuple[str, ...]) -> dict[str, FloatArray]:
    """Flow at which each limit of one side that is met at a pressure is just met, shape (cases, temperatures)."""
    every = {**_PRESSURE_LIMITS, **slip_limits(circuit.bar)}
    asked = {name: excess for name, excess in every.items() if name in names}
    if names == HIGH_LIMITS:
        return _high_flows(circuit, asked)
    return {name: _low_flow(circuit, excess) for name, excess in asked.items()}


def limit_flows(circuit: Circuit) -> dict[str, FloatArray]:
    """Flow at which each pressure limit is just met in the circuit's own cases [kg/s], shape (cases, temperatures).

    Parameters
    ----------
    circuit : Circuit
        With its cases.
    """
    return {**_side_flows(circuit, LOW_LIMITS), **_side_flows(circuit, HIGH_LIMITS)}


def _held_and_hoped(
    circuit: Circuit, sections: tuple[int, ...], names: tuple[str, ...]
) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Flow that limits of one side allow in the cases that bound it and in those that may be.

    Both of the shape (cases, temperatures).
    """
    bar, bounding = circuit.bar, circuit.cases
    # What lies below the orifices may differ from one temperature to the next, so each limit takes its own end.
    better = 1.0 if names == LOW_LIMITS else -1.0
    worse = [case for case in bounding if case.hose_end != better]
    ends_differ = len(worse) < len(bounding)
    inner = inner_cases(bar, sections, better if ends_differ else 0.0, better)
    # A point, however far its flows may stray, leaves no more open than there was without it.
    without_points = open_cases(bar, sections)
    bare = [at_better_end(case, better) if case.hose_end == better else case for case in without_points]
    if names == HIGH_LIMITS:
        # Whatever the feeds of some sections lose leaves less flow at the same pressures ahead of them, so the least
        # is that of feeds which all lose most. Only the margin hangs on what one of them loses beside the others.
        worse, bare = ([case for case in some if set(case.feeds) <= {-1.0}] for some in (worse, bare))
    bare = list(dict.fromkeys(bare))
    found = _side_flows(circuit.with_cases((*worse, *inner, *bare)), names)
    both = {}
    for name, flows in found.items():
        held, hoped, ends = np.split(flows, [len(worse), len(worse) + len(inner)])
        if bare:
            held, hoped = (np.clip(some, ends.min(axis=0), ends.max(axis=0)) for some in (held, hoped))
        both[name] = held, hoped
    return both


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
    per_case = {}
    both = {**_held_and_hoped(circuit, sections, LOW_LIMITS), **_held_and_hoped(circuit, sections, HIGH_LIMITS)}
    for name, (held, hoped) in both.items():
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
