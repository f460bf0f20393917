"""What a reconciled log comes to, as the JSON document."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.units import from_si
from geoflow.reconcile.agreement import Agreement
from geoflow.report.findings import concern_texts, finding_numbers, finding_text, place_text

if TYPE_CHECKING:
    from geoflow.outcomes import ReconcileOutcome

__all__ = ["ZONE_COLUMNS", "points", "reconcile_document", "ticket_numbers", "zone_rows"]

_DIGITS: Final = 6

ZONE_COLUMNS: Final = (
    *("zone", "area_ac", "covered_ac", "missed_ac", "doubled_ac", "target_lb_n_ac", "applied_lb_n_ac", "ratio"),
    *("within_10", "target_lb_n", "applied_lb_n", "applied_ticket_lb_n_ac"),
)


def _plain(value: float) -> float | None:
    """Round for JSON, which knows neither NaN nor infinity."""
    return round(float(value), _DIGITS) if math.isfinite(value) else None


def _acres(area: float) -> float | None:
    return _plain(from_si(area, "area", "acre"))


def _pounds(mass: float) -> float | None:
    return _plain(from_si(mass, "mass", "lb"))


def _rate(value: float) -> float | None:
    return _plain(from_si(value, "nitrogen rate", "lb/acre"))


def points(outcome: ReconcileOutcome) -> dict[str, Any]:
    """Count the records read, those that are ground, and the others by cause."""
    read = outcome.read
    dropped = {cause: len(rows) for cause, rows in read.dropped.items()}
    dropped |= {cause: len(rows) for cause, rows in read.noted.items() if cause != "no rate"}
    # Records may lack a heading or a width without any of these causes.
    kept = int(outcome.found.ground.sum())
    rest = read.rows_read - kept - sum(dropped.values())
    if rest:
        dropped["no ground"] = rest
    return {"read": read.rows_read, "kept": kept, "dropped": dropped}


def _agreement(agreed: Agreement) -> dict[str, float | None]:
    return {
        "applied_mean_lb_n_ac": _rate(agreed.applied_mean),
        "bias_lb_n_ac": _rate(agreed.bias),
        "mae_lb_n_ac": _rate(agreed.mae),
        "rmse_lb_n_ac": _rate(agreed.rmse),
        "concordance": _plain(agreed.concordance),
        "within_5": _plain(agreed.within_5),
        "within_10": _plain(agreed.within_10),
        "within_20": _plain(agreed.within_20),
        "limits_of_agreement_lb_n_ac": [_rate(agreed.lower_limit), _rate(agreed.upper_limit)],  # type: ignore[dict-item]
        "compared_ac": _acres(agreed.area),
        "not_compared_ac": _acres(agreed.area_unknown),
    }


def zone_rows(outcome: ReconcileOutcome) -> list[dict[str, float | int | None]]:
    """Give one dictionary per zone of the map, with the keys of `ZONE_COLUMNS`; empty without a map."""
    zones, target = outcome.found.zones, outcome.target
    if zones is None or target is None:
        return []
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(zones.asked > 0.0, zones.rate / zones.asked, np.nan)
    factor = math.nan if outcome.balance is None else outcome.balance.meter_factor
    rows = []
    for index, row in enumerate(target.row.tolist()):
        values = (
            row,
            *map(_acres, (zones.area[index], zones.covered[index], zones.missed[index], zones.doubled[index])),
            *map(_rate, (zones.asked[index], zones.rate[index])),
            *map(_plain, (ratio[index], zones.within_10[index])),
            *map(_pounds, (zones.asked[index] * zones.area[index], zones.nitrogen[index])),
            _rate(zones.rate[index] * factor),
        )
        rows.append(dict(zip(ZONE_COLUMNS, values, strict=True)))
    return rows


def ticket_numbers(outcome: ReconcileOutcome) -> dict[str, Any] | None:
    """Give the balance against the scale tickets as the document has it; None without tickets."""
    balance = outcome.balance
    if balance is None:
        return None

    def optional(value: float | None, scale: float = 1.0) -> float | None:
        return None if value is None else _plain(value * scale)

    gallon, pound = 3.785411784e-3, 0.45359237
    return {
        "ticket_lb_nh3": _pounds(balance.ticket),
        "logged_lb_nh3": _pounds(balance.logged),
        "bridged_lb_nh3": _pounds(balance.bridged),
        "lost_share": _plain(balance.lost_share),
        "ratio": _plain(balance.ratio),
        "meter_factor": _plain(balance.meter_factor),
        "temperature_ratio": optional(balance.temperature_ratio),
        "remaining_ratio": optional(balance.remaining_ratio),
        "pulses_per_gallon": optional(balance.pulses_per_volume, gallon),
        "pulses_per_gallon_as_used": optional(balance.pulses_per_volume_as_used, gallon),
        "pulses_per_10_lb_n": optional(balance.pulses_per_nitrogen, 10.0 * pound),
        "meter_temperature_degF": (
            None
            if outcome.meter_temperature is None
            else _plain(from_si(outcome.meter_temperature, "temperature", "degF"))
        ),
        "loads": None
        if outcome.loads is None
        else [
            {
                "ticket_lb_nh3": _pounds(weighed),
                "logged_lb_nh3": _pounds(logged),
                "meter_factor": _plain(weighed / logged),
                "begins_s": _plain(begins),
            }
            for weighed, logged, begins in zip(
                outcome.loads.ticket, outcome.loads.logged, outcome.loads.begins, strict=True
            )
        ],
    }


def _findings(outcome: ReconcileOutcome) -> list[dict[str, Any]]:
    listed: list[dict[str, Any]] = [
        {"kind": kind, "text": text, "where": "field", "confidence": "high", "numbers": {}}
        for kind, text in concern_texts(outcome, "us")
    ]
    for finding in outcome.judged:
        listed.append(
            {
                "kind": finding.kind,
                "text": finding_text(finding, outcome, "us"),
                "where": place_text(finding, outcome),
                "confidence": finding.confidence,
                "numbers": finding_numbers(finding),
            }
        )
    return listed


def reconcile_document(outcome: ReconcileOutcome) -> dict[str, Any]:
    """Give everything as the contract has it, with what else a program may want."""
    found, lain, read = outcome.found, outcome.found.overlay, outcome.read
    agreed, lag = found.agreement, found.lag
    in_field = lain.covered_in_field if found.has_field else math.nan
    covered = in_field if found.has_field else lain.covered
    return {
        "input": {
            "log": str(read.path),
            "format": read.file_format,
            "columns": {role: {"column": name, "unit": unit} for role, (name, unit) in sorted(read.columns.items())},
            "derived": list(read.derived),
            "rate_unit": read.nitrogen_unit,
            "clock": read.clock,
            "start": read.start,
            "target": None if outcome.target is None else str(outcome.target.path),
            "bar": None if outcome.bar is None else outcome.bar.name,
            "nitrogen_fraction": outcome.nitrogen_fraction,
            "facts": [fact.text for fact in outcome.facts],
        },
        "points": points(outcome),
        "target_from": found.asked_by or None,
        "lag_s": None if lag is None else {"best": _plain(lag.best), "low": _plain(lag.low), "high": _plain(lag.high)},
        "lag_from": found.lag_from or None,
        "coverage": {
            "swept_ac": _acres(lain.swept),
            "covered_ac": _acres(lain.covered),
            "covered_in_field_ac": _acres(in_field),
            "doubled_ac": _acres(lain.doubled),
            "missed_ac": _acres(found.missed) if found.has_field else None,
            "missed_where_nothing_asked_ac": _acres(found.missed_unasked) if found.has_field else None,
            "overlap_fraction": _plain(lain.doubled / lain.covered) if lain.covered > 0.0 else None,
            "outside_ac": _acres(found.outside_area) if found.has_field else None,
            "unknown_rate_ac": _acres(found.unknown_rate_area),
            "relative_error": _plain(lain.error_estimate),
        },
        "totals": {
            "applied_lb_n": _pounds(found.nitrogen_out),
            "applied_ticket_lb_n": (
                None if outcome.balance is None else _pounds(found.nitrogen_out * outcome.balance.meter_factor)
            ),
            "target_lb_n": _pounds(found.nitrogen_asked) if found.asked_by else None,
            "applied_mean_lb_n_ac": _rate(agreed.applied_mean),
            "target_mean_lb_n_ac": _rate(agreed.target_mean),
            "applied_in_field_lb_n": _pounds(found.nitrogen_in_field),
            "ground_mean_lb_n_ac": _rate(
                (found.nitrogen_in_field if found.has_field else found.nitrogen_out) / covered
                if covered > 0.0
                else math.nan
            ),
        },
        "agreement": _agreement(agreed),
        "agreement_ticket": None if outcome.by_ticket is None else _agreement(outcome.by_ticket),
        "agreement_by_pass": _agreement(found.by_pass),
        "shifts": [{"shift_s": shift.seconds, "by": "record", **_agreement(shift.agreement)} for shift in found.shifts],
        "causes": {
            name: {"area_ac": _acres(area), "share": _plain(area / max(sum(found.cause_area.values()), 1e-12))}
            for name, area in found.cause_area.items()
        },
        "zones": zone_rows(outcome),
        "ticket": ticket_numbers(outcome),
        "findings": _findings(outcome),
        "not_judged": [
            {"kind": finding.kind, "missing": list(finding.missing)} for finding in outcome.diagnosis if finding.missing
        ],
    }
