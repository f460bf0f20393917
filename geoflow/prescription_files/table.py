"""What every reader of prescriptions is asked and hands over."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from geoflow.base.rate_units import RateUnit
from geoflow.layers.notes import Note

if TYPE_CHECKING:
    import geopandas

    from geoflow.layers.dbf import Dbf

__all__ = ["ReaderOptions", "ZoneRule", "ZoneTable"]

ZoneRule = Literal["class", "cell"]
"""How a raster becomes zones: adjacent cells of equal value merged, or every cell by itself."""


@dataclass(frozen=True, slots=True)
class ReaderOptions:
    """What a reader has to know of the options; None where one was not given.

    Attributes
    ----------
    layer : str or None
        ``--layer``.
    rate_column : str or None
        ``--rate-column``; a raster's band or a task's quantity.
    zones : str or None
        ``--zones``; only where the file holds cells.
    take_as_ammonia : bool
        ``--take-as-ammonia``; only where the file speaks of a product.
    nitrogen : str or None
        ``--nitrogen``: what another product than ammonia holds.
    """

    layer: str | None = None
    rate_column: str | None = None
    zones: ZoneRule | None = None
    take_as_ammonia: bool = False
    nitrogen: str | None = None


@dataclass(frozen=True, eq=False)
class ZoneTable:
    """Zones as a file holds them, before anything is decided about rates and places.

    Attributes
    ----------
    file_format : str
        Its name in words, such as ``"geopackage"``.
    table : geopandas.GeoDataFrame
        All rows, shapes and attributes untouched; its CRS is None where the file does not say it.
    layer : str or None
        Name of the layer, where the file can hold several.
    notes : tuple of Note
        What the reading itself saw.
    dbf : Dbf or None
        Raw records of a Shapefile, where GDAL would misread numbers.
    rate_column : str or None
        The column with the rates, where the reader settled it; then no column is looked for.
    units : mapping of str to RateUnit
        Columns whose unit the format or the file fixes.
    product : str or None
        What the file calls the product, where it is another one than ammonia; empty where it does not name it.
    degrees_unless_said : bool
        Whether the format means longitude and latitude where nothing is said (GeoJSON).
    """

    file_format: str
    table: geopandas.GeoDataFrame
    layer: str | None = None
    notes: tuple[Note, ...] = ()
    dbf: Dbf | None = None
    rate_column: str | None = None
    units: Mapping[str, RateUnit] = field(default_factory=dict)
    product: str | None = None
    degrees_unless_said: bool = False
