"""What is not known of an orifice: the corners within which its coefficient and flashing weight lie.

An orifice's squared flow is linear in u = Cd^2 and w = Cd^2 b. Coefficient tolerance and 0 <= b <= 1 leave a
convex patch of that plane open; each measured point cuts it down to a band. All extremes of pressure and flow lie at
the corners of what remains, so solving the bar at the corners bounds it.

What lies below the orifice may be off by one end of its tolerance where a point was measured and by the other over the
plan: flow, temperature and hose differ between them, and so do the errors of an estimate.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar, MeasuredPoint, Orifice
from geoflow.base.arrays import FloatArray, distinct
from geoflow.base.errors import BarError
from geoflow.base.units import show, show_range
from geoflow.hydraulics.long_bores import is_bounded_as_long, is_long
from geoflow.hydraulics.row_hose import below_at
from geoflow.physics.ammonia import liquid_density, saturation
from geoflow.physics.orifices import clip_coefficients, coefficient_line, effective_pressure, mass_flow
from geoflow.physics.short_tubes import FLOW_BAND, tube_coefficient

__all__ = [
    "central_coefficients",
    "corner_coefficients",
    "measured_margins",
    "patch_corners",
    "refuse_contradiction",
    "stray",
]

# Weight of an orifice of which nothing is known, in the middle case. Nothing is decided on it (tests).
_MIDDLE_WEIGHT: Final = 0.5
# A point that is called exact still needs a band wider than rounding.
_LEAST_TOLERANCE: Final = 1e-6
# Weights of flashing tubes rise with the margin (Henry and Fauske's throat pressure, carried to ammonia at 40 to
# 80 degF: by 0.03 to 0.05 when it doubles). A constant one, fitted at two margins, is 1.6 to 3.5 % of the flow short
# at half the lesser and 1.2 to 1.9 % beyond the greater; these and the points' own tolerances hold it.
_STRAY_BELOW: Final = 0.025
_STRAY_ABOVE: Final = 0.02


def _open_corners(orifice: Orifice) -> FloatArray:
    """Corners in (Cd^2, Cd^2 b), round the patch, before any measurement."""
    spread = orifice.coefficient_tolerance
    least, most = (orifice.discharge_coefficient * (1.0 + side * spread) for side in (-1.0, 1.0))
    if is_long(orifice):
        # A long bore may pass less, or more, than its stated coefficient.
        fitted = float(tube_coefficient(orifice.land or 0.0, orifice.diameter))
        least, most = min(least, fitted * (1.0 - FLOW_BAND)), max(most, fitted * (1.0 + FLOW_BAND))
    low, high = least**2, most**2
    if orifice.flash_weight is not None:
        known = orifice.flash_weight
        corners = [(low, low * known), (high, high * known)]
    else:
        full = orifice.most_flashing
        corners = [(low, low * full), (low, 0.0), (high, 0.0), (high, high * full)]
    return distinct(np.array(corners), axis=0) if low == high else np.array(corners)


def _model_range(bar: Bar, orifice: Orifice, point: MeasuredPoint) -> tuple[float, float]:
    """Least and greatest flow the orifice allows at a measured point [kg/s]."""
    state = saturation(point.temperature)
    corners = _open_corners(orifice)
    density = liquid_density(state, point.pressure)
    flows = [
        mass_flow(
            point.pressure,
            effective_pressure(below_at(bar, point, end), state.pressure, corners[:, 1] / corners[:, 0]),
            density,
            orifice.diameter,
            np.sqrt(corners[:, 0]),
        )
        for end in (-1.0, 1.0)
    ]
    return float(np.min(flows)), float(np.max(flows))


def _measured_corners(bar: Bar, orifice: Orifice, reach: float = 1.0) -> FloatArray:
    """Corners in (Cd^2, Cd^2 b) that all measured points leave, round the patch; maybe none.

    What lay below the orifice may be off by `reach` of its tolerance.
    """
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
            # The readings, and what lay below the orifice at the flow it really was, err to the side that leaves more
            # open.
            side = -1.0 if keep_below else 1.0
            vapour = saturation(point.temperature - side * point.temperature_tolerance).pressure
            line = coefficient_line(
                point.flow * share,
                point.pressure + side * point.pressure_tolerance,
                float(vapour),
                below_at(bar, replace(point, flow=point.flow * share), -side * reach),
                density,
                orifice.diameter,
            )
            corners = clip_coefficients(corners, line, keep_below=keep_below)
    return corners


def measured_margins(orifice: Orifice) -> tuple[float, float] | None:
    """Least and greatest liquid margin [Pa] at which an unknown flashing weight was measured; None without a point.

    Cases of a long bore that is held by the tests of refrigerants do without.

    Parameters
    ----------
    orifice : Orifice
        Of a bar.
    """
    if not orifice.measured or orifice.flash_weight is not None or orifice.learned is not None:
        return None
    margins = [point.pressure - float(saturation(point.temperature).pressure) for point in orifice.measured]
    return min(margins), max(margins)


def stray(margin: FloatArray, measured: tuple[float, float], end: FloatArray) -> FloatArray:
    """Share of the flow by which it may stray at a margin that was not measured [-], at one end of what is not known.

    The flashing weight rises with the margin, nobody knows how far. So below the least measured margin the flow may be
    greater than by a constant weight, by up to 2.5 %, above the greatest one greater (of two points) or smaller (of
    one), by up to 2 %; in full from half and from twice the margin on.

    Parameters
    ----------
    margin : ndarray
        Pressure above the orifice over the vapour pressure [Pa].
    measured : tuple of float
        From `measured_margins` [Pa].
    end : ndarray
        -1 for the most flow, +1 for the least, 0 for none of it.
    """
    low, high = measured
    within = np.minimum(np.maximum(margin, 0.5 * low), 2.0 * high)
    below = _STRAY_BELOW * np.maximum(np.log2(low / within), 0.0)
    above = _STRAY_ABOVE * np.maximum(np.log2(within / high), 0.0)
    return np.asarray(-end * np.where(end < 0.0, np.maximum(below, above), above))


def refuse_contradiction(bar: Bar, orifice: Orifice) -> None:
    """Raise if the measured points do not fit the orifice.

    Parameters
    ----------
    bar : Bar
        Its row hose gives the back pressure measured points worked against.
    orifice : Orifice
        One of its orifices.

    Raises
    ------
    BarError
        Naming the point that fits worst, or all of them where each fits alone.
    """
    if (
        not orifice.measured
        or orifice.learned is not None
        or len(_measured_corners(bar, orifice))
        or is_bounded_as_long(bar, orifice)
    ):
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


def _pairs(corners: FloatArray) -> FloatArray:
    pairs = np.column_stack([np.sqrt(corners[:, 0]), corners[:, 1] / corners[:, 0]])
    return np.asarray(distinct(pairs, axis=0))


def corner_coefficients(bar: Bar, orifice: Orifice) -> FloatArray:
    """Pairs of discharge coefficient and flashing weight that bound the orifice's flow.

    Parameters
    ----------
    bar : Bar
        Its row hose gives the back pressure measured points worked against.
    orifice : Orifice
        With its measured points, if any.

    Returns
    -------
    ndarray, shape (n, 2)
        One row each: Cd [-], b [-]. One row where nothing is uncertain; none where a measured point does not fit.

    Raises
    ------
    BarError
        If a point was measured on boiling ammonia.
    """
    corners = _measured_corners(bar, orifice)
    if not orifice.measured and len(corners) == 4:
        # Without a measurement the least and the greatest flow come from these two at any pressure.
        corners = corners[[0, 2]]
    return _pairs(corners)


def patch_corners(bar: Bar, orifice: Orifice) -> FloatArray:
    """All corners of what is open, shape (n, 2), as `corner_coefficients`: flows at two conditions go together.

    Parameters
    ----------
    bar : Bar
        Its row hose gives the back pressure measured points worked against.
    orifice : Orifice
        One of its orifices.
    """
    return _pairs(_measured_corners(bar, orifice))


def central_coefficients(bar: Bar, orifice: Orifice) -> tuple[float, float]:
    """Most likely discharge coefficient and flashing weight [-].

    The weight is NaN where the bore is to give it from the conditions. Measured points have to fit.

    Parameters
    ----------
    bar : Bar
        Its row hose gives the back pressure measured points worked against.
    orifice : Orifice
        One of its orifices.
    """
    if is_bounded_as_long(bar, orifice):
        return orifice.discharge_coefficient, float("nan")
    if orifice.measured:
        likely = _measured_corners(bar, orifice, reach=0.0)
        middle = (likely if len(likely) else _measured_corners(bar, orifice)).mean(axis=0)
        return float(np.sqrt(middle[0])), float(middle[1] / middle[0])
    if orifice.flash_weight is not None:
        return orifice.discharge_coefficient, orifice.flash_weight
    return orifice.discharge_coefficient, float("nan") if orifice.land is not None else _MIDDLE_WEIGHT
