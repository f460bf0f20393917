"""Moving finished files into place, and clearing up after a run that was cut short at it.

Several files are exchanged in two steps: all the old ones out of the folder, then all the new ones in. So at no instant
is there an old one beside a new one, and what the hidden folder holds says what is still to be done.
"""

from __future__ import annotations

import contextlib
import errno
import logging
import os
import random
import re
import secrets
import shutil
import sqlite3
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from geoflow.base.errors import OutputError

__all__ = ["HIDDEN", "Staging", "out_of_place", "recover_interrupted", "sync", "sync_folder"]

_LOG: Final = logging.getLogger("geoflow")
HIDDEN: Final = re.compile(r"\.geoflow-[0-9a-f]{12}\.part")
"""Names of hidden folders for files that are not in place yet."""

# In a hidden folder: the new files; the same once all old ones are out; the old ones; and what is locked meanwhile.
_NEW, _READY, _OLD, _ALIVE = "new", "ready", "old", "alive"
_MAIN: Final = (".shp", ".xml")  # without these no program takes what is beside them for a whole
_PATIENCE: Final = 30.0  # seconds to wait for another run that is moving its files


def sync(path: Path, flags: int = os.O_RDWR) -> None:
    """Have a file written to the disk itself.

    Parameters
    ----------
    path : Path
        The file.
    flags : int
        How it is opened.
    """
    handle = os.open(path, flags)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_folder(folder: Path) -> None:
    """Have the names in a folder written to the disk itself, where the system can.

    Parameters
    ----------
    folder : Path
        The folder.
    """
    with contextlib.suppress(OSError):  # Windows cannot open a folder
        sync(folder, os.O_RDONLY)


def _lock(path: Path) -> sqlite3.Connection | None:
    """Lock a file until it is closed or this process ends; None where another has it, or the disk knows no locks.

    SQLite's own lock is the only one in the standard library that is the same on every system.
    """
    base = None
    try:
        base = sqlite3.connect(path, timeout=0.0, isolation_level=None, check_same_thread=False)
        base.execute("BEGIN EXCLUSIVE")
    except sqlite3.Error:
        if base is not None:
            base.close()
        return None
    return base


def _in_order(names: Iterable[str]) -> list[str]:
    """Names in the order in which they come; they go in the reverse of it."""
    return sorted(names, key=lambda name: (name.casefold().endswith(_MAIN), name))


def _names(folder: Path) -> list[str]:
    return [entry.name for entry in folder.iterdir()]


def _move(source: Path, target: Path) -> None:
    if os.path.lexists(target):
        raise FileExistsError(errno.EEXIST, "File exists", str(target))
    source.rename(target)


class Staging:
    """A hidden folder for files that are not in place yet, known as in use by a lock that dies with its process.

    Parameters
    ----------
    home : Path
        The folder it is made in.

    Attributes
    ----------
    path : Path
        The hidden folder.
    new : Path
        Where the new files are written.
    """

    def __init__(self, home: Path) -> None:
        self._unsettled = False
        for last in (False, True):
            self.path = home / f".geoflow-{secrets.token_hex(6)}.part"
            self.path.mkdir(0o700)
            self._alive = _lock(self.path / _ALIVE)
            if self._alive is not None or last:
                break
            shutil.rmtree(self.path, ignore_errors=True)  # another run has just taken it for a leftover
        self.new = self.path / _NEW
        try:
            self.new.mkdir()
        except BaseException:
            self.close()
            raise

    def begin_moves(self, folder: Path) -> None:
        """Wait until no other run moves files in a folder, and have the others wait from now until `close`.

        Parameters
        ----------
        folder : Path
            Where the new files belong.

        Raises
        ------
        OutputError
            If another run is at it for long, or one was cut short and cannot be cleared up after.
        """
        old, until = self.path / _OLD, time.monotonic() + _PATIENCE
        while True:
            recover_interrupted(folder)
            old.mkdir()  # said first and looked afterwards: of two runs at least one sees the other
            others = [hidden for hidden in _hidden(folder) if hidden != self.path and (hidden / _OLD).exists()]
            if not others:
                return
            old.rmdir()
            if time.monotonic() > until:
                raise OutputError(
                    "nothing was written: another run is writing into this folder",
                    where=str(folder),
                    cure=f"wait until it is done, and run again; if none is running, see what {others[0]} holds",
                )
            time.sleep(random.uniform(0.001, 0.01))

    def exchange(self, folder: Path, names: Iterable[str], leaving: Iterable[str]) -> None:
        """Move old files out of a folder and then new ones in; after an error or a kill all are old, or all are new.

        Parameters
        ----------
        folder : Path
            Where the files belong; the hidden folder lies in it.
        names, leaving : iterable of str
            The new files, and those there that go.

        Raises
        ------
        OSError
            If a move failed; then the old files are all back.
        OutputError
            If they could not be put back either; the next run tries again.
        """
        self._unsettled = True
        ready, old, came = self.path / _READY, self.path / _OLD, list[str]()
        try:
            for name in reversed(_in_order(leaving)):
                _move(folder / name, old / name)
            sync_folder(old)
            sync_folder(folder)
            self.new.rename(ready)
            sync_folder(self.path)
            for name in _in_order(names):
                _move(ready / name, folder / name)
                came.append(name)
            sync_folder(folder)
        except BaseException:
            self._take_back(folder, came)
            raise
        self._unsettled = False

    def _take_back(self, folder: Path, came: list[str]) -> None:
        ready, old = self.path / _READY, self.path / _OLD
        try:
            for name in reversed(came):
                _move(folder / name, ready / name)
            if ready.exists():
                ready.rename(self.new)  # from here on the old ones come back
            for name in _in_order(_names(old)):
                _move(old / name, folder / name)
            sync_folder(folder)
        except OSError as problem:
            raise OutputError(
                f"the new files could not be moved into place, nor the old ones back ({problem.strerror or problem}); "
                f"both are safe in {self.path.name}",
                where=str(folder),
                cure="mend what is wrong with the disk and run again: the next run ends it first",
            ) from problem
        self._unsettled = False

    def close(self) -> None:
        """Take the hidden folder away, unless it holds files that are still to be moved."""
        if not self._unsettled:
            _clear(self.path)  # as far as the lock lets it, so that nobody takes it for a leftover
        if self._alive is not None:
            self._alive.close()
            self._alive = None
        if not self._unsettled:
            _clear(self.path)


