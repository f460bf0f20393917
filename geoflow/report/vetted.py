"""The report on a vetted field, and the parts it shares with that on a rewritten one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.base.arrays import FloatArray, TextArray
from geoflow.base.said import said_range
from geoflow.base.schema import LIMITS, VERDICTS
from geoflow.base.units import System, number, show, unit_label
from geoflow.decide.gauges import expected_gauges, rows_at_map_rates
from geoflow.decide.settling import Settling
from geoflow.decide.vet import Solution, Vetting
from geoflow.report.basis import Origin, basis_section, caution_section, stamp
from geoflow.report.cautions import SHORT_CAUTION
from geoflow.report.cures import cure_texts
from geoflow.report.day import Day, day_section
from geoflow.report.doubt import doubt_text
from geoflow.report.gauges import gauge_rows, gauge_title, row_lines, tank_text
from geoflow.report.layout import count, span, within, zone_names, zone_numbers
from geoflow.report.maps import Panel, field_map
from geoflow.report.model import Block, BulletList, Figure, Paragraph, Report, Section, Table, plain
from geoflow.report.symbology import VERDICT_LOOKS
from geoflow.report.text import (
    heading,
    left_out_text,
    margin_text,
    meter_lines,
    temperature_line,
    trouble_order,
    verdict_answer,
)
from geoflow.report.window_panels import Asked, window_panels

if TYPE_CHECKING:
    from geoflow.outcomes import VetOutcome
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["MOST_ZONES", "map_caption", "verdict_table", "vetted_report", "window_section", "zones_section"]

MOST_ZONES: Final = 200
"""Zones a report lists before it keeps to the worst."""
_MOST_CURES: Final = 6


def _cures(outcome: VetOutcome, verdict: str, system: System) -> list[str]:
    """One line for each cure that zones of a verdict share, the most area first."""
    prescription, vetting = outcome.prescription, outcome.vetting
    chosen = np.flatnonzero(vetting.verdict == verdict)
    if not chosen.size:
        return []
    grouped: dict[tuple[str, str, str], list[int]] = {}
    texts = cure_texts(chosen, outcome.rate, outcome.solution, vetting, system)
    for index, cure in zip(chosen.tolist(), texts, strict=True):
        key = (cure, str(vetting.side[index]), str(vetting.limited_by[index]))
        grouped.setdefault(key, []).append(index)
    area = {key: float(prescription.area[members].sum()) for key, members in grouped.items()}
    lines, names = [], zone_numbers(prescription)
    for key in sorted(grouped, key=lambda one: -area[one])[:_MOST_CURES]:
        cure, side, limit = key
        some = zone_names([names[index] for index in grouped[key]])
        start = some[:1].upper() + some[1:]
        lines.append(f"{start} ({show(area[key], 'area', system)}; flow too {side}, {limit}): {cure}")
    if len(grouped) > _MOST_CURES:
        lines.append(f"{count(len(grouped) - _MOST_CURES, 'more group')} of such zones: see the table of zones.")
    return lines


def _to_do(outcome: VetOutcome, doubt: Settling | None, dropped: int, system: System) -> Section:
    solution, vetting = outcome.solution, outcome.vetting
    blocks: list[Block] = [Paragraph(warning, "warning") for warning in solution.warnings()]
    if dropped:
        said = f"{count(dropped, 'row')} of the file left out: the last part of this report says which and why."
        blocks.append(Paragraph(said, "warning"))
    fails, doubtful = _cures(outcome, "fails", system), _cures(outcome, "doubtful", system)
    if solution.hopeless or not (vetting.verdict != "off").any():
        pass
    elif not fails and not doubtful:
        blocks.append(
            Paragraph(
                f"Keep the liquid at {said_range(*solution.plan.temperature, 'temperature', system)} and drive "
                f"{said_range(*solution.plan.speed, 'speed', system)}: nothing has to be changed."
            )
        )
    if fails:
        blocks += [Paragraph("Do not apply the zones that fail as they are. Each cure is for these zones alone:")]
        blocks += [BulletList(tuple(fails))]
    if doubtful:
        said = "" if doubt is None else f" {doubt_text(doubt, system)}"
        blocks += [
            Paragraph(f"Doubtful zones cannot be settled with what the bar file says.{said}"),
            BulletList(tuple(doubtful)),
        ]
    if fails or doubtful:
        blocks.append(
            Paragraph(
                "'geoflow plan' looks for better speeds and orifices; 'geoflow rewrite' changes only the rates this "
                "bar cannot deliver."
            )
        )
    for line in temperature_line(vetting, solution, system):
        text = plain(line)
        blocks.append(Paragraph(text.removeprefix("! "), "warning" if text.startswith("! ") else "plain"))
    blocks.append(verdict_table(outcome.rate, outcome.prescription, vetting.verdict, system))
    return Section("answer", "What to do", tuple(blocks))


def map_caption(prescription: Prescription) -> str:
    """What the letters and numbers on a map mean."""
    lon, lat = prescription.centre
    place = f"{abs(lat):.4f}° {'N' if lat >= 0 else 'S'}, {abs(lon):.4f}° {'E' if lon >= 0 else 'W'}"
    return (
        f"{plain(prescription.path.name)}, centre {place}. North is up. Letter and zone number stand in zones with "
        "room for them; a zone's number is its row in the file, counted from 1."
    )


def _map_section(outcome: VetOutcome, system: System) -> Section:
    prescription, verdict = outcome.prescription, outcome.vetting.verdict
    labels = zone_numbers(prescription)
    png, size = field_map(prescription.zones, [Panel("", verdict.tolist())], VERDICT_LOOKS, label=labels, system=system)
    counts = ", ".join(f"{int((verdict == name).sum()):,} {name}" for name in VERDICTS)
    alt = f"Map of the field with every zone in the colour, pattern and letter of its verdict: {counts}."
    return Section(
        "map",
        "Map of the zones",
        (Figure("map", png, size, alt, map_caption(prescription)),),
    )


def verdict_table(rate: FloatArray, prescription: Prescription, verdict: TextArray, system: System) -> Table:
    """Zones, area and nitrogen by verdict, and what each verdict means."""
    rows = []
    for name, known in VERDICTS.items():
        chosen = verdict == name
        rows.append(
            (
                f"{known.letter} {name}",
                f"{int(chosen.sum()):,}",
                number(float(prescription.area[chosen].sum()), "area", system),
                number(float((rate * prescription.area)[chosen].sum()), "mass", system),
                known.meaning,
            )
        )
    rows.append(
        (
            "all",
            f"{len(rate):,}",
            number(float(prescription.area.sum()), "area", system),
            number(float((rate * prescription.area).sum()), "mass", system),
            "",
        )
    )
    heads = ("verdict", "zones", unit_label("area", system), unit_label("mass", system) + " N", "meaning")
    return Table("Zones by verdict", heads, tuple(rows), "<>>><", (1.4, 0.8, 1.0, 1.2, 5.6))


def _gauges(solution: Solution, rate: FloatArray, area: FloatArray, vetting: Vetting, system: System) -> list[Block]:
    """What the gauges should read at the map's rates, and how the rows share them."""
    found = expected_gauges(rate, area, solution, vetting)
    blocks: list[Block] = []
    if len(found.rate):
        heads, *rows = gauge_rows(found, solution, system)
        align = "<" + ">" * (len(heads) - 2) + "<"
        widths = (1.2, *(2.2 for _ in heads[1:-1]), 3.6)
        heads[-1] = "verdict, where it does not hold"
        blocks.append(Table(gauge_title(found), tuple(heads), tuple(map(tuple, rows)), align, widths))
    blocks.append(Paragraph(tank_text(solution, system)))
    uneven = row_lines(rows_at_map_rates(solution, rate, area, vetting), solution)
    if uneven:
        said = "; ".join(f"{name} {off}" for name, _, off in uneven)
        blocks.append(Paragraph(f"Rows do not get the same, against the mean row: {plain(said)}."))
    return blocks


