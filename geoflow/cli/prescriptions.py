"""`geoflow vet`, `geoflow rewrite` and `geoflow plan`: what becomes of a prescription."""

from __future__ import annotations

import argparse
import functools
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoflow.cli.options import CODES, FINDINGS, NOTHING_TO_ACT_ON, add_command, deliver

if TYPE_CHECKING:
    from geoflow.outcomes import PlanOutcome, VetOutcome

__all__ = ["add_plan", "add_rewrite", "add_vet", "planned", "vetted"]


def vetted(options: argparse.Namespace, command: str) -> VetOutcome:
    """Vet a prescription as the options of a command say.

    Parameters
    ----------
    options : argparse.Namespace
        As typed.
    command : str
        Whose options they are.
    """
    from geoflow.workflow import said

    return said.vetted(vars(options), command)


def _vet(options: argparse.Namespace) -> int:
    from geoflow.report.documents import vet_document
    from geoflow.report.terminal import as_text
    from geoflow.report.vetted import vetted_report
    from geoflow.workflow.vet_outputs import write_vetting

    outcome = vetted(options, "vet")
    document = functools.cache(lambda: vet_document(outcome))
    inputs = (options.prescription, options.bar)
    written: list[str] = []
    notes: list[str] = []
    if options.out is not None:
        written, notes = write_vetting(
            outcome,
            Path(options.out),
            document(),
            options.units,
            replace=options.replace,
            protect=tuple(Path(name) for name in inputs),
        )

    def text() -> str:
        most = len(outcome.rate) if options.all_zones else None
        said = as_text(vetted_report(outcome, options.units, most))
        if written:
            said += "\n\n" + "\n".join([f"Written to {options.out}: {', '.join(written)}", *notes])
        return said

    deliver(options, document, text, inputs)
    return FINDINGS if outcome.has_findings else NOTHING_TO_ACT_ON


def _rewrite(options: argparse.Namespace) -> int:
    from geoflow.report.rewriting import rewrite_document
    from geoflow.report.rewritten import rewritten_report
    from geoflow.report.terminal import as_text
    from geoflow.workflow.rewriting import write_rewriting
    from geoflow.workflow.said import rewritten

    outcome = rewritten(vars(options))
    inputs = (options.prescription, options.bar)
    written = write_rewriting(
        outcome, Path(options.out), replace=options.replace, protect=tuple(Path(name) for name in inputs)
    )

    def text() -> str:
        said = as_text(rewritten_report(outcome, options.units))
        target, side, notes = written
        return said + "\n\n" + "\n".join([f"Written: {target}, and what changed and why: {side}", *notes])

    deliver(options, lambda: rewrite_document(outcome), text, inputs)
    return FINDINGS if outcome.has_findings else NOTHING_TO_ACT_ON


def planned(options: argparse.Namespace, command: str) -> PlanOutcome:
    """Plan a field as the options of a command say.

    Parameters
    ----------
    options : argparse.Namespace
        As typed.
    command : str
        Whose options they are.
    """
    from geoflow.workflow import said

    return said.planned(vars(options), command)


def _plan(options: argparse.Namespace) -> int:
    from geoflow.report.plan_document import plan_document
    from geoflow.report.planning import planned_report
    from geoflow.report.terminal import as_text
    from geoflow.workflow.plan_outputs import write_plan

    outcome = planned(options, "plan")
    inputs = (options.prescription, options.bar)
    written: list[str] = []
    notes: list[str] = []
    if options.out is not None:
        guarded = tuple(Path(name) for name in inputs)
        written, notes = write_plan(
            outcome, Path(options.out), plan_document(outcome), options.units, replace=options.replace, protect=guarded
        )

    def text() -> str:
        said = as_text(planned_report(outcome, options.units, all_zones=options.all_zones))
        return said + (
            "\n\n" + "\n".join([f"Written to {options.out}: {', '.join(written)}", *notes]) if written else ""
        )

    deliver(options, lambda: plan_document(outcome), text, inputs)
    return FINDINGS if outcome.has_findings else NOTHING_TO_ACT_ON


def add_vet(commands: Any) -> None:
    """Put the command `vet` on the parser.

    Parameters
    ----------
    commands : object
        What `argparse.ArgumentParser.add_subparsers` gave.
    """
    add_command(
        commands,
        "vet",
        _vet,
        help="say for every zone of a prescription whether the bar can deliver it",
        description="Say for every zone of a prescription whether the bar can deliver it, and what limits it.",
        epilog='Example: geoflow vet rx.shp --bar bar.toml --temperature "35..50 degF" --speed "4.5..5.5 mph" '
        '--rate-column rate --rate-unit "lb N/ac" --out vetted. ' + CODES,
    )


def add_rewrite(commands: Any) -> None:
    """Put the command `rewrite` on the parser.

    Parameters
    ----------
    commands : object
        What `argparse.ArgumentParser.add_subparsers` gave.
    """
    add_command(
        commands,
        "rewrite",
        _rewrite,
        help="change what the bar can't deliver, and only that",
        description="Change what the bar can't deliver, and only that. In the input's own format the written file "
        "is the input with other rates; a side file beside it says "
        "what changed and why.",
        epilog='Example: geoflow rewrite rx.shp --bar bar.toml --temperature "35..50 degF" --speed "5 mph" '
        '--rate-column rate --rate-unit "lb N/ac" --policy hold-speed --out rx_for_bar.shp. ' + CODES,
    )


def add_plan(commands: Any) -> None:
    """Put the command `plan` on the parser.

    Parameters
    ----------
    commands : object
        What `argparse.ArgumentParser.add_subparsers` gave.
    """
    add_command(
        commands,
        "plan",
        _plan,
        help="speeds, orifices, liquid temperature, hours and tank loads for a field",
        description="Plan a field at the speed given, at the best single speed, or at a few speeds by zone: what "
        "holds, hours, and where each tank runs out. Below: what other speeds, orifices and temperatures would gain.",
        epilog='Example: geoflow plan rx.shp --bar bar.toml --temperature "35..50 degF" --heading "90 deg" '
        '--start southwest --rate-column rate --rate-unit "lb N/ac" --out planned. ' + CODES,
    )
