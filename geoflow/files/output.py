"""Writing without harm: outputs appear whole or not at all, and an input is never written over.

New files wait in a hidden folder on the same disk until all are done and synced. Then a new folder, or a single file
over an old one, comes in one move. Several files for a folder that is there, as those of a Shapefile, are called ready
in one move; what they replace is whole until then, and from there it only goes on: the old ones go, the new ones come.
So no old one stands beside a new one, and a .shp goes first and comes last: none can be read in part. Where that is
cut short the rest waits in the hidden folder, and the next run that writes there ends it and says so.
"""

from __future__ import annotations

import contextlib
import errno
import logging
import os
import random
import secrets
import shutil
import signal
import sqlite3
import stat
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextvars import ContextVar
from pathlib import Path
from typing import Final, Self

from geoflow.base.errors import OutputError
from geoflow.files.inputs import COMPANIONS, HIDDEN, READY, beside

__all__ = ["WRITTEN", "OutputFolder", "disk_error", "replace_file"]

_LOG: Final = logging.getLogger("geoflow")
WRITTEN: Final[deque[Path]] = deque(maxlen=20)
"""What this process wrote lately, for the message of a run that fails or is stopped afterwards."""

_NEW, _TURN = "new", "turn"  # folders in a hidden one: for files that may not be whole; whose turn it is to move
_MAIN: Final = (".shp", ".xml")  # without these no program takes what is beside them for a whole
_TRIES: Final = 1000  # to find no other run at its moves, some ten seconds

_ROOM, _ELSEWHERE = "make room on it or choose another disk", "choose another place"
_PLAIN_WORDS: Final = {
    errno.ENOSPC: ("the disk is full", _ROOM),
    errno.EDQUOT: ("your share of the disk is used up", _ROOM),
    errno.EFBIG: ("the disk takes no file this large", _ROOM),
    errno.EIO: ("the disk reports a fault", _ELSEWHERE),
    errno.EROFS: ("the disk can only be read", _ELSEWHERE),
    **dict.fromkeys((errno.EACCES, errno.EPERM), ("you may not write there", _ELSEWHERE)),
    errno.ENAMETOOLONG: ("the name is too long", "choose a shorter name"),
    errno.ENOTDIR: ("part of the path is a file, not a folder", _ELSEWHERE),
    **dict.fromkeys((errno.EEXIST, errno.ENOTEMPTY), ("something of that name appeared meanwhile", _ELSEWHERE)),
}
_ALWAYS_OURS: Final = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS}


def disk_error(problem: OSError | RuntimeError, where: Path) -> OutputError:
    """Say in plain words why the system would not write `where`.

    Parameters
    ----------
    problem : OSError or RuntimeError
        What the system said.
    where : Path
        What was to be written.
    """
    words, cure = _PLAIN_WORDS.get(getattr(problem, "errno", None) or 0, (str(problem), _ELSEWHERE))
    return OutputError(f"nothing was written: {words}; what was there before is unchanged", where=str(where), cure=cure)


def _refusal(what: str, where: Path, cure: str = "choose another name") -> OutputError:
    return OutputError(what, where=str(where), cure=cure)


def _family(path: Path) -> tuple[Path, ...]:
    """All files that belong to a path, there or not: an old index left beside a new .shp would tell lies about it."""
    if path.suffix.casefold() != ".shp":
        return (path,)
    usual = [path.with_name(path.stem + ending) for ending in COMPANIONS[".shp"]]
    return tuple(dict.fromkeys((path, *usual, *beside(path))))


def _same(target: Path, kept: Path) -> bool:
    with contextlib.suppress(OSError):
        if target.samefile(kept):
            return True
    one, other = (Path(os.path.realpath(path).casefold()) for path in (target, kept))  # of a loop of links, too
    return one == other or (kept.is_dir() and other in one.parents)


@contextlib.contextmanager
def _uninterrupted() -> Iterator[None]:
    """Put Ctrl-C off until the block is done, so that it stops a run before the moves or after them."""
    asked: list[int] = []
    before = None
    with contextlib.suppress(ValueError):  # only the main thread is interrupted, and only it may ask for this
        before = signal.signal(signal.SIGINT, lambda number, frame: asked.append(number))
    try:
        yield
    finally:
        if before is not None:
            signal.signal(signal.SIGINT, before)
    if asked:
        raise KeyboardInterrupt


def _sync(path: Path) -> None:
    """Have a file, or the names in a folder where the system can, written to the disk itself."""
    with contextlib.suppress(*([OSError] if path.is_dir() else [])):  # Windows cannot open a folder
        handle = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _lock(hidden: Path) -> sqlite3.Connection | None:
    """Lock a hidden folder of ours until this process ends; None where another has it, or the disk knows no locks.

    SQLite's own lock is the only one in the standard library that is the same on every system.
    """
    base = None
    try:
        if not hidden.is_symlink() and (not hasattr(os, "geteuid") or hidden.lstat().st_uid == os.geteuid()):
            base = sqlite3.connect(hidden / "alive", timeout=0.0, isolation_level=None, check_same_thread=False)
            base.execute("BEGIN EXCLUSIVE")
    except (sqlite3.Error, FileNotFoundError):
        if base is not None:
            base.close()
        return None
    return base


