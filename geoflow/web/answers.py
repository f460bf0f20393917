"""What the page may ask, each a post that names its tab; every answer comes from the workflow."""

from __future__ import annotations

import asyncio
import base64
import contextlib
import datetime
import json
from collections.abc import AsyncIterator, Awaitable, Callable
from typing import Any, Final

from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response, StreamingResponse

from geoflow.base.errors import GeoflowError
from geoflow.web.questions import questions
from geoflow.web.requests import (
    bar_asked,
    belonging,
    log_work,
    page_fields,
    read_question,
    reading_work,
    rewriting_rules,
    sections_of,
    system_of,
    typed_options,
    vetting_inputs,
)
from geoflow.web.sessions import LetGoError, Session, Sessions, Turn
from geoflow.web.state import Question
from geoflow.web.tasks import Inputs, Made, Reading, Unread, Unsaid
from geoflow.web.uploads import Upload, check_archive, main_file, place_files, unframe
from geoflow.web.windows import Windows
from geoflow.web.wording import page_error
from geoflow.web.worker import Workers, error_text

__all__ = ["TAB_HEADER", "Answers"]

TAB_HEADER: Final = "x-geoflow-tab"
_AT_ONCE: Final = 2
# Of these the newest counts: one that is asked for ends what is under way; of the others one of the same kind.
_NEWEST_COUNTS: Final = ("read", "prepare")


# Name of a task, what it is called with, the files it needs, and what becomes of what it gives.
_Begun = tuple[str, dict[str, Any], tuple[Upload, ...], Callable[[Any], Any]]


def _unframed(body: bytes) -> tuple[Question, tuple[Upload, ...]]:
    """Take a question and its files apart; archives that could do harm are refused."""
    asked, uploads = unframe(body)
    for upload in uploads:
        check_archive(upload)
    return asked, uploads


def _made_view(made: Made) -> dict[str, Any]:
    pictures = [[name, base64.b64encode(content).decode()] for name, content in made.pictures]
    return {"text": made.text, "names": made.names, "pictures": pictures, "drawn": made.drawn}


def _refused(problem: GeoflowError) -> Response:
    """Say no in words; a page whose tab was let go has to know that nothing on it can be asked about any more."""
    gone = {"gone": True} if isinstance(problem, LetGoError) else {}
    return JSONResponse({"error": page_error(problem, "prescription"), **gone}, 422)


