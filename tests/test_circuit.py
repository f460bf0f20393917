"""The solved bar against an independent reference (tests/reference_bar.py), and its laws."""

from __future__ import annotations

import functools
import itertools
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from bars import AIR, FOOT, GPM, INCH, PSI, bar, change, every_section, fahrenheit, feed, full_bar, orifice, sharp_bar
from hypothesis import given
from hypothesis import strategies as st
from laws import laws
from reference_bar import ReferenceBar

from geoflow.bar.equipment import Bar, ControlValve, Line, MeasuredPoint, Orifice, RowHose, Section, Suction
from geoflow.bar.sections_in_use import choose_sections
from geoflow.base.errors import BarError, RangeError, UsageError
from geoflow.hydraulics.case import Case
from geoflow.hydraulics.cases import bounding_cases, central_cases
from geoflow.hydraulics.circuit import Circuit
from geoflow.hydraulics.rows import row_split
from geoflow.hydraulics.window import FlowWindow, flow_window

COEFFICIENT = 0.62
BELOW = 6.5 * PSI + AIR
# 5,000 ft in the U.S. Standard Atmosphere, 1976 (table value 843.1 mbar).
THIN_AIR = 84307.0

_UNEQUAL = (Section("left", 8, "small"), Section("right", 4, "large"))
_TWO = {"small": orifice("small", 0.060), "large": orifice("large", 0.100)}
_FED = (Section("left", 6, "only", feed(25, 0.5, 6.0)), Section("right", 10, "only", feed(2, 0.75, 1.0)))
_SUCTION = Suction(1.5 * FOOT, feed(12, 1.25, 8.0))

BARS: dict[str, Bar] = {
    "equal sections": bar(),
    "unequal orifices": bar(sections=_UNEQUAL, orifices=_TWO),
    "unequal feeds": bar(sections=_FED),
    "orifices and feeds": full_bar(suction=None, control_valve=None),
    "tight valve": bar(control_valve=ControlValve(12.0, 0.85)),
    "suction with loss": bar(suction=_SUCTION),
    "suction by gravity": bar(suction=Suction(2.0 * FOOT, None)),
    "suction lift": bar(suction=Suction(-1.0 * FOOT, feed(6, 1.5, 4.0, roughness=2e-5))),
    "everything": full_bar(),
    "open rows": full_bar(row_hose=RowHose()),
    "estimated row hose": full_bar(row_hose=RowHose(line=Line(8 * FOOT, 0.375 * INCH))),
    "estimated narrow hose": bar(row_hose=RowHose(line=Line(12 * FOOT, 0.25 * INCH, 0.0, 1e-5))),
    "high country": full_bar(air_pressure=THIN_AIR, row_hose=RowHose()),
    "poor pump": change(full_bar(), "pump", efficiency=0.25),
}


# Relative agreement asked for. Where the row hose is estimated, its friction is a good part of what drives the flow,
# and Churchill's factor may differ from Colebrook's by 1.5 %; elsewhere friction is a few percent of the drive.
# The estimate of the hose also starts from the tank's heat, without the pump's work: up to 0.3 % of the flow more with
# 12 ft of 1/4 in hose and thin plates, far inside the hose's own tolerance of 40 % of the back pressure.
AGREEMENT = {
    name: 5e-3 if name == "estimated narrow hose" else 3e-3 if one.row_hose.line else 1e-3 for name, one in BARS.items()
}


def exact(name: str, weight: float) -> tuple[Bar, float | None]:
    """Return the bar without any uncertainty, and its back pressure where that is known."""
    base = BARS[name]
    below = None if base.row_hose.back_pressure is None else BELOW
    return sharp_bar(base, weight, COEFFICIENT, below), below


def reference(name: str, weight: float, temperature: float, *, boiling: bool = False) -> ReferenceBar:
    one, below = exact(name, weight)
    count = len(one.sections)
    return ReferenceBar(one, temperature, (COEFFICIENT,) * count, (weight,) * count, below, boiling_suction=boiling)


_DEGREES = (-35.0, 5.0, 40.0, 75.0, 100.0)


@functools.cache
def solved(name: str, weight: float) -> FlowWindow:
    """geoflow's window at all of the temperatures."""
    one, _ = exact(name, weight)
    return flow_window(one, np.array([fahrenheit(degrees) for degrees in _DEGREES]), every_section(one))


