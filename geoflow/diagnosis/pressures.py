"""What the pressures tell: liquid margin, control valve, transmitters."""

from __future__ import annotations

from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import BoolArray, FloatArray, IntArray
from geoflow.base.units import PSI
from geoflow.diagnosis.findings import (
    FEWEST,
    NOTHING,
    SENSOR_ERROR,
    SHORT,
    Finding,
    known_temperature,
    lacking_columns,
    moments,
    true_flow,
    vapour_pressure_of,
)
from geoflow.diagnosis.stretches import built_up, chance_factor, settled, stretches
from geoflow.ground.applied_log import AppliedLog
from geoflow.hydraulics.cases import bounding_cases
from geoflow.hydraulics.circuit import Circuit
from geoflow.physics.ammonia import saturation, saturation_temperature
from geoflow.physics.lines import valve_inlet_pressure

__all__ = ["lasting_loss", "liquid_margin_lost", "transmitter_zero", "valve_drop"]

# Drop of a wide-open control valve, 1 to 2 psi: common practice, no source.
_OPEN_VALVE: Final = 2.0 * PSI
_STANDING: Final = 0.05
# A zero was set with product in the lines if it fits liquid within this of the logged temperature [K].
_WEATHER: Final = 20.0
_NEAR: Final = 0.05
# Share of the moments below which a drop is not worth a word: judgement, no source.
_SELDOM: Final = 0.05
# What single readings may waver by before they are smoothed [Pa], and over how many moments at most.
_SMOOTHED: Final = 0.5 * PSI
_LONGEST_SMOOTHED: Final = 15


