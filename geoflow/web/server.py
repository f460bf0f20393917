"""The local server: its addresses, and how it is started and ended."""

from __future__ import annotations

import contextlib
import importlib.metadata
import socket
from collections.abc import AsyncIterator, Callable, Sequence
from pathlib import Path
from typing import Any, Final

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import FileResponse, PlainTextResponse, Response
from starlette.routing import Route

from geoflow.base.errors import UsageError, install
from geoflow.web.guards import Guard
from geoflow.web.more_answers import AllAnswers
from geoflow.web.phone_door import Doors, phone_door
from geoflow.web.sessions import Sessions
from geoflow.web.sharing import Door
from geoflow.web.worker import Workers

__all__ = ["listen", "make_app", "run"]

_STATIC: Final = Path(__file__).parent / "static"
_TYPES: Final = {".html": "text/html", ".css": "text/css", ".js": "text/javascript"}
_MAP_PACKAGE: Final = "XStatic-Leaflet"
_MAP_FILES: Final = ("leaflet.js", "leaflet.css")


def _map_files() -> dict[str, Path]:
    """Find the map library's files in the installed package that carries them."""
    try:
        files = importlib.metadata.distribution(_MAP_PACKAGE).files or []
    except importlib.metadata.PackageNotFoundError:
        files = []
    found = {file.name: Path(str(file.locate())) for file in files if file.name in _MAP_FILES}
    if set(found) != set(_MAP_FILES):
        raise UsageError("the map library of the page is not installed", where=_MAP_PACKAGE, cure=install("page"))
    return found


def _file(path: Path) -> Callable[[Request], Any]:
    async def give(request: Request) -> Response:
        return FileResponse(path, media_type=_TYPES[path.suffix])

    return give


async def _missing(request: Request, problem: Exception) -> Response:
    return PlainTextResponse("there is nothing here", status_code=404)


def make_app(port: int, system: str = "us", door: Door | None = None) -> Guard | Doors:
    """Make the application behind its guard.

    Parameters
    ----------
    port : int
        The port it is served on.
    system : str
        Units the page begins with.
    door : Door or None
        Where phones come in, if they may.

    Raises
    ------
    UsageError
        If the map library is not installed.
    """
    tabs, workers = Sessions(), Workers()
    answers = AllAnswers(tabs, workers, system, door)

    @contextlib.asynccontextmanager
    async def living(app: Starlette) -> AsyncIterator[None]:
        workers.get_ready()
        try:
            yield
        finally:
            tabs.close_all()
            workers.close()

    routes = [Route("/", _file(_STATIC / "page.html"))]
    routes += [
        Route(f"/static/{path.name}", _file(path)) for path in sorted(_STATIC.iterdir()) if path.suffix in _TYPES
    ]
    routes += [Route(f"/map/{name}", _file(path)) for name, path in _map_files().items()]
    routes += [Route(f"/do/{name}", act, methods=["POST"]) for name, act in answers.actions.items()]
    desk = Guard(Starlette(routes=routes, lifespan=living, exception_handlers={404: _missing}), port)
    return desk if door is None else Doors(desk, phone_door(door), ("127.0.0.1", port))


def listen(port: int, address: str = "127.0.0.1") -> socket.socket:
    """Take a port on the loopback address, or on another of this machine's; 0 takes any free one.

    Parameters
    ----------
    port : int
        0 for any that is free.
    address : str
        Where phones come in.

    Raises
    ------
    UsageError
        If it is not to be had.
    """
    sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind((address, port))
        sock.listen(64)
    except (OSError, OverflowError) as problem:
        sock.close()
        if address != "127.0.0.1":
            raise UsageError(
                f"this machine cannot listen on {address}, port {port} ({problem})",
                where="--share-on",
                cure="name an address it has on the local network, or another --port",
            ) from problem
        raise UsageError(
            f"port {port} cannot be had ({problem})",
            where="--port",
            cure="name another, or 0 for any that is free; the page may be open already",
        ) from problem
    return sock


def run(socks: Sequence[socket.socket], app: Guard | Doors) -> None:
    """Serve an application of `make_app` until Ctrl-C.

    Parameters
    ----------
    socks : sequence of socket
        From `listen`.
    app : Guard or Doors
        From `make_app`.
    """
    import uvicorn

    config = uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        ws="none",
        server_header=False,
        timeout_graceful_shutdown=1,
    )
    with contextlib.suppress(KeyboardInterrupt):
        uvicorn.Server(config).run(sockets=list(socks))
