"""`geoflow window` and `geoflow bar`: what a bar can do, and whether its file is right."""

from __future__ import annotations

import argparse
import json
from typing import Any

from geoflow.base.errors import UsageError
from geoflow.base.units import FOOT
from geoflow.cli.options import CODES, FINDINGS, NOTHING_TO_ACT_ON, add_command, deliver

__all__ = ["add_bar", "add_window"]


def _window(options: argparse.Namespace) -> int:
    from geoflow.report.documents import window_document
    from geoflow.report.terminal import as_text
    from geoflow.report.window import window_report
    from geoflow.workflow.said import windowed

    solution = windowed(vars(options))
    with_speed = options.speed is not None
    deliver(
        options,
        lambda: window_document(solution, with_speed=with_speed),
        lambda: as_text(window_report(solution, options.units, with_speed=with_speed)),
        (options.bar,),
    )
    odd = bool(solution.warnings(with_speed=with_speed))
    return FINDINGS if solution.certain.empty or odd else NOTHING_TO_ACT_ON


def _bar(options: argparse.Namespace) -> int:
    from geoflow.bar.bar_file import bar_schema, read_bar

    if options.schema:
        print(json.dumps(bar_schema(), indent=1))
        return NOTHING_TO_ACT_ON
    if options.check is None:
        raise UsageError("neither --check nor --schema is given", where="geoflow bar", cure="geoflow bar --check BAR")
    from geoflow.report.bar_words import bar_report
    from geoflow.report.terminal import as_text

    bar = read_bar(options.check)
    document = {"name": bar.name, "rows": bar.rows, "width_ft": round(bar.width / FOOT, 6), "problems": []}
    deliver(options, lambda: document, lambda: as_text(bar_report(bar, options.units)), (options.check,))
    return NOTHING_TO_ACT_ON


def add_window(commands: Any) -> None:
    """Put the command `window` on the parser.

    Parameters
    ----------
    commands : object
        What `argparse.ArgumentParser.add_subparsers` gave.
    """
    add_command(
        commands,
        "window",
        _window,
        help="the flow and rate window of a bar, and what limits each end",
        description="The flow and rate window of a bar, and what limits each end.",
        epilog='Example: geoflow window --bar bar.toml --temperature "35..50 degF" --speed "5 mph". ' + CODES,
    )


def add_bar(commands: Any) -> None:
    """Put the command `bar` on the parser.

    Parameters
    ----------
    commands : object
        What `argparse.ArgumentParser.add_subparsers` gave.
    """
    add_command(
        commands,
        "bar",
        _bar,
        help="check a bar file, or print its JSON Schema",
        description="Check a bar file and say it back in words, or print the JSON Schema for an editor.",
        epilog="Example: geoflow bar --check bar.toml. " + CODES,
    )
