"""The JSON documents: plain dictionaries with the unit in every key."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.schema import LIMITS, VERDICTS
from geoflow.decide.gauges import rows_at_map_rates, tank_pressures
from geoflow.decide.vet import Solution, Vetting
from geoflow.report.beyond import beyond_document
from geoflow.report.doubt import doubt_document
from geoflow.report.flashing import assumption_document
from geoflow.report.gauges import ends_document, gauges_document, split_document
from geoflow.report.json_numbers import in_units, keyed, reading_document, records

if TYPE_CHECKING:
    from geoflow.outcomes import VetOutcome

__all__ = ["vet_document", "window_document"]


def _pair(low: float, high: float) -> tuple[float, float] | None:
    return (low, high) if low <= high else None


def window_document(solution: Solution, *, with_speed: bool, of_map: bool = False) -> dict[str, Any]:
    """Give the window over the plan as the contract has it, with what else a program may want.

    Parameters
    ----------
    solution : Solution
        The solved bar.
    with_speed : bool
        Whether the plan has a speed, without which there is no rate.
    of_map : bool
        Whether it stands in the document of a map, which tells itself what would change without an assumption.
    """
    bar, plan, window = solution.bar, solution.plan, solution.window
    bounds = {"certain": solution.certain, "possible": solution.possible}
    flows = {name: window.over_plan(certain=name == "certain", commanded=False) for name in bounds}
    limits = {name: {"low": one.low_limit, "high": one.high_limit} for name, one in bounds.items()}
    rates = {name: _pair(*solution.rate_bounds(one)) for name, one in bounds.items()}
    return {
        "bar": bar.name,
        **keyed(
            temperature_degF=plan.temperature,
            flow_lb_nh3_min={name: _pair(one.low, one.high) for name, one in flows.items()},
            limited_by=limits["certain"],
            possible_limited_by=limits["possible"],
            certain_edges_lb_nh3_min={"low": flows["certain"].low, "high": flows["certain"].high},
            width_ft=window.width,
            rows=window.rows,
            sections_on=[bar.sections[index].name for index in plan.sections],
            delivered_over_prescribed=(window.delivered_ratio.min(), window.delivered_ratio.max()),
            tank_pressure_psig=tuple(pressure - bar.air_pressure for pressure in tank_pressures(solution)),
            liquid_margin_psi=bar.limits.liquid_margin,
            **({"speed_mph": plan.speed, "rate_lb_n_ac": rates} if with_speed else {}),
        ),
        "warnings": list(solution.warnings(with_speed=with_speed)),
        "rows_asked": plan.rows,
        "without_assumption": None if of_map else assumption_document(solution, with_speed=with_speed),
        "gauges_at_ends": ends_document(solution),
        "row_split": split_document(rows_at_map_rates(solution), solution),
    }


def _totals(outcome: VetOutcome) -> dict[str, Any]:
    """Zones, acres and pounds by verdict."""
    area, verdict = outcome.prescription.area, outcome.vetting.verdict
    chosen = {name: verdict == name for name in VERDICTS}
    return keyed(
        area_ac=float(area.sum()),
        nitrogen_lb=float((outcome.rate * area).sum()),
        zones=len(area),
        **{name: int(flags.sum()) for name, flags in chosen.items()},
        **{f"area_{name}_ac": float(area[flags].sum()) for name, flags in chosen.items()},
    )


def _spans(low: FloatArray, high: FloatArray, kind: str, unit: str, none: Any) -> list[list[float | None] | None]:
    """Pairs of ends in a unit, shape (zones,); None where there is none."""
    ends = zip(none.tolist(), in_units(low, kind, unit), in_units(high, kind, unit), strict=True)
    return [None if nowhere else [first, last] for nowhere, first, last in ends]


def _stretches(solution: Solution, vetting: Vetting) -> list[list[float | None] | None]:
    """Liquid temperatures each zone holds between; None for an end beyond what was searched."""
    coldest, warmest = solution.search.temperature[[0, -1]]
    low = np.where(vetting.temperature_low <= coldest + 0.01, np.nan, vetting.temperature_low)
    high = np.where(vetting.temperature_high >= warmest - 0.01, np.nan, vetting.temperature_high)
    return _spans(low, high, "temperature", "degF", np.isnan(vetting.temperature_low))


def _zones(outcome: VetOutcome) -> list[dict[str, Any]]:
    prescription, solution, vetting = outcome.prescription, outcome.solution, outcome.vetting
    slow, fast, count = vetting.speed_low, vetting.speed_high, len(outcome.rate)
    rates = keyed(rate_lb_n_ac=_pair(*solution.rate_bounds(solution.certain)))["rate_lb_n_ac"]
    expected = vetting.expected_margin
    cures = {name: flags.tolist() for name, flags in vetting.cured_by_orifice.items()}
    return records(
        zone=prescription.row,
        zone_id=list(prescription.zone_id),
        rate_lb_n_ac=outcome.rate,
        area_ac=prescription.area,
        verdict=vetting.verdict,
        odds=outcome.odds,
        side=[side or None for side in vetting.side.tolist()],
        limited_by=[limit or None for limit in vetting.limited_by.tolist()],
        speed_mph=_spans(slow, fast, "speed", "mile/hour", ~np.isfinite(slow)),
        rate_range_lb_n_ac=[rates] * count,
        liquid_margin_psi=vetting.margin,
        expected_margin_psi=_spans(expected[:, 0], expected[:, 1], "pressure", "psi", np.isnan(vetting.margin)),
        holds_between_degF=_stretches(solution, vetting),
        holds_with_orifice=[[name for name, flags in cures.items() if flags[index]] for index in range(count)],
    )


def vet_document(outcome: VetOutcome) -> dict[str, Any]:
    """Give the whole vetting as the contract has it.

    Parameters
    ----------
    outcome : VetOutcome
        From `vet_file`.
    """
    solution, vetting = outcome.solution, outcome.vetting
    names = list(zip(outcome.prescription.row.tolist(), outcome.prescription.zone_id, strict=True))
    return {
        "input": reading_document(outcome.prescription),
        "bar": solution.bar.name,
        "window": window_document(solution, with_speed=True, of_map=True),
        "without_assumption": assumption_document(
            solution, (vetting.flow_low, vetting.flow_high, vetting.verdict), outcome.prescription.row
        ),
        "zones": _zones(outcome),
        "totals": _totals(outcome),
        "gauges": gauges_document(outcome.gauges, solution),
        "row_split": split_document(outcome.row_split, solution),
        "doubt": doubt_document(outcome.doubt, solution.bar.air_pressure),
        **beyond_document(outcome.beyond, names, [section.name for section in solution.bar.sections]),
        "limits": {name: limit.meaning for name, limit in LIMITS.items()},
    }
