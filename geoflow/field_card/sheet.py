"""A field card: one sheet with what to drive, what to set, what the gauges say and what it means if they don't."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.counted import count
from geoflow.base.said import said_range
from geoflow.base.units import PSI, System, from_si, number, number_range, show, to_si, unit_label
from geoflow.decide.faults import gauges_at_hand, transmitter_place
from geoflow.decide.gauges import tank_pressures
from geoflow.field_card.sheet_words import before_list, fault_blocks, settings_blocks
from geoflow.physics.ammonia import saturation
from geoflow.report.cautions import CAUTIONS, SHORT_CAUTION
from geoflow.report.day import tanks_text
from geoflow.report.gauges import gauge_cell, section_list, temperature_heads
from geoflow.report.layout import some_names, span, within
from geoflow.report.model import PRINTED, Block, Paragraph, Report, Section, Table
from geoflow.report.reading import left_out_count
from geoflow.report.window import plan_warnings

if TYPE_CHECKING:
    from geoflow.field_card.outcome import CardOutcome

__all__ = ["card_report", "round_temperatures"]

# Pressures of the table of volts, and how many temperatures the tank's table has at most.
_VOLTS_AT: Final[dict[System, tuple[float, ...]]] = {"us": (0, 50, 100, 150, 200), "metric": (0, 300, 600, 900, 1200)}
_PRESSURE_UNIT: Final[dict[System, str]] = {"us": "psi", "metric": "kPa"}
_TEMPERATURE_UNIT: Final[dict[System, str]] = {"us": "degF", "metric": "degC"}
_MOST_TEMPERATURES: Final = 6
# Transmitters of the trade: common practice, no source.
_USUAL_ZERO: Final = 0.5
_USUAL_SPAN: Final = 0.020 / PSI
_NONE: Final = "no speed"
# What the terminal says too; the rest is for the sheet.
_ALSO_TYPED: Final = ("today", "speeds", "settings", "cautions")


def _today(outcome: CardOutcome, system: System) -> str:
    solution = outcome.solution
    rate = within(*solution.rate_bounds(solution.certain), "nitrogen rate", system)
    cold, warm = (pressure - solution.bar.air_pressure for pressure in tank_pressures(solution))
    gauge = f"{number_range(cold, warm, 'pressure', system, 0)} {unit_label('pressure', system)}"
    plan = solution.plan
    sure = f"{rate} are sure to hold"
    if rate == "none":
        sure = "no rate is sure to hold" + ("; some are at other speeds" if outcome.speeds.held.any() else "")
    return (
        f"Liquid {said_range(*plan.temperature, 'temperature', system)} (tank gauge {gauge}): at "
        f"{said_range(*plan.speed, 'speed', system)} {sure}."
    )


def _subtitle(outcome: CardOutcome, system: System) -> str:
    solution, prescription = outcome.solution, outcome.prescription
    of = "rates given" if prescription is None else prescription.path.name
    parts = [of, f"{count(solution.window.rows, 'row')}, {show(solution.window.width, 'length', system)}"]
    if len(solution.plan.sections) < len(solution.bar.sections):
        parts.append("only " + ", ".join(section.name for section in section_list(solution)))
    return " · ".join(parts)


def _today_blocks(outcome: CardOutcome) -> list[Block]:
    warned = plan_warnings(outcome.solution)
    blocks: list[Block] = list(warned[1:])
    if outcome.prescription is not None and (dropped := left_out_count(outcome.prescription)):
        said_so = f"{count(dropped, 'row')} of the map left out; 'geoflow vet' says which and why."
        blocks.append(Paragraph(said_so, "warning"))
    text = "This card holds for these liquid temperatures only. Tank gauge outside them: make a new one."
    return [*blocks, Paragraph(text)]


def _speed_cells(outcome: CardOutcome, at: int, system: System) -> tuple[str, str]:
    """Speeds of a rate, and what is to be said of the planned one."""
    speeds = outcome.speeds
    verdict, limit = str(speeds.verdict[at]), str(speeds.limited_by[at])
    if speeds.held[at]:
        text = span(float(speeds.certain[at, 0]), float(speeds.certain[at, 1]), "speed", system)
        return text, "" if verdict == "holds" else f"not at the planned speed: {limit}"
    if verdict == "doubtful":
        return _NONE, f"doubtful: {limit}"
    if verdict == "fails" and speeds.possible[at]:
        return _NONE, f"fails at the planned speed: {limit}; doubtful at others"
    return _NONE, limit or "no speed a driver can hold"


def _speed_row(outcome: CardOutcome, at: int, system: System) -> tuple[str, ...]:
    """Rate, area if there is a map, speeds, area a tank if there is one, and what is to be said."""
    speeds, tanks = outcome.speeds, outcome.tanks
    drive, remark = _speed_cells(outcome, at, system)
    rate = float(speeds.rate[at])
    area = [number(float(speeds.area[at]), "area", system)] if outcome.prescription is not None else []
    reach = [] if tanks is None else [number(tanks.full_load / (rate * tanks.per_nitrogen), "area", system)]
    return number(rate, "nitrogen rate", system), *area, drive, *reach, remark


def _speed_table(outcome: CardOutcome, system: System, shown: np.ndarray[Any, np.dtype[np.bool_]]) -> list[Block]:
    speeds = outcome.speeds
    order = np.lexsort((speeds.rate, speeds.held))
    listed = [at for at in order.tolist() if shown[at]]
    mapped = outcome.prescription is not None
    heads = [unit_label("nitrogen rate", system), *([unit_label("area", system)] if mapped else [])]
    heads += [f"drive {unit_label('speed', system)}"]
    heads += [f"{unit_label('area', system)} a tank"] if outcome.tanks is not None else []
    rows = [_speed_row(outcome, at, system) for at in listed]
    widths = (1.2, *(1.2 for _ in heads[1:]), 2.6)
    left = int((~shown).sum())
    caption = "Speeds that surely hold each rate, all day" + (
        f"; {len(listed)} of {speeds.rate.size} rates, even shares of the field" if left else ""
    )
    table = Table(caption, (*heads, "look out"), tuple(rows), ">" * len(heads) + "<", widths)
    blocks: list[Block] = [table if any(row[-1] for row in rows) else table.columns(range(len(heads)))]
    unheld = speeds.rate[~speeds.held & ~shown]
    if unheld.size:
        named = some_names([number(float(rate), "nitrogen rate", system) for rate in unheld], 8)
        unit = unit_label("nitrogen rate", system)
        blocks.insert(0, Paragraph(f"No speed surely holds these either, which are not in the table: {named} {unit}."))
    return blocks


def _gauge_blocks(outcome: CardOutcome, system: System) -> list[Block]:
    found, bar = outcome.gauges, outcome.solution.bar
    hand = gauges_at_hand(bar)
    place = "after valve" if "after valve" in hand and "manifold" not in hand else "manifold"
    values = found.after_valve if place == "after valve" else found.manifold
    unit = unit_label("pressure", system)
    rates = [number(float(rate), "nitrogen rate", system) for rate in found.rate]
    rate_head = unit_label("nitrogen rate", system)
    rows = tuple(
        (rates[at], *(gauge_cell(values[row, at], bar, system) for row in range(found.temperature.size)))
        for at in range(found.rate.size)
    )
    heads = (rate_head, *temperature_heads(found.temperature, system))
    caption = f"{place.capitalize()} gauge, {unit}: expected (from to)"
    blocks: list[Block] = [Table(caption, heads, rows, ">" + "<" * (len(heads) - 1), (1.4, *(2.6 for _ in heads[1:])))]
    middle = found.temperature.size // 2
    told = np.isfinite(values[middle, :, 0])
    flow = tuple(
        (rates[at], "-", "-", "-")
        if not told[at]
        else (
            rates[at],
            number_range(float(found.speed[at, 0]), float(found.speed[at, 1]), "speed", system),
            number(float(found.flow[middle, at] / found.density[middle]), "volume flow", system),
            number(float(found.shown_flow[at]), "ammonia flow", system),
        )
        for at in range(found.rate.size)
    )
    flow_heads = (rate_head, unit_label("speed", system), unit_label("volume flow", system),
                  unit_label("ammonia flow", system))  # fmt: skip
    blocks.append(Table("Flow on the display at mid speed", flow_heads, flow, ">>>>", (1.4, 2.4, 2.0, 2.6)))
    blocks.append(_tank_table(outcome, system))
    return [*blocks, *_pump_blocks(outcome, system)]


def _pump_blocks(outcome: CardOutcome, system: System) -> list[Block]:
    """Say what the pump outlet shows, and what it may be above the gauge after the valve."""
    found, bar = outcome.gauges, outcome.solution.bar
    known = np.isfinite(found.valve_drop[..., 0])
    if not known.any():
        said = "At none of these rates is the liquid sure to stay liquid in the manifold: no reading belongs to them."
        return [Paragraph(said)]
    drop, feed = found.valve_drop[known], np.abs(found.after_valve - found.manifold)[known]
    digits = 1 if system == "us" else 0
    unit, low, high = unit_label("pressure", system), float(drop.min()), float(drop.max())
    same = f"After-valve gauge: within {show(float(feed.max()), 'pressure', system)} of the manifold. "
    if bar.control_valve is None and bar.meter.loss_at_max_flow == 0.0:
        text = f"{same}The bar file names no [control_valve], so the pump outlet is not told."
    else:
        text = (
            f"{same}Pump outlet above it, all liquid and the valve wide open: "
            f"{number_range(low, high, 'pressure', system, digits)} {unit}. More is a throttling valve, or gas in it."
        )
    boils = " '-': the liquid may boil in the manifold, or the bar cannot do it: no reading belongs to that rate."
    return [Paragraph(text if known.all() else text + boils)]


def round_temperatures(outcome: CardOutcome, system: System) -> list[float]:
    """Temperatures for the tank's table in the reader's unit, a little beyond the plan.

    Parameters
    ----------
    outcome : CardOutcome
        The card.
    system : str
        ``"us"`` or ``"metric"``.
    """
    unit = _TEMPERATURE_UNIT[system]
    low, high = from_si(np.array(outcome.solution.plan.temperature), "temperature", unit).tolist()
    for step in (2.0, 5.0, 10.0, 20.0, 50.0):
        first, last = np.floor((low - 1.0) / step), np.ceil((high + 1.0) / step)
        if last - first < _MOST_TEMPERATURES:
            break
    return [float(one) for one in step * np.arange(first, last + 1.0)]


def _tank_table(outcome: CardOutcome, system: System) -> Table:
    degrees = round_temperatures(outcome, system)
    pressures = saturation(to_si(np.array(degrees), "temperature", _TEMPERATURE_UNIT[system])).pressure
    air = outcome.solution.bar.air_pressure
    row = ("tank gauge", *(number(float(one) - air, "pressure", system, 0) for one in pressures))
    heads = (f"liquid {unit_label('temperature', system)}", *(f"{one:g}" for one in degrees))
    caption = f"Tank gauge, {unit_label('pressure', system)}, tells the liquid's temperature"
    return Table(caption, heads, (row,), "<" + ">" * len(degrees), (2.4, *(1.1 for _ in degrees)))


def _outputs(outcome: CardOutcome) -> list[tuple[str, float, float, bool]]:
    """Return place, zero [V], span [V/Pa] of each transmitter, and whether both were told."""
    bar = outcome.solution.bar
    told = [gauge for gauge in bar.gauges if gauge.zero is not None or gauge.span is not None]
    known = [
        (
            gauge.place,
            _USUAL_ZERO if gauge.zero is None else gauge.zero,
            _USUAL_SPAN if gauge.span is None else gauge.span,
            gauge.zero is not None and gauge.span is not None,
        )
        for gauge in told
    ]
    return known or [(transmitter_place(bar), _USUAL_ZERO, _USUAL_SPAN, False)]


def _transmitter_blocks(outcome: CardOutcome, system: System) -> list[Block]:
    bar = outcome.solution.bar
    unit = _PRESSURE_UNIT[system]
    shown = [one for one in _VOLTS_AT[system] if to_si(one, "pressure", unit) <= bar.limits.max_pressure]
    outputs = _outputs(outcome)
    rows = tuple(
        (place, *(f"{zero + span_ * to_si(one, 'pressure', unit):.2f}" for one in shown))
        for place, zero, span_, _ in outputs
    )
    usual = "" if all(told for *_, told in outputs) else "; the usual kind: common practice, no source"
    label = unit_label("pressure", system)
    table = Table(
        f"Volts at {label}{usual}", (label, *(f"{one:g}" for one in shown)), rows, "<" + ">" * len(shown),
        (2.4, *(1.2 for _ in shown)),
    )  # fmt: skip
    cold, warm = (pressure - bar.air_pressure for pressure in tank_pressures(outcome.solution))
    tank = f"{number_range(cold, warm, 'pressure', system, 0)} {label}"
    zeros = " and ".join(dict.fromkeys(f"{zero:.2f} V" for _, zero, _, _ in outputs))
    text = (
        f"Bled and open to the air it gives {zeros} and reads 0. Zeroed with product in the line at today's tank "
        f"pressure it reads {tank} low all day."
    )
    return [table, Paragraph(text)]


def _tank_blocks(outcome: CardOutcome, system: System) -> list[Block]:
    tanks = outcome.tanks
    if tanks is None:
        return [Paragraph("The bar file names no [tank].")]
    full = show(tanks.full_load, "mass", system)
    text = f"A full tank gives {full} NH3 down to a heel of {100.0 * outcome.heel:g} %"
    if outcome.prescription is None:
        return [Paragraph(f"{text}; how far that goes stands with each rate.")]
    text = f"{text}. The map: {tanks_text(tanks, system)}"
    left = tanks.full_load - float(tanks.drawn[-1])
    if left > 1e-3 * tanks.full_load:
        text += f"; {show(left, 'mass', system)} left over{' in the last' if tanks.drawn.size > 1 else ''}"
    return [Paragraph(f"{text}.")]


def card_report(outcome: CardOutcome, system: System, stamp: str) -> Report:
    """Say what stands on a field card.

    Parameters
    ----------
    outcome : CardOutcome
        From `workflow.carding`.
    system : str
        ``"us"`` or ``"metric"``.
    stamp : str
        Version and date.
    """
    warnings = outcome.solution.warnings()
    shown = np.isin(outcome.speeds.rate, outcome.gauges.rate)
    parts = (
        ("today", "Today", _today_blocks(outcome)),
        ("speeds", "Speeds", _speed_table(outcome, system, shown)),
        ("settings", "Settings", settings_blocks(outcome, system)),
        ("gauges", "Gauges", _gauge_blocks(outcome, system)),
        ("transmitters", "Transmitter", _transmitter_blocks(outcome, system)),
        ("tanks", "Tanks", _tank_blocks(outcome, system)),
        ("faults", "If it reads otherwise", fault_blocks(outcome, system)),
        ("cautions", "Stay safe", [Paragraph(CAUTIONS, "warning")]),
        ("before", "Before the first pass, in this order", [before_list(outcome, system)]),
    )
    return Report(
        f"{outcome.solution.bar.name}: field card",
        _subtitle(outcome, system),
        f"! {warnings[0]}" if warnings else _today(outcome, system),
        tuple(
            Section(key, title, tuple(block if key in _ALSO_TYPED else replace(block, on=PRINTED) for block in blocks))
            for key, title, blocks in parts
        ),
        SHORT_CAUTION,
        stamp,
    )
