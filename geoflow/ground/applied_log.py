"""An as-applied log in SI units, after reading and screening, as everything downstream takes it."""

from __future__ import annotations

from dataclasses import dataclass

from geoflow.base.arrays import BoolArray, FloatArray, IntArray

__all__ = ["AppliedLog"]


@dataclass(frozen=True, slots=True)
class AppliedLog:
    """Records of one log in time order; every array has shape (n,). NaN where a record says nothing.

    One record speaks of one section over one step of the machine: a log with a point per bar has one section, 0.

    Attributes
    ----------
    row : ndarray of int
        Row of the record in its file.
    time : ndarray
        Seconds since the first record [s]; NaN throughout where the log has no clock.
    x, y : ndarray
        Position of the record in the local equal-area frame, east and north [m].
    heading : ndarray
        Direction of travel, clockwise from north [rad].
    speed : ndarray
        Over ground [m/s].
    step : ndarray
        Length of ground the record stands for, ending at its position [m].
    section : ndarray of int
        Number of the section, from 0 at the left.
    offset : ndarray
        Centre of the section to the right of the bar's centre [m].
    width : ndarray
        Of the section [m].
    run : ndarray of int
        Number of the uninterrupted pass the record belongs to.
    on : ndarray of bool
        Whether the section was delivering.
    applied : ndarray
        Nitrogen rate logged [kg/m2].
    target : ndarray
        Nitrogen rate the log says was asked for [kg/m2].
    flow : ndarray
        Ammonia flow of the whole bar [kg/s].
    pump_pressure, bar_pressure : ndarray
        At the pump outlet and after the control valve, absolute [Pa].
    temperature : ndarray
        Of the liquid [K].
    """

    row: IntArray
    time: FloatArray
    x: FloatArray
    y: FloatArray
    heading: FloatArray
    speed: FloatArray
    step: FloatArray
    section: IntArray
    offset: FloatArray
    width: FloatArray
    run: IntArray
    on: BoolArray
    applied: FloatArray
    target: FloatArray
    flow: FloatArray
    pump_pressure: FloatArray
    bar_pressure: FloatArray
    temperature: FloatArray
