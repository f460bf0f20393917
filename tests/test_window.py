"""The flow window: each limit binding, what must never widen it, the measured point, and facts of the trade."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from bars import AIR, FOOT, GPM, INCH, LB_PER_MIN, PSI, bar, change, every_section, fahrenheit, feed, full_bar, orifice
from bars import sharp_bar as sharp
from CoolProp.CoolProp import PropsSI
from hypothesis import given
from hypothesis import strategies as st
from laws import laws
from reference_bar import ReferenceBar
from scipy.optimize import brentq

from geoflow.bar.equipment import (
    Bar,
    ControlValve,
    ExcessFlow,
    Limits,
    Line,
    MeasuredPoint,
    Meter,
    Pump,
    RowHose,
    Section,
    Suction,
)
from geoflow.base.errors import BarError
from geoflow.base.schema import HIGH_LIMITS, LIMITS, LOW_LIMITS
from geoflow.hydraulics.case import Case
from geoflow.hydraulics.cases import bounding_cases
from geoflow.hydraulics.circuit import Circuit
from geoflow.hydraulics.curves import pressure_curve
from geoflow.hydraulics.rows import row_split
from geoflow.hydraulics.window import FlowWindow, flow_window, temperature_grid
from geoflow.physics.ammonia import saturation

# Equality in spite of rounding; the solver's roots are good to 1e-12 of the pressure.
ROUNDING = 1e-8


def window(one: Bar, *degrees: float, sections: tuple[int, ...] | None = None) -> FlowWindow:
    kelvin = np.array([fahrenheit(value) for value in degrees])
    return flow_window(one, kelvin, every_section(one) if sections is None else sections)


def edges(one: Bar, *degrees: float, certain: bool = True) -> tuple[float, float]:
    low, high = window(one, *degrees).edges(certain=certain)
    return float(low.max()), float(high.min())


def inside(small: FlowWindow, large: FlowWindow, *, certain: bool, rounding: float = ROUNDING) -> None:
    (low, high), (wide_low, wide_high) = small.edges(certain=certain), large.edges(certain=certain)
    assert (low >= wide_low * (1 - rounding)).all()
    assert (high <= wide_high * (1 + rounding)).all()


def no_wider(narrow: Bar, wide: Bar, *degrees: float, rounding: float = ROUNDING) -> None:
    """Neither the certain nor the possible window is wider."""
    small, large = window(narrow, *degrees), window(wide, *degrees)
    for certain in (True, False):
        inside(small, large, certain=certain, rounding=rounding)


def less_sure(vague: Bar, known: Bar, *degrees: float) -> None:
    """The certain window is no wider and the possible one no narrower."""
    loose, firm = window(vague, *degrees), window(known, *degrees)
    inside(loose, firm, certain=True)
    inside(firm, loose, certain=False)


_STRAINER = Suction(1.0 * FOOT, feed(12, 1.0, 20.0))
# One bar per limit, at 20 degF, and the same bar with only that limit relaxed.
BINDING: dict[str, tuple[Bar, Bar]] = {
    "liquid margin": (bar(), change(bar(), "limits", liquid_margin=2 * PSI)),
    "meter minimum": (change(bar(), "meter", min_flow=15 * GPM), change(bar(), "meter", min_flow=14 * GPM)),
    "pump minimum": (change(bar(), "pump", min_flow=15 * GPM), change(bar(), "pump", min_flow=14 * GPM)),
    "pump flow": (change(bar(), "pump", max_flow=15 * GPM), change(bar(), "pump", max_flow=16 * GPM)),
    "pump drive": (change(bar(), "pump", drive_share=0.34), change(bar(), "pump", drive_share=0.36)),
    "excess flow": (
        bar(excess_flow=ExcessFlow(17 * GPM, 0.1)),
        bar(excess_flow=ExcessFlow(18 * GPM, 0.1)),
    ),
    "suction": (bar(suction=_STRAINER), bar(suction=replace(_STRAINER, line=feed(12, 1.25, 20.0)))),
    "pump pressure": (bar(), change(bar(), "pump", max_rise=115 * PSI)),
    "rated pressure": (
        change(bar(), "limits", max_pressure=120 * PSI + AIR),
        change(bar(), "limits", max_pressure=125 * PSI + AIR),
    ),
    "meter maximum": (change(bar(), "meter", max_flow=16 * GPM), change(bar(), "meter", max_flow=17 * GPM)),
}


def test_every_limit_has_a_bar_that_it_binds() -> None:
    assert set(BINDING) == set(LIMITS)


@pytest.mark.parametrize("name", list(BINDING))
def test_each_limit_binds_and_relaxing_it_moves_that_end(name: str) -> None:
    tight, relaxed = BINDING[name]
    low_limit, high_limit = window(tight, 20.0).edge_limits(certain=True)
    side = LIMITS[name].side
    assert (low_limit if side == "low" else high_limit) == [name]
    (low, high), (new_low, new_high) = edges(tight, 20.0), edges(relaxed, 20.0)
    if side == "low":
        assert new_low < 0.97 * low
        assert new_high == pytest.approx(high, rel=1e-9)
    else:
        assert new_high > 1.01 * high
        assert new_low == pytest.approx(low, rel=1e-3)  # the suction's loss also costs a little pump heat


@pytest.mark.parametrize("name", list(BINDING))
def test_the_window_over_a_plan_names_the_worst_temperature(name: str) -> None:
    tight = BINDING[name][0]
    solved = window(tight, 15.0, 20.0, 25.0)
    low, high = solved.edges(certain=True)
    bounds = solved.over_plan(certain=True, commanded=False)
    assert (bounds.low, bounds.high) == (low.max(), high.min())
    assert bounds.low_limit in LOW_LIMITS
    assert bounds.high_limit in HIGH_LIMITS
    assert name in (bounds.low_limit, bounds.high_limit)


# ----------------------------------------------------------------------------------------------- facts and claims


@pytest.mark.parametrize("degrees", [30.0, 45.0])
@pytest.mark.parametrize("gallons", [15.0, 20.0, 25.0])
def test_pump_and_bar_pressure_stay_together_when_all_is_right(degrees: float, gallons: float) -> None:
    """Common practice, no source: pump pressure and pressure after the control valve within 1-2 psi, ammonia liquid.

    The model gives it for sixteen rows of 0.070 in, Cv 38 wide open, a meter that loses 2 psi at 60 gpm, at 15 to
    25 gpm (about 5, 6.6 and 8.3 lb NH3/min a row) and 30 to 45 degF: under 1 psi apart, 20 psi and more above the
    vapour pressure.
    """
    one = full_bar(
        orifices={"small": orifice("small", 0.070), "large": orifice("large", 0.070)},
        control_valve=ControlValve(38.0),
        meter=Meter(185_000.0, 2 * GPM, 60 * GPM, None, 2 * PSI),
    )
    liquid = saturation(fahrenheit(degrees))
    split = row_split(one, fahrenheit(degrees), (0, 1, 2), gallons * GPM * float(liquid.liquid_density))
    assert 0.0 < split.outlet_pressure - split.node_pressure < 1.0 * PSI
    assert split.manifold_pressure.min() > float(liquid.pressure) + 20 * PSI


def test_a_strainer_costs_forty_percent_in_the_cold_and_far_less_in_the_warm() -> None:
    """Common practice, no source: a strainer in the suction line can cost up to 40 % of the flow in cold weather.

    The model gives it for a 45 gpm pump on 8 ft of 2 in hose with 1 ft of liquid above it, and a strainer with
    K = 20 on that bore (clogging; clean ones have 2 to 5, from memory): 40 % of the certain pump flow at 0 degF, 8 % at
    80 degF. A clean one (K = 4) costs 11 % at 0 degF and 1 % at 80 degF, no strainer nothing.
    """

    def most(fittings_k: float, degrees: float) -> float:
        ends = window(bar(suction=Suction(1.0 * FOOT, feed(8, 2.0, fittings_k))), degrees).certain
        return float(min(ends["suction"][0], ends["pump flow"][0]) / ends["pump flow"][0])

    assert most(2.0, 0.0) == most(2.0, 80.0) == 1.0
    assert 1.0 - most(4.0, 0.0) == pytest.approx(0.11, abs=0.02)
    assert 1.0 - most(20.0, 0.0) == pytest.approx(0.40, abs=0.03)
    assert 1.0 - most(20.0, 80.0) == pytest.approx(0.08, abs=0.02)


@pytest.mark.parametrize(("degrees", "ratio"), [(20.0, 1.62), (40.0, 1.26), (60.0, 1.01)])
def test_turndown_of_the_certain_window_without_a_measurement(degrees: float, ratio: float) -> None:
    """Between Ps + 10 and Ps + 100 psi, 20 psia below the orifices, exact coefficient, no heat from the pump.

    By hand: the most flow goes with sqrt(100) (chokes at Ps), the least with sqrt(Ps + 10 - 20 psi) (metastable), Ps
    being 48.2, 73.3 and 107.6 psia.
    """
    vapour = float(saturation(fahrenheit(degrees)).pressure)
    one = bar(
        orifices={"only": orifice(coefficient_tolerance=0.0)},
        row_hose=RowHose(back_pressure=(20 * PSI, 20 * PSI)),
        limits=Limits(vapour + 100 * PSI, 10 * PSI, (1.0, 3.0)),
        pump=Pump(100 * GPM, 500 * PSI, 0.0, 1.0),
    )
    solved = window(one, degrees)
    found = solved.certain["rated pressure"][0] / solved.certain["liquid margin"][0]
    assert found == pytest.approx(np.sqrt(100 * PSI / (vapour - 10 * PSI)), rel=5e-3)
    assert found == pytest.approx(ratio, abs=0.006)
    # And the other way round, the possible window, far wider.
    possible = solved.possible["rated pressure"][0] / solved.possible["liquid margin"][0]
    assert possible == pytest.approx(np.sqrt((vapour + 80 * PSI) / (10 * PSI)), rel=1.5e-2)


def test_no_certain_window_is_left_at_eighty_degrees() -> None:
    """The same claim at 80 degF: the low end lies above the high end, and says so."""
    vapour = float(saturation(fahrenheit(80.0)).pressure)
    one = bar(
        orifices={"only": orifice(coefficient_tolerance=0.0)},
        row_hose=RowHose(back_pressure=(20 * PSI, 20 * PSI)),
        limits=Limits(vapour + 100 * PSI, 10 * PSI, (1.0, 3.0)),
        pump=Pump(100 * GPM, 500 * PSI, 0.0, 1.0),
    )
    bounds = window(one, 80.0).over_plan(certain=True, commanded=False)
    assert bounds.empty
    assert not window(one, 80.0).over_plan(certain=False, commanded=False).empty


@pytest.mark.parametrize(("degrees", "ratio"), [(30.0, 1.038), (20.0, 1.050), (0.0, 1.073), (80.0, 0.973)])
def test_an_uncorrected_meter_delivers_more_in_the_cold(degrees: float, ratio: float) -> None:
    """True over taken flow of a meter set for 60 degF: densities of saturated liquid (CoolProp) at the two."""
    one = change(bar(), "meter", reference_temperature=fahrenheit(60.0))
    solved = window(one, degrees)
    assert solved.delivered_ratio[0] == pytest.approx(ratio, abs=6e-4)
    true, taken = (solved.over_plan(certain=True, commanded=commanded) for commanded in (False, True))
    assert taken.low == pytest.approx(true.low / ratio, rel=1e-3)
    assert taken.high == pytest.approx(true.high / ratio, rel=1e-3)


# --------------------------------------------------------------------------------------------- never wider


@laws(15)
@given(
    st.sampled_from(["margin", "rated", "rise", "flow", "meter low", "meter high", "pump low"]),
    st.floats(0, 90),
    st.data(),
)
def test_the_window_never_widens_when_a_limit_tightens(limit: str, degrees: float, data: Any) -> None:
    wide, scale = full_bar(), data.draw(st.floats(0.3, 1.0))
    narrow = {
        "margin": lambda: change(wide, "limits", liquid_margin=wide.limits.liquid_margin / scale),
        "rated": lambda: change(wide, "limits", max_pressure=AIR + (wide.limits.max_pressure - AIR) * scale),
        "rise": lambda: change(wide, "pump", max_rise=wide.pump.max_rise * scale),
        "flow": lambda: change(wide, "pump", max_flow=wide.pump.max_flow * scale),
        "meter low": lambda: change(wide, "meter", min_flow=wide.meter.min_flow / scale),
        # The meter's loss is stated at its greatest flow; keep the loss curve.
        "meter high": lambda: change(
            wide,
            "meter",
            max_flow=wide.meter.max_flow * scale,
            loss_at_max_flow=wide.meter.loss_at_max_flow * scale**2,
        ),
        "pump low": lambda: change(wide, "pump", min_flow=(1.0 - scale) * 20 * GPM),
    }[limit]()
    no_wider(narrow, wide, degrees)


@laws(10)
@given(st.floats(0, 60), st.floats(0, 30), st.floats(0, 10), st.floats(0, 10))
def test_the_window_never_widens_when_the_temperatures_grow(
    low: float, span: float, below: float, above: float
) -> None:
    one = full_bar()
    inner = temperature_grid(fahrenheit(low), fahrenheit(low + span))
    outer = temperature_grid(fahrenheit(low - below), fahrenheit(low + span + above))
    both = [flow_window(one, grid, (0, 1, 2)) for grid in (inner, outer)]
    for certain in (True, False):
        small, large = (solved.over_plan(certain=certain, commanded=False) for solved in both)
        # Grids of different ranges share no points inside; ends bend by less than 0.01 % between points 1 K apart.
        assert large.low >= small.low * (1 - 1e-4)
        assert large.high <= small.high * (1 + 1e-4)


@laws(15)
@given(st.floats(0, 90), st.floats(0.0, 0.1), st.floats(0.0, 0.1))
def test_the_certain_window_never_widens_when_the_coefficient_is_less_known(
    degrees: float, known: float, more: float
) -> None:
    def made(tolerance: float) -> Bar:
        return full_bar(
            orifices={
                "small": orifice("small", coefficient_tolerance=tolerance),
                "large": orifice("large", 0.080, coefficient_tolerance=tolerance),
            }
        )

    less_sure(made(known + more), made(known), degrees)


@laws(15)
@given(st.floats(-20, 90), st.floats(0, 10), st.floats(0, 10), st.floats(0, 5), st.floats(0, 5))
def test_the_certain_window_never_widens_when_the_back_pressure_is_less_known(
    degrees: float, low: float, span: float, below: float, above: float
) -> None:
    def made(first: float, last: float) -> Bar:
        return full_bar(row_hose=RowHose(back_pressure=(first * PSI + AIR, last * PSI + AIR)))

    narrow, wide = made(low - min(below, low), low + span + above), made(low, low + span)
    less_sure(narrow, wide, degrees)


@laws(10)
@given(st.floats(-20, 90), st.floats(0.0, 0.5), st.floats(0.0, 0.5))
def test_the_certain_window_never_widens_when_the_hose_estimate_is_less_sure(
    degrees: float, tolerance: float, more: float
) -> None:
    def made(value: float) -> Bar:
        return bar(row_hose=RowHose(line=Line(8 * FOOT, 0.375 * INCH), tolerance=value))

    less_sure(made(tolerance + more), made(tolerance), degrees)


@laws(15)
@given(st.floats(0, 90), st.floats(0.0, 10.0), st.floats(0.0, 30.0))
def test_the_high_end_never_rises_and_the_low_end_never_falls_with_the_loss_of_equal_feeds(
    degrees: float, fittings_k: float, more: float
) -> None:
    """All feeds alike: the manifold at which the margin is met stays, and so does the flow but for the pump's heat.

    More loss means a higher pump pressure for the same flow, so the high end falls and the heat rises. Warmer liquid
    is lighter, which takes up to a ten-thousandth off the flow at the low end: physics, not a wider window.
    """

    def made(value: float) -> Bar:
        line = feed(9, 0.5, value)
        return bar(sections=(Section("left", 8, "only", line), Section("right", 8, "only", line)))

    no_wider(made(fittings_k + more), made(fittings_k), degrees, rounding=1e-4)


def test_a_loss_in_the_feed_that_does_not_decide_lowers_the_low_end() -> None:
    """Physics, not a fault: the margin is met at the worst manifold, and less goes to the others.

    Far section on a long feed decides; near section's fittings grow from K = 0 over 10 to 40. The flow at which the
    margin is met falls, then rises once the near section decides. The reference says the same.
    """
    kelvin, below = fahrenheit(50.0), 6 * PSI + AIR
    found = []
    for fittings_k in (0.0, 10.0, 40.0):
        sections = (
            Section("far", 8, "only", feed(20, 0.5, 6.0)),
            Section("near", 8, "only", feed(2, 0.5, fittings_k)),
        )
        one = sharp(bar(sections=sections), 0.0, below=below)
        found.append(float(window(one, 50.0).certain["liquid margin"][0]))
        theirs = ReferenceBar(one, kelvin, (0.62, 0.62), (0.0, 0.0), below).margin_flow()
        assert found[-1] == pytest.approx(theirs, rel=1e-3)
    assert found[1] < 0.98 * found[0]
    assert found[2] > 1.04 * found[1]


@laws(15)
@given(st.floats(-40, 130), st.booleans(), st.floats(-3.0, 5.0))
def test_certain_lies_within_possible(degrees: float, estimated: bool, head: float) -> None:
    hose = RowHose(line=Line(8 * FOOT, 0.375 * INCH)) if estimated else full_bar().row_hose
    solved = window(full_bar(row_hose=hose, suction=Suction(head * FOOT, feed(12, 1.5, 8.0))), degrees)
    for name in LOW_LIMITS:
        assert (solved.possible[name] <= solved.certain[name]).all()
    for name in HIGH_LIMITS:
        assert (solved.possible[name] >= solved.certain[name]).all()
        assert not np.isnan(solved.certain[name]).any()


# ----------------------------------------------------------------------------------------------- sections off


@pytest.mark.parametrize("degrees", [15.0, 60.0])
def test_half_of_a_symmetric_bar_has_half_the_window(degrees: float) -> None:
    """Without shared lines exactly, in the pressure limits; pump and meter ranges are the whole bar's and stay."""
    line = feed(9, 0.5)
    one = bar(sections=(Section("left", 8, "only", line), Section("right", 8, "only", line)))
    whole, half = window(one, degrees), window(one, degrees, sections=(1,))
    assert (half.rows, half.width) == (8, pytest.approx(whole.width / 2))
    for name in ("liquid margin", "rated pressure", "pump pressure"):
        for ends, other in ((whole.certain, half.certain), (whole.possible, half.possible)):
            assert other[name][0] == pytest.approx(ends[name][0] / 2, rel=1e-9)
    for name in ("meter minimum", "meter maximum", "pump flow"):
        assert half.certain[name][0] == whole.certain[name][0]


