"""Reading the time logs of a task as one table, with what its columns mean and count known for certain."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.errors import LogError
from geoflow.base.subject import LOG, reading, typed
from geoflow.isoxml.antenna import bar_offset, moved
from geoflow.isoxml.binary_log import TimeLog, decode_log, hold
from geoflow.isoxml.data_dictionary import ENTRIES, Entry
from geoflow.isoxml.devices import Element, read_elements
from geoflow.isoxml.products import names_ammonia, product_name
from geoflow.isoxml.sections import Sections, find_sections
from geoflow.isoxml.task_files import TaskData, choose_task, open_taskdata
from geoflow.isoxml.widths import put_width
from geoflow.isoxml.xml import Node, parse_xml
from geoflow.layers.notes import Note

if TYPE_CHECKING:
    import pandas

__all__ = ["HOLD", "TaskLog", "read_task_log"]

HOLD: Final = 60.0  # age beyond which a reading says nothing any more [s]; common practice, no source
_DIFFERS: Final = 0.01  # of what the sections log together
_MOST_ROWS: Final = 20_000_000
_WANTED: Final = frozenset(ENTRIES)
_STATES: Final = frozenset(ddi for ddi, entry in ENTRIES.items() if entry.word in {"state", "states"})
# Pairs of applied and target on one basis: nitrogen first, since it needs no fraction, volume last.
_RATES: Final = (("01B1", "01B0"), ("0007", "0006"), ("0002", "0001"), ("024D", "024C"))
_SINGLE: Final = ("002A", "018D", "00C2", "0243")
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
    task, task_name : str
        Id and name.
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
    notes : tuple of Note
        What a person should know.
    """

    where: str
    version: tuple[int, int]
    task: str
    task_name: str
    logs: tuple[str, ...]
    names: list[str]
    columns: list[pandas.Series[Any]]
    roles: dict[str, tuple[str, str | None]]
    records: int
    sections: int
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
    substance = _substance(data, task, values, notes, take_as_ammonia=take_as_ammonia)
    return _assemble(_Reading(data, task, logs, elements, values, substance, notes))


def _task(data: TaskData, layer: str | None) -> Node:
    tasks = [task for task in data.root.all("TSK") if task.all("TLG")]
    if not tasks:
        zones = sum(bool(task.all("TZN")) for task in data.root.all("TSK"))
        held = f"; {zones} task(s) hold a prescription" if zones else ""
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
        text = f"{name}: variable(s) not used here are left out: dictionary number(s) {', '.join(unknown[:12])}"
        notes.append(Note("column", text, len(unknown)))
    log = decode_log(name, root, raw, _WANTED)
    notes += log.notes
    return log


def _is_total(ddi: str) -> bool:
    return ENTRIES[ddi].word.startswith(("total", "distance", "time"))


@dataclass(frozen=True, eq=False)
class _Reading:
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

    def unit(self, entry: Entry) -> str:
        """Unit of an entry; a product that is not ammonia is only a product."""
        return entry.unit if self.substance else entry.unit.replace(" NH3", "")

    def role(self, entry: Entry) -> str | None:
        """Role of an entry; a flow of another product has none."""
        return entry.role if self.substance or entry.role != "flow" else None


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


def _assemble(read: _Reading) -> TaskLog:
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
    _put_values(read, sections, columns.put)
    put_width(read.values, sections, read.elements, records, columns.put, notes)
    if len(read.logs) > 1:
        columns.put("log", np.concatenate([np.full(log.local.size, at) for at, log in enumerate(read.logs)]))
    return TaskLog(
        data.where, data.version, task.text("A"), task.text("B"), tuple(log.name for log in read.logs),
        list(columns.cells), [pandas.Series(cells) for cells in columns.cells.values()], columns.roles, records, count,
        tuple(notes),
    )  # fmt: skip


def _put_moments(read: _Reading, put: Any) -> None:
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
        lon, lat = (np.concatenate(each) for each in zip(*places, strict=True))
        text = f"positions are moved to the middle of the bar, which lies {offset}; the heading is the way driven"
        read.notes.append(Note("place", text, int(np.isfinite(lon).sum())))
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
        text = f"{int(filled.sum())} record(s) without the receiver's time have the machine's, moved to UTC"
        notes.append(Note("time", text, int(filled.sum())))
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
    counts = zip(*np.unique(status, return_counts=True), strict=True)
    kinds = [f"{count} {_STATUS.get(int(kind), 'zero or beyond the earth')}" for kind, count in counts]
    text = f"{int(lost.sum())} record(s) have no position ({', '.join(kinds)}); the machine's totals still count them"
    notes.append(Note("place", text, int(lost.sum())))


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
    for ddi, count in aged.items():
        if count:
            text = f"{count} record(s) have no {ENTRIES[ddi].word} ({ddi}): the last one is more than {HOLD:.0f} s old"
            notes.append(Note("derived", text, count))
    return found


