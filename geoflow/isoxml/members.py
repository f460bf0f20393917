"""The files a set of task data consists of, by the names they have."""

from __future__ import annotations

import re
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from geoflow.isoxml.task_files import inside, mains_of_folder, mains_of_zip

__all__ = ["Members", "members_of"]

_MAIN: Final = "TASKDATA.XML"
# Its parts, grids, logs, points and the list of links; a folder of another name may hold anything else.
_OWN: Final = re.compile(r"linklist\.xml|[a-z]{3}\d{5}\.(xml|bin)", re.IGNORECASE)


@dataclass(frozen=True)
class Members:
    """The files of a set of task data.

    Attributes
    ----------
    files : mapping
        Path of a file, or member of a zip, to the name it has in a folder of task data.
    archive : Path or None
        The zip, where they are in one.
    left_out : tuple of str
        What lies beside them and is no part of them.
    """

    files: Mapping[str, str]
    archive: Path | None
    left_out: tuple[str, ...]

    def read(self) -> dict[str, bytes]:
        """Return the contents by the keys of `files`.

        Raises
        ------
        OSError, BadZipFile
            If one cannot be read.
        """
        if self.archive is None:
            return {path: Path(path).read_bytes() for path in self.files}
        with zipfile.ZipFile(self.archive) as archive:
            return {member: archive.read(member) for member in self.files}

    def key_of(self, name: str) -> str | None:
        """Return the key of the file that a reader opens under a name, whatever its capitals.

        Parameters
        ----------
        name : str
            As ``"GRD00001.BIN"``.
        """
        alike = [key for key in self.files if inside(key).name.casefold() == name.casefold()]
        # Of names that differ in case a folder's reader takes capitals, a zip's the last one.
        return None if not alike else alike[-1] if self.archive is not None else min(alike)


def _members_of_zip(path: Path) -> Members:
    with zipfile.ZipFile(path) as archive:
        home = inside(mains_of_zip(archive)[0]).parent
        entries = {one.filename: inside(one.filename) for one in archive.infolist() if not one.is_dir()}
    found = {name: at.name for name, at in entries.items() if at.parent == home}
    return Members(found, path, tuple(at.name for at in entries.values() if at.parent != home))


def members_of(path: Path) -> Members:
    """List the files of task data that can be opened.

    Parameters
    ----------
    path : Path
        Their folder, the folder around it, TASKDATA.XML, or a zip.
    """
    if path.suffix.casefold() == ".zip" and path.is_file():
        return _members_of_zip(path)
    main = path if path.is_file() else mains_of_folder(path)[0]
    whole = main.parent.name.casefold() == "taskdata"
    files, others = {str(main): _MAIN}, []
    for entry in sorted(main.parent.iterdir(), key=lambda entry: entry.name):
        another = entry.name.casefold() not in {_MAIN.casefold(), main.name.casefold()}
        if another and entry.is_file() and (whole or _OWN.fullmatch(entry.name)):
            files[str(entry)] = entry.name
        elif entry != main:
            others.append(entry.name)
    return Members(files, None, tuple(others))
