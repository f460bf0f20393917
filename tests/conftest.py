"""A run of all tests fails when an error of the package was never provoked; see docs/decisions/0012."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import errors_catalogue
import laws  # noqa: F401 - chooses how many examples of a law are tried
import pytest

from geoflow import errors
from geoflow.formats import bars, taskdata_xml

_PACKAGE = str(Path(errors.__file__).parent) + "/"
_MOST_PLACES, _MOST_WORDS = 12, 200
_made: dict[tuple[tuple[str, int], ...], set[str]] = {}
_bare: set[str] = set()
_crashed: list[str] = []


def _note(what: str) -> None:
    """Note from where in the package an error is being made."""
    frame, places = sys._getframe(2), []
    while frame is not None and len(places) < _MOST_PLACES:
        if frame.f_code.co_filename.startswith(_PACKAGE):
            places.append((frame.f_code.co_filename.removeprefix(_PACKAGE), frame.f_lineno))
        frame = frame.f_back
    if places:
        words = _made.setdefault(tuple(places), set())
        if len(words) < _MOST_WORDS:
            words.add(what)


def _watch() -> None:
    make, show = errors.GeoflowError.__init__, errors.GeoflowError.__str__
    make_problem = bars._Problem.__init__

    def made(self: errors.GeoflowError, what: str, **words: str) -> None:
        _note(what)
        make(self, what, **words)

    def made_problem(self: Any, place: str, what: str, cure: str) -> None:
        _note(what)
        make_problem(self, place, what, cure)

    def made_refusal(self: Exception, what: str, cure: str) -> None:
        _note(what)
        Exception.__init__(self, what, cure)

    def shown(self: errors.GeoflowError) -> str:
        printed = sys._getframe(1).f_code.co_filename == _PACKAGE + "cli/__init__.py"
        if printed and not (self.where and self.cure):
            _bare.add(f"{type(self).__name__}: {self.what}")
        return show(self)

    errors.GeoflowError.__init__ = made  # type: ignore[method-assign, assignment]
    errors.GeoflowError.__str__ = shown  # type: ignore[method-assign]
    bars._Problem.__init__ = made_problem  # type: ignore[method-assign]
    taskdata_xml._RefusedError.__init__ = made_refusal  # type: ignore[method-assign]


_watch()


def _all_tests(config: pytest.Config) -> bool:
    """Whether nothing was left out."""
    chosen = ("keyword", "markexpr", "deselect", "ignore", "ignore_glob", "lf", "collectonly")
    named = config.args_source is not pytest.Config.ArgsSource.TESTPATHS
    return not named and not any(config.getoption(name, None) for name in chosen)


def pytest_sessionstart(session: pytest.Session) -> None:
    """Read the source as it is now: it may be edited while the tests run."""
    if not hasattr(session.config, "workeroutput") and _all_tests(session.config):
        session.config.errors_listed = errors_catalogue.Source().entries()  # type: ignore[attr-defined]


def pytest_testnodedown(node: Any, error: Any) -> None:
    """Take what a worker saw."""
    if "errors_made" not in getattr(node, "workeroutput", {}):
        _crashed.append(str(error))
        return
    for places, words in node.workeroutput["errors_made"]:
        _made.setdefault(tuple((file, line) for file, line in places), set()).update(words)
    _bare.update(node.workeroutput["errors_bare"])


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    """Hand over what this worker saw, or judge what all saw."""
    if hasattr(session.config, "workeroutput"):
        session.config.workeroutput["errors_made"] = [
            ([list(place) for place in places], sorted(words)) for places, words in _made.items()
        ]
        session.config.workeroutput["errors_bare"] = sorted(_bare)
    elif not _crashed and (entries := getattr(session.config, "errors_listed", None)) is not None:
        made = [(places, what) for places, words in _made.items() for what in words]
        never, unlisted = errors_catalogue.judge(entries, made)
        session.config.errors_report = (never, unlisted, sorted(_bare))  # type: ignore[attr-defined]
        if (never or unlisted or _bare) and session.exitstatus == pytest.ExitCode.OK:
            session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: Any, config: pytest.Config) -> None:
    """Say which errors no test provoked."""
    never, unlisted, bare = getattr(config, "errors_report", ((), (), ()))
    write = terminalreporter.write_line
    if never:
        terminalreporter.section(f"{len(never)} errors that no test provoked")
        for entry in never:
            write(f"{entry.site}: {entry.kind}: {errors_catalogue.shown(entry.what)}")
        write("Provoke each in tests/test_errors.py, or delete it where no input can reach it.")
    if unlisted:
        terminalreporter.section("errors in words that tests/errors_catalogue.py did not find in the source")
        for text in unlisted:
            write(text)
    if bare:
        terminalreporter.section("errors printed without where or cure")
        for text in bare:
            write(text)
