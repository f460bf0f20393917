"""Orifices for rates as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.decide.sizing import HELPFUL_LAND, SizeChoice, SizeOption
from geoflow.report.json_numbers import in_unit, in_units, keyed, reading_document

if TYPE_CHECKING:
    from geoflow.decide.sized import Sized
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["plan_sizes_document", "sized_document"]

# Keys of what was taken, with its unit.
_TAKEN = {
    "pump flow": "pump_flow_gpm",
    "pump pressure": "pump_pressure_psi",
    "loss": "loss_psi",
    "back pressure": "back_pressure_psi",
    "rated pressure": "rated_pressure_psi",
    "liquid margin": "liquid_margin_psi",
    "coefficient": "discharge_coefficient",
    "elevation": "elevation_ft",
}


def _ends(ends: FloatArray) -> tuple[float, float] | None:
    return None if np.isnan(ends[0]) else (float(ends[0]), float(ends[1]))


def _option(option: SizeOption | None, found: Sized) -> dict[str, Any] | None:
    if option is None:
        return None
    bar, (slow, fast) = found.bars.worse, found.plan.speed
    share = bar.nitrogen_fraction / bar.row_spacing / sum(bar.sections[index].rows for index in found.plan.sections)
    rates = {}
    for name, bounds in (("certain", option.certain), ("possible", option.possible)):
        low, high = bounds.low * share / slow, bounds.high * share / fast
        rates[name] = (low, high) if low <= high else None
    weights = {"holds_ac": option.held, "may_hold_ac": option.maybe} if found.area is not None else {}
    return keyed(
        diameter_in=option.diameter,
        drill=found.names.get(option.diameter) or None,
        holds_lb_n_ac=found.rate[option.holds],
        may_hold_lb_n_ac=found.rate[option.may_hold],
        **weights,
        rate_lb_n_ac=rates,
    )


def _rates(found: Sized) -> list[dict[str, Any]]:
    rows = []
    for at, rate in enumerate(found.rate.tolist()):
        row = keyed(
            rate_lb_n_ac=rate,
            area_ac=None if found.area is None else float(found.area[at]),
            certain_in=[in_units(run, "small length", "inch") for run in found.choice.certain[at]],
            possible_in=[in_units(run, "small length", "inch") for run in found.choice.possible[at]],
        )
        if found.vetting is not None:
            vetting = found.vetting
            row["verdict"] = str(vetting.verdict[at])
            row |= keyed(
                speed_mph=_ends(np.array([vetting.speed_low[at], vetting.speed_high[at]])),
                holds_between_degF=_ends(np.array([vetting.temperature_low[at], vetting.temperature_high[at]])),
            )
        rows.append(row)
    return rows


def _days(found: Sized) -> dict[str, Any] | None:
    days = found.choice.days
    if days is None:
        return None
    return {
        "split_degF": in_unit(days.split, "temperature", "degF"),
        "cold": _option(days.cold, found),
        "warm": _option(days.warm, found),
    }


def sized_document(found: Sized, prescription: Prescription | None) -> dict[str, Any]:
    """Give orifices for some rates.

    Parameters
    ----------
    found : Sized
        Orifices for some rates.
    prescription : Prescription or None
        The map whose rates they are, where there is one.
    """
    bar, choice = found.bars.worse, found.choice
    rows = sum(bar.sections[index].rows for index in found.plan.sections)
    land = _option(choice.with_land, found)
    taken = keyed(**{_TAKEN[one.name]: (one.low, one.high) for one in found.taken})
    return {
        "input": None if prescription is None else reading_document(prescription),
        "bar": None if found.taken else bar.name,
        "rows": rows,
        **keyed(
            width_ft=rows * bar.row_spacing,
            temperature_degF=found.plan.temperature,
            speed_mph=found.plan.speed,
        ),
        "taken": taken,
        "given": [_TAKEN[one.name] for one in found.taken if one.given],
        "rates": _rates(found),
        "best": _option(choice.best, found),
        **keyed(best_in=choice.best_span),
        "sizes": [_option(one, found) for one in choice.listed],
        "cold_and_warm": _days(found),
        "with_land": None if land is None else {"land_in": in_unit(HELPFUL_LAND, "small length", "inch"), **land},
    }


def plan_sizes_document(choice: SizeChoice | None) -> dict[str, Any] | None:
    """Give the sizes that would hold more than those of the bar file; None where these hold enough.

    Parameters
    ----------
    choice : SizeChoice or None
        Weighed by area.
    """
    if choice is None or choice.best is None:
        return None
    best = choice.best
    return keyed(
        diameter_in=best.diameter,
        range_in=choice.best_span,
        holds_ac=best.held,
        may_hold_ac=best.maybe,
    )
