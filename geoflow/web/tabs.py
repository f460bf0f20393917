"""What each open tab of the page has loaded, kept in memory and apart from every other tab."""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from geoflow.errors import UsageError
from geoflow.web.uploads import Upload

if TYPE_CHECKING:
    from geoflow.web.tasks import Reading
    from geoflow.web.worker import Job
    from geoflow.window import FlowWindow

__all__ = ["Tab", "Tabs"]

_MOST_TABS: Final = 8
_MOST_BYTES: Final = 1024**3
_OLDEST: Final = 12 * 3600.0


@dataclass(eq=False)
class Tab:
    """One tab.

    Attributes
    ----------
    bar : Upload or None
        The bar file as text.
    files : tuple of Upload
        The prescription's, as sent.
    reading : Reading or None
        The prescription as read, with its verdicts for the plan last asked for.
    prepared : tuple or None
        Sections, and the window solved for them at every slider stop.
    results : dict of str to bytes
        The last zip made for download by each task.
    jobs : dict of str to Job
        The work under way: ``"asked"`` for by the reader, and ``"ahead"`` of the sliders.
    """

    used: float
    bar: Upload | None = None
    files: tuple[Upload, ...] = ()
    reading: Reading | None = None
    prepared: tuple[tuple[int, ...], FlowWindow] | None = None
    results: dict[str, bytes] = field(default_factory=dict)
    jobs: dict[str, Job] = field(default_factory=dict)
    lock: Any = field(default_factory=threading.Lock)

    @property
    def size(self) -> int:
        """Bytes of the files held."""
        held = (*self.files, *((self.bar,) if self.bar else ()))
        return sum(len(upload.content) for upload in held) + sum(map(len, self.results.values()))

    def close(self) -> None:
        """Stop its work and let go of what it holds."""
        for job in list(self.jobs.values()):
            job.stop()
        self.bar, self.files, self.reading, self.prepared = None, (), None, None
        self.results.clear()


class Tabs:
    """All open tabs by their secret tokens; the ones idle longest go first when room runs out.

    Parameters
    ----------
    clock : callable
        Gives seconds that only grow.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._tabs: dict[str, Tab] = {}
        self._lock = threading.Lock()

    def open(self) -> str:
        """Open a tab and return its token."""
        token = secrets.token_urlsafe(24)
        with self._lock:
            self._tabs[token] = Tab(self._clock())
            self._make_room(token)
        return token

    def find(self, token: str) -> Tab:
        """Return the tab of a token.

        Raises
        ------
        UsageError
            If there is none, or it was let go.
        """
        with self._lock:
            self._make_room(token)
            tab = self._tabs.get(token)
            if tab is None:
                raise UsageError(
                    "the page has let go of what this tab had loaded, for it was idle too long or too many were open",
                    where="this tab",
                    cure="reload the page and load the files again",
                )
            tab.used = self._clock()
            return tab

    def close(self, token: str) -> None:
        """Forget a tab."""
        with self._lock:
            tab = self._tabs.pop(token, None)
        if tab is not None:
            tab.close()

    def close_all(self) -> None:
        """Forget every tab."""
        for token in list(self._tabs):
            self.close(token)

    def __len__(self) -> int:
        return len(self._tabs)

    def _make_room(self, but: str) -> None:
        """Let go of tabs that are too old, then of the ones idle longest while there are too many or too large."""
        now = self._clock()
        order = sorted(self._tabs, key=lambda token: self._tabs[token].used)
        for token in order:
            too_many = len(self._tabs) > _MOST_TABS or sum(tab.size for tab in self._tabs.values()) > _MOST_BYTES
            if now - self._tabs[token].used > _OLDEST or (too_many and token != but):
                self._tabs.pop(token).close()
