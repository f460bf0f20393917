"""A planned field as JSON and in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from geoflow.arrays import FloatArray
from geoflow.planning.loads import TankLoads
from geoflow.planning.orifices import OrificeOption
from geoflow.planning.speeds import SpeedSet
from geoflow.report.cautions import CAUTIONS
from geoflow.report.layout import count, span, table, within, wrap
from geoflow.report.text import heading, reading_lines, warning_lines
from geoflow.units import System, from_si, number, show, unit_label

if TYPE_CHECKING:
    from geoflow.workflow.planning import PlanOutcome

__all__ = ["plan_document", "plan_text", "tanks_text"]


def _one(value: float | None, kind: str, unit: str) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return round(float(from_si(value, kind, unit)), 6)


def _many(values: FloatArray, kind: str, unit: str) -> list[float]:
    rounded: list[float] = np.round(from_si(values, kind, unit), 6).tolist()
    return rounded


def _option_document(option: OrificeOption) -> dict[str, Any]:
    return {
        "orifices": list(option.orifices),
        "fitted_now": option.fitted,
        "holds_ac": _one(option.area_planned, "area", "acre"),
        "loses_ac": _one(option.lost_planned, "area", "acre"),
        "best_speed_mph": _one(option.speeds.recommended, "speed", "mile/hour"),
        "holds_at_best_speed_ac": _one(option.speeds.best_area, "area", "acre"),
        "rows_off_mean": round(option.uneven, 6),
        "even": option.even,
    }


def _set_document(chosen: SpeedSet) -> dict[str, Any]:
    return {
        "speeds_mph": _many(chosen.speed, "speed", "mile/hour"),
        "holds_ac": _one(chosen.area_held, "area", "acre"),
    }


def _loads_document(plan: PlanOutcome) -> dict[str, Any] | None:
    loads, rows = plan.loads, plan.vetted.prescription.row
    if loads is None:
        return None
    return {
        "tanks": len(loads.drawn),
        "full_load_lb_nh3": _one(loads.full_load, "mass", "lb"),
        "liquid_in_full_tank_lb": _one(loads.liquid_mass, "mass", "lb"),
        "liquid_in_full_tank_gal": _one(loads.liquid_volume, "volume", "gallon"),
        "filled_at_degF": _one(loads.start_temperature, "temperature", "degF"),
        "delivered_over_prescribed": round(loads.delivered_ratio, 6),
        "loads": [
            {
                "drawn_lb_nh3": drawn,
                "pass": int(loads.number[index]) + 1,
                "distance_ft": distance,
                "zone": int(rows[loads.zone[index]]),
                "lon_lat": [round(float(value), 6) for value in plan.load_places[index]],
                "end_fill": round(float(loads.end_fill[index]), 4),
                "end_degF": warmth,
            }
            for index, (drawn, distance, warmth) in enumerate(
                zip(
                    _many(loads.drawn, "mass", "lb"),
                    _many(loads.distance, "length", "ft"),
                    _many(loads.end_temperature, "temperature", "degF"),
                    strict=True,
                )
            )
        ],
    }


def plan_document(plan: PlanOutcome) -> dict[str, Any]:
    """Give the plan as a plain dictionary, the unit in every key."""
    curve, rows, solution = plan.curve, plan.vetted.prescription.row, plan.vetted.solution
    speeds = _many(plan.chosen.zone_speed, "speed", "mile/hour")
    end = plan.end_of_tank
    return {
        "temperature_degF": _many(np.array(solution.plan.temperature), "temperature", "degF"),
        "speed_mph": _many(np.array(solution.plan.speed), "speed", "mile/hour"),
        "best_speed": {
            "recommended_mph": _one(plan.recommended, "speed", "mile/hour"),
            "range_mph": None if plan.steady is None else _many(np.array(plan.steady), "speed", "mile/hour"),
            "holds_ac": 0.0
            if plan.recommended is None
            else _one(float(curve.area_held(plan.recommended)), "area", "acre"),
            "exact_best_mph": None if curve.best is None else _many(np.array(curve.best), "speed", "mile/hour"),
            "exact_best_holds_ac": _one(curve.best_area, "area", "acre"),
            "asked_ac": _one(curve.asked, "area", "acre"),
            "curve": {
                "speed_mph": _many(curve.speed, "speed", "mile/hour"),
                "holds_at_ac": _many(curve.area_at, "area", "acre"),
                "holds_between_ac": _many(curve.area_between, "area", "acre"),
            },
        },
        "speed_sets": [_set_document(chosen) for chosen in plan.speeds],
        "zones": [
            {
                "zone": zone,
                "speed_mph": speeds[index],
                "holds": bool(plan.chosen.holds[index]) if plan.vetted.rate[index] > 0.0 else None,
            }
            for index, zone in enumerate(rows.tolist())
        ],
        "orifices": {
            "recommended": None if plan.orifices.recommended is None else list(plan.orifices.recommended.orifices),
            "options": [_option_document(option) for option in plan.orifices.options],
            "uneven_mixtures": [
                {"orifices": list(mixture), "rows_off_mean": round(off, 6)}
                for mixture, off in plan.orifices.uneven_mixtures.items()
            ],
        },
        "liquid_temperature": {
            "best_degF": None if plan.warmth.best is None else _many(np.array(plan.warmth.best), "temperature", "degF"),
            "holds_ac": _one(plan.warmth.best_area, "area", "acre"),
            "curve": {
                "temperature_degF": _many(plan.warmth.temperature, "temperature", "degF"),
                "holds_ac": _many(plan.warmth.area_held, "area", "acre"),
            },
        },
        "hours": {
            "productive_h": round(plan.time.productive / 3600.0, 4),
            "total_h": round(plan.time.total / 3600.0, 4),
            "field_efficiency": round(plan.efficiency, 4),
        },
        "heading_deg": round(math.degrees(plan.heading) % 180.0, 1),
        "tank_loads": _loads_document(plan),
        "end_of_tank": None
        if end is None
        else {
            "coldest_degF": _one(end.temperature, "temperature", "degF"),
            "zones_worse": rows[end.worse].tolist(),
        },
    }


def _speed_lines(plan: PlanOutcome, system: System) -> list[str]:
    curve = plan.curve
    if curve.asked <= 0.0:
        return ["Every zone asks for zero: there is nothing to plan."]
    if plan.recommended is None:
        return [
            "No zone certainly holds at any allowed speed: look at the orifices below, plan a narrower range of",
            "temperatures, or measure a point.",
        ]
    held = float(curve.area_held(plan.recommended))
    steady = "only just: a little slower or faster less does"
    if plan.steady is not None:
        steady = f"as much from {within(*plan.steady, 'speed', system)}"
    lines = [
        f"Best single speed: {show(plan.recommended, 'speed', system)}: {number(held, 'area', system)} of "
        f"{show(curve.asked, 'area', system)} hold ({steady})"
    ]
    if curve.best is not None and curve.best_area > 1.001 * held:
        exact = number(0.5 * sum(curve.best), "speed", system, 2)
        lines.append(
            wrap(f"(at exactly {exact} {unit_label('speed', system)} {show(curve.best_area, 'area', system)} would)")
        )
    lines += _cooled_lines(plan, system)
    rows = [["speeds", unit_label("area", system) + " that hold"]]
    for chosen in plan.speeds:
        words = ", ".join(number(float(speed), "speed", system) for speed in chosen.speed)
        rows.append([f"{words} {unit_label('speed', system)}", number(chosen.area_held, "area", system)])
    lines.append(table(rows, "<>"))
    return lines


def _cooled_lines(plan: PlanOutcome, system: System) -> list[str]:
    """Say what the cooling of a tank leaves of that."""
    end, vetted = plan.end_of_tank, plan.vetted
    if end is None:
        return []
    lost = (end.before.verdict == "holds") & (end.after.verdict != "holds")
    if not lost.any():
        return []
    rows = vetted.prescription.row[lost]
    shown = ", ".join(str(row) for row in rows[:12]) + (" ..." if rows.size > 12 else "")
    limits = " and ".join(sorted({str(name) for name in end.after.limited_by[lost] if name}))
    held = float(vetted.prescription.area[end.after.verdict == "holds"].sum())
    cold = f"{number(end.temperature, 'temperature', system, None, 'down')} {unit_label('temperature', system)}"
    return [
        wrap(
            f"! but the tank cools while it is drawn, to {cold}: at its end {number(held, 'area', system)} hold; "
            f"zone {shown} lose{'s' if rows.size == 1 else ''} the verdict there ({limits})",
            indent="  ",
            hang="    ",
        )
    ]


def _zone_lines(plan: PlanOutcome, system: System) -> list[str]:
    """Zones by the speed they are driven at."""
    chosen, rate, rows = plan.chosen, plan.vetted.rate, plan.vetted.prescription.row
    lines = [f"Speed by zone, {len(chosen.speed)} different" if len(chosen.speed) > 1 else "Speed by zone"]
    table_rows = [["speed", unit_label("nitrogen rate", system), "zones", ""]]
    for speed in chosen.speed.tolist():
        for good in (True, False):
            members = np.flatnonzero((chosen.zone_speed == speed) & (chosen.holds == good) & (rate > 0.0))
            if not members.size:
                continue
            shown = ", ".join(str(row) for row in rows[members[:12]]) + (" ..." if members.size > 12 else "")
            table_rows.append(
                [
                    show(speed, "speed", system),
                    span(float(rate[members].min()), float(rate[members].max()), "nitrogen rate", system),
                    shown,
                    "" if good else "do NOT hold",
                ]
            )
    return [*lines, table(table_rows, "<<<<")]


def _orifice_lines(plan: PlanOutcome, system: System) -> list[str]:
    rows = [["orifices", "hold " + unit_label("area", system), "loses", "best speed", "hold there", ""]]
    for option in plan.orifices.options:
        kinds = option.orifices[0] if len(set(option.orifices)) == 1 else " / ".join(option.orifices)
        remark = [
            "fitted" if option.fitted else "",
            "recommended" if option is plan.orifices.recommended else "",
            "" if option.even else f"rows up to {100.0 * option.uneven:.0f} % off their mean",
        ]
        best = option.speeds.recommended
        rows.append(
            [
                kinds,
                number(option.area_planned, "area", system),
                number(option.lost_planned, "area", system),
                "none" if best is None else show(best, "speed", system),
                number(option.speeds.best_area, "area", system),
                ", ".join(word for word in remark if word),
            ]
        )
    lines = ["Orifices of the bar file, over the whole day's temperatures at the planned speed", table(rows, "<>>>><")]
    if plan.orifices.uneven_mixtures:
        lines.append(
            wrap(
                f"{count(len(plan.orifices.uneven_mixtures), 'way')} of fitting different orifices in different "
                "sections left out: rows would be more than 5 % off their mean."
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


def _warmth_lines(plan: PlanOutcome, system: System) -> list[str]:
    best = plan.warmth.best
    if best is None:
        return ["No liquid temperature lets a zone hold at the planned speed."]
    return [
        wrap(
            f"Best liquid temperature at this speed: {_stretch(plan, best, system)} "
            f"({number(plan.warmth.best_area, 'area', system)} of {show(plan.warmth.asked, 'area', system)} hold).",
            indent="",
        )
    ]


def _time_lines(plan: PlanOutcome) -> list[str]:
    productive, total = plan.time.productive / 3600.0, plan.time.total / 3600.0
    return [
        wrap(
            f"Time at the zones' speeds, zones of rate zero apart: {productive:.1f} h in the ground, {total:.1f} h "
            "in the field at a field efficiency of "
            f"{100.0 * plan.efficiency:.0f} % (Iowa State University Extension PM 696 and A3-24 for ammonia bars).",
            indent="",
        )
    ]


def tanks_text(loads: TankLoads, system: System) -> str:
    """Say how many tanks it takes, and how much of the last."""
    last = float(loads.drawn[-1]) if len(loads.drawn) else 0.0
    if last > 0.999 * loads.full_load or len(loads.drawn) < 2:
        return count(len(loads.drawn), "tank")
    return f"{len(loads.drawn) - 1} full and {show(last, 'mass', system)} of one more"


def _load_lines(plan: PlanOutcome, system: System) -> list[str]:
    loads, end = plan.loads, plan.end_of_tank
    if loads is None or end is None:
        return ["The bar file names no [tank], so loads are not counted."]
    drawn = float(loads.drawn.sum())
    lines = [
        wrap(
            f"Tank loads: {tanks_text(loads, system)} for {show(drawn, 'mass', system)} NH3; a full tank gives "
            f"{show(loads.full_load, 'mass', system)} ({show(loads.liquid_volume, 'volume', system)} of liquid at "
            f"{show(loads.start_temperature, 'temperature', system)}). Passes run at "
            f"{math.degrees(plan.heading) % 180.0:.0f}° from north.",
            indent="",
        )
    ]
    rows = [["tank", "ends in pass", "after", "zone", "place (lat, lon)", "fill", "liquid at its end"]]
    for index in range(len(loads.drawn)):
        lon, lat = plan.load_places[index]
        rows.append(
            [
                str(index + 1),
                str(int(loads.number[index]) + 1),
                show(float(loads.distance[index]), "length", system, 0),
                str(plan.vetted.prescription.row[loads.zone[index]]),
                f"{lat:.5f}, {lon:.5f}",
                f"{100.0 * float(loads.end_fill[index]):.0f} %",
                show(float(loads.end_temperature[index]), "temperature", system, 1),
            ]
        )
    lines.append(table(rows[:31], "<>><<>>"))
    if len(rows) > 31:
        lines.append(f"  and {len(rows) - 31} more, all in the JSON")
    cold = show(end.temperature, "temperature", system, 1)
    lines.append(
        wrap(
            f"Drawing a tank cools what is left of it, to about {cold} (no heat from air or steel counted). "
            + (
                "Zones lose their verdict for it, see above."
                if end.worse.any()
                else "No zone loses its verdict for it."
            )
        )
    )
    return lines


def plan_text(plan: PlanOutcome, system: System) -> str:
    """Say the plan in words and numbers."""
    vetted = plan.vetted
    blocks = [
        _speed_lines(plan, system),
        warning_lines(vetted.solution),
        reading_lines(vetted.prescription, system),
        [heading(vetted.solution, system, with_speed=True)],
        _zone_lines(plan, system),
        _orifice_lines(plan, system),
        _warmth_lines(plan, system),
        _time_lines(plan),
        _load_lines(plan, system),
        [wrap(CAUTIONS, indent="")],
    ]
    return "\n\n".join("\n".join(block) for block in blocks if block)
