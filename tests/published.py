"""Expected values from ``tests/published/*.csv``: one row a check, its source beside it.

Columns of every file: what is checked (``quantity``), its conditions, ``value``, ``unit``, ``tolerance`` (in the same
unit, or with % of the value), ``source`` and ``status``. Status says how the figure got here: *read* in the source or a
copy of it, *second-hand* in a project that cites the source, *computed* by hand or with a reference library,
*memory* of a source that was not at hand, *practice* common practice without a source.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

__all__ = ["POUND", "PSI", "STATUSES", "UNITS", "Row", "kelvin", "params", "rows", "si", "tables"]

FOLDER = Path(__file__).with_name("published")
STATUSES = {"read", "second-hand", "computed", "memory", "practice"}

# Definitions: inch 0.0254 m, pound 0.45359237 kg, US gallon 231 in3, standard gravity 9.80665 m/s2, acre 43560 ft2,
# Btu (International Table) of 2326 J/kg per Btu/lb. Written out here so that nothing depends on geoflow.base.units.
INCH, FOOT, POUND = 0.0254, 0.3048, 0.45359237
GALLON, ACRE = 231 * INCH**3, 43560 * FOOT**2
PSI = POUND * 9.80665 / INCH**2
UNITS: dict[str, float] = {
    "-": 1.0, "%": 0.01,
    "m": 1.0, "gal": GALLON, "mm2": 1e-6, "in": INCH, "ft": FOOT, "m2": 1.0, "m3": 1.0, "kg": 1.0, "K": 1.0, "V": 1.0,
    "kg/m3": 1.0, "lb/ft3": POUND / FOOT**3, "lb/gal": POUND / GALLON, "ft3/lb": FOOT**3 / POUND,
    "Pa": 1.0, "kPa": 1e3, "MPa": 1e6, "bar": 1e5, "psi": PSI, "inHg": 3386.389,
    "J/kg": 1.0, "kJ/kg": 1e3, "Btu/lb": 2326.0, "uPa.s": 1e-6,
    "m3/s": 1.0, "kg/s": 1.0, "lb/min": POUND / 60, "L/min": 1e-3 / 60, "gpm": GALLON / 60, "m3/h": 1 / 3600,
    "m/s": 1.0, "mph": 5280 * FOOT / 3600, "km/h": 1 / 3.6, "lb/ac": POUND / ACRE, "kg/ha": 1e-4,
    "L/ha": 1e-7, "V/psi": 1 / PSI, "1/gal": 1 / GALLON,
}  # fmt: skip


def kelvin(text: str) -> float:
    """Temperature [K] of a text such as ``-28 degF``."""
    value, unit = text.split()
    if unit == "degF":
        return (float(value) - 32) / 1.8 + 273.15
    return float(value) + {"degC": 273.15, "K": 0.0}[unit]


def si(text: str) -> float:
    """SI value of a text such as ``20.733 bar``."""
    value, _, unit = text.partition(" ")
    return kelvin(text) if unit in {"degF", "degC", "K"} else float(value) * UNITS[unit or "-"]


@dataclass(frozen=True)
class Row:
    """One check."""

    cells: dict[str, str]

    def __getitem__(self, column: str) -> float:
        """Condition in SI units."""
        return si(self.cells[column])

    def text(self, column: str) -> str:
        return self.cells[column]

    @property
    def unit(self) -> str:
        return self.cells["unit"]

    @property
    def expected(self) -> Any:
        """What `check` compares with: SI value, with the tolerance of the row."""
        value = si(f"{self.cells['value']} {self.unit}")
        width = self.cells["tolerance"]
        if width.endswith("%"):
            return pytest.approx(value, rel=float(width[:-1]) / 100, abs=0)
        # A difference: no offset, should the unit have one.
        scale = {"degF": 1 / 1.8, "degC": 1.0}.get(self.unit) or UNITS[self.unit]
        return pytest.approx(value, rel=0, abs=float(width) * scale)


def rows(name: str) -> list[Row]:
    with (FOLDER / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return [Row(cells) for cells in csv.DictReader(file)]


def tables() -> list[str]:
    return sorted(path.stem for path in FOLDER.glob("*.csv"))


def params(name: str) -> Any:
    """Decorator that runs a test once for every row of a table."""
    found = rows(name)
    state = [column for column in found[0].cells if column not in {"value", "unit", "tolerance", "source", "status"}]
    names = [" ".join(row.cells[column] for column in state if row.cells[column]) for row in found]
    return pytest.mark.parametrize("row", found, ids=names)
