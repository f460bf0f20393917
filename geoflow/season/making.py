"""Making a catalog from the files that match a pattern."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from geoflow.base.errors import UsageError
from geoflow.base.spelling import nearest
from geoflow.files.output import replace_file
from geoflow.season.catalog import folder_of, make_entries
from geoflow.season.columns import COLUMNS, JOBS, needed
from geoflow.season.urls import glob, local_path, resolve, shown

__all__ = ["Made", "make_catalog"]


@dataclass(frozen=True, slots=True)
class Made:
    """What became of making a catalog.

    Attributes
    ----------
    fields : int
        How many rows it has.
    columns : tuple of str
        Its headings.
    missing : tuple of str
        Files named in it that are not there, as ``"field: column"``.
    """

    fields: int
    columns: tuple[str, ...]
    missing: tuple[str, ...]


def _name_of(place: str) -> str:
    """Field name of a file: its name without the ending."""
    name = PurePosixPath(place.replace("\\", "/").rstrip("/")).name
    return name.split(".")[0] or name


def _from_catalog(place: str, home: str) -> str:
    """Write a path the short way where it lies under the catalog's own folder."""
    own, folder = local_path(place), local_path(home)
    if own is None or folder is None:
        return place
    short = os.path.relpath(own, folder.absolute())
    return str(own) if short.startswith("..") else Path(short).as_posix()


def _write(target: str, head: list[str], rows: list[dict[str, str]], *, replace: bool) -> None:
    path = local_path(target)
    if path is None:
        raise UsageError("a catalog is written to a disk", where="--make", cure="give a path, and copy it from there")
    if path.suffix.casefold() in {".parquet", ".pq"}:
        import pyarrow
        import pyarrow.parquet

        columns = {name: pyarrow.array([row.get(name) for row in rows], pyarrow.string()) for name in head}
        replace_file(
            path, lambda to: pyarrow.parquet.write_table(pyarrow.table(columns), to), replace=replace, protect=()
        )
        return
    text = io.StringIO()
    writer = csv.DictWriter(text, head, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)

    def write(to: Path) -> None:
        to.write_text(text.getvalue(), encoding="utf-8")

    replace_file(path, write, replace=replace, protect=())


def make_catalog(target: str, pattern: str, fixed: Mapping[str, str], *, replace: bool) -> Made:
    """Write a catalog with a row for every file that matches a pattern.

    Parameters
    ----------
    target : str
        The catalog to write, .csv or .parquet.
    pattern : str
        As ``fields/*.zip``: the prescriptions, or the logs of a reconciliation. A field is named after its file.
    fixed : mapping
        Column to text for every row, ``"job"`` among them; ``{field}`` in it becomes the field's name, so that
        ``maps/{field}.shp`` names a file for each.
    replace : bool
        Whether a catalog that is there may be replaced.

    Raises
    ------
    UsageError, OutputError
        If nothing matches, two files would be one field, or the catalog cannot be written.
    """
    own = _check_fixed(fixed)
    places = glob(pattern)
    if not places:
        cure = "check folder and spelling; ** spans folders" if set(pattern) & set("*?[") else 'like "fields/*.zip"'
        raise UsageError("no file matches", where=f"--glob {shown(pattern)}", cure=cure)
    here, home = str(Path.cwd()), resolve(folder_of(target), str(Path.cwd()))
    missing: list[str] = []
    rows = [
        {"field": name, "job": fixed["job"], own: _from_catalog(resolve(place, here), home)}
        | {column: _cell(name, column, text, home, missing) for column, text in fixed.items() if column != "job"}
        for name, place in _named(places).items()
    ]
    make_entries(rows, resolve(target, here), {}, here)
    head = ["field", "job", own, *(name for name in fixed if name != "job")]
    _write(target, head, rows, replace=replace)
    return Made(len(rows), tuple(head), tuple(missing))


def _check_fixed(fixed: Mapping[str, str]) -> str:
    """Return the column of a job's own file; refuse what does not belong to the job."""
    job = fixed.get("job", "")
    if job not in JOBS:
        raise UsageError(
            f"there is no job '{job}'{nearest(job, JOBS)}" if job else "no job is given",
            where="--job",
            cure=f"one of {', '.join(JOBS)}",
        )
    own = needed(job)
    if own in fixed:
        raise UsageError(f"--glob finds the {own} of every field", where=f"--set {own}", cure="leave it out")
    foreign = next((name for name in fixed if name != "job" and job not in COLUMNS[name].commands), None)
    if foreign is not None:
        raise UsageError(f"'{foreign}' does not belong to {job}", where="geoflow season --make", cure="leave it out")
    return own


def _named(places: Sequence[str]) -> dict[str, str]:
    """Places by the names of their fields."""
    seen: dict[str, str] = {}
    for place in places:
        name = _name_of(place)
        other = seen.setdefault(name.casefold(), place)
        if other != place:
            raise UsageError(
                f"two files would be the field '{name}'",
                where=f"{shown(other)}, {shown(place)}",
                cure="narrow the pattern, for example to *.shp, or give the files names of their own",
            )
    return {_name_of(place): place for place in places}


def _cell(field: str, column: str, text: str, home: str, missing: list[str]) -> str:
    """Write what is the same for all fields into the row of one; a file that is not there joins `missing`."""
    value = text.replace("{field}", field)
    if COLUMNS[column].kind != "file":
        return value
    whole = resolve(value, str(Path.cwd()))
    path = local_path(whole)
    if path is not None and not path.exists():
        missing.append(f"{field}: {column}")
    return _from_catalog(whole, home)
