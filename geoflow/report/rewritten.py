"""A rewritten field in words."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray
from geoflow.base.counted import count, verb
from geoflow.base.schema import VERDICTS
from geoflow.base.units import System, number, show, unit_label
from geoflow.decide.rewrite import REASONS, Rewriting
from geoflow.report.basis import stamp
from geoflow.report.canvas import Picture
from geoflow.report.cautions import SHORT_CAUTION
from geoflow.report.day import lost_at_the_end
from geoflow.report.flashing import assumption_blocks
from geoflow.report.layout import span, verdicts_text, zone_names
from geoflow.report.maps import Panel, field_map
from geoflow.report.model import PRINTED, SCREEN, Block, BulletList, Figure, Paragraph, Report, Section, Table
from geoflow.report.reading import left_out_warning
from geoflow.report.rewritten_words import off_values_blocks, raised_blocks, total_blocks
from geoflow.report.symbology import CHANGES, VERDICT_SYMBOLS
from geoflow.report.vetted import (
    MOST_ZONES,
    Printed,
    last_sections,
    map_caption,
    window_figure,
    window_section,
)
from geoflow.report.window import heading, plan_warnings, window_table
from geoflow.report.window_panels import PlannedRates
from geoflow.report.zones import verdict_table, zones_section

if TYPE_CHECKING:
    from collections.abc import Sequence

    from geoflow.decide.field_day import Day
    from geoflow.outcomes import RewriteOutcome

__all__ = ["change_kinds", "change_map", "rewriting_answer", "rewritten_report"]

_MOST_SHOWN: Final = 20
_MOST_SHORT: Final = 40


def _own_speed(done: Rewriting) -> BoolArray:
    return np.asarray(np.char.endswith(done.reason, "speed"))


def change_kinds(done: Rewriting) -> list[str]:
    """What became of each zone, a key of `symbology.CHANGES`; a raise is named before anything else but a failure.

    Parameters
    ----------
    done : Rewriting
        The new rates.
    """
    choices = [done.left_failing, done.raised, done.rate_changed, _own_speed(done)]
    names = ["left failing", "raised", "lowered", "own speed"]
    kinds: list[str] = np.select(choices, names, "kept").tolist()
    return kinds


def rewriting_answer(done: Rewriting, area: FloatArray, system: System) -> str:
    """Say in one sentence what the rewriting did.

    Parameters
    ----------
    done : Rewriting
        The new rates.
    area : ndarray, shape (zones,)
        [m2]
    system : str
        ``"us"`` or ``"metric"``.
    """
    asked = done.before > 0.0
    if not asked.any():
        return "Every zone asks for zero: there is nothing to rewrite."
    holds, left = int((done.verdict[asked] == "holds").sum()), int(done.left_failing.sum())
    changed, raised = int(done.rate_changed.sum()), int(done.raised.sum())
    own = int(np.char.endswith(done.reason, "speed").sum())

    def acres(chosen: BoolArray) -> str:
        return show(float(area[chosen].sum()), "area", system)

    words = f"{holds:,} of {count(int(asked.sum()), 'zone')} now {'holds' if holds == 1 else 'hold'}"
    if left:
        words += f", {left:,} still {'does' if left == 1 else 'do'} not ({acres(done.left_failing)})"
    if changed:
        rates = "the rate of 1 zone was" if changed == 1 else f"the rates of {changed:,} zones were"
        words += f"; {rates} changed ({acres(done.rate_changed)})"
    else:
        words += "; no rate was changed"
    words += f", RAISED in {raised:,}" if raised else ""
    return words + (f", and {own:,} got a speed of {'its' if own == 1 else 'their'} own." if own else ".")


def _cooled(day: Day) -> list[Block]:
    """Say that zones are lost as the tank is drawn."""
    lost = lost_at_the_end(day).size
    said = (
        f"As a tank is drawn its liquid cools, and {count(lost, 'zone')} that {verb(lost, 'holds', 'hold')} would no "
    )
    return [Paragraph(f"{said}longer at its end: see loads and hours.", "warning")] if lost else []


def _steps(done: Rewriting, names: Sequence[str]) -> list[str]:
    """What is to be done with the zones that still fail, and with those that have a speed of their own."""
    steps = []
    grouped: dict[str, list[str]] = {}
    for index in np.flatnonzero(done.left_failing).tolist():
        grouped.setdefault(REASONS[str(done.reason[index])], []).append(names[index])
    for reason, zones in grouped.items():
        said = zone_names(zones)
        said = said[0].upper() + said[1:]
        does, them = ("does", "it as it is") if len(zones) == 1 else ("do", "them as they are")
        steps.append(f"{said} still {does} not hold ({reason}). Do not apply {them}.")
    if _own_speed(done).any():
        steps.append(
            "Some zones have a speed of their own: the driver needs the list of changes in the cab. Vetting the new "
            "map at the one planned speed will not pass; vet it with --zone-speeds and the side file."
        )
    return steps


def _nitrogen(outcome: RewriteOutcome, system: System) -> Table:
    done, policy = outcome.done, outcome.policy
    moved = (done.after - done.before) * outcome.vetted.prescription.area
    digits = 1 if outcome.rules.only_values else None
    amounts = {
        "before": done.nitrogen_before,
        "added by raises": float(moved[moved > 0].sum()),
        "taken": float(-moved[moved < 0].sum()),
        "after": done.nitrogen_after,
    }
    rows = tuple((when, number(amount, "mass", system, digits)) for when, amount in amounts.items())
    heads = ("when", f"{unit_label('mass', system)} N")
    return Table(f"Nitrogen of the field, policy {policy}", heads, rows, "<>", (3.0, 2.0))


def _to_do(outcome: RewriteOutcome, day: Day | None, system: System) -> Section:
    done, prescription, solution = outcome.done, outcome.vetted.prescription, outcome.vetted.solution
    area, names = prescription.area, prescription.zone_id
    blocks: list[Block] = [
        *plan_warnings(solution),
        *raised_blocks(done, area, names, system),
        *total_blocks(outcome, system),
        *off_values_blocks(outcome, names, system),
        *left_out_warning(prescription),
        *([] if day is None else _cooled(day)),
    ]
    steps = _steps(done, names)
    changed = bool(done.rate_changed.any() or _own_speed(done).any())
    if not steps and not changed and not blocks:
        steps.append("The prescription can be used as it came.")
    if steps:
        blocks.append(BulletList(tuple(steps)))
    if changed:
        said = (
            "This report changes no file. 'geoflow rewrite' with the same options writes the new prescription and, "
            "beside it, what changed and why; load that one, and let the agronomist see the changes first."
        )
        blocks.append(Paragraph(said, on=PRINTED))
    blocks += [_nitrogen(outcome, system), verdict_table(done.after, prescription, done.verdict, system)]
    return Section("answer", "What to do", tuple(blocks))


def _map_section(outcome: RewriteOutcome, system: System) -> Section:
    done, prescription = outcome.done, outcome.vetted.prescription
    labels = prescription.zone_id
    before, after = done.verdict_before, done.verdict
    png, size = field_map(
        prescription.zones,
        [Panel("before", before.tolist()), Panel("after", after.tolist())],
        VERDICT_SYMBOLS,
        label=labels,
        system=system,
    )
    counts = "; ".join(f"{when}: " + verdicts_text(verdict) for when, verdict in (("before", before), ("after", after)))
    alt = f"Two maps of the field with every zone in the colour, pattern and letter of its verdict. {counts}."
    figure = Figure("map", png, size, alt, map_caption(prescription))
    return Section("map", "Map of the zones", (figure,))


def _drive(slow: float, fast: float, system: System) -> str:
    return number(slow, "speed", system) if slow == fast else span(slow, fast, "speed", system)


def _touched(done: Rewriting) -> BoolArray:
    return np.asarray(done.rate_changed | _own_speed(done) | done.left_failing | done.off_values)


def _order(done: Rewriting, area: FloatArray) -> list[int]:
    """Zones that changed or still fail: failing first, then raised, then what moves most nitrogen."""
    touched = np.flatnonzero(_touched(done)).tolist()
    moved = np.abs(done.after - done.before) * area
    return sorted(touched, key=lambda index: (not done.left_failing[index], not done.raised[index], -moved[index]))


def change_map(outcome: RewriteOutcome, system: System) -> Picture:
    """Draw what became of each zone.

    Parameters
    ----------
    outcome : RewriteOutcome
        From `rewrite_file`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    prescription, kinds = outcome.vetted.prescription, change_kinds(outcome.done)
    names = prescription.zone_id
    return field_map(prescription.zones, [Panel("", kinds)], CHANGES, label=names, system=system)