def test_half_a_bar_behind_a_shared_valve_follows_the_closed_form() -> None:
    """Drive D over orifices k q^2 and valve v q^2: whole sqrt(D / (k + v)), half sqrt(D / (4 k + v)).

    v from IEC 60534-2-1, turbulent and not choked: dp [psi] = SG (gpm / Cv)^2, water at 15 degC 999.1 kg/m3. Densities
    at pressure and at saturation differ by 0.2 %.
    """
    cv, rho = 6.0, float(saturation(fahrenheit(40.0)).liquid_density)
    free, behind = sharp(bar(), 1.0), sharp(bar(control_valve=ControlValve(cv)), 1.0)
    vapour = float(saturation(fahrenheit(40.0)).pressure)
    drive = bar().limits.max_pressure - vapour
    k = drive / window(free, 40.0).certain["rated pressure"][0] ** 2
    v = rho / 999.1 / (rho * GPM * cv) ** 2 * PSI
    whole, half = (window(behind, 40.0, sections=on).certain["rated pressure"][0] for on in ((0, 1), (0,)))
    assert whole == pytest.approx(np.sqrt(drive / (k + v)), rel=2e-3)
    assert half == pytest.approx(np.sqrt(drive / (4 * k + v)), rel=2e-3)
    assert half / whole > 0.505


