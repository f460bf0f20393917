"""What the page may ask besides: the interview for a bar."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from geoflow.web.answers import Answers
from geoflow.web.bar_questions import answered_view, form_answers, questions_view
from geoflow.web.requests import read_question, system_of
from geoflow.web.sessions import Session, Sessions
from geoflow.web.state import Question
from geoflow.web.worker import Workers

__all__ = ["AllAnswers"]


class AllAnswers(Answers):
    """All the posts the page may make.

    Parameters
    ----------
    tabs, workers, system
        As for `Answers`.
    """

    def __init__(self, tabs: Sessions, workers: Workers, system: str) -> None:
        super().__init__(tabs, workers, system)
        self.actions |= {
            "questions": self._answering(lambda tab, asked: questions_view()),
            "answers": self._answering(lambda tab, asked: answered_view(asked)),
            "unknowns": self._unknowns,
        }

    async def _unknowns(self, request: Request) -> Response:
        def begin(tab: Session, body: bytes) -> Any:
            asked: Question = read_question(body)
            form_answers(asked)  # what is wrong with them is told at once
            return "unknowns", {"asked": asked, "system": system_of(asked)}, (), lambda value: value

        return await self._work(request, begin)
