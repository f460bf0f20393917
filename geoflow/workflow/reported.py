"""Making a report of all that was said: the workflow it is of, its document, and the files it rests on.

A report loads what its own workflow needs, and no other's.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from geoflow.options.table import options_of
from geoflow.options.typed import DayOptions, RewriteOptions, told
from geoflow.workflow.reporting import (
    Sources,
    origin_of,
    report_on_reconciling,
    report_on_rewriting,
    report_on_vetting,
)
from geoflow.workflow.results import statement_of
from geoflow.workflow.said import Said, date_of, planned, reconciled, vetted

if TYPE_CHECKING:
    from geoflow.outcomes import Origin
    from geoflow.report.model import Report

__all__ = ["Reported", "reported"]

# How a report is written is not what it rests on.
_NOT_TOLD: Final = ("replace", "paper", "date")
_ROLES: Final = {
    "bar": "bar file", "zone_speeds": "zone speeds", "target": "target map", "columns_file": "columns file",
}  # fmt: skip

_Made = tuple["Report", Any]  # and the outcome


@dataclass(frozen=True, slots=True)
class Reported:
    """A report that is made, and not written yet.

    Attributes
    ----------
    report : Report
        What it says.
    document : callable
        Gives the same as JSON.
    findings : bool
        Whether there is anything to act on.
    date : date
        It bears.
    inputs : tuple of Path
        The files it rests on, never to be written over.
    """

    report: Report
    document: Callable[[], dict[str, Any]]
    findings: bool
    date: datetime.date
    inputs: tuple[Path, ...]


def reported(about: str, said: Said) -> Reported:
    """Make a report; raises GeoflowError for anything that cannot be read or understood.

    Parameters
    ----------
    about : str
        ``"vet"``, ``"rewrite"``, ``"plan"`` or ``"reconcile"``.
    said : mapping
        By name of the option.
    """
    command, date = f"report {about}", date_of(said)  # what is no date is refused before any work
    named = [name for name, one in options_of(command).items() if one.kind == "file" and name != "rehearsed"]
    sources = Sources.of([(_ROLES.get(name, name), said.get(name)) for name in named])

    def origin() -> Origin:
        return origin_of(sources, [("geoflow report", about), *told(command, said, _NOT_TOLD)], date)

    report, outcome = _MAKERS[about](said, origin)
    found = statement_of(about, outcome, said)
    return Reported(report, found.document, found.findings, date, sources.paths)


def _of_vetting(said: Said, origin: Callable[[], Origin]) -> _Made:
    outcome, day = vetted(said, "report vet"), DayOptions.of(said, "report vet")
    return report_on_vetting(outcome, origin(), said["units"], day, all_zones=bool(said.get("all_zones"))), outcome


def _of_rewriting(said: Said, origin: Callable[[], Origin]) -> _Made:
    from geoflow.workflow.rewriting import rewrite_file

    rules, day = RewriteOptions.of(said, "report rewrite"), DayOptions.of(said, "report rewrite")
    before = vetted(said, "report rewrite")
    # Without a controller a heading serves the loads only.
    if before.solution.bar.controller is None and not rules.merge_short:
        rules = replace(rules, heading=None)
    outcome = rewrite_file(before, rules)
    return report_on_rewriting(outcome, origin(), said["units"], day, all_zones=bool(said.get("all_zones"))), outcome


def _of_plan(said: Said, origin: Callable[[], Origin]) -> _Made:
    from geoflow.report.planning import planned_report

    outcome = planned(said, "report plan")
    return planned_report(outcome, said["units"], all_zones=bool(said.get("all_zones")), origin=origin()), outcome


def _of_log(said: Said, origin: Callable[[], Origin]) -> _Made:
    outcome = reconciled(said)
    return report_on_reconciling(outcome, origin(), said["units"], all_zones=bool(said.get("all_zones"))), outcome


_MAKERS: Final[Mapping[str, Callable[[Said, Callable[[], Origin]], _Made]]] = {
    "vet": _of_vetting,
    "rewrite": _of_rewriting,
    "plan": _of_plan,
    "reconcile": _of_log,
}