def window_section(solution: Solution, vetting: Vetting, asked: Asked, system: System) -> Section:
    """The window in a picture and in numbers, and what limits each end."""
    png, size = window_panels(solution, asked, system)
    sure, hoped = solution.rate_bounds(solution.certain), solution.rate_bounds(solution.possible)
    rates = [within(low, high, "nitrogen rate", system) for low, high in (sure, hoped)]
    flows = []
    for certain in (True, False):
        bounds = solution.window.over_plan(certain=certain, commanded=False)
        flows.append("none" if bounds.empty else within(bounds.low, bounds.high, "ammonia flow", system))
    plan = solution.plan
    when = (
        f"{said_range(*plan.speed, 'speed', system)} and liquid at "
        f"{said_range(*plan.temperature, 'temperature', system)}"
    )
    alt = (
        f"Rates the bar can deliver against liquid temperature and against ground speed. Over the plan, {when}, the "
        f"certain window is {rates[0]} and the possible window {rates[1]}."
    )
    caption = (
        "The plan is the box. Where it lies inside the certain window in both charts every zone holds. Left: each "
        "temperature at all planned speeds. Middle: each speed at all planned temperatures. Right: how much asks for "
        "each rate. Words on the edges name the limit that ends the certain window."
    )
    if not (np.isclose(asked.slow, solution.plan.speed[0]) & np.isclose(asked.fast, solution.plan.speed[1])).all():
        caption += " Dots are zones with a speed of their own; they are left out on the left."
    rows = (("nitrogen rate", *rates), ("flow of all rows in use", *flows))
    blocks: list[Block] = [
        Figure("window", png, size, alt, caption),
        Table(
            f"The window over the plan: {when}", ("over the plan", "certain", "possible"), rows, "<<<", (3.0, 3.5, 3.5)
        ),
    ]
    if sure[0] > sure[1] and not solution.certain.empty:
        blocks.append(Paragraph("No single rate holds over the whole range of speeds: plan a narrower one."))
    ends = (("low", solution.certain.low_limit), ("high", solution.certain.high_limit))
    blocks.append(
        BulletList(tuple(f"{end} end: {name}. {LIMITS[name].meaning} {LIMITS[name].remedy}" for end, name in ends))
    )
    blocks += [Paragraph(plain(line)) for line in meter_lines(solution)]
    return Section(
        "window",
        "The window, and the plan in it",
        (*blocks, *_gauges(solution, asked.rate, asked.area, vetting, system)),
    )


