"""The nurse tank against CoolProp worked two other ways, the law, and what its energy balance must obey.

The figures of tests/published/tanks.csv were computed, by the steps written down in tests/drawn_tank.py: no printed
draw-down of an ammonia tank was found.
Filling densities of the Washington code are held in test_ammonia.py (quantity "volume at 56 % filling density").
"""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from drawn_tank import drawn
from hypothesis import given
from hypothesis import strategies as st
from laws import laws
from published import POUND, UNITS, Row, kelvin, params
from scipy.integrate import solve_ivp
from tank_contents import ammonia_in_tank

from geoflow.base.errors import RangeError
from geoflow.physics.ammonia import saturation
from geoflow.physics.tanks import draw_down, drawn_temperature

LAWS = laws(60)
GALLONS_1000 = 1000.0 * UNITS["gal"]
STARTS = st.floats(240.0, 334.0)
FILLS = st.floats(0.1, 1.0)


def after_drawing(row: Row) -> float:
    return float(drawn_temperature(row["temperature"], row["start_fill"], row["end_fill"]))


def usable_nitrogen(gallons: float, row: Row) -> float:
    density = float(saturation(row["temperature"]).liquid_density)
    return (row["start_fill"] - row["end_fill"]) * gallons * UNITS["gal"] * density * 0.82244 / POUND


MODEL = {
    "temperature after drawing": after_drawing,
    "vapour pressure after drawing": lambda row: float(saturation(after_drawing(row)).pressure),
    "pounds of ammonia between gauge readings": lambda row: usable_nitrogen(1000.0, row) / 0.82244,
    "pounds of nitrogen between gauge readings": partial(usable_nitrogen, 1000.0),
    "acres at 180 lb N/ac from 1000 gal": lambda row: usable_nitrogen(1000.0, row) / 180.0,
    "acres at 180 lb N/ac from 3000 gal": lambda row: usable_nitrogen(3000.0, row) / 180.0,
}


@params("tanks")
def test_worked_value(row: Row) -> None:
    assert MODEL[row.text("quantity")](row) == row.expected


@pytest.mark.parametrize("start", ["20 degF", "60 degF", "90 degF"])
def test_cooling_follows_coolprop_flashed_at_constant_volume(start: str) -> None:
    """Take parcels of liquid out of one cubic metre and let CoolProp find what is left from mass and energy alone.

    The steps are those of drawn_tank.py, at temperatures and fills that its table does not list. Found: within 0.002 K.
    """

    fills, temperatures = drawn(first := kelvin(start), 0.85, 0.05).T
    ours = drawn_temperature(first, 0.85, fills)
    assert fills[-1] < 0.07
    np.testing.assert_allclose(ours, temperatures, atol=0.005, rtol=0)
    assert first - ours[-1] > 2.0


@pytest.mark.parametrize(("start", "fill"), [(265.0, 0.85), (288.0, 0.5), (320.0, 1.0)])
def test_cooling_follows_the_differential_balance(start: float, fill: float) -> None:
    """The same balance as a differential equation in the fill, C dT = rho_v h_fg df, by scipy's Runge-Kutta.

    C is the heat capacity of the tank's contents with liquid leaving at its own enthalpy: f d(rho u)_l + (1 - f)
    d(rho u)_v - h_l (f d rho_l + (1 - f) d rho_v), its slopes differences of CoolProp over 0.02 K. Found: 0.001 K.
    """

    def saturated(name: str, quality: int, temperature: float) -> float:
        return float(PropsSI(name, "T", temperature, "Q", quality, "Ammonia"))

    def energy(quality: int, temperature: float) -> float:
        return saturated("D", quality, temperature) * saturated("U", quality, temperature)

    def slope(filled: float, temperature: np.ndarray) -> list[float]:
        here = float(temperature[0])
        shares = (filled, 1.0 - filled)
        capacity = 0.0
        for quality, share in enumerate(shares):
            stored = energy(quality, here + 0.01) - energy(quality, here - 0.01)
            gone = saturated("D", quality, here + 0.01) - saturated("D", quality, here - 0.01)
            capacity += share * (stored - saturated("H", 0, here) * gone) / 0.02
        latent = saturated("H", 1, here) - saturated("H", 0, here)
        return [saturated("D", 1, here) * latent / capacity]

    ends = np.linspace(fill, 0.02, 8)
    found = solve_ivp(slope, (fill, 0.02), [start], t_eval=ends, rtol=1e-7, atol=1e-6)
    np.testing.assert_allclose(drawn_temperature(start, fill, ends), found.y[0], atol=0.003, rtol=0)


