"""What long work of the page hands back: files for download, words and pictures to show."""

from __future__ import annotations

import io
import zipfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

__all__ = ["Made", "Refused", "pack"]


@dataclass(frozen=True, slots=True)
class Made:
    """Files for download.

    Attributes
    ----------
    text : str
        What the command line prints.
    names : tuple of str
        Of the files.
    archive : bytes
        A zip with them.
    pictures : tuple of (str, bytes, str)
        Those of them that are shown: name, PNG, and what it shows in words.
    shown : dict
        The same as `text`, as `geoflow.web.blocks` has it; empty where nobody asks for it.
    drawn : dict or None
        What the page draws itself, as it is told to it.
    bar : tuple of (str, str) or None
        Name and text of a bar file among them that the page can open.
    """

    text: str
    names: tuple[str, ...]
    archive: bytes
    pictures: tuple[tuple[str, bytes, str], ...] = ()
    shown: dict[str, Any] = field(default_factory=dict)
    drawn: Any = None
    bar: tuple[str, str] | None = None


@dataclass(frozen=True, slots=True)
class Refused:
    """What a workflow refused.

    Attributes
    ----------
    words : str
        In the page's own.
    fields : tuple of str
        The options whose fields it speaks of.
    proposed : tuple of str
        Columns of a log as they most likely are, the best first, as they are typed.
    """

    words: str
    fields: tuple[str, ...]
    proposed: tuple[str, ...] = ()


def pack(folder: Path, text: str) -> Made:
    """Put every file of a folder into a zip, each byte as it was written.

    Parameters
    ----------
    folder : Path
        With whatever folders there are in it.
    text : str
        What the command line prints.
    """
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    names = tuple(path.relative_to(folder).as_posix() for path in files)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name, path in zip(names, files, strict=True):
            archive.writestr(zipfile.ZipInfo(name), path.read_bytes(), zipfile.ZIP_DEFLATED)
    return Made(text, names, packed.getvalue())
