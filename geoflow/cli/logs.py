"""`geoflow reconcile`: what a log says of the field and of the bar."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from geoflow.base.errors import UsageError
from geoflow.cli.options import CODES, FINDINGS, NOTHING_TO_ACT_ON, TAKE_AS_AMMONIA, add_common, deliver

__all__ = ["add_log_options", "add_reconcile", "log_inputs", "log_keywords"]


def log_keywords(options: argparse.Namespace) -> dict[str, Any]:
    """Give the options of `add_log_options` as keyword arguments of `reconcile_file`."""
    from geoflow.workflow.reconciling import LogOptions, TargetOptions

    return {
        "bar_file": options.bar,
        "target_file": options.target,
        "boundary_file": options.boundary,
        "boundary_crs": options.boundary_crs,
        "tickets": tuple(options.ticket),
        "log_options": LogOptions(
            tuple(options.column),
            options.columns_file,
            options.rate_unit,
            options.nitrogen,
            options.width,
            options.temperature,
            options.crs,
            options.swap_axes,
            options.layer,
        ),
        "target_options": TargetOptions(
            options.target_rate_column,
            options.target_rate_unit,
            options.target_crs,
            options.target_layer,
            options.target_take_as_ammonia,
        ),
    }


def log_inputs(options: argparse.Namespace) -> tuple[str, ...]:
    """Name the files the run reads, never to be written over."""
    names = (options.log, options.bar, options.target, options.boundary, options.columns_file)
    return tuple(name for name in names if name is not None)


def _reconcile(options: argparse.Namespace) -> int:
    from geoflow.report.reconciled import MOST_ZONES, reconciled_report
    from geoflow.report.reconciling import reconcile_document
    from geoflow.report.terminal import as_text
    from geoflow.workflow.reconcile_outputs import write_columns, write_reconciliation
    from geoflow.workflow.reconciling import reconcile_file

    inputs = log_inputs(options)
    outcome = reconcile_file(options.log, **log_keywords(options))
    document = reconcile_document(outcome)
    protect = tuple(Path(name) for name in inputs)
    written: list[str] = []
    if options.out is not None:
        written = write_reconciliation(
            outcome, Path(options.out), document, options.units, cell=options.cell,
            replace=options.replace, protect=protect,
        )  # fmt: skip
    elif options.cell is not None:
        raise UsageError("--cell sizes the rasters of --out", where="geoflow reconcile", cure="give --out DIR too")
    if options.save_columns is not None:
        write_columns(outcome, Path(options.save_columns), replace=options.replace, protect=protect)

    def text() -> str:
        said = as_text(reconciled_report(outcome, options.units, None if options.all_zones else MOST_ZONES))
        if written:
            said += f"\n\nWritten to {options.out}: {', '.join(written)}"
        if options.save_columns is not None:
            said += (
                f"\n\nColumns saved: {options.save_columns}; use it again with --columns-file {options.save_columns}"
            )
        return said

    deliver(options, document, text, inputs)
    return FINDINGS if outcome.has_findings else NOTHING_TO_ACT_ON


def add_log_options(parser: argparse.ArgumentParser) -> None:
    """Add the options that say how a log is read, and against what."""
    parser.add_argument("log", metavar="LOG", help="as-applied log: CSV, Shapefile, GeoJSON, GeoPackage or Parquet")
    parser.add_argument("--bar", metavar="BAR", help="bar file (TOML): widths, meter, and the diagnosis of the bar")
    parser.add_argument("--target", metavar="RX", help="target map; without it the log's own target column serves")
    parser.add_argument("--boundary", metavar="FILE", help="outline of the field (default: the target map's)")
    parser.add_argument(
        "--column", action="append", default=[], metavar="ROLE=NAME[:UNIT]",
        help='which column means what, as "applied=Rate:lb N/ac" or "heading=-" for none; may be repeated',
    )  # fmt: skip
    parser.add_argument("--columns-file", metavar="FILE", help="column roles saved earlier with --save-columns")
    parser.add_argument(
        "--rate-unit", metavar="U", help='unit of the log\'s rates: "lb N/ac", "lb NH3/ac", "gal/ac", ...'
    )
    parser.add_argument("--nitrogen", metavar="N", help='nitrogen in another product: "3.55 lb N/gal" or "0.28"')
    parser.add_argument(
        "--ticket", action="append", default=[], metavar="MASS", help='scale ticket: "12400 lb NH3"; may be repeated'
    )
    parser.add_argument("--width", metavar="W", help='width of the bar where log and bar file lack it: "40 ft"')
    parser.add_argument("--temperature", metavar="T", help="liquid temperature where the log has none")
    parser.add_argument("--crs", metavar="CRS", help="coordinate system of a log that does not state it: EPSG:4326")
    parser.add_argument("--swap-axes", action="store_true", help="the log has latitude before longitude")
    parser.add_argument("--layer", metavar="NAME", help="which layer of a log file that holds several")
    parser.add_argument("--target-rate-column", metavar="C", help="column of the map that holds the rate")
    parser.add_argument("--target-rate-unit", metavar="U", help="unit of the map's rates")
    parser.add_argument("--target-crs", metavar="CRS", help="coordinate system of a map that does not state it")
    parser.add_argument("--target-layer", metavar="NAME", help="which layer of a map file that holds several")
    parser.add_argument("--target-take-as-ammonia", action="store_true", help=TAKE_AS_AMMONIA)
    parser.add_argument("--boundary-crs", metavar="CRS", help="coordinate system of a boundary that does not state it")


def add_reconcile(commands: Any) -> None:
    """Put the command `reconcile` on the parser."""
    parser = commands.add_parser(
        "reconcile",
        help="compare an as-applied log with its target, and let it tell about the bar",
        description="Compare an as-applied log with what was asked: ground, rates, causes, scale tickets; and say what "
        "the log tells about the bar.",
        epilog='Example: geoflow reconcile log.csv --target rx.shp --bar bar.toml --rate-unit "lb N/ac" '
        '--ticket "12400 lb NH3" --out reconciled. ' + CODES,
    )
    add_log_options(parser)
    parser.add_argument("--out", metavar="DIR", help="folder for zones, rasters, layers, pictures and JSON")
    parser.add_argument("--cell", metavar="SIZE", help='cell of the rasters: "3 ft" (default by the field\'s size)')
    parser.add_argument("--save-columns", metavar="FILE", help="save the column roles used, for the next log")
    parser.add_argument("--all-zones", action="store_true", help="list every zone, not only the furthest off")
    add_common(parser)
    parser.set_defaults(run=_reconcile)