@LAWS
@given(start=STARTS, fill=FILLS, share=st.floats(0.0, 1.0))
def test_mass_drawn_is_mass_missing(start: float, fill: float, share: float) -> None:
    path = draw_down(start, fill)
    end = share * fill
    before = sum(ammonia_in_tank(3.0, start, fill))
    after = sum(ammonia_in_tank(3.0, path.temperature_at(end), end))
    # The path is straight between its states.
    assert 3.0 * path.drawn_at(end) == pytest.approx(float(before - after), rel=1e-5, abs=1e-3)
    assert path.fill_after(path.drawn_at(end)) == pytest.approx(end, abs=1e-9)


@LAWS
@given(start=STARTS, fill=FILLS, first=st.floats(0.05, 0.95), second=st.floats(0.05, 0.95))
def test_drawing_twice_is_drawing_once(start: float, fill: float, first: float, second: float) -> None:
    middle, end = fill * first, fill * first * second
    halfway = float(drawn_temperature(start, fill, middle))
    at_once, in_two = drawn_temperature(start, fill, end), drawn_temperature(halfway, middle, end)
    assert in_two == pytest.approx(float(at_once), abs=1e-3)


@LAWS
@given(start=STARTS, fill=FILLS)
def test_liquid_only_cools_and_less_than_without_vapour_and_falling_temperature(start: float, fill: float) -> None:
    """The rule k ln(f0 / f1), k = rho_v h_fg / (rho_l cp), leaves out the vapour's heat and k's fall in the cold."""
    path = draw_down(start, fill)
    assert (np.diff(path.temperature) < 0).all()
    assert (np.diff(path.fill) < 0).all()
    assert (np.diff(path.drawn) > 0).all()
    ends = fill * np.array([0.8, 0.5, 0.2, 0.05])
    state = saturation(start)
    latent = state.vapour_enthalpy - state.liquid_enthalpy
    rule = state.vapour_density * latent / (state.liquid_density * state.liquid_heat_capacity) * np.log(fill / ends)
    cooling = start - path.temperature_at(ends)
    assert (cooling > 0).all()
    assert (cooling < rule).all()
    assert path.temperature_at(fill) == start


@LAWS
@given(start=STARTS, fill=FILLS, heel=st.floats(0.0, 0.9))
def test_gauge_counts_more_than_leaves(start: float, fill: float, heel: float) -> None:
    # The space of the liquid drawn fills with vapour, which stays: of the first liquid drawn rho_v / rho_l, 3.9 % at
    # 142 degF, and a little more as the rest shrinks while it cools.
    end = heel * fill
    gauge = (fill - end) * GALLONS_1000 * float(saturation(start).liquid_density)
    drawn = float(draw_down(start, fill).drawn_at(end)) * GALLONS_1000
    assert 0.93 * gauge < drawn < gauge


def test_contents_of_a_tank_by_hand() -> None:
    # At 60 degF 850 gal x 5.1479 lb/gal, and 150 gal = 20.052 ft3 x 0.36370 lb/ft3 of vapour (CoolProp 8.0.0).
    liquid, vapour = ammonia_in_tank(GALLONS_1000, kelvin("60 degF"), 0.85)
    assert float(liquid) / POUND == pytest.approx(4375.7, abs=0.1)
    assert float(vapour) / POUND == pytest.approx(7.293, abs=0.002)


def test_shapes_follow_the_fills() -> None:
    assert drawn_temperature(290.0, 0.85, 0.2).shape == ()
    assert drawn_temperature(290.0, 0.85, np.full((2, 3), 0.2)).shape == (2, 3)


@pytest.mark.parametrize("fill", [0.0, -0.1, 1.01, float("nan")])
def test_a_fill_that_is_none_is_refused(fill: float) -> None:
    with pytest.raises(RangeError, match="fill"):
        draw_down(290.0, fill)


@pytest.mark.parametrize("end", [-0.01, 0.86, float("nan")])
def test_an_end_outside_the_draw_down_is_refused(end: float) -> None:
    with pytest.raises(RangeError, match="85 %"):
        drawn_temperature(290.0, 0.85, end)


def test_temperatures_outside_the_table_are_refused() -> None:
    with pytest.raises(RangeError, match="temperature"):
        draw_down(400.0, 0.85)
    with pytest.raises(RangeError, match="cool below"):
        drawn_temperature(225.2, 0.85, 0.05)
    assert drawn_temperature(225.2, 0.85, 0.84) < 225.2
    with pytest.raises(RangeError, match="cool below"):
        drawn_temperature(225.0, 0.85, 0.5)
