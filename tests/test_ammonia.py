"""Properties of ammonia against published tables, the law, and CoolProp itself.

Not here: -50 degC, below the coldest liquid geoflow knows (-48.15 degC), and superheated vapour, which nothing needs.
"""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from published import STATUSES, UNITS, Row, params, rows, tables

from geoflow.bar.keys import NITROGEN_FRACTION
from geoflow.base.errors import RangeError
from geoflow.physics import saturation_table
from geoflow.physics.ammonia import (
    HIGHEST_TEMPERATURE,
    LOWEST_TEMPERATURE,
    Saturation,
    equilibrium_flux_limit,
    flash_fraction,
    liquid_density,
    saturation,
    saturation_temperature,
)

# Between the points of the 0.25 K grid, and halfway, where linear interpolation is worst.
OFF_GRID = np.concatenate([np.arange(225.125, 335.0, 0.25), np.linspace(225.013, 334.987, 150)])
IN_COOLPROP = {
    "pressure": ("P", 0),
    "liquid_density": ("D", 0),
    "vapour_density": ("D", 1),
    "liquid_enthalpy": ("H", 0),
    "vapour_enthalpy": ("H", 1),
    "liquid_heat_capacity": ("C", 0),
    "liquid_viscosity": ("V", 0),
    "vapour_viscosity": ("V", 1),
    "liquid_compressibility": ("isothermal_compressibility", 0),
    "liquid_expansivity": ("isobaric_expansion_coefficient", 0),
    "liquid_entropy": ("S", 0),
}
# Greatest relative error found with CoolProp 8.0.0, rounded up. Three columns are worse than 5e-6: vapour density
# and omega 1.9e-5 (both nearly exponential in temperature), compressibility 6.4e-6.
INTERPOLATION_ERROR = dict.fromkeys(IN_COOLPROP, 5e-06) | {"vapour_density": 2e-5, "liquid_compressibility": 7e-6}


def on_saturation_line(name: str, quality: int, temperature: np.ndarray) -> np.ndarray:
    return np.asarray(PropsSI(name, "T", temperature, "Q", quality, "Ammonia"))


def latent(state: Saturation) -> float:
    return float(state.vapour_enthalpy - state.liquid_enthalpy)


def column(name: str, row: Row) -> float:
    return float(getattr(saturation(row["temperature"]), name))


def at_pressure(name: str, row: Row) -> float:
    state = saturation(saturation_temperature(row["pressure"]))
    return latent(state) if name == "latent heat" else float(getattr(state, name))


def volume_filled(row: Row) -> float:
    # 56 % of the weight of water a gallon holds, 8.32828 lb, as liquid ammonia of that temperature.
    pounds_per_gallon = column("liquid_density", row) / UNITS["lb/gal"]
    return 0.56 * 8.32828 / pounds_per_gallon


MODEL = {
    "vapour pressure": partial(column, "pressure"),  # [4, 5]
    "liquid density": partial(column, "liquid_density"),  # [4, 5, 7]
    "liquid volume": lambda row: 1.0 / column("liquid_density", row),
    "vapour density": partial(column, "vapour_density"),  # [4, 5, 7]
    "latent heat": lambda row: latent(saturation(row["temperature"])),  # [4, 5, 7]
    "liquid viscosity": partial(column, "liquid_viscosity"),
    "vapour viscosity": partial(column, "vapour_viscosity"),
    "omega": partial(column, "omega"),
    "saturation temperature": lambda row: float(saturation_temperature(row["pressure"])),
    "liquid density at pressure": partial(at_pressure, "liquid_density"),
    "latent heat at pressure": partial(at_pressure, "latent heat"),
    "compressed density": lambda row: float(liquid_density(saturation(row["temperature"]), row["pressure"])),
    "volume at 56 % filling density": volume_filled,
    "flash fraction": lambda row: float(
        flash_fraction(
            saturation(row["temperature"]).liquid_enthalpy, saturation(saturation_temperature(row["pressure"]))
        )
    ),
}


@params("ammonia")
def test_published_property(row: Row) -> None:
    assert MODEL[row.text("quantity")](row) == row.expected


@pytest.mark.parametrize("table", tables())
def test_every_published_value_names_its_source(table: str) -> None:
    for row in rows(table):
        assert len(row.text("source")) > 4 or row.text("source") == "definition"
        assert row.text("status") in STATUSES
        assert row.expected != 0


@pytest.mark.parametrize("name", IN_COOLPROP)
def test_interpolated_column_follows_coolprop(name: str) -> None:
    reference = on_saturation_line(*IN_COOLPROP[name], OFF_GRID)
    np.testing.assert_allclose(getattr(saturation(OFF_GRID), name), reference, rtol=INTERPOLATION_ERROR[name])


def test_omega_follows_coolprop() -> None:
    # API 520-I annex C: omega = 9 (v9 / v0 - 1) after an isentropic drop to 0.9 of the pressure.
    pressure, density, entropy = (on_saturation_line(name, 0, OFF_GRID) for name in "PDS")
    flashed = PropsSI("D", "P", 0.9 * pressure, "S", entropy, "Ammonia")
    np.testing.assert_allclose(saturation(OFF_GRID).omega, 9.0 * (density / flashed - 1.0), rtol=2e-5)


