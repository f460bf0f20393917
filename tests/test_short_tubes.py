"""Long bores: the fit to published correlations made anew, the throat pressure a second way, and the laws of bounds."""

from __future__ import annotations

import functools

import numpy as np
import pytest
import short_tube_fit as refit
from hypothesis import example, given
from hypothesis import strategies as st
from laws import laws
from published import PSI, Row, params

from geoflow.base.arrays import BoolArray
from geoflow.physics.ammonia import equilibrium_flux_limit, liquid_density, saturation
from geoflow.physics.orifices import mass_flow
from geoflow.physics.short_tubes import (
    EDGE,
    FLOW_BAND,
    RELAXATION_LENGTHS,
    TESTED_DIAMETER,
    TESTED_LENGTH,
    TESTED_PROPORTION,
    TESTED_SUBCOOLING,
    Validity,
    relaxed_flash_weights,
    solved_throat_pressure,
    throat_pressure,
    tube_coefficient,
    tube_drift,
    tube_flow,
    tube_flow_bounds,
    validity,
)

LAWS = laws(150)
STATED = (0.76, 0.84)
EQUILIBRIUM_LENGTH = 0.1  # [m] passage after which flashing reaches equilibrium (Fauske), as the model is published


def like_the_tests(flags: Validity) -> BoolArray:
    """Where bore and liquid are like those tested."""
    return np.asarray(flags.bore & flags.subcooling)


@params("short_tubes")
def test_flashing_weight_of_a_long_bore(row: Row) -> None:
    state = saturation(row["temperature"])
    # The share of the fall from vapour pressure to hose that the throat stands above the hose.
    above = throat_pressure(state, state.pressure + row["upstream"]) - row["downstream"]
    assert float(above / (state.pressure - row["downstream"])) == row.expected


@pytest.mark.parametrize("subcooling", [0.5, 2.0, 5.0, 8.0, 14.0, 20.0])
def test_throat_pressure_is_that_of_coolprops_entropies(subcooling: float) -> None:
    # Found: 6e-5 at 100 degF and 20 K, 1e-5 and less elsewhere.
    for fahrenheit in (-20, 0, 40, 60, 80, 100, 110):
        temperature = (fahrenheit - 32) / 1.8 + 273.15
        liquid = refit.inlet("Ammonia", temperature + subcooling, subcooling)
        ours = throat_pressure(saturation(liquid.temperature), liquid.pressure)
        assert float(ours) == pytest.approx(refit.henry_fauske(liquid), rel=1e-4)


def test_the_table_of_throat_pressures_is_the_equation() -> None:
    draw = np.random.default_rng(3)
    state = saturation(draw.uniform(240.0, 334.9, 4000))
    pressure = state.pressure + np.exp(draw.uniform(np.log(1e2), np.log(3e6), 4000))
    np.testing.assert_allclose(throat_pressure(state, pressure), solved_throat_pressure(state, pressure), rtol=1e-4)


# The fit.


@functools.cache
def fitted() -> refit.Grid:
    return refit.grid(refit.FITTED)


def test_the_two_correlations_check_each_other() -> None:
    # Two groups of authors, two forms. Mean and spread are regressions; that they are near 1 and small is the check.
    ratio = fitted().payne / fitted().kim
    assert ratio.size == 1372
    assert ratio.mean() == pytest.approx(1.007, abs=5e-4)
    assert ratio.std() == pytest.approx(0.057, abs=5e-4)
    assert 0.8 < ratio.min() < ratio.max() < 1.25


def test_coefficient_is_the_fit_to_both_correlations() -> None:
    # Regression, rounded to what the scatter bears.
    level, fall, left = refit.fit(fitted())
    assert float(tube_coefficient(6.0, 1.0)) == pytest.approx(level, abs=0.005)
    assert float(tube_coefficient(6.0, 1.0) - tube_coefficient(6.0 * np.e, 1.0)) == pytest.approx(fall, abs=0.005)
    assert left.std() == pytest.approx(0.054, abs=5e-4)


