"""Making sure that an input stays as it is while it is read."""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from geoflow.errors import GeoflowError, InputError
from geoflow.formats.journal import tidy
from geoflow.formats.output import family_of

__all__ = ["Steady", "steady"]

# Files up to this size are hashed too: two writes within one tick of the clock may leave the same time and size.
_HASHED: Final = 4 * 1024**2
_MOST_IN_FOLDER: Final = 1000  # files of task data looked at; the others by their number alone

_Look = tuple[int, int, int, bytes]


def _look(path: Path) -> _Look | None:
    """Size, time, inode and, of a small file, hash; None if there is no such file."""
    try:
        about = path.stat()
        digest = b""
        if path.is_file() and about.st_size <= _HASHED:
            digest = hashlib.blake2b(path.read_bytes(), digest_size=16).digest()
    except (OSError, ValueError):  # ValueError: a name no file can have
        return None
    return about.st_size, about.st_mtime_ns, about.st_ino, digest


def _files_of(path: Path) -> tuple[Path, ...]:
    """All files that reading `path` may read."""
    try:
        inside = sorted(path.iterdir())[:_MOST_IN_FOLDER] if path.is_dir() else []
    except OSError:
        inside = []
    return (*family_of(path), *inside)


@dataclass(frozen=True, slots=True)
class Steady:
    """What input files looked like when they were read.

    Attributes
    ----------
    looks : dict
        Of every file that may be read; None for those that are not there.
    """

    looks: dict[Path, _Look | None]

    @classmethod
    def of(cls, paths: Iterable[Path | str | None]) -> Steady:
        """Look at files, whole Shapefile families and folders; None stands for an input that was not given."""
        given = [Path(path) for path in paths if path is not None]
        return cls({file: _look(file) for path in given for file in _files_of(path)})

    def refuse_changes(self) -> None:
        """Look again.

        Raises
        ------
        InputError
            If a file is not what it was.
        """
        for path, before in self.looks.items():
            if _look(path) != before:
                raise InputError(
                    "the file changed while it was read, so nothing can be said for certain",
                    where=str(path),
                    cure="wait until the program that writes or copies it is done, and run again",
                )


@contextlib.contextmanager
def steady(*paths: Path | str | None) -> Iterator[Steady]:
    """Read files inside this block: they are refused if they change meanwhile, whatever else went wrong.

    Files of a set whose writing was cut short are completed first, or put back (`geoflow.formats.journal.tidy`).

    Parameters
    ----------
    *paths : Path, str or None
        Files, Shapefiles (for the whole family) or folders; None for those not given.

    Yields
    ------
    Steady
        For looking again later, as before something is written that rests on the files.

    Raises
    ------
    InputError
        If one of them changed.
    """
    for path in paths:
        if path is not None:
            tidy(Path(path).parent, leftovers=False, about=Path(path).name)
            if Path(path).is_dir():
                tidy(Path(path), leftovers=False)
    held = Steady.of(paths)
    try:
        yield held
    except (GeoflowError, OSError, ValueError):
        held.refuse_changes()
        raise
    held.refuse_changes()
