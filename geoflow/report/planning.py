"""A planned field in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.base.counted import count, verb
from geoflow.base.said import said, said_range
from geoflow.base.units import System, number, number_range, show, unit_label
from geoflow.report.basis import basis_section, stamp
from geoflow.report.by_hour import hours_blocks, hours_section
from geoflow.report.cautions import SHORT_CAUTION, caution_section
from geoflow.report.cures import advisable
from geoflow.report.day import cooling_text, hours_text, loads_blocks
from geoflow.report.flashing import assumption_blocks
from geoflow.report.layout import in_runs, some_names, within, zone_names
from geoflow.report.model import Block, Paragraph, Report, Section, Table
from geoflow.report.odds import odds_text
from geoflow.report.plan_document import driven_speeds
from geoflow.report.plan_maps import plan_figures
from geoflow.report.reading import left_out_warning, reading_section
from geoflow.report.sizing import plan_sizes_text
from geoflow.report.vetted import zones_hold_text
from geoflow.report.window import heading, plan_warnings
from geoflow.report.zones import verdict_table

if TYPE_CHECKING:
    from geoflow.decide.orifices import OrificeOption
    from geoflow.outcomes import Origin, PlanOutcome

__all__ = ["plan_answer", "planned_report"]

# Names or runs of them that a line of the table takes.
_MOST_NAMES: Final = 200
# Less than this much ground is no gain [m2]: a twentieth of an acre, which prints as nothing.
_NOTHING: Final = 202.0


def _speed_text(plan: PlanOutcome, system: System) -> str:
    """The speeds of the plan, the same wherever they are named."""
    driven = driven_speeds(plan).tolist()
    if plan.chosen == "several":
        each = [said(speed, "speed", system) for speed in driven]
        return f"{', '.join(each[:-1])} and {each[-1]} by zone" if len(each) > 1 else each[0]
    return said_range(driven[0], driven[-1], "speed", system)


def plan_answer(plan: PlanOutcome, system: System) -> str:
    """Say in one sentence what the plan is and what holds at it.

    Parameters
    ----------
    plan : PlanOutcome
        From `plan_field`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    curve = plan.curve
    if curve.asked <= 0.0:
        return "Every zone asks for zero: there is nothing to plan."
    speed = _speed_text(plan, system)
    acres = f"{number(plan.area_held, 'area', system)} of {show(curve.asked, 'area', system)}"
    lead = {
        "given": f"Plan: {speed}, as given",
        "best": f"Plan: {speed}, the best single speed",
        "several": f"Plan: {speed}",
        "middle": f"No zone certainly holds at any allowed speed. Plan: {speed}, the middle of the allowed ones",
    }[plan.chosen]
    return f"{lead}. {zones_hold_text(plan.vetted.vetting.verdict, acres)}."


def _steady(plan: PlanOutcome, system: System) -> list[Block]:
    """Say how far the best speed may be missed."""
    if plan.chosen != "best":
        return []
    if plan.steady is None:
        return [Paragraph("Only just: at a little slower or faster less of the field holds.")]
    return [Paragraph(f"As much of the field holds anywhere from {within(*plan.steady, 'speed', system)}.")]


def _cooled(plan: PlanOutcome, system: System) -> list[Block]:
    """Say what the cooling of a tank leaves of that, and which zones it takes away."""
    end, area = plan.day.end, plan.vetted.prescription.area
    if end is None or not end.worse.any():
        return []
    names = plan.vetted.prescription.zone_id
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
                parts.append(f"{some} {_verdict_verb(before, many=many)} with a full tank and {was} then ({limits})")
    lost_then, cooling = "; ".join(parts), cooling_text(end.temperature, system)
    then = f"Then {show(held, 'area', system)} still hold. {lost_then[:1].upper()}{lost_then[1:]}."
    return [Paragraph(f"{cooling} {then}", "warning")]


def _verdict_verb(verdict: str, *, many: bool) -> str:
    if verdict == "holds":
        return "hold" if many else "holds"
    return "are doubtful" if many else "is doubtful"


