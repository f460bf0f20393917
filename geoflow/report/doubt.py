"""What would settle doubtful zones, in words and as JSON."""

from __future__ import annotations

import math
from dataclasses import astuple
from typing import Any, Final

from geoflow.bar.equipment import Bar
from geoflow.base.rates import nitrogen_rate
from geoflow.base.units import System, number_range, show, show_range, unit_label
from geoflow.decide.other_ways import OtherWay
from geoflow.decide.settling import CAREFUL, Advised, Settling, usual_tolerances, windows_with_a_point
from geoflow.decide.vet import Solution
from geoflow.physics.ammonia import saturation
from geoflow.report.finding_out import finding_out_document, finding_out_text
from geoflow.report.json_numbers import keyed
from geoflow.report.layout import within

__all__ = ["doubt_document", "doubt_text", "no_window_text"]


_READ_AT: Final = ("manifold", "after valve")


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


def _reading_words(reading: Advised, solution: Solution, system: System) -> str:
    """Say which reading to take, and what is to be expected on the gauges."""
    bar, plan = solution.bar, solution.plan
    liquid = saturation(reading.temperature)
    volume = show(reading.flow / float(liquid.liquid_density), "volume flow", system)
    middle = 0.5 * sum(plan.speed)
    rate = show(float(nitrogen_rate(reading.flow, middle, solution.window.width, bar.nitrogen_fraction)),
                "nitrogen rate", system)  # fmt: skip
    least, most = reading.pressure
    gauge = show_range(least - bar.air_pressure, most - bar.air_pressure, "pressure", system, 0)
    tank = show(float(liquid.pressure) - bar.air_pressure, "pressure", system, 0)
    kinds = {bar.sections[index].orifice for index in plan.sections}
    each = " of each orifice in use, with only its sections on," if len(kinds) > 1 else ""
    return (
        f"with liquid at {show(reading.temperature, 'temperature', system)} (tank gauge {tank}) and about {rate} at "
        f"{show(middle, 'speed', system)} held (the meter then shows {volume} over {solution.window.rows} rows), write "
        f"down the flow{each} and the gauge above the orifices, where about {gauge} is expected"
    )


def _after_valve(reading: Advised, bar: Bar, system: System) -> str:
    """What the gauge after the valve would do in the place of one above the orifices, where that differs."""
    if reading.read_after_valve is None:
        return ""
    settled = show(reading.read_after_valve, "area", system)
    least, most = reading.after_valve
    pressure = show_range(least - bar.air_pressure, most - bar.air_pressure, "pressure", system, 0)
    return f" Read from a gauge after the valve (about {pressure}) in its place it settles at least {settled}."


def _gauges_missing(bar: Bar) -> str:
    """Say where neither gauge is among those of the bar file."""
    places = {gauge.place for gauge in bar.gauges}
    if not places or places & set(_READ_AT):
        return ""
    return f" The bar file has no gauge {' or '.join(_READ_AT)}: fit one for this reading."


def _gained(way: OtherWay, system: System) -> str:
    held = f"{show(way.held, 'area', system)} of it would hold"
    return held if way.lost <= 0.0 else f"{held}, while {show(way.lost, 'area', system)} that hold now would not"


def _other_ways(found: Settling, solution: Solution, system: System) -> str:
    """What would help where no reading does, worked out for these zones."""
    ways = []
    if found.colder:
        ways.append(f"with liquid at {show(found.colder.value, 'temperature', system)} {_gained(found.colder, system)}")
    if found.smaller:
        size = show(found.smaller.value, "small length", system)
        ways.append(f"with orifices of {size} in all sections, not yet measured, {_gained(found.smaller, system)}")
    if not ways:
        return " Neither colder liquid nor smaller orifices would make more of the field hold at these speeds."
    return f" What would help: {'; '.join(ways)}."


