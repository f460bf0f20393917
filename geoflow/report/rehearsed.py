"""A rehearsed day in words, and its map."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.base.arrays import BoolArray
from geoflow.base.counted import count, verb
from geoflow.base.said import said, said_range
from geoflow.base.units import System, number, show, unit_label
from geoflow.rehearsal.losses import ACROSS, BEGIN, BORDER, METER, SWITCHED, TURNING, WINDOW
from geoflow.rehearsal.savings import Alternative
from geoflow.report.canvas import Heading, Picture
from geoflow.report.cautions import SHORT_CAUTION, caution_section
from geoflow.report.findings import percent
from geoflow.report.ground_figures import laid_areas, ratio_figure
from geoflow.report.layout import hours, zone_names
from geoflow.report.model import Block, BulletList, Paragraph, Report, Section, Table
from geoflow.report.planning import plan_answer
from geoflow.report.reading import left_out_warning, reading_section
from geoflow.report.window import heading, plan_warnings

if TYPE_CHECKING:
    from geoflow.layers.ground_rasters import GroundGrid
    from geoflow.rehearsal.outcome import RehearseOutcome

__all__ = ["MOST_ZONES", "expected_map", "rehearsed_answer", "rehearsed_report"]

MOST_ZONES: Final = 12
# Less than a twentieth of an acre prints as nothing [m2].
_NOTHING: Final = 202.0
_CAUSES: Final = {
    BORDER: "the rate still moving after a zone border",
    BEGIN: "the rate still rising as a pass begins",
    SWITCHED: "sections switching, or the speed changing",
    ACROSS: "a zone border under the bar: one rate for two zones",
    WINDOW: "the map asks for more than the bar gives",
    TURNING: "the path curves: more inside, less outside",
    METER: "the meter counts at another density than the liquid's",
}
# A zone is worth a word from this share of its ground on.
_SOME: Final = 0.05
# And the field from this share on: less comes of a speed that wavers.
_FEW: Final = 0.005
_MOST: Final = 0.5


def _what(one: Alternative, system: System) -> str:
    """An alternative in words, to go before `would save`."""
    if one.kind == "heading":
        return f"passes at {math.degrees(one.value) % 180.0:.0f}° from north"
    if one.kind == "speed":
        return f"{show(abs(one.value), 'speed', system)} {'slower' if one.value < 0.0 else 'faster'}"
    if one.kind == "small zones":
        return f"{count(int(one.value), 'small zone')} lowered to the rate next to {verb(int(one.value), 'it', 'them')}"
    return f"reading the map {show(one.value, 'time', system)} ahead"


def _days(outcome: RehearseOutcome) -> str:
    return count(len(outcome.rehearsal.within_10), "day")


def rehearsed_answer(outcome: RehearseOutcome, system: System) -> str:
    """Say in one sentence what will be within 10 %, what borders cost, and what would save most.

    Parameters
    ----------
    outcome : RehearseOutcome
        From `rehearse_field`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    done = outcome.rehearsal
    share = done.within_10
    least, most = percent(float(share.min())), percent(float(share.max()))
    band = "" if least == most else f" ({least.removesuffix(' %')} to {most} over {_days(outcome)})"
    rows = ""
    if done.uneven >= max(_NOTHING, _FEW * done.asked):
        rows = f", taken over the bar, and on about {show(done.uneven, 'area', system)} the rows go uneven"
    lost = show(done.losses.area[BORDER], "area", system)
    best = done.savings[0] if done.savings else None
    if best is None or best.saved < _NOTHING:
        saves = "nothing that was tried would save more than it costs"
    else:
        saves = f"what would save most is {_what(best, system)}: {show(best.saved, 'area', system)}"
    return (
        f"{percent(float(share.mean()))} of the {show(done.asked, 'area', system)} that ask for ammonia are to be "
        f"expected within 10 % of their rate{band}{rows}; {lost} are lost while the rate follows at zone borders, and "
        f"{saves}."
    )


def expected_map(
    outcome: RehearseOutcome, grid: GroundGrid, marked: BoolArray, system: System, heading: Heading | None = None
) -> Picture:
    """Draw what the ground is to be expected to get over what the map asks, mean over the days.

    Parameters
    ----------
    outcome : RehearseOutcome
        From `rehearse_field`.
    grid : GroundGrid
        Its strips on cells.
    marked : ndarray of bool, shape of the grid
        Cells on which the rows go uneven on most days.
    system : str
        ``"us"`` or ``"metric"``.
    heading : Heading, optional
        Makes a poster of it.
    """
    done = outcome.rehearsal
    at = (done.strip_uneven > _MOST)[done.overlay.strip] & np.append(done.setup.asks, False)[done.overlay.zone]
    uneven = float(done.overlay.area[at].sum())
    mark = ("rows go uneven", uneven) if uneven >= _NOTHING else None
    areas = laid_areas(done.laid, done.missed, 0.0)
    return ratio_figure(grid, done.setup.zones, marked, areas=areas, mark=mark, system=system, heading=heading)


