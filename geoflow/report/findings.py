"""What the log tells about the bar, in sentences: what was seen, how sure it is, what to do before the next field."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.base.counted import count
from geoflow.base.units import System, show
from geoflow.diagnosis.findings import Finding
from geoflow.report.json_numbers import in_unit, rounded

if TYPE_CHECKING:
    from geoflow.outcomes import ReconcileOutcome

__all__ = [
    "CONCERNS",
    "LIQUID_LOST",
    "concern_texts",
    "finding_numbers",
    "finding_place",
    "finding_text",
    "percent",
    "place_text",
]

LIQUID_LOST: Final = "liquid margin lost"
# Kind, unit and its ending in JSON of what a finding's number measures; what is a ratio or a count has none.
_ACRES, _PSI = ("area", "acre", "ac"), ("pressure", "psi", "psi")
_PSIA, _FLOW = ("pressure", "psi", "psia"), ("ammonia flow", "lb/minute", "lb_nh3_min")
_WARMTH, _SECONDS = ("temperature", "degF", "degF"), ("time", "s", "s")
_ORIFICE: Final = ("area", "mm**2", "mm2")
_MEASURES: Final[dict[str, tuple[str, str, str] | None]] = {
    **dict.fromkeys(("area", "area_judged", "area_boiling"), _ACRES),
    **dict.fromkeys(("least_margin", "wanted_margin", "excess_drop", "expected_drop"), _PSI),
    **dict.fromkeys(("offset", "running_offset_low", "running_offset_high"), _PSI),
    **dict.fromkeys(("reading_standing", "vapour_pressure"), _PSIA),
    **dict.fromkeys(("flow", "asked", "suction_flow_certain", "suction_flow_possible"), _FLOW),
    **dict.fromkeys(("temperature_short", "temperature_other", "zero_temperature"), _WARMTH),
    **dict.fromkeys(("effective_area", "nominal_area"), _ORIFICE),
    "time": _SECONDS,
    **dict.fromkeys(("relative_change", "change_low", "change_high", "sudden", "rows_worth", "moments"), None),
    **dict.fromkeys(("area_ratio", "area_ratio_low", "area_ratio_high", "share", "short_share", "shortfall"), None),
    **dict.fromkeys(("short_share_beyond", "short_share_below"), None),
}


def percent(share: float) -> str:
    """Write a share as a percentage.

    Parameters
    ----------
    share : float
        [-]; NaN reads ``unknown``.
    """
    return f"{100.0 * share:.1f} %" if math.isfinite(share) else "unknown"


def _whole(share: float) -> str:
    return f"{100.0 * share:.0f} %"


def _margin(finding: Finding, outcome: ReconcileOutcome, system: System) -> str:
    n = finding.numbers
    text = (
        f"After the control valve the pressure came within {show(n['wanted_margin'], 'pressure', system)} of boiling "
        f"on {show(n['area'], 'area', system)} of {show(n['area_judged'], 'area', system)}"
    )
    if n["area_boiling"] > 0.0:
        text += f", below it on {show(n['area_boiling'], 'area', system)}"
    return (
        f"{text} (least margin {show(n['least_margin'], 'pressure', system)}); rows go uneven there. Drive faster, "
        "fit smaller orifices, or wait for colder liquid; 'geoflow window' tells by how much."
    )


def _valve(finding: Finding, outcome: ReconcileOutcome, system: System) -> str:
    n = finding.numbers
    text = (
        f"From pump to bar {show(n['excess_drop'], 'pressure', system)} more is lost than the valve takes wide open "
        f"({show(n['expected_drop'], 'pressure', system)}), in {_whole(n['share'])} of the moments"
    )
    if math.isfinite(n["short_share"]) and n["short_share"] > 0.5:
        return (
            text + ", with the rate short most of that time: look for a clogged strainer or a valve that does not open."
        )
    return text + ". A valve that throttles does this too; where the rate held, it is no fault."


def _drift(finding: Finding, outcome: ReconcileOutcome, system: System) -> str:
    n = finding.numbers
    what = "fell" if n["relative_change"] < 0.0 else "rose"
    low, high = sorted((abs(n["change_low"]), abs(n["change_high"])))
    text = (
        f"The orifices' effective area {what} by {100 * abs(n['relative_change']):.1f} % ({100 * low:.1f} to "
        f"{100 * high:.1f} %), worth {n['rows_worth']:.1f} rows"
    )
    if n["sudden"]:
        text += f", all at once {n['time'] / 60.0:,.0f} min into the log"
    advice = (
        "Look for plugged orifices or iced knives; bleed the lines before you open anything."
        if n["relative_change"] < 0.0
        else "Worn orifices or a hose off its knife: bleed the lines, then gauge the bores."
    )
    return f"{text}. {advice} A drifting pressure transmitter or meter looks the same."


def _level(finding: Finding, outcome: ReconcileOutcome, system: System) -> str:
    n = finding.numbers
    return (
        f"From the start the orifices pass as if their area were {_whole(n['area_ratio'])} of the bar file's (at "
        f"between {_whole(n['area_ratio_low'])} and {_whole(n['area_ratio_high'])}). Check which orifices are "
        "fitted and that the bar file says so; a pressure transmitter or meter that is off looks the same."
    )


def _zero(finding: Finding, outcome: ReconcileOutcome, system: System) -> str:
    n = finding.numbers
    side = "low" if n["offset"] < 0.0 else "high"
    text = f"The {finding.scope} transmitter reads about {show(abs(n['offset']), 'pressure', system)} too {side}"
    if "zero_temperature" in n:
        text += (
            f", as one does that was zeroed on ammonia at {show(n['zero_temperature'], 'temperature', system)} still "
            "in the lines. Zero it with the lines bled and open to the air"
        )
    else:
        text += ", judged by its readings while the machine stood. Compare it with a gauge you trust"
    if finding.confidence == "low":
        return text + ". What else is told about the bar here holds with that pressure and without."
    return text + ". What else is told about the bar here has it taken off already."


def _suction(finding: Finding, outcome: ReconcileOutcome, system: System) -> str:
    n = finding.numbers
    return (
        f"On {show(n['area'], 'area', system)} the flow stayed {_whole(n['shortfall'])} short: "
        f"{show(n['asked'], 'ammonia flow', system)} was asked, {show(n['flow'], 'ammonia flow', system)} came, and "
        f"with liquid at {show(n['temperature_short'], 'temperature', system)} the suction line certainly lets only "
        f"{show(n['suction_flow_certain'], 'ammonia flow', system)} through before it boils. Clean the strainer, slow "
        "down, fit a shorter or wider suction line, or wait for warmer liquid."
    )


def _cold(finding: Finding, outcome: ReconcileOutcome, system: System) -> str:
    n = finding.numbers
    short, other = (show(n[name], "temperature", system) for name in ("temperature_short", "temperature_other"))
    return (
        f"The flow was {_whole(n['shortfall'])} short on {show(n['area'], 'area', system)}, at {short} against {other} "
        "elsewhere, and no limit of the bar file explains it. Look at strainer, tank valve and suction hose."
    )


_TEXTS: Final[dict[str, Callable[[Finding, ReconcileOutcome, System], str]]] = {
    LIQUID_LOST: _margin,
    "control valve drop": _valve,
    "plugging": _drift,
    "wear": _drift,
    "orifice area below the bar file": _level,
    "orifice area above the bar file": _level,
    "transmitter zeroed with product in the lines": _zero,
    "transmitter bias": _zero,
    "suction starving": _suction,
    "short in the cold": _cold,
}


def finding_text(finding: Finding, outcome: ReconcileOutcome, system: System) -> str:
    """Say a finding in one or two sentences.

    Parameters
    ----------
    finding : Finding
        One about the bar.
    outcome : ReconcileOutcome
        From `reconcile_file`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    return _TEXTS[finding.kind](finding, outcome, system)