def doubt_text(found: Settling, solution: Solution, system: System) -> str:
    """Say what would settle the doubtful zones.

    Parameters
    ----------
    found : Settling
        Where zones are doubtful.
    solution : Solution
        The bar and the plan they are doubtful for.
    system : str
        ``"us"`` or ``"metric"``.
    """
    unknown = finding_out_text(found.unknowns, found.area, system)
    some = found.reading is not None or found.careful > 0.0 or (found.unknowns and found.unknowns.together > 0.0)
    until = "Until then treat" if some else "Treat"
    return f"{_by_reading(found, solution, system)}{unknown} {until} them like failing ones."


def _by_reading(found: Settling, solution: Solution, system: System) -> str:
    """Say what one more reading would settle, or what else would help."""
    ground = show(found.area, "area", system)
    another = "Another measured point" if found.measured else "A measured point"
    if found.reading is not None:
        ways = [
            f"{_areas(ends, system)} would {word}"
            for ends, word in ((found.holds, "hold"), (found.fails, "fail"))
            if ends[1] > 0.0
        ]
        sure = found.settled[0] > 0.0
        how = "is expected to" if sure else "may"
        which = "" if found.settled[0] == found.settled[1] else ", by how far the liquid flashes in them"
        text = (
            f"{another} {how} settle {_areas(found.settled, system, of=ground)} in doubt{which}: "
            f"{' and '.join(ways)}. For it, {_reading_words(found.reading, solution, system)}."
            f"{_after_valve(found.reading, solution.bar, system)}{_gauges_missing(solution.bar)}"
        )
        return f"{text} {_with_care(found.careful, system)}." if found.careful > 0.0 else text
    if found.careful > 0.0:
        return (
            f"{another} of each orifice in use is not expected to settle any of the {ground} in doubt unless it is "
            f"read with great care. {_with_care(found.careful, system)}.{_other_ways(found, solution, system)}"
        )
    if found.known == 0.0:
        why = (
            f"Nothing measured at the orifices would settle the {ground} in doubt: they hang on how the suction boils."
        )
    elif found.enough and found.learnable > 0.0:
        why = (
            f"What was learned leaves {ground} in doubt. {show(found.learnable, 'area', system)} of it would be "
            "settled if the orifices were known exactly: learn again with logs at these rates and temperatures, a "
            "scale ticket and a reading of the machine at rest."
        )
    elif found.enough:
        why = f"What was measured leaves {ground} in doubt, closer to the window's ends than gauges can tell."
    else:
        why = (
            f"{another} is not expected to settle any of the {ground} in doubt "
            f"({_read_to(usual_tolerances(), system)})."
        )
    return f"{why}{_other_ways(found, solution, system)}"


def _advised_document(reading: Advised, air: float) -> dict[str, Any]:
    return keyed(
        temperature_degF=reading.temperature,
        flow_lb_nh3_min=reading.flow,
        above_orifices_psig=[end - air for end in reading.pressure],
        after_valve_psig=[end - air for end in reading.after_valve],
        settles_with_gauge_after_valve_ac=reading.read_after_valve,
    )


def doubt_document(found: Settling | None, air: float) -> dict[str, Any] | None:
    """Give the same for JSON; None where no zone is doubtful.

    Parameters
    ----------
    found : Settling or None
        None where no zone is doubtful.
    air : float
        Pressure of the air at the site [Pa].
    """
    if found is None:
        return None
    colder, smaller = ((None, None, None) if one is None else astuple(one) for one in (found.colder, found.smaller))
    said = keyed(
        doubtful_ac=found.area,
        points_measured=found.measured,
        a_point_shows_to_hold_ac=found.holds,
        a_point_shows_to_fail_ac=found.fails,
        a_point_settles_ac=found.settled,
        a_careful_point_settles_ac=found.careful if found.settled[0] == 0.0 else None,
        full_knowledge_settles_ac=found.known,
        more_logs_settle_ac=found.learnable if found.learnable else None,
        colder_liquid_degF=colder[0],
        colder_liquid_holds_ac=colder[1],
        colder_liquid_loses_ac=colder[2],
        smaller_orifice_inch=smaller[0],
        smaller_orifice_holds_ac=smaller[1],
        smaller_orifice_loses_ac=smaller[2],
    )
    return {
        **said,
        "reading": None if found.reading is None else _advised_document(found.reading, air),
        "unknowns": finding_out_document(found.unknowns),
    }


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
