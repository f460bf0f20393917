"""Measured points as people read them: every way of saying one comes to the same flow, pressure and temperature.

Expected values come by hand arithmetic from NIST SP 811 unit factors and from CoolProp's own ammonia, not from
geoflow's table.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import bar_files
import numpy as np
import pytest
from bars import AIR, GPM, LB_PER_AC, LB_PER_MIN, MPH, PSI, every_section, fahrenheit
from CoolProp.CoolProp import PropsSI
from fluids.friction import friction_factor
from hypothesis import given
from hypothesis import strategies as st
from laws import laws

from geoflow.bar.bar_file import parse_bar
from geoflow.bar.equipment import Bar, MeasuredPoint
from geoflow.base.errors import BarError, QuantityError
from geoflow.hydraulics.cases import central_cases
from geoflow.hydraulics.circuit import Circuit
from geoflow.options.typed import PlanOptions
from geoflow.report.bar_words import bar_report
from geoflow.report.liquid_words import said_liquid
from geoflow.report.terminal import as_text
from geoflow.workflow.bar_plan import make_plan

COUNTING = 2.0 / 100.0


def bar_with(point: dict[str, Any], **changes: Any) -> Bar:
    """The minimal bar (8 rows at 30 in, 0.070 in) with one point."""
    mapping = bar_files.minimal()
    mapping["orifices"]["small"]["measured"] = [point]
    for part, values in changes.items():
        mapping[part] = {**mapping[part], **values} if isinstance(values, dict) else values
    return parse_bar(mapping)


def the_point(point: dict[str, Any], **changes: Any) -> MeasuredPoint:
    """That point, worked out."""
    return bar_with(point, **changes).orifices["small"].measured[0]


def density(kelvin: float) -> float:
    """Of saturated liquid ammonia [kg/m3]."""
    return float(PropsSI("D", "T", kelvin, "Q", 0, "Ammonia"))


WARM = {"pressure": "120 psi", "temperature": "50 degF"}


def test_flows_of_the_whole_bar_come_to_one_row() -> None:
    rho = density(fahrenheit(50.0))
    # 8 rows; 10 gpm; 700 pulses to the gallon.
    each = 10.0 * GPM * rho / 8.0
    for said in ("10 gpm", "37.85411784 L/min", f"{10.0 * 700 / 60.0} pulses/s", f"{10.0 * 700 / 60.0} Hz"):
        found = the_point({"bar_flow": said, **WARM})
        assert found.flow == pytest.approx(each, rel=2e-3)
        # The meter's 3 %, and the density over 2 degF either way: 0.15 % of it to a degree.
        swing = abs(density(fahrenheit(52.0)) - density(fahrenheit(48.0))) / (2.0 * rho)
        assert found.flow_tolerance == pytest.approx(0.03 + swing, rel=0.02)
    weighed = the_point({"bar_flow": f"{10.0 * GPM * rho / LB_PER_MIN} lb NH3/min", **WARM})
    assert weighed.flow == pytest.approx(each, rel=1e-9) and weighed.flow_tolerance == 0.03


def test_a_rate_at_a_speed_is_the_controllers_flow() -> None:
    said = {"rate": "150 lb N/ac", "speed": "5 mph", **WARM}
    each = 150.0 * LB_PER_AC * 30 * 0.0254 * 5.0 * MPH / 0.82
    found = the_point(said)
    assert found.flow == pytest.approx(each, rel=1e-9) and found.flow_tolerance == 0.05
    fixed = the_point(said, meter={"reference_temperature": "80 degF"})
    assert fixed.flow == pytest.approx(each * density(fahrenheit(50.0)) / density(fahrenheit(80.0)), rel=2e-3)


def test_a_weighed_load_over_a_time() -> None:
    found = the_point({"load": "1200 lb NH3", "time": "30 min", **WARM})
    assert found.flow == pytest.approx(1200.0 / 30.0 / 8.0 * LB_PER_MIN, rel=1e-9) and found.flow_tolerance == COUNTING
    own = the_point({"load": "1200 lb NH3", "time": "0.5 h", "flow_tolerance": 0.01, **WARM})
    assert own.flow == pytest.approx(found.flow, rel=1e-12) and own.flow_tolerance == 0.01


@laws(30)
@given(gauge=st.floats(20.0, 250.0), feet=st.floats(-1000.0, 9000.0))
def test_a_tank_gauge_is_the_temperature_at_which_ammonia_boils(gauge: float, feet: float) -> None:
    # U.S. Standard Atmosphere 1976, troposphere.
    air = AIR * (1.0 - 0.0065 * feet * 0.3048 * 6356766.0 / (6356766.0 + feet * 0.3048) / 288.15) ** 5.25588
    want = PropsSI("T", "P", gauge * PSI + air, "Q", 0, "Ammonia")
    bar = parse_bar({**bar_files.minimal(), "elevation": f"{feet} ft"})
    plan = make_plan(bar, PlanOptions(bar="", temperature=f"{gauge} psi", speed="5 mph"))
    assert plan.temperature[0] == plan.temperature[1] == pytest.approx(want, abs=0.05)
    slope = PropsSI("P", "T", want + 0.5, "Q", 0, "Ammonia") - PropsSI("P", "T", want - 0.5, "Q", 0, "Ammonia")
    point = the_point({"flow": "5.1 lb NH3/min", "pressure": "400 psi", "temperature": f"{gauge} psi"},
                      elevation=f"{feet} ft")  # fmt: skip
    assert point.temperature == pytest.approx(want, abs=0.05)
    assert point.temperature_tolerance == pytest.approx(2.0 * PSI / slope, rel=0.01)


def test_a_tank_gauge_is_said_back() -> None:
    bar = parse_bar(bar_files.minimal())
    plan = make_plan(bar, PlanOptions(bar="", temperature="78 psi", speed="5 mph"))
    # Saturation pressure at 52.0 degF is 78 psi gauge at sea level, at 41.1 degF 60 psi (CoolProp).
    assert said_liquid(plan, "us") == "52 °F (tank gauge 78 psi)"
    span = make_plan(bar, PlanOptions(bar="", temperature="60..78 psi"))
    assert said_liquid(span, "us") == "41 to 52 °F (tank gauge 60 to 78 psi)"
    assert said_liquid(replace(span, tank_gauge=None), "us").endswith(" °F")


@pytest.mark.parametrize("said", ["900 psi", "5 psia", "12 gal", "psi"])
def test_what_is_no_liquid_temperature(said: str) -> None:
    with pytest.raises(QuantityError) as caught:
        make_plan(parse_bar(bar_files.minimal()), PlanOptions(bar="", temperature=said))
    assert caught.value.where == "--temperature" and "78 psi" in caught.value.cure


FEED = {"length": "30 ft", "bore": "0.5 in", "fittings_k": 4.0}


def test_a_gauge_after_the_valve_is_less_what_the_feeds_lose() -> None:
    mapping = bar_files.minimal()
    mapping["sections"][0]["feed"] = FEED
    mapping["orifices"]["small"]["measured"] = [{"flow": "5 lb NH3/min", "pressure_after_valve": "130 psi",
                                                 "temperature": "50 degF"}]  # fmt: skip
    point = parse_bar(mapping).orifices["small"].measured[0]
    # Darcy-Weisbach with fluids' friction factor.
    flow, rho, bore = 8 * 5.0 * LB_PER_MIN, density(fahrenheit(50.0)), 0.5 * 0.0254
    speed = flow / rho / (0.25 * math.pi * bore**2)
    factor = friction_factor(rho * speed * bore / PropsSI("V", "T", fahrenheit(50.0), "Q", 0, "Ammonia"), 0.0)
    loss = (factor * 30 * 0.3048 / bore + 4.0) * 0.5 * rho * speed**2
    assert point.pressure == pytest.approx(130 * PSI + AIR - loss, abs=0.02 * loss)
    # 20 % of the loss, and 3 % of flow either way, on top of the gauge.
    assert point.pressure_tolerance == pytest.approx(2 * PSI + 0.26 * loss, abs=0.03 * loss)


@laws(12)
@given(st.data())
def test_the_true_orifice_lies_within_a_point_read_after_the_valve(data: st.DataObject) -> None:
    """Unequal feeds: the mean flow of the rows is that of a pressure within what the point says."""
    mapping = bar_files.minimal()
    draw = data.draw
    mapping["sections"] = [
        {"name": name, "rows": draw(st.integers(2, 8)), "orifice": "small",
         "feed": {"length": f"{draw(st.floats(1, 30))} ft", "bore": "0.5 in", "fittings_k": draw(st.floats(0, 8))}}
        for name in ("left", "middle", "right")
    ]  # fmt: skip
    mapping["orifices"]["small"] |= {"flash_weight": draw(st.floats(0, 1)), "coefficient_tolerance": 0.0}
    bar = parse_bar(mapping)
    kelvin = fahrenheit(draw(st.floats(30, 70)))
    circuit = Circuit(bar, every_section(bar), (central_cases(bar, every_section(bar))[1],), np.array([kelvin]))
    state = circuit.state(float(circuit.saturated.pressure[0, 0, 0]) + draw(st.floats(8, 80)) * PSI)
    if float(state.liquid_margin[0, 0, 0]) < 2 * PSI:
        return
    mapping["orifices"]["small"]["measured"] = [{
        "bar_flow": f"{float(state.flow[0, 0, 0]) / LB_PER_MIN} lb NH3/min",
        "pressure_after_valve": f"{float(state.node_pressure[0, 0, 0]) / PSI} psia",
        "temperature": f"{kelvin} K", "flow_tolerance": 0.0, "pressure_tolerance": "0 psi"}]  # fmt: skip
    point = parse_bar(mapping).orifices["small"].measured[0]
    at = circuit.state(state.node_pressure)
    rows = np.array([section.rows for section in bar.sections])
    row_flow = at.section_flow[0, 0, 0] / rows
    pressure = at.manifold_pressure[0, 0, 0]
    order = np.argsort(row_flow)
    true = float(np.interp(point.flow, row_flow[order], pressure[order]))
    assert abs(true - point.pressure) <= point.pressure_tolerance + 1.0


def test_the_bar_is_said_back_with_what_was_read_and_what_it_means() -> None:
    mapping = bar_files.minimal()
    mapping["sections"][0]["feed"] = FEED
    mapping["orifices"]["small"]["measured"] = [
        {"bar_flow": "10 gpm", "pressure_after_valve": "130 psi", "temperature": "78 psi"},
        {"flow": "6 lb NH3/min", "pressure": "120 psi", "temperature": "78 psi"},
    ]
    text = " ".join(as_text(bar_report(parse_bar(mapping), "us")).split())
    assert "small 1: 10 gpm through 8 rows = 6.5" in text and "78 psi = 52.0" in text
    assert "130 psi after the valve less" in text and "in the feeds =" in text
    assert "small 2: 6.00 lb NH3/min ± 3 % through one orifice; 120.0 psi ± 2.0 psi gauge above it; tank" in text


WRONG: list[tuple[dict[str, Any], str, str]] = [
    ({"flow": "5 lb NH3/min", "bar_flow": "10 gpm", **WARM}, "flow and bar_flow at once", "keep the one"),
    ({**WARM}, "no flow in it", "bar_flow"),
    ({"bar_flow": "10 gpm", "temperature": "50 degF"}, "no pressure in it", "pressure_after_valve"),
    ({"rate": "150 lb N/ac", **WARM}, "rate without speed", 'speed = "5 mph"'),
    ({"bar_flow": "1 gpm", "time": "1 min", **WARM}, "time without load", "load = "),
    ({"flow": "5 lb NH3/min", "sections": "all", **WARM}, "sections beside flow", "bar_flow"),
    ({"bar_flow": "10 gpm", "sections": "left", **WARM}, "no section 'left'", "name some of all"),
    ({"bar_flow": "9999 gpm", **WARM}, "through one orifice", "check the number"),
    (
        {"bar_flow": "10 gpm", "pressure": "60 psi", "temperature": "50 degF"},
        "part of what passed was vapour",
        "colder",
    ),
    ({"bar_flow": "10 gpm", "pressure": "60 psi", "temperature": "78 psi"}, "what passed was vapour", "colder"),
]


@pytest.mark.parametrize(("point", "what", "cure"), WRONG)
def test_a_point_that_says_nothing_is_refused_with_the_reason(point: dict[str, Any], what: str, cure: str) -> None:
    with pytest.raises(BarError) as caught:
        the_point(point)
    assert what in caught.value.what and cure in caught.value.cure
    assert caught.value.where.endswith("[orifices.small]: measured 1")


def test_a_flow_through_other_orifices_too_is_refused() -> None:
    mapping = bar_files.full()
    mapping["orifices"]["small"]["measured"] = [{"bar_flow": "20 gpm", **WARM}]
    with pytest.raises(BarError) as caught:
        parse_bar(mapping)
    assert "the flow also went through orifice large" in caught.value.what and '"left,middle"' in caught.value.cure
    mapping["orifices"]["small"]["measured"][0]["sections"] = "left, middle"
    assert parse_bar(mapping).orifices["small"].measured[0].readings.rows == 11  # type: ignore[union-attr]
    mapping["orifices"]["small"]["measured"] = []
    mapping["orifices"]["spare"]["measured"] = [{"bar_flow": "20 gpm", **WARM}]
    with pytest.raises(BarError) as caught:
        parse_bar(mapping)
    assert "fit it in a section first" in caught.value.cure
