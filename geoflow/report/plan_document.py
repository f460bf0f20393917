"""A planned field as JSON."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.units import HOUR
from geoflow.decide.orifices import OrificeOption
from geoflow.report.by_hour import hours_document
from geoflow.report.flashing import assumption_document
from geoflow.report.json_numbers import keyed, records
from geoflow.report.sizing_document import plan_sizes_document

if TYPE_CHECKING:
    from geoflow.outcomes import PlanOutcome

__all__ = ["driven_speeds", "plan_document"]


def _option_document(option: OrificeOption, held: float) -> dict[str, Any]:
    return keyed(
        orifices=list(option.orifices),
        fitted_now=option.fitted,
        holds_ac=option.area_planned,
        gains_ac=option.area_planned - held,
        loses_ac=option.lost_planned,
        best_speed_mph=option.speeds.recommended,
        holds_at_best_speed_ac=option.speeds.best_area,
        rows_off_mean=option.uneven,
        even=option.even,
    )


def _loads_document(plan: PlanOutcome) -> dict[str, Any] | None:
    loads, rows = plan.day.loads, plan.vetted.prescription.row
    if loads is None:
        return None
    return keyed(
        tanks=len(loads.drawn) * loads.together,
        tanks_together=loads.together,
        full_load_lb_nh3=loads.full_load,
        heel=loads.heel,
        liquid_in_full_tank_lb=loads.liquid_mass,
        liquid_in_full_tank_gal=loads.liquid_volume,
        filled_at_degF=loads.start_temperature,
        delivered_over_prescribed=loads.delivered_ratio,
        loads=records(
            **{"drawn_lb_nh3": loads.drawn, "pass": loads.number + 1, "distance_ft": loads.distance},
            zone=rows[loads.zone],
            zone_id=[plan.vetted.prescription.zone_id[at] for at in loads.zone],
            lon_lat=np.round(plan.day.places, 6).tolist(),
            end_fill=np.round(loads.end_fill, 4),
            end_degF=loads.end_temperature,
        ),
    )


def _alternatives(plan: PlanOutcome) -> dict[str, Any]:
    curve, held, warmth = plan.curve, plan.area_held, plan.warmth
    best = 0.0 if plan.recommended is None else float(curve.area_held(plan.recommended))
    recommended = plan.orifices.recommended
    return {
        "best_speed": keyed(
            recommended_mph=plan.recommended,
            range_mph=plan.steady,
            holds_ac=best,
            gains_ac=best - held,
            exact_best_mph=curve.best,
            exact_best_holds_ac=curve.best_area,
            asked_ac=curve.asked,
            curve=keyed(speed_mph=curve.speed, holds_at_ac=curve.area_at, holds_between_ac=curve.area_between),
        ),
        "speed_sets": [
            keyed(speeds_mph=chosen.speed, holds_ac=chosen.area_held, gains_ac=chosen.area_held - held)
            for chosen in plan.sets
        ],
        "own_speed_of_each_rate": keyed(holds_ac=plan.area_at_own_speeds, gains_ac=plan.area_at_own_speeds - held),
        "orifices": {
            "recommended": None if recommended is None else list(recommended.orifices),
            "options": [_option_document(option, held) for option in plan.orifices.options],
            "uneven_mixtures": [
                keyed(orifices=list(mixture), rows_off_mean=off)
                for mixture, off in plan.orifices.uneven_mixtures.items()
            ],
        },
        "liquid_temperature": keyed(
            best_degF=warmth.best,
            holds_ac=warmth.best_area,
            gains_ac=warmth.best_area - held,
            curve=keyed(temperature_degF=warmth.temperature, holds_ac=warmth.area_held),
        ),
    }


def _zones(plan: PlanOutcome) -> list[dict[str, Any]]:
    vetting, (slow, fast) = plan.vetted.vetting, plan.speeds
    verdict = vetting.verdict.tolist()
    ends = keyed(slow_mph=slow, fast_mph=fast)
    return records(
        zone=plan.vetted.prescription.row,
        zone_id=list(plan.vetted.prescription.zone_id),
        speed_mph=0.5 * (slow + fast),
        speed_range_mph=[list(pair) for pair in zip(*ends.values(), strict=True)],
        holds=[None if name == "off" else name == "holds" for name in verdict],
        verdict=verdict,
        odds=plan.vetted.odds,
        limited_by=[limit or None for limit in vetting.limited_by.tolist()],
    )


def _end_of_tank(plan: PlanOutcome) -> dict[str, Any] | None:
    end, prescription = plan.day.end, plan.vetted.prescription
    if end is None:
        return None
    held = float(prescription.area[end.after.verdict == "holds"].sum())
    return keyed(coldest_degF=end.temperature, holds_ac=held, zones_worse=prescription.row[end.worse])


def plan_document(plan: PlanOutcome) -> dict[str, Any]:
    """Give the plan as a plain dictionary, the unit in every key; what it is not, but could be, has its gain beside.

    Parameters
    ----------
    plan : PlanOutcome
        From `plan_field`.
    """
    solution, vetting = plan.vetted.solution, plan.vetted.vetting
    verdict = vetting.verdict
    fastest, usual, slowest = plan.day.time
    return {
        **keyed(temperature_degF=solution.plan.temperature, speed_mph=solution.plan.speed),
        "plan": {
            "speed_from": _FROM[plan.chosen],
            **keyed(speeds_mph=driven_speeds(plan), holds_ac=plan.area_held, asked_ac=plan.curve.asked),
            **{f"zones_{name}": int((verdict == name).sum()) for name in ("holds", "doubtful", "fails", "off")},
            "warnings": list(solution.warnings()),
            "rows_asked": solution.plan.rows,
        },
        "without_assumption": assumption_document(
            solution, (vetting.flow_low, vetting.flow_high, verdict), plan.vetted.prescription.row
        ),
        "zones": _zones(plan),
        **_alternatives(plan),
        "orifice_sizes": plan_sizes_document(plan.sizes),
        "hours": {
            "productive_h": _hours(usual.productive),
            "total_h": _hours(usual.total),
            "total_range_h": [_hours(one.total) for one in (fastest, slowest)],
            "field_efficiency": round(plan.day.efficiency, 4),
        },
        "heading_deg": round(math.degrees(plan.day.heading) % 180.0, 1),
        "start": None
        if plan.day.start is None
        else {
            "corner": plan.day.start.corner,
            "lon_lat": [round(end, 6) for end in plan.day.start.place],
            "heading_deg": round(math.degrees(plan.day.start.heading) % 360.0, 1),
        },
        "tank_loads": _loads_document(plan),
        "end_of_tank": _end_of_tank(plan),
        "day": hours_document(plan),
    }


def _hours(seconds: float) -> float:
    return round(seconds / HOUR, 4)


_FROM: Final = {
    "given": "given",
    "best": "best single speed",
    "several": "best speeds by zone",
    "middle": "middle of the allowed speeds",
}


def driven_speeds(plan: PlanOutcome) -> FloatArray:
    """Speeds of the plan [m/s], rising: each that a zone is driven at, or both ends of a range.

    Parameters
    ----------
    plan : PlanOutcome
        From `plan_field`.
    """
    asked = plan.vetted.rate > 0.0
    return np.unique(np.concatenate([speed[asked] if asked.any() else speed for speed in plan.speeds]))