def test_the_band_is_two_standard_deviations() -> None:
    _, _, left = refit.fit(fitted())
    # How much a quicker or slower flashing, which fits about as well, moves ammonia.
    spreads, shifts = zip(*(refit.ammonia_shift(constant) for constant in (0.10, 0.28)), strict=True)
    assert max(spreads) < 1.1 * left.std()
    form = np.sqrt(np.mean(np.square(shifts)))
    sigma = float(np.sqrt(left.std() ** 2 + refit.SCATTER_ABOUT_DATA**2 + form**2))
    assert 2.0 * sigma <= FLOW_BAND <= 2.0 * sigma + 0.01


def test_a_refrigerant_that_was_not_fitted_lies_inside_the_band() -> None:
    coefficient, proportion = refit.both(refit.grid(refit.HELD_OUT))
    left = coefficient / tube_coefficient(proportion, 1.0) - 1.0
    assert abs(left.mean()) < 0.04
    assert np.mean(np.abs(left) < FLOW_BAND) > 0.95


def test_without_flashing_the_coefficient_is_that_of_a_short_pipe() -> None:
    # A sharp edge costs 0.5 of a velocity head, the jet 1, friction 0.02 to 0.03 a diameter (Crane TP-410; friction
    # common practice, no source): 1 / sqrt(1.5 + f L/d). A bore that does not choke has the same bounds, so they have
    # to hold this.
    for proportion in np.linspace(*TESTED_PROPORTION, 15):
        for friction in (0.02, 0.03):
            plain = 1.0 / np.sqrt(1.5 + friction * proportion)
            assert abs(plain / float(tube_coefficient(proportion, 1.0)) - 1.0) < FLOW_BAND


def test_relaxation_lengths_are_those_the_correlations_imply() -> None:
    # At a coefficient of 0.80, of the flows that lie below equilibrium in the throat (7 of 10). Regression.
    implied = fitted().relaxation.ravel()
    percentiles = np.percentile(implied[implied > 0.0], (10, 50, 90))
    np.testing.assert_allclose(RELAXATION_LENGTHS, percentiles, atol=5e-4, rtol=0)


# The pieces.


def test_flags_say_what_was_tested() -> None:
    state = saturation(288.0)
    inside = saturation(288.0 + 8.0).pressure
    assert like_the_tests(validity(state, inside, 0.012, 0.0016))
    cases = {
        "proportion": (inside, 0.0096, 0.00194),
        "diameter": (inside, 0.012, 0.00205),
        "length": (inside, 0.0075, 0.0012),
        "subcooling": (saturation(288.0 + 14.5).pressure, 0.012, 0.0016),
    }
    for name, (pressure, land, diameter) in cases.items():
        flags = validity(state, pressure, land, diameter)
        wrong = {flag for flag in ("proportion", "diameter", "length", "subcooling") if not getattr(flags, flag)}
        assert wrong == {name}
        assert not like_the_tests(flags)
        assert flags.bore == (name == "subcooling")
    assert not validity(state, saturation(289.5).pressure, 0.012, 0.0016).subcooling
    # Ends belong to it, in thousandths of an inch too.
    assert like_the_tests(validity(state, inside, TESTED_LENGTH[0], TESTED_DIAMETER[0]))
    assert validity(state, inside, 0.374 * 0.0254, 0.075 * 0.0254).length
    for kelvin in TESTED_SUBCOOLING:
        assert validity(state, saturation(288.0 + kelvin).pressure, 0.012, 0.0016).subcooling


def test_liquid_that_boils_before_the_bore_has_the_throat_of_just_boiling_liquid() -> None:
    state = saturation(np.array([260.0, 290.0]))
    just = throat_pressure(state, state.pressure)
    np.testing.assert_array_equal(throat_pressure(state, 0.7 * state.pressure), just)
    assert (just < state.pressure).all()


def test_a_bore_that_does_not_choke_feels_the_hose() -> None:
    state = saturation(288.0)
    pressure = state.pressure + 40 * PSI
    throat = throat_pressure(state, pressure)
    for back in (throat * 1.0001, state.pressure * 1.1):
        expected = mass_flow(pressure, back, liquid_density(state, pressure), 0.0016, tube_coefficient(0.012, 0.0016))
        assert float(tube_flow(state, pressure, back, 0.012, 0.0016)) == pytest.approx(float(expected), rel=1e-12)


KELVIN = st.floats(245.0, 330.0)
BORE, PROPORTION = st.floats(7e-4, 4e-3), st.floats(0.3, 40.0)


