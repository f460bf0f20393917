"""Air pressure at the site."""

from __future__ import annotations

from typing import Final

__all__ = ["SEA_LEVEL_PRESSURE", "standard_air_pressure"]

SEA_LEVEL_PRESSURE: Final = 101325.0
_EARTH_RADIUS: Final = 6_356_766.0
_SEA_LEVEL_TEMPERATURE: Final = 288.15
_LAPSE_RATE: Final = 0.0065
# g M / (R L) with the constants of the 1976 standard: 9.80665 * 0.0289644 / (8.31432 * 0.0065)
_EXPONENT: Final = 9.80665 * 0.0289644 / (8.31432 * 0.0065)


def standard_air_pressure(elevation: float) -> float:
    """Air pressure of the U.S. Standard Atmosphere, 1976, equation 33b (troposphere).

    Parameters
    ----------
    elevation : float
        Height above sea level [m], valid from -500 to 11000 m. Weather moves the true pressure by a few percent.

    Returns
    -------
    float
        Absolute pressure [Pa].
    """
    geopotential = _EARTH_RADIUS * elevation / (_EARTH_RADIUS + elevation)
    return float(SEA_LEVEL_PRESSURE * (1.0 - _LAPSE_RATE * geopotential / _SEA_LEVEL_TEMPERATURE) ** _EXPONENT)
