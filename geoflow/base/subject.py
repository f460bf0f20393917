"""What is being read, as its messages call it: said once by whoever asks for the reading, used by every reader below.

The same readers read prescriptions, target maps, boundaries and logs. Their errors and notes speak of the thing at hand
and name the options that belong to it.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Mapping
from contextvars import ContextVar
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Final

from geoflow.base.errors import GeoflowError, LogError, PrescriptionError

__all__ = [
    "BOUNDARY",
    "LOG",
    "PRESCRIPTION",
    "TARGET",
    "TO_CONVERT",
    "Subject",
    "called",
    "copies",
    "reading",
    "subject",
    "typed",
]


@dataclass(frozen=True, slots=True)
class Subject:
    """A kind of thing that is read.

    Attributes
    ----------
    name : str
        What it is called.
    part : str
        What one of its rows is called; several with an s.
    formats : str
        What can be given in its place.
    prefix : str
        Stands before the name of each of its options.
    lacks : frozenset of str
        Options that others have and this one does not, without prefix.
    error : type
        What its readers raise.
    """

    name: str
    part: str
    formats: str
    prefix: str = ""
    lacks: frozenset[str] = frozenset()
    error: type[GeoflowError] = PrescriptionError


_ZONES: Final = "a .shp, .geojson, .gpkg or .fgb (also zipped), a .parquet or a .tif"
_LOGS: Final = "a .csv, .shp, .zip with one, .geojson, .gpkg, .parquet or a TASKDATA folder (also zipped)"

PRESCRIPTION: Final = Subject("prescription", "zone", _ZONES, lacks=frozenset({"nitrogen"}))
TO_CONVERT: Final = Subject("prescription", "zone", _ZONES)
TARGET: Final = Subject("prescription", "zone", _ZONES, "target-")
BOUNDARY: Final = Subject(
    "boundary",
    "polygon",
    "a .shp, .geojson, .gpkg or .fgb (also zipped)",
    "boundary-",
    frozenset({"swap-axes", "layer"}),
)
LOG: Final = Subject("log", "record", _LOGS, error=LogError)

_COPIES: Final[ContextVar[Mapping[Path, str]]] = ContextVar("folders of copies", default=MappingProxyType({}))
_READ: Final[ContextVar[Subject]] = ContextVar("what is read", default=PRESCRIPTION)


def subject() -> Subject:
    """Return what is being read; a prescription, where nobody said otherwise."""
    return _READ.get()


def typed(name: str) -> str:
    """Name an option of what is being read.

    Parameters
    ----------
    name : str
        Without dashes in front and without prefix.

    Returns
    -------
    str
        As it is typed: ``--target-crs``.
    """
    return f"--{_READ.get().prefix}{name}"


@contextlib.contextmanager
def reading(what: Subject) -> Iterator[None]:
    """Read something inside this block: messages speak of it.

    Parameters
    ----------
    what : Subject
        What is read.

    Raises
    ------
    GeoflowError
        As `what.error`, whatever readers shared with prescriptions refuse.
    """
    before = _READ.set(what)
    try:
        yield
    except PrescriptionError as problem:
        if isinstance(problem, what.error):
            raise
        raise what.error(problem.what, where=problem.where, cure=problem.cure) from problem
    finally:
        _READ.reset(before)


def called(given: object) -> str:
    """Say how people call an input: a file by its path, a copy by where it came from, a table by what it is.

    Parameters
    ----------
    given : Path, str or object
        A file or folder, what was read of one, or a table in memory.
    """
    named = (given, getattr(given, "path", None), getattr(given, "name", None))
    text = next((os.fspath(one) for one in named if isinstance(one, str | os.PathLike)), "the table given")
    for folder, place in _COPIES.get().items():
        if Path(text).is_relative_to(folder):
            return f"{place}/{Path(text).relative_to(folder).as_posix()}"
    return text


@contextlib.contextmanager
def copies(places: Mapping[Path, str]) -> Iterator[None]:
    """Read copies inside this block: messages and documents name what they were copied from.

    Parameters
    ----------
    places : mapping of Path to str
        Folder of copies to where its files came from; may grow inside the block.
    """
    before = _COPIES.set(places)
    try:
        yield
    finally:
        _COPIES.reset(before)
