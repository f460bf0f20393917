"""A season on workers: one, two, and a scheduler and worker of their own give the same bytes; killed or stopped too."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

pytest.importorskip("distributed", reason="needs the extra 'season'")
pytest.importorskip("pyarrow", reason="needs the extra 'season'")

from season_fields import catalog_rows, make_season, write_catalog

from geoflow import cli

sys.path.insert(0, str(Path(__file__).parent / "campaigns"))
from season_kills import JOBS, campaign, tree

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parent.parent
FIELDS = 7
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT)}


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A catalog of all jobs with one field that cannot be read."""
    folder = make_season(tmp_path_factory.mktemp("season"), FIELDS, 600)
    rows = catalog_rows(FIELDS, JOBS)
    (folder / "logs" / "broken.csv").write_text("nothing,here\n1,2\n", encoding="utf-8")
    rows.append({**rows[0], "field": "broken", "log": "logs/broken.csv"})
    write_catalog(folder / "catalog.csv", rows)
    return folder


@pytest.fixture(scope="module")
def calm(season: Path) -> dict[str, bytes]:
    """What the season gives with one worker."""
    assert cli.main(["season", str(season / "catalog.csv"), "--out", str(season / "calm"), "--workers", "1"]) == 1
    return tree(season / "calm")


def same(out: Path, calm: dict[str, bytes]) -> None:
    got = tree(out)
    assert got.keys() == calm.keys()
    for name, content in got.items():
        here, there = content.replace(out.name.encode(), b"OUT"), calm[name].replace(b"calm", b"OUT")
        at = next((i for i, pair in enumerate(zip(here, there, strict=False)) if pair[0] != pair[1]), 0)
        assert here == there, (name, here[max(at - 80, 0) : at + 80], there[max(at - 80, 0) : at + 80])


