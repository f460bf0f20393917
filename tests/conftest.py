"""A run of all tests holds docs/errors.md to what was said in it; see docs/decisions/0012."""

from __future__ import annotations

import importlib.util
import shutil
import signal
import sys
import threading
from typing import Any

import errors_table
import laws  # noqa: F401 - chooses how many examples of a law are tried
import pytest
import solved  # before anything takes the solver by its name
from browsing import address, chromium, complained, complaints, context, page, shots, temporary  # noqa: F401
from errors_table import Made

from geoflow.bar import bar_file as bars
from geoflow.base import errors
from geoflow.isoxml import xml as taskdata_xml

_PACKAGE = f"{errors_table.PACKAGE}/"
_MOST_PLACES, _MOST_WORDS = 12, 200
_EXTRAS = ("pyarrow", "starlette", "dask")  # without them their errors cannot be provoked
# A run started in the background is deaf to Ctrl-C, and so would be every program that its tests start and stop.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN and threading.current_thread() is threading.main_thread():
    signal.signal(signal.SIGINT, signal.default_int_handler)
_made: dict[tuple[tuple[str, int], ...], set[Made]] = {}
_bare: set[str] = set()
_crashed: list[str] = []
_runs: set[str] = set()


def _note(kind: str, what: str, where: str, cure: str) -> None:
    """Note an error that is being made, and from where in the package."""
    frame, places = sys._getframe(2), []
    while frame is not None and len(places) < _MOST_PLACES:
        if frame.f_code.co_filename.startswith(_PACKAGE):
            places.append((frame.f_code.co_filename.removeprefix(_PACKAGE), frame.f_lineno))
        frame = frame.f_back
    if places and len(said := _made.setdefault(tuple(places), set())) < _MOST_WORDS:
        said.add(Made(tuple(places), kind, *map(errors_table.flat, (what, where, cure))))


def _watch() -> None:
    make, show = errors.GeoflowError.__init__, errors.GeoflowError.__str__
    make_problem = bars._Problem.__init__

    def made(self: errors.GeoflowError, what: str, *, where: str = "", cure: str = "", **more: Any) -> None:
        _note(type(self).__name__, what, where, cure)
        make(self, what, where=where, cure=cure, **more)

    def made_problem(self: Any, place: str, what: str, cure: str) -> None:
        _note("BarError", what, place, cure)
        make_problem(self, place, what, cure)

    def made_refusal(self: Exception, what: str, cure: str) -> None:
        _note("PrescriptionError", what, "", cure)
        Exception.__init__(self, what, cure)

    def shown(self: errors.GeoflowError) -> str:
        printed = sys._getframe(1).f_code.co_filename == _PACKAGE + "cli/__init__.py"
        if printed and not (self.where and self.cure):
            _bare.add(f"{type(self).__name__}: {self.what}")
        return show(self)

    errors.GeoflowError.__init__ = made  # type: ignore[method-assign]
    errors.GeoflowError.__str__ = shown  # type: ignore[method-assign]
    bars._Problem.__init__ = made_problem  # type: ignore[method-assign]
    taskdata_xml._RefusedError.__init__ = made_refusal  # type: ignore[method-assign]


_watch()


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Keep tests of one module that go on in one tab of the browser as they are written, however all are shuffled."""
    places: dict[Any, list[int]] = {}
    for place, item in enumerate(items):
        if "chromium" in getattr(item, "fixturenames", ()):
            places.setdefault(item.path, []).append(place)
    for held in places.values():
        written = sorted((items[place] for place in held), key=lambda item: item.location[1] or 0)
        for place, item in zip(held, written, strict=True):
            items[place] = item


def _all_tests(config: pytest.Config) -> bool:
    """Whether nothing was left out."""
    chosen = ("keyword", "markexpr", "deselect", "ignore", "ignore_glob", "lf", "collectonly")
    named = config.args_source is not pytest.Config.ArgsSource.TESTPATHS
    whole = not named and not any(config.getoption(name, None) for name in chosen)
    return whole and all(importlib.util.find_spec(name) for name in _EXTRAS)


def pytest_sessionstart(session: pytest.Session) -> None:
    """Read the source as it is now: it may be edited while the tests run."""
    if not hasattr(session.config, "workeroutput") and _all_tests(session.config):
        session.config.errors_listed = errors_table.Table()  # type: ignore[attr-defined]


def pytest_testnodedown(node: Any, error: Any) -> None:
    """Take what a worker saw."""
    _runs.add(node.workerinput["testrunuid"])
    if "errors_made" not in getattr(node, "workeroutput", {}):
        _crashed.append(str(error))
        return
    for places, *words in node.workeroutput["errors_made"]:
        one = Made(tuple((file, line) for file, line in places), *words)
        _made.setdefault(one.places, set()).add(one)
    _bare.update(node.workeroutput["errors_bare"])


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    """Hand over what this worker saw, or judge what all saw."""
    for run in _runs:
        shutil.rmtree(solved.folder(run), ignore_errors=True)
    made = [one for said in _made.values() for one in said]
    if hasattr(session.config, "workeroutput"):
        session.config.workeroutput["errors_made"] = [
            ([list(place) for place in one.places], one.kind, one.what, one.where, one.cure) for one in made
        ]
        session.config.workeroutput["errors_bare"] = sorted(_bare)
    elif not _crashed and (table := getattr(session.config, "errors_listed", None)) is not None:
        report = table.judge(made) | {"Errors printed without where or cure": sorted(_bare)}
        session.config.errors_report = {head: lines for head, lines in report.items() if lines}  # type: ignore[attr-defined]
        if session.config.errors_report and session.exitstatus == pytest.ExitCode.OK:  # type: ignore[attr-defined]
            session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: Any, config: pytest.Config) -> None:
    """Say what the table lacks or has too much."""
    for head, lines in getattr(config, "errors_report", {}).items():
        terminalreporter.section(f"{len(lines)}: {head}")
        for line in lines:
            terminalreporter.write_line(line)
