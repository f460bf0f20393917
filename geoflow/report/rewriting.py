"""A rewritten prescription as JSON, as rows of the side file, and in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray
from geoflow.base.units import System, from_si, number, show, unit_label
from geoflow.decide.rewrite import REASONS, Rewriting
from geoflow.decide.vet import Solution
from geoflow.report.cautions import CAUTIONS
from geoflow.report.layout import count, span, table, within, wrap, zone_numbers
from geoflow.report.text import heading, reading_lines, warning_lines

if TYPE_CHECKING:
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = [
    "SIDE_COLUMNS",
    "balance_text",
    "money_lines",
    "rewrite_document",
    "rewrite_text",
    "rewriting_answer",
    "side_rows",
]

SIDE_COLUMNS: Final = (
    "row",
    "zone",
    "before_lb_n_ac",
    "after_lb_n_ac",
    "area_ac",
    "change_lb_n",
    "speed_low_mph",
    "speed_high_mph",
    "verdict_before",
    "verdict_after",
    "reason",
)
_MOST_ZONES: Final = 20


def _pounds(values: FloatArray) -> list[float]:
    rounded: list[float] = np.round(from_si(values, "nitrogen rate", "lb/acre"), 6).tolist()
    return rounded


def _columns(prescription: Prescription, done: Rewriting) -> dict[str, list[Any]]:
    area = from_si(prescription.area, "area", "acre")
    before, after = _pounds(done.before), _pounds(done.after)
    return {
        "zone": prescription.row.tolist(),
        "number": zone_numbers(prescription),
        "before": before,
        "after": after,
        "area": np.round(area, 6).tolist(),
        "moved": np.round((np.array(after) - np.array(before)) * area, 6).tolist(),
        "slow": np.round(from_si(done.speed_low, "speed", "mile/hour"), 6).tolist(),
        "fast": np.round(from_si(done.speed_high, "speed", "mile/hour"), 6).tolist(),
        "verdict_before": done.verdict_before.tolist(),
        "verdict": done.verdict.tolist(),
        "reason": [REASONS[reason] for reason in done.reason.tolist()],
        "changed": (done.rate_changed | np.char.endswith(done.reason, "speed")).tolist(),
    }


def side_rows(prescription: Prescription, done: Rewriting) -> list[list[Any]]:
    """Rows of the side file, `SIDE_COLUMNS` each: every zone that changed or still does not hold.

    ``row`` counts from 0, for programs; ``zone`` is the number people see.
    """
    columns = _columns(prescription, done)
    names = (
        "zone",
        "number",
        "before",
        "after",
        "area",
        "moved",
        "slow",
        "fast",
        "verdict_before",
        "verdict",
        "reason",
    )
    return [
        [columns[name][index] for name in names]
        for index in range(len(done.before))
        if columns["changed"][index] or done.left_failing[index]
    ]


def rewrite_document(
    prescription: Prescription, done: Rewriting, solution: Solution, extra: dict[str, Any]
) -> dict[str, Any]:
    """Give the rewriting as the contract has it; `extra` holds short zones and money, where asked for."""
    columns = _columns(prescription, done)
    moved = np.array(columns["moved"])
    changed = np.array(columns["changed"], dtype=bool)
    acres = np.array(columns["area"])
    before, after = (float(from_si(mass, "mass", "lb")) for mass in (done.nitrogen_before, done.nitrogen_after))
    return {
        "zones": [
            {
                "zone": zone,
                "before_lb_n_ac": columns["before"][index],
                "after_lb_n_ac": columns["after"][index],
                "speed_mph": [columns["slow"][index], columns["fast"][index]],
                "changed": columns["changed"][index],
                "reason": columns["reason"][index],
                "area_ac": columns["area"][index],
                "verdict_before": columns["verdict_before"][index],
                "verdict_after": columns["verdict"][index],
            }
            for index, zone in enumerate(columns["zone"])
        ],
        "totals": {
            "nitrogen_before_lb": round(before, 6),
            "nitrogen_after_lb": round(after, 6),
            "zones_changed": int(changed.sum()),
            "zones_left_failing": int(done.left_failing.sum()),
            "zones_raised": int(done.raised.sum()),
            "acres_changed": round(float(acres[changed].sum()), 6),
            "pounds_added": round(float(moved[moved > 0].sum()), 6),
            "pounds_taken": round(float(-moved[moved < 0].sum()), 6),
            "nitrogen_unplaced_lb": round(float(from_si(done.unplaced, "mass", "lb")), 6),
            "acres_left_failing": round(float(acres[done.left_failing].sum()), 6),
        },
        "warnings": list(solution.warnings()),
        "left_failing": prescription.row[done.left_failing].tolist(),
        "raised": prescription.row[done.raised].tolist(),
        "planned_speed_mph": np.round(from_si(np.array(solution.plan.speed), "speed", "mile/hour"), 6).tolist(),
        **extra,
    }


def rewriting_answer(done: Rewriting, area: FloatArray, system: System) -> str:
    """Say in one sentence what the rewriting did."""
    asked = done.before > 0.0
    if not asked.any():
        return "Every zone asks for zero: there is nothing to rewrite."
    holds, left = int((done.verdict[asked] == "holds").sum()), int(done.left_failing.sum())
    changed, raised = int(done.rate_changed.sum()), int(done.raised.sum())
    own = int(np.char.endswith(done.reason, "speed").sum())

    def acres(chosen: BoolArray) -> str:
        return show(float(area[chosen].sum()), "area", system)

    words = f"{holds:,} of {count(int(asked.sum()), 'zone')} now {'holds' if holds == 1 else 'hold'}"
    if left:
        words += f", {left:,} still {'does' if left == 1 else 'do'} not ({acres(done.left_failing)})"
    if changed:
        rates = "the rate of 1 zone was" if changed == 1 else f"the rates of {changed:,} zones were"
        words += f"; {rates} changed ({acres(done.rate_changed)})"
    else:
        words += "; no rate was changed"
    words += f", RAISED in {raised:,}" if raised else ""
    return words + (f", and {own:,} got a speed of {'its' if own == 1 else 'their'} own." if own else ".")


def balance_text(done: Rewriting, area: FloatArray, policy: str, system: System) -> list[str]:
    """Say what became of the field's nitrogen."""
    moved = (done.after - done.before) * area
    rows = [
        ["before", show(done.nitrogen_before, "mass", system) + " N"],
        ["after", show(done.nitrogen_after, "mass", system) + " N"],
        ["added", show(float(moved[moved > 0].sum()), "mass", system)],
        ["taken", show(float(-moved[moved < 0].sum()), "mass", system)],
    ]
    lines = ["Nitrogen of the field", table(rows, "<>")]
    if policy == "hold-total" and abs(done.unplaced) > 1e-4 * done.nitrogen_before:
        short = "short of" if done.unplaced > 0 else "over"
        lines.append(
            wrap(
                f"The field's nitrogen could NOT be kept: it comes out {show(abs(done.unplaced), 'mass', system)} "
                f"{short} what was prescribed, because no zone has room for it"
                + (" without a raise (--allow-raise)." if done.unplaced > 0 else " to give up.")
            )
        )
    return lines


