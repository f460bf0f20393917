"""A season in numbers: its totals, its bars ranked by what was found of them, and the one sentence to read."""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any, Final

from geoflow.base.counted import count, verb
from geoflow.base.units import System, show, to_si
from geoflow.report.false_discovery import adjusted, chance_of_so_many

__all__ = [
    "BAR_COLUMNS", "FALSE_DISCOVERIES", "acres", "bar_rows", "season_answer", "season_totals", "wilson",
]  # fmt: skip

BAR_COLUMNS: Final = (
    *("rank", "bar", "fields", "fields_with_findings", "share_low", "share_high", "area_ac", "not_holding_ac"),
    *("within_10", "applied_lb_n", "finding_kinds", "stands_out"),
)
_NO_BAR: Final = "(no bar file)"
# About the bar: these speak of what is fitted or worn, and are the same from field to field.
_OF_THE_BAR: Final = frozenset({"bar", "plan"})
_FEWEST: Final = 3
FALSE_DISCOVERIES: Final = 0.05
"""Share of the bars said to stand out that chance alone may have put there, on average."""
_SIZES: Final = {
    "area_ratio": "orifice area {:.0f} % of the bar file's",
    "relative_change": "area {:+.0f} % in a day",
}
_JOBS: Final = ("vet", "rewrite", "plan", "card", "reconcile")
_SUMMED: Final = (
    *("area_ac", "asked_lb_n", "after_lb_n", "applied_lb_n", "covered_ac", "missed_ac", "doubled_ac", "compared_ac"),
    *("holds_ac", "doubtful_ac", "fails_ac", "off_ac"),
)


def wilson(hits: int, tries: int) -> tuple[float, float]:
    """Give the 95 % interval of a share (Wilson 1927, without continuity correction).

    Parameters
    ----------
    hits, tries : int
        How many of how many.
    """
    if tries == 0:
        return 0.0, 1.0
    z = statistics.NormalDist().inv_cdf(0.975)
    share, spread = hits / tries, z * z / tries
    middle = (share + spread / 2.0) / (1.0 + spread)
    half = z * math.sqrt(share * (1.0 - share) / tries + spread / (4.0 * tries)) / (1.0 + spread)
    return max(middle - half, 0.0), min(middle + half, 1.0)


def _sum(rows: Sequence[Mapping[str, Any]], name: str) -> float | None:
    known = [row[name] for row in rows if row.get(name) is not None]
    return round(math.fsum(known), 6) if known else None


def _within(rows: Sequence[Mapping[str, Any]]) -> float | None:
    """Share of the ground within 10 % of its target, over the ground compared."""
    known = [row for row in rows if row.get("within_10") is not None and row.get("compared_ac")]
    total = math.fsum(row["compared_ac"] for row in known)
    return round(math.fsum(row["within_10"] * row["compared_ac"] for row in known) / total, 6) if total > 0.0 else None


