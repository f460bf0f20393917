"""The charts of a window in words and tables, for those who do not see them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.base.said import said, said_range
from geoflow.base.units import KINDS, System, from_si, show, to_si, unit_label
from geoflow.report.layout import span
from geoflow.report.model import Table

if TYPE_CHECKING:
    from geoflow.decide.vet import Plan
    from geoflow.report.window_bands import Band

__all__ = ["AXES", "band_table", "band_title"]

AXES: Final = {"temperature": "liquid temperature", "speed": "ground speed"}
"""What each kind of band lies over."""
_EACH: Final = {
    "temperature": {"us": 10.0, "metric": 5.0},
    "speed": {"us": 1.0, "metric": 2.0},
}


def band_title(kind: str, plan: Plan, system: System) -> str:
    """Say what a window over one axis holds for, on the other one.

    Parameters
    ----------
    kind : str
        ``"temperature"`` or ``"speed"``.
    plan : Plan
        What is planned.
    system : str
        ``"us"`` or ``"metric"``.
    """
    other = ("at ", plan.speed, "speed") if kind == "temperature" else ("liquid ", plan.temperature, "temperature")
    return f"Over {AXES[kind]}, {other[0]}{said_range(*other[1], other[2], system)}"


def band_table(band: Band, system: System) -> Table:
    """Give a window over one axis at round places and at the ends of the plan.

    Parameters
    ----------
    band : Band
        Over temperature or over speed.
    system : str
        ``"us"`` or ``"metric"``.
    """
    kind, rate = band.kind, unit_label("nitrogen rate", system)
    unit = KINDS[kind].us if system == "us" else KINDS[kind].metric
    first, last = (float(from_si(float(end), kind, unit)) for end in (band.x[0], band.x[-1]))
    each = _EACH[kind][system]
    round_ones = to_si(np.arange(np.ceil(first / each - 1e-9), np.floor(last / each + 1e-9) + 1.0) * each, kind, unit)
    # By place, told apart to a millionth; the plan's own ends count as they were given.
    places = {round(float(place), 6): (float(place), "") for place in round_ones.tolist()}
    places |= {round(end, 6): (end, " (plan)") for end in band.plan}
    rows = []
    for _, (place, mark) in sorted(places.items()):
        certain, possible, limits = band.at(place)
        spans = [span(*ends, "nitrogen rate", system) for ends in (certain, possible)]
        ended = limits if spans[0] != "none" or spans[1] != "none" else ("", "")
        where = said(place, kind, system) if mark else show(place, kind, system)
        rows.append((f"{where}{mark}", *spans, *ended))
    heads = (AXES[kind], f"certain {rate}", f"possible {rate}", "low end", "high end")
    return Table(f"Window over {AXES[kind]}", heads, tuple(rows), "<<<<<", (1.4, 1.4, 1.4, 1.6, 1.6))
