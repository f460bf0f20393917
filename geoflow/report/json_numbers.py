"""Numbers of the JSON documents: in the unit their key ends with, rounded, None where there is none."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.subject import called
from geoflow.base.units import from_si

if TYPE_CHECKING:
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["document_text", "in_unit", "in_units", "keyed", "reading_document", "records", "rounded"]

_DIGITS: Final = 6
# What a key ends with, and the kind and unit of its value; the longer ending counts.
_UNITS: Final[dict[str, tuple[str, str]]] = {
    "_lb_nh3_min": ("ammonia flow", "lb/minute"),
    "_lb_n_ac": ("nitrogen rate", "lb/acre"),
    **dict.fromkeys(("_lb_nh3", "_lb_n", "_lb"), ("mass", "lb")),
    "_ac": ("area", "acre"),
    "_mph": ("speed", "mile/hour"),
    "_degF": ("temperature", "degF"),
    **dict.fromkeys(("_psi", "_psig"), ("pressure", "psi")),
    "_ft": ("length", "ft"),
    "_in": ("small length", "inch"),
    "_gpm": ("volume flow", "gallon/minute"),
    "_gal": ("volume", "gallon"),
    "_inch": ("length", "inch"),
}


def rounded(value: float | None) -> float | None:
    """Round for JSON, which knows neither NaN nor infinity.

    Parameters
    ----------
    value : float or None
        In the unit it is written in.
    """
    return None if value is None or not math.isfinite(value) else round(float(value), _DIGITS)


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
    values : ndarray, shape (n,)
        In SI.
    kind, unit : str
        As in `base.units`.
    """
    return _finite(np.asarray(from_si(values, kind, unit)))


def _finite(values: FloatArray) -> list[Any]:
    found: list[Any] = np.round(values, _DIGITS).tolist()
    if np.isfinite(values).all():
        return found
    return [value if math.isfinite(value) else None for value in found]


def _written(key: str, value: Any) -> Any:
    unit = None if "_per_" in key else next((unit for ending, unit in _UNITS.items() if key.endswith(ending)), None)
    if isinstance(value, dict):
        return {name: _written(key, each) for name, each in value.items()}
    if isinstance(value, tuple):
        value = np.array(value, dtype=np.float64)
    if isinstance(value, np.ndarray):
        if value.dtype.kind != "f":
            return value.tolist()
        return _finite(value) if unit is None else in_units(value, *unit)
    if not isinstance(value, float):
        return value
    return rounded(value) if unit is None else in_unit(value, *unit)


def document_text(document: dict[str, Any]) -> str:
    """Write a document as it stands in a file.

    Parameters
    ----------
    document : dict
        The JSON; holds no NaN.
    """
    return json.dumps(document, indent=1, allow_nan=False) + "\n"


def keyed(**values: Any) -> dict[str, Any]:
    """Give values as JSON has them: floats of SI in the unit that their key ends with.

    Parameters
    ----------
    **values
        Floats, tuples or arrays of them, or dictionaries of these; a number whose key ends with no unit is only
        rounded. Everything else stays as it is.
    """
    return {key: _written(key, value) for key, value in values.items()}


def records(**columns: Any) -> list[dict[str, Any]]:
    """Give a dictionary for each row of a table.

    Parameters
    ----------
    **columns
        As for `keyed`, of one length.
    """
    shown = keyed(**columns)
    return [dict(zip(shown, row, strict=True)) for row in zip(*shown.values(), strict=True)]


def reading_document(prescription: Prescription) -> dict[str, Any]:
    """Give what was read of a prescription, what was left out, and what looked odd.

    Parameters
    ----------
    prescription : Prescription
        As read.
    """
    return {
        "file": called(prescription.path),
        "format": prescription.file_format,
        "layer": prescription.layer,
        "rate_column": prescription.rate_column,
        "rate_unit": prescription.rate_unit.text,
        "rows_read": prescription.rows_read,
        "dropped": {cause: list(rows) for cause, rows in prescription.dropped.items()},
        "facts": [{"kind": note.kind, "text": note.text, "count": note.count} for note in prescription.notes],
        "centre_lon_lat": [round(value, 5) for value in prescription.centre],
    }
