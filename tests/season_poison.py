"""A field that ends the process of its worker, as one too large for the memory does; importable on workers."""

from __future__ import annotations

import os
import signal
from pathlib import Path

from geoflow.season.field import Done, Task
from geoflow.season.field import work as sound

__all__ = ["FIELD", "work"]

FIELD = "field_0003"


def work(task: Task) -> Done:
    if task.entry.field == FIELD:
        half = Path(task.out.place) / "zones" / task.entry.folder
        half.mkdir(parents=True, exist_ok=True)
        (half / "zones.parquet").write_bytes(b"half a file")
        os.kill(os.getpid(), signal.SIGKILL)
    return sound(task)
