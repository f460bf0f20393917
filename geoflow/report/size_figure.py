"""The rates that orifices hold over their diameter, with the rates asked and the size chosen marked on it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.rates import nitrogen_rate
from geoflow.base.units import KINDS, System, from_si, unit_label
from geoflow.report.canvas import FONT, Box, Picture, report_figure
from geoflow.report.symbology import INK, PAPER, VERDICT_SYMBOLS

if TYPE_CHECKING:
    from geoflow.decide.sized import Sized

__all__ = ["size_figure"]

_HEIGHT: Final = 3.0  # of the panel [in]
_MOST_LINES: Final = 40


def _shown(values: Any, kind: str, system: System) -> FloatArray:
    unit = KINDS[kind].us if system == "us" else KINDS[kind].metric
    return np.asarray(from_si(np.asarray(values, dtype=np.float64), kind, unit))


def _bands(found: Sized, system: System) -> list[tuple[FloatArray, FloatArray]]:
    """Lowest and highest rate over the plan by diameter, certain and possible; NaN where none holds."""
    (slow, fast), width = found.plan.speed, found.bars.worse.row_spacing
    width *= sum(found.bars.worse.sections[index].rows for index in found.plan.sections)
    bands = []
    for low, high in (found.choice.curves.certain(), found.choice.curves.possible):
        rates = [
            _shown(nitrogen_rate(flow, speed, width, found.bars.worse.nitrogen_fraction), "nitrogen rate", system)
            for flow, speed in ((low, slow), (high, fast))
        ]
        empty = rates[0] > rates[1]
        bands.append((np.where(empty, np.nan, rates[0]), np.where(empty, np.nan, rates[1])))
    return bands


def size_figure(found: Sized, system: System) -> Picture:
    """Draw the certain and the possible rates over the diameter.

    Parameters
    ----------
    found : Sized
        Orifices for some rates.
    system : str
        ``"us"`` or ``"metric"``.

    Returns
    -------
    bytes, tuple of float
        The PNG, and its size on paper [in].
    """
    canvas, body = report_figure()
    box = Box(body.left + 0.55, 0.1, body.width - 0.65, _HEIGHT)
    axes = canvas.axes(box)
    size = _shown(found.choice.curves.diameter, "small length", system)
    certain, possible = _bands(found, system)
    axes.fill_between(size, *possible, **VERDICT_SYMBOLS["doubtful"].filling)
    axes.fill_between(size, *certain, facecolor=VERDICT_SYMBOLS["holds"].fill, linewidth=0)
    for (low, high), breadth in ((possible, 0.6), (certain, 1.2)):
        for edge in (low, high):
            axes.plot(size, edge, color=INK, linewidth=breadth)
    rates = _shown(found.rate, "nitrogen rate", system)
    some = rates[np.unique(np.linspace(0, rates.size - 1, min(rates.size, _MOST_LINES)).astype(int))]
    axes.hlines(some, size[0], size[-1], color=INK, linewidth=0.9, linestyle=(0, (4, 3)), zorder=4)
    if found.choice.best is not None:
        chosen = float(_shown(found.choice.best.diameter, "small length", system))
        axes.axvline(chosen, color=INK, linewidth=1.6, zorder=5)
    axes.set_xlim(size[0], size[-1])
    axes.set_ylim(0, 1.6 * float(rates.max()))
    axes.tick_params(labelsize=7.5)
    axes.set_xlabel(f"diameter of the orifices [{unit_label('small length', system)}]", size=8, **FONT)
    axes.set_ylabel(f"nitrogen rate [{unit_label('nitrogen rate', system)}]", size=8, **FONT)
    left, top = body.left + 0.02, box.bottom + 0.45
    for name, text in (("holds", "certain: holds"), ("doubtful", "possible: doubtful"), ("", "outside: fails")):
        patch = Box(left, top, 0.34, 0.2)
        if name:
            canvas.symbol(patch, VERDICT_SYMBOLS[name], letter=False)
        else:
            canvas.patch(patch, facecolor=PAPER, edgecolor=INK, linewidth=0.7)
        canvas.text(patch.right + 0.06, top + 0.1, text, 7.5, va="center_baseline")
        left = patch.right + 0.06 + canvas.width(text, 7.5) + 0.25
    canvas.text(left, top + 0.1, "dashed: rates asked; upright: best size", 7.5, va="center_baseline")
    return canvas.save(top + 0.28)
