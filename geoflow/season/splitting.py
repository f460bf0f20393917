"""Splitting logs of a whole season by field, and the catalog of the logs that come of it."""

from __future__ import annotations

import csv
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path, PurePosixPath
from typing import Any, Final
from urllib.parse import quote

import numpy as np

from geoflow.bar.bar_file import read_bar
from geoflow.bar.keys import NITROGEN_FRACTION
from geoflow.base.errors import UsageError
from geoflow.base.progress import tell
from geoflow.base.subject import called, copies
from geoflow.base.units import MILE, parse
from geoflow.files.inputs import watching
from geoflow.files.output import OutputFolder
from geoflow.ground.visits import Fields
from geoflow.log_files.chosen import Chosen
from geoflow.log_files.columns import choose_columns
from geoflow.log_files.log_units import ROLES
from geoflow.log_files.mapping import save_mapping
from geoflow.log_files.read_log import ReadingLog
from geoflow.log_files.streams import LogStream, layers_of, open_log
from geoflow.log_files.tables import LogTable
from geoflow.options.typed import LogOptions
from geoflow.report.reconciling import columns_words
from geoflow.season.catalog import Value, make_entries, row_values
from geoflow.season.making import Made, catalog_path, check_fixed, fixed_cell, from_catalog, write_rows
from geoflow.season.nowhere import InNoField, in_no_field_of
from geoflow.season.outlines import Outline, as_fields
from geoflow.season.scanning import NO_DAY, Scan, day_text, scan
from geoflow.season.split_inputs import NOWHERE_FILE, Fetched, SplitAsked, found_places, outlines_of
from geoflow.season.urls import shown
from geoflow.workflow.reconciling import liquid_said, reading_of

__all__ = ["FieldLog", "SplitMade", "split_logs"]

_BEYOND: Final = "100 ft"
_LAST_DAY: Final = int(np.iinfo(np.int32).max)


@dataclass(frozen=True, slots=True)
class FieldLog:
    """A log that came of it: of one field, one log and one machine.

    Attributes
    ----------
    field : str
        Name of its row of the catalog.
    outline : str
        Name of the outline or map.
    file, log : str
        Its file, and the log it was split off.
    machine : str
        As the log calls it; empty without a column for machines.
    records : int
        How many.
    first_day, last_day : str or None
        By the log's own clock.
    """

    field: str
    outline: str
    file: str
    log: str
    machine: str
    records: int
    first_day: str | None
    last_day: str | None


@dataclass(frozen=True, slots=True)
class SplitMade:
    """What became of splitting.

    Attributes
    ----------
    made : Made
        The catalog.
    records : dict
        Log to its records.
    fields : tuple of FieldLog
        The rows of the catalog.
    in_no_field : tuple of InNoField
        Records in no field, by day and place, most records first.
    unworked : tuple of str
        Outlines and maps without a record.
    accepted : dict
        Log to its columns that were only proposed, and accepted.
    """

    made: Made
    records: dict[str, int]
    fields: tuple[FieldLog, ...]
    in_no_field: tuple[InNoField, ...]
    unworked: tuple[str, ...]
    accepted: dict[str, str]

    @property
    def has_findings(self) -> bool:
        """Whether a rate was logged in no field, or a file of the catalog is missing."""
        return bool(self.made.missing) or any(one.spread for one in self.in_no_field)

    def document(self, catalog: str) -> dict[str, Any]:
        """Give it as the JSON has it.

        Parameters
        ----------
        catalog : str
            As said.
        """
        in_no_field = [
            {
                "log": one.log,
                "day": one.day,
                "records": one.records,
                "records_with_rate": one.spread,
                "lon": None if one.lon is None else round(one.lon, 7),
                "lat": None if one.lat is None else round(one.lat, 7),
                "nearest_field": one.nearest,
                "distance_mi": None if one.distance is None else round(one.distance / MILE, 4),
            }
            for one in self.in_no_field
        ]
        return {
            "catalog": catalog,
            "fields": self.made.fields,
            "columns": list(self.made.columns),
            "missing": list(self.made.missing),
            "records": self.records,
            "records_in_fields": sum(one.records for one in self.fields),
            "records_in_no_field": sum(one.records for one in self.in_no_field),
            "logs": [asdict(one) for one in self.fields],
            "in_no_field": in_no_field,
            "fields_without_records": list(self.unworked),
            "columns_accepted": self.accepted,
        }


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """A log, or one task of it, gone through."""

    label: str
    stream: LogStream
    scan: Scan
    mapping: dict[str, tuple[str, str | None]]
    accepted: tuple[str, ...]