@LAWS
@given(temperature=KELVIN, share=st.floats(0.05, 1.1), bore=BORE, proportion=PROPORTION)
def test_bounds_are_ordered_and_rise_with_pressure(
    temperature: float, share: float, bore: float, proportion: float
) -> None:
    state, land = saturation(temperature), proportion * bore
    pressure = np.concatenate([state.pressure * np.linspace(0.5, 1.0, 20), state.pressure + np.linspace(1e2, 2e6, 400)])
    low, central, high = tube_flow_bounds(state, pressure, share * state.pressure, land, bore, STATED)
    assert (low <= central).all() and (central <= high).all()
    for bound in (low, central, high):
        assert (np.diff(bound) >= -1e-12).all()
    more_back = tube_flow_bounds(state, pressure, 1.1 * share * state.pressure, land, bore, STATED)
    # Of just boiling liquid b = 1 lets nothing through but the root of a rounding.
    assert (more_back <= np.stack([low, central, high]) + 1e-7).all()


@LAWS
@given(temperature=st.floats(245.0, 315.0), share=st.floats(0.05, 0.95), bore=BORE, proportion=PROPORTION)
@example(temperature=245.0, share=0.5, bore=0.00390625, proportion=4.9921875)
def test_bounds_are_narrow_only_where_tests_were(
    temperature: float, share: float, bore: float, proportion: float
) -> None:
    state, land = saturation(temperature), proportion * bore
    back = share * state.pressure
    pressure = state.pressure + np.linspace(1e3, 2e6, 200)
    low, _, high = tube_flow_bounds(state, pressure, back, land, bore, STATED)
    density, flow = liquid_density(state, pressure), tube_flow(state, pressure, back, land, bore)
    least = min(STATED[0], float(tube_coefficient(land, bore)))
    frozen = mass_flow(pressure, back, density, bore, STATED[1])
    choked = mass_flow(pressure, state.pressure, density, bore, least)
    flags = validity(state, pressure, land, bore)
    inside = like_the_tests(flags)
    # At the ends of the tests the bounds lead over within a narrow step, so that they have no jump.
    first, last = (saturation(temperature + kelvin).pressure for kelvin in TESTED_SUBCOOLING)
    sure, free = inside & (pressure >= first + EDGE), inside & (pressure <= last - EDGE)
    np.testing.assert_allclose(low[sure], flow[sure] * (1 - FLOW_BAND), rtol=1e-12)
    np.testing.assert_allclose(high[free], flow[free] * (1 + FLOW_BAND), rtol=1e-12)
    if inside.any():
        # In the step itself they go from the wider bound to the narrower one, evenly with the pressure.
        at = np.linspace(0.0, 1.0, 9)
        for start, bound, towards in ((first, 0, 1.0), (last, 2, -1.0)):
            steps = start + towards * EDGE * at
            fitted, dense = tube_flow(state, steps, back, land, bore), liquid_density(state, steps)
            narrow = fitted * (1.0 - towards * FLOW_BAND)
            wide = (
                np.minimum(mass_flow(steps, state.pressure, dense, bore, least), narrow)
                if bound == 0
                else np.maximum(mass_flow(steps, back, dense, bore, STATED[1]), narrow)
            )
            found = tube_flow_bounds(state, steps, back, land, bore, STATED)[bound]
            np.testing.assert_allclose(found, wide + at * (narrow - wide), rtol=1e-9)
    if not flags.proportion and proportion < TESTED_PROPORTION[0]:
        np.testing.assert_allclose(low, choked, rtol=1e-12)
        np.testing.assert_allclose(high, frozen, rtol=1e-12)
    elif not flags.bore:
        np.testing.assert_allclose(low, np.minimum(choked, flow * (1 - FLOW_BAND)), rtol=1e-12)
        np.testing.assert_allclose(high, np.maximum(frozen, flow * (1 + FLOW_BAND)), rtol=1e-12)
    else:
        # Further from boiling than the tests the upper end is open again, closer to it the lower one.
        above = pressure > saturation(temperature + TESTED_SUBCOOLING[1]).pressure
        below = pressure < saturation(temperature + TESTED_SUBCOOLING[0]).pressure
        assert (high[above] >= frozen[above]).all()
        assert (low[below] <= choked[below]).all()
        assert (low[above] >= low[inside].max(initial=0.0)).all()
        assert (high[below] <= high[inside].min(initial=np.inf)).all()