def zones_section(
    prescription: Prescription,
    rate: FloatArray,
    solution: Solution,
    vetting: Vetting,
    system: System,
    most: int,
    *,
    title: str = "Zones, worst first",
) -> Section:
    """Every zone up to a limit, by trouble; beyond it the worst, and a count of the rest.

    Parameters
    ----------
    prescription : Prescription
        As read.
    rate : ndarray, shape (zones,)
        Nitrogen rate [kg/m2].
    solution, vetting
        What the verdicts come from.
    system : str
        ``"us"`` or ``"metric"``.
    most : int
        How many zones to list.
    title : str
        Of the part.
    """
    order = trouble_order(solution, vetting, prescription.area)
    off = np.flatnonzero(vetting.verdict == "off").tolist()
    shown, rest = (order + off)[:most], (order + off)[most:]
    cures = cure_texts(np.array(shown, dtype=np.int64), rate, solution, vetting, system) if shown else []
    rows: list[tuple[str, ...]] = []
    names = zone_numbers(prescription)
    for index, cure in zip(shown, cures, strict=True):
        limit, name = str(vetting.limited_by[index]), str(vetting.verdict[index])
        rows.append(
            (
                names[index],
                number(float(rate[index]), "nitrogen rate", system),
                number(float(prescription.area[index]), "area", system),
                f"{VERDICTS[name].letter} {name}",
                f"{limit} (flow too {vetting.side[index]})" if limit else "",
                ""
                if name == "off"
                else span(float(vetting.speed_low[index]), float(vetting.speed_high[index]), "speed", system),
                "" if np.isnan(vetting.margin[index]) else margin_text(index, vetting, system),
                cure,
            )
        )
    heads: tuple[str, ...] = (
        "zone",
        unit_label("nitrogen rate", system),
        unit_label("area", system),
        "verdict",
        "limit",
        f"holds at {unit_label('speed', system)}",
        f"margin {unit_label('pressure', system)}",
        "what would make it hold",
    )
    some = f"{count(len(order) + len(off), 'zone')}, worst first"
    caption = (
        f"All {some}"
        if not rest and len(rows) != 1
        else "The one zone"
        if not rest
        else f"The first {len(shown):,} of {some}"
    )
    widths: tuple[float, ...] = (0.65, 0.8, 0.75, 1.15, 1.35, 1.1, 0.85, 3.35)
    align = "<>><<<><"
    if not any(row[4] or row[7] for row in rows):  # nothing limits and nothing has to be cured
        kept = (0, 1, 2, 3, 5, 6)
        heads, widths = tuple(heads[at] for at in kept), (1.0, 1.2, 1.0, 1.5, 1.6, 1.4)
        rows, align = [tuple(row[at] for at in kept) for row in rows], "<>><<>"
    blocks: list[Block] = [Table(caption, heads, tuple(rows), align, widths)]
    if rest:
        verdict = vetting.verdict[rest]
        left = ", ".join(f"{int((verdict == name).sum()):,} {name}" for name in VERDICTS if (verdict == name).any())
        blocks.append(
            Paragraph(
                f"Not listed: {count(len(rest), 'zone')} further from trouble ({left}; "
                f"{show(float(prescription.area[rest].sum()), 'area', system)}). --all-zones lists every one; the map "
                "layer that 'geoflow vet --out' writes holds them all."
            )
        )
    blocks.append(
        Paragraph(
            "Margin: least pressure above the vapour pressure over the plan, at the worse end of what is not known. A "
            "rate is that of nitrogen; a raise is the agronomist's decision.",
            "note",
        )
    )
    return Section("zones", title, tuple(blocks))


