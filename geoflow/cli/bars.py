"""`geoflow window` and `geoflow bar`: what a bar can do, and whether its file is right."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Final

from geoflow.base.errors import UsageError
from geoflow.base.units import FOOT
from geoflow.cli.options import CODES, NOTHING_TO_ACT_ON, Command, deliver, hand_over

__all__ = ["BAR", "WINDOW"]


def _window(options: argparse.Namespace) -> int:
    from geoflow.workflow.results import stated

    return hand_over(options, stated("window", vars(options)))


def _bar(options: argparse.Namespace) -> int:
    only_new = [f"--{name}" for name in ("answers", "temperature", "speed") if getattr(options, name)]
    if only_new and not options.new:
        what = f"{', '.join(only_new)} without --new"
        raise UsageError(what, where="geoflow bar", cure="leave it out, or add --new FILE")
    asked = [f"--{name}" for name in ("check", "schema", "new", "questions") if getattr(options, name)]
    if len(asked) != 1:
        what = f"{' and '.join(asked)} are given at once" if asked else "neither --check nor --new is given"
        cure = "geoflow bar --check BAR to look at a bar file, or geoflow bar --new FILE to make one"
        raise UsageError(what, where="geoflow bar", cure=cure)
    if options.new:
        return _new(options)
    if options.questions:
        from geoflow.bar.answer_file import answers_template

        print(answers_template(), end="")
        return NOTHING_TO_ACT_ON
    from geoflow.bar.bar_file import bar_schema, read_bar

    if options.schema:
        print(json.dumps(bar_schema(), indent=1))
        return NOTHING_TO_ACT_ON
    from geoflow.report.bar_words import bar_report
    from geoflow.report.terminal import as_text

    bar = read_bar(options.check)
    document = {"name": bar.name, "rows": bar.rows, "width_ft": round(bar.width / FOOT, 6), "problems": []}
    return deliver(options, lambda: document, lambda: as_text(bar_report(bar, options.units)), (Path(options.check),))


def _new(options: argparse.Namespace) -> int:
    from geoflow.bar.answer_file import read_answers
    from geoflow.cli.interview import interview
    from geoflow.files.inputs import watching
    from geoflow.report.new_bar import new_bar_document, new_bar_report
    from geoflow.report.terminal import as_text
    from geoflow.workflow.new_bar import check_free, make_bar, write_bar

    inputs = () if options.answers is None else (Path(options.answers),)
    check_free(options.new, replace=options.replace, protect=inputs)
    with watching(*inputs):
        answers = interview() if options.answers is None else read_answers(options.answers)
        new = make_bar(answers, options.temperature, options.speed)
    write_bar(new, options.new, replace=options.replace, protect=inputs)
    return deliver(
        options,
        lambda: new_bar_document(new, options.new),
        lambda: as_text(new_bar_report(new, options.new, options.units)),
        (*inputs, Path(options.new)),
    )


WINDOW: Final = Command(
    "window",
    _window,
    help="the flow and rate window of a bar, and what limits each end",
    description="The flow and rate window of a bar, and what limits each end.",
    epilog='Example: geoflow window --bar bar.toml --temperature "35..50 degF" --speed "5 mph". ' + CODES,
)


BAR: Final = Command(
    "bar",
    _bar,
    help="check a bar file, or make one of answers to plain questions",
    description="Check a bar file and say it back in words; or make one of what you have: --new asks one question at a "
    "time, carries what you do not know as a range, and says what each unknown costs.",
    epilog="Example: geoflow bar --check bar.toml; geoflow bar --new bar.toml. " + CODES,
)
