"""A map or a log as read, to be handed on in place of its file."""

from __future__ import annotations

import re
from dataclasses import fields
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from geoflow.api.results import ReadInput
from geoflow.api.tables import ids_of, of_every_row, table_of, with_ours
from geoflow.base.units import from_si
from geoflow.options.typed import LogOptions, ReadOptions
from geoflow.report.json_numbers import reading_document
from geoflow.report.read_inputs import points_document, points_report, zones_report

if TYPE_CHECKING:
    from geoflow.log_files.read_log import ReadLog
    from geoflow.report.model import Report

__all__ = ["ReadPoints", "ReadZones", "places_of"]


class ReadZones(ReadInput):
    """A prescription as read; give it to `vet`, `rewrite`, `plan` or as a target in place of its file."""

    settles: ClassVar = frozenset(one.name for one in fields(ReadOptions)) - {"volume_temperature"}
    by: ClassVar = "read_prescription"
    tables: ClassVar = ("read",)

    @property
    def has_findings(self) -> bool:
        """Whether rows were left out."""
        return bool(self.outcome.dropped)

    @property
    def report(self) -> Report:
        """What is to be said, in sections."""
        return zones_report(self.outcome, self.units)

    @property
    def zones(self) -> Any:
        """The caller's zones, with what each is called, its rate and its area behind."""
        one = self.outcome
        unit = re.sub(r"\W+", "_", one.rate_unit.text.casefold())
        columns = {f"rate_{unit}": one.rate, "area_ac": from_si(one.area, "area", "acre")}
        return with_ours(table_of(one), of_every_row(one.rows_read, one.row, columns) | ids_of(one))

    def to_dict(self) -> dict[str, Any]:
        """Give what the JSON of `geoflow vet` says of its input."""
        return reading_document(self.outcome)


class ReadPoints(ReadInput):
    """A log as read; give it to `reconcile` in place of its file."""

    settles: ClassVar = frozenset(one.name for one in fields(LogOptions)) - {"temperature", "nitrogen"}
    by: ClassVar = "read_log"
    tables: ClassVar = ("read",)

    @property
    def has_findings(self) -> bool:
        """Whether something may make all that follows wrong."""
        return bool(self.outcome.doubts)

    @property
    def report(self) -> Report:
        """What is to be said, in sections."""
        return points_report(self.outcome, self.units)

    @property
    def points(self) -> Any:
        """The records as given; of a file, points in WGS 84, a row for each that was kept."""
        return places_of(self.outcome) if self.outcome.given is None else self.outcome.given

    def to_dict(self) -> dict[str, Any]:
        """Give what was read and what was left out."""
        return points_document(self.outcome)


def places_of(read: ReadLog) -> Any:
    """Where the records of a file are, a row for each of the file; no place for those that were left out.

    Parameters
    ----------
    read : ReadLog
        As read.
    """
    import geopandas
    import shapely

    points = np.full(read.rows_read, None, dtype=object)
    points[read.log.row] = shapely.points(read.log.x, read.log.y)
    table = geopandas.GeoDataFrame(geometry=points, crs=read.local_crs).to_crs(4326)
    table.index.name = "log_row"
    return table
