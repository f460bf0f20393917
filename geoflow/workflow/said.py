"""Each workflow from all that was said: what a command line, a catalog's row or a call from Python gives by name.

A command loads what its own workflow needs, and no other's.
"""

from __future__ import annotations

import datetime
import os
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from geoflow.bar.bar_file import read_bar
from geoflow.bar.keys import NITROGEN_FRACTION
from geoflow.files.inputs import watching
from geoflow.options.table import TARGET
from geoflow.options.typed import (
    CardOptions,
    ComparisonOptions,
    ConvertOptions,
    DayOptions,
    LearnOptions,
    LogOptions,
    PlanOptions,
    ReadOptions,
    RehearseOptions,
    RewriteOptions,
    SizeOptions,
)

if TYPE_CHECKING:
    from geoflow.decide.sized import Sized
    from geoflow.decide.vet import Solution
    from geoflow.diagnosis.learned_bar import LearnOutcome
    from geoflow.field_card.outcome import CardOutcome
    from geoflow.log_files.read_log import ReadLog
    from geoflow.outcomes import (
        ConvertOutcome,
        PlanOutcome,
        ReconcileOutcome,
        RewriteOutcome,
        VetOutcome,
    )
    from geoflow.prescription_files.read_prescription import Prescription
    from geoflow.rehearsal.outcome import RehearseOutcome

__all__ = [
    "Said",
    "carded",
    "converted",
    "date_of",
    "learned",
    "planned",
    "read_points",
    "read_zones",
    "reconciled",
    "rehearsed",
    "rewritten",
    "sized_orifices",
    "vetted",
    "windowed",
]

Said = Mapping[str, Any]
"""Name of an option to what was said: text, flag or list, and of an input its path or what stands in its place."""


def windowed(said: Said) -> Solution:
    """Solve a bar; this and the others raise GeoflowError for anything that cannot be read or understood.

    Parameters
    ----------
    said : mapping
        By name, as for all others here.
    """
    from geoflow.workflow.bar_plan import read_bar_and_plan

    return read_bar_and_plan(PlanOptions.of(said, "window"))


def vetted(said: Said, command: str = "vet") -> VetOutcome:
    """Vet a prescription.

    Parameters
    ----------
    said : mapping
        By name.
    command : str
        Whose options they are.
    """
    from geoflow.workflow.vetting import vet_file

    plan, read = PlanOptions.of(said, command), ReadOptions.of(said, command)
    return vet_file(said["prescription"], plan, read, zone_speeds=said.get("zone_speeds"))


def rewritten(said: Said) -> RewriteOutcome:
    """Vet a prescription and rewrite it.

    Parameters
    ----------
    said : mapping
        By name.
    """
    from geoflow.workflow.rewriting import rewrite_file

    rules = RewriteOptions.of(said, "rewrite")
    return rewrite_file(vetted(said, "rewrite"), rules)


def planned(said: Said, command: str = "plan") -> PlanOutcome:
    """Vet a prescription and plan its day.

    Parameters
    ----------
    said : mapping
        By name.
    command : str
        Whose options they are.
    """
    from geoflow.workflow.day_hours import day_of
    from geoflow.workflow.planning import plan_field

    day, most = DayOptions.of(said, command), said.get("speeds")
    if day.day is not None:
        # A day that cannot be read is refused before the bar is solved.
        day_of(day, read_bar(said["bar"]))
    given = said.get("speed") is not None
    return plan_field(vetted(said, command), day, speed_given=given, most_speeds=None if most is None else int(most))


def rehearsed(said: Said) -> RehearseOutcome:
    """Vet a prescription, plan its day and drive it.

    Parameters
    ----------
    said : mapping
        By name.
    """
    from geoflow.workflow.rehearsing import rehearse_field

    plan, day = planned(said, "rehearse"), DayOptions.of(said, "rehearse")
    return rehearse_field(plan, day, RehearseOptions.of(said, "rehearse"))


def carded(said: Said) -> CardOutcome:
    """Work out a field card.

    Parameters
    ----------
    said : mapping
        By name.
    """
    from geoflow.workflow.carding import card_of

    plan, read = PlanOptions.of(said, "card"), ReadOptions.of(said, "card")
    return card_of(CardOptions.of(said, "card"), plan, read, system=said.get("units") or "us")


def sized_orifices(said: Said) -> tuple[Sized, Prescription | None]:
    """Find orifices for rates; with them the map, where one was given.

    Parameters
    ----------
    said : mapping
        By name.
    """
    from geoflow.workflow.sizing import size_orifices

    return size_orifices(SizeOptions.of(said, "size"), ReadOptions.of(said, "size"))


def converted(said: Said) -> ConvertOutcome:
    """Write a prescription in another format or unit.

    Parameters
    ----------
    said : mapping
        By name.
    """
    from geoflow.workflow.converting import convert_file

    to, read = ConvertOptions.of(said, "convert"), ReadOptions.of(said, "convert")
    return convert_file(said["prescription"], said["out"], to, read, replace_existing=bool(said.get("replace")))


def reconciled(said: Said) -> ReconcileOutcome:
    """Reconcile a log.

    Parameters
    ----------
    said : mapping
        By name.
    """
    from geoflow.workflow.reconciling import reconcile_file

    log, target = LogOptions.of(said, "reconcile"), ReadOptions.of(said, "reconcile", TARGET)
    against = ComparisonOptions.of(said, "reconcile")
    return reconcile_file(said["log"], against, log, target, rehearsed=said.get("rehearsed"))


def read_points(said: Said) -> ReadLog:
    """Read a log, as `reconciled` does first.

    Parameters
    ----------
    said : mapping
        By name.
    """
    from geoflow.workflow.reconciling import liquid_said, read_log_with

    options = LogOptions.of(said, "reconcile")
    with watching(said["log"], said.get("bar"), options.columns_file):
        bar = None if said.get("bar") is None else read_bar(said["bar"])
        fraction = NITROGEN_FRACTION if bar is None else bar.nitrogen_fraction
        return read_log_with(said["log"], options, bar, liquid_said(options, bar), fraction)


def read_zones(said: Said) -> Prescription:
    """Read a prescription, as `vetted` does.

    Parameters
    ----------
    said : mapping
        By name.
    """
    from geoflow.workflow.vetting import read_with

    with watching(said["prescription"]):
        return read_with(said["prescription"], ReadOptions.of(said, "vet"))


def learned(said: Said) -> LearnOutcome:
    """Learn a bar's orifices from logs.

    Parameters
    ----------
    said : mapping
        By name.
    """
    from geoflow.workflow.learning import learn_files

    return learn_files(said["logs"], LearnOptions.of(said, "learn"), LogOptions.of(said, "learn"))


def date_of(said: Said) -> datetime.date:
    """Date a report or card bears: as said, else that of SOURCE_DATE_EPOCH, else today's.

    Parameters
    ----------
    said : mapping
        By name.

    Raises
    ------
    UsageError
        If either is no date.
    """
    from geoflow.workflow.reporting import parse_date

    # The clock is asked here and nowhere else.
    return parse_date(said.get("date"), os.environ.get("SOURCE_DATE_EPOCH"), datetime.date.today)