@pytest.mark.parametrize(("name", "degrees", "weight"), list(itertools.product(BARS, _DEGREES, (0.0, 0.4, 1.0))))
def test_limits_agree_with_the_reference(name: str, degrees: float, weight: float) -> None:
    """Flow at each limit within 0.1 %, 0.3 % with an estimated row hose; suction within 0.005 of the capacity.

    What may differ: Churchill's friction factor against Colebrook's (see AGREEMENT), liquid properties in the lines at
    saturation instead of at pressure (0.3 % of that loss), the property table (5e-6), 64 points of hose pressure; in
    the suction Leung's closed form against the exact flash (under 0.005 of the capacity up to 5 psi: test_pumps.py).
    """
    at = _DEGREES.index(degrees)
    certain, possible = (
        {limit: float(flows[at]) for limit, flows in ends.items()}
        for ends in (solved(name, weight).certain, solved(name, weight).possible)
    )
    for ours, boiling in ((certain, True), (possible, False)):
        theirs = reference(name, weight, fahrenheit(degrees), boiling=boiling)
        assert ours["liquid margin"] == pytest.approx(theirs.margin_flow(), rel=AGREEMENT[name])
        assert ours["rated pressure"] == pytest.approx(theirs.rated_flow(), rel=AGREEMENT[name])
        rise = theirs.rise_flow()
        # A flow that chokes in the boiling suction has no inlet pressure to compare.
        if not boiling or rise < theirs.suction_flow():
            assert ours["pump pressure"] == pytest.approx(rise, rel=AGREEMENT[name])
        else:
            assert ours["pump pressure"] > (1.0 - AGREEMENT[name]) * theirs.suction_flow()
        for limit, flow in theirs.volume_flows().items():
            assert ours[limit] == pytest.approx(flow, rel=1e-5)
    assert certain["suction"] == pytest.approx(theirs.suction_flow(), abs=5e-3 * theirs.volume_flows()["pump flow"])


@pytest.mark.parametrize(("name", "degrees", "gallons"), list(itertools.product(BARS, (15.0, 60.0), (8.0, 20.0))))
def test_operating_point_agrees_with_the_reference(name: str, degrees: float, gallons: float) -> None:
    """Section flows within 0.1 %, pressures within 0.1 % of the drive from pump to air (estimated hose 0.3 %)."""
    temperature, weight = fahrenheit(degrees), 0.3
    one, _ = exact(name, weight)
    theirs = reference(name, weight, temperature)
    flow = gallons * GPM * theirs.density
    point = theirs.at_flow(flow)
    case = Case((COEFFICIENT,) * len(one.sections), (weight,) * len(one.sections), 0.0)
    state = Circuit(one, every_section(one), (case,), np.array([temperature])).at_flow(flow)
    assert state.section_flow[0, 0, 0] == pytest.approx(point.section_flow, rel=1e-3)
    drive = AGREEMENT[name] * (point.outlet - AIR)
    assert state.manifold_pressure[0, 0, 0] == pytest.approx(point.manifold, abs=drive)
    assert state.outlet_pressure[0, 0, 0] == pytest.approx(point.outlet, abs=drive)
    assert state.inlet_pressure[0, 0, 0] == pytest.approx(point.inlet, abs=0.01 * PSI)
    assert state.liquid_margin[0, 0, 0] == pytest.approx(point.margin, abs=2.0 * drive)


@pytest.mark.parametrize("degrees", [15.0, 60.0])
def test_some_sections_off_agrees_with_the_reference(degrees: float) -> None:
    temperature = fahrenheit(degrees)
    one, below = exact("everything", 0.0)
    theirs = ReferenceBar(one, temperature, (COEFFICIENT,) * 2, (0.0,) * 2, below, sections=(0, 2))
    ours = flow_window(one, np.array([temperature]), (0, 2))
    assert ours.rows == 10
    assert ours.width == pytest.approx(10 * 30 * INCH)
    assert ours.certain["liquid margin"][0] == pytest.approx(theirs.margin_flow(), rel=1e-3)
    assert ours.certain["rated pressure"][0] == pytest.approx(theirs.rated_flow(), rel=1e-3)


