"""The logged total against scale tickets, and the meter calibration that follows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geoflow.asapplied import AppliedLog
from geoflow.bar_keys import NITROGEN_FRACTION
from geoflow.errors import RangeError
from geoflow.metering import pulses_per_nitrogen
from geoflow.physics.ammonia import saturation

__all__ = ["Balance", "logged_ammonia", "mass_balance", "mean_temperature"]


@dataclass(frozen=True, slots=True)
class Balance:
    """Log against ticket.

    Attributes
    ----------
    logged, ticket : float
        Ammonia [kg].
    ratio : float
        Logged over ticket [-]; above 1 the meter counts too much.
    meter_factor : float
        Ticket over logged [-]: what the log has to be multiplied by.
    temperature_ratio : float or None
        Part of the ratio that the missing temperature correction makes, reference over true density [-]; 1 with
        a correction, None where a temperature to tell it is missing.
    remaining_ratio : float or None
        What the meter itself is off, ratio over `temperature_ratio` [-].
    pulses_per_volume : float or None
        Corrected, of true volume, right at any temperature [1/m3].
    pulses_per_volume_as_used : float or None
        Corrected, for a controller that goes on without temperature correction: right at this temperature only
        [1/m3].
    pulses_per_nitrogen : float or None
        Corrected, at the liquid's temperature [1/kg].
    """

    logged: float
    ticket: float
    ratio: float
    meter_factor: float
    temperature_ratio: float | None
    remaining_ratio: float | None
    pulses_per_volume: float | None
    pulses_per_volume_as_used: float | None
    pulses_per_nitrogen: float | None


def _product(log: AppliedLog) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Nitrogen of each record [kg]; none where the section is off or nothing is logged."""
    return np.where(log.on, np.nan_to_num(log.applied * log.step * log.width), 0.0)


def logged_ammonia(log: AppliedLog, nitrogen_fraction: float) -> float:
    """Ammonia the log says went out [kg]; what fell on ground already covered went out too."""
    return float(_product(log).sum()) / nitrogen_fraction


def mean_temperature(log: AppliedLog) -> float | None:
    """Mean liquid temperature, weighted by what went out [K]; None where none is logged."""
    product = _product(log)
    known = np.isfinite(log.temperature) & (product > 0.0)
    return float(np.average(log.temperature[known], weights=product[known])) if known.any() else None


def mass_balance(
    logged: float,
    ticket: float,
    *,
    nitrogen_fraction: float = NITROGEN_FRACTION,
    pulses_per_volume: float | None = None,
    temperature: float | None = None,
    reference_temperature: float | None = None,
) -> Balance:
    """Compare the logged total with scale tickets.

    A meter counts volume. Where the controller takes the density at a reference temperature, it counts
    logged/true = (pulses true / pulses set) x (reference density / true density); the second factor is no fault of the
    meter and comes back with every change of weather.

    Parameters
    ----------
    logged, ticket : float
        Ammonia in the log and over the scale [kg].
    nitrogen_fraction : float
        Mass of nitrogen over mass of ammonia [-].
    pulses_per_volume : float, optional
        As set in the controller while logging [1/m3].
    temperature : float, optional
        Of the liquid in the meter, logged or planned [K].
    reference_temperature : float, optional
        At which the controller takes the density [K]; None where it uses the true one.

    Raises
    ------
    RangeError
        If one of the totals is not above zero, or a temperature lies outside the table.
    """
    for name, mass in (("logged total", logged), ("scale ticket", ticket)):
        if not 0.0 < mass < np.inf:
            raise RangeError(
                f"the {name} is not above zero", where=name, cure="give the ammonia that went out, by weight"
            )
    ratio = logged / ticket
    density = None if temperature is None else float(saturation(temperature).liquid_density)
    explained: float | None = 1.0
    if reference_temperature is not None:
        explained = None if density is None else float(saturation(reference_temperature).liquid_density) / density
    remaining = None if explained is None else ratio / explained
    true = None if pulses_per_volume is None or remaining is None else pulses_per_volume * remaining
    return Balance(
        logged,
        ticket,
        ratio,
        1.0 / ratio,
        explained,
        remaining,
        true,
        None if pulses_per_volume is None else pulses_per_volume * ratio,
        None if true is None or density is None else float(pulses_per_nitrogen(true, density, nitrogen_fraction)),
    )
