"""A pump that runs short of liquid."""

from __future__ import annotations

from typing import Final

import numpy as np

from geoflow.bar.equipment import Bar
from geoflow.base.arrays import BoolArray
from geoflow.base.schema import HIGH_LIMITS
from geoflow.diagnosis.findings import FEWEST, SHORT, Finding, known_temperature, lacking_columns, moments
from geoflow.diagnosis.stretches import steady
from geoflow.ground.applied_log import AppliedLog
from geoflow.hydraulics.window import flow_window, temperature_grid

__all__ = ["suction_starving"]

_GRID: Final = 2.0
# A share of the moments that is more than chance, and one that may be.
_MOSTLY: Final = 0.5
_SELDOM: Final = 0.05
_COLDER: Final = 2.0


def suction_starving(log: AppliedLog, bar: Bar) -> list[Finding]:
    """Whether the flow fell short of what was asked because the suction boils.

    Flow is short below 95 % of what was asked, steadily and with the whole bar on. It is the suction's doing where more
    was asked than the solved bar's suction certainly lets through at the logged temperature and no other limit comes
    first. Kind *suction starving*: high confidence where most moments beyond that limit are short and hardly any below
    it, medium otherwise. Kind *short in the cold*: the limit does not explain it, but the short moments are
    colder; low confidence. The speed of the pump is not logged, so it is not looked at.

    Numbers: area [m2], shortfall (median) [-], flow, asked, suction_flow_certain, suction_flow_possible (medians)
    [kg/s], temperature_short, temperature_other (means) [K], short_share_beyond, short_share_below [-]. A flow
    without limit is infinite, a share of no moments NaN.

    Parameters
    ----------
    log : AppliedLog
        Records, shape (n,).
    bar : Bar
        As its file says.
    """
    kind = "suction starving"
    if lacking := lacking_columns(kind, log, "flow", "target", "speed", "temperature"):
        return lacking
    if bar.suction is None or bar.suction.line is None:
        return [Finding(kind, {}, np.empty(0, dtype=np.int64), "none", ("suction",))]
    bars = moments(log, bar)
    known = known_temperature(log) & np.isfinite(log.flow)
    fit = bars.full & np.isfinite(bars.asked) & (bars.asked > 0.0) & known[bars.place]
    fit &= steady(bars.asked, log.run[bars.place])
    place, asked = bars.place[fit], bars.asked[fit]
    if place.size < FEWEST:
        return []
    flow, temperature = log.flow[place], log.temperature[place]
    kelvin = temperature_grid(float(temperature.min()), float(temperature.max()), _GRID)
    window = flow_window(bar, kelvin, tuple(range(len(bar.sections))))
    at = np.clip(np.searchsorted(0.5 * (kelvin[1:] + kelvin[:-1]), temperature), 0, kelvin.size - 1)
    # The log's flow is what the controller takes it for.
    certain, possible = (ends["suction"][at] / window.delivered_ratio[at] for ends in (window.certain, window.possible))
    others = [window.certain[name] for name in HIGH_LIMITS if name != "suction"]
    other = np.min(others, axis=0)[at] / window.delivered_ratio[at]
    short = flow < SHORT * asked
    beyond = (asked > certain) & (certain <= other)
    starved = short & beyond
    rest = ~beyond & (asked <= other)

    def share(of: BoolArray) -> float:
        return float(np.mean(short[of])) if of.any() else float("nan")

    def mean(of: BoolArray) -> float:
        return float(np.mean(temperature[of])) if of.any() else float("nan")

    shown, confidence = starved, "medium"
    if np.count_nonzero(starved) >= FEWEST:
        if share(beyond) > _MOSTLY and not share(rest) > _SELDOM:
            confidence = "high"
    elif np.count_nonzero(short & rest) >= FEWEST and mean(short & rest) < mean(rest & ~short) - _COLDER:
        kind, shown, confidence = "short in the cold", short & rest, "low"
    else:
        return []
    area = np.nan_to_num(log.step[place] * bars.width[fit])
    numbers = {
        "area": float(area[shown].sum()),
        "shortfall": float(np.median(1.0 - flow[shown] / asked[shown])),
        "flow": float(np.median(flow[shown])),
        "asked": float(np.median(asked[shown])),
        "suction_flow_certain": float(np.median(certain[shown])),
        "suction_flow_possible": float(np.median(possible[shown])),
        "temperature_short": mean(shown),
        "temperature_other": mean(~short),
        "short_share_beyond": share(beyond),
        "short_share_below": share(rest),
    }
    return [Finding(kind, numbers, place[shown], confidence)]
