"""geoflow on a system without what only POSIX has, and with another default encoding: as near as can be had to Windows.

Farm offices use Windows. These tests hide the modules and calls that it lacks, in a process of their own, and run the
main job there. What they cannot show: Windows' own paths, its locks on open files, its console.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

FIELDS = Path(__file__).parents[1] / "sample_fields"

# Modules and calls that Python for Windows does not have (its documentation marks each as "Availability: Unix").
# `getuid` stays: a library that we use chooses by `sys.platform` and asks for it here.
MODULES = ("fcntl", "grp", "posix_ipc", "pty", "pwd", "readline", "resource", "syslog", "termios", "tty")
CALLS = ("chown", "fork", "forkpty", "geteuid", "getegid", "killpg", "nice", "pread", "pwrite", "renameat2")

WITHOUT = f"""
import importlib.abc, os, signal, sys, warnings

class Absent(importlib.abc.MetaPathFinder):
    def find_spec(self, name, path=None, target=None):
        if name in {MODULES!r}:
            raise ModuleNotFoundError(f"No module named '{{name}}'", name=name)
        return None

for name in {MODULES!r}:
    sys.modules.pop(name, None)
sys.meta_path.insert(0, Absent())
for name in {CALLS!r}:
    if hasattr(os, name):
        delattr(os, name)
for name in ("SIGKILL", "SIGHUP", "SIGUSR1", "SIGALRM"):
    delattr(signal, name)
# A text file opened without saying how it is encoded would be read in the office's code page there.
warnings.filterwarnings("ignore", category=EncodingWarning)
warnings.filterwarnings("error", category=EncodingWarning, module=r"geoflow\\b")

from geoflow.cli import main
sys.exit(main(sys.argv[1:]))
"""


def run(*words: str | Path, input: str | None = None) -> subprocess.CompletedProcess[str]:
    options = ["-X", "warn_default_encoding", "-c", WITHOUT]
    return subprocess.run(
        [sys.executable, *options, *map(str, words)], input=input, capture_output=True, encoding="utf-8", timeout=300
    )


PLAN = ("--bar", FIELDS / "heron.toml", "--temperature", "38..46 degF")


def test_the_hidden_calls_are_hidden() -> None:
    code = WITHOUT.replace("from geoflow.cli import main\nsys.exit(main(sys.argv[1:]))", "import fcntl")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert "No module named 'fcntl'" in done.stderr
    code = WITHOUT.replace("from geoflow.cli import main\nsys.exit(main(sys.argv[1:]))", "os.fork()")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert "has no attribute 'fork'" in done.stderr


@pytest.mark.slow
def test_the_main_job_without_what_only_posix_has(tmp_path: Path) -> None:
    vetted = run("vet", FIELDS / "lantern_flat.shp", *PLAN, "--speed", "5 mph", "--out", tmp_path / "vetted")
    assert vetted.returncode == 0, vetted.stderr
    assert {"map.png", "window.png"} <= {path.name for path in (tmp_path / "vetted").iterdir()}
    # Into the same folder again: the old files make way whole.
    again = run(
        "vet", FIELDS / "lantern_flat.shp", *PLAN, "--speed", "5 mph", "--out", tmp_path / "vetted", "--replace"
    )
    assert again.returncode == 0, again.stderr
    rewritten = run(
        "rewrite", FIELDS / "lantern_flat.shp", *PLAN, "--speed", "7.5 mph", "--policy", "hold-speed",
        "--out", tmp_path / "rewritten.zip", "--json", tmp_path / "rewritten.json",
    )  # fmt: skip
    assert rewritten.returncode in (0, 1), rewritten.stderr
    assert json.loads((tmp_path / "rewritten.json").read_text(encoding="utf-8"))["zones"]
    reconciled = run(
        "reconcile", FIELDS / "lantern_flat_log.csv", "--target", FIELDS / "lantern_flat.shp",
        "--bar", FIELDS / "heron.toml", "--out", tmp_path / "reconciled",
    )  # fmt: skip
    assert reconciled.returncode == 1, reconciled.stderr  # the log of the sample tells of a plugged row
    assert (tmp_path / "reconciled" / "reconcile.json").exists()
    converted = run("convert", FIELDS / "lantern_flat.shp", "--out", tmp_path / "TASKDATA")
    assert converted.returncode == 0, converted.stderr
    assert not list(tmp_path.rglob("*.part"))


def test_an_error_without_what_only_posix_has(tmp_path: Path) -> None:
    refused = run("vet", tmp_path / "none.shp", *PLAN, "--speed", "5 mph")
    assert refused.returncode == 2
    assert "none.shp" in refused.stderr and "Traceback" not in refused.stderr
