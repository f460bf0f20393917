"""Measured points in words: what was read, and what it means at one orifice."""

from __future__ import annotations

from geoflow.bar.equipment import Bar, MeasuredPoint
from geoflow.base.units import System, show, show_range

__all__ = ["point_lines"]


def point_lines(bar: Bar, system: System) -> list[str]:
    """Return a line for each measured point that had to be worked out: what was read and what that comes to.

    Parameters
    ----------
    bar : Bar
        As read.
    system : str
        ``"us"`` or ``"metric"``.
    """
    return [
        f"{orifice.name} {number}: {_flow(point, system)}; {_pressure(point, bar, system)}; {_warmth(point, system)}"
        for orifice in bar.orifices.values()
        for number, point in enumerate(orifice.measured, 1)
        if _worked_out(point)
    ]


def _worked_out(point: MeasuredPoint) -> bool:
    read = point.readings
    return read is not None and (read.rows > 1 or read.feed_loss is not None or read.tank_gauge)


def _flow(point: MeasuredPoint, system: System) -> str:
    one = f"{show(point.flow, 'ammonia flow', system, 2)} ± {100.0 * point.flow_tolerance:.2g} % through one orifice"
    read = point.readings
    if read is None or read.rows == 1:
        return one
    return f"{read.flow} through {read.rows} rows = {one}"


def _pressure(point: MeasuredPoint, bar: Bar, system: System) -> str:
    gauge = show(point.pressure - bar.air_pressure, "pressure", system)
    said = f"{gauge} ± {show(point.pressure_tolerance, 'pressure', system)} gauge above it"
    loss = None if point.readings is None else point.readings.feed_loss
    if point.readings is None or loss is None:
        return said
    return (
        f"{point.readings.pressure} after the valve less {show_range(*loss, 'pressure', system)} in the feeds = {said}"
    )


def _warmth(point: MeasuredPoint, system: System) -> str:
    off = show(point.temperature_tolerance, "temperature difference", system)
    said = f"{show(point.temperature, 'temperature', system, 1)} ± {off}"
    read = point.readings
    return f"tank gauge {read.temperature} = {said}" if read is not None and read.tank_gauge else f"liquid {said}"
