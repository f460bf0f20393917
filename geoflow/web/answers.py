"""What the page may ask, each a post that names its tab; every answer comes from the workflow."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Awaitable, Callable
from typing import Any, Final

from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response, StreamingResponse

from geoflow.base.errors import GeoflowError
from geoflow.web.made import Made, Refused
from geoflow.web.questions import questions
from geoflow.web.replies import line, made_view, refused, refused_view, unframed
from geoflow.web.requests import (
    bar_asked,
    belonging,
    read_question,
    reading_work,
    sections_of,
)
from geoflow.web.sessions import Session, Sessions, Turn
from geoflow.web.state import Question
from geoflow.web.tasks import KeptMap, Unread
from geoflow.web.uploads import Upload, main_file, place_files
from geoflow.web.windows import Windows
from geoflow.web.wording import refusal
from geoflow.web.work_questions import WorkAsked, log_said, map_said, work_asked
from geoflow.web.worker import Workers, error_text
from geoflow.web.works import described_works, folder_of, page_fields

__all__ = ["TAB_HEADER", "Answers"]

TAB_HEADER: Final = "x-geoflow-tab"
_AT_ONCE: Final = 2
# Of these the newest counts: one that is asked for ends what is under way; of the others one of the same kind.
_NEWEST_COUNTS: Final = ("read", "prepare", "unknowns")
_BESIDE: Final = {"prepare": "ahead", "unknowns": "bar"}


# Name of a task, what it is called with, the files it needs, and what becomes of what it gives.
_Begun = tuple[str, dict[str, Any], tuple[Upload, ...], Callable[[Any], Any]]
_Begin = Callable[[Session, bytes], _Begun | Refused]


class Answers:
    """The posts the page may make.

    Parameters
    ----------
    tabs : Sessions
        The open tabs.
    workers : Workers
        Where long work is done.
    system : str
        Units the page begins with.
    """

    def __init__(self, tabs: Sessions, workers: Workers, system: str) -> None:
        self._tabs, self._workers, self._first_system = tabs, workers, system
        self._turns = asyncio.Semaphore(_AT_ONCE)
        # What is solved ahead takes no turn from what a reader waits for.
        self._ahead = asyncio.Semaphore(1)
        self._windows = Windows()
        asked: dict[str, Callable[[Session, Question], Any]] = {
            **questions(self._windows),
            "stop": self._stop,
        }
        self.actions: dict[str, Callable[[Request], Awaitable[Response]]] = {
            "open": self._open,
            "close": self._close,
            "read": self._read,
            "prepare": self._prepare,
            "vetted": self._making("vet", "vetted"),
            "rewrite": self._making("rewrite", "rewritten"),
            "report": self._making("report vet", "report"),
            "reconcile": self._reconcile,
            "work": self._do_work,
            "download": self._download,
            **{name: self._answering(act) for name, act in asked.items()},
        }

    # Sessions

    async def _open(self, request: Request) -> Response:
        from geoflow.web.views import beginning

        if request.headers.get(TAB_HEADER) != "new":
            return JSONResponse({"error": "reload the page"}, 400)
        known = await asyncio.to_thread(beginning)
        about = {"tab": self._tabs.open(), "system": self._first_system}
        return JSONResponse({**about, "fields": page_fields(), "works": described_works(), **known})

    async def _close(self, request: Request) -> Response:
        self._tabs.close(request.headers.get(TAB_HEADER, ""))
        return JSONResponse({})

    def _tab(self, request: Request) -> Session:
        return self._tabs.find(request.headers.get(TAB_HEADER, ""))

    async def _asked(self, request: Request) -> Question:
        return read_question(await request.body())

    def _answering(self, act: Callable[[Session, Question], Any]) -> Callable[[Request], Awaitable[Response]]:
        """Turn a plain function of tab and question into an address; it runs beside the server's own loop."""

        async def answer(request: Request) -> Response:
            try:
                tab = self._tab(request)
                asked = await self._asked(request)
                return JSONResponse(await asyncio.to_thread(act, tab, asked))
            except ClientDisconnect:
                return Response(status_code=400)
            except GeoflowError as problem:
                return refused(problem)
            except Exception as problem:
                return JSONResponse({"error": error_text(problem)}, 500)

        return answer

    # Ending work

    def _stop(self, tab: Session, asked: Question) -> Any:
        turn = tab.at_work.get("asked")
        if turn is not None:
            turn.stop()
        return {"stopped": turn is not None}

    # Long work

    async def _working(
        self,
        tab: Session,
        task: str,
        arguments: dict[str, Any],
        uploads: tuple[Upload, ...],
        finish: Callable[[Any], Any],
    ) -> AsyncIterator[bytes]:
        """Do a task in its own process and tell of it line by line; a reader who goes away ends it."""
        slot = _BESIDE.get(task, "asked")
        before = tab.at_work.get(slot)
        newest = task in _NEWEST_COUNTS or (before is not None and before.task == task)
        if before is not None and not before.stopped and not newest:
            yield line({"error": "this tab is at work already\n  cure:  wait for it, or stop it"})
            return
        if before is not None:
            before.stop()
        turn = tab.at_work[slot] = Turn(task)
        try:
            turns = contextlib.nullcontext() if slot == "ahead" else self._turns
            waits = slot == "asked" and self._turns.locked()
            yield line({"stage": "Waiting for its turn" if waits else "Beginning"})
            async with turns:
                async for told in self._told(turn, task, arguments, uploads, finish):
                    yield told
        finally:
            if tab.at_work.get(slot) is turn:
                del tab.at_work[slot]

    async def _told(
        self,
        turn: Turn,
        task: str,
        arguments: dict[str, Any],
        uploads: tuple[Upload, ...],
        finish: Callable[[Any], Any],
    ) -> AsyncIterator[bytes]:
        stopped = line({"stopped": "Stopped; nothing was written."})
        if turn.stopped:
            yield stopped
            return
        turn.job = self._workers.begin(task, arguments, lambda folder: place_files(uploads, folder))
        events = turn.job.events()
        try:
            async for event in events:
                if event.kind == "stage":
                    yield line({"stage": event.value})
                elif event.kind == "stopped" or turn.stopped:
                    yield stopped
                elif isinstance(event.value, Refused):
                    yield line(refused_view(event.value))
                elif event.kind == "done":
                    try:
                        yield line({"done": await asyncio.to_thread(finish, event.value)})
                    except Exception as problem:
                        yield line({"error": error_text(problem)})
                else:
                    yield line({"error": event.value})
        finally:
            await events.aclose()

    async def _work(self, request: Request, begin: _Begin) -> Response:
        """Begin what a request asks for, and stream what is told of it; a refusal is told at once."""
        try:
            tab = self._tab(request)
            begun = begin(tab, await request.body())
        except GeoflowError as problem:
            return refused(problem)
        except ClientDisconnect:
            return Response(status_code=400)
        if isinstance(begun, Refused):
            return JSONResponse(refused_view(begun), 422)
        lines = self._working(tab, *begun)
        return StreamingResponse(lines, media_type="application/x-ndjson")

    async def _read(self, request: Request) -> Response:
        """Read a bar and a prescription together; until that is done, what is open stays as it is."""
        from geoflow.web.views import choices_view, field_view

        def begin(tab: Session, body: bytes) -> _Begun:
            asked, uploads = unframed(body)
            bar, files, options = reading_work(tab.state, asked, uploads)

            def finish(value: KeptMap | Unread) -> Any:
                if isinstance(value, Unread):
                    waiting = tab.state.wait(files)
                    return {
                        "unread": value.words,
                        "asked": value.asked,
                        "waiting": waiting,
                        **choices_view(value.choices),
                    }
                opened = tab.state.keep(bar, files, options, value)
                return {"opened": opened.number, "field": field_view(value)}

            arguments = {"prescription": main_file(files), "bar": bar.name, "options": options}
            return "read", arguments, (*files, bar), finish

        return await self._work(request, begin)

    def _begun(
        self, tab: Session, asked: Question, given: WorkAsked, command: str, out: str, *, kept: str = "", **more: Any
    ) -> _Begun:
        """Begin a command that writes to a folder; its zip is kept by that name or another, and `more` told with it."""

        def finish(value: Made) -> Any:
            tab.state.made(kept or out, asked, value.archive)
            return {**more, **made_view(value)}

        said, uploads = given
        return "work", {"command": command, "said": said, "out": out}, uploads, finish

    def _making(self, command: str, out: str) -> Callable[[Request], Awaitable[Response]]:
        """Turn a command on the map that is open, for the plan in the question, into an address."""

        def begin(tab: Session, body: bytes) -> _Begun:
            asked = read_question(body)
            given = map_said(command, tab.state, asked)
            return self._begun(tab, asked, given, command, out, of=belonging(tab.state.find(asked), asked))

        async def make(request: Request) -> Response:
            return await self._work(request, begin)

        return make

    async def _prepare(self, request: Request) -> Response:
        """Solve a bar at every stop of the sliders, as soon as it is known and once for all tabs that use it."""
        from geoflow.bar.bar_file import read_bar_text

        try:
            tab, asked = self._tab(request), await self._asked(request)
            upload = bar_asked(asked)
            bar = read_bar_text(upload.content, upload.name)
            sections = sections_of(bar, asked)
        except GeoflowError as problem:
            return refused(problem)
        except ClientDisconnect:
            return Response(status_code=400)

        def finish(value: Any) -> Any:
            self._windows.keep(upload, sections, value, whole=True)
            return {}

        async def lines() -> AsyncIterator[bytes]:
            async with self._ahead:
                if self._windows.is_whole(upload, sections):
                    yield line({"done": {}})
                    return
                async for told in self._working(tab, "prepare", {"bar": bar, "sections": sections}, (), finish):
                    yield told

        return StreamingResponse(lines(), media_type="application/x-ndjson")

    async def _reconcile(self, request: Request) -> Response:
        """Take in a log and reconcile it, with the bar given and the prescription that is open if asked to."""

        def begin(tab: Session, body: bytes) -> _Begun:
            asked, uploads = unframed(body)
            return self._begun(tab, asked, log_said(tab.state, asked, uploads), "reconcile", "reconciled")

        return await self._work(request, begin)

    async def _do_work(self, request: Request) -> Response:
        """Do a work of the page: what is asked in its fields, with the map, bar and plan above where it takes them."""

        def begin(tab: Session, body: bytes) -> _Begun | Refused:
            asked, uploads = unframed(body)
            command = str(asked.get("command"))
            try:
                given = work_asked(tab.state, asked, uploads)
            except GeoflowError as problem:
                return refusal(problem, command)
            return self._begun(tab, asked, given, command, folder_of(command), kept=command)

        return await self._work(request, begin)

    async def _download(self, request: Request) -> Response:
        """Hand over the zip a task made last, to the question it was made for."""
        try:
            tab, asked = self._tab(request), await self._asked(request)
            of = asked.get("of")
            content = tab.state.hand_over(str(asked.get("task")), of if isinstance(of, dict) else {})
        except GeoflowError as problem:
            return refused(problem)
        return Response(content, media_type="application/zip")