def split_logs(asked: SplitAsked, fixed: Mapping[str, str], *, replacing: bool) -> SplitMade:
    """Split logs by field and write the logs and their catalog, all of them or none.

    Parameters
    ----------
    asked : SplitAsked
        Logs, maps and outlines.
    fixed : mapping
        Column to text for every row, as for `make_catalog`.
    replacing : bool
        Whether files that are there may be replaced.

    Raises
    ------
    GeoflowError
        If something cannot be read for certain or written.
    """
    here = str(Path.cwd())
    catalog = catalog_path(asked.target)
    said = _said(asked, fixed, here)
    margin = parse(asked.beyond or _BEYOND, "length", where="--beyond")
    if not margin >= 0.0:
        raise UsageError(f"'{asked.beyond}' is no distance", where="--beyond", cure='give it like "100 ft"')
    with tempfile.TemporaryDirectory(prefix="geoflow-") as scratch:
        places: dict[Path, str] = {}
        with copies(places):
            near = Fetched(Path(scratch), places)
            logs = {place: near.file(place) for place in found_places(asked.logs, "--glob")}
            outlines, columns = outlines_of(asked, near, said, margin)
            fields = as_fields(outlines)
            kept = (*logs.values(), *near.files.values())
            with watching(*kept), OutputFolder(catalog.parent, replace=replacing, protect=tuple(kept)) as folder:
                return _Splitting(asked, fixed, said, outlines, columns, fields, folder, catalog).all_of(logs)


def _said(asked: SplitAsked, fixed: Mapping[str, str], here: str) -> dict[str, Value]:
    """What is said of all fields, as options of `reconcile`."""
    check_fixed({**fixed, "job": fixed.get("job", "reconcile")})
    if fixed.get("job", "reconcile") != "reconcile":
        raise UsageError(
            "logs are split for reconcile", where=f"--job {fixed['job']}", cure="leave --maps and --outlines out"
        )
    for option, column in (("maps", "target"), ("outlines", "boundary")):
        if getattr(asked, option) is not None and column in fixed:
            raise UsageError(
                f"--{option} finds the {column} of every field", where=f"--set {column}", cure="leave it out"
            )
    plain = {name: text for name, text in fixed.items() if "{field}" not in text}
    return row_values(plain, "reconcile", here)


