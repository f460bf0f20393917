"""The pressures to expect at the gauges, as rows of words and as JSON."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from geoflow.bar.equipment import Bar, Section
from geoflow.base.arrays import FloatArray, IntArray
from geoflow.base.said import said
from geoflow.base.schema import LOW_LIMITS
from geoflow.base.units import System, from_si, number, number_range, show_range, unit_label
from geoflow.decide.gauges import Gauges, end_pressures, gauges_of, tank_pressures
from geoflow.hydraulics.rows import RowSplit
from geoflow.report.json_numbers import keyed, records
from geoflow.report.model import Table

if TYPE_CHECKING:
    from geoflow.decide.vet import Solution, Vetting

__all__ = [
    "end_gauges",
    "ends_document",
    "gauge_cell",
    "gauges_document",
    "manifold_texts",
    "map_gauges",
    "row_text",
    "section_list",
    "split_document",
    "tank_text",
    "temperature_heads",
]

_UNEVEN = 0.05
_NONE = "none to expect"


def _pump_shown(bar: Bar) -> bool:
    """Whether the bar file says what is lost between the pump and the manifold."""
    return bar.control_valve is not None or bar.meter.loss_at_max_flow > 0.0


def _gauge(ends: FloatArray, bar: Bar, system: System) -> str:
    low, high = (ends - bar.air_pressure).tolist()
    return number_range(low, high, "pressure", system, 0)


def temperature_heads(temperature: FloatArray, system: System) -> list[str]:
    """Head the columns of a table of rates by liquid temperatures [K].

    Parameters
    ----------
    temperature : ndarray, shape (t,)
        Of the liquid [K].
    system : str
        ``"us"`` or ``"metric"``.
    """
    return [said(float(kelvin), "temperature", system) for kelvin in temperature]


def gauge_cell(values: FloatArray, bar: Bar, system: System) -> str:
    """Write least, expected and greatest absolute pressure [Pa] as gauge: ``104 (96 to 115)``; ``-`` where none is.

    Rounded outward, so that what is expected lies inside as printed.

    Parameters
    ----------
    values : ndarray, shape (3,)
        Absolute [Pa]; NaN where there is none.
    bar : Bar
        For the pressure of the air.
    system : str
        ``"us"`` or ``"metric"``.
    """
    if not np.isfinite(values).all():
        return "-"
    low, middle, high = (values - bar.air_pressure).tolist()
    first, last = number(low, "pressure", system, 0, "down"), number(high, "pressure", system, 0, "up")
    return f"{number(middle, 'pressure', system, 0)} ({first} to {last})"


def _heads(bar: Bar, system: System, *, likely: bool = False) -> list[str]:
    label = unit_label("pressure", system)
    return [
        f"manifold {label}",
        *(["likely, over the plan"] if likely else []),
        *([f"pump {label}"] if _pump_shown(bar) else []),
    ]


def _likely_shown(found: Gauges, bar: Bar, system: System) -> bool:
    """Whether what is likely is anywhere narrower than what is possible, as it reads."""
    known = np.flatnonzero(np.isfinite(found.manifold[:, 0])).tolist()
    return any(_gauge(found.likely[at], bar, system) != _gauge(found.manifold[at], bar, system) for at in known)


def _remark(verdict: str, limit: str, *, liquid: bool) -> str:
    if verdict == "holds":
        return ""
    if not liquid:
        # Too little margin is what matters at the gauge, whatever else limits the rate.
        limit = limit if limit in LOW_LIMITS else f"{limit}, liquid margin"
    return f"{verdict}: {limit}"


def _title(found: Gauges) -> str:
    """Say what the table of gauges is of."""
    if len(found.rate) == found.rates:
        return "At the gauges, at the map's rates driven as planned: expected (from to)"
    return (
        f"At the gauges, at {len(found.rate)} of the map's {found.rates:,} rates driven as planned: the lowest, the "
        "highest, and some between that stand for about equal areas; expected (from to)"
    )


def _row(found: Gauges, index: int, bar: Bar, system: System, *, own: bool, likely: bool) -> tuple[str, ...]:
    known = math.isfinite(found.manifold[index, 0])
    speed = [number_range(float(found.speed[index, 0]), float(found.speed[index, 1]), "speed", system)] if own else []
    cells = [gauge_cell(values, bar, system) if known else _NONE for values in found.by_temperature.manifold[:, index]]
    if likely:
        cells.append(_gauge(found.likely[index], bar, system) if known else "")
    if _pump_shown(bar):
        cells.append(_gauge(found.outlet[index], bar, system) if known else "")
    remark = _remark(str(found.verdict[index]), str(found.limited_by[index]), liquid=bool(found.liquid[index]))
    return (number(float(found.rate[index]), "nitrogen rate", system), *speed, *cells, remark)


def map_gauges(found: Gauges, solution: Solution, system: System) -> list[Table]:
    """Give the gauges at rates of a map driven as planned; nothing where none asks for ammonia.

    Parameters
    ----------
    found : Gauges
        From `decide.gauges.expected_gauges`.
    solution : Solution
        The solved bar.
    system : str
        ``"us"`` or ``"metric"``.
    """
    if not len(found.rate):
        return []
    own = bool((np.ptp(found.speed, axis=0) > 1e-6).any())
    speed = [unit_label("speed", system)] if own else []
    likely = _likely_shown(found, solution.bar, system)
    manifold, *more = _heads(solution.bar, system, likely=likely)
    warmths = [f"{manifold} at {one}" for one in temperature_heads(found.by_temperature.temperature, system)]
    heads = [unit_label("nitrogen rate", system), *speed, *warmths, *more]
    rows = tuple(_row(found, index, solution.bar, system, own=own, likely=likely) for index in range(len(found.rate)))
    align, widths = "<" + ">" * (len(heads) - 1) + "<", (1.2, *(1.9 for _ in heads[1:]), 2.2)
    return [Table(_title(found), (*heads, "verdict, where it does not hold"), rows, align, widths)]


def end_gauges(solution: Solution, system: System) -> list[Table]:
    """Give the gauges at both ends of the certain window; nothing where there is none.

    Parameters
    ----------
    solution : Solution
        The solved bar.
    system : str
        ``"us"`` or ``"metric"``.
    """
    bar = solution.bar
    rows = []
    for end, (manifold, outlet) in end_pressures(solution).items():
        pump = [_gauge(outlet, bar, system)] if _pump_shown(bar) else []
        rows.append((f"{end} end of the certain window", _gauge(manifold, bar, system), *pump))
    heads = ("at the", *_heads(bar, system))
    align, widths = "<" + ">" * (len(heads) - 1), (3.4, *(2.2 for _ in heads[1:]))
    return [Table("", heads, tuple(rows), align, widths)] if rows else []


def tank_text(solution: Solution, system: System) -> str:
    """Say what the tank's gauge shows.

    Parameters
    ----------
    solution : Solution
        The solved bar.
    system : str
        ``"us"`` or ``"metric"``.
    """
    low, high = (pressure - solution.bar.air_pressure for pressure in tank_pressures(solution))
    return f"Tank gauge: {show_range(low, high, 'pressure', system, 0)}, the liquid's vapour pressure as planned."


def manifold_texts(
    places: IntArray, rate: FloatArray, solution: Solution, vetting: Vetting, system: System
) -> list[str]:
    """Say what the manifold's gauge shows in some zones.

    Parameters
    ----------
    places : ndarray of int, shape (n,)
        Of the zones.
    rate : ndarray, shape (zones,)
        Nitrogen rate [kg/m2]; those of the places above zero.
    solution : Solution
        The solved bar.
    vetting : Vetting
        The verdicts.
    system : str
        ``"us"`` or ``"metric"``.
    """
    # What fails has no pressure to expect, and is not solved for one.
    shown = places[vetting.verdict[places] != "fails"]
    found = gauges_of(shown, rate, solution, vetting, len(shown)).manifold if len(shown) else ()
    unit = unit_label("pressure", system)
    texts = {
        int(at): f"{_gauge(one, solution.bar, system)} {unit}"
        for at, one in zip(shown, found, strict=True)
        if math.isfinite(one[0])
    }
    return [texts.get(int(at), _NONE) for at in places]


def section_list(solution: Solution) -> list[Section]:
    """Return the sections in use.

    Parameters
    ----------
    solution : Solution
        The solved bar.
    """
    return [solution.bar.sections[index] for index in solution.plan.sections]


def row_text(split: RowSplit | None, solution: Solution) -> list[str]:
    """Say how far sections are off the mean row where rows do not get the same; nothing where they do.

    Parameters
    ----------
    split : RowSplit or None
        Flow of a row of each section.
    solution : Solution
        The solved bar.
    """
    if split is None or float(split.highest.max() - split.lowest.min()) <= _UNEVEN:
        return []
    sections = section_list(solution)

    def off(low: float, high: float) -> str:
        least, most = f"{100.0 * low:+.0f} %", f"{100.0 * high:+.0f} %"
        return least if least == most else f"{least} to {most}"

    each = "; ".join(
        f"{section.name} (orifice {section.orifice}) {off(low, high)}"
        for section, low, high in zip(sections, split.lowest.tolist(), split.highest.tolist(), strict=True)
    )
    why = "the orifices and feeds"
    if split.spread.any():
        why += ", and the spread of rows with one kind of orifice"
    return [f"Rows do not get the same, against the mean row: {each}. That is {why}."]


def _psig(manifold: FloatArray, outlet: FloatArray, bar: Bar, likely: FloatArray | None = None) -> dict[str, Any]:
    """Two gauges, each at both ends of what is not known; None where it cannot be told, or is not in the bar file."""

    shown = _psi(outlet, bar) if _pump_shown(bar) else None
    of_likely = {} if likely is None else {"likely_manifold_psig": _psi(likely, bar)}
    return {"manifold_psig": _psi(manifold, bar), **of_likely, "pump_outlet_psig": shown}


def _psi(values: FloatArray, bar: Bar) -> list[float] | None:
    """Give absolute pressures [Pa] as gauge [psi]; None where they are not known."""
    psi = from_si(values - bar.air_pressure, "pressure", "psi")
    return [round(float(one), 3) for one in psi] if np.isfinite(values).all() else None


def gauges_document(found: Gauges, solution: Solution) -> dict[str, Any]:
    """Give the table of gauges for JSON.

    Parameters
    ----------
    found : Gauges
        At rates of the map.
    solution : Solution
        The solved bar.
    """
    rates = [
        {
            **keyed(rate_lb_n_ac=float(found.rate[index]), speed_mph=found.speed[index]),
            "verdict": str(found.verdict[index]),
            "liquid_margin_certain": bool(found.liquid[index]),
            **_psig(found.manifold[index], found.outlet[index], solution.bar, found.likely[index]),
            "by_temperature": [
                {
                    **keyed(temperature_degF=float(kelvin)),
                    "manifold_psig": _psi(found.by_temperature.manifold[row, index], solution.bar),
                }
                for row, kelvin in enumerate(found.by_temperature.temperature)
            ],
        }
        for index in range(len(found.rate))
    ]
    return {"rates_of_the_map": found.rates, "rates": rates}


def ends_document(solution: Solution) -> dict[str, Any] | None:
    """Give the gauges at both ends of the certain window for JSON; None where there is none.

    Parameters
    ----------
    solution : Solution
        The solved bar.
    """
    return {end: _psig(*gauges, solution.bar) for end, gauges in end_pressures(solution).items()} or None


def split_document(split: RowSplit | None, solution: Solution) -> dict[str, Any] | None:
    """Give how the sections share a flow for JSON; None where that cannot be told.

    Parameters
    ----------
    split : RowSplit or None
        Flow of a row of each section.
    solution : Solution
        The solved bar.
    """
    if split is None:
        return None
    sections = [solution.bar.sections[index] for index in solution.plan.sections]
    return keyed(
        temperature_degF=0.5 * sum(solution.plan.temperature),
        flow_lb_nh3_min=split.flow,
        sections=records(
            name=[section.name for section in sections],
            rows=[section.rows for section in sections],
            orifice=[section.orifice for section in sections],
            row_flow_lb_nh3_min=split.row_flow,
            off_mean_percent=100.0 * split.off_mean,
            lowest_row_percent=100.0 * split.lowest,
            highest_row_percent=100.0 * split.highest,
        ),
    )
