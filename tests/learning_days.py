"""Invented bars and days for learning, with the truth known; nothing of geoflow computes in here.

Properties come from CoolProp. The orifices follow the textbook equation with a weight that rises with the margin, in
one of two shapes of which geoflow assumes neither in full, and every instrument is off by something that stays.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from bars import AIR, GALLON, GPM, INCH, MPH, PSI, bar, fahrenheit, orifice
from CoolProp.CoolProp import PropsSI
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.signal import lfilter

from geoflow.bar.equipment import Bar, ControlValve, Meter, Pump, RowHose, Section
from geoflow.ground.applied_log import AppliedLog

__all__ = ["Day", "Hidden", "draw", "drive", "flow_window_of", "known_bar"]

Floats = NDArray[np.float64]
_FRACTION = 0.82


@dataclass(frozen=True)
class Hidden:
    """The truth of one bar: its orifices, what lies below them, and what its instruments read wrong."""

    rows: int
    diameter: float
    coefficient: float
    weight: float  # at 20 psi margin and 283 K
    rise: float
    saturating: bool
    warming: float
    below: float  # [Pa], absolute
    zero: float
    thermometer: float
    meter: float  # true over metered

    def weight_at(self, margin: Floats, kelvin: Floats) -> Floats:
        over = np.maximum(margin, 0.0) / PSI
        if self.saturating:
            turned = 4.0 * self.rise * (np.exp(-20.0 / 40.0) - np.exp(-over / 40.0))
        else:
            turned = self.rise * np.log2((over + 10.0) / 30.0)
        return np.clip(self.weight + turned + self.warming * (kelvin - 283.0), 0.0, 1.0)

    def flow(self, pressure: Floats, kelvin: Floats, plugged: float | Floats = 0.0) -> Floats:
        """Flow of the whole bar [kg/s] at a true pressure above the orifices and temperature there."""
        vapour, dense = vapour_and_density(kelvin)
        effective = self.below + self.weight_at(pressure - vapour, kelvin) * (vapour - self.below)
        area = 0.25 * np.pi * self.diameter**2
        drive = np.maximum(pressure - effective, 0.0)
        return np.asarray(self.coefficient * area * (self.rows - plugged) * np.sqrt(2.0 * dense * drive))


_GRID = np.arange(250.0, 320.0, 0.1)
_VAPOUR = np.asarray(PropsSI("P", "T", _GRID, "Q", 0, "Ammonia"))
_DENSITY = np.asarray(PropsSI("D", "T", _GRID, "Q", 0, "Ammonia"))
_HEAT = np.asarray(PropsSI("C", "T", _GRID, "Q", 0, "Ammonia"))
_SWELL = np.asarray(PropsSI("ISOBARIC_EXPANSION_COEFFICIENT", "T", _GRID, "Q", 0, "Ammonia"))


def vapour_and_density(kelvin: Floats) -> tuple[Floats, Floats]:
    return np.exp(np.interp(kelvin, _GRID, np.log(_VAPOUR))), np.interp(kelvin, _GRID, _DENSITY)


def warmed(kelvin: Floats, over: Floats) -> Floats:
    """Temperature above the orifices, of liquid that a pump without losses raised by `over` [Pa]."""
    swell, heat = np.interp(kelvin, _GRID, _SWELL), np.interp(kelvin, _GRID, _HEAT)
    return np.asarray(kelvin + swell * kelvin * over / (np.interp(kelvin, _GRID, _DENSITY) * heat))


def known_bar(hidden: Hidden, random: np.random.Generator) -> Bar:
    """The bar as its owner's file has it: a stated coefficient, a range below the orifices, nothing of the flashing."""
    middle = hidden.below + random.uniform(-2.5, 2.5) * PSI
    low = max(middle - 3.0 * PSI, AIR)
    half = hidden.rows // 2
    return bar(
        sections=(Section("left", half, "only", None), Section("right", hidden.rows - half, "only", None)),
        orifices={"only": replace(orifice(), diameter=hidden.diameter)},
        pump=Pump(200 * GPM, 110 * PSI, 0.0, 1.0),
        meter=Meter(700 / GALLON, 0.5 * GPM, 300 * GPM),
        row_hose=RowHose(back_pressure=(low, max(middle, AIR) + 3.0 * PSI)),
    )


def draw(random: np.random.Generator) -> Hidden:
    return Hidden(
        rows=2 * int(random.integers(4, 13)),
        diameter=random.uniform(0.055, 0.09) * INCH,
        coefficient=0.62 * random.uniform(0.93, 1.07),
        weight=random.uniform(0.05, 0.92),
        rise=random.uniform(0.0, 0.06),
        saturating=bool(random.random() < 0.5),
        warming=random.uniform(-0.002, 0.001),
        below=AIR + random.uniform(4.0, 12.0) * PSI,
        zero=random.uniform(-2.0, 2.0) * PSI,
        thermometer=random.uniform(-1.0, 1.0) / 1.8,
        meter=random.uniform(0.95, 1.05),
    )


@dataclass(frozen=True)
class Day:
    """What is driven: liquid from one temperature to another [K], and what goes wrong."""

    temperature: tuple[float, float]
    passes: int = 12
    length: int = 240  # [s]
    standing: int = 60
    plugged: int = 0  # rows, from the middle of the day
    wear: float = 0.0  # of the area over the day
    flow_noise: float = 0.01
    pressure_noise: float = 0.3 * PSI
    lag: float = 1.5  # of the pressure transmitter behind the meter [s]
    spikes: float = 0.002  # share of readings that are nonsense
    margins: tuple[float, ...] = (12 * PSI, 25 * PSI, 42 * PSI)  # between which the rates of the map keep the bar


