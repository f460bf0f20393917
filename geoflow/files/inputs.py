"""Which files make up one input, and whether they changed: the one answer for all who read, guard, copy or hash them.

A Shapefile is a family of files, a raster may have its place beside it, and task data are a folder. Names count in
whatever capitals they are written.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fnmatch import fnmatchcase
from glob import escape
from itertools import islice
from pathlib import Path
from typing import Any, Final

from geoflow.base.errors import GeoflowError, InputError
from geoflow.base.subject import called

__all__ = ["COMPANIONS", "HIDDEN", "READY", "InputSnapshot", "beside", "files_of", "is_companion", "watching"]

_INDEX_OF_A_COLUMN: Final = ".*.atx"  # of a Shapefile, as in field.rate.atx
COMPANIONS: Final[dict[str, tuple[str, ...]]] = {
    ".shp": (  # the first ones are what it is usually copied with
        *(".shx", ".dbf", ".prj", ".cpg", ".qix", ".sbn", ".sbx", ".shp.xml"),
        *(".cst", ".qpj", ".fbn", ".fbx", ".ain", ".aih", ".ixs", ".mxs", ".dbt", ".fpt", ".qml", ".qmd", ".sld"),
        *(".idm", ".ind", ".mdx", ".cdx", ".ndx"),
    ),
    ".tif": (".tfw", ".prj", ".tif.aux.xml", ".tif.ovr", ".tif.msk"),
    ".tiff": (".tfw", ".prj", ".tiff.aux.xml", ".tiff.ovr", ".tiff.msk"),
    ".gpkg": (".gpkg-wal", ".gpkg-journal"),
}
"""Endings, after its name without its own, of the files that may belong to a main file; by its ending."""

HIDDEN: Final = f".geoflow-{'[0-9a-f]' * 12}.part"
"""Pattern of the names of hidden folders, where outputs wait."""
READY: Final = "ready"
"""Folder in a hidden one with files that have only to be moved."""

# Files up to this size are hashed too: two writes within one tick of the clock may leave the same time and size.
_HASHED: Final = 4 * 1024**2
_MOST_IN_FOLDER: Final = 1000  # files of task data looked at


def is_companion(name: str) -> bool:
    """Whether a file of this name only ever comes along with another one.

    Parameters
    ----------
    name : str
        Without folder.
    """
    return name.casefold().endswith(tuple({end for ends in COMPANIONS.values() for end in ends}))


def beside(path: Path) -> list[Path]:
    """Return what lies beside a file and belongs to it, files or not, in whatever capitals, in order of name.

    Parameters
    ----------
    path : Path
        The main file. Where one of its kind differs from it in capitals only, what bears its very name is its own.
    """
    stem, ending = path.stem, path.suffix.casefold()
    known = COMPANIONS.get(ending, ())
    try:
        there = sorted(path.parent.iterdir()) if known else []
    except (OSError, ValueError):  # ValueError: a name no file can have
        return []
    others = {one.stem for one in there if one.suffix.casefold() == ending and one.stem != stem}
    found = []
    for one in there:
        own, tail = one.name[: len(stem)], one.name[len(stem) :].casefold()
        ours = own.casefold() == stem.casefold() and own not in others
        if ours and (tail in known or (ending == ".shp" and fnmatchcase(tail, _INDEX_OF_A_COLUMN))):
            found.append(one)
    return found


def _inside(folder: Path) -> Iterator[Path]:
    """Files of a folder and those in it, in order, but for those of a run that is writing there."""
    for home, folders, names in os.walk(folder):
        folders[:] = sorted(name for name in folders if not fnmatchcase(name, HIDDEN))
        yield from (path for name in sorted(names) if (path := Path(home, name)).is_file())


def files_of(path: Path, most: int | None = None) -> list[Path]:
    """List the files an input is made of: itself and its companions, or all that are in its folder.

    Parameters
    ----------
    path : Path
        A file or folder; nothing is listed where there is none.
    most : int, optional
        Stop after so many files of a folder.
    """
    try:
        if path.is_dir() or (path.suffix.casefold() == ".xml" and path.is_file()):  # task data speak of others beside
            return list(islice(_inside(path if path.is_dir() else path.parent), most))
        return [path, *filter(Path.is_file, beside(path))] if path.is_file() else []
    except (OSError, ValueError):
        return []


def _look(path: Path) -> tuple[int, int, int, bytes] | None:
    """Size, time, inode and, of a small file, hash; None if there is no such file."""
    try:
        about = path.stat()
        small = path.is_file() and about.st_size <= _HASHED
        digest = hashlib.blake2b(path.read_bytes() if small else b"", digest_size=16).digest()
    except (OSError, ValueError):
        return None
    return about.st_size, about.st_mtime_ns, about.st_ino, digest


@dataclass(frozen=True, slots=True)
class InputSnapshot:
    """What input files looked like when they were read.

    Attributes
    ----------
    given : tuple of Path
        The inputs.
    seen : dict
        Of every file they are made of; None for those that are not there.
    """

    given: tuple[Path, ...]
    seen: dict[Path, tuple[int, int, int, bytes] | None]

    @classmethod
    def of(cls, paths: Iterable[Path | str | None]) -> InputSnapshot:
        """Look at files, whole families and folders; None stands for an input that was not given.

        Parameters
        ----------
        paths : iterable of Path, str or None
            The inputs.
        """
        given = tuple(Path(path) for path in paths if path is not None)
        files = {file for path in given for file in (path, *files_of(path, _MOST_IN_FOLDER)) if not file.is_dir()}
        return cls(given, {file: _look(file) for file in sorted(files)})

    def refuse_changes(self) -> None:
        """Look again.

        Raises
        ------
        InputError
            If a file is not what it was, or one appeared that belongs to an input.
        """
        newer = (file for path in self.given for file in beside(path) if file.is_file() and file not in self.seen)
        changed = (path for path, before in self.seen.items() if _look(path) != before)
        for path in (*changed, *newer):
            raise InputError(
                "the file changed while it was read, so nothing can be said for certain",
                where=called(path),
                cure="wait until the program that writes or copies it is done, and run again",
            )


@contextlib.contextmanager
def watching(*inputs: Any) -> Iterator[InputSnapshot]:
    """Read files inside this block: they are refused if they change meanwhile, whatever else went wrong.

    Parameters
    ----------
    *inputs : Path, str or None
        Files, Shapefiles (for the whole family) or folders; anything else, as None or a table in memory, is no file.

    Yields
    ------
    InputSnapshot
        For looking again before something is written that rests on the files.

    Raises
    ------
    InputError
        If one of them changed, or is not in its place.
    """
    paths = [Path(one) for one in inputs if isinstance(one, str | os.PathLike)]
    for path in paths:
        lying = [] if path.exists() else [*path.parent.glob(f"{HIDDEN}/{READY}/{escape(path.name)}")]
        for file in (*lying, *path.glob(f"{HIDDEN}/{READY}/*")):
            raise InputError(
                "a run that writes this was cut short or is at it, and the file is not in its place",
                where=called(path / file.name if path.is_dir() else path),
                cure="wait until it is done; if none is running, let geoflow write into that folder again: that puts "
                f"in place first what lies in {file.parent.parent}",
            )
    held = InputSnapshot.of(paths)
    try:
        yield held
    except (GeoflowError, OSError, ValueError):
        held.refuse_changes()
        raise
    held.refuse_changes()
