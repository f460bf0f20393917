"""The speed that a cure names, as the page can plan it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from geoflow.base.units import System
from geoflow.report.layout import span, within

if TYPE_CHECKING:
    from geoflow.outcomes import VetOutcome

__all__ = ["speed_to_use"]


def speed_to_use(outcome: VetOutcome, at: int, system: System) -> dict[str, Any] | None:
    """Return the speeds at which a zone that does not hold would, in the very numbers its cure names.

    Parameters
    ----------
    outcome : VetOutcome
        What the workflow gave.
    at : int
        Place of the zone.
    system : str
        ``"us"`` or ``"metric"``.

    Returns
    -------
    dict or None
        ``words`` for the button and ``ends`` for the plan; None where no allowed speed would do.
    """
    vetting = outcome.vetting
    low, high = float(vetting.speed_low[at]), float(vetting.speed_high[at])
    if not vetting.limited_by[at] or not math.isfinite(low):
        return None
    ends = span(low, high, "speed", system).replace(",", "").split(" to ")
    return {"words": f"Use this speed: {within(low, high, 'speed', system)}", "ends": [ends[0], ends[-1]]}