@pytest.mark.parametrize("temperature", [245.0, 260.0, 275.0, 290.0, 305.0])
def test_omega_in_leungs_differential_form(temperature: float) -> None:
    # Leung (1986), saturated liquid: omega = cp T P rho (v_fg / h_fg)^2. The two forms differ by up to
    # 2.5 % between 245 and 305 K, 3.8 % at the ends of the table: a finite step against a slope.
    density, vapour = (PropsSI("D", "T", temperature, "Q", q, "Ammonia") for q in (0, 1))
    heat = PropsSI("H", "T", temperature, "Q", 1, "Ammonia") - PropsSI("H", "T", temperature, "Q", 0, "Ammonia")
    capacity, pressure = (PropsSI(name, "T", temperature, "Q", 0, "Ammonia") for name in "CP")
    differential = capacity * temperature * pressure * density * ((1 / vapour - 1 / density) / heat) ** 2
    assert float(saturation(temperature).omega) == pytest.approx(differential, rel=0.025)


def test_shipped_table_is_what_coolprop_gives() -> None:
    # 1e-6 and not the ten digits written, as a newer CoolProp may change the last ones.
    shipped = np.loadtxt(saturation_table.TABLE_PATH, delimiter=",", skiprows=1)
    header = saturation_table.TABLE_PATH.read_text(encoding="ascii").splitlines()[0]
    assert tuple(header.split(",")) == saturation_table.COLUMNS
    np.testing.assert_allclose(shipped, saturation_table.make_table(), rtol=1e-6)
    assert (shipped[0, 0], shipped[-1, 0]) == (LOWEST_TEMPERATURE, HIGHEST_TEMPERATURE)


@pytest.mark.parametrize("excess", [1e5, 5e5, 1e6, 2e6, 3e6])
def test_compressed_liquid_density_follows_coolprop(excess: float) -> None:
    # The docstring claims 0.05 % within 30 bar. Found: 0.044 % at 30 bar and 62 degC, the corner of the range.
    temperature = np.linspace(225.0, 335.0, 60)
    pressure = on_saturation_line("P", 0, temperature) + excess
    reference = PropsSI("D", "T", temperature, "P", pressure, "Ammonia")
    ours = liquid_density(saturation(temperature), pressure)
    np.testing.assert_allclose(ours, reference, rtol=5e-4)
    assert (ours > saturation(temperature).liquid_density).all()


def test_saturation_temperature_is_the_inverse_of_vapour_pressure() -> None:
    back = saturation_temperature(on_saturation_line("P", 0, OFF_GRID))
    np.testing.assert_allclose(back, OFF_GRID, atol=1e-4, rtol=0)
    own = saturation_temperature(saturation(OFF_GRID).pressure)
    np.testing.assert_allclose(own, OFF_GRID, atol=1e-9, rtol=0)


def test_flash_fraction_is_the_quality_of_coolprop() -> None:
    start = np.linspace(250.0, 330.0, 30)
    enthalpy = on_saturation_line("H", 0, start)
    for end in (226.0, 240.0, 249.0):
        pressure = PropsSI("P", "T", end, "Q", 0, "Ammonia")
        quality = PropsSI("Q", "P", pressure, "H", enthalpy, "Ammonia")
        np.testing.assert_allclose(flash_fraction(enthalpy, saturation(end)), quality, rtol=1e-4)
    # Nothing boils where the end is warmer, and there is never more vapour than everything.
    assert flash_fraction(2.5e6, saturation(240.0)) == 1.0
    assert (flash_fraction(enthalpy, saturation(331.0)) == 0.0).all()


@pytest.mark.parametrize("temperature", [230.0, 250.0, 270.0, 290.0, 310.0, 330.0])
def test_equilibrium_flux_limit_in_clapeyrons_form(temperature: float) -> None:
    # Clapeyron makes (h_fg / v_fg) / sqrt(T cp) the slope of the vapour pressure: sqrt(T / cp) dP/dT.
    below, above = (PropsSI("P", "T", temperature + step, "Q", 0, "Ammonia") for step in (-0.01, 0.01))
    slope = (above - below) / 0.02
    capacity = PropsSI("C", "T", temperature, "Q", 0, "Ammonia")
    limit = float(equilibrium_flux_limit(saturation(temperature)))
    assert limit == pytest.approx(slope * np.sqrt(temperature / capacity), rel=1e-3)


@pytest.mark.parametrize("outside", [224.9, 335.1, 223.15, np.nan, -10.0])
def test_outside_the_table_is_refused(outside: float) -> None:
    with pytest.raises(RangeError, match="temperature") as caught:
        saturation(np.array([280.0, outside]))
    assert caught.value.cure


@pytest.mark.parametrize("outside", [0.0, -1.0, 4e4, 2.8e6, np.nan])
def test_pressure_outside_the_table_is_refused(outside: float) -> None:
    with pytest.raises(RangeError, match="pressure") as caught:
        saturation_temperature(outside)
    assert "gauge" in caught.value.cure


def test_default_nitrogen_share_is_that_of_slightly_wet_ammonia() -> None:
    # IUPAC intervals (Pure Appl. Chem. 83 (2011) 359): N 14.00643 to 14.00728, H 1.00784 to 1.00811. The sold
    # grade is 82-0-0, pure ammonia less the water in it, 0.2 to 0.5 % (common practice, no source).
    least, most = 14.00643 / (14.00643 + 3 * 1.00811), 14.00728 / (14.00728 + 3 * 1.00784)
    assert 0.995 * least < NITROGEN_FRACTION < 0.998 * most
