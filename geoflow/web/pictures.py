"""The answer with its pictures: the window as two charts, the rates asked as bars, and one layer of the map.

All of it belongs to one question and is told at once, so that no picture can stand beside another plan's numbers.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray, IntArray
from geoflow.base.counted import count
from geoflow.base.units import System, from_si, number, number_range, show, to_si, unit_label
from geoflow.decide.vet import Plan, Solution, asked_of_rows, vet
from geoflow.report.map_classes import even_edges, shown_in, within_edges
from geoflow.report.map_layers import LAYERS, Vetted, map_layer
from geoflow.report.window_bands import Band, over_speed, over_temperature
from geoflow.report.window_text import AXES, band_table, band_title
from geoflow.web.layer_views import layer_view, one_letter_each
from geoflow.web.requests import belonging, plan_of, system_of
from geoflow.web.views import answer_view
from geoflow.workflow.replan import preview_plan

if TYPE_CHECKING:
    from geoflow.hydraulics.window import FlowWindow
    from geoflow.web.state import Opened, Question
    from geoflow.web.windows import Windows

__all__ = ["answer_with_pictures", "window_view"]

# Where the sliders of the page reach; a chart reaches further only where the plan does.
_REACH: Final = {
    "temperature": {"us": (0.0, 100.0), "metric": (-18.0, 38.0)},
    "speed": {"us": (1.0, 12.0), "metric": (1.5, 19.5)},
}
_MOST_BARS: Final = 36
# Room above the highest rate asked, as a share of it.
_ABOVE: Final = 1.4


def answer_with_pictures(windows: Windows, opened: Opened, asked: Question) -> dict[str, Any]:
    """Answer a plan in full, or quickly: the same verdicts and windows without what lies beyond them.

    Parameters
    ----------
    windows : Windows
        What is solved of each bar already.
    opened : Opened
        What is open.
    asked : dict
        The question; ``quick``, and the layer that the map shows.
    """
    plan, known = plan_of(opened.kept.read.bar, asked), opened.outcome
    if asked.get("quick") and (known is None or known.solution.plan != plan):
        return _quick_answer(windows, opened, asked, plan)
    whole = opened.vetted_if_newest(plan)
    if whole is None:
        return {"superseded": True}
    system, read = system_of(asked), opened.kept.read
    vetting, search = whole.vetting, whole.solution.search
    if windows.is_whole(opened.bar, plan.sections):
        search = asked_of_rows(windows.over(opened.bar, read.bar, plan), read.bar, plan)
    zones = Vetted(whole.rate, vetting.verdict, whole.solution, lambda: vetting)
    of = belonging(opened, asked)
    answer = answer_view(read.prescription, whole.solution, vetting.verdict, system, of, whole.beyond, exact=True)
    return answer | _pictures(zones, read.prescription.area, _layer(asked), search, system)


def _layer(asked: Question) -> str:
    return str(asked.get("layer", "verdict"))


def _quick_answer(windows: Windows, opened: Opened, asked: Question, plan: Plan) -> dict[str, Any]:
    system, read = system_of(asked), opened.kept.read
    solved = None if opened.outcome is None else opened.outcome.solution
    window = windows.over(opened.bar, read.bar, plan)
    preview = preview_plan(read, plan, window, solved)
    # Pressures are rough, or still those of another temperature, unless only the speed is new.
    rough = solved is None or replace(plan, speed=solved.plan.speed) != solved.plan
    layer = "verdict" if rough and _layer(asked) == "margin" else _layer(asked)
    solution = preview.solution
    zones = Vetted(read.rate, preview.verdict, solution, lambda: vet(read.rate, solution))
    answer = answer_view(read.prescription, solution, preview.verdict, system, belonging(opened, asked), exact=False)
    mine = solved is not None and (solved.plan.sections, solved.plan.rows) == (plan.sections, plan.rows)
    if solved is not None and mine and not windows.is_whole(opened.bar, plan.sections):
        search = solved.search
    else:
        search = asked_of_rows(window, read.bar, plan)
    return answer | _pictures(zones, read.prescription.area, layer, search, system)


def _pictures(zones: Vetted, area: FloatArray, layer: str, search: FlowWindow, system: System) -> dict[str, Any]:
    """The charts, and the layer of the map unless it is the verdicts, which the answer holds anyway."""
    shown = layer in LAYERS and layer not in {"verdict", "speed"}
    return {
        "charts": window_view(zones, area, search, system),
        "layer": layer_view(map_layer(layer, zones, system), area, system) if shown else None,
    }


# Charts


def window_view(zones: Vetted, area: FloatArray, search: FlowWindow, system: System) -> dict[str, Any]:
    """The window over temperature and over speed, and the rates asked, in the reader's units.

    Parameters
    ----------
    zones : Vetted
        The zones.
    area : ndarray, shape (zones,)
        [m2]
    search : FlowWindow
        The window as it is asked of the rows, over the temperatures that are solved.
    system : str
        ``"us"`` or ``"metric"``.
    """
    solution = replace(zones.solution, search=search)
    bands = (
        over_temperature(solution, _across("temperature", solution.plan.temperature, system)),
        over_speed(solution, _across("speed", solution.plan.speed, system)),
    )
    bars, of_zone = _bars(zones, area, system)
    return {
        "unit": unit_label("nitrogen rate", system),
        "top": _top(zones.rate, solution, system),
        "bands": [_band(band, solution, system) for band in bands],
        "bars": bars,
        "barOf": one_letter_each(of_zone),
        "areaUnit": unit_label("area", system),
    }


def _across(kind: str, plan: tuple[float, float], system: System) -> tuple[float, float]:
    low, high = (float(to_si(end, kind, shown_in(kind, system)[0])) for end in _REACH[kind][system])
    return min(low, plan[0]), max(high, plan[1])


def _numbers(values: Any, kind: str, system: System) -> list[float | None]:
    """Write SI values as numbers of the reader's unit, null where there is none."""
    shown = np.round(np.asarray(from_si(np.asarray(values, dtype=np.float64), kind, shown_in(kind, system)[0])), 4)
    return [value if math.isfinite(value) else None for value in shown.tolist()]


