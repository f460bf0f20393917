"""`geoflow report`: one file to print, mail and file."""

from __future__ import annotations

import argparse
import datetime
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from geoflow.cli.logs import reconciled
from geoflow.cli.options import CODES, Command, deliver
from geoflow.cli.prescriptions import planned, vetted
from geoflow.options.typed import DayOptions, ReportFiles, RewriteOptions, told

if TYPE_CHECKING:
    from collections.abc import Callable

    from geoflow.outcomes import Origin
    from geoflow.report.model import Report
    from geoflow.workflow.reporting import Sources

__all__ = ["REPORT", "date_of"]

# How a report is written is not what it rests on.
_NOT_TOLD: Final = ("replace", "paper", "date")


def date_of(options: argparse.Namespace) -> datetime.date:
    """Date a report or card bears, as said or today's.

    Parameters
    ----------
    options : argparse.Namespace
        As typed.
    """
    from geoflow.workflow import said

    return said.date_of(vars(options))


def _origin(options: argparse.Namespace, sources: Sources) -> Origin:
    """What the report rests on, once that is read."""
    from geoflow.workflow.reporting import origin_of

    about = f"report {options.about}"
    asked = [("geoflow report", options.about), *told(about, vars(options), _NOT_TOLD)]
    return origin_of(sources, asked, date_of(options))


def _finish(
    options: argparse.Namespace,
    report: Report,
    document: Callable[[], dict[str, Any]],
    sources: Sources,
    *,
    findings: bool,
) -> int:
    """Write the report and say where it is."""
    from geoflow.report.cautions import SHORT_CAUTION
    from geoflow.report.layout import wrap
    from geoflow.workflow.reporting import write_report

    files = ReportFiles.of(vars(options), f"report {options.about}")
    written = write_report(
        report, files, options.units, date_of(options), replace=options.replace, protect=sources.paths
    )
    lines = [wrap(report.answer, indent=""), "", "Written: " + ", ".join(written), "", wrap(SHORT_CAUTION, indent="")]
    return deliver(options, document, lambda: "\n".join(lines), tuple(map(str, sources.paths)), findings=findings)


def _report_vet(options: argparse.Namespace) -> int:
    from geoflow.report.documents import vet_document
    from geoflow.workflow.reporting import Sources, report_on_vetting

    date_of(options)  # what is no date is refused before any work
    files = [("prescription", options.prescription), ("bar file", options.bar), ("zone speeds", options.zone_speeds)]
    sources = Sources.of(files)
    outcome = vetted(options, "report vet")
    day = DayOptions.of(vars(options), "report vet")
    origin = _origin(options, sources)
    report = report_on_vetting(outcome, origin, options.units, day, all_zones=options.all_zones)
    return _finish(options, report, lambda: vet_document(outcome), sources, findings=outcome.has_findings)


def _report_rewrite(options: argparse.Namespace) -> int:
    from geoflow.report.rewriting import rewrite_document
    from geoflow.workflow.reporting import Sources, report_on_rewriting
    from geoflow.workflow.rewriting import rewrite_file

    date_of(options)  # what is no date is refused before any work
    rules = RewriteOptions.of(vars(options), "report rewrite")
    sources = Sources.of([("prescription", options.prescription), ("bar file", options.bar)])
    before = vetted(options, "report rewrite")
    # Without a controller a heading serves the loads only.
    if before.solution.bar.controller is None and not rules.merge_short:
        rules = replace(rules, heading=None)
    outcome = rewrite_file(before, rules)
    day = DayOptions.of(vars(options), "report rewrite")
    report = report_on_rewriting(outcome, _origin(options, sources), options.units, day, all_zones=options.all_zones)
    return _finish(options, report, lambda: rewrite_document(outcome), sources, findings=outcome.has_findings)


def _report_plan(options: argparse.Namespace) -> int:
    from geoflow.report.plan_document import plan_document
    from geoflow.report.planning import planned_report
    from geoflow.workflow.reporting import Sources

    date_of(options)  # what is no date is refused before any work
    files = [("prescription", options.prescription), ("bar file", options.bar), ("day", options.day)]
    sources = Sources.of(files)
    outcome = planned(options, "report plan")
    origin = _origin(options, sources)
    report = planned_report(outcome, options.units, all_zones=options.all_zones, origin=origin)
    return _finish(options, report, lambda: plan_document(outcome), sources, findings=outcome.has_findings)


def _report_reconcile(options: argparse.Namespace) -> int:
    from geoflow.report.reconciling import reconcile_document
    from geoflow.workflow.reporting import Sources, report_on_reconciling

    date_of(options)  # what is no date is refused before any work
    roles = ("log", "bar", "target", "boundary", "columns_file")
    named = {"bar": "bar file", "target": "target map", "columns_file": "columns file"}
    sources = Sources.of([(named.get(role, role), getattr(options, role)) for role in roles])
    outcome = reconciled(options)
    report = report_on_reconciling(outcome, _origin(options, sources), options.units, all_zones=options.all_zones)
    return _finish(options, report, lambda: reconcile_document(outcome), sources, findings=outcome.has_findings)


_VET_EXAMPLE: Final = (
    'Example: geoflow report vet rx.shp --bar bar.toml --temperature "35..50 degF" --speed "4.5..5.5 mph" '
    '--rate-column rate --rate-unit "lb N/ac" --out report.html --pdf report.pdf. '
)


_KINDS: Final = (
    Command(
        "report vet",
        _report_vet,
        help="whether the bar can deliver a prescription",
        description="Report on a vetted prescription.",
        epilog=_VET_EXAMPLE + CODES,
    ),
    Command(
        "report rewrite",
        _report_rewrite,
        help="what rewriting a prescription for the bar changes",
        description="Report on a rewritten prescription. The prescription itself is written by 'geoflow rewrite' with "
        "the same options.",
        epilog='Example: geoflow report rewrite rx.shp --bar bar.toml --temperature "35..50 degF" --speed "5 mph" '
        '--rate-column rate --rate-unit "lb N/ac" --policy hold-speed --out report.html --pdf report.pdf. ' + CODES,
    ),
    Command(
        "report plan",
        _report_plan,
        help="the plan of a field: speeds, tanks, hours, and what else would gain",
        description="Report on a planned field. The zones as a map layer are written by 'geoflow plan --out'.",
        epilog='Example: geoflow report plan rx.shp --bar bar.toml --temperature "35..50 degF" --start southwest '
        '--rate-column rate --rate-unit "lb N/ac" --out report.html --pdf report.pdf. ' + CODES,
    ),
    Command(
        "report reconcile",
        _report_reconcile,
        help="what went where, and what the log tells about the bar",
        description="Report on an as-applied log. Rasters and layers are written by 'geoflow reconcile --out'.",
        epilog='Example: geoflow report reconcile log.csv --target rx.shp --bar bar.toml --rate-unit "lb N/ac" '
        '--ticket "12400 lb NH3" --out report.html --pdf report.pdf. ' + CODES,
    ),
)


REPORT: Final = Command(
    "report",
    None,
    help="one file to print, mail and file: the answer, maps, tables, and what it all rests on",
    description="Make a report to keep: one HTML file that needs no network, and a PDF where --pdf is said. "
    "'geoflow report vet -h' and so on tell the options; they are those of the command of that name.",
    epilog=_VET_EXAMPLE + CODES,
    parts=_KINDS,
)
