"""Files by path or URL: where they are, what is in them, and how one gets them to where the work is."""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit
from urllib.request import url2pathname

from geoflow.base.errors import GeoflowError, UsageError
from geoflow.files.inputs import COMPANIONS, files_of

__all__ = [
    "digest",
    "fetch",
    "file_system",
    "found",
    "glob",
    "local_path",
    "read_bytes",
    "resolve",
    "shown",
]

_FOLDER_OF: Final = (".xml",)  # task data: the file speaks of others beside it


def local_path(place: str) -> Path | None:
    """Give the path of a place on this machine; None for a URL.

    Parameters
    ----------
    place : str
        Path or URL.
    """
    if place.startswith("file://"):
        return Path(url2pathname(urlsplit(place).path))
    return None if "://" in place or "::" in place else Path(place)


def resolve(text: str, folder: str) -> str:
    """Give a path or URL as a whole; a relative path counts from `folder`, itself a path or URL.

    Parameters
    ----------
    text, folder : str
        Path or URL.
    """
    own = local_path(text)
    if own is None:
        return text
    home = local_path(folder)
    if home is None:
        return text if own.is_absolute() else f"{folder.rstrip('/')}/{text.replace(os.sep, '/').removeprefix('./')}"
    return os.path.normpath(home.absolute() / own)


def shown(place: str) -> str:
    """Give a place for people to read: without the password a URL may hold.

    Parameters
    ----------
    place : str
        Path or URL.
    """
    return re.sub(r"(://[^/:@\s]*):[^/@\s]*@", r"\1:***@", place)


@contextmanager
def found(place: str) -> Iterator[None]:
    """Turn what a file system raises into a UsageError.

    Parameters
    ----------
    place : str
        Path or URL.

    Raises
    ------
    UsageError
        In place of anything else.
    """
    try:
        yield
    except GeoflowError:
        raise
    except FileNotFoundError as problem:
        raise UsageError(
            "there is no such file",
            where=shown(place),
            cure="check the name; every worker must be able to open it, so give a URL where they share no disk",
        ) from problem
    except ImportError as problem:
        raise UsageError(
            f"this kind of URL needs a library that is not installed here: {problem}",
            where=shown(place),
            cure="install it beside geoflow, on every worker too",
        ) from problem
    except Exception as problem:  # every file system has errors of its own
        said = shown(str(problem).strip()) or "no reason given"
        raise UsageError(
            f"it cannot be read ({type(problem).__name__}: {said})",
            where=shown(place),
            cure="check the address and whether you may read it",
        ) from problem


def file_system(place: str) -> tuple[Any, str]:
    """Return the fsspec file system of a URL and the path in it.

    Parameters
    ----------
    place : str
        Path or URL.
    """
    from fsspec.core import url_to_fs

    system, path = url_to_fs(place)
    return system, str(path)


def read_bytes(place: str) -> bytes:
    """Read a whole file.

    Parameters
    ----------
    place : str
        Path or URL.

    Raises
    ------
    UsageError
        If it cannot be read.
    """
    with found(place):
        local = local_path(place)
        if local is not None:
            return local.read_bytes()
        system, path = file_system(place)
        return bytes(system.cat_file(path))


def glob(pattern: str) -> list[str]:
    """List the places that match a pattern such as ``fields/*.zip``, in order of name; ``**`` spans folders.

    Parameters
    ----------
    pattern : str
        Path or URL with ``*``.

    Raises
    ------
    UsageError
        If the place cannot be listed.
    """
    with found(pattern):
        local = local_path(pattern)
        if local is not None:
            home = Path(local.anchor) if local.is_absolute() else Path()
            return sorted(map(str, home.glob(str(local.relative_to(home)))))
        system, path = file_system(pattern)
        return sorted(system.unstrip_protocol(name) for name in system.glob(path))


def digest(path: Path) -> str:
    """Hash the content of a local input: of all its files; ``"missing"`` where there is none.

    Parameters
    ----------
    path : Path
        The input.
    """
    files = files_of(path)
    if not files:
        return "missing"
    total = _short_hash()
    for file in files:
        with file.open("rb") as content:
            one = hashlib.file_digest(content, _short_hash).digest()
        total.update(os.path.relpath(file, path.parent).encode() + b"\0" + one)
    return total.hexdigest()


def _short_hash() -> hashlib.blake2b:
    return hashlib.blake2b(digest_size=16)


def fetch(place: str, home: Path) -> Path:
    """Make an input a file of this machine: a local path stays where it is, a URL is copied into `home`.

    Parameters
    ----------
    place : str
        Path or URL.
    home : Path
        Where copies go.

    Raises
    ------
    UsageError
        If a URL cannot be read.
    """
    local = local_path(place)
    if local is not None:
        return local
    home.mkdir(parents=True, exist_ok=True)
    with found(place):
        system, path = file_system(place)
        name = path.rstrip("/").rsplit("/", 1)[-1]
        copy = home / name
        if system.isdir(path):
            system.get(path.rstrip("/") + "/", str(copy) + "/", recursive=True)
            return copy
        if copy.suffix.casefold() in _FOLDER_OF:
            for member in system.ls(path.rsplit("/", 1)[0], detail=True):
                if member["type"] == "file":
                    system.get_file(member["name"], str(home / member["name"].rsplit("/", 1)[-1]))
            return copy
        system.get_file(path, str(copy))
        # The place may be one that cannot be listed, so small and capital letters are tried.
        main, endings = path.removesuffix(copy.suffix), COMPANIONS.get(copy.suffix.casefold(), ())
        for other in [main + form for end in endings for form in (end, end.upper())]:
            if system.exists(other):
                system.get_file(other, str(home / other.rsplit("/", 1)[-1]))
    return copy