# ----------------------------------------------------------------------------------------------- measured points


def _point_bar(flow: float, pressure: float, degrees: float, tolerance: float, **changes: Any) -> Bar:
    point = MeasuredPoint(flow, pressure, fahrenheit(degrees), tolerance, 0.0, 0.0)
    return bar(orifices={"only": orifice(measured=(point,))}, **changes)


@laws(20)
@given(st.floats(0.0, 1.0), st.floats(20, 65), st.floats(0.005, 0.06), st.floats(0, 95))
def test_a_measured_point_never_narrows_the_certain_window(
    place: float, measured_at: float, tolerance: float, degrees: float
) -> None:
    """A point anywhere inside what the orifice allows there."""
    kelvin, pressure, below = fahrenheit(measured_at), 110 * PSI + AIR, 6.5 * PSI + AIR
    least = ReferenceBar(bar(), kelvin, (0.62 * 0.92,) * 2, (1.0, 1.0), below).row_flow(0, pressure, below)
    most = ReferenceBar(bar(), kelvin, (0.62 * 1.08,) * 2, (0.0, 0.0), below).row_flow(0, pressure, below)
    flow = least + place * (most - least)
    with_point = _point_bar(flow, pressure, measured_at, tolerance)
    less_sure(bar(), with_point, degrees)


