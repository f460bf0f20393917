"""Ground that does not get its rate, by why: counted where it falls, section by section and moment by moment."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray
from geoflow.reconciliation.ground import OFF
from geoflow.rehearsal.driven import Way, give
from geoflow.rehearsal.route import INTERVAL
from geoflow.rehearsal.setup import Setup, middle_draw

__all__ = ["ACROSS", "BEGIN", "BORDER", "METER", "SWITCHED", "TURNING", "WINDOW", "Losses", "find_losses"]

# The words of `reconciliation.causes`, where they mean the same.
BORDER: Final = "latency, rate step"
ACROSS: Final = "zone border"
BEGIN: Final = "pass begins"
SWITCHED: Final = "section event, speed change"
WINDOW: Final = "window limit"
METER: Final = "meter"
TURNING: Final = "turning"


@dataclass(frozen=True, slots=True)
class Losses:
    """Ground more than 10 % off what the map asks there, on the middle day.

    Attributes
    ----------
    area : dict of str to float
        By cause [m2]: the response to a rate step at a border, a zone border under the bar, sections and speed, the
        begin of a pass, the path's curve, the window's limit, and a meter without temperature correction.
    uneven : float
        Ground below the window's low end, where rows go uneven, on target or not [m2].
    not_as_asked : float
        Ground that is off or uneven, and what no pass reaches [m2].
    """

    area: dict[str, float]
    uneven: float
    not_as_asked: float

    @property
    def off(self) -> float:
        """Ground that is off, whatever the cause [m2]."""
        return sum(self.area.values())


def _off(rate: FloatArray, way: Way, asked: FloatArray) -> BoolArray:
    return np.asarray(np.abs(rate[:, None] * way.turned - asked) > OFF * asked)


def find_losses(way: Way, setup: Setup, rate: FloatArray) -> Losses:
    """Find what is off, and the first cause that makes it so.

    What a control that follows at once would not hold either is put down to the bar's limits, to a border under the
    bar (one rate cannot suit two zones), to the path's curve or to the meter; what is off though the target never
    changed, to sections and speed; what is off though a pass began with its rate, to the zone border before; the rest
    to the pass's begin.

    Parameters
    ----------
    way : Way
        As driven.
    setup : Setup
        What was driven.
    rate : ndarray, shape (zones,)
        What the map asks [kg/m2].
    """
    draw = middle_draw(setup)
    real = give(way, setup, draw)
    begun = give(way, setup, draw, from_nothing=False)
    level = give(way, setup, draw, from_nothing=False, level=True)
    ideal = give(way, setup, draw, ideal=True)
    area = np.where(way.on, (way.moments.speed * INTERVAL)[:, None] * setup.sections.width, 0.0)
    asked = np.where(way.zone >= 0, rate[way.zone], 0.0)
    counts = (area > 0.0) & (asked > 0.0)
    off = _off(real.true, way, asked) & counts
    beyond_control = _off(ideal.true, way, asked)
    reasons = (
        (WINDOW, beyond_control & ideal.short[:, None]),
        (ACROSS, beyond_control & (asked != way.here[:, None])),
        (TURNING, beyond_control & (np.abs(way.turned - 1.0) > 0.5 * OFF)),
        (METER, beyond_control),
        (SWITCHED, _off(level.true, way, asked)),
        (BORDER, _off(begun.true, way, asked)),
    )
    left, found = off, dict[str, float]()
    for name, flags in reasons:
        found[name] = float(area[left & flags].sum())
        left = left & ~flags
    found[BEGIN] = float(area[left].sum())
    uneven = counts & real.uneven[:, None]
    return Losses(found, float(area[uneven].sum()), float(area[off | uneven].sum()) + way.left)
