"""`geoflow report`: one file to print, mail and file."""

from __future__ import annotations

import argparse
import datetime
import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from geoflow.cli.logs import add_log_options, log_keywords
from geoflow.cli.options import CODES, FINDINGS, NOTHING_TO_ACT_ON, Parser, add_common, deliver, plan_of, reading_of
from geoflow.cli.prescriptions import add_rewrite, add_vet

if TYPE_CHECKING:
    from geoflow.report.model import Report
    from geoflow.report.pdf import Paper
    from geoflow.workflow.reporting import Sources

__all__ = ["add_report"]

# Where a report went and how it was written is not what it rests on.
_NOT_TOLD: Final = {"run", "command", "about", "json", "replace", "out", "pdf", "figures", "paper", "date"}


def _options_of(add: Callable[[Any], None], name: str) -> argparse.ArgumentParser:
    """Make the parser of another command, so that the report has its options in its words."""
    scratch = Parser(add_help=False).add_subparsers(parser_class=Parser)
    add(scratch)
    return scratch.choices[name]


def _asked(options: argparse.Namespace) -> list[tuple[str, str]]:
    """What was typed, for the report."""
    told = [("geoflow report", options.about)]
    for name, value in vars(options).items():
        if name in _NOT_TOLD or value is None or value is False or value == []:
            continue
        shown = " ".join(value) if isinstance(value, list) else "yes" if value is True else str(value)
        told.append((name if name in {"prescription", "log"} else "--" + name.replace("_", "-"), shown))
    return told


def _date(options: argparse.Namespace) -> datetime.date:
    from geoflow.workflow.reporting import parse_date

    # The clock is asked here and nowhere else.
    return parse_date(options.date, os.environ.get("SOURCE_DATE_EPOCH"), datetime.date.today)


def _finish(
    options: argparse.Namespace, report: Report, document: dict[str, Any], sources: Sources, *, findings: bool
) -> int:
    """Write the report and say where it is."""
    from geoflow.report.cautions import SHORT_CAUTION
    from geoflow.report.layout import wrap
    from geoflow.workflow.reporting import write_report

    paper: Paper = options.paper or ("letter" if options.units == "us" else "a4")
    written = write_report(
        report,
        Path(options.out),
        None if options.pdf is None else Path(options.pdf),
        None if options.figures is None else Path(options.figures),
        paper,
        _date(options),
        replace=options.replace,
        protect=sources.paths,
    )
    lines = [wrap(report.answer, indent=""), "", "Written: " + ", ".join(written), "", wrap(SHORT_CAUTION, indent="")]
    deliver(options, document, lambda: "\n".join(lines), tuple(map(str, sources.paths)))
    return FINDINGS if findings else NOTHING_TO_ACT_ON


def _day_options(options: argparse.Namespace) -> dict[str, Any]:
    return {name: getattr(options, name) for name in ("heading", "heel", "efficiency", "all_zones")}


def _report_vet(options: argparse.Namespace) -> int:
    from geoflow.decide.settling import settling
    from geoflow.report.documents import vet_document
    from geoflow.workflow.reporting import Sources, report_on_vetting
    from geoflow.workflow.vetting import vet_file

    date = _date(options)
    files = [("prescription", options.prescription), ("bar file", options.bar), ("zone speeds", options.zone_speeds)]
    sources = Sources.of(files)
    vetted = vet_file(*plan_of(options), **reading_of(options), zone_speeds=options.zone_speeds)
    doubt = settling(vetted.prescription.area, vetted.solution, vetted.vetting)
    report = report_on_vetting(
        vetted, doubt, sources, options.bar, _asked(options), date, options.units, **_day_options(options)
    )
    document = vet_document(vetted.prescription, vetted.rate, vetted.solution, vetted.vetting, doubt)
    return _finish(options, report, document, sources, findings=vetted.has_findings)


def _report_rewrite(options: argparse.Namespace) -> int:
    from geoflow.report.rewriting import rewrite_document
    from geoflow.workflow.reporting import Sources, report_on_rewriting
    from geoflow.workflow.rewriting import parse_prices, rewrite_file
    from geoflow.workflow.vetting import vet_file

    date = _date(options)
    prices = parse_prices(options.nitrogen_price, options.yield_response, options.crop_price)
    sources = Sources.of([("prescription", options.prescription), ("bar file", options.bar)])
    vetted = vet_file(*plan_of(options), **reading_of(options))
    outcome = rewrite_file(
        vetted,
        options.policy,
        max_rate=options.max_rate,
        allow_raise=options.allow_raise,
        leave_doubtful=options.leave_doubtful,
        # Without a controller a heading serves the loads only.
        heading=options.heading if vetted.solution.bar.controller is not None or options.merge_short else None,
        merge_short=options.merge_short,
        prices=prices,
    )
    report = report_on_rewriting(
        outcome, sources, options.bar, _asked(options), date, options.units, **_day_options(options)
    )
    document = rewrite_document(vetted.prescription, outcome.done, vetted.solution, outcome.extra)
    return _finish(options, report, document, sources, findings=outcome.has_findings)


