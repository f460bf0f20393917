"""A rewritten prescription as JSON and as rows of the side file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.units import from_si
from geoflow.decide.rewrite import REASONS, Rewriting
from geoflow.decide.vet import Solution
from geoflow.report.json_numbers import in_unit, in_units
from geoflow.report.layout import zone_numbers

if TYPE_CHECKING:
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["SIDE_COLUMNS", "rewrite_document", "side_rows"]

SIDE_COLUMNS: Final = (
    *("row", "zone", "before_lb_n_ac", "after_lb_n_ac", "area_ac", "change_lb_n", "speed_low_mph", "speed_high_mph"),
    *("verdict_before", "verdict_after", "reason"),
)


def _columns(prescription: Prescription, done: Rewriting) -> dict[str, list[Any]]:
    """Give `SIDE_COLUMNS` of every zone, and whether it changed."""
    area = from_si(prescription.area, "area", "acre")
    before, after = (in_units(rate, "nitrogen rate", "lb/acre") for rate in (done.before, done.after))
    columns = (
        prescription.row.tolist(),
        zone_numbers(prescription),
        before,
        after,
        np.round(area, 6).tolist(),
        np.round((np.array(after) - np.array(before)) * area, 6).tolist(),
        *(in_units(speed, "speed", "mile/hour") for speed in (done.speed_low, done.speed_high)),
        done.verdict_before.tolist(),
        done.verdict.tolist(),
        [REASONS[reason] for reason in done.reason.tolist()],
    )
    changed = (done.rate_changed | np.char.endswith(done.reason, "speed")).tolist()
    return {**dict(zip(SIDE_COLUMNS, columns, strict=True)), "changed": changed}


def side_rows(prescription: Prescription, done: Rewriting) -> list[list[Any]]:
    """Rows of the side file, `SIDE_COLUMNS` each: every zone that changed or still does not hold.

    ``row`` counts from 0, for programs; ``zone`` is the number people see.
    """
    columns = _columns(prescription, done)
    touched = np.flatnonzero(np.array(columns["changed"], dtype=bool) | done.left_failing).tolist()
    return [[columns[name][index] for name in SIDE_COLUMNS] for index in touched]


def rewrite_document(
    prescription: Prescription, done: Rewriting, solution: Solution, extra: dict[str, Any]
) -> dict[str, Any]:
    """Give the rewriting as the contract has it; `extra` holds short zones and money, where asked for."""
    columns = _columns(prescription, done)
    moved = np.array(columns["change_lb_n"])
    changed = np.array(columns["changed"], dtype=bool)
    acres = np.array(columns["area_ac"])
    return {
        "zones": [
            {
                "zone": zone,
                "zone_id": columns["zone"][index],
                "before_lb_n_ac": columns["before_lb_n_ac"][index],
                "after_lb_n_ac": columns["after_lb_n_ac"][index],
                "speed_mph": [columns["speed_low_mph"][index], columns["speed_high_mph"][index]],
                "changed": columns["changed"][index],
                "reason": columns["reason"][index],
                "area_ac": columns["area_ac"][index],
                "verdict_before": columns["verdict_before"][index],
                "verdict_after": columns["verdict_after"][index],
            }
            for index, zone in enumerate(columns["row"])
        ],
        "totals": {
            "nitrogen_before_lb": in_unit(done.nitrogen_before, "mass", "lb"),
            "nitrogen_after_lb": in_unit(done.nitrogen_after, "mass", "lb"),
            "zones_changed": int(changed.sum()),
            "zones_left_failing": int(done.left_failing.sum()),
            "zones_raised": int(done.raised.sum()),
            "acres_changed": round(float(acres[changed].sum()), 6),
            "pounds_added": round(float(moved[moved > 0].sum()), 6),
            "pounds_taken": round(float(-moved[moved < 0].sum()), 6),
            "nitrogen_unplaced_lb": in_unit(done.unplaced, "mass", "lb"),
            "acres_left_failing": round(float(acres[done.left_failing].sum()), 6),
        },
        "warnings": list(solution.warnings()),
        "left_failing": prescription.row[done.left_failing].tolist(),
        "raised": prescription.row[done.raised].tolist(),
        "planned_speed_mph": in_units(np.array(solution.plan.speed), "speed", "mile/hour"),
        **extra,
    }
