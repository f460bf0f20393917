"""The report on a reconciled log."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.arrays import BoolArray
from geoflow.reconcile.balance import MOST_LOST
from geoflow.report.bar_words import assumed_lines, unusual_lines
from geoflow.report.cautions import SHORT_CAUTION
from geoflow.report.findings import concern_texts, finding_text, percent, place_text
from geoflow.report.layout import count
from geoflow.report.reconciling import points, ticket_numbers
from geoflow.report.reconciling_text import answer
from geoflow.report.sheets.basis import Origin, caution_part, origin_blocks, stamp
from geoflow.report.sheets.ground import orifice_figure, ratio_figure, spread_figure
from geoflow.report.sheets.model import Block, Grid, Items, Para, Part, Picture, Report, plain
from geoflow.units import System, number, show, unit_label

if TYPE_CHECKING:
    from geoflow.diagnosis import AreaSeries
    from geoflow.formats.ground_rasters import GroundGrid
    from geoflow.workflow.reconciling import ReconcileOutcome

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
    found = outcome.found
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
    went = f"{show(found.nitrogen_out, 'mass', system)} N went out"
    if found.asked_by:
        whose = "the map asks for" if found.asked_by == "map" else "the log's own target comes to"
        went += f"; {whose} {show(found.nitrogen_asked, 'mass', system)} N"
    blocks += [Para(went + "."), _ground_grid(outcome, system)]
    return Part("answer", "What to do", tuple(blocks))


def _ground_grid(outcome: ReconcileOutcome, system: System) -> Grid:
    found, lain = outcome.found, outcome.found.overlay
    rows = [("driven over, passes added up", lain.swept), ("covered", lain.covered)]
    if found.has_field:
        rows += [("covered inside the field", lain.covered_in_field), ("field missed", lain.missed)]
    rows.append(("covered more than once", lain.doubled))
    if found.has_field:
        rows.append(("passes outside the field", found.outside_area))
    if found.unknown_rate_area > 0.0:
        rows.append(("covered while no rate was logged", found.unknown_rate_area))
    cells = tuple((name, number(area, "area", system, 2)) for name, area in rows)
    return Grid("Ground", ("ground", unit_label("area", system)), cells, "<>", (4.0, 1.5))


def _map_part(outcome: ReconcileOutcome, ground: Ground | None, system: System) -> Part:
    if ground is None:
        return Part("map", "Map of applied over target", (Para("No record of the log covers ground: no map."),))
    found = outcome.found
    lost = [one for one in outcome.judged if one.kind == _LOST]
    png, size = ratio_figure(
        ground.grid,
        ground.outlines,
        ground.marked,
        missed=found.overlay.missed if found.has_field else math.nan,
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
    agreed = outcome.found.agreement

    def rate(value: float) -> str:
        return number(value, "nitrogen rate", system, 1)

    label = unit_label("nitrogen rate", system)
    rows = (
        (f"asked, mean [{label}]", rate(agreed.target_mean)),
        (f"applied, mean [{label}]", rate(agreed.applied_mean)),
        (f"bias [{label}]", rate(agreed.bias)),
        (f"mean absolute difference [{label}]", rate(agreed.mae)),
        (f"root mean square difference [{label}]", rate(agreed.rmse)),
        ("concordance, 1 is perfect", f"{agreed.concordance:.3f}" if math.isfinite(agreed.concordance) else "-"),
        ("within 5 % of the target", percent(agreed.within_5)),
        ("within 10 %", percent(agreed.within_10)),
        ("within 20 %", percent(agreed.within_20)),
    )
    return Grid("Agreement, weighted by area, each pass on its own", ("measure", "value"), rows, "<>", (4.5, 1.8))


def _spread_part(outcome: ReconcileOutcome, system: System) -> Part:
    found = outcome.found
    title = "How the ground came out, and why"
    if not found.agreement.area > 0.0:
        return Part("spread", title, (Para("No ground has both a rate and a target: nothing can be compared."),))
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = found.rate[found.strip] / found.piece_target
    png, size = spread_figure(ratio, found.piece_area, found.cause_area, system)
    causes = [(name, area) for name, area in found.cause_area.items() if area > 0.0]
    off = sum(area for _, area in causes)
    said = "; ".join(f"{name} {show(area, 'area', system)}" for name, area in causes) or "none"
    alt = (
        "Left, how much ground got which ratio of applied to target; right, the ground more than 10 % off, by cause: "
        f"{said}."
    )
    caption = "The last bar on the left holds everything that got twice its target or more."
    blocks: list[Block] = [Picture("spread", png, size, alt, caption), _agreement_grid(outcome, system)]
    if causes:
        rows = tuple((name, number(area, "area", system, 2), percent(area / off)) for name, area in causes)
        heads = ("cause", unit_label("area", system), "share")
        blocks.append(Grid("Ground more than 10 % off, by cause", heads, rows, "<>>", (4.0, 1.2, 1.2)))
    blocks += _lag_blocks(outcome, system)
    return Part("spread", title, tuple(blocks))


def _lag_blocks(outcome: ReconcileOutcome, system: System) -> list[Block]:
    found = outcome.found
    if found.lag is None:
        return [Para("Lag: cannot be told (no clock, or the target hardly changes within a pass).")]
    whose = "the log's own target" if found.lag_from == "log" else "the map"
    blocks: list[Block] = [
        Para(
            f"Lag: the rate follows {whose} after {found.lag.best:.1f} s; anything from {found.lag.low:.1f} to "
            f"{found.lag.high:.1f} s fits as well."
        )
    ]
    if len(found.shifts) > 1:
        rows = []
        for shift in found.shifts:
            agreed = shift.agreement
            bias, spread = (number(value, "nitrogen rate", system, 1) for value in (agreed.bias, agreed.rmse))
            rows.append((f"{shift.seconds:+.1f} s", bias, spread, percent(agreed.within_10)))
        label = unit_label("nitrogen rate", system)
        heads = ("target shifted by", f"bias {label}", f"RMSE {label}", "within 10 %")
        caption = "With the target shifted: how well the control held; 0 s tells what the ground got"
        blocks.append(Grid(caption, heads, tuple(rows), ">>>>", (1.8, 1.8, 1.8, 1.6)))
    return blocks


def _zones_part(outcome: ReconcileOutcome, system: System, most: int) -> Part:
    zones, target = outcome.found.zones, outcome.target
    if zones is None or target is None:
        said = "No map was given, so there are no zones: the log's own target was compared record by record."
        return Part("zones", "Zones", (Para(said),))
    with np.errstate(divide="ignore", invalid="ignore"):
        gap = np.abs(zones.rate / zones.asked - 1.0)
    worst = np.argsort(-np.nan_to_num(gap, nan=np.inf, posinf=np.inf), kind="stable")
    rows = []
    for index in worst[:most].tolist():
        asked, got, near = (float(column[index]) for column in (zones.asked, zones.rate, zones.within_10))
        areas = (number(float(area[index]), "area", system, 2) for area in (zones.area, zones.missed, zones.doubled))
        rows.append(
            (
                str(target.row[index]),
                *areas,
                number(asked, "nitrogen rate", system, 1),
                number(got, "nitrogen rate", system, 1) if math.isfinite(got) else "-",
                f"{got / asked:.2f}" if math.isfinite(got) and asked > 0.0 else "-",
                percent(near) if math.isfinite(near) else "-",
            )
        )
    rest = len(worst) - len(rows)
    area, label = unit_label("area", system), unit_label("nitrogen rate", system)
    heads = ("zone", area, f"missed {area}", f"doubled {area}", f"asked {label}", "got", "ratio", "within 10 %")
    some = f"{count(len(worst), 'zone')}, furthest off first"
    caption = f"The first {len(rows):,} of {some}" if rest else f"All {some}"
    grid = Grid(caption, heads, tuple(rows), "<>>>>>>>", (0.9, 1.0, 1.3, 1.3, 1.5, 1.2, 1.0, 1.4))
    blocks: list[Block] = [grid]
    if rest:
        blocks.append(Para(f"Not listed: {count(rest, 'zone')} nearer to target. --all-zones lists every one."))
    return Part("zones", "Zones, furthest off first", tuple(blocks))


def _ticket_part(outcome: ReconcileOutcome, system: System) -> Part:
    balance, ticket = outcome.balance, ticket_numbers(outcome)
    title = "Scale tickets"
    if balance is None or ticket is None:
        return Part("ticket", title, (Para("None was given: the meter could not be checked (--ticket)."),))
    rows = [
        ("scale tickets", f"{show(balance.ticket, 'mass', system)} NH3"),
        ("log", f"{show(balance.logged, 'mass', system)} NH3"),
        *([("its gaps, about", f"{show(balance.bridged, 'mass', system)} NH3")] if balance.bridged > 0.0 else []),
        ("log over tickets", f"{balance.ratio:.4f}"),
        *([] if balance.lost_share > MOST_LOST else [("multiply the log by", f"{balance.meter_factor:.4f}")]),
    ]
    if balance.temperature_ratio is not None:
        rows.append(("of it the meter's missing temperature correction", f"{balance.temperature_ratio:.4f}"))
    for name, key in (
        ("corrected pulses per gallon", "pulses_per_gallon"),
        ("the same without temperature correction", "pulses_per_gallon_as_used"),
        ("corrected pulses per 10 lb N", "pulses_per_10_lb_n"),
    ):
        if ticket[key] is not None:
            rows.append((name, f"{ticket[key]:,.2f}"))
    blocks: list[Block] = [Grid("The log against the scale", ("mass balance", "value"), tuple(rows), "<>", (5.0, 2.2))]
    if balance.lost_share > MOST_LOST:
        lost = percent(balance.lost_share)
        blocks.append(Para(f"{lost} of what went out is missing from the log: no calibration follows from it."))
    if outcome.meter_temperature is not None and ticket["pulses_per_10_lb_n"] is not None:
        at = show(outcome.meter_temperature, "temperature", system)
        blocks.append(Para(f"Pulses per 10 lb N hold at {at} only. Change a calibration after two loads, not one."))
    return Part("ticket", title, tuple(blocks))


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
        caption = (
            "Dots: flow over what the bar file's orifices would pass at the logged pressure and temperature, whole bar "
            "on and liquid. Grey: what the uncertain coefficient and flashing allow. Falling: plugging; rising: wear, "
            "or a transmitter or meter that drifts."
        )
        blocks.append(Picture("orifices", png, size, alt, caption))
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