@pytest.mark.parametrize(("degrees", "weight"), [(20.0, 1.0), (60.0, 1.0), (60.0, 0.4)])
def test_the_pumps_heat_is_counted_at_the_orifices(degrees: float, weight: float) -> None:
    """A pump of efficiency 0.4 against one that makes next to no heat: the rated pressure drives less through.

    The pressure itself is the same, so all of the loss is the higher vapour pressure (and, little, the lower density)
    at the orifices. The reference has both from CoolProp's enthalpies.
    """
    one, below = exact("everything", weight)
    kelvin = fahrenheit(degrees)
    ours, theirs = [], []
    for efficiency in (0.4, 1.0):
        fitted = change(one, "pump", efficiency=efficiency)
        ours.append(flow_window(fitted, np.array([kelvin]), (0, 1, 2)).certain["rated pressure"][0])
        theirs.append(ReferenceBar(fitted, kelvin, (COEFFICIENT,) * 3, (weight,) * 3, below).rated_flow())
    assert 1.0 - theirs[0] / theirs[1] > 0.002
    assert ours[0] / ours[1] == pytest.approx(theirs[0] / theirs[1], abs=1e-3)


def test_row_flows_go_with_orifice_areas_where_nothing_is_lost() -> None:
    """Closed form: at one manifold pressure the flow through an orifice goes with its area."""
    one = sharp_bar(BARS["unequal orifices"], 0.35, below=BELOW)
    split = row_split(one, fahrenheit(45), (0, 1), 0.8)
    assert split.row_flow[1] / split.row_flow[0] == pytest.approx((0.100 / 0.060) ** 2, rel=1e-12)
    assert 8 * split.row_flow[0] + 4 * split.row_flow[1] == pytest.approx(0.8, rel=1e-9)
    assert split.manifold_pressure[0] == split.manifold_pressure[1] == split.node_pressure
    mean = (8 * 0.060**2 + 4 * 0.100**2) / 12
    assert split.off_mean == pytest.approx([0.060**2 / mean - 1.0, 0.100**2 / mean - 1.0], rel=1e-9)


def test_feeds_take_flow_from_the_larger_orifice() -> None:
    """With feeds the larger orifice loses more before it, so its share stays below that of its area."""
    sections = (Section("left", 8, "small", feed(9, 0.5)), Section("right", 8, "large", feed(9, 0.5)))
    one = sharp_bar(bar(sections=sections, orifices=_TWO), 0.0, below=BELOW)
    split = row_split(one, fahrenheit(45), (0, 1), 0.9)
    theirs = ReferenceBar(one, fahrenheit(45), (COEFFICIENT,) * 2, (0.0,) * 2, BELOW).at_flow(0.9)
    ratio = split.row_flow[1] / split.row_flow[0]
    assert ratio == pytest.approx(theirs.section_flow[1] / theirs.section_flow[0], rel=1e-3)
    assert 1.5 < ratio < 0.95 * (0.100 / 0.060) ** 2


@pytest.mark.parametrize("degrees", [-10.0, 25.0, 55.0, 85.0])
@pytest.mark.parametrize("weights", [(1.0, 0.0), (0.0, 1.0), (0.7, 0.1)])
def test_sections_that_flash_differently_agree_with_the_reference(degrees: float, weights: tuple[float, float]) -> None:
    """Bores of 0.045 and 0.125 in on one bar, one long land and one thin plate, other coefficients, at every limit."""
    kinds = {
        name: orifice(name, inches, discharge_coefficient=cd, coefficient_tolerance=0.0, flash_weight=weight)
        for name, inches, cd, weight in (("fine", 0.045, 0.80, weights[0]), ("wide", 0.125, 0.61, weights[1]))
    }
    one = bar(
        sections=(Section("left", 10, "fine", feed(20, 0.5)), Section("right", 4, "wide", feed(6, 0.75))),
        orifices=kinds,
        row_hose=RowHose(back_pressure=(BELOW, BELOW)),
    )
    kelvin = fahrenheit(degrees)
    theirs = ReferenceBar(one, kelvin, (0.80, 0.61), weights, BELOW)
    ours = flow_window(one, np.array([kelvin]), (0, 1))
    for ends in (ours.certain, ours.possible):
        assert ends["liquid margin"][0] == pytest.approx(theirs.margin_flow(), rel=1e-3, abs=1e-9)
        assert ends["rated pressure"][0] == pytest.approx(theirs.rated_flow(), rel=1e-3)
        assert ends["pump pressure"][0] == pytest.approx(theirs.rise_flow(), rel=1e-3)
    for flow in (0.5, max(0.5, 1.2 * theirs.margin_flow())):
        split = row_split(one, kelvin, (0, 1), flow)
        point = theirs.at_flow(flow)
        # Where the liquid boils ahead of the long land next to nothing drives it through (at 55 degF 0.14 psi, so that
        # 0.0003 psi are 0.1 % of its flow): there, 0.1 % of the greater section's flow is asked for.
        spare = 0.0 if point.margin > 0.0 else 1e-3 * max(point.section_flow)
        assert split.row_flow * np.array([10, 4]) == pytest.approx(point.section_flow, rel=1e-3, abs=spare)
    assert point.margin > 0.0


