"""`geoflow report`: one file to print, mail and file."""

from __future__ import annotations

import argparse
from typing import Final

from geoflow.cli.options import CODES, Command, deliver
from geoflow.options.typed import ReportFiles

__all__ = ["REPORT"]


def _report(options: argparse.Namespace) -> int:
    from geoflow.report.cautions import SHORT_CAUTION
    from geoflow.report.layout import wrap
    from geoflow.workflow.reported import reported
    from geoflow.workflow.reporting import write_report

    made = reported(options.about, vars(options))
    files = ReportFiles.of(vars(options), f"report {options.about}")
    written = write_report(made.report, files, options.units, made.date, replace=options.replace, protect=made.inputs)
    lines = [wrap(made.report.answer, indent=""), "", f"Written: {', '.join(written)}"]
    lines += ["", wrap(SHORT_CAUTION, indent="")]
    return deliver(options, made.document, lambda: "\n".join(lines), made.inputs, findings=made.findings)


_VET_EXAMPLE: Final = (
    'Example: geoflow report vet rx.shp --bar bar.toml --temperature "35..50 degF" --speed "4.5..5.5 mph" '
    '--rate-column rate --rate-unit "lb N/ac" --out report.html --pdf report.pdf. '
)


_KINDS: Final = (
    Command(
        "report vet",
        _report,
        help="whether the bar can deliver a prescription",
        description="Report on a vetted prescription.",
        epilog=_VET_EXAMPLE + CODES,
    ),
    Command(
        "report rewrite",
        _report,
        help="what rewriting a prescription for the bar changes",
        description="Report on a rewritten prescription. The prescription itself is written by 'geoflow rewrite' with "
        "the same options.",
        epilog='Example: geoflow report rewrite rx.shp --bar bar.toml --temperature "35..50 degF" --speed "5 mph" '
        '--rate-column rate --rate-unit "lb N/ac" --policy hold-speed --out report.html --pdf report.pdf. ' + CODES,
    ),
    Command(
        "report plan",
        _report,
        help="the plan of a field: speeds, tanks, hours, and what else would gain",
        description="Report on a planned field. The zones as a map layer are written by 'geoflow plan --out'.",
        epilog='Example: geoflow report plan rx.shp --bar bar.toml --temperature "35..50 degF" --start southwest '
        '--rate-column rate --rate-unit "lb N/ac" --out report.html --pdf report.pdf. ' + CODES,
    ),
    Command(
        "report reconcile",
        _report,
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
