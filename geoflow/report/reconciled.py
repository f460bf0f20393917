"""What a reconciled log comes to: one content for the terminal, the page and the printed report."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import BoolArray
from geoflow.base.counted import count
from geoflow.base.units import System, show
from geoflow.diagnosis.judging import JUDGES
from geoflow.report.against_rehearsal import rehearsed_section
from geoflow.report.bar_oddities import unusual_lines
from geoflow.report.bar_words import assumed_lines
from geoflow.report.basis import origin_blocks, stamp
from geoflow.report.canvas import Heading, Picture
from geoflow.report.cautions import SHORT_CAUTION, caution_section
from geoflow.report.findings import LIQUID_LOST, concern_texts, finding_text, place_text
from geoflow.report.ground_figures import (
    ORIFICE_WORDS,
    RATES_WORDS,
    SPREAD_WORDS,
    class_areas,
    orifice_figure,
    rates_figure,
    ratio_figure,
    spread_figure,
)
from geoflow.report.model import EVERYWHERE, PRINTED, Block, BulletList, Figure, Paragraph, Report, Section, Table
from geoflow.report.reconciled_words import (
    agreement_table,
    answer,
    cause_table,
    ground_table,
    lag_text,
    nitrogen_text,
    records_text,
    shift_table,
    zone_table,
)
from geoflow.report.reconciling import accepted_words
from geoflow.report.spread_words import band_table, rate_spread, rate_table
from geoflow.report.ticket_words import ticket_notes, ticket_table

if TYPE_CHECKING:
    from geoflow.diagnosis import AreaSeries
    from geoflow.layers.ground_rasters import GroundGrid
    from geoflow.outcomes import Origin, ReconcileOutcome

__all__ = ["MOST_ZONES", "Ground", "ground_map", "rates_chart", "reconciled_report", "spread_chart"]

MOST_ZONES: Final = 12
_SHIFTED: Final = (
    "Shifted tells how well the control held; 0 s what the ground got. Here each record counts once, with the mean of "
    "its zones and each pass on its own; above, the ground with all that fell on it."
)
_NOT_COUNTED: Final = (
    "Errors of the flow meter, of the pressure gauges and of the receiver's position: the scale ticket shows the "
    "first, the findings about the bar what they can of the second.",
    "Ammonia lost in loading, bleeding and at the ends of a run.",
    "What each row gave: the log knows sections at best.",
)


@dataclass(frozen=True, slots=True)
class Ground:
    """What lay on the ground, ready to be drawn.

    Attributes
    ----------
    grid : GroundGrid
        From `layers.ground_rasters.lay_grid`.
    outlines : ndarray of polygons
        Zones or boundary in the grid's frame [m].
    marked : ndarray of bool
        Cells where the liquid margin was lost.
    series : AreaSeries or None
        Effective orifice area over the log, where it can be told.
    """

    grid: GroundGrid
    outlines: Any
    marked: BoolArray
    series: AreaSeries | None


def _listed(head: str, texts: list[str] | tuple[str, ...], **on: Any) -> list[Block]:
    """Set a list under a small heading; nothing where it is empty."""
    return [Paragraph(head, "head", **on), BulletList(tuple(texts), **on)] if texts else []


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _said_first(outcome: ReconcileOutcome) -> list[str]:
    """What the result rests on by consent only, and what could not be judged, before anything else."""
    read, texts = outcome.read, []
    if taken := accepted_words(outcome):
        texts.append(f"Columns taken as proposed (--accept), not certain by their names: {taken}.")
    lacking = [one for one in outcome.diagnosis if one.missing]
    if lacking:
        text = "; ".join(f"{one.kind} (needs {', '.join(one.missing)})" for one in lacking)
        wanted = dict.fromkeys(role for one in lacking for role in one.missing)
        likely = [
            f"{role}: {', '.join(repr(name) for name in read.candidates[role][:4])}"
            for role in wanted
            if role in read.candidates
        ]
        could = f" Columns that could be it: {'; '.join(likely)}." if likely else ""
        texts.append(f"Not judged for want of columns: {text}.{could}")
    return texts


def _to_do(outcome: ReconcileOutcome, system: System) -> Section:
    """What is off, the field first: what makes a log doubtful bears on what it tells about the bar."""
    field = [f"{_capital(kind)}: {text}" for kind, text in concern_texts(outcome, system)]
    bar = [
        f"{_capital(one.kind)} ({one.confidence} confidence): {finding_text(one, outcome, system)}"
        for one in outcome.judged
    ]
    blocks = _listed("Look at in this field", field) + _listed("Look at the bar before the next field", bar)
    if not blocks:
        blocks.append(Paragraph("Nothing has to be looked at."))
    blocks = [*(Paragraph(text) for text in _said_first(outcome)), *blocks]
    blocks += [Paragraph(nitrogen_text(outcome, system)), ground_table(outcome, system)]
    return Section("answer", "What to do", tuple(blocks))


def ground_map(outcome: ReconcileOutcome, ground: Ground, system: System, heading: Heading | None = None) -> Picture:
    """Draw applied over target.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    ground : Ground
        What lay on the ground.
    system : str
        ``"us"`` or ``"metric"``.
    heading : Heading, optional
        Makes a poster of it.
    """
    lost = [one for one in outcome.judged if one.kind == LIQUID_LOST]
    return ratio_figure(
        ground.grid,
        ground.outlines,
        ground.marked,
        areas=class_areas(outcome.found),
        mark=(LIQUID_LOST, lost[0].numbers["area"]) if lost else None,
        system=system,
        heading=heading,
    )


def spread_chart(outcome: ReconcileOutcome, system: System, heading: Heading | None = None) -> Picture:
    """Draw how the ratio of applied to target spreads, and the ground off its target by cause.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    system : str
        ``"us"`` or ``"metric"``.
    heading : Heading, optional
        Makes a poster of it.
    """
    laid = outcome.found.laid
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = laid.applied / laid.target
    return spread_figure(ratio, laid.area, outcome.found.cause_area, system, heading)


def rates_chart(outcome: ReconcileOutcome, system: System, heading: Heading | None = None) -> Picture | None:
    """Draw how much ground was to get which rate, and how much got it; None where nothing is compared.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    system : str
        ``"us"`` or ``"metric"``.
    heading : Heading, optional
        Makes a poster of it.
    """
    binned = rate_spread(outcome, system)
    return None if binned is None else rates_figure(*binned, system, heading)


def _map_section(outcome: ReconcileOutcome, ground: Ground | None, system: System) -> Section:
    title = "Map of applied over target"
    if ground is None:
        return Section("map", title, (Paragraph("No record of the log covers ground: no map.", on=PRINTED),))
    png, size = ground_map(outcome, ground, system)
    alt = (
        "Map of applied over target in five classes, the more went down the darker, with stripes where too little did. "
        + answer(outcome, system)
    )
    lost = any(one.kind == LIQUID_LOST for one in outcome.judged)
    crosses = " Crosses: where the liquid margin was lost." if lost else ""
    caption = f"North is up. Lines: the zones of the map or the outline of the field.{crosses}"
    return Section("map", title, (Figure("map", png, size, alt, caption),))


def _spread_section(outcome: ReconcileOutcome, ground: Ground | None, system: System) -> Section:
    title = "How the ground came out, and why"
    if not outcome.found.agreement.area > 0.0:
        said = "No ground has both a rate and a target: nothing can be compared."
        return Section("spread", title, (Paragraph(said, on=PRINTED),))
    causes, shifts = cause_table(outcome, system), shift_table(outcome, system)
    blocks: list[Block] = [] if ground is None else [_spread_figure(outcome, causes, system)]
    rates = None if ground is None else _rates_figure(outcome, system)
    spreads = (band_table(outcome), causes, rates, rate_table(outcome, system))
    blocks += [agreement_table(outcome, system), *(block for block in spreads if block is not None)]
    blocks.append(Paragraph(lag_text(outcome)))
    blocks += [] if shifts is None else [shifts, Paragraph(_SHIFTED)]
    return Section("spread", title, tuple(blocks))


def _spread_figure(outcome: ReconcileOutcome, causes: Table | None, system: System) -> Figure:
    png, size = spread_chart(outcome, system)
    said = "none" if causes is None else "; ".join(f"{row[0]} {row[1]} {causes.heads[1]}" for row in causes.rows)
    alt = (
        "Left, how much ground got which ratio of applied to target; right, the ground more than 10 % off, by cause: "
        f"{said}."
    )
    return Figure("spread", png, size, alt, SPREAD_WORDS)


def _rates_figure(outcome: ReconcileOutcome, system: System) -> Figure | None:
    drawn = rates_chart(outcome, system)
    alt = "How much ground was to get which rate, and how much got it; the table below has the numbers."
    return None if drawn is None else Figure("rates", *drawn, alt, RATES_WORDS)


def _zones_section(outcome: ReconcileOutcome, system: System, most: int | None) -> Section:
    zones = outcome.found.zones
    if zones is None:
        said = "No map was given, so there are no zones: the log's own target was compared record by record."
        return Section("zones", "Zones", (Paragraph(said, on=PRINTED),))
    table = zone_table(outcome, system, most)
    blocks: list[Block] = [table]
    if rest := zones.area.size - len(table.rows):
        said = f"Not listed: {count(rest, 'zone')} nearer to target. --all-zones lists every one."
        blocks.append(Paragraph(said, on=EVERYWHERE - {"page"}))
    return Section("zones", "Zones", tuple(blocks))


def _ticket_section(outcome: ReconcileOutcome, system: System) -> Section:
    blocks: list[Block] = [Paragraph("None was given: the meter could not be checked (--ticket).", on=PRINTED)]
    if outcome.balance is not None:
        notes = (Paragraph(note) for note in ticket_notes(outcome, system))
        blocks = [ticket_table(outcome, system), *notes]
    return Section("ticket", "Scale tickets", tuple(blocks))


def _findings_table(outcome: ReconcileOutcome, system: System) -> Table:
    rows = tuple(
        (one.kind, one.confidence, finding_text(one, outcome, system), place_text(one, outcome))
        for one in outcome.judged
    )
    heads = ("finding", "confidence", "what was seen, what to do", "where")
    return Table("Findings about the bar", heads, rows, "<<<<", (1.6, 1.1, 4.8, 2.5), on=PRINTED)


def _series_figure(series: AreaSeries) -> Figure:
    png, size = orifice_figure(series)
    middle = 100.0 * float(np.nanmedian(series.ratio))
    alt = f"Effective orifice area over the log, in percent of the bar file's; the median is {middle:.0f} %."
    return Figure("orifices", png, size, alt, ORIFICE_WORDS)


def _bar_section(outcome: ReconcileOutcome, ground: Ground | None, system: System) -> Section:
    title = "What the log tells about the bar"
    if outcome.bar is None:
        return Section("bar", title, (Paragraph("No bar file was given, so the bar was not judged."),))
    judged = sum(bool(one.missing) for one in outcome.diagnosis) < JUDGES
    fine = Paragraph("Nothing stands out in what was logged." if judged else "Nothing could be judged.")
    blocks: list[Block] = [_findings_table(outcome, system) if outcome.judged else fine]
    series = None if ground is None else ground.series
    if series is not None and series.place.size:
        blocks.append(_series_figure(series))
    missing = [f"{one.kind}: needs {', '.join(one.missing)}" for one in outcome.diagnosis if one.missing]
    return Section("bar", title, (*blocks, *_listed("Could not be judged, for want of columns", missing)))


def _liquid_words(outcome: ReconcileOutcome, system: System) -> str:
    if outcome.meter_temperature is None:
        return "not known"
    logged = bool(np.isfinite(outcome.found.log.temperature).any())
    source = "logged, weighted by flow" if logged else "given"
    return f"{show(outcome.meter_temperature, 'temperature', system)}, {source}"


def _field_words(outcome: ReconcileOutcome) -> str:
    if outcome.boundary is not None:
        return "the boundary given"
    return "the outline of the map" if outcome.target is not None else "not known"


def _assumptions(outcome: ReconcileOutcome, system: System) -> Table:
    union = f"union ± {100 * outcome.found.overlay.error_estimate:.1g} %; positions not counted"
    rate = f"{outcome.read.nitrogen_unit or 'as logged'}, the path's curve counted"
    rows = (
        ("ground", "step times width of each record, strips united", union),
        ("field", _field_words(outcome), "ground outside it is not compared"),
        ("rate", rate, "as good as the meter"),
        ("nitrogen in the ammonia", f"{100 * outcome.nitrogen_fraction:g} % by weight", "taken as exact"),
        ("liquid at the meter", _liquid_words(outcome, system), "sets the meter's calibration and the bar's window"),
        ("on target", "within 10 %", "off beyond that; the cause is the first one that explains it"),
        ("scale ticket", "taken as true", "a difference of 2 % or more is told; a flow meter is good for about 1 %"),
    )
    heads = ("what", "taken as", "how far it may be off, or what it decides")
    return Table("What is not known, and how it is counted", heads, rows, "<<<", (2.2, 3.8, 3.9), on=PRINTED)


def _columns_table(outcome: ReconcileOutcome) -> Table:
    columns = tuple((role, name, unit or "-") for role, (name, unit) in sorted(outcome.read.columns.items()))
    return Table("Columns of the log", ("role", "column", "unit"), columns, "<<<", (2.0, 3.5, 2.0), on=PRINTED)


def _basis_section(outcome: ReconcileOutcome, origin: Origin | None, system: System) -> Section:
    read, bar = outcome.read, outcome.bar
    blocks: list[Block] = [] if origin is None else [*origin_blocks(origin, bar, system)]
    blocks += [_columns_table(outcome), Paragraph(records_text(outcome))]
    if read.derived:
        blocks.append(Paragraph(f"Worked out, not logged: {', '.join(read.derived)}."))
    blocks += _listed("What was read", [note.said(system) for note in outcome.notes])
    blocks += [Paragraph("Assumptions", "head", on=PRINTED), _assumptions(outcome, system)]
    if bar is not None:
        blocks += _listed("What the bar file leaves open", assumed_lines(bar, system), on=PRINTED)
        blocks += _listed("Worth a second look in the bar file", unusual_lines(bar, system), on=PRINTED)
    blocks += _listed("Not counted", _NOT_COUNTED, on=PRINTED)
    return Section("basis", "What this rests on", tuple(blocks))


def reconciled_report(
    outcome: ReconcileOutcome,
    system: System,
    most_zones: int | None = MOST_ZONES,
    ground: Ground | None = None,
    origin: Origin | None = None,
) -> Report:
    """Say everything about a reconciled log.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    system : str
        ``"us"`` or ``"metric"``.
    most_zones : int or None
        How many zones the table lists; None for all.
    ground : Ground, optional
        What is drawn; without it there are no figures.
    origin : Origin, optional
        Files, options, version and date of a report that is to be printed.
    """
    name = outcome.read.path.name
    against = "its own target" if outcome.target is None else outcome.target.path.name
    subtitle = "As applied" + ("" if outcome.bar is None else f" · bar {outcome.bar.name}")
    if outcome.read.start:
        subtitle += f" · log begins {outcome.read.start}"
    sections = (
        _to_do(outcome, system),
        _map_section(outcome, ground, system),
        _spread_section(outcome, ground, system),
        _zones_section(outcome, system, most_zones),
        *rehearsed_section(outcome, system, most_zones),
        _ticket_section(outcome, system),
        _bar_section(outcome, ground, system),
        caution_section(),
        _basis_section(outcome, origin, system),
    )
    made = "" if origin is None else stamp(origin)
    title = f"{name} against {against}"
    return Report(title, subtitle, answer(outcome, system), sections, SHORT_CAUTION, made)
