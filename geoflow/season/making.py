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

__all__ = [
    "Made",
    "catalog_path",
    "check_fixed",
    "fixed_cell",
    "from_catalog",
    "make_catalog",
    "named",
    "write_rows",
]


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


def from_catalog(place: str, home: str) -> str:
    """Write a path the short way where it lies under the catalog's own folder.

    Parameters
    ----------
    place, home : str
        Path or URL, and the folder.
    """
    own, folder = local_path(place), local_path(home)
    if own is None or folder is None:
        return place
    short = os.path.relpath(own, folder.absolute())
    return str(own) if short.startswith("..") else Path(short).as_posix()


def catalog_path(target: str) -> Path:
    """Give the path of a catalog to write.

    Parameters
    ----------
    target : str
        As said.

    Raises
    ------
    UsageError
        If it is no path on a disk.
    """
    path = local_path(target)
    if path is None:
        raise UsageError("a catalog is written to a disk", where="--make", cure="give a path, and copy it from there")
    return path


def write_rows(path: Path, head: list[str], rows: list[dict[str, str]]) -> None:
    """Write rows as a catalog, CSV or Parquet by its ending.

    Parameters
    ----------
    path : Path
        A new file.
    head : list of str
        Columns.
    rows : list of dict
        Column to text.
    """
    if path.suffix.casefold() in {".parquet", ".pq"}:
        import pyarrow
        import pyarrow.parquet

        columns = {name: pyarrow.array([row.get(name) for row in rows], pyarrow.string()) for name in head}
        pyarrow.parquet.write_table(pyarrow.table(columns), path)
        return
    text = io.StringIO()
    writer = csv.DictWriter(text, head, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    path.write_text(text.getvalue(), encoding="utf-8")


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
    own = check_fixed(fixed)
    places = glob(pattern)
    if not places:
        cure = "check folder and spelling; ** spans folders" if set(pattern) & set("*?[") else 'like "fields/*.zip"'
        raise UsageError("no file matches", where=f"--glob {shown(pattern)}", cure=cure)
    here, home = str(Path.cwd()), resolve(folder_of(target), str(Path.cwd()))
    missing: list[str] = []
    rows = [
        {"field": name, "job": fixed["job"], own: from_catalog(resolve(place, here), home)}
        | {column: fixed_cell(name, column, text, home, missing) for column, text in fixed.items() if column != "job"}
        for name, place in named(places).items()
    ]
    make_entries(rows, resolve(target, here), {}, here)
    head = ["field", "job", own, *(name for name in fixed if name != "job")]
    replace_file(catalog_path(target), lambda to: write_rows(to, head, rows), replace=replace, protect=())
    return Made(len(rows), tuple(head), tuple(missing))


def check_fixed(fixed: Mapping[str, str]) -> str:
    """Return the column of a job's own file; refuse what does not belong to the job.

    Parameters
    ----------
    fixed : mapping
        Column to text for every row.

    Raises
    ------
    UsageError
        If something does not.
    """
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


def named(places: Sequence[str]) -> dict[str, str]:
    """Return places by the names of their fields.

    Parameters
    ----------
    places : sequence of str
        Paths or URLs.

    Raises
    ------
    UsageError
        If two would be one field.
    """
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


def fixed_cell(field: str, column: str, text: str, home: str, missing: list[str]) -> str:
    """Write what is the same for all fields into the row of one.

    Parameters
    ----------
    field, column, text : str
        Name of the field, and what is said of a column.
    home : str
        Folder of the catalog.
    missing : list of str
        A file that is not there joins it.
    """
    value = text.replace("{field}", field)
    if COLUMNS[column].kind != "file":
        return value
    whole = resolve(value, str(Path.cwd()))
    path = local_path(whole)
    if path is not None and not path.exists():
        missing.append(f"{field}: {column}")
    return from_catalog(whole, home)
