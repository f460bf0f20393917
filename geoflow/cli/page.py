"""`geoflow page`: the local page."""

from __future__ import annotations

import argparse
from typing import Final

from geoflow.base.errors import UsageError, install
from geoflow.cli.options import NOTHING_TO_ACT_ON, Command

__all__ = ["PAGE"]


def _page(options: argparse.Namespace) -> int:
    try:
        import uvicorn  # noqa: F401

        from geoflow.web.server import listen, make_app, run
    except ImportError as problem:
        raise UsageError(
            f"the page needs packages that are not installed ({problem.name})",
            where="geoflow page",
            cure=install("page"),
        ) from problem
    sock = listen(options.port)
    port = int(sock.getsockname()[1])
    app = make_app(port, options.units)
    address = f"http://127.0.0.1:{port}/"
    print(f"The page is at {address}\nOnly this machine can reach it. Ctrl-C ends it.", flush=True)
    if options.open:
        import webbrowser

        webbrowser.open(address)
    run(sock, app)
    print("The page is closed; nothing of it stays on disk.")
    return NOTHING_TO_ACT_ON


PAGE: Final = Command(
    "page",
    _page,
    help="a local page to move temperature and speed and see the map answer",
    description="Serve a local page: drop a prescription and a bar file, move temperature and speed, see the map "
    "answer, rewrite and download. It listens on 127.0.0.1 only and works without a network.",
    epilog="Example: geoflow page --port 8765. Exit code: 0 after Ctrl-C, 2 wrong use.",
)
