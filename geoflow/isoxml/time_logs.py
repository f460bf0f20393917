"""Reading the time logs of a task as one table, with what its columns mean and count known for certain."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.counted import count, verb
from geoflow.base.errors import LogError
from geoflow.base.subject import LOG, reading, typed
from geoflow.ground.latency import Latency
from geoflow.isoxml.antenna import bar_offset, moved, with_logged_offsets
from geoflow.isoxml.binary_log import TimeLog, decode_log, hold
from geoflow.isoxml.data_dictionary import ENTRIES
from geoflow.isoxml.devices import Element, read_elements
from geoflow.isoxml.latency import stated_latency
from geoflow.isoxml.log_columns import put_values
from geoflow.isoxml.products import names_ammonia, product_name
from geoflow.isoxml.sections import find_sections
from geoflow.isoxml.task_files import TaskData, choose_task, open_taskdata
from geoflow.isoxml.widths import put_width
from geoflow.isoxml.xml import Node, parse_xml
from geoflow.layers.notes import Note

if TYPE_CHECKING:
    import pandas

__all__ = ["HOLD", "TaskLog", "read_task_log"]

HOLD: Final = 60.0  # age beyond which a reading says nothing any more [s]; common practice, no source
_MOST_ROWS: Final = 20_000_000
_WANTED: Final = frozenset(ENTRIES)
_STATUS: Final = {-1: "not logged", 0: "no fix", 14: "error", 15: "not available"}

_Values = dict[tuple[str, str], FloatArray]


@dataclass(frozen=True, eq=False)
class TaskLog:
    """The logs of a task as a table.

    Attributes
    ----------
    where : str
        The file.
    version : tuple of int
        Major and minor.
    task : str
        Its id.
    logs : tuple of str
        Their files, in the order of time.
    names : list of str
        Columns.
    columns : list of Series, shape (rows,)
        Their cells.
    roles : dict
        Role to column and unit, where the file settles both.
    records : int
        Records of all logs; a row is one section of a record where `sections` is above 1.
    sections : int
        Sections told apart.
    latency : Latency or None
        What the machine states of its own.
    notes : tuple of Note
        What a person should know.
    """

    where: str
    version: tuple[int, int]
    task: str
    logs: tuple[str, ...]
    names: list[str]
    columns: list[pandas.Series[Any]]
    roles: dict[str, tuple[str, str | None]]
    records: int
    sections: int
    latency: Latency | None
    notes: tuple[Note, ...]


def read_task_log(path: Path, *, layer: str | None = None, take_as_ammonia: bool = False) -> TaskLog:
    """Read all time logs of one task, in the order of time.

    Parameters
    ----------
    path : Path
        TASKDATA folder, the folder around it, its TASKDATA.XML, or a zip.
    layer : str or None
        Name or id of the task, where several have logs.
    take_as_ammonia : bool
        Whether the user says that the product is ammonia.

    Raises
    ------
    LogError
        If there is no log, it is damaged, or several tasks have one and none is named.
    """
    with reading(LOG):
        data = open_taskdata(path)
        notes = list(data.notes)
        task = _task(data, layer)
        found = [_decoded(data, node, notes) for node in task.all("TLG")]
        elements = read_elements(data)
    logs = [log for log in found if log is not None and log.local.size]
    if not logs:
        raise LogError("the time logs hold no record", where=data.where, cure="copy or export the task data again")
    logs.sort(key=lambda log: float(np.nanmin(log.local)) if np.isfinite(log.local).any() else np.inf)
    values = _held(logs, notes)
    elements = with_logged_offsets(elements, values, notes)
    substance = _substance(data, task, values, notes, take_as_ammonia=take_as_ammonia)
    return _assemble(_ReadTask(data, task, logs, elements, values, substance, notes))


def _task(data: TaskData, layer: str | None) -> Node:
    tasks = [task for task in data.root.all("TSK") if task.all("TLG")]
    if not tasks:
        zones = sum(bool(task.all("TZN")) for task in data.root.all("TSK"))
        held = f"; {count(zones, 'task')} {verb(zones, 'holds', 'hold')} a prescription" if zones else ""
        raise LogError(
            f"the task data holds no time log{held}",
            where=data.where,
            cure="name the task data the machine wrote while it worked",
        )
    return choose_task(tasks, layer, "time logs", data.where)


def _decoded(data: TaskData, node: Node, notes: list[Note]) -> TimeLog | None:
    """Decode one log; one whose files are missing is told and left out."""
    name = node.text("A")
    header, raw = data.file(f"{name}.XML"), data.file(f"{name}.BIN")
    if header is None or raw is None:
        lost = " and ".join(f"{name}.{end}" for end, found in (("XML", header), ("BIN", raw)) if found is None)
        notes.append(Note("file", f"{lost} is missing; that log is not read", 1))
        return None
    if node.text("B") and int(node.number("B")) != len(raw):
        notes.append(
            Note("file", f"{name}.BIN holds {len(raw):,} bytes where the file says {int(node.number('B')):,}", 1)
        )
    root, seen = parse_xml(header, f"{name}.XML")
    notes += seen
    unknown = sorted({dlv.text("A").upper().zfill(4) for dlv in root.walk() if dlv.tag == "DLV"} - _WANTED)
    if unknown:
        text = (f"{name}: {count(len(unknown), 'variable')} not used here {verb(len(unknown), 'is', 'are')} left out: "
                f"dictionary {verb(len(unknown), 'number', 'numbers')} {', '.join(unknown[:12])}")  # fmt: skip
        notes.append(Note("column", text, len(unknown)))
    log = decode_log(name, root, raw, _WANTED)
    notes += log.notes
    return log


def _is_total(ddi: str) -> bool:
    return ENTRIES[ddi].word.startswith(("total", "distance", "time"))


@dataclass(frozen=True, eq=False)
class _ReadTask:
    """What was read of a task and its logs; notes are brought up to date."""

    data: TaskData
    task: Node
    logs: list[TimeLog]
    elements: dict[str, Element]
    values: _Values
    substance: bool
    notes: list[Note]

    def of_all(self, key: str) -> Any:
        """One array of every record of all logs."""
        return np.concatenate([getattr(log, key) for log in self.logs])


def _substance(data: TaskData, task: Node, values: _Values, notes: list[Note], *, take_as_ammonia: bool) -> bool:
    """Whether what the logs count is ammonia: the product's name or the user says so."""
    product = product_name(data, task, "")
    by_product = [ddi for ddi, _ in values if "NH3" in ENTRIES[ddi].unit and ENTRIES[ddi].role in {"applied", "target"}]
    if names_ammonia(product) or take_as_ammonia:
        said = f"the task's product is called '{product}'" if product else "the task names no product"
        whose = "" if names_ammonia(product) else f" because {typed('take-as-ammonia')} says so"
        notes.append(Note("unit", f"{said}; it is taken as ammonia{whose}"))
        return True
    if product:
        text = (f"the task's product is called '{product}', and that does not say that it is anhydrous ammonia; if it "
                f"is, say {typed('take-as-ammonia')}, else {typed('nitrogen')}")  # fmt: skip
        notes.append(Note("unit", text))
        return False
    if by_product:
        text = (f"the task names no product; if it is anhydrous ammonia, say {typed('take-as-ammonia')}, else "
                f"{typed('nitrogen')}")  # fmt: skip
        notes.append(Note("unit", text))
    return not by_product


