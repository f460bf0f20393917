"""Makes ``data/saturation.csv``: ammonia along the saturation line, from CoolProp.

Run ``python -m geoflow.physics.saturation_table`` to write it anew. The table is shipped so that a command does
not pay the two seconds CoolProp takes to load; ``tests/test_ammonia.py`` holds it against CoolProp itself.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np

__all__ = ["COLUMNS", "TABLE_PATH", "make_table", "write_table"]

TABLE_PATH: Final = Path(__file__).with_name("data") / "saturation.csv"
COLUMNS: Final[tuple[str, ...]] = (
    "temperature_k",
    "pressure_pa",
    "liquid_density_kg_m3",
    "vapour_density_kg_m3",
    "liquid_enthalpy_j_kg",
    "vapour_enthalpy_j_kg",
    "liquid_heat_capacity_j_kg_k",
    "liquid_viscosity_pa_s",
    "vapour_viscosity_pa_s",
    "liquid_compressibility_1_pa",
    "liquid_expansivity_1_k",
    "omega",
    "liquid_entropy_j_kg_k",
)
_LOWEST, _HIGHEST, _STEP = 225.0, 335.0, 0.25


def _row(temperature: float) -> tuple[float, ...]:
    from CoolProp.CoolProp import PropsSI

    def liquid(name: str) -> float:
        return float(PropsSI(name, "T", temperature, "Q", 0, "Ammonia"))

    def vapour(name: str) -> float:
        return float(PropsSI(name, "T", temperature, "Q", 1, "Ammonia"))

    pressure = liquid("P")
    # Leung's omega from a 10 % isentropic flash (API 520-I, Annex C, equation C.8): 9 (v9/v0 - 1).
    flashed = float(PropsSI("D", "P", 0.9 * pressure, "S", liquid("S"), "Ammonia"))
    return (
        temperature,
        pressure,
        liquid("D"),
        vapour("D"),
        liquid("H"),
        vapour("H"),
        liquid("C"),
        liquid("V"),
        vapour("V"),
        liquid("isothermal_compressibility"),
        liquid("isobaric_expansion_coefficient"),
        9.0 * (liquid("D") / flashed - 1.0),
        liquid("S"),
    )


def make_table() -> np.ndarray:
    """Compute the table with CoolProp: one row per temperature, columns as in `COLUMNS`."""
    count = round((_HIGHEST - _LOWEST) / _STEP) + 1
    return np.array([_row(_LOWEST + _STEP * index) for index in range(count)])


def write_table(path: Path = TABLE_PATH) -> None:
    """Write the table as CSV with ten significant digits.

    Parameters
    ----------
    path : Path
        The file to write.
    """
    lines = [",".join(COLUMNS)]
    lines += [",".join(f"{value:.10g}" for value in row) for row in make_table()]
    path.write_text("\n".join(lines) + "\n", encoding="ascii")


if __name__ == "__main__":
    write_table()