@laws(25)
@given(
    st.sampled_from(list(BARS)),
    st.floats(-20, 110),
    st.floats(0.0, 1.0),
    st.floats(20.0, 250.0),
    st.floats(1.0, 50.0),
)
def test_flow_rises_with_node_pressure_and_is_the_sum_of_the_sections(
    name: str, degrees: float, weight: float, psig: float, step: float
) -> None:
    one, _ = exact(name, weight)
    case = Case((COEFFICIENT,) * len(one.sections), (weight,) * len(one.sections), 0.0)
    circuit = Circuit(one, every_section(one), (case,), np.array([fahrenheit(degrees)]))
    state = circuit.state(np.array([psig, psig + step]) * PSI + AIR)
    low, high = state.flow[0, 0]
    assert high > low or (high == low == 0.0)
    assert state.section_flow.sum(axis=-1) == pytest.approx(state.flow)
    if low > 0.0:
        assert state.outlet_pressure[0, 0, 1] > state.outlet_pressure[0, 0, 0]
        assert circuit.at_flow(float(low)).flow[0, 0, 0] == pytest.approx(low, rel=1e-6)


@laws(20)
@given(st.sampled_from(["unequal feeds", "estimated row hose", "everything"]), st.floats(1.02, 1.5), st.floats(0, 90))
def test_flow_rises_with_diameter(name: str, scale: float, degrees: float) -> None:
    one, _ = exact(name, 0.3)
    larger = {key: replace(kind, diameter=kind.diameter * scale) for key, kind in one.orifices.items()}
    case = Case((COEFFICIENT,) * len(one.sections), (0.3,) * len(one.sections), 0.0)
    states = [
        Circuit(item, every_section(item), (case,), np.array([fahrenheit(degrees)])).state(250 * PSI)
        for item in (one, replace(one, orifices=larger))
    ]
    assert (states[1].section_flow > states[0].section_flow).all()
    # With the square of the bore where nothing is lost, and less than that here.
    assert states[1].flow[0, 0, 0] < states[0].flow[0, 0, 0] * scale**2


@pytest.mark.parametrize("degrees", [-54.0, -30.0, 60.0, 142.0])
@pytest.mark.parametrize("name", list(BARS))
def test_nothing_flows_below_the_pressure_under_the_orifices(name: str, degrees: float) -> None:
    """No flow, no NaN and no negative pressure with the node at the site's air pressure, at either end of the table."""
    base = BARS[name]
    circuit = Circuit(
        base, every_section(base), bounding_cases(base, every_section(base)), np.array([fahrenheit(degrees)])
    )
    state = circuit.state(base.air_pressure)
    assert (state.flow == 0.0).all()
    for values in (state.outlet_pressure, state.inlet_pressure, state.manifold_pressure, state.liquid_margin):
        assert np.isfinite(values).all()


