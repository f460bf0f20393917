"""The temperature of the liquid as people know it: off a thermometer, or off the gauge of the tank it boils in."""

from __future__ import annotations

from geoflow.base.errors import QuantityError, RangeError
from geoflow.base.ranges import parse_pressure_range, parse_range
from geoflow.physics.ammonia import saturation_temperature

__all__ = ["liquid_temperature", "tank_gauge"]

_GAUGE = 'or write what the gauge on the tank reads: "78 psi"'


def tank_gauge(text: object, air_pressure: float) -> tuple[float, float] | None:
    """Read a tank's gauge as absolute pressures [Pa], low and high; None where the text is no pressure.

    Parameters
    ----------
    text : object
        What was written.
    air_pressure : float
        At the site [Pa].
    """
    try:
        return parse_pressure_range(text, air_pressure)
    except QuantityError:
        return None


def liquid_temperature(text: object, air_pressure: float, *, where: str = "") -> tuple[float, float]:
    """Read a liquid temperature [K], low and high, given as such or as the gauge pressure of its tank.

    Liquid and vapour of a tank that stands are in equilibrium, so its pressure is the vapour pressure of pure ammonia
    (`geoflow.physics.ammonia`); the little water of farm ammonia
    lowers it by about its share, so the liquid is 0.1 to 0.3 degF warmer than told.

    Parameters
    ----------
    text : object
        ``"40 degF"``, ``"35..62 degF"``, ``"78 psi"`` or ``"70..85 psi"``.
    air_pressure : float
        At the site [Pa].
    where : str
        Option or key, for the error.

    Raises
    ------
    QuantityError
        If it is neither, or no pressure ammonia has between -54 and 136 degF.
    """
    pressures = tank_gauge(text, air_pressure)
    if pressures is None:
        try:
            return parse_range(text, "temperature", where=where)
        except QuantityError as problem:
            raise QuantityError(problem.what, where=where, cure=f"{problem.cure}; {_GAUGE}") from problem
    try:
        low, high = (float(saturation_temperature(pressure)) for pressure in pressures)
    except RangeError as problem:
        raise QuantityError(
            f"'{text}' on the tank's gauge is no pressure that ammonia has from -54 to 136 degF",
            where=where,
            cure='give it like "78 psi", or the liquid temperature like "40 degF"',
        ) from problem
    return low, high
