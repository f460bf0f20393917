"""The columns of a catalog: the options of the single commands, one by one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from geoflow.options.table import OPTIONS, Option

__all__ = ["COLUMNS", "JOBS", "needed"]

_JOBS: Final = ("vet", "rewrite", "plan", "card", "reconcile")


def _columns() -> dict[str, Option]:
    """All options that say what a job's result is; where it goes and how it is shown is the season's own."""
    found: dict[str, Option] = {}
    for option in OPTIONS:
        jobs = tuple(job for job in _JOBS if job in option.commands)
        if jobs and option.kind != "output" and not option.presents:
            before = found.get(option.name)
            found[option.name] = replace(option, commands=(*(before.commands if before else ()), *jobs))
    return found


COLUMNS: Final[Mapping[str, Option]] = _columns()
"""Every column by its heading, with the jobs that know it as its commands."""

JOBS: Final[Mapping[str, tuple[str, ...]]] = {
    job: tuple(option.name for option in OPTIONS if job in option.required and option.name in COLUMNS) for job in _JOBS
}
"""Each job with the columns it cannot do without."""


def needed(job: str) -> str:
    """Return the column that holds a job's own file.

    Parameters
    ----------
    job : str
        One of `JOBS`.
    """
    return next(option.name for option in OPTIONS if job in option.commands and option.positional)