def _warnings(outcome: RehearseOutcome, system: System) -> list[Block]:
    """What the bar cannot do there."""
    done, names = outcome.rehearsal, outcome.plan.vetted.prescription.zone_id
    blocks: list[Block] = []
    for area, share, what in (
        (
            done.uneven,
            done.zones.uneven,
            "the flow asked lies below the window's low end: ammonia may boil ahead of the orifices, and the rows go "
            "uneven. What each row gives there is not known; the map shows the mean of the bar",
        ),
        (
            done.short,
            done.zones.short,
            "the map asks for more than pump, suction and rated pressure let through; there the bar gives what it can",
        ),
    ):
        if area >= max(_NOTHING, _FEW * done.asked):
            at = np.flatnonzero(np.nan_to_num(share) > _SOME)
            where = f" ({zone_names([names[place] for place in at])})" if at.size else ""
            blocks.append(Paragraph(f"On about {show(area, 'area', system)}{where} {what}.", "warning"))
    return blocks


def _causes_table(outcome: RehearseOutcome, system: System) -> Table:
    losses = outcome.rehearsal.losses
    rows = [(_CAUSES[name], number(losses.area[name], "area", system)) for name in _CAUSES if losses.area[name] > 0.0]
    rows.append(("in all", number(losses.off, "area", system)))
    caption = "Ground more than 10 % off under a single pass, on the middle day, by cause"
    return Table(caption, ("because of", unit_label("area", system)), tuple(rows), "<>")


def _savings_blocks(outcome: RehearseOutcome, system: System) -> list[Block]:
    done, area = outcome.rehearsal, unit_label("area", system)
    rows = tuple(
        (
            _what(one, system),
            number(one.border_saved, "area", system),
            number(one.saved, "area", system),
            hours(one.time),
        )
        for one in done.savings
    )
    heads = ("each alone, the best of its kind", f"at borders {area}", f"in all {area}", "hours")
    blocks: list[Block] = [Table("What would save ground, below zero what would cost it", heads, rows, "<>>>")]
    blocks.append(
        Paragraph(
            "Counted against the map as it is: ground more than 10 % off, below the window or under no pass. "
            f"As rehearsed the day takes {hours(done.time)}.",
            "note",
        )
    )
    return blocks


def _zones_section(outcome: RehearseOutcome, system: System, most: int | None) -> Section:
    done, prescription = outcome.rehearsal, outcome.plan.vetted.prescription
    zones, names, rate = done.zones, prescription.zone_id, done.setup.rate
    asked = np.flatnonzero(done.setup.asks)
    worst = asked[np.argsort(np.nan_to_num(zones.within_10[asked], nan=-1.0), kind="stable")]
    rows = []
    for at in worst[:most].tolist():
        marks = [
            word
            for word, share in (("rows uneven", zones.uneven[at]), ("bar gives less", zones.short[at]))
            if np.nan_to_num(share) > _SOME
        ]
        reached = math.isfinite(zones.mean[at])
        rows.append(
            (
                names[at],
                number(zones.area[at], "area", system),
                number(rate[at], "nitrogen rate", system),
                number(zones.mean[at], "nitrogen rate", system, 1) if reached else "no pass",
                f"{number(zones.low[at], 'nitrogen rate', system, 1)} to "
                f"{number(zones.high[at], 'nitrogen rate', system, 1)}"
                if reached
                else "",
                percent(float(zones.within_10[at])) if reached else "",
                ", ".join(marks),
            )
        )
    unit = unit_label("nitrogen rate", system)
    heads = ("zone", unit_label("area", system), f"asked {unit}", "to expect", "nine days of ten", "within 10 %", "")
    if asked.size == 1:
        caption = "The one zone that asks for ammonia"
    elif len(rows) < asked.size:
        caption = f"The first {len(rows):,} of {asked.size:,} zones that ask for ammonia, furthest off first; "
        caption += "--all-zones lists all"
    else:
        caption = f"All {asked.size:,} zones that ask for ammonia, furthest off first"
    return Section("zones", "What to expect by zone", (Table(caption, heads, tuple(rows), "<>>>>><"),))


