"""What the commands print: short tables a tired person can act on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.base.arrays import FloatArray, TextArray
from geoflow.base.said import said_range
from geoflow.base.schema import LIMITS, VERDICTS
from geoflow.base.units import KINDS, System, from_si, number, show, to_si, unit_label
from geoflow.decide.gauges import expected_gauges, rows_at_map_rates
from geoflow.decide.settling import Settling
from geoflow.decide.vet import Solution, Vetting
from geoflow.hydraulics.window import Bounds
from geoflow.layers.notes import rows_text
from geoflow.physics.tanks import drawn_temperature
from geoflow.report.cautions import CAUTIONS
from geoflow.report.cures import cure_texts
from geoflow.report.doubt import doubt_text, no_window_text
from geoflow.report.gauges import end_rows, gauge_rows, gauge_title, row_lines, tank_text
from geoflow.report.layout import count, span, table, verb, wrap, zone_names, zone_numbers

if TYPE_CHECKING:
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = [
    "heading",
    "held_text",
    "left_out_text",
    "margin_text",
    "meter_lines",
    "reading_lines",
    "temperature_line",
    "trouble_order",
    "verdict_answer",
    "vet_text",
    "warning_lines",
    "window_text",
]

_MOST_ZONES: Final = 15
_HEEL: Final = 0.05


def _bounds_span(bounds: Bounds, system: System) -> str:
    return "none" if bounds.empty else span(bounds.low, bounds.high, "ammonia flow", system)


def _window_lines(solution: Solution, system: System, *, with_speed: bool) -> list[str]:
    certain = solution.window.over_plan(certain=True, commanded=False)
    possible = solution.window.over_plan(certain=False, commanded=False)
    rows = [["", "certain", "possible", ""]]
    rows.append(
        [
            "all rows in use",
            _bounds_span(certain, system),
            _bounds_span(possible, system),
            unit_label("ammonia flow", system),
        ]
    )
    if with_speed:
        sure, hoped = solution.rate_bounds(solution.certain), solution.rate_bounds(solution.possible)
        rows.append(
            [
                f"rate at {said_range(*solution.plan.speed, 'speed', system)}",
                span(*sure, "nitrogen rate", system),
                span(*hoped, "nitrogen rate", system),
                unit_label("nitrogen rate", system),
            ]
        )
    lines = [table(rows, "<<<<")]
    low, high = solution.rate_bounds(solution.certain)
    if with_speed and low > high and not certain.empty:
        lines.append(wrap("No single rate holds over the whole range of speeds: plan a narrower one."))
    if certain.empty and not solution.hopeless:
        lines.append(wrap(no_window_text(solution, system)))
    for end, name in (("low", solution.certain.low_limit), ("high", solution.certain.high_limit)):
        lines.append(wrap(f"{end} end: {name}. {LIMITS[name].meaning}", hang="    "))
    return lines


def _speed_lines(solution: Solution, system: System) -> list[str]:
    """Rates that certainly hold at a few speeds between the allowed ones."""
    bar, window = solution.bar, solution.window
    slowest, fastest = bar.limits.speed
    rows = [["speed " + unit_label("speed", system), "certain " + unit_label("nitrogen rate", system), "possible"]]
    unit = KINDS["speed"].us if system == "us" else KINDS["speed"].metric
    # Speeds that print as they are.
    shown = np.unique(np.round(from_si(np.linspace(slowest, fastest, 5), "speed", unit), 1))
    for speed in to_si(shown, "speed", unit).tolist():
        spans = []
        for bounds in (solution.certain, solution.possible):
            share = bar.nitrogen_fraction / (window.width * speed)
            spans.append(span(bounds.low * share, bounds.high * share, "nitrogen rate", system))
        rows.append([number(float(speed), "speed", system), *spans])
    return ["Rates at single speeds", table(rows, "<<<")]


def _gauge_lines(
    solution: Solution,
    system: System,
    rate: FloatArray | None = None,
    area: FloatArray | None = None,
    vetting: Vetting | None = None,
) -> list[str]:
    """What the gauges should read at the map's rates, or at the ends of the window where there is no map."""
    if rate is None or area is None or vetting is None:
        rows, title = end_rows(solution, system), "At the gauges"
    else:
        found = expected_gauges(rate, area, solution, vetting)
        rows, title = gauge_rows(found, solution, system), gauge_title(found)
    lines = [wrap(title, indent="")]
    if len(rows) > 1:
        lines.append(table(rows, "<" + ">" * (len(rows[0]) - 2) + ("<" if rows[0][-1] == "" else ">")))
    lines.append(wrap(tank_text(solution, system)))
    uneven = row_lines(rows_at_map_rates(solution, rate, area, vetting), solution)
    if uneven:
        lines.append(wrap("Rows do not get the same, against the mean row: that is the orifices and feeds."))
        lines.append(table(uneven, "<<>", "    "))
    return lines


