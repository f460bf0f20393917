"""The season on one page: an HTML file that asks nothing of any network."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from html import escape
from typing import Any, Final

from geoflow.base.units import System
from geoflow.report.cautions import CAUTIONS
from geoflow.report.layout import count
from geoflow.report.season import acres, bar_words, pounds, season_answer, total_words

__all__ = ["season_page"]

_STYLE: Final = """
body { font: 16px/1.45 system-ui, sans-serif; color: #1a1a1a; margin: 2rem auto; max-width: 76rem; padding: 0 1rem; }
h1 { font-size: 1.5rem; } h2 { font-size: 1.15rem; margin-top: 2rem; }
table { border-collapse: collapse; } caption { text-align: left; font-weight: bold; }
th, td { border-bottom: 1px solid #b8b8b2; padding: .3rem .6rem; text-align: left; vertical-align: top; }
td.n, th.n { text-align: right; white-space: nowrap; } thead th { border-bottom: 2px solid #1a1a1a; }
img { max-width: 100%; height: auto; border: 1px solid #b8b8b2; }
.first { border-left: .4rem solid #64102c; padding-left: 1rem; }
.caution { border: 2px solid #1a1a1a; padding: .8rem 1rem; margin: 2rem 0; }
td { overflow-wrap: anywhere; } .wide { overflow-x: auto; }
@media print { body { margin: 0; max-width: none; font-size: 11px; } tr { break-inside: avoid; }
  thead { display: table-header-group; } }
"""
_POLICY: Final = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
_STATES: Final = {"failed": "FAILED", "findings": "findings", "fine": "fine"}
_MOST_ROWS: Final = 2000
_MOST_FAILED: Final = 100


def _rows(rows: Sequence[Sequence[str]], numbers: frozenset[int], caption: str) -> str:
    """Lay out a table; the first row is its heading. Columns with nothing in them are left out."""
    filled = [place for place in range(len(rows[0])) if any(row[place] for row in rows[1:])]

    def cells(row: Sequence[str], tag: str) -> str:
        scope = ' scope="col"' if tag == "th" else ""
        return "".join(
            f"<{tag}{scope}{' class=n' if place in numbers else ''}>{escape(text)}</{tag}>"
            for place, text in ((place, row[place]) for place in filled)
        )

    body = "\n".join(f"<tr>{cells(row, 'td')}</tr>" for row in rows[1:])
    head = f"<thead><tr>{cells(rows[0], 'th')}</tr></thead>"
    return f'<div class="wide"><table><caption>{escape(caption)}</caption>{head}<tbody>{body}</tbody></table></div>'


def _field_row(row: Mapping[str, Any], system: System) -> list[str]:
    words = row["error"] or row["finding_kinds"] or ""
    share = "" if row["within_10"] is None else f"{100 * row['within_10']:.1f} %"
    wrong = [row[name] for name in ("doubtful_ac", "fails_ac") if row[name] is not None]
    return [
        row["field"],
        row["job"],
        _STATES[row["status"]],
        row["bar"] or "",
        acres(row["area_ac"], system),
        pounds(row["asked_lb_n"], system),
        pounds(row["applied_lb_n"] if row["applied_lb_n"] is not None else row["after_lb_n"], system),
        share,
        acres(sum(wrong), system) if wrong else "",
        words,
    ]


def _failed(rows: Sequence[Mapping[str, Any]]) -> str:
    """List what failed, each with its place and cure."""
    failed = [row for row in rows if row["status"] == "failed"]
    entries = "".join(
        f"<li><strong>{escape(row['field'])}</strong>: {escape(row['error'] or '')}<br>where: "
        f"{escape(row['error_where'] or 'not known')}<br>cure: {escape(row['error_cure'] or 'none known')}</li>"
        for row in failed[:_MOST_FAILED]
    )
    more = f"<p>The first {_MOST_FAILED} of {len(failed):,}; all of them stand in fields.csv.</p>"
    return f"<h2>Failed fields</h2><ul>{entries}</ul>{more if len(failed) > _MOST_FAILED else ''}" if failed else ""


def season_page(document: Mapping[str, Any], picture: bytes, system: System) -> str:
    """Set a season as one HTML file; every text of the catalog is escaped.

    Parameters
    ----------
    document : dict
        The summary as its JSON has it.
    picture : bytes
        The map, a PNG.
    system : str
        ``"us"`` or ``"metric"``.
    """
    totals, fields = document["totals"], document["fields"]
    answer = season_answer(totals)
    order = sorted(fields, key=lambda row: (list(_STATES).index(row["status"]), -(row["findings"] or 0)))
    heading = [
        "field",
        "job",
        "how",
        "bar",
        "ground",
        "asked",
        "applied or after",
        "within 10 %",
        "not holding",
        "what",
    ]
    listed = [heading, *(_field_row(row, system) for row in order[:_MOST_ROWS])]
    caption = f"Fields, worst first ({len(fields):,})"
    if len(fields) > _MOST_ROWS:
        caption = f"Fields, the worst {_MOST_ROWS:,} of {len(fields):,}; all of them stand in fields.csv"
    marked = [row for row in document["bars"] if row["stands_out"]]
    outstanding = "".join(
        f"<li><strong>{escape(row['bar'])}</strong> {escape(text)}</li>"
        for row in marked
        for text in row["stands_out"].split(" | ")
    )
    parts = [
        f"<h1>{escape(answer)}</h1>",
        f'<div class="first"><h2>Bars that stand out</h2><ul>{outstanding}</ul></div>' if outstanding else "",
        *(
            _rows(
                [["", ""], *words],
                frozenset({1}),
                f"{job.capitalize()}, {count(sums['fields'] - sums['failed'], 'field')}",
            )
            for job, sums in totals["jobs"].items()
            if (words := total_words(sums, system))
        ),
        _failed(fields),
        f'<h2>Map</h2><img alt="Map of the fields by how they came out: {escape(answer)}" '
        f'src="data:image/png;base64,{base64.b64encode(picture).decode("ascii")}">',
        "<h2>Bars</h2>"
        + _rows(bar_words(document["bars"], system), frozenset({1, 2, 3, 4}), "Most findings first; * stands out")
        if document["bars"]
        else "",
        "<h2>Fields</h2>" + _rows(listed, frozenset({4, 5, 6, 7, 8}), caption),
        f'<p class="caution">{escape(CAUTIONS)}</p>',
        f"<p>geoflow {escape(document['geoflow'])}. Catalog: {escape(document['catalog'])}. A field's whole answer "
        "stands in documents/, its zones in zones/. A bar stands out where the lower end of the 95 % interval of its "
        "share of fields lies above the upper end of all other bars' (Wilson 1927).</p>",
    ]
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>Season: {escape(answer)}</title><style>{_STYLE}</style></head><body>\n"
        + "\n".join(part for part in parts if part)
        + "\n</body></html>\n"
    )
