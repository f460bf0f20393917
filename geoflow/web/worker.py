"""Long work in a process of its own, so that it can be stopped at any moment and leaves nothing behind."""

from __future__ import annotations

import asyncio
import contextlib
import multiprocessing
import os
import shutil
import signal
import tempfile
import threading
import traceback
from collections.abc import AsyncGenerator, Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Final, Literal

from geoflow.base.errors import GeoflowError
from geoflow.web.wording import page_error

__all__ = ["Event", "Job", "Workers", "error_text"]

_LOOK: Final = 0.02
# The next spare process loads its libraries after the work at hand has had a start.
_LATER: Final = 1.0
_SPAWN: Final = multiprocessing.get_context("spawn")


@dataclass(frozen=True, slots=True)
class Event:
    """Something a job has to say.

    Attributes
    ----------
    kind : str
        ``"stage"``: what it does now; ``"done"``; ``"refused"``: the error's words; ``"stopped"``.
    value : object
        Words, or what the work gave.
    """

    kind: Literal["stage", "done", "refused", "stopped"]
    value: Any = None


def error_text(problem: Exception) -> str:
    """Say any error in the words of the page.

    Parameters
    ----------
    problem : Exception
        What went wrong.
    """
    if isinstance(problem, GeoflowError):
        return page_error(problem, "prescription")  # what is of a log says so already
    if isinstance(problem, MemoryError):
        return "this machine has not enough memory for that\n  cure:  close other programs"
    if os.environ.get("GEOFLOW_TRACEBACK"):
        traceback.print_exception(problem)
    return (
        f"something unforeseen went wrong ({type(problem).__name__}: {problem})\n"
        "  cure:  this is a fault in geoflow; run again with GEOFLOW_TRACEBACK=1 and report what it prints"
    )


def _serve(conn: Connection) -> None:
    """Live in the other process: get ready, take one piece of work, do it, end."""
    with contextlib.suppress(ValueError):
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the server's business
    from geoflow.web import tasks

    tasks.warm_up()
    try:
        folder, name, arguments = conn.recv()
    except (EOFError, OSError):
        return
    tempfile.tempdir = folder
    os.chdir(folder)
    try:
        value = tasks.TASKS[name](lambda words: conn.send(Event("stage", words)), **arguments)
        event = Event("done", value)
    except Exception as problem:
        event = Event("refused", error_text(problem))
    with contextlib.suppress(OSError):
        conn.send(event)


class Job:
    """One piece of work under way."""

    def __init__(self, process: Any, conn: Connection, folder: Path) -> None:
        self._process, self._conn, self._folder = process, conn, folder
        self._stopped = False

    def stop(self) -> None:
        """End it now; what it had written is removed by `events`."""
        self._stopped = True
        self._process.kill()

    async def events(self) -> AsyncGenerator[Event, None]:
        """Give what the work says, ending with done, refused or stopped; leaves no process and no file."""
        try:
            while True:
                while not self._conn.poll():
                    await asyncio.sleep(_LOOK)
                try:
                    event: Event = await asyncio.to_thread(self._conn.recv)
                except (EOFError, OSError):
                    ended = "the work ended before its time, likely because the machine ran out of memory"
                    words = f"{ended}\n  cure:  close other programs, or use the command line"
                    event = Event("stopped") if self._stopped else Event("refused", words)
                yield event
                if event.kind != "stage":
                    return
        finally:
            self._process.kill()
            self._process.join()
            self._conn.close()
            shutil.rmtree(self._folder, ignore_errors=True)


class Workers:
    """Starts processes, with one kept ready so that work does not wait for libraries to load."""

    def __init__(self) -> None:
        self._spare: tuple[Any, Connection] | None = None
        self._lock = threading.Lock()
        self._closed = False

    def get_ready(self) -> None:
        """Start the spare process if there is none."""
        with self._lock:
            if self._spare is None and not self._closed:
                self._spare = self._start()

    def _start(self) -> tuple[Any, Connection]:
        ours, theirs = _SPAWN.Pipe()
        process = _SPAWN.Process(target=_serve, args=(theirs,), daemon=True)
        process.start()
        theirs.close()
        return process, ours

    def begin(self, name: str, arguments: dict[str, Any], place: Callable[[Path], None]) -> Job:
        """Begin a task of `geoflow.web.tasks`.

        Parameters
        ----------
        name : str
            Key of `tasks.TASKS`.
        arguments : dict
            What it is called with.
        place : callable
            Puts the input files into the folder it works in.
        """
        with self._lock:
            spare, self._spare = self._spare, None
        process, conn = spare if spare is not None and spare[0].is_alive() else self._start()
        folder = Path(tempfile.mkdtemp(prefix="geoflow-page-"))
        try:
            place(folder)
            conn.send((str(folder), name, arguments))
        except BaseException:
            process.kill()
            conn.close()
            shutil.rmtree(folder, ignore_errors=True)
            raise
        later = threading.Timer(_LATER, self.get_ready)
        later.daemon = True
        later.start()
        return Job(process, conn, folder)

    def close(self) -> None:
        """End the spare process."""
        with self._lock:
            spare, self._spare, self._closed = self._spare, None, True
        if spare is not None:
            spare[0].kill()
            spare[0].join()
            spare[1].close()