def _what_would_help(plan: PlanOutcome, system: System) -> list[Block]:
    """Where nothing holds at any speed: what would help, as computed."""
    if plan.chosen != "middle" or plan.curve.asked <= 0.0:
        return []
    ways = []
    if any(option.speeds.best_area > _NOTHING for option in plan.orifices.options if not option.fitted):
        ways.append("another orifice, see below")
    if plan.warmth.best is not None and advisable(*plan.warmth.best):
        ways.append(f"liquid {_stretch(plan, plan.warmth.best, system)}")
    if plan.held_with_a_point > _NOTHING:
        ways.append(
            "a measured point (flow of one row, manifold pressure, liquid temperature), with which "
            f"at least {show(plan.held_with_a_point, 'area', system)} are expected to hold at the best speed then"
        )
    if not ways:
        return [
            Paragraph("No orifice of the bar file, no liquid temperature and no measured point is expected to help.")
        ]
    return [Paragraph(f"What would help: {'; or '.join(ways)}.")]


def _runs(plan: PlanOutcome) -> list[tuple[tuple[float, float, str, str], list[int]]]:
    """Zones in runs of rates that share speed, verdict and limit, which come with their members."""
    vetting, rate, (slow, fast) = plan.vetted.vetting, plan.vetted.rate, plan.speeds
    runs: list[tuple[tuple[float, float, str, str], list[int]]] = []
    for index in np.lexsort((np.arange(rate.size), fast, slow, rate)).tolist():
        if rate[index] > 0.0:
            key = (float(slow[index]), float(fast[index]), str(vetting.verdict[index]), str(vetting.limited_by[index]))
            if not runs or runs[-1][0] != key:
                runs.append((key, []))
            runs[-1][1].append(index)
    return runs


def _zones_section(plan: PlanOutcome, system: System, *, all_zones: bool) -> Section:
    """Zones by rate."""
    rate, area, names = plan.vetted.rate, plan.vetted.prescription.area, list(plan.vetted.prescription.zone_id)
    rows, cut, most = [], False, None if all_zones else _MOST_NAMES
    for (low, high, verdict, limit), members in _runs(plan):
        rates = rate[members]
        rows.append(
            (
                number_range(float(rates.min()), float(rates.max()), "nitrogen rate", system),
                said_range(low, high, "speed", system),
                number(float(area[members].sum()), "area", system),
                f"{verdict}: {limit}" if limit else verdict,
                some_names(said_runs := in_runs([names[index] for index in sorted(members)]), most or len(said_runs)),
            )
        )
        cut |= most is not None and len(said_runs) > most
    more = " (--all-zones names all)" if cut else ""
    heads = (unit_label("nitrogen rate", system), "drive", unit_label("area", system), "verdict", "zones")
    return Section("zones", f"Zones by rate{more}", (Table("", heads, tuple(rows), "<<><<"),))


def _gain(area: float, plan: PlanOutcome, system: System) -> str:
    gain = area - plan.area_held
    return f"{'+' if gain > 0.0 else ''}{number(gain, 'area', system)}"


def _alternatives_section(plan: PlanOutcome, system: System) -> Section:
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
    if plan.area_at_own_speeds > max((area for _, area in others), default=0.0) + _NOTHING:
        others.append(("every rate at a speed of its own, right at it", plan.area_at_own_speeds))
    if plan.warmth.best is not None and advisable(*plan.warmth.best):
        others.append((f"liquid {_stretch(plan, plan.warmth.best, system)}", plan.warmth.best_area))
    better = [(what, area) for what, area in others if area > plan.area_held + _NOTHING]
    title = "What would hold more"
    if not better:
        nothing = Paragraph("Other speeds or liquid temperatures would hold no more.")
        return Section("alternatives", title, (nothing,))
    heads = (f"each alone, instead of the plan's {show(plan.area_held, 'area', system)}", label, "gain")
    rows = tuple((what, number(area, "area", system), _gain(area, plan, system)) for what, area in better)
    return Section("alternatives", title, (Table("", heads, rows, "<>>"),))


def _orifice_cells(option: OrificeOption, plan: PlanOutcome, system: System) -> tuple[str, ...]:
    remark = [
        "fitted" if option.fitted else "",
        "recommended" if option is plan.orifices.recommended else "",
        "" if option.even else f"rows up to {100.0 * option.uneven:.0f} % off their mean",
    ]
    best = option.speeds.best
    return (
        option.orifices[0] if len(set(option.orifices)) == 1 else " / ".join(option.orifices),
        number(option.area_planned, "area", system),
        "" if option.fitted else _gain(option.area_planned, plan, system),
        "none" if best is None else within(*best, "speed", system),
        number(option.speeds.best_area, "area", system),
        ", ".join(word for word in remark if word),
    )


