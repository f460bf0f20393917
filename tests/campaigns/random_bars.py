"""Random bars with every feature against the independent reference (tests/reference_bar.py).

Run ``PYTHONPATH=tests .venv/bin/python tests/campaigns/random_bars.py --seed 1 --count 300``; one bar again:
``--first 211 --count 1 --show``. Every bar has its own random numbers, so a count or a start changes no bar.

Four questions, the first three answered by the reference alone:

1. *Certain ends.* On bars without a measured point the worst corner is known by hand (greatest coefficient and weight 0
   against the least back pressure, and the other way round), so the reference gives the certain ends themselves.
2. *Falsely certain.* A truth is drawn inside everything the bar file leaves open: coefficient and weight of each kind,
   error of the hose when a point was measured and another one over the plan, a suction that boils in equilibrium. The
   certain window must lie inside the truth's own.
3. *Falsely failing.* The same truth, with a suction that stays liquid: its window must lie inside the possible one.

Two in five bars have long bores or plates assumed to be thin. The truth of a long bore is a share of the fitted flow
that is fixed in one half of them and drifts with margin and temperature, as far as the stated band allows, in the
other. One bar in three has rows that are off each other and is asked of its worst row: then the reference divides the
flow at the ends of each window over the rows.
Measured points are the truth's, off by no more than their tolerance.
"""

from __future__ import annotations

import argparse
import itertools
import math
import sys
import time
from dataclasses import dataclass, replace

import numpy as np
from bars import AIR, FOOT, GALLON, GPM, INCH, MPH, PSI, fahrenheit
from reference_bar import ReferenceBar, Tube

from geoflow.bar.equipment import (
    Bar,
    Bypass,
    ControlValve,
    ExcessFlow,
    Limits,
    Line,
    MeasuredPoint,
    Meter,
    Orifice,
    Pump,
    RowHose,
    Section,
    Suction,
)
from geoflow.base.errors import BarError
from geoflow.base.schema import HIGH_LIMITS, LOW_LIMITS
from geoflow.decide.vet import Plan, Solution, solve
from geoflow.hydraulics.case import Case
from geoflow.hydraulics.circuit import Circuit
from geoflow.hydraulics.machine_limits import slip_limits, volume_limits

__all__ = ["Drawn", "Found", "draw", "judge", "report", "run"]

_BEYOND = 0.005


@dataclass(frozen=True)
class Drawn:
    """A bar, a plan, and one way in which everything unknown may turn out."""

    number: int
    bar: Bar
    plan: Plan
    coefficient: dict[str, float]
    weight: dict[str, float]
    hose_error: float
    back_pressure: float | None
    measured: bool
    tubes: dict[str, Tube]

    @property
    def kinds(self) -> list[Orifice]:
        """Orifice of each section."""
        return [self.bar.orifices[section.orifice] for section in self.bar.sections]

    def truth(self, kelvin: float, *, boiling: bool) -> ReferenceBar:
        kinds = [section.orifice for section in self.bar.sections]
        return ReferenceBar(
            self.bar,
            kelvin,
            tuple(self.coefficient[kind] for kind in kinds),
            tuple(self.weight[kind] for kind in kinds),
            self.back_pressure,
            hose_error=self.hose_error,
            boiling_suction=boiling,
            tubes=self.tubes,
        )


@dataclass(frozen=True)
class Found:
    """What became of one bar; errors and shortfalls as shares of the flow, NaN where there is nothing to compare."""

    drawn: Drawn
    solution: Solution
    low_error: float
    high_error: float
    falsely_certain: float
    falsely_failing: float
    possible_short: float
    seconds: float


def _maybe(draw: np.random.Generator, share: float) -> bool:
    return bool(draw.random() < share)


def _line(draw: np.random.Generator, feet: tuple[float, float], inches: tuple[float, ...], most_k: float) -> Line:
    roughness = float(draw.choice([0.0, 0.0, 2e-5, 5e-5]))
    return Line(
        draw.uniform(*feet) * FOOT, float(draw.choice(inches)) * INCH, float(draw.uniform(0.0, most_k)), roughness
    )


