"""The window against temperature and against speed, with the plan and what the zones ask marked on it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base import units
from geoflow.base.arrays import BoolArray, FloatArray, TextArray
from geoflow.base.rates import nitrogen_rate
from geoflow.base.said import said_range
from geoflow.report.canvas import FAINT, INK, PAPER
from geoflow.report.symbology import BREADTH, VERDICT_LOOKS, as_png, blank, paint_box

if TYPE_CHECKING:
    from geoflow.decide.vet import Solution

__all__ = ["Asked", "window_panels"]

_HEIGHT: Final = 3.75  # [in]
_BASE, _TOP = 0.88, 3.5
_FONT: Final[dict[str, Any]] = {"family": "DejaVu Sans", "color": INK}
_MOST_TICKS: Final = 150
_MOST_BARS: Final = 36
# Temperatures drawn beyond the planned ones [K], and the least stretch shown.
_BESIDE: Final = 8.0


@dataclass(frozen=True, slots=True)
class Asked:
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


@dataclass(frozen=True, slots=True)
class _Band:
    """A window over one axis in the reader's units, with the limits that end it."""

    x: FloatArray
    certain: tuple[FloatArray, FloatArray]
    possible: tuple[FloatArray, FloatArray]
    limits: tuple[Sequence[str], Sequence[str]]


def _shown(values: Any, kind: str, system: units.System) -> FloatArray:
    known = units.KINDS[kind]
    unit = known.us if system == "us" else known.metric
    return np.asarray(units.from_si(np.asarray(values, dtype=np.float64), kind, unit))


def _over_temperature(solution: Solution, system: units.System) -> _Band:
    """Rates that hold at each single temperature over all planned speeds."""
    search, plan = solution.search, solution.plan
    near = (search.temperature >= plan.temperature[0] - _BESIDE) & (search.temperature <= plan.temperature[1] + _BESIDE)
    if near.sum() < 2:
        near = np.ones_like(near)

    def rates(*, certain: bool) -> tuple[FloatArray, FloatArray]:
        low, high = (edge / search.delivered_ratio for edge in search.edges(certain=certain))
        fraction = solution.bar.nitrogen_fraction
        low = nitrogen_rate(low, plan.speed[0], search.width, fraction)
        high = nitrogen_rate(high, plan.speed[1], search.width, fraction)
        empty = ~(low <= high)
        low, high = (np.where(empty, np.nan, edge)[near] for edge in (low, high))
        return _shown(low, "nitrogen rate", system), _shown(high, "nitrogen rate", system)

    lows, highs = search.edge_limits(certain=True)
    places = np.flatnonzero(near)
    return _Band(
        _shown(search.temperature[near], "temperature", system),
        rates(certain=True),
        rates(certain=False),
        ([lows[i] for i in places], [highs[i] for i in places]),
    )


def _over_speed(solution: Solution, system: units.System) -> _Band:
    """Rates that hold at each single speed over all planned temperatures."""
    plan, allowed = solution.plan, solution.bar.limits.speed
    first, last = min(allowed[0], plan.speed[0]), max(allowed[1], plan.speed[1])
    speed = np.linspace(0.96 * first, 1.04 * last, 160)
    width, fraction = solution.window.width, solution.bar.nitrogen_fraction

    def rates(bounds: Any) -> tuple[FloatArray, FloatArray]:
        if bounds.empty:
            return np.full(speed.shape, np.nan), np.full(speed.shape, np.nan)
        return (
            _shown(nitrogen_rate(bounds.low, speed, width, fraction), "nitrogen rate", system),
            _shown(nitrogen_rate(bounds.high, speed, width, fraction), "nitrogen rate", system),
        )

    certain = solution.certain
    return _Band(
        _shown(speed, "speed", system),
        rates(certain),
        rates(solution.possible),
        ([certain.low_limit] * len(speed), [certain.high_limit] * len(speed)),
    )


def _runs(names: Sequence[str], known: Any) -> Iterator[tuple[str, int, int]]:
    begin = 0
    for i in range(1, len(names) + 1):
        if i == len(names) or names[i] != names[begin] or known[i] != known[begin]:
            if known[begin]:
                yield names[begin], begin, i - 1
            begin = i


