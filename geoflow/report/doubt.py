"""What would settle doubtful zones, in words and as JSON."""

from __future__ import annotations

import math
from typing import Any

from geoflow.base.units import System, show, unit_label
from geoflow.decide.settling import CAREFUL, Settling, usual_tolerances, windows_with_a_point
from geoflow.decide.vet import Solution
from geoflow.report.json_numbers import keyed
from geoflow.report.layout import number_range, within

__all__ = ["doubt_document", "doubt_text", "no_window_text"]


def _read_to(tolerances: tuple[float, float, float], system: System) -> str:
    share, gauge, thermometer = tolerances
    return (
        f"flow ± {100.0 * share:g} %, gauge ± {show(gauge, 'pressure', system)}, thermometer ± "
        f"{show(thermometer, 'temperature difference', system)}"
    )


def _with_care(area: float, system: System) -> str:
    return f"Read to {_read_to(CAREFUL, system)} it is expected to settle at least {show(area, 'area', system)}"


def _areas(ends: tuple[float, float], system: System, of: str | None = None) -> str:
    """From least to greatest, of a whole where that is told."""
    said = number_range(*ends, "area", system)
    if ends[0] == 0.0:
        said = f"up to {said.split(' to ')[-1]}"
    return f"{said} {unit_label('area', system)}" if of is None else f"{said} of the {of}"


def doubt_text(found: Settling, system: System) -> str:
    """Say what would settle the doubtful zones.

    Parameters
    ----------
    found : Settling
        Where zones are doubtful.
    system : str
        ``"us"`` or ``"metric"``.
    """
    ground = show(found.area, "area", system)
    another = "Another measured point" if found.measured else "A measured point"
    point = f"{another} of each orifice in use (flow of one row, manifold pressure, liquid temperature)"
    if found.settled[1] > 0.0:
        ways = [
            f"{_areas(ends, system)} would {word}"
            for ends, word in ((found.holds, "hold"), (found.fails, "fail"))
            if ends[1] > 0.0
        ]
        sure = found.settled[0] > 0.0
        how = "is expected to" if sure else "may"
        which = "" if found.settled[0] == found.settled[1] else ", by how far the liquid flashes in them"
        text = f"{point} {how} settle {_areas(found.settled, system, of=ground)} in doubt{which}: {' and '.join(ways)}."
        if found.careful > 0.0:
            text += f" {_with_care(found.careful, system)}."
        return f"{text} Until then treat them like failing ones."
    if found.careful > 0.0:
        return (
            f"{point} is not expected to settle any of the {ground} in doubt unless it is read with great care. "
            f"{_with_care(found.careful, system)}. Until then treat them like failing ones."
        )
    if found.known > 0.0:
        return (
            f"{another} is not expected to settle any of the {ground} in doubt "
            f"({_read_to(usual_tolerances(), system)}). Treat them like failing ones."
        )
    return (
        f"Nothing measured at the orifices would settle the {ground} in doubt: they hang on how the suction boils. "
        "Treat them like failing ones."
    )


def doubt_document(found: Settling | None) -> dict[str, Any] | None:
    """Give the same for JSON; None where no zone is doubtful.

    Parameters
    ----------
    found : Settling or None
        None where no zone is doubtful.
    """
    if found is None:
        return None
    return keyed(
        doubtful_ac=found.area,
        points_measured=found.measured,
        a_point_shows_to_hold_ac=found.holds,
        a_point_shows_to_fail_ac=found.fails,
        a_point_settles_ac=found.settled,
        a_careful_point_settles_ac=found.careful if found.settled[0] == 0.0 else None,
        full_knowledge_settles_ac=found.known,
    )


def _edge(flow: float, system: System) -> str:
    return show(flow, "ammonia flow", system) if math.isfinite(flow) else "never reached"


def no_window_text(solution: Solution, system: System) -> str:
    """Say that no flow certainly holds over the plan, and what would open a window.

    Parameters
    ----------
    solution : Solution
        The solved bar.
    system : str
        ``"us"`` or ``"metric"``.
    """
    certain = solution.window.over_plan(certain=True, commanded=False)
    low, high = solution.window.edges(certain=True)
    some = solution.window.temperature[low <= high]
    ways = []
    if some.size:
        ways.append(f"at some single temperatures, {within(some[0], some[-1], 'temperature', system)}, there is one")
    fitting = [f"'{name}'" for name, bounds in solution.other_orifices.items() if not bounds.empty]
    if fitting:
        ways.append(f"with orifice {' or '.join(fitting)} in all sections there is one")
    opened = [after is not None and not after[0].empty for after in windows_with_a_point(solution)]
    if any(opened):
        how = "is expected to open one" if all(opened) else "may open one, by how far the liquid flashes"
        ways.append(f"a measured point (flow, manifold pressure, liquid temperature) {how}")
    said = (
        f"There is no flow that certainly holds over this plan: the low end ({_edge(certain.low, system)}) lies above "
        f"the high end ({_edge(certain.high, system)})."
    )
    if not ways:
        return (
            said + " Neither a single planned temperature, nor another orifice of the bar file, nor a measured point "
            "is expected to open one."
        )
    text = "; ".join(ways)
    return f"{said} But {text}."
