"""A rewritten prescription as JSON and as rows of the side file."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.units import from_si
from geoflow.decide.rewrite import REASONS, Rewriting
from geoflow.report.flashing import assumption_document
from geoflow.report.json_numbers import keyed, records

if TYPE_CHECKING:
    from geoflow.outcomes import RewriteOutcome
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["SIDE_COLUMNS", "rewrite_columns", "rewrite_document", "side_rows"]

SIDE_COLUMNS: Final = (
    *("row", "zone", "before_lb_n_ac", "after_lb_n_ac", "area_ac", "change_lb_n", "speed_low_mph", "speed_high_mph"),
    *("verdict_before", "verdict_after", "reason"),
)


def rewrite_columns(prescription: Prescription, done: Rewriting) -> dict[str, list[Any]]:
    """Give `SIDE_COLUMNS` of every zone, and whether it changed.

    Parameters
    ----------
    prescription : Prescription
        As read.
    done : Rewriting
        The new rates.
    """
    rates = keyed(before_lb_n_ac=done.before, after_lb_n_ac=done.after)
    before, after = map(np.array, rates.values())
    area = from_si(prescription.area, "area", "acre")
    return keyed(
        row=prescription.row,
        zone=list(prescription.zone_id),
        **rates,
        area_ac=prescription.area,
        change_lb_n=np.round((after - before) * area, 6).tolist(),
        speed_low_mph=done.speed_low,
        speed_high_mph=done.speed_high,
        verdict_before=done.verdict_before,
        verdict_after=done.verdict,
        reason=[REASONS[reason] for reason in done.reason.tolist()],
        changed=done.rate_changed | np.char.endswith(done.reason, "speed"),
    )


def side_rows(prescription: Prescription, done: Rewriting) -> list[tuple[Any, ...]]:
    """Rows of the side file, `SIDE_COLUMNS` each: every zone that changed, still does not hold or is on no value of
    the controller.

    ``row`` counts from 0, for programs; ``zone`` is the number people see.

    Parameters
    ----------
    prescription : Prescription
        As read.
    done : Rewriting
        The new rates.
    """
    columns = rewrite_columns(prescription, done)
    touched = np.flatnonzero(np.array(columns["changed"], dtype=bool) | done.left_failing | done.off_values).tolist()
    every = len(touched) == len(prescription.row)
    held = [columns[name] if every else [columns[name][at] for at in touched] for name in SIDE_COLUMNS]
    return list(zip(*held, strict=True))


def _totals(done: Rewriting, columns: dict[str, list[Any]]) -> dict[str, Any]:
    moved, acres = np.array(columns["change_lb_n"]), np.array(columns["area_ac"])
    changed = np.array(columns["changed"], dtype=bool)
    return keyed(
        nitrogen_before_lb=done.nitrogen_before,
        nitrogen_after_lb=done.nitrogen_after,
        zones_changed=int(changed.sum()),
        zones_left_failing=int(done.left_failing.sum()),
        zones_raised=int(done.raised.sum()),
        zones_off_values=int(done.off_values.sum()),
        acres_changed=acres[changed].sum(),
        pounds_added=moved[moved > 0].sum(),
        pounds_taken=-moved[moved < 0].sum(),
        nitrogen_unplaced_lb=done.unplaced,
        acres_left_failing=acres[done.left_failing].sum(),
    )


def _money(outcome: RewriteOutcome) -> dict[str, Any]:
    """Give what the changes cost and bring, in the user's currency; nothing without prices."""
    if outcome.money is None:
        return {}
    spent, earned = outcome.money
    changes = {"nitrogen_cost": spent.sum(), "crop_value": earned.sum(), "net": earned.sum() - spent.sum()}
    sums = {f"{name}_change": round(float(change), 2) for name, change in changes.items()}
    return {"money": {**sums, "zones": np.round(earned - spent, 2).tolist()}}


def _short(outcome: RewriteOutcome) -> dict[str, Any]:
    """Give the zones too short for their rate; nothing without a controller."""
    pieces, short = outcome.pieces, outcome.short
    if pieces is None or outcome.heading is None:
        return {}
    columns = keyed(needed_ft=pieces.needed[short], shortest_ft=pieces.shortest[short])
    zones = records(
        zone=outcome.vetted.prescription.row[short],
        zone_id=[outcome.vetted.prescription.zone_id[at] for at in np.flatnonzero(short)],
        share_off_rate=np.round(pieces.off_share[short], 4),
        **{name: np.round(column, 2).tolist() for name, column in columns.items()},
    )
    return {"heading_deg": round(math.degrees(outcome.heading) % 180.0, 1), "short_zones": zones}


def rewrite_document(outcome: RewriteOutcome) -> dict[str, Any]:
    """Give the rewriting as the contract has it.

    Parameters
    ----------
    outcome : RewriteOutcome
        From `rewrite_file`.
    """
    prescription, solution, done = outcome.vetted.prescription, outcome.vetted.solution, outcome.done
    columns, after = rewrite_columns(prescription, done), outcome.after
    same = ("changed", "reason", "area_ac", "verdict_before", "verdict_after")
    return {
        "zones": records(
            zone=columns["row"],
            zone_id=columns["zone"],
            before_lb_n_ac=columns["before_lb_n_ac"],
            after_lb_n_ac=columns["after_lb_n_ac"],
            speed_mph=[list(ends) for ends in zip(columns["speed_low_mph"], columns["speed_high_mph"], strict=True)],
            **{name: columns[name] for name in same},
        ),
        "totals": _totals(done, columns),
        "warnings": list(solution.warnings()),
        "rows_asked": solution.plan.rows,
        "without_assumption": assumption_document(
            solution, (after.flow_low, after.flow_high, after.verdict), prescription.row
        ),
        "left_failing": prescription.row[done.left_failing].tolist(),
        "raised": prescription.row[done.raised].tolist(),
        "off_values": prescription.row[done.off_values].tolist(),
        "most_raise_share": None if math.isinf(outcome.rules.most_raise) else outcome.rules.most_raise,
        "most_raise_share_needed": outcome.share_needed,
        **keyed(planned_speed_mph=solution.plan.speed),
        "policy": outcome.policy,
        **_short(outcome),
        **_money(outcome),
    }
