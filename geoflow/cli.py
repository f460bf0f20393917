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

_READING_OPTIONS: Final = (
    *("sections", "rate_column", "rate_unit", "crs", "swap_axes", "layer", "volume_temperature"),
)
_NOTHING_TO_ACT_ON, _FINDINGS, _WRONG_USE, _READER_GONE = 0, 1, 2, 141
_CODES: Final = (
    "Exit code: 0 nothing to act on, 1 findings (a zone fails or is doubtful), 2 wrong use or unreadable input."
)


class _Parser(argparse.ArgumentParser):
    """Turns argparse's own complaints into geoflow's."""

    given: Sequence[str] = ()

    @property
    def options(self) -> list[str]:
        """Options this command knows."""
        return [name for name in self._option_string_actions if name.startswith("--")]

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """Remember what was typed, for a suggestion, and let no unknown option pass."""
        self.given = list(sys.argv[1:] if args is None else args)
        found, rest = super().parse_known_args(args, namespace)
        if rest:
            self.error(f"unrecognized arguments: {' '.join(rest)}")
        return found, rest

    def error(self, message: str) -> Any:
        cure = f"see '{self.prog} -h'"
        unknown = [word for word in self.given if word.startswith("--") and word.split("=")[0] not in self.options]
        if unknown:
            message = f"there is no option '{unknown[0]}'{nearest(unknown[0], self.options)}"
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


def _reading_options(parser: argparse.ArgumentParser, *, speed_needed: bool = True) -> None:
    parser.add_argument("prescription", metavar="RX", help="Shapefile (also zipped), GeoJSON or GeoPackage")
    _plan_options(parser, speed_needed=speed_needed)
    parser.add_argument("--rate-column", metavar="C", help="column that holds the rate")
    parser.add_argument("--rate-unit", metavar="U", help='"lb N/ac", "kg N/ha", "lb NH3/ac", "gal NH3/ac", ...')
    parser.add_argument("--volume-temperature", metavar="T", help="temperature at which gallons or litres are counted")
    parser.add_argument("--crs", metavar="CRS", help="coordinate system of a file that does not state it: EPSG:4326")
    parser.add_argument("--swap-axes", action="store_true", help="the file has latitude before longitude")
    parser.add_argument("--layer", metavar="NAME", help="which layer of a file that holds several")


def _window(options: argparse.Namespace) -> int:
    from geoflow.report.documents import window_document
    from geoflow.report.text import window_text
    from geoflow.workflow.vetting import read_bar_and_plan

    solution = read_bar_and_plan(options.bar, options.temperature, options.speed, options.sections)
    with_speed = options.speed is not None
    document = window_document(solution, with_speed=with_speed)
    _deliver(options, document, lambda: window_text(solution, options.units, with_speed=with_speed), (options.bar,))
    odd = bool(solution.warnings(with_speed=with_speed))
    return _FINDINGS if solution.certain.empty or odd else _NOTHING_TO_ACT_ON


def _plan_of(options: argparse.Namespace) -> tuple[str, str, str, str | None]:
    return options.prescription, options.bar, options.temperature, options.speed


def _reading_of(options: argparse.Namespace) -> dict[str, Any]:
    return {name: getattr(options, name) for name in _READING_OPTIONS}


def _vet(options: argparse.Namespace) -> int:
    from geoflow.report.documents import vet_document
    from geoflow.report.text import vet_text
    from geoflow.workflow.vetting import vet_file, write_vetting

    outcome = vet_file(*_plan_of(options), **_reading_of(options), zone_speeds=options.zone_speeds)
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


def _rewrite(options: argparse.Namespace) -> int:
    from geoflow.report.rewriting import rewrite_document, rewrite_text
    from geoflow.workflow.rewriting import parse_prices, rewrite_file, write_rewriting
    from geoflow.workflow.vetting import vet_file

    prices = parse_prices(options.nitrogen_price, options.yield_response, options.crop_price)
    vetted = vet_file(*_plan_of(options), **_reading_of(options))
    outcome = rewrite_file(
        vetted,
        options.policy,
        max_rate=options.max_rate,
        allow_raise=options.allow_raise,
        leave_doubtful=options.leave_doubtful,
        heading=options.heading,
        merge_short=options.merge_short,
        prices=prices,
    )
    inputs = (options.prescription, options.bar)
    written = write_rewriting(
        outcome, Path(options.out), replace=options.replace, protect=tuple(Path(name) for name in inputs)
    )
    document = rewrite_document(vetted.prescription, outcome.done, vetted.solution, outcome.extra)

    def text() -> str:
        said = rewrite_text(
            vetted.prescription, outcome.done, vetted.solution, outcome.extra, options.policy, options.units
        )
        return said + f"\n\nWritten: {written[0]}, and what changed and why: {written[1]}"

    _deliver(options, document, text, inputs)
    return _FINDINGS if outcome.has_findings else _NOTHING_TO_ACT_ON


