"""What is being done right now, told to whoever listens: the command line after two seconds, the page, a test."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from contextvars import ContextVar

__all__ = ["listening", "tell"]

_LISTENER: ContextVar[Callable[[str], None] | None] = ContextVar("_LISTENER", default=None)


def tell(step: str) -> None:
    """Say which step of the work begins; nothing happens where nobody listens.

    Parameters
    ----------
    step : str
        What a person would call it.
    """
    listener = _LISTENER.get()
    if listener is not None:
        listener(step)


@contextlib.contextmanager
def listening(listener: Callable[[str], None]) -> Iterator[None]:
    """Hand every step told inside to a listener.

    Parameters
    ----------
    listener : callable
        Given each step.
    """
    token = _LISTENER.set(listener)
    try:
        yield
    finally:
        _LISTENER.reset(token)
