"""A rehearsed day as JSON."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from geoflow.base.units import HOUR
from geoflow.rehearsal.losses import BORDER
from geoflow.rehearsal.savings import Alternative
from geoflow.report.json_numbers import keyed, reading_document, records, rounded

if TYPE_CHECKING:
    from geoflow.rehearsal.outcome import RehearseOutcome

__all__ = ["rehearse_document"]


def _alternative(one: Alternative) -> dict[str, Any]:
    value: dict[str, Any] = {
        "heading": {"heading_deg": round(math.degrees(one.value) % 180.0, 1)},
        "speed": keyed(change_mph=one.value),
        "small zones": {"zones_lowered": int(one.value)},
        "look-ahead": {"look_ahead_s": rounded(one.value)},
    }[one.kind]
    return {
        "kind": one.kind,
        **value,
        **keyed(border_saved_ac=one.border_saved, saved_ac=one.saved, not_as_asked_ac=one.losses.not_as_asked),
        "total_h": rounded(one.time / HOUR),
    }


def _assumed(outcome: RehearseOutcome) -> dict[str, Any]:
    setup = outcome.rehearsal.setup
    driving, unknown = setup.driving, setup.unknown
    return {
        "heading_deg": round(math.degrees(setup.course[0]) % 360.0, 1),
        "headlands": driving.headlands,
        "headlands_last": driving.headlands_last,
        **keyed(turn_radius_ft=driving.turn_radius, antenna_ft=setup.display.antenna),
        "turn_time_s": rounded(driving.turn_time),
        "tank_change_s": driving.swap_time,
        "look_ahead_s": setup.display.look_ahead,
        "delay_s": [rounded(end) for end in unknown.delay],
        "time_constant_s": [rounded(end) for end in unknown.time_constant],
        "opens_late_s": setup.switching.opens,
        "shuts_late_s": setup.switching.shuts,
        "meter_spread": unknown.meter,
        "meter_scatter": unknown.scatter,
        "speed_wobble": unknown.wobble,
        "draws": len(outcome.rehearsal.within_10),
        "seed": outcome.seed,
    }


def rehearse_document(outcome: RehearseOutcome) -> dict[str, Any]:
    """Give the rehearsal as a plain dictionary, the unit in every key.

    Parameters
    ----------
    outcome : RehearseOutcome
        From `rehearse_field`.
    """
    done, vetted = outcome.rehearsal, outcome.plan.vetted
    zones, way, share = done.zones, done.way, done.within_10
    return {
        **keyed(temperature_degF=vetted.solution.plan.temperature, speed_mph=vetted.solution.plan.speed),
        "within_10": {"mean": rounded(share.mean()), "low": rounded(share.min()), "high": rounded(share.max())},
        **keyed(
            asked_ac=done.asked,
            covered_ac=done.overlay.covered,
            doubled_ac=done.overlay.doubled,
            missed_ac=done.missed,
            unasked_ac=done.outside,
            uneven_ac=done.uneven,
            short_ac=done.short,
            lost_at_borders_ac=done.losses.area[BORDER],
        ),
        "causes": {name: keyed(area_ac=area) for name, area in done.losses.area.items()},
        "savings": [_alternative(one) for one in done.savings],
        "hours": {
            "total_h": rounded(done.time / HOUR),
            "turning_h": rounded(way.turning / HOUR),
            "changing_tanks_h": rounded(way.swapping / HOUR),
        },
        "loads": done.tanks if math.isfinite(done.setup.full_load) else None,
        "zones": records(
            zone=vetted.prescription.row,
            zone_id=list(vetted.prescription.zone_id),
            area_ac=zones.area,
            covered_ac=zones.covered,
            doubled_ac=zones.doubled,
            asked_lb_n_ac=done.setup.rate,
            expect_lb_n_ac=zones.mean,
            expect_low_lb_n_ac=zones.low,
            expect_high_lb_n_ac=zones.high,
            within_10=zones.within_10,
            within_10_low=zones.within_low,
            within_10_high=zones.within_high,
            uneven=zones.uneven,
            short=zones.short,
        ),
        "rests_on": _assumed(outcome),
        "input": reading_document(vetted.prescription),
    }