@dataclass(frozen=True)
class _Columns:
    """Columns of the table so far; a value of a record counts for each of its `count` sections."""

    count: int
    cells: dict[str, Any] = field(default_factory=dict)
    roles: dict[str, tuple[str, str | None]] = field(default_factory=dict)

    def put(self, name: str, column: Any, role: str | None = None, unit: str | None = None) -> None:
        self.cells[name] = column.reshape(-1) if column.ndim == 2 else np.repeat(column, self.count)
        if role is not None:
            self.roles[role] = (name, unit)


def _assemble(read: _ReadTask) -> TaskLog:
    import pandas

    notes, task, data = read.notes, read.task, read.data
    sections = find_sections(read.values, read.elements, notes)
    count = sections.count if sections.apart else 1
    records = sum(log.local.size for log in read.logs)
    rows = records * count
    if rows > _MOST_ROWS:
        raise LogError(
            f"{records:,} records of {count} sections are {rows:,} rows, more than {_MOST_ROWS:,}",
            where=data.where,
            cure="export fewer hours at a time",
        )
    columns = _Columns(count)
    _put_moments(read, columns.put)
    if sections.apart:
        columns.put("section", np.tile(np.arange(count), (records, 1)), "section")
    if sections.states is not None:
        columns.put("on", sections.states if sections.apart else sections.states[:, 0], "on")
    put_values(read.values, sections, columns.put, notes, substance=read.substance)
    put_width(read.values, sections, read.elements, records, columns.put, notes)
    if len(read.logs) > 1:
        columns.put("log", np.concatenate([np.full(log.local.size, at) for at, log in enumerate(read.logs)]))
    latency = stated_latency(read.elements, read.values, notes)
    return TaskLog(
        data.where, data.version, task.text("A"), tuple(log.name for log in read.logs),
        list(columns.cells), [pandas.Series(cells) for cells in columns.cells.values()], columns.roles, records, count,
        latency, tuple(notes),
    )  # fmt: skip