def test_a_measured_point_opens_a_window_that_was_shut() -> None:
    """At 60 degF nothing is certain of the plain bar; one point that shows little flashing opens the window."""
    low, high = edges(bar(), 60.0)
    assert low > high
    below, pressure = 6.5 * PSI + AIR, 120 * PSI + AIR
    flow = ReferenceBar(bar(), fahrenheit(60.0), (0.62, 0.62), (0.1, 0.1), below).row_flow(0, pressure, below)
    low, high = edges(_point_bar(flow, pressure, 60.0, 0.02), 60.0)
    assert high > 1.1 * low


@pytest.mark.parametrize("tolerance", [0.005, 0.03])
@pytest.mark.parametrize("weight", [0.0, 0.5, 1.0])
def test_at_the_measured_condition_both_windows_lie_within_the_tolerance(weight: float, tolerance: float) -> None:
    """Rated pressure set to the measured pressure, no line between pump and orifice: flow is the measured one.

    The tank stands 100 m above the bar, so that the liquid comes by its own weight and no pump warms it.
    """
    pressure, degrees, below = 130 * PSI + AIR, 50.0, 6 * PSI + AIR
    flow = ReferenceBar(bar(), fahrenheit(degrees), (0.62,) * 2, (weight,) * 2, below).row_flow(0, pressure, below)
    one = _point_bar(
        flow,
        pressure,
        degrees,
        tolerance,
        row_hose=RowHose(back_pressure=(below, below)),
        limits=Limits(pressure, 5 * PSI, (1.0, 3.0)),
        suction=Suction(100.0, None),
    )
    solved = window(one, degrees)
    least, most = solved.certain["rated pressure"][0] / 16, solved.possible["rated pressure"][0] / 16
    # The property table and the compressibility are good to 1e-4 in flow.
    assert flow * (1 - tolerance) * (1 - 1e-4) <= least < most <= flow * (1 + tolerance) * (1 + 1e-4)
    if weight == 0.5:  # inside the open patch, so that the band is used up
        assert least == pytest.approx(flow * (1 - tolerance), rel=1e-3)
        assert most == pytest.approx(flow * (1 + tolerance), rel=1e-3)