def _row_hose(draw: np.random.Generator) -> RowHose:
    kind = draw.random()
    if kind < 0.2:
        return RowHose()
    if kind < 0.65:
        low = draw.uniform(0.0, 12.0)
        return RowHose(back_pressure=(low * PSI + AIR, (low + draw.choice([0.0, 3.0, 8.0])) * PSI + AIR))
    return RowHose(line=_line(draw, (4, 12), (0.25, 0.375, 0.5), 0.0), tolerance=float(draw.choice([0.2, 0.4])))


def _machines(rng: np.random.Generator, bar: Bar) -> Bar:
    """Slip, drive, valves that shut, hoses from tanks, heads and knife outlets, each on some bars."""
    pump, most = bar.pump, bar.pump.max_flow
    if _maybe(rng, 0.25):
        pump = replace(pump, slip=float(rng.uniform(0.02, 0.2)), flow_tolerance=float(rng.choice([0.0, 0.05])))
    if _maybe(rng, 0.2):
        pump = replace(pump, drive_share=float(rng.uniform(0.5, 1.0)))
    if _maybe(rng, 0.15):
        bar = replace(bar, breakaway=ExcessFlow(most * float(rng.uniform(0.3, 1.2)), 0.1))
    if _maybe(rng, 0.15):
        bar = replace(bar, excess_flow=ExcessFlow(most * float(rng.uniform(0.2, 1.0)), 0.1))
    if _maybe(rng, 0.15):
        rise = float(rng.choice([0.0, 0.5])) * pump.max_rise
        bar = replace(bar, bypass=Bypass(most * float(rng.uniform(0.1, 0.5)), rise))
    if bar.suction is not None and _maybe(rng, 0.3):
        hoses = tuple(_line(rng, (5, 15), (1.0, 1.25, 1.5), 8.0) for _ in range(int(rng.choice([1, 2]))))
        head = bar.suction.head + float(rng.choice([0.0, 2.0])) * FOOT
        bar = replace(bar, suction=replace(bar.suction, tank_hoses=hoses, greatest_head=head))
    if bar.row_hose.line is not None and _maybe(rng, 0.4):
        outlet = bar.row_hose.line.bore * float(rng.uniform(0.35, 0.9))
        bar = replace(bar, row_hose=replace(bar.row_hose, outlet=outlet))
    return replace(bar, pump=pump)


def _with_bore(draw: np.random.Generator, orifice: Orifice) -> Orifice:
    """Make it a thin plate by assumption, or a long bore, mostly one like those refrigerants were tested in."""
    if _maybe(draw, 0.25):
        return replace(orifice, land=float(draw.uniform(0.3, 1.5)) * orifice.diameter, flashing="thin plate")
    diameter = float(draw.uniform(1.2e-3, 1.9e-3)) if _maybe(draw, 0.7) else orifice.diameter
    return replace(orifice, diameter=diameter, land=max(9.6e-3, float(draw.uniform(5.1, 16.0)) * diameter))


def _drifting(seed: int, number: int, tubes: dict[str, Tube]) -> dict[str, Tube]:
    """Let the truth of long bores drift, in every other bar, within 9 % a doubling and 4 % in 10 K."""
    rng = np.random.default_rng([seed, number, 15])
    if _maybe(rng, 0.5):
        return tubes
    moved = {}
    for name, tube in tubes.items():
        # The logarithm of a ratio of nearly all of the band.
        reach, turn = rng.uniform(0.4, 0.9), rng.uniform(0.0, 2.0 * np.pi)
        moved[name] = replace(tube, drift=(0.09 * reach * float(np.cos(turn)), 0.004 * reach * float(np.sin(turn))))
    return moved


