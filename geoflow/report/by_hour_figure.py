"""The picture of a day: the liquid in the tank above, the ground that holds in each hour below."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.base import units
from geoflow.base.units import HOUR
from geoflow.report.canvas import FONT, Box, Heading, Picture, poster, report_figure
from geoflow.report.symbology import DOTS, INK, SHADE, VERDICT_SYMBOLS

if TYPE_CHECKING:
    from geoflow.base.units import System
    from geoflow.decide.day_by_hour import DayByHour

__all__ = ["hours_picture"]

_HEIGHTS: Final = (1.5, 1.7)  # of both panels in a report [in]
_MOST_TICKS: Final = 13
_WORDS: Final = {"holds": "certainly holds", "doubtful": "doubtful", "fails": "certainly fails"}


def hours_picture(day: DayByHour, system: System, heading: Heading | None = None) -> Picture:
    """Draw a day by the hour.

    Parameters
    ----------
    day : DayByHour
        What holds when.
    system : str
        ``"us"`` or ``"metric"``.
    heading : Heading, optional
        Makes a poster of it.

    Returns
    -------
    bytes, tuple of float
        The PNG, and its size on paper [in].
    """
    canvas, body = report_figure() if heading is None else poster(heading)
    high, low = _HEIGHTS if heading is None else (0.42 * (body.height - 1.3), 0.58 * (body.height - 1.3))
    left, width = body.left + 0.6, body.width - 0.75
    above = Box(left, body.top + 0.25, width, high)
    below = Box(left, above.bottom + 0.35, width, low)
    top, bottom = canvas.axes(above), canvas.axes(below)

    def shown(values: object, kind: str) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
        known = units.KINDS[kind]
        return np.asarray(units.from_si(np.asarray(values, dtype=float), kind, getattr(known, system)))

    clock, read = day.liquid.time / HOUR, np.isfinite(day.weather.readings[0])
    top.fill_between(clock, *shown(day.liquid.drawn, "temperature"), facecolor=SHADE, linewidth=0)
    full = shown(day.liquid.full, "temperature")
    top.fill_between(clock, *full, facecolor="none", edgecolor=INK, linewidth=0.8, linestyle=(0, (4, 3)))
    known = np.isfinite(day.weather.air)
    top.plot(day.weather.time[known] / HOUR, shown(day.weather.air[known], "temperature"), color=DOTS, linewidth=1.4)
    ends = shown(day.weather.readings[:, read], "temperature")
    top.vlines(day.weather.time[read] / HOUR, *ends, color=INK, linewidth=2.4)
    top.set_ylabel(f"liquid [{units.unit_label('temperature', system)}]", size=8, **FONT)
    top.set_title("liquid in the tank", size=8.5, weight="bold", loc="left", **FONT)

    begin, end = day.hours / HOUR
    base = np.zeros(begin.size)
    for name, part in zip(_WORDS, (day.held, day.doubtful, day.failed), strict=True):
        amount = shown(part, "area")
        some = amount > 0.0
        bars = partial(
            bottom.bar, begin[some], amount[some], width=(end - begin)[some], bottom=base[some], align="edge"
        )
        bars(**VERDICT_SYMBOLS[name].filling)
        bars(facecolor="none", edgecolor=INK, linewidth=0.6)
        base += amount
    bottom.set_ylim(0, 1.05 * float(shown(day.asked, "area")) or 1.0)
    bottom.set_ylabel({"us": "acres", "metric": "hectares"}[system], size=8, **FONT)
    bottom.set_title("what holds at the speed of the plan", size=8.5, weight="bold", loc="left", **FONT)
    every = int(np.ceil((end[-1] - begin[0]) / _MOST_TICKS))
    ticks = np.arange(np.ceil(begin[0]), end[-1] + 1e-9, every)
    for axes in (top, bottom):
        axes.set_xlim(begin[0], end[-1])
        axes.set_xticks(ticks, [f"{int(tick) % 24:02d}:00" for tick in ticks])
        axes.tick_params(labelsize=7.5)
    top.tick_params(labelbottom=False)

    at, line = left, below.bottom + 0.35
    for name, text in _WORDS.items():
        canvas.symbol(Box(at, line, 0.3, 0.18), VERDICT_SYMBOLS[name], letter=False)
        canvas.text(at + 0.36, line + 0.09, text, 7.5, va="center_baseline")
        at += 0.36 + canvas.width(text, 7.5) + 0.2
    lines = "grey: coldest to warmest liquid, full tank to end of tank; dashed: full tank; blue: air; bar: a reading"
    canvas.paragraph(Box(left, line + 0.28, width, 0.3), lines, (7.5, 7.0, 6.5))
    return canvas.save(line + 0.6)
