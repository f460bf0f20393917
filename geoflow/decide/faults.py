"""What each gauge shows when something is wrong: faults put into the solved bar itself, at the rates of the day.

The control holds the flow it counts, so a fault shows in the pressures. Where the pump or the rated pressure gives out
first, the flow falls short. Everything is a likely case of the bar as it is, against the same with the fault in it: of
the least and of the greatest flow, and what is told holds for both.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar, ControlValve, ExcessFlow, Orifice
from geoflow.bar.key_kinds import GAUGE_PLACES
from geoflow.base.arrays import FloatArray
from geoflow.base.units import PSI
from geoflow.decide.vet import Solution
from geoflow.hydraulics.case import Case
from geoflow.hydraulics.cases import central_cases
from geoflow.hydraulics.circuit import Circuit
from geoflow.hydraulics.long_bores import is_long
from geoflow.hydraulics.readings import held_state
from geoflow.hydraulics.suction import SuctionSide
from geoflow.physics.ammonia import saturation
from geoflow.physics.tanks import drawn_temperature

__all__ = [
    "BLEED",
    "DRIVE_LEFT",
    "HEEL",
    "METER_OFF",
    "READABLE",
    "STARVED",
    "VALVE_LEFT",
    "WARMER",
    "WORN",
    "Fault",
    "GaugeReadings",
    "alarm_place",
    "fault_groups",
    "fault_readings",
    "gauges_at_hand",
    "transmitter_place",
]

READABLE: Final = 2.0 * PSI
"""Least change that is read off a gauge with certainty [Pa]; common practice, no source."""
WORN: Final = 0.10
"""Share by which worn orifices have more area [-]."""
VALVE_LEFT: Final = 0.1
"""Share of its flow coefficient that a valve nearly shut has left [-]."""
STARVED: Final = 0.10
"""Share of the flow that a starving pump falls short [-]."""
WARMER: Final = 10.0 / 1.8
"""By how much warmer liquid is warmer [K]."""
METER_OFF: Final = 0.05
"""Share of the flow that a meter is off [-]."""
DRIVE_LEFT: Final = 0.75
"""Share of its drive that a slow pump has left [-]."""
BLEED: Final = 0.02
"""Share of the flow that the bleed of a valve or coupling that shut still lets by [-]; from memory."""
HEEL: Final = 0.05
"""Fill to which a low tank is drawn [-]."""

_USUAL_FILL: Final = 0.85
# The property table reaches a little further, for what the pump adds.
_WARMEST: Final = 331.0
_FELL_SHORT: Final = 0.002
# Share of the flow that has to be gone for nobody to take it for a flow that falls short.
_STOPS: Final = 0.5


@dataclass(frozen=True, slots=True)
class GaugeReadings:
    """What the gauges show at some flows; arrays of shape (n,).

    Attributes
    ----------
    pressure : dict of str to ndarray
        Absolute pressure at each of `key_kinds.GAUGE_PLACES` [Pa].
    counted : ndarray
        Flow the controller counts [kg/s].
    margin : ndarray
        Least manifold pressure over the vapour pressure of the liquid [Pa].
    """

    pressure: dict[str, FloatArray]
    counted: FloatArray
    margin: FloatArray


# Name of a fault, which section or gauge has it, and what the gauges show with it.
_Simulated = tuple[str, str, GaugeReadings]


@dataclass(frozen=True, slots=True)
class Fault:
    """What a fault changes at each rate; arrays of shape (n,).

    Attributes
    ----------
    name : str
        What is wrong, as `plugged row`, `zero off` or `bypass stuck open`.
    part : str
        Which section or gauge has it, or empty.
    change : dict of str to ndarray
        Change of the reading at each place, in the middle of the likely cases [Pa]; NaN where the fault may leave less
        than the wanted liquid margin, for then no pressure belongs to the flow.
    shown_flow : ndarray
        Counted flow over what is asked, less one [-].
    turn : dict of str to str
        ``"up"``, ``"down"`` or ``"same"`` at each place: which way it goes, by what can be read off in a likely case.
    short : bool
        Whether the counted flow falls short of what is asked.
    """

    name: str
    part: str
    change: dict[str, FloatArray]
    shown_flow: FloatArray
    turn: dict[str, str]
    short: bool


def gauges_at_hand(bar: Bar) -> tuple[str, ...]:
    """Places with a gauge, from the tank on down: those of the bar file, or all where it names none.

    Parameters
    ----------
    bar : Bar
        The equipment.
    """
    named = {gauge.place for gauge in bar.gauges}
    return tuple(place for place in GAUGE_PLACES if place in named or not named)


def transmitter_place(bar: Bar) -> str:
    """Place of the transmitter the controller reads: the first the bar file gives an output for, else the usual.

    Parameters
    ----------
    bar : Bar
        The equipment.
    """
    told = [gauge.place for gauge in bar.gauges if gauge.zero is not None or gauge.span is not None]
    at_hand = gauges_at_hand(bar)
    return told[0] if told else "after valve" if "after valve" in at_hand else at_hand[-1]


def alarm_place(bar: Bar) -> str:
    """Place of the transmitter whose pressure can ring; the manifold where the only one sits on the tank.

    Parameters
    ----------
    bar : Bar
        The equipment.
    """
    place = transmitter_place(bar)
    return "manifold" if place == "tank" else place


def _counted_density(bar: Bar, kelvin: float) -> float:
    """Density the controller reckons with [kg/m3]."""
    reference = bar.meter.reference_temperature
    return float(saturation(kelvin if reference is None else reference).liquid_density)


def _read(
    bar: Bar, sections: tuple[int, ...], case: Case, kelvin: float, counted: FloatArray, meter: float = 1.0
) -> GaugeReadings:
    """Readings at counted flows with a meter that counts `meter` times what passes."""
    circuit = Circuit(bar, sections, (case,), np.array([kelvin]))
    true_over_counted = float(circuit.saturated.liquid_density.item()) / _counted_density(bar, kelvin) / meter
    state = held_state(circuit, counted[None, :] * true_over_counted)
    tank = np.full(counted.shape, float(circuit.saturated.pressure.item()))
    places = tank, state.outlet_pressure[0, 0], state.node_pressure[0, 0], state.manifold_pressure[0, 0].mean(axis=-1)
    return GaugeReadings(
        dict(zip(GAUGE_PLACES, places, strict=True)), state.flow[0, 0] / true_over_counted, state.liquid_margin[0, 0]
    )


def _for_sections(case: Case, kept: list[int]) -> Case:
    """Return the case for some of its sections, by their place in it."""
    coefficient, weight = ([one[at] for at in kept] for one in (case.coefficient, case.flash_weight))
    way = tuple(case.way[at] for at in kept) if case.way else ()
    turns = tuple(case.turns[at] for at in kept) if case.turns else ()
    return replace(case, coefficient=tuple(coefficient), flash_weight=tuple(weight), way=way, turns=turns)


def _without_a_row(bar: Bar, at: int) -> Bar:
    sections = list(bar.sections)
    sections[at] = replace(sections[at], rows=sections[at].rows - 1)
    return replace(bar, sections=tuple(sections))


def _widened(orifice: Orifice) -> Orifice:
    """Return an orifice with more area that passes as much more at its measured points.

    A long bore stays as long against its width, or other tests would speak for it.
    """
    wider, land = float(np.sqrt(1.0 + WORN)), orifice.land
    measured = tuple(replace(point, flow=(1.0 + WORN) * point.flow) for point in orifice.measured)
    if land is not None and is_long(orifice):
        land *= wider
    return replace(orifice, diameter=wider * orifice.diameter, land=land, measured=measured)


def _worn(bar: Bar) -> Bar:
    return replace(bar, orifices={name: _widened(one) for name, one in bar.orifices.items()})


def _throttled(bar: Bar, valve: ControlValve) -> Bar:
    return replace(bar, control_valve=replace(valve, cv=VALVE_LEFT * valve.cv))


def _simulated(solution: Solution, case: Case, kelvin: float, flow: FloatArray) -> Iterator[_Simulated]:
    """Readings with each fault that the bar can have."""
    bar, sections = solution.bar, solution.plan.sections
    rows = {at: bar.sections[at].rows for at in sections}
    most, least = max(rows, key=lambda at: rows[at]), min(rows, key=lambda at: rows[at])
    if rows[most] > 1:
        yield "plugged row", bar.sections[most].name, _read(_without_a_row(bar, most), sections, case, kelvin, flow)
    yield "worn orifices", "", _read(_worn(bar), sections, case, kelvin, flow)
    if bar.control_valve is not None:
        yield "valve nearly shut", "", _read(_throttled(bar, bar.control_valve), sections, case, kelvin, flow)
    yield "suction starving", "", _read(bar, sections, case, kelvin, (1.0 - STARVED) * flow)
    if kelvin + WARMER <= _WARMEST:
        yield "warm liquid", "", _read(bar, sections, case, kelvin + WARMER, flow)
    fill = _USUAL_FILL if bar.tank is None else bar.tank.fill
    if fill > HEEL:
        drawn = float(drawn_temperature(kelvin, fill, HEEL))
        yield "low tank", "", _read(bar, sections, case, drawn, flow)
    yield "meter counts too much", "", _read(bar, sections, case, kelvin, flow, 1.0 + METER_OFF)
    yield "meter counts too little", "", _read(bar, sections, case, kelvin, flow, 1.0 - METER_OFF)
    yield "zero off", transmitter_place(bar), _zeroed_with_product(bar, sections, case, kelvin, flow)
    if len(sections) > 1:
        kept = [at for at, index in enumerate(sections) if index != least]
        left = tuple(index for index in sections if index != least)
        yield "section shut", bar.sections[least].name, _read(bar, left, _for_sections(case, kept), kelvin, flow)
    yield from _simulated_machines(bar, sections, case, kelvin, flow)


def _simulated_machines(
    bar: Bar, sections: tuple[int, ...], case: Case, kelvin: float, flow: FloatArray
) -> Iterator[_Simulated]:
    """Readings with each fault of drive, valves that shut, and bypass."""
    slow = replace(bar, pump=replace(bar.pump, drive_share=DRIVE_LEFT * bar.pump.drive_share))
    yield "drive slow", "", _read(slow, sections, case, kelvin, flow)
    if bar.excess_flow is not None:
        yield "valve at a tank shut", "", _with_a_tank_shut(bar, bar.excess_flow, sections, case, kelvin, flow)
    if bar.breakaway is not None:
        yield "breakaway shut", "", _read(bar, sections, case, kelvin, BLEED * flow)
    if bar.bypass is not None:
        open_ = replace(bar, bypass=replace(bar.bypass, pump_flow=bar.pump.max_flow))
        yield "bypass stuck open", "", _read(open_, sections, case, kelvin, flow)


def _with_a_tank_shut(
    bar: Bar, valve: ExcessFlow, sections: tuple[int, ...], case: Case, kelvin: float, flow: FloatArray
) -> GaugeReadings:
    """Readings with the valve shut that shuts first: of two tanks the other gives all, if its own bears that."""
    suction, liquid = bar.suction, saturation(np.full((1, 1, 1), kelvin))
    none = _read(bar, sections, case, kelvin, BLEED * flow)
    if suction is None or len(suction.tank_hoses) < 2:
        return none
    carried = SuctionSide(bar, liquid).hose_flows(np.full((1, 1, 1), float(flow.max())))
    shut = int(np.argmax(carried))
    left = tuple(hose for at, hose in enumerate(suction.tank_hoses) if at != shut)
    other = _read(replace(bar, suction=replace(suction, tank_hoses=left)), sections, case, kelvin, flow)
    bears = valve.closing_flow * (1.0 + valve.tolerance) * float(liquid.liquid_density.item())
    true_over_counted = float(liquid.liquid_density.item()) / _counted_density(bar, kelvin)
    holds = flow * true_over_counted <= bears

    def picked(one: FloatArray, nothing: FloatArray) -> FloatArray:
        return np.where(holds, one, nothing)

    pressure = {place: picked(other.pressure[place], none.pressure[place]) for place in GAUGE_PLACES}
    return GaugeReadings(pressure, picked(other.counted, none.counted), picked(other.margin, none.margin))


def _zeroed_with_product(
    bar: Bar, sections: tuple[int, ...], case: Case, kelvin: float, flow: FloatArray
) -> GaugeReadings:
    """Readings with the transmitter's zero set while the line stood at the tank's pressure."""
    right, place = _read(bar, sections, case, kelvin, flow), transmitter_place(bar)
    low = right.pressure[place] - (right.pressure["tank"] - bar.air_pressure)
    return replace(right, pressure={**right.pressure, place: low})


def _turn(change: FloatArray) -> str:
    if np.all(np.abs(change) < READABLE):
        return "same"
    return "up" if change.ravel()[np.abs(change).argmax()] > 0.0 else "down"


def _compared(
    name: str,
    part: str,
    rights: list[dict[str, FloatArray]],
    wrongs: list[GaugeReadings],
    flow: FloatArray,
    margin: float,
) -> Fault:
    """What a fault changes, from the readings without and with it in each likely case."""
    moved = {
        place: np.stack([wrong.pressure[place] for wrong in wrongs]) - [right[place] for right in rights]
        for place in GAUGE_PLACES
    }
    boils = np.any([wrong.margin < margin for wrong in wrongs], axis=0)
    # The tank's gauge is above all that.
    change = {place: np.where(boils & (place != "tank"), np.nan, moved[place].mean(axis=0)) for place in GAUGE_PLACES}
    shown = np.mean([wrong.counted / flow - 1.0 for wrong in wrongs], axis=0)
    turn = {place: _turn(moved[place]) for place in GAUGE_PLACES}
    return Fault(name, part, change, shown, turn, bool((shown < -_FELL_SHORT).any()))


def fault_readings(solution: Solution, kelvin: float, flow: FloatArray) -> tuple[Fault, ...]:
    """Put each fault into the bar and compare what its gauges show.

    Parameters
    ----------
    solution : Solution
        From `vet.solve`.
    kelvin : float
        Liquid in the tank [K].
    flow : ndarray, shape (n,)
        Flows asked for, as the controller counts them [kg/s], all with a certain liquid margin.

    Returns
    -------
    tuple of Fault
        Without those the bar cannot have, and without a slow drive that shows nowhere though
        the bar file does not tell the drive; none where no flow is given.
    """
    if not flow.size:
        return ()
    bar, sections = solution.bar, solution.plan.sections
    cases = tuple(dict.fromkeys(central_cases(bar, sections)[::2]))
    rights = [_read(bar, sections, case, kelvin, flow).pressure for case in cases]
    found = []
    for every in zip(*(_simulated(solution, case, kelvin, flow) for case in cases), strict=True):
        name, part, _ = every[0]
        fault = _compared(name, part, rights, [wrong for *_, wrong in every], flow, bar.limits.liquid_margin)
        if name != "drive slow" or fault.short or bar.pump.drive_share < 1.0:
            found.append(fault)
    return tuple(found)


def fault_groups(faults: tuple[Fault, ...], places: tuple[str, ...]) -> tuple[tuple[Fault, ...], ...]:
    """Join faults that some gauges cannot tell apart: each goes the same way, and the shown flow holds, falls or stops.

    Parameters
    ----------
    faults : tuple of Fault
        From `fault_readings`.
    places : tuple of str
        Places of the gauges at hand.
    """
    joined: dict[tuple[object, ...], list[Fault]] = {}
    for fault in faults:
        stops = bool((fault.shown_flow < -_STOPS).any())
        joined.setdefault((fault.short, stops, *(fault.turn[place] for place in places)), []).append(fault)
    return tuple(tuple(group) for group in joined.values())
