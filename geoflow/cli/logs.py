"""`geoflow reconcile`: what a log says of the field and of the bar."""

from __future__ import annotations

import argparse
import functools
from pathlib import Path
from typing import Final

from geoflow.base.errors import UsageError
from geoflow.cli.options import Command, deliver

__all__ = ["RECONCILE"]

_CODES: Final = (
    "Exit code: 0 nothing to act on, 1 findings (something to look at in the field or on the bar), 2 wrong use or "
    "unreadable input."
)


def _reconcile(options: argparse.Namespace) -> int:
    from geoflow.report.reconciled import MOST_ZONES, reconciled_report
    from geoflow.report.reconciling import reconcile_document
    from geoflow.report.terminal import as_text
    from geoflow.workflow.reconcile_outputs import write_columns, write_reconciliation
    from geoflow.workflow.said import reconciled

    named = (options.log, options.bar, options.target, options.boundary, options.columns_file)
    inputs = tuple(name for name in named if name is not None)
    outcome = reconciled(vars(options))
    document = functools.cache(lambda: reconcile_document(outcome))
    protect = tuple(Path(name) for name in inputs)
    lines: list[str] = []
    if options.out is not None:
        written = write_reconciliation(
            outcome, Path(options.out), document(), options.units, cell=options.cell,
            replace=options.replace, protect=protect,
        )  # fmt: skip
        lines.append(f"Written to {options.out}: {', '.join(written)}")
    elif options.cell is not None:
        raise UsageError("--cell sizes the rasters of --out", where="geoflow reconcile", cure="give --out DIR too")
    if options.save_columns is not None:
        write_columns(outcome, Path(options.save_columns), replace=options.replace, protect=protect)
        lines += [""] if lines else []
        lines.append(f"Columns saved: {options.save_columns}; use it again with --columns-file {options.save_columns}")
    most = None if options.all_zones else MOST_ZONES
    return deliver(
        options,
        document,
        lambda: as_text(reconciled_report(outcome, options.units, most)),
        inputs,
        findings=outcome.has_findings,
        also=lines,
    )


RECONCILE: Final = Command(
    "reconcile",
    _reconcile,
    help="compare an as-applied log with its target, and let it tell about the bar",
    description="Compare an as-applied log with what was asked: ground, rates, causes, scale tickets; and say what "
    "the log tells about the bar.",
    epilog='Example: geoflow reconcile log.csv --target rx.shp --bar bar.toml --rate-unit "lb N/ac" '
    '--ticket "12400 lb NH3" --out reconciled. ' + _CODES,
)