def test_two_points_leave_less_open_than_one() -> None:
    below = 6.5 * PSI + AIR
    points = []
    for degrees, psig in ((40.0, 130.0), (65.0, 118.0)):
        kelvin, pressure = fahrenheit(degrees), psig * PSI + AIR
        flow = ReferenceBar(bar(), kelvin, (0.62,) * 2, (0.4,) * 2, below).row_flow(0, pressure, below)
        points.append(MeasuredPoint(flow, pressure, kelvin, 0.02, 0.0, 0.0))
    one = bar(orifices={"only": orifice(measured=(points[0],))})
    both = bar(orifices={"only": orifice(measured=tuple(points))})
    less_sure(one, both, 30.0, 60.0, 85.0)
    assert edges(both, 85.0)[0] < 0.95 * edges(one, 85.0)[0]


@pytest.mark.parametrize("end", [-1.0, 0.0, 1.0])
def test_an_honest_point_is_taken_though_the_hose_pressure_is_only_estimated(end: float) -> None:
    """Thin plates (weight 0 known) on 12 ft of 1/4 in hose whose pressure is 30 % off the estimate, as allowed for."""
    hose = RowHose(line=Line(12 * FOOT, 0.25 * INCH), tolerance=0.3)
    kelvin, pressure = fahrenheit(50.0), 120 * PSI + AIR
    truth = Circuit(bar(row_hose=hose), (0,), (Case((0.62,), (0.0,), end),), np.array([kelvin]))
    flow = float(truth.state(pressure).flow[0, 0, 0]) / 8
    point = MeasuredPoint(flow, pressure, kelvin, 0.01, 0.0, 0.0)
    plate = orifice(flash_weight=0.0, coefficient_tolerance=0.03, measured=(point,))
    one = bar(orifices={"only": plate}, row_hose=hose)
    window(one, 50.0)
    bounds = Circuit(one, (0,), bounding_cases(one, (0,)), np.array([kelvin])).state(pressure).flow
    assert bounds.min() <= 8 * flow <= bounds.max()
    bare = replace(one, orifices={"only": replace(plate, measured=())})
    without = Circuit(bare, (0,), bounding_cases(bare, (0,)), np.array([kelvin])).state(pressure).flow
    assert np.ptp(bounds) <= np.ptp(without)


@pytest.mark.parametrize("hose", ["known", "estimated"])
@pytest.mark.parametrize(("then", "now"), [(-1.0, 1.0), (1.0, -1.0), (0.6, -0.3)])
def test_the_hoses_may_err_one_way_at_the_point_and_the_other_over_the_plan(hose: str, then: float, now: float) -> None:
    """A thin plate known but for 5 % of its coefficient, measured to 0.5 %: the truth stays between the windows.

    Truths by the reference, each with its own back pressure: in 5 to 20 psi, or off the estimate by up to 40 %.
    """
    low, high = 5 * PSI + AIR, 20 * PSI + AIR
    estimated = hose == "estimated"
    line = RowHose(line=Line(12 * FOOT, 0.25 * INCH)) if estimated else RowHose(back_pressure=(low, high))

    def truth(end: float, kelvin: float) -> ReferenceBar:
        below = None if estimated else 0.5 * (low + high) + end * 0.5 * (high - low)
        error = 0.4 * end if estimated else 0.0
        return ReferenceBar(bar(row_hose=line), kelvin, (0.62, 0.62), (0.1, 0.1), below, hose_error=error)

    pressure = 120 * PSI + AIR
    flow = truth(then, fahrenheit(50.0)).section_flow(0, pressure) / 8
    point = MeasuredPoint(flow, pressure, fahrenheit(50.0), 0.005)
    plate = orifice(coefficient_tolerance=0.05, flash_weight=0.1, measured=(point,))
    solved = window(bar(orifices={"only": plate}, row_hose=line), 20.0, 60.0)
    for at, degrees in enumerate((20.0, 60.0)):
        theirs = truth(now, fahrenheit(degrees))
        # Churchill's friction in the narrow hose against Colebrook's: 0.5 % of flow.
        slack = 5e-3 if estimated else 1e-3
        flows = {"liquid margin": theirs.margin_flow(), "rated pressure": theirs.rated_flow()}
        flows["pump pressure"] = theirs.rise_flow()
        for name, true in flows.items():
            ends = solved.certain[name][at], solved.possible[name][at]
            assert min(ends) * (1.0 - slack) <= true <= max(ends) * (1.0 + slack)


