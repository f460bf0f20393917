"""`geoflow page`: the local page."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING, Final

from geoflow.base.errors import UsageError, install
from geoflow.cli.options import NOTHING_TO_ACT_ON, Command

if TYPE_CHECKING:
    from geoflow.web.sharing import Door

__all__ = ["PAGE"]

_ALONE: Final = "Only this machine can reach it."


def _shared(door: Door) -> str:
    """Say where phones come in, what that opens, and the address as a QR code where the terminal has the letters."""
    from geoflow.report.layout import wrap

    where = (
        f"{_ALONE} Phones on this network reach {door.place} with the code {door.share.code}, which lets one in "
        f"within {door.share.minutes_left} minutes; the page makes new ones."
    )
    opens = (
        "Everyone on this network who has the code can see the sheet that you share on the page, its map and its "
        "card, and nothing else; nothing can be sent or changed. The connection is not encrypted: who can listen on "
        "this network can read the sheet too."
    )
    code = door.printed()
    try:
        code.encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        code = "The page shows the address as a QR code.\n"
    return f"{wrap(where, '')}\n{code}{wrap(opens, '')}"


def _page(options: argparse.Namespace) -> int:
    try:
        import uvicorn  # noqa: F401

        from geoflow.web.server import listen, make_app, run
        from geoflow.web.sharing import Door, Share, local_address
    except ImportError as problem:
        raise UsageError(
            f"the page needs packages that are not installed ({problem.name})",
            where="geoflow page",
            cure=install("page"),
        ) from problem
    if options.share_on and not options.share:
        raise UsageError("--share-on without --share", where="geoflow page", cure="add --share, or leave it out")
    place = local_address(options.share_on) if options.share else ""
    socks = [listen(options.port)]
    port, door = int(socks[0].getsockname()[1]), None
    if place:
        socks.append(listen(0 if place == "127.0.0.1" else port, place))
        door = Door(Share(), place, int(socks[1].getsockname()[1]))
    app = make_app(port, options.units, door)
    address = f"http://127.0.0.1:{port}/"
    said = f"{_ALONE} Ctrl-C ends it." if door is None else f"{_shared(door)}\nCtrl-C ends it."
    print(f"The page is at {address}\n{said}", flush=True)
    if options.open:
        import webbrowser

        webbrowser.open(address)
    run(socks, app)
    print("The page is closed; nothing of it stays on disk.")
    return NOTHING_TO_ACT_ON


PAGE: Final = Command(
    "page",
    _page,
    help="a local page to move temperature and speed and see the map answer",
    description="Serve a local page: drop a prescription and a bar file, move temperature and speed, see the map "
    "answer, rewrite and download. It listens on 127.0.0.1 only and works without a network. With --share phones "
    "on the local network that have a one-time code see the sheet that you share, and nothing else.",
    epilog="Example: geoflow page --port 8765. Exit code: 0 after Ctrl-C, 2 wrong use.",
)
