"""Long bores, thin plates and uneven rows in a whole bar, against the independent reference and by their laws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bars import AIR, INCH, MPH, PSI, fahrenheit
from CoolProp.CoolProp import PropsSI
from hypothesis import given
from hypothesis import strategies as st
from laws import laws
from reference_bar import AMMONIA, ReferenceBar, Tube

from geoflow.bar.equipment import Bar, Limits, MeasuredPoint, Meter, Orifice, Pump, RowHose, Section
from geoflow.bar.key_kinds import THIN_PLATE, THIN_PLATE_FLASHING
from geoflow.decide.gauges import rows_at_map_rates
from geoflow.decide.vet import Plan, Solution, solve
from geoflow.hydraulics.cases import bounding_cases, central_cases
from geoflow.hydraulics.long_bores import is_bounded_as_long
from geoflow.hydraulics.rows import row_split
from geoflow.hydraulics.window import Bounds, flow_window
from geoflow.report.bar_words import bar_report
from geoflow.report.gauges import row_text
from geoflow.report.terminal import as_text
from geoflow.report.window import window_report

HOLE = Orifice("row", 0.070 * INCH, 0.80, 0.05, 6.0 * 0.070 * INCH)
LONG = Bar(
    name="long bores", row_spacing=30 * INCH, sections=(Section("all", 12, "row"),), orifices={"row": HOLE},
    pump=Pump(3e-3, 110 * PSI), meter=Meter(2e5, 1e-5, 6e-3), limits=Limits(250 * PSI + AIR, 12 * PSI, (1.5, 3.5)),
    row_hose=RowHose(back_pressure=(10 * PSI + AIR, 10 * PSI + AIR)), air_pressure=AIR,
)  # fmt: skip


def with_hole(**changed: object) -> Bar:
    return replace(LONG, orifices={"row": replace(HOLE, **changed)})  # type: ignore[arg-type]


def window(bar: Bar, degrees: float, *, certain: bool = True) -> Bounds:
    return flow_window(bar, np.array([fahrenheit(degrees)]), (0,)).over_plan(certain=certain, commanded=False)


def solved(bar: Bar, rows: str = "mean", degrees: tuple[float, float] = (40.0, 42.0)) -> Solution:
    low, high = (fahrenheit(one) for one in degrees)
    return solve(bar, Plan((low, high), (5 * MPH, 5 * MPH), tuple(range(len(bar.sections))), rows))


@pytest.mark.parametrize("degrees", [40.0, 60.0])
def test_certain_ends_are_those_of_the_reference_at_the_bounds(degrees: float) -> None:
    ends = []
    for share in ("most", "least"):
        tube = Tube(HOLE.land or 0.0, HOLE.diameter, share, (0.76, 0.84))
        ends.append(ReferenceBar(LONG, fahrenheit(degrees), (0.8,), (0.5,), 10 * PSI + AIR, tubes={"row": tube}))
    found = window(LONG, degrees)
    assert found.low == pytest.approx(ends[0].margin_flow(), rel=2e-3)
    assert found.high == pytest.approx(min(ends[1].rise_flow(), ends[1].rated_flow()), rel=2e-3)


@pytest.mark.parametrize("degrees", [45.0, 60.0, 75.0])
def test_a_long_bore_opens_in_the_warm_what_unknown_flashing_closes(degrees: float) -> None:
    known, unknown = window(LONG, degrees), window(with_hole(land=None), degrees)
    assert known.low < 0.8 * unknown.low
    assert not known.empty


@laws(25)
@given(share=st.floats(0.83, 1.17), margin=st.floats(10.0, 45.0), degrees=st.floats(45.0, 75.0))
def test_a_true_point_never_takes_the_truth_away_nor_opens_more(share: float, margin: float, degrees: float) -> None:
    tube = Tube(HOLE.land or 0.0, HOLE.diameter, share, (0.76, 0.84))
    kelvin = fahrenheit(50.0)
    truth = ReferenceBar(LONG, kelvin, (0.8,), (0.5,), 10 * PSI + AIR, tubes={"row": tube})
    pressure = truth.vapour + margin * PSI
    point = MeasuredPoint(truth.section_flow(0, pressure) / 12, pressure, kelvin, 0.0, 0.0, 0.0)
    measured = with_hole(measured=(point,))
    assert is_bounded_as_long(measured, measured.orifices["row"])
    asked = ReferenceBar(LONG, fahrenheit(degrees), (0.8,), (0.5,), 10 * PSI + AIR, tubes={"row": tube})
    true = asked.margin_flow(), min(asked.rise_flow(), asked.rated_flow())
    for bar in (LONG, measured):
        certain, possible = window(bar, degrees), window(bar, degrees, certain=False)
        assert certain.empty or (certain.low >= true[0] * 0.998 and certain.high <= true[1] * 1.002)
        assert possible.low <= true[0] * 1.002 and possible.high >= true[1] * 0.998
    certain, bare = window(measured, degrees), window(LONG, degrees)
    assert certain.low <= bare.low * 1.0001 and certain.high >= bare.high * 0.9999


def test_a_point_that_contradicts_refrigerants_counts_more_than_they_do() -> None:
    kelvin, pressure = fahrenheit(50.0), 89 * PSI + 30 * PSI
    usual = Tube(HOLE.land or 0.0, HOLE.diameter, 1.35, (0.76, 0.84))
    flow = usual.flow(pressure, 10 * PSI + AIR, kelvin)
    odd = with_hole(measured=(MeasuredPoint(flow, pressure, kelvin),))
    assert not is_bounded_as_long(odd, odd.orifices["row"])
    assert "contradict what refrigerants" in as_text(bar_report(odd, "us")).replace("\n ", "")
    assert window(odd, 50.0).low > 0.0


def test_bores_unlike_those_tested_have_the_wider_of_both_bounds() -> None:
    for land, diameter in ((6.0 * 0.082 * INCH, 0.082 * INCH), (30 * HOLE.diameter, HOLE.diameter)):
        hole = {"diameter": diameter, "land": land}
        wide, unknown = window(with_hole(**hole), 50.0), window(with_hole(**{**hole, "land": None}), 50.0)
        assert wide.low >= unknown.low * 0.9999 and wide.high <= unknown.high * 1.0001
        ends = [window(with_hole(**{**hole, "land": one}), 50.0, certain=False) for one in (land, None)]
        assert ends[0].low <= ends[1].low * 1.0001 and ends[0].high >= ends[1].high * 0.9999


@pytest.mark.parametrize("degrees", [40.0, 60.0])
def test_all_ends_of_a_bore_wider_than_those_tested_are_those_of_the_reference(degrees: float) -> None:
    """And the certain high end is the least flow of a long bore by hand: 18 % less than the fit, not 0.76."""
    diameter = 0.080 * INCH
    wide, unknown = with_hole(diameter=diameter, land=6 * diameter), with_hole(diameter=diameter, land=None)
    most, least = (
        ReferenceBar(
            wide, fahrenheit(degrees), (0.8,), (0.5,), 10 * PSI + AIR,
            tubes={"row": Tube(6 * diameter, diameter, share, (0.76, 0.84))},
        )
        for share in ("most", "least")
    )  # fmt: skip
    certain, possible = window(wide, degrees), window(wide, degrees, certain=False)
    high, low = (min(bar.rise_flow(), bar.rated_flow()) for bar in (most, least))
    for found, expected in ((certain.low, most.margin_flow()), (certain.high, low),
                            (possible.low, least.margin_flow()), (possible.high, high)):  # fmt: skip
        assert found == pytest.approx(expected, rel=2e-3)
    # Pump pressure: 110 psi over the tank's own, and the throat from CoolProp's entropies; C at six diameters is 0.80.
    vapour, density = (PropsSI(name, "T", fahrenheit(degrees), "Q", 0, "Ammonia") for name in "PD")
    pressure = vapour + 110 * PSI
    throat = AMMONIA.throat(round(pressure, -1), fahrenheit(degrees))
    area = 12 * np.pi / 4 * diameter**2
    by_hand = 0.82 * 0.80 * area * np.sqrt(2 * density * (pressure - throat))
    stated = 0.76 * area * np.sqrt(2 * density * 110 * PSI)
    assert certain.high == pytest.approx(by_hand, rel=0.01)
    assert window(unknown, degrees).high == pytest.approx(stated, rel=0.01)
    assert by_hand < 0.9 * stated
    assert "whatever its stated coefficient" in " ".join(as_text(bar_report(wide, "us")).split())


def test_bounds_from_refrigerants_are_said_wherever_they_decide() -> None:
    for text in (as_text(bar_report(LONG, "us")), as_text(window_report(solved(LONG), "us", with_speed=True))):
        assert "not measured on ammonia" in " ".join(text.split())


# Thin plates.


def test_a_thin_plate_is_bounded_by_the_assumption_and_says_what_changes_without() -> None:
    land = 1.2 * HOLE.diameter
    plain, thin = with_hole(land=land), with_hole(land=land, flashing=THIN_PLATE)
    weights = {case.flash_weight[0] for case in bounding_cases(thin, (0,))}
    assert max(weights) == pytest.approx(THIN_PLATE_FLASHING) and min(weights) == 0.0
    assert window(thin, 50.0).high >= window(plain, 50.0).high
    assert window(thin, 50.0).low == pytest.approx(window(plain, 50.0).low)
    said = " ".join(as_text(window_report(solved(thin), "us", with_speed=True)).split())
    assert "your assumption, thin plate" in said
    assert "Without the assumption the certain window would be" in said
    assert "assumption" not in as_text(window_report(solved(plain), "us", with_speed=True))


# What is likely.


def test_what_is_likely_is_a_range_and_without_a_land_anything() -> None:
    assert [case.flash_weight[0] for case in central_cases(with_hole(land=None), (0,))] == [1.0, 0.5, 0.0]
    mixed = replace(
        LONG,
        sections=(Section("a", 6, "row"), Section("b", 6, "thin")),
        orifices={"row": replace(HOLE, land=None), "thin": replace(HOLE, name="thin", land=None, flash_weight=0.0)},
    )
    split = row_split(mixed, fahrenheit(50.0), (0, 1), 0.15, held_liquid=True)
    assert split.likely.shape == (2, 2)
    assert split.likely[1, 0] == pytest.approx(0.0, abs=1e-9)
    assert (split.lowest < split.off_mean)[0] and (split.off_mean < split.highest)[0]


# Rows.


def test_spread_of_rows_gives_the_lowest_and_the_highest_row() -> None:
    spread = with_hole(row_spread=0.04)
    split = rows_at_map_rates(solved(spread))
    assert split is not None
    np.testing.assert_allclose([split.lowest[0], split.highest[0]], [-0.04, 0.04], atol=1e-9)
    said = row_text(split, solved(spread))
    assert len(said) == 1 and "-4 % to +4 %" in said[0] and "spread of rows" in said[0]
    assert row_text(rows_at_map_rates(solved(LONG)), solved(LONG)) == []


def test_asked_of_the_worst_row_both_ends_move_in_by_the_spread() -> None:
    mean, worst = (solved(with_hole(row_spread=0.04), rows) for rows in ("mean", "worst"))
    assert worst.certain.low == pytest.approx(1.04 * mean.certain.low)
    assert worst.certain.high == pytest.approx(0.96 * mean.certain.high)
    assert worst.possible == mean.possible
    assert solved(LONG, "worst").certain == solved(LONG).certain
    assert "worst row" in as_text(window_report(worst, "us", with_speed=True))


def test_no_row_figures_where_no_flow_certainly_holds() -> None:
    closed = replace(with_hole(row_spread=0.04, land=None), limits=replace(LONG.limits, liquid_margin=60 * PSI))
    hot = solved(closed, "worst", (75.0, 80.0))
    assert hot.certain.empty
    assert rows_at_map_rates(hot) is None
