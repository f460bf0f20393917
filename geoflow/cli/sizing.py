"""`geoflow size`: orifices for rates, before there is a bar file or beside one."""

from __future__ import annotations

import argparse
import datetime
from pathlib import Path
from typing import Final

from geoflow.cli.options import CODES, Command, deliver
from geoflow.options.typed import ReportFiles

__all__ = ["SIZE"]


def _size(options: argparse.Namespace) -> int:
    from geoflow.report.sizing import sized_report
    from geoflow.report.sizing_document import sized_document
    from geoflow.report.terminal import as_text
    from geoflow.workflow.said import sized_orifices

    found, prescription = sized_orifices(vars(options))
    inputs = tuple(name for name in (options.map, options.bar) if name is not None)
    report = sized_report(found, prescription, options.units, drawn=options.out is not None)
    lines: list[str] = []
    if options.out is not None:
        from geoflow.workflow.reporting import write_report

        files, protect = ReportFiles(out=options.out), tuple(map(Path, inputs))
        # An HTML file bears no date.
        written = write_report(
            report, files, options.units, datetime.date.min, replace=options.replace, protect=protect
        )
        lines = [f"Written: {', '.join(written)}"]
    return deliver(
        options,
        lambda: sized_document(found, prescription),
        lambda: as_text(report),
        inputs,
        findings=found.has_findings,
        also=lines,
    )


SIZE: Final = Command(
    "size",
    _size,
    help="which orifices would hold some rates, with or without a bar file",
    description="Which diameters of the row orifices hold which rates over the planned speeds and temperatures. "
    "Of the bar only the rows are needed; what is not said of it is carried as a range, and told.",
    epilog='Example: geoflow size --rates "85, 100, 115 lb N/ac" --speed "5..5.5 mph" --temperature '
    '"35..50 degF" --rows 16 --row-spacing "30 in" --pump "45 gpm at 110 psi" --drills. ' + CODES,
)
