"""What a season comes to: one content for the terminal and for the page of the summary."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Final
from urllib.parse import quote

from geoflow.base.counted import count
from geoflow.base.units import System, number, show, to_si, unit_label
from geoflow.report.cautions import SHORT_CAUTION, caution_section
from geoflow.report.html import as_html
from geoflow.report.model import PRINTED, Block, BulletList, Figure, Paragraph, Report, Section, Table
from geoflow.report.season import FALSE_DISCOVERIES, acres, season_answer
from geoflow.report.terminal import as_text

__all__ = ["season_page", "season_report", "season_text"]

_STATES: Final = {"failed": "FAILED", "findings": "findings", "fine": "fine"}
_MOST_IN_TEXT: Final = 12
_MOST_ON_PAGE: Final = 100
_MOST_FIELDS: Final = 2000
_MAP_SIZE: Final = (10.0, 7.5)  # [in]
_BREADTH: Final = 10.0  # of a page, in the unit of a table's widths
_HOW: Final = (
    "A field's answer stands in reports/, all its numbers in documents/, its zones in zones/. A bar stands out where "
    "it shows a kind of finding in at least three of its fields, and in a larger share of them than all other bars "
    "together by more than chance (Fisher's exact test). Every kind is looked at for every bar, and of the findings "
    f"said to stand out {100.0 * FALSE_DISCOVERIES:.0f} % at most do so by chance on average (Benjamini and Hochberg "
    "1995). Fields of one day or one operator are more alike than chance has it: look at the sizes too."
)


def _pounds(value: float | None, system: System) -> str:
    return "" if value is None else show(float(to_si(value, "mass", "lb")), "mass", system) + " N"


def _share(value: float | None) -> str:
    return "" if value is None else f"{100.0 * value:.1f} %"


def _listed(most: int, known: int, file: str) -> str:
    """Say that not all are listed; empty where they are."""
    return f", the first {most:,} of {known:,}; all of them stand in summary/{file}" if known > most else ""


def _total_table(job: str, totals: Mapping[str, Any], system: System) -> Table | None:
    """The totals of one job, those that are known; None where none is."""
    named = (
        ("ground", acres(totals["area_ac"], system)),
        ("asked", _pounds(totals["asked_lb_n"], system)),
        ("after rewriting", _pounds(totals["after_lb_n"], system)),
        ("applied", _pounds(totals["applied_lb_n"], system)),
        ("within 10 % of its target", _share(totals["within_10"])),
        ("covered", acres(totals["covered_ac"], system)),
        ("missed", acres(totals["missed_ac"], system)),
        ("covered more than once", acres(totals["doubled_ac"], system)),
        ("holds", acres(totals["holds_ac"], system)),
        ("doubtful", acres(totals["doubtful_ac"], system)),
        ("fails", acres(totals["fails_ac"], system)),
        ("off", acres(totals["off_ac"], system)),
    )
    rows = tuple((name, text) for name, text in named if text)
    caption = f"{job.capitalize()}, {count(totals['fields'] - totals['failed'], 'field')}"
    return Table(caption, ("over all of them", "total"), rows, "<>", (3.5, 2.0)) if rows else None


def _failed_section(fields: Sequence[Mapping[str, Any]], most: int) -> Section:
    """List what failed, each with its place and cure."""
    failed = [row for row in fields if row["status"] == "failed"]
    texts = [
        f"{row['field']}: {row['error'] or 'nothing says why'}. Where: {row['error_where'] or 'not known'}. "
        f"Cure: {row['error_cure'] or 'none known'}."
        for row in failed[:most]
    ]
    title = f"Failed fields{_listed(most, len(failed), 'fields.csv')}"
    return Section("failed", title, (BulletList(tuple(texts)),) if texts else ())


def _accepted_section(fields: Sequence[Mapping[str, Any]], most: int) -> Section:
    """List the logs whose columns were taken as proposed: what they say rests on that."""
    taken = [row for row in fields if row.get("columns_accepted")]
    texts = tuple(f"{row['field']}: {row['columns_accepted']}." for row in taken[:most])
    title = f"Columns taken as proposed, not certain by their names{_listed(most, len(taken), 'fields.csv')}"
    return Section("accepted", title, (BulletList(texts),) if texts else ())


def _bars_section(bars: Sequence[Mapping[str, Any]], system: System, most: int) -> Section:
    label = unit_label("area", system)

    def area(value: float | None) -> str:
        return "" if value is None else number(float(to_si(value, "area", "acre")), "area", system)

    rows = tuple(
        (
            row["bar"] + (" *" if row["stands_out"] else ""),
            f"{row['fields_with_findings']} of {row['fields']}",
            area(row["area_ac"]),
            area(row["not_holding_ac"]),
            _share(row["within_10"]),
            row["finding_kinds"] or "nothing",
        )
        for row in bars[:most]
    )
    heads = ("bar", "fields with findings", label, f"{label} not holding", "within 10 %", "what (fields)")
    caption = f"Most findings first{_listed(most, len(bars), 'bars.csv')}; * stands out"
    table = Table(caption, heads, rows, "<>>>><", (1.8, 1.3, 1.1, 1.3, 1.1, 3.4))
    return Section("bars", "Bars", (table,) if rows else ())


def _link(row: Mapping[str, Any]) -> str:
    """Where a field's own report is, from the page of the summary; empty where it has none."""
    return f"../{quote(row['report'])}" if row.get("report") else ""