def drive(hidden: Hidden, one: Bar, day: Day, random: np.random.Generator) -> tuple[AppliedLog, float]:
    """Log of a day at 1 Hz, a record a section, and the ammonia that truly went out [kg]."""
    total = day.standing + day.passes * (day.length + 20)
    clock = np.arange(float(total))
    kelvin = np.interp(clock, [0, total], day.temperature)
    running = np.full(total, -1)
    for number in range(day.passes):
        first = day.standing + number * (day.length + 20)
        running[first : first + day.length] = number
    on = running >= 0
    middle = float(np.mean(kelvin))
    vapour = float(vapour_and_density(np.array([middle]))[0][0])
    levels = np.array([float(hidden.flow(np.array([vapour + one_]), np.array([middle]))[0]) for one_ in day.margins])
    asked = np.repeat(random.choice(levels, total // 40 + 1), 40)[:total] * on
    speed = 2.2
    # Metered flow follows what is asked with 0.8 s and a time constant of 1.5 s; the meter is what is controlled.
    fine = lfilter([1 - np.exp(-1 / 1.5)], [1, -np.exp(-1 / 1.5)], asked)
    metered = np.where(on, fine, 0.0)
    true = metered * hidden.meter
    plugged = np.where(clock > 0.5 * total, float(day.plugged), 0.0) - day.wear * hidden.rows * clock / total
    pressure = _pressures(hidden, true, kelvin, plugged)
    standing_pressure = vapour_and_density(kelvin)[0]
    pressure = np.where(on, pressure, standing_pressure)
    share = 1.0 - np.exp(-1.0 / day.lag)
    smoothed, _ = lfilter([share], [1.0, share - 1.0], pressure, zi=[(1.0 - share) * pressure[0]])
    read = smoothed + hidden.zero + random.normal(0.0, day.pressure_noise, total)
    wild = random.random(total) < day.spikes
    read = np.where(wild, read + random.uniform(-40, 40, total) * PSI, read)
    noisy = metered * (1.0 + random.normal(0.0, day.flow_noise, total))
    thermo = kelvin + hidden.thermometer
    counts = np.array([section.rows for section in one.sections])
    widths = counts * one.row_spacing
    bar_width = float(widths.sum())
    target = asked * one.nitrogen_fraction / (speed * bar_width)
    applied = noisy * one.nitrogen_fraction / (speed * bar_width)
    moved = np.where(on, speed, 0.0)
    along = np.cumsum(moved)
    places = len(widths)

    def each(values: Floats) -> Floats:
        return np.repeat(values, places)

    x0 = np.cumsum(widths) - 0.5 * widths - 0.5 * bar_width
    number = np.tile(np.arange(places), total)
    log = AppliedLog(
        row=np.arange(total * places),
        time=each(clock),
        x=each(np.maximum(running, 0) * bar_width) + np.tile(x0, total),
        y=each(along - np.where(on, along[0], 0.0)),
        heading=np.zeros(total * places),
        speed=each(moved),
        step=each(moved),
        section=number,
        offset=np.tile(x0, total),
        width=np.tile(widths, total),
        run=each(running + 1).astype(np.int64),
        on=each(on),
        applied=each(applied * on),
        target=each(target),
        flow=each(noisy),
        pump_pressure=np.full(total * places, np.nan),
        bar_pressure=each(read),
        temperature=each(thermo),
    )
    return log, float(true.sum())


def _pressures(hidden: Hidden, flow: Floats, kelvin: Floats, plugged: Floats) -> Floats:
    """True pressure at each moment by bisection, with the warming by the pump."""
    vapour, _ = vapour_and_density(kelvin)
    low, high = np.full(flow.size, hidden.below), vapour + 400.0 * PSI
    for _ in range(40):
        mid = 0.5 * (low + high)
        warm = warmed(kelvin, np.maximum(mid - vapour, 0.0))
        more = hidden.flow(mid, warm, plugged) < flow
        low, high = np.where(more, mid, low), np.where(more, high, mid)
    return np.asarray(0.5 * (low + high))


def flow_window_of(hidden: Hidden, one: Bar, kelvin: float, plugged: float = 0.0) -> tuple[float, float]:
    """The bar's own window [kg/s]: from the wanted margin to the rated pressure or the pump's rise."""
    vapour = float(vapour_and_density(np.array([kelvin]))[0][0])

    def flow(pressure: float) -> float:
        warm = warmed(np.array([kelvin]), np.array([max(pressure - vapour, 0.0)]))
        return float(hidden.flow(np.array([pressure]), warm, plugged)[0])

    def margin(pressure: float) -> float:
        warm = warmed(np.array([kelvin]), np.array([max(pressure - vapour, 0.0)]))
        return pressure - float(vapour_and_density(warm)[0][0]) - one.limits.liquid_margin

    assert one.control_valve is None or isinstance(one.control_valve, ControlValve)
    low = brentq(margin, vapour, vapour + 50 * PSI)
    return flow(low), flow(min(one.limits.max_pressure, vapour + one.pump.max_rise))


def usual_day(random: np.random.Generator, **changes: object) -> Day:
    start = random.uniform(38.0, 66.0)
    ends = fahrenheit(start), fahrenheit(start + random.uniform(-8.0, 3.0))
    return replace(Day(ends, passes=int(random.integers(8, 17))), **changes)  # type: ignore[arg-type]


_ = MPH