@laws(25)
@given(st.data())
def test_no_truth_inside_the_uncertainty_lies_outside_the_bounds(data: Any) -> None:
    """Any coefficient, flashing weight and back pressure inside their ranges gives flows between the two windows."""
    tolerance = 0.06
    base = full_bar(
        orifices={
            name: orifice(name, inches, coefficient_tolerance=tolerance)
            for name, inches in (("small", 0.070), ("large", 0.080))
        }
    )
    degrees = data.draw(st.floats(0, 95))
    low, high = base.row_hose.back_pressure or (AIR, AIR)
    truth = {
        name: replace(
            kind,
            discharge_coefficient=COEFFICIENT * (1.0 + data.draw(st.floats(-tolerance, tolerance))),
            coefficient_tolerance=0.0,
            flash_weight=data.draw(st.floats(0.0, 1.0)),
        )
        for name, kind in base.orifices.items()
    }
    below = low + data.draw(st.floats(0.0, 1.0)) * (high - low)
    sure = replace(base, orifices=truth, row_hose=RowHose(back_pressure=(below, below)))
    kelvin = np.array([fahrenheit(degrees)])
    bounds, true = flow_window(base, kelvin, (0, 1, 2)), flow_window(sure, kelvin, (0, 1, 2)).certain
    rounding = 1e-9
    flow = true["liquid margin"][0]
    assert bounds.possible["liquid margin"][0] <= flow * (1 + rounding)
    assert flow <= bounds.certain["liquid margin"][0] * (1 + rounding)
    for name in ("rated pressure", "pump pressure"):
        assert bounds.certain[name][0] <= true[name][0] * (1 + rounding)
        assert true[name][0] <= bounds.possible[name][0] * (1 + rounding)


@laws(25)
@given(st.floats(-0.08, 0.08), st.floats(0.0, 1.0), st.floats(30, 65), st.floats(0, 95), st.floats(-0.03, 0.03))
def test_a_measured_point_never_shuts_out_the_truth_it_was_taken_from(
    off: float, weight: float, measured_at: float, degrees: float, error: float
) -> None:
    """A point made by a known truth, which is off the measured flow by no more than the tolerance, a share of it."""
    below = 6 * PSI + AIR
    truth = sharp_bar(bar(), weight, COEFFICIENT * (1.0 + off), below)
    pressure, kelvin = 110 * PSI + AIR, fahrenheit(measured_at)
    found = ReferenceBar(truth, kelvin, (COEFFICIENT * (1.0 + off),) * 2, (weight,) * 2, below).point(pressure)
    # Measured "there", at the orifice: behind the pump, which warmed the liquid.
    point = MeasuredPoint(found.flow / 16 / (1.0 + 0.99 * error), pressure, found.orifice_temperature, 0.03, 0.0, 0.0)
    guess = bar(orifices={"only": orifice(measured=(point,))}, row_hose=RowHose(back_pressure=(below, below)))
    at = np.array([fahrenheit(degrees)])
    bounds, true = flow_window(guess, at, (0, 1)), flow_window(truth, at, (0, 1)).certain
    # 0.05 %: the reference takes the density at the pressure from CoolProp, geoflow from the compressibility.
    assert bounds.possible["liquid margin"][0] * 0.9995 <= true["liquid margin"][0]
    assert true["liquid margin"][0] <= bounds.certain["liquid margin"][0] * 1.0005
    assert bounds.certain["rated pressure"][0] * 0.9995 <= true["rated pressure"][0]
    assert true["rated pressure"][0] <= bounds.possible["rated pressure"][0] * 1.0005


@laws(20)
@given(
    st.floats(-0.08, 0.08), st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.floats(0.0, 6.0), st.floats(30, 60), st.data()
)
def test_a_point_measured_against_a_roughly_known_back_pressure_does_not_either(
    off: float, weight: float, share: float, span: float, measured_at: float, data: Any
) -> None:
    """The back pressure anywhere in up to 6 psi, coefficient and flashing as little known as by default."""
    low, pressure, kelvin = 5 * PSI + AIR, 115 * PSI + AIR, fahrenheit(measured_at)
    below = low + share * span * PSI
    flow = ReferenceBar(bar(), kelvin, (COEFFICIENT * (1.0 + off),) * 2, (weight,) * 2, below).row_flow(
        0, pressure, below
    )
    error = data.draw(st.floats(-0.99, 0.99)) * 0.03
    point = MeasuredPoint(flow / (1.0 + error), pressure, kelvin, 0.03, 0.0, 0.0)
    hose = RowHose(back_pressure=(low, low + span * PSI))
    held(orifice(measured=(point,)), hose, sharp_bar(bar(), weight, COEFFICIENT * (1.0 + off), below))