def _asked_of_worst(seed: int, number: int, drawn: Drawn) -> Drawn:
    """Let rows of a kind be off each other, and ask the worst of them, in one bar of three."""
    rng = np.random.default_rng([seed, number, 16])
    if not _maybe(rng, 1 / 3):
        return drawn
    orifices = {
        name: replace(one, row_spread=float(rng.choice([0.0, rng.uniform(0.01, 0.06)])))
        for name, one in drawn.bar.orifices.items()
    }
    return replace(drawn, bar=replace(drawn.bar, orifices=orifices), plan=replace(drawn.plan, rows="worst"))


def draw(seed: int, number: int) -> Drawn:
    """Bar `number` of a seed, its plan and its truth."""
    rng = np.random.default_rng([seed, number])
    air = float(rng.choice([AIR, AIR, 95000.0, 84307.0]))
    row_hose = _row_hose(rng)
    if row_hose.back_pressure is not None:
        row_hose = RowHose(back_pressure=tuple(end - AIR + air for end in row_hose.back_pressure))  # type: ignore[arg-type]
    names = ["a", "b", "c"][: int(rng.choice([1, 1, 1, 2, 3]))]
    size = rng.uniform(0.055, 0.095)
    measured = _maybe(rng, 0.5)
    orifices: dict[str, Orifice] = {}
    coefficient: dict[str, float] = {}
    weight: dict[str, float] = {}
    middle = float(rng.choice([0.61, 0.7, 0.8]))
    tolerance = float(rng.choice([0.0, 0.03, 0.05, 0.08]))
    known = _maybe(rng, 0.15)
    for name in names:
        weight[name] = float(rng.choice([rng.uniform(0.0, 1.0), rng.uniform(0.0, 1.0), 0.0, 1.0]))
        coefficient[name] = middle * (1.0 + tolerance * float(rng.uniform(-1.0, 1.0)))
        orifices[name] = Orifice(
            name,
            float(size * rng.uniform(0.85, 1.15)) * INCH,
            middle,
            tolerance,
            1.5e-3 if _maybe(rng, 0.3) else None,
            weight[name] if known else None,
        )
    # A stream of its own, so that bars without such bores stay what they were.
    bores = np.random.default_rng([seed, number, 14])
    tubes: dict[str, Tube] = {}
    for name in names if _maybe(bores, 0.4) and not known else []:
        orifices[name] = _with_bore(bores, orifices[name])
        one = orifices[name]
        if one.flashing is not None:
            weight[name] = float(bores.uniform(0.0, 0.35))
        else:
            ends = tuple(one.discharge_coefficient * (1.0 + side * one.coefficient_tolerance) for side in (-1, 1))
            tubes[name] = Tube(one.land or 0.0, one.diameter, float(bores.uniform(0.82, 1.18)), ends)  # type: ignore[arg-type]
    tubes = _drifting(seed, number, tubes)
    count = int(rng.integers(1, 5))
    feeds = [_line(rng, (2, 25), (0.5, 0.75), 6.0) if _maybe(rng, 0.7) else None for _ in range(count)]
    sections = tuple(
        Section(f"s{index}", int(rng.integers(3, 9)), names[index % len(names)], feeds[index]) for index in range(count)
    )
    suction = None
    if _maybe(rng, 0.75):
        line = _line(rng, (5, 15), (1.25, 1.5, 2.0), 10.0) if _maybe(rng, 0.85) else None
        suction = Suction(float(rng.uniform(-1.0, 3.0)) * FOOT, line)
    middle_f = float(rng.choice([rng.uniform(10, 40), rng.uniform(40, 55), rng.uniform(55, 65), rng.uniform(65, 90)]))
    half = float(rng.choice([0.0, 3.0, 8.0, 15.0]))
    plan = Plan(
        (fahrenheit(middle_f - half), fahrenheit(middle_f + half)), (5 * MPH, 5 * MPH), tuple(range(len(sections)))
    )
    rows = sum(section.rows for section in sections)
    bar = Bar(
        name=f"random {seed}/{number}",
        row_spacing=30 * INCH,
        sections=sections,
        orifices=orifices,
        pump=Pump(
            rows * float(rng.uniform(1.0, 3.0)) * GPM,
            float(rng.choice([50.0, 80.0, 110.0, 150.0])) * PSI,
            0.0,
            float(rng.uniform(0.3, 0.9)),
        ),
        meter=Meter(
            700 / GALLON,
            float(rng.choice([0.0, 0.1, 0.3])) * rows * GPM,
            rows * float(rng.uniform(1.5, 4.0)) * GPM,
            None,
            float(rng.choice([0.0, 3.0])) * PSI,
        ),
        limits=Limits(
            float(rng.choice([150.0, 200.0, 250.0])) * PSI + air,
            float(rng.choice([2.0, 5.0, 10.0])) * PSI,
            (3.5 * MPH, 7.5 * MPH),
        ),
        air_pressure=air,
        row_hose=row_hose,
        suction=suction,
        control_valve=ControlValve(rows * float(rng.uniform(1.0, 3.0)), 0.9) if _maybe(rng, 0.6) else None,
    )

    bar = _machines(np.random.default_rng([seed, number, 7]), bar)

    def behind() -> tuple[float, float | None]:
        """One error of the estimate within its tolerance, and one back pressure within its range."""
        error = float(rng.uniform(-1.0, 1.0)) * (row_hose.tolerance if row_hose.line is not None else 0.0)
        if row_hose.back_pressure is None:
            return error, None
        return error, float(rng.uniform(*row_hose.back_pressure))

    if measured:
        for name in names:
            # Each kind was measured on a day of its own, with the hoses as they were then.
            points = []
            for _ in range(int(rng.choice([1, 1, 2]))):
                error, pressure = behind()
                points.append(_point(rng, bar, name, (coefficient[name], weight[name]), (error, pressure), tubes))
            orifices[name] = replace(orifices[name], measured=tuple(points))
        bar = replace(bar, orifices=orifices)
    error, pressure = behind()
    drawn = Drawn(number, bar, plan, coefficient, weight, error, pressure, measured, tubes)
    return _asked_of_worst(seed, number, drawn)


