"""What a reader can be told about a prescription it could not read on its own."""

from __future__ import annotations

import zipfile
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from geoflow.base.errors import GeoflowError
from geoflow.layers.vector_source import open_source

__all__ = ["Choices", "reading_choices"]


@dataclass(frozen=True, slots=True)
class Choices:
    """What --rate-column and --layer may name.

    Attributes
    ----------
    columns, layers : tuple of str
        In file order; empty where they could not be listed.
    """

    columns: tuple[str, ...] = ()
    layers: tuple[str, ...] = ()


def reading_choices(path: Path, layer: str | None) -> Choices:
    """List the columns and layers of a prescription file; nothing is raised, a file beyond reading has none.

    Parameters
    ----------
    path : Path
        The file.
    layer : str or None
        The layer chosen, where there are several.
    """
    import pyogrio

    layers: tuple[str, ...] = ()
    try:
        if path.suffix.casefold() == ".zip":
            with zipfile.ZipFile(path) as archive:
                names = [PurePosixPath(name) for name in archive.namelist() if name.casefold().endswith(".shp")]
            layers = tuple(name.stem for name in names if not name.name.startswith("._"))
        elif path.suffix.casefold() == ".gpkg":
            layers = tuple(str(name) for name, kind in pyogrio.list_layers(path) if kind is not None)
        with open_source(path, layer) as source:
            known = pyogrio.read_info(source.data, layer=source.layer if source.file_format == "geopackage" else None)
        return Choices(tuple(str(name) for name in known["fields"]), layers)
    except (GeoflowError, OSError, ValueError, RuntimeError, zipfile.BadZipFile):
        return Choices((), layers)
