"""The window against temperature and against speed, with the plan and what the zones ask marked on it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base import units
from geoflow.base.arrays import BoolArray, FloatArray, TextArray
from geoflow.base.counted import count
from geoflow.base.said import said_range
from geoflow.report.canvas import FONT, Box, Canvas, Heading, Picture, poster, report_figure
from geoflow.report.symbology import BADGE, INK, PAPER, VERDICT_SYMBOLS
from geoflow.report.window_bands import Band, over_speed, over_temperature

if TYPE_CHECKING:
    from geoflow.decide.vet import Solution

__all__ = ["PlannedRates", "draw_windows", "window_panels"]

_HEIGHT: Final = 2.62  # of the panels in a report [in]
_MOST_TICKS: Final = 150
_MOST_BARS: Final = 36


@dataclass(frozen=True, slots=True)
class PlannedRates:
    """What zones ask; arrays of shape (zones,).

    Attributes
    ----------
    rate : ndarray
        Nitrogen rate [kg/m2]; zero is left out.
    area : ndarray
        [m2]
    verdict : ndarray of str
        Keys of `schema.VERDICTS`.
    slow, fast : ndarray
        Speeds the zone is driven at [m/s].
    """

    rate: FloatArray
    area: FloatArray
    verdict: TextArray
    slow: FloatArray
    fast: FloatArray

    def some(self, chosen: BoolArray) -> PlannedRates:
        """Return some of the zones.

        Parameters
        ----------
        chosen : ndarray of bool, shape (zones,)
            Which.
        """
        area, verdict = self.area[chosen], self.verdict[chosen]
        return PlannedRates(self.rate[chosen], area, verdict, self.slow[chosen], self.fast[chosen])


def _shown(values: Any, kind: str, system: units.System) -> FloatArray:
    known = units.KINDS[kind]
    unit = known.us if system == "us" else known.metric
    return np.asarray(units.from_si(np.asarray(values, dtype=np.float64), kind, unit))


@dataclass(frozen=True, slots=True)
class _Panel:
    """The axes a band is drawn on, in the reader's units, and their size [in]."""

    axes: Any
    box: Box
    band: Band
    system: units.System

    def x(self, values: Any) -> FloatArray:
        return _shown(values, self.band.kind, self.system)

    def rate(self, values: Any) -> FloatArray:
        return _shown(values, "nitrogen rate", self.system)

    def inches(self) -> tuple[float, float]:
        """Inches to a unit across and up."""
        return self.box.width / float(np.ptp(self.axes.get_xlim())), self.box.height / float(self.axes.get_ylim()[1])


def _draw_band(panel: _Panel, top: float) -> None:
    axes, band = panel.axes, panel.band
    x = panel.x(band.x)
    # One temperature alone still shows as a narrow bar.
    x, spread = (x, 0.0) if len(x) > 1 else (np.repeat(x, 2), max(0.02 * float(np.ptp(panel.x(band.plan))), 0.1))
    x = x + np.linspace(-spread, spread, len(x))
    ends = [*x, *panel.x(band.plan)] if spread else [*x]
    axes.set_xlim(min(ends), max(ends))
    axes.set_ylim(0, top)
    low, high, dim, bright = (np.broadcast_to(panel.rate(edge), x.shape) for edge in (*band.certain, *band.possible))
    axes.fill_between(x, dim, bright, **VERDICT_SYMBOLS["doubtful"].filling)
    axes.fill_between(x, low, high, facecolor=VERDICT_SYMBOLS["holds"].fill, linewidth=0)
    for edge, width in ((low, 1.2), (high, 1.2), (dim, 0.6), (bright, 0.6)):
        axes.plot(x, edge, color=INK, linewidth=width)


def _middle(first: float, last: float, plan: FloatArray, need: float) -> float:
    """Middle of the longest stretch of an edge beside the plan, or of the whole edge where none has room."""
    beside = [(first, min(last, float(plan[0]))), (max(first, float(plan[1])), last)]
    left, right = max(beside, key=lambda pair: pair[1] - pair[0])
    return 0.5 * (left + right) if right - left > need else 0.5 * (first + last)


