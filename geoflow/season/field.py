"""What a worker does with a field: fetch, compare with what is there, run, and write the result whole."""

from __future__ import annotations

import hashlib
import json
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any, Final

from geoflow.base.errors import GeoflowError, OutputError, UsageError
from geoflow.base.subject import called, copies
from geoflow.base.version import __version__
from geoflow.files.inputs import InputSnapshot
from geoflow.report.json_numbers import document_text
from geoflow.season.catalog import Entry
from geoflow.season.columns import COLUMNS
from geoflow.season.outcomes import Outcome, run_field
from geoflow.season.store import Store
from geoflow.season.urls import digest, fetch, local_path, shown

if TYPE_CHECKING:
    from geoflow.base.units import System

__all__ = [
    "RECORDS", "Done", "Task", "clear", "failed_record", "options_key", "record_name", "report_name", "work",
    "write_failed",
]  # fmt: skip

RECORDS: Final = "records"
_LAYOUT: Final = 3  # of the results; raise it when they change
_FOLDERS: Final = ("zones", "rewritten", "folders")
# A worker may have several threads; the libraries below do not all like that, and memory is meant for one field.
_ONE_AT_A_TIME: Final = threading.Lock()


@dataclass(frozen=True, slots=True)
class Task:
    """A field with where its results go.

    Attributes
    ----------
    entry : Entry
        The field.
    out : Store
        The results.
    version : str
        Of geoflow where the season was started.
    system : str
        Units of what people read.
    full : bool
        Whether everything the single command's --out gives is written too.
    replace : bool
        Whether results of other inputs, options or versions may be replaced.
    """

    entry: Entry
    out: Store
    version: str
    system: System
    full: bool
    replace: bool


@dataclass(frozen=True, slots=True)
class Done:
    """What a worker tells of a field; the result itself is in the store.

    Attributes
    ----------
    field : str
        Its name.
    status : str
        ``"fine"``, ``"findings"`` or ``"failed"``.
    kept : bool
        Whether the result was there already.
    own, seconds : float
        Time of the workflow itself and of all the worker did [s].
    error : dict or None
        What, where and cure of a field that failed and could leave no record.
    """

    field: str
    status: str
    kept: bool
    own: float
    seconds: float
    error: dict[str, str] | None = None


def record_name(entry: Entry) -> str:
    """Give the name of a field's record in the store.

    Parameters
    ----------
    entry : Entry
        The field.
    """
    return f"{RECORDS}/{entry.folder}.json"


def report_name(entry: Entry) -> str:
    """Give the name of a field's report in the store.

    Parameters
    ----------
    entry : Entry
        The field.
    """
    return f"reports/{entry.folder}.html"


def options_key(entry: Entry, system: System, *, full: bool) -> str:
    """Hash all that makes a field's result besides the content of its files.

    Parameters
    ----------
    entry : Entry
        The field.
    system : str
        ``"us"`` or ``"metric"``.
    full : bool
        Whether everything the single command's --out gives is written too.
    """
    values: dict[str, Any] = {}
    for name, value in entry.values.items():
        # A folder may be moved; the ending of a file says how it is read.
        values[name] = PurePath(str(value)).name if COLUMNS[name].kind == "file" else value
    said = {"job": entry.job, "values": values, "geoflow": __version__, "layout": _LAYOUT}
    if full:
        said["full"] = system
    text = json.dumps(said, sort_keys=True, ensure_ascii=False)
    return hashlib.blake2b(text.encode(), digest_size=16).hexdigest()


def failed_record(entry: Entry, error: dict[str, str], made_with: dict[str, Any]) -> dict[str, Any]:
    """Give the record of a field that failed.

    Parameters
    ----------
    entry : Entry
        The field.
    error : dict
        What, where and cure.
    made_with : dict
        Version, options and inputs.
    """
    return {
        "field": entry.field,
        "job": entry.job,
        "status": "failed",
        "made_with": made_with,
        "row": {},
        "findings": [],
        "files": [],
        "error": error,
    }


def clear(store: Store, folder: str) -> None:
    """Take a field's results away, the record first: without it the rest counts for nothing.

    Parameters
    ----------
    store : Store
        The results.
    folder : str
        Name of the field's folders, as `Entry.folder` gives it.

    Raises
    ------
    OutputError
        If something cannot be taken away.
    """
    store.remove(f"{RECORDS}/{folder}.json")
    for name in _FOLDERS:
        store.remove(f"{name}/{folder}")
    store.remove(f"documents/{folder}.json")
    store.remove(f"reports/{folder}.html")


def write_failed(store: Store, entry: Entry, error: dict[str, str], made_with: dict[str, Any]) -> None:
    """Write the record of a field that failed, in place of whatever is there of it.

    Parameters
    ----------
    store : Store
        The results.
    entry : Entry
        The field.
    error : dict
        What, where and cure.
    made_with : dict
        Version, options and inputs.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    clear(store, entry.folder)
    store.write(record_name(entry), _as_bytes(failed_record(entry, error, made_with)))


def _as_bytes(document: dict[str, Any]) -> bytes:
    return document_text(document).encode()


def _scratch_home() -> str | None:
    """Folder for copies: the worker's own, which Dask clears away after a worker that was killed."""
    try:
        from distributed import get_worker

        return str(get_worker().local_directory)
    except (ImportError, ValueError, AttributeError):
        return None