def _zone_lines(prescription: Prescription, done: Rewriting, system: System) -> list[str]:
    touched = np.flatnonzero(done.rate_changed | np.char.endswith(done.reason, "speed") | done.left_failing)
    if not touched.size:
        return ["Nothing had to be changed."]
    # What still fails comes first, then what moves most nitrogen.
    moved = np.abs(done.after - done.before) * prescription.area
    order = sorted(touched.tolist(), key=lambda index: (not done.left_failing[index], -moved[index]))
    rows = [["zone", "before", "after", unit_label("area", system), unit_label("speed", system), "why"]]
    names = zone_numbers(prescription)
    for index in order[:_MOST_ZONES]:
        rows.append(
            [
                names[index],
                number(float(done.before[index]), "nitrogen rate", system, 1),
                number(float(done.after[index]), "nitrogen rate", system, 1),
                number(float(prescription.area[index]), "area", system),
                span(float(done.speed_low[index]), float(done.speed_high[index]), "speed", system),
                REASONS[str(done.reason[index])],
            ]
        )
    many = len(order)
    title = f"Zones changed or still failing ({unit_label('nitrogen rate', system)})"
    if many > _MOST_ZONES:
        title += f", the first {_MOST_ZONES} of {many:,}; all of them stand in the side file"
    return [title, table(rows, "<>>><<")]


