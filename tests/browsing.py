"""A real browser and a real server for the tests of the page."""

from __future__ import annotations

import contextlib
import importlib.metadata
import io
import os
import re
import subprocess
import sys
import tempfile
import time
import zipfile
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
FIELDS = ROOT / "sample_fields"
KETTLE, LANTERN, LOG = FIELDS / "kettle_rise.geojson", FIELDS / "lantern_flat.shp", FIELDS / "lantern_flat_log.csv"
WREN, HERON = FIELDS / "wren.toml", FIELDS / "heron.toml"
LANTERN_PARTS = [FIELDS / f"lantern_flat{ending}" for ending in (".shp", ".shx", ".dbf", ".prj", ".cpg")]
WAIT = 60_000
NAMES = {
    "coldest": "Liquid in the tank, coldest",
    "warmest": "Liquid in the tank, warmest",
    "slowest": "Ground speed, slowest",
    "fastest": "Ground speed, fastest",
}
PLAN = {"coldest": "40", "warmest": "50", "slowest": "5", "fastest": "5"}


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


@contextlib.contextmanager
def held(page: Any, pattern: str) -> Iterator[None]:
    """Keep back what the page asks of an address inside the block, so that things happen in a known order."""
    kept: list[Any] = []
    holding = True
    page.route(pattern, lambda route: kept.append(route) if holding else route.fallback())
    try:
        yield
    finally:
        holding = False
        for route in kept:
            # What the page gave up meanwhile cannot be sent on.
            with contextlib.suppress(Exception):
                route.continue_()


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    need_page()
    with browser() as found:
        yield found


@pytest.fixture(scope="module")
def temporary(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("system-temporary")


@pytest.fixture(scope="module")
def address(chromium: Any, temporary: Path) -> Iterator[str]:
    with served(folder=temporary) as found:
        yield found


@pytest.fixture(scope="module")
def shots(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the screenshots go: looked at by a person after changes to the page."""
    folder = Path(os.environ.get("GEOFLOW_SHOTS") or tmp_path_factory.mktemp("shots"))
    folder.mkdir(exist_ok=True)
    return folder


@pytest.fixture
def complaints() -> list[str]:
    return []


@pytest.fixture(scope="module")
def complained() -> list[str]:
    """Complaints of a tab that the tests of a module share."""
    return []


@pytest.fixture
def context(chromium: Any, address: str, complaints: list[str]) -> Iterator[Any]:
    """A context in which any request off this machine fails the test."""
    with watched(chromium, address, complaints) as made:
        yield made


@contextlib.contextmanager
def watched(chromium: Any, address: str, complaints: list[str], **how: Any) -> Iterator[Any]:
    """A context in which any request off this machine, and whatever a script complains of, fails."""
    made = chromium.new_context(**({"viewport": {"width": 1280, "height": 900}, "accept_downloads": True} | how))

    def only_here(route: Any) -> None:
        if route.request.url.startswith(address):
            # What the page gave up meanwhile cannot be sent on.
            with contextlib.suppress(Exception):
                route.continue_()
        else:
            complaints.append(f"asked for {route.request.url}")
            route.abort()

    made.route("**/*", only_here)
    yield made
    made.close()
    assert complaints == []


def opened(context: Any, address: str, complaints: list[str]) -> Any:
    page = context.new_page()
    page.set_default_timeout(WAIT)
    page.on("pageerror", lambda problem: complaints.append(f"script: {problem}"))
    # Chromium notes every refused question on its console; that is no fault of the script.
    page.on(
        "console",
        lambda said: (
            complaints.append(said.text) if said.type == "error" and "status of 422" not in said.text else None
        ),
    )
    page.goto(address)
    page.wait_for_selector("body[data-ready]")
    return page


@pytest.fixture
def page(context: Any, address: str, complaints: list[str]) -> Any:
    return opened(context, address, complaints)


def choose_bar(page: Any, path: Path) -> None:
    page.set_input_files("#bar-file", path)
    page.locator("#bar-name", has_text=f"({path.name})").wait_for(timeout=WAIT)


def answer(page: Any, name: str, text: str) -> None:
    """Answer a question of the bar form, unfolding it where it is folded."""
    box = page.locator(f"#ask-{name}")
    box.evaluate("node => { const fold = node.closest('details'); if (fold) fold.open = true; }")
    box.locator("input[type=text]").fill(text)


def read_kettle(page: Any) -> None:
    choose_bar(page, WREN)
    page.set_input_files("#map-file", KETTLE)
    page.locator("#choices").wait_for(timeout=WAIT)
    page.select_option("#rate-column", "target")
    page.select_option("#rate-unit", "lb N/ac")
    page.click("#choices button[type=submit]")
    page.locator("#field").wait_for(timeout=WAIT)
    set_plan(page, **PLAN)


def read_lantern(page: Any, **plan: str) -> None:
    choose_bar(page, HERON)
    page.set_input_files("#map-file", [str(part) for part in LANTERN_PARTS])
    page.locator("#map-name", has_text="lantern_flat").wait_for(timeout=WAIT)
    set_plan(page, **(PLAN | plan))


def settled(page: Any) -> None:
    """Wait for the full answer of the plan as it stands."""
    for _ in range(2):
        page.wait_for_timeout(350)
        page.locator("body:not(.working)[data-exact=true]").wait_for(timeout=WAIT)


def set_plan(page: Any, **numbers: str) -> None:
    type_plan(page, **numbers)
    settled(page)


def go(page: Any, work: str) -> None:
    """Bring one of the works beside the map, as a person does."""
    page.click(f"#tab-{work}")


def policy(page: Any, name: str) -> Any:
    """What to keep in a rewriting, as it is ticked; tables of what came of it are called by the policy too."""
    return page.get_by_role("radio", name=re.compile(rf"^{name}\b"))


def type_plan(page: Any, **numbers: str) -> None:
    go(page, "day")
    for name, number in numbers.items():
        page.get_by_label(f"{NAMES[name]}, typed", exact=True).fill(number)


def unpacked(download: Any) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(Path(download.path()).read_bytes())) as archive:
        return {name: archive.read(name) for name in archive.namelist()}
