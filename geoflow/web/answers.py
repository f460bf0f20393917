"""What the page may ask, each a post that names its tab; every answer comes from the workflow."""

from __future__ import annotations

import asyncio
import base64
import datetime
import json
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response, StreamingResponse

from geoflow.errors import GeoflowError, UsageError
from geoflow.web.asked import (
    Question,
    loaded,
    log_work,
    plan_of,
    read_question,
    rewriting_rules,
    system_of,
    typed_options,
    vetting_inputs,
)
from geoflow.web.bar_form import bar_text, form_content
from geoflow.web.tabs import Tab, Tabs
from geoflow.web.tasks import Made, Reading, Unread
from geoflow.web.uploads import Upload, check_archive, place_files, plain_name, unframe
from geoflow.web.worker import Workers, in_words

if TYPE_CHECKING:
    from geoflow.units import System

__all__ = ["TAB_HEADER", "Answers"]

TAB_HEADER: Final = "x-geoflow-tab"
_AT_ONCE: Final = 2


def _made_view(made: Made) -> dict[str, Any]:
    pictures = [[name, base64.b64encode(content).decode()] for name, content in made.pictures]
    return {"text": made.text, "names": made.names, "pictures": pictures}


def _whole_answer(reading: Reading, system: System) -> dict[str, Any]:
    from geoflow.web.views import answer_view

    outcome = reading.outcome
    return answer_view(outcome.prescription, outcome.solution, outcome.vetting.verdict, system, exact=True)


def _line(message: dict[str, Any]) -> bytes:
    return json.dumps(message, allow_nan=False).encode() + b"\n"


