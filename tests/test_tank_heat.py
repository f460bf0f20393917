"""The liquid over a day, against CoolProp integrated apart, Newton's law of cooling in closed form, and drawn truths.

No measured temperatures of a nurse tank through a day were found. The references know nothing of the package: contents
and enthalpies are CoolProp's, the ways through the ranges are drawn at random, also within a day.
"""

from __future__ import annotations

import functools

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given
from hypothesis import strategies as st
from laws import laws
from scipy.integrate import solve_ivp
from scipy.interpolate import CubicSpline

from geoflow.physics import tank_heat
from geoflow.physics.tank_heat import (
    AIR_OFF,
    EXCHANGE,
    LONGEST,
    SKY,
    STEEL,
    STILL,
    SUN,
    contents_capacity,
    drawn_range,
    outside_range,
    shell_over_capacity,
    standing_range,
)
from geoflow.physics.tanks import draw_down

STEP = 300.0
CAPACITY = 3.785  # 1000 gal [m3]
LAWS = laws(20)


@functools.cache
def coolprop() -> dict[str, CubicSpline]:
    """Densities, inner energies per volume and the liquid's enthalpy of CoolProp over temperature."""
    kelvin = np.linspace(235.0, 325.0, 181)

    def saturated(name: str, quality: int) -> np.ndarray:
        return np.array([PropsSI(name, "T", one, "Q", quality, "Ammonia") for one in kelvin])

    columns = {f"{name}{quality}": saturated(name, quality) for name in "DU" for quality in (0, 1)}
    columns |= {"E0": columns["D0"] * columns["U0"], "E1": columns["D1"] * columns["U1"], "H": saturated("H", 0)}
    return {name: CubicSpline(kelvin, column) for name, column in columns.items()}


def truth(
    hours: np.ndarray, heat: np.ndarray, start: float, fill: float, drawn: np.ndarray, steel: float
) -> tuple[np.ndarray, np.ndarray]:
    """Temperature and fill of a tank of one cubic metre.

    Mass and energy are stepped as such, d(m) = -drawn and d(U) = heat - h drawn, and the temperature that goes with
    them is found anew at each moment by Newton's method in CoolProp's own numbers. Heat [W/m3] is a function of the
    temperature, given as pairs of slope and offset at each step.
    """
    air = coolprop()
    temperature, filled = start, fill
    mass = fill * air["D0"](start) + (1 - fill) * air["D1"](start)
    energy = fill * air["E0"](start) + (1 - fill) * air["E1"](start) + steel * start
    found = []
    for at in range(hours.size):
        found.append((temperature, filled))
        if at == hours.size - 1:
            break
        seconds, parts = (hours[at + 1] - hours[at]) * 3600.0, 10
        for _ in range(parts):
            slope, offset = heat[at]
            energy += seconds / parts * (slope * temperature + offset - drawn[at] * air["H"](temperature))
            mass -= seconds / parts * drawn[at]
            for _ in range(20):
                dense, thin = air["D0"](temperature), air["D1"](temperature)
                filled = float((mass - thin) / (dense - thin))
                off = filled * air["E0"](temperature) + (1 - filled) * air["E1"](temperature) + steel * temperature
                change = float((energy - off) / (contents_guess(temperature, filled) + steel))
                temperature += change
                if abs(change) < 1e-9:
                    break
    return np.array(found).T


def contents_guess(temperature: float, filled: float) -> float:
    """Slope of the inner energy at a kept mass, from CoolProp by differences; Newton's method needs no better."""
    air = coolprop()

    def inner(kelvin: float) -> float:
        dense, thin = air["D0"](kelvin), air["D1"](kelvin)
        mass = filled * air["D0"](temperature) + (1 - filled) * air["D1"](temperature)
        share = (mass - thin) / (dense - thin)
        return float(share * air["E0"](kelvin) + (1 - share) * air["E1"](kelvin))

    return (inner(temperature + 0.01) - inner(temperature - 0.01)) / 0.02


