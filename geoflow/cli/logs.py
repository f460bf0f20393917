"""`geoflow reconcile`: what a log says of the field and of the bar."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Final

from geoflow.base.errors import UsageError
from geoflow.cli.options import Command, hand_over

__all__ = ["RECONCILE"]

_CODES: Final = (
    "Exit code: 0 nothing to act on, 1 findings (something to look at in the field or on the bar), 2 wrong use or "
    "unreadable input."
)


def _reconcile(options: argparse.Namespace) -> int:
    from geoflow.workflow.reconcile_outputs import write_columns
    from geoflow.workflow.results import stated

    found = stated("reconcile", vars(options))
    lines: list[str] = []
    if options.out is not None:
        written, _ = found.write(Path(options.out), options.units, replace=options.replace)
        lines.append(f"Written to {options.out}: {', '.join(written)}")
    elif options.cell is not None:
        raise UsageError("--cell sizes the rasters of --out", where="geoflow reconcile", cure="give --out DIR too")
    if options.save_columns is not None:
        write_columns(found.outcome, Path(options.save_columns), replace=options.replace, protect=found.inputs)
        lines += [""] if lines else []
        lines.append(f"Columns saved: {options.save_columns}; use it again with --columns-file {options.save_columns}")
    return hand_over(options, found, *lines)


RECONCILE: Final = Command(
    "reconcile",
    _reconcile,
    help="compare an as-applied log with its target, and let it tell about the bar",
    description="Compare an as-applied log with what was asked: ground, rates, causes, scale tickets; and say what "
    "the log tells about the bar.",
    epilog='Example: geoflow reconcile log.csv --target rx.shp --bar bar.toml --rate-unit "lb N/ac" '
    '--ticket "12400 lb NH3" --out reconciled. ' + _CODES,
)