def _place(first: float, last: float, plan: FloatArray, need: float) -> float:
    """Middle of the longest stretch of an edge beside the plan, or of the whole edge where none has room."""
    beside = [(first, min(last, float(plan[0]))), (max(first, float(plan[1])), last)]
    left, right = max(beside, key=lambda pair: pair[1] - pair[0])
    return 0.5 * (left + right) if right - left > need else 0.5 * (first + last)


def _name_limits(axes: Any, band: _Band, inches: tuple[float, float], plan: FloatArray) -> None:
    """Write the limit beside each stretch of an edge that has room for its name."""
    import matplotlib.patheffects as effects

    span_x = float(np.subtract(*axes.get_xlim()[::-1]))
    span_y = float(axes.get_ylim()[1])
    for side, (edge, names) in enumerate(zip(band.certain, band.limits, strict=True)):
        for name, begin, end in _runs(names, np.isfinite(edge)):
            across = (band.x[end] - band.x[begin]) / span_x * inches[0]
            need = 0.07 * len(name)
            if across < need:
                continue
            middle = _place(float(band.x[begin]), float(band.x[end]), plan, 1.1 * need * span_x / inches[0])
            height = float(np.interp(middle, band.x, edge))
            step = 0.02 * span_x
            rise = np.interp(middle + step, band.x, edge) - np.interp(middle - step, band.x, edge)
            turn = np.degrees(np.arctan2(rise / span_y * inches[1], 2 * step / span_x * inches[0]))
            away = 8 if side else -8  # outside the window
            if height / span_y * inches[1] < 0.3 and not side:
                # No room below: above, unless the other edge's name is there. The limits stand in words beneath too.
                if np.interp(middle, band.x, band.certain[1]) / span_y * inches[1] < 1.0:
                    continue
                away = 8
            axes.annotate(
                name,
                (middle, height),
                xytext=(-away * np.sin(np.radians(turn)), away * np.cos(np.radians(turn))),
                textcoords="offset points",
                rotation=turn,
                rotation_mode="anchor",
                ha="center",
                va="center",
                size=7.5,
                style="italic",
                zorder=6,
                path_effects=[effects.withStroke(linewidth=2.2, foreground=PAPER)],
                **_FONT,
            )


def _draw_band(axes: Any, band: _Band) -> None:
    doubtful, holds = VERDICT_LOOKS["doubtful"], VERDICT_LOOKS["holds"]
    axes.fill_between(
        band.x,
        *band.possible,
        facecolor=doubtful.fill,
        edgecolor=doubtful.hatch_colour,
        hatch=doubtful.hatch,
        linewidth=0,
    )
    axes.fill_between(band.x, *band.certain, facecolor=holds.fill, linewidth=0)
    for pair, width in ((band.certain, 1.2), (band.possible, 0.6)):
        for edge in pair:
            axes.plot(band.x, edge, color=INK, linewidth=width)


def _mark_plan(axes: Any, plan: FloatArray, asks: FloatArray, spans: FloatArray, boxed: BoolArray) -> None:
    """Draw the planned range as dashed lines, a tick for what each zone asks, and a box round the zones in the plan."""
    from matplotlib.patches import Rectangle

    least = 0.012 * float(np.subtract(*axes.get_xlim()[::-1]))
    for end in plan:
        axes.axvline(end, color=INK, linewidth=0.8, linestyle=(0, (4, 3)), zorder=3)
    if not len(asks):
        return
    pairs = np.unique(np.column_stack([asks, spans]), axis=0)
    if len(pairs) > _MOST_TICKS:
        pairs = pairs[np.linspace(0, len(pairs) - 1, _MOST_TICKS).astype(int)]
    left, right = pairs[:, 1].copy(), pairs[:, 2].copy()
    thin = right - left < 2 * least
    left[thin], right[thin] = left[thin] - least, right[thin] + least
    axes.hlines(pairs[:, 0], left, right, color=INK, linewidth=0.9, zorder=5)
    own = ~np.isclose(pairs[:, 1], plan[0]) | ~np.isclose(pairs[:, 2], plan[1])
    how = {"markersize": 4, "markerfacecolor": PAPER, "markeredgecolor": INK, "zorder": 6}
    axes.plot(pairs[own, 1:].mean(axis=1), pairs[own, 0], "o", **how)
    if not boxed.any():
        return
    inside = asks[boxed]
    low, high = (plan[0], plan[1]) if plan[1] - plan[0] > 2 * least else (plan[0] - least, plan[1] + least)
    box = (low, float(inside.min())), high - low, float(np.ptp(inside))
    axes.add_patch(Rectangle(*box, facecolor="none", edgecolor=INK, linewidth=1.8, zorder=5))


