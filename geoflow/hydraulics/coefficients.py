"""What is not known of an orifice: the corners within which its coefficient and flashing weight lie.

An orifice's squared flow is linear in u = Cd^2 and w = Cd^2 b. Coefficient tolerance and 0 <= b <= 1 leave a
convex patch of that plane open; each measured point cuts it down to a band. All extremes of pressure and flow lie at
the corners of what remains, so solving the bar at the corners bounds it.

What lies below the orifice may be off by one end of its tolerance where a point was measured and by the other over the
plan: flow, temperature and hose differ between them, and so do the errors of an estimate.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar, MeasuredPoint, Orifice
from geoflow.base.arrays import FloatArray
from geoflow.base.errors import BarError
from geoflow.base.units import show, show_range
from geoflow.hydraulics.knife_end import hose_end_pressure
from geoflow.physics.ammonia import Saturation, liquid_density, saturation
from geoflow.physics.lines import flashing_hose_inlet_pressure
from geoflow.physics.orifices import clip_coefficients, coefficient_line, effective_pressure, mass_flow

__all__ = [
    "Case",
    "back_pressure",
    "bounding_cases",
    "central_case",
    "central_coefficients",
    "corner_coefficients",
    "inner_cases",
    "measured_margins",
    "open_cases",
    "patch_corners",
    "refuse_contradiction",
    "stray",
]

# A point that is called exact still needs a band wider than rounding.
_LEAST_TOLERANCE: Final = 1e-6
# Weights of flashing tubes rise with the margin (Henry and Fauske's throat pressure, carried to ammonia at 40 to
# 80 degF: by 0.03 to 0.05 when it doubles). A constant one, fitted at two margins, is 1.6 to 3.5 % of the flow short
# at half the lesser and 1.2 to 1.9 % beyond the greater; these and the points' own tolerances hold it.
_STRAY_BELOW: Final = 0.025
_STRAY_ABOVE: Final = 0.02
_MOST_ORIFICE_KINDS: Final = 6
_DIRECTIONS: Final = 16


@dataclass(frozen=True, slots=True)
class Case:
    """One way in which the unknowns may turn out.

    Attributes
    ----------
    coefficient, flash_weight : tuple of float
        Per section [-]; a NaN weight asks for the land-length model.
    hose_end : float
        -1, 0 or +1: low, middle or high back pressure.
    boiling : bool
        Whether suction and pump are at their worse end: the suction boils in equilibrium, from a nearly empty tank,
        slip and what goes round are the most. Otherwise it stays liquid and they are the least.
    strays : bool
        Whether flows stray at margins that were not measured, to the side of `hose_end`.
    """

    coefficient: tuple[float, ...]
    flash_weight: tuple[float, ...]
    hose_end: float
    boiling: bool = False
    strays: bool = False


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
        outlet_pressure=hose_end_pressure(bar, row_flow, saturated),
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
            # The readings, and what lay below the orifice, err to the side that leaves more open.
            side = -1.0 if keep_below else 1.0
            vapour = saturation(point.temperature - side * point.temperature_tolerance).pressure
            line = coefficient_line(
                point.flow * share,
                point.pressure + side * point.pressure_tolerance,
                float(vapour),
                _below(bar, point, -side * reach),
                density,
                orifice.diameter,
            )
            corners = clip_coefficients(corners, line, keep_below=keep_below)
    return corners


def _hose_ends(bar: Bar) -> tuple[float, ...]:
    """Ends of what is not known below the orifices at which the bar has to be looked at, -1 to +1, rising."""
    known = bar.row_hose.back_pressure
    sure = bar.row_hose.line is None if known is None else known[0] == known[1]
    strays = any(measured_margins(orifice) is not None for orifice in bar.orifices.values())
    return (0.0,) if sure and not strays else (-1.0, 1.0)


def measured_margins(orifice: Orifice) -> tuple[float, float] | None:
    """Least and greatest liquid margin [Pa] at which an unknown flashing weight was measured; None without a point."""
    if not orifice.measured or orifice.flash_weight is not None:
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
    within = np.clip(margin, 0.5 * low, 2.0 * high)
    below = _STRAY_BELOW * np.maximum(np.log2(low / within), 0.0)
    above = _STRAY_ABOVE * np.maximum(np.log2(within / high), 0.0)
    return np.asarray(-end * np.where(end < 0.0, np.maximum(below, above), above))


def refuse_contradiction(bar: Bar, orifice: Orifice) -> None:
    """Raise if the measured points do not fit the orifice.

    Raises
    ------
    BarError
        Naming the point that fits worst, or all of them where each fits alone.
    """
    if not orifice.measured or len(_measured_corners(bar, orifice)):
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
    return np.asarray(np.unique(pairs, axis=0))


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
    """All corners of what is open, shape (n, 2), as `corner_coefficients`: flows at two conditions go together."""
    return _pairs(_measured_corners(bar, orifice))


def central_coefficients(bar: Bar, orifice: Orifice) -> tuple[float, float]:
    """Most likely discharge coefficient and flashing weight [-].

    The weight is NaN where the land-length model is to give it from the conditions. Measured points have to fit.
    """
    if orifice.measured:
        likely = _measured_corners(bar, orifice, reach=0.0)
        middle = (likely if len(likely) else _measured_corners(bar, orifice)).mean(axis=0)
        return float(np.sqrt(middle[0])), float(middle[1] / middle[0])
    if orifice.flash_weight is not None:
        return orifice.discharge_coefficient, orifice.flash_weight
    return orifice.discharge_coefficient, float("nan") if orifice.land is not None else 0.5


def _kinds(bar: Bar, sections: tuple[int, ...]) -> list[str]:
    """Orifices in use, each once.

    Raises
    ------
    BarError
        If a measured point contradicts its orifice, or more than six kinds of orifice are in use at once.
    """
    kinds = list(dict.fromkeys(bar.sections[index].orifice for index in sections))
    if len(kinds) > _MOST_ORIFICE_KINDS:
        raise BarError(
            f"{len(kinds)} kinds of orifice are in use at once; geoflow bounds at most {_MOST_ORIFICE_KINDS}",
            where="sections",
            cure="give sections with nearly the same orifice the same key",
        )
    for kind in kinds:
        refuse_contradiction(bar, bar.orifices[kind])
    return kinds


def _case(bar: Bar, sections: tuple[int, ...], pairs: dict[str, FloatArray], end: float, **more: bool) -> Case:
    fitted = [pairs[bar.sections[index].orifice] for index in sections]
    return Case(tuple(float(pair[0]) for pair in fitted), tuple(float(pair[1]) for pair in fitted), end, **more)


def bounding_cases(bar: Bar, sections: tuple[int, ...]) -> tuple[Case, ...]:
    """Cases that bound the bar: every corner of every orifice kind in use, with both ends of the back pressure.

    Raises
    ------
    BarError
        If a measured point contradicts its orifice, or more than six kinds of orifice are in use at once.
    """
    kinds = _kinds(bar, sections)
    boiling = bar.two_ended
    corners = [corner_coefficients(bar, bar.orifices[kind]) for kind in kinds]
    return tuple(
        _case(bar, sections, dict(zip(kinds, picked, strict=True)), end, boiling=boiling, strays=True)
        for end in _hose_ends(bar)
        for picked in itertools.product(*corners)
    )


def inner_cases(bar: Bar, sections: tuple[int, ...], end: float) -> tuple[Case, ...]:
    """Cases between which everything lies that the orifices in use may turn out to be, at one end below them.

    All corners of a single kind. Of several kinds those where all lie furthest the same way, in sixteen directions
    of the plane of Cd^2 and Cd^2 b: a mixture of them stands for kinds that turn out differently.
    """
    kinds = _kinds(bar, sections)
    patches = [patch_corners(bar, bar.orifices[kind]) for kind in kinds]
    if len(kinds) == 1:
        picks = [(corner,) for corner in patches[0]]
    else:
        turns = (np.arange(_DIRECTIONS) + 0.5) * (2.0 * np.pi / _DIRECTIONS)
        along = np.stack([np.cos(turns), np.sin(turns)])
        planes = [np.square(patch[:, :1]) * np.column_stack([np.ones(len(patch)), patch[:, 1]]) for patch in patches]
        reached = np.stack([np.argmax(plane @ along, axis=0) for plane in planes], axis=1)
        picks = [
            tuple(patch[at] for patch, at in zip(patches, places, strict=True)) for places in np.unique(reached, axis=0)
        ]
    return tuple(_case(bar, sections, dict(zip(kinds, picked, strict=True)), end, strays=True) for picked in picks)


def open_cases(bar: Bar, sections: tuple[int, ...]) -> tuple[Case, ...]:
    """Greatest and least flow the orifices allow without their measured points; none where nothing was measured."""
    kinds = _kinds(bar, sections)
    if not any(measured_margins(bar.orifices[kind]) for kind in kinds):
        return ()
    cases = []
    for end, pick in ((-1.0, max), (1.0, min)):
        # The greatest coefficient and then the least weight pass the most.
        pairs = {
            kind: np.array(pick(corner_coefficients(bar, replace(bar.orifices[kind], measured=())), key=_freedom))
            for kind in kinds
        }
        cases.append(_case(bar, sections, pairs, end, boiling=bar.two_ended))
    return tuple(cases)


def _freedom(pair: FloatArray) -> tuple[float, float]:
    return float(pair[0]), -float(pair[1])


def central_case(bar: Bar, sections: tuple[int, ...]) -> Case:
    """Return the most likely case: the middle of what is open."""
    pairs = {kind: np.array(central_coefficients(bar, bar.orifices[kind])) for kind in _kinds(bar, sections)}
    return _case(bar, sections, pairs, 0.0)