def _name_limits(panel: _Panel) -> list[str]:
    """Write the limit beside each stretch of an edge that has room for its name; return those that have none."""
    named, unnamed = set(), []
    for side, word in enumerate(("lower", "upper")):
        for name, begin, end in panel.band.named_edge(side):
            if _name_stretch(panel, side, name, slice(begin, end + 1)):
                named.add((name, word))
            else:
                span = units.show_range(panel.band.x[begin], panel.band.x[end], panel.band.kind, panel.system)
                unnamed.append((name, word, span))
    return [f"{name} ({word} end, {span})" for name, word, span in unnamed if (name, word) not in named]


def _away(panel: _Panel, side: int, middle: float, reach: float) -> int:
    """How far from its edge a name is written [pt]: outside the window where there is room, else inside; 0 for nowhere.

    `reach` is half the height of the slanting name [in].
    """
    up, x = panel.inches()[1], panel.x(panel.band.x)
    low, high = (float(np.interp(middle, x, panel.rate(panel.band.edge(each)))) * up for each in (0, 1))
    sure = np.isfinite(panel.band.certain[0]).any()
    ceiling = panel.box.height - (0.08 if sure else 0.35)  # a remark stands at the top where nothing is sure
    if not side:
        below, above = low >= 0.3, high >= 1.0
        return 0 if low + reach > ceiling else -8 if below else 8 if above else 0
    return 8 if high + reach + 0.11 <= ceiling else -8 if high + reach - 0.11 <= ceiling and high - low > 0.5 else 0


def _name_stretch(panel: _Panel, side: int, name: str, stretch: slice) -> bool:
    """Write the name of a limit along its stretch, outside the window; say whether there was room."""
    import matplotlib.patheffects as effects

    x, edge = panel.x(panel.band.x[stretch]), panel.rate(panel.band.edge(side)[stretch])
    across, up = panel.inches()
    need = 0.07 * len(name) / across
    if x[-1] - x[0] < need:
        return False
    middle = _middle(float(x[0]), float(x[-1]), panel.x(panel.band.plan), 1.1 * need)
    step = 0.02 * float(np.ptp(panel.axes.get_xlim()))
    left, right = max(middle - step, x[0]), min(middle + step, x[-1])
    rise = float(np.interp(right, x, edge) - np.interp(left, x, edge)) * up
    turn = np.arctan2(rise, (right - left) * across)
    away = _away(panel, side, middle, float(abs(np.sin(turn))) * need * across / 2)
    if not away:
        return False
    panel.axes.annotate(
        name,
        (middle, float(np.interp(middle, x, edge))),
        xytext=(-away * np.sin(turn), away * np.cos(turn)),
        textcoords="offset points",
        rotation=np.degrees(turn),
        rotation_mode="anchor",
        **{"ha": "center", "va": "center", "size": 7.5, "style": "italic", "zorder": 6, **FONT},
        path_effects=[effects.withStroke(linewidth=2.2, foreground=PAPER)],
    )
    return True


def _mark_plan(panel: _Panel, asked: PlannedRates, usual: BoolArray) -> None:
    """Draw the planned range as dashed lines, a tick for what each zone asks, and a box round the zones in the plan."""
    from matplotlib.patches import Rectangle

    axes, plan, rates = panel.axes, panel.x(panel.band.plan), panel.rate(asked.rate)
    for end in plan:
        axes.axvline(end, color=INK, linewidth=0.8, linestyle=(0, (4, 3)), zorder=3)
    speeds = panel.band.kind == "speed"
    ends = [panel.x(each) for each in (asked.slow, asked.fast)] if speeds else [np.full(rates.shape, e) for e in plan]
    shown = np.ones_like(usual) if speeds else usual
    ticks = np.unique(np.column_stack([rates, *ends])[shown], axis=0)
    ticks = ticks[np.linspace(0, len(ticks) - 1, min(len(ticks), _MOST_TICKS)).astype(int)]
    least = 0.012 * float(np.ptp(axes.get_xlim()))
    wide = np.where(ticks[:, 2:] - ticks[:, 1:2] < 2 * least, least, 0.0) * [-1.0, 1.0]
    axes.hlines(ticks[:, 0], *(ticks[:, 1:] + wide).T, color=INK, linewidth=0.9, zorder=5)
    own = ~np.isclose(ticks[:, 1:], plan).all(axis=1)
    how = {"markersize": 4, "markerfacecolor": PAPER, "markeredgecolor": INK, "zorder": 6}
    axes.plot(ticks[own, 1:].mean(axis=1), ticks[own, 0], "o", **how)
    if usual.any():
        low, high = (plan[0], plan[1]) if np.ptp(plan) > 2 * least else (plan[0] - least, plan[1] + least)
        box = (low, float(rates[usual].min())), high - low, float(np.ptp(rates[usual]))
        axes.add_patch(Rectangle(*box, facecolor="none", edgecolor=INK, linewidth=1.8, zorder=5))


