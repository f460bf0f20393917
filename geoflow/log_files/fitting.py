"""Whether columns fit each other: flow is rate times width times speed, and speed is distance over time."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.errors import GeoflowError
from geoflow.log_files.chosen import Chosen
from geoflow.log_files.log_units import ROLES, Conditions, role_to_si
from geoflow.log_files.tables import LogTable

__all__ = ["flow_unit_by_rate", "misfit", "rate_unit_by_flow"]

_FITS, _FEWEST = 0.1, 5
_SHARP: Final = 0.04  # a unit is told only where it fits this well and no other fits within a tenth


def _si(table: LogTable, role: str, column: Chosen | None, conditions: Conditions) -> FloatArray | None:
    if column is None or column.unit is None:
        return None
    try:
        return role_to_si(ROLES[role], table.numbers(column.index[0]), column.unit, conditions, where=table.where)
    except GeoflowError:
        return None


def _rate_by_flow(
    table: LogTable, chosen: Mapping[str, Chosen], conditions: Conditions, width: float | None
) -> FloatArray | None:
    """Nitrogen rate that flow, width and speed make [kg/m2], shape (rows,); None where one of them is unknown."""
    if "section" in chosen:
        return None  # the flow is the whole bar's and each record only a section's
    flow, speed, own = (_si(table, role, chosen.get(role), conditions) for role in ("flow", "speed", "width"))
    wide = own if own is not None else width
    if flow is None or speed is None or wide is None:
        return None
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(flow * conditions.nitrogen_fraction / (wide * speed))


def _ratio(values: FloatArray, expected: FloatArray) -> float | None:
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = values / expected
    ratio = ratio[np.isfinite(ratio) & (ratio > 0.0)]
    return float(np.median(ratio)) if ratio.size >= _FEWEST else None


def rate_unit_by_flow(
    table: LogTable, index: int, chosen: Mapping[str, Chosen], conditions: Conditions, width: float | None
) -> str | None:
    """Return the unit in which a column is the rate that flow, width and speed make; None where none or several are.

    Parameters
    ----------
    table : LogTable
        The log.
    index : int
        Column of a rate.
    chosen : mapping
        Columns with their units.
    conditions : Conditions
        What converts them.
    width : float or None
        Of the bar, where no column has it [m].
    """
    expected = _rate_by_flow(table, chosen, conditions, width)
    if expected is None:
        return None
    units = [unit for unit in ROLES["applied"].units if " " in unit]
    return _fitting_unit(table, "applied", index, units, expected, conditions)


def _fitting_unit(
    table: LogTable, role: str, index: int, units: Iterable[str], expected: FloatArray, conditions: Conditions
) -> str | None:
    """The one unit in which a column is what is expected of it; None where none is, or another comes near."""
    values, near = table.numbers(index), {}
    for unit in units:
        try:
            ratio = _ratio(role_to_si(ROLES[role], values, unit, conditions, where=table.where), expected)
        except GeoflowError:
            continue
        if ratio is not None and abs(ratio - 1.0) < _FITS:
            near[unit] = abs(ratio - 1.0)
    best = min(near, key=near.__getitem__) if len(near) == 1 else None
    return best if best is not None and near[best] < _SHARP else None


def flow_unit_by_rate(
    table: LogTable, index: int, chosen: Mapping[str, Chosen], conditions: Conditions, width: float | None
) -> str | None:
    """Return the unit in which a column is rate times width times speed; None where none or several are.

    Parameters
    ----------
    table : LogTable
        The log.
    index : int
        Column of a flow.
    chosen : mapping
        Columns with their units.
    conditions : Conditions
        What converts them.
    width : float or None
        Of the bar, where no column has it [m].
    """
    if "section" in chosen:
        return None
    rate, speed, own = (_si(table, role, chosen.get(role), conditions) for role in ("applied", "speed", "width"))
    wide = own if own is not None else width
    if rate is None or speed is None or wide is None:
        return None
    expected = np.asarray(rate * wide * speed / conditions.nitrogen_fraction)
    return _fitting_unit(table, "flow", index, ROLES["flow"].units, expected, conditions)


def misfit(table: LogTable, chosen: Mapping[str, Chosen], conditions: Conditions, width: float | None) -> str:
    """Say where the applied rate contradicts flow, width and speed; empty where it does not or cannot be told.

    Parameters
    ----------
    table : LogTable
        The log.
    chosen : mapping
        Columns with their units.
    conditions : Conditions
        What converts them.
    width : float or None
        Of the bar, where no column has it [m].
    """
    expected = _rate_by_flow(table, chosen, conditions, width)
    rate = _si(table, "applied", chosen.get("applied"), conditions)
    ratio = None if expected is None or rate is None else _ratio(rate, expected)
    if ratio is None or abs(ratio - 1.0) <= _FITS:
        return ""
    return (
        f"the rate in '{chosen['applied'].name}' is {ratio:.2f} times what the flow in '{chosen['flow'].name}' makes "
        "over width and speed: one of these columns or units is wrong"
    )
