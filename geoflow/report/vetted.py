"""A vetted field in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.base.arrays import FloatArray, TextArray
from geoflow.base.counted import count, verb
from geoflow.base.units import System, number, show, unit_label
from geoflow.decide.beyond import Beyond
from geoflow.decide.vet import Solution, Vetting
from geoflow.report.basis import basis_section, stamp
from geoflow.report.beyond import beyond_text
from geoflow.report.cautions import SHORT_CAUTION, caution_section
from geoflow.report.cures import cure_texts
from geoflow.report.day import day_section
from geoflow.report.doubt import doubt_text
from geoflow.report.layout import verdicts_text, within, zone_names
from geoflow.report.maps import Panel, field_map
from geoflow.report.model import (
    PRINTED,
    SCREEN,
    Block,
    BulletList,
    Figure,
    Paragraph,
    Report,
    Section,
)
from geoflow.report.odds import odds_text
from geoflow.report.reading import left_out_warning, place_text, reading_section
from geoflow.report.symbology import VERDICT_SYMBOLS
from geoflow.report.window import gauge_blocks, heading, plan_warnings, plan_words, window_blocks
from geoflow.report.window_panels import PlannedRates, window_panels
from geoflow.report.zones import verdict_table, zones_section

if TYPE_CHECKING:
    from geoflow.decide.field_day import Day
    from geoflow.outcomes import Origin, VetOutcome
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = [
    "MOST_ZONES",
    "Printed",
    "held_text",
    "last_sections",
    "map_caption",
    "verdict_answer",
    "vetted_report",
    "window_figure",
    "window_section",
    "zones_hold_text",
]

MOST_ZONES: Final = 200
"""Zones a printed report lists before it keeps to the worst."""
_MOST_SHOWN: Final = 15
_MOST_CURES: Final = 6
_MOST_NAMES: Final = 12


@dataclass(frozen=True, slots=True)
class Printed:
    """What a printed report holds besides.

    Attributes
    ----------
    day : Day
        Hours and loads at the speeds of the zones.
    origin : Origin
        Files, options, version and date.
    """

    day: Day
    origin: Origin


def verdict_answer(
    area: FloatArray, verdict: TextArray, system: System, *, warned: bool, beyond: tuple[Beyond, ...] = ()
) -> str:
    """Say how many zones hold, and what becomes of them at the field's edges and at the end of a tank.

    Parameters
    ----------
    area : ndarray, shape (zones,)
        [m2]
    verdict : ndarray of str, shape (zones,)
        Keys of `schema.VERDICTS`.
    system : str
        ``"us"`` or ``"metric"``.
    warned : bool
        Whether the plan itself needs a second look.
    beyond : tuple of Beyond
        What was looked at beside the whole bar and the planned liquid.
    """
    return " ".join(filter(None, (_held(area, verdict, system, warned=warned), beyond_text(beyond, system))))


def _held(area: FloatArray, verdict: TextArray, system: System, *, warned: bool) -> str:
    asked = verdict != "off"
    total = int(asked.sum())
    if total == 0:
        return "Every zone asks for zero: there is nothing to deliver."
    good = verdict == "holds"
    acres = f"{number(float(area[good].sum()), 'area', system)} of {show(float(area[asked].sum()), 'area', system)}"
    if int(good.sum()) == total and warned:
        return f"As to flow and pressure {count(total, 'zone')} would hold, but see the warning."
    if int(good.sum()) == total:
        who = "The one zone holds" if total == 1 else f"All {total:,} zones hold"
        return f"{who} ({acres}): this bar can deliver the map as planned."
    return f"{zones_hold_text(verdict, acres)}."


def held_text(verdict: TextArray) -> str:
    """Count the zones that hold, of those that ask for ammonia.

    Parameters
    ----------
    verdict : ndarray of str, shape (zones,)
        Keys of `schema.VERDICTS`.
    """
    held, asked = int((verdict == "holds").sum()), int((verdict != "off").sum())
    return f"{held:,} of {count(asked, 'zone')} {verb(1 if asked == 1 else held, 'holds', 'hold')}"


def zones_hold_text(verdict: TextArray, acres: str) -> str:
    """Count zones by verdict: how many hold, on how many acres as said, are doubtful and fail.

    Parameters
    ----------
    verdict : ndarray of str, shape (zones,)
        Keys of `schema.VERDICTS`.
    acres : str
        The area that holds, in words.
    """
    doubtful, fails = (int((verdict == name).sum()) for name in ("doubtful", "fails"))
    return f"{held_text(verdict)} ({acres}); {doubtful:,} doubtful, {fails:,} {verb(fails, 'fails', 'fail')}"


def _shared_cures(outcome: VetOutcome, verdict: str, system: System, most_names: int) -> list[str]:
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
    lines, names = [], prescription.zone_id
    for key in sorted(grouped, key=lambda one: -area[one]):
        cure, side, limit = key
        some = zone_names([names[index] for index in grouped[key]], most_names)
        lines.append(
            f"{some[0].upper()}{some[1:]} ({show(area[key], 'area', system)}; flow too {side}, {limit}): {cure}"
        )
    return lines


def _cures(outcome: VetOutcome, verdict: str, system: System, most: int) -> list[Block]:
    """List the cures; on paper the table of zones has every other, at the terminal an option lists them."""
    every = most >= len(outcome.rate)
    lists: list[Block] = []
    for on, groups, names, where in (
        (PRINTED, _MOST_CURES, _MOST_NAMES, "see the table of zones"),
        (SCREEN, most, most if every else _MOST_NAMES, "--all-zones lists every one"),
    ):
        lines = _shared_cures(outcome, verdict, system, names)
        rest = len(lines) - groups
        more = [f"{count(rest, 'more group')} of such zones: {where}."] if rest > 0 else []
        if lines:
            lists.append(BulletList((*lines[:groups], *more), on=on))
    return lists


def _what_to_do(outcome: VetOutcome, system: System, most: int) -> list[Block]:
    """Say how to drive, or what would cure the zones that do not hold."""
    solution, vetting, doubt = outcome.solution, outcome.vetting, outcome.doubt
    fails, doubtful = (_cures(outcome, verdict, system, most) for verdict in ("fails", "doubtful"))
    if not fails and not doubtful:
        nothing = solution.hopeless or not (vetting.verdict != "off").any()
        said = f"Plan on {plan_words(solution, system)}: nothing has to be changed."
        return [] if nothing else [Paragraph(said)]
    blocks: list[Block] = []
    if fails:
        said = "Do not apply the zones that fail as they are. Each cure is for these zones alone:"
        blocks += [Paragraph(said), *fails]
    if doubtful:
        said = "Doubtful zones cannot be settled with what the bar file says."
        blocks += [Paragraph(said if doubt is None else f"{said} {doubt_text(doubt, solution, system)}"), *doubtful]
        blocks.append(Paragraph(odds_text(outcome)))
    said = (
        "'geoflow plan' looks for better speeds and orifices; 'geoflow rewrite' changes only the rates this bar cannot "
    )
    return [*blocks, Paragraph(f"{said}deliver.")]


def _cooling(beyond: tuple[Beyond, ...], system: System) -> list[Block]:
    """Say from which temperature to plan where the cooling of a tank ends what holds now."""
    ends = [one for one in beyond if one.temperature is not None and one.lost.any()]
    label = unit_label("temperature", system)
    return [
        Paragraph(
            "A tank cools while it is drawn: plan with a --temperature range from "
            f"{number(float(end.temperature or 0.0), 'temperature', system, None, 'down')} {label} to have the "
            "verdicts down there.",
            "warning",
        )
        for end in ends
    ]


def _temperatures(vetting: Vetting, solution: Solution, beyond: tuple[Beyond, ...], system: System) -> list[Block]:
    """Say between which liquid temperatures the verdicts that are good now stay good."""
    good = vetting.verdict == "holds"
    if not good.any():
        return []
    low, high = float(vetting.temperature_low[good].max()), float(vetting.temperature_high[good].min())
    coldest, warmest = solution.search.temperature[[0, -1]]
    ends, label = [], unit_label("temperature", system)
    if low > coldest + 0.1:
        ends.append(f"colder than {number(low, 'temperature', system, None, 'up')} {label}")
    if high < warmest - 0.1:
        ends.append(f"warmer than {number(high, 'temperature', system, None, 'down')} {label}")
    until = f"until the liquid is {' or '.join(ends)}" if ends else "at every liquid temperature searched"
    return [*_cooling(beyond, system), Paragraph(f"The zones that hold keep holding {until}.")]


def _to_do(outcome: VetOutcome, system: System, most: int) -> Section:
    prescription, solution, vetting = outcome.prescription, outcome.solution, outcome.vetting
    blocks = (
        *plan_warnings(solution),
        *left_out_warning(prescription),
        *_what_to_do(outcome, system, most),
        *_temperatures(vetting, solution, outcome.beyond, system),
        verdict_table(outcome.rate, prescription, vetting.verdict, system),
    )
    return Section("answer", "What to do", blocks)


def map_caption(prescription: Prescription) -> str:
    """What the letters and numbers on a map mean.

    Parameters
    ----------
    prescription : Prescription
        As read.
    """
    return (
        f"{prescription.path.name}, centre {place_text(*prescription.centre, 4)}. North is up. Letter and zone number "
        "stand in zones with room for them; a zone's number is its row in the file, counted from 1."
    )


def _map_section(outcome: VetOutcome, system: System) -> Section:
    prescription, verdict = outcome.prescription, outcome.vetting.verdict
    labels = prescription.zone_id
    panel = Panel("", verdict.tolist())
    png, size = field_map(prescription.zones, [panel], VERDICT_SYMBOLS, label=labels, system=system)
    counts = verdicts_text(verdict)
    alt = f"Map of the field with every zone in the colour, pattern and letter of its verdict: {counts}."
    return Section("map", "Map of the zones", (Figure("map", png, size, alt, map_caption(prescription)),))


def window_figure(solution: Solution, asked: PlannedRates, system: System) -> Figure:
    """Draw the window with the plan in it.

    Parameters
    ----------
    solution : Solution
        The solved bar.
    asked : PlannedRates
        Rates, areas, verdicts and speeds of the zones.
    system : str
        ``"us"`` or ``"metric"``.
    """
    png, size = window_panels(solution, asked, system)
    bounds = solution.certain, solution.possible
    sure, hoped = (within(*solution.rate_bounds(one), "nitrogen rate", system) for one in bounds)
    alt = (
        f"Rates the bar can deliver against liquid temperature and against ground speed. Over the plan, "
        f"{plan_words(solution, system)}, the certain window is {sure} and the possible window {hoped}."
    )
    caption = (
        "The plan is the box. Where it lies inside the certain window in both charts every zone holds. Left: each "
        "temperature at all planned speeds. Middle: each speed at all planned temperatures. Right: how much asks for "
        "each rate. Words on the edges name the limit that ends the certain window."
    )
    if not (np.isclose(asked.slow, solution.plan.speed[0]) & np.isclose(asked.fast, solution.plan.speed[1])).all():
        caption += " Dots are zones with a speed of their own; they are left out on the left."
    return Figure("window", png, size, alt, caption)


def window_section(outcome: VetOutcome, system: System, *figures: Figure) -> Section:
    """Give the window in a figure and in numbers, what limits each end, and what the gauges should read.

    Parameters
    ----------
    outcome : VetOutcome
        What the verdicts are of.
    system : str
        ``"us"`` or ``"metric"``.
    *figures : Figure
        From `window_figure`, where they are wanted.
    """
    solution, vetting = outcome.solution, outcome.vetting
    flows = vetting.flow_low, vetting.flow_high, vetting.verdict
    blocks = (*figures, *window_blocks(solution, system, flows), *gauge_blocks(solution, system, outcome))
    return Section("window", "The window, and the plan in it", blocks)


def vetted_report(
    outcome: VetOutcome, system: System, most_zones: int | None = None, printed: Printed | None = None
) -> Report:
    """Say everything about a vetted field.

    Parameters
    ----------
    outcome : VetOutcome
        From `vet_file`.
    system : str
        ``"us"`` or ``"metric"``.
    most_zones : int, optional
        How many zones to list.
    printed : Printed, optional
        What a report on paper holds besides; without it no figure is drawn.
    """
    prescription, solution, vetting = outcome.prescription, outcome.solution, outcome.vetting
    rate, area = outcome.rate, prescription.area
    most = most_zones or (_MOST_SHOWN if printed is None else MOST_ZONES)
    sections = [_to_do(outcome, system, most)]
    figures: list[Figure] = []
    if printed is not None:
        sections.append(_map_section(outcome, system))
        figures.append(window_figure(solution, PlannedRates(rate, area, vetting.verdict, *vetting.driven), system))
    sections.append(window_section(outcome, system, *figures))
    sections.append(zones_section(outcome, system, most))
    if printed is not None:
        unchanged = Paragraph("None: this report only judges the prescription as it came.")
        sections.append(Section("changes", "Changes made", (unchanged,)))
    sections += last_sections(prescription, solution, system, printed)
    return Report(
        f"{prescription.path.name} with the bar {solution.bar.name}",
        f"Vetted · {heading(solution, system, with_speed=True)}",
        verdict_answer(area, vetting.verdict, system, warned=bool(solution.warnings()), beyond=outcome.beyond),
        tuple(sections),
        SHORT_CAUTION,
        "" if printed is None else stamp(printed.origin),
    )


def last_sections(
    prescription: Prescription, solution: Solution, system: System, printed: Printed | None
) -> list[Section]:
    """Give what ends every report on a prescription: on paper the day, the cautions and what it rests on.

    Parameters
    ----------
    prescription : Prescription
        As read.
    solution : Solution
        The solved bar.
    system : str
        ``"us"`` or ``"metric"``.
    printed : Printed or None
        None where nothing is printed: then what was read, and the cautions.
    """
    if printed is None:
        return [reading_section(prescription, system), caution_section()]
    return [
        day_section(printed.day, prescription.zone_id, system),
        caution_section(),
        basis_section(prescription, solution, printed.origin, system),
    ]
