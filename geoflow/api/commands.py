"""The functions that `import geoflow` offers: one for each command that gives a result."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from geoflow.api.keywords import asked, documented
from geoflow.api.log_results import LearnResult, ReconcileResult
from geoflow.api.map_results import (
    CardResult,
    ConvertResult,
    PlanResult,
    RehearseResult,
    RewriteResult,
    SizeResult,
    VetResult,
    WindowResult,
)
from geoflow.api.readings import ReadPoints, ReadZones
from geoflow.api.results import Result
from geoflow.bar.bar_file import read_bar
from geoflow.bar.equipment import Bar
from geoflow.base.errors import UsageError
from geoflow.options.typed import LogOptions
from geoflow.workflow import said as workflows

if TYPE_CHECKING:
    from geoflow.season.catalog import Entry

__all__ = [
    "AnyBar",
    "Points",
    "Zones",
    "card",
    "convert",
    "learn",
    "plan",
    "read_bar",
    "read_log",
    "read_prescription",
    "reconcile",
    "rehearse",
    "rewrite",
    "run",
    "size",
    "vet",
    "window",
]

AnyBar = str | Path | Mapping[str, Any] | Bar
Zones = str | Path | ReadZones | Any
"""Or a GeoDataFrame."""
Points = str | Path | ReadPoints | Any
"""Or a GeoDataFrame, or a DataFrame with lon and lat."""


@documented("window")
def window(bar: AnyBar, **how: Any) -> WindowResult:
    """Find the flow and rate window of a bar, and what limits each end.

    This and the other functions raise a `GeoflowError` that says what is wrong, where, and how to put it right.
    Quantities are text with a unit ("5 mph", "45..52 degF"), pint quantities, or a pair of them for a range.

    Parameters
    ----------
    bar : str, Path, Mapping or Bar
        Its file, what would stand in it, or a bar that was read.
    **how
        As listed below.
    """
    said = asked("window", {"bar": bar, **how})
    return WindowResult(workflows.windowed(said), said)


@documented("vet")
def vet(zones: Zones, bar: AnyBar, **how: Any) -> VetResult:
    """Say for every zone of a prescription whether the bar can deliver it, and what limits it.

    Parameters
    ----------
    zones : str, Path, GeoDataFrame or ReadZones
        The prescription.
    bar : str, Path, Mapping or Bar
        As for `window`.
    **how
        As listed below.
    """
    said = asked("vet", {"zones": zones, "bar": bar, **how})
    return VetResult(workflows.vetted(said), said)


@documented("rewrite")
def rewrite(zones: Zones, bar: AnyBar, **how: Any) -> RewriteResult:
    """Change what the bar can't deliver, and only that.

    Parameters
    ----------
    zones : str, Path, GeoDataFrame or ReadZones
        The prescription.
    bar : str, Path, Mapping or Bar
        As for `window`.
    **how
        As listed below.
    """
    said = asked("rewrite", {"zones": zones, "bar": bar, **how})
    return RewriteResult(workflows.rewritten(said), said)


@documented("plan")
def plan(zones: Zones, bar: AnyBar, **how: Any) -> PlanResult:
    """Plan a field at the speed given, at the best single speed, or at a few speeds by zone.

    Parameters
    ----------
    zones : str, Path, GeoDataFrame or ReadZones
        The prescription.
    bar : str, Path, Mapping or Bar
        As for `window`.
    **how
        As listed below.
    """
    said = asked("plan", {"zones": zones, "bar": bar, **how})
    return PlanResult(workflows.planned(said), said)


@documented("rehearse")
def rehearse(zones: Zones, bar: AnyBar, **how: Any) -> RehearseResult:
    """Drive a planned field before the day: what will lie where, what is lost and what would save it.

    Parameters
    ----------
    zones : str, Path, GeoDataFrame or ReadZones
        The prescription.
    bar : str, Path, Mapping or Bar
        As for `window`.
    **how
        As listed below.
    """
    said = asked("rehearse", {"zones": zones, "bar": bar, **how})
    return RehearseResult(workflows.rehearsed(said), said)


@documented("card")
def card(
    zones: Zones | None = None,
    bar: AnyBar | None = None,
    **how: Any,
) -> CardResult:
    """Make a field card of a map, or of plain rates.

    Parameters
    ----------
    zones : str, Path, GeoDataFrame or ReadZones, optional
        The prescription.
    bar : str, Path, Mapping or Bar
        As for `window`.
    **how
        As listed below.
    """
    said = asked("card", {"zones": zones, "bar": bar, **how})
    workflows.date_of(said)  # what is no date is refused before any work
    return CardResult(workflows.carded(said), said)


@documented("size")
def size(**how: Any) -> SizeResult:
    """Find orifices for rates, with or without a bar file.

    Parameters
    ----------
    **how
        As listed below.
    """
    said = asked("size", how)
    return SizeResult(workflows.sized_orifices(said), said)


@documented("convert")
def convert(zones: Zones, out: str | Path, *, replace: bool = False, **how: Any) -> ConvertResult:
    """Write a prescription in another format or rate unit.

    Parameters
    ----------
    zones : str, Path, GeoDataFrame or ReadZones
        The prescription.
    out : str or Path
        What is written; its ending says the format.
    replace : bool
        Whether a file that is there may be replaced.
    **how
        As listed below.
    """
    said = asked("convert", {"zones": zones, **how}) | {"out": str(out), "replace": replace}
    return ConvertResult(workflows.converted(said), said)


@documented("reconcile")
def reconcile(points: Points, **how: Any) -> ReconcileResult:
    """Compare an as-applied log with its target, and let it tell about the bar.

    Parameters
    ----------
    points : str, Path, GeoDataFrame, DataFrame or ReadPoints
        The log.
    **how
        As listed below; `columns` may be a mapping, as ``{"applied": "Rate:lb N/ac", "heading": "-"}``.
    """
    said = asked("reconcile", {"points": points, **how})
    return ReconcileResult(workflows.reconciled(said), said)


@documented("learn")
def learn(logs: Any, bar: AnyBar, **how: Any) -> LearnResult:
    """Learn a bar's orifices from its logs.

    Parameters
    ----------
    logs : str, Path, GeoDataFrame or DataFrame, or a list of them
        Oldest first.
    bar : str, Path, Mapping or Bar
        As for `window`; its path, where what was learned is to be written.
    **how
        As listed below.
    """
    said = asked("learn", {"logs": logs, "bar": bar, **how})
    return LearnResult(workflows.learned(said), said)


def read_prescription(path: Any, **how: Any) -> ReadZones:
    """Read a prescription, to look at it and hand it on.

    Parameters
    ----------
    path : str, Path or GeoDataFrame
        The prescription.
    **how
        What `vet` knows of reading: `rate`, `unit`, `layer`, `crs`, `raster_zones`, `swap_axes`, `take_as_ammonia`,
        `zone_id`.
    """
    said = asked("vet", {"zones": path, **how}, ("prescription", *ReadZones.settles))
    return ReadZones(workflows.read_zones(said), said)


def read_log(path: Any, bar: AnyBar | None = None, **how: Any) -> ReadPoints:
    """Read an as-applied log, to look at it and hand it on.

    Parameters
    ----------
    path : str, Path, GeoDataFrame or DataFrame
        The log.
    bar : str, Path, Mapping or Bar, optional
        Gives the width and the share of nitrogen.
    **how
        What `reconcile` knows of reading: `columns`, `columns_file`, `accept`, `unit`, `nitrogen`, `width`,
        `volume_temperature`, `temperature`, `crs`, `layer`, `swap_axes`, `take_as_ammonia`.
    """
    only = ("log", "bar", *(one.name for one in fields(LogOptions)))
    said = asked("reconcile", {"points": path, "bar": bar, **how}, only)
    return ReadPoints(workflows.read_points(said), said)


_JOBS: Final[dict[str, tuple[type[Result], Callable[[Mapping[str, Any]], Any]]]] = {
    "vet": (VetResult, workflows.vetted),
    "rewrite": (RewriteResult, workflows.rewritten),
    "plan": (PlanResult, workflows.planned),
    "card": (CardResult, workflows.carded),
    "reconcile": (ReconcileResult, workflows.reconciled),
}


def run(entry: Entry) -> Result:
    """Do one field of a season's catalog, as the function of its job would; nothing is written.

    Parameters
    ----------
    entry : Entry
        From `geoflow.season.catalog.read_catalog`, or made; its files must be on this machine.
    """
    if entry.job not in _JOBS:
        raise UsageError(
            f"there is no job '{entry.job}'", where=f"field '{entry.field}'", cure=f"one of {', '.join(_JOBS)}"
        )
    made, work = _JOBS[entry.job]
    said = entry.said({})
    return made(work(said), said)