def _orifices_section(plan: PlanOutcome, system: System) -> Section:
    label = unit_label("area", system)
    rows = [_orifice_cells(option, plan, system) for option in plan.orifices.options]
    heads = ("orifices", f"hold {label}", "gain", "or at one speed", f"hold {label}", "")
    caption = f"At the planned temperatures and {_speed_text(plan, system)}"
    blocks: list[Block] = [Table(caption, heads, tuple(rows), "<>>>><")]
    if plan.sizes is not None:
        kept = [option for option in plan.orifices.options if option.even] or list(plan.orifices.options)
        most, owned = max(option.area_planned for option in kept), len(plan.vetted.solution.bar.orifices)
        blocks.append(Paragraph(plan_sizes_text(plan.sizes, owned, most, system)))
    left = len(plan.orifices.uneven_mixtures)
    if left:
        said_left = (
            f"{count(left, 'way')} of fitting different orifices in different sections {verb(left, 'is', 'are')} left "
            "out: rows would be more than 5 % off their mean."
        )
        blocks.append(Paragraph(said_left))
    return Section("orifices", "Orifices of the bar file", tuple(blocks))


def _stretch(plan: PlanOutcome, best: tuple[float, float], system: System) -> str:
    coldest, warmest = plan.warmth.temperature[[0, -1]]
    label = unit_label("temperature", system)
    if best[0] <= coldest:
        return f"up to {number(best[1], 'temperature', system, None, 'down')} {label}"
    if best[1] >= warmest:
        return f"from {number(best[0], 'temperature', system, None, 'up')} {label}"
    return within(*best, "temperature", system)


def _day_section(plan: PlanOutcome, system: System, *, all_zones: bool) -> Section:
    day, names = plan.day, plan.vetted.prescription.zone_id
    hours = hours_text((day.time[0], day.time[2]), day.efficiency, _speed_text(plan, system))
    blocks = [Paragraph(hours), *loads_blocks(day, names, system, all_loads=all_zones)]
    if day.end is not None and not day.end.worse.any():
        blocks.append(Paragraph(f"{cooling_text(day.end.temperature, system)} No zone loses its verdict for it."))
    return Section("loads", "Loads and hours", tuple(blocks))


def _by_verdict(plan: PlanOutcome, system: System, *, printed: bool) -> list[Block]:
    """Zones by verdict at the speeds of the plan, on paper."""
    vetted = plan.vetted
    return [verdict_table(vetted.rate, vetted.prescription, vetted.vetting.verdict, system)] if printed else []


def _rests_section(plan: PlanOutcome, system: System) -> Section:
    vetting = plan.vetted.vetting
    flows = vetting.flow_low, vetting.flow_high, vetting.verdict
    return Section("rests", "Behind the verdicts", tuple(assumption_blocks(plan.vetted.solution, system, flows)))


def planned_report(
    plan: PlanOutcome, system: System, *, all_zones: bool = False, origin: Origin | None = None
) -> Report:
    """Say everything about a planned field.

    Parameters
    ----------
    plan : PlanOutcome
        From `plan_field`.
    system : str
        ``"us"`` or ``"metric"``.
    all_zones : bool
        Name every zone and every tank.
    origin : Origin, optional
        Of a report on paper, which has the maps too; without it no figure is drawn.
    """
    prescription, solution = plan.vetted.prescription, plan.vetted.solution
    asked = plan.curve.asked > 0.0
    first = (
        *_steady(plan, system),
        *_cooled(plan, system),
        *hours_blocks(plan, system),
        *_what_would_help(plan, system),
        *plan_warnings(solution),
        *left_out_warning(prescription),
        *map(Paragraph, filter(None, (odds_text(plan.vetted),))),
    )
    sections = [
        _zones_section(plan, system, all_zones=all_zones),
        _day_section(plan, system, all_zones=all_zones),
        *hours_section(plan, system, printed=origin is not None),
        _alternatives_section(plan, system),
        _orifices_section(plan, system),
        _rests_section(plan, system),
    ]
    speeds = f" · {_speed_text(plan, system)}" if asked else ""
    return Report(
        f"{prescription.path.name} planned for the bar {solution.bar.name}",
        f"{heading(solution, system, with_speed=False)}{speeds}",
        plan_answer(plan, system),
        (
            Section("answer", "What to do", (*first, *_by_verdict(plan, system, printed=origin is not None))),
            *([] if origin is None else [Section("map", "Maps of speeds and rates", plan_figures(plan, system))]),
            *(sections if asked else []),
            *([reading_section(prescription, system)] if origin is None else []),
            caution_section(),
            *([] if origin is None else [basis_section(prescription, solution, origin, system)]),
        ),
        SHORT_CAUTION,
        "" if origin is None else stamp(origin),
    )
