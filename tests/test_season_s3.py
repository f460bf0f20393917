"""A season whose inputs and results lie in an S3 object store: the commands of docs/season.md, workers killed at it.

The store is moto's server on this machine: another project's own making of the S3 protocol, over HTTP.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import shlex
import socket
import subprocess
import sys
import threading
import tomllib
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("distributed", reason="needs the extra 'season'")
pytest.importorskip("s3fs", reason="needs the extra 's3'")
pytest.importorskip("moto", reason="needs the extra 's3-test'")

import geopandas
import psutil
import s3fs
from moto.server import DomainDispatcherApplication, create_backend_app
from season_fields import make_season
from werkzeug.serving import make_server

from geoflow import __version__, cli
from geoflow.season.catalog import read_catalog
from geoflow.season.field import Task, work
from geoflow.season.store import Store

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parent.parent
FIELDS, QUIET = 2, subprocess.DEVNULL


def said_commands() -> list[str]:
    """The commands of the section about a cluster, as docs/season.md has them."""
    text = (ROOT / "docs" / "season.md").read_text(encoding="utf-8")
    part = text.split("## On a cluster that exists", 1)[1].split("```sh\n", 1)[1].split("```", 1)[0]
    return part.strip().splitlines()


class DeadlyStore:
    """The S3 server, which kills whoever writes a certain object, as the first half of it has come or once it is there.

    Attributes
    ----------
    doomed : dict
        End of an object's name to ``"half"`` or ``"whole"``; each works once.
    put : list of str
        Names of the objects that were written whole, in order.
    """

    def __init__(self) -> None:
        self._store = DomainDispatcherApplication(create_backend_app)
        self.doomed: dict[str, str] = {}
        self.put: list[str] = []
        self.killed: list[str] = []

    def _kill(self, port: int) -> None:
        """Kill the process of ours that has this port."""
        for one in psutil.Process().children(recursive=True):
            with contextlib.suppress(psutil.Error):
                if any(place.laddr.port == port for place in one.net_connections("tcp")):
                    self.killed.append(" ".join(one.cmdline()))
                    one.kill()
                    return

    def __call__(self, environ: dict[str, Any], start: Any) -> Any:
        name, port = environ["PATH_INFO"], int(environ["REMOTE_PORT"])
        end = next((end for end in self.doomed if name.endswith(end)), None)
        if environ["REQUEST_METHOD"] != "PUT" or end is None:
            if environ["REQUEST_METHOD"] == "PUT":
                self.put.append(name)
            return self._store(environ, start)
        if self.doomed.pop(end) == "half":
            environ["wsgi.input"].read(int(environ["CONTENT_LENGTH"]) // 2)
            self._kill(port)
            start("400 Bad Request", [])
            return [b""]
        self.put.append(name)
        answer = list(self._store(environ, start))
        self._kill(port)
        return answer


@pytest.fixture
def store(monkeypatch: pytest.MonkeyPatch) -> Iterator[DeadlyStore]:
    """An S3 server of its own, and the way to it in the environment as every client of S3 looks for it."""
    app = DeadlyStore()
    server = make_server("127.0.0.1", 0, app, threaded=True)
    server.RequestHandlerClass.log_request = lambda *_, **__: None
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    for name, value in (
        ("AWS_ENDPOINT_URL", f"http://127.0.0.1:{server.server_port}"),
        ("AWS_ACCESS_KEY_ID", "anyone"),
        ("AWS_SECRET_ACCESS_KEY", "anything"),
        ("AWS_DEFAULT_REGION", "us-east-1"),
    ):
        monkeypatch.setenv(name, value)
    s3fs.S3FileSystem.clear_instance_cache()
    yield app
    s3fs.S3FileSystem.clear_instance_cache()
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.fixture
def cluster(store: DeadlyStore, tmp_path: Path) -> Iterator[str]:
    """A scheduler and a worker that comes back when it is killed, on what was the free port a moment ago."""
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port = one.getsockname()[1]
    address = f"tcp://127.0.0.1:{port}"
    common = ["--host", "127.0.0.1", "--dashboard-address", "127.0.0.1:0"]
    commands = (
        ["distributed.cli.dask_scheduler", "--port", str(port), *common],
        ["distributed.cli.dask_worker", address, "--nthreads", "1", "--local-directory", str(tmp_path), *common],
    )
    started = []
    try:
        for one in commands:
            environment = {**os.environ, "PYTHONPATH": str(ROOT)}
            command = [sys.executable, "-m", *one]
            started.append(subprocess.Popen(command, stdout=QUIET, stderr=QUIET, env=environment, cwd=tmp_path))
        yield address
    finally:
        for one in reversed(started):
            one.terminate()
        for one in started:
            one.wait(timeout=60)


def test_what_the_first_command_installs_is_what_the_season_needs() -> None:
    command = said_commands()[0]
    extras = re.fullmatch(r'python -m pip install "\.\[([\w,]+)\]"', command)
    assert extras is not None
    known = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["optional-dependencies"]
    wanted = [re.split(r"[><=\[]", one)[0] for extra in extras[1].split(",") for one in known[extra]]
    assert {"s3fs", "distributed"} <= set(wanted) and all(version(name) for name in wanted)


def test_the_commands_of_the_docs_on_an_object_store_with_workers_killed_while_they_write(
    store: DeadlyStore,
    cluster: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    _, make, run = said_commands()
    folder = make_season(tmp_path / "season", FIELDS, 600)
    there = s3fs.S3FileSystem()
    there.mkdir("coop")
    for kind in ("logs", "maps"):
        for file in (folder / kind).iterdir():
            there.put_file(str(file), f"coop/2026/{kind}/{file.name}")
    there.put_file(str(folder / "bars" / "Avocet.toml"), "coop/bars/heron.toml")
    monkeypatch.chdir(tmp_path)
    assert cli.main(shlex.split(make)[1:]) == 0, capsys.readouterr().err
    # One dies with half of its zones sent, one when the zones are there and the record is not.
    store.doomed = {
        "zones/field=field_0000/zones.parquet": "half",
        "zones/field=field_0001/zones.parquet": "whole",
    }
    assert run.endswith("--scheduler tcp://head:8786")
    code = cli.main(shlex.split(run.replace("tcp://head:8786", cluster))[1:])
    heard = capsys.readouterr()
    assert code == 0, heard.err
    assert store.doomed == {} and len(store.killed) == 2 and all("spawn_main" in one for one in store.killed)

    # Nothing lost, half or doubled: object for object what one calm process writes to a disk.
    for entry in read_catalog("catalog.csv", {}, str(tmp_path)):
        work(Task(entry, Store(str(tmp_path / "calm"), "run"), __version__, "us", False, False))
    calm = {file.relative_to(tmp_path / "calm").as_posix(): file for file in (tmp_path / "calm").rglob("*.*")}
    calm = {name: file.read_bytes() for name, file in calm.items() if file.is_file()}
    home = "coop/2026/reconciled/"
    got = {name.removeprefix(home): there.cat_file(name) for name in there.find(home)}
    others = {name for name in got if name not in calm}
    assert {name.split("/")[0] for name in others} == {"season.json", "summary"}
    assert {name: content for name, content in got.items() if name not in others} == calm
    table = json.loads(got["summary/season.json"])
    assert table["totals"]["fields"] == FIELDS and table["totals"]["failed"] == 0
    zones = geopandas.read_parquet("coop/2026/reconciled/zones", filesystem=there)
    assert zones["field_id"].value_counts().to_dict() == {f"field_{n:04d}": 6 for n in range(FIELDS)}

    # The same command again finds all of it there and writes no field anew.
    store.put.clear()
    assert cli.main(shlex.split(run.replace("tcp://head:8786", cluster))[1:]) == 0
    assert f"{FIELDS} were there already" in capsys.readouterr().err
    assert not [name for name in store.put if "/zones/" in name or "/records/" in name]