def _take_turn(hidden: Path) -> None:
    """Wait until no other run looks at what is in a folder and moves files there; they wait for this one."""
    turn = hidden / _TURN
    for _ in range(_TRIES):
        turn.mkdir()  # said first and looked afterwards: of two runs at least one sees the other
        others = [other.parent for other in hidden.parent.glob(f"{HIDDEN}/{_TURN}") if other != turn]
        if not others:
            return
        turn.rmdir()
        time.sleep(random.uniform(0.001, 0.02))
    cure = f"wait until it is done, and run again; if none is running, see what {others[0]} holds"
    raise _refusal("nothing was written: another run is writing into this folder", hidden.parent, cure)


def _move_in(hidden: Path, theirs: Iterable[str] = ()) -> None:
    """Move files that are ready into their folder, but for names that somebody else has taken since."""
    home, ready = hidden.parent, hidden / READY
    files = sorted(ready.iterdir(), key=lambda path: (path.name.casefold().endswith(_MAIN), path.name))
    files = [path for path in files if path.name not in theirs]
    for path in reversed(files):
        (home / path.name).unlink(missing_ok=True)
    _sync(home)
    for path in files:
        if path.is_dir():  # it stands for one that only goes
            path.rmdir()
        else:
            path.replace(home / path.name)
    _sync(home)
    shutil.rmtree(ready, ignore_errors=True)


def _hide_in(home: Path, *, again: bool = False) -> tuple[Path, sqlite3.Connection | None]:
    """Make a hidden folder, known as in use by a lock that dies with its process."""
    hidden = home / f".geoflow-{secrets.token_hex(6)}.part"
    hidden.mkdir(0o700)
    alive = _lock(hidden)
    if alive is None and not again:  # another run has just taken it for a leftover
        _clear(hidden, alive)
        return _hide_in(home, again=True)
    (hidden / _NEW).mkdir()
    return hidden, alive


def _clear(hidden: Path, alive: sqlite3.Connection | None) -> None:
    """Take a hidden folder away that has nothing ready: first while it is locked, so that nobody finds a leftover."""
    for _ in range(2):
        if not (hidden / READY).exists():
            shutil.rmtree(hidden, ignore_errors=True)
        if alive is not None:
            alive.close()


def _recover(folder: Path) -> None:
    """End what runs that were cut short had ready for a folder; clear away what was not, there and beside it."""
    for hidden in [*folder.parent.glob(HIDDEN), *folder.glob(HIDDEN)]:
        alive = _lock(hidden)
        if alive is None:
            continue
        try:
            said = "are cleared away. What stands there is whole" if (hidden / _NEW).exists() else ""
            if (hidden / READY).exists() and hidden.parent == folder:
                called_ready = hidden.stat().st_mtime_ns
                there = [folder / new.name for new in (hidden / READY).iterdir() if os.path.lexists(folder / new.name)]
                stamps = {path.name: path.lstat() for path in there}
                theirs = [name for name, one in stamps.items() if max(one.st_mtime_ns, one.st_ctime_ns) > called_ready]
                _move_in(hidden, theirs)
                said = "are moved into place now" + (f", but for {', '.join(theirs)}, written since" if theirs else "")
            if said:
                _LOG.warning("geoflow: an earlier run was cut short and left files in %s; they %s", hidden.parent, said)
        finally:
            _clear(hidden, alive)


