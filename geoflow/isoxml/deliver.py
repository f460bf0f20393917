"""Putting the files of task data into a folder or a zip, whole or not at all."""

from __future__ import annotations

import copy
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from geoflow.base.errors import OutputError
from geoflow.files.output import OutputFolder, replace_file

__all__ = ["Delivery"]


@dataclass(frozen=True, slots=True)
class Delivery:
    """Where task data go, and what is respected there.

    Attributes
    ----------
    path : Path
        A ``.zip``, or a folder: one called TASKDATA itself, or one in which TASKDATA is made.
    replace : bool
        Whether files that are there may be replaced.
    protect : tuple of Path
        Files that are never written over.
    check : callable or None
        Given the zip or folder before it moves into place; what it raises leaves nothing behind.
    """

    path: Path
    replace: bool = False
    protect: tuple[Path, ...] = ()
    check: Callable[[Path], None] | None = None

    def put(self, files: Mapping[str, bytes], like: Path | None = None) -> None:
        """Write the files.

        Parameters
        ----------
        files : mapping
            Names to contents; for a zip that is like another, members to new contents.
        like : Path, optional
            A zip whose other members, times and order the new one keeps.

        Raises
        ------
        OutputError
            If the target may not or cannot be written.
        """
        if self.path.suffix.casefold() == ".zip":
            write = self._zipped(files) if like is None else self._zipped_like(like, files)
            replace_file(self.path, write, replace=self.replace, protect=self.protect)
            return
        with OutputFolder(self._folder(files), replace=self.replace, protect=self.protect) as output:
            output.claim(files)
            for name, data in files.items():
                staged = output.stage(name)
                staged.write_bytes(data)
            self._look(staged.parent)

    def _folder(self, files: Mapping[str, bytes]) -> Path:
        path = self.path
        if path.suffix and path.suffix[1:].isalpha():
            raise OutputError(
                f"'{path.suffix}' is no ending of task data",
                where=str(path),
                cure="name a folder, or a file ending in .zip",
            )
        folder = path if path.name.casefold() == "taskdata" else path / "TASKDATA"
        there = [entry.name for entry in folder.iterdir()] if folder.is_dir() else []
        others = [name for name in there if name not in files]
        if others:
            raise OutputError(
                f"the folder holds other files already ({', '.join(sorted(others)[:5])}), which belong to other task "
                "data",
                where=str(folder),
                cure="choose another folder, or clear this one",
            )
        return folder

    def _look(self, staged: Path) -> None:
        if self.check is not None:
            self.check(staged)

    def _zipped(self, files: Mapping[str, bytes]) -> Callable[[Path], None]:
        def write(target: Path) -> None:
            with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
                for name, data in files.items():
                    # One fixed time, so that the same prescription gives the same bytes.
                    entry = zipfile.ZipInfo(f"TASKDATA/{name}", (1980, 1, 1, 0, 0, 0))
                    entry.compress_type = zipfile.ZIP_DEFLATED
                    archive.writestr(entry, data)
            self._look(target)

        return write

    def _zipped_like(self, like: Path, files: Mapping[str, bytes]) -> Callable[[Path], None]:
        def write(target: Path) -> None:
            with zipfile.ZipFile(like) as old, zipfile.ZipFile(target, "w") as new:
                new.comment = old.comment
                for entry in old.infolist():
                    data = files[entry.filename] if entry.filename in files else old.read(entry)
                    new.writestr(copy.copy(entry), data)
            self._look(target)

        return write