def test_one_tube_moves_no_further_than_said() -> None:
    # Of one tube and one correlation, every pair of states of one refrigerant: 19 of 20 within `tube_drift`.
    values, states = fitted(), len(refit.CONDENSING) * len(refit.SUBCOOLING)
    condensing, cooled = (axis.ravel() for axis in np.meshgrid(refit.CONDENSING, refit.SUBCOOLING, indexing="ij"))
    # The margin over boiling goes with the subcooling at one temperature, and so do doublings of it.
    allowed = tube_drift(1e4 * cooled[:, None], (condensing - cooled)[:, None], 1e4 * cooled, condensing - cooled)
    pairs = ~np.eye(states, dtype=bool)
    for flow in (values.payne, values.kim):
        coefficient = np.log(flow / values.ideal).reshape(len(refit.FITTED), states, -1)
        moved = np.abs(coefficient[:, :, None] - coefficient[:, None])
        assert np.mean((moved <= allowed[None, :, :, None])[:, pairs]) > 0.95
    # Half of that would not do.
    assert np.mean((moved <= 0.5 * allowed[None, :, :, None])[:, pairs]) < 0.95


@LAWS
@given(land=st.floats(0.0, 0.05), coefficient=st.floats(0.55, 0.98), temperature=KELVIN, share=st.floats(0.1, 1.1))
def test_relaxed_weights_are_the_length_weighted_model_with_other_lengths(
    land: float, coefficient: float, temperature: float, share: float
) -> None:
    state = saturation(temperature)
    given_state = (coefficient, state.liquid_density, state.pressure, share * state.pressure)
    limit = equilibrium_flux_limit(state)
    weights = relaxed_flash_weights(land, *given_state, limit)
    # Fauske and Epstein (J. Loss Prev. 1 (1988) 75), with Ps - Pb for the driving pressure of the flashing part, from
    # memory: the flux squared above Bernoulli's to the vapour pressure is G^2 / N, that of a weight 2 Cd^2 rho b (Ps -
    # Pb), with N = G^2 / (2 Cd^2 rho (Ps - Pb)) + L / Le and Le = 0.1 m.
    fall = 2.0 * coefficient**2 * state.liquid_density * max(1.0 - share, 0.0) * state.pressure
    assert weights.shape == (3,)
    assert (np.diff(weights) >= 0.0).all()
    for weight, length in zip(weights, RELAXATION_LENGTHS[::-1], strict=True):
        stretched = land * EQUILIBRIUM_LENGTH / length
        if stretched <= EQUILIBRIUM_LENGTH:
            lengths = stretched / EQUILIBRIUM_LENGTH
            passed = limit**2 / (limit**2 / fall + lengths) if fall else 0.0
            expected = 1.0 - passed / fall if fall else 0.0
            assert float(weight) == pytest.approx(float(expected), rel=1e-9, abs=1e-12)
        assert 0.0 <= weight < 1.0


def test_a_window_through_long_bores_stays_open_in_the_warm() -> None:
    # Highest flow certain at 100 psi over vapour pressure against the least certain at 10 psi: what a bore of unknown
    # flashing leaves, and what a long one does. Regression; 25 psia below, 0.070 in by six diameters.
    for fahrenheit, unknown, known in ((40, 1.19, 1.60), (60, 0.94, 1.40), (80, 0.77, 1.23)):
        state = saturation((fahrenheit - 32) / 1.8 + 273.15)
        bore, back = 0.070 * 0.0254, 25 * PSI
        pressure = state.pressure + np.array([10.0, 100.0]) * PSI
        density = liquid_density(state, pressure)
        least = mass_flow(pressure, state.pressure, density, bore, STATED[0])
        most = mass_flow(pressure, back, density, bore, STATED[1])
        assert least[1] / most[0] == pytest.approx(unknown, abs=0.005)
        low, _, high = tube_flow_bounds(state, pressure, back, 6 * bore, bore, STATED)
        assert low[1] / high[0] == pytest.approx(known, abs=0.005)
