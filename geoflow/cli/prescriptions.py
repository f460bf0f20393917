"""`geoflow vet`, `geoflow rewrite` and `geoflow plan`: what becomes of a prescription."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from geoflow.cli.options import (
    CODES,
    FINDINGS,
    NOTHING_TO_ACT_ON,
    add_common,
    add_reading_options,
    deliver,
    plan_of,
    reading_of,
)

__all__ = ["add_plan", "add_rewrite", "add_vet"]


def _vet(options: argparse.Namespace) -> int:
    from geoflow.decide.settling import settling
    from geoflow.report.documents import vet_document
    from geoflow.report.terminal import as_text
    from geoflow.report.vetted import vetted_report
    from geoflow.workflow.vetting import vet_file, write_vetting

    outcome = vet_file(*plan_of(options), **reading_of(options), zone_speeds=options.zone_speeds)
    doubt = settling(outcome.prescription.area, outcome.solution, outcome.vetting)
    document = vet_document(outcome.prescription, outcome.rate, outcome.solution, outcome.vetting, doubt)
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
        most = len(outcome.rate) if options.all_zones else None
        said = as_text(vetted_report(outcome, doubt, options.units, most))
        if written:
            said += "\n\n" + "\n".join([f"Written to {options.out}: {', '.join(written)}", *notes])
        return said

    deliver(options, document, text, inputs)
    return FINDINGS if outcome.has_findings else NOTHING_TO_ACT_ON


def _rewrite(options: argparse.Namespace) -> int:
    from geoflow.report.rewriting import rewrite_document
    from geoflow.report.rewritten import rewritten_report
    from geoflow.report.terminal import as_text
    from geoflow.workflow.rewriting import parse_prices, rewrite_file, write_rewriting
    from geoflow.workflow.vetting import vet_file

    prices = parse_prices(options.nitrogen_price, options.yield_response, options.crop_price)
    vetted = vet_file(*plan_of(options), **reading_of(options))
    outcome = rewrite_file(
        vetted,
        options.policy,
        max_rate=options.max_rate,
        allow_raise=options.allow_raise,
        leave_doubtful=options.leave_doubtful,
        heading=options.heading,
        merge_short=options.merge_short,
        prices=prices,
        target=Path(options.out),
    )
    inputs = (options.prescription, options.bar)
    written = write_rewriting(
        outcome, Path(options.out), replace=options.replace, protect=tuple(Path(name) for name in inputs)
    )
    document = rewrite_document(vetted.prescription, outcome.done, vetted.solution, outcome.extra)

    def text() -> str:
        said = as_text(rewritten_report(outcome, options.units))
        target, side, notes = written
        return said + "\n\n" + "\n".join([f"Written: {target}, and what changed and why: {side}", *notes])

    deliver(options, document, text, inputs)
    return FINDINGS if outcome.has_findings else NOTHING_TO_ACT_ON


def _plan(options: argparse.Namespace) -> int:
    from geoflow.report.plan_document import plan_document
    from geoflow.report.planning import planned_report
    from geoflow.report.terminal import as_text
    from geoflow.workflow.planning import plan_field
    from geoflow.workflow.vetting import vet_file

    vetted = vet_file(*plan_of(options), **reading_of(options))
    outcome = plan_field(
        vetted,
        speed_given=options.speed is not None,
        most_speeds=options.speeds,
        heading=options.heading,
        heel=options.heel,
        efficiency=options.efficiency,
    )
    deliver(
        options,
        plan_document(outcome),
        lambda: as_text(planned_report(outcome, options.units, all_zones=options.all_zones)),
        (options.prescription, options.bar),
    )
    return FINDINGS if outcome.has_findings else NOTHING_TO_ACT_ON


def add_vet(commands: Any) -> None:
    """Put the command `vet` on the parser."""
    parser = commands.add_parser(
        "vet",
        help="say for every zone of a prescription whether the bar can deliver it",
        description="Say for every zone of a prescription whether the bar can deliver it, and what limits it.",
        epilog='Example: geoflow vet rx.shp --bar bar.toml --temperature "35..50 degF" --speed "4.5..5.5 mph" '
        '--rate-column rate --rate-unit "lb N/ac" --out vetted. ' + CODES,
    )
    add_reading_options(parser)
    parser.add_argument("--zone-speeds", metavar="CSV", help="side file of 'geoflow rewrite' with a speed per zone")
    parser.add_argument("--out", metavar="DIR", help="folder for zones with verdicts, maps and JSON")
    parser.add_argument("--all-zones", action="store_true", help="list every zone, not only the worst")
    add_common(parser)
    parser.set_defaults(run=_vet)


def add_rewrite(commands: Any) -> None:
    """Put the command `rewrite` on the parser."""
    parser = commands.add_parser(
        "rewrite",
        help="change what the bar can't deliver, and only that",
        description="Change what the bar can't deliver, and only that. In the input's own format the written file "
        "is the input with other rates (task data only where nothing else would change); a side file beside it says "
        "what changed and why.",
        epilog='Example: geoflow rewrite rx.shp --bar bar.toml --temperature "35..50 degF" --speed "5 mph" '
        '--rate-column rate --rate-unit "lb N/ac" --policy hold-speed --out rx_for_bar.shp. ' + CODES,
    )
    add_reading_options(parser)
    parser.add_argument(
        "--policy",
        required=True,
        metavar="P",
        help="hold-speed (clip the rate), hold-rate (change the zone's speed, clip what no speed reaches) or "
        "hold-total (clip, then move the difference onto zones with room)",
    )
    parser.add_argument(
        "--out",
        required=True,
        metavar="FILE",
        help="the new prescription; its ending says the format, best the input's own",
    )
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
    add_common(parser)
    parser.set_defaults(run=_rewrite)


def add_plan(commands: Any) -> None:
    """Put the command `plan` on the parser."""
    parser = commands.add_parser(
        "plan",
        help="speeds, orifices, liquid temperature, hours and tank loads for a field",
        description="Plan a field at the speed given, at the best single speed, or at a few speeds by zone: what "
        "holds, hours, and where each tank runs out. Below: what other speeds, orifices and temperatures would gain.",
        epilog='Example: geoflow plan rx.shp --bar bar.toml --temperature "35..50 degF" --heading "90 deg" '
        '--rate-column rate --rate-unit "lb N/ac". ' + CODES,
    )
    add_reading_options(parser, speed_needed=False)
    parser.add_argument("--heading", metavar="DEG", help='direction of the passes: "90 deg" (default: longest side)')
    parser.add_argument(
        "--speeds", type=int, metavar="N", help="plan up to N different speeds by zone (default: the best single one)"
    )
    parser.add_argument("--heel", metavar="SHARE", help="share of the tank left when it is taken off (default 0.05)")
    parser.add_argument("--efficiency", metavar="SHARE", help="field efficiency (default by rows, from ISU Extension)")
    parser.add_argument("--all-zones", action="store_true", help="name every zone")
    add_common(parser)
    parser.set_defaults(run=_plan)
