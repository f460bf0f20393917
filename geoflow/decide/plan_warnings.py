"""What about a plan needs a second look before anything is solved."""

from __future__ import annotations

from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar
from geoflow.base.said import said_range
from geoflow.base.units import show
from geoflow.physics.ammonia import saturation

__all__ = ["plan_warnings"]

_ROUNDING: Final = 1e-9


def plan_warnings(bar: Bar, temperature: tuple[float, float], speed: tuple[float, float] | None) -> tuple[str, ...]:
    """Say what about a plan needs a second look, one sentence each.

    Parameters
    ----------
    bar : Bar
        The equipment.
    temperature : tuple of float
        Coldest and warmest liquid [K].
    speed : tuple of float or None
        Slowest and fastest planned [m/s]; None where no speed is planned.
    """
    said: list[str] = []
    cold, warm = saturation(np.array(temperature)).pressure - bar.air_pressure
    rated = bar.at_end(-1.0).limits.max_pressure - bar.air_pressure
    if warm >= rated:
        said.append(
            f"DANGER: the liquid's own pressure reaches {show(warm, 'pressure', 'us', 0)}, at or above the bar's "
            f"rated {show(bar.rated_gauge[0], 'pressure', 'us', 0)}. Do not connect it; nothing below can cure that."
        )
    if cold <= 0.0:
        said.append(
            "The coldest liquid has no pressure above the air: it does not feed the pump, and leaks draw air in."
        )
    slowest, fastest = bar.limits.speed
    if speed is not None and (speed[0] < slowest * (1.0 - _ROUNDING) or speed[1] > fastest * (1.0 + _ROUNDING)):
        said.append(
            f"The planned {said_range(*speed, 'speed', 'us')} leaves the "
            f"{said_range(slowest, fastest, 'speed', 'us')} the bar file allows; the verdicts speak of flow and "
            "pressure only."
        )
    return tuple(said)
