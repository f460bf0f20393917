"""`geoflow learn`: what a bar's logs tell of its orifices, put into its bar file."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Final

from geoflow.cli.options import Command, hand_over

__all__ = ["LEARN"]

_CODES = (
    "Exit code: 0 nothing to act on, 1 findings (a step or drift, liquid lost, an orifice nothing was learned of), "
    "2 wrong use or unreadable input."
)


def _learn(options: argparse.Namespace) -> int:
    from geoflow.report.learning import learned_figures
    from geoflow.workflow.learning import write_figures, write_learned
    from geoflow.workflow.results import stated

    found = stated("learn", vars(options))
    write_learned(found.outcome, options.bar, options.out, replace_existing=options.replace, protect=found.inputs)
    if options.figures is not None:
        figures = {one.name: one.png for one in learned_figures(found.outcome, options.units)}
        write_figures(figures, Path(options.figures), replace_existing=options.replace, protect=found.inputs)
    return hand_over(options, found, wrote=(Path(options.out),))


LEARN: Final = Command(
    "learn",
    _learn,
    help="learn a bar's orifices from its as-applied logs, into its bar file",
    description="Learn what a bar's orifices pass from the steady moments of its as-applied logs, and write the "
    "bar file with it. Logs need flow, bar pressure and liquid temperature; scale tickets of the same loads and a "
    "minute of standing shut make it surer.",
    epilog="Example: geoflow learn monday.csv tuesday.csv --bar bar.toml "
    '--ticket "24800 lb NH3" --out learned.toml. ' + _CODES,
)
