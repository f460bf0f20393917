"""The command line: parses, calls, prints, sets the exit code."""

from __future__ import annotations

import argparse
import os
import shlex
import sys
from collections.abc import Sequence
from typing import Final

from geoflow.base.errors import GeoflowError, to_fill_in
from geoflow.base.version import __version__
from geoflow.cli.bars import BAR, WINDOW
from geoflow.cli.card import CARD
from geoflow.cli.completion import SHELLS, Completion
from geoflow.cli.conversion import CONVERT
from geoflow.cli.learning import LEARN
from geoflow.cli.logs import RECONCILE
from geoflow.cli.options import CODES, WRONG_USE, Parser, progress_shown
from geoflow.cli.page import PAGE
from geoflow.cli.prescriptions import PLAN, REWRITE, VET
from geoflow.cli.rehearse import REHEARSE
from geoflow.cli.reports import REPORT
from geoflow.cli.season import SEASON
from geoflow.cli.sizing import SIZE

__all__ = ["COMMANDS", "build_parser", "main"]

_READER_GONE: Final = 141

COMMANDS: Final = {
    one.name: one
    for one in (WINDOW, VET, REWRITE, PLAN, REHEARSE, CARD, SIZE, CONVERT, RECONCILE, LEARN, REPORT, BAR, SEASON, PAGE)
}


def build_parser() -> argparse.ArgumentParser:
    """Make the parser of the whole command line."""
    parser = Parser(
        prog="geoflow",
        description="Says whether an anhydrous ammonia bar can deliver a variable-rate prescription.",
        epilog="Every command has its own help: geoflow vet -h. " + CODES,
    )
    parser.known_commands = list(COMMANDS)
    parser.add_argument("--version", action="version", version=f"geoflow {__version__}")
    parser.add_argument(
        "--completion", action=Completion, choices=SHELLS, metavar="SHELL",
        help="print what makes a shell complete commands and options: bash, zsh or fish",
    )  # fmt: skip
    commands = parser.add_subparsers(dest="command", metavar="command", required=True, parser_class=Parser)
    for command in COMMANDS.values():
        command.add_to(commands)
    return parser


def _written_before() -> str:
    """Name what the run had written before it failed or was stopped, as a line of the message."""
    output = sys.modules.get("geoflow.files.output")  # not imported for this: then nothing was written
    done = [] if output is None else [str(path) for path in output.WRITTEN]
    return f"\n  note:  written before that, whole: {', '.join(done)}" if done else ""


def _without_columns(given: Sequence[str], roles: set[str]) -> list[str]:
    """The command as given, without the columns of some roles."""
    words = list(given)
    for at in reversed(range(len(words))):
        flag, mark, value = words[at].partition("=")
        value = value if mark else "".join(words[at + 1 : at + 2])
        if flag == "--column" and value.partition("=")[0].strip() in roles:
            del words[at : at + (1 if mark else 2)]
    return words


def _to_copy(given: Sequence[str], columns: Sequence[str]) -> str:
    """The whole command as given, with the columns that are proposed, to be copied as one line."""
    if not columns or not {"reconcile", "learn"} & set(given[:2]):
        return ""
    words = _without_columns(given, {column.partition("=")[0] for column in columns})
    words += [word for column in columns for word in ("--column", column)]
    line = shlex.join(["geoflow", *words])
    if how := to_fill_in(columns):
        return f"\n  proposed, {how}:\n{line}"
    return f"\n  proposed, as one line to copy (or add --accept to yours, once you agree with it):\n{line}"


def _run(given: Sequence[str]) -> int:
    if not given:
        print(build_parser().format_help(), file=sys.stderr)
        return WRONG_USE
    options = build_parser().parse_args(given)
    with progress_shown():
        code: int = options.run(options)
    sys.stdout.flush()
    return code


def _failed(problem: Exception, given: Sequence[str]) -> str:
    """Say why a run failed."""
    if isinstance(problem, GeoflowError):
        return f"{problem}{_to_copy(given, problem.options)}{_written_before()}"
    if isinstance(problem, MemoryError):
        return "this machine has not enough memory for that\n  cure:  close other programs"
    # A fault of ours must not look like a finding (1) nor show a traceback to somebody in a cab.
    if os.environ.get("GEOFLOW_TRACEBACK"):
        raise problem
    return (
        f"something unforeseen went wrong ({type(problem).__name__}: {problem})\n"
        "  cure:  this is a fault in geoflow; run again with GEOFLOW_TRACEBACK=1 and report what it prints"
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code.

    Parameters
    ----------
    arguments : sequence of str, optional
        Those of the process if not given.
    """
    if output := sys.modules.get("geoflow.files.output"):
        output.WRITTEN.clear()
    given = list(sys.argv[1:] if arguments is None else arguments)
    try:
        return _run(given)
    except BrokenPipeError:
        # The reader of our output went away (as `| head` does); nothing more can be said to it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return _READER_GONE
    except KeyboardInterrupt:
        print(f"geoflow: stopped{_written_before() or '; nothing was written'}", file=sys.stderr)
        return 130
    except Exception as problem:
        print(f"geoflow: {_failed(problem, given)}", file=sys.stderr)
        return WRONG_USE
