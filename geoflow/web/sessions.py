"""What each open tab of the page has loaded, kept in memory and apart from every other tab."""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from geoflow.base.errors import UsageError
from geoflow.web.state import State

if TYPE_CHECKING:
    from geoflow.web.worker import Job

__all__ = ["LetGoError", "Session", "Sessions", "Turn"]

_MOST_TABS: Final = 8
_MOST_BYTES: Final = 1024**3
_OLDEST: Final = 12 * 3600.0


class LetGoError(UsageError):
    """The tab that asks is not open any more."""


class Turn:
    """Work a tab asked for: perhaps still waiting, perhaps with a job under way.

    Parameters
    ----------
    task : str
        Key of `tasks.TASKS`.
    """

    def __init__(self, task: str) -> None:
        self.task = task
        self.job: Job | None = None
        self.stopped = False

    def stop(self) -> None:
        """End it now, or before it begins."""
        self.stopped = True
        if self.job is not None:
            self.job.stop()


@dataclass(eq=False)
class Session:
    """One tab.

    Attributes
    ----------
    state : State
        What is open, and what was made of it.
    at_work : dict of str to Turn
        The work under way: ``"asked"`` for by the reader, and ``"ahead"`` of the sliders.
    """

    used: float
    state: State = field(default_factory=State)
    at_work: dict[str, Turn] = field(default_factory=dict)

    def close(self) -> None:
        """Stop its work and let go of what it holds."""
        for turn in list(self.at_work.values()):
            turn.stop()
        self.state.clear()


class Sessions:
    """All open tabs by their secret tokens; the ones idle longest go first when room runs out.

    Parameters
    ----------
    clock : callable
        Gives seconds that only grow.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._tabs: dict[str, Session] = {}
        self._lock = threading.Lock()

    def open(self) -> str:
        """Open a tab and return its token."""
        token = secrets.token_urlsafe(24)
        with self._lock:
            self._tabs[token] = Session(self._clock())
            self._make_room(token)
        return token

    def find(self, token: str) -> Session:
        """Return the tab of a token.

        Parameters
        ----------
        token : str
            The tab's.

        Raises
        ------
        LetGoError
            If there is none, or it was let go.
        """
        with self._lock:
            self._make_room(token)
            tab = self._tabs.get(token)
            if tab is None:
                raise LetGoError(
                    "the page has let go of what this tab had loaded, for it was idle too long or too many were open",
                    where="this tab",
                    cure="reload the page and load the files again",
                )
            tab.used = self._clock()
            return tab

    def close(self, token: str) -> None:
        """Forget a tab.

        Parameters
        ----------
        token : str
            The tab's.
        """
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
            too_many = len(self._tabs) > _MOST_TABS or sum(tab.state.size for tab in self._tabs.values()) > _MOST_BYTES
            if now - self._tabs[token].used > _OLDEST or (too_many and token != but):
                self._tabs.pop(token).close()