def _plan(options: argparse.Namespace) -> int:
    from geoflow.report.planning import plan_document, plan_text
    from geoflow.workflow.planning import plan_field
    from geoflow.workflow.vetting import vet_file

    vetted = vet_file(*_plan_of(options), **_reading_of(options))
    outcome = plan_field(
        vetted,
        speed_given=options.speed is not None,
        most_speeds=options.speeds,
        heading=options.heading,
        heel=options.heel,
        efficiency=options.efficiency,
    )
    _deliver(
        options,
        plan_document(outcome),
        lambda: plan_text(outcome, options.units),
        (options.prescription, options.bar),
    )
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
    _reading_options(parser)
    parser.add_argument("--zone-speeds", metavar="CSV", help="side file of 'geoflow rewrite' with a speed per zone")
    parser.add_argument("--out", metavar="DIR", help="folder for zones with verdicts, maps and JSON")
    parser.add_argument("--all-zones", action="store_true", help="list every zone, not only the worst")
    _common(parser)
    parser.set_defaults(run=_vet)


def _add_rewrite(commands: Any) -> None:
    parser = commands.add_parser(
        "rewrite",
        help="change what the bar can't deliver, and only that",
        description="Change what the bar can't deliver, and only that. The written file is the input with other rates; "
        "a side file beside it says what changed and why.",
        epilog='Example: geoflow rewrite rx.shp --bar bar.toml --temperature "35..50 degF" --speed "5 mph" '
        '--rate-column rate --rate-unit "lb N/ac" --policy hold-speed --out rx_for_bar.shp. ' + _CODES,
    )
    _reading_options(parser)
    parser.add_argument(
        "--policy",
        required=True,
        metavar="P",
        help="hold-speed (clip the rate), hold-rate (change the zone's speed, clip what no speed reaches) or "
        "hold-total (clip, then move the difference onto zones with room)",
    )
    parser.add_argument("--out", required=True, metavar="FILE", help="the new prescription, in the input's format")
    parser.add_argument("--max-rate", metavar="R", help='no zone above this: "180 lb N/ac" (or in the file\'s unit)')
    parser.add_argument(
        "--allow-raise", action="store_true", help="rates may be raised above the prescription; each raise is listed"
    )
    parser.add_argument("--leave-doubtful", action="store_true", help="leave doubtful zones as they are")
    parser.add_argument("--heading", metavar="DEG", help='direction of the passes: "90 deg" (default: longest side)')
    parser.add_argument(
        "--merge-short", action="store_true", help="give zones too short for a rate of their own a neighbour's"
    )
    parser.add_argument("--nitrogen-price", metavar="M", help="your money per pound of nitrogen: 0.52")
    parser.add_argument(
        "--yield-response", metavar="B,C", help="your yield response per acre, B N + C N^2 with N in lb/ac"
    )
    parser.add_argument("--crop-price", metavar="M", help="your money per unit of that yield: 4.20")
    _common(parser)
    parser.set_defaults(run=_rewrite)


def _add_plan(commands: Any) -> None:
    parser = commands.add_parser(
        "plan",
        help="speeds, orifices, liquid temperature, hours and tank loads for a field",
        description="Plan a field: the best single speed, a few speeds by zone, the orifice of the bar file, the best "
        "liquid temperature, hours, and where each tank runs out.",
        epilog='Example: geoflow plan rx.shp --bar bar.toml --temperature "35..50 degF" --heading "90 deg" '
        '--rate-column rate --rate-unit "lb N/ac". ' + _CODES,
    )
    _reading_options(parser, speed_needed=False)
    parser.add_argument("--heading", metavar="DEG", help='direction of the passes: "90 deg" (default: longest side)')
    parser.add_argument("--speeds", type=int, default=3, metavar="N", help="how many different speeds (default 3)")
    parser.add_argument("--heel", metavar="SHARE", help="share of the tank left when it is taken off (default 0.05)")
    parser.add_argument("--efficiency", metavar="SHARE", help="field efficiency (default by rows, from ISU Extension)")
    _common(parser)
    parser.set_defaults(run=_plan)


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


_COMMANDS: Final[dict[str, Callable[[Any], None]]] = {
    "window": _add_window,
    "vet": _add_vet,
    "rewrite": _add_rewrite,
    "plan": _add_plan,
    "bar": _add_bar,
}


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
        given = list(sys.argv[1:] if arguments is None else arguments)
        if not given:
            print(build_parser().format_help(), file=sys.stderr)
            return _WRONG_USE
        options = build_parser().parse_args(given)
        code: int = options.run(options)
        sys.stdout.flush()
        return code
    except GeoflowError as problem:
        print(f"geoflow: {problem}", file=sys.stderr)
        return _WRONG_USE
    except BrokenPipeError:
        # The reader of our output went away (as `| head` does); nothing more can be said to it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return _READER_GONE
    except KeyboardInterrupt:
        print("geoflow: stopped; nothing was written", file=sys.stderr)
        return 130
    except MemoryError:
        print("geoflow: this machine has not enough memory for that\n  cure:  close other programs", file=sys.stderr)
        return _WRONG_USE
    except Exception as problem:
        # A fault of ours must not look like a finding (1) nor show a traceback to somebody in a cab.
        if os.environ.get("GEOFLOW_TRACEBACK"):
            raise
        print(
            f"geoflow: something unforeseen went wrong ({type(problem).__name__}: {problem})\n"
            "  cure:  this is a fault in geoflow; run again with GEOFLOW_TRACEBACK=1 and report what it prints",
            file=sys.stderr,
        )
        return _WRONG_USE


if __name__ == "__main__":
    sys.exit(main())