def _report_reconcile(options: argparse.Namespace) -> int:
    from geoflow.report.reconciling import reconcile_document
    from geoflow.workflow.reconciling import reconcile_file
    from geoflow.workflow.reporting import Sources, report_on_reconciling

    date = _date(options)
    roles = ("log", "bar", "target", "boundary", "columns_file")
    named = {"bar": "bar file", "target": "target map", "columns_file": "columns file"}
    sources = Sources.of([(named.get(role, role), getattr(options, role)) for role in roles])
    outcome = reconcile_file(options.log, **log_keywords(options))
    report = report_on_reconciling(
        outcome, sources, options.bar, _asked(options), date, options.units, all_zones=options.all_zones
    )
    return _finish(options, report, reconcile_document(outcome), sources, findings=outcome.has_findings)


def _add_output_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--out", required=True, metavar="FILE", help="the report: one HTML file that needs no network")
    parser.add_argument("--pdf", metavar="FILE", help="the same report as a PDF")
    parser.add_argument("--figures", metavar="DIR", help="folder for every figure as a PNG")
    parser.add_argument(
        "--paper", choices=("letter", "a4"), help="paper of the PDF (default letter, with --units metric a4)"
    )
    parser.add_argument(
        "--date", metavar="DATE", help="date of the report: 2026-04-30 (default SOURCE_DATE_EPOCH, else today)"
    )


def _add_day_options(parser: Parser) -> None:
    """Add the options of hours and loads that the command itself lacks."""
    wanted: tuple[tuple[str, dict[str, Any]], ...] = (
        ("--heading", {"metavar": "DEG", "help": 'direction of the passes: "90 deg" (default: longest side)'}),
        ("--heel", {"metavar": "SHARE", "help": "share of the tank left when it is taken off (default 0.05)"}),
        ("--efficiency", {"metavar": "SHARE", "help": "field efficiency (default by rows, from ISU Extension)"}),
        ("--all-zones", {"action": "store_true", "help": "list every zone, not only the worst"}),
    )
    for name, how in wanted:
        if name not in parser.options:
            parser.add_argument(name, **how)


_VET_EXAMPLE: Final = (
    'Example: geoflow report vet rx.shp --bar bar.toml --temperature "35..50 degF" --speed "4.5..5.5 mph" '
    '--rate-column rate --rate-unit "lb N/ac" --out report.html --pdf report.pdf. '
)


def add_report(commands: Any) -> None:
    """Put the command `report` on the parser."""
    parser = commands.add_parser(
        "report",
        help="one file to print, mail and file: the answer, maps, tables, and what it all rests on",
        description="Make a report to keep: one HTML file that needs no network, and a PDF where --pdf is said. "
        "'geoflow report vet -h' and so on tell the options; they are those of the command of that name.",
        epilog=_VET_EXAMPLE + CODES,
    )
    kinds = parser.add_subparsers(dest="about", metavar="about", required=True, parser_class=Parser)
    vetted = kinds.add_parser(
        "vet",
        parents=[_options_of(add_vet, "vet")],
        add_help=False,
        conflict_handler="resolve",
        help="whether the bar can deliver a prescription",
        description="Report on a vetted prescription.",
        epilog=_VET_EXAMPLE + CODES,
    )
    _add_day_options(vetted)
    rewritten = kinds.add_parser(
        "rewrite",
        parents=[_options_of(add_rewrite, "rewrite")],
        add_help=False,
        conflict_handler="resolve",
        help="what rewriting a prescription for the bar changes",
        description="Report on a rewritten prescription. The prescription itself is written by 'geoflow rewrite' with "
        "the same options.",
        epilog='Example: geoflow report rewrite rx.shp --bar bar.toml --temperature "35..50 degF" --speed "5 mph" '
        '--rate-column rate --rate-unit "lb N/ac" --policy hold-speed --out report.html --pdf report.pdf. ' + CODES,
    )
    _add_day_options(rewritten)
    reconciled = kinds.add_parser(
        "reconcile",
        help="what went where, and what the log tells about the bar",
        description="Report on an as-applied log. Rasters and layers are written by 'geoflow reconcile --out'.",
        epilog='Example: geoflow report reconcile log.csv --target rx.shp --bar bar.toml --rate-unit "lb N/ac" '
        '--ticket "12400 lb NH3" --out report.html --pdf report.pdf. ' + CODES,
    )
    add_log_options(reconciled)
    reconciled.add_argument("--all-zones", action="store_true", help="list every zone, not only the furthest off")
    add_common(reconciled)
    for kind, run in ((vetted, _report_vet), (rewritten, _report_rewrite), (reconciled, _report_reconcile)):
        _add_output_options(kind)
        kind.set_defaults(run=run)