def finding_numbers(finding: Finding) -> dict[str, float | None]:
    """Give what was found in numbers, each with its unit in the key unless it is a ratio or a count.

    Parameters
    ----------
    finding : Finding
        One about the bar.
    """
    numbers: dict[str, float | None] = {}
    for name, value in finding.numbers.items():
        kind, unit, ending = _MEASURES.get(name, ("", "", "si")) or ("", "", "")
        key = f"{name}_{ending}" if ending else name
        numbers[key] = in_unit(value, kind, unit) if unit else rounded(value)
    return numbers


def finding_place(finding: Finding, outcome: ReconcileOutcome) -> tuple[float, float] | None:
    """Longitude and latitude [degree] of the middle of the records that show it; None where none does.

    Parameters
    ----------
    finding : Finding
        One about the bar.
    outcome : ReconcileOutcome
        From `reconcile_file`.
    """
    import pyproj

    if not finding.rows.size:
        return None
    log = outcome.read.log
    onward = pyproj.Transformer.from_crs(outcome.read.local_crs, 4326, always_xy=True)
    lon, lat = onward.transform(float(np.median(log.x[finding.rows])), float(np.median(log.y[finding.rows])))
    return float(lon), float(lat)


def place_text(finding: Finding, outcome: ReconcileOutcome) -> str:
    """Say where a finding shows: the part of the bar, rows of the log, and the middle of them on the ground.

    Parameters
    ----------
    finding : Finding
        One about the bar.
    outcome : ReconcileOutcome
        From `reconcile_file`.
    """
    place = finding_place(finding, outcome)
    if place is None:
        return finding.scope
    rows = np.sort(outcome.read.log.row[finding.rows])
    span = (
        f"row {rows[0] + 1:,}"
        if rows.size == 1
        else f"{rows.size:,} records between rows {rows[0] + 1:,} and {rows[-1] + 1:,}"
    )
    return f"{finding.scope}; {span} of the log, around {place[1]:.5f}, {place[0]:.5f}"


