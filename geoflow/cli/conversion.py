"""`geoflow convert`: a prescription from one format and unit into another."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any, Final

from geoflow.bar.keys import NITROGEN_FRACTION
from geoflow.cli.options import FINDINGS, NOTHING_TO_ACT_ON, PRESCRIPTION, TAKE_AS_AMMONIA, add_common, deliver

__all__ = ["add_convert"]

_CODES: Final = (
    "Exit code: 0 nothing to act on, 1 findings (zones without a cell, a total that is off by more than 1 %), "
    "2 wrong use or unreadable input."
)


def _convert(options: argparse.Namespace) -> int:
    from geoflow.report.converting import convert_document, converted_report
    from geoflow.report.terminal import as_text
    from geoflow.workflow.converting import convert_file

    inputs = (options.prescription,)
    outcome = convert_file(
        options.prescription,
        options.out,
        rate_column=options.rate_column,
        rate_unit_text=options.rate_unit,
        to_unit=options.to_unit,
        crs=options.crs,
        swap_axes=options.swap_axes,
        layer=options.layer,
        zones=options.zones,
        take_as_ammonia=options.take_as_ammonia,
        cell=options.cell,
        nitrogen_fraction=options.nitrogen_fraction,
        volume_temperature=options.volume_temperature,
        task_version=options.task_version,
        task_form=options.task_form,
        replace_existing=options.replace,
        protect=tuple(Path(name) for name in inputs),
    )
    deliver(
        options,
        convert_document(outcome),
        lambda: as_text(converted_report(outcome, options.units)),
        (*inputs, options.out),
    )
    return FINDINGS if outcome.has_findings else NOTHING_TO_ACT_ON


def add_convert(commands: Any) -> None:
    """Add the command `convert`."""
    parser = commands.add_parser(
        "convert",
        help="write a prescription in another format or rate unit",
        description="Write a prescription in another format or rate unit. The output's name says the format: .shp, "
        ".zip (a zipped Shapefile), .geojson, .gpkg, .fgb, .parquet or .tif; a folder, or a .zip with --task-version, "
        "becomes ISO 11783-10 task data.",
        epilog='Example: geoflow convert rx.tif --rate-unit "kg N/ha" --to-unit "lb N/ac" --out rx.shp. ' + _CODES,
    )
    parser.add_argument("prescription", metavar="RX", help=PRESCRIPTION)
    parser.add_argument("--out", required=True, metavar="FILE", help="the file to write; its ending says the format")
    parser.add_argument("--rate-column", metavar="C", help='column that holds the rate; of a raster, "band 2"')
    parser.add_argument("--rate-unit", metavar="U", help='"lb N/ac", "kg N/ha", "lb NH3/ac", "gal NH3/ac", ...')
    parser.add_argument("--to-unit", metavar="U", help="unit of the rates written (default: the input's)")
    parser.add_argument(
        "--cell", metavar="SIDE", help='side of a raster\'s cells: "10 m" or "30 ft" (default: fine enough)'
    )
    parser.add_argument(
        "--zones",
        choices=("class", "cell"),
        help="zones of a raster that is read: adjacent cells of equal value (default), or every cell",
    )
    parser.add_argument(
        "--task-version", type=int, choices=(3, 4), help="write ISO 11783-10 task data of this version (a folder: 4)"
    )
    parser.add_argument(
        "--task-form",
        choices=("outlines", "grid-1", "grid-2"),
        help="task data as outlines of the zones (default), as a grid of zone numbers or as a grid of rates",
    )
    parser.add_argument(
        "--nitrogen-fraction", metavar="W", help=f"nitrogen in the ammonia (default {NITROGEN_FRACTION:g})"
    )
    parser.add_argument(
        "--volume-temperature", metavar="T", help="temperature at which gallons or litres are counted (default 60 degF)"
    )
    parser.add_argument("--crs", metavar="CRS", help="coordinate system of a file that does not state it: EPSG:4326")
    parser.add_argument("--swap-axes", action="store_true", help="the file has latitude before longitude")
    parser.add_argument("--layer", metavar="NAME", help="which layer of a file that holds several")
    parser.add_argument("--take-as-ammonia", action="store_true", help=TAKE_AS_AMMONIA)
    add_common(parser)
    parser.set_defaults(run=_convert)
