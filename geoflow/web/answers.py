"""What the page may ask, each a post that names its tab; every answer comes from the workflow."""

from __future__ import annotations

import asyncio
import base64
import datetime
import json
from collections.abc import AsyncIterator, Awaitable, Callable
from typing import TYPE_CHECKING, Any, Final

from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response, StreamingResponse

from geoflow.base.errors import GeoflowError, UsageError
from geoflow.web.bar_form import form_content
from geoflow.web.requests import (
    belonging,
    given_bar,
    log_work,
    page_fields,
    plan_of,
    read_question,
    reading_work,
    rewriting_rules,
    sections_of,
    system_of,
    typed_options,
    vetting_inputs,
)
from geoflow.web.sessions import LetGoError, Session, Sessions, Turn
from geoflow.web.state import Opened, Question
from geoflow.web.tasks import Inputs, Made, Reading, Unread
from geoflow.web.uploads import Upload, check_archive, main_file, place_files, unframe
from geoflow.web.wording import page_error
from geoflow.web.worker import Workers, error_text

if TYPE_CHECKING:
    from geoflow.outcomes import VetOutcome

__all__ = ["TAB_HEADER", "Answers"]

TAB_HEADER: Final = "x-geoflow-tab"
_AT_ONCE: Final = 2
# Of these the newest counts: one that is asked for ends the one under way.
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
        asked: dict[str, Callable[[Session, Question], Any]] = {
            "bar": self._bar,
            "facts": self._notes,
            "vet": self._vet,
            "zone": self._zone,
            "zones": self._zones,
            "text": self._text,
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

    # Short questions

    def _bar(self, tab: Session, asked: Question) -> Any:
        """Check a bar and say it in words; it is opened by reading it together with a prescription."""
        from geoflow.bar.bar_file import read_bar_text
        from geoflow.report.bar_words import bar_report
        from geoflow.report.terminal import as_text

        upload = given_bar(asked)
        bar = read_bar_text(upload.content, upload.name)
        text = upload.content.decode("utf-8")
        return {
            "text": text,
            "content": form_content(text, upload.name),
            "words": as_text(bar_report(bar, system_of(asked)), "page"),
            "name": bar.name,
            "sections": [section.name for section in bar.sections],
        }

    def _notes(self, tab: Session, asked: Question) -> Any:
        from geoflow.web.views import notes_view

        return notes_view(tab.state.find(asked).reading, system_of(asked))

    def _vetted_plan(self, tab: Session, asked: Question) -> tuple[Opened, VetOutcome]:
        """Return what is open with the verdicts for the plan asked for, solved in full."""
        opened = tab.state.find(asked)
        return opened, opened.vetted(plan_of(opened.reading.read.bar, asked))

    def _vet(self, tab: Session, asked: Question) -> Any:
        from geoflow.web.pictures import answer_with_pictures

        return answer_with_pictures(tab.state.find(asked), asked)

    def _zone(self, tab: Session, asked: Question) -> Any:
        from geoflow.web.views import zone_view

        opened, outcome = self._vetted_plan(tab, asked)
        try:
            at = int(asked["at"])
        except (KeyError, TypeError, ValueError) as problem:
            raise UsageError("no zone is named", where="zone", cure="choose one") from problem
        if not 0 <= at < len(outcome.rate):
            raise UsageError(
                "there is no such zone", where="zone", cure=f"choose one from 0 to {len(outcome.rate) - 1}"
            )
        return zone_view(outcome, opened.reading.attributes, at, system_of(asked))

    def _zones(self, tab: Session, asked: Question) -> Any:
        from geoflow.web.views import zones_view

        start = asked.get("start", 0)
        _, outcome = self._vetted_plan(tab, asked)
        return zones_view(
            outcome, str(asked.get("shown", "all")), start if isinstance(start, int) else 0, system_of(asked)
        )

    def _text(self, tab: Session, asked: Question) -> Any:
        from geoflow.report.terminal import as_text
        from geoflow.report.vetted import vetted_report

        _, outcome = self._vetted_plan(tab, asked)
        return {"text": as_text(vetted_report(outcome, system_of(asked)), "page")}

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
        if before is not None and not before.stopped and task not in _NEWEST_COUNTS:
            yield _line({"error": "this tab is at work already\n  cure:  wait for it, or stop it"})
            return
        if before is not None:
            before.stop()
        turn = tab.at_work[slot] = Turn()
        try:
            yield _line({"stage": "Waiting for its turn" if self._turns.locked() else "Beginning"})
            async with self._turns:
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
        from geoflow.web.views import field_view

        def begin(tab: Session, body: bytes) -> _Begun:
            asked, uploads = _unframed(body)
            bar, files, options = reading_work(tab.state, asked, uploads)

            def finish(value: Reading | Unread) -> Any:
                if isinstance(value, Unread):
                    return {"unread": value.words, "columns": value.choices.columns, "layers": value.choices.layers}
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
        """Solve the bar at every stop of the sliders."""

        def begin(tab: Session, body: bytes) -> _Begun:
            asked = read_question(body)
            opened = tab.state.find(asked)
            bar = opened.reading.read.bar
            sections = sections_of(bar, asked)

            def finish(value: Any) -> Any:
                opened.ahead = (sections, value)
                return {}

            return "prepare", {"bar": bar, "sections": sections}, (), finish

        return await self._work(request, begin)

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

            def finish(value: Made) -> Any:
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
