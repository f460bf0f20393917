"""What a catalog came to, and where the records of split logs went."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any, Final

from geoflow.base.counted import count, verb
from geoflow.base.units import MILE, System, show
from geoflow.report.model import BulletList, Paragraph, Report, Section, Table
from geoflow.report.terminal import as_text

__all__ = ["made_text", "split_text"]

_MOST: Final = 12
_NAMED: Final = 8
_FAR: Final = 500.0  # from here on in miles or kilometres [m]


def _some(names: list[str]) -> str:
    return ", ".join(names[:_NAMED]) + (", ..." if len(names) > _NAMED else "")


def made_text(document: Mapping[str, Any]) -> str:
    """Say what became of making a catalog.

    Parameters
    ----------
    document : dict
        As its JSON has it.
    """
    catalog, missing = document["catalog"], document["missing"]
    said = f"{catalog}: {count(document['fields'], 'field')}; columns {', '.join(document['columns'])}"
    if missing:
        said += f"\nNot there, so these fields will fail: {_some(missing)} ({len(missing):,} in all)"
    return said + f"\nLook through it, then run: geoflow season {catalog} --out DIR"


def split_text(document: Mapping[str, Any], system: System) -> str:
    """Say where the records of split logs went.

    Parameters
    ----------
    document : dict
        As its JSON has it.
    system : str
        ``"us"`` or ``"metric"``.
    """
    inside, outside = document["records_in_fields"], document["records_in_no_field"]
    whole = inside + outside
    logs = count(len(document["records"]), "log")
    answer = f"{count(whole, 'record')} of {logs}: {inside:,} in {count(document['fields'], 'row')} of the catalog"
    answer += f", {outside:,} in no field." if outside else "; none is in no field."
    sections = (
        _in_no_field(document["in_no_field"], outside, system),
        _shared(document["logs"]),
        _unworked(document["fields_without_records"]),
        _accepted(document["columns_accepted"]),
    )
    report = Report(
        f"Season {document['catalog']}", f"split off {_some(list(document['records']))}", answer, sections, "", ""
    )
    return as_text(report) + "\n" + made_text(document)


def _in_no_field(in_no_field: list[Mapping[str, Any]], records: int, system: System) -> Section:
    """Where the records in no field are."""
    if not in_no_field:
        return Section("in-no-field", "In no field", ())
    rows = tuple(
        (
            one["day"] or "day not known",
            f"{one['records']:,}",
            f"{one['records_with_rate']:,}",
            "no position" if one["lat"] is None else f"{one['lat']:.4f}, {one['lon']:.4f}",
            _near(one, system),
        )
        for one in in_no_field[:_MOST]
    )
    rated = sum(one["records_with_rate"] for one in in_no_field)
    more = f"; the first {_MOST} of {len(in_no_field):,} places" if len(in_no_field) > _MOST else ""
    caption = f"By day and place, most records first{more}"
    heads = ("day", "records", "with a rate", "latitude, longitude", "nearest field")
    said = (
        f"{count(records, 'record')}, {rated:,} with a rate above zero, {verb(records, 'is', 'are')} in no field. "
        "They stand in the files in_no_field, as they were, and the places in 'in_no_field places.csv'."
    )
    if rated:
        said += " Where a rate was logged a field may have no outline, or a wrong one."
    return Section("in-no-field", "In no field", (Paragraph(said), Table(caption, heads, rows, "<>><<")))


def _near(one: Mapping[str, Any], system: System) -> str:
    """Say which field is the nearest, in feet or miles, metres or kilometres."""
    if one["nearest_field"] is None:
        return ""
    metres = one["distance_mi"] * MILE
    if metres < _FAR:
        return f"{one['nearest_field']}, {show(metres, 'length', system)}"
    far = f"{metres / MILE:,.1f} miles" if system == "us" else f"{metres / 1000.0:,.1f} km"
    return f"{one['nearest_field']}, {far}"


def _shared(logs: list[Mapping[str, Any]]) -> Section:
    """Fields that several logs or machines worked."""
    often = Counter(one["outline"] for one in logs)
    names = [name for name, times in often.items() if times > 1]
    if not names:
        return Section("shared", "Fields of several logs", ())
    text = (
        f"{count(len(names), 'field')} {verb(len(names), 'was', 'were')} worked by more than one log or machine: "
        f"{_some(names)}. Each has a row for each; the ground that another one did counts as missed there."
    )
    return Section("shared", "Fields of several logs", (Paragraph(text),))


def _unworked(names: list[str]) -> Section:
    text = f"{count(len(names), 'field')}, in no row of the catalog: {_some(names)}."
    return Section("unworked", "Without a record", (Paragraph(text),) if names else ())


def _accepted(accepted: Mapping[str, str]) -> Section:
    """Columns that were only proposed; the fields' logs rest on them."""
    texts = tuple(f"{log}: {words}." for log, words in accepted.items())
    title = "Columns taken as proposed, not certain by their names"
    return Section("accepted", title, (BulletList(texts),) if texts else ())
