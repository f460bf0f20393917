"""What is not known of an orifice: its corners against brute force over every coefficient and weight they leave open.

The truth is an orifice with a known coefficient and flashing weight, whose flows are worked out here with Bernoulli's
law and the effective pressure Pe = Pb + b (Ps - Pb); geoflow sees only what could be measured of it.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from CoolProp.CoolProp import PropsSI
from hypothesis import assume, given
from hypothesis import strategies as st
from laws import laws
from published import POUND, PSI

from geoflow.bar.equipment import Bar, Limits, Line, MeasuredPoint, Meter, Orifice, Pump, RowHose, Section
from geoflow.base.errors import BarError
from geoflow.hydraulics.coefficients import (
    central_coefficients,
    corner_coefficients,
    refuse_contradiction,
)
from geoflow.hydraulics.row_hose import back_pressure
from geoflow.physics.ammonia import saturation

LAWS = laws(60)
AIR = 101325.0
DIAMETER = 0.002


def bar_with(hose: RowHose) -> Bar:
    hole = Orifice("hole", DIAMETER, 0.62)
    return Bar(
        name="one kind of orifice", row_spacing=0.762, sections=(Section("all", 8, "hole"),), orifices={"hole": hole},
        pump=Pump(3e-3, 8e5), meter=Meter(2e5, 1e-4, 4e-3), limits=Limits(1.5e6, 5e4, (1.5, 3.5)), row_hose=hose,
        air_pressure=AIR,
    )  # fmt: skip


OPEN_AIR = bar_with(RowHose())


def flows_of(pairs: np.ndarray, pressure: float, temperature: float, back: float) -> np.ndarray:
    """Flows [kg/s] of orifices (Cd, b); vapour pressure and density from CoolProp."""
    vapour = PropsSI("P", "T", temperature, "Q", 0, "Ammonia")
    density = PropsSI("D", "T", temperature, "P", pressure, "Ammonia")
    effective = back + pairs[:, 1] * max(vapour - back, 0.0)
    return np.asarray(
        pairs[:, 0] * np.pi / 4 * DIAMETER**2 * np.sqrt(2.0 * density * np.maximum(pressure - effective, 0.0))
    )


def true_flow(coefficient: float, weight: float, pressure: float, temperature: float, back: float) -> float:
    return float(flows_of(np.array([[coefficient, weight]]), pressure, temperature, back)[0])


def point(
    coefficient: float, weight: float, temperature: float, excess: float, back: float = AIR, tolerance: float = 0.03,
    off: float = 0.0,
) -> MeasuredPoint:  # fmt: skip
    pressure = PropsSI("P", "T", temperature, "Q", 0, "Ammonia") + excess
    flow = true_flow(coefficient, weight, pressure, temperature, back)
    return MeasuredPoint(flow / (1.0 + off * tolerance), pressure, temperature, tolerance, 0.0, 0.0)


def patch(pairs: np.ndarray) -> shapely.Geometry:
    """Convex hull of pairs (Cd, b) in the plane of Cd^2 and Cd^2 b."""
    return shapely.convex_hull(shapely.MultiPoint(np.column_stack([pairs[:, 0] ** 2, pairs[:, 0] ** 2 * pairs[:, 1]])))


def holds(pairs: np.ndarray, coefficient: float, weight: float) -> bool:
    truth = shapely.Point(coefficient**2, coefficient**2 * weight)
    return bool(patch(pairs).distance(truth) < 2e-4 * coefficient**2)


TRUTH = {"share": st.floats(-1.0, 1.0), "weight": st.floats(0.0, 1.0)}
STATE = {"temperature": st.floats(250.0, 315.0), "excess": st.floats(3e4, 1.2e6)}


@LAWS
@given(**TRUTH, **STATE, off=st.floats(-0.99, 0.99), tolerance=st.floats(0.005, 0.1))
def test_corners_enclose_the_orifice_that_was_measured(
    share: float, weight: float, temperature: float, excess: float, off: float, tolerance: float
) -> None:
    coefficient = 0.62 * (1.0 + 0.079 * share)
    measured = point(coefficient, weight, temperature, excess, tolerance=tolerance, off=off)
    pairs = corner_coefficients(OPEN_AIR, Orifice("hole", DIAMETER, 0.62, 0.08, measured=(measured,)))
    assert holds(pairs, coefficient, weight)
    assert ((pairs[:, 1] >= -1e-12) & (pairs[:, 1] <= 1.0 + 1e-12)).all()
    assert ((pairs[:, 0] >= 0.62 * 0.92 - 1e-9) & (pairs[:, 0] <= 0.62 * 1.08 + 1e-9)).all()


@LAWS
@given(share=st.floats(-0.9, 0.9), weight=st.floats(0.05, 0.95), **STATE)
def test_an_exact_measurement_does_not_contradict_its_own_orifice(
    share: float, weight: float, temperature: float, excess: float
) -> None:
    # The band is a line then, and rounding must not make it miss itself. The truth lies well inside the tolerances.
    coefficient = 0.62 * (1.0 + 0.079 * share)
    measured = point(coefficient, weight, temperature, excess, tolerance=0.0)
    pairs = corner_coefficients(OPEN_AIR, Orifice("hole", DIAMETER, 0.62, 0.08, measured=(measured,)))
    assert holds(pairs, coefficient, weight)


GRID = np.array([(u, b) for u in np.linspace(0.62 * 0.92, 0.62 * 1.08, 41) for b in np.linspace(0.0, 1.0, 41)])


@LAWS
@given(
    **TRUTH, first=st.tuples(st.floats(250.0, 315.0), st.floats(3e4, 1.2e6)),
    second=st.none() | st.tuples(st.floats(250.0, 315.0), st.floats(3e4, 1.2e6)),
    elsewhere=st.tuples(st.floats(250.0, 315.0), st.floats(2e4, 1.3e6), st.floats(0.0, 1.0)),
)  # fmt: skip
def test_every_orifice_that_fits_the_points_flows_within_the_corners(
    share: float, weight: float, first: tuple[float, float], second: tuple[float, float] | None,
    elsewhere: tuple[float, float, float],
) -> None:  # fmt: skip
    coefficient = 0.62 * (1.0 + 0.079 * share)
    points = tuple(point(coefficient, weight, *state) for state in (first, second) if state is not None)
    pairs = corner_coefficients(OPEN_AIR, Orifice("hole", DIAMETER, 0.62, 0.08, measured=points))
    fits = np.ones(len(GRID), dtype=bool)
    for each in points:
        flows = flows_of(GRID, each.pressure, each.temperature, AIR)
        fits &= np.abs(flows / each.flow - 1.0) <= each.flow_tolerance
    assume(fits.any())
    temperature, excess, back_share = elsewhere
    vapour = PropsSI("P", "T", temperature, "Q", 0, "Ammonia")
    back = AIR + back_share * (vapour - AIR)
    possible = flows_of(GRID[fits], vapour + excess, temperature, back)
    bounds = flows_of(pairs, vapour + excess, temperature, back)
    # CoolProp's density at the measurement against the table's compressed liquid: 1e-4.
    assert bounds.min() <= possible.min() * (1 + 2e-4)
    assert bounds.max() >= possible.max() * (1 - 2e-4)


@LAWS
@given(**STATE, back_share=st.floats(0.0, 1.0))
def test_two_corners_bound_an_unmeasured_orifice(temperature: float, excess: float, back_share: float) -> None:
    pairs = corner_coefficients(OPEN_AIR, Orifice("hole", DIAMETER, 0.62, 0.08))
    assert len(pairs) == 2
    vapour = PropsSI("P", "T", temperature, "Q", 0, "Ammonia")
    back = AIR + back_share * (vapour - AIR)
    possible = flows_of(GRID, vapour + excess, temperature, back)
    bounds = flows_of(pairs, vapour + excess, temperature, back)
    assert bounds.min() == pytest.approx(possible.min(), rel=1e-9)
    assert bounds.max() == pytest.approx(possible.max(), rel=1e-9)


@LAWS
@given(**TRUTH, first=st.tuples(*STATE.values()), second=st.tuples(*STATE.values()))
def test_a_second_point_never_opens_what_the_first_closed(
    share: float, weight: float, first: tuple[float, float], second: tuple[float, float]
) -> None:
    coefficient = 0.62 * (1.0 + 0.079 * share)
    one, two = (point(coefficient, weight, *state) for state in (first, second))
    open_patch = patch(np.array([(0.62 * c, b) for c in (0.92, 1.08) for b in (0.0, 1.0)]))
    narrow = patch(corner_coefficients(OPEN_AIR, Orifice("hole", DIAMETER, 0.62, 0.08, measured=(one,))))
    narrower = patch(corner_coefficients(OPEN_AIR, Orifice("hole", DIAMETER, 0.62, 0.08, measured=(one, two))))
    assert narrow.area <= open_patch.area * (1 + 1e-9)
    assert narrower.area <= narrow.area * (1 + 1e-9)
    assert narrower.difference(narrow.buffer(1e-9)).area < 1e-12


@LAWS
@given(**TRUTH, **STATE)
def test_known_weight_and_one_exact_point_give_the_coefficient(
    share: float, weight: float, temperature: float, excess: float
) -> None:
    coefficient = 0.62 * (1.0 + 0.07 * share)
    measured = point(coefficient, weight, temperature, excess, tolerance=1e-6)
    pairs = corner_coefficients(
        OPEN_AIR, Orifice("hole", DIAMETER, 0.62, 0.08, flash_weight=weight, measured=(measured,))
    )
    np.testing.assert_allclose(pairs[:, 0], coefficient, rtol=2e-4)
    np.testing.assert_allclose(pairs[:, 1], weight, rtol=1e-9, atol=1e-12)


def test_nothing_unknown_is_one_corner() -> None:
    exact = Orifice("hole", DIAMETER, 0.62, 0.0, flash_weight=0.4)
    np.testing.assert_allclose(corner_coefficients(OPEN_AIR, exact), [[0.62, 0.4]], rtol=1e-12)
    measured = point(0.62, 0.4, 283.0, 3e5)
    exact = Orifice("hole", DIAMETER, 0.62, 0.0, flash_weight=0.4, measured=(measured,))
    np.testing.assert_allclose(corner_coefficients(OPEN_AIR, exact), [[0.62, 0.4]], rtol=1e-12)


# What contradicts itself is refused.


@pytest.mark.parametrize("times", [0.5, 1.6])
def test_point_that_contradicts_the_orifice_is_refused(times: float) -> None:
    # At 60 psi over the vapour pressure of 10 degC the weight is worth some 30 % of the flow, the
    # coefficient 8, the point 3.
    good = point(0.62, 0.5, 283.15, 4.1e5)
    wrong = MeasuredPoint(good.flow * times, good.pressure, good.temperature, 0.03, 0.0, 0.0)
    orifice = Orifice("small", DIAMETER, 0.62, measured=(good, wrong))
    assert corner_coefficients(OPEN_AIR, orifice).shape == (0, 2)
    with pytest.raises(BarError, match="does not fit") as caught:
        refuse_contradiction(OPEN_AIR, orifice)
    problem = caught.value
    assert problem.where == "orifices.small.measured[1]"
    assert "check the point" in problem.cure
    assert f"{wrong.flow * 60 / POUND:.2f} lb NH3/min" in problem.what
    # The flows it says the orifice allows, worked out here.
    bounds = flows_of(GRID, good.pressure, good.temperature, AIR) * 60 / POUND
    assert f"{bounds.min():.2f} to {bounds.max():.2f} lb NH3/min" in problem.what


def test_points_that_fit_the_orifice_but_not_each_other_are_refused() -> None:
    low, high = point(0.58, 1.0, 283.15, 4.1e5, tolerance=0.01), point(0.66, 0.0, 283.15, 4.1e5, tolerance=0.01)
    for alone in (low, high):
        refuse_contradiction(OPEN_AIR, Orifice("small", DIAMETER, 0.62, measured=(alone,)))
    orifice = Orifice("small", DIAMETER, 0.62, measured=(low, high))
    assert corner_coefficients(OPEN_AIR, orifice).shape == (0, 2)
    with pytest.raises(BarError, match="do not fit each other") as caught:
        refuse_contradiction(OPEN_AIR, orifice)
    assert caught.value.where == "orifices.small.measured"
    assert "flow_tolerance" in caught.value.cure


@pytest.mark.parametrize("excess", [0.0, -1e4])
def test_point_measured_on_boiling_liquid_is_refused(excess: float) -> None:
    vapour = float(saturation(283.15).pressure)
    boiling = MeasuredPoint(0.02, vapour + excess, 283.15, 0.03, 0.0, 0.0)
    with pytest.raises(BarError, match="vapour pressure") as caught:
        corner_coefficients(OPEN_AIR, Orifice("small", DIAMETER, 0.62, measured=(boiling,)))
    assert caught.value.where == "orifices.small.measured[0]"
    assert "measure again" in caught.value.cure


# The back pressure below the orifice is itself not known.

# Absolute [Pa]: 4..8 psi over the air, as in the bar file's own example, and a wide one of 8.5..23 psi.
HOSE_RANGE, WIDE_RANGE = (AIR + 4 * PSI, AIR + 8 * PSI), (1.6e5, 2.6e5)


@pytest.mark.parametrize(("hoses", "tolerance"), [(HOSE_RANGE, 0.01), (WIDE_RANGE, 0.03), (WIDE_RANGE, 0.001)])
@LAWS
@given(
    **TRUTH, ends=st.tuples(st.floats(0.0, 1.0), st.floats(0.0, 1.0)),
    first=st.tuples(st.floats(275.0, 310.0), st.floats(1e5, 1.2e6)),
    elsewhere=st.tuples(st.floats(275.0, 310.0), st.floats(1e5, 1.2e6)),
)  # fmt: skip
def test_bounds_hold_wherever_the_back_pressure_lies_in_its_range(
    hoses: tuple[float, float],
    tolerance: float,
    share: float,
    weight: float,
    ends: tuple[float, float],
    first: tuple[float, float],
    elsewhere: tuple[float, float],
) -> None:
    # Where the point was measured and elsewhere the back pressure is anywhere in the bar's range, here and there apart.
    coefficient = 0.62 * (1.0 + 0.079 * share)
    then, now = (hoses[0] + end * (hoses[1] - hoses[0]) for end in ends)
    measured = point(coefficient, weight, *first, back=then, tolerance=tolerance)
    bar = bar_with(RowHose(back_pressure=hoses))
    orifice = Orifice("hole", DIAMETER, 0.62, 0.08, measured=(measured,))
    refuse_contradiction(bar, orifice)
    temperature, excess = elsewhere
    pressure = PropsSI("P", "T", temperature, "Q", 0, "Ammonia") + excess
    truth = true_flow(coefficient, weight, pressure, temperature, now)
    bounds = np.concatenate(
        [flows_of(corner_coefficients(bar, orifice), pressure, temperature, below) for below in hoses]
    )
    assert bounds.min() * (1 - 2e-4) <= truth <= bounds.max() * (1 + 2e-4)


def test_back_pressure_follows_the_row_hose() -> None:
    state, flows = saturation(283.15), np.array([0.01, 0.05])
    middle, spread = back_pressure(OPEN_AIR, flows, state)
    np.testing.assert_array_equal((middle, spread), ([AIR, AIR], [0.0, 0.0]))
    middle, spread = back_pressure(bar_with(RowHose(back_pressure=HOSE_RANGE)), flows, state)
    np.testing.assert_allclose(middle - spread, HOSE_RANGE[0])
    np.testing.assert_allclose(middle + spread, HOSE_RANGE[1])
    middle, spread = back_pressure(bar_with(RowHose(line=Line(2.4, 0.0095), tolerance=0.3)), flows, state)
    assert (middle > AIR).all() and (np.diff(middle) > 0).all()
    np.testing.assert_allclose(spread, 0.3 * (middle - AIR))


# The most likely values.


@LAWS
@given(**TRUTH, **STATE)
def test_central_values_of_a_measured_orifice_lie_in_what_is_open_and_fit_the_point(
    share: float, weight: float, temperature: float, excess: float
) -> None:
    coefficient = 0.62 * (1.0 + 0.079 * share)
    measured = point(coefficient, weight, temperature, excess)
    orifice = Orifice("hole", DIAMETER, 0.62, 0.08, measured=(measured,))
    likely = central_coefficients(OPEN_AIR, orifice)
    assert holds(corner_coefficients(OPEN_AIR, orifice), *likely)
    flow = true_flow(*likely, measured.pressure, measured.temperature, AIR)
    assert flow == pytest.approx(measured.flow, rel=measured.flow_tolerance + 2e-4)


def test_central_values_without_a_measurement() -> None:
    # With a land the weight comes from the conditions; without one the middle is our judgement.
    assert central_coefficients(OPEN_AIR, Orifice("hole", DIAMETER, 0.62, flash_weight=0.3)) == (0.62, 0.3)
    assert central_coefficients(OPEN_AIR, Orifice("hole", DIAMETER, 0.62)) == (0.62, 0.5)
    coefficient, weight = central_coefficients(OPEN_AIR, Orifice("hole", DIAMETER, 0.62, land=0.002))
    assert coefficient == 0.62
    assert np.isnan(weight)


def test_a_point_that_may_have_had_more_below_it_than_above_bounds_no_coefficient_from_above() -> None:
    """A narrow hole at the knife: the estimate's tolerance reaches over the measured pressure."""
    hose = RowHose(line=Line(1.4, 0.00635), tolerance=0.4, outlet=0.0033)
    bar, flow, kelvin = bar_with(hose), 0.0644, 281.5
    middle, spread = (float(part[0]) for part in back_pressure(bar, np.array([flow]), saturation(kelvin)))
    pressure = middle + 0.7 * spread
    point = MeasuredPoint(flow, pressure, kelvin, 0.01)
    hole = Orifice("hole", 0.0024, 0.8, 0.03, measured=(point,))
    refuse_contradiction(bar, hole)
    assert corner_coefficients(bar, hole)[:, 0].max() == pytest.approx(0.8 * 1.03)
