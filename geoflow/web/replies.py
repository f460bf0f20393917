"""How the server answers: what was made, what is refused and why, one line of a stream, and a frame taken apart."""

from __future__ import annotations

import base64
import json
from typing import Any

from starlette.responses import JSONResponse, Response

from geoflow.base.errors import GeoflowError
from geoflow.web.made import Made, Refused
from geoflow.web.sessions import LetGoError
from geoflow.web.state import Question
from geoflow.web.uploads import Upload, check_archive, unframe
from geoflow.web.wording import page_error

__all__ = ["line", "made_view", "refused", "refused_view", "unframed"]


def unframed(body: bytes) -> tuple[Question, tuple[Upload, ...]]:
    """Take a question and its files apart; archives that could do harm are refused.

    Parameters
    ----------
    body : bytes
        As sent.

    Raises
    ------
    GeoflowError
        If the frame is damaged, or an archive holds what it should not.
    """
    asked, uploads = unframe(body)
    for upload in uploads:
        check_archive(upload)
    return asked, uploads


def made_view(made: Made) -> dict[str, Any]:
    """Give what was made as JSON, without the files.

    Parameters
    ----------
    made : Made
        Of a task.
    """
    pictures = [[name, base64.b64encode(content).decode(), alt] for name, content, alt in made.pictures]
    bar = None if made.bar is None else {"name": made.bar[0], "text": made.bar[1]}
    told = {"text": made.text, "names": made.names, "shown": made.shown}
    return {**told, "pictures": pictures, "drawn": made.drawn, "bar": bar}


def refused(problem: GeoflowError) -> Response:
    """Say no in words; a page whose tab was let go has to know that nothing on it can be asked about any more.

    Parameters
    ----------
    problem : GeoflowError
        What is wrong.
    """
    gone = {"gone": True} if isinstance(problem, LetGoError) else {}
    return JSONResponse({"error": page_error(problem, "prescription"), **gone}, 422)


def refused_view(said: Refused) -> dict[str, Any]:
    """Give a refusal with the fields it speaks of as JSON; a log that leaves its columns open asks about them.

    Parameters
    ----------
    said : Refused
        By a work.
    """
    if said.proposed:
        return {"done": {"unsaid": said.words, "proposed": said.proposed}}
    return {"error": said.words, "fields": said.fields}


def line(message: dict[str, Any]) -> bytes:
    """Set one line of a stream.

    Parameters
    ----------
    message : dict
        What it says.
    """
    return json.dumps(message, allow_nan=False).encode() + b"\n"