def _concern_gaps(outcome: ReconcileOutcome, system: System) -> str:
    lost, log = outcome.gaps, outcome.read.log
    # The sections of one moment share a gap.
    number_of = len(np.unique(log.run[lost.after] + 1j * np.nan_to_num(log.time[lost.after], nan=-1.0)))
    mass = show(float(lost.nitrogen.sum()), "mass", system)
    return (
        f"{percent(lost.share)} of the nitrogen, about {mass}, is missing from the log: the bar drove straight on "
        f"through {count(number_of, 'gap')}, switched on either side. The scale tickets are compared with the gaps "
        "bridged at the rates either side. Every other total, and the maps, leave them out; no meter calibration "
        "follows from this log."
    )


def _concern_ticket(outcome: ReconcileOutcome, system: System) -> str:
    balance = outcome.balance
    assert balance is not None
    side = "more" if balance.ratio > 1.0 else "less"
    whose = "The log, its gaps bridged," if balance.bridged > 0.0 else "The log"
    text = (
        f"{whose} says {show(balance.logged + balance.bridged, 'mass', system)} NH3 went out, "
        f"{percent(abs(balance.ratio - 1.0))} {side} than the tickets' {show(balance.ticket, 'mass', system)}."
    )
    if balance.temperature_ratio is not None and abs(balance.temperature_ratio - 1.0) > 0.002:
        text += (
            f" The meter's missing temperature correction makes a ratio of {balance.temperature_ratio:.3f} of it; "
            f"what is left for the meter itself is {balance.remaining_ratio:.3f}."
        )
        if balance.remaining_ratio is not None and abs(balance.remaining_ratio - 1.0) > abs(balance.ratio - 1.0):
            text += " The two hide each other at this temperature only."
    return text


