"""What number a cell means, however it was written: "120,5", "150 lb", "1,234.5"."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoflow.base.rate_units import RateUnit

__all__ = [
    "GROUND_WORDS",
    "MASS_WORDS",
    "NO_DATA",
    "Numbers",
    "Suffix",
    "contradicts",
    "parse_numbers",
    "suffix_conflicts",
]

NO_DATA: Final = (-9999.0, -99999.0, -999.0)
"""Numbers that files hold where there is none (common practice, no source); the first is the one written."""

_CELL = re.compile(r"([-+−]?)\s*(\d[\d.,]*|[.,]\d+)(e[-+]?\d+)?\s*(.*)", re.IGNORECASE)
_MISSING = {"", "nan", "na", "n/a", "null", "none", "-", "--", "<null>"}
MASS_WORDS: Final = {
    "lb": "lb", "lbs": "lb", "#": "lb", "pound": "lb", "pounds": "lb", "kg": "kg", "kgs": "kg",
    "gal": "gal", "gals": "gal", "gallon": "gal", "gallons": "gal",
    "l": "L", "liter": "L", "liters": "L", "litre": "L", "litres": "L",
}  # fmt: skip
GROUND_WORDS: Final = {"ac": "ac", "acre": "ac", "acres": "ac", "ha": "ha", "hectare": "ha", "hectares": "ha"}
_COUNTED = {"n": "N", "nh3": "NH3"}

Suffix = tuple[str | None, str | None, str | None]
"""What a text behind a number states: lb, kg, gal or L; N or NH3; ac or ha."""


@dataclass(frozen=True)
class Numbers:
    """What the cells of one column say, shape (n,).

    Attributes
    ----------
    values : ndarray of float
        The numbers; NaN where there is none, infinite where the cell says so.
    missing, unreadable, ambiguous, comma : ndarray of bool
        Empty cells; cells with no number; cells like "1,200"; cells whose decimal mark is a comma.
    suffixes : dict
        What stands behind the number, with its rows.
    """

    values: NDArray[np.float64]
    missing: NDArray[np.bool_]
    unreadable: NDArray[np.bool_]
    ambiguous: NDArray[np.bool_]
    comma: NDArray[np.bool_]
    suffixes: dict[Suffix, list[int]] = field(default_factory=dict)

    @property
    def mostly_numbers(self) -> bool:
        """Whether more than half of the filled cells hold a number, and at least one does."""
        filled, bad = int((~self.missing).sum()), int(self.unreadable.sum())
        return filled > 0 and bad * 2 < filled

    @property
    def span(self) -> tuple[float, float] | None:
        """Least and greatest finite number, or None."""
        finite = self.values[np.isfinite(self.values)]
        return (float(finite.min()), float(finite.max())) if finite.size else None


def parse_numbers(cells: Any) -> Numbers:
    """Read cells as numbers: numbers as they are, text with either decimal mark and a unit behind it.

    Parameters
    ----------
    cells : array_like, shape (n,)
        Numbers or text, None for an empty cell.
    """
    array = np.asarray(cells)
    if array.dtype.kind in "fiu":
        values = array.astype(float)
        none = np.zeros(values.shape, dtype=bool)
        return Numbers(values, np.isnan(values), none, none, none)
    if array.dtype.kind == "O":
        array = np.array([_as_text(cell) for cell in array], dtype=str)
    array = np.char.strip(array)
    try:
        if (np.char.find(array, "_") >= 0).any():  # Python takes 1_000 for a number
            raise ValueError
        return parse_numbers(np.where(array == "", "nan", array).astype(float))
    except ValueError:
        pass
    return _read_texts(array)


def _read_texts(array: NDArray[np.str_]) -> Numbers:
    texts, back = np.unique(array, return_inverse=True)
    values, states, stated = zip(*map(_read_cell, texts.tolist()), strict=True)
    suffixes: dict[Suffix, list[int]] = {}
    for row, at in enumerate(back.tolist()):
        if stated[at] is not None:
            suffixes.setdefault(stated[at], []).append(row)
    state = np.array(states)[back]
    missing, unreadable, ambiguous, comma = (state == kind for kind in ("missing", "unreadable", "ambiguous", "comma"))
    return Numbers(np.array(values)[back], missing, unreadable, ambiguous, comma, suffixes)


def _as_text(cell: object) -> str:
    return "" if cell is None or cell != cell else str(cell)  # only NaN differs from itself


def _read_cell(text: str) -> tuple[float, str, Suffix | None]:
    if text.casefold() in _MISSING:
        return np.nan, "missing", None
    if text.casefold().lstrip("+-") in {"inf", "infinity"}:
        return (-np.inf if text.startswith("-") else np.inf), "plain", None
    match = _CELL.fullmatch(text)
    if match is None:
        return np.nan, "unreadable", None
    sign, body, exponent, behind = match.groups()
    suffix = _read_suffix(behind)
    if suffix is None:
        return np.nan, "unreadable", None
    digits, state = _read_digits(body)
    if not digits:
        return np.nan, state, None
    value = float(digits + (exponent or "")) * (-1.0 if sign in {"-", "−"} else 1.0)
    return value, state, suffix if any(suffix) else None


def _read_digits(body: str) -> tuple[str, str]:
    """Return digits with a decimal point (empty if they cannot be read) and how they were written."""
    commas, points = body.count(","), body.count(".")
    if not commas and points <= 1:
        return body, "plain"
    if commas == 1 and not points:
        whole, decimals = body.split(",")
        return ("", "ambiguous") if len(decimals) == 3 else (f"{whole or 0}.{decimals}", "comma")
    if re.fullmatch(r"\d{1,3}(,\d{3})+\.\d*", body) or re.fullmatch(r"\d{1,3}(,\d{3}){2,}", body):
        return body.replace(",", ""), "plain"
    if re.fullmatch(r"\d{1,3}(\.\d{3})+,\d*", body) or re.fullmatch(r"\d{1,3}(\.\d{3}){2,}", body):
        return body.replace(".", "").replace(",", "."), "comma"
    return "", "unreadable"


def _read_suffix(text: str) -> Suffix | None:
    """Read "lb N/ac", "kg", "gal/acre"; None if there is a word that is no part of a rate unit."""
    mass = counted = ground = None
    for word in re.findall(r"[^\W_]+|[^\w\s]", text.casefold()):
        if word in MASS_WORDS and mass is None:
            mass = MASS_WORDS[word]
        elif word in GROUND_WORDS and ground is None:
            ground = GROUND_WORDS[word]
        elif word in _COUNTED and counted is None:
            counted = _COUNTED[word]
        elif word not in {"/", "per", "."}:
            return None
    return mass, counted, ground


def _parts(unit: RateUnit) -> tuple[str, str, str]:
    mass, rest = unit.text.split(" ")
    counted, ground = rest.split("/")
    return mass, counted, ground


def contradicts(stated: Suffix, unit: RateUnit) -> bool:
    """Whether what is stated names another mass or volume, substance or ground than the unit.

    Parameters
    ----------
    stated : Suffix
        What stands behind a number or in a name.
    unit : RateUnit
        What it is compared with.
    """
    return any(said is not None and said != meant for said, meant in zip(stated, _parts(unit), strict=True))


def suffix_conflicts(numbers: Numbers, unit: RateUnit) -> list[int]:
    """Rows whose text states something else than `unit`, such as "150 kg" where the unit is lb N/ac.

    Parameters
    ----------
    numbers : Numbers
        Of a column.
    unit : RateUnit
        What they are taken in.
    """
    return sorted(row for suffix, rows in numbers.suffixes.items() if contradicts(suffix, unit) for row in rows)