def _point(
    rng: np.random.Generator,
    bar: Bar,
    name: str,
    pair: tuple[float, float],
    behind: tuple[float, float | None],
    tubes: dict[str, Tube],
) -> MeasuredPoint:
    """Measure one orifice of the truth, with readings off by no more than their tolerances."""
    kelvin, excess = fahrenheit(float(rng.uniform(30, 65))), float(rng.uniform(15.0, 70.0)) * PSI
    plain = replace(bar, sections=(Section("row", 1, name, None),))
    (coefficient, weight), (error, below) = pair, behind
    truth = ReferenceBar(plain, kelvin, (coefficient,), (weight,), below, hose_error=error, tubes=tubes)
    pressure = truth.vapour + excess
    flow = truth.section_flow(0, pressure)
    flow_tolerance = float(rng.choice([0.01, 0.03]))
    reading = [float(rng.uniform(-0.99, 0.99)) for _ in range(3)]
    off = 2 * PSI, 2 / 1.8
    return MeasuredPoint(
        flow / (1.0 + flow_tolerance * reading[0]),
        pressure + off[0] * reading[1],
        kelvin + off[1] * reading[2],
        flow_tolerance,
        *off,
    )


def _window(truths: list[ReferenceBar], *, boiling: bool) -> tuple[float, float]:
    """Lowest and highest flow over the temperatures of a plan, by the reference."""
    lows, highs = [], []
    for truth in truths:
        volume = truth.volume_flows()
        lows += [truth.margin_flow(), volume["meter minimum"], volume["pump minimum"], truth.relief_flow()]
        highs += [truth.rated_flow(), truth.rise_flow()]
        highs += [volume[name] for name in ("meter maximum", "pump flow", "pump drive", "excess flow")]
        if boiling:
            highs.append(truth.suction_flow())
    return max(lows), min(highs)