def _smooth(values: FloatArray, number: IntArray, span: int) -> FloatArray:
    """Mean over so many neighbours (odd) on the same stretch, fewer at its ends."""
    total, seen = np.zeros(values.size), np.zeros(values.size)
    place = np.arange(values.size)
    for shift in range(-(span // 2), span // 2 + 1):
        other = np.clip(place + shift, 0, values.size - 1)
        same = (number[other] == number) & (other == place + shift)
        total += np.where(same, values[other], 0.0)
        seen += same
    return np.asarray(total / seen)


def liquid_margin_lost(log: AppliedLog, bar: Bar) -> list[Finding]:
    """Where the pressure after the control valve was not far enough above the vapour pressure.

    Judged by the means of short stretches, of which at least ten moments have to lie below the wanted margin by more
    than the readings waver. Moments in which nothing goes out, or for less than ten seconds, tell nothing.

    Numbers: area, area_judged, area_boiling (margin below zero) [m2], least_margin (of the stretches), wanted_margin
    [Pa]. The margin at the orifices is smaller still by what the feed lines lose. High confidence where the shortfall
    is more than a transmitter's error (3 psi) as well.

    Parameters
    ----------
    log : AppliedLog
        Records, shape (n,).
    bar : Bar
        As its file says.
    """
    kind = "liquid margin lost"
    if lacking := lacking_columns(kind, log, "bar_pressure", "temperature"):
        return lacking
    bars = moments(log, bar)
    known = known_temperature(log) & np.isfinite(log.bar_pressure)
    margin = log.bar_pressure - vapour_pressure_of(log, known)
    chosen = known[bars.place] & built_up(log, bars)
    judged = stretches(log, bars, settled(log, bars, chosen))
    if not judged.at.size:
        return []
    readings = margin[bars.place[judged.at]]
    mean, error = judged.mean(readings), judged.error(readings)
    highest = mean + chance_factor(mean.size) * error
    wanted = bar.limits.liquid_margin
    if judged.count[highest < wanted].sum() < FEWEST:
        return []
    # The area is that of the single moments, each with so many neighbours as bring the wavering down to half a psi.
    waver = float(error[0] * np.sqrt(judged.count[0]))
    every = stretches(log, bars, chosen)
    span = 2 * int(0.5 * min((waver / _SMOOTHED) ** 2, _LONGEST_SMOOTHED)) + 1
    smooth = _smooth(margin[bars.place[every.at]], every.number, span)
    area = np.bincount(bars.number, np.nan_to_num(log.step * log.width) * log.on)[every.at]
    lost = smooth < wanted
    rows = bars.records(every.at[lost])
    numbers = {
        "area": float(area[lost].sum()),
        "area_judged": float(area.sum()),
        "area_boiling": float(area[smooth < 0.0].sum()),
        "least_margin": float(mean[highest < wanted].min()),
        "wanted_margin": wanted,
    }
    clear = judged.count[highest < wanted - SENSOR_ERROR].sum() >= FEWEST
    return [Finding(kind, numbers, rows[log.on[rows]], "high" if clear else "medium")]


def lasting_loss(log: AppliedLog, bar: Bar, lost: IntArray) -> IntArray:
    """Records in which liquid was lost, with those next to them that read low but tell nothing by themselves.

    By itself a low pressure in the first ten seconds is one that still builds up, and at the end of a stretch the
    neighbours count too. Where it stays low until the margin is known to be lost, it was lost there.

    Parameters
    ----------
    log : AppliedLog
        Records, shape (n,).
    bar : Bar
        For its wanted margin.
    lost : ndarray of int
        Places in the log of the finding *liquid margin lost*.
    """
    bars = moments(log, bar)
    known = known_temperature(log) & np.isfinite(log.bar_pressure)
    margin = (log.bar_pressure - vapour_pressure_of(log, known))[bars.place]
    run = log.run[bars.place]
    found = np.zeros(bars.place.size, dtype=np.bool_)
    found[bars.number[lost]] = True
    low = found | (bars.flows & (margin < bar.limits.liquid_margin))
    begins = np.ones(low.size, dtype=np.bool_)
    begins[1:] = (low[1:] != low[:-1]) | (run[1:] != run[:-1])
    stretch = np.cumsum(begins) - 1
    lasting = low & (np.bincount(stretch, found) > 0)[stretch]
    rows = bars.records(np.flatnonzero(lasting))
    return rows[log.on[rows]]


def _still(log: AppliedLog, bar: Bar) -> BoolArray:
    """Whether the machine stands with everything shut, at each record."""
    flows = log.flow > NOTHING * bar.meter.min_flow * 600.0
    return np.asarray((log.speed < _STANDING) & ~log.on & ~flows & known_temperature(log))


def valve_drop(log: AppliedLog, bar: Bar) -> list[Finding]:
    """Whether the control valve takes more pressure than wide open.

    Expected is the drop the bar file's valve and meter make at the flow (none without a valve there), and 2 psi on
    top. What the two transmitters differ by while the machine stands with everything shut is taken off; where the log
    never stands, they may differ by 3 psi. Judged by the means of short stretches, less what the readings waver, where
    that makes a twentieth of the moments at least.

    Numbers: excess_drop (median where beyond) [Pa], expected_drop [Pa], share (of moments), short_share (of
    those, applied below 95 % of target). A valve that throttles on purpose drops more too: confidence is high only
    where the rate was short in most of these moments, when a sound valve stands wide open.

    Parameters
    ----------
    log : AppliedLog
        Records, shape (n,).
    bar : Bar
        As its file says.
    """
    kind = "control valve drop"
    if lacking := lacking_columns(kind, log, "flow", "pump_pressure", "bar_pressure", "temperature"):
        return lacking
    bars, most = moments(log, bar), bar.at_end(-1.0)
    both = np.isfinite(log.pump_pressure) & np.isfinite(log.bar_pressure)
    known = known_temperature(log) & (log.flow > 0.0) & both
    every = stretches(log, bars, settled(log, bars, known[bars.place] & built_up(log, bars)))
    place = bars.place[every.at]
    if place.size < FEWEST:
        return []
    state, flow, after = saturation(log.temperature[place]), true_flow(log, bar, place), log.bar_pressure[place]
    density, valve = state.liquid_density, most.control_valve
    expected = most.meter.loss_at_max_flow * np.square(flow / density / most.meter.max_flow)
    if valve is not None:
        inlet = valve_inlet_pressure(
            flow, after, state.pressure, density, cv=valve.cv, recovery_factor=valve.recovery_factor
        )
        expected = expected + inlet - after
    excess = log.pump_pressure[place] - after - expected
    standing = bars.place[(_still(log, bar) & both)[bars.place]]
    if standing.size >= FEWEST:
        excess -= np.median(log.pump_pressure[standing] - log.bar_pressure[standing])
    mean, error = every.mean(excess), every.error(excess)
    allowed = _OPEN_VALVE + (0.0 if standing.size >= FEWEST else SENSOR_ERROR)
    beyond = (mean - chance_factor(mean.size) * error > allowed)[every.number]
    if np.count_nonzero(beyond) < FEWEST or np.mean(beyond) < _SELDOM:
        return []
    with np.errstate(invalid="ignore"):
        short = float(np.mean(log.applied[place[beyond]] < SHORT * log.target[place[beyond]]))
    numbers = {
        "excess_drop": float(np.median(excess[beyond])),
        "expected_drop": float(np.median(expected[beyond])),
        "share": float(np.mean(beyond)),
        "short_share": short,
    }
    return [Finding(kind, numbers, place[beyond], "high" if short > 0.5 else "low")]


def _running_offset(log: AppliedLog, bar: Bar) -> tuple[float, float] | None:
    """Least and greatest reading less the solved bar pressure at the usual flow [Pa]; None where it cannot be told."""
    bars = moments(log, bar)
    at = bars.place[bars.full]
    usable = known_temperature(log) & log.on & (log.flow > 0.0) & np.isfinite(log.bar_pressure)
    at = at[usable[at]]
    if at.size < FEWEST:
        return None
    flow = true_flow(log, bar, at)
    usual = np.abs(flow / np.median(flow) - 1.0) <= _NEAR
    if np.count_nonzero(usual) < FEWEST:
        return None
    at, flow = at[usual], flow[usual]
    sections = tuple(range(len(bar.sections)))
    circuit = Circuit(bar, sections, bounding_cases(bar, sections), np.array([np.median(log.temperature[at])]))
    # Pressure goes with the squared flow.
    node = circuit.at_flow(float(np.sqrt(np.mean(np.square(flow))))).node_pressure
    reading = float(np.mean(log.bar_pressure[at]))
    return reading - float(node.max()), reading - float(node.min())


def _zero_offset(
    reading: float, offset: float, air: float, running: tuple[float, float] | None
) -> tuple[float, str] | None:
    """How far a transmitter is off and how sure that is; None where the lines stood empty and nothing is off."""
    # Product shut in, or else, where no pressure can be as low as the reading, lines that stand open.
    impossible = reading < air - SENSOR_ERROR
    ways = [reading - air, offset] if impossible else [offset]
    if running is None:
        return ways[0], "medium" if impossible else "low"
    low, high = running[0] - SENSOR_ERROR, running[1] + SENSOR_ERROR
    proves = not low <= 0.0 <= high
    likely = min(ways, key=lambda way: abs(way - 0.5 * (low + high)))
    agrees = low <= likely <= high
    if not (agrees or proves or impossible):
        return None  # while running the reading is right
    return likely, "high" if agrees and proves else "medium" if proves or impossible else "low"


def _judge_zero(
    log: AppliedLog, bar: Bar, column: str, rows: IntArray, running: tuple[float, float] | None
) -> list[Finding]:
    readings: FloatArray = getattr(log, column)[rows]
    vapour = saturation(log.temperature[rows]).pressure
    reading, gauge = float(np.median(readings)), float(np.median(vapour)) - bar.air_pressure
    shut = float(np.median(readings - vapour))
    judged = None if abs(shut) <= SENSOR_ERROR else _zero_offset(reading, shut, bar.air_pressure, running)
    if judged is None:
        return []
    offset, confidence = judged
    zero = bar.air_pressure - offset
    lowest, highest = (float(saturation(kelvin).pressure) for kelvin in (230.0, 330.0))
    zeroed = float(saturation_temperature(zero)) if lowest < zero < highest else np.nan
    with_product = gauge > 0.0 and abs(zeroed - float(np.median(log.temperature[rows]))) <= _WEATHER
    numbers = {
        "offset": offset,
        "reading_standing": reading,
        "vapour_pressure": gauge + bar.air_pressure,
        "moments": float(rows.size),
    }
    if with_product:
        numbers["zero_temperature"] = zeroed
    if running is not None:
        numbers |= {"running_offset_low": running[0], "running_offset_high": running[1]}
    kind = "transmitter zeroed with product in the lines" if with_product else "transmitter bias"
    return [Finding(kind, numbers, rows, confidence, scope=column.replace("_", " "))]


def transmitter_zero(log: AppliedLog, bar: Bar) -> list[Finding]:
    """Whether a transmitter is off, from its readings while the machine stood with everything shut.

    Product shut in stands at its vapour pressure; a transmitter zeroed on it reads no gauge pressure then, and that
    much too little ever after. Drained lines read no gauge pressure either. So the readings while running decide for
    the bar pressure: where they suit the solved bar at that flow and a true zero only, nothing is found; where they
    suit the offset only, confidence is high; where the orifices are too uncertain to tell, low. A reading well below
    the air's pressure is wrong in any case; running then tells whether the lines stood full or open (medium where it
    is not logged: taken as open).

    Numbers: offset (reading less true), reading_standing, vapour_pressure [Pa, absolute], moments, zero_temperature
    [K] (of the liquid on which it was zeroed), running_offset_low, running_offset_high [Pa].

    Parameters
    ----------
    log : AppliedLog
        Records, shape (n,).
    bar : Bar
        As its file says.
    """
    kind = "transmitter zero"
    columns = [name for name in ("bar_pressure", "pump_pressure") if np.isfinite(getattr(log, name)).any()]
    if lacking := lacking_columns(kind, log, "speed", "temperature", *(() if columns else ("bar_pressure",))):
        return lacking
    still, place = _still(log, bar), moments(log, bar).place
    running = _running_offset(log, bar) if np.isfinite(log.flow).any() and "bar_pressure" in columns else None
    found: list[Finding] = []
    for column in columns:
        rows = place[still[place] & np.isfinite(getattr(log, column)[place])]
        if rows.size >= FEWEST:
            found += _judge_zero(log, bar, column, rows, running if column == "bar_pressure" else None)
    return found
