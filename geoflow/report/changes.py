"""The report on a rewritten field."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray
from geoflow.base.schema import VERDICTS
from geoflow.base.units import System, number, show, unit_label
from geoflow.decide.rewrite import REASONS, Rewriting
from geoflow.decide.vet import Vetting
from geoflow.report.basis import Origin, basis_section, caution_section, stamp
from geoflow.report.cautions import SHORT_CAUTION
from geoflow.report.day import Day, day_section
from geoflow.report.layout import count, span, verb, zone_names, zone_numbers
from geoflow.report.maps import Panel, field_map
from geoflow.report.model import Block, BulletList, Figure, Paragraph, Report, Section, Table, plain
from geoflow.report.rewriting import balance_text, money_lines, rewriting_answer
from geoflow.report.symbology import CHANGES, VERDICT_LOOKS
from geoflow.report.text import heading, left_out_text
from geoflow.report.vetted import MOST_ZONES, map_caption, verdict_table, window_section, zones_section
from geoflow.report.window_panels import Asked

if TYPE_CHECKING:
    from geoflow.outcomes import RewriteOutcome

__all__ = ["change_kinds", "rewritten_report"]


def _own_speed(done: Rewriting) -> BoolArray:
    return np.asarray(np.char.endswith(done.reason, "speed"))


def change_kinds(done: Rewriting) -> list[str]:
    """What became of each zone, as a key of `looks.CHANGES`; a raise is named before anything else but a failure."""
    choices = [done.left_failing, done.raised, done.rate_changed, _own_speed(done)]
    names = ["left failing", "raised", "lowered", "own speed"]
    kinds: list[str] = np.select(choices, names, "kept").tolist()
    return kinds


def _to_do(outcome: RewriteOutcome, day: Day, system: System) -> Section:
    done, prescription, solution = outcome.done, outcome.vetted.prescription, outcome.vetted.solution
    names = zone_numbers(prescription)
    blocks: list[Block] = [Paragraph(warning, "warning") for warning in solution.warnings()]
    raised = np.flatnonzero(done.raised)
    if raised.size:
        blocks.append(
            Paragraph(
                f"RAISED above the prescription: {zone_names([names[index] for index in raised])} "
                f"({show(float(prescription.area[raised].sum()), 'area', system)}). Check every one against the "
                "agronomist's ceiling, the label and local nitrogen rules before anything is applied; the table of "
                "changes lists them.",
                "warning",
            )
        )
    dropped = left_out_text(prescription)
    if dropped:
        said = f"{count(dropped, 'row')} of the file left out: the last part of this report says which and why."
        blocks.append(Paragraph(said, "warning"))
    if day.lost.size:
        said = (
            f"As a tank is drawn its liquid cools, and {count(day.lost.size, 'zone')} that "
            f"{verb(day.lost.size, 'holds', 'hold')} would no longer at its "
            "end: see loads and hours."
        )
        blocks.append(Paragraph(said, "warning"))
    steps = []
    left = np.flatnonzero(done.left_failing)
    if left.size:
        grouped: dict[str, list[str]] = {}
        for index in left.tolist():
            grouped.setdefault(REASONS[str(done.reason[index])], []).append(names[index])
        for reason, zones in grouped.items():
            said = zone_names(zones)
            does, them = ("does", "it as it is") if len(zones) == 1 else ("do", "them as they are")
            steps.append(f"{said[:1].upper()}{said[1:]} still {does} not hold ({reason}). Do not apply {them}.")
    if done.rate_changed.any() or _own_speed(done).any():
        steps.append(
            "This report changes no file. 'geoflow rewrite' with the same options writes the new prescription and, "
            "beside it, what changed and why; load that one, and let the agronomist see the changes first."
        )
    if _own_speed(done).any():
        steps.append(
            "Some zones have a speed of their own: the driver needs the table of changes in the cab, and the new map "
            "is vetted with --zone-speeds."
        )
    if not steps and not blocks:
        steps.append("Nothing had to be changed: the prescription can be used as it came.")
    if steps:
        blocks.append(BulletList(tuple(steps)))
    blocks.append(_nitrogen(outcome, system))
    return Section("answer", "What to do", tuple(blocks))


def _map_section(outcome: RewriteOutcome, system: System) -> Section:
    done, prescription = outcome.done, outcome.vetted.prescription
    labels = zone_numbers(prescription)
    before, after = done.verdict_before, done.verdict
    png, size = field_map(
        prescription.zones,
        [Panel("before", before.tolist()), Panel("after", after.tolist())],
        VERDICT_LOOKS,
        label=labels,
        system=system,
    )
    counts = "; ".join(
        f"{when}: " + ", ".join(f"{int((verdict == name).sum()):,} {name}" for name in VERDICTS)
        for when, verdict in (("before", before), ("after", after))
    )
    alt = f"Two maps of the field with every zone in the colour, pattern and letter of its verdict. {counts}."
    picture = Figure("map", png, size, alt, map_caption(prescription))
    return Section("map", "Map of the zones", (picture, verdict_table(done.after, prescription, after, system)))


def _drive(slow: float, fast: float, system: System) -> str:
    return number(slow, "speed", system) if slow == fast else span(slow, fast, "speed", system)


def _order(done: Rewriting, area: FloatArray) -> list[int]:
    """Zones that changed or still fail: failing first, then raised, then what moves most nitrogen."""
    touched = np.flatnonzero(done.rate_changed | _own_speed(done) | done.left_failing).tolist()
    moved = np.abs(done.after - done.before) * area
    return sorted(touched, key=lambda index: (not done.left_failing[index], not done.raised[index], -moved[index]))


def _changes_section(outcome: RewriteOutcome, system: System, most: int) -> Section:
    done, prescription = outcome.done, outcome.vetted.prescription
    area, names = prescription.area, zone_numbers(prescription)
    order = _order(done, area)
    # A raise is never left out, however long the list gets.
    shown = order[:most] + [index for index in order[most:] if done.raised[index] or done.left_failing[index]]
    if not order:
        return Section("changes", "Changes made", (Paragraph("None: nothing had to be changed."),))
    kinds = change_kinds(done)
    png, size = field_map(prescription.zones, [Panel("", kinds)], CHANGES, label=names, system=system)
    counts = ", ".join(f"{kinds.count(name):,} {look.word}" for name, look in CHANGES.items())
    blocks: list[Block] = [
        Figure("changes", png, size, f"Map of what became of each zone: {counts}.", "What became of each zone."),
    ]
    policy = str(outcome.extra.get("policy", ""))
    blocks += [Paragraph(plain(line), "warning") for line in balance_text(done, area, policy, system)[2:]]
    table = []
    for index in shown:
        change = float((done.after[index] - done.before[index]) * area[index])
        table.append(
            (
                names[index],
                number(float(done.before[index]), "nitrogen rate", system, 1),
                number(float(done.after[index]), "nitrogen rate", system, 1),
                number(float(area[index]), "area", system),
                ("+" if change > 0 else "") + number(change, "mass", system),
                _drive(float(done.speed_low[index]), float(done.speed_high[index]), system),
                f"{VERDICTS[str(done.verdict_before[index])].letter} to {VERDICTS[str(done.verdict[index])].letter}",
                ("RAISED: " if done.raised[index] else "") + REASONS[str(done.reason[index])],
            )
        )
    heads = (
        "zone",
        "before",
        "after",
        unit_label("area", system),
        f"{unit_label('mass', system)} N",
        f"drive {unit_label('speed', system)}",
        "verdict",
        "why",
    )
    rest = len(order) - len(shown)
    unit = unit_label("nitrogen rate", system)
    caption = f"Zones changed or still not holding, rates in {unit}" + (
        f": the first {len(shown):,} of {len(order):,}" if rest else f": all {len(order):,}"
    )
    widths = (0.7, 0.9, 0.9, 0.8, 0.9, 1.2, 0.9, 3.7)
    blocks.append(Table(caption, heads, tuple(table), "<>>>><<<", widths))
    if rest:
        blocks.append(
            Paragraph(
                f"Not listed: {count(rest, 'zone')} that changed less, none of them raised or failing. --all-zones "
                "lists every one."
            )
        )
    blocks += _short(outcome, system)
    blocks += [Paragraph(plain(line)) for line in money_lines(outcome.extra)]
    return Section("changes", "Changes made", tuple(blocks))


def _nitrogen(outcome: RewriteOutcome, system: System) -> Table:
    done, area = outcome.done, outcome.vetted.prescription.area
    moved = (done.after - done.before) * area
    rows = (
        ("before", number(done.nitrogen_before, "mass", system)),
        ("added by raises", number(float(moved[moved > 0].sum()), "mass", system)),
        ("taken", number(float(-moved[moved < 0].sum()), "mass", system)),
        ("after", number(done.nitrogen_after, "mass", system)),
    )
    policy = outcome.extra.get("policy", "")
    unit = unit_label("mass", system)
    return Table(f"Nitrogen of the field, policy {policy}", ("when", f"{unit} N"), rows, "<>", (3.0, 2.0))


def _short(outcome: RewriteOutcome, system: System) -> list[Block]:
    short = outcome.extra.get("short_zones")
    if not short:
        return []
    prescription = outcome.vetted.prescription
    names = dict(zip(prescription.row.tolist(), zone_numbers(prescription), strict=True))
    rows = [
        (
            names[entry["zone"]],
            show(entry["needed_ft"] * 0.3048, "length", system, 0),
            show(entry["shortest_ft"] * 0.3048, "length", system, 0),
            f"{100.0 * entry['share_off_rate']:.0f} %",
        )
        for entry in sorted(short, key=lambda one: -one["share_off_rate"])[:40]
    ]
    caption = (
        f"{count(len(short), 'zone')} crossed too fast for the controller to reach the rate, passes at "
        f"{outcome.extra['heading_deg']:.0f}°" + (", the worst 40" if len(short) > 40 else "")
    )
    heads = ("zone", "needs", "shortest run", "share of its run not at rate")
    return [Table(caption, heads, tuple(rows), "<>>>", (1.0, 1.5, 1.5, 3.0))]


def rewritten_report(
    outcome: RewriteOutcome, after: Vetting, day: Day, origin: Origin, system: System, most_zones: int = MOST_ZONES
) -> Report:
    """Say everything about a rewritten field.

    Parameters
    ----------
    outcome : RewriteOutcome
        From `rewrite_file`.
    after : Vetting
        Of the new rates at the speeds their zones are driven at.
    day : Day
        Hours and loads of the new prescription.
    origin : Origin
        Files, options, version and date.
    system : str
        ``"us"`` or ``"metric"``.
    most_zones : int
        How many zones the tables list; every raise and every zone left failing is listed besides.
    """
    vetted, done = outcome.vetted, outcome.done
    prescription, solution = vetted.prescription, vetted.solution
    asked = Asked(done.after, prescription.area, done.verdict, done.speed_low, done.speed_high)
    zones = zones_section(
        prescription, done.after, solution, after, system, most_zones, title="Zones after the change, worst first"
    )
    return Report(
        f"{plain(prescription.path.name)} rewritten for the bar {plain(solution.bar.name)}",
        f"Rewritten, {outcome.extra.get('policy', '')} · {plain(heading(solution, system, with_speed=True))}",
        rewriting_answer(done, prescription.area, system),
        (
            _to_do(outcome, day, system),
            _map_section(outcome, system),
            window_section(solution, after, asked, system),
            zones,
            _changes_section(outcome, system, most_zones),
            day_section(day, zone_numbers(prescription), system),
            caution_section(),
            basis_section(prescription, solution, origin, system),
        ),
        SHORT_CAUTION,
        stamp(origin),
    )