def _row_shares(drawn: Drawn, truth: ReferenceBar, flow: float) -> tuple[float, float]:
    """Lowest and highest row over the mean row at a flow, or at the least one above it that keeps the margin."""
    point = truth.at_flow(max(flow, truth.margin_flow()))
    rows = [section.rows for section in drawn.bar.sections]
    each = [one / count / (point.flow / sum(rows)) for one, count in zip(point.section_flow, rows, strict=True)]
    off = [kind.row_spread for kind in drawn.kinds]
    return (
        min(share * (1.0 - spread) for share, spread in zip(each, off, strict=True)),
        max(share * (1.0 + spread) for share, spread in zip(each, off, strict=True)),
    )


def _for_worst_row(drawn: Drawn, truths: list[ReferenceBar]) -> tuple[float, float]:
    """Window of a truth for rates that every single row can be brought to."""
    lows, highs = [], []
    for truth in truths:
        low, high = _window([truth], boiling=True)
        lows.append(low * _row_shares(drawn, truth, low)[1])
        highs.append(high * _row_shares(drawn, truth, high)[0])
    return max(lows), min(highs)


def _corners(drawn: Drawn, at: float) -> list[ReferenceBar]:
    """Every way in which each kind passes the most or the least, at one temperature."""
    bar, found = drawn.bar, []
    hose, names = bar.row_hose, list(bar.orifices)
    for sides in itertools.product((1.0, -1.0), repeat=len(names)):
        side_of = dict(zip(names, sides, strict=True))
        for end in (-1.0, 1.0):
            cds, weights = [], []
            for kind in drawn.kinds:
                side = side_of[kind.name]
                cds.append(kind.discharge_coefficient * (1.0 + side * kind.coefficient_tolerance))
                free = 0.0 if side > 0.0 else kind.most_flashing
                weights.append(free if kind.flash_weight is None else kind.flash_weight)
            below = None if hose.back_pressure is None else hose.back_pressure[int(end > 0.0)]
            tubes = {
                name: replace(tube, share="most" if side_of[name] > 0.0 else "least")
                for name, tube in drawn.tubes.items()
            }
            error = end * hose.tolerance if hose.line is not None else 0.0
            found.append(
                ReferenceBar(
                    bar, at, tuple(cds), tuple(weights), below, hose_error=error, boiling_suction=True, tubes=tubes
                )
            )
    return found


def _certain_ends(drawn: Drawn, kelvin: list[float]) -> tuple[float, float]:
    """The certain ends at the worst corner of an unmeasured bar, by the reference."""
    hose = drawn.bar.row_hose
    ends = []
    for side in (1.0, -1.0):
        cds, weights, extreme = [], [], "most" if side > 0.0 else "least"
        for section in drawn.bar.sections:
            kind = drawn.bar.orifices[section.orifice]
            cds.append(kind.discharge_coefficient * (1.0 + side * kind.coefficient_tolerance))
            free = 0.0 if side > 0.0 else kind.most_flashing
            weights.append(free if kind.flash_weight is None else kind.flash_weight)
        below = None if hose.back_pressure is None else hose.back_pressure[0 if side > 0.0 else 1]
        truths = [
            ReferenceBar(
                drawn.bar,
                at,
                tuple(cds),
                tuple(weights),
                below,
                hose_error=-side * hose.tolerance if hose.line is not None else 0.0,
                boiling_suction=True,
                tubes={name: replace(tube, share=extreme) for name, tube in drawn.tubes.items()},
            )
            for at in kelvin
        ]
        place = 0 if side > 0.0 else 1
        if drawn.plan.rows == "mean":
            ends.append(_window(truths, boiling=True)[place])
            continue
        moved = []
        for at, truth in zip(kelvin, truths, strict=True):
            flow = _window([truth], boiling=True)[place]
            shares = [_row_shares(drawn, corner, flow)[1 - place] for corner in _corners(drawn, at)]
            moved.append(flow * (max(shares) if side > 0.0 else min(shares)))
        ends.append(max(moved) if side > 0.0 else min(moved))
    return ends[0], ends[1]


