"""Opening task data as in ISO 11783-10: a folder or zip with TASKDATA.XML, its parts, and its binary files."""

from __future__ import annotations

import re
import zipfile
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Final

from geoflow.base.counted import count, verb
from geoflow.base.errors import PrescriptionError
from geoflow.base.spelling import nearest
from geoflow.base.subject import called, typed
from geoflow.isoxml.xml import Node, parse_xml
from geoflow.layers.notes import Note
from geoflow.layers.vector_source import check_unpacked_size

__all__ = ["TaskData", "choose_task", "inside", "is_taskdata", "mains_of_folder", "mains_of_zip", "open_taskdata"]

_MAIN: Final = "taskdata.xml"
_ROOT: Final = "ISO11783_TaskData"
_MOST_BYTES: Final = 2 * 1024**3
_AGAIN: Final = "copy or export the whole TASKDATA folder again"
_NAME_IT: Final = "name the TASKDATA folder, or a zip of it"
_PROPRIETARY: Final = re.compile(r"P\d+_\w+")


@dataclass(frozen=True, eq=False)
class TaskData:
    """Task data as opened; binary files are read when they are asked for.

    Attributes
    ----------
    where : str
        What to call it in errors.
    root : Node
        The main element, the parts of external files among its children.
    version : tuple of int
        Major and minor, as stated.
    notes : tuple of Note
        What the opening saw.
    files : mapping
        Names without case to what reads them.
    """

    where: str
    root: Node
    version: tuple[int, int]
    notes: tuple[Note, ...]
    files: Mapping[str, Callable[[], bytes]]

    def file(self, name: str) -> bytes | None:
        """Return a file beside TASKDATA.XML, whatever the case of its name; None where there is none.

        Parameters
        ----------
        name : str
            With its ending.
        """
        read = self.files.get(name.casefold())
        return None if read is None else read()

    def by_id(self, tag: str) -> dict[str, Node]:
        """Return the main elements of a name by their id.

        Parameters
        ----------
        tag : str
            As ``"PDT"``.
        """
        return {node.text("A"): node for node in self.root.all(tag)}


def is_taskdata(path: Path) -> bool:
    """Whether a path is task data: a folder or zip that holds TASKDATA.XML, or an .xml file.

    Parameters
    ----------
    path : Path
        As typed.
    """
    try:
        if path.is_dir():
            return bool(mains_of_folder(path))
        if path.suffix.casefold() == ".zip" and path.is_file():
            with zipfile.ZipFile(path) as archive:
                return bool(mains_of_zip(archive))
    except (OSError, ValueError, IndexError, zipfile.BadZipFile, NotImplementedError):
        return False
    return path.suffix.casefold() == ".xml" and path.is_file()


def open_taskdata(path: Path) -> TaskData:
    """Open task data: its folder, the folder around it, its TASKDATA.XML, or a zip of it.

    Parameters
    ----------
    path : Path
        As typed.

    Raises
    ------
    PrescriptionError
        If there is none, it is damaged, or it is of another kind.
    """
    where = called(path)
    name, files = _files(path, where)
    root, notes = parse_xml(files[name.casefold()](), name)
    if root.tag != _ROOT:
        kind = "one part of task data" if root.tag in {"TIM", "XFC"} else f"no task data: it holds <{root.tag[:40]}>"
        raise PrescriptionError(f"this is {kind}", where=f"{where}, {name}", cure=_NAME_IT)
    notes += _with_parts(root, files)
    version, stated = _version(root, where)
    own = sum(any(_PROPRIETARY.fullmatch(key) for key in node.attributes) for node in root.walk() if node.tag != "PNT")
    if own:
        carry = f"{count(own, 'element')} {verb(own, 'carries', 'carry')}"
        stated.append(Note("file", f"{carry} a maker's own attributes, which are ignored", own))
    return TaskData(where, root, version, (*notes, *stated), files)


def _files(path: Path, where: str) -> tuple[str, dict[str, Callable[[], bytes]]]:
    """Name of the main file, and what reads each of the files by its name without case."""
    if path.is_dir():
        mains = mains_of_folder(path)
        if not mains:
            raise PrescriptionError("the folder holds no TASKDATA.XML", where=where, cure=_NAME_IT)
        return _of_folder(mains[0])
    if path.is_file() and path.suffix.casefold() in {".zip", ".xml"}:
        return _of_zip(path, where) if path.suffix.casefold() == ".zip" else _of_folder(path)
    siblings = [entry.name for entry in path.parent.iterdir()] if path.parent.is_dir() else []
    what = f"there is no such task data{nearest(path.name, siblings)}"
    raise PrescriptionError(what, where=where, cure=_NAME_IT)


def mains_of_folder(folder: Path) -> list[Path]:
    """TASKDATA.XML in a folder, or else in its TASKDATA folder; written in capitals first.

    Parameters
    ----------
    folder : Path
        That is there.
    """
    entries = sorted(folder.iterdir(), key=lambda entry: entry.name)
    found = [entry for entry in entries if entry.name.casefold() == _MAIN and entry.is_file()]
    if found:
        return found
    inner = [entry for entry in entries if entry.name.casefold() == "taskdata" and entry.is_dir()]
    return [path for each in inner for path in mains_of_folder(each)]


