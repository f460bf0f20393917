"""Moving finished files into place: in one stroke where the system can, else under a journal that the next run ends."""

from __future__ import annotations

import contextlib
import json
import logging
import os
import re
import secrets
import shutil
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from geoflow.base.errors import OutputError

__all__ = ["HIDDEN", "Staging", "exchange_folders", "locked", "move_in", "sync", "sync_folder", "tidy"]

_LOG: Final = logging.getLogger("geoflow")
HIDDEN: Final = re.compile(r"\.geoflow-[0-9a-f]{12}\.part")
_FORWARD, _BACK, _EXCHANGE, _ALIVE = "forward.json", "back.json", "exchange", "alive"
_PATIENCE: Final = 30.0  # seconds to wait for another run that is moving its files
_CLOCK_STEP: Final = 2_000_000_000  # of the coarsest file system in use (FAT) [ns]
_AT_FDCWD, _RENAME_EXCHANGE = -100, 2  # renameat2(2)


def sync(path: Path, flags: int = os.O_RDWR) -> None:
    """Have a file written to the disk itself."""
    handle = os.open(path, flags)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_folder(folder: Path) -> None:
    """Have the names in a folder written to the disk itself, where the system can."""
    with contextlib.suppress(OSError):  # Windows cannot open a folder
        sync(folder, os.O_RDONLY)


def _try_lock(handle: int) -> bool | None:
    """Lock an open file or folder until it is closed: whether it could be, or None where the system knows no locks."""
    if sys.platform == "win32":
        import msvcrt

        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True
    import fcntl

    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:  # some network disks lock no folders
        return None
    return True


@contextlib.contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold a folder for the moves of this run alone; where the system knows no locks, hope.

    Raises
    ------
    OutputError
        If another run holds it for long.
    """
    until = time.monotonic() + _PATIENCE
    while True:
        try:
            handle = os.open(folder, os.O_RDONLY)
        except OSError:
            break  # a folder that cannot be opened says so itself when it is written to
        try:
            held = _try_lock(handle)
            # Whoever held it may have put another folder under its name.
            if held is not False and os.path.samestat(os.fstat(handle), folder.stat()):
                yield
                return
        finally:
            os.close(handle)
        if time.monotonic() > until:
            raise OutputError(
                "nothing was written: another run is writing into this folder",
                where=str(folder),
                cure="wait until it is done, and run again",
            )
        time.sleep(0.01)
    yield


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
    """

    def __init__(self, home: Path) -> None:
        self.path = home / f".geoflow-{secrets.token_hex(6)}.part"
        self._alive: int | None = None
        with locked(home):  # else another run might tidy it away before it is marked as in use
            self.path.mkdir(0o700)
            try:
                self._alive = os.open(self.path / _ALIVE, os.O_RDWR | os.O_CREAT, 0o600)
                _try_lock(self._alive)
                self.new.mkdir()
            except BaseException:
                self.close()
                raise

    @property
    def new(self) -> Path:
        """Where the new files are written."""
        return self.path / "new"

    def move_to(self, home: Path) -> None:
        """Move the hidden folder itself into another folder of the same disk."""
        self.path = self.path.rename(home / self.path.name)

    def close(self) -> None:
        """Take the hidden folder away, unless it holds moves that are still to be ended."""
        if not any((self.path / name).exists() for name in (_FORWARD, _BACK)):
            shutil.rmtree(self.path, ignore_errors=True)
        if self._alive is not None:
            os.close(self._alive)
            self._alive = None


def exchange_folders(staging: Staging, folder: Path) -> bool:
    """Put the staged folder in the place of another in one stroke; whether the system could."""
    try:
        import ctypes

        rename = ctypes.CDLL(None, use_errno=True).renameat2
    except (ImportError, OSError, AttributeError, TypeError):  # not Linux
        return False
    (staging.path / _EXCHANGE).write_text(str(staging.new.stat().st_ino))
    done = rename(_AT_FDCWD, os.fsencode(staging.new), _AT_FDCWD, os.fsencode(folder), _RENAME_EXCHANGE)
    return bool(done == 0)


# --- the journal -----------------------------------------------------------------------------------------------------

_Stamp = tuple[int, int]
"""Size [bytes] and time of the last change [ns]: they stay with a file that is moved."""