def _draw_asked(axes: Any, asks: FloatArray, weight: FloatArray, verdict: TextArray, system: units.System) -> None:
    """Draw the area that asks for each rate as bars, stacked by verdict."""
    top = axes.get_ylim()[1]
    places, which = np.unique(asks, return_inverse=True)
    thick = top / _MOST_BARS
    apart = float(np.diff(places).min()) if len(places) > 1 else thick
    if len(places) > _MOST_BARS or apart < 0.4 * thick:  # too many or too near each other for bars of their own
        which = np.clip((asks / thick).astype(int), 0, _MOST_BARS - 1)
        places = (np.arange(_MOST_BARS) + 0.5) * thick
    else:
        thick = min(thick, apart)
    base = np.zeros(len(places))
    for name in ("holds", "doubtful", "fails"):
        look = VERDICT_LOOKS[name]
        amount = np.bincount(which, np.where(verdict == name, weight, 0.0), len(places))
        some = amount > 0.0
        how = {"height": 0.86 * thick, "left": base[some]}
        axes.barh(places[some], amount[some], facecolor=look.fill, edgecolor=look.hatch_colour, hatch=look.hatch,
                  linewidth=0, **how)  # fmt: skip
        axes.barh(places[some], amount[some], facecolor="none", edgecolor=INK, linewidth=0.6, **how)
        base += amount
    if not base.size:
        axes.set_xticks([])
    else:
        axes.set_xlim(0, 1.15 * float(base.max()))
        axes.locator_params(axis="x", nbins=2)
    axes.tick_params(labelleft=False, left=False, labelsize=7.5)
    label = {"us": "acres asking", "metric": "hectares asking"}[system] if base.size else "nothing is asked"
    axes.set_xlabel(label, size=8, **_FONT)


def _draw_key(figure: Any) -> None:
    entries = (("holds", "certain window: holds"), ("doubtful", "possible window: doubtful"), ("", "outside: fails"))
    left = 0.02
    for name, text in (*entries, ("plan", "plan; a tick per rate")):
        if name in VERDICT_LOOKS:
            paint_box(figure, (left, 0.08), (0.34, 0.2), VERDICT_LOOKS[name])
        else:
            _outline(figure, left, 1.8 if name else 0.7)
        figure.text((left + 0.4) / BREADTH, 0.18 / _HEIGHT, text, size=7.5, va="center_baseline", **_FONT)
        left += 0.58 + 0.061 * len(text)


def _outline(figure: Any, left: float, line: float) -> None:
    from matplotlib.patches import Rectangle

    place = (left / BREADTH, 0.08 / _HEIGHT), 0.34 / BREADTH, 0.2 / _HEIGHT
    figure.add_artist(Rectangle(*place, transform=figure.transFigure, facecolor=PAPER, edgecolor=INK, linewidth=line))


def _panel(figure: Any, left: float, right: float) -> Any:
    axes = figure.add_axes((left / BREADTH, _BASE / _HEIGHT, (right - left) / BREADTH, (_TOP - _BASE) / _HEIGHT))
    axes.tick_params(labelsize=7.5)
    return axes


