"""What logs tell of an orifice: frozen dataclasses in SI units."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Evidence", "Learned", "LearnedLog", "OrificeWay"]


@dataclass(frozen=True, slots=True)
class OrificeWay:
    """One way in which a learned orifice may turn out, or how far it may stray in one direction.

    Attributes
    ----------
    coefficient, flash_weight : float
        Of discharge [-], and flashing weight at the margin and temperature of its `Learned` [-].
    rise, warming : float
        How the weight goes: with the margin (`hydraulics.learned_ways.weight_at`) [-], and with the temperature [1/K].
    below : float
        Pressure below the orifice over what the bar's row hose gives [Pa].
    """

    coefficient: float
    flash_weight: float
    rise: float
    warming: float
    below: float


@dataclass(frozen=True, slots=True)
class LearnedLog:
    """A log an orifice was learned from.

    Attributes
    ----------
    name, sha256, date : str
        Of its file, and of the day it was learned from.
    moments, passes : int
        That counted.
    standing : float or None
        Bar pressure as read over the vapour pressure while the machine stood with everything shut [Pa].
    standing_temperature : float or None
        Of the liquid then, as read [K].
    ticket : float or None
        Weight on the scale tickets over the weight logged [-].
    """

    name: str
    sha256: str
    date: str
    moments: int
    passes: int
    standing: float | None = None
    standing_temperature: float | None = None
    ticket: float | None = None


@dataclass(frozen=True, slots=True)
class Evidence:
    """What steady moments of a log say together: one row's flow as logged, with the readings above its orifice.

    Attributes
    ----------
    log : int
        Place of the log among those learned from, from 1.
    flow : float
        Ammonia through one row [kg/s].
    pressure, temperature : float
        As read above the orifice, absolute [Pa], and of the liquid [K].
    error : float
        Standard error of the flow at these readings [-].
    """

    log: int
    flow: float
    pressure: float
    temperature: float
    error: float


@dataclass(frozen=True, slots=True)
class Learned:
    """What logs tell of an orifice; counts more than its coefficient, land and measured points in the file.

    Attributes
    ----------
    date : str
        When it was learned last, as 2026-11-28.
    margin, at_temperature : float
        Liquid margin [Pa] and temperature [K] at which the weights of the ways are.
    pressure, temperature : tuple of float
        Lowest and highest above the orifices, absolute [Pa], and of the liquid [K], in what was learned from.
    moments, passes : int
        That it was learned from.
    likely : OrificeWay
        The most likely way.
    cases : tuple of OrificeWay
        Ways that bound, at any margin and temperature, what remains possible at 95 % coverage.
    spread : tuple of OrificeWay
        Directions in which it may stray from the likely way, each as far as one standard deviation.
    logs, evidence : tuple
        What it was learned from, oldest first, for learning again.
    """

    date: str
    margin: float
    at_temperature: float
    pressure: tuple[float, float]
    temperature: tuple[float, float]
    moments: int
    passes: int
    likely: OrificeWay
    cases: tuple[OrificeWay, ...]
    spread: tuple[OrificeWay, ...] = ()
    logs: tuple[LearnedLog, ...] = ()
    evidence: tuple[Evidence, ...] = ()