def _of_folder(main: Path) -> tuple[str, dict[str, Callable[[], bytes]]]:
    def reader(path: Path) -> Callable[[], bytes]:
        def read() -> bytes:
            try:
                size = path.stat().st_size
                data = path.read_bytes() if size <= _MOST_BYTES else b""
            except OSError as problem:
                raise PrescriptionError(
                    f"the file cannot be read ({problem.strerror})", where=called(path), cure=_AGAIN
                ) from problem
            if size > _MOST_BYTES:
                raise PrescriptionError(
                    f"the file has {size / 1e6:,.0f} MB, which nothing needs",
                    where=called(path),
                    cure="check where it comes from",
                )
            return data

        return read

    files: dict[str, Callable[[], bytes]] = {}
    for entry in sorted(main.parent.iterdir(), key=lambda entry: entry.name, reverse=True):
        if entry.is_file():
            files[entry.name.casefold()] = reader(entry)  # of names that differ in case, capitals count
    files[main.name.casefold()] = reader(main)
    return main.name, files


def inside(name: str) -> PurePosixPath:
    """Path of a member of a zip, also of one packed with backslashes.

    Parameters
    ----------
    name : str
        As the zip has it.
    """
    return PurePosixPath(name.replace("\\", "/"))


def mains_of_zip(archive: zipfile.ZipFile) -> list[str]:
    """Names of every TASKDATA.XML in a zip.

    Parameters
    ----------
    archive : ZipFile
        Open for reading.
    """
    names = archive.namelist()
    return [name for name in names if inside(name).name.casefold() == _MAIN and not name.startswith("__MACOSX/")]


def _of_zip(path: Path, where: str) -> tuple[str, dict[str, Callable[[], bytes]]]:
    damaged = (zipfile.BadZipFile, EOFError, OSError, ValueError, IndexError, RuntimeError, zlib.error)

    def broken(problem: Exception) -> PrescriptionError:
        locked = "password" in str(problem)
        return PrescriptionError(
            "the zip is locked with a password" if locked else f"the zip cannot be opened ({problem})",
            where=where,
            cure="unpack it and give the folder" if locked else "copy or download it again",
        )

    def reader(member: str) -> Callable[[], bytes]:
        def read() -> bytes:
            try:
                with zipfile.ZipFile(path) as archive:
                    return archive.read(member)
            except damaged as problem:
                raise broken(problem) from problem

        return read

    try:
        with zipfile.ZipFile(path) as archive:
            mains = mains_of_zip(archive)
            if len(mains) != 1:
                raise PrescriptionError(
                    f"the zip holds {len(mains) or 'no'} TASKDATA.XML",
                    where=where,
                    cure="unpack it and name one folder" if mains else "zip the whole TASKDATA folder",
                )
            folder = inside(mains[0]).parent
            entries = [
                entry for entry in archive.infolist() if not entry.is_dir() and inside(entry.filename).parent == folder
            ]
    except damaged as problem:
        raise broken(problem) from problem
    check_unpacked_size(entries, where)
    files = {inside(entry.filename).name.casefold(): reader(entry.filename) for entry in entries}
    return inside(mains[0]).name, files


def _with_parts(root: Node, files: Mapping[str, Callable[[], bytes]]) -> list[Note]:
    """Put the contents of external files in place of their references."""
    notes: list[Note] = []
    for reference in root.all("XFR"):
        name = f"{reference.text('A')}.XML"
        read = files.get(name.casefold())
        if read is None:
            notes.append(Note("file", f"{name} is named in TASKDATA.XML but missing; what it holds is not read"))
            continue
        part, seen = parse_xml(read(), name)
        notes += seen
        root.children += part.children
        nested = [child.text("A") for child in part.all("XFR")]
        if nested:
            text = f"{name} names further parts ({', '.join(nested[:5])}), which the format does not allow; not read"
            notes.append(Note("file", text, len(nested)))
    return notes


def _version(root: Node, where: str) -> tuple[tuple[int, int], list[Note]]:
    stated = [root.text("VersionMajor"), root.text("VersionMinor")]
    if not all(re.fullmatch(r"\d{1,3}", part) for part in stated):
        return (4, 3), [Note("file", "the file does not state its version; read as version 4")]
    major, minor = (int(part) for part in stated)
    if major not in (3, 4):
        told = Note("file", f"the file states version {major}.{minor}; read as version {3 if major < 3 else 4}")
        return (3 if major < 3 else 4, minor), [told]
    if (major == 3 and minor != 3) or minor > 3:
        return (major, minor), [Note("file", f"the file states version {major}.{minor}, which is no published one")]
    return (major, minor), []


def choose_task(tasks: list[Node], layer: str | None, what: str, where: str) -> Node:
    """Return the task asked for, or the only one.

    Parameters
    ----------
    tasks : list of Node
        Those that hold what is wanted.
    layer : str or None
        Name or id, from ``--layer``.
    what : str
        What is wanted, for errors.
    where : str
        The file.

    Raises
    ------
    PrescriptionError
        If none fits, or several do; the error names them.
    """
    lines = "".join(
        f"\n    {typed('layer')} {task.text('A')}" + (f"   '{task.text('B')}'" if task.text("B") else "")
        for task in tasks
    )
    if layer is None:
        if len(tasks) == 1:
            return tasks[0]
        raise PrescriptionError(f"{len(tasks)} tasks hold {what}", where=where, cure=f"say which one:{lines}")
    for key in ("A", "B"):
        found = [task for task in tasks if task.text(key).casefold() == layer.strip().casefold()]
        if len(found) == 1:
            return found[0]
        if found:
            raise PrescriptionError(
                f"{len(found)} tasks are called '{layer}'", where=where, cure=f"say which one by its number:{lines}"
            )
    names = [task.text(key) for task in tasks for key in ("A", "B")]
    raise PrescriptionError(
        f"no task with {what} is called '{layer}'{nearest(layer, names)}", where=where, cure=f"use one of{lines}"
    )
