"""`geoflow convert`: a prescription from one format and unit into another."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Final

from geoflow.cli.options import Command, hand_over

__all__ = ["CONVERT"]

_CODES: Final = (
    "Exit code: 0 nothing to act on, 1 findings (zones without a cell, a total that is off by more than 1 %), "
    "2 wrong use or unreadable input."
)


def _convert(options: argparse.Namespace) -> int:
    from geoflow.workflow.results import stated

    return hand_over(options, stated("convert", vars(options)), wrote=(Path(options.out),))


CONVERT: Final = Command(
    "convert",
    _convert,
    help="write a prescription in another format or rate unit",
    description="Write a prescription in another format or rate unit. The output's name says the format: .shp, "
    ".zip (a zipped Shapefile), .geojson, .gpkg, .fgb, .parquet or .tif; a folder, or a .zip with --task-version, "
    "becomes ISO 11783-10 task data.",
    epilog='Example: geoflow convert rx.tif --rate-unit "kg N/ha" --to-unit "lb N/ac" --out rx.shp. ' + _CODES,
)