def _change_figure(outcome: RewriteOutcome, system: System) -> Figure:
    kinds = change_kinds(outcome.done)
    png, size = change_map(outcome, system)
    counts = ", ".join(f"{kinds.count(name):,} {symbol.word}" for name, symbol in CHANGES.items())
    return Figure("changes", png, size, f"Map of what became of each zone: {counts}.", "What became of each zone.")


def _change_row(index: int, done: Rewriting, area: FloatArray, name: str, system: System) -> tuple[str, ...]:
    change = float((done.after[index] - done.before[index]) * area[index])
    before, after = (VERDICTS[str(verdict[index])].letter for verdict in (done.verdict_before, done.verdict))
    return (
        name,
        number(float(done.before[index]), "nitrogen rate", system, 1),
        number(float(done.after[index]), "nitrogen rate", system, 1),
        number(float(area[index]), "area", system),
        ("+" if change > 0 else "") + number(change, "mass", system),
        _drive(float(done.speed_low[index]), float(done.speed_high[index]), system),
        f"{before} to {after}",
        ("RAISED: " if done.raised[index] else "") + REASONS[str(done.reason[index])],
    )


def _change_table(
    done: Rewriting, area: FloatArray, names: Sequence[str], system: System, most: int, *, complete: bool
) -> list[Block]:
    """List what changed or still fails; where the list has to be complete, a raise is never left out."""
    order = _order(done, area)
    shown = order[:most]
    shown += [index for index in order[most:] if complete and (done.raised[index] or done.left_failing[index])]
    rest, many = len(order) - len(shown), f"{len(order):,}"
    rows = tuple(_change_row(index, done, area, names[index], system) for index in shown)
    area_label, mass, speed = (unit_label(kind, system) for kind in ("area", "mass", "speed"))
    heads = ("zone", "before", "after", area_label, f"{mass} N", f"drive {speed}", "verdict", "why")
    which = f"the first {len(shown):,} of {many}" if rest else f"all {many}"
    what = "changed, still not holding or on no value" if done.off_values.any() else "changed or still not holding"
    caption = f"Zones {what}, rates in {unit_label('nitrogen rate', system)}: {which}"
    blocks: list[Block] = [Table(caption, heads, rows, "<>>>><<<", (0.7, 0.9, 0.9, 0.8, 0.9, 1.2, 0.9, 3.7))]
    if rest:
        said = f"Not listed: {count(rest, 'zone')} that changed less"
        blocks.append(Paragraph(f"{said}, none of them raised or failing. --all-zones lists every one.", on=PRINTED))
        blocks.append(Paragraph(f"{said}; all of them stand in the side file.", on=SCREEN))
    return blocks