def test_two_workers_give_what_one_gives(
    season: Path, calm: dict[str, bytes], capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["season", str(season / "catalog.csv"), "--out", str(season / "both"), "--workers", "2"]
    assert cli.main(arguments) == 1
    said = capsys.readouterr()
    assert f"{FIELDS + 1} of {FIELDS + 1} fields" in said.err and "broken:" in said.out
    assert "Cure:" in said.out and "Ammonia blinds and kills" in said.out
    same(season / "both", calm)
    assert cli.main([*arguments, "--json", "-"]) == 1
    said = capsys.readouterr()
    assert f"{FIELDS} were there already" in said.err  # the failed one is tried again
    document = json.loads(said.out)
    assert document["totals"]["failed"] == 1 and len(document["fields"]) == FIELDS + 1
    same(season / "both", calm)
    assert cli.main([*arguments, "--temperature", "60 degF"]) == 2
    assert "--replace" in capsys.readouterr().err
    same(season / "both", calm)


def _free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[str]:
    """A scheduler and a worker, each a process of its own, as on somebody's cluster."""
    address = f"tcp://127.0.0.1:{_free_port()}"
    command = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1"]
    command += ["--port", address.rsplit(":", 1)[1], "--dashboard-address", "127.0.0.1:0"]
    worker = [sys.executable, "-m", "distributed.cli.dask_worker", address, "--nthreads", "1", "--host", "127.0.0.1"]
    worker += ["--local-directory", str(tmp_path), "--dashboard-address", "127.0.0.1:0"]
    started = []
    try:
        for one in (command, worker):
            quiet = subprocess.DEVNULL
            started.append(subprocess.Popen(one, stdout=quiet, stderr=quiet, env=ENVIRONMENT, cwd=tmp_path))
        yield address
    finally:
        for one in reversed(started):
            one.terminate()
        for one in started:
            one.wait(timeout=60)


def test_a_scheduler_and_worker_of_their_own_give_the_same(
    season: Path, calm: dict[str, bytes], cluster: str, capsys: pytest.CaptureFixture[str]
) -> None:
    _wait_for(cluster)
    arguments = ["season", str(season / "catalog.csv"), "--out", str(season / "out_there"), "--scheduler", cluster]
    assert cli.main(arguments) == 1, capsys.readouterr().err
    same(season / "out_there", calm)


def _wait_for(address: str) -> None:
    for _ in range(300):
        with socket.socket() as one:
            if one.connect_ex(("127.0.0.1", int(address.rsplit(":", 1)[1]))) == 0:
                return
        time.sleep(0.2)
    raise AssertionError("the scheduler did not start")


def test_no_scheduler_is_wrong_use(season: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["season", str(season / "catalog.csv"), "--out", str(tmp_path / "x")]
    assert cli.main([*arguments, "--scheduler", f"tcp://127.0.0.1:{_free_port()}"]) == 2
    assert "no scheduler answers" in capsys.readouterr().err
    assert cli.main([*arguments, "--scheduler", "tcp://x:1", "--workers", "2"]) == 2
    assert "give one of them" in capsys.readouterr().err


@pytest.mark.skipif(os.name == "nt", reason="process groups of POSIX")
def test_ctrl_c_stops_cleanly_and_the_same_command_goes_on(season: Path, calm: dict[str, bytes]) -> None:
    import psutil

    # A busy machine may be through before the key is pressed: then once more, elsewhere.
    for attempt in range(6):
        out = season / f"stop{attempt}"
        command = [sys.executable, "-m", "geoflow.cli", "season", str(season / "catalog.csv"), "--out", str(out)]
        command += ["--workers", "1"]
        how = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True, "env": ENVIRONMENT}
        running = subprocess.Popen(command, start_new_session=True, **how)
        while running.poll() is None and not list(out.glob("records/*.json")):
            time.sleep(0.1)
        workers = psutil.Process(running.pid).children(recursive=True)
        # As a terminal does: to the whole group, the workers too.
        os.killpg(running.pid, signal.SIGINT)
        said, errors = running.communicate(timeout=120)
        if running.returncode != 1:
            break
    assert running.returncode == 130 and said == "", errors
    assert "Run the same command again" in errors and "Traceback" not in errors
    _, alive = psutil.wait_procs(workers, timeout=30)
    assert alive == []
    names = tree(out)
    assert not any(name.startswith((".parts", "summary")) for name in names)
    assert 1 <= sum(name.startswith("records/") for name in names) < FIELDS + 1
    again = subprocess.run(command, check=False, timeout=600, **how)
    assert again.returncode == 1 and "were there already" in again.stderr, again.stderr
    same(out, calm)


def test_a_field_that_kills_its_worker_is_a_row_and_harms_no_other(
    season: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Poison: `work` is replaced by one that ends its own process for one of the fields."""
    import season_poison

    from geoflow.season import running
    from geoflow.season.catalog import read_catalog
    from geoflow.season.store import Store
    from geoflow.season.summary import read_records

    monkeypatch.setattr(running, "work", season_poison.work)
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(ROOT / "tests"), str(ROOT)]))
    entries = read_catalog(str(season / "catalog.csv"), {}, "/")
    store = Store(str(tmp_path / "out"), "run")
    progress = running.run_season(entries, store, running.Running(workers=2, retries=2))
    records = {record["field"]: record for record in read_records(store, entries, progress.unrecorded)}
    poisoned = records.pop(season_poison.FIELD)
    assert "the worker died 3 times" in poisoned["error"]["what"] and poisoned["error"]["cure"]
    assert {name for name, record in records.items() if record["status"] == "failed"} == {"broken"}
    assert progress.done == progress.total == FIELDS + 1 and progress.deaths >= 3
    assert not list((tmp_path / "out" / "zones").glob(f"field={season_poison.FIELD}"))


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
def test_killed_workers_lose_and_double_nothing(tmp_path: Path) -> None:
    """A short slice of tests/campaigns/season_kills.py."""
    told = campaign(tmp_path, kills=3, fields=9, points=600, seed=7)
    assert told["workers_killed"] >= 3