def _day_section(outcome: RehearseOutcome, system: System) -> Section:
    done = outcome.rehearsal
    way, overlay = done.way, done.overlay
    driving = done.time - way.turning - way.swapping
    takes = f"The day takes {hours(done.time)}: {hours(driving)} on the passes, {hours(way.turning)} turning"
    if math.isfinite(done.setup.full_load):
        takes += (
            f", {hours(way.swapping)} changing tanks ({count(done.tanks, 'load')} of "
            f"{show(done.setup.full_load, 'ammonia mass', system)})"
        )
    ground = (
        f"Covered: {show(overlay.covered, 'area', system)}, {number(overlay.doubled, 'area', system)} of it twice, "
        f"{number(done.outside, 'area', system)} where nothing is asked or outside the field; "
        f"{number(done.missed, 'area', system)} that ask for ammonia are under no pass."
    )
    plan = f"The day is driven as planned. {plan_answer(outcome.plan, system)}"
    return Section("day", "The day", (Paragraph(f"{takes}."), Paragraph(ground), Paragraph(plan)))


def _rests_section(outcome: RehearseOutcome, system: System) -> Section:
    setup = outcome.rehearsal.setup
    driving, unknown, display, late = setup.driving, setup.unknown, setup.display, setup.switching
    stated = setup.solution.bar.controller is not None
    usual = "common practice, no source, unless given"
    whence = "the bar file's, a quarter either way, unless given" if stated else usual
    rounds = "no headland round" if not driving.headlands else count(driving.headlands, "headland round")
    when = (" after the passes" if driving.headlands_last else " before the passes") if driving.headlands else ""
    turns = (
        f"turns of {said(driving.turn_radius, 'length', system)} radius at the slowest speed of the bar file"
        if driving.turn_time is None
        else f"turns of {driving.turn_time:g} s"
    )
    course = math.degrees(setup.course[0]) % 360.0
    texts = (
        f"Way: {rounds}{when}; pass 1 at {course:.0f}° from north, the next beside it back and forth, straight across "
        f"what lies between; {turns}; {driving.swap_time / 60.0:g} min for another tank ("
        f"{usual}).",
        f"Rate control: dead time {said_range(*unknown.delay, 'time', system)}, time constant "
        f"{said_range(*unknown.time_constant, 'time', system)} ({whence}); a pass begins without flow.",
        f"The map is read {said(display.antenna, 'length', system)} ahead of the knives and "
        f"{said(display.look_ahead, 'time', system)} ahead of the time, for the whole bar at once.",
        "Sections are on where more than half their width is over ground that asks for ammonia and has none yet; they "
        f"open {late.opens:g} s and shut {late.shuts:g} s late ({usual}).",
        f"Drawn over {_days(outcome)} (seed {outcome.seed}): dead time, time constant, the liquid's temperature and "
        "the speed within the plan's ranges, where between certain and possible the window ends, a meter off by 1 % "
        "(standard deviation) and a speed that wavers by 3 % for 5 s (common practice, no source). The middle of all "
        "of it is the middle day, of which log.csv is the log, with 1 % scatter of the meter.",
        "Tanks cool while they are drawn, without heat from air or steel." if math.isfinite(setup.full_load) else
        "Tanks are not counted, and the liquid keeps its temperature.",
    )  # fmt: skip
    return Section("rests", "What this rests on", (BulletList(texts),))


def rehearsed_report(outcome: RehearseOutcome, system: System, most_zones: int | None = MOST_ZONES) -> Report:
    """Say everything about a rehearsed day.

    Parameters
    ----------
    outcome : RehearseOutcome
        From `rehearse_field`.
    system : str
        ``"us"`` or ``"metric"``.
    most_zones : int or None
        How many zones the table lists; None for all.
    """
    prescription, solution = outcome.plan.vetted.prescription, outcome.plan.vetted.solution
    first = (*_warnings(outcome, system), *plan_warnings(solution), *left_out_warning(prescription))
    return Report(
        f"{prescription.path.name} rehearsed with the bar {solution.bar.name}",
        heading(solution, system, with_speed=True),
        rehearsed_answer(outcome, system),
        (
            Section("answer", "What to expect", (*first, _causes_table(outcome, system))),
            Section("savings", "What would save ground", tuple(_savings_blocks(outcome, system))),
            _zones_section(outcome, system, most_zones),
            _day_section(outcome, system),
            _rests_section(outcome, system),
            reading_section(prescription, system),
            caution_section(),
        ),
        SHORT_CAUTION,
        "",
    )