def held(kind: Orifice, hose: RowHose, truth: Bar) -> None:
    """Hold the truth's pressure limits inside the bounds of a bar with this orifice."""
    at = np.array([fahrenheit(degrees) for degrees in (20.0, 40.0, 60.0)])
    bounds, true = flow_window(bar(orifices={"only": kind}, row_hose=hose), at, (0, 1)), flow_window(truth, at, (0, 1))
    # 0.05 %: the reference takes the density at the pressure from CoolProp, geoflow from the compressibility.
    for name in ("rated pressure", "pump pressure"):
        assert (bounds.certain[name] * 0.9995 <= true.certain[name]).all()
        assert (true.certain[name] <= bounds.possible[name] * 1.0005).all()
    assert (bounds.possible["liquid margin"] * 0.9995 <= true.certain["liquid margin"]).all()
    assert (true.certain["liquid margin"] <= bounds.certain["liquid margin"] * 1.0005).all()


@pytest.mark.parametrize("tolerance", [pytest.param(0.0, id="refused"), pytest.param(0.03, id="bounded too narrowly")])
def test_a_point_on_a_well_known_orifice_holds_the_truth_between_the_ends_of_the_back_pressure(
    tolerance: float,
) -> None:
    """Flashing known (0.1), back pressure known to lie between 5 and 20 psi, flow measured to 0.5 %."""
    low, span, pressure, kelvin = 5 * PSI + AIR, 15 * PSI, 115 * PSI + AIR, fahrenheit(50.0)
    below, coefficient = low + 0.36 * span, COEFFICIENT * (1.0 + tolerance)
    flow = ReferenceBar(bar(), kelvin, (coefficient,) * 2, (0.1,) * 2, below).row_flow(0, pressure, below)
    point = MeasuredPoint(flow, pressure, kelvin, 0.005, 0.0, 0.0)
    kind = orifice(coefficient_tolerance=tolerance, flash_weight=0.1, measured=(point,))
    held(kind, RowHose(back_pressure=(low, low + span)), sharp_bar(bar(), 0.1, coefficient, below))


def test_a_flow_that_cannot_be_reached_is_refused() -> None:
    """The bar is solved up to 1 MPa above its ratings; what takes more is no operating point."""
    one = full_bar()
    circuit = Circuit(one, (0, 1, 2), bounding_cases(one, (0, 1, 2)), np.array([fahrenheit(45.0)]))
    assert circuit.at_flow(1.0).flow == pytest.approx(1.0, rel=1e-6)
    with pytest.raises(RangeError, match="far above every rating"):
        circuit.at_flow(100.0)
    with pytest.raises(RangeError, match="far above every rating"):
        row_split(one, fahrenheit(45.0), (0, 1, 2), 100.0)


def test_the_central_case_lies_between_the_bounds() -> None:
    base = full_bar(
        orifices={"small": orifice("small", land=1.5e-3), "large": orifice("large", 0.080, land=1.5e-3)},
        row_hose=RowHose(line=Line(8 * FOOT, 0.375 * INCH)),
    )
    kelvin = np.array([fahrenheit(degrees) for degrees in (0.0, 30.0, 60.0, 90.0)])
    bounds = Circuit(base, (0, 1, 2), bounding_cases(base, (0, 1, 2)), kelvin).state(220 * PSI).flow
    middle = Circuit(base, (0, 1, 2), (central_cases(base, (0, 1, 2))[1],), kelvin).state(220 * PSI).flow
    assert (bounds.min(axis=0) < middle[0]).all()
    assert (middle[0] < bounds.max(axis=0)).all()


def test_too_many_kinds_of_orifice_are_refused() -> None:
    kinds = {f"k{number}": orifice(f"k{number}", 0.06 + 0.002 * number) for number in range(7)}
    base = bar(sections=tuple(Section(name, 2, name) for name in kinds), orifices=kinds)
    with pytest.raises(BarError, match="7 kinds of orifice"):
        bounding_cases(base, every_section(base))
    assert len(bounding_cases(base, tuple(range(6)))) == 2**6 * 2


def test_sections_are_chosen_by_name() -> None:
    base = full_bar()
    assert choose_sections(base, None) == (0, 1, 2)
    assert choose_sections(base, ["right", "left"]) == (0, 2)
    with pytest.raises(UsageError, match=r"no section 'midle'.*did you mean 'middle'"):
        choose_sections(base, ["midle"])
    with pytest.raises(UsageError, match="no section is on"):
        choose_sections(base, [])