def _raised_lines(prescription: Prescription, done: Rewriting, system: System) -> list[str]:
    raised = np.flatnonzero(done.raised)
    if not raised.size:
        return []
    names = zone_numbers(prescription)
    shown = ", ".join(
        f"{names[index]} ({number(float(done.before[index]), 'nitrogen rate', system)} to "
        f"{number(float(done.after[index]), 'nitrogen rate', system)})"
        for index in raised[:40].tolist()
    )
    more = "" if raised.size <= 40 else f" and {raised.size - 40:,} more, all in the side file"
    return [
        wrap(
            f"RAISED above the prescription, {count(raised.size, 'zone')} in {unit_label('nitrogen rate', system)}: "
            f"{shown}{more}. Check them against the agronomist's ceiling, the label and local nitrogen rules before "
            "anything is applied.",
            indent="",
        )
    ]


def _short_lines(prescription: Prescription, extra: dict[str, Any], system: System) -> list[str]:
    short = extra.get("short_zones")
    if not short:
        return []
    names = dict(zip(prescription.row.tolist(), zone_numbers(prescription), strict=True))
    rows = [["zone", "needs", "shortest run", "not at rate"]]
    for entry in sorted(short, key=lambda one: -one["share_off_rate"])[:_MOST_ZONES]:
        rows.append(
            [
                names[entry["zone"]],
                show(entry["needed_ft"] * 0.3048, "length", system, 0),
                show(entry["shortest_ft"] * 0.3048, "length", system, 0),
                f"{100.0 * entry['share_off_rate']:.0f} % of its run",
            ]
        )
    return [
        f"{count(len(short), 'zone')} crossed too fast for the controller to reach the rate "
        f"(heading {extra['heading_deg']:.0f}°)",
        table(rows, "<>>>"),
    ]


def money_lines(extra: dict[str, Any]) -> list[str]:
    """Say what the changes cost and bring, where prices were given."""
    money = extra.get("money")
    if not money:
        return []
    return [
        wrap(
            f"At your prices nitrogen costs {money['nitrogen_cost_change']:+,.2f} and the crop brings "
            f"{money['crop_value_change']:+,.2f}: {money['net_change']:+,.2f} in all.",
            indent="",
        )
    ]


def rewrite_text(
    prescription: Prescription,
    done: Rewriting,
    solution: Solution,
    extra: dict[str, Any],
    policy: str,
    system: System,
) -> str:
    """Say the rewriting in words and numbers."""
    area = prescription.area
    own = policy == "hold-rate" and bool(np.char.endswith(done.reason, "speed").any())
    low, high = solution.rate_bounds(solution.certain)
    window = within(low, high, "nitrogen rate", system)
    blocks = [
        [rewriting_answer(done, area, system)],
        warning_lines(solution),
        reading_lines(prescription, system),
        [
            heading(solution, system, with_speed=True),
            wrap(f"certain window at these speeds: {window}; policy {policy}"),
        ],
        balance_text(done, area, policy, system),
        _zone_lines(prescription, done, system),
        [
            wrap(
                "Zones have speeds of their own: vetting this map again at the one planned speed will not pass; vet it "
                "with --zone-speeds and the side file.",
                indent="",
            )
        ]
        if own
        else [],
        _raised_lines(prescription, done, system),
        _short_lines(prescription, extra, system),
        money_lines(extra),
        [wrap(CAUTIONS, indent="")],
    ]
    return "\n\n".join("\n".join(block) for block in blocks if block)