def test_points_measured_against_different_back_pressures_are_taken() -> None:
    """Orifices known exactly, one measured against each end of 5 to 20 psi; and one with a point at both."""
    low, high, pressure, kelvin = 5 * PSI + AIR, 20 * PSI + AIR, 120 * PSI + AIR, fahrenheit(50.0)
    plate = orifice(coefficient_tolerance=0.0, flash_weight=0.0)
    points = []
    for below in (low, high):
        flow = ReferenceBar(bar(), kelvin, (0.62,) * 2, (0.0,) * 2, below).row_flow(0, pressure, below)
        points.append(MeasuredPoint(flow, pressure, kelvin, 0.005, 0.0, 0.0))
    kinds = {name: replace(plate, name=name, measured=(point,)) for name, point in zip("ab", points, strict=True)}
    hose = RowHose(back_pressure=(low, high))
    apart = bar(sections=(Section("left", 8, "a"), Section("right", 8, "b")), orifices=kinds, row_hose=hose)
    together = bar(orifices={"only": replace(plate, measured=tuple(points))}, row_hose=hose)
    for one in (apart, together):
        assert np.isfinite(edges(one, 50.0)).all()
    tight = replace(together, row_hose=RowHose(back_pressure=(low, low + 1 * PSI)))
    with pytest.raises(BarError, match="does not fit the orifice"):
        window(tight, 50.0)


def test_a_point_that_contradicts_the_orifice_is_refused() -> None:
    with pytest.raises(BarError, match="does not fit the orifice"):
        window(_point_bar(30 * LB_PER_MIN, 130 * PSI, 50.0, 0.03), 50.0)
    with pytest.raises(BarError, match="at or below the vapour pressure"):
        window(_point_bar(5 * LB_PER_MIN, 60 * PSI, 50.0, 0.03), 50.0)


# ------------------------------------------------------------------------------------------- the possible window


def _open_bar() -> Bar:
    """The smallest bar that can be written: one orifice of 0.070 in, its flashing not known, 60 psi from the pump."""
    return change(bar(row_hose=RowHose()), "pump", max_rise=60 * PSI)


def test_a_weight_between_the_ends_can_allow_what_neither_end_does() -> None:
    """50 to 80 degF: with b = 0 the bar has no window at all, with 1 a low one, with 0.7 one that reaches far above."""
    one, plan = _open_bar(), temperature_grid(fahrenheit(50.0), fahrenheit(80.0))

    def over(weight: float | None) -> tuple[float, float]:
        kind = orifice(flash_weight=weight)
        bounds = flow_window(replace(one, orifices={"only": kind}), plan, (0, 1)).over_plan(
            certain=False, commanded=False
        )
        return bounds.low, bounds.high

    low, high = over(None)
    assert over(0.0)[0] > over(0.0)[1]
    assert over(0.7)[1] > 1.1 * over(1.0)[1]
    fine = [over(float(weight)) for weight in np.linspace(0.0, 1.0, 41)]
    some = [ends for ends in fine if ends[0] <= ends[1]]
    assert low <= min(first for first, _ in some) * (1 + ROUNDING)
    assert high >= max(last for _, last in some) * (1 - 1e-4)
    # And not wider than a step of the weight can make it.
    assert low >= 0.98 * min(first for first, _ in some)
    assert high <= 1.02 * max(last for _, last in some)


@st.composite
def _open_and_refined(draw: st.DrawFn) -> tuple[Bar, Bar]:
    """A bar with one to three kinds of orifice, and the same bar of which more is known."""
    names = "abc"[: draw(st.integers(1, 3))]
    tolerance = draw(st.sampled_from([0.0, 0.05, 0.08]))
    low, span = draw(st.floats(0.0, 8.0)), draw(st.sampled_from([0.0, 4.0, 10.0]))
    kinds, known = {}, {}
    below = (low + draw(st.floats(0.0, 1.0)) * span) * PSI + AIR
    for place, name in enumerate(names):
        kind = orifice(name, 0.060 + 0.012 * place, coefficient_tolerance=tolerance)
        kinds[name] = kind
        coefficient = 0.62 * (1.0 + tolerance * draw(st.floats(-1.0, 1.0)))
        weight = draw(st.floats(0.0, 1.0))
        sharper = draw(st.sampled_from(["weight", "all", "point", "nothing"]))
        if sharper == "weight":
            kind = replace(kind, flash_weight=weight)
        elif sharper == "all":
            left = tolerance - abs(coefficient / 0.62 - 1.0)
            kind = replace(
                kind,
                discharge_coefficient=coefficient,
                coefficient_tolerance=max(left * 0.62 / coefficient, 0.0) * draw(st.floats(0.0, 1.0)),
                flash_weight=weight,
            )
        elif sharper == "point":
            kelvin = fahrenheit(draw(st.floats(30.0, 65.0)))
            pressure = float(saturation(kelvin).pressure) + draw(st.floats(15.0, 70.0)) * PSI
            one = bar(orifices={"only": replace(kind, name="only")})
            flow = ReferenceBar(one, kelvin, (coefficient,) * 2, (weight,) * 2, below).row_flow(0, pressure, below)
            kind = replace(kind, measured=(MeasuredPoint(flow, pressure, kelvin, 0.03, 2 * PSI, 1.1),))
        known[name] = kind
    sections = tuple(
        Section(f"s{place}", 6, names[place % len(names)], draw(st.sampled_from([None, feed(9, 0.5), feed(2, 0.5)])))
        for place in range(3)
    )
    open_bar = bar(
        sections=sections,
        orifices=kinds,
        row_hose=RowHose(back_pressure=(low * PSI + AIR, (low + span) * PSI + AIR)),
        pump=Pump(draw(st.floats(8.0, 60.0)) * GPM, draw(st.sampled_from([50.0, 80.0, 110.0])) * PSI, 0.0, 0.5),
        meter=Meter(2e5, draw(st.floats(0.0, 12.0)) * GPM, 60 * GPM),
        control_valve=draw(st.sampled_from([None, ControlValve(30.0)])),
        suction=draw(st.sampled_from([None, Suction(1.0 * FOOT, feed(12, 1.5, 8.0))])),
    )
    hose = draw(st.sampled_from([open_bar.row_hose, RowHose(back_pressure=(below, below))]))
    return open_bar, replace(open_bar, orifices=known, row_hose=hose)


