"""`geoflow --completion SHELL`: a script that lets bash, zsh or fish complete commands, options and file names."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from typing import Any, Final

from geoflow.base.errors import UsageError, install
from geoflow.options.table import OPTIONS

__all__ = ["SHELLS", "Completion"]

SHELLS: Final = ("bash", "zsh", "fish")
_FILES: Final = {option.name for option in OPTIONS if option.kind in ("file", "output")} | {"logs"}


def _actions(parser: argparse.ArgumentParser) -> Iterator[argparse.Action]:
    for action in parser._actions:
        yield action
        if isinstance(action, argparse._SubParsersAction):
            for child in action.choices.values():
                yield from _actions(child)


class Completion(argparse.Action):
    """Prints the script; the library that makes it is loaded for nothing else."""

    def __call__(self, parser: argparse.ArgumentParser, namespace: Any, values: Any, option_string: Any = None) -> None:
        """Print the script and stop.

        Parameters
        ----------
        parser : argparse.ArgumentParser
            Of the whole command line.
        namespace, values, option_string
            As argparse gives them.

        Raises
        ------
        UsageError
            If the library is not installed.
        """
        try:
            import shtab
        except ImportError as problem:
            raise UsageError(
                "completing commands needs the library shtab, which is not installed",
                where="--completion",
                cure=install("shell"),
            ) from problem
        for action in _actions(parser):
            if action.dest in _FILES:
                action.complete = shtab.FILE  # type: ignore[attr-defined]
        print(shtab.complete(parser, shell=values))
        parser.exit()
