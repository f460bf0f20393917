"""The season's summary, made from the records that are there."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from string import ascii_uppercase
from typing import TYPE_CHECKING, Any, Final

from geoflow.base.version import __version__
from geoflow.report.json_numbers import document_text
from geoflow.report.season import BAR_COLUMNS, bar_rows, season_totals
from geoflow.report.season_map import season_map
from geoflow.report.season_report import season_page
from geoflow.season.catalog import Entry
from geoflow.season.field import failed_record, record_name
from geoflow.season.figures import ROW_COLUMNS
from geoflow.season.store import Store
from geoflow.season.urls import shown

if TYPE_CHECKING:
    from geoflow.base.units import System

__all__ = ["read_records", "season_document", "write_summary"]

_NO_RECORD: Final = {
    "what": "no result is there",
    "where": "",
    "cure": "run the same command again: it goes on where it stopped",
}


def read_records(
    store: Store, entries: Sequence[Entry], unrecorded: Mapping[str, dict[str, str]]
) -> list[dict[str, Any]]:
    """Read the record of every field of the catalog, in its order.

    Parameters
    ----------
    store : Store
        The results.
    entries : sequence of Entry
        The fields.
    unrecorded : mapping
        Errors of fields that could leave no record in this run.
    """
    records = []
    for entry in entries:
        error = unrecorded.get(entry.field)
        content = None if error else store.read(record_name(entry))
        try:
            record = json.loads(content) if content else None
        except ValueError:
            record = None
        if record is None:
            record = failed_record(entry, error or _NO_RECORD, {})
        records.append(record)
    return records


def _row(record: Mapping[str, Any]) -> dict[str, Any]:
    """Give a field's row of the table."""
    error = record["error"] or {}
    kinds = dict.fromkeys(finding["kind"] for finding in record["findings"])
    told = {
        "field": record["field"],
        "job": record["job"],
        "status": record["status"],
        "findings": len(record["findings"]) if record["status"] != "failed" else None,
        "finding_kinds": "; ".join(kinds) or None,
        "error": error.get("what"),
        "error_where": error.get("where") or None,
        "error_cure": error.get("cure") or None,
    }
    return {name: told.get(name, record["row"].get(name)) for name in ROW_COLUMNS}


def season_document(
    records: Sequence[Mapping[str, Any]], catalog: str, out: str, *, orphans: int, deaths: int
) -> dict[str, Any]:
    """Give the summary as the JSON has it: totals, bars ranked by findings, and a row per field.

    Parameters
    ----------
    records : sequence of dict
        Of every field of the catalog.
    catalog, out : str
        Where the catalog and the results are.
    orphans : int
        Fields with results in the folder that are not in the catalog; they are left out.
    deaths : int
        Times a worker died in this run.
    """
    rows = [_row(record) for record in records]
    return {
        "catalog": shown(catalog),
        "out": shown(out),
        "geoflow": __version__,
        "totals": season_totals(rows),
        "bars": bar_rows(records),
        "fields_not_in_catalog": orphans,
        "workers_died": deaths,
        "fields": rows,
    }


def _csv(rows: Sequence[Mapping[str, Any]], columns: Sequence[str]) -> bytes:
    text = io.StringIO()
    writer = csv.DictWriter(text, columns, lineterminator="\n", extrasaction="ignore")
    writer.writeheader()
    for row in rows:
        # A cell that begins like a formula would be worked out by a spreadsheet.
        writer.writerow(
            {
                name: f"'{value}" if isinstance(value, str) and value[:1] in {"=", "+", "-", "@", "\t"} else value
                for name, value in row.items()
            }
        )
    return text.getvalue().encode()


def _parquet(rows: Sequence[Mapping[str, Any]]) -> bytes:
    import pyarrow
    import pyarrow.parquet

    types = {str: pyarrow.string(), float: pyarrow.float64(), int: pyarrow.int64()}
    columns = {
        name: pyarrow.array([row[name] for row in rows], types[kind], from_pandas=True)
        for name, kind in ROW_COLUMNS.items()
    }
    sink = io.BytesIO()
    pyarrow.parquet.write_table(pyarrow.table(columns), sink)
    return sink.getvalue()


def write_summary(store: Store, document: Mapping[str, Any], system: System) -> list[str]:
    """Write tables, JSON, map and page into the folder ``summary`` of the store; return their names.

    Parameters
    ----------
    store : Store
        The results.
    document : dict
        The JSON.
    system : str
        ``"us"`` or ``"metric"``.

    Raises
    ------
    OutputError
        If one cannot be written.
    """

    outstanding = [row["bar"] for row in document["bars"] if row["stands_out"]]
    picture = season_map(document["fields"], system, dict(zip(outstanding, ascii_uppercase, strict=False)))
    # `workers_died` is of the run, not of the season: the file is the same however often it was stopped.
    lasting = {name: value for name, value in document.items() if name != "workers_died"}
    contents = {
        "fields.csv": _csv(document["fields"], list(ROW_COLUMNS)),
        "fields.parquet": _parquet(document["fields"]),
        "bars.csv": _csv(document["bars"], BAR_COLUMNS),
        "season.json": document_text(lasting).encode(),
        "map.png": picture,
        "season.html": season_page(document, picture, system).encode(),
    }
    for name, content in contents.items():
        store.write(f"summary/{name}", content)
    return [f"summary/{name}" for name in contents]
