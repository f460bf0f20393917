"""Flow through the row orifice against API 520-I, the exact equilibrium limit, and the laws it has to obey.

Not here: two-phase inlet and omega = 1, liquid that already boils before the orifice. geoflow never lets that count as
a working bar, has no function for it, and so has nothing to check.
"""

from __future__ import annotations

import functools

import numpy as np
import pytest
import shapely
from CoolProp.CoolProp import PropsSI
from hypothesis import given
from hypothesis import strategies as st
from laws import laws
from published import PSI, Row, kelvin, params
from scipy.optimize import minimize_scalar

from geoflow.physics.ammonia import equilibrium_flux_limit, saturation
from geoflow.physics.orifices import (
    clip_coefficients,
    coefficient_line,
    effective_pressure,
    mass_flow,
    upstream_pressure,
)

LAWS = laws(200)
FAHRENHEIT = (-20, 0, 20, 40, 60, 80, 100)


def area_needed(row: Row) -> float:
    """API 520-I C.2.3 with b = 1: the area of a hole is pi d^2 / 4, so ask for the flow of 1 m2."""
    effective = effective_pressure(row["downstream"], row["vapour_pressure"], 1.0)
    per_area = mass_flow(row["upstream"], effective, row["density"], np.sqrt(4 / np.pi), row["coefficient"])
    return row["flow"] * row["density"] / float(per_area)


def water_flow(row: Row) -> float:
    effective = effective_pressure(row["downstream"], row["vapour_pressure"], 0.5)
    flow = mass_flow(row["upstream"], effective, row["density"], row["diameter"], row["coefficient"])
    return float(flow) / row["density"]


def ammonia_flow(row: Row, weight: float) -> float:
    # The density of the compressed liquid, as the row's hand calculation has it.
    vapour = PropsSI("P", "T", row["temperature"], "Q", 0, "Ammonia")
    pressure = vapour + row["upstream"]
    density = PropsSI("D", "T", row["temperature"], "P", pressure, "Ammonia")
    effective = effective_pressure(row["downstream"], vapour, weight)
    return float(mass_flow(pressure, effective, density, row["diameter"], row["coefficient"]))


MODEL = {
    "area": area_needed,
    "water flow": water_flow,
    "ammonia flow at b = 1": functools.partial(ammonia_flow, weight=1.0),
    "ammonia flow at b = 0": functools.partial(ammonia_flow, weight=0.0),
}


@params("orifices")
def test_published_flow(row: Row) -> None:
    assert MODEL[row.text("quantity")](row) == row.expected


# The exact homogeneous equilibrium limit, from CoolProp alone.


def density_at(pressure: float, temperature: float) -> float:
    return float(PropsSI("D", "T", temperature, "P", pressure, "Ammonia"))


@functools.cache
def equilibrium_flux(temperature: float, excess: float) -> float:
    """Greatest rho sqrt(2 (h0 - h)) along the isentrope [kg/m2 s], from `excess` over the vapour pressure."""
    vapour = PropsSI("P", "T", temperature, "Q", 0, "Ammonia")
    start = ("T", temperature, "P", vapour + excess) if excess else ("T", temperature, "Q", 0)
    entropy, enthalpy = (PropsSI(name, *start, "Ammonia") for name in "SH")

    def flux(pressure: float) -> float:
        density, here = (PropsSI(name, "P", pressure, "S", entropy, "Ammonia") for name in "DH")
        return float(density * np.sqrt(max(2.0 * (enthalpy - here), 0.0)))

    points = vapour * np.linspace(0.5, 0.999999, 120)
    fluxes = [flux(point) for point in points]
    best = int(np.argmax(fluxes))
    around = points[max(best - 1, 0)], points[min(best + 1, len(points) - 1)]
    refined = minimize_scalar(lambda pressure: -flux(pressure), bounds=around, method="bounded")
    return max(fluxes[best], -float(refined.fun))


def equilibrium_bound(temperature: float, excess: float) -> float:
    """What geoflow gives for b = 1 and Cd = 1 [kg/m2 s]."""
    vapour = PropsSI("P", "T", temperature, "Q", 0, "Ammonia")
    density = density_at(vapour + excess, temperature) if excess else 600.0
    effective = effective_pressure(vapour * 0.3, vapour, 1.0)
    return float(mass_flow(vapour + excess, effective, density, np.sqrt(4 / np.pi), 1.0))


