"""Writing without harm: outputs appear whole or not at all, and an input is never written over."""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import shutil
import stat
from collections.abc import Callable, Iterable
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from geoflow.errors import OutputError

__all__ = ["OutputFolder", "in_words", "replace_file"]

# A Shapefile is a family of files; an old index or .prj left beside a new .shp would tell lies about it.
_FAMILY: Final = (".shp", ".shx", ".dbf", ".prj", ".cpg", ".qix", ".sbn", ".sbx", ".shp.xml")
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


def in_words(problem: OSError | RuntimeError, where: Path) -> OutputError:
    """Say in plain words why the system would not write `where`."""
    number = problem.errno if isinstance(problem, OSError) else None
    words, cure = _PLAIN_WORDS.get(number or 0, (str(problem), _ELSEWHERE))
    return OutputError(f"nothing was written: {words}", where=str(where), cure=cure)


def _refusal(what: str, where: Path, cure: str = "choose another name") -> OutputError:
    return OutputError(what, where=str(where), cure=cure)


def _family(path: Path) -> tuple[Path, ...]:
    """All files that belong to `path`: the path itself, or the whole Shapefile family."""
    if path.suffix.casefold() != ".shp":
        return (path,)
    return (path, *(path.with_name(path.stem + ending) for ending in _FAMILY[1:]))


def _same(target: Path, kept: Path) -> bool:
    with contextlib.suppress(OSError):
        if target.samefile(kept):
            return True
    one, other = (Path(str(path.resolve()).casefold()) for path in (target, kept))
    return one == other or (kept.is_dir() and other in one.parents)


def _sync(path: Path, flags: int) -> None:
    handle = os.open(path, flags)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _sync_folder(folder: Path) -> None:
    with contextlib.suppress(OSError):  # Windows cannot open a folder; the files themselves are safe already
        _sync(folder, os.O_RDONLY)


class OutputFolder:
    """A folder whose new files appear whole on a clean exit, and not at all after an error.

    Files are written to a hidden folder on the same disk and moved into place at the end, one by one (or all
    at once where the folder is new). A kill at any moment leaves each file old or new, never in part.

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
        self._asked = Path(folder)
        self._replace = replace
        self._protect = tuple(member for path in protect for member in _family(Path(path)))
        self._folder = self._hidden = self._asked
        self._new = False
        self._made: list[Path] = []

    def __enter__(self) -> Self:
        try:
            self._folder = self._asked.resolve()
            self._new = not self._folder.exists()
            if not self._new and not self._folder.is_dir():
                raise _refusal("the output folder is a file, not a folder", self._asked)
            home = self._folder.parent if self._new else self._folder
            missing = [path for path in (home, *home.parents) if not path.exists()]
            for path in reversed(missing):
                path.mkdir()
                self._made.append(path)
            self._hidden = home / f".geoflow-{secrets.token_hex(6)}.part"
            self._hidden.mkdir()
        except (OSError, RuntimeError) as problem:  # RuntimeError: links in a circle, before Python 3.13
            self._clear(keep=False)
            raise in_words(problem, self._asked) from problem
        return self

    def claim(self, names: Iterable[str]) -> None:
        """Check early that these files may be written, so that long work does not end in a refusal.

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

        Raises
        ------
        OutputError
            If the file may not be written.
        """
        self.claim((name,))
        return self._hidden / name

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
            raise in_words(problem, shown) from problem
        if not (stat.S_ISREG(mode) or stat.S_ISLNK(mode)):
            kind = "a folder" if stat.S_ISDIR(mode) else "a device or pipe, not a file"
            raise _refusal(f"the output is {kind}", shown)
        if not self._replace:
            raise _refusal("the file already exists", shown, "add --replace to write over it, or choose another name")
        # SQLite would play an old journal into the new file.
        if any(target.with_name(target.name + ending).exists() for ending in ("-wal", "-journal")):
            raise _refusal("the file is open in another program", shown, "close it there first")

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        written = False
        try:
            if problem is None:
                written = self._commit()
        except OSError as refused:
            raise in_words(refused, self._asked) from refused
        finally:
            self._clear(keep=written)
        if isinstance(problem, OSError):
            ours = str(problem.filename or "").startswith(str(self._hidden))
            if ours or problem.errno in _ALWAYS_OURS:
                raise in_words(problem, self._asked) from problem

    def _clear(self, *, keep: bool) -> None:
        if self._hidden != self._asked:
            shutil.rmtree(self._hidden, ignore_errors=True)
        if not keep:
            for path in reversed(self._made):
                with contextlib.suppress(OSError):
                    path.rmdir()

    def _commit(self) -> bool:
        files = sorted(self._hidden.iterdir())
        for path in files:
            _sync(path, os.O_RDWR)
        if not files:
            return False
        if self._new:
            self._hidden.rename(self._folder)
            _sync_folder(self._folder.parent)
            return True
        names = {path.name for path in files}
        stale = [
            member.name
            for path in files
            for member in _family(path)
            if member.name not in names and (self._folder / member.name).exists()
        ]
        for name in (*names, *stale):
            self._check(self._folder / name)
        self._swap([path.name for path in files], stale)
        _sync_folder(self._folder)
        return True

    def _swap(self, names: list[str], stale: list[str]) -> None:
        """Move new files in and stale ones out; put everything back if one move fails."""
        old = self._hidden / secrets.token_hex(6)
        old.mkdir()
        begun: list[str] = []
        try:
            for name in names:
                target, kept = self._folder / name, old / name
                if target.exists() or target.is_symlink():
                    try:
                        os.link(target, kept, follow_symlinks=False)
                    except OSError:  # disks without hard links
                        shutil.copy2(target, kept, follow_symlinks=False)
                begun.append(name)
                (self._hidden / name).replace(target)
            for name in stale:
                (self._folder / name).replace(old / name)
        except BaseException:
            for name in begun:
                if not (old / name).exists() and not (old / name).is_symlink():
                    (self._folder / name).unlink(missing_ok=True)
            for kept in old.iterdir():
                kept.replace(self._folder / kept.name)
            raise


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