def _line(message: dict[str, Any]) -> bytes:
    return json.dumps(message, allow_nan=False).encode() + b"\n"


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
            "vetted": self._vetted,
            "rewrite": self._rewrite,
            "report": self._report,
            "reconcile": self._reconcile,
            "download": self._download,
            **{name: self._answering(act) for name, act in asked.items()},
        }

    # Sessions

    async def _open(self, request: Request) -> Response:
        from geoflow.web.views import beginning

        if request.headers.get(TAB_HEADER) != "new":
            return JSONResponse({"error": "reload the page"}, 400)
        known = await asyncio.to_thread(beginning)
        return JSONResponse({"tab": self._tabs.open(), "system": self._first_system, "fields": page_fields(), **known})

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
                return _refused(problem)
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
        slot = "ahead" if task == "prepare" else "asked"
        before = tab.at_work.get(slot)
        newest = task in _NEWEST_COUNTS or (before is not None and before.task == task)
        if before is not None and not before.stopped and not newest:
            yield _line({"error": "this tab is at work already\n  cure:  wait for it, or stop it"})
            return
        if before is not None:
            before.stop()
        turn = tab.at_work[slot] = Turn(task)
        try:
            turns = contextlib.nullcontext() if slot == "ahead" else self._turns
            waits = slot == "asked" and self._turns.locked()
            yield _line({"stage": "Waiting for its turn" if waits else "Beginning"})
            async with turns:
                async for line in self._told(turn, task, arguments, uploads, finish):
                    yield line
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
        stopped = _line({"stopped": "Stopped; nothing was written."})
        if turn.stopped:
            yield stopped
            return
        turn.job = self._workers.begin(task, arguments, lambda folder: place_files(uploads, folder))
        events = turn.job.events()
        try:
            async for event in events:
                if event.kind == "stage":
                    yield _line({"stage": event.value})
                elif event.kind == "stopped" or turn.stopped:
                    yield stopped
                elif event.kind == "done":
                    try:
                        yield _line({"done": await asyncio.to_thread(finish, event.value)})
                    except Exception as problem:
                        yield _line({"error": error_text(problem)})
                else:
                    yield _line({"error": event.value})
        finally:
            await events.aclose()

    async def _work(self, request: Request, begin: Callable[[Session, bytes], _Begun]) -> Response:
        """Begin what a request asks for, and stream what is told of it; a refusal is told at once."""
        try:
            tab = self._tab(request)
            task, arguments, uploads, finish = begin(tab, await request.body())
        except GeoflowError as problem:
            return _refused(problem)
        except ClientDisconnect:
            return Response(status_code=400)
        lines = self._working(tab, task, arguments, uploads, finish)
        return StreamingResponse(lines, media_type="application/x-ndjson")

    async def _read(self, request: Request) -> Response:
        """Read a bar and a prescription together; until that is done, what is open stays as it is."""
        from geoflow.web.views import choices_view, field_view

        def begin(tab: Session, body: bytes) -> _Begun:
            asked, uploads = _unframed(body)
            bar, files, options = reading_work(tab.state, asked, uploads)

            def finish(value: Reading | Unread) -> Any:
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

    async def _make(
        self, request: Request, task: str, more: Callable[[Question, Inputs], dict[str, Any]] = lambda *_: {}
    ) -> Response:
        """Make files of what is open, for the plan in the question."""

        def begin(tab: Session, body: bytes) -> _Begun:
            asked = read_question(body)
            opened = tab.state.find(asked)
            inputs, of = vetting_inputs(opened, asked), belonging(opened, asked)

            def finish(value: Made) -> Any:
                tab.state.made(task, asked, value.archive)
                return {"of": of, **_made_view(value)}

            given = {"inputs": inputs, "system": system_of(asked), **more(asked, inputs)}
            return task, given, opened.uploads, finish

        return await self._work(request, begin)

    async def _prepare(self, request: Request) -> Response:
        """Solve a bar at every stop of the sliders, as soon as it is known and once for all tabs that use it."""
        from geoflow.bar.bar_file import read_bar_text

        try:
            tab, asked = self._tab(request), await self._asked(request)
            upload = bar_asked(asked)
            bar = read_bar_text(upload.content, upload.name)
            sections = sections_of(bar, asked)
        except GeoflowError as problem:
            return _refused(problem)
        except ClientDisconnect:
            return Response(status_code=400)

        def finish(value: Any) -> Any:
            self._windows.keep(upload, sections, value, whole=True)
            return {}

        async def lines() -> AsyncIterator[bytes]:
            async with self._ahead:
                if self._windows.is_whole(upload, sections):
                    yield _line({"done": {}})
                    return
                async for line in self._working(tab, "prepare", {"bar": bar, "sections": sections}, (), finish):
                    yield line

        return StreamingResponse(lines(), media_type="application/x-ndjson")

    async def _vetted(self, request: Request) -> Response:
        return await self._make(request, "vetted files")

    async def _rewrite(self, request: Request) -> Response:
        return await self._make(request, "rewritten files", lambda asked, _: {"rules": rewriting_rules(asked)})

    async def _report(self, request: Request) -> Response:
        def more(asked: Question, inputs: Inputs) -> dict[str, Any]:
            # The clock is asked here, as the command line asks it.
            return {"asked": typed_options(inputs, system_of(asked)), "date": datetime.date.today()}

        return await self._make(request, "report", more)

    async def _reconcile(self, request: Request) -> Response:
        """Take in a log and reconcile it, with the bar given and the prescription that is open if asked to."""

        def begin(tab: Session, body: bytes) -> _Begun:
            asked, uploads = _unframed(body)
            inputs, every = log_work(tab.state, asked, uploads)

            def finish(value: Made | Unsaid) -> Any:
                if isinstance(value, Unsaid):
                    return {"unsaid": value.words, "proposed": value.proposed}
                tab.state.made("reconciled files", asked, value.archive)
                return _made_view(value)

            return "reconciled files", {"inputs": inputs, "system": system_of(asked)}, every, finish

        return await self._work(request, begin)

    async def _download(self, request: Request) -> Response:
        """Hand over the zip a task made last, to the question it was made for."""
        try:
            tab, asked = self._tab(request), await self._asked(request)
            of = asked.get("of")
            content = tab.state.hand_over(str(asked.get("task")), of if isinstance(of, dict) else {})
        except GeoflowError as problem:
            return _refused(problem)
        return Response(content, media_type="application/zip")