def low_subcooling_band(temperature: float) -> float:
    """P0 - Ps [Pa] below which the omega method leaves its high-subcooling branch: Ps > 2w/(1+2w) P0."""
    vapour, density, entropy = (PropsSI(name, "T", temperature, "Q", 0, "Ammonia") for name in "PDS")
    omega = 9.0 * (density / PropsSI("D", "P", 0.9 * vapour, "S", entropy, "Ammonia") - 1.0)
    return float(vapour / (2.0 * omega))


@pytest.mark.parametrize("fahrenheit", FAHRENHEIT)
def test_long_land_bound_is_the_exact_equilibrium_flow(fahrenheit: int) -> None:
    # Found: 0.9928 to 1.0001 of the exact flow, the worst at 100 degF. The bound takes the density of the compressed
    # liquid upstream, and lets nothing boil before the throat.
    temperature = kelvin(f"{fahrenheit} degF")
    band = low_subcooling_band(temperature)
    for excess in (1.5 * band, 5.0 * band, 20.0 * band, 50.0 * PSI, 200.0 * PSI):
        ratio = equilibrium_bound(temperature, excess) / equilibrium_flux(temperature, excess)
        assert 0.992 < ratio < 1.0005


@pytest.mark.parametrize("fahrenheit", FAHRENHEIT)
@pytest.mark.parametrize("share", [0.0, 0.1, 0.3, 0.6, 0.9])
def test_long_land_bound_stays_below_equilibrium_close_to_boiling(fahrenheit: int, share: float) -> None:
    temperature = kelvin(f"{fahrenheit} degF")
    excess = share * low_subcooling_band(temperature)
    assert equilibrium_bound(temperature, excess) < equilibrium_flux(temperature, excess)


@pytest.mark.parametrize("fahrenheit", FAHRENHEIT)
def test_rate_model_stays_near_the_exact_flow_of_saturated_liquid(fahrenheit: int) -> None:
    # Fauske's model neglects the vapour already there, so it gives more than exact equilibrium: found 8 to 21 %.
    temperature = kelvin(f"{fahrenheit} degF")
    ratio = float(equilibrium_flux_limit(saturation(temperature))) / equilibrium_flux(temperature, 0.0)
    assert 1.0 < ratio < 1.22


# The length-weighted model, evaluated as published and not as a weight.


# Laws.

PRESSURE = st.floats(1e5, 3e6)
HOLE = st.floats(5e-4, 6e-3)
SHARE = st.floats(0.0, 1.0)


@LAWS
@given(back=PRESSURE, vapour=PRESSURE, weight=SHARE)
def test_effective_pressure_lies_between_hose_and_vapour_pressure(back: float, vapour: float, weight: float) -> None:
    effective = float(effective_pressure(back, vapour, weight))
    assert back <= effective <= max(back, vapour) * (1 + 1e-12)
    assert effective_pressure(back, vapour, 0.0) == back
    assert effective_pressure(back, vapour, 1.0) == pytest.approx(max(back, vapour))


@LAWS
@given(
    pressure=PRESSURE, back=PRESSURE, vapour=PRESSURE, weight=SHARE, diameter=HOLE, density=st.floats(540.0, 690.0),
    more=st.floats(1.001, 3.0),
)  # fmt: skip
def test_flow_rises_with_pressure_diameter_and_density(
    pressure: float, back: float, vapour: float, weight: float, diameter: float, density: float, more: float
) -> None:
    effective = effective_pressure(back, vapour, weight)
    flow = float(mass_flow(pressure, effective, density, diameter, 0.62))
    if pressure <= effective:
        assert flow == 0.0
        assert mass_flow(pressure, effective, density, diameter * more, 0.62) == 0.0
        return
    assert mass_flow(pressure * more, effective, density, diameter, 0.62) > flow
    assert mass_flow(pressure, effective, density, diameter * more, 0.62) == pytest.approx(flow * more**2)
    assert mass_flow(pressure, effective, density * more, diameter, 0.62) == pytest.approx(flow * more**0.5)
    assert mass_flow(pressure, effective, density, diameter, 0.62 / more) == pytest.approx(flow / more)
    assert upstream_pressure(flow, effective, density, diameter, 0.62) == pytest.approx(pressure, rel=1e-12)