def _bars(rates: FloatArray, top: float) -> tuple[FloatArray, Any, float]:
    """Where the bars stand, which one each zone belongs to, and how thick they are, all in the reader's unit."""
    places, which = np.unique(rates, return_inverse=True)
    thick = top / _MOST_BARS
    apart = float(np.diff(places).min()) if len(places) > 1 else thick
    if len(places) <= _MOST_BARS and apart >= 0.4 * thick:
        return places, which, min(thick, apart)
    # Too many or too near each other for bars of their own.
    return (
        np.asarray((np.arange(_MOST_BARS) + 0.5) * thick),
        np.clip((rates / thick).astype(int), 0, _MOST_BARS - 1),
        thick,
    )


def _draw_asked(axes: Any, asked: PlannedRates, top: float, system: units.System) -> None:
    """Draw the area that asks for each rate as bars, stacked by verdict."""
    places, which, thick = _bars(_shown(asked.rate, "nitrogen rate", system), top)
    weight, base = _shown(asked.area, "area", system), np.zeros(len(places))
    for name in ("holds", "doubtful", "fails"):
        amount = np.bincount(which, np.where(asked.verdict == name, weight, 0.0), len(places))
        some = amount > 0.0
        bars = partial(axes.barh, places[some], amount[some], height=0.86 * thick, left=base[some])
        bars(**VERDICT_SYMBOLS[name].filling)
        bars(facecolor="none", edgecolor=INK, linewidth=0.6)
        base += amount
    axes.set_ylim(0, top)
    axes.set_xlim(0, 1.15 * float(base.max(initial=0.0)) or 1.0)
    axes.locator_params(axis="x", nbins=2)
    if not len(places):
        axes.set_xticks([])
    axes.tick_params(labelleft=False, left=False)
    axes.set_xlabel(
        {"us": "acres asking", "metric": "hectares asking"}[system] if len(places) else "nothing is asked",
        size=8, **FONT,
    )  # fmt: skip
    axes.set_title("asked", size=8.5, weight="bold", loc="left", **FONT)


def _draw_key(canvas: Canvas, left: float, top: float) -> float:
    entries = (("holds", "certain window: holds"), ("doubtful", "possible window: doubtful"), ("", "outside: fails"))
    for name, text in (*entries, ("plan", "plan; a tick per rate")):
        box = Box(left, top, 0.34, 0.2)
        if name in VERDICT_SYMBOLS:
            canvas.symbol(box, VERDICT_SYMBOLS[name], letter=False)
        else:
            canvas.patch(box, facecolor=PAPER, edgecolor=INK, linewidth=1.8 if name else 0.7)
        canvas.text(box.right + 0.06, top + 0.1, text, 7.5, va="center_baseline")
        left = box.right + 0.06 + canvas.width(text, 7.5) + 0.2
    return top + 0.28


def _top(warm: Band, quick: Band, rates: FloatArray) -> float:
    """Highest rate drawn [kg/m2]: what nobody asks for need not be seen in full."""
    planned = (warm.x >= warm.plan[0] - 1e-9) & (warm.x <= warm.plan[1] + 1e-9)
    ends = [*rates, *warm.certain[1], *warm.possible[1][planned], *quick.certain[1]]
    known = np.array([end for end in ends if np.isfinite(end)])
    most, asked = float(known.max(initial=0.0)), float(rates.max(initial=0.0))
    return 1.12 * (min(most, 2.2 * asked) if asked else most) or 1.0