def _changes_section(outcome: RewriteOutcome, system: System, most: int, *, printed: bool) -> Section:
    done, prescription = outcome.done, outcome.vetted.prescription
    if not _touched(done).any():
        return Section("changes", "Changes made", (Paragraph("Nothing had to be changed."),))
    names = prescription.zone_id
    blocks = (
        *([_change_figure(outcome, system)] if printed else []),
        *_change_table(done, prescription.area, names, system, most, complete=printed),
        *_short(outcome, system),
        *_money(outcome),
    )
    return Section("changes", "Changes made", blocks)


def _short(outcome: RewriteOutcome, system: System) -> list[Block]:
    pieces, short = outcome.pieces, outcome.short
    if pieces is None or outcome.heading is None or not short.size:
        return []
    names, share = outcome.vetted.prescription.zone_id, pieces.off_share
    rows = tuple(
        (
            names[at],
            *(show(float(each[at]), "length", system, 0) for each in (pieces.needed, pieces.shortest)),
            f"{100.0 * share[at]:.0f} %",
        )
        for at in sorted(short.tolist(), key=lambda one: -share[one])[:_MOST_SHORT]
    )
    caption = (
        f"{count(short.size, 'zone')} crossed too fast for the controller to reach the rate, passes at "
        f"{math.degrees(outcome.heading) % 180.0:.0f}°"
        + (f", the worst {_MOST_SHORT}" if short.size > _MOST_SHORT else "")
    )
    heads = ("zone", "needs", "shortest run", "share of its run not at rate")
    return [Table(caption, heads, rows, "<>>>", (1.0, 1.5, 1.5, 3.0))]