@pytest.mark.parametrize(("kelvin", "fill"), [(262.0, 0.85), (285.0, 0.4), (300.0, 0.05)])
def test_heat_capacity_of_what_is_in_a_tank_is_coolprops(kelvin: float, fill: float) -> None:
    assert contents_capacity(kelvin, fill) == pytest.approx(contents_guess(kelvin, fill), rel=2e-3)


def test_a_full_tank_warms_as_its_liquid_does() -> None:
    """All liquid: density times the heat capacity along the saturation line, CoolProp's dh less dp over the density."""
    low, high = (PropsSI("H", "T", one, "Q", 0, "Ammonia") for one in (284.9, 285.1))
    least, most = (PropsSI("P", "T", one, "Q", 0, "Ammonia") for one in (284.9, 285.1))
    density = PropsSI("D", "T", 285.0, "Q", 0, "Ammonia")
    expected = (density * (high - low) - (most - least)) / 0.2
    # What swells presses a little vapour back into liquid, or would.
    assert contents_capacity(285.0, 1.0) == pytest.approx(expected, rel=1e-2)


def test_the_shell_of_a_tank_by_hand() -> None:
    """A cylinder 1 m across and 4 m long: 4 pi + 2 pi/4 square metres round pi cubic metres."""
    assert shell_over_capacity(np.pi, 4.0) == pytest.approx(4.5)
    assert shell_over_capacity(np.pi, LONGEST) > 4.5


def still_air(kelvin: float, count: int, sun: float = 0.0) -> np.ndarray:
    """An outside of which all is known: no sky, and air as given."""
    air = np.full((2, count), kelvin)
    return np.stack([air, np.stack([np.zeros(count), np.full(count, SUN * sun)])])


@pytest.mark.parametrize(("start", "air", "side"), [(275.0, 290.0, 1), (290.0, 270.0, 0)])
def test_a_standing_tank_follows_newtons_law(start: float, air: float, side: int) -> None:
    """The fast bound is exponential in time where the capacity hardly changes: T = Ta + (T0 - Ta) exp(-a h t / C)."""
    area, count = shell_over_capacity(CAPACITY), 37
    none = np.full((2, count), np.nan)
    found, _ = standing_range(still_air(air, count), (start, start), 0.85, area, STEP, none)
    # The capacity in the middle of the way, which is within 1 % over it.
    capacity = float(contents_capacity(0.5 * (start + found[side, -1]), 0.85))
    seconds = STEP * np.arange(count)
    expected = air + (start - air) * np.exp(-area * EXCHANGE * seconds / capacity)
    np.testing.assert_allclose(found[side], expected, atol=0.02 * abs(start - air))
    assert np.abs(found[side, -1] - start) > 0.3 * abs(start - air)
    # The other bound takes no heat at all.
    np.testing.assert_allclose(found[1 - side], start, atol=1e-9)


def test_in_the_sun_the_skin_stands_above_the_air_and_no_further() -> None:
    """Where the sun's share equals what calm air takes: T = Ta + q / h."""
    count, area = 4000, shell_over_capacity(CAPACITY)
    none = np.full((2, count), np.nan)
    found, _ = standing_range(still_air(285.0, count, 400.0), (285.0, 285.0), 0.85, area, STEP, none)
    assert found[1, -1] == pytest.approx(285.0 + SUN * 400.0 / STILL, abs=0.05)
    assert np.all(np.diff(found[1]) > -1e-9)


@pytest.mark.parametrize("start", [265.0, 285.0, 300.0])
def test_without_heat_drawing_cools_as_the_enthalpies_say(start: float) -> None:
    """CoolProp's mass and energy alone, and the draw-down of `physics.tanks`, which solves the same in temperature."""
    count = 25
    nothing = np.stack([np.full((2, count), start), np.zeros((2, count))])
    duration = STEP * (count - 1)
    found = drawn_range(np.full((2, count), start), nothing, (0.85, 0.05), 1e-9, STEP, (duration, duration))
    hours = STEP * np.arange(count) / 3600.0
    density = PropsSI("D", "T", start, "Q", 0, "Ammonia")
    flow = np.full(count, 0.8 * density / duration)
    reference, fills = truth(hours, np.zeros((count, 2)), start, 0.85, flow, 0.0)
    # The colder bound holds no steel; the other one holds the most there can be, and may not have been begun.
    assert found[0, -1] == pytest.approx(reference[-1], abs=0.05)
    # The flow is the float gauge's, a little more than what leaves the tank at the heel.
    assert float(draw_down(start, 0.85).temperature_at(fills[-1])) == pytest.approx(reference[-1], abs=0.05)
    np.testing.assert_allclose(found[1], start, atol=1e-9)