@dataclass(frozen=True, slots=True)
class _Moves:
    """What is to be moved: new files with their stamps, old files with theirs, and old files that have to go."""

    new: dict[str, _Stamp]
    old: dict[str, _Stamp]
    stale: tuple[str, ...]

    @property
    def order(self) -> list[str]:
        """Names with a Shapefile's .shp last: without it no program takes the rest for a whole."""
        return sorted(self.new, key=lambda name: (_is_main(name), name))

    @classmethod
    def read(cls, path: Path) -> _Moves:
        """Read a journal; ValueError if it is none."""
        try:
            held: Any = json.loads(path.read_text(encoding="utf-8"))
            new, old = ({str(k): (int(a), int(b)) for k, (a, b) in held[part].items()} for part in ("new", "old"))
            stale = tuple(str(name) for name in held["stale"])
        except (KeyError, TypeError, AttributeError, RecursionError) as problem:
            raise ValueError("no journal") from problem
        if any(Path(name).name != name or name in {"", ".", ".."} for name in (*new, *old, *stale)):
            raise ValueError("no file names")
        return cls(new, old, stale)

    def write(self, path: Path) -> None:
        """Write a journal whole."""
        draft = path.with_suffix(".draft")
        draft.write_text(json.dumps({"new": self.new, "old": self.old, "stale": self.stale}), encoding="utf-8")
        sync(draft)
        draft.replace(path)
        sync_folder(path.parent)


def _is_main(name: str) -> bool:
    return name.casefold().endswith(".shp")


def _is_there(path: Path) -> bool:
    return os.path.lexists(path)


def _stamp(path: Path) -> _Stamp | None:
    try:
        about = path.lstat()
    except FileNotFoundError:
        return None
    return about.st_size, about.st_mtime_ns


def _alike(one: _Stamp | None, other: _Stamp | None) -> bool:
    if one is None or other is None:
        return one is other
    return one[0] == other[0] and abs(one[1] - other[1]) <= _CLOCK_STEP


def move_in(staging: Staging, folder: Path, names: list[str], stale: list[str]) -> None:
    """Move several files into a folder that holds others; after an error or a kill all are old, or all are new.

    The staging lies in the folder itself, and its files are on the disk. The caller holds the folder.

    Parameters
    ----------
    staging : Staging
        Holds the new files.
    folder : Path
        Where they belong.
    names, stale : list of str
        What is moved in, and what goes.

    Raises
    ------
    OSError
        If a move failed; then the old files are all back.
    OutputError
        If they could not be put back either; the next run tries again.
    """
    kept = staging.path / "old"
    kept.mkdir()
    old: dict[str, _Stamp] = {}
    for name in (*names, *stale):
        target = folder / name
        if (stamp := _stamp(target)) is not None:
            old[name] = stamp
            try:
                os.link(target, kept / name, follow_symlinks=False)
            except OSError:  # disks without hard links
                shutil.copy2(target, kept / name, follow_symlinks=False)
                if not (kept / name).is_symlink():
                    sync(kept / name)
    for inner in (staging.new, kept):
        sync_folder(inner)
    new = {name: stamp for name in names if (stamp := _stamp(staging.new / name)) is not None}
    moves = _Moves(new, old, tuple(stale))
    moves.write(staging.path / _FORWARD)
    _end(staging.path, folder, moves)


def _end(hidden: Path, folder: Path, moves: _Moves) -> None:
    """Do what is left of the moves, or take them all back and raise the OSError that stopped them."""
    if not (hidden / _BACK).exists():
        try:
            _forward(hidden, folder, moves)
            return
        except BaseException:
            _take_back(hidden, folder, moves)
            raise
    _take_back(hidden, folder, moves)


def _forward(hidden: Path, folder: Path, moves: _Moves) -> None:
    new = hidden / "new"
    for name in moves.order:
        if len(moves.new) > 1 and _is_main(name) and _is_there(new / name):
            (folder / name).unlink(missing_ok=True)  # half a family must not look like a whole one
    for name in moves.stale:
        (folder / name).unlink(missing_ok=True)
    for name in moves.order:
        if _is_there(new / name):
            (new / name).replace(folder / name)
    sync_folder(folder)
    (hidden / _FORWARD).unlink()


def _take_back(hidden: Path, folder: Path, moves: _Moves) -> None:
    new, old = hidden / "new", hidden / "old"
    try:
        if not (hidden / _BACK).exists():  # from here on nobody goes forward any more
            (hidden / _FORWARD).replace(hidden / _BACK)
            sync_folder(hidden)
        for name in (*moves.stale, *moves.order):
            if name in moves.old:
                if _is_there(old / name):
                    (old / name).replace(folder / name)
            elif not _is_there(new / name):
                (folder / name).unlink(missing_ok=True)
        sync_folder(folder)
        (hidden / _BACK).unlink()
    except OSError as problem:
        raise OutputError(
            f"the new files could not be moved into place, nor the old ones back ({problem.strerror or problem}); "
            f"both are safe in {hidden.name}",
            where=str(folder),
            cure="mend what is wrong with the disk and run again: the next run puts the old ones back first",
        ) from problem


