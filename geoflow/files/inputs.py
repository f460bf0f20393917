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
from itertools import islice
from pathlib import Path, PurePath
from typing import Any, Final

from geoflow.base.errors import GeoflowError, InputError
from geoflow.base.subject import called
from geoflow.files.staging import HIDDEN, out_of_place

__all__ = [
    "COMPANIONS",
    "InputSnapshot",
    "beside",
    "companions",
    "files_of",
    "is_companion",
    "likely_companions",
    "watching",
]

# Endings after the main file's name without its own; the first ones are what a Shapefile is usually copied with.
_SHAPEFILE: Final = (
    *(".shx", ".dbf", ".prj", ".cpg", ".qix", ".sbn", ".sbx", ".shp.xml"),
    *(".cst", ".qpj", ".fbn", ".fbx", ".ain", ".aih", ".ixs", ".mxs", ".dbt", ".fpt", ".qml", ".qmd", ".sld"),
    *(".idm", ".ind", ".mdx", ".cdx", ".ndx"),
)
_INDEX_OF_A_COLUMN: Final = ".atx"  # as in field.rate.atx
COMPANIONS: Final[dict[str, tuple[str, ...]]] = {
    ".shp": _SHAPEFILE,
    ".tif": (".tfw", ".prj", ".tif.aux.xml", ".tif.ovr", ".tif.msk"),
    ".tiff": (".tfw", ".prj", ".tiff.aux.xml", ".tiff.ovr", ".tiff.msk"),
    ".gpkg": (".gpkg-wal", ".gpkg-journal"),
}
"""Endings of the files that may belong to a main file, by its own ending."""

_FOLDER_OF: Final = ".xml"  # task data: the file speaks of others beside it
# Files up to this size are hashed too: two writes within one tick of the clock may leave the same time and size.
_HASHED: Final = 4 * 1024**2
_MOST_IN_FOLDER: Final = 1000  # files of task data looked at


def _split(name: str) -> tuple[str, str]:
    ending = PurePath(name).suffix
    return name.removesuffix(ending), ending.casefold()


def companions(main: str, names: Iterable[str]) -> list[str]:
    """Return the names that belong to a main file, in whatever capitals, in the order given.

    Parameters
    ----------
    main : str
        Name of a file, without its folder.
    names : iterable of str
        All names in that folder. Where a file of the same kind differs from `main` in capitals only, what bears its
        very name is its own.
    """
    stem, ending = _split(main)
    if ending not in COMPANIONS:
        return []
    known = COMPANIONS[ending]
    every = list(names)
    others = {own for own, kind in map(_split, every) if kind == ending and own != stem}
    found = []
    for name in every:
        own, tail = name[: len(stem)], name[len(stem) :].casefold()
        ours = own.casefold() == stem.casefold() and own not in others
        if ours and (tail in known or (ending == ".shp" and tail[:1] == "." and tail.endswith(_INDEX_OF_A_COLUMN))):
            found.append(name)
    return found


def is_companion(name: str) -> bool:
    """Whether a file of this name only ever comes along with another one.

    Parameters
    ----------
    name : str
        Without folder.
    """
    return name.casefold().endswith(tuple({end for ends in COMPANIONS.values() for end in ends}))


def likely_companions(main: str) -> list[str]:
    """Names that files beside a main file may have, for places that cannot be listed: in small and capital letters.

    Parameters
    ----------
    main : str
        Name of the main file, without folder.
    """
    stem, ending = _split(main)
    return [stem + form for end in COMPANIONS.get(ending, ()) for form in (end, end.upper())]


def beside(path: Path) -> list[Path]:
    """Return what lies beside a file and belongs to it, files or not, in order of name.

    Parameters
    ----------
    path : Path
        The main file.
    """
    try:
        names = sorted(entry.name for entry in path.parent.iterdir()) if path.suffix.casefold() in COMPANIONS else []
    except (OSError, ValueError):  # ValueError: a name no file can have
        return []
    return [path.with_name(name) for name in companions(path.name, names)]


def _inside(folder: Path) -> Iterator[Path]:
    """Files of a folder and those in it, in order, but for those of a run that is writing there."""
    for home, folders, names in os.walk(folder):
        folders[:] = sorted(name for name in folders if not HIDDEN.fullmatch(name))
        yield from (path for name in sorted(names) if (path := Path(home, name)).is_file())


def _is_folder_of(path: Path) -> Path | None:
    if path.is_dir():
        return path
    return path.parent if path.suffix.casefold() == _FOLDER_OF and path.is_file() else None


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
        folder = _is_folder_of(path)
        if folder is not None:
            return list(islice(_inside(folder), most))
        return [path, *(other for other in beside(path) if other.is_file())] if path.is_file() else []
    except (OSError, ValueError):
        return []


_Look = tuple[int, int, int, bytes]


def _look(path: Path) -> _Look | None:
    """Size, time, inode and, of a small file, hash; None if there is no such file."""
    try:
        about = path.stat()
        digest = b""
        if path.is_file() and about.st_size <= _HASHED:
            digest = hashlib.blake2b(path.read_bytes(), digest_size=16).digest()
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
    seen: dict[Path, _Look | None]

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


def _refuse_out_of_place(path: Path) -> None:
    away = out_of_place(path.parent)
    lying = away.get(path.name) if not path.exists() else next(iter(out_of_place(path).values()), None)
    if lying is not None:
        raise InputError(
            "a run that writes this was cut short or is at it, and the file is not in its place",
            where=called(path / lying.name if path.is_dir() else path),
            cure="wait until it is done; if none is running, let geoflow write into that folder again: that puts in "
            f"place first what lies in {lying.parent.parent}",
        )


@contextlib.contextmanager
def watching(*inputs: Any) -> Iterator[InputSnapshot]:
    """Read files inside this block: they are refused if they change meanwhile, whatever else went wrong.

    Nothing is written: where a run was cut short while it moved the files, that is said.

    Parameters
    ----------
    *inputs : Path, str or None
        Files, Shapefiles (for the whole family) or folders; anything else, as None or a table in memory, is no file.

    Yields
    ------
    InputSnapshot
        For looking again later, as before something is written that rests on the files.

    Raises
    ------
    InputError
        If one of them changed, or is not in its place.
    """
    paths = [Path(one) for one in inputs if isinstance(one, str | os.PathLike)]
    for path in paths:
        _refuse_out_of_place(path)
    held = InputSnapshot.of(paths)
    try:
        yield held
    except (GeoflowError, OSError, ValueError):
        held.refuse_changes()
        raise
    held.refuse_changes()
