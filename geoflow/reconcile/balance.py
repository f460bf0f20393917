"""The logged total against scale tickets, and the meter calibration that follows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.bar.keys import NITROGEN_FRACTION
from geoflow.base.arrays import FloatArray, IntArray
from geoflow.base.errors import RangeError
from geoflow.ground.applied_log import AppliedLog
from geoflow.hydraulics.metering import pulses_per_nitrogen
from geoflow.physics.ammonia import saturation

__all__ = ["MOST_LOST", "Balance", "Gaps", "gaps", "logged_ammonia", "mass_balance", "mean_temperature"]

# Share of the ammonia missing from the log above which no calibration follows from it: half of what a meter is good
# for (1 %: common practice, no source).
MOST_LOST: Final = 0.005
# Records follow each other as usual up to so many intervals, or steps where there is no clock.
_USUAL: Final = 1.5
# Driven straight on through a gap: cosine of 30 degrees, and the way over that at the speed logged either side.
_STRAIGHT: Final = 0.866
_WAY: Final = (0.7, 1.4)
# Without a clock nothing tells a gap from another field beyond this [m].
_LONGEST: Final = 200.0
_LEAST_WAY: Final = 0.5


@dataclass(frozen=True, slots=True)
class Gaps:
    """Stretches missing from a log through which the bar went straight on at the speed logged either side, switched on.

    Attributes
    ----------
    after : ndarray of int, shape (gaps,)
        Places in the log of the first record after each; a gap of several sections is there for each of them.
    nitrogen : ndarray, shape (gaps,)
        What went out in each at the mean of the rates either side [kg].
    share : float
        Of all that went out, in the records and in the gaps [-].
    """

    after: IntArray
    nitrogen: FloatArray
    share: float


@dataclass(frozen=True, slots=True)
class Balance:
    """Log against ticket.

    Attributes
    ----------
    logged, bridged, ticket : float
        Ammonia [kg]: in the log's records, in its gaps, over the scale.
    lost_share : float
        Of what went out by the log, the part in its gaps [-].
    ratio : float
        Logged and bridged over ticket [-]; above 1 the meter counts too much.
    meter_factor : float
        Ticket over logged and bridged [-].
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

    None of the three is there where more than half a percent is lost: the bridges are guesses.
    """

    logged: float
    bridged: float
    ticket: float
    lost_share: float
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
    """Ammonia the log says went out [kg]; what fell on ground already covered went out too.

    Parameters
    ----------
    log : AppliedLog
        Records, shape (n,).
    nitrogen_fraction : float
        Mass of nitrogen over mass of ammonia [-].
    """
    return float(_product(log).sum()) / nitrogen_fraction


def gaps(log: AppliedLog) -> Gaps:
    """Find what is missing from the log between records of one section that both are on.

    What the second record's own step covers is not missing. Where the way or its direction says that the machine did
    not drive straight on, it turned, stood or lifted the bar, and nothing is missing. A machine that logs nothing
    while it is switched off looks the same as a gap if it drives on.

    Parameters
    ----------
    log : AppliedLog
        Records, shape (n,).
    """
    timed = bool(np.isfinite(log.time).any())
    clock = log.time if timed else np.arange(log.time.size, dtype=np.float64)
    order = np.lexsort((clock, log.section))
    before, after = order[:-1], order[1:]
    east, north, taken = log.x[after] - log.x[before], log.y[after] - log.y[before], clock[after] - clock[before]
    way = np.hypot(east, north)
    within = (log.section[after] == log.section[before]) & (log.run[after] == log.run[before])
    moving = within & (log.step[after] > 0.0)
    if not moving.any():
        return Gaps(np.empty(0, dtype=np.int64), np.empty(0), 0.0)
    usual_step, usual_time = float(np.median(log.step[after][moving])), float(np.median(taken[moving]))
    missing = way - np.nan_to_num(log.step[after])
    found = (log.section[after] == log.section[before]) & log.on[after] & log.on[before]
    found &= missing > _LEAST_WAY * usual_step
    with np.errstate(divide="ignore", invalid="ignore"):
        for end in (before, after):
            found &= (np.sin(log.heading[end]) * east + np.cos(log.heading[end]) * north) / way > _STRAIGHT
        if timed:
            share = way / (0.5 * (log.speed[before] + log.speed[after]) * taken)
            found &= (taken > _USUAL * usual_time) & (share > _WAY[0]) & (share < _WAY[1])
        else:
            found &= (way > _USUAL * usual_step) & (way < _LONGEST)
    before, after, missing = before[found], after[found], missing[found]
    rates = np.stack([log.applied[before], log.applied[after]])
    known = np.isfinite(rates)
    rate = np.where(known, rates, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    nitrogen = np.asarray(rate * missing * np.nan_to_num(log.width[after]))
    lost, kept = float(nitrogen.sum()), float(_product(log).sum())
    return Gaps(after, nitrogen, lost / (lost + kept) if lost > 0.0 else 0.0)


def mean_temperature(log: AppliedLog) -> float | None:
    """Mean liquid temperature, weighted by what went out [K]; None where none is logged.

    Parameters
    ----------
    log : AppliedLog
        Records, shape (n,).
    """
    product = _product(log)
    known = np.isfinite(log.temperature) & (product > 0.0)
    return float(np.average(log.temperature[known], weights=product[known])) if known.any() else None


def _temperature_ratio(density: float | None, reference_temperature: float | None) -> float | None:
    """Reference over true density [-]: 1 with a correction, None where the temperature is not known."""
    if reference_temperature is None:
        return 1.0
    return None if density is None else float(saturation(reference_temperature).liquid_density) / density


def mass_balance(
    logged: float,
    ticket: float,
    *,
    bridged: float = 0.0,
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
    bridged : float
        Ammonia in the log's gaps [kg]; above half a percent of all, no calibration follows.
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
    ratio, lost = (logged + bridged) / ticket, bridged / (logged + bridged)
    density = None if temperature is None else float(saturation(temperature).liquid_density)
    explained = _temperature_ratio(density, reference_temperature)
    remaining = None if explained is None else ratio / explained
    if lost > MOST_LOST:
        pulses_per_volume = None
    true = None if pulses_per_volume is None or remaining is None else pulses_per_volume * remaining
    return Balance(
        logged,
        bridged,
        ticket,
        lost,
        ratio,
        1.0 / ratio,
        explained,
        remaining,
        true,
        None if pulses_per_volume is None else pulses_per_volume * ratio,
        None if true is None or density is None else float(pulses_per_nitrogen(true, density, nitrogen_fraction)),
    )