def _in_name(unit: str) -> str:
    return re.sub(r"[ /]", "_", unit.casefold())


def _column_name(key: tuple[str, str], values: _Values, unit: str) -> str:
    """Name of a column, ending in its unit; the element where several log the same."""
    entry = ENTRIES[key[0]]
    several = sum(ddi == key[0] for ddi, _ in values) > 1
    parts = [entry.word, entry.ddi, key[1] if several else "", _in_name(unit)]
    return "_".join(part for part in parts if part)


def _put_values(read: _Reading, sections: Sections, put: Any) -> None:
    """Add every variable as a column, and give it its role where only one can have it."""
    values = read.values
    chosen = _role_owners({ddi for ddi, _ in values}, read.notes)
    for ddi in dict.fromkeys(ddi for ddi, _ in values if ddi not in {*_STATES, "0043"}):
        entry = ENTRIES[ddi]
        role, unit = read.role(entry) if chosen.get(entry.role) == ddi else None, read.unit(entry)
        names = {owner: _column_name(owner, values, unit) for owner in values if owner[0] == ddi}
        matrix = sections.matrix(ddi, values) if sections.apart else None
        if matrix is not None:
            put(f"{entry.word}_{ddi}_{_in_name(unit)}", matrix / entry.steps, role, unit)
            names = {owner: name for owner, name in names.items() if owner[1] in sections.above}
            _say_whole(ddi, [values[owner] for owner in names], matrix, sections, read.notes)
            role = None
        for owner, name in names.items():
            put(name, values[owner] / entry.steps, role if len(names) == 1 else None, unit)
        if role is not None and len(names) > 1:
            listed = ", ".join(names.values())
            text = f"{len(names)} elements of the machine log the {entry.word} ({ddi}), so none is chosen: {listed}"
            read.notes.append(Note("column", text, len(names)))


def _say_whole(ddi: str, wholes: list[FloatArray], matrix: FloatArray, sections: Sections, notes: list[Note]) -> None:
    """Hold what the whole bar logs against its sections, which count: their flows together, their rates by width."""
    entry = ENTRIES[ddi]
    if entry.role not in {"applied", "target", "flow"}:
        return
    at_work = np.isfinite(matrix) & (True if sections.states is None else sections.states == 1.0)
    shares = np.where(at_work, 1.0 if entry.role == "flow" else sections.widths or 1.0, 0.0)
    together = (shares * np.nan_to_num(matrix)).sum(axis=1)
    if entry.role != "flow":
        weight = shares.sum(axis=1)
        together = np.divide(together, weight, out=np.full(weight.size, np.nan), where=weight > 0.0)
    for whole in wholes:
        both = np.isfinite(whole) & np.isfinite(together)
        own, other = float(whole[both].sum()), float(together[both].sum())
        if abs(own - other) > _DIFFERS * max(abs(other), 1.0):
            than = f"{100.0 * abs(own / other - 1.0):.1f} % {'more' if own > other else 'less'}" if other else "more"
            text = f"the whole bar logs {than} than its sections together as {entry.word} ({ddi}); the sections count"
            notes.append(Note("section", text, int(both.sum())))


def _role_owners(present: set[str], notes: list[Note]) -> dict[str | None, str]:
    """Which dictionary number has each role; for the rates a pair of applied and target on one basis, if there is."""
    chosen: dict[str | None, str] = {"flow": "0025"}
    chosen |= {ENTRIES[ddi].role: ddi for ddi in _SINGLE if ddi in present}
    for rate, at in (("applied", 0), ("target", 1)):
        there = [pair for pair in _RATES if pair[at] in present]
        if there:
            chosen[rate] = next((pair for pair in there if set(pair) <= present), there[0])[at]
        if len(there) > 1:
            ways = " and ".join(pair[at] for pair in there)
            notes.append(Note("column", f"the {rate} rate is logged as {ways}; {chosen[rate]} is used"))
    return chosen
