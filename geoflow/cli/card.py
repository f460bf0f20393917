"""`geoflow card`: one sheet for the tailgate."""

from __future__ import annotations

import argparse
from typing import Final

from geoflow.cli.options import Command, hand_over
from geoflow.options.typed import ReportFiles

__all__ = ["CARD"]

_CODES: Final = (
    "Exit code: 0 nothing to act on, 1 findings (a rate does not surely hold at the planned speed), 2 wrong use or "
    "unreadable input."
)


def _card(options: argparse.Namespace) -> int:
    from geoflow.field_card.html import as_card_html
    from geoflow.field_card.pdf import as_card_pdf
    from geoflow.field_card.phone import as_phone_html
    from geoflow.workflow.reporting import Setting, Sources, write_report
    from geoflow.workflow.results import stated
    from geoflow.workflow.said import date_of

    said = vars(options)
    date = date_of(said)  # what is no date is refused before any work
    sources = Sources.of([("prescription", options.prescription), ("bar file", options.bar)])
    found = stated("card", said)
    sources.unchanged()
    report, files = found.report(options.units), ReportFiles.of(said, "card")
    phone = None if options.phone is None else (options.phone, as_phone_html(report, found.outcome, options.units))
    setting = Setting(as_card_html, as_card_pdf, phone)
    written = write_report(
        report, files, options.units, date, replace=options.replace, protect=sources.paths, setting=setting
    )
    return hand_over(options, found, f"The whole card: {', '.join(written)}", wrote=sources.paths)


CARD: Final = Command(
    "card",
    _card,
    help="one sheet for the tailgate: speeds, settings, gauges, and what a wrong reading means",
    description="Make a field card of a map, or of plain rates with --rates: which speed holds each rate today, "
    "what to enter in the controller, what each gauge should read, and what it means if it does not. One HTML file "
    "that a phone opens without a network, and one printed page.",
    epilog='Example: geoflow card rx.shp --bar bar.toml --temperature "35..50 degF" --speed "5 mph" '
    '--rate-column rate --rate-unit "lb N/ac" --out card.html --pdf card.pdf. ' + _CODES,
)
