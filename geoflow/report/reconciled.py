"""The report on a reconciled log."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import BoolArray
from geoflow.base.units import System, show, unit_label
from geoflow.report.bar_words import assumed_lines, unusual_lines
from geoflow.report.basis import Origin, caution_part, origin_blocks, stamp
from geoflow.report.cautions import SHORT_CAUTION
from geoflow.report.findings import concern_texts, finding_text, place_text
from geoflow.report.ground_figures import (
    ORIFICE_WORDS,
    SPREAD_WORDS,
    class_areas,
    orifice_figure,
    ratio_figure,
    spread_figure,
)
from geoflow.report.layout import count
from geoflow.report.model import Block, Grid, Items, Para, Part, Picture, Report, plain
from geoflow.report.reconciled_rows import (
    cause_rows,
    ground_rows,
    lag_text,
    rate_rows,
    shift_rows,
    ticket_notes,
    ticket_rows,
    went_out,
    worst_zones,
    zone_heads,
    zone_row,
)
from geoflow.report.reconciling import points
from geoflow.report.reconciling_text import answer

if TYPE_CHECKING:
    from geoflow.diagnosis import AreaSeries
    from geoflow.layers.ground_rasters import GroundGrid
    from geoflow.outcomes import ReconcileOutcome

__all__ = ["Ground", "reconciled_report"]

_LOST: Final = "liquid margin lost"
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
        From `formats.ground_rasters.lay_grid`.
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


def _to_do(outcome: ReconcileOutcome, system: System) -> Part:
    off = [f"{kind[:1].upper()}{kind[1:]}: {text}" for kind, text in concern_texts(outcome, system)]
    bar = [
        f"{one.kind[:1].upper()}{one.kind[1:]} ({one.confidence} confidence): {finding_text(one, outcome, system)}"
        for one in outcome.judged
    ]
    blocks: list[Block] = []
    if bar:
        blocks += [Para("Look at the bar before the next field:"), Items(tuple(plain(text) for text in bar))]
    if off:
        blocks += [Para("Look at in this field:"), Items(tuple(plain(text) for text in off))]
    if not off and not bar:
        blocks.append(Para("Nothing has to be looked at."))
    blocks += [Para(f"Nitrogen: {went_out(outcome, system)}"), _ground_grid(outcome, system)]
    return Part("answer", "What to do", tuple(blocks))


def _ground_grid(outcome: ReconcileOutcome, system: System) -> Grid:
    heads = ("ground", unit_label("area", system))
    return Grid("Ground", heads, tuple(ground_rows(outcome, system)), "<>", (4.0, 1.5))


def _map_part(outcome: ReconcileOutcome, ground: Ground | None, system: System) -> Part:
    if ground is None:
        return Part("map", "Map of applied over target", (Para("No record of the log covers ground: no map."),))
    lost = [one for one in outcome.judged if one.kind == _LOST]
    png, size = ratio_figure(
        ground.grid,
        ground.outlines,
        ground.marked,
        areas=class_areas(outcome.found),
        mark=(_LOST, lost[0].numbers["area"]) if lost else None,
        system=system,
    )
    alt = (
        "Map of applied over target in five classes, the more went down the darker, with stripes where too little did. "
        + plain(answer(outcome, system))
    )
    caption = "North is up. Lines: the zones of the map or the outline of the field." + (
        " Crosses: where the liquid margin was lost." if lost else ""
    )
    return Part("map", "Map of applied over target", (Picture("map", png, size, alt, caption),))


def _agreement_grid(outcome: ReconcileOutcome, system: System) -> Grid:
    heads, *rows = rate_rows(outcome, system)
    aligned = "<" + ">" * (len(heads) - 1)
    return Grid("Agreement", heads, tuple(rows), aligned, (4.5, *(1.8,) * (len(heads) - 1)))


def _spread_part(outcome: ReconcileOutcome, system: System) -> Part:
    found = outcome.found
    title = "How the ground came out, and why"
    if not found.agreement.area > 0.0:
        return Part("spread", title, (Para("No ground has both a rate and a target: nothing can be compared."),))
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = found.laid.applied / found.laid.target
    png, size = spread_figure(ratio, found.laid.area, found.cause_area, system)
    causes = cause_rows(outcome, system)
    said = "; ".join(f"{name} {area} {unit_label('area', system)}" for name, area, _ in causes) or "none"
    alt = (
        "Left, how much ground got which ratio of applied to target; right, the ground more than 10 % off, by cause: "
        f"{said}."
    )
    blocks: list[Block] = [Picture("spread", png, size, alt, SPREAD_WORDS), _agreement_grid(outcome, system)]
    if causes:
        heads = ("cause", unit_label("area", system), "share")
        blocks.append(Grid("Ground more than 10 % off, by cause", heads, tuple(causes), "<>>", (4.0, 1.2, 1.2)))
    blocks += _lag_blocks(outcome, system)
    return Part("spread", title, tuple(blocks))


def _lag_blocks(outcome: ReconcileOutcome, system: System) -> list[Block]:
    blocks: list[Block] = [Para(lag_text(outcome))]
    if shifts := shift_rows(outcome, system):
        caption = "With the target shifted: how well the control held; 0 s tells what the ground got"
        blocks.append(Grid(caption, shifts[0], tuple(shifts[1:]), "<>>>", (2.6, 1.6, 1.6, 1.8)))
    return blocks


def _zones_part(outcome: ReconcileOutcome, system: System, most: int) -> Part:
    if outcome.found.zones is None:
        said = "No map was given, so there are no zones: the log's own target was compared record by record."
        return Part("zones", "Zones", (Para(said),))
    worst = worst_zones(outcome)
    rows = tuple(zone_row(outcome, index, system) for index in worst[:most].tolist())
    rest = len(worst) - len(rows)
    some = f"{count(len(worst), 'zone')}, furthest off first"
    caption = f"The first {len(rows):,} of {some}" if rest else f"All {some}"
    heads = zone_heads(outcome, system)
    widths = (0.9, 1.0, 1.2, 1.2, 1.5, *(1.2,) * (len(heads) - 7), 1.0, 1.4)
    blocks: list[Block] = [Grid(caption, heads, rows, "<" + ">" * (len(heads) - 1), widths)]
    if rest:
        blocks.append(Para(f"Not listed: {count(rest, 'zone')} nearer to target. --all-zones lists every one."))
    return Part("zones", "Zones, furthest off first", tuple(blocks))


def _ticket_part(outcome: ReconcileOutcome, system: System) -> Part:
    title = "Scale tickets"
    if outcome.balance is None:
        return Part("ticket", title, (Para("None was given: the meter could not be checked (--ticket)."),))
    rows = tuple(ticket_rows(outcome, system))
    blocks: list[Block] = [Grid("The log against the scale", ("mass balance", "value"), rows, "<>", (5.0, 2.2))]
    return Part("ticket", title, (*blocks, *(Para(note) for note in ticket_notes(outcome, system))))


def _bar_part(outcome: ReconcileOutcome, ground: Ground | None, system: System) -> Part:
    title = "What the log tells about the bar"
    if outcome.bar is None:
        return Part("bar", title, (Para("No bar file was given, so the bar was not judged."),))
    blocks: list[Block] = []
    if outcome.judged:
        rows = tuple(
            (one.kind, one.confidence, plain(finding_text(one, outcome, system)), plain(place_text(one, outcome)))
            for one in outcome.judged
        )
        heads = ("finding", "confidence", "what was seen, what to do", "where")
        blocks.append(Grid("Findings about the bar", heads, rows, "<<<<", (1.6, 1.1, 4.8, 2.5)))
    else:
        blocks.append(Para("Nothing stands out in what was logged."))
    series = None if ground is None else ground.series
    if series is not None and series.place.size:
        png, size = orifice_figure(series)
        middle = 100.0 * float(np.nanmedian(series.ratio))
        alt = f"Effective orifice area over the log, in percent of the bar file's; the median is {middle:.0f} %."
        blocks.append(Picture("orifices", png, size, alt, ORIFICE_WORDS))
    missing = tuple(f"{one.kind}: needs {', '.join(one.missing)}" for one in outcome.diagnosis if one.missing)
    if missing:
        blocks += [Para("Could not be judged, for want of columns", "head"), Items(missing)]
    return Part("bar", title, tuple(blocks))


def _assumptions(outcome: ReconcileOutcome, system: System) -> Grid:
    found, read = outcome.found, outcome.read
    log = found.log
    warmth = "not known"
    if outcome.meter_temperature is not None:
        logged = bool(np.isfinite(log.temperature).any())
        source = "logged, weighted by flow" if logged else "given"
        warmth = f"{show(outcome.meter_temperature, 'temperature', system)}, {source}"
    rows = [
        (
            "ground",
            "step times width of each record, strips united",
            f"union ± {100 * found.overlay.error_estimate:.1g} %; positions not counted",
        ),
        ("field", _field_words(outcome), "ground outside it is not compared"),
        ("rate", f"{read.nitrogen_unit or 'as logged'}, the path's curve counted", "as good as the meter"),
        ("nitrogen in the ammonia", f"{100 * outcome.nitrogen_fraction:g} % by weight", "taken as exact"),
        ("liquid at the meter", warmth, "sets the meter's calibration and the bar's window"),
        ("on target", "within 10 %", "off beyond that; the cause is the first one that explains it"),
        ("scale ticket", "taken as true", "a difference of 2 % or more is told; a flow meter is good for about 1 %"),
    ]
    heads = ("what", "taken as", "how far it may be off, or what it decides")
    return Grid("What is not known, and how it is counted", heads, tuple(rows), "<<<", (2.2, 3.8, 3.9))


def _field_words(outcome: ReconcileOutcome) -> str:
    if outcome.boundary is not None:
        return "the boundary given"
    return "the outline of the map" if outcome.target is not None else "not known"


def _basis_part(outcome: ReconcileOutcome, origin: Origin, system: System) -> Part:
    read, said = outcome.read, points(outcome)
    columns = tuple((role, plain(name), unit or "-") for role, (name, unit) in sorted(read.columns.items()))
    dropped = tuple((cause, f"{left:,}") for cause, left in said["dropped"].items())
    blocks: list[Block] = [
        *origin_blocks(origin),
        Grid("Columns of the log", ("role", "column", "unit"), columns, "<<<", (2.0, 3.5, 2.0)),
        Para(f"{said['read']:,} records read, {said['kept']:,} on the ground."),
    ]
    if dropped:
        blocks.append(Grid("Records left out, by cause", ("cause", "records"), dropped, "<>", (4.0, 1.5)))
    if read.derived:
        blocks.append(Para(f"Worked out, not logged: {plain(', '.join(read.derived))}."))
    if outcome.facts:
        blocks += [Para("What was read", "head"), Items(tuple(plain(fact.text) for fact in outcome.facts))]
    blocks += [Para("Assumptions", "head"), _assumptions(outcome, system)]
    bar = outcome.bar
    for title, lines in (
        ("What the bar file leaves open", [] if bar is None else assumed_lines(bar, system)),
        ("Worth a second look in the bar file", [] if bar is None else unusual_lines(bar, system)),
        ("Not counted", _NOT_COUNTED),
    ):
        if lines:
            blocks += [Para(title, "head"), Items(tuple(plain(line) for line in lines))]
    return Part("basis", "What this rests on", tuple(blocks))


def reconciled_report(
    outcome: ReconcileOutcome, ground: Ground | None, origin: Origin, system: System, most_zones: int
) -> Report:
    """Say everything about a reconciled log.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    ground : Ground or None
        What is drawn; None where no record covers ground.
    origin : Origin
        Files, options, version and date.
    system : str
        ``"us"`` or ``"metric"``.
    most_zones : int
        How many zones the table lists.
    """
    name = plain(outcome.read.path.name)
    against = "its own target" if outcome.target is None else plain(outcome.target.path.name)
    subtitle = "As applied" + ("" if outcome.bar is None else f" · bar {plain(outcome.bar.name)}")
    if outcome.read.start:
        subtitle += f" · log begins {plain(str(outcome.read.start))}"
    return Report(
        f"{name} against {against}",
        subtitle,
        plain(answer(outcome, system)),
        (
            _to_do(outcome, system),
            _map_part(outcome, ground, system),
            _spread_part(outcome, system),
            _zones_part(outcome, system, most_zones),
            _ticket_part(outcome, system),
            _bar_part(outcome, ground, system),
            caution_part(),
            _basis_part(outcome, origin, system),
        ),
        SHORT_CAUTION,
        stamp(origin),
    )