def _money(outcome: RewriteOutcome) -> list[Block]:
    """Say what the changes cost and bring, where prices were given."""
    if outcome.money is None:
        return []
    spent, earned = (float(each.sum()) for each in outcome.money)
    said = f"At your prices nitrogen costs {spent:+,.2f} and the crop brings {earned:+,.2f}"
    return [Paragraph(f"{said}: {earned - spent:+,.2f} in all.")]


def _printed_sections(outcome: RewriteOutcome, system: System, most: int) -> list[Section]:
    """Map, window and every zone as they are after the change."""
    solution, done, after = outcome.vetted.solution, outcome.done, outcome.after
    asked = PlannedRates(done.after, outcome.vetted.prescription.area, done.verdict, *after.driven)
    rewritten = replace(outcome.vetted, rate=done.after, vetting=after)
    title = "Zones after the change, worst first"
    return [
        _map_section(outcome, system),
        window_section(rewritten, system, window_figure(solution, asked, system)),
        zones_section(rewritten, system, most, title=title),
    ]


def _rests(outcome: RewriteOutcome, system: System) -> list[Block]:
    after = outcome.after
    return assumption_blocks(outcome.vetted.solution, system, (after.flow_low, after.flow_high, after.verdict))


def rewritten_report(
    outcome: RewriteOutcome, system: System, most_zones: int | None = None, printed: Printed | None = None
) -> Report:
    """Say everything about a rewritten field.

    Parameters
    ----------
    outcome : RewriteOutcome
        From `rewrite_file`.
    system : str
        ``"us"`` or ``"metric"``.
    most_zones : int, optional
        How many zones the tables list; on paper every raise and every zone left failing is listed besides.
    printed : Printed, optional
        What a report on paper holds besides; without it no figure is drawn.
    """
    prescription, solution = outcome.vetted.prescription, outcome.vetted.solution
    most = most_zones or (_MOST_SHOWN if printed is None else MOST_ZONES)
    changes = _changes_section(outcome, system, most, printed=printed is not None)
    middle = [changes, Section("window", "The window", (window_table(solution, system), *_rests(outcome, system)))]
    if printed is not None:
        middle = [*_printed_sections(outcome, system, most), changes]
    return Report(
        f"{prescription.path.name} rewritten for the bar {solution.bar.name}",
        f"Rewritten, {outcome.policy} · {heading(solution, system, with_speed=True)}",
        rewriting_answer(outcome.done, prescription.area, system),
        (
            _to_do(outcome, None if printed is None else printed.day, system),
            *middle,
            *last_sections(prescription, solution, system, printed),
        ),
        SHORT_CAUTION,
        "" if printed is None else stamp(printed.origin),
    )
