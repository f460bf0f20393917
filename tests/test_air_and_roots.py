"""Air pressure against the standard atmosphere; the root finder against scipy."""

from __future__ import annotations

import warnings
from collections.abc import Callable

import numpy as np
import pytest
from fluids.atmosphere import ATMOSPHERE_1976
from hypothesis import example, given
from hypothesis import strategies as st
from laws import laws
from published import Row, params
from scipy.optimize import brentq, elementwise

from geoflow.physics.air import SEA_LEVEL_PRESSURE, standard_air_pressure
from geoflow.physics.roots import rising_root

LAWS = laws(300)


@params("atmosphere")
def test_published_air_pressure(row: Row) -> None:
    assert standard_air_pressure(row["elevation"]) == row.expected


@LAWS
@given(elevation=st.floats(-500.0, 11000.0))
def test_air_pressure_follows_fluids(elevation: float) -> None:
    assert standard_air_pressure(elevation) == pytest.approx(ATMOSPHERE_1976(elevation).P, rel=1e-6)
    assert standard_air_pressure(elevation + 1.0) < standard_air_pressure(elevation)


def test_air_pressure_at_sea_level() -> None:
    assert standard_air_pressure(0.0) == SEA_LEVEL_PRESSURE == 101325.0


# Rising functions with a root at r, each nasty in its own way.
Shape = Callable[[np.ndarray, np.ndarray], np.ndarray]
SHAPES: dict[str, Shape] = {
    "line": lambda x, r: x - r,
    "flat at the root": lambda x, r: (x - r) ** 9,
    "upright at the root": lambda x, r: np.cbrt(x - r),
    "upright and flat": lambda x, r: np.sign(x - r) * np.abs(x - r) ** 0.05,
    "explosive": lambda x, r: np.expm1(np.clip(40.0 * (x - r), -700.0, 700.0)),
    "steep step": lambda x, r: np.arctan(1e9 * (x - r)),
    "flow of a hole": lambda x, r: np.sqrt(np.maximum(x, 0.0)) - np.sqrt(np.maximum(r, 0.0)) + 1e-3 * (x - r),
    "bent": lambda x, r: np.where(x < r, 1e-6, 1e6) * (x - r),
    "tiny": lambda x, r: 1e-250 * (x - r),
    "huge": lambda x, r: 1e250 * (x - r) ** 3,
}


@pytest.mark.parametrize("shape", SHAPES)
@LAWS
@given(root=st.floats(-50.0, 50.0, allow_subnormal=False), below=st.floats(1e-6, 100.0), above=st.floats(1e-6, 100.0))
@example(root=0.0, below=29.0, above=84.0)
def test_root_is_the_one_scipy_finds(shape: str, root: float, below: float, above: float) -> None:
    function = SHAPES[shape]
    low, high = root - below, root + above
    ends = function(np.array([low, high]), np.array(root))
    if not ends[0] < 0.0 < ends[1]:
        return
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        ours = float(rising_root(lambda x: function(x, np.array(root)), low, high))
    reference = brentq(
        lambda x: float(function(np.float64(x), np.float64(root))), low, high, xtol=1e-14, rtol=1e-14, maxiter=2000
    )
    # Where the function is flat, every place with the function at nothing to double precision is a root.
    if abs(ours - reference) > 1e-11 * max(abs(low), abs(high)) + 1e-13:
        assert abs(float(function(np.float64(ours), np.float64(root)))) <= 1e-13 * max(abs(ends[0]), ends[1])
    assert low <= ours <= high


def test_many_roots_at_once_are_those_of_scipys_elementwise_solver() -> None:
    generator = np.random.default_rng(7)
    root = generator.uniform(-5.0, 5.0, (40, 50))
    steep = np.exp(generator.uniform(-8.0, 8.0, root.shape))
    low, high = root - generator.uniform(0.01, 9.0, root.shape), root + generator.uniform(0.01, 9.0, root.shape)

    def function(x: np.ndarray, r: np.ndarray, s: np.ndarray) -> np.ndarray:
        return np.sinh(np.clip(s * (x - r), -500.0, 500.0)) + 0.1 * (x - r)

    reference = elementwise.find_root(function, (low, high), args=(root, steep))
    assert reference.success.all()
    ours = rising_root(lambda x: function(x, root, steep), low, high)
    assert ours.shape == root.shape
    np.testing.assert_allclose(ours, reference.x, rtol=1e-10, atol=1e-10)
    np.testing.assert_allclose(ours, root, rtol=1e-10, atol=1e-10)


def test_function_positive_or_negative_throughout_gives_an_end() -> None:
    found = rising_root(lambda x: x + np.array([5.0, 0.0, -5.0]), np.full(3, -1.0), np.full(3, 1.0))
    np.testing.assert_allclose(found, [-1.0, 0.0, 1.0], atol=1e-15)


def test_jump_is_found_where_it_is() -> None:
    where = np.array([0.3, 7.1, -2.0])
    found = rising_root(lambda x: np.where(x < where, -1.0, 1.0), np.full(3, -10.0), np.full(3, 10.0))
    np.testing.assert_allclose(found, where, rtol=1e-10)


def test_plateau_of_roots_gives_one_of_them() -> None:
    found = rising_root(lambda x: np.where(x < 1.0, x - 1.0, np.where(x > 2.0, x - 2.0, 0.0)), -10.0, 10.0)
    assert 1.0 <= float(found) <= 2.0


@pytest.mark.parametrize("power", [3, 9])
def test_a_lucky_step_to_a_flat_root_is_not_taken_for_the_last(power: int) -> None:
    draw = np.random.default_rng(5)
    root = draw.uniform(-50.0, 50.0, 20_000).round(1)
    below, above = np.exp(draw.uniform(np.log(1e-6), np.log(100.0), (2, root.size)))
    low, high = root - below, root + above

    def function(x: np.ndarray) -> np.ndarray:
        return (x - root) ** power

    ours = rising_root(function, low, high)
    close = np.abs(ours - root) <= 1e-11 * np.maximum(np.abs(low), np.abs(high)) + 1e-13
    assert (close | (np.abs(function(ours)) <= 1e-13 * np.maximum(-function(low), function(high)))).all()


def test_few_evaluations_for_a_smooth_function() -> None:
    # Chandrupatla (1997) needs 8 to 16 evaluations on his test functions, where bisection to 1e-12 needs 40.
    calls = 0

    def function(x: np.ndarray) -> np.ndarray:
        nonlocal calls
        calls += 1
        return x**3 - 2.0 * x - 5.0

    assert float(rising_root(function, 2.0, 3.0)) == pytest.approx(2.0945514815423265, rel=1e-12)
    assert calls <= 6