def _draw_panel(panel: _Panel, top: float, title: str) -> list[str]:
    """Draw a band with its limits; return those for which there was no room."""
    axes, band = panel.axes, panel.band
    _draw_band(panel, top)
    axes.set_title(title, size=8.5, weight="bold", loc="left", **FONT)
    noun = {"temperature": "liquid temperature", "speed": "ground speed"}[band.kind]
    axes.set_xlabel(f"{noun} [{units.unit_label(band.kind, panel.system)}]", size=8, **FONT)
    if not np.isfinite(band.certain[0]).any():
        said = "no certain window here" if np.isfinite(band.possible[0]).any() else "no window here"
        axes.text(0.5, 0.94, said, ha="center", size=8, transform=axes.transAxes, zorder=7, bbox=BADGE, **FONT)
    return _name_limits(panel)


def _boxes(body: Box, height: float) -> list[Box]:
    """Places of the two windows and of what is asked."""
    ends = [body.left + share * (body.width - 0.12) for share in (0.089, 0.487, 0.513, 0.857, 0.88, 1.0)]
    return [Box(left, body.top + 0.25, right - left, height) for left, right in zip(ends[::2], ends[1::2], strict=True)]


def _remarks(unnamed: list[str], left_out: int) -> str:
    """What the picture could not show."""
    remarks = [f"Not named above for want of room: {'; '.join(unnamed)}."] if unnamed else []
    if left_out:
        remarks.append(f"Left out because nothing is asked there: {count(left_out, 'zone')}.")
    return " ".join(remarks)


def draw_windows(
    warm: Band, quick: Band, asked: PlannedRates, system: units.System, heading: Heading | None = None
) -> Picture:
    """Draw a window over temperature and one over speed side by side, with what is asked.

    Parameters
    ----------
    warm, quick : Band
        Over temperature and over speed.
    asked : PlannedRates
        What the zones ask.
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
    some = asked.rate > 0.0
    zones, boxes = asked.some(some), _boxes(body, _HEIGHT if heading is None else body.height - 1.5)
    axes = [canvas.axes(box) for box in boxes]
    top = float(_shown(_top(warm, quick, zones.rate), "nitrogen rate", system))
    panels = [_Panel(axes[at], boxes[at], band, system) for at, band in enumerate((warm, quick))]
    said = said_range(*quick.plan, "speed", system), said_range(*warm.plan, "temperature", system)
    unnamed = _draw_panel(panels[0], top, f"at {said[0]}") + _draw_panel(panels[1], top, f"with liquid at {said[1]}")
    usual = np.isclose(zones.slow, quick.plan[0]) & np.isclose(zones.fast, quick.plan[1])
    for panel in panels:
        _mark_plan(panel, zones, usual)
    _draw_asked(axes[2], zones, top, system)
    axes[0].set_ylabel(f"nitrogen rate [{units.unit_label('nitrogen rate', system)}]", size=8, **FONT)
    axes[1].tick_params(labelleft=False)
    for each in axes:
        each.tick_params(labelsize=7.5)
    end = _draw_key(canvas, body.left + 0.02, boxes[0].bottom + 0.55)
    if heading is not None:
        remarks = _remarks(unnamed, int(np.sum(~some)))
        canvas.paragraph(Box(body.left, end + 0.1, body.width, body.bottom - end - 0.1), remarks, (7, 6.5))
    return canvas.save(end)


def window_panels(
    solution: Solution, asked: PlannedRates, system: units.System, heading: Heading | None = None
) -> Picture:
    """Draw the rates the bar can deliver against liquid temperature and against ground speed.

    The left panel takes each single temperature at all planned speeds, the middle one each single speed at all planned
    temperatures, so the plan's box lies inside the certain window of both just where every zone holds. Zones with a
    speed of their own stand at it in the middle panel and are left out of the left one.

    Parameters
    ----------
    solution : Solution
        The solved bar.
    asked : PlannedRates
        What the zones ask.
    system : str
        ``"us"`` or ``"metric"``.
    heading : Heading, optional
        Makes a poster of it.

    Returns
    -------
    bytes, tuple of float
        The PNG, and its size on paper [in].
    """
    return draw_windows(over_temperature(solution), over_speed(solution), asked, system, heading)
