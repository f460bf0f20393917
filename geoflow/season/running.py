"""Running the fields of a season: a bounded number under way, deaths of workers counted, nothing held in memory."""

from __future__ import annotations

import json
import queue
import secrets
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from geoflow.base.errors import OutputError, UsageError
from geoflow.base.version import __version__
from geoflow.season.catalog import Entry
from geoflow.season.cluster import clients
from geoflow.season.field import RECORDS, Done, Task, clear, options_key, record_name, work, write_failed
from geoflow.season.store import Store
from geoflow.season.urls import shown

if TYPE_CHECKING:
    from geoflow.base.units import System

__all__ = ["AHEAD", "MARK", "Progress", "Running", "check_folder", "remove_orphans", "run_season"]

MARK: Final = "season.json"
AHEAD = 2  # fields under way for each thread: one worked on, one waiting beside it
_EXAMPLES: Final = 3
_LOOK: Final = 2.0  # seconds between looks for new workers
_PATIENCE: Final = 15.0  # seconds for a finished field's few words to arrive


@dataclass(slots=True)
class Progress:
    """How far a season is.

    Attributes
    ----------
    total : int
        Fields of the catalog.
    fine, findings, failed, kept : int
        Fields done so far; `kept` of them had their result already.
    deaths : int
        Times a worker died.
    own, busy : float
        Time of the workflows, and all time of the workers, summed [s].
    began : float
        When, on `time.monotonic` [s].
    unrecorded : list
        Fields that failed and could leave no record, with their errors.
    """

    total: int
    fine: int = 0
    findings: int = 0
    failed: int = 0
    kept: int = 0
    deaths: int = 0
    own: float = 0.0
    busy: float = 0.0
    began: float = field(default_factory=time.monotonic)
    unrecorded: dict[str, dict[str, str]] = field(default_factory=dict)

    @property
    def done(self) -> int:
        """Fields that are through."""
        return self.fine + self.findings + self.failed

    @property
    def left(self) -> float | None:
        """Time left by the pace of the fields worked on so far [s]; None before there was one."""
        worked = self.done - self.kept
        if worked <= 0:
            return None
        return (time.monotonic() - self.began) / worked * (self.total - self.done)

    def count(self, done: Done) -> None:
        """Take a field in.

        Parameters
        ----------
        done : Done
            What a worker told.
        """
        if done.status == "failed":
            self.failed += 1
        elif done.status == "findings":
            self.findings += 1
        else:
            self.fine += 1
        self.kept += done.kept
        self.own += done.own
        self.busy += done.seconds
        if done.error is not None:
            self.unrecorded[done.field] = done.error


def _is_stale(store: Store, entry: Entry, options: str) -> bool:
    """Whether a field's good result is of other options, or cannot be understood."""
    content = store.read(record_name(entry))
    try:
        old = json.loads(content or b"")
        return bool(old["status"] != "failed" and old["made_with"].get("options") != options)
    except (ValueError, KeyError, TypeError, AttributeError):
        return True


def check_folder(store: Store, entries: Sequence[Entry], system: System, *, full: bool, replace: bool) -> list[str]:
    """Look into the folder for results before anything is begun, and mark it as a season's.

    Parameters
    ----------
    store : Store
        The results.
    entries : sequence of Entry
        The fields.
    system : str
        ``"us"`` or ``"metric"``.
    full : bool
        Whether everything the single command's --out gives is written too.
    replace : bool
        Whether other results may be replaced.

    Returns
    -------
    list of str
        Records of fields that are not in the catalog.

    Raises
    ------
    OutputError
        If it holds something else, or results that may not be replaced.
    """
    where = shown(store.place)
    held = [name for name in store.names("") if not name.startswith(".")]
    if held and MARK not in held:
        raise OutputError("this folder holds something else", where=where, cure="give --out a folder of its own")
    recorded = set(store.names(RECORDS))
    own = {record_name(entry).rsplit("/", 1)[1]: entry for entry in entries}
    if not replace:
        there = (own[name] for name in sorted(recorded & own.keys()))
        stale = [entry.field for entry in there if _is_stale(store, entry, options_key(entry, system, full=full))]
        if stale:
            raise OutputError(
                f"{len(stale):,} of the fields have results of other options or another version: "
                f"{', '.join(stale[:_EXAMPLES])}{', ...' if len(stale) > _EXAMPLES else ''}",
                where=where,
                cure="add --replace to make them anew, or choose another --out",
            )
    store.write(MARK, (json.dumps({"season": 1, "geoflow": __version__}) + "\n").encode())
    return sorted(recorded - own.keys())


def remove_orphans(store: Store, orphans: Sequence[str]) -> None:
    """Take away the results of fields that are not in the catalog.

    Parameters
    ----------
    store : Store
        The results.
    orphans : sequence of str
        From `check_folder`.

    Raises
    ------
    OutputError
        If they cannot be taken away.
    """
    for name in orphans:
        clear(store, name.removesuffix(".json"))


def _died(entry: Entry, times: int) -> dict[str, str]:
    return {
        "what": f"the worker died {times} times while it had this field",
        "where": f"field '{entry.field}'",
        "cure": "most often it ran out of memory: use fewer or larger workers, or run the field alone on a large "
        "machine; the same command tries it again",
    }