def window_panels(solution: Solution, asked: Asked, system: units.System) -> tuple[bytes, tuple[float, float]]:
    """Draw the rates the bar can deliver against liquid temperature and against ground speed.

    The left panel takes each single temperature at all planned speeds, the middle one each single speed at all planned
    temperatures, so the plan's box lies inside the certain window of both just where every zone holds. Zones with a
    speed of their own stand at it in the middle panel and are left out of the left one.

    Parameters
    ----------
    solution : Solution
        The solved bar.
    asked : Asked
        What the zones ask.
    system : str
        ``"us"`` or ``"metric"``.

    Returns
    -------
    bytes, tuple of float
        The PNG, and its size on paper [in].
    """
    plan = solution.plan
    some = asked.rate > 0.0
    asks, weight = _shown(asked.rate[some], "nitrogen rate", system), _shown(asked.area[some], "area", system)
    slow, fast = _shown(asked.slow[some], "speed", system), _shown(asked.fast[some], "speed", system)
    warm, quick = _shown(plan.temperature, "temperature", system), _shown(plan.speed, "speed", system)
    usual = np.isclose(slow, quick[0]) & np.isclose(fast, quick[1])
    by_temperature, by_speed = _over_temperature(solution, system), _over_speed(solution, system)
    inside = (by_temperature.x >= warm[0] - 1e-9) & (by_temperature.x <= warm[1] + 1e-9)
    ends = [*asks]
    for edges in (by_temperature.certain[1], by_temperature.possible[1][inside], by_speed.certain[1]):
        finite = edges[np.isfinite(edges)]
        ends += [float(finite.max())] if finite.size else []
    # What nobody asks for need not be seen in full.
    most = max(asks, default=0.0)
    top = 1.12 * min(max(ends, default=1.0), max(2.2 * most, 1.0)) if most else 1.12 * max(ends, default=1.0)

    figure = blank(_HEIGHT)
    left_axes, middle = _panel(figure, 0.62, 3.4), _panel(figure, 3.58, 5.98)
    right_axes = _panel(figure, 6.14, BREADTH - 0.12)
    for axes, band, inches, planned in (
        (left_axes, by_temperature, 2.78, warm),
        (middle, by_speed, 2.4, quick),
    ):
        axes.set_ylim(0, top)
        axes.set_xlim(min(band.x[0], band.x[-1]), max(band.x[0], band.x[-1]))
        _draw_band(axes, band)
        _name_limits(axes, band, (inches, _TOP - _BASE), planned)
    ticks = np.column_stack([np.full(len(asks), warm[0]), np.full(len(asks), warm[1])])
    _mark_plan(left_axes, warm, asks[usual], ticks[usual], usual[usual])
    _mark_plan(middle, quick, asks, np.column_stack([slow, fast]), usual)
    middle.tick_params(labelleft=False)
    right_axes.set_ylim(0, top)
    _draw_asked(right_axes, asks, weight, asked.verdict[some], system)
    left_axes.set_ylabel(f"nitrogen rate [{units.unit_label('nitrogen rate', system)}]", size=8, **_FONT)
    left_axes.set_xlabel(f"liquid temperature [{units.unit_label('temperature', system)}]", size=8, **_FONT)
    middle.set_xlabel(f"ground speed [{units.unit_label('speed', system)}]", size=8, **_FONT)
    for axes, what in (
        (left_axes, f"at {said_range(*plan.speed, 'speed', system)}"),
        (middle, f"with liquid at {said_range(*plan.temperature, 'temperature', system)}"),
    ):
        axes.set_title(what, size=8.5, weight="bold", loc="left", family="DejaVu Sans", color=INK)
    right_axes.set_title("asked", size=8.5, weight="bold", loc="left", family="DejaVu Sans", color=INK)
    for axes, band in ((left_axes, by_temperature), (middle, by_speed)):
        if not np.isfinite(band.certain[0]).any():
            none = not np.isfinite(band.possible[0]).any()
            said = "no window here" if none else "no certain window here"
            axes.text(0.5, 0.94, said, ha="center", size=8, transform=axes.transAxes, color=INK, zorder=7,
                      bbox={"boxstyle": "round,pad=0.2", "facecolor": PAPER, "edgecolor": FAINT})  # fmt: skip
    _draw_key(figure)
    return as_png(figure), (BREADTH, _HEIGHT)
