"""The picture of what was learned: squared flow over pressure, the line, the band, and the moments left out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.base import units
from geoflow.diagnosis.learned_region import flow_factors
from geoflow.diagnosis.learning import COLUMNS
from geoflow.diagnosis.steady_cells import CAUSES
from geoflow.hydraulics.row_hose import back_pressure
from geoflow.physics.ammonia import saturation
from geoflow.report.canvas import FONT, Box, Picture, report_figure
from geoflow.report.symbology import DOTS, FAINT, INK, SHADE, VERDICT_SYMBOLS

if TYPE_CHECKING:
    from geoflow.bar.equipment import Bar
    from geoflow.diagnosis.learned_bar import LearnedKind
    from geoflow.diagnosis.steady_cells import LogCells

__all__ = ["FIGURE_WORDS", "learned_figure"]

FIGURE_WORDS: Final = (
    "Dots: steady moments of neighbouring passes, as read and put right by the likely zero and meter factor; the "
    "squared flow of one row over twice the density and the squared area, which for a fixed orifice is straight over "
    "the pressure but for the rise of the flashing. Line: the likely orifice. Grey: 95 % of what remains possible. "
    "Rings: evidence dropped after a change. Small marks: moments left out, and why."
)
_MARKS: Final = {"changing": "+", "opening": "x", "near": "1", "boiling": "v"}
_STEPS: Final = 60


def learned_figure(bar: Bar, name: str, kind: LearnedKind, logs: tuple[LogCells, ...], system: units.System) -> Picture:
    """Draw one kind of orifice.

    Parameters
    ----------
    bar : Bar
        With what it learned.
    name : str
        Of the orifice.
    kind : LearnedKind
        What was learned of it.
    logs : tuple of LogCells
        With the moments left out.
    system : str
        ``"us"`` or ``"metric"``.

    Returns
    -------
    bytes, tuple of float
        The PNG, and its size on paper [in].
    """
    canvas, body = report_figure()
    axes = canvas.axes(Box(body.left + 0.7, 0.15, body.width - 0.85, 3.4))
    label = units.unit_label("pressure", system)
    shown = units.factor(label, "pressure")
    facts, posterior = kind.facts, kind.posterior
    mean = dict(zip(COLUMNS, posterior.likely.tolist(), strict=True))
    area = 0.25 * np.pi * bar.orifices[name].diameter ** 2
    dense = float(saturation(posterior.temperature).liquid_density)
    margin = facts.pressure - mean["zero"] - saturation(facts.temperature - mean["thermometer"]).pressure
    squared = np.square(facts.flow * np.exp(mean["meter"]) / area) / (2.0 * dense)
    kept = np.arange(facts.flow.size) >= (0 if kind.change is None else kind.change.cell)
    span = np.linspace(0.0, 1.15 * float(margin.max()), _STEPS)
    kelvin = np.full(_STEPS, posterior.temperature)
    below, _ = back_pressure(bar, np.array([float(np.median(facts.flow))]), saturation(posterior.temperature))
    ways = posterior.draws[:, [COLUMNS.index(one) for one in ("coefficient", "weight", "rise", "warming", "below")]]
    drive = np.exp(2.0 * flow_factors(ways, posterior, span, kelvin, np.full(_STEPS, float(below[0]))))
    low, high = np.percentile(drive, [2.5, 97.5], axis=0)
    axes.fill_between(span / shown, low / shown, high / shown, facecolor=SHADE, linewidth=0, label="95 % possible")
    axes.plot(span / shown, drive.mean(axis=0) / shown, color=INK, linewidth=1.0, label="likely")
    names = list(CAUSES)
    flow, over, cause = (np.concatenate([one.outside[at] for one in logs]) for at in range(3))
    for why, mark in _MARKS.items():
        here = cause == names.index(why)
        if here.any():
            colour = VERDICT_SYMBOLS["fails"].fill if why == "boiling" else FAINT
            at = (over[here] - mean["zero"]) / shown, np.square(flow[here] / area) / (2.0 * dense * shown)
            axes.plot(*at, mark, color=colour, markersize=4, label=f"left out: {CAUSES[why].partition(':')[0]}")
    if not kept.all():
        at = margin[~kept] / shown, squared[~kept] / shown
        axes.plot(*at, "o", color=FAINT, markerfacecolor="none", markersize=4, label="before the change")
    axes.plot(margin[kept] / shown, squared[kept] / shown, ".", color=DOTS, markersize=5, label="steady moments")
    reach = np.concatenate([squared, high]) / shown
    axes.set_ylim(0.0, 1.1 * float(reach.max()))
    axes.set_xlim(min(0.0, float(np.percentile(over, 1.0)) / shown if over.size else 0.0), span[-1] / shown)
    axes.legend(fontsize=6.5, frameon=False, loc="upper left")
    axes.tick_params(labelsize=7.5)
    axes.set_xlabel(f"pressure above the orifices over the liquid's vapour pressure [{label}]", size=8, **FONT)
    axes.set_ylabel(f"squared flow as a pressure, Cd² (P - Pe) [{label}]", size=8, **FONT)
    return canvas.save(4.05)