def vetted_report(
    outcome: VetOutcome,
    speeds: tuple[FloatArray, FloatArray],
    day: Day,
    doubt: Settling | None,
    origin: Origin,
    system: System,
    most_zones: int = MOST_ZONES,
) -> Report:
    """Say everything about a vetted field.

    Parameters
    ----------
    outcome : VetOutcome
        From `vet_file`.
    speeds : tuple of ndarray, shape (zones,)
        Slowest and fastest speed of each zone [m/s].
    day : Day
        Hours and loads at these speeds.
    doubt : Settling or None
        What would settle doubtful zones, where there are any.
    origin : Origin
        Files, options, version and date.
    system : str
        ``"us"`` or ``"metric"``.
    most_zones : int
        How many zones the table lists.
    """
    prescription, solution, vetting = outcome.prescription, outcome.solution, outcome.vetting
    asked = Asked(outcome.rate, prescription.area, vetting.verdict, *speeds)
    # The first sentence is the answer; what was left out of the file stands right below it.
    warned, dropped = bool(solution.warnings()), left_out_text(prescription)
    answer = plain(verdict_answer(prescription.area, vetting.verdict, system, warned, 0))
    return Report(
        f"{plain(prescription.path.name)} with the bar {plain(solution.bar.name)}",
        f"Vetted · {plain(heading(solution, system, with_speed=True))}",
        answer,
        (
            _to_do(outcome, doubt, dropped, system),
            _map_section(outcome, system),
            window_section(solution, vetting, asked, system),
            zones_section(prescription, outcome.rate, solution, vetting, system, most_zones),
            Section(
                "changes", "Changes made", (Paragraph("None: this report only judges the prescription as it came."),)
            ),
            day_section(day, zone_numbers(prescription), system),
            caution_section(),
            basis_section(prescription, solution, origin, system),
        ),
        SHORT_CAUTION,
        stamp(origin),
    )
