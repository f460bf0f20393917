"""Numbers of the JSON documents: in the unit their key names, rounded, None where there is none."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.units import from_si

if TYPE_CHECKING:
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["in_unit", "in_units", "reading_document", "rounded"]

_DIGITS: Final = 6


def rounded(value: float) -> float | None:
    """Round for JSON, which knows neither NaN nor infinity."""
    return round(float(value), _DIGITS) if math.isfinite(value) else None


def in_unit(value: float | None, kind: str, unit: str) -> float | None:
    """Give an SI value in a unit; None for one that is missing or not finite.

    Parameters
    ----------
    value : float or None
        In SI.
    kind, unit : str
        As in `base.units`.
    """
    return None if value is None else rounded(float(from_si(value, kind, unit)))


def in_units(values: FloatArray, kind: str, unit: str) -> list[Any]:
    """Give SI values in a unit, each a number, or None where it is not finite.

    Parameters
    ----------
    values : ndarray
        In SI.
    kind, unit : str
        As in `base.units`.
    """
    shown = np.round(from_si(values, kind, unit), _DIGITS)
    return [value if math.isfinite(value) else None for value in shown.tolist()]


def reading_document(prescription: Prescription) -> dict[str, Any]:
    """Give what was read of a prescription, what was left out, and what looked odd."""
    return {
        "file": str(prescription.path),
        "format": prescription.file_format,
        "layer": prescription.layer,
        "rate_column": prescription.rate_column,
        "rate_unit": prescription.rate_unit.text,
        "rows_read": prescription.rows_read,
        "dropped": {cause: list(rows) for cause, rows in prescription.dropped.items()},
        "facts": [{"kind": note.kind, "text": note.text, "count": note.count} for note in prescription.notes],
        "centre_lon_lat": [round(value, 5) for value in prescription.centre],
    }
