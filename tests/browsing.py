"""A real browser and a real server for the tests of the page."""

from __future__ import annotations

import contextlib
import importlib.metadata
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = Path(os.environ.get("GEOFLOW_CHROMIUM", "/usr/bin/chromium"))
# Chromium asks home for updates and the like; none of that has a place in a test.
FLAGS = (
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"),
    *("--disable-component-update", "--disable-sync"),
)
ROOT = Path(__file__).parent.parent


def need(what: str) -> None:
    """Skip and say why; where a browser has to be there, fail."""
    if os.environ.get("GEOFLOW_NEED_CHROMIUM") == "1":
        pytest.fail(f"{what}, and GEOFLOW_NEED_CHROMIUM=1 asks for it")
    pytest.skip(f"{what}: the page is not tested here")


def need_page() -> None:
    """Skip, or fail where it has to be there, without the packages of the extra `page`."""
    for name in ("starlette", "uvicorn", "httpx", "XStatic-Leaflet"):
        try:
            importlib.metadata.distribution(name)
        except importlib.metadata.PackageNotFoundError:
            need(f"{name} is not installed")


@contextlib.contextmanager
def served(*more: str, folder: Path | None = None) -> Iterator[str]:
    """Run `geoflow page` as a user would and give its address."""
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    if folder is not None:
        environment["TMPDIR"] = str(folder)
    command = [sys.executable, "-m", "geoflow.cli", "page", "--port", "0", *more]
    with tempfile.TemporaryFile("w+") as said:
        process = subprocess.Popen(command, cwd=ROOT, env=environment, stdout=said, stderr=subprocess.STDOUT, text=True)
        try:
            yield _address(process, said)
        finally:
            process.terminate()
            process.wait(timeout=15)


def _address(process: Any, said: Any) -> str:
    text = ""
    for _ in range(300):
        said.seek(0)
        text = said.read()
        if "http://" in text and text.endswith("\n"):
            return str(text.split("The page is at ")[1].split("\n")[0])
        if process.poll() is not None:
            break
        time.sleep(0.1)
    raise AssertionError(f"geoflow page did not start: {text}")


@contextlib.contextmanager
def browser() -> Iterator[Any]:
    """Give a Chromium, or skip."""
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        need("Playwright is not installed")
    if not CHROMIUM.is_file():
        need(f"there is no {CHROMIUM}")
    with sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=str(CHROMIUM), headless=True, args=list(FLAGS))
        try:
            yield chromium
        finally:
            chromium.close()
