"""What stands before every request: own hosts and own pages only, bounded bodies, a strict content policy."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any, Final

__all__ = ["CONTENT_POLICY", "HEADERS", "LARGEST_BODY", "LOOPBACK", "Guard"]

_Message = MutableMapping[str, Any]
_Receive = Callable[[], Awaitable[_Message]]
_Send = Callable[[_Message], Awaitable[None]]
_Application = Callable[[_Message, _Receive, _Send], Awaitable[None]]

LARGEST_BODY: Final = 256 * 1024**2
LOOPBACK: Final = ("127.0.0.1", "localhost")
CONTENT_POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS: Final[dict[str, str]] = {
    "content-security-policy": CONTENT_POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cache-control": "no-store",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}
_WIRE_HEADERS: Final = [(name.encode(), value.encode()) for name, value in HEADERS.items()]


class Guard:
    """Refuses what does not come from the page itself, and bounds what comes.

    A page on the internet could otherwise reach this server through the reader's own browser: by a host name that
    it points at 127.0.0.1, or by a form that posts here.

    Parameters
    ----------
    application : callable
        The ASGI application behind.
    port : int
        The port served; part of the host names allowed.
    names : tuple of str
        Host names it answers to.
    largest : int or None
        Most bytes it takes; `LARGEST_BODY` if not given.
    """

    def __init__(
        self, application: _Application, port: int, names: tuple[str, ...] = LOOPBACK, *, largest: int | None = None
    ) -> None:
        self._application, self._names, self._largest = application, names, largest
        self._hosts = {f"{name}:{port}" for name in names}
        if port == 80:
            self._hosts |= set(names)

    async def __call__(self, scope: _Message, receive: _Receive, send: _Send) -> None:
        """Serve one request."""
        if scope["type"] == "lifespan":
            await self._application(scope, receive, send)
            return
        refusal = self._refusal(scope) if scope["type"] == "http" else (400, "only plain requests are answered")
        if refusal is not None:
            await _refuse(send, *refusal)
            return
        taken = 0

        async def bounded() -> _Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > self._most:
                # The rest is not taken in; to the application the sender has gone.
                return {"type": "http.disconnect"}
            return message

        async def guarded(message: _Message) -> None:
            if message["type"] == "http.response.start":
                given = list(message.get("headers", []))
                own = {name for name, _ in given}
                # A page that has a stricter or another policy of its own says so itself.
                message["headers"] = [*given, *(header for header in _WIRE_HEADERS if header[0] not in own)]
            await send(message)

        await self._application(scope, bounded, guarded)

    @property
    def _most(self) -> int:
        return LARGEST_BODY if self._largest is None else self._largest

    def _refusal(self, scope: _Message) -> tuple[int, str] | None:
        given: dict[str, list[str]] = {}
        for name, value in scope["headers"]:
            given.setdefault(name.decode("latin-1").lower(), []).append(value.decode("latin-1"))
        hosts = given.get("host", [])
        if len(hosts) != 1 or hosts[0].lower() not in self._hosts:
            return 421, f"this server answers only on its own address, {self._names[0]}"
        if given.get("sec-fetch-site", ["same-origin"])[0] not in {"same-origin", "none"}:
            return 403, "requests from other sites are refused"
        if scope["method"] in {"GET", "HEAD"}:
            return None
        return self._post_refusal(given) if scope["method"] == "POST" else (405, "only GET and POST are answered")

    def _post_refusal(self, given: dict[str, list[str]]) -> tuple[int, str] | None:
        if given.get("origin", [""])[0].lower() not in {f"http://{host}" for host in self._hosts}:
            return 403, "requests from other sites are refused"
        if "transfer-encoding" in given or not given.get("content-length", [""])[0].isdigit():
            return 411, "the length of what is sent has to be stated"
        if int(given["content-length"][0]) > self._most:
            if self._largest is not None:
                return 413, "this is more than is taken here"
            return 413, f"this is more than {LARGEST_BODY // 1024**2} MB; use the command line for files of that size"
        return None


async def _refuse(send: _Send, status: int, text: str) -> None:
    body = text.encode()
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": status, "headers": [*headers, *_WIRE_HEADERS]})
    await send({"type": "http.response.body", "body": body})
