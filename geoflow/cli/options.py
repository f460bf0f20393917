"""What the commands share: the parser, options that several have, and how a result is handed over."""

from __future__ import annotations

import argparse
import contextlib
import json
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from geoflow.base.errors import UsageError
from geoflow.base.progress import listening
from geoflow.base.spelling import nearest

__all__ = [
    "CODES",
    "FINDINGS",
    "NOTHING_TO_ACT_ON",
    "PRESCRIPTION",
    "TAKE_AS_AMMONIA",
    "WRONG_USE",
    "Parser",
    "add_common",
    "add_plan_options",
    "add_reading_options",
    "deliver",
    "plan_of",
    "progress_shown",
    "reading_of",
]

_READING_OPTIONS: Final = (
    *(
        "sections",
        "rate_column",
        "rate_unit",
        "crs",
        "swap_axes",
        "layer",
        "zones",
        "take_as_ammonia",
        "volume_temperature",
    ),
)
NOTHING_TO_ACT_ON, FINDINGS, WRONG_USE = 0, 1, 2
TAKE_AS_AMMONIA: Final = "the product of task data is anhydrous ammonia, though its name does not say so"
PRESCRIPTION: Final = (
    "Shapefile (also zipped), GeoJSON, GeoPackage, FlatGeobuf, GeoParquet, GeoTIFF, or ISO 11783-10 task data "
    "(a folder or a zip)"
)
CODES: Final = (
    "Exit code: 0 nothing to act on, 1 findings (a zone fails or is doubtful), 2 wrong use or unreadable input."
)


class Parser(argparse.ArgumentParser):
    """Turns argparse's own complaints into geoflow's."""

    given: Sequence[str] = ()
    known_commands: Sequence[str] = ()

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
        """Say what is wrong in geoflow's words."""
        cure = f"see '{self.prog} -h'"
        unknown = [word for word in self.given if word.startswith("--") and word.split("=")[0] not in self.options]
        if unknown:
            message = f"there is no option '{unknown[0]}'{nearest(unknown[0], self.options)}"
        if "invalid choice" in message and "command" in message:
            word = message.split("invalid choice: '")[-1].split("'")[0]
            message = f"there is no command '{word}'{nearest(word, self.known_commands)}"
            cure = f"commands: {', '.join(self.known_commands)}"
        raise UsageError(message, where=self.prog, cure=cure)


def add_common(parser: argparse.ArgumentParser) -> None:
    """Add the options that every command has."""
    parser.add_argument("--json", metavar="FILE", help="write the result as JSON; - for standard output")
    parser.add_argument("--units", choices=("us", "metric"), default="us", help="what people read (default us)")
    parser.add_argument("--replace", action="store_true", help="allow output files that exist to be replaced")


def add_plan_options(parser: argparse.ArgumentParser, *, speed_needed: bool) -> None:
    """Add the options that say which bar is planned at which temperature and speed."""
    parser.add_argument("--bar", required=True, metavar="BAR", help="bar file (TOML)")
    parser.add_argument(
        "--temperature", required=True, metavar="T", help='liquid in the tank: "40 degF" or "35..62 degF"'
    )
    parser.add_argument(
        "--speed", required=speed_needed, metavar="V", help='planned ground speed: "5 mph" or "4..6.5 mph"'
    )
    parser.add_argument("--sections", metavar="NAMES", help="sections that are on: left,right (default all)")


def add_reading_options(parser: argparse.ArgumentParser, *, speed_needed: bool = True) -> None:
    """Add the options that say how a prescription is read, and the plan."""
    parser.add_argument("prescription", metavar="RX", help=PRESCRIPTION)
    add_plan_options(parser, speed_needed=speed_needed)
    parser.add_argument("--rate-column", metavar="C", help="column that holds the rate")
    parser.add_argument("--rate-unit", metavar="U", help='"lb N/ac", "kg N/ha", "lb NH3/ac", "gal NH3/ac", ...')
    parser.add_argument("--volume-temperature", metavar="T", help="temperature at which gallons or litres are counted")
    parser.add_argument("--crs", metavar="CRS", help="coordinate system of a file that does not state it: EPSG:4326")
    parser.add_argument("--swap-axes", action="store_true", help="the file has latitude before longitude")
    parser.add_argument("--layer", metavar="NAME", help="which layer or task of a file that holds several")
    parser.add_argument(
        "--zones",
        choices=("class", "cell"),
        help="zones of a raster: adjacent cells of equal value (default), or every cell",
    )
    parser.add_argument("--take-as-ammonia", action="store_true", help=TAKE_AS_AMMONIA)


def plan_of(options: argparse.Namespace) -> tuple[str, str, str, str | None]:
    """Give prescription, bar, temperature and speed as typed."""
    return options.prescription, options.bar, options.temperature, options.speed


def reading_of(options: argparse.Namespace) -> dict[str, Any]:
    """Give the options of `add_reading_options` as keyword arguments of `vet_file`."""
    return {name: getattr(options, name) for name in _READING_OPTIONS}


@contextlib.contextmanager
def progress_shown(after: float = 2.0) -> Iterator[None]:
    """Show the steps of long work on a terminal's error output, once it has taken some time [s]."""
    if not sys.stderr.isatty():
        yield
        return
    steps: list[str] = []
    late = threading.Event()

    def show(step: str) -> None:
        steps.append(step)
        if late.is_set():
            print(f"geoflow: {step} ... (Ctrl-C stops)", file=sys.stderr, flush=True)

    def begin() -> None:
        late.set()
        if steps:
            print(f"geoflow: {steps[-1]} ... (Ctrl-C stops)", file=sys.stderr, flush=True)

    timer = threading.Timer(after, begin)
    timer.daemon = True
    timer.start()
    try:
        with listening(show):
            yield
    finally:
        timer.cancel()


def deliver(
    options: argparse.Namespace, document: dict[str, Any], text: Callable[[], str], inputs: tuple[str, ...]
) -> None:
    """Hand a result over: as text, and as JSON where it is asked for."""
    if options.json == "-":
        print(json.dumps(document, indent=1, allow_nan=False))
        return
    if options.json is not None:
        from geoflow.workflow.vetting import write_json

        write_json(Path(options.json), document, replace=options.replace, protect=tuple(Path(name) for name in inputs))
    print(text())
