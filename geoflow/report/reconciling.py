"""What a reconciled log comes to, as the JSON document."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.units import from_si, to_si
from geoflow.reconcile.agreement import Agreement
from geoflow.reconcile.balance import Balance
from geoflow.report.findings import concern_texts, finding_numbers, finding_text, place_text
from geoflow.report.json_numbers import in_unit, rounded

if TYPE_CHECKING:
    from geoflow.outcomes import ReconcileOutcome

__all__ = ["ZONE_COLUMNS", "points", "pulses", "reconcile_document", "zone_columns", "zone_rows"]

ZONE_COLUMNS: Final = (
    *(
        "zone",
        "zone_id",
        "area_ac",
        "covered_ac",
        "missed_ac",
        "doubled_ac",
        "target_lb_n_ac",
        "applied_lb_n_ac",
        "ratio",
    ),
    *("within_10", "target_lb_n", "applied_lb_n", "applied_ticket_lb_n_ac"),
)


def _acres(area: float) -> float | None:
    return in_unit(area, "area", "acre")


def _pounds(mass: float) -> float | None:
    return in_unit(mass, "mass", "lb")


def _rate(value: float) -> float | None:
    return in_unit(value, "nitrogen rate", "lb/acre")


def _known(value: float | None) -> float | None:
    return None if value is None else rounded(value)


def points(outcome: ReconcileOutcome) -> dict[str, Any]:
    """Count the records read, those that are ground, and the others by cause.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.

    Returns
    -------
    dict
        ``read``, ``kept``, and ``dropped`` by cause; they add up.
    """
    read = outcome.read
    dropped = {cause: len(rows) for cause, rows in read.dropped.items()}
    dropped |= {cause: len(rows) for cause, rows in read.noted.items() if cause != "no rate"}
    # Records may lack a heading or a width without any of these causes.
    kept = int(outcome.found.ground.sum())
    rest = read.rows_read - kept - sum(dropped.values())
    if rest:
        dropped["no ground"] = rest
    return {"read": read.rows_read, "kept": kept, "dropped": dropped}


def _agreement(agreed: Agreement) -> dict[str, Any]:
    return {
        "applied_mean_lb_n_ac": _rate(agreed.applied_mean),
        "bias_lb_n_ac": _rate(agreed.bias),
        "mae_lb_n_ac": _rate(agreed.mae),
        "rmse_lb_n_ac": _rate(agreed.rmse),
        "concordance": rounded(agreed.concordance),
        "within_5": rounded(agreed.within_5),
        "within_10": rounded(agreed.within_10),
        "within_20": rounded(agreed.within_20),
        "limits_of_agreement_lb_n_ac": [_rate(agreed.lower_limit), _rate(agreed.upper_limit)],
        "compared_ac": _acres(agreed.area),
        "not_compared_ac": _acres(agreed.area_unknown),
    }


def zone_columns(outcome: ReconcileOutcome) -> dict[str, FloatArray]:
    """Give what became of each zone of the map in the units of `ZONE_COLUMNS`.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.

    Returns
    -------
    dict of str to ndarray, shape (zones,)
        NaN where nothing can be said; empty without a map.
    """
    zones, target = outcome.found.zones, outcome.target
    if zones is None or target is None:
        return {}
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(zones.asked > 0.0, zones.rate / zones.asked, np.nan)
    factor = math.nan if outcome.balance is None else outcome.balance.meter_factor
    areas = (from_si(each, "area", "acre") for each in (zones.area, zones.covered, zones.missed, zones.doubled))
    rates = (from_si(each, "nitrogen rate", "lb/acre") for each in (zones.asked, zones.rate, zones.rate * factor))
    masses = (from_si(each, "mass", "lb") for each in (zones.asked * zones.area, zones.nitrogen))
    asked, applied, by_ticket = rates
    columns = (target.row, np.array(target.zone_id), *areas, asked, applied, ratio, zones.within_10, *masses, by_ticket)
    return dict(zip(ZONE_COLUMNS, columns, strict=True))


def zone_rows(outcome: ReconcileOutcome) -> list[dict[str, Any]]:
    """Give one dictionary per zone of the map, with the keys of `ZONE_COLUMNS`; empty without a map.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    """
    columns = zone_columns(outcome)
    each = zip(*(column.tolist() for column in columns.values()), strict=True)
    return [
        {
            name: value if name in ("zone", "zone_id") else rounded(value)
            for name, value in zip(columns, row, strict=True)
        }
        for row in each
    ]


def pulses(balance: Balance) -> tuple[float | None, float | None, float | None]:
    """Give the corrected calibrations of the meter in the units a controller takes them in.

    Parameters
    ----------
    balance : Balance
        The log against the tickets.

    Returns
    -------
    tuple of float or None
        Pulses per gallon, the same for a controller without temperature correction, and pulses per 10 lb of nitrogen.
    """
    gallon, ten_pounds = to_si(1.0, "volume", "gallon"), to_si(10.0, "mass", "lb")
    known = (
        (balance.pulses_per_volume, gallon),
        (balance.pulses_per_volume_as_used, gallon),
        (balance.pulses_per_nitrogen, ten_pounds),
    )
    per_gallon, as_used, per_nitrogen = (None if value is None else value * unit for value, unit in known)
    return per_gallon, as_used, per_nitrogen


def _loads(outcome: ReconcileOutcome) -> list[dict[str, Any]] | None:
    loads = outcome.loads
    if loads is None:
        return None
    return [
        {
            "ticket_lb_nh3": _pounds(weighed),
            "logged_lb_nh3": _pounds(logged),
            "meter_factor": rounded(factor),
            "begins_s": rounded(begins),
        }
        for weighed, logged, factor, begins in zip(loads.ticket, loads.logged, loads.factor, loads.begins, strict=True)
    ]


def _ticket(outcome: ReconcileOutcome) -> dict[str, Any] | None:
    """Give the balance against the scale tickets; None without tickets."""
    balance = outcome.balance
    if balance is None:
        return None
    per_gallon, per_gallon_as_used, per_ten_pounds = pulses(balance)
    return {
        "ticket_lb_nh3": _pounds(balance.ticket),
        "logged_lb_nh3": _pounds(balance.logged),
        "bridged_lb_nh3": _pounds(balance.bridged),
        "lost_share": rounded(balance.lost_share),
        "ratio": rounded(balance.ratio),
        "meter_factor": rounded(balance.meter_factor),
        "temperature_ratio": _known(balance.temperature_ratio),
        "remaining_ratio": _known(balance.remaining_ratio),
        "pulses_per_gallon": _known(per_gallon),
        "pulses_per_gallon_as_used": _known(per_gallon_as_used),
        "pulses_per_10_lb_n": _known(per_ten_pounds),
        "meter_temperature_degF": in_unit(outcome.meter_temperature, "temperature", "degF"),
        "loads": _loads(outcome),
    }


def _findings(outcome: ReconcileOutcome) -> list[dict[str, Any]]:
    field = [
        {"kind": kind, "text": text, "where": "field", "confidence": "high", "numbers": {}}
        for kind, text in concern_texts(outcome, "us")
    ]
    bar = [
        {
            "kind": finding.kind,
            "text": finding_text(finding, outcome, "us"),
            "where": place_text(finding, outcome),
            "confidence": finding.confidence,
            "numbers": finding_numbers(finding),
        }
        for finding in outcome.judged
    ]
    return [*field, *bar]


def _input(outcome: ReconcileOutcome) -> dict[str, Any]:
    read = outcome.read
    return {
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
        "facts": [note.text for note in outcome.notes],
    }


def _coverage(outcome: ReconcileOutcome) -> dict[str, float | None]:
    found, overlay = outcome.found, outcome.found.overlay
    nowhere = math.nan
    return {
        "swept_ac": _acres(overlay.swept),
        "covered_ac": _acres(overlay.covered),
        "covered_in_field_ac": _acres(overlay.covered_in_field if found.has_field else nowhere),
        "doubled_ac": _acres(overlay.doubled),
        "missed_ac": _acres(found.missed if found.has_field else nowhere),
        "missed_where_nothing_asked_ac": _acres(found.missed_unasked if found.has_field else nowhere),
        "overlap_fraction": rounded(overlay.doubled / overlay.covered if overlay.covered > 0.0 else nowhere),
        "outside_ac": _acres(found.outside_area if found.has_field else nowhere),
        "unknown_rate_ac": _acres(found.unknown_rate_area),
        "relative_error": rounded(overlay.error_estimate),
    }


def _totals(outcome: ReconcileOutcome) -> dict[str, float | None]:
    found, balance = outcome.found, outcome.balance
    factor = math.nan if balance is None else balance.meter_factor
    return {
        "applied_lb_n": _pounds(found.nitrogen_out),
        "applied_ticket_lb_n": _pounds(found.nitrogen_out * factor),
        "target_lb_n": _pounds(found.nitrogen_asked if found.asked_by else math.nan),
        "applied_mean_lb_n_ac": _rate(found.agreement.applied_mean),
        "target_mean_lb_n_ac": _rate(found.agreement.target_mean),
        "applied_in_field_lb_n": _pounds(found.nitrogen_in_field),
        "ground_mean_lb_n_ac": _rate(outcome.ground_mean),
    }


def _causes(outcome: ReconcileOutcome) -> dict[str, Any]:
    causes = outcome.found.cause_area
    off = max(sum(causes.values()), 1e-12)
    return {name: {"area_ac": _acres(area), "share": rounded(area / off)} for name, area in causes.items()}


def reconcile_document(outcome: ReconcileOutcome) -> dict[str, Any]:
    """Give everything as the contract has it, with what else a program may want.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    """
    found = outcome.found
    lag = found.lag
    return {
        "input": _input(outcome),
        "points": points(outcome),
        "target_from": found.asked_by or None,
        "lag_s": lag and {name: rounded(getattr(lag, name)) for name in ("best", "low", "high")},
        "lag_from": found.lag_from or None,
        "coverage": _coverage(outcome),
        "totals": _totals(outcome),
        "agreement": _agreement(found.agreement),
        "agreement_ticket": outcome.by_ticket and _agreement(outcome.by_ticket),
        "agreement_by_pass": _agreement(found.by_pass),
        "shifts": [{"shift_s": shift.seconds, "by": "record", **_agreement(shift.agreement)} for shift in found.shifts],
        "causes": _causes(outcome),
        "zones": zone_rows(outcome),
        "ticket": _ticket(outcome),
        "findings": _findings(outcome),
        "not_judged": [
            {"kind": finding.kind, "missing": list(finding.missing)} for finding in outcome.diagnosis if finding.missing
        ],
    }