def _possible_short(drawn: Drawn, solution: Solution) -> float:
    """Share by which the possible window is short of the union of many truths' windows."""
    bar, rng = drawn.bar, np.random.default_rng(drawn.number)
    kinds = [bar.orifices[section.orifice] for section in bar.sections]
    names = list(bar.orifices)
    grid = [(np.full(len(names), side), np.full(len(names), b)) for b in np.linspace(0.0, 1.0, 31) for side in (-1, 1)]
    grid += [(rng.uniform(-1.0, 1.0, len(names)), rng.uniform(0.0, 1.0, len(names))) for _ in range(40)]
    cases = []
    for sides, weights in grid:
        for end in (-1.0, 1.0):
            coefficient, weight = [], []
            for kind in kinds:
                at = names.index(kind.name)
                coefficient.append(kind.discharge_coefficient * (1.0 + float(sides[at]) * kind.coefficient_tolerance))
                weight.append(
                    float(weights[at]) * kind.most_flashing if kind.flash_weight is None else kind.flash_weight
                )
            cases.append(Case(tuple(coefficient), tuple(weight), end))
    circuit = Circuit(bar, drawn.plan.sections, tuple(cases), solution.window.temperature)
    limits = bar.limits

    def met(name: str, bound: float) -> np.ndarray:
        if name == "liquid_margin" and circuit.heat_returns:
            state = circuit.at_margin(bound)
            return np.where(state.liquid_margin >= bound, state.flow, np.inf)[..., 0]
        return circuit.state(circuit.node_for(lambda state: getattr(state, name) - bound)).flow[..., 0]

    margin, rated = met("liquid_margin", limits.liquid_margin), met("outlet_pressure", limits.max_pressure)
    rise = met("rise", bar.pump.max_rise)
    # What the machines allow at their better end, whatever the orifices do, and what a pump that slips moves.
    volumes = volume_limits(circuit, worse=False)
    slipping = [
        circuit.state(circuit.node_for(lambda state, excess=excess: excess(circuit, state))).flow[..., 0]
        for excess in slip_limits(bar).values()
    ]
    low = np.max([margin, *(np.broadcast_to(volumes[name], margin.shape) for name in LOW_LIMITS if name in volumes)], 0)
    flows = [rated, rise, *slipping, *(volumes[name] for name in HIGH_LIMITS if name in volumes)]
    low, high = low.max(axis=1), np.min([np.broadcast_to(flow, rated.shape) for flow in flows], axis=0).min(axis=1)
    some = low <= high
    if not some.any():
        return math.nan
    if solution.possible.empty:
        return 1.0
    return float(max(solution.possible.low / low[some].min() - 1.0, 1.0 - solution.possible.high / high[some].max()))


def judge(drawn: Drawn) -> Found:
    """Solve one bar and hold it against the reference."""
    start = time.perf_counter()
    solution = solve(drawn.bar, drawn.plan)
    seconds = time.perf_counter() - start
    low, high = drawn.plan.temperature
    kelvin = [low] if low == high else np.linspace(low, high, 3).tolist()
    certain, possible = solution.certain, solution.possible
    low_error = high_error = possible_short = math.nan
    if not drawn.measured:
        possible_short = math.nan if drawn.tubes else _possible_short(drawn, solution)
        worst = _certain_ends(drawn, kelvin)
        if worst[1] > 0.0:
            low_error, high_error = certain.low / worst[0] - 1.0, certain.high / worst[1] - 1.0
    falsely_certain = falsely_failing = math.nan
    if not certain.empty:
        truths = [drawn.truth(at, boiling=True) for at in kelvin]
        true = _window(truths, boiling=True) if drawn.plan.rows == "mean" else _for_worst_row(drawn, truths)
        falsely_certain = max(1.0 - certain.low / true[0], certain.high / true[1] - 1.0)
    true = _window([drawn.truth(at, boiling=False) for at in kelvin], boiling=False)
    if true[0] <= true[1]:
        # The share by which the possible window is short at its worse end; all of it where there is none.
        falsely_failing = 1.0 if possible.empty else max(possible.low / true[0] - 1.0, 1.0 - possible.high / true[1])
    return Found(drawn, solution, low_error, high_error, falsely_certain, falsely_failing, possible_short, seconds)