class _Run:
    """The fields under way."""

    def __init__(self, client: Any, tasks: Sequence[Task], progress: Progress, retries: int) -> None:
        self._client, self._progress, self._retries = client, progress, retries
        self._tasks = tasks
        self._waiting = deque(range(len(tasks)))
        self._alone: deque[int] = deque()
        self._deaths: dict[int, int] = {}
        self._under_way: dict[str, tuple[int, Any]] = {}
        self._run, self._sent = secrets.token_hex(4), 0
        self._ready: queue.SimpleQueue[str] = queue.SimpleQueue()

    def _submit(self, index: int) -> None:
        self._sent += 1
        key = f"geoflow-{self._run}-{index}-{self._sent}"
        future = self._client.submit(work, self._tasks[index], key=key, pure=False)
        self._under_way[key] = index, future
        future.add_done_callback(lambda done: self._ready.put(done.key))

    def _fill(self) -> None:
        """Put fields under way; one that was there at several deaths goes alone, so that no other is blamed."""
        room = AHEAD * max(sum(self._client.nthreads().values()), 1)
        while self._waiting and len(self._under_way) < room:
            self._submit(self._waiting.popleft())
        if not self._under_way and self._alone:
            self._submit(self._alone.popleft())

    def _on_worker_death(self, index: int, times: int) -> None:
        """A worker died with a field in hand: try again, or let it fail."""
        deaths = self._deaths[index] = self._deaths.get(index, 0) + times
        self._progress.deaths += 1
        if deaths <= self._retries:
            (self._waiting if deaths == 1 else self._alone).append(index)
            return
        task = self._tasks[index]
        error: dict[str, str] | None = _died(task.entry, deaths)
        try:
            write_failed(task.out, task.entry, _died(task.entry, deaths), {})
            error = None
        except OutputError:
            pass
        self._progress.count(Done(task.entry.field, "failed", False, 0.0, 0.0, error))

    def _take(self, key: str) -> None:
        """Take in a field that came to an end, one way or the other."""
        from distributed import KilledWorker

        index, future = self._under_way.pop(key)
        try:
            if future.cancelled():
                raise UsageError(
                    "the cluster went away",
                    where=f"field '{self._tasks[index].entry.field}'",
                    cure="see that scheduler and workers are up, and run the same command again: it goes on where it "
                    "stopped",
                )
            # The worker may die between finishing and handing over; Dask can then wait without end for what it told.
            done: Done = future.result(timeout=_PATIENCE)
        except KilledWorker as problem:
            self._on_worker_death(index, problem.allowed_failures + 1)
        except TimeoutError:
            # The result itself is in the store: the next worker finds it there.
            self._waiting.append(index)
        else:
            self._progress.count(done)
        finally:
            future.release()

    def go(self, tell: Callable[[Progress], None]) -> None:
        """Work until every field is through.

        Parameters
        ----------
        tell : callable
            Called with the progress after every field.
        """
        self._fill()
        while self._under_way:
            try:
                self._take(self._ready.get(timeout=_LOOK))
            except queue.Empty:
                self._fill()  # workers may have come
                continue
            tell(self._progress)
            self._fill()

    def stop(self) -> None:
        """Take back what is under way."""
        self._client.cancel([future for _, future in self._under_way.values()])


@dataclass(frozen=True, slots=True, kw_only=True)
class Running:
    """How a season is run.

    Attributes
    ----------
    workers : int or None
        Local processes; one per core without it.
    scheduler : str or None
        Address of a cluster to use in place of local processes.
    retries : int
        How often a field is tried again after its worker died.
    system : str
        Units of what people read in `full` outputs.
    full : bool
        Whether everything the single command's --out gives is written too.
    replace : bool
        Whether results of other inputs, options or versions may be replaced.
    """

    workers: int | None = None
    scheduler: str | None = None
    retries: int = 3
    system: System = "us"
    full: bool = False
    replace: bool = False


_AS_USUAL: Final = Running()


def run_season(
    entries: Sequence[Entry],
    store: Store,
    how: Running = _AS_USUAL,
    *,
    tell: Callable[[Progress], None] = lambda progress: None,
    client: Any = None,
) -> Progress:
    """Work on every field of a season; the results are in the store.

    Parameters
    ----------
    entries : sequence of Entry
        The fields.
    store : Store
        Where results go; results of the same inputs, options and version are kept.
    how : Running
        Workers, and what is written.
    tell : callable
        Called with the progress after every field.
    client : distributed.Client, optional
        A client to use in place of `workers` and `scheduler`.

    Raises
    ------
    GeoflowError
        If the cluster cannot be had or goes away.
    """
    tasks = [Task(entry, store, __version__, how.system, how.full, how.replace) for entry in entries]
    progress = Progress(len(tasks))
    if client is not None:
        _Run(client, tasks, progress, how.retries).go(tell)
        return progress
    try:
        with clients(how.workers, how.scheduler) as made:
            progress.began = time.monotonic()
            run = _Run(made, tasks, progress, how.retries)
            try:
                run.go(tell)
            except KeyboardInterrupt:
                run.stop()
                raise
    except OSError as problem:  # a lost connection; what concerns files is told in geoflow's own errors
        raise UsageError(
            f"the cluster went away: {problem}",
            where=f"--scheduler {how.scheduler}" if how.scheduler else "local workers",
            cure="run the same command again: it goes on where it stopped",
        ) from problem
    return progress
