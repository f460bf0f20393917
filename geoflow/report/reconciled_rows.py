"""Tables and sentences on a reconciled log that the terminal and the report share."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from geoflow.base.arrays import IntArray
from geoflow.base.units import System, number, show, unit_label
from geoflow.reconcile.balance import MOST_LOST
from geoflow.report.findings import percent
from geoflow.report.layout import zone_number
from geoflow.report.reconciling import pulses

if TYPE_CHECKING:
    from geoflow.outcomes import ReconcileOutcome

__all__ = [
    "by_ticket_text",
    "cause_rows",
    "ground_rows",
    "lag_text",
    "rate_rows",
    "rounded",
    "shift_rows",
    "ticket_notes",
    "ticket_rows",
    "went_out",
    "worst_zones",
    "zone_heads",
    "zone_row",
]


def rounded(value: float) -> str:
    """Write a number to the nearest 1, 2 or 5 that is no more than half a percent of it: better no scale tells."""
    if not (math.isfinite(value) and value > 0.0):
        return f"{value:g}"
    half = 0.005 * value
    power = 10.0 ** math.floor(math.log10(half))
    step = power * max(times for times in (1.0, 2.0, 5.0) if times * power <= half * (1.0 + 1e-9))
    return f"{round(value / step) * step:,.{max(0, -math.floor(math.log10(step)))}f}"


def by_ticket_text(outcome: ReconcileOutcome, system: System) -> str:
    """Say what the scale tickets make of the logged rates, with a space in front; empty without tickets."""
    balance, agreed = outcome.balance, outcome.by_ticket
    if balance is None or agreed is None or not agreed.area > 0.0:
        return ""
    gap = balance.meter_factor - 1.0
    off = "as much went out as the log says"
    if abs(gap) >= 0.0005:
        told = "the log, its gaps filled in, says" if balance.bridged > 0.0 else "the log says"
        off = f"about {percent(abs(gap))} {'more' if gap > 0.0 else 'less'} went out than {told}"
    return (
        f" By the scale tickets {off}: {show(agreed.applied_mean, 'nitrogen rate', system, 1)}, and "
        f"{percent(agreed.within_10)} of that ground got within 10 %."
    )


def went_out(outcome: ReconcileOutcome, system: System) -> str:
    """Say the nitrogen that went out, by the log and by the tickets, and what was asked."""
    found, balance = outcome.found, outcome.balance
    text = f"{show(found.nitrogen_out, 'mass', system)} went out"
    if balance is not None:
        text += (
            f" by the log, {show(balance.ticket * outcome.nitrogen_fraction, 'mass', system)} by the scale tickets"
        )  # fmt: skip
    if found.asked_by:
        whose = "the map asks for" if found.asked_by == "map" else "the log's own target comes to"
        text += f"; {whose} {show(found.nitrogen_asked, 'mass', system)}"
    return text + "."


def ground_rows(outcome: ReconcileOutcome, system: System) -> list[tuple[str, str]]:
    """Ground driven over, covered, missed and doubled, in the unit of area."""
    found, overlay = outcome.found, outcome.found.overlay
    rows = [("driven over, passes added up", overlay.swept), ("ground covered", overlay.covered)]
    if found.has_field:
        rows += [("of it inside the field", overlay.covered_in_field), ("field missed", found.missed)]
        if found.missed_unasked > 0.0:
            rows.append(("field without a pass where nothing was asked", found.missed_unasked))
    rows.append(("covered more than once", overlay.doubled))
    if found.has_field:
        rows.append(("passes outside the field", found.outside_area))
    if found.unknown_rate_area > 0.0:
        rows.append(("covered while no rate was logged", found.unknown_rate_area))
    return [(name, number(area, "area", system, 2)) for name, area in rows]


def rate_rows(outcome: ReconcileOutcome, system: System) -> list[tuple[str, ...]]:
    """Heads and rows of the comparison with the target: by the log, and by the tickets where there are any."""
    each = [outcome.found.agreement] + ([] if outcome.by_ticket is None else [outcome.by_ticket])

    def rates(name: str) -> tuple[str, ...]:
        return tuple(number(getattr(agreed, name), "nitrogen rate", system, 1) for agreed in each)

    label = unit_label("nitrogen rate", system)
    heads = ("over the ground, passes added up", "by the log", "by the tickets")
    concordance = (f"{one.concordance:.3f}" if math.isfinite(one.concordance) else "-" for one in each)
    return [
        heads[: 1 + len(each)],
        (f"asked, mean [{label}]", *rates("target_mean")),
        (f"applied, mean [{label}]", *rates("applied_mean")),
        (f"bias [{label}]", *rates("bias")),
        (f"mean absolute difference [{label}]", *rates("mae")),
        (f"root mean square difference [{label}]", *rates("rmse")),
        ("concordance, 1 is perfect", *concordance),
        ("within 5 % of the target", *(percent(agreed.within_5) for agreed in each)),
        ("within 10 %", *(percent(agreed.within_10) for agreed in each)),
        ("within 20 %", *(percent(agreed.within_20) for agreed in each)),
    ]


def cause_rows(outcome: ReconcileOutcome, system: System) -> list[tuple[str, str, str]]:
    """Ground more than 10 % off by cause: name, area and share of it; empty where none is."""
    causes = [(name, area) for name, area in outcome.found.cause_area.items() if area > 0.0]
    off = sum(area for _, area in causes)
    return [(name, number(area, "area", system, 2), percent(area / off)) for name, area in causes]


def lag_text(outcome: ReconcileOutcome) -> str:
    """Say how long after the target the rate follows."""
    found = outcome.found
    if found.lag is None:
        return "Lag: cannot be told (no clock, or the target hardly changes within a pass)."
    whose = "the log's own target" if found.lag_from == "log" else "the map"
    return (
        f"Lag: the rate follows {whose} after {found.lag.best:.1f} s; anything from {found.lag.low:.1f} to "
        f"{found.lag.high:.1f} s fits as well."
    )


def shift_rows(outcome: ReconcileOutcome, system: System) -> list[tuple[str, ...]]:
    """Heads and rows of the records against a shifted target; empty where there is none but 0 s."""
    shifts = outcome.found.shifts
    if len(shifts) < 2:
        return []
    label = unit_label("nitrogen rate", system)
    rows: list[tuple[str, ...]] = [
        ("record by record, target shifted by", f"bias {label}", f"RMSE {label}", "records within 10 %")
    ]
    for shift in shifts:
        agreed = shift.agreement
        cells = (number(value, "nitrogen rate", system, 1) for value in (agreed.bias, agreed.rmse))
        rows.append((f"{shift.seconds:+.1f} s", *cells, percent(agreed.within_10)))
    return rows


def worst_zones(outcome: ReconcileOutcome) -> IntArray:
    """Zones of the map, those furthest off first."""
    zones = outcome.found.zones
    assert zones is not None
    with np.errstate(divide="ignore", invalid="ignore"):
        gap = np.abs(zones.rate / zones.asked - 1.0)
    return np.argsort(-np.nan_to_num(gap, nan=np.inf, posinf=np.inf), kind="stable")


def zone_heads(outcome: ReconcileOutcome, system: System) -> tuple[str, ...]:
    """Heads of the table of zones."""
    area, rate = unit_label("area", system), unit_label("nitrogen rate", system)
    tickets = () if outcome.balance is None else ("by tickets",)
    return ("zone", f"area {area}", "missed", "doubled", f"asked {rate}", "got", *tickets, "ratio", "within 10 %")


def zone_row(outcome: ReconcileOutcome, index: int, system: System) -> tuple[str, ...]:
    """One zone as the table has it."""
    zones, target, balance = outcome.found.zones, outcome.target, outcome.balance
    assert zones is not None and target is not None
    asked, got, near = (float(column[index]) for column in (zones.asked, zones.rate, zones.within_10))
    known = math.isfinite(got)

    def rate(value: float) -> str:
        return number(value, "nitrogen rate", system, 1) if known else "-"

    return (
        zone_number(int(target.row[index])),
        *(number(float(each[index]), "area", system, 2) for each in (zones.area, zones.missed, zones.doubled)),
        number(asked, "nitrogen rate", system, 1),
        rate(got),
        *(() if balance is None else (rate(got * balance.meter_factor),)),
        f"{got / asked:.2f}" if known and asked > 0.0 else "-",
        percent(near) if math.isfinite(near) else "-",
    )


def ticket_rows(outcome: ReconcileOutcome, system: System) -> list[tuple[str, str]]:
    """Say what log and scale tickets come to, to the precision a scale and a log can tell."""
    balance = outcome.balance
    assert balance is not None
    rows = [
        ("scale tickets", f"{show(balance.ticket, 'mass', system)} NH3"),
        ("log", f"{show(balance.logged, 'mass', system)} NH3"),
        *([("its gaps, about", f"{show(balance.bridged, 'mass', system)} NH3")] if balance.bridged > 0.0 else []),
        ("log over tickets", f"{balance.ratio:.3f}"),
    ]
    if balance.lost_share <= MOST_LOST:
        rows.append(("multiply the log by", f"{balance.meter_factor:.3f}"))
    if balance.temperature_ratio is not None:
        rows.append(("of it the meter's missing temperature correction", f"{balance.temperature_ratio:.3f}"))
    names = (
        "corrected pulses per gallon, about",
        "the same without temperature correction",
        "corrected pulses per 10 lb N, about",
    )
    rows += [(name, rounded(value)) for name, value in zip(names, pulses(balance), strict=True) if value is not None]
    if outcome.loads is not None:
        begins = outcome.loads.begins
        for at, factor in enumerate(outcome.loads.factor.tolist()):
            clock = f"from {begins[at] / 60.0:,.0f} min into the log"
            rows.append((f"load {at + 1}, {clock}: multiply by", f"{factor:.3f}"))
    return rows


def ticket_notes(outcome: ReconcileOutcome, system: System) -> list[str]:
    """Say what the calibration rests on."""
    balance = outcome.balance
    assert balance is not None
    notes = []
    if outcome.loads is not None:
        factor = outcome.loads.factor
        notes.append(
            f"The loads, cut at the log's longest stops, lie between {factor.min():.3f} and {factor.max():.3f}: so far "
            "is the calibration known."
        )
    if balance.lost_share > MOST_LOST:
        lost = percent(balance.lost_share)
        notes.append(f"{lost} of what went out is missing from the log: no calibration follows from it.")
    elif balance.pulses_per_nitrogen is None:
        notes.append("With --bar and a liquid temperature (logged, or --temperature) the meter's calibration follows.")
    elif outcome.meter_temperature is not None:
        at = show(outcome.meter_temperature, "temperature", system)
        notes.append(f"Pulses per 10 lb N hold at {at} only. Change a calibration after weighing two loads, not one.")
    return notes