def _write(store: Store, entry: Entry, outcome: Outcome, made_with: dict[str, Any], made: Path) -> str:
    import io

    zones = io.BytesIO()
    outcome.zones.to_parquet(zones, index=False)
    files = {
        f"zones/{entry.folder}/zones.parquet": zones.getvalue(),
        f"documents/{entry.folder}.json": _as_bytes(outcome.document),
        report_name(entry): outcome.page.encode(),
    }
    for folder, name in (("rewritten", "rewritten"), ("folder", "folders")):
        home = made / folder
        for file in sorted(home.rglob("*")) if home.exists() else ():
            if file.is_file():
                files[f"{name}/{entry.folder}/{file.relative_to(home).as_posix()}"] = file.read_bytes()
    status = "findings" if outcome.has_findings else "fine"
    record = {
        "field": entry.field,
        "job": entry.job,
        "status": status,
        "made_with": made_with,
        "row": {**outcome.row, "report": report_name(entry)},
        "findings": outcome.findings,
        "files": sorted(files),
        "error": None,
    }
    for name, content in files.items():
        store.write(name, content)
    store.write(record_name(entry), _as_bytes(record))  # last: from here on the field is done
    return status


def _fetch(entry: Entry, scratch: Path, places: dict[Path, str]) -> dict[str, Path]:
    """Bring a field's files to this machine; the folders of what a URL names join `places`."""
    files: dict[str, Path] = {}
    for column, value in entry.values.items():
        if COLUMNS[column].kind == "file" and isinstance(value, str):
            files[column] = fetch(value, scratch / column)
            if local_path(value) is None:
                # A URL ends in the copy's own name, so folder for folder is enough, and siblings are named right too.
                places[files[column].parent] = shown(value.rstrip("/").rsplit("/", 1)[0])
    return files


def _refuse_missing(found: dict[str, str], files: dict[str, Path]) -> None:
    """Refuse a file that is not there."""
    for column, content in found.items():
        if content == "missing":
            raise UsageError(
                "there is no such file",
                where=f"{column} '{called(files[column])}'",
                cure="check the name; every worker must be able to open it, so give a URL where they share no disk",
            )


def _attempt(task: Task, scratch: Path, made_with: dict[str, Any], places: dict[Path, str]) -> tuple[str, bool, float]:
    """Do a field; return its status, whether it was there already, and the workflow's own time [s]."""
    entry, store = task.entry, task.out
    # What is known before the files are: it stands in the record of a failure too.
    made_with |= {"geoflow": __version__, "options": options_key(entry, task.system, full=task.full), "inputs": {}}
    files = _fetch(entry, scratch, places)
    held = InputSnapshot.of(files.values())
    made_with["inputs"] = {column: digest(path) for column, path in sorted(files.items())}
    _refuse_missing(made_with["inputs"], files)
    known = store.read(record_name(entry))
    old = None if known is None else json.loads(known)
    if old is not None and old["status"] != "failed":
        if old["made_with"] == made_with:
            return str(old["status"]), True, 0.0
        if not task.replace:
            raise OutputError(
                "results of other inputs, options or another version are there",
                where=f"{shown(store.place)}, field '{entry.field}'",
                cure="add --replace to make them anew, or choose another --out",
            )
    made = scratch / "made"
    made.mkdir()
    began = time.perf_counter()
    outcome = run_field(entry, files, made, task.system, full=task.full)
    own = time.perf_counter() - began
    held.refuse_changes()
    if old is not None:
        clear(store, entry.folder)
    return _write(store, entry, outcome, made_with, made), False, own


def _failure(task: Task, problem: Exception) -> dict[str, str]:
    """Say what went wrong with a field: what, where and cure."""
    where = f"field '{task.entry.field}'"
    if isinstance(problem, GeoflowError):
        return {"what": problem.what, "where": problem.where or where, "cure": problem.cure}
    if isinstance(problem, MemoryError):
        return {
            "what": "the worker has not enough memory for this field",
            "where": where,
            "cure": "use fewer workers on this machine, or larger ones",
        }
    return {
        "what": f"something unforeseen went wrong ({type(problem).__name__}: {problem})",
        "where": where,
        "cure": f"this is a fault in geoflow; run 'geoflow {task.entry.job}' on this field alone with "
        "GEOFLOW_TRACEBACK=1 and report what it prints",
    }


def _leave_failed(task: Task, error: dict[str, str], made_with: dict[str, Any]) -> bool:
    """Write the record of a failed field, unless good results of an earlier run would have to go without leave."""
    store, entry = task.out, task.entry
    try:
        known = store.read(record_name(entry))
        if known is not None and json.loads(known)["status"] != "failed" and not task.replace:
            return False
        write_failed(store, entry, error, made_with)
    except (GeoflowError, ValueError):
        return False
    return True


def work(task: Task) -> Done:
    """Do a field; nothing is raised: a field that fails leaves a record that says why.

    Parameters
    ----------
    task : Task
        The field.
    """
    began = time.perf_counter()
    made_with: dict[str, Any] = {}
    places: dict[Path, str] = {}
    field = task.entry.field
    if task.version != __version__:
        error = {
            "what": f"a worker has geoflow {__version__}, the season was started with {task.version}",
            "where": f"field '{field}'",
            "cure": "install the same version everywhere and run the season again",
        }
        return Done(field, "failed", False, 0.0, 0.0, error)
    with _ONE_AT_A_TIME:
        try:
            with tempfile.TemporaryDirectory(prefix="geoflow-", dir=_scratch_home()) as scratch, copies(places):
                status, kept, own = _attempt(task, Path(scratch), made_with, places)
            return Done(field, status, kept, own, time.perf_counter() - began)
        except Exception as problem:  # whatever it is, it must not take the season with it
            error = _failure(task, problem)
            written = not isinstance(problem, OutputError) and _leave_failed(task, error, made_with)
            return Done(field, "failed", False, 0.0, time.perf_counter() - began, None if written else error)
