"""A field card as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.bar.key_kinds import GAUGE_PLACES
from geoflow.base.arrays import FloatArray, distinct
from geoflow.base.units import GALLON, MILE_PER_HOUR, POUND, from_si, to_si
from geoflow.decide.calibration import Calibration
from geoflow.decide.faults import Fault, alarm_place, fault_groups, gauges_at_hand
from geoflow.decide.speeds import inward_speeds
from geoflow.field_card.sheet import round_temperatures
from geoflow.physics.ammonia import saturation
from geoflow.report.gauges import section_list
from geoflow.report.json_numbers import in_unit, in_units, reading_document

if TYPE_CHECKING:
    from geoflow.field_card.outcome import CardOutcome

__all__ = ["card_document"]


def _by_degree(degrees: list[str], values: FloatArray) -> dict[str, float]:
    return {one: round(float(value), 4) for one, value in zip(degrees, values, strict=True)}


def _psi(values: np.ndarray[Any, Any], outcome: CardOutcome) -> list[Any] | None:
    gauge = in_units(values - outcome.solution.bar.air_pressure, "pressure", "psi")
    return None if any(one is None for one in gauge) else gauge


def _alarm_documents(outcome: CardOutcome) -> list[dict[str, Any]]:
    return [
        {
            "rate_lb_n_ac": in_unit(float(rate), "nitrogen rate", "lb/acre"),
            "share": round(float(share), 4) if np.isfinite(share) else None,
        }
        for rate, share in zip(outcome.speeds.rate, outcome.alarms, strict=True)
    ]


_PULSES: Final = (
    *("pulses_per_gallon", "pulses_per_lb_nh3", "pulses_per_lb_n", "pulses_per_10_lb_n"),
    *("entered_pulses_per_10_lb_n", "one_number_error_percent"),
)


def _pulses_document(found: Calibration | None) -> dict[str, Any]:
    """What to enter for the meter; null where nobody knows its pulses."""
    if found is None:
        return dict.fromkeys(_PULSES)
    degrees = [f"{one:.6g}" for one in from_si(found.temperature, "temperature", "degF").tolist()]
    values = (
        round(found.per_volume * GALLON, 6),
        _by_degree(degrees, POUND * found.per_ammonia),
        _by_degree(degrees, POUND * found.per_nitrogen),
        _by_degree(degrees, 10.0 * POUND * found.per_nitrogen),
        round(10.0 * found.entered * POUND, 4),
        _by_degree(degrees, 100.0 * found.error),
    )
    return dict(zip(_PULSES, values, strict=True))


def _settings_document(outcome: CardOutcome) -> dict[str, Any]:
    solution, found = outcome.solution, outcome.calibration
    bar, low = solution.bar, outcome.low_alarm
    place = alarm_place(bar)
    alarm = None if low is None else low.at(place)
    fits = outcome.alarms[np.isfinite(outcome.alarms)]
    return {
        **_pulses_document(found),
        "section_width_ft": [
            in_unit(section.rows * bar.row_spacing, "length", "ft") for section in section_list(solution)
        ],
        "section_rows": [section.rows for section in section_list(solution)],
        "low_pressure_alarm_psi": None if alarm is None else in_unit(alarm - bar.air_pressure, "pressure", "psi"),
        "low_pressure_alarm_place": place,
        "high_pressure_alarm_psi": in_unit(bar.rated_gauge[0], "pressure", "psi"),
        "off_rate_alarm": round(float(fits.min()), 4) if fits.size else None,
        "off_rate_alarms": _alarm_documents(outcome),
        "preset_rates_lb_n_ac": in_units(outcome.presets.rate, "nitrogen rate", "lb/acre"),
        "rate_step_lb_n_ac": in_unit(outcome.presets.step, "nitrogen rate", "lb/acre"),
        "delay_s": None if bar.controller is None else bar.controller.delay,
    }


def _speeds_document(outcome: CardOutcome) -> list[dict[str, Any]]:
    speeds = outcome.speeds
    low, high = (np.round(ends / MILE_PER_HOUR, 6) for ends in inward_speeds(*speeds.certain.T))
    return [
        {
            "rate_lb_n_ac": in_unit(float(speeds.rate[at]), "nitrogen rate", "lb/acre"),
            "area_ac": in_unit(float(speeds.area[at]), "area", "acre"),
            "speed_mph": [float(low[at]), float(high[at])] if speeds.held[at] else None,
            "verdict": str(speeds.verdict[at]),
            "limited_by": str(speeds.limited_by[at]) or None,
            "some_speed_may_hold": bool(speeds.possible[at]),
        }
        for at in np.lexsort((speeds.rate, speeds.held)).tolist()
    ]


def _gauges_document(outcome: CardOutcome) -> list[dict[str, Any]]:
    found = outcome.gauges
    rows = []
    for at in range(found.rate.size):
        for row, kelvin in enumerate(found.temperature.tolist()):
            flow, drop = float(found.flow[row, at]), found.valve_drop[row, at]
            rows.append(
                {
                    "rate_lb_n_ac": in_unit(float(found.rate[at]), "nitrogen rate", "lb/acre"),
                    "speed_mph": in_unit(float(found.speed[at].mean()), "speed", "mile/hour"),
                    "speed_range_mph": in_units(found.speed[at], "speed", "mile/hour"),
                    "temperature_degF": in_unit(kelvin, "temperature", "degF"),
                    "flow_gpm": in_unit(flow / float(found.density[row]), "volume flow", "gallon/minute"),
                    "flow_lb_nh3_min": in_unit(flow, "ammonia flow", "lb/minute"),
                    "manifold_psi": _psi(found.manifold[row, at], outcome),
                    "after_valve_psi": _psi(found.after_valve[row, at], outcome),
                    "pump_outlet_psi": _psi(found.outlet[row, at], outcome),
                    "valve_drop_psi": in_units(drop, "pressure", "psi") if np.isfinite(drop).all() else None,
                }
            )
    return rows


def _fault_document(fault: Fault, outcome: CardOutcome) -> dict[str, Any]:
    return {
        "fault": fault.name,
        "part": fault.part or None,
        "turn": dict(fault.turn),
        "flow_falls_short": fault.short,
        "rates": [
            {
                "rate_lb_n_ac": in_unit(float(rate), "nitrogen rate", "lb/acre"),
                "change_psi": {
                    place: in_unit(float(fault.change[place][at]), "pressure", "psi") for place in GAUGE_PLACES
                },
                "shown_flow_percent": round(100.0 * float(fault.shown_flow[at]), 4),
            }
            for at, rate in enumerate(outcome.fault_rate)
        ],
    }


def _tank_document(outcome: CardOutcome) -> list[dict[str, Any]]:
    kelvin = to_si(np.array(round_temperatures(outcome, "us")), "temperature", "degF")
    kelvin = distinct(np.round(np.concatenate([kelvin, outcome.gauges.temperature]), 9))
    gauge = saturation(kelvin).pressure - outcome.solution.bar.air_pressure
    return [
        {"temperature_degF": degree, "psi": psi}
        for degree, psi in zip(in_units(kelvin, "temperature", "degF"), in_units(gauge, "pressure", "psi"), strict=True)
    ]


def card_document(outcome: CardOutcome) -> dict[str, Any]:
    """Give a field card for JSON.

    Parameters
    ----------
    outcome : CardOutcome
        From `workflow.carding`.
    """
    solution, tanks = outcome.solution, outcome.tanks
    bar, faults = solution.bar, outcome.faults
    low, high = solution.rate_bounds(solution.certain)
    hand = gauges_at_hand(bar)
    return {
        "bar": bar.name,
        "input": None if outcome.prescription is None else reading_document(outcome.prescription),
        "temperature_degF": in_units(np.array(solution.plan.temperature), "temperature", "degF"),
        "planned_speed_mph": in_units(np.array(solution.plan.speed), "speed", "mile/hour"),
        "rate_range_lb_n_ac": in_units(np.array([low, high]), "nitrogen rate", "lb/acre") if low <= high else None,
        "warnings": list(solution.warnings()),
        "rates_of_the_map": int(outcome.speeds.rate.size),
        "speeds": _speeds_document(outcome),
        "settings": _settings_document(outcome),
        "gauges": _gauges_document(outcome),
        "tank_gauge": _tank_document(outcome),
        "gauges_at_hand": list(hand),
        "faults": [_fault_document(fault, outcome) for fault in faults],
        "faults_not_told_apart": [
            [fault.name for fault in group] for group in fault_groups(faults, hand) if len(group) > 1
        ],
        "tanks": None
        if tanks is None
        else {
            "full_lb_nh3": in_unit(tanks.full_load, "mass", "lb"),
            "drawn_lb_nh3": in_units(tanks.drawn, "mass", "lb"),
            "heel": outcome.heel,
        },
        "spare_suction_psi": in_unit(outcome.spare_suction, "pressure", "psi"),
    }
