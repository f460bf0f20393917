"""`geoflow rehearse`: the field driven before the day."""

from __future__ import annotations

import argparse
import functools
from pathlib import Path
from typing import Final

from geoflow.cli.options import CODES, Command, deliver

__all__ = ["REHEARSE"]


def _rehearse(options: argparse.Namespace) -> int:
    from geoflow.report.rehearsal_document import rehearse_document
    from geoflow.report.rehearsed import MOST_ZONES, rehearsed_report
    from geoflow.report.terminal import as_text
    from geoflow.workflow.rehearsing import write_rehearsal
    from geoflow.workflow.said import rehearsed

    outcome = rehearsed(vars(options))
    document = functools.cache(lambda: rehearse_document(outcome))
    inputs = (options.prescription, options.bar)
    written, notes = write_rehearsal(
        outcome, Path(options.out), document(), options.units, replace=options.replace, protect=tuple(map(Path, inputs))
    )
    after = f"After the day: geoflow reconcile YOUR_LOG --target {options.prescription} --rehearsed {options.out}"
    return deliver(
        options,
        document,
        lambda: as_text(rehearsed_report(outcome, options.units, None if options.all_zones else MOST_ZONES)),
        inputs,
        findings=outcome.has_findings,
        also=[f"Written to {options.out}: {', '.join(written)}", after, *notes],
    )


REHEARSE: Final = Command(
    "rehearse",
    _rehearse,
    help="drive the field before the day: what will lie where, what is lost and what would save it",
    description="Drive a planned field before the tractor does, over days as they may turn out: what each zone is "
    "to be expected to get, what is lost at borders and what would save it, hours and tanks, and the log it would "
    "leave, with which reconcile compares the day afterwards.",
    epilog='Example: geoflow rehearse rx.shp --bar bar.toml --temperature "35..50 degF" --speed "5 mph" '
    '--rate-column rate --rate-unit "lb N/ac" --out rehearsed. ' + CODES,
)