@dataclass(eq=False)
class _Splitting:
    """The logs of a season on their way into the logs of fields."""

    asked: SplitAsked
    fixed: Mapping[str, str]
    said: Mapping[str, Value]
    outlines: list[Outline]
    columns: dict[str, dict[str, str]]
    fields: Fields
    folder: OutputFolder
    catalog: Path
    taken: set[str] = field(default_factory=set)

    def all_of(self, logs: Mapping[str, Path]) -> SplitMade:
        """Split every log, and write the catalog."""
        records: dict[str, int] = {}
        labels: set[str] = set()
        accepted: dict[str, str] = {}
        found: list[tuple[FieldLog, str]] = []
        in_no_field: list[InNoField] = []
        several = len(logs) > 1
        for place, file in logs.items():
            layers = layers_of(file, self._text("layer"))
            for layer in layers:
                label = _free(" ".join(filter(None, (_stem(place), layer if len(layers) > 1 else None))), labels)
                with self._opened(label, file, layer) as part:
                    records[label] = part.scan.field.size
                    tell(f"splitting {label}")
                    found += self._deal(part, several=several or len(layers) > 1)
                    in_no_field += in_no_field_of(label, part.scan, self.outlines)
                    accepted |= {label: columns_words(part.mapping, part.accepted)} if part.accepted else {}
        in_no_field.sort(key=lambda one: -one.records)
        worked = {one.outline for one, _ in found}
        rows, missing = self._rows(found)
        self._write_in_no_field(in_no_field)
        made = self._write_catalog(rows, missing)
        unworked = tuple(one.name for one in self.outlines if one.name not in worked)
        fields = tuple(one for one, _ in self._renamed(found))
        return SplitMade(made, records, fields, tuple(in_no_field), unworked, accepted)

    def _text(self, name: str) -> str | None:
        value = self.said.get(name)
        return value if isinstance(value, str) else None

    @contextmanager
    def _opened(self, label: str, file: Path, layer: str | None) -> Iterator[_Part]:
        """Open a log and go through it."""
        how = self._how()
        with open_log(file, layer, take_as_ammonia=how.take_as_ammonia) as stream:
            start = stream.sample()
            tell(f"reading {called(file)}")
            choice = choose_columns(start, how.request)
            seen = scan(stream, start, choice.chosen, how, self.fields, self.asked.machine)
            mapping = _mapping(start, choice.chosen, seen.time_unit)
            yield _Part(label, stream, seen, mapping, choice.accepted)

    def _how(self) -> ReadingLog:
        options = LogOptions.of(self.said, "reconcile")
        file = self._text("bar")
        bar = None if file is None else read_bar(file)
        fraction = NITROGEN_FRACTION if bar is None else bar.nitrogen_fraction
        return reading_of(options, bar, liquid_said(options, bar), fraction)

    def _deal(self, part: _Part, *, several: bool) -> list[tuple[FieldLog, str]]:
        """Write the records of a log into a file for each field and machine, and one for those in no field."""
        seen, ending = part.scan, part.stream.ending
        machines = max(len(seen.machines), 1)
        nowhere = len(self.outlines) * machines
        number = np.where(seen.field < 0, nowhere, seen.field * machines + seen.machine).astype(np.int32)
        count = np.bincount(number, minlength=nowhere + 1)
        kind = f"columns {part.label}.json"
        save_mapping(self.folder.stage(kind), part.mapping)
        names = {nowhere: _free(NOWHERE_FILE + (f" {part.label}" if several else ""), self.taken)}
        found = []
        first, last = _days(seen, number, nowhere + 1)
        for at in np.flatnonzero(count[:nowhere]).tolist():
            outline, machine = self.outlines[at // machines], (*seen.machines, "")[at % machines]
            apart = [part.label if several else "", machine if machines > 1 else ""]
            names[at] = _free(", ".join(filter(None, (outline.name, *apart))), self.taken)
            days = first[at], last[at]
            file = quote(names[at], safe=" ,") + ending
            found.append((FieldLog(names[at], outline.name, file, part.label, machine, int(count[at]), *days), kind))
        paths = {at: self.folder.stage(quote(name, safe=" ,") + ending) for at, name in names.items()}
        part.stream.deal(np.append(number, np.full(part.stream.blanks, -1, dtype=np.int32)), paths.__getitem__)
        return found

    def _renamed(self, found: Sequence[tuple[FieldLog, str]]) -> list[tuple[FieldLog, str]]:
        """Call a row after its field alone where no other log or machine worked it."""
        often = Counter(one.outline for one, _ in found)
        return [(replace(one, field=one.outline) if often[one.outline] == 1 else one, kind) for one, kind in found]

    def _rows(self, found: Sequence[tuple[FieldLog, str]]) -> tuple[list[dict[str, str]], list[str]]:
        """Rows of the catalog, and files that they name but are not there."""
        home, missing = str(self.catalog.parent), list[str]()
        skip = {"job", "layer", "columns_file"}  # the logs written have no layers, and columns of their own
        rows = []
        for one, kind in self._renamed(found):
            own = {column: from_catalog(place, home) for column, place in self.columns[one.outline].items()}
            more = {
                name: fixed_cell(one.outline, name, text, home, missing)
                for name, text in self.fixed.items()
                if name not in skip
            }
            rows.append({"field": one.field, "job": "reconcile", "log": one.file, "columns_file": kind, **own, **more})
        return sorted(rows, key=lambda row: row["field"]), missing

    def _write_catalog(self, rows: list[dict[str, str]], missing: list[str]) -> Made:
        if not rows:
            raise UsageError(
                "no record lies in a field",
                where=f"--glob {shown(self.asked.logs)}",
                cure="check that logs and outlines are of the same fields (--crs, --boundary-crs), or widen --beyond",
            )
        make_entries(rows, str(self.catalog), {}, str(Path.cwd()))
        head = list(dict.fromkeys(name for row in rows for name in row))
        write_rows(self.folder.stage(self.catalog.name), head, rows)
        return Made(len(rows), tuple(head), tuple(missing))

    def _write_in_no_field(self, in_no_field: Sequence[InNoField]) -> None:
        if not in_no_field:
            return
        with self.folder.stage(f"{NOWHERE_FILE} places.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(asdict(in_no_field[0])), lineterminator="\n")
            writer.writeheader()
            for one in in_no_field:
                told = asdict(one)
                writer.writerow({name: round(at, 7) if isinstance(at, float) else at for name, at in told.items()})


def _free(name: str, taken: set[str]) -> str:
    """Return a name that is not taken yet, capitals apart, and take it."""
    free, number = name, 1
    while free.casefold() in taken:
        number += 1
        free = f"{name} {number}"
    taken.add(free.casefold())
    return free


def _stem(place: str) -> str:
    name = PurePosixPath(place.replace("\\", "/").rstrip("/")).name
    return name.rsplit(".", 1)[0] or name


def _days(seen: Scan, number: Any, count: int) -> tuple[list[str | None], list[str | None]]:
    """First and last day of each file that is known."""
    first, last = np.full(count, _LAST_DAY), np.full(count, NO_DAY)
    known = seen.day != NO_DAY
    np.minimum.at(first, number[known], seen.day[known])
    np.maximum.at(last, number[known], seen.day[known])
    first[first == _LAST_DAY] = NO_DAY
    return [day_text(day) for day in first.tolist()], [day_text(day) for day in last.tolist()]


def _mapping(start: LogTable, chosen: Mapping[str, Chosen], time_unit: str | None) -> dict[str, tuple[str, str | None]]:
    """Every role with its column and unit as they were found in the log as a whole, so that none is asked for again."""
    found: dict[str, tuple[str, str | None]] = {}
    for role in ROLES:
        one = chosen.get(role)
        if one is None:
            if start.shapes is None or role not in {"lon", "lat"}:
                found[role] = ("-", None)
        else:
            found[role] = (one.name, time_unit if role == "time" and one.unit is None else one.unit)
    return found
