"""The window of a bar in words and numbers, and what to expect at its gauges."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from geoflow.base.arrays import FloatArray, TextArray, distinct
from geoflow.base.said import said_range
from geoflow.base.schema import LIMITS
from geoflow.base.units import KINDS, System, from_si, number, show, to_si, unit_label
from geoflow.decide.gauges import rows_at_map_rates
from geoflow.report.cautions import SHORT_CAUTION, caution_section
from geoflow.report.doubt import no_window_text
from geoflow.report.flashing import assumption_blocks
from geoflow.report.gauges import end_gauges, map_gauges, row_text, tank_text
from geoflow.report.layout import span, within
from geoflow.report.liquid_words import said_liquid
from geoflow.report.model import Block, BulletList, Paragraph, Report, Section, Table

if TYPE_CHECKING:
    from geoflow.decide.vet import Solution
    from geoflow.outcomes import VetOutcome

__all__ = [
    "gauge_blocks",
    "heading",
    "limit_list",
    "plan_warnings",
    "plan_words",
    "window_blocks",
    "window_report",
    "window_table",
]


def heading(solution: Solution, system: System, *, with_speed: bool) -> str:
    """One line with the bar and the plan.

    Parameters
    ----------
    solution : Solution
        The solved bar.
    system : str
        ``"us"`` or ``"metric"``.
    with_speed : bool
        Whether the plan has a speed.
    """
    bar, plan, window = solution.bar, solution.plan, solution.window
    parts = [f"{bar.name}: {window.rows} rows, {show(window.width, 'length', system)}"]
    if len(plan.sections) < len(bar.sections):
        parts.append("only " + ", ".join(bar.sections[index].name for index in plan.sections))
    parts.append(f"liquid {said_liquid(plan, system)}")
    if with_speed:
        parts.append(said_range(*plan.speed, "speed", system))
    return " · ".join(parts)


def plan_words(solution: Solution, system: System, *, with_speed: bool = True) -> str:
    """Say the planned speed and liquid temperature within a sentence.

    Parameters
    ----------
    solution : Solution
        The solved bar.
    system : str
        ``"us"`` or ``"metric"``.
    with_speed : bool
        Whether the plan has a speed.
    """
    liquid = f"liquid at {said_liquid(solution.plan, system)}"
    return f"{said_range(*solution.plan.speed, 'speed', system)} and {liquid}" if with_speed else liquid


def plan_warnings(solution: Solution, *, with_speed: bool = True) -> list[Paragraph]:
    """What about the plan itself has to be seen first.

    Parameters
    ----------
    solution : Solution
        The solved bar.
    with_speed : bool
        Whether the plan has a speed.
    """
    return [Paragraph(warning, "warning") for warning in solution.warnings(with_speed=with_speed)]


def window_table(solution: Solution, system: System, *, with_speed: bool = True) -> Table:
    """Rates and flows of the window over the plan.

    Parameters
    ----------
    solution : Solution
        The solved bar.
    system : str
        ``"us"`` or ``"metric"``.
    with_speed : bool
        Whether the plan has a speed, without which there is no rate.
    """
    rows = []
    if with_speed:
        rates = [solution.rate_bounds(bounds) for bounds in (solution.certain, solution.possible)]
        rows.append(("nitrogen rate", *(within(*ends, "nitrogen rate", system) for ends in rates)))
    flows = solution.window.both_over_plan(commanded=False)
    rows.append(("flow of all rows in use", *(within(one.low, one.high, "ammonia flow", system) for one in flows)))
    caption = f"The window over the plan: {plan_words(solution, system, with_speed=with_speed)}"
    return Table(caption, ("over the plan", "certain", "possible"), tuple(rows), "<<<", (3.0, 3.5, 3.5))


def limit_list(solution: Solution) -> BulletList:
    """What limits each end of the certain window, and what to do about it.

    Parameters
    ----------
    solution : Solution
        The solved bar.
    """
    ends = (("low", solution.certain.low_limit), ("high", solution.certain.high_limit))
    return BulletList(tuple(f"{end} end: {name}. {LIMITS[name].meaning} {LIMITS[name].remedy}" for end, name in ends))


def _meter(solution: Solution) -> list[Block]:
    """Say by how much a meter without temperature correction is off; nothing where it is not."""
    low, high = (100.0 * (float(end(solution.window.delivered_ratio)) - 1.0) for end in (np.min, np.max))
    if max(abs(low), abs(high)) < 0.05:
        return []
    much = f"{low:+.1f} %" if f"{low:.1f}" == f"{high:.1f}" else f"{low:+.1f} to {high:+.1f} %"
    return [
        Paragraph(
            f"The meter counts at one fixed density: over this plan the field really gets {much} against the display. "
            "The verdicts allow for it."
        )
    ]


def window_blocks(
    solution: Solution,
    system: System,
    flows: tuple[FloatArray, FloatArray, TextArray] | None = None,
    *,
    with_speed: bool = True,
) -> list[Block]:
    """Give the window in numbers, and what limits each end.

    Parameters
    ----------
    solution : Solution
        The solved bar.
    system : str
        ``"us"`` or ``"metric"``.
    flows : tuple of ndarray, optional
        Flow at the slowest and fastest speed [kg/s] and verdict of each zone, where there are zones.
    with_speed : bool
        Whether the plan has a speed.
    """
    blocks: list[Block] = [window_table(solution, system, with_speed=with_speed)]
    low, high = solution.rate_bounds(solution.certain)
    empty = solution.window.over_plan(certain=True, commanded=False).empty
    if with_speed and low > high and not empty:
        blocks.append(Paragraph("No single rate holds over the whole range of speeds: plan a narrower one."))
    if empty and not solution.hopeless:
        blocks.append(Paragraph(no_window_text(solution, system)))
    blocks += assumption_blocks(solution, system, flows, with_speed=with_speed)
    return [*blocks, limit_list(solution), *_meter(solution)]


def _speed_table(solution: Solution, system: System) -> Table:
    """Rates that hold at a few speeds between the allowed ones."""
    bar, window = solution.bar, solution.window
    slowest, fastest = bar.limits.speed
    unit = KINDS["speed"].us if system == "us" else KINDS["speed"].metric
    # Speeds that print as they are.
    shown = distinct(np.round(from_si(np.linspace(slowest, fastest, 5), "speed", unit), 1))
    rows = []
    for speed in to_si(shown, "speed", unit).tolist():
        share = bar.nitrogen_fraction / (window.width * speed)
        spans = [
            span(bounds.low * share, bounds.high * share, "nitrogen rate", system)
            for bounds in (solution.certain, solution.possible)
        ]
        rows.append((number(float(speed), "speed", system), *spans))
    rate = unit_label("nitrogen rate", system)
    heads = (f"speed {unit_label('speed', system)}", f"certain {rate}", f"possible {rate}")
    return Table("Rates at single speeds", heads, tuple(rows), "<<<", (2.0, 3.0, 3.0))


def gauge_blocks(solution: Solution, system: System, of_map: VetOutcome | None = None) -> list[Block]:
    """Say what the gauges should read, and how the rows share the flow.

    Parameters
    ----------
    solution : Solution
        The solved bar.
    system : str
        ``"us"`` or ``"metric"``.
    of_map : VetOutcome, optional
        The map; without one the ends of the window are told.
    """
    if of_map is None:
        gauges, split = end_gauges(solution, system), rows_at_map_rates(solution)
    else:
        gauges, split = map_gauges(of_map.gauges, solution, system), of_map.row_split
    uneven = row_text(split, solution)
    return [*gauges, Paragraph(tank_text(solution, system)), *map(Paragraph, uneven)]


def window_report(solution: Solution, system: System, *, with_speed: bool) -> Report:
    """Say the window of a bar without a map.

    Parameters
    ----------
    solution : Solution
        The solved bar.
    system : str
        ``"us"`` or ``"metric"``.
    with_speed : bool
        Whether the plan has a speed.
    """
    warnings = solution.warnings(with_speed=with_speed)
    certain = solution.window.over_plan(certain=True, commanded=False)
    answer = f"Certain flow of all rows in use: {within(certain.low, certain.high, 'ammonia flow', system)}."
    if with_speed:
        rate = within(*solution.rate_bounds(solution.certain), "nitrogen rate", system)
        answer = f"Certain rate: {rate}. {answer}"
    speeds = [] if with_speed else [_speed_table(solution, system)]
    return Report(
        f"Window of the bar {solution.bar.name}",
        heading(solution, system, with_speed=with_speed),
        # Danger comes before any number.
        f"! {warnings[0]}" if warnings else answer,
        (
            Section("warnings", "", tuple(plan_warnings(solution, with_speed=with_speed)[1:])),
            Section("window", "The window", (*window_blocks(solution, system, with_speed=with_speed), *speeds)),
            Section("gauges", "At the gauges", tuple(gauge_blocks(solution, system))),
            caution_section(),
        ),
        SHORT_CAUTION,
        "",
    )
