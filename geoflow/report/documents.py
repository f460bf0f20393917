"""The JSON documents: plain dictionaries with the unit in every key."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import FloatArray, TextArray
from geoflow.base.schema import LIMITS, VERDICTS
from geoflow.decide.gauges import expected_gauges, rows_at_map_rates
from geoflow.decide.settling import Settling
from geoflow.decide.vet import Solution, Vetting
from geoflow.hydraulics.window import Bounds
from geoflow.physics.ammonia import saturation
from geoflow.report.doubt import doubt_document
from geoflow.report.gauges import ends_document, gauges_document, split_document
from geoflow.report.json_numbers import in_unit, in_units, reading_document, rounded

if TYPE_CHECKING:
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["totals", "vet_document", "window_document"]


def _pair(low: float, high: float, kind: str, unit: str) -> list[float | None] | None:
    if not low <= high:
        return None
    return [in_unit(low, kind, unit), in_unit(high, kind, unit)]


def _gauge(pressure: float, bar: Bar) -> float | None:
    return in_unit(pressure - bar.air_pressure, "pressure", "psi")


def _flow_bounds(bounds: Bounds) -> list[float | None] | None:
    return _pair(bounds.low, bounds.high, "ammonia flow", "lb/minute")


def window_document(solution: Solution, *, with_speed: bool) -> dict[str, Any]:
    """Give the window over the plan as the contract has it, with what else a program may want."""
    bar, plan, window = solution.bar, solution.plan, solution.window
    true_certain = window.over_plan(certain=True, commanded=False)
    true_possible = window.over_plan(certain=False, commanded=False)
    vapour = saturation(np.array(plan.temperature)).pressure
    document: dict[str, Any] = {
        "bar": bar.name,
        "temperature_degF": in_units(np.array(plan.temperature), "temperature", "degF"),
        "flow_lb_nh3_min": {"certain": _flow_bounds(true_certain), "possible": _flow_bounds(true_possible)},
        "limited_by": {"low": solution.certain.low_limit, "high": solution.certain.high_limit},
        "possible_limited_by": {"low": solution.possible.low_limit, "high": solution.possible.high_limit},
        "certain_edges_lb_nh3_min": {
            "low": in_unit(true_certain.low, "ammonia flow", "lb/minute"),
            "high": in_unit(true_certain.high, "ammonia flow", "lb/minute"),
        },
        "width_ft": in_unit(window.width, "length", "ft"),
        "rows": window.rows,
        "sections_on": [bar.sections[index].name for index in plan.sections],
        "delivered_over_prescribed": [rounded(window.delivered_ratio.min()), rounded(window.delivered_ratio.max())],
        "tank_pressure_psig": [_gauge(float(pressure), bar) for pressure in vapour],
        "liquid_margin_psi": in_unit(bar.limits.liquid_margin, "pressure", "psi"),
    }
    if with_speed:
        document["speed_mph"] = in_units(np.array(plan.speed), "speed", "mile/hour")
        document["rate_lb_n_ac"] = {
            "certain": _pair(*solution.rate_bounds(solution.certain), "nitrogen rate", "lb/acre"),
            "possible": _pair(*solution.rate_bounds(solution.possible), "nitrogen rate", "lb/acre"),
        }
    document["warnings"] = list(solution.warnings(with_speed=with_speed))
    document["gauges_at_ends"] = ends_document(solution)
    document["row_split"] = split_document(rows_at_map_rates(solution), solution)
    return document


def totals(rate: FloatArray, area: FloatArray, verdict: TextArray) -> dict[str, Any]:
    """Zones, acres and pounds by verdict."""
    counts = {name: int(np.sum(verdict == name)) for name in VERDICTS}
    return {
        "area_ac": in_unit(float(area.sum()), "area", "acre"),
        "nitrogen_lb": in_unit(float((rate * area).sum()), "mass", "lb"),
        "zones": len(area),
        **counts,
        **{f"area_{name}_ac": in_unit(float(area[verdict == name].sum()), "area", "acre") for name in VERDICTS},
    }


def _spans(low: list[float | None], high: list[float | None]) -> list[list[float | None] | None]:
    return [None if first is None else [first, last] for first, last in zip(low, high, strict=True)]


def _stretches(solution: Solution, vetting: Vetting) -> list[list[float | None] | None]:
    """Liquid temperatures each zone holds between; None for an end beyond what was searched."""
    coldest, warmest = solution.search.temperature[[0, -1]]
    none = np.isnan(vetting.temperature_low)
    low = np.where(vetting.temperature_low <= coldest + 0.01, np.nan, vetting.temperature_low)
    high = np.where(vetting.temperature_high >= warmest - 0.01, np.nan, vetting.temperature_high)
    pairs = zip(none.tolist(), in_units(low, "temperature", "degF"), in_units(high, "temperature", "degF"), strict=True)
    return [None if nowhere else [first, last] for nowhere, first, last in pairs]


def _zones(prescription: Prescription, rate: FloatArray, solution: Solution, vetting: Vetting) -> list[dict[str, Any]]:
    pounds = in_units(rate, "nitrogen rate", "lb/acre")
    acres = in_units(prescription.area, "area", "acre")
    speeds = _spans(
        in_units(vetting.speed_low, "speed", "mile/hour"), in_units(vetting.speed_high, "speed", "mile/hour")
    )
    warmth = _stretches(solution, vetting)
    margin = in_units(vetting.margin, "pressure", "psi")
    expected = in_units(vetting.expected_margin, "pressure", "psi")
    rates = _pair(*solution.rate_bounds(solution.certain), "nitrogen rate", "lb/acre")
    cures = {name: flags.tolist() for name, flags in vetting.cured_by_orifice.items()}
    return [
        {
            "zone": zone,
            "zone_id": prescription.zone_id[index],
            "rate_lb_n_ac": pounds[index],
            "area_ac": acres[index],
            "verdict": verdict,
            "side": side or None,
            "limited_by": limit or None,
            "speed_mph": speeds[index],
            "rate_range_lb_n_ac": rates,
            "liquid_margin_psi": margin[index],
            "expected_margin_psi": expected[index],
            "holds_between_degF": warmth[index],
            "holds_with_orifice": [name for name, flags in cures.items() if flags[index]],
        }
        for index, (zone, verdict, side, limit) in enumerate(
            zip(
                prescription.row.tolist(),
                vetting.verdict.tolist(),
                vetting.side.tolist(),
                vetting.limited_by.tolist(),
                strict=True,
            )
        )
    ]


def vet_document(
    prescription: Prescription,
    rate: FloatArray,
    solution: Solution,
    vetting: Vetting,
    doubt: Settling | None,
) -> dict[str, Any]:
    """Give the whole vetting as the contract has it; `doubt` says what would settle doubtful zones."""
    area = prescription.area
    return {
        "input": reading_document(prescription),
        "bar": solution.bar.name,
        "window": window_document(solution, with_speed=True),
        "zones": _zones(prescription, rate, solution, vetting),
        "totals": totals(rate, area, vetting.verdict),
        "gauges": gauges_document(expected_gauges(rate, area, solution, vetting), solution),
        "row_split": split_document(rows_at_map_rates(solution, rate, area, vetting), solution),
        "doubt": doubt_document(doubt),
        "limits": {name: limit.meaning for name, limit in LIMITS.items()},
    }