def _concern_total(outcome: ReconcileOutcome, system: System) -> str:
    agreed = outcome.found.agreement
    side = "more" if agreed.bias > 0.0 else "less"
    gap, asked = (show(rate, "nitrogen rate", system, 1) for rate in (abs(agreed.bias), agreed.target_mean))
    if not agreed.target_mean > 0.0:
        return f"Over the ground compared, {gap} went down where nothing was asked."
    share = percent(abs(agreed.bias) / agreed.target_mean)
    return f"Over the ground compared, {gap} {side} went down than was asked ({share} of {asked})."


def _concern_spread(outcome: ReconcileOutcome, system: System) -> str:
    found = outcome.found
    off = sum(found.cause_area.values())
    worst = max(found.cause_area, key=lambda name: found.cause_area[name])
    return (
        f"{percent(found.agreement.within_10)} of the ground is within 10 % of its target; of the "
        f"{show(off, 'area', system)} that are not, most are explained by: {worst}."
        if worst != "unexplained"
        else f"{percent(found.agreement.within_10)} of the ground is within 10 % of its target; most of the "
        f"{show(off, 'area', system)} that are not have no cause the log shows."
    )


def _concern_missed(outcome: ReconcileOutcome, system: System) -> str:
    overlay, missed = outcome.found.overlay, outcome.found.missed
    share = missed / (overlay.missed + overlay.covered_in_field)
    return f"{show(missed, 'area', system)} of the field, {percent(share)}, were to get nitrogen and lie under no pass."


def _concern_doubled(outcome: ReconcileOutcome, system: System) -> str:
    overlay = outcome.found.overlay
    return f"{show(overlay.doubled, 'area', system)} were covered more than once and got the rate more than once."


def _concern_outside(outcome: ReconcileOutcome, system: System) -> str:
    return f"{show(outcome.found.outside_area, 'area', system)} of the passes lie outside the field."


def _concern_unasked(outcome: ReconcileOutcome, system: System) -> str:
    zones = outcome.found.zones
    assert zones is not None
    none = zones.asked == 0.0
    area, got = show(float(zones.area[none].sum()), "area", system), float(np.nansum(zones.nitrogen[none]))
    return f"{show(got, 'mass', system)} of nitrogen went onto the {area} for which the map asks nothing."


def _concern_unknown(outcome: ReconcileOutcome, system: System) -> str:
    area = show(outcome.found.unknown_rate_area, "area", system)
    return f"{area} were covered while no rate was logged; what fell there is not known."


def _concern_doubt(outcome: ReconcileOutcome, system: System) -> str:
    return "; ".join(note.text for note in outcome.read.doubts) + "."


def _concern_repeated(outcome: ReconcileOutcome, system: System) -> str:
    overlay = outcome.found.overlay
    over = f", {overlay.swept / overlay.covered:.1f} times the ground they lie on" if overlay.covered else ""
    return (
        f"The passes add up to {show(overlay.swept, 'area', system)}{over}. Unless the field was driven like that, "
        "the width, the sections or the order of the records is wrong, and so is what follows."
    )


CONCERNS: Final[dict[str, tuple[str, Callable[[ReconcileOutcome, System], str]]]] = {
    "doubt": ("doubtful log", _concern_doubt),
    "repeated": ("ground driven over and over", _concern_repeated),
    "gaps": ("gaps in the log", _concern_gaps),
    "ticket": ("ticket off", _concern_ticket),
    "total": ("total off", _concern_total),
    "spread": ("off rate", _concern_spread),
    "missed": ("missed ground", _concern_missed),
    "doubled": ("doubled ground", _concern_doubled),
    "outside": ("outside the field", _concern_outside),
    "unasked": ("nothing was asked", _concern_unasked),
    "unknown": ("unknown rate", _concern_unknown),
}


def concern_texts(outcome: ReconcileOutcome, system: System) -> list[tuple[str, str]]:
    """Kind and sentence of everything that is off about the field.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    return [(CONCERNS[name][0], CONCERNS[name][1](outcome, system)) for name in outcome.concerns]
