"""`geoflow size`: orifices for rates, before there is a bar file or beside one."""

from __future__ import annotations

import argparse
import datetime
from typing import Final

from geoflow.cli.options import CODES, Command, hand_over
from geoflow.options.typed import ReportFiles

__all__ = ["SIZE"]


def _size(options: argparse.Namespace) -> int:
    from geoflow.workflow.results import stated

    found = stated("size", vars(options))
    if options.out is None:
        return hand_over(options, found)
    from geoflow.workflow.reporting import write_report

    report, files = found.report(options.units), ReportFiles(out=options.out)
    # An HTML file bears no date.
    written = write_report(
        report, files, options.units, datetime.date.min, replace=options.replace, protect=found.inputs
    )
    return hand_over(options, found, f"Written: {', '.join(written)}")


SIZE: Final = Command(
    "size",
    _size,
    help="which orifices would hold some rates, with or without a bar file",
    description="Which diameters of the row orifices hold which rates over the planned speeds and temperatures. "
    "Of the bar only the rows are needed; what is not said of it is carried as a range, and told.",
    epilog='Example: geoflow size --rates "85, 100, 115 lb N/ac" --speed "5..5.5 mph" --temperature '
    '"35..50 degF" --rows 16 --row-spacing "30 in" --pump "45 gpm at 110 psi" --drills. ' + CODES,
)
