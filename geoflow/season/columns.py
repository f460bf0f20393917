"""The columns of a catalog: the options of the single commands, one by one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

__all__ = ["COLUMNS", "JOBS", "Column", "Kind", "needed"]

Kind = Literal["text", "file", "flag", "list"]


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a catalog.

    Attributes
    ----------
    name : str
        As in the heading: the option of the single command with underscores, without the dashes.
    kind : str
        ``"text"``, ``"file"`` (a path or URL), ``"flag"`` (yes or no) or ``"list"`` (several, with ; between).
    jobs : tuple of str
        The jobs that know it.
    meaning : str
        For a person.
    choices : tuple of str
        All it may say; anything where empty.
    """

    name: str
    kind: Kind
    jobs: tuple[str, ...]
    meaning: str
    choices: tuple[str, ...] = ()


_ZONES: Final = ("vet", "rewrite")
_LOG: Final = ("reconcile",)
_ALL: Final = (*_ZONES, *_LOG)

_KNOWN: Final = (
    Column("bar", "file", _ALL, "bar file"),
    Column("temperature", "text", _ALL, 'liquid temperature: "35..50 degF"'),
    Column("rate_unit", "text", _ALL, "unit of the prescription's or the log's rates"),
    Column("crs", "text", _ALL, "coordinate system of a file that does not state it"),
    Column("swap_axes", "flag", _ALL, "the file has latitude before longitude"),
    Column("layer", "text", _ALL, "which layer of a file that holds several"),
    Column("prescription", "file", _ZONES, "prescription"),
    Column("speed", "text", _ZONES, 'planned ground speed: "5 mph" or "4..6.5 mph"'),
    Column("sections", "text", _ZONES, "sections that are on: left,right"),
    Column("rate_column", "text", _ZONES, "column that holds the rate"),
    Column("volume_temperature", "text", _ZONES, "temperature at which gallons or litres are counted"),
    Column("zones", "text", _ZONES, "zones of a raster: class or cell", ("class", "cell")),
    Column("take_as_ammonia", "flag", _ZONES, "the product of task data is ammonia, whatever its name"),
    Column("zone_speeds", "file", ("vet",), "side file of 'geoflow rewrite' with a speed per zone"),
    Column("policy", "text", ("rewrite",), "hold-speed, hold-rate or hold-total"),
    Column("max_rate", "text", ("rewrite",), 'no zone above this: "180 lb N/ac"'),
    Column("allow_raise", "flag", ("rewrite",), "rates may be raised above the prescription"),
    Column("leave_doubtful", "flag", ("rewrite",), "leave doubtful zones as they are"),
    Column("heading", "text", ("rewrite",), 'direction of the passes: "90 deg"'),
    Column("merge_short", "flag", ("rewrite",), "give zones too short for a rate of their own a neighbour's"),
    Column("nitrogen_price", "text", ("rewrite",), "money per pound of nitrogen"),
    Column("yield_response", "text", ("rewrite",), "B,C of the yield response per acre"),
    Column("crop_price", "text", ("rewrite",), "money per unit of that yield"),
    Column("log", "file", _LOG, "as-applied log"),
    Column("target", "file", _LOG, "target map; without it the log's own target column serves"),
    Column("boundary", "file", _LOG, "outline of the field"),
    Column("column", "list", _LOG, 'which column means what: "applied=Rate:lb N/ac; heading=-"'),
    Column("columns_file", "file", _LOG, "column roles saved with --save-columns"),
    Column("nitrogen", "text", _LOG, 'nitrogen in another product: "3.55 lb N/gal"'),
    Column("ticket", "list", _LOG, 'scale tickets: "12400 lb NH3; 8100 lb NH3"'),
    Column("width", "text", _LOG, "width of the bar where log and bar file lack it"),
    Column("target_rate_column", "text", _LOG, "column of the map that holds the rate"),
    Column("target_rate_unit", "text", _LOG, "unit of the map's rates"),
    Column("target_crs", "text", _LOG, "coordinate system of a map that does not state it"),
    Column("target_layer", "text", _LOG, "which layer of a map file that holds several"),
    Column("target_take_as_ammonia", "flag", _LOG, "the product of a map in task data is ammonia, whatever its name"),
    Column("boundary_crs", "text", _LOG, "coordinate system of a boundary that does not state it"),
)
COLUMNS: Final[Mapping[str, Column]] = {column.name: column for column in _KNOWN}
JOBS: Final[Mapping[str, tuple[str, ...]]] = {
    "vet": ("prescription", "bar", "temperature", "speed"),
    "rewrite": ("prescription", "bar", "temperature", "speed", "policy"),
    "reconcile": ("log",),
}
"""Each job with the columns it cannot do without; the first is the field's own file."""


def needed(job: str) -> str:
    """Return the column that holds a job's own file."""
    return JOBS[job][0]