@laws(40)
@given(_open_and_refined(), st.floats(10, 80), st.sampled_from([0.0, 5.0, 15.0, 30.0]))
def test_what_is_certain_of_a_bar_better_known_was_possible_before(
    bars: tuple[Bar, Bar], degrees: float, span: float
) -> None:
    """Known weight, narrower coefficient, measured point, known back pressure, in any mixture of kinds."""
    plan = temperature_grid(fahrenheit(degrees), fahrenheit(degrees + span))
    wide, narrow = (flow_window(one, plan, (0, 1, 2)) for one in bars)
    sure, hoped = narrow.over_plan(certain=True, commanded=False), wide.over_plan(certain=False, commanded=False)
    if not sure.empty:
        # Lines between cases are straight where feeds bend them a little.
        assert hoped.low <= sure.low * (1 + 2e-3)
        assert sure.high <= hoped.high * (1 + 2e-3)
    (low, high), (least, most) = narrow.edges(certain=True), wide.edges(certain=False)
    holds = low <= high
    assert (least[holds] <= low[holds] * (1 + 2e-3)).all()
    assert (high[holds] <= most[holds] * (1 + 2e-3)).all()


def test_a_boiling_suction_costs_the_pump_some_of_its_rise() -> None:
    """At 20 degF the inlet of a boiling suction is psi lower than one full of liquid; both ends as in the reference."""
    suction = replace(_STRAINER, line=feed(12, 1.25, 20.0))
    one = sharp(change(bar(suction=suction), "pump", max_rise=60 * PSI), 0.0, below=6 * PSI + AIR)
    solved = window(one, 20.0)
    for ends, boiling in ((solved.certain, True), (solved.possible, False)):
        theirs = ReferenceBar(one, fahrenheit(20.0), (0.62,) * 2, (0.0,) * 2, 6 * PSI + AIR, boiling_suction=boiling)
        assert ends["pump pressure"][0] == pytest.approx(theirs.rise_flow(), rel=1e-3)
        assert ends["liquid margin"][0] == pytest.approx(theirs.margin_flow(), rel=1e-3)
    assert solved.certain["pump pressure"][0] < 0.995 * solved.possible["pump pressure"][0]


def _throat_flow(excess: float, kelvin: float) -> float:
    """Flow [kg/s] through a hole of 0.070 in with a long land, by Henry and Fauske's throat pressure (1971).

    2 rho (P0 - Pt) = (sg - sl) / [(vg - vl) N dsl/dp], N = min(x / 0.14, 1), x = (s0 - sl) / (sg - sl), all at the
    throat; the form from memory, the properties CoolProp's.
    """
    vapour, density, entropy = (PropsSI(name, "T", kelvin, "Q", 0, "Ammonia") for name in "PDS")
    upstream = vapour + excess

    def short(throat: float) -> float:
        sl, sg, vl, vg = (
            at if name == "S" else 1.0 / at
            for name in "SD"
            for at in (PropsSI(name, "P", throat, "Q", quality, "Ammonia") for quality in (0, 1))
        )
        slope = (PropsSI("S", "P", throat * 1.001, "Q", 0, "Ammonia") - sl) / (throat * 0.001)
        share = min(max((entropy - sl) / (sg - sl) / 0.14, 1e-9), 1.0)
        return float(2.0 * density * (upstream - throat) - (sg - sl) / ((vg - vl) * share * slope))

    throat = brentq(short, 0.3 * vapour, vapour * (1.0 - 1e-7))
    return float(0.62 * np.pi / 4 * (0.070 * INCH) ** 2 * np.sqrt(2.0 * density * (upstream - throat)))