def run(seed: int, first: int, count: int, *, show: bool = False) -> tuple[list[Found], list[str]]:
    """Judge some bars of a seed; also which of them were refused, and why. All points are honest, so none should be."""
    found: list[Found] = []
    refused: list[str] = []
    for number in range(first, first + count):
        try:
            found.append(judge(draw(seed, number)))
        except BarError as error:
            refused.append(f"{number}: {error}")
            continue
        if show:
            one = found[-1]
            print(one.drawn)
            print(one.solution.certain, one.solution.possible)
            print(f"ends {one.low_error:+.4%} {one.high_error:+.4%}, ", end="")
            print(f"falsely certain {one.falsely_certain:+.3%}, failing {one.falsely_failing:+.3%}", flush=True)
    return found, refused


def _beyond(found: list[Found], name: str) -> str:
    values = np.array([getattr(one, name) for one in found], dtype=np.float64)
    asked = np.isfinite(values)
    wrong = asked & (values > _BEYOND)
    worst = f", worst {values[asked].max():+.2%}" if asked.any() else ""
    numbers = ", ".join(str(found[index].drawn.number) for index in np.flatnonzero(wrong)[:12])
    return f"{int(wrong.sum())} of {int(asked.sum())}{worst}" + (f" (bars {numbers})" if numbers else "")


def report(found: list[Found], refused: list[str]) -> str:
    """Say what was found, as a table."""
    ends = np.abs([value for one in found for value in (one.low_error, one.high_error)])
    ends = ends[np.isfinite(ends)]
    lines = [f"{len(found)} bars, and {len(refused)} refused", *refused[:5]]
    if ends.size:
        shown = ", ".join(f"{share:.0f} % {np.percentile(ends, share):.4%}" for share in (50.0, 90.0, 99.0, 100.0))
        lines.append(f"error of {ends.size} certain ends, percentiles: {shown}")
    for name, kept in (
        ("all", lambda one: True),
        ("unmeasured", lambda one: not one.drawn.measured),
        ("long bores, unmeasured", lambda one: one.drawn.tubes and not one.drawn.measured),
        ("long bores that drift", lambda one: any(any(tube.drift) for tube in one.drawn.tubes.values())),
        ("asked of the worst row", lambda one: one.drawn.plan.rows == "worst"),
        ("long bores, measured", lambda one: one.drawn.tubes and one.drawn.measured),
        ("measured, hoses estimated", lambda one: one.drawn.measured and one.drawn.bar.row_hose.line is not None),
        ("measured, others", lambda one: one.drawn.measured and one.drawn.bar.row_hose.line is None),
        ("several kinds of orifice", lambda one: len(one.drawn.weight) > 1),
        ("middle of the plan above 65 degF", lambda one: sum(one.drawn.plan.temperature) > 2 * fahrenheit(65.0)),
    ):
        some = [one for one in found if kept(one)]
        if not some:
            continue
        sure = sum(not one.solution.certain.empty for one in some)
        widths = [
            one.solution.possible.high / one.solution.possible.low
            for one in some
            if not one.solution.possible.empty and one.solution.possible.low > 0.0
        ]
        lines.append(
            f"{name}: certain window {sure} of {len(some)}; falsely certain {_beyond(some, 'falsely_certain')}; "
            f"falsely failing {_beyond(some, 'falsely_failing')}; possible window short "
            f"{_beyond(some, 'possible_short')}; possible high over low, median "
            f"{np.median(widths) if widths else math.nan:.2f}"
        )
    lines.append(f"solving took {np.mean([one.seconds for one in found]):.3f} s a bar")
    return "\n".join(lines)


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="number of the first bar")
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--show", action="store_true", help="each bar and what was found")
    asked = parser.parse_args(arguments)
    found, refused = run(asked.seed, asked.first, asked.count, show=asked.show)
    print(report(found, refused))
    wrong = bool(refused) or any(
        value > _BEYOND for one in found for value in (one.falsely_certain, one.falsely_failing)
    )
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