def meter_lines(solution: Solution) -> list[str]:
    """Say by how much a meter without temperature correction is off; nothing where it is not."""
    low, high = (100.0 * (float(end(solution.window.delivered_ratio)) - 1.0) for end in (np.min, np.max))
    if max(abs(low), abs(high)) < 0.05:
        return []
    much = f"{low:+.1f} %" if f"{low:.1f}" == f"{high:.1f}" else f"{low:+.1f} to {high:+.1f} %"
    return [
        wrap(
            f"The meter counts at one fixed density: over this plan the field really gets {much} "
            "against the display. The verdicts allow for it."
        )
    ]


def heading(solution: Solution, system: System, *, with_speed: bool) -> str:
    """One line with the bar and the plan."""
    bar, plan, window = solution.bar, solution.plan, solution.window
    parts = [f"{bar.name}: {window.rows} rows, {show(window.width, 'length', system)}"]
    if len(plan.sections) < len(bar.sections):
        parts.append("only " + ", ".join(bar.sections[index].name for index in plan.sections))
    parts.append(f"liquid {said_range(*plan.temperature, 'temperature', system)}")
    if with_speed:
        parts.append(said_range(*plan.speed, "speed", system))
    return " · ".join(parts)


def warning_lines(solution: Solution, *, with_speed: bool = True) -> list[str]:
    """What about the plan itself has to be seen first."""
    return [wrap("! " + warning, indent="", hang="  ") for warning in solution.warnings(with_speed=with_speed)]


def window_text(solution: Solution, system: System, *, with_speed: bool) -> str:
    """Say the window in words and numbers."""
    blocks = [
        warning_lines(solution, with_speed=with_speed),
        [heading(solution, system, with_speed=with_speed)],
        ["Flow window", *_window_lines(solution, system, with_speed=with_speed)],
        [] if with_speed else _speed_lines(solution, system),
        _gauge_lines(solution, system),
        meter_lines(solution),
        [wrap(CAUTIONS, indent="")],
    ]
    return "\n\n".join("\n".join(block) for block in blocks if block)


def _counts(rate: FloatArray, area: FloatArray, verdict: TextArray, system: System) -> str:
    rows = [["", "zones", unit_label("area", system), unit_label("mass", system) + " N"]]
    meanings = []
    for name, known in VERDICTS.items():
        chosen = verdict == name
        if not chosen.any():
            continue
        rows.append(
            [
                f"{known.letter} {name}",
                f"{int(chosen.sum()):,}",
                number(float(area[chosen].sum()), "area", system),
                number(float((rate * area)[chosen].sum()), "mass", system),
            ]
        )
        meanings.append(wrap(f"{known.letter}: {known.meaning}", hang="     "))
    return "\n".join([table(rows, "<>>>"), *meanings])


def verdict_answer(area: FloatArray, verdict: TextArray, system: System, warned: bool, dropped: int) -> str:
    """Say in one sentence how many zones hold."""
    left_out = f" {count(dropped, 'row')} of the file left out, see below." if dropped else ""
    asked = verdict != "off"
    total = int(asked.sum())
    if total == 0:
        return "Every zone asks for zero: there is nothing to deliver."
    good = verdict == "holds"
    acres = f"{number(float(area[good].sum()), 'area', system)} of {show(float(area[asked].sum()), 'area', system)}"
    if int(good.sum()) == total and warned:
        return f"As to flow and pressure {count(total, 'zone')} would hold, but see the warning.{left_out}"
    if int(good.sum()) == total:
        who = "The one zone holds" if total == 1 else f"All {total:,} zones hold"
        return f"{who} ({acres}): this bar can deliver the map as planned.{left_out}"
    return f"{held_text(verdict, acres)}.{left_out}"