def day(seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Hours, air and sun of an invented day."""
    draw = np.random.default_rng(seed)
    hours = 6.0 + STEP * np.arange(145) / 3600.0
    swing, middle = draw.uniform(2.0, 9.0), draw.uniform(272.0, 292.0)
    air = middle + swing * np.sin(np.pi * (hours - draw.uniform(8.0, 11.0)) / 11.0)
    sun = draw.uniform(100.0, 950.0) * np.clip(np.sin(np.pi * (hours - 6.0) / 13.0), 0.0, None)
    return hours, air, sun


def one_way(seed: int, hours: np.ndarray, air: np.ndarray, sun: np.ndarray) -> tuple[np.ndarray, float, float]:
    """Heat of one tank through the day [W/m3] as slope and offset, its shell and its steel: drawn within the ranges.

    Half of the tanks keep their coefficients all day, half draw them anew every hour or so. One in five takes no heat.
    """
    draw = np.random.default_rng(seed)
    count = hours.size

    def drawn(low: float, high: float) -> np.ndarray:
        if draw.random() < 0.5:
            return np.full(count, draw.uniform(low, high))
        return np.repeat(draw.uniform(low, high, count // 12 + 1), 12)[:count]

    area = shell_over_capacity(CAPACITY, draw.uniform(3.0, LONGEST))
    through = drawn(STILL, EXCHANGE) if draw.random() < 0.5 else np.full(count, draw.choice([STILL, EXCHANGE]))
    taken = SUN * sun * drawn(0.0, 1.0) - drawn(0.0, SKY)
    there = air + drawn(-AIR_OFF, AIR_OFF)
    if draw.random() < 0.2:
        through, taken = np.zeros(count), np.zeros(count)
    return area * np.column_stack([-through, through * there + taken]), area, draw.uniform(0.0, STEEL)


@pytest.mark.parametrize("seed", range(5))
def test_bounds_hold_whatever_is_drawn_within_the_ranges(seed: int) -> None:
    """Tanks that stand, and one begun at a moment of its own, all by CoolProp."""
    hours, air, sun = day(seed)
    draw = np.random.default_rng(seed + 1000)
    low = draw.uniform(272.0, 288.0)
    starts = low, low + draw.uniform(0.0, 4.0)
    outside, area = outside_range(air, sun), shell_over_capacity(CAPACITY)
    none = np.full((2, hours.size), np.nan)
    full, _ = standing_range(outside, starts, 0.85, area, STEP, none)
    longest = draw.uniform(0.7, 4.0) * 3600.0
    shortest = longest * draw.uniform(0.3, 1.0)
    drawn = drawn_range(full, outside, (0.85, 0.05), area, STEP, (shortest, longest))
    assert np.all(drawn[0] <= full[0]) and np.all(drawn[1] >= full[1])
    for way in range(6):
        heat, _, steel = one_way(100 * seed + way, hours, air, sun)
        start = draw.uniform(*starts)
        flow = np.zeros(hours.size)
        standing, _ = truth(hours, heat, start, 0.85, flow, steel)
        assert np.all(standing >= full[0] - 0.02) and np.all(standing <= full[1] + 0.02)
        begin = int(draw.integers(0, hours.size - 2))
        lasting = int(np.ceil(draw.uniform(shortest, longest) / STEP))
        density = PropsSI("D", "T", start, "Q", 0, "Ammonia")
        flow[begin : begin + lasting] = 0.795 * density / (lasting * STEP)
        tank, fills = truth(hours, heat, start, 0.85, flow, steel)
        in_use = np.arange(hours.size) <= begin + lasting
        assert fills[in_use].min() > 0.04
        assert np.all(tank[in_use] >= drawn[0, in_use] - 0.05), (seed, way)
        assert np.all(tank[in_use] <= drawn[1, in_use] + 0.05), (seed, way)


def test_bounds_are_no_wider_than_the_worst_of_the_ranges() -> None:
    """Each bound is reached by a tank that keeps to an end of every range: a day that only warms, or only cools."""
    hours = 6.0 + STEP * np.arange(97) / 3600.0
    air, sun = 283.0 + 1.5 * (hours - 6.0), np.full(hours.size, 300.0)
    outside, area = outside_range(air, sun), shell_over_capacity(CAPACITY)
    full, _ = standing_range(outside, (280.0, 280.0), 0.85, area, STEP, np.full((2, hours.size), np.nan))
    heat = area * np.column_stack([np.full(hours.size, -EXCHANGE), EXCHANGE * (air + AIR_OFF) + SUN * sun])
    reached, _ = truth(hours, heat, 280.0, 0.85, np.zeros(hours.size), 0.0)
    # The truth steps its heat through five minutes, so it lags by half a step.
    np.testing.assert_allclose(full[1], reached, atol=0.1)


@LAWS
@given(seed=st.integers(0, 10_000), at=st.integers(0, 143), off=st.floats(0.1, 2.0))
def test_readings_only_narrow(seed: int, at: int, off: float) -> None:
    hours, air, sun = day(seed)
    outside, area = outside_range(air, sun), shell_over_capacity(CAPACITY)
    readings = np.full((2, hours.size), np.nan)
    start = (278.0, 284.0)
    wide, _ = standing_range(outside, start, 0.85, area, STEP, readings)
    middle = float(np.mean(wide[:, at]))
    readings[:, at] = middle - off, middle + off
    narrow, against = standing_range(outside, start, 0.85, area, STEP, readings)
    assert not against.any()
    assert np.all(narrow[0] >= wide[0] - 1e-9) and np.all(narrow[1] <= wide[1] + 1e-9)
    assert narrow[1, at] - narrow[0, at] <= 2.0 * off + 1e-9


def test_a_reading_beyond_what_can_be_is_believed_and_told() -> None:
    count, area = 25, shell_over_capacity(CAPACITY)
    readings = np.full((2, count), np.nan)
    readings[:, 12] = 300.0, 301.0
    found, against = standing_range(still_air(285.0, count), (280.0, 281.0), 0.85, area, STEP, readings)
    assert np.flatnonzero(against).tolist() == [12]
    assert found[:, 12].tolist() == [300.0, 301.0]


def test_small_tanks_are_stepped_finely_enough() -> None:
    """A tank of 30 gallons nearly empty follows the air within minutes; the bound must not swing past it."""
    count, area = 37, shell_over_capacity(0.11)
    found, _ = standing_range(still_air(290.0, count), (270.0, 270.0), 0.05, area, STEP, np.full((2, count), np.nan))
    assert np.all(np.diff(found[1]) >= -1e-9) and found[1].max() <= 290.0 + 1e-9
    assert found[1, -1] == pytest.approx(290.0, abs=0.1)


def test_stiff_reference_agrees() -> None:
    """The nearly empty tank by scipy's implicit method, with the package's own capacity: the stepping alone."""
    area = shell_over_capacity(CAPACITY)

    def slope(_: float, temperature: np.ndarray) -> list[float]:
        return [area * EXCHANGE * (290.0 - temperature[0]) / float(contents_capacity(temperature[0], 0.1))]

    count = 13
    ends = STEP * np.arange(count)
    reference = solve_ivp(slope, (0.0, ends[-1]), [275.0], "BDF", ends, rtol=1e-8, atol=1e-8).y[0]
    found, _ = standing_range(still_air(290.0, count), (275.0, 275.0), 0.1, area, STEP, np.full((2, count), np.nan))
    # The fill moves a little as the liquid swells.
    np.testing.assert_allclose(found[1], reference, atol=0.1)
    assert tank_heat.LONGEST == 6.0