class Answers:
    """The posts the page may make.

    Parameters
    ----------
    tabs : Tabs
        The open tabs.
    workers : Workers
        Where long work is done.
    system : str
        Units the page begins with.
    """

    def __init__(self, tabs: Tabs, workers: Workers, system: str) -> None:
        self._tabs, self._workers, self._first_system = tabs, workers, system
        self._turns = asyncio.Semaphore(_AT_ONCE)
        asked: dict[str, Callable[[Tab, Question], Any]] = {
            "bar": self._bar,
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

    # Tabs

    async def _open(self, request: Request) -> Response:
        from geoflow.web.views import beginning

        if request.headers.get(TAB_HEADER) != "new":
            return JSONResponse({"error": "reload the page"}, 400)
        known = await asyncio.to_thread(beginning)
        return JSONResponse({"tab": self._tabs.open(), "system": self._first_system, **known})

    async def _close(self, request: Request) -> Response:
        self._tabs.close(request.headers.get(TAB_HEADER, ""))
        return JSONResponse({})

    def _tab(self, request: Request) -> Tab:
        return self._tabs.find(request.headers.get(TAB_HEADER, ""))

    async def _asked(self, request: Request) -> Question:
        return read_question(await request.body())

    def _answering(self, act: Callable[[Tab, Question], Any]) -> Callable[[Request], Awaitable[Response]]:
        """Turn a plain function of tab and question into an address; it runs beside the server's own loop."""

        async def answer(request: Request) -> Response:
            try:
                tab = self._tab(request)
                asked = await self._asked(request)
                return JSONResponse(await asyncio.to_thread(act, tab, asked))
            except ClientDisconnect:
                return Response(status_code=400)
            except Exception as problem:
                return JSONResponse({"error": in_words(problem)}, 422 if isinstance(problem, GeoflowError) else 500)

        return answer

    # Short questions

    def _bar(self, tab: Tab, asked: Question) -> Any:
        import tempfile
        from pathlib import Path

        from geoflow.formats.bars import read_bar
        from geoflow.report.bar_words import describe
        from geoflow.web.views import first_plan

        name = plain_name(str(asked.get("name") or "bar.toml"))
        text = bar_text(asked["content"]) if isinstance(asked.get("content"), dict) else str(asked.get("text", ""))
        upload = Upload(name, text.encode("utf-8", "surrogatepass"))
        with tempfile.TemporaryDirectory(prefix="geoflow-page-") as folder:
            path = Path(folder) / upload.name
            path.write_bytes(upload.content)
            try:
                bar = read_bar(path)
            except GeoflowError as problem:
                # The reader names the file by its path; the reader of the page knows only its name.
                words = str(problem).replace(str(path), upload.name)
                raise UsageError(words) from problem
        with tab.lock:
            tab.bar, tab.reading, tab.prepared = upload, None, None
        return {
            "text": text,
            "content": form_content(text, upload.name),
            "words": describe(bar, system_of(asked)),
            "name": bar.name,
            "sections": [section.name for section in bar.sections],
            "plan": first_plan(*bar.limits.speed, system_of(asked)),
        }

    def _reading(self, tab: Tab) -> Reading:
        if tab.reading is None:
            raise UsageError(
                "no prescription is loaded", where="prescription", cure="choose a bar file and a prescription"
            )
        return tab.reading

    def _exact(self, tab: Tab, asked: Question) -> Reading:
        """Return the reading with the verdicts for the plan asked for, solved in full."""
        from geoflow.workflow.moving import vet_again

        reading = self._reading(tab)
        outcome = vet_again(reading.outcome, plan_of(reading, asked))
        if outcome is reading.outcome:
            return reading
        newer = replace(reading, outcome=outcome)
        with tab.lock:
            if tab.reading is reading:
                tab.reading = newer
        return newer

    def _vet(self, tab: Tab, asked: Question) -> Any:
        from geoflow.web.views import answer_view
        from geoflow.workflow.moving import vet_ahead

        reading, prepared = self._reading(tab), tab.prepared
        plan, known = plan_of(reading, asked), reading.outcome.solution.plan
        solved = (plan.temperature, plan.sections) == (known.temperature, known.sections)
        if asked.get("quick") and not solved and prepared is not None and prepared[0] == plan.sections:
            ahead = vet_ahead(reading.outcome, plan, prepared[1])
            if ahead is not None:
                return answer_view(
                    reading.outcome.prescription, ahead.solution, ahead.verdict, system_of(asked), exact=False
                )
        return _whole_answer(self._exact(tab, asked), system_of(asked))

    def _zone(self, tab: Tab, asked: Question) -> Any:
        from geoflow.web.views import zone_view

        reading = self._exact(tab, asked)
        try:
            at = int(asked["at"])
        except (KeyError, TypeError, ValueError) as problem:
            raise UsageError("no zone is named", where="zone", cure="choose one") from problem
        if not 0 <= at < len(reading.outcome.rate):
            raise UsageError(
                "there is no such zone", where="zone", cure=f"choose one from 0 to {len(reading.outcome.rate) - 1}"
            )
        return zone_view(reading, at, system_of(asked))

    def _zones(self, tab: Tab, asked: Question) -> Any:
        from geoflow.web.views import zones_view

        start = asked.get("start", 0)
        outcome = self._exact(tab, asked).outcome
        return zones_view(
            outcome, str(asked.get("shown", "all")), start if isinstance(start, int) else 0, system_of(asked)
        )

    def _text(self, tab: Tab, asked: Question) -> Any:
        from geoflow.report.text import vet_text
        from geoflow.settling import settling

        outcome = self._exact(tab, asked).outcome
        solution, vetting = outcome.solution, outcome.vetting
        doubt = settling(outcome.prescription.area, solution, vetting)
        said = vet_text(outcome.prescription, outcome.rate, solution, vetting, doubt, system_of(asked))
        return {"text": said}

    def _stop(self, tab: Tab, asked: Question) -> Any:
        job = tab.jobs.get("asked")
        if job is not None:
            job.stop()
        return {"stopped": job is not None}

    # Long work

    async def _working(
        self, tab: Tab, task: str, arguments: dict[str, Any], uploads: tuple[Upload, ...], finish: Callable[[Any], Any]
    ) -> AsyncIterator[bytes]:
        """Do a task in its own process and tell of it line by line; a reader who goes away ends it."""
        slot = "ahead" if task == "prepare" else "asked"
        if slot in tab.jobs:
            yield _line({"error": "this tab is at work already\n  cure:  wait for it, or stop it"})
            return
        yield _line({"stage": "Waiting for its turn" if self._turns.locked() else "Beginning"})
        async with self._turns:
            job = tab.jobs[slot] = self._workers.begin(task, arguments, lambda folder: place_files(uploads, folder))
            events = job.events()
            try:
                async for event in events:
                    if event.kind == "stage":
                        yield _line({"stage": event.value})
                    elif event.kind == "done":
                        try:
                            yield _line({"done": await asyncio.to_thread(finish, event.value)})
                        except Exception as problem:
                            yield _line({"error": in_words(problem)})
                    elif event.kind == "stopped":
                        yield _line({"stopped": "Stopped; nothing was written."})
                    else:
                        yield _line({"error": event.value})
            finally:
                tab.jobs.pop(slot, None)
                await events.aclose()

    def _stream(self, lines: AsyncIterator[bytes]) -> Response:
        return StreamingResponse(lines, media_type="application/x-ndjson")

    async def _read(self, request: Request) -> Response:
        """Take in files, or the ones already here with other choices, and vet them."""
        from geoflow.web.views import field_view

        try:
            tab = self._tab(request)
            asked, uploads = unframe(await request.body())
            for upload in uploads:
                check_archive(upload)
            if uploads:
                with tab.lock:
                    tab.files, tab.reading = uploads, None
            inputs = vetting_inputs(tab, asked)
        except GeoflowError as problem:
            return JSONResponse({"error": str(problem)}, 422)
        except ClientDisconnect:
            return Response(status_code=400)
        system, files, bar = system_of(asked), tab.files, tab.bar

        def finish(value: Reading | Unread) -> Any:
            if isinstance(value, Unread):
                return {"unread": value.words, "columns": value.choices.columns, "layers": value.choices.layers}
            with tab.lock:
                if tab.files is not files or tab.bar is not bar:
                    raise UsageError(
                        "other files were chosen meanwhile", where="the files chosen", cure="wait for them"
                    )
                tab.reading = value
            return {"field": field_view(value, system), "answer": _whole_answer(value, system)}

        return self._stream(self._working(tab, "read", {"inputs": inputs}, loaded(tab), finish))

    async def _begin(
        self, request: Request, task: str, arguments: Callable[[Tab, Question], dict[str, Any]], *, kept: bool = True
    ) -> Response:
        """Begin work on what the tab has loaded."""
        try:
            tab = self._tab(request)
            asked = await self._asked(request)
            given = arguments(tab, asked)
        except GeoflowError as problem:
            return JSONResponse({"error": str(problem)}, 422)
        except ClientDisconnect:
            return Response(status_code=400)

        def finish(value: Any) -> Any:
            if not isinstance(value, Made):
                tab.prepared = (given["sections"], value)
                return {}
            tab.results[task] = value.archive
            return _made_view(value)

        return self._stream(self._working(tab, task, given, loaded(tab) if kept else (), finish))

    async def _prepare(self, request: Request) -> Response:
        """Solve the bar at every stop of the sliders."""

        def arguments(tab: Tab, asked: Question) -> dict[str, Any]:
            reading = self._reading(tab)
            return {"bar": reading.outcome.solution.bar, "sections": plan_of(reading, asked).sections}

        return await self._begin(request, "prepare", arguments, kept=False)

    async def _vetted(self, request: Request) -> Response:
        def arguments(tab: Tab, asked: Question) -> dict[str, Any]:
            return {"inputs": vetting_inputs(tab, asked), "system": system_of(asked)}

        return await self._begin(request, "vetted files", arguments)

    async def _rewrite(self, request: Request) -> Response:
        def arguments(tab: Tab, asked: Question) -> dict[str, Any]:
            rules, policy = rewriting_rules(asked), str(asked.get("policy", ""))
            return {"inputs": vetting_inputs(tab, asked), "policy": policy, "rules": rules, "system": system_of(asked)}

        return await self._begin(request, "rewritten files", arguments)

    async def _report(self, request: Request) -> Response:
        def arguments(tab: Tab, asked: Question) -> dict[str, Any]:
            inputs, system = vetting_inputs(tab, asked), system_of(asked)
            # The clock is asked here, as the command line asks it.
            return {
                "inputs": inputs,
                "asked": typed_options(inputs, system),
                "date": datetime.date.today(),
                "system": system,
            }

        return await self._begin(request, "report", arguments)

    async def _reconcile(self, request: Request) -> Response:
        """Take in a log and reconcile it, with the bar and the prescription that are loaded if asked to."""
        try:
            tab = self._tab(request)
            asked, uploads = unframe(await request.body())
            for upload in uploads:
                check_archive(upload)
            arguments, every = log_work(tab, asked, uploads)
        except GeoflowError as problem:
            return JSONResponse({"error": str(problem)}, 422)
        except ClientDisconnect:
            return Response(status_code=400)

        def finish(value: Made) -> Any:
            tab.results["reconciled files"] = value.archive
            return _made_view(value)

        return self._stream(self._working(tab, "reconciled files", arguments, every, finish))

    async def _download(self, request: Request) -> Response:
        """Hand over the zip a task made last."""
        try:
            content = self._tab(request).results.get(str((await self._asked(request)).get("task")))
            if content is None:
                raise UsageError("there is nothing to download", where="download", cure="make the files first")
        except GeoflowError as problem:
            return JSONResponse({"error": str(problem)}, 422)
        return Response(content, media_type="application/zip")