def _job_totals(rows: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    return {
        "fields": len(rows),
        "failed": sum(row["status"] == "failed" for row in rows),
        **{name: _sum(rows, name) for name in _SUMMED},
        "within_10": _within(rows),
    }


def season_totals(rows: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Add up the rows of the table, one per field; each job by itself, since two may be of one field.

    Parameters
    ----------
    rows : sequence of dict
        With the keys of `ROW_COLUMNS`.
    """
    jobs = {row["job"] for row in rows}
    states = [row["status"] for row in rows]
    return {
        "fields": len(rows),
        **{name: states.count(name) for name in ("fine", "findings", "failed")},
        "jobs": {job: _job_totals([row for row in rows if row["job"] == job]) for job in _JOBS if job in jobs},
    }


def _kinds(records: Sequence[Mapping[str, Any]]) -> dict[str, dict[str, Any]]:
    """Findings about a bar by kind: fields that show it, acres where known, sizes."""
    kinds: dict[str, dict[str, Any]] = {}
    for record in records:
        seen = set()
        for finding in record["findings"]:
            if finding["about"] not in _OF_THE_BAR:
                continue
            kind = kinds.setdefault(finding["kind"], {"fields": 0, "acres": 0.0, "sizes": {}})
            kind["fields"] += finding["kind"] not in seen
            seen.add(finding["kind"])
            kind["acres"] += finding["acres"] or 0.0
            for name in _SIZES:
                if name in finding["numbers"]:
                    kind["sizes"].setdefault(name, []).append(finding["numbers"][name])
    for kind in kinds.values():
        kind["acres"] = round(kind["acres"], 6)
        kind["sizes"] = {name: round(statistics.median(values), 6) for name, values in sorted(kind["sizes"].items())}
    order = sorted((-int(kind["fields"]), -float(kind["acres"]), name) for name, kind in kinds.items())
    return {name: kinds[name] for _, _, name in order}


def _bar_row(name: str, own: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Give one bar's row from the records of its fields."""
    kinds = _kinds(own)
    hits = sum(any(finding["about"] in _OF_THE_BAR for finding in record["findings"]) for record in own)
    low, high = wilson(hits, len(own))
    lines = [record["row"] for record in own]
    wrong = [value for key in ("doubtful_ac", "fails_ac") if (value := _sum(lines, key)) is not None]
    return {
        "bar": name,
        "fields": len(own),
        "fields_with_findings": hits,
        "share_low": round(low, 6),
        "share_high": round(high, 6),
        "area_ac": _sum(lines, "area_ac"),
        "not_holding_ac": round(math.fsum(wrong), 6) if wrong else None,
        "within_10": _within(lines),
        "applied_lb_n": _sum(lines, "applied_lb_n"),
        "finding_kinds": "; ".join(f"{kind} ({what['fields']})" for kind, what in kinds.items()) or None,
        "kinds": kinds,
    }


_Records = Sequence[Mapping[str, Any]]


def _against_others(bars: Mapping[str, _Records], where: str) -> tuple[list[tuple[str, str, float]], int]:
    """Each kind of finding of each bar against all others: bar, what is to be said, and its chance; and how many looks.

    Nothing is said of what too few fields show, or where there is no other bar.
    """
    shown = {bar: _kinds(own) for bar, own in bars.items()}
    every: Counter[str] = Counter()
    for kinds in shown.values():
        every.update({kind: what["fields"] for kind, what in kinds.items()})
    through = sum(map(len, bars.values()))
    found = []
    for bar, own in bars.items():
        for kind, what in shown[bar].items():
            hits, others, rest = what["fields"], every[kind] - what["fields"], through - len(own)
            sizes = "; ".join(_SIZES[size].format(100.0 * value) for size, value in what["sizes"].items())
            text = f"{kind}: in {hits} of its {count(len(own), 'field')} with a {where}"
            text += f", elsewhere in {others} of {rest}" + (f" (median {sizes})" if sizes else "")
            said = text if rest and hits >= _FEWEST else ""
            found.append((bar, said, chance_of_so_many(hits, len(own), others, rest)))
    return found, len(every) * sum(map(bool, bars.values()))


def _outstanding(bars: Mapping[str, _Records]) -> dict[str, str]:
    """What each bar that stands out shows more often than chance would have it, with so many bars and kinds looked at.

    Every kind of finding that any bar shows is held against all other bars together, for every bar; what only logs can
    tell is counted over the fields with a log, what only maps can over those with a map.
    """
    logs = {bar: [one for one in own if one["job"] == "reconcile"] for bar, own in bars.items()}
    maps = {bar: [one for one in own if one["job"] != "reconcile"] for bar, own in bars.items()}
    (of_logs, some), (of_maps, more) = _against_others(logs, "log"), _against_others(maps, "map")
    looks = [*of_logs, *of_maps]
    found: dict[str, list[str]] = {}
    for (bar, text, _), rate in zip(looks, adjusted([chance for *_, chance in looks], some + more), strict=True):
        if text and rate <= FALSE_DISCOVERIES:
            found.setdefault(bar, []).append(text)
    return {bar: " | ".join(texts) for bar, texts in found.items()}


def bar_rows(records: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Rank the bars by the share of their fields with findings about the bar.

    The lower end of the share's interval ranks, so that one field of one does not come before eighteen of twenty.

    Parameters
    ----------
    records : sequence of dict
        Of the fields; those that failed are left out.
    """
    bars: dict[str, list[Mapping[str, Any]]] = {}
    for record in records:
        if record["status"] != "failed":
            bars.setdefault(record["row"].get("bar") or _NO_BAR, []).append(record)
    rows = [_bar_row(name, own) for name, own in bars.items()]
    outstanding = _outstanding(bars)
    rows = [{**row, "stands_out": outstanding.get(row["bar"])} for row in rows]
    rows.sort(key=lambda row: (row["stands_out"] is None, -row["share_low"], -row["fields_with_findings"], row["bar"]))
    return [{"rank": rank, **row} for rank, row in enumerate(rows, start=1)]


def acres(value: float | None, system: System) -> str:
    """Show an area given in acres.

    Parameters
    ----------
    value : float or None
        [ac]; None reads as nothing.
    system : str
        ``"us"`` or ``"metric"``.
    """
    return "" if value is None else show(float(to_si(value, "area", "acre")), "area", system)


def season_answer(totals: Mapping[str, Any]) -> str:
    """Say in one sentence how the season stands.

    Parameters
    ----------
    totals : mapping
        From `season_totals`.
    """
    fields, fine, odd, failed = (totals[name] for name in ("fields", "fine", "findings", "failed"))
    if not fields:
        return "There is no field."
    parts = []
    if odd:
        parts.append(f"{odd:,} of {count(fields, 'field')} {verb(odd, 'has', 'have')} findings to act on")
    if fine:
        who = f"{fine:,}" if odd else f"{fine:,} of {count(fields, 'field')}"
        parts.append(f"{who} {verb(fine, 'has', 'have')} nothing to act on")
    if failed:
        who = f"{failed:,}" if parts else f"{failed:,} of {count(fields, 'field')}"
        parts.append(f"{who} failed and {verb(failed, 'is', 'are')} in no total")
    return "; ".join(parts) + "."
