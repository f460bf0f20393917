"""What is not known of an orifice: the corners within which its coefficient and flashing weight lie.

An orifice's squared flow is linear in u = Cd^2 and w = Cd^2 b. Coefficient tolerance and 0 <= b <= 1 leave a
convex patch of that plane open; each measured point cuts it down to a band. All extremes of pressure and flow lie at
the corners of what remains, so solving the bar at the corners bounds it.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from geoflow.arrays import FloatArray
from geoflow.equipment import Bar, MeasuredPoint, Orifice
from geoflow.errors import BarError
from geoflow.physics.ammonia import Saturation, liquid_density, saturation
from geoflow.physics.lines import flashing_hose_inlet_pressure
from geoflow.physics.orifices import clip_coefficients, coefficient_line, effective_pressure, mass_flow
from geoflow.units import show, show_range

__all__ = ["back_pressure", "central_coefficients", "corner_coefficients", "hose_ends", "refuse_contradiction"]

# A point that is called exact still needs a band wider than rounding.
_LEAST_TOLERANCE: Final = 1e-6


def back_pressure(bar: Bar, row_flow: FloatArray, saturated: Saturation) -> tuple[FloatArray, FloatArray]:
    """Absolute pressure just below the orifices and how far it may be off either way, both [Pa].

    Parameters
    ----------
    bar : Bar
        Its row hose decides: known pressure, two-phase estimate, or open air.
    row_flow : ndarray
        Ammonia through one row [kg/s].
    saturated : Saturation
        Of the liquid before the orifices, broadcasting against `row_flow`.
    """
    hose = bar.row_hose
    if hose.back_pressure is not None:
        low, high = hose.back_pressure
        return np.full(np.shape(row_flow), 0.5 * (low + high)), np.full(np.shape(row_flow), 0.5 * (high - low))
    if hose.line is None:
        return np.full(np.shape(row_flow), bar.air_pressure), np.zeros(np.shape(row_flow))
    estimate = flashing_hose_inlet_pressure(
        row_flow,
        saturated.liquid_enthalpy,
        saturated.pressure,
        length=hose.line.length,
        bore=hose.line.bore,
        roughness=hose.line.roughness,
        outlet_pressure=bar.air_pressure,
    )
    return estimate, hose.tolerance * (estimate - bar.air_pressure)


def _open_corners(orifice: Orifice) -> FloatArray:
    """Corners in (Cd^2, Cd^2 b), round the patch, before any measurement."""
    spread = orifice.coefficient_tolerance
    low, high = (
        np.square(orifice.discharge_coefficient * (1.0 - spread)),
        np.square(orifice.discharge_coefficient * (1.0 + spread)),
    )
    if orifice.flash_weight is not None:
        known = orifice.flash_weight
        corners = [(low, low * known), (high, high * known)]
    else:
        corners = [(low, low), (low, 0.0), (high, 0.0), (high, high)]
    return np.unique(np.array(corners), axis=0) if low == high else np.array(corners)


def _below(bar: Bar, point: MeasuredPoint, end: float) -> float:
    """Back pressure a measured orifice worked against [Pa], at one end of its uncertainty."""
    middle, spread = back_pressure(bar, np.array([point.flow]), saturation(point.temperature))
    return float(middle[0] + end * spread[0])


def _model_range(bar: Bar, orifice: Orifice, point: MeasuredPoint) -> tuple[float, float]:
    """Least and greatest flow the orifice allows at a measured point [kg/s]."""
    state = saturation(point.temperature)
    corners = _open_corners(orifice)
    density = liquid_density(state, point.pressure)
    flows = [
        mass_flow(
            point.pressure,
            effective_pressure(_below(bar, point, end), state.pressure, corners[:, 1] / corners[:, 0]),
            density,
            orifice.diameter,
            np.sqrt(corners[:, 0]),
        )
        for end in (-1.0, 1.0)
    ]
    return float(np.min(flows)), float(np.max(flows))


def _measured_corners(bar: Bar, orifice: Orifice, end: float) -> FloatArray:
    """Corners in (Cd^2, Cd^2 b) that all measured points leave, with the back pressure at one end; maybe none."""
    corners = _open_corners(orifice)
    for index, point in enumerate(orifice.measured):
        state = saturation(point.temperature)
        if point.pressure <= state.pressure:
            raise BarError(
                "the measured pressure is at or below the vapour pressure at the measured temperature, so the orifice "
                "did not see liquid",
                where=f"orifices.{orifice.name}.measured[{index}]",
                cure="measure again with the liquid held above its vapour pressure",
            )
        density = float(liquid_density(state, point.pressure))
        tolerance = max(point.flow_tolerance, _LEAST_TOLERANCE)
        for share, keep_below in ((1.0 + tolerance, True), (1.0 - tolerance, False)):
            # The readings err to the side that leaves more open.
            side = -1.0 if keep_below else 1.0
            vapour = saturation(point.temperature - side * point.temperature_tolerance).pressure
            line = coefficient_line(
                point.flow * share,
                point.pressure + side * point.pressure_tolerance,
                float(vapour),
                _below(bar, point, end),
                density,
                orifice.diameter,
            )
            corners = clip_coefficients(corners, line, keep_below=keep_below)
    return corners


def hose_ends(bar: Bar, orifice: Orifice) -> tuple[float, ...]:
    """Ends of the back pressure's uncertainty at which an orifice has to be looked at, -1 to +1, rising.

    Without a measurement the two ends do. A measured point ties coefficient, flashing and back pressure together: the
    squared flow is linear in the back pressure as well, so the pressures at which the point's tolerance just reaches a
    corner of what is open are found by hand, and added.
    """
    known = bar.row_hose.back_pressure
    if (bar.row_hose.line is None and known is None) or (known is not None and known[0] == known[1]):
        return (0.0,)
    if not orifice.measured:
        return (-1.0, 1.0)
    ends = [-1.0, -0.5, 0.0, 0.5, 1.0]
    for point in orifice.measured:
        state = saturation(point.temperature)
        middle, high = _below(bar, point, 0.0), _below(bar, point, 1.0)
        density, tolerance = float(liquid_density(state, point.pressure)), max(point.flow_tolerance, _LEAST_TOLERANCE)
        for share in (1.0 - tolerance, 1.0, 1.0 + tolerance):
            flux = point.flow * share / (0.25 * np.pi * orifice.diameter**2)
            for u, w in _open_corners(orifice):
                if u - w > 1e-9:
                    fits = (u * point.pressure - w * float(state.pressure) - flux**2 / (2.0 * density)) / (u - w)
                    ends.append((fits - middle) / (high - middle))
    return tuple(sorted({end for end in ends if -1.0 <= end <= 1.0}))


def refuse_contradiction(bar: Bar, orifice: Orifice) -> None:
    """Raise if no back pressure lets the measured points fit the orifice.

    Raises
    ------
    BarError
        Naming the point that fits worst, or all of them where each fits alone.
    """
    if not orifice.measured or any(len(_measured_corners(bar, orifice, end)) for end in hose_ends(bar, orifice)):
        return
    for index, point in enumerate(orifice.measured):
        low, high = _model_range(bar, orifice, point)
        slack = 1.0 + point.flow_tolerance
        if len(orifice.measured) == 1 or not low / slack <= point.flow <= high * slack:
            raise BarError(
                f"the measured flow of {show(point.flow, 'ammonia flow', 'us', 2)} does not fit the orifice: its "
                f"diameter and coefficient allow {show_range(low, high, 'ammonia flow', 'us', 2)} there",
                where=f"orifices.{orifice.name}.measured[{index}]",
                cure="check the point (flow of one row, gauge pressure), the diameter and the coefficient",
            )
    raise BarError(
        "the measured points do not fit each other: no coefficient and flashing within the tolerances gives them all",
        where=f"orifices.{orifice.name}.measured",
        cure="check the points, give the doubtful one a larger flow_tolerance, or widen coefficient_tolerance",
    )


def corner_coefficients(bar: Bar, orifice: Orifice, hose_end: float = 0.0) -> FloatArray:
    """Pairs of discharge coefficient and flashing weight that bound the orifice.

    Parameters
    ----------
    bar : Bar
        Its row hose gives the back pressure measured points worked against.
    orifice : Orifice
        With its measured points, if any.
    hose_end : float
        -1, 0 or +1: low, middle or high back pressure.

    Returns
    -------
    ndarray, shape (n, 2)
        One row each: Cd [-], b [-]. One row where nothing is uncertain; none where a measured point does not fit.

    Raises
    ------
    BarError
        If a point was measured on boiling ammonia.
    """
    if orifice.measured:
        corners = _measured_corners(bar, orifice, hose_end)
    else:
        corners = _open_corners(orifice)
        if len(corners) == 4:
            # Without a measurement the least and the greatest flow come from these two at any pressure.
            corners = corners[[0, 2]]
    pairs = np.column_stack([np.sqrt(corners[:, 0]), corners[:, 1] / corners[:, 0]])
    return np.asarray(np.unique(pairs, axis=0))


def central_coefficients(bar: Bar, orifice: Orifice, hose_end: float = 0.0) -> tuple[float, float]:
    """Most likely discharge coefficient and flashing weight [-] at one end of the back pressure.

    The weight is NaN where the land-length model is to give it from the conditions. Measured points have to fit there.
    """
    if orifice.measured:
        middle = _measured_corners(bar, orifice, hose_end).mean(axis=0)
        return float(np.sqrt(middle[0])), float(middle[1] / middle[0])
    if orifice.flash_weight is not None:
        return orifice.discharge_coefficient, orifice.flash_weight
    return orifice.discharge_coefficient, float("nan") if orifice.land is not None else 0.5
