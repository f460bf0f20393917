"""What a reconciled log comes to, as the JSON document."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.subject import called
from geoflow.base.units import System, from_si, to_si
from geoflow.reconciliation.agreement import BANDS, Agreement, spread
from geoflow.reconciliation.balance import Balance
from geoflow.report.against_rehearsal import with_rehearsal
from geoflow.report.findings import concern_texts, finding_numbers, finding_text, place_text
from geoflow.report.json_numbers import keyed, records, rounded

if TYPE_CHECKING:
    from geoflow.outcomes import ReconcileOutcome

__all__ = [
    "ZONE_COLUMNS",
    "accepted_words",
    "columns_words",
    "latency_fits",
    "points",
    "pulses",
    "reconcile_document",
    "zone_columns",
    "zone_rows",
]

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
    return keyed(
        applied_mean_lb_n_ac=agreed.applied_mean,
        bias_lb_n_ac=agreed.bias,
        mae_lb_n_ac=agreed.mae,
        rmse_lb_n_ac=agreed.rmse,
        concordance=agreed.concordance,
        within_5=agreed.within_5,
        within_10=agreed.within_10,
        within_20=agreed.within_20,
        limits_of_agreement_lb_n_ac=(agreed.lower_limit, agreed.upper_limit),
        compared_ac=agreed.area,
        not_compared_ac=agreed.area_unknown,
    )


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


def pulses(balance: Balance, system: System = "us") -> tuple[float | None, float | None, float | None]:
    """Give the corrected calibrations of the meter in the units a controller takes them in.

    Parameters
    ----------
    balance : Balance
        The log against the tickets.
    system : str
        ``"us"`` or ``"metric"``.

    Returns
    -------
    tuple of float or None
        Pulses per gallon, the same for a controller without temperature correction, and pulses per 10 lb of nitrogen;
        in metric units per liter and per 10 kg.
    """
    us = system == "us"
    gallon, ten_pounds = to_si(1.0, "volume", "gallon" if us else "liter"), to_si(10.0, "mass", "lb" if us else "kg")
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
    weighed, logged = np.asarray(loads.ticket), np.asarray(loads.logged)
    factor, begins = np.asarray(loads.factor), np.asarray(loads.begins)
    return records(ticket_lb_nh3=weighed, logged_lb_nh3=logged, meter_factor=factor, begins_s=begins)


def _ticket(outcome: ReconcileOutcome) -> dict[str, Any] | None:
    """Give the balance against the scale tickets; None without tickets."""
    balance = outcome.balance
    if balance is None:
        return None
    per_gallon, per_gallon_as_used, per_ten_pounds = pulses(balance)
    return keyed(
        ticket_lb_nh3=balance.ticket,
        logged_lb_nh3=balance.logged,
        bridged_lb_nh3=balance.bridged,
        lost_share=balance.lost_share,
        ratio=balance.ratio,
        meter_factor=balance.meter_factor,
        temperature_ratio=balance.temperature_ratio,
        remaining_ratio=balance.remaining_ratio,
        pulses_per_gallon=per_gallon,
        pulses_per_gallon_as_used=per_gallon_as_used,
        pulses_per_10_lb_n=per_ten_pounds,
        meter_temperature_degF=outcome.meter_temperature,
        loads=_loads(outcome),
    )


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
        "log": called(read.path),
        "format": read.file_format,
        "columns": {role: {"column": name, "unit": unit} for role, (name, unit) in sorted(read.columns.items())},
        "accepted": list(read.accepted),
        "derived": list(read.derived),
        "rate_unit": read.nitrogen_unit,
        "clock": read.clock,
        "start": read.start,
        "target": None if outcome.target is None else called(outcome.target.path),
        "bar": None if outcome.bar is None else outcome.bar.name,
        "nitrogen_fraction": outcome.nitrogen_fraction,
        "facts": [note.text for note in outcome.notes],
    }


def _coverage(outcome: ReconcileOutcome) -> dict[str, float | None]:
    found, overlay = outcome.found, outcome.found.overlay
    in_field = {
        "covered_in_field_ac": overlay.covered_in_field,
        "doubled_ac": overlay.doubled,
        "missed_ac": found.missed,
        "missed_where_nothing_asked_ac": found.missed_unasked,
        "overlap_fraction": overlay.doubled / overlay.covered if overlay.covered > 0.0 else None,
        "outside_ac": found.outside_area,
    }
    always = ("doubled_ac", "overlap_fraction")
    return keyed(
        swept_ac=overlay.swept,
        covered_ac=overlay.covered,
        **{name: value if found.has_field or name in always else None for name, value in in_field.items()},
        unknown_rate_ac=found.unknown_rate_area,
        relative_error=overlay.error_estimate,
    )


def _totals(outcome: ReconcileOutcome) -> dict[str, float | None]:
    found, balance = outcome.found, outcome.balance
    return keyed(
        applied_lb_n=found.nitrogen_out,
        applied_ticket_lb_n=None if balance is None else found.nitrogen_out * balance.meter_factor,
        target_lb_n=found.nitrogen_asked if found.asked_by else None,
        applied_mean_lb_n_ac=found.agreement.applied_mean,
        target_mean_lb_n_ac=found.agreement.target_mean,
        applied_in_field_lb_n=found.nitrogen_in_field,
        ground_mean_lb_n_ac=outcome.ground_mean,
    )


def _causes(outcome: ReconcileOutcome) -> dict[str, Any]:
    causes = outcome.found.cause_area
    off = max(sum(causes.values()), 1e-12)
    return {name: keyed(area_ac=area, share=area / off) for name, area in causes.items()}


def _spread(outcome: ReconcileOutcome) -> dict[str, Any] | None:
    """Ground by rate asked and given, and by how far off it is; None where nothing is compared."""
    laid = outcome.found.laid
    found = spread(laid.applied, laid.target, laid.area, unit=to_si(1.0, "nitrogen rate", "lb/acre"))
    if found is None:
        return None
    return {
        **keyed(rate_edges_lb_n_ac=found.edges, asked_ac=found.asked, given_ac=found.given),
        "off_by_up_to_share": [*BANDS, None],
        "under_share": [rounded(share) for share in found.under.tolist()],
        "over_share": [rounded(share) for share in found.over.tolist()],
    }


def accepted_words(outcome: ReconcileOutcome) -> str:
    """List the columns that were taken as proposed; empty where none was.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    """
    return columns_words(outcome.read.columns, outcome.read.accepted)


def columns_words(columns: Mapping[str, tuple[str, str | None]], roles: Collection[str]) -> str:
    """List the columns of some roles.

    Parameters
    ----------
    columns : mapping
        Role to the name of its column and its unit.
    roles : collection of str
        Which.
    """
    return "; ".join(
        f"{role} from '{name}'{f' in {unit}' if unit else ''}"
        for role, (name, unit) in columns.items()
        if role in roles
    )


def latency_fits(outcome: ReconcileOutcome) -> bool | None:
    """Whether the log shows the latency that the machine states; None where it states none, or nothing can tell.

    Only the log's own target can: against a map, what the controller looks ahead is taken off the lag.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    """
    lag, latency = outcome.found.lag, outcome.read.latency
    stated = None if latency is None else latency.in_log
    return None if lag is None or stated is None or outcome.found.lag_from != "log" else lag.fits(stated)


