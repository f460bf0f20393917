"""A finding about the bar, and the log gathered to one record for each moment of the whole bar."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import BoolArray, FloatArray, IntArray
from geoflow.base.units import PSI
from geoflow.ground.applied_log import AppliedLog
from geoflow.physics.ammonia import HIGHEST_TEMPERATURE, LOWEST_TEMPERATURE, saturation

__all__ = [
    "FEWEST",
    "NOTHING",
    "SENSOR_ERROR",
    "SHORT",
    "Finding",
    "Moments",
    "known_temperature",
    "lacking_columns",
    "moments",
    "true_flow",
    "vapour_pressure_of",
]

# One per cent of a 300 psi transmitter.
SENSOR_ERROR: Final = 3.0 * PSI
# Flow over asked flow below which the bar fell short.
SHORT: Final = 0.95
# Moments below which nothing is said.
FEWEST: Final = 10
# Share of the meter's least flow below which nothing flows, and a density to make a mass of it [kg/m3].
NOTHING: Final = 0.1
_LIQUID: Final = 600.0


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing the log says about the bar, or why it says nothing.

    Attributes
    ----------
    kind : str
        What it is.
    numbers : dict of str to float
        What to tell about it, SI; the names say of what.
    rows : ndarray of int
        Places in the log (not in the file) that show it.
    confidence : str
        ``"high"``, ``"medium"`` or ``"low"``; ``"none"`` where columns are missing.
    missing : tuple of str
        Columns of the log (or keys of the bar file) without which nothing can be said.
    scope : str
        What part of the bar it speaks of.
    """

    kind: str
    numbers: dict[str, float]
    rows: IntArray
    confidence: str
    missing: tuple[str, ...] = ()
    scope: str = "whole bar"


def lacking_columns(kind: str, log: AppliedLog, *columns: str) -> list[Finding]:
    """Return one finding that names the columns in which nothing is logged; empty where all are there.

    Parameters
    ----------
    kind : str
        Of the finding that cannot be judged.
    log : AppliedLog
        Records, shape (n,).
    *columns : str
        Fields of the log that it needs.
    """
    missing = tuple(
        name
        for name in columns
        if not (known_temperature(log) if name == "temperature" else np.isfinite(getattr(log, name))).any()
    )
    return [Finding(kind, {}, np.empty(0, dtype=np.int64), "none", missing)] if missing else []


@dataclass(frozen=True, slots=True)
class Moments:
    """One record for each moment of the bar, in time order; arrays of shape (moments,).

    Attributes
    ----------
    place : ndarray of int
        Its first record in the log.
    asked : ndarray
        Flow asked for [kg/s].
    width : ndarray
        In use [m].
    full : ndarray of bool
        Whether that is all of the bar.
    flows : ndarray of bool
        Whether anything goes out; where neither flow nor rate is logged, the switch decides.
    number : ndarray of int, shape (records,)
        Moment of each record of the log.
    """

    place: IntArray
    asked: FloatArray
    width: FloatArray
    full: BoolArray
    flows: BoolArray
    number: IntArray

    def records(self, moment: IntArray) -> IntArray:
        """Places in the log of all records of some moments.

        Parameters
        ----------
        moment : ndarray of int or bool
            Which moments.
        """
        chosen = np.zeros(self.place.size, dtype=np.bool_)
        chosen[moment] = True
        return np.flatnonzero(chosen[self.number])


def moments(log: AppliedLog, bar: Bar) -> Moments:
    """Gather the records, one for each section, to moments of the whole bar.

    Parameters
    ----------
    log : AppliedLog
        Records, shape (n,).
    bar : Bar
        As its file says.
    """
    clock = log.time if np.isfinite(log.time).any() else np.arange(log.time.size, dtype=np.float64)
    order = np.lexsort((log.section, clock, log.run))
    new = np.ones(order.size, dtype=np.bool_)
    new[1:] = (np.diff(log.run[order]) != 0) | (np.diff(clock[order]) != 0.0)
    number = np.cumsum(new) - 1
    wanted = np.where(log.on, log.target * log.speed * log.width, 0.0) / bar.nitrogen_fraction
    out = log.on & ~(log.flow <= NOTHING * bar.meter.min_flow * _LIQUID) & ~(log.applied <= 0.0)
    place = order[new]
    by_time = np.argsort(clock[place], kind="stable")

    def over_bar(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(number, values[order]).astype(np.float64)[by_time])

    width = over_bar(np.where(log.on, log.width, 0.0))
    rank = np.empty_like(by_time)
    rank[by_time] = np.arange(by_time.size)
    moment = np.empty_like(order)
    moment[order] = rank[number]
    full = np.abs(width / bar.width - 1.0) <= 0.01
    return Moments(place[by_time], over_bar(wanted), width, full, over_bar(out.astype(np.float64)) > 0.0, moment)


def known_temperature(log: AppliedLog) -> BoolArray:
    """Whether a temperature is logged for which ammonia is known, shape (n,).

    Parameters
    ----------
    log : AppliedLog
        Records, shape (n,).
    """
    return np.asarray((log.temperature >= LOWEST_TEMPERATURE) & (log.temperature <= HIGHEST_TEMPERATURE))


def vapour_pressure_of(log: AppliedLog, known: BoolArray) -> FloatArray:
    """Vapour pressure [Pa], shape (n,); NaN where the temperature is not known.

    Parameters
    ----------
    log : AppliedLog
        Records, shape (n,).
    known : ndarray of bool, shape (n,)
        Where the temperature is known.
    """
    return np.asarray(np.where(known, saturation(np.where(known, log.temperature, 280.0)).pressure, np.nan))


def true_flow(log: AppliedLog, bar: Bar, place: IntArray) -> FloatArray:
    """Flow as it was and not as a meter without temperature correction counted it [kg/s].

    Parameters
    ----------
    log : AppliedLog
        Records, shape (n,).
    bar : Bar
        As its file says.
    place : ndarray of int
        Records of it whose flow is wanted.
    """
    reference = bar.meter.reference_temperature
    if reference is None:
        return log.flow[place]
    density = saturation(log.temperature[place]).liquid_density
    return np.asarray(log.flow[place] * density / saturation(reference).liquid_density)