@pytest.mark.parametrize("margins", [(20.0, 60.0), (30.0,), (60.0,)])
@pytest.mark.parametrize("degrees", [40.0, 60.0, 80.0])
def test_a_weight_that_rises_with_the_margin_stays_between_the_bounds(
    degrees: float, margins: tuple[float, ...]
) -> None:
    """Points exact to 0.5 % on an orifice whose throat pressure follows Henry and Fauske, at half and twice the margin.

    A constant weight through them is off by up to some percent outside the margins at which they were measured.
    """
    kelvin, below = fahrenheit(degrees), 10 * PSI + AIR
    vapour = float(saturation(kelvin).pressure)
    points = tuple(
        MeasuredPoint(_throat_flow(margin * PSI, kelvin), vapour + margin * PSI, kelvin, 0.005) for margin in margins
    )
    one = bar(
        orifices={"only": orifice(coefficient_tolerance=0.12, measured=points)},
        row_hose=RowHose(back_pressure=(below, below)),
        suction=Suction(200.0, None),  # no heat from the pump
    )
    circuit = Circuit(one, (0, 1), bounding_cases(one, (0, 1)), np.array([kelvin]))
    for margin in (0.5 * min(margins), 2.0 * max(margins)):
        flows = circuit.state(vapour + margin * PSI).flow / 16
        assert flows.min() * (1 - 1e-3) <= _throat_flow(margin * PSI, kelvin) <= flows.max() * (1 + 1e-3)


# ----------------------------------------------------------------------------------------------- pressure curve


def test_the_pressure_curve_is_the_solved_bar_at_those_flows() -> None:
    """Margin and gauge pressures of the curve against solving the bar at the very flow; within 0.1 psi."""
    one, kelvin = full_bar(), temperature_grid(fahrenheit(35.0), fahrenheit(50.0))
    curve = pressure_curve(one, kelvin, (0, 1, 2), np.ones(kelvin.size), 1.0)
    circuit = Circuit(one, (0, 1, 2), bounding_cases(one, (0, 1, 2)), kelvin)
    for flow in (0.005, 0.02, 0.1, 0.3, 0.5, 0.75, 0.95):
        state = circuit.at_flow(flow)
        assert curve.at("worst_margin", flow) == pytest.approx(state.liquid_margin.min(), abs=0.1 * PSI)
        assert curve.at("outlet_high", flow) == pytest.approx(state.outlet_pressure.max(), abs=0.1 * PSI)
        assert curve.at("outlet_low", flow) == pytest.approx(state.outlet_pressure.min(), abs=0.1 * PSI)
        assert curve.at("manifold_low", flow) == pytest.approx(state.manifold_pressure.min(), abs=0.1 * PSI)
        assert curve.at("manifold_high", flow) == pytest.approx(state.manifold_pressure.max(), abs=0.1 * PSI)
    assert (np.diff(curve.worst_margin) >= 0.0).all()
    assert (curve.worst_margin <= curve.likely_margin_low).all()
    assert (curve.likely_margin_low <= curve.likely_margin_high).all()


def test_the_pressure_curve_starts_where_flow_begins_and_goes_on_beyond_its_top() -> None:
    """At no flow the orifices hold back their effective pressure; beyond the top pressures go on with the flow squared.

    Known flashing and back pressure: Pb + b (Ps - Pb) by hand. Beyond, up to twice the top, against the bar solved
    there: heat and friction factors bend the square law by less than 1 % of the drive.
    """
    one, kelvin = sharp(full_bar(control_valve=None), 0.3, below=6 * PSI + AIR), np.array([fahrenheit(40.0)])
    curve = pressure_curve(one, kelvin, (0, 1, 2), np.ones(1), 0.5)
    vapour = float(saturation(kelvin[0]).pressure)
    below = 6 * PSI + AIR
    for name in ("manifold_low", "manifold_high", "outlet_low", "outlet_high"):
        assert curve.at(name, 0.0) == pytest.approx(below + 0.3 * (vapour - below), rel=1e-3)
    circuit = Circuit(one, (0, 1, 2), bounding_cases(one, (0, 1, 2)), kelvin)
    for flow in (0.5, 0.6, 0.75, 1.0):
        state = circuit.at_flow(flow)
        near = 0.01 * (state.outlet_pressure.max() - AIR)
        assert curve.at("outlet_high", flow) == pytest.approx(state.outlet_pressure.max(), abs=near)
        assert curve.at("worst_margin", flow) == pytest.approx(state.liquid_margin.min(), abs=near)


def test_a_margin_is_met_to_a_pascal_however_small_it_is() -> None:
    """Next to no margin wanted: the flow at which the liquid just begins to boil, as in the reference."""
    for wanted in (0.001 * PSI, 0.1 * PSI):
        one = change(sharp(bar(), 0.0, below=6 * PSI + AIR), "limits", liquid_margin=wanted)
        theirs = ReferenceBar(one, fahrenheit(45.0), (0.62,) * 2, (0.0,) * 2, 6 * PSI + AIR).margin_flow()
        assert window(one, 45.0).certain["liquid margin"][0] == pytest.approx(theirs, rel=1e-3)


def test_a_margin_that_heat_never_leaves_allows_no_flow() -> None:
    """A pump whose work nearly all boils the liquid: more pressure never gives the margin, and no flow is enough."""
    hopeless = change(change(bar(), "pump", efficiency=0.004), "limits", liquid_margin=0.1 * PSI)
    assert np.isinf(window(hopeless, 60.0).certain["liquid margin"]).all()


@pytest.mark.parametrize("degrees", [-54.6, -40.0, 0.0, 130.0, 143.0])
@pytest.mark.parametrize("head", [-3.0, 0.0, 4.0])
def test_windows_at_the_ends_of_the_property_table_are_numbers(degrees: float, head: float) -> None:
    """Cold: vapour pressure below the air's. Hot: vapour pressure above the rated one, so no flow is allowed."""
    solved = window(full_bar(suction=Suction(head * FOOT, feed(12, 1.5, 8.0))), degrees)
    low, high = solved.edges(certain=True)
    assert np.isfinite(high).all()
    assert not np.isnan(low).any()
    if degrees > 120.0:
        assert high[0] == 0.0
        assert window(full_bar(), degrees).edge_limits(certain=True)[1] == ["rated pressure"]