def _put_moments(read: _ReadTask, put: Any) -> None:
    """Add times and positions; positions are those of the bar where the machine says how it lies from the antenna."""
    seconds, clock = _clock(read.logs, read.notes)
    if np.isfinite(seconds).any():
        stamps = np.where(np.isfinite(seconds), np.round(np.nan_to_num(seconds) * 1000.0), np.iinfo(np.int64).min)
        put("time", stamps.astype(np.int64).view("datetime64[ms]"), "time", clock)
    lon, lat = read.of_all("lon"), read.of_all("lat")
    _say_places(read.logs, lon, read.notes)
    offset = bar_offset(read.elements, read.task)
    if offset is not None:
        places = [moved(log.lon, log.lat, offset) for log in read.logs]
        lon, lat = (np.concatenate(each) for each in list(zip(*places, strict=True))[:2])
        backed, unclear = sum(each[2] for each in places), sum(each[3] for each in places)
        more = f", against it in {count(backed, 'record')} in which the machine backed up" if backed else ""
        us, metric = (
            f"positions are moved to the middle of the bar, which lies {offset.said(system)}; the heading is the way "
            f"driven{more}"
            for system in ("us", "metric")
        )
        read.notes.append(Note("place", us, int(np.isfinite(lon).sum()), metric=metric))
        if unclear:
            text = (f"in {count(unclear, 'record')} the machine went to and fro about as far either way and nothing "
                    "says which was ahead: the way driven is taken, so the bar may lie on the other side")  # fmt: skip
            read.notes.append(Note("place", text, unclear))
    put("lon", lon, "lon", "deg")
    put("lat", lat, "lat", "deg")


def _clock(logs: list[TimeLog], notes: list[Note]) -> tuple[FloatArray, str]:
    """Times of all records and their scale: the receiver's where it is logged, else the machine's own."""
    local, utc = (np.concatenate([getattr(log, key) for log in logs]) for key in ("local", "utc"))
    both = np.isfinite(local) & np.isfinite(utc)
    if not np.isfinite(utc).any():
        notes.append(Note("time", "only the machine's own clock is logged; its zone is unknown"))
        return local, "local"
    apart = float(np.median(utc[both] - local[both])) if both.any() else float("nan")
    if np.isfinite(apart):
        than = "less" if apart >= 0.0 else "more"
        notes.append(
            Note("time", f"times are UTC of the receiver; the machine's own clock shows {_span(apart)} {than}")
        )
    filled = ~np.isfinite(utc) & np.isfinite(local)
    if filled.any() and np.isfinite(apart):
        some = int(filled.sum())
        has = verb(some, "has", "have")
        text = f"{count(some, 'record')} without the receiver's time {has} the machine's, moved to UTC"
        notes.append(Note("time", text, some))
        utc = np.where(filled, local + apart, utc)
    return utc, "UTC"


def _span(seconds: float) -> str:
    whole = round(abs(seconds))
    return f"{whole // 3600} h {whole % 3600 // 60} min {whole % 60} s" if whole >= 60 else f"{abs(seconds):.1f} s"


def _say_places(logs: list[TimeLog], lon: FloatArray, notes: list[Note]) -> None:
    lost = ~np.isfinite(lon)
    if not lost.any():
        return
    status = np.concatenate([log.status for log in logs])[lost]
    kinds = [
        f"{often} {_STATUS.get(int(kind), 'zero or beyond the earth')}"
        for kind, often in zip(*np.unique(status, return_counts=True), strict=True)
    ]
    some = int(lost.sum())
    text = (f"{count(some, 'record')} without a position ({', '.join(kinds)}); the machine's totals still count "
            f"{verb(some, 'it', 'them')}")  # fmt: skip
    notes.append(Note("place", text, some))


def _held(logs: list[TimeLog], notes: list[Note]) -> _Values:
    """Values of all logs one after the other, each held within its log until it is too old."""
    keys = list(dict.fromkeys(key for log in logs for key in log.values if not _is_total(key[0])))
    found: _Values = {}
    aged: dict[str, int] = {}
    held = 0
    for key in keys:
        parts = []
        for log in logs:
            values = log.values.get(key, np.full(log.local.size, np.nan))
            lasting = ENTRIES[key[0]].lasting
            whole = hold(values, log.local, HOLD, lasting=lasting)
            parts.append(whole)
            held += int((np.isfinite(whole) & ~np.isfinite(values)).sum())
            after = np.cumsum(np.isfinite(values)) > 0
            aged[key[0]] = aged.get(key[0], 0) + int((after & ~np.isfinite(whole)).sum())
        found[key] = np.concatenate(parts)
    if held:
        text = (f"the log stores a value only now and then: readings count for {HOLD:.0f} s, settings and states of "
                f"sections until the next one or a pause of {HOLD:.0f} s")  # fmt: skip
        notes.append(Note("derived", text, held))
    for ddi, some in aged.items():
        if some:
            records = f"{count(some, 'record')} without {ENTRIES[ddi].word} ({ddi})"
            notes.append(Note("derived", f"{records}: the last one is more than {HOLD:.0f} s old", some))
    return found
