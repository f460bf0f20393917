"""`geoflow vet`, `geoflow rewrite` and `geoflow plan`: what becomes of a prescription."""

from __future__ import annotations

import argparse
from functools import partial
from pathlib import Path
from typing import Final

from geoflow.cli.options import CODES, Command, hand_over, into_folder

__all__ = ["PLAN", "REWRITE", "VET"]


def _rewrite(options: argparse.Namespace) -> int:
    from geoflow.workflow.results import stated
    from geoflow.workflow.rewriting import write_rewriting

    found = stated("rewrite", vars(options))
    target, side, notes = write_rewriting(
        found.outcome, Path(options.out), replace=options.replace, protect=found.inputs
    )
    return hand_over(options, found, f"Written: {target}, and what changed and why: {side}", *notes)


VET: Final = Command(
    "vet",
    partial(into_folder, "vet"),
    help="say for every zone of a prescription whether the bar can deliver it",
    description="Say for every zone of a prescription whether the bar can deliver it, and what limits it.",
    epilog='Example: geoflow vet rx.shp --bar bar.toml --temperature "35..50 degF" --speed "4.5..5.5 mph" '
    '--rate-column rate --rate-unit "lb N/ac" --out vetted. ' + CODES,
)


REWRITE: Final = Command(
    "rewrite",
    _rewrite,
    help="change what the bar can't deliver, and only that",
    description="Change what the bar can't deliver, and only that. In the input's own format the written file "
    "is the input with other rates; a side file beside it says "
    "what changed and why.",
    epilog='Example: geoflow rewrite rx.shp --bar bar.toml --temperature "35..50 degF" --speed "5 mph" '
    '--rate-column rate --rate-unit "lb N/ac" --policy hold-speed --out rx_for_bar.shp. ' + CODES,
)


PLAN: Final = Command(
    "plan",
    partial(into_folder, "plan"),
    help="speeds, orifices, liquid temperature, hours and tank loads for a field",
    description="Plan a field at the speed given, at the best single speed, or at a few speeds by zone: what "
    "holds, hours, and where each tank runs out. Below: what other speeds, orifices and temperatures would gain.",
    epilog='Example: geoflow plan rx.shp --bar bar.toml --temperature "35..50 degF" --heading "90 deg" '
    '--start southwest --rate-column rate --rate-unit "lb N/ac" --out planned. ' + CODES,
)
