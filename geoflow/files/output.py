"""Writing without harm: outputs appear whole or not at all, and an input is never written over."""

from __future__ import annotations

import contextlib
import errno
import os
import signal
import stat
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextvars import ContextVar
from pathlib import Path
from types import FrameType, TracebackType
from typing import Final, Self

from geoflow.base.errors import OutputError
from geoflow.files.inputs import COMPANIONS, beside
from geoflow.files.staging import Staging, recover_interrupted, sync, sync_folder

__all__ = ["WRITTEN", "OutputFolder", "disk_error", "replace_file", "shapefile_files"]

WRITTEN: Final[deque[Path]] = deque(maxlen=20)
"""What this process wrote lately, for the message of a run that fails or is stopped afterwards."""

_ROOM, _ELSEWHERE = "make room on it or choose another disk", "choose another place"
_PLAIN_WORDS: Final = {
    errno.ENOSPC: ("the disk is full", _ROOM),
    errno.EDQUOT: ("your share of the disk is used up", _ROOM),
    errno.EFBIG: ("the disk takes no file this large", _ROOM),
    errno.EIO: ("the disk reports a fault", _ELSEWHERE),
    errno.EROFS: ("the disk can only be read", _ELSEWHERE),
    errno.EACCES: ("you may not write there", _ELSEWHERE),
    errno.EPERM: ("you may not write there", _ELSEWHERE),
    errno.ENAMETOOLONG: ("the name is too long", "choose a shorter name"),
    errno.ENOTDIR: ("part of the path is a file, not a folder", _ELSEWHERE),
    errno.EEXIST: ("something of that name appeared meanwhile", _ELSEWHERE),
    errno.ENOTEMPTY: ("something of that name appeared meanwhile", _ELSEWHERE),
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
    number = problem.errno if isinstance(problem, OSError) else None
    words, cure = _PLAIN_WORDS.get(number or 0, (str(problem), _ELSEWHERE))
    return OutputError(f"nothing was written: {words}; what was there before is unchanged", where=str(where), cure=cure)


def _refusal(what: str, where: Path, cure: str = "choose another name") -> OutputError:
    return OutputError(what, where=str(where), cure=cure)


def _refuse_other_kinds(mode: int, shown: Path) -> None:
    if not (stat.S_ISREG(mode) or stat.S_ISLNK(mode)):
        kind = "a folder" if stat.S_ISDIR(mode) else "a device or pipe, not a file"
        raise _refusal(f"the output is {kind}", shown)


def shapefile_files(path: Path) -> tuple[Path, ...]:
    """All files that belong to `path`, there or not: the path itself, or the whole family of a Shapefile.

    An old index or .prj left beside a new .shp would tell lies about it, in whatever capitals its name is written.

    Parameters
    ----------
    path : Path
        A file to be written.
    """
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
    if threading.current_thread() is not threading.main_thread() or signal.getsignal(signal.SIGINT) is None:
        yield
        return
    asked: list[int] = []

    def wait(number: int, frame: FrameType | None) -> None:
        asked.append(number)

    before = signal.signal(signal.SIGINT, wait)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
    if asked:
        raise KeyboardInterrupt


_Identity = tuple[int, int, int]


def _identity(path: Path) -> _Identity | None:
    try:
        about = path.lstat()
    except FileNotFoundError:
        return None
    return about.st_ino, about.st_size, about.st_mtime_ns


class OutputFolder:
    """A folder whose new files appear whole on a clean exit, and not at all after an error.

    Files are written to a hidden folder on the same disk and put into place at the end: in one stroke where the folder
    is new, or there is a single file; else all the old ones go out and then all the new ones in, which the next run
    ends if this one is killed (docs/decisions/0011-whole-or-not-at-all.md).

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
        If a target exists and `replace` is false, is an input, cannot be written, or is written by another run too.
    """

    def __init__(self, folder: Path, *, replace: bool, protect: tuple[Path, ...]) -> None:
        self._asked = Path(folder)
        self._replace = replace
        self._protect = tuple(member for path in protect for member in shapefile_files(Path(path)))
        self._folder = self._asked
        self._new = False
        self._made: list[Path] = []
        self._seen: dict[Path, _Identity | None] = {}
        self._staging: Staging | None = None
        self._joined: OutputFolder | None = None

    def __enter__(self) -> Self:
        try:
            self._folder = Path(os.path.realpath(self._asked))
            if self._folder.is_symlink():
                raise OSError(errno.ELOOP, os.strerror(errno.ELOOP), str(self._folder))
            outer = _OPEN.get()
            if outer is not None and outer._folder == self._folder:
                self._joined, self._staging = outer, outer._staging
                outer._protect += self._protect
                return self
            self._new = not self._folder.exists()
            if not self._new and not self._folder.is_dir():
                raise _refusal("the output folder is a file, not a folder", self._asked)
            recover_interrupted(self._folder)
            recover_interrupted(self._folder.parent, moves=False)
            home = self._folder.parent if self._new else self._folder
            missing = [path for path in (home, *home.parents) if not path.exists()]
            for path in reversed(missing):
                path.mkdir()
                self._made.append(path)
            self._staging = Staging(home)
        except (OSError, RuntimeError) as problem:  # RuntimeError: links in a circle, before Python 3.13
            self._clear(keep=False)
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
            for target in shapefile_files(self._folder / name):
                self._check(target)
                with contextlib.suppress(OSError):
                    (self._joined or self)._seen.setdefault(target, _identity(target))

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
        return self._stage.new / name

    @property
    def _stage(self) -> Staging:
        assert self._staging is not None, "an output folder is used inside its with block"
        return self._staging

    def _check(self, target: Path) -> None:
        shown = self._asked / target.name
        try:
            if any(_same(target, kept) for kept in self._protect):
                raise _refusal("this is an input of the run, and inputs are never written over", shown)
            mode = target.lstat().st_mode
            if stat.S_ISLNK(mode) and target.exists():
                mode = target.stat().st_mode
        except FileNotFoundError:
            return
        except OSError as problem:
            raise disk_error(problem, shown) from problem
        _refuse_other_kinds(mode, shown)
        if not self._replace:
            raise _refusal("the file already exists", shown, "add --replace to write over it, or choose another name")
        # SQLite would play an old journal into the new file.
        if any(target.with_name(target.name + ending).exists() for ending in ("-wal", "-journal")):
            raise _refusal("the file is open in another program", shown, "close it there first")

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        hidden = str(self._stage.path)
        if self._joined is None:
            _OPEN.reset(self._before)
            with _uninterrupted():
                written = False
                try:
                    if problem is None:
                        written = self._commit()
                except OSError as refused:
                    raise disk_error(refused, self._asked) from refused
                finally:
                    self._clear(keep=written)
        if isinstance(problem, OSError):
            ours = str(problem.filename or "").startswith(hidden)
            if ours or problem.errno in _ALWAYS_OURS:
                raise disk_error(problem, self._asked) from problem

    def _clear(self, *, keep: bool) -> None:
        if self._staging is not None:
            self._staging.close()
        if not keep:
            for path in reversed(self._made):
                with contextlib.suppress(OSError):
                    path.rmdir()

    def _commit(self) -> bool:
        files = sorted(self._stage.new.iterdir())
        for path in files:
            sync(path)
        if not files:
            return False
        sync_folder(self._stage.new)
        if self._new:
            self._stage.new.rename(self._folder)
            sync_folder(self._folder.parent)
        else:
            self._stage.begin_moves(self._folder)
            self._replace_in(files)
            sync_folder(self._folder)
        WRITTEN.extend(self._asked / path.name for path in files)
        return True

    def _replace_in(self, files: list[Path]) -> None:
        """Put the files into a folder that exists, where no other run moves files now."""
        names = [path.name for path in files]
        stale = [
            member.name
            for path in files
            for member in shapefile_files(self._folder / path.name)
            if member.name not in names and self._is_stale(member.name, names)
        ]
        for name in (*names, *stale):
            target = self._folder / name
            self._check(target)
            if target in self._seen and _identity(target) != self._seen[target]:
                raise _refusal(
                    "nothing was written: another run or program wrote this file meanwhile, and its file stands",
                    self._asked / name,
                    "look which of the two is wanted, and run again if it is this one",
                )
        if len(names) == 1 and not stale:
            files[0].replace(self._folder / names[0])
        else:
            leaving = [name for name in dict.fromkeys((*names, *stale)) if os.path.lexists(self._folder / name)]
            self._stage.exchange(self._folder, names, leaving)

    def _is_stale(self, name: str, names: list[str]) -> bool:
        """Whether a file is there that is none of the new ones: under other capitals it may be one on some disks."""
        there = self._folder / name
        alike = [self._folder / new for new in names if new.casefold() == name.casefold()]
        return there.exists() and not any(new.exists() and new.samefile(there) for new in alike)


_OPEN: Final[ContextVar[OutputFolder | None]] = ContextVar("open output folder", default=None)


def replace_file(path: Path, write: Callable[[Path], None], *, replace: bool, protect: tuple[Path, ...]) -> None:
    """Write one file (or one Shapefile family) so that it appears whole or not at all.

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
