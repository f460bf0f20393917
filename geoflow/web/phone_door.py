"""The door for phones: an application of its own, which gives the shared sheet to whoever has the code."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, MutableMapping
from pathlib import Path
from typing import Any, Final

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from geoflow.field_card.phone import sheet_policy
from geoflow.report.html import set_page
from geoflow.web.guards import Guard
from geoflow.web.sharing import Door, Share, Standing

__all__ = ["Doors", "phone_door"]

_STATIC: Final = Path(__file__).parent / "static"
_COOKIE: Final = "geoflow-phone"
_LARGEST_BODY: Final = 1000
_SHUT: Final[dict[Standing, str]] = {
    "open": "That is not the code. After five wrong ones it is locked.",
    "used": "This code has let a phone in already. Ask at the desk for a new one.",
    "locked": "Too many wrong codes: it is locked. Ask at the desk for a new one.",
    "expired": "This code is too old. Ask at the desk for a new one.",
    "ended": "Sharing was ended at the desk.",
}
_Message = MutableMapping[str, Any]
_Application = Callable[[_Message, Any, Any], Awaitable[None]]


def _door(words: str = "", status: int = 200) -> Response:
    # The form's own address is all that it may be sent to.
    policy = {"content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src data:; "
              "base-uri 'none'; form-action 'self'; frame-ancestors 'none'",
              # With none at all a browser would not say where the code comes from, and it would be refused.
              "referrer-policy": "same-origin"}  # fmt: skip
    return HTMLResponse(set_page("geoflow.web", "door.html", asks=True, words=words), status, policy)


class _Phone:
    """What a phone may ask for."""

    def __init__(self, share: Share) -> None:
        self._share = share

    def _in(self, request: Request) -> bool:
        return self._share.knows(request.cookies.get(_COOKIE, ""))

    async def look(self, request: Request) -> Response:
        """Give the sheet as it is shared now, or ask for the code."""
        if not self._in(request):
            standing = self._share.standing
            return _door("" if standing == "open" else _SHUT[standing])
        sheet = self._share.sheet
        if sheet is None:
            return HTMLResponse(set_page("geoflow.web", "door.html", asks=False, words=""))
        headers = {"content-security-policy": sheet_policy(), "permissions-policy": "geolocation=(self)"}
        return HTMLResponse(sheet.html, headers=headers)

    async def save(self, request: Request) -> Response:
        """Give the same sheet as a file to keep on the phone."""
        sheet = self._share.sheet
        if not self._in(request) or sheet is None:
            return RedirectResponse("/", 303)
        return Response(
            sheet.html, headers={"content-disposition": 'attachment; filename="sheet.html"'}, media_type="text/html"
        )

    async def code(self, request: Request) -> Response:
        """Take a code."""
        form = dict(part.partition("=")[::2] for part in (await request.body()).decode("latin-1").split("&"))
        token = self._share.admit(form.get("code", ""))
        if token is None:
            return _door(_SHUT[self._share.standing], 403)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(_COOKIE, token, httponly=True, samesite="strict", path="/")
        return answer


def phone_door(door: Door) -> Guard:
    """Make the application for phones behind its guard: it answers under its own address only.

    Parameters
    ----------
    door : Door
        Where it is served, and what is shared.
    """

    def file(name: str, kind: str) -> Route:
        async def give(request: Request) -> Response:
            return FileResponse(_STATIC / name, media_type=kind)

        return Route(f"/{name}", give)

    async def missing(request: Request, problem: Exception) -> Response:
        return PlainTextResponse("there is nothing here", status_code=404)

    phone = _Phone(door.share)
    routes = [
        Route("/", phone.look),
        Route("/sheet.html", phone.save),
        Route("/code", phone.code, methods=["POST"]),
        file("door.css", "text/css"),
        file("door.js", "text/javascript"),
    ]
    app = Starlette(routes=routes, exception_handlers={404: missing})
    return Guard(app, door.port, (door.address,), largest=_LARGEST_BODY)


class Doors:
    """Sends what comes in at one address to the application of that address, and no other.

    Which address it came in at is what the system says of the connection, not what the request says of itself.

    Parameters
    ----------
    desk : Guard
        The page.
    phone : Guard
        The door for phones.
    place : tuple of (str, int)
        Address and port of the former; whatever comes in anywhere else is a phone.
    """

    def __init__(self, desk: _Application, phone: _Application, place: tuple[str, int]) -> None:
        self._desk, self._phone, self._place = desk, phone, place

    async def __call__(self, scope: _Message, receive: Any, send: Any) -> None:
        """Serve one request."""
        came_in = scope.get("server")
        at_desk = scope["type"] == "lifespan" or (came_in is not None and tuple(came_in) == self._place)
        await (self._desk if at_desk else self._phone)(scope, receive, send)
