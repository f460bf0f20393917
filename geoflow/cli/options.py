"""What the commands share: the parser, their options from the table, and how a result is handed over."""

from __future__ import annotations

import argparse
import contextlib
import json
import re
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from geoflow.base.errors import UsageError
from geoflow.base.progress import listening
from geoflow.base.spelling import nearest
from geoflow.options.table import Option, options_of

if TYPE_CHECKING:
    from geoflow.workflow.results import Statement

__all__ = [
    "CODES", "FINDINGS", "NOTHING_TO_ACT_ON", "WRONG_USE", "Command", "Parser", "deliver", "hand_over", "into_folder",
    "progress_shown",
]  # fmt: skip

NOTHING_TO_ACT_ON, FINDINGS, WRONG_USE = 0, 1, 2
CODES: Final = (
    "Exit code: 0 nothing to act on, 1 findings (a zone fails or is doubtful), 2 wrong use or unreadable input."
)


class Parser(argparse.ArgumentParser):
    """Turns argparse's own complaints into geoflow's."""

    given: Sequence[str] = ()
    known_commands: Sequence[str] = ()

    def __init__(self, *args: Any, **keywords: Any) -> None:
        """Take what begins with a minus and a digit for a value: a longitude of the west, a temperature."""
        super().__init__(*args, **keywords)
        self._negative_number_matcher = re.compile(r"-\.?\d")

    @property
    def options(self) -> list[str]:
        """Options this command knows."""
        return [name for name in self._option_string_actions if name.startswith("--")]

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """Remember what was typed, for a suggestion, and let no unknown option pass.

        Parameters
        ----------
        args : sequence of str or None
            Those of the process if None.
        namespace : argparse.Namespace or None
            Where to put them.
        """
        self.given = list(sys.argv[1:] if args is None else args)
        found, rest = super().parse_known_args(args, namespace)
        if rest:
            self.error(f"unrecognized arguments: {' '.join(rest)}")
        return found, rest

    def error(self, message: str) -> Any:
        """Say what is wrong in geoflow's words.

        Parameters
        ----------
        message : str
            Of argparse.
        """
        cure = f"see '{self.prog} -h'"
        unknown = [word for word in self.given if word.startswith("--") and word.split("=")[0] not in self.options]
        if unknown:
            message = f"there is no option '{unknown[0]}'{nearest(unknown[0], self.options)}"
        if "invalid choice" in message and "command" in message:
            word = message.split("invalid choice: '")[-1].split("'")[0]
            message = f"there is no command '{word}'{nearest(word, self.known_commands)}"
            cure = f"commands: {', '.join(self.known_commands)}"
        raise UsageError(message, where=self.prog, cure=cure)


def _add_option(parser: argparse.ArgumentParser, option: Option, command: str) -> None:
    help = option.help.replace("%", "%%")  # argparse fills in what stands behind a %
    how: dict[str, Any] = {"help": help}
    if option.kind == "flag":
        parser.add_argument(option.dashed, action="store_true", **how)
        return
    how |= {"metavar": option.metavar} if option.metavar else {}
    how |= {"choices": option.choices} if option.choices else {}
    how |= {"type": int} if option.kind == "whole number" else {}
    how |= {"action": "append", "default": []} if option.kind == "list" else {"default": option.default}
    if option.positional and option.kind == "list":
        how = {"help": help, "metavar": option.metavar, "nargs": "+"}
    elif option.positional:
        how |= {} if command in option.required else {"nargs": "?"}
    else:
        how["required"] = command in option.required
    parser.add_argument(option.dashed, **how)


@dataclass(frozen=True, slots=True)
class Command:
    """A command, or a group of them.

    Attributes
    ----------
    name : str
        One of `geoflow.options.table.COMMANDS`; its last word is what is typed.
    run : callable or None
        Does it, and returns the exit code; a group has none.
    help, description, epilog : str
        For a person.
    parts : tuple of Command
        Those of a group.
    """

    name: str
    run: Callable[[argparse.Namespace], int] | None
    help: str
    description: str
    epilog: str
    parts: tuple[Command, ...] = ()

    def add_to(self, commands: Any) -> None:
        """Put it with its options on the parser.

        Parameters
        ----------
        commands : object
            What `argparse.ArgumentParser.add_subparsers` gave.
        """
        parser = commands.add_parser(
            self.name.split()[-1], help=self.help, description=self.description, epilog=self.epilog
        )
        for option in options_of(self.name).values():
            _add_option(parser, option, self.name)
        parser.set_defaults(run=self.run)
        if self.parts:
            kinds = parser.add_subparsers(dest="about", metavar="about", required=True, parser_class=Parser)
            for part in self.parts:
                part.add_to(kinds)


@contextlib.contextmanager
def progress_shown(after: float = 2.0) -> Iterator[None]:
    """Show the steps of long work on a terminal's error output, once it has taken some time [s].

    Parameters
    ----------
    after : float
        [s]
    """
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
    options: argparse.Namespace,
    document: Callable[[], dict[str, Any]],
    text: Callable[[], str],
    inputs: tuple[Path, ...],
    *,
    findings: bool = False,
    also: Sequence[str] = (),
) -> int:
    """Hand a result over: as text, and as JSON where it is asked for.

    Parameters
    ----------
    options : argparse.Namespace
        As typed.
    document, text : callable
        Give the JSON and the text; only what is asked for is made.
    inputs : tuple of Path
        Files never to be written over.
    findings : bool
        Whether there is something to act on.
    also : sequence of str
        Lines behind the text: what was written, and where.

    Returns
    -------
    int
        The exit code.
    """
    code = FINDINGS if findings else NOTHING_TO_ACT_ON
    if options.json == "-":
        print(json.dumps(document(), indent=1, allow_nan=False))
        return code
    if options.json is not None:
        from geoflow.workflow.vet_outputs import write_json

        write_json(Path(options.json), document(), replace=options.replace, protect=inputs)
    print("\n".join([text(), *([""] if also else []), *also]))
    return code


def hand_over(options: argparse.Namespace, found: Statement, *also: str, wrote: tuple[Path, ...] = ()) -> int:
    """Hand over what a command came to, as `deliver` does.

    Parameters
    ----------
    options : argparse.Namespace
        As typed.
    found : Statement
        What the command came to.
    *also : str
        Lines behind the text.
    wrote : tuple of Path
        What was written and may not be the JSON too.

    Returns
    -------
    int
        The exit code.
    """
    from geoflow.report.terminal import as_text

    def text() -> str:
        return as_text(found.report(options.units))

    return deliver(options, found.document, text, (*found.inputs, *wrote), findings=found.findings, also=also)


def into_folder(command: str, options: argparse.Namespace, *more: str) -> int:
    """Do a command that writes a folder where one is asked for.

    Parameters
    ----------
    command : str
        Its name.
    options : argparse.Namespace
        As typed.
    *more : str
        Lines behind that of what was written.

    Returns
    -------
    int
        The exit code.
    """
    from geoflow.workflow.results import stated

    found = stated(command, vars(options))
    if options.out is None:
        return hand_over(options, found)
    written, notes = found.write(Path(options.out), options.units, replace=options.replace)
    return hand_over(options, found, f"Written to {options.out}: {', '.join(written)}", *more, *notes)
