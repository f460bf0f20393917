"""A planned field as JSON."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.decide.orifices import OrificeOption
from geoflow.decide.speeds import SpeedSet
from geoflow.report.json_numbers import in_unit, in_units

if TYPE_CHECKING:
    from geoflow.outcomes import PlanOutcome

__all__ = ["driven_speeds", "plan_document"]


def _option_document(option: OrificeOption, held: float) -> dict[str, Any]:
    return {
        "orifices": list(option.orifices),
        "fitted_now": option.fitted,
        "holds_ac": in_unit(option.area_planned, "area", "acre"),
        "gains_ac": in_unit(option.area_planned - held, "area", "acre"),
        "loses_ac": in_unit(option.lost_planned, "area", "acre"),
        "best_speed_mph": in_unit(option.speeds.recommended, "speed", "mile/hour"),
        "holds_at_best_speed_ac": in_unit(option.speeds.best_area, "area", "acre"),
        "rows_off_mean": round(option.uneven, 6),
        "even": option.even,
    }


def _set_document(chosen: SpeedSet, held: float) -> dict[str, Any]:
    return {
        "speeds_mph": in_units(chosen.speed, "speed", "mile/hour"),
        "holds_ac": in_unit(chosen.area_held, "area", "acre"),
        "gains_ac": in_unit(chosen.area_held - held, "area", "acre"),
    }


def _loads_document(plan: PlanOutcome) -> dict[str, Any] | None:
    loads, rows = plan.loads, plan.vetted.prescription.row
    if loads is None:
        return None
    return {
        "tanks": len(loads.drawn),
        "full_load_lb_nh3": in_unit(loads.full_load, "mass", "lb"),
        "heel": round(loads.heel, 6),
        "liquid_in_full_tank_lb": in_unit(loads.liquid_mass, "mass", "lb"),
        "liquid_in_full_tank_gal": in_unit(loads.liquid_volume, "volume", "gallon"),
        "filled_at_degF": in_unit(loads.start_temperature, "temperature", "degF"),
        "delivered_over_prescribed": round(loads.delivered_ratio, 6),
        "loads": [
            {
                "drawn_lb_nh3": drawn,
                "pass": int(loads.number[index]) + 1,
                "distance_ft": distance,
                "zone": int(rows[loads.zone[index]]),
                "zone_id": plan.vetted.prescription.zone_id[loads.zone[index]],
                "lon_lat": [round(float(value), 6) for value in plan.load_places[index]],
                "end_fill": round(float(loads.end_fill[index]), 4),
                "end_degF": warmth,
            }
            for index, (drawn, distance, warmth) in enumerate(
                zip(
                    in_units(loads.drawn, "mass", "lb"),
                    in_units(loads.distance, "length", "ft"),
                    in_units(loads.end_temperature, "temperature", "degF"),
                    strict=True,
                )
            )
        ],
    }


def _alternatives(plan: PlanOutcome) -> dict[str, Any]:
    curve, held = plan.curve, plan.area_held
    best = None if plan.recommended is None else float(curve.area_held(plan.recommended))
    return {
        "best_speed": {
            "recommended_mph": in_unit(plan.recommended, "speed", "mile/hour"),
            "range_mph": None if plan.steady is None else in_units(np.array(plan.steady), "speed", "mile/hour"),
            "holds_ac": in_unit(best or 0.0, "area", "acre"),
            "gains_ac": in_unit((best or 0.0) - held, "area", "acre"),
            "exact_best_mph": None if curve.best is None else in_units(np.array(curve.best), "speed", "mile/hour"),
            "exact_best_holds_ac": in_unit(curve.best_area, "area", "acre"),
            "asked_ac": in_unit(curve.asked, "area", "acre"),
            "curve": {
                "speed_mph": in_units(curve.speed, "speed", "mile/hour"),
                "holds_at_ac": in_units(curve.area_at, "area", "acre"),
                "holds_between_ac": in_units(curve.area_between, "area", "acre"),
            },
        },
        "speed_sets": [_set_document(chosen, held) for chosen in plan.sets],
        "orifices": {
            "recommended": None if plan.orifices.recommended is None else list(plan.orifices.recommended.orifices),
            "options": [_option_document(option, held) for option in plan.orifices.options],
            "uneven_mixtures": [
                {"orifices": list(mixture), "rows_off_mean": round(off, 6)}
                for mixture, off in plan.orifices.uneven_mixtures.items()
            ],
        },
        "liquid_temperature": {
            "best_degF": None
            if plan.warmth.best is None
            else in_units(np.array(plan.warmth.best), "temperature", "degF"),
            "holds_ac": in_unit(plan.warmth.best_area, "area", "acre"),
            "gains_ac": in_unit(plan.warmth.best_area - held, "area", "acre"),
            "curve": {
                "temperature_degF": in_units(plan.warmth.temperature, "temperature", "degF"),
                "holds_ac": in_units(plan.warmth.area_held, "area", "acre"),
            },
        },
    }


def plan_document(plan: PlanOutcome) -> dict[str, Any]:
    """Give the plan as a plain dictionary, the unit in every key; what it is not, but could be, has its gain beside."""
    rows, solution, vetting = plan.vetted.prescription.row, plan.vetted.solution, plan.vetted.vetting
    area, end = plan.vetted.prescription.area, plan.end_of_tank
    middle = in_units(0.5 * (plan.speeds[0] + plan.speeds[1]), "speed", "mile/hour")
    slow, fast = (in_units(speed, "speed", "mile/hour") for speed in plan.speeds)
    verdict = vetting.verdict.tolist()
    fastest, usual, slowest = plan.time
    return {
        "temperature_degF": in_units(np.array(solution.plan.temperature), "temperature", "degF"),
        "speed_mph": in_units(np.array(solution.plan.speed), "speed", "mile/hour"),
        "plan": {
            "speed_from": _FROM[plan.chosen],
            "speeds_mph": in_units(driven_speeds(plan), "speed", "mile/hour"),
            "holds_ac": in_unit(plan.area_held, "area", "acre"),
            "asked_ac": in_unit(plan.curve.asked, "area", "acre"),
            **{f"zones_{name}": int((vetting.verdict == name).sum()) for name in ("holds", "doubtful", "fails", "off")},
            "warnings": list(solution.warnings()),
        },
        "zones": [
            {
                "zone": zone,
                "zone_id": plan.vetted.prescription.zone_id[index],
                "speed_mph": middle[index],
                "speed_range_mph": [slow[index], fast[index]],
                "holds": None if verdict[index] == "off" else verdict[index] == "holds",
                "verdict": verdict[index],
                "limited_by": str(vetting.limited_by[index]) or None,
            }
            for index, zone in enumerate(rows.tolist())
        ],
        **_alternatives(plan),
        "hours": {
            "productive_h": round(usual.productive / 3600.0, 4),
            "total_h": round(usual.total / 3600.0, 4),
            "total_range_h": [round(one.total / 3600.0, 4) for one in (fastest, slowest)],
            "field_efficiency": round(plan.efficiency, 4),
        },
        "heading_deg": round(math.degrees(plan.heading) % 180.0, 1),
        "tank_loads": _loads_document(plan),
        "end_of_tank": None
        if end is None
        else {
            "coldest_degF": in_unit(end.temperature, "temperature", "degF"),
            "holds_ac": in_unit(float(area[end.after.verdict == "holds"].sum()), "area", "acre"),
            "zones_worse": rows[end.worse].tolist(),
        },
    }


_FROM: Final = {
    "given": "given",
    "best": "best single speed",
    "several": "best speeds by zone",
    "middle": "middle of the allowed speeds",
}


def driven_speeds(plan: PlanOutcome) -> FloatArray:
    """Speeds of the plan [m/s], rising: each that a zone is driven at, or both ends of a range."""
    asked = plan.vetted.rate > 0.0
    return np.unique(np.concatenate([speed[asked] if asked.any() else speed for speed in plan.speeds]))
