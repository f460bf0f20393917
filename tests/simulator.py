"""As-applied logs of an invented field, with the truth known: every fault is put in by hand.

Nothing of geoflow computes in here: properties come from CoolProp, the orifices follow the textbook equation with an
exact coefficient and a flashing weight that is set (none unless said), the suction limit is the reference bar's. Only
the dataclasses are geoflow's.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from bars import AIR, INCH, LB_PER_AC, PSI, bar, fahrenheit, feed, sharp_bar
from CoolProp.CoolProp import PropsSI
from numpy.typing import NDArray
from reference_bar import ReferenceBar
from scipy.signal import lfilter

from geoflow.bar.equipment import Bar, ControlValve, Suction
from geoflow.ground.applied_log import AppliedLog

__all__ = ["BELOW", "COEFFICIENT", "Field", "Truth", "density", "simulate", "sound_bar", "vapour_pressure"]

_FINE = 20  # steps a second
_LIFT = 20  # seconds between passes, not logged
COEFFICIENT, BELOW = 0.62, 6.5 * PSI + AIR

Floats = NDArray[np.float64]


def sound_bar(**changes: object) -> Bar:
    """Two sections of eight rows with nothing uncertain about them."""
    plain = bar(control_valve=ControlValve(30.0), suction=Suction(0.3, feed(12, 1.5, 8.0)))
    return replace(sharp_bar(plain, 0.0, COEFFICIENT, BELOW), **changes)


@dataclass(frozen=True)
class Field:
    """What is driven and what is wrong; SI."""

    bar: Bar = field(default_factory=sound_bar)
    seed: int = 1
    length: float = 450.0
    offsets: tuple[float, ...] = (0.0,) * 6  # of each pass to the left of where it belongs
    rates: tuple[float, ...] = (150 * LB_PER_AC, 180 * LB_PER_AC, 200 * LB_PER_AC)
    zone_length: float = 45.0
    speed: float = 2.2
    brake: tuple[int, float] | None = None  # in this pass at this time: to 60 % for ten seconds
    delay: float = 0.8
    time_constant: float = 1.5
    noise: float = 0.01  # of the logged flow
    pressure_noise: float = 0.1 * PSI  # of either transmitter
    coefficient: float = COEFFICIENT  # of the orifices
    flash_weight: float = 0.0  # of the orifices
    lost: float = 0.0  # share of the moments missing from the log
    lost_at_once: float = 6.0  # moments that go missing one after the other, on average
    temperature: tuple[float, float] = (fahrenheit(30), fahrenheit(30))
    tank_change: tuple[float, float] = (np.inf, 0.0)  # from this time on the liquid is so much warmer
    section_off: tuple[int, float, float] | None = None  # the left one, in this pass between these times
    plug: tuple[float, float] | None = None  # at this time so many rows
    wear: float = 0.0  # growth of area over the log
    area: float = 1.0  # of the orifices over what the bar file says
    zero: float = 0.0  # of the bar pressure transmitter
    drained: bool = False  # lines open while standing
    clogged: float = 0.0  # pressure lost before the bar on top, at 0.6 kg/s
    overcount: float = 1.0  # of the meter's pulses
    starving: bool = False
    standing: int = 60
    radius: float | None = None  # of the last pass, to the right


@dataclass(frozen=True)
class Truth:
    """What the log should give away."""

    lag: float
    ammonia: float
    swept: float
    covered: float
    starved: NDArray[np.bool_]
    ground: Floats  # nitrogen rate of each record as it lay on the ground, counting the turn


def vapour_pressure(kelvin: Floats | float) -> Floats:
    return np.asarray(PropsSI("P", "T", kelvin, "Q", 0, "Ammonia"))


def density(kelvin: Floats | float) -> Floats:
    return np.asarray(PropsSI("D", "T", kelvin, "Q", 0, "Ammonia"))


def suction_limit(one: Bar, kelvin: Floats) -> Floats:
    """Flow the pump moves with the suction boiling in equilibrium."""
    grid = np.linspace(kelvin.min() - 0.5, kelvin.max() + 0.5, 5)
    zeros = (0.0,) * len(one.sections)
    flows = [ReferenceBar(one, float(at), (COEFFICIENT,) * len(zeros), zeros, BELOW).suction_flow() for at in grid]
    return np.interp(kelvin, grid, flows)


def respond(command: Floats, delay: float, time_constant: float) -> Floats:
    """Dead time and first order, from nothing, at the fine step."""
    late = np.concatenate([np.zeros(round(delay * _FINE)), command])[: command.size]
    if time_constant <= 0.0:
        return late
    share = 1.0 - np.exp(-1.0 / (_FINE * time_constant))
    return np.asarray(lfilter([share], [1.0, share - 1.0], late))


def gone(random: np.random.Generator, moments: int, share: float, at_once: float) -> NDArray[np.bool_]:
    """Moments that went missing: as many as the share, in stretches of random length."""
    missing = np.zeros(moments, dtype=np.bool_)
    while missing.mean() < share:
        first, length = random.integers(moments), random.geometric(1.0 / at_once)
        missing[first : first + length] = True
    return missing


def simulate(what: Field) -> tuple[AppliedLog, Truth]:
    """Drive the field: passes north and south from west to east, logged at 1 Hz, one record per section."""
    random, one = np.random.default_rng(what.seed), what.bar
    # Apart, so that what goes missing and how the pump's gauge wavers change nothing else.
    aside = np.random.default_rng((what.seed, 1))
    counts = np.array([section.rows for section in one.sections])
    widths = counts * one.row_spacing
    total, edges = float(widths.sum()), np.cumsum(widths) - widths
    middles = edges + 0.5 * widths - 0.5 * total
    blocks = int(what.length // what.zone_length) + 2
    rate_map = random.choice(np.array(what.rates), size=(len(what.offsets), blocks))
    one_row = what.coefficient * 0.25 * np.pi * (0.070 * INCH) ** 2

    columns: dict[str, list[Floats]] = {}
    mass = swept = 0.0
    clock = 0.0
    duration = what.standing + len(what.offsets) * (what.length / what.speed + _LIFT)

    def put(**values: Floats | float) -> None:
        for name, value in values.items():
            columns.setdefault(name, []).append(np.asarray(value, dtype=np.float64))

    def cooled(time: Floats) -> Floats:
        start, end = what.temperature
        return start + (end - start) * time / duration + what.tank_change[1] * (time >= what.tank_change[0])

    # Properties at 0.02 K, between which they are straight to 1e-7.
    ends = np.array([*what.temperature, *(np.array(what.temperature) + what.tank_change[1])])
    nodes = np.arange(ends.min() - 0.05, ends.max() + 0.07, 0.02)
    vapour_table, density_table = vapour_pressure(nodes), density(nodes)

    def stand(time: Floats) -> None:
        kelvin = cooled(time)
        rest = np.full(time.size, AIR) if what.drained else vapour_pressure(kelvin)
        for number, (width, middle) in enumerate(zip(widths, middles, strict=True)):
            put(time=time, x=0 * time, y=0 * time, heading=0 * time, speed=0 * time, step=0 * time)
            put(section=0 * time + number, offset=0 * time + middle, width=0 * time + width, run=0 * time, on=0 * time)
            put(applied=0 * time, target=0 * time, flow=0 * time, temperature=kelvin, starved=0 * time, ground=0 * time)
            wavering = random.normal(0.0, what.pressure_noise, time.size)
            put(pump_pressure=rest + aside.normal(0.0, what.pressure_noise, time.size))
            put(bar_pressure=rest + what.zero + wavering)

    if what.standing:
        stand(np.arange(float(what.standing)))
        clock = float(what.standing)
    for number, offset in enumerate(what.offsets):
        fine = np.arange(1, int(what.length / what.speed * 1.5) * _FINE) / _FINE
        speed = np.full(fine.size, what.speed)
        if what.brake is not None and what.brake[0] == number:
            since = fine - what.brake[1]
            speed *= np.interp(since, [0, 2, 10, 12], [1.0, 0.6, 0.6, 1.0])
        way = np.cumsum(speed) / _FINE
        fine, speed, way = (values[way <= what.length] for values in (fine, speed, way))
        along = way if number % 2 == 0 else what.length - way
        target = rate_map[number][(along // what.zone_length).astype(int)]
        active = np.ones((counts.size, fine.size))
        if what.section_off is not None and what.section_off[0] == number:
            active[0] = ~((fine >= what.section_off[1]) & (fine < what.section_off[2]))
        width_on, rows_on = widths @ active, counts @ active
        now = clock + fine
        kelvin = cooled(now)
        fluid, vapour = (np.interp(kelvin, nodes, table) for table in (density_table, vapour_table))
        reference = one.meter.reference_temperature
        counted_per_true = what.overcount * (1.0 if reference is None else density(reference) / fluid)
        counted = respond(target * speed * width_on / one.nitrogen_fraction, what.delay, what.time_constant)
        true = counted / counted_per_true
        starved = np.zeros(fine.size)
        if what.starving:
            most = suction_limit(one, kelvin)
            starved = (true > most).astype(float)
            true = np.minimum(true, most)
            counted = true * counted_per_true
        mass += float(true.sum()) / _FINE
        opening = what.area * (1.0 + what.wear * now / duration) * rows_on
        if what.plug is not None:
            opening = opening - what.plug[1] * (now >= what.plug[0])
        node = BELOW + what.flash_weight * (vapour - BELOW) + np.square(true / (one_row * opening)) / (2.0 * fluid)
        valve = one.control_valve
        loss = 0.0 if valve is None else fluid / 999.1 * np.square(true / fluid / valve.cv / 7.5980e-7)
        outlet = node + loss + what.clogged * np.square(true / 0.6)

        pick = np.arange(_FINE - 1, fine.size, _FINE)
        time = now[pick]
        step = np.diff(way[pick], prepend=0.0)
        northward = number % 2 == 0
        x0 = total * (number + 0.5) - offset
        heading = np.full(pick.size, 0.0 if northward else np.pi)
        x, y = np.full(pick.size, x0), along[pick]
        curve = 0.0
        if what.radius is not None and number == len(what.offsets) - 1:
            heading = way[pick] / what.radius
            x, y = x0 + what.radius * (1.0 - np.cos(heading)), what.radius * np.sin(heading)
            curve = 1.0 / what.radius
        noisy = 1.0 + random.normal(0.0, what.noise, pick.size)
        rate = counted[pick] * one.nitrogen_fraction / (speed * width_on)[pick] * noisy
        true_rate = true[pick] * one.nitrogen_fraction / (speed * width_on)[pick]
        reading = node[pick] + what.zero + random.normal(0.0, what.pressure_noise, pick.size)
        pumped = outlet[pick] + aside.normal(0.0, what.pressure_noise, pick.size)
        for index, (width, middle) in enumerate(zip(widths, middles, strict=True)):
            on = active[index][pick]
            put(time=time, x=x + middle * np.cos(heading), y=y - middle * np.sin(heading), heading=heading)
            put(speed=speed[pick], step=step, section=0 * time + index, offset=0 * time + middle)
            put(width=0 * time + width, run=0 * time + number + 1, on=on, applied=rate * on, target=target[pick])
            put(flow=counted[pick] * noisy, pump_pressure=pumped, bar_pressure=reading)
            put(temperature=kelvin[pick], starved=starved[pick], ground=true_rate * on / (1.0 - middle * curve))
            swept += float((step * on).sum()) * width
        clock = float(now[-1]) + _LIFT

    every = {name: np.concatenate(parts) for name, parts in columns.items()}
    order = np.lexsort((every["section"], every["time"]))
    _, moment = np.unique(every["time"][order], return_inverse=True)
    order = order[~gone(aside, int(moment[-1]) + 1, what.lost, what.lost_at_once)[moment]]
    every = {name: values[order] for name, values in every.items()}
    starved, ground = every.pop("starved") > 0.0, every.pop("ground")
    whole = {name: every.pop(name).astype(np.int64) for name in ("section", "run")}
    log = AppliedLog(row=np.arange(order.size), on=every.pop("on") > 0.0, **whole, **every)
    doubled = sum(max(b - a, 0.0) for a, b in zip((0.0, *what.offsets[:-1]), what.offsets, strict=True))
    truth = Truth(
        what.delay + np.log(2.0) * what.time_constant,
        mass,
        swept,
        swept - doubled * what.length,
        starved,
        ground,
    )
    return log, truth