def _latency(outcome: ReconcileOutcome) -> dict[str, Any] | None:
    """Give what the machine states of its latency, and whether the log shows it; None where it states nothing."""
    latency = outcome.read.latency
    stated = None if latency is None else latency.in_log
    if latency is None or stated is None:
        return None
    return {
        **keyed(setpoint_s=latency.setpoint, actual_s=latency.actual, in_log_s=stated),
        "agrees": latency_fits(outcome),
    }


def reconcile_document(outcome: ReconcileOutcome) -> dict[str, Any]:
    """Give everything as the contract has it, with what else a program may want.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    """
    found = outcome.found
    lag = found.lag
    document = {
        "input": _input(outcome),
        "points": points(outcome),
        "target_from": found.asked_by or None,
        "lag_s": lag and {name: rounded(getattr(lag, name)) for name in ("best", "low", "high")},
        "lag_from": found.lag_from or None,
        "latency": _latency(outcome),
        "coverage": _coverage(outcome),
        "totals": _totals(outcome),
        "agreement": _agreement(found.agreement),
        "agreement_ticket": outcome.by_ticket and _agreement(outcome.by_ticket),
        "agreement_by_pass": _agreement(found.by_pass),
        "shifts": [{"shift_s": shift.seconds, "by": "record", **_agreement(shift.agreement)} for shift in found.shifts],
        "causes": _causes(outcome),
        "spread": _spread(outcome),
        "zones": zone_rows(outcome),
        "ticket": _ticket(outcome),
        "findings": _findings(outcome),
        "not_judged": [
            {"kind": finding.kind, "missing": list(finding.missing)} for finding in outcome.diagnosis if finding.missing
        ],
    }
    return with_rehearsal(document, outcome)