@LAWS
@given(pressure=PRESSURE, back=PRESSURE, vapour=PRESSURE, low=SHARE, high=SHARE)
def test_more_flashing_or_more_back_pressure_never_gives_more_flow(
    pressure: float, back: float, vapour: float, low: float, high: float
) -> None:
    low, high = sorted((low, high))

    def flow(below: float, weight: float) -> float:
        return float(mass_flow(pressure, effective_pressure(below, vapour, weight), 620.0, 2e-3, 0.62))

    assert flow(back, high) <= flow(back, low) * (1 + 1e-12)
    assert flow(back * 1.2, low) <= flow(back, low) * (1 + 1e-12)


# The plane of u = Cd^2 and w = Cd^2 b.


def mils(least: int, most: int) -> st.SearchStrategy[float]:
    """Thousandths: fine enough for any corner, and no subnormals, on which shapely itself trips."""
    return st.integers(least, most).map(lambda count: count / 1000)


@LAWS
@given(
    coefficient=st.floats(0.5, 0.99), weight=SHARE, excess=st.floats(1e4, 2e6), vapour=st.floats(1.5e5, 1.5e6),
    back=st.floats(1e5, 2e6), diameter=HOLE,
)  # fmt: skip
def test_a_measurement_is_a_straight_line_through_the_truth(
    coefficient: float, weight: float, excess: float, vapour: float, back: float, diameter: float
) -> None:
    pressure = max(vapour, back) + excess
    flow = float(mass_flow(pressure, effective_pressure(back, vapour, weight), 610.0, diameter, coefficient))
    a, c, k = coefficient_line(flow, pressure, vapour, back, 610.0, diameter)
    assert a == 1.0
    assert a * coefficient**2 - c * coefficient**2 * weight == pytest.approx(k, rel=1e-9, abs=1e-12)


@LAWS
@given(
    points=st.lists(st.tuples(mils(0, 1000), mils(0, 1000)), min_size=3, max_size=8),
    slope=mils(0, 2000), level=mils(-1000, 1500), keep_below=st.booleans(),
)  # fmt: skip
def test_clipping_keeps_what_shapely_keeps(
    points: list[tuple[float, float]], slope: float, level: float, keep_below: bool
) -> None:
    hull = shapely.convex_hull(shapely.MultiPoint(points))
    if hull.geom_type != "Polygon" or hull.area < 1e-6:
        return
    corners = np.array(hull.exterior.coords)[:-1]
    # The half plane u - slope w <= level as a large quadrilateral.
    far = 10.0
    edge = np.array([[level - far * slope, -far], [level + far * slope, far]])
    side = -100.0 if keep_below else 100.0
    half = shapely.Polygon([*edge, edge[1] + [side, 0.0], edge[0] + [side, 0.0]])
    expected = shapely.intersection(hull, half)
    left = clip_coefficients(corners, (1.0, slope, level), keep_below=keep_below)
    area = shapely.Polygon(left).area if len(left) >= 3 else 0.0
    assert area == pytest.approx(expected.area, rel=1e-6, abs=1e-9)
    if len(left):
        assert shapely.MultiPoint(left).distance(hull) < 1e-9
        excess = left[:, 0] - slope * left[:, 1] - level
        assert (excess <= 1e-9).all() if keep_below else (excess >= -1e-9).all()


def test_clipping_a_stretch_or_a_point() -> None:
    stretch = np.array([[0.3, 0.0], [0.5, 0.0]])
    np.testing.assert_allclose(
        clip_coefficients(stretch, (1.0, 0.5, 0.4), keep_below=True), [[0.3, 0.0], [0.4, 0.0]], rtol=1e-15
    )
    point = np.array([[0.3, 0.1]])
    np.testing.assert_array_equal(clip_coefficients(point, (1.0, 0.0, 0.4), keep_below=True), point)
    assert clip_coefficients(point, (1.0, 0.0, 0.4), keep_below=False).shape == (0, 2)