def _field_row(row: Mapping[str, Any], system: System) -> tuple[str, ...]:
    wrong = [row[name] for name in ("doubtful_ac", "fails_ac") if row[name] is not None]
    return (
        row["field"],
        row["job"],
        _STATES[row["status"]],
        row["bar"] or "",
        acres(row["area_ac"], system),
        _pounds(row["asked_lb_n"], system),
        _pounds(row["applied_lb_n"] if row["applied_lb_n"] is not None else row["after_lb_n"], system),
        _share(row["within_10"]),
        acres(sum(wrong), system) if wrong else "",
        row["error"] or row["finding_kinds"] or "",
    )


def _fields_section(fields: Sequence[Mapping[str, Any]], system: System) -> Section:
    """A row per field, the worst first; columns with nothing in them are left out."""
    order = sorted(fields, key=lambda row: (list(_STATES).index(row["status"]), -(row["findings"] or 0)))
    rows = tuple(_field_row(row, system) for row in order[:_MOST_FIELDS])
    heads = (
        *("field", "job", "how", "bar", "ground", "asked", "applied or after", "within 10 %", "not holding", "what"),
    )
    more = _listed(_MOST_FIELDS, len(fields), "fields.csv")
    caption = f"Worst first; a field's name leads to its report{more}"
    widths = (1.6, 1.2, 1.1, 1.0, 0.9, 1.1, 1.1, 0.8, 0.9, 3.0)
    links = tuple(map(_link, order[:_MOST_FIELDS]))
    table = Table(caption, heads, rows, "<<<<>>>>><", widths, on=PRINTED, links=links)
    table = table.columns([at for at in range(len(heads)) if any(row[at] for row in rows)])
    spread = tuple(_BREADTH * width / sum(table.widths) for width in table.widths)
    return Section("fields", "Fields", (replace(table, widths=spread),) if rows else ())


def season_report(
    document: Mapping[str, Any],
    system: System,
    *,
    most: int,
    picture: bytes | None = None,
    remarks: Sequence[str] = (),
) -> Report:
    """Say everything about a season.

    Parameters
    ----------
    document : dict
        The summary as its JSON has it.
    system : str
        ``"us"`` or ``"metric"``.
    most : int
        How many bars and failed fields are listed.
    picture : bytes, optional
        The map, a PNG.
    remarks : sequence of str
        What else there is to say of the run.
    """
    totals, fields, bars = document["totals"], document["fields"], document["bars"]
    answer = season_answer(totals)
    standing_out = [f"{row['bar']}: {text}" for row in bars for text in (row["stands_out"] or "").split(" | ") if text]
    tables = [_total_table(job, sums, system) for job, sums in totals["jobs"].items()]
    alt = f"Map of the fields by how they came out: {answer}"
    drawn = () if picture is None else (Figure("season-map", picture, _MAP_SIZE, alt, "North is up."),)
    said: list[Block] = [Paragraph(remark) for remark in (*_lasting_remarks(document), *remarks)]
    sections = (
        Section("standing-out", "Bars that stand out", (BulletList(tuple(standing_out)),) if standing_out else ()),
        Section("totals", "Totals", tuple(table for table in tables if table is not None)),
        _failed_section(fields, most),
        _accepted_section(fields, most),
        Section("map", "Map", drawn),
        _bars_section(bars, system, most),
        _fields_section(fields, system),
        caution_section(),
        Section("basis", "What this rests on", (*said, Paragraph(_HOW))),
    )
    jobs = ", ".join(totals["jobs"])
    title, subtitle = f"Season {document['catalog']}", f"{count(len(fields), 'field')} of the catalog: {jobs}"
    return Report(title, subtitle, answer, sections, SHORT_CAUTION, f"geoflow {document['geoflow']}")


def _lasting_remarks(document: Mapping[str, Any]) -> list[str]:
    """Say what is true of the results however they came about."""
    orphans = document["fields_not_in_catalog"]
    if not orphans:
        return []
    return [
        f"{count(orphans, 'more field')} of an earlier run with results in the folder, not in this catalog: left out "
        "here, but still in zones/. --replace takes them away."
    ]


def season_page(document: Mapping[str, Any], picture: bytes, system: System) -> str:
    """Set a season as one HTML file.

    Parameters
    ----------
    document : dict
        The summary as its JSON has it.
    picture : bytes
        The map, a PNG.
    system : str
        ``"us"`` or ``"metric"``.
    """
    return as_html(season_report(document, system, most=_MOST_ON_PAGE, picture=picture))


def season_text(document: Mapping[str, Any], system: System, written: Sequence[str], kept: int) -> str:
    """Say a season in words and numbers.

    Parameters
    ----------
    document : dict
        The summary as its JSON has it.
    system : str
        ``"us"`` or ``"metric"``.
    written : sequence of str
        Files of the summary.
    kept : int
        Fields whose result was there already.
    """
    remarks = []
    if kept:
        remarks.append(f"{count(kept, 'field')} had {'its result' if kept == 1 else 'their results'} already.")
    if document["workers_died"]:
        remarks.append(
            f"Workers died with a field in hand {count(document['workers_died'], 'time')}; those were tried again."
        )
    remarks.append(f"Written to {document['out']}: zones/, documents/, records/, {', '.join(written)}")
    return as_text(season_report(document, system, most=_MOST_IN_TEXT, remarks=remarks))
