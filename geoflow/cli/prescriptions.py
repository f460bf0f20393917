"""`geoflow vet`, `geoflow rewrite` and `geoflow plan`: what becomes of a prescription."""

from __future__ import annotations

import argparse
import functools
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from geoflow.cli.options import CODES, Command, deliver

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["PLAN", "REWRITE", "VET"]


def _written(
    write: Callable[..., tuple[list[str], list[str]]],
    outcome: Any,
    document: Callable[[], dict[str, Any]],
    options: argparse.Namespace,
    inputs: tuple[str, ...],
) -> list[str]:
    """Write a folder where one is asked for, and say so."""
    if options.out is None:
        return []
    protect = tuple(map(Path, inputs))
    written, notes = write(
        outcome, Path(options.out), document(), options.units, replace=options.replace, protect=protect
    )
    return [f"Written to {options.out}: {', '.join(written)}", *notes]


def _vet(options: argparse.Namespace) -> int:
    from geoflow.report.documents import vet_document
    from geoflow.report.terminal import as_text
    from geoflow.report.vetted import vetted_report
    from geoflow.workflow.said import vetted
    from geoflow.workflow.vet_outputs import write_vetting

    outcome = vetted(vars(options))
    document = functools.cache(lambda: vet_document(outcome))
    inputs = (options.prescription, options.bar)
    lines = _written(write_vetting, outcome, document, options, inputs)
    most = len(outcome.rate) if options.all_zones else None
    return deliver(
        options,
        document,
        lambda: as_text(vetted_report(outcome, options.units, most)),
        inputs,
        findings=outcome.has_findings,
        also=lines,
    )


def _rewrite(options: argparse.Namespace) -> int:
    from geoflow.report.rewriting import rewrite_document
    from geoflow.report.rewritten import rewritten_report
    from geoflow.report.terminal import as_text
    from geoflow.workflow.rewriting import write_rewriting
    from geoflow.workflow.said import rewritten

    outcome = rewritten(vars(options))
    inputs = (options.prescription, options.bar)
    target, side, notes = write_rewriting(
        outcome, Path(options.out), replace=options.replace, protect=tuple(map(Path, inputs))
    )
    return deliver(
        options,
        lambda: rewrite_document(outcome),
        lambda: as_text(rewritten_report(outcome, options.units)),
        inputs,
        findings=outcome.has_findings,
        also=[f"Written: {target}, and what changed and why: {side}", *notes],
    )


def _plan(options: argparse.Namespace) -> int:
    from geoflow.report.plan_document import plan_document
    from geoflow.report.planning import planned_report
    from geoflow.report.terminal import as_text
    from geoflow.workflow.plan_outputs import write_plan
    from geoflow.workflow.said import planned

    outcome = planned(vars(options))
    inputs = (options.prescription, options.bar, *filter(None, (options.day,)))
    document = functools.cache(lambda: plan_document(outcome))
    lines = _written(write_plan, outcome, document, options, inputs)
    return deliver(
        options,
        document,
        lambda: as_text(planned_report(outcome, options.units, all_zones=options.all_zones)),
        inputs,
        findings=outcome.has_findings,
        also=lines,
    )


VET: Final = Command(
    "vet",
    _vet,
    help="say for every zone of a prescription whether the bar can deliver it",
    description="Say for every zone of a prescription whether the bar can deliver it, and what limits it.",
    epilog='Example: geoflow vet rx.shp --bar bar.toml --temperature "35..50 degF" --speed "4.5..5.5 mph" '
    '--rate-column rate --rate-unit "lb N/ac" --out vetted. ' + CODES,
)


REWRITE: Final = Command(
    "rewrite",
    _rewrite,
    help="change what the bar can't deliver, and only that",
    description="Change what the bar can't deliver, and only that. In the input's own format the written file "
    "is the input with other rates; a side file beside it says "
    "what changed and why.",
    epilog='Example: geoflow rewrite rx.shp --bar bar.toml --temperature "35..50 degF" --speed "5 mph" '
    '--rate-column rate --rate-unit "lb N/ac" --policy hold-speed --out rx_for_bar.shp. ' + CODES,
)


PLAN: Final = Command(
    "plan",
    _plan,
    help="speeds, orifices, liquid temperature, hours and tank loads for a field",
    description="Plan a field at the speed given, at the best single speed, or at a few speeds by zone: what "
    "holds, hours, and where each tank runs out. Below: what other speeds, orifices and temperatures would gain.",
    epilog='Example: geoflow plan rx.shp --bar bar.toml --temperature "35..50 degF" --heading "90 deg" '
    '--start southwest --rate-column rate --rate-unit "lb N/ac" --out planned. ' + CODES,
)
