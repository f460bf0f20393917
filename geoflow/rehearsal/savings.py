"""What another heading, speed, map or look-ahead time would save: each driven anew."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from geoflow.bar.equipment import Controller
from geoflow.base.arrays import FloatArray
from geoflow.base.units import MILE_PER_HOUR
from geoflow.ground.passes import lay_passes, next_along, short_pieces
from geoflow.rehearsal.cells import Cells
from geoflow.rehearsal.driven import Way, drive_field, with_display
from geoflow.rehearsal.losses import BORDER, Losses, find_losses
from geoflow.rehearsal.setup import DisplaySettings, Setup, middle_draw

__all__ = ["Alternative", "find_savings", "without_small_zones"]

_TURNS: Final = (0.25 * np.pi, 0.5 * np.pi, 0.75 * np.pi)
_OTHER_SPEEDS: Final = (-1.0 * MILE_PER_HOUR, -0.5 * MILE_PER_HOUR, 0.5 * MILE_PER_HOUR, 1.0 * MILE_PER_HOUR)


@dataclass(frozen=True, slots=True)
class Alternative:
    """One thing done otherwise.

    Attributes
    ----------
    kind : str
        ``"heading"``, ``"speed"``, ``"small zones"`` or ``"look-ahead"``.
    value : float
        Heading [rad], change of the speed [m/s], zones that take a neighbour's rate, or time [s].
    losses : Losses
        Then, against the map as it is.
    border_saved, saved : float
        Less ground lost to the response at zone borders, and less not as asked whatever the cause [m2].
    time : float
        In the field, turns and tanks included [s].
    """

    kind: str
    value: float
    losses: Losses
    border_saved: float
    saved: float
    time: float


def without_small_zones(setup: Setup) -> FloatArray:
    """Rates with zones too short for a rate of their own lowered to that of the neighbour along the passes [kg/m2].

    None is raised: a zone whose neighbour asks for more keeps its own.

    Parameters
    ----------
    setup : Setup
        What is driven.
    """
    draw = middle_draw(setup)
    passes = lay_passes(setup.zones, setup.course[0], setup.solution.window.width, from_right=setup.course[1])
    controller = Controller(draw.delay, draw.time_constant)
    short = short_pieces(passes, setup.rate, setup.speed, controller).too_short(setup.rate)
    beside = next_along(passes, setup.rate.size)
    takes = short & (beside >= 0) & ~short[beside]
    other = setup.rate[beside]
    return np.where(takes & (other > 0.0) & (other < setup.rate), other, setup.rate)


def _tried(setup: Setup, way: Way, cells: Cells) -> list[tuple[str, float, Way, Setup]]:
    """Everything that is tried, driven."""
    tried: list[tuple[str, float, Way, Setup]] = []
    draw = middle_draw(setup)

    def again(kind: str, value: float, changed: Setup) -> None:
        tried.append((kind, value, drive_field(changed, cells), changed))

    for turn in _TURNS:
        heading = (setup.course[0] + turn) % np.pi
        again("heading", heading, replace(setup, course=(heading, False)))
    slowest, fastest = setup.solution.bar.limits.speed
    for more in _OTHER_SPEEDS:
        slow, fast = setup.slow + more, setup.fast + more
        if float(slow.min()) >= slowest * (1.0 - 1e-9) and float(fast.max()) <= fastest * (1.0 + 1e-9):
            again("speed", more, replace(setup, slow=slow, fast=fast))
    rate = without_small_zones(setup)
    if (changed := int((rate != setup.rate).sum())) > 0:
        again("small zones", changed, replace(setup, rate=rate))
    for share in (0.0, np.log(2.0), 1.0):
        ahead = draw.delay + share * draw.time_constant
        display = DisplaySettings(setup.display.antenna, ahead)
        if ahead != setup.display.look_ahead:
            tried.append(("look-ahead", ahead, with_display(way, setup, cells, display), setup))
    return tried


def find_savings(setup: Setup, way: Way, cells: Cells, losses: Losses) -> tuple[Alternative, ...]:
    """Try what could be done otherwise, and keep the best of each kind, the one that saves most first.

    Parameters
    ----------
    setup, way, cells
        As driven.
    losses : Losses
        As driven.
    """
    best: dict[str, Alternative] = {}
    for kind, value, driven, changed in _tried(setup, way, cells):
        then = find_losses(driven, changed, setup.rate)
        border = losses.area[BORDER] - then.area[BORDER]
        saved = losses.not_as_asked - then.not_as_asked
        one = Alternative(kind, value, then, border, saved, float(driven.time[-1]) if driven.time.size else 0.0)
        if kind not in best or one.saved > best[kind].saved:
            best[kind] = one
    return tuple(sorted(best.values(), key=lambda one: -one.saved))
