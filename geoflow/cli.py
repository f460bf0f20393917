"""The command line: parses, calls, prints, sets the exit code."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final

from geoflow import __version__
from geoflow.errors import GeoflowError, UsageError, nearest

__all__ = ["build_parser", "main"]

_NOTHING_TO_ACT_ON, _FINDINGS, _WRONG_USE = 0, 1, 2
_CODES: Final = (
    "Exit code: 0 nothing to act on, 1 findings (a zone fails or is doubtful), 2 wrong use or unreadable input."
)


class _Parser(argparse.ArgumentParser):
    """Turns argparse's own complaints into geoflow's."""

    def error(self, message: str) -> Any:
        cure = f"see '{self.prog} -h'"
        if "invalid choice" in message and "command" in message:
            word = message.split("invalid choice: '")[-1].split("'")[0]
            message = f"there is no command '{word}'{nearest(word, _COMMANDS)}"
            cure = f"commands: {', '.join(_COMMANDS)}"
        raise UsageError(message, where=self.prog, cure=cure)


def _common(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", metavar="FILE", help="write the result as JSON; - for standard output")
    parser.add_argument("--units", choices=("us", "metric"), default="us", help="what people read (default us)")
    parser.add_argument("--replace", action="store_true", help="allow output files that exist to be replaced")


def _plan_options(parser: argparse.ArgumentParser, *, speed_needed: bool) -> None:
    parser.add_argument("--bar", required=True, metavar="BAR", help="bar file (TOML)")
    parser.add_argument(
        "--temperature", required=True, metavar="T", help='liquid in the tank: "40 degF" or "35..62 degF"'
    )
    parser.add_argument(
        "--speed", required=speed_needed, metavar="V", help='planned ground speed: "5 mph" or "4..6.5 mph"'
    )
    parser.add_argument("--sections", metavar="NAMES", help="sections that are on: left,right (default all)")


def _window(options: argparse.Namespace) -> int:
    from geoflow.report.documents import window_document
    from geoflow.report.text import window_text
    from geoflow.workflow.vetting import read_bar_and_plan

    solution = read_bar_and_plan(options.bar, options.temperature, options.speed, options.sections)
    with_speed = options.speed is not None
    document = window_document(solution, with_speed=with_speed)
    _deliver(options, document, lambda: window_text(solution, options.units, with_speed=with_speed), (options.bar,))
    odd = with_speed and bool(solution.warnings())
    return _FINDINGS if solution.certain.empty or odd else _NOTHING_TO_ACT_ON


def _vet(options: argparse.Namespace) -> int:
    from geoflow.report.documents import vet_document
    from geoflow.report.text import vet_text
    from geoflow.workflow.vetting import vet_file, write_vetting

    outcome = vet_file(
        options.prescription,
        options.bar,
        options.temperature,
        options.speed,
        sections=options.sections,
        rate_column=options.rate_column,
        rate_unit=options.rate_unit,
        crs=options.crs,
        swap_axes=options.swap_axes,
        layer=options.layer,
        volume_temperature=options.volume_temperature,
    )
    document = vet_document(outcome.prescription, outcome.rate, outcome.solution, outcome.vetting)
    inputs = (options.prescription, options.bar)
    written: list[str] = []
    notes: list[str] = []
    if options.out is not None:
        written, notes = write_vetting(
            outcome,
            Path(options.out),
            document,
            options.units,
            replace=options.replace,
            protect=tuple(Path(name) for name in inputs),
        )

    def text() -> str:
        said = vet_text(
            outcome.prescription,
            outcome.rate,
            outcome.solution,
            outcome.vetting,
            options.units,
            most_zones=len(outcome.rate) if options.all_zones else None,
        )
        if written:
            said += "\n\n" + "\n".join([f"Written to {options.out}: {', '.join(written)}", *notes])
        return said

    _deliver(options, document, text, inputs)
    return _FINDINGS if outcome.has_findings else _NOTHING_TO_ACT_ON


def _bar(options: argparse.Namespace) -> int:
    from geoflow.formats.bars import bar_schema, read_bar

    if options.schema:
        print(json.dumps(bar_schema(), indent=1))
        return _NOTHING_TO_ACT_ON
    if options.check is None:
        raise UsageError("neither --check nor --schema is given", where="geoflow bar", cure="geoflow bar --check BAR")
    from geoflow.report.bar_words import describe

    bar = read_bar(options.check)
    document = {"name": bar.name, "rows": bar.rows, "width_ft": round(bar.width / 0.3048, 6), "problems": []}
    _deliver(options, document, lambda: describe(bar, options.units), (options.check,))
    return _NOTHING_TO_ACT_ON


def _deliver(
    options: argparse.Namespace, document: dict[str, Any], text: Callable[[], str], inputs: tuple[str, ...]
) -> None:
    if options.json == "-":
        print(json.dumps(document, indent=1, allow_nan=False))
        return
    if options.json is not None:
        from geoflow.workflow.vetting import write_json

        write_json(Path(options.json), document, replace=options.replace, protect=tuple(Path(name) for name in inputs))
    print(text())


def _add_window(commands: Any) -> None:
    parser = commands.add_parser(
        "window",
        help="the flow and rate window of a bar, and what limits each end",
        description="The flow and rate window of a bar, and what limits each end.",
        epilog='Example: geoflow window --bar bar.toml --temperature "35..50 degF" --speed "5 mph". ' + _CODES,
    )
    _plan_options(parser, speed_needed=False)
    _common(parser)
    parser.set_defaults(run=_window)


def _add_vet(commands: Any) -> None:
    parser = commands.add_parser(
        "vet",
        help="say for every zone of a prescription whether the bar can deliver it",
        description="Say for every zone of a prescription whether the bar can deliver it, and what limits it.",
        epilog='Example: geoflow vet rx.shp --bar bar.toml --temperature "35..50 degF" --speed "4.5..5.5 mph" '
        '--rate-column rate --rate-unit "lb N/ac" --out vetted. ' + _CODES,
    )
    parser.add_argument("prescription", metavar="RX", help="Shapefile (also zipped), GeoJSON or GeoPackage")
    _plan_options(parser, speed_needed=True)
    parser.add_argument("--rate-column", metavar="C", help="column that holds the rate")
    parser.add_argument("--rate-unit", metavar="U", help='"lb N/ac", "kg N/ha", "lb NH3/ac", "gal NH3/ac", ...')
    parser.add_argument("--volume-temperature", metavar="T", help="temperature at which gallons or litres are counted")
    parser.add_argument("--crs", metavar="CRS", help="coordinate system of a file that does not state it: EPSG:4326")
    parser.add_argument("--swap-axes", action="store_true", help="the file has latitude before longitude")
    parser.add_argument("--layer", metavar="NAME", help="which layer of a file that holds several")
    parser.add_argument("--out", metavar="DIR", help="folder for zones with verdicts, maps and JSON")
    parser.add_argument("--all-zones", action="store_true", help="list every zone, not only the worst")
    _common(parser)
    parser.set_defaults(run=_vet)


def _add_bar(commands: Any) -> None:
    parser = commands.add_parser(
        "bar",
        help="check a bar file, or print its JSON Schema",
        description="Check a bar file and say it back in words, or print the JSON Schema for an editor.",
        epilog="Example: geoflow bar --check bar.toml. " + _CODES,
    )
    parser.add_argument("--check", metavar="BAR", help="bar file to read and say back in words")
    parser.add_argument("--schema", action="store_true", help="print the JSON Schema of the bar file")
    _common(parser)
    parser.set_defaults(run=_bar)


_COMMANDS: Final[dict[str, Callable[[Any], None]]] = {"window": _add_window, "vet": _add_vet, "bar": _add_bar}


def build_parser() -> argparse.ArgumentParser:
    """Make the parser of the whole command line."""
    parser = _Parser(
        prog="geoflow",
        description="Says whether an anhydrous ammonia bar can deliver a variable-rate prescription.",
        epilog="Every command has its own help: geoflow vet -h. " + _CODES,
    )
    parser.add_argument("--version", action="version", version=f"geoflow {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="command", required=True, parser_class=_Parser)
    for add in _COMMANDS.values():
        add(commands)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    try:
        options = build_parser().parse_args(arguments)
        code: int = options.run(options)
        sys.stdout.flush()
        return code
    except GeoflowError as problem:
        print(f"geoflow: {problem}", file=sys.stderr)
        return _WRONG_USE
    except BrokenPipeError:
        # The reader of our output went away (as `| head` does); nothing more can be said to it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return _WRONG_USE
    except KeyboardInterrupt:
        print("geoflow: stopped; nothing was written", file=sys.stderr)
        return 130
    except MemoryError:
        print("geoflow: this machine has not enough memory for that\n  cure:  close other programs", file=sys.stderr)
        return _WRONG_USE


if __name__ == "__main__":
    sys.exit(main())
