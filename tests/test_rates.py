"""Rates, flows, meters and transmitters against hand arithmetic and facts of the trade.

Not here: the length of a 1/128-acre strip has no function in geoflow to hold it to, and a test of its own arithmetic
would hold nothing.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from laws import laws
from published import POUND, UNITS, Row, kelvin, params

from geoflow.bar.equipment import Bar, Limits, Meter, Orifice, Pump, Section
from geoflow.base.errors import RangeError
from geoflow.base.rate_units import RATE_UNITS, RateUnit, rate_unit
from geoflow.base.rates import ammonia_flow, as_nitrogen_rate, from_nitrogen_rate, nitrogen_rate
from geoflow.hydraulics.metering import pulses_per_nitrogen
from geoflow.physics.ammonia import saturation

LAWS = laws(200)


@params("rates")
def test_flow_worked_by_hand(row: Row) -> None:
    flow = ammonia_flow(row["rate"], row["speed"], row["width"], row["nitrogen_fraction"]) / row["rows"]
    if row.text("quantity") == "ammonia volume flow":
        flow = flow / saturation(row["temperature"]).liquid_density
    assert float(flow) == row.expected


@LAWS
@given(
    rate=st.floats(1e-4, 0.1), speed=st.floats(0.5, 6.0), width=st.floats(1.0, 40.0), share=st.floats(0.8, 0.8225),
    more=st.floats(1.01, 4.0),
)  # fmt: skip
def test_flow_and_rate_are_inverse_and_proportional(
    rate: float, speed: float, width: float, share: float, more: float
) -> None:
    flow = float(ammonia_flow(rate, speed, width, share))
    assert nitrogen_rate(flow, speed, width, share) == pytest.approx(rate, rel=1e-14)
    assert ammonia_flow(rate * more, speed, width, share) == pytest.approx(flow * more)
    assert ammonia_flow(rate, speed * more, width, share) == pytest.approx(flow * more)
    assert nitrogen_rate(flow, speed * more, width, share) == pytest.approx(rate / more)
    # More ammonia than nitrogen, by 1.2195 lb a pound at 82 %.
    assert flow * share == pytest.approx(rate * speed * width)


def test_pound_of_nitrogen_needs_1_2195_pounds_of_ammonia() -> None:
    # 1 / 0.82 by hand.
    assert float(ammonia_flow(1.0, 1.0, 1.0, 0.82)) == pytest.approx(1.2195, abs=5e-5)


@pytest.mark.parametrize(
    ("text", "value", "pounds_of_nitrogen"),
    # By hand at 82 %: 100 lb NH3 hold 82 lb N; 100 kg/ha are 89.218 lb/ac; 30 gal/ac of 5.148 lb/gal (60 degF,
    # CoolProp 8.0.0) are 154.44 lb NH3; 300 L/ha are 32.0720 gal/ac.
    [
        ("lb N/ac", 150.0, 150.0), ("kg N/ha", 100.0, 89.21791), ("lb NH3/ac", 100.0, 82.0),
        ("kg NH3/ha", 100.0, 73.15869), ("gal NH3/ac", 30.0, 30 * 5.1479 * 0.82), ("L NH3/ha", 300.0, 135.384),
    ],
)  # fmt: skip
def test_rate_in_every_unit(text: str, value: float, pounds_of_nitrogen: float) -> None:
    density = float(saturation(kelvin("60 degF")).liquid_density)
    rate = float(as_nitrogen_rate(value, rate_unit(text), 0.82, density))
    assert rate / UNITS["lb/ac"] == pytest.approx(pounds_of_nitrogen, rel=2e-5)


@LAWS
@given(
    unit=st.sampled_from(RATE_UNITS),
    values=st.lists(st.just(0.0) | st.floats(1e-6, 1e4), min_size=1, max_size=5),
    share=st.floats(0.8, 0.8225), density=st.floats(550.0, 690.0),
)  # fmt: skip
def test_rate_units_there_and_back(unit: RateUnit, values: list[float], share: float, density: float) -> None:
    there = as_nitrogen_rate(values, unit, share, density)
    assert there.shape == (len(values),)
    np.testing.assert_allclose(from_nitrogen_rate(there, unit, share, density), values, rtol=1e-12)


@pytest.mark.parametrize("text", ["gal NH3/ac", "L NH3/ha"])
def test_volume_without_a_density_is_refused(text: str) -> None:
    for convert in (as_nitrogen_rate, from_nitrogen_rate):
        with pytest.raises(RangeError, match="density") as caught:
            convert(30.0, rate_unit(text), 0.82)
        assert text in caught.value.what
        assert "temperature" in caught.value.cure


# Meters, transmitters, widths.


def pulses_per_ten_pounds(row: Row) -> float:
    density = saturation(kelvin(row.text("b"))).liquid_density
    return float(pulses_per_nitrogen(row["a"], density, row["c"])) * 10.0 * POUND


def bar_width(row: Row) -> float:
    rows = int(row["a"])
    bar = Bar(
        name="width only", row_spacing=row["b"],
        sections=(Section("left", rows // 3, "hole"), Section("right", rows - rows // 3, "hole")),
        orifices={"hole": Orifice("hole", 0.002, 0.62)}, pump=Pump(1e-3, 1e6), meter=Meter(1e5, 0.0, 1e-2),
        limits=Limits(2e6, 0.0, (1.0, 3.0)),
    )  # fmt: skip
    assert bar.rows == rows
    return bar.width


MODEL = {
    "pulses per 10 lb N": pulses_per_ten_pounds,
    "bar width": bar_width,
}


@params("metering")
def test_fact_of_the_trade(row: Row) -> None:
    assert MODEL[row.text("quantity")](row) == row.expected


def test_755_pulses_per_10_gallons_is_the_same_calibration() -> None:
    # Common practice, no source. 75.5 per gallon, written for ten gallons.
    density = saturation(kelvin("60 degF")).liquid_density
    one = pulses_per_nitrogen(75.5 / UNITS["gal"], density, 0.82)
    assert pulses_per_nitrogen(755.0 / (10.0 * UNITS["gal"]), density, 0.82) == pytest.approx(float(one), rel=1e-14)


@LAWS
@given(colder=st.floats(226.0, 333.0), warmer=st.floats(0.1, 60.0), pulses=st.floats(1e3, 1e6))
def test_cold_liquid_gives_fewer_pulses_a_pound(colder: float, warmer: float, pulses: float) -> None:
    cold, warm = pulses_per_nitrogen(pulses, saturation([colder, min(colder + warmer, 335.0)]).liquid_density, 0.82)
    assert cold < warm
    assert pulses_per_nitrogen(pulses, 600.0, 0.82) * 600.0 * 0.82 == pytest.approx(pulses)
