"""What the page may ask besides: the interview for a bar, the sheet for a phone, and what is shared with one."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from geoflow.base.errors import UsageError
from geoflow.web.answers import Answers
from geoflow.web.bar_questions import answered_view, form_answers, questions_view
from geoflow.web.made import Made
from geoflow.web.requests import belonging, read_question, system_of
from geoflow.web.sessions import Session, Sessions
from geoflow.web.sharing import Door, SharedSheet
from geoflow.web.state import Question
from geoflow.web.work_questions import map_said
from geoflow.web.worker import Workers

__all__ = ["AllAnswers"]


class AllAnswers(Answers):
    """All the posts the page may make.

    Parameters
    ----------
    tabs, workers, system
        As for `Answers`.
    door : Door or None
        Where phones come in, if they may.
    """

    def __init__(self, tabs: Sessions, workers: Workers, system: str, door: Door | None = None) -> None:
        super().__init__(tabs, workers, system)
        self._door = door
        self.actions |= {
            "questions": self._answering(lambda tab, asked: questions_view()),
            "answers": self._answering(lambda tab, asked: answered_view(asked)),
            "unknowns": self._unknowns,
            "phone": self._phone,
            "shared": self._answering(self._shared),
        }

    async def _unknowns(self, request: Request) -> Response:
        def begin(tab: Session, body: bytes) -> Any:
            asked: Question = read_question(body)
            form_answers(asked)  # what is wrong with them is told at once
            return "unknowns", {"asked": asked, "system": system_of(asked)}, (), lambda value: value

        return await self._work(request, begin)

    async def _phone(self, request: Request) -> Response:
        """Make the sheet for a phone, to be kept as a file or shared."""

        def begin(tab: Session, body: bytes) -> Any:
            asked = read_question(body)
            said, uploads = map_said("card", tab.state, asked)
            of = belonging(tab.state.find(asked), asked)

            def finish(value: Made) -> Any:
                tab.state.made("phone sheet", asked, value.archive)
                return {"of": of, "text": value.text, "bytes": len(value.archive)}

            return "phone sheet", {"said": said}, uploads, finish

        return await self._work(request, begin)

    def _shared(self, tab: Session, asked: Question) -> Any:
        """Say what is shared, after sharing a sheet that was made, making a new code or ending it all."""
        if self._door is None:
            return {"on": False}
        share = self._door.share
        act = asked.get("act")
        if act == "share":
            of = asked.get("of")
            if not isinstance(of, dict):
                raise UsageError("there is no sheet to share", where="sharing", cure="make it first")
            sheet = tab.state.hand_over("phone sheet", of)
            share.sheet = SharedSheet(sheet, belonging(tab.state.find(of), of))
        elif act == "code":
            share.new_code()
        elif act == "end":
            share.end()
        opens = share.standing == "open"
        return {
            "on": True,
            "place": self._door.place,
            "standing": share.standing,
            "code": share.code if opens else "",
            "squares": self._door.squares() if opens else [],
            "minutes": share.minutes_left if opens else 0,
            "phones": share.phones,
            "of": share.sheet.of if share.sheet else "",
        }
