"""A planned field in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.base.said import said, said_range
from geoflow.base.units import System, number, show, unit_label
from geoflow.report.cautions import CAUTIONS
from geoflow.report.cures import advisable
from geoflow.report.layout import count, number_range, some_names, table, verb, within, wrap, zone_names, zone_numbers
from geoflow.report.loads import full_tank_text, tanks_text
from geoflow.report.plan_document import driven_speeds
from geoflow.report.text import heading, held_text, reading_lines, warning_lines

if TYPE_CHECKING:
    from geoflow.outcomes import PlanOutcome

__all__ = ["plan_text"]

_MOST_NAMES: Final = 12
_MOST_LOADS: Final = 30
# Less than this much ground is no gain [m2]: a twentieth of an acre, which prints as nothing.
_NOTHING: Final = 202.0


def _speed_text(plan: PlanOutcome, system: System) -> str:
    """The speeds of the plan, the same wherever they are named."""
    driven = driven_speeds(plan).tolist()
    if plan.chosen == "several":
        each = [said(speed, "speed", system) for speed in driven]
        return f"{', '.join(each[:-1])} and {each[-1]} by zone" if len(each) > 1 else each[0]
    return said_range(driven[0], driven[-1], "speed", system)


def _answer_lines(plan: PlanOutcome, system: System) -> list[str]:
    curve, vetting = plan.curve, plan.vetted.vetting
    if curve.asked <= 0.0:
        return ["Every zone asks for zero: there is nothing to plan."]
    speed = _speed_text(plan, system)
    acres = f"{number(plan.area_held, 'area', system)} of {show(curve.asked, 'area', system)}"
    lead = {
        "given": f"Plan: {speed}, as given",
        "best": f"Plan: {speed}, the best single speed",
        "several": f"Plan: {speed}",
        "middle": f"No zone certainly holds at any allowed speed. Plan: {speed}, the middle of the allowed ones",
    }[plan.chosen]
    lines = [wrap(f"{lead}. {held_text(vetting.verdict, acres)}.", indent="")]
    if plan.chosen == "best":
        steady = "Only just: at a little slower or faster fewer acres hold."
        if plan.steady is not None:
            steady = f"As many acres hold anywhere from {within(*plan.steady, 'speed', system)}."
        lines.append(wrap(steady))
    return lines + _cooled_lines(plan, system)


def _cooled_lines(plan: PlanOutcome, system: System) -> list[str]:
    """Say what the cooling of a tank leaves of that, and which zones it takes away."""
    end, area = plan.end_of_tank, plan.vetted.prescription.area
    if end is None or not end.worse.any():
        return []
    names = zone_numbers(plan.vetted.prescription)
    cold = show(end.temperature, "temperature", system, 1)
    held = float(area[end.after.verdict == "holds"].sum())
    parts = []
    for then in ("doubtful", "fails"):
        for before in ("holds", "doubtful"):
            lost = np.flatnonzero(end.worse & (end.before.verdict == before) & (end.after.verdict == then))
            if lost.size:
                limits = " and ".join(sorted({str(name) for name in end.after.limited_by[lost] if name}))
                many = lost.size > 1
                was = f"{'are' if many else 'is'} doubtful" if then == "doubtful" else "fail" if many else "fails"
                some = zone_names([names[index] for index in lost], lost.size)
                parts.append(f"{some}, which {_verb(before, many=many)} with a full tank, {was} there ({limits})")
    return [
        wrap(
            f"! The tank cools while it is drawn, to {cold} at its end (no heat from air or steel counted). There "
            f"{show(held, 'area', system)} hold: {'; '.join(parts)}.",
            indent="  ",
            hang="    ",
        )
    ]


def _verb(verdict: str, *, many: bool) -> str:
    if verdict == "holds":
        return "hold" if many else "holds"
    return "are doubtful" if many else "is doubtful"


def _zone_lines(plan: PlanOutcome, system: System, *, all_zones: bool) -> list[str]:
    """Zones by rate: runs of rates that share speed and verdict."""
    vetting, rate, area = plan.vetted.vetting, plan.vetted.rate, plan.vetted.prescription.area
    names, (slow, fast) = zone_numbers(plan.vetted.prescription), plan.speeds
    rows = [[unit_label("nitrogen rate", system), "drive", unit_label("area", system), "verdict", "zones"]]
    runs: list[tuple[tuple[float, float, str, str], list[int]]] = []
    for index in np.lexsort((np.arange(rate.size), fast, slow, rate)).tolist():
        if rate[index] > 0.0:
            key = (float(slow[index]), float(fast[index]), str(vetting.verdict[index]), str(vetting.limited_by[index]))
            if not runs or runs[-1][0] != key:
                runs.append((key, []))
            runs[-1][1].append(index)
    for (low, high, verdict, limit), members in runs:
        rates = rate[members]
        rows.append(
            [
                number_range(float(rates.min()), float(rates.max()), "nitrogen rate", system),
                said_range(low, high, "speed", system),
                number(float(area[members].sum()), "area", system),
                f"{verdict}: {limit}" if limit else verdict,
                some_names([names[index] for index in sorted(members)], len(members) if all_zones else _MOST_NAMES),
            ]
        )
    more = "" if all_zones or all(len(members) <= _MOST_NAMES for _, members in runs) else " (--all-zones names all)"
    return [f"Zones by rate{more}", table(rows, "<<><<")]


def _gain(area: float, plan: PlanOutcome, system: System) -> str:
    gain = area - plan.area_held
    return f"{'+' if gain > 0.0 else ''}{number(gain, 'area', system)}"


def _alternative_lines(plan: PlanOutcome, system: System) -> list[str]:
    """What other speeds and temperatures would gain over the plan."""
    curve, label = plan.curve, unit_label("area", system)
    others: list[tuple[str, float]] = []
    if plan.recommended is not None and plan.chosen != "best":
        best = float(curve.area_held(plan.recommended))
        others.append((f"{said(plan.recommended, 'speed', system)} throughout", best))
    if curve.best is not None:
        exact = number(0.5 * sum(curve.best), "speed", system, 2)
        others.append(
            (f"exactly {exact} {unit_label('speed', system)} throughout, no slower or faster", curve.best_area)
        )
    for chosen in plan.sets[1:]:
        each = ", ".join(number(speed, "speed", system) for speed in chosen.speed.tolist())
        others.append(
            (f"{each} {unit_label('speed', system)} by zone (--speeds {chosen.speed.size})", chosen.area_held)
        )
    if plan.warmth.best is not None and advisable(*plan.warmth.best):
        others.append((f"liquid {_stretch(plan, plan.warmth.best, system)}", plan.warmth.best_area))
    better = [(what, area) for what, area in others if area > plan.area_held + _NOTHING]
    if not better:
        return ["Other speeds or liquid temperatures would hold no more."]
    rows = [[f"each alone, instead of the plan's {show(plan.area_held, 'area', system)}", label, "gain"]]
    rows += [[what, number(area, "area", system), _gain(area, plan, system)] for what, area in better]
    return ["What would hold more", table(rows, "<>>")]


def _orifice_lines(plan: PlanOutcome, system: System) -> list[str]:
    label, tempo = unit_label("area", system), _speed_text(plan, system)
    rows = [["orifices", f"hold {label}", "gain", "or at one speed", f"hold {label}", ""]]
    for option in plan.orifices.options:
        kinds = option.orifices[0] if len(set(option.orifices)) == 1 else " / ".join(option.orifices)
        remark = [
            "fitted" if option.fitted else "",
            "recommended" if option is plan.orifices.recommended else "",
            "" if option.even else f"rows up to {100.0 * option.uneven:.0f} % off their mean",
        ]
        best = option.speeds.best
        rows.append(
            [
                kinds,
                number(option.area_planned, "area", system),
                "" if option.fitted else _gain(option.area_planned, plan, system),
                "none" if best is None else within(*best, "speed", system),
                number(option.speeds.best_area, "area", system),
                ", ".join(word for word in remark if word),
            ]
        )
    lines = [
        wrap(f"Orifices of the bar file at the planned temperatures and {tempo}", indent=""),
        table(rows, "<>>>><"),
    ]
    left = len(plan.orifices.uneven_mixtures)
    if left:
        lines.append(
            wrap(
                f"{count(left, 'way')} of fitting different orifices in different sections "
                f"{verb(left, 'is', 'are')} left out: rows would be more than 5 % off their mean."
            )
        )
    return lines


def _stretch(plan: PlanOutcome, best: tuple[float, float], system: System) -> str:
    coldest, warmest = plan.warmth.temperature[[0, -1]]
    label = unit_label("temperature", system)
    if best[0] <= coldest:
        return f"up to {number(best[1], 'temperature', system, None, 'down')} {label}"
    if best[1] >= warmest:
        return f"from {number(best[0], 'temperature', system, None, 'up')} {label}"
    return within(*best, "temperature", system)


def _nothing_lines(plan: PlanOutcome, system: System) -> list[str]:
    """Where nothing holds at any speed: what would help, as computed."""
    if plan.chosen != "middle":
        return []
    ways = []
    if any(option.speeds.best_area > _NOTHING for option in plan.orifices.options if not option.fitted):
        ways.append("another orifice, see below")
    if plan.warmth.best is not None and advisable(*plan.warmth.best):
        ways.append(f"liquid {_stretch(plan, plan.warmth.best, system)}")
    if plan.held_with_a_point > _NOTHING:
        ways.append(
            "a measured point (flow of one row, manifold pressure, liquid temperature), with which "
            f"{show(plan.held_with_a_point, 'area', system)} are expected to hold at the best speed then"
        )
    if not ways:
        return [wrap("No orifice of the bar file, no liquid temperature and no measured point is expected to help.")]
    return [wrap(f"What would help: {'; or '.join(ways)}.")]


def _time_lines(plan: PlanOutcome, system: System) -> list[str]:
    fastest, _, slowest = plan.time
    worked, total = (
        f"{low / 3600.0:.1f} h"
        if f"{low / 3600.0:.1f}" == f"{high / 3600.0:.1f}"
        else f"{low / 3600.0:.1f} to {high / 3600.0:.1f} h"
        for low, high in ((fastest.productive, slowest.productive), (fastest.total, slowest.total))
    )
    return [
        wrap(
            f"Hours at {_speed_text(plan, system)}, zones of rate zero apart: {worked} in the ground, {total} in the "
            f"field at a field efficiency of {100.0 * plan.efficiency:.0f} % (unless given: Iowa State University "
            "Extension PM 696 and A3-24 for ammonia bars).",
            indent="",
        )
    ]


def _load_lines(plan: PlanOutcome, system: System) -> list[str]:
    loads, end = plan.loads, plan.end_of_tank
    if loads is None or end is None:
        return ["The bar file names no [tank], so loads are not counted."]
    lines = [
        wrap(
            f"Tanks: {tanks_text(loads, system)}. {full_tank_text(loads, system)} Passes run at "
            f"{math.degrees(plan.heading) % 180.0:.0f}° from north.",
            indent="",
        )
    ]
    rows = [["tank", "ends in pass", "after", "zone", "place (lat, lon)", "fill", "liquid at its end"]]
    names = zone_numbers(plan.vetted.prescription)
    for index in range(len(loads.drawn)):
        lon, lat = plan.load_places[index]
        rows.append(
            [
                str(index + 1),
                str(int(loads.number[index]) + 1),
                show(float(loads.distance[index]), "length", system, 0),
                names[loads.zone[index]],
                f"{lat:.5f}, {lon:.5f}",
                f"{100.0 * float(loads.end_fill[index]):.0f} %",
                show(float(loads.end_temperature[index]), "temperature", system, 1),
            ]
        )
    if len(rows) > 1:
        lines.append(table(rows[: _MOST_LOADS + 1], "<>><<>>"))
    if len(rows) > _MOST_LOADS + 1:
        lines.append(f"  and {len(rows) - _MOST_LOADS - 1} more, all in the JSON")
    if not end.worse.any():
        cold = show(end.temperature, "temperature", system, 1)
        lines.append(
            wrap(
                f"Drawing a tank cools what is left of it, to about {cold} (no heat from air or steel counted). "
                "No zone loses its verdict for it."
            )
        )
    return lines


def plan_text(plan: PlanOutcome, system: System, *, all_zones: bool = False) -> str:
    """Say the plan in words and numbers.

    Parameters
    ----------
    plan : PlanOutcome
        From `plan_field`.
    system : str
        ``"us"`` or ``"metric"``.
    all_zones : bool
        Name every zone.
    """
    vetted = plan.vetted
    start = [
        _answer_lines(plan, system) + _nothing_lines(plan, system),
        warning_lines(vetted.solution),
        reading_lines(vetted.prescription, system),
    ]
    if plan.curve.asked <= 0.0:
        blocks = start
    else:
        blocks = [
            *start,
            [f"{heading(vetted.solution, system, with_speed=False)} · {_speed_text(plan, system)}"],
            _zone_lines(plan, system, all_zones=all_zones),
            _time_lines(plan, system),
            _load_lines(plan, system),
            _alternative_lines(plan, system),
            _orifice_lines(plan, system),
        ]
    return "\n\n".join("\n".join(block) for block in [*blocks, [wrap(CAUTIONS, indent="")]] if block)
