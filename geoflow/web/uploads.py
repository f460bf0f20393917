"""Files as the page sends them: one frame with a header and the files behind it, kept in memory."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any, Final

from geoflow.base.errors import PrescriptionError, UsageError
from geoflow.files.inputs import is_companion

__all__ = ["Upload", "check_archive", "check_names", "main_file", "main_files", "place_files", "plain_name", "unframe"]

_LONGEST_NAME: Final = 150
_MOST_FILES: Final = 50
_LARGEST_HEADER: Final = 1024**2
_MOST_MEMBERS: Final = 2000
_ARCHIVES: Final = (".zip", ".7z", ".rar", ".tar", ".gz", ".bz2", ".xz")
_BINARY: Final = ".bin"  # of task data
_FORBIDDEN: Final = '/\\:*?"<>|'


@dataclass(frozen=True, slots=True)
class Upload:
    """One file sent by the page.

    Attributes
    ----------
    name : str
        A plain file name, never a path.
    content : bytes
        All of it.
    """

    name: str
    content: bytes


def unframe(body: bytes) -> tuple[dict[str, Any], tuple[Upload, ...]]:
    """Take a frame apart: four bytes with the header's length, the header as JSON, and the files end to end.

    The header's ``files`` lists name and size of each.

    Parameters
    ----------
    body : bytes
        As sent.

    Raises
    ------
    UsageError
        If the frame is damaged or a name could be more than a name.
    """
    try:
        length = int.from_bytes(body[:4], "big")
        if len(body) < 4 or length > min(_LARGEST_HEADER, len(body) - 4):
            raise ValueError
        header = json.loads(body[4 : 4 + length])
        listed = [(str(entry["name"]), int(entry["size"])) for entry in header.pop("files", [])]
        if sum(size for _, size in listed) != len(body) - 4 - length or any(size < 0 for _, size in listed):
            raise ValueError
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as problem:
        raise UsageError(
            "what the page sent is damaged", where="the page", cure="reload the page and try again"
        ) from problem
    if len(listed) > _MOST_FILES:
        raise UsageError(
            f"{len(listed)} files at once are too many",
            where="the files chosen",
            cure="choose the files of one prescription",
        )
    start, uploads = 4 + length, []
    for name, size in listed:
        uploads.append(Upload(plain_name(name), body[start : start + size]))
        start += size
    check_names(uploads)
    return header, tuple(uploads)


def plain_name(name: str) -> str:
    """Return a file's name if it can be no more than a name.

    Parameters
    ----------
    name : str
        As sent.

    Raises
    ------
    UsageError
        If it holds a path, or letters that some system cannot store.
    """
    odd = not name.isprintable() or any(letter in name for letter in _FORBIDDEN) or name.strip(" .") != name
    if odd or not name or len(name) > _LONGEST_NAME or len(name.encode("utf-8", "replace")) > _LONGEST_NAME:
        raise UsageError(
            f"'{name[:60]}' cannot serve as a file name",
            where="the files chosen",
            cure="rename it: letters, digits, - and _ always work",
        )
    return name


def check_archive(upload: Upload) -> None:
    """Refuse a zip that holds paths out of its folder, links, other archives, or a great many files.

    Damage, size and what is missing are told by the reader, in the words of the command line.

    Parameters
    ----------
    upload : Upload
        The file.

    Raises
    ------
    PrescriptionError
        If it holds such a thing.
    """
    if not upload.name.casefold().endswith(".zip"):
        return
    try:
        with zipfile.ZipFile(io.BytesIO(upload.content)) as archive:
            members = archive.infolist()
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError, RuntimeError):
        return
    if len(members) > _MOST_MEMBERS:
        raise PrescriptionError(
            f"the zip holds {len(members):,} files", where=upload.name, cure="zip only the files of one prescription"
        )
    for member in members:
        _check_member(member, upload.name)


def _check_member(member: zipfile.ZipInfo, where: str) -> None:
    path = PurePosixPath(member.filename.replace("\\", "/"))
    name = member.filename[:80]
    if path.is_absolute() or ".." in path.parts or ":" in member.filename or "\0" in member.filename:
        what, cure = f"the zip holds a path that leads out of it, '{name}'", "zip the files again"
    elif member.external_attr >> 28 == 0o12:
        what, cure = f"the zip holds a link, '{name}'", "zip the files themselves"
    elif path.suffix.casefold() in _ARCHIVES:
        what, cure = f"the zip holds another archive, '{name}'", "unpack it and give what is inside"
    else:
        return
    raise PrescriptionError(what, where=where, cure=cure)


def main_file(uploads: Sequence[Upload]) -> str:
    """Return the name of the one file among several that a reader has to open; the others are parts of it.

    Parameters
    ----------
    uploads : sequence of Upload
        The files sent.

    Raises
    ------
    UsageError
        If there is none, or more than one.
    """
    if len(uploads) == 1:
        return uploads[0].name  # the reader says what is wrong with it
    names = [upload.name for upload in uploads]
    whole = [name for name in names if not (is_companion(name) or name.casefold().endswith(_BINARY))]
    for ending in (".shp", "taskdata.xml"):
        whole = [name for name in whole if name.casefold().endswith(ending)] or whole
    if len(whole) == 1:
        return whole[0]
    listed = ", ".join((whole or names)[:6])
    if not whole:
        raise UsageError(
            f"none of these can be opened: {listed}",
            where="the files chosen",
            cure="choose the .shp with its other parts, or a .zip",
        )
    raise UsageError(
        f"these are {len(whole)} files, and one is read at a time: {listed}",
        where="the files chosen",
        cure="choose one",
    )


def main_files(uploads: Sequence[Upload]) -> list[str]:
    """Return the names of the files among several that readers have to open, in the order they were chosen.

    Parameters
    ----------
    uploads : sequence of Upload
        The files sent.

    Raises
    ------
    UsageError
        If there is none.
    """
    whole = [one.name for one in uploads if not is_companion(one.name)]
    if not whole:
        main_file(uploads)
    return whole


def check_names(uploads: Sequence[Upload]) -> None:
    """Refuse two files of one name, since they are worked on in one folder.

    Parameters
    ----------
    uploads : sequence of Upload
        The files sent.

    Raises
    ------
    UsageError
        Naming them.
    """
    seen: set[str] = set()
    for upload in uploads:
        if upload.name.casefold() in seen:
            raise UsageError(
                f"two of the files are called '{upload.name}'", where="the files chosen", cure="rename one of them"
            )
        seen.add(upload.name.casefold())


def place_files(uploads: Sequence[Upload], folder: Path) -> None:
    """Write uploads into a folder that is thrown away after the work.

    Parameters
    ----------
    uploads : sequence of Upload
        The files sent.
    folder : Path
        The working folder.
    """
    for upload in uploads:
        (folder / upload.name).write_bytes(upload.content)