class OutputFolder:
    """A folder whose new files appear whole on a clean exit, and not at all after an error.

    An output folder opened inside another of the same place joins it: all their files appear together.

    Parameters
    ----------
    folder : Path
        Where the files shall end up; made if missing, and removed again if nothing was written.
    replace : bool
        Whether files that exist may be replaced.
    protect : tuple of Path
        The inputs, never written over: nor through a link, another case, or a sibling of a Shapefile.

    Raises
    ------
    OutputError
        If a target exists and `replace` is false, is an input, or cannot be written.
    """

    def __init__(self, folder: Path, *, replace: bool, protect: tuple[Path, ...]) -> None:
        self._asked = self._folder = Path(folder)
        self._replace = replace
        self._protect = tuple(member for path in protect for member in _family(Path(path)))
        self._joined = False
        self._made: list[Path] = []
        self._hidden: Path

    def __enter__(self) -> Self:
        try:
            self._folder = Path(os.path.realpath(self._asked))
            if self._folder.is_symlink():
                raise OSError(errno.ELOOP, os.strerror(errno.ELOOP), str(self._folder))
            outer = _OPEN.get()
            if outer is not None and outer._folder == self._folder:
                self._joined, self._hidden = True, outer._hidden
                outer._protect += self._protect
                return self
            self._new = not self._folder.exists()
            if not self._new and not self._folder.is_dir():
                raise _refusal("the output folder is a file, not a folder", self._asked)
            _recover(self._folder)
            home = self._folder.parent if self._new else self._folder
            for path in reversed([path for path in (home, *home.parents) if not path.exists()]):
                path.mkdir()
                self._made.append(path)
            self._hidden, self._alive = _hide_in(home)
        except (OSError, RuntimeError) as problem:  # RuntimeError: links in a circle, before Python 3.13
            self._remove_made()
            raise disk_error(problem, self._asked) from problem
        self._before = _OPEN.set(self)
        return self

    def claim(self, names: Iterable[str]) -> None:
        """Check early that these files may be written, so that long work does not end in a refusal.

        Parameters
        ----------
        names : iterable of str
            Of files, without folder.

        Raises
        ------
        OutputError
            If one of them may not.
        """
        for name in names:
            if not name or name in {".", ".."} or Path(name).name != name or "\0" in name:
                raise _refusal(f"'{name}' is not a file name", self._asked)
            for target in _family(self._folder / name):
                self._check(target)

    def stage(self, name: str) -> Path:
        """Return the path to write the file `name` to; it moves into the folder on a clean exit.

        Parameters
        ----------
        name : str
            Without folder.

        Raises
        ------
        OutputError
            If the file may not be written.
        """
        self.claim((name,))
        return self._hidden / _NEW / name

    def _check(self, target: Path) -> None:
        shown = self._asked / target.name
        try:
            if any(_same(target, kept) for kept in self._protect):
                raise _refusal("this is an input of the run, and inputs are never written over", shown)
            mode = (target.lstat() if target.is_symlink() and not target.exists() else target.stat()).st_mode
            if not (stat.S_ISREG(mode) or stat.S_ISLNK(mode)):
                kind = "a folder" if stat.S_ISDIR(mode) else "a device or pipe, not a file"
                raise _refusal(f"the output is {kind}", shown)
            target.rename(target)  # Windows refuses it while another program holds the file
        except FileNotFoundError:
            return
        except OSError as problem:
            raise disk_error(problem, shown) from problem
        if not self._replace:
            raise _refusal("the file already exists", shown, "add --replace to write over it, or choose another name")
        # SQLite would play an old journal into the new file.
        if any(target.with_name(target.name + ending).exists() for ending in ("-wal", "-journal")):
            raise _refusal("the file is open in another program", shown, "close it there first")

    def __exit__(self, kind: object, problem: BaseException | None, trace: object) -> None:
        if not self._joined:
            _OPEN.reset(self._before)
            with _uninterrupted():
                try:
                    if problem is None:
                        self._commit()
                except OSError as refused:
                    raise self._stopped(refused) from refused
                finally:
                    _clear(self._hidden, self._alive)
                    self._remove_made()
        if isinstance(problem, OSError):
            ours = str(problem.filename or "").startswith(str(self._hidden))
            if ours or problem.errno in _ALWAYS_OURS:
                raise disk_error(problem, self._asked) from problem

    def _remove_made(self) -> None:
        for path in reversed(self._made):
            with contextlib.suppress(OSError):  # something was written there
                path.rmdir()

    def _commit(self) -> None:
        new = self._hidden / _NEW
        files = sorted(new.iterdir())
        for path in files:
            _sync(path)
        if files and self._new:
            _sync(new)
            new.rename(self._folder)
            _sync(self._folder.parent)
        elif files:
            _take_turn(self._hidden)
            for path in files:
                self._make_way(path)
            if len(list(new.iterdir())) == 1:
                files[0].replace(self._folder / files[0].name)
                _sync(self._folder)
            else:
                _sync(new)
                new.rename(self._hidden / READY)
                _sync(self._hidden)
                _move_in(self._hidden)
        WRITTEN.extend(self._asked / path.name for path in files)

    def _stopped(self, problem: OSError) -> OutputError:
        ready = self._hidden / READY
        if not ready.exists():
            return disk_error(problem, self._asked)
        what = f"the new files are not all in their place ({problem.strerror or problem}); they are safe in {ready}"
        return _refusal(what, self._asked, "mend what is wrong and run again: the next run moves them first")

    def _make_way(self, new: Path) -> None:
        for target in _family(self._folder / new.name):
            self._check(target)
            if os.path.lexists(target):
                with contextlib.suppress(FileExistsError):  # one comes for it, or it is the same under other capitals
                    (new.parent / target.name).mkdir()


_OPEN: Final[ContextVar[OutputFolder | None]] = ContextVar("open output folder", default=None)


def replace_file(path: Path, write: Callable[[Path], None], *, replace: bool, protect: tuple[Path, ...]) -> None:
    """Write one file, or one Shapefile with all its files, so that it appears whole or not at all.

    Parameters
    ----------
    path : Path
        The file to write.
    write : callable
        Writes the file, and any siblings, at the path it is given.
    replace, protect
        As for `OutputFolder`.

    Raises
    ------
    OutputError
        If the file may not or cannot be written.
    """
    with OutputFolder(Path(path).parent, replace=replace, protect=protect) as folder:
        write(folder.stage(Path(path).name))
