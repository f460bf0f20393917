"""The words of a field card: settings, faults, and what to see to before the first pass."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.base.counted import count
from geoflow.base.said import said, said_range
from geoflow.base.units import GALLON, POUND, System, number, number_range, show, unit_label
from geoflow.decide.calibration import Calibration
from geoflow.decide.card import METER_SCATTER
from geoflow.decide.faults import (
    DRIVE_LEFT,
    METER_OFF,
    READABLE,
    STARVED,
    VALVE_LEFT,
    WARMER,
    WORN,
    Fault,
    alarm_place,
    fault_groups,
    gauges_at_hand,
)
from geoflow.decide.gauges import tank_pressures
from geoflow.report.gauges import section_list
from geoflow.report.model import Block, BulletList, Paragraph, Table

if TYPE_CHECKING:
    from geoflow.field_card.outcome import CardOutcome

__all__ = ["PLACE_HEADS", "before_list", "fault_blocks", "settings_blocks"]

PLACE_HEADS: Final = {
    "tank": "tank", "pump outlet": "pump outlet", "after valve": "after valve", "manifold": "manifold",
}  # fmt: skip
# What is looked at first, in a safe order: from the cab, then from upwind, then shut, bled and open.
_CHECKS: Final = {
    "warm liquid": "Find the liquid's temperature from the tank gauge. Off this card: make a new one.",
    "low tank": "Read the tank's level; change it.",
    "drive slow": "From the cab: engine speed, shaft or oil to the pump.",
    "section shut": "Its switch; then from upwind: does every section frost? Its valve.",
    "meter counts too much": "The number entered, against Settings; then a scale ticket.",
    "meter counts too little": "The number entered, against Settings; then a scale ticket.",
    "zero off": "Stopped, sections off, pump off, tank open: it has to read what the tank gauge reads.",
    "valve at a tank shut": "Stopped, sections off, pump off: shut that tank's valve, wait, open it slowly.",
    "breakaway shut": "Stopped, pump off, tank shut, line bled: the coupling.",
    "bypass stuck open": "Stopped, sections off: its lever or setting; opened only shut and bled.",
    "valve nearly shut": "Stopped, sections off: does the valve move by its hand switch?",
    "plugged row": "From upwind: a row without frost. Tank shut and line bled before you open it.",
    "suction starving": "Tank valve and couplings fully open; then, shut and bled, the strainer.",
    "worn orifices": "Scale ticket against the ground covered; then, shut and bled, measure some orifices.",
}
_ORDER: Final = tuple(_CHECKS)
_MOST_NAMED: Final = 4
# Of more sections neighbours that are alike share a row.
_MOST_SECTIONS: Final = 9


def _percent(share: float, digits: int = 0) -> str:
    """Write a share as a percentage with its sign."""
    text = f"{100.0 * share:+.{digits}f}"
    return ("0" if float(text) == 0.0 else text) + " %"


def _name(fault: Fault, system: System) -> str:
    """Say what is wrong, and how far it was put wrong."""
    warmer = show(WARMER, "temperature difference", system, 0)
    return {
        "plugged row": f"one row plugged ({fault.part})",
        "worn orifices": f"orifices worn, {100.0 * WORN:.0f} % more area",
        "valve nearly shut": f"control valve nearly shut ({100.0 * VALVE_LEFT:.0f} % of its flow left)",
        "suction starving": f"suction starving: {100.0 * STARVED:.0f} % short of the flow",
        "warm liquid": f"liquid {warmer} warmer",
        "low tank": "tank nearly empty, its liquid cooled",
        "meter counts too much": f"meter counts {100.0 * METER_OFF:.0f} % too much",
        "meter counts too little": f"meter counts {100.0 * METER_OFF:.0f} % too little",
        "zero off": f"transmitter ({fault.part}) zeroed on a full line",
        "section shut": f"one section shut though switched on ({fault.part})",
        "drive slow": f"pump driven {100.0 * (1.0 - DRIVE_LEFT):.0f} % too slowly",
        "valve at a tank shut": "excess-flow valve at a tank shut",
        "breakaway shut": "breakaway coupling shut",
        "bypass stuck open": "bypass stuck open: all the pump can move goes round",
    }[fault.name]


def _moved(group: tuple[Fault, ...], place: str, system: System) -> str:
    """Say how far a gauge moves over the rates and faults of a group."""
    turn = group[0].turn[place]
    if turn == "same":
        return "same"
    moves = np.concatenate([fault.change[place] for fault in group])
    known = moves[np.isfinite(moves)]
    boils = "" if known.size == moves.size else "boils" if not known.size else "; lowest rates boil"
    if not known.size:
        return f"{turn}, {boils}"
    ends = sorted((float(known.min()), float(known.max())), key=abs)
    first, last = (number(abs(end), "pressure", system, 0) for end in ends)
    return f"{turn} {first if first == last else f'{first} to {last}'}{boils}"


def _flow(group: tuple[Fault, ...]) -> str:
    least = min(float(fault.shown_flow.min()) for fault in group)
    most = max(float(fault.shown_flow.max()) for fault in group)
    if not group[0].short:
        return "holds"
    low, high = (f"{100.0 * max(0.0, -end):.0f}" for end in (most, least))
    if high == "0":
        return "under 1 % short"
    return f"{low if low == high else f'up to {high}' if low == '0' else f'{low} to {high}'} % short"


def fault_blocks(outcome: CardOutcome, system: System) -> list[Block]:
    """Say what each gauge does when something is wrong, and what to look at first.

    Parameters
    ----------
    outcome : CardOutcome
        The card.
    system : str
        ``"us"`` or ``"metric"``.
    """
    if not outcome.faults:
        return [Paragraph("No rate of this card surely keeps its liquid, so no gauge tells one fault from another.")]
    places = gauges_at_hand(outcome.solution.bar)
    rows = []
    for group in fault_groups(outcome.faults, places):
        known = sorted(group, key=lambda fault: _ORDER.index(fault.name))
        checks = list(dict.fromkeys(_CHECKS[fault.name] for fault in known))
        first = checks[0] if len(checks) == 1 else " ".join(f"{at}. {one}" for at, one in enumerate(checks, 1))
        moves = (_moved(group, place, system) for place in places)
        rows.append(("; or ".join(_name(fault, system) for fault in known), *moves, _flow(group), first))
    rates = (
        number_range(float(outcome.fault_rate.min()), float(outcome.fault_rate.max()), "nitrogen rate", system)
        + f" {unit_label('nitrogen rate', system)}"
    )
    middle = float(outcome.gauges.temperature[outcome.gauges.temperature.size // 2])
    caption = (
        f"Against the gauges above, {unit_label('pressure', system)}, at {rates} and "
        f"{said(middle, 'temperature', system)}, the controller holding its flow"
    )
    heads = ("what is wrong", *(PLACE_HEADS[place] for place in places), "flow shown", "look first, in this order")
    widths = (2.3, *(1.0 for _ in places), 0.8, 3.4)
    table = Table(caption, heads, tuple(rows), "<" * len(heads), widths)
    named = "" if outcome.solution.bar.gauges else " The bar file names no [[gauges]]: all four count as there."
    least = show(READABLE, "pressure", system, 0)
    note = (
        f"Faults that these gauges cannot tell apart stand in one row. Same: it moves by less than {least} at every "
        f"rate, which nobody reads off a gauge (common practice, no source).{named}"
    )
    return [table, Paragraph(note, "note")]


def _meter_block(outcome: CardOutcome, system: System) -> Block:
    """Pulses by weight at the coldest, middle and warmest liquid."""
    found = outcome.calibration
    if found is None:
        return Paragraph(
            "Meter: the bar file does not say how many pulses it gives, so no number to enter is told. It stands on "
            "the meter's tag or in the display's set-up; without it no rate on the display can be believed.",
            "warning",
        )
    us = system == "us"
    mass, unit, volume, label = (POUND, "lb", GALLON, "gallon") if us else (1.0, "kg", 1e-3, "liter")
    rows = tuple(
        (
            said(kelvin, "temperature", system),
            f"{float(ammonia) * mass:,.1f}",
            f"{float(nitrogen) * mass:,.1f}",
            f"{10.0 * float(nitrogen) * mass:,.0f}",
        )
        for kelvin, ammonia, nitrogen in zip(
            found.temperature.tolist(), found.per_ammonia.tolist(), found.per_nitrogen.tolist(), strict=True
        )
    )
    heads = ("liquid", f"{unit} NH3", f"{unit} N", f"10 {unit} N")
    caption = f"Meter: {found.per_volume * volume:,.6g} pulses per {label} at any temperature; pulses per"
    return Table(caption, heads, rows, ">>>>", (2.2, 2.2, 2.2, 2.2))


def _one_number(found: Calibration, outcome: CardOutcome, system: System) -> str:
    """Say what one calibration number all day costs."""
    reference = outcome.solution.bar.meter.reference_temperature
    mass, unit = (POUND, "lb") if system == "us" else (1.0, "kg")
    entered = f"{10.0 * found.entered * mass:,.0f} pulses per 10 {unit} N"
    errors = [
        f"{_percent(float(found.error[at]), 1)} at {said(float(found.temperature[at]), 'temperature', system)}"
        for at in dict.fromkeys((0, found.temperature.size - 1))
    ]
    costs = f"the ground gets {' and '.join(errors)} against the display"
    if reference is not None:
        held = said(reference, "temperature", system)
        return (
            f"The controller reckons with liquid at {held} ({entered}): {costs}. Speeds and gauges here allow for it."
        )
    if found.temperature.size == 1:
        return f"Enter {entered} where the controller does not follow the liquid's temperature."
    return f"One number all day, {entered}: {costs}, if the controller does not follow the liquid's temperature."


def _presets(outcome: CardOutcome, system: System) -> str:
    found = outcome.presets
    if not found.rate.size:
        return "Preset rates: none holds at the planned speed."
    unit = unit_label("nitrogen rate", system)
    rates = ", ".join(number(float(rate), "nitrogen rate", system) for rate in found.rate)
    if found.step is None:
        return f"Preset rates: {rates} {unit}. Steps up or down: none; the window is too near for one {unit}."
    step = number(found.step, "nitrogen rate", system)
    return f"Preset rates: {rates} {unit}; one step of {step} {unit} up or down stays in the window."


def _off_rate(outcome: CardOutcome, system: System) -> str:
    unit, scatter = unit_label("nitrogen rate", system), f"{100.0 * METER_SCATTER:.0f} %"
    held, alarms = outcome.speeds.held, outcome.alarms
    fits = np.isfinite(alarms)
    if not held.any():
        return "Off-rate alarm: no rate holds, so none can be set."
    beside = f"wider than the meter's own {scatter} (common practice, no source)"
    if not fits.any():
        return f"Off-rate alarm: none fits; the window leaves less than {2 * METER_SCATTER:.0%} beside every rate."
    share = f"{100.0 * float(alarms[fits].min()):.0f} %"
    close = outcome.speeds.rate[held & ~fits]
    text = f"Off-rate alarm: {share} of the rate, {beside} and inside the window"
    if not close.size:
        return f"{text}."
    if close.size > _MOST_NAMED:
        named = f"{close.size:,} of {count(int(held.sum()), 'rate')} that hold"
    else:
        rates = dict.fromkeys(number(float(rate), "nitrogen rate", system) for rate in close)
        named = f"{', '.join(rates)} {unit}"
    return f"{text}; but at {named} the window ends before it rings: watch the pressure there."


def _low_alarm(outcome: CardOutcome, system: System) -> str:
    """Say where to set the low-pressure alarm, and where it rings for nothing."""
    solution, found, place = outcome.solution, outcome.low_alarm, alarm_place(outcome.solution.bar)
    if found is None:
        return "Low-pressure alarm: no pressure up to the rated one keeps the warmest liquid from boiling."
    warm = said(solution.plan.temperature[1], "temperature", system)
    margin = show(solution.bar.limits.liquid_margin, "pressure", system, 0)
    value = found.at(place)
    at = number(value - solution.bar.air_pressure, "pressure", system, 0, "up")
    text = (
        f"Low-pressure alarm ({place}): {at} {unit_label('pressure', system)}, vapour pressure at {warm} and "
        f"{margin} of margin."
    )
    readings = {
        "manifold": outcome.gauges.manifold, "after valve": outcome.gauges.after_valve,
        "pump outlet": outcome.gauges.outlet,
    }[place]  # fmt: skip
    early = np.isfinite(readings[..., 0]) & (readings[..., 0] < value)
    if early.any():
        highest = float(outcome.gauges.rate[early.any(axis=0)].max())
        rates = show(highest, "nitrogen rate", system)
        text += f" It may ring with all in order up to {rates} while the liquid is colder."
    return text


def settings_blocks(outcome: CardOutcome, system: System) -> list[Block]:
    """Say what to enter and set.

    Parameters
    ----------
    outcome : CardOutcome
        The card.
    system : str
        ``"us"`` or ``"metric"``.
    """
    bar = outcome.solution.bar
    lines = [] if outcome.calibration is None else [_one_number(outcome.calibration, outcome, system)]
    lines += [_presets(outcome, system), _off_rate(outcome, system)]
    lines.append(_low_alarm(outcome, system))
    low, high = bar.rated_gauge
    rated = f"{number(low, 'pressure', system, 0, 'down')} {unit_label('pressure', system)}"
    what = "the rated pressure"
    if low < high:
        what = f"the low end of the rated pressure ({said_range(low, high, 'pressure', system, 0)})"
    unseen = "" if "pump outlet" in gauges_at_hand(bar) else " The bar file names no gauge there."
    lines.append(f"High-pressure alarm (pump outlet): {rated}, {what}.{unseen}")
    if bar.controller is not None:
        delay, constant = (said(one, "time", system) for one in (bar.controller.delay, bar.controller.time_constant))
        lines.append(f"Delay of the flow (sections and rate look ahead by it): {delay}; time constant {constant}.")
    return [_sections(outcome, system), _meter_block(outcome, system), BulletList(tuple(lines))]


def _sections(outcome: CardOutcome, system: System) -> Table:
    solution = outcome.solution
    sections = section_list(solution)
    alike = [[one] for one in sections]
    if len(sections) > _MOST_SECTIONS:
        alike = [list(run) for _, run in groupby(sections, lambda one: (one.rows, one.orifice))]
    rows = tuple(
        (
            run[0].name if len(run) == 1 else f"{run[0].name} to {run[-1].name}, each",
            str(run[0].rows),
            number(run[0].rows * solution.bar.row_spacing, "length", system),
            said(solution.bar.orifices[run[0].orifice].diameter, "small length", system),
        )
        for run in alike
    )
    heads = ("section", "rows", f"width {unit_label('length', system)}", "orifice")
    return Table("Sections, left to right", heads, rows, "<>>>", (2.6, 1.4, 2.0, 2.4))


def _orifice_line(outcome: CardOutcome, system: System) -> str:
    solution = outcome.solution
    bar, rows = solution.bar, solution.window.rows
    sizes = dict.fromkeys(bar.orifices[section.orifice].diameter for section in section_list(solution))
    named = " and ".join(said(size, "small length", system) for size in sizes)
    small, wider = min(sizes), 0.0254e-3 * 2.0 if system == "us" else 0.05e-3
    more = (1.0 + wider / small) ** 2 - 1.0
    others = f" and the others {_percent(1.0 / (rows - 1))}" if rows > 1 else ""
    where = f"all {rows} rows" if rows > 1 else "the row"
    return (
        f"Lines empty and bled: {where} with orifices of {named} as in the table, clean, none the wrong way round. "
        f"A hole {show(wider, 'small length', system)} too wide passes {_percent(more)}; a plugged row leaves its "
        f"strip bare{others}. What one the wrong way round costs the model cannot tell."
    )


def _suction_line(outcome: CardOutcome, system: System) -> str:
    cold = said(float(outcome.gauges.temperature[0]), "temperature", system)
    text = "No strainer or hose more in the suction than the bar file knows"
    spare = outcome.spare_suction
    if spare is None:
        return f"{text}. The bar file names no [suction], so what one costs is not known; cold liquid bears least."
    left = show(spare, "pressure", system)
    return f"{text}: at {cold} and the highest rate {left} more lost there and the pump moves vapour."


def before_list(outcome: CardOutcome, system: System) -> BulletList:
    """List what to see to before the first pass, in a safe order, each with what it costs if it is wrong.

    Parameters
    ----------
    outcome : CardOutcome
        The card.
    system : str
        ``"us"`` or ``"metric"``.
    """
    solution = outcome.solution
    bar, rows = solution.bar, solution.window.rows
    cold, warm = (pressure - bar.air_pressure for pressure in tank_pressures(solution))
    tank = f"{number_range(cold, warm, 'pressure', system, 0)} {unit_label('pressure', system)}"
    narrow = min((section.rows for section in section_list(solution)), default=1)
    unit = "lb" if system == "us" else "kg"
    lost = f" One section of {count(narrow, 'row')} left out of it: {_percent(-narrow / rows)}."
    return BulletList(
        (
            _orifice_line(outcome, system),
            _suction_line(outcome, system),
            "Both drive hoses of the pump where they belong. Exchanged, the pump adds nothing, and on the tank's own "
            "pressure no rate keeps its liquid.",
            f"Transmitter zeroed with the line bled and open to the air. Zeroed on a full line it reads {tank} low.",
            f"Sections and widths entered as in the table. One row too many: {_percent(1.0 / rows)} everywhere."
            f"{lost if len(solution.plan.sections) > 1 else ''}",
            f"Calibration in the controller's own unit. The number per {unit} N where it wants {unit} NH3: "
            f"{_percent(1.0 / bar.nitrogen_fraction - 1.0)} on the ground; the other way round "
            f"{_percent(bar.nitrogen_fraction - 1.0)}.",
            "All sections off and the pump stopped, everybody upwind; then couplings, then the tank valve, opened "
            "slowly and in full. Half open they cost what a strainer costs.",
            f"Sections still off, pump still stopped: every gauge comes to what the tank gauge reads, {tank}. One that "
            "does not is wrong, or a valve before it is shut.",
        ),
        ordered=True,
    )