def held_text(verdict: TextArray, acres: str) -> str:
    """Count zones by verdict: how many hold, on how many acres as said, are doubtful and fail."""
    held, doubtful, fails = (int((verdict == name).sum()) for name in ("holds", "doubtful", "fails"))
    asked, holds, fail = held + doubtful + fails, verb(held, "holds", "hold"), verb(fails, "fails", "fail")
    return f"{held:,} of {count(asked, 'zone')} {holds} ({acres}); {doubtful:,} doubtful, {fails:,} {fail}"


def left_out_text(prescription: Prescription) -> int:
    """Rows left out for another cause than repeating one that is there."""
    return sum(len(rows) for rows in prescription.dropped.values()) - len(prescription.repeats)


def trouble_order(solution: Solution, vetting: Vetting, area: FloatArray) -> list[int]:
    """Zones by verdict, and within one by how far they are from the certain window, larger ones first."""
    rank = {"fails": 0, "doubtful": 1, "holds": 2, "off": 3}
    with np.errstate(divide="ignore", invalid="ignore"):
        spare = np.minimum(vetting.flow_low / solution.certain.low, solution.certain.high / vetting.flow_high)
    spare = np.nan_to_num(np.round(spare, 6), nan=0.0)
    order = sorted(range(len(area)), key=lambda at: (rank[str(vetting.verdict[at])], spare[at], -area[at]))
    return [index for index in order if vetting.verdict[index] != "off"]


def margin_text(index: int, vetting: Vetting, system: System) -> str:
    """Say a zone's least liquid margin, at the worse end of what is not known; a word where it is below zero."""
    if not vetting.margin[index] < 0.0:
        return number(float(vetting.margin[index]), "pressure", system, 0)
    sure = vetting.verdict[index] == "fails" and vetting.expected_margin[index] < 0.0
    return "boils" if sure else "may boil"


def _zone_lines(
    prescription: Prescription, rate: FloatArray, solution: Solution, vetting: Vetting, system: System, most: int
) -> list[str]:
    order, names = trouble_order(solution, vetting, prescription.area), zone_numbers(prescription)
    if not order:
        return []
    shown = order[:most]
    cures = cure_texts(np.array(shown), rate, solution, vetting, system)
    rows = [
        [
            "zone",
            unit_label("nitrogen rate", system),
            unit_label("area", system),
            "verdict",
            "limit",
            f"holds at {unit_label('speed', system)}",
            f"least margin {unit_label('pressure', system)}",
        ]
    ]
    for index in shown:
        limit = vetting.limited_by[index]
        rows.append(
            [
                names[index],
                number(float(rate[index]), "nitrogen rate", system),
                number(float(prescription.area[index]), "area", system),
                f"{VERDICTS[str(vetting.verdict[index])].letter} {vetting.verdict[index]}",
                f"{limit} (flow too {vetting.side[index]})" if limit else "",
                span(float(vetting.speed_low[index]), float(vetting.speed_high[index]), "speed", system),
                margin_text(index, vetting, system),
            ]
        )
    lines = [
        "Zones, worst first"
        if len(shown) == len(order)
        else f"The {len(shown)} zones of {len(order):,} that are worst, or nearest a limit"
    ]
    lines.append(table(rows, "<>><<<>"))
    advised = [(index, cure) for index, cure in zip(shown, cures, strict=True) if cure]
    if advised:
        lines += ["", "What would cure them (each cure for that zone alone)"]
        grouped: dict[str, list[str]] = {}
        for index, cure in advised:
            grouped.setdefault(cure, []).append(names[index])
        for cure, zones in grouped.items():
            lines.append(wrap(f"{zone_names(zones, len(zones))}: {cure}", hang="    "))
    return lines