# --- what an earlier run left behind ---------------------------------------------------------------------------------


def tidy(folder: Path, *, journals: bool = True, leftovers: bool = True, about: str | None = None) -> None:
    """End or clear away what a run that was cut short left in a folder, and say so in a warning.

    Parameters
    ----------
    folder : Path
        Where to look; nothing is done where it cannot be looked into.
    journals, leftovers : bool
        Whether to end moves that were begun, and to clear away files that were never moved.
    about : str, optional
        End only moves that concern a file of this name, or one of its family.

    Raises
    ------
    OutputError
        If moves were begun that cannot be ended, or files have been changed since.
    """
    try:
        with os.scandir(folder) as entries:
            found = [Path(folder, entry.name) for entry in entries if HIDDEN.fullmatch(entry.name)]
    except OSError:
        return
    if not found:
        return
    with locked(folder):
        for hidden in found:
            _tidy_one(hidden, folder, journals, leftovers, about)


def _tidy_one(hidden: Path, folder: Path, journals: bool, leftovers: bool, about: str | None) -> None:
    handle = _claim(hidden)
    if handle is None:
        return
    try:
        ending = next((hidden / name for name in (_FORWARD, _BACK) if (hidden / name).exists()), None)
        if ending is None:
            if leftovers:
                _LOG.warning("%s", _left_behind(hidden, folder))
                shutil.rmtree(hidden, ignore_errors=True)
        elif journals and _end_of_another(ending, hidden, folder, about):
            shutil.rmtree(hidden, ignore_errors=True)
    finally:
        if handle >= 0:
            os.close(handle)


def _claim(hidden: Path) -> int | None:
    """Open and lock what marks a staging as in use; -1 where there is no mark, None where it is not ours to touch."""
    try:
        about = hidden.lstat()
        if hidden.is_symlink() or not hidden.is_dir() or (hasattr(os, "geteuid") and about.st_uid != os.geteuid()):
            return None
        handle = os.open(hidden / _ALIVE, os.O_RDWR)
    except FileNotFoundError:
        return -1 if hidden.exists() else None
    except OSError:
        return None
    if _try_lock(handle):
        return handle
    os.close(handle)
    return None


def _left_behind(hidden: Path, folder: Path) -> str:
    said = f"geoflow: an earlier run was cut short and left unfinished files in {folder}; they are cleared away. "
    mark, new = hidden / _EXCHANGE, hidden / "new"
    moved = not new.exists()
    if mark.exists() and new.exists():
        with contextlib.suppress(OSError):
            moved = mark.read_text() != str(new.stat().st_ino)
    return said + ("Its output is in place, whole" if moved else "What stands there is whole")


def _end_of_another(journal: Path, hidden: Path, folder: Path, about: str | None) -> bool:
    """End the moves of a run that was cut short; whether they were any business of `about`."""
    try:
        moves = _Moves.read(journal)
    except (OSError, ValueError) as problem:
        if about is not None:
            return False
        raise _stuck("left notes that cannot be read", hidden, folder) from problem
    if about is not None and Path(about).stem not in {Path(name).stem for name in moves.new}:
        return False
    names = ", ".join(moves.order)
    if changed := _changed(moves, hidden, folder):
        raise _stuck(f"was moving {names}, and {changed} changed since", hidden, folder)
    is_new = journal.name == _FORWARD
    try:
        _end(hidden, folder, moves)
    except OSError:  # then they are back
        is_new = False
    ended = "the new ones are all in place" if is_new else "the old ones are all back"
    _LOG.warning("%s", f"geoflow: an earlier run was cut short while it moved {names} into {folder}; now {ended}")
    return True


def _stuck(what: str, hidden: Path, folder: Path) -> OutputError:
    return OutputError(
        f"an earlier run was cut short: it {what}",
        where=str(folder),
        cure=f"look whether the files there are as you want them, then delete the folder {hidden}; it holds the old "
        "files under old/ and those not moved yet under new/",
    )


def _changed(moves: _Moves, hidden: Path, folder: Path) -> str:
    """Name a file that is neither the old nor the new one; empty if there is none, or nothing is left to be moved."""
    names = (*moves.order, *moves.stale)
    if not any(_is_there(hidden / "new" / name) for name in moves.new) and not (hidden / _BACK).exists():
        return ""
    for name in names:
        there = _stamp(folder / name)
        known = (moves.old.get(name), moves.new.get(name))
        if not any(_alike(there, stamp) for stamp in known) and not (there is None and _is_main(name)):
            return name
    return ""
