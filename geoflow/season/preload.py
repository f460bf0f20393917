"""What a local worker process does first: it leaves Ctrl-C to the process that started it."""

from __future__ import annotations

import signal
from typing import Any

__all__ = ["dask_setup"]


def dask_setup(worker: Any) -> None:
    """Let an interrupt typed at the terminal pass; the season itself stops its workers.

    Parameters
    ----------
    worker : distributed.Worker
        Not asked anything.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