def temperature_line(vetting: Vetting, solution: Solution, system: System) -> list[str]:
    """Say between which liquid temperatures the verdicts that are good now stay good."""
    good = vetting.verdict == "holds"
    if not good.any():
        return []
    low, high = float(vetting.temperature_low[good].max()), float(vetting.temperature_high[good].min())
    coldest, warmest = solution.search.temperature[[0, -1]]
    ends, label = [], unit_label("temperature", system)
    cooling = _cooling_lines(vetting, solution, system)
    if low > coldest + 0.1:
        ends.append(f"colder than {number(low, 'temperature', system, None, 'up')} {label}")
    if high < warmest - 0.1:
        ends.append(f"warmer than {number(high, 'temperature', system, None, 'down')} {label}")
    if not ends:
        return [*cooling, "The zones that hold keep holding at every liquid temperature searched."]
    return [*cooling, f"The zones that hold keep holding until the liquid is {' or '.join(ends)}."]


def _cooling_lines(vetting: Vetting, solution: Solution, system: System) -> list[str]:
    """Say what the cooling of a tank while it is drawn does to zones that hold."""
    tank = solution.bar.tank
    if tank is None:
        return []
    cold = float(drawn_temperature(solution.plan.temperature[0], tank.fill, _HEEL))
    lost = int(((vetting.verdict == "holds") & (vetting.temperature_low > cold)).sum())
    if not lost:
        return []
    label = f"{number(cold, 'temperature', system, None, 'down')} {unit_label('temperature', system)}"
    return [
        wrap(
            f"! A tank cools while it is drawn, to about {label} at {100 * _HEEL:.0f} % full. Down there "
            f"{count(lost, 'zone')} of those that hold would no longer: plan with a --temperature range from {label}.",
            indent="",
            hang="  ",
        )
    ]


def reading_lines(prescription: Prescription, system: System) -> list[str]:
    """What was read, what was left out and why, and what looked odd."""
    lon, lat = prescription.centre
    place = f"{abs(lat):.3f}° {'N' if lat >= 0 else 'S'}, {abs(lon):.3f}° {'E' if lon >= 0 else 'W'}"
    lines = [
        wrap(
            f"{prescription.path.name}: {count(prescription.rows_read, 'row')} read, "
            f"{count(len(prescription.row), 'zone')}, "
            f"{show(float(prescription.area.sum()), 'area', system)}, column '{prescription.rate_column}' in "
            f"{prescription.rate_unit.text}, centre {place}",
            indent="",
            hang="  ",
        )
    ]
    for cause, rows in prescription.dropped.items():
        lines.append(wrap(f"! {len(rows):,} left out: {cause} ({rows_text(rows)})", hang="    "))
    lines += [wrap(f"- {fact.text}", hang="    ") for fact in prescription.facts if fact.kind != "middle"]
    return lines


def vet_text(
    prescription: Prescription,
    rate: FloatArray,
    solution: Solution,
    vetting: Vetting,
    doubt: Settling | None,
    system: System,
    *,
    most_zones: int | None = None,
) -> str:
    """Say the vetting in words and numbers.

    Parameters
    ----------
    prescription : Prescription
        As read.
    rate : ndarray
        Nitrogen rate of each zone [kg/m2].
    solution, vetting
        From `vet.solve` and `vet.vet`.
    doubt : Settling or None
        From `settling.settling`, where zones are doubtful.
    system : str
        ``"us"`` or ``"metric"``.
    most_zones : int, optional
        How many zones to list.
    """
    most = _MOST_ZONES if most_zones is None else most_zones
    blocks = [
        [
            verdict_answer(
                prescription.area, vetting.verdict, system, bool(solution.warnings()), left_out_text(prescription)
            )
        ],
        warning_lines(solution),
        reading_lines(prescription, system),
        [heading(solution, system, with_speed=True), *_window_lines(solution, system, with_speed=True)],
        [
            "Verdicts",
            _counts(rate, prescription.area, vetting.verdict, system),
            *([] if doubt is None else [wrap(doubt_text(doubt, system))]),
        ],
        _zone_lines(prescription, rate, solution, vetting, system, most),
        [*temperature_line(vetting, solution, system), *meter_lines(solution)],
        _gauge_lines(solution, system, rate, prescription.area, vetting),
        [wrap(CAUTIONS, indent="")],
    ]
    return "\n\n".join("\n".join(block) for block in blocks if block)
