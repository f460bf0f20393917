"""The folder of a season's results, by path or URL: every file in it is there whole or not at all."""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from geoflow.base.errors import GeoflowError, OutputError, UsageError
from geoflow.files.output import disk_error
from geoflow.season.urls import file_system, local_path, shown

__all__ = ["Store"]

_PARTS: Final = ".parts"
# Object stores show an object only when all of it has arrived.
_WHOLE_PUTS: Final = frozenset({"s3", "s3a", "gs", "gcs", "az", "abfs", "abfss", "adl", "oci", "oss", "r2", "memory"})
_STALE: Final = 24 * 3600.0


@dataclass(frozen=True, slots=True)
class Store:
    """A folder of results.

    Attributes
    ----------
    place : str
        Path or URL.
    run : str
        Name of this run; unfinished files of a run lie in a folder of that name.
    """

    place: str
    run: str

    def _refusal(self, name: str, problem: BaseException) -> OutputError:
        if isinstance(problem, OutputError):
            return problem
        where = f"{self.place.rstrip('/')}/{name}"
        if isinstance(problem, OSError) and local_path(self.place) is not None:
            return disk_error(problem, Path(where))
        said = shown(str(problem).strip()) or "no reason given"
        cure = "check the address and whether you may write there"
        if isinstance(problem, ImportError):
            cure = "install that library beside geoflow, on every worker too"
        return OutputError(f"nothing was written ({type(problem).__name__}: {said})", where=shown(where), cure=cure)

    def read(self, name: str) -> bytes | None:
        """Read a file; None where there is none.

        Parameters
        ----------
        name : str
            Within the store.

        Raises
        ------
        UsageError
            If it is there but cannot be read.
        """
        local = local_path(self.place)
        try:
            if local is not None:
                return (local / name).read_bytes()
            system, path = file_system(self.place)
            return bytes(system.cat_file(f"{path.rstrip('/')}/{name}"))
        except FileNotFoundError:
            return None
        except Exception as problem:  # every file system has errors of its own
            raise UsageError(
                f"a result cannot be read ({type(problem).__name__}: {shown(str(problem))})",
                where=shown(f"{self.place.rstrip('/')}/{name}"),
                cure="check whether you may read it",
            ) from problem

    def write(self, name: str, content: bytes) -> None:
        """Write a file, whole or not at all, in place of one of that name.

        Parameters
        ----------
        name : str
            Within the store.
        content : bytes
            All of it.

        Raises
        ------
        OutputError
            If it cannot be written.
        """
        local = local_path(self.place)
        try:
            if local is not None:
                parts = local / _PARTS / self.run
                parts.mkdir(parents=True, exist_ok=True)
                part = parts / secrets.token_hex(8)
                with part.open("wb") as file:
                    file.write(content)
                    file.flush()
                    os.fsync(file.fileno())
                target = local / name
                target.parent.mkdir(parents=True, exist_ok=True)
                part.replace(target)
                return
            system, path = file_system(self.place)
            full = f"{path.rstrip('/')}/{name}"
            protocols = {system.protocol} if isinstance(system.protocol, str) else set(system.protocol)
            if protocols & _WHOLE_PUTS:
                system.pipe_file(full, content)
                return
            system.makedirs(full.rsplit("/", 1)[0], exist_ok=True)
            far = f"{path.rstrip('/')}/{_PARTS}/{self.run}/{secrets.token_hex(8)}"
            system.makedirs(far.rsplit("/", 1)[0], exist_ok=True)
            system.pipe_file(far, content)
            if system.exists(full):
                system.rm_file(full)  # few of them move a file over another; the record, written last, says what counts
            system.mv(far, full)
        except Exception as problem:
            raise self._refusal(name, problem) from problem

    def names(self, folder: str) -> list[str]:
        """List the names right in a folder of the store; empty where there is no such folder.

        Parameters
        ----------
        folder : str
            Within the store.

        Raises
        ------
        OutputError
            If it cannot be listed.
        """
        local = local_path(self.place)
        try:
            if local is not None:
                return sorted(entry.name for entry in (local / folder).iterdir())
            system, path = file_system(self.place)
            home = f"{path.rstrip('/')}/{folder}".rstrip("/")
            system.invalidate_cache()
            return sorted(name.rstrip("/").rsplit("/", 1)[-1] for name in system.ls(home, detail=False))
        except FileNotFoundError:
            return []
        except Exception as problem:
            raise self._refusal(folder, problem) from problem

    def remove(self, name: str) -> None:
        """Take a file, or a folder with all in it, away; nothing happens where there is none.

        Parameters
        ----------
        name : str
            Within the store.

        Raises
        ------
        OutputError
            If it is there and cannot be taken away.
        """
        local = local_path(self.place)
        try:
            if local is not None:
                target = local / name
                if target.is_dir() and not target.is_symlink():
                    shutil.rmtree(target)
                else:
                    target.unlink(missing_ok=True)
                return
            system, path = file_system(self.place)
            full = f"{path.rstrip('/')}/{name}"
            if system.exists(full):
                system.rm(full, recursive=True)
        except FileNotFoundError:
            return
        except Exception as problem:
            raise self._refusal(name, problem) from problem

    def clear_parts(self) -> None:
        """Take away the unfinished files of this run, and those of runs that ended long ago without doing so."""
        local = local_path(self.place)
        if local is None:
            with contextlib.suppress(GeoflowError):
                self.remove(f"{_PARTS}/{self.run}")
            return
        shutil.rmtree(local / _PARTS / self.run, ignore_errors=True)
        with contextlib.suppress(OSError):
            for left in (local / _PARTS).iterdir():
                if time.time() - left.stat().st_mtime > _STALE:
                    shutil.rmtree(left, ignore_errors=True)
        with contextlib.suppress(OSError):
            (local / _PARTS).rmdir()
