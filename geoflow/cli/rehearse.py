"""`geoflow rehearse`: the field driven before the day."""

from __future__ import annotations

import argparse
import shlex
from typing import Final

from geoflow.cli.options import Command, into_folder
from geoflow.options.table import TARGET

__all__ = ["REHEARSE"]

_CODES: Final = (
    "Exit code: 0 nothing to act on, 1 findings (a zone fails or is doubtful, less than 90 % is to be expected within "
    "10 % of its rate, or more than 2 % lies under no pass, is uneven or gets less than asked), 2 wrong use or "
    "unreadable input."
)
# How the map was read is said to `reconcile` too.
_READ: Final = ("rate_column", "rate_unit", "layer", "crs", "volume_temperature", "zones")
_READ_SO: Final = ("swap_axes", "take_as_ammonia")


def _after_the_day(options: argparse.Namespace) -> str:
    """The command that holds the day's log against the rehearsal, to be typed as it stands."""
    words = ["--target", options.prescription]
    for name in _READ:
        if (value := getattr(options, name)) is not None:
            words += [f"--{TARGET}{name}".replace("_", "-"), str(value)]
    words += [f"--{TARGET}{name}".replace("_", "-") for name in _READ_SO if getattr(options, name)]
    if options.zone_id is not None:
        words += ["--zone-id", options.zone_id]
    words += ["--bar", options.bar, "--rehearsed", options.out]
    return f"After the day: geoflow reconcile YOUR_LOG {shlex.join(words)}"


def _rehearse(options: argparse.Namespace) -> int:
    return into_folder("rehearse", options, _after_the_day(options))


REHEARSE: Final = Command(
    "rehearse",
    _rehearse,
    help="drive the field before the day: what will lie where, what is lost and what would save it",
    description="Drive a planned field before the tractor does, over days as they may turn out: what each zone is "
    "to be expected to get, what is lost at borders and what would save it, hours and tanks, and the log it would "
    "leave, with which reconcile compares the day afterwards.",
    epilog='Example: geoflow rehearse rx.shp --bar bar.toml --temperature "35..50 degF" --speed "5 mph" '
    '--rate-column rate --rate-unit "lb N/ac" --out rehearsed. ' + _CODES,
)
