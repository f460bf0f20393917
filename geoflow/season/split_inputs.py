"""What is split by what: logs, maps and outlines, found and brought to this machine."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from geoflow.base.errors import UsageError
from geoflow.base.progress import tell
from geoflow.files.inputs import is_companion
from geoflow.layers.vector_source import FORMATS
from geoflow.season.catalog import Value
from geoflow.season.making import named
from geoflow.season.outlines import Outline, outline_of
from geoflow.season.urls import fetch, glob, local_path, resolve, shown

__all__ = ["NOWHERE_FILE", "Fetched", "SplitAsked", "found_places", "outlines_of"]

NOWHERE_FILE: Final = "in_no_field"
"""Stem of the file of records in no field, and of the table that says where they are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SplitAsked:
    """What is to be split, and by what.

    Attributes
    ----------
    target : str
        The catalog to write; the logs come to lie beside it.
    logs : str
        Pattern of the logs.
    maps, outlines : str or None
        Pattern, or folder, of the fields' maps and outlines, named as their fields.
    beyond : str or None
        How far outside its outline a record still is a field's.
    machine : str or None
        Column that tells machines apart.
    """

    target: str
    logs: str
    maps: str | None = None
    outlines: str | None = None
    beyond: str | None = None
    machine: str | None = None


def found_places(pattern: str, option: str) -> list[str]:
    """Return the whole paths or URLs that match a pattern.

    Parameters
    ----------
    pattern, option : str
        As said, and with which option.

    Raises
    ------
    UsageError
        If nothing matches.
    """
    places = glob(pattern)
    if not places:
        raise UsageError("no file matches", where=f"{option} {shown(pattern)}", cure="check folder and spelling")
    return [resolve(place, str(Path.cwd())) for place in places]


class Fetched:
    """Files on this machine, those by URL as copies.

    Parameters
    ----------
    scratch : Path
        Where copies go.
    places : dict
        Folder of a copy to where it came from; brought up to date.

    Attributes
    ----------
    files : dict
        Path or URL to the file on this machine.
    """

    def __init__(self, scratch: Path, places: dict[Path, str]) -> None:
        self._scratch, self._places = scratch, places
        self.files: dict[str, Path] = {}

    def file(self, place: str) -> Path:
        """Give a file on this machine.

        Parameters
        ----------
        place : str
            Path or URL.
        """
        if place not in self.files:
            self.files[place] = fetch(place, self._scratch / str(len(self.files)))
            if local_path(place) is None:
                self._places[self.files[place].parent] = shown(place.rstrip("/").rsplit("/", 1)[0])
        return self.files[place]


def outlines_of(
    asked: SplitAsked, near: Fetched, said: Mapping[str, Value], margin: float
) -> tuple[list[Outline], dict[str, dict[str, str]]]:
    """Return the ground of every field, and its map and outline for the catalog.

    Parameters
    ----------
    asked : SplitAsked
        Where they are.
    near : Fetched
        Brings them here.
    said : mapping
        Options of `reconcile`, which say how they are read.
    margin : float
        How far beyond an outline records still are the field's [m].

    Raises
    ------
    GeoflowError
        If one cannot be read, or two would be one field.
    """
    columns: dict[str, dict[str, str]] = {}
    for option, column in (("maps", "target"), ("outlines", "boundary")):
        pattern = getattr(asked, option)
        if pattern is not None:
            for name, place in named(_found_fields(pattern, f"--{option}")).items():
                columns.setdefault(name, {})[column] = place
    outlines = []
    for name, own in columns.items():
        if name.casefold() == NOWHERE_FILE:
            raise UsageError(f"a field cannot be called '{name}'", where=shown(str(own)), cure="give it another name")
        place = own.get("boundary") or own["target"]
        tell(f"reading {shown(place)}")
        outlines.append(outline_of(name, place, near.file(place), said, margin, of_map="boundary" not in own))
    return outlines, columns


def _found_fields(pattern: str, option: str) -> list[str]:
    """Maps or outlines of a pattern, or all in a folder."""
    folder = local_path(pattern)
    if folder is None or not folder.is_dir():
        return found_places(pattern, option)
    inside = [str(one) for one in sorted(folder.iterdir()) if not is_companion(one.name)]
    known = {*FORMATS, ".parquet", ".geoparquet", ".tif", ".tiff"}
    fit = [one for one in inside if Path(one).suffix.casefold() in known]
    if not fit:
        raise UsageError("the folder holds no map", where=f"{option} {pattern}", cure="check folder and spelling")
    return [resolve(one, str(Path.cwd())) for one in fit]