def _clear(hidden: Path) -> None:
    """Take a hidden folder away, old files first: what a kill leaves must not look like moves to take back."""
    shutil.rmtree(hidden / _OLD, ignore_errors=True)
    if not (hidden / _OLD).exists():
        shutil.rmtree(hidden, ignore_errors=True)


def _hidden(folder: Path) -> list[Path]:
    try:
        with os.scandir(folder) as entries:
            return sorted(
                Path(folder, entry.name)
                for entry in entries
                if HIDDEN.fullmatch(entry.name) and entry.is_dir(follow_symlinks=False)
            )
    except OSError:
        return []


def _is_ours(hidden: Path) -> bool:
    try:
        return not hasattr(os, "geteuid") or hidden.lstat().st_uid == os.geteuid()
    except FileNotFoundError:  # its run has just ended
        return False


def _to_move(hidden: Path) -> tuple[Path, list[str]]:
    """Where files lie that a run did not get to move, and their names: new ones to go in, or old ones to go back."""
    source = hidden / (_READY if (hidden / _READY).exists() else _OLD)
    return source, _in_order(_names(source)) if source.exists() else []


def out_of_place(folder: Path) -> dict[str, Path]:
    """Find files of a folder that a run was moving when it was cut short, or is moving now; nothing is touched.

    Parameters
    ----------
    folder : Path
        Where to look.

    Returns
    -------
    dict of str to Path
        Their names, and where they lie.
    """
    found: dict[str, Path] = {}
    for hidden in _hidden(folder):
        with contextlib.suppress(OSError):
            source, names = _to_move(hidden)
            found |= {name: source / name for name in names}
    return found


def recover_interrupted(folder: Path, *, moves: bool = True) -> None:
    """End what runs that were cut short left in a folder, clear it away, and say so in a warning.

    Parameters
    ----------
    folder : Path
        Where to look; nothing is done where it cannot be looked into.
    moves : bool
        Whether to end moves that were begun, besides clearing away files that were never moved.

    Raises
    ------
    OSError
        If a move fails.
    OutputError
        If something else stands now where a file belongs.
    """
    for hidden in filter(_is_ours, _hidden(folder)):
        alive = _lock(hidden / _ALIVE)
        if alive is None:
            continue
        try:
            settled = _recover(hidden, folder, moves=moves)
        finally:
            alive.close()
        if settled:
            _clear(hidden)


def _recover(hidden: Path, folder: Path, *, moves: bool) -> bool:
    """End the moves of a run that was cut short; whether nothing is left to be moved."""
    source, names = _to_move(hidden)
    said = f"geoflow: an earlier run was cut short and left unfinished files in {folder}; they are cleared away. "
    said += "What stands there is whole"
    if names and not moves:
        return False
    if taken := [name for name in names if os.path.lexists(folder / name)]:
        raise OutputError(
            f"an earlier run was cut short while it moved {', '.join(names)}, and {taken[0]} was written since",
            where=str(folder),
            cure=f"look whether the files there are as you want them, then delete the folder {hidden}; it holds the "
            "old files under old/ and new ones that were not in place yet under ready/",
        )
    for name in names:
        _move(source / name, folder / name)
    if names:
        sync_folder(folder)
        ended = "the new ones are all in place" if source.name == _READY else "the old ones are all back"
        said = f"geoflow: an earlier run was cut short while it moved {', '.join(names)} into {folder}; now {ended}"
    if names or any((hidden / part).exists() for part in (_NEW, _READY, _OLD)):
        _LOG.warning("%s", said)
    return True
