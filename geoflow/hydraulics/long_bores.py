"""Orifices whose bore is long against its diameter, in a bar: their bounds, and what measured points leave of them.

A point measured on such a bore gives the ratio of its flow to the fitted one there. At other margins and temperatures
that ratio may have moved, as far as one and the same tube's did in the tests of refrigerants.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar, MeasuredPoint, Orifice
from geoflow.base.arrays import FloatArray, Floats
from geoflow.hydraulics.row_hose import below_at
from geoflow.physics.ammonia import Saturation, saturation
from geoflow.physics.short_tubes import (
    FLOW_BAND,
    TESTED_PROPORTION,
    TESTED_SUBCOOLING,
    tube_drift,
    tube_flow,
    tube_flow_bounds,
    validity,
)

__all__ = ["LongBore", "is_bounded_as_long", "is_long", "is_tested", "long_bore"]

# Of a range of tolerances nothing shorter is told apart [-].
_LEAST_TOLERANCE: Final = 1e-6


@dataclass(frozen=True, slots=True)
class _PointBand:
    """What a measured point tells: margin [Pa], temperature [K], least and greatest flow over the fitted one [-]."""

    margin: float
    temperature: float
    least: float
    most: float


@dataclass(frozen=True, slots=True)
class LongBore:
    """One kind of long orifice.

    Attributes
    ----------
    land, diameter : float
        Length and diameter of the bore [m]; the latter may be an array.
    coefficients : tuple of float
        Least and greatest coefficient it is stated to have [-].
    readings : tuple
        Of its measured points.
    """

    land: float
    diameter: Floats
    coefficients: tuple[float, float]
    readings: tuple[_PointBand, ...]

    def band(self, saturated: Saturation, pressure: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Least and greatest flow over the fitted one [-] that the tests and the measured points leave.

        Parameters
        ----------
        saturated : Saturation
            Of the liquid before the orifice.
        pressure : ndarray
            Before the orifice, absolute [Pa].
        """
        low, high = (np.full(np.shape(pressure), 1.0 + side * FLOW_BAND) for side in (-1.0, 1.0))
        for reading in self.readings:
            margin = pressure - saturated.pressure
            drift = tube_drift(margin, saturated.temperature, reading.margin, reading.temperature)
            low, high = np.maximum(low, reading.least * (1.0 - drift)), np.minimum(high, reading.most * (1.0 + drift))
        return np.minimum(low, high), np.maximum(low, high)

    def flow(self, saturated: Saturation, pressure: Floats, below: Floats, way: FloatArray) -> FloatArray:
        """Ammonia through one orifice [kg/s].

        Parameters
        ----------
        saturated : Saturation
            Of the liquid before the orifice.
        pressure, below : array_like
            Before and just below the orifice, absolute [Pa].
        way : ndarray
            -1 for the least flow, 0 for the likely, +1 for the greatest; -2 and +2 for the outer two without the
            measured points.
        """
        bore = self.land, self.diameter, self.coefficients
        least, likely, most = tube_flow_bounds(saturated, pressure, below, *bore, self.band)
        if self.readings and np.any(np.abs(way) > 1.0):
            bare = tube_flow_bounds(saturated, pressure, below, *bore)
            least, most = np.where(way < -1.0, bare[0], least), np.where(way > 1.0, bare[2], most)
        return np.asarray(np.where(way < 0.0, least, np.where(way > 0.0, most, likely)))


def is_long(orifice: Orifice) -> bool:
    """Whether the bore is known to be five diameters or longer, and how far the liquid flashes in it is not given.

    Parameters
    ----------
    orifice : Orifice
        Of a bar.
    """
    known = orifice.flash_weight is not None or orifice.flashing is not None or orifice.land is None
    known = known or orifice.learned is not None
    return not known and (orifice.land or 0.0) / orifice.diameter >= TESTED_PROPORTION[0] * 0.999


def is_tested(orifice: Orifice) -> bool:
    """Whether refrigerants were measured in bores like this one.

    Parameters
    ----------
    orifice : Orifice
        Of a bar.
    """
    liquid = saturation(288.0)
    return is_long(orifice) and bool(validity(liquid, liquid.pressure, orifice.land or 0.0, orifice.diameter).bore)


def _reading(bar: Bar, orifice: Orifice, point: MeasuredPoint) -> _PointBand:
    tolerance = max(point.flow_tolerance, _LEAST_TOLERANCE)

    def fitted(side: float) -> float:
        """Greatest (+1) or least (-1) flow of the fitted bore at the readings."""
        liquid = saturation(point.temperature - side * point.temperature_tolerance)
        pressure = point.pressure + side * point.pressure_tolerance
        below = below_at(bar, replace(point, flow=point.flow * (1.0 - side * tolerance)), -side)
        return float(tube_flow(liquid, pressure, below, orifice.land or 0.0, orifice.diameter))

    least, most = point.flow * (1.0 - tolerance) / fitted(1.0), point.flow * (1.0 + tolerance) / fitted(-1.0)
    margin = point.pressure - float(saturation(point.temperature).pressure)
    return _PointBand(margin, point.temperature, least, most)


def long_bore(bar: Bar, orifice: Orifice) -> LongBore | None:
    """Return the bore where it is long, with its measured points if they fit it and bores like it were tested.

    Parameters
    ----------
    bar : Bar
        Its row hose gives the back pressure measured points worked against.
    orifice : Orifice
        One of its orifices.
    """
    if not is_long(orifice):
        return None
    spread = orifice.coefficient_tolerance
    ends = orifice.discharge_coefficient * (1.0 - spread), orifice.discharge_coefficient * (1.0 + spread)
    readings = tuple(_reading(bar, orifice, point) for point in orifice.measured) if is_tested(orifice) else ()
    bore = LongBore(orifice.land or 0.0, orifice.diameter, ends, readings)
    return bore if _fits(bore) else LongBore(bore.land, bore.diameter, ends, ())


def _fits(bore: LongBore) -> bool:
    """Whether the points contradict neither each other nor the band of the tests."""
    for reading in bore.readings:
        low, high = 1.0 - FLOW_BAND, 1.0 + FLOW_BAND
        liquid = saturation(reading.temperature)
        ends = [float(saturation(reading.temperature + kelvin).pressure) for kelvin in TESTED_SUBCOOLING]
        here = float(np.clip(reading.margin, ends[0] - liquid.pressure, ends[1] - liquid.pressure))
        for other in bore.readings:
            drift = float(tube_drift(here, reading.temperature, other.margin, other.temperature))
            # At its own state a point is what it is.
            drift = 0.0 if other is reading and here == reading.margin else drift
            low, high = max(low, other.least * (1.0 - drift)), min(high, other.most * (1.0 + drift))
        if low > high:
            return False
    return True


def is_bounded_as_long(bar: Bar, orifice: Orifice) -> bool:
    """Whether the tests of refrigerants bound the orifice: a long bore that no measured point takes out of them.

    A point on a bore unlike those tested, or one that contradicts the tests, counts more than they do.

    Parameters
    ----------
    bar : Bar
        Its row hose gives the back pressure measured points worked against.
    orifice : Orifice
        One of its orifices.
    """
    bore = long_bore(bar, orifice)
    return bore is not None and (not orifice.measured or bool(bore.readings))
