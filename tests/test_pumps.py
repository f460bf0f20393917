"""What boiling in the suction costs a pump, and how much a pump warms the liquid, against CoolProp and a handbook."""

from __future__ import annotations

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given
from hypothesis import strategies as st
from laws import laws
from published import PSI, UNITS, Row, kelvin, params

from geoflow.physics.ammonia import saturation
from geoflow.physics.pumps import boiling_line_capacity, manifold_temperature_rise

LAWS = laws(200)


def capacity_left(lost: float, vapour: float, omega: float) -> float:
    """What a pump moves behind a line in which boiling takes just so much pressure [Pa].

    The friction that does it is that of the line full of liquid: the fall, each part of it over how far the liquid has
    swollen there.
    """
    pressure = np.linspace(vapour - lost, vapour, 2001)
    friction = np.trapezoid(1.0 / (1.0 + omega * (vapour / pressure - 1.0)), pressure)
    return float(boiling_line_capacity(friction, 0.0, 0.0, vapour, omega))


@params("pumps")
def test_published_displacement_left_by_entrained_gas(row: Row) -> None:
    # Leung's omega of liquid with gas that does not dissolve is the gas share by volume; of what is left to
    # the liquid-gas mixture, 1 less that share is liquid. Atmosphere 29.92 inHg.
    atmosphere = 29.92 * UNITS["inHg"]
    ratio = (1.0 - row["gas"]) * capacity_left(row["vacuum"], atmosphere, row["gas"])
    assert ratio == row.expected


@pytest.mark.parametrize("fahrenheit", [-20, 0, 20, 32, 40, 60, 80, 100])
def test_capacity_follows_the_exact_flash(fahrenheit: int) -> None:
    # Isenthalpic flash of saturated liquid in CoolProp. Found: within 0.0038 up to 5 psi, 0.0052 at 10 psi.
    temperature = kelvin(f"{fahrenheit} degF")
    vapour, density, enthalpy = (PropsSI(name, "T", temperature, "Q", 0, "Ammonia") for name in "PDH")
    state = saturation(temperature)
    for pounds, tolerance in ((0.5, 0.005), (1.0, 0.005), (2.0, 0.005), (3.0, 0.005), (5.0, 0.005), (10.0, 0.006)):
        exact = PropsSI("D", "P", vapour - pounds * PSI, "H", enthalpy, "Ammonia") / density
        ours = capacity_left(pounds * PSI, float(state.pressure), float(state.omega))
        assert ours == pytest.approx(exact, abs=tolerance)


def test_one_psi_costs_half_a_pump_at_zero_fahrenheit() -> None:
    # CoolProp alone: 50, 31, 18, 10 and 6 % at 0, 20, 40, 60 and 80 degF.
    state = saturation(np.array([kelvin(f"{fahrenheit} degF") for fahrenheit in (0, 20, 40, 60, 80)]))
    lost = [1.0 - capacity_left(PSI, *one) for one in zip(state.pressure, state.omega, strict=True)]
    np.testing.assert_allclose(lost, [0.504, 0.313, 0.182, 0.104, 0.060], atol=0.004)


@LAWS
@given(
    temperature=st.floats(230.0, 330.0), lost=st.floats(-2e5, 3e6), more=st.floats(0.0, 1e5),
    colder=st.floats(0.0, 30.0),
)  # fmt: skip
def test_more_suction_loss_and_colder_liquid_cost_more(
    temperature: float, lost: float, more: float, colder: float
) -> None:
    state = saturation(np.array([max(temperature - colder, 226.0), temperature]))
    friction, gain = max(lost, 0.0), max(-lost, 0.0)
    cold, warm = boiling_line_capacity(friction, gain, 0.0, state.pressure, state.omega)
    assert 0.0 < cold <= warm * (1 + 1e-9) <= 1.0 + 1e-9
    assert boiling_line_capacity(friction + more, gain, 0.0, state.pressure, state.omega)[1] <= warm * (1 + 1e-9)
    if lost <= 0.0:
        assert warm == 1.0


@pytest.mark.parametrize("fahrenheit", [0, 20, 40, 60, 80, 100])
@pytest.mark.parametrize(
    ("rise", "excess", "efficiency"), [(100, 100, 0.5), (100, 60, 0.5), (50, 50, 0.8), (150, 20, 0.35)]
)
def test_warming_follows_the_enthalpy_balance(fahrenheit: int, rise: float, excess: float, efficiency: float) -> None:
    # Exact: h(manifold) = h(tank) + rise / (rho efficiency), at the manifold's pressure. Found within 0.1 %.
    temperature = kelvin(f"{fahrenheit} degF")
    vapour, density, enthalpy = (PropsSI(name, "T", temperature, "Q", 0, "Ammonia") for name in "PDH")
    work = rise * PSI / (density * efficiency)
    exact = PropsSI("T", "P", vapour + excess * PSI, "H", enthalpy + work, "Ammonia") - temperature
    state = saturation(temperature)
    ours = manifold_temperature_rise(
        rise * PSI, excess * PSI, temperature, state.liquid_density, state.liquid_heat_capacity,
        state.liquid_expansivity, efficiency,
    )  # fmt: skip
    assert float(ours) == pytest.approx(exact, rel=2e-3)
    if (rise, excess, efficiency) == (100, 100, 0.5) and 20 <= fahrenheit <= 80:
        assert 0.64 < float(ours) * 1.8 < 0.77


@pytest.mark.parametrize("temperature", [250.0, 280.0, 310.0])
def test_perfect_pump_without_losses_compresses_at_constant_entropy(temperature: float) -> None:
    vapour, entropy = (PropsSI(name, "T", temperature, "Q", 0, "Ammonia") for name in "PS")
    exact = PropsSI("T", "P", vapour + 1e6, "S", entropy, "Ammonia") - temperature
    state = saturation(temperature)
    ours = manifold_temperature_rise(
        1e6, 1e6, temperature, state.liquid_density, state.liquid_heat_capacity, state.liquid_expansivity, 1.0
    )
    # First order in pressure; 10 bar is several times what a bar works with.
    assert float(ours) == pytest.approx(exact, rel=0.02)


@pytest.mark.parametrize("temperature", [250.0, 280.0, 310.0])
def test_throttled_liquid_without_a_pump_changes_as_joule_and_thomson_say(temperature: float) -> None:
    # No pump, manifold 2 bar over the tank by head: no work, so enthalpy stays, and the liquid cools a little.
    vapour, enthalpy = (PropsSI(name, "T", temperature, "Q", 0, "Ammonia") for name in "PH")
    exact = PropsSI("T", "P", vapour + 2e5, "H", enthalpy, "Ammonia") - temperature
    state = saturation(temperature)
    ours = manifold_temperature_rise(
        0.0, 2e5, temperature, state.liquid_density, state.liquid_heat_capacity, state.liquid_expansivity, 0.5
    )
    assert float(ours) == pytest.approx(exact, rel=0.02)


@LAWS
@given(rise=st.floats(1e4, 2e6), efficiency=st.floats(0.1, 1.0), more=st.floats(1.01, 3.0))
def test_pump_warms_more_for_more_rise_and_less_for_more_efficiency(
    rise: float, efficiency: float, more: float
) -> None:
    state = saturation(285.0)

    def warming(pump_rise: float, share: float) -> float:
        return float(
            manifold_temperature_rise(
                pump_rise, 1e5, 285.0, state.liquid_density, state.liquid_heat_capacity, state.liquid_expansivity, share
            )
        )

    assert warming(rise * more, efficiency) > warming(rise, efficiency)
    assert warming(rise, efficiency / more) > warming(rise, efficiency)