def _widened(band: Band) -> Band:
    """Make one temperature alone a narrow stretch, so that it shows."""
    if len(band.x) > 1:
        return band
    (low, high), (dim, bright) = ((ends[0].repeat(2), ends[1].repeat(2)) for ends in (band.certain, band.possible))
    limits = list(band.limits[0]) * 2, list(band.limits[1]) * 2
    beside = np.array([-1.0, 1.0])
    return replace(band, x=band.x + beside, certain=(low, high), possible=(dim, bright), limits=limits)


def _band(band: Band, solution: Solution, system: System) -> dict[str, Any]:
    band = _widened(band)
    table = band_table(band, system)
    sure, some = (bool(np.isfinite(ends[0]).any()) for ends in (band.certain, band.possible))
    return {
        "kind": band.kind,
        "title": band_title(band.kind, solution.plan, system),
        "axis": f"{AXES[band.kind]} [{unit_label(band.kind, system)}]",
        "x": _numbers(band.x, band.kind, system),
        "certain": [_numbers(end, "nitrogen rate", system) for end in band.certain],
        "possible": [_numbers(end, "nitrogen rate", system) for end in band.possible],
        "named": [[side, *stretch] for side in (0, 1) for stretch in band.named_edge(side)],
        "plan": _numbers(band.plan, band.kind, system),
        "note": "" if sure else "no certain window here" if some else "no window here",
        "table": {"heads": table.heads, "rows": table.rows},
    }


def _top(rate: FloatArray, solution: Solution, system: System) -> float:
    """Highest rate on the axis in the reader's unit: the same for all plans, unless the window lies above it."""
    most = float(rate.max(initial=0.0))
    low, high = solution.rate_bounds(solution.possible)
    wanted = [_ABOVE * most, 1.2 * low] if most > 0.0 else [1.2 * high]
    known = max((end for end in wanted if math.isfinite(end)), default=0.0) or float(
        to_si(100.0, "nitrogen rate", "lb/acre")
    )
    edges = even_edges(0.0, known, "nitrogen rate", system, 10)
    return _numbers(edges[-1:], "nitrogen rate", system)[0] or 1.0


def _bars(zones: Vetted, area: FloatArray, system: System) -> tuple[list[dict[str, Any]], IntArray]:
    """Area asking for each rate by verdict, and which bar each zone belongs to: -1 for none."""
    of_zone = np.full(len(zones.rate), -1, dtype=np.int64)
    some = np.flatnonzero(zones.rate > 0.0)
    if not some.size:
        return [], of_zone
    unit, digits = shown_in("nitrogen rate", system)
    shown = np.round(from_si(zones.rate[some], "nitrogen rate", unit), digits)
    distinct, place = np.unique(shown, return_inverse=True)
    if distinct.size <= _MOST_BARS:
        gap = float(np.diff(distinct).min()) if distinct.size > 1 else math.inf
        half = 0.5 * min(gap, float(distinct[-1]) / _MOST_BARS)
        spans = [(value - half, value + half) for value in distinct.tolist()]
        said = [number(float(to_si(value, "nitrogen rate", unit)), "nitrogen rate", system) for value in distinct]
    else:
        low, high = float(zones.rate[some].min()), float(zones.rate[some].max())
        edges = even_edges(low, high, "nitrogen rate", system, _MOST_BARS)
        place = within_edges(zones.rate[some], edges)
        ends = list(itertools.pairwise(edges.tolist()))
        said = [number_range(first, last, "nitrogen rate", system) for first, last in ends]
        shown_edges = np.asarray(from_si(edges, "nitrogen rate", unit)).tolist()
        spans = list(itertools.pairwise(shown_edges))
    of_zone[some] = place
    names, bars = ("holds", "doubtful", "fails"), len(said)
    verdict, weight = zones.verdict[some], area[some]
    areas = np.column_stack([np.bincount(place, np.where(verdict == name, weight, 0.0), bars) for name in names])
    numbers = np.bincount(place, minlength=bars)
    shown_areas = np.round(np.asarray(from_si(areas, "area", shown_in("area", system)[0])), 4)
    label = unit_label("nitrogen rate", system)
    made = []
    for at, ((low, high), text) in enumerate(zip(spans, said, strict=True)):
        each = zip(areas[at].tolist(), names, strict=True)
        by = ", ".join(f"{show(one, 'area', system)} {name}" for one, name in each if one)
        words = [f"{text} {label}", count(int(numbers[at]), "zone"), by]
        made.append({"low": round(low, 4), "high": round(high, 4), "areas": shown_areas[at].tolist(), "words": words})
    return made, of_zone
